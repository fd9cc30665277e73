"""Tables of one sheet into readings: rows matched with the kit, reading columns laid one under the other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from holeqc.problems import ERROR, NOTE, WARNING, Problem
from holeqc.quantities import FloatArray, convert, parse_unit
from holeqc.readings.cells import Cells, read_cells
from holeqc.readings.collect import Collector
from holeqc.readings.dates import date_of, ordered
from holeqc.readings.draft import UNIT_CODES, Array, Draft
from holeqc.readings.grid import BoolArray, Content, IntArray
from holeqc.readings.headings import IGNORED, READING, UNKNOWN, Meaning, Vocabulary
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
)  # fmt: skip
from holeqc.readings.issues import Issue, warning
from holeqc.readings.layouts import Block
from holeqc.readings.options import ReadOptions
from holeqc.readings.sources import Source, fill_down, source
from holeqc.readings.synonyms import FIELD
from holeqc.readings.table import CHARACTERISTICS, LENGTHS, cell_name
from holeqc.readings.temperatures import temperature_of
from holeqc.readings.words import folded
from holeqc.readings.xlsx import RawSheet
from holeqc.specification.model import Specification

SUMMARY_WORDS = {"mean", "average", "avg", "max", "min", "maximum", "minimum", "range", "total", "sum", "std", "sd", "n",
                 "count", "nominal", "upper limit", "lower limit", "limits", "tolerance", "sigma"}  # fmt: skip


@dataclass(slots=True)
class Rows:
    """What is known of each row (r,) before its reading columns are looked at."""

    rows: IntArray
    part: Array
    serial: Array
    hole: Array
    wall: Array
    characteristic: Array
    direction: FloatArray
    trial: Array
    unit: Array
    temperature: FloatArray
    date: Array
    by: Array
    note: Array
    gauges: dict[str, Array]
    issue: Array
    wall_said: BoolArray
    unit_said: BoolArray


@dataclass(slots=True)
class Context:
    """Everything that reading a table needs beside the table."""

    spec: Specification
    options: ReadOptions
    vocabulary: Vocabulary
    collector: Collector
    draft: Draft
    sheet: RawSheet
    decimal: str = ""
    serial: str = ""  #: of the sheet, where it names none itself
    part: str = ""

    def problem(self, issue: Issue, found: str, row: int, column: int, **tied: str) -> Problem:
        """Return the problem of a cell (row and column from 0, -1 where there is no cell)."""
        cell = cell_name(row + 1, column + 1) if row >= 0 and column >= 0 else ""
        return issue.problem(found=found, file=self.sheet.file, sheet=self.sheet.name, cell=cell, **tied)


class TableReader:
    """Reads the blocks of one sheet that have the same heading."""

    def __init__(self, context: Context, blocks: Sequence[Block], columns: Sequence[int]) -> None:
        self.context = context
        self.blocks = blocks
        self.meanings = blocks[0].heading.meanings
        self.texts = blocks[0].heading.texts
        self.columns = [c for c in columns if c < context.sheet.grid.width]
        self.rows = np.concatenate([b.rows for b in blocks])
        self.block_of = np.repeat(np.arange(len(blocks)), [b.rows.size for b in blocks])
        self.readings = [c for c in self.columns if self.meanings[c].kind == READING]

    def read(self) -> None:
        """Read everything into the draft, and every doubt into the collector."""
        grid = self.context.sheet.grid
        filled = {c: grid.columns[c].filled(grid.rows)[self.rows] for c in self.readings}
        any_reading = np.zeros(self.rows.size, dtype=np.bool_)
        for where in filled.values():
            any_reading |= where
        known = self._known(any_reading)
        self._stray_rows(any_reading, known)
        if not self.readings:
            return
        chunks = [self._column(known, c, np.flatnonzero(filled[c])) for c in self.readings]
        joined = {name: np.concatenate([chunk[name] for chunk in chunks]) for name in chunks[0]}
        order = np.argsort(joined["row"], kind="stable")
        self.context.draft.add({name: array[order] for name, array in joined.items()})

    # rows

    def _source(self, word: str, default: str = "") -> Source:
        columns = [c for c in self.columns if self.meanings[c].kind == FIELD and self.meanings[c].word == word]
        return source(self.context.sheet, word, columns, self.blocks, self.rows, self.block_of, default)

    def _known(self, any_reading: BoolArray) -> Rows:
        context, size = self.context, self.rows.size
        spec, options = context.spec, context.options
        serial, part, hole, wall = (
            self._source("serial", options.serial or context.serial), self._source("part", options.part or context.part),
            self._source("hole"), self._source("wall"),
        )  # fmt: skip
        for each in (serial, part):
            fill_down(each, self.rows, self.block_of, np.ones(size, dtype=np.bool_))
        told_apart = any(
            self.meanings[c].kind == FIELD and self.meanings[c].word in {"wall", "characteristic", "direction", "trial"}
            for c in self.columns
        )
        fill_down(hole, self.rows, self.block_of, any_reading & told_apart)
        out = Rows(
            self.rows, *(np.full(size, -1, dtype=np.int32) for _ in range(5)), np.full(size, np.nan),
            np.zeros(size, np.int16), np.zeros(size, np.int8), np.full(size, np.nan), np.full(size, "NaT", "datetime64[D]"),
            np.full(size, -1, np.int32), np.full(size, -1, np.int32), {}, np.zeros(size, np.int32),
            np.zeros(size, np.bool_), np.zeros(size, np.bool_),
        )  # fmt: skip
        serials = self._match(serial, match_serial, any_reading, out, "serial")
        out.serial = _codes(serial, context.draft.serial.codes([m.text for m in serials]))
        parts = self._match(part, Parts(spec).match, any_reading, out, "part")
        out.part = _codes(part, [m.code for m in parts])
        if len(spec.parts) == 1:
            out.part[out.part < 0] = 0
        holes = self._match(hole, Holes(spec).match, any_reading, out, "hole")
        out.hole = _codes(hole, [m.code for m in holes])
        walls = self._match(wall, WallNames(spec, context.vocabulary).match, any_reading, out, "wall")
        out.wall, out.wall_said = _codes(wall, [m.code for m in walls]), wall.said()
        self._filled_down({"serial": serial, "part": part, "hole": hole}, any_reading)
        self._missing(serial, hole, any_reading, out)
        self._rest(out, any_reading)
        return out

    def _rest(self, out: Rows, any_reading: BoolArray) -> None:
        context = self.context
        spec, vocabulary = context.spec, context.vocabulary
        what = self._source("characteristic")
        kinds = [vocabulary.meaning(label) for label in what.labels]
        matches = [_characteristic_match(label, kind) for label, kind in zip(what.labels, kinds, strict=True)]
        self._report(what, matches, any_reading, out, "characteristic", unusable=True)
        out.characteristic = _codes(what, [m.code for m in matches])
        turned = _floats(what, [np.nan if k.direction is None else k.direction for k in kinds])
        placed = _codes(what, [k.wall for k in kinds])
        out.wall = np.where((out.wall < 0) & ~out.wall_said & (placed < len(spec.walls.names)), placed, out.wall)
        out.wall_said |= placed >= 0
        out.trial = np.maximum(_codes(what, [k.trial for k in kinds]), 0)
        direction = self._source("direction")
        found = [direction_of(label, vocabulary, spec.plan.directions) for label in direction.labels]
        self._report(direction, [Match(issue=i) for _, i in found], any_reading, out, "direction")
        stated = _floats(direction, [d for d, _ in found])
        out.direction = np.where(np.isnan(stated), turned, stated)
        trial = self._source("trial")
        trials = self._match(trial, trial_of, any_reading, out, "trial")
        out.trial = np.where(trial.said(), _codes(trial, [m.code for m in trials]), out.trial)
        self._units(out, any_reading)
        self._gauges(out, any_reading)
        self._days(out, any_reading)
        self._temperatures(out, any_reading)
        for name in ("by", "note"):
            texts = self._source(name)
            codes = getattr(context.draft, name).codes([text_of(x) for x in texts.labels])
            setattr(out, name, _codes(texts, codes))

    def _units(self, out: Rows, any_reading: BoolArray) -> None:
        units = self._source("unit")
        matches = []
        for label in units.labels:
            text = parse_unit(label) if isinstance(label, str) else None
            issue = Issue("unknown-unit", "the unit isn't known", "in or mm", "Write in or mm")
            matches.append(Match(UNIT_CODES.index(text)) if text else Match(0, issue=issue))
        self._report(units, matches, any_reading, out, "unit", unusable=True)
        out.unit = np.maximum(_codes(units, [m.code for m in matches]), 0).astype(np.int8)
        out.unit_said = out.unit > 0

    def _gauges(self, out: Rows, any_reading: BoolArray) -> None:
        spec, draft = self.context.spec, self.context.draft
        gauges = Gauges(spec)
        for word, kinds in GAUGE_WORDS.items():
            found = self._source(word)
            if not found.said().any():
                continue
            matches = self._match(found, gauges.match, any_reading, out, "gauge")
            codes = _codes(found, draft.gauge.codes([m.text for m in matches]))
            if word == "gauge" and not (found.from_column and len(self.readings) == 1):
                for kind in CHARACTERISTICS:
                    fits = [_measures(spec, m.text, kind) for m in matches]
                    out.gauges.setdefault(kind, np.where(_codes(found, fits) == 1, codes, -1))
                continue
            for kind in kinds or CHARACTERISTICS:
                before = out.gauges.get(kind)
                out.gauges[kind] = codes if before is None else np.where(codes >= 0, codes, before)

    def _days(self, out: Rows, any_reading: BoolArray) -> None:
        days = self._source("date")
        order = self.context.options.dates
        if not order:
            seen = {ordered(x) for x in days.labels if isinstance(x, str)} - {""}
            order = seen.pop() if len(seen) == 1 else ""
        found = [date_of(label, order) for label in days.labels]
        self._report(days, [Match(issue=i) for _, i in found], any_reading, out, "date")
        values = np.array([d if d else "NaT" for d, _ in found] + ["NaT"], dtype="datetime64[D]")
        out.date = values[days.codes]

    def _temperatures(self, out: Rows, any_reading: BoolArray) -> None:
        found = self._source("temperature_c")
        columns = [c for c in self.columns if self.meanings[c].word == "temperature_c"]
        unit = self.meanings[columns[0]].unit if columns else ""
        fields = [b.fields["temperature_c"].unit for b in self.blocks if "temperature_c" in b.fields]
        unit = unit or (fields[0] if fields and not columns else "")
        readings = [temperature_of(label, unit) for label in found.labels]
        holds = self.context.spec.temperature.correct
        matches = [Match(issue=None if i is None else replace(i, holds=i.holds and holds)) for _, i in readings]
        self._report(found, matches, any_reading, out, "temperature", unusable=holds)
        out.temperature = _floats(found, [t for t, _ in readings])

    # matching and its problems

    def _match(
        self, found: Source, match: Callable[[Content], Match], any_reading: BoolArray, out: Rows, word: str
    ) -> list[Match]:
        matches = [match(label) for label in found.labels]
        self._report(found, matches, any_reading, out, word, unusable=word in {"hole", "wall", "part"})
        return matches

    def _report(
        self,
        found: Source,
        matches: Sequence[Match],
        any_reading: BoolArray,
        out: Rows,
        word: str,
        *,
        unusable: bool = False,
    ) -> None:
        """Report labels that can't be matched; mark rows whose readings can't be used for it."""
        by_code: dict[str, list[int]] = {}
        for code, match in enumerate(matches):
            if match.issue is not None:
                by_code.setdefault(match.issue.code, []).append(code)
        for codes in by_code.values():
            where = np.isin(found.codes, codes) & any_reading
            rows = np.flatnonzero(where)
            if word == "hole":
                rows = self._without_summaries(found, rows, out)
            if not rows.size:
                continue
            if unusable:
                for code in codes:
                    self._mark(out, rows[found.codes[rows] == code], matches[code].issue)
            if matches[codes[0]].issue.severity == NOTE:  # type: ignore[union-attr]
                self._notes(found, matches, rows)
                continue
            place = found.at_row[rows] * 100_000 + found.at_column[rows]
            first = rows[np.sort(np.unique(place, return_index=True)[1])]
            self.context.collector.cells(first.tolist(), self._maker(found, matches, out, word))

    def _mark(self, out: Rows, rows: IntArray, issue: Issue | None) -> None:
        """Give rows an issue unless they have one; the problem itself is reported by the caller."""
        code = self.context.draft.issue_code(issue)
        if code and issue is not None and issue.holds:
            self.context.draft.reported.add(code)
            out.issue[rows] = np.where(out.issue[rows] == 0, code, out.issue[rows])

    def _maker(self, found: Source, matches: Sequence[Match], out: Rows, word: str) -> Callable[[int], Problem]:
        def make(row: int) -> Problem:
            code = int(found.codes[row])
            issue = matches[code].issue
            assert issue is not None
            return self.context.problem(
                issue, f"{word} {text_of(found.labels[code])!r}", int(found.at_row[row]), int(found.at_column[row]),
                **self._tied(out, row),
            )  # fmt: skip

        return make

    def _tied(self, out: Rows, row: int) -> dict[str, str]:
        """Return part, serial, hole and wall of a row as far as they are known by now."""
        spec, serials = self.context.spec, self.context.draft.serial.texts
        part, serial, hole, wall = (int(x[row]) for x in (out.part, out.serial, out.hole, out.wall))
        return {
            "part": spec.parts[part].name if part >= 0 else "", "serial": serials[serial] if serial >= 0 else "",
            "hole": spec.hole_ids[hole] if hole >= 0 else "", "wall": spec.walls.names[wall] if wall >= 0 else "",
        }  # fmt: skip

    def _notes(self, found: Source, matches: Sequence[Match], rows: IntArray) -> None:
        """Say once for each label how it was read."""
        for code in np.unique(found.codes[rows]):
            issue = matches[code].issue
            if issue is None:
                continue
            where = rows[found.codes[rows] == code]
            first = int(where[0])
            count = f", {where.size} rows" if where.size > 1 else ""
            self.context.collector.add(self.context.problem(
                replace(issue, message=issue.message + count), repr(text_of(found.labels[code])),
                int(found.at_row[first]), int(found.at_column[first]),
            ))  # fmt: skip

    def _without_summaries(self, found: Source, rows: IntArray, out: Rows) -> IntArray:
        """Name rows such as 'Average' under a table once, and take them out of the unknown holes."""
        summaries = [
            c for c, label in enumerate(found.labels) if isinstance(label, str) and folded(label) in SUMMARY_WORDS
        ]
        hit = np.isin(found.codes[rows], summaries)
        for row in rows[hit]:
            issue = Issue("summary-row", "a row that sums up others holds no readings of a hole; it is not used",
                          severity=NOTE, holds=False)  # fmt: skip
            self.context.collector.add(self.context.problem(
                issue, repr(text_of(found.labels[found.codes[row]])), int(found.at_row[row]), int(found.at_column[row])
            ))  # fmt: skip
        out.hole[rows[hit]] = SUMMARY
        return rows[~hit]

    def _filled_down(self, found: dict[str, Source], any_reading: BoolArray) -> None:
        for word, each in found.items():
            rows = np.flatnonzero(each.filled & any_reading)
            if rows.size:
                first, last = int(self.rows[rows[0]]), int(self.rows[rows[-1]])
                issue = warning("filled-down", f"the {word} is blank in {rows.size} rows (rows {first + 1} to {last + 1}); "
                                "taken from the cell above", action=f"Type the {word} in every row")  # fmt: skip
                label = text_of(each.labels[each.codes[rows[0]]])
                self.context.collector.add(
                    self.context.problem(issue, f"blank; above it {label!r}", first, int(each.at_column[rows[0]]))
                )

    def _missing(self, serial: Source, hole: Source, any_reading: BoolArray, out: Rows) -> None:
        """Report rows with readings but without a serial, a part or a hole."""
        named = any(self.meanings[c].hole for c in self.readings)
        for word, where, allowed in (
            ("serial", ~serial.said(), "a serial number in a column, in a field such as 'Serial: 1042', or stated"),
            ("part", (out.part < 0) & (out.issue == 0), "parts " + ", ".join(p.name for p in self.context.spec.parts)),
            ("hole", ~hole.said() & ~np.array(named), "holes " + ", ".join(self.context.spec.hole_ids[:40])),
        ):
            rows = np.flatnonzero(where & any_reading)
            if not rows.size:
                continue
            issue = Issue(
                f"{word}-missing", f"{rows.size} rows with readings name no {word}", allowed, f"Write the {word}"
            )
            first = int(rows[0])
            tied = self._tied(out, first) if word != "serial" else {}
            self.context.collector.add(
                self.context.problem(issue, "nothing", int(self.rows[first]), self._first_column(first), **tied)
            )
            if word != "serial":
                self._mark(out, rows, issue)

    def _first_column(self, row: int) -> int:
        grid = self.context.sheet.grid
        return next((c for c in self.columns if grid.cell(int(self.rows[row]), c) is not None), 0)

    def _stray_rows(self, any_reading: BoolArray, known: Rows) -> None:
        """Name rows that hold something, but neither a reading nor a hole."""
        rows = np.flatnonzero(~any_reading & (known.hole < 0))
        rows = np.array([r for r in rows[:2000] if self._stray(r)], dtype=np.int64)
        if rows.size:
            first, last = int(self.rows[rows[0]]), int(self.rows[rows[-1]])
            issue = Issue("stray-row", f"{rows.size} rows hold neither a hole nor a reading (rows {first + 1} to {last + 1}); "
                          "read as remarks", severity=NOTE, holds=False)  # fmt: skip
            column = self._first_column(int(rows[0]))
            self.context.collector.add(
                self.context.problem(issue, repr(text_of(self.context.sheet.grid.cell(first, column))), first, column)
            )

    def _stray(self, row: int) -> bool:
        grid = self.context.sheet.grid
        return any(grid.cell(int(self.rows[row]), c) is not None for c in self.columns)

    # reading columns

    def _column(self, known: Rows, column: int, at: IntArray) -> dict[str, Array]:
        """Return the readings of one column; ``at`` are places in `rows` where it is filled."""
        context, meaning = self.context, self.meanings[column]
        spec, draft = context.spec, context.draft
        at = at[known.hole[at] != SUMMARY]
        size = at.size
        fixed = CHARACTERISTICS.index(meaning.word) if meaning.word else -1
        characteristic = known.characteristic[at] if fixed < 0 else np.full(size, fixed, dtype=np.int32)
        issue = known.issue[at].copy()
        if fixed >= 0 and (known.characteristic[at] >= 0).any():
            characteristic = np.where(known.characteristic[at] >= 0, known.characteristic[at], fixed)
        cells = read_cells(
            draft, context.sheet.grid.columns[column], self.rows[at], characteristic, meaning.ask, context.decimal
        )
        issue = np.where(cells.issue > 0, cells.issue, issue)
        hole = known.hole[at] if not meaning.hole else np.full(size, Holes(spec).match(meaning.hole).code)
        wall, issue = self._walls(known, meaning, column, at, characteristic, issue)
        value, unit = self._converted(known, meaning, at, characteristic, cells)
        direction = known.direction[at] if meaning.direction is None else np.full(size, meaning.direction)
        gauge = np.full(size, -1, dtype=np.int32)
        for kind, codes in known.gauges.items():
            here = characteristic == CHARACTERISTICS.index(kind)
            gauge[here] = codes[at][here]
        return {
            "part": known.part[at], "serial": known.serial[at], "hole": hole, "wall": wall,
            "characteristic": characteristic,
            "direction": np.where(characteristic == 0, direction, np.nan),
            "trial": np.full(size, meaning.trial) if meaning.trial else np.maximum(known.trial[at], 1),
            "value": value, "raw": cells.value, "word": cells.word, "typed": cells.typed, "unit": unit, "gauge": gauge,
            "temperature_c": known.temperature[at], "date": known.date[at], "by": known.by[at], "note": known.note[at],
            "file": np.full(size, draft.file.code(context.sheet.file)),
            "sheet": np.full(size, draft.sheet.code(context.sheet.name)),
            "row": self.rows[at] + 1, "column": np.full(size, column + 1), "issue": issue,
        }  # fmt: skip

    def _walls(
        self, known: Rows, meaning: Meaning, column: int, at: IntArray, characteristic: Array, issue: Array
    ) -> tuple[Array, Array]:
        spec, names = self.context.spec, self.context.spec.walls.names
        wall = known.wall[at].copy()
        if meaning.wall >= 0:
            if meaning.wall >= len(names):
                bad = Issue("unknown-wall", "the heading names a wall that the kit doesn't have", "walls " + ", ".join(names),
                            "Correct the heading")  # fmt: skip
                return np.full(at.size, -1), self._column_issue(bad, column, at.size, issue, issue == 0)
            wall = np.where(known.wall_said[at], wall, meaning.wall)
        unsaid = (wall < 0) & ~known.wall_said[at]
        if len(names) == 1:
            return np.where(unsaid, 0, wall), issue
        planned = spec.plan.position_walls
        if len(planned) == 1:
            wall = np.where(unsaid & np.isin(characteristic, (1, 2)), names.index(planned[0]), wall)
        lost = (wall < 0) & ~known.wall_said[at] & np.isin(characteristic, (0, 1, 2)) & (issue == 0)
        if lost.any():
            bad = Issue("wall-missing", "readings in this column name no wall", "walls " + ", ".join(names),
                        "Name the wall in a column or in the heading")  # fmt: skip
            issue = self._column_issue(bad, column, int(lost.sum()), issue, lost)
        return wall, issue

    def _column_issue(self, bad: Issue, column: int, count: int, issue: Array, where: BoolArray) -> Array:
        """Report what is wrong with a whole column at its heading, and mark its readings."""
        code = self.context.draft.issue_code(bad)
        self.context.draft.reported.add(code)
        found = f"heading {self.texts[column]!r}, {count} readings"
        self.context.collector.add(self.context.problem(bad, found, self.blocks[0].heading.last, column))
        return np.where(where, code, issue)

    def _converted(
        self, known: Rows, meaning: Meaning, at: IntArray, characteristic: Array, cells: Cells
    ) -> tuple[FloatArray, Array]:
        """Return values in the kit's unit and the unit each was typed in, 0 for words."""
        spec = self.context.spec
        fallback = UNIT_CODES.index(self.context.options.unit or spec.unit)
        heading = UNIT_CODES.index(meaning.unit) if meaning.unit in UNIT_CODES else 0
        unit = np.where(known.unit[at] > 0, known.unit[at], fallback)
        if heading:
            by_row = any(self.meanings[c].word == "unit" for c in self.columns)
            unit = np.where(known.unit_said[at] & by_row, unit, heading)
        unit = np.where(cells.unit > 0, cells.unit, unit)
        value = cells.value.copy()
        other = "mm" if spec.unit == "in" else "in"
        foreign = unit == UNIT_CODES.index(other)
        if foreign.any():
            value[foreign] = convert(value[foreign], other, spec.unit)
        return value, np.where(characteristic < len(LENGTHS), unit, 0)


