"""Rechecks on record: joined with the newest readings of their part, as an inspection that says what no longer counts.

The readings that a recheck takes the place of stay where they are; the new inspection rests on both files and lists
which readings of theirs don't count in it, and which problems were answered. Its tags are those of the inspection
before, as far as their holes weren't read again or they are still open; a tag is opened only for what is newly wrong.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import select

from holeqc.inspection.tags import Tag
from holeqc.ledger import schema as s
from holeqc.ledger.read_back import Base, base_of_inspections
from holeqc.ledger.recording import (
    KNOWN,
    NEW,
    REVISION,
    FileRows,
    Recorded,
    RecordedFile,
    Replaced,
    find_same_file,
    lines_of_runs,
    newest_inspections,
    recheck_replaced,
    refuse_other_text,
    refuse_unnamed,
    same_file_note,
    specification_id,
    write_file,
    write_inspections,
)
from holeqc.ledger.resemblance import Pieces, files_on_record, pieces_of, prepare
from holeqc.ledger.schema import storable
from holeqc.ledger.tags import WORKED_ON, TagState, beyond_rework, find_tags, links, speaking_for
from holeqc.problems import LedgerError
from holeqc.quantities import IntArray
from holeqc.tables import joined_tables

if TYPE_CHECKING:
    from holeqc.inspection.recheck import Known
    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import EntryWriter, Ledger
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

Row = dict[str, Any]
Key = tuple[str, str]  #: part and serial number


@dataclass(frozen=True, slots=True)
class Joined:
    """A recheck joined with what is on record: ``of`` inspections by part and serial, ``base`` their readings."""

    inspection: Inspection
    recheck: Readings
    of: dict[Key, int]
    base: Base


def join_with_record(
    ledger: Ledger, spec: Specification, recheck: Readings, corrected: Mapping[int, int] | None = None
) -> Joined:  # fmt: skip
    """Return a recheck joined with the newest readings on record of its parts, and judged.

    ``corrected``: inspection -> the one before it, where the recheck takes the place of one that was recorded.

    Raises:
        LedgerError: nothing is on record of a part, it was recorded in another unit, or its serial number is nearly
            another one and nobody has said whether it is.
    """
    from holeqc.inspection.recheck import inspect, joined, with_parts

    recheck = prepare(ledger, inspect(spec, recheck)).readings
    with ledger.reading() as connection:
        newest = newest_inspections(connection, spec.id, set(recheck.rows["serial"].there()))
    of = {key: newest[key] for key in _keys(spec, recheck, newest)}
    of = {key: (corrected or {}).get(number, number) for key, number in of.items()}
    _refuse_other_unit(ledger, spec, list(of.values()))
    base = base_of_inspections(ledger, spec, list(of.values()))
    recheck = with_parts(spec, base.readings, recheck)

    def known(part: str, serial: str) -> Known:
        return _known_of_tags(ledger, spec, part, serial)

    return Joined(inspect(spec, joined(spec, replace(base.readings, rechecks=(recheck,)), known)), recheck, of, base)


def _keys(spec: Specification, recheck: Readings, newest: Mapping[Key, int]) -> list[Key]:
    """Return part and serial number of what is read again, as they are on record.

    Raises:
        LedgerError: nothing is.
    """
    found = []
    only = spec.parts[0].name if len(spec.parts) == 1 else ""
    for part, serial in dict.fromkeys(recheck.rows.tuples("part", "serial")):
        named = storable(part or only), storable(serial)
        same = [key for key in newest if key[1] == named[1]]
        if named not in newest and (named[0] or len(same) != 1):
            raise LedgerError(
                f"{recheck.sources[0].file} is a recheck of {' '.join(x for x in named if x)}, of which nothing is on "
                "record; record the first sheet first"
            )
        found.append(named if named in newest else same[0])
    return list(dict.fromkeys(found))


def _refuse_other_unit(ledger: Ledger, spec: Specification, ids: Sequence[int]) -> None:
    asked = (
        select(s.SPECIFICATION.c.unit).join(s.INSPECTION, s.INSPECTION.c.specification_id == s.SPECIFICATION.c.id)
        .where(s.INSPECTION.c.id.in_(ids)).distinct()
    )  # fmt: skip
    if others := [str(row["unit"]) for row in ledger.rows(asked) if row["unit"] != spec.unit]:
        raise LedgerError(
            f"the readings on record are in {others[0]} and the kit is now in {spec.unit}: read the whole part anew"
        )


def _known_of_tags(ledger: Ledger, spec: Specification, part: str, serial: str) -> Known:
    from holeqc.inspection.recheck import Known

    holes: dict[str, tuple[str, ...]] = {}
    decided: dict[str, str] = {}
    since: dict[str, str] = {}
    against: dict[str, tuple[str, str]] = {}
    for tag in find_tags(ledger, kit=spec.id, part=part, serial=serial):
        holes |= {tag.number: tag.holes, str(tag.row["printed"]): tag.holes}
        if tag.closed:
            continue
        if tag.disposition in WORKED_ON:
            decided |= {hole: tag.disposition for hole in tag.holes if decided.get(hole) != "repair"}
            since |= {hole: max(since.get(hole, ""), tag.worked_since()) for hole in tag.holes}
        if tag.row["verdict"] == s.VERDICTS[2] and tag.disposition != "repair":
            with ledger.reading() as connection:
                never = beyond_rework(connection, int(tag.row["inspection_id"]), tag.holes)
            other = tag.row["kit_digest"] != spec.digest
            against |= {x: (tag.number, never.get(x, "")) for x in tag.holes if x in never or other}
    return Known(holes, decided, since, against)


def with_bases(ledger: Ledger, spec: Specification, readings: Readings) -> Inspection:
    """Return a run with rechecks judged as it is recorded: each recheck is joined with the newest readings of its part,
    those on record where the run's own first sheet isn't newer.

    Raises:
        LedgerError: as `join_with_record` says.
    """
    from holeqc.inspection.recheck import Known, inspect, joined

    first = prepare(ledger, inspect(spec, replace(readings, rechecks=()))).readings
    alone = [prepare(ledger, inspect(spec, recheck)).readings for recheck in readings.rechecks]
    again = {serial for recheck in alone for serial in recheck.rows["serial"].there()}
    kept = first.rows.take(~first.rows["serial"].isin(again - _fresh_serials(ledger, spec, first)))
    there = set(kept["serial"].there())
    with ledger.reading() as connection:
        newest = newest_inspections(connection, spec.id, again)
        for recheck in alone:
            _, corrected = recheck_replaced(connection, spec, recheck.sources[0], _places(recheck))
            newest = {key: corrected.get(number, number) for key, number in newest.items()}
    known = {key: _known_of_tags(ledger, spec, *key) for key in newest}
    ids = [number for key, number in newest.items() if key[1] not in there]
    base = base_of_inspections(ledger, spec, ids).readings if ids else None
    if base is not None:
        kept = joined_tables([kept, base.rows]).relabelled(0)
        first = replace(
            first, problems=(*first.problems, *(p for p in base.problems if p not in first.problems)),
            sources=(*first.sources, *(x for x in base.sources if x.sha256 not in {y.sha256 for y in first.sources})),
        )  # fmt: skip
    whole = replace(first, rows=kept, rechecks=tuple(alone))
    found = inspect(spec, joined(spec, whole, lambda *key: known.get(key, Known())))
    return replace(found, readings=replace(found.readings, before=readings))


def _places(recheck: Readings) -> set[tuple[str, str]]:
    """Return serial numbers and holes of which a recheck says something."""
    table = recheck.rows
    said = table.take(~np.isnan(table["value"]) | (table["word"] != "") | (table["doubt"] != ""))
    return {(storable(serial), storable(hole)) for serial, hole in said.tuples("serial", "hole")}


def _fresh_serials(ledger: Ledger, spec: Specification, first: Readings) -> set[str]:
    """Return the serial numbers of files that aren't on record yet."""
    old = first.rows["file"].isin(files_on_record(ledger, spec.id, first.sources))
    return set(first.rows["serial"][~old].there())


