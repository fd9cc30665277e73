"""Tags and their life: opened, dispositioned, reworked, re-inspected, closed. Each step is an event that stays.

A tag belongs to the inspection that wrote it; a later inspection of the part may close it (`events_of_older_tags`).

Disposition use-as-is, scrap or return closes at once; use-as-is and repair need the reference of an authority. The
disposition of an open tag can be replaced by a new one, which names the old entry. Of a closed tag it is replaced only
on purpose (``supersede``); scrap and return are final, and a slip in them is mended only with an authority's reference.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import and_, func, or_, select

from holeqc.inspection.results import PATTERN, WHOLE_PART, joined, listed
from holeqc.ledger import schema as s
from holeqc.ledger.kits import specification_of_inspection
from holeqc.ledger.persons import not_second, require_decider, signed
from holeqc.ledger.schema import batches, now, plain, shown
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement, Connection

    from holeqc.inspection.tags import Tag
    from holeqc.ledger.ledger import Entry, Ledger, Transaction
    from holeqc.ledger.persons import Signer


OPENED, DISPOSITIONED, REWORKED, REINSPECTED, CLOSED = s.TAG_EVENTS
GOES_ON = "goes on as "  #: begins the note of a tag's last event where a newer one took its place
NEED_AUTHORITY = ("repair", "use-as-is")
#: what cutting can't mend, by its cause
BEYOND = {
    "over": "was over its upper limit", "no-go-entered": "took the NO-GO", "crack": "had a crack",
    "under": "was too near the edge",
}  # fmt: skip
GUARD_BAND = "guard-band"  #: cause of a hold that no further reading decides
COPIED = "copied-from-record"  #: code of the problem that holds readings which equal recorded ones
WORKED_ON = ("rework", "repair")
CLOSE_AT_ONCE = ("use-as-is", "scrap", "return")
NOT_FOR_USE = ("scrap", "return")
#: words that people type where no reference is, without punctuation
NO_REFERENCE = frozenset((
    "na", "none", "no", "ok", "okay", "yes", "nil", "null", "nothing", "unknown", "tbd", "tba", "see above", "same",
    "me", "myself", "x", "xx", "xxx", "any", "approved", "verbal", "later", "pending",
))  # fmt: skip

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class TagState:
    """A tag, its events oldest first, and where it stands."""

    #: the schema's columns, ``kit``, ``revision``, ``kit_digest``; of its entry ``at``, ``offset_minutes``, ``made_by``
    row: Row
    events: tuple[Row, ...]  #: columns of the schema and of each one's entry: the same three, and ``reason``

    @property
    def number(self) -> str:
        """Its code; of tags that older versions recorded T- and six digits."""
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
    def goes_on(self) -> bool:
        """Whether a newer tag took its place."""
        return self.closed and str(self.events[-1]["note"]).startswith(GOES_ON)

    def as_of(self, entry: int) -> TagState:
        """Return the tag as it stood before an entry."""
        return TagState(self.row, tuple(event for event in self.events if event["entry"] < entry))

    @property
    def answered(self) -> bool:
        """Whether readings closed it, which say nothing for what rejects its holes again."""
        return self.closed and self.disposition in WORKED_ON

    def worked_since(self, offset_minutes: int | None = None) -> str:
        """Return the day on which its rework or repair was decided or, if that is told, done; '' where there is none.

        ``offset_minutes``: by the clock of a bench so far from UTC, this one where none is given.
        """
        if self.disposition not in WORKED_ON:
            return ""
        event = next(e for e in reversed(self.events) if e["event"] in (DISPOSITIONED, REWORKED))
        here = now()[1] if offset_minutes is None else offset_minutes
        return shown(str(event["at"]), here)[:10]

    @property
    def not_for_use(self) -> bool:
        """Whether it is closed as scrap or return."""
        return self.closed and self.disposition in NOT_FOR_USE

    @property
    def speaks_against(self) -> bool:
        """Whether it is open, or closed as scrap or return."""
        return not self.closed or self.not_for_use

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
    def holes(self) -> tuple[str, ...]:
        """The holes that it speaks of: those of its lines, else the one that it names."""
        lines = json.loads(str(self.row["content"]) or "{}").get("lines", ())
        return tuple(dict.fromkeys(str(line.get("hole", "")) for line in lines)) or (str(self.row["hole"]),)


def what_of(hole: object) -> str:
    """Return what a tag speaks of, by its ``hole``: a hole, holes, the pattern, the whole part."""
    text = str(hole)
    if text in {PATTERN, WHOLE_PART}:
        return text
    return f"hole{'s' if ', ' in text or ' to ' in text else ''} {text}"


def let_pass(tags: Iterable[TagState], inspection_id: int, own: Iterable[TagState] = ()) -> list[TagState]:
    """Return the tags of nonconformances with which an inspection lets its part pass.

    What was repaired, or rejected and used as it is, is in the part whatever a later sheet says. A hold used as it is
    counts in the inspection that found it and in those that go on with its readings (``own``: the tags that speak for
    it).
    """
    mine = {tag.number for tag in own}
    return [
        tag for tag in tags
        if tag.closed and tag.disposition in NEED_AUTHORITY and (
            tag.row["inspection_id"] == inspection_id or tag.number in mine
            or ((tag.disposition == "repair" or tag.row["verdict"] == REJECT)
                and tag.row["inspection_id"] < inspection_id)
        )
    ]  # fmt: skip


def released_with(tags: Iterable[TagState], inspection_id: int, own: Iterable[TagState] = ()) -> str:
    """Return with which nonconformances an inspection lets its part pass: ``use-as-is, EO-2``; '' for none."""
    found = [f"{tag.disposition}, {tag.authority}" for tag in let_pass(tags, inspection_id, own)]
    return "; ".join(dict.fromkeys(found))


def beyond_rework(connection: Connection, inspection_id: int, holes: Sequence[str]) -> dict[str, str]:
    """Return which holes an inspection rejected for something that cutting can't mend, and in words for what."""
    c = s.CHARACTERISTIC_VERDICT.c
    rows = connection.execute(
        select(c.hole, c.cause).where(c.inspection_id == inspection_id, c.hole.in_(holes), c.verdict == s.VERDICTS[2])
        .where(or_(and_(c.characteristic == "size", c.cause == "over"), c.cause.in_(("no-go-entered", "crack")),
                   and_(c.characteristic == "edge distance", c.cause == "under")))
    )  # fmt: skip
    return {str(row.hole): BEYOND[str(row.cause)] for row in rows}


