"""Every filled cell of a sheet is accounted for: a reading, a label, a field, something named as not read, or a remark.

What is left over is named with its cells. It holds the part where it may be evidence: a number that may be a reading,
a word that speaks of a defect. So nothing that somebody typed beside, under or above a table is lost in silence.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from holeqc.quantities import GRAIN, MM_PER_INCH
from holeqc.readings.context import Context
from holeqc.readings.grid import BoolArray, Content, Grid, Uncalculated
from holeqc.readings.headings import READING, UNKNOWN
from holeqc.readings.identities import text_of
from holeqc.readings.issues import Issue, note, warning
from holeqc.readings.layouts import Layout
from holeqc.readings.table import cell_name
from holeqc.readings.values import length_of
from holeqc.readings.words import (
    REMARK,
    doubt_in,
    is_form_text,
    is_refusal,
    is_signature,
    numbers_in,
    speaks_of_defect,
    ticked,
    word_of,
)
from holeqc.specification.model import Specification

LOOKED_AT = 4_000  #: so many cells that nothing explains are looked at one by one; more of them hold by their number
STAMPS = {"tampon"}  #: a stamp as well as a plug; a whole number beside it is the stamp's
LABEL = 30  #: characters of a label before a colon
COMMAS = 3  #: so many numbers with a comma show a habit; one alone may be a slip
NAMED = 12  #: so many ranges of cells are named in one sentence
NEAR_SIZE = 0.3  #: a number so near a hole's size may be a reading of it (common practice, no source)
NEAR_PLACE = 0.02  #: a number with decimals so near a basic coordinate may be one, as a share of the pattern's extent
_COMMA = re.compile(r"\s*[+-]?\d+,\d+\s*(?:$|mm|in|\"|″)")
_SPREADSHEET_ROWS = re.compile(r"[\r\n]")


@dataclass(frozen=True, slots=True)
class Left:
    """A filled cell that nothing explains, from 0, and what speaks for its being evidence, '' for nothing."""

    row: int
    column: int
    content: Content
    reason: str


def account(context: Context, layout: Layout) -> None:
    """Name every filled cell of a sheet that nothing has read, and hold what may speak of a hole.

    Readings, fields and columns that are named as not read were marked in ``context.used`` while they were read.
    """
    grid = context.sheet.grid
    if not grid.rows or not grid.width:
        return
    _mark_labels(context, layout)
    _swallowed(context)
    _comments(context)
    if context.own:
        _mark_own_texts(context, layout)
    filled = np.column_stack([c.filled(grid.rows) for c in grid.columns])
    left = filled & ~context.used
    count = int(left.sum())
    if not count:
        return
    rows, columns = np.nonzero(left)
    if count > LOOKED_AT:
        _too_many(context, rows, columns, count)
        return
    kinds = Kinds(context.spec)
    top = min((b.heading.first for b in layout.blocks), default=grid.rows)
    many = np.bincount(rows, minlength=grid.rows)
    found = [
        Left(r, c, grid.cell(r, c), kinds.reason(grid, r, c, left, int(many[r])))
        for r, c in zip(rows.tolist(), columns.tolist(), strict=True)
    ]
    _report(context, found, top)


def _mark_labels(context: Context, layout: Layout) -> None:
    """Mark headings and fields; a heading that isn't understood is named with its column."""
    grid, used = context.sheet.grid, context.used
    for block in layout.blocks:
        heading = block.heading
        for column, meaning in enumerate(heading.meanings[: grid.width]):
            named = meaning.kind != UNKNOWN or heading.texts[column]
            if heading.card and meaning.kind == READING and not heading.texts[column]:
                continue  # labels make a card: there is no row of headings, and what stands in its first row is none
            empty = meaning.hole and not grid.columns[column].filled(grid.rows)[block.rows].any()
            if (meaning.kind == UNKNOWN or empty) and speaks_of_defect(heading.texts[column][:REMARK]):
                continue  # 'CRACK at hole 5' beside the headings is none
            if named and heading.last >= heading.first >= 0:
                used[heading.first : heading.last + 1, column] = True
    for field in (f for f in layout.fields if not f.from_title):  # a title may say more than was taken from it
        for row, column in ((field.row, field.column), field.label):
            if 0 <= row < grid.rows and 0 <= column < grid.width and not is_refusal(grid.cell(row, column)):
                used[row, column] = True  # 'FAIL' is no label
    for r1, c1, r2, c2 in context.sheet.scan.merged:  # what a merged range hides is no content of its own
        if 0 <= r1 - 1 < grid.rows and 0 <= c1 - 1 < grid.width and used[r1 - 1, c1 - 1]:
            used[r1 - 1 : r2, c1 - 1 : c2] = True


