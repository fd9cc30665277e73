"""Limits of size: every two-point reading by itself, what is missing, and what the readings say of the mating size.

ASME Y14.5: an actual local size is one two-point reading; all of them must lie within the limits. ASTM E29: absolute or
rounding method. No mean is ever compared with a limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holeqc.inspection.causes import CONTRADICTION, MISSING, NONE
from holeqc.inspection.decision import as_compared, decide, limit_decimals, room, uncertainty_ratio
from holeqc.inspection.evidence import Evidence, Rows, every_wall
from holeqc.inspection.grouping import CodeArray, IntArray, any_code, largest, largest_or_unknown, smallest, worst_row
from holeqc.inspection.outcome import Outcome, outcome
from holeqc.inspection.probability import conformance, with_prior
from holeqc.inspection.results import ACCEPT, HOLD
from holeqc.quantities import CALCULATED, GRAIN, BoolArray, FloatArray, above
from holeqc.specification.model import Specification


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of size of each hole, (H,1) so that they broadcast over walls, and decimals to round to (-1: as it is)."""

    lower: FloatArray
    upper: FloatArray
    decimals: IntArray


@dataclass(frozen=True, slots=True)
class Sizes:
    """What is known of sizes, all (P,H,W).

    ``smallest`` and ``largest`` of the readings that nobody doubts, NaN where there are none; ``uncertainty`` U of
    them. ``unread``: cause (0 for none) why readings are not all there; the extremes then bound the hole from inside.
    ``gap``: the same for the mating size, which a plug can give and a plug can disprove. ``weak``: cause why readings
    that are there prove nothing (a gauge out of date, no temperature). ``mating`` is the estimate of the actual
    mating size, wall by wall; ``plugged`` where the largest plug that enters gave it.
    """

    smallest: FloatArray
    largest: FloatArray
    uncertainty: FloatArray
    unread: CodeArray
    gap: CodeArray
    weak: CodeArray
    mating: FloatArray
    plugged: BoolArray


def size_limits(spec: Specification) -> Limits:
    """Return the limits of size of a kit's holes as arrays."""
    decimals = [limit_decimals(spec.rounding, h.size.lower, h.size.upper) for h in spec.holes]
    column = (-1, 1)
    return Limits(
        np.array([h.size.lower for h in spec.holes]).reshape(column),
        np.array([h.size.upper for h in spec.holes]).reshape(column),
        np.array([-1 if d is None else d for d in decimals]).reshape(column),
    )


def judge_size(evidence: Evidence) -> tuple[Sizes, Outcome]:
    """Return what is known of sizes, and the verdict on the size of each hole and wall.

    Each reading is decided by itself under the kit's rule (`decision.decide`). A doubted reading, one that a plug
    disproves (`disproved`), or one whose gauge proves nothing that day, is held and never rejects. A cell is rejected
    if any of its readings is, else held if any is held or missing. The row shows the reading that decides; its
    conformance probability (JCGM 106) is that of this reading.
    """
    spec = evidence.spec
    shape = evidence.shape
    cells = int(np.prod(shape))
    rows = evidence.rows["diameter"]
    cell = rows.cell(*shape[1:])
    limits = size_limits(spec)
    lower, upper = limits.lower[rows.hole, 0], limits.upper[rows.hole, 0]
    compared = as_compared(rows.value, limits.decimals[rows.hole, 0])
    grain = CALCULATED if spec.temperature.correct else GRAIN
    verdict, cause = decide(compared, lower, upper, rows.uncertainty, spec.decision, grain)
    held = rows.cause != NONE
    verdict[held], cause[held] = HOLD, rows.cause[held]
    deviation, left = room(compared, lower, upper, grain)
    worst = worst_row(cell, verdict, left, cells)
    read = worst >= 0

    def picked(values: NDArray[Any], nothing: float = np.nan) -> FloatArray:
        return np.where(read, np.append(values, nothing)[worst], nothing).reshape(shape)

    missing = missing_diameters(evidence, rows, cell)
    by_cell = picked(verdict, ACCEPT).astype(np.int8)
    why = picked(cause, NONE).astype(np.int16)
    lacking = missing & (by_cell == ACCEPT)
    by_cell[lacking], why[lacking] = HOLD, MISSING
    uncertainty = picked(rows.uncertainty)
    found = picked(rows.value)
    sizes = _estimates(evidence, rows, cell, missing)
    contradicted = plugs_against(evidence, sizes) & (by_cell == ACCEPT)
    by_cell[contradicted], why[contradicted] = HOLD, CONTRADICTION
    result = outcome(
        "size", _asked(spec), read.reshape(shape), by_cell, why,
        found=found, lower=limits.lower, upper=limits.upper, deviation=picked(deviation), left=picked(left),
        uncertainty=uncertainty, ratio=uncertainty_ratio(limits.upper - limits.lower, uncertainty),
        probability=size_probability(spec, found, limits, uncertainty),
        reading=np.where(lacking, -1, picked(rows.label, -1).astype(np.int64)),
    )  # fmt: skip
    return sizes, result


def size_probability(spec: Specification, found: FloatArray, limits: Limits, uncertainty: FloatArray) -> FloatArray:
    """Return the conformance probability of sizes (JCGM 106), with what is known of the process where the kit says it.

    The prior's mean is the middle of the limits where only its standard deviation is known.
    """
    rule = spec.decision
    u = 0.5 * uncertainty
    if rule.process_sd is None:
        return conformance(found, limits.lower, limits.upper, u)
    middle = 0.5 * (limits.lower + limits.upper)
    mean = middle if rule.process_mean is None else np.full_like(middle, rule.process_mean)
    return conformance(*_posterior(found, u, mean, rule.process_sd, limits))