# ------------------------------------------------------------------------------------------------------------- ask


def closed_tag() -> ColumnElement[bool]:
    """Return the condition that a tag of `schema.TAG` is closed: no disposition came after its closing."""
    end, after = s.TAG_EVENT.alias("end"), s.TAG_EVENT.alias("after")
    again = select(after.c.id).where(
        after.c.tag_id == end.c.tag_id, after.c.event == DISPOSITIONED, after.c.id > end.c.id
    )  # fmt: skip
    return select(end.c.id).where(end.c.tag_id == s.TAG.c.id, end.c.event == CLOSED, ~again.exists()).exists()


def find_tags(
    ledger: Ledger, *, serial: str | Sequence[str] = "", kit: str = "", part: str = "", number: str = "",
    only_open: bool = False, decided: Sequence[str] = (),
) -> list[TagState]:  # fmt: skip
    """Return tags in the order of their numbers; ``serial``: of one or of some; ``decided``: only those that ever had
    one of these dispositions.
    """
    text, i, e = s.SPECIFICATION.c, s.INSPECTION.c, s.ENTRY.c
    wanted: list[ColumnElement[bool]] = [column == plain(value) for column, value in (
        (text.kit, kit), (s.TAG.c.part, part), (s.TAG.c.number, number),
    ) if value]  # fmt: skip
    if serial:
        wanted.append(s.TAG.c.serial.in_([plain(x) for x in ([serial] if isinstance(serial, str) else serial)]))
    if only_open:
        wanted.append(~closed_tag())
    if decided:
        one = select(s.TAG_EVENT.c.tag_id).where(s.TAG_EVENT.c.disposition.in_(decided))
        wanted.append(s.TAG.c.id.in_(one))
    question = (
        select(
            *s.TAG.columns, text.kit, text.revision, text.digest.label("kit_digest"), e.at, e.offset_minutes, e.made_by
        )
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


def tags_of(ledger: Ledger, serial: str) -> list[TagState]:
    """Return the tags of a serial number, of every kit and part."""
    return find_tags(ledger, serial=serial)


def _events(ledger: Ledger, ids: Sequence[int]) -> dict[int, list[Row]]:
    e = s.ENTRY.c
    out: dict[int, list[Row]] = {}
    for some in batches(ids):
        question = (
            select(*s.TAG_EVENT.columns, e.at, e.offset_minutes, e.made_by, e.reason)
            .join(s.ENTRY, e.seq == s.TAG_EVENT.c.entry)
            .where(s.TAG_EVENT.c.tag_id.in_(some))
            .order_by(s.TAG_EVENT.c.id)
        )
        for row in ledger.rows(question):
            out.setdefault(int(row["tag_id"]), []).append(row)
    return out


def find_tag(ledger: Ledger, number: str) -> TagState:
    """Return one tag by its code, case, dashes and blanks aside; of older versions by T-000012, 12, or what is printed.

    Raises:
        LedgerError: there is no such tag, or several were printed with this number.
    """
    found = tags_named(ledger, number)
    if not found:
        raise LedgerError(f"ledger {ledger.location.shown}: there is no tag {number}; holeqc tags lists them")
    if len(found) > 1:
        raise LedgerError(f"{len(found)} tags were printed with number {number}: {listed(t.number for t in found)}; "
                          "name one of these")  # fmt: skip
    return found[0]


def tags_named(ledger: Ledger, text: str) -> list[TagState]:
    """Return the tags that a text names, none where it names none."""
    from holeqc.inspection.tags import code_typed

    typed = text.strip().upper()
    code, digits = code_typed(typed), typed.removeprefix("T").lstrip("- ")
    whole = f"T-{int(digits):06}" if digits.isascii() and digits.isdigit() and len(digits) < 16 else ""
    for column, value in ((s.TAG.c.number, code), (s.TAG.c.number, whole or typed), (s.TAG.c.printed, code)):
        if value:
            asked = select(s.TAG.c.number).where(column == value).order_by(s.TAG.c.id)
            if rows := ledger.rows(asked):
                return [tag for row in rows for tag in find_tags(ledger, number=str(row["number"]))]
    return []


# ------------------------------------------------------------------------------------------------------------ open


def open_tags(
    ledger: Ledger, inspections: Mapping[tuple[str, str], int], tags: Iterable[Tag], by: str, *,
    ties_older: bool = True,
) -> list[str]:  # fmt: skip
    """Open the tags of inspections just recorded, tie them to older tags of the same parts; return the codes.

    A code that is on record already, by chance or because the same was found again, is followed by the next one of its
    basis. ``ties_older``: False for inspections that were recorded without tags before and get them now. One entry,
    or none where there is nothing to say. Call it inside the transaction that records the inspections.
    """

    with ledger.transaction() as transaction:
        ours = {(plain(p), plain(x)): i for (p, x), i in inspections.items()}
        new = [tag for tag in tags if (plain(tag.part), plain(tag.serial)) in ours]
        first = transaction.take_ids(s.TAG, 0).start
        codes = _free_codes(ledger, new)
        rows = [
            {
                "inspection_id": ours[plain(tag.part), plain(tag.serial)], "number": code,
                "printed": code, "part": tag.part, "serial": tag.serial, "hole": tag.hole, "wall": tag.wall,
                "verdict": tag.verdict, "decide": tag.decide,
                "content": json.dumps(
                    asdict(tag) | {"code": code}, ensure_ascii=False, sort_keys=True, allow_nan=False
                ),
            }
            for code, tag in zip(codes, new, strict=True)
        ]  # fmt: skip
        events: list[Row] = [
            {"tag_id": first + n, "event": OPENED, "inspection_id": row["inspection_id"]} for n, row in enumerate(rows)
        ]
        written = [(row, tag.holes) for row, tag in zip(rows, new, strict=True)]
        events += events_of_older_tags(ledger, transaction, ours, written) if ties_older else []
        if rows or events:
            ledger.entry("tags", by, {"tag": rows, "tag_event": events})
    return codes


def _free_codes(ledger: Ledger, tags: Sequence[Tag]) -> list[str]:
    """Return a code for each tag that no other has, those on record included."""
    from holeqc.inspection.tags import code_of

    codes: list[str] = []
    taken: set[str] = set()
    wanted = [tag.code for tag in tags]
    for some in batches(wanted):
        asked = select(s.TAG.c.number).where(s.TAG.c.number.in_(some))
        taken |= {str(row["number"]) for row in ledger.rows(asked)}
    for tag in tags:
        code, again = tag.code, 0
        while code in taken:
            again += 1
            code = code_of(tag.basis, again)
            if ledger.rows(select(s.TAG.c.id).where(s.TAG.c.number == code)):
                taken.add(code)
        taken.add(code)
        codes.append(code)
    return codes


def untagged(ledger: Ledger, files: Sequence[int]) -> dict[tuple[str, str], int]:
    """Return the newest inspection of each part that rests on one of some files, isn't accepted, and has no tag:
    (part, serial) -> id.
    """
    i = s.INSPECTION.c
    found: dict[tuple[str, str], Row] = {}
    for some in batches(files):
        rows = ledger.rows(
            select(i.id, i.part, i.serial, i.verdict, s.TAG.c.id.label("tag")).distinct()
            .join(s.INSPECTION_SET, s.INSPECTION_SET.c.inspection_id == i.id)
            .join(s.READING_SET, s.READING_SET.c.id == s.INSPECTION_SET.c.set_id)
            .outerjoin(s.TAG, s.TAG.c.inspection_id == i.id)
            .where(s.READING_SET.c.file_id.in_(some)).order_by(i.id)
        )  # fmt: skip
        found |= {(str(row["part"]), str(row["serial"])): row for row in rows}
    joined = {int(row["inspection_id"]) for row in ledger.rows(select(s.RECHECK.c.inspection_id))}
    return {  # what joins a recheck has the tags of the inspection before
        key: int(row["id"]) for key, row in found.items()
        if row["verdict"] != "accept" and row["tag"] is None and row["id"] not in joined
    }  # fmt: skip


# ---------------------------------------------------------------------------------------------------------- decide


def dispose(
    ledger: Ledger, number: str, disposition: str, by: str, reason: str, *, authority: str = "",
    supersede: bool = False, signer: Signer | None = None,
) -> Entry:  # fmt: skip
    """Record what becomes of a nonconformance; ``by`` is the role that decides.

    ``supersede``: correct the disposition of a closed tag; the entry names the old one. ``signer``: the person's key,
    where the kit asks for signatures.

    Raises:
        LedgerError: no such tag or disposition, no reason, an authority missing, a hold that can't be used as it is, a
            closed tag without ``supersede``, a record that doesn't hold, or the same person who logged the readings
            (two-person rule).
    """
    if disposition not in s.DISPOSITIONS:
        raise LedgerError(f"disposition {disposition!r} is not known; give {', '.join(s.DISPOSITIONS)}")
    if not reason.strip():
        raise LedgerError("say why: a disposition needs its reason (--reason)")
    if not by.strip():
        raise LedgerError("say who decides: a role is enough (--by engineer)")
    authority = _a_reference(authority)
    if disposition in NEED_AUTHORITY and not authority:
        raise LedgerError(
            f"{disposition} leaves a nonconformance in the part: give the reference of who may allow it (--authority)"
        )
    with ledger.transaction():
        tag = find_tag(ledger, number)
        ledger.refuse_unsound(str(tag.row["serial"]))
        if tag.row["verdict"] == "hold" and disposition in NEED_AUTHORITY:
            _refuse_unread(ledger, tag, disposition)
        if _approved(ledger, int(tag.row["inspection_id"])):
            raise LedgerError(
                f"tag {tag.number} belongs to an approved set, which is locked; withdraw the approval "
                "first, with a reason"
            )
        _refuse_closed(tag, disposition, authority, supersede)
        if disposition == "rework" and (why := no_rework(ledger, tag)):
            raise LedgerError(f"tag {tag.number}: {why}. Nothing was recorded")
        if disposition in NEED_AUTHORITY:
            require_decider(ledger, by, disposition)
            _refuse_own(ledger, tag, disposition, by)
        note = f"in place of entry {tag.decided_by_entry}: {reason.strip()}" if tag.closed else reason.strip()
        said = {"disposition": disposition, "authority": authority, "role": by.strip(), "note": note}
        events: list[Row] = [{"tag_id": tag.row["id"], "event": DISPOSITIONED} | said]
        closing: Row = {"tag_id": tag.row["id"], "event": CLOSED}
        if disposition in CLOSE_AT_ONCE:
            events.append(closing | {"note": f"by disposition {disposition}"})
        rows = {"tag_event": events}
        if specification_of_inspection(ledger, int(tag.row["inspection_id"])).approval_signed:
            rows["signature"] = [signed(ledger, signer, by, "disposition", disposition_about(ledger, tag, events[0]))]
        return ledger.entry("disposition", by, rows, replaces=tag.decided_by_entry, reason=reason)


def disposition_about(ledger: Ledger, tag: TagState, event: Mapping[str, Any]) -> Row:
    """Return what a disposition's signature speaks of."""
    i, e = s.INSPECTION.c, s.ENTRY.c
    asked = select(e.hash).join(s.INSPECTION, i.entry == e.seq).where(i.id == tag.row["inspection_id"])
    return {
        "tag": tag.number, "disposition": event["disposition"], "authority": event["authority"], "note": event["note"],
        "inspection_hash": ledger.rows(asked)[0]["hash"],
    }  # fmt: skip


def _refuse_unread(ledger: Ledger, tag: TagState, disposition: str) -> None:
    """Refuse to use a hold as it is, but for one that no further reading can decide: a value inside the guard band, or
    readings that equal recorded ones and were looked at by an authority.
    """
    c, i = s.CHARACTERISTIC_VERDICT.c, s.INSPECTION.c
    number = int(tag.row["inspection_id"])
    causes = {str(row["cause"]) for row in ledger.rows(
        select(c.cause).where(c.inspection_id == number, c.verdict == "hold", c.hole.in_(tag.holes))
    )}  # fmt: skip
    whole = what_of(tag.row["hole"]) == WHOLE_PART
    codes: set[str] = set()
    if whole or not causes:
        p, sets = s.PROBLEM.c, s.READING_SET.c
        files = (
            select(sets.file_id).join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == sets.id)
            .where(s.INSPECTION_SET.c.inspection_id == number)
        )  # fmt: skip
        entry = select(i.entry).where(i.id == number).scalar_subquery()
        codes = {str(row["code"]) for row in ledger.rows(
            select(p.code).where(p.holds == 1, p.serial == tag.row["serial"], p.part.in_(["", tag.row["part"]]))
            .where(p.file_id.in_(files) | (p.file_id.is_(None) & (p.entry == entry)))
        )}  # fmt: skip
    if disposition == "use-as-is" and (causes or codes) and causes <= {GUARD_BAND} and codes <= {COPIED}:
        return
    raise LedgerError(
        f"tag {tag.number} is a hold: the readings prove neither, so there is nothing to {disposition}. Complete or "
        "repeat the readings and record them. Use-as-is is for a value inside the guard band"
    )


