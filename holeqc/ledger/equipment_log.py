"""What was logged of gauges and fixtures, with who logged it and when."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import Column, Table, func, select

from holeqc.ledger import schema as s
from holeqc.ledger.filters import same_name
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger

Row = dict[str, Any]


def calibration_log(ledger: Ledger, gauge: str = "") -> list[Row]:
    """Return the calibrations logged, of one gauge or of all, by day: columns of the schema and of each one's entry.

    Raises:
        LedgerError: nothing is logged of the gauge; those that are known are named.
    """
    return _log(ledger, s.GAUGE_CALIBRATION, s.GAUGE_CALIBRATION.c.gauge, gauge, "calibration of gauge")


def fixture_log(ledger: Ledger, fixture: str = "") -> list[Row]:
    """Return the events logged, of one fixture or of all, by day: columns of the schema and of each one's entry.

    Raises:
        LedgerError: nothing is logged of the fixture; those that are known are named.
    """
    return _log(ledger, s.FIXTURE_EVENT, s.FIXTURE_EVENT.c.fixture, fixture, "event of fixture")


def _log(ledger: Ledger, table: Table, name: Column[str], wanted: str, what: str) -> list[Row]:
    e = s.ENTRY.c
    question = (
        select(*table.columns, e.at, e.offset_minutes, e.made_by).join(s.ENTRY, e.seq == table.c.entry)
        .order_by(func.lower(name), table.c.day, table.c.id)
    )  # fmt: skip
    wanted = wanted.strip()
    with ledger.reading():
        rows = ledger.rows(question.where(same_name(name, wanted)) if wanted else question)
        if wanted and not rows:
            known = [str(row["name"]) for row in ledger.rows(select(name.label("name")).distinct().order_by(name))]
            raise LedgerError(
                f"ledger {ledger.location.shown}: no {what} {wanted} is logged; "
                + (f"there are those of {', '.join(known)}" if known else "none at all is")
            )
    return rows
