"""Input of the pin gauge: shapes that belong together, numbers that are there, and messages that say what isn't."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from holeqc.problems import DataError

Floats = npt.NDArray[np.float64]

AT_LIMIT = 1e-9  #: a margin below zero by this part of the largest diameter is rounding and counts as zero


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

    @property
    def least(self) -> Floats:
        """The margin (B,) that counts as zero: what rounding of the input may take from it."""
        return -AT_LIMIT * np.maximum(self.hole_diameter, self.pin_diameter).max(axis=1)


def checked(
    pin_xy: npt.ArrayLike, hole_xy: npt.ArrayLike, hole_diameter: npt.ArrayLike, pin_diameter: npt.ArrayLike
) -> Gauge:
    """Check the input of a pin gauge and bring it to full shapes.

    Raises
    ------
    DataError : as :func:`pin_pattern_margin` says
    """
    pin = points("pin_xy", pin_xy)
    rows = len(pin)
    hole = parts_of("hole_xy", hole_xy, rows)
    size = per_row("hole_diameter", hole_diameter, rows)
    pin_size = per_row("pin_diameter", pin_diameter, rows)
    no_missing("pin_diameter", pin_size)
    for name, value in (("hole_diameter", size), ("pin_diameter", pin_size)):
        if np.any(value < 0):
            raise DataError(f"{name} holds a size below zero: {np.nanmin(value):g}; sizes are zero or more")
    parts = common({"hole_xy": len(hole), "hole_diameter": len(size), "pin_diameter": len(pin_size)})
    return Gauge(
        pin,
        np.broadcast_to(hole, (parts, rows, 2)),
        np.broadcast_to(size, (parts, rows)),
        np.broadcast_to(pin_size, (parts, rows)),
    )


def array(name: str, value: npt.ArrayLike) -> Floats:
    """Return numbers, none of them infinite; raise DataError otherwise."""
    try:
        given = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise DataError(f"{name} holds something that is no number: {error}; give numbers, NaN if missing") from error
    if np.isinf(given).any():
        raise DataError(f"{name} holds an infinite number; give finite numbers, NaN where not measured")
    return given


def no_missing(name: str, value: Floats) -> None:
    """Raise DataError where a number that is needed is missing."""
    if np.isnan(value).any():
        raise DataError(f"{name} has {int(np.isnan(value).sum())} missing numbers; every one of them is needed")


def points(name: str, value: npt.ArrayLike) -> Floats:
    """Return points (N, 2), all there; raise DataError otherwise."""
    given = array(name, value)
    if given.ndim != 2 or given.shape[1] != 2 or not len(given):
        raise DataError(f"{name} has shape {given.shape}; (N, 2) with N of at least 1 is needed")
    no_missing(name, given)
    return given


def parts_of(name: str, value: npt.ArrayLike, rows: int) -> Floats:
    """Return points of parts (B, N, 2), B being 1 where the input has no parts; raise DataError on another shape."""
    given = array(name, value)
    if given.ndim not in (2, 3) or given.shape[-2:] != (rows, 2):
        raise DataError(f"{name} has shape {given.shape}; (B, {rows}, 2) or ({rows}, 2) is needed for {rows} rows")
    return given if given.ndim == 3 else given[None]


def per_row(name: str, value: npt.ArrayLike, rows: int) -> Floats:
    """Return numbers of rows (B, N), B being 1 where the input has no parts; raise DataError on another shape."""
    given = array(name, value)
    if given.ndim not in (1, 2) or given.shape[-1] != rows:
        raise DataError(f"{name} has shape {given.shape}; (B, {rows}) or ({rows},) is needed for {rows} rows")
    return given if given.ndim == 2 else given[None]


def common(counts: dict[str, int]) -> int:
    """Return the number of parts B; an array without its own parts serves them all."""
    several = {name: count for name, count in counts.items() if count != 1}
    if len(set(several.values())) > 1:
        found = ", ".join(f"{name} has {count}" for name, count in several.items())
        raise DataError(f"different numbers of parts: {found}; give the same B, or one for all")
    return next(iter(several.values()), 1)
