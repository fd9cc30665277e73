"""Files of readings into one tidy table: every filled cell becomes a reading, a known field, or a problem."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from pathlib import Path

import numpy as np

from holeqc.characteristics import ANGLES, BY_GAUGE, MEASURED, NUMBERS
from holeqc.door import Incoming
from holeqc.problems import ERROR, NOTE, WARNING, Problem, ReadingsError, flaw, note, shown_path, warning
from holeqc.quantities import BoolArray, FloatArray, IntArray, convert
from holeqc.readings.account import (
    account,
    comma_is_decimal,
    cut_row,
    double_columns,
    double_fields,
    field_defects,
    merged_cells,
    other_field,
    other_gauge,
    parts_without_readings,
    second_serials,
    sheet_notes,
    struck_cells,
    summary_rows,
    surplus_rows,
    unit_conflict,
    unread_columns,
)
from holeqc.readings.columns import basic_of_rows, deviation_base, not_read_rows, settle_columns, uses_of, uses_once
from holeqc.readings.containers import (
    DOCUMENT,
    WORKBOOK,
    Container,
    Content,
    GridColumn,
    ReadOptions,
    SizeLimits,
    examine,
    refusal,
)
from holeqc.readings.distance_rows import add_ends, read_ends
from holeqc.readings.distances import is_distances
from holeqc.readings.draft import TYPES, UNIT_CODES, Array, Cell, Draft, by_sheet, suited
from holeqc.readings.files import RawSheet
from holeqc.readings.headings import BOTH_PLUGS, READING, SCALES, Meaning, Vocabulary, score_rows
from holeqc.readings.identities import Holes, Titles, serial_in_sheet_name, text_of
from holeqc.readings.layouts import Block, Context, Field, Layout, Table, find_marker, part_sheet, views
from holeqc.readings.machine_report import laid_out, rows_by_width
from holeqc.readings.plausibility import check_plausibility
from holeqc.readings.rows import Rows, read_rows
from holeqc.readings.sheet_layout import FORMAT, Marker, from_properties, parse_marker
from holeqc.readings.synonyms import FIELD, question_of
from holeqc.readings.table import CHARACTERISTICS, Collector, ColumnUse, Readings, Source, UnusableFile, cell_name
from holeqc.readings.values import angle_of, date_of, decimal_mark, length_of, number_issues
from holeqc.readings.words import WORDS, folded, plug_word, surface_word, without_rare_yes
from holeqc.specification.model import Specification
from holeqc.tables import numbered

# The reading cells of one column: value, unit, word, doubt and typed text, for all its rows at once.


_DIAMETER = CHARACTERISTICS.index("diameter")
_ANGLES = [CHARACTERISTICS.index(name) for name in ANGLES]
_FRACTION = warning(
    "fraction-for-reading",
    "a fraction names a drill or the drawing's size; no gauge of such holes shows one",
    "a number such as 0.4590",
    "Type what the gauge shows",
    holds=True,
)
_PLUG_ALLOWED = "enters, does not enter"
_SURFACE_ALLOWED = "clean, burr, not clean, crack"


@dataclass(slots=True)
class Cells:
    """All (n,): value in the unit typed (NaN where none), unit code of the cell itself, word, issue, typed text.

    ``text``: the cell holds text, not a number.
    """

    value: FloatArray
    unit: Array
    word: Array
    issue: Array
    typed: Array
    text: Array


def read_cells(
    draft: Draft, column: GridColumn, rows: IntArray, characteristic: Array, ask: str, decimal: str
) -> Cells:
    """Return what stands in some cells of a column.

    ``rows`` (n,) from 0, all filled; ``characteristic`` (n,) codes of `CHARACTERISTICS`, -1 where unknown; ``ask`` is
    what a word column's heading asks; ``decimal`` the sheet's decimal mark, '' where not known.
    """
    size = rows.size
    out = Cells(
        np.full(size, np.nan),
        np.zeros(size, np.int8),
        np.zeros(size, np.int8),
        np.zeros(size, np.int32),
        np.full(size, -1, np.int32),
        np.zeros(size, np.bool_),
    )
    is_length = characteristic < len(NUMBERS)
    if column.numbers is not None:
        _numbers(draft, column.numbers[rows], is_length, characteristic, out)
    if column.codes is not None:
        codes = column.codes[rows]
        out.text[:] = codes >= 0
        if (codes >= 0).any():
            _texts(draft, column.labels, codes, is_length, characteristic, ask, decimal, out)
    return out


def _numbers(draft: Draft, numbers: FloatArray, is_length: Array, characteristic: Array, out: Cells) -> None:
    codes, first = numbered(numbers)
    distinct, known = numbers[first], codes >= 0
    typed = draft.typed.codes([text_of(float(v)) for v in distinct])
    out.typed[known] = typed[codes[known]]
    out.value[:] = np.where(is_length, numbers, np.nan)
    issues, hits = number_issues(np.asarray(distinct, dtype=np.float64))
    for issue, hit in zip(issues, hits, strict=True):
        if hit.any():
            where = known & np.append(hit, False)[codes] & is_length
            out.issue[where] = draft.issue_code(issue)
            if issue.code == "beyond-any-length":
                out.value[where] = np.nan
    words = known & ~is_length
    if words.any():
        for place in np.unique(characteristic[words]):
            where = words & (characteristic == place)
            out.issue[where] = draft.issue_code(_unclear(CHARACTERISTICS[place]))


def _texts(
    draft: Draft,
    labels: list[Content],
    codes: Array,
    is_length: Array,
    characteristic: Array,
    ask: str,
    decimal: str,
    out: Cells,
) -> None:
    known = codes >= 0
    used = _there(codes, len(labels))
    typed = np.full(len(labels) + 1, -1, dtype=np.int32)
    typed[used] = draft.typed.codes([text_of(labels[c]) for c in used])
    out.typed[known] = typed[codes[known]]
    for lengths, parse in (
        (known & is_length & ~_ANGLE[characteristic], length_of),
        (known & _ANGLE[characteristic], angle_of),
    ):
        if not lengths.any():
            continue
        value = np.full(len(labels), np.nan)
        unit = np.zeros(len(labels), np.int8)
        issue = np.zeros(len(labels), np.int32)
        fractions = np.zeros(len(labels), np.bool_)
        for code in _there(codes[lengths], len(labels)):
            found = parse(labels[code], decimal)
            value[code], unit[code] = found.value, UNIT_CODES.index(found.unit)
            issue[code] = draft.issue_code(found.issue)
            if found.issue is None and "/" in str(labels[code]):
                fractions[code] = True
        vast = np.abs(value) > 1e6
        if vast.any():
            issue[vast], value[vast] = draft.issue_code(number_issues(np.array([np.inf]))[0][0]), np.nan
        at = codes[lengths]
        out.value[lengths], out.unit[lengths], out.issue[lengths] = value[at], unit[at], issue[at]
        if fractions.any():
            nominal = lengths & np.append(fractions, False)[codes] & (characteristic == _DIAMETER)
            out.issue[nominal] = draft.issue_code(_FRACTION)
    words = known & ~is_length
    if words.any():
        for place in np.unique(characteristic[words]):
            mine = codes[words & (characteristic == place)]
            others = frozenset(folded(labels[c]) for c in _there(mine, len(labels)))
            if CHARACTERISTICS[place] == "no_go":
                others = without_rare_yes(others, [folded(labels[c]) for c in mine])
            _words(draft, labels, codes, words & (characteristic == place), CHARACTERISTICS[place], ask, others, out)


def _there(codes: Array, size: int) -> list[int]:
    """Return which codes below ``size`` there are, in order; -1 is none."""
    there = np.zeros(size + 1, dtype=np.bool_)
    there[codes] = True
    return np.flatnonzero(there[:-1]).tolist()


def _words(
    draft: Draft,
    labels: list[Content],
    codes: Array,
    where: Array,
    characteristic: str,
    ask: str,
    others: frozenset[str],
    out: Cells,
) -> None:
    word = np.zeros(len(labels), np.int8)
    issue = np.zeros(len(labels), np.int32)
    for code in _there(codes[where], len(labels)):
        label = labels[code]
        if characteristic == "surface":
            text = surface_word(label, ask)
        else:
            text = plug_word(label, characteristic, ask, others)
        word[code] = WORDS.index(text)
        if not text:
            issue[code] = draft.issue_code(_unclear(characteristic))
    at = codes[where]
    out.word[where], out.issue[where] = word[at], issue[at]


def _unclear(characteristic: str) -> Problem:
    if characteristic == "surface":
        return flaw(
            "unclear-surface",
            "it isn't clear what was found on the surface",
            _SURFACE_ALLOWED,
            "Write one of these words",
        )
    name = {"go": "GO", "no_go": "NO-GO"}.get(characteristic, characteristic)
    return flaw(
        f"unclear-{characteristic.replace('_', '-')}",
        f"it isn't clear whether the {name} plug enters",
        _PLUG_ALLOWED,
        "Write one of these words, or let the heading ask whether it enters",
    )


# Tables of one sheet into readings: reading columns laid one under the other, every value in the kit's unit.


DIAMETER, X, Y, DISTANCE = (CHARACTERISTICS.index(name) for name in ("diameter", "x", "y", "distance"))
LENGTHS = [CHARACTERISTICS.index(name) for name in BY_GAUGE if name not in ANGLES]  #: lengths that a gauge reads
_NUMBERED = np.array([name in NUMBERS for name in CHARACTERISTICS] + [False])  #: the last for what isn't known, -1
_ANGLE, _LENGTH = (np.isin(np.arange(len(CHARACTERISTICS) + 1), some) for some in (_ANGLES, LENGTHS))


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
    distances = read_ends(table, known) if is_distances(table.meanings) else None
    if distances is None:
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
    joined = {name: _in_one([chunk.pop(name) for chunk in chunks]) for name in list(chunks[0])}
    if distances is not None:
        add_ends(table, distances, joined, np.searchsorted(table.rows, joined["row"] - 1))
    if (np.diff(joined["row"]) < 0).any():
        order = np.argsort(joined["row"], kind="stable")
        for name in joined:
            joined[name] = joined[name][order]
    context.draft.add(joined)


def _in_one(pieces: list[Array]) -> Array:
    """Return pieces as one array, a piece alone as it is: a million rows are copied for nothing."""
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)


def _repeated_columns(table: Table) -> dict[int, int]:
    """Return trial numbers for reading columns with one and the same heading: 1, 2, ... from the left."""
    same: dict[Meaning, list[int]] = {}
    for column in table.readings:
        if not table.meanings[column].trial:
            same.setdefault(table.meanings[column], []).append(column)
    out: dict[int, int] = {}
    for meaning, columns in same.items():
        # readings of a place that is named once more are one thing read twice, and must agree
        several = meaning.word == "diameter" and meaning.direction is None and not meaning.hole and not meaning.serial
        if len(columns) > 1 and (several or len(columns) <= table.context.spec.plan.count):
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


def _piece(table: Table, known: Rows, column: int, trial: int, at: IntArray, word: str, ask: str) -> dict[str, Array]:
    """Return the readings of some rows of one column; ``word`` is the characteristic where rows don't decide."""
    context, meaning = table.context, table.meanings[column]
    spec, draft, sheet = context.spec, context.draft, context.sheet
    size = at.size
    if word:
        characteristic = np.full(size, CHARACTERISTICS.index(word), dtype=np.int8)
    else:
        by_row = _at(known.characteristic, at)
        fixed = CHARACTERISTICS.index(meaning.word) if meaning.word else -1
        characteristic = np.where(by_row >= 0, by_row, fixed).astype(np.int8)
    rows = _at(table.rows, at)
    cells = read_cells(draft, sheet.grid.columns[column], rows, characteristic, ask or meaning.ask, context.decimal)
    _tally_texts(context, column, rows, cells)
    issue = np.where(_at(known.issue, at) > 0, _at(known.issue, at), cells.issue)
    issue = _wrong_units(table, known, column, at, characteristic, issue)
    spoiled = (issue == 0) & _LENGTH[characteristic]
    issue[spoiled] = _at(known.length_issue, at)[spoiled]
    issue = merged_cells(table, column, rows, issue)
    issue = struck_cells(table, column, rows, issue)
    hole = np.full(size, Holes(spec).match(meaning.hole).code) if meaning.hole else _at(known.hole, at)
    issue = _dashes(draft, spec, hole, characteristic, issue)
    wall, issue = _walls(table, known, column, at, characteristic, issue)
    value, unit = _converted(table, known, meaning, at, characteristic, cells)
    value, issue = _from_deviations(table, known, column, at, characteristic, value, issue)
    serial = _at(known.serial, at)
    if meaning.serial:
        serial = np.full(size, draft.serial.code(meaning.serial))
        _named_across(table, known, column, at)
    direction = _at(known.direction, at) if meaning.direction is None else np.full(size, meaning.direction)

    number = meaning.trial or trial

    def same(name: str, value: int) -> Array:
        return np.broadcast_to(np.array(value, dtype=TYPES[name]), size)

    found = {
        "part": _at(known.part, at),
        "serial": serial,
        "hole": hole,
        "wall": wall,
        "characteristic": characteristic,
        "direction": np.where(characteristic == DIAMETER, direction, np.nan),
        "trial": np.full(size, number) if number else np.maximum(_at(known.trial, at), 1),
        "value": value,
        "raw": cells.value,
        "word": cells.word,
        "typed": cells.typed,
        "unit": unit,
        "gauge": same("gauge", draft.gauge.code(meaning.gauge)) if meaning.gauge else _gauge(known, at, characteristic),
        **{name: _at(getattr(known, name), at) for name in ("temperature_c", "date", "latest", "by", "note")},
        "file": same("file", draft.file.code(sheet.file)),
        "sheet": same("sheet", draft.sheet.code(sheet.name)),
        "row": rows + 1,
        "column": same("column", column + 1),
        "issue": issue,
        "text": cells.text & (_at(_scale(known, meaning), at) == 1.0),
    }
    return {name: found.pop(name).astype(TYPES[name], copy=False) for name in list(found)}


