"""Reject and hold tags: what hangs on the part until somebody licensed has decided, as data and as pages to cut.

A tag speaks of one hole of one part, with a line for each characteristic that isn't accepted; holes that are held for
the same cause share one tag, and so do pins that don't enter together. A tag's number is the start of the SHA-256 over
kit, input files and what the tag speaks of: the same files give the same number, other readings another one.

tags.json: a list of objects with the fields of `Tag`; ``lines`` is a list of objects with the fields of `Line`; null
where a number is not known. tags.csv: one row a line, the tag's fields repeated; texts that a spreadsheet could take
for a formula begin with an apostrophe.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import holeqc
from holeqc.inspection.causes import CAUSES, GUARD_BAND, MISSING, PATTERN_INCOMPLETE, words_of
from holeqc.inspection.held import UNPROVED
from holeqc.inspection.results import CHARACTERISTICS, HOLD, REJECT
from holeqc.inspection.spans import capital, hole_numbers, joined
from holeqc.inspection.unread import READ_AGAIN, READ_MISSING, waiting_holes
from holeqc.quantities import GRAIN
from holeqc.reports import wording as w
from holeqc.reports.data import tidy
from holeqc.reports.screen import pin_sentence
from holeqc.reports.view import PartView, Row, Run
from holeqc.writer import as_text

WAITS, UNREAD, NEAR_LIMIT = CAUSES[PATTERN_INCOMPLETE], CAUSES[MISSING], CAUSES[GUARD_BAND]
SHARED = 3  #: so many held holes with one cause share a tag


@dataclass(frozen=True, slots=True)
class Line:
    """One characteristic on a tag. Texts are as printed; numbers in the kit's unit, None where there is none."""

    hole: str
    wall: str
    characteristic: str
    requirement: str
    found: str
    deviation: str
    lower: float | None
    upper: float | None
    found_value: float | None
    deviation_value: float | None
    gauge: str
    cell: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Tag:
    """One tag. ``date``: day of the last reading, '' where the sheet says none; ``decide``: what is to be decided."""

    number: str
    verdict: str
    kit: str
    revision: str
    drawing: str
    part: str
    part_number: str
    serial: str
    hole: str
    wall: str
    unit: str
    lines: tuple[Line, ...]
    gauge: str
    date: str
    decide: str
    dispositions: tuple[str, ...] = w.DISPOSITIONS


def tags_for(run: Run, progress: Callable[[str], None] = lambda _: None) -> list[Tag]:
    """Return the tags of every part that isn't accepted, in the order of the run."""
    tags: list[Tag] = []
    wrong = sorted(run.numbers(REJECT, HOLD))
    for n, number in enumerate(wrong, 1):
        tags += _of_part(run[number])
        progress(f"tags: part {n} of {len(wrong)}")
    return tags


def _of_part(part: PartView) -> Iterator[Tag]:
    by_hole: dict[str, list[Row]] = {}
    for row in part.characteristics:
        if w.is_fault(row["verdict"]):
            by_hole.setdefault(str(row["hole"]), []).append(row)
    # What waits for other holes is no fault of its own: the holes that it waits for have their tags.
    waiting = waiting_holes(part.characteristics, part.problems)
    by_hole = {hole: [row for row in rows if row["cause"] != WAITS] for hole, rows in by_hole.items()}
    shared = _shared_causes(by_hole)
    together: dict[tuple[str, str], list[Row]] = {}
    for hole in part.holes:
        rows = by_hole.get(str(hole["hole"]), [])
        for row in rows:
            if _cause(row) in shared and row["verdict"] == HOLD:
                together.setdefault(_cause(row), []).append(row)
        rows = [row for row in rows if row["verdict"] == REJECT or _cause(row) not in shared]
        held = w.is_fault(hole["verdict"]) and not by_hole.get(str(hole["hole"])) and str(hole["hole"]) not in waiting
        if rows or held:
            yield _tag(part, int(hole["verdict"]), rows, str(hole["hole"]), _decide(part, rows, str(hole["hole"])))
    for rows in together.values():
        holes = hole_numbers(part.specification, [str(row["hole"]) for row in rows])
        yield _tag(part, HOLD, rows, holes, _decide_together(part, rows))
    pins = int(part.row["pin_verdict"])
    if pins > 0 and (pins == REJECT or not by_hole):
        yield _pin_tag(part, pins)
    elif not by_hole and not any(w.is_fault(hole["verdict"]) for hole in part.holes):
        yield _tag(part, part.verdict, [], "whole part", _decide(part, [], ""))


def _pin_tag(part: PartView, verdict: int) -> Tag:
    """Return the tag of a pattern that doesn't take its pins, or that isn't known to."""
    spec, margin = part.specification, float(part.row["pin_margin"])
    known = math.isfinite(margin)
    lacking = known and margin < 0
    line = Line(
        "pattern", "", "pins together", f"radial room at least {w.typed(0.0, spec.unit)}",
        w.signed(margin, spec.unit) if known else "not known", w.signed(margin, spec.unit) if lacking else "",
        0.0, None, tidy(margin), tidy(margin) if lacking else None,
        ", ".join(name for name in (spec.plan.diameter_gauge, spec.plan.position_gauge) if name), "", w.word(verdict),
    )  # fmt: skip
    tag = _tag(part, verdict, [], "pattern", f"{pin_sentence(part)} {_decide(part, [], 'pattern')}")
    return replace(tag, lines=(line,), gauge=line.gauge)


