"""Why a part isn't accepted, in plain sentences with numbers; worked out only when somebody asks."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from holeqc.inspection.causes import CAUSES, MEANING, PATTERN_INCOMPLETE, words_of
from holeqc.inspection.held import UNPROVED, Culprit, contradicted, culprits, doubted, unproved
from holeqc.inspection.pattern import LEAST_HOLES
from holeqc.inspection.phrases import (
    ENGINEERING,
    Phrase,
    Row,
    amount_text,
    form_over,
    guarded,
    hole_words,
    missing_words,
    place_of,
    plug,
    position_over,
    rows_of,
    size_beyond,
    surface,
)  # fmt: skip
from holeqc.inspection.results import ACCEPT, HOLD, REJECT, Inspection, Reason
from holeqc.inspection.spans import capital, count_words, listed, span_words
from holeqc.inspection.unread import READ_AGAIN, READ_MISSING, pattern_waits, unread_together
from holeqc.problems import Problem
from holeqc.quantities import GRAIN, FloatArray

_SEE_FILES = "Mend what the files' problems name and check the sheet again."
NO_READINGS = "no-readings"  #: doubt of a part that a sheet names without a reading


def reasons(inspection: Inspection, part: str, serial: str, *, together: bool = False) -> list[Reason]:
    """Return why a part isn't accepted: one sentence with numbers for each characteristic, the pins and each problem.

    Rejects first. Missing readings of one hole and wall are told in one sentence, and so is what one doubtful reading
    holds, and what a gauge out of date holds. ``together``: for people, a sentence for each cause over all the holes
    and walls that it touches; one sentence for a part without any reading. That hole to hole waits for holes of the
    pattern is always one sentence of the part. Empty for an accepted part.
    """
    found = culprits(inspection, part, serial)
    if together and (nothing := _not_one_reading(inspection, part, serial, found)):
        return [nothing]
    told: list[Reason] = []
    known: set[int] = set()
    for reason, problem in _of_characteristics(inspection, part, serial, found, together):
        told.append(reason)
        known.add(id(problem))
    told += _of_pins(inspection, part, serial, brief=together and bool(told))
    cells = {cell for reason in told for cell in (reason.cell, *reason.cells) if cell}
    told += _of_problems(inspection, part, serial, cells, known)
    verdicts = inspection.parts["verdict"].to_numpy()[rows_of(inspection.parts, part, serial)]
    if not told and (verdicts != ACCEPT).any():  # what holds it is told of another part of the same file
        told.append(Reason(HOLD, "What was found in the files holds this part too.", action=_SEE_FILES))
    if together:  # what asks for the same stands together
        order = {action: place for place, action in reversed(list(enumerate(r.action for r in told)))}
        return sorted(told, key=lambda reason: (-reason.verdict, order[reason.action]))
    return sorted(told, key=lambda reason: -reason.verdict)


Told = Iterator[tuple[Reason, Problem | None]]


def _not_one_reading(inspection: Inspection, part: str, serial: str, found: Sequence[Culprit]) -> Reason | None:
    """Return the one reason of a part that the sheet names without a reading, None for any other part."""
    table = inspection.readings.table
    mine = table[rows_of(table, part, serial)]
    if not len(mine) or not (mine["value"].isna() & (mine["word"] == "")).all():
        return None
    if not all(c.doubt == NO_READINGS for c in found):
        return None
    problem = next((c.problem for c in found if c.problem is not None), None)
    if problem is None:
        return Reason(HOLD, "Not one reading is there.", action=READ_AGAIN)
    return _of_problem(problem)


def _of_characteristics(
    inspection: Inspection, part: str, serial: str, found: Sequence[Culprit], together: bool
) -> Told:
    frame = inspection.characteristics
    chosen = rows_of(frame, part, serial) & (frame["verdict"].to_numpy() != ACCEPT)
    kinds: dict[str, list[Row]] = {
        "missing": [], "doubt": [], "unproved": [], "contradiction": [], CAUSES[PATTERN_INCOMPLETE]: [], "": [],
    }  # fmt: skip
    for row in frame[chosen].to_dict("records"):
        cause = str(row["cause"])
        kind = cause if cause in kinds else "doubt" if cause not in CAUSES else "unproved" if cause in UNPROVED else ""
        kinds[kind].append(row)
    if seat := _out_of_seat(inspection, part, serial, kinds[""]):
        yield seat, None
    for reason in _seen(inspection, kinds[""], together):
        yield reason, None
    by_hole: dict[str, list[Row]] = {}
    for row in kinds["contradiction"]:
        by_hole.setdefault(str(row["hole"]), []).append(row)
    for rows in by_hole.values():
        for reason in contradicted(inspection, rows):
            yield reason, None
    yield from doubted(inspection, kinds["doubt"], found, together=together)
    yield from unproved(inspection, kinds["unproved"])
    for reason in _missing(inspection, part, serial, kinds["missing"], together):
        yield reason, None
    if kinds[CAUSES[PATTERN_INCOMPLETE]]:
        yield pattern_waits(inspection, part, serial), None


def _out_of_seat(inspection: Inspection, part: str, serial: str, rows: Sequence[Row]) -> Reason | None:
    """Return that the whole pattern lies off the datums as one, where a shift and a turn of it bring the holes in.

    Least squares over the holes, then once more without the hole that lies worst, so that one bad hole doesn't pull it.
    """
    over = {str(row["hole"]) for row in rows if row["characteristic"] == "position" and row["cause"] == "over"}
    spec = inspection.specification
    if len(over) < LEAST_HOLES or 2 * len(over) < len(spec.holes):
        return None
    holes = inspection.holes[rows_of(inspection.holes, part, serial)]
    off = holes[["dx", "dy"]].to_numpy(dtype=np.float64)
    known = np.isfinite(off).all(axis=1)
    signs = next((p.signs() for p in spec.parts if p.name == part), (1.0, 1.0))
    places = {h.id: (h.x * signs[0], h.y * signs[1]) for h in spec.holes}
    at = np.array([places[str(hole)] for hole in holes["hole"]])[known]
    ids, off = [str(hole) for hole in holes["hole"][known]], off[known]
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


def _seen(inspection: Inspection, rows: Sequence[Row], together: bool) -> Iterator[Reason]:
    """Give a reason for each row by itself; together, one for all that are said and answered in the same words."""
    groups: dict[object, list[tuple[Row, Phrase]]] = {}
    for number, row in enumerate(rows):
        said = _phrase(inspection, row)
        groups.setdefault((row["verdict"], said) if together else number, []).append((row, said))
    for members in groups.values():
        if len(members) == 1:
            yield _reason(inspection, members[0][0], members[0][1])
            continue
        places = [(str(row["hole"]), str(row["wall"])) for row, _ in members]
        cells = [cell for row, _ in members if (cell := place_of(inspection, row["reading"]))]
        said, first = members[0][1], members[0][0]
        shown = listed([*cells[:3], *([f"{len(cells) - 3} more"] if len(cells) > 3 else [])])
        text = f"{span_words(inspection.specification, places)}: {said.text}" + (f" ({shown})." if shown else ".")
        hole = places[0][0] if len({h for h, _ in places}) == 1 else ""
        cell = cells[0] if cells else ""
        yield Reason(int(first["verdict"]), text, hole, "", str(first["characteristic"]), cell, said.action)


def _missing(inspection: Inspection, part: str, serial: str, rows: Sequence[Row], together: bool) -> Iterator[Reason]:
    if together:
        yield from unread_together(inspection, part, serial, rows)
        return
    missing: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        missing.setdefault((str(row["hole"]), str(row["wall"])), []).append(str(row["characteristic"]))
    for (hole, wall), names in missing.items():
        sentence = missing_words(inspection, part, serial, hole, wall, names)
        yield Reason(HOLD, sentence, hole, wall, names[0] if len(names) == 1 else "", "", READ_AGAIN)


def _reason(inspection: Inspection, row: Mapping[str, Any], said: Phrase) -> Reason:
    cell = place_of(inspection, row["reading"])
    sentence = f"{hole_words(inspection, row)}: {said.text}" + (f" ({cell})" if cell else "") + "."
    return Reason(int(row["verdict"]), sentence, row["hole"], row["wall"], row["characteristic"], cell, said.action)


def _phrase(inspection: Inspection, row: Mapping[str, Any]) -> Phrase:
    """Return what to say of a row that isn't accepted, and what to do."""
    cause, name = str(row["cause"]), str(row["characteristic"])
    if cause == "guard-band":
        return guarded(inspection, row)
    if name == "surface" and cause in {"burr", "not-clean", "crack"}:
        return surface(row)
    if name in {"GO", "NO-GO"} and cause in {"go-stopped", "no-go-entered"}:
        return plug(inspection, row)
    if cause in {"over", "under"}:
        if name in {"position", "hole-to-hole position"}:
            return position_over(inspection, row)
        if name in {"out-of-roundness", "taper"}:
            return form_over(inspection, row)
        return size_beyond(inspection, row)
    return Phrase(f"{name} is held, {words_of(cause)}", READ_AGAIN)


