"""Does a record still hold: chain, digests of all rows, guards; what is left of a damaged file; seals kept elsewhere.

Rows are read in the order of their keys and entries in the order of their numbers, side by side, in slices of entries:
memory stays small, time grows with the rows, and a writer waits for one slice at most.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from sqlalchemy import bindparam, create_engine, func, or_, select, tuple_
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import NullPool

from holeqc import door, writer
from holeqc.ledger import schema as s
from holeqc.ledger.database import DamagedFileError, guards_sentence, missing_guards
from holeqc.ledger.schema import (
    BLOCK,
    DETAILS,
    ENTRY,
    FIRST_PREVIOUS,
    INSPECTION,
    INSPECTION_SET,
    LEDGER_VERSION,
    READING_SET,
    SET_MARK,
    VERSION_KNOWN,
    PayloadDigest,
    batches,
    behind,
    entry_hash,
    kinds_of,
    parent_of,
    plain,
)
from holeqc.printing import counted
from holeqc.problems import HoleQCError, LedgerError

if TYPE_CHECKING:
    from sqlalchemy import Connection, Select, Table


SLICE = 500  #: entries verified under one reading of the database


@dataclass(frozen=True, slots=True)
class Verified:
    """What verifying found. ``first_bad`` is the number of the first entry that doesn't hold, 0 where all do;
    ``entries`` and ``rows`` count what held up to there.

    ``faults`` say what is wrong, ``notes`` what is worth knowing (clock set back). ``head`` is the hash of the newest
    entry: whoever keeps it elsewhere can prove later that nothing was cut off at the end.
    """

    entries: int
    rows: int
    head: str
    first_bad: int
    faults: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults


def verify(
    reading: Callable[[], AbstractContextManager[Connection]], expected: tuple[int, str] | None = None
) -> Verified:  # fmt: skip
    """Recompute the hash of every entry and the digest of every row, and look whether the guards are in place.

    ``reading`` gives a connection to read with, for one slice after the other; ``expected``: number and hash of an
    entry, noted earlier; it must still be there.
    """
    walk = _Walk(expected)
    with reading() as connection:
        faults = _damage(connection) + _guards(missing_guards(connection))
        last = int(connection.execute(select(func.max(ENTRY.c.seq))).scalar() or 0)
        faults += _versions(connection)
        if not last:
            walk.last = 0
            walk.slice(connection, 0)
    while walk.seq < last and not walk.first_bad:
        try:
            with reading() as connection:
                walk.last = last
                walk.slice(connection, min(last, walk.seq + SLICE))
        except DamagedFileError as error:
            if walk.damaged and not walk.first_bad:
                walk.fault(walk.seq + 1, f"the database can't be read here: {error}")
            elif not walk.damaged:  # from the start, row by row, so that the entries before the damage count
                walk = _Walk(expected, damaged=True)
        except LedgerError as error:
            walk.fault(walk.seq + 1, f"the database can't be read here: {error}")
    if expected is not None and not walk.first_bad and not walk.met:
        walk.fault(expected[0], f"it was noted with hash {expected[1][:12]}...; that entry is not there any more")
    held = min(walk.seq, walk.first_bad - 1) if walk.first_bad else walk.seq
    return Verified(
        held, walk.rows, walk.hash, walk.first_bad, (*walk.faults, *faults), tuple(walk.notes)
    )  # fmt: skip


def faults_of_parts(connection: Connection, serials: Sequence[str]) -> list[str]:
    """Return what doesn't hold of everything that decides on serial numbers, the first entry at the beginning.

    Looked at are the guards, the chain of all entries, and the digests of all of them but readings of other files: a
    tag or an inspection that was taken out is missed by its entry, whichever that is. Of entries whose digest isn't
    asked no row is fetched; that none of theirs was put in later, the order of the rows tells, asked of the database.
    """
    faults = _guards(missing_guards(connection)) + _versions(connection)
    mine = _readings_of(connection, serials)
    walk = _Walk(None)
    walk.only = mine
    walk.asked = select(ENTRY.c.seq).where(or_(ENTRY.c.kind != "readings", ENTRY.c.seq.in_(sorted(mine))))
    walk.last = int(connection.execute(select(func.max(ENTRY.c.seq))).scalar() or 0)
    while walk.seq < walk.last and not walk.first_bad:
        walk.slice(connection, min(walk.last, walk.seq + SLICE))
    return [*walk.faults, *(() if walk.first_bad else _put_in_later(connection, walk.last)), *faults]


def _readings_of(connection: Connection, serials: Sequence[str]) -> set[int]:
    """Return the entries that brought the readings which some parts rest on."""
    sets = READING_SET.c
    mine: set[int] = set()
    for some in batches([plain(serial) for serial in serials]):
        asked = select(sets.entry).where(sets.serial.in_(some)).distinct()
        mine |= {int(row[0]) for row in connection.execute(asked)}
        rests = (
            select(sets.entry).join(INSPECTION_SET, INSPECTION_SET.c.set_id == sets.id)
            .join(INSPECTION, INSPECTION.c.id == INSPECTION_SET.c.inspection_id)
            .where(INSPECTION.c.serial.in_(some)).distinct()
        )  # fmt: skip
        mine |= {int(row[0]) for row in connection.execute(rests)}
    return mine


GLANCE = 20_000  #: rows that are recomputed before something is shown, about a fifth of a second
NEWEST = 100  #: entries at the end that are always looked at
_ROWS_OF_A_PART = 10  #: of an inspection: its own, what it rests on, its holes


def faults_at_a_glance(connection: Connection, serials: Sequence[str]) -> tuple[list[str], str]:
    """Return what doesn't hold of what is shown of some parts, and a note where not all of it was recomputed.

    A record of at most `GLANCE` rows is recomputed as before an approval (`faults_of_parts`). Of a larger one: the
    guards, the versions, that no number is missing among entries, inspections, tags and approvals, the newest entries,
    and those that speak of these parts, but for what brought more than `GLANCE` rows at once.
    """
    last = int(connection.execute(select(func.max(ENTRY.c.seq))).scalar() or 0)
    parts = int(connection.execute(select(func.max(INSPECTION.c.id))).scalar() or 0)
    mine = _rows_of(connection, _readings_of(connection, serials))
    if last + _ROWS_OF_A_PART * parts + sum(mine.values()) <= GLANCE:
        return faults_of_parts(connection, serials), ""
    faults = _guards(missing_guards(connection)) + _versions(connection) + _numbers_missing(connection)
    speak = _rows_of(connection, _speaking_of(connection, serials)) | mine
    looked, rows = [], 0
    for seq in sorted({*speak, *range(max(1, last - NEWEST + 1), last + 1)}, key=lambda n: (n not in speak, -n)):
        rows += speak[seq] if seq in speak else _rows_of(connection, {seq})[seq]
        if rows > GLANCE:
            break
        looked.append(seq)
    walk = _Walk(None)
    if looked:
        walk.alone(connection, sorted(looked))
    left = sum(seq not in looked for seq in speak)
    entries = "1 entry that speaks" if left == 1 else f"{left} entries that speak"
    return [*walk.faults, *faults], (
        f"a record this large isn't recomputed as a whole here{f', nor {entries} of these parts' if left else ''}: "
        "holeqc ledger verify does"
    )


def _speaking_of(connection: Connection, serials: Sequence[str]) -> set[int]:
    """Return the entries that judged parts, or decided on them."""
    i, found = INSPECTION.c, set[int]()
    for some in batches([plain(serial) for serial in serials]):
        mine = select(i.id).where(i.serial.in_(some))
        tags = select(s.TAG.c.id).where(s.TAG.c.serial.in_(some))
        approved = select(s.APPROVAL.c.id).where(s.APPROVAL.c.inspection_id.in_(mine))
        for question in (
            select(i.entry).where(i.serial.in_(some)), select(s.TAG.c.entry).where(s.TAG.c.serial.in_(some)),
            select(s.TAG_EVENT.c.entry).where(s.TAG_EVENT.c.tag_id.in_(tags)),
            select(s.APPROVAL.c.entry).where(s.APPROVAL.c.inspection_id.in_(mine)),
            select(s.WITHDRAWAL.c.entry).where(s.WITHDRAWAL.c.approval_id.in_(approved)),
            select(s.QUESTION_CLOSED.c.entry).where(s.QUESTION_CLOSED.c.approval_id.in_(approved)),
        ):  # fmt: skip
            found |= {int(row[0]) for row in connection.execute(question.distinct())}
    return found


def _rows_of(connection: Connection, entries: set[int]) -> dict[int, int]:
    """Return about how many rows entries brought."""
    rows = dict.fromkeys(entries, _ROWS_OF_A_PART)
    for some in batches(sorted(entries)):
        for column, weight in ((READING_SET, func.sum(READING_SET.c.readings)), (INSPECTION, func.count())):
            asked = select(column.c.entry, weight).where(column.c.entry.in_(some)).group_by(column.c.entry)
            for seq, count in connection.execute(asked):
                rows[int(seq)] += int(count) * (1 if column is READING_SET else _ROWS_OF_A_PART)
    return rows


def _numbers_missing(connection: Connection) -> list[str]:
    """Return which tables lack a row between the first and the last: numbers are given out without a gap."""
    faults = []
    for table in (ENTRY, INSPECTION, s.TAG, s.TAG_EVENT, s.APPROVAL, s.WITHDRAWAL, s.QUESTION_CLOSED):
        key = next(iter(table.primary_key.columns))
        count, last = connection.execute(select(func.count(), func.max(key)).select_from(table)).one()
        if count != (last or 0):
            faults.append(f"table {table.name} lacks a row: {count} are there, and the last has number {last}")
    return faults


def _put_in_later(connection: Connection, last: int) -> list[str]:
    """Return which tables hold rows out of the order of their entries, or of an entry beyond ``last``.

    Not asked of rows that belong to another one, which is asked, nor of marks, which can only make readings doubtful.
    """
    faults = []
    for table in DETAILS:
        if parent_of(table) is None and table is not SET_MARK:
            before = func.lag(table.c.entry).over(order_by=table.c.id).label("before")
            rows = select(table.c.entry, before).subquery()
            wrong = or_(rows.c.before > rows.c.entry, rows.c.entry > last)
            found = connection.execute(select(func.min(rows.c.entry)).where(wrong)).scalar()
            if found is not None:
                faults.append(f"entry {found}: table {table.name} holds a row that it didn't bring")
    return faults


def whole_up_to(connection: Connection, last: int) -> int:
    """Return up to which entry, at most ``last``, all that was recorded is there, in a file of which a piece is gone.

    Rows that can't be read count as lost; the digest of their entry tells.
    """
    walk = _Walk(None, damaged=True)
    walk.slice(connection, last)
    return walk.seq


def _guards(missing: list[str]) -> list[str]:
    said = guards_sentence(missing)
    return [said] if said else []


def _versions(connection: Connection) -> list[str]:
    """Return what differs between the version table and the entries that brought its rows."""
    known: dict[int, tuple[str, str]] = {}
    for row in connection.execute(select(VERSION_KNOWN).order_by(VERSION_KNOWN.c.id)):
        known[int(row.version)] = (str(row.at), str(row.tool))
    there = {int(row.version): (str(row.at), str(row.tool)) for row in connection.execute(select(LEDGER_VERSION))}
    if not known:
        return []  # no entry yet
    wrong = sorted(v for v in {*known, *there} if known.get(v) != there.get(v))
    return [f"the table of versions was changed: version {', '.join(map(str, wrong))}"] if wrong else []


def _damage(connection: Connection) -> list[str]:
    """Return what the database itself finds wrong with its pages, indexes and references."""
    if connection.dialect.name != "sqlite":
        return []
    said = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA integrity_check(3)")]
    loose = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA foreign_key_check")]
    faults = [f"the file is damaged: {' '.join(text.split())}" for text in said if text != "ok"]
    return faults + [f"table {name} names a row that is not there" for name in dict.fromkeys(loose)]


class _Stream:
    """The rows of one table from where the last slice ended, in order of their key, each with its entry's number."""

    def __init__(
        self, connection: Connection, table: Table, after: int | None, damaged: bool,
        only: Select[Any] | None = None,
    ) -> None:  # fmt: skip
        self.table = table
        parent = parent_of(table)
        of = (table if parent is None else parent[0]).c.entry
        if parent is None:
            key = table.c.id
            question = select(table.c.entry, *table.columns)
        else:
            above, column = parent
            key = table.c[column]
            question = select(above.c.entry.label("of_entry"), *table.columns).select_from(
                table.outerjoin(above, above.c.id == key)
            )
        question = question.order_by(*table.primary_key.columns)
        if after is not None:
            question = question.where(key > after)
        if only is not None:
            question = question.where(of.in_(only))
        self._key = [c.name for c in table.columns].index(key.name) + 1
        self._close: Callable[[], None] = lambda: None
        if damaged:
            self._rows: Iterator[Any] = self._as_far_as_can_be(connection, question)
        else:
            result = connection.execute(question, execution_options={"yield_per": BLOCK})
            self._rows, self._close = iter(result), result.close
        self.columns = kinds_of(table)
        self.last = after
        self.next: Any = next(self._rows, None)

    def _as_far_as_can_be(self, connection: Connection, question: Select[Any]) -> Iterator[Any]:
        """Give the rows up to the first that can't be read.

        The driver reads a row ahead and loses the one before the damage, so that one is asked for by itself.
        """
        before: Any = None
        try:
            for row in connection.execute(question, execution_options={"yield_per": 1}):
                before = row
                yield row
            return
        except (SQLAlchemyError, sqlite3.Error):
            pass
        keys = list(self.table.primary_key.columns)
        places = [list(self.table.columns).index(key) + 1 for key in keys]
        while True:
            on = question
            if before is not None:
                on = question.where(tuple_(*keys) > tuple_(*(before[place] for place in places)))
            try:
                before = connection.execute(on.limit(1)).first()
            except (SQLAlchemyError, sqlite3.Error):
                return
            if before is None:
                return
            yield before

    def close(self) -> None:
        self._close()

    def take(self, seq: int, payload: PayloadDigest, show: Callable[[int], None]) -> tuple[int, int]:
        """Give the rows of an entry to its digest; return how many, and the entry of a row out of place (0: none).

        ``show`` is told how many there are after each block.
        """
        count = 0
        block: list[tuple[Any, ...]] = []
        while self.next is not None and self.next[0] == seq:
            block.append(self.next[1:])
            self.last = self.next[self._key]
            self.next = next(self._rows, None)
            if len(block) == BLOCK:
                count += self._give(block, payload)
                block = []
                show(count)
        count += self._give(block, payload)
        if self.next is not None and (self.next[0] is None or self.next[0] < seq):
            return count, int(self.next[0] or seq)
        return count, 0

    def _give(self, block: list[tuple[Any, ...]], payload: PayloadDigest) -> int:
        if block:
            payload.add(self.table.name, self.columns, list(zip(*block, strict=True)))
        return len(block)


