"""A hole table as drawings carry it (hole, x, y, size) made into a kit file; nothing in it is guessed in silence.

The file comes in by the same guarded reader as sheets of readings. Every column is told as it was understood, every
cell that isn't is a problem with its place, and the kit's lines name the cells that they come from.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from holeqc.problems import ERROR, DataError, HoleQCError, Problem, ReadingsError
from holeqc.quantities import GRAIN, Unit, convert, parse_length, parse_unit, unit_name
from holeqc.readings.containers import WORKBOOK, Content, ReadOptions, Uncalculated, examine, refusal
from holeqc.readings.files import RawSheet
from holeqc.readings.identities import text_of
from holeqc.readings.table import Collector, cell_name
from holeqc.readings.values import cleaned, decimal_mark, length_of
from holeqc.specification.keys import SizeText, decimal_text, read_size, size_keys

#: what a column holds -> what people write above it, as patterns of the whole heading without its unit
HEADINGS: dict[str, str] = {
    "id": r"(?=.*[a-z#])(?:hole|bore|item|tag|ref(?:erence)?|label|mark|pos|bohrung)?[ ._-]*"
    r"(?:no|nr|id|number|name|#|num)?[. ]*",
    "x": r"x(?:[ ._-]*(?:dim|dimension|pos|position|loc|location|coord|coordinate|dist|distance|from datum.*))?[. ]*",
    "y": r"y(?:[ ._-]*(?:dim|dimension|pos|position|loc|location|coord|coordinate|dist|distance|from datum.*))?[. ]*",
    "size": r"(?:⌀|ø|∅|hole|bore|drill|drilled|nom|nominal|basic)?[ ._-]*"
    r"(?:⌀|ø|∅|size|dia|diam|diameter|nom|nominal|callout|call-out)[. ]*",
    "lower": r"(?:lower|low|min|minimum|ll|least|smallest)"
    r"(?:[ ._-]*(?:limit|lim|size|dia|diam|diameter|of size))*[. ]*",
    "upper": r"(?:upper|high|max|maximum|ul|largest)(?:[ ._-]*(?:limit|lim|size|dia|diam|diameter|of size))*[. ]*",
    "plus": r"(?:plus|\+|(?:tol|tolerance)[ ._-]*(?:\+|plus)|(?:\+|plus)[ ._-]*(?:tol|tolerance))[. ]*",
    "minus": r"(?:minus|-|(?:tol|tolerance)[ ._-]*(?:-|minus)|(?:-|minus)[ ._-]*(?:tol|tolerance))[. ]*",
    "upper deviation": r"upper[ ._-]*(?:dev|deviation|tol|tolerance)[. ]*",
    "lower deviation": r"lower[ ._-]*(?:dev|deviation|tol|tolerance)[. ]*",
    "even": r"(?:±|\+/-|\+-)(?:[ ._-]*(?:tol|tolerance))?[. ]*|(?:tol|tolerance)[ ._-]*(?:±|\+/-)[. ]*",
    "tolerance": r"(?:size[ ._-]*)?(?:tol|tolerance|fit|class|fit class|tolerance class|zone)[. ]*",
    "bushing": r"(?:drill[ ._-]*)?(?:bushing|bush)[ ._-]*(?:no|id|number)?[. ]*",
    "quantity": r"(?:qty|quantity|count|pcs|places)[. ]*",
    "unit": r"(?:unit|units)[. ]*",
}
MEANINGS = {
    "id": "name of the hole", "x": "basic dimension along x", "y": "basic dimension along y", "size": "size",
    "lower": "lower limit of size", "upper": "upper limit of size",
    "plus": "how far the upper limit lies above the size",
    "minus": "how far the lower limit lies below the size, its sign left out", "even": "tolerance to both sides",
    "upper deviation": "upper deviation, with its sign", "lower deviation": "lower deviation, with its sign",
    "tolerance": "deviations or class of the size", "bushing": "drill bushing", "quantity": "how many; one a row",
    "unit": "unit of the row",
}  # fmt: skip
LENGTHS = ("x", "y", "size", "lower", "upper", "plus", "minus", "upper deviation", "lower deviation", "even")
#: labels above a table that say something of the kit
LABELS = {
    "drawing": r"(?:drawing|drg|dwg)(?:[ ._-]*(?:no|nr|number|#))?",
    "revision": r"rev(?:ision)?(?:[ ._-]*(?:no|letter))?",
    "number": r"(?:part|p/n|pn)(?:[ ._-]*(?:no|nr|number|#))?", "title": r"(?:title|description|name)",
    "id": r"kit(?:[ ._-]*(?:no|nr|id|number))?",
    "unit": r"(?:unit|units|all dimensions|dimensions|dim)(?:[ ._-]*(?:in|are in))?",
}  # fmt: skip
DEEPEST_HEADING = 60
_IN_BRACKETS = re.compile(r"[\(\[]\s*([^\)\]]*?)\s*[\)\]]")
_COMMA_LAST = re.compile(r",\s*([A-Za-z\"″.]+)\s*$")
_LENGTH_WORD = re.compile(
    r"\b(?:dimensions?|dims?|units?|lengths?)\b.*\b(in|inch|inches|mm|millimet(?:re|er)s?)\b", re.I
)


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its place from 0, its heading as typed, what it holds ('' for nothing known), the unit it names."""

    place: int
    heading: str
    holds: str
    unit: Unit | None = None