def _at(array: Array, at: IntArray) -> Array:
    """Return an array at some rows in order; at all, as it is."""
    return array if at.size == array.size else array[at]


def _dashes(draft: Draft, spec: Specification, hole: Array, characteristic: Array, issue: Array) -> Array:
    """Take a dash or 'n/a' for a blank where the kit asks nothing of that hole: it says just that."""
    for what in MEASURED:
        if not (mine := characteristic == CHARACTERISTICS.index(what.word)).any():
            continue
        asked = np.array([what.word in h.measured for h in spec.holes] + [True])
        absent = [code for code, one in enumerate(draft.issues) if one is not None and one.code == "not-measured"]
        issue = np.where(mine & ~asked[hole] & np.isin(issue, absent), 0, issue)
    return issue


def _wrong_units(
    table: Table, known: Rows, column: int, at: IntArray, characteristic: Array, issue: Array
) -> Array:
    """Doubt angles whose heading or row says a unit of length, and lengths whose row says degrees."""
    angle, unit = _ANGLE[characteristic], table.meanings[column].unit
    in_length = np.full(at.size, unit in SCALES or unit in UNIT_CODES[1:])
    if table.fields("unit"):  # a column of units speaks of a row's lengths, where the heading says that it is an angle
        in_length |= (_at(known.unit, at) > 0) & (_at(known.characteristic, at) >= 0)
    for where, bad in (
        (angle & in_length, flaw("angle-unit", "angles are said in a unit of length", "degrees",
                                  "Say degrees, or name what was read there")),
        (~angle & _at(known.degrees, at) & _NUMBERED[characteristic],
         flaw("angle-unit", "lengths are said in degrees", "in or mm", "Say the unit of the reading")),
    ):  # fmt: skip
        if where.any():
            issue = _column_issue(table, bad, column, int(where.sum()), issue, where & (issue == 0))
    return issue


