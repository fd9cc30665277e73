"""Parts as the ledger knows them: a list of all, the story of one, approvals in question; all in numbers and tables."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from sqlalchemy import and_, func, or_, select

from holeqc import writer
from holeqc.inspection.results import gauge_of, joined
from holeqc.ledger import schema as s
from holeqc.ledger.equipment import BAD, calibrations, doubt_of, times_of_doubt, without_error
from holeqc.ledger.kits import stored_specification
from holeqc.ledger.ledger import folded_name, version_of, who_of
from holeqc.ledger.persons import logged_by, read_by, require_role
from holeqc.ledger.read_back import (
    Filter,
    judge_again,
    newest_inspection,
    part_conditions,
    planned_again,
    recorded_readings,
    units_of,
)
from holeqc.ledger.schema import NAMED, batches, plain, today
from holeqc.ledger.tags import (
    NEED_AUTHORITY,
    NOT_FOR_USE,
    Link,
    TagState,
    closed_tag,
    find_tags,
    links,
    released_with,
    speaking_for,
    tags_of,
)
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    import pandas as pd
    from sqlalchemy import ColumnElement, Connection, Table

    from holeqc.ledger.ledger import Entry, Ledger
    from holeqc.specification.model import Specification


# ------------------------------------------------------------------------------------------------------------ questions
# Approved parts that are in question: a gauge that read them was found off, or out of its time, after the approval.
#
# The approval stands and says what was known then. The question stays until a person of its own closes it with a
# reason, or the approval is withdrawn.


Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Question:
    """What puts an approved part in question; ``calibration`` is the entry that tells.

    ``read_after``: it was read with the gauge after the day on which that was found out of tolerance, too.
    """

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
    read_after: bool = False


def open_questions(ledger: Ledger, serial: str | Sequence[str] = "") -> list[Question]:
    """Return the questions that nobody has closed, of one serial number, of some or of all, in the order of approvals.
    """
    with ledger.reading():
        known: dict[str, list[Row]] = {}
        for row in calibrations(ledger):
            known.setdefault(str(row["gauge"]), []).append(row)
        serials = [serial] if isinstance(serial, str) and serial else list(serial)
        approved: dict[int, Row] = {}
        if doubtful := _when_in_doubt(ledger, known):
            for some in batches(serials) if serials else [[]]:
                approved |= _approved_before(ledger, doubtful, some)
        if not approved:
            return []
        closed = _closed_up_to(ledger)
        found: dict[tuple[int, str], Question] = {}
        for question in _questions_raised(ledger, approved, known):
            if closed.get((question.approval_id, question.gauge), 0) < question.calibration_id:
                key = question.approval_id, question.gauge
                found[key] = _together(found[key], question) if key in found else question
    return list(found.values())


def _together(one: Question, other: Question) -> Question:
    """Return one question about readings of several days, by the newest calibration that tells."""
    newest = max(one, other, key=lambda q: q.calibration_id)
    sentences = "; ".join(dict.fromkeys((*one.sentence.split("; "), other.sentence)))
    return dataclasses.replace(newest, sentence=sentences, read_after=one.read_after or other.read_after)


def _when_in_doubt(ledger: Ledger, known: Mapping[str, Sequence[Row]]) -> set[tuple[int, str, str]]:
    """Return the times in which a reading may speak against its gauge: newest entry that tells, first day, day after.
    """
    dues: dict[str, set[dt.date | None]] = {gauge: {None} for gauge in known}
    for row in ledger.rows(select(s.SPECIFICATION.c.id)) if known else ():
        for one in stored_specification(ledger, int(row["id"])).gauges:
            dues.setdefault(one.id, set()).add(one.calibration_due)
    return {
        (max(int(c["entry"]) for c in of), day, end) for gauge, of in known.items() for due in dues[gauge]
        for day, end in times_of_doubt(gauge, of, due)
    }  # fmt: skip


def _approved_before(
    ledger: Ledger, doubtful: Iterable[tuple[int, str, str]], serials: Sequence[str]
) -> dict[int, Row]:  # fmt: skip
    """Return the approvals that stand, are older than an entry and may rest on readings of its time: inspection ->
    columns of both and the kit. ``serials``: of these only; of all where there are none.
    """
    i, a, at = s.INSPECTION.c, s.APPROVAL.c, s.ENTRY.c.at
    asked = (
        select(i.id, i.part, i.serial, i.specification_id, s.SPECIFICATION.c.kit, a.id.label("approval_id"),
               a.entry.label("approval"), at)
        .join(s.APPROVAL, a.inspection_id == i.id).join(s.SPECIFICATION, s.SPECIFICATION.c.id == i.specification_id)
        .join(s.ENTRY, s.ENTRY.c.seq == i.entry).where(s.approval_stands()).order_by(a.id)
    )  # fmt: skip
    # a reading without a day, or of a day to come, counts as of the day on which it was logged
    asked = asked.where(or_(*(
        and_(a.entry < entry, at >= day, or_(i.first_day < end, at < end))
        for entry, day, end in sorted(doubtful)
    )))  # fmt: skip
    rows = ledger.rows(asked.where(i.serial.in_([plain(x) for x in serials])) if serials else asked)
    return {int(row["id"]): row for row in rows}


def _closed_up_to(ledger: Ledger) -> dict[tuple[int, str], int]:
    """Return up to which calibration questions are closed: (approval, gauge) -> calibration."""
    q, c = s.QUESTION_CLOSED.c, s.GAUGE_CALIBRATION.c
    asked = select(q.approval_id, c.gauge, func.max(q.calibration_id).label("calibration")).join(
        s.GAUGE_CALIBRATION, c.id == q.calibration_id
    )
    rows = ledger.rows(asked.group_by(q.approval_id, c.gauge))
    return {(int(row["approval_id"]), str(row["gauge"])): int(row["calibration"]) for row in rows}


def _questions_raised(ledger: Ledger, approved: dict[int, Row], known: dict[str, list[Row]]) -> Iterator[Question]:
    r, ids = s.READING.c, sorted(approved)
    specs: dict[int, Any] = {}
    for some in batches(ids):
        rows = ledger.rows(
            select(s.INSPECTION_SET.c.inspection_id, r.gauge, r.characteristic, r.day)
            .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
            .where(s.INSPECTION_SET.c.inspection_id.in_(some), r.characteristic != "")
            .distinct().order_by(s.INSPECTION_SET.c.inspection_id, r.gauge, r.characteristic, r.day)
        )  # fmt: skip
        for row in rows:
            of = approved[int(row["inspection_id"])]
            number = int(of["specification_id"])
            specs[number] = specs.get(number) or stored_specification(ledger, number)
            place, _ = gauge_of(specs[number], str(row["gauge"]), str(row["characteristic"]))
            gauge = _gauge_words(specs[number], str(row["gauge"]), str(row["characteristic"]))
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
                int(of["approval"]), gauge, int(last["id"]), int(last["entry"]), now.sentence, now.read_after,
            )  # fmt: skip


def question_words(question: Question) -> str:
    """Return what a question says, and how it is closed."""
    return (
        f"in question: {question.sentence} (entry {question.calibration}, after the approval, entry "
        f"{question.approval}). holeqc gauge suspect {question.gauge} says what its error changes; an inspector closes "
        f"it: holeqc question {question.serial} --by WHO --reason TEXT"
    )


def without_its_error(ledger: Ledger, story: InspectionStory, gauge: str, day: str, calibration: Row) -> str:
    """Return what changes in the verdicts with a gauge's error taken out of its readings from a day on ('': of all), ''
    where all of them stay.
    """
    number, error = int(story.row["id"]), calibration["error"]
    change = without_error(
        gauge, dt.date.min if not day else dt.date.fromisoformat(day), error, str(calibration["unit"])
    )
    again = judge_again(ledger, [number], change)[number]
    if again.verdict != story.row["verdict"]:
        return f"the verdict is {again.verdict}"
    was = {str(row["hole"]): str(row["verdict"]) for row in story.holes}
    words = [f"hole {hole} is {now}" for hole, now in again.holes.items() if was.get(hole, now) != now]
    if again.pin_verdict != story.row["pin_verdict"]:
        words.append(f"the pins together are {again.pin_verdict or 'not judged'}")
    return joined(words) if words else ""


def consequence(ledger: Ledger, question: Question) -> tuple[bool, str]:
    """Return whether the gauge's error is known, and what changes in the part's verdicts with it taken out ('':
    nothing) or, where it isn't known, what its readings are then.
    """

    c = s.GAUGE_CALIBRATION.c
    row = ledger.rows(select(s.GAUGE_CALIBRATION).where(c.id == question.calibration_id))[0]
    if row["result"] != BAD or row["error"] is None or question.read_after:
        return False, f"every reading of gauge {question.gauge} is doubtful"
    story = part_story(ledger, question.serial, kit=question.kit, part=question.part)
    one = next(x for x in story.inspections if x.row["id"] == question.inspection_id)
    return True, without_its_error(ledger, one, question.gauge, "", row)


def consequence_words(ledger: Ledger, question: Question) -> str:
    """Return the same in a sentence."""
    known, change = consequence(ledger, question)
    if not known:
        why = "it read after it was found off" if question.read_after else "its error isn't known"
        return f"{why}: {change}"
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
            _gauge_words(spec, str(x["gauge"]), str(x["characteristic"])) == question.gauge for x in of
        ):
            return int(row["entry"])
    return None


def _gauge_words(spec: Specification, gauge: str, characteristic: str) -> str:
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
        ((one.id, one.calibration_due) for one in gauges if folded_name(one.id) == folded_name(instead)), ("", None)
    )
    why = "it isn't in the kit" if not name else "that is the gauge in question" if name == question.gauge else ""
    if doubt := None if why else doubt_of(name, today().isoformat(), calibrations(ledger, name), due):
        why = doubt.sentence
    if why:
        raise LedgerError(f"--read-with {instead.strip()}: {why}; gauges of the kit: {', '.join(g.id for g in gauges)}")
    return f"{said}; read again with {name}, as the inspector states"


def way_out(ledger: Ledger, question: Question) -> str:
    """Return what to do about a question: close it with a reason where that is taken, else read the part again."""
    known, change = consequence(ledger, question)
    close = f"holeqc question {question.serial} --by WHO --reason TEXT"
    if (known and not change) or _read_since(ledger, question) is not None:
        return close
    again = "read the part again with another gauge and record the sheet"
    return f"{again}, or withdraw the approval" if known else f"{again}; or {close} --read-with GAUGE"


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
        require_role(ledger, by, "inspector")
        mine = who_of(by)
        for question in found:
            asks = ledger.rows(
                select(s.SPECIFICATION.c.two_person).join(s.INSPECTION)
                .where(s.INSPECTION.c.id == question.inspection_id)
            )[0]["two_person"]  # fmt: skip
            did = logged_by(ledger, question.inspection_id) | read_by(ledger, question.inspection_id)
            if asks and mine in did:
                raise LedgerError(f"{by.strip()} logged or read {serial}; the kit asks for a second person to close it")
        rows = [
            {"approval_id": q.approval_id, "calibration_id": q.calibration_id,
             "note": f"{reason.strip()} ({_proof(ledger, q, read_with)})"} for q in found
        ]  # fmt: skip
        return ledger.entry("question", by, {"question_closed": rows}, reason=reason)


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
    tags: tuple[TagState, ...]
    #: with ``signed_with`` (public key, '' where the name is as typed), ``answered`` (questions closed),
    #: ``withdrawn_at``, ``withdrawn_by`` and ``withdrawn_because``, None where it stands
    approvals: tuple[Row, ...]
    link: Link | None = None  #: where it joins a recheck with the inspection before
    #: of such a one: ``hole``, ``day``, and how many of its readings of that day ``count`` and are ``left_out``
    counting: tuple[Row, ...] = ()
    planned: Row | None = None  #: what a reading plan said that accepted it


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
    story = ledger.remembered(_story, plain(serial))
    ours = [one for one in story.inspections if (not kit or one.row["kit"] == plain(kit))
            and (not part or one.row["part"] == plain(part))]  # fmt: skip
    return PartStory(serial, tuple(ours), story.problems)


def _story(ledger: Ledger, serial: str) -> PartStory:
    return _stories(ledger, [serial])[serial]


def remember_stories(ledger: Ledger, serials: Sequence[str]) -> None:
    """Have the stories of many serial numbers at hand, for as long as one moment is read."""
    stored = sorted({plain(serial) for serial in serials})
    for serial, story in _stories(ledger, stored).items():
        ledger.remember(story, _story, serial)
        ledger.remember({i.row["id"]: i.link for i in story.inspections if i.link is not None}, links, serial)
    tags = dict[str, list[TagState]]()
    for tag in find_tags(ledger, serial=stored):
        tags.setdefault(str(tag.row["serial"]), []).append(tag)
    for serial in stored:
        ledger.remember(tags.get(serial, []), tags_of, serial)


def _stories(ledger: Ledger, serials: Sequence[str]) -> dict[str, PartStory]:
    """Return the stories of serial numbers as they are stored, all of them by the same few questions."""
    text, found = s.SPECIFICATION.c, dict[str, PartStory]()
    for some in batches(serials):
        with ledger.reading():  # one moment for all that follows
            rows = ledger.rows(
                _with_entry(s.INSPECTION, s.INSPECTION.c.serial.in_(some),
                            more=(text.kit, text.revision, text.drawing, text.unit))
                .join(s.SPECIFICATION, text.id == s.INSPECTION.c.specification_id)
            )  # fmt: skip
            ids = [int(row["id"]) for row in rows]
            files = _files(ledger, ids)
            holes = _grouped(ledger.rows(_children(s.HOLE_VERDICT, ids)), "inspection_id")
            characteristics = _grouped(ledger.rows(_children(s.CHARACTERISTIC_VERDICT, ids)), "inspection_id")
            tags = _tags(ledger, ids)
            approvals = _approvals(ledger, ids)
            problems = ledger.rows(_with_entry(s.PROBLEM, s.PROBLEM.c.serial.in_(some)))
            joined = links(ledger, some)
            counting = {i: _counting(ledger, i) for i in joined}
            stories = [
                InspectionStory(
                    row, files.get(i, ()), holes.get(i, ()), characteristics.get(i, ()), tags.get(i, ()),
                    approvals.get(i, ()), joined.get(i), counting.get(i, ()), planned_again(ledger, str(row["kit"]), i),
                )
                for i, row in zip(ids, rows, strict=True)
            ]  # fmt: skip
        for serial in some:
            found[serial] = PartStory(
                serial, tuple(one for one in stories if one.row["serial"] == serial),
                tuple(row for row in problems if row["serial"] == serial),
            )  # fmt: skip
    return found


def _grouped(rows: Iterable[Row], key: str) -> dict[int, tuple[Row, ...]]:
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
    return _grouped((row | {"replaced_by": None if row["set_id"] in on else row["replaced_by"]} for row in rows),
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


def _tags(ledger: Ledger, ids: Sequence[int]) -> dict[int, tuple[TagState, ...]]:
    rows = ledger.rows(_with_entry(s.TAG, s.TAG.c.inspection_id.in_(ids)))
    if not rows:
        return {}
    numbers = [int(row["id"]) for row in rows]
    events = _grouped(ledger.rows(_with_entry(s.TAG_EVENT, s.TAG_EVENT.c.tag_id.in_(numbers))), "tag_id")
    out: dict[int, list[TagState]] = {}
    for row in rows:
        out.setdefault(int(row["inspection_id"]), []).append(TagState(row, events.get(int(row["id"]), ())))
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
    asked = _with_entry(s.QUESTION_CLOSED, s.QUESTION_CLOSED.c.approval_id.in_(numbers))
    answered = _grouped(ledger.rows(asked), "approval_id")
    full = []
    for row in approved:
        gone = back.get(int(row["id"]), {})
        names = {"withdrawn_at": "at", "withdrawn_by": "made_by", "withdrawn_because": "reason"}
        row = row | {"signed_with": keys.get(int(row["entry"]), ""), "answered": answered.get(int(row["id"]), ())}
        full.append(row | {ours: gone.get(theirs) for ours, theirs in names.items()})
    return _grouped(full, "inspection_id")


def newest_parts(ledger: Ledger, wanted: Filter = Filter(), last: int = 0) -> list[Row]:
    """Return the newest inspection of each part that is wanted, in the order of recording; ``last``: only so many.

    Columns of the inspection, its entry's ``at``, ``offset_minutes``, ``made_by``, the kit's ``kit``, ``revision``,
    ``unit``, and: ``approved`` (1 or 0, of this newest inspection), ``approved_inspection`` and ``approval`` (number of
    the part's newest inspection whose approval stands, and that approval's entry; None where there is none),
    ``released_with`` (the nonconformances that the approval of this inspection lets pass), ``not_for_use`` (scrap or
    return where a tag of the part was closed so, else ''), ``open_tags`` (count),
    ``in_question`` (what puts its approval in question, '' where nothing does),
    ``rests_on_replaced`` (1 where one of its files has a newer revision that says something else of it).
    """
    question = _of_parts(*part_conditions(wanted))
    with ledger.reading():
        if last:
            rows = ledger.rows(question.order_by(None).order_by(s.INSPECTION.c.id.desc()).limit(last))[::-1]
        else:
            rows = ledger.rows(question)
        return _completed(ledger, _with_tags(ledger, rows, wanted.tag) if wanted.tag else rows)


def parts_of(ledger: Ledger, inspections: Sequence[int]) -> list[Row]:
    """Return the same of some newest inspections by their numbers."""
    with ledger.reading():
        of = [_of_parts(s.INSPECTION.c.id.in_(some)) for some in batches(sorted(inspections))]
        return _completed(ledger, [row for question in of for row in ledger.rows(question)])


def count_parts(ledger: Ledger, wanted: Filter) -> int:
    """Return how many parts are wanted, by what the database can tell alone (no tags)."""
    one = _of_parts(*part_conditions(wanted)).with_only_columns(func.count().label("parts")).order_by(None)
    return int(ledger.rows(one)[0]["parts"])


def _of_parts(*conditions: ColumnElement[bool]) -> Any:
    text = s.SPECIFICATION.c
    return _with_entry(s.INSPECTION, *conditions, more=(text.kit, text.revision, text.unit)).join(
        s.SPECIFICATION, text.id == s.INSPECTION.c.specification_id
    )


def _completed(ledger: Ledger, rows: list[Row]) -> list[Row]:
    still_open = _open_tags(ledger)
    serials = sorted({str(row["serial"]) for row in rows})
    asked = open_questions(ledger, serials if len(serials) <= 10 * NAMED else "") if rows else ()
    questions = {q.approval: q.sentence for q in asked}
    replaced, standing, joined = _on_replaced(ledger, rows), _standing(ledger, rows), links(ledger)
    passed: dict[Key, list[TagState]] = {}
    for tag in find_tags(ledger, decided=(*NEED_AUTHORITY, *NOT_FOR_USE)):
        passed.setdefault(key_of(tag.row), []).append(tag)
    out = []
    for row in rows:
        inspection, approval = standing.get(key_of(row), (None, None))
        approved = inspection == row["id"]
        out.append(row | {
            "approved": int(approved), "approved_inspection": inspection, "approval": approval,
            "released_with": _released(row, passed.get(key_of(row), ()), joined) if approved else "",
            "not_for_use": next((t.disposition for t in passed.get(key_of(row), ()) if t.not_for_use), ""),
            "rests_on_replaced": int(row["id"] in replaced), "open_tags": still_open.get(key_of(row), 0),
            "in_question": questions.get(approval or 0, ""),
        })  # fmt: skip
    return out


def _asked_of(rows: Sequence[Row], column: ColumnElement[Any], name: str, question: Any) -> list[Any]:
    """Return a question asked of some rows alone, or of all where one walk is quicker than naming them."""
    if len(rows) > 10 * NAMED:
        return [question]
    return [question.where(column.in_(some)) for some in batches(sorted({row[name] for row in rows}))]


def _on_replaced(ledger: Ledger, of: Sequence[Row]) -> set[int]:
    """Return the inspections that rest on a file of which a newer revision says something else of the part."""
    newer, rests, sets = s.FILE.alias("newer"), s.INSPECTION_SET.c, s.READING_SET.c
    question = (
        select(rests.inspection_id, rests.set_id).join(s.READING_SET, sets.id == rests.set_id)
        .join(newer, newer.c.replaces == sets.file_id)
    )  # fmt: skip
    rows = [row for one in _asked_of(of, rests.inspection_id, "id", question) for row in ledger.rows(one)]
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
        states.setdefault(key_of(tag.row), set()).update({"closed" if tag.closed else "open", tag.disposition})
    return [row for row in rows if wanted in states.get(key_of(row), {"none"})]


def key_of(row: Row) -> Key:
    """Return kit, part and serial number of an inspection or a tag."""
    return str(row["kit"]), str(row["part"]), str(row["serial"])


def _standing(ledger: Ledger, of: Sequence[Row]) -> dict[Key, tuple[int, int]]:
    """Return the newest inspection of each part whose approval stands, and the approval's entry."""
    i, old = s.INSPECTION.c, s.APPROVAL.c
    question = (
        select(s.SPECIFICATION.c.kit, i.part, i.serial, i.id, old.entry.label("approval"))
        .select_from(s.APPROVAL)
        .join(s.INSPECTION, i.id == old.inspection_id)
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == i.specification_id)
        .where(s.approval_stands())
        .order_by(i.id, old.entry)
    )
    rows = [row for one in _asked_of(of, i.serial, "serial", question) for row in ledger.rows(one)]
    return {key_of(row): (int(row["id"]), int(row["approval"])) for row in rows}


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
        out[key_of(row)] = out.get(key_of(row), 0) + 1
    return out