def _weight(row: Row) -> tuple[int, int, bool, float]:
    """Sort rejects first, in the order of a report, so that size stands before form; the farthest beyond leads."""
    left, name = float(row["left"]), str(row["characteristic"])
    place = CHARACTERISTICS.index(name) if name in CHARACTERISTICS else len(CHARACTERISTICS)
    if row["verdict"] != REJECT:
        return -int(row["verdict"]), place, False, 0.0
    return -REJECT, place, math.isnan(left), 0.0 if math.isnan(left) else left


def _cause(row: Row) -> tuple[str, str]:
    """Return what rows share a tag by: the cause; near a limit the characteristic too, which is measured again."""
    cause = str(row["cause"])
    return cause, str(row["characteristic"]) if cause == NEAR_LIMIT else ""


def _shared_causes(by_hole: dict[str, list[Row]]) -> set[tuple[str, str]]:
    """Return the causes of hold that touch so many holes that they share a tag."""
    holes: dict[tuple[str, str], set[str]] = {}
    for hole, rows in by_hole.items():
        for row in rows:
            if row["verdict"] == HOLD:
                holes.setdefault(_cause(row), set()).add(hole)
    return {cause for cause, there in holes.items() if len(there) >= SHARED}


def _decide(part: PartView, rows: Sequence[Row], hole: str) -> str:
    """Return what is to be decided: the actions of the reasons that speak of the hole, rework, else the question."""
    names = {str(row["characteristic"]) for row in rows}
    ours = [r for r in part.reasons if (r.hole == hole or (not hole and (not names or r.characteristic in names)))]
    if hole == "pattern":
        ours = [r for r in part.reasons if not r.hole]
    proposals = [
        str(row["sentence"]) for row in part.rework if str(row["hole"]) == hole or row["scope"] == "pattern" == hole
    ]
    actions = [str(r.action) for r in ours if r.action]
    if rows and all(row["cause"] != UNREAD for row in rows):  # what else wasn't read of the hole has its own tag
        actions = [action for action in actions if action != READ_AGAIN] or actions
    sentences = [] if rows or hole == "pattern" else [str(r.sentence) for r in ours]
    words = list(dict.fromkeys([*_held_by(rows), *_not_read(part, rows), *sentences, *proposals, *actions]))
    return (
        w.plain(" ".join(word if word[-1:] in ".!?" else f"{word}." for word in words))
        or "Engineering disposition: may the part be used, and on what condition?"
    )


def _decide_together(part: PartView, rows: Sequence[Row]) -> str:
    """Return what is to be decided of many holes that one cause holds."""
    cause = str(rows[0]["cause"])
    action = READ_MISSING if cause == UNREAD else UNPROVED.get(cause, "")
    if not action:
        return _decide(part, rows, "")
    return w.plain(" ".join([*(f"{text}." for text in (*_held_by(rows), *_not_read(part, rows))), action]))


def _not_read(part: PartView, rows: Sequence[Row]) -> list[str]:
    """Return in one sentence what was not read: of which holes nothing at all, of which not everything."""
    open_ = [row for row in sorted(rows, key=_weight) if row["cause"] == UNREAD]
    if not open_ or any(row["verdict"] == REJECT for row in rows):
        return []
    holes = {str(row["hole"]) for row in open_}
    begun = {str(row["hole"]) for row in part.characteristics if row["cause"] != UNREAD or _there(row)} & holes
    spans = {
        word: f"{'holes' if len(some) > 1 else 'hole'} {hole_numbers(part.specification, some)}: {word}"
        for word, some in (("nothing read", holes - begun), ("not all read", begun)) if some
    }  # fmt: skip
    if not begun:
        return ["Nothing read"]
    if len(spans) == 2:
        return [capital("; ".join(spans.values()))]
    names = capital(joined(str(row["characteristic"]) for row in open_))
    return [f"{names}: {'not all' if any(map(_there, open_)) else 'not'} read"]


def _there(row: Row) -> bool:
    """Whether something of a characteristic was read."""
    return bool(row["found_word"]) or math.isfinite(float(row["found"]))


def _held_by(rows: Sequence[Row]) -> list[str]:
    """Return which characteristics are held and by what, in plain words; not what was not read."""
    if any(row["verdict"] == REJECT for row in rows):
        return []
    names: dict[str, list[str]] = {}
    for row in sorted(rows, key=_weight):
        if row["cause"] not in ("", UNREAD):
            names.setdefault(words_of(str(row["cause"])), []).append(str(row["characteristic"]))
    return [capital(f"{joined(held)}: {words}") for words, held in names.items()]


