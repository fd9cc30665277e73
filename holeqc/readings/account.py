"""Every filled cell of a sheet is accounted for: a reading, a label, a field, something named as not read, or a remark.

What is left over is named with its cells. It holds the part where it may be evidence: a number that may be a reading,
a word that speaks of a defect. So nothing that somebody typed beside, under or above a table is lost in silence."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from holeqc.characteristics import LENGTH, OF_WORD
from holeqc.problems import Problem, flaw, note, warning
from holeqc.quantities import GRAIN, MM_PER_INCH, BoolArray, IntArray, decimals_of, unit_name
from holeqc.readings.containers import Content, Grid, Uncalculated, refusal
from holeqc.readings.draft import UNIT_CODES, Array
from holeqc.readings.headings import IGNORED, READING, UNKNOWN
from holeqc.readings.identities import Gauges, Parts, text_of
from holeqc.readings.layouts import NUMBERED, Context, Field, Layout, Table
from holeqc.readings.rows import span
from holeqc.readings.sheet_layout import is_marked
from holeqc.readings.synonyms import FIELD, question_of, tokens
from holeqc.readings.table import cell_name
from holeqc.readings.values import length_of
from holeqc.readings.words import (
    REMARK,
    doubt_in,
    falls_short,
    folded,
    is_form_text,
    is_refusal,
    is_signature,
    numbers_in,
    remark_against,
    speaks_of_defect,
    ticked,
    word_of,
)
from holeqc.specification.model import Specification

if TYPE_CHECKING:
    from collections.abc import Callable

    from holeqc.readings.rows import Rows


LOOKED_AT = 4_000  #: so many cells that nothing explains are looked at one by one; more of them hold by their number
STAMPS = {"tampon"}  #: a stamp as well as a plug; a whole number beside it is the stamp's
QUOTED, SHOWN_TEXTS = 60, 8  #: so many letters of so many remarks are quoted in one line
LABEL = 30  #: characters of a label before a colon
COMMAS = 3  #: so many numbers with a comma show a habit; one alone may be a slip
MOST_UNKNOWN = 200  #: so many columns of a table may hold what nobody asked for; each is looked at and told of
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
    _sheet_name(context)
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
    grid, used, kinds = context.sheet.grid, context.used, Kinds(context.spec)
    for block in layout.blocks:
        heading = block.heading
        in_rows = any((m.kind, m.word) == (FIELD, "hole") for m in heading.meanings)  # so no heading is of one hole
        for column, meaning in enumerate(heading.meanings[: grid.width]):
            named = meaning.kind != UNKNOWN or heading.texts[column]
            if heading.card and meaning.kind == READING and not heading.texts[column]:
                continue  # labels make a card: there is no row of headings, and what stands in its first row is none
            empty = meaning.hole and not grid.columns[column].filled(grid.rows)[block.rows].any()
            if (meaning.kind == UNKNOWN or empty) and speaks_of_defect(heading.texts[column][:REMARK]):
                continue  # 'CRACK at hole 5' beside the headings is none
            bare = not grid.columns[column].filled(grid.rows)[block.rows].any()
            if bare and any(_speaks(context, grid.cell(r, column)) for r in range(heading.first, heading.last + 1)):
                continue  # nor is 'cracked' in a line above them, over nothing
            if named and heading.last >= heading.first >= 0:
                used[heading.first : heading.last + 1, column] = True
                for row in range(heading.first, heading.last + 1) if in_rows else ():
                    if _names_a_bad_hole(kinds, grid.cell(row, column)):
                        used[row, column] = False  # 'hole F NO-GO enters' in a line over 'Previous reading'
    for field in (f for f in layout.fields if not f.from_title):  # a title may say more than was taken from it
        for row, column in ((field.row, field.column), field.label):
            if 0 <= row < grid.rows and 0 <= column < grid.width and not is_refusal(grid.cell(row, column)):
                used[row, column] = True  # 'FAIL' is no label
    for r1, c1, r2, c2 in context.sheet.scan.merged:  # what a merged range hides is no content of its own
        if 0 <= r1 - 1 < grid.rows and 0 <= c1 - 1 < grid.width and used[r1 - 1, c1 - 1]:
            used[r1 - 1 : r2, c1 - 1 : c2] = True


#: what is said of a hole, and not asked: 'cracked' where a heading would ask for cracks
_STATED = re.compile(
    r"(?:[a-z]{3}ed|oversize|undersize|torn|bent|broken|rissig|gerissen|fissuré\w?|agrietad\w)\s*!?$", re.I
)


def _speaks(context: Context, content: Content) -> bool:
    """Whether a cell over a column speaks against a hole and isn't understood as a heading by itself."""
    if not isinstance(content, str):
        return False
    known = context.vocabulary.meaning(content)
    unknown = known.kind == UNKNOWN or known.reason == "verdict" or _STATED.search(content) is not None
    return unknown and bool(speaks_of_defect(content[:REMARK]) or doubt_in(content) or is_refusal(content))


