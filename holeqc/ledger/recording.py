"""A run of judging into the ledger: the kit's text, the files with every reading, and the verdicts, in one transaction.

A file whose digest is there already under the same kit text adds nothing. A file of the same name that speaks of a part
that the older one speaks of is a new revision of it: the old stays, the new one names it. The same file under a new
revision of the kit is recorded with that revision and names its record under the old one. A file of the same name that
speaks of other parts stands beside the older one, unless it is said to replace it.

A part of which a new file says what is on record, under the same kit text, isn't judged anew: its inspection, tags and
approval stay, whatever is corrected beside it.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import except_, func, select

from holeqc.inspection.results import ACCEPT, listed
from holeqc.ledger import schema as s
from holeqc.ledger.kits import add_specification
from holeqc.ledger.reading_plans import applied, result_rows
from holeqc.ledger.resemblance import Pieces, pieces_of, prepare, write_marks, write_serials
from holeqc.ledger.schema import BLOCK, Stored, batches, days, plain, problem_rows, storable
from holeqc.ledger.tags import COPIED
from holeqc.problems import ERROR, LedgerError, Problem
from holeqc.quantities import IntArray
from holeqc.readings.identities import LONGEST_SERIAL, SERIAL_ALLOWED, serial_fault
from holeqc.readings.table import cell_name
from holeqc.specification.model import SINGLE_WALL
from holeqc.tables import numbered

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from sqlalchemy import Connection, Select
    from sqlalchemy import Table as SqlTable

    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import EntryWriter, Ledger, Transaction
    from holeqc.readings.table import Source
    from holeqc.specification.model import Specification
    from holeqc.tables import Table


# ---------------------------------------------------------------------------------------- parts that can be found again


#: what reading says where a part's serial number or name is missing or wrong
_NO_SERIAL = frozenset({"serial-missing", "bad-serial", "error-cell", "formula-not-calculated"})
_NO_PART = frozenset({"part-missing", "unknown-part"})


def refuse_unnamed(inspection: Inspection) -> None:
    """Refuse parts that nobody could ask for again.

    Raises:
        LedgerError: one has no serial number, one that can be none, or no name where the kit has several parts; all
            are listed, each with the cells that say so.
    """
    several = len(inspection.specification.parts) > 1
    found: list[Problem] = []
    for part, serial in inspection.tables["parts"].tuples("part", "serial"):
        fault = serial_fault(serial) if serial else "there is none"
        if fault:
            found += _problems_of_reading(inspection, part, serial, _NO_SERIAL) or [Problem(
                ERROR, "serial-missing", "a part without a serial number", serial, SERIAL_ALLOWED,
                "Write the serial number into the sheet, or give it with --serial", part=part,
            )]  # fmt: skip
        if several and not part:
            allowed = "parts " + ", ".join(p.name for p in inspection.specification.parts)
            found += _problems_of_reading(inspection, part, serial, _NO_PART) or [Problem(
                ERROR, "part-missing", "the part isn't named", _serial_words(serial), allowed,
                "Write the part into the sheet, or give it with --part", serial=serial,
            )]  # fmt: skip
    if found:
        count = len(dict.fromkeys(found))
        raise LedgerError(
            "nothing was recorded: a part is found again by its serial number, "
            f"{'and by its name, for the kit has several' if several else 'so it needs one'}; "
            f"{count} {'problem' if count == 1 else 'problems'}",
            dict.fromkeys(found),
        )


def _problems_of_reading(inspection: Inspection, part: str, serial: str, codes: frozenset[str]) -> list[Problem]:
    """Return what reading said of a part's serial number or name."""
    problems = inspection.readings.problems
    return [p for p in problems if p.code in codes and p.part in {part, ""} and p.serial in {serial, ""}]


def _serial_words(serial: str) -> str:
    return f"serial {serial[:LONGEST_SERIAL]}" if serial else "no serial number either"


# ------------------------------------------------------------------------------------------------------ files on record


FILES_LISTED = 10  #: so many files are named


@dataclass(frozen=True, slots=True)
class FileOnRecord:
    """The record of the same file under the same kit text; ``replaced_by`` is the entry that replaced it, or None."""

    file_id: int
    entry: int
    replaced_by: int | None


@dataclass(frozen=True, slots=True)
class Replaced:
    """The record of a file that a new one takes the place of, and why."""

    file_id: int
    entry: int
    reason: str


def base_name(file: str) -> str:
    """Return a file's name without its folder, as stored."""
    return storable(PurePath(file).name)


def find_same_file(connection: Connection, specification: int, source: Source) -> FileOnRecord | None:
    """Return the newest record of a file with the same content under the same kit text."""
    newer = s.FILE.alias("newer")
    row = connection.execute(
        select(s.FILE.c.id, s.FILE.c.entry, newer.c.entry.label("replaced_by"))
        .select_from(s.FILE.outerjoin(newer, newer.c.replaces == s.FILE.c.id))
        .where(s.FILE.c.digest == source.sha256, s.FILE.c.specification_id == specification)
        .order_by(s.FILE.c.id.desc()).limit(1)
    ).first()  # fmt: skip
    if row is None:
        return None
    return FileOnRecord(int(row.id), int(row.entry), None if row.replaced_by is None else int(row.replaced_by))


