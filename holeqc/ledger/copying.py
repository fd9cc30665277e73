"""A ledger into another: from a file to the server and back, or a copy for safe keeping; checked before it counts.

A ledger that moved is closed by its newest entry, which names the new place; the copy holds that entry too and goes
on with one of its own. Moved back, the old place takes what came since and goes on in the same way. A copy for safe
keeping has no entry of its own, so that it can be brought up to date later.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from holeqc.ledger.canonical import BLOCK
from holeqc.ledger.engine import add_rows
from holeqc.ledger.ledger import CONTINUED, MOVED, Ledger, Transaction
from holeqc.ledger.schema import DETAILS, ENTRY, parent_of
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import Connection, Table


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
