"""Files in: workbooks in one pass over each sheet's XML, and text files; each sheet as a grid of stored values."""

from __future__ import annotations

import codecs
import csv
import datetime as dt
import posixpath
import re
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import NoReturn
from xml.etree import ElementTree
from xml.parsers import expat

import numpy as np

from holeqc.printing import counted, shortened
from holeqc.problems import NOTE, Problem
from holeqc.quantities import IntArray
from holeqc.readings.containers import (
    BLANK,
    DOCUMENT,
    UNCALCULATED,
    Container,
    Grid,
    GridBuilder,
    ReadOptions,
    SizeLimits,
    check_cells,
    check_parts,
    inside,
    no_collecting,
    opened,
    pieces,
    refusal,
)
from holeqc.readings.sheet_layout import LISTS_SHEET
from holeqc.readings.table import Collector
from holeqc.tables import numbered

# One pass over a sheet's XML: the stored value of every cell, and what surrounds cells and bears on them.
#
# Merged ranges, hidden rows and columns, formulas without a stored result, text that is struck through. What the format
# (ECMA-376, 18.3.1) forbids is refused by name of the cell, because one of two values would be lost without a word: a
# cell with two values, a cell or row that stands twice or out of order, a value that isn't what its kind says.


_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main "
_CELL, _VALUE, _FORMULA, _INLINE, _ROW = (_MAIN + tag for tag in ("c", "v", "f", "is", "row"))
_TEXT, _RUN, _SOUND, _ITEM = (_MAIN + tag for tag in ("t", "r", "rPh", "si"))
_COLUMN, _MERGED, _DATA = (_MAIN + tag for tag in ("col", "mergeCell", "sheetData"))
_PAGE = frozenset(_MAIN + page + line for page in ("odd", "even", "first") for line in ("Header", "Footer"))
#: codes of a printed header or footer (ECMA-376, 18.3.1.46): place, font, size, colour, and fields such as the page
_PAGE_CODES = re.compile(r'&(?:"[^"]*"|K[0-9A-Fa-f]{6}|\d+|[A-Za-z])')
#: what may stand inside what; of all else in a cell nothing is read, and nothing of it may be a value
_MAY_HOLD: dict[str, frozenset[str]] = {
    _CELL: frozenset({_VALUE, _FORMULA, _INLINE, _MAIN + "extLst"}),
    _VALUE: frozenset(), _FORMULA: frozenset(), _TEXT: frozenset(),
    _INLINE: frozenset({_TEXT, _RUN, _SOUND, _MAIN + "phoneticPr"}),
    _RUN: frozenset({_TEXT, _MAIN + "rPr"}), _SOUND: frozenset({_TEXT}),
}  # fmt: skip
_REFERENCE = re.compile(r"^([A-Z]{1,3})([1-9]\d{0,6})$")
_WHOLE = re.compile(r"[+-]?[0-9]{1,400}")
FIRST_ROWS, ROWS, CELLS = 256, 20_000, 400_000  #: first rows hold titles and are mixed; then so many at a time