@dataclass(frozen=True, slots=True)
class TableHole:
    """One hole of the table: each value as text for a kit file, with the row (from 0) that it comes from."""

    row: int
    id: str
    x: str
    y: str
    size: dict[str, str]
    bushing: str = ""


@dataclass(frozen=True, slots=True)
class HoleTable:
    """A hole table as it was understood. ``facts`` are what labels above it say; ``left`` what was not used."""

    file: str
    sheet: str
    unit: Unit
    unit_from: str
    heading_row: int
    columns: tuple[Column, ...]
    holes: tuple[TableHole, ...]
    facts: dict[str, str]
    left: tuple[str, ...]
    numbered: bool  #: the table names no holes; they are counted

    def cell_of(self, path: str) -> str:
        """Return the cell that a path of the kit file made from it comes from, '' where none does."""
        match = re.match(r"hole\[(\d+)\](?:\.(\w+))?", path)
        number, key = (int(match[1]), match[2] or "id") if match else (1, path.split(".")[0])
        if not match and key != "size":
            return ""
        if number > len(self.holes):
            return ""
        last = path.rpartition(".")[2]
        place = next((c.place for wanted in (last, key) for c in self.columns if c.holds == wanted), None)
        if place is None:
            wanted = ("size", "lower", "upper") if key == "size" else ("id", "x")
            place = next((c.place for c in self.columns if c.holds in wanted), 0)
        return cell_name(self.holes[number - 1].row + 1, place + 1)


@dataclass(slots=True)
class _Run:
    """What is known while one table is read."""

    raw: RawSheet
    name: str
    decimal: str = ""
    unit: Unit = "in"
    problems: list[Problem] = field(default_factory=list)
    row_unit: dict[int, Unit] = field(default_factory=dict)

    def problem(self, row: int, place: int, message: str, found: str = "", allowed: str = "", action: str = "") -> None:
        """Add a problem with a cell, both from 0."""
        self.problems.append(Problem(ERROR, "hole-table", message, found, allowed, action, file=self.name,
                                     sheet=self.raw.name, cell=cell_name(row + 1, place + 1)))  # fmt: skip


def read_hole_table(path: str | Path, unit: str = "", sheet: str = "", options: ReadOptions | None = None) -> HoleTable:
    """Return the hole table in a CSV file or workbook.

    ``unit``: in or mm, where the table doesn't say it. ``sheet``: its sheet, where several hold one.

    Raises:
        ReadingsError: no such table, or cells that can't be understood; carries the problems of all of them.
    """
    options = options or ReadOptions()
    container = examine(path, options.limits)
    if container.kind == WORKBOOK:
        from holeqc.readings.files import read_workbook

        sheets = list(read_workbook(container, options.limits, (sheet,) if sheet else ()))
    else:
        from holeqc.readings.files import read_text

        def score(rows: Sequence[Sequence[str]]) -> int:
            return max((len(_known(list(row))) for row in rows), default=0)

        sheets = [read_text(container, options, score, Collector())]
    found = [(raw, head) for raw in sheets if (head := _heading_row(raw)) is not None]
    if not found:
        raise refusal(
            container.name, "no-hole-table", "no hole table was found: no row holds headings for x, y and size",
            allowed="headings such as Hole, X, Y, Size, or Lower and Upper, Plus and Minus, Tolerance",
            action="Write such headings above the columns",
        )  # fmt: skip
    if len(found) > 1:
        raise refusal(
            container.name, "several-hole-tables", "more than one sheet holds a hole table",
            found=", ".join(raw.name for raw, _ in found), action="Name one with --sheet",
        )  # fmt: skip
    return _read(found[0][0], container.name, found[0][1], unit, options)