#: a hole called so in the middle of a text
_HOLE_NAMED = re.compile(r"\b(?:holes?|bohrung|loch|trou|agujero)\s{0,3}[#:]?\s?([^\s:=,;.]{1,40})", re.I)


def _names_a_bad_hole(kinds: Kinds, content: Content) -> bool:
    """Whether a text speaks of a defect, or that something isn't done, and of one hole of the kit."""
    if not isinstance(content, str) or not (speaks_of_defect(content[:REMARK]) or doubt_in(content)):
        return False
    return kinds.names_hole(content)


def _mark_own_texts(context: Context, layout: Layout) -> None:
    """Mark what the writer of our sheets puts around the table, and the line that counts what is open."""
    from holeqc.readings.sheet_layout import own_texts

    grid, texts = context.sheet.grid, {in_ascii(text) for text in own_texts(context.spec)}
    for column, grid_column in enumerate(grid.columns):
        if grid_column.codes is not None:
            ours = [isinstance(x, str) and (in_ascii(x) in texts or is_marked(x)) for x in grid_column.labels]
            known = np.array(ours, dtype=np.bool_)
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
                issue = flaw(
                    "swallowed-row",
                    "one field runs over a line end, delimiters and all: a quotation mark may have swallowed a row",
                    "one row a line",
                    "Look for a quotation mark that is opened and never closed; or take the line break out",
                )
                context.say(issue, repr(label[:60]), row, column)


_PUT_AWAY = re.compile(r"(?<![^\W_])(?:old|hold|alt|ancien|ancienne|viejo|vieja|wip)(?![^\W_])", re.I)


def _sheet_name(context: Context) -> None:
    """Hold where the name on a sheet's tab speaks against what stands on it: REJECTED, draft, old, Rev A superseded."""
    name = context.sheet.name
    word = speaks_of_defect(name) or doubt_in(name) or (name if is_refusal(name) else "")
    if not word and (found := _PUT_AWAY.search(name)):
        word = found[0]
    if word:
        issue = warning(
            "sheet-name-speaks",
            f"the sheet's name speaks of {word!r}",
            "a name that says nothing against the part",
            "Ask whether these readings count; name the sheet otherwise, or take it out",
            holds=True,
        )
        context.say(issue, repr(name), -1, -1, **_only_pair(context))


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
        against = remark_against(text) if row else ""
        reason = kinds.of_text(text) or (f"a remark speaks of {against!r}" if against else "")
        if not reason:
            if not (context.own and text == "Picture"):  # the drawing of our own distances
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
        asked = [(OF_WORD[word], limits) for h in spec.holes for word, limits in h.measured.items()]
        self._depths = [
            (0.5 * float(np.fmin(x.lower, x.upper)) * s, 1.5 * float(np.fmax(x.lower, x.upper)) * s)
            for what, x in asked if what.kind == LENGTH for s in (1.0, other)
        ]  # fmt: skip
        drawn = [*sizes, *self._places, *np.abs(self._places), *(v for _, x in asked for v in (x.lower, x.upper))]
        for hole in spec.holes:
            drawn.append(0.5 * (hole.size.lower + hole.size.upper))
            drawn += [v for v in (hole.plugs.go, hole.plugs.no_go) if v is not None]
            drawn += [hole.size.upper - hole.size.lower]
        if spec.tools.drill is not None:
            drawn.append(spec.tools.drill.diameter)
        known = np.array(drawn, dtype=np.float64)
        self._drawn = np.unique(known[np.isfinite(known)])

    def names_hole(self, text: str, pattern: re.Pattern[str] = _HOLE_NAMED) -> bool:
        """Whether a text names one of the kit's holes; the pattern's first group is the name."""
        return any(m[1].casefold() in self.holes for m in pattern.finditer(text[:REMARK]))

    def may_be_reading(self, value: float) -> bool:
        """Whether a number may be a reading of some hole: near a size in any usual unit, or near a coordinate."""
        if not np.isfinite(value) or self.is_drawn(value):
            return False
        if any(low <= value <= high for low, high in (*self._sizes, *self._depths)):
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
        if isinstance(label, str) and value > 0 and (is_refusal(label) or speaks_of_defect(f"{label}: {value:g}")):
            return f"{label.strip()!r} is counted"
        if isinstance(label, str) and falls_short(f"{label}: {value:g}"):
            return "a count falls short"
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
        if short := falls_short(text):
            return f"a count falls short: {short!r}"
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
    words = {x.row for x in found if isinstance(x.content, str) and not x.content.strip().isdecimal()}
    rest = [x for x in found if not x.reason and (x.row >= top or x.row in words) and text_of(x.content).strip("-_=. ")]
    if rest:
        shown = quoted([(text_of(x.content), x.row, x.column) for x in rest])
        message = f"{_cells(len(rest))} around the tables read as remarks, for a person to read: {shown}"
        context.say(note("remarks", message), "", rest[0].row, rest[0].column)