# ------------------------------------------------------------------------------------------------------------ record


def record_recheck(
    ledger: Ledger, spec: Specification, text: str, recheck: Readings, by: str, when: dt.datetime | None = None
) -> Recorded:  # fmt: skip
    """Record a recheck: its file, and the inspection that joins it with the newest readings of each of its parts.

    Raises:
        LedgerError: as `join_with_record` and `holeqc.ledger.recording.record` say.
    """
    from holeqc.inspection.recheck import inspect

    digest, who = hashlib.sha256(text.encode("utf-8")).hexdigest(), (by, when)
    (source,) = recheck.sources
    refuse_other_text(spec, digest)
    with ledger.transaction() as transaction:
        before, notes = transaction.head[0], list[str]()
        alone = inspect(spec, recheck)
        refuse_unnamed(alone)
        specification = specification_id(transaction, alone, (text, digest), who, notes)
        known = find_same_file(transaction.connection, specification, source)
        if known is not None:
            file = RecordedFile(source.file, source.sha256, KNOWN, known.file_id, known.entry)
            return Recorded(0, 0, (file,), {}, (same_file_note(source, known),))
        replaced, corrected = recheck_replaced(transaction.connection, spec, source, _places(recheck))
        found = join_with_record(ledger, spec, recheck, corrected)
        file, ids = _write(ledger, found, specification, replaced, who)
        return Recorded(before + 1, transaction.head[0], (file,), ids, tuple(notes), found.inspection)