def _tag(part: PartView, verdict: int, rows: Sequence[Row], hole: str, decide: str) -> Tag:
    spec = part.specification
    ordered = sorted(rows, key=_weight)
    lines = tuple(_line(part, row) for row in ordered)
    if rows:
        verdict = max(int(row["verdict"]) for row in rows)
    walls = (
        [name for name in spec.walls.names if any(line.wall == name for line in lines)] if spec.walls.several else []
    )
    days = [w.day(reading["date"]) for row in rows if (reading := part.reading(row["reading"]))]
    date = max([day for day in days if day], default=w.day(part.row["last_date"]))
    gauges = ", ".join(dict.fromkeys(line.gauge for line in lines if line.gauge))
    return Tag(
        _number(part, hole, lines), w.word(verdict), spec.id, spec.revision, spec.drawing, part.part,
        part.declared.number if part.declared else "", part.serial, hole, ", ".join(walls), spec.unit, lines, gauges,
        date, decide,
    )  # fmt: skip


def _number(part: PartView, hole: str, lines: Sequence[Line]) -> str:
    spec = part.specification
    said = [spec.id, spec.revision, spec.digest, *(s.sha256 for s in part.run.inspection.readings.sources)]
    said += [part.part, part.serial, hole, *(f"{line.hole}/{line.wall}/{line.characteristic}" for line in lines)]
    digits = hashlib.sha256("\x1f".join(said).encode("utf-8", "surrogatepass")).hexdigest().upper()
    return f"{digits[:4]}-{digits[4:8]}"


def _line(part: PartView, row: Row) -> Line:
    unit = part.specification.unit
    deviation = float(row["deviation"])
    beyond = not row["doubtful"] and math.isfinite(deviation) and abs(deviation) > GRAIN
    return Line(
        str(row["hole"]), str(row["wall"]), str(row["characteristic"]), w.requirement(row, part.specification),
        _found(part, row, unit), w.signed(deviation, unit) if beyond else "", tidy(row["lower"]),
        tidy(row["upper"]), None if row["doubtful"] else tidy(row["found"]), tidy(deviation) if beyond else None,
        gauge_of(part, row), part.cell(row), w.word(row["verdict"]),
    )  # fmt: skip


def _found(part: PartView, row: Row, unit: str) -> str:
    text = w.value_text(row, unit)
    if row["doubtful"]:
        return w.doubtful_text(row, unit, part.cell(row))
    return f"{text}, incomplete" if row["cause"] == "missing" and math.isfinite(row["found"]) else text


_MEASURES = {
    "size": "diameter", "out-of-roundness": "diameter", "taper": "diameter", "position": "x",
    "hole-to-hole position": "x", "edge distance": "edge_distance", "surface": "surface", "GO": "go", "NO-GO": "no_go",
}  # fmt: skip


def gauge_of(part: PartView, row: Row) -> str:
    """Return the gauge of the reading that decides; else the plan's own, else the kit's only gauge for it."""
    reading = part.reading(row["reading"])
    if reading and reading["gauge"]:
        return str(reading["gauge"])
    plan = part.specification.plan
    name = row["characteristic"]
    measure = _MEASURES.get(str(name), "")
    stated = {"diameter": plan.diameter_gauge, "x": plan.position_gauge}.get(measure, "")
    able = [gauge.id for gauge in part.specification.gauges if measure in gauge.measures]
    return stated or (able[0] if len(able) == 1 else "")


# ---------------------------------------------------------------------------------------------------------- as data


def tags_json(tags: Sequence[Tag]) -> str:
    """Return tags as JSON text."""
    return json.dumps([asdict(tag) for tag in tags], ensure_ascii=False, indent=1, allow_nan=False) + "\n"


CSV_COLUMNS = (
    "tag", "verdict", "kit", "revision", "drawing", "part", "part_number", "serial", "hole", "wall", "characteristic",
    "requirement", "found", "deviation", "unit", "gauge", "date", "cell", "decide", "disposition", "signed_by",
)  # fmt: skip


def tags_csv(tags: Sequence[Tag]) -> str:
    """Return tags as CSV text, one row a line; the last two columns are for the decision."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(CSV_COLUMNS)
    for tag in tags:
        for line in tag.lines or (None,):
            writer.writerow(_csv_row(tag, line))
    return out.getvalue()


def _csv_row(tag: Tag, line: Line | None) -> list[Any]:
    hole, wall = (line.hole, line.wall) if line else (tag.hole, tag.wall)
    head = [tag.number, line.verdict if line else tag.verdict, tag.kit, tag.revision, tag.drawing, tag.part]
    head += [
        tag.part_number,
        tag.serial,
        hole,
        wall,
        line.characteristic if line else "",
        line.requirement if line else "",
    ]
    found: list[Any] = [line.found if line else ""]
    deviation: Any = line.deviation_value if line and line.deviation_value is not None else ""
    tail = [tag.unit, line.gauge if line else tag.gauge, tag.date, line.cell if line else "", tag.decide, "", ""]
    return [*map(as_text, [*head, *found]), deviation, *map(as_text, tail)]


def tool_text(run: Run) -> str:
    """Return the line that says which tool made the tags, of which kit."""
    return w.tool_line(holeqc.__version__, run.specification)
