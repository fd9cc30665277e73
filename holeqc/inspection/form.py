"""Form from two-point readings: out-of-roundness across directions, taper between walls.

Both are differences of diameters, as the kit asks for them. They are not the radial roundness deviation of ISO 12181 (a
difference of radii, about half as large for an oval hole), and no two-point reading shows a lobed hole.
"""

from __future__ import annotations

import numpy as np

from holeqc.inspection.causes import MISSING, NONE
from holeqc.inspection.decision import as_compared, decide, limit_decimals, room, uncertainty_ratio
from holeqc.inspection.evidence import Evidence, Rows
from holeqc.inspection.grouping import CodeArray, any_code, largest_difference, largest_or_unknown
from holeqc.inspection.outcome import Outcome, outcome
from holeqc.inspection.results import ACCEPT, HOLD
from holeqc.inspection.size import Sizes, direction_codes
from holeqc.quantities import CALCULATED, GRAIN, BoolArray, FloatArray

_ROOT_2 = np.sqrt(2.0)


def judge_roundness(evidence: Evidence, sizes: Sizes) -> Outcome:
    """Return the verdict on out-of-roundness of each hole and wall.

    It is the largest difference of two diameters read in different directions of one wall. Its U is sqrt(2) U of a
    reading (JCGM 100, 5.1.2, two independent readings).
    """
    rows = _sure(evidence.rows["diameter"])
    shape = evidence.shape
    groups = int(np.prod(shape))
    cell = rows.cell(*shape[1:])
    found, _ = largest_difference(cell, direction_codes(rows, evidence.spec.plan.directions), rows.value, groups)
    walls = np.array([w in evidence.spec.plan.walls for w in evidence.spec.walls.names])
    limit = _limits(evidence, "out_of_roundness")[:, None]
    asked = ~np.isnan(limit) & walls
    weak = any_code(cell, rows.cause, groups).reshape(shape)
    gap = np.where(np.isnan(found.reshape(shape)) & (sizes.unread == NONE), MISSING, sizes.unread)
    uncertainty = largest_or_unknown(cell, rows.uncertainty, groups).reshape(shape)
    return _judged(evidence, "out-of-roundness", asked, found.reshape(shape), limit, uncertainty, gap, weak)


def judge_taper(evidence: Evidence, sizes: Sizes) -> Outcome | None:
    """Return the verdict on taper of each hole, None for a part with one wall.

    It is the largest difference of two diameters read in one direction in different walls, over all directions.
    """
    parts, holes, walls = evidence.shape
    if walls < 2:
        return None
    rows = _sure(evidence.rows["diameter"])
    direction = direction_codes(rows, evidence.spec.plan.directions)
    width = int(direction.max()) + 1 if direction.size else 1
    outer = (rows.part * holes + rows.hole) * width + direction
    each, _ = largest_difference(outer, rows.wall, rows.value, parts * holes * width)
    each = each.reshape(parts, holes, width)
    found = np.fmax.reduce(each, axis=2)
    limit = _limits(evidence, "taper")
    asked = ~np.isnan(limit) & (len(evidence.spec.plan.walls) > 1)
    hole = rows.part * holes + rows.hole
    weak = any_code(hole, rows.cause, parts * holes).reshape(parts, holes)
    gap = sizes.unread.max(axis=2)
    gap = np.where(np.isnan(found) & (gap == NONE), MISSING, gap)
    uncertainty = largest_or_unknown(hole, rows.uncertainty, parts * holes).reshape(parts, holes)
    return _judged(evidence, "taper", asked, found, limit, uncertainty, gap, weak)


def _sure(rows: Rows) -> Rows:
    return rows.take(np.flatnonzero(~rows.doubted & ~np.isnan(rows.value)))


def _limits(evidence: Evidence, name: str) -> FloatArray:
    asked = [getattr(hole.form, name) for hole in evidence.spec.holes]
    return np.array([np.nan if limit is None else limit for limit in asked])


def _judged(
    evidence: Evidence,
    name: str,
    asked: BoolArray,
    found: FloatArray,
    limit: FloatArray,
    reading_uncertainty: FloatArray,
    gap: CodeArray,
    weak: CodeArray,
) -> Outcome:
    rounding = [limit_decimals(evidence.spec.rounding, x) for x in limit.reshape(-1)]
    decimals = np.array([-1 if d is None else d for d in rounding]).reshape(limit.shape)
    uncertainty = _ROOT_2 * reading_uncertainty
    compared = as_compared(found, decimals)
    grain = CALCULATED if evidence.spec.temperature.correct else GRAIN
    verdict, cause = decide(compared, np.nan, limit, uncertainty, evidence.spec.decision, grain)
    # Readings that are not there could only make the difference larger.
    open_ = (verdict == ACCEPT) & (gap != NONE) | np.isnan(found)
    verdict[open_], cause[open_] = HOLD, gap[open_]
    verdict[weak != NONE], cause[weak != NONE] = HOLD, weak[weak != NONE]
    deviation, left = room(compared, np.nan, limit, grain)
    return outcome(
        name, asked, asked & np.isfinite(found), verdict, cause, found=found, upper=limit, deviation=deviation,
        left=left, uncertainty=uncertainty, ratio=uncertainty_ratio(limit, uncertainty),
    )  # fmt: skip
