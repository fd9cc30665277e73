"""One sheet of a workbook as a plain grid of cells: the values as stored, and which of them can't be trusted.

A formula that was never calculated and a cell swallowed by a merged range both look blank; they are told apart here.
"""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from holeqc.problems import ERROR, Problem, ReadingsError

#: above this many rows a second look with all cell details would take minutes; merged ranges are then not looked for
MERGED_RANGE_ROWS = 20_000

WORKBOOK_SUFFIXES = (".xlsx", ".xlsm")


@dataclass(frozen=True, slots=True)
class PlainSheet:
    """A sheet's cells: ``rows[i][j]`` stands in row ``i + 1`` and column ``j + 1``; odd blanks by (row, column).

    ``uncalculated`` holds the cells whose formula has no stored result, ``merged`` the blank cells of merged ranges
    with the range they belong to.
    """

    title: str
    rows: list[tuple[object, ...]]
    uncalculated: frozenset[tuple[int, int]]
    merged: dict[tuple[int, int], str]


def _unreadable(path: Path, reason: str, action: str, allowed: str = "") -> ReadingsError:
    problem = Problem(ERROR, "unreadable-workbook", reason, file=str(path), action=action, allowed=allowed)
    return ReadingsError(problem.sentence(), [problem])


def _open(path: Path, *, values: bool, read_only: bool) -> Any:
    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        return openpyxl.load_workbook(path, data_only=values, read_only=read_only)
    except FileNotFoundError:
        raise _unreadable(path, "there is no such file", "Check the name and the folder.") from None
    except (zipfile.BadZipFile, InvalidFileException, KeyError, OSError, ValueError, EOFError) as error:
        reason = f"the workbook can't be opened ({type(error).__name__}); it may be cut off or not a workbook"
        raise _unreadable(path, reason, "Open it in a spreadsheet program and save it again as .xlsx.") from error


def _pick(book: Any, path: Path, sheet: str) -> Any:
    names = [str(s.title) for s in book.worksheets]
    if not names:
        raise _unreadable(path, "the workbook has no sheet with cells", "Save the table on a sheet.")
    if not sheet:
        return book.worksheets[0]
    if sheet not in names:
        raise _unreadable(path, f"there is no sheet '{sheet}'", "Give one of these.", ", ".join(names))
    return book.worksheets[names.index(sheet)]


def _blanks(rows: list[tuple[object, ...]]) -> set[tuple[int, int]]:
    return {(i + 1, j + 1) for i, row in enumerate(rows) for j, value in enumerate(row) if value is None}


def read_plain_sheet(path: Path, sheet: str = "") -> PlainSheet:
    """Read the cells of one sheet of a workbook as stored values.

    ``sheet`` is a sheet's name; empty takes the first. Raises ``ReadingsError`` when the file or the sheet is
    missing or can't be opened.
    """
    book = _open(path, values=True, read_only=True)
    try:
        chosen = _pick(book, path, sheet)
        chosen.reset_dimensions()  # the stated size of a sheet is often wrong
        rows = [tuple(row) for row in chosen.iter_rows(values_only=True)]
        title = str(chosen.title)
    finally:
        book.close()
    while rows and all(value is None for value in rows[-1]):
        rows.pop()
    blanks = _blanks(rows)
    if not blanks:
        return PlainSheet(title, rows, frozenset(), {})
    full = len(rows) <= MERGED_RANGE_ROWS
    second = _open(path, values=False, read_only=not full)
    try:
        stored = second[title]
        if not full:
            stored.reset_dimensions()
        formulas: set[tuple[int, int]] = set()
        for i, row in enumerate(stored.iter_rows(values_only=True, max_row=len(rows))):
            formulas.update((i + 1, j + 1) for j, value in enumerate(row) if value is not None)
        merged: dict[tuple[int, int], str] = {}
        if full:
            for cells in stored.merged_cells.ranges:
                for row_number, column_number in blanks:
                    if cells.min_row <= row_number <= cells.max_row and cells.min_col <= column_number <= cells.max_col:
                        merged[row_number, column_number] = str(cells.coord)
    finally:
        second.close()
    return PlainSheet(title, rows, frozenset(blanks & formulas), merged)