# ---------------------------------------------------------------------------------------------------------- headings


def _split_unit(text: str) -> tuple[str, Unit | None]:
    """Return a heading without the unit that it names, and that unit."""
    plain = " ".join(cleaned(text).split())
    for pattern in (_IN_BRACKETS, _COMMA_LAST):
        for match in pattern.finditer(plain):
            if (unit := parse_unit(match[1])) is not None:
                return (plain[: match.start()] + plain[match.end() :]).strip(), unit
    words = plain.rsplit(" ", 1)
    if len(words) == 2 and (unit := parse_unit(words[1])) is not None:
        return words[0].strip(" -"), unit
    return plain, None


def _meaning(content: Content) -> tuple[str, Unit | None]:
    """Return what a heading says that its column holds, '' where that isn't known."""
    if not isinstance(content, str):
        return "", None
    name, unit = _split_unit(content)
    plain = _IN_BRACKETS.sub("", name).strip(" :").lower()
    if not plain:
        return ("unit", unit) if unit is not None and not name else ("", unit)
    for holds, pattern in HEADINGS.items():
        if re.fullmatch(pattern, plain):
            return holds, unit
    return "", unit


def _known(row: Sequence[Content]) -> dict[str, int]:
    """Return the places of what a row of headings names, the first of each."""
    places: dict[str, int] = {}
    for place, content in enumerate(row):
        holds, _ = _meaning(content)
        if holds:
            places.setdefault(holds, place)
    return places


def _heading_row(raw: RawSheet) -> int | None:
    """Return the row of the headings, None where the sheet holds no hole table; the lower of two equally good ones."""
    best: tuple[int, int] | None = None
    for row in range(min(raw.grid.rows, DEEPEST_HEADING)):
        known = _known(raw.grid.row(row))
        sized = "size" in known or {"lower", "upper"} <= known.keys()
        if {"x", "y"} <= known.keys() and sized and (best is None or len(known) >= best[0]):
            best = (len(known), row)
    return None if best is None else best[1]


# ------------------------------------------------------------------------------------------------------------- table


def _read(raw: RawSheet, name: str, head: int, unit: str, options: ReadOptions) -> HoleTable:
    run = _Run(raw, name)
    columns, first = _columns(run, head)
    facts, left = _above(run, head)
    run.unit, unit_from = _unit(run, columns, facts, unit, head)
    at = {column.holds: column for column in columns if column.holds}
    texts = [raw.grid.columns[c.place].labels for c in columns if c.holds in LENGTHS or c.holds == "tolerance"]
    run.decimal, _ = decimal_mark((label for labels in texts for label in labels), options.decimal, raw.delimiter)
    holes: list[TableHole] = []
    for row in range(first, raw.grid.rows):
        content = raw.grid.row(row)
        if all(cell is None for cell in content):
            continue
        if not any(_at(run, row, at.get(word)) is not None for word in ("x", "y", "size", "lower", "upper")):
            left.append(_left(row, content))
            continue
        holes.append(_hole(run, row, at, len(holes) + 1))
    _odd_cells(run, columns, first)
    if not holes and not run.problems:
        run.problem(head, 0, "there is no hole below the headings", action="Write a row for each hole")
    if run.problems:
        raise ReadingsError(f"{name}: nothing was written", run.problems)
    facts.pop("unit", None)
    return HoleTable(name, raw.name, run.unit, unit_from, head, tuple(columns), tuple(holes), facts, tuple(left),
                     "id" not in at)  # fmt: skip


def _left(row: int, content: Sequence[Content]) -> str:
    place = next(place for place, cell in enumerate(content) if cell is not None)
    words = " | ".join(text_of(cell) for cell in content if cell is not None)
    return f"{cell_name(row + 1, place + 1)} {words[:70]!r}"


