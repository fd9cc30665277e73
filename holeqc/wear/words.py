"""What the fixture's history asks of people, in plain sentences with numbers."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from holeqc.inspection.spans import capital
from holeqc.quantities import format_length, unit_name
from holeqc.wear import events as ev
from holeqc.wear import result as res
from holeqc.wear.causes import LEAST_HOLES, holes_read, seat_drifts
from holeqc.wear.changes import CURVE, JUMP
from holeqc.wear.forecast import FAR, LEAST, NOW, OPEN, SHUT

if TYPE_CHECKING:
    from holeqc.wear.forecast import Forecast

LIMITS_NOTE = (
    "Limits are those of the kit file and nothing else: no published life of drill bushings is used, and none is known "
    "to us."
)
COUNT_NOTE = (
    "Cycles are parts in the files, counted from 1 in order of their day. Parts that aren't in the files are not "
    "counted."
)
FORECAST_NOTE = (
    "A forecast is of the mean hole, whose coordinates and size go on by their trends: the part at which it has no "
    "room left, when about half of the parts would fail. 'Before' is its 95 % lower bound, or where about one part in "
    "forty fails if that comes first. It holds if wear goes on as it did."
)
SIGNIFICANT = 0.01
RECENT = 20  #: parts before and after a jump that tell where a bushing sat


def advice(wear: res.Wear) -> Iterator[str]:
    """Yield what to do, most pressing first."""
    yield from _forecasts(wear)
    yield from _seat_drift(wear)
    yield from _out_of_seat(wear)
    yield from _questions(wear)
    yield from _steady_offsets(wear)
    yield from _drill(wear)
    yield from _rest(wear)


def at(wear: res.Wear, cycle: float) -> str:
    """Return a cycle in words, with the serial number where the part is in the files."""
    number = round(cycle)
    serials = wear.history.serials
    return f"part {number} ({serials[number - 1]})" if 1 <= number <= len(serials) else f"part {number}"


def name_of(wear: res.Wear, hole: int | None) -> str:
    """Return a bushing with its hole."""
    if hole is None:
        return "the pattern"
    bushing, number = wear.history.bushings[hole], wear.history.holes[hole]
    return bushing if bushing == f"hole {number}" else f"bushing {bushing} (hole {number})"


def amount(wear: res.Wear, channel: str, value: float) -> tuple[str, str]:
    """Return a change of a channel with its sign, and its unit: [length], turn in mrad, scale in parts per million."""
    factor, decimals, unit = {"turn": (1e3, 2, "mrad"), "scale": (1e6, 0, "parts per million")}.get(
        channel, (1.0, 4 if wear.history.unit == "in" else 3, unit_name(wear.history.unit)))
    shown = round(factor * value, decimals)
    return f"{shown or abs(shown):{'+' if shown else ''}.{decimals}f}", unit


def _length(wear: res.Wear, value: float) -> str:
    unit = wear.history.unit
    return f"{format_length(value, unit, 4 if unit == 'in' else 3)} {unit_name(unit)}"


def vector(wear: res.Wear, xy: object) -> str:
    """Return an offset vector with signs and unit."""
    x, y = np.asarray(xy, dtype=np.float64)
    decimals = 4 if wear.history.unit == "in" else 3
    return f"({x:+.{decimals}f}, {y:+.{decimals}f}) {unit_name(wear.history.unit)}"


def when(f: Forecast) -> str:
    """Return a forecast in numbers: when, between what."""
    high = f"{f.upper:.0f}" if f.upper is not None else "beyond what can be said"
    low = f"{f.lower:.0f}" if f.lower is not None else f"{f.last:.0f}"
    return f"at about part {f.estimate:.0f} (95 %: {low} to {high})"


def since(f: Forecast) -> str:
    """Return in words since when the mean hole has had no room."""
    if f.estimate is None or f.estimate > f.last:
        return "by now"
    low = f.last if f.lower is None else f.lower
    high = "now" if f.upper is None or f.upper > f.last else f"{f.upper:.0f}"
    return f"since about part {f.estimate:.0f} (95 %: {low:.0f} to {high})"


def _forecasts(wear: res.Wear) -> Iterator[str]:
    told: set[int | None] = set()
    for look in wear.outlooks:
        f = look.forecast
        if f.state not in (NOW, SHUT) or look.hole in told or look.cause in (res.DRILL, res.SEATING):
            continue
        told.add(look.hole)
        what = {
            res.SIZE_EITHER: "look at drill and bushing (these readings can't tell them apart)",
            res.PLACE_EITHER: "look at seating and bushing (these readings can't tell them apart)",
        }.get(look.cause, "change it" if look.cause == res.BUSHING else "look at bushing, drill, stops and clamp")
        if f.state == NOW:
            yield (
                f"{capital(name_of(wear, look.hole))}: the mean hole has had no room to {look.limit} {since(f)}; its "
                f"room is now {_length(wear, f.now)}. Stop and {what} before the next part; judge the parts since then "
                "again."
            )
            continue
        act = f.act if f.act is not None else f.last
        asked = f"Change {name_of(wear, look.hole)}"
        if look.cause != res.BUSHING:
            asked = f"{capital(name_of(wear, look.hole))}: {what},"
        yield (
            f"{asked} before part {np.floor(act):.0f}, that is within {max(0.0, np.floor(act - f.last)):.0f} parts: "
            f"{_ends(f, look.limit, 'its mean hole is')}"
        )


def _ends(f: Forecast, limit: str, who: str) -> str:
    """Return when one part in forty fails and when the mean does, the earlier first."""
    mean = f"{who} out of room for {limit}{',' if ',' in limit else ''} {when(f)}"
    if f.singles is None or f.act is None or f.before is None:
        return f"{mean}."
    if f.act < f.before:
        return f"from then on about one part in forty is out; {mean}, not before part {np.floor(f.before):.0f}."
    return f"{mean}. One part in forty is out from about part {max(f.singles, f.last):.0f} on."


def by_drill(wear: res.Wear, look: res.Outlook) -> bool:
    """Whether a size runs out because all sizes grow alike, so that no bushing is to blame."""
    return look.cause == res.DRILL


def answer(look: res.Outlook) -> str:
    """Return the answer about a limit with its cause, where that is not the bushing alone."""
    named = look.cause not in (res.BUSHING, res.UNKNOWN)
    return f"{look.forecast.state}{f' ({look.cause})' if named else ''}"


def nothing(wear: res.Wear, hole: int) -> str:
    """Return why a hole has no answer."""
    h = wear.history
    return "too few parts" if np.isfinite(h.size[:, hole]).any() or np.isfinite(h.off[:, hole]).any() else "no readings"


def to_change(look: res.Outlook | None) -> bool:
    """Whether a change of bushing is forecast or due."""
    return look is not None and look.forecast.state in (NOW, SHUT) and look.cause not in (res.DRILL, res.SEATING)


def due_bushings(wear: res.Wear) -> list[tuple[str, str, int]]:
    """Return the bushings of which a change is forecast or due: name, the limit that they reach, whole parts left."""
    looks = [(hole, wear.first_of(hole)) for hole in wear.order]
    return [
        (wear.history.bushings[hole], look.limit, math.floor(look.forecast.left or 0.0))
        for hole, look in looks if look is not None and to_change(look)
    ]  # fmt: skip


def _seat_drift(wear: res.Wear) -> Iterator[str]:
    """Yield how the seating drifts, and when the pattern leaves its tolerance by that."""
    if not seat_drifts(wear.seat_trends):
        return
    trends = wear.seat_trends
    per = 100 * np.array([trends[c].slope if c in trends else 0.0 for c in res.SEATING_CHANNELS[:2]])
    turn = trends.get(res.SEATING_CHANNELS[2])
    turned = f" and {1e5 * turn.slope:+.2g} mrad" if turn is not None and turn.told else ""
    begin = max(t.start for t in trends.values())
    text = (
        f"The seating drifts by {vector(wear, per)}{turned} per 100 parts since part {begin:.0f}: the whole pattern "
        "moves, look at stops and clamp; a new bushing doesn't help."
    )
    looks = [o for o in wear.outlooks if o.cause == res.SEATING and o.forecast.state in (NOW, SHUT)]
    if looks:
        look, f = looks[0], looks[0].forecast
        holes = ", ".join(wear.history.holes[h] for h in sorted({o.hole for o in looks if o.hole is not None}))
        first = f"hole {wear.history.holes[look.hole]}" if look.hole is not None else "the pattern"
        if f.state == NOW:
            text += f" The mean of {first} has had no room for {look.limit} {since(f)}: stop and reset the stops."
        else:
            act = np.floor(f.act if f.act is not None else f.last)
            text += f" Act before part {act:.0f}, {first} first: {_ends(f, look.limit, 'the pattern is')}"
        text += f" Holes that it takes out: {holes}."
    yield text


def _out_of_seat(wear: res.Wear) -> Iterator[str]:
    if wear.seating is None or not wear.seating.out.any():
        return
    index = np.flatnonzero(wear.seating.out)
    for run in np.split(index, np.flatnonzero(np.diff(index) > 1) + 1):
        away = (wear.seating.values - wear.seating.centre)[run].mean(axis=0)
        serials = wear.history.serials
        whole = (
            capital(at(wear, run[0] + 1))
            if run.size == 1
            else (f"Parts {run[0] + 1} to {run[-1] + 1} ({serials[run[0]]} to {serials[run[-1]]})")
        )
        yield (
            f"{whole} lay out of seat: shifted by {vector(wear, away[:2])} and turned by "
            f"{1000 * away[2]:+.2f} mrad against the others. Look for chips on the stops and a loose clamp; judge "
            "these parts by their own readings."
        )


def _questions(wear: res.Wear) -> Iterator[str]:
    said: list[res.Found] = []
    for found in wear.found:
        if found in said:
            continue
        if found.hole is not None and found.change.kind not in (JUMP, CURVE):
            together = [
                f for f in wear.found
                if f.hole == found.hole and f.change.kind == found.change.kind
                and f.change.first <= found.change.last + 1 and f.change.last >= found.change.first - 1
            ]  # fmt: skip
            said += together
            yield question(wear, found) if len(together) == 1 else _change_of_pace(wear, together)
            continue
        if found.hole is None or found.channel not in res.CHANNELS[:2] or found.change.kind != JUMP:
            yield question(wear, found)
            continue
        c = found.change
        both = [
            f for f in wear.found
            if f.hole == found.hole and f.channel in res.CHANNELS[:2] and f.change.kind == JUMP
            and f.change.first <= c.last + 1 and f.change.last >= c.first - 1
        ]  # fmt: skip
        said += both
        yield _jump_of_place(wear, found.hole, [f.change.cycle for f in both], found)


def _jump_of_place(wear: res.Wear, hole: int, cycles: list[float], found: res.Found) -> str:
    """Return a jump of a bushing's place as one question: where it sat before and after."""
    assert wear.separation is not None
    c, rest, cycle = found.change, wear.separation.rest[:, hole], wear.history.cycle
    others = [f.change.cycle for f in wear.found if f.hole == hole and f.change.cycle not in cycles]
    low = max([1.0, *(o for o in others if o < min(cycles))])
    high = min([float(len(wear.history) + 1), *(o for o in others if o > max(cycles))])
    early = rest[(cycle >= max(low, min(cycles) - RECENT)) & (cycle < min(cycles))]
    late = rest[(cycle >= max(cycles)) & (cycle < min(high, max(cycles) + RECENT))]
    was, is_ = np.nanmean(early, axis=0), np.nanmean(late, axis=0)
    return (
        f"{capital(name_of(wear, hole))} jumps by {vector(wear, is_ - was)} at {at(wear, c.cycle)} (between "
        f"{c.first:.0f} and {c.last:.0f}): it sat off by {vector(wear, was)} before and by {vector(wear, is_)} after; "
        f"nobody logged an event there (chance of that by accident {c.chance:.2g}). What happened: changed, knocked or "
        "repaired? Log it, so that the trend starts anew."
    )