def _a_reference(authority: str) -> str:
    """Return the reference of an authority as typed, '' where none is given.

    Raises:
        LedgerError: what stands there names nothing that can be looked up.
    """
    text = authority.strip()
    bare = " ".join("".join(c if c.isalnum() or c.isspace() else "" for c in text).casefold().split())
    if text and (not bare or bare in NO_REFERENCE):
        raise LedgerError(
            f"authority {text!r} is no reference: give the number of the order, letter or drawing change that allows "
            "it, so that it can be looked up (--authority EO-2)"
        )
    return text


def _refuse_closed(tag: TagState, disposition: str, authority: str, supersede: bool) -> None:
    """Refuse to decide anew on a closed tag, unless a slip in its disposition is corrected on purpose."""
    if not tag.closed:
        return
    old, entry = tag.disposition, tag.decided_by_entry
    if old not in CLOSE_AT_ONCE:
        raise LedgerError(f"tag {tag.number} is closed: {tag.events[-1]['note']}; nothing is left to decide")
    if disposition == old:
        raise LedgerError(f"tag {tag.number} is closed by disposition {old}, entry {entry}; that stands already")
    if old in NOT_FOR_USE and not (supersede and authority):
        word = "scrapped" if old == "scrap" else "returned"
        raise LedgerError(
            f"tag {tag.number} is {word}, entry {entry}: a new disposition can't bring the part back. If {old} was "
            "recorded by mistake (a wrong number typed) and an authority confirms that the part was never "
            f"{word}: --supersede --authority REF --reason TEXT"
        )
    if not supersede:
        raise LedgerError(
            f"tag {tag.number} is closed by disposition {old}, entry {entry}. If that was wrong, correct it on "
            "purpose: --supersede --reason TEXT; the old entry stays and is named"
        )