class _Walk:
    """Where verifying stands."""

    def __init__(self, expected: tuple[int, str] | None, *, damaged: bool = False) -> None:
        self.expected = expected
        self.damaged = damaged
        self.show = counted("rows recomputed", 20 * BLOCK)
        self.only: set[int] | None = None  #: entries of readings that are looked at, None for all
        self.asked: Select[Any] | None = None  #: entries whose rows are fetched, None for all
        self.last = -1  #: the newest entry, once it is known
        self.met = False
        self.seq = 0
        self.hash = FIRST_PREVIOUS
        self.rows = 0
        self.at = ""
        self.first_bad = 0
        self.faults: list[str] = []
        self.notes: list[str] = []
        self._after: dict[str, int | None] = {table.name: None for table in DETAILS}

    def _show(self, more: int) -> None:
        self.show(self.rows + more)

    def fault(self, seq: int, what: str) -> None:
        """Note the first entry that doesn't hold."""
        self.first_bad = self.first_bad or seq
        self.faults.append(f"entry {seq}: {what}")

    def slice(self, connection: Connection, to: int) -> None:
        """Verify the next entries up to one."""
        question = select(ENTRY).where(ENTRY.c.seq > self.seq, ENTRY.c.seq <= to).order_by(ENTRY.c.seq)
        entries = [dict(row) for row in connection.execute(question).mappings()]
        streams = [
            _Stream(connection, table, self._after[table.name], self.damaged, self.asked)
            for table in DETAILS
        ]
        try:
            for entry in entries:
                self._entry(entry, streams)
                if self.first_bad:
                    return
            if self.seq < to:
                self.fault(self.seq + 1, "it is missing")
            elif to == self.last:
                self._left_over(connection, streams)
        finally:
            for stream in streams:
                self._after[stream.table.name] = stream.last
                stream.close()

    def alone(self, connection: Connection, entries: Sequence[int]) -> None:
        """Verify some entries, in order, each against the one before it."""
        chosen = select(ENTRY).where(ENTRY.c.seq.in_(entries)).order_by(ENTRY.c.seq)
        before = select(ENTRY.c.seq, ENTRY.c.hash).where(ENTRY.c.seq.in_([seq - 1 for seq in entries]))
        hashes = {int(row.seq) + 1: str(row.hash) for row in connection.execute(before)}
        rows = [dict(row) for row in connection.execute(chosen).mappings()]
        self.asked = select(ENTRY.c.seq).where(ENTRY.c.seq.in_(entries))
        streams = [_Stream(connection, table, None, False, self.asked) for table in DETAILS]
        try:
            for row in rows:
                self.seq, self.hash = int(row["seq"]) - 1, hashes.get(int(row["seq"]), FIRST_PREVIOUS)
                self._entry(row, streams)
                if self.first_bad:
                    return
        finally:
            for stream in streams:
                stream.close()

    def _left_over(self, connection: Connection, streams: list[_Stream]) -> None:
        newest = int(connection.execute(select(func.max(ENTRY.c.seq))).scalar() or 0)  # others may write meanwhile
        for stream in streams:
            if stream.next is not None and (stream.next[0] is None or not self.last < stream.next[0] <= newest):
                self.fault(self.last, f"table {stream.table.name} holds a row that no entry brought")

    def _entry(self, entry: dict[str, Any], streams: list[_Stream]) -> None:
        seq = int(entry["seq"])
        if seq != self.seq + 1:
            self.fault(self.seq + 1, "it is missing")
            return
        if entry["previous"] != self.hash:
            self.fault(seq, "it doesn't follow the entry before it: one of the two was changed or exchanged")
            return
        payload = PayloadDigest()
        for stream in streams:
            try:
                count, displaced = stream.take(seq, payload, self._show)
            except (TypeError, ValueError, OverflowError):
                self.fault(seq, f"table {stream.table.name} holds a value of another kind than its column")
                return
            self.rows += count
            if displaced:
                self.fault(displaced, f"table {stream.table.name} holds a row that it didn't bring")
                return
        left_out = self.only is not None and entry["kind"] == "readings" and seq not in self.only
        if not left_out and payload.hexdigest() != entry["payload"]:
            changed = "what it recorded was changed: the digest of its rows is another"
            self.fault(seq, "not all that it recorded can be read any more" if self.damaged else changed)
            return
        if entry_hash(entry) != entry["hash"]:
            self.fault(seq, "it was changed: its hash is another")
            return
        if self.at and behind(str(entry["at"]), self.at):
            why = f" ({entry['reason']})" if entry["reason"] and entry["kind"] == "clock" else ""
            self.notes.append(f"entry {seq}: the clock was set back before it{why}; the numbers give the order")
        self.seq, self.hash, self.at = seq, str(entry["hash"]), str(entry["at"])
        if self.expected is not None and seq == self.expected[0]:
            self.met = self.hash == self.expected[1]


