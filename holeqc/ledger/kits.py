"""Kits as they were recorded: the stored text read again."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.ledger.filters import Filter, specification_conditions
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger
    from holeqc.specification.model import Specification


def stored_specification(ledger: Ledger, specification_id: int) -> Specification:
    """Return a kit as its recorded text asks, with the digest of that text.

    Raises:
        LedgerError: there is no kit of this id.
    """
    rows = ledger.rows(select(s.SPECIFICATION).where(s.SPECIFICATION.c.id == specification_id))
    if not rows:
        raise LedgerError(f"ledger {ledger.location.shown}: no kit has the id {specification_id}")
    return _parsed(rows[0])


def wanted_specification(ledger: Ledger, wanted: Filter) -> Specification:
    """Return the newest recorded text of the one kit that a filter leaves.

    Raises:
        LedgerError: no kit is left, or several.
    """
    question = select(s.SPECIFICATION).where(*specification_conditions(wanted)).order_by(s.SPECIFICATION.c.id)
    rows = ledger.rows(question)
    kits = list(dict.fromkeys(str(row["kit"]) for row in rows))
    if not kits:
        known = ledger.rows(select(s.SPECIFICATION.c.kit, s.SPECIFICATION.c.revision).order_by(s.SPECIFICATION.c.id))
        named = ", ".join(dict.fromkeys(f"{row['kit']} {row['revision']}" for row in known)) or "none yet"
        raise LedgerError(f"ledger {ledger.location.shown}: no kit fits what was asked; recorded kits: {named}")
    if len(kits) > 1:
        raise LedgerError(f"ledger {ledger.location.shown} holds several kits ({', '.join(kits)}); name one")
    return _parsed(rows[-1])


def _parsed(row: dict[str, Any]) -> Specification:
    from holeqc.specification.load import parse_specification

    return replace(parse_specification(str(row["content"]), str(row["name"]), recorded=True), digest=str(row["digest"]))