def find_replaced_file(
    connection: Connection, spec: Specification, source: Source, serials: set[str], notes: list[str]
) -> Replaced | None:  # fmt: skip
    """Return the record that a new file takes the place of: the same content under another kit text, else the newest of
    the same name that speaks of one of its ``serials``; None where there is none. Adds what to know to ``notes``.
    """
    same = connection.execute(_standing(spec).where(s.FILE.c.digest == source.sha256)).first()
    if same is not None:
        reason = f"the same file judged under kit {spec.id} revision {spec.revision}"
        return Replaced(int(same.id), int(same.entry), reason)
    base = base_name(source.file)
    others: dict[int, list[str]] = {}
    for row in connection.execute(_standing(spec).where(s.FILE.c.base == base)).all():
        held = _serials(connection, int(row.id))
        if not serials.isdisjoint(held):
            _say_gone(connection, row, serials, notes)
            return Replaced(int(row.id), int(row.entry), f"the file {base} was changed")
        others[int(row.entry)] = sorted(held)
    for entry, held_serials in others.items():
        shown = ", ".join(held_serials[:3]) + (" and others" if len(held_serials) > 3 else "")
        notes.append(
            f"{source.file}: entry {entry} recorded a file of this name that speaks of other parts ({shown}); both "
            f"stand. If this one corrects it, say so by --replaces {entry}"
        )
    return None


def recheck_replaced(
    connection: Connection, spec: Specification, source: Source, places: set[tuple[str, str]]
) -> tuple[Replaced | None, dict[int, int]]:
    """Return the recorded recheck that a new one of its name corrects, None where there is none; and from which
    inspection its parts go on instead of the one that joined it: inspection -> the one before.

    ``places``: serial numbers and holes that the new one reads. One that leaves out a hole is a further recheck under a
    name used before, and so is one after which the part was read once more.
    """
    base, c, r = base_name(source.file), s.RECHECK.c, s.READING.c
    for row in connection.execute(_standing(spec).where(s.FILE.c.base == base)).all():
        joined = connection.execute(
            select(c.inspection_id, c.of_id).join(s.READING_SET, s.READING_SET.c.id == c.set_id)
            .where(s.READING_SET.c.file_id == row.id)
        ).all()  # fmt: skip
        read = connection.execute(
            select(s.READING_SET.c.serial, r.hole).join(s.READING, r.set_id == s.READING_SET.c.id).distinct()
            .where(s.READING_SET.c.file_id == row.id, r.value.is_not(None) | (r.word != "") | (r.doubt != ""))
        ).all()  # fmt: skip
        later = select(c.id).where(c.of_id.in_([one.inspection_id for one in joined]))
        if joined and {(str(a), str(b)) for a, b in read} <= places and connection.execute(later).first() is None:
            why = f"the recheck {base} was changed"
            return Replaced(int(row.id), int(row.entry), why), {int(a): int(b) for a, b in joined}
    return None, {}


def replaced_by_request(
    connection: Connection, spec: Specification, entry: int, serials: set[str], notes: list[str]
) -> Replaced:  # fmt: skip
    """Return the record of a file that somebody says is replaced.

    Raises:
        LedgerError: the entry recorded no file of this kit, or another file took its place already.
    """
    row = connection.execute(_standing(spec).where(s.FILE.c.entry == entry)).first()
    if row is None:  # the entry of an inspection, as `parts` shows it, means the sheet that it rests on
        of = _sheets_of_inspection(connection, spec, entry, serials)
        if len(of) == 1:
            row = connection.execute(_standing(spec).where(s.FILE.c.id == of[0].id)).first()
        elif of:
            names = "; ".join(f"entry {one.entry}: {one.name}" for one in of)
            raise LedgerError(f"entry {entry} judged {len(of)} sheets: {names}; name the one that is corrected by its "
                              "own entry; nothing was recorded")  # fmt: skip
    if row is None:
        why = _why_not(connection, spec, entry)
        raise LedgerError(f"{why}; nothing was recorded. {_listed(connection, spec)}")
    _say_gone(connection, row, serials, notes)
    said = f"said to correct entry {entry}" + ("" if row.entry == entry else f", which judged entry {row.entry}")
    return Replaced(int(row.id), int(row.entry), said)


def _sheets_of_inspection(connection: Connection, spec: Specification, entry: int, serials: set[str]) -> list[Any]:
    """Return the sheets of a kit, no rechecks, that inspections of an entry rest on, those of some parts if any."""
    i, sets, f = s.INSPECTION.c, s.READING_SET.c, s.FILE.c
    asked = (
        select(f.id, f.entry, f.name, sets.serial).distinct().join(s.READING_SET, sets.file_id == f.id)
        .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == sets.id)
        .join(s.INSPECTION, i.id == s.INSPECTION_SET.c.inspection_id)
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == f.specification_id)
        .where(i.entry == entry, s.SPECIFICATION.c.kit == plain(spec.id))
        .where(~select(s.RECHECK.c.id).where(s.RECHECK.c.set_id == sets.id).exists()).order_by(f.id)
    )  # fmt: skip
    rows = connection.execute(asked).all()
    mine = [row for row in rows if str(row.serial) in serials] or rows
    return list({int(row.id): row for row in mine}.values())


def _why_not(connection: Connection, spec: Specification, entry: int) -> str:
    """Return why no file can take the place of the one that an entry recorded."""
    newer = s.FILE.alias("newer")
    row = connection.execute(
        select(s.FILE.c.name, s.SPECIFICATION.c.kit, newer.c.entry.label("by"))
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == s.FILE.c.specification_id)
        .outerjoin(newer, newer.c.replaces == s.FILE.c.id)
        .where(s.FILE.c.entry == entry)
    ).first()
    if row is not None and row.kit != plain(spec.id):
        return f"entry {entry} recorded {row.name} of kit {row.kit}, and this file is of kit {spec.id}"
    if row is not None:
        return f"entry {entry}, {row.name}, is replaced already by entry {row.by}; to correct that: --replaces {row.by}"
    if of := _sheets_of_inspection(connection, spec, entry, set()):
        return _why_not(connection, spec, int(of[0].entry))
    kind = connection.execute(select(s.ENTRY.c.kind).where(s.ENTRY.c.seq == entry)).scalar()
    return f"there is no entry {entry}" if kind is None else f"entry {entry} recorded no file (it is of kind {kind})"


