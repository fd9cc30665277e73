"""What is in a sheet and is no reading: unknown columns, surplus fields, remarks, merged and hidden cells, notes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import decimals_of, unit_name
from holeqc.readings.context import Context, Table
from holeqc.readings.draft import UNIT_CODES, Array
from holeqc.readings.fields import Field
from holeqc.readings.grid import BoolArray, Content, IntArray
from holeqc.readings.headings import IGNORED, UNKNOWN
from holeqc.readings.identities import Gauges, Parts, text_of
from holeqc.readings.issues import Issue, note, warning
from holeqc.readings.synonyms import FIELD, question_of, tokens
from holeqc.readings.table import cell_name
from holeqc.readings.words import (
    REMARK,
    doubt_in,
    falls_short,
    folded,
    is_refusal,
    is_signature,
    remark_against,
    speaks_of_defect,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from holeqc.readings.account import Kinds
    from holeqc.readings.layouts import Layout
    from holeqc.readings.rows import Rows
    from holeqc.specification.model import Specification

_STATISTICS = {"mean", "average", "avg", "min", "max", "minimum", "maximum", "range"}
#: labels of rows that sum up the rows above
SUMMARY_WORDS = {
    "mean", "average", "avg", "max", "min", "maximum", "minimum", "range", "total", "sum", "std", "sd", "count",
    "nominal", "upper limit", "lower limit", "limits", "tolerance", "sigma", "usl", "lsl", "spec",
}  # fmt: skip
_LOOKED_AT = 2_000  #: so many rows without readings are looked at for remarks


def span(count: int, first: int, last: int) -> str:
    """Return how many rows and which (from 0) in words: ``7 rows (rows 3 to 9)``."""
    return f"1 row (row {first + 1})" if count == 1 else f"{count} rows (rows {first + 1} to {last + 1})"


def double_columns(table: Table) -> None:
    """Report a second column of one field whose contents differ from the first: only the first is read."""
    context, grid = table.context, table.context.sheet.grid
    for word in {table.meanings[c].word for c in table.columns if table.meanings[c].kind == FIELD} - {"part", "note"}:
        first, *others = table.fields(word)
        for column in others:
            filled = table.rows[table.any_reading][:_LOOKED_AT].tolist()
            pairs = [(r, grid.cell(r, first), grid.cell(r, column)) for r in filled]
            rows = [r for r, one, other in pairs if one is not None and other is not None and one != other]
            if rows:
                issue = warning(
                    "double-column", f"two columns name the {word.split(':')[0]}, and they differ in "
                    f"{span(len(rows), rows[0], rows[-1])}: the first column is read", "one column",
                    "Name one of the headings otherwise, or in [headings] of the kit file",
                    holds=word in {"serial", "hole"},
                )  # fmt: skip
                context.say(issue, repr(text_of(grid.cell(rows[0], column))), rows[0], column)


def double_fields(context: Context, twice: list[tuple[Field, Field]]) -> None:
    """Report fields that are said twice over one table, with different contents: the first is read."""
    for first, second in twice:
        word = second.word.split(":")[0].removesuffix("_c")
        issue = warning(
            "double-field", f"the {word} is said twice above one table: {text_of(first.content)!r} in "
            f"{cell_name(first.row + 1, first.column + 1)} is taken", "one field", "Delete the wrong one",
            holds=second.word in {"serial", "unit", "recheck", *(["part"] if len(context.spec.parts) > 1 else [])},
        )  # fmt: skip
        context.say(issue, repr(text_of(second.content)), second.row, second.column)


def field_defects(context: Context, fields: list[Field]) -> None:
    """Hold a sheet whose fields speak against the part: 'Remarks: crack at hole 5', 'Accepted: no'."""
    from holeqc.readings.account import Kinds

    kinds = Kinds(context.spec)
    for field in fields:
        if field.from_title or field.word not in _SPOKEN:
            continue
        reason = _against(context, kinds, field)
        if reason:
            issue = warning(
                "remark-of-defect",
                f"{reason} in a field of the sheet",
                "fields that speak of no defect",
                "Ask who wrote it; say what was found under its heading",
                holds=True,
            )
            pair = next(iter(context.tally.read)) if len(context.tally.read) == 1 else None
            tied = context.tied(*pair) if pair else {}
            context.say(issue, repr(text_of(field.content)[:60]), field.row, field.column, **tied)


def _against(context: Context, kinds: Kinds, field: Field) -> str:
    """Return what a field with its label says against the part, '' for nothing."""
    content = field.content
    label = text_of(context.sheet.grid.cell(*(field.label if field.label[0] >= 0 else (field.row, field.column))))
    if word := doubt_in(label):
        return f"its label speaks of {word!r}"
    if isinstance(content, float):
        outside = field.word == "ignore" and kinds.may_be_reading(content) and kinds.is_just_outside(content)
        counted = field.word == "ignore" and content > 0 and speaks_of_defect(f"{label}: {content:g}")
        return "a size stands outside all limits" if outside else "bad ones are counted" if counted else ""
    if not isinstance(content, str):
        return ""
    if field.word == "note" and (word := remark_against(content)):
        return f"a remark speaks of {word!r}"
    if field.word == "serial":
        word = speaks_of_defect(content) or doubt_in(content)
        return f"the serial number speaks of {word!r}" if word else ""
    counted = content.strip().isdecimal() and field.word == "ignore" and speaks_of_defect(f"{label}: {content}")
    if (field.word == "ignore" and is_refusal(content)) or counted:
        return "a verdict says no"
    reason = kinds.of_text(content[:REMARK]) or (falls_short(f"{label}: {content}") and "a count falls short")
    return "" if reason == "may be readings" else reason


def other_field(context: Context, layout: Layout) -> None:
    """Hold where a serial number or part above a table is none of those in its column: one of both is wrong."""
    grid = context.sheet.grid
    for block in layout.blocks:
        for word in ("serial", "part"):
            field, columns = block.fields.get(word), block.heading.columns(word)
            if field is None or not columns or not block.rows.size or (word == "part" and len(context.spec.parts) == 1):
                continue
            codes, labels = grid.columns[columns[0]].as_labels(block.rows)
            meant = _meant(context.spec, word)
            said = {meant(labels[c]) for c in np.unique(codes[codes >= 0])}
            if said and meant(field.content) not in said:
                issue = warning(
                    "other-field",
                    f"the {word} above the table is none of those in the column: {text_of(field.content)!r}",
                    ", ".join(text_of(labels[c]) for c in np.unique(codes[codes >= 0])[:6]),
                    "Look whose readings these are, and correct the one that is wrong",
                    holds=True,
                )
                context.say(issue, repr(text_of(field.content)), field.row, field.column)


def other_gauge(context: Context, layout: Layout) -> None:
    """Hold where a gauge is named above a table that has a column of gauges, and the kit has no such gauge."""
    gauges = Gauges(context.spec)
    for field in {f for block in layout.blocks for f in block.fields.values() if f.word.startswith("gauge")}:
        mine = [m for block in layout.blocks if field in block.fields.values() for m in block.heading.meanings]
        if any(m.kind == FIELD and m.word.startswith("gauge") for m in mine):
            issue = gauges.match(field.content).issue
            if issue is not None:
                context.say(issue, repr(text_of(field.content)), field.row, field.column)


def _meant(spec: Specification, word: str) -> Callable[[Content], object]:
    """Return what tells whose a label is: a part by its place in the kit, a serial number by its letters and digits."""
    if word == "part":
        match = Parts(spec).match
        return lambda content: match(content).code
    return lambda content: "".join(c for c in text_of(content).casefold() if c.isalnum())


#: fields in which people write remarks too
_SPOKEN = {"note", "serial", "ignore", "by", "gauge", "date", "temperature_c"}


def summary_rows(table: Table) -> None:
    """Name rows such as 'Average' or 'Signature' under a table, and leave them out."""
    context = table.context
    holes = {folded(hole) for hole in context.spec.hole_ids}
    out = np.zeros(table.rows.size, dtype=np.bool_)
    for column in (c for word in ("serial", "part", "hole") for c in table.fields(word)):
        grid_column = context.sheet.grid.columns[column]
        if grid_column.codes is None:
            continue
        kinds = [_no_hole(x, context, holes, hole=column in table.fields("hole")) for x in grid_column.labels]
        kind = np.append(np.array(kinds, dtype=np.int8), 0)[grid_column.codes[table.rows]]
        hit = kind > 0
        for row, what in zip(table.rows[hit & ~out][:_LOOKED_AT], kind[hit & ~out], strict=False):
            said = "sums up others" if what == 1 else "signs the sheet off"
            issue = note("summary-row", f"a row that {said} holds no readings of a hole; it is not used")
            context.say(issue, repr(text_of(grid_column.content(int(row)))), int(row), column)
        out |= hit
    out |= _signed_rows(table, out)
    if out.any():
        _against_the_rest(table, out)
        table.leave_out(out)


def _against_the_rest(table: Table, out: BoolArray) -> None:
    """Hold where a row that is left out holds what no row above it shows: another size, a hole's name, a defect."""
    from holeqc.readings.account import Kinds

    context, grid, kinds = table.context, table.context.sheet.grid, Kinds(table.context.spec)
    inside = table.rows[~out]
    found: list[tuple[int, int]] = []
    why = ""
    for row in table.rows[out][:_LOOKED_AT].tolist():
        for column in range(grid.width):
            content = grid.cell(row, column)
            if content is None:
                continue
            whole = content.strip().isdecimal() if isinstance(content, str) else float(content) == int(content) if (
                isinstance(content, float) and np.isfinite(content)
            ) else False
            if whole:  # '17' beside 'Inspector' is a person
                continue
            reason = kinds.of_text(content) if isinstance(content, str) else ""
            if isinstance(content, str) and kinds.names & set(content.casefold().split()):
                reason = reason or "names a hole"
            numbers = grid.columns[column].numbers
            value = float(content) if isinstance(content, float) else float("nan")
            if numbers is not None and kinds.may_be_reading(value):
                above = numbers[inside][np.isfinite(numbers[inside])]
                room = 1e-9 + 10.0 ** -decimals_of(value)
                beyond = above.size == 0 or not above.min() - room <= value <= above.max() + room
                if beyond or kinds.is_just_outside(value):
                    reason = "holds a size that no row above it holds"
            if reason:
                found.append((row, column))
                why = why or reason
    if found:
        issue = warning(
            "left-out-row",
            f"a row that sums up or signs off is not read, and {why} ({len(found)} cells)",
            "rows that say what the rows above say",
            "Ask who wrote it and what is meant; put a reading into a row of its hole",
            holds=True,
        )
        context.say(issue, repr(text_of(grid.cell(*found[0]))), *found[0])


