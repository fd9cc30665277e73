"""Readings out of the ledger, as the table that the files themselves give: same columns, types, order; judged again.

Files come in the order in which they were recorded, readings in the order of their file. Where a part's readings come
from several files, repeats are numbered on as they are when the files are read together.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import and_, func, or_, select

from holeqc.characteristics import unit_of
from holeqc.inspection.results import CAUSES, words_of
from holeqc.inspection.results import CHARACTERISTICS as JUDGED
from holeqc.ledger import schema as s
from holeqc.ledger.kits import parsed_specification, stored_specification
from holeqc.ledger.schema import FIELDS, batches, plain
from holeqc.printing import counted
from holeqc.problems import LedgerError, Problem
from holeqc.quantities import DECIMALS, format_length
from holeqc.specification.model import SINGLE_WALL
from holeqc.tables import Table, Texts

if TYPE_CHECKING:
    import pandas as pd
    from sqlalchemy import ColumnElement, Connection

    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Ledger
    from holeqc.readings.table import Join, Readings, Source
    from holeqc.specification.model import Specification


# -------------------------------------------------------------------------------------------------------------- filters


MEASURED = ("all", "first", "last")
TAGS = ("open", "closed", "none", *s.DISPOSITIONS)  #: of any tag of the part; a disposition is the one in force
PINS = "pins"
DEFECTS = (*JUDGED, PINS, *CAUSES[1:])


@dataclass(frozen=True, slots=True)
class Filter:
    """Which parts and readings are wanted; what is empty or None doesn't limit.

    ``since`` and ``until`` are days of reading, both included. ``measured``: of a part that was measured more than
    once, all files, the first or the last. ``replaced``: also files that a newer revision took the place of.
    ``rechecks``: also what was read again of a part that was mended. ``verdict``: of the part's newest inspection. Of
    parts alone: ``by`` who logged it or read it, ``defect`` a characteristic that it isn't accepted in, or the cause,
    ``tag`` one of `TAGS`.
    """

    kit: str = ""
    revision: str = ""
    part: str = ""
    serials: tuple[str, ...] = ()
    fixture: str = ""
    verdict: str = ""
    since: dt.date | None = None
    until: dt.date | None = None
    holes: tuple[str, ...] = ()
    walls: tuple[str, ...] = ()
    characteristics: tuple[str, ...] = ()
    gauge: str = ""
    measured: str = "all"
    replaced: bool = False
    rechecks: bool = False
    by: str = ""
    defect: str = ""
    tag: str = ""

    def __post_init__(self) -> None:
        """Refuse words that nothing can match."""
        if self.verdict and self.verdict not in s.VERDICTS:
            raise LedgerError(f"verdict {self.verdict!r} is none; verdicts are {', '.join(s.VERDICTS)}")
        if self.measured not in MEASURED:
            raise LedgerError(f"measured {self.measured!r} is not known; give {', '.join(MEASURED)}")
        if self.tag and self.tag not in TAGS:
            raise LedgerError(f"tag {self.tag!r} is not known; give {', '.join(TAGS)}")
        if self.defect and self.defect not in DEFECTS:
            raise LedgerError(f"defect {self.defect!r} is not known; give {', '.join(DEFECTS)}")
        refuse_turned(self.since, self.until)


def refuse_turned(since: dt.date | None, until: dt.date | None) -> None:
    """Refuse a span of days that ends before it begins.

    Raises:
        LedgerError: it does.
    """
    if since is not None and until is not None and since > until:
        raise LedgerError(f"--since {since} comes after --until {until}: no day lies between; turn them round")


def same_name(column: ColumnElement[str], name: str) -> ColumnElement[bool]:
    """Return the condition that a name is another's, small or capital letters alike."""
    return func.lower(column) == func.lower(plain(name))


def specification_conditions(wanted: Filter) -> list[ColumnElement[bool]]:
    """Return the conditions on the kit's text."""
    table = s.SPECIFICATION.c
    pairs = ((table.kit, wanted.kit), (table.revision, wanted.revision))
    out: list[ColumnElement[bool]] = [column == plain(value) for column, value in pairs if value]
    return [*out, same_name(table.fixture, wanted.fixture)] if wanted.fixture else out


def units_of(wanted: Filter) -> Any:
    """Return the question for kit, revision and unit of the kit texts that are wanted."""
    table = s.SPECIFICATION.c
    question = select(table.kit, table.revision, table.unit).where(*specification_conditions(wanted))
    return question.distinct().order_by(table.kit, table.revision)