def _listed(connection: Connection, spec: Specification) -> str:
    """Return the newest files of a kit that can be replaced, in a sentence."""
    rows = connection.execute(_standing(spec).limit(FILES_LISTED + 1)).all()
    if not rows:
        return f"No file of kit {spec.id} is recorded"
    more = "; older ones too" if len(rows) > FILES_LISTED else ""
    named = "; ".join(f"entry {row.entry}: {row.name}" for row in rows[:FILES_LISTED])
    return f"Files of kit {spec.id} that stand, newest first: {named}{more}"


def _standing(spec: Specification) -> Select[Any]:
    """Return the question for files of a kit that none has taken the place of, newest first."""
    newer = s.FILE.alias("newer")
    return (
        select(s.FILE.c.id, s.FILE.c.entry, s.FILE.c.name)
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == s.FILE.c.specification_id)
        .where(s.SPECIFICATION.c.kit == plain(spec.id))
        .where(~select(newer.c.id).where(newer.c.replaces == s.FILE.c.id).exists())
        .order_by(s.FILE.c.id.desc())
    )


def _serials(connection: Connection, file_id: int) -> set[str]:
    held = connection.execute(select(s.READING_SET.c.serial).where(s.READING_SET.c.file_id == file_id))
    return {str(row[0]) for row in held}


def _say_gone(connection: Connection, row: Any, serials: set[str], notes: list[str]) -> None:
    gone = sorted(_serials(connection, int(row.id)) - serials)
    if gone:
        notes.append(
            f"{row.name} (entry {row.entry}) also spoke of {', '.join(gone)}, the new one doesn't: their verdicts rest "
            "on a file that was replaced"
        )


# ----------------------------------------------------------------------------------------- differences of two revisions


@dataclass(frozen=True, slots=True)
class ChangedCell:
    """One cell that differs. ``before`` and ``after`` are what was typed, None where the cell held no reading."""

    sheet: str
    cell: str
    serial: str
    hole: str
    wall: str
    characteristic: str
    before: str | None
    after: str | None

    def sentence(self) -> str:
        """Return the change as text for a person."""
        place = ", ".join(p for p in (self.sheet, self.cell) if p)
        wall = "" if self.wall == SINGLE_WALL else self.wall
        what = " ".join(w for w in (self.serial, "hole", self.hole, wall, self.characteristic) if w)
        if self.before is None:
            return f"{place}: added {self.after!r} ({what})"
        if self.after is None:
            return f"{place}: removed {self.before!r} ({what})"
        return f"{place}: {self.before!r} became {self.after!r} ({what})"


CHANGES_LISTED = 20  #: changes that are written out when a revision is recorded

_Key = tuple[str, int, int]
_CellSaid = tuple[str, str, str, str, str]  # serial, hole, wall, characteristic, typed


def differences(ledger: Ledger, file_id: int) -> tuple[ChangedCell, ...]:
    """Return how a recorded file differs from the one that it took the place of, in the order of the sheet.

    A cell whose content is the same but that now speaks of another part, hole or wall counts as changed. The database
    compares; only what differs is fetched.

    Raises:
        LedgerError: the file is not there, or is no revision of another.
    """
    with ledger.reading() as connection:
        row = connection.execute(select(s.FILE.c.replaces).where(s.FILE.c.id == file_id)).first()
        if row is None or row[0] is None:
            raise LedgerError(f"file {file_id} is not recorded, or not as a revision of another")
        before, after = _only_in(connection, int(row[0]), file_id), _only_in(connection, file_id, int(row[0]))
    out = []
    for key in sorted(before.keys() | after.keys()):
        old, new = before.get(key), after.get(key)
        serial, hole, wall, characteristic, _ = new or old or ("",) * 5
        was, now = (None if x is None else x[4] for x in (old, new))
        out.append(ChangedCell(key[0], cell_name(key[1], key[2]), serial, hole, wall, characteristic, was, now))
    return tuple(out)


def sentences(changes: tuple[ChangedCell, ...], name: str, entry: int) -> list[str]:
    """Return the changes of a revision as text: how many cells, and the first of them."""
    many = f"{len(changes)} cells differ"
    count = {0: "no reading differs", 1: "1 cell differs"}.get(len(changes), many)
    head = f"{name}: a new revision of the file of entry {entry}; {count}"
    rest = [f"and {len(changes) - CHANGES_LISTED} more cells"] if len(changes) > CHANGES_LISTED else []
    return [head, *(change.sentence() for change in changes[:CHANGES_LISTED]), *rest]


def _only_in(connection: Connection, file_id: int, other: int) -> dict[_Key, _CellSaid]:
    """Return what cells of one file hold that the other doesn't hold in the same place."""
    found: dict[_Key, _CellSaid] = {}
    for sheet, row, column, *said in connection.execute(except_(_cells(file_id), _cells(other))):
        serial, hole, wall, characteristic, typed = (str(x) for x in said)
        found.setdefault((str(sheet), int(row), int(column)), (serial, hole, wall, characteristic, typed))
    return found


def _cells(file_id: int) -> Select[Any]:
    r, sets = s.READING.c, s.READING_SET.c
    return (
        select(r.sheet, r.row_no, r.column_no, sets.serial, r.hole, r.wall, r.characteristic, r.typed)
        .select_from(s.READING)
        .join(s.READING_SET, sets.id == r.set_id)
        .where(sets.file_id == file_id)
    )


# ---------------------------------------------------------------------------------------------- parts left as they are


