"""Approval of a part: what stands in its way, the approval itself, its withdrawal, what a packet holds; what waits.

An approval speaks of one inspection, the newest of the part, and locks the set that it rests on: readings, verdicts and
tags of that set take no more entries. What is recorded later opens a new inspection that names the old one. An approval
is withdrawn by a new entry with a reason.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from holeqc.inspection.results import (
    CANNOT_MEND,
    CAUSES,
    MISSING,
    MOVED,
    VERDICTS,
    gauge_of,
    joined,
    listed,
    span_words,
    words_of,
)
from holeqc.ledger import schema as s
from holeqc.ledger.draws import OpenLot, open_lots
from holeqc.ledger.equipment import BAD, Forecast, calibrations, doubt_of, forecasts
from holeqc.ledger.kits import newest_release, release_about, stored_specification
from holeqc.ledger.ledger import who_of
from holeqc.ledger.persons import logged_by, not_second, read_by, refuse_bad, require_role, signature_of, signed
from holeqc.ledger.read_back import inspection_again, newest_inspection
from holeqc.ledger.resemblance import alone_so_spelled, near_answers, told_apart
from holeqc.ledger.schema import batches, plain, today
from holeqc.ledger.stories import (
    Question,
    key_of,
    open_questions,
    part_story,
    parts_of,
    question_words,
    remember_stories,
    way_out,
    without_its_error,
)
from holeqc.ledger.tags import (
    COPIED,
    DISPOSITIONED,
    NEED_AUTHORITY,
    NOT_FOR_USE,
    REWORKED,
    Link,
    TagState,
    disposition_about,
    find_tags,
    links,
    no_rework,
    released_with,
    speaking_for,
    tags_of,
    what_of,
)
from holeqc.ledger.verify import faults_at_a_glance, faults_of_parts
from holeqc.problems import ERROR, LedgerError, Problem
from holeqc.quantities import format_length

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement

    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Entry, Ledger
    from holeqc.ledger.persons import Signer
    from holeqc.ledger.stories import InspectionStory, Key, PartStory
    from holeqc.specification.model import Specification


# ----------------------------------------------------------------------------------------------- what stands in the way


Row = dict[str, Any]

#: kinds of obstacle, as codes of problems
NOT_RECORDED, HELD, REJECTED, GAUGE, OLD_REVISION, SAME_PERSON, REPLACED, APPROVED, SCRAPPED, OPEN_TAG = (
    "not-recorded", "held", "rejected", "gauge-out-of-calibration", "old-revision", "same-person", "file-replaced",
    "approved-already", "not-for-use", "tag-open",
)  # fmt: skip
NOT_RELEASED, OTHER_TEXT, EARLIER, ELSEWHERE, BEFORE, BY_PLAN = (
    "kit-not-released", "kit-text-not-released", "earlier-inspection", "serial-elsewhere", "before-its-readings",
    "reading-plan",
)  # fmt: skip


OPEN_IT = "Open it: holeqc check KIT.toml SHEET --record on the same sheet, without --no-tags."


#: what can't have stood in the way of an approval when it was given, whatever came since
WHEN_GIVEN = frozenset({HELD, REJECTED, SAME_PERSON, SCRAPPED, OPEN_TAG, EARLIER})


#: codes of problems that no further reading answers
UNREADABLE = frozenset({CANNOT_MEND, MOVED})


@dataclass(frozen=True, slots=True)
class Findings:
    """What was found before an approval: ``obstacles``, the gravest first; ``remarks`` to keep with the approval."""

    obstacles: tuple[Problem, ...]
    remarks: tuple[str, ...] = field(default_factory=tuple)


def findings(
    ledger: Ledger, story: InspectionStory, by: str = "", clock_reason: str = "", *, before: int = 0
) -> Findings:
    """Return all that stands in the way of approving an inspection by a person, and what to know of it otherwise.

    ``clock_reason``: why the readings are of a day still to come, which else stands in the way. ``before``: number of
    an entry; tags and what was decided on them then count.
    """
    spec = stored_specification(ledger, int(story.row["specification_id"]))
    row = story.row
    mine = key_of(row)
    tags = [tag for tag in ledger.remembered(tags_of, str(row["serial"])) if key_of(tag.row) == mine]
    if before:
        tags = [tag.as_of(before) for tag in tags if tag.row["entry"] < before]
    remarks: list[str] = []
    known = ledger.remembered(links, str(row["serial"]))
    own = speaking_for(int(row["id"]), tags, known)
    found = [
        *_rejected(ledger, story, tags, own), *_held(ledger, story, spec, tags, own), *_open_tags(ledger, story, tags),
        *_earlier(ledger, story, tags, known), *_elsewhere(ledger, story), *_nearly(ledger, story),
        *_answered(ledger, story, spec, by, remarks),
        *_gauges(ledger, story, spec, remarks), *_released(ledger, story),
        *_replaced(story), *_planned(ledger, story), *_clock(story, clock_reason, remarks),
        *_persons(ledger, story, spec, tags, by), *_approved(ledger, story),
    ]  # fmt: skip
    return Findings(tuple(_placed(problem, story) for problem in found), tuple(remarks))


def _placed(problem: Problem, story: InspectionStory) -> Problem:
    return replace(problem, part=str(story.row["part"]), serial=str(story.row["serial"]))


def _problem(code: str, message: str, action: str, **more: Any) -> Problem:
    return Problem(ERROR, code, message, action=action, holds=True, **more)


def _rejected(
    ledger: Ledger, story: InspectionStory, tags: list[TagState], own: list[TagState]
) -> Iterable[Problem]:  # fmt: skip
    """Give what is rejected and has no disposition that lets the part be used as it is; ``own``: tags that speak for
    the inspection.
    """
    ours = [tag for tag in own if tag.row["verdict"] == "reject"]
    for tag in own:
        if tag.row["inspection_id"] != story.row["id"]:
            continue  # an older one: `_open_tags` tells of it
        if tag.not_for_use:
            yield _problem(
                SCRAPPED, f"tag {tag.number}, {what_of(tag.row['hole'])}: disposition {tag.disposition}",
                "The part is not for use.", hole=str(tag.row["hole"]),
            )  # fmt: skip
        elif tag in ours and not tag.closed:
            said = f"disposition {tag.disposition}, not closed" if tag.disposition else "no disposition"
            yield _problem(
                REJECTED, f"tag {tag.number}, {what_of(tag.row['hole'])}: rejected, {said}", _what_to_do(ledger, tag),
                hole=str(tag.row["hole"]),
            )  # fmt: skip
    covered = {hole for tag in ours if not tag.answered for hole in tag.holes}
    for hole in story.holes:
        if hole["verdict"] == "reject" and hole["hole"] not in covered:
            yield _problem(
                REJECTED, f"hole {hole['hole']} is rejected and no tag was written for it",
                OPEN_IT, hole=str(hole["hole"]),
            )  # fmt: skip
    if story.row["pin_verdict"] == "reject" and not covered & {"pattern"} and not any(
        hole["verdict"] == "reject" for hole in story.holes
    ):  # fmt: skip
        yield _problem(REJECTED, "the pins don't all enter and no tag was written for it", OPEN_IT)


def _what_to_do(ledger: Ledger, tag: TagState) -> str:
    if tag.disposition == "rework" and (why := no_rework(ledger, tag)):
        return f"Decide anew: {why}: holeqc disposition {tag.number} --as ... --by ROLE --reason TEXT."
    if tag.disposition in {"rework", "repair"}:
        return (
            f"Do the {tag.disposition}, read again what it asks and record that sheet: holeqc sheet --recheck "
            f"{tag.number} -o SHEET.xlsx."
        )
    return f"Decide: holeqc disposition {tag.number} --as ... --by ROLE --reason TEXT."


def _held(
    ledger: Ledger, story: InspectionStory, spec: Specification, tags: list[TagState], own: list[TagState]
) -> Iterable[Problem]:  # fmt: skip
    """Give what is held, a line for each cause; nothing where the part is not for use, so nobody reads it again."""
    if any(tag.not_for_use for tag in tags):
        return
    action = "Complete or repeat the readings and record the new sheet."
    used = {
        hole for tag in own for hole in tag.holes
        if tag.row["verdict"] == "hold" and tag.closed and tag.disposition == "use-as-is"
    }  # fmt: skip
    story = replace(
        story, holes=tuple(row for row in story.holes if row["hole"] not in used),
        characteristics=tuple(row for row in story.characteristics if row["hole"] not in used),
    )  # fmt: skip
    told = {str(row["hole"]) for row in story.characteristics if row["verdict"] == "hold"}
    problems = _holding_problems(ledger, story)
    decide = {str(row["hole"]): str(row["action"]) for row in problems if row["code"] in UNREADABLE and row["hole"]}
    for message, hole in _held_together(story, spec):
        yield _problem(HELD, message, decide.get(hole, action), hole=hole)
    silent = [str(row["hole"]) for row in story.holes if row["verdict"] == "hold" and row["hole"] not in told]
    if silent:
        told |= set(silent)
        yield _problem(
            HELD, f"{_where(spec, [(hole, '') for hole in silent])} {'are' if len(silent) > 1 else 'is'} held",
            decide.get(silent[0], action) if len(silent) == 1 else action, hole=silent[0] if len(silent) == 1 else "",
        )  # fmt: skip
    if story.row["pin_verdict"] == "hold" and not told:
        yield _problem(HELD, "the pins together are held: it isn't known whether they all enter", action)
        told.add("pattern")
    places: dict[tuple[str, str], list[str]] = {}
    for row in problems:
        if (row["hole"] in told | used and row["hole"]) or (row["code"] == COPIED and "whole part" in used):
            continue
        place = ", ".join(str(row[name]) for name in ("file", "sheet", "cell") if row[name])
        places.setdefault((str(row["message"]), str(row["action"]) or action), []).append(place)
    for (message, what), where in places.items():
        more = f" and {len(where) - 1} more" if len(where) > 1 and where[0] else ""
        yield _problem(HELD, f"{where[0]}{more}: {message}" if where[0] else message, what)
    if story.row["verdict"] == "hold" and not told and not places and not used:
        yield _problem(HELD, "the part is held", action)


def _held_together(story: InspectionStory, spec: Specification) -> Iterable[tuple[str, str]]:
    """Give one sentence for all holes whose same characteristics are held for the same cause, and the hole if one."""
    causes: dict[tuple[str, str], list[tuple[str, str]]] = {}  # cause and hole -> characteristics with their walls
    for row in story.characteristics:
        if row["verdict"] == "hold":
            key = str(row["cause"]), str(row["hole"])
            causes.setdefault(key, []).append((str(row["characteristic"]), str(row["wall"])))
    alike: dict[tuple[str, frozenset[str]], list[str]] = {}  # cause and characteristics -> holes
    for (cause, hole), held in causes.items():
        alike.setdefault((cause, frozenset(name for name, _ in held)), []).append(hole)
    for (cause, _), holes in alike.items():
        names = list(dict.fromkeys(name for name, _ in causes[cause, holes[0]]))
        places = [(hole, wall) for hole in holes for _, wall in causes[cause, hole] if wall in spec.walls.names]
        bare = [(hole, "") for hole in holes if not any(hole == named for named, _ in places)]
        verb = "are" if len(names) > 1 else "is"
        one = holes[0] if len(holes) == 1 else ""
        why = "not read" if cause == CAUSES[MISSING] else f"held: {words_of(cause)}"
        yield f"{_where(spec, places + bare)}: {joined(names)} {verb} {why}", one


def _where(spec: Specification, places: list[tuple[str, str]]) -> str:
    text = span_words(spec, places)
    return text[:1].lower() + text[1:]


def _holding_problems(ledger: Ledger, story: InspectionStory) -> list[Row]:
    """Return the problems that hold this part: of its files, and of the run that judged it."""
    row, files = story.row, [file["id"] for file in story.files]
    found = [
        problem for problem in part_story(ledger, str(row["serial"])).problems
        if problem["holds"] == 1 and problem["part"] in ("", row["part"]) and (
            problem["file_id"] in files or (problem["file_id"] is None and problem["entry"] == row["entry"])
        )
    ]  # fmt: skip
    if not found:
        return []
    asked = select(s.ANSWERED.c.problem_id).where(s.ANSWERED.c.inspection_id == row["id"])
    answered = {done["problem_id"] for done in ledger.rows(asked)}
    return [problem for problem in found if problem["id"] not in answered]


def _open_tags(ledger: Ledger, story: InspectionStory, tags: list[TagState]) -> Iterable[Problem]:
    """Give tags of earlier inspections that nobody has closed, and rejects closed without a disposition."""
    for tag in tags:
        if tag.row["verdict"] == "reject" and tag.closed and not tag.disposition and not tag.goes_on:
            yield _problem(
                OPEN_TAG, f"tag {tag.number}, {what_of(tag.row['hole'])}: closed, and nobody said what becomes of it",
                "Look into its story: holeqc part.", hole=str(tag.row["hole"]),
            )  # fmt: skip
        older = tag.row["inspection_id"] != story.row["id"]
        if older and not tag.closed:
            said = f"disposition {tag.disposition}" if tag.disposition else "without disposition"
            yield _problem(
                OPEN_TAG, f"tag {tag.number} of an earlier inspection, {what_of(tag.row['hole'])}, is open, {said}",
                _what_to_do(ledger, tag), hole=str(tag.row["hole"]),
            )  # fmt: skip
        elif older and tag.not_for_use:
            yield _problem(
                SCRAPPED, f"tag {tag.number} of an earlier inspection: disposition {tag.disposition}",
                "The part is not for use.",
            )  # fmt: skip


def _gauges(
    ledger: Ledger, story: InspectionStory, spec: Specification, remarks: list[str]
) -> Iterable[Problem]:  # fmt: skip
    """Give each gauge that wasn't in calibration when it read, or was found out of tolerance at the next one.

    Where the error then found changes no verdict, a remark says so instead.
    """
    logged = str(story.row["at"])[:10]
    known: dict[str, list[Row]] = {}
    for row in ledger.remembered(calibrations):
        known.setdefault(str(row["gauge"]), []).append(row)
    told: set[str] = set()
    for named, kind, day in ledger.remembered(_readings_by_gauge, int(story.row["id"])):
        number, _ = gauge_of(spec, named, kind)
        gauge = spec.gauges[number].id if number >= 0 else named
        if not gauge:
            continue
        due = spec.gauges[number].calibration_due if number >= 0 else None
        day = min(day or logged, logged)  # one still to come is held by itself; it was read before it was logged
        doubt = doubt_of(gauge, day, known.get(gauge, []), due)
        if doubt is None or gauge in told:
            continue
        message = doubt.sentence
        if doubt.found_bad is not None:
            change = without_its_error(ledger, story, gauge, day, doubt.found_bad)
            if not change:
                remark = _harmless(gauge, doubt.found_bad)
                remarks += [remark] if remark not in remarks else []
                continue
            message += f"; with its error taken out {change}"
        told.add(gauge)
        yield _problem(
            GAUGE, message, f"Read again with a gauge in calibration; holeqc gauge suspect {gauge} --since DATE says "
            "what else rests on it.",
        )  # fmt: skip


def _harmless(gauge: str, calibration: Row) -> str:
    unit = str(calibration["unit"])
    size = format_length(abs(float(calibration["error"])), unit, 4 if unit == "in" else 3)
    sign = "-" if float(calibration["error"]) < 0 else "+"
    return (
        f"gauge {gauge} was found out of tolerance on {calibration['day']}, error {sign}{size} {unit}, entry "
        f"{calibration['entry']}; with its error taken out every verdict stays"
    )


def _readings_by_gauge(ledger: Ledger, inspection_id: int) -> list[tuple[str, str, str | None]]:
    """Return gauge named, characteristic and last day of the readings that an inspection rests on."""
    return _gauges_named(ledger, [inspection_id])[inspection_id]


def _gauges_named(ledger: Ledger, inspections: Sequence[int]) -> dict[int, list[tuple[str, str, str | None]]]:
    r, out, rests = s.READING.c, s.LEFT_OUT.c, s.INSPECTION_SET.c
    gone = select(out.line).where(
        out.inspection_id == rests.inspection_id, out.set_id == r.set_id, out.reading_line == r.line
    )
    question = (
        select(rests.inspection_id, r.gauge, r.characteristic, r.day)
        .join(s.INSPECTION_SET, rests.set_id == r.set_id)
        .where(rests.inspection_id.in_(inspections), r.characteristic != "", ~gone.exists())
        .distinct().order_by(r.gauge, r.characteristic, r.day)
    )  # fmt: skip
    found: dict[int, list[tuple[str, str, str | None]]] = {number: [] for number in inspections}
    for x in ledger.rows(question):
        found[int(x["inspection_id"])].append((str(x["gauge"]), str(x["characteristic"]), x["day"]))
    return found


def _released(ledger: Ledger, story: InspectionStory) -> Iterable[Problem]:
    """Give what is wrong where the kit text that judged isn't the one that two persons released last."""
    row = story.row
    name = f"kit {row['kit']} revision {row['revision']}"
    newest = newest_release(ledger, str(row["kit"]))
    if newest is None:
        yield _problem(
            NOT_RELEASED, f"{name} isn't released", "One person proposes its file, another releases it: holeqc kit "
            "release KIT.toml --by WHO, twice.",
        )  # fmt: skip
    elif newest["specification_id"] != row["specification_id"]:
        same = newest["revision"] == row["revision"]
        yield _problem(
            OTHER_TEXT if same else OLD_REVISION,
            f"judged under a text of {name} that is not the one released as entry {newest['entry']}" if same else
            f"judged under {name}; revision {newest['revision']} is the one released, entry {newest['entry']}",
            "Judge its sheet under the kit file that was released, and record it; a sheet that names the older "
            "revision is refused: read the part on a new one (holeqc sheet KIT.toml --serial).",
        )  # fmt: skip


