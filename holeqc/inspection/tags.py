"""Tags: what hangs on a part until somebody licensed has decided; which there are, their codes, what is to be decided.

A tag speaks of one hole of one part, with a line for each characteristic that isn't accepted; holes that are held for
the same cause share one tag, and so do pins that don't enter together.

A tag's code follows from what makes it what it is: the kit's text, part and serial number, what it speaks of, and the
readings of those holes. Other files in the run, their names and their places play no part, so a tag has one code on
screen, paper and record. The alphabet has no signs that look alike and no vowels.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from holeqc.inspection.reasons import FEEDS, READ_AGAIN, READ_MISSING, UNPROVED, waiting_holes
from holeqc.inspection.results import (
    ACCEPT,
    CAUSES,
    CHARACTERISTICS,
    GUARD_BAND,
    HOLD,
    MISSING,
    PATTERN,
    PATTERN_INCOMPLETE,
    REJECT,
    VERDICTS,
    WHOLE_PART,
    Inspection,
    capital,
    hole_numbers,
    joined,
    words_of,
)
from holeqc.inspection.view import PartView, Run
from holeqc.printing import one_line
from holeqc.quantities import GRAIN
from holeqc.tables import Row

WAITS, UNREAD, NEAR_LIMIT = CAUSES[PATTERN_INCOMPLETE], CAUSES[MISSING], CAUSES[GUARD_BAND]
PINS = "pins together"  #: the characteristic on the tag of a pattern that doesn't take its pins
SHARED = 3  #: so many held holes with one cause share a tag
ALPHABET = "23456789CFHJKMPRTWXY"
_DIGITS = 1e7  #: lengths in a code count to so many parts of the kit's unit, so that no arithmetic changes it


@dataclass(frozen=True, slots=True)
class Line:
    """One characteristic on a tag: numbers in the kit's unit, None where there is none.

    ``found`` is what decides; where ``doubtful`` it is no measurement and ``typed`` stood in ``cell``. ``read``: it is
    one reading and not worked out.
    """

    hole: str
    wall: str
    characteristic: str
    verdict: str
    cause: str = ""
    lower: float | None = None
    upper: float | None = None
    stated: float | None = None
    bonus: float | None = None
    found: float | None = None
    found_word: str = ""
    typed: str = ""
    doubtful: bool = False
    read: bool = False
    deviation: float | None = None
    gauge: str = ""
    cell: str = ""


@dataclass(frozen=True, slots=True)
class Tag:
    """One tag. ``date``: day of the last reading, '' where the sheet says none; ``decide``: what is to be decided.

    ``basis``: digest of what the code follows from.
    """

    code: str
    basis: str
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

    @property
    def holes(self) -> tuple[str, ...]:
        """The holes that it speaks of: those of its lines, else the one that it names."""
        return tuple(dict.fromkeys(line.hole for line in self.lines)) or (self.hole,)


def code_of(basis: str, again: int = 0) -> str:
    """Return the code of a basis, two groups of four; ``again``: how many tags of this basis or code came before."""
    number = int.from_bytes(hashlib.sha256(f"{basis}/{again}".encode()).digest(), "big")
    signs = []
    for _ in range(8):
        number, rest = divmod(number, len(ALPHABET))
        signs.append(ALPHABET[rest])
    return f"{''.join(signs[:4])}-{''.join(signs[4:])}"


def code_typed(text: str) -> str:
    """Return a code as it was typed in the form of `code_of`: case, dashes, blanks aside; '' where it can't be one."""
    signs = "".join(sign for sign in text.upper() if sign.isalnum())
    return f"{signs[:4]}-{signs[4:]}" if len(signs) == 8 and signs.isascii() else ""


def tags_of(inspection: Inspection) -> list[Tag]:
    """Return the tags of every part of a run that isn't accepted."""
    return tags_for(Run(inspection))