def _columns(run: _Run, head: int) -> tuple[list[Column], int]:
    """Return the columns, and the first row below headings and a row of units under them."""
    row = run.raw.grid.row(head)
    below = run.raw.grid.row(head + 1) if head + 1 < run.raw.grid.rows else []
    units = [parse_unit(cell) if isinstance(cell, str) else None for cell in below]
    filled = [place for place, cell in enumerate(below) if cell is not None]
    has_units = bool(filled) and all(units[place] is not None for place in filled)
    columns: list[Column] = []
    met: dict[str, int] = {}
    for place, content in enumerate(row):
        holds, unit = _meaning(content)
        if holds in met:
            run.problem(head, place, f"two columns are headed {MEANINGS[holds]}", text_of(content),
                        "one column of each", "Rename or take out the one that isn't meant")  # fmt: skip
            holds = ""
        if holds:
            met[holds] = place
        if content is not None:
            below_unit = units[place] if has_units and place < len(units) else None
            columns.append(Column(place, text_of(content), holds, unit or below_unit))
    return columns, head + (2 if has_units else 1)


def _above(run: _Run, head: int) -> tuple[dict[str, str], list[str]]:
    """Return what labels above the table say of the kit, and the other lines there."""
    facts: dict[str, str] = {}
    left: list[str] = []
    for row in range(head):
        cells = [(place, cell) for place, cell in enumerate(run.raw.grid.row(row)) if cell is not None]
        used = False
        for number, (_, cell) in enumerate(cells):
            text = text_of(cell)
            label, colon, value = text.partition(":")
            beside = text_of(cells[number + 1][1]) if number + 1 < len(cells) else ""
            said = value.strip() if colon and value.strip() else beside
            for word, pattern in LABELS.items():
                if said and word not in facts and re.fullmatch(pattern, label.strip().lower()):
                    facts[word], used = said, True
            if "unit" not in facts and (match := _LENGTH_WORD.search(text)):
                facts["unit"], used = match[1], True
        if cells and not used:
            left.append(_left(row, run.raw.grid.row(row)))
    return facts, left


def _unit(run: _Run, columns: list[Column], facts: dict[str, str], stated: str, head: int) -> tuple[Unit, str]:
    """Return the kit's unit and where it comes from; refuses a table that says none."""
    if stated:
        return parse_unit(stated) or "in", "--unit"
    order = ("size", "lower", "upper", "x", "y")
    for word in order:
        column = next((c for c in columns if c.holds == word and c.unit is not None), None)
        if column is not None and column.unit is not None:
            return column.unit, f"the heading in {cell_name(head + 1, column.place + 1)}"
    if (unit := parse_unit(facts.get("unit", ""))) is not None:
        return unit, "the lines above the table"
    column = next((c for c in columns if c.holds == "unit"), None)
    if column is not None:
        for row in range(head + 1, run.raw.grid.rows):
            cell = run.raw.grid.cell(row, column.place)
            if isinstance(cell, str) and (unit := parse_unit(cell)) is not None:
                return unit, f"column {cell_name(head + 1, column.place + 1)}"
    run.problem(head, 0, "the table doesn't say its unit", "no unit in headings or above them", "in or mm",
                "Give --unit in or --unit mm, as the drawing says")  # fmt: skip
    return "in", ""


def _at(run: _Run, row: int, column: Column | None) -> Content:
    """Return a cell's content, of a merged range the content of its first cell; None for a blank or missing one."""
    if column is None:
        return None
    content = run.raw.grid.cell(row, column.place)
    if content is not None and not (isinstance(content, str) and not content.strip()):
        return content
    for top, left, bottom, right in run.raw.scan.merged:
        if top <= row + 1 <= bottom and left <= column.place + 1 <= right:
            return run.raw.grid.cell(top - 1, left - 1)
    return None


def _odd_cells(run: _Run, columns: Sequence[Column], first: int) -> None:
    """Refuse rows that nobody sees or that somebody struck out: whether they count is not for us to say."""
    places = {column.place + 1 for column in columns if column.holds}
    for row in sorted(run.raw.scan.hidden_rows):
        if first < row <= run.raw.grid.rows and any(cell is not None for cell in run.raw.grid.row(row - 1)):
            run.problem(row - 1, 0, "this row is hidden", action="Show it, or delete it if it doesn't count")
    for row, column in sorted(run.raw.scan.struck):
        if row > first and column in places and row <= run.raw.grid.rows:
            content = text_of(run.raw.grid.cell(row - 1, column - 1))
            run.problem(row - 1, column - 1, "this cell is struck through", content,
                        action="Empty it or type what holds")  # fmt: skip