def _signed_rows(table: Table, told: BoolArray) -> BoolArray:
    """Return rows (r,) without a reading that sign the sheet off in any column, and name them."""
    context, grid = table.context, table.context.sheet.grid
    out = np.zeros(table.rows.size, dtype=np.bool_)
    for column in range(grid.width):
        grid_column = grid.columns[column]
        if grid_column.codes is None:
            continue
        signs = [isinstance(x, str) and is_signature(x) for x in grid_column.labels]
        hit = np.append(np.array(signs, dtype=np.bool_), False)[grid_column.codes[table.rows]]
        hit &= ~table.any_reading & ~told & ~out
        for row in table.rows[hit][:_LOOKED_AT]:
            issue = note("summary-row", "a row that signs the sheet off holds no readings of a hole; it is not used")
            context.say(issue, repr(text_of(grid_column.content(int(row)))), int(row), column)
        out |= hit
    return out


def _no_hole(label: Content, context: Context, holes: set[str], *, hole: bool) -> int:
    """Return 1 for the label of a row that sums up others, 2 for one that signs the sheet off, 0 for all others."""
    if not isinstance(label, str) or folded(label) in holes:
        return 0
    meaning = context.vocabulary.meaning(label) if hole else None
    sums = meaning is not None and meaning.reason in {"statistic", "extreme", "limit", "drawing"}
    if folded(label) in SUMMARY_WORDS or sums:
        return 1
    return 2 if hole and is_signature(label) else 0


