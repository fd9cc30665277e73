"""Numbers that a drawing hardly asks: nothing is judged by them until they are mended, or confirmed by name.

A slip in a kit file (3.185 for .3185) gives wrong verdicts in silence, so each doubt stops the kit. A drawing that does
ask the odd thing is served by a line under ``[confirmed]``: the doubt in its own words, and the reason. The words hold
the numbers, so a confirmation covers what was looked at and nothing that is typed later."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from holeqc.characteristics import ANGLE, MEASURED, OF_WORD
from holeqc.quantities import GRAIN, MM_PER_INCH, FloatArray, decimals_of, format_length, unit_name
from holeqc.specification.content import Collector, Content, Values, shown
from holeqc.specification.keys import headline, keys_like, nearest
from holeqc.specification.model import Confirmation, Hole, Limits, Pin, Specification, required_edge
from holeqc.specification.words import hole_names, limits_text, tolerance_text

#: check -> where its line lies and what that rests on. Lengths of `LINES`; the names are what [confirmed] takes.
CHECKS: dict[str, str] = {
    "size out of the ordinary": "drills that are guided by a bushing run from about 1/16 to 2 in (common practice, no "
    "source); ANSI B94.33 bushings begin at 0.0135 and end at 2.75 in",
    "limits far apart": "band above 0.010 in (0.25 mm) + 2 % of the size, wider than H14 at every size; H14 is the "
    "coarsest zone that ISO 273 names for clearance holes (from memory)",
    "limits away from nominal": "both limits lie further from the nominal size beside them than such a band",
    "GO plug outside the limits": "beyond them by more than a tenth of the band, which is left to making and wear "
    "(common practice, no source)",
    "NO-GO plug outside the limits": "beyond them by more than a tenth of the band, as for the GO plug",
    "form wider than the limits": "diameters inside the limits never differ by more than the band, so it asks nothing",
    "pin limits far apart": "a band above that of limits of a hole",
    "pin larger than the smallest hole": "pins that must drop in are smaller than every hole in limits",
    "pin far smaller than its hole": "below three quarters; the coarse series of ISO 273 stays above 0.8 (from memory)",
    "drill larger than the holes": "a drill cuts its own size or more",
    "drill far smaller than the holes": "below 0.8 of the smallest hole; a reamer takes a few hundredths of the size "
    "(common practice, no source)",
    "wide position tolerance": "above half the hole's size (common practice, no source)",
    "position tolerance reaches the next hole": "a hole in position could stand where its neighbour belongs",
    "edge distance inside the hole": "a hole whose centre is nearer the edge than its radius is open",
    "gauge coarser than the limits": "U or the smallest step is as wide as the tolerance that is read with it",
    "rounding coarser than the limits": "ASTM E29 rounds to the limit's places; fewer accept what is outside",
    "relaxed limits far outside": "more than a quarter of the band beyond a limit; ASME B89.7.3.1 lets r U be chosen, "
    "and no agreed rule goes as far (common practice, no source)",
    "datum simulator far smaller than its hole": "below three quarters: the frame could shift beyond any bonus",
}
CHECKS |= {f"{c.name} out of the ordinary": c.ordinary_why for c in MEASURED}
CHECKS |= {
    f"{c.name} limits far apart": f"a band above {100 * c.widest:g} % of its middle (common practice, no source)"
    for c in MEASURED
}  # fmt: skip
LINES: dict[str, dict[str, float]] = {
    "in": {"smallest": 0.059, "largest": 2.0, "band": 0.010},
    "mm": {"smallest": 1.5, "largest": 51.0, "band": 0.25},
}
OF_SIZE = ("size out of the ordinary", "limits far apart", "limits away from nominal")
#: codes of problems that a person mends or confirms in the kit file; the rest contradicts itself
CODES = frozenset({"no-limits", *(check.lower().replace(" ", "-") for check in CHECKS)})
BAND_SHARE = 0.02
PLUG_SHARE = 0.1
SMALL_PIN, SMALL_DRILL, SMALL_SIMULATOR = 0.75, 0.8, 0.75
WIDE_POSITION = 0.5
RELAXED_SHARE = 0.25
PLACEHOLDER = "who confirms it, and why"
SHORTEST_REASON = 8  #: characters; "ok" and "yes" tell nobody anything
_NUMBER = re.compile(r"\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class Doubt:
    """One odd thing: its ``check``, what was ``found``, what is allowed, what to do, where; '' as hole: no hole's."""

    check: str
    found: str
    allowed: str
    action: str
    where: str
    hole: str = ""


