"""Tags as texts: what a tag prints of each line, tags.json and tags.csv.

tags.json: a list of objects with the fields of `Tag`; ``lines`` is a list of objects with the fields of `Line`; null
where a number is not known. tags.csv: one row a line, the tag's fields repeated; texts that a spreadsheet could take
for a formula begin with an apostrophe.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from functools import cache
from typing import TYPE_CHECKING, Any

import holeqc
from holeqc.characteristics import unit_of
from holeqc.inspection import tags as decided
from holeqc.inspection.reasons import ENGINEERING
from holeqc.inspection.recheck import asked_by, asked_of
from holeqc.inspection.results import CAUSES, HOLD, MISSING, REJECT, joined, same_of_holes
from holeqc.inspection.view import Run
from holeqc.printing import as_json
from holeqc.problems import DataError
from holeqc.readings.sheet_layout import Recheck
from holeqc.readings.table import CHARACTERISTICS
from holeqc.reports import blocks as w
from holeqc.reports.pages import MARGIN, NOTE, PAPERS, printable, save_pdf, width_of, wrap
from holeqc.reports.story import foot_for
from holeqc.tables import Row
from holeqc.writer import as_text

if TYPE_CHECKING:
    from holeqc.inspection.view import PartView
    from holeqc.specification.model import Specification


@dataclass(frozen=True, slots=True)
class Line:
    """One characteristic on a tag. Texts are as printed; numbers in the kit's unit, None where there is none."""

    hole: str
    wall: str
    characteristic: str
    requirement: str
    found: str
    deviation: str
    lower: float | None
    upper: float | None
    found_value: float | None
    deviation_value: float | None
    gauge: str
    cell: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Tag:
    """One tag as it is printed. ``date``: day of the last reading, '' where none is known; ``decide``: the question.

    ``disposition``: the one in force, '' before it is decided; ``decision``: it, who decided, when, by what authority.
    """

    code: str
    verdict: str
    kit: str
    revision: str
    drawing: str
    part: str
    part_number: str
    serial: str
    hole: str
    wall: str
    unit: str
    lines: tuple[Line, ...]
    gauge: str
    date: str
    decide: str
    dispositions: tuple[str, ...] = w.DISPOSITIONS
    disposition: str = ""
    decision: str = ""


_LATER = {"lines", "dispositions", "disposition", "decision"}  #: fields that a recorded tag doesn't hold as they are


def printed(tag: decided.Tag, specification: Specification) -> Tag:
    """Return a tag with its lines in words."""
    given = {f.name: getattr(tag, f.name) for f in fields(Tag) if f.name not in _LATER}
    return Tag(**given, lines=tuple(_line(line, specification) for line in tag.lines))


def from_record(content: Mapping[str, Any], code: str, specification: Specification) -> Tag:
    """Return a recorded tag as it is printed; ``content``: the tag as the ledger holds it, of older ledgers too."""
    lines = content.get("lines", ())
    given: dict[str, Any] = {
        f.name: str(content.get(f.name, "")) for f in fields(Tag) if f.name not in _LATER
    } | {"code": code}
    old = [line for line in lines if "requirement" in line]  # texts of a ledger that held tags as they were printed
    if old:
        return Tag(**given, lines=tuple(Line(**{f.name: line.get(f.name) for f in fields(Line)}) for line in old))
    return Tag(**given, lines=tuple(_line(decided.Line(**line), specification) for line in lines))


