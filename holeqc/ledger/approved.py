"""An approved set as it was recorded: what a packet is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc.inspection.results import VERDICTS
from holeqc.ledger import schema as s
from holeqc.ledger.again import inspection_again
from holeqc.ledger.approvals import approval_about, refuse_other_verdict, refuse_unsound, signed_before, whole_story
from holeqc.ledger.kits import stored_specification
from holeqc.ledger.obstacles import WHEN_GIVEN, findings, standing_approval
from holeqc.ledger.questions import open_questions, question_words
from holeqc.ledger.signing import refuse_bad, signature_of, signed
from holeqc.ledger.stories import part_story
from holeqc.ledger.tags import Link, TagState, find_tags, links
from holeqc.ledger.verify import faults_of_part
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Ledger
    from holeqc.ledger.signing import Signer
    from holeqc.ledger.stories import InspectionStory, PartStory

Row = dict[str, Any]
PACKET = "packet"  #: kind of the entry that holds the digest of a packet's manifest, in its reason


@dataclass(frozen=True, slots=True)
class ApprovedSet:
    """The set that an approval locks.

    ``inspection`` is judged again from the record and gave the recorded verdicts. ``approval_entry`` and
    ``inspection_entry`` are the entries' whole rows. ``tags`` are all tags of the part up to the approval,
    ``later`` the inspections recorded since. ``signature``: the approval's, None where the name is as typed.
    """

    story: InspectionStory
    approval: Row
    approval_entry: Row
    inspection_entry: Row
    kit_text: str
    kit_digest: str
    inspection: Inspection
    tags: tuple[TagState, ...]
    later: tuple[Row, ...]
    signature: Row | None = None
    links: dict[int, Link] = field(default_factory=dict)  #: the part's inspections that join rechecks


def approved_set(ledger: Ledger, serial: str, *, kit: str = "", part: str = "") -> ApprovedSet:
    """Return the newest approved set of a part whose approval stands.

    Raises:
        LedgerError: an entry that it rests on doesn't hold, no approval stands, a later inspection rejects or holds
            the part, it is in question, the approval was given against the rules, or this version judges the
            recorded readings differently.
    """
    with ledger.reading():
        story = whole_story(ledger, serial, kit=kit, part=part)
        refuse_unsound(ledger, serial)
        standing = [one for one in story.inspections if standing_approval(one) is not None]
        if not standing:
            raise LedgerError(
                f"serial {serial}: no approval of it stands, so there is no packet; holeqc approve says what is missing"
            )
        one = standing[-1]
        approval = standing_approval(one) or {}
        _refuse_given_against(ledger, one, approval)
        _refuse_later(story, one, int(approval["entry"]))
        for question in open_questions(ledger, serial):
            if question.approval_id == approval["id"]:
                raise LedgerError(f"serial {serial} is {question_words(question)}")
        later = tuple(x.row for x in story.inspections if x.row["id"] > one.row["id"])
        tags = find_tags(ledger, serial=serial, kit=str(one.row["kit"]), part=str(one.row["part"]))
        kit_row = ledger.rows(select(s.SPECIFICATION).where(s.SPECIFICATION.c.id == one.row["specification_id"]))[0]
        signature = signature_of(ledger, int(approval["entry"]))
        if stored_specification(ledger, int(one.row["specification_id"])).approval_signed:
            before = [tag.as_of(int(approval["entry"])) for tag in tags]
            acts = signed_before(ledger, one, before)
            refuse_bad(ledger, acts | {int(approval["entry"]): ("approval", approval_about(ledger, one, approval))})
        inspection = inspection_again(ledger, int(one.row["id"]))
        refuse_other_verdict(one, inspection)
        return ApprovedSet(
            one, approval, entry_row(ledger, int(approval["entry"])), entry_row(ledger, int(one.row["entry"])),
            str(kit_row["content"]), str(kit_row["digest"]), inspection,
            tuple(tag.as_of(int(approval["entry"])) for tag in tags if tag.row["entry"] < approval["entry"]), later,
            signature, links(ledger, serial),
        )  # fmt: skip


def later_against(story: PartStory, inspection_id: int) -> list[Row]:
    """Return the inspections after one that speak against the part: the newest, where it rejects or holds, and each
    that rejected or held it and has a tag still open or closed as scrap or return.
    """
    later = [one for one in story.inspections if one.row["id"] > inspection_id and one.row["verdict"] != VERDICTS[0]]
    return [one.row for one in later if one is story.inspections[-1] or any(t.speaks_against for t in one.tags)]


def against_words(row: Row) -> str:
    """Return what a later inspection says against the part."""
    does = {"hold": "holds", "reject": "rejects"}[str(row["verdict"])]
    return f"inspection {row['id']}, recorded later as entry {row['entry']}, {does} it"


def _refuse_given_against(ledger: Ledger, one: InspectionStory, approval: Row) -> None:
    """Refuse an approval that stood against the rules when it was given: whoever wrote it went past `approve`."""
    entry = int(approval["entry"])
    found = findings(ledger, one, str(approval["made_by"]), before=entry).obstacles
    against = [problem.message for problem in found if problem.code in WHEN_GIVEN]
    if against:
        raise LedgerError(
            f"the approval of {one.row['serial']}, entry {entry}, was given although {'; '.join(against)}; withdraw "
            f"it: holeqc withdraw {one.row['serial']} --by WHO --reason TEXT"
        )


def _refuse_later(story: PartStory, one: InspectionStory, approval: int) -> None:
    against = later_against(story, int(one.row["id"]))
    if against:
        words = "; ".join(against_words(row) for row in against)
        raise LedgerError(
            f"serial {story.serial} is approved by inspection {one.row['id']} (entry {approval}), but {words}. Decide "
            f"on its tags (holeqc tags --serial {story.serial}), or read the part again, and approve the newest "
            f"inspection; or withdraw the approval: holeqc withdraw {story.serial} --by WHO --reason TEXT"
        )


def entry_row(ledger: Ledger, seq: int) -> Row:
    """Return an entry's whole row; raises LedgerError where there is none."""
    rows = ledger.rows(select(s.ENTRY).where(s.ENTRY.c.seq == seq))
    if not rows:
        raise LedgerError(f"ledger {ledger.location.shown}: there is no entry {seq}")
    return rows[0]