def spoken_for(connection: Connection, sets: Sequence[int]) -> set[int]:
    """Return which sets of replaced files go on: the file that stands says the same of their part, so nothing was
    judged anew from it.
    """
    f, of, rests = s.FILE.c, s.READING_SET.c, s.INSPECTION_SET.c
    newer = {int(a): int(b) for a, b in connection.execute(select(f.replaces, f.id).where(f.replaces.is_not(None)))}
    ends: dict[tuple[int, str, str], list[int]] = {}
    for some in batches(sets):
        asked = select(of.id, of.file_id, of.part, of.serial).where(of.id.in_(some))
        for row in connection.execute(asked):
            file = int(row.file_id)
            while file in newer:
                file = newer[file]
            if file != row.file_id:
                ends.setdefault((file, str(row.part), str(row.serial)), []).append(int(row.id))
    found: set[int] = set()
    files = sorted({file for file, _, _ in ends})
    for some in batches(files):
        alone = select(of.file_id, of.part, of.serial).where(
            of.file_id.in_(some), ~select(rests.line).where(rests.set_id == of.id).exists()
        )
        for file_id, part, serial in connection.execute(alone):
            found.update(ends.get((int(file_id), str(part), str(serial)), ()))
    return found


# ------------------------------------------------------------------------------------------------ the ledger as a whole