SUMMARY = -5  #: hole code of a row that sums up others

#: field -> characteristics that its gauge reads; empty: all, where nothing more exact is said
GAUGE_WORDS: dict[str, tuple[str, ...]] = {
    "gauge": (), "gauge:diameter": ("diameter",), "gauge:x": ("x", "y"), "gauge:y": ("y",), "gauge:position": ("x", "y"),
    "gauge:edge_distance": ("edge_distance",), "gauge:plug": ("plug", "go", "no_go"), "gauge:plugs": ("go", "no_go"),
    "gauge:go": ("go", "no_go"), "gauge:no_go": ("no_go",), "gauge:surface": ("surface",),
}  # fmt: skip


def _measures(spec: Specification, gauge_id: str, characteristic: str) -> int:
    gauge = spec.gauge(gauge_id)
    return 1 if gauge is None or characteristic in gauge.measures else 0


def _codes(found: Source, table: Sequence[int] | Array) -> Array:
    """Return one number a row from one a label, -1 where nothing is said."""
    return np.append(np.asarray(table, dtype=np.int32), -1).astype(np.int32)[found.codes]


def _floats(found: Source, table: Sequence[float]) -> FloatArray:
    return np.array([*table, np.nan], dtype=np.float64)[found.codes]


def _characteristic_match(label: Content, meaning: Meaning) -> Match:
    if meaning.kind == READING and meaning.word:
        return Match(CHARACTERISTICS.index(meaning.word))
    if meaning.kind not in {UNKNOWN, IGNORED, FIELD} and (meaning.direction is not None or meaning.wall >= 0):
        return Match(0)
    return Match(issue=Issue("unknown-characteristic", "it isn't known what was measured", ", ".join(CHARACTERISTICS),
                             "Write one of these words"))  # fmt: skip


__all__ = ["ERROR", "WARNING", "Context", "TableReader"]