def set_conditions(wanted: Filter) -> list[ColumnElement[bool]]:
    """Return the conditions on reading sets; the question must join `FILE` and `SPECIFICATION`."""
    out = specification_conditions(wanted)
    sets = s.READING_SET.c
    if wanted.serials:
        out.append(sets.serial.in_([plain(x) for x in wanted.serials]))
    if wanted.part:
        out.append(sets.part == plain(wanted.part))
    if wanted.since is not None:
        out.append(sets.last_day >= wanted.since.isoformat())
    if wanted.until is not None:
        out.append(sets.first_day <= wanted.until.isoformat())
    if not wanted.replaced:
        out.append(not_replaced(wanted))
    if not wanted.rechecks:
        out.append(~select(s.RECHECK.c.id).where(s.RECHECK.c.set_id == sets.id).exists())
    if wanted.verdict:
        newest = (
            select(s.INSPECTION_SET.c.set_id)
            .join(s.INSPECTION)
            .where(s.INSPECTION.c.verdict == wanted.verdict, newest_inspection())
        )
        out.append(or_(sets.id.in_(newest), _goes_on(wanted.verdict)))
    return out


def _goes_on(verdict: str) -> ColumnElement[bool]:
    """Return the condition that nothing was judged from a set, since it says of its part what a replaced file said, on
    which the part's newest inspection rests.
    """
    rests, i, old, file = s.INSPECTION_SET.alias("rests"), s.INSPECTION.alias("judged"), s.READING_SET.alias("old"), (
        s.FILE.alias("old_file"))  # fmt: skip
    newer, later, text = s.FILE.alias("newer_file"), s.INSPECTION.alias("later_one"), s.SPECIFICATION.alias("old_text")
    mine = s.READING_SET.c
    judged = select(rests.c.line).where(rests.c.set_id == mine.id)
    there = (
        select(i.c.id).join(rests, rests.c.inspection_id == i.c.id).join(old, old.c.id == rests.c.set_id)
        .join(file, file.c.id == old.c.file_id).join(text, text.c.id == file.c.specification_id)
        .join(newer, newer.c.replaces == file.c.id)
        .where(i.c.verdict == verdict, i.c.part == mine.part, i.c.serial == mine.serial,
               text.c.kit == s.SPECIFICATION.c.kit)
        .where(~select(later.c.id).where(later.c.follows == i.c.id).exists())
    )  # fmt: skip
    return and_(~judged.exists(), there.exists())


def not_replaced(wanted: Filter) -> ColumnElement[bool]:
    """Return the condition that no newer revision of a file is there among the kit texts that are wanted."""
    newer, text = s.FILE.alias("newer"), s.SPECIFICATION.alias("newer_text")
    question = select(newer.c.id).join(text, text.c.id == newer.c.specification_id)
    question = question.where(newer.c.replaces == s.FILE.c.id)
    if wanted.revision:
        question = question.where(text.c.revision == plain(wanted.revision))
    if wanted.fixture:
        question = question.where(same_name(text.c.fixture, wanted.fixture))
    return ~question.exists()


def newest_inspection() -> ColumnElement[bool]:
    """Return the condition that no later inspection of the part names this one."""
    later = s.INSPECTION.alias("later")
    return ~select(later.c.id).where(later.c.follows == s.INSPECTION.c.id).exists()


def part_conditions(wanted: Filter) -> list[ColumnElement[bool]]:
    """Return the conditions on newest inspections of parts; the question must join `ENTRY` and `SPECIFICATION`."""
    i = s.INSPECTION.c
    out: list[ColumnElement[bool]] = [newest_inspection(), *specification_conditions(wanted)]
    out += [i.part == plain(wanted.part)] if wanted.part else []
    out += [i.serial.in_([plain(x) for x in wanted.serials])] if wanted.serials else []
    out += [i.verdict == wanted.verdict] if wanted.verdict else []
    out += [i.last_day >= wanted.since.isoformat()] if wanted.since is not None else []
    out += [i.first_day <= wanted.until.isoformat()] if wanted.until is not None else []
    if wanted.by:
        read = (
            select(s.READING.c.line)
            .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == s.READING.c.set_id)
            .where(s.INSPECTION_SET.c.inspection_id == i.id, same_name(s.READING.c.read_by, wanted.by))
        )
        out.append(or_(same_name(s.ENTRY.c.made_by, wanted.by), read.exists()))
    if wanted.defect == PINS:
        out.append(i.pin_verdict.in_(s.VERDICTS[1:]))
    elif wanted.defect:
        c = s.CHARACTERISTIC_VERDICT.c
        out.append(select(c.line).where(
            c.inspection_id == i.id, or_(c.characteristic == wanted.defect, c.cause == wanted.defect)
        ).exists())  # fmt: skip
    return out