def _hole(run: _Run, row: int, at: dict[str, Column], number: int) -> TableHole:
    told = _at(run, row, at.get("unit"))
    if isinstance(told, str) and (unit := parse_unit(told)) is not None:
        run.row_unit[row] = unit
    elif told is not None:
        run.problem(row, at["unit"].place, "this is not a unit", text_of(told), "in or mm", "Correct it")
    name = _name(run, row, at["id"], "the hole has no name") if "id" in at else str(number)
    quantity = _at(run, row, at.get("quantity"))
    if quantity is not None and text_of(quantity).upper().rstrip("X") not in {"1", ""}:
        run.problem(row, at["quantity"].place, "one row stands for several holes", text_of(quantity), "one row a hole",
                    "Write a row with x and y for each of them")  # fmt: skip
    places = [_length(run, row, at[word], word) for word in ("x", "y")]
    bushing = _name(run, row, at["bushing"], "") if "bushing" in at else ""
    return TableHole(row, name, places[0], places[1], _size(run, row, at), bushing)


def _name(run: _Run, row: int, column: Column, missing: str) -> str:
    """Return a name from its cell; ``missing`` is what is wrong with a blank one, '' where it may be blank."""
    content = _at(run, row, column)
    if content is None:
        if missing:
            run.problem(row, column.place, missing, "a blank cell", "", "Type its name")
        return ""
    if isinstance(content, Uncalculated) or not isinstance(content, str | float):
        run.problem(row, column.place, "this is no name", text_of(content), "text or a number",
                    "Format the cell as text and type it again")  # fmt: skip
        return ""
    return text_of(content)


# ------------------------------------------------------------------------------------------------------------ values


def _unit_of(run: _Run, row: int, column: Column) -> Unit:
    return column.unit or run.row_unit.get(row, run.unit)


def _exact(run: _Run, row: int, column: Column) -> tuple[Fraction, Unit] | None:
    """Return the length in a cell exactly as typed, with its unit; None with a problem for anything else."""
    content = _at(run, row, column)
    if content is None:
        run.problem(row, column.place, f"{MEANINGS[column.holds]} is missing", "a blank cell", "a length",
                    "Type it; what stands above is not copied down")  # fmt: skip
        return None
    found = length_of(content, run.decimal)
    if found.issue is not None or not np.isfinite(found.value):
        issue = found.issue
        run.problem(row, column.place, issue.message if issue else "this is not a number", text_of(content),
                    issue.allowed if issue else "a number", issue.action if issue else "Correct it")  # fmt: skip
        return None
    unit: Unit = "mm" if found.unit == "mm" else "in" if found.unit == "in" else _unit_of(run, row, column)
    if unit == "mm" and "/" in text_of(content):
        _fraction_in_mm(run, row, column, text_of(content))
        return None
    return _as_typed(content, found.value), unit


def _as_typed(content: Content, value: float) -> Fraction:
    """Return a length exactly as it was typed, not as the nearest binary number."""
    try:
        return parse_length(cleaned(text_of(content)).lstrip("±").strip().replace(",", "."))[0]
    except DataError:
        return Fraction(repr(value))


def _fraction_in_mm(run: _Run, row: int, column: Column, found: str) -> None:
    run.problem(row, column.place, "a fraction stands in a column in mm", found, "decimals, or the fraction with in",
                f'Type it in mm, or "{found} in"')  # fmt: skip


def _typed(run: _Run, value: Fraction, unit: Unit) -> str:
    """Return a length as a kit file writes it, with its unit where that isn't the kit's."""
    text = decimal_text(value)
    return text if unit == run.unit else f'"{text} {unit}"'


def _length(run: _Run, row: int, column: Column, word: str) -> str:
    exact = _exact(run, row, column)
    return "nan" if exact is None else _typed(run, *exact)


def _size(run: _Run, row: int, at: dict[str, Column]) -> dict[str, str]:
    """Return the keys of the size of one hole from whichever columns say it; all that say it must agree."""
    found: SizeText | None = None
    unit = run.unit
    if "size" in at and _at(run, row, at["size"]) is not None:
        found, unit = _size_text(run, row, at)
        if found is None:
            return {}
    limits = [word for word in ("lower", "upper") if word in at and _at(run, row, at[word]) is not None]
    if limits:
        return _limits(run, row, at, found, unit, limits)
    if found is None:
        column = at.get("size") or at.get("lower") or at["upper"]
        run.problem(row, column.place, "the size is missing", "a blank cell", "a size with its tolerance",
                    "Type it; what stands above is not copied down")  # fmt: skip
        return {}
    keys = size_keys(replace(found, unit=unit if unit != run.unit else None))
    if unit != run.unit:
        keys = {k: v if v.startswith('"') else f'"{v} {unit}"' for k, v in keys.items()}
    return _class_checked(run, row, at, keys, found, unit)


