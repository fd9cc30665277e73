"""Tables of one sheet into readings: reading columns laid one under the other, every value in the kit's unit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import FloatArray, convert
from holeqc.readings.cells import Cells, read_cells
from holeqc.readings.columns import basic_of_rows, deviation_base, not_read_rows, settle_columns, uses_of
from holeqc.readings.context import Context, Table
from holeqc.readings.draft import UNIT_CODES, Array
from holeqc.readings.grid import BoolArray, IntArray
from holeqc.readings.headings import BOTH_PLUGS, SCALES, Meaning
from holeqc.readings.identities import Holes, text_of
from holeqc.readings.issues import Issue, note
from holeqc.readings.layouts import Block
from holeqc.readings.leftovers import (
    cut_row,
    double_columns,
    merged_cells,
    struck_cells,
    summary_rows,
    surplus_rows,
    unit_conflict,
    unread_columns,
)
from holeqc.readings.rows import Rows, read_rows
from holeqc.readings.table import CHARACTERISTICS, LENGTHS

DIAMETER, X, Y = (CHARACTERISTICS.index(name) for name in ("diameter", "x", "y"))
MEASURED = [CHARACTERISTICS.index(name) for name in LENGTHS if name != "plug"]  #: lengths that a gauge reads
_NUMBERED = np.array([name in LENGTHS for name in CHARACTERISTICS])


def read_table(context: Context, blocks: Sequence[Block], columns: Sequence[int], *, alone: bool) -> None:
    """Read the blocks of a sheet that have the same heading into the draft, every doubt into the collector.

    ``columns`` are those of one table; ``alone``: no other one stands beside it under the same heading.
    """
    table = Table(context, blocks, columns, alone)
    summary_rows(table)
    not_read_rows(table)
    unknown = unread_columns(table)
    known = read_rows(table)
    units = np.unique(known.unit[known.unit > 0])
    context.unit = UNIT_CODES[int(units[0])] if units.size == 1 else context.options.unit or context.spec.unit
    settle_columns(table, known)
    surplus_rows(table, known)
    cut_row(table, known)
    unit_conflict(table, known)
    double_columns(table)
    context.uses.extend(uses_of(table))
    told_of = table.any_reading | (known.hole >= 0)
    context.mark(table.rows[told_of], sorted({*table.columns, *unknown}))
    if not table.readings:
        return
    trials = _repeated_columns(table)
    chunks = [chunk for c in table.readings for chunk in _column(table, known, c, trials.get(c, 0))]
    if not chunks:
        return
    joined = {name: np.concatenate([chunk[name] for chunk in chunks]) for name in chunks[0]}
    order = np.argsort(joined["row"], kind="stable")
    context.draft.add({name: array[order] for name, array in joined.items()})


def _repeated_columns(table: Table) -> dict[int, int]:
    """Return trial numbers for reading columns with one and the same heading: 1, 2, ... from the left."""
    same: dict[Meaning, list[int]] = {}
    for column in table.readings:
        if not table.meanings[column].trial:
            same.setdefault(table.meanings[column], []).append(column)
    out: dict[int, int] = {}
    for meaning, columns in same.items():
        if len(columns) > 1 and meaning.serial == "":
            out.update((column, number) for number, column in enumerate(columns, 1))
            table.context.say(
                note("repeated-heading", f"{len(columns)} columns have this heading; read as repeats 1, 2, ..."),
                repr(table.texts[columns[0]]),
                table.blocks[0].heading.last,
                columns[1],
            )
    return out


def _column(table: Table, known: Rows, column: int, trial: int) -> list[dict[str, Array]]:
    """Return the readings of one column, in pieces that are read alike; a cell for both plugs gives two readings."""
    filled = table.filled[column]
    both = filled & (known.both | (table.meanings[column].word == BOTH_PLUGS))
    alone = filled & ~both
    pieces = [(np.flatnonzero(alone & (known.asks == code)), "", ask) for code, ask in enumerate(known.ask_words)]
    pieces += [(np.flatnonzero(both), word, BOTH_PLUGS) for word in ("go", "no_go")]
    return [_piece(table, known, column, trial, at, word, ask) for at, word, ask in pieces if at.size]


def _piece(
    table: Table, known: Rows, column: int, trial: int, at: IntArray, word: str, ask: str
) -> dict[str, Array]:
    """Return the readings of some rows of one column; ``word`` is the characteristic where rows don't decide."""
    context, meaning = table.context, table.meanings[column]
    spec, draft, sheet = context.spec, context.draft, context.sheet
    size = at.size
    if word:
        characteristic = np.full(size, CHARACTERISTICS.index(word), dtype=np.int32)
    else:
        by_row = known.characteristic[at]
        fixed = CHARACTERISTICS.index(meaning.word) if meaning.word else -1
        characteristic = np.where(by_row >= 0, by_row, fixed).astype(np.int32)
    rows = table.rows[at]
    cells = read_cells(draft, sheet.grid.columns[column], rows, characteristic, ask or meaning.ask, context.decimal)
    _tally_texts(context, column, rows, cells)
    issue = np.where(known.issue[at] > 0, known.issue[at], cells.issue)
    spoiled = (issue == 0) & np.isin(characteristic, MEASURED)
    issue[spoiled] = known.length_issue[at][spoiled]
    issue = merged_cells(table, column, rows, issue)
    issue = struck_cells(table, column, rows, issue)
    hole = np.full(size, Holes(spec).match(meaning.hole).code) if meaning.hole else np.maximum(known.hole[at], -1)
    wall, issue = _walls(table, known, column, at, characteristic, issue)
    value, unit = _converted(table, known, meaning, at, characteristic, cells)
    value, issue = _from_deviations(table, known, column, at, characteristic, value, issue)
    serial = known.serial[at]
    if meaning.serial:
        serial = np.full(size, draft.serial.code(meaning.serial))
        _named_across(table, known, column, at)
    direction = known.direction[at] if meaning.direction is None else np.full(size, meaning.direction)
    return {
        "part": known.part[at],
        "serial": serial,
        "hole": hole,
        "wall": wall,
        "characteristic": characteristic,
        "direction": np.where(characteristic == DIAMETER, direction, np.nan),
        "trial": np.full(size, meaning.trial or trial) if meaning.trial or trial else np.maximum(known.trial[at], 1),
        "value": value,
        "raw": cells.value,
        "word": cells.word,
        "typed": cells.typed,
        "unit": unit,
        "gauge": np.full(size, draft.gauge.code(meaning.gauge)) if meaning.gauge else _gauge(known, at, characteristic),
        "temperature_c": known.temperature_c[at],
        "date": known.date[at],
        "latest": known.latest[at],
        "by": known.by[at],
        "note": known.note[at],
        "file": np.full(size, draft.file.code(sheet.file)),
        "sheet": np.full(size, draft.sheet.code(sheet.name)),
        "row": rows + 1,
        "column": np.full(size, column + 1),
        "issue": issue,
        "text": cells.text & (_scale(known, meaning)[at] == 1.0),
    }