def reading_conditions(wanted: Filter) -> list[ColumnElement[bool]]:
    """Return the conditions on single readings."""
    r = s.READING.c
    out: list[ColumnElement[bool]] = []
    for column, values in ((r.hole, wanted.holes), (r.wall, wanted.walls), (r.characteristic, wanted.characteristics)):
        if values:
            out.append(column.in_([plain(v) for v in values]))
    if wanted.gauge:
        out.append(r.gauge == plain(wanted.gauge))
    if wanted.since is not None:
        out.append(r.day >= wanted.since.isoformat())
    if wanted.until is not None:
        out.append(r.day <= wanted.until.isoformat())
    return out


def sets_of_inspections(ids: Sequence[int]) -> Any:
    """Return the question for the reading sets that some inspections rest on, in the order of recording."""
    return (
        _sets().join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == s.READING_SET.c.id)
        .where(s.INSPECTION_SET.c.inspection_id.in_(ids)).order_by(s.READING_SET.c.id)
    )  # fmt: skip


class ReadingSet(NamedTuple):
    """A reading set with its file's name: a row of a large record must be small."""

    id: int
    part: str
    part_said: int
    serial: str
    file_id: int
    readings: int
    name: str
    specification_id: int


def _all_sets(connection: Connection, question: Any) -> list[ReadingSet]:
    """Return the reading sets of a question; equal texts are one."""
    once: dict[str, str] = {}
    rows = connection.execute(question, execution_options={"yield_per": BATCH})
    return [
        ReadingSet(row[0], once.setdefault(row[1], row[1]), row[2], row[3], row[4], row[5],
                   once.setdefault(row[6], row[6]), row[7])
        for row in rows
    ]  # fmt: skip


def _sets() -> Any:
    sets = s.READING_SET.c
    columns = (sets.id, sets.part, sets.part_said, sets.serial, sets.file_id, sets.readings)
    return (
        select(*columns, s.FILE.c.name, s.FILE.c.specification_id)
        .select_from(s.READING_SET)
        .join(s.FILE, s.FILE.c.id == sets.file_id)
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == s.FILE.c.specification_id)
    )


def wanted_sets(wanted: Filter) -> Any:
    """Return the question for the reading sets that are wanted, in the order in which they were recorded."""
    sets = s.READING_SET.c
    question = _sets().where(*set_conditions(wanted))
    if wanted.measured != "all":
        inner = question.add_columns(s.SPECIFICATION.c.kit).subquery()
        pick = func.min if wanted.measured == "first" else func.max
        of_part = (
            select(inner.c.kit, inner.c.part, inner.c.serial, pick(inner.c.file_id).label("file_id"))
            .group_by(inner.c.kit, inner.c.part, inner.c.serial)
            .subquery()
        )
        question = question.join(of_part, and_(
            of_part.c.kit == s.SPECIFICATION.c.kit, of_part.c.part == sets.part, of_part.c.serial == sets.serial,
            of_part.c.file_id == sets.file_id,
        ))  # fmt: skip
    return question.order_by(sets.id)


def span_of(ledger: Ledger, wanted: Filter) -> tuple[int, int, tuple[str, str] | None]:
    """Return how many parts and reading sets are wanted, and their first and last day, None where none is known."""
    sets = wanted_sets(wanted).add_columns(s.READING_SET.c.first_day, s.READING_SET.c.last_day).subquery()
    parts = select(sets.c.part, sets.c.serial).distinct().subquery()
    with ledger.reading() as connection:
        count = int(connection.execute(select(func.count()).select_from(parts)).scalar() or 0)
        number, first, last = connection.execute(
            select(func.count(), func.min(sets.c.first_day), func.max(sets.c.last_day))
        ).one()
    if first is None:
        return count, number, None
    first = max(str(first), wanted.since.isoformat() if wanted.since else "")
    return count, number, (first, min(str(last), wanted.until.isoformat() if wanted.until else str(last)))


BATCH = 5000  #: readings fetched at a time
#: column of the table of readings -> column of the ledger, where each reading has its own
OWN = {
    "hole": "hole", "wall": "wall", "characteristic": "characteristic", "direction": "direction", "trial": "trial",
    "value": "value", "word": "word", "typed": "typed", "unit": "unit", "gauge": "gauge",
    "temperature_c": "temperature_c", "date": "day", "by": "read_by", "note": "note", "sheet": "sheet", "row": "row_no",
    "column": "column_no", "doubt": "doubt",
}  # fmt: skip
NUMBERS = {"direction", "value", "temperature_c"}
WHOLE = {"trial", "row", "column"}
MANY = 500  #: sets named one by one in a question; beyond it a range of ids is walked


