"""Pin-pattern gauge: can all pins of the mating assembly drop into the holes together, and with how much to spare?

A gauge in the plane. The pins are one rigid body, parallel to each other and perpendicular to the wall; they may be
turned and moved as a body, by any angle, never tilted or bent. A pin is in its hole when the distance of their axes is
no more than half the difference of their diameters. Walls that are drilled apart count as rows of their own: the same
pin stands once in the row of the near hole and once in that of the far one.

The pins' diameters are the caller's business: the pins as they are, or at their worst, that is at virtual condition
(ASME Y14.5). The result says nothing about pins that tilt, holes that aren't round or square to the wall, or burrs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from holeqc.inspection.minimax import best_motion
from holeqc.inspection.pin_gauge_float import PinFloat, available_float
from holeqc.inspection.pin_gauge_input import Floats, array, checked, common, parts_of, per_row, points
from holeqc.inspection.pin_gauge_reaming import Reaming, smallest_reaming

__all__ = [
    "PatternFit",
    "PinFit",
    "PinFloat",
    "Reaming",
    "available_float",
    "pin_pattern_margin",
    "smallest_reaming",
    "zone_margin",
]


@dataclass(frozen=True, slots=True)
class PatternFit:
    """The best motion of a rigid pattern for each of B parts.

    Parameters
    ----------
    margin : (B,) largest radial margin m, in the unit of the input; NaN where a number of the part is missing
    rotation : (B,) angle of that motion [rad], counter-clockwise, in (-pi, pi], about the origin of the coordinates
    translation : (B, 2) shift that follows the rotation: a pattern point p comes to ``R p + translation``
    binding : (B, N) the rows that allow no more: their slack is zero at this motion
    gap : (B,) proved limit of error: no motion has a margin above ``margin + gap``

    Where one row alone decides (its hole is the tightest by far), many motions are best; one well inside is given.
    """

    margin: Floats
    rotation: Floats
    translation: Floats
    binding: npt.NDArray[np.bool_]
    gap: Floats


@dataclass(frozen=True, slots=True)
class PinFit(PatternFit):
    """A :class:`PatternFit` of pins, and ``enters`` (B,): the margin is zero or more, up to rounding of the input.

    A part with a missing number doesn't enter and has a NaN margin: tell the two apart before a verdict.
    """

    enters: npt.NDArray[np.bool_]


def pin_pattern_margin(
    pin_xy: npt.ArrayLike, hole_xy: npt.ArrayLike, hole_diameter: npt.ArrayLike, pin_diameter: npt.ArrayLike
) -> PinFit:
    """Find the largest margin m with which the whole pin pattern enters the holes of each part.

    Over every rotation R and translation t, exactly and for all angles (nothing is linearised, no start is trusted), m
    is the largest number with ``|R pin_i + t - hole_i| <= (hole_diameter_i - pin_diameter_i) / 2 - m`` for every row i.
    At ``m >= 0`` all pins enter together.

    Parameters
    ----------
    pin_xy : (N, 2) pin axes in the mating assembly [any unit of length, the same everywhere]
    hole_xy : (B, N, 2) or (N, 2) hole axes of B parts, row i belonging to pin i; NaN where not measured
    hole_diameter : (B, N) or (N,) sizes; NaN where not measured
    pin_diameter : (B, N) or (N,) sizes

    Returns
    -------
    PinFit, with NaN for each part that has a hole not measured; other parts aren't touched by it

    Raises
    ------
    DataError : shapes that don't belong together, infinite numbers, a missing pin, a diameter below zero

    Source: a pattern of holes against its virtual condition, ASME Y14.5 (the boundary that no hole may cut); method and
    proof of the best motion: :mod:`holeqc.inspection.minimax` and :mod:`holeqc.inspection.minimax_certificate`.
    """
    gauge = checked(pin_xy, hole_xy, hole_diameter, pin_diameter)
    fit = best_motion(gauge.pin, gauge.hole, gauge.clearance)
    return PinFit(fit.margin, fit.rotation, fit.translation, fit.binding, fit.gap, enters=fit.margin >= gauge.least)


def zone_margin(
    pattern_xy: npt.ArrayLike, target_xy: npt.ArrayLike, zone_radius: npt.ArrayLike, *, rotate: bool = True
) -> PatternFit:
    """Float a pattern to its best: the largest m with ``|R pattern_i + t - target_i| <= zone_radius_i - m`` for all i.

    For the lower segment of a composite position tolerance (pattern locating apart from the datums, ASME Y14.5):
    ``pattern_xy`` the basic positions, ``target_xy`` the measured axes, ``zone_radius`` half of tolerance plus bonus.
    The pattern conforms at ``m >= 0``. With zero radii, ``-2 m`` is the pattern's own diametral position.

    Parameters
    ----------
    pattern_xy : (N, 2) [any unit of length, the same everywhere]
    target_xy : (B, N, 2) or (N, 2); NaN where not measured
    zone_radius : (B, N), (N,) or a number; may be below zero; NaN where not known
    rotate : False keeps the angle and frees the translation alone; without radii that is the smallest enclosing circle
        of the deviations

    Returns
    -------
    PatternFit, with NaN for each part that has a number missing

    Raises
    ------
    DataError : shapes that don't belong together, infinite numbers, a missing pattern point
    """
    pattern = points("pattern_xy", pattern_xy)
    rows = len(pattern)
    target = parts_of("target_xy", target_xy, rows)
    radius = array("zone_radius", zone_radius)
    radius = per_row("zone_radius", np.full(rows, radius) if radius.ndim == 0 else radius, rows)
    parts = common({"target_xy": len(target), "zone_radius": len(radius)})
    target = np.broadcast_to(target, (parts, rows, 2))
    fit = best_motion(pattern, target, np.broadcast_to(radius, (parts, rows)), rotate=rotate)
    return PatternFit(fit.margin, fit.rotation, fit.translation, fit.binding, fit.gap)