def as_recorded(connection: Connection, specification: int, file_id: int, old: int | None) -> dict[int, int]:
    """Return the sets of a file just written that say of their part what is on record: set -> the recorded one.

    Compared with the file ``old`` that it takes the place of, else with each part's newest set under the same kit text
    that stands and is no recheck. Where a sheet stood is no difference; whatever holds the part is.
    """
    sets, f, newer = s.READING_SET.c, s.FILE.c, s.FILE.alias("newer")
    mine = {(str(r.part), str(r.serial)): r for r in connection.execute(
        select(sets.id, sets.part, sets.serial, sets.readings).where(sets.file_id == file_id)
    )}  # fmt: skip
    asked = select(sets.id, sets.part, sets.serial, sets.readings, sets.file_id).join(s.FILE, f.id == sets.file_id)
    asked = asked.where(
        f.specification_id == specification, ~select(s.RECHECK.c.id).where(s.RECHECK.c.set_id == sets.id).exists()
    ).order_by(sets.id)
    if old is not None:
        asked = asked.where(sets.file_id == old)
    else:
        asked = asked.where(
            sets.file_id != file_id, ~select(newer.c.id).where(newer.c.replaces == f.id).exists(),
            sets.serial.in_(select(sets.serial).where(sets.file_id == file_id)),
        )  # fmt: skip
    before = {(str(r.part), str(r.serial)): r for r in connection.execute(asked)}
    pairs = {int(r.id): before[key] for key, r in mine.items() if key in before and r.readings == before[key].readings}
    differ: set[tuple[str, str]] = set()
    numbers = sorted(pairs)
    for new in batches(numbers):
        was = [int(pairs[number].id) for number in new]
        for one, other in ((new, was), (was, new)):
            differ |= {
                (str(r[0]), str(r[1])) for r in connection.execute(except_(_cells_said(one), _cells_said(other)))
            }
    holding = _holding(connection, {file_id, *(int(r.file_id) for r in pairs.values())})
    return {
        number: int(was.id) for number, was in pairs.items()
        if (key := (str(was.part), str(was.serial))) not in differ
        and _holding_part(holding[file_id], key) == _holding_part(holding[int(was.file_id)], key)
    }  # fmt: skip


def _cells_said(sets: Sequence[int]) -> Select[Any]:
    r, of = s.READING.c, s.READING_SET.c
    return (
        select(of.part, of.serial, r.hole, r.wall, r.characteristic, r.direction, r.trial, r.value, r.word, r.unit,
               r.gauge, r.temperature_c, r.day, r.read_by, r.note, r.doubt)
        .join(s.READING_SET, of.id == r.set_id).where(r.set_id.in_(sets))
    )  # fmt: skip


def _holding(connection: Connection, files: set[int]) -> dict[int, set[tuple[str, ...]]]:
    """Return what holds parts of some files: file -> part, serial, code, hole, wall, message; that something is a copy
    was said where it was recorded first."""
    p = s.PROBLEM.c
    out: dict[int, set[tuple[str, ...]]] = {number: set() for number in files}
    asked = select(p.file_id, p.part, p.serial, p.code, p.hole, p.wall, p.message)
    for row in connection.execute(asked.where(p.file_id.in_(files), p.holds == 1, p.code != COPIED)):
        out[int(row[0])].add(tuple(map(str, row[1:])))
    return out


def _holding_part(holding: set[tuple[str, ...]], key: tuple[str, str]) -> set[tuple[str, ...]]:
    return {one[2:] for one in holding if one[0] in ("", key[0]) and one[1] in ("", key[1])}


def files_before(connection: Connection, sets: set[int]) -> tuple[int, ...]:
    """Return the files of some sets and all that they took the place of."""
    older = {int(a): int(b) for a, b in connection.execute(
        select(s.FILE.c.id, s.FILE.c.replaces).where(s.FILE.c.replaces.is_not(None))
    )}  # fmt: skip
    found: set[int] = set()
    wanted = sorted(sets)
    for some in batches(wanted):
        asked = select(s.READING_SET.c.file_id).where(s.READING_SET.c.id.in_(some)).distinct()
        for row in connection.execute(asked):
            file: int | None = int(row[0])
            while file is not None and file not in found:
                found.add(file)
                file = older.get(file)
    return tuple(sorted(found))


def worst_recorded(connection: Connection, specification: int, serials: Sequence[str]) -> dict[tuple[str, str], str]:
    """Return the worst verdict that is on record of parts under a kit text."""
    i = s.INSPECTION.c
    found: dict[tuple[str, str], str] = {}
    for some in batches(serials):
        asked = (
            select(i.part, i.serial, i.verdict, func.count())
            .group_by(i.part, i.serial, i.verdict)
            .where(i.specification_id == specification, i.serial.in_(some))
        )
        for part, serial, verdict, _ in connection.execute(asked):
            key = str(part), str(serial)
            found[key] = max(found.get(key, s.VERDICTS[0]), str(verdict), key=s.VERDICTS.index)
    return found


# ------------------------------------------------------------------------------------------------------------- readings


READINGS_AT_A_TIME = 8 * BLOCK  #: readings turned into rows at a time, so that memory stays small

#: column of the ledger -> column of the table of readings
COLUMNS = {
    "hole": "hole", "wall": "wall", "characteristic": "characteristic", "direction": "direction", "trial": "trial",
    "value": "value", "word": "word", "typed": "typed", "unit": "unit", "gauge": "gauge",
    "temperature_c": "temperature_c", "day": "date", "read_by": "by", "note": "note", "sheet": "sheet", "row_no": "row",
    "column_no": "column", "doubt": "doubt",
}  # fmt: skip