def _mark_own_texts(context: Context, layout: Layout) -> None:
    """Mark what the writer of our sheets puts around the table, and the line that counts what is open."""
    from holeqc.readings.sheet import own_texts

    grid, texts = context.sheet.grid, {in_ascii(text) for text in own_texts(context.spec)}
    for column, grid_column in enumerate(grid.columns):
        if grid_column.codes is not None:
            known = np.array([isinstance(x, str) and in_ascii(x) in texts for x in grid_column.labels], dtype=np.bool_)
            context.used[:, column] |= np.append(known, False)[grid_column.codes]
    for block in layout.blocks:
        if isinstance(grid.cell(block.heading.first - 1, 0), str):
            context.used[block.heading.first - 1, 0] = True


def in_ascii(text: str) -> str:
    """Return text as a program writes it that knows few letters: a question mark for each other one."""
    return text.encode("ascii", "replace").decode("ascii")


def _swallowed(context: Context) -> None:
    """Hold a text file in which a field runs over a line end, delimiters and all: a quotation mark may eat rows."""
    sheet = context.sheet
    if not sheet.text_only:
        return
    for column, grid_column in enumerate(sheet.grid.columns):
        for code, label in enumerate(grid_column.labels):
            if isinstance(label, str) and _SPREADSHEET_ROWS.search(label) and sheet.delimiter in label:
                row = int(np.argmax(grid_column.codes == code)) if grid_column.codes is not None else 0
                issue = Issue(
                    "swallowed-row",
                    "one field runs over a line end, delimiters and all: a quotation mark may have swallowed a row",
                    "one row a line",
                    "Look for a quotation mark that is opened and never closed; or take the line break out",
                )
                context.say(issue, repr(label[:60]), row, column)


def comma_is_decimal(spec: Specification, labels: Iterable[Content]) -> bool:
    """Whether commas that might part thousands can only be decimal marks: so read, the numbers are lengths of the kit.

    ``4,015`` in a kit of holes of 4 mm is 4.015, because no length of the kit is near 4015.
    """
    kinds = Kinds(spec)
    typed = [x for x in labels if isinstance(x, str) and _COMMA.match(x)][:LOOKED_AT]
    values = [length_of(x, ",") for x in typed]
    good = [v.value for v in values if v.issue is None]
    if len(typed) < COMMAS or len(good) < len(typed):
        return False
    return all(kinds.is_length(v) and not kinds.is_length(v * 1000.0) for v in good)


def _comments(context: Context) -> None:
    """Hold where a comment, a box drawn on the sheet or a page's head or foot speaks of a defect or a size.

    Comments and boxes that don't are told.
    """
    kinds, pair = Kinds(context.spec), _only_pair(context)
    harmless: list[tuple[int, int, str]] = []
    pages = [(0, 0, text) for text in context.sheet.scan.pages]
    for row, column, text in context.sheet.scan.remarks + pages:
        reason = kinds.of_text(text)
        if not reason:
            harmless.append((row, column, text))
            continue
        where = "a comment at the cell" if row else "a box drawn on the sheet"
        if text in context.sheet.scan.pages:
            where = "the head or foot of the printed page"
        issue = warning(
            "comment-not-read",
            f"{where} is not read, and {reason}",
            "remarks in the note column",
            "Ask who wrote it and what is meant; put it into the note column",
            holds=True,
        )
        context.say(issue, repr(text[:60]), row - 1, column - 1, **pair)
    harmless = [each for each in harmless if each not in pages]
    if harmless:
        row, column, text = harmless[0]
        count = "1 comment is" if len(harmless) == 1 else f"{len(harmless)} comments are"
        context.say(note("remarks", f"{count} read as remarks"), repr(text[:60]), row - 1, column - 1)


