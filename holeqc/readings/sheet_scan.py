"""One pass over a sheet's XML: the stored value of every cell, and what surrounds cells and bears on them.

Merged ranges, hidden rows and columns, formulas without a stored result, text that is struck through. What the format
(ECMA-376, 18.3.1) forbids is refused by name of the cell, because one of two values would be lost without a word: a
cell with two values, a cell or row that stands twice or out of order, a value that isn't what its kind says.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NoReturn
from xml.parsers import expat

from holeqc.printing import shortened
from holeqc.readings.containers import refusal
from holeqc.readings.grid import UNCALCULATED, Grid, GridBuilder
from holeqc.readings.options import SizeLimits

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main "
_CELL, _VALUE, _FORMULA, _INLINE, _ROW = (_MAIN + tag for tag in ("c", "v", "f", "is", "row"))
_TEXT, _RUN, _SOUND = (_MAIN + tag for tag in ("t", "r", "rPh"))
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
        self._styles_seen: dict[str, int] = {}
        self._days: dict[tuple[str, int], object] = {}
        self._parser = parser = expat.ParserCreate(namespace_separator=" ")
        parser.buffer_text, parser.buffer_size = True, 1 << 16
        parser.StartElementHandler, parser.EndElementHandler = self._start, self._end
        parser.CharacterDataHandler = self._characters
        parser.StartDoctypeDeclHandler = self._declares

    def feed(self, piece: bytes) -> None:
        """Take the next piece. Raises ReadingsError, or expat.ExpatError where it isn't XML."""
        self._parser.Parse(piece, False)

    def finish(self) -> tuple[Grid, SheetScan]:
        """Return the cells as a grid, and what else was found."""
        self._parser.Parse(b"", True)
        self._flush()
        grid = self._builder.finish()
        for row, column in self.scan.uncalculated:
            if row <= grid.rows and column <= grid.width and grid.cell(row - 1, column - 1) is None:
                grid.columns[column - 1].put(row - 1, UNCALCULATED, grid.rows)
        return grid, self.scan

    # ------------------------------------------------------------------------------------------------------- elements

    def _start(self, tag: str, attributes: Mapping[str, str]) -> None:
        if self._in_cell:
            if tag == _VALUE and len(self._path) == 1:  # nearly always
                self._path.append(tag)
                self._values += 1
                self._taking = True
            else:
                self._start_inside(tag)
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

    def _start_inside(self, tag: str) -> None:
        above = self._path[-1]
        allowed = _MAY_HOLD.get(above)
        if allowed is not None and tag not in allowed:
            self._forbidden(self._address(), "the cell holds something that no cell may hold")
        self._path.append(tag)
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
            from openpyxl.utils.datetime import from_excel

            number, span = self._number(text), self._style in self._styles.spans
            try:
                self._days[key] = from_excel(number, self._styles.epoch, timedelta=span)
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


def _is_number(text: str, digits: int) -> bool:
    return text.isascii() and text.isdecimal() and len(text) <= digits