@dataclass(slots=True)
class FileRows:
    """Where one file's readings are in the run's table, and the reading set that each one went to.

    ``rows`` (n,) places in the table, ``set_of`` (n,) number of the set among this file's, ``pieces`` (k,) the piece of
    each set, ``said`` (k,) whether the file names the part, ``set_ids`` (k,) the sets' ids in the ledger. ``lines``
    (n,): each reading's line in its set; None where they are all its lines in order.
    """

    rows: IntArray
    set_of: IntArray
    pieces: IntArray
    said: list[bool]
    set_ids: IntArray
    lines: IntArray | None = None

    @classmethod
    def of(cls, inspection: Inspection, pieces: Pieces, file: str) -> FileRows:
        """Return the rows of a file; sets in order of first appearance."""
        table = inspection.readings.rows
        rows = np.flatnonzero(table["file"] == file)
        part = table["part"]
        number, first = numbered(pieces.of_reading[rows] * len(part.names) + part.codes[rows])
        said = [bool(text) for text in part[rows[first]]]
        return cls(rows, number, pieces.of_reading[rows[first]], said, np.empty(0, dtype=np.int64))

    def take_recorded(self, connection: Connection, file_id: int) -> None:
        """Take the ids of the sets that an earlier run recorded for the same file; they are in the same order."""
        found = connection.execute(
            select(s.READING_SET.c.id).where(s.READING_SET.c.file_id == file_id).order_by(s.READING_SET.c.id)
        )
        self.set_ids = np.array([int(row[0]) for row in found], dtype=np.int64)


def write_file(
    transaction: Transaction, inspection: Inspection, pieces: Pieces, given: tuple[Source, FileRows],
    known: tuple[int, Replaced | None], who: tuple[str, dt.datetime | None],
) -> tuple[int, int]:  # fmt: skip
    """Write one file as one entry; return the entry's number and the file's id. Fills ``set_ids``."""
    source, rows = given
    specification, replaced = known
    table = inspection.readings.rows
    writer = transaction.start("readings", *who)
    (file_id,) = writer.add_mapped(s.FILE, [{
        "specification_id": specification, "name": source.file, "base": base_name(source.file),
        "digest": source.sha256, "bytes": source.bytes,
        "readings": len(rows.rows), "replaces": None if replaced is None else replaced.file_id,
    }])  # fmt: skip
    sets = _sets(table, rows, file_id, pieces.names)
    rows.set_ids = np.array(writer.add_columns(s.READING_SET, sets), dtype=np.int64)
    order = np.argsort(rows.set_of, kind="stable")
    columns = {ours: Stored(table[theirs]) for ours, theirs in COLUMNS.items()}
    for start in range(0, order.size, READINGS_AT_A_TIME):
        some = order[start : start + READINGS_AT_A_TIME]
        values: list[list[Any]] = [rows.set_ids[rows.set_of[some]].tolist(), some.tolist()]
        values += [column.rows(rows.rows[some]) for column in columns.values()]
        writer.add(s.READING, ["set_id", "line", *columns], values)
    problems = [p for p in inspection.readings.problems if p.file == source.file]
    writer.add_mapped(s.PROBLEM, problem_rows(problems, "reading", specification, {source.file: file_id}))
    write_serials(transaction, writer, sets["serial"])
    set_of = np.full(len(table), -1, dtype=np.int64)
    set_of[rows.rows] = rows.set_ids[rows.set_of]
    spec = inspection.specification
    write_marks(writer, storable(spec.id), spec.unit, table, set_of)
    entry = writer.finish(
        replaces=None if replaced is None else replaced.entry, reason="" if replaced is None else replaced.reason
    )
    return entry.seq, file_id


def _sets(
    table: Table, rows: FileRows, file_id: int, names: Sequence[tuple[str, str]]
) -> dict[str, list[Any]]:  # fmt: skip
    """Return the columns of a file's reading sets."""
    count = len(rows.pieces)
    readings = np.bincount(rows.set_of, minlength=count)
    dates = table["date"][rows.rows].astype("datetime64[D]")
    known = ~np.isnat(dates)
    number = dates[known].astype(np.int64)
    first = np.full(count, np.iinfo(np.int64).max)
    last = np.full(count, np.iinfo(np.int64).min)
    np.minimum.at(first, rows.set_of[known], number)
    np.maximum.at(last, rows.set_of[known], number)
    first[last == np.iinfo(np.int64).min] = np.iinfo(np.int64).min  # the number that stands for no day
    parts = [storable(names[piece][0]) for piece in rows.pieces]
    return {
        "file_id": [file_id] * count, "part": parts,
        "part_said": [int(said and bool(part)) for said, part in zip(rows.said, parts, strict=True)],
        "serial": [plain(names[piece][1]) for piece in rows.pieces], "readings": readings.tolist(),
        "first_day": days(first.view("datetime64[D]")), "last_day": days(last.view("datetime64[D]")),
    }  # fmt: skip


# ------------------------------------------------------------------------------------------------------------- verdicts


VERDICTS_AT_A_TIME = 30_000  #: rows turned into lists at a time
_PART = (
    "pin_margin", "pin_uncertainty", "pin_rotation", "pin_dx", "pin_dy", "shift_x", "shift_y", "shift_rotation",
)  # fmt: skip
_HOLE = ("hole", "mating_size", "mating_from", "smallest", "largest", "dx", "dy", "rework", "ream_to")
_CHARACTERISTIC = {
    "hole": "hole", "wall": "wall", "characteristic": "characteristic", "found": "found", "found_word": "found_word",
    "lower": "lower", "upper": "upper", "stated": "stated", "bonus": "bonus", "deviation": "deviation",
    "margin": "left", "uncertainty": "uncertainty", "ratio": "ratio", "probability": "probability", "cause": "cause",
}  # fmt: skip