def _line(line: decided.Line, spec: Specification) -> Line:
    unit = spec.unit
    row = {
        name: math.nan if value is None and name in _NUMBERS else value
        for name, value in ((f.name, getattr(line, f.name)) for f in fields(line))
    } | {"reading": 0 if line.read else -1}
    if line.characteristic == decided.PINS:
        asked = f"radial room at least {w.typed(0.0, unit)}"
        found = w.signed(row["found"], unit) if line.found is not None else "not known"
    else:
        asked, found = w.requirement(row, spec), w.value_text(row, unit)
        if line.cause == CAUSES[MISSING] and line.found is not None and not line.doubtful:
            found += ", incomplete"
    if line.doubtful:
        found = w.doubtful_text(row, unit, line.cell, line.typed)
    return Line(
        line.hole, line.wall, line.characteristic, asked, found,
        w.signed(line.deviation, unit_of(line.characteristic, unit)) if line.deviation is not None else "",
        line.lower, line.upper,
        None if line.doubtful else line.found, line.deviation, line.gauge, line.cell, line.verdict,
    )  # fmt: skip


_NUMBERS = {"lower", "upper", "stated", "bonus", "found", "deviation"}


# ---------------------------------------------------------------------------------------------------------- as data


def tags_json(tags: Sequence[Tag]) -> str:
    """Return tags as JSON text."""
    return as_json([asdict(tag) for tag in tags]) + "\n"


CSV_COLUMNS = (
    "tag", "verdict", "kit", "revision", "drawing", "part", "part_number", "serial", "hole", "wall", "characteristic",
    "requirement", "found", "deviation", "unit", "gauge", "date", "cell", "decide", "disposition", "signed_by",
)  # fmt: skip


