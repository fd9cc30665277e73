"""What a later inspection of a part does to its open tags: which it closes, which stay open, and why.

* Accepted now, a hold tag: closed, the evidence is there, if the readings are of the day of the held ones or younger.
* Accepted now, a reject tag under disposition rework or repair: closed, likewise by readings of the day of the rejected
  ones or younger. A disposition waits for readings that are recorded after it, and that are of its day (or that on
  which the work was done) or younger.
* Readings that are copies of recorded ones hold the part (`holeqc.ledger.resemblance`), so they close nothing.
* Accepted now, a reject tag without disposition: stays open; reading until it passes is no decision.
* Accepted now, a hole that was over its upper limit: rework takes material away and can't make it smaller, so it stays
  open, and so does a crack or an edge too near. A repair, such as a bush, closes it.
* Not accepted again, at least as badly: the new tag takes its place, and the old one says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from holeqc.inspection.results import joined
from holeqc.ledger import schema as s
from holeqc.ledger.rechecks import links
from holeqc.ledger.tags import BEYOND, CLOSED, GOES_ON, REINSPECTED, WORKED_ON, TagState, beyond_rework, find_tags

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger, Transaction

ACCEPT, HOLD, REJECT = s.VERDICTS
OVERSIZE = "the hole was over its upper limit; rework can't make it smaller: engineering decides"
_WORSE = {word: number for number, word in enumerate(s.VERDICTS)}

Row = dict[str, Any]
Written = Sequence[tuple[Row, tuple[str, ...]]]  #: rows of new tags, each with the holes that it speaks of


def ties(
    ledger: Ledger, transaction: Transaction, ours: Mapping[tuple[str, str], int], written: Written
) -> list[Row]:  # fmt: skip
    """Return the events of older open tags of parts that were inspected again; ``ours``: (part, serial) -> inspection.

    ``written``: the new tags of these inspections.
    """
    i = s.INSPECTION.c
    again: dict[tuple[str, str, str], int] = {}
    ids = list(ours.values())
    for start in range(0, len(ids), 500):
        found = transaction.connection.execute(
            select(i.id, s.SPECIFICATION.c.kit, i.part, i.serial).join(s.SPECIFICATION)
            .where(i.id.in_(ids[start : start + 500]), i.follows.is_not(None))
        )  # fmt: skip
        again |= {(str(r[1]), str(r[2]), str(r[3])): int(r[0]) for r in found}
    events: list[Row] = []
    known = links(ledger) if again else {}
    for tag in [t for kit in sorted({kit for kit, _, _ in again}) for t in find_tags(ledger, kit=kit, only_open=True)]:
        number = again.get((str(tag.row["kit"]), str(tag.row["part"]), str(tag.row["serial"])))
        if number in known and not known[number].touches(tag):
            continue  # nothing of it was read again
        if number is not None and int(tag.row["inspection_id"]) != number:
            events += _tie(transaction, tag, number, [w for w in written if w[0]["inspection_id"] == number])
    return events


def left_open(ledger: Ledger, inspections: Iterable[int]) -> list[str]:
    """Return a sentence for each tag that inspections accepted and could not close by their readings, with the reason.
    """
    ids = list(inspections)
    e, found = s.TAG_EVENT.c, []
    for start in range(0, len(ids), 500):
        found += ledger.rows(
            select(s.TAG.c.number, e.note).join(s.TAG, s.TAG.c.id == e.tag_id)
            .where(e.event == REINSPECTED, e.inspection_id.in_(ids[start : start + 500]))
            .where(e.note.not_in(s.VERDICTS)).order_by(e.id)
        )  # fmt: skip
    return [f"tag {row['number']} stays open: {str(row['note']).partition('; ')[2]}" for row in found]


def _tie(transaction: Transaction, tag: TagState, number: int, written: Written) -> list[Row]:
    verdict = _verdict_now(transaction, tag, number)
    event: Row = {"tag_id": tag.row["id"], "event": REINSPECTED, "inspection_id": number, "note": verdict}
    closing: Row = {"tag_id": tag.row["id"], "event": CLOSED, "inspection_id": number}
    against = _against(transaction, tag, number, verdict)
    if against:
        return [event | {"note": f"{verdict}; {against}"}]
    if verdict == ACCEPT:
        if tag.disposition in WORKED_ON:
            return [event, closing | {"note": f"accepted after {tag.disposition}"}]
        if tag.row["verdict"] == HOLD:
            return [event, closing | {"note": "accepted when read again"}]
        return [event]
    after = [row for row, holes in written if set(holes) & set(tag.holes)]
    worse = [row for row in after if _WORSE[str(row["verdict"])] >= _WORSE[str(tag.row["verdict"])]]
    covered = {hole for row, holes in written if row in worse for hole in holes}
    if worse and set(tag.holes) <= covered | _accepted(transaction, tag, number):
        return [event, closing | {"note": f"{GOES_ON}{', '.join(str(row['number']) for row in worse)}"}]
    return [event]


def _against(transaction: Transaction, tag: TagState, number: int, verdict: str) -> str:
    """Return why a later inspection can't close a tag, '' where nothing speaks against it."""
    were = "rejected" if tag.row["verdict"] == REJECT else "held"
    before, now = (_last_day(transaction, tag, n) for n in (int(tag.row["inspection_id"]), number))
    if before and not now:
        return f"its readings have no day, so they may be older than the {were} ones of {before}"
    if before and now < before:
        return f"it was read on {now}, before the {were} readings of {before}"
    if now and now < (since := tag.worked_since(_offset(transaction, number))):
        return f"it was read on {now}, before the {tag.disposition} was decided or done on {since}"
    if tag.row["verdict"] == HOLD:
        return ""
    was = beyond_rework(transaction.connection, int(tag.row["inspection_id"]), tag.holes)
    if not was or tag.disposition == "repair":
        return ""
    mended = was if verdict == ACCEPT else was.keys() - beyond_rework(transaction.connection, number, tag.holes)
    if not mended:
        return ""
    others = {was[hole] for hole in mended} - {BEYOND["over"], BEYOND["no-go-entered"]}
    return f"the hole {joined(sorted(others))}; rework can't mend that: engineering decides" if others else OVERSIZE


