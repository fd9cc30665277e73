"""From readings to verdicts: every question asked in turn, then rolled up to holes and parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.characteristics import MEASURED
from holeqc.inspection.evidence import (
    Evidence,
    Layout,
    characteristics_table,
    disprove,
    gather,
    hole_verdicts,
    without_overtaken,
)
from holeqc.inspection.pattern import (
    Culprits,
    Floated,
    PinCheck,
    check_pins,
    find_culprits,
    float_table,
    judge_pattern,
    judge_shifted,
    pins_table,
)
from holeqc.inspection.position import Places, find_places, judge_edges, judge_position, position_zones
from holeqc.inspection.results import HOLD, Inspection, Outcome
from holeqc.inspection.rework import Rework, find_rework, holes_table, parts_table
from holeqc.inspection.size import (
    Sizes,
    judge_go,
    judge_measured,
    judge_no_go,
    judge_roundness,
    judge_size,
    judge_surface,
    judge_taper,
    plugs_against,
    plugs_disprove,
)
from holeqc.problems import ERROR, Problem
from holeqc.quantities import BoolArray, FloatArray
from holeqc.readings.table import CHARACTERISTICS, cell_name
from holeqc.tables import Table, Texts

if TYPE_CHECKING:
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification


# Which parts and holes are held by problems with what was typed.


@dataclass(frozen=True, slots=True)
class Holds:
    """What is held beside the verdicts on readings: parts (P,), holes (P,H), and problems found while looking."""

    part: BoolArray
    hole: BoolArray
    problems: tuple[Problem, ...]


def find_holds(evidence: Evidence, problems: Sequence[Problem], table: Table) -> Holds:
    """Return what problems hold.

    A problem that holds, and names a hole, holds that hole; one that names a part or serial and no hole holds the
    part; one that names neither holds every part with readings from its file, and every part if it names no file.
    Readings of a hole or wall that the kit doesn't know hold their part.
    """
    parts, holes, _ = evidence.shape
    part_held, hole_held = np.zeros(parts, dtype=np.bool_), np.zeros((parts, holes), dtype=np.bool_)
    holding = [p for p in problems if p.holds]
    if holding:
        _mark(evidence, holding, table, part_held, hole_held)
    rows = evidence.unplaced
    known = rows.hole >= 0
    hole_held[rows.part[known], rows.hole[known]] = True
    part_held[rows.part[~known]] = True
    return Holds(part_held, hole_held, _unplaced(evidence, problems, table))


def _mark(
    evidence: Evidence, holding: Sequence[Problem], table: Table, part_held: BoolArray, hole_held: BoolArray
) -> None:
    parts = evidence.parts
    by_serial: dict[str, list[int]] = {}
    by_key: dict[tuple[str, str], int] = {}
    for number, (name, serial) in enumerate(zip(parts.name.tolist(), parts.serial.tolist(), strict=True)):
        by_serial.setdefault(parts.serials[serial], []).append(number)
        by_key[parts.names[name], parts.serials[serial]] = number
    hole_number = {hole: number for number, hole in enumerate(evidence.spec.hole_ids)}
    in_file: dict[str, list[int]] = {}
    for problem in holding:
        meant: Sequence[int]
        if problem.part and problem.serial:
            exact = by_key.get((problem.part, problem.serial))
            meant = by_serial.get(problem.serial, []) if exact is None else [exact]
        elif problem.serial:
            meant = by_serial.get(problem.serial, [])
        else:
            if problem.file not in in_file:
                in_file[problem.file] = _parts_in(evidence, table, problem.file)
            meant = [p for p in in_file[problem.file] if problem.part in ("", parts.names[parts.name[p]])]
        if problem.hole in hole_number:
            hole_held[meant, hole_number[problem.hole]] = True
        else:
            part_held[meant] = True


def _parts_in(evidence: Evidence, table: Table, file: str) -> list[int]:
    if not file:
        return list(range(len(evidence.parts)))
    return np.unique(evidence.part_of_row[table["file"] == file]).tolist()


def _unplaced(evidence: Evidence, problems: Sequence[Problem], table: Table) -> tuple[Problem, ...]:
    """Return a problem for readings that can't be placed, unless the reader has told of them already."""
    rows = evidence.unplaced
    rows = rows.take(~rows.doubted)
    if not len(rows):
        return ()
    first = table.at(rows.label[0])
    cell = cell_name(int(first["row"]), int(first["column"]))
    if any(p.cell == cell and p.file == first["file"] for p in problems):
        return ()
    spec = evidence.spec
    choices = {"hole": spec.hole_ids, "characteristic": CHARACTERISTICS, "wall": spec.walls.names}
    what = next((name for name, known in choices.items() if str(first[name]) not in known), "wall")
    allowed = ", ".join(choices[what])
    found = str(first[what])
    parts = evidence.parts
    number = int(rows.part[0])
    return (
        Problem(
            ERROR,
            f"unknown-{what}",
            f"{len(rows)} readings name a hole, wall or characteristic that the kit doesn't know; this is the first",
            found=f"{what} {found!r}",
            allowed=allowed,
            action="Correct the sheet and check it again; until then the parts concerned are held.",
            file=str(first["file"]), sheet=str(first["sheet"]), cell=cell, part=parts.names[parts.name[number]],
            serial=parts.serials[parts.serial[number]], holds=True,
        ),
    )  # fmt: skip