def _refuse_own(ledger: Ledger, tag: TagState, disposition: str, by: str) -> None:
    """Refuse who logged or read the readings to leave a nonconformance in the part, where the kit asks for two."""
    i, number = s.INSPECTION.c, int(tag.row["inspection_id"])
    asks = ledger.rows(
        select(s.SPECIFICATION.c.two_person).join(s.INSPECTION, i.specification_id == s.SPECIFICATION.c.id)
        .where(i.id == number)
    )[0]["two_person"]  # fmt: skip
    if not asks:
        return
    if did := not_second(ledger, by, number):
        raise LedgerError(
            f"{by.strip()} {did} the readings of tag {tag.number}; the kit asks for a second person, so let another "
            f"one decide on {disposition}"
        )


def no_rework(ledger: Ledger, tag: TagState) -> str:
    """Return why rework can't answer a tag and what can, '' where it can answer one of its holes."""
    if tag.row["verdict"] != REJECT:
        return ""
    with ledger.reading() as connection:
        was = beyond_rework(connection, int(tag.row["inspection_id"]), tag.holes)
    if not was or set(tag.holes) - was.keys():
        return ""
    where = what_of(tag.row["hole"])
    return (
        f"{where} {joined(sorted(set(was.values())))}, and rework can't mend that; decide repair or use-as-is with "
        "an authority, scrap or return"
    )