def _write(
    ledger: Ledger, found: Joined, specification: int, replaced: Replaced | None, who: tuple[str, dt.datetime | None]
) -> tuple[RecordedFile, dict[Key, int]]:  # fmt: skip
    """Write the recheck's file and the inspections that join it."""
    from holeqc.inspection.recheck import inspect

    whole, spec, base = found.inspection, found.inspection.specification, found.base
    (source,) = found.recheck.sources
    new = tuple(p for p in whole.readings.problems if p not in base.readings.problems)
    alone = inspect(spec, replace(found.recheck, problems=new))
    mine, pieces = pieces_of(alone), pieces_of(whole)
    rows = FileRows.of(alone, mine, source.file)
    with ledger.transaction() as transaction:
        entry, file_id = write_file(transaction, alone, mine, (source, rows), (specification, replaced), who)
        old, fresh = _rows_of_base(base, pieces), _rows_of_recheck(rows, mine, pieces, len(base.readings.rows))
        gone = [int(x) for p, x in zip(base.readings.problems, base.problem_ids, strict=True)
                if p not in whole.readings.problems]  # fmt: skip

        def more(writer: EntryWriter, ids: IntArray) -> None:
            _write_joins(ledger, writer, found, (old, fresh), (pieces, ids, gone))

        everything = np.ones(len(pieces.names), dtype=np.bool_)
        done = write_inspections(transaction, whole, pieces, (old, fresh), (specification, everything), who, more)
    status = NEW if replaced is None else REVISION
    return RecordedFile(
        source.file, source.sha256, status, file_id, entry, None if replaced is None else replaced.file_id
    ), done  # fmt: skip


def _rows_of_base(base: Base, pieces: Pieces) -> FileRows:
    """Return the readings before as one file's: their sets and lines are on record."""
    place = {(storable(part), storable(serial)): n for n, (part, serial) in enumerate(pieces.names)}
    sets = sorted(base.sets, key=lambda row: int(row.id))
    ids = np.array([int(row.id) for row in sets], dtype=np.int64)
    of = np.array([place[str(row.part) or storable(pieces.only), str(row.serial)] for row in sets], dtype=np.int64)
    return FileRows(
        np.arange(base.set_of.size), np.searchsorted(ids, base.set_of), of, [bool(row.part_said) for row in sets], ids,
        base.line_of,
    )  # fmt: skip


def _rows_of_recheck(rows: FileRows, mine: Pieces, pieces: Pieces, start: int) -> FileRows:
    """Return the rows of a recheck's file where they stand below those before."""
    place = {name: n for n, name in enumerate(pieces.names)}
    of = np.array([place[mine.names[p]] for p in rows.pieces], dtype=np.int64)
    return FileRows(start + rows.rows, rows.set_of, of, rows.said, rows.set_ids, np.arange(rows.rows.size))


