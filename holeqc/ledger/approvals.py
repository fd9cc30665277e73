"""Approval of a part: what stands in its way, the approval itself, and its withdrawal.

An approval speaks of one inspection, the newest of the part, and locks the set that it rests on: readings, verdicts and
tags of that set take no more entries. What is recorded later opens a new inspection that names the old one. An approval
is withdrawn by a new entry with a reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc.inspection.results import VERDICTS
from holeqc.ledger import schema as s
from holeqc.ledger.again import inspection_again
from holeqc.ledger.kits import newest_release, release_about, stored_specification
from holeqc.ledger.obstacles import NOT_RECORDED, findings
from holeqc.ledger.persons import require_role
from holeqc.ledger.signing import refuse_bad, signed
from holeqc.ledger.stories import part_story
from holeqc.ledger.tags import DISPOSITIONED, disposition_about, find_tags, links, released_with, speaking_for
from holeqc.ledger.verify import faults_of_part
from holeqc.problems import ERROR, LedgerError, Problem

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Entry, Ledger
    from holeqc.ledger.signing import Signer
    from holeqc.ledger.stories import InspectionStory, PartStory
    from holeqc.ledger.tags import TagState

Row = dict[str, Any]


class ApprovalRefused(LedgerError):
    """Something stands in the way of an approval; ``problems`` lists all of it. Nothing was recorded."""


@dataclass(frozen=True, slots=True)
class Approved:
    """An approval that was recorded.

    ``remarks`` are kept in its note; ``released``: the nonconformances that it lets pass, in words, '' for none.
    """

    entry: Entry
    inspection: Row
    remarks: tuple[str, ...] = ()
    released: str = ""


def newest_story(ledger: Ledger, serial: str, *, kit: str = "", part: str = "") -> InspectionStory:
    """Return the newest inspection of a part with all that hangs on it.

    Raises:
        ApprovalRefused: the serial number isn't recorded, or belongs to several parts or kits.
    """
    return whole_story(ledger, serial, kit=kit, part=part).inspections[-1]


def whole_story(ledger: Ledger, serial: str, *, kit: str = "", part: str = "") -> PartStory:
    """Return the story of one part of one kit; raises as `newest_story` does."""
    story = part_story(ledger, serial, kit=kit, part=part)
    _refuse_unclear(ledger, story, kit, part)
    return story


def _refuse_unclear(ledger: Ledger, story: PartStory, kit: str, part: str) -> None:
    if not story:
        words = [f"serial {story.serial}", *([f"part {part}"] if part else []), *([f"kit {kit}"] if kit else [])]
        raise ApprovalRefused(
            f"{', '.join(words)}: nothing is recorded in ledger {ledger.location.shown}",
            [Problem(ERROR, NOT_RECORDED, "no inspection of it is recorded", serial=story.serial, holds=True,
                     action="Record its sheet first: holeqc check KIT.toml SHEET --record --by WHO")],
        )  # fmt: skip
    names = list(dict.fromkeys((str(i.row["kit"]), str(i.row["part"])) for i in story.inspections))
    if len(names) > 1:
        listed = "; ".join(f"kit {a}, part {b or '-'}" for a, b in names)
        raise ApprovalRefused(
            f"serial {story.serial} is recorded of several parts ({listed}); name one with --kit and --part"
        )


# ------------------------------------------------------------------------------------------------------- approve


def refuse_other_verdict(one: InspectionStory, inspection: Inspection) -> None:
    """Refuse an inspection whose recorded readings are judged otherwise today: its report would contradict the record.

    Raises:
        LedgerError: the part or a hole has another verdict now.
    """
    now = {str(h): VERDICTS[int(v)] for h, v in zip(inspection.holes["hole"], inspection.holes["verdict"], strict=True)}
    was = {str(row["hole"]): str(row["verdict"]) for row in one.holes}
    verdict = VERDICTS[int(inspection.parts["verdict"].max())]
    if verdict != one.row["verdict"] or now != was:
        differing = ", ".join(f"hole {h}: {was.get(h)} then, {now[h]} now" for h in now if now[h] != was.get(h))
        raise LedgerError(
            f"inspection {one.row['id']} was judged {one.row['verdict']} by holeqc {one.row['tool']}, and is judged "
            f"{verdict} by this version ({differing or 'the part as a whole'}); nothing was recorded. Use the version "
            "that judged it, or record its sheet again"
        )


def refuse_unsound(ledger: Ledger, serial: str) -> None:
    """Refuse to go on with a part whose record doesn't hold.

    Raises:
        LedgerError: an entry that it rests on was changed, or a guard doesn't stand.
    """
    with ledger.reading() as connection:
        faults = faults_of_part(connection, serial)
    if faults:
        raise LedgerError(
            f"ledger {ledger.location.shown} doesn't hold, so nothing can rest on it: {'; '.join(faults)}. Nothing was "
            "recorded; holeqc ledger verify says more; go on with the last copy that holds"
        )


def approve(
    ledger: Ledger, serial: str, by: str, *, role: str = "inspector", kit: str = "", part: str = "", note: str = "",
    clock_reason: str = "", signer: Signer | None = None,
) -> Approved:  # fmt: skip
    """Approve the newest inspection of a part.

    ``by``: who approves, ``role``: as what. The kit text that judged must be the one that was released last.
    ``signer``: the person's key, where the kit asks for signatures. ``clock_reason``: why the readings are of
    a day that is still to come by the clock here.

    Raises:
        ApprovalRefused: something stands in the way; its problems are the whole list.
        LedgerError: its recorded readings give another verdict, an entry that it rests on doesn't hold, or a guard of
            the ledger doesn't stand.
    """
    if not by.strip():
        raise LedgerError("say who approves: a number or an id is enough (--by 41)")
    with ledger.transaction():
        story = newest_story(ledger, serial, kit=kit, part=part)
        refuse_unsound(ledger, serial)
        require_role(ledger, by, role)
        found = findings(ledger, story, by, clock_reason)
        if found.obstacles:
            why = f"{_name(story)} can't be approved: {_count(found.obstacles)} in the way"
            raise ApprovalRefused(why, list(found.obstacles))
        refuse_other_verdict(story, inspection_again(ledger, int(story.row["id"])))
        kept = "; ".join(words for words in (note, *found.remarks) if words)
        tags = find_tags(
            ledger, serial=str(story.row["serial"]), kit=str(story.row["kit"]), part=str(story.row["part"])
        )
        row = {"inspection_id": story.row["id"], "role": role.strip(), "note": kept}
        rows: dict[str, list[Row]] = {"approval": [row]}
        spec = stored_specification(ledger, int(story.row["specification_id"]))
        if spec.approval_signed:
            refuse_bad(ledger, signed_before(ledger, story, tags))
            rows["signature"] = [signed(ledger, signer, by, "approval", approval_about(ledger, story, row))]
        entry = ledger.entry("approval", by, rows)
        own = speaking_for(int(story.row["id"]), tags, links(ledger, str(story.row["serial"])))
        return Approved(entry, story.row, found.remarks, released_with(tags, int(story.row["id"]), own))


def approval_about(ledger: Ledger, story: InspectionStory, approval: Row) -> Row:
    """Return what an approval's signature speaks of: the inspection and the kit text by their digests."""
    text, e, row = s.SPECIFICATION.c, s.ENTRY.c, story.row
    kit = ledger.rows(select(text.kit, text.revision, text.digest).where(text.id == row["specification_id"]))[0]
    entry = ledger.rows(select(e.hash).where(e.seq == row["entry"]))[0]
    return {
        "kit": kit["kit"], "revision": kit["revision"], "kit_sha256": kit["digest"], "part": row["part"],
        "serial": row["serial"], "inspection_hash": entry["hash"], "role": approval["role"], "note": approval["note"],
    }  # fmt: skip