def wanted_specification(ledger: Ledger, wanted: Filter) -> Specification:
    """Return the newest recorded text of the one kit that a filter leaves.

    Raises:
        LedgerError: no kit is left, or several.
    """
    question = select(s.SPECIFICATION).where(*specification_conditions(wanted)).order_by(s.SPECIFICATION.c.id)
    rows = ledger.rows(question)
    kits = list(dict.fromkeys(str(row["kit"]) for row in rows))
    if not kits:
        known = ledger.rows(select(s.SPECIFICATION.c.kit, s.SPECIFICATION.c.revision).order_by(s.SPECIFICATION.c.id))
        named = ", ".join(dict.fromkeys(f"{row['kit']} {row['revision']}" for row in known)) or "none yet"
        raise LedgerError(f"ledger {ledger.location.shown}: no kit fits what was asked; recorded kits: {named}")
    if len(kits) > 1:
        raise LedgerError(f"ledger {ledger.location.shown} holds several kits ({', '.join(kits)}); name one")
    return parsed_specification(rows[-1])


def recorded_readings(ledger: Ledger, wanted: Filter = Filter()) -> tuple[Specification, Readings]:
    """Return the kit and the readings that are wanted, as reading the files gives them.

    Raises:
        LedgerError: no kit or several kits are left.
    """
    spec = wanted_specification(ledger, wanted)
    with ledger.reading() as connection:
        sets = _all_sets(connection, wanted_sets(wanted))
        return spec, _of_sets(connection, spec, sets, wanted).readings


def readings_by_parts(ledger: Ledger, wanted: Filter, parts: int) -> Iterator[Readings]:
    """Give the readings that are wanted, so many parts at a time; each part must have been read once only."""
    spec, last = wanted_specification(ledger, wanted), 0
    with ledger.reading() as connection:
        while sets := _all_sets(connection, wanted_sets(wanted).where(s.READING_SET.c.id > last).limit(parts)):
            last = sets[-1].id
            yield _of_sets(connection, spec, sets, wanted).readings


@dataclass(frozen=True, slots=True)
class Base:
    """The readings that count in some inspections, and where they are: set and line of each row (n,), the problems'
    ids, and all sets (with part and serial).
    """

    readings: Readings
    set_of: NDArray[np.int64]
    line_of: NDArray[np.int64]
    problem_ids: tuple[int, ...]
    sets: tuple[Any, ...]


def readings_of_inspections(ledger: Ledger, spec: Specification, ids: Sequence[int]) -> Readings:
    """Return the readings that count in some inspections, all judged by one kit text, each part once."""
    return base_of_inspections(ledger, spec, ids).readings


def base_of_inspections(ledger: Ledger, spec: Specification, ids: Sequence[int]) -> Base:
    """Return the same with where the readings are in the ledger."""
    out, done = s.LEFT_OUT.c, s.ANSWERED.c
    with ledger.reading() as connection:
        sets = _all_sets(connection, sets_of_inspections(ids))
        gone = connection.execute(select(out.set_id, out.reading_line).where(out.inspection_id.in_(ids))).all()
        answered = connection.execute(select(done.problem_id).where(done.inspection_id.in_(ids))).scalars()
        base = _of_sets(connection, spec, sets, Filter(), gone, frozenset(map(int, answered)))
        joins = _joins(connection, spec, ids, sets, gone)
    return replace(base, readings=replace(base.readings, joins=joins)) if joins else base


def _joins(
    connection: Connection, spec: Specification, ids: Sequence[int], sets: Sequence[Any], gone: Sequence[Any]
) -> tuple[Join, ...]:  # fmt: skip
    """Return the rechecks that inspections join, each part's together, with what no longer counts."""
    from holeqc.readings.table import COLUMNS, Join

    c = s.RECHECK.c
    by_id = {int(row.id): row for row in sets}
    chain = connection.execute(select(c.set_id, c.said).where(c.set_id.in_(list(by_id))).order_by(c.id)).all()
    newest = connection.execute(select(c.set_id, c.said).where(c.inspection_id.in_(ids)).order_by(c.id)).all()
    if not newest:
        return ()
    table, places = _table(connection, spec, sets, Filter(), list(COLUMNS))
    key = np.array([int(row[0]) << 32 | int(row[1]) for row in gone], dtype=np.int64)
    out = np.isin(places[0] << 32 | places[1], key)
    again = np.isin(places[0], [int(row[0]) for row in chain])
    found = []
    for set_id, said in newest:
        one = by_id[int(set_id)]
        mine = (table["serial"] == one.serial) & table["part"].isin([one.part, ""])
        three = (table.take(x) for x in (mine & out & ~again, mine & ~out & again, mine & out & again))
        found.append(Join(str(one.part), str(one.serial), str(one.name), str(said), *three))
    return tuple(found)


