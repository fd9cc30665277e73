"""The ledger opened: transactions and entries, declared persons, versions, seals, and copies at another place."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, TypeVar

from sqlalchemy import func, inspect, select, text
from sqlalchemy.exc import SQLAlchemyError

import holeqc
from holeqc.ledger import database as engines
from holeqc.ledger import schema as canonical
from holeqc.ledger import schema as s
from holeqc.ledger.database import (
    APPLICATION_ID,
    Location,
    add_rows,
    create_guards,
    reading,
    refuse_without_guards,
    writing,
)
from holeqc.ledger.schema import (
    BLOCK,
    DETAILS,
    ENTRY,
    LEDGER_VERSION,
    METADATA,
    SETTING,
    SINCE,
    TABLES,
    VERSION_KNOWN,
    behind,
    kinds_of,
    now,
    one_line,
    parent_of,
    plain,
    storable,
    stored,
    tables_of,
)
from holeqc.ledger.verify import (
    EMPTY_FILE,
    SEAL_FORMAT,
    Verified,
    faults_at_a_glance,
    faults_of_parts,
    folder_against,
    verify,
    what_is_left,
    write_seal,
)
from holeqc.printing import recorded, warn
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine, Select, Table

    from holeqc.inspection.results import Inspection


# ----------------------------------------------------------------------------------------------------- declared persons


_T = TypeVar("_T")
_LIKE_DIGITS = str.maketrans("oil", "011")
#: letters that look like Latin ones or digits, as capitals or small (by eye, no standard's list): Cyrillic, Greek,
#: Latin with a stroke or without its dot, Cherokee, Lisu
_LIKE_LATIN = str.maketrans(
    "авекмнорстухіјѕԁԛԝһӏзβεζηικμνορτυχαγłøđħıɡᎠᎡᎢᎥᎪᎫᎬᎳᎷᎻᏀᏃᏒᏙᏚᏞᏟᏢᏦᏴꓐꓑꓓꓔꓖꓗꓙꓚꓜꓝꓟꓠꓡꓢꓣꓦꓧꓪꓫꓬꓮꓰꓲꓳꓴ",
    "abekmhopctyxijsdqwhl3bezhikmnoptuxaylodhigdrtiajewmhgzrvslcpkbbpdtgkjczfmnlsrvhwxyaeiou",
)


def plain_letters(text: str) -> str:
    """Return a text in small Latin letters where it can: full-width forms, accents, look-alikes of other alphabets."""
    if text.isascii():
        return text.lower()
    folded = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).casefold())
    return "".join(sign for sign in folded if not unicodedata.combining(sign)).translate(_LIKE_LATIN)


def folded_name(name: str) -> str:
    """Return a name so that small differences of typing don't make another person: case, marks between, leading zeros,
    and in a word with digits O for 0, I and l for 1.
    """
    text = plain_letters(name)
    words = ["".join(sign for sign in word if sign.isalnum()) for word in re.split(r"[\s._/-]+", text)]
    words = [w.translate(_LIKE_DIGITS) if any(sign.isdigit() for sign in w) else w for w in words if w]
    return re.sub(r"(?<!\d)0+(?=\d)", "", " ".join(words))


#: words that people type before a person's number
_BEFORE_A_NUMBER = frozenset((
    "badge", "bench", "employee", "id", "inspector", "no", "nr", "number", "operator", "person", "stamp", "tech",
    "technician",
))  # fmt: skip


def who_of(name: str) -> str:
    """Return who a name stands for where the same person may not act twice: bench 17, no 17 and #17 are 17."""
    words = folded_name(name).split()
    return words[-1] if words and words[-1].isdigit() and _BEFORE_A_NUMBER.issuperset(words[:-1]) else " ".join(words)


ADDED, KEY, REMOVED = s.PERSON_ACTS


@dataclass(frozen=True, slots=True)
class Person:
    """A declared person: name as declared, role, public key ('' where none), who declared it, the entry, and who put
    its key on record.
    """

    name: str
    role: str
    public_key: str
    added_by: str
    entry: int
    key_by: str = ""


def declared_persons(connection: Connection) -> dict[str, Person]:
    """Return the persons that are declared and not removed, in the order of their entries: folded name -> person."""
    p, e = s.PERSON.c, s.ENTRY.c
    asked = select(*s.PERSON.columns, e.made_by).join(s.ENTRY, e.seq == p.entry).order_by(p.id)
    found: dict[str, Person] = {}
    for row in connection.execute(asked).mappings():
        folded, before = str(row["folded"]), found.get(str(row["folded"]))
        if row["act"] == REMOVED:
            found.pop(folded, None)
        elif row["act"] == ADDED:
            found[folded] = Person(
                str(row["name"]), str(row["role"]), before.public_key if before else "", str(row["made_by"]),
                int(row["entry"]), before.key_by if before else "",
            )  # fmt: skip
        elif before is not None:
            found[folded] = replace(before, public_key=str(row["public_key"]), key_by=str(row["made_by"]))
    return found


