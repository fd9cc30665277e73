"""Tags and their life: opened, dispositioned, reworked, re-inspected, closed. Each step is an event that stays.

A tag belongs to the inspection that wrote it. A later inspection of the same part is tied to every tag of the part that
is still open, and closes it where that is earned:

* accepted now, disposition rework or repair: closed;
* accepted now, a hold tag: closed, the evidence is there;
* accepted now, a reject tag without disposition: stays open; reading until it passes is no decision;
* not accepted again, at least as badly: the new tag takes its place, and the old one says so.

Disposition use-as-is, scrap or return closes at once; use-as-is and repair need the reference of an authority. A
disposition can be replaced by a new one, which names the old entry. What is closed stays closed: of a closed tag, only
one of the three that close can replace another.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.ledger.values import plain
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Entry, Ledger, Transaction

OPENED, DISPOSITIONED, REWORKED, REINSPECTED, CLOSED = s.TAG_EVENTS
NEED_AUTHORITY = ("repair", "use-as-is")
CLOSE_AT_ONCE = ("use-as-is", "scrap", "return")
_WORSE = {word: number for number, word in enumerate(s.VERDICTS)}

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class TagDraft:
    """A tag as a report printed it, on its way into the ledger; ``content`` is the whole tag as data."""

    printed: str
    part: str
    serial: str
    hole: str
    wall: str
    verdict: str
    decide: str
    content: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class TagState:
    """A tag, its events oldest first, and where it stands."""

    row: Row  #: columns of the schema, ``kit``, ``revision``, and its entry's ``at``, ``offset_minutes``, ``made_by``
    events: tuple[Row, ...]  #: columns of the schema and of each one's entry: the same three, and ``reason``

    @property
    def number(self) -> str:
        """T- and six digits."""
        return str(self.row["number"])

    @property
    def state(self) -> str:
        """The last event."""
        return str(self.events[-1]["event"]) if self.events else OPENED

    @property
    def closed(self) -> bool:
        """Whether nothing is left to do."""
        return self.state == CLOSED

    @property
    def disposition(self) -> str:
        """The disposition in force, '' where there is none."""
        return str(self._decided["disposition"]) if self._decided else ""

    @property
    def authority(self) -> str:
        """The reference that the disposition in force rests on."""
        return str(self._decided["authority"]) if self._decided else ""

    @property
    def _decided(self) -> Row | None:
        return next((e for e in reversed(self.events) if e["event"] == DISPOSITIONED), None)

    @property
    def decided_by_entry(self) -> int | None:
        """The entry of the disposition in force."""
        return int(self._decided["entry"]) if self._decided else None

    @property
    def accepted_since(self) -> int | None:
        """The inspection that last read the tag's holes again, if it accepted them."""
        last = next((e for e in reversed(self.events) if e["event"] == REINSPECTED), None)
        return int(last["inspection_id"]) if last is not None and last["note"] == s.VERDICTS[0] else None

    @property
    def holes(self) -> tuple[str, ...]:
        """The holes that it speaks of."""
        return holes_of(str(self.row["hole"]), json.loads(str(self.row["content"]) or "{}"))


