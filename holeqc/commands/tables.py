"""Tables for commands: a CSV file or a sheet of a workbook, read by heading, every cell a value or a named problem.

Text is read with care: decimal commas, typed units, stray words and error cells are told with their cell, and no
cell is dropped or mended in silence.
"""

from __future__ import annotations

import csv
import datetime
import io
import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc.door import TABLE, Incoming, near_names, take
from holeqc.printing import shortened
from holeqc.problems import ERROR, NOTE, WARNING, Problem, ReadingsError
from holeqc.readings.options import SizeLimits

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
DELIMITERS = ("\t", ";", ",")
_NO_DELIMITER = "\x1f"  #: a single column needs a separator that no file holds
_POINT = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d*,\d+")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_FRACTION = re.compile(r"[+-]?(?:\d+[ -])?\d+/\d+")
_CENSORED = re.compile(r"[<>≤≥]\s*[\d.,]+")
_WITH_UNIT = re.compile(r"[+-]?[\d.,]+\s*(?:in|inch|mm|um|µm|mil|\"|'')\.?", re.IGNORECASE)
LIMITS = SizeLimits()
LONGEST_NUMBER = 80  #: characters; what is longer is no number, and patterns aren't tried on it
_PROBLEMS_SHOWN = 50  #: a column of words would otherwise print a page for every row


@dataclass(frozen=True, slots=True)
class Table:
    """A table as read: headings, one list of raw cells a heading, and where each row stood.

    ``row_numbers`` are the file's own (1 = first line of the sheet or file); ``letters`` are a workbook's column
    letters and empty for text files.
    """

    file: str
    sheet: str
    names: tuple[str, ...]
    columns: tuple[list[object], ...]
    row_numbers: list[int]
    delimiter: str = ""
    letters: tuple[str, ...] = ()
    blank_reasons: dict[tuple[int, int], str] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    sha256: str = ""
    size: int = 0  #: of the file that was read [bytes]

    def cell(self, row: int, column: int) -> str:
        """Return the address of a cell, ``B7`` or ``row 7, column size``; row and column count from 0."""
        number = self.row_numbers[row]
        return f"{self.letters[column]}{number}" if self.letters else f"row {number}, column {self.names[column]}"


def _fail(problems: list[Problem]) -> ReadingsError:
    shown = problems[:_PROBLEMS_SHOWN]
    if len(problems) > len(shown):
        shown.append(Problem(ERROR, "more-problems", f"and {len(problems) - len(shown)} more cells like these",
                             file=problems[0].file))
    return ReadingsError(shown[0].sentence(), shown)


def _error(path: Path | str, code: str, message: str, *, sheet: str = "", cell: str = "", found: str = "",
           allowed: str = "", action: str = "") -> ReadingsError:
    return _fail([Problem(ERROR, code, message, file=str(path), sheet=sheet, cell=cell, found=found, allowed=allowed,
                          action=action)])


def _decode(came: Incoming) -> tuple[str, tuple[Problem, ...]]:
    data = came.content
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return data.decode("utf-16"), ()
        except UnicodeDecodeError as error:
            raise _error(came.name, "wrong-encoding", f"the file is not the UTF-16 that it begins as: {error.reason}",
                         action="Save it as UTF-8 text.") from None
    try:
        return data.decode("utf-8-sig"), ()
    except UnicodeDecodeError:
        note = Problem(NOTE, "old-encoding", "the file is not UTF-8 and is read as Windows-1252", file=came.name)
        return data.decode("cp1252", errors="replace"), (note,)


def _delimiter(line: str) -> str:
    bare = re.sub(r'"[^"]*"', "", line)
    counts = [(bare.count(d), d) for d in DELIMITERS]
    best = max(counts, key=lambda c: c[0])
    return best[1] if best[0] else _NO_DELIMITER


