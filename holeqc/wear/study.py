"""Is the fixture worn: causes apart, trends, changes that nobody logged, and how many parts are left.

The way: gross errors are out already (`history`); which bushings move, so that the seating is that of the others
(`separate`); changes that nobody logged, which start trends anew as logged events do (`changes`); what drifts since
then, after the number of looks; what all sizes do together (`rivals`); from these levels every limit (`forecast`). One
set of levels feeds every sentence, so that no two can contradict.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from holeqc.problems import NOTE, WARNING, Problem
from holeqc.quantities import BoolArray, FloatArray
from holeqc.statistics.gauge_accuracy import straight_line
from holeqc.wear import events as ev
from holeqc.wear import forecast as fc
from holeqc.wear import result as res
from holeqc.wear.changes import CURVE, LEAST, Change, find_changes
from holeqc.wear.forecast import FAR, NONE, NOW, OPEN, SHUT, Forecast
from holeqc.wear.gross import running_median
from holeqc.wear.history import History, history_of
from holeqc.wear.levels import Level, Steady, level_of
from holeqc.wear.paths import clipped, drawn_in
from holeqc.wear.rivals import (
    DRIFT,
    SIGNIFICANT,
    SPEEDS,
    STEP,
    WORDS,
    Account,
    explain_series,
    explain_sizes,
    regular,
)  # fmt: skip
from holeqc.wear.separate import STILL, Separation, moving, separate
from holeqc.wear.shares import identifiability, variance_shares
from holeqc.wear.trend import LEAST as LEAST_TREND
from holeqc.wear.trend import Trend, trend_of

if TYPE_CHECKING:
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

ALARM = 0.01  #: chance that a steady history shows any part out of seat
RECENT = 20  #: parts that tell where a bushing is now
LEAST_HOLES = 3  #: sizes a part must have, so that drill and bushing can be told apart
SEEN = 0.9  #: share of histories in which a wear of the stated size would have been seen


def watch(spec: Specification, readings: Readings, events: Sequence[ev.Event] = ()) -> res.Wear:
    """Return what the readings of a kit say of its fixture, see `study`."""
    return study(history_of(spec, readings), events)


def study(history: History, events: Sequence[ev.Event] = (), problems: Iterable[Problem] = ()) -> res.Wear:
    """Return seating, bushings, changes and forecasts of a fixture's history; events restart what they touch."""
    said = [*history.problems, *problems]
    moves = STILL
    located = np.isfinite(history.nominal).all() and np.isfinite(history.off).any() and len(history.holes) > 1
    separation = None
    if located:
        moves = moving(history.nominal, history.off)
        separation = _separated(history, said, moves.best)
    else:
        said.append(Problem(NOTE, "no-places", "no coordinates of holes are read, or the kit has one hole: sizes only"))
    looks = looks_of(len(history.holes))
    seating, seat_found = (None, ()) if separation is None else _seating(history, separation, events)
    if separation is not None:
        said += _hands(history, separation)
    still = [n for n in range(len(history.holes)) if n not in moves.best]
    own = own_size(history, still)
    if holes_read(history) < LEAST_HOLES:
        own = history.size
    rest = history.off if separation is None else separation.rest
    found = [f for h in range(len(history.holes)) for f in _changes(history, rest, own, events, h)]
    regrinds = [e.cycle for e in events if e.kind == ev.DRILL and not e.bushings]
    common = _common(history, still) if holes_read(history) >= LEAST_HOLES else np.full(len(history), np.nan)
    sizes = explain_sizes(history.cycle, common, regrinds, history.marks, looks)
    found += [*seat_found, *(res.Found(None, ("all sizes",), c) for c in sizes.changes)]
    bushings = tuple(_bushing(history, separation, rest, own, events, found, h) for h in range(len(history.holes)))
    seats = {} if seating is None else _seat_trends(history, seating, events, found)
    wear = res.Wear(
        history, separation, seating,
        () if separation is None else variance_shares(separation, history.nominal),
        () if separation is None else identifiability(history, separation),
        bushings if separation is not None else tuple(b for b in bushings if b.trends), sizes,
        tuple(sorted(found, key=lambda f: f.change.chance)), (), (), tuple(events), tuple(said), seat_trends=seats,
        looks=looks, moving=moves, loose=_loosening(history, rest),
    )  # fmt: skip
    accounts = _accounts(wear, rest, own)
    looks_ahead = [_believed(o, accounts) for o in _Levels(wear, rest, own).outlooks()]
    outlooks = tuple(sorted(looks_ahead, key=lambda o: urgency(o.forecast)))
    order = _order(history, bushings, outlooks)
    wear = replace(wear, outlooks=outlooks, order=order, accounts=accounts)
    wear = replace(wear, power=_power(wear))
    from holeqc.wear.words import advice

    return replace(wear, advice=tuple(advice(wear)))


