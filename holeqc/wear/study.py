"""Is the fixture worn: causes apart, trends, changes that nobody logged, and how many parts are left."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from holeqc.problems import NOTE, WARNING, Problem
from holeqc.quantities import BoolArray, FloatArray
from holeqc.wear import events as ev
from holeqc.wear import result as res
from holeqc.wear.causes import LEAST_HOLES, with_causes
from holeqc.wear.changes import CURVE, LEAST, LEVEL, find_changes
from holeqc.wear.forecast import FAR, NONE, NOW, OPEN, SHUT, Forecast, forecast
from holeqc.wear.history import History, history_of
from holeqc.wear.joint import forecast_position
from holeqc.wear.paths import drawn_in
from holeqc.wear.separate import Separation, separate
from holeqc.wear.shares import identifiability, variance_shares
from holeqc.wear.trend import LEAST as LEAST_TREND
from holeqc.wear.trend import Trend, trend_of
from holeqc.wear.whole import forecast_whole

if TYPE_CHECKING:
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

ALARM = 0.01  #: chance that a steady history shows any part out of seat
RECENT = 20  #: parts that tell where a bushing is now
MOST_MISSING = 0.2  #: share of missing values with which a series is still searched for changes
SEARCHES = 2  #: how often the pieces of a changed series are searched again


def watch(spec: Specification, readings: Readings, events: Sequence[ev.Event] = ()) -> res.Wear:
    """Return what the readings of a kit say of its fixture, see `study`."""
    return study(history_of(spec, readings), events)


def study(history: History, events: Sequence[ev.Event] = (), problems: Iterable[Problem] = ()) -> res.Wear:
    """Return seating, bushings, changes and forecasts of a fixture's history; events restart what they touch."""
    said = [*history.problems, *problems]
    separation = _separated(history, said)
    seating = None if separation is None else _seating(history, separation, events)
    if separation is not None:
        said += _hands(history, separation)
    found = _changes(history, separation, seating, events)
    bushings = (
        ()
        if separation is None
        else tuple(_bushing(history, separation, events, found, h) for h in range(len(history.holes)))
    )
    drill = _drill(history, events)
    seats = {} if seating is None else _seat_trends(history, seating, events, found)
    outlooks = with_causes(history, _outlooks(history, separation, seating, bushings, events), bushings, seats, drill)
    order = _order(history, bushings, outlooks)
    wear = res.Wear(
        history, separation, seating,
        () if separation is None else variance_shares(separation, history.nominal),
        () if separation is None else identifiability(history, separation),
        bushings, drill, found, outlooks, order, tuple(events), tuple(said), seat_trends=seats,
    )  # fmt: skip
    from holeqc.wear.words import advice

    return replace(wear, advice=tuple(advice(wear)))


def _separated(history: History, said: list[Problem]) -> Separation | None:
    located = np.isfinite(history.nominal).all() and np.isfinite(history.off).any()
    if not located or len(history.holes) < 2:
        said.append(Problem(NOTE, "no-places", "no coordinates of holes are read, or the kit has one hole: sizes only"))
        return None
    separation = separate(history.nominal, history.off)
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


def _seating(history: History, s: Separation, events: Sequence[ev.Event]) -> res.Seating:
    """Return seating with limits: median and 1.4826 times the median distance from it, of each stretch between events.

    The limits are so wide that a steady history of normal seatings has a part beyond any of them with a chance of about
    `ALARM`: quantiles of Student's t with 0.37 (n - 1) degrees of freedom, since the median distance tells the scatter
    as well as 37 of 100 normal values do (Rousseeuw and Croux, Journal of the American Statistical Association
    88, 1993).
    """
    from scipy.special import stdtrit

    values = np.column_stack([s.shift, s.rotation, s.scale])
    centre, half = np.full_like(values, np.nan), np.full_like(values, np.nan)
    starts = ev.starts(events, ev.SEATING)
    for first, end in zip(starts, [*starts[1:], np.inf], strict=True):
        inside = (history.cycle >= first) & (history.cycle < end)
        some = values[inside & np.isfinite(values[:, 0])]
        if some.shape[0] >= LEAST:
            reach = -float(stdtrit(0.37 * (some.shape[0] - 1), ALARM / (2 * 3 * len(history))))
            middle = np.median(some, axis=0)
            centre[inside] = middle
            half[inside] = reach * 1.4826 * np.median(np.abs(some - middle), axis=0)
    with np.errstate(invalid="ignore"):
        out = np.asarray((np.abs(values - centre) > half)[:, :3].any(axis=1))
    return res.Seating(values, centre, centre - half, centre + half, out, ALARM)


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


def _channels(
    history: History, s: Separation | None, seating: res.Seating | None
) -> list[tuple[int | None, str, FloatArray]]:
    """Return every series that is searched for changes: (hole, channel, values (P,))."""
    out: list[tuple[int | None, str, FloatArray]] = []
    if s is not None and seating is not None:
        for n, name in enumerate(res.SEATING_CHANNELS[: 4 if s.scaled else 3]):
            out.append((None, name, np.where(seating.out, np.nan, seating.values[:, n])))
        for h in range(len(history.holes)):
            out += [(h, res.CHANNELS[0], s.rest[:, h, 0]), (h, res.CHANNELS[1], s.rest[:, h, 1])]
    own = own_size(history)
    if np.isfinite(history.size).any(axis=0).sum() < LEAST_HOLES:
        own = history.size
    out += [(h, res.CHANNELS[3], own[:, h]) for h in range(len(history.holes))]
    return out


