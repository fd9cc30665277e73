"""What stands in the way of approving a part: holds, rejections not disposed of, gauges, revision, persons."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc.inspection.gauges import gauge_of
from holeqc.ledger import schema as s
from holeqc.ledger.equipment import calibrations, doubt_of
from holeqc.ledger.kits import stored_specification
from holeqc.ledger.tags import TagState, find_tags
from holeqc.problems import ERROR, Problem
from holeqc.specification.model import SINGLE_WALL

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


def obstacles(
    ledger: Ledger, story: InspectionStory, by: str = "", kit_files: Mapping[str, str] | None = None
) -> list[Problem]:
    """Return all that stands in the way of approving an inspection by a person, the gravest first."""
    spec = stored_specification(ledger, int(story.row["specification_id"]))
    row = story.row
    tags = find_tags(ledger, serial=str(row["serial"]), kit=str(row["kit"]), part=str(row["part"]))
    found = [
        *_rejected(story, tags), *_held(ledger, story), *_open_tags(story, tags), *_gauges(ledger, story, spec),
        *_revision(ledger, story, kit_files or {}), *_replaced(story), *_persons(ledger, story, spec, by),
        *_approved(story),
    ]  # fmt: skip
    return [_placed(problem, story) for problem in found]


def _placed(problem: Problem, story: InspectionStory) -> Problem:
    return replace(problem, part=str(story.row["part"]), serial=str(story.row["serial"]))


def _problem(code: str, message: str, action: str, **more: str) -> Problem:
    return Problem(ERROR, code, message, action=action, holds=True, **more)


def _rejected(story: InspectionStory, tags: list[TagState]) -> Iterable[Problem]:
    """Give what is rejected and has no disposition that lets the part be used as it is."""
    ours = [tag for tag in tags if tag.row["inspection_id"] == story.row["id"] and tag.row["verdict"] == "reject"]
    for tag in ours:
        if tag.closed and tag.disposition in {"scrap", "return"}:
            yield _problem(
                SCRAPPED, f"tag {tag.number}, {_of(tag)}: disposition {tag.disposition}",
                "The part is not for use.", hole=str(tag.row["hole"]),
            )  # fmt: skip
        elif not tag.closed:
            said = f"disposition {tag.disposition}, not closed" if tag.disposition else "no disposition"
            yield _problem(
                REJECTED, f"tag {tag.number}, {_of(tag)}: rejected, {said}", _what_to_do(tag),
                hole=str(tag.row["hole"]),
            )  # fmt: skip
    covered = {hole for tag in ours for hole in tag.holes}
    for hole in story.holes:
        if hole["verdict"] == "reject" and hole["hole"] not in covered:
            yield _problem(
                REJECTED, f"hole {hole['hole']} is rejected and no tag was written for it",
                "Open it: holeqc check ... --record does, and open_tags from Python.", hole=str(hole["hole"]),
            )  # fmt: skip
    if story.row["pin_verdict"] == "reject" and not covered & {"pattern"} and not any(
        hole["verdict"] == "reject" for hole in story.holes
    ):  # fmt: skip
        yield _problem(
            REJECTED, "the pins don't all enter and no tag was written for it", "Open it: open_tags from Python does."
        )


def _of(tag: TagState) -> str:
    """Return what a tag speaks of: a hole, holes, the pattern, the whole part."""
    hole = str(tag.row["hole"])
    return hole if hole in {"pattern", "whole part"} else f"hole {hole}"


def _what_to_do(tag: TagState) -> str:
    if tag.disposition in {"rework", "repair"}:
        return f"Do the {tag.disposition}, read the part again and record the new sheet."
    return f"Decide: holeqc disposition {tag.number} --as ... --by ROLE --reason TEXT."


def _held(ledger: Ledger, story: InspectionStory) -> Iterable[Problem]:
    action = "Complete or repeat the readings and record the new sheet."
    told = set()
    for row in story.characteristics:
        if row["verdict"] == "hold":
            told.add(row["hole"])
            wall = "" if row["wall"] == SINGLE_WALL else str(row["wall"])
            where = ", ".join(word for word in (f"hole {row['hole']}", wall) if word)
            yield _problem(
                HELD, f"{where}: {row['characteristic']} is held ({row['cause']})", action, hole=str(row["hole"]),
                wall=str(row["wall"]),
            )  # fmt: skip
    for row in story.holes:
        if row["verdict"] == "hold" and row["hole"] not in told:
            told.add(row["hole"])
            yield _problem(HELD, f"hole {row['hole']} is held", action, hole=str(row["hole"]))
    if story.row["pin_verdict"] == "hold" and not told:
        yield _problem(HELD, "the pins together are held: it isn't known whether they all enter", action)
        told.add("pattern")
    for row in _holding_problems(ledger, story):
        if row["hole"] in told and row["hole"]:
            continue
        place = ", ".join(str(row[name]) for name in ("file", "sheet", "cell") if row[name])
        told.add(row["hole"])
        yield _problem(
            HELD, f"{place}: {row['message']}" if place else str(row["message"]), str(row["action"]) or action
        )
    if story.row["verdict"] == "hold" and not told:
        yield _problem(HELD, "the part is held", action)


def _holding_problems(ledger: Ledger, story: InspectionStory) -> list[Row]:
    """Return the problems that hold this part: of its files, and of the run that judged it."""
    p, row = s.PROBLEM.c, story.row
    files = [int(file["id"]) for file in story.files]
    found = ledger.rows(
        select(s.PROBLEM).where(
            p.holds == 1, p.serial == row["serial"], p.part.in_(["", row["part"]]),
            p.file_id.in_(files) | (p.file_id.is_(None) & (p.entry == row["entry"])),
        ).order_by(p.id)
    )  # fmt: skip
    return found


def _open_tags(story: InspectionStory, tags: list[TagState]) -> Iterable[Problem]:
    """Give tags of earlier inspections that nobody has closed."""
    for tag in tags:
        older = tag.row["inspection_id"] != story.row["id"]
        if older and not tag.closed:
            said = f"disposition {tag.disposition}" if tag.disposition else "without disposition"
            yield _problem(
                OPEN_TAG, f"tag {tag.number} of an earlier inspection, {_of(tag)}, is open, {said}",
                _what_to_do(tag), hole=str(tag.row["hole"]),
            )  # fmt: skip
        elif older and tag.disposition in {"scrap", "return"}:
            yield _problem(
                SCRAPPED, f"tag {tag.number} of an earlier inspection: disposition {tag.disposition}",
                f"The part is not for use; if that was wrong, replace the disposition of {tag.number}.",
            )  # fmt: skip


def _gauges(ledger: Ledger, story: InspectionStory, spec: Specification) -> Iterable[Problem]:
    """Give each gauge that wasn't in calibration when it read, or was found out of tolerance at the next one."""
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
        doubt = doubt_of(gauge, day or logged, known.get(gauge, []), due)
        if doubt is None or gauge in told:
            continue
        message = doubt.sentence
        if doubt.found_bad is not None:
            after = _without(ledger, story, gauge, day or logged, doubt.found_bad)
            if after == story.row["verdict"]:
                continue
            message += f"; with its error taken out the verdict is {after}"
        told.add(gauge)
        yield _problem(
            GAUGE, message, f"Read again with a gauge in calibration; holeqc gauge suspect {gauge} --since DATE says "
            "what else rests on it.",
        )  # fmt: skip


