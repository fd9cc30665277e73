"""The record: what was measured, judged and signed, append-only, in an SQLite file or on a PostgreSQL server.

Opening and writing::

    open_ledger(where=None, *, create=True) -> Ledger   # path, URL, HOLEQC_LEDGER, ./holeqc-ledger.sqlite3
    with open_ledger("shop.sqlite3") as ledger:
        recording.record(ledger, inspection, spec_text, by="bench 2")        # -> Recorded; all of it or nothing
        with ledger.transaction() as t:                    # the one writer; nested ones join; all in or nothing
            ledger.rows(select(...))                       # reads inside see the lock-holder's state
            entry = ledger.entry("tag", by="inspector 3", rows={"tag": [{...}], "tag_event": [{...}]})
            entry.seq, entry.hash, entry.ids["tag"]        # ids are given out here, without a gap
            t.take_ids(schema.TAG, 1)                      # a number ahead of its row, if the row must hold it

``rows`` maps a table of `holeqc.ledger.schema` to rows ``column -> value``; ``id`` and ``entry`` are filled in, columns
left out become '' or NULL. One entry may bring rows of several tables. ``replaces=seq, reason=...`` corrects an entry.
An entry outside `Ledger.transaction` is a transaction of its own. Whatever must be true for an entry (nothing held, tag
closed, other person) is asked inside the transaction, where nobody else can write.

Asking::

    stories.newest_parts(ledger, Filter(verdict="hold", since=day))  # newest inspection of each part
    stories.part_story(ledger, serial, kit="", part="")    # inspections, files, holes, tags, approvals, problems
    read_back.recorded_readings(ledger, Filter(...))   # kit and readings, as reading the files gives them
    read_back.columns_of_readings(ledger, ["serial", "hole", "value"], Filter(...))   # a frame; nothing else is fetched
    kits.stored_specification(ledger, specification_id) -> Specification
    recording.differences(ledger, file_id) -> changes of a file's revision, cell by cell
    stories.as_frame(ledger, content, Filter(...)), stories.export(ledger, path, content, Filter(...))
    ledger.rows(select(schema.TAG).where(...)) -> list of dicts    # SQLAlchemy Core, both engines
    ledger.verify(expected=None) -> Verified                       # .holds, .first_bad, .faults, .notes, .head
    ledger.head() -> (seq, hash);  stories.summary(ledger);  ledger.copy(source, target)
    with ledger.reading(): ...                                     # everything inside as of one moment

Deciding, all of it asked and written in one transaction::

    tags.open_tags(ledger, recorded.inspections, drafts, by) -> numbers    # ties older open tags of the parts as well
    tags.find_tags(ledger, serial=..., only_open=True), tags.dispose(ledger, code, "rework", by, reason)
    approvals.approve(ledger, serial, by) -> Approved          # ApprovalRefused.problems: all that stands in the way
    approvals.withdraw(ledger, serial, by, reason);  approvals.approved_set(ledger, serial)    # what a packet holds
    equipment.gauge_suspects(ledger, gauge, since, error=..., unit="in"), equipment.fixture_suspects(ledger, fixture)
    equipment.record_calibration(ledger, Calibration(...), by), equipment.record_fixture_event(ledger, ...)

Every problem is a `holeqc.problems.LedgerError`. Each file needs only those before it: schema, database, verify,
ledger, persons, kits, read_back, tags, equipment, resemblance, recording, stories, rechecks, approvals.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import EntryWriter, Ledger, Transaction


def open_ledger(
    where: str | Path | None = None, *, create: bool = True, wait_seconds: float = 30.0, like: Ledger | None = None
) -> Ledger:  # fmt: skip
    """Return the ledger at a path or URL, made there on first use unless ``create`` is False.

    ``wait_seconds``: how long a writer waits for another; ``like``: a new ledger is made for a copy of this one.

    Raises:
        LedgerError: it can't be opened, isn't there and may not be made, or is newer than this holeqc.
    """
    from holeqc.ledger.database import find_location
    from holeqc.ledger.ledger import Ledger

    return Ledger(find_location(where), _index, create=create, wait_seconds=wait_seconds, like=like)


def _index(transaction: Transaction, writer: EntryWriter) -> None:
    from holeqc.ledger.resemblance import index_all  # only an old ledger needs it

    index_all(transaction, writer)


def a_day(text: str, option: str) -> dt.date | None:
    """Return a day that was typed as 2026-11-01, None for no text.

    Raises:
        LedgerError: it is no such day.
    """
    if not text.strip():
        return None
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        raise LedgerError(f"{option} {text!r} is no day; give year, month, day as 2026-11-01") from None
