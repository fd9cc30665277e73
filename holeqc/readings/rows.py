"""Rows matched with the kit: whose reading it is, of which hole and wall, in which unit, by which gauge, when."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from holeqc.characteristics import BY_GAUGE, OF_WORD
from holeqc.problems import NOTE, Problem, flaw, warning
from holeqc.quantities import BoolArray, FloatArray, IntArray, parse_small_unit, parse_unit
from holeqc.readings.containers import Content
from holeqc.readings.draft import UNIT_CODES, Array
from holeqc.readings.headings import BOTH_PLUGS, IGNORED, READING, SCALES, UNKNOWN, Meaning
from holeqc.readings.identities import (
    Gauges,
    Holes,
    Match,
    Parts,
    WallNames,
    direction_of,
    match_serial,
    text_of,
    trial_of,
)
from holeqc.readings.layouts import Source, Table, fill_down
from holeqc.readings.synonyms import FIELD
from holeqc.readings.table import CHARACTERISTICS
from holeqc.readings.values import date_of, is_degrees, latest_of, ordered, temperature_of
from holeqc.specification.model import Specification
from holeqc.tables import numbered

# Problems with what rows say: labels that the kit doesn't know, labels that are missing or filled down.


#: a label with a doubt of these makes the readings of its row unusable
NEEDED = {"hole", "wall", "part"}
#: what is told once for a label, in however many rows it stands
TOLD_ONCE = {"several-serials", "bad-serial", "unknown-wall", "unknown-characteristic", "unknown-unit"}
LOOK_ABOVE = 40  #: rows above readings in which the label of a field is looked for


class Reporter:
    """Reports what is wrong with labels of one table and marks the rows concerned."""

    def __init__(self, table: Table, rows: Rows) -> None:
        self._table, self._rows, self._context = table, rows, table.context
        self.said: dict[str, BoolArray] = {}  #: word -> where the row says it
        self._known_rows: frozenset[int] = frozenset()

    @property
    def _at(self) -> frozenset[int]:
        """Rows of the sheet (from 0) that belong to the table."""
        self._known_rows = self._known_rows or frozenset(self._table.rows.tolist())
        return self._known_rows

    def match(self, found: Source, match: Callable[[Content], Match], word: str) -> list[Match]:
        """Return what each label stands for, and report the doubtful ones."""
        matches = [match(label) for label in found.labels]
        self.report(found, matches, word, unusable=word in NEEDED)
        return matches

    def report(
        self,
        found: Source,
        matches: Sequence[Match],
        word: str,
        *,
        unusable: bool = False,
        marks: Array | None = None,
    ) -> None:
        """Report labels with a doubt; ``unusable``: readings of their rows carry the doubt too.

        ``marks`` (r,) takes the doubt instead of the rows' own, where only some of a row's readings carry it.
        """
        by_code: dict[str, list[int]] = {}
        for code, match in enumerate(matches):
            if match.issue is not None:
                by_code.setdefault(match.issue.code, []).append(code)
        for codes in by_code.values():
            rows = np.flatnonzero(np.isin(found.codes, codes) & self._table.any_reading)
            if not rows.size:
                continue
            if unusable or marks is not None:
                self._mark_all(found, rows, {code: matches[code].issue for code in codes}, marks)
            issue = matches[codes[0]].issue
            if issue is not None and issue.severity == NOTE:
                self._notes(found, matches, rows)
                continue
            place = found.at_row[rows] * 100_000 + found.at_column[rows]
            if issue is not None and issue.code in TOLD_ONCE:
                place = found.codes[rows].astype(np.int64)
            first = rows[np.sort(np.unique(place, return_index=True)[1])]
            marked = unusable or marks is not None
            self._context.collector.cells(first.tolist(), self._maker(found, matches, word), marked=marked)

    def _mark(self, rows: IntArray, issue: Problem | None) -> None:
        """Give rows an issue unless they have one; the problem itself is reported by the caller."""
        marks = self._rows.issue
        if issue is not None and issue.holds:
            code = self._context.draft.issue_code(issue)
            self._context.draft.reported.add(code)
            marks[rows] = np.where(marks[rows] == 0, code, marks[rows])

    def _mark_all(
        self, found: Source, rows: IntArray, issues: dict[int, Problem | None], marks: Array | None
    ) -> None:  # fmt: skip
        """Give rows the issue of their label, as `_mark` gives them one, however many labels there are."""
        draft, number = self._context.draft, np.zeros(len(found.labels) + 1, dtype=np.int64)
        for code, issue in issues.items():
            if issue is not None and issue.holds:
                number[code] = draft.issue_code(issue)
        draft.reported.update(np.unique(number[number > 0]).tolist())
        marks = self._rows.issue if marks is None else marks
        marks[rows] = np.where(marks[rows] == 0, number[found.codes[rows]], marks[rows])

    def _tied(self, row: int) -> dict[str, str]:
        known = self._rows
        return self._context.tied(*(max(int(x[row]), -1) for x in (known.part, known.serial, known.hole, known.wall)))

    def _maker(self, found: Source, matches: Sequence[Match], word: str) -> Callable[[int], Problem]:
        def make(row: int) -> Problem:
            code = int(found.codes[row])
            issue = matches[code].issue
            assert issue is not None
            shown = f"{word} {text_of(found.labels[code])!r}"
            at, tied = int(found.at_row[row]), self._tied(row)
            if word == "serial" or at not in self._at:  # said of the whole part, not of a row's hole
                tied |= {"hole": "", "wall": ""}
            return self._context.problem(issue, shown, at, int(found.at_column[row]), **tied)

        return make

    def _notes(self, found: Source, matches: Sequence[Match], rows: IntArray) -> None:
        """Say once for each label how it was read."""
        for code, place, size in zip(*np.unique(found.codes[rows], return_index=True, return_counts=True), strict=True):
            issue = matches[code].issue
            if issue is None:
                continue
            first = int(rows[place])
            count = f", {size} rows" if size > 1 else ""
            self._context.say(
                replace(issue, message=issue.message + count),
                repr(text_of(found.labels[code])),
                int(found.at_row[first]),
                int(found.at_column[first]),
            )

    def filled_down(self, found: dict[str, Source]) -> None:
        """Say where blank cells took what stands above them."""
        for word, each in found.items():
            rows = np.flatnonzero(each.filled & self._table.any_reading)
            if rows.size:
                first, last = int(self._table.rows[rows[0]]), int(self._table.rows[rows[-1]])
                issue = warning(
                    "filled-down",
                    f"the {word} is blank in {span(rows.size, first, last)}: taken from the cell above",
                    action=f"Type the {word} in every row",
                )
                above = f"blank; above it {text_of(each.labels[each.codes[rows[0]]])!r}"
                self._context.say(issue, above, first, int(each.at_column[rows[0]]))

    def missing(self) -> None:
        """Report rows with readings but without a serial, a part or a hole."""
        table, rows, spec = self._table, self._rows, self._context.spec
        nothing = np.zeros(table.rows.size, dtype=np.bool_)
        elsewhere = any(table.meanings[c].hole for c in table.readings)
        elsewhere |= any(m.word in {"from", "ends"} for m in table.meanings)  # distances have two ends
        unnamed_hole = nothing if elsewhere else ~self.said["hole"]
        unnamed_part = nothing if any(table.meanings[c].serial for c in table.readings) else ~self.said["serial"]
        for word, where, allowed in (
            (
                "serial",
                unnamed_part,
                "a serial number in a column, in a field such as 'Serial: 1042', or stated",
            ),
            ("part", (rows.part < 0) & ~self.said["part"], "parts " + ", ".join(p.name for p in spec.parts)),
            ("hole", unnamed_hole, "holes " + ", ".join(spec.hole_ids[:40])),
        ):
            bad = np.flatnonzero(where & table.any_reading)
            if not bad.size:
                continue
            rows_said = "1 row with readings names" if bad.size == 1 else f"{bad.size} rows with readings name"
            message = f"{rows_said} no {word}"
            issue = flaw(f"{word}-missing", message, allowed, f"Write the {word}")
            first = int(bad[0])
            tied = self._tied(first) if word == "hole" and bad.size == 1 else {}
            beside = self._beside_label(word, first) if word == "serial" else None
            if beside is None:
                self._context.say(issue, "nothing", int(table.rows[first]), table.first_column(first), **tied)
            else:
                shown, row, column = beside
                self._context.say(issue, f"{shown}, which reads as the heading of a column", row, column)
            self._mark(bad, issue)

    def _beside_label(self, word: str, first: int) -> tuple[str, int, int] | None:
        """Return what a row says beside a field's label alone, above a row, and its place; None where there is none."""
        grid = self._context.sheet.grid
        last = int(self._table.rows[first])
        for row in range(max(0, last - LOOK_ABOVE), last):
            filled = [c for c, content in enumerate(grid.row(row)) if content is not None]
            if len(filled) != 2:  # more are the headings of a table
                continue
            label, content = (grid.cell(row, c) for c in filled)
            meaning = self._context.vocabulary.meaning(label.strip().rstrip(":=")) if isinstance(label, str) else None
            if meaning is not None and (meaning.kind, meaning.word) == (FIELD, word):
                return f"{text_of(label)} {text_of(content)!r}", row, filled[1]
        return None