@dataclass(slots=True)
class SheetScan:
    """What the pass found; rows and columns count from 1 here. ``merged`` as (row, column, last row, last column)."""

    formulas: bool = False
    uncalculated: set[tuple[int, int]] = field(default_factory=set)
    merged: set[tuple[int, int, int, int]] = field(default_factory=set)
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[tuple[int, int]] = field(default_factory=set)
    struck: set[tuple[int, int]] = field(default_factory=set)  #: cells whose text is struck through
    pages: list[str] = field(default_factory=list)  #: what is printed over and under each page
    #: comments at (row, column); boxes drawn on the sheet at 0, 0
    remarks: list[tuple[int, int, str]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Styles:
    """What a workbook says of all its cells: shared texts, numbers of the styles of days, and the day that is 0."""

    texts: Sequence[str] = ()
    days: frozenset[int] = frozenset()
    spans: frozenset[int] = frozenset()  #: styles of lengths of time
    struck: frozenset[int] = frozenset()
    worded: Mapping[int, str] = field(default_factory=dict)  #: styles whose number format shows words, and these
    epoch: dt.datetime = dt.datetime(1899, 12, 30)


def reference(text: str) -> tuple[int, int] | None:
    """Return row and column of a cell address such as C7, None for anything else."""
    match = _REFERENCE.match(text)
    if match is None:
        return None
    column = 0
    for letter in match[1]:
        column = column * 26 + ord(letter) - 64
    return int(match[2]), column


class SheetPass:
    """The pass over one sheet: give it the pieces of its XML, then `finish`."""

    def __init__(
        self, file: str, sheet: str, limits: SizeLimits, styles: Styles, progress: Callable[[int], None] | None = None
    ) -> None:  # fmt: skip
        self._file, self._sheet, self._limits, self._styles, self._progress = file, sheet, limits, styles, progress
        self.scan = SheetScan()
        self._builder = GridBuilder()
        self._chunk: list[list[object]] = []
        self._row, self._row_text, self._in_row = 0, "", False
        self._cells: list[object] = []
        self._counted, self._width = 0, 0
        self._column, self._in_cell, self._tables = 0, False, 0
        self._path: list[str] = []
        self._kind, self._style = "n", 0
        self._values = self._inlines = self._formulas = 0
        self._text: list[str] = []
        self._taking = False
        self._here = self._filled = 0  # cells of this row, and the last one of them that is filled
        self._columns: dict[str, int] = {}  # letters -> number
        self._formats: dict[int, tuple[int, int]] = {}  # styles that show words -> first cell
        self._styles_seen: dict[str, int] = {}
        self._days: dict[tuple[str, int], object] = {}
        self._parser = parser = expat.ParserCreate(namespace_separator=" ")
        parser.buffer_text, parser.buffer_size = True, 1 << 16
        parser.StartElementHandler, parser.EndElementHandler = self._start, self._end
        parser.CharacterDataHandler = self._characters
        parser.StartDoctypeDeclHandler = self._declares

    def feed(self, piece: bytes, last: bool = False) -> None:
        """Take the next piece. Raises ReadingsError."""
        _parse(self._parser, self._file, self._sheet, piece, last)

    def finish(self) -> tuple[Grid, SheetScan]:
        """Return the cells as a grid, and what else was found."""
        self.feed(b"", last=True)
        self._flush()
        grid = self._builder.finish()
        for row, column in self.scan.uncalculated:
            if row <= grid.rows and column <= grid.width and grid.cell(row - 1, column - 1) is None:
                grid.columns[column - 1].put(row - 1, UNCALCULATED, grid.rows)
        self.scan.remarks += [(*at, self._styles.worded[style]) for style, at in self._formats.items()]
        return grid, self.scan

    # ------------------------------------------------------------------------------------------------------- elements

    def _start(self, tag: str, attributes: Mapping[str, str]) -> None:
        if self._in_cell:
            depth = len(self._path)
            if tag == _VALUE and depth == 1:  # nearly always this, or a text inside the cell
                self._values += 1
                self._taking = True
            elif tag == _INLINE and depth == 1:
                self._inlines += 1
            elif tag == _TEXT and depth == 2 and self._path[1] == _INLINE:
                self._taking = True
            else:
                self._check_inside(tag)
            self._path.append(tag)
        elif tag == _CELL:
            self._start_cell(attributes)
        elif tag == _ROW:
            self._start_row(attributes)
        elif tag == _MERGED:
            self._merged(attributes.get("ref", ""))
        elif tag == _COLUMN:
            first, last = attributes.get("min", ""), attributes.get("max", "")
            if attributes.get("hidden") in {"1", "true"} and _is_number(first, 5) and _is_number(last, 5):
                self.scan.hidden_columns.add((int(first), int(last)))
        elif tag in _PAGE:
            self._text, self._taking = [], True
        elif tag == _DATA:
            self._tables += 1
            if self._tables > 1:
                self._forbidden("", "the sheet holds two tables of cells")

    def _end(self, tag: str) -> None:
        if self._in_cell:
            if tag == _CELL and len(self._path) == 1:
                self._end_cell()
            else:
                self._path.pop()
                self._taking = False
        elif tag == _ROW:
            self._end_row()
        elif tag in _PAGE:
            self._taking = False
            if text := " ".join(_PAGE_CODES.sub(" ", "".join(self._text)).split()):
                self.scan.pages.append(text)

    def _characters(self, text: str) -> None:
        if self._taking:
            self._text.append(text)

    def _declares(self, *_: object) -> NoReturn:
        raise refusal(
            self._file, "unsafe-xml", "a sheet declares a document type; workbooks never do", sheet=self._sheet,
            allowed="XML without DOCTYPE and ENTITY",
            action="Don't open this file unless you know who made it; a copy saved anew may be read",
        )  # fmt: skip

    # ----------------------------------------------------------------------------------------------------------- rows

    def _start_row(self, attributes: Mapping[str, str]) -> None:
        stated = attributes.get("r")
        if stated is not None and not _is_number(stated, 10):
            self._forbidden("", f"row {shortened(stated)!r} is no row")
        row = self._row + 1 if stated is None else int(stated)
        if self._in_row or row <= self._row:
            self._forbidden("", f"row {row} stands twice or out of order")
        if row > self._limits.rows:
            self._too_many("rows", self._limits.rows)
        gap = row - self._row - 1
        while gap:  # rows that aren't there are blank
            count = min(gap, ROWS)
            self._flush()
            self._builder.add([[]] * count)
            gap -= count
        self._row, self._row_text, self._in_row, self._column = row, str(row), True, 0
        self._cells, self._here, self._filled = [None] * self._width, 0, 0
        if attributes.get("hidden") in {"1", "true"}:
            self.scan.hidden_rows.add(row)

    def _end_row(self) -> None:
        self._in_row = False
        self._chunk.append(self._cells)
        self._width = self._filled
        self._counted += max(len(self._cells), self._here)
        if self._counted > self._limits.cells:
            self._too_many("cells", self._limits.cells)
        size = len(self._chunk)
        if size >= ROWS or size * len(self._cells) >= CELLS or (size >= FIRST_ROWS and self._builder.rows < FIRST_ROWS):
            self._flush()

    def _flush(self) -> None:
        if not self._chunk:
            return
        self._builder.add(self._chunk)
        self._chunk = []
        if self._builder.distinct > self._limits.texts:
            self._too_many("different texts", self._limits.texts)
        if self._progress is not None:
            self._progress(self._row)

    # ---------------------------------------------------------------------------------------------------------- cells

    def _start_cell(self, attributes: Mapping[str, str]) -> None:
        address = attributes.get("r")
        if not self._in_row:
            self._forbidden(address or "", "a cell stands outside of any row")
        if address is None:
            column = self._column + 1
        else:
            letters = address[: -len(self._row_text)]
            found = self._columns.get(letters) if address.endswith(self._row_text) else None
            if found is None:
                place = reference(address.upper())
                if place is None or place[0] != self._row:
                    self._forbidden(shortened(address), f"the cell is no cell of row {self._row}, where it stands")
                found = self._columns[letters] = place[1]
            column = found
        if column <= self._column:
            self._forbidden(self._address(column), "the cell stands twice in its row, or out of order")
        self._column, self._in_cell, self._path = column, True, [_CELL]
        self._here += 1
        self._kind, style = attributes.get("t", "n"), attributes.get("s", "0")
        number = self._styles_seen.get(style)
        if number is None:
            if not _is_number(style, 9):
                self._forbidden(self._address(column), f"the cell has no such style as {shortened(style)!r}")
            number = self._styles_seen[style] = int(style)
        self._style = number
        self._values = self._inlines = self._formulas = 0
        self._text = []

    def _check_inside(self, tag: str) -> None:
        above = self._path[-1]
        allowed = _MAY_HOLD.get(above)
        if allowed is not None and tag not in allowed:
            self._forbidden(self._address(), "the cell holds something that no cell may hold")
        if tag == _VALUE:
            self._values += 1
            self._taking = True
        elif tag == _FORMULA:
            self._formulas += 1
        elif tag == _INLINE:
            self._inlines += 1
        elif tag == _TEXT:
            self._taking = above in {_INLINE, _RUN}

    def _end_cell(self) -> None:
        self._in_cell = self._taking = False
        if self._style in self._styles.struck:
            self.scan.struck.add((self._row, self._column))
        if self._style in self._styles.worded:
            self._formats.setdefault(self._style, (self._row, self._column))
        inline = self._kind == "inlineStr"
        if self._values + self._inlines > 1 or self._formulas > 1 or (self._values if inline else self._inlines):
            self._forbidden(self._address(), "the cell holds two values, or one that isn't of its kind")
        text = self._text[0] if len(self._text) == 1 else "".join(self._text)
        if self._formulas:
            self.scan.formulas = True
            if not text and self._kind != "str":
                self.scan.uncalculated.add((self._row, self._column))
        if text:
            self._put(text if inline else self._value(text))

    def _put(self, value: object) -> None:
        column = self._column
        if type(value) is str and len(value) > self._limits.field_characters:
            raise refusal(
                self._file, "too-large", f"{self._address()}: the cell holds far too long a text", sheet=self._sheet,
                cell=self._address(), found=f"{len(value)} characters",
                allowed=f"at most {self._limits.field_characters}", action="Shorten it",
            )  # fmt: skip
        if column > self._limits.columns:
            self._too_many("columns", self._limits.columns)
        if column > len(self._cells):
            self._cells.extend([None] * (column - len(self._cells)))
        self._cells[column - 1] = value
        self._filled = column

    def _value(self, text: str) -> object:
        """Return the stored value of a cell as the kinds of the format say (ECMA-376, 18.18.11)."""
        kind = self._kind
        if kind == "n":
            if self._style in self._styles.days:
                return self._day(text)
            return self._number(text)
        if kind == "s":
            if not _is_number(text, 9) or int(text) >= len(self._styles.texts):
                self._forbidden(self._address(), "the cell's text isn't in the workbook", found=text)
            return self._styles.texts[int(text)]
        if kind in {"str", "e"}:
            return text
        if kind == "b" and text.strip() in {"0", "1"}:
            return text.strip() == "1"
        if kind == "d":
            from openpyxl.utils.datetime import from_ISO8601

            try:
                return from_ISO8601(text)
            except (ValueError, TypeError, AttributeError, OverflowError):
                pass
        self._forbidden(self._address(), f"the cell's value is none of its kind {shortened(kind)!r}", found=text)

    def _number(self, text: str) -> float | int:
        try:
            number = float(text)
        except ValueError:
            number = float("nan")
        if number != number or "_" in text or not text.isascii() or "n" in text.lower():  # the words nan and inf
            self._forbidden(self._address(), "the cell's number is none", found=text)
        if 2.0**53 <= abs(number) < float("inf") and _WHOLE.fullmatch(text):
            return int(text)  # a float wouldn't keep its last digits
        return number

    def _day(self, text: str) -> object:
        key = (text, self._style)
        if key not in self._days:
            number, span = self._number(text), self._style in self._styles.spans
            try:
                self._days[key] = _moment(number, self._styles.epoch, span)
            except (OverflowError, ValueError):
                self._days[key] = "#VALUE!"
        return self._days[key]

    def _merged(self, area: str) -> None:
        first, _, last = area.partition(":")
        start, end = reference(first), reference(last or first)
        if start and end:
            self.scan.merged.add((start[0], start[1], end[0], end[1]))
        if len(self.scan.merged) > self._limits.merged:
            self._too_many("merged ranges", self._limits.merged, "Unmerge the cells and save again")

    # ------------------------------------------------------------------------------------------------------- refusals

    def _address(self, column: int | None = None) -> str:
        from holeqc.readings.table import cell_name

        return cell_name(self._row, self._column if column is None else column)

    def _forbidden(self, cell: str, message: str, found: str = "") -> NoReturn:
        place = f"{cell}: " if cell else ""
        raise refusal(
            self._file, "damaged-file", f"{place}{message}", sheet=self._sheet, cell=cell, found=shortened(found),
            action="Open it in a spreadsheet program, check this place and save it anew",
        )  # fmt: skip

    def _too_many(self, what: str, allowed: int, action: str = "") -> NoReturn:
        raise refusal(
            self._file, "too-large", f"the sheet has too many {what}", found=f"over {allowed}", sheet=self._sheet,
            allowed=f"at most {allowed}", action=action or "Split it, or delete what lies outside the table",
        )  # fmt: skip


def _parse(parser: expat.XMLParserType, file: str, part: str, piece: bytes, last: bool = False) -> None:
    """Give a parser the next piece of a workbook's part; what isn't XML is damage."""
    try:
        parser.Parse(piece, last)
    except expat.ExpatError as error:
        raise inside(file, f"{shortened(part)}: {error}") from error


def _moment(days: float, epoch: dt.datetime, span: bool) -> dt.datetime | dt.time | dt.timedelta:
    """Return a number of days as a time of day, a day or, for ``span``, a length of time, to the millisecond."""
    if span:
        found = dt.timedelta(days=days)
        return dt.timedelta(seconds=found.total_seconds() // 1, microseconds=round(found.microseconds, -3))
    day, share = divmod(days, 1)
    rest = dt.timedelta(milliseconds=round(share * 86400 * 1000))
    if 0 <= days < 1 and not rest.days:
        return (dt.datetime.min + rest).time()
    if 0 < days < 60 and epoch.year < 1904:
        day += 1  # spreadsheets count a 29 February 1900
    return epoch + dt.timedelta(days=day) + rest


def _is_number(text: str, digits: int) -> bool:
    return text.isascii() and text.isdecimal() and len(text) <= digits


# Workbooks in: each sheet as a grid of stored values, with what is merged, hidden or not calculated.


@dataclass(slots=True)
class RawSheet:
    """One sheet as it was read. Merged ranges, hidden rows and columns count from 1, as in the file."""

    file: str
    name: str
    grid: Grid
    scan: SheetScan = field(default_factory=SheetScan)
    hidden: bool = False
    text_only: bool = False  #: every cell is text, as in CSV
    delimiter: str = ""
    cut_row: int = -1  #: row (from 0) of a text file that ends in the middle of it
    properties: dict[str, object] = field(default_factory=dict)  #: of the document, the same on each sheet


def read_workbook(
    container: Container, limits: SizeLimits, only: tuple[str, ...] = (),
    lists: Mapping[str, Sequence[str]] | None = None,
) -> Iterator[RawSheet]:  # fmt: skip
    """Yield the sheets of a workbook, values as last calculated. No formula, macro or link is run or followed.

    ``lists``: the choices that a sheet of ours for this kit offers (`holeqc.readings.sheet.choices`). The hidden sheet
    that holds these very words and nothing else is left out; without ``lists`` none is, whatever its name.

    Raises:
        ReadingsError: a damaged or unsafe workbook, one beyond the size limits, or a cell that holds two values.
    """
    with ExitStack() as stack:
        archive = stack.enter_context(opened(container.incoming))
        sheets = {n for n in archive.namelist() if n.startswith("xl/worksheets/")}
        check_parts(archive, container.name, sheets, limits)
        listed, styles, told = _read_book(archive, container.name)
        for sheet in _choose(container, listed, limits, only):
            check_cells(archive, container.name, sheet.entry, limits)
            show = counted(f"{sheet.title}: rows", 20_000)
            reading = SheetPass(container.name, sheet.title, limits, styles, show)
            with no_collecting():
                for piece in pieces(archive, container.name, sheet.entry):
                    reading.feed(piece)
                grid, scan = reading.finish()
            scan.remarks += _remarks(archive, container.name, sheet.entry)
            raw = RawSheet(container.name, sheet.title, grid, scan, sheet.hidden, properties=told)
            if not _is_our_lists(raw, lists):
                yield raw


_FORMAT_WORDS = re.compile(r'"([^"]*[^\W\d_]{2,}[^"]*)"')  #: what a number format shows in words


def _remarks(archive: zipfile.ZipFile, file: str, entry: str, drawn: bool = False) -> list[tuple[int, int, str]]:
    """Return the comments at a sheet's cells (row, column), and of what is drawn on it (0, 0) texts and titles.

    Their parts were looked through before: they are bounded.
    """
    folder, _, name = entry.rpartition("/")
    relations = f"{folder}/_rels/{name}.rels"
    if relations not in archive.namelist():
        return []
    found = []
    for relation in _tree(archive, file, relations):
        kind = relation.get("Type", "").rpartition("/")[2]
        part = posixpath.normpath(posixpath.join("/" + folder, relation.get("Target", ""))).lstrip("/")
        if kind not in {"comments", "threadedComment", "drawing", "chart"} or part not in archive.namelist():
            continue
        if kind == "drawing" and not drawn:
            found += _remarks(archive, file, part, drawn=True)  # its charts
        for element in _tree(archive, file, part).iter():
            tag = element.tag.rpartition("}")[2]
            text = element.get("descr", "") if tag == "cNvPr" else ""
            if tag in {"comment", "threadedComment", "txBody", "title"}:
                text = "".join(element.itertext())
            if text := " ".join(text.split()):
                found.append((*(reference(element.get("ref", "")) or (0, 0)), text))
    return found


def _is_our_lists(sheet: RawSheet, lists: Mapping[str, Sequence[str]] | None) -> bool:
    """Whether a sheet is the hidden one with the choices of our drop-downs, word for word and nothing else."""
    if not lists or sheet.name != LISTS_SHEET or not sheet.hidden or sheet.grid.width != len(lists):
        return False
    wanted = [[word, *words] for word, words in lists.items()]
    if sheet.grid.rows != max(map(len, wanted)):
        return False
    return all(
        sheet.grid.cell(row, number) == (column[row] if row < len(column) else None)
        for number, column in enumerate(wanted)
        for row in range(sheet.grid.rows)
    )


@dataclass(frozen=True, slots=True)
class _Listed:
    """A sheet that the workbook lists: its title, the part of the container with its cells, whether it is hidden."""

    title: str
    entry: str
    hidden: bool


def _tree(archive: zipfile.ZipFile, file: str, part: str) -> ElementTree.Element:
    """Return an XML part of the workbook, guarded as all parts are."""
    parser = ElementTree.XMLParser()
    try:
        for piece in pieces(archive, file, part):
            parser.feed(piece)
        root = parser.close()
    except ElementTree.ParseError as error:
        raise inside(file, f"{shortened(part)}: {error}") from error
    assert isinstance(root, ElementTree.Element)
    return root


_KINDS = tuple(
    f"application/vnd.{kind}.main+xml"
    for kind in ("ms-excel.template.macroEnabled", "openxmlformats-officedocument.spreadsheetml.template",
                 "ms-excel.sheet.macroEnabled", "openxmlformats-officedocument.spreadsheetml.sheet")
)  # fmt: skip
_TEXTS = "application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


def _read_book(archive: zipfile.ZipFile, file: str) -> tuple[list[_Listed], Styles, dict[str, object]]:
    """Return the sheets with cells in the order of the workbook, what it says of all cells, and its own properties.

    openpyxl's reader is the referee of all three in the tests; loading it would take longer than reading a sheet.
    """
    types = _tree(archive, file, "[Content_Types].xml")
    named = [(e.get("ContentType", ""), e.get("PartName", "")[1:]) for e in types.iterfind("{*}Override")]
    main = next((part for kind in _KINDS for have, part in named if have == kind), "")
    if not main and {e.get("ContentType") for e in types.iterfind("{*}Default")} & set(_KINDS):
        main = "xl/workbook.xml"  # some programs name the kind once for all parts
    if not main:
        raise inside(file, "no part is a workbook")
    book, parts = _tree(archive, file, main), set(archive.namelist())
    folder, name = posixpath.split(main)
    related = {
        e.get("Id"): (_needed(e, "Type", file),
                      posixpath.normpath(posixpath.join("/" + folder, _needed(e, "Target", file)))[1:])
        for e in _tree(archive, file, posixpath.join(folder, "_rels", f"{name}.rels"))
    }  # fmt: skip
    sheets = []
    if not (listed := book.findall("{*}sheets/*")):  # whatever they are called: no sheet is passed over
        raise inside(file, "no sheet is listed")
    for sheet in listed:
        title, relation = _needed(sheet, "name", file), sheet.get(_RELATION)
        if not relation:
            continue
        if relation not in related:
            raise inside(file, f"sheet {shortened(title)} leads to no part")
        kind, entry = related[relation]
        if "chartsheet" in kind:
            continue
        if entry not in parts:
            raise refusal(
                file,
                "damaged-file",
                "a sheet's cells are not in the workbook",
                found=shortened(title),
                action="Copy it again from where it came, or open it in a spreadsheet program and save it anew",
            )
        sheets.append(_Listed(title, entry, sheet.get("state", "visible") != "visible"))
    texts = next((part for have, part in named if have == _TEXTS), "")
    since_1904 = any(_is_set(e.get("date1904", "0")) for e in book.iterfind("{*}workbookPr"))
    styles = _styles(_tree(archive, file, "xl/styles.xml"), file) if "xl/styles.xml" in parts else Styles()
    styles = replace(
        styles, texts=_shared_texts(archive, file, texts) if texts else (),
        epoch=dt.datetime(1904, 1, 1) if since_1904 else styles.epoch,
    )  # fmt: skip
    told: dict[str, object] = {}
    if "docProps/custom.xml" in parts:
        for one in _tree(archive, file, "docProps/custom.xml"):
            told |= {one.get("name", ""): value.text or "" for value in one}
    return sheets, styles, told


def _is_set(text: str) -> bool:
    return text not in {"", "0", "false", "f"}


def _needed(element: ElementTree.Element, name: str, file: str) -> str:
    """Return what an element must say."""
    if (text := element.get(name)) is None:
        raise inside(file, f"{shortened(element.tag.rpartition('}')[2])} without {name}")
    return text


def _index(text: str, file: str) -> int:
    """Return the number of a style, format or font."""
    if not _is_number(text.strip(), 9):
        raise inside(file, f"style {shortened(text)!r}")
    return int(text)


def _shared_texts(archive: zipfile.ZipFile, file: str, part: str) -> list[str]:
    """Return the texts that cells name by number, each without what is only said of its look and sound."""
    found: list[str] = []
    text: list[str] = []
    path = [""]

    def start(tag: str, _: Mapping[str, str]) -> None:
        path.append(tag)
        if tag == _ITEM:
            text.clear()

    def end(tag: str) -> None:
        path.pop()
        if tag == _ITEM:
            found.append("".join(text).replace("x005F_", ""))

    def characters(piece: str) -> None:
        if path[-1] == _TEXT and path[-2] in {_ITEM, _RUN}:
            text.append(piece)

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text, parser.buffer_size = True, 1 << 16
    parser.StartElementHandler, parser.EndElementHandler, parser.CharacterDataHandler = start, end, characters
    for piece in pieces(archive, file, part):
        _parse(parser, file, part, piece)
    _parse(parser, file, part, b"", last=True)
    return found


_AS_IT_STANDS = re.compile(r'".*?"|\[(?!(?:hh?|mm?|ss?)\])[^\]]*\]')  #: words, colours, places: not hours that add up
_OF_A_DAY = re.compile(r"(?<![_\\])[dmhys]", re.I)
_OF_A_SPAN = re.compile(r"\[(?:hh?|mm?|ss?)\]", re.I)
_DAY_FORMATS, _SPAN_FORMATS = frozenset((*range(14, 23), 45, 46, 47)), frozenset((46,))  #: ECMA-376, 18.8.30


def _styles(sheet: ElementTree.Element, file: str) -> Styles:
    """Return which styles of cells are days, spans of time, struck through, or show words."""
    formats = {_index(_needed(e, "numFmtId", file), file): _needed(e, "formatCode", file)
               for e in sheet.iterfind("{*}numFmts/{*}numFmt")}  # fmt: skip
    struck = {n for n, font in enumerate(sheet.iterfind("{*}fonts/{*}font"))
              if any(_is_set(e.get("val", "1")) for e in font.iterfind("{*}strike"))}  # fmt: skip
    styles = [tuple(_index(e.get(name, "0"), file) for name in ("numFmtId", "fontId"))
              for e in sheet.iterfind("{*}cellXfs/{*}xf")]  # fmt: skip
    first = {number: code.split(";")[0] for number, code in formats.items()}
    days = {n for n, code in first.items() if _OF_A_DAY.search(_AS_IT_STANDS.sub("", code))}
    spans = {n for n, code in first.items() if _OF_A_SPAN.search(code)}
    days |= _DAY_FORMATS - formats.keys()
    spans |= _SPAN_FORMATS - formats.keys()
    words = {number: found for number, code in formats.items() if (found := _FORMAT_WORDS.findall(code))}
    return Styles(
        (), frozenset(n for n, (form, _) in enumerate(styles) if form in days),
        frozenset(n for n, (form, _) in enumerate(styles) if form in spans),
        frozenset(n for n, (_, font) in enumerate(styles) if font in struck),
        {n: " ".join(words[form]) for n, (form, _) in enumerate(styles) if form in words},
    )  # fmt: skip


def _choose(
    container: Container, sheets: list[_Listed], limits: SizeLimits, only: tuple[str, ...]
) -> list[_Listed]:  # fmt: skip
    """Return the sheets that are to be read."""
    names = [sheet.title for sheet in sheets]
    if len(sheets) > limits.sheets:
        raise refusal(
            container.name,
            "too-large",
            "the workbook has too many sheets",
            found=f"{len(sheets)}",
            allowed=f"at most {limits.sheets}",
            action="Split it into several files",
        )
    if missing := [n for n in only if n not in names]:
        raise refusal(
            container.name,
            "no-sheet",
            f"there is no sheet {missing[0]!r}",
            allowed=shortened(", ".join(names), 2000),
            action="Name one of these",
        )
    return [sheet for sheet in sheets if not only or sheet.title in only]


# Text files in: encoding and delimiter recognised or stated, every field kept as it was typed.


DELIMITERS = (",", ";", "\t", "|")
NAMES = {"\t": "tab", ",": "comma", ";": "semicolon", "|": "bar"}
HEAD_ROWS, HEAD_FIELDS, HEAD_CHARACTERS = 60, 300, 500
CSV_FILES_FIRST_ROWS, CHUNK, CHUNK_CELLS = 256, 20_000, 400_000  #: rows at a time, and fields where rows are long
LONG = 500_000  #: bytes; from here on a text without quotes is read as arrays
LAST_ROWS = 20  #: so many rows tell how many fields the last one should have
SWALLOWED = 3  #: line breaks in one field that also holds delimiters: a quotation mark was never closed
Score = Callable[[Sequence[Sequence[str]]], int]
ByWidth = Callable[[Sequence[str]], list[list[str]]]


MOST_BY_WIDTH = 5_000_000  #: bytes of a report in fixed width
#: of a text in ASCII one of these stands between the columns of a fixed width; NUL: each letter takes two bytes
_GAPS = (b"  ", b"\0", b"\x0b", b"\x0c", b"\x1c", b"\x1d", b"\x1e", b"\x1f")
PIECE = 1 << 20  #: bytes that are decoded at a time


@dataclass(frozen=True, slots=True)
class _Text:
    """How the bytes of a file become text."""

    encoding: str
    guessed: bool = False


def read_text(
    container: Container, options: ReadOptions, score: Score, collector: Collector, by_width: ByWidth | None = None
) -> RawSheet:
    """Return a delimited text file as a sheet.

    ``score`` says how many headings it knows in the first rows, so that the delimiter is the one that makes sense.
    ``by_width`` gives the cells of lines in fixed width, none where it knows no heading in them.

    Raises:
        ReadingsError: binary content, an encoding that doesn't fit, an open quotation mark, too many rows.
    """
    if container.kind == DOCUMENT:
        raise refusal(container.name, "other-format", "this is a document of results, not a table",
                      action="Give it to holeqc check")  # fmt: skip
    text = _encoding(container, options)
    if text.guessed:
        collector.add(
            Problem(
                NOTE,
                "encoding-guessed",
                "the file is not UTF-8; read as Windows-1252",
                file=container.name,
                found=text.encoding,
                allowed="utf-8, utf-16, cp1252 or any encoding that is stated",
                action="If letters look wrong, state the encoding",
            )
        )
    delimiter = {"tab": "\t", "\\t": "\t"}.get(options.delimiter, options.delimiter)
    skip = 0
    if not delimiter:
        if by_width is not None and (grid := _in_fixed_width(container, text, by_width)) is not None:
            return RawSheet(container.name, "", grid, text_only=True, delimiter="blanks")
        delimiter, skip = _delimiter(container, text, score)
    unquoted = None if skip else _unquoted(container, text, delimiter, options)
    if unquoted is None:
        _check_amount(container, text, delimiter, options.limits)
    builder, widths = unquoted or _fields(container, text, delimiter, options, skip)
    grid = builder.finish()
    if unquoted is None:
        _check_quotes(container, grid, delimiter)
    cut = builder.rows - 1 if _is_cut(container, widths) else -1
    return RawSheet(container.name, "", grid, text_only=True, delimiter=delimiter, cut_row=cut)


def _fields(
    container: Container, text: _Text, delimiter: str, options: ReadOptions, skip: int
) -> tuple[GridBuilder, list[int]]:  # fmt: skip
    """Return the fields of a file row by row, and how many the last rows have."""
    builder = GridBuilder()
    widths: list[int] = []
    cells, size = 0, CSV_FILES_FIRST_ROWS
    show = counted(f"{container.name}: rows", CHUNK)
    try:
        with (
            container.incoming.lines(text.encoding) as file, no_collecting(),
            _fields_up_to(options.limits.field_characters),
        ):  # fmt: skip
            rows = csv.reader(file, delimiter=delimiter)
            while chunk := list(islice(rows, size)):
                if builder.rows == 0 and skip:
                    chunk[0] = []
                _check_width(container, max(map(len, chunk)), options)
                cells += sum(map(len, chunk))
                widths = [*widths, *map(len, chunk[-LAST_ROWS:])][-LAST_ROWS:]
                builder.add(chunk, texts=True)
                _check_counts(container, builder, cells, options.limits)
                size = min(CHUNK, max(CSV_FILES_FIRST_ROWS, CHUNK_CELLS // max(1, *widths)))
                show(builder.rows)
    except csv.Error as error:
        if "field limit" in str(error):
            raise refusal(
                container.name,
                "damaged-file",
                f"row {builder.rows + 1} or later holds a field that is far too long",
                found=f"over {options.limits.field_characters} characters",
                allowed=f"at most {options.limits.field_characters}",
                action="Look for a quotation mark that is opened and never closed, or shorten the text",
            ) from error
        raise refusal(
            container.name,
            "damaged-file",
            f"row {builder.rows + 1} or later can't be parted into fields",
            found=str(error),
            action="Look for a quotation mark that is opened and never closed",
        ) from error
    except UnicodeError as error:
        raise _wrong_encoding(container, text.encoding, str(error)) from error
    return builder, widths


def _unquoted(
    container: Container, text: _Text, delimiter: str, options: ReadOptions
) -> tuple[GridBuilder, list[int]] | None:  # fmt: skip
    """Return what `_fields` does for a long file in which nothing is quoted, a fifth of its time; None for others.

    A text is made of each different field, not of each field: the bytes between two marks are compared as numbers.
    """
    content = container.incoming.content
    if len(content) < LONG or delimiter not in DELIMITERS or text.encoding not in {"utf-8", "utf-8-sig"}:
        return None
    if b'"' in content or b"\0" in content:
        return None
    builder, widths, cells = GridBuilder(), list[int](), 0
    show = counted(f"{container.name}: rows", CHUNK)
    start = len(codecs.BOM_UTF8) if content.startswith(codecs.BOM_UTF8) else 0
    try:
        while start < len(content):
            end = content.find(b"\n", start + 4 * PIECE) + 1 or len(content)
            lines = _Lines(content[start:end], delimiter)
            if lines.longest > options.limits.field_characters or not lines.plain:
                return None
            total, start = int(lines.widths.max()), end
            _check_width(container, total, options)
            builder.add_coded([lines.column(number) for number in range(total)], lines.widths.size)
            cells += int(lines.widths.sum())
            widths = [*widths, *lines.widths[-LAST_ROWS:].tolist()][-LAST_ROWS:]
            _check_counts(container, builder, cells, options.limits)
            show(builder.rows)
    except UnicodeError:
        return None
    return builder, widths


_BYTES_OF_WORD = np.array([(1 << 8 * n) - 1 for n in range(9)], dtype="<u8")
_MOST_WORDS = 8  #: of longer fields each is made a text


class _Lines:
    """Some whole lines of UTF-8 without quotes and NUL bytes, parted into fields.

    ``widths`` (r,) says how many fields each has, 0 of a blank one; ``longest`` is the length of the longest [bytes];
    ``plain``: no carriage return stands elsewhere than before a line feed.
    """

    def __init__(self, piece: bytes, delimiter: str) -> None:
        self._piece = piece
        self._ascii = piece.decode("ascii") if piece.isascii() else None
        letters = np.frombuffer(piece + bytes(8), np.uint8)
        parts = letters == ord(delimiter)
        parts |= letters == ord("\n")
        marks = np.flatnonzero(parts)
        if not piece.endswith(b"\n"):
            marks = np.append(marks, len(piece))
        last = np.flatnonzero((letters[marks] == ord("\n")) | (marks == len(piece)))
        self._begin = np.empty_like(marks)
        self._begin[0], self._begin[1:] = 0, marks[:-1] + 1
        self._end = marks
        ends = marks[last]
        returns = (ends > self._begin[last]) & (letters[ends - 1] == ord("\r"))
        self.plain = int(returns.sum()) == piece.count(b"\r")
        marks[last] = ends - returns
        self._first = np.append(0, last[:-1] + 1)
        self.widths: IntArray = last - self._first + 1
        self.widths[(self.widths == 1) & (self._begin[last] == self._end[last])] = 0
        self.longest = int((self._end - self._begin).max())
        width = int(self.widths[0])
        even = marks.size == width * last.size and bool((self.widths == width).all())
        self._even = width if even else 0  #: fields of every line, 0 where lines differ
        self._words = np.ndarray((letters.size - 7,), "<u8", buffer=letters.data, strides=(1,))

    def column(self, number: int) -> tuple[IntArray, list[str]]:
        """Return the fields of a column (r,) as codes into different texts, -1 where a line has none, and the texts."""
        if self._even:  # a slice costs less than picking
            begin, end = self._begin[number :: self._even], self._end[number :: self._even]
        else:
            at = self._first[self.widths > number] + number
            begin, end = self._begin[at], self._end[at]
        codes, first = self._codes(begin, end - begin)
        spans = zip(begin[first].tolist(), end[first].tolist(), strict=True)
        if self._ascii is None:
            texts = [self._piece[i:j].decode() for i, j in spans]
        else:
            texts = [self._ascii[i:j] for i, j in spans]
        if codes.size == self.widths.size:
            return codes, texts
        out = np.full(self.widths.size, BLANK, dtype=np.int64)
        out[self.widths > number] = codes
        return out, texts

    def _codes(self, begin: IntArray, length: IntArray) -> tuple[IntArray, IntArray]:
        """Return equal numbers for equal fields, counted in the order in which they first stand, and where that is."""
        most = int(length.max(initial=0))
        if most > 8 * _MOST_WORDS:
            known: dict[bytes, int] = {}
            cells = (self._piece[i : i + n] for i, n in zip(begin.tolist(), length.tolist(), strict=True))
            return numbered(np.array([known.setdefault(cell, len(known)) for cell in cells], dtype=np.int64))
        codes = first = np.zeros(0, dtype=np.int64)
        for word in range(0, max(most, 1), 8):
            here = self._words[np.minimum(begin + word, self._words.size - 1) if word else begin]
            here &= _BYTES_OF_WORD[np.clip(length - word, 0, 8)]
            more, found = numbered(here)
            codes, first = numbered(codes * len(found) + more) if word else (more, found)
        return codes, first


@contextmanager
def _fields_up_to(characters: int) -> Iterator[None]:
    """Have the library refuse a longer field while it reads, before memory is spent on it."""
    before = csv.field_size_limit(characters)
    try:
        yield
    finally:
        csv.field_size_limit(before)


def _check_amount(container: Container, text: _Text, delimiter: str, limits: SizeLimits) -> None:
    """Refuse a file with far too many fields or rows before any of them is read."""
    content = container.incoming.content
    wide = text.encoding.startswith("utf-16")
    fields = content.count(delimiter.encode("utf-16-le" if wide else "ascii", "ignore") or b"\0\0\0")
    rows = max(content.count(b"\n"), content.count(b"\r") if b"\r" in content else 0)
    bound = 1 if b'"' not in content else 2  # what stands in quotes parts no fields
    if fields > bound * limits.cells:
        raise _too_many(container, "cells", limits.cells)
    if rows > bound * limits.rows + bound:
        raise _too_many(container, "rows", limits.rows)


def _check_counts(container: Container, builder: GridBuilder, cells: int, limits: SizeLimits) -> None:
    """Refuse a file that has proved too large while it is read."""
    for what, count, allowed in (
        ("rows", builder.rows, limits.rows),
        ("cells", cells, limits.cells),
        ("different texts", builder.distinct, limits.texts),
    ):
        if count > allowed:
            raise _too_many(container, what, allowed)


def _too_many(container: Container, what: str, allowed: int) -> Exception:
    return refusal(
        container.name,
        "too-large",
        f"the file has too many {what}",
        found=f"over {allowed}",
        allowed=f"at most {allowed}",
        action="Split it into several files",
    )


def _is_cut(container: Container, widths: list[int]) -> bool:
    """Whether a file ends in the middle of its last row: no line end, and fewer fields than the rows before."""
    before = [width for width in widths[:-1] if width]
    if not before or widths[-1] >= min(before):
        return False
    end = container.incoming.content[-2:]
    return b"\n" not in end and b"\r" not in end


def _check_quotes(container: Container, grid: Grid, delimiter: str) -> None:
    """Refuse a file in which one field has swallowed whole rows."""
    for column in grid.columns:
        for label in column.labels:
            if isinstance(label, str) and label.count("\n") >= SWALLOWED and delimiter in label:
                raise refusal(
                    container.name,
                    "damaged-file",
                    f"a field runs over {label.count(chr(10)) + 1} lines, delimiters and all",
                    found=repr(label[:60]),
                    action="Look for a quotation mark that is opened and never closed",
                )


def _check_width(container: Container, widest: int, options: ReadOptions) -> None:
    if widest > options.limits.columns:
        raise refusal(
            container.name,
            "too-large",
            "a row has too many fields",
            found=f"{widest} fields",
            allowed=f"at most {options.limits.columns}",
            action="State the delimiter, or split the file",
        )


def _wrong_encoding(container: Container, encoding: str, reason: str) -> Exception:
    return refusal(
        container.name,
        "wrong-encoding",
        f"the file is not {encoding}",
        found=reason,
        allowed="utf-8, utf-16 or cp1252",
        action="Save it as UTF-8, or state another encoding",
    )


def _encoding(container: Container, options: ReadOptions) -> _Text:
    start = container.incoming.content[:4096]
    if options.encoding:
        try:
            codecs.lookup(options.encoding)
        except LookupError:
            raise refusal(
                container.name,
                "wrong-encoding",
                f"encoding {options.encoding!r} is not known",
                allowed="utf-8, utf-16, cp1252",
                action="State one of these",
            ) from None
        return _Text(options.encoding)
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _Text("utf-16")
    if start.startswith(codecs.BOM_UTF8):
        return _Text("utf-8-sig")
    if b"\0" in start:
        even, odd = start[0::2].count(0), start[1::2].count(0)
        if min(even, odd) * 20 < max(even, odd) and max(even, odd) * 4 > len(start) // 2:
            return _Text("utf-16-le" if odd > even else "utf-16-be")
    return _Text("utf-8") if _is_utf8(container) else _Text("cp1252", True)


def _is_utf8(container: Container) -> bool:
    content = container.incoming.content
    at = content.find(b"\0")
    if at >= 0:
        raise refusal(
            container.name,
            "binary-content",
            "the file holds NUL bytes: it is no text file",
            found=f"byte {at + 1}",
            allowed="text",
            action="Save the sheet again as CSV",
        )
    if content.isascii():
        return True
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for start in range(0, len(content), PIECE):
            decoder.decode(content[start : start + PIECE])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _head(lines: list[str], delimiter: str) -> list[list[str]]:
    """Return the first rows; of longer ones and longer fields only so much as headings can have."""
    try:
        rows = list(islice(csv.reader(iter(lines), delimiter=delimiter), HEAD_ROWS))
        return [[field[:HEAD_CHARACTERS] for field in row[:HEAD_FIELDS]] for row in rows]
    except csv.Error:
        return []


def _delimiter(container: Container, text: _Text, score: Score) -> tuple[str, int]:
    """Return the delimiter whose first rows make most sense, and how many lines are instructions to be skipped."""
    try:
        with container.incoming.lines(text.encoding) as file:
            lines = list(_bounded_lines(file))
    except UnicodeError as error:
        raise _wrong_encoding(container, text.encoding, str(error)) from error
    first = lines[0].strip().lower() if lines else ""
    if first.startswith("sep=") and len(first) == 5:
        return lines[0].strip()[4], 1
    if first in {"sep=", "sep=\t"}:
        return "\t", 1
    scored = []
    for order, delimiter in enumerate(DELIMITERS):
        rows = _head(lines, delimiter)
        widths = [len(r) for r in rows if len(r) > 1]
        usual = max(map(widths.count, widths)) if widths else 0
        scored.append((score(rows), usual, -order, delimiter))
    return max(scored)[3], 0


def _in_fixed_width(container: Container, text: _Text, by_width: ByWidth) -> Grid | None:
    """Return a report in fixed width as a grid, None where it is no such file: it has no usual delimiter."""
    content = container.incoming.content
    if container.bytes > MOST_BY_WIDTH or any(mark in content for mark in (b"\t", b";", b"|")):
        return None
    if content.isascii() and not any(gap in content for gap in _GAPS):
        return None
    try:
        with container.incoming.lines(text.encoding) as file:
            lines = file.read().splitlines()
    except UnicodeError as error:
        raise _wrong_encoding(container, text.encoding, str(error)) from error
    rows = by_width(lines) if len(max(lines, key=len, default="")) < 1000 else []
    if not rows:
        return None
    builder = GridBuilder()
    builder.add(rows)
    return builder.finish()


def _bounded_lines(file: object) -> Iterator[str]:
    """Yield the first lines, each no longer than a row can sensibly be."""
    for _ in range(HEAD_ROWS):
        line: str = file.readline(200_000)  # type: ignore[attr-defined]
        if not line:
            return
        yield line
