"""A run of `check` cut into parts, for tags and reports: looks rows up, computes nothing.

What says the same of many cells is said once, with all the cells: ``I2 to I17``.

Tables are turned into plain rows part by part, so that a run of many thousand parts costs memory for a few only.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holeqc.inspection.reasons import with_cells
from holeqc.inspection.results import ACCEPT, HOLD, REJECT, Reason, cell_words
from holeqc.quantities import GRAIN
from holeqc.readings.table import cell_name
from holeqc.tables import Row, Table

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.inspection.networks import Found, Wall
    from holeqc.inspection.results import Inspection, Planned
    from holeqc.inspection.tags import Tag
    from holeqc.problems import Problem
    from holeqc.readings.table import Join
    from holeqc.specification.model import Part, Specification

Key = tuple[str, str]

TOGETHER = 64  #: parts whose rows are cut out of the tables at a time


@dataclass(frozen=True, slots=True)
class Count:
    """How many were accepted, held and rejected."""

    accept: int
    hold: int
    reject: int

    @property
    def total(self) -> int:
        """All of them."""
        return self.accept + self.hold + self.reject

    @property
    def verdict(self) -> int:
        """Worst verdict that occurs; hold where there is nothing at all."""
        if self.reject:
            return REJECT
        return HOLD if self.hold or not self.total else ACCEPT


def count_verdicts(verdicts: Sequence[int]) -> Count:
    """Return how often each verdict occurs."""
    values = list(verdicts)
    return Count(values.count(ACCEPT), values.count(HOLD), values.count(REJECT))


class PartView:
    """One part of a run: its rows of every table, its problems and its reasons, each made when first asked for."""

    def __init__(self, run: Run, number: int) -> None:
        self.run = run
        self.number = number
        self.row: Row = run.part_rows[number]
        self.part: str = str(self.row["part"])
        self.serial: str = str(self.row["serial"])
        self.verdict: int = int(self.row["verdict"])

    @property
    def specification(self) -> Specification:
        """The kit."""
        return self.run.specification

    @cached_property
    def distances(self) -> list[tuple[Wall, int, list[Found]]]:
        """The part's distances as adjusted, wall by wall."""
        networks = self.run.inspection.networks
        return [] if networks is None else networks.of_part(self.part, self.serial)

    @property
    def name(self) -> str:
        """Part and serial in one string."""
        return " ".join(word for word in (self.part, self.serial) if word) or "part without name"

    @cached_property
    def declared(self) -> Part | None:
        """The part as the kit declares it, None where the kit has no such part."""
        return next((part for part in self.specification.parts if part.name == self.part), None)

    @cached_property
    def readings(self) -> pd.DataFrame:
        """Rows of the readings table that belong to this part, for whoever goes on with them elsewhere."""
        return self.run.of_part("readings", self.number).frame()

    @cached_property
    def read(self) -> list[Row]:
        """The same as plain mappings, each with its ``label`` in the table."""
        return self.run.rows("readings", self.number)

    @cached_property
    def _by_label(self) -> dict[int, Row]:
        return {row["label"]: row for row in self.read}

    @cached_property
    def joins(self) -> tuple[Join, ...]:
        """Its rechecks, in the order in which they were joined."""
        known = self.specification.parts
        only = known[0].name if len(known) == 1 else ""
        joins = self.run.inspection.readings.joins
        return tuple(join for join in joins if (join.part or only, join.serial) == (self.part, self.serial))

    @cached_property
    def planned(self) -> Planned | None:
        """What a reading plan said of it, None where it was judged by its readings alone."""
        told = self.run.inspection.planned
        return next((one for one in told if (one.part, one.serial) == (self.part, self.serial)), None)

    @cached_property
    def reasons(self) -> tuple[Reason, ...]:
        """Why it isn't accepted, in the judge's order; empty for an accepted part."""
        known = self.run.known_reasons
        if self.number not in known:
            from holeqc.inspection.reasons import reasons

            found = () if self.verdict == ACCEPT else reasons(self, self.problems)
            known[self.number] = tuple(found)
        return known[self.number]

    @cached_property
    def reasons_once(self) -> list[tuple[Reason, str]]:
        """Reasons, once for all cells of which they say the same, with what to do after the last that asks it."""
        said = alike(self.reasons)
        if len(self.run) == 1:
            said, _ = with_counted(said, self.run.problems)
        after = [*said[1:], *([None] if said else [])]
        return [
            (now, "" if nxt is not None and (nxt.verdict, nxt.action) == (now.verdict, now.action) else now.action)
            for now, nxt in zip(said, after, strict=True)
        ]

    @cached_property
    def more_rework(self) -> list[str]:
        """Proposals of rework that no reason has said already."""
        said = {reason.action for reason in self.reasons}
        return [sentence for sentence in (str(row["sentence"]) for row in self.rework) if sentence not in said]

    @cached_property
    def problems(self) -> tuple[Problem, ...]:
        """Problems of the files that name this part."""
        return self.run.problems_of(self.part, self.serial)

    @cached_property
    def holes(self) -> list[Row]:
        """Rows of the holes table, in the kit's order."""
        order = {hole: place for place, hole in enumerate(self.specification.hole_ids)}
        return sorted(self.run.rows("holes", self.number), key=lambda row: order.get(str(row["hole"]), len(order)))

    @cached_property
    def characteristics(self) -> list[Row]:
        """Rows of the characteristics table."""
        return self.run.rows("characteristics", self.number)

    @cached_property
    def table(self) -> dict[tuple[str, str, str], Row]:
        """Characteristics by hole, wall and characteristic."""
        return {(str(r["hole"]), str(r["wall"]), str(r["characteristic"])): r for r in self.characteristics}

    @cached_property
    def asked(self) -> list[str]:
        """Characteristics that occur on this part, in the order of a report."""
        from holeqc.inspection.results import CHARACTERISTICS

        there = {str(row["characteristic"]) for row in self.characteristics}
        return [name for name in CHARACTERISTICS if name in there] + sorted(there - set(CHARACTERISTICS))

    @cached_property
    def pins(self) -> list[Row]:
        """Rows of the pins table."""
        return self.run.rows("pins", self.number)

    @property
    def pins_shown(self) -> list[Row]:
        """The same as drawn: where one hole alone keeps the pins out, the others stand without it and none binds."""
        only = self.row["pin_culprit"]
        return [row if only in ("", row["hole"]) else {**row, "binding": False} for row in self.pins]

    @cached_property
    def float_left(self) -> Row | None:
        """Float that is left to the pins, None where they don't enter or there are none."""
        rows = self.run.rows("float_left", self.number)
        return rows[0] if rows else None

    @cached_property
    def rework(self) -> list[Row]:
        """Rows of the rework table."""
        return self.run.rows("rework", self.number)

    @cached_property
    def hole_count(self) -> Count:
        """How many holes were accepted, held, rejected."""
        return count_verdicts([int(row["verdict"]) for row in self.holes])

    def reading(self, label: int) -> Row | None:
        """Return one of the part's readings, None for -1 or a label that isn't there."""
        return self._by_label.get(label)

    def as_read(self, row: Row) -> Row | None:
        """Return the reading that a size shows brought to 20 °C; None where it stands as it was read."""
        reading = self.reading(row["reading"]) if self.specification.temperature.correct else None
        if reading is None or row["characteristic"] != "size" or row["doubtful"]:
            return None
        return reading if abs(reading["value"] - row["found"]) > GRAIN else None

    def cell(self, row: Row) -> str:
        """Return file, sheet and cell of the reading that decides a characteristic, '' where there is none."""
        found = self.reading(row["reading"])
        return place_of(found) if found else ""

    def typed_as(self, row: Row) -> str:
        """Return what was typed in the cell that decides a characteristic, '' where there is none."""
        found = self.reading(row["reading"])
        return str(found["typed"]) if found else ""


