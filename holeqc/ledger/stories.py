"""Parts as the ledger knows them: a list of all, and the whole story of one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from holeqc.ledger import schema as s
from holeqc.ledger.differences import spoken_for
from holeqc.ledger.filters import Filter, part_conditions
from holeqc.ledger.questions import open_questions
from holeqc.ledger.rechecks import Link, links, speaking_for
from holeqc.ledger.tags import CLOSED, DISPOSITIONED, NEED_AUTHORITY, NOT_FOR_USE, closed_tag, find_tags, released_with
from holeqc.ledger.values import plain

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement, Table

    from holeqc.ledger.ledger import Ledger
    from holeqc.ledger.tags import TagState

Row = dict[str, Any]
Key = tuple[str, str, str]  #: kit, part, serial


@dataclass(frozen=True, slots=True)
class InspectionStory:
    """One inspection of a part with all that hangs on it; rows have the columns of the schema.

    ``row`` also has the entry's ``at``, ``offset_minutes``, ``made_by``, ``tool`` and the kit's ``kit``, ``revision``,
    ``drawing``, ``unit``. ``files`` are the files that it rests on, with ``replaced_by`` (a file's id, None where there
    is none or where it says the same of the part).
    """

    row: Row
    files: tuple[Row, ...]
    holes: tuple[Row, ...]
    characteristics: tuple[Row, ...]
    tags: tuple[TagStory, ...]
    #: with ``signed_with`` (public key, '' where the name is as typed) and ``withdrawn_at``, ``withdrawn_by``,
    #: ``withdrawn_because``, None where it stands
    approvals: tuple[Row, ...]
    link: Link | None = None  #: where it joins a recheck with the inspection before
    #: of such a one: ``hole``, ``day``, and how many of its readings of that day ``count`` and are ``left_out``
    counting: tuple[Row, ...] = ()


@dataclass(frozen=True, slots=True)
class TagStory:
    """A tag and what happened to it, oldest first."""

    row: Row
    events: tuple[Row, ...]

    @property
    def closed(self) -> bool:
        """Whether its last event closed it."""
        return bool(self.events) and self.events[-1]["event"] == CLOSED

    @property
    def speaks_against(self) -> bool:
        """Whether it is open, or closed as scrap or return."""
        decided = [str(event["disposition"]) for event in self.events if event["event"] == DISPOSITIONED]
        return not self.closed or (bool(decided) and decided[-1] in NOT_FOR_USE)


@dataclass(frozen=True, slots=True)
class PartStory:
    """Everything recorded of one serial number, oldest inspection first (of every kit that knows it)."""

    serial: str
    inspections: tuple[InspectionStory, ...]
    problems: tuple[Row, ...] = field(default_factory=tuple)

    def __bool__(self) -> bool:
        return bool(self.inspections)


_ENTRY = ("seq", "at", "offset_minutes", "made_by", "tool", "reason")


def _with_entry(table: Table, *conditions: ColumnElement[bool], more: Iterable[Any] = ()) -> Any:
    """Return the question for rows of a table with what their entry says, in the order of their ids."""
    columns = [*table.columns, *(s.ENTRY.c[name] for name in _ENTRY), *more]
    return (
        select(*columns).select_from(table).join(s.ENTRY, s.ENTRY.c.seq == table.c.entry).where(*conditions)
        .order_by(table.c.id)
    )  # fmt: skip


def part_story(ledger: Ledger, serial: str, *, kit: str = "", part: str = "") -> PartStory:
    """Return the whole story of one serial number; empty where the ledger doesn't know it.

    ``kit`` and ``part`` limit it where one serial number was used twice.
    """
    wanted = [s.INSPECTION.c.serial == plain(serial)]
    if kit:
        wanted.append(s.SPECIFICATION.c.kit == plain(kit))
    if part:
        wanted.append(s.INSPECTION.c.part == plain(part))
    text = s.SPECIFICATION.c
    question = _with_entry(s.INSPECTION, *wanted, more=(text.kit, text.revision, text.drawing, text.unit)).join(
        s.SPECIFICATION, text.id == s.INSPECTION.c.specification_id
    )
    with ledger.reading():  # one moment for all that follows
        rows = ledger.rows(question)
        ids = [int(row["id"]) for row in rows]
        files = _files(ledger, ids)
        holes = _by(ledger.rows(_children(s.HOLE_VERDICT, ids)), "inspection_id")
        characteristics = _by(ledger.rows(_children(s.CHARACTERISTIC_VERDICT, ids)), "inspection_id")
        tags = _tags(ledger, ids)
        approvals = _approvals(ledger, ids)
        problems = ledger.rows(_with_entry(s.PROBLEM, s.PROBLEM.c.serial == plain(serial)))
        joined = links(ledger, serial)
        counting = {i: _counting(ledger, i) for i in joined}
    stories = tuple(
        InspectionStory(
            row, files.get(i, ()), holes.get(i, ()), characteristics.get(i, ()), tags.get(i, ()), approvals.get(i, ()),
            joined.get(i), counting.get(i, ()),
        )
        for i, row in zip(ids, rows, strict=True)
    )  # fmt: skip
    return PartStory(serial, stories, tuple(problems))


def _by(rows: Iterable[Row], key: str) -> dict[int, tuple[Row, ...]]:
    out: dict[int, list[Row]] = {}
    for row in rows:
        out.setdefault(int(row[key]), []).append(row)
    return {number: tuple(of) for number, of in out.items()}


def _children(table: Table, ids: Sequence[int]) -> Any:
    return select(table).where(table.c.inspection_id.in_(ids)).order_by(*table.primary_key.columns)


def _files(ledger: Ledger, ids: Sequence[int]) -> dict[int, tuple[Row, ...]]:
    newer = s.FILE.alias("newer")
    question = (
        select(s.INSPECTION_SET.c.inspection_id, s.INSPECTION_SET.c.set_id, s.FILE, newer.c.id.label("replaced_by"))
        .select_from(s.INSPECTION_SET)
        .join(s.READING_SET, s.READING_SET.c.id == s.INSPECTION_SET.c.set_id)
        .join(s.FILE, s.FILE.c.id == s.READING_SET.c.file_id)
        .outerjoin(newer, newer.c.replaces == s.FILE.c.id)
        .where(s.INSPECTION_SET.c.inspection_id.in_(ids))
        .order_by(s.INSPECTION_SET.c.inspection_id, s.INSPECTION_SET.c.line)
    )
    rows = ledger.rows(question)
    with ledger.reading() as connection:
        on = spoken_for(connection, [int(row["set_id"]) for row in rows if row["replaced_by"] is not None])
    return _by((row | {"replaced_by": None if row["set_id"] in on else row["replaced_by"]} for row in rows),
               "inspection_id")  # fmt: skip


def _counting(ledger: Ledger, inspection_id: int) -> tuple[Row, ...]:
    """Return of which days the readings of each hole are, and how many of them count."""
    r, out = s.READING.c, s.LEFT_OUT.c
    question = (
        select(r.hole, r.day, func.count(r.line).label("readings"), func.count(out.line).label("left_out"))
        .select_from(s.READING)
        .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
        .outerjoin(s.LEFT_OUT, (out.inspection_id == s.INSPECTION_SET.c.inspection_id) & (out.set_id == r.set_id)
                   & (out.reading_line == r.line))
        .where(s.INSPECTION_SET.c.inspection_id == inspection_id, r.hole != "")
        .where(r.value.is_not(None) | (r.word != "") | (r.doubt != ""))
        .group_by(r.hole, r.day)
    )  # fmt: skip
    rows = [row | {"count": row["readings"] - row["left_out"]} for row in ledger.rows(question)]
    return tuple(sorted(rows, key=lambda row: (str(row["day"] or ""), str(row["hole"]))))


def _tags(ledger: Ledger, ids: Sequence[int]) -> dict[int, tuple[TagStory, ...]]:
    rows = ledger.rows(_with_entry(s.TAG, s.TAG.c.inspection_id.in_(ids)))
    if not rows:
        return {}
    numbers = [int(row["id"]) for row in rows]
    events = _by(ledger.rows(_with_entry(s.TAG_EVENT, s.TAG_EVENT.c.tag_id.in_(numbers))), "tag_id")
    out: dict[int, list[TagStory]] = {}
    for row in rows:
        out.setdefault(int(row["inspection_id"]), []).append(TagStory(row, events.get(int(row["id"]), ())))
    return {number: tuple(of) for number, of in out.items()}


def _approvals(ledger: Ledger, ids: Sequence[int]) -> dict[int, tuple[Row, ...]]:
    approved = ledger.rows(_with_entry(s.APPROVAL, s.APPROVAL.c.inspection_id.in_(ids)))
    if not approved:
        return {}
    numbers = [int(row["id"]) for row in approved]
    taken = ledger.rows(_with_entry(s.WITHDRAWAL, s.WITHDRAWAL.c.approval_id.in_(numbers)))
    back = {int(row["approval_id"]): row for row in taken}
    signatures = ledger.rows(
        select(s.SIGNATURE.c.entry, s.SIGNATURE.c.public_key)
        .where(s.SIGNATURE.c.entry.in_([int(row["entry"]) for row in approved]))
    )  # fmt: skip
    keys = {int(row["entry"]): str(row["public_key"]) for row in signatures}
    full = []
    for row in approved:
        gone = back.get(int(row["id"]), {})
        names = {"withdrawn_at": "at", "withdrawn_by": "made_by", "withdrawn_because": "reason"}
        row = row | {"signed_with": keys.get(int(row["entry"]), "")}
        full.append(row | {ours: gone.get(theirs) for ours, theirs in names.items()})
    return _by(full, "inspection_id")


def parts(ledger: Ledger, wanted: Filter) -> list[Row]:
    """Return the newest inspection of each part that is wanted, in the order of recording.

    Columns of the inspection, its entry's ``at``, ``offset_minutes``, ``made_by``, the kit's ``kit``, ``revision``,
    ``unit``, and: ``approved`` (1 or 0, of this newest inspection), ``approved_inspection`` and ``approval`` (number of
    the part's newest inspection whose approval stands, and that approval's entry; None where there is none),
    ``released_with`` (the nonconformances that the approval of this inspection lets pass), ``not_for_use`` (scrap or
    return where a tag of the part was closed so, else ''), ``open_tags`` (count),
    ``in_question`` (what puts its approval in question, '' where nothing does),
    ``rests_on_replaced`` (1 where one of its files has a newer revision that says something else of it).
    """
    i, text = s.INSPECTION.c, s.SPECIFICATION.c
    asked = (text.kit, text.revision, text.unit)
    question = _with_entry(s.INSPECTION, *part_conditions(wanted), more=asked).join(
        s.SPECIFICATION, text.id == i.specification_id
    )
    with ledger.reading():
        rows = ledger.rows(question)
        still_open = _open_tags(ledger)
        questions = {q.approval: q.sentence for q in open_questions(ledger)}
        replaced = _on_replaced(ledger)
        standing, joined = _standing(ledger), links(ledger)
        if wanted.tag:
            rows = _with_tags(ledger, rows, wanted.tag)
        passed: dict[Key, list[TagState]] = {}
        for tag in find_tags(ledger, decided=(*NEED_AUTHORITY, *NOT_FOR_USE)):
            passed.setdefault(_key(tag.row), []).append(tag)
    out = []
    for row in rows:
        inspection, approval = standing.get(_key(row), (None, None))
        approved = inspection == row["id"]
        out.append(row | {
            "approved": int(approved), "approved_inspection": inspection, "approval": approval,
            "released_with": _released(row, passed.get(_key(row), ()), joined) if approved else "",
            "not_for_use": next((t.disposition for t in passed.get(_key(row), ()) if t.not_for_use), ""),
            "rests_on_replaced": int(row["id"] in replaced), "open_tags": still_open.get(_key(row), 0),
            "in_question": questions.get(approval or 0, ""),
        })  # fmt: skip
    return out


def _on_replaced(ledger: Ledger) -> set[int]:
    """Return the inspections that rest on a file of which a newer revision says something else of the part."""
    newer, rests, sets = s.FILE.alias("newer"), s.INSPECTION_SET.c, s.READING_SET.c
    rows = ledger.rows(
        select(rests.inspection_id, rests.set_id).join(s.READING_SET, sets.id == rests.set_id)
        .join(newer, newer.c.replaces == sets.file_id)
    )  # fmt: skip
    with ledger.reading() as connection:
        on = spoken_for(connection, [int(row["set_id"]) for row in rows])
    return {int(row["inspection_id"]) for row in rows if row["set_id"] not in on}


def _released(row: Row, tags: Sequence[TagState], joined: Mapping[int, Link]) -> str:
    number = int(row["id"])
    return released_with(tags, number, speaking_for(number, tags, joined))


def _with_tags(ledger: Ledger, rows: list[Row], wanted: str) -> list[Row]:
    """Return the parts that have a tag in that state (`filters.TAGS`)."""
    states: dict[Key, set[str]] = {}
    for tag in find_tags(ledger):
        states.setdefault(_key(tag.row), set()).update({"closed" if tag.closed else "open", tag.disposition})
    return [row for row in rows if wanted in states.get(_key(row), {"none"})]


def _key(row: Row) -> Key:
    return str(row["kit"]), str(row["part"]), str(row["serial"])


def _standing(ledger: Ledger) -> dict[Key, tuple[int, int]]:
    """Return the newest inspection of each part whose approval stands, and the approval's entry."""
    i, old = s.INSPECTION.c, s.APPROVAL.c
    question = (
        select(s.SPECIFICATION.c.kit, i.part, i.serial, i.id, old.entry.label("approval"))
        .select_from(s.APPROVAL)
        .join(s.INSPECTION, i.id == old.inspection_id)
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == i.specification_id)
        .where(~select(s.WITHDRAWAL.c.id).where(s.WITHDRAWAL.c.approval_id == old.id).exists())
        .order_by(i.id, old.entry)
    )
    return {_key(row): (int(row["id"]), int(row["approval"])) for row in ledger.rows(question)}


def _open_tags(ledger: Ledger) -> dict[Key, int]:
    """Return how many tags of each part are not closed."""
    question = (
        select(s.SPECIFICATION.c.kit, s.INSPECTION.c.part, s.INSPECTION.c.serial)
        .select_from(s.TAG)
        .join(s.INSPECTION, s.INSPECTION.c.id == s.TAG.c.inspection_id)
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == s.INSPECTION.c.specification_id)
        .where(~closed_tag())
    )
    out: dict[Key, int] = {}
    for row in ledger.rows(question):
        out[_key(row)] = out.get(_key(row), 0) + 1
    return out