def unread_columns(table: Table) -> set[int]:
    """Report columns with contents whose heading isn't understood; remember known ones that hold no readings.

    Returns the columns (from 0) whose heading isn't understood.
    """
    context, grid = table.context, table.context.sheet.grid
    unknown: set[int] = set()
    width = max((c + 1 for c, text in enumerate(table.texts) if text), default=0)
    for column, meaning in enumerate(table.meanings):
        if column >= grid.width or meaning.kind not in {UNKNOWN, IGNORED}:
            continue
        filled = grid.columns[column].filled(grid.rows)[table.rows]
        count = int(filled.sum())
        text = table.texts[column]
        if not count or (column >= width and context.sheet.text_only):
            continue
        if meaning.kind == IGNORED:
            context.tally.ignored[text] = context.tally.ignored.get(text, 0) + count
            continue
        unknown.add(column)
        heading = table.blocks[0].heading
        if (heading.first, column) in context.tally.unread:  # tables side by side share their heading
            continue
        context.tally.unread.add((heading.first, column))
        row = int(table.rows[np.argmax(filled)])
        asked = question_of(text)
        known = f"the heading {text!r} may mean {asked}" if asked else f"the heading {text!r} isn't known"
        title = known if text else "there is no heading over this column"
        issue = warning(
            "unread-column",
            f"{title}: {count} filled cells below it are not read",
            "headings such as Hole, Wall, Dia 0, Dia 90, X, Y, GO, NO-GO, Surface, Gauge, Date, Note",
            "If readings stand there, name the heading in [headings] of the kit file",
        )
        first = f"{text_of(grid.cell(row, column))!r}"
        if text:
            context.say(issue, f"{first} and so on, from {cell_name(row + 1, column + 1)}", heading.last, column)
        else:
            context.say(issue, first, row, column)
    return unknown


