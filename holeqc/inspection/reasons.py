"""Why a part isn't accepted, in plain sentences with numbers; worked out only when somebody asks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from holeqc.characteristics import DEGREES, JUDGED, OF_NAME, WORD, unit_of, with_unit
from holeqc.inspection.decision import guard_band
from holeqc.inspection.evidence import ACTION, TO_COME
from holeqc.inspection.pattern import LEAST_HOLES
from holeqc.inspection.results import (
    ACCEPT,
    CAUSES,
    CHARACTERISTICS,
    DAY_TO_COME,
    GUARD_BAND,
    HOLD,
    MEANING,
    PATTERN_INCOMPLETE,
    REJECT,
    Place,
    Reason,
    capital,
    cell_words,
    count_words,
    gauge_of,
    hole_numbers,
    joined,
    listed,
    span_words,
    words_of,
)
from holeqc.problems import Problem
from holeqc.quantities import DECIMALS, GRAIN, FloatArray, format_length
from holeqc.readings.table import CHARACTERISTICS as READ
from holeqc.readings.table import ENTERS, cell_name
from holeqc.tables import Row

if TYPE_CHECKING:
    from holeqc.inspection.view import PartView
    from holeqc.specification.model import Gauge, Specification


# The sentences about one characteristic of one hole: what was found, what is allowed, what to do.


ENGINEERING = "Engineering disposition; no rework without it."


Told = Iterator[tuple[Reason, Problem | None]]


@dataclass(frozen=True, slots=True)
class Phrase:
    """What is wrong, without the place and the full stop, and what to do about it."""

    text: str
    action: str


def place_of(part: PartView, label: int) -> str:
    """Return the cell of a reading as ``Sheet1!F9`` (``F9`` in a CSV), '' for none."""
    row = part.reading(label)
    if row is None:
        return ""
    cell = cell_name(row["row"], row["column"])
    return f"{row['sheet']}!{cell}" if row["sheet"] else cell


def hole_words(part: PartView, row: Row) -> str:
    """Return ``Hole 3, far wall``; no wall where there is only one or the whole hole is meant."""
    several = part.specification.walls.several
    return f"Hole {row['hole']}" + (f", {row['wall']} wall" if several and row["wall"] else "")


def _length(value: float, unit: str) -> str:
    return format_length(value, unit)


def amount_text(value: float, unit: str) -> str:
    """Return an amount; more decimals where it would read as nothing."""
    decimals = DECIMALS[unit]
    while decimals < 9 and abs(value) > GRAIN and float(f"{value:.{decimals}f}") == 0.0:
        decimals += 1
    return f"{value:.{decimals}f}"


def apart(smaller: float, larger: float, unit: str) -> tuple[str, str]:
    """Return two amounts with so many decimals that the smaller one reads as smaller, and neither as nothing."""
    for decimals in range(DECIMALS[unit], 10):
        low, high = round(smaller, decimals), round(larger, decimals)
        if (low or abs(smaller) <= GRAIN) and (low < high or larger - smaller <= GRAIN):
            break
    return f"{smaller:.{decimals}f}", f"{larger:.{decimals}f}"


def over_words(found: float, stated: float, bonus: float, unit: str) -> tuple[str, str, str, str]:
    """Return a value, by how much it is over, what it may be, and the bonus in that, as numbers that add up on paper.

    ``found`` beyond ``stated + bonus``. The amount over is the difference of the two numbers shown, so that nobody who
    takes one from the other finds another last digit.
    """
    base = 4 if unit == "in" else 3
    least = max(base, len(_length(stated, unit).partition(".")[2]))
    for decimals in range(least, 10):
        shown, more = round(found, decimals), round(bonus, decimals)
        total = round(stated + more, decimals)
        if shown > total:
            break
    return tuple(f"{value:.{decimals}f}" for value in (shown, shown - total, total, more))  # type: ignore[return-value]


def _size_words(part: PartView, row: Row) -> str:
    """Return a size with its unit; of one that was brought to 20 °C with what was read beside it."""
    found, unit = float(row["found"]), unit_of(str(row["characteristic"]), part.specification.unit)
    read = part.reading(row["reading"])
    if unit == DEGREES:
        return with_unit(_length(found, unit), unit)
    if read is None or not part.specification.temperature.correct or abs(float(read["value"]) - found) <= GRAIN:
        return f"{_length(found, unit)} {unit}"
    at = f"{float(read['temperature_c']):g} °C"
    shown = f"{found:.{5 if unit == 'in' else 4}f} {unit}"
    return f"{shown} at 20 °C (read {_length(float(read['value']), unit)} at {at})"


def _along(part: PartView, label: int) -> str:
    reading = part.reading(label)
    direction = math.nan if reading is None else float(reading["direction"])
    return "" if math.isnan(direction) else f" along {direction:g}°"


def size_beyond(part: PartView, row: Row) -> Phrase:
    """Return the phrase for a size, an edge distance or what is measured beside them, beyond a limit."""
    what = OF_NAME[str(row["characteristic"])]
    unit = what.unit(part.specification.unit)
    over = row["cause"] == "over"
    limit, amount = row["upper" if over else "lower"], abs(float(row["deviation"]))
    if row["characteristic"] == "edge distance":
        text = f"edge distance {_length(row['found'], unit)} {unit} is {amount_text(amount, unit)} under the least, "
        return Phrase(text + _length(limit, unit), ENGINEERING)
    within = amount < float(row["uncertainty"])
    shown, u = apart(amount, float(row["uncertainty"]), unit) if within else (amount_text(amount, unit), "")
    text = f"{what.name} " if what.measured else ""
    text += f"{_size_words(part, row)}{_along(part, row['reading'])} is {with_degrees(shown, unit)} "
    text += f"{'over the upper' if over else 'under the lower'} limit {with_degrees(_length(limit, unit), unit)}"
    text += f", less than the reading's U = {with_degrees(u, unit)}" if within else ""
    if what.measured:
        return Phrase(text, deepening(part, row))
    return Phrase(text, ENGINEERING if over else _rework(part, row))


def with_degrees(text: str, unit: str) -> str:
    """Return a number, with its sign behind it where it is an angle; a length's unit is said once in a sentence."""
    return with_unit(text, unit) if unit == DEGREES else text