# --------------------------------------------------------------------------------------- what is left of a damaged file


EMPTY_FILE = (
    "the file is there and empty, without one entry. If it held any before, put the last copy of the ledger in its "
    "place; if not, holeqc check ... --record begins it"
)
_HEAD = "the file is damaged or cut short; nothing was recorded."
_DO = (
    "Keep the file as it is and put the last copy of the ledger in its place (holeqc ledger verify says whether a copy "
    "holds and which is its newest entry)"
)


def what_is_left(path: Path) -> str:
    """Return in words how far a damaged file can be read, and what to do. The file is only read."""
    engine = create_engine("sqlite://", creator=lambda: _open(path), poolclass=NullPool)
    try:
        with engine.connect() as connection:
            days = _entries(connection)
            whole = whole_up_to(connection, len(days)) if days else 0
    except (SQLAlchemyError, sqlite3.Error):
        days, whole = [], 0
    finally:
        engine.dispose()
    if not days:
        return f"{_HEAD} How many entries it held can't be found out, since not one can be read. {_DO}"
    if not whole:
        return f"{_HEAD} Not one of the {len(days)} entries that can be found in it is whole. {_DO}"
    first = f"Entries 1 to {whole} are whole" if whole > 1 else "Only entry 1 is whole"
    text = f"{_HEAD} {first}, the last of {days[whole - 1][:16].replace('T', ' ')} UTC; "
    if len(days) > whole:
        rest = f"entries {whole + 1} to {len(days)}" if len(days) > whole + 1 else f"entry {len(days)}"
        text += f"of {rest} something is lost, and "
    return f"{text}whether more came after them can't be told. {_DO}, then record again what came later than that"


