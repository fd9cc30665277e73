"""Position in the datum frame: diametral deviation of each axis against stated tolerance plus bonus.

ASME Y14.5: the deviation is 2 sqrt(dx^2 + dy^2); the bonus at MMC is the departure of the actual mating size from the
lower limit, at LMC that of the actual minimum material size from the upper limit, never below 0 and never more than the
size tolerance. An axis through two walls is judged at both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from holeqc.inspection.causes import MISSING, NONE, PATTERN_INCOMPLETE
from holeqc.inspection.decision import as_compared, decide, limit_decimals, room, uncertainty_ratio
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.grouping import CodeArray, IntArray, VerdictArray
from holeqc.inspection.outcome import Outcome, outcome
from holeqc.inspection.places import Places
from holeqc.inspection.probability import inside_zone
from holeqc.inspection.results import ACCEPT, HOLD, REJECT
from holeqc.inspection.size import Sizes, codes_over_walls, mating_size, over_walls, size_limits
from holeqc.quantities import CALCULATED, FloatArray
from holeqc.specification.model import Specification


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
    actual = 2.0 * np.hypot(places.off[..., 0], places.off[..., 1])
    return position_outcome(evidence, "position", places, zones, actual)


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
    lacking = np.isnan(actual)
    verdict[lacking] = HOLD
    cause[lacking] = np.where(places.gap != NONE, places.gap, MISSING)[lacking]
    return Judged(verdict, cause, actual, uncertainty)


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
    chance = np.where(judged.cause == PATTERN_INCOMPLETE, np.nan, chance)  # that of a pattern of fewer holes
    return outcome(
        name, toleranced & walls, toleranced & np.isfinite(actual), judged.verdict, judged.cause, found=actual,
        upper=total, stated=zones.stated, bonus=zones.bonus, deviation=deviation, left=left,
        uncertainty=judged.uncertainty, ratio=uncertainty_ratio(total, judged.uncertainty), probability=chance,
        reading=np.where(np.isfinite(actual), places.reading, -1),
    )  # fmt: skip


def with_zones(zones: Zones, **changes: FloatArray) -> Zones:
    """Return zones with some fields replaced."""
    return replace(zones, **changes)  # type: ignore[arg-type]
