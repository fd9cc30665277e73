"""Limits of size: every two-point reading by itself, what is missing, and what the readings say of the mating size.

ASME Y14.5: an actual local size is one two-point reading; all of them must lie within the limits. ASTM E29: absolute or
rounding method. No mean is ever compared with a limit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holeqc.characteristics import ANGLE, LENGTH, Characteristic
from holeqc.inspection.decision import (
    as_compared,
    conformance,
    decide,
    limit_decimals,
    room,
    uncertainty_ratio,
    with_prior,
)
from holeqc.inspection.evidence import Evidence, Read, Rows, every_wall
from holeqc.inspection.results import (
    ACCEPT,
    BURR,
    CONTRADICTION,
    CRACKED,
    GO_STOPPED,
    HOLD,
    MISSING,
    NO_GO_ENTERED,
    NONE,
    NOT_ASKED,
    NOT_CLEAN,
    REJECT,
    CodeArray,
    Outcome,
    VerdictArray,
    any_code,
    largest,
    largest_difference,
    largest_or_unknown,
    outcome,
    smallest,
    worst_row,
)
from holeqc.quantities import CALCULATED, GRAIN, BoolArray, FloatArray, IntArray, above, below
from holeqc.readings.table import BURR as BURR_WORD
from holeqc.readings.table import CLEAN, CRACK, DIRTY, ENTERS, STOPS
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


# Form from two-point readings: out-of-roundness across directions, taper between walls.
#
# Both are differences of diameters, as the kit asks for them. They are not the radial roundness deviation of ISO
# 12181 (a
# difference of radii, about half as large for an oval hole), and no two-point reading shows a lobed hole.


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


# One number of a hole between limits of its own: countersink depth and angle, hole depth.


def judge_measured(evidence: Evidence, what: Characteristic) -> Outcome:
    """Return the verdict on one measured characteristic of each hole, whatever wall its readings name.

    Each reading is decided by itself, as for sizes; the worst of a hole decides. A reading of a hole of which the kit
    asks none holds it: it belongs to another hole, or this one was cut wrong.
    """
    spec, (parts, holes, _) = evidence.spec, evidence.shape
    rows = evidence.rows[what.word]
    hole = rows.part * holes + rows.hole
    limits = [h.measured.get(what.word) for h in spec.holes]
    lower = np.array([np.nan if x is None else x.lower for x in limits])
    upper = np.array([np.nan if x is None else x.upper for x in limits])
    asked = np.array([x is not None for x in limits])
    # 0.500 reaches here as 0.5, whose one decimal would let 0.46 pass: a hole's lengths have the places of its size
    places = [
        None if what.kind == ANGLE else limit_decimals(spec.rounding, low, high, h.size.lower, h.size.upper)
        for h, low, high in zip(spec.holes, lower.tolist(), upper.tolist(), strict=True)
    ]
    compared = as_compared(rows.value, np.array([-1 if d is None else d for d in places])[rows.hole])
    grain = CALCULATED if spec.temperature.correct and what.kind == LENGTH else GRAIN
    low, high = lower[rows.hole], upper[rows.hole]
    verdict, cause = decide(compared, low, high, rows.uncertainty, spec.decision, grain)
    extra = ~asked[rows.hole]
    verdict[extra], cause[extra] = HOLD, NOT_ASKED
    held = rows.cause != NONE
    verdict[held], cause[held] = HOLD, rows.cause[held]
    deviation, left = room(compared, low, high, grain)
    worst = worst_row(hole, verdict, left, parts * holes)
    read = (worst >= 0).reshape(parts, holes)

    def picked(values: NDArray[Any], nothing: float = np.nan) -> FloatArray:
        return np.append(values, nothing)[worst].reshape(parts, holes)

    found, uncertainty = picked(rows.value), picked(rows.uncertainty)
    band = np.where(np.isnan(lower), upper, np.where(np.isnan(upper), lower, upper - lower))
    return outcome(
        what.name, asked, read, picked(verdict, HOLD).astype(np.int8), picked(cause, MISSING).astype(np.int16),
        found=found, lower=lower, upper=upper, deviation=picked(deviation), left=picked(left), uncertainty=uncertainty,
        ratio=uncertainty_ratio(band, uncertainty), probability=conformance(found, lower, upper, 0.5 * uncertainty),
        reading=picked(rows.label, -1).astype(np.int64),
    )  # fmt: skip


# What is looked at or tried instead of measured: GO and NO-GO plugs, surface.
#
# A GO plug checks the hole's whole form at maximum material, two-point readings check the least material limit (ASME
# Y14.5, envelope principle). So a refused NO-GO never excuses an oversize reading, and where plug and readings exclude
# one another, neither is believed: hold.


def judge_go(evidence: Evidence, read: Read) -> tuple[Outcome, BoolArray, BoolArray]:
    """Return the verdict on the GO plug in each hole and wall, where it enters, and where it disproves readings
    (P,H,W).

    - It enters: accept; but if a reading is smaller than the plug by more than the reading's U, the two exclude one
      another: hold.
    - It stops: reject where the readings agree or there are none; hold as a contradiction where every reading is within
      the limits (lobes, a bend, a burr, dirt, or a slip), and the readings then no longer speak for the mating size.
    """
    plug = _plugs(evidence, "go")
    lower = size_limits(evidence.spec).lower
    small = below(read.smallest, plug - read.reach)
    inside = ~below(read.smallest, lower) & np.isfinite(read.smallest)
    rows, cell = _tries(evidence, "go")
    entered = _said(evidence, rows, ENTERS)
    stopped = _said(evidence, rows, STOPS)
    verdict = np.full(len(rows), HOLD, dtype=np.int8)
    cause = np.full(len(rows), MISSING, dtype=np.int16)
    _set(verdict, cause, entered, ACCEPT, NONE)
    _set(verdict, cause, entered & small.reshape(-1)[cell], HOLD, CONTRADICTION)
    _set(verdict, cause, stopped, REJECT, GO_STOPPED)
    _set(verdict, cause, stopped & inside.reshape(-1)[cell], HOLD, CONTRADICTION)
    result, worst = _by_cell(evidence, "GO", rows, cell, verdict, cause, plug, lower=plug)
    refused = np.append(stopped & (rows.cause == NONE), False)[worst] & inside
    return result, np.append(verdict == ACCEPT, False)[worst], refused


def judge_no_go(evidence: Evidence, read: Read) -> Outcome:
    """Return the verdict on the NO-GO plug in each hole and wall.

    - It stops: accept; an oversize reading is rejected by its own, since two-point readings decide at least material.
    - It enters: the hole is oversize by gauge, reject; but if a reading is smaller than the plug by more than its U,
      the two exclude one another: hold.
    """
    plug = _plugs(evidence, "no_go")
    small = below(read.smallest, plug - read.reach)
    rows, cell = _tries(evidence, "no_go")
    entered = _said(evidence, rows, ENTERS)
    verdict = np.full(len(rows), HOLD, dtype=np.int8)
    cause = np.full(len(rows), MISSING, dtype=np.int16)
    _set(verdict, cause, _said(evidence, rows, STOPS), ACCEPT, NONE)
    _set(verdict, cause, entered, REJECT, NO_GO_ENTERED)
    _set(verdict, cause, entered & small.reshape(-1)[cell], HOLD, CONTRADICTION)
    return _by_cell(evidence, "NO-GO", rows, cell, verdict, cause, plug, upper=plug)[0]


def judge_surface(evidence: Evidence) -> Outcome:
    """Return the verdict on the surface of each hole and wall: clean, free of burrs as the kit asks, never cracked.

    A crack is rejected even where the kit asks for no surface check.
    """
    spec = evidence.spec
    clean = np.array([h.surface.clean for h in spec.holes])
    burr_free = np.array([h.surface.burr_free for h in spec.holes])
    asked = (clean | burr_free)[:, None] & _planned(evidence)
    rows, cell = _tries(evidence, "surface")
    verdict = np.full(len(rows), HOLD, dtype=np.int8)
    cause = np.full(len(rows), MISSING, dtype=np.int16)
    _set(verdict, cause, _said(evidence, rows, CLEAN, BURR_WORD, DIRTY), ACCEPT, NONE)
    _set(verdict, cause, _said(evidence, rows, BURR_WORD) & burr_free[rows.hole], REJECT, BURR)
    _set(verdict, cause, _said(evidence, rows, DIRTY) & clean[rows.hole], REJECT, NOT_CLEAN)
    _set(verdict, cause, _said(evidence, rows, CRACK), REJECT, CRACKED)
    untold = ~(clean | burr_free)[rows.hole]  # somebody wrote it down though nobody asked
    _set(verdict, cause, _said(evidence, rows, BURR_WORD) & untold, HOLD, BURR)
    _set(verdict, cause, _said(evidence, rows, DIRTY) & untold, HOLD, NOT_CLEAN)
    return _laid(evidence, "surface", asked, rows, cell, verdict, cause)[0]


def _plugs(evidence: Evidence, name: str) -> FloatArray:
    """Return the plug asked of each hole (H,1), NaN where none is."""
    sizes = [getattr(hole.plugs, name) for hole in evidence.spec.holes]
    return np.array([np.nan if s is None else s for s in sizes])[:, None]


def _planned(evidence: Evidence) -> BoolArray:
    return np.array([wall in evidence.spec.plan.walls for wall in evidence.spec.walls.names])


def _tries(evidence: Evidence, name: str) -> tuple[Rows, IntArray]:
    rows = every_wall(evidence.rows[name], evidence.shape[2])
    return rows, rows.cell(*evidence.shape[1:])


def _said(evidence: Evidence, rows: Rows, *words: str) -> BoolArray:
    return np.array([word in words for word in evidence.words] + [False])[rows.word]


def _set(verdict: VerdictArray, cause: CodeArray, where: BoolArray, value: int, code: int) -> None:
    verdict[where], cause[where] = value, code


def _by_cell(
    evidence: Evidence,
    name: str,
    rows: Rows,
    cell: IntArray,
    verdict: VerdictArray,
    cause: CodeArray,
    plug: FloatArray,
    **limit: FloatArray,
) -> tuple[Outcome, IntArray]:
    asked = np.isfinite(plug) & _planned(evidence)
    return _laid(evidence, name, asked, rows, cell, verdict, cause, **limit)


def _laid(
    evidence: Evidence,
    name: str,
    asked: BoolArray,
    rows: Rows,
    cell: IntArray,
    verdict: VerdictArray,
    cause: CodeArray,
    **limit: FloatArray,
) -> tuple[Outcome, IntArray]:
    """Return the outcome of words, and the deciding row of each cell (P,H,W), -1 for none."""
    shape = evidence.shape
    held = rows.cause != NONE
    verdict[held], cause[held] = HOLD, rows.cause[held]
    room = -cause.astype(np.float64)  # of equal verdicts the graver cause is shown: a crack before a burr
    worst = worst_row(cell, verdict, room, int(np.prod(shape))).reshape(shape)
    by_cell = np.append(verdict, HOLD).astype(np.int8)[worst]
    why = np.append(cause, MISSING).astype(np.int16)[worst]
    result = outcome(
        name, asked, worst >= 0, by_cell, why, word=np.append(rows.word, -1)[worst],
        reading=np.append(rows.label, -1)[worst], **limit,
    )  # fmt: skip
    return result, worst


def plugs_disprove(refused: BoolArray, sizes: Sizes) -> Sizes:
    """Return sizes with a gap wherever a plug disproves the readings (``refused``, (P,H,W))."""
    gap = np.where(refused & (sizes.gap == NONE), CONTRADICTION, sizes.gap).astype(np.int16)
    return replace(sizes, gap=gap)
