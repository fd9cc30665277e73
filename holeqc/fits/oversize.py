"""How much larger than itself a drill cuts: a shop's own holes first, else the survey figures.

The survey figures are from memory, unconfirmed, and end at 1/16 and 1 in; beyond them stands the training allowance of
0.05 mm (printed once), with a spread that is our assumption. A shop's own readings replace both as soon as there are
`LEAST_HOLES` of one drill; fewer give no spread that means anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.fits.drills import diameter, drill_table
from holeqc.fits.loading import load_table
from holeqc.problems import DataError
from holeqc.quantities import MM_PER_INCH, FloatArray, Unit, convert, format_length

ALLOWANCE_MM = 0.05  #: training allowance on any drill before reaming (a reaming tutorial of 2023)
GRID = 100  #: points of each pivot behind the interval of a share
SIGMAS = 6.0  #: the survey's least to greatest is taken as so many standard deviations (our assumption)
ROUNDED = 0.000051  #: [in] a typed diameter so near to a standard drill is that drill, rounded to four decimals
LEAST_HOLES = 3  #: of one drill before a shop's own holes count, our choice
BELONGS = 3.0  #: times the survey's greatest oversize: a hole larger than its drill by more is a slip (ours)
CARRY = 1.25  #: history of one drill stands for drills up to this ratio of diameters, our choice
BASES = ("shop history", "survey", "allowance")
BASIS_CONFIRMATION = ("measured", "memory", "memory")


@dataclass(frozen=True, slots=True)
class History:
    """Holes that one drill cut in this shop: drill diameter and hole sizes [in], shape (n,); its name as typed."""

    drill: float
    holes: FloatArray
    name: str = ""


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

    def share_interval(self, lower: float, upper: float, confidence: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Return an interval for the share of holes between two limits [in], NaN where no own holes stand behind it.

        Normal holes: true mean and sd are spread by their pivots, z and chi-square, taken at `GRID` x `GRID` equally
        likely points; the ends are quantiles of the shares. Source: generalised confidence interval, Weerahandi 1993.
        """
        from scipy.special import chdtri, ndtr, ndtri

        gap = np.maximum(lower - self.greatest, self.least - upper)  # drills far off the limits have no share to bound
        own = np.flatnonzero(np.isfinite(self.freedom) & (gap < self.greatest - self.least))
        ends = np.full((2, self.drill.size), np.nan)
        if own.size:
            points = (np.arange(GRID) + 0.5) / GRID
            freedom, count = self.freedom[own, None, None], self.readings[own, None, None]
            sample = self.sd[own, None, None] / np.sqrt(1.0 + 1.0 / count)
            sd = sample * np.sqrt(freedom / chdtri(freedom, points[None, :, None]))
            mean = self.mean[own, None, None] + ndtri(points)[None, None, :] * sd / np.sqrt(count)
            share = (ndtr((upper - mean) / sd) - ndtr((lower - mean) / sd)).reshape(own.size, -1)
            ends[:, own] = np.quantile(share, (0.5 - 0.5 * confidence, 0.5 + 0.5 * confidence), axis=1)
        return ends[0], ends[1]


def history(drill: str | float, holes: ArrayLike, unit: Unit) -> History:
    """Return a shop's own holes of one drill, as `expected_holes` takes them.

    ``drill`` is a name (``29/64``, ``#40``, ``11.5 mm``; a bare decimal is in ``unit``) or a diameter [unit]; ``holes``
    are sizes [unit], NaN left out.

    Raises:
        DataError: no such drill, no hole left, a size that is no positive number, or a hole that doesn't belong to the
            drill or to the other holes: most likely a slip, to be corrected or left out.
    """
    size = _nearest_standard(diameter(drill, unit) if isinstance(drill, str) else float(convert(drill, unit, "in")))
    name = drill.strip() if isinstance(drill, str) else f"{drill:g} {unit}"
    values = np.asarray(convert(holes, unit, "in"), dtype=np.float64).ravel()
    values = values[~np.isnan(values)]
    if values.size == 0 or not bool((np.isfinite(values) & (values > 0.0)).all()):
        raise DataError(f"history of drill {name}: at least one hole size is needed, each a positive number")
    _refuse_slips(name, size, values, unit)
    return History(size, values, name)


def check_histories(histories: Sequence[History], unit: Unit) -> None:
    """Raise DataError when holes of one drill, given in several histories, don't belong together; told in ``unit``."""
    for name, tool, holes in holes_of_drills(histories):
        _refuse_slips(name, tool, holes, unit)


def _nearest_standard(size: float) -> float:
    """A fraction drill typed to four decimals, 0.4531, is 29/64."""
    sizes = drill_table().diameter_in
    nearest = float(sizes[np.abs(sizes - size).argmin()])
    return nearest if abs(nearest - size) <= ROUNDED else size


