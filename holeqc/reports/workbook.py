"""The evaluated workbook: verdicts, holes, characteristics, pins, every reading with its cell, problems.

The library makes the workbook with its styles, headings, filters and print set-up; the rows are then streamed into it
as XML (ECMA-376, 18.3.1), eight times faster and in no more memory than a page of them. A text is always written as
text: nothing that somebody typed into a sheet can become a formula here.
"""

from __future__ import annotations

import datetime as dt
import io
import math
import re
import textwrap
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import IO, TYPE_CHECKING, Any

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.page import PageMargins

import holeqc
from holeqc import writer
from holeqc.inspection.tags import tidy
from holeqc.inspection.view import Run, place_of
from holeqc.problems import Problem
from holeqc.readings.table import cell_name
from holeqc.reports import blocks as w
from holeqc.reports.screen import column_rows, holes_sentence
from holeqc.reports.story import rule_points
from holeqc.specification.words import confirmed_sentences, limits_line

if TYPE_CHECKING:
    import pandas as pd

MOST_ROWS = 1_000_000  #: of one sheet, below the format's own 1 048 576; what is more goes on in a further sheet
MOST_KNOWN = 20_000  #: values of one column kept with their XML
MOST_LETTERS = 32_000  #: of one cell, below the format's own 32 767
_DAY = dt.datetime(2000, 1, 1)  #: stands in the file for "when", so that the same run gives the same bytes
_EPOCH = dt.date(1899, 12, 30)  #: day 0 of the sheet's calendar
_NUMBERS = {"length", "plain", "ratio", "day"}
_FACE = "Calibri"
_STYLES = ("text", "quoted", "length", "plain", "ratio", "day", "accept", "hold", "reject", "wrapped")

Cells = Sequence[Any]
Heads = Sequence[tuple[str, float]]


class Verdict(int):
    """A verdict on its way into a cell."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table on its way into the workbook."""

    title: str
    heads: Heads
    count: int
    rows: Iterable[Cells]


def write_workbook(run: Run, file: IO[bytes], progress: Callable[[str], None] = lambda _: None) -> None:
    """Write the workbook of a run into an open file; the same bytes each time for the same run and library versions."""
    write_sheets(run, list(_sheets(run)), file, progress)