def quoted(cells: list[tuple[str, int, int]]) -> str:
    """Return texts with their cells in few words: 'ask 41' (D6), 'new bit' (D9) and 3 more."""
    texts: dict[str, str] = {}
    for text, row, column in cells:
        texts.setdefault(" ".join(text.split())[:QUOTED], cell_name(row + 1, column + 1))
    shown = [f"{text!r} ({cell})" for text, cell in list(texts.items())[:SHOWN_TEXTS]]
    rest = len(texts) - len(shown)
    return ", ".join(shown) + (f" and {rest} more" if rest else "")


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


# What is in a sheet and is no reading: unknown columns, surplus fields, remarks, merged and hidden cells, notes.


_STATISTICS = {"mean", "average", "avg", "min", "max", "minimum", "maximum", "range"}
#: labels of rows that sum up the rows above
SUMMARY_WORDS = {
    "mean", "average", "avg", "max", "min", "maximum", "minimum", "range", "total", "sum", "std", "sd", "count",
    "nominal", "upper limit", "lower limit", "limits", "tolerance", "sigma", "usl", "lsl", "spec",
}  # fmt: skip
_LOOKED_AT = 2_000  #: so many rows without readings are looked at for remarks


def double_columns(table: Table) -> None:
    """Report a second column of one field whose contents differ from the first: only the first is read."""
    context, grid = table.context, table.context.sheet.grid
    for word in {table.meanings[c].word for c in table.columns if table.meanings[c].kind == FIELD} - {"part", "note"}:
        first, *others = table.fields(word)
        for column in others:
            filled = table.rows[table.any_reading][:_LOOKED_AT].tolist()
            pairs = [(r, grid.cell(r, first), grid.cell(r, column)) for r in filled]
            rows = [r for r, one, other in pairs if one is not None and other is not None and one != other]
            if rows:
                issue = warning(
                    "double-column", f"two columns name the {word.split(':')[0]}, and they differ in "
                    f"{span(len(rows), rows[0], rows[-1])}: the first column is read", "one column",
                    "Name one of the headings otherwise, or in [headings] of the kit file",
                    holds=word in {"serial", "hole"},
                )  # fmt: skip
                context.say(issue, repr(text_of(grid.cell(rows[0], column))), rows[0], column)


def double_fields(context: Context, twice: list[tuple[Field, Field]]) -> None:
    """Report fields that are said twice over one table, with different contents: the first is read."""
    for first, second in twice:
        word = second.word.split(":")[0].removesuffix("_c")
        issue = warning(
            "double-field", f"the {word} is said twice above one table: {text_of(first.content)!r} in "
            f"{cell_name(first.row + 1, first.column + 1)} is taken", "one field", "Delete the wrong one",
            holds=second.word in {"serial", "unit", "recheck", *(["part"] if len(context.spec.parts) > 1 else [])},
        )  # fmt: skip
        context.say(issue, repr(text_of(second.content)), second.row, second.column)