def deepening(part: PartView, row: Row) -> str:
    """Return what to do with a countersink or a hole beyond its limits: cut deeper where that mends it and may be done.

    Only what is too shallow by itself: where anything else of the hole is rejected or not proven, engineering decides.
    """
    what, spec = OF_NAME[str(row["characteristic"])], part.specification
    hole = next((h for h in spec.holes if h.id == row["hole"]), None)
    wrong = [r for r in part.characteristics if r["hole"] == row["hole"] and r["verdict"] != ACCEPT]
    alone = all(OF_NAME[r["characteristic"]].mended == r["cause"] for r in wrong)
    if hole is None or not hole.deepen or not alone:
        return ENGINEERING
    band = float(guard_band(0.0 if math.isnan(row["uncertainty"]) else row["uncertainty"], spec.decision))
    lower, upper = float(row["lower"]) + max(band, 0.0), float(row["upper"]) - max(band, 0.0)
    if lower > upper:
        return ENGINEERING
    unit = what.unit(spec.unit)
    to = f"to at least {_length(lower, unit)} {unit}" if math.isnan(upper) else (
        f"to {_length(lower, unit)} to {_length(upper, unit)} {unit}")  # fmt: skip
    thing = what.name.removesuffix(" depth")
    # one reading is all there is, and a slip in it would have a good hole cut
    return (f"Read it once more; if it is so, cut the {thing} deeper, {to}, no further: eye protection, part clamped "
            "as before; clear the chips and read the hole again.")  # fmt: skip


def _rework(part: PartView, row: Row) -> str:
    return "".join(hole["rework"] for hole in part.holes if hole["hole"] == row["hole"]) or ENGINEERING


def position_over(part: PartView, row: Row) -> Phrase:
    """Return the phrase for a position beyond its total tolerance."""
    unit = part.specification.unit
    stated, bonus = float(row["stated"]), float(row["bonus"])
    found, amount, total, more = over_words(float(row["found"]), stated, max(bonus, 0.0), unit)
    parts = f"{_length(stated, unit)} stated" + (f" + {more} bonus" if bonus > GRAIN else "")
    name = "position" if row["characteristic"] == "position" else "hole-to-hole position (pattern floated)"
    text = f"{name} ⌀ {found} {unit} is {amount} over the tolerance "
    return Phrase(text + f"⌀ {total} ({parts})", _cure(part, row) or ENGINEERING)


def _cure(part: PartView, row: Row) -> str:
    """Return the rework with which a hole is known to pass in position too, '' for none."""
    return next((r["sentence"] for r in part.rework if r["passes"] and r["hole"] == row["hole"]), "")


def form_over(part: PartView, row: Row) -> Phrase:
    """Return the phrase for out-of-roundness or taper beyond its limit."""
    unit = part.specification.unit
    found, amount, most, _ = over_words(float(row["found"]), float(row["upper"]), 0.0, unit)
    return Phrase(f"{row['characteristic']} {found} {unit} is {amount} over the allowed {most}", ENGINEERING)


def surface(row: Row) -> Phrase:
    """Return the phrase for what was found on a surface."""
    return {
        "crack": Phrase("a crack was found", f"{ENGINEERING} Don't drill or ream it out."),
        "burr": Phrase("a burr was found", "Deburr as the drawing allows, then look and read again."),
    }.get(str(row["cause"]), Phrase("the hole is not clean", "Clean it, then look and read again."))


def plug(part: PartView, row: Row) -> Phrase:
    """Return the phrase for a plug that did what it must not."""
    unit = part.specification.unit
    if row["characteristic"] == "GO":
        size = _length(row["lower"], unit)
        return Phrase(f"the GO plug {size}{_unit(size, unit)} does not enter", _rework(part, row))
    size = _length(row["upper"], unit)
    return Phrase(f"the NO-GO plug {size}{_unit(size, unit)} enters: the hole is oversize by gauge", ENGINEERING)


def _unit(size: str, unit: str) -> str:
    return "" if size == "-" else f" {unit}"


def contradiction(part: PartView, row: Row) -> Phrase:
    """Return the phrase for a plug and readings that exclude one another."""
    action = "Clean and deburr, check plug and gauge against masters, then try and read again."
    sizes = _sizes(part, row)
    if row["characteristic"] == "GO" and row["found_word"] == ENTERS:
        text = "the GO plug enters although a reading is smaller than the plug: one of both is wrong"
    elif row["characteristic"] == "GO":
        text = f"the GO plug does not enter although every reading is within limits{sizes}: the hole may be lobed, "
        text += "bent or burred, or the gauge is off"
    elif row["characteristic"] == "NO-GO":
        text = f"the NO-GO plug enters although a reading is smaller than the plug{sizes}: one of both is wrong"
    elif row["characteristic"] == "size":
        text = _size_against_plug(part, row, sizes)
    elif row["characteristic"] in {"out-of-roundness", "taper"}:
        text = f"{row['characteristic']} rests on a reading that a plug contradicts"
    else:
        text = f"{row['characteristic']} needs its bonus, and a plug contradicts the readings that give it"
    return Phrase(text, action)


def _size_against_plug(part: PartView, row: Row, sizes: str) -> str:
    unit = part.specification.unit
    plug = plug_entered(part, row)
    if not plug:
        return f"the largest plug that enters does not agree with the readings{sizes}"
    read = f"{_length(row['found'], unit)} {unit}{_along(part, row['reading'])}"
    return f"{read} is smaller than {plug} that enters: one of both is wrong"


