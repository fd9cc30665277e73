"""What can still be read of a ledger's file of which a piece is gone, and what to do then."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from sqlalchemy import bindparam, create_engine, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import NullPool

from holeqc.ledger.schema import ENTRY
from holeqc.ledger.verify import whole_up_to

if TYPE_CHECKING:
    from sqlalchemy import Connection

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
