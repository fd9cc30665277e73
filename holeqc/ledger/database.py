"""The two databases: where a ledger is, the guards of its tables, one writer at a time, rows in and out in bulk.

SQLite keeps a rollback journal, not a write-ahead log: a ledger may lie on a network share, where a write-ahead log is
not allowed. A writer takes the file's write lock at the start (``BEGIN IMMEDIATE``); on PostgreSQL it takes an advisory
lock. Both wait at most `WAIT_SECONDS`.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from sqlalchemy import URL, UniqueConstraint, create_engine, event, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from holeqc.ledger.schema import TABLES
from holeqc.printing import one_line, shortened
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine, Table


# ---------------------------------------------------------------------------------------------------------------- place


VARIABLE = "HOLEQC_LEDGER"
DEFAULT_NAME = "holeqc-ledger.sqlite3"
POSTGRES = ("postgresql://", "postgres://", "postgresql+psycopg://")


@dataclass(frozen=True, slots=True)
class Location:
    """A ledger's place: the path of an SQLite file, or the URL of a PostgreSQL database (the other is empty)."""

    path: Path | None
    url: str = ""

    @property
    def shown(self) -> str:
        """The place as a person may see it: a URL without its password."""
        if self.path is not None:
            return one_line(str(self.path))
        scheme, _, rest = self.url.partition("://")
        credentials, at, host = rest.rpartition("@")
        return f"{scheme.removesuffix('+psycopg')}://{credentials.split(':')[0]}{at}{host.split('?')[0]}"


def find_location(where: str | Path | None = None) -> Location:
    """Return where the ledger is: ``where`` if given, else the variable `VARIABLE`, else `DEFAULT_NAME` in this folder.

    Raises:
        LedgerError: a URL of another kind of database.
    """
    said = str(where) if where else os.environ.get(VARIABLE, "") or DEFAULT_NAME
    if said.startswith(POSTGRES):
        return Location(None, "postgresql+psycopg://" + said.partition("://")[2])
    if said.startswith("sqlite:///"):
        said = unquote(said.removeprefix("sqlite:///").partition("?")[0])
    elif "://" in said:
        raise LedgerError(
            f"{shortened(said.partition('://')[0])}:// is no place for a ledger; give the path of a file or "
            "postgresql://USER@HOST/DATABASE"
        )
    return Location(_regular(Path(said)))


def _regular(path: Path) -> Path:
    """Return the path; raise LedgerError where a folder, pipe or device lies there."""
    shown = one_line(str(path))
    try:
        mode = os.stat(path).st_mode
    except FileNotFoundError:
        return path
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is no name of a file"
        raise LedgerError(f"ledger {shown}: the file can't be opened: {reason}") from None
    if not stat.S_ISREG(mode):
        raise LedgerError(f"ledger {shown}: this is a folder, a pipe or a device; give the path of a file")
    return path


# --------------------------------------------------------------------------------------------------------------- guards
# What makes the tables append-only: triggers that refuse update, delete, replace and truncate, on every table.
#
# SQLite: ``INSERT OR REPLACE`` deletes without firing delete triggers unless ``recursive_triggers`` is on, and a
# stranger's connection may have it off; so a trigger before insert refuses a key that is there already. PostgreSQL: a
# trigger for each statement also fires for ``ON CONFLICT DO UPDATE`` and for ``TRUNCATE``.


REFUSAL = "the ledger is append-only: write a new entry that names the old one and the reason"
FUNCTION = "holeqc_append_only"


def _keys(table: Table) -> list[list[str]]:
    """Return the sets of columns that are unique in a table, the primary key first."""
    unique = [[c.name for c in u.columns] for u in table.constraints if isinstance(u, UniqueConstraint)]
    return [[c.name for c in table.primary_key.columns], *sorted(unique)]


_STOP = f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"