def without_odd_sizes(s: Specification, content: Content) -> Specification:
    """Return a specification for the checks of everything else, in which odd sizes that nobody confirmed are not known.

    So a slip in a size is told once, and not again by every plug, pin and drill that it doesn't fit.
    """
    sized: dict[tuple[str, str], list[Doubt]] = {}
    for number, hole in enumerate(s.holes, start=1):
        for doubt in _sizes(s, content, number, hole):
            sized.setdefault((doubt.check, doubt.found), []).append(doubt)
    words = [_statement(s, doubts) for doubts in sized.values()]
    odd = {
        doubt.hole
        for text, doubts in zip(words, sized.values(), strict=True)
        if not any(_same(typed, text) for typed in content.confirmed)
        for doubt in doubts
    }
    odd |= {hole.id for hole in s.holes if not hole.size.band > GRAIN or hole.size.lower <= GRAIN}
    unknown = Limits(math.nan, math.nan)
    holes = tuple(replace(hole, size=unknown) if hole.id in odd else hole for hole in s.holes)
    return replace(s, holes=holes) if odd else s


def settle(s: Specification, content: Content, collector: Collector) -> tuple[Confirmation, ...]:
    """Collect each doubt that nobody has confirmed, and each confirmation that can't count; return those that do."""
    met: dict[tuple[str, str], list[Doubt]] = {}
    for doubt in find(s, content):
        met.setdefault((doubt.check, doubt.found), []).append(doubt)
    open_confirmations = dict(content.confirmed)
    counted: list[Confirmation] = []
    for (check, found), doubts in met.items():
        words = _statement(s, doubts)
        typed = next((text for text in open_confirmations if _same(text, words)), None)
        if typed is None:
            first = doubts[0]
            collector.stop(
                check.lower().replace(" ", "-"), first.where, words, "", first.allowed,
                f"{first.action.rstrip('.')}{'' if first.action.endswith('?') else '.'} If the drawing does ask it, "
                f'write under [confirmed]: "{words}" = "{PLACEHOLDER}"',
            )  # fmt: skip
            continue
        reason = open_confirmations.pop(typed)
        if _is_reason(reason, typed, collector):
            holes = tuple(dict.fromkeys(d.hole for d in doubts if d.hole))
            counted.append(Confirmation(check, found, holes, reason))
    unknown = without_odd_sizes(s, content) is not s  # then not every check was made, and nothing is needless for sure
    for text, reason in open_confirmations.items():
        if unknown and any(_is_of(text, check) for check in CHECKS if check not in OF_SIZE):
            continue
        _needless(text, reason, met, s, collector)
    return tuple(counted)


def _statement(s: Specification, doubts: list[Doubt]) -> str:
    """Return a doubt in the words that a confirmation repeats: the check, its holes unless all, what was found."""
    holes = list(dict.fromkeys(d.hole for d in doubts if d.hole))
    named = ""
    if holes and len(holes) < len(s.holes):
        named = f"hole{'s' if len(holes) > 1 else ''} {hole_names(holes)}, ".replace('"', "'")
    return f"{doubts[0].check}: {named}{doubts[0].found}".replace("\\", "/")


def _same(typed: str, words: str) -> bool:
    """Whether a confirmation says a doubt: letters, blanks and zeros behind the point don't matter, numbers do."""

    def plain(text: str) -> str:
        spaced = "".join(text.split()).casefold()
        return _NUMBER.sub(lambda match: f"{float(match[0]):.9g}", spaced)

    return plain(typed) == plain(words)


def _is_of(text: str, check: str) -> bool:
    """Whether a confirmation is of a check, by the words before its colon."""
    return "".join(text.split(":")[0].split()).casefold() == "".join(check.split()).casefold()


