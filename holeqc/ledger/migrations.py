"""Versions of the schema: each step and its record go in one transaction, so a ledger is of one version or the next.

A step that changes a table of `schema` gets the number after the last; the version it starts from is then written out
in the step before it, so that an old ledger still walks every step. Before a step the guards of the older version must
stand. From version 2 on a ledger that holds entries is given one more, which brings the version's row and what the new
tables hold of older entries. Kits recorded before version 2 are not released by it: two persons do that once, by
``holeqc kit release``; approvals given before stand.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, inspect, select
from sqlalchemy.exc import SQLAlchemyError

import holeqc
from holeqc.ledger.engine import APPLICATION_ID, reading, writing
from holeqc.ledger.guards import create_guards, refuse_without_guards
from holeqc.ledger.location import Location
from holeqc.ledger.schema import LEDGER_VERSION, METADATA, SINCE, tables_of
from holeqc.ledger.times import now
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

    from holeqc.ledger.ledger import EntryWriter, Transaction

Step = Callable[["Connection"], None]
Index = Callable[["Transaction", "EntryWriter"], None]


def _first(connection: Connection) -> None:
    METADATA.create_all(connection, tables=list(tables_of(1)), checkfirst=False)
    create_guards(connection, tables_of(1))
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")


def _second(connection: Connection) -> None:
    _add_tables(connection, 2)


def _third(connection: Connection) -> None:
    _add_tables(connection, 3)


def _add_tables(connection: Connection, version: int) -> None:
    METADATA.create_all(connection, tables=list(SINCE[version]), checkfirst=False)
    create_guards(connection, SINCE[version])


STEPS: list[tuple[int, Step]] = [(1, _first), (2, _second), (3, _third)]


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
    from holeqc.ledger.ledger import VERSION_ENTRY, Transaction

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