def _earlier(
    ledger: Ledger, story: InspectionStory, tags: Sequence[TagState], known: Mapping[int, Link]
) -> Iterable[Problem]:  # fmt: skip
    """Give earlier inspections that reject or hold the part and have no tag that says what became of it."""
    row = story.row
    for one in part_story(ledger, str(row["serial"]), kit=str(row["kit"]), part=str(row["part"])).inspections:
        old = one.row
        if int(old["id"]) >= int(row["id"]) or old["verdict"] == "accept" or old["part"] != row["part"]:
            continue
        what = f"inspection {old['id']} of this part, entry {old['entry']}, "
        then = [tag.as_of(int(old["entry"]) + 1) for tag in tags]
        covering = speaking_for(int(old["id"]), then, known)
        holes = {hole for tag in covering for hole in tag.holes} if covering else None
        rejected = [str(hole["hole"]) for hole in one.holes if hole["verdict"] == "reject"]
        if old["verdict"] == "reject" and (holes is None or not set(rejected) <= holes):
            yield _problem(EARLIER, f"{what}rejects it and no tag was written for it", OPEN_IT)
        elif old["verdict"] == "hold" and holes is None and (why := _no_answer_to(old, row)):
            yield _problem(EARLIER, f"{what}holds it, and {why}", "Read the part again and record the new sheet.")