def _size_text(run: _Run, row: int, at: dict[str, Column]) -> tuple[SizeText | None, Unit]:
    """Return what the size cell says together with the columns of its tolerance."""
    column = at["size"]
    content = _at(run, row, column)
    unit = _unit_of(run, row, column)
    size = read_size(text_of(content)) if isinstance(content, str | float) else None
    if isinstance(content, str) and size is not None and not size.toleranced and size.unit is None:
        doubt = length_of(content, run.decimal)
        if doubt.issue is not None and (
            "," in content or run.decimal == ","
        ):  # a comma that may part thousands, two marks in one number
            run.problem(row, column.place, doubt.issue.message, content, doubt.issue.allowed, doubt.issue.action)
            return None, unit
    if size is None:
        issue = length_of(content, run.decimal).issue
        told = issue is not None and (isinstance(content, Uncalculated) or not isinstance(content, str))
        message = issue.message if issue is not None and told else "this is not a size as drawings print it"
        run.problem(row, column.place, message, text_of(content),
                    ".3125, 5/16, .3125 +.006 -.001, 0.455 to 0.462, 8.00 H9", "Type the size alone")  # fmt: skip
        return None, unit
    unit = size.unit or unit
    if size.fraction and unit == "mm":
        _fraction_in_mm(run, row, column, text_of(content))
        return None, unit
    parts = [_deviation(run, row, at, word) for word in ("plus", "minus", "upper deviation", "lower deviation", "even")]
    beside = _at(run, row, at.get("tolerance"))
    given = [part for part in parts if part is not None]
    if size.toleranced and (given or beside is not None):
        run.problem(row, column.place, "the tolerance is there twice, with the size and in a column of its own",
                    text_of(content), "one of both", "Leave one cell blank")  # fmt: skip
        return None, unit
    if beside is not None:
        joined = read_size(f"{text_of(content)} {text_of(beside)}") if isinstance(beside, str) else None
        if joined is None or not joined.toleranced or given:
            run.problem(row, at["tolerance"].place, "it isn't clear which tolerance this is", text_of(beside),
                        "+.006 -.001, ±.002, H9", "Type it as the drawing prints it, with its signs")  # fmt: skip
            return None, unit
        return joined, unit
    if not given or size.nominal is None:
        return size, unit
    return _with_deviations(size, parts), unit


def _with_deviations(size: SizeText, parts: Sequence[Fraction | None]) -> SizeText:
    plus, minus, upper, lower, even = parts
    assert size.nominal is not None
    above = next((p for p in (plus, upper, even) if p is not None), Fraction(0))
    below = -minus if minus is not None else lower if lower is not None else -even if even is not None else Fraction(0)
    return SizeText(size.nominal, above, below, size.nominal + below, size.nominal + above, unit=size.unit,
                    fraction=size.fraction)  # fmt: skip


def _deviation(run: _Run, row: int, at: dict[str, Column], word: str) -> Fraction | None:
    """Return a deviation from its column: amounts for plus, minus and ±, signed for deviations; None where blank."""
    column = at.get(word)
    content = _at(run, row, column)
    if column is None or content is None:
        return None
    typed = cleaned(text_of(content)).lstrip("±").strip()
    value = length_of(content if isinstance(content, float) else typed, run.decimal)
    if value.issue is not None or not np.isfinite(value.value):
        run.problem(row, column.place, "this is not a number", text_of(content), "a deviation such as .006",
                    "Correct it")  # fmt: skip
        return None
    exact = _as_typed(content, value.value)
    wrong = (word == "minus" and typed.startswith("+") and exact != 0) or (word in {"plus", "even"} and exact < 0)
    if wrong:
        run.problem(row, column.place, "the sign contradicts the heading", text_of(content),
                    "an amount without a sign", "Write lower and upper limits where both deviations lie on one side",
                    )  # fmt: skip
        return None
    return abs(exact) if word == "minus" else exact


