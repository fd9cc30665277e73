"""Fixed and floating fasteners: clearance against position tolerance, tilt and side play of an assembly.

H is the hole at maximum material (its least diameter), F the fastener or pin at maximum material (its greatest), T a
diametral position tolerance; all lengths in one unit. Source of the formulas: ASME Y14.5, appendix on formulas for
positional tolerancing (floating H = F + T, fixed H = F + T1 + T2 as textbooks quote them; the form without a projected
zone from memory, unconfirmed).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.quantities import FloatArray

PROJECTED_NOTE = (
    "Fixed fasteners need a projected tolerance zone on the part that holds the pin or thread: without it a pin that "
    "leans inside its zone can foul the other part. With no projected zone use the larger hole that counts the lean."
)


@dataclass(frozen=True, slots=True)
class Affordance:
    """Position tolerance that a clearance affords each part; negative when the parts interfere at maximum material.

    ``floating`` each of two clearance holes may take all of it; ``fixed_each`` hole and pin share equally;
    ``fixed_total`` their sum when shared unequally.
    """

    floating: FloatArray
    fixed_each: FloatArray
    fixed_total: FloatArray


def afforded_tolerance(hole_mmc: ArrayLike, fastener_mmc: ArrayLike) -> Affordance:
    """Return the position tolerance that holes and fasteners afford: floating H - F, fixed (H - F) / 2 each.

    Source: ASME Y14.5 appendix, floating and fixed fastener case.
    """
    gap = np.asarray(hole_mmc, dtype=np.float64) - np.asarray(fastener_mmc, dtype=np.float64)
    return Affordance(gap, 0.5 * gap, gap)


def remaining_tolerance(hole_mmc: ArrayLike, fastener_mmc: ArrayLike, other_tolerance: ArrayLike) -> FloatArray:
    """Return T1 = H - F - T2: what is left for one part of a fixed pair when the other takes its position tolerance."""
    return afforded_tolerance(hole_mmc, fastener_mmc).fixed_total - np.asarray(other_tolerance, dtype=np.float64)


def hole_for_floating(fastener_mmc: ArrayLike, tolerance: ArrayLike) -> FloatArray:
    """Return the least hole H = F + T for floating fasteners; each part has its own T."""
    return np.asarray(fastener_mmc, dtype=np.float64) + np.asarray(tolerance, dtype=np.float64)


def hole_for_fixed(
    fastener_mmc: ArrayLike,
    hole_tolerance: ArrayLike,
    pin_tolerance: ArrayLike,
    projection: ArrayLike = 0.0,
    engagement: ArrayLike = 1.0,
) -> FloatArray:
    """Return the least hole for a fixed fastener: H = F + T1 + T2 with a projected zone on the pin's part.

    Without a projected zone give how far the pin stands out of its part (``projection`` P) and how deep it sits
    (``engagement`` D): H = F + T1 + T2 (1 + 2 P / D). The second form is from memory, unconfirmed; it follows from a
    pin that leans across its zone: over the depth D its axis crosses T2, at P beyond it is off by T2 (1/2 + P / D).

    Raises:
        DataError: an engagement that is not above zero, or a negative projection.
    """
    p, d = np.asarray(projection, dtype=np.float64), np.asarray(engagement, dtype=np.float64)
    if bool((d <= 0.0).any()) or bool((p < 0.0).any()):
        raise DataError("engagement must be above zero and projection not negative")
    lean = np.asarray(pin_tolerance, dtype=np.float64) * (1.0 + 2.0 * p / d)
    return np.asarray(fastener_mmc, dtype=np.float64) + np.asarray(hole_tolerance, dtype=np.float64) + lean


def hole_virtual_condition(mmc: ArrayLike, tolerance: ArrayLike) -> FloatArray:
    """Return the virtual condition of a hole at MMC: least diameter minus position tolerance (ASME Y14.5)."""
    return np.asarray(mmc, dtype=np.float64) - np.asarray(tolerance, dtype=np.float64)


def pin_virtual_condition(mmc: ArrayLike, tolerance: ArrayLike) -> FloatArray:
    """Return the virtual condition of a pin at MMC: greatest diameter plus position tolerance (ASME Y14.5)."""
    return np.asarray(mmc, dtype=np.float64) + np.asarray(tolerance, dtype=np.float64)


def tilt_angle(hole: ArrayLike, pin: ArrayLike, length: ArrayLike) -> FloatArray:
    """Return how far a pin can lean from the hole's axis to either side [rad], any shape; NaN when it doesn't enter.

    ``length`` is the engagement: outer face to outer face of the walls that the pin passes through. The leaning pin
    touches two opposite edges, so D cos t - L sin t = d, t = acos(d / sqrt(D^2 + L^2)) - atan(L / D); for small
    clearance about (D - d) / L.

    Raises:
        DataError: an engagement that is not above zero.
    """
    big, small = np.asarray(hole, dtype=np.float64), np.asarray(pin, dtype=np.float64)
    span = np.asarray(length, dtype=np.float64)
    if bool((span <= 0.0).any()):
        raise DataError("engagement length must be above zero")
    diagonal = np.hypot(big, span)
    # sine form of acos(d / R) - atan2(L, D): no digits are lost when the clearance is small
    height = np.sqrt(np.maximum(diagonal * diagonal - small * small, 0.0))
    sine = (big * height - span * small) / (diagonal * diagonal)
    return np.where(small <= big, np.arcsin(np.clip(sine, 0.0, 1.0)), np.nan)


def side_play(hole: ArrayLike, pin: ArrayLike, length: ArrayLike = 1.0, reach: ArrayLike = 0.0) -> FloatArray:
    """Return the total side play of a pin, from one side to the other, any shape; NaN when it doesn't enter.

    At the hole (``reach`` 0) it is the clearance when the pin stays parallel. At a distance ``reach`` beyond the end of
    the engagement ``length`` a leaning pin swings about the middle of the engagement: 2 (L / 2 + reach) tan t.
    """
    clearance = np.asarray(hole, dtype=np.float64) - np.asarray(pin, dtype=np.float64)
    span, out = np.asarray(length, dtype=np.float64), np.asarray(reach, dtype=np.float64)
    swing = 2.0 * (0.5 * span + out) * np.tan(tilt_angle(hole, pin, span))
    return np.where(clearance >= 0.0, np.maximum(clearance, swing), np.nan)


def pattern_rotation(clearance_a: ArrayLike, clearance_b: ArrayLike, pitch: ArrayLike) -> FloatArray:
    """Return how far two pins in two holes can turn their part to either side [rad], holes and pins at one pitch.

    Each pin can move half its clearance off centre, in opposite senses: tan t = (C_a + C_b) / 2 / pitch.

    Raises:
        DataError: a pitch that is not above zero.
    """
    spacing = np.asarray(pitch, dtype=np.float64)
    if bool((spacing <= 0.0).any()):
        raise DataError("pitch between pins must be above zero")
    half = 0.5 * (np.asarray(clearance_a, dtype=np.float64) + np.asarray(clearance_b, dtype=np.float64))
    return np.where(half >= 0.0, np.arctan(half / spacing), np.nan)
