"""A sheet held column by column: numbers as an array, everything else as a code and a list of distinct contents.

A sheet of readings repeats itself: serial numbers, holes, walls and words recur in thousands of rows. So a cell's
content is looked at once for each distinct content, and rows are handled as arrays.
"""

from __future__ import annotations

import datetime as dt
import gc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import zip_longest

import numpy as np
from numpy.typing import NDArray

from holeqc.quantities import FloatArray

CodeArray = NDArray[np.int32]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Content = str | float | dt.datetime | dt.date | dt.time | dt.timedelta | None

BLANK = -1
#: an integer from here on isn't kept exactly by a floating point number
EXACT_INTEGERS = 2.0**53


class Uncalculated(str):
    """Text that stands for a formula which no program has calculated yet."""

    __slots__ = ()


UNCALCULATED = Uncalculated("formula without a stored result")


@dataclass(slots=True)
class GridColumn:
    """One column: ``numbers`` (n,) NaN where the cell is no number; ``codes`` (n,) into ``labels``, -1 where none."""

    numbers: FloatArray | None
    codes: CodeArray | None
    labels: list[Content]

    def filled(self, size: int) -> BoolArray:
        """Return where the column has any content (n,)."""
        out = np.zeros(size, dtype=np.bool_)
        if self.numbers is not None:
            out |= ~np.isnan(self.numbers)
        if self.codes is not None:
            out |= self.codes >= 0
        return out

    def content(self, row: int) -> Content:
        """Return the content of one cell, row from 0; None for a blank one."""
        if self.codes is not None and self.codes[row] >= 0:
            return self.labels[int(self.codes[row])]
        if self.numbers is not None and not np.isnan(self.numbers[row]):
            return float(self.numbers[row])
        return None

    def as_labels(self, rows: IntArray) -> tuple[CodeArray, list[Content]]:
        """Return numbers and texts of some rows as codes into one list of distinct contents, -1 where blank."""
        import pandas as pd

        codes = np.full(rows.size, BLANK, dtype=np.int32)
        labels: list[Content] = list(self.labels)
        if self.codes is not None:
            codes = self.codes[rows].copy()
        if self.numbers is not None:
            number_codes, distinct = pd.factorize(self.numbers[rows])
            known = number_codes >= 0
            codes[known] = number_codes[known] + len(labels)
            labels.extend(float(v) for v in distinct)
        return codes, labels

    def put(self, row: int, content: Content, size: int) -> None:
        """Place a text in a blank cell."""
        if self.codes is None:
            self.codes = np.full(size, BLANK, dtype=np.int32)
        if content not in self.labels:
            self.labels.append(content)
        self.codes[row] = self.labels.index(content)


@dataclass(slots=True)
class Grid:
    """All cells of a sheet; rows and columns count from 0 here, from 1 in what a person reads."""

    rows: int
    columns: list[GridColumn]

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.columns)

    def cell(self, row: int, column: int) -> Content:
        """Return a cell's content, None for a blank cell or one outside the sheet."""
        if not (0 <= column < self.width and 0 <= row < self.rows):
            return None
        return self.columns[column].content(row)

    def row(self, row: int) -> list[Content]:
        """Return a row's contents."""
        return [column.content(row) for column in self.columns]

    def filled_rows(self) -> BoolArray:
        """Return which rows have any content (rows,)."""
        out = np.zeros(self.rows, dtype=np.bool_)
        for column in self.columns:
            out |= column.filled(self.rows)
        return out


@dataclass(slots=True)
class _Growing:
    """A column while rows still come in: chunks with the row at which each starts."""

    numbers: list[tuple[int, FloatArray]] = field(default_factory=list)
    codes: list[tuple[int, CodeArray]] = field(default_factory=list)
    index: dict[Content, int] = field(default_factory=dict)


class GridBuilder:
    """Takes rows in chunks, keeps only arrays."""

    def __init__(self) -> None:
        self._columns: list[_Growing] = []
        self.rows = 0

    def add(self, rows: Sequence[Sequence[object]]) -> None:
        """Add the next rows; a cell is None, str, int, float, bool or one of the date and time types."""
        even = len(set(map(len, rows))) == 1
        columns = zip(*rows, strict=True) if even else zip_longest(*rows)
        for number, cells in enumerate(columns):
            if number == len(self._columns):
                self._columns.append(_Growing())
            kinds = set(map(type, cells))
            kinds.discard(type(None))
            if not kinds:
                continue
            growing = self._columns[number]
            if kinds <= {float, int} and self._add_numbers(growing, cells, int in kinds):
                continue
            if kinds == {str}:
                self._add_texts(growing, cells)
            else:
                self._add_mixed(growing, cells)
        self.rows += len(rows)

    def _add_numbers(self, growing: _Growing, cells: Sequence[object], integers: bool) -> bool:
        try:
            numbers = np.array(cells, dtype=np.float64)
        except (OverflowError, TypeError, ValueError):
            return False
        if integers and bool(np.any(np.abs(numbers) >= EXACT_INTEGERS)):
            return False
        growing.numbers.append((self.rows, numbers))
        return True

    def _add_texts(self, growing: _Growing, cells: Sequence[object]) -> None:
        import pandas as pd

        array = np.empty(len(cells), dtype=object)
        array[:] = cells
        local, distinct = pd.factorize(array)
        known = np.empty(len(distinct) + 1, dtype=np.int32)
        known[-1] = BLANK
        index = growing.index
        for i, text in enumerate(distinct):
            blank = isinstance(text, str) and not text.strip()
            known[i] = BLANK if blank else index.setdefault(text, len(index))
        growing.codes.append((self.rows, known[local]))

    def _add_mixed(self, growing: _Growing, cells: Sequence[object]) -> None:
        """Part numbers from the rest; truth values and integers too long for a float become text."""
        numbers = [c if type(c) is float or (type(c) is int and abs(c) < EXACT_INTEGERS) else None for c in cells]
        rest = [None if n is not None or c is None else _as_content(c) for c, n in zip(cells, numbers, strict=True)]
        growing.numbers.append((self.rows, np.array(numbers, dtype=np.float64)))
        self._add_texts(growing, rest)

    @property
    def distinct(self) -> int:
        """Number of different texts so far, counted column by column."""
        return sum(len(column.index) for column in self._columns)

    def finish(self) -> Grid:
        """Return everything added so far as a grid."""
        columns = []
        for growing in self._columns:
            numbers: FloatArray | None = None
            codes: CodeArray | None = None
            if growing.numbers:
                numbers = np.full(self.rows, np.nan)
                for start, chunk in growing.numbers:
                    numbers[start : start + chunk.size] = chunk
                if np.isnan(numbers).all():
                    numbers = None
            if growing.codes:
                codes = np.full(self.rows, BLANK, dtype=np.int32)
                for start, code_chunk in growing.codes:
                    codes[start : start + code_chunk.size] = code_chunk
            columns.append(GridColumn(numbers, codes, list(growing.index)))
        while columns and columns[-1].numbers is None and columns[-1].codes is None:
            columns.pop()
        return Grid(self.rows, columns)


def _as_content(cell: object) -> Content:
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, str | dt.datetime | dt.date | dt.time | dt.timedelta):
        return cell
    return str(cell)


@contextmanager
def no_collecting() -> Iterator[None]:
    """Pause the search for reference cycles: cells hold none, and looking at them all again costs time."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()
