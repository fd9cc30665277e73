"""Rows matched with the kit: whose reading it is, of which hole and wall, in which unit, by which gauge, when."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from holeqc.quantities import FloatArray, parse_small_unit, parse_unit
from holeqc.readings.context import Table
from holeqc.readings.dates import date_of, latest_of, ordered
from holeqc.readings.draft import UNIT_CODES, Array
from holeqc.readings.grid import BoolArray
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
from holeqc.readings.issues import Issue
from holeqc.readings.row_report import Reporter
from holeqc.readings.sources import Source, fill_down
from holeqc.readings.synonyms import FIELD
from holeqc.readings.table import CHARACTERISTICS
from holeqc.readings.values import temperature_of
from holeqc.specification.model import Specification

_NAME = re.compile(r"^(?=.*\d)\S+(?: \S+){0,2}$")  #: what may be a serial number: a digit, at most three words
#: field -> characteristics that its gauge reads; empty: all, where nothing more exact is said
GAUGE_WORDS: dict[str, tuple[str, ...]] = {
    "gauge": (),
    "gauge:diameter": ("diameter",),
    "gauge:x": ("x", "y"),
    "gauge:y": ("y",),
    "gauge:position": ("x", "y"),
    "gauge:edge_distance": ("edge_distance",),
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


def _blank(size: int) -> Rows:
    def codes() -> Array:
        return np.full(size, -1, dtype=np.int32)

    def unknown() -> FloatArray:
        return np.full(size, np.nan)

    nothing = np.zeros(size, dtype=np.int32)
    return Rows(
        codes(), codes(), codes(), codes(), codes(), unknown(), nothing.astype(np.int16), nothing.astype(np.int8),
        unknown(), np.full(size, "NaT", "datetime64[D]"), np.full(size, "NaT", "datetime64[D]"), codes(), codes(),
        nothing, nothing.copy(), nothing.astype(np.bool_), np.ones(size), nothing.copy(), nothing.astype(np.bool_),
        nothing.astype(np.bool_),
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
    return np.append(np.asarray(table, dtype=np.int32), -1).astype(np.int32)[found.codes]


def _floats(found: Source, table: Sequence[float]) -> FloatArray:
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
        out.part = np.zeros(table.rows.size, dtype=np.int32)
    else:
        out.part = codes_of(part, [m.code for m in report.match(part, parts.match, "part")])
    if len(spec.parts) == 1:
        out.part[out.part < 0] = 0
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
    key = out.part[rows].astype(np.int64) * 10_000_000 + out.serial[rows]
    _, first = np.unique(key, return_index=True)
    for row in rows[first]:
        place = (int(serial.at_row[row]), int(serial.at_column[row]))
        tally.named.setdefault((int(out.part[row]), int(out.serial[row])), place)
    for number in np.unique(key[table.any_reading[rows]]):
        row = rows[np.flatnonzero(key == number)[0]] if number < 0 else -1
        pair = (int(out.part[row]), int(out.serial[row])) if row >= 0 else divmod(int(number), 10_000_000)
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
    out.wall[fresh], out.wall_said = placed[fresh], out.wall_said | fresh
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
    issue = Issue(
        "unknown-characteristic",
        "it isn't known what was measured",
        ", ".join(CHARACTERISTICS),
        "Write one of these words",
    )
    return Match(issue=issue)


def _units(table: Table, out: Rows, report: Reporter) -> None:
    units = table.source("unit")
    issue = Issue("unknown-unit", "the unit isn't known", "in or mm", "Write in or mm")
    matches = []
    factors = []
    for label in units.labels:
        text = (parse_unit(label) or parse_small_unit(label)) if isinstance(label, str) else ""
        named, factor = SCALES.get(str(text or ""), (text or "", 1.0))
        matches.append(Match(UNIT_CODES.index(named)) if named else Match(0, issue=issue))
        factors.append(factor)
    report.report(units, matches, "unit", unusable=True)
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
        if not found.said().any():
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
    readings: list[tuple[float, Issue | None]] = []
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