def refuse_unknown_person(connection: Connection, by: str, shown: str) -> None:
    """Refuse who isn't declared, where anybody is.

    Raises:
        LedgerError: persons are declared and this one isn't.
    """
    known = declared_persons(connection)
    if known and folded_name(by) not in known:
        names = ", ".join(f"{p.name} ({p.role})" for p in known.values())
        raise LedgerError(
            f"ledger {shown} knows no person {by!r}; declared are {names}. Nothing was recorded; holeqc person add "
            "declares one"
        )


# ------------------------------------------------------------------------------------------------------------- versions
# Versions of the schema: each step and its record go in one transaction, so a ledger is of one version or the next.
#
# A step that changes a table of `schema` gets the number after the last; the version it starts from is then written out
# in the step before it, so that an old ledger still walks every step. Before a step the guards of the older version
# must stand. From version 2 on a ledger that holds entries is given one more, which brings the version's row and what
# the new tables hold of older entries. Kits recorded before version 2 are not released by it: two persons do that once,
# by ``holeqc kit release``; approvals given before stand.


Step = Callable[["Connection"], None]
Index = Callable[["Transaction", "EntryWriter"], None]


def _first(connection: Connection) -> None:
    METADATA.create_all(connection, tables=list(tables_of(1)), checkfirst=False)
    create_guards(connection, tables_of(1))
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")


def _newer_tables(version: int) -> Step:
    def step(connection: Connection) -> None:
        METADATA.create_all(connection, tables=list(SINCE[version]), checkfirst=False)
        create_guards(connection, SINCE[version])

    return step


STEPS: list[tuple[int, Step]] = [(1, _first), *((version, _newer_tables(version)) for version in (2, 3))]


def version_of(connection: Connection) -> int:
    """Return the version of the schema, 0 where there is no ledger yet.

    Raises:
        LedgerError: an SQLite file that belongs to something else.
    """
    tables = set(inspect(connection).get_table_names())
    if LEDGER_VERSION.name not in tables:
        if connection.dialect.name == "sqlite" and tables:
            named = ", ".join(sorted(tables)[:3])
            raise LedgerError(f"the file holds tables of something else ({named}); it is no ledger")
        return 0
    return int(connection.execute(select(func.max(LEDGER_VERSION.c.version))).scalar() or 0)


def bring_up_to_date(
    engine: Engine, location: Location, index: Index, *, create: bool, born_as: Mapping[int, Mapping[str, Any]]
) -> None:
    """Make a ledger that isn't there yet (if ``create``) and take an older one to this version, step by step.

    ``index`` writes what version 2 keeps of the readings on record; ``born_as``: version -> row of the version table
    for a new ledger that is the copy of another.

    Raises:
        LedgerError: the ledger is newer than this holeqc, or there is none and none is to be made.
    """
    newest = STEPS[-1][0]
    with reading(engine, location) as connection:
        version = version_of(connection)
    if version == newest:
        return
    if version > newest:
        raise _newer(version, newest, location)
    if not version and not create:
        raise no_ledger(location)
    for number, step in STEPS:
        with writing(engine, location) as connection:
            # looked at again under the lock: another may have done it meanwhile
            version = version_of(connection)
            if version > newest:
                raise _newer(version, newest, location)
            if version >= number:
                continue
            if version:
                refuse_without_guards(connection, tables_of(version), location.shown)
            try:
                step(connection)
            except SQLAlchemyError as error:
                raise LedgerError(
                    f"ledger {location.shown}: the step from version {version} to {number} failed; nothing was "
                    f"changed: {error}"
                ) from error
            row = dict(born_as.get(number, {"version": number, "at": now()[0], "tool": holeqc.__version__}))
            connection.execute(LEDGER_VERSION.insert(), [row])
            if number >= 2:
                _bring_entries_up_to_date(connection, number, index)


def _bring_entries_up_to_date(connection: Connection, number: int, index: Index) -> None:
    """Write the entry that takes older entries to a version; nothing where the ledger holds none."""

    transaction = Transaction(connection)
    if not transaction.head[0]:
        return
    writer = transaction.start(VERSION_ENTRY, "holeqc", any_time=True)
    if number == 2:
        index(transaction, writer)
    writer.add_versions()
    writer.finish(reason=f"the ledger was taken to version {number}")


