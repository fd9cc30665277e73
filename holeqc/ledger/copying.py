"""A ledger into another: from a file to the server and back, or a copy for safe keeping; checked before it counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from holeqc.ledger.canonical import BLOCK
from holeqc.ledger.engine import add_rows
from holeqc.ledger.schema import DETAILS, ENTRY, parent_of
from holeqc.ledger.verify import verify
from holeqc.printing import recorded
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import Connection, Table

    from holeqc.ledger.ledger import Ledger


@dataclass(frozen=True, slots=True)
class Copied:
    """What was copied: entries and rows that were added, what the copy now holds, and its newest hash."""

    entries: int
    rows: int
    entries_in_all: int
    head: str
    counts: dict[str, int]  #: table -> rows, the same in both


def copy(source: Ledger, target: Ledger) -> Copied:
    """Copy a ledger, or bring an older copy of it up to date, in one transaction.

    Both are verified, counts of all tables and the hash of the newest entry compared, before the copy is kept.

    Raises:
        LedgerError: the source doesn't hold, the target holds something else, or the copy differs.
    """
    checked = verify(source)
    if not checked.holds:
        said = "; ".join(checked.faults)
        raise LedgerError(f"ledger {source.location.shown} doesn't hold and is not copied: {said}")
    with target.transaction() as transaction, source.reading() as connection:
        last, head = connection.execute(
            select(ENTRY.c.seq, ENTRY.c.hash).order_by(ENTRY.c.seq.desc()).limit(1)
        ).first() or (0, transaction.head[1])
        start, before = transaction.head
        if start:
            same = connection.execute(select(ENTRY.c.hash).where(ENTRY.c.seq == start)).scalar()
            if same != before:
                raise LedgerError(
                    f"ledger {target.location.shown} holds {start} entries that are not those of "
                    f"{source.location.shown}; copy into an empty place"
                )
        rows = 0
        for table in (ENTRY, *DETAILS):
            added = _table(connection, transaction.connection, table, start)
            rows += added if table is not ENTRY else 0
        counts = _counts(connection)
        if _counts(transaction.connection) != counts:
            raise LedgerError("the copy has other numbers of rows than the source; nothing was kept")
        again = verify(target)
        if not again.holds or (again.entries, again.head) != (int(last), head):
            said = "; ".join(again.faults) or "its newest entry is another"
            raise LedgerError(f"the copy doesn't hold and was not kept: {said}")
    if int(last) > start:
        recorded(start + 1, int(last))
    return Copied(int(last) - start, rows, int(last), str(head), counts)


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
