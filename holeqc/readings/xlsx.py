"""Workbooks in: each sheet as a grid of stored values, with what is merged, hidden or not calculated."""

from __future__ import annotations

import posixpath
import re
import warnings
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from typing import Any
from xml.parsers import expat

from holeqc.printing import counted, shortened
from holeqc.problems import ReadingsError
from holeqc.readings.containers import DAMAGED, Container, check_cells, check_parts, opened, pieces, refusal
from holeqc.readings.grid import Grid, no_collecting
from holeqc.readings.marker import LISTS_SHEET
from holeqc.readings.options import SizeLimits
from holeqc.readings.sheet_scan import SheetPass, SheetScan, Styles, reference

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
            book = _open(container)
            stack.callback(book.archive.close)
            chosen = _choose(container, _listed(container, book), limits, only)
            told = {str(p.name): p.value for p in getattr(book.wb.custom_doc_props, "props", [])}
            styles = _styles(book)
        for sheet in chosen:
            with _clear_errors(container):
                check_cells(archive, container.name, sheet.entry, limits)
                show = counted(f"{sheet.title}: rows", 20_000)
                reading = SheetPass(container.name, sheet.title, limits, styles, show)
                with no_collecting():
                    for piece in pieces(archive, container.name, sheet.entry):
                        reading.feed(piece)
                    grid, scan = reading.finish()
                scan.remarks += _remarks(archive, sheet.entry)
                raw = RawSheet(container.name, sheet.title, grid, scan, sheet.hidden, properties=told)
            if not _is_our_lists(raw, lists):
                yield raw


_FORMAT_WORDS = re.compile(r'"([^"]*[^\W\d_]{2,}[^"]*)"')  #: what a number format shows in words


def _remarks(archive: zipfile.ZipFile, entry: str) -> list[tuple[int, int, str]]:
    """Return the comments at a sheet's cells (row, column), and of what is drawn on it (0, 0) texts and titles.

    Their parts were looked through before: they declare no document type and are bounded.
    """
    from xml.etree import ElementTree

    folder, _, name = entry.rpartition("/")
    relations = f"{folder}/_rels/{name}.rels"
    if relations not in archive.namelist():
        return []
    found = []
    for relation in ElementTree.fromstring(archive.read(relations)):
        kind = relation.get("Type", "").rpartition("/")[2]
        part = posixpath.normpath(posixpath.join("/" + folder, relation.get("Target", ""))).lstrip("/")
        if kind not in {"comments", "threadedComment", "drawing", "chart"} or part not in archive.namelist():
            continue
        if kind == "drawing" and entry.startswith("xl/worksheets/"):
            found += _remarks(archive, part)  # its charts
        for element in ElementTree.fromstring(archive.read(part)).iter():
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


@dataclass(frozen=True, slots=True)
class _Listed:
    """A sheet that the workbook lists: its title, the part of the container with its cells, whether it is hidden."""

    title: str
    entry: str
    hidden: bool


def _open(container: Container) -> Any:
    """Return the library's reader of a workbook, with all but the sheets read.

    Its parts are called one by one because the whole would look through each sheet once more. They aren't all part of
    its published interface; tests compare what is read with its own reading.
    """
    from openpyxl.reader.excel import ExcelReader
    from openpyxl.styles.stylesheet import apply_stylesheet

    reader = ExcelReader(container.incoming.stream(), read_only=True, data_only=True, keep_links=False)
    reader.read_manifest()
    reader.read_strings()
    reader.read_workbook()
    reader.read_custom()
    apply_stylesheet(reader.archive, reader.wb)
    return reader


def _listed(container: Container, book: Any) -> list[_Listed]:
    """Return the sheets with cells, in the order of the workbook."""
    found = []
    for sheet, related in book.parser.find_sheets():
        if "chartsheet" in related.Type:
            continue
        entry = str(related.target).lstrip("/")
        if entry not in book.valid_files:
            raise refusal(
                container.name,
                "damaged-file",
                "a sheet's cells are not in the workbook",
                found=shortened(str(sheet.name)),
                action="Copy it again from where it came, or open it in a spreadsheet program and save it anew",
            )
        found.append(_Listed(str(sheet.name), entry, sheet.state != "visible"))
    return found


def _styles(book: Any) -> Styles:
    """Return what the library read of texts, styles and the calendar."""
    wb = book.wb
    fonts = {number for number, font in enumerate(wb._fonts) if font.strike}
    struck = frozenset(number for number, style in enumerate(wb._cell_styles) if style.fontId in fonts)
    formats = {number: _FORMAT_WORDS.findall(text) for number, text in enumerate(wb._number_formats, 164)}
    worded = {number: " ".join(formats[style.numFmtId]) for number, style in enumerate(wb._cell_styles)
              if formats.get(style.numFmtId)}  # fmt: skip
    return Styles(
        book.shared_strings, frozenset(wb._date_formats), frozenset(wb._timedelta_formats), struck, worded, wb.epoch
    )


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
