"""The evaluated workbook: verdicts, holes, characteristics, pins, every reading with its cell, problems.

The library makes the workbook with its styles, headings, filters and print set-up; the rows are then streamed into it
as XML (ECMA-376, 18.3.1) column by column, each value turned into a cell once, in no more memory than a page of them. A
text is always written as text: nothing that somebody typed into a sheet can become a formula here.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import textwrap
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import IO, TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.page import PageMargins

import holeqc
from holeqc import writer
from holeqc.inspection.tags import tidy
from holeqc.inspection.view import Run
from holeqc.problems import Problem
from holeqc.quantities import GRAIN
from holeqc.readings.table import cell_name
from holeqc.reports import blocks as w
from holeqc.reports.screen import column_rows, holes_sentence
from holeqc.reports.story import rule_points
from holeqc.specification.words import confirmed_sentences, limits_line
from holeqc.tables import Table, Texts

if TYPE_CHECKING:
    import pandas as pd

MOST_ROWS = 1_000_000  #: of one sheet, below the format's own 1 048 576; what is more goes on in a further sheet
MOST_KNOWN = 20_000  #: values of one column kept with their XML
PIECE = 5_000  #: rows written at a time
MOST_LETTERS = 32_000  #: of one cell, below the format's own 32 767
_DAY = dt.datetime(2000, 1, 1)  #: stands in the file for "when", so that the same run gives the same bytes
_EPOCH = dt.date(1899, 12, 30)  #: day 0 of the sheet's calendar
_NUMBERS = {"length", "plain", "ratio", "day"}
_FACE = "Calibri"
_STYLES = ("text", "quoted", "length", "plain", "ratio", "day", "accept", "hold", "reject", "wrapped")

Cells = Sequence[Any]
Heads = Sequence[tuple[str, float]]
Makes = Callable[[Any], Any]
#: values of a column and what makes a cell's value of one; or what gives the cells' values from one row to another
Column = tuple[Texts | NDArray[Any] | Cells, Makes | None] | Callable[[int, int], Cells]


class Verdict(int):
    """A verdict on its way into a cell."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table on its way into the workbook: ``count`` rows from ``first`` on of its columns."""

    title: str
    heads: Heads
    columns: Sequence[Column]
    count: int
    first: int = 0


def sheet_of(title: str, heads: Heads, rows: Sequence[Cells]) -> Sheet:
    """Return rows of values as a table."""
    return Sheet(title, heads, [(column, None) for column in zip(*rows, strict=True)], len(rows))


def write_workbook(run: Run, file: IO[bytes], progress: Callable[[str], None] = lambda _: None) -> None:
    """Write the workbook of a run into an open file; the same bytes each time for the same run and library versions."""
    write_sheets(run, list(_sheets(run)), file, progress)


def write_sheets(
    run: Run, sheets: Sequence[Sheet], file: IO[bytes], progress: Callable[[str], None] = lambda _: None
) -> None:
    """Write a workbook of tables that speak of a run into an open file; the same tables give the same bytes."""
    store, styles = _frame_of(run, sheets)
    ours = {f"xl/worksheets/sheet{n}.xml": sheet for n, sheet in enumerate(sheets, 1)}
    with zipfile.ZipFile(store) as source, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as target:
        for item in source.infolist():
            data = source.read(item)
            with target.open(item.filename, "w", force_zip64=item.filename in ours) as out:
                if item.filename in ours:
                    progress(f"workbook: {ours[item.filename].title}")
                    _fill(out, data, ours[item.filename], styles)
                else:
                    out.write(_fixed_time(data) if item.filename == "docProps/core.xml" else data)