def question(wear: res.Wear, found: res.Found) -> str:
    """Return a change that nobody logged as a question."""
    c = found.change
    of = found.channel if found.hole is not None else f"the {found.channel} of the seating"
    what = f"{name_of(wear, found.hole)}: {of}" if found.hole is not None else of
    place = f"{at(wear, c.cycle)} (between {c.first:.0f} and {c.last:.0f})"
    if c.kind == CURVE:
        text = f"{what} wears at a changing rate, fastest or slowest towards the end"
        return f"{capital(text)} (chance of that by accident {c.chance:.2g}). Watch it more often."
    if c.kind == JUMP:
        text = f"{what} jumps by {' '.join(amount(wear, found.channel, c.step))} at {place}"
        ask = (
            "changed, knocked or repaired"
            if found.hole is not None
            else "was the fixture moved or the machine set anew"
        )
    else:
        text = f"{what} changes its pace at {place}: {_paces(wear, found)} per 100 parts"
        ask = "did something begin to rub or come loose" if found.hole is not None else "does a stop or clamp wear"
    return (
        f"{capital(text)}; nobody logged an event there (chance of that by accident {c.chance:.2g}). "
        f"What happened: {ask}? Log it, so that the trend starts anew."
    )


def _paces(wear: res.Wear, found: res.Found) -> str:
    """Return the pace before and after a change, per 100 parts."""
    before, _ = amount(wear, found.channel, 100 * found.change.slope_before)
    after, unit = amount(wear, found.channel, 100 * found.change.slope_after)
    return f"from {before} to {after} {unit}"


