"""Any table with headings, by the one guarded reader: columns by name, every cell a number, a label or a named problem.

Capability, charts, gauge studies and events of a fixture read their tables here. The file goes through the same door
as a reading sheet (`containers.examine`, `xlsx.read_workbook`, `csv_files.read_text`), so sizes, encodings, delimiters,
decimal marks and damaged or hostile files are met alike; this module finds the row of headings under title rows and
turns columns into arrays. Distinct contents are looked at once, rows are handled as arrays.
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holeqc.door import near_names
from holeqc.problems import ERROR, NOTE, WARNING, Problem, ReadingsError, flaw, shown_path
from holeqc.quantities import BoolArray, FloatArray, IntArray, parse_unit
from holeqc.readings.containers import LOCKS, WORKBOOK, CodeArray, Content, Grid, ReadOptions, Uncalculated, examine
from holeqc.readings.files import RawSheet
from holeqc.readings.table import Collector, cell_name
from holeqc.readings.values import cleaned, decimal_mark, length_of

HEAD_ROWS = 60  #: the row of headings is looked for in so many rows
FEW = 3  #: so many cells with one cause are named one by one; more are one line
NAMED = 5  #: so many cells are named in that line
SHARE_OF_SUMMARIES = 1 / 3  #: above it words such as mean are a column's data, not rows of summary
SHARE_OF_A_ROW = 0.6  #: a row above the headings with so many of its cells filled looks like a row of readings
#: beyond these a number is no length in any unit, and squares of squares overflow or vanish
SMALLEST, LARGEST = 1e-30, 1e30
NO_LABEL = frozenset({"", "-", "--", "---", "n/a", "na", "n.a."})
#: what a row of summary under or between readings is called; a row that says so holds no reading
SUMMARIES = frozenset(
    {
        "mean", "average", "avg", "x-bar", "xbar", "grand mean", "median", "range", "min", "minimum", "max", "maximum",
        "sd", "std", "std dev", "std. dev", "stdev", "standard deviation", "sigma", "sum", "total", "grand total",
        "count", "nominal", "lower limit", "upper limit", "lsl", "usl", "cp", "cpk", "pp", "ppk",
    }
)  # fmt: skip

_POINT = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?")
_COMMA = re.compile(r"[+-]?\d*,\d+")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_CENSORED = re.compile(r"[<>≤≥]\s*[\d.,]+")
_UNIT_BEHIND = re.compile(r"\s{0,4}[\[(][^\])]{0,40}[\])]\s{0,4}$")
_PUT = "Put headings over the columns and a reading in each row below"
_CUT_OFF = (
    "This reading is cut off by its gauge: the true value is only known to be beyond it. "
    "Count such parts as attributes (p chart), or measure with a gauge that reaches"
)


@dataclass(frozen=True, slots=True)
class Table:
    """A table as read: the sheet's cells, where its headings stand, which columns have one, which rows follow.

    ``names`` are the headings and ``places`` their columns in the grid, ``rows`` (n,) the grid's rows under the
    headings that hold anything; all count from 0.
    """

    raw: RawSheet
    heading_row: int
    names: tuple[str, ...]
    places: tuple[int, ...]
    rows: IntArray
    problems: tuple[Problem, ...] = ()
    sha256: str = ""
    bytes: int = 0

    @property
    def file(self) -> str:
        """Name of the file, fit to print."""
        return self.raw.file

    @property
    def sheet(self) -> str:
        """Name of the sheet, '' for a text file."""
        return self.raw.name

    def cell(self, row: int, column: int) -> str:
        """Return the address of a cell, ``B7`` or ``row 7, column size``; row and column count from 0."""
        number, place = int(self.rows[row]) + 1, self.places[column]
        if not self.raw.text_only:
            return cell_name(number, place + 1)
        return f"row {number}, column {self.names[column] or place + 1}"

    def cells(self, rows: IntArray, column: int) -> str:
        """Return the addresses of some cells of a column, the first few by name."""
        few = ", ".join(self.cell(int(r), column) for r in rows[:NAMED])
        return few + (f" and {rows.size - NAMED} more" if rows.size > NAMED else "")

    def problem(
        self, code: str, message: str, *, cell: str = "", found: str = "", allowed: str = "", action: str = ""
    ) -> Problem:
        """Return an error of this table."""
        return Problem(ERROR, code, message, found, allowed, action, file=self.file, sheet=self.sheet, cell=cell)

    def under(self, column: NDArray[Any]) -> NDArray[Any]:
        """Return the rows' part of a column of the grid; of rows without a gap it is no copy."""
        first, last = (int(self.rows[0]), int(self.rows[-1])) if self.rows.size else (0, -1)
        return column[first : last + 1] if last - first + 1 == self.rows.size else column[self.rows]

    def body(self) -> BoolArray:
        """Return which rows of the grid belong to the table."""
        body = np.zeros(self.raw.grid.rows, dtype=np.bool_)
        body[self.rows] = True
        return body