def signed_before(ledger: Ledger, story: InspectionStory, tags: Sequence[TagState]) -> dict[int, tuple[str, Row]]:
    """Return the acts that an approval rests on and that a kit wants signed: entry -> act and what it speaks of."""
    acts: dict[int, tuple[str, Row]] = {}
    newest = newest_release(ledger, str(story.row["kit"]))
    if newest is not None:
        acts[int(newest["entry"])] = ("kit released", release_about(newest))
    for tag in tags:
        for event in tag.events:
            if event["event"] == DISPOSITIONED and event["disposition"]:
                acts[int(event["entry"])] = ("disposition", disposition_about(ledger, tag, event))
    return acts


def withdraw(ledger: Ledger, serial: str, by: str, reason: str, *, kit: str = "", part: str = "") -> Entry:
    """Withdraw the newest approval of a part that stands; the approval stays on record.

    Raises:
        LedgerError: no approval of it stands, no reason.
    """
    if not reason.strip():
        raise LedgerError("say why: a withdrawal needs its reason (--reason)")
    with ledger.transaction():
        story = whole_story(ledger, serial, kit=kit, part=part)
        standing = [a for i in story.inspections for a in i.approvals if a["withdrawn_at"] is None]
        if not standing:
            raise LedgerError(f"serial {serial}: no approval stands, so there is nothing to withdraw")
        approval = standing[-1]
        return ledger.entry(
            "withdrawal", by, {"withdrawal": [{"approval_id": approval["id"]}]}, replaces=int(approval["entry"]),
            reason=reason,
        )  # fmt: skip


def _name(story: InspectionStory) -> str:
    return " ".join(word for word in (str(story.row["part"]), str(story.row["serial"])) if word)


def _count(found: Sequence[Problem]) -> str:
    return "1 thing stands" if len(found) == 1 else f"{len(found)} things stand"


def approved_before(
    ledger: Ledger, inspections: Mapping[tuple[str, str], int]
) -> dict[tuple[str, str], tuple[int, str]]:  # fmt: skip
    """Return the new inspections of parts that are approved: (part, serial) -> the approval's entry, new verdict."""
    i, before, old = s.INSPECTION.c, s.INSPECTION.alias("before"), s.APPROVAL.c
    text, text_before = s.SPECIFICATION.c, s.SPECIFICATION.alias("text_before")
    back = select(s.WITHDRAWAL.c.id).where(s.WITHDRAWAL.c.approval_id == old.id)
    ids = list(inspections.values())
    found: dict[int, tuple[int, str]] = {}
    for start in range(0, len(ids), 500):
        rows = ledger.rows(
            select(i.id, i.verdict, old.entry)
            .select_from(s.INSPECTION)
            .join(s.SPECIFICATION, text.id == i.specification_id)
            .join(before, (before.c.serial == i.serial) & (before.c.part == i.part) & (before.c.id < i.id))
            .join(text_before, (text_before.c.id == before.c.specification_id) & (text_before.c.kit == text.kit))
            .join(s.APPROVAL, old.inspection_id == before.c.id)
            .where(i.id.in_(ids[start : start + 500]), ~back.exists())
            .order_by(old.entry)
        )
        found |= {int(row["id"]): (int(row["entry"]), str(row["verdict"])) for row in rows}
    return {key: found[number] for key, number in inspections.items() if number in found}