def _no_answer_to(held: Row, row: Row) -> str:
    """Return why an inspection isn't the answer to an earlier one that held the part; '' where it is."""
    before, now = held["last_day"], row["last_day"]
    if row["verdict"] == "hold":
        return "the newest one holds it too"
    if before and not now:
        return f"the newest readings have no day, so they may be older than those of {before}"
    return f"the newest readings, of {now}, are older than those of {before}" if before and now < before else ""


def _elsewhere(ledger: Ledger, story: InspectionStory) -> Iterable[Problem]:
    """Give what speaks against this serial number under another kit or another part's name."""
    row = story.row
    mine = str(row["kit"]), str(row["part"])
    newest: dict[tuple[str, str], InspectionStory] = {}
    for one in part_story(ledger, str(row["serial"])).inspections:
        newest[str(one.row["kit"]), str(one.row["part"])] = one
    tags: dict[tuple[str, str], list[TagState]] = {}
    for tag in ledger.remembered(tags_of, str(row["serial"])):
        tags.setdefault((str(tag.row["kit"]), str(tag.row["part"])), []).append(tag)
    for (kit, part), one in newest.items():
        if (kit, part) == mine:
            continue
        of = tags.get((kit, part), [])
        against = [f"tag {tag.number} is open" for tag in of if not tag.closed]
        against += [f"tag {tag.number} is closed by {tag.disposition}" for tag in of if tag.not_for_use]
        if not of and one.row["verdict"] != "accept":
            against.append(f"inspection {one.row['id']}, entry {one.row['entry']}, {one.row['verdict']}s it")
        if not against or told_apart(ledger, (*mine, str(row["serial"])), (kit, part, str(row["serial"]))):
            continue
        yield _problem(
            ELSEWHERE, f"serial {row['serial']} is recorded as kit {kit}, part {part or '-'}, too: {listed(against)}",
            f"Decide there first; if they are two parts: holeqc serial {row['serial']} --not {row['serial']} --kit "
            f"{mine[0]} --part {mine[1]} --other-kit {kit} --other-part {part} --by WHO --reason TEXT.",
        )  # fmt: skip


