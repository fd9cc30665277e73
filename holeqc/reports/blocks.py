"""What a report is made of, before it is a page: headings, lists, tables, pictures. HTML and PDF draw the same."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from html import escape
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from holeqc.characteristics import DEGREES, GAUGE, JUDGED, OF_NAME, unit_of, with_unit
from holeqc.inspection.results import ACCEPT, VERDICTS, Reason
from holeqc.printing import one_line
from holeqc.quantities import CALCULATED, DECIMALS, GRAIN, above, below, format_length
from holeqc.quantities import unit_name as unit_name
from holeqc.specification.model import Limits
from holeqc.specification.words import limits_text

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection, Planned
    from holeqc.inspection.view import PartView
    from holeqc.readings.table import Join, Source
    from holeqc.specification.model import Hole, Specification


# A picture or a page as a list of plain shapes, and how that list becomes SVG.
#
# Lengths are points (1/72 in), x to the right, y down, from the upper left corner. The same list goes to SVG here and
# to
# PDF in `holeqc.reports.pages`, so that both show the same.


# dark enough to print in grey, and told apart by people who don't see red or green; a mark and a word stand beside each
INK = "#1c2329"
SOFT = "#55616b"  #: secondary text; 5.9 : 1 on white
RULE = "#b9c2c9"
PALE = "#f1f4f6"
ACCEPT_INK, HOLD_INK, REJECT_INK = "#0b5d4b", "#7a4a00", "#9b1c1c"
ACCEPT_FILL, HOLD_FILL, REJECT_FILL = "#ffffff", "#fdf1d4", "#fbe4e1"
BLUE = "#1f5f99"
VERDICT_INK = (ACCEPT_INK, HOLD_INK, REJECT_INK)
VERDICT_FILL = (ACCEPT_FILL, HOLD_FILL, REJECT_FILL)

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class Shape:
    """A line through points, closed or open; filled where ``fill`` is given."""

    points: tuple[Point, ...]
    stroke: str = ""
    width: float = 0.75
    fill: str = ""
    dash: tuple[float, ...] = ()
    closed: bool = False


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle of radius ``r`` about (x, y)."""

    x: float
    y: float
    r: float
    stroke: str = ""
    width: float = 0.75
    fill: str = ""
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text; (x, y) is the base line at the anchor."""

    x: float
    y: float
    text: str
    size: float = 9.0
    bold: bool = False
    colour: str = INK
    anchor: Anchor = "start"


@dataclass(frozen=True, slots=True)
class Boxes:
    """Filled rectangles of one colour, each by its upper left corner, width and height."""

    boxes: tuple[tuple[float, float, float, float], ...]
    fill: str


Item = Shape | Circle | Text | Boxes


@dataclass(slots=True)
class Drawing:
    """Shapes on a sheet of a size, with a title for people who can't see it and a line to stand under it."""

    width: float
    height: float
    title: str = ""
    note: str = ""  #: line under the picture: scale, what the numbers are
    items: list[Item] = field(default_factory=list)

    def line(self, *points: Point, stroke: str = INK, width: float = 0.75, dash: Sequence[float] = ()) -> None:
        """Add an open line."""
        self.items.append(Shape(points, stroke, width, "", tuple(dash)))

    def polygon(
        self, points: Iterable[Point], stroke: str = "", width: float = 0.75, fill: str = "", dash: Sequence[float] = ()
    ) -> None:
        """Add a closed shape."""
        self.items.append(Shape(tuple(points), stroke, width, fill, tuple(dash), True))

    def box(
        self, x: float, y: float, wide: float, high: float, stroke: str = "", width: float = 0.75, fill: str = "",
        dash: Sequence[float] = (),
    ) -> None:  # fmt: skip
        """Add a rectangle by its upper left corner."""
        self.polygon(((x, y), (x + wide, y), (x + wide, y + high), (x, y + high)), stroke, width, fill, dash)

    def circle(
        self, x: float, y: float, r: float, stroke: str = "", width: float = 0.75, fill: str = "",
        dash: Sequence[float] = (),
    ) -> None:  # fmt: skip
        """Add a circle."""
        self.items.append(Circle(x, y, r, stroke, width, fill, tuple(dash)))

    def text(
        self, x: float, y: float, text: str, size: float = 9.0, bold: bool = False, colour: str = INK,
        anchor: Anchor = "start",
    ) -> None:  # fmt: skip
        """Add a line of text."""
        if text:
            self.items.append(Text(x, y, text, size, bold, colour, anchor))

    def place(self, other: Drawing, x: float, y: float) -> None:
        """Add all shapes of another drawing, moved by (x, y)."""
        self.items.extend(moved(item, x, y) for item in other.items)


