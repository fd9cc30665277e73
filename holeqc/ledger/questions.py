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
from holeqc.ledger.equipment import BAD, calibrations, doubt_of
from holeqc.ledger.kits import stored_specification
from holeqc.ledger.times import today
from holeqc.ledger.values import plain
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Entry, Ledger
    from holeqc.specification.model import Specification

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
            gauge = _named(specs[number], str(row["gauge"]), str(row["characteristic"]))
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


def consequence(ledger: Ledger, question: Question) -> tuple[bool, str]:
    """Return whether the gauge's error is known, and what changes in the part's verdicts with it taken out ('':
    nothing) or, where it isn't known, what its readings are then.
    """
    from holeqc.ledger.obstacles import without_its_error

    c = s.GAUGE_CALIBRATION.c
    row = ledger.rows(select(s.GAUGE_CALIBRATION).where(c.id == question.calibration_id))[0]
    if row["result"] != BAD or row["error"] is None:
        return False, f"every reading of gauge {question.gauge} is doubtful"
    story = ledger.part_story(question.serial, kit=question.kit, part=question.part)
    one = next(x for x in story.inspections if x.row["id"] == question.inspection_id)
    return True, without_its_error(ledger, one, question.gauge, "", row)


def consequence_words(ledger: Ledger, question: Question) -> str:
    """Return the same in a sentence."""
    known, change = consequence(ledger, question)
    if not known:
        return f"its error isn't known: {change}"
    return f"with its error taken out {change or 'every verdict stays'}"


def _read_since(ledger: Ledger, question: Question) -> int | None:
    """Return the entry of an inspection that accepts the part by readings logged after the gauge was found off, none of
    them taken with it; None where there is none.
    """
    i, r, sets = s.INSPECTION.c, s.READING.c, s.READING_SET.c
    text = s.SPECIFICATION.c
    rows = ledger.rows(
        select(i.id, i.entry, i.specification_id).join(s.SPECIFICATION, text.id == i.specification_id)
        .where(i.serial == plain(question.serial), i.part == plain(question.part), text.kit == plain(question.kit))
        .where(i.entry > question.calibration, i.verdict == s.VERDICTS[0]).order_by(i.id.desc())
    )  # fmt: skip
    for row in rows:
        spec = stored_specification(ledger, int(row["specification_id"]))
        of = ledger.rows(
            select(r.gauge, r.characteristic, sets.entry).distinct().join(s.READING_SET, sets.id == r.set_id)
            .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
            .where(s.INSPECTION_SET.c.inspection_id == row["id"], r.characteristic != "")
        )  # fmt: skip
        if all(x["entry"] > question.calibration for x in of) and not any(
            _named(spec, str(x["gauge"]), str(x["characteristic"])) == question.gauge for x in of
        ):
            return int(row["entry"])
    return None


def _named(spec: Specification, gauge: str, characteristic: str) -> str:
    place, _ = gauge_of(spec, gauge, characteristic)
    return spec.gauges[place].id if place >= 0 else gauge


def _proof(ledger: Ledger, question: Question, instead: str) -> str:
    """Return in words what speaks for a part in spite of its gauge; ``instead``: gauge that it was read again with.

    Raises:
        LedgerError: nothing does: its error changes a verdict or isn't known, no reading of another gauge is on record
            since, and nobody says that there was one.
    """
    known, change = consequence(ledger, question)
    said = f"gauge {question.gauge}, entry {question.calibration}: {consequence_words(ledger, question)}"
    if known and not change:
        return said
    entry = _read_since(ledger, question)
    if entry is not None:
        return f"{said}; read again with another gauge and accepted, entry {entry}"
    if known:
        raise LedgerError(
            f"{said}. A reason alone doesn't close that: read {question.serial} again with another gauge, record it "
            f"and approve it; or withdraw the approval: holeqc withdraw {question.serial} --by WHO --reason TEXT"
        )
    if not instead.strip():
        raise LedgerError(
            f"{said}. Read {question.serial} again with another gauge and record it; or, if an inspector has, name "
            "that gauge: --read-with GAUGE"
        )
    row = ledger.rows(select(s.INSPECTION.c.specification_id).where(s.INSPECTION.c.id == question.inspection_id))[0]
    gauges = stored_specification(ledger, int(row["specification_id"])).gauges
    name, due = next(
        ((one.id, one.calibration_due) for one in gauges if persons.same(one.id) == persons.same(instead)), ("", None)
    )
    why = "it isn't in the kit" if not name else "that is the gauge in question" if name == question.gauge else ""
    if doubt := None if why else doubt_of(name, today().isoformat(), calibrations(ledger, name), due):
        why = doubt.sentence
    if why:
        raise LedgerError(f"--read-with {instead.strip()}: {why}; gauges of the kit: {', '.join(g.id for g in gauges)}")
    return f"{said}; read again with {name}, as the inspector states"


def close_questions(
    ledger: Ledger, serial: str, by: str, reason: str, *, kit: str = "", part: str = "", read_with: str = ""
) -> Entry:  # fmt: skip
    """Close all open questions of a part with a reason.

    It is kept with what the gauge's error does to the verdicts. One that changes a verdict is answered by readings of
    another gauge, recorded since; one that isn't known by those, or by the inspector who names the gauge that the part
    was read again with (``read_with``).

    Raises:
        LedgerError: none is open, no reason, nothing proves the part in spite of the gauge, or the kit asks for two
            persons and this one logged or read the part.
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
        rows = [
            {"approval_id": q.approval_id, "calibration_id": q.calibration_id,
             "note": f"{reason.strip()} ({_proof(ledger, q, read_with)})"} for q in found
        ]  # fmt: skip
        return ledger.entry("question", by, {"question_closed": rows}, reason=reason)
