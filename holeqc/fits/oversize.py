"""How much larger than itself a drill cuts: a shop's own holes first, else the survey figures.

The survey figures are from memory, unconfirmed, and end at 1/16 and 1 in; beyond them stands the training allowance of
0.05 mm (printed once), with a spread that is our assumption. A shop's own readings replace both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.fits.drills import diameter
from holeqc.fits.loading import load_table
from holeqc.problems import DataError
from holeqc.quantities import MM_PER_INCH, FloatArray, Unit, convert

ALLOWANCE_MM = 0.05  #: training allowance on any drill before reaming (a reaming tutorial of 2023)
SIGMAS = 6.0  #: the survey's least to greatest is taken as so many standard deviations (our assumption)
CARRY = 1.25  #: history of one drill stands for drills up to this ratio of diameters, our choice
BASES = ("shop history", "survey", "allowance")
BASIS_CONFIRMATION = ("measured", "memory", "memory")


@dataclass(frozen=True, slots=True)
class History:
    """Holes that one drill cut in this shop: drill diameter and hole sizes [in], shape (n,)."""

    drill: float
    holes: FloatArray


@dataclass(frozen=True, slots=True)
class ExpectedHoles:
    """Holes that drills are expected to cut [in], one entry a drill.

    ``freedom`` is the degrees of freedom behind ``sd`` (inf for survey figures); ``basis`` an index of `BASES`;
    ``readings`` the number of the shop's own holes behind it, ``history_drill`` the drill that cut them (NaN: none).
    """

    drill: FloatArray
    least: FloatArray
    mean: FloatArray
    greatest: FloatArray
    sd: FloatArray
    freedom: FloatArray
    basis: NDArray[np.int8]
    readings: NDArray[np.int64]
    history_drill: FloatArray

    def share_between(self, lower: float, upper: float) -> FloatArray:
        """Return the share of holes expected between two limits [in], limits included.

        Survey figures count as normal; a shop's own as a new hole of the same process, Student's t with the sample's
        degrees of freedom and sd sqrt(1 + 1/n).
        """
        from scipy.special import ndtr, stdtr

        low, high = (lower - self.mean) / self.sd, (upper - self.mean) / self.sd
        known = np.isfinite(self.freedom)
        freedom = np.where(known, self.freedom, 1.0)
        by_t = stdtr(freedom, high) - stdtr(freedom, low)
        return np.asarray(np.where(known, by_t, ndtr(high) - ndtr(low)))


def history(drill: str | float, holes: ArrayLike, unit: Unit) -> History:
    """Return a shop's own holes of one drill, as `expected_holes` takes them.

    ``drill`` is a name (``29/64``, ``#40``, ``11.5 mm``) or a diameter [unit]; ``holes`` are sizes [unit], NaN left
    out.

    Raises:
        DataError: no hole left, a size that is no positive number, or holes nowhere near the drill.
    """
    size = diameter(drill) if isinstance(drill, str) else float(convert(drill, unit, "in"))
    values = np.asarray(convert(holes, unit, "in"), dtype=np.float64).ravel()
    values = values[~np.isnan(values)]
    if values.size == 0 or not bool((np.isfinite(values) & (values > 0.0)).all()):
        raise DataError("a drill's history needs at least one hole size, each a positive number")
    if not 0.8 * size < float(np.median(values)) < 1.25 * size:
        raise DataError(f"holes of {np.median(values):.4f} in don't belong to a drill of {size:.4f} in; check the unit")
    return History(size, values)


def expected_holes(drills: ArrayLike, histories: Sequence[History] = ()) -> ExpectedHoles:
    """Return the holes that drills of the given diameters [in], shape (n,), are expected to cut.

    The history of the nearest drill stands for a drill when their diameters differ by less than a quarter; its mean
    oversize is carried over. One reading gives a mean but no spread, the survey's spread is kept.
    """
    size = np.atleast_1d(np.asarray(drills, dtype=np.float64))
    least, mean, greatest, inside = _survey(size)
    sd = (greatest - least) / SIGMAS
    basis = np.where(inside, 1, 2).astype(np.int8)
    freedom = np.full(size.shape, np.inf)
    readings = np.zeros(size.shape, dtype=np.int64)
    source = np.full(size.shape, np.nan)
    if histories:
        tools, over, spread, counts = _pooled(histories)
        nearest = np.abs(np.log(size[:, None] / tools[None, :])).argmin(axis=1)
        near = np.abs(np.log(size / tools[nearest])) <= np.log(CARRY)
        count = counts[nearest]
        several = near & (count > 1)
        mean = np.where(near, over[nearest], mean)
        sd = np.where(several, spread[nearest] * np.sqrt(1.0 + 1.0 / count), sd)
        sd = np.maximum(sd, 1e-7)  # equal readings: a spread below any gauge's, never zero
        freedom = np.where(several, count - 1.0, freedom)
        least, greatest = (np.where(near, mean + k * SIGMAS / 2.0 * sd, x) for k, x in ((-1.0, least), (1.0, greatest)))
        basis = np.where(near, 0, basis).astype(np.int8)
        readings = np.where(near, count, 0)
        source = np.where(near, tools[nearest], np.nan)
    return ExpectedHoles(size, size + least, size + mean, size + greatest, sd, freedom, basis, readings, source)


def _pooled(histories: Sequence[History]) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.int64]]:
    """Drills, mean oversize, its sd and number of holes; the same drill given twice is one history."""
    tools = np.unique(np.round([entry.drill for entry in histories], 9))
    groups = [
        np.concatenate([entry.holes - entry.drill for entry in histories if abs(entry.drill - tool) < 1e-8])
        for tool in tools.tolist()
    ]
    over = np.array([group.mean() for group in groups])
    spread = np.array([group.std(ddof=1) if group.size > 1 else np.nan for group in groups])
    return tools, over, spread, np.array([group.size for group in groups], dtype=np.int64)


@cache
def _survey_table() -> tuple[FloatArray, FloatArray]:
    rows = load_table("drill_oversize").rows
    return (
        np.array([float(row["drill"]) for row in rows]),
        np.array([[float(row[name]) for name in ("least", "mean", "greatest")] for row in rows]),
    )


def _survey(size: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    drill, figures = _survey_table()
    inside = (size >= drill[0]) & (size <= drill[-1])
    allowance = ALLOWANCE_MM / MM_PER_INCH
    outside = (0.0, allowance, 2.0 * allowance)
    least, mean, greatest = (
        np.where(inside, np.interp(size, drill, figures[:, k]), outside[k]) for k in range(3)
    )  # fmt: skip
    return least, mean, greatest, inside