def write_inspections(
    transaction: Transaction, inspection: Inspection, pieces: Pieces, files: Sequence[FileRows],
    given: tuple[int, NDArray[np.bool_]], who: tuple[str, dt.datetime | None],
    more: Callable[[EntryWriter, IntArray], None] = lambda *_: None,
) -> dict[tuple[str, str], int]:  # fmt: skip
    """Write the verdicts of the pieces in ``given[1]`` (P,) as one entry; return (part, serial) -> inspection's id.

    ``more`` writes what else the entry brings, of the inspections' ids by piece (P,).
    """
    specification, touched = given
    chosen = np.flatnonzero(touched)
    writer = transaction.start("inspection", *who)
    columns = _parts(transaction.connection, inspection, pieces, chosen, specification)
    ids = np.array(writer.add_columns(s.INSPECTION, columns), dtype=np.int64)
    id_of = np.full(len(pieces.names) + 1, -1, dtype=np.int64)  # the last: rows of no piece
    id_of[chosen] = ids
    _write_what_it_rests_on(writer, files, id_of)
    holes, judged = inspection.tables["holes"], inspection.tables["characteristics"]
    of = id_of[pieces.of(holes)]
    _child(writer, s.HOLE_VERDICT, holes, np.flatnonzero(of >= 0), of[of >= 0], dict.fromkeys(_HOLE), None)
    wrong = np.flatnonzero(judged["verdict"] != ACCEPT)
    of = id_of[pieces.of(judged.take(wrong))]
    wrong, of = wrong[of >= 0], of[of >= 0]
    _child(writer, s.CHARACTERISTIC_VERDICT, judged, wrong, of, dict(_CHARACTERISTIC), _deciding(inspection, files))
    judging = inspection.problems[len(inspection.readings.problems) :]
    sources = {source.file for source in inspection.readings.sources}
    loose = [p for p in inspection.readings.problems if p.file not in sources]
    writer.add_mapped(s.PROBLEM, [
        *problem_rows(loose, "reading", specification, {}), *problem_rows(judging, "judging", specification, {}),
    ])  # fmt: skip
    more(writer, id_of[:-1])
    writer.finish()
    return {pieces.names[p]: int(i) for p, i in zip(chosen, ids, strict=True)}


def _parts(
    connection: Connection, inspection: Inspection, pieces: Pieces, chosen: IntArray, specification: int
) -> dict[str, list[Any]]:  # fmt: skip
    """Return the columns of the chosen parts' inspections."""
    spec = inspection.specification
    parts = inspection.tables["parts"]
    stored = dict.fromkeys(_PART) | {"first_day": "first_date", "last_day": "last_date", "readings": None}
    columns = {ours: Stored(parts[theirs or ours]).rows(chosen) for ours, theirs in stored.items()}
    columns["verdict"] = [s.VERDICTS[v] for v in parts["verdict"][chosen].tolist()]
    columns["pin_verdict"] = ["" if v < 0 else s.VERDICTS[v] for v in parts["pin_verdict"][chosen].tolist()]
    names = [pieces.names[p] for p in chosen]
    columns["part"], columns["serial"] = [plain(n[0]) for n in names], [plain(n[1]) for n in names]
    before = newest_inspections(connection, spec.id, {n[1] for n in names})
    columns["follows"] = [before.get((plain(part), plain(serial))) for part, serial in names]
    size = len(names)
    columns["specification_id"] = [specification] * size
    columns["rule"] = [spec.decision.rule] * size
    columns["fixture"] = [plain(spec.fixture)] * size
    return columns


def newest_inspections(connection: Connection, kit: str, serials: set[str]) -> dict[tuple[str, str], int]:
    """Return the newest inspection of each part of a kit: (part, serial) -> id."""
    table = s.INSPECTION
    question = (
        select(table.c.part, table.c.serial, func.max(table.c.id))
        .join(s.SPECIFICATION)
        .where(s.SPECIFICATION.c.kit == plain(kit))
        .group_by(table.c.part, table.c.serial)
    )
    wanted = sorted(plain(serial) for serial in serials)
    if len(wanted) <= 500:  # else one walk over all is quicker than so many names in one question
        question = question.where(table.c.serial.in_(wanted))
    return {(str(part), str(serial)): int(number) for part, serial, number in connection.execute(question)}


def _write_what_it_rests_on(writer: EntryWriter, files: Sequence[FileRows], id_of: IntArray) -> None:
    pairs = [np.column_stack([id_of[f.pieces], f.set_ids]) for f in files if len(f.set_ids)]
    both = np.concatenate(pairs) if pairs else np.empty((0, 2), dtype=np.int64)
    both = both[both[:, 0] >= 0]
    both = both[np.lexsort((both[:, 1], both[:, 0]))]
    names = ["inspection_id", "line", "set_id"]
    writer.add(s.INSPECTION_SET, names, [both[:, 0].tolist(), lines_of_runs(both[:, 0]).tolist(), both[:, 1].tolist()])


def lines_of_runs(owner: IntArray) -> IntArray:
    """Return 0, 1, ... within each run of one owner, shape (n,)."""
    if not owner.size:
        return owner
    new = np.concatenate([[True], owner[1:] != owner[:-1]])
    starts = np.flatnonzero(new)
    return np.arange(owner.size) - starts[np.cumsum(new) - 1]


def _deciding(inspection: Inspection, files: Sequence[FileRows]) -> tuple[IntArray, IntArray]:
    """Return for each row of the readings table the id of its set and its line there, -1 where it is in no file."""
    size = int(inspection.readings.rows.labels.max(initial=-1)) + 1
    size = max([size, *(int(file.rows.max(initial=-1)) + 1 for file in files)])
    sets, lines = np.full(size + 1, -1, dtype=np.int64), np.full(size + 1, -1, dtype=np.int64)
    for file in files:
        sets[file.rows] = file.set_ids[file.set_of]
        lines[file.rows] = np.arange(file.rows.size) if file.lines is None else file.lines
    return sets, lines