def _change_of_pace(wear: res.Wear, together: list[res.Found]) -> str:
    """Return changes of pace of one bushing that may be one as one question."""
    c = together[0].change
    low, high = min(f.change.first for f in together), max(f.change.last for f in together)
    paces = ", ".join(f"{f.channel} {_paces(wear, f)}" for f in together)
    return (
        f"{capital(name_of(wear, together[0].hole))} changes its pace at {at(wear, c.cycle)} (between {low:.0f} and "
        f"{high:.0f}), per 100 parts: {paces}; nobody logged an event there (chance of that by accident "
        f"{max(f.change.chance for f in together):.2g}). What happened: did something begin to rub or come loose? Log "
        "it, so that the trend starts anew."
    )


def _steady_offsets(wear: res.Wear) -> Iterator[str]:
    from scipy.special import fdtri

    for b in wear.bushings:
        if b.recent < 6 or not np.isfinite(b.spread).all() or b.told(res.CHANNELS[0]) or b.told(res.CHANNELS[1]):
            continue
        if any(f.hole == b.hole and f.channel in res.CHANNELS[:2] for f in wear.found):
            continue  # it moved: the question about that says how far
        both = 0.5 * (b.offset + b.first)
        if np.linalg.cond(b.spread) > 1e12:
            continue
        size = float(both @ np.linalg.solve(0.5 * b.spread, both)) / 2
        far = float(np.hypot(*both))
        single = wear.separation.scatter if wear.separation else 0.0
        seen = 2.0 * float(np.nan_to_num(wear.history.gauge_scatter))  # nothing below the gauge's U is to be corrected
        if size > float(fdtri(2, b.recent - 2, 1.0 - SIGNIFICANT / len(wear.bushings))) and far > max(single, seen):
            yield (
                f"{capital(name_of(wear, b.hole))} sits off by {vector(wear, both)} from the "
                "start and doesn't move: no wear. Correct it when the fixture is next rebuilt."
            )