_NAME = re.compile(r"^(?=.*\d)\S+(?: \S+){0,2}$")  #: what may be a serial number: a digit, at most three words
#: field -> characteristics that its gauge reads; empty: all, where nothing more exact is said
GAUGE_WORDS: dict[str, tuple[str, ...]] = {
    "gauge": (),
    "gauge:diameter": ("diameter",),
    "gauge:x": ("x", "y"),
    "gauge:y": ("y",),
    "gauge:position": ("x", "y"),
    "gauge:distance": ("distance",),
    **{f"gauge:{word}": (word,) for word in BY_GAUGE if OF_WORD[word].whole_hole},
    "gauge:plug": ("plug", "go", "no_go"),
    "gauge:plugs": ("go", "no_go"),
    "gauge:go": ("go", "no_go"),
    "gauge:no_go": ("no_go",),
    "gauge:surface": ("surface",),
}


@dataclass(slots=True)
class Rows:
    """What is known of each row (r,): codes into the kit's lists, -1 where unknown; ``issue`` into the draft's list.

    ``latest`` is the later meaning of a day whose month can't be told from its day, NaT everywhere else.
    """

    part: Array
    serial: Array
    hole: Array
    wall: Array
    characteristic: Array
    direction: FloatArray
    trial: Array
    unit: Array
    temperature_c: FloatArray
    date: Array
    latest: Array
    by: Array
    note: Array
    issue: Array
    length_issue: Array  #: as ``issue``, but only lengths of the row are doubtful: what a temperature spoils
    wall_said: BoolArray
    scale: FloatArray  #: what a typed number is multiplied by: 0.001 where thousandths are counted
    asks: Array  #: codes into ``ask_words``: what a row's label asks of a plug or surface
    both: BoolArray  #: the row says what both plugs did
    deviation: BoolArray  #: the row's values count from a basic dimension
    ask_words: list[str] = field(default_factory=lambda: [""])
    unit_by_row: bool = False
    gauges: dict[str, Array] = field(default_factory=dict)
    degrees: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))  #: the row's unit is degrees