def _of_sets(
    connection: Connection, spec: Specification, sets: Sequence[Any], wanted: Filter, gone: Sequence[Any] = (),
    answered: frozenset[int] = frozenset(),
) -> Base:  # fmt: skip
    from holeqc.readings.table import COLUMNS, Readings

    table, places = _table(connection, spec, sets, wanted, list(COLUMNS), gone)
    files = sorted({int(row.file_id) for row in sets})
    found = _problems(connection, files, {(str(r.part), str(r.serial)) for r in sets}, answered)
    readings = Readings(table, tuple(p for _, p in found), _sources(connection, files))
    return Base(readings, places[0], places[1], tuple(number for number, _ in found), tuple(sets))


def columns_of_readings(ledger: Ledger, names: Sequence[str], wanted: Filter = Filter()) -> pd.DataFrame:
    """Return some columns only of the readings that are wanted as a frame, for a user; nothing else is fetched."""
    spec = wanted_specification(ledger, wanted)
    with ledger.reading() as connection:
        sets = _all_sets(connection, wanted_sets(wanted))
        return _table(connection, spec, sets, wanted, list(names))[0].frame()


class _Gathered:
    """A text column while it is gathered: codes into distinct texts in order of appearance."""

    def __init__(self, first: Sequence[str] = ()) -> None:
        self.index: dict[str, int] = {text: code for code, text in enumerate(first)}
        self.chunks: list[NDArray[np.integer[Any]]] = []

    def add(self, values: Sequence[str]) -> None:
        index = self.index
        try:
            found = [index[v] for v in values]
        except KeyError:
            for v in dict.fromkeys(values):
                index.setdefault(v, len(index))
            found = [index[v] for v in values]
        self.chunks.append(np.array(found, dtype=np.min_scalar_type(-len(index))))  # most columns say few texts

    def codes(self) -> NDArray[np.integer[Any]]:
        return np.concatenate(self.chunks) if self.chunks else np.empty(0, dtype=np.int8)


def _table(
    connection: Connection, spec: Specification, sets: Sequence[Any], wanted: Filter, names: list[str],
    gone: Sequence[Any] = (),
) -> tuple[Table, NDArray[np.int64]]:  # fmt: skip
    """Return columns of the readings of some sets without those that are ``gone`` (set, line); and set and line of each
    row (2, n).
    """
    several = _measured_twice(sets)
    needed = list(OWN) if several else [n for n in names if n in OWN]  # repeats are numbered by all of them
    texts = {n: _Gathered() for n in needed if n not in NUMBERS | WHOLE}
    numbers: dict[str, list[NDArray[Any]]] = {n: [] for n in needed if n in NUMBERS | WHOLE}
    at: list[NDArray[np.int64]] = []
    show, count = counted("readings fetched", 5 * BATCH), 0
    for rows in _batches(connection, sets, wanted, needed):
        count += len(rows)
        show(count)
        fetched = list(zip(*rows, strict=True))
        at.append(np.array(fetched[:2], dtype=np.int64))
        for name, values in zip(needed, fetched[2:], strict=True):
            if name in texts:
                texts[name].add(values if name != "date" else [v or "" for v in values])
            else:
                numbers[name].append(np.array(values, dtype=np.float64 if name in NUMBERS else np.int32))
    place = np.concatenate(at, axis=1) if at else np.empty((2, 0), dtype=np.int64)
    at.clear()
    number = {int(row.id): k for k, row in enumerate(sets)}
    ids = np.array(sorted(number), dtype=np.int64)
    of_set = np.array([number[int(i)] for i in ids], dtype=np.int32)[np.searchsorted(ids, place[0])]
    file_of = np.array([int(row.file_id) for row in sets], dtype=np.int32)
    order = np.lexsort((place[1], file_of[of_set])) if len(sets) else np.empty(0, dtype=np.int64)
    if gone:
        key = np.array([[int(row[0]) << 32 | int(row[1])] for row in gone], dtype=np.int64).ravel()
        order = order[~np.isin((place[0] << 32 | place[1])[order], key)]
    of_set = of_set[order]
    arrays: dict[str, Any] = {}
    for name in needed:  # one after the other, so that no more than one is there twice
        whole = texts[name].codes() if name in texts else np.concatenate(numbers.pop(name) or [np.empty(0)])
        arrays[name] = whole[order]
        if name in texts:
            texts[name].chunks.clear()
    if several and "trial" in names:
        arrays["trial"] = _number_repeats(arrays, texts, sets, of_set, several)
    build = _builder(spec, sets, of_set, texts)
    return Table({name: build(name, arrays.pop(name, None)) for name in names}), place[:, order]