class Kinds:
    """Tells which numbers and words may speak of a hole of a kit."""

    def __init__(self, spec: Specification) -> None:
        self._spec = spec
        self.holes = {h.casefold() for h in spec.hole_ids}
        self.names = {h.casefold() for h in spec.hole_ids if not h.isdecimal() and len(h) > 1}
        sizes = np.array([v for h in spec.holes for v in (h.size.lower, h.size.upper)], dtype=np.float64)
        other = MM_PER_INCH if spec.unit == "in" else 1.0 / MM_PER_INCH
        self._in_mm = max(other, 1.0)  #: of one unit of the kit's: readings may be typed in either
        scales = (1.0, other, 1000.0 if spec.unit == "in" else 1.0)
        self._sizes = [(sizes.min() * s * (1 - NEAR_SIZE), sizes.max() * s * (1 + NEAR_SIZE)) for s in scales]
        places = np.array([v for p in spec.parts for v in spec.basic_xy(p.name).ravel()], dtype=np.float64)
        self._places = places[np.isfinite(places)]
        self._near = NEAR_PLACE * float(np.ptp(self._places)) if self._places.size else 0.0
        drawn = [*sizes, *self._places, *np.abs(self._places)]
        for hole in spec.holes:
            drawn.append(0.5 * (hole.size.lower + hole.size.upper))
            drawn += [v for v in (hole.plugs.go, hole.plugs.no_go) if v is not None]
            drawn += [hole.size.upper - hole.size.lower]
        if spec.tools.drill is not None:
            drawn.append(spec.tools.drill.diameter)
        known = np.array(drawn, dtype=np.float64)
        self._drawn = np.unique(known[np.isfinite(known)])

    def may_be_reading(self, value: float) -> bool:
        """Whether a number may be a reading of some hole: near a size in any usual unit, or near a coordinate."""
        if not np.isfinite(value) or self.is_drawn(value):
            return False
        if any(low <= value <= high for low, high in self._sizes):
            return True
        return not float(value).is_integer() and bool((np.abs(self._places - value) <= self._near).any())

    def is_length(self, value: float) -> bool:
        """Whether a number may be any length that is read of the kit, in inch or mm: about as long as its pattern."""
        longest = max(2.0 * float(np.abs(self._drawn).max(initial=0.0)), 100.0 * self._sizes[0][1])
        return abs(value) <= longest * self._in_mm

    def is_just_outside(self, value: float) -> bool:
        """Whether a number is near some hole's size and inside no hole's limits."""
        inside = any(h.size.lower - GRAIN <= value <= h.size.upper + GRAIN for h in self._spec.holes)
        near = any(0.9 * h.size.lower <= value <= 1.1 * h.size.upper for h in self._spec.holes)
        return near and not inside

    def is_drawn(self, value: float) -> bool:
        """Whether a number is one of the drawing's own: a limit, a basic dimension, a plug, the drill."""
        return bool((np.abs(self._drawn - value) <= GRAIN).any())

    def reason(self, grid: Grid, row: int, column: int, left: BoolArray, in_row: int) -> str:
        """Return why a cell that nothing explains may be evidence, '' where it isn't."""
        content = grid.cell(row, column)
        if isinstance(content, Uncalculated):
            return ""
        if isinstance(content, dt.datetime | dt.date | dt.time | dt.timedelta):
            return ""
        if isinstance(content, str) and not content.strip().isdecimal():
            return self.of_text(content)
        value = float(content) if content is not None else float("nan")
        label = next((x for c in range(column - 1, -1, -1) if (x := grid.cell(row, c)) is not None), None)
        if isinstance(label, str) and (is_signature(label) or word_of(label) in STAMPS) and value.is_integer():
            return ""
        if self.may_be_reading(value):
            return "may be readings"
        if in_row > 1 and not self._labelled(grid, row, left):
            return "numbers stand here"
        if self.is_drawn(value) or isinstance(label, str):
            return ""
        return "a number stands here"

    def _labelled(self, grid: Grid, row: int, left: BoolArray) -> bool:
        """Whether every number left over in a row stands to the right of a text of its own."""
        before: Content = None
        for column in range(grid.width):
            content = grid.cell(row, column)
            if isinstance(content, float) and left[row, column] and not isinstance(before, str):
                return False
            before = content if content is not None else before
        return True

    def of_text(self, text: str) -> str:
        """Return why a text may be evidence, '' where it isn't."""
        if len(text) > 2_000:
            return "a long text stands here"
        if word := next((w for w in ticked(text) if is_refusal(w) or speaks_of_defect(w) or doubt_in(w)), ""):
            return f"a box is ticked at {word!r}"
        if is_form_text(text, self.holes):
            return ""
        if word := speaks_of_defect(text) or doubt_in(text):
            return f"a remark speaks of {word!r}"
        if is_refusal(text) and len(text.strip()) > 1:
            return f"a verdict says {text.strip()!r}"
        label, sign, rest = text.partition(":")
        if sign and len(label) <= LABEL and is_refusal(rest.strip()) and not speaks_of_defect(label + " found"):
            return f"a verdict says {text.strip()!r}"
        typed = length_of(text, "")
        if typed.issue is None:
            return "may be readings" if self.may_be_reading(typed.value) else ""
        if any(self.may_be_reading(v) for v in numbers_in(text)):
            return "a text names a size that may be a reading"
        return ""


