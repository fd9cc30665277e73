"""Worst-case boundaries of holes and pins after ASME Y14.5, and distances to the outline. Numbers in, numbers out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from holeqc.quantities import FloatArray
from holeqc.specification.model import Hole


@dataclass(frozen=True, slots=True)
class Boundaries:
    """Boundaries of a hole of size held in position [kit unit].

    ``inner`` is the largest perfect boundary that always stays inside the hole (virtual condition at MMC, resultant
    condition at LMC), ``outer`` the smallest that always contains it; ``bonus`` the largest bonus tolerance.
    """

    inner: float
    outer: float
    bonus: float


def boundaries(lower: float, upper: float, tolerance: float, condition: str) -> Boundaries:
    """Return the boundaries that limits of size and a diametral position tolerance give an internal feature.

    MMC: virtual condition = lower - tolerance, resultant condition = upper + tolerance + bonus, bonus = upper - lower.
    LMC: virtual condition = upper + tolerance, resultant condition = lower - tolerance - bonus.
    RFS: inner and outer boundary = lower - tolerance and upper + tolerance.

    Source: ASME Y14.5-2009 1.3.51 (resultant condition) and 1.3.67 (virtual condition), 2.11.
    """
    band = upper - lower
    bonus = band if condition in {"MMC", "LMC"} else 0.0
    inner = lower - tolerance - (bonus if condition == "LMC" else 0.0)
    outer = upper + tolerance + (bonus if condition == "MMC" else 0.0)
    return Boundaries(inner, outer, bonus)


def hole_to_hole(hole: Hole) -> Boundaries:
    """Return the boundaries of a hole as the pins of a floating mating part meet it: by the pattern tolerance.

    By the position tolerance where there is no pattern tolerance, by size alone where there is neither.
    """
    p = hole.position
    if p.pattern_tolerance is not None:
        return boundaries(hole.size.lower, hole.size.upper, p.pattern_tolerance, p.pattern_condition)
    return boundaries(hole.size.lower, hole.size.upper, p.tolerance or 0.0, p.condition)


def outline_distance(xy: ArrayLike, outline: ArrayLike) -> FloatArray:
    """Return each point's distance to the nearest side of a closed outline; negative outside it.

    ``xy`` (N,2), ``outline`` (M,2) corners in order, either way round. Even-odd rule for inside.
    """
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 1, 2)
    start = np.asarray(outline, dtype=np.float64)
    side = np.roll(start, -1, axis=0) - start
    squared = np.maximum((side**2).sum(axis=1), np.finfo(np.float64).tiny)
    along = np.clip(((points - start) * side).sum(axis=2) / squared, 0.0, 1.0)
    distance = np.hypot(*np.moveaxis(points - (start + along[..., None] * side), 2, 0)).min(axis=1)
    above = start[:, 1] > points[..., 1]
    crosses = above != np.roll(above, -1, axis=1)
    rise = np.where(side[:, 1] == 0.0, 1.0, side[:, 1])
    left_of = points[..., 0] < start[:, 0] + side[:, 0] * (points[..., 1] - start[:, 1]) / rise
    inside = np.count_nonzero(crosses & left_of, axis=1) % 2 == 1
    return np.where(inside, distance, -distance)


def outline_area(outline: ArrayLike) -> float:
    """Return the area that an outline (M,2) encloses, by the trapezoid sum over its sides."""
    x, y = np.asarray(outline, dtype=np.float64).T
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2.0


def required_edge(hole: Hole) -> float:
    """Return the least distance from centre to edge asked of a hole; NaN where none is asked."""
    asked = [] if hole.edge.minimum is None else [hole.edge.minimum]
    if hole.edge.minimum_diameters is not None:
        asked.append(hole.edge.minimum_diameters * hole.size.upper)
    return max(asked, default=float("nan"))