def _newer(version: int, newest: int, location: Location) -> LedgerError:
    return LedgerError(
        f"ledger {location.shown} is of version {version}; this holeqc ({holeqc.__version__}) knows versions up to "
        f"{newest}. Nothing was read or written: install the newer holeqc"
    )


def no_ledger(location: Location) -> LedgerError:
    """Return the error for a place where no ledger is."""
    return LedgerError(f"ledger {location.shown}: there is no ledger here yet; holeqc check ... --record makes one")


Rows = Mapping[str, Sequence[Mapping[str, Any]]]  #: table -> rows, each column -> value
_TYPED = ("note", "authority", "role", "certificate", "gauge", "fixture", "bushing")  #: columns that people type
VERSION_ENTRY = "version"  #: kind of the entry that takes a ledger to a newer version; holeqc's own
CLOCK = "clock"  #: kind of the entry that says why the clock was set back
SEALED = "Sealed: "  #: begins what is said of a seal that was left
SEALS = "seals"  #: name of the setting that holds the folder of seals
MOVED, CONTINUED = "moved", "continued"  #: kinds of the entries that close a ledger and go on with its copy
_PLACE = {table.name: place for place, table in enumerate(DETAILS)}


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry that was written: its number, its hash, and the ids that its rows got (tables with an ``id``)."""

    seq: int
    hash: str
    at: str
    ids: dict[str, list[int]] = field(default_factory=dict)


class EntryWriter:
    """One entry while it is being written; rows first, `finish` last."""

    def __init__(self, transaction: Transaction, kind: str, by: str, when: dt.datetime | None) -> None:
        self._transaction = transaction
        self.seq = transaction.head[0] + 1
        self.at, offset = now() if when is None else stored(when)
        self._row: dict[str, Any] = {
            "seq": self.seq, "kind": kind, "at": self.at, "offset_minutes": offset, "made_by": plain(by),
            "tool": holeqc.__version__, "previous": transaction.head[1],
        }  # fmt: skip
        self._payload = canonical.PayloadDigest()
        self._place = -1
        self.ids: dict[str, list[int]] = {}

    def add(self, table: Table, columns: Sequence[str], values: Sequence[Sequence[Any]]) -> None:
        """Write rows given column by column, shape (columns, rows); values as both databases keep them.

        Tables must come in the order of `schema.DETAILS`, rows in the order of their key.
        """
        if _PLACE[table.name] < self._place:
            raise LedgerError(f"rows of {table.name} must come before those of {DETAILS[self._place].name}")
        self._place = _PLACE[table.name]
        engines.add_rows(self._transaction.connection, table, columns, values)
        kinds = kinds_of(table)
        self._payload.add(table.name, {name: kinds[name] for name in columns}, values)

    def add_mapped(self, table: Table, rows: Sequence[Mapping[str, Any]]) -> list[int]:
        """Write rows given as mappings; ``id`` and ``entry`` are filled in, what is left out is '' or NULL."""
        if not rows:
            return []
        known = {c.name: c for c in table.columns}
        strange = {name for row in rows for name in row} - set(known)
        if strange:
            raise LedgerError(f"table {table.name} has no column {', '.join(sorted(strange))}")
        filled: dict[str, Sequence[Any]] = {}
        ids: list[int] = []
        if "id" in known:
            ids = list(self._transaction.take_ids(table, len(rows)))
            filled["id"] = ids
            self.ids.setdefault(table.name, []).extend(ids)
        if parent_of(table) is None:
            filled["entry"] = [self.seq] * len(rows)
        for name, column in known.items():
            if name not in filled:
                missing = "" if column.server_default is not None else None
                filled[name] = [plain(row.get(name, missing)) for row in rows]
        self.add(table, list(filled), list(filled.values()))
        return ids

    def add_columns(self, table: Table, given: Mapping[str, Sequence[Any]]) -> list[int]:
        """Write rows of stored values, column -> (rows,), all columns but ``id`` and ``entry``; return the ids."""
        size = len(next(iter(given.values())))
        ids = list(self._transaction.take_ids(table, size))
        self.ids.setdefault(table.name, []).extend(ids)
        full = {"id": ids, "entry": [self.seq] * size, **given}
        self.add(table, list(full), list(full.values()))
        return ids

    def add_versions(self) -> None:
        """Bring the rows of the version table, so that the digests cover them; the last rows of an entry."""
        connection = self._transaction.connection
        known = {
            row.version: (row.at, row.tool)
            for row in connection.execute(select(VERSION_KNOWN).order_by(VERSION_KNOWN.c.id))
        }
        rows = connection.execute(select(LEDGER_VERSION).order_by(LEDGER_VERSION.c.version)).mappings()
        self.add_mapped(VERSION_KNOWN, [
            dict(row) for row in rows if known.get(row["version"]) != (row["at"], row["tool"])
        ])  # fmt: skip

    def finish(self, *, replaces: int | None = None, reason: str = "") -> Entry:
        """Write the entry's own row and return it; the first entry of a ledger brings its version too."""
        if self.seq == 1:
            self.add_versions()
        row = self._row | {"replaces": replaces, "reason": plain(reason), "payload": self._payload.hexdigest()}
        row["hash"] = canonical.entry_hash(row)
        self._transaction.connection.execute(ENTRY.insert(), [row])
        self._transaction.unfinished = False
        self._transaction.head = (self.seq, row["hash"])
        self._transaction.kind, self._transaction.reason, self._transaction.at = row["kind"], row["reason"], row["at"]
        return Entry(self.seq, row["hash"], row["at"], self.ids)