def _write_joins(
    ledger: Ledger, writer: EntryWriter, found: Joined, files: tuple[FileRows, FileRows],
    given: tuple[Pieces, IntArray, list[int]],
) -> None:  # fmt: skip
    """Write what each inspection joins, which readings don't count in it, and which problems are answered."""
    pieces, ids, gone = given
    places: dict[int, tuple[int, int]] = {}
    for file in files:
        lines = file.lines if file.lines is not None else np.arange(file.rows.size)
        places |= dict(zip(file.rows.tolist(), zip(file.set_ids[file.set_of].tolist(), lines.tolist(), strict=True),
                           strict=True))  # fmt: skip
    joins = {(join.part, join.serial): join for join in found.inspection.readings.joins}
    number = {(storable(str(a)), storable(str(b))): n for n, (a, b) in enumerate(pieces.names)}
    rows, left, answered = list[Row](), list[tuple[int, int, int]](), list[tuple[int, int]]()
    of_set = dict(zip(files[1].pieces.tolist(), files[1].set_ids.tolist(), strict=True))
    for key, base_id in sorted(found.of.items(), key=lambda one: int(ids[number[one[0]]])):
        piece = number[key]
        inspection, join = int(ids[piece]), joins[pieces.names[piece]]
        rows.append({"inspection_id": inspection, "of_id": base_id, "set_id": of_set[piece], "said": join.of})
        before = ledger.rows(select(s.LEFT_OUT).where(s.LEFT_OUT.c.inspection_id == base_id))
        out = {(int(row["set_id"]), int(row["reading_line"])) for row in before}
        out |= {places[label] for label in (*join.replaced.labels.tolist(), *join.left_out.labels.tolist())}
        left += [(inspection, *place) for place in sorted(out)]
        done = ledger.rows(select(s.ANSWERED.c.problem_id).where(s.ANSWERED.c.inspection_id == base_id))
        answered += [(inspection, n) for n in sorted({*(int(row["problem_id"]) for row in done), *gone})]
    writer.add_mapped(s.RECHECK, rows)
    if left:
        owners, sets, places_left = (list(column) for column in zip(*left, strict=True))
        columns = ["inspection_id", "line", "set_id", "reading_line"]
        writer.add(s.LEFT_OUT, columns, [owners, lines_of_runs(np.array(owners)).tolist(), sets, places_left])
    if answered:
        owners, problems = (list(column) for column in zip(*answered, strict=True))
        columns = ["inspection_id", "line", "problem_id"]
        writer.add(s.ANSWERED, columns, [owners, lines_of_runs(np.array(owners)).tolist(), problems])


def newly_wrong(ledger: Ledger, inspection: Inspection, ids: Mapping[Key, int], tags: Iterable[Tag]) -> list[Tag]:
    """Return the tags of joined inspections that no tag on record speaks of already."""
    kit, known = inspection.specification.id, links(ledger)
    numbers = {(storable(part), storable(serial)): number for (part, serial), number in ids.items()}
    out, there = [], dict[Key, list[TagState]]()
    for tag in tags:
        key = storable(tag.part), storable(tag.serial)
        if key not in there:
            found = find_tags(ledger, kit=kit, part=key[0], serial=key[1])
            speaking = speaking_for(numbers[key], found, known)
            there[key] = [t for t in speaking if not t.closed or (t.disposition and not t.answered)]
        if not any(_covers(old, tag) for old in there[key]):
            out.append(tag)
    return out


def _covers(old: TagState, tag: Tag) -> bool:
    worse = s.VERDICTS.index
    lines = json.loads(str(old.row["content"]) or "{}").get("lines", ())
    faults = {tuple(str(line.get(k, "")) for k in ("hole", "wall", "characteristic", "cause")) for line in lines}
    now = {(line.hole, line.wall, line.characteristic, line.cause) for line in tag.lines}
    if worse(str(old.row["verdict"])) < worse(tag.verdict) or not set(tag.holes) <= set(old.holes):
        return False
    return now <= faults