@dataclass(frozen=True, slots=True)
class Summary:
    """Counts, first and last moment, and the number and hash of the newest entry.

    ``kits``: (kit, revision, parts) of the newest inspections; ``verdicts``: parts by the newest verdict.
    """

    place: str
    version: int
    entries: int
    head: str
    first_at: str
    last_at: str
    files: int
    readings: int
    parts: int
    verdicts: dict[str, int]
    approved: int
    tags: int
    open_tags: int
    kits: tuple[tuple[str, str, int], ...]


def summary(ledger: Ledger) -> Summary:
    """Return what the ledger holds."""
    i, text = s.INSPECTION.c, s.SPECIFICATION.c
    with ledger.reading() as connection:

        def number(question: object) -> int:
            return int(connection.execute(question).scalar() or 0)  # type: ignore[call-overload]

        seq, head = ledger.head()
        first, last = connection.execute(select(func.min(s.ENTRY.c.at), func.max(s.ENTRY.c.at))).one()
        by_verdict = select(i.verdict, func.count()).where(newest_inspection()).group_by(i.verdict)
        by_kit = (
            select(text.kit, text.revision, func.count()).select_from(s.INSPECTION)
            .join(s.SPECIFICATION, text.id == i.specification_id).where(newest_inspection())
            .group_by(text.kit, text.revision).order_by(text.kit, text.revision)
        )  # fmt: skip
        counted = {str(verdict): int(n) for verdict, n in connection.execute(by_verdict)}
        return Summary(
            ledger.location.shown, version_of(connection), seq, head, str(first or ""), str(last or ""),
            number(select(func.count()).select_from(s.FILE)), number(select(func.sum(s.FILE.c.readings))),
            sum(counted.values()), {verdict: counted.get(verdict, 0) for verdict in s.VERDICTS},
            number(select(func.count(func.distinct(s.APPROVAL.c.inspection_id))).where(s.approval_stands())),
            number(select(func.count()).select_from(s.TAG)),
            number(select(func.count()).select_from(s.TAG).where(~closed_tag())),
            tuple((str(k), str(r), int(n)) for k, r, n in connection.execute(by_kit)),
        )  # fmt: skip