def moved(item: Item, x: float, y: float) -> Item:
    """Return a shape moved by (x, y)."""
    if isinstance(item, Shape):
        points = tuple([(px + x, py + y) for px, py in item.points])
        return Shape(points, item.stroke, item.width, item.fill, item.dash, item.closed)
    if isinstance(item, Text):
        return Text(item.x + x, item.y + y, item.text, item.size, item.bold, item.colour, item.anchor)
    if isinstance(item, Boxes):
        return replace(item, boxes=tuple([(bx + x, by + y, wide, high) for bx, by, wide, high in item.boxes]))
    return replace(item, x=item.x + x, y=item.y + y)


def arrow(drawing: Drawing, start: Point, end: Point, stroke: str = INK, width: float = 1.0) -> None:
    """Add a line with a solid head at its end."""
    drawing.line(start, end, stroke=stroke, width=width)
    angle = math.atan2(end[1] - start[1], end[0] - start[0])
    back = [(end[0] - 6 * math.cos(angle + s), end[1] - 6 * math.sin(angle + s)) for s in (0.4, -0.4)]
    drawing.polygon((end, *back), fill=stroke)


# -------------------------------------------------------------------------------------------------------------- SVG


def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _paint(stroke: str, width: float, fill: str, dash: tuple[float, ...]) -> str:
    text = f' fill="{fill or "none"}"'
    if stroke:
        text += f' stroke="{stroke}" stroke-width="{_n(width)}"'
        if dash:
            text += f' stroke-dasharray="{" ".join(_n(d) for d in dash)}"'
    return text


def _element(item: Item) -> str:
    if isinstance(item, Circle):
        head = f'<circle cx="{_n(item.x)}" cy="{_n(item.y)}" r="{_n(item.r)}"'
        return f"{head}{_paint(item.stroke, item.width, item.fill, item.dash)}/>"
    if isinstance(item, Shape):
        tag = "polygon" if item.closed else "polyline"
        points = " ".join(f"{_n(x)},{_n(y)}" for x, y in item.points)
        return f'<{tag} points="{points}"{_paint(item.stroke, item.width, item.fill, item.dash)}/>'
    if isinstance(item, Boxes):
        paths = "".join(f"M{_n(x)} {_n(y)}h{_n(wide)}v{_n(high)}h{_n(-wide)}z" for x, y, wide, high in item.boxes)
        return f'<path d="{paths}" fill="{item.fill}"/>'
    where = f'x="{_n(item.x)}" y="{_n(item.y)}"'
    more = f' font-size="{_n(item.size)}" fill="{item.colour}"'
    more += ' font-weight="bold"' if item.bold else ""
    more += f' text-anchor="{item.anchor}"' if item.anchor != "start" else ""
    return f"<text {where}{more}>{escape(item.text)}</text>"


def to_svg(drawing: Drawing) -> str:
    """Return a drawing as one SVG element for a page: real text, no script, no link, the same bytes each time."""
    size = f'viewBox="0 0 {_n(drawing.width)} {_n(drawing.height)}" width="{_n(drawing.width)}pt"'
    title = f"<title>{escape(drawing.title)}</title>" if drawing.title else ""
    body = "".join(_element(item) for item in drawing.items)
    label = f' aria-label="{escape(drawing.title)}"' if drawing.title else ""
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img"{label}>{title}{body}</svg>'