def looks_of(holes: int) -> int:
    """Return how many looks a study takes.

    Trends of place (2), size, seating (3) and all sizes; changes of each bushing, the seating and all sizes by two
    rules; the scatter of each bushing, and whether it is one of those that move.
    """
    return (3 * holes + 4) + 2 * (holes + 2) + 2 * holes


def _separated(history: History, said: list[Problem], moved: Sequence[int]) -> Separation | None:
    separation = separate(history.nominal, history.off, moved=moved)
    unseated = int(np.isnan(separation.rotation).sum())
    if unseated == len(history):
        said.append(Problem(NOTE, "no-seating", "no part has enough holes read to tell its seating: sizes only",
                            allowed=f"at least {separation.least_holes} holes a part"))  # fmt: skip
        return None
    if unseated:
        said.append(Problem(WARNING, "parts-unseated", f"{unseated} parts have too few holes read for a seating",
                            allowed=f"at least {separation.least_holes} holes a part"))  # fmt: skip
    return separation


# ------------------------------------------------------------------------------------------------------------ seating


def _seating(history: History, s: Separation, events: Sequence[ev.Event]) -> tuple[res.Seating, tuple[res.Found, ...]]:
    """Return seating with limits, and its changes that nobody logged.

    The centre is the median of each stretch between events and changes, and a running median where the seating drifts;
    limits are 1.4826 times the median distance from it, so wide that a steady history of normal seatings has a part
    beyond any of them with a chance of about `ALARM`: quantiles of Student's t with 0.37 (n - 1) degrees of freedom,
    since the median distance tells the scatter as well as 37 of 100 normal values do (Rousseeuw and Croux, Journal of
    the American Statistical Association 88, 1993).
    """
    values = np.column_stack([s.shift, s.rotation, s.scale])
    starts = ev.starts(events, ev.SEATING)
    centre, half = _limits(history, values, starts)
    with np.errstate(invalid="ignore"):
        out = np.asarray((np.abs(values - centre) > half)[:, :3].any(axis=1))
    kept = np.where(out[:, None], np.nan, values)[:, :3]
    names = res.SEATING_CHANNELS[:3]
    found = tuple(res.Found(None, names, c) for c in _between(history, kept, starts))
    cuts = sorted({*starts, *(f.change.cycle for f in found if f.change.kind != CURVE)})
    centre, half = _limits(history, values, cuts)
    with np.errstate(invalid="ignore"):
        out = np.asarray((np.abs(values - centre) > half)[:, :3].any(axis=1))
    return res.Seating(values, centre, centre - half, centre + half, out, ALARM), found


def _limits(history: History, values: FloatArray, starts: Sequence[float]) -> tuple[FloatArray, FloatArray]:
    from scipy.special import stdtrit

    centre, half = np.full_like(values, np.nan), np.full_like(values, np.nan)
    for first, end in zip(starts, [*starts[1:], np.inf], strict=True):
        inside = np.flatnonzero((history.cycle >= first) & (history.cycle < end))
        some = inside[np.isfinite(values[inside, 0])]
        if some.size < LEAST:
            continue
        reach = -float(stdtrit(0.37 * (some.size - 1), ALARM / (2 * 3 * len(history))))
        middle = np.tile(np.median(values[some], axis=0), (some.size, 1))
        moving_ = running_median(values[some], 31)
        spread = np.median(np.abs(values[some] - middle), axis=0)
        drifts = np.median(np.abs(values[some] - moving_), axis=0) < 0.8 * spread
        middle = np.where(drifts, moving_, middle)
        centre[some] = middle
        centre[inside] = centre[some[np.clip(np.searchsorted(some, inside), 0, some.size - 1)]]
        half[inside] = reach * 1.4826 * np.median(np.abs(values[some] - middle), axis=0)
    return centre, half