def _named_across(table: Table, known: Rows, column: int, at: IntArray) -> None:
    """Note that a column's heading names a part, and that it has readings."""
    tally, serial = table.context.tally, table.context.draft.serial.code(table.meanings[column].serial)
    for part in np.unique(_at(known.part, at)).tolist():
        tally.named.setdefault((part, serial), (table.blocks[0].heading.last, column))
        tally.read.add((part, serial))


def _scale(known: Rows, meaning: Meaning) -> FloatArray:
    """Return what each row's typed number is multiplied by: 0.001 where a heading or row counts in thousandths."""
    if meaning.unit in SCALES:
        return np.broadcast_to(SCALES[meaning.unit][1], known.scale.size)
    return np.broadcast_to(1.0, known.scale.size) if meaning.unit else known.scale


def _from_deviations(
    table: Table, known: Rows, column: int, at: IntArray, characteristic: Array, value: FloatArray, issue: Array
) -> tuple[FloatArray, Array]:
    """Return values [kit unit] where a column or row holds deviations: what they count from, and the deviation."""
    meaning = table.meanings[column]
    counted = _at(known.deviation, at) | meaning.deviation
    if not counted.any():
        return value, issue
    if meaning.deviation:
        base = deviation_base(table, known, column)[at]
    else:
        drawn = [basic_of_rows(table, known, word)[at] for word in ("x", "y")]
        base = np.where(characteristic == X, drawn[0], np.where(characteristic == Y, drawn[1], np.nan))
    unknown = counted & np.isnan(base)
    if unknown.any():
        bad = flaw(
            "deviation-from-what",
            "deviations stand here, and nothing says what size they count from",
            "a column of nominal sizes, or a heading such as 'deviation from 0.4550'",
            "Type the sizes as the gauge shows them, or say the nominal size in the heading",
        )
        issue = _column_issue(table, bad, column, int(unknown.sum()), issue, unknown & (issue == 0))
    return np.where(counted & ~unknown, base + value, value), issue


