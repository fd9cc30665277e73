"""From readings to verdicts: every question asked in turn, then rolled up to holes and parts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.inspection.assemble import Layout, categorical, characteristics_frame, hole_verdicts
from holeqc.inspection.attributes import judge_go, judge_no_go, judge_surface, plugs_disprove
from holeqc.inspection.days import without_overtaken
from holeqc.inspection.disproved import disprove
from holeqc.inspection.edges import judge_edges
from holeqc.inspection.evidence import Evidence, gather
from holeqc.inspection.float_room import float_frame
from holeqc.inspection.form import judge_roundness, judge_taper
from holeqc.inspection.frames import holes_frame, parts_frame
from holeqc.inspection.holds import find_holds
from holeqc.inspection.outcome import Outcome
from holeqc.inspection.pattern import Floated, judge_pattern, judge_shifted
from holeqc.inspection.pins import Culprits, PinCheck, check_pins, find_culprits, pins_frame
from holeqc.inspection.places import Places, find_places
from holeqc.inspection.position import judge_position, position_zones
from holeqc.inspection.reaming import Rework, find_rework
from holeqc.inspection.reasons import reasons
from holeqc.inspection.results import HOLD, Inspection
from holeqc.inspection.size import Sizes, judge_size, plugs_against
from holeqc.quantities import BoolArray, FloatArray

if TYPE_CHECKING:
    from holeqc.problems import Problem
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

__all__ = ["inspect", "reasons"]


@dataclass(frozen=True, slots=True)
class Judged:
    """What was worked out of a run, before it becomes frames. ``go_entered`` (P,H,W): and nothing speaks against it.
    ``floated`` (P,H,W,2): where axes lie hole to hole."""

    sizes: Sizes
    places: Places
    outcomes: list[Outcome]
    go_entered: BoolArray
    shift: Floated | None
    floated: FloatArray


def inspect(spec: Specification, readings: Readings) -> Inspection:
    """Return the verdict on every hole and part in a table of readings.

    Each characteristic that the kit asks for gives a row for every part, hole and wall, also where nothing was read
    (held as missing). The worst of its characteristics, and of the problems that touch it, is a hole's verdict; the
    worst of holes, pins and problems is the part's. The frames' columns stand in `results`. Verdicts don't depend on
    the order of rows. ``readings.table`` isn't changed.
    """
    readings, to_come = without_overtaken(readings)
    evidence = gather(spec, readings.table, to_come)
    judged = _judge(evidence)
    holds = find_holds(evidence, readings.problems, readings.table)
    layout = Layout(judged.outcomes, evidence.shape[2])
    shown = layout.column("shown", np.bool_)
    pins = check_pins(evidence, judged.sizes, judged.places)
    culprits = None if pins is None else find_culprits(evidence, judged.places, pins)
    rework = find_rework(evidence, layout, judged.sizes, judged.places, pins)
    room = float_frame(evidence, judged.places, pins)
    hole = hole_verdicts(layout, shown, evidence.shape[1])
    hole = np.maximum(hole, np.where(holds.hole, HOLD, 0)).astype(np.int8)
    part = np.maximum(hole.max(axis=1), np.where(holds.part, HOLD, 0)).astype(np.int8)
    if pins is not None:
        part = np.maximum(part, pins.verdict)
    problems: tuple[Problem, ...] = (
        *readings.problems, *evidence.problems, *holds.problems, *rework.problems
    )  # fmt: skip
    return Inspection(
        spec, readings, characteristics_frame(evidence, layout, shown), _holes(evidence, judged, hole, rework),
        _parts(evidence, part, pins, culprits, judged.shift), pins_frame(evidence, pins, culprits), room, problems,
        rework.frame,
    )  # fmt: skip


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
    outcomes += [judge_edges(evidence, sizes, places), judge_surface(evidence), go, no_go]
    return Judged(sizes, places, outcomes, entered, shift, floated)


def _holes(evidence: Evidence, judged: Judged, verdict: np.ndarray, rework: Rework) -> Any:
    return holes_frame(evidence, judged.sizes, (judged.places.off, judged.floated), judged.go_entered, verdict, rework)


def _parts(
    evidence: Evidence, verdict: np.ndarray, pins: PinCheck | None, culprits: Culprits | None, shift: Floated | None
) -> Any:
    columns: dict[str, Any] = {}
    if pins is not None and culprits is not None:
        columns |= {
            "pin_verdict": pins.verdict, "pin_margin": pins.margin, "pin_uncertainty": pins.uncertainty,
            "pin_rotation": pins.floated.rotation, "pin_dx": pins.floated.translation[:, 0],
            "pin_dy": pins.floated.translation[:, 1], "pin_without": culprits.margin,
            "pin_culprit": categorical(culprits.hole + 1, ("", *evidence.spec.hole_ids)),
        }  # fmt: skip
    if shift is not None:
        columns |= {
            "shift_x": shift.translation[:, 0], "shift_y": shift.translation[:, 1], "shift_rotation": shift.rotation,
        }  # fmt: skip
    return parts_frame(evidence, verdict, columns)