def reworked(ledger: Ledger, number: str, by: str, note: str = "") -> Entry:
    """Record that the rework or repair of a tag was done; the readings that follow decide.

    Raises:
        LedgerError: no such tag, closed, or no disposition rework or repair in force.
    """
    with ledger.transaction():
        tag = find_tag(ledger, number)
        ledger.refuse_unsound(str(tag.row["serial"]))
        if tag.closed:
            raise LedgerError(f"tag {tag.number} is closed: {tag.events[-1]['note']}")
        if tag.disposition not in WORKED_ON:
            raise LedgerError(
                f"tag {tag.number} has no disposition rework or repair: nobody has said yet that it may be worked on"
            )
        if tag.disposition == "rework" and (why := no_rework(ledger, tag)):
            raise LedgerError(f"tag {tag.number}: {why}. Nothing was recorded")
        event = {"tag_id": tag.row["id"], "event": REWORKED, "role": by.strip(), "note": note}
        return ledger.entry("rework", by, {"tag_event": [event]})


def _approved(ledger: Ledger, inspection_id: int) -> bool:
    """Whether an inspection, or one that goes on with its readings, is approved."""
    found = ledger.rows(select(s.APPROVAL.c.id).where(s.APPROVAL.c.inspection_id == inspection_id, s.approval_stands()))
    later = ledger.rows(select(s.RECHECK.c.inspection_id).where(s.RECHECK.c.of_id == inspection_id))
    return bool(found) or any(_approved(ledger, int(row["inspection_id"])) for row in later)