def write_table(frame: pd.DataFrame, title: str, file: IO[bytes]) -> None:
    """Write one table as a workbook: text as text, days as days, what isn't known as an empty cell."""
    book = Workbook(write_only=True)
    for start in range(0, max(len(frame), 1), MOST_ROWS):
        page = book.create_sheet(title if not start else f"{title} {start // MOST_ROWS + 1}")
        page.freeze_panes = "A2"
        for n, name in enumerate(frame.columns, 1):
            page.column_dimensions[get_column_letter(n)].width = max(11, len(str(name)) + 3)
        heads = [WriteOnlyCell(page, str(name)) for name in frame.columns]
        for head in heads:
            head.font = Font(name=_FACE, size=10, bold=True)
        page.append(heads)
        piece = frame.iloc[start : start + MOST_ROWS]
        for row in zip(*(piece[name].tolist() for name in piece.columns), strict=True):
            page.append([_plain_cell(page, value) for value in row])
    book.save(file)


def _plain_cell(page: Any, value: Any) -> Any:
    if isinstance(value, str):
        cell = WriteOnlyCell(page)
        writer.as_cell(cell, value[:MOST_LETTERS])
        return cell if value else None
    if value is None or value != value:  # NaN and NaT differ from themselves
        return None
    return value.date() if isinstance(value, dt.datetime) else value


def _sheets(run: Run) -> Iterator[Sheet]:
    """Give the tables, long ones in pieces that a sheet can take."""
    tables = run.inspection.tables
    for sheet in (
        sheet_of("Verdicts", _VERDICTS, list(_verdict_rows(run))),
        Sheet("Holes", _HOLES, _hole_columns(tables["holes"]), len(tables["holes"])),
        Sheet("Characteristics", _CHARACTERISTICS, _characteristic_columns(run), len(tables["characteristics"])),
        Sheet("Pins", _PINS, _pin_columns(tables["pins"]), len(tables["pins"])),
        Sheet("Readings", _READINGS, _reading_columns(run), len(run.inspection.readings.rows)),
        sheet_of("Problems", _PROBLEMS, list(_problem_rows(run))),
        sheet_of("Columns", _COLUMNS, list(_use_rows(run))),
    ):
        for start in range(0, max(sheet.count, 1), MOST_ROWS):
            name = sheet.title if start == 0 else f"{sheet.title} {start // MOST_ROWS + 1}"
            yield replace(sheet, title=name, count=min(MOST_ROWS, sheet.count - start), first=start)
    yield sheet_of("About", (("About", 28), ("This workbook", 110)), about_rows(run))


# ------------------------------------------------------------------------------------------------------------- frame


def _frame_of(run: Run, sheets: Sequence[Sheet]) -> tuple[io.BytesIO, dict[str, int]]:
    """Return the workbook with headings only, and the number of each style in it."""
    book = Workbook()
    book.remove(book.active)
    book.properties.creator = f"holeqc {holeqc.__version__}"
    book.properties.title = f"Evaluation, kit {w.plain(run.specification.id)}"
    book.properties.created = _DAY
    for sheet in sheets:
        _empty_sheet(book, run, sheet)
    styles = _make_styles(book, run.specification.unit)
    store = io.BytesIO()
    book.save(store)
    return store, styles


def _empty_sheet(book: Workbook, run: Run, sheet: Sheet) -> None:
    page = book.create_sheet(sheet.title)
    page.freeze_panes = "A2"
    for n, (name, width) in enumerate(sheet.heads, 1):
        cell = page.cell(1, n, name)
        cell.font, cell.fill = Font(name=_FACE, size=10, bold=True), PatternFill("solid", fgColor="E1E6E9")
        cell.border = Border(bottom=Side(style="thin", color="1C2329"))
        cell.alignment = Alignment(horizontal="left", vertical="bottom", indent=1, wrap_text=True)
        page.column_dimensions[get_column_letter(n)].width = width
    page.row_dimensions[1].height = 13.5 * max((heading_lines(*head) for head in sheet.heads), default=1) + 3
    if sheet.count and sheet.title != "About":
        page.auto_filter.ref = f"A1:{get_column_letter(len(sheet.heads))}{sheet.count + 1}"
    page.page_setup.orientation = "landscape"
    page.page_setup.paperSize = 1 if run.specification.unit == "in" else 9
    page.page_setup.fitToWidth, page.page_setup.fitToHeight = 1, 0
    page.sheet_properties.pageSetUpPr.fitToPage = True
    page.page_margins = PageMargins(left=0.4, right=0.4, top=0.5, bottom=0.6, header=0.3, footer=0.3)
    page.print_title_rows = "1:1"
    line = w.tool_line(holeqc.__version__, run.specification).replace("&", "&&")
    page.oddFooter.left.text, page.oddFooter.right.text = line, "&A, page &P of &N"