def _text_rows(came: Incoming) -> tuple[list[tuple[int, list[str]]], str, tuple[Problem, ...]]:
    path = came.name
    text, problems = _decode(came)
    if "\x00" in text:
        raise _error(path, "not-text", "the file holds zero bytes: it is not a table of text",
                     action="Save the table as CSV or .xlsx.")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    skipped = 0
    while skipped < len(lines) and (not lines[skipped].strip() or lines[skipped].startswith("#")):
        skipped += 1
    if skipped == len(lines):
        raise _error(path, "empty-file", "the file holds no table", action="Give a file with a heading row.")
    delimiter = _delimiter(lines[skipped])
    if len(lines) > LIMITS.rows or text.count(delimiter) > LIMITS.cells:
        raise _error(path, "too-large", "the file holds far more than a table of readings needs",
                     found=f"{len(lines)} lines, {text.count(delimiter)} marks between fields",
                     allowed=f"at most {LIMITS.rows} and {LIMITS.cells}", action="Split it into several files.")
    before = csv.field_size_limit(LIMITS.field_characters)
    reader = csv.reader(io.StringIO("\n".join(lines[skipped:])), delimiter=delimiter, strict=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        for row in reader:
            rows.append((skipped + reader.line_num, row))  # noqa: PERF401 - the line number moves with the reader
    except csv.Error as error:
        raise _error(path, "broken-quotes", f"the text can't be split into cells: {error}",
                     cell=f"row {skipped + reader.line_num}", action="Look for a quote that is not closed.") from error
    finally:
        csv.field_size_limit(before)
    return rows, delimiter, problems


def _columns(rows: list[tuple[int, list[object]]], width: int) -> tuple[tuple[list[object], ...], list[int]]:
    filled = [(n, cells) for n, cells in rows if any(c is not None and c != "" for c in cells)]
    return tuple([cells[j] if j < len(cells) else None for _, cells in filled] for j in range(width)), [
        n for n, _ in filled]


def _read_text(path: Path) -> Table:
    came = take(path, TABLE, error=ReadingsError)
    rows, delimiter, problems = _text_rows(came)
    names = tuple(name.strip() for name in rows[0][1])
    surplus = [
        Problem(ERROR, "surplus-cells", "the row has more values than the heading row has names", file=str(path),
                cell=f"row {n}", found=f"{len(cells)} values", allowed=f"{len(names)}",
                action="A decimal comma in a comma-separated file must stand in quotes.")
        for n, cells in rows[1:] if len(cells) > len(names) and any(c.strip() for c in cells[len(names):])
    ]
    if surplus:
        raise _fail(surplus)
    body: list[tuple[int, list[object]]] = [(n, [c.strip() for c in cells]) for n, cells in rows[1:]]
    columns, numbers = _columns(body, len(names))
    return Table(came.name, "", names, columns, numbers, "" if delimiter == _NO_DELIMITER else delimiter,
                 problems=problems, sha256=came.sha256, size=came.size)


def _letter(number: int) -> str:
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def _read_workbook(path: Path, sheet: str) -> Table:
    from holeqc.readings.plain_table import read_plain_sheet

    plain = read_plain_sheet(path, sheet)
    top = next((i for i, row in enumerate(plain.rows) if any(v is not None for v in row)), None)
    if top is None:
        raise _error(path, "empty-sheet", f"sheet '{plain.title}' holds no table", sheet=plain.title)
    header = plain.rows[top]
    used = [j for j, name in enumerate(header) if name is not None and str(name).strip()]
    stray = [
        Problem(ERROR, "no-heading", "a value stands in a column without a heading", file=str(path),
                sheet=plain.title, cell=f"{_letter(j + 1)}{i + 1}", found=shortened(str(value)))
        for i, row in enumerate(plain.rows[top + 1:], top + 1) for j, value in enumerate(row)
        if value is not None and j not in used
    ]
    if stray:
        raise _fail(stray)
    body: list[tuple[int, list[object]]] = [
        (i + 1, [row[j] if j < len(row) else None for j in used])
        for i, row in enumerate(plain.rows[top + 1:], top + 1)
    ]
    reasons = {(r, used.index(c - 1)): "its formula was never calculated; open and save the workbook"
               for r, c in plain.uncalculated if c - 1 in used}
    reasons.update({(r, used.index(c - 1)): f"it lies in the merged range {name}; unmerge it and fill every cell"
                    for (r, c), name in plain.merged.items() if c - 1 in used})
    columns, numbers = _columns(body, len(used))
    return Table(str(path), plain.title, tuple(str(header[j]).strip() for j in used), columns, numbers,
                 letters=tuple(_letter(j + 1) for j in used), blank_reasons=reasons, sha256=plain.sha256,
                 size=plain.size)


def read_table(path: Path, sheet: str = "") -> Table:
    """Read a table with one heading row from a CSV file or from a sheet of a workbook.

    A text file may be separated by comma, semicolon or tab; leading lines that begin with ``#`` are comments.
    ``sheet`` names a workbook's sheet, the first if empty. Raises ``ReadingsError`` with every problem found.
    """
    suffix = path.suffix.lower()
    if suffix in (".xlsx", ".xlsm"):
        table = _read_workbook(path, sheet)
    elif suffix in TEXT_SUFFIXES:
        if sheet:
            raise _error(path, "no-sheets", "a text file has no sheets", found=f"sheet '{sheet}'")
        table = _read_text(path)
    else:
        raise _error(path, "unknown-kind", "this kind of file can't be read as a table", found=suffix or "no suffix",
                     allowed=".csv, .tsv, .txt, .xlsx, .xlsm", action="Save the table as one of these.")
    if not table.row_numbers:
        raise _error(path, "no-rows", "there are headings and no rows below them", sheet=table.sheet)
    return table


def find_column(table: Table, name: str) -> int:
    """Return the place (from 0) of the column headed ``name``; case and outer blanks don't count.

    Raises ``ReadingsError`` when no heading or more than one fits, with the headings that exist.
    """
    wanted = name.strip().casefold()
    hits = [j for j, n in enumerate(table.names) if n == name.strip()]
    hits = hits or [j for j, n in enumerate(table.names) if n.casefold() == wanted]
    if len(hits) == 1:
        return hits[0]
    if hits:
        raise _error(table.file, "doubled-heading", f"{len(hits)} columns are headed '{name}'", sheet=table.sheet,
                     action="Give every column a name of its own.")
    close = next(iter(near_names(name.strip(), table.names)), "")
    raise _error(table.file, "no-column", f"there is no column '{shortened(name)}'", sheet=table.sheet,
                 allowed=shortened(", ".join(n for n in table.names if n), 2000),
                 action=f"Did you mean '{close}'?" if close else "")


def _hint(text: str) -> str:
    if _FRACTION.fullmatch(text):
        return "Write the fraction as a decimal."
    if _CENSORED.fullmatch(text):
        return ("This reading is cut off by its gauge: the true value is only known to be beyond it. "
                "Count such parts as attributes (p chart), or measure with a gauge that reaches.")
    if _WITH_UNIT.fullmatch(text):
        return "Write the number alone; the unit belongs in the heading."
    return "Write a plain number, or leave the cell blank if it was not measured."


def _number(value: object, commas_are_decimal: bool) -> tuple[float, str]:
    """Return (value, '') or (nan, action) for one cell that is not blank."""
    if isinstance(value, bool) or value in {"TRUE", "FALSE"}:
        return float("nan"), "TRUE and FALSE are not readings."
    if isinstance(value, int | float):
        return float(value), ""
    if isinstance(value, datetime.datetime | datetime.date | datetime.time | datetime.timedelta):
        return float("nan"), "The spreadsheet holds a date here; a typed fraction (7/16) may have become one."
    text = str(value).strip().replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", "")
    if len(text) > LONGEST_NUMBER:  # before any pattern is tried on it
        return float("nan"), _hint("")
    if _POINT.fullmatch(text):
        number = float(text)
        return (number, "") if abs(number) <= 1e300 else (float("nan"), "The number is too large to be a reading.")
    if _COMMA.fullmatch(text):
        if _THOUSANDS.fullmatch(text) and not commas_are_decimal:
            return float("nan"), "The comma could split thousands or decimals; write it with a decimal point."
        return float(text.replace(",", ".")), ""
    return float("nan"), _hint(text)


def _comma_style(table: Table, cells: list[object]) -> tuple[bool, tuple[Problem, ...]]:
    """Tell whether commas in the column mean decimals, and say so when they do."""
    texts = [c.strip() for c in cells if isinstance(c, str) and len(c) <= LONGEST_NUMBER]
    commas = [t for t in texts if _COMMA.fullmatch(t)]
    if not commas:
        return False, ()
    points = sum(1 for text in texts if "." in text and _POINT.fullmatch(text))
    sure = any(not _THOUSANDS.fullmatch(t) for t in commas) or (table.delimiter == ";" and not points)
    mixed = f", beside {points} with a decimal point" if points else ""
    note = Problem(WARNING if points else NOTE, "decimal-comma",
                   f"{len(commas)} numbers are written with a decimal comma{mixed}; they are read as decimals",
                   file=table.file, sheet=table.sheet, found=commas[0])
    return sure, (note,) if sure else ()


def number_column(table: Table, name: str) -> tuple[NDArray[np.float64], tuple[Problem, ...]]:
    """Return a column as numbers, shape (rows,), with NaN for a blank cell, and what a person should know of it.

    Raises ``ReadingsError`` naming every cell that holds something else than a number; nothing is left out.
    """
    import numpy as np

    column = find_column(table, name)
    cells = table.columns[column]
    decimal, notes = _comma_style(table, cells)
    values = np.full(len(cells), np.nan)
    errors: list[Problem] = []
    blanks: list[str] = []
    for i, cell in enumerate(cells):
        if cell is None or cell == "":
            reason = table.blank_reasons.get((table.row_numbers[i], column))
            if reason is None:
                blanks.append(table.cell(i, column))
                continue
            errors.append(Problem(ERROR, "no-value", f"the cell shows no value: {reason}", file=table.file,
                                  sheet=table.sheet, cell=table.cell(i, column)))
            continue
        values[i], action = _number(cell, decimal)
        if action:
            errors.append(Problem(ERROR, "not-a-number", "the cell is not a number", found=shortened(repr(str(cell))),
                                  file=table.file, sheet=table.sheet, cell=table.cell(i, column), action=action))
    if errors:
        raise _fail(errors)
    if blanks:
        few = ", ".join(blanks[:5]) + (f" and {len(blanks) - 5} more" if len(blanks) > 5 else "")
        notes += (Problem(WARNING, "blank-cells", f"{len(blanks)} of {len(cells)} cells in '{name}' are blank and "
                          "counted as not measured", file=table.file, sheet=table.sheet, found=few),)
    return values, table.problems + notes


def _label(cell: object) -> str:
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))  # a workbook stores 3 as 3.0
    if isinstance(cell, datetime.datetime):
        return cell.date().isoformat() if cell.time() == datetime.time() else cell.isoformat(" ")
    return str(cell).strip()


def label_column(table: Table, name: str) -> NDArray[np.str_]:
    """Return a column as labels (part, fixture set-up, day), shape (rows,), as text.

    Raises ``ReadingsError`` naming every blank cell: a reading without its label can't be placed.
    """
    import numpy as np

    column = find_column(table, name)
    labels = ["" if c is None else _label(c) for c in table.columns[column]]
    errors = []
    for i, label in enumerate(labels):
        if not label:
            reason = table.blank_reasons.get((table.row_numbers[i], column), "")
            errors.append(Problem(ERROR, "no-label", f"the cell has no {name}" + (f": {reason}" if reason else ""),
                                  file=table.file, sheet=table.sheet, cell=table.cell(i, column),
                                  action="Fill it in: the reading can't be placed without it."))
    if errors:
        raise _fail(errors)
    folded = Counter(label.casefold() for label in set(labels))
    if any(count > 1 for count in folded.values()):
        twice = sorted(label for label in set(labels) if folded[label.casefold()] > 1)
        raise _error(table.file, "label-spelling", f"labels in '{name}' differ in capitals only", sheet=table.sheet,
                     found=shortened(", ".join(twice)), action="Write the same label the same way.")
    return np.array(labels, dtype=str)