def surplus_rows(table: Table, known: Rows) -> None:
    """Doubt rows of a text file that have more fields than the heading: their fields may all be out of place."""
    context, grid = table.context, table.context.sheet.grid
    if not context.sheet.text_only or table.blocks[0].heading.card:
        return
    held = [c + 1 for c, m in enumerate(table.meanings) if m.kind != UNKNOWN or table.texts[c]]
    width = max(held, default=0)
    extra = np.zeros(table.rows.size, dtype=np.bool_)
    for column in range(width, grid.width):
        extra |= grid.columns[column].filled(grid.rows)[table.rows]
    rows = np.flatnonzero(extra)
    if not rows.size:
        return
    issue = Issue(
        "surplus-field",
        f"the row has more fields than the heading, which has {width}: a field may have been parted in "
        "two, and all behind it be out of place",
        f"{width} fields",
        "Look for a decimal comma or a delimiter inside a field; put the field in quotation marks",
    )
    code = context.draft.issue_code(issue)
    context.draft.reported.add(code)
    known.issue[rows] = np.where(known.issue[rows] == 0, code, known.issue[rows])

    def make(row: int) -> Problem:
        at = int(table.rows[row])
        column = next(c for c in range(width, grid.width) if grid.cell(at, c) is not None)
        tied = context.tied(*(max(int(x[row]), -1) for x in (known.part, known.serial, known.hole)))
        return context.problem(issue, repr(text_of(grid.cell(at, column))), at, column, **tied)

    context.collector.cells(rows.tolist(), make)