# -------------------------------------------------------------------------------------------- tables for other programs


CONTENTS = ("readings", "parts", "holes", "characteristics", "entries")
FORMATS = (".csv", ".parquet", ".xlsx")


def as_frame(ledger: Ledger, content: str = "readings", wanted: Filter = Filter()) -> pd.DataFrame:
    """Return a table of the ledger as a pandas frame.

    ``readings`` (columns of `holeqc.readings.table.COLUMNS`, and kit, revision, unit of the lengths), ``parts`` (newest
    inspection of each), ``holes`` and ``characteristics`` (verdicts of those inspections; characteristics that are not
    accepted), ``entries`` (the spine; no filter).

    Raises:
        LedgerError: another content.
    """
    import pandas as pd
    from sqlalchemy import select

    from holeqc.ledger.schema import CHARACTERISTIC_VERDICT, ENTRY, HOLE_VERDICT

    if content == "readings":
        kits = list(dict.fromkeys(str(row["kit"]) for row in ledger.rows(units_of(wanted))))
        frames = []
        for one in [dataclasses.replace(wanted, kit=kit, rechecks=True) for kit in kits or [wanted.kit]]:
            spec, readings = recorded_readings(ledger, one)
            frames.append(readings.table.assign(kit=spec.id, kit_revision=spec.revision, kit_unit=spec.unit))
        return pd.concat(frames, ignore_index=True) if len(frames) > 1 else frames[0]
    if content == "entries":
        return pd.DataFrame(ledger.rows(select(ENTRY).order_by(ENTRY.c.seq)), columns=[c.name for c in ENTRY.columns])
    if content not in CONTENTS:
        raise LedgerError(f"{content!r} can't be exported; give one of {', '.join(CONTENTS)}")
    parts = pd.DataFrame(newest_parts(ledger, wanted))
    if content == "parts" or parts.empty:
        return parts
    table = HOLE_VERDICT if content == "holes" else CHARACTERISTIC_VERDICT
    low, high = int(parts["id"].min()), int(parts["id"].max())
    question = (
        select(table).where(table.c.inspection_id >= low, table.c.inspection_id <= high)
        .order_by(*table.primary_key.columns)
    )  # fmt: skip
    rows = pd.DataFrame(ledger.rows(question), columns=[c.name for c in table.columns])
    named = parts[["id", "kit", "revision", "unit", "part", "serial", "first_day", "last_day"]]
    return named.merge(rows, left_on="id", right_on="inspection_id").drop(columns="id")