def second_serials(context: Context, fields: list[Field]) -> list[tuple[Field, Field]]:
    """Return serial numbers with what may be another in the next cell: a cell was put in, or two parts are meant."""
    spec, taken = context.spec, {(f.row, f.column) for f in fields} | {f.label for f in fields}
    known = {spec.id, spec.revision, spec.fixture, *(g.id for g in spec.gauges), *(p.number for p in spec.parts),
             *(p.name for p in spec.parts)}  # fmt: skip
    out = []
    for field in fields:
        row, column = field.row, field.column
        at = row, column + 1
        if field.word == "serial" and field.label in ((row, column - 1), (row, column)) and at not in taken:
            beside = context.sheet.grid.cell(*at)
            if isinstance(beside, (str, float)) and NUMBERED.fullmatch(text_of(beside)) and beside not in known:
                out.append((field, replace(field, content=beside, column=column + 1)))
    return out


def field_defects(context: Context, fields: list[Field]) -> None:
    """Hold a sheet whose fields speak against the part: 'Remarks: crack at hole 5', 'Accepted: no'."""

    kinds = Kinds(context.spec)
    for field in fields:
        if field.from_title or field.word not in _SPOKEN:
            continue
        reason = _against(context, kinds, field)
        if reason:
            issue = warning(
                "remark-of-defect",
                f"{reason} in a field of the sheet",
                "fields that speak of no defect",
                "Ask who wrote it; say what was found under its heading",
                holds=True,
            )
            pair = next(iter(context.tally.read)) if len(context.tally.read) == 1 else None
            tied = context.tied(*pair) if pair else {}
            context.say(issue, repr(text_of(field.content)[:60]), field.row, field.column, **tied)


def _against(context: Context, kinds: Kinds, field: Field) -> str:
    """Return what a field with its label says against the part, '' for nothing."""
    content = field.content
    label = text_of(context.sheet.grid.cell(*(field.label if field.label[0] >= 0 else (field.row, field.column))))
    if word := doubt_in(label):
        return f"its label speaks of {word!r}"
    if isinstance(content, float):
        outside = field.word == "ignore" and kinds.may_be_reading(content) and kinds.is_just_outside(content)
        counted = field.word == "ignore" and content > 0 and speaks_of_defect(f"{label}: {content:g}")
        return "a size stands outside all limits" if outside else "bad ones are counted" if counted else ""
    if not isinstance(content, str):
        return ""
    if field.word == "note" and (word := remark_against(content)):
        return f"a remark speaks of {word!r}"
    if field.word == "serial":
        word = speaks_of_defect(content) or doubt_in(content)
        return f"the serial number speaks of {word!r}" if word else ""
    counted = content.strip().isdecimal() and field.word == "ignore" and speaks_of_defect(f"{label}: {content}")
    if (field.word == "ignore" and is_refusal(content)) or counted:
        return "a verdict says no"
    reason = kinds.of_text(content[:REMARK]) or (falls_short(f"{label}: {content}") and "a count falls short")
    return "" if reason == "may be readings" else reason


def other_field(context: Context, layout: Layout) -> None:
    """Hold where a serial number or part above a table is none of those in its column: one of both is wrong."""
    grid = context.sheet.grid
    for block in layout.blocks:
        for word in ("serial", "part"):
            field, columns = block.fields.get(word), block.heading.columns(word)
            if field is None or not columns or not block.rows.size or (word == "part" and len(context.spec.parts) == 1):
                continue
            codes, labels = grid.columns[columns[0]].as_labels(block.rows)
            meant = _meant(context.spec, word)
            said = {meant(labels[c]) for c in np.unique(codes[codes >= 0])}
            if said and meant(field.content) not in said:
                issue = warning(
                    "other-field",
                    f"the {word} above the table is none of those in the column: {text_of(field.content)!r}",
                    ", ".join(text_of(labels[c]) for c in np.unique(codes[codes >= 0])[:6]),
                    "Look whose readings these are, and correct the one that is wrong",
                    holds=True,
                )
                context.say(issue, repr(text_of(field.content)), field.row, field.column)


def other_gauge(context: Context, layout: Layout) -> None:
    """Hold where a gauge is named above a table that has a column of gauges, and the kit has no such gauge."""
    gauges = Gauges(context.spec)
    for field in {f for block in layout.blocks for f in block.fields.values() if f.word.startswith("gauge")}:
        mine = [m for block in layout.blocks if field in block.fields.values() for m in block.heading.meanings]
        if any(m.kind == FIELD and m.word.startswith("gauge") for m in mine):
            issue = gauges.match(field.content).issue
            if issue is not None:
                context.say(issue, repr(text_of(field.content)), field.row, field.column)