def cut_row(table: Table, known: Rows) -> None:
    """Doubt the last row of a text file that ends in the middle of it, and hold the part: rows may be missing too."""
    context, grid = table.context, table.context.sheet.grid
    rows = np.flatnonzero(table.rows == context.sheet.cut_row)
    if not rows.size:
        return
    row, at = int(rows[0]), context.sheet.cut_row
    last = max(c for c in range(grid.width) if grid.cell(at, c) is not None)
    issue = Issue(
        "cut-row",
        "the file ends in the middle of this row: the row, and perhaps more rows, are missing",
        "a whole last row with a line end",
        "Save or copy the file again, and look whether all rows are there",
    )
    code = context.draft.issue_code(issue)
    context.draft.reported.add(code)
    known.issue[row] = known.issue[row] or code
    # a serial number that is itself cut names nobody; without one, every part of the file is held
    whole = last > max((c for word in ("serial", "part") for c in table.fields(word)), default=-1)
    tied = context.tied(max(int(known.part[row]), -1), max(int(known.serial[row]), -1)) if whole else {}
    context.say(issue, f"{text_of(grid.cell(at, last))!r} at its end", at, last, **tied)


def struck_cells(table: Table, column: int, rows: IntArray, issue: Array) -> Array:
    """Doubt readings whose text is struck through: whether they count can't be told."""
    struck = [row - 1 for row, at in table.context.sheet.scan.struck if at == column + 1]
    if not struck:
        return issue
    bad = warning(
        "struck-through",
        "the reading is struck through: whether it counts can't be told",
        "a reading without a line through it",
        "Delete it if it was taken back, otherwise take the line away",
        holds=True,
    )
    where = np.isin(rows, struck) & (issue == 0)
    return np.where(where, table.context.draft.issue_code(bad), issue) if where.any() else issue


def merged_cells(table: Table, column: int, rows: IntArray, issue: Array) -> Array:
    """Doubt readings whose cell is merged with others: whether they stand for all of them can't be told."""
    context = table.context
    reach = [
        m
        for m in context.sheet.scan.merged
        if m[1] - 1 == column and (m[2] > m[0] or any(c in table.readings for c in range(m[1], m[3])))
    ]
    if not reach:
        return issue
    where = np.isin(rows, [m[0] - 1 for m in reach])
    if not where.any():
        return issue
    size = {m[0] - 1: f"{cell_name(m[0], m[1])}:{cell_name(m[2], m[3])}" for m in reach}
    for place in np.flatnonzero(where & (issue == 0)):
        bad = Issue(
            "merged-reading",
            f"the cell is merged over {size[int(rows[place])]}: one value stands where several belong",
            "one reading a cell",
            "Unmerge the cells and type each reading",
        )
        issue[place] = context.draft.issue_code(bad)
    return issue


def sheet_notes(context: Context) -> None:
    """Say once for a sheet what is worth knowing of it."""
    tally, sheet = context.tally, context.sheet
    if tally.text_numbers:
        context.say(
            note(
                "numbers-as-text",
                f"{tally.text_numbers} numbers are stored as text; read as numbers all the same",
                "Sums and charts in the workbook leave such cells out",
            ),
            repr(text_of(sheet.grid.cell(*tally.first_text_number))),
            *tally.first_text_number,
        )
    if tally.unit_assumed:
        unit = context.spec.unit
        context.say(
            note(
                "unit-not-stated",
                f"no unit is said for {tally.unit_assumed} readings; taken in the kit's unit, {unit_name(unit)}",
                "Write the unit into the headings",
            ),
            "no unit",
        )
    if tally.ignored and not context.own:
        names = ", ".join(repr(name) for name in tally.ignored)
        statistics = [name for name in tally.ignored if _STATISTICS & set(tokens(name))]
        message = f"known columns that hold no readings: {names}"
        if statistics:
            message += "; means and extremes are never judged, each reading is"
        context.say(note("not-readings", message), f"{sum(tally.ignored.values())} filled cells")
    _hidden(context)