# ------------------------------------------------------------------------------------------- tags and rechecks


@dataclass(frozen=True, slots=True)
class Link:
    """An inspection that joins a recheck: the one before it, the recheck's set and its holes, and what it is of."""

    inspection: int
    of: int
    set_id: int
    holes: frozenset[str]
    said: str = ""

    def touches(self, tag: TagState) -> bool:
        """Whether something that a tag speaks of was read again."""
        return bool({PATTERN, WHOLE_PART} & set(tag.holes)) or bool(self.holes & set(tag.holes))


def links(ledger: Ledger, serial: str | Sequence[str] = "") -> dict[int, Link]:
    """Return the inspections that join rechecks, of one serial number, of some or of all: inspection -> link."""
    c, r = s.RECHECK.c, s.READING.c
    asked = (
        select(c.id, c.inspection_id, c.of_id, c.set_id, c.said, r.hole).distinct()
        .join(s.READING, r.set_id == c.set_id, isouter=True).order_by(c.id)
    )  # fmt: skip
    if serial:
        asked = asked.join(s.INSPECTION, s.INSPECTION.c.id == c.inspection_id).where(
            s.INSPECTION.c.serial.in_([plain(x) for x in ([serial] if isinstance(serial, str) else serial)])
        )
    found: dict[int, Link] = {}
    for row in ledger.rows(asked):
        number = int(row["inspection_id"])
        holes = found[number].holes if number in found else frozenset[str]()
        holes |= {str(row["hole"])} if row["hole"] else set()
        found[number] = Link(number, int(row["of_id"]), int(row["set_id"]), holes, str(row["said"]))
    return found