def replace_guard(table: Table) -> tuple[str, str]:
    """Return the trigger on SQLite that refuses a row whose key is there already: name and statement."""
    name = f"{table.name}_no_replace"
    there = " OR ".join(
        f"EXISTS (SELECT 1 FROM {table.name} WHERE {' AND '.join(f'{c} = NEW.{c}' for c in key)})"
        for key in _keys(table)
    )
    return name, f"CREATE TRIGGER {name} BEFORE INSERT ON {table.name} WHEN {there} {_STOP}"


def sqlite_guards(table: Table) -> dict[str, str]:
    """Return the triggers of one table on SQLite: name -> statement."""
    named = {f"{table.name}_no_{act.lower()}": act for act in ("UPDATE", "DELETE")}
    guards = {name: f"CREATE TRIGGER {name} BEFORE {act} ON {table.name} {_STOP}" for name, act in named.items()}
    return guards | dict([replace_guard(table)])


def postgres_guard(table: Table) -> tuple[str, str]:
    """Return the trigger of one table on PostgreSQL: name and statement."""
    name = f"{table.name}_append_only"
    return name, (
        f"CREATE TRIGGER {name} BEFORE UPDATE OR DELETE OR TRUNCATE ON {table.name} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {FUNCTION}()"
    )


_POSTGRES_BODY = f"BEGIN RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'restrict_violation'; END"


def create_guards(connection: Connection, tables: Sequence[Table]) -> None:
    """Put the triggers on tables, and on PostgreSQL make their function where it isn't there yet."""
    if connection.dialect.name == "sqlite":
        for table in tables:
            for statement in sqlite_guards(table).values():
                connection.exec_driver_sql(statement)
        return
    there = text("SELECT 1 FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace "
                 "WHERE p.proname = :name AND n.nspname = current_schema()")  # fmt: skip
    if connection.execute(there, {"name": FUNCTION}).first() is None:
        connection.exec_driver_sql(
            f"CREATE FUNCTION {FUNCTION}() RETURNS trigger LANGUAGE plpgsql AS $body${_POSTGRES_BODY}$body$"
        )
    for table in tables:
        connection.exec_driver_sql(postgres_guard(table)[1])


def missing_guards(connection: Connection, tables: Sequence[Table] = TABLES) -> list[str]:
    """Return the names of guards that are not there, switched off, or not as they were made; and triggers not ours."""
    if connection.dialect.name == "sqlite":
        wanted = {name: sql for table in tables for name, sql in sqlite_guards(table).items()}
        rows = connection.execute(text("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"))
        found = {str(name): str(sql) for name, sql in rows}
        wrong = [name for name, sql in wanted.items() if found.get(name) != sql]
        return wrong + [f"{name} (not of the ledger)" for name in found if name not in wanted]
    return _missing_on_postgres(connection, tables)


GUARDS_NAMED = 4  #: so many guards that don't stand are named


def guards_sentence(missing: Sequence[str]) -> str:
    """Return in one sentence which guards don't stand, the first few by name; '' where all do."""
    if not missing:
        return ""
    if len(missing) == 1:
        return f"guard {missing[0]} is missing, changed or off"
    more = f" and {len(missing) - GUARDS_NAMED} more" if len(missing) > GUARDS_NAMED else ""
    return f"{len(missing)} guards are missing, changed or off: {', '.join(missing[:GUARDS_NAMED])}{more}"


def refuse_without_guards(connection: Connection, tables: Sequence[Table], shown: str) -> None:
    """Refuse a ledger whose guards don't all stand.

    Raises:
        LedgerError: one is missing, changed or off.
    """
    said = guards_sentence(missing_guards(connection, tables))
    if said:
        raise LedgerError(
            f"ledger {shown}: {said}, so entries could have been changed. Nothing was recorded: holeqc ledger verify "
            "says whether they were; go on with the last copy that holds"
        )