def _hidden(context: Context) -> None:
    sheet, draft = context.sheet, context.draft
    if sheet.hidden:
        context.say(
            warning(
                "hidden-sheet",
                "the sheet is hidden; its readings are read all the same",
                action="Show the sheet and look whether these readings are meant",
            ),
            repr(sheet.name),
        )
    scan = sheet.scan
    if not (scan.hidden_rows or scan.hidden_columns):
        return
    mine = [
        c
        for c in draft.chunks
        if c["file"].size
        and int(c["file"][0]) == draft.file.code(sheet.file)
        and int(c["sheet"][0]) == draft.sheet.code(sheet.name)
    ]
    rows = np.concatenate([c["row"] for c in mine]) if mine else np.empty(0, dtype=np.int32)
    columns = np.concatenate([c["column"] for c in mine]) if mine else np.empty(0, dtype=np.int16)
    hidden = np.isin(rows, list(scan.hidden_rows))
    for first, last in scan.hidden_columns:
        hidden |= (columns >= first) & (columns <= last)
    if hidden.any():
        at = int(np.argmax(hidden))
        context.say(
            warning(
                "hidden-cells",
                f"{int(hidden.sum())} readings stand in hidden rows or columns; they are read all the same",
                action="Show them and look whether they are meant",
            ),
            "hidden",
            int(rows[at]) - 1,
            int(columns[at]) - 1,
        )


def unit_conflict(table: Table, known: Rows) -> None:
    """Say where a heading names another unit than a field of the sheet; the heading counts."""
    units = {UNIT_CODES[int(u)] for u in np.unique(known.unit) if u > 0}
    if known.unit_by_row or not units:
        return
    for column in table.readings:
        unit = table.meanings[column].unit
        if unit and units != {unit}:
            issue = warning(
                "unit-conflict",
                f"the heading says {unit}, the sheet says {' and '.join(sorted(units))}: the heading counts",
                "one unit",
                "Correct the heading or the field",
                holds=True,
            )
            table.context.say(issue, repr(table.texts[column]), table.blocks[0].heading.last, column)
            return


def parts_without_readings(context: Context) -> None:
    """Report parts that a sheet names without a single reading, and keep their place in the table.

    A part that is only named must not vanish: a row of the table stands for it, without hole and value.
    """
    tally, draft, sheet = context.tally, context.draft, context.sheet
    silent = [pair for pair in tally.named if pair not in tally.read]
    if not silent:
        return
    issue = Issue(
        "no-readings",
        "the part is named, but not one reading is there",
        "readings of its holes",
        "Measure the part, or take its number off the sheet",
    )
    code = draft.issue_code(issue)
    draft.reported.add(code)

    def make(index: int) -> Problem:
        part, serial = silent[index]
        found = repr(draft.serial.texts[serial])
        row, column = tally.named[part, serial]
        return context.problem(issue, f"serial {found}", row, column, **context.tied(part, serial))

    context.collector.cells(range(len(silent)), make)
    size = len(silent)
    rows = np.array([max(tally.named[pair][0], 0) for pair in silent]) + 1
    columns = np.array([max(tally.named[pair][1], 0) for pair in silent]) + 1
    nothing = np.full(size, -1)
    draft.add(
        {
            "part": np.array([p for p, _ in silent]),
            "serial": np.array([s for _, s in silent]),
            "hole": nothing,
            "wall": nothing,
            "characteristic": nothing,
            "direction": np.full(size, np.nan),
            "trial": np.ones(size),
            "value": np.full(size, np.nan),
            "raw": np.full(size, np.nan),
            "word": np.zeros(size),
            "typed": np.full(size, draft.typed.code("")),
            "unit": np.zeros(size),
            "gauge": nothing,
            "temperature_c": np.full(size, np.nan),
            "date": np.full(size, "NaT", "datetime64[D]"),
            "latest": np.full(size, "NaT", "datetime64[D]"),
            "by": nothing,
            "note": nothing,
            "file": np.full(size, draft.file.code(sheet.file)),
            "sheet": np.full(size, draft.sheet.code(sheet.name)),
            "row": rows,
            "column": columns,
            "issue": np.full(size, code),
            "text": np.zeros(size, np.bool_),
        }
    )
