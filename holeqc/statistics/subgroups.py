"""Readings in subgroups: means, ranges, standard deviations, and sigma within subgroups by four estimates.

Every estimate carries degrees of freedom, so that intervals and limits know how well it is known."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.quantities import FloatArray, IntArray
from holeqc.statistics.basics import as_values, group_index, legendre, mean_step, product_sum, root

# Factors of control charts for any subgroup size, from their definitions, to full double precision.
#
# A normal sample of n values has a mean range of d2 and a standard deviation of range of d3, in units of sigma; its
# standard deviation is c4 sigma on average. Every other factor follows from these three.


_DIRECT_LIMIT = 300  #: up to here the gamma function itself fits in a double
# Gamma(x + 1/2) / Gamma(x) = sqrt(x) * sum of these over x**k, the expansion for large x (Abramowitz & Stegun 6.1.47)
_GAMMA_RATIO = (1.0, -1 / 8, 1 / 128, 5 / 1024, -21 / 32768, -399 / 262144, 869 / 4194304)


@dataclass(frozen=True, slots=True)
class ChartFactors:
    """Factors of subgroups of one size that charts need, named as in ISO 7870-2 and ASTM E2587.

    ``d2`` is the mean range; ``B5``, ``B6`` limit standard deviations and ``D1``, ``D2`` ranges from sigma, ``D4`` the
    ranges from their mean.
    """

    d2: float
    B5: float
    B6: float
    D1: float
    D2: float
    D4: float


def _check(n: int) -> int:
    if n != int(n) or n < 2:
        raise DataError(f"a subgroup size must be a whole number of at least 2; found {n}")
    return int(n)


@lru_cache(maxsize=4096)
def c4(n: int) -> float:
    """Return the mean of the standard deviation (divisor n - 1) of ``n`` normal values, in units of sigma.

    sqrt(2 / (n - 1)) * Gamma(n / 2) / Gamma((n - 1) / 2), ISO 7870-2. Raises ``DataError`` for n below 2.
    """
    n = _check(n)
    x = (n - 1) / 2
    if n <= _DIRECT_LIMIT:
        return math.gamma(x + 0.5) / math.gamma(x) / math.sqrt(x)
    return math.fsum(c / x**k for k, c in enumerate(_GAMMA_RATIO))


@lru_cache(maxsize=4096)
def range_moments(n: int) -> tuple[float, float]:
    """Return (d2, d3): mean and standard deviation of the range of ``n`` normal values, in units of sigma.

    d2 is the integral of 1 - P(range <= w) over w and d3 follows from the integral of 2 w (1 - P(range <= w)); P is
    itself n times the integral of density(x) (Phi(x + w) - Phi(x))**(n - 1). The inner sum is a trapezoid over the
    whole line, which converges faster than any power of its step; the outer one is Gauss-Legendre.
    """
    n = _check(n)
    if n == 2:  # the distance of two values is that of a normal from zero
        return 2 / math.sqrt(math.pi), math.sqrt(2 - 4 / math.pi)
    from scipy.special import log_ndtr, ndtr

    x = np.arange(-10.0, 10.0 + 1e-9, 1 / 16)
    widest = 2 * math.sqrt(2 * math.log(n) + 40)
    nodes, weights = legendre(240)
    w = (nodes + 1) * widest / 2
    inside = np.maximum(ndtr(x[None, :] + w[:, None]) - ndtr(x)[None, :], 1e-300)
    # the upper half of the line repeats the lower one mirrored, where Phi(x + w) - Phi(x) keeps its digits
    flip = x > 0
    inside[:, flip] = np.maximum(ndtr(-x[flip])[None, :] - ndtr(-(x[flip][None, :] + w[:, None])), 1e-300)
    density = np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi) / 16
    below = n * (np.exp((n - 1) * np.log(inside)) @ density)
    outer = weights * widest / 2 * (1 - below)
    t = np.arange(0.0, widest, 1 / 16)
    first = -np.expm1(n * log_ndtr(t)) - np.exp(n * log_ndtr(-t))
    first[0] *= 0.5
    d2 = 2 * float(np.sum(first)) / 16  # the same mean from a one-dimensional integral, with more digits
    second = 2 * float(outer @ w)
    return d2, math.sqrt(second - d2 * d2)


def d2(n: int) -> float:
    """Return the mean range of ``n`` normal values in units of sigma; raises ``DataError`` for n below 2."""
    return range_moments(n)[0]


def d3(n: int) -> float:
    """Return the standard deviation of the range of ``n`` normal values in units of sigma."""
    return range_moments(n)[1]


def for_sizes(factor: Callable[[int], float], sizes: ArrayLike) -> NDArray[np.float64]:
    """Return ``factor`` (c4, d2 or d3) for every subgroup size, shape of ``sizes``; each size is worked out once."""
    wanted = np.asarray(sizes, dtype=np.int64)
    if wanted.size and wanted.min() == wanted.max():
        return np.full(wanted.shape, factor(int(wanted.flat[0])))
    unique, inverse = np.unique(wanted, return_inverse=True)
    return np.array([factor(int(n)) for n in unique])[inverse].reshape(wanted.shape)


@lru_cache(maxsize=1024)
def chart_factors(n: int) -> ChartFactors:
    """Return the factors of three-sigma charts for subgroups of ``n`` values (ISO 7870-2, ASTM E2587).

    A lower limit that would be negative is 0. Raises ``DataError`` for n below 2.
    """
    n = _check(n)
    c, (mean, spread) = c4(n), range_moments(n)
    wide = 3 * math.sqrt(1 - c * c)
    return ChartFactors(
        d2=mean, B5=max(0.0, c - wide), B6=c + wide, D1=max(0.0, mean - 3 * spread), D2=mean + 3 * spread,
        D4=1 + 3 * spread / mean,
    )  # fmt: skip


def _relative_variance_of_sd(dof: float) -> float:
    """Return variance over squared mean of a standard deviation with ``dof`` degrees of freedom (1 / c4**2 - 1)."""
    x = dof / 2
    if dof < _DIRECT_LIMIT:
        ratio = math.exp(math.lgamma(x + 0.5) - math.lgamma(x)) / math.sqrt(x)
        return 1 / ratio**2 - 1
    # 1 / c4**2 - 1 from the squared expansion above: no digits are lost to the subtraction
    return 1 / (4 * x) + 1 / (32 * x**2) - 1 / (128 * x**3) - 5 / (2048 * x**4)


def equivalent_degrees_of_freedom(relative_variance: float) -> float:
    """Return the degrees of freedom of a standard deviation that scatters as much as the given estimate of sigma.

    ``relative_variance`` is variance over squared mean of the estimate. The distribution of a mean range is close to
    that of a standard deviation with these degrees of freedom (Patnaik, Biometrika 37, 1950).
    """
    guess = 1 / (2 * relative_variance)
    return root(lambda v: _relative_variance_of_sd(v) / relative_variance - 1, guess / 4 + 1e-3, 4 * guess + 4)


def moving_range_relative_variance(count: int) -> float:
    """Return variance over squared mean of the mean of ``count`` moving ranges of two neighbouring normal values.

    Neighbouring ranges share a value: their covariance follows from E|XY| of a normal pair correlated by -1/2.
    """
    if count < 1:
        raise DataError("a moving range needs two values")
    mean_square = 4 / math.pi  # d2(2) squared
    single = 2.0 - mean_square
    shared = (4 / math.pi) * (math.sqrt(0.75) + math.asin(0.5) / 2) - mean_square
    return (single / count + 2 * (count - 1) / count**2 * shared) / mean_square


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
        return product_sum((self.sizes[several] - 1).astype(np.float64), self.sds[several] ** 2) / freedom

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

    @property
    def as_deviation(self) -> float:
        """Sigma on the scale of a pooled deviation: ranges are right on average, a deviation is low by c4."""
        return self.sigma if self.method == POOLED else self.sigma / math.sqrt(1 + _relative_variance_of_sd(self.dof))


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


def within_by_neighbours(x: FloatArray) -> Within:
    """Return sigma from the mean moving range of two neighbours over d2(2) = 2 / sqrt(pi) (ISO 7870-2).

    ``x`` (n,) are finite and stand in order of production. Raises ``DataError`` for fewer than two.
    """
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
        return Within(
            math.sqrt(groups.pooled_variance), freedom, POOLED,
            f"pooled standard deviation of {used} subgroups, {freedom} degrees of freedom",
        )  # fmt: skip
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
    return Within(product_sum(weight, each) / total, dof, method, f"mean {text} of {used} subgroups")