def _meant(spec: Specification, word: str) -> Callable[[Content], object]:
    """Return what tells whose a label is: a part by its place in the kit, a serial number by its letters and digits."""
    if word == "part":
        match = Parts(spec).match
        return lambda content: match(content).code
    return lambda content: "".join(c for c in text_of(content).casefold() if c.isalnum())


#: fields in which people write remarks too
_SPOKEN = {"note", "serial", "ignore", "by", "gauge", "date", "temperature_c"}


def summary_rows(table: Table) -> None:
    """Name rows such as 'Average' or 'Signature' under a table, and leave them out."""
    context = table.context
    holes = {folded(hole) for hole in context.spec.hole_ids}
    out = np.zeros(table.rows.size, dtype=np.bool_)
    for column in (c for word in ("serial", "part", "hole") for c in table.fields(word)):
        grid_column = context.sheet.grid.columns[column]
        if grid_column.codes is None:
            continue
        kinds = [_no_hole(x, context, holes, hole=column in table.fields("hole")) for x in grid_column.labels]
        kind = np.append(np.array(kinds, dtype=np.int8), 0)[grid_column.codes[table.rows]]
        hit = kind > 0
        for row, what in zip(table.rows[hit & ~out][:_LOOKED_AT], kind[hit & ~out], strict=False):
            said = "sums up others" if what == 1 else "signs the sheet off"
            issue = note("summary-row", f"a row that {said} holds no readings of a hole; it is not used")
            context.say(issue, repr(text_of(grid_column.content(int(row)))), int(row), column)
        out |= hit
    out |= _signed_rows(table, out)
    if out.any():
        _against_the_rest(table, out)
        table.leave_out(out)


def _against_the_rest(table: Table, out: BoolArray) -> None:
    """Hold where a row that is left out holds what no row above it shows: another size, a hole's name, a defect."""

    context, grid, kinds = table.context, table.context.sheet.grid, Kinds(table.context.spec)
    inside = table.rows[~out]
    found: list[tuple[int, int]] = []
    why = ""
    for row in table.rows[out][:_LOOKED_AT].tolist():
        for column in range(grid.width):
            content = grid.cell(row, column)
            if content is None:
                continue
            whole = (
                content.strip().isdecimal()
                if isinstance(content, str)
                else float(content) == int(content)
                if (isinstance(content, float) and np.isfinite(content))
                else False
            )
            if whole:  # '17' beside 'Inspector' is a person
                continue
            reason = kinds.of_text(content) if isinstance(content, str) else ""
            if isinstance(content, str) and kinds.names & set(content.casefold().split()):
                reason = reason or "names a hole"
            numbers = grid.columns[column].numbers
            value = float(content) if isinstance(content, float) else float("nan")
            if numbers is not None and kinds.may_be_reading(value):
                above = numbers[inside][np.isfinite(numbers[inside])]
                room = 1e-9 + 10.0 ** -decimals_of(value)
                beyond = above.size == 0 or not above.min() - room <= value <= above.max() + room
                if beyond or kinds.is_just_outside(value):
                    reason = "holds a size that no row above it holds"
            if reason:
                found.append((row, column))
                why = why or reason
    if found:
        issue = warning(
            "left-out-row",
            f"a row that sums up or signs off is not read, and {why} ({len(found)} cells)",
            "rows that say what the rows above say",
            "Ask who wrote it and what is meant; put a reading into a row of its hole",
            holds=True,
        )
        context.say(issue, repr(text_of(grid.cell(*found[0]))), *found[0])


def _signed_rows(table: Table, told: BoolArray) -> BoolArray:
    """Return rows (r,) without a reading that sign the sheet off in any column, and name them."""
    context, grid = table.context, table.context.sheet.grid
    out = np.zeros(table.rows.size, dtype=np.bool_)
    for column in range(grid.width):
        grid_column = grid.columns[column]
        if grid_column.codes is None:
            continue
        signs = [isinstance(x, str) and is_signature(x) for x in grid_column.labels]
        hit = np.append(np.array(signs, dtype=np.bool_), False)[grid_column.codes[table.rows]]
        hit &= ~table.any_reading & ~told & ~out
        for row in table.rows[hit][:_LOOKED_AT]:
            issue = note("summary-row", "a row that signs the sheet off holds no readings of a hole; it is not used")
            context.say(issue, repr(text_of(grid_column.content(int(row)))), int(row), column)
        out |= hit
    return out