def _is_reason(reason: str, typed: str, collector: Collector) -> bool:
    where = f'confirmed."{typed}"'
    letters = sum(map(str.isalpha, reason))
    if reason == PLACEHOLDER or len(reason) < SHORTEST_REASON or letters < SHORTEST_REASON - 2:
        collector.stop(
            "no-reason", where, "a confirmation needs a reason that tells the next person something", shown(reason),
            "who confirms it and why, in a few words", 'For example "note 4 of the drawing, float fit, engineering"',
        )  # fmt: skip
        return False
    return True


def _needless(
    text: str, reason: str, met: dict[tuple[str, str], list[Doubt]], s: Specification, collector: Collector
) -> None:
    """Say why a confirmation counts for nothing."""
    where = f'confirmed."{text}"'
    check = " ".join(text.split(":")[0].split())
    known = nearest(check, CHECKS)
    if not any(_is_of(text, name) for name in CHECKS):
        collector.stop(
            "unknown-check", where, f"there is no check {check!r}", "", ", ".join(CHECKS),
            f"Did you mean {known!r}?" if known else "Take it out",
        )  # fmt: skip
        return
    now = [_statement(s, doubts) for (name, _), doubts in met.items() if _is_of(text, name)]
    if now:
        collector.stop(
            "other-confirmation", where, "this confirms something else than the kit says now", "", "; ".join(now),
            "Confirm what it says now, or mend the kit",
        )  # fmt: skip
    else:
        collector.stop("needless-confirmation", where, "nothing in the kit needs this confirmation", shown(reason),
                       "", "Take it out: what is typed later should be asked about anew")  # fmt: skip


# ------------------------------------------------------------------------------------------------------ the checks


def find(s: Specification, content: Content) -> Iterator[Doubt]:
    """Yield every doubt about a specification whose limits are numbers the right way round."""
    next_hole = _nearest_holes(s)
    for number, hole in enumerate(s.holes, start=1):
        yield from _sizes(s, content, number, hole)
        yield from _pin_limits(s, content, number, hole)
    s = without_odd_sizes(s, content)
    sound = [(number, hole) for number, hole in enumerate(s.holes, start=1) if hole.size.band > GRAIN]
    for number, hole in sound:
        yield from _plugs(s, content, number, hole)
        yield from _form(s, content, number, hole)
        yield from _pins(s, content, number, hole)
        yield from _places(s, content, number, hole, float(next_hole[number - 1]))
        yield from _measured(s, content, number, hole)
    if len(sound) == len(s.holes) and sound:
        yield from _of_the_kit(s)


def table_path(content: Content, number: int, table: str) -> str:
    """Return where what holds for a hole stands: its own table if it has one, else the table for all holes."""
    return f"hole[{number}].{table}" if content.holes[number - 1].get(table) else table


def typed_keys(content: Content, number: int, table: str) -> Values:
    """Return what is typed for a hole in a table: its own keys over those for all holes."""
    return {**content.table(table), **(content.holes[number - 1].get(table) or {})}


def widest_band(size: float, unit: str) -> float:
    """Return the band of limits beyond which they are doubted, at a size [both in unit]."""
    return LINES[unit]["band"] + BAND_SHARE * size


def likely(lower: float, upper: float, unit: str) -> str:
    """Return as a question what is likely meant by limits that can't be right, '' where nothing suggests itself."""
    found = []
    for factor, why in ((10.0, ""), (0.1, ""), (100.0, ""), (0.01, ""), (1 / MM_PER_INCH, " (mm in place of inch)"),
                        (MM_PER_INCH, " (inch in place of mm)")):  # fmt: skip
        for key, low, high in (("upper", lower, upper * factor), ("lower", lower * factor, upper)):
            ordinary = LINES[unit]["smallest"] <= low <= high <= LINES[unit]["largest"]
            if ordinary and GRAIN < high - low <= widest_band(low, unit):
                found.append(f"{key} = {tolerance_text(high if key == 'upper' else low, unit)}{why}")
    return f"Is {' or '.join(found[:2])} meant?" if found else ""