def _drill(wear: res.Wear) -> Iterator[str]:
    t = wear.drill
    if t is None or not t.told:
        return
    many = holes_read(wear.history)
    grows, grow = ("grow", "grows") if t.slope > 0 else ("shrink", "shrinks")
    pace = f"by {abs(100 * t.slope):.2g} {unit_name(wear.history.unit)} per 100 parts since part {t.start:.0f}"
    if many < LEAST_HOLES:
        read = np.flatnonzero(np.isfinite(wear.history.size).any(axis=0))
        names = " and ".join(wear.history.holes[h] for h in read)
        yield (
            f"{f'Hole {names} {grow}' if many == 1 else f'Holes {names} {grows}'} {pace}. With only "
            f"{'one hole' if many == 1 else f'{many} holes'} read, drill and bushing can't be told apart: measure the "
            "drill, and look at the bushing with a plug."
        )
        return
    looks = [o for o in wear.outlooks if o.forecast.state in (NOW, SHUT, FAR) and by_drill(wear, o)]
    text = f"All holes {grows} alike {pace}: that is the drill, not a bushing."
    if looks and looks[0].forecast.state == NOW:
        text += f" The mean hole has had no room for {looks[0].limit} {since(looks[0].forecast)}: stop and regrind it."
    elif looks and looks[0].forecast.act is not None:
        text += f" Regrind or change it before part {np.floor(looks[0].forecast.act):.0f} ({looks[0].limit})."
    elif not looks:
        text += " When that uses up the room can't be told yet; measure the drill when it is next out."
    yield text