def place_of(reading: Row) -> str:
    """Return file, sheet and cell of a reading."""
    cell = cell_name(reading["row"], reading["column"])
    return ", ".join(str(word) for word in (reading["file"], reading["sheet"], cell) if word)


class Run:
    """A whole run: counts, the list of parts, and each part when it is asked for."""

    def __init__(self, inspection: Inspection) -> None:
        self.inspection = inspection
        self.specification: Specification = inspection.specification
        self.part_rows: list[dict[str, Any]] = inspection.tables["parts"].records()
        self._keys: list[Key] = [(str(row["part"]), str(row["serial"])) for row in self.part_rows]
        self._places: dict[str, dict[Key, Any]] = {}
        self._pieces: dict[str, tuple[int, list[int], list[dict[str, Any]]]] = {}
        self.known_reasons: dict[int, tuple[Reason, ...]] = {}
        self.known_tags: dict[int, tuple[Tag, ...]] = {}

    def __len__(self) -> int:
        return len(self.part_rows)

    def __iter__(self) -> Iterator[PartView]:
        return (PartView(self, number) for number in range(len(self)))

    def __getitem__(self, number: int) -> PartView:
        return PartView(self, number)

    @cached_property
    def count(self) -> Count:
        """How many parts were accepted, held and rejected."""
        return count_verdicts([int(row["verdict"]) for row in self.part_rows])

    def numbers(self, *verdicts: int) -> list[int]:
        """Return the places of parts with one of these verdicts, the verdicts in the order given."""
        return [n for v in verdicts for n, row in enumerate(self.part_rows) if int(row["verdict"]) == v]

    @cached_property
    def problems(self) -> tuple[Problem, ...]:
        """All problems of the run, errors first, each once."""
        order = {"error": 0, "warning": 1, "note": 2}
        return tuple(sorted(dict.fromkeys(self.inspection.problems), key=lambda p: order.get(p.severity, 3)))

    @cached_property
    def _problems_by_serial(self) -> dict[str, list[Problem]]:
        found: dict[str, list[Problem]] = {}
        for problem in self.problems:
            found.setdefault(problem.serial, []).append(problem)
        return found

    def problems_of(self, part: str, serial: str) -> tuple[Problem, ...]:
        """Return the problems that name this part and serial; of a part alone also what counts further cells."""
        there = self._problems_by_serial.get(serial, ())
        named = [p for p in there if (p.part or part) == part and (serial or p.part)]
        kinds = {(p.code, p.file, p.sheet) for p in named}
        if len(self) == 1 and kinds:
            counts = (p for p in self.problems if p.counted and p not in named)
            named += [p for p in counts if (p.code, p.file, p.sheet) in kinds]
        return tuple(named)

    def _table(self, name: str) -> Table:
        return self.inspection.readings.rows if name == "readings" else self.inspection.tables[name]

    def _where(self, name: str, number: int) -> Any:
        if name not in self._places:
            groups = self._table(name).groups("part", "serial")
            known = self.specification.parts
            only = known[0].name if len(known) == 1 else ""  # a reading needn't say the kit's only part
            self._places[name] = {(part or only, serial): where for (part, serial), where in groups.items()}
        return self._places[name].get(self._keys[number], [])

    def of_part(self, name: str, number: int) -> Table:
        """Return a table's rows that belong to one part; ``readings`` is the readings table."""
        return self._table(name).take(np.asarray(self._where(name, number), dtype=np.int64))

    def rows(self, name: str, number: int) -> list[Row]:
        """Return a table's rows that belong to one part as plain mappings.

        A table is cut up once for many parts that follow one another: rows picked one part at a time take ten times as
        long, and lists of a whole table as much memory as all else. A part that stands alone is picked alone.
        """
        first = number - number % TOGETHER
        known = self._pieces.get(name)
        if known is None or not known[0] <= number < known[0] + len(known[1]) - 1:
            beside = known is not None and known[0] + len(known[1]) - 1 == number
            some, cuts = self.together(name, *((first, TOGETHER) if number == first or beside else (number, 1)))
            some = some.with_columns(label=some.labels) if name == "readings" else some
            known = self._pieces[name] = number if len(cuts) == 2 else first, cuts, some.records()
        return list(known[2][known[1][number - known[0]] : known[1][number - known[0] + 1]])

    def together(self, name: str, first: int, count: int = TOGETHER) -> tuple[Table, list[int]]:
        """Return a table's rows of so many parts, and where those of each begin, with the end of the last."""
        where = [self._where(name, n) for n in range(first, min(first + count, len(self)))]
        some = self._table(name).take(np.concatenate(where).astype(np.int64))
        return some, np.cumsum([0, *map(len, where)]).tolist()

    def cells(self, labels: NDArray[np.int64]) -> list[str]:
        """Return file, sheet and cell of readings by their labels, '' for one that isn't there."""
        table = self.inspection.readings.rows
        at = table.places(labels)
        files, sheets = (table[name].names for name in ("file", "sheet"))
        columns = (table["file"].codes, table["sheet"].codes, table["row"], table["column"])
        return [
            ", ".join([word for word in (files[f], sheets[s], cell_name(row, column)) if word]) if n >= 0 else ""
            for n, f, s, row, column in zip(at.tolist(), *(column[at].tolist() for column in columns), strict=True)
        ] if len(table) else [""] * len(at)  # fmt: skip