def _readings_by_gauge(ledger: Ledger, story: InspectionStory) -> list[tuple[str, str, str | None]]:
    """Return gauge named, characteristic and last day of the readings that an inspection rests on."""
    r = s.READING.c
    question = (
        select(r.gauge, r.characteristic, r.day)
        .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
        .where(s.INSPECTION_SET.c.inspection_id == story.row["id"], r.characteristic != "")
        .distinct().order_by(r.gauge, r.characteristic, r.day)
    )  # fmt: skip
    return [(str(x["gauge"]), str(x["characteristic"]), x["day"]) for x in ledger.rows(question)]


def _without(ledger: Ledger, story: InspectionStory, gauge: str, day: str, calibration: Row) -> str:
    from holeqc.ledger.again import judge_again
    from holeqc.ledger.suspects import without_error

    number, error = int(story.row["id"]), calibration["error"]
    change = without_error(
        gauge, dt.date.min if not day else dt.date.fromisoformat(day), error, str(calibration["unit"])
    )
    return judge_again(ledger, [number], change)[number].verdict


def _revision(ledger: Ledger, story: InspectionStory, kit_files: Mapping[str, str]) -> Iterable[Problem]:
    text, row = s.SPECIFICATION.c, story.row
    ours = ledger.rows(select(text.digest).where(text.id == row["specification_id"]))[0]["digest"]
    action = "Judge its sheet under the revision in force and record it."
    if kit_files:
        if ours not in kit_files:
            names = ", ".join(dict.fromkeys(kit_files.values()))
            yield _problem(
                OLD_REVISION, f"judged under kit {row['kit']} revision {row['revision']}, whose text is not the one in "
                f"force ({names})", action,
            )  # fmt: skip
        return
    newest = ledger.rows(
        select(text.id, text.revision).where(text.kit == row["kit"]).order_by(text.id.desc()).limit(1)
    )[0]
    if newest["id"] != row["specification_id"]:
        which = f"revision {newest['revision']}" if newest["revision"] != row["revision"] else "a changed kit file"
        yield _problem(
            OLD_REVISION, f"judged under an old text of kit {row['kit']}, revision {row['revision']}; {which} is "
            "recorded since", action,
        )  # fmt: skip


def _replaced(story: InspectionStory) -> Iterable[Problem]:
    for file in story.files:
        if file["replaced_by"] is not None:
            yield _problem(
                REPLACED, f"it rests on {file['name']}, of which a newer revision is recorded",
                "Record the part's readings again.", file=str(file["name"]),
            )  # fmt: skip


def _persons(ledger: Ledger, story: InspectionStory, spec: Specification, by: str) -> Iterable[Problem]:
    """Give the two-person rule, where the kit asks for it: who logged or read may not approve."""
    if not spec.approval_two_person or not by.strip():
        return
    mine = _same(by)
    if _same(str(story.row["made_by"])) == mine or mine in {_same(name) for name in _loggers(ledger, story)}:
        yield _problem(
            SAME_PERSON, f"{by.strip()} logged it; the kit asks for a second person", "Let another one approve."
        )
        return
    r = s.READING.c
    readers = ledger.rows(
        select(r.read_by).join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
        .where(s.INSPECTION_SET.c.inspection_id == story.row["id"]).distinct()
    )  # fmt: skip
    if mine in {_same(str(x["read_by"])) for x in readers}:
        yield _problem(
            SAME_PERSON, f"{by.strip()} read it; the kit asks for a second person", "Let another one approve."
        )


def _loggers(ledger: Ledger, story: InspectionStory) -> list[str]:
    entries = [int(file["entry"]) for file in story.files]
    rows = ledger.rows(select(s.ENTRY.c.made_by).where(s.ENTRY.c.seq.in_(entries)))
    return [str(row["made_by"]) for row in rows]


def _same(name: str) -> str:
    """Return a name so that small differences of typing don't make another person."""
    return re.sub(r"[\s._-]+", " ", name).strip().casefold()


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