Align = Literal["left", "right", "centre"]


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading inside a section; level 2 or 3."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph; ``quiet`` for notes, ``caution`` for what keeps people safe."""

    text: str
    kind: Literal["plain", "quiet", "caution"] = "plain"


@dataclass(frozen=True, slots=True)
class Banner:
    """The verdict in large letters, with what it speaks of; ``stamp`` in its place where something else was decided."""

    verdict: int
    title: str
    detail: str = ""
    stamp: str = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """Label and value pairs, side by side."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Findings:
    """A list of reasons, each with its mark, and of plain points."""

    items: tuple[Reason | str, ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a table; a verdict gives its mark and ground, ``to`` the key of the section that it leads to."""

    text: str
    verdict: int | None = None
    to: str = ""


@dataclass(frozen=True, slots=True)
class Column:
    """A column: heading, side, and whether it may wrap to give room."""

    title: str
    align: Align = "left"
    wraps: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table; ``rule_before`` names rows that begin a group."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell | str, ...], ...]
    note: str = ""
    groups: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing with a line under it."""

    drawing: Drawing
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Signatures:
    """A sentence, and lines to sign on, each with what is signed."""

    text: str
    lines: tuple[str, ...]


Block = Heading | Paragraph | Banner | Facts | Findings | Table | Picture | Signatures


@dataclass(frozen=True, slots=True)
class Foot:
    """What stands at the foot of every page, line by line; ``cautions`` come last."""

    lines: Sequence[str]
    cautions: Sequence[str]


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the report that begins on a new page; ``head`` runs at the top of each of its pages."""

    key: str
    head: str
    blocks: tuple[Block, ...]
    verdict: int | None = None
    foot: Foot | None = None  #: where it differs from the report's


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report."""

    title: str
    sections: tuple[Section, ...]
    foot: Foot
    paper: Literal["letter", "a4"]
    language: str = "en"
    files: str = ""  #: heading over the table of files, where feet name it instead of giving digests in full


def cell_of(cell: Cell | str) -> Cell:
    """Return a cell for a cell or its text."""
    return cell if isinstance(cell, Cell) else Cell(cell)


# Words, marks and numbers as reports write them; the one place where a report's sentences stand.


#: what is found on them is one reading, shown with the digits that it was typed with
_AS_READ = frozenset(c.name for c in JUDGED if c.by == GAUGE and (c.read or c.name == "size"))
NOT_READ = "not read"  #: found, of what no reading speaks
MARKS = ("✓", "?", "✗")  #: stands beside the word always, never alone
DISPOSITIONS = ("rework", "repair", "use-as-is", "scrap", "return")  #: AS9131's public terms

CAUTIONS = (
    "Wear eye protection; clamp the work before drilling, reaming or gauging; keep hands away from chips and turning "
    "tools.",
    "A verdict supports and never replaces the drawing, the approved data and the person licensed to sign. Local codes "
    "prevail.",
)
REWORK_CAUTIONS = (
    "Rework only when the person who owns the part says so in writing. Clamp it as it was drilled; ream by hand or at "
    "low speed, in one direction, clear the chips; deburr both faces.",
    "Read the hole again in every direction and wall after rework and check a new sheet: the verdict here is of the "
    "hole as it was.",
)
FILES_UNUSABLE = "Files that can't be used: nothing of them is judged"  #: heading over what is wrong with them
FILES_READ = "Files that were read"  #: heading over the table of files, which other pages name
IN_FULL = 3  #: so many files are named with their whole digest at the foot of a page
MATING = (
    "The mating size is an estimate: the smallest reading of the hole, or the largest plug that entered it. Bonus "
    "tolerance rests on it."
)
LOBING = (
    "Only two-point readings exist for {holes}. A hole with three or five lobes reads the same in every direction and "
    "can still refuse a pin; a GO plug or a three-point gauge shows it."
)


def plain(text: object) -> str:
    """Return text in one line, with control and unseen characters and turned direction shown by code point."""
    return one_line(text)


def shorten(text: str, most: int) -> str:
    """Return text with its middle left out if it has more than ``most`` characters."""
    if len(text) <= most:
        return text
    head = (most - 1) // 2
    return f"{text[:head]}…{text[len(text) - (most - 1 - head) :]}"


def file_name(path: str) -> str:
    """Return the last part of a path as text in one line."""
    return plain(re.split(r"[/\\]", path)[-1] or path)


def word(verdict: int) -> str:
    """Return accept, hold or reject."""
    return VERDICTS[int(verdict)]


def stamp_of(banner: Banner) -> str:
    """Return what stands large in a banner: mark and word of its verdict, or its own stamp."""
    return banner.stamp or f"{MARKS[banner.verdict]} {word(banner.verdict).upper()}"


def marked(verdict: int) -> str:
    """Return mark and word of a verdict."""
    return f"{MARKS[int(verdict)]} {VERDICTS[int(verdict)]}"


def of_hole(part: PartView, verdict: int) -> str:
    """Return the word of a hole's verdict, and what the part is beside where that doesn't come from its holes."""
    worst = max((int(hole["verdict"]) for hole in part.holes), default=0)
    level = part.verdict if worst < part.verdict else int(any(p.holds and not p.hole for p in part.problems))
    return word(verdict) + ("", ", part held", ", part rejected")[level if int(verdict) == 0 else 0]


def plural(count: int, one: str, many: str = "") -> str:
    """Return a count with its noun: 1 hole, 2 holes."""
    return f"{count} {one if count == 1 else many or one + 's'}"


# ---------------------------------------------------------------------------------------------------------- numbers


def typed(value: float, unit: str) -> str:
    """Return a length that somebody read: no digit that was typed is hidden."""
    return format_length(value, unit)


def computed(value: float, unit: str, *limits: float) -> str:
    """Return a calculated length with the unit's usual decimals, more where rounding would hide which side it lies."""
    if not math.isfinite(value):
        return "-"
    base = DECIMALS[unit]
    near = [limit for limit in limits if math.isfinite(limit) and abs(limit - value) > CALCULATED]
    for decimals in range(base, base + 5):
        shown = round(value, decimals)
        if all(abs(shown - limit) > GRAIN and (shown > limit) == (value > limit) for limit in near):
            break
    return format_length(value, unit, decimals)


