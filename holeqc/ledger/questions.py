"""Approved parts that are in question: a gauge that read them was found off, or out of its time, after the approval.

The approval stands and says what was known then. The question stays until a person of its own closes it with a reason,
or the approval is withdrawn.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from holeqc.inspection.evidence import gauge_of
from holeqc.ledger import persons
from holeqc.ledger import schema as s
from holeqc.ledger.equipment import calibrations, doubt_of
from holeqc.ledger.kits import stored_specification
from holeqc.ledger.values import plain
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Entry, Ledger

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Question:
    """What puts an approved part in question; ``calibration`` is the entry that tells."""

    kit: str
    part: str
    serial: str
    inspection_id: int
    approval_id: int
    approval: int
    gauge: str
    calibration_id: int
    calibration: int
    sentence: str


def open_questions(ledger: Ledger, serial: str = "") -> list[Question]:
    """Return the questions that nobody has closed, of one serial number or of all, in the order of approvals."""
    with ledger.reading():
        known: dict[str, list[Row]] = {}
        for row in calibrations(ledger):
            known.setdefault(str(row["gauge"]), []).append(row)
        newest = max((int(row["entry"]) for of in known.values() for row in of), default=0)
        approved = _approved_before(ledger, newest, serial)
        if not approved:
            return []
        closed = _closed(ledger)
        found: dict[tuple[int, str], Question] = {}
        for question in _asked(ledger, approved, known):
            if closed.get((question.approval_id, question.gauge), 0) < question.calibration_id:
                found.setdefault((question.approval_id, question.gauge), question)
    return list(found.values())


def _approved_before(ledger: Ledger, newest: int, serial: str) -> dict[int, Row]:
    """Return the approvals that stand and are older than an entry: inspection -> columns of both and the kit."""
    i, a = s.INSPECTION.c, s.APPROVAL.c
    back = select(s.WITHDRAWAL.c.id).where(s.WITHDRAWAL.c.approval_id == a.id)
    asked = (
        select(i.id, i.part, i.serial, i.specification_id, s.SPECIFICATION.c.kit, a.id.label("approval_id"),
               a.entry.label("approval"), s.ENTRY.c.at)
        .join(s.APPROVAL, a.inspection_id == i.id).join(s.SPECIFICATION, s.SPECIFICATION.c.id == i.specification_id)
        .join(s.ENTRY, s.ENTRY.c.seq == i.entry).where(a.entry < newest, ~back.exists()).order_by(a.id)
    )  # fmt: skip
    rows = ledger.rows(asked.where(i.serial == plain(serial)) if serial else asked)
    return {int(row["id"]): row for row in rows}


def _closed(ledger: Ledger) -> dict[tuple[int, str], int]:
    """Return up to which calibration questions are closed: (approval, gauge) -> calibration."""
    q, c = s.QUESTION_CLOSED.c, s.GAUGE_CALIBRATION.c
    asked = select(q.approval_id, c.gauge, func.max(q.calibration_id).label("calibration")).join(
        s.GAUGE_CALIBRATION, c.id == q.calibration_id
    )
    rows = ledger.rows(asked.group_by(q.approval_id, c.gauge))
    return {(int(row["approval_id"]), str(row["gauge"])): int(row["calibration"]) for row in rows}


def _asked(ledger: Ledger, approved: dict[int, Row], known: dict[str, list[Row]]) -> Iterator[Question]:
    r, ids = s.READING.c, sorted(approved)
    specs: dict[int, Any] = {}
    for start in range(0, len(ids), 400):
        rows = ledger.rows(
            select(s.INSPECTION_SET.c.inspection_id, r.gauge, r.characteristic, r.day)
            .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
            .where(s.INSPECTION_SET.c.inspection_id.in_(ids[start : start + 400]), r.characteristic != "")
            .distinct().order_by(s.INSPECTION_SET.c.inspection_id, r.gauge, r.characteristic, r.day)
        )  # fmt: skip
        for row in rows:
            of = approved[int(row["inspection_id"])]
            number = int(of["specification_id"])
            specs[number] = specs.get(number) or stored_specification(ledger, number)
            place, _ = gauge_of(specs[number], str(row["gauge"]), str(row["characteristic"]))
            gauge = specs[number].gauges[place].id if place >= 0 else str(row["gauge"])
            due: dt.date | None = specs[number].gauges[place].calibration_due if place >= 0 else None
            logged = str(of["at"])[:10]
            day = min(str(row["day"] or logged), logged)
            later = [c for c in known.get(gauge, []) if int(c["entry"]) > int(of["approval"])]
            if not later:
                continue
            now = doubt_of(gauge, day, known[gauge], due)
            then = doubt_of(gauge, day, [c for c in known[gauge] if c not in later], due)
            if now is None or now == then:
                continue
            tells = [c for c in later if now.found_bad is not None and c["id"] == now.found_bad["id"]]
            last = max(tells or later, key=lambda c: int(c["id"]))  # a good one after it asks nothing anew
            yield Question(
                str(of["kit"]), str(of["part"]), str(of["serial"]), int(of["id"]), int(of["approval_id"]),
                int(of["approval"]), gauge, int(last["id"]), int(last["entry"]), now.sentence,
            )  # fmt: skip


def question_words(question: Question) -> str:
    """Return what a question says, and how it is closed."""
    return (
        f"in question: {question.sentence} (entry {question.calibration}, after the approval, entry "
        f"{question.approval}). holeqc gauge suspect {question.gauge} says what its error changes; an inspector closes "
        f"it: holeqc question {question.serial} --by WHO --reason TEXT"
    )


def close_questions(ledger: Ledger, serial: str, by: str, reason: str, *, kit: str = "", part: str = "") -> Entry:
    """Close all open questions of a part with a reason.

    Raises:
        LedgerError: none is open, no reason, or the kit asks for two persons and this one logged or read the part.
    """
    if not reason.strip():
        raise LedgerError("say why the part is good in spite of the gauge: --reason TEXT")
    with ledger.transaction():
        found = [
            q for q in open_questions(ledger, serial) if (not kit or q.kit == kit) and (not part or q.part == part)
        ]
        if not found:
            raise LedgerError(f"serial {serial}: nothing puts it in question, so nothing was recorded")
        persons.require_role(ledger, by, "inspector")
        mine = persons.same(by)
        for question in found:
            asks = ledger.rows(
                select(s.SPECIFICATION.c.two_person).join(s.INSPECTION)
                .where(s.INSPECTION.c.id == question.inspection_id)
            )[0]["two_person"]  # fmt: skip
            did = persons.logged_by(ledger, question.inspection_id) | persons.read_by(ledger, question.inspection_id)
            if asks and mine in did:
                raise LedgerError(f"{by.strip()} logged or read {serial}; the kit asks for a second person to close it")
        rows = [{"approval_id": q.approval_id, "calibration_id": q.calibration_id, "note": reason} for q in found]
        return ledger.entry("question", by, {"question_closed": rows}, reason=reason)