def _open(path: Path) -> sqlite3.Connection:
    """Return a connection that only reads and doesn't mind that the file is shorter than it says."""
    connection = sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro&immutable=1", uri=True)
    connection.execute("PRAGMA writable_schema = ON")  # else SQLite refuses a file that is shorter than its pages
    return connection


def _entries(connection: Connection) -> list[str]:
    """Return the moments of the entries that can be read, from the first up to a gap or the damage."""
    moments: list[str] = []
    one = select(ENTRY.c.at).where(ENTRY.c.seq == bindparam("seq"))
    while True:
        try:
            moment = connection.execute(one, {"seq": len(moments) + 1}).scalar()
        except (SQLAlchemyError, sqlite3.Error):
            return moments
        if moment is None:
            return moments
        moments.append(str(moment))


# ---------------------------------------------------------------------------------------------------------------- seals
# Seals: number and digest of the newest entry, kept where who may write to the ledger can't reach.
#
# A chain of digests tells what was changed inside; only a seal kept elsewhere (another disk, a share, a page in a
# binder) tells that entries were cut off at the end, or that the whole ledger was replaced. Every transaction leaves
# one in the folder that the ledger's settings name: a rejection could else be cut off that came after the last
# approval.


SEAL_FORMAT = "holeqc seal 1"
SEAL_FILE = door.Kind("a seal", 200_000)