def _report(context: Context, found: list[Left], top: int) -> None:
    """Say once for each cause which cells nothing has read; titles above the table are labels and are not told."""
    reasons = list(dict.fromkeys(x.reason for x in found if x.reason))
    pair = _only_pair(context)
    for reason in reasons:
        mine = [x for x in found if x.reason == reason]
        cells = ranges([(x.row, x.column) for x in mine])
        are = "is" if len(mine) == 1 else "are"
        issue = warning(
            "cell-not-read",
            f"{_cells(len(mine))} outside the tables {are} not read, and {reason}: {cells}",
            "readings under their headings, remarks in the note column",
            "Ask who wrote it and what is meant; put a reading into the table",
            holds=True,
        )
        context.say(issue, repr(text_of(mine[0].content)), mine[0].row, mine[0].column, **pair)
    rest = [x for x in found if not x.reason and x.row >= top and text_of(x.content).strip("-_=. ")]
    if rest:
        cells = ranges([(x.row, x.column) for x in rest])
        message = f"{_cells(len(rest))} below or beside the tables read as remarks: {cells}"
        context.say(note("remarks", message), repr(text_of(rest[0].content)[:60]), rest[0].row, rest[0].column)


def _cells(count: int) -> str:
    return "1 cell" if count == 1 else f"{count} cells"


def _only_pair(context: Context) -> dict[str, str]:
    """Return the part and serial of a sheet that has readings of one part only, nothing where it has several."""
    pairs = set(context.tally.read)
    if len(pairs) != 1:
        return {}
    part, serial = next(iter(pairs))
    return context.tied(part, serial)


def _too_many(context: Context, rows: np.ndarray, columns: np.ndarray, count: int) -> None:
    first, last = (cell_name(int(rows[i]) + 1, int(columns[i]) + 1) for i in (0, -1))
    issue = warning(
        "cell-not-read",
        f"{count} filled cells outside the tables are not read, from {first} to {last}",
        "readings under their headings",
        "Look what stands there; name its headings in [headings] of the kit file",
        holds=True,
    )
    context.say(issue, f"{count} cells", int(rows[0]), int(columns[0]))


def ranges(cells: list[tuple[int, int]]) -> str:
    """Return the addresses of cells (row, column from 0), neighbours in a row or column as one range: B4, D7 to D19."""
    by_column: dict[int, list[int]] = {}
    for row, column in cells:
        by_column.setdefault(column, []).append(row)
    if len(by_column) > len({r for r, _ in cells}):  # rather along rows
        return _named([_along_rows(cells)])
    names = []
    for column, rows in sorted(by_column.items()):
        runs = np.split(np.sort(rows), np.flatnonzero(np.diff(np.sort(rows)) > 1) + 1)
        names.append([_span(int(run[0]), column, int(run[-1]), column) for run in runs])
    return _named(names)


def _along_rows(cells: list[tuple[int, int]]) -> list[str]:
    by_row: dict[int, list[int]] = {}
    for row, column in cells:
        by_row.setdefault(row, []).append(column)
    out = []
    for row, columns in sorted(by_row.items()):
        runs = np.split(np.sort(columns), np.flatnonzero(np.diff(np.sort(columns)) > 1) + 1)
        out += [_span(row, int(run[0]), row, int(run[-1])) for run in runs]
    return out


def _span(r1: int, c1: int, r2: int, c2: int) -> str:
    first, last = cell_name(r1 + 1, c1 + 1), cell_name(r2 + 1, c2 + 1)
    return first if first == last else f"{first} to {last}"


def _named(groups: list[list[str]]) -> str:
    names = [name for group in groups for name in group]
    rest = f" and {len(names) - NAMED} more places" if len(names) > NAMED else ""
    return ", ".join(names[:NAMED]) + rest