def span(count: int, first: int, last: int) -> str:
    """Return how many rows and which (from 0) in words: ``7 rows (rows 3 to 9)``."""
    return f"1 row (row {first + 1})" if count == 1 else f"{count} rows (rows {first + 1} to {last + 1})"


def _blank(size: int) -> Rows:
    def same(value: Any) -> Array:  # nothing is written into these, other arrays take their place
        return np.broadcast_to(value, size)

    code, unknown, day = same(np.int32(-1)), same(np.float64("nan")), same(np.datetime64("NaT", "D"))
    no = same(np.False_)
    return Rows(
        code, code, code, code, code, unknown, same(np.int16(0)), same(np.int8(0)), unknown,
        day, day, code, code, np.zeros(size, np.int32), np.zeros(size, np.int32), no, same(np.float64(1.0)),
        same(np.int32(0)), no, no,
    )  # fmt: skip


def read_rows(table: Table) -> Rows:
    """Return what is known of each row of a table; what can't be matched becomes a problem."""
    out = _blank(table.rows.size)
    report = Reporter(table, out)
    _who(table, out, report)
    _which_wall(table, out, report)
    report.missing()
    _what(table, out, report)
    _units(table, out, report)
    _gauges(table, out, report)
    _days(table, out, report)
    _temperatures(table, out, report)
    draft = table.context.draft
    for name in ("by", "note"):
        texts = table.source(name)
        setattr(out, name, codes_of(texts, getattr(draft, name).codes([text_of(x) for x in texts.labels])))
    return out