def own_size(history: History) -> FloatArray:
    """Return sizes (P,H) minus the median size of the part's holes: a drill wears for all of them alike.

    NaN where a part has fewer than `LEAST_HOLES` sizes: drill and bushing can't be told apart.
    """
    few = np.isfinite(history.size).sum(axis=1) < LEAST_HOLES
    return np.where(few[:, None], np.nan, history.size - _medians(history.size)[:, None])


def _medians(size: FloatArray) -> FloatArray:
    ordered = np.sort(np.where(np.isfinite(size), size, np.inf), axis=1)
    count = np.isfinite(size).sum(axis=1)
    rows = np.arange(size.shape[0])
    low, high = ordered[rows, np.maximum(count - 1, 0) // 2], ordered[rows, np.minimum(count // 2, size.shape[1] - 1)]
    return np.where(count > 0, 0.5 * (np.where(count > 0, low, 0.0) + np.where(count > 0, high, 0.0)), np.nan)


def starts_of(history: History, events: Sequence[ev.Event], hole: int | None, channel: str) -> list[float]:
    """Return the cycles at which a channel's trend starts anew by an event."""
    if hole is None:
        return ev.starts(events, ev.SEATING)
    if channel == res.CHANNELS[3]:  # a reground drill changes all sizes alike, unless it serves some holes only
        mine = [e for e in events if e.kind != ev.DRILL or e.bushings]
        return ev.starts(mine, ev.SIZE, hole)
    return ev.starts(events, ev.PLACE, hole)


def _changes(
    history: History, s: Separation | None, seating: res.Seating | None, events: Sequence[ev.Event]
) -> tuple[res.Found, ...]:
    """Return the changes in all series; those that share their stretches between events are searched together."""
    groups: dict[tuple[float, float], list[tuple[int | None, str, FloatArray]]] = {}
    for hole, channel, values in _channels(history, s, seating):
        starts = starts_of(history, events, hole, channel)
        for first, end in zip(starts, [*starts[1:], float(len(history) + 1)], strict=True):
            groups.setdefault((first, end), []).append((hole, channel, values))
    found: list[res.Found] = []
    for (first, end), series in groups.items():
        inside = (history.cycle >= first) & (history.cycle < end)
        found += _search(history.cycle, series, inside, LEVEL / len(groups), SEARCHES)
    return tuple(sorted(found, key=lambda f: f.change.chance))


def _search(
    cycle: FloatArray, series: Sequence[tuple[int | None, str, FloatArray]], inside: BoolArray, level: float, again: int
) -> list[res.Found]:
    index = np.flatnonzero(inside)
    usable = [(h, c, v) for h, c, v in series if np.isnan(v[index]).mean() <= MOST_MISSING]
    if index.size < LEAST or not usable:
        return []
    filled = np.column_stack([_filled(cycle[index], v[index]) for _, _, v in usable])
    steady = np.ptp(filled, axis=0) > 0
    usable = [u for u, keep in zip(usable, steady, strict=True) if keep]
    if not usable:
        return []
    out = []
    changes = find_changes(cycle[index], filled[:, steady], level=level)
    for (hole, channel, values), change in zip(usable, changes, strict=True):
        if change is None:
            continue
        out.append(res.Found(hole, channel, change))
        if again and change.kind != CURVE:
            for piece in (cycle < change.cycle, cycle >= change.cycle):
                out += _search(cycle, [(hole, channel, values)], inside & piece, level, again - 1)
    return out


def _filled(cycle: FloatArray, values: FloatArray) -> FloatArray:
    known = np.isfinite(values)
    return values if known.all() else np.interp(cycle, cycle[known], values[known])


# ----------------------------------------------------------------------------------------------------------- bushings


def last_start(
    history: History, events: Sequence[ev.Event], found: Sequence[res.Found], hole: int | None, channel: str
) -> float:
    """Return the first cycle that counts for a channel's trend: after its last event and its last found change."""
    start = starts_of(history, events, hole, channel)[-1]
    later = [f.change.cycle for f in found if f.hole == hole and f.channel == channel and f.change.kind != CURVE]
    kept = [c for c in later if len(history) + 1 - c >= LEAST_TREND]
    return max([start, *kept])


def _bushing(
    history: History, s: Separation, events: Sequence[ev.Event], found: Sequence[res.Found], hole: int
) -> res.Bushing:
    rest = s.rest[:, hole]
    radius = np.hypot(*(rest - s.local[:, hole]).T)
    series = (rest[:, 0], rest[:, 1], radius, own_size(history)[:, hole])
    trends = {}
    for channel, values in zip(res.CHANNELS, series, strict=True):
        used = history.cycle >= last_start(history, events, found, hole, channel)
        if (np.isfinite(values) & used).sum() >= LEAST_TREND:
            trends[channel] = trend_of(history.cycle[used], values[used])
    used = (history.cycle >= ev.starts(events, ev.PLACE, hole)[-1]) & np.isfinite(rest).all(axis=1)
    all_ = rest[used]
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
    for n, channel in enumerate(res.SEATING_CHANNELS[:3]):
        values = np.where(seating.out, np.nan, seating.values[:, n])
        start = ev.starts(events, ev.SEATING)[-1]
        later = [f.change.cycle for f in found if f.hole is None and f.channel == channel and f.change.kind != CURVE]
        start = max([start, *(c for c in later if len(history) + 1 - c >= LEAST_TREND)])
        used = history.cycle >= start
        if (np.isfinite(values) & used).sum() >= LEAST_TREND:
            out[channel] = trend_of(history.cycle[used], values[used])
    return out


def _drill(history: History, events: Sequence[ev.Event]) -> Trend | None:
    """Return the trend of all sizes together since the drill was last reground."""
    start = ev.starts([e for e in events if e.kind == ev.DRILL], ev.SIZE)[-1]
    used = history.cycle >= start
    sizes = _medians(history.size)[used]
    if np.isfinite(sizes).sum() < LEAST_TREND:
        return None
    return trend_of(history.cycle[used], sizes)


# ------------------------------------------------------------------------------------------------------------ outlook


def _outlooks(
    history: History, s: Separation | None, seating: res.Seating | None, bushings: Sequence[res.Bushing],
    events: Sequence[ev.Event],
) -> tuple[res.Outlook, ...]:  # fmt: skip
    m = history.margins
    seated = np.ones(len(history), dtype=np.bool_) if seating is None else ~seating.out
    planned: list[tuple[str, int | None, FloatArray, list[float]]] = []
    for h in range(len(history.holes)):
        size = ev.starts(events, ev.SIZE, h)
        planned += [(res.SIZE_UPPER, h, m.size_upper[:, h], size), (res.SIZE_LOWER, h, m.size_lower[:, h], size)]
        place = sorted({*ev.starts(events, ev.PLACE, h), *ev.starts(events, ev.SEATING)})
        planned.append((res.POSITION, h, np.where(seated, m.position[:, h], np.nan), place))
    culprit = _culprit(history, bushings)
    whole = ev.starts(events, ev.PATTERN)
    planned += [(res.PATTERN, culprit, m.pattern, whole), (res.PINS, culprit, m.pins, whole)]
    planned = [p for p in planned if np.isfinite(p[2]).any()]
    level = LEVEL / max(len(planned), 1)
    out = []
    for limit, hole, values, starts in planned:
        used = history.cycle >= min(starts[-1], history.cycle[-1])
        cycle = history.cycle[used]
        if limit == res.POSITION and hole is not None:
            place = np.where(np.isfinite(values)[:, None, None], m.place[:, hole], np.nan)[used]
            zone = float(m.stated[hole]), float(m.most[hole])
            f = forecast_position(cycle, place, m.departure[used, hole], *zone, level=level)
        elif s is not None and limit in (res.PATTERN, res.PINS):
            radius, turns = (m.pattern_radius, m.pattern_turns) if limit == res.PATTERN else (m.pins_radius, True)
            f = forecast_whole(cycle, s.rest[used], radius[used], values[used], history.nominal, rotate=turns,
                               level=level)  # fmt: skip
        else:
            f = forecast(cycle, values[used] if used[0] or starts[-1] <= history.cycle[-1] else np.full(1, np.nan),
                         level=level)  # fmt: skip
        out.append(res.Outlook(limit, hole, f))
    return tuple(sorted(out, key=lambda o: urgency(o.forecast)))


def urgency(f: Forecast) -> tuple[int, float]:
    """Return what forecasts are put in order by: used up, then forecast, then those that can't be told, by bound."""
    rank = {NOW: 0, SHUT: 1, FAR: 2, OPEN: 3, NONE: 4}[f.state]
    return rank, f.before if f.before is not None else np.inf


def _culprit(history: History, bushings: Sequence[res.Bushing]) -> int | None:
    """Return the hole that holds up the whole pattern: of those that bind, the one that is furthest off."""
    binds = history.margins.binding[-RECENT:].mean(axis=0) >= 0.2
    far = [(float(np.hypot(*b.offset)), b.hole) for b in bushings if binds[b.hole] and np.isfinite(b.offset).all()]
    return max(far)[1] if far else None


def _order(history: History, bushings: Sequence[res.Bushing], outlooks: Sequence[res.Outlook]) -> tuple[int, ...]:
    """Return the holes, most urgent first; where nothing is forecast, the one that is furthest off first."""
    first: dict[int, tuple[int, float]] = {}
    for look in outlooks:
        if look.hole is not None:
            first.setdefault(look.hole, urgency(look.forecast))
    off = {b.hole: float(np.nan_to_num(np.hypot(*b.offset))) for b in bushings}
    return tuple(sorted(range(len(history.holes)), key=lambda h: (first.get(h, (9, np.inf)), -off.get(h, 0.0))))