def _no_hole(label: Content, context: Context, holes: set[str], *, hole: bool) -> int:
    """Return 1 for the label of a row that sums up others, 2 for one that signs the sheet off, 0 for all others."""
    if not isinstance(label, str) or (said := folded(label)) in holes:
        return 0
    meaning = context.vocabulary.meaning(label) if hole else None
    sums = meaning is not None and meaning.reason in {"statistic", "extreme", "limit", "drawing"}
    if said in SUMMARY_WORDS or sums:
        return 1
    return 2 if hole and is_signature(label) else 0


def unread_columns(table: Table) -> set[int]:
    """Report columns with contents whose heading isn't understood; remember known ones that hold no readings.

    Returns the columns (from 0) whose heading isn't understood.
    """
    context, grid = table.context, table.context.sheet.grid
    unknown: set[int] = set()
    width = max((c + 1 for c, text in enumerate(table.texts) if text), default=0)
    for column, meaning in enumerate(table.meanings):
        if column >= grid.width or meaning.kind not in {UNKNOWN, IGNORED}:
            continue
        filled = grid.columns[column].filled(grid.rows)[table.rows]
        count = int(filled.sum())
        text = table.texts[column]
        if not count or (column >= width and context.sheet.text_only):
            continue
        if meaning.kind == IGNORED:
            context.tally.ignored[text] = context.tally.ignored.get(text, 0) + count
            continue
        unknown.add(column)
        heading = table.blocks[0].heading
        if len(unknown) > MOST_UNKNOWN:
            raise refusal(
                context.sheet.file,
                "too-large",
                "the table has far too many columns under headings that aren't known",
                found=f"over {MOST_UNKNOWN}, to {cell_name(heading.last + 1, column + 1)}",
                allowed=f"at most {MOST_UNKNOWN}",
                action="Delete what is no reading, or name the headings in [headings] of the kit file",
                sheet=context.sheet.name,
            )
        if (heading.first, column) in context.tally.unread:  # tables side by side share their heading
            continue
        context.tally.unread.add((heading.first, column))
        row = int(table.rows[np.argmax(filled)])
        asked = question_of(text)
        known = f"the heading {text!r} may mean {asked}" if asked else f"the heading {text!r} isn't known"
        title = known if text else "there is no heading over this column"
        issue = warning(
            "unread-column",
            f"{title}: {count} filled cells below it are not read",
            "headings such as Hole, Wall, Dia 0, Dia 90, X, Y, GO, NO-GO, Surface, Gauge, Date, Note",
            "If readings stand there, name the heading in [headings] of the kit file",
        )
        first = f"{text_of(grid.cell(row, column))!r}"
        if text:
            context.say(issue, f"{first} and so on, from {cell_name(row + 1, column + 1)}", heading.last, column)
        else:
            context.say(issue, first, row, column)
    return unknown


def surplus_rows(table: Table, known: Rows) -> None:
    """Doubt rows of a text file that have more fields than the heading: their fields may all be out of place."""
    context, grid = table.context, table.context.sheet.grid
    if not context.sheet.text_only or table.blocks[0].heading.card:
        return
    held = [c + 1 for c, m in enumerate(table.meanings) if m.kind != UNKNOWN or table.texts[c]]
    width = max(held, default=0)
    extra = np.zeros(table.rows.size, dtype=np.bool_)
    for column in range(width, grid.width):
        extra |= grid.columns[column].filled(grid.rows)[table.rows]
    rows = np.flatnonzero(extra)
    if not rows.size:
        return
    issue = flaw(
        "surplus-field",
        f"the row has more fields than the heading, which has {width}: a field may have been parted in "
        "two, and all behind it be out of place",
        f"{width} fields",
        "Look for a decimal comma or a delimiter inside a field; put the field in quotation marks",
    )
    code = context.draft.issue_code(issue)
    context.draft.reported.add(code)
    known.issue[rows] = np.where(known.issue[rows] == 0, code, known.issue[rows])

    def make(row: int) -> Problem:
        at = int(table.rows[row])
        column = next(c for c in range(width, grid.width) if grid.cell(at, c) is not None)
        tied = context.tied(*(max(int(x[row]), -1) for x in (known.part, known.serial, known.hole)))
        return context.problem(issue, repr(text_of(grid.cell(at, column))), at, column, **tied)

    context.collector.cells(rows.tolist(), make)