def plug_entered(part: PartView, row: Row) -> str:
    """Return the plug that enters and is larger than the reading of a row, '' for none."""
    unit = part.specification.unit
    here = [r for r in part.read if r["hole"] == row["hole"] and r["wall"] in (row["wall"], "")]
    go = next((h.plugs.go for h in part.specification.holes if h.id == row["hole"]), None)
    entered = any(r["characteristic"] == "go" and r["word"] == ENTERS for r in here)
    if go is not None and entered and row["found"] < go - GRAIN:
        return f"the GO plug {_length(go, unit)} {unit}"
    tried = [r["value"] for r in here if r["characteristic"] == "plug" and r["value"] > row["found"] + GRAIN]
    return f"the plug {_length(max(tried), unit)} {unit}" if tried else ""


def _sizes(part: PartView, row: Row) -> str:
    unit = part.specification.unit
    return "".join(
        f" (read {_length(r['smallest'], unit)} to {_length(r['largest'], unit)} {unit})"
        for r in part.holes if r["hole"] == row["hole"] and math.isfinite(r["smallest"])
    )  # fmt: skip


def guarded(part: PartView, row: Row) -> Phrase:
    """Return the phrase for a value too near a limit to be decided under the guarded rule."""
    spec = part.specification
    unit = unit_of(str(row["characteristic"]), spec.unit)
    w, left = spec.decision.guard_factor * float(row["uncertainty"]), float(row["left"])
    amount, band = apart(abs(left), w, unit)
    amount, band = with_degrees(amount, unit), with_degrees(band, unit)
    side = "on its limit" if abs(left) <= GRAIN else f"{amount} {'inside' if left >= 0 else 'beyond'} its limit"
    sized = row["characteristic"] == "size"
    found = _size_words(part, row) if sized else with_unit(amount_text(row["found"], unit), unit)
    text = f"{row['characteristic']} {found} lies {side}, within the guard band "
    text += f"w = {band}: conformance is not proven"
    return Phrase(text, "Read again with a gauge of smaller U, or engineering disposition.")


def missing_words(part: PartView, hole: str, wall: str, names: list[str]) -> str:
    """Return the sentence for what was not read of one hole and wall."""
    head = hole_words(part, {"hole": hole, "wall": wall})
    open_ = f"{', '.join(names)} can't be judged"
    directions = _open_directions(part, hole, wall) if "size" in names else ""
    if directions:
        return f"{head}: the diameter{directions} is missing; {open_}."
    return f"{head}: {open_}, readings are missing."


def _open_directions(part: PartView, hole: str, wall: str) -> str:
    plan = part.specification.plan
    have = np.array([r["direction"] % 180.0 for r in part.read if (r["hole"], r["wall"], r["characteristic"]) == (
        hole, wall, "diameter")])  # fmt: skip
    lacking = [d for d in plan.directions if int(np.isclose(have, d % 180.0).sum()) < plan.count]
    return " along " + " and ".join(f"{d:g}°" for d in lacking) if lacking else ""


# What was not read, in one sentence a thing over all the holes and walls that it is missing in.


READ_AGAIN = "Read it and check the sheet again."
READ_MISSING = "Read what is missing and check the sheet again."
NOWHERE = "Read them; if they are on the sheet, give their columns headings that `holeqc sheet` writes."
_DIAMETER, _COORDINATES = "diameter", ("x", "y")


def unread_together(part: PartView, rows: Sequence[Row]) -> Iterator[Reason]:
    """Give one reason for each set of things that was not read, over all holes and walls that lack just these.

    ``rows``: characteristics of the part that are held because something is missing.
    """
    have = _have(part)
    things: dict[Place, list[str]] = {}
    judged: dict[Place, list[str]] = {}
    whole = [row for row in rows if not row["wall"]]
    for row in [r for r in rows if r["wall"]] + whole:
        name, place = str(row["characteristic"]), (str(row["hole"]), str(row["wall"]))
        lacking = _lacking(part.specification, have, place, name)
        if not row["wall"]:  # said with what it follows from, where that is said already
            place = next((p for p in things if p[0] == place[0] and set(lacking) & set(things[p])), place)
        things.setdefault(place, []).extend(t for t in lacking if t not in things.get(place, ()))
        judged.setdefault(place, []).append(name)
    groups: dict[tuple[str, ...], list[Place]] = {}
    for place, lacking in things.items():
        groups.setdefault(tuple(lacking), []).append(place)
    for lacking_, places in groups.items():
        yield _reason(part.specification, have, lacking_, places, [n for p in places for n in judged[p]])


def open_places(part: PartView) -> tuple[list[Place], bool]:
    """Return the holes and walls that hole to hole waits for on a part, none where it doesn't wait; and whether just
    readings are missing there."""
    rows = [r for r in part.characteristics if (r["characteristic"], r["verdict"]) == ("hole-to-hole position", HOLD)]
    waits = CAUSES[PATTERN_INCOMPLETE]
    if all(row["cause"] != waits for row in rows):
        return [], True
    others = [row for row in rows if row["cause"] not in (waits, CAUSES[GUARD_BAND])]
    open_ = [row for row in others if math.isnan(row["found"])] or others
    return [(str(row["hole"]), str(row["wall"])) for row in open_], all(row["cause"] == "missing" for row in open_)


def waiting_holes(rows: Iterable[Row], problems: Iterable[Problem]) -> list[str]:
    """Return the holes of a part that are held for nothing but the other holes of their pattern.

    ``rows``: its characteristics, ``problems``: those that name it.
    """
    causes: dict[str, set[str]] = {}
    for row in rows:
        if int(row["verdict"]) != ACCEPT:
            causes.setdefault(str(row["hole"]), set()).add(str(row["cause"]))
    named = {p.hole for p in problems if p.holds}
    return [hole for hole, why in causes.items() if why == {CAUSES[PATTERN_INCOMPLETE]} and hole not in named]


def pattern_waits(part: PartView) -> Reason:
    """Return the one reason of a part whose holes are held hole to hole by those that are not placed yet."""
    places, missing = open_places(part)
    where = span_words(part.specification, places)
    text = f"The pattern isn't complete: {where[:1].lower()}{where[1:]} {'not read' if missing else 'not proven'}"
    return Reason(HOLD, f"{text}; hole to hole can't be accepted before.", action=READ_AGAIN)


