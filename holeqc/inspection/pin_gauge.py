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
from holeqc.problems import DataError

Floats = npt.NDArray[np.float64]

AT_LIMIT = 1e-9  #: a margin below zero by this part of the largest pin is rounding and counts as zero


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


@dataclass(frozen=True, slots=True)
class Gauge:
    """Checked input: ``pin`` (N, 2), ``hole`` (B, N, 2), ``hole_diameter`` and ``pin_diameter`` (B, N)."""

    pin: Floats
    hole: Floats
    hole_diameter: Floats
    pin_diameter: Floats

    @property
    def clearance(self) -> Floats:
        """Half the difference of the diameters (B, N), negative where the pin is larger."""
        return (self.hole_diameter - self.pin_diameter) / 2


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
    least = -AT_LIMIT * gauge.pin_diameter.max(axis=1)
    return PinFit(fit.margin, fit.rotation, fit.translation, fit.binding, fit.gap, enters=fit.margin >= least)


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
    pattern = _points("pattern_xy", pattern_xy)
    rows = len(pattern)
    target = _parts("target_xy", target_xy, rows)
    radius = np.asarray(zone_radius, dtype=np.float64)
    radius = _per_row("zone_radius", np.full(rows, radius) if radius.ndim == 0 else radius, rows)
    parts = _common({"target_xy": len(target), "zone_radius": len(radius)})
    target = np.broadcast_to(target, (parts, rows, 2))
    fit = best_motion(pattern, target, np.broadcast_to(radius, (parts, rows)), rotate=rotate)
    return PatternFit(fit.margin, fit.rotation, fit.translation, fit.binding, fit.gap)


def checked(
    pin_xy: npt.ArrayLike, hole_xy: npt.ArrayLike, hole_diameter: npt.ArrayLike, pin_diameter: npt.ArrayLike
) -> Gauge:
    """Check the input of a pin gauge and bring it to full shapes.

    Raises
    ------
    DataError : as :func:`pin_pattern_margin` says
    """
    pin = _points("pin_xy", pin_xy)
    rows = len(pin)
    hole = _parts("hole_xy", hole_xy, rows)
    size = _per_row("hole_diameter", hole_diameter, rows)
    pin_size = _per_row("pin_diameter", pin_diameter, rows)
    _no_missing("pin_diameter", pin_size)
    for name, value in (("hole_diameter", size), ("pin_diameter", pin_size)):
        if np.any(value < 0):
            raise DataError(f"{name} holds a size below zero: {np.nanmin(value):g}; sizes are zero or more")
    parts = _common({"hole_xy": len(hole), "hole_diameter": len(size), "pin_diameter": len(pin_size)})
    return Gauge(
        pin,
        np.broadcast_to(hole, (parts, rows, 2)),
        np.broadcast_to(size, (parts, rows)),
        np.broadcast_to(pin_size, (parts, rows)),
    )


def _array(name: str, value: npt.ArrayLike) -> Floats:
    try:
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise DataError(f"{name} holds something that is no number: {error}; give numbers, NaN if missing") from error
    if np.isinf(array).any():
        raise DataError(f"{name} holds an infinite number; give finite numbers, NaN where not measured")
    return array


def _no_missing(name: str, array: Floats) -> None:
    if np.isnan(array).any():
        raise DataError(f"{name} has {int(np.isnan(array).sum())} missing numbers; every one of them is needed")


def _points(name: str, value: npt.ArrayLike) -> Floats:
    array = _array(name, value)
    if array.ndim != 2 or array.shape[1] != 2 or not len(array):
        raise DataError(f"{name} has shape {array.shape}; (N, 2) with N of at least 1 is needed")
    _no_missing(name, array)
    return array


def _parts(name: str, value: npt.ArrayLike, rows: int) -> Floats:
    array = _array(name, value)
    if array.ndim not in (2, 3) or array.shape[-2:] != (rows, 2):
        raise DataError(f"{name} has shape {array.shape}; (B, {rows}, 2) or ({rows}, 2) is needed for {rows} rows")
    return array if array.ndim == 3 else array[None]


def _per_row(name: str, value: npt.ArrayLike, rows: int) -> Floats:
    array = _array(name, value)
    if array.ndim not in (1, 2) or array.shape[-1] != rows:
        raise DataError(f"{name} has shape {array.shape}; (B, {rows}) or ({rows},) is needed for {rows} rows")
    return array if array.ndim == 2 else array[None]


def _common(counts: dict[str, int]) -> int:
    """Return the number of parts B; an array without its own parts serves them all."""
    several = {name: count for name, count in counts.items() if count != 1}
    if len(set(several.values())) > 1:
        found = ", ".join(f"{name} has {count}" for name, count in several.items())
        raise DataError(f"different numbers of parts: {found}; give the same B, or one for all")
    return next(iter(several.values()), 1)