def _child(
    writer: EntryWriter, kept: SqlTable, table: Table, chosen: IntArray, owners: IntArray,
    columns: dict[str, str | None], deciding: tuple[IntArray, IntArray] | None,
) -> None:  # fmt: skip
    """Write chosen rows of a table (n,) under their inspections (n,), in the table's order."""
    order = np.argsort(owners, kind="stable")
    chosen, owners = chosen[order], owners[order]
    lines = lines_of_runs(owners)
    stored = {ours: Stored(table[theirs or ours]) for ours, theirs in columns.items()}
    for start in range(0, chosen.size, VERDICTS_AT_A_TIME):
        some = slice(start, start + VERDICTS_AT_A_TIME)
        values = {"inspection_id": owners[some].tolist(), "line": lines[some].tolist()}
        values |= {ours: column.rows(chosen[some]) for ours, column in stored.items()}
        values["verdict"] = [s.VERDICTS[v] for v in table["verdict"][chosen[some]].tolist()]
        if deciding is not None:
            label = table["reading"][chosen[some]]
            for name, where in zip(("set_id", "reading_line"), deciding, strict=True):
                values[name] = [None if v < 0 else v for v in where[label].tolist()]
        writer.add(kept, list(values), list(values.values()))


FEW = 5  #: so many parts are named
NEW, KNOWN, REVISION = "new", "known", "revision"


@dataclass(frozen=True, slots=True)
class RecordedFile:
    """What became of one file: ``status`` new, known (nothing added) or revision of the file ``replaces``."""

    name: str
    digest: str
    status: str
    file_id: int
    entry: int
    replaces: int | None = None


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a run added: entries from ``first`` to ``last`` (0 where none), files, and the inspection of each part."""

    first: int
    last: int
    files: tuple[RecordedFile, ...]
    inspections: dict[tuple[str, str], int]  #: (part, serial) -> id, of the parts that were added
    notes: tuple[str, ...] = ()
    inspection: Inspection | None = None  #: as it was recorded: serial numbers as answered, copies held
    before: tuple[int, ...] = ()  #: files that recorded the readings of parts that were left as they are

    @property
    def added(self) -> bool:
        """Whether anything was added at all."""
        return self.last > 0


def record(
    ledger: Ledger, inspection: Inspection, spec_text: str | bytes, by: str, when: dt.datetime | None = None,
    *, replaces: int | None = None,
) -> Recorded:  # fmt: skip
    """Record a run: kit text, files, readings, verdicts and problems, all of it or nothing.

    ``spec_text`` is the kit file's whole content as it was judged, ``by`` who records, ``when`` the moment (now).
    ``replaces``: number of the entry whose file the run's one new file corrects, where its name doesn't tell. Parts
    whose readings are copies of recorded ones are held first: see `holeqc.ledger.resemblance`.

    Raises:
        LedgerError: a serial number is nearly another one and nobody has said whether it is, the kit text is not the
            one that was judged, a file is named twice, nobody is named, a part has no serial number, ``replaces`` names
            no standing file of the kit, or the database refuses.
    """
    text = spec_text if isinstance(spec_text, str) else spec_text.decode("utf-8")
    digest = hashlib.sha256(text.encode("utf-8")).hexdigest()
    spec = inspection.specification
    refuse_other_text(spec, digest)
    if inspection.readings.before is not None:
        raise LedgerError("the run holds rechecks: record them one by one (holeqc.ledger.rechecks.record_recheck)")
    _refuse_twice(inspection.readings.sources)
    refuse_unnamed(inspection)
    with ledger.transaction() as transaction:
        inspection = with_plans(ledger, inspection)
        write_plans = result_rows(ledger, inspection)
        pieces = pieces_of(inspection)
        before = transaction.head[0]
        notes: list[str] = []
        specification = specification_id(transaction, inspection, (text, digest), (by, when), notes)
        files, rows = _files(transaction, inspection, pieces, (specification, replaces), (by, when), notes)
        touched, unchanged = _touched(transaction, inspection, pieces, (files, rows), specification)
        notes += _left_alone(list(unchanged))
        older = files_before(transaction.connection, set(unchanged.values()))
        ids: dict[tuple[str, str], int] = {}
        if touched.any():
            ids = write_inspections(
                transaction, inspection, pieces, rows, (specification, touched), (by, when),
                lambda writer, numbers: write_plans(writer, numbers, pieces.names),
            )
        head = transaction.head[0]
        for file in files:
            notes += _changes(ledger, file)
    added = head > before
    first, last = (before + 1, head) if added else (0, 0)
    return Recorded(first, last, tuple(files), ids, tuple(notes), inspection, older)


def with_plans(ledger: Ledger, inspection: Inspection) -> Inspection:
    """Return a run as it may be recorded (`prepare`), judged by the plans on record where a part has its lot.

    What this gave is given again as it is while nothing else was recorded.
    """
    from holeqc.inspection.recheck import inspect

    with ledger.reading():
        ready = ledger.ready
        if ready is None or ready[0] != ledger.head() or ready[1] is not inspection:
            if inspection.planned:  # judged by what was on record before
                inspection = inspect(inspection.specification, inspection.readings)
            ledger.ready = ready = ledger.head(), applied(ledger, prepare(ledger, inspection))
    return ready[1]


def _touched(
    transaction: Transaction, inspection: Inspection, pieces: Pieces, given: tuple[list[RecordedFile], list[FileRows]],
    specification: int,
) -> tuple[NDArray[np.bool_], dict[tuple[str, str], int]]:  # fmt: skip
    """Return which pieces (P,) are judged anew, and the others of new files with the set that recorded them before.

    One that is now judged worse than it ever was on record is judged anew whatever its readings.
    """
    connection = transaction.connection
    touched = np.zeros(len(pieces.names), dtype=np.bool_)
    before: dict[int, int] = {}
    for file, held in zip(*given, strict=True):
        if file.status == KNOWN:
            continue
        same = as_recorded(connection, specification, file.file_id, file.replaces)
        for piece, number in zip(held.pieces.tolist(), held.set_ids.tolist(), strict=True):
            touched[piece] |= number not in same
            before[piece] = same.get(number, 0)
    worst = worst_recorded(connection, specification, [storable(pieces.names[p][1]) for p in before])
    verdicts = inspection.tables["parts"]["verdict"]
    for piece in before:
        name = (storable(pieces.names[piece][0]), storable(pieces.names[piece][1]))
        touched[piece] |= name not in worst or int(verdicts[piece]) > s.VERDICTS.index(worst[name])
    return touched, {pieces.names[piece]: old for piece, old in before.items() if not touched[piece]}


def _left_alone(unchanged: Sequence[tuple[str, str]]) -> list[str]:
    if not unchanged:
        return []
    serials = listed([serial for _, serial in unchanged][:FEW]) + (" and others" if len(unchanged) > FEW else "")
    many, whose = ("1 part reads", "its") if len(unchanged) == 1 else (f"{len(unchanged)} parts read", "their")
    return [f"{many} as on record ({serials}): {whose} verdict, tags and approval stay as they are"]


def refuse_other_text(spec: Specification, digest: str) -> None:
    """Refuse a kit's text that isn't the one that was judged by."""
    if spec.digest and spec.digest != digest:
        raise LedgerError(f"kit file {spec.path}: it was changed after it was read; run the check again")


def _refuse_twice(sources: tuple[Source, ...]) -> None:
    first: dict[str, str] = {}
    for source in sources:
        if source.sha256 in first:
            raise LedgerError(f"{source.file} has the same content as {first[source.sha256]}; name it once")
        first[source.sha256] = source.file
    if len({source.file for source in sources}) < len(sources):
        raise LedgerError("two of the files have one name; record them one after the other")


Who = tuple[str, dt.datetime | None]


def specification_id(
    transaction: Transaction, inspection: Inspection, content: tuple[str, str], who: Who, notes: list[str]
) -> int:  # fmt: skip
    """Return the id of the kit's text, recorded now if it is not there yet."""
    spec = inspection.specification
    text, digest = content
    table = s.SPECIFICATION
    same = select(table.c.id, table.c.digest).where(table.c.kit == plain(spec.id))
    same = same.where(table.c.revision == plain(spec.revision))
    known = {str(row.digest): int(row.id) for row in transaction.connection.execute(same)}
    if digest in known:
        return known[digest]
    if known:
        notes.append(
            f"kit {spec.id} revision {spec.revision}: its file was changed without a new revision; it is recorded "
            "beside the one before"
        )
    return add_specification(transaction, replace(spec, digest=digest), text, *who)