def _reason(
    spec: Specification, have: set[tuple[str, str, str]], things: Sequence[str], places: list[Place], names: list[str]
) -> Reason:
    nothing = all(not any((hole, wall, kind) in have for kind in READ) for hole, wall in places if wall)
    where = span_words(spec, places)
    hole = places[0][0] if len({h for h, _ in places}) == 1 else ""
    wall = places[0][1] if len({w for _, w in places}) == 1 else ""
    if nothing and all(wall for _, wall in places) and len(things) > 2:
        return Reason(HOLD, f"{where}: nothing was read.", hole, wall, "", "", READ_AGAIN)
    everywhere = {h for h, _ in places} == set(spec.hole_ids) and len(places) > 1
    text = f"{where}: {_things(things)} {'is' if len(things) == 1 else 'are'} missing"
    text += " on the whole sheet" if everywhere else ""
    if set(names) != set(things):
        text += f"; {joined(sorted(dict.fromkeys(names), key=CHARACTERISTICS.index))} can't be judged"
    text += "."
    return Reason(HOLD, text, hole, wall, "", "", NOWHERE if everywhere else READ_AGAIN)


def _things(things: Sequence[str]) -> str:
    """Return what is lacking; directions of a diameter drawn together."""
    directions = [t.removeprefix(f"{_DIAMETER} along ") for t in things if t.startswith(f"{_DIAMETER} along ")]
    rest = [t for t in things if not t.startswith(f"{_DIAMETER} along ")]
    first = [f"{_DIAMETER} along {joined(directions)}"] if directions else []
    return joined([*first, *rest])


def _have(part: PartView) -> set[tuple[str, str, str]]:
    """Return hole, wall and what was read of it; diameters also with their direction."""
    have = set()
    for row in part.read:
        if math.isnan(row["value"]) and not row["word"] and not row["doubt"]:
            continue
        hole, kind = row["hole"], row["characteristic"]
        for each in [row["wall"]] if row["wall"] else [*part.specification.walls.names, ""]:
            have.add((hole, each, kind))
            if kind == _DIAMETER:
                have.add((hole, each, f"{_DIAMETER} along {row['direction'] % 180.0:g}°"))
    return have


def _lacking(spec: Specification, have: set[tuple[str, str, str]], place: Place, name: str) -> list[str]:
    """Return what must be read before a characteristic can be judged."""
    hole, wall = place
    plan = spec.plan
    walls = [wall] if wall else list(plan.walls)
    position_walls = [wall] if wall else list(plan.position_walls)
    diameters = [
        f"{_DIAMETER} along {direction:g}°" for direction in plan.directions
        if any((hole, w, f"{_DIAMETER} along {direction % 180.0:g}°") not in have for w in walls)
    ]  # fmt: skip
    axes = [c for c in _COORDINATES if any((hole, w, c) not in have for w in position_walls)]
    if OF_NAME[name].kind == WORD or OF_NAME[name].measured:
        return [name]
    if name == "edge distance":
        return axes if spec.outline and axes else [name]
    if name in {"position", "hole-to-hole position"} and axes:
        return axes
    return diameters or [f"a {_DIAMETER}"]


# The sentences about what is held by readings that prove nothing: doubtful cells, plugs that contradict, gauges,
# temperatures.


#: causes that touch many readings at once, and what to do about them
UNPROVED = {
    "no-uncertainty": "State the gauge's uncertainty in the kit file.",
    "no-gauge": "Name the gauge on the sheet, or a default in the kit file.",
    "unknown-gauge": "Name a gauge of the kit, or add the gauge to the kit file.",
    "gauge-expired": "Read again with a gauge that is in calibration.",
    "day-to-come": "Correct the date of the reading; calibration is judged by it.",
    "no-temperature": "Write the part's temperature on the sheet.",
    "unknown-part": "Name the part as the kit does.",
    "temperature-left-out": ACTION,
    "contradicting-distances": "Measure the distances that are named again.",
    "few-distances": "Measure the distances that are named too.",
    "no-datum": "Measure from the edges too.",
    "too-uncertain": "Take a finer gauge, pins that fit closer or more distances; or a coordinate machine.",
}

#: readings that a characteristic rests on, the nearest first
FEEDS = {c.name: c.feeds for c in JUDGED}
_LOOK = "Look at the reading and check the sheet again."


@dataclass(frozen=True, slots=True)
class Culprit:
    """A doubted reading: what of, and its cell; ``problem`` the one that says what is wrong with it."""

    hole: str
    wall: str
    characteristic: str
    doubt: str
    label: int
    file: str
    sheet: str
    cell: str
    problem: Problem | None

    @property
    def place(self) -> str:
        """Its cell as ``Sheet1!F9``, ``F9`` in a CSV."""
        return f"{self.sheet}!{self.cell}" if self.sheet else self.cell


def culprits(part: PartView, problems: Iterable[Problem]) -> list[Culprit]:
    """Return the doubted readings of a part in the order in which they stand, each with its problem."""
    doubtful = [row for row in part.read if row["doubt"]]
    by_code: dict[str, list[Problem]] = {}
    for problem in problems if doubtful else ():
        if problem.serial in ("", part.serial) and problem.part in ("", part.part):
            by_code.setdefault(problem.code, []).append(problem)
    return [_culprit(row, by_code) for row in doubtful]


def _culprit(row: Row, by_code: Mapping[str, list[Problem]]) -> Culprit:
    cell = cell_name(row["row"], row["column"])
    hole, doubt, file, sheet = (str(row[name]) for name in ("hole", "doubt", "file", "sheet"))
    same = by_code.get(doubt, [])
    problem = _problem_of(same, hole, file, sheet, cell)
    if problem is not None and problem.counted and problem.sheet == sheet:
        problem = problem.of_cell(
            str(row["typed"]), same, sheet=sheet, cell=cell, part=str(row["part"]), serial=str(row["serial"])
        )
    return Culprit(hole, row["wall"], row["characteristic"], doubt, row["label"], file, sheet, cell, problem)