def _nearly(ledger: Ledger, story: InspectionStory) -> Iterable[Problem]:
    """Give serial numbers on record that are nearly this one, that something speaks against, and that nobody has said
    to be another part: of ledgers that were begun before it was asked.
    """
    serial = str(story.row["serial"])
    for other, answer in ledger.remembered(near_answers, serial):
        if answer is not None and not answer["same"]:
            continue
        tags = find_tags(ledger, serial=other)
        newest = part_story(ledger, other).inspections[-1:]
        against = [f"tag {tag.number} is open" for tag in tags if not tag.closed]
        against += [f"tag {tag.number} is closed by {tag.disposition}" for tag in tags if tag.not_for_use]
        row = newest[0].row if newest else {"verdict": "accept"}
        if not against and not tags and row["verdict"] != "accept":
            against = [f"inspection {row['id']}, entry {row['entry']}, {row['verdict']}s it"]
        if against:
            said = f"is said to be {other}" if answer else f"is nearly {other}"
            yield _problem(
                ELSEWHERE, f"serial {serial} {said}, which is on record too: {listed(against)}",
                f"Decide there first; if they are two parts: holeqc serial {serial} --not {other} --by WHO --reason "
                "TEXT.",
            )  # fmt: skip


def _answered(
    ledger: Ledger, story: InspectionStory, spec: Specification, by: str, remarks: list[str]
) -> Iterable[Problem]:  # fmt: skip
    """Give answers that this serial number is not another, where who gave one also logged, read or approves the part.

    The others are kept as remarks.
    """
    rows = ledger.remembered(_answers_about, str(story.row["serial"]))
    names = [("serial", "kit", "part"), ("other", "other_kit", "other_part")]
    pairs = {frozenset(tuple(str(r[key]) for key in of) for of in names): r for r in rows}  # the newest of each pair
    number, apart = int(story.row["id"]), [r for r in pairs.values() if not r["same"]]
    did = logged_by(ledger, number) | read_by(ledger, number) | {who_of(by)} if apart else set()
    for r in apart:
        other = " ".join(str(r[key]) for key in ("other_kit", "other_part", "other") if r[key])
        said = f"{r['made_by']} said that {r['serial']} is not {other} (entry {r['entry']}: {r['reason']})"
        if spec.approval_two_person and who_of(str(r["made_by"])) in did:
            yield _problem(
                SAME_PERSON, f"{said}, and logged, read or approves this part; the kit asks for a second person",
                "Let another one look at the part and give the answer: holeqc serial.",
            )  # fmt: skip
        else:
            remarks.append(said)