def corrected(value: float, unit: str, *limits: float) -> str:
    """Return a length brought to 20 °C with one decimal more than is read, more where its side would be hidden."""
    base = 5 if unit == "in" else 4
    shown = computed(value, unit, *limits)
    return shown if len(shown.partition(".")[2]) > base else format_length(value, unit, base)


def signed(value: float, unit: str) -> str:
    """Return a deviation with its sign; 0 as 0."""
    if not math.isfinite(value):
        return "-"
    if abs(value) <= GRAIN:
        return "0"
    return ("+" if value > 0 else "−") + computed(abs(value), unit, 0.0) + (unit if unit == DEGREES else "")


def left_text(total: float, actual: float, left: float, unit: str) -> str:
    """Return what is left of a tolerance: the difference of the two numbers as they are shown beside it."""
    shown, allowed = Decimal(computed(actual, unit, total)), Decimal(computed(total, unit))
    difference = float(allowed - shown)
    return signed(difference if difference * left > 0 else left, unit)


def above_or_below(value: float, lower: float, upper: float) -> bool:
    """Whether a reading lies truly beyond one of its limits of size."""
    return bool(below(value, lower)) or bool(above(value, upper))


def ratio_of(row: Mapping[str, Any]) -> float:
    """Return tolerance / (2 U) of a characteristic; NaN where only a lower limit bounds it: there is no tolerance."""
    return math.nan if math.isnan(row["upper"]) else float(row["ratio"])


