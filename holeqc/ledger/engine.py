"""The two databases: connections, transactions with one writer at a time, rows in and out in bulk.

SQLite keeps a rollback journal, not a write-ahead log: a ledger may lie on a network share, where a write-ahead log is
not allowed. A writer takes the file's write lock at the start (``BEGIN IMMEDIATE``); on PostgreSQL it takes an advisory
lock. Both wait at most `WAIT_SECONDS`.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import URL, create_engine, event
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from holeqc.ledger.guards import replace_guard
from holeqc.ledger.location import Location
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine, Table

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
    with told(engine, location), engine.connect() as connection:
        if engine.dialect.name == "postgresql":
            connection = connection.execution_options(isolation_level="REPEATABLE READ")
        with connection.begin():
            yield connection


@contextlib.contextmanager
def writing(engine: Engine, location: Location, wait_seconds: float = WAIT_SECONDS) -> Iterator[Connection]:
    """Give the one writer's connection: all that is written comes in at the end, or nothing of it."""
    with told(engine, location), engine.connect() as connection:
        connection = connection.execution_options(writes=True)
        with connection.begin():
            if engine.dialect.name == "postgresql":
                connection.exec_driver_sql(f"SET LOCAL lock_timeout = {int(wait_seconds * 1000)}")
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
            yield connection


class DamagedFileError(LedgerError):
    """The database finds its own file damaged or cut short."""


@contextlib.contextmanager
def told(engine: Engine, location: Location) -> Iterator[None]:
    """Turn a database's errors into ones that say what to do."""
    driver = engine.dialect.loaded_dbapi.Error
    try:
        yield
    except DBAPIError as error:
        raise _told(location, str(error.orig or error)) from error
    except SQLAlchemyError as error:
        raise LedgerError(f"ledger {location.shown}: {error}") from error
    except driver as error:
        raise _told(location, str(error)) from error
    except UnicodeDecodeError as error:  # of the driver, whose texts are UTF-8 as it wrote them
        raise _told(location, f"{_DAMAGED}: a text in it is none") from error


def _told(location: Location, message: str) -> LedgerError:
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
    (_DAMAGED, "the file is damaged and can't be read further; nothing was recorded. Keep it as it is and put the last "
     "copy of the ledger in its place; holeqc ledger verify says up to which entry either holds"),
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