def _answers_about(ledger: Ledger, serial: str) -> list[Row]:
    """Return the answers that speak of a serial number, with who gave each and why."""
    if not ledger.remembered(_any_answer):
        return []
    a, e = s.SERIAL_ANSWER.c, s.ENTRY.c
    return ledger.rows(
        select(*s.SERIAL_ANSWER.columns, e.made_by, e.reason).join(s.ENTRY, e.seq == a.entry)
        .where((a.serial == plain(serial)) | (a.other == plain(serial))).order_by(a.id)
    )  # fmt: skip


def _any_answer(ledger: Ledger) -> bool:
    return bool(ledger.rows(select(s.SERIAL_ANSWER.c.id).limit(1)))


def _clock(story: InspectionStory, reason: str, remarks: list[str]) -> Iterable[Problem]:
    """Give readings of a day that is still to come by the clock here; with a reason it is kept as a remark."""
    last = str(story.row["last_day"] or "")
    if not last or last <= today().isoformat():
        return
    said = f"approved when the clock said {today()}, before its readings of {last}"
    if reason.strip():
        remarks.append(f"{said}: {reason.strip()}")
    else:
        yield _problem(
            BEFORE, f"its readings are of {last}, and the clock here says {today()}",
            "Set the clock right, or say why: --clock-reason TEXT.",
        )  # fmt: skip


def _replaced(story: InspectionStory) -> Iterable[Problem]:
    for file in story.files:
        if file["replaced_by"] is not None:
            yield _problem(
                REPLACED, f"it rests on {file['name']}, of which a newer revision is recorded",
                "Record the part's readings again.", file=str(file["name"]),
            )  # fmt: skip


def _planned(ledger: Ledger, story: InspectionStory) -> Iterable[Problem]:
    """Give what speaks against a part that was accepted on some of its readings."""
    if story.planned is None:
        return
    from holeqc.ledger.reading_plans import against

    row = story.row
    for why in against(ledger, str(row["kit"]), int(row["id"]), str(row["last_day"] or "")):
        yield _problem(BY_PLAN, why, "Read the part in full, and record that sheet.")