def speaking_for(inspection_id: int, tags: Iterable[TagState], known: Mapping[int, Link]) -> list[TagState]:
    """Return the tags that speak for an inspection: its own, and those of the inspections whose readings it goes on
    with, as far as their holes weren't read again or they are still open.
    """
    mine = list(tags)
    own = [tag for tag in mine if tag.row["inspection_id"] == inspection_id]
    link = known.get(inspection_id)
    if link is None:
        return own
    before = speaking_for(link.of, mine, known)
    return [*(tag for tag in before if not tag.closed or not link.touches(tag)), *own]


# ----------------------------------------------------------------------------------------- closed by a later inspection
# What a later inspection of a part does to its open tags: which it closes, which stay open, and why.
#
# * Accepted now, a hold tag: closed, the evidence is there, if the readings are of the day of the held ones or younger.
# * Accepted now, a reject tag under disposition rework or repair: closed, likewise by readings of the day of the
#   rejected ones or younger. A disposition waits for readings that are recorded after it, and that are of its day (or
#   that on which the work was done) or younger.
# * Readings that are copies of recorded ones hold the part (`holeqc.ledger.resemblance`), so they close nothing.
# * Accepted now, a reject tag without disposition: stays open; reading until it passes is no decision.
# * Accepted now, a hole that was over its upper limit: rework takes material away and can't make it smaller, so it
#   stays open, and so does a crack or an edge too near. A repair, such as a bush, closes it.
# * Not accepted again, at least as badly: the new tag takes its place, and the old one says so.