def _limits(
    run: _Run, row: int, at: dict[str, Column], size: SizeText | None, size_unit: Unit, limits: Sequence[str]
) -> dict[str, str]:
    """Return limits from their columns, compared with what the size says where it has a tolerance too."""
    found = {word: _exact(run, row, at[word]) for word in ("lower", "upper") if word in at}
    if len(limits) < 2 or None in found.values():
        if len(found) < 2:
            run.problem(row, at[limits[0]].place, "one limit is there, the other has no column", limits[0],
                        "lower and upper limit", "Add the column")  # fmt: skip
        return {}
    lower, upper = found["lower"], found["upper"]
    assert lower is not None
    assert upper is not None
    if size is not None and size.lower is not None and size.upper is not None:
        said = tuple(convert(float(value), size_unit, run.unit) for value in (size.lower, size.upper))
        typed = tuple(convert(float(value), unit, run.unit) for value, unit in (lower, upper))
        if not np.allclose(said, typed, rtol=0.0, atol=GRAIN):
            run.problem(row, at["lower"].place, "the limits are not those that the size says",
                        f"{decimal_text(lower[0])} to {decimal_text(upper[0])}",
                        f"{decimal_text(size.lower)} to {decimal_text(size.upper)} by "
                        f"{cell_name(row + 1, at['size'].place + 1)}", "Correct one of them")  # fmt: skip
    keys = {"lower": _typed(run, *lower), "upper": _typed(run, *upper)}
    if size is not None and size.nominal is not None:
        named = size_unit if size_unit != run.unit else None
        nominal = size_keys(SizeText(size.nominal, unit=named, fraction=size.fraction))["nominal"]
        keys |= {"nominal": nominal if size_unit == run.unit or nominal[0] == '"' else f'"{nominal} {size_unit}"'}
        if size.fit_class:
            keys |= {"class": f'"{size.fit_class}"'}
    return keys


def _class_checked(
    run: _Run, row: int, at: dict[str, Column], keys: dict[str, str], size: SizeText, unit: Unit
) -> dict[str, str]:
    """Refuse a class that the tables don't have at this size, with its cell."""
    if not size.fit_class or size.nominal is None:
        return keys
    from holeqc.fits import limits_for_class

    try:
        limits_for_class(size.fit_class, float(size.nominal), unit, "hole")
    except HoleQCError as error:
        place = at["tolerance"].place if _at(run, row, at.get("tolerance")) is not None else at["size"].place
        run.problem(row, place, str(error), f"{size.fit_class} at {decimal_text(size.nominal)} {unit}",
                    "a hole class that the tables have at this size",
                    "Type limits instead, from the drawing")  # fmt: skip
    return keys


# ---------------------------------------------------------------------------------------------------------- kit file


def kit_text(table: HoleTable, kit_id: str, file: str) -> str:
    """Return the text of a kit file with everything that a hole table says; each hole names its row.

    What the table doesn't say stands below as remarks, to be filled in from the drawing.
    """
    facts = table.facts
    source = ", ".join(filter(None, (Path(table.file).name, f"sheet {table.sheet}" if table.sheet else "")))
    lines = [
        f"# Made from the hole table in {_plain(source)}, rows {table.holes[0].row + 1} to {table.holes[-1].row + 1}.",
        "# Fill in what the drawing asks beyond it, and lay the result of",
        f"#   holeqc kit show {_plain(file)}",
        "# beside the drawing before relying on it. Limits are inclusive.",
        "", "[kit]", f"id = {_quoted(facts.get('id', kit_id))}",
    ]  # fmt: skip
    lines += [
        f"{key} = {_quoted(facts[key])}" if key in facts else f'# {key} = "..."'
        for key in ("title", "revision", "drawing")
    ]
    lines.append(f'unit = "{table.unit}"')
    if "number" in facts:
        lines += ["", "[[part]]", 'name = "part"', f"number = {_quoted(facts['number'])}"]
    sizes = [hole.size for hole in table.holes]
    same = all(_as_numbers(size) == _as_numbers(sizes[0]) for size in sizes)
    if same:
        lines += ["", "[size]", *(f"{key} = {value}" for key, value in sizes[0].items())]
        if _bare(sizes[0]):
            lines += ["# plus = ...                     # the tolerance is still to be filled in", "# minus = ..."]
    for hole in table.holes:
        lines += ["", f"[[hole]]                       # row {hole.row + 1}", f"id = {_quoted(hole.id)}",
                  f"x = {hole.x}", f"y = {hole.y}"]  # fmt: skip
        lines += [f"bushing = {_quoted(hole.bushing)}"] if hole.bushing else []
        if not same:
            tail = "             # its tolerance is still to be filled in" if _bare(hole.size) else ""
            inside = ", ".join(f"{key} = {value}" for key, value in hole.size.items())
            lines.append(f"size = {{ {inside} }}{tail}")
    return "\n".join([*lines, "", *_TO_FILL_IN]) + "\n"