def _missing_on_postgres(connection: Connection, tables: Sequence[Table]) -> list[str]:
    wanted = {postgres_guard(table)[0]: table.name for table in tables}
    # tgtype: bit 0 row, 1 before, 2 insert, 3 delete, 4 update, 5 truncate
    rows = connection.execute(text(
        "SELECT t.tgname, c.relname, CAST(t.tgenabled AS text), t.tgtype, p.proname, p.prosrc FROM pg_trigger t "
        "JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_namespace n ON n.oid = c.relnamespace "
        "JOIN pg_proc p ON p.oid = t.tgfoid WHERE NOT t.tgisinternal AND n.nspname = current_schema()"
    ))  # fmt: skip
    good, strange = set(), []
    for name, table, enabled, kind, function, body in rows:
        if wanted.get(name) != table:
            strange.append(f"{name} (not of the ledger)")
        elif enabled in {"O", "A"} and (kind, function, body) == (0b111010, FUNCTION, _POSTGRES_BODY):
            good.add(name)
    return [name for name in wanted if name not in good] + strange


# ---------------------------------------------------------------------------------------------------------- connections
# The two databases: connections, transactions with one writer at a time, rows in and out in bulk.
#
# SQLite keeps a rollback journal, not a write-ahead log: a ledger may lie on a network share, where a write-ahead log
# is not allowed. A writer takes the file's write lock at the start (``BEGIN IMMEDIATE``); on PostgreSQL it takes an
# advisory lock. Both wait at most `WAIT_SECONDS`.


WAIT_SECONDS = 30.0  #: how long a writer waits for another before it gives up
MANY = 2000  #: rows of one table written at a time, from which on the guard of each single row is lifted meanwhile
APPLICATION_ID = 0x68514C31  #: marks an SQLite file as a ledger ("hQL1")
_PRAGMAS = (
    "foreign_keys = ON", "recursive_triggers = ON", "synchronous = FULL", "trusted_schema = OFF",
    "cache_size = -65536",  # KiB: a large import else spills its pages to disk before it is done
)  # fmt: skip
_LOCK = "hashtext('holeqc ledger ' || current_schema())"


def make_engine(location: Location, *, wait_seconds: float = WAIT_SECONDS) -> Engine:
    """Return the engine of a ledger; nothing is opened yet.

    Raises:
        LedgerError: a server is asked for and its driver isn't installed.
    """
    if location.path is not None:
        # a path and never a URL: % and ? are letters of a name, and so is :memory:
        place = URL.create("sqlite", database=os.path.abspath(location.path))
        engine = create_engine(place, poolclass=NullPool, connect_args={"timeout": wait_seconds})
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    try:
        return create_engine(
            location.url, poolclass=NullPool,
            connect_args={"connect_timeout": max(2, int(wait_seconds)), "application_name": "holeqc"},
        )  # fmt: skip
    except ImportError:
        raise LedgerError(
            "a ledger on a PostgreSQL server needs the driver psycopg; install holeqc with it: "
            "pip install 'holeqc[postgres]'"
        ) from None


def _prepare_sqlite(connection: sqlite3.Connection, _: object) -> None:
    connection.isolation_level = None  # the driver's own BEGIN comes too late for a lock at the start
    for pragma in _PRAGMAS:
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    immediate = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if immediate else "BEGIN")


@contextlib.contextmanager
def reading(engine: Engine, location: Location) -> Iterator[Connection]:
    """Give a connection to read with, all of it as of one moment; errors come as `LedgerError`."""
    with explaining_errors(engine, location), engine.connect() as connection:
        if engine.dialect.name == "postgresql":
            connection = connection.execution_options(isolation_level="REPEATABLE READ")
        with connection.begin():
            if engine.dialect.name == "postgresql":  # compiling a query takes longer than any of ours that it compiles
                connection.exec_driver_sql("SET LOCAL jit = off")
            yield connection


@contextlib.contextmanager
def writing(engine: Engine, location: Location, wait_seconds: float = WAIT_SECONDS) -> Iterator[Connection]:
    """Give the one writer's connection: all that is written comes in at the end, or nothing of it."""
    with explaining_errors(engine, location), engine.connect() as connection:
        connection = connection.execution_options(writes=True)
        with connection.begin():
            if engine.dialect.name == "postgresql":
                connection.exec_driver_sql(f"SET LOCAL lock_timeout = {int(wait_seconds * 1000)}")
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
            yield connection


