"""What the record holds, as text for the screen, as data for machines, as pages to print and to hang up."""

from __future__ import annotations

import datetime as dt
import json
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import holeqc
from holeqc import printing, writer
from holeqc.characteristics import DEGREES, OF_NAME, unit_of
from holeqc.inspection.results import ACCEPT, HOLD, VERDICTS, Reason, in_order, same_of_holes, words_of
from holeqc.ledger.persons import key_name
from holeqc.ledger.schema import shown
from holeqc.ledger.stories import question_words
from holeqc.ledger.tags import REWORKED, TagState, released_with, speaking_for, what_of
from holeqc.problems import HoleQCError, LedgerError
from holeqc.quantities import format_length
from holeqc.reports import blocks as w
from holeqc.specification.model import SINGLE_WALL

if TYPE_CHECKING:
    from holeqc.ledger.approvals import Waiting
    from holeqc.ledger.equipment import Forecast, Suspects
    from holeqc.ledger.stories import InspectionStory, PartStory, Question


# What the ledger says of parts, tags and suspects, as text for the screen and as data for machines.


Row = Mapping[str, Any]
LONGEST = 100  #: characters of a line of what isn't accepted
ONE_BY_ONE = 3  #: up to so many characteristics that one cause holds get a line each


def when(row: Row) -> str:
    """Return the moment of an entry as the clock at the bench showed it, to the minute."""
    text = shown(str(row["at"]), int(row["offset_minutes"]))
    return f"{text[:16]} {text[-6:]}"


def proof_of(approval: Row) -> str:
    """Return how an approval's name is proven: signed with a key, or not at all."""
    key = str(approval.get("signed_with", ""))
    return f"signed, key {key_name(key)}" if key else "name as typed"


def mark(verdict: object) -> str:
    """Return mark and word of a verdict, '-' where there is none."""
    return w.marked(VERDICTS.index(str(verdict))) if str(verdict) in VERDICTS else "-"


def name_of(row: Row) -> str:
    """Return part and serial in one string."""
    return w.plain(" ".join(str(row[key]) for key in ("part", "serial") if row[key]) or "part without name")


# ------------------------------------------------------------------------------------------------------------ a part


def part_text(story: PartStory, questions: Sequence[Question] = ()) -> str:
    """Return the whole story of a serial number, oldest first; ``questions``: what puts its approvals in question."""
    lines = [f"Serial {w.plain(story.serial)}: {w.plural(len(story.inspections), 'inspection')}"]
    for one in story.inspections:
        lines += ["", *_inspection_lines(story, one)]
        for question in questions:
            if question.inspection_id == one.row["id"]:
                lines += _wrapped(w.plain(f"IN QUESTION {question_words(question).partition(': ')[2]}"))
    return "\n".join(lines) + "\n"


def states_of(story: PartStory) -> list[TagState]:
    """Return all tags of a story with where they stand."""
    return [tag for one in story.inspections for tag in one.tags]


def _released(story: PartStory, one: InspectionStory, approval: Row) -> str:
    """Return the nonconformances that an approval let pass, as they were decided when it was given."""
    key = one.row["kit"], one.row["part"]
    ours = [tag for x in story.inspections if (x.row["kit"], x.row["part"]) == key for tag in x.tags]
    tags = [TagState(t.row, tuple(e for e in t.events if e["entry"] < approval["entry"])) for t in ours]
    known = {x.link.inspection: x.link for x in story.inspections if x.link is not None}
    number = int(one.row["id"])
    return released_with(tags, number, speaking_for(number, tags, known))