class Transaction:
    """The one writer's hold on the ledger."""

    def __init__(self, connection: Connection, shown: str = "") -> None:
        self.connection = connection
        self.shown = shown
        self.head: tuple[int, str] = (0, canonical.FIRST_PREVIOUS)
        self.kind = self.reason = self.at = ""  #: of the newest entry
        self.refresh()
        self._next: dict[str, int] = {}
        self.unfinished = False  #: an entry was started; rows of one that broke must not come in

    def refresh(self) -> None:
        """Look again which entry is the newest."""
        e = ENTRY.c
        last = self.connection.execute(select(e.seq, e.hash, e.kind, e.reason, e.at).order_by(e.seq.desc()).limit(1))
        if (row := last.first()) is not None:
            self.head = int(row.seq), str(row.hash)
            self.kind, self.reason, self.at = str(row.kind), str(row.reason), str(row.at)

    def take_ids(self, table: Table, count: int) -> range:
        """Return the next numbers of a table, without a gap after those that are there."""
        if table.name not in self._next:
            self._next[table.name] = int(self.connection.execute(select(func.max(table.c.id))).scalar() or 0) + 1
        first = self._next[table.name]
        self._next[table.name] = first + count
        return range(first, first + count)

    def start(self, kind: str, by: str, when: dt.datetime | None = None, *, any_time: bool = False) -> EntryWriter:
        """Start an entry; nothing else may be written until it is finished.

        ``any_time``: it may be older than the newest one, as an entry that says why the clock was set.

        Raises:
            LedgerError: nobody is named, or in several lines, or somebody who isn't declared; the clock shows a moment
                before the newest entry; or an entry before it was left unfinished.
        """
        if self.unfinished:
            raise LedgerError("an entry of this transaction was left unfinished; nothing more is recorded in it")
        if not by.strip():
            raise LedgerError('say who records: a role or a number is enough (--by "bench 2")')
        one_line(by.strip(), "who records (--by)", tabs=True)
        if kind != VERSION_ENTRY:
            refuse_unknown_person(self.connection, by.strip(), self.shown)
        writer = EntryWriter(self, kind, by.strip(), when)
        if not any_time and self.at and behind(writer.at, self.at):
            raise LedgerError(
                f"the clock here says {writer.at[:16].replace('T', ' ')} UTC, before the newest entry "
                f"({self.head[0]}, {self.at[:16].replace('T', ' ')}). Nothing was recorded. Set the clock right; if "
                "the clock of that entry was wrong, say so first: holeqc ledger clock --by WHO --reason TEXT"
            )
        self.unfinished = True
        return writer