def ratio_text(ratio: float) -> str:
    """Return tolerance / (2 U) as N : 1; a dash where unknown."""
    if math.isnan(ratio):
        return "-"
    return "U = 0" if math.isinf(ratio) else f"{ratio:.1f} : 1" if ratio < 100 else f"{ratio:.0f} : 1"


def probability_text(probability: float) -> str:
    """Return a conformance probability in percent; never rounded to certainty."""
    if math.isnan(probability):
        return "-"
    if probability > 0.9999:
        return "> 99.99 %"
    if probability < 0.0001:
        return "< 0.01 %"
    return f"{100 * probability:.2f} %"


def row_unit(row: Mapping[str, Any], unit: str) -> str:
    """Return the unit of a characteristic's numbers in a kit in ``unit``."""
    return unit_of(str(row["characteristic"]), unit)


def value_text(row: Mapping[str, Any], unit: str) -> str:
    """Return what was found on a characteristic; words for surface and plugs; a doubtful value is no measurement."""
    if row["doubtful"]:
        return "doubtful"
    if row["found_word"]:
        return plain(row["found_word"])
    if math.isnan(row["found"]):
        return NOT_READ
    if (own := row_unit(row, unit)) == DEGREES:
        return with_unit(typed(row["found"], own), own)
    if row["characteristic"] in _AS_READ:
        return typed(row["found"], unit) if row["reading"] >= 0 else computed(row["found"], unit, *_limits(row))
    return computed(row["found"], unit, *_limits(row))


def doubtful_text(row: Mapping[str, Any], unit: str, place: str, cell: str = "") -> str:
    """Return that a value is in doubt, what was typed, and the cell to look at, where one reading decides.

    ``cell``: what stands there; without it the size, which may have been converted or corrected.
    """
    if row["reading"] < 0 or not place:
        return "doubtful"
    size = typed(row["found"], unit) if row["characteristic"] == "size" and math.isfinite(row["found"]) else ""
    said = shorten(plain(cell), 24) or plain(row["found_word"]) or size
    return f"doubtful: {f'{said} typed, ' if said else ''}see cell {place.rsplit(', ', 1)[-1]}"


def _limits(row: Mapping[str, Any]) -> tuple[float, float]:
    return float(row["lower"]), float(row["upper"])


def requirement(row: Mapping[str, Any], specification: Specification) -> str:
    """Return what the drawing asks of a characteristic, in words and numbers."""
    unit = specification.unit
    name = row["characteristic"]
    hole = next((h for h in specification.holes if h.id == row["hole"]), None)
    if name in {"GO", "NO-GO"}:
        return _plug_requirement(str(name), hole, unit)
    if name == "surface":
        asked = hole.surface if hole else None
        words = [w for w, on in (("clean", asked and asked.clean), ("burr-free", asked and asked.burr_free)) if on]
        return ", ".join(words) or "no crack"
    if name in {"position", "hole-to-hole position"}:
        return _position_requirement(row, hole, unit)
    lower, upper = _limits(row)
    if row_unit(row, unit) == DEGREES:
        return limits_text(OF_NAME[str(name)], Limits(lower, upper), unit)
    if math.isnan(upper):
        return f"at least {computed(lower, unit)}" if math.isfinite(lower) else "-"
    return f"at most {computed(upper, unit)}" if math.isnan(lower) else f"{typed(lower, unit)} to {typed(upper, unit)}"


def _plug_requirement(name: str, hole: Hole | None, unit: str) -> str:
    plug = (hole.plugs.go if name == "GO" else hole.plugs.no_go) if hole else None
    size = f"{typed(plug, unit)} " if plug is not None else ""
    return f"{size}enters" if name == "GO" else f"{size}does not enter"