def _inspection_lines(story: PartStory, one: InspectionStory) -> Iterator[str]:
    row = one.row
    follows = f", follows inspection {row['follows']}" if row["follows"] else ""
    yield f"{mark(row['verdict'])}  {name_of(row)}, kit {w.plain(row['kit'])} revision {w.plain(row['revision'])}"
    yield f"   Inspection {row['id']}{follows}, entry {row['entry']}, {when(row)}, logged by {w.plain(row['made_by'])}"
    days = " to ".join(dict.fromkeys(str(row[key]) for key in ("first_day", "last_day") if row[key]))
    count = w.plural(int(row["readings"]), "reading")
    yield f"   {count}{f', read {days}' if days else ''}, rule {w.plain(row['rule'])}"
    for file in one.files:
        newer = ", a newer revision is recorded" if file["replaced_by"] else ""
        yield f"   File {w.plain(file['name'])}, SHA-256 {str(file['digest'])[:16]}…{newer}"
    if one.planned is not None:
        yield from _wrapped(w.plain(f"Accepted on {one.planned['read']} of {one.planned['total']} readings by reading "
                                    f"plan {one.planned['plan']}, lot of entry {one.planned['lot']}"))  # fmt: skip
    yield from _joined_lines(one)
    yield from _wrong_lines(story, one)
    for tag in one.tags:
        yield from _tag_lines(tag)
    yield from (f"   {text}" for text in approval_sentences(story, one))


def approval_sentences(story: PartStory, one: InspectionStory) -> Iterator[str]:
    """Give who approved an inspection, with which nonconformances, and who took that back."""
    for approval in one.approvals:
        role = f" as {w.plain(approval['role'])}" if approval["role"] else ""
        who = f"{w.plain(approval['made_by'])} ({proof_of(approval)}){role}"
        yield f"Approved {when(approval)} by {who}, entry {approval['entry']}"
        if passed := _released(story, one, approval):
            yield f"Released with a nonconformance: {w.plain(passed)}"
        if approval["note"]:
            yield f"Remark: {w.plain(approval['note'])}"
        yield from map(answer_text, approval["answered"])
        if approval["withdrawn_at"] is not None:
            yield f"Withdrawn by {w.plain(approval['withdrawn_by'])}: {w.plain(approval['withdrawn_because'])}"


def answer_text(row: Row) -> str:
    """Return how a question about an approved part was closed."""
    return w.plain(f"In question, closed {when(row)} by {row['made_by']}, entry {row['entry']}: {row['note']}")


def _joined_lines(one: InspectionStory) -> Iterator[str]:
    """Give which readings count in an inspection that joins a recheck, by their day."""
    if one.link is None:
        return
    yield from _wrapped(w.plain(f"Recheck of {one.link.said}, joined with inspection {one.link.of}"))
    ids = [str(hole["hole"]) for hole in one.holes]
    for day in dict.fromkeys(str(row["day"] or "") for row in one.counting):
        mine = [row for row in one.counting if str(row["day"] or "") == day]
        for name, verb in (("count", "count"), ("left_out", "don't count any more")):
            if some := [row for row in mine if row[name]]:
                holes = in_order(ids, [str(row["hole"]) for row in some])
                count = w.plural(sum(int(row[name]) for row in some), "reading")
                word = "hole" if len(some) == 1 else "holes"
                yield from _wrapped(w.plain(f"{count} of {day or 'no day'} {verb}: {word} {holes}"))


def _wrong_lines(story: PartStory, one: InspectionStory) -> Iterator[str]:
    for verdict, text in what_is_wrong(story, one):
        yield from _wrapped(f"{mark(verdict)}  {text}")


def what_is_wrong(story: PartStory, one: InspectionStory) -> Iterator[tuple[str, str]]:
    """Give what isn't accepted, verdict and words: each reject by itself, what one cause holds in many holes once."""
    unit = str(one.row["unit"])
    groups: dict[object, list[Row]] = {}
    for number, row in enumerate(one.characteristics):
        alone = row["verdict"] != "hold"
        groups.setdefault(number if alone else (row["cause"], row["found"] is None), []).append(row)
    for rows in groups.values():
        if len(rows) <= ONE_BY_ONE:
            yield from ((str(row["verdict"]), _found(row, unit)) for row in rows)
        else:
            yield from ((str(rows[0]["verdict"]), text) for text in _held(one, rows))
    if one.row["verdict"] == "hold" and not one.characteristics and one.row["pin_verdict"] != "hold":
        yield from (("hold", text) for text in _held_by_its_files(story, one))
    if one.row["pin_verdict"] in {"hold", "reject"}:
        yield str(one.row["pin_verdict"]), "pins together"