def _problem_of(same: Sequence[Problem], hole: str, file: str, sheet: str, cell: str) -> Problem | None:
    """Return the problem behind a doubt: that of the cell, else of the hole, the column, the file."""
    column = cell.rstrip("0123456789")
    tests = (
        lambda p: (p.sheet, p.cell) == (sheet, cell) and p.file in ("", file),
        lambda p: bool(p.hole) and p.hole == hole and p.sheet == sheet and p.cell.rstrip("0123456789") == column,
        lambda p: bool(p.hole) and p.hole == hole,
        lambda p: not p.hole and p.sheet == sheet and p.cell.rstrip("0123456789") == column,
        lambda p: not p.hole and p.file in ("", file),
    )
    for test in tests:
        for problem in same:
            if test(problem):
                return problem
    return None


def doubted(part: PartView, rows: Sequence[Row], found: Sequence[Culprit], *, together: bool) -> Told:
    """Give a reason for everything that one problem holds, hole by hole or (``together``) in all holes at once.

    ``rows``: characteristics of a part held by doubts of the reader; ``found``: the part's doubted readings.
    """
    groups: dict[object, list[tuple[Row, Culprit | None]]] = {}
    for row in rows:
        culprit = _behind(row, found)
        problem = culprit.problem if culprit is not None else None
        key: object = problem if problem is not None else (row["cause"], "" if culprit is None else culprit.place)
        if together:
            key = row["cause"] if problem is None else problem.anywhere
        groups.setdefault(key if together else (row["hole"], key), []).append((row, culprit))
    alike: dict[object, dict[str, None]] = {}
    for problem in {id(c.problem): c.problem for c in found if together and c.problem is not None}.values():
        alike.setdefault(problem.anywhere, {})[problem.spot] = None
    for key, members in groups.items():
        reason, first = _doubt(part, members)
        if together and first is not None and first.cell:
            reason = with_cells(reason, sorted(alike[key], key=_column_first))
        yield reason, first


def with_cells(reason: Reason, cells: Sequence[str]) -> Reason:
    """Return a reason that names all the cells of which it says the same; as it is for one cell."""
    if len(cells) < 2:
        return reason
    head = reason.sentence.removesuffix(f" ({reason.cell}).")
    return replace(reason, sentence=f"{head} ({cell_words(cells)}).", cell=cells[0], cells=tuple(cells))


def _column_first(cell: str) -> tuple[str, int, str, int]:
    sheet, _, name = cell.rpartition("!")
    column = name.rstrip("0123456789")
    return sheet, len(column), column, int(name[len(column) :] or 0)


def _behind(row: Row, found: Sequence[Culprit]) -> Culprit | None:
    """Return the doubted reading that holds a row: of its kind, in its wall before other walls."""
    feeds = FEEDS.get(str(row["characteristic"]), ())
    ours = [c for c in found if c.doubt == row["cause"] and c.hole == row["hole"] and c.characteristic in feeds]
    if not ours:
        return None
    return min(
        ours, key=lambda c: (c.label != row["reading"], c.wall not in (row["wall"], ""), feeds.index(c.characteristic))
    )  # fmt: skip


def _doubt(part: PartView, members: Sequence[tuple[Row, Culprit | None]]) -> tuple[Reason, Problem | None]:
    spec = part.specification
    rows = [row for row, _ in members]
    known = {c.label: c for _, c in members if c is not None}
    places = [(c.hole, c.wall) for c in known.values()] or [(str(r["hole"]), str(r["wall"])) for r in rows]
    one = len(known) <= 1
    text = f"{span_words(spec, places)}: {'a doubtful reading holds' if one else 'doubtful readings hold'} "
    text += _names(part, rows)
    first = next(iter(known.values()), None)
    cell = first.place if first is not None else place_of(part, rows[0]["reading"])
    problem = first.problem if first is not None else None
    action = _LOOK
    if problem is not None:
        text += f": {problem.message}"
        text += f", found {problem.found}" if problem.found else ""
        text += f", allowed {problem.allowed}" if problem.allowed else ""
        action = problem.action or action
        if problem.cell:  # it may speak of a field or a column, or of the later one of two readings
            cell = problem.spot
    hole = places[0][0] if len({h for h, _ in places}) == 1 else ""
    wall = places[0][1] if len(set(places)) == 1 else ""
    name = str(rows[0]["characteristic"]) if hole else ""
    return Reason(HOLD, text + (f" ({cell})." if cell else "."), hole, wall, name, cell, action), problem


def _names(part: PartView, rows: Sequence[Row]) -> str:
    """Return which characteristics are held, ``everything`` where nothing else is judged on the part."""
    names = list(dict.fromkeys(str(row["characteristic"]) for row in rows))
    return "everything" if len(names) > 3 and set(part.asked) <= set(names) else listed(names)


def contradicted(part: PartView, rows: Sequence[Row]) -> Iterator[Reason]:
    """Give the reasons of one hole where plug and readings exclude one another: each contradiction once, and what
    else rests on such readings beside the first.

    ``rows``: characteristics of the hole that are held by a contradiction.
    """
    leads: list[Row] = []
    rest: list[Row] = []
    sizes = {str(r["wall"]) for r in rows if r["characteristic"] == "size" and plug_entered(part, r)}
    for row in rows:
        name = str(row["characteristic"])
        told = name == "GO" and row["found_word"] == ENTERS and str(row["wall"]) in sizes
        (leads if name in {"size", "GO", "NO-GO"} and not told else rest).append(row)
    if not leads:
        leads, rest = list(rows[:1]), list(rows[1:])
    for number, row in enumerate(leads):
        said = contradiction(part, row)
        text = f"{hole_words(part, row)}: {said.text}"
        if not number and rest:
            text += f"; {joined(str(r['characteristic']) for r in rest)} can't be decided until then"
        cell = place_of(part, row["reading"])
        text += f" ({cell})." if cell else "."
        yield Reason(HOLD, text, row["hole"], row["wall"], row["characteristic"], cell, said.action)