def _sizes(s: Specification, content: Content, number: int, hole: Hole) -> Iterator[Doubt]:
    path, size, unit = table_path(content, number, "size"), hole.size, s.unit
    if not size.band > GRAIN or size.lower <= GRAIN:
        return  # upside down, no band or below zero: said already
    low, high = LINES[unit]["smallest"], LINES[unit]["largest"]
    text = f"{tolerance_text(size.lower, unit)} to {tolerance_text(size.upper, unit)} {unit}"
    band = widest_band(size.lower, unit)
    values = typed_keys(content, number, "size")
    typed_by = next((key for key in ("upper", "class", "plus") if key in values), "upper")
    if size.band > band:
        hint = likely(size.lower, size.upper, unit)
        if typed_by == "plus":
            hint = "plus and minus are deviations from nominal, not limits"
        yield Doubt("limits far apart", text,
                    f"at this size a band of at most {tolerance_text(_cut(band), unit)} {unit}",
                    f"Mend it. {hint}".strip(), f"{path}.{typed_by}", hole.id)  # fmt: skip
    elif not low <= size.lower <= size.upper <= high:
        other = "mm" if unit == "in" else "in"
        factor = MM_PER_INCH if other == "in" else 1 / MM_PER_INCH
        yield Doubt("size out of the ordinary", text, f"{low:g} to {high:g} {unit}",
                    f'Mend it. Is it in {unit_name(other)}, which makes {size.lower * factor:.4g} {unit}? A single '
                    f'length in another unit is typed as "{size.lower:g} {other}", a whole kit says unit = "{other}"',
                    f"{path}.{typed_by}", hole.id)  # fmt: skip
    own = content.holes[number - 1].get("size") or {}
    beside = own if {"lower", "upper"} & own.keys() else content.table("size")  # a hole's own limits have no part in it
    nominal = beside.get("nominal") if {"lower", "upper"} & beside.keys() else None
    if nominal is not None and nominal == nominal and not size.lower - band <= nominal <= size.upper + band:
        yield Doubt("limits away from nominal", f"{text}, nominal {tolerance_text(nominal, unit)}",
                    "limits at the nominal size", "Mend one of them", f"{path}.nominal", hole.id)  # fmt: skip


def _cut(value: float) -> float:
    return math.floor(value * 1e4) / 1e4


def _plugs(s: Specification, content: Content, number: int, hole: Hole) -> Iterator[Doubt]:
    path, size = table_path(content, number, "plugs"), hole.size
    room = PLUG_SHARE * size.band + GRAIN
    for name, key, plug, low, high, wanted in (
        ("GO", "go", hole.plugs.go, size.lower - room, size.upper + GRAIN, size.lower),
        ("NO-GO", "no_go", hole.plugs.no_go, size.lower - GRAIN, size.upper + room, size.upper),
    ):
        if plug is not None and not low <= plug <= high and plug == plug:
            found = f"{tolerance_text(plug, s.unit)}, limits {_range(s, hole)}"
            yield Doubt(f"{name} plug outside the limits", found, f"{tolerance_text(wanted, s.unit)}",
                        "Mend the plug or the limits", f"{path}.{key}", hole.id)  # fmt: skip


def _form(s: Specification, content: Content, number: int, hole: Hole) -> Iterator[Doubt]:
    for key, allowed in (("out_of_roundness", hole.form.out_of_roundness), ("taper", hole.form.taper)):
        if allowed is not None and allowed > hole.size.band + GRAIN:
            name = key.replace("_", "-")
            found = f"{name} {tolerance_text(allowed, s.unit)}, limits {_range(s, hole)}"
            yield Doubt("form wider than the limits", found,
                        f"at most the band, {tolerance_text(hole.size.band, s.unit)}", f"Mend it, or take {name} out",
                        f"{table_path(content, number, 'form')}.{key}", hole.id)  # fmt: skip