def _files(
    transaction: Transaction, inspection: Inspection, pieces: Pieces, given: tuple[int, int | None], who: Who,
    notes: list[str],
) -> tuple[list[RecordedFile], list[FileRows]]:  # fmt: skip
    """Record the files that aren't there yet; ``given``: id of the kit's text, entry that is said to be replaced."""
    connection, spec = transaction.connection, inspection.specification
    specification, said = given
    files, all_rows = [], []
    for source in inspection.readings.sources:
        rows = FileRows.of(inspection, pieces, source.file)
        all_rows.append(rows)
        known = find_same_file(connection, specification, source)
        if known is not None and (said is None or known.replaced_by is None):
            rows.take_recorded(connection, known.file_id)
            files.append(RecordedFile(source.file, source.sha256, KNOWN, known.file_id, known.entry))
            notes.append(same_file_note(source, known))
            continue
        serials = {storable(pieces.names[p][1]) for p in rows.pieces}
        replaced = (
            find_replaced_file(connection, spec, source, serials, notes) if said is None
            else replaced_by_request(connection, spec, said, serials, notes)
        )  # fmt: skip
        entry, number = write_file(transaction, inspection, pieces, (source, rows), (specification, replaced), who)
        old = None if replaced is None else replaced.file_id
        files.append(RecordedFile(source.file, source.sha256, NEW if old is None else REVISION, number, entry, old))
    if said is not None and (new := sum(f.status != KNOWN for f in files)) != 1:
        asked = select(s.FILE.c.id).where(s.FILE.c.entry == said)
        if not connection.execute(asked).first() and not _sheets_of_inspection(connection, spec, said, set()):
            raise LedgerError(f"{_why_not(connection, spec, said)}; nothing was recorded. {_listed(connection, spec)}")
        found = "the file is recorded already" if new == 0 else f"{new} files are new"
        raise LedgerError(f"one new file can replace entry {said}: {found}; nothing was recorded")
    return files, all_rows


def _changes(ledger: Ledger, file: RecordedFile) -> list[str]:
    """Return the differences of a revision as notes; none where the content is the same and only the kit is another."""
    if file.replaces is None:
        return []
    old = ledger.rows(select(s.FILE.c.digest, s.FILE.c.entry).where(s.FILE.c.id == file.replaces))[0]
    if old["digest"] == file.digest:
        return [f"{file.name}: recorded as entry {old['entry']} before, under another text of the kit; judged anew"]
    return sentences(differences(ledger, file.file_id), file.name, int(old["entry"]))


def same_file_note(source: Source, known: FileOnRecord) -> str:
    since = "" if known.replaced_by is None else (
        f" It was replaced by entry {known.replaced_by} since; to go back to it, add --replaces {known.replaced_by}"
    )  # fmt: skip
    return f"{source.file}: recorded before, as entry {known.entry}; nothing was added.{since}"