def unproved(part: PartView, rows: Sequence[Row], problems: Iterable[Problem]) -> Told:
    """Give a reason for everything on a part that one cause holds, such as a gauge out of date; one a gauge."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        cause = str(row["cause"])
        gauge = ""
        if cause == "gauge-expired":
            gauge, label = _gauge(part, row, rows)
            row = row if label < 0 else {**row, "reading": label}
        groups.setdefault((cause, gauge), []).append(row)
    for (cause, gauge), members in groups.items():
        yield _proves_nothing(part, cause, gauge, members, problems)


def _proves_nothing(
    part: PartView, cause: str, gauge: str, rows: Sequence[Row], problems: Iterable[Problem]
) -> tuple[Reason, Problem | None]:
    holes = list(dict.fromkeys(str(row["hole"]) for row in rows))
    text = f"{joined(str(row['characteristic']) for row in rows)} of hole{'s' if len(holes) > 1 else ''} "
    text += f"{hole_numbers(part.specification, holes)} can't be decided: {MEANING[cause]}"
    row = next((r for r in rows if r["reading"] >= 0), None)
    cell = place_of(part, row["reading"]) if row is not None else ""
    problem = None
    if cause in ("contradicting-distances", "few-distances"):
        cell = ""  # the distances are named by themselves
    if row is not None and gauge:
        text += _expired(part, row, gauge)
    elif cause != "gauge-expired":
        problem = _told_by_reader(part, cause, problems)
    if problem is not None:
        text += f", found {problem.found}" if problem.found else ""
        text += f", allowed {problem.allowed}" if problem.allowed else ""
        if problem.cell:
            cell = problem.spot
    text = capital(text) + (f" ({cell})" if cell else "")
    return Reason(HOLD, f"{text}.", holes[0] if len(holes) == 1 else "", "", "", cell, UNPROVED[cause]), problem


def _told_by_reader(part: PartView, cause: str, problems: Iterable[Problem]) -> Problem | None:
    """Return the one problem of the files that says the same of a part, None where there are none or several."""
    code = TO_COME if cause == CAUSES[DAY_TO_COME] else cause
    same = [
        p for p in problems
        if p.code == code and p.cell and p.serial in ("", part.serial) and p.part in ("", part.part)
    ]  # fmt: skip
    return same[0] if len(same) == 1 else None


def _gauge(part: PartView, row: Row, rows: Sequence[Row]) -> tuple[str, int]:
    """Return the id of the gauge that holds a row, and the label of a reading of it, -1 where none is known.

    Form has the gauge of a size, a distance worked out that of a place. A position rests on diameters too: where the
    gauge of its coordinates is in calibration, it is the gauge of another reading of the hole.
    """
    label = int(row["reading"])
    feeds = FEEDS.get(str(row["characteristic"]), ())
    if label < 0:
        known = [r for r in rows if r["reading"] >= 0]
        same = (r for feed in feeds for r in known if feed in FEEDS.get(str(r["characteristic"]), ())[:2])
        label = next((int(r["reading"]) for r in same), -1)
    read = part.reading(label)
    gauge = None if read is None else _gauge_behind(part, read)
    name = "" if gauge is None else gauge.id
    if _past(gauge, read):
        return name, label
    for feed in feeds:
        for other in (r for r in part.read if r["hole"] == row["hole"] and r["characteristic"] == feed):
            gauge = _gauge_behind(part, other)
            if gauge is not None and _past(gauge, other):
                return gauge.id, int(other["label"])
    return name, label


def _gauge_behind(part: PartView, reading: Row) -> Gauge | None:
    index, _ = gauge_of(part.specification, reading["gauge"], reading["characteristic"])
    return part.specification.gauges[index] if index >= 0 else None


def _past(gauge: Gauge | None, reading: Row | None) -> bool:
    """Whether a reading's gauge was due before its day; without a clear day it may have been."""
    due = gauge.calibration_due if gauge is not None else None
    return due is not None and reading is not None and (reading["date"] is None or reading["date"].date() > due)


def _expired(part: PartView, row: Row, gauge: str) -> str:
    """Return which gauge, the day of the reading and the day on which the calibration ended."""
    reading = part.reading(row["reading"])
    due = next(g.calibration_due for g in part.specification.gauges if g.id == gauge)
    day = None if reading is None else reading["date"]
    read = f"read on {day:%Y-%m-%d}" if day is not None else "day of the reading not clear"
    return f": {gauge}, {read}, due {due}"


_SEE_FILES = "Mend what the files' problems name and check the sheet again."
NO_READINGS = "no-readings"  #: doubt of a part that a sheet names without a reading


def reasons(part: PartView, problems: Iterable[Problem], *, together: bool = False) -> list[Reason]:
    """Return why a part isn't accepted: one sentence with numbers for each characteristic, the pins and each problem.

    Rejects first. Missing readings of one hole and wall are told in one sentence, and so is what one doubtful reading
    holds, and what a gauge out of date holds. ``together``: for people, a sentence for each cause over all the holes
    and walls that it touches; one sentence for a part without any reading. That hole to hole waits for holes of the
    pattern is always one sentence of the part. Empty for an accepted part. ``problems``: those that are told of.
    """
    found = culprits(part, problems)
    if together and (nothing := _not_one_reading(part, found)):
        return [nothing]
    told: list[Reason] = []
    known: set[int] = set()
    for reason, problem in _of_characteristics(part, found, problems, together):
        told.append(reason)
        known.add(id(problem))
    told += _of_pins(part, brief=together and bool(told))
    cells = {cell for reason in told for cell in (reason.cell, *reason.cells) if cell}
    told += _of_problems(part, problems, cells, known)
    if not told and part.verdict != ACCEPT:  # what holds it is told of another part of the same file
        told.append(Reason(HOLD, "What was found in the files holds this part too.", action=_SEE_FILES))
    if together:  # what asks for the same stands together
        order = {action: place for place, action in reversed(list(enumerate(r.action for r in told)))}
        return sorted(told, key=lambda reason: (-reason.verdict, order[reason.action]))
    return sorted(told, key=lambda reason: -reason.verdict)