def _rest(wear: res.Wear) -> Iterator[str]:
    """Yield what has no readings, what is far off, and what can't be told yet."""
    h = wear.history
    blank = [n for n in wear.order if not np.isfinite(h.size[:, n]).any() and not np.isfinite(h.off[:, n]).any()]
    if blank:
        yield f"{', '.join(h.bushings[n] for n in blank)}: no readings."
    first = {n: wear.first_of(n) for n in wear.order if n not in blank}
    idle = [h.bushings[n] for n, look in first.items() if look is None]
    if idle:
        count = f"{len(h)} part{'' if len(h) == 1 else 's'}"
        yield f"{', '.join(idle)}: nothing can be forecast from {count}; at least {LEAST} with readings are needed."
    said = {
        (FAR, res.BUSHING): "wear is seen, its end is far off",
        (FAR, res.DRILL): "the drill takes up their room, its end is far off",
        (FAR, res.SEATING): "the drift of the seating takes up their room, its end is far off",
        (FAR, res.SIZE_EITHER): "room for the size falls by drill or bushing, its end is far off",
        (FAR, res.PLACE_EITHER): "room for the position falls by seating or bushing, its end is far off",
        (OPEN, res.UNKNOWN): "cannot tell yet, the readings show no wear of these bushings beyond scatter",
    }
    for (state, cause), words in said.items():
        looks = [o for o in first.values() if o is not None and (o.forecast.state, o.cause) == (state, cause)]
        if not looks:
            continue
        names = ", ".join(h.bushings[o.hole] for o in looks if o.hole is not None)
        bounds = [o.forecast.before for o in looks if o.forecast.before is not None]
        bound = f"; their mean holes stay inside to part {np.floor(min(bounds)):.0f} at least (95 %)" if bounds else ""
        yield f"{names}: {words}{bound}."


def event_words(wear: res.Wear) -> list[str]:
    """Return the logged events in words."""
    out = []
    for e in wear.events:
        which = ", ".join(wear.history.bushings[b] for b in sorted(e.bushings)) or "all"
        restarts = ", ".join(sorted(ev.TOUCHES[e.kind]))
        out.append(
            f"Before {at(wear, e.cycle)}: {e.kind} ({which}){f', {e.note}' if e.note else ''}; restarts {restarts}."
        )
    return out