@dataclass(frozen=True, slots=True)
class Seal:
    """Number and hash of an entry as they were noted, and the file that says so."""

    entry: int
    hash: str
    source: str


def seal_name(entry: int, digest: str) -> str:
    """Return the name of an entry's seal in a folder of seals."""
    return f"seal-{entry:06}-{digest[:8]}.json"


def write_seal(data: dict[str, Any], place: Path) -> Path:
    """Write a seal into a folder under a name of its own, or into a file that isn't there yet; return where.

    Raises:
        LedgerError: it can't be written, or another seal is there.
    """
    path = place / seal_name(int(data["entry"]), str(data["hash"])) if place.is_dir() else place
    if os.path.lexists(path):
        if read_seal(path).hash != data["hash"]:
            raise LedgerError(f"{path}: another seal is there already; it was left as it is")
        return path
    try:
        writer.write_json(path, data, replace=False)
    except HoleQCError as error:
        raise LedgerError(f"the seal can't be written to {place}: {error}") from None
    return path


def read_seal(path: Path) -> Seal:
    """Return a seal from its file.

    Raises:
        LedgerError: it can't be read, or is no seal.
    """
    try:
        data: Any = door.json_values(door.take(path, SEAL_FILE, error=LedgerError).content)
        found = Seal(int(data["entry"]), str(data["hash"]), str(path)) if data["format"] == SEAL_FORMAT else None
    except (LedgerError, ValueError, KeyError, TypeError, RecursionError):
        found = None
    if found is None or found.entry < 1 or len(found.hash) != 64:
        raise LedgerError(f"{path}: is no seal of a ledger, or was changed")
    return found


