"""What the fixture's history asks of people, in plain sentences with numbers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from holeqc.quantities import format_length
from holeqc.wear import events as ev
from holeqc.wear import result as res
from holeqc.wear.changes import CURVE, JUMP
from holeqc.wear.forecast import FAR, LEAST, NONE, NOW, OPEN, SHUT

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
    "A forecast is of the mean hole: the cycle at which it has no room left, when about half of the parts would fail. "
    "'Before' is the 95 % lower bound. It holds if wear goes on as it did."
)
SIGNIFICANT = 0.01


def advice(wear: res.Wear) -> Iterator[str]:
    """Yield what to do, most pressing first."""
    yield from _forecasts(wear)
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


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _length(wear: res.Wear, value: float) -> str:
    return f"{format_length(value, wear.history.unit, 4 if wear.history.unit == 'in' else 3)} {wear.history.unit}"


def vector(wear: res.Wear, xy: object) -> str:
    """Return an offset vector with signs and unit."""
    x, y = np.asarray(xy, dtype=np.float64)
    decimals = 4 if wear.history.unit == "in" else 3
    return f"({x:+.{decimals}f}, {y:+.{decimals}f}) {wear.history.unit}"


def when(f: Forecast) -> str:
    """Return a forecast in numbers: when, between what."""
    high = f"{f.upper:.0f}" if f.upper is not None else "beyond what can be said"
    low = f"{f.lower:.0f}" if f.lower is not None else f"{f.last:.0f}"
    return f"at about part {f.estimate:.0f} (95 %: {low} to {high})"


def _forecasts(wear: res.Wear) -> Iterator[str]:
    told: set[int | None] = set()
    for look in wear.outlooks:
        f = look.forecast
        if f.state not in (NOW, SHUT) or look.hole in told:
            continue
        told.add(look.hole)
        if f.state == NOW:
            yield (
                f"{_capital(name_of(wear, look.hole))}: the room to {look.limit} is used up, "
                f"mean margin {_length(wear, f.now)}. Stop and change it before the next part; judge the last parts "
                "again."
            )
            continue
        if by_drill(wear, look):
            continue
        before = f.before if f.before is not None else f.last
        singles = ""
        if f.singles is not None and f.singles < before:
            singles = f" Single parts (one in forty) fail from about part {max(f.singles, f.last):.0f} on."
        yield (
            f"Change {name_of(wear, look.hole)} before part {np.floor(before):.0f}, that is within "
            f"{max(0.0, np.floor(before - f.last)):.0f} parts: it runs out of room for {look.limit} {when(f)}.{singles}"
        )


def by_drill(wear: res.Wear, look: res.Outlook) -> bool:
    """Whether a size runs out because all sizes grow alike, so that no bushing is to blame."""
    if look.limit not in (res.SIZE_UPPER, res.SIZE_LOWER) or look.hole is None or wear.drill is None:
        return False
    own = next((b.trends.get(res.CHANNELS[3]) for b in wear.bushings if b.hole == look.hole), None)
    side = 1.0 if look.limit == res.SIZE_UPPER else -1.0
    mine = own is not None and own.chance < SIGNIFICANT / len(wear.bushings) and own.slope * side > 0
    return wear.drill.told and wear.drill.slope * side > 0 and not mine


def _out_of_seat(wear: res.Wear) -> Iterator[str]:
    if wear.seating is None or not wear.seating.out.any():
        return
    index = np.flatnonzero(wear.seating.out)
    for run in np.split(index, np.flatnonzero(np.diff(index) > 1) + 1):
        away = (wear.seating.values - wear.seating.centre)[run].mean(axis=0)
        serials = wear.history.serials
        whole = (
            _capital(at(wear, run[0] + 1))
            if run.size == 1
            else (f"Parts {run[0] + 1} to {run[-1] + 1} ({serials[run[0]]} to {serials[run[-1]]})")
        )
        yield (
            f"{whole} lay out of seat: shifted by {vector(wear, away[:2])} and turned by "
            f"{1000 * away[2]:+.2f} mrad against the others. Look for chips on the stops and a loose clamp; judge "
            "these parts by their own readings."
        )


def _questions(wear: res.Wear) -> Iterator[str]:
    for found in wear.found:
        yield question(wear, found)


def question(wear: res.Wear, found: res.Found) -> str:
    """Return a change that nobody logged as a question."""
    c = found.change
    of = found.channel if found.hole is not None else f"the {found.channel} of the seating"
    what = f"{name_of(wear, found.hole)}: {of}" if found.hole is not None else of
    unit = {"turn": "rad", "scale": "(relative)"}.get(found.channel, wear.history.unit)
    place = f"{at(wear, c.cycle)} (between {c.first:.0f} and {c.last:.0f})"
    if c.kind == CURVE:
        text = f"{what} wears at a changing rate, fastest or slowest towards the end"
        return f"{_capital(text)} (chance of that by accident {c.chance:.2g}). Watch it more often."
    if c.kind == JUMP:
        text = f"{what} jumps by {c.step:+.2g} {unit} at {place}"
        ask = (
            "changed, knocked or repaired"
            if found.hole is not None
            else "was the fixture moved or the machine set anew"
        )
    else:
        before, after = 100 * c.slope_before, 100 * c.slope_after
        text = f"{what} changes its pace at {place}: from {before:+.1g} to {after:+.2g} {unit} per 100 parts"
        ask = "did something begin to rub or come loose" if found.hole is not None else "does a stop or clamp wear"
    return (
        f"{_capital(text)}; nobody logged an event there (chance of that by accident {c.chance:.2g}). "
        f"What happened: {ask}? Log it, so that the trend starts anew."
    )


def _steady_offsets(wear: res.Wear) -> Iterator[str]:
    from scipy.special import fdtri

    for b in wear.bushings:
        if b.recent < 6 or not np.isfinite(b.spread).all() or b.told(res.CHANNELS[0]) or b.told(res.CHANNELS[1]):
            continue
        both = 0.5 * (b.offset + b.first)
        if np.linalg.cond(b.spread) > 1e12:
            continue
        size = float(both @ np.linalg.solve(0.5 * b.spread, both)) / 2
        far = float(np.hypot(*both))
        single = wear.separation.scatter if wear.separation else 0.0
        if size > float(fdtri(2, b.recent - 2, 1.0 - SIGNIFICANT / len(wear.bushings))) and far > single:
            yield (
                f"{_capital(name_of(wear, b.hole))} sits off by {vector(wear, both)} from the "
                "start and doesn't move: no wear. Correct it when the fixture is next rebuilt."
            )


def _drill(wear: res.Wear) -> Iterator[str]:
    t = wear.drill
    if t is None or not t.told:
        return
    grows = "grow" if t.slope > 0 else "shrink"
    looks = [o for o in wear.outlooks if o.forecast.state in (NOW, SHUT, FAR) and by_drill(wear, o)]
    text = (
        f"All holes {grows} alike by {abs(100 * t.slope):.2g} {wear.history.unit} per 100 parts since part "
        f"{t.start:.0f}: that is the drill, not a bushing."
    )
    if looks and looks[0].forecast.before is not None:
        text += f" Regrind or change it before part {np.floor(looks[0].forecast.before):.0f} ({looks[0].limit})."
    yield text


def _rest(wear: res.Wear) -> Iterator[str]:
    """Yield what is far off, and what can't be told yet; a size that the drill moves speaks of no bushing."""
    first: dict[int, res.Outlook] = {}
    for look in wear.outlooks:
        if look.hole is not None and not by_drill(wear, look):
            first.setdefault(look.hole, look)
    idle = [wear.history.bushings[h] for h in wear.order if h not in first or first[h].forecast.state == NONE]
    count = f"{len(wear.history)} part{'' if len(wear.history) == 1 else 's'}"
    if idle:
        yield f"{', '.join(idle)}: nothing can be forecast from {count}; at least {LEAST} are needed."
    for state in (FAR, OPEN):
        looks = [first[h] for h in wear.order if h in first and first[h].forecast.state == state]
        if not looks:
            continue
        names = ", ".join(wear.history.bushings[o.hole] for o in looks if o.hole is not None)
        bounds = [o.forecast.before for o in looks if o.forecast.before is not None]
        text = (
            f"{names}: wear is seen, its end is far off"
            if state == FAR
            else (f"{names}: cannot tell yet, no wear that the readings support")
        )
        yield f"{text}; not before part {np.floor(min(bounds)):.0f} (95 %)." if bounds else f"{text}."


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