class DamagedFileError(LedgerError):
    """The database finds its own file damaged or cut short."""


@contextlib.contextmanager
def explaining_errors(engine: Engine, location: Location) -> Iterator[None]:
    """Turn a database's errors into ones that say what to do."""
    driver = engine.dialect.loaded_dbapi.Error
    try:
        yield
    except DBAPIError as error:
        raise _explained(location, str(error.orig or error)) from error
    except SQLAlchemyError as error:
        raise LedgerError(f"ledger {location.shown}: {error}") from error
    except driver as error:
        raise _explained(location, str(error)) from error
    except UnicodeDecodeError as error:  # of the driver, whose texts are UTF-8 as it wrote them
        raise _explained(location, f"{_DAMAGED}: a text in it is none") from error


def _explained(location: Location, message: str) -> LedgerError:
    kind = DamagedFileError if _DAMAGED in message else LedgerError
    return kind(f"ledger {location.shown}: {_advice(message)}")


_DAMAGED = "malformed"
_BUSY = "another holeqc is writing to it and didn't finish in time; nothing was recorded. Try again"
_ADVICE: tuple[tuple[str, str], ...] = (
    ("database is locked", _BUSY),
    ("lock timeout", _BUSY),
    ("database or disk is full", "the disk is full; nothing was recorded. Make room and run it again"),
    ("No space left", "the server's disk is full; nothing was recorded. Make room there and run it again"),
    ("disk I/O error", "the disk refused to read or write (full, failing or gone); nothing was recorded"),
    ("readonly database", "the file may only be read; nothing was recorded. Ask who keeps it for the right to write"),
    ("unable to open database file", "the file can't be opened; is the folder there, and may it be written to?"),
    ("file is not a database", "the file is no ledger"),
    (
        _DAMAGED,
        "the file is damaged and can't be read further; nothing was recorded. Keep it as it is and put the last "
        "copy of the ledger in its place; holeqc ledger verify says up to which entry either holds",
    ),
    ("append-only", "it is append-only: what is recorded can't be changed; write a new entry"),
    ("permission denied", "this user may not do that on the server; nothing was recorded"),
)


def _advice(message: str) -> str:
    message = " ".join(message.split())
    return next((f"{advice} ({message})" for words, advice in _ADVICE if words in message), message)


def add_rows(connection: Connection, table: Table, columns: Sequence[str], values: Sequence[Sequence[Any]]) -> None:
    """Write rows of a table, given column by column, the quickest way that the driver has."""
    if not values or not values[0]:
        return
    names = ", ".join(columns)
    rows = zip(*values, strict=True)
    driver: Any = connection.connection.cursor()
    with contextlib.closing(driver):
        if connection.dialect.name == "sqlite":
            marks = ", ".join("?" * len(columns))
            with _row_guard_lifted(driver, table, len(values[0])):
                driver.executemany(f"INSERT INTO {table.name} ({names}) VALUES ({marks})", rows)
            return
        with driver.copy(f"COPY {table.name} ({names}) FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)


@contextlib.contextmanager
def _row_guard_lifted(driver: sqlite3.Cursor, table: Table, rows: int) -> Iterator[None]:
    """Lift the guard against replacing rows while the one writer inserts many, and put it back.

    SQLite runs that guard for every row, which costs as much as half the insert. It is lifted inside the writer's own
    transaction only: nobody else sees the table without it or can write meanwhile, a plain insert can't replace (the
    primary key refuses it), and whatever goes wrong takes the lifting back with it.
    """
    if rows < MANY:
        yield
        return
    name, statement = replace_guard(table)
    driver.execute("SAVEPOINT many")
    try:
        driver.execute(f"DROP TRIGGER {name}")
        yield
        driver.execute(statement)
        driver.execute("RELEASE many")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):  # after some errors SQLite has undone the whole transaction already
            driver.execute("ROLLBACK TO many")
            driver.execute("RELEASE many")
        raise
