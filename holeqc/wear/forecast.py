"""How many more cycles until the mean hole of a bushing uses up its room, and how sure that is.

What is forecast: **the cycle at which the mean hole has no room left**, when about half of the parts would fail. The
mean hole is the hole without the scatter of single parts: the levels of what drifts (for a size the size; for a
position both coordinates of each wall's axis and the size that makes the bonus) go on by their own trends, and the room
is worked out from these levels at each cycle to come. A straight line is never drawn through the room for a position
itself, since tolerance minus distance hardly moves while a hole is near its place and falls fast later. Single parts
fail earlier: from which cycle on one in forty does (levels plus the scatter of parts) is given beside it, without an
interval.

The interval holds the cycle with 95 %: its ends are where the chance that the mean room is used up is 2.5 % and 97.5 %
(for one size that doesn't wander this is Fieller's interval, Graybill and Iyer, Regression Analysis, 1994, 6.2; for a
position the chance is counted over draws of all levels from their joint distribution, Student's t with the correlation
of their scatter). ``before`` is where the chance is 5 %: change before it. Where the data don't show that anything
drifts, there is no upper end and the answer is 'cannot tell yet'.

Simulated coverage of the 95 % interval (tests/benchmarks/simulate_coverage.py). Sizes, 2000 histories of 120 parts
each: normal scatter 0.954, heavy-tailed 0.947, one sudden step that nobody logged 0.958. Positions that drift by
0.001 mm under a seating scatter of 0.02 mm, 2000 histories each of 40, 60 and 100 parts: 0.981, 0.974, 0.968, and the
true cycle after the 95 % bound in 0.989, 0.963, 0.962: somewhat more than promised where few parts tell the drift. Wear
that comes wholly in steps is promised less: a dozen regular steps 0.90; irregular steps too small to stand out of the
scatter look straight while they aren't, 0.66.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from holeqc.quantities import FloatArray
from holeqc.wear import changes
from holeqc.wear.paths import Path, binned, fit_paths
from holeqc.wear.trend import CURVED

LEAST = 8  #: values since the last change, before anything is forecast
CURVE_LEAST = 20  #: values before a curve is looked for
HORIZON = 10.0  #: forecasts reach so many times the length of the history, no further
GRID = 700
OPEN, SHUT, FAR, NOW, NONE = "cannot tell yet", "forecast", "far off", "used up", "no data"
SINGLE_SD = 2.0
SINGLES = 0.025  #: share of parts that fail where ``singles`` begins
TAIL = 0.025  #: chance on either side of the interval
BOUND = 0.05  #: chance that the room is used up by ``before``


@dataclass(frozen=True, slots=True)
class Band:
    """The mean room (T,) at cycles (T,), and where it lies with 95 %."""

    cycle: FloatArray
    mean: FloatArray
    lower: FloatArray
    upper: FloatArray


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the mean room is used up, in cycles of the fixture's count.

    ``state``: ``forecast``; ``cannot tell yet`` (no drift that the data support; ``before`` may still hold);
    ``far off`` (it falls, but its end lies beyond the horizon); ``used up`` (already: ``estimate``, ``lower`` and
    ``upper`` say since when); ``no data``. ``estimate`` the middle, ``lower`` to ``upper`` 95 %, ``before`` the
    one-sided 95 % lower bound, ``singles`` where one part in forty fails; None where beyond the horizon or not known.
    ``now`` and ``sd``: mean room at the last cycle and scatter of one part's room about it; ``slope`` of the room per
    cycle at the last cycle with its standard deviation. ``start``: first cycle that counts, ``n`` values. ``curved``;
    ``wander`` (see `paths.Path`).
    """

    state: str
    last: float
    start: float
    n: int
    now: float
    sd: float
    slope: float
    slope_sd: float
    estimate: float | None = None
    lower: float | None = None
    upper: float | None = None
    before: float | None = None
    singles: float | None = None
    curved: bool = False
    wander: float = 0.0
    changes: tuple[changes.Change, ...] = ()
    path: Path | None = None
    band: Band | None = None

    @property
    def act(self) -> float | None:
        """Cycle before which to act: ``before``, or where one part in forty fails if that comes first."""
        if self.before is None or self.singles is None or self.state != SHUT:
            return self.before
        return min(self.before, max(self.singles, self.last))

    @property
    def left(self) -> float | None:
        """Cycles left to ``act``."""
        return None if self.act is None else max(0.0, self.act - self.last)

    def curve(self, cycle: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the fitted mean room at cycles (T,), and the ends of its 95 % band; NaN where there is no fit."""
        if self.band is not None:
            b = self.band
            return (np.interp(cycle, b.cycle, b.mean), np.interp(cycle, b.cycle, b.lower),
                    np.interp(cycle, b.cycle, b.upper))  # fmt: skip
        if self.path is None:
            none = np.full(cycle.size, np.nan)
            return none, none, none
        each, spread = self.path.anywhere(cycle)
        middle = self.path.weight @ each
        half = 1.96 * np.sqrt(self.path.weight @ (spread**2 + (each - middle) ** 2))
        return np.asarray(middle), np.asarray(middle - half), np.asarray(middle + half)


def forecast(
    cycle: FloatArray, margin: FloatArray, *, seed: int = 1, deals: int = changes.DEALS, level: float = changes.LEVEL
) -> Forecast:
    """Return when the mean of ``margin`` (N,) at ``cycle`` (N,) reaches zero; NaN values are left out.

    For a margin that is a straight count of what drifts (a size against its limit). Changes that nobody logged are
    looked for first; what lies before the last of them doesn't count.
    """
    known = np.isfinite(margin)
    t, y = cycle[known], margin[known]
    last = float(cycle[-1]) if cycle.size else 0.0
    if t.size < LEAST or not np.ptp(t) > 0:
        return no_forecast(t, last, float(y.mean()) if y.size else float("nan"))
    begin, found = since_change(t, y[:, None], seed=seed, deals=deals, level=level)
    return replace(_ahead(t[begin:], y[begin:], last, level), changes=found)


def no_forecast(t: FloatArray, last: float, mean: float) -> Forecast:
    """Return the answer to too few values at cycles ``t``."""
    none = float("nan")
    return Forecast(NONE, last, float(t[0]) if t.size else last, t.size, mean, none, none, none)


def since_change(
    t: FloatArray, y: FloatArray, *, seed: int, deals: int, level: float
) -> tuple[int, tuple[changes.Change, ...]]:
    """Return the first value that counts of series ``y`` (N,R) that belong together, and the changes before it."""
    found: list[changes.Change] = []
    begin = 0
    while len(found) < 4:
        told = changes.find_changes(t[begin:], y[begin:], seed=seed, deals=deals, level=level)
        real = [c for c in told if c is not None and c.kind != changes.CURVE]
        change = min(real, key=lambda c: c.chance, default=None)
        if change is None or t.size - begin - change.index < LEAST:
            break
        found.append(change)
        begin += change.index
    return begin, tuple(found)


def _ahead(t: FloatArray, y: FloatArray, last: float, level: float) -> Forecast:
    degree = 1
    speeding = fit_paths(binned(t, y, draw_in=True), 2)[0].chance_negative(2) if t.size >= CURVE_LEAST else 0.5
    curved = min(speeding, 1.0 - speeding) < CURVED / 2
    if curved and speeding > 0.5:
        degree = 2
    elif curved:  # wear that slows down: a square term would turn round, so the recent half stands for what comes
        t, y = t[t.size // 2 :], y[t.size // 2 :]
    path = fit_paths(binned(t, y, draw_in=True), degree)[0]
    ahead = np.maximum(times_ahead(t, last, GRID), float(t[-1]))
    chance = np.maximum.accumulate(path.chance_below(ahead, 0.0))
    slope, slope_sd = path.slope()
    mean, _ = path.level(ahead)
    middle = path.weight @ mean
    sd = float(path.weight @ path.sd)
    falls = path.chance_negative(1)
    state = state_of(float(chance[0]), float(chance[-1]), drifts=falls > 1.0 - TAIL, surely=falls > 1.0 - level)
    past = np.linspace(float(path.basis.cycle[0]), last, 200) if state == NOW else None
    of_past = None if past is None else path.chance_below(past, 0.0)
    ends = crossing(ahead, chance, state, past, of_past)
    singles = where(ahead, -middle, -SINGLE_SD * sd) if state != OPEN else None
    return Forecast(
        state, last, float(t[0]), t.size, float(middle[0]), sd, slope, slope_sd, *ends, singles, curved, path.wander,
        (), path,
    )  # fmt: skip


def times_ahead(t: FloatArray, last: float, number: int) -> FloatArray:
    """Return cycles from the last on to the horizon, closer together at first."""
    reach = HORIZON * max(float(np.ptp(t)), 1.0)
    return np.asarray(last + np.concatenate([[0.0], np.geomspace(0.25, reach, number)]))


def state_of(now: float, horizon: float, *, drifts: bool, surely: bool) -> str:
    """Return the answer by the chance that the room is used up now and at the horizon, and whether a drift is told.

    ``drifts`` at the level of the interval; ``surely`` at the level of the whole run of forecasts.
    """
    if now > 0.5:
        return NOW
    if drifts and horizon > 1.0 - TAIL:
        return SHUT
    return FAR if surely else OPEN


def crossing(
    ahead: FloatArray, chance: FloatArray, state: str, past: FloatArray | None = None, of_past: FloatArray | None = None
) -> tuple[float | None, float | None, float | None, float | None]:
    """Return (estimate, lower, upper, before) from the chance that the room is used up by cycles ahead.

    Where it is used up already, ``past`` (ending with the last cycle) tells since when: the last time at which the
    chance was as small.
    """
    levels = (0.5, TAIL, 1.0 - TAIL, BOUND)
    if past is not None and of_past is not None:
        found: list[float | None] = []
        for p in levels:
            below = np.flatnonzero(of_past < p)
            k = int(below[-1]) if below.size else -1
            if k == past.size - 1:
                found.append(where(ahead, chance, p))
            else:
                found.append(where(past[max(k, 0) :], of_past[max(k, 0) :], p))
        return found[0], found[1], found[2], found[3]
    middle, low, high, before = (where(ahead, chance, p) for p in levels)
    return (None, low, None, before) if state == OPEN else (middle, low, high, before)


def where(cycle: FloatArray, rising: FloatArray, level: float) -> float | None:
    """Return the first cycle at which a curve reaches a level, None where it doesn't."""
    reached = np.flatnonzero(rising >= level)
    if not reached.size:
        return None
    k = int(reached[0])
    if k == 0:
        return float(cycle[0])
    share = (level - rising[k - 1]) / max(rising[k] - rising[k - 1], 1e-300)
    return float(cycle[k - 1] + share * (cycle[k] - cycle[k - 1]))