def _hands(history: History, s: Separation) -> list[Problem]:
    """Return a warning where port and starboard (any two parts of the kit) sit differently in the fixture."""
    from scipy.special import stdtr

    there = [n for n in range(len(history.hands)) if (history.hand == n).sum() >= LEAST]
    if len(there) != 2:
        return []
    moved = s.rest - s.local
    groups = [moved[history.hand == n] for n in there]
    mean = [np.nanmean(g, axis=0) for g in groups]
    error = [np.nanvar(g, axis=0, ddof=1) / np.maximum(np.isfinite(g).sum(axis=0), 1) for g in groups]
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.abs(mean[0] - mean[1]) / np.sqrt(error[0] + error[1])
    t = np.nan_to_num(t)
    chance = 2.0 * stdtr(float(min(len(g) for g in groups) - 1), -t) * t.size
    if chance.min() > ALARM:
        return []
    hole = int(np.unravel_index(np.argmin(chance), chance.shape)[0])
    names = " and ".join(history.hands[n] for n in there)
    gap = float(np.hypot(*(mean[0] - mean[1])[hole]))
    return [Problem(
        WARNING, "parts-differ", f"{names} parts sit differently at {history.bushings[hole]}",
        f"{gap:.4f} {history.unit} apart", "no difference beyond chance",
        "If the fixture is turned over for one of them, give each part's files in a run of its own",
    )]  # fmt: skip


# ------------------------------------------------------------------------------------------------------------ changes


def own_size(history: History, still: Sequence[int] = ()) -> FloatArray:
    """Return sizes (P,H) minus the common one, see `_common`: a drill wears for all of them alike.

    NaN where a part has fewer than `LEAST_HOLES` sizes: drill and bushing can't be told apart.
    """
    few = np.isfinite(history.size).sum(axis=1) < LEAST_HOLES
    return np.where(few[:, None], np.nan, history.size - _common(history, still)[:, None])