def _batches(connection: Connection, sets: Sequence[Any], wanted: Filter, names: list[str]) -> Any:
    """Give the readings of some sets in batches: set, line, and the columns asked for."""
    if not sets:
        return
    r = s.READING.c
    ids = np.array([int(row.id) for row in sets], dtype=np.int64)
    conditions = reading_conditions(wanted)
    if ids.size <= MANY:
        conditions.append(r.set_id.in_(ids.tolist()))
    else:
        conditions += [r.set_id >= int(ids.min()), r.set_id <= int(ids.max())]
    complete = ids.size <= MANY or int(ids.max() - ids.min()) + 1 == ids.size
    question = select(r.set_id, r.line, *(r[OWN[n]] for n in names)).where(*conditions).order_by(r.set_id, r.line)
    result = connection.execute(question, execution_options={"yield_per": BATCH})
    keep = set(ids.tolist())
    for rows in result.partitions():
        chosen = rows if complete else [row for row in rows if row[0] in keep]
        if chosen:
            yield chosen


def _builder(spec: Specification, sets: Sequence[Any], of_set: Any, texts: dict[str, _Gathered]) -> Callable[..., Any]:
    from holeqc.readings.draft import TYPES, UNIT_CODES
    from holeqc.readings.table import CHARACTERISTICS
    from holeqc.readings.words import WORDS

    listed: dict[str, Sequence[str]] = {
        "part": [p.name for p in spec.parts], "hole": spec.hole_ids, "wall": spec.walls.names,
        "characteristic": CHARACTERISTICS, "word": WORDS, "unit": UNIT_CODES,
    }  # fmt: skip
    of_sets = {"part": "part", "serial": "serial", "file": "name"}

    def build(name: str, values: Any) -> Any:
        if name in of_sets:
            unsaid = [name == "part" and not row.part_said for row in sets]
            said = [str(getattr(row, of_sets[name])) for row in sets]
            column = Texts.of("" if blank else text for blank, text in zip(unsaid, said, strict=True))
            values, known = column.codes[of_set], list(column.names)
        elif name in texts:
            known = list(texts[name].index)
        else:
            return values.astype(TYPES[name])
        if name == "date":
            days = np.array([np.datetime64(d or "NaT", "s") for d in known] or [], dtype="datetime64[s]")
            return days[values]
        return _as_readers_have_it(values, known, listed.get(name))

    return build


def _as_readers_have_it(values: NDArray[Any], known: Sequence[str], fixed: Sequence[str] | None) -> Texts:
    """Return a text column with the texts that the readers give it: the kit's first, else those that rows say, in the
    order in which they do; '' last.
    """
    first = np.full(len(known), values.size)
    first[values[::-1]] = np.arange(values.size)[::-1]  # of rows that say the same the first one stays
    order = np.argsort(first, kind="stable").tolist()
    names = list(dict.fromkeys([*(fixed or ()), *(known[n] for n in order if known[n]), ""]))
    place = {name: number for number, name in enumerate(names)}
    return Texts(np.array([place[text] for text in known] or [0], dtype=np.int64)[values], names)


def _measured_twice(sets: Sequence[Any]) -> set[tuple[str, str]]:
    """Return the parts whose readings come from more than one file."""
    first: dict[tuple[str, str], int] = {}
    return {
        piece for row in sets
        if first.setdefault(piece := (str(row.part), str(row.serial)), row.file_id) != row.file_id
    }  # fmt: skip


def _number_repeats(
    arrays: dict[str, Any], texts: dict[str, _Gathered], sets: Sequence[Any], of_set: Any, several: set[tuple[str, str]]
) -> Any:  # fmt: skip
    """Return the numbers of the repeats, counted on over the files of a part that was measured in several."""
    piece_index: dict[tuple[str, str], int] = {}
    pieces = [(str(row.part), str(row.serial)) for row in sets]
    piece = np.array([piece_index.setdefault(p, len(piece_index)) for p in pieces], dtype=np.int64)
    twice = np.array([p in several for p in pieces], dtype=np.bool_)
    surface = texts["characteristic"].index.get("surface", -1)
    hole_blank = texts["hole"].index.get("", -1)
    kind_blank = texts["characteristic"].index.get("", -1)
    rows = np.flatnonzero(
        twice[of_set] & (arrays["characteristic"] != surface) & (arrays["hole"] != hole_blank)
        & (arrays["characteristic"] != kind_blank)
    )  # fmt: skip
    _, direction = np.unique(np.nan_to_num(arrays["direction"][rows], nan=-1e9), return_inverse=True)
    key = piece[of_set[rows]]
    for part in (*(arrays[n][rows] for n in ("hole", "wall", "characteristic")), direction, arrays["trial"][rows]):
        part = part.astype(np.int64)
        key = key * (int(part.max(initial=0)) + 1) + part
    order = np.argsort(key, kind="stable")
    new = np.concatenate([[True], key[order][1:] != key[order][:-1]]) if rows.size else np.empty(0, dtype=np.bool_)
    starts = np.flatnonzero(new)
    rank = np.arange(rows.size) - (starts[np.cumsum(new) - 1] if rows.size else 0)
    trial = arrays["trial"].copy()
    trial[rows[order]] += rank.astype(trial.dtype)
    return trial