def _named_across(table: Table, known: Rows, column: int, at: IntArray) -> None:
    """Note that a column's heading names a part, and that it has readings."""
    tally, serial = table.context.tally, table.context.draft.serial.code(table.meanings[column].serial)
    for part in np.unique(known.part[at]).tolist():
        tally.named.setdefault((part, serial), (table.blocks[0].heading.last, column))
        tally.read.add((part, serial))


def _scale(known: Rows, meaning: Meaning) -> FloatArray:
    """Return what each row's typed number is multiplied by: 0.001 where a heading or row counts in thousandths."""
    if meaning.unit in SCALES:
        return np.full(known.scale.size, SCALES[meaning.unit][1])
    return np.ones(known.scale.size) if meaning.unit else known.scale


def _from_deviations(
    table: Table, known: Rows, column: int, at: IntArray, characteristic: Array, value: FloatArray, issue: Array
) -> tuple[FloatArray, Array]:
    """Return values [kit unit] where a column or row holds deviations: what they count from, and the deviation."""
    meaning = table.meanings[column]
    counted = known.deviation[at] | meaning.deviation
    if not counted.any():
        return value, issue
    if meaning.deviation:
        base = deviation_base(table, known, column)[at]
    else:
        drawn = [basic_of_rows(table, known, word)[at] for word in ("x", "y")]
        base = np.where(characteristic == X, drawn[0], np.where(characteristic == Y, drawn[1], np.nan))
    unknown = counted & np.isnan(base)
    if unknown.any():
        bad = Issue(
            "deviation-from-what",
            "deviations stand here, and nothing says what size they count from",
            "a column of nominal sizes, or a heading such as 'deviation from 0.4550'",
            "Type the sizes as the gauge shows them, or say the nominal size in the heading",
        )
        issue = _column_issue(table, bad, column, int(unknown.sum()), issue, unknown & (issue == 0))
    return np.where(counted & ~unknown, base + value, value), issue


def _gauge(known: Rows, at: IntArray, characteristic: Array) -> Array:
    gauge = np.full(at.size, -1, dtype=np.int32)
    for kind, codes in known.gauges.items():
        here = characteristic == CHARACTERISTICS.index(kind)
        gauge[here] = codes[at][here]
    return gauge


