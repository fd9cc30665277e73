"""What a kit asks, as short plain phrases with numbers: for the description, the blank sheet and the picture."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from holeqc.characteristics import MEASURED, OF_WORD, Characteristic, unit_of_all, with_unit
from holeqc.quantities import decimals_of, format_length, unit_name
from holeqc.specification.model import (
    Hole,
    Limits,
    Position,
    Specification,
    Walls,
    boundaries,
    hole_to_hole,
    required_edge,
)


@dataclass(frozen=True, slots=True)
class Phrase:
    """A topic, what is asked, and which holes it is asked of ('' where of all)."""

    topic: str
    text: str
    holes: str = ""

    @property
    def sentence(self) -> str:
        """The phrase in one line."""
        return f"{self.topic}: {self.text}" + (f" (holes {self.holes})" if self.holes else "")


def tolerance_text(value: float, unit: str) -> str:
    """Return a tolerance as drawings write it: three decimals in inch and two in mm unless it has more."""
    least = 3 if unit == "in" else 2
    return format_length(value, unit, max(least, min(decimals_of(round(value, 9)), 6)))


def hole_names(ids: Sequence[str]) -> str:
    """Return ids in short: a run of four or more whole numbers as ``1 to 8``, else listed."""
    numbers = [int(i) if i.isascii() and i.isdigit() and str(int(i)) == i else None for i in ids]
    if len(ids) >= 4 and None not in numbers and numbers == list(range(numbers[0] or 0, (numbers[0] or 0) + len(ids))):
        return f"{ids[0]} to {ids[-1]}"
    return ", ".join(ids)


def grouped(specification: Specification, text_of: Callable[[Hole], str]) -> list[tuple[str, str]]:
    """Return each different text with the names of its holes, '' for the names where it is the same for all."""
    found: dict[str, list[str]] = {}
    for hole in specification.holes:
        found.setdefault(text_of(hole), []).append(hole.id)
    if len(found) == 1:
        return [(text, "") for text in found if text]
    return [(text, hole_names(ids)) for text, ids in found.items() if text]


def limits_line(specification: Specification) -> str:
    """Return kit, unit and the limits of size that judge, in one line: every screen and sheet begins with it.

    ``Kit BL-7 rev C, inch: 8 holes 0.455 to 0.462``; with several sizes a group each: ``hole 1 0.455 to 0.462; holes
    2, 3 0.312 to 0.318``.
    """
    s = specification

    def limits(hole: Hole) -> str:
        text = f"{tolerance_text(hole.size.lower, s.unit)} to {tolerance_text(hole.size.upper, s.unit)}"
        return f"{text} ({hole.size.fit_class})" if hole.size.fit_class else text

    groups: dict[str, list[str]] = {}
    for hole in s.holes:
        groups.setdefault(limits(hole), []).append(hole.id)
    if len(groups) == 1:
        sizes = [f"{len(s.holes)} hole{'' if len(s.holes) == 1 else 's'} {text}" for text in groups]
    else:
        sizes = [f"hole{'' if len(ids) == 1 else 's'} {hole_names(ids)} {text}" for text, ids in groups.items()]
    return f"Kit {s.id} rev {s.revision}, {unit_name(s.unit)}: {'; '.join(sizes)}"


def size_text(hole: Hole, unit: str) -> str:
    """Return the limits of size, and the class where they come from one."""
    text = f"{format_length(hole.size.lower, unit)} to {format_length(hole.size.upper, unit)} {unit}"
    return f"{text} ({hole.size.fit_class})" if hole.size.fit_class else text


def position_text(position: Position, unit: str) -> str:
    """Return both segments of a position tolerance: ``⌀0.060 MMC to the datums, ⌀0.011 MMC hole to hole``."""
    parts = []
    if position.tolerance is not None:
        parts.append(f"⌀{tolerance_text(position.tolerance, unit)} {position.condition} to the datums")
    if position.pattern_tolerance is not None:
        turns = "" if position.pattern_rotates else ", not turning"
        text = f"⌀{tolerance_text(position.pattern_tolerance, unit)} {position.pattern_condition} hole to hole"
        parts.append(f"{text}, the pattern floating{turns}")
    return ", ".join(parts)


def form_text(hole: Hole, unit: str) -> str:
    """Return what is asked of form."""
    parts = []
    if hole.form.out_of_roundness is not None:
        parts.append(f"out-of-roundness at most {tolerance_text(hole.form.out_of_roundness, unit)} {unit}")
    if hole.form.taper is not None:
        parts.append(f"taper between walls at most {tolerance_text(hole.form.taper, unit)} {unit}")
    return ", ".join(parts)


def edge_text(hole: Hole, unit: str) -> str:
    """Return the least edge distance, and what it comes from."""
    least = required_edge(hole)
    if least != least:
        return ""
    text = f"centre at least {format_length(least, unit)} {unit} from the edge"
    if hole.edge.minimum_diameters is not None and (hole.edge.minimum or 0) < least:
        text += f" ({hole.edge.minimum_diameters:g} x largest size)"
    return text


def limits_text(what: Characteristic, limits: Limits, unit: str) -> str:
    """Return limits with their unit, ``at least`` or ``at most`` where one of them is not asked."""
    own = what.unit(unit)
    lower, upper = (format_length(value, own) for value in (limits.lower, limits.upper))
    if limits.lower != limits.lower:
        return f"at most {with_unit(upper, own)}"
    if limits.upper != limits.upper or math.isinf(limits.upper):
        return f"at least {with_unit(lower, own)}"
    return f"{lower} to {with_unit(upper, own)}"


def measured_text(hole: Hole, topic: str, unit: str) -> str:
    """Return what is asked of a hole under one topic of what is measured beside size and place."""
    return ", ".join(
        f"{OF_WORD[word].name} {limits_text(OF_WORD[word], limits, unit)}"
        for word, limits in hole.measured.items() if OF_WORD[word].topic == topic
    )  # fmt: skip


def surface_text(hole: Hole) -> str:
    """Return what is asked of the surface."""
    wanted = (("clean and free of cracks", hole.surface.clean), ("free of burrs", hole.surface.burr_free))
    words = [word for word, is_asked in wanted if is_asked]
    return ", ".join(words)


def plugs_text(hole: Hole, unit: str) -> str:
    """Return the plug checks that are asked."""
    words = []
    if hole.plugs.go is not None:
        words.append(f"GO {format_length(hole.plugs.go, unit)} {unit} must enter")
    if hole.plugs.no_go is not None:
        words.append(f"NO-GO {format_length(hole.plugs.no_go, unit)} {unit} must not enter")
    return ", ".join(words)


def pin_text(hole: Hole, unit: str) -> str:
    """Return the pin that a hole takes."""
    if hole.pin is None:
        return ""
    pin = hole.pin
    text = f"{pin.id}, {format_length(pin.lower, unit)} to {format_length(pin.upper, unit)} {unit}"
    if pin.fit_class:
        text += f" ({pin.fit_class})"
    if pin.position_tolerance:
        text += f", in position within ⌀{tolerance_text(pin.position_tolerance, unit)}"
    return text


def walls_text(walls: Walls, unit: str) -> str:
    """Return the walls in words."""
    if not walls.several:
        return "one"
    text = f"{len(walls.names)}: {', '.join(walls.names)} (the drill enters at {walls.names[0]})"
    if walls.stack_depth is not None:
        text += f", {format_length(walls.stack_depth, unit)} {unit} from face to face"
    return text


def asked(specification: Specification) -> list[Phrase]:
    """Return everything that is asked of the holes, one phrase a topic and group of holes."""
    unit = specification.unit
    topics: tuple[tuple[str, Callable[[Hole], str]], ...] = (
        ("Size", lambda h: size_text(h, unit)),
        ("Form", lambda h: form_text(h, unit)),
        ("Position", lambda h: position_text(h.position, unit)),
        ("Edge", lambda h: edge_text(h, unit)),
        *((topic, lambda h, topic=topic: measured_text(h, topic, unit)) for topic in dict.fromkeys(
            c.topic for c in MEASURED)),
        ("Surface", surface_text),
        ("Plugs", lambda h: plugs_text(h, unit)),
        ("Pins", lambda h: pin_text(h, unit)),
    )
    return [Phrase(topic, text, holes) for topic, of in topics for text, holes in grouped(specification, of)]


# What a kit file asks in plain words, to be laid beside the drawing before anyone relies on it.


WIDTH = 80
_LABEL = 16
CAUTION = (
    "Compare with the drawing before relying on this file. The drawing, the approved data and the person licensed to "
    "sign prevail."
)

RULES = {
    "simple": "simple acceptance: limits as they stand (ASME B89.7.3.1)",
    "guarded": "guarded: accepted inside the limits less w = {r:g} U (ISO 14253-1, ASME B89.7.3.1 stringent)",
    "relaxed": "relaxed: accepted inside the limits plus w = {r:g} U (ASME B89.7.3.1)",
}


def describe(specification: Specification) -> str:
    """Return what a specification asks, in plain words, at most 80 columns wide."""
    s = specification
    lines = [*textwrap.wrap(limits_line(s), WIDTH), *textwrap.wrap(s.title, WIDTH), ""]
    lines += _item("Drawing", s.drawing or "none named")
    lines += _item("Unit", "inch" if s.unit == "in" else "millimetre")
    for number, part in enumerate(s.parts):
        lines += _item("Parts" if number == 0 else "", _part(s, part.name))
    lines += _item("Fixture", ", ".join(filter(None, (s.fixture, s.fixture_note))) or "none named")
    if s.outline:
        lines += _item("Outline", _outline(s))
    lines += _item("Walls", walls_text(s.walls, s.unit))
    lines += ["", f"Asked of {'the hole' if len(s.holes) == 1 else f'each of the {len(s.holes)} holes'}"]
    for phrase in asked(s):
        lines += _item(phrase.topic, (f"holes {phrase.holes}: " if phrase.holes else "") + phrase.text)
    lines += _boundary_lines(s)
    lines += _rework_lines(s)
    lines += _position_tables(s)
    lines += _reading_lines(s)
    lines += _judging_lines(s)
    lines += _confirmed_lines(s)
    lines += _warning_lines(s)
    lines += ["", *textwrap.wrap(CAUTION, WIDTH)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _item(label: str, text: str) -> list[str]:
    """Return a labelled paragraph with a hanging indent."""
    indent = " " * (_LABEL + 2)
    return textwrap.wrap(text, WIDTH, initial_indent=f"  {label:<{_LABEL}}", subsequent_indent=indent,
                         break_on_hyphens=False) or [f"  {label}"]  # fmt: skip


def _outline(s: Specification) -> str:
    """Return how large the part is as drawn."""
    wide, high = (max(p[axis] for p in s.outline) - min(p[axis] for p in s.outline) for axis in (0, 1))
    size = f"{format_length(wide, s.unit)} by {format_length(high, s.unit)} {s.unit}"
    return f"{size}, {len(s.outline)} corners"


def _part(s: Specification, name: str) -> str:
    part = s.part(name)
    text = ", ".join(filter(None, (part.name, part.title if part.title != part.name else "", part.number)))
    if part.mirror_of or part.mirror:
        text += f"; mirror{f' of {part.mirror_of}' if part.mirror_of else ''}: {part.mirror} changes sign"
        if part.own_edges:
            text += "; read positive from its own edges"
    return text


def _segment(s: Specification, hole: Hole, tolerance: float | None, condition: str) -> str:
    """Return the boundaries of one segment of a position tolerance in words, '' where it is not asked."""
    if tolerance is None:
        return ""
    b = boundaries(hole.size.lower, hole.size.upper, tolerance, condition)
    inner, outer = (format_length(v, s.unit) for v in (b.inner, b.outer))
    names = {
        "MMC": f"virtual condition {inner}, resultant condition {outer}",
        "LMC": f"virtual condition {outer}, resultant condition {inner}",
        "RFS": f"inner boundary {inner}, outer boundary {outer}",
    }
    bonus = f", largest bonus {tolerance_text(b.bonus, s.unit)}" if b.bonus else ", no bonus"
    return f"{names[condition]} {s.unit}{bonus}"


def _boundary_lines(s: Specification) -> list[str]:
    """Return the worst-case boundaries, the largest bonus and how far pin and hole are from touching."""
    lines: list[str] = []

    def pins(hole: Hole) -> str:
        if hole.pin is None:
            return ""
        inner, outer = hole_to_hole(hole).inner, hole.pin.virtual_condition
        left = format_length(abs(inner - outer), s.unit)
        verdict = f"{left} to spare" if inner >= outer - 1e-9 else f"they cross by {left}"
        return f"pin {format_length(outer, s.unit)} in hole {format_length(inner, s.unit)} {s.unit} at worst: {verdict}"

    topics = (
        ("To the datums", lambda h: _segment(s, h, h.position.tolerance, h.position.condition)),
        ("Hole to hole", lambda h: _segment(s, h, h.position.pattern_tolerance, h.position.pattern_condition)),
        ("Pins at worst", pins),
    )
    for label, of in topics:
        for text, holes in grouped(s, of):
            lines += _item(label, (f"holes {holes}: " if holes else "") + text)
    if s.datum_shift is not None:
        lines += _item("Datum shift", f"holes {hole_names(s.datum_shift.holes)} on simulators of "
                       f"⌀{format_length(s.datum_shift.boundary, s.unit)} {s.unit}; the frame may shift")  # fmt: skip
    return lines


def _rework_lines(s: Specification) -> list[str]:
    def words(hole: Hole) -> str:
        said = []
        if hole.ream_up_to is not None:
            said.append(f"a small hole may be reamed up to {format_length(hole.ream_up_to, s.unit)} {s.unit}")
        if hole.deepen and any(OF_WORD[word].mended for word in hole.measured):
            said.append("what is too shallow may be cut deeper, inside its limits")
        return "; ".join(said) or "not permitted"

    lines: list[str] = []
    for text, holes in grouped(s, words):
        lines += _item("Rework", (f"holes {holes}: " if holes else "") + text)
    at_hand = [f"drill {s.tools.drill.designation}"] if s.tools.drill else []
    at_hand += [f"{kind} {', '.join(t.designation for t in tools)}" for kind, tools in
                (("drills", s.tools.drills), ("reamers", s.tools.reamers)) if tools]  # fmt: skip
    return lines + (_item("Tools", "; ".join(at_hand)) if at_hand else [])


def _position_tables(s: Specification) -> list[str]:
    """Return basic positions, a table a frame in which readings are taken."""
    if not s.located:
        return ["", "Basic positions: none given"]
    frames: dict[tuple[float, float], list[str]] = {}
    for part in s.parts:
        frames.setdefault(part.signs(), []).append(part.name)
    lines: list[str] = []
    width = max(4, *(len(i) for i in s.hole_ids)) if len(s.holes) else 4
    width = min(width, 30)
    for names in frames.values():
        where = f" as read on {', '.join(names)}" if len(s.parts) > 1 else ""
        lines += ["", *textwrap.wrap(f"Basic positions [{s.unit}]{where}", WIDTH)]
        lines.append(f"  {'hole':<{width}} {'x':>10} {'y':>10}  bushing")
        xy = s.basic_xy(names[0])
        for hole, (x, y) in zip(s.holes, xy.tolist(), strict=True):
            x_text, y_text = format_length(x, s.unit), format_length(y, s.unit)
            lines.append(f"  {hole.id[:width]:<{width}} {x_text:>10} {y_text:>10}  {hole.bushing[:30] or '-'}")
    return lines


def _reading_lines(s: Specification) -> list[str]:
    plan = s.plan
    directions = ", ".join(f"{d:g}°" for d in plan.directions)
    times = "once" if plan.count == 1 else f"{plan.count} times"
    walls = f" in {' and '.join(plan.walls)}" if s.walls.several else ""
    lines = ["", "To be read"]
    lines += _item("Diameter", f"in directions {directions}, {times}{walls}"
                   + (f"; gauge {plan.diameter_gauge}" if plan.diameter_gauge else ""))  # fmt: skip
    if plan.position:
        walls = f" in {' and '.join(plan.position_walls)}" if s.walls.several else ""
        gauge_text = f"; gauge {plan.position_gauge}" if plan.position_gauge else ""
        lines += _item("x and y", f"of each hole{walls}{gauge_text}")
    if plan.distances is not None:
        taken = ", ".join(plan.distances.lines) or "chosen by holeqc sheet --distances"
        pins = ", ".join(format_length(d, s.unit) for d in plan.distances.pins)
        gauge_text = f"; gauge {plan.distances.gauge}" if plan.distances.gauge else ""
        edges = ", ".join(f"{e.name} (where {e.axis} = {e.at:g})" for e in s.datum_edges) or "none named"
        lines += _item("Distances", f"x and y follow from them: {taken}{gauge_text}")
        lines += _item("", f"from edges {edges}" + (f"; over pins {pins} {s.unit}" if pins else ""))
    if plan.edge_distance:
        lines += _item("Edge distance", "of each hole")
    if plan.partial:
        lines += _item("Reading plan", f"a part may be accepted on fewer readings, chance of a bad hole at most "
                       f"{100.0 * plan.partial_risk:g} %, each hole at least on every {plan.partial_every}th part; "
                       "only where drawing, contract and customer allow it")
    for what in MEASURED:
        some = [h.id for h in s.holes if what.word in h.measured]
        if some:
            plural = "s" if len(some) > 1 else ""
            each = "each hole" if len(some) == len(s.holes) else f"hole{plural} {hole_names(some)}"
            lines += _item(what.topic, f"{what.name} of {each}")
    for number, gauge in enumerate(s.gauges):
        facts = [gauge.kind, "for " + ", ".join(m.replace("_", " ") for m in gauge.measures)]
        facts.append("U not known" if gauge.uncertainty is None
                     else f"U = {with_unit(f'{gauge.uncertainty:g}', unit_of_all(gauge.measures, s.unit))} (k = 2)")
        if gauge.resolution is not None:
            facts.append(f"reads to {gauge.resolution:g}")
        if gauge.calibration_due is not None:
            facts.append(f"calibration holds to {gauge.calibration_due.isoformat()}")
        lines += _item("Gauges" if number == 0 else "", f"{gauge.id}: " + ", ".join(filter(None, facts)))
    return lines


def _judging_lines(s: Specification) -> list[str]:
    rounding = "readings as they stand (ASTM E29 absolute method)"
    if s.rounding.method == "rounding":
        decimals = "the limit's decimals" if s.rounding.decimals is None else f"{s.rounding.decimals} decimals"
        rounding = f"readings rounded to {decimals}, ties to even (ASTM E29 rounding method)"
    lines = ["", "Judging"]
    lines += _item("Rule", RULES[s.decision.rule].format(r=s.decision.guard_factor))
    lines += _item("Rounding", rounding)
    t = s.temperature
    correct = f"readings are brought to 20 °C, part {t.part_expansion_per_c * 1e6:g} millionths per °C"
    lines += _item("Temperature", correct if t.correct else "not corrected; readings count as at 20 °C")
    who = ("by another person than the one who logged the readings" if s.approval_two_person
           else "by anyone, the one who logged the readings too")  # fmt: skip
    if s.recheck_within is not None:
        lines += _item("Recheck", f"readings that go on counting beside it may be {s.recheck_within} days older")
    lines += _item("Approval", f"{who}, signed with the person's key" if s.approval_signed else who)
    return lines


def confirmed_sentences(s: Specification) -> list[str]:
    """Return each odd thing that the kit file confirms, with the reason that it gives."""
    return [
        f"{c.check}: {f'holes {hole_names(c.holes)}, ' if c.holes and len(c.holes) < len(s.holes) else ''}{c.found}. "
        f"Reason: {c.reason}" for c in s.confirmed
    ]  # fmt: skip


def _confirmed_lines(s: Specification) -> list[str]:
    if not s.confirmed:
        return []
    lines = ["", "Confirmed in the kit file, though a drawing hardly asks it"]
    for text in confirmed_sentences(s):
        lines += textwrap.wrap(text, WIDTH, initial_indent="  ! ", subsequent_indent="    ")
    return lines


def _warning_lines(s: Specification) -> list[str]:
    if not s.warnings:
        return []
    lines = ["", "To be looked at"]
    for problem in s.warnings:
        text = problem.sentence().removeprefix(f"{problem.file}, ") if problem.file else problem.sentence()
        lines += textwrap.wrap(text, WIDTH, initial_indent="  ? ", subsequent_indent="    ")
    return lines


# A specification as plain data for `holeqc kit show --json`.


def as_data(specification: Specification) -> dict[str, Any]:
    """Return everything that a specification asks, by the names of its records.

    Lengths are in ``unit``; what is not known or not asked is None. Each hole has its worst-case ``boundaries``, and
    each part its ``basic_xy`` in the frame of its readings.
    """
    s = specification
    data = asdict(s)
    data["warnings"] = [problem.as_dict() for problem in s.warnings]
    data["holes"] = [{**asdict(hole), **_worst(hole)} for hole in s.holes]
    data["parts"] = [{**asdict(part), "basic_xy": s.basic_xy(part.name).tolist()} for part in s.parts]
    plain = _plain(data)
    assert isinstance(plain, dict)
    return plain


def _worst(hole: Hole) -> dict[str, Any]:
    b = hole_to_hole(hole)
    pin = None if hole.pin is None else hole.pin.virtual_condition
    return {
        "boundaries": {"inner": b.inner, "outer": b.outer, "largest_bonus": b.bonus, "pin_virtual_condition": pin},
        "required_edge_distance": required_edge(hole),
    }


def _plain(value: Any) -> Any:
    """Return data that JSON can hold: no NaN, no tuples, dates as text."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value.isoformat() if hasattr(value, "isoformat") else value