def _measured(s: Specification, content: Content, number: int, hole: Hole) -> Iterator[Doubt]:
    for word, limits in hole.measured.items():
        what = OF_WORD[word]
        key = what.keys[limits.upper == limits.upper]
        path, text = f"{table_path(content, number, what.table)}.{key}", limits_text(what, limits, s.unit)
        times = 1.0 if what.kind == ANGLE else hole.size.upper
        low, high = (times * line for line in what.ordinary)
        known = [value for value in (limits.lower, limits.upper) if value == value]
        if any(not low < value < high for value in known):
            found = text if what.kind == ANGLE else f"{text}, hole {_range(s, hole)}"
            yield Doubt(f"{what.name} out of the ordinary", found,
                        limits_text(what, Limits(low, high), s.unit), "Mend it", path, hole.id)  # fmt: skip
        elif limits.band > what.widest * 0.5 * (limits.lower + limits.upper):
            yield Doubt(f"{what.name} limits far apart", text, f"at most {100 * what.widest:g} % of the middle apart",
                        "Mend one of them", path, hole.id)  # fmt: skip


def _range(s: Specification, hole: Hole) -> str:
    return f"{tolerance_text(hole.size.lower, s.unit)} to {tolerance_text(hole.size.upper, s.unit)} {s.unit}"


def path_of_pin(content: Content, number: int, pin: Pin) -> str:
    """Return where a hole's pin stands: in the hole, ``pin``, or ``pin[2]`` where several are listed."""
    if isinstance(content.holes[number - 1].get("pin"), dict):
        return f"hole[{number}].pin"
    if not content.pins_are_listed:
        return "pin"
    return next((f"pin[{i}]" for i, v in enumerate(content.pins, 1) if v.get("id", "pin") == pin.id), "pin")


def _pin_limits(s: Specification, content: Content, number: int, hole: Hole) -> Iterator[Doubt]:
    pin, unit = hole.pin, s.unit
    if pin is not None and pin.upper - pin.lower > widest_band(pin.lower, unit):
        text = f"{tolerance_text(pin.lower, unit)} to {tolerance_text(pin.upper, unit)} {unit}"
        yield Doubt("pin limits far apart", text, "a band as of holes",
                    f"Mend it. {likely(pin.lower, pin.upper, unit)}".strip(),
                    f"{path_of_pin(content, number, pin)}.upper", hole.id)  # fmt: skip


def _pins(s: Specification, content: Content, number: int, hole: Hole) -> Iterator[Doubt]:
    pin, unit = hole.pin, s.unit
    if pin is None or not 0 < pin.lower <= pin.upper + GRAIN or pin.lower > hole.size.upper + GRAIN:
        return  # said already
    if pin.upper - pin.lower > widest_band(pin.lower, unit):
        return
    path = path_of_pin(content, number, pin)
    text = f"{tolerance_text(pin.lower, unit)} to {tolerance_text(pin.upper, unit)}"
    if pin.upper > hole.size.lower + GRAIN:
        yield Doubt("pin larger than the smallest hole", f"pin {text}, hole {_range(s, hole)}",
                    "clearance in every hole: pins are judged by dropping in", "Mend pin or limits", f"{path}.upper",
                    hole.id)  # fmt: skip
    elif pin.upper < SMALL_PIN * hole.size.lower:
        yield Doubt("pin far smaller than its hole", f"pin {text}, hole {_range(s, hole)}",
                    f"at least {SMALL_PIN:g} of the hole", "Mend pin or limits", f"{path}.upper", hole.id)  # fmt: skip
    if pin.position_tolerance > WIDE_POSITION * pin.upper:
        yield Doubt("wide position tolerance", f"pin {tolerance_text(pin.position_tolerance, unit)}",
                    f"at most half the pin's size, {tolerance_text(WIDE_POSITION * pin.upper, unit)}", "Mend it",
                    f"{path}.position_tolerance", hole.id)  # fmt: skip


def _nearest_holes(s: Specification) -> FloatArray:
    """Return each hole's distance to its nearest neighbour (N,), infinite where there is none."""
    xy = np.array([(h.x, h.y) for h in s.holes], dtype=np.float64).reshape(-1, 2)
    if len(xy) < 2:
        return np.full(len(xy), math.inf)
    distance = np.hypot(*np.moveaxis(xy[:, None, :] - xy[None, :, :], 2, 0))
    np.fill_diagonal(distance, math.inf)
    found: FloatArray = np.where(np.isnan(distance), math.inf, distance).min(axis=1)
    return found


