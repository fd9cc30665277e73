"""Kits, revisions, parts and fixtures that a question names, and that the ledger must know."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.ledger.filters import same_name
from holeqc.ledger.values import plain
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.filters import Filter
    from holeqc.ledger.ledger import Ledger

LISTED = 12  #: so many known names are listed


def refuse_unknown(ledger: Ledger, wanted: Filter) -> None:
    """Refuse a question for a kit, revision, part or fixture that nothing in the ledger has; an empty list would read
    as if all were well.

    Raises:
        LedgerError: it names one that isn't known; those that are known are listed.
    """
    text, i = s.SPECIFICATION.c, s.INSPECTION.c
    asked = (
        ("kit", text.kit, wanted.kit), ("revision", text.revision, wanted.revision), ("part", i.part, wanted.part),
        ("fixture", text.fixture, wanted.fixture),
    )  # fmt: skip
    with ledger.reading():
        for what, column, given in asked:
            fits = same_name(column, given) if what == "fixture" else column == plain(given)
            if not given or ledger.rows(select(column.label("name")).where(fits).limit(1)):
                continue
            rows = ledger.rows(select(column.label("name")).where(column != "").distinct().order_by(column))
            names = [str(row["name"]) for row in rows]
            more = f" and {len(names) - LISTED} more" if len(names) > LISTED else ""
            known = f"it knows {', '.join(names[:LISTED])}{more}" if names else f"it knows no {what} at all"
            raise LedgerError(f"ledger {ledger.location.shown} knows no {what} {given!r}; {known}")