def heading_lines(name: str, width: float) -> int:
    """Return how many lines a heading takes in a column of that width, set in bold beside its indent."""
    return len(textwrap.wrap(name, letters_in(width))) or 1


def letters_in(width: float) -> int:
    """Return how many bold letters a column surely takes, also where a wider face stands in for the named one."""
    return int(0.85 * width)


def _make_styles(book: Workbook, unit: str) -> dict[str, int]:
    """Register the styles of cells with the workbook and return their numbers."""
    page = book.worksheets[-1]
    top, text = Alignment(vertical="top"), Alignment(horizontal="left", vertical="top", indent=1)
    found = {}
    for name in _STYLES:
        cell = page.cell(2, 1)
        cell.style = "Normal"
        cell.alignment, cell.font = top if name in _NUMBERS else text, Font(name=_FACE, size=10)
        if name == "quoted":
            cell.quotePrefix = True
        elif name == "length":
            cell.number_format = "0.0000##" if unit == "in" else "0.000##"
        elif name == "ratio":
            cell.number_format = "0.0"
        elif name == "day":
            cell.number_format = "yyyy-mm-dd"
        elif name == "wrapped":
            cell.alignment = Alignment(horizontal="left", vertical="top", indent=1, wrap_text=True)
        elif name in {"accept", "hold", "reject"}:
            ink = {"accept": "0B5D4B", "hold": "7A4A00", "reject": "9B1C1C"}[name]
            cell.font = Font(name=_FACE, size=10, color=ink, bold=name != "accept")
            if name != "accept":
                cell.fill = PatternFill("solid", fgColor="FDF1D4" if name == "hold" else "FBE4E1")
        found[name] = cell.style_id
    page.delete_rows(2)
    return found


def _fixed_time(data: bytes) -> bytes:
    stamp = _DAY.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    return re.sub(rb"(<dcterms:modified[^>]*>)[^<]*(</dcterms:modified>)", rb"\g<1>" + stamp + rb"\g<2>", data)


# --------------------------------------------------------------------------------------------------------- streaming


def _fill(out: IO[bytes], data: bytes, sheet: Sheet, styles: dict[str, int]) -> None:
    """Write a sheet's XML with its rows put in behind the headings."""
    before, after = data.split(b"</sheetData>", 1)
    out.write(before)
    letters = [get_column_letter(n) for n in range(1, len(sheet.heads) + 1)]
    columns = [_Known(column, *of, styles) for column, of in zip(sheet.columns, zip(
        letters, (int(width) for _, width in sheet.heads), strict=True), strict=False)]  # fmt: skip
    for start in range(sheet.first, sheet.first + sheet.count, PIECE):
        stop = min(start + PIECE, sheet.first + sheet.count)
        pieces = [known.cells(start, stop) for known in columns]
        wrapped = [known.high(start, stop) for known in columns if known.lines]
        highs = [max(lines) for lines in zip(*wrapped, strict=True)] if wrapped else [1] * (stop - start)
        numbers = range(start - sheet.first + 2, stop - sheet.first + 2)
        out.write("".join([
            f'<row r="{number}"{_height(high)}>{"".join(cells).replace(_NUMBER, str(number))}</row>'
            for number, high, cells in zip(numbers, highs, zip(*pieces, strict=True), strict=True)
        ]).encode("utf-8"))  # fmt: skip
    out.write(b"</sheetData>" + after)


def _height(lines: int) -> str:
    """Return the height of a row as XML; not every program works it out when it opens a file."""
    return f' ht="{min(409, 13.5 * lines):g}" customHeight="1"' if lines > 1 else ""


_NUMBER = "\0"  #: stands for the number of its row in a cell's XML; no text that is written can hold it