class Ledger:
    """A ledger at its place. Use as a context manager, or call `close`."""

    def __init__(
        self, location: Location, index: Index, *, create: bool = True, wait_seconds: float = engines.WAIT_SECONDS,
        like: Ledger | None = None,
    ) -> None:  # fmt: skip
        """``index`` writes what an older ledger lacks of its readings; ``like``: a new one is made as of the versions
        of this one.
        """
        self.location = location
        self.wait_seconds = wait_seconds
        if location.path is not None and not create:
            if not location.path.exists():
                raise no_ledger(location)
            if not location.path.stat().st_size:
                raise LedgerError(f"ledger {location.shown}: {EMPTY_FILE}")
        self.engine = engines.make_engine(location, wait_seconds=wait_seconds)
        self._transaction: Transaction | None = None
        self._reader: Connection | None = None
        self._known: dict[tuple[object, ...], Any] | None = None  #: answers of the moment that is read
        self.ready: tuple[tuple[int, str], Inspection] | None = None  #: newest entry, and a run as recorded after it
        with self.telling_what_is_left():
            rows = like.rows(select(LEDGER_VERSION)) if like is not None else []
            born_as = {int(row["version"]): row for row in rows}
            bring_up_to_date(self.engine, location, index, create=create, born_as=born_as)

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:  # fmt: skip
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    # ------------------------------------------------------------------------------------------------------ write

    @contextlib.contextmanager
    def transaction(self, *, closed: bool = False) -> Iterator[Transaction]:
        """Hold the ledger for writing: everything inside comes in together at the end, or nothing of it.

        Inside another transaction of this ledger it joins that one. Where a folder of seals is named, a seal is left
        there once they came in. ``closed``: also where the ledger moved.

        Raises:
            LedgerError: a guard of the ledger doesn't stand, it moved, a seal speaks against it, or another writer
                didn't finish in time.
        """
        if self._transaction is not None:
            yield self._transaction
            return
        before = after = 0
        with engines.writing(self.engine, self.location, self.wait_seconds) as connection:
            refuse_without_guards(connection, TABLES, self.location.shown)
            self._transaction = Transaction(connection, self.location.shown)
            try:
                before = self._transaction.head[0]
                if self._transaction.kind == MOVED and not closed:
                    raise LedgerError(
                        f"ledger {self.location.shown} is closed: since entry {self._transaction.head[0]} it goes on "
                        f"in {self._transaction.reason}. Nothing was recorded; name that place (--ledger or "
                        "HOLEQC_LEDGER)"
                    )
                if not closed:
                    self.refuse_other_seals()
                yield self._transaction
                if self._transaction.unfinished:
                    raise LedgerError("an entry of this transaction was left unfinished; nothing is recorded")
                after = self._transaction.head[0]
            finally:
                self._transaction = None
        if after > before:
            recorded(before + 1, after)
            if (left := self.leave_seal("entries")) and not left.startswith(SEALED):
                warn(left)

    def entry(
        self, kind: str, by: str, rows: Rows | None = None, *, when: dt.datetime | None = None,
        replaces: int | None = None, reason: str = "", any_time: bool = False,
    ) -> Entry:  # fmt: skip
        """Write one entry and the rows that it brings; a transaction of its own unless one is open.

        ``rows``: table's name -> rows as mappings column -> value. ``id`` and ``entry`` are filled in; the ids that
        were given are in the result. ``replaces``: the entry that this one corrects, with the reason.

        Raises:
            LedgerError: a table or column that isn't there, nobody named, a correction without a reason, a line
                break or control character in what a person typed.
        """
        given = dict(rows or {})
        strange = set(given) - set(_PLACE)
        if strange:
            raise LedgerError(f"the ledger has no table {', '.join(sorted(strange))} to add to")
        if replaces is not None and not reason.strip():
            raise LedgerError(f"say why entry {replaces} is replaced: a correction needs its reason")
        one_line(reason.strip(), "reason", tabs=True)
        for row in (row for rows_ in given.values() for row in rows_):
            for column in _TYPED:
                if isinstance(text := row.get(column), str):
                    one_line(storable(text.strip()), column, tabs=True)
        with self.transaction() as transaction:
            writer = transaction.start(kind, by, when, any_time=any_time)
            for name in sorted(given, key=_PLACE.__getitem__):
                writer.add_mapped(METADATA.tables[name], given[name])
            return writer.finish(replaces=replaces, reason=reason.strip())

    def clock_was_set(self, by: str, reason: str) -> Entry:
        """Record why the clock shows a moment before the newest entry; entries go on from here.

        Raises:
            LedgerError: no reason, or the clock shows no such moment.
        """
        if not reason.strip():
            raise LedgerError("say why: the clock that was wrong, and by how much (--reason)")
        with self.transaction() as transaction:
            at = now()[0]
            if not behind(at, transaction.at):
                raise LedgerError("the clock here is not behind the newest entry, so there is nothing to say")
            said = f"entry {transaction.head[0]} says {transaction.at}, and this one is before it: {reason.strip()}"
            return self.entry(CLOCK, by, reason=said, any_time=True)

    # ------------------------------------------------------------------------------------------------------- read

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection to read with, everything inside as of one moment; inside a transaction its own."""
        inside = self._transaction.connection if self._transaction is not None else self._reader
        if inside is not None:
            yield inside
            return
        with engines.reading(self.engine, self.location) as connection:
            self._reader, self._known = connection, {}
            try:
                yield connection
            finally:
                self._reader = self._known = None

    @contextlib.contextmanager
    def telling_what_is_left(self) -> Iterator[None]:
        """Have the error of a damaged file say how far the file can be read."""
        try:
            yield
        except engines.DamagedFileError as error:
            if self.location.path is None:
                raise
            raise LedgerError(f"ledger {self.location.shown}: {what_is_left(self.location.path)}") from error

    def rows(self, statement: Select[Any]) -> list[dict[str, Any]]:
        """Return the rows of a question as dicts."""
        with self.reading() as connection:
            return [dict(row) for row in connection.execute(statement).mappings()]

    def remembered(self, ask: Callable[..., _T], *of: str | int) -> _T:
        """Return what ``ask`` answers of this ledger; asked once while one moment is read, never inside a writer."""
        if self._known is None or self._transaction is not None:
            return ask(self, *of)
        if (ask, *of) not in self._known:
            self._known[ask, *of] = ask(self, *of)
        return self._known[ask, *of]

    def remember(self, answer: object, ask: Callable[..., object], *of: str | int) -> None:
        """Keep an answer that is known already."""
        if self._known is not None and self._transaction is None:
            self._known[ask, *of] = answer

    def head(self) -> tuple[int, str]:
        """Return number and hash of the newest entry, (0, '000...') where there is none: write it down elsewhere."""
        last = self.rows(select(ENTRY.c.seq, ENTRY.c.hash).order_by(ENTRY.c.seq.desc()).limit(1))
        return (int(last[0]["seq"]), str(last[0]["hash"])) if last else (0, canonical.FIRST_PREVIOUS)

    def newest_kind(self) -> str:
        """Return the kind of the newest entry, '' where there is none."""
        last = self.rows(select(ENTRY.c.kind).order_by(ENTRY.c.seq.desc()).limit(1))
        return str(last[0]["kind"]) if last else ""

    def verify(self, expected: tuple[int, str] | None = None) -> Verified:
        """Recompute everything: see `holeqc.ledger.verify.verify`.

        Raises:
            LedgerError: the file is cut short; the error says how far it can be read.
        """
        with self.telling_what_is_left():
            return verify(self.reading, expected)

    # ------------------------------------------------------------------------------------------------------ seals

    def seal_data(self, what: str, seq: int | None = None) -> dict[str, Any]:
        """Return the seal of the newest entry, or of entry ``seq``, as plain data: with the whole row of the entry.

        Raises:
            LedgerError: the ledger holds no entry.
        """
        asked = select(ENTRY).order_by(ENTRY.c.seq.desc()).limit(1)
        rows = self.rows(asked if seq is None else asked.where(ENTRY.c.seq == seq))
        if not rows:
            raise LedgerError(f"ledger {self.location.shown}: there is no entry yet to seal")
        row = rows[0]
        return {
            "format": SEAL_FORMAT, "ledger": self.location.shown, "for": what, "entry": row["seq"],
            "hash": row["hash"], "row": {name: row[name] for name in canonical.HASHED},
        }  # fmt: skip

    def name_seal_folder(self, folder: str, by: str) -> Entry:
        """Name the folder that seals are written to from now on.

        Raises:
            LedgerError: it isn't there, or holds seals of another ledger or of a newer state of this one.
        """
        if not Path(folder).is_dir():
            raise LedgerError(f"{folder}: there is no such folder for seals; make it first, best on another disk")
        self.refuse_other_seals(Path(folder))
        return self.entry("setting", by, {"setting": [{"name": SEALS, "value": str(Path(folder).resolve())}]})

    def seal_folder(self) -> Path | None:
        """Return the folder that seals are written to, None where none was named."""
        asked = select(SETTING.c.value).where(SETTING.c.name == SEALS).order_by(SETTING.c.id.desc()).limit(1)
        rows = self.rows(asked)
        return Path(str(rows[0]["value"])) if rows else None

    def leave_seal(self, what: str) -> str:
        """Write the seal of the newest entry into the folder of seals; return what to say of it, '' where none is
        named. A folder that can't be written to takes nothing back; what is returned says so.
        """
        folder = self.seal_folder()
        if folder is None:
            return ""
        data = self.seal_data(what)
        try:
            if not folder.is_dir():
                raise LedgerError(f"the seal can't be written to {folder}: the folder isn't there")
            path = write_seal(data, folder)
        except LedgerError as error:
            return f"{error}; write it down: {data['entry']}:{data['hash']}"
        return f"{SEALED}{path}"

    def against_seals(self, folder: Path | None = None) -> tuple[list[str], str]:
        """Return what the folder of seals says against the ledger, and a note where it can't be looked at; ``folder``:
        another one than the one that is named.
        """
        place = folder or self.seal_folder()
        if place is None:
            return [], ""
        if not place.is_dir() or (folder is None and not any(place.glob("seal-*.json"))):
            return [], f"the folder of seals, {place}, can't be looked at, so a ledger put back goes unnoticed"
        with self.reading() as connection:
            try:
                return folder_against(connection, place), ""
            except LedgerError as error:
                return [str(error)], ""

    def refuse_other_seals(self, folder: Path | None = None) -> None:
        """Refuse to go on where a seal is newer than the ledger, or of other entries.

        Raises:
            LedgerError: a seal says so.
        """
        faults, _ = self.against_seals(folder)
        if faults:
            more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
            raise LedgerError(
                f"ledger {self.location.shown} isn't the one that was sealed: {faults[-1]}{more}. Nothing was "
                "recorded. An older copy was put back, or entries were replaced: go on with the ledger that holds "
                "these entries. If they are lost for good, whoever keeps the seals takes these out of the folder and "
                "keeps them"
            )

    def warn_of_doubts(self, serials: Sequence[str] = ()) -> None:
        """Say what doesn't hold of the record, as far as can be told at a glance, and what seals say."""
        against, _ = self.against_seals()
        with self.reading() as connection:
            found, note = faults_at_a_glance(connection, serials)
        faults = [*found, *against]
        if note:
            warn(f"note: {note}")
        if faults:
            more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
            warn(
                f"Ledger {self.location.shown} DOESN'T HOLD: {faults[0]}{more}. Rely on nothing in it; holeqc ledger "
                "verify says more"
            )

    def refuse_unsound(self, serial: str) -> None:
        """Refuse to go on with a part whose record doesn't hold.

        Raises:
            LedgerError: an entry that it rests on was changed, or a guard doesn't stand.
        """
        with self.reading() as connection:
            faults = faults_of_parts(connection, [serial])
        if faults:
            raise LedgerError(
                f"ledger {self.location.shown} doesn't hold, so nothing can rest on it: {'; '.join(faults)}. Nothing "
                "was recorded; holeqc ledger verify says more; go on with the last copy that holds"
            )