def _places(s: Specification, content: Content, number: int, hole: Hole, next_hole: float) -> Iterator[Doubt]:
    unit, p = s.unit, hole.position
    path = table_path(content, number, "position")
    for key, zone in (("tolerance", p.tolerance), ("pattern_tolerance", p.pattern_tolerance)):
        if zone is None or zone != zone:
            continue
        if next_hole > GRAIN and zone >= next_hole - GRAIN:
            yield Doubt("position tolerance reaches the next hole",
                        f"⌀{tolerance_text(zone, unit)}, next hole {tolerance_text(next_hole, unit)} away",
                        "far less than from hole to hole", "Mend the tolerance, x or y", f"{path}.{key}",
                        hole.id)  # fmt: skip
        elif zone > WIDE_POSITION * hole.size.upper:
            yield Doubt("wide position tolerance", f"⌀{tolerance_text(zone, unit)}, hole {_range(s, hole)}",
                        f"at most half the hole's size, {tolerance_text(_cut(WIDE_POSITION * hole.size.upper), unit)}",
                        "Mend it", f"{path}.{key}", hole.id)  # fmt: skip
    edge = required_edge(hole)
    if edge <= hole.size.upper / 2 + GRAIN:
        key = "minimum" if hole.edge.minimum is not None else "minimum_diameters"
        yield Doubt("edge distance inside the hole", f"{tolerance_text(edge, unit)}, hole {_range(s, hole)}",
                    f"from hole centre to edge, more than {tolerance_text(hole.size.upper / 2, unit)}",
                    "Mend it: the distance counts from the hole's centre",
                    f"{table_path(content, number, 'edge')}.{key}", hole.id)  # fmt: skip


def _of_the_kit(s: Specification) -> Iterator[Doubt]:
    unit = s.unit
    smallest, largest = min(h.size.lower for h in s.holes), max(h.size.upper for h in s.holes)
    band = min(h.size.band for h in s.holes)
    text = f"{tolerance_text(smallest, unit)} to {tolerance_text(largest, unit)} {unit}"
    if s.tools.drill is not None:
        drill = s.tools.drill.diameter
        name = f"{s.tools.drill.designation.replace(chr(34), '')} = {tolerance_text(drill, unit)}, holes {text}"
        if drill > largest + GRAIN:
            yield Doubt("drill larger than the holes", name, f"at most {tolerance_text(largest, unit)}",
                        "Mend the drill or the limits", "tools.drill")  # fmt: skip
        elif drill < SMALL_DRILL * smallest:
            yield Doubt("drill far smaller than the holes", name,
                        f"at least {tolerance_text(_cut(SMALL_DRILL * smallest), unit)}",
                        "Mend the drill or the limits", "tools.drill")  # fmt: skip
    for number, gauge in enumerate(s.gauges, start=1):
        for key, value in (("uncertainty", gauge.uncertainty), ("resolution", gauge.resolution)):
            if "diameter" in gauge.measures and value is not None and value >= band - GRAIN:
                yield Doubt("gauge coarser than the limits", f"{gauge.id.replace(chr(34), '')}, {key} {value:g}, band "
                            f"{tolerance_text(band, unit)}", f"a fraction of the band, in {unit_name(unit)}",
                            "Mend it, or name what the gauge measures", f"gauge[{number}].{key}")  # fmt: skip
    yield from _rules(s, band)


def _rules(s: Specification, band: float) -> Iterator[Doubt]:
    unit = s.unit
    if s.rounding.method == "rounding" and s.rounding.decimals is not None:
        needed = max(decimals_of(round(v, 9)) for h in s.holes for v in (h.size.lower, h.size.upper))
        if needed > s.rounding.decimals:
            yield Doubt("rounding coarser than the limits", f"{s.rounding.decimals} decimals, limits have {needed}",
                        f"{needed} or more", "Leave decimals out: readings are then rounded as the limits are",
                        "rounding.decimals")  # fmt: skip
    largest = max((g.uncertainty or 0.0 for g in s.gauges if "diameter" in g.measures), default=0.0)
    guard = s.decision.guard_factor * largest
    if s.decision.rule == "relaxed" and guard > RELAXED_SHARE * band:
        yield Doubt("relaxed limits far outside", f"{tolerance_text(guard, unit)} beyond each limit, band "
                    f"{tolerance_text(band, unit)}", f"at most {tolerance_text(_cut(RELAXED_SHARE * band), unit)}",
                    "Mend guard_factor or the gauge's U", "decision.guard_factor")  # fmt: skip
    if s.datum_shift is not None:
        for hole in s.holes:
            if hole.id in s.datum_shift.holes and s.datum_shift.boundary < SMALL_SIMULATOR * hole.size.lower:
                yield Doubt("datum simulator far smaller than its hole",
                            f"{format_length(s.datum_shift.boundary, unit)}, hole {_range(s, hole)}",
                            "the hole's maximum material boundary: lower limit less its tolerance", "Mend the boundary",
                            "datum_shift.boundary", hole.id)  # fmt: skip