def tags_for(run: Run, progress: Callable[[str], None] = lambda _: None) -> list[Tag]:
    """Return the tags of every part that isn't accepted, in the order of the run."""
    tags: list[Tag] = []
    wrong = sorted(run.numbers(REJECT, HOLD))
    for n, number in enumerate(wrong, 1):
        tags += tags_of_part(run[number])
        progress(f"tags: part {n} of {len(wrong)}")
    return tags


def tags_of_part(part: PartView) -> Sequence[Tag]:
    """Return the tags of one part, none where it is accepted."""
    known = part.run.known_tags
    if part.number not in known:
        known[part.number] = () if part.verdict == ACCEPT else tuple(_tags_of_part(part))
    return known[part.number]


def _tags_of_part(part: PartView) -> Iterator[Tag]:
    by_hole: dict[str, list[Row]] = {}
    for row in part.characteristics:
        if int(row["verdict"]) != ACCEPT:
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
        name, verdict = str(hole["hole"]), int(hole["verdict"])
        if rows or (verdict != ACCEPT and not by_hole.get(name) and name not in waiting):
            yield _tag_of(part, verdict, rows, name, _decide(part, rows, name))
    for rows in together.values():
        holes = hole_numbers(part.specification, [str(row["hole"]) for row in rows])
        yield _tag_of(part, HOLD, rows, holes, _decide_together(part, rows))
    pins = int(part.row["pin_verdict"])
    if pins > 0 and (pins == REJECT or not by_hole):
        yield _pin_tag(part, pins)
    elif not by_hole and not any(int(hole["verdict"]) != ACCEPT for hole in part.holes):
        yield _tag_of(part, part.verdict, [], WHOLE_PART, _decide(part, [], ""))


def _pin_tag(part: PartView, verdict: int) -> Tag:
    """Return the tag of a pattern that doesn't take its pins, or that isn't known to."""
    plan, margin = part.specification.plan, float(part.row["pin_margin"])
    gauges = ", ".join(name for name in (plan.diameter_gauge, plan.position_gauge) if name)
    line = Line(
        PATTERN, "", PINS, VERDICTS[verdict], lower=0.0, found=tidy(margin), gauge=gauges,
        deviation=tidy(margin) if margin < 0 else None,
    )  # fmt: skip
    return _tag(part, verdict, (line,), PATTERN, _decide(part, [], PATTERN))


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
    said = [r for r in part.reasons if (r.hole == hole or (not hole and (not names or r.characteristic in names)))]
    if hole == PATTERN:
        said = [r for r in part.reasons if not r.hole]
    proposals = [
        str(row["sentence"]) for row in part.rework if str(row["hole"]) == hole or row["scope"] == PATTERN == hole
    ]
    actions = [str(r.action) for r in said if r.action]
    if rows and all(row["cause"] != UNREAD for row in rows):  # what else wasn't read of the hole has its own tag
        actions = [action for action in actions if action != READ_AGAIN] or actions
    sentences = [] if rows else [str(r.sentence) for r in said]
    words = list(dict.fromkeys([*_held_by(rows), *_not_read(part, rows), *sentences, *proposals, *actions]))
    return (
        one_line(" ".join(word if word[-1:] in ".!?" else f"{word}." for word in words))
        or "Engineering disposition: may the part be used, and on what condition?"
    )


def _decide_together(part: PartView, rows: Sequence[Row]) -> str:
    """Return what is to be decided of many holes that one cause holds."""
    cause = str(rows[0]["cause"])
    action = READ_MISSING if cause == UNREAD else UNPROVED.get(cause, "")
    if not action:
        return _decide(part, rows, "")
    return one_line(" ".join([*(f"{text}." for text in (*_held_by(rows), *_not_read(part, rows))), action]))


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


