"""Forecast of a room that several drifting series make together: a position from its coordinates and its size.

Each series has its own trend and wander (`holeqc.wear.paths`). Draws of all levels from their joint distribution are
carried along to each cycle to come, the room is worked out from each draw, and the share of draws without room is the
chance that the mean hole is out by then. All draws and cycles are worked at once.

A distance that is made of estimates comes out too long by their scatter, and drawing again lengthens it twice. Where a
drift is told the draws are therefore turned about the estimate: twice the room of the expected levels less that of the
draw (the basic bootstrap interval: Davison and Hinkley, Bootstrap Methods and their Application, 1997, 2.1). Where no
drift is told they are left as drawn, which promises less.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from holeqc.quantities import FloatArray
from holeqc.wear import changes
from holeqc.wear import forecast as fc
from holeqc.wear.paths import Path, binned, drawn_in, fit_paths
from holeqc.wear.trend import CURVED

Room = Callable[[FloatArray], FloatArray]  #: (..., R) levels to (...) room



@dataclass(frozen=True, slots=True)
class Effort:
    """How many draws are worked at how many cycles to come and past, and how many single parts are drawn."""

    draws: int
    times: int
    past: int
    scatters: int


FULL = Effort(2000, 140, 80, 1000)


def position_room(stated: float, most: float) -> Room:
    """Return the room of axes: radius of the zone with its bonus minus the distance, in the wall that lies worst.

    The function takes levels (..., 3W): x, y and departure of the size from its material limit, wall by wall;
    ``stated`` and ``most`` are diameters of the zone and its largest bonus.
    """

    def room(levels: FloatArray) -> FloatArray:
        x, y, departure = levels[..., 0::3], levels[..., 1::3], levels[..., 2::3]
        bonus = np.clip(departure, 0.0, most) if most > 0.0 else 0.0
        return np.asarray((0.5 * (stated + bonus) - np.hypot(x, y)).min(axis=-1))

    return room


def forecast_position(
    cycle: FloatArray,
    place: FloatArray,
    departure: FloatArray,
    stated: float,
    most: float,
    *,
    seed: int = 1,
    deals: int = changes.DEALS,
    level: float = changes.LEVEL,
) -> fc.Forecast:
    """Return when the mean hole leaves its position zone.

    ``place`` (N,W,2) of the axes against their basic position, ``departure`` (N,W) of the size from its material
    limit, not looked at where ``most`` (the largest bonus) is 0; parts with a NaN are left out, and so is a wall that
    was never read.
    """
    size = departure if most > 0.0 else np.zeros(place.shape[:2])
    values = np.concatenate([place, size[..., None]], axis=2)
    values = values[:, np.isfinite(values).all(axis=2).any(axis=0)]
    return forecast_room(
        cycle, values.reshape(cycle.size, -1), position_room(stated, most), seed=seed, deals=deals, level=level
    )


def forecast_room(
    cycle: FloatArray,
    values: FloatArray,
    room: Room,
    *,
    actual: FloatArray | None = None,
    effort: Effort = FULL,
    seed: int = 1,
    deals: int = changes.DEALS,
    level: float = changes.LEVEL,
) -> fc.Forecast:
    """Return when the room of the mean of ``values`` (N,R) at ``cycle`` (N,) is used up.

    ``room`` makes (...) from (...,R). Changes that nobody logged in any of the series are looked for first; what lies
    before the last of them doesn't count. ``actual`` (N,): the room that each part had, where ``room`` leaves out some
    of what makes it; then the room of the mean part is forecast, which the scatter of parts makes smaller than that of
    the mean levels. ``effort``: how finely the draws are worked.
    """
    known = np.isfinite(values).all(axis=1)
    if actual is not None:
        known &= np.isfinite(actual)
    t, y = cycle[known], values[known]
    last = float(cycle[-1]) if cycle.size else 0.0
    if t.size < fc.LEAST or not np.ptp(t) > 0 or not y.shape[1]:
        return fc.no_forecast(t, last, float(room(y.mean(axis=0))) if y.size else float("nan"))
    moves = np.ptp(y, axis=0) > 0.0
    found: tuple[changes.Change, ...] = ()
    if moves.any():
        begin, found = fc.since_change(t, y[:, moves], seed=seed, deals=deals, level=level)
        t, y = t[begin:], y[begin:]
    fits = _fit(t, y)
    mean_room = each_room = room
    if actual is not None:
        late = slice(-max(fc.LEAST, t.size // 3), None)
        had = actual[known][-t.size :][late]
        mean_room = _lifted(room, float((had - room(_mean_levels(fits, t[late]))).mean()))
        each_room = _lifted(room, float((had - room(y[late])).mean()))
    return _cross(fits, (mean_room, each_room), last, level, found, (seed, effort))


def _lifted(room: Room, by: float) -> Room:
    return lambda levels: room(levels) + by


@dataclass(frozen=True, slots=True)
class _Fits:
    """Fitted series (R): their paths, and the covariance (R,R) and correlation of the scatter of parts."""

    t: FloatArray
    paths: tuple[Path, ...]
    cover: FloatArray
    root: FloatArray
    curved: bool


def _fit(t: FloatArray, y: FloatArray) -> _Fits:
    straight = fit_paths(binned(t, y, draw_in=True), 1, together=True)
    bent = np.zeros(y.shape[1], dtype=np.bool_)
    curved = False
    if t.size >= fc.CURVE_LEAST:
        bows = fit_paths(binned(t, y, draw_in=True), 2, together=True)
        below = np.array([p.chance_negative(2) for p in bows])
        told = np.minimum(below, 1.0 - below) < CURVED / 2 / y.shape[1]
        away = np.array([p.slope()[0] for p in straight])
        bent = told & ((below > 0.5) == (away < 0.0))
        curved = bool(told.any())
        if curved and not bent.any():  # wear that slows down: the recent half stands for what comes
            t, y = t[t.size // 2 :], y[t.size // 2 :]
            straight = fit_paths(binned(t, y, draw_in=True), 1, together=True)
    paths = tuple(bows[r] if bent[r] else straight[r] for r in range(y.shape[1]))
    smooth = np.stack([p.weight @ p.anywhere(t)[0] for p in paths], axis=1)
    rest = drawn_in(y) - smooth
    cover = rest.T @ rest / max(t.size - 2.0, 1.0)
    sd = np.sqrt(np.diag(cover))
    alike = np.divide(cover, sd[:, None] * sd, out=np.eye(sd.size), where=(sd[:, None] * sd) > 0.0)
    return _Fits(t, paths, cover, _root(alike), curved)


def _root(matrix: FloatArray) -> FloatArray:
    value, vector = np.linalg.eigh(matrix)
    return np.asarray(vector * np.sqrt(np.maximum(value, 0.0)))


class _Draws:
    """Draws of how far each series' level lies off what is expected, carried along all cycles."""

    def __init__(self, fits: _Fits, seed: int, draws: int) -> None:
        rng = np.random.default_rng(seed)
        half = rng.standard_normal((draws // 2, len(fits.paths))) @ fits.root.T
        dof = np.array([p.basis.dof for p in fits.paths])
        self.off = np.concatenate([half, -half]) * np.sqrt(dof / rng.chisquare(dof, (draws, dof.size)))
        self.fits, self.draws = fits, draws
        self.walk = [rng.choice(p.weight.size, draws, p=p.weight) for p in fits.paths]

    def rooms(self, room: Room, cycle: FloatArray, told: bool) -> FloatArray:
        """Return rooms (draws,T) at cycles (T,), turned about the estimate where a drift is ``told``."""
        middle = np.empty((self.draws, cycle.size, len(self.fits.paths)))
        drawn = np.empty_like(middle)
        for r, p in enumerate(self.fits.paths):
            mean, spread = p.anywhere(cycle)
            middle[:, :, r] = mean[self.walk[r]]
            drawn[:, :, r] = middle[:, :, r] + spread[self.walk[r]] * self.off[:, r, None]
        return 2.0 * room(middle) - room(drawn) if told else room(drawn)


def _mean_levels(fits: _Fits, cycle: FloatArray) -> FloatArray:
    return np.stack([p.weight @ p.anywhere(cycle)[0] for p in fits.paths], axis=1)


def _cross(
    fits: _Fits, rooms_of: tuple[Room, Room], last: float, level: float, found: tuple[changes.Change, ...],
    how: tuple[int, Effort],
) -> fc.Forecast:  # fmt: skip
    """Return the forecast; ``rooms_of``: the room of the mean part, and that of a single one."""
    (room, each_room), (seed, effort) = rooms_of, how
    drift = _chance_of_drift(fits)
    told = drift < 2 * fc.TAIL
    ahead = np.maximum(fc.times_ahead(fits.t, last, effort.times), float(fits.t[-1]))
    past = np.linspace(float(fits.paths[0].basis.cycle[0]), last, effort.past)
    draws = _Draws(fits, seed, effort.draws)
    rooms, earlier = draws.rooms(room, ahead, told), draws.rooms(room, past, told)
    out = np.sort(_first(ahead, rooms))
    state = fc.state_of(
        float((rooms[:, 0] < 0.0).mean()), float(np.isfinite(out).mean()), drifts=told, surely=drift < level
    )
    if state == fc.NOW:
        out = np.sort(np.where(rooms[:, 0] < 0.0, _since(past, earlier), _first(ahead, rooms)))
    middle, low, high, before = (_quantile(out, p) for p in (0.5, fc.TAIL, 1.0 - fc.TAIL, fc.BOUND))
    scatter = np.random.default_rng(seed).standard_normal((effort.scatters, len(fits.paths))) @ _root(fits.cover).T
    levels = _mean_levels(fits, ahead)
    parts = each_room(levels + scatter[:, None])
    singles = _quantile(np.sort(_first(ahead, parts)), fc.SINGLES)
    if state == fc.OPEN:
        middle = high = singles = None
    step = last + np.array([0.0, 0.05 * max(float(np.ptp(fits.t)), 1.0)])
    rise = np.diff(draws.rooms(room, step, False), axis=1)[:, 0] / (step[1] - step[0])
    slope = float(np.diff(room(_mean_levels(fits, step)))[0] / (step[1] - step[0]))
    cycles = np.concatenate([past, ahead])
    around = np.percentile(np.concatenate([earlier, rooms], axis=1), [2.5, 97.5], axis=0)
    band = fc.Band(cycles, room(_mean_levels(fits, cycles)), around[0], around[1])
    return fc.Forecast(
        state, last, float(fits.t[0]), fits.t.size, float(room(levels[0])), float(parts[:, 0].std()), slope,
        float(rise.std()), middle, low, high, before, singles, fits.curved, max(p.wander for p in fits.paths), found,
        None, band,
    )  # fmt: skip


def _chance_of_drift(fits: _Fits) -> float:
    """Return the chance of so strong a drift of any series where none drifts."""
    moving = [p.chance_negative(1) for p in fits.paths if p.sd.max() > 1e-9]
    return min(1.0, 2.0 * min((min(c, 1.0 - c) for c in moving), default=1.0) * len(moving))


def _first(cycle: FloatArray, rooms: FloatArray) -> FloatArray:
    """Return for each of rooms (D,T) the first cycle without room, infinite where there is always some."""
    k = np.argmax(rooms < 0.0, axis=1)
    row = np.arange(k.size)
    before, after = rooms[row, np.maximum(k - 1, 0)], rooms[row, k]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(k > 0, before / (before - after), 0.0)
    at = cycle[np.maximum(k - 1, 0)]
    return np.where(after < 0.0, at + share * (cycle[k] - at), np.inf)


def _since(cycle: FloatArray, rooms: FloatArray) -> FloatArray:
    """Return for each of rooms (D,T) that end without room since which cycle there is none."""
    back = _first(-cycle[::-1], -rooms[:, ::-1])
    return np.where(np.isfinite(back), -back, cycle[0])


def _quantile(ordered: FloatArray, share: float) -> float | None:
    value = float(ordered[max(0, int(np.ceil(share * ordered.size)) - 1)])
    return value if np.isfinite(value) else None
