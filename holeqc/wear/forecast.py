"""From which part on half of the parts fail a limit, and how sure that is.

One question is asked of every limit, of sizes, positions, hole to hole and all pins together: **from which part on do
half of the parts fail it**. The levels of what drifts (`holeqc.wear.levels`) go on; draws of all levels from their
distribution are carried along to each cycle to come; the room of the part in the middle is worked out from each, and
the share of draws without room is the chance that half of the parts fail by then. The interval holds the part number
with 95 %; ``before`` is where the chance is 5 %.

A distance that is made of estimates comes out too long by their scatter, and drawing again lengthens it twice. The
draws are therefore moved back by twice what they take from the room of the expected levels in the middle (the
bias correction of the bootstrap: Davison and Hinkley, Bootstrap Methods and their Application, 1997, 2.1). What the
scatter of single parts takes from the room of the middle part is worked out at each cycle from draws of parts.

How often the intervals hold the truth is simulated for two dozen kinds of history: tests/benchmarks/simulate_shop.py.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from holeqc.inspection.pin_gauge import zone_margin
from holeqc.quantities import FloatArray
from holeqc.wear.levels import Level

LEAST = 8  #: parts with readings since the last change, before anything is forecast
HORIZON = 10.0  #: forecasts reach so many times the length of the history, no further
OPEN, SHUT, FAR, NOW, NONE = "cannot tell yet", "forecast", "no end yet", "used up", "no data"
SINGLES = 0.025  #: share of parts that fail where ``singles`` begins
SLOW = "it is too slow yet against its uncertainty, or doesn't lead to a limit"
REACHED = 0.9  #: share of the draws that must end before the horizon, for an end to be given
TAIL = 0.025  #: chance on either side of the interval
BOUND = 0.05  #: chance that half of the parts fail by ``before``

Room = Callable[[FloatArray], FloatArray]  #: (..., C) levels to (...) room


@dataclass(frozen=True, slots=True)
class Effort:
    """How many draws are worked at how many cycles to come and past, and how many single parts are drawn."""

    draws: int
    times: int
    past: int
    parts: int


FULL = Effort(1000, 80, 40, 400)
FLOATED = Effort(250, 36, 12, 80)  #: each draw at each cycle is a best fit of its own


@dataclass(frozen=True, slots=True)
class Band:
    """The room (T,) of the middle part at cycles (T,), and where it lies with 95 %."""

    cycle: FloatArray
    mean: FloatArray
    lower: FloatArray
    upper: FloatArray


@dataclass(frozen=True, slots=True)
class Forecast:
    """From which part on half of the parts fail a limit, in cycles of the fixture's count.

    ``state``: ``forecast``; ``cannot tell yet`` (no drift that the data support, nothing is promised); ``no end yet``
    (something drifts, but its end may lie beyond the horizon); ``used up`` (already: ``estimate``, ``lower`` and
    ``upper`` say since when); ``no data``. ``estimate`` the middle, ``lower`` to ``upper`` 95 %, ``before`` the
    one-sided 95 % lower bound, ``singles`` where one part in forty fails; None where beyond the horizon or not known.
    ``now`` and ``sd``: room of the middle part at the last cycle and scatter of one part's room about it. ``start``:
    first cycle that counts for all that drifts, ``n`` parts since. ``why``: why there is no end.
    """

    state: str
    last: float
    start: float
    n: int
    now: float
    sd: float
    estimate: float | None = None
    lower: float | None = None
    upper: float | None = None
    before: float | None = None
    singles: float | None = None
    why: str = ""
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
        """Return the room of the middle part at cycles (T,), and the ends of its 95 % band; NaN where there is none."""
        if self.band is None:
            none = np.full(cycle.size, np.nan)
            return none, none, none
        b = self.band
        return tuple(np.interp(cycle, b.cycle, v) for v in (b.mean, b.lower, b.upper))  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class Sum:
    """How levels make what a room is made of: ``what`` (C,) numbers of levels, ``gain`` (Q,C), ``constant`` (Q,)."""

    levels: tuple[Level, ...]
    gain: FloatArray
    constant: FloatArray

    def middle(self, cycle: FloatArray) -> FloatArray:
        """Return quantities (T,Q) that are expected."""
        return np.stack([v.middle(cycle) for v in self.levels], axis=1) @ self.gain.T + self.constant

    def draws(self, cycle: FloatArray, seed: int, number: int) -> tuple[FloatArray, FloatArray]:
        """Return quantities that are expected and drawn (number,T,Q); the same seed draws the same levels."""
        rng = np.random.default_rng(seed)
        pairs = [v.draws(cycle, np.random.default_rng(s), number)
                 for v, s in zip(self.levels, rng.spawn(len(self.levels)), strict=True)]  # fmt: skip
        expected, drawn = (np.stack([p[n] for p in pairs], axis=2) @ self.gain.T + self.constant for n in (0, 1))
        return expected, drawn


def size_room(limit: float, side: float) -> Room:
    """Return the room of a size (..., 1) to its limit; ``side`` 1 for the upper, -1 for the lower."""
    return lambda q: side * (limit - q[..., 0])


def position_room(stated: float, most: float) -> Room:
    """Return the room of axes: radius of the zone with its bonus minus the distance, in the wall that lies worst.

    The function takes quantities (..., 3W): x, y and departure of the size from its material limit, wall by wall;
    ``stated`` and ``most`` are diameters of the zone and its largest bonus.
    """

    def room(q: FloatArray) -> FloatArray:
        x, y, departure = q[..., 0::3], q[..., 1::3], q[..., 2::3]
        bonus = np.clip(departure, 0.0, most) if most > 0.0 else 0.0
        return np.asarray((0.5 * (stated + bonus) - np.hypot(x, y)).min(axis=-1))

    return room


def pattern_room(nominal: FloatArray, *, rotate: bool) -> Room:
    """Return the margin of patterns floated to their best, from quantities (..., 3H): x, y and radius, hole by hole.

    ``nominal`` (H,2) are the basic positions, ``rotate`` whether the pattern may turn. The margin of a pattern hardly
    falls while a worn bushing is still hidden by the scatter of the others, and falls fast once that bushing decides
    alone; so the margin itself is never trended.
    """

    def room(q: FloatArray) -> FloatArray:
        one = q.reshape(-1, nominal.shape[0], 3)
        margin = zone_margin(nominal, nominal + one[..., :2], one[..., 2], rotate=rotate).margin
        return np.asarray(margin).reshape(q.shape[:-1])

    return room


def forecast(
    total: Sum, room: Room, scatter: FloatArray, last: float, *, n: int, drifts: bool, span: float = 0.0,
    effort: Effort = FULL, seed: int = 1, turns: FloatArray | None = None,
) -> Forecast:  # fmt: skip
    """Return from which cycle on half of the parts have no room.

    ``total`` makes quantities from levels, ``room`` (...) from quantities (...,Q), ``scatter`` (N,Q) what single parts
    lie off the quantities. ``n`` parts count; ``drifts``: any of the levels is told to drift; ``span``: cycles that
    tell the drift. ``turns``: cycles to come at which a level turns.
    """
    start = max(v.start for v in total.levels)
    one = last + np.array([0.0])
    rng = np.random.default_rng(seed)
    half = rng.standard_normal((effort.parts // 2, scatter.shape[1])) @ _root(scatter).T
    parts = np.concatenate([half, -half])  # in pairs, so that the middle of a straight room is exact
    if n < LEAST or not np.isfinite(total.middle(one)).all():
        return Forecast(NONE, last, start, n, float("nan"), float("nan"))
    each_now = room(total.middle(one)[:, None] + parts)[0]
    now, sd = float(np.median(each_now)), float(each_now.std())
    if not drifts:
        expected, drawn = total.draws(one, seed, effort.draws)
        out = _moved_back(room(expected), room(drawn))[:, 0] + now - float(room(total.middle(one))[0])
        if float((out < 0.0).mean()) > 1.0 - TAIL:
            return Forecast(NOW, last, start, n, now, sd)
        return Forecast(OPEN, last, start, n, now, sd, why="nothing is seen to drift")
    ahead = times_ahead(max(span, 1.0), last, effort.times)
    if turns is not None:
        ahead = np.union1d(ahead, turns[(turns > last) & (turns < ahead[-1])])
    past = np.linspace(min(start, last - 1.0), last, effort.past)
    cycle = np.concatenate([past, ahead])
    middle = total.middle(cycle)
    each = room(middle[:, None] + parts)
    lift = np.median(each, axis=1) - room(middle)
    expected, drawn = total.draws(cycle, seed, effort.draws)
    rooms = _moved_back(room(expected), room(drawn)) + lift
    earlier, later = rooms[:, : past.size], rooms[:, past.size :]
    out = first_without(ahead, later)
    spent = later[:, 0] < 0.0
    state = NOW if float(spent.mean()) > 0.5 else SHUT if float(np.isfinite(out).mean()) > REACHED else FAR
    if state == NOW:
        out = np.where(spent, since_without(past, earlier), out)
    ordered = np.sort(out)
    mid, low, high, before = (_quantile(ordered, p) for p in (0.5, TAIL, 1.0 - TAIL, BOUND))
    singles = _quantile(np.sort(first_without(ahead, each[past.size :].T)), SINGLES)
    around = np.percentile(rooms, [2.5, 97.5], axis=0)
    band = Band(cycle, np.median(each, axis=1), around[0], around[1])
    if state == FAR:
        return Forecast(FAR, last, start, n, now, sd, band=band, why=SLOW)
    return Forecast(state, last, start, n, now, sd, mid, low, high, before, singles, band=band)


def _moved_back(expected: FloatArray, drawn: FloatArray) -> FloatArray:
    """Return drawn rooms (D,T) without the length that scatter adds to a distance, twice."""
    return np.asarray(drawn + 2.0 * np.median(expected - drawn, axis=0))


def times_ahead(span: float, last: float, number: int) -> FloatArray:
    """Return cycles from the last on to the horizon, closer together at first."""
    return np.asarray(last + np.concatenate([[0.0], np.geomspace(max(0.25, span / 100), HORIZON * span, number)]))


def first_without(cycle: FloatArray, rooms: FloatArray) -> FloatArray:
    """Return for each of rooms (D,T) the first cycle without room, infinite where there is always some."""
    k = np.argmax(rooms < 0.0, axis=1)
    row = np.arange(k.size)
    before, after = rooms[row, np.maximum(k - 1, 0)], rooms[row, k]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(k > 0, before / (before - after), 0.0)
    at = cycle[np.maximum(k - 1, 0)]
    return np.where(after < 0.0, at + share * (cycle[k] - at), np.inf)


def since_without(cycle: FloatArray, rooms: FloatArray) -> FloatArray:
    """Return for each of rooms (D,T) that end without room since which cycle there is none."""
    back = first_without(-cycle[::-1], -rooms[:, ::-1])
    return np.where(np.isfinite(back), -back, cycle[0])


def _quantile(ordered: FloatArray, share: float) -> float | None:
    value = float(ordered[max(0, int(np.ceil(share * ordered.size)) - 1)])
    return value if np.isfinite(value) else None


def _root(scatter: FloatArray) -> FloatArray:
    """Return a root of the covariance of residuals (N,Q)."""
    cover = scatter.T @ scatter / max(scatter.shape[0] - 1.0, 1.0)
    value, vector = np.linalg.eigh(cover)
    return np.asarray(vector * np.sqrt(np.maximum(value, 0.0)))


def combine(levels: Sequence[Level], gain: Sequence[Sequence[float]], constant: Sequence[float]) -> Sum:
    """Return quantities made of levels."""
    return Sum(tuple(levels), np.array(gain, dtype=np.float64), np.array(constant, dtype=np.float64))