def roles_sql(ledger: Ledger, role: str) -> str:
    """Return the SQL that makes a role on a PostgreSQL server which may read the ledger and add to it, and no more.

    Raises:
        LedgerError: the ledger is a file, or the role's name isn't plain.
    """
    if ledger.location.path is not None:
        raise LedgerError(f"{ledger.location.shown} is a file; roles are for a ledger on a PostgreSQL server")
    if not role.isascii() or not role.replace("_", "").isalnum() or role[0].isdigit() or role != role.lower():
        raise LedgerError(f"role {role!r}: small letters, digits and _ only, beginning with a letter")
    with ledger.reading() as connection:
        schema, database, owner = connection.execute(
            text("SELECT quote_ident(current_schema()), quote_ident(current_database()), quote_ident(tableowner) "
                 "FROM pg_tables WHERE schemaname = current_schema() AND tablename = 'entry'")
        ).one()  # fmt: skip
    tables = ",\n  ".join(f"{schema}.{table.name}" for table in TABLES)
    return f"""\
-- Run by {owner}, who owns the tables. {role} may read the ledger and add entries; it can't change or remove one,
-- lift a guard, or make tables. Give each bench a login of its own that is a member:
--   CREATE ROLE bench_2 LOGIN PASSWORD '...' IN ROLE {role};
-- {owner} itself is for a new version of holeqc and for moving the ledger; its password belongs to none of the benches.
CREATE ROLE {role} NOLOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE;
REVOKE CREATE ON SCHEMA {schema} FROM PUBLIC;
REVOKE ALL ON
  {tables}
  FROM PUBLIC, {role};
GRANT CONNECT ON DATABASE {database} TO {role};
GRANT USAGE ON SCHEMA {schema} TO {role};
GRANT SELECT, INSERT ON
  {tables}
  TO {role};
REVOKE INSERT ON {schema}.ledger_version FROM {role};
"""