def _near_zero(inspection: Inspection, margin: float, uncertainty: float) -> bool:
    """Whether the guard band of the decision rule is what holds a pin margin; U not known counts as that."""
    rule = inspection.specification.decision
    return rule.rule != "simple" and not abs(margin) > rule.guard_factor * uncertainty


def _of_pins(inspection: Inspection, part: str, serial: str, *, brief: bool) -> Iterator[Reason]:
    """Give what the pins say; ``brief``: nothing of its own where other reasons leave it open."""
    chosen = inspection.parts[rows_of(inspection.parts, part, serial)]
    for row in chosen.to_dict("records"):
        verdict, margin = int(row["pin_verdict"]), float(row["pin_margin"])
        unit = inspection.specification.unit
        if verdict == HOLD and math.isnan(margin):
            if brief:
                continue
            text = "Whether all pins enter together isn't known: sizes or positions are missing or doubtful."
            yield Reason(HOLD, text, action=READ_MISSING)
        elif verdict == HOLD and not _near_zero(inspection, margin, float(row["pin_uncertainty"])):
            if brief:
                continue
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
            text += f"{_tightest(inspection, part, serial)}.{_without(inspection, row)}"
            yield Reason(REJECT, text, action=_pin_action(inspection, part, serial))


def _without(inspection: Inspection, row: Row) -> str:
    """Return which hole alone keeps the pins out, and the room of the others; '' where none does."""
    spec, hole = inspection.specification, str(row["pin_culprit"])
    if not hole:
        return ""
    others = sum(h.pin is not None for h in spec.holes) - 1
    room = amount_text(max(float(row["pin_without"]), 0.0), spec.unit)
    return f" Without hole {hole} the other {count_words(others)} have {room}."