def _not_one_reading(part: PartView, found: Sequence[Culprit]) -> Reason | None:
    """Return the one reason of a part that the sheet names without a reading, None for any other part."""
    if not part.read or not all(math.isnan(row["value"]) and not row["word"] for row in part.read):
        return None
    if not all(c.doubt == NO_READINGS for c in found):
        return None
    problem = next((c.problem for c in found if c.problem is not None), None)
    if problem is None:
        return Reason(HOLD, "Not one reading is there.", action=READ_AGAIN)
    return _of_problem(problem)


def _of_characteristics(
    part: PartView, found: Sequence[Culprit], problems: Iterable[Problem], together: bool
) -> Told:  # fmt: skip
    kinds: dict[str, list[Row]] = {
        "missing": [], "doubt": [], "unproved": [], "contradiction": [], CAUSES[PATTERN_INCOMPLETE]: [], "": [],
    }  # fmt: skip
    for row in (r for r in part.characteristics if r["verdict"] != ACCEPT):
        cause = str(row["cause"])
        kind = cause if cause in kinds else "doubt" if cause not in CAUSES else "unproved" if cause in UNPROVED else ""
        kinds[kind].append(row)
    if seat := _out_of_seat(part, kinds[""]):
        yield seat, None
    for reason in _seen(part, kinds[""], together):
        yield reason, None
    by_hole: dict[str, list[Row]] = {}
    for row in kinds["contradiction"]:
        by_hole.setdefault(str(row["hole"]), []).append(row)
    for rows in by_hole.values():
        for reason in contradicted(part, rows):
            yield reason, None
    yield from doubted(part, kinds["doubt"], found, together=together)
    yield from unproved(part, kinds["unproved"], problems)
    for reason in _missing(part, kinds["missing"], together):
        yield reason, None
    if kinds[CAUSES[PATTERN_INCOMPLETE]]:
        yield pattern_waits(part), None


def _out_of_seat(part: PartView, rows: Sequence[Row]) -> Reason | None:
    """Return that the whole pattern lies off the datums as one, where a shift and a turn of it bring the holes in.

    Least squares over the holes, then once more without the hole that lies worst, so that one bad hole doesn't pull it.
    """
    over = {str(row["hole"]) for row in rows if row["characteristic"] == "position" and row["cause"] == "over"}
    spec = part.specification
    if len(over) < LEAST_HOLES or 2 * len(over) < len(spec.holes):
        return None
    off = np.array([(hole["dx"], hole["dy"]) for hole in part.holes])
    known = np.isfinite(off).all(axis=1)
    signs = part.declared.signs() if part.declared else (1.0, 1.0)
    places = {h.id: (h.x * signs[0], h.y * signs[1]) for h in spec.holes}
    ids = [hole["hole"] for hole, there in zip(part.holes, known, strict=True) if there]
    at, off = np.array([places[hole] for hole in ids]), off[known]
    left_, (shift, turn) = off, _seat(at, off)
    worst = int(np.hypot(*(off - shift - turn * _turned(at)).T).argmax())
    shift, turn = _seat(np.delete(at, worst, axis=0), np.delete(off, worst, axis=0))
    left_ = 2.0 * np.hypot(*(off - shift - turn * _turned(at)).T)
    most = {str(r["hole"]): float(r["upper"]) for r in rows if r["characteristic"] == "position"}
    stays = [hole for hole, value in zip(ids, left_, strict=True) if hole in over and value > most[hole]]
    if len(stays) > 1:
        return None
    unit, digits = spec.unit, 4 if spec.unit == "in" else 3
    moved = ", ".join(f"{axis} {value:+.{digits}f}" for axis, value in zip("xy", shift, strict=True))
    text = f"The whole pattern lies off the datums as one: shift {moved} {unit}, turn {math.degrees(turn):+.3f}°; "
    text += "without that, "
    text += f"only hole {stays[0]} is off in position" if stays else "no hole is off in position"
    action = "Find out whether it was drilled out of seat, or read from other edges and is to be read again."
    return Reason(REJECT, text.replace("-", "−") + ".", characteristic="position", action=action)


def _turned(at: FloatArray) -> FloatArray:
    """Return by how much points (N,2) move for a small turn about the origin, per radian."""
    return np.stack([-at[:, 1], at[:, 0]], axis=1)


def _seat(at: FloatArray, off: FloatArray) -> tuple[FloatArray, float]:
    """Return shift (2,) and turn [rad] about the origin by least squares from deviations ``off`` of points (N,2)."""
    middle, moved = at.mean(axis=0), off.mean(axis=0)
    arms = _turned(at - middle)
    turn = float((arms * (off - moved)).sum() / max(float((arms**2).sum()), GRAIN))
    return moved - turn * _turned(middle[None])[0], turn


def _seen(part: PartView, rows: Sequence[Row], together: bool) -> Iterator[Reason]:
    """Give a reason for each row by itself; together, one for all that are said and answered in the same words."""
    groups: dict[object, list[tuple[Row, Phrase]]] = {}
    for number, row in enumerate(rows):
        said = _phrase(part, row)
        groups.setdefault((row["verdict"], said) if together else number, []).append((row, said))
    for members in groups.values():
        if len(members) == 1:
            yield _reasons_reason(part, members[0][0], members[0][1])
            continue
        places = [(str(row["hole"]), str(row["wall"])) for row, _ in members]
        cells = [cell for row, _ in members if (cell := place_of(part, row["reading"]))]
        said, first = members[0][1], members[0][0]
        shown = listed([*cells[:3], *([f"{len(cells) - 3} more"] if len(cells) > 3 else [])])
        text = f"{span_words(part.specification, places)}: {said.text}" + (f" ({shown})." if shown else ".")
        hole = places[0][0] if len({h for h, _ in places}) == 1 else ""
        cell = cells[0] if cells else ""
        yield Reason(int(first["verdict"]), text, hole, "", str(first["characteristic"]), cell, said.action)