# ------------------------------------------------------------------------------------------------ untouched starter


def check_starter(s: Specification, content: Content, collector: Collector) -> None:
    """Refuse numbers that are still those that `holeqc kit new` wrote: they stand on no drawing."""

    size = content.table("size")
    kept = [f"size.{key}" for key, value in STARTER_SIZE.items() if size.get(key) == value]
    kept += [
        f"hole[{number}].{key}"
        for number, values in enumerate(content.holes, start=1)
        for key, value in zip("xy", STARTER_PLACES.get(number, ()), strict=False)
        if values.get(key) == value
    ]
    if len(kept) > 1 or (kept and kept[0].startswith("size")):
        collector.stop(
            "untouched-starter", kept[0], "these numbers are still those that holeqc kit new wrote, and stand on no "
            "drawing", ", ".join(kept), "the drawing's numbers", "Type what the drawing says, or take the block out",
        )  # fmt: skip


# The commented starter of a kit file: valid as it stands, with every table to take or leave.


#: numbers of the starter that stand on no drawing and are refused until they are changed
STARTER_SIZE = {"lower": 0.1111, "upper": 0.1122}
STARTER_PLACES = {1: (1.111, 1.111), 2: (2.222, 1.111)}

STARTER = """\
# What the drawing asks of one kit. Change every number to what YOUR drawing says, take out what it doesn't ask, and lay
# the result of  holeqc kit show {file}  beside the drawing before relying on it.
# Lengths are in the unit of [kit], typed as 0.455 or as text: "29/64", "11.5 mm". Limits are inclusive.
# A line that begins with # is a remark. holeqc kit keys says what each key means.

[kit]
id = "{id}"
title = "what the kit is"
revision = "A"
unit = "in"                    # in or mm
# drawing = "drawing number"

[size]                         # limits of size of every hole
lower = 0.1111
upper = 0.1122
# or a class:                    class = "H11" and nominal = 12
# or nominal with deviations:    nominal = 0.1111, plus = 0.0011, minus = 0 (how far, without a sign)

[[hole]]                       # one block a hole: id, basic dimensions, and the bushing that makes it
id = "1"
x = 1.111
y = 1.111
# bushing = "B1"
# size = {{ upper = 0.1120 }}    # a hole that differs says so itself, here and in form, position, edge, surface, plugs,
# edge = false                 # pin and rework; false: not asked of this hole

[[hole]]
id = "2"
x = 2.222
y = 1.111

# ---- take what the drawing asks, leave the rest out ----------------------------------------------------------------

# [[part]]                     # without it: one part
# name = "port"
# title = "port plate"
# number = "part number"

# [[part]]                     # the opposite hand is declared, not retyped
# name = "starboard"
# mirror_of = "port"
# mirror = "x"                 # x becomes -x
# own_edges = true             # readings are taken positive from its own edges

# [fixture]
# id = "fixture number"
# note = "how it is clamped"

# [walls]                      # without it: one wall
# names = ["near", "far"]      # the drill's entry side first
# stack_depth = 1.25

# [form]
# out_of_roundness = 0.0005
# taper = 0.0005               # between walls

# [position]                   # diametral
# tolerance = 0.040            # to the datums
# condition = "MMC"            # RFS, MMC or LMC
# pattern_tolerance = 0.006    # hole to hole, the pattern floating
# pattern_condition = "MMC"

# [edge]
# minimum_diameters = 2.0      # and, or: minimum = 0.25

# [countersink]                # either limit may be left out
# depth_lower = 0.060
# depth_upper = 0.066
# angle_lower = 99             # degrees, included
# angle_upper = 101

# [depth]                      # of the hole, at full diameter
# lower = 0.500

# [surface]
# clean = true
# burr_free = true

# [plugs]
# go = 0.1111
# no_go = 0.1122

# [pin]                        # pins of the mating assembly
# id = "1/10 pin"
# lower = 0.1000
# upper = 0.1010
# position_tolerance = 0.004   # of the pins among themselves

# [outline]                    # corners of the part, for pictures and edge distance
# points = [[0, 0], [4, 0], [4, 2], [0, 2]]

# [[gauge]]
# id = "gauge number"
# kind = "two-point bore gauge"
# measures = ["diameter"]      # also x, y, edge_distance, plug, countersink_depth, countersink_angle, hole_depth, go,
                               # no_go, surface
# uncertainty = 0.0001         # U at k = 2, in use; degrees for a gauge of angles
# resolution = 0.0001
# calibration_due = 2027-03-31
# expansion_per_c = 11.5e-6

# [plan]                       # what is read on each hole
# directions = [0, 90]
# count = 1
# diameter_gauge = "gauge number"

# distances = "auto"           # x and y from distances: holeqc sheet --distances

# [datum_edges]                # what distances are measured from
# A = "x = 0"

# [decision]
# rule = "simple"              # simple, guarded or relaxed
# guard_factor = 1.0

# [rounding]
# method = "absolute"          # ASTM E29: absolute or rounding

# [temperature]
# correct = false
# part_expansion_per_c = 23.1e-6

# [tools]
# drill = "#35"
# reamers = ["0.1115", "0.1120"]

# [rework]                     # without it: no rework is permitted
# ream_up_to = 0.1120
# deepen = true                # a shallow countersink or hole may be cut deeper

# [datum_shift]
# holes = ["1", "2"]
# boundary = 0.105

# [headings]                   # how the shop's own sheets call a column
# "Dia A" = "diameter"

# [wall_names]                 # what the shop's sheets call a wall
# "skin" = "single"

# [recheck]
# within_days = 30

# [designators]                # how the drawing marks what is key or critical
# "hole-to-hole position" = "KC"

# [approval]
# two_person = true
# signed = false

# [confirmed]                  # what a drawing hardly asks, in the words of the problem, and why it holds
# "wide position tolerance: ..." = "who confirms it, and why"
"""