def _tally_texts(context: Context, column: int, rows: IntArray, cells: Cells) -> None:
    """Count numbers that a workbook holds as text."""
    where = cells.text & ~np.isnan(cells.value)
    if where.any() and not context.sheet.text_only:
        if not context.tally.text_numbers:
            context.tally.first_text_number = (int(rows[np.argmax(where)]), column)
        context.tally.text_numbers += int(where.sum())


def _walls(
    table: Table, known: Rows, column: int, at: IntArray, characteristic: Array, issue: Array
) -> tuple[Array, Array]:
    """Return wall codes of one column's readings, and their issues where no wall can be told."""
    spec, meaning = table.context.spec, table.meanings[column]
    names = spec.walls.names
    wall, said = known.wall[at].copy(), known.wall_said[at]
    if meaning.wall >= len(names):
        bad = Issue(
            "unknown-wall",
            "the heading names a wall that the kit doesn't have",
            "walls " + ", ".join(names),
            "Correct the heading",
        )
        return np.full(at.size, -1), _column_issue(table, bad, column, at.size, issue, issue == 0)
    if meaning.wall >= 0:
        wall = np.where(said, wall, meaning.wall)
    unsaid = (wall < 0) & ~said
    if len(names) == 1:
        return np.where(unsaid, 0, wall), issue
    if len(spec.plan.position_walls) == 1:
        only = names.index(spec.plan.position_walls[0])
        wall = np.where(unsaid & np.isin(characteristic, (X, Y)), only, wall)
    lost = (wall < 0) & ~said & np.isin(characteristic, (DIAMETER, X, Y))
    if lost.any():
        allowed = "walls " + ", ".join(names)
        if table.fields("wall"):
            return wall, _unnamed_walls(table, known, column, at[lost], issue, lost, allowed)
        bad = Issue(
            "wall-missing", "readings in this column name no wall", allowed,
            "Name the wall in a column or in the heading",
        )  # fmt: skip
        issue = _column_issue(table, bad, column, int(lost.sum()), issue, lost & (issue == 0))
    return wall, issue


def _unnamed_walls(
    table: Table, known: Rows, column: int, at: IntArray, issue: Array, lost: BoolArray, allowed: str
) -> Array:
    """Report readings whose row leaves the wall blank, and mark them."""
    context = table.context
    bad = Issue("wall-missing", "the reading names no wall", allowed, "Write the wall")
    code = context.draft.issue_code(bad)
    context.draft.reported.add(code)

    def make(row: int) -> Problem:
        place = int(table.rows[row])
        found = repr(text_of(context.sheet.grid.cell(place, column)))
        tied = context.tied(*(max(int(x[row]), -1) for x in (known.part, known.serial, known.hole)))
        return context.problem(bad, found, place, column, **tied)

    context.collector.cells(at.tolist(), make)
    return np.where(lost & (issue == 0), code, issue)


def _column_issue(table: Table, bad: Issue, column: int, count: int, issue: Array, where: BoolArray) -> Array:
    """Report what is wrong with a whole column at its heading, and mark its readings."""
    draft = table.context.draft
    code = draft.issue_code(bad)
    draft.reported.add(code)
    found = f"heading {table.texts[column]!r}, {count} readings"
    table.context.say(bad, found, table.blocks[0].heading.last, column)
    return np.where(where, code, issue)


def _converted(
    table: Table, known: Rows, meaning: Meaning, at: IntArray, characteristic: Array, cells: Cells
) -> tuple[FloatArray, Array]:
    """Return values in the kit's unit and the unit each was typed in, 0 for words.

    The cell's own unit comes first, then a column of units, then the heading, then a field, then what was stated.
    """
    spec, options, tally = table.context.spec, table.context.options, table.context.tally
    named = SCALES.get(meaning.unit, (meaning.unit, 1.0))[0]
    heading = UNIT_CODES.index(named) if named in UNIT_CODES else 0
    unit = known.unit[at].astype(np.int8)
    if heading:
        unit = np.where((unit > 0) & known.unit_by_row, unit, heading)
    unit = np.where(cells.unit > 0, cells.unit, unit)
    lengths = np.append(_NUMBERED, False)[characteristic]
    unsaid = lengths & (unit == 0) & ~np.isnan(cells.value)
    tally.numbers += int((lengths & ~np.isnan(cells.value)).sum())
    if not options.unit:
        tally.unit_assumed += int(unsaid.sum())
    unit = np.where(unit == 0, UNIT_CODES.index(options.unit or spec.unit), unit)
    value = cells.value * np.where(lengths & (cells.unit == 0), _scale(known, meaning)[at], 1.0)
    other = "mm" if spec.unit == "in" else "in"
    foreign = unit == UNIT_CODES.index(other)
    if foreign.any():
        value[foreign] = convert(value[foreign], other, spec.unit)
    return value, np.where(lengths, unit, 0)