def codes_of(found: Source, table: Sequence[int] | Array) -> Array:
    """Return one number a row from one a label, -1 where nothing is said."""
    if not len(table):
        return np.broadcast_to(np.int32(-1), found.codes.size)
    return np.append(np.asarray(table, dtype=np.int32), np.int32(-1))[found.codes]


def _floats(found: Source, table: Sequence[float]) -> FloatArray:
    if not len(table):
        return np.broadcast_to(np.float64("nan"), found.codes.size)
    return np.array([*table, np.nan], dtype=np.float64)[found.codes]


def _who(table: Table, out: Rows, report: Reporter) -> None:
    """Find serial, part and hole of each row."""
    context = table.context
    spec, options = context.spec, context.options
    serial = table.source("serial", options.serial or context.serial)
    part = table.source("part", options.part or context.part)
    if not part.said().any() and _side_is_part(table, spec):
        part = table.source("wall")
    hole = table.source("hole")
    everywhere = np.ones(table.rows.size, dtype=np.bool_)
    for each in (serial, part):
        fill_down(each, table.rows, table.block_of, everywhere)
    told_apart = any(table.fields(word) for word in ("wall", "characteristic", "direction", "trial"))
    fill_down(hole, table.rows, table.block_of, table.any_reading & told_apart)
    context.draft.room_for(len(serial.labels))
    serials = [match_serial(label) for label in serial.labels]
    out.serial = codes_of(serial, context.draft.serial.codes([m.text for m in serials]))
    parts = Parts(spec)
    if len(spec.parts) == 1:  # whatever the shop calls it, there is one
        out.part = np.broadcast_to(np.int32(0), table.rows.size)
    else:
        out.part = codes_of(part, [m.code for m in report.match(part, parts.match, "part")])
    report.report(serial, serials, "serial")
    report.said = {"serial": serial.said(), "part": part.said(), "hole": hole.said()}
    out.hole = codes_of(hole, [m.code for m in report.match(hole, Holes(spec).match, "hole")])
    report.filled_down({"serial": serial, "part": part, "hole": hole})
    _remember(table, out, serial)


def _side_is_part(table: Table, spec: Specification) -> bool:
    """Whether a column of walls names parts instead: 'Side' may be port and starboard."""
    sides = table.source("wall").used()
    match = Parts(spec).match
    return len(spec.parts) > 1 and bool(sides) and all(match(label).code >= 0 for label in sides)


def _remember(table: Table, out: Rows, serial: Source) -> None:
    """Note which parts are named and which have readings, so that one without any is missed."""
    tally = table.context.tally
    # a sentence under the table that stands in the serials' column names no part
    names = [isinstance(x, float) or bool(_NAME.match(text_of(x))) for x in serial.labels]
    named = np.append(np.array(names, dtype=np.bool_), False)[serial.codes]
    rows = np.flatnonzero((out.serial >= 0) & (named | (out.hole >= 0) | table.any_reading))
    number, first = numbered(out.part[rows].astype(np.int64) * 10_000_000 + out.serial[rows])
    read = np.zeros(first.size, dtype=np.bool_)
    read[number[table.any_reading[rows]]] = True
    one = rows[first]
    each = [x[one] for x in (out.part, out.serial, serial.at_row, serial.at_column)]
    order = np.lexsort(each[1::-1])
    pairs, places = (list(zip(*(x[order].tolist() for x in two), strict=True)) for two in (each[:2], each[2:]))
    for pair, place, has in zip(pairs, places, read[order].tolist(), strict=True):
        tally.named.setdefault(pair, place)
        if has:
            tally.read.add(pair)


def _which_wall(table: Table, out: Rows, report: Reporter) -> None:
    spec = table.context.spec
    wall = table.source("wall")
    if _side_is_part(table, spec):
        return
    _fill_walls_down(table, out, wall)
    matches = report.match(wall, WallNames(spec, table.context.vocabulary).match, "wall")
    out.wall, out.wall_said = codes_of(wall, [m.code for m in matches]), wall.said()
    report.filled_down({"wall": wall})