def _persons(
    ledger: Ledger, story: InspectionStory, spec: Specification, tags: list[TagState], by: str
) -> Iterable[Problem]:  # fmt: skip
    """Give the two-person rule, where the kit asks for it: who logged, read, decided or reworked may not approve."""
    if not spec.approval_two_person or not by.strip():
        return
    mine, number = who_of(by), int(story.row["id"])
    did = []
    if mine in logged_by(ledger, number):
        did.append("logged it")
    if mine in read_by(ledger, number):
        did.append("read it")
    for event, words in ((DISPOSITIONED, "decided on"), (REWORKED, "reworked")):
        ours = [
            tag.number for tag in tags
            if any(e["event"] == event and who_of(str(e["made_by"])) == mine for e in tag.events)
        ]  # fmt: skip
        if ours:
            did.append(f"{words} {'tags' if len(ours) > 1 else 'tag'} {listed(ours)}")
    for tag in tags:
        decided = next((e for e in reversed(tag.events) if e["event"] == DISPOSITIONED), None)
        if decided is None or decided["disposition"] not in NEED_AUTHORITY:
            continue
        if why := not_second(ledger, str(decided["made_by"]), int(tag.row["inspection_id"])):
            yield _problem(
                SAME_PERSON, f"tag {tag.number}: {decided['disposition']} was decided by {decided['made_by']}, who "
                f"{why} the readings", "Let another one decide: holeqc disposition --supersede.",
            )  # fmt: skip
    if (why := not_second(ledger, by, number)) not in {"", "logged", "read"}:
        did.append(f"{why} it")
    if did:
        who = by.strip() if mine.isdigit() == by.strip().isdigit() else f"{by.strip()}, who counts as {mine},"
        yield _problem(
            SAME_PERSON, f"{who} {joined(did)}; the kit asks for a second person", "Let another one approve."
        )


def _approved(ledger: Ledger, story: InspectionStory) -> Iterable[Problem]:
    approval = standing_approval(story)
    if approval is not None:
        said = f"it is approved already, by {approval['made_by']} as entry {approval['entry']}"
        action, serial = "Nothing needs doing; to take it back: holeqc withdraw.", str(story.row["serial"])
        for question in open_questions(ledger, serial):
            if question.approval_id == approval["id"]:
                said += f", and is {question_words(question)}"
                action = f"Answer the question: holeqc question {serial}; or take the approval back: holeqc withdraw."
        yield _problem(APPROVED, said, action)


def worst_of(problems: Iterable[Problem]) -> str:
    """Return reject if anything rejected stands in the way, else hold."""
    codes = {problem.code for problem in problems}
    return "reject" if codes & {REJECTED, SCRAPPED} else "hold"


