"""Readings in subgroups: means, ranges, standard deviations, and sigma within subgroups by four estimates.

Every estimate carries degrees of freedom, so that intervals and limits know how well it is known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.statistics.basics import FloatArray, IntArray, as_values, dot, group_index, mean_step
from holeqc.statistics.constants import (
    c4,
    d2,
    d3,
    equivalent_degrees_of_freedom,
    for_sizes,
    moving_range_relative_variance,
)

POOLED = "pooled"
RANGE = "range"
SD = "sd"
MOVING_RANGE = "moving-range"
WITHIN_METHODS = (POOLED, RANGE, SD, MOVING_RANGE)


@dataclass(frozen=True, slots=True)
class Subgroups:
    """Summary of k subgroups in order of first appearance.

    ``labels``, ``sizes``, ``means``, ``ranges``, ``sds`` have shape (k,); the standard deviation of a single value is
    NaN. ``scattered`` counts subgroups whose readings are not next to each other.
    """

    labels: Sequence[str]
    sizes: IntArray
    means: FloatArray
    ranges: FloatArray
    sds: FloatArray
    scattered: int = 0

    def __len__(self) -> int:
        return self.sizes.size

    @property
    def count(self) -> int:
        """Number of readings in all subgroups together."""
        return int(self.sizes.sum())

    @property
    def pooled_variance(self) -> float:
        """Variance within subgroups, over all of them; NaN when every subgroup has one reading."""
        freedom = self.count - len(self)
        if freedom < 1:
            return math.nan
        several = self.sizes > 1
        return dot((self.sizes[several] - 1).astype(np.float64), self.sds[several] ** 2) / freedom

    @property
    def equal_size(self) -> int | None:
        """The size that all subgroups share, or None."""
        return int(self.sizes[0]) if bool(np.all(self.sizes == self.sizes[0])) else None


@dataclass(frozen=True, slots=True)
class Within:
    """Sigma within subgroups: estimate, degrees of freedom (whole or equivalent), method and how it was found."""

    sigma: float
    dof: float
    method: str
    words: str


class Numbered(Sequence[str]):
    """The labels '1', '2', ... of unnamed points, made when asked for."""

    def __init__(self, count: int) -> None:
        self._count = count

    def __len__(self) -> int:
        return self._count

    @overload
    def __getitem__(self, index: int) -> str: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[str]: ...
    def __getitem__(self, index: int | slice) -> str | Sequence[str]:
        numbers = range(1, self._count + 1)
        return str(numbers[index]) if isinstance(index, int) else [str(i) for i in numbers[index]]


def _from_rows(rows: FloatArray, labels: Sequence[str]) -> Subgroups:
    k, n = rows.shape
    columns = np.ascontiguousarray(rows.T)  # sums over a few readings run fast only along the long axis
    means = columns.sum(axis=0)
    means /= n
    columns -= means
    late = columns.sum(axis=0)
    late /= n
    means += late
    ranges = columns.max(axis=0)
    ranges -= columns.min(axis=0)
    sds = np.full(k, math.nan)
    if n > 1:
        columns -= late
        columns *= columns
        sds = columns.sum(axis=0)
        sds /= n - 1
        np.sqrt(sds, out=sds)
    return Subgroups(labels, np.full(k, n), means, ranges, sds)


def subgroup_rows(rows: ArrayLike, labels: Sequence[str] | None = None) -> Subgroups:
    """Summarise subgroups of one size given as the rows of a matrix, shape (k, n), without missing readings.

    Raises ``DataError`` for another shape or readings that are not finite.
    """
    matrix = np.asarray(rows, dtype=float)
    if matrix.ndim != 2 or not matrix.size:
        raise DataError(f"subgroups as rows need a matrix; found shape {matrix.shape}")
    if not np.isfinite(matrix).all():
        raise DataError("a matrix of subgroups can't hold missing readings; give values with labels instead")
    return _from_rows(matrix, labels or Numbered(matrix.shape[0]))


def subgroup_labels(values: ArrayLike, labels: ArrayLike) -> Subgroups:
    """Summarise ``values`` (n,) by the subgroup each belongs to, ``labels`` (n,); NaN values are left out.

    Subgroups may differ in size and stand in order of first appearance. Raises ``DataError`` for lengths that differ
    or when nothing is left.
    """
    x = as_values(values)
    names = np.asarray(labels).ravel()
    if names.size != x.size:
        raise DataError(f"{x.size} readings but {names.size} subgroup labels")
    taken = ~np.isnan(x)
    x, names = x[taken], names[taken]
    if not x.size:
        raise DataError("there is no reading in any subgroup")
    kinds, place = group_index(names)
    k = kinds.size
    steps = np.diff(place)
    scattered = 0
    if np.any(steps < 0):
        blocks = np.bincount(place[np.concatenate([[True], steps != 0])], minlength=k)
        scattered = int(np.count_nonzero(blocks > 1))
        order = np.argsort(place, kind="stable")
        x, place = x[order], place[order]
    sizes = np.bincount(place, minlength=k)
    text = tuple(str(v) for v in kinds.tolist())
    if bool(np.all(sizes == sizes[0])):
        rows = _from_rows(x.reshape(k, -1), text)
        return Subgroups(text, rows.sizes, rows.means, rows.ranges, rows.sds, scattered)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    means = np.add.reduceat(x, starts) / sizes
    means = means + np.add.reduceat(x - means[place], starts) / sizes
    rest = x - means[place]
    squares = np.add.reduceat(rest * rest, starts)
    sds = np.full(k, math.nan)
    several = sizes > 1
    sds[several] = np.sqrt(squares[several] / (sizes[several] - 1))
    ranges = np.maximum.reduceat(x, starts) - np.minimum.reduceat(x, starts)
    return Subgroups(text, sizes, means, ranges, sds, scattered)


def moving_ranges(values: NDArray[np.float64]) -> FloatArray:
    """Return the differences of neighbouring readings without sign, shape (n - 1,)."""
    return np.abs(values[1:] - values[:-1])


def within_by_moving_range(values: ArrayLike) -> Within:
    """Return sigma from the mean moving range of two neighbours over d2(2) = 2 / sqrt(pi) (ISO 7870-2).

    ``values`` (n,) stand in order of production; NaN is left out. Raises ``DataError`` for fewer than two.
    """
    x = as_values(values)
    if math.isnan(float(x.sum())):
        x = x[~np.isnan(x)]
    return within_by_neighbours(x)


def within_by_neighbours(x: FloatArray) -> Within:
    """Return `within_by_moving_range` of readings that are known to be finite."""
    if x.size < 2:
        raise DataError("a moving range needs at least two readings")
    count = x.size - 1
    dof = equivalent_degrees_of_freedom(moving_range_relative_variance(count))
    words = f"mean of {count} moving ranges of two neighbours over d2 = 1.1284"
    return Within(mean_step(x) / d2(2), dof, MOVING_RANGE, words)


def within_by_subgroups(groups: Subgroups, method: str = POOLED) -> Within:
    """Return sigma within subgroups by ``method``: ``pooled``, ``range`` or ``sd``.

    Pooled is the root of the pooled variance, not divided by c4, so that chi-square intervals hold exactly. Range
    and sd are the mean of R / d2 and of s / c4; unequal subgroups are weighted by the inverse of their variance, so
    that equal ones give the plain mean range over d2 and mean standard deviation over c4. Raises ``DataError`` for
    an unknown method or when no subgroup has two readings.
    """
    with_scatter = groups.sizes > 1
    used = int(np.count_nonzero(with_scatter))
    if not used:
        raise DataError("no subgroup has two readings: scatter within subgroups can't be told")
    several = slice(None) if used == len(groups) else with_scatter
    sizes = groups.sizes[several]
    if method == POOLED:
        freedom = groups.count - len(groups)
        return Within(math.sqrt(groups.pooled_variance), freedom, POOLED,
                      f"pooled standard deviation of {used} subgroups, {freedom} degrees of freedom")
    if method == RANGE:
        mean, spread = for_sizes(d2, sizes), for_sizes(d3, sizes)
        each, weight = groups.ranges[several] / mean, (mean / spread) ** 2
        text = "range over d2"
    elif method == SD:
        mean = for_sizes(c4, sizes)
        each, weight = groups.sds[several] / mean, mean**2 / (1 - mean**2)
        text = "standard deviation over c4"
    else:
        raise DataError(f"unknown estimate '{method}' of the scatter within; allowed: {', '.join(WITHIN_METHODS)}")
    total = float(weight.sum())
    dof = equivalent_degrees_of_freedom(1 / total)
    return Within(dot(weight, each) / total, dof, method, f"mean {text} of {used} subgroups")