def _missing(part: PartView, rows: Sequence[Row], together: bool) -> Iterator[Reason]:
    if together:
        yield from unread_together(part, rows)
        return
    missing: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        missing.setdefault((str(row["hole"]), str(row["wall"])), []).append(str(row["characteristic"]))
    for (hole, wall), names in missing.items():
        sentence = missing_words(part, hole, wall, names)
        yield Reason(HOLD, sentence, hole, wall, names[0] if len(names) == 1 else "", "", READ_AGAIN)


def _reasons_reason(part: PartView, row: Row, said: Phrase) -> Reason:
    cell = place_of(part, row["reading"])
    sentence = f"{hole_words(part, row)}: {said.text}" + (f" ({cell})" if cell else "") + "."
    return Reason(int(row["verdict"]), sentence, row["hole"], row["wall"], row["characteristic"], cell, said.action)


def _phrase(part: PartView, row: Row) -> Phrase:
    """Return what to say of a row that isn't accepted, and what to do."""
    cause, name = str(row["cause"]), str(row["characteristic"])
    if cause == "guard-band":
        return guarded(part, row)
    if name == "surface" and cause in {"burr", "not-clean", "crack"}:
        return surface(row)
    if name in {"GO", "NO-GO"} and cause in {"go-stopped", "no-go-entered"}:
        return plug(part, row)
    if cause in {"over", "under"}:
        if name in {"position", "hole-to-hole position"}:
            return position_over(part, row)
        if name in {"out-of-roundness", "taper"}:
            return form_over(part, row)
        return size_beyond(part, row)
    if cause == "not-asked":
        found = with_unit(_length(float(row["found"]), unit_of(name, unit := part.specification.unit)),
                          unit_of(name, unit))  # fmt: skip
        return Phrase(f"{name} {found} stands here, {words_of(cause).removeprefix('it was read, and ')}",
                      "Look at the hole; correct the sheet, or engineering disposition.")  # fmt: skip
    return Phrase(f"{name} is held, {words_of(cause)}", READ_AGAIN)


def _near_zero(spec: Specification, margin: float, uncertainty: float) -> bool:
    """Whether the guard band of the decision rule is what holds a pin margin; U not known counts as that."""
    rule = spec.decision
    return rule.rule != "simple" and not abs(margin) > rule.guard_factor * uncertainty


def _of_pins(part: PartView, *, brief: bool) -> Iterator[Reason]:
    """Give what the pins say; ``brief``: nothing of its own where other reasons leave it open."""
    verdict, margin, unit = int(part.row["pin_verdict"]), float(part.row["pin_margin"]), part.specification.unit
    if verdict == HOLD and math.isnan(margin):
        if brief:
            return
        text = "Whether all pins enter together isn't known: sizes or positions are missing or doubtful."
        yield Reason(HOLD, text, action=READ_MISSING)
    elif verdict == HOLD and not _near_zero(part.specification, margin, float(part.row["pin_uncertainty"])):
        if brief:
            return
        text = f"All pins together would have {amount_text(margin, unit)} {unit} of radial room"
        yield Reason(
            HOLD, f"{text}, but readings under it can't be relied on.", action="Read again what is named above."
        )  # fmt: skip
    elif verdict == HOLD:
        text = f"All pins together have {amount_text(margin, unit)} {unit} of radial room"
        yield Reason(
            HOLD, f"{text}: too near 0 to be decided.", action="Read again with a better gauge, or try the pins."
        )
    elif verdict == REJECT:
        lack = amount_text(-margin, unit)
        text = f"The pins don't all enter together: {lack} {unit} of radial room is lacking at the best fit"
        text += f"{_tightest(part)}.{_without(part)}"
        yield Reason(REJECT, text, action=_pin_action(part))


def _without(part: PartView) -> str:
    """Return which hole alone keeps the pins out, and the room of the others; '' where none does."""
    spec, hole = part.specification, str(part.row["pin_culprit"])
    if not hole:
        return ""
    others = sum(h.pin is not None for h in spec.holes) - 1
    room = amount_text(max(float(part.row["pin_without"]), 0.0), spec.unit)
    return f" Without hole {hole} the other {count_words(others)} have {room}."


def _tightest(part: PartView) -> str:
    words = span_words(part.specification, [(row["hole"], row["wall"]) for row in part.pins if row["binding"]])
    return f"; tightest: {words[0].lower()}{words[1:]}" if words else ""


def _pin_action(part: PartView) -> str:
    return next((row["sentence"] for row in part.rework if row["scope"] == "pattern"), ENGINEERING)


def _of_problems(part: PartView, problems: Iterable[Problem], told: set[str], known: set[int]) -> Iterator[Reason]:
    """Return what holds the part beside its readings: problems that name it, or name no part in one of its files.

    ``told``: cells, and ``known``: problems that other reasons have told.
    """
    files: set[str] | None = None
    for problem in problems:
        if not problem.holds or id(problem) in known:
            continue
        if problem.code in MEANING and not (problem.part or problem.serial or problem.file):
            continue  # the readings that it speaks of have told it
        if problem.serial or problem.part:
            if problem.serial not in ("", part.serial) or problem.part not in ("", part.part):
                continue
        elif problem.file:
            if files is None:
                files = {row["file"] for row in part.read}
            if problem.file not in files:
                continue
        reason = _of_problem(problem)
        if not reason.cell or reason.cell not in told:
            yield reason


def _of_problem(problem: Problem) -> Reason:
    """Return what one problem holds; the file is named where there is no cell, what to do stands apart."""
    cell = problem.spot
    head = "" if cell or not problem.file else f"{problem.file}: "
    text = head + (problem.message if head else capital(problem.message))
    text += f", found {problem.found}" if problem.found else ""
    text += f", allowed {problem.allowed}" if problem.allowed else ""
    text += f" ({cell})." if cell else "."
    return Reason(HOLD, text, problem.hole, problem.wall, "", cell, problem.action)