_TO_FILL_IN = (
    "# ---- still to be filled in, as far as the drawing asks it; holeqc kit keys says what each key means ----------",
    "# [walls]                        # without it: one wall",
    '# names = ["near", "far"]',
    "# [position]                     # diametral: tolerance, condition, pattern_tolerance, pattern_condition",
    "# [form]                         # out_of_roundness, taper",
    "# [edge]                         # minimum, minimum_diameters",
    "# [plugs]                        # go, no_go",
    "# [pin]                          # pins of the mating assembly: id, lower, upper, position_tolerance",
    "# [outline]                      # points",
    "# [fixture]                      # id, note",
    "# [[gauge]]                      # id, measures, uncertainty, resolution, calibration_due",
)


def _as_numbers(size: dict[str, str]) -> dict[str, object]:
    """Return the keys of a size with their lengths as numbers: "5/16" is 0.3125."""
    numbers = {key: parse_length(text.strip('"')) for key, text in size.items() if key != "class"}
    return {**numbers, "class": size.get("class")}


def _bare(size: dict[str, str]) -> bool:
    """Whether a size has no tolerance yet."""
    return set(size) == {"nominal"}


def _quoted(text: str) -> str:
    import json

    return json.dumps(_plain(text), ensure_ascii=False)


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def understood(table: HoleTable) -> Iterator[str]:
    """Yield what was understood of a hole table, a sentence a line: columns, what was left, what is to be filled in."""
    where = f"sheet {table.sheet}, " if table.sheet else ""
    rows = f"{table.holes[0].row + 1} to {table.holes[-1].row + 1}"
    count = f"{len(table.holes)} hole{'' if len(table.holes) == 1 else 's'}"
    yield (f"{table.file}: {where}headings in row {table.heading_row + 1}, {count} in rows {rows}, "
           f"{unit_name(table.unit)} by {table.unit_from}")  # fmt: skip
    for column in table.columns:
        cell = cell_name(table.heading_row + 1, column.place + 1)
        what = MEANINGS.get(column.holds, "NOT USED")
        other = f", in {unit_name(column.unit)}" if column.unit and column.holds in LENGTHS else ""
        yield f"  {cell:<5} {column.heading[:28]:<28}  {what}{other}"
    if table.numbered:
        yield "  No column names the holes: they are counted from 1 in the order of the rows."
    for key, text in table.facts.items():
        yield f"  above the table: {'part number' if key == 'number' else key} {text!r}"
    for text in table.left:
        yield f"  not used: {text}"


def to_fill_in(table: HoleTable) -> str:
    """Return what a kit made from a hole table still lacks, in one sentence."""
    lacks = [key for key in ("title", "revision", "drawing") if key not in table.facts]
    if any(_bare(hole.size) for hole in table.holes):
        lacks.insert(0, "the TOLERANCE of the size (plus and minus, or limits; nothing is judged without)")
    lacks.append("position tolerance, walls, edge, pins, plugs and gauges as far as the drawing asks them")
    return f"Still to be filled in: {', '.join(lacks)}"


def problems_in_cells(table: HoleTable, problems: Sequence[Problem]) -> list[Problem]:
    """Return problems of the kit made from a table with the cells that they come from; one cause is one of them."""
    met: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        cell = table.cell_of(problem.where)
        placed = replace(problem, file=table.file, sheet=table.sheet if cell else "", cell=cell, line=0, where="")
        met.setdefault((problem.code, problem.message), []).append(placed)
    found: list[Problem] = []
    for same in met.values():
        more = [p.cell for p in same[1:] if p.cell]
        also = f" (also {', '.join(more[:6])}{f' and {len(more) - 6} more' if len(more) > 6 else ''})" if more else ""
        found.append(replace(same[0], message=same[0].message + also))
    return found