def _tightest(inspection: Inspection, part: str, serial: str) -> str:
    pins = inspection.pins[rows_of(inspection.pins, part, serial)]
    tight = pins[pins["binding"].to_numpy(dtype=np.bool_)]
    places = [(str(row["hole"]), str(row["wall"])) for row in tight.to_dict("records")]
    words = span_words(inspection.specification, places)
    return f"; tightest: {words[0].lower()}{words[1:]}" if words else ""


def _pin_action(inspection: Inspection, part: str, serial: str) -> str:
    rework = inspection.rework[rows_of(inspection.rework, part, serial)]
    scope = rework[(rework["scope"] == "pattern").to_numpy(dtype=np.bool_)] if len(rework) else rework
    return str(scope["sentence"].iloc[0]) if len(scope) else ENGINEERING


def _of_problems(inspection: Inspection, part: str, serial: str, told: set[str], known: set[int]) -> Iterator[Reason]:
    """Return what holds the part beside its readings: problems that name it, or name no part in one of its files.

    ``told``: cells, and ``known``: problems that other reasons have told.
    """
    files: set[str] | None = None
    for problem in inspection.problems:
        if not problem.holds or id(problem) in known:
            continue
        if problem.code in MEANING and not (problem.part or problem.serial or problem.file):
            continue  # the readings that it speaks of have told it
        if problem.serial or problem.part:
            if problem.serial not in ("", serial) or problem.part not in ("", part):
                continue
        elif problem.file:
            if files is None:
                table = inspection.readings.table
                files = set(table["file"][rows_of(table, part, serial)].astype(str))
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