def _held_by_its_files(story: PartStory, one: InspectionStory) -> Iterator[str]:
    """Give what holds an inspection of which no hole is held: what was found in its files."""
    files, entry = {file["id"] for file in one.files}, one.row["entry"]
    said = dict.fromkeys(
        str(p["message"]) for p in story.problems
        if p["holds"] and p["part"] in ("", one.row["part"])
        and (p["file_id"] in files or (p["file_id"] is None and p["entry"] == entry))
    )  # fmt: skip
    for text in said or ["something that was found in its files"]:
        yield f"no hole, but the part: {w.plain(text)}"


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(f"   {text}", LONGEST, subsequent_indent=" " * 11, break_on_hyphens=False)


def _held(one: InspectionStory, rows: Sequence[Row]) -> Iterator[str]:
    """Give what one cause holds: holes of which the same characteristics are held together."""
    ids = [str(hole["hole"]) for hole in one.holes]
    for held, there in same_of_holes((str(row["hole"]), str(row["characteristic"])) for row in rows).items():
        word = "hole" if len(there) == 1 else "holes"
        yield w.plain(f"{word} {in_order(ids, there)}: {', '.join(held)}: {_cause(rows[0])}")


def _found(row: Row, unit: str) -> str:
    wall = "" if row["wall"] == SINGLE_WALL else str(row["wall"])
    where = ", ".join(x for x in (f"hole {row['hole']}", wall, str(row["characteristic"])) if x)
    found, unit = str(row["found_word"]), unit_of(str(row["characteristic"]), unit)
    if row["found"] is not None and not found:
        limits = [float(row[key]) for key in ("lower", "upper") if row[key] is not None]
        what = OF_NAME.get(str(row["characteristic"]))
        value, sized = float(row["found"]), what is not None and (what.name == "size" or what.measured)
        found = w.typed(value, unit) if sized else w.computed(value, unit, *limits)
        found += unit if unit == DEGREES else ""
    allowed = "" if row["found_word"] else _allowed(row, unit)
    return w.plain(f"{where}: {found}{allowed} ({_cause(row)})" if found else f"{where}: {_cause(row)}")


def _allowed(row: Row, unit: str) -> str:
    lower, upper = (None if row[key] is None else _limit(row, float(row[key]), unit) for key in ("lower", "upper"))
    if lower and upper:
        return f", allowed {lower} to {upper}"
    return f", allowed at least {lower}" if lower else f", allowed at most {upper}" if upper else ""


def _cause(row: Row) -> str:
    """Return why a characteristic isn't accepted, in plain words."""
    if row["cause"] == "missing":
        return "not read" if row["found"] is None and not row["found_word"] else "not all was read"
    return words_of(str(row["cause"]))


def _limit(row: Row, value: float, unit: str) -> str:
    """Return a limit; of a position with its bonus, that is worked out, as many digits as usual."""
    return w.computed(value, unit) if row["stated"] is not None else w.typed(value, unit)


def _tag_lines(tag: TagState) -> Iterator[str]:
    row = tag.row
    what = w.plain(what_of(row["hole"]))
    printed = "" if row["printed"] == row["number"] else f" (printed {w.plain(row['printed'])})"
    yield f"   Tag {row['number']}, {what}, {row['verdict']}{printed}"
    for event in tag.events:
        yield f"      {event_text(event)}"


def event_text(event: Row) -> str:
    """Return one event of a tag in a line."""
    words = [str(event["event"])]
    if event["disposition"]:
        words = [f"disposition {event['disposition']}"]
    if event["authority"]:
        words.append(f"authority {event['authority']}")
    if event["inspection_id"] and event["event"] != "opened":
        words.append(f"inspection {event['inspection_id']}")
    words.append(f"by {event['made_by']}")
    note = f": {event['note']}" if event["note"] else ""
    return w.plain(f"{when(event)}  {', '.join(words)}{note}")


