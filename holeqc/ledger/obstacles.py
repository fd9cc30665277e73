"""What stands in the way of approving a part: holds, rejections not disposed of, gauges, revision, persons."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc.inspection.evidence import gauge_of
from holeqc.inspection.results import CAUSES, MISSING, joined, listed, span_words, words_of
from holeqc.ledger import persons
from holeqc.ledger import schema as s
from holeqc.ledger.equipment import calibrations, doubt_of
from holeqc.ledger.kits import newest_release, stored_specification
from holeqc.ledger.rechecks import Link, links, speaking_for
from holeqc.ledger.resemblance import near_answers, told_apart
from holeqc.ledger.tags import COPIED, DISPOSITIONED, NEED_AUTHORITY, REWORKED, TagState, find_tags, what_of
from holeqc.ledger.times import today
from holeqc.ledger.values import plain
from holeqc.problems import ERROR, Problem
from holeqc.quantities import format_length

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger
    from holeqc.ledger.stories import InspectionStory
    from holeqc.specification.model import Specification

Row = dict[str, Any]

#: kinds of obstacle, as codes of problems
NOT_RECORDED, HELD, REJECTED, GAUGE, OLD_REVISION, SAME_PERSON, REPLACED, APPROVED, SCRAPPED, OPEN_TAG = (
    "not-recorded", "held", "rejected", "gauge-out-of-calibration", "old-revision", "same-person", "file-replaced",
    "approved-already", "not-for-use", "tag-open",
)  # fmt: skip
NOT_RELEASED, OTHER_TEXT, EARLIER, ELSEWHERE, BEFORE = (
    "kit-not-released", "kit-text-not-released", "earlier-inspection", "serial-elsewhere", "before-its-readings",
)  # fmt: skip


OPEN_IT = "Open it: holeqc check KIT.toml SHEET --record on the same sheet, without --no-tags."


#: what can't have stood in the way of an approval when it was given, whatever came since
WHEN_GIVEN = frozenset({HELD, REJECTED, SAME_PERSON, SCRAPPED, OPEN_TAG, EARLIER})


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
    tags = find_tags(ledger, serial=str(row["serial"]), kit=str(row["kit"]), part=str(row["part"]))
    if before:
        tags = [tag.as_of(before) for tag in tags if tag.row["entry"] < before]
    remarks: list[str] = []
    known = links(ledger, str(row["serial"]))
    own = speaking_for(int(row["id"]), tags, known)
    found = [
        *_rejected(story, tags, own), *_held(ledger, story, spec, tags, own), *_open_tags(story, tags),
        *_earlier(ledger, story, tags, known), *_elsewhere(ledger, story), *_nearly(ledger, story),
        *_answered(ledger, story, spec, by, remarks),
        *_gauges(ledger, story, spec, remarks), *_released(ledger, story),
        *_replaced(story), *_clock(story, clock_reason, remarks),
        *_persons(ledger, story, spec, tags, by), *_approved(story),
    ]  # fmt: skip
    return Findings(tuple(_placed(problem, story) for problem in found), tuple(remarks))


def obstacles(ledger: Ledger, story: InspectionStory, by: str = "") -> list[Problem]:
    """Return all that stands in the way of approving an inspection by a person, the gravest first."""
    return list(findings(ledger, story, by).obstacles)


def _placed(problem: Problem, story: InspectionStory) -> Problem:
    return replace(problem, part=str(story.row["part"]), serial=str(story.row["serial"]))


def _problem(code: str, message: str, action: str, **more: Any) -> Problem:
    return Problem(ERROR, code, message, action=action, holds=True, **more)


def _rejected(story: InspectionStory, tags: list[TagState], own: list[TagState]) -> Iterable[Problem]:
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
                REJECTED, f"tag {tag.number}, {what_of(tag.row['hole'])}: rejected, {said}", _what_to_do(tag),
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


def _what_to_do(tag: TagState) -> str:
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
    for message, hole in _held_together(story, spec):
        yield _problem(HELD, message, action, hole=hole)
    silent = [str(row["hole"]) for row in story.holes if row["verdict"] == "hold" and row["hole"] not in told]
    if silent:
        told |= set(silent)
        yield _problem(
            HELD, f"{_where(spec, [(hole, '') for hole in silent])} {'are' if len(silent) > 1 else 'is'} held", action,
            hole=silent[0] if len(silent) == 1 else "",
        )  # fmt: skip
    if story.row["pin_verdict"] == "hold" and not told:
        yield _problem(HELD, "the pins together are held: it isn't known whether they all enter", action)
        told.add("pattern")
    places: dict[tuple[str, str], list[str]] = {}
    for row in _holding_problems(ledger, story):
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
    p, row = s.PROBLEM.c, story.row
    files = [int(file["id"]) for file in story.files]
    answered = select(s.ANSWERED.c.problem_id).where(s.ANSWERED.c.inspection_id == row["id"])
    found = ledger.rows(
        select(s.PROBLEM).where(
            p.holds == 1, p.serial == row["serial"], p.part.in_(["", row["part"]]), p.id.not_in(answered),
            p.file_id.in_(files) | (p.file_id.is_(None) & (p.entry == row["entry"])),
        ).order_by(p.id)
    )  # fmt: skip
    return found


def _open_tags(story: InspectionStory, tags: list[TagState]) -> Iterable[Problem]:
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
                _what_to_do(tag), hole=str(tag.row["hole"]),
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
    for row in calibrations(ledger):
        known.setdefault(str(row["gauge"]), []).append(row)
    told: set[str] = set()
    for named, kind, day in _readings_by_gauge(ledger, story):
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


def _readings_by_gauge(ledger: Ledger, story: InspectionStory) -> list[tuple[str, str, str | None]]:
    """Return gauge named, characteristic and last day of the readings that an inspection rests on."""
    r, out = s.READING.c, s.LEFT_OUT.c
    gone = select(out.line).where(
        out.inspection_id == story.row["id"], out.set_id == r.set_id, out.reading_line == r.line
    )
    question = (
        select(r.gauge, r.characteristic, r.day)
        .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
        .where(s.INSPECTION_SET.c.inspection_id == story.row["id"], r.characteristic != "", ~gone.exists())
        .distinct().order_by(r.gauge, r.characteristic, r.day)
    )  # fmt: skip
    return [(str(x["gauge"]), str(x["characteristic"]), x["day"]) for x in ledger.rows(question)]


def without_its_error(ledger: Ledger, story: InspectionStory, gauge: str, day: str, calibration: Row) -> str:
    """Return what changes in the verdicts with a gauge's error taken out of its readings from a day on ('': of all), ''
    where all of them stay.
    """
    from holeqc.ledger.again import judge_again
    from holeqc.ledger.suspects import without_error

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
    for one in ledger.part_story(str(row["serial"]), kit=str(row["kit"]), part=str(row["part"])).inspections:
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
    for one in ledger.part_story(str(row["serial"])).inspections:
        newest[str(one.row["kit"]), str(one.row["part"])] = one
    tags: dict[tuple[str, str], list[TagState]] = {}
    for tag in find_tags(ledger, serial=str(row["serial"])):
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
    for other, answer in near_answers(ledger, serial):
        if answer is not None and not answer["same"]:
            continue
        tags = find_tags(ledger, serial=other)
        newest = ledger.part_story(other).inspections[-1:]
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
    a, e, serial = s.SERIAL_ANSWER.c, s.ENTRY.c, str(story.row["serial"])
    rows = ledger.rows(
        select(*s.SERIAL_ANSWER.columns, e.made_by, e.reason).join(s.ENTRY, e.seq == a.entry)
        .where((a.serial == plain(serial)) | (a.other == plain(serial))).order_by(a.id)
    )  # fmt: skip
    names = [("serial", "kit", "part"), ("other", "other_kit", "other_part")]
    pairs = {frozenset(tuple(str(r[key]) for key in of) for of in names): r for r in rows}  # the newest of each pair
    number = int(story.row["id"])
    did = persons.logged_by(ledger, number) | persons.read_by(ledger, number) | {persons.same(by)}
    for r in pairs.values():
        if r["same"]:
            continue
        other = " ".join(str(r[key]) for key in ("other_kit", "other_part", "other") if r[key])
        said = f"{r['made_by']} said that {r['serial']} is not {other} (entry {r['entry']}: {r['reason']})"
        if spec.approval_two_person and persons.same(str(r["made_by"])) in did:
            yield _problem(
                SAME_PERSON, f"{said}, and logged, read or approves this part; the kit asks for a second person",
                "Let another one look at the part and give the answer: holeqc serial.",
            )  # fmt: skip
        else:
            remarks.append(said)


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


def _persons(
    ledger: Ledger, story: InspectionStory, spec: Specification, tags: list[TagState], by: str
) -> Iterable[Problem]:  # fmt: skip
    """Give the two-person rule, where the kit asks for it: who logged, read, decided or reworked may not approve."""
    if not spec.approval_two_person or not by.strip():
        return
    mine, number = persons.same(by), int(story.row["id"])
    did = []
    if mine in persons.logged_by(ledger, number):
        did.append("logged it")
    if mine in persons.read_by(ledger, number):
        did.append("read it")
    for event, words in ((DISPOSITIONED, "decided on"), (REWORKED, "reworked")):
        ours = [
            tag.number for tag in tags
            if any(e["event"] == event and persons.same(str(e["made_by"])) == mine for e in tag.events)
        ]  # fmt: skip
        if ours:
            did.append(f"{words} {'tags' if len(ours) > 1 else 'tag'} {listed(ours)}")
    for tag in tags:
        decided = next((e for e in reversed(tag.events) if e["event"] == DISPOSITIONED), None)
        if decided is None or decided["disposition"] not in NEED_AUTHORITY:
            continue
        of = int(tag.row["inspection_id"])
        if persons.same(str(decided["made_by"])) in persons.logged_by(ledger, of) | persons.read_by(ledger, of):
            yield _problem(
                SAME_PERSON, f"tag {tag.number}: {decided['disposition']} was decided by {decided['made_by']}, who "
                "logged or read the readings", "Let another one decide: holeqc disposition --supersede.",
            )  # fmt: skip
    person = persons.declared(ledger).get(mine)
    if person is not None and persons.same(person.added_by) in persons.logged_by(ledger, number):
        did.append(f"was declared by {person.added_by}, who logged it")
    if did:
        yield _problem(
            SAME_PERSON, f"{by.strip()} {joined(did)}; the kit asks for a second person", "Let another one approve."
        )


def _approved(story: InspectionStory) -> Iterable[Problem]:
    approval = standing_approval(story)
    if approval is not None:
        yield _problem(
            APPROVED, f"it is approved already, by {approval['made_by']} as entry {approval['entry']}",
            "Nothing needs doing; to take it back: holeqc withdraw.",
        )  # fmt: skip


def worst_of(problems: Iterable[Problem]) -> str:
    """Return reject if anything rejected stands in the way, else hold."""
    codes = {problem.code for problem in problems}
    return "reject" if codes & {REJECTED, SCRAPPED} else "hold"


def standing_approval(story: InspectionStory) -> Row | None:
    """Return the approval of an inspection that stands, None where there is none."""
    return next((a for a in reversed(story.approvals) if a["withdrawn_at"] is None), None)