def write_sheets(
    run: Run, sheets: Sequence[Sheet], file: IO[bytes], progress: Callable[[str], None] = lambda _: None
) -> None:
    """Write a workbook of tables that speak of a run into an open file; the same tables give the same bytes."""
    store, styles = _frame_of(run, sheets)
    ours = {f"xl/worksheets/sheet{n}.xml": sheet for n, sheet in enumerate(sheets, 1)}
    with zipfile.ZipFile(store) as source, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=5) as target:
        for item in source.infolist():
            data = source.read(item)
            entry = zipfile.ZipInfo(item.filename, (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            with target.open(entry, "w", force_zip64=item.filename in ours) as out:
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
    inspection = run.inspection
    for title, heads, count, rows in (
        ("Verdicts", _VERDICTS, len(run), _verdict_rows(run)),
        ("Holes", _HOLES, len(inspection.holes), _hole_rows(run)),
        ("Characteristics", _CHARACTERISTICS, len(inspection.characteristics), _characteristic_rows(run)),
        ("Pins", _PINS, len(inspection.pins), _pin_rows(run)),
        ("Readings", _READINGS, len(inspection.readings.table), _reading_rows(run)),
        ("Problems", _PROBLEMS, len(_problems(run)), _problem_rows(run)),
        ("Columns", _COLUMNS, sum(len(s.columns) for s in inspection.readings.sources), _use_rows(run)),
    ):  # fmt: skip
        for start in range(0, max(count, 1), MOST_ROWS):
            name = title if start == 0 else f"{title} {start // MOST_ROWS + 1}"
            yield Sheet(name, heads, min(MOST_ROWS, count - start), rows)
    about = about_rows(run)
    yield Sheet("About", (("About", 28), ("This workbook", 110)), len(about), about)


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
    columns = [(f'<c r="{get_column_letter(n)}', _Known(styles, int(head[1]))) for n, head in enumerate(sheet.heads, 1)]
    piece: list[str] = []
    rows = iter(sheet.rows)
    for number in range(2, sheet.count + 2):
        cells, most = [], 1
        for (at, known), value in zip(columns, next(rows), strict=True):
            text, lines = known[value.__class__, value]
            if text:
                cells.append(f"{at}{number}{text}")
                most = max(most, lines) if lines > 1 else most
        height = f' ht="{min(409, 13.5 * most):g}" customHeight="1"' if most > 1 else ""
        piece.append(f'<row r="{number}"{height}>{"".join(cells)}</row>')
        if len(piece) == 2000:
            out.write("".join(piece).encode("utf-8"))
            piece.clear()
    out.write("".join(piece).encode("utf-8") + b"</sheetData>" + after)


class _Known(dict[tuple[type, Any], tuple[str, int]]):
    """The values of a column -> the rest of the cell's XML, and how many lines a text takes that wraps.

    Most values of a column come again and again. Not every program works out the height of a row when it opens a file.
    """

    def __init__(self, styles: dict[str, int], width: int) -> None:
        super().__init__()
        self.styles, self.width = styles, width

    def __missing__(self, key: tuple[type, Any]) -> tuple[str, int]:
        value = key[1]
        found = _cell(value, self.styles), -(-len(value) // self.width) if isinstance(value, Long) else 1
        if len(self) > MOST_KNOWN:
            self.clear()
        if not isinstance(value, float) or (value and value == value):  # +0 and -0 would be one; no NaN is the same
            self[key] = found
        return found


def _cell(value: Any, styles: dict[str, int]) -> str:
    """Return one cell as XML from the end of its address on, '' for an empty one."""
    if value is None or value == "":
        return ""
    if isinstance(value, float) and type(value) is float:
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
    return "" if number is None else f'" s="{style}"><v>{number!r}</v></c>'


def text_cell(value: str, styles: dict[str, int], style: str = "text") -> str:
    """Return a cell, from the end of its address on, that holds a text as text, whatever its first character is.

    What begins like a formula also carries the sheet's own mark for text, so that it stays text when somebody edits it.
    """
    text = w.plain(value)[:MOST_LETTERS]
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


def _columns(frame: Any, names: Sequence[str]) -> Iterator[tuple[Any, ...]]:
    """Give a frame's rows as tuples of the named columns, a piece at a time so that memory stays small."""
    for start in range(0, len(frame), 20_000):
        piece = frame.iloc[start : start + 20_000]
        yield from zip(*(piece[name].tolist() for name in names), strict=True)


def _hole_rows(run: Run) -> Iterator[Cells]:
    names = (
        "verdict",
        "part",
        "serial",
        "hole",
        "smallest",
        "largest",
        "mating_size",
        "mating_from",
        "dx",
        "dy",
        "rework",
        "ream_to",
    )
    for row in _columns(run.inspection.holes, names):
        yield (Verdict(row[0]), *row[1:10], Long(row[10]), row[11])


def _characteristic_rows(run: Run) -> Iterator[Cells]:
    names = (
        "verdict", "part", "serial", "hole", "wall", "characteristic", "found", "found_word", "lower", "upper",
        "stated", "bonus", "deviation", "left", "uncertainty", "ratio", "probability", "cause", "reading", "doubtful",
    )  # fmt: skip
    unit = run.specification.unit
    for row in _columns(run.inspection.characteristics, names):
        found = run.typed.at(row[-2])
        place = place_of(found) if found else None
        values = dict(zip(names, row, strict=True))
        told = (None, Long(w.doubtful_text(values, unit, place or ""))) if row[-1] else row[6:8]
        if (read := run.as_read(values)) is not None:
            told = (row[6], Long(f"at 20 °C; read {w.typed(read['value'], unit)}"))
        ratio = Ratio(w.ratio_of(values))
        yield (Verdict(row[0]), *row[1:6], *told, *row[8:15], ratio, Plain(row[16]), row[17], place)


def _pin_rows(run: Run) -> Iterator[Cells]:
    names = ("part", "serial", "hole", "wall", "pin", "clearance", "left", "binding")
    for row in _columns(run.inspection.pins, names):
        yield (*row[:-1], "binds" if row[-1] else None)


def _reading_rows(run: Run) -> Iterator[Cells]:
    names = (
        "part", "serial", "hole", "wall", "characteristic", "direction", "trial", "value", "word", "typed", "unit",
        "gauge", "temperature_c", "date", "by", "note", "file", "sheet", "row", "column", "doubt",
    )  # fmt: skip
    for row in _columns(run.inspection.readings.table, names):
        direction, temperature = _short(row[5]), _short(row[12])
        head = (*row[:5], direction, int(row[6]), *row[7:12], temperature, _day(row[13]))
        yield (*head, row[14], Long(row[15]), *row[16:18], cell_name(int(row[18]), int(row[19])), row[20])


def _short(value: float) -> Plain | None:
    return Plain(value) if value is not None and math.isfinite(value) else None


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