def decision_words(tag: TagState) -> str:
    """Return the disposition in force of a tag, who decided, when and by what authority; '' where nobody has."""
    event = next((e for e in tag.events if e["entry"] == tag.decided_by_entry), None)
    if event is None:
        return ""
    authority = f", authority {tag.authority}" if tag.authority else ""
    why = f": {event['note'].rstrip('.')}" if event["note"] else ""
    return w.plain(f"{tag.disposition}, by {event['made_by']}, {when(event)}{authority}, entry {event['entry']}{why}")


def story_data(story: PartStory) -> dict[str, Any]:
    """Return a story as plain data: rows with the columns of the ledger's schema."""
    return {
        "serial": story.serial,
        "inspections": [
            {
                **one.row, "files": list(one.files), "holes": list(one.holes), "counting": list(one.counting),
                "recheck": {"of_inspection": one.link.of, "said": one.link.said} if one.link else None,
                "not_accepted": list(one.characteristics),
                "approvals": [{**x, "released_with": _released(story, one, x)} for x in one.approvals],
                "tags": [
                    {**tag.row, "content": json.loads(str(tag.row["content"]) or "{}"), "events": list(tag.events)}
                    for tag in one.tags
                ],
            }
            for one in story.inspections
        ],
        "problems": list(story.problems),
    }  # fmt: skip


# ------------------------------------------------------------------------------------------------------------- lists


WIDEST = 40  #: characters of a cell; a serial number or a name may be longer and is then shortened