def tags_csv(tags: Sequence[Tag]) -> str:
    """Return tags as CSV text, one row a line; the last two columns are for the decision, or say it."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(CSV_COLUMNS)
    for tag in tags:
        for line in tag.lines or (None,):
            writer.writerow(_csv_row(tag, line))
    return out.getvalue()


def _csv_row(tag: Tag, line: Line | None) -> list[Any]:
    hole, wall = (line.hole, line.wall) if line else (tag.hole, tag.wall)
    head = [tag.code, line.verdict if line else tag.verdict, tag.kit, tag.revision, tag.drawing, tag.part]
    head += [
        tag.part_number,
        tag.serial,
        hole,
        wall,
        line.characteristic if line else "",
        line.requirement if line else "",
    ]
    found: list[Any] = [line.found if line else ""]
    deviation: Any = line.deviation_value if line and line.deviation_value is not None else ""
    unit = unit_of(line.characteristic, tag.unit) if line else tag.unit
    tail = [unit, line.gauge if line else tag.gauge, tag.date, line.cell if line else "", tag.decide]
    tail += [tag.disposition, tag.decision]
    return [*map(as_text, [*head, *found]), deviation, *map(as_text, tail)]


def tool_text(run: Run) -> str:
    """Return the line that says which tool made the tags, of which kit."""
    return w.tool_line(holeqc.__version__, run.specification)


# ------------------------------------------------------------------------------------------------------- read it again


def recheck_of(
    part: PartView, of: str, holes: Collection[str] = (), decided: Mapping[str, str] | None = None
) -> Recheck:  # fmt: skip
    """Return what a recheck sheet of a part asks, with what was found before.

    ``of``: tags or day that it is a recheck of; ``holes``: only of these; ``decided``: hole -> disposition in words.
    """
    spec, unit = part.specification, part.specification.unit
    asked: dict[tuple[str, str], frozenset[str]] = {}
    found: dict[tuple[str, str], str] = {}
    for one in asked_by(part, holes) if holes else asked_of(part):
        for wall in spec.walls.names:
            kinds = frozenset(kind for at, kind in one.groups if at in ("", wall))
            if one.whole or kinds:
                asked[one.hole, wall] = EVERY_KIND if one.whole else kinds
                rows = [row for row in one.why if str(row["wall"]) in ("", wall)]
                found[one.hole, wall] = w.plain("; ".join(_before(part, row, unit) for row in rows))
    return Recheck(of, part.part, part.serial, asked, found, dict(decided or {}))


EVERY_KIND = frozenset(CHARACTERISTICS)


def _before(part: PartView, row: Row, unit: str) -> str:
    shown = w.value_text(row, unit)
    if row["doubtful"]:
        shown = w.doubtful_text(row, unit, part.cell(row), part.typed_as(row))
    return f"{row['characteristic']} {shown}"


# Tags on pages: four a page with cut marks, or one a page for a label printer; letters that read at arm's length.
#
# A ring for the string, and the code as a QR code (ISO/IEC 18004), so that a scanner types it.


ACROSS, DOWN = 2, 2
PAD = 10.0
SMALL = 6.5  #: letters of a serial number that takes several lines
UNREAD_EACH = 3  #: up to so many lines of which nothing was read are told each
UNREAD_LINES = 7
TEXT_SIZES = (9.5, 9.0, 8.5, 8.0)  #: of what is to be decided [points]; the largest that fits
MODULES = 21  #: of a QR code of version 1, which holds a tag's code at the highest level of correction
SQUARE = 44.0  #: side of the QR code [points]: a module is 0.7 mm (common practice, no source: 0.4 mm and more)
LEAST = (95.0, 140.0)  #: smallest label [mm]
NO_REWORK = "No rework without engineering disposition."
_UPPER, _LOWER = 122.0, 76.0  #: height of the identity above, and of disposition and signatures below [points]


@dataclass(frozen=True, slots=True)
class Face:
    """One face of a tag: a tag whose words don't fit goes on on a further face, and nothing of them is cut."""

    tag: Tag
    brief: int  #: how many lines follow the first one in brief; on a further face none
    text: tuple[str, ...]
    size: float
    number: int = 1
    total: int = 1
    unread: tuple[str, ...] = ()  #: in the place of the lines, where nothing was read


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the tags are printed on: page size [points], tags across and down, what stands at the foot, the title."""

    paper: tuple[float, float]
    across: int
    down: int
    foot: tuple[tuple[str, bool], ...]
    tool: str
    title: str

    @property
    def margin(self) -> float:
        """Left and right of the tags [points]."""
        return MARGIN if self.across > 1 else 9.0

    @property
    def top(self) -> float:
        """Above the tags [points]."""
        return 18.0 if self.across > 1 else 6.0

    @property
    def cell(self) -> tuple[float, float]:
        """Width and height of the place of one tag [points]."""
        below = 32 if self.across > 1 else 8
        high = self.paper[1] - self.top - below - 9.6 * len(self.foot)
        return (self.paper[0] - 2 * self.margin) / self.across, high / self.down


def tag_pages(run: Run, tags: Sequence[Tag], progress: Callable[[str], None] = lambda _: None) -> bytes:
    """Return the tags of a run as a PDF file; the same bytes each time for the same run."""
    paper = PAPERS["letter" if run.specification.unit == "in" else "a4"]
    foot, wide = foot_for(run), paper[0] - 2 * MARGIN
    lines = [(text, False) for line in foot.lines for text in wrap(line, wide, NOTE)]
    lines += [(text, True) for text in wrap(" ".join(foot.cautions), wide, NOTE, True)]
    title = f"Tags, kit {run.specification.id} revision {run.specification.revision}"
    return print_tags(tags, Sheet(paper, ACROSS, DOWN, tuple(lines), tool_text(run), title), progress)


def sheet_for(unit: str, tool: str, label: tuple[float, float] | None = None) -> Sheet:
    """Return the sheet for tags out of the record: four a page, or labels of a size [mm].

    Raises:
        DataError: the label is too small to hold a tag, or larger than a page.
    """
    paper = PAPERS["letter" if unit == "in" else "a4"] if label is None else tuple(mm * 72 / 25.4 for mm in label)
    if label is not None and not all(a <= b <= 500 for a, b in zip(LEAST, label, strict=True)):
        least = f"{LEAST[0]:g} x {LEAST[1]:g} mm"
        raise DataError(f"a tag needs a label of {least} or more, width first (--label 100x150mm)")
    wide = paper[0] - 2 * (MARGIN if label is None else 9.0)
    foot = tuple((text, True) for text in wrap(" ".join(w.CAUTIONS), wide, NOTE, True))
    across, down = (ACROSS, DOWN) if label is None else (1, 1)
    return Sheet((paper[0], paper[1]), across, down, foot, tool, "Tags")


def print_tags(tags: Sequence[Tag], sheet: Sheet, progress: Callable[[str], None] = lambda _: None) -> bytes:
    """Return tags as a PDF file on sheets or labels."""
    each = sheet.across * sheet.down
    wide, high = sheet.cell
    faces = [face for tag in tags for face in faces_of(tag, wide - 12, high - 12)]
    total = -(-len(faces) // each)

    def pages() -> Iterator[w.Drawing]:
        for number in range(1, total + 1):
            yield _page(sheet, faces[(number - 1) * each : number * each], (number, total))
            progress(f"tags.pdf: page {number} of {total}")

    return save_pdf(pages(), sheet.title)


def faces_of(tag: Tag, wide: float, high: float) -> Iterator[Face]:
    """Give the faces of a tag of that size [points]: lesser lines go first, then letters shrink, then it goes on."""
    room, wide = high - _UPPER - _LOWER, wide - 2 * PAD
    forbidden = 11.5 if _forbidden(tag) else 0.0
    words = tag.decide.replace(ENGINEERING, "").strip() if forbidden or tag.disposition else tag.decide
    if tag.disposition:  # an instruction is of use only where it was decided to work on the part
        words = f"{tag.decision}. {words}".strip() if tag.disposition in _WORKED_ON else f"{tag.decision}."
    unread = _unread(tag, wide)
    first = sum(row.high for row in _first_rows(tag, wide)) if tag.lines else 0.0
    first = 2 + 12.0 * len(unread) if unread else first
    more = [] if unread else [12.0 * len(_brief(tag, line, wide)) for line in tag.lines[1:]]
    rest = len(more)
    left = [room - first - sum(more[:n]) - (13 if n < rest else 0) - 20 - forbidden for n in range(rest + 1)]
    for brief in range(rest, -1, -1):
        for size in TEXT_SIZES:
            text = wrap(words, wide, size) if words else []
            if left[brief] >= (size + 2) * len(text):
                yield Face(tag, brief, tuple(text), size, unread=unread)
                return
    # An instruction and its cautions must not hang on two faces: all of the text goes on the next.
    size = TEXT_SIZES[0]
    more_of = wrap("see face 88 of 88: what may be done, cautions", wide, size)
    text, each = wrap(words, wide, size), max(1, int((room - 20 - forbidden) // (size + 2)) - len(more_of))
    pieces = [[], *(text[n : n + each] for n in range(0, len(text), each))]
    brief = max((n for n in range(rest + 1) if left[n] >= size + 2), default=0)
    for n, piece in enumerate(pieces, 1):
        told = f"see face {n + 1} of {len(pieces)}: what may be done, cautions"
        on = [] if n == len(pieces) else wrap(told, wide, size)
        yield Face(tag, brief if n == 1 else 0, (*piece, *on), size, n, len(pieces), unread)


_WORKED_ON = w.DISPOSITIONS[:2]


def _forbidden(tag: Tag) -> bool:
    return not tag.disposition and "no rework" in tag.decide.lower()


def _unread(tag: Tag, wide: float) -> tuple[str, ...]:
    """Return the words for many lines of which nothing was read, none for any other tag."""
    if len(tag.lines) <= UNREAD_EACH or any(line.found != w.NOT_READ for line in tag.lines):
        return ()
    # lines of a tag stand in the order of characteristics
    holes = same_of_holes((line.hole, line.characteristic) for line in tag.lines)
    every = len(holes) == 1
    texts = [
        f"not read: {joined(asked)}" if every else f"hole{'s' if len(there) > 1 else ''} {joined(there)}, not read: "
        f"{joined(asked)}" for asked, there in holes.items()
    ]  # fmt: skip
    lines = [text for said in texts for text in wrap(w.plain(said), wide, 9.5, every)]
    more = len(lines) > UNREAD_LINES
    return (*lines[: UNREAD_LINES - 1], "and more, see the report") if more else tuple(lines)


@dataclass(frozen=True, slots=True)
class _TextRow:
    """A row of a tag: texts with their place across, size, weight and anchor, and how high it is [points]."""

    texts: tuple[tuple[float, str, float, bool, w.Anchor], ...]
    high: float


def _title(tag: Tag, line: Line) -> str:
    title = line.characteristic + (f", {line.wall} wall" if line.wall else "")
    several = len({line.hole for line in tag.lines}) > 1
    return w.plain(f"hole {line.hole}: {title}" if several else title)


def _asked(line: Line, unit: str) -> str:
    """Return what is required, with the unit where a length is."""
    if line.characteristic in {"GO", "NO-GO"} and line.requirement[:1].isdigit():
        size, _, what = line.requirement.partition(" ")
        return f"{size} {unit} {what}"
    measured = line.lower is not None or line.upper is not None
    length = measured and line.characteristic != "surface" and unit_of(line.characteristic, unit) == unit
    return f"{line.requirement} {unit}" if length else line.requirement


def _first_rows(tag: Tag, wide: float) -> list[_TextRow]:
    """Return the rows of a tag's first line: what, required, found, and how far beyond."""
    line, label = tag.lines[0], width_of("required  ", 9.5)
    rows = [_TextRow(((0.0, text, 9.5, True, "start"),), 12.0) for text in wrap(_title(tag, line), wide, 9.5, True)]
    rows += [
        _TextRow(((0.0, text, 9.5, False, "start"),), 11.5)
        for text in wrap(f"required  {_asked(line, tag.unit)}", wide, 9.5)
    ]
    deviation = width_of(line.deviation, 11.5, True)
    taken = deviation + width_of("deviation", 9.5) + 15 if line.deviation else 0.0
    found = wrap(line.found, wide - label - taken, 11.5, True)
    beside: list[tuple[float, str, float, bool, w.Anchor]] = []
    if line.deviation:
        beside = [(wide, line.deviation, 11.5, True, "end"), (wide - deviation - 5, "deviation", 9.5, False, "end")]
    for n, text in enumerate(found):
        head: list[tuple[float, str, float, bool, w.Anchor]] = [] if n else [(0.0, "found", 9.5, False, "start")]
        rows.append(_TextRow((*head, (label, text, 11.5, True, "start"), *([] if n else beside)), 13.5))
    return rows