ACCEPT, HOLD, REJECT = s.VERDICTS
OVERSIZE = "the hole was over its upper limit; rework can't make it smaller: engineering decides"
UNDECIDED = (
    "it was rejected and nobody has decided on it, so this sheet doesn't close it: decide (holeqc disposition); after "
    "rework or repair it is read again"
)
_WORSE = {word: number for number, word in enumerate(s.VERDICTS)}

Written = Sequence[tuple[Row, tuple[str, ...]]]  #: rows of new tags, each with the holes that it speaks of


def events_of_older_tags(
    ledger: Ledger, transaction: Transaction, ours: Mapping[tuple[str, str], int], written: Written
) -> list[Row]:  # fmt: skip
    """Return the events of older open tags of parts that were inspected again; ``ours``: (part, serial) -> inspection.

    ``written``: the new tags of these inspections.
    """
    i = s.INSPECTION.c
    again: dict[tuple[str, str, str], int] = {}
    ids = list(ours.values())
    for some in batches(ids):
        found = transaction.connection.execute(
            select(i.id, s.SPECIFICATION.c.kit, i.part, i.serial).join(s.SPECIFICATION)
            .where(i.id.in_(some), i.follows.is_not(None))
        )  # fmt: skip
        again |= {(str(r[1]), str(r[2]), str(r[3])): int(r[0]) for r in found}
    events: list[Row] = []
    known = links(ledger) if again else {}
    for tag in [t for kit in sorted({kit for kit, _, _ in again}) for t in find_tags(ledger, kit=kit, only_open=True)]:
        number = again.get((str(tag.row["kit"]), str(tag.row["part"]), str(tag.row["serial"])))
        if number in known and not known[number].touches(tag):
            continue  # nothing of it was read again
        if number is not None and int(tag.row["inspection_id"]) != number:
            events += _events_of(transaction, tag, number, [w for w in written if w[0]["inspection_id"] == number])
    return events


def closed_now(ledger: Ledger, inspections: Iterable[int]) -> list[str]:
    """Return a sentence for each tag that inspections closed, with what closed it."""
    e, found = s.TAG_EVENT.c, []
    for some in batches(list(inspections)):
        found += ledger.rows(
            select(s.TAG.c.number, e.note).join(s.TAG, s.TAG.c.id == e.tag_id)
            .where(e.event == CLOSED, e.inspection_id.in_(some)).order_by(e.id)
        )  # fmt: skip
    return [f"tag {row['number']} is closed: {row['note']}" for row in found]


def left_open(ledger: Ledger, inspections: Iterable[int]) -> list[str]:
    """Return a sentence for each tag that inspections accepted and their readings couldn't close, with the reason."""
    ids = list(inspections)
    e, found = s.TAG_EVENT.c, []
    for some in batches(ids):
        found += ledger.rows(
            select(s.TAG.c.number, e.note).join(s.TAG, s.TAG.c.id == e.tag_id)
            .where(e.event == REINSPECTED, e.inspection_id.in_(some))
            .where(e.note.not_in(s.VERDICTS)).order_by(e.id)
        )  # fmt: skip
    return [f"tag {row['number']} stays open: {str(row['note']).partition('; ')[2]}" for row in found]


def _events_of(transaction: Transaction, tag: TagState, number: int, written: Written) -> list[Row]:
    verdict = _verdict_now(transaction, tag, number)
    event: Row = {"tag_id": tag.row["id"], "event": REINSPECTED, "inspection_id": number, "note": verdict}
    closing: Row = {"tag_id": tag.row["id"], "event": CLOSED, "inspection_id": number}
    against = _why_not_closed(transaction, tag, number, verdict)
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


def _why_not_closed(transaction: Transaction, tag: TagState, number: int, verdict: str) -> str:
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
    if tag.disposition == "repair":
        return ""
    if not was:
        return UNDECIDED if verdict == ACCEPT and not tag.disposition else ""
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
