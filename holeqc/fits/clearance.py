"""Clearance of pins in holes: limits, measured parts, at temperature, with wear. Diameters in one length unit.

A clearance is hole minus pin; an interference is a negative clearance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.quantities import GRAIN, REFERENCE_TEMPERATURE_C, FloatArray

EXPANSION_PER_C = {
    "aluminium": (23.1e-6, "one source"),  # NIST, Swyt 1994
    "steel": (11.5e-6, "one source"),  # NIST, Swyt 1994; other tables give 11.2e-6 to 14.6e-6
    "titanium 6Al-4V": (8.6e-6, "memory"),
}  #: linear expansion [1/°C] near 20 °C and how it is known


@dataclass(frozen=True, slots=True)
class Band:
    """Least and greatest diameter, arrays of one shape; equal for a measured part."""

    lower: FloatArray
    upper: FloatArray


@dataclass(frozen=True, slots=True)
class Condition:
    """What a part goes through: expansion [1/°C], its temperature [°C] and wear on the diameter (never negative)."""

    per_c: float = 0.0
    temperature_c: float = REFERENCE_TEMPERATURE_C
    wear: float = 0.0


@dataclass(frozen=True, slots=True)
class Clearance:
    """Least and greatest clearance, arrays of the bands' common shape.

    ``allowance`` is the clearance at maximum material of both parts (ANSI B4.1), so the least one; ``kind`` is
    ``clearance``, ``transition`` or ``interference`` (ISO 286-1).
    """

    least: FloatArray
    greatest: FloatArray
    kind: NDArray[np.str_]

    @property
    def allowance(self) -> FloatArray:
        """Prescribed difference between the parts at maximum material, negative for interference."""
        return self.least


def band(lower: ArrayLike, upper: ArrayLike | None = None) -> Band:
    """Return a band of diameters; one argument stands for measured sizes, each its own band.

    Raises:
        DataError: a limit that is not a positive number, or a low limit above its high limit.
    """
    low = np.asarray(lower, dtype=np.float64)
    low, high = np.broadcast_arrays(low, low if upper is None else np.asarray(upper, dtype=np.float64))
    if not bool((np.isfinite(low) & np.isfinite(high) & (low > 0.0)).all()):
        raise DataError("a diameter must be a positive number; check the limits for blanks, zeros and signs")
    if bool((low > high + GRAIN).any()):
        raise DataError("a band's low limit is above its high limit; give the low limit first")
    return Band(low, high)


def limits(hole: Band, pin: Band) -> Clearance:
    """Return least and greatest clearance of a hole band and a pin band (same unit, shapes that broadcast).

    Source: ANSI B4.1-1967 and ISO 286-1, definitions of clearance, interference and allowance.
    """
    return _clearance(hole.lower - pin.upper, hole.upper - pin.lower)


def under(hole: Band, pin: Band, hole_condition: Condition, pin_condition: Condition) -> Clearance:
    """Return the clearance after wear and at temperature; both bands are sizes at 20 °C.

    A diameter at temperature T is d (1 + a (T - 20)), exact for a constant coefficient. Wear opens the hole and thins
    the pin before they expand. Least clearance takes unworn parts, since wear is what may come on top; greatest takes
    both worn.

    Raises:
        DataError: wear below zero.
    """
    if hole_condition.wear < 0.0 or pin_condition.wear < 0.0:
        raise DataError("wear is given as an amount on the diameter, never below zero")
    hole_scale, pin_scale = _scale(hole_condition), _scale(pin_condition)
    least = hole.lower * hole_scale - pin.upper * pin_scale
    worn_hole, worn_pin = hole.upper + hole_condition.wear, pin.lower - pin_condition.wear
    return _clearance(least, worn_hole * hole_scale - worn_pin * pin_scale)


def between_measured(holes: ArrayLike, pins: ArrayLike) -> FloatArray:
    """Return the clearance of every measured hole with every measured pin, shape (holes, pins).

    Raises:
        DataError: a size that is no positive number.
    """
    hole, pin = band(holes).lower, band(pins).lower
    return np.atleast_1d(hole)[:, None] - np.atleast_1d(pin)[None, :]


def temperature_of_no_clearance(hole: ArrayLike, pin: ArrayLike, hole_per_c: float, pin_per_c: float) -> FloatArray:
    """Return the common temperature [°C] at which a pin's clearance in a hole is gone; NaN where it never is.

    Sizes at 20 °C. From hole (1 + a_h dT) = pin (1 + a_p dT): dT = (hole - pin) / (a_p pin - a_h hole).
    """
    h, p = np.asarray(hole, dtype=np.float64), np.asarray(pin, dtype=np.float64)
    rate = pin_per_c * p - hole_per_c * h
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(rate == 0.0, np.nan, REFERENCE_TEMPERATURE_C + (h - p) / rate)


def kind_of(least: ArrayLike, greatest: ArrayLike) -> NDArray[np.str_]:
    """Return ``clearance``, ``transition`` or ``interference`` for least and greatest clearances, any shape."""
    low, high = np.asarray(least, dtype=np.float64), np.asarray(greatest, dtype=np.float64)
    words = np.where(low >= -GRAIN, "clearance", np.where(high <= GRAIN, "interference", "transition"))
    return np.asarray(words, dtype=np.str_)


def _scale(condition: Condition) -> float:
    return 1.0 + condition.per_c * (condition.temperature_c - REFERENCE_TEMPERATURE_C)


def _clearance(least: FloatArray, greatest: FloatArray) -> Clearance:
    low, high = np.asarray(least), np.asarray(greatest)
    return Clearance(low, high, kind_of(low, high))