def _fill_walls_down(table: Table, out: Rows, wall: Source) -> None:
    """Give blank cells of a column of walls the wall above, where every hole then stands once in each wall.

    A wall that is written once over its holes is filled down; where a hole would stand twice in one wall, the blank
    may as well mean the other wall, and nothing is filled.
    """
    if (wall.codes >= 0).all():
        return
    before = (wall.codes.copy(), wall.at_row.copy(), wall.at_column.copy(), wall.filled.copy())
    fill_down(wall, table.rows, table.block_of, table.any_reading)
    if not wall.filled.any():
        return
    rows = np.flatnonzero(table.any_reading & (wall.codes >= 0) & (out.hole >= 0))
    place = np.column_stack([out.part[rows], out.serial[rows], out.hole[rows], wall.codes[rows]])
    one_row_a_hole = not any(table.fields(word) for word in ("characteristic", "direction", "trial"))
    if one_row_a_hole and np.unique(place, axis=0).shape[0] < rows.size:
        wall.codes, wall.at_row, wall.at_column, wall.filled = before


def _what(table: Table, out: Rows, report: Reporter) -> None:
    """Find characteristic, direction and trial of each row."""
    spec, vocabulary = table.context.spec, table.context.vocabulary
    what = table.source("characteristic")
    kinds = [vocabulary.meaning(x.strip().rstrip(":=") if isinstance(x, str) else x) for x in what.labels]
    matches = [_characteristic(kind) for kind in kinds]
    report.report(what, matches, "characteristic", unusable=True)
    out.characteristic = codes_of(what, [m.code for m in matches])
    turned = _floats(what, [np.nan if k.direction is None else k.direction for k in kinds])
    placed = codes_of(what, [k.wall if k.wall < len(spec.walls.names) else -1 for k in kinds])
    fresh = ~out.wall_said & (placed >= 0)
    out.wall, out.wall_said = np.where(fresh, placed, out.wall), out.wall_said | fresh
    out.trial = np.maximum(codes_of(what, [k.trial for k in kinds]), 0)
    out.both = codes_of(what, [int(k.word == BOTH_PLUGS) for k in kinds]) == 1
    out.deviation = codes_of(what, [int(k.deviation) for k in kinds]) == 1
    out.ask_words = list(dict.fromkeys(["", *(k.ask for k in kinds)]))
    out.asks = np.maximum(codes_of(what, [out.ask_words.index(k.ask) for k in kinds]), 0)
    _label_units(out, what, kinds)
    direction = table.source("direction")
    found = [direction_of(label, vocabulary, spec.plan.directions) for label in direction.labels]
    report.report(direction, [Match(issue=issue) for _, issue in found], "direction")
    stated = _floats(direction, [degrees for degrees, _ in found])
    out.direction = np.where(np.isnan(stated), turned, stated)
    trial = table.source("trial")
    trials = report.match(trial, trial_of, "trial")
    out.trial = np.where(trial.said(), codes_of(trial, [m.code for m in trials]), out.trial)


def _label_units(out: Rows, what: Source, kinds: list[Meaning]) -> None:
    """Take the units that labels of rows say: 'X [mm]'."""
    named = [SCALES.get(k.unit, (k.unit if k.unit in UNIT_CODES else "", 1.0)) for k in kinds]
    said = np.maximum(codes_of(what, [UNIT_CODES.index(unit) for unit, _ in named]), 0)
    out.unit = np.where(said > 0, said, out.unit).astype(np.int8)
    out.scale = np.where(said > 0, np.nan_to_num(_floats(what, [factor for _, factor in named]), nan=1.0), out.scale)
    out.unit_by_row |= bool((said > 0).any())


def _characteristic(meaning: Meaning) -> Match:
    if meaning.word == BOTH_PLUGS:
        return Match(CHARACTERISTICS.index("go"))
    if meaning.kind == FIELD and meaning.word in {"gauge:go", "gauge:no_go"}:
        return Match(CHARACTERISTICS.index(meaning.word.removeprefix("gauge:")))
    if meaning.kind == READING and meaning.word:
        return Match(CHARACTERISTICS.index(meaning.word))
    placed = meaning.direction is not None or meaning.wall >= 0 or meaning.kind == READING  # 'actual size'
    if meaning.kind not in {UNKNOWN, IGNORED, FIELD} and placed:
        return Match(0)
    issue = flaw(
        "unknown-characteristic",
        "it isn't known what was measured",
        ", ".join(CHARACTERISTICS),
        "Write one of these words",
    )
    return Match(issue=issue)