def cut_row(table: Table, known: Rows) -> None:
    """Doubt the last row of a text file that ends in the middle of it, and hold the part: rows may be missing too."""
    context, grid = table.context, table.context.sheet.grid
    rows = np.flatnonzero(table.rows == context.sheet.cut_row)
    if not rows.size:
        return
    row, at = int(rows[0]), context.sheet.cut_row
    last = max(c for c in range(grid.width) if grid.cell(at, c) is not None)
    issue = flaw(
        "cut-row",
        "the file ends in the middle of this row: the row, and perhaps more rows, are missing",
        "a whole last row with a line end",
        "Save or copy the file again, and look whether all rows are there",
    )
    code = context.draft.issue_code(issue)
    context.draft.reported.add(code)
    known.issue[row] = known.issue[row] or code
    # a serial number that is itself cut names nobody; without one, every part of the file is held
    whole = last > max((c for word in ("serial", "part") for c in table.fields(word)), default=-1)
    tied = context.tied(max(int(known.part[row]), -1), max(int(known.serial[row]), -1)) if whole else {}
    context.say(issue, f"{text_of(grid.cell(at, last))!r} at its end", at, last, **tied)


def struck_cells(table: Table, column: int, rows: IntArray, issue: Array) -> Array:
    """Doubt readings whose text is struck through: whether they count can't be told."""
    struck = [row - 1 for row, at in table.context.sheet.scan.struck if at == column + 1]
    if not struck:
        return issue
    bad = warning(
        "struck-through",
        "the reading is struck through: whether it counts can't be told",
        "a reading without a line through it",
        "Delete it if it was taken back, otherwise take the line away",
        holds=True,
    )
    where = np.isin(rows, struck) & (issue == 0)
    return np.where(where, table.context.draft.issue_code(bad), issue) if where.any() else issue


def merged_cells(table: Table, column: int, rows: IntArray, issue: Array) -> Array:
    """Doubt readings whose cell is merged with others: for what they stand, or that they stand there, nobody sees."""
    grid, at = table.context.sheet.grid, column + 1
    over = [m for m in table.context.sheet.scan.merged if m[1] <= at <= m[3]]
    if not over:
        return issue
    edges = np.zeros((2, grid.rows + 1), dtype=np.int64)  # where ranges begin and end to hide the column's rows
    for top, left, last, _ in over:
        edges[0, min(top - (left < at), grid.rows)] += 1
        edges[1, min(last, grid.rows)] += 1
    hidden = np.cumsum(edges[0] - edges[1])[:-1] > 0
    words = np.zeros(rows.size, dtype=np.int64)
    size = {m[0] - 1: f"{cell_name(m[0], m[1])}:{cell_name(m[2], m[3])}" for m in over
            if m[1] == at and (m[2] > m[0] or any(c in table.readings for c in range(m[1], m[3])))}  # fmt: skip
    texts = ["a merged range hides the cell: nobody sees what stands there"]
    words[(hidden & grid.columns[column].filled(grid.rows))[rows]] = len(texts)
    for place in np.flatnonzero(np.isin(rows, [*size])):
        texts.append(f"the cell is merged over {size[int(rows[place])]}: one value stands where several belong")
        words[place] = len(texts)
    doubted = (words > 0) & (issue == 0)
    codes = {
        number: table.context.draft.issue_code(
            flaw("merged-reading", texts[number - 1], "one reading a cell", "Unmerge the cells and type each reading"))
        for number in np.unique(words[doubted]).tolist()
    }  # fmt: skip
    issue[doubted] = [codes[number] for number in words[doubted].tolist()]
    return issue


def sheet_notes(context: Context) -> None:
    """Say once for a sheet what is worth knowing of it."""
    tally, sheet = context.tally, context.sheet
    if tally.text_numbers:
        context.say(
            note(
                "numbers-as-text",
                f"{tally.text_numbers} numbers are stored as text; read as numbers all the same",
                "Sums and charts in the workbook leave such cells out",
            ),
            repr(text_of(sheet.grid.cell(*tally.first_text_number))),
            *tally.first_text_number,
        )
    if tally.unit_assumed:
        unit = context.spec.unit
        context.say(
            note(
                "unit-not-stated",
                f"no unit is said for {tally.unit_assumed} readings; taken in the kit's unit, {unit_name(unit)}",
                "Write the unit into the headings",
            ),
            "no unit",
        )
    if tally.ignored and not context.own:
        names = ", ".join(repr(name) for name in tally.ignored)
        statistics = [name for name in tally.ignored if _STATISTICS & set(tokens(name))]
        message = f"known columns that hold no readings: {names}"
        if statistics:
            message += "; means and extremes are never judged, each reading is"
        context.say(note("not-readings", message), f"{sum(tally.ignored.values())} filled cells")
    _hidden(context)


