"""Workbooks in: each sheet as a grid of stored values, with what is merged, hidden or not calculated."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from typing import Any, BinaryIO
from xml.parsers import expat

from holeqc.printing import counted, shortened
from holeqc.problems import ReadingsError
from holeqc.readings.containers import DAMAGED, Container, check_cells, check_parts, opened, pieces, refusal
from holeqc.readings.grid import Grid, no_collecting
from holeqc.readings.marker import LISTS_SHEET
from holeqc.readings.options import SizeLimits
from holeqc.readings.sheet_scan import SheetPass, SheetScan, Styles

#: what openpyxl and the parser below it raise for a workbook that is broken inside
_BROKEN = (
    KeyError,
    TypeError,
    AttributeError,
    SyntaxError,
    AssertionError,
    MemoryError,
    RecursionError,
    expat.ExpatError,
    *DAMAGED,
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
        with _clear_errors(container):
            archive = stack.enter_context(opened(container.incoming))
            sheets = {n for n in archive.namelist() if n.startswith("xl/worksheets/")}
            check_parts(archive, container.name, sheets, limits)
            book = _open(container.incoming.stream())
            stack.callback(book.close)
            chosen = _choose(container, book, limits, only)
            told = {str(p.name): p.value for p in getattr(book.custom_doc_props, "props", [])}
        for sheet in chosen:
            with _clear_errors(container):
                entry = sheet._worksheet_path.lstrip("/")
                check_cells(archive, container.name, entry, limits)
                title = str(sheet.title)
                reading = SheetPass(
                    container.name, title, limits, _styles(book, sheet), counted(f"{title}: rows", 20_000)
                )
                with no_collecting():
                    for piece in pieces(archive, container.name, entry):
                        reading.feed(piece)
                    grid, scan = reading.finish()
                hidden = sheet.sheet_state != "visible"
                raw = RawSheet(container.name, title, grid, scan, hidden, properties=told)
            if not _is_our_lists(raw, lists):
                yield raw


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
            found=f"{type(error).__name__}: {shortened(str(error), 200)}",
            action="Open it in a spreadsheet program, check it and save it anew",
        ) from error


def _open(file: BinaryIO) -> Any:
    """Open a workbook for reading values: from an open file, because a path that ends in .xls would be refused."""
    from openpyxl import load_workbook

    return load_workbook(file, read_only=True, data_only=True, keep_links=False, keep_vba=False)


def _styles(book: Any, sheet: Any) -> Styles:
    """Return what the library read of texts, styles and the calendar.

    Not all of it is part of its published interface; tests compare what is read with its own reading.
    """
    fonts = {number for number, font in enumerate(getattr(book, "_fonts", ())) if font.strike}
    styles = getattr(book, "_cell_styles", ()) if fonts else ()
    return Styles(
        sheet._shared_strings, frozenset(book._date_formats), frozenset(book._timedelta_formats),
        frozenset(number for number, style in enumerate(styles) if style.fontId in fonts), book.epoch,
    )  # fmt: skip


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
    wanted = [s for s in sheets if (not only or s.title in only)]
    return [s for s in wanted if hasattr(s, "reset_dimensions")]