def _position_requirement(row: Mapping[str, Any], hole: Hole | None, unit: str) -> str:
    stated, bonus, upper = float(row["stated"]), float(row["bonus"]), float(row["upper"])
    if math.isnan(stated):
        return f"⌀ {computed(upper, unit)}"
    condition = ""
    if hole:
        lower_segment = row["characteristic"] == "hole-to-hole position"
        condition = hole.position.pattern_condition if lower_segment else hole.position.condition
    text = f"⌀ {typed(stated, unit)}" + (f" at {condition}" if condition not in {"", "RFS"} else "")
    if math.isfinite(bonus) and bonus > GRAIN:
        text += f" + {computed(bonus, unit)} bonus = {computed(upper, unit)}"
    return text


# ------------------------------------------------------------------------------------------------------------ rules


def rule_sentence(specification: Specification) -> str:
    """Return the decision rule in one sentence with its source."""
    rule = specification.decision
    factor = f"{rule.guard_factor:g}"
    if rule.rule == "guarded":
        text = (
            f"guarded acceptance, guard band w = {factor} U at each limit, accept inside the limits shrunk by w "
            "(ISO 14253-1; ASME B89.7.3.1 stringent acceptance)"
        )
        if rule.reject_when_proven:
            text += "; beyond a limit by no more than w is held, not rejected"
        return text
    if rule.rule == "relaxed":
        return f"relaxed acceptance, accept inside the limits grown by w = {factor} U (ASME B89.7.3.1)"
    return "simple acceptance, limits as they stand (JCGM 106; ASME B89.7.3.1)"


def rule_name(specification: Specification) -> str:
    """Return the decision rule in a few words."""
    rule = specification.decision
    band = f", w = {rule.guard_factor:g} U"
    return {"guarded": f"guarded acceptance{band}", "relaxed": f"relaxed acceptance{band}"}.get(
        rule.rule, "simple acceptance"
    )


def rounding_sentence(specification: Specification) -> str:
    """Return how values are compared with limits."""
    rounding = specification.rounding
    if rounding.method == "rounding":
        places = f"to {plural(rounding.decimals, 'decimal')}" if rounding.decimals is not None else "as the limit is"
        return f"values rounded {places}, ties to even, then compared (ASTM E29 rounding method); limits inclusive"
    return "values compared as they stand (ASTM E29 absolute method); limits inclusive"


def temperature_sentence(specification: Specification) -> str:
    """Return whether readings were taken to 20 °C."""
    if specification.temperature.correct:
        return "diameters taken to 20 °C where the sheet gives the part's temperature (ISO 1)"
    return "readings as they stand, no correction to 20 °C"


def uncertainty_lines(inspection: Inspection) -> list[str]:
    """Return U (k = 2) and the ratio of tolerance to uncertainty, a line for each characteristic that has them."""
    table, lines = inspection.tables["characteristics"], []
    for name in (c.name for c in JUDGED if c.by == GAUGE and not c.from_zero):
        rows = table.where(characteristic=name)
        known = ~np.isnan(rows["uncertainty"])
        if not known.any():
            continue
        u, bounded = rows["uncertainty"][known], known & ~np.isnan(rows["upper"])
        low, high = fine(float(u.min())), fine(float(u.max()))
        text = f"{name} U {low}" + (f" to {high}" if high != low else "")
        text += unit_of(name, "")
        ratios = rows["ratio"][bounded & ~np.isnan(rows["ratio"])]
        if not bounded.any():
            text += " (one-sided limit, so no ratio)"
        elif len(ratios):
            least, most = ratio_text(float(ratios.min())), ratio_text(float(ratios.max()))
            text += f", ratio {least}" + (f" to {most}" if most != least else "")
        lines.append(text)
    return lines


def fine(value: float) -> str:
    """Return an uncertainty with two digits that count (GUM, 7.2.6), a dash where unknown."""
    if not math.isfinite(value):
        return "-"
    if value == 0:
        return "0"
    text = f"{value:.{max(0, 1 - math.floor(math.log10(abs(value))))}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def lobing_sentence(inspection: Inspection) -> str:
    """Return the caveat for holes that only two-point readings speak for, '' where a plug speaks for all."""
    column = inspection.tables["holes"]["mating_from"]
    return lobing(int((column == "readings").sum()), len(column))