def _offset(transaction: Transaction, number: int) -> int:
    """Return how far from UTC the bench is that logged an inspection [minutes]."""
    asked = select(s.ENTRY.c.offset_minutes).join(s.INSPECTION, s.INSPECTION.c.entry == s.ENTRY.c.seq)
    return int(transaction.connection.execute(asked.where(s.INSPECTION.c.id == number)).scalar_one())


def _last_day(transaction: Transaction, tag: TagState, number: int) -> str:
    """Return the last day on which an inspection read a tag's holes, '' where no reading says one."""
    r, i = s.READING.c, s.INSPECTION.c
    of_holes = (
        select(func.max(r.day)).join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
        .where(s.INSPECTION_SET.c.inspection_id == number, r.hole.in_(tag.holes))
    )  # fmt: skip
    day = transaction.connection.execute(of_holes).scalar()
    return str(day or transaction.connection.execute(select(i.last_day).where(i.id == number)).scalar() or "")


def _verdict_now(transaction: Transaction, tag: TagState, number: int) -> str:
    """Return the worst verdict of what a tag speaks of in a later inspection."""
    i, h = s.INSPECTION.c, s.HOLE_VERDICT.c
    part = transaction.connection.execute(select(i.verdict, i.pin_verdict).where(i.id == number)).one()
    holes = {
        str(row.hole): str(row.verdict)
        for row in transaction.connection.execute(select(h.hole, h.verdict).where(h.inspection_id == number))
    }
    if tag.row["hole"] == "pattern":
        return str(part.pin_verdict) or str(part.verdict)
    found = [holes.get(hole, str(part.verdict)) for hole in tag.holes]
    return max(found, key=_WORSE.__getitem__)


def _accepted(transaction: Transaction, tag: TagState, number: int) -> set[str]:
    h = s.HOLE_VERDICT.c
    rows = transaction.connection.execute(
        select(h.hole).where(h.inspection_id == number, h.verdict == ACCEPT, h.hole.in_(tag.holes))
    )
    return {str(row.hole) for row in rows}