# --------------------------------------------------------------------------------------------------------------- copies
# A ledger into another: from a file to the server and back, or a copy for safe keeping; checked before it counts.
#
# A ledger that moved is closed by its newest entry, which names the new place; the copy holds that entry too and goes
# on with one of its own. Moved back, the old place takes what came since and goes on in the same way. A copy for safe
# keeping has no entry of its own, so that it can be brought up to date later.


@dataclass(frozen=True, slots=True)
class Copied:
    """What was copied: entries and rows that were added, what the copy now holds, and its newest hash.

    ``closed`` is the entry that closed the source, None where it stays open.
    """

    entries: int
    rows: int
    entries_in_all: int
    head: str
    counts: dict[str, int]  #: table -> rows, the same in both but for what the copy added of its own
    closed: int | None = None


def copy(source: Ledger, target: Ledger, by: str = "", *, keep_open: bool = False) -> Copied:
    """Move a ledger to another place, or bring an older copy of it up to date, in one transaction of each.

    Both are verified, counts of all tables and the hash of the newest entry compared, before anything is kept. The
    source is then closed by ``by``; with ``keep_open`` it isn't, and the copy is for safe keeping.

    Raises:
        LedgerError: the source doesn't hold, the target holds something else, the copy differs, or nobody is named.
    """
    checked = source.verify()
    if not checked.holds:
        said = "; ".join(checked.faults)
        raise LedgerError(f"ledger {source.location.shown} doesn't hold and is not copied: {said}")
    # the source's transaction is inside, so that it is closed before the copy comes to be: at no moment both go on
    with target.transaction(closed=True) as transaction, _held(source, keep_open) as old:
        start, before = transaction.head
        _refuse_another(source, target, old.head[0], (start, before))
        closed = None
        if not keep_open:
            source.refuse_other_seals()
        if not keep_open and not (old.kind == MOVED and start >= old.head[0]):
            place = target.location.shown
            if old.kind != MOVED or old.reason != place:
                old.start(MOVED, by).finish(reason=place)
            closed = old.head[0]
        last, head = old.head
        rows = 0
        for table in (ENTRY, *DETAILS):
            added = _table(old.connection, transaction.connection, table, start)
            rows += added if table is not ENTRY else 0
        counts = _counts(old.connection)
        if start <= last and _counts(transaction.connection) != counts:
            raise LedgerError("the copy has other numbers of rows than the source; nothing was kept")
        transaction.refresh()
        if closed is not None:
            writer = transaction.start(CONTINUED, by)
            writer.add_versions()
            writer.finish(reason=f"goes on from {source.location.shown}")
        again = target.verify()
        if not again.holds or (closed is None and start <= last and (again.entries, again.head) != (last, head)):
            said = "; ".join(again.faults) or "its newest entry is another"
            raise LedgerError(f"the copy doesn't hold and was not kept: {said}")
        return Copied(max(0, last - start), rows, transaction.head[0], transaction.head[1], counts, closed)