def _problems(
    connection: Connection, files: list[int], pieces: set[tuple[str, str]], answered: frozenset[int]
) -> list[tuple[int, Problem]]:  # fmt: skip
    """Return the problems that were met while reading these files, of the parts that are wanted, with their ids."""
    table = s.PROBLEM
    question = select(table).where(table.c.stage == "reading", table.c.file_id.is_not(None)).order_by(table.c.id)
    if len(files) <= MANY:
        question = question.where(table.c.file_id.in_(files))
    keep, serials = set(files), {serial for _, serial in pieces}
    found = []
    for row in connection.execute(question).mappings():
        if row["file_id"] in keep and (not row["serial"] or row["serial"] in serials) and row["id"] not in answered:
            given: dict[str, Any] = {theirs: row[ours] for ours, theirs in FIELDS.items()}
            found.append((int(row["id"]), Problem(**(given | {"holds": bool(row["holds"])}))))
    return found


def _sources(connection: Connection, files: list[int]) -> tuple[Source, ...]:
    from holeqc.readings.table import Source

    keep = set(files)
    question = select(s.FILE, s.SPECIFICATION.c.kit, s.SPECIFICATION.c.revision).join(s.SPECIFICATION)
    if len(files) <= MANY:
        question = question.where(s.FILE.c.id.in_(files))
    rows = connection.execute(question.order_by(s.FILE.c.id))
    return tuple(
        Source(str(row.name), str(row.digest), int(row.bytes), str(row.kit), str(row.revision))
        for row in rows if row.id in keep
    )  # fmt: skip


# --------------------------------------------------------------------------------------------------------- judged again


#: takes a kit and its table of readings, gives the table to judge instead
ChangeOfReadings = Callable[["Specification", Table], Table]
MOST = 400  #: parts judged in one go, so that memory stays small


@dataclass(frozen=True, slots=True)
class JudgedAgain:
    """The verdict of one inspection judged again: ``holes`` hole -> verdict, ``why`` hole -> what decides, in words."""

    inspection_id: int
    verdict: str
    pin_verdict: str
    holes: dict[str, str] = field(default_factory=dict)
    why: dict[str, str] = field(default_factory=dict)


def inspection_again(ledger: Ledger, inspection_id: int) -> Inspection:
    """Return an inspection judged again, alone, from its recorded readings and kit text.

    Raises:
        LedgerError: there is no such inspection.
    """
    row = _rows(ledger, [inspection_id])[0]
    spec = stored_specification(ledger, int(row["specification_id"]))
    return _judge(ledger, spec, [inspection_id], None)


def judge_again(ledger: Ledger, ids: Sequence[int], change: ChangeOfReadings | None = None) -> dict[int, JudgedAgain]:
    """Return the verdicts of inspections judged again, with ``change`` made to their readings before.

    Raises:
        LedgerError: one of them isn't there.
    """
    out: dict[int, JudgedAgain] = {}
    with ledger.reading():
        for specification_id, pieces in _rounds(_rows(ledger, ids)):
            spec = stored_specification(ledger, specification_id)
            inspection = _judge(ledger, spec, list(pieces.values()), change)
            out |= _verdicts(inspection, pieces)
    return out


def inspections_again(ledger: Ledger, ids: Sequence[int]) -> Iterator[Inspection]:
    """Give inspections on record judged again, those of one kit text together.

    Raises:
        LedgerError: one of them isn't there.
    """
    with ledger.reading():
        for specification_id, pieces in _rounds(_rows(ledger, ids)):
            yield _judge(ledger, stored_specification(ledger, specification_id), list(pieces.values()), None)


def _rows(ledger: Ledger, ids: Sequence[int]) -> list[dict[str, Any]]:
    i = s.INSPECTION.c
    rows: list[dict[str, Any]] = []
    for some in batches(ids):
        rows += ledger.rows(select(i.id, i.specification_id, i.part, i.serial).where(i.id.in_(some)).order_by(i.id))
    missing = sorted(set(ids) - {int(row["id"]) for row in rows})
    if missing:
        raise LedgerError(f"ledger {ledger.location.shown}: there is no inspection {missing[0]}")
    return rows


