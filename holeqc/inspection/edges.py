"""Distance from the centre of a hole to the nearest edge of the part."""

from __future__ import annotations

import numpy as np

from holeqc.inspection.causes import MISSING, NONE
from holeqc.inspection.decision import as_compared, decide, limit_decimals, room, uncertainty_ratio
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.grouping import CodeArray, IntArray, any_code, worst_row
from holeqc.inspection.outcome import Outcome, outcome
from holeqc.inspection.places import Places
from holeqc.inspection.results import ACCEPT, HOLD
from holeqc.inspection.size import Sizes
from holeqc.quantities import CALCULATED, GRAIN, BoolArray, FloatArray


def distance_to_outline(point: FloatArray, outline: FloatArray) -> FloatArray:
    """Return the distance from points (...,2) to the nearest side of a closed outline (M,2); negative outside it.

    NaN for a point that isn't known. Inside is found by counting the sides that a ray along x crosses.
    """
    start = outline
    side = np.roll(outline, -1, axis=0) - start
    nearest = np.full(point.shape[:-1], np.inf)
    inside = np.zeros(point.shape[:-1], dtype=np.bool_)
    for corner, along in zip(start, side, strict=True):
        offset = point - corner
        length2 = float(along @ along)
        share = np.clip((offset @ along) / length2, 0.0, 1.0) if length2 > 0.0 else np.zeros(offset.shape[:-1])
        gap = offset - share[..., None] * along
        nearest = np.minimum(nearest, np.hypot(gap[..., 0], gap[..., 1]))
        crosses = (offset[..., 1] < 0.0) != (offset[..., 1] < along[1])
        if along[1] != 0.0:
            inside ^= crosses & (offset[..., 0] < along[0] * offset[..., 1] / along[1])
    return np.where(np.isnan(point).any(axis=-1), np.nan, np.where(inside, nearest, -nearest))


def least_distance(evidence: Evidence, sizes: Sizes) -> FloatArray:
    """Return the least distance asked of each hole (P,H), NaN where none is.

    The larger of the absolute minimum and the multiple of the diameter. The diameter is the upper limit of size, or the
    largest reading where that is larger still: so the minimum never depends on how small a hole came out.
    """
    holes = evidence.spec.holes
    fixed = np.array([np.nan if h.edge.minimum is None else h.edge.minimum for h in holes])
    times = np.array([np.nan if h.edge.minimum_diameters is None else h.edge.minimum_diameters for h in holes])
    upper = np.array([h.size.upper for h in holes])
    largest = np.fmax(np.fmax.reduce(sizes.largest, axis=2), upper)
    return np.fmax(fixed, times * largest)


def judge_edges(evidence: Evidence, sizes: Sizes, places: Places) -> Outcome:
    """Return the verdict on the edge distance of each hole: the least over its walls.

    A reading where there is one; else worked out from the measured centre and the outline, mirrored with the part, with
    the uncertainty of a coordinate.
    """
    spec = evidence.spec
    parts, holes, _ = evidence.shape
    minimum = least_distance(evidence, sizes)
    found, uncertainty, cause, label, read = _readings(evidence)
    if spec.outline:
        worked, of_worked, wall = _worked_out(evidence, places)
        use = ~read & np.isfinite(worked)
        found, uncertainty = np.where(use, worked, found), np.where(use, of_worked, uncertainty)
        each, hole = np.ogrid[:parts, :holes]
        cause = np.where(use, places.weak[each, hole, wall], cause).astype(np.int16)
    decimals = [limit_decimals(spec.rounding, h.edge.minimum or np.nan, h.size.upper) for h in spec.holes]
    compared = as_compared(found, np.array([-1 if d is None else d for d in decimals]))
    grain = np.where(read, GRAIN, CALCULATED)
    verdict, why = decide(compared, minimum, np.nan, uncertainty, spec.decision, grain)
    gap = places.gap.max(axis=2)
    lacking = np.isnan(found)
    verdict[lacking], why[lacking] = HOLD, np.where(gap != NONE, gap, MISSING)[lacking]
    open_ = np.isfinite(found) & ~read & (gap != NONE) & (verdict == ACCEPT) & (spec.plan.position)
    verdict[open_], why[open_] = HOLD, gap[open_]
    held = cause != NONE
    verdict[held], why[held] = HOLD, cause[held]
    deviation, left = room(compared, minimum, np.nan, grain)
    asked = np.array([h.edge.minimum is not None or h.edge.minimum_diameters is not None for h in spec.holes])
    return outcome(
        "edge distance", asked, asked & np.isfinite(found), verdict, why, found=found, lower=minimum,
        deviation=deviation, left=left, uncertainty=uncertainty, ratio=uncertainty_ratio(minimum, uncertainty),
        reading=label,
    )  # fmt: skip


def _readings(evidence: Evidence) -> tuple[FloatArray, FloatArray, CodeArray, IntArray, BoolArray]:
    """Return the smallest edge distance read of each hole, its U, cause to hold, label, and where there is one."""
    parts, holes, _ = evidence.shape
    rows = evidence.rows["edge_distance"]
    hole = rows.part * holes + rows.hole
    rank = np.zeros(len(rows), dtype=np.int8)
    worst = worst_row(hole, rank, np.where(rows.doubted, np.inf, rows.value), parts * holes)
    cause = any_code(hole, rows.cause, parts * holes)
    found, uncertainty = (np.append(a, np.nan)[worst] for a in (rows.value, rows.uncertainty))
    label = np.append(rows.label, -1)[worst]
    return tuple(a.reshape(parts, holes) for a in (found, uncertainty, cause, label, worst >= 0))  # type: ignore


def _worked_out(evidence: Evidence, places: Places) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return the least distance over walls, its U, and the wall it is in, each (P,H)."""
    outline = np.array(evidence.spec.outline, dtype=np.float64)
    # Turning the point into the drawn frame is the same as mirroring the outline with the part.
    drawn = places.xy * evidence.parts.signs[:, None, None, :]
    each = distance_to_outline(drawn, outline)
    wall = np.where(np.isnan(each), np.inf, each).argmin(axis=2)
    part, hole = np.ogrid[: each.shape[0], : each.shape[1]]
    return each[part, hole, wall], places.uncertainty[part, hole, wall], wall