def _refuse_slips(name: str, size: float, values: FloatArray, unit: Unit) -> None:
    """A mean with a slip in it is worth nothing, so nothing is computed until the slip is corrected or left out."""
    greatest = float(_survey(np.array([size]))[2][0])
    foreign = (values < max(0.8 * size, size - greatest)) | (values > min(CARRY * size, size + BELONGS * greatest))
    apart = np.zeros(values.shape, dtype=np.bool_)
    if values.size >= LEAST_HOLES:
        away = np.abs(values - np.median(values))
        apart = away > np.maximum(greatest, 6.0 * 1.4826 * np.median(away))
    bad = np.flatnonzero(foreign | apart)
    if bad.size:
        shown = ", ".join(_as_typed(float(value), unit) for value in values[bad])
        meant = _meant(float(values[bad[0]]), size, size - greatest, size + BELONGS * greatest, unit)
        likely = f"; {meant}" if meant else ""
        what = f"a drill of {_as_typed(size, unit)} {unit}" if foreign.any() else "the drill's other holes"
        raise DataError(
            f"history of drill {name}: {shown} {unit} doesn't belong to {what}{likely}. Correct it or leave it out: "
            "nothing is computed with it"
        )


def _as_typed(value_in: float, unit: Unit) -> str:
    return format_length(float(convert(value_in, "in", unit)), unit)


def _meant(value: float, size: float, low: float, high: float, unit: Unit) -> str:
    """What was most likely meant by a size [in] that can't be right, in words; empty when nothing suggests itself."""
    for factor in (0.1, 10.0):
        if low <= factor * value <= high:
            return f"most likely the point is one place off: {_as_typed(factor * value, unit)}"
    other: Unit = "mm" if unit == "in" else "in"
    factor = 1.0 / MM_PER_INCH if unit == "in" else MM_PER_INCH
    if low <= factor * value <= high:
        typed = float(convert(value, "in", unit))
        return f"it looks like {other}: write {typed:g}{other}"
    return f"for a number drill write #{size:g}" if size >= 2.0 and size == int(size) and size <= 80 else ""


def expected_holes(drills: ArrayLike, histories: Sequence[History] = ()) -> ExpectedHoles:
    """Return the holes that drills of the given diameters [in], shape (n,), are expected to cut.

    The history of the nearest drill stands for a drill when their diameters differ by less than a quarter; its mean
    oversize is carried over. A drill with fewer than `LEAST_HOLES` holes counts as not tried.
    """
    size = np.atleast_1d(np.asarray(drills, dtype=np.float64))
    least, mean, greatest, inside = _survey(size)
    sd = (greatest - least) / SIGMAS
    basis = np.where(inside, 1, 2).astype(np.int8)
    freedom = np.full(size.shape, np.inf)
    readings = np.zeros(size.shape, dtype=np.int64)
    source = np.full(size.shape, np.nan)
    tools, over, spread, counts = _pooled(histories)
    if tools.size:
        nearest = np.abs(np.log(size[:, None] / tools[None, :])).argmin(axis=1)
        near = np.abs(np.log(size / tools[nearest])) <= np.log(CARRY)
        count = counts[nearest]
        mean = np.where(near, over[nearest], mean)
        sd = np.where(near, spread[nearest] * np.sqrt(1.0 + 1.0 / count), sd)
        sd = np.maximum(sd, 1e-7)  # equal readings: a spread below any gauge's, never zero
        freedom = np.where(near, count - 1.0, freedom)
        least, greatest = (np.where(near, mean + k * SIGMAS / 2.0 * sd, x) for k, x in ((-1.0, least), (1.0, greatest)))
        basis = np.where(near, 0, basis).astype(np.int8)
        readings = np.where(near, count, 0)
        source = np.where(near, tools[nearest], np.nan)
    return ExpectedHoles(size, size + least, size + mean, size + greatest, sd, freedom, basis, readings, source)


def holes_of_drills(histories: Sequence[History]) -> list[tuple[str, float, FloatArray]]:
    """Return name, diameter [in] and all holes [in] of each drill; the same drill given twice is one history."""
    tools = np.unique(np.round([entry.drill for entry in histories], 9)).tolist()
    same = [[entry for entry in histories if abs(entry.drill - tool) < 1e-8] for tool in tools]
    return [(e[0].name, e[0].drill, np.concatenate([entry.holes for entry in e])) for e in same]


def _pooled(histories: Sequence[History]) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.int64]]:
    """Drills tried often enough, mean oversize, its sd and number of holes."""
    groups = [(tool, holes - tool) for _, tool, holes in holes_of_drills(histories) if holes.size >= LEAST_HOLES]
    return (
        np.array([tool for tool, _ in groups]),
        np.array([over.mean() for _, over in groups]),
        np.array([over.std(ddof=1) for _, over in groups]),
        np.array([over.size for _, over in groups], dtype=np.int64),
    )


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