def _gauge(known: Rows, at: IntArray, characteristic: Array) -> Array:
    gauge = np.full(at.size, -1, dtype=np.int32)
    there = _there(characteristic, len(CHARACTERISTICS))
    for kind, codes in known.gauges.items():
        if (number := CHARACTERISTICS.index(kind)) in there:
            here = np.flatnonzero(characteristic == number)
            gauge[here] = _at(codes, at)[here]
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
    wall, said = _at(known.wall, at), _at(known.wall_said, at)
    if meaning.wall >= len(names):
        bad = flaw(
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
        wall = np.where(unsaid & np.isin(characteristic, (X, Y, DISTANCE)), only, wall)
    lost = (wall < 0) & ~said & np.isin(characteristic, (DIAMETER, X, Y, DISTANCE))
    if lost.any():
        allowed = "walls " + ", ".join(names)
        if table.fields("wall"):
            return wall, _unnamed_walls(table, known, column, at[lost], issue, lost, allowed)
        bad = flaw(
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
    bad = flaw("wall-missing", "the reading names no wall", allowed, "Write the wall")
    code = context.draft.issue_code(bad)
    context.draft.reported.add(code)

    def make(row: int) -> Problem:
        place = int(table.rows[row])
        found = repr(text_of(context.sheet.grid.cell(place, column)))
        tied = context.tied(*(max(int(x[row]), -1) for x in (known.part, known.serial, known.hole)))
        return context.problem(bad, found, place, column, **tied)

    context.collector.cells(at.tolist(), make)
    return np.where(lost & (issue == 0), code, issue)


def _column_issue(table: Table, bad: Problem, column: int, count: int, issue: Array, where: BoolArray) -> Array:
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
    unit = _at(known.unit, at).astype(np.int8, copy=False)
    if heading:
        unit = np.where((unit > 0) & known.unit_by_row, unit, heading)
    unit = np.where(cells.unit > 0, cells.unit, unit)
    lengths = _NUMBERED[characteristic] & ~_ANGLE[characteristic]
    unsaid = lengths & (unit == 0) & ~np.isnan(cells.value)
    tally.numbers += int((lengths & ~np.isnan(cells.value)).sum())
    if not options.unit:
        tally.unit_assumed += int(unsaid.sum())
    unit = np.where(unit == 0, UNIT_CODES.index(options.unit or spec.unit), unit)
    value = cells.value * np.where(lengths & (cells.unit == 0), _at(_scale(known, meaning), at), 1.0)
    other = "mm" if spec.unit == "in" else "in"
    foreign = lengths & (unit == UNIT_CODES.index(other))
    if foreign.any():
        value[foreign] = convert(value[foreign], other, spec.unit)
    return value, np.where(lengths, unit, 0)


__all__ = ["ReadOptions", "SizeLimits", "declared_kit", "read_files", "without_rechecks"]

SAID_OF_KIT = {"drawing", "kit", "revision", "part"}  #: fields that tell which kit a sheet was made for
TITLE_ROWS = 2_000  #: so many rows without readings are searched for what they say of the kit
_WORDS = re.compile(r"\s*[^\W\d_]|[^\W\d_]*[#°ø⌀]")  #: how a heading begins; a number typed as text doesn't
MOST_TEXTS = 500_000  #: of one sheet that is judged: each is read as words by itself, a minute's work for so many
#: a sheet with so many numbers that isn't read is worth a warning
NUMBERS_LEFT = 10
#: so many filled rows are looked at for headings that aren't known; so many of them are named, and so much of each
HEADING_ROWS, HEADINGS_SHOWN, HEADING_SHOWN = 100, 12, 30


Named = str | Path | Incoming  #: a file by its name, or its bytes that came in already


@dataclass(slots=True)
class _Run:
    """What one call gathers."""

    spec: Specification
    options: ReadOptions
    vocabulary: Vocabulary
    draft: Draft
    collector: Collector = field(default_factory=Collector)
    seen: dict[str, str] = field(default_factory=dict)  #: SHA-256 of a file -> the name it was first given by
    sources: list[Source] = field(default_factory=list)
    digests: dict[Named, str] = field(default_factory=dict)  #: path -> SHA-256
    lettered: Vocabulary | None = None

    def vocabulary_of(self, sheet: RawSheet) -> Vocabulary:
        """Return the words of a sheet: one that writes N and F for near and far means the walls, not hole F."""
        if not self.vocabulary.unclear_letters:
            return self.vocabulary
        texts = {x for c in sheet.grid.columns if c.codes is not None for x in c.labels if isinstance(x, str)}
        if not self.vocabulary.walls_by_letters(texts):
            return self.vocabulary
        if self.lettered is None:
            self.lettered = Vocabulary(self.spec, letters=True)
        return self.lettered


def read_files(
    paths: Iterable[Named], spec: Specification, options: ReadOptions | None = None, *, go_on: bool = False
) -> Readings:  # fmt: skip
    """Return all readings in some files as one table in the kit's unit, with every problem met on the way.

    ``go_on``: read the others where a file is unusable; nothing of it is in the table, and ``unusable`` names it.

    Raises:
        ReadingsError: a file can't be read at all, holds no table of readings, or was made for another kit or
            revision; carries the problems of every such file, not of the first only. With ``go_on`` only where no
            file can be used.
    """
    options = options or ReadOptions()
    good, unusable = list(paths), dict[Named, UnusableFile]()
    while True:
        run, refused = _gather(good, spec, options)
        unusable |= refused
        good = [path for path in good if path not in refused]
        if not refused or not go_on or not good:
            break
        # a file refused at its third sheet has left the readings of two: the others are read again without it
    if unusable and not (go_on and good):
        problems = [p for file in unusable.values() for p in file.problems]
        raise ReadingsError("\n".join(p.sentence() for p in problems), problems)
    again = {s.sha256 for s in run.sources if s.recheck}
    if not again:
        return replace(_readings(run), unusable=tuple(unusable.values()))
    # a recheck is looked at by itself: it says other than the first sheet on purpose
    rest = [path for path in good if run.digests[path] not in again]
    firsts = {run.digests[path]: path for path in reversed(good)}
    alone = tuple(_readings(_gather([firsts[s.sha256]], spec, options)[0]) for s in run.sources if s.recheck)
    return replace(_readings(_gather(rest, spec, options)[0]), unusable=tuple(unusable.values()), rechecks=alone)


def without_rechecks(readings: Readings) -> Readings:
    """Return readings for statistics: without rechecks, which say how a part was mended and not how it was drilled."""
    told = tuple(
        Problem(WARNING, "recheck-left-out", "a recheck: it says how the part was mended, so it isn't counted here",
                file=one.sources[0].file, action="Name the sheets of parts as they were drilled")
        for one in readings.rechecks
    )  # fmt: skip
    return replace(readings, rechecks=(), problems=(*readings.problems, *told)) if told else readings


def _readings(run: _Run) -> Readings:
    """Return what was gathered as a table, with what is odd about it."""
    arrays = run.draft.arrays()
    doubt = _report_issues(run, arrays)
    today = run.options.today or dt.date.today()
    doubt = check_plausibility(run.spec, run.draft, arrays, run.collector, today, doubt)
    return Readings(run.draft.table(arrays, doubt), run.collector.problems(), tuple(run.sources))


def _gather(
    paths: Sequence[Named], spec: Specification, options: ReadOptions
) -> tuple[_Run, dict[Named, UnusableFile]]:
    """Read some files; return what they gave, and those that can't be used."""
    run = _Run(spec, options, Vocabulary(spec), Draft(spec))
    refused: dict[Named, UnusableFile] = {}
    for path in paths:
        try:
            _read_file(run, path)
        except ReadingsError as error:
            shown = _shown(path)
            refused[path] = UnusableFile(shown, tuple(replace(p, file=shown) for p in error.problems))
    return run, refused


def declared_kit(path: str | Path, limits: SizeLimits | None = None) -> tuple[str, str] | None:
    """Return kit id and revision that a sheet of ours was made for, None where the file says none.

    Raises:
        ReadingsError: the file can't be opened.
    """
    limits = limits or SizeLimits()
    container = examine(path, limits)
    if container.kind == DOCUMENT:
        from holeqc.readings.qif import declared

        return declared(container)
    if container.kind == WORKBOOK:
        from holeqc.readings.files import read_workbook

        for sheet in read_workbook(container, limits):
            marker = find_marker(sheet) or from_properties(sheet.properties)
            if marker is not None:
                return marker.kit_id, marker.revision
        return None
    head = container.incoming.content[:20_000]
    for encoding in ("utf-8-sig", "utf-16", "cp1252"):
        text = head.decode(encoding, "ignore")
        for line in text.splitlines()[:10]:
            for piece in (line, line.strip('"').replace('""', '"'), re.sub(r'^"|";*,*$', "", line).replace('""', '"')):
                if marker := parse_marker(piece.strip().rstrip(",;\t")):
                    return marker.kit_id, marker.revision
    return None


def _shown(path: Named) -> str:
    return path.name if isinstance(path, Incoming) else shown_path(path)


def _read_file(run: _Run, path: Named) -> None:
    container = examine(path, run.options.limits)
    run.digests[path] = container.sha256
    if container.name != _shown(path):
        container = replace(container, name=_shown(path))
    if container.sha256 in run.seen:
        _named_twice(run, container, run.seen[container.sha256])
        return
    run.seen[container.sha256] = container.name
    if container.macros:
        run.collector.add(
            Problem(NOTE, "macros", "the workbook holds macros; they are not read and never run", file=container.name)
        )
    if container.kind == DOCUMENT:
        from holeqc.readings.qif import read_document

        found = read_document(container, run.spec, run.options, run.vocabulary, run.draft, run.collector)
        run.sources.append(Source(container.name, container.sha256, container.bytes, *found))
        return
    sheets = [_read_sheet(run, sheet) for sheet in _sheets(run, container)]
    told = next((s.marker for s in sheets if s.marker is not None), None)
    for sheet in (s for s in sheets if s.serial and any(other.says_serial for other in sheets)):
        issue = warning(
            "whose-sheet",
            "this sheet says no serial number, other sheets of the workbook do: its name may be one, or its readings "
            "may belong to a part of theirs",
            "a serial number on each sheet",
            "Write the serial number on the sheet",
            holds=True,
        )
        run.collector.add(issue.at(found=repr(sheet.name), file=container.name, sheet=sheet.name))
    if not any(s.tables for s in sheets):
        met = max((s.met for s in sheets), key=lambda m: m.rank, default=_Met())
        raise ReadingsError(
            "",
            [
                Problem(
                    ERROR,
                    "no-table",
                    f"no table of readings was found: {met.missing}",
                    found=met.found,
                    allowed="headings such as Hole, Wall, Dia 0, Dia 90, X, Y, GO, NO-GO, Surface",
                    action=f"{met.questions}Write such headings over the columns, or name the shop's own in [headings] "
                    "of the kit file",
                    file=container.name,
                    sheet=met.sheet,
                )
            ],
        )
    kit, revision = (told.kit_id, told.revision) if told else ("", "")
    columns = tuple(use for s in sheets for use in s.columns)
    rechecks = list(dict.fromkeys(said for s in sheets for said in s.rechecks))
    if len(rechecks) > 1:
        raise _mixed(container, rechecks)
    said = rechecks[0] if rechecks else ""
    run.sources.append(Source(container.name, container.sha256, container.bytes, kit, revision, columns, said))


def _mixed(container: Container, said: Sequence[str]) -> ReadingsError:
    """Return the error of a file whose tables are rechecks of different readings, or of which not all are one."""
    named = ", ".join(repr(text) for text in said if text)
    if "" in said:
        what, to_do = f"one sheet is a recheck of {named}, another says nothing of it, filled or blank", (
            "Take the other sheet out, or write on it what it is a recheck of")  # fmt: skip
    else:
        what, to_do = "its sheets are rechecks of different readings", "Save each recheck as a file of its own"
    problem = Problem(ERROR, "rechecks-mixed", what, named, "one recheck a file", to_do, container.name)
    return ReadingsError("", [problem])


def _named_twice(run: _Run, container: Container, first: str) -> None:
    """Report a file that was read already, under its own or another name."""
    same = "the file is named twice" if container.name == first else f"the file holds the same bytes as {first}"
    issue = warning("file-twice", f"{same}: it is read once", action="Name each file once")
    run.collector.add(issue.at(found=f"SHA-256 {container.sha256[:16]}", file=container.name))


def _sheets(run: _Run, container: Container) -> Iterator[RawSheet]:
    if container.kind == WORKBOOK:
        from holeqc.readings.files import read_workbook
        from holeqc.readings.sheet_layout import choices

        yield from read_workbook(container, run.options.limits, run.options.sheets, choices(run.spec))
        return
    from holeqc.readings.files import read_text

    def score(rows: Sequence[Sequence[str]]) -> int:
        return score_rows([list(r) for r in rows], run.vocabulary)

    yield read_text(container, run.options, score, run.collector, rows_by_width)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """What one sheet was: its marker, how many tables it holds, and how their columns were understood."""

    marker: Marker | None
    tables: int
    columns: tuple[ColumnUse, ...]
    rechecks: tuple[str, ...] = ()  #: what each table says that it is a recheck of, '' for nothing
    met: _Met = field(default_factory=lambda: _Met())
    name: str = ""
    serial: str = ""  #: taken from its name
    says_serial: bool = False


@dataclass(frozen=True, slots=True)
class _Met:
    """The row of a sheet without a table that looks most like headings: what stands there, and what is missing."""

    sheet: str = ""
    found: str = "no row of headings"
    missing: str = "no heading for the hole; no heading for a reading"
    questions: str = ""
    rank: tuple[int, int] = (0, 0)


def _headings_met(sheet: RawSheet, vocabulary: Vocabulary) -> _Met:
    """Return what stands where headings would be looked for on a sheet in which no table was found."""
    best = _Met(sheet.name)
    for row in np.flatnonzero(sheet.grid.filled_rows())[:HEADING_ROWS].tolist():
        cells = [x for x in sheet.grid.row(row) if x is not None]
        texts = list(dict.fromkeys(x.strip() for x in cells if isinstance(x, str) and _WORDS.match(x)))
        meanings = [vocabulary.meaning(text) for text in texts]
        rank = sum(m.is_known for m in meanings), len(texts)
        if len(texts) < 2 * len(cells) / 3 or rank <= best.rank:
            continue
        words = {m.word for m in meanings if m.kind == FIELD}
        reads = "value" in words or any(m.kind == READING for m in meanings)
        lacks = [f"no heading for {what}" for what, there in (("the hole", "hole" in words), ("a reading", reads))
                 if not there]  # fmt: skip
        quoted = [repr(text if len(text) <= HEADING_SHOWN else text[: HEADING_SHOWN - 1] + "…") for text in texts]
        more = f" and {len(quoted) - HEADINGS_SHOWN} more" if len(quoted) > HEADINGS_SHOWN else ""
        asked = [(text, question_of(text)) for text in texts[:HEADINGS_SHOWN]]
        best = _Met(
            sheet.name,
            f"in row {row + 1} {', '.join(quoted[:HEADINGS_SHOWN])}{more}",
            "; ".join(lacks) or "no readings stand below the headings",
            "".join(f"Say what {text!r} is: {question}. " for text, question in asked if question),
            rank,
        )
    return best


def _read_sheet(run: _Run, sheet: RawSheet) -> _Sheet:
    """Read one sheet into the draft; a machine's report as it is laid out for the reader."""
    if sum(len(column.labels) for column in sheet.grid.columns) > MOST_TEXTS:
        raise refusal(sheet.file, "too-large", "the sheet has far too many different texts to be looked at",
                      found=f"over {MOST_TEXTS}", allowed=f"at most {MOST_TEXTS}", sheet=sheet.name,
                      action="Split it into several files, or delete a column that says something else in each row and "
                      "is no reading")  # fmt: skip
    vocabulary = run.vocabulary_of(sheet)
    start, chunks = len(run.collector.problems()), len(run.draft.chunks)
    report = laid_out(sheet, vocabulary, run.spec, run.collector, run.options.unit or run.spec.unit)
    if report is None:
        return _read_plain(run, sheet, vocabulary)
    done = _read_plain(run, report.sheet, vocabulary)
    serials = {code for chunk in run.draft.chunks[chunks:] for code in np.unique(chunk["serial"]).tolist() if code >= 0}
    whose = run.draft.serial.texts[serials.pop()] if len(serials) == 1 else ""
    run.collector.move(start, sheet.grid.width, report.place, whose)
    return replace(done, columns=report.columns(done.columns))


def _read_plain(run: _Run, sheet: RawSheet, vocabulary: Vocabulary) -> _Sheet:
    """Read a sheet with rows of readings."""
    layout = part_sheet(sheet, vocabulary, run.spec)
    marker = layout.marker or from_properties(sheet.properties)
    _check_kit(run, sheet, layout, marker)
    if not layout.blocks:
        met = _headings_met(sheet, vocabulary)
        if sheet.grid.rows and layout.marker is None:
            numbers = sum(int((~np.isnan(c.numbers)).sum()) for c in sheet.grid.columns if c.numbers is not None)
            run.collector.add(
                Problem(
                    WARNING if numbers >= NUMBERS_LEFT else NOTE,
                    "sheet-not-read",
                    f"no table of readings on this sheet, it is not read: {met.missing}",
                    file=sheet.file,
                    sheet=sheet.name,
                    found=f"{met.found}; {int(sheet.grid.filled_rows().sum())} filled rows, {numbers} numbers",
                    allowed="headings such as Hole, Wall, Dia 0, Dia 90, X, Y",
                    action=f"{met.questions}If readings stand there, name the shop's headings in [headings] of the kit "
                    "file",
                )
            )
            context = Context(run.spec, run.options, vocabulary, run.collector, run.draft, sheet)
            context.used = np.zeros((sheet.grid.rows, sheet.grid.width), dtype=np.bool_)
            account(context, Layout([], []))
        return _Sheet(marker, 0, (), met=met)
    context = Context(run.spec, run.options, vocabulary, run.collector, run.draft, sheet, own=layout.marker is not None)
    context.used = np.zeros((sheet.grid.rows, sheet.grid.width), dtype=np.bool_)
    context.decimal, mixed = decimal_mark(_read_texts(sheet, layout), run.options.decimal, sheet.delimiter)
    if not context.decimal and not mixed and comma_is_decimal(run.spec, _read_texts(sheet, layout)):
        context.decimal = ","
        message = "commas are read as decimal marks: no length of the kit is a thousand times as long"
        issue = note("comma-by-size", message, "State the decimal mark, or type points, where that isn't meant")
        context.say(issue, next(x for x in _read_texts(sheet, layout) if isinstance(x, str) and "," in x))
    if mixed:
        run.collector.add(
            Problem(
                WARNING,
                "mixed-decimal-marks",
                "decimal commas and decimal points both occur in this sheet",
                file=sheet.file,
                sheet=sheet.name,
                action="Look whether any number was meant otherwise; state the decimal mark",
            )
        )
    says_serial = _name_from_sheet(context, layout)
    for _, group in groupby(
        sorted(layout.blocks, key=lambda b: repr(b.heading.signature)), lambda b: b.heading.signature
    ):
        blocks = list(group)
        beside = views(blocks[0].heading)
        for columns in beside:
            read_table(context, blocks, columns, alone=len(beside) == 1)
    double_fields(context, [*layout.twice, *second_serials(context, layout.fields)])
    other_field(context, layout)
    other_gauge(context, layout)
    account(context, layout)
    field_defects(context, layout.fields)
    sheet_notes(context)
    parts_without_readings(context)
    fields = [block.fields.get("recheck") for block in layout.blocks if block.rows.size]
    said = tuple(_recheck_of(field, run.options.dates) for field in fields)
    return _Sheet(marker, len(layout.blocks), uses_once(context.uses), said, name=sheet.name, serial=context.serial,
                  says_serial=says_serial)  # fmt: skip


def _recheck_of(field: Field | None, order: str) -> str:
    """Return what a table says that it is a recheck of; a day as 2026-05-04."""
    if field is None:
        return ""
    day, _ = date_of(field.content, order)
    return str(day) if day is not None else text_of(field.content).strip()


def _read_texts(sheet: RawSheet, layout: Layout) -> Iterator[Content]:
    """Yield the distinct texts of all columns of readings, the smallest and largest of a hole among them."""
    columns = {
        c for b in layout.blocks for c, m in enumerate(b.heading.meanings) if m.kind == READING or m.reason == "extreme"
    }
    for column in columns:
        if column < sheet.grid.width:
            yield from sheet.grid.columns[column].labels


def _name_from_sheet(context: Context, layout: Layout) -> bool:
    """Take serial and part from the sheet's name where nothing else says them; return whether it says a serial."""
    sheet, spec = context.sheet, context.spec
    said = {w for b in layout.blocks for w in (*b.fields, *(m.word for m in b.heading.meanings))}
    name = " ".join(sheet.name.split())
    if "part" not in said and not context.options.part and len(spec.parts) > 1:
        named = [p.name for p in spec.parts if p.name.casefold() in re.split(r"[^\w]+", name.casefold())]
        if len(named) == 1:
            context.part = named[0]
            _say(context, "part-from-sheet-name", f"no part is named; taken from the sheet's name: {named[0]}")
            return "serial" in said
    serial = serial_in_sheet_name(name, Titles(spec))
    if serial and "serial" not in said and not context.options.serial:
        context.serial = serial
        _say(context, "serial-from-sheet-name", f"no serial number is named; taken from the sheet's name: {serial}")
    return "serial" in said


def _say(context: Context, code: str, message: str) -> None:
    sheet = context.sheet
    context.collector.add(Problem(NOTE, code, message, found=repr(sheet.name), file=sheet.file, sheet=sheet.name))


def _check_kit(run: _Run, sheet: RawSheet, layout: Layout, marker: Marker | None) -> None:
    """Refuse a sheet that says it was made for another kit, another revision or another format."""
    spec = run.spec
    said: list[tuple[str, str, str, str]] = []
    if marker is not None:
        if marker.format != FORMAT:
            raise ReadingsError(
                "",
                [
                    Problem(
                        ERROR,
                        "other-format",
                        "the sheet has a layout that this version doesn't know",
                        found=f"layout {marker.format}",
                        allowed=f"layout {FORMAT}",
                        action="Use a version of this program that knows it",
                        file=sheet.file,
                        sheet=sheet.name,
                        holds=True,
                    )
                ],
            )
        said = [("kit", marker.kit_id, spec.id, "A2"), ("revision", marker.revision, spec.revision, "A2")]
    else:
        said = list(dict.fromkeys(_said_of_kit(sheet, layout, spec)))
    wrong = [
        Problem(
            ERROR,
            f"other-{word}",
            f"the sheet was made for another {word} than the kit file describes",
            found=f"{word} {found}",
            allowed=f"{word} {wanted}",
            file=sheet.file,
            sheet=sheet.name,
            cell=cell,
            holds=True,
            action="Take the kit file that belongs to the sheet, or measure with a sheet of this revision",
        )
        for word, found, wanted, cell in said
        if found.strip().casefold() != wanted.strip().casefold()
    ]
    if wrong:
        raise ReadingsError("", wrong)


def _said_of_kit(sheet: RawSheet, layout: Layout, spec: Specification) -> Iterator[tuple[str, str, str, str]]:
    """Yield what a sheet says of another drawing, revision, kit or part: word, what is said, what it should be, cell.

    Fields count, and every text outside the rows of readings: 'Drawing BL7-210 Rev C' in one cell says it too.
    """
    titles, grid = Titles(spec), sheet.grid
    places = [(f.content, f.row, f.column, f.word) for f in layout.fields if f.word in SAID_OF_KIT]
    data = np.zeros(grid.rows, dtype=np.bool_)
    for block in layout.blocks:
        for column, meaning in enumerate(block.heading.meanings[: grid.width]):
            if meaning.kind == READING:
                data[block.rows] |= grid.columns[column].filled(grid.rows)[block.rows]
    fields = {(f.row, f.column) for f in layout.fields}
    for row in np.flatnonzero(grid.filled_rows() & ~data)[:TITLE_ROWS].tolist():
        places += [(x, row, c, "") for c, x in enumerate(grid.row(row)) if (row, c) not in fields]
    places += [(text, row - 1, column - 1, "") for row, column, text in sheet.scan.remarks]
    places += [(text, -1, -1, "") for text in sheet.scan.pages]
    for content, row, column, word in places:
        for named in titles.others_in(text_of(content), word) if isinstance(content, str) else []:
            yield named.kind, named.value, named.wanted, cell_name(row + 1, column + 1) if row >= 0 else ""


def _report_issues(run: _Run, arrays: dict[str, Array]) -> Array:
    """Turn the issues of cells into problems and return the doubt code of each reading, -1 for none."""
    draft = run.draft
    held = np.array(
        [draft.doubt.code(i.code) if i is not None and i.holds else -1 for i in draft.issues], dtype=np.int32
    )
    issue_of = arrays["issue"]
    pick = Cell(draft, arrays)

    def make(index: int) -> Problem:
        issue = draft.issues[int(issue_of[index])]
        assert issue is not None
        return suited(pick.issue_problem(index), issue, draft, arrays, index)

    for code in dict.fromkeys(i.code for i in draft.issues if i is not None):
        numbers = [
            n for n, i in enumerate(draft.issues) if i is not None and i.code == code and n not in draft.reported
        ]
        rows = np.flatnonzero(np.isin(issue_of, numbers)) if numbers else np.empty(0, dtype=np.int64)
        for group in by_sheet(arrays, rows):
            run.collector.cells(group.tolist(), make)
    return held[issue_of]
