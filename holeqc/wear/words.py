"""What the fixture's history asks of people, in plain sentences with numbers."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from holeqc.inspection.results import capital
from holeqc.quantities import format_length, unit_name
from holeqc.wear import events as ev
from holeqc.wear import result as res
from holeqc.wear.changes import CURVE, JUMP
from holeqc.wear.forecast import FAR, LEAST, NOW, SHUT
from holeqc.wear.separate import ODDS

if TYPE_CHECKING:
    from holeqc.wear.forecast import Forecast

LIMITS_NOTE = (
    "Limits are those of the kit file and nothing else: no published life of drill bushings is used, and none is known "
    "to us."
)
FORECAST_NOTE = (
    "One question is asked of every limit: from which part on do half of the parts fail it? 'Before' is the 95 % lower "
    "bound of that, or where about one part in forty fails if that comes first. It holds if what drifts goes on as it "
    "did and what isn't seen to drift stays; numbers in tables are for nobody regrinding or changing anything."
)


def count_note(wear: res.Wear) -> str:
    """Return what the part numbers count."""
    h = wear.history
    if h.made:
        return (
            f"Part numbers count all {h.made} parts drilled; the {len(h)} in the files are taken as spread evenly "
            "among them."
        )
    return (
        "Part numbers count the parts in the files, from 1 in order of their day. If more were drilled, say how many: "
        "--made."
    )


def advice(wear: res.Wear) -> Iterator[str]:
    """Yield what to do, most pressing first."""
    yield from _forecasts(wear)
    yield from _seat_drift(wear)
    yield from _loosening(wear)
    yield from _sizes(wear)
    yield from _left_out(wear)
    yield from _out_of_seat(wear)
    yield from _questions(wear)
    yield from _drifts(wear)
    yield from _moved(wear)
    yield from _accounts(wear)
    yield from _offsets(wear)
    yield from _rest(wear)


def at(wear: res.Wear, cycle: float) -> str:
    """Return a cycle in words, with the serial number where the part is in the files."""
    h = wear.history
    text = f"part {cycle:.0f}"
    if not len(h) or not h.cycle[0] - 0.5 <= cycle <= h.cycle[-1] + 0.5:
        return text
    return f"{text} ({h.serials[int(np.abs(h.cycle - cycle).argmin())]})"


def name_of(wear: res.Wear, hole: int | None) -> str:
    """Return a bushing with its hole."""
    if hole is None:
        return "the pattern"
    bushing, number = wear.history.bushings[hole], wear.history.holes[hole]
    return bushing if bushing == f"hole {number}" else f"bushing {bushing} (hole {number})"


def amount(wear: res.Wear, channel: str, value: float) -> tuple[str, str]:
    """Return a change of a channel with its sign, and its unit: [length], turn in mrad, scale in parts per million."""
    factor, decimals, unit = {"turn": (1e3, 2, "mrad"), "scale": (1e6, 0, "parts per million")}.get(
        channel, (1.0, 4 if wear.history.unit == "in" else 3, unit_name(wear.history.unit))
    )
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


def by_chance(p: float) -> str:
    """Return the chance that something is there by accident."""
    return "by chance once in more than 10 000" if p < 1e-4 else f"by chance once in {1 / max(p, 1e-4):.0f}"


def day_of(wear: res.Wear, cycle: float) -> str:
    """Return the day on which a part to come is due at the pace of the last third, '' where days aren't known."""
    h = wear.history
    known = np.flatnonzero(~np.isnat(h.date))
    late = known[-max(10, known.size // 3) :]
    if late.size < 10 or cycle <= h.cycle[-1]:
        return ""
    days = (h.date[late[-1]] - h.date[late[0]]) / np.timedelta64(1, "D")
    done = h.cycle[late[-1]] - h.cycle[late[0]]
    if days < 5 or done <= 0:
        return ""
    ahead = (cycle - h.cycle[late[-1]]) * days / done
    if ahead > 3650:
        return ""
    day = h.date[late[-1]].astype("datetime64[D]") + np.timedelta64(round(float(ahead)), "D")
    return f", about {day} at the present pace"


def when(f: Forecast) -> str:
    """Return a forecast in numbers: when, between what."""
    high = f"{f.upper:.0f}" if f.upper is not None else "beyond what can be said"
    low = f"{f.lower:.0f}" if f.lower is not None else f"{f.last:.0f}"
    return f"from about part {f.estimate:.0f} on (95 %: {low} to {high})"


def since(f: Forecast) -> str:
    """Return in words since when half of the parts have failed."""
    if f.estimate is None or f.estimate > f.last:
        return "by now"
    low = f.last if f.lower is None else f.lower
    high = "now" if f.upper is None or f.upper > f.last else f"{f.upper:.0f}"
    return f"since about part {f.estimate:.0f} (95 %: {low:.0f} to {high})"


def _of(limit: str) -> str:
    side = {res.SIZE_UPPER: "upper", res.SIZE_LOWER: "lower"}.get(limit)
    return f"the size's {side} limit" if side else limit


def either(wear: res.Wear, hole: int) -> str:
    """Return the bushings of which one moves, where it can't be told which; '' where it can."""
    sets = wear.moving.sets
    if len(sets) < 2 or not any(hole in s for s in sets) or all(hole in s for s in sets):
        return ""
    names = sorted({h for s in sets for h in s if not all(h in t for t in sets)})
    return " or ".join(wear.history.bushings[h] for h in names)


def _forecasts(wear: res.Wear) -> Iterator[str]:
    told: set[int | None] = set()
    for look in wear.outlooks:
        f = look.forecast
        if f.state not in (NOW, SHUT) or look.hole in told or look.cause in (res.ALL_SIZES, res.SEATING):
            continue
        told.add(look.hole)
        what = {
            res.SIZE_EITHER: "look at drill, gauge and bushing (these readings can't tell them apart)",
            res.PLACE_EITHER: "look at seating and bushing (these readings can't tell them apart)",
        }.get(look.cause, "change it" if look.cause == res.BUSHING else "look at bushing, drill, stops and clamp")
        name = capital(name_of(wear, look.hole))
        if f.state == NOW:
            begin = f"have failed {_of(look.limit)} {since(f)}" if f.estimate is not None else f"fail {_of(look.limit)}"
            yield (
                f"{name}: half of the parts {begin}; the middle part has {_length(wear, f.now)} of room. Stop and "
                f"{what} before the next part; judge the parts since then again."
            )
            continue
        act = float(np.floor(f.act if f.act is not None else f.last))
        among = either(wear, look.hole) if look.hole is not None else ""
        asked = f"Change {name_of(wear, look.hole)}" if look.cause == res.BUSHING else f"{name}: {what},"
        if among:
            asked = f"Try a plug in the bushings {among}, one of which moves, and change it"
        yield (
            f"{asked} before part {act:.0f}, that is within {max(0.0, act - f.last):.0f} parts{day_of(wear, act)}: "
            f"{_ends(f, look.limit)}{_kept(wear, look)}"
        )


def _ends(f: Forecast, limit: str) -> str:
    """Return when one part in forty fails and when half of them do, the earlier first."""
    half = f"half of the parts fail {_of(limit)} {when(f)}"
    if f.singles is None or f.act is None or f.before is None:
        return f"{half}."
    if f.act < f.before:
        return f"one part in forty fails from then on; {half}, not before part {np.floor(f.before):.0f}."
    return f"{half}; one part in forty from about part {max(f.singles, f.last):.0f} on."


def _kept(wear: res.Wear, look: res.Outlook) -> str:
    """Return what usual maintenance makes of a forecast, which is for nobody maintaining."""
    text = ""
    if look.usual is not None:
        u = look.usual
        if u.state == SHUT and u.act is not None:
            text += (
                f" That is if nobody regrinds the drill; if you regrind as usual, before part {np.floor(u.act):.0f}: "
            )
            text += _ends(u, look.limit)
        elif u.state != NOW:
            text += " That is if nobody regrinds the drill; if you regrind as usual, no end is in sight."
    if look.every is not None and look.hole is not None:
        last = max(e.cycle for e in wear.events if e.kind == ev.BUSHING and e.touches(ev.PLACE, look.hole))
        due, f = last + look.every, look.forecast
        text += f" It was changed every {look.every:.0f} parts; the next change as usual, before part {due:.0f}, "
        if f.act is not None and f.act >= due:
            text += "comes in time."
        elif f.before is not None and f.before < due:
            text += "may come too late."
        else:
            text += "comes late for single parts."
    return text


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
    return look is not None and look.forecast.state in (NOW, SHUT) and look.cause not in (res.ALL_SIZES, res.SEATING)


def due_bushings(wear: res.Wear) -> list[tuple[str, str, int]]:
    """Return the bushings of which a change is forecast or due: name, the limit that they reach, whole parts left."""
    looks = [(hole, wear.first_of(hole)) for hole in wear.order]
    return [
        (wear.history.bushings[hole], look.limit, math.floor(look.forecast.left or 0.0))
        for hole, look in looks if look is not None and to_change(look)
    ]  # fmt: skip


def _seat_drift(wear: res.Wear) -> Iterator[str]:
    """Yield how the seating drifts, and from which part on half of the parts fail by that."""
    told = {c: t for c, t in wear.seat_trends.items() if wear.told(t)}
    if not told:
        return
    trends = wear.seat_trends
    per = 100 * np.array([trends[c].slope if c in trends else 0.0 for c in res.SEATING_CHANNELS[:2]])
    turn = told.get(res.SEATING_CHANNELS[2])
    turned = f" and {1e5 * turn.slope:+.2g} mrad" if turn is not None else ""
    begin = min(t.start for t in told.values())
    text = (
        f"The seating drifts by {vector(wear, per)}{turned} per 100 parts since part {begin:.0f} "
        f"({by_chance(min(t.chance for t in told.values()) * wear.looks)}): the whole pattern moves, a new bushing "
        "doesn't help. Look at stops and clamp; the coordinate table can drift so, too: lay a part measured earlier on "
        "it again, and if it reads as it did, it is the fixture."
    )
    looks = [o for o in wear.outlooks if o.cause == res.SEATING and o.forecast.state in (NOW, SHUT)]
    if looks:
        look, f = looks[0], looks[0].forecast
        holes = ", ".join(wear.history.holes[h] for h in sorted({o.hole for o in looks if o.hole is not None}))
        first = f"hole {wear.history.holes[look.hole]}" if look.hole is not None else "the pattern"
        if f.state == NOW:
            text += f" Half of the parts have failed {_of(look.limit)} at {first} {since(f)}: stop and reset the stops."
        else:
            act = np.floor(f.act if f.act is not None else f.last)
            text += f" Act before part {act:.0f}{day_of(wear, act)}, {first} first: {_ends(f, look.limit)}"
        text += f" Holes that it takes out: {holes}."
    elif not any(o.cause == res.SEATING for o in wear.outlooks):
        text += " No end is told: it uses up no hole's room as far as can be seen."
    else:
        text += " Its end can't be told yet."
    yield text


def _loosening(wear: res.Wear) -> Iterator[str]:
    for x in wear.loose:
        yield (
            f"{capital(name_of(wear, x.hole))} scatters more and more: {_length(wear, x.first)} of one coordinate at "
            f"first, {_length(wear, x.now)} now ({by_chance(x.chance)}). Single parts fail long before the middle one: "
            "look for play of the bushing in the plate and of the drill in the bushing, and for a loose clamp."
        )


def _sizes(wear: res.Wear) -> Iterator[str]:
    """Yield what all sizes do together, what may make it, and which reading would decide."""
    s, h = wear.sizes, wear.history
    few = np.flatnonzero(np.isfinite(h.size).any(axis=0))
    if 0 < few.size < 3:
        drifting = [b for b in wear.bushings if wear.told(b.trends.get(res.CHANNELS[3]))]
        for b in drifting:
            t = b.trends[res.CHANNELS[3]]
            yield (
                f"Hole {h.holes[b.hole]} {'grows' if t.slope > 0 else 'shrinks'} by {abs(100 * t.slope):.2g} "
                f"{unit_name(h.unit)} per 100 parts since part {t.start:.0f}. With only "
                f"{'one hole' if few.size == 1 else f'{few.size} holes'} read, drill, gauge and bushing can't be told "
                "apart: measure the drill, read a master ring, try a plug in the bushing."
            )
        return
    if s.account is None:
        return
    a = s.account
    per = f" by {amount(wear, '', 100 * s.slope)[0]} {unit_name(h.unit)} per 100 parts" if np.isfinite(s.slope) else ""
    jumps = [f.change for f in wear.found if f.channels == ("all sizes",) and f.change.kind == JUMP]
    if jumps:
        where = " and ".join(
            f"by {' '.join(amount(wear, '', float(c.step[0])))} at {at(wear, c.cycle)}, between {c.first:.0f} and "
            f"{c.last:.0f}" for c in jumps[:3])  # fmt: skip
        text = f"All sizes jump together {where}"
        text += f", and drift{per}" if s.drifts else ""
    elif s.drifts:
        text = f"All sizes drift together{per}"
    else:
        changes = [f.change for f in wear.found if f.channels == ("all sizes",)]
        text = "All sizes change together" + "".join(f", at {at(wear, c.cycle)}" for c in changes[:3])
    text += f" ({by_chance(s.chance)}). Best explained by {a.best}"
    others = " or ".join(a.rest)
    text += f", {min(a.odds, 9999):.0f} times as likely as {others}" if others and a.odds >= 1.5 else (
        f", as likely as {others}" if others else "")  # fmt: skip
    causes = " or ".join(a.causes)
    text += f": {causes}." if causes else "."
    if a.decide:
        text += f" To decide: {a.decide}."
    looks = [o for o in wear.outlooks if o.cause == res.ALL_SIZES and o.forecast.state in (NOW, SHUT)]
    if looks:
        look, f = looks[0], looks[0].forecast
        if f.state == NOW:
            text += f" Half of the parts have failed {_of(look.limit)} {since(f)}: stop and look."
        elif f.act is not None:
            text += f" Act before part {np.floor(f.act):.0f}{day_of(wear, f.act)}: {_ends(f, look.limit)}"
            text += _kept(wear, look)
    elif s.drifts:
        whys = [o.forecast.why for o in wear.outlooks if o.cause == res.ALL_SIZES and o.forecast.why]
        text += f" No end is told: {whys[0]}." if whys else " It takes no hole to a limit as far as can be seen."
    yield text


def _left_out(wear: res.Wear) -> Iterator[str]:
    if wear.history.left_out:
        yield f"{wear.history.left_out}. Read these holes again or correct the cells: what was it?"


def _out_of_seat(wear: res.Wear) -> Iterator[str]:
    if wear.seating is None or not wear.seating.out.any():
        return
    h = wear.history
    index = np.flatnonzero(wear.seating.out)
    for run in np.split(index, np.flatnonzero(np.diff(index) > 1) + 1):
        away = (wear.seating.values - wear.seating.centre)[run].mean(axis=0)
        whole = (
            capital(at(wear, h.cycle[run[0]]))
            if run.size == 1
            else (
                f"Parts {h.cycle[run[0]]:.0f} to {h.cycle[run[-1]]:.0f} ({h.serials[run[0]]} to {h.serials[run[-1]]})"
            )
        )
        yield (
            f"{whole} lay out of seat: shifted by {vector(wear, away[:2])} and turned by "
            f"{1000 * away[2]:+.2f} mrad against the others. Look for chips on the stops and a loose clamp; judge "
            "these parts by their own readings."
        )


def _questions(wear: res.Wear) -> Iterator[str]:
    """Yield the changes that nobody logged, one question for each bushing and for the seating."""
    holes = dict.fromkeys(f.hole for f in wear.found if f.channels != ("all sizes",))
    for hole in holes:
        mine = sorted((f for f in wear.found if f.hole == hole and f.channels != ("all sizes",)),
                      key=lambda f: f.change.cycle)  # fmt: skip
        jumps = [f for f in mine if f.change.kind == JUMP]
        who = "The seating" if hole is None else capital(name_of(wear, hole))
        if jumps:
            yield _jumps(wear, who, hole, jumps)
        for f in mine:
            if f.change.kind not in (JUMP, CURVE):
                yield _bend(wear, who, f)
            elif f.change.kind == CURVE:
                yield f"{who} wears at a changing rate ({by_chance(f.change.chance)}). Watch it more often."


def _jumps(wear: res.Wear, who: str, hole: int | None, jumps: Sequence[res.Found]) -> str:
    told = "; ".join(_jump(wear, f) for f in jumps[:3])
    more = f"; and {len(jumps) - 3} times more" if len(jumps) > 3 else ""
    chance = max(f.change.chance for f in jumps)
    ask = "changed, knocked or repaired" if hole is not None else "was the fixture moved or the machine set anew"
    marks = _marks(wear, jumps) if hole is None else ""
    several = " Such a sawtooth is what regular replacement looks like." if len(jumps) > 2 and hole is not None else ""
    decide = ""
    if hole is None:
        decide = " To tell the fixture from the coordinate table: lay a part measured earlier on the table again."
    return (
        f"{who} jumps {told}{more}; nobody logged an event there ({by_chance(chance)}).{several}{marks} What happened: "
        f"{ask}? The trend starts anew there; log it.{decide}"
    )


def _jump(wear: res.Wear, f: res.Found) -> str:
    c = f.change
    size = dict(zip(f.channels, c.step.tolist(), strict=True))
    names = res.SEATING_CHANNELS[:2] if f.hole is None else res.CHANNELS[:2]
    parts = [f"by {vector(wear, [size.get(n, 0.0) for n in names])}"] if any(np.isfinite(size.get(n, np.nan))
                                                                            for n in names) else []  # fmt: skip
    for name in ("turn", res.CHANNELS[3]):
        shown = amount(wear, name, size.get(name, 0.0))
        if name in size and shown[0].strip("+-0."):
            parts.append(f"{'turned' if name == 'turn' else 'in size'} by {' '.join(shown)}")
    return f"{' and '.join(parts)} at {at(wear, c.cycle)}, between {c.first:.0f} and {c.last:.0f}"


def _marks(wear: res.Wear, jumps: Sequence[res.Found]) -> str:
    """Return which column of the sheets changes where the seating jumps."""
    h = wear.history
    for name, values in h.marks.items():
        if not name.startswith("place"):
            continue
        where = h.cycle[1:][np.array(values[1:], dtype=object) != np.array(values[:-1], dtype=object)]
        for f in jumps:
            if ((where >= f.change.first - 1) & (where <= f.change.last + 1)).any():
                who = "reader" if name.endswith("by") else "gauge"
                return f" The {who} of the places changes there in the sheets: that explains it as well."
    return ""


def _bend(wear: res.Wear, who: str, f: res.Found) -> str:
    c = f.change
    paces = []
    for k, name in enumerate(f.channels):
        before, after = amount(wear, name, 100 * c.before[k]), amount(wear, name, 100 * c.after[k])
        if before[0] != after[0]:
            paces.append(f"{name} from {before[0]} to {after[0]} {after[1]}")
    ask = "did something begin to rub or come loose" if f.hole is not None else "does a stop or clamp wear"
    return (
        f"{who} changes its pace at {at(wear, c.cycle)} (between {c.first:.0f} and {c.last:.0f}), per 100 parts: "
        f"{', '.join(paces)}; nobody logged an event there ({by_chance(c.chance)}). What happened: {ask}? The trend "
        "starts anew there."
    )


def _drifts(wear: res.Wear) -> Iterator[str]:
    """Yield every drift of a bushing that is told, and why its end isn't, where it isn't."""
    for b in wear.bushings:
        names = [c for c in (*res.CHANNELS[:2], res.CHANNELS[3]) if wear.told(b.trends.get(c))]
        if not names or (names == [res.CHANNELS[3]] and np.isfinite(wear.history.size).any(axis=0).sum() < 3):
            continue
        per = [f"{c} {' '.join(amount(wear, c, 100 * b.trends[c].slope))}" for c in names]
        chance = min(b.trends[c].chance for c in names) * wear.looks
        among = either(wear, b.hole)
        who = f"One of {among}, which can't be told apart," if among else capital(name_of(wear, b.hole))
        looks = [o for o in wear.outlooks if o.hole == b.hole and o.cause == res.BUSHING]
        begin = b.trends[names[0]].start
        text = f"{who} drifts per 100 parts since part {begin:.0f}: {', '.join(per)} ({by_chance(chance)})"
        if any(o.forecast.state in (NOW, SHUT) for o in looks):
            yield f"{text}."
        elif any(o.forecast.state == FAR for o in looks):
            yield f"{text}; end unknown because {next(o.forecast.why for o in looks if o.forecast.state == FAR)}."
        else:
            yield f"{text}; end unknown because {_why(wear, b.hole)}."


def _moved(wear: res.Wear) -> Iterator[str]:
    """Yield which bushings moved during the history and aren't seen to move since their last change."""
    for hole in wear.moving.best:
        if wear.drifts(hole) or any(f.hole == hole for f in wear.found):
            continue
        among = either(wear, hole)
        who = f"one of {among}" if among else name_of(wear, hole)
        own = next((b for b in wear.bushings if b.hole == hole), None)
        begin = own.trends[res.CHANNELS[0]].start if own is not None and res.CHANNELS[0] in own.trends else 1.0
        yield (
            f"{capital(who)} moved against the others during the history; since part {begin:.0f} no drift of it can be "
            "told yet."
        )


def _why(wear: res.Wear, hole: int) -> str:
    own = [o.forecast for o in wear.outlooks if o.hole == hole]
    told = [o.forecast.why for o in wear.outlooks if o.hole == hole and o.cause == res.BUSHING and o.forecast.why]
    if told:
        return told[0]
    if any(f.n < LEAST for f in own):
        return f"only {min(f.n for f in own)} parts count since the last change; {LEAST} are needed"
    whole = [o for o in wear.outlooks if o.limit in (res.PATTERN, res.PINS) and o.hole is not None and o.hole != hole]
    if whole:
        return f"{wear.history.bushings[whole[0].hole or 0]} uses up the room that they share first"
    return "it doesn't take the hole towards a limit as far as can be seen"


def _accounts(wear: res.Wear) -> Iterator[str]:
    """Yield which shape fits a bushing's or the seating's history best, where others remain."""
    for a in wear.accounts:
        if a.of == "all sizes" or not a.rest:
            continue
        who = "The seating" if a.hole is None else wear.history.bushings[a.hole]
        times = f", {a.odds:.0f} times as likely as {' or '.join(a.rest)}" if a.odds >= 1.5 else (
            f", hardly likelier than {' or '.join(a.rest)}")  # fmt: skip
        yield f"{who}: {a.best} explains it best{times}; below {ODDS:.0f} times both remain, and more parts will tell."


def _offsets(wear: res.Wear) -> Iterator[str]:
    """Yield which bushings sit off so far that it takes a quarter of the room of the whole pattern or more."""
    rooms = [
        o.forecast.now for o in wear.outlooks if o.limit in (res.PATTERN, res.PINS) and np.isfinite(o.forecast.now)
    ]
    if not rooms:
        return
    for b in wear.bushings:
        if b.recent < 6 or not np.isfinite(b.spread).all() or wear.drifts(b.hole):
            continue
        if any(f.hole == b.hole for f in wear.found) or any(b.hole in s for s in wear.moving.sets):
            continue
        both = 0.5 * (b.offset + b.first)
        far = float(np.hypot(*both))
        error = float(np.sqrt(np.trace(b.spread) / 2))
        if far - 3.0 * error > max(min(rooms) / 4.0, 2.0 * float(np.nan_to_num(wear.history.gauge_scatter))):
            yield (
                f"{capital(name_of(wear, b.hole))} stands {_length(wear, far)} from its place, {vector(wear, both)}, "
                f"and isn't seen to move; the whole pattern has {_length(wear, min(rooms))} of room left. Nothing to "
                "do now; true it up when the fixture is next rebuilt."
            )


def _rest(wear: res.Wear) -> Iterator[str]:
    """Yield what has no readings, of what no wear is seen and how small a one would have been, and what is unknown."""
    h = wear.history
    blank = [n for n in wear.order if not np.isfinite(h.size[:, n]).any() and not np.isfinite(h.off[:, n]).any()]
    if blank:
        yield f"{', '.join(h.bushings[n] for n in blank)}: no readings."
    idle = [h.bushings[n] for n in wear.order if n not in blank and wear.first_of(n) is None]
    if idle:
        count = f"{len(h)} part{'' if len(h) == 1 else 's'}"
        yield f"{', '.join(idle)}: nothing can be forecast from {count}; at least {LEAST} with readings are needed."
    sure = [p for p in wear.power if p.enough]
    if sure:
        worst = max(sure, key=lambda p: p.seen)
        last = min(p.room / p.seen for p in sure)
        yield (
            f"{', '.join(h.bushings[p.hole] for p in sure)}: no wear of their place is seen. One of "
            f"{_length(wear, 100 * worst.seen)} per 100 parts would have been, 9 times in 10; a smaller one needs "
            f"{np.floor(last):.0f} parts or more for the room there is."
        )
    weak = [p for p in wear.power if not p.enough and h.bushings[p.hole] not in idle]
    if weak:
        worst = max(weak, key=lambda p: p.seen)
        yield (
            f"{', '.join(h.bushings[p.hole] for p in weak)}: cannot tell yet. In {worst.span:.0f} parts only a wear of "
            f"{_length(wear, 100 * worst.seen)} per 100 parts would be seen 9 times in 10, and a smaller one may use "
            "up the room in as many parts again."
        )


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