def read_seals(places: Iterable[Path | str]) -> list[Seal]:
    """Return all seals of files, folders of seals, and packets (also those in a folder), by number of entry.

    Raises:
        LedgerError: a place isn't there, holds no seal, or one of its seals can't be read.
    """
    found: list[Seal] = []
    for place in map(Path, places):
        if place.is_dir():
            patterns = ("seal-*.json", "seal.json", "*/seal.json")
            files = [path for pattern in patterns for path in sorted(place.glob(pattern))]
        else:
            files = [place] if place.exists() else []
        if not files:
            raise LedgerError(f"{place}: there is no seal")
        found += [read_seal(path) for path in files]
    return sorted(found, key=lambda seal: seal.entry)


def broken_seals(connection: Connection, seals: Sequence[Seal]) -> list[str]:
    """Return what seals say is missing or changed, the first entry that is concerned at the beginning."""
    e = s.ENTRY.c
    last = int(connection.execute(select(func.max(e.seq))).scalar() or 0)
    faults, good = [], 0
    for seal in seals:
        there = connection.execute(select(e.hash).where(e.seq == seal.entry)).scalar()
        if there == seal.hash:
            good = max(good, seal.entry)
        elif there is None:
            span = f"entry {seal.entry} is" if last + 1 >= seal.entry else f"entries {last + 1} to {seal.entry} are"
            faults.append(f"{span} missing: sealed by {seal.source}, and the ledger ends at {last}")
        else:
            first = good + 1
            many = f"entries {first} to {seal.entry} or some of them were"
            span = f"entry {first} was" if first == seal.entry else many
            faults.append(f"{span} changed or replaced: sealed by {seal.source} with another digest")
    return faults


def folder_against(connection: Connection, folder: Path) -> list[str]:
    """Return what the seals of a folder say against a ledger: that they are newer than it, or of other entries.

    A seal whose name bears the digest of its entry isn't opened.

    Raises:
        LedgerError: what bears a seal's name can't be read.
    """
    paths = sorted(folder.glob("seal-*.json"))  # before the entries, so that one recorded meanwhile isn't missed
    there = {seal_name(seq, digest) for seq, digest in connection.execute(select(ENTRY.c.seq, ENTRY.c.hash))}
    doubtful = [path for path in paths if path.name not in there]
    return broken_seals(connection, sorted(map(read_seal, doubtful), key=lambda seal: seal.entry))
