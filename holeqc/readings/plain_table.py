"""One sheet of a workbook as a plain grid of cells: the values as stored, and which of them can't be trusted.

A formula that was never calculated and a cell swallowed by a merged range both look blank; they are told apart here.
The file comes in through the same door and the same reader as a sheet of readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from holeqc.problems import ERROR, Problem, ReadingsError
from holeqc.readings.containers import WORKBOOK, examine, refusal
from holeqc.readings.grid import Grid, Uncalculated
from holeqc.readings.options import SizeLimits
from holeqc.readings.table import cell_name

WORKBOOK_SUFFIXES = (".xlsx", ".xlsm")


@dataclass(frozen=True, slots=True)
class PlainSheet:
    """A sheet's cells: ``rows[i][j]`` stands in row ``i + 1`` and column ``j + 1``; odd blanks by (row, column).

    ``uncalculated`` holds the cells whose formula has no stored result, ``merged`` the blank cells of merged ranges
    with the range they belong to. ``sha256`` and ``size`` [bytes] are of the file that was read.
    """

    title: str
    rows: list[tuple[object, ...]]
    uncalculated: frozenset[tuple[int, int]]
    merged: dict[tuple[int, int], str]
    sha256: str = ""
    size: int = 0


def read_plain_sheet(path: Path, sheet: str = "", limits: SizeLimits | None = None) -> PlainSheet:
    """Read the cells of one sheet of a workbook as stored values.

    ``sheet`` is a sheet's name; empty takes the first. Raises ``ReadingsError`` when the file or the sheet is
    missing, can't be opened, isn't safe, or is larger than a table can need.
    """
    from holeqc.readings.xlsx import read_workbook

    limits = limits or SizeLimits()
    container = examine(path, limits)
    if container.kind != WORKBOOK:
        problem = Problem(
            ERROR, "unreadable-workbook", "this is no workbook, whatever its name says", file=container.name,
            action="Open it in a spreadsheet program and save it again as .xlsx, or name it .csv if it is text",
        )  # fmt: skip
        raise ReadingsError(problem.sentence(), [problem])
    raw = next(read_workbook(container, limits, (sheet,) if sheet else ()), None)
    if raw is None:
        raise refusal(container.name, "unreadable-workbook", "the workbook has no sheet with cells",
                      action="Save the table on a sheet")  # fmt: skip
    merged = _merged(container.name, raw.grid, raw.scan.merged)
    rows, uncalculated = [], set()
    for number in range(raw.grid.rows):
        row: list[object] = list(raw.grid.row(number))
        for column, value in enumerate(row):
            if isinstance(value, Uncalculated):
                row[column] = None
                uncalculated.add((number + 1, column + 1))
        rows.append(tuple(row))
    while rows and all(value is None for value in rows[-1]):
        rows.pop()
    return PlainSheet(raw.name, rows, frozenset(uncalculated), merged, container.sha256, container.bytes)


def _merged(name: str, grid: Grid, ranges: set[tuple[int, int, int, int]]) -> dict[tuple[int, int], str]:
    """Return the blank cells of merged ranges with the range each belongs to."""
    found: dict[tuple[int, int], str] = {}
    area = 0
    for top, left, bottom, right in sorted(ranges):
        words = f"{cell_name(top, left)}:{cell_name(bottom, right)}"
        bottom, right = min(bottom, grid.rows), min(right, grid.width)
        area += max(0, bottom - top + 1) * max(0, right - left + 1)
        if area > grid.rows * grid.width:
            raise refusal(name, "damaged-file", "merged ranges lie over one another", found=words,
                          action="Unmerge the cells and save again")  # fmt: skip
        for row in range(top, bottom + 1):
            for column in range(left, right + 1):
                if grid.cell(row - 1, column - 1) is None:
                    found[row, column] = words
    return found