def holes_of(hole: str, content: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the holes that a tag speaks of: those of its lines, else the one that it names."""
    named = tuple(dict.fromkeys(str(line.get("hole", "")) for line in content.get("lines", ())))
    return named or (hole,)


# ------------------------------------------------------------------------------------------------------------- ask


def find_tags(
    ledger: Ledger, *, serial: str = "", kit: str = "", part: str = "", number: str = "", only_open: bool = False
) -> list[TagState]:  # fmt: skip
    """Return tags in the order of their numbers."""
    text, i, e = s.SPECIFICATION.c, s.INSPECTION.c, s.ENTRY.c
    wanted = [column == plain(value) for column, value in (
        (s.TAG.c.serial, serial), (text.kit, kit), (s.TAG.c.part, part), (s.TAG.c.number, number),
    ) if value]  # fmt: skip
    if only_open:
        closed = select(s.TAG_EVENT.c.id).where(s.TAG_EVENT.c.tag_id == s.TAG.c.id, s.TAG_EVENT.c.event == CLOSED)
        wanted.append(~closed.exists())
    question = (
        select(*s.TAG.columns, text.kit, text.revision, e.at, e.offset_minutes, e.made_by)
        .select_from(s.TAG)
        .join(s.INSPECTION, i.id == s.TAG.c.inspection_id)
        .join(s.SPECIFICATION, text.id == i.specification_id)
        .join(s.ENTRY, e.seq == s.TAG.c.entry)
        .where(*wanted)
        .order_by(s.TAG.c.id)
    )
    with ledger.reading():
        rows = ledger.rows(question)
        events = _events(ledger, [int(row["id"]) for row in rows])
    return [TagState(row, tuple(events.get(int(row["id"]), ()))) for row in rows]


def _events(ledger: Ledger, ids: Sequence[int]) -> dict[int, list[Row]]:
    e = s.ENTRY.c
    out: dict[int, list[Row]] = {}
    for start in range(0, len(ids), 500):
        question = (
            select(*s.TAG_EVENT.columns, e.at, e.offset_minutes, e.made_by, e.reason)
            .join(s.ENTRY, e.seq == s.TAG_EVENT.c.entry)
            .where(s.TAG_EVENT.c.tag_id.in_(ids[start : start + 500]))
            .order_by(s.TAG_EVENT.c.id)
        )
        for row in ledger.rows(question):
            out.setdefault(int(row["tag_id"]), []).append(row)
    return out


def find_tag(ledger: Ledger, number: str) -> TagState:
    """Return one tag by its number (T-000012, also in small letters or without its zeros).

    Raises:
        LedgerError: there is no such tag.
    """
    digits = number.strip().upper().removeprefix("T-")
    full = f"T-{int(digits):06}" if digits.isascii() and digits.isdigit() and len(digits) < 16 else number.strip()
    found = find_tags(ledger, number=full)
    if not found:
        raise LedgerError(f"ledger {ledger.location.shown}: there is no tag {number}; holeqc tags lists them")
    return found[0]


# ------------------------------------------------------------------------------------------------------------ open


def open_tags(
    ledger: Ledger, inspections: Mapping[tuple[str, str], int], drafts: Iterable[TagDraft], by: str
) -> list[str]:
    """Open the tags of inspections just recorded, tie them to older tags of the same parts; return the new numbers.

    One entry, or none where there is nothing to say. Call it inside the transaction that records the inspections.
    """
    with ledger.transaction() as transaction:
        ours = {(plain(p), plain(x)): i for (p, x), i in inspections.items()}
        new = [d for d in drafts if (plain(d.part), plain(d.serial)) in ours]
        first = transaction.take_ids(s.TAG, 0).start
        rows = [
            {
                "inspection_id": ours[plain(d.part), plain(d.serial)], "number": f"T-{first + n:06}",
                "printed": d.printed, "part": d.part, "serial": d.serial, "hole": d.hole, "wall": d.wall,
                "verdict": d.verdict, "decide": d.decide,
                "content": json.dumps(d.content, ensure_ascii=False, sort_keys=True, allow_nan=False),
            }
            for n, d in enumerate(new)
        ]  # fmt: skip
        events: list[Row] = [
            {"tag_id": first + n, "event": OPENED, "inspection_id": row["inspection_id"]} for n, row in enumerate(rows)
        ]
        written = [(row, holes_of(d.hole, d.content)) for row, d in zip(rows, new, strict=True)]
        events += _ties(ledger, transaction, ours, written)
        if rows or events:
            ledger.entry("tags", by, {"tag": rows, "tag_event": events})
    return [str(row["number"]) for row in rows]


def _ties(
    ledger: Ledger, transaction: Transaction, ours: Mapping[tuple[str, str], int],
    written: Sequence[tuple[Row, tuple[str, ...]]],
) -> list[Row]:  # fmt: skip
    """Return the events of older open tags of the parts that were inspected again."""
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
    for tag in [t for kit in sorted({kit for kit, _, _ in again}) for t in find_tags(ledger, kit=kit, only_open=True)]:
        number = again.get((str(tag.row["kit"]), str(tag.row["part"]), str(tag.row["serial"])))
        if number is not None and int(tag.row["inspection_id"]) != number:
            events += _tie(transaction, tag, number, [w for w in written if w[0]["inspection_id"] == number])
    return events


def _tie(
    transaction: Transaction, tag: TagState, number: int, written: Sequence[tuple[Row, tuple[str, ...]]]
) -> list[Row]:
    verdict = _verdict_now(transaction, tag, number)
    events: list[Row] = [{"tag_id": tag.row["id"], "event": REINSPECTED, "inspection_id": number, "note": verdict}]
    closing: Row = {"tag_id": tag.row["id"], "event": CLOSED, "inspection_id": number}
    if verdict == s.VERDICTS[0]:
        if tag.disposition in {"rework", "repair"}:
            events.append(closing | {"note": f"accepted after {tag.disposition}"})
        elif tag.row["verdict"] == "hold":
            events.append(closing | {"note": "accepted when read again"})
        return events
    after = [row for row, holes in written if set(holes) & set(tag.holes)]
    worse = [row for row in after if _WORSE[str(row["verdict"])] >= _WORSE[str(tag.row["verdict"])]]
    covered = {hole for row, holes in written if row in worse for hole in holes}
    if worse and set(tag.holes) <= covered | _accepted(transaction, tag, number):
        events.append(closing | {"note": f"goes on as {', '.join(str(row['number']) for row in worse)}"})
    return events


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
        select(h.hole).where(h.inspection_id == number, h.verdict == s.VERDICTS[0], h.hole.in_(tag.holes))
    )
    return {str(row.hole) for row in rows}


# ---------------------------------------------------------------------------------------------------------- decide


def dispose(ledger: Ledger, number: str, disposition: str, by: str, reason: str, *, authority: str = "") -> Entry:
    """Record what becomes of a nonconformance; ``by`` is the role that decides.

    Raises:
        LedgerError: no such tag or disposition, no reason, an authority missing, or a hold that can't be used as it is.
    """
    if disposition not in s.DISPOSITIONS:
        raise LedgerError(f"disposition {disposition!r} is not known; give {', '.join(s.DISPOSITIONS)}")
    if not reason.strip():
        raise LedgerError("say why: a disposition needs its reason (--reason)")
    if not by.strip():
        raise LedgerError("say who decides: a role is enough (--by engineer)")
    if disposition in NEED_AUTHORITY and not authority.strip():
        raise LedgerError(
            f"{disposition} leaves a nonconformance in the part: give the reference of who may allow it (--authority)"
        )
    with ledger.transaction():
        tag = find_tag(ledger, number)
        if tag.row["verdict"] == "hold" and disposition in NEED_AUTHORITY:
            raise LedgerError(
                f"tag {tag.number} is a hold: the readings prove neither, so there is nothing to {disposition}. "
                "Complete or repeat the readings and record them"
            )
        if tag.closed and not (tag.disposition in CLOSE_AT_ONCE and disposition in CLOSE_AT_ONCE):
            raise LedgerError(f"tag {tag.number} is closed: {tag.events[-1]['note']}; nothing is left to decide")
        if _approved(ledger, int(tag.row["inspection_id"])):
            raise LedgerError(
                f"tag {tag.number} belongs to an approved set, which is locked; withdraw the approval "
                "first, with a reason"
            )
        said = {"disposition": disposition, "authority": authority.strip(), "role": by.strip(), "note": reason.strip()}
        events: list[Row] = [{"tag_id": tag.row["id"], "event": DISPOSITIONED} | said]
        closing: Row = {"tag_id": tag.row["id"], "event": CLOSED}
        if disposition in CLOSE_AT_ONCE:
            events.append(closing | {"note": f"by disposition {disposition}"})
        elif disposition == "rework" and tag.accepted_since is not None:
            events.append(closing | {"note": "accepted when read again", "inspection_id": tag.accepted_since})
        return ledger.entry(
            "disposition", by, {"tag_event": events}, replaces=tag.decided_by_entry, reason=reason
        )  # fmt: skip


def reworked(ledger: Ledger, number: str, by: str, note: str = "") -> Entry:
    """Record that the rework or repair of a tag was done; the readings that follow decide.

    Raises:
        LedgerError: no such tag, closed, or no disposition rework or repair in force.
    """
    with ledger.transaction():
        tag = find_tag(ledger, number)
        if tag.closed:
            raise LedgerError(f"tag {tag.number} is closed: {tag.events[-1]['note']}")
        if tag.disposition not in {"rework", "repair"}:
            raise LedgerError(
                f"tag {tag.number} has no disposition rework or repair: nobody has said yet that it may be worked on"
            )
        event = {"tag_id": tag.row["id"], "event": REWORKED, "role": by.strip(), "note": note}
        return ledger.entry("rework", by, {"tag_event": [event]})


def _approved(ledger: Ledger, inspection_id: int) -> bool:
    back = select(s.WITHDRAWAL.c.id).where(s.WITHDRAWAL.c.approval_id == s.APPROVAL.c.id)
    return bool(ledger.rows(
        select(s.APPROVAL.c.id).where(s.APPROVAL.c.inspection_id == inspection_id, ~back.exists())
    ))  # fmt: skip
