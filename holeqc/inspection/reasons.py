"""Why a part isn't accepted, in plain sentences with numbers; worked out only when somebody asks."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from holeqc.inspection.causes import CAUSES, MEANING
from holeqc.inspection.held import UNPROVED, doubted, proves_nothing
from holeqc.inspection.phrases import (
    ENGINEERING,
    Phrase,
    Row,
    amount_text,
    contradiction,
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

READ_AGAIN = "Read it and check the sheet again."


def reasons(inspection: Inspection, part: str, serial: str) -> list[Reason]:
    """Return why a part isn't accepted: one sentence with numbers for each characteristic, the pins and each problem.

    Rejects first. Missing readings of one hole and wall are told in one sentence, and so is what one doubtful reading
    holds, and what a gauge out of date holds. Empty for an accepted part.
    """
    told = list(_of_characteristics(inspection, part, serial))
    told += _of_pins(inspection, part, serial)
    cells = {reason.cell for reason in told if reason.cell}
    told += _of_problems(inspection, part, serial, cells)
    return sorted(told, key=lambda reason: -reason.verdict)


def _of_characteristics(inspection: Inspection, part: str, serial: str) -> Iterator[Reason]:
    frame = inspection.characteristics
    chosen = rows_of(frame, part, serial) & (frame["verdict"].to_numpy() != ACCEPT)
    missing: dict[tuple[str, str], list[str]] = {}
    doubts: dict[tuple[str, str], list[Row]] = {}
    unproved: dict[str, list[Row]] = {}
    for row in frame[chosen].to_dict("records"):
        cause, hole = str(row["cause"]), str(row["hole"])
        if cause == "missing":
            missing.setdefault((hole, row["wall"]), []).append(row["characteristic"])
        elif cause not in CAUSES:
            doubts.setdefault((hole, cause), []).append(row)
        elif cause in UNPROVED:
            unproved.setdefault(cause, []).append(row)
        else:
            yield _reason(inspection, row)
    for rows in doubts.values():
        yield doubted(inspection, rows)
    for rows in unproved.values():
        yield proves_nothing(inspection, rows)
    for (hole, wall), names in missing.items():
        sentence = missing_words(inspection, part, serial, hole, wall, names)
        yield Reason(HOLD, sentence, hole, wall, names[0] if len(names) == 1 else "", "", READ_AGAIN)


def _reason(inspection: Inspection, row: Mapping[str, Any]) -> Reason:
    said = _phrase(inspection, row)
    cell = place_of(inspection, row["reading"])
    sentence = f"{hole_words(inspection, row)}: {said.text}" + (f" ({cell})" if cell else "") + "."
    return Reason(int(row["verdict"]), sentence, row["hole"], row["wall"], row["characteristic"], cell, said.action)


def _phrase(inspection: Inspection, row: Mapping[str, Any]) -> Phrase:
    """Return what to say of a row that isn't accepted, and what to do."""
    cause, name = str(row["cause"]), str(row["characteristic"])
    if cause == "contradiction":
        return contradiction(inspection, row)
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
    return Phrase(f"{name} is held, {MEANING.get(cause, cause)}", READ_AGAIN)


def _near_zero(inspection: Inspection, margin: float, uncertainty: float) -> bool:
    """Whether the guard band of the decision rule is what holds a pin margin; U not known counts as that."""
    rule = inspection.specification.decision
    return rule.rule != "simple" and not abs(margin) > rule.guard_factor * uncertainty


def _of_pins(inspection: Inspection, part: str, serial: str) -> Iterator[Reason]:
    chosen = inspection.parts[rows_of(inspection.parts, part, serial)]
    for row in chosen.to_dict("records"):
        verdict, margin = int(row["pin_verdict"]), float(row["pin_margin"])
        unit = inspection.specification.unit
        if verdict == HOLD and math.isnan(margin):
            text = "Whether all pins enter together isn't known: sizes or positions are missing or doubtful."
            yield Reason(HOLD, text, action="Read what is missing and check the sheet again.")
        elif verdict == HOLD and not _near_zero(inspection, margin, float(row["pin_uncertainty"])):
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
            text += f"{_tightest(inspection, part, serial)}."
            yield Reason(REJECT, text, action=_pin_action(inspection, part, serial))


def _tightest(inspection: Inspection, part: str, serial: str) -> str:
    pins = inspection.pins[rows_of(inspection.pins, part, serial)]
    tight = pins[pins["binding"].to_numpy(dtype=np.bool_)]
    walls = inspection.specification.walls.several
    names = [f"{row['hole']} {row['wall']}" if walls else str(row["hole"]) for row in tight.to_dict("records")]
    return f"; tightest: {', '.join(names)}" if names else ""


def _pin_action(inspection: Inspection, part: str, serial: str) -> str:
    rework = inspection.rework[rows_of(inspection.rework, part, serial)]
    scope = rework[(rework["scope"] == "pattern").to_numpy(dtype=np.bool_)] if len(rework) else rework
    return str(scope["sentence"].iloc[0]) if len(scope) else ENGINEERING


def _of_problems(inspection: Inspection, part: str, serial: str, told: set[str]) -> Iterator[Reason]:
    """Return what holds the part beside its readings: problems that name it, or name no part in one of its files."""
    files: set[str] | None = None
    for problem in inspection.problems:
        if not problem.holds or (problem.code in MEANING and not (problem.part or problem.serial or problem.file)):
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
        cell = f"{problem.sheet}!{problem.cell}" if problem.sheet and problem.cell else problem.cell
        if cell and cell in told:
            continue
        yield Reason(HOLD, problem.sentence(), problem.hole, problem.wall, "", cell, problem.action)