def lobing(alone: int, holes: int) -> str:
    """Return the caveat where so many holes of all have two-point readings only."""
    if not alone:
        return ""
    return LOBING.format(holes="every hole" if alone == holes else plural(alone, "hole"))


def tool_line(version: str, specification: Specification) -> str:
    """Return tool, version, kit and revision."""
    return f"holeqc {version}  ·  kit {plain(specification.id)} revision {plain(specification.revision)}"


def source_lines(sources: Sequence[Source]) -> list[str]:
    """Return names and SHA-256 of the input files for the foot of a page.

    Up to three files: digests in full, a line each. Up to twelve: sixteen digits. More: the SHA-256 over their full
    digests joined in order, which proves the list in the report.
    """
    if len(sources) <= IN_FULL:
        return [f"{shorten(file_name(s.file), 42)}  SHA-256 {s.sha256}" for s in sources]
    if len(sources) <= 12:
        words = [f"{shorten(file_name(s.file), 30)} {s.sha256[:16]}" for s in sources]
        where = f"Files and first 16 digits of SHA-256 (in full in the report under '{FILES_READ}'): "
        return textwrap.wrap(where + "; ".join(words), 118)
    first = ", ".join(shorten(file_name(s.file), 30) for s in sources[:3])
    return [
        f"{len(sources)} files ({first}, …); all names and digests in the report under '{FILES_READ}'",
        f"SHA-256 of that list {list_digest(sources)}",
    ]


def list_digest(sources: Sequence[Source]) -> str:
    """Return the SHA-256 over the hexadecimal digests of all files, joined in order."""
    import hashlib

    return hashlib.sha256("".join(source.sha256 for source in sources).encode()).hexdigest()


def day(value: object) -> str:
    """Return a day as 2026-05-04, '' where there is none."""
    text = str(value)
    return "" if text in {"NaT", "None", "nan", ""} else text[:10]


def plan_sentence(one: Planned) -> str:
    """Return on what a part was accepted that was read in part, and what that doesn't cover."""
    return (
        f"Reading plan {plain(one.plan)}: {one.sentence}; under its model {percent(one.risk)}. What wasn't read is "
        "predicted and not measured; a sudden fault there isn't covered. Drawing, contract and customer decide whether "
        "that is allowed."
    )


def percent(share: float) -> str:
    """Return a small share as per cent, two digits."""
    return "less than 0.0001 %" if share < 1e-6 else f"{100.0 * share:.2g} %"


def predicted_values(part: PartView) -> dict[str, dict[str, str]]:
    """Return what a plan predicts of a part by hole and wall: what -> value and half width."""
    out: dict[str, dict[str, str]] = {}
    unit = part.specification.unit
    for one in part.planned.predicted if part.planned else ():
        wall = f", {plain(one.wall)}" if part.specification.walls.several else ""
        value = f"{computed(one.value, unit)} ± {computed(one.half, unit, 0.0)}"
        out.setdefault(f"hole {plain(one.hole)}{wall}", {})[plain(one.what)] = value
    return out


def recheck_sentence(join: Join) -> str:
    """Return what a recheck replaced, with the days of both."""
    both = join.counts, join.replaced
    again, before = (sorted({day(x) or "no day" for x in rows["date"].tolist()}) for rows in both)
    holes = list(dict.fromkeys(str(hole) for hole in join.replaced["hole"] if str(hole)))
    text = f"{file_name(join.file)} is a recheck of {plain(join.of)}"
    if not len(join.replaced):
        return f"{text}; it takes the place of nothing."
    named = f"hole{'s' if len(holes) > 1 else ''} {plain(', '.join(holes))}"
    return (
        f"{text}: {plural(len(join.replaced), 'reading')} of {named} of {', '.join(before)} no longer count, "
        f"{len(join.counts)} of {', '.join(again)} do."
    )


def is_fault(verdict: int) -> bool:
    """Whether a verdict is anything but accept."""
    return int(verdict) != ACCEPT