def _brief(tag: Tag, line: Line, wide: float) -> list[str]:
    """Return a further line in brief: what was found, never without its value."""
    beyond = f" ({line.deviation})" if line.deviation else ""
    return wrap(f"also {_title(tag, line)}: {line.found}{beyond}", wide, 9.5)


def _page(sheet: Sheet, faces: Sequence[Face], number: tuple[int, int]) -> w.Drawing:
    page = w.Drawing(*sheet.paper)
    wide, high = sheet.cell
    left, top = sheet.margin, sheet.top
    for n, face in enumerate(faces):
        _tag(page, face, left + (n % sheet.across) * wide, top + (n // sheet.across) * high, wide, high)
    base = top + sheet.down * high + (16 if sheet.across > 1 else 8)
    for n, (line, bold) in enumerate(sheet.foot):
        page.text(left, base + 9.6 * n, line, NOTE, bold, w.INK if bold else w.SOFT)
    if sheet.across > 1:
        xs, ys = ([left + k * wide for k in range(sheet.across + 1)], [top + k * high for k in range(sheet.down + 1)])
        _cut_marks(page, xs, ys)
        page.text(sheet.paper[0] - left, sheet.paper[1] - 12, f"page {number[0]} of {number[1]}", NOTE, anchor="end")
        page.text(left, sheet.paper[1] - 12, f"Cut along the marks.  {sheet.tool}", NOTE, colour=w.SOFT)
    return page


def _cut_marks(page: w.Drawing, xs: Sequence[float], ys: Sequence[float]) -> None:
    for x in xs:
        for y in ys:
            page.line((x - 7, y), (x + 7, y), width=0.6)
            page.line((x, y - 7), (x, y + 7), width=0.6)
    for x in xs[1:-1]:
        page.line((x, ys[0] + 7), (x, ys[-1] - 7), stroke=w.SOFT, width=0.4, dash=(3, 4))
    for y in ys[1:-1]:
        page.line((xs[0] + 7, y), (xs[-1] - 7, y), stroke=w.SOFT, width=0.4, dash=(3, 4))


def _tag(page: w.Drawing, face: Face, x: float, y: float, wide: float, high: float) -> None:
    """Draw one face of a tag in its cell."""
    tag = face.tag
    verdict = REJECT if tag.verdict == "reject" else HOLD
    x, y, wide, high = x + 6, y + 6, wide - 12, high - 12
    ink = w.VERDICT_INK[verdict]
    page.box(x, y, wide, high, stroke=ink, width=2.2, dash=(6, 3.5) if verdict == HOLD else ())
    band = 38.0
    page.box(x, y, wide, band, fill=ink if verdict == REJECT else w.HOLD_FILL)
    page.line((x, y + band), (x + wide, y + band), stroke=ink, width=1.4)
    colour = "#ffffff" if verdict == REJECT else ink
    word, size = f"{w.MARKS[verdict]} {tag.verdict.upper()}", 23.0
    while PAD + width_of(word, size, True) + 6 > wide - 35 - width_of(tag.code, 11, True):
        size -= 0.5
    page.text(x + PAD, y + 27, word, size, True, colour)
    page.circle(x + wide - 20, y + band / 2, 7, stroke=colour, width=1.0, fill="#ffffff")
    label = "tag" if face.total == 1 else f"tag, face {face.number} of {face.total}"
    page.text(x + wide - 35, y + 16, label, NOTE, colour=colour, anchor="end")
    page.text(x + wide - 35, y + 30, tag.code, 11, True, colour, "end")
    base = _identity(page, tag, x + PAD, y + band, wide - 2 * PAD)
    if face.number == 1:
        base = _lines(page, face, x + PAD, base, wide - 2 * PAD)
    _decision(page, face, x + PAD, base, wide - 2 * PAD, y + high)


def _field(page: w.Drawing, x: float, y: float, label: str, text: str, wide: float, size: float = 12.0) -> None:
    page.text(x, y, label, NOTE, colour=w.SOFT)
    text = printable(text or "-")
    while width_of(text, size, True) > wide and size > 9:
        size -= 0.5
    shown = text
    while width_of(shown, size, True) > wide and len(shown) > 4:
        shown = w.shorten(text, len(shown) - 1)
    page.text(x, y + size + 1.5, shown, size, True)


def _identity(page: w.Drawing, tag: Tag, x: float, y: float, wide: float) -> float:
    left, right = 0.56 * wide - 6, 0.44 * wide
    at = x + left + 6
    part = w.plain(f"{tag.part} ({tag.part_number})" if tag.part_number else tag.part)
    if width_of(part, 9, True) > left:
        part = w.plain(tag.part)
    _serial(page, x, y + 11, tag.serial, left)
    _field(page, at, y + 11, "Hole" + (" and wall" if tag.wall else ""), _hole_and_wall(tag), right, 16.0)
    _field(page, x, y + 40, "Part", part, left)
    _field(page, at, y + 40, "Kit, revision", w.plain(f"{tag.kit}, {tag.revision}"), right)
    _field(page, x, y + 65, "Gauge", w.plain(tag.gauge), left)
    _field(page, at, y + 65, "Date of reading", tag.date, right)
    page.line((x, y + 84), (x + wide, y + 84), stroke=w.RULE, width=0.7)
    return y + 84


def _serial(page: w.Drawing, x: float, y: float, serial: str, wide: float) -> None:
    """Draw the serial number whole, in small lines where it is long: two that differ in the middle must not read alike.

    What no three lines hold is cut in the middle, and the tag's code tells them apart.
    """
    text = printable(w.plain(serial))
    if width_of(text, 9.0, True) <= wide:
        _field(page, x, y, "Serial", text, wide, 16.0)
        return
    most = len(text)
    while len(lines := wrap(w.shorten(text, most), wide, SMALL, True)) > 3:
        most -= 1
    page.text(x, y, "Serial", NOTE, colour=w.SOFT)
    for n, line in enumerate(lines):
        page.text(x, y + 0.5 + (n + 1) * SMALL, line, SMALL, True)


def _hole_and_wall(tag: Tag) -> str:
    return w.plain(f"{tag.hole}, {tag.wall}" if tag.wall else tag.hole)


def _lines(page: w.Drawing, face: Face, x: float, y: float, wide: float) -> float:
    """Draw the first line in full, the others in brief as many as the face takes, and say how many are left."""
    tag = face.tag
    if face.unread:
        for text in face.unread:
            page.text(x, y + 12, text, 9.5, face.unread[0].startswith(w.NOT_READ))
            y += 12
        return y + 2
    for row in _first_rows(tag, wide) if tag.lines else []:
        for across, text, size, bold, anchor in row.texts:
            page.text(x + across, y + row.high, text, size, bold, anchor=anchor)
        y += row.high
    for line in tag.lines[1 : 1 + face.brief]:
        for text in _brief(tag, line, wide):
            page.text(x, y + 12, text, 9.5)
            y += 12
    if len(tag.lines) - 1 > face.brief:
        page.text(x, y + 12, f"and {len(tag.lines) - 1 - face.brief} more, see the report", 9, colour=w.SOFT)
        y += 13
    return y + 2


def _decision(page: w.Drawing, face: Face, x: float, y: float, wide: float, bottom: float) -> None:
    """Draw what is to be decided, the disposition boxes and the lines to sign on, from the bottom up."""
    top = bottom - _LOWER
    page.line((x, y + 3), (x + wide, y + 3), stroke=w.RULE, width=0.7)
    page.text(x, y + 13, "Decided" if face.tag.disposition else "To be decided", NOTE, colour=w.SOFT)
    base = y + 25
    if _forbidden(face.tag):
        page.text(x, base, NO_REWORK, 9.5, True)
        base += 11.5
    for n, line in enumerate(face.text):
        page.text(x, base + (face.size + 2) * n, line, face.size)
    page.line((x, top), (x + wide, top), stroke=w.RULE, width=0.7)
    page.text(x, top + 11, "Disposition", NOTE, colour=w.SOFT)
    _square(page, face.tag.code, x + wide - SQUARE, top + 10)
    wide -= SQUARE + 9
    beside = width_of("Disposition", NOTE) + 10
    boxes = face.tag.dispositions
    for base, start, names in ((top + 3, beside, boxes[:2]), (top + 19, 0.0, boxes[2:])):
        needed = sum(14 + width_of(word, 10) for word in names)
        gap, at = (wide - start - needed) / len(names), x + start
        for word in names:
            page.box(at, base, 10, 10, stroke=w.INK, width=1.0)
            if word == face.tag.disposition:
                page.line((at + 1.5, base + 1.5), (at + 8.5, base + 8.5), width=1.6)
                page.line((at + 1.5, base + 8.5), (at + 8.5, base + 1.5), width=1.6)
            page.text(at + 14, base + 9, word, 10)
            at += 14 + width_of(word, 10) + gap
    half = (wide - 12) / 2
    for n, label in enumerate(("inspector, date", "decided, signed, date")):
        left = x + n * (half + 12)
        page.line((left, top + 58), (left + half, top + 58))
        page.text(left, top + 68, label, NOTE, colour=w.SOFT)


def _square(page: w.Drawing, code: str, x: float, y: float) -> None:
    """Draw a code as a QR code, row by row in runs of dark modules; the paper around it is its quiet zone."""
    side = SQUARE / MODULES
    page.items.append(w.Boxes(tuple([
        (x + run.start() * side, y + row * side, len(run[0]) * side, side)
        for row, modules in enumerate(symbol(code)) for run in re.finditer("1+", modules)
    ]), w.INK))  # fmt: skip


# Which of the eight masks a symbol takes is decided by penalties (ISO/IEC 18004, 7.8.3). The library counts them module
# by module, four fifths of its time; here a symbol's rows and columns, all masks at once, are the bits of one number.

_SLOT = MODULES + 3  #: bits of a row or column, with the light beside it
_SIZE = 2 * MODULES * _SLOT  #: bits of a symbol: its rows, then its columns
_SAID = (*range(6), 7, 8, *range(13, 21))  #: of row and column 8: where the mask is said, which isn't counted


def _number(rows: Sequence[str]) -> int:
    lines = [*rows, *("".join(column) for column in zip(*rows, strict=True))]
    return int("000".join(line[::-1] for line in reversed(lines)), 2)


def _bits(lines: Iterable[int], places: Iterable[int]) -> int:
    """Return the bits at some places of some rows and columns, in all eight symbols."""
    row = sum(1 << place for place in places)
    one = sum(row << _SLOT * line for line in lines)
    return sum(one << _SIZE * mask for mask in range(8))


def _masked(code: str, mask: int) -> list[str]:
    import segno

    matrix = segno.make(code, version=1, error="h", boost_error=False, mask=mask).matrix
    return ["".join(map(str, row)) for row in matrix]


@cache
def _counted() -> tuple[int, ...]:
    """Return what each mask changes of a symbol with the first one, and the bits that each penalty looks at."""
    first, *others = (_number(_masked("A", mask)) for mask in range(8))
    changes = sum((other ^ first) << _SIZE * mask for mask, other in enumerate(others, 1))
    both, rows = range(2 * MODULES), range(MODULES)
    counted = _bits(both, rows) & ~_bits((8, MODULES + 8), _SAID)
    counted &= ~_bits([line + n for line in (0, MODULES) for n in _SAID], (8,))
    steps = (_bits(both, range(n, min(n + 4, 15))) for n in (0, 4, 8, 12))
    return (changes, counted, _bits(both, range(20)), _bits(both, range(17)), _bits(range(20), range(20)),
            _bits(both, (0, 14)), _bits(rows, rows), _bits([0], [0]), *steps)  # fmt: skip


def symbol(code: str) -> list[str]:
    """Return the rows of a code's QR code, 1 for dark, with the mask of least penalty."""
    changes, counted, pairs, fives, blocks, ends, rows, each, *steps = _counted()
    masked = _number(_masked(code, 0)) * each ^ changes
    modules = masked & counted
    light, same = ~modules, ~(modules ^ modules >> 1) & pairs
    long = same & same >> 1 & same >> 2 & same >> 3 & fives
    square = same & same >> _SLOT & ~(modules ^ modules >> _SLOT) & blocks
    finder = modules & light >> 1 & modules >> 2 & modules >> 3 & modules >> 4 & light >> 5 & modules >> 6
    finder &= ends | ~(modules << 1 | modules << 2 | modules << 3 | modules << 4) | (
        light >> 7 & light >> 8 & light >> 9 & light >> 10)  # fmt: skip
    found = 0
    for step in steps:  # none begins inside another one
        found |= finder & step & ~(found << 4) & ~(found << 6)
    weights = ((long, 1), (long & ~(long << 1), 2), (square, 3), (found, 40))

    def penalty(mask: int) -> int:
        of = (1 << _SIZE) - 1 << _SIZE * mask
        dark = (modules & rows & of).bit_count() / MODULES**2
        return sum(weight * (bits & of).bit_count() for bits, weight in weights) + 10 * int(abs(100 * dark - 50) / 5)

    best = masked >> _SIZE * min(range(8), key=penalty)
    return [f"{best >> _SLOT * row & (1 << MODULES) - 1:0{MODULES}b}"[::-1] for row in range(MODULES)]
