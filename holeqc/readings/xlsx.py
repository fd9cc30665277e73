"""Workbooks in: each sheet as a grid of stored values, with what is merged, hidden or not calculated."""

from __future__ import annotations

import warnings
import zipfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from itertools import islice
from typing import Any, BinaryIO

from holeqc.problems import ReadingsError
from holeqc.readings.containers import Container, check_parts, refusal
from holeqc.readings.grid import UNCALCULATED, Grid, GridBuilder, no_collecting
from holeqc.readings.marker import LISTS_SHEET
from holeqc.readings.options import SizeLimits
from holeqc.readings.sheet_scan import SheetScan, scan_sheet

FIRST_CHUNK, CHUNK = 256, 20_000  #: the first rows hold titles and headings and so are mixed; the rest is uniform
#: what openpyxl and the parser below it raise for a workbook that is broken inside
_BROKEN = (
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
    IndexError,
    OSError,
    EOFError,
    SyntaxError,
    RuntimeError,
    NotImplementedError,
    zipfile.BadZipFile,
    MemoryError,
    OverflowError,
    RecursionError,
)


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


def read_workbook(container: Container, limits: SizeLimits, only: tuple[str, ...] = ()) -> Iterator[RawSheet]:
    """Yield the sheets of a workbook, values as last calculated. No formula, macro or link is run or followed.

    Raises:
        ReadingsError: a damaged or unsafe workbook, or one beyond the size limits.
    """
    with ExitStack() as stack:
        with _clear_errors(container):
            archive = stack.enter_context(zipfile.ZipFile(container.path))
            sheets = {n for n in archive.namelist() if n.startswith("xl/worksheets/")}
            check_parts(archive, container.name, sheets)
            book = _open(stack.enter_context(container.path.open("rb")))
            stack.callback(book.close)
            chosen = _choose(container, book, limits, only)
            told = {str(p.name): p.value for p in getattr(book.custom_doc_props, "props", [])}
        for sheet in chosen:
            with _clear_errors(container):
                entry = sheet._worksheet_path.lstrip("/")
                scan = scan_sheet(archive, container.name, entry, limits, _struck_styles(book))
                sheet.reset_dimensions()
                with no_collecting():
                    grid = _grid(container, sheet, scan, limits)
                hidden = sheet.sheet_state != "visible"
                raw = RawSheet(container.name, str(sheet.title), grid, scan, hidden, properties=told)
            yield raw


@contextmanager
def _clear_errors(container: Container) -> Iterator[None]:
    """Turn whatever a broken workbook raises inside the libraries into one clear error; their warnings are not ours."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except ReadingsError:
        raise
    except _BROKEN as error:
        raise refusal(
            container.name,
            "damaged-file",
            "the workbook is damaged inside",
            found=f"{type(error).__name__}: {str(error)[:200]}",
            action="Open it in a spreadsheet program, check it and save it anew",
        ) from error


def _open(file: BinaryIO) -> Any:
    """Open a workbook for reading values: from an open file, because a path that ends in .xls would be refused."""
    from openpyxl import load_workbook

    return load_workbook(file, read_only=True, data_only=True, keep_links=False, keep_vba=False)


def _struck_styles(book: Any) -> frozenset[int]:
    """Return the numbers of the cell styles whose text is struck through."""
    # not part of the library's published interface: without them nothing is struck, and files are read all the same
    fonts = {number for number, font in enumerate(getattr(book, "_fonts", ())) if font.strike}
    styles = getattr(book, "_cell_styles", ()) if fonts else ()
    return frozenset(number for number, style in enumerate(styles) if style.fontId in fonts)


def _choose(container: Container, book: Any, limits: SizeLimits, only: tuple[str, ...]) -> list[Any]:
    """Return the sheets with cells that are to be read."""
    sheets = list(book.worksheets)
    names = [str(s.title) for s in sheets]
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
            allowed=", ".join(names),
            action="Name one of these",
        )
    wanted = [s for s in sheets if (not only or s.title in only) and s.title != LISTS_SHEET]
    return [s for s in wanted if hasattr(s, "reset_dimensions")]


def _grid(container: Container, sheet: Any, scan: SheetScan, limits: SizeLimits) -> Grid:
    builder = GridBuilder()
    rows = sheet.iter_rows(values_only=True)
    cells, size = 0, FIRST_CHUNK
    while chunk := list(islice(rows, size)):
        widths = list(map(len, chunk))
        widest, cells = max(widths), cells + sum(widths)
        _bound(container, str(sheet.title), "rows", builder.rows + len(chunk), limits.rows)
        _bound(container, str(sheet.title), "cells", cells, limits.cells)
        if widest > limits.columns:
            chunk = _trim(container, str(sheet.title), chunk, limits.columns)
        builder.add(chunk)
        size = CHUNK if widest <= 100 else FIRST_CHUNK
    grid = builder.finish()
    for row, column in scan.uncalculated:
        if row <= grid.rows and column <= grid.width and grid.cell(row - 1, column - 1) is None:
            grid.columns[column - 1].put(row - 1, UNCALCULATED, grid.rows)
    return grid


def _bound(container: Container, sheet: str, what: str, count: int, allowed: int) -> None:
    if count > allowed:
        raise refusal(
            container.name,
            "too-large",
            f"the sheet has too many {what}",
            found=f"over {allowed}",
            sheet=sheet,
            allowed=f"at most {allowed}",
            action="Split it, or delete what lies outside the table",
        )


def _trim(container: Container, sheet: str, chunk: list[tuple[object, ...]], columns: int) -> list[tuple[object, ...]]:
    """Cut off formatted but blank cells far to the right; refuse contents there."""
    if any(cell is not None for row in chunk for cell in row[columns:]):
        _bound(container, sheet, "columns", columns + 1, columns)
    return [row[:columns] for row in chunk]