def standing_approval(story: InspectionStory) -> Row | None:
    """Return the approval of an inspection that stands, None where there is none."""
    return next((a for a in reversed(story.approvals) if a["withdrawn_at"] is None), None)


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
    now = {hole: VERDICTS[v] for hole, v in inspection.tables["holes"].tuples("hole", "verdict")}
    was = {str(row["hole"]): str(row["verdict"]) for row in one.holes}
    verdict = VERDICTS[int(inspection.tables["parts"]["verdict"].max())]
    if verdict != one.row["verdict"] or now != was:
        differing = ", ".join(f"hole {h}: {was.get(h)} then, {now[h]} now" for h in now if now[h] != was.get(h))
        raise LedgerError(
            f"inspection {one.row['id']} was judged {one.row['verdict']} by holeqc {one.row['tool']}, and is judged "
            f"{verdict} by this version ({differing or 'the part as a whole'}); nothing was recorded. Use the version "
            "that judged it, or record its sheet again"
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
        ledger.refuse_unsound(serial)
        require_role(ledger, by, role)
        found = findings(ledger, story, by, clock_reason)
        if found.obstacles:
            why = f"{_part_words(story)} can't be approved: {_things_words(found.obstacles)} in the way"
            raise ApprovalRefused(why, list(found.obstacles))
        if story.planned is not None:
            from holeqc.ledger.reading_plans import refuse_other_plan

            refuse_other_plan(ledger, str(story.row["kit"]), int(story.row["id"]))
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


def withdraw(
    ledger: Ledger, serial: str, by: str, reason: str, *, kit: str = "", part: str = "", signer: Signer | None = None
) -> Entry:
    """Withdraw the newest approval of a part that stands; the approval stays on record.

    ``signer``: the person's key, where the kit asks for signatures.

    Raises:
        LedgerError: no approval of it stands, no reason, no key where one is asked for.
    """
    if not reason.strip():
        raise LedgerError("say why: a withdrawal needs its reason (--reason)")
    with ledger.transaction():
        story = whole_story(ledger, serial, kit=kit, part=part)
        standing = [(i, a) for i in story.inspections for a in i.approvals if a["withdrawn_at"] is None]
        if not standing:
            raise LedgerError(f"serial {serial}: no approval stands, so there is nothing to withdraw")
        one, approval = standing[-1]
        rows: dict[str, list[Row]] = {"withdrawal": [{"approval_id": approval["id"]}]}
        if stored_specification(ledger, int(one.row["specification_id"])).approval_signed:
            about = {"approval_hash": entry_row(ledger, int(approval["entry"]))["hash"], "reason": reason.strip()}
            rows["signature"] = [signed(ledger, signer, by, "withdrawal", about)]
        return ledger.entry("withdrawal", by, rows, replaces=int(approval["entry"]), reason=reason)


def _part_words(story: InspectionStory) -> str:
    return " ".join(word for word in (str(story.row["part"]), str(story.row["serial"])) if word)


def _things_words(found: Sequence[Problem]) -> str:
    return "1 thing stands" if len(found) == 1 else f"{len(found)} things stand"


def approved_before(
    ledger: Ledger, inspections: Mapping[tuple[str, str], int]
) -> dict[tuple[str, str], tuple[int, str]]:  # fmt: skip
    """Return the new inspections of parts that are approved: (part, serial) -> the approval's entry, new verdict."""
    i, before, old = s.INSPECTION.c, s.INSPECTION.alias("before"), s.APPROVAL.c
    text, text_before = s.SPECIFICATION.c, s.SPECIFICATION.alias("text_before")
    ids = list(inspections.values())
    found: dict[int, tuple[int, str]] = {}
    for some in batches(ids):
        rows = ledger.rows(
            select(i.id, i.verdict, old.entry)
            .select_from(s.INSPECTION)
            .join(s.SPECIFICATION, text.id == i.specification_id)
            .join(before, (before.c.serial == i.serial) & (before.c.part == i.part) & (before.c.id < i.id))
            .join(text_before, (text_before.c.id == before.c.specification_id) & (text_before.c.kit == text.kit))
            .join(s.APPROVAL, old.inspection_id == before.c.id)
            .where(i.id.in_(some), s.approval_stands())
            .order_by(old.entry)
        )
        found |= {int(row["id"]): (int(row["entry"]), str(row["verdict"])) for row in rows}
    return {key: found[number] for key, number in inspections.items() if number in found}


# ----------------------------------------------------------------------------------------------------- the approved set


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
        LedgerError: a seal or an entry that it rests on doesn't hold, no approval stands, a later inspection rejects
            or holds the part, it is in question, the approval was given against the rules, or this version judges the
            recorded readings differently.
    """
    ledger.refuse_other_seals()
    with ledger.reading():
        story = whole_story(ledger, serial, kit=kit, part=part)
        ledger.refuse_unsound(serial)
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
    against, unseen = ledger.against_seals()
    differences = [f"{place} isn't the one that was sealed: {words}" for words in against]
    notes = [f"{place}: {unseen}"] if unseen else []
    if not rows or rows[0]["hash"] != said or rows[0]["kind"] != "approval":
        return [f"{place}: entry {seq} is not the approval that the packet names", *differences], notes
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
        differences += [f"{place} doesn't hold: {words}" for words in faults_of_parts(connection, [serial])]
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


# ---------------------------------------------------------------------------------------------- what waits for somebody


MOST = 100  #: of so many parts, the newest, it is asked what stands in their way
NEAR = 30  #: days before a gauge's calibration is due
NEAR_PARTS = 30  #: parts before which a bushing should be changed (common practice, no source)


@dataclass(frozen=True, slots=True)
class Waiting:
    """What waits, each list the oldest first.

    ``gauges``: gauge, due day, whether it is past; ``off``: gauges that their last calibration found out of tolerance,
    its day; ``kits``: kit and revision whose newest text isn't the one released; ``fixtures``: forecasts that come due
    within `NEAR_PARTS`; ``blocked``: serial numbers that wait for no tag and no reading, why they can't be approved
    all the same, and what to do; ``left_out``: parts not approved that weren't looked at; ``untagged``: how many are
    held and have no tag, as in a history logged for trends alone; ``day``: as of which; ``answers``: what to do about
    each question; ``not_for_use``: how many open tags are of parts that are scrapped or returned; ``doubts``: what
    doesn't hold of the record, and then nothing is ready.
    """

    tags: tuple[TagState, ...]
    ready: tuple[Row, ...]
    questions: tuple[Question, ...]
    held: tuple[Row, ...]
    gauges: tuple[tuple[str, str, bool], ...]
    kits: tuple[tuple[str, str], ...]
    off: tuple[tuple[str, str], ...]
    fixtures: tuple[Forecast, ...]
    day: dt.date
    blocked: tuple[tuple[tuple[str, ...], str, str], ...] = ()
    left_out: int = 0
    untagged: int = 0
    answers: tuple[str, ...] = ()
    not_for_use: int = 0
    doubts: tuple[str, ...] = ()
    lots: tuple[OpenLot, ...] = ()  #: drawn and still open
    note: str = ""  #: what of the record wasn't recomputed


def waiting(ledger: Ledger, today: dt.date) -> Waiting:
    """Return what waits, as of one moment."""
    against, _ = ledger.against_seals()
    with ledger.reading() as connection:
        gone = {key_of(tag.row) for tag in find_tags(ledger, decided=NOT_FOR_USE) if tag.not_for_use}
        still_open = find_tags(ledger, only_open=True)
        tags = [tag for tag in still_open if key_of(tag.row) not in gone]
        told = {key_of(tag.row) for tag in tags if tag.row["verdict"] == "hold"}
        tagged = {key_of(tag.row) for tag in tags}
        others = [row for row in _unapproved(ledger, s.INSPECTION.c.verdict != "accept") if key_of(row) not in gone]
        scrapped = [row for row in _unapproved(ledger, s.INSPECTION.c.verdict == "accept", gone) if key_of(row) in gone]
        number = _count_unapproved(ledger) - len(scrapped)
        last_of = _unapproved(ledger, s.INSPECTION.c.verdict == "accept", last=MOST + len(scrapped))
        accepted = [row for row in others if key_of(row) not in tagged]
        number += len(accepted)
        accepted = sorted([*accepted, *(r for r in last_of if r not in scrapped)], key=lambda r: int(r["id"]))[-MOST:]
        waits = [row for row in others if row["verdict"] == "hold" and key_of(row) in tagged - told]
        rows = {int(row["id"]): row for row in parts_of(ledger, [int(row["id"]) for row in [*accepted, *waits]])}
        asked = [rows[int(row["id"])] for row in accepted]
        remember_stories(ledger, [str(row["serial"]) for row in asked])
        for serial, spelled in alone_so_spelled(ledger, [str(row["serial"]) for row in asked]).items():
            if spelled:
                ledger.remember([], near_answers, serial)
        for inspection, named in _gauges_named(ledger, [int(row["id"]) for row in asked]).items():
            ledger.remember(named, _readings_by_gauge, inspection)
        last = {str(row["gauge"]): row for row in calibrations(ledger)}
        off = tuple((gauge, str(row["day"])) for gauge, row in last.items() if row["result"] == BAD)
        ways = [(row, _in_the_way(ledger, row)) for row in asked]
        ready = tuple(row for row, way in ways if not way)
        good = {row["id"] for row in ready}
        blocked: dict[tuple[str, str], list[str]] = {}
        for row, way in ways:
            if way and row["verdict"] != "hold" and not row["open_tags"]:
                blocked.setdefault((way[0].message, way[0].action), []).append(str(row["serial"]))
        found, note = faults_at_a_glance(connection, [str(row["serial"]) for row in ready])
        doubts = (*found, *against)
        questions = open_questions(ledger)
        return Waiting(
            tuple(tags), () if doubts else ready, tuple(questions),
            tuple(rows[int(row["id"])] for row in waits if row["id"] not in good),
            _gauges_due(ledger, today, last), _kits_to_release(ledger),
            off, tuple(one for one in forecasts(ledger) if one.left <= NEAR_PARTS), today,
            tuple((tuple(serials), why, what) for (why, what), serials in blocked.items()), number - len(asked),
            sum(row["verdict"] == "hold" and key_of(row) not in tagged and row["id"] not in good for row in others),
            tuple(way_out(ledger, q) if n < MOST else f"holeqc question {q.serial}" for n, q in enumerate(questions)),
            len(still_open) - len(tags), doubts, tuple(open_lots(ledger)), note,
        )  # fmt: skip


def _unapproved(
    ledger: Ledger, verdict: ColumnElement[bool], parts: Collection[Key] | None = None, last: int = 0
) -> list[Row]:  # fmt: skip
    """Return id, kit, part, serial and verdict of parts whose newest inspection isn't approved, in their order.

    ``parts``: only with serial numbers of these; ``last``: only so many, the newest.
    """
    i, text = s.INSPECTION.c, s.SPECIFICATION.c
    question = select(i.id, text.kit, i.part, i.serial, i.verdict).join(s.SPECIFICATION, text.id == i.specification_id)
    question = question.where(newest_inspection(), verdict, ~_approved_itself()).order_by(i.id.desc())
    if parts is None:
        return ledger.rows(question.limit(last) if last else question)[::-1]
    serials = sorted({serial for _, _, serial in parts})
    return [row for some in batches(serials) for row in ledger.rows(question.where(i.serial.in_(some)))]


def _count_unapproved(ledger: Ledger) -> int:
    """Return how many parts are accepted and not approved."""
    asked = select(func.count().label("parts")).select_from(s.INSPECTION)
    asked = asked.where(newest_inspection(), s.INSPECTION.c.verdict == "accept", ~_approved_itself())
    return int(ledger.rows(asked)[0]["parts"])


def _approved_itself() -> ColumnElement[bool]:
    one = select(s.APPROVAL.c.id).where(s.APPROVAL.c.inspection_id == s.INSPECTION.c.id, s.approval_stands())
    return one.exists()


def _in_the_way(ledger: Ledger, row: Row) -> tuple[Problem, ...]:
    story = part_story(ledger, str(row["serial"]), kit=str(row["kit"]), part=str(row["part"]))
    one = next(x for x in story.inspections if x.row["id"] == row["id"])
    return findings(ledger, one).obstacles


def _newest_texts(ledger: Ledger) -> dict[str, Row]:
    text = s.SPECIFICATION.c
    rows = ledger.rows(select(text.id, text.kit, text.revision, text.digest).order_by(text.id))
    return {str(row["kit"]): row for row in rows}


def _kits_to_release(ledger: Ledger) -> tuple[tuple[str, str], ...]:
    found = []
    for kit, row in _newest_texts(ledger).items():
        newest = newest_release(ledger, kit)
        if newest is None or newest["digest"] != row["digest"]:
            found.append((kit, str(row["revision"])))
    return tuple(found)


def _gauges_due(ledger: Ledger, today: dt.date, calibrated: Mapping[str, Row]) -> tuple[tuple[str, str, bool], ...]:
    """Return gauges of the kits in force past their day or near it: by the last calibration logged, else by the kit.

    Those that it found out of tolerance are left out: no day makes them good.
    """
    due: dict[str, str] = {}
    for kit, row in _newest_texts(ledger).items():
        newest = newest_release(ledger, kit)
        spec = stored_specification(ledger, int(newest["specification_id"] if newest else row["id"]))
        for gauge in spec.gauges:
            if gauge.calibration_due is not None:
                due[gauge.id] = max(due.get(gauge.id, ""), gauge.calibration_due.isoformat())
    for name, row in calibrated.items():
        if row["result"] == BAD:
            due.pop(name, None)
        elif row["due"]:
            due[name] = str(row["due"])
    last = (today + dt.timedelta(days=NEAR)).isoformat()
    near = [(gauge, day, day < today.isoformat()) for gauge, day in due.items() if day <= last]
    return tuple(sorted(near, key=lambda one: one[1]))