def _hidden(context: Context) -> None:
    sheet, draft = context.sheet, context.draft
    if sheet.hidden:
        context.say(
            warning(
                "hidden-sheet",
                "the sheet is hidden; its readings are read all the same",
                action="Show the sheet and look whether these readings are meant",
            ),
            repr(sheet.name),
        )
    scan = sheet.scan
    if not (scan.hidden_rows or scan.hidden_columns):
        return
    mine = [
        c
        for c in draft.chunks
        if c["file"].size
        and int(c["file"][0]) == draft.file.code(sheet.file)
        and int(c["sheet"][0]) == draft.sheet.code(sheet.name)
    ]
    rows = np.concatenate([c["row"] for c in mine]) if mine else np.empty(0, dtype=np.int32)
    columns = np.concatenate([c["column"] for c in mine]) if mine else np.empty(0, dtype=np.int16)
    hidden = np.isin(rows, list(scan.hidden_rows))
    for first, last in scan.hidden_columns:
        hidden |= (columns >= first) & (columns <= last)
    if hidden.any():
        at = int(np.argmax(hidden))
        context.say(
            warning(
                "hidden-cells",
                f"{int(hidden.sum())} readings stand in hidden rows or columns; they are read all the same",
                action="Show them and look whether they are meant",
            ),
            "hidden",
            int(rows[at]) - 1,
            int(columns[at]) - 1,
        )


def unit_conflict(table: Table, known: Rows) -> None:
    """Say where a heading names another unit than a field of the sheet; the heading counts."""
    units = {UNIT_CODES[int(u)] for u in np.unique(known.unit) if u > 0}
    if known.unit_by_row or not units:
        return
    for column in table.readings:
        unit = table.meanings[column].unit
        if unit and units != {unit}:
            issue = warning(
                "unit-conflict",
                f"the heading says {unit}, the sheet says {' and '.join(sorted(units))}: the heading counts",
                "one unit",
                "Correct the heading or the field",
                holds=True,
            )
            table.context.say(issue, repr(table.texts[column]), table.blocks[0].heading.last, column)
            return


def parts_without_readings(context: Context) -> None:
    """Report parts that a sheet names without a single reading, and keep their place in the table.

    A part that is only named must not vanish: a row of the table stands for it, without hole and value.
    """
    tally, draft, sheet = context.tally, context.draft, context.sheet
    silent = [pair for pair in tally.named if pair not in tally.read]
    if not silent:
        return
    issue = flaw(
        "no-readings",
        "the part is named, but not one reading is there",
        "readings of its holes",
        "Measure the part, or take its number off the sheet",
    )
    code = draft.issue_code(issue)
    draft.reported.add(code)

    def make(index: int) -> Problem:
        part, serial = silent[index]
        found = repr(draft.serial.texts[serial])
        row, column = tally.named[part, serial]
        return context.problem(issue, f"serial {found}", row, column, **context.tied(part, serial))

    context.collector.cells(range(len(silent)), make)
    size = len(silent)
    rows = np.array([max(tally.named[pair][0], 0) for pair in silent]) + 1
    columns = np.array([max(tally.named[pair][1], 0) for pair in silent]) + 1
    nothing = np.full(size, -1)
    draft.add(
        {
            "part": np.array([p for p, _ in silent]),
            "serial": np.array([s for _, s in silent]),
            "hole": nothing,
            "wall": nothing,
            "characteristic": nothing,
            "direction": np.full(size, np.nan),
            "trial": np.ones(size),
            "value": np.full(size, np.nan),
            "raw": np.full(size, np.nan),
            "word": np.zeros(size),
            "typed": np.full(size, draft.typed.code("")),
            "unit": np.zeros(size),
            "gauge": nothing,
            "temperature_c": np.full(size, np.nan),
            "date": np.full(size, "NaT", "datetime64[D]"),
            "latest": np.full(size, "NaT", "datetime64[D]"),
            "by": nothing,
            "note": nothing,
            "file": np.full(size, draft.file.code(sheet.file)),
            "sheet": np.full(size, draft.sheet.code(sheet.name)),
            "row": rows,
            "column": columns,
            "issue": np.full(size, code),
            "text": np.zeros(size, np.bool_),
        }
    )