@dataclass(frozen=True, slots=True)
class Judged:
    """What was worked out of a run, before it becomes tables. ``go_entered`` (P,H,W): and nothing speaks against it.
    ``floated`` (P,H,W,2): where axes lie hole to hole."""

    sizes: Sizes
    places: Places
    outcomes: list[Outcome]
    go_entered: BoolArray
    shift: Floated | None
    floated: FloatArray


def judge(spec: Specification, readings: Readings) -> Inspection:
    """Return the verdict on every hole and part in a table of readings, none of them a recheck.

    Each characteristic that the kit asks for gives a row for every part, hole and wall, also where nothing was read
    (held as missing). The worst of its characteristics, and of the problems that touch it, is a hole's verdict; the
    worst of holes, pins and problems is the part's. The tables' columns stand in `results`. Verdicts don't depend on
    the order of rows. ``readings.rows`` isn't changed.
    """
    readings, to_come = without_overtaken(readings)
    evidence = gather(spec, readings.rows, to_come)
    judged = _judge(evidence)
    holds = find_holds(evidence, readings.problems, readings.rows)
    layout = Layout(judged.outcomes, evidence.shape[2])
    shown = layout.column("shown", np.bool_)
    pins = check_pins(evidence, judged.sizes, judged.places)
    culprits = None if pins is None else find_culprits(evidence, judged.places, pins)
    rework = find_rework(evidence, layout, judged.sizes, judged.places, pins)
    room = float_table(evidence, judged.places, pins)
    hole = hole_verdicts(layout, shown, evidence.shape[1])
    hole = np.maximum(hole, np.where(holds.hole, HOLD, 0)).astype(np.int8)
    part = np.maximum(hole.max(axis=1), np.where(holds.part, HOLD, 0)).astype(np.int8)
    if pins is not None:
        part = np.maximum(part, pins.verdict)
    problems: tuple[Problem, ...] = (
        *readings.problems, *evidence.problems, *holds.problems, *rework.problems
    )  # fmt: skip
    tables = {
        "holes": _holes(evidence, judged, hole, rework),
        "parts": _parts(evidence, part, pins, culprits, judged.shift),
        "pins": pins_table(evidence, pins, culprits), "float_left": room, "rework": rework.table,
    }  # fmt: skip
    evidence = replace(evidence, rows={}, part_of_row=np.empty(0, dtype=np.int64))  # what comes now is as large
    tables = {"characteristics": characteristics_table(evidence, layout, shown), **tables}
    return Inspection(spec, readings, tables, problems, evidence.networks)


def _judge(evidence: Evidence) -> Judged:
    """Ask every question of every hole and wall."""
    spec = evidence.spec
    evidence, read = disprove(evidence)
    sizes, size = judge_size(evidence)
    go, entered, refused = judge_go(evidence, read)
    no_go = judge_no_go(evidence, read)
    sizes = plugs_disprove(refused | read.against | plugs_against(evidence, sizes), sizes)
    places = find_places(evidence)
    outcomes = [size, judge_roundness(evidence, sizes)]
    taper = judge_taper(evidence, sizes)
    if taper is not None:
        outcomes.append(taper)
    zones = position_zones(spec, sizes, pattern=False)
    shift = None
    if spec.datum_shift is None:
        outcomes.append(judge_position(evidence, places, zones))
    else:
        position, shift = judge_shifted(evidence, places, sizes, zones)
        outcomes.append(position)
    pattern, floated = judge_pattern(evidence, places, position_zones(spec, sizes, pattern=True))
    outcomes.append(pattern)
    outcomes.append(judge_edges(evidence, sizes, places))
    outcomes += [judge_measured(evidence, what) for what in MEASURED]
    outcomes += [judge_surface(evidence), go, no_go]
    return Judged(sizes, places, outcomes, entered, shift, floated)


def _holes(evidence: Evidence, judged: Judged, verdict: np.ndarray, rework: Rework) -> Table:
    return holes_table(evidence, judged.sizes, (judged.places.off, judged.floated), judged.go_entered, verdict, rework)


def _parts(
    evidence: Evidence, verdict: np.ndarray, pins: PinCheck | None, culprits: Culprits | None, shift: Floated | None
) -> Table:
    columns: dict[str, Any] = {}
    if pins is not None and culprits is not None:
        columns |= {
            "pin_verdict": pins.verdict, "pin_margin": pins.margin, "pin_uncertainty": pins.uncertainty,
            "pin_rotation": pins.floated.rotation, "pin_dx": pins.floated.translation[:, 0],
            "pin_dy": pins.floated.translation[:, 1], "pin_without": culprits.margin,
            "pin_culprit": Texts(culprits.hole + 1, ("", *evidence.spec.hole_ids)),
        }  # fmt: skip
    if shift is not None:
        columns |= {
            "shift_x": shift.translation[:, 0], "shift_y": shift.translation[:, 1], "shift_rotation": shift.rotation,
        }  # fmt: skip
    return parts_table(evidence, verdict, columns)