def _posterior(
    found: FloatArray, u: FloatArray, mean: FloatArray, sd: float, limits: Limits
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    value, spread = with_prior(found, u, mean, sd)
    return value, limits.lower, limits.upper, spread


def _asked(spec: Specification) -> BoolArray:
    walls = np.array([wall in spec.plan.walls for wall in spec.walls.names])
    return np.broadcast_to(walls, (len(spec.holes), walls.size))


def direction_codes(rows: Rows, planned: tuple[float, ...]) -> IntArray:
    """Return the direction of each reading as a number: planned ones first, then others, then unstated by trial.

    A two-point diameter has no sign: 180 is 0. A reading with no direction is told from others by its trial number.
    """
    stated = ~np.isnan(rows.direction)
    turned = np.round(np.mod(rows.direction, 180.0), 3) % 180.0
    known = np.round(np.mod(np.array(planned, dtype=np.float64), 180.0), 3) % 180.0
    code = np.full(len(rows), -1, dtype=np.int64)
    for number, direction in enumerate(known):
        code[stated & (turned == direction)] = number
    other = np.unique(turned[stated & (code < 0)])
    code[stated & (code < 0)] = known.size + np.searchsorted(other, turned[stated & (code < 0)])
    code[~stated] = known.size + other.size + rows.trial[~stated]
    return code


def missing_diameters(evidence: Evidence, rows: Rows, cell: IntArray) -> BoolArray:
    """Return where readings that the plan asks for are not there (P,H,W).

    In each planned wall each planned direction is read ``count`` times; a reading whose direction isn't stated fills
    any gap. A doubted reading is there, its doubt holds it.
    """
    plan = evidence.spec.plan
    shape = evidence.shape
    cells = int(np.prod(shape))
    code = direction_codes(rows, plan.directions)
    width = len(plan.directions)
    ours = code < width
    have = np.bincount(cell[ours] * width + code[ours], minlength=cells * width).reshape(-1, width)
    spare = np.bincount(cell[np.isnan(rows.direction)], minlength=cells)
    short = np.maximum(plan.count - have, 0).sum(axis=1) - spare > 0
    return short.reshape(shape) & _asked(evidence.spec)


def _estimates(evidence: Evidence, rows: Rows, cell: IntArray, missing: BoolArray) -> Sizes:
    shape = evidence.shape
    cells = int(np.prod(shape))
    sure = ~rows.doubted
    value = np.where(sure, rows.value, np.nan)
    low, high = smallest(cell, value, cells).reshape(shape), largest(cell, value, cells).reshape(shape)
    uncertainty = largest_or_unknown(cell[sure], rows.uncertainty[sure], cells).reshape(shape)
    doubt = any_code(cell, np.where(rows.doubted, rows.cause, NONE), cells).reshape(shape)
    weak = any_code(cell, np.where(sure, rows.cause, NONE), cells).reshape(shape)
    unread = np.where(doubt != NONE, doubt, np.where(missing, MISSING, NONE)).astype(np.int16)
    plug, plug_weak = largest_plugs(evidence)
    entered = ~np.isnan(plug) & ~above(plug, np.where(np.isnan(low), np.inf, low))
    weak = np.where(entered & (plug_weak != NONE), plug_weak, weak).astype(np.int16)
    # A plug that enters proves its size for the whole hole; readings can only come out too large.
    gap = np.where(entered, NONE, unread).astype(np.int16)
    return Sizes(low, high, uncertainty, unread, gap, weak, np.where(entered, plug, low), entered)


def largest_plugs(evidence: Evidence) -> tuple[FloatArray, CodeArray]:
    """Return the largest plug that enters each cell (P,H,W), NaN where none was tried, and a cause that weakens it."""
    rows = every_wall(evidence.rows["plug"], evidence.shape[2])
    shape = evidence.shape
    cells = int(np.prod(shape))
    cell = rows.cell(*shape[1:])
    value = np.where(rows.doubted, np.nan, rows.value)
    return largest(cell, value, cells).reshape(shape), any_code(cell, rows.cause, cells).reshape(shape)


def plugs_against(evidence: Evidence, sizes: Sizes) -> BoolArray:
    """Return where plug and readings contradict one another (P,H,W).

    A plug larger than the smallest reading by more than that reading's U can't enter; a largest plug under the lower
    limit while every reading is inside says that the hole is lobed, bent or burred.
    """
    plug, _ = largest_plugs(evidence)
    reach = np.where(np.isnan(sizes.uncertainty), 0.0, sizes.uncertainty)
    return above(plug, sizes.smallest + reach) | above(size_limits(evidence.spec).lower, plug)


def mating_size(sizes: Sizes, both: bool) -> FloatArray:
    """Return the estimate of the actual mating size (P,H,W): of each wall, or the smallest of all walls for each.

    ASME Y14.5: the bonus comes from the mating size. Two-point readings overestimate it where a hole is lobed or bent.
    """
    return over_walls(sizes.mating, np.fmin) if both else sizes.mating


def over_walls(array: FloatArray, choose: np.ufunc) -> FloatArray:
    """Return an extreme over walls, repeated for each wall, (P,H,W)."""
    return np.broadcast_to(choose.reduce(array, axis=2)[:, :, None], array.shape)


def codes_over_walls(codes: CodeArray) -> CodeArray:
    """Return a code that any wall has, repeated for each wall, (P,H,W)."""
    return np.broadcast_to(codes.max(axis=2)[:, :, None], codes.shape)