class _Known(dict[Any, str]):
    """The values of a column -> the XML of their cells; ``lines``: how many lines those take that wrap.

    Most values of a column come again and again.
    """

    def __init__(self, column: Column, letters: str, width: int, styles: dict[str, int]) -> None:
        super().__init__()
        self.column, self.head, self.width, self.styles = column, f'<c r="{letters}{_NUMBER}', width, styles
        self.lines: dict[Any, int] = {}
        self._keys: list[Any] = []

    def cells(self, start: int, stop: int) -> list[str]:
        """Return the XML of the cells of some rows."""
        if callable(self.column):
            return [self._xml(value) for value in self.column(start, stop)]
        if len(self) > MOST_KNOWN:
            self.clear()
            self.lines.clear()
        values, make = self.column
        some = values.codes[start:stop] if isinstance(values, Texts) else values[start:stop]
        if make is None:
            self._keys = [(value.__class__, value) for value in some]
            return list(map(self.__getitem__, self._keys))
        self._keys = some.tolist()  # type: ignore[union-attr]
        return [self[key] if key == key else "" for key in self._keys]

    def high(self, start: int, stop: int) -> list[int]:
        """Return how many lines the cells of the same rows take."""
        return [self.lines.get(key, 1) for key in self._keys]

    def __missing__(self, key: Any) -> str:
        values, make = self.column  # type: ignore[misc]
        value = key[1] if make is None else make(values.names[key] if isinstance(values, Texts) else key)
        self[key] = found = self._xml(value)
        if isinstance(value, Long) and (lines := -(-len(value) // self.width)) > 1:
            self.lines[key] = lines
        return found

    def _xml(self, value: Any) -> str:
        text = _cell(value, self.styles)
        return self.head + text if text else ""


def _cell(value: Any, styles: dict[str, int]) -> str:
    """Return one cell as XML from the end of its address on, '' for an empty one."""
    if value is None or value == "":
        return ""
    if type(value) is str:
        return text_cell(value, styles)
    if type(value) is float:
        return _number(value, styles["length"])
    if isinstance(value, str):
        return text_cell(value, styles, "wrapped" if isinstance(value, Long) else "text")
    if isinstance(value, Verdict):
        return text_cell(w.marked(value), styles, w.word(value))
    if isinstance(value, Ratio):
        return _number(value, styles["ratio"])
    if isinstance(value, Plain):
        return _number(value, styles["plain"])
    if isinstance(value, dt.date):
        return f'" s="{styles["day"]}"><v>{(value - _EPOCH).days}</v></c>'
    return f'" s="{styles["plain"]}"><v>{int(value)}</v></c>'


class Long(str):
    """A text that wraps inside its cell."""

    __slots__ = ()


class Plain(float):
    """A number that is no length on its way into a cell."""


class Ratio(Plain):
    """A ratio on its way into a cell."""


def _number(value: float, style: int) -> str:
    number = tidy(value)
    return "" if number is None else f'" s="{style}"><v>{number + 0.0!r}</v></c>'


def text_cell(value: str, styles: dict[str, int], style: str = "text") -> str:
    """Return a cell, from the end of its address on, that holds a text as text, whatever its first character is.

    What begins like a formula also carries the sheet's own mark for text, so that it stays text when somebody edits it.
    """
    text = (value if value.isascii() and value.isprintable() else w.plain(value))[:MOST_LETTERS]
    if text[:1] in {"=", "+", "-", "@"}:
        style = "quoted"
    kept = ' xml:space="preserve"' if text[:1].isspace() or text[-1:].isspace() else ""
    shown = text if text.isalnum() else escape(text, quote=False)
    return f'" s="{styles[style]}" t="inlineStr"><is><t{kept}>{shown}</t></is></c>'


# -------------------------------------------------------------------------------------------------------------- rows

_VERDICTS = (
    ("Verdict", 10), ("Part", 12), ("Serial", 14), ("Holes", 36), ("Pins together", 10), ("Pin room, radial", 10),
    ("Readings", 11), ("First read", 11), ("Last read", 11), ("Why", 80),
)  # fmt: skip
_HOLES = (
    ("Verdict", 10), ("Part", 12), ("Serial", 14), ("Hole", 6), ("Smallest read", 10), ("Largest read", 10),
    ("Mating size, estimate", 11), ("Mating size from", 17), ("dx, worst wall", 10), ("dy, worst wall", 10),
    ("Rework", 50), ("Ream to", 9),
)  # fmt: skip
_CHARACTERISTICS = (
    ("Verdict", 10), ("Part", 12), ("Serial", 14), ("Hole", 6), ("Wall", 7), ("Characteristic", 20), ("Found", 9),
    ("Found, word", 14), ("Lower", 9), ("Upper", 9), ("Stated", 9), ("Bonus", 9), ("Beyond limit", 9), ("Left", 9),
    ("U (k = 2)", 9), ("Tolerance / 2 U", 12), ("Conformance probability", 14), ("Cause", 14), ("Cell", 44),
)  # fmt: skip
_PINS = (
    ("Part", 12), ("Serial", 14), ("Hole", 6), ("Wall", 7), ("Pin", 20), ("Clearance, radial", 12),
    ("Left at best fit", 11), ("Binds", 8),
)  # fmt: skip
_READINGS = (
    ("Part", 12), ("Serial", 14), ("Hole", 6), ("Wall", 7), ("Characteristic", 17), ("Direction", 11), ("Trial", 6),
    ("Value", 10), ("Word", 14), ("As typed", 11), ("Unit typed", 6), ("Gauge", 10), ("Part °C", 7), ("Day", 11),
    ("Read by", 12), ("Note", 20), ("File", 24), ("Sheet", 12), ("Cell", 7), ("Doubt", 16),
)  # fmt: skip
_PROBLEMS = (
    ("Kind", 9), ("Holds", 7), ("Code", 20), ("What", 44), ("Found", 20), ("Allowed", 20), ("What to do", 44),
    ("File", 24), ("Sheet", 12), ("Cell", 7), ("Key", 16), ("Part", 12), ("Serial", 14), ("Hole", 6), ("Wall", 7),
)  # fmt: skip
_COLUMNS = (
    ("File", 36), ("Sheet", 14), ("Where", 9), ("Heading as typed", 30), ("Taken for", 44), ("Cells", 7),
    ("Why not used", 24),
)  # fmt: skip


def _verdict_rows(run: Run) -> Iterator[Cells]:
    for part in run:
        pins = int(part.row["pin_verdict"])
        yield (
            Verdict(part.verdict), part.part, part.serial, holes_sentence(part), Verdict(pins) if pins >= 0 else None,
            float(part.row["pin_margin"]), int(part.row["readings"]), _day(part.row["first_date"]),
            _day(part.row["last_date"]), Long(" ".join(reason.sentence for reason in part.reasons)),
        )  # fmt: skip


def _day(value: Any) -> dt.date | None:
    text = w.day(value)
    return dt.date.fromisoformat(text) if text else None


def _hole_columns(table: Table) -> list[Column]:
    texts, lengths = _texts(table), _numbers(table)
    return [
        (table["verdict"], Verdict), *texts("part", "serial", "hole"), *lengths("smallest", "largest", "mating_size"),
        *texts("mating_from"), *lengths("dx", "dy"), (table["rework"], Long), *lengths("ream_to"),
    ]  # fmt: skip


def _texts(table: Table) -> Callable[..., list[Column]]:
    return lambda *names: [(table[name], str) for name in names]


def _numbers(table: Table) -> Callable[..., list[Column]]:
    return lambda *names: [(table[name], float) for name in names]


def _characteristic_columns(run: Run) -> list[Column]:
    table, readings, spec = run.inspection.tables["characteristics"], run.inspection.readings.rows, run.specification
    texts, lengths = _texts(table), _numbers(table)

    def places(start: int, stop: int) -> list[str]:
        return run.cells(table["reading"][start:stop])

    words = np.array(table["found_word"].tolist(), dtype=object)
    found = np.where(table["doubtful"], np.nan, table["found"])
    for n in np.flatnonzero(table["doubtful"]).tolist():
        words[n] = Long(w.doubtful_text(table.row(n), spec.unit, places(n, n + 1)[0]))
    if spec.temperature.correct:
        read = np.append(readings["value"], np.nan)[readings.places(table["reading"])]
        corrected = (table["characteristic"] == "size") & ~table["doubtful"] & (np.abs(read - table["found"]) > GRAIN)
        for n in np.flatnonzero(corrected).tolist():
            words[n] = Long(f"at 20 °C; read {w.typed(read[n], spec.unit)}")
    ratio = np.where(np.isnan(table["upper"]), np.nan, table["ratio"])
    return [
        (table["verdict"], Verdict), *texts("part", "serial", "hole", "wall", "characteristic"), (found, float),
        (words, None), *lengths("lower", "upper", "stated", "bonus", "deviation", "left", "uncertainty"),
        (ratio, Ratio), (table["probability"], Plain), *texts("cause"), places,
    ]  # fmt: skip


def _pin_columns(table: Table) -> list[Column]:
    return [
        *_texts(table)("part", "serial", "hole", "wall", "pin"), *_numbers(table)("clearance", "left"),
        (table["binding"], lambda binds: "binds" if binds else None),
    ]  # fmt: skip


def _reading_columns(run: Run) -> list[Column]:
    table = run.inspection.readings.rows
    texts = _texts(table)

    def cells(start: int, stop: int) -> list[str]:
        return list(map(cell_name, table["row"][start:stop].tolist(), table["column"][start:stop].tolist()))

    return [
        *texts("part", "serial", "hole", "wall", "characteristic"), (table["direction"], Plain), (table["trial"], int),
        (table["value"], float), *texts("word", "typed", "unit", "gauge"), (table["temperature_c"], Plain),
        (table["date"], _day), *texts("by"), (table["note"], Long), *texts("file", "sheet"), cells, *texts("doubt"),
    ]  # fmt: skip


def _problems(run: Run) -> tuple[Problem, ...]:
    """Return the problems of the run, those of files that can't be used first."""
    return (*(p for file in run.inspection.readings.unusable for p in file.problems), *run.problems)


def _problem_rows(run: Run) -> Iterator[Cells]:
    for p in _problems(run):
        yield (
            p.severity, "holds" if p.holds else "", p.code, Long(p.message), Long(p.found), Long(p.allowed),
            Long(p.action), p.file, p.sheet, p.cell, p.where, p.part, p.serial, p.hole, p.wall,
        )  # fmt: skip


def _use_rows(run: Run) -> Iterator[Cells]:
    for file, sheet, place, heading, taken, cells, why in column_rows(run.inspection.readings.sources):
        yield (file, sheet, place, Long(heading), Long(taken), cells, why)


def about_rows(run: Run) -> list[tuple[Long, Long]]:
    """Return the rows of the sheet that says how a workbook came about."""
    spec = run.specification
    rows = [
        ("Tool", f"holeqc {holeqc.__version__}"), ("Kit", f"{spec.id} revision {spec.revision}"), ("Title", spec.title),
        ("Drawing", spec.drawing), ("Fixture", spec.fixture), ("Lengths in", w.unit_name(spec.unit)),
        ("Limits of size", limits_line(spec).partition(": ")[2]), ("Kit file", spec.path),
        ("SHA-256 of the kit file", spec.digest),
    ]  # fmt: skip
    rows += [("Confirmed in the kit file", text) for text in confirmed_sentences(spec)]
    rows += [("Rule", text) for text in rule_points(spec)]
    rows += [("Uncertainty (k = 2)", text) for text in w.uncertainty_lines(run.inspection)]
    sources = run.inspection.readings.sources
    rows += [("File read", f"{s.file}, {s.bytes} bytes, SHA-256 {s.sha256}") for s in sources]
    rows += [("Mating size", w.MATING), ("Two-point readings", w.lobing_sentence(run.inspection))]
    rows += [("Caution", text) for text in (*w.CAUTIONS, *w.REWORK_CAUTIONS)]
    return [(Long(label), Long(text)) for label, text in rows if text]