def starter(kit_id: str = "NEW-1", file: str = "KIT.toml") -> str:
    """Return the text of a starter kit file; ``file`` is named in its remarks."""
    quoted = kit_id.replace("\\", "\\\\").replace('"', '\\"')
    return STARTER.format(id=quoted, file=file)


def keys_text(word: str = "") -> str:
    """Return what every key means, or those that a word asks for, at most 80 columns wide; '' where none is meant."""
    import textwrap

    keys, taken_as = keys_like(word)
    lines: list[str] = [*textwrap.wrap(f"Keys of {taken_as}", 80), ""] if taken_as else []
    current = ""
    for key in keys:
        if key.table != current:
            lines += [*([""] if current else []), headline(key.table)]
            current = key.table
        about = [f"Allowed: {key.allowed}.", f"Default: {key.default}."]
        if key.unit:
            about[0] = f"Allowed: {key.allowed} [{key.unit}]."
        lines += textwrap.wrap(f"{key.name}   {key.meaning}", 80, initial_indent="  ", subsequent_indent="      ")
        example = key.example if "=" in key.example else f"{key.name} = {key.example}"
        for text in (" ".join(about), f"Example: {example}"):
            lines += textwrap.wrap(text, 80, initial_indent="      ", subsequent_indent="      ",
                                   break_on_hyphens=False)  # fmt: skip
    if keys and {key.table for key in keys} == {"confirmed"}:
        lines += ["", "What stops a kit until it is mended or confirmed, and what each line rests on"]
        for check, why in CHECKS.items():
            lines += textwrap.wrap(f"{check}: {why}", 80, initial_indent="  ", subsequent_indent="      ")
    return "\n".join(lines) + "\n" if keys else ""