def export(
    ledger: Ledger, path: Path, content: str = "readings", wanted: Filter = Filter(), *, replace: bool = False,
    book: Callable[[pd.DataFrame, str, IO[bytes]], None] | None = None,
) -> int:  # fmt: skip
    """Write a table of the ledger to a .csv, .parquet or .xlsx file and return the number of its rows.

    ``book`` writes a frame under a title as a workbook; an .xlsx needs it.

    In CSV a text that a spreadsheet could take for a formula begins with an apostrophe. The file appears whole or not
    at all; one that is there already is written anew only with ``replace``.

    Raises:
        LedgerError: another ending, a file of that name, or Parquet without its library.
    """
    ending = path.suffix.lower()
    if ending not in FORMATS or (ending == ".xlsx" and book is None):
        raise LedgerError(f"{path}: the ending says the format; give {' or '.join(FORMATS)}")
    if path.exists() and not replace:
        raise LedgerError(f"{path} is there already; nothing was written. Give another name, or --replace to lose it")
    if ending == ".parquet":
        try:
            import pyarrow  # noqa: F401
        except ImportError:
            raise LedgerError("Parquet needs pyarrow; install holeqc with it: pip install 'holeqc[parquet]'") from None
    frame = as_frame(ledger, content, wanted)
    with writer.file(path, replace=replace) as out:
        if ending == ".csv":
            frame.apply(_safe).to_csv(out, index=False, date_format="%Y-%m-%d", lineterminator="\r\n")
        elif book is not None and ending == ".xlsx":
            book(frame, content, out)
        else:
            frame.to_parquet(out, index=False)
    return len(frame)


def _safe(column: pd.Series) -> pd.Series:
    """Return a column with an apostrophe before every text that begins like a formula."""
    if column.dtype.name == "category":
        return column.cat.rename_categories([_text(c) for c in column.cat.categories])
    if column.dtype.kind in "fiubM":
        return column
    return column.map(_text)


def _text(value: Any) -> Any:
    return writer.as_text(value) if isinstance(value, str) else value