def _common(history: History, still: Sequence[int]) -> FloatArray:
    """Return the common size (P,): the median of the holes whose bushings don't move, each against its own mean."""
    size = history.size
    chosen = [h for h in still if np.isfinite(size[:, h]).any()]
    if len(chosen) >= LEAST_HOLES:
        size = size[:, chosen]
    known = np.isfinite(size)
    mean = np.where(known, size, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return _medians(size - mean) + float(mean.mean())


def _medians(size: FloatArray) -> FloatArray:
    ordered = np.sort(np.where(np.isfinite(size), size, np.inf), axis=1)
    count = np.isfinite(size).sum(axis=1)
    rows = np.arange(size.shape[0])
    low, high = ordered[rows, np.maximum(count - 1, 0) // 2], ordered[rows, np.minimum(count // 2, size.shape[1] - 1)]
    return np.where(count > 0, 0.5 * (np.where(count > 0, low, 0.0) + np.where(count > 0, high, 0.0)), np.nan)


def holes_read(history: History) -> int:
    """Return how many holes have sizes."""
    return int(np.isfinite(history.size).any(axis=0).sum())


def starts_of(events: Sequence[ev.Event], hole: int) -> list[float]:
    """Return the cycles at which a bushing's place and size against the others start anew by an event."""
    # a reground drill changes all sizes alike, unless it serves some holes only
    mine = [e for e in events if e.kind != ev.DRILL or e.bushings]
    return sorted({*ev.starts(events, ev.PLACE, hole), *ev.starts(mine, ev.SIZE, hole)})


def _between(history: History, values: FloatArray, starts: Sequence[float]) -> list[Change]:
    """Return the changes of a group of series within each stretch between events."""
    groups = looks_of(len(history.holes)) * len(starts)
    out: list[Change] = []
    for first, end in zip(starts, [*starts[1:], np.inf], strict=True):
        inside = (history.cycle >= first) & (history.cycle < end)
        out += find_changes(history.cycle[inside], values[inside], groups=groups)
    return out


def _changes(
    history: History, rest: FloatArray, own: FloatArray, events: Sequence[ev.Event], hole: int
) -> list[res.Found]:
    values = np.column_stack([rest[:, hole], own[:, hole]])
    names = (*res.CHANNELS[:2], res.CHANNELS[3])
    return [res.Found(hole, names, c) for c in _between(history, values, starts_of(events, hole))]


# ----------------------------------------------------------------------------------------------------------- bushings


def last_start(history: History, starts: Sequence[float], found: Sequence[res.Found], hole: int | None) -> float:
    """Return the first cycle that counts for a trend: after the last event, and surely after the last found change."""
    later = [f.change.last for f in found if f.hole == hole and f.change.kind != CURVE and f.channels != ("all sizes",)]
    kept = [c for c in later if (history.cycle >= c).sum() >= LEAST_TREND]
    return max([starts[-1], *kept])


def _bushing(
    history: History, s: Separation | None, rest: FloatArray, own: FloatArray, events: Sequence[ev.Event],
    found: Sequence[res.Found], hole: int,
) -> res.Bushing:  # fmt: skip
    place = rest[:, hole]
    local = 0.0 if s is None else s.local[:, hole]
    radius = np.hypot(*(place - local).T)
    trends = {}
    start = last_start(history, starts_of(events, hole), found, hole)
    used = history.cycle >= start
    for channel, values in zip(res.CHANNELS, (place[:, 0], place[:, 1], radius, own[:, hole]), strict=True):
        if (np.isfinite(values) & used).sum() >= LEAST_TREND:
            trends[channel] = trend_of(history.cycle[used], values[used])
    used = (history.cycle >= start) & np.isfinite(place).all(axis=1)
    all_ = place[used]
    count = min(RECENT, all_.shape[0])
    if count < 3:
        none = np.full(2, np.nan)
        return res.Bushing(hole, none, np.full((2, 2), np.nan), count, none, trends)
    recent = drawn_in(all_[-count:])
    spread = np.cov(recent.T) / count
    return res.Bushing(hole, recent.mean(axis=0), spread, count, drawn_in(all_[:count]).mean(axis=0), trends)


def _seat_trends(
    history: History, seating: res.Seating, events: Sequence[ev.Event], found: Sequence[res.Found]
) -> dict[str, Trend]:
    """Return the trends of shift and turn since their last event or change; parts out of seat don't count."""
    out = {}
    start = last_start(history, ev.starts(events, ev.SEATING), found, None)
    for n, channel in enumerate(res.SEATING_CHANNELS[:3]):
        values = np.where(seating.out | (history.cycle < start), np.nan, seating.values[:, n])
        if np.isfinite(values).sum() >= LEAST_TREND:
            out[channel] = trend_of(history.cycle, values)
    return out


def _loosening(history: History, rest: FloatArray) -> tuple[res.Loosening, ...]:
    """Return the bushings whose scatter grows: the cube root of the squared step from part to part against the cycle.

    Steps between neighbours leave out slow wear; the cube root of a squared length of two normal coordinates is nearly
    normal (Wilson and Hilferty, Proceedings of the National Academy of Sciences 17, 1931). Neighbouring steps share a
    part: their correlation (a quarter, by simulation) widens the error by the root of 1.5.
    """
    from scipy.special import stdtr

    out = []
    for hole in range(rest.shape[1]):
        known = np.flatnonzero(np.isfinite(rest[:, hole]).all(axis=1))
        square = (np.diff(rest[known, hole], axis=0) ** 2).sum(axis=1) / 2.0
        t, y = history.cycle[known[1:]], np.cbrt(square)
        if t.size < LEAST or not np.ptp(y) > 0:
            continue
        line = straight_line(t, y)
        chance = float(stdtr(line.dof, -line.slope / line.slope_se / np.sqrt(1.5))) * looks_of(rest.shape[1])
        third = max(6, t.size // 3)
        first, now = (float(np.sqrt(square[s].mean() / 2.0)) for s in (slice(0, third), slice(-third, None)))
        if chance < SIGNIFICANT and now > 1.3 * first:
            out.append(res.Loosening(hole, first, now, chance))
    return tuple(out)


# ------------------------------------------------------------------------------------------------------ explanations


def _accounts(wear: res.Wear, rest: FloatArray, own: FloatArray) -> tuple[Account, ...]:
    """Return what explains each finding best."""
    h = wear.history
    out: list[Account] = [] if wear.sizes.account is None else [wear.sizes.account]
    cuts = [f.change for f in wear.found if f.hole is None and f.channels != ("all sizes",) and f.change.kind != CURVE]
    if wear.seating is not None and (cuts or any(wear.told(t) for t in wear.seat_trends.values())):
        values = np.where(wear.seating.out[:, None], np.nan, wear.seating.values[:, :3])
        causes = ["stops or clamp", "the coordinate table"]
        causes += ["the reader"] if "places by" in h.marks else []
        account = explain_series("the seating", None, h.cycle, values, sorted(cuts, key=lambda c: c.cycle),
                                 tuple(causes), "a part measured earlier laid on the coordinate table again: "
                                 "if it reads as it did, it is stops or clamp")  # fmt: skip
        out += [account] if account is not None else []
    for hole in range(len(h.holes)):
        mine = [f.change for f in wear.found if f.hole == hole and f.change.kind != CURVE]
        if not (mine or wear.drifts(hole)) or wear.separation is None:
            continue
        logged = starts_of(wear.events, hole)
        used = h.cycle >= logged[-1]
        values = np.column_stack([rest[used, hole], own[used, hole]])
        mine = sorted((c for c in mine if c.cycle > logged[-1]), key=lambda c: c.cycle)
        account = explain_series("bushing", hole, h.cycle[used], values, mine, (), "")
        out += [account] if account is not None else []
    return tuple(out)


def _believed(look: res.Outlook, accounts: Sequence[Account]) -> res.Outlook:
    """Return an outlook without its end where a step explains the history nearly as well as the drift that makes it."""
    f = look.forecast
    hole = look.hole if look.cause == res.BUSHING else None
    of = {res.BUSHING: "bushing", res.SEATING: "the seating", res.ALL_SIZES: "all sizes"}.get(look.cause, "")
    steps = any(
        a.of == of and a.hole == hole and a.shape in (DRIFT, SPEEDS) and WORDS[STEP] in a.rest for a in accounts
    )
    if not steps or f.state not in (SHUT, FAR):
        return look
    f = Forecast(OPEN, f.last, f.start, f.n, f.now, f.sd, why="a step explains the history nearly as well as a drift")
    return replace(look, forecast=f, usual=None)


def _power(wear: res.Wear) -> tuple[res.Power, ...]:
    """Return for each bushing of which nothing is found how small a wear would have been seen."""
    from scipy.special import ndtri

    out = []
    factor = -float(ndtri(SIGNIFICANT / wear.looks / 2)) + float(ndtri(SEEN))
    loose = {x.hole for x in wear.loose}
    for b in wear.bushings:
        changed = any(f.hole == b.hole for f in wear.found) or any(b.hole in s for s in wear.moving.sets)
        trends = [b.trends[c] for c in res.CHANNELS[:2] if c in b.trends]
        if changed or wear.drifts(b.hole) or b.hole in loose or not trends:
            continue
        seen = factor * max((t.upper - t.lower) / 2.0 / 1.96 for t in trends)
        span = trends[0].end - trends[0].start
        rooms = [o.forecast.now for o in wear.outlooks
                 if o.hole in (b.hole, None) and o.limit not in (res.SIZE_UPPER, res.SIZE_LOWER)
                 and np.isfinite(o.forecast.now)]  # fmt: skip
        rooms += [o.forecast.now for o in wear.outlooks if o.limit in (res.PATTERN, res.PINS)
                  and np.isfinite(o.forecast.now)]  # fmt: skip
        if rooms and span > 0:
            out.append(res.Power(b.hole, seen, span, min(rooms)))
    return tuple(out)


# ------------------------------------------------------------------------------------------------------------ outlook


@dataclass(frozen=True, slots=True)
class _Place:
    """Levels of a bushing along and across the way it drifts, as x and y: columns are the two levels' directions."""

    levels: tuple[Level, Level]
    turn: FloatArray  #: (2,2)


class _Levels:
    """The levels of everything that may drift, and every limit worked out from them."""

    def __init__(self, wear: res.Wear, rest: FloatArray, own: FloatArray) -> None:
        self.wear, self.rest, self.own = wear, rest, own
        self.history = h = wear.history
        self.seated = np.ones(len(h), dtype=np.bool_) if wear.seating is None else ~wear.seating.out
        self.last = float(h.cycle[-1]) if len(h) else 0.0
        self.starts = [last_start(h, starts_of(wear.events, n), wear.found, n) for n in range(len(h.holes))]
        self.seat_start = last_start(h, ev.starts(wear.events, ev.SEATING), wear.found, None)
        trends = {b.hole: b.trends for b in wear.bushings}
        self.size_told = [wear.told(trends.get(n, {}).get(res.CHANNELS[3])) for n in range(len(h.holes))]
        self.place_told = [any(wear.told(trends.get(n, {}).get(c)) for c in res.CHANNELS[:2])
                           for n in range(len(h.holes))]  # fmt: skip
        self.places = [self._place(n, trends.get(n, {})) for n in range(len(h.holes))]
        self.together = holes_read(h) >= LEAST_HOLES
        self.common: Level = wear.sizes.level if self.together else Steady(1.0, 0.0, 0.0, 1e6)
        self.seats = self._seats()
        self.seat_told = any(wear.told(t) for t in wear.seat_trends.values())

    def _place(self, hole: int, trends: dict[str, Trend]) -> _Place:
        told, start = self.place_told[hole], self.starts[hole]
        slope = np.array([trends[c].slope if c in trends else 0.0 for c in res.CHANNELS[:2]])
        length = float(np.hypot(*slope))
        way = slope / length if told and length > 0 else np.array([1.0, 0.0])
        turn = np.array([[way[0], -way[1]], [way[1], way[0]]])
        series = self.rest[:, hole] @ turn
        levels = tuple(level_of(self.history.cycle, series[:, k], start, drifts=told, bends=k == 0) for k in (0, 1))
        return _Place((levels[0], levels[1]), turn)

    def _own(self, hole: int, drifts: bool, bends: bool = False) -> Level:
        return level_of(self.history.cycle, self.own[:, hole], self.starts[hole], drifts=drifts, bends=bends)

    def _seats(self) -> tuple[Level, ...]:
        seating = self.wear.seating
        if seating is None:
            return (Steady(1.0, 0.0, 0.0, 1e6),) * 3
        out = []
        for n, channel in enumerate(res.SEATING_CHANNELS[:3]):
            values = np.where(seating.out, np.nan, seating.values[:, n])
            told = self.wear.told(self.wear.seat_trends.get(channel))
            out.append(level_of(self.history.cycle, values, self.seat_start, drifts=told))
        return tuple(out)

    def outlooks(self) -> list[res.Outlook]:
        """Return every limit's outlook."""
        m = self.history.margins
        out = []
        for hole in range(len(self.history.holes)):
            for limit, margin, side in ((res.SIZE_UPPER, m.size_upper, 1.0), (res.SIZE_LOWER, m.size_lower, -1.0)):
                if np.isfinite(margin[:, hole]).any():
                    out.append(self._size(hole, limit, margin[:, hole], side))
            if np.isfinite(m.position[:, hole]).any():
                out.append(self._position(hole))
        for limit, margin, radius, rotate in (
            (res.PATTERN, m.pattern, m.pattern_radius, m.pattern_turns), (res.PINS, m.pins, m.pins_radius, True),
        ):  # fmt: skip
            if self.wear.separation is not None and np.isfinite(radius).any():
                out.append(self._whole(limit, margin, radius, rotate))
        return out

    def _looked(self, limit: str, hole: int | None, parts: dict[str, list[int]], total: fc.Sum, room: fc.Room,
                raw: FloatArray, used: BoolArray, told: dict[str, bool],
                effort: fc.Effort = fc.FULL) -> res.Outlook:  # fmt: skip
        """Return the outlook of a limit: levels by cause ``parts`` (their numbers), quantities ``raw`` (P,Q)."""
        scatter = raw[used] - total.middle(self.history.cycle[used])
        drifting = [v for name, numbers in parts.items() if told[name] for v in (total.levels[k] for k in numbers)]
        first = max([v.start for v in drifting], default=float(self.history.cycle[0]) if len(self.history) else 1.0)
        f = fc.forecast(total, room, _filled(scatter), self.last, n=int(used.sum()), drifts=any(told.values()),
                        span=self.last - first, effort=effort)  # fmt: skip
        cause = self._cause(parts, total, room, f, told)
        usual = None
        if self.wear.sizes.usual is not None and self.common in total.levels and f.state in (SHUT, FAR, NOW):
            kept = tuple(self.wear.sizes.usual if v is self.common else v for v in total.levels)
            constant = total.constant + total.gain @ np.array(
                [float(_mean(a, self.history.cycle[used]) - _mean(b, self.history.cycle[used]))
                 for a, b in zip(total.levels, kept, strict=True)])  # fmt: skip
            usual = fc.forecast(replace(total, levels=kept, constant=constant), room, _filled(scatter), self.last,
                                n=int(used.sum()), drifts=True, span=self.last - first, effort=effort,
                                turns=self.wear.sizes.usual.turns())  # fmt: skip
        every = None if hole is None else self._every(hole)
        return res.Outlook(limit, hole, f, cause, usual, every)

    def _every(self, hole: int) -> float | None:
        """Return the parts between the logged changes of a bushing, None where they aren't regular."""
        mine = [e for e in self.wear.events if e.kind == ev.BUSHING]
        return regular(np.diff([1.0, *(e.cycle for e in mine if e.touches(ev.PLACE, hole))]))

    def _cause(self, parts: dict[str, list[int]], total: fc.Sum, room: fc.Room, f: Forecast,
               told: dict[str, bool]) -> str:  # fmt: skip
        """Return what takes most of the room by itself, of what is told to drift."""
        if f.state not in (SHUT, FAR, NOW) or not any(told.values()):
            return res.UNKNOWN
        names = [n for n in parts if told[n]]
        if len(names) == 1:
            return names[0]
        now, then = f.last, f.estimate or f.last + 10.0
        if f.state == NOW:
            now, then = max(v.start for v in total.levels), f.last
        at = np.array([v.middle(np.array([now, max(then, now + 1.0)])) for v in total.levels])
        base = float(room((total.gain @ at[:, 0] + total.constant)[None])[0])
        loss = {}
        for name in names:
            moved = at[:, 0].copy()
            moved[parts[name]] = at[parts[name], 1]
            loss[name] = base - float(room((total.gain @ moved + total.constant)[None])[0])
        return max(loss, key=lambda n: loss[n])

    def _used(self, *known: FloatArray, seated: bool = False, start: float = 1.0) -> BoolArray:
        used = self.history.cycle >= start
        for values in known:
            used &= np.isfinite(values).reshape(len(self.history), -1).all(axis=1)
        return np.asarray(used & self.seated if seated else used)

    def _size(self, hole: int, limit: str, margin: FloatArray, side: float) -> res.Outlook:
        own = self._own(hole, self.size_told[hole], bends=True)
        levels = [self.common, own]
        start = max(v.start for v in levels)
        size = self.history.size[:, hole]
        used = self._used(margin, size, start=start)
        # the reading that lies worst is off the mean size by as much on the whole as it was
        reading = -side * margin
        total = fc.combine(levels, [[1.0, 1.0]], [0.0])
        total = _set(total, self.history.cycle, reading[:, None], used)
        cause = res.BUSHING if self.together else res.SIZE_EITHER
        toward = {res.ALL_SIZES: self.together and self.wear.sizes.drifts, cause: self.size_told[hole]}
        parts = {res.ALL_SIZES: [0], cause: [1]}
        return self._looked(limit, hole, parts, total, fc.size_room(0.0, side), reading[:, None], used, toward)

    def _position(self, hole: int) -> res.Outlook:
        h, m = self.history, self.history.margins
        walls = np.isfinite(m.place[:, hole]).all(axis=2).any(axis=0)
        place, departure = m.place[:, hole, walls], m.departure[:, hole, walls]
        stated, most = float(m.stated[hole]), float(m.most[hole])
        raw = np.concatenate([place, (departure if most > 0 else 0.0 * place[..., 0])[..., None]], axis=2)
        raw = raw.reshape(len(h), -1)
        away = h.nominal[hole] - h.nominal.mean(axis=0)
        turn = self.places[hole].turn
        grow = _sign(departure.mean(axis=1), h.size[:, hole]) if most > 0 else 0.0
        own = self._own(hole, self.size_told[hole] or self.place_told[hole]) if grow else Steady(1.0, 0.0, 0.0, 1e6)
        common = self.common if grow else Steady(1.0, 0.0, 0.0, 1e6)
        levels = [*self.seats, *self.places[hole].levels, common, own]
        if self.wear.separation is None:
            away = np.zeros(2)
        gain = [
            [1.0, 0.0, -away[1], *turn[0], 0.0, 0.0], [0.0, 1.0, away[0], *turn[1], 0.0, 0.0],
            [0.0, 0.0, 0.0, 0.0, 0.0, grow, grow],
        ] * int(walls.sum())  # fmt: skip
        used = self._used(raw, seated=True, start=max(v.start for v in levels))
        total = _set(fc.combine(levels, gain, [0.0] * len(gain)), h.cycle, raw, used)
        cause = res.BUSHING if self.wear.separation is not None else res.PLACE_EITHER
        parts = {res.SEATING: [0, 1, 2], cause: [3, 4, 6], res.ALL_SIZES: [5]}
        told = {res.SEATING: self.seat_told, cause: self.place_told[hole] or (bool(grow) and self.size_told[hole]),
                res.ALL_SIZES: bool(grow) and self.wear.sizes.drifts}  # fmt: skip
        return self._looked(res.POSITION, hole, parts, total, fc.position_room(stated, most), raw, used, told)

    def _whole(self, limit: str, margin: FloatArray, radius: FloatArray, rotate: bool) -> res.Outlook:
        h = self.history
        asked = np.flatnonzero(np.isfinite(radius).any(axis=0) & np.isfinite(self.rest).all(axis=2).any(axis=0))
        levels: list[Level] = [self.common]
        parts: dict[str, list[int]] = {res.ALL_SIZES: [0]}
        told = {res.ALL_SIZES: self.wear.sizes.drifts}
        gain = np.zeros((3 * asked.size, 1 + 3 * asked.size))
        raw = np.full((len(h), 3 * asked.size), np.nan)
        for n, hole in enumerate(asked.tolist()):
            k = len(levels)
            moves = self.place_told[hole] or self.size_told[hole]
            levels += [*self.places[hole].levels, self._own(hole, moves)]
            grow = 0.5 * _sign(radius[:, hole], h.size[:, hole])
            gain[3 * n : 3 * n + 2, k : k + 2] = self.places[hole].turn
            gain[3 * n + 2, [0, k + 2]] = grow
            raw[:, 3 * n : 3 * n + 2], raw[:, 3 * n + 2] = self.rest[:, hole], radius[:, hole]
            parts[f"{hole}"], told[f"{hole}"] = [k, k + 1, k + 2], moves
        start = max(v.start for v in levels)
        used = (h.cycle >= start) & (np.isfinite(raw).mean(axis=1) > 0.7)
        total = _set(fc.combine(levels, gain.tolist(), [0.0] * gain.shape[0]), h.cycle, raw, used)
        room = fc.pattern_room(h.nominal[asked], rotate=rotate)
        both = np.flatnonzero(np.isfinite(margin) & np.isfinite(raw).all(axis=1) & (h.cycle >= start))[-60:]
        lift = float(np.median(margin[both] - room(raw[both]))) if both.size >= 5 else 0.0

        def lifted(q: FloatArray) -> FloatArray:
            return np.asarray(room(q) + lift)

        look = self._looked(limit, None, parts, total, lifted, raw, used, told, fc.FLOATED)
        if look.cause.isdigit():
            hole = int(look.cause)
            return replace(look, hole=hole, cause=res.BUSHING, every=self._every(hole))
        return look


def _mean(level: Level, cycle: FloatArray) -> float:
    return float(level.middle(cycle).mean()) if cycle.size else 0.0


def _set(total: fc.Sum, cycle: FloatArray, raw: FloatArray, used: BoolArray) -> fc.Sum:
    """Return a sum whose constants make it agree on the whole with the quantities ``raw`` (P,Q) of the parts used."""
    if not used.any():
        return replace(total, constant=np.full_like(total.constant, np.nan))
    away = clipped(raw[used] - total.middle(cycle[used]))
    known = np.isfinite(away)
    return replace(total, constant=total.constant + np.nansum(away, axis=0) / np.maximum(known.sum(axis=0), 1))


def _filled(scatter: FloatArray) -> FloatArray:
    """Return residuals (N,Q) drawn in, with what isn't known at 0 and the rest as much larger."""
    known = np.isfinite(scatter)
    share = known.mean(axis=0) if scatter.shape[0] else np.ones(scatter.shape[1])
    return np.asarray(np.nan_to_num(clipped(scatter)) / np.sqrt(np.maximum(share, 0.05)))


def _sign(values: FloatArray, size: FloatArray) -> float:
    """Return 1 or -1 as values grow or shrink with the size, 0 where they don't follow it."""
    known = np.isfinite(values) & np.isfinite(size)
    if known.sum() < 3 or not np.ptp(values[known]) > 0 or not np.ptp(size[known]) > 0:
        return 0.0
    return float(np.sign(np.corrcoef(values[known], size[known])[0, 1]))


def urgency(f: Forecast) -> tuple[int, float]:
    """Return what forecasts are put in order by: used up, then forecast, then those that can't be told, by room."""
    rank = {NOW: 0, SHUT: 1, FAR: 2, OPEN: 3, NONE: 4}[f.state]
    if f.state == OPEN:
        return rank, f.now
    return rank, f.before if f.before is not None else np.inf


def _order(history: History, bushings: Sequence[res.Bushing], outlooks: Sequence[res.Outlook]) -> tuple[int, ...]:
    """Return the holes, most urgent first; where nothing is forecast, the one that is furthest off first."""
    first: dict[int, tuple[int, float]] = {}
    for look in outlooks:
        if look.hole is not None:
            first.setdefault(look.hole, urgency(look.forecast))
    off = {b.hole: float(np.nan_to_num(np.hypot(*b.offset))) for b in bushings}
    return tuple(sorted(range(len(history.holes)), key=lambda h: (first.get(h, (9, np.inf)), -off.get(h, 0.0))))
