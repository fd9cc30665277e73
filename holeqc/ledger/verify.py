"""Does the ledger still hold: chain, digests of all rows, guards; the first entry that doesn't is named.

Rows are read in the order of their keys and entries in the order of their numbers, side by side, in slices of entries:
memory stays small, time grows with the rows, and a writer waits for one slice at most.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select, tuple_
from sqlalchemy.exc import SQLAlchemyError

from holeqc.ledger.canonical import BLOCK, FIRST_PREVIOUS, PayloadDigest, entry_hash
from holeqc.ledger.engine import DamagedFileError
from holeqc.ledger.guards import guards_sentence, missing_guards
from holeqc.ledger.schema import (
    DETAILS,
    ENTRY,
    INSPECTION,
    INSPECTION_SET,
    LEDGER_VERSION,
    READING,
    READING_SET,
    VERSION_KNOWN,
    kinds_of,
    parent_of,
)
from holeqc.ledger.times import behind
from holeqc.ledger.values import plain
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement, Connection, Select, Table

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


def faults_of_part(connection: Connection, serial: str) -> list[str]:
    """Return what doesn't hold of everything that decides on a serial number, the first entry at the beginning.

    Looked at are the guards, the chain of all entries, and the digests of all of them but readings of other files: a
    tag or an inspection that was taken out is missed by its entry, whichever that is.
    """
    sets, readings = READING_SET.c, READING.c
    faults = _guards(missing_guards(connection)) + _versions(connection)
    asked = select(sets.entry).where(sets.serial == plain(serial)).distinct()
    mine = {int(row[0]) for row in connection.execute(asked)}
    rests = (
        select(sets.entry).join(INSPECTION_SET, INSPECTION_SET.c.set_id == sets.id)
        .join(INSPECTION, INSPECTION.c.id == INSPECTION_SET.c.inspection_id)
        .where(INSPECTION.c.serial == plain(serial)).distinct()
    )  # fmt: skip
    mine |= {int(row[0]) for row in connection.execute(rests)}
    walk = _Walk(None)
    walk.only = mine
    walk.of_readings = readings.set_id.in_(select(sets.id).where(sets.entry.in_(sorted(mine))))
    walk.last = int(connection.execute(select(func.max(ENTRY.c.seq))).scalar() or 0)
    while walk.seq < walk.last and not walk.first_bad:
        walk.slice(connection, min(walk.last, walk.seq + SLICE))
    return [*walk.faults, *faults]


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
        only: ColumnElement[bool] | None = None,
    ) -> None:  # fmt: skip
        self.table = table
        parent = parent_of(table)
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
            question = question.where(only)
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

    def take(self, seq: int, payload: PayloadDigest) -> tuple[int, int]:
        """Give the rows of an entry to its digest; return how many, and the entry of a row out of place (0: none)."""
        count = 0
        block: list[tuple[Any, ...]] = []
        while self.next is not None and self.next[0] == seq:
            block.append(self.next[1:])
            self.last = self.next[self._key]
            self.next = next(self._rows, None)
            if len(block) == BLOCK:
                count += self._give(block, payload)
                block = []
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
        self.only: set[int] | None = None  #: entries of readings that are looked at, None for all
        self.of_readings: ColumnElement[bool] | None = None
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

    def fault(self, seq: int, what: str) -> None:
        """Note the first entry that doesn't hold."""
        self.first_bad = self.first_bad or seq
        self.faults.append(f"entry {seq}: {what}")

    def slice(self, connection: Connection, to: int) -> None:
        """Verify the next entries up to one."""
        question = select(ENTRY).where(ENTRY.c.seq > self.seq, ENTRY.c.seq <= to).order_by(ENTRY.c.seq)
        entries = [dict(row) for row in connection.execute(question).mappings()]
        streams = [
            _Stream(
                connection, table, self._after[table.name], self.damaged,
                self.of_readings if table is READING else None,
            )
            for table in DETAILS
        ]  # fmt: skip
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
                count, displaced = stream.take(seq, payload)
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