def _tag_of(part: PartView, verdict: int, rows: Sequence[Row], hole: str, decide: str) -> Tag:
    lines = tuple(_line(part, row) for row in sorted(rows, key=_weight))
    days = [_day(reading["date"]) for row in rows if (reading := part.reading(row["reading"]))]
    worst = max((int(row["verdict"]) for row in rows), default=verdict)
    return _tag(part, worst, lines, hole, decide, max(days, default=""))


def _tag(
    part: PartView, verdict: int, lines: tuple[Line, ...], hole: str, decide: str, date: str = ""
) -> Tag:  # fmt: skip
    spec = part.specification
    walls = [x for x in spec.walls.names if any(line.wall == x for line in lines)] if spec.walls.several else []
    gauges = ", ".join(dict.fromkeys(line.gauge for line in lines if line.gauge))
    basis = _basis(part, hole, lines)
    return Tag(
        code_of(basis), basis, VERDICTS[verdict], spec.id, spec.revision, spec.drawing, part.part,
        part.declared.number if part.declared else "", part.serial, hole, ", ".join(walls), spec.unit, lines, gauges,
        date or _day(part.row["last_date"]), decide,
    )  # fmt: skip


def _basis(part: PartView, hole: str, lines: Sequence[Line]) -> str:
    """Return the digest of what a tag speaks of and of the readings that it rests on, whichever file they are in."""
    spec, rows = part.specification, part.run.rows("readings", part.number)
    holes = {line.hole for line in lines} or {hole}
    if not holes & {PATTERN, WHOLE_PART}:
        rows = [row for row in rows if row["hole"] in holes]
    scales = (("direction", 1e3), ("trial", 1.0), ("value", _DIGITS), ("temperature_c", 1e3))
    readings = sorted(
        (*(str(row[name]) for name in ("hole", "wall", "characteristic", "word", "gauge")),
         *("" if math.isnan(row[name]) else f"{round(row[name] * scale)}" for name, scale in scales), _day(row["date"]))
        for row in rows
    )  # fmt: skip
    of = [[line.hole, line.wall, line.characteristic, line.verdict] for line in lines]
    said = [spec.id, spec.revision, spec.digest, part.part, part.serial, hole, of, readings]
    return hashlib.sha256(json.dumps(said).encode()).hexdigest()


def _day(value: object) -> str:
    text = str(value)
    return "" if text in {"NaT", "None", "nan"} else text[:10]


def tidy(value: float) -> float | None:
    """Return a number without the noise of binary subtraction: twelve digits, None where it isn't finite."""
    return float(f"{value:.12g}") if math.isfinite(value) else None


def _line(part: PartView, row: Row) -> Line:
    deviation, doubtful = float(row["deviation"]), bool(row["doubtful"])
    beyond = not doubtful and math.isfinite(deviation) and abs(deviation) > GRAIN
    lower, upper, stated, bonus, found = (tidy(row[name]) for name in ("lower", "upper", "stated", "bonus", "found"))
    return Line(
        str(row["hole"]), str(row["wall"]), str(row["characteristic"]), VERDICTS[int(row["verdict"])],
        str(row["cause"]), lower, upper, stated, bonus, found, str(row["found_word"]), part.typed_as(row), doubtful,
        bool(row["reading"] >= 0), tidy(deviation) if beyond else None, gauge_of(part, row), part.cell(row),
    )  # fmt: skip


def gauge_of(part: PartView, row: Row) -> str:
    """Return the gauge of the reading that decides; else the plan's own, else the kit's only gauge for it."""
    reading = part.reading(row["reading"])
    if reading and reading["gauge"]:
        return str(reading["gauge"])
    plan = part.specification.plan
    name = row["characteristic"]
    measure = FEEDS.get(str(name), ("",))[0]
    stated = {"diameter": plan.diameter_gauge, "x": plan.position_gauge}.get(measure, "")
    able = [gauge.id for gauge in part.specification.gauges if measure in gauge.measures]
    return stated or (able[0] if len(able) == 1 else "")