# --------------------------------------------------------------------------------------------- a packet on record


def record_packet(
    ledger: Ledger, approved: ApprovedSet, manifest_digest: str, by: str, signer: Signer | None = None
) -> dict[str, Any]:
    """Record that a packet was made; return the seal of that entry, which the packet carries.

    ``signer``: the key of who makes it, where the kit asks for signatures; the seal then carries the signature.
    """
    number = int(approved.approval["entry"])
    rows: dict[str, list[Row]] = {}
    if approved.inspection.specification.approval_signed:
        about = {"approval_hash": approved.approval_entry["hash"], "manifest": manifest_digest}
        rows["signature"] = [signed(ledger, signer, by, PACKET, about)]
    seq = ledger.entry(PACKET, by, rows, reason=packet_words(number, manifest_digest)).seq
    signature = {"signature": rows["signature"][0]} if rows else {}
    return ledger.seal_data("packet", seq) | signature


def packet_words(approval_entry: int, manifest_digest: str) -> str:
    """Return what the entry of a packet says."""
    return f"packet of approval {approval_entry}, manifest SHA-256 {manifest_digest}"


def compare_with_ledger(
    ledger: Ledger, approval: Mapping[str, Any], manifest_digest: str
) -> tuple[list[str], list[str]]:
    """Return in what a packet's approval and manifest differ from the ledger, and what else to know of it."""
    e = s.ENTRY.c
    seq, said = int(approval.get("entry", 0)), str(approval.get("hash", ""))
    rows = ledger.rows(select(s.ENTRY).where(e.seq == seq))
    place = f"ledger {ledger.location.shown}"
    if not rows or rows[0]["hash"] != said or rows[0]["kind"] != "approval":
        return [f"{place}: entry {seq} is not the approval that the packet names"], []
    differences: list[str] = []
    notes = []
    back = ledger.rows(
        select(e.seq, e.reason).join(s.WITHDRAWAL, s.WITHDRAWAL.c.entry == e.seq)
        .join(s.APPROVAL, s.APPROVAL.c.id == s.WITHDRAWAL.c.approval_id).where(s.APPROVAL.c.entry == seq)
    )  # fmt: skip
    if back:
        differences.append(f"{place}: the approval was withdrawn, entry {back[0]['seq']}: {back[0]['reason']}")
    serial, against = _later_words(ledger, seq)
    differences += [f"{place}: {words}" for words in against]
    differences += [f"{place}: {question_words(one)}" for one in open_questions(ledger, serial) if one.approval == seq]
    with ledger.reading() as connection:
        differences += [f"{place} doesn't hold: {words}" for words in faults_of_part(connection, serial)]
    logged = ledger.rows(select(e.seq).where(e.kind == PACKET, e.reason == packet_words(seq, manifest_digest)))
    made = ledger.rows(select(e.seq).where(e.kind == PACKET, e.reason.startswith(f"packet of approval {seq}, ")))
    if logged:
        notes.append(f"{place}: this manifest is on record as entry {logged[0]['seq']}")
    elif made:
        differences.append(f"{place}: another manifest is on record for this approval, entry {made[-1]['seq']}")
    else:
        differences.append(f"{place}: no manifest of this approval is on record, so this is no packet")
    return differences, notes


def _later_words(ledger: Ledger, approval_entry: int) -> tuple[str, list[str]]:
    """Return the serial number that an approval speaks of, and what was recorded against the part since."""
    i, text = s.INSPECTION.c, s.SPECIFICATION.c
    row = ledger.rows(
        select(i.id, i.part, i.serial, text.kit).join(s.APPROVAL, s.APPROVAL.c.inspection_id == i.id)
        .join(s.SPECIFICATION, text.id == i.specification_id).where(s.APPROVAL.c.entry == approval_entry)
    )[0]  # fmt: skip
    story = part_story(ledger, str(row["serial"]), kit=str(row["kit"]), part=str(row["part"]))
    ours = [one for one in story.inspections if one.row["part"] == row["part"]]
    later = later_against(replace(story, inspections=tuple(ours)), int(row["id"]))
    return str(row["serial"]), [against_words(found) for found in later]