def all_cells(problems: Iterable[Problem]) -> str:
    """Return the cells of problems that say the same, with those that are only counted; sheets where several are."""
    there = list(problems)
    more = [p.counted for p in there if p.counted]
    several = len({p.sheet for p in there}) > 1
    named = cell_words((p.spot if several else p.cell) for p in there if not p.counted)
    return " and ".join([*([named] if named else []), *more])


def alike(reasons: Sequence[Reason]) -> list[Reason]:
    """Return reasons with those that say the same of different cells in one, in the place of the first."""
    groups: dict[object, list[Reason]] = {}
    for number, reason in enumerate(reasons):
        end = f" ({reason.cell})."
        whole = not reason.characteristic and reason.cell and reason.sentence.endswith(end)
        key = (reason.verdict, reason.sentence.removesuffix(end), reason.action) if whole else number
        groups.setdefault(key, []).append(reason)
    return [with_cells(group[0], [reason.cell for reason in group]) for group in groups.values()]


def with_counted(reasons: Sequence[Reason], problems: Sequence[Problem]) -> tuple[list[Reason], list[Problem]]:
    """Return reasons that name also how many further cells of theirs the reader counted, and the problems that did."""
    counts = [p for p in problems if p.counted]
    if not counts:
        return list(reasons), []
    by_spot: dict[str, list[Problem]] = {}
    for problem in problems:
        by_spot.setdefault(problem.spot, []).append(problem)
    out, used = [], []
    for reason in reasons:
        end = f" ({cell_words(reason.cells)})."
        there = (p for cell in set(reason.cells) for p in by_spot.get(cell, ()))
        kinds = {(p.code, p.file, p.sheet) for p in there if p.action == reason.action}
        mine = [p for p in counts if (p.code, p.file, p.sheet) in kinds and p not in used]
        if len(mine) == 1 and reason.sentence.endswith(end):
            text = f"{reason.sentence.removesuffix(').')} and {mine[0].counted})."
            out.append(dataclasses.replace(reason, sentence=text))
            used += mine
        else:
            out.append(reason)
    return out, used