def _rounds(rows: Sequence[dict[str, Any]]) -> list[tuple[int, dict[tuple[str, str], int]]]:
    """Return inspections in rounds of one kit text in which no part occurs twice: (part, serial) -> id."""
    rounds: dict[int, list[dict[tuple[str, str], int]]] = {}
    for row in rows:
        key = (str(row["part"]), str(row["serial"]))
        of_kit = rounds.setdefault(int(row["specification_id"]), [])
        free = next((r for r in of_kit if key not in r and len(r) < MOST), None)
        if free is None:
            of_kit.append({key: int(row["id"])})
        else:
            free[key] = int(row["id"])
    return [(kit, pieces) for kit, of_kit in rounds.items() for pieces in of_kit]


def _judge(ledger: Ledger, spec: Specification, ids: Sequence[int], change: ChangeOfReadings | None) -> Inspection:
    from holeqc.inspection import reading_plan as rp
    from holeqc.inspection.recheck import inspect

    readings = readings_of_inspections(ledger, spec, ids)
    if change is not None:
        readings = replace(readings, rows=change(spec, readings.rows))
    found = inspect(spec, readings)
    planned = []
    for number in ids if spec.plan.partial else ():
        row = planned_again(ledger, spec.id, number)
        if row is not None and (row["part"], row["serial"]) in rp.read_in_part(found):
            plan = rp.PartialPlan.of(row["text"], rp.slots_of(spec))
            why = "" if plan.kit_sha256 == spec.digest and plan.code == row["plan"] else "it is of another kit text"
            key = (row["part"], row["serial"])
            planned.append(rp.judged(spec, plan, found, key, row["units"], row["count"], why))
    return rp.with_plans(found, planned)


def _has_plans(ledger: Ledger, kit: str) -> bool:
    c = s.SETTING.c
    return bool(ledger.rows(select(c.id).where(c.name == plain(s.PLAN_RESULT + kit)).limit(1)))


def planned_again(ledger: Ledger, kit: str, inspection_id: int) -> dict[str, Any] | None:
    """Return what a reading plan said of an inspection that it accepted, with the plan's ``text``; None of any other.

    Only what the inspection's own entry brought counts.
    """
    if not ledger.remembered(_has_plans, kit):
        return None
    c, i = s.SETTING.c, s.INSPECTION.c
    asked = select(c.value, c.entry).join(s.INSPECTION, i.entry == c.entry)
    for row in ledger.rows(asked.where(i.id == inspection_id, c.name == plain(s.PLAN_RESULT + kit))):
        found = json.loads(str(row["value"]))
        if found["inspection"] == inspection_id and found["accepted"]:
            of = select(c.value).where(c.name == plain(s.PLAN + kit), c.entry < row["entry"]).order_by(c.id.desc())
            texts = [str(r["value"]) for r in ledger.rows(of)]
            text = next((t for t in texts if hashlib.sha256(t.encode()).hexdigest()[:10].upper() == found["plan"]), "")
            return dict(found) | {"entry": int(row["entry"]), "text": text}
    return None


def _verdicts(inspection: Inspection, pieces: dict[tuple[str, str], int]) -> dict[int, JudgedAgain]:
    out: dict[int, JudgedAgain] = {}
    for part, serial, verdict, pins in inspection.tables["parts"].tuples("part", "serial", "verdict", "pin_verdict"):
        number = pieces.get((plain(part), plain(serial)))
        if number is not None:
            out[number] = JudgedAgain(number, s.VERDICTS[verdict], "" if pins < 0 else s.VERDICTS[pins])
    for part, serial, hole, verdict in inspection.tables["holes"].tuples("part", "serial", "hole", "verdict"):
        number = pieces.get((plain(part), plain(serial)))
        if number in out:
            out[number].holes[hole] = s.VERDICTS[verdict]
    judged = inspection.tables["characteristics"]
    worst_first = np.argsort(-judged["verdict"].astype(np.int64), kind="stable")
    for row in judged.take(worst_first[: int((judged["verdict"] > 0).sum())]).records():
        number = pieces.get((plain(row["part"]), plain(row["serial"])))
        if number in out:
            out[number].why.setdefault(row["hole"], _why(row, inspection.specification.unit))
    return out


def _why(row: Mapping[str, Any], unit: str) -> str:
    wall = "" if row["wall"] == SINGLE_WALL else str(row["wall"])
    name = ", ".join(word for word in (str(row["characteristic"]), wall) if word)
    found = float(row["found"])
    unit = unit_of(str(row["characteristic"]), unit)
    shown = str(row["found_word"]) or (format_length(found, unit, DECIMALS[unit]) if found == found else "")
    return f"{name} {shown}".strip() + f" ({words_of(str(row['cause']))})"
