"""What a kit file asks in plain words, to be laid beside the drawing before anyone relies on it."""

from __future__ import annotations

import textwrap

from holeqc.quantities import format_length
from holeqc.specification.boundaries import boundaries, hole_to_hole
from holeqc.specification.model import Hole, Specification
from holeqc.specification.words import asked, grouped, hole_names, limits_line, tolerance_text, walls_text

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
        if hole.ream_up_to is None:
            return "not permitted"
        return f"a small hole may be reamed up to {format_length(hole.ream_up_to, s.unit)} {s.unit}"

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
    if plan.edge_distance:
        lines += _item("Edge distance", "of each hole")
    for number, gauge in enumerate(s.gauges):
        facts = [gauge.kind, "for " + ", ".join(m.replace("_", " ") for m in gauge.measures)]
        facts.append("U not known" if gauge.uncertainty is None else f"U = {gauge.uncertainty:g} {s.unit} (k = 2)")
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