def _failed(problems: Sequence[Problem]) -> ReadingsError:
    return ReadingsError(problems[0].sentence(), problems)


# --------------------------------------------------------------------------------------------------------- headings


def _folded(text: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def _heading(content: Content) -> str:
    """Return a cell as text, '' for a formula without a result."""
    return "" if isinstance(content, Uncalculated) else label_text(content)


def _bare(text: str) -> str:
    """Return a heading without the unit behind it: 'size [mm]' is 'size'."""
    return _folded(_UNIT_BEHIND.sub("", text))


def _row_score(texts: Sequence[str], wanted: Sequence[str]) -> float:
    """Return how well a row of texts answers for the columns asked for: a point each, a fraction for a near miss."""
    folded = {_folded(t) for t in texts if t.strip()}
    folded |= {_bare(t) for t in texts if t.strip()}
    score = 0.0
    for name in wanted:
        if _folded(name) in folded:
            score += 1.0
        elif near_names(_folded(name), folded, 1, 0.75):
            score += 0.01
    return score


def _width(cells: Sequence[object]) -> int:
    """Return the width of a row without blank cells at its end."""
    return max((n for n, cell in enumerate(cells, 1) if cell is not None and str(cell).strip()), default=0)


def _best_row(rows: Sequence[Sequence[str]], wanted: Sequence[str]) -> tuple[int, float]:
    """Return which of the first rows holds the headings and its score; without any hit the first as wide as most.

    A row that begins with ``#`` is a remark.
    """
    remarks = [next((cell for cell in row if cell.strip()), "").lstrip().startswith("#") for row in rows]
    scores = [0.0 if remark else _row_score(row, wanted) for row, remark in zip(rows, remarks, strict=True)]
    best = max(scores, default=0.0)
    if best > 0:  # a title may say one of the words too: the widest of the best rows, the first of those
        return max((n for n, found in enumerate(scores) if found == best), key=lambda n: (_width(rows[n]), -n)), best
    widths = [0 if remark else _width(row) for row, remark in zip(rows, remarks, strict=True)]
    usual = Counter(width for width in widths if width).most_common(1)
    if not usual:
        return -1, 0.0
    words = (
        n
        for n, (row, width) in enumerate(zip(rows, widths, strict=True))
        if width >= usual[0][0] and not any(_POINT.fullmatch(cell.strip()) for cell in row)
    )
    return next(words, next(n for n, width in enumerate(widths) if width)), 0.0


def _score(wanted: Sequence[str]) -> Callable[[Sequence[Sequence[str]]], int]:
    """Return what tells delimiters apart: columns found, then how many rows are as wide as their headings."""

    def score(rows: Sequence[Sequence[str]]) -> int:
        at, found = _best_row(rows, wanted)
        if at < 0:
            return 0
        width = _width(rows[at])
        below = [w for w in map(_width, rows[at + 1 :]) if w]
        fit = sum(w <= width and (w > 1 or width == 1) for w in below) / max(len(below), 1)
        return int(found * 10_000) + int(fit * (99 if width > 1 else 40))  # one column only where nothing parts it

    return score


# ------------------------------------------------------------------------------------------------------ the table


def read_table(path: Path, sheet: str = "", wanted: Sequence[str] = ()) -> Table:
    """Return the table of a text file or of a sheet of a workbook.

    ``sheet`` names a workbook's sheet; empty takes the first that is visible and holds anything. ``wanted``: the
    columns that will be asked for, so that their row is found under titles and remarks.

    Raises:
        ReadingsError: a file that is missing, damaged, unsafe, beyond the limits or of another kind; no table in it;
            cells that belong to no column. Carries every problem found.
    """
    options = ReadOptions(sheets=(sheet,) if sheet else ())
    shown = shown_path(path)
    if path.name.startswith(LOCKS):
        raise _failed([Problem(ERROR, "lock-file", "the file says that a workbook is open somewhere; it holds no table",
                               file=shown, action="Name the workbook itself")])  # fmt: skip
    container = examine(path, options.limits)
    if container.name != shown:
        container = replace(container, name=shown)
    collector = Collector()
    if container.kind != WORKBOOK:
        from holeqc.readings.files import read_text

        if sheet:
            raise _failed([Problem(ERROR, "no-sheets", "a text file has no sheets", f"sheet '{sheet}'", file=shown,
                                   action="Leave out --sheet")])  # fmt: skip
        raw = read_text(container, options, _score(wanted), collector)
        return replace(_table(raw, wanted, collector), sha256=container.sha256, bytes=container.bytes)
    from holeqc.readings.files import read_workbook

    sheets = read_workbook(container, options.limits, options.sheets)
    try:
        raw = next((s for s in sheets if sheet or (not s.hidden and s.grid.filled_rows().any())), None)  # type: ignore[assignment]
        if raw is None:
            raise _failed([Problem(ERROR, "empty-sheet", "the workbook holds no table", file=shown, action=_PUT)])
        if wanted and not sheet and _best_row(_head_texts(raw.grid), wanted)[1] < 1:
            for other in sheets:
                if not other.hidden and _best_row(_head_texts(other.grid), wanted)[1] >= 1:
                    raise _failed([Problem(ERROR, "other-sheet", "this sheet has none of the columns asked for",
                                           allowed=", ".join(wanted), file=shown, sheet=raw.name,
                                           action=f"Another sheet has: say --sheet '{other.name}'")])  # fmt: skip
    finally:
        sheets.close()  # type: ignore[attr-defined]
    return replace(_table(raw, wanted, collector), sha256=container.sha256, bytes=container.bytes)


def _head_texts(grid: Grid) -> list[list[str]]:
    return [[_heading(c) for c in grid.row(row)] for row in range(min(grid.rows, HEAD_ROWS))]


def _table(raw: RawSheet, wanted: Sequence[str], collector: Collector) -> Table:
    grid = raw.grid
    texts = _head_texts(grid)
    at, _ = _best_row(texts, wanted)
    if at < 0:
        raise _failed([Problem(ERROR, "empty-sheet", "there is no table here", file=raw.file, sheet=raw.name,
                               action=_PUT)])  # fmt: skip
    places = tuple(n for n, text in enumerate(texts[at]) if text)
    table = Table(raw, at, tuple(" ".join(texts[at][n].split()) for n in places), places, np.empty(0, np.int64))
    filled = np.zeros(grid.rows, dtype=np.bool_)
    for place in places:
        filled |= grid.columns[place].filled(grid.rows)
    filled[: at + 1] = False
    again = _repeated_headings(table) & filled
    rows = np.flatnonzero(filled & ~again)
    if rows.size and _only_units(grid, places, int(rows[0])):
        collector.add(Problem(NOTE, "unit-row", "the row under the headings says units and is no reading",
                              file=raw.file, sheet=raw.name, cell=f"row {rows[0] + 1}"))  # fmt: skip
        rows = rows[1:]
    if again.any():
        collector.add(Problem(NOTE, "headings-again", f"the headings stand again in {int(again.sum())} row"
                              f"{'s' * (int(again.sum()) > 1)} below: no readings", file=raw.file, sheet=raw.name,
                              cell=f"row {np.flatnonzero(again)[0] + 1}"))  # fmt: skip
    table = replace(table, rows=rows)
    if wrong := _misplaced(table):
        raise _failed(wrong)
    if not rows.size:
        raise _failed([table.problem("no-rows", "there are headings and no rows below them",
                                     found=", ".join(n for n in table.names if n))])  # fmt: skip
    hidden = int(np.isin(rows + 1, list(raw.scan.hidden_rows)).sum()) if raw.scan.hidden_rows else 0
    if hidden:
        collector.add(Problem(WARNING, "hidden-rows", f"{hidden} of {rows.size} rows are hidden in the workbook; they "
                              "count all the same", file=raw.file, sheet=raw.name,
                              action="Take the filter off to see them, or delete them"))  # fmt: skip
    return replace(table, problems=collector.problems())


def _repeated_headings(table: Table) -> BoolArray:
    """Return which rows of the grid say the headings over again: a printed list has them on each page."""
    grid = table.raw.grid
    same = np.ones(grid.rows, dtype=np.bool_)
    for place in table.places:
        codes = grid.columns[place].codes
        if codes is None or codes[table.heading_row] < 0:
            return np.zeros(grid.rows, dtype=np.bool_)
        same &= codes == codes[table.heading_row]
    same[: table.heading_row + 1] = False
    return same


def _only_units(grid: Grid, places: Sequence[int], row: int) -> bool:
    texts = [_folded(_heading(grid.cell(row, place))).strip("[]() ") for place in places]
    return any(parse_unit(t) for t in texts if t) and all(not t or t in NO_LABEL or parse_unit(t) for t in texts)


def _misplaced(table: Table) -> list[Problem]:
    """Return what is wrong with where cells stand: right of the last heading, under a heading over two columns, cut."""
    grid, raw, places = table.raw.grid, table.raw, set(table.places)
    wrong: list[Problem] = []
    last = max(places)
    body = table.body()
    for first, left, end, right in raw.scan.merged:
        over = grid.columns[left:right] if first <= table.heading_row + 1 <= end and left - 1 in places else []
        if any((column.filled(grid.rows) & body).any() for column in over):
            wrong.append(table.problem(
                "merged-heading", "one heading stands over several columns with contents",
                cell=cell_name(table.heading_row + 1, left), found=f"{cell_name(first, left)}:{cell_name(end, right)}",
                action="Unmerge it and give each column a name of its own"))  # fmt: skip
    surplus = np.zeros(grid.rows, dtype=np.bool_)
    for n in range(last + 1, grid.width):
        surplus |= grid.columns[n].filled(grid.rows) & body
    if surplus.any() and not wrong:
        rows = np.flatnonzero(surplus)
        named = ", ".join(str(r + 1) for r in rows[:NAMED])
        named += f" and {rows.size - NAMED} more" if rows.size > NAMED else ""
        values = [label_text(c) for c in grid.row(int(rows[0]))[last + 1 :] if c is not None]
        comma = raw.text_only and raw.delimiter == ","
        wrong.append(table.problem(
            "surplus-cells", "the row has more values than the heading row has names" if rows.size == 1
            else f"{rows.size} rows have more values than the heading row has names",
            cell=f"row{'s' * (rows.size > 1)} {named}", found=", ".join(values[:NAMED]), allowed=f"{last + 1} columns",
            action="A decimal comma in a comma-separated file must stand in quotes" if comma
            else "Give the column a heading, or delete what stands beside the table"))  # fmt: skip
    wrong += _swallowed(table)
    if raw.cut_row >= 0:
        wrong.append(
            table.problem(
                "cut-off",
                "the file ends in the middle of its last row",
                cell=f"row {raw.cut_row + 1}",
                action="Copy it again from where it came",
            )
        )
    return wrong


def _swallowed(table: Table) -> list[Problem]:
    """Return an error for a field of a text file that holds a whole further row: a quotation mark was never closed."""
    raw = table.raw
    if not raw.text_only:
        return []
    parted = len(table.places) - 1
    for column in raw.grid.columns:
        texts = [text for text in column.labels if isinstance(text, str)]
        if "\n" not in "\0".join(texts):
            continue
        for text in [text for text in texts if "\n" in text]:
            if any(line.count(raw.delimiter) >= max(parted, 1) for line in text.split("\n")[1:]) or not parted:
                return [table.problem("damaged-file", "a field runs over its line and takes in the next row",
                                      found=repr(text[:60]),
                                      action="Look for a quotation mark that is opened and never closed")]  # fmt: skip
    return []


# ------------------------------------------------------------------------------------------------------ columns


def find_column(table: Table, name: str) -> int:
    """Return the place (from 0) of the column headed ``name``; case, blanks and a unit in brackets don't count.

    Raises ``ReadingsError`` when no heading or more than one fits, with the headings that exist.
    """
    wanted = _folded(name)
    folded = [_folded(n) for n in table.names]
    for hits in (
        [j for j, n in enumerate(table.names) if n == name.strip()],
        [j for j, n in enumerate(folded) if n == wanted],
        [j for j, n in enumerate(table.names) if _bare(n) == wanted],
    ):
        if len(hits) == 1:
            return hits[0]
        if hits:
            where = ", ".join(cell_name(table.heading_row + 1, table.places[j] + 1) for j in hits)
            raise _failed([table.problem("doubled-heading", f"{len(hits)} columns are headed '{name}'", cell=where,
                                         action="Give every column a name of its own")])  # fmt: skip
    near = near_names(wanted, folded)
    close = table.names[folded.index(near[0])] if near else ""
    action = f"Did you mean '{close}'?" if close else ""
    names_there = [n for n in table.names if n]
    shown = ", ".join(names_there[:30]) + (f" and {len(names_there) - 30} more" if len(names_there) > 30 else "")
    raise _failed([table.problem("no-column", f"there is no column '{name}'", allowed=shown, action=action)])


def label_text(content: Content) -> str:
    """Return a cell as text: a day as 2026-05-04, a whole number without its point."""
    if content is None:
        return ""
    if isinstance(content, float):
        return str(int(content)) if content.is_integer() and abs(content) < 1e15 else repr(content)
    if isinstance(content, dt.datetime):
        return content.date().isoformat() if content.time() == dt.time() else content.isoformat(" ")
    return str(content).strip()


def _contents(table: Table, column: int) -> tuple[CodeArray, list[Content]]:
    """Return a column's cells as codes (n,) into those of its contents that the rows hold, -1 where blank."""
    codes, labels = table.raw.grid.columns[table.places[column]].as_labels(table.rows)
    return _used(codes, labels)


def _used(codes: CodeArray, labels: Sequence[Content]) -> tuple[CodeArray, list[Content]]:
    there = np.zeros(len(labels) + 1, dtype=np.bool_)
    there[codes] = True
    there = there[:-1]
    if there.all():
        return codes, list(labels)
    new = np.append(np.cumsum(there) - 1, -1).astype(np.int32)
    return new[codes], [label for label, used in zip(labels, there, strict=True) if used]


def _merged(table: Table, column: int) -> Iterator[tuple[IntArray, int, str]]:
    """Yield for each range merged over several rows of a column: its rows (from 0), the grid's first row, its name."""
    place = table.places[column] + 1
    for first, left, last, right in table.raw.scan.merged:
        if left <= place <= right and (last > first or left < place):
            start, end = np.searchsorted(table.rows, [first - 1, last])
            inside = np.arange(start, end)
            if left == place:
                inside = inside[table.rows[inside] != first - 1]
            if inside.size:
                yield inside, first - 1, f"{cell_name(first, left)}:{cell_name(last, right)}"


def holds_words(table: Table, name: str) -> bool:
    """Return whether every filled cell of a column is a word without a digit."""
    _, labels = _contents(table, find_column(table, name))
    return bool(labels) and all(isinstance(c, str) and not any(map(str.isdigit, c)) for c in labels)


def text_column(table: Table, column: int) -> NDArray[np.str_]:
    """Return a column, by its place, as text (n,): '' where blank or a mark for nothing.

    A label merged over several rows holds for all of them.
    """
    codes, labels = _contents(table, column)
    words = [_heading(c) for c in labels]
    texts = np.array([*("" if w.casefold() in NO_LABEL else w for w in words), ""], dtype=str)[codes]
    for inside, first, _ in _merged(table, column):
        if table.raw.grid.cell(first, table.places[column]) is not None:
            texts = texts.astype(object)
            texts[inside] = label_text(table.raw.grid.cell(first, table.places[column]))
            texts = texts.astype(str)
    return texts


def label_column(table: Table, name: str) -> NDArray[np.str_]:
    """Return a column as labels (part, fixture set-up, day), shape (rows,), as text.

    Raises ``ReadingsError`` naming every blank cell: a reading without its label can't be placed.
    """
    column = find_column(table, name)
    labels = text_column(table, column)
    blank = np.flatnonzero(labels == "")
    if blank.size:
        one = f"the cell has no {name}" if blank.size == 1 else f"{blank.size} cells have no {name}"
        if any(isinstance(c, Uncalculated) for c in table.raw.grid.columns[table.places[column]].labels):
            one += "; formulas there were never calculated: open and save the workbook"
        raise _failed([table.problem("no-label", one, cell=table.cells(blank, column),
                                     action="Fill it in: the reading can't be placed without it")])  # fmt: skip
    kinds = {str(label) for label in np.unique(labels)}
    folded = Counter(label.casefold() for label in kinds)
    twice = sorted(label for label in kinds if folded[label.casefold()] > 1)
    if twice:
        raise _failed([table.problem("label-spelling", f"labels in '{name}' differ in capitals only",
                                     found=", ".join(twice), action="Write the same label the same way")])  # fmt: skip
    return labels


def columns_between(table: Table, names: Sequence[str]) -> tuple[str, ...]:
    """Return column names with ranges such as ``x1..x5`` written out; a heading that is spelt so is taken as it is.

    Raises ``DataError`` for a range that isn't one, ``ReadingsError`` for a column that isn't there.
    """
    from holeqc.readings.sheet_layout import written_out

    out: list[str] = []
    for name in names:
        out += [name] if _folded(name) in map(_folded, table.names) else written_out(name, "--column")
    return tuple(out)


def number_column(table: Table, name: str) -> tuple[FloatArray, tuple[Problem, ...]]:
    """Return a column as numbers, shape (rows,), NaN where nothing was measured, and what a person should know of it.

    Blank cells and marks such as ``-``, ``--`` and ``n/a`` say that nothing was measured, and are counted.

    Raises ``ReadingsError`` naming every cell that holds something else than a number; nothing is left out.
    """
    column = find_column(table, name)
    grid_column = table.raw.grid.columns[table.places[column]]
    size = table.rows.size
    missing, plain = np.zeros((2, size), dtype=np.bool_)
    values, distinct = None, np.empty(0)
    if grid_column.numbers is not None:
        values = distinct = table.under(grid_column.numbers).copy()
        plain = ~np.isnan(values)
    notes: list[Problem] = []
    errors: list[Problem] = []
    if grid_column.codes is not None:
        codes, labels = _used(table.under(grid_column.codes), grid_column.labels)
        found = _Texts(labels, table.raw.delimiter if table.raw.grid.width > 1 else "")
        of_texts = np.append(found.values, np.nan)[codes]
        values = of_texts if values is None else np.where(plain, values, of_texts)
        distinct = np.append(distinct, found.values)
        missing = np.append(found.absent, False)[codes]
        notes += found.notes(table)
        errors += found.errors(table, column, codes)
        errors += _mixed_units(table, column, codes, found.units, plain)
    values = np.full(size, np.nan) if values is None else values
    for word, beyond in _beyond(values) if any(far.any() for _, far in _beyond(distinct)) else ():
        if beyond.any():
            errors.append(table.problem("not-a-number", f"the number is too {word} to be a reading",
                                        cell=table.cells(np.flatnonzero(beyond), column)))  # fmt: skip
    blank = np.isnan(values) & ~missing
    if grid_column.codes is not None:
        blank &= table.under(grid_column.codes) < 0
    for inside, _, reach in _merged(table, column):
        swallowed = inside[blank[inside]]
        if swallowed.size:
            errors.append(table.problem("no-value", f"the cell shows no value: it lies in the merged range {reach}",
                                        cell=table.cells(swallowed, column),
                                        action="Unmerge it and fill every cell"))  # fmt: skip
    errors += _struck(table, column, values)
    errors += _summary_rows(table, column, values)
    errors += _above(table, column)
    if errors:
        raise _failed(errors)
    missing |= blank
    if missing.any():
        at = np.flatnonzero(missing)
        notes.append(Problem(WARNING, "blank-cells", f"{at.size} of {size} cells in '{name}' are blank or say that "
                             "nothing was measured", file=table.file, sheet=table.sheet,
                             found=table.cells(at, column)))  # fmt: skip
    return values, table.problems + tuple(notes)


def _beyond(values: FloatArray) -> tuple[tuple[str, BoolArray], ...]:
    """Return which numbers (n,) are too large and which too small to be a reading."""
    amounts = np.abs(values)
    return ("large", amounts > LARGEST), ("small", (amounts < SMALLEST) & (amounts > 0))


def _struck(table: Table, column: int, values: FloatArray) -> list[Problem]:
    """Return an error for readings whose text is struck through: whether they count can't be told."""
    rows = [row - 1 for row, at in table.raw.scan.struck if at == table.places[column] + 1]
    at = np.flatnonzero(np.isin(table.rows, rows) & ~np.isnan(values)) if rows else np.empty(0, np.int64)
    if not at.size:
        return []
    return [table.problem("struck-through", "the reading is struck through: whether it counts can't be told",
                          cell=table.cells(at, column),
                          action="Empty the cell, or take the line through it away")]  # fmt: skip


_DIGITS = frozenset("0123456789")


def _summary_rows(table: Table, column: int, values: FloatArray) -> list[Problem]:
    """Return an error for rows that say mean, range, total and the like and hold a number in the column."""
    found = []
    for other in range(len(table.names)):
        codes = table.raw.grid.columns[table.places[other]].codes
        if other == column or codes is None:
            continue
        labels = table.raw.grid.columns[table.places[other]].labels
        likely = [n for n, c in enumerate(labels) if isinstance(c, str) and c[-1] not in _DIGITS and len(c) < 24]
        words = [n for n in likely if _folded(str(labels[n])).rstrip(" :=.") in SUMMARIES]
        if not words:
            continue
        here = np.isin(table.under(codes), words)
        at = np.flatnonzero(here & ~np.isnan(values))
        if at.size and here.sum() < SHARE_OF_SUMMARIES * table.rows.size:
            said = label_text(table.raw.grid.cell(int(table.rows[at[0]]), table.places[other]))
            found.append(table.problem(
                "summary-row", "a row of summary is no reading", cell=table.cells(at, column), found=repr(said),
                action="Delete the row, or write another word where it is a reading"))  # fmt: skip
    return found


def _above(table: Table, column: int) -> list[Problem]:
    """Return an error for rows above the headings that look like readings: another table ends there, or a torn one."""
    found = []
    for row in range(table.heading_row):
        cells = [table.raw.grid.cell(row, place) for place in table.places]
        texts = [_heading(cell) for cell in cells if cell is not None]
        number = isinstance(cells[column], float) or _POINT.fullmatch(_heading(cells[column]))
        says = any(_folded(text).rstrip(" :=.") in SUMMARIES for text in texts)
        if number and not says and len(texts) >= SHARE_OF_A_ROW * len(cells):
            found.append(cell_name(row + 1, table.places[column] + 1))
    if not found:
        return []
    few = ", ".join(found[:NAMED]) + (f" and {len(found) - NAMED} more" if len(found) > NAMED else "")
    return [table.problem("above-headings", f"numbers stand above the headings (row {table.heading_row + 1})", cell=few,
                          action="Put each table in a file or sheet of its own, or delete those rows")]  # fmt: skip


# -------------------------------------------------------------------------------------------- distinct texts to numbers


class _Texts:
    """Distinct contents of a column as numbers: value, unit in the cell, whether nothing was measured, doubt."""

    def __init__(self, labels: Sequence[Content], delimiter: str) -> None:
        size = len(labels)
        self.labels = labels
        self.values = np.full(size, np.nan)
        self.absent = np.zeros(size, dtype=np.bool_)
        self.units: list[str] = [""] * size
        self.issues: dict[int, Problem] = {}
        texts = [c.strip(" \t\xa0") if isinstance(c, str) and not isinstance(c, Uncalculated) else "" for c in labels]
        point = np.array([_POINT.fullmatch(t) is not None for t in texts], dtype=np.bool_)
        comma = np.array([not p and _COMMA.fullmatch(t) is not None for t, p in zip(texts, point, strict=True)],
                         dtype=np.bool_)  # fmt: skip
        odd = [n for n, (p, c) in enumerate(zip(point, comma, strict=True)) if not p and not c]
        mark, self.mixed = decimal_mark(self._telling(texts, point, comma, odd), "", delimiter)
        self.first_comma = texts[int(np.argmax(comma))] if comma.any() else ""
        for n in np.flatnonzero(point).tolist() if mark == "," else ():
            if "." in texts[n]:  # a point beside decimal commas may part thousands: looked at one by one
                point[n] = False
                odd.append(n)
        self._take(point, texts)
        if mark == ",":
            self._take(comma, [t.replace(",", ".") for t in texts])
        else:
            odd += np.flatnonzero(comma).tolist()
        for n in odd:
            self._look(n, mark)
        self.decimals = mark == "," or (self.mixed and bool(comma.any()))

    @staticmethod
    def _telling(texts: Sequence[str], point: BoolArray, comma: BoolArray, odd: Sequence[int]) -> list[str]:
        """Return texts that tell the decimal mark as all of them would: one of each plain kind, and all odd ones."""
        telling = [texts[n] for n in odd]
        telling += [next((texts[n] for n in np.flatnonzero(point).tolist() if "." in texts[n]), "0")]
        commas = [texts[n] for n in np.flatnonzero(comma).tolist()]
        telling += [next((t for t in commas if not _THOUSANDS.fullmatch(t)), "0"), *commas[:1]]
        return telling

    def _take(self, where: BoolArray, texts: Sequence[str]) -> None:
        at = np.flatnonzero(where)
        self.values[at] = np.fromiter((float(texts[n]) for n in at.tolist()), np.float64, at.size)

    def _look(self, n: int, mark: str) -> None:
        length = length_of(self.labels[n], mark)
        self.values[n], self.units[n] = length.value, length.unit
        issue = length.issue
        if issue is None and "\n" in str(self.labels[n]):
            issue = flaw("line-break", "a line break stands in the cell", "a number", "Type the number again")
        if issue is None:
            return
        text = cleaned(str(self.labels[n]))
        if issue.code == "not-measured":
            self.absent[n] = True
            return
        if _CENSORED.fullmatch(text):
            issue = flaw("cut-off-reading", "the reading is beyond what its gauge can show", issue.allowed, _CUT_OFF)
        self.values[n] = np.nan
        self.issues[n] = issue

    def notes(self, table: Table) -> list[Problem]:
        """Return what is said of decimal commas."""
        if not self.decimals or not self.first_comma:
            return []
        beside = ", beside others with a decimal point" if self.mixed else ""
        return [Problem(WARNING if self.mixed else NOTE, "decimal-comma", f"numbers are written with a decimal comma"
                        f"{beside}; they are read as decimals", file=table.file, sheet=table.sheet,
                        found=self.first_comma)]  # fmt: skip

    def errors(self, table: Table, column: int, codes: CodeArray) -> list[Problem]:
        """Return what is wrong: few cells of a cause one by one, more of them in one line."""
        kinds: dict[str, list[int]] = {}
        for n, issue in self.issues.items():
            kinds.setdefault(issue.code, []).append(n)
        out: list[Problem] = []
        for numbers in kinds.values():
            rows = np.flatnonzero(np.isin(codes, numbers))
            shown = [repr(label_text(self.labels[n])[:60]) for n in numbers]
            issue = self.issues[numbers[0]]
            if rows.size <= FEW:
                for row in rows.tolist():
                    issue = self.issues[int(codes[row])]
                    out.append(table.problem(issue.code, issue.message, allowed=issue.allowed, action=issue.action,
                                             found=repr(label_text(self.labels[int(codes[row])])[:60]),
                                             cell=table.cell(row, column)))  # fmt: skip
                continue
            alike = len({self.issues[n].message for n in numbers}) == 1
            message = issue.message if alike else issue.message.split(":", 1)[0]
            actions = {self.issues[n].action for n in numbers}
            found = ", ".join(shown[:NAMED]) + (f" and {len(shown) - NAMED} more" if len(shown) > NAMED else "")
            out.append(table.problem(issue.code, f"{rows.size} cells: {message}", allowed=issue.allowed, found=found,
                                     action=issue.action if len(actions) == 1 else "Type the numbers again",
                                     cell=table.cells(rows, column)))  # fmt: skip
        return out


def _mixed_units(table: Table, column: int, codes: CodeArray, units: Sequence[str], plain: BoolArray) -> list[Problem]:
    """Return an error where some cells say a unit and the others none or another one."""
    if not any(units):
        return []
    kinds = sorted(set(units) | ({""} if plain.any() else set()))
    number = np.append(np.array([kinds.index(u) for u in units], dtype=np.int64), -1)[codes]
    number[plain] = kinds.index("") if plain.any() else -1
    number[(codes < 0) & ~plain] = -1
    counts = np.bincount(number[number >= 0], minlength=len(kinds))
    there = [n for n in range(len(kinds)) if counts[n]]
    if len(there) < 2:
        return []
    usual = max(there, key=lambda n: counts[n])
    rows = np.flatnonzero((number >= 0) & (number != usual))
    odd = kinds[int(number[rows[0]])] or "no unit"
    return [table.problem("mixed-units", f"the cell says {odd}, most others {kinds[usual] or 'no unit'}",
                          cell=table.cells(rows, column), action="Write the number alone, all in one unit; the unit "
                          "belongs in the heading")]  # fmt: skip