@contextlib.contextmanager
def _held(source: Ledger, keep_open: bool) -> Iterator[Transaction]:
    """Hold the source for writing, or, where it stays open, only to read as of one moment."""
    if keep_open:
        with source.reading() as connection:
            yield Transaction(connection)
    else:
        with source.transaction(closed=True) as transaction:
            yield transaction


def _refuse_another(source: Ledger, target: Ledger, last: int, given: tuple[int, str]) -> None:
    """Refuse a target that holds other entries than the source."""
    start, _ = given
    common = min(start, last)
    if not common:
        return
    one = select(ENTRY.c.hash).where(ENTRY.c.seq == common)
    if source.rows(one) != target.rows(one):
        raise LedgerError(
            f"ledger {target.location.shown} holds {start} entries that are not those of "
            f"{source.location.shown}; copy into an empty place"
        )
    if start > last and source.newest_kind() != MOVED:
        raise LedgerError(
            f"ledger {target.location.shown} holds {start} entries, more than the {last} of {source.location.shown}, "
            "so they are not those of one ledger; copy the other way round, or into an empty place"
        )


def _table(source: Connection, target: Connection, table: Table, start: int) -> int:
    """Copy the rows of a table that entries after ``start`` brought; return how many."""
    parent = parent_of(table)
    question = select(*table.columns).order_by(*table.primary_key.columns)
    if table is ENTRY:
        question = question.where(table.c.seq > start)
    elif parent is None:
        question = question.where(table.c.entry > start)
    elif start:
        above, column = parent
        first = select(func.min(above.c.id)).where(above.c.entry > start).scalar_subquery()
        question = question.where(table.c[column] >= first)
    names = [c.name for c in table.columns]
    count = 0
    for rows in source.execute(question, execution_options={"yield_per": BLOCK}).partitions():
        add_rows(target, table, names, list(zip(*rows, strict=True)))
        count += len(rows)
    return count


def _counts(connection: Connection) -> dict[str, int]:
    return {
        table.name: int(connection.execute(select(func.count()).select_from(table)).scalar() or 0)
        for table in (ENTRY, *DETAILS)
    }  # fmt: skip
