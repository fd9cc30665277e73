"""Position in the datum frame: diametral deviation of each axis against stated tolerance plus bonus.

ASME Y14.5: the deviation is 2 sqrt(dx^2 + dy^2); the bonus at MMC is the departure of the actual mating size from the
lower limit, at LMC that of the actual minimum material size from the upper limit, never below 0 and never more than the
size tolerance. An axis through two walls is judged at both."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from holeqc.inspection.decision import COARSE, as_compared, decide, inside_zone, limit_decimals, room, uncertainty_ratio
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.results import (
    ACCEPT,
    GUARD_BAND,
    HOLD,
    MISSING,
    NONE,
    PATTERN_INCOMPLETE,
    REJECT,
    TOO_UNCERTAIN,
    UNKNOWN_PART,
    CodeArray,
    Outcome,
    VerdictArray,
    any_code,
    first_row,
    largest_or_unknown,
    mean,
    outcome,
    worst_row,
)
from holeqc.inspection.size import Sizes, codes_over_walls, mating_size, over_walls, size_limits
from holeqc.quantities import CALCULATED, GRAIN, BoolArray, FloatArray, IntArray
from holeqc.specification.model import Specification

# Where the axes of the holes are: measured minus basic position, wall by wall.


@dataclass(frozen=True, slots=True)
class Places:
    """Measured axes. ``basic``, ``xy`` and ``off`` = xy - basic are (P,H,W,2), the others (P,H,W).

    ``uncertainty`` is U of one coordinate, the larger of both. ``gap``: cause why a coordinate is not known;
    ``weak``: why those that are known prove nothing. ``reading``: label of the reading of the coordinate that is
    further off, -1.
    """

    basic: FloatArray
    xy: FloatArray
    off: FloatArray
    uncertainty: FloatArray
    gap: CodeArray
    weak: CodeArray
    reading: IntArray
    in_pattern: FloatArray  #: U of one coordinate with the pattern floating, as ``uncertainty`` where it was read
    no_datum: CodeArray  #: why the place from the edges isn't known though the pattern is
    derived: BoolArray  #: from distances

    @property
    def of_pattern(self) -> Places:
        """The same with U as the floating pattern has it."""
        return replace(self, uncertainty=self.in_pattern)

    @property
    def from_edges(self) -> Places:
        """The same without what only the pattern is known of."""
        lost = self.no_datum != NONE
        gap = np.where(lost & (self.gap == NONE), self.no_datum, self.gap).astype(np.int16)
        gone = lost[..., None]
        return replace(self, xy=np.where(gone, np.nan, self.xy), off=np.where(gone, np.nan, self.off), gap=gap)

    @property
    def known(self) -> BoolArray:
        """Where both coordinates are known (P,H,W)."""
        return np.asarray(np.isfinite(self.off).all(axis=-1))

    def of_parts(self, parts: IntArray) -> Places:
        """Return the axes of some parts."""
        return Places(*(getattr(self, name)[parts] for name in self.__slots__))


def find_places(evidence: Evidence) -> Places:
    """Return the measured axis of each hole in each wall.

    A coordinate read several times is one quantity read again: its mean is taken (JCGM 100, 4.2.1), unlike sizes,
    where each reading is a size of its own. Doubted readings are left out. Basic positions are laid in the frame of
    the part's own readings, mirrored where the kit says so.
    """
    spec = evidence.spec
    shape = evidence.shape
    drawn = np.array([(h.x, h.y) for h in spec.holes], dtype=np.float64).reshape(1, -1, 1, 2)
    basic = np.broadcast_to(drawn * evidence.parts.signs[:, None, None, :], (*shape, 2))
    sides = [_coordinate(evidence, name) for name in ("x", "y")]
    xy = np.stack([side[0] for side in sides], axis=-1)
    off = xy - basic
    uncertainty = np.maximum(sides[0][1], sides[1][1])
    lacking = np.maximum(sides[0][2], sides[1][2])
    gap = np.where(np.isfinite(xy).all(axis=-1), NONE, np.where(lacking == NONE, MISSING, lacking)).astype(np.int16)
    unknown = np.isnan(evidence.parts.signs[:, 0])
    gap[unknown] = UNKNOWN_PART
    further_y = np.abs(off[..., 1]) > np.abs(off[..., 0])
    reading = np.where(further_y, sides[1][4], sides[0][4])
    weak = np.maximum(sides[0][3], sides[1][3])
    found = evidence.networks
    if found is None:
        nothing = np.zeros(shape, dtype=np.int16)
        return Places(basic, xy, off, uncertainty, gap, weak, reading, uncertainty, nothing, nothing != NONE)
    unread = np.isnan(xy).any(axis=-1)
    gap = np.where(unread & (found.gap != NONE) & (gap == MISSING), found.gap, gap).astype(np.int16)
    reading = np.where(unread & (reading < 0), found.label, reading)
    return Places(
        basic, xy, off, uncertainty, gap, weak, reading, np.where(found.derived, found.in_pattern, uncertainty),
        np.where(found.derived, found.no_datum, NONE).astype(np.int16), found.derived,
    )  # fmt: skip


def _coordinate(evidence: Evidence, name: str) -> tuple[FloatArray, FloatArray, CodeArray, CodeArray, IntArray]:
    """Return mean, U, cause of a gap, cause of weakness and label of the first reading, each (P,H,W)."""
    rows = evidence.rows[name]
    shape = evidence.shape
    cells = int(np.prod(shape))
    cell = rows.cell(*shape[1:])
    sure = np.flatnonzero(~rows.doubted & ~np.isnan(rows.value))
    doubt = any_code(cell, np.where(rows.doubted, rows.cause, NONE), cells)
    rows, cell = rows.take(sure), cell[sure]
    value = mean(cell, rows.value, cells)
    weak = any_code(cell, rows.cause, cells)
    label = first_row(cell, rows.label, cells)
    uncertainty = largest_or_unknown(cell, rows.uncertainty, cells)
    # A doubted reading beside a sure one of the same coordinate: which of them is right is not known.
    weak = np.where((weak == NONE) & ~np.isnan(value), doubt, weak)
    return tuple(a.reshape(shape) for a in (value, uncertainty, doubt, weak, label))  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class Zones:
    """Position zones of axes. ``stated`` and ``most`` (largest bonus) are (H,1), the others (P,H,W); diameters.

    ``departure`` is the size's departure from its material limit, NaN where no size is known; ``bonus`` is that, held
    between 0 and ``most``; ``uncertainty`` is U of the departure. ``gap`` and ``weak`` are those of the sizes, 0
    where no size counts.
    """

    stated: FloatArray
    most: FloatArray
    departure: FloatArray
    uncertainty: FloatArray
    gap: CodeArray
    weak: CodeArray

    @property
    def bonus(self) -> FloatArray:
        """Bonus tolerance, NaN where no size is known and one counts (P,H,W)."""
        return np.where(self.most > 0.0, np.clip(self.departure, 0.0, self.most), 0.0)

    @property
    def largest_bonus(self) -> FloatArray:
        """The most that the bonus can be: readings that are not there can only make it smaller."""
        return np.where(np.isnan(self.bonus), self.most, self.bonus)


def position_zones(spec: Specification, sizes: Sizes, *, pattern: bool) -> Zones:
    """Return the position zones of a kit's holes, of the upper segment or (``pattern``) of hole to hole.

    Where ``walls.bonus_from_both`` the size that counts is the smallest mating size (LMC: the largest reading) of all
    walls.
    """
    both = spec.walls.bonus_from_both
    limits = size_limits(spec)
    asked = [(h.position.pattern_tolerance if pattern else h.position.tolerance) for h in spec.holes]
    words = [(h.position.pattern_condition if pattern else h.position.condition) for h in spec.holes]
    at_mmc = np.array([word == "MMC" for word in words])[:, None]
    counts = at_mmc | np.array([word == "LMC" for word in words])[:, None]
    stated = np.array([np.nan if t is None else t for t in asked])[:, None]
    largest = over_walls(sizes.largest, np.fmax) if both else sizes.largest
    departure = np.where(at_mmc, mating_size(sizes, both) - limits.lower, limits.upper - largest)
    uncertainty = over_walls(sizes.uncertainty, np.maximum) if both else sizes.uncertainty
    gap, weak = (codes_over_walls(c) if both else c for c in (sizes.gap, sizes.weak))
    most = np.where(counts, limits.upper - limits.lower, 0.0)
    gap = np.where(np.isnan(departure) & (gap == NONE), MISSING, gap)
    return Zones(
        stated, most, departure, np.where(counts, uncertainty, 0.0), np.where(counts, gap, NONE).astype(np.int16),
        np.where(counts, weak, NONE).astype(np.int16),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Judged:
    """Verdicts on axes in zones, all (P,H,W), before they become rows."""

    verdict: VerdictArray
    cause: CodeArray
    actual: FloatArray
    uncertainty: FloatArray


def judge_position(evidence: Evidence, places: Places, zones: Zones) -> Outcome:
    """Return the verdict on position in the datum frame of each hole and wall."""
    places = places.from_edges
    actual = 2.0 * np.hypot(places.off[..., 0], places.off[..., 1])
    return position_outcome(evidence, "position", places, zones, actual)


def _hold_uncertain(judged: Judged, places: Places, compared: FloatArray, total: FloatArray) -> None:
    """Hold positions from distances that their U doesn't let decide.

    Where U is as large as the tolerance nothing is judged; where it is more than a quarter of it, what lies within U of
    the limit is held, under any rule: a coordinate machine is chosen for its tolerance, calipers are what is at hand.
    """
    u = judged.uncertainty
    known = places.derived & np.isfinite(compared)
    none = known & ~(u < total)
    near = known & ~none & (u > COARSE * total) & (np.abs(compared - total) <= u)
    for where, cause in ((none, TOO_UNCERTAIN), (near & (judged.verdict != HOLD), GUARD_BAND)):
        judged.verdict[where], judged.cause[where] = HOLD, cause


def judge_axes(spec: Specification, places: Places, zones: Zones, actual: FloatArray) -> Judged:
    """Return verdicts on diametral deviations ``actual`` (P,H,W) against zones, under the kit's decision rule.

    U of what is compared is 2 U of a coordinate, and with it U of the size where the bonus lies between none and all of
    it (JCGM 100, 5.1.2). Where sizes are not all known, an axis is accepted if it needs no bonus, rejected if the
    largest possible bonus doesn't help, and held between.
    """
    rule = spec.decision
    decimals = _decimals(spec, zones)
    compared = as_compared(actual, decimals)
    total = zones.stated + zones.largest_bonus
    free = (zones.departure > 0.0) & (zones.departure < zones.most)
    of_bonus = np.where(free | (np.isnan(zones.departure) & (zones.most > 0.0)), zones.uncertainty, 0.0)
    uncertainty = np.hypot(2.0 * places.uncertainty, of_bonus)
    if rule.rule == "simple":
        uncertainty = np.where(np.isnan(actual), np.nan, uncertainty)
    verdict, cause = decide(compared, np.nan, total, uncertainty, rule, CALCULATED)
    gapped = (zones.gap != NONE) & (verdict != REJECT)
    if gapped.any():
        without, _ = decide(compared, np.nan, zones.stated, 2.0 * places.uncertainty, rule, CALCULATED)
        sure = gapped & (without == ACCEPT)
        verdict[sure], cause[sure] = ACCEPT, NONE
        open_ = gapped & ~sure
        verdict[open_], cause[open_] = HOLD, zones.gap[open_]
    for code in (zones.weak, places.weak):
        held = code != NONE
        verdict[held], cause[held] = HOLD, code[held]
    judged = Judged(verdict, cause, actual, uncertainty)
    if places.derived.any():
        _hold_uncertain(judged, places, compared, np.broadcast_to(total, compared.shape))
    lacking = np.isnan(actual)
    verdict[lacking] = HOLD
    cause[lacking] = np.where(places.gap != NONE, places.gap, MISSING)[lacking]
    return judged


def _decimals(spec: Specification, zones: Zones) -> IntArray:
    stated = zones.stated[:, 0]
    each = [limit_decimals(spec.rounding, t, h.size.lower) for t, h in zip(stated, spec.holes, strict=True)]
    return np.array([-1 if d is None else d for d in each])[:, None]


def position_outcome(
    evidence: Evidence, name: str, places: Places, zones: Zones, actual: FloatArray, judged: Judged | None = None
) -> Outcome:
    """Return rows of position from diametral deviations (P,H,W)."""
    spec = evidence.spec
    judged = judged or judge_axes(spec, places, zones, actual)
    toleranced = ~np.isnan(zones.stated)
    walls = np.array([w in spec.plan.position_walls for w in spec.walls.names]) & spec.plan.position
    total = zones.stated + zones.bonus
    compared = as_compared(actual, _decimals(spec, zones))
    deviation, left = room(compared, np.nan, total, CALCULATED)
    chance = inside_zone(
        0.5 * actual, zones.stated, zones.departure, zones.most, 0.5 * places.uncertainty, 0.5 * zones.uncertainty
    )
    if name == "position" and spec.datum_shift is None and evidence.networks is not None:
        from holeqc.distances import position_conformance

        ellipse = position_conformance(places.off[..., None, :], evidence.networks.covariance, total[..., None])[..., 0]
        chance = np.where(places.derived, ellipse, chance)  # the size's own uncertainty is small beside it
    chance = np.where(judged.cause == PATTERN_INCOMPLETE, np.nan, chance)  # that of a pattern of fewer holes
    return outcome(
        name, toleranced & walls, toleranced & np.isfinite(actual), judged.verdict, judged.cause, found=actual,
        upper=total, stated=zones.stated, bonus=zones.bonus, deviation=deviation, left=left,
        uncertainty=judged.uncertainty, ratio=uncertainty_ratio(total, judged.uncertainty), probability=chance,
        reading=np.where(np.isfinite(actual), places.reading, -1),
    )  # fmt: skip


# Distance from the centre of a hole to the nearest edge of the part.


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
    spec, places = evidence.spec, places.from_edges
    parts, holes, _ = evidence.shape
    minimum = least_distance(evidence, sizes)
    found, uncertainty, cause, label, read = _readings(evidence)
    by_distances = np.zeros(read.shape, dtype=np.bool_)
    if spec.outline:
        worked, of_worked, wall = _worked_out(evidence, places)
        use = ~read & np.isfinite(worked)
        found, uncertainty = np.where(use, worked, found), np.where(use, of_worked, uncertainty)
        each, hole = np.ogrid[:parts, :holes]
        cause = np.where(use, places.weak[each, hole, wall], cause).astype(np.int16)
        by_distances = use & places.derived[each, hole, wall]
    decimals = [limit_decimals(spec.rounding, h.edge.minimum or np.nan, h.size.upper) for h in spec.holes]
    compared = as_compared(found, np.array([-1 if d is None else d for d in decimals]))
    grain = np.where(read, GRAIN, CALCULATED)
    verdict, why = decide(compared, minimum, np.nan, uncertainty, spec.decision, grain)
    near = by_distances & (np.abs(compared - minimum) <= uncertainty)
    verdict[near], why[near] = HOLD, GUARD_BAND
    planned = np.array([wall in spec.plan.position_walls for wall in spec.walls.names])
    gap = np.where(planned, places.gap, NONE).max(axis=2)  # where x and y aren't to be read nothing is missing
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