def _units(table: Table, out: Rows, report: Reporter) -> None:
    units = table.source("unit")
    issue = flaw("unknown-unit", "the unit isn't known", "in or mm", "Write in or mm")
    matches = []
    factors = []
    degrees = []
    for label in units.labels:
        text = (parse_unit(label) or parse_small_unit(label)) if isinstance(label, str) else ""
        named, factor = SCALES.get(str(text or ""), (text or "", 1.0))
        degrees.append(not named and isinstance(label, str) and is_degrees(label))
        matches.append(Match(UNIT_CODES.index(named)) if named else Match(0, issue=None if degrees[-1] else issue))
        factors.append(factor)
    report.report(units, matches, "unit", unusable=True)
    out.degrees = codes_of(units, degrees) == 1
    said = np.maximum(codes_of(units, [m.code for m in matches]), 0).astype(np.int8)
    fresh = out.unit == 0
    out.unit = np.where(fresh, said, out.unit).astype(np.int8)
    out.scale = np.where(fresh & (said > 0), np.nan_to_num(_floats(units, factors), nan=1.0), out.scale)
    out.unit_by_row |= bool(table.fields("unit"))


def _gauges(table: Table, out: Rows, report: Reporter) -> None:
    spec, draft = table.context.spec, table.context.draft
    gauges = Gauges(spec)
    for word, kinds in GAUGE_WORDS.items():
        found = table.source(word)
        if not found.labels or not found.said().any():
            continue
        matches = report.match(found, gauges.match, "gauge")
        codes = codes_of(found, draft.gauge.codes([m.text for m in matches]))
        for kind in kinds or CHARACTERISTICS:
            here = codes
            if word == "gauge" and not (found.from_column and len(table.readings) == 1):
                # one gauge beside several columns can only have read what it measures
                fits = codes_of(found, [int(_measures(spec, m.text, kind)) for m in matches])
                here = np.where(fits == 1, codes, -1)
            before = out.gauges.get(kind)
            out.gauges[kind] = here if before is None else np.where(here >= 0, here, before)


def _measures(spec: Specification, gauge_id: str, characteristic: str) -> bool:
    gauge = spec.gauge(gauge_id)
    return gauge is None or characteristic in gauge.measures


def _days(table: Table, out: Rows, report: Reporter) -> None:
    days = table.source("date")
    order = table.context.options.dates
    if not order:
        told = {ordered(x) for x in days.used() if isinstance(x, str)} - {""}
        order = told.pop() if len(told) == 1 else ""
    found = [date_of(label, order) for label in days.labels]
    report.report(days, [Match(issue=issue) for _, issue in found], "date")
    latest = [latest_of(label, order) for label in days.labels]
    out.date, out.latest = (
        np.array([day or "NaT" for day in some] + ["NaT"], dtype="datetime64[D]")[days.codes]
        for some in ([day for day, _ in found], latest)
    )


def _temperatures(table: Table, out: Rows, report: Reporter) -> None:
    found = table.source("temperature_c")
    readings: list[tuple[float, Problem | None]] = []
    corrected = table.context.spec.temperature.correct
    unit = _temperature_unit(table)
    for label in found.labels:
        celsius, issue = temperature_of(label, unit)
        # nobody needs a temperature where nothing is corrected; a wrong one must be settled all the same
        if issue is not None and issue.code == "bad-temperature" and not corrected:
            issue = replace(issue, holds=False)
        readings.append((celsius, issue))
    report.report(found, [Match(issue=issue) for _, issue in readings], "temperature", marks=out.length_issue)
    out.temperature_c = _floats(found, [celsius for celsius, _ in readings])


def _temperature_unit(table: Table) -> str:
    columns = table.fields("temperature_c")
    if columns:
        return table.meanings[columns[0]].unit
    return next((b.fields["temperature_c"].unit for b in table.blocks if "temperature_c" in b.fields), "")