def table_text(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return rows under headings in columns as wide as they need, at most `WIDEST`."""
    rows = [[w.shorten(cell, WIDEST) for cell in row] for row in rows]
    widths = [max(len(head), *(len(row[n]) for row in rows)) if rows else len(head) for n, head in enumerate(heads)]
    lines = [
        "  ".join(cell.ljust(wide) for cell, wide in zip(row, widths, strict=True)).rstrip() for row in (heads, *rows)
    ]
    return "\n".join(lines) + "\n"


PARTS_LISTED = 500  #: so many parts are listed on screen, the newest


def parts_text(rows: Sequence[Row], count: int = 0) -> str:
    """Return the newest inspection of each part as a table; ``count``: how many there are, if more."""
    if not rows:
        return "No part fits what was asked.\n"
    heads = ("Verdict", "Part", "Serial", "Kit", "Revision", "Last read", "Logged", "By", "Open tags", "Approved")
    cells = [
        [
            mark(r["verdict"]), w.plain(r["part"]), w.plain(r["serial"]), w.plain(r["kit"]), w.plain(r["revision"]),
            str(r["last_day"] or "-"), when(r), w.plain(r["made_by"]), str(r["open_tags"] or "-"),
            _approval(r),
        ]
        for r in rows
    ]  # fmt: skip
    passed = [
        w.plain(f"{name_of(r)}: released with a nonconformance, {r['released_with']}") + "\n" for r in rows
        if r["released_with"]
    ]  # fmt: skip
    passed += [w.plain(f"{name_of(r)}: IN QUESTION, {r['in_question']}") + "\n" for r in rows if r["in_question"]]
    total = w.plural(max(count, len(rows)), "part")
    if count > len(rows):
        total += f", the newest {len(rows)} of them listed; --since, --verdict and the like narrow it, --json lists all"
    return table_text(heads, cells) + "\n" + "".join([*passed, f"{total}\n"])


def _approval(row: Row) -> str:
    """Return whether a part's newest inspection is approved; what is scrapped or returned is not for use."""
    if row["not_for_use"]:
        return {"scrap": "no, scrapped", "return": "no, returned"}[row["not_for_use"]]
    if row["in_question"]:
        return "in question"
    if row["approved"]:
        return "yes"
    return f"older: inspection {row['approved_inspection']}" if row["approved_inspection"] else "no"


def tags_text(tags: Sequence[TagState]) -> str:
    """Return tags as a table."""
    if not tags:
        return "No tag fits what was asked.\n"
    heads = ("Tag", "Verdict", "Part", "Serial", "Hole", "Kit", "Opened", "State", "Disposition", "Authority")
    cells = [
        [
            t.number, mark(t.row["verdict"]), w.plain(t.row["part"]), w.plain(t.row["serial"]), w.plain(t.row["hole"]),
            w.plain(t.row["kit"]), when(t.row), t.state, t.disposition or "-", w.plain(t.authority) or "-",
        ]
        for t in tags
    ]  # fmt: skip
    still = sum(not t.closed for t in tags)
    return table_text(heads, cells) + f"\n{w.plural(len(tags), 'tag')}, {still} open\n"


def tags_data(tags: Sequence[TagState]) -> list[dict[str, Any]]:
    """Return tags as plain data."""
    return [
        {
            **t.row, "content": json.loads(str(t.row["content"]) or "{}"), "state": t.state,
            "disposition": t.disposition, "authority": t.authority, "events": list(t.events),
        }
        for t in tags
    ]  # fmt: skip


@dataclass(frozen=True, slots=True)
class WaitingList:
    """One kind of what waits: title, headings, and rows whose last cell is the command or the step that comes next."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def waiting_lists(found: Waiting) -> list[WaitingList]:
    """Return what waits, kind by kind, the most urgent first; kinds of which nothing waits are left out."""
    lists = (
        WaitingList("The record doesn't hold, so nothing is ready to approve", ("Fault", "Next"), tuple(
            (fault, "holeqc ledger verify") for fault in found.doubts
        )),
        WaitingList("In question", ("Part", "Why", "Next"), tuple(
            (f"{q.part} {q.serial}", q.sentence, what)
            for q, what in zip(found.questions, found.answers, strict=True)
        )),
        WaitingList("Open tags, the oldest first", ("Tag", "Open for", "Part", "Hole", "Verdict", "Next"), tuple(
            (t.number, _age(t.row, found.day), name_of(t.row), what_of(t.row["hole"]), str(t.row["verdict"]),
             _next_step(t)) for t in found.tags
        )),
        WaitingList("Ready to approve", ("Part", "Day", "Who", "Next"), tuple(
            (name_of(r), f"read {r['last_day'] or '-'}", f"logged by {r['made_by']}",
             f"holeqc approve {r['serial']} --by WHO") for r in found.ready
        )),
        WaitingList("Held, to be read again", ("Part", "Day", "Who", "Next"), tuple(
            (name_of(r), f"logged {when(r)[:10]}", f"by {r['made_by']}", f"holeqc part {r['serial']}")
            for r in found.held
        )),
        WaitingList("Not to be approved as it stands", ("Part", "Why", "Next"), tuple(
            (_some(serials), why, what) for serials, why, what in found.blocked
        )),
        WaitingList("Lots drawn and still open", ("Lot", "Part", "Next"), tuple(
            (f"lot {o.lot} of kit {o.kit}, drawn {o.day}", f"to be read: {_some(o.waiting)}",
             f"read them, then holeqc lot judge {o.lot}") for o in found.lots
        )),
        WaitingList("Gauges", ("Gauge", "Calibration", "Next"), tuple(
            (gauge, f"found out of tolerance on {day}", "keep it off the bench until it is calibrated")
            for gauge, day in found.off
        ) + tuple(
            (gauge, f"calibration {'was' if past else 'is'} due on {day}",
             "take it off the bench" if past else f"calibrate it, then holeqc gauge calibrated {gauge}")
            for gauge, day, past in found.gauges
        )),
        WaitingList("Fixtures", ("Fixture", "Bushing", "Forecast", "Next"), tuple(
            (f.fixture, f"bushing {f.bushing}", _forecast(f), f"change it, then holeqc fixture event {f.fixture}")
            for f in found.fixtures
        )),
        WaitingList("Kits not released", ("Kit", "Next"), tuple(
            (f"{kit} revision {revision}", "holeqc kit release KIT.toml --by WHO") for kit, revision in found.kits
        )),
    )  # fmt: skip
    return [one for one in lists if one.rows]


def waiting_text(found: Waiting) -> str:
    """Return what waits, each with the command that comes next."""
    lines: list[str] = []
    for one in waiting_lists(found):
        rows = (f"  {', '.join(row[:-1])}: {row[-1]}" for row in one.rows)
        lines += [f"{one.title} ({len(one.rows)})", *map(w.plain, rows), ""]
    lines += left_out(found)
    return "\n".join(lines).rstrip() + "\n" if lines else "Nothing waits.\n"


def left_out(found: Waiting) -> list[str]:
    """Return how many parts the lists leave out, and which command names them."""
    said = []
    if found.untagged:
        said.append(f"{w.plural(found.untagged, 'part')} held without a tag: holeqc parts --verdict hold --tag none")
    if found.not_for_use:
        said.append(f"{w.plural(found.not_for_use, 'open tag')} of parts scrapped or returned: holeqc tags --open")
    if found.left_out:
        said.append(f"{w.plural(found.left_out, 'older part')} not approved: holeqc parts lists them")
    return said


def _some(serials: Sequence[str]) -> str:
    more = len(serials) - ONE_BY_ONE
    return ", ".join(serials[:ONE_BY_ONE]) + (f" and {w.plural(more, 'more part')}" if more > 0 else "")


def _forecast(forecast: Forecast) -> str:
    left = w.plural(forecast.left, "part") if forecast.left > 0 else "no part"
    return f"{left} left until {forecast.limit}, forecast of {forecast.day}"


def _age(row: Row, day: dt.date) -> str:
    """Return for how many days something has been on record by the clock of its bench."""
    return w.plural(max((day - dt.date.fromisoformat(when(row)[:10])).days, 0), "day")


def _next_step(tag: TagState) -> str:
    """Return what to do next with an open tag."""
    if tag.disposition in {"rework", "repair"}:
        again = f"holeqc sheet --recheck {tag.number} -o SHEET.xlsx, read again and record the sheet"
        return again if tag.state == REWORKED else f"{tag.disposition}, then {again}"
    if tag.row["verdict"] == "hold":
        return f"holeqc sheet --recheck {tag.number} -o SHEET.xlsx, read again and record the sheet"
    return f"holeqc disposition {tag.number} --as ... --by WHO --reason TEXT"


def suspects_text(found: Suspects) -> str:
    """Return what rests on a suspect gauge or fixture, and what would change."""
    lines = [f"What rests on {found.what} {w.plain(found.name)}{f' since {found.since}' if found.since else ''}"]
    if found.error is not None:
        unit = found.unit or "kit unit"
        lines.append(f"Error taken out of its readings: {found.error:+.6g} {unit} (reading minus true)")
    lines += [w.plain(note) for note in found.notes]
    if not found.parts:
        return "\n".join([*lines, "No part rests on it."]) + "\n"
    again = any(p.after for p in found.parts)
    heads = ["Part", "Serial", "Kit", "Revision", "Read", "Readings", "Verdict", *(["Without error"] if again else [])]
    cells = []
    for p in found.parts:
        row = [
            w.plain(p.part),
            w.plain(p.serial),
            w.plain(p.kit),
            w.plain(p.revision),
            p.last_day or "-",
        ]
        row += [str(p.readings), mark(p.verdict), *([mark(p.after)] if again else [])]
        cells.append([*row, f"yes, entry {p.approval}" if p.approved else "no"])
    lines += ["", table_text([*heads, "Approved"], cells).rstrip("\n")]
    changed = [p for p in found.parts if p.changes]
    if changed:
        lines += ["", "What changes"]
        lines += [w.plain(f"  {p.part} {p.serial}: {'; '.join(p.changes)}") for p in changed]
    count = f"{w.plural(len(found.parts), 'part')}"
    if again:
        count += f", {sum(p.changed for p in found.parts)} with another verdict"
    return "\n".join([*lines, "", f"{count}, {sum(p.approved for p in found.parts)} approved"]) + "\n"


def suspects_data(found: Suspects) -> dict[str, Any]:
    """Return the same as plain data."""
    data = asdict(found)
    for one, suspect in zip(data["parts"], found.parts, strict=True):
        one["changed"] = suspect.changed
    return data


def as_json(data: Any) -> str:
    """Return data of a record as JSON text.

    Raises:
        LedgerError: a number on record is infinite or none, which nobody can have recorded.
    """
    try:
        return printing.as_json(data) + "\n"
    except ValueError:
        raise LedgerError("a number on record isn't finite: it was changed or damaged; holeqc ledger verify says where"
                          ) from None  # fmt: skip


# What was logged of gauges and fixtures, as tables for the screen.


def calibrations_text(rows: Sequence[Row]) -> str:
    """Return logged calibrations as a table; the error is what the gauge read minus what was true, as found."""
    if not rows:
        return "No calibration is logged.\n"
    heads = ("Gauge", "Day", "As found", "Error", "Due", "Certificate", "Logged", "By", "Entry", "Note")
    cells = [
        [
            w.plain(r["gauge"]), str(r["day"]), str(r["result"]), _error(r), str(r["due"] or "-"),
            w.plain(r["certificate"]) or "-", when(r), w.plain(r["made_by"]), str(r["entry"]),
            w.plain(r["note"]) or "-",
        ]
        for r in rows
    ]  # fmt: skip
    return table_text(heads, cells) + f"\n{w.plural(len(rows), 'calibration')}\n"


def _error(row: Row) -> str:
    if row["error"] is None:
        return "-"
    unit = str(row["unit"])
    sign = "+" if float(row["error"]) > 0 else ""
    return f"{sign}{format_length(float(row['error']), unit, 5 if unit == 'in' else 4)} {unit}"


def fixture_events_text(rows: Sequence[Row]) -> str:
    """Return logged events of fixtures as a table."""
    if not rows:
        return "No event of a fixture is logged.\n"
    heads = ("Fixture", "Day", "Event", "Bushing", "Logged", "By", "Entry", "Note")
    cells = [
        [
            w.plain(r["fixture"]), str(r["day"]), _event(r), w.plain(r["bushing"]) or "-", when(r),
            w.plain(r["made_by"]), str(r["entry"]), w.plain(r["note"]) or "-",
        ]
        for r in rows
    ]  # fmt: skip
    return table_text(heads, cells) + f"\n{w.plural(len(rows), 'event')}\n"


def _event(row: Row) -> str:
    how = {1: ", good", 0: ", not good"}.get(row["good"], "")
    return f"{row['event']}{how}"


# Pages of the record: what waits, for the morning and the wall; the whole story of one part, to print and keep.


def write_page(report: w.Report, path: Path) -> None:
    """Write a page as .html or .pdf, in the place of an older one.

    Raises:
        HoleQCError: another ending, or the disk refuses.
    """
    from holeqc.reports.pages import html_page, pdf_report

    ending = path.suffix.lower()
    if ending not in {".html", ".pdf"}:
        raise HoleQCError(f"{path}: the ending says the format; give .html or .pdf")
    content = pdf_report(report) if ending == ".pdf" else html_page(report).encode("utf-8", "backslashreplace")
    with writer.file(path) as out:
        out.write(content)


def _report(title: str, head: str, content: Iterator[w.Block], day: dt.date) -> w.Report:
    foot = w.Foot([f"holeqc {holeqc.__version__}  ·  as of {day}"], (w.CAUTIONS[1],))
    return w.Report(title, (w.Section("overview", head, tuple(content)),), foot, "letter")


# --------------------------------------------------------------------------------------------------------- what waits


def waiting_report(found: Waiting) -> w.Report:
    """Return what waits as a page."""
    return _report("What waits", f"What waits  ·  {found.day}", _waiting_blocks(found), found.day)


def _waiting_blocks(found: Waiting) -> Iterator[w.Block]:
    lists = waiting_lists(found)
    yield w.Heading(f"What waits on {found.day}")
    if not lists and not left_out(found):
        yield w.Paragraph("Nothing waits.")
    elif lists:
        yield w.Facts(tuple((one.title.partition(",")[0], str(len(one.rows))) for one in lists))
    for one in lists:
        yield w.Heading(f"{one.title} ({len(one.rows)})")
        wrap = {"Why", "Fault", "Next", "Part", "Hole", "Forecast"}
        columns = tuple(w.Column(head, wraps=head in wrap) for head in one.heads)
        yield w.Table(columns, tuple(tuple(_cell(text) for text in row) for row in one.rows))
    for text in left_out(found):
        yield w.Paragraph(text, "quiet")


def _cell(text: str) -> w.Cell | str:
    return w.Cell(text, VERDICTS.index(text)) if text in VERDICTS else w.plain(text)


# ------------------------------------------------------------------------------------------------------------ a story


def story_report(story: PartStory, questions: Sequence[Question], day: dt.date) -> w.Report:
    """Return the whole story of one serial number as a page, oldest first."""
    title = f"Story of serial {w.plain(story.serial)}"
    return _report(title, title, _story_blocks(story, questions), day)


def _story_blocks(story: PartStory, questions: Sequence[Question]) -> Iterator[w.Block]:
    newest = story.inspections[-1]
    verdict = VERDICTS.index(str(newest.row["verdict"]))
    count = w.plural(len(story.inspections), "inspection")
    stamp, detail = "", f"{count} on record, oldest first"
    if (gone := next((t.disposition for t in states_of(story) if t.not_for_use), "")) and verdict != ACCEPT:
        stamp = {"scrap": "SCRAPPED", "return": "RETURNED"}[gone]
    elif any(verdict != ACCEPT or _released(story, newest, a) for a in newest.approvals if a["withdrawn_at"] is None):
        stamp = "BY DISPOSITION"
    if stamp:
        detail = f"newest inspection: {w.word(verdict)}; {detail}"
    yield w.Banner(HOLD if stamp == "BY DISPOSITION" else verdict, name_of(newest.row), detail, stamp)
    for question in questions:
        yield w.Paragraph(w.plain(f"IN QUESTION {question_words(question).partition(': ')[2]}"), "caution")
    for one in story.inspections:
        yield from _inspection_blocks(story, one)


def _inspection_blocks(story: PartStory, one: InspectionStory) -> Iterator[w.Block]:
    row = one.row
    verdict = VERDICTS.index(str(row["verdict"]))
    yield w.Heading(f"{w.marked(verdict)}  inspection {row['id']}, {when(row)}")
    follows = f"inspection {row['follows']}" if row["follows"] else ""
    days = " to ".join(dict.fromkeys(str(row[key]) for key in ("first_day", "last_day") if row[key]))
    pairs = (
        ("Part", name_of(row)), ("Kit", f"{row['kit']} revision {row['revision']}"), ("Entry", str(row["entry"])),
        ("Follows", follows), ("Logged by", str(row["made_by"])), ("Read", days), ("Readings", str(row["readings"])),
        ("Rule", str(row["rule"])),
    )  # fmt: skip
    yield w.Facts(tuple((label, w.plain(text)) for label, text in pairs if text))
    wrong = tuple(Reason(VERDICTS.index(word), text) for word, text in what_is_wrong(story, one))
    yield w.Findings(wrong or (Reason(verdict, "Everything that the kit asks for is accepted."),))
    yield from _tag_blocks(one.tags)
    said = tuple(approval_sentences(story, one))
    if said:
        yield w.Heading("Approval", 3)
        yield w.Findings(said)
    yield w.Heading("Files", 3)
    columns = (
        w.Column("File", wraps=True),
        w.Column("SHA-256", wraps=True),
        w.Column("Note", wraps=True),
    )
    yield w.Table(columns, tuple(
        (w.plain(f["name"]), str(f["digest"]), "a newer revision is recorded" if f["replaced_by"] else "")
        for f in one.files
    ))  # fmt: skip


def _tag_blocks(tags: Sequence[TagState]) -> Iterator[w.Block]:
    if not tags:
        return
    yield w.Heading("Tags", 3)
    columns = (
        w.Column("Tag"),
        w.Column("Of", wraps=True),
        w.Column("Verdict"),
        w.Column("What happened", wraps=True),
    )
    rows: list[tuple[w.Cell | str, ...]] = []
    groups = set()
    for tag in tags:
        groups.add(len(rows))
        first = (str(tag.row["number"]), w.plain(what_of(tag.row["hole"])), _cell(str(tag.row["verdict"])))
        rows += [(*(first if n == 0 else ("", "", "")), event_text(event)) for n, event in enumerate(tag.events)]
    yield w.Table(columns, tuple(rows), groups=frozenset(groups))
