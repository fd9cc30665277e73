"""Readings in subgroups, and tests for special causes on a series of points."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.quantities import BoolArray, FloatArray, IntArray
from holeqc.statistics.basics import as_values, group_index, legendre, mean_step, normal_density, product_sum, root

# ----------------------------------------------------------------------------------------------------------------------
# Means, ranges, standard deviations, and sigma within subgroups by four estimates.
#
# Every estimate carries degrees of freedom, so that intervals and limits know how well it is known.

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


# ----------------------------------------------------------------------------------------------------------------------
# Tests for special causes on a series of points, each named in plain words.
#
# The eight patterns are those of Nelson (Journal of Quality Technology 16, 1984, 237-239). Points are taken in units of
# their own sigma about the centre line, so that subgroups of unequal size share one set of tests.

BEYOND_LIMITS = "beyond_limits"
SAME_SIDE = "same_side"
STEADY_DRIFT = "steady_drift"
UP_AND_DOWN = "up_and_down"
TWO_OF_THREE_FAR = "two_of_three_far"
FOUR_OF_FIVE_OFF = "four_of_five_off"
HUGGING_CENTRE = "hugging_centre"
AVOIDING_CENTRE = "avoiding_centre"

#: a point typed as the limit lies on the limit, whatever binary fractions make of it
EDGE = 1e-9


@dataclass(frozen=True, slots=True)
class SpecialCauseTest:
    """One test: its key, what it looks for, how many points its window has, and what it usually means."""

    key: str
    pattern: str
    window: int
    meaning: str


TESTS = {
    t.key: t
    for t in (
        SpecialCauseTest(
            BEYOND_LIMITS,
            "one point beyond three sigma from the centre line",
            1,
            "something happened at this point that the usual scatter doesn't explain",
        ),
        SpecialCauseTest(
            SAME_SIDE,
            "nine points in a row on one side of the centre line",
            9,
            "the level has moved and stayed there: set-up, tool, gauge or material changed",
        ),
        SpecialCauseTest(
            STEADY_DRIFT,
            "six points in a row each higher than the last, or each lower",
            6,
            "something moves steadily one way: wear, warming up, loosening",
        ),
        SpecialCauseTest(
            UP_AND_DOWN,
            "fourteen points in a row going up and down by turns",
            14,
            "two sources take turns, or somebody corrects after every point",
        ),
        SpecialCauseTest(
            TWO_OF_THREE_FAR,
            "two of three points in a row beyond two sigma on the same side",
            3,
            "early word of a large shift of level or of more scatter",
        ),
        SpecialCauseTest(
            FOUR_OF_FIVE_OFF,
            "four of five points in a row beyond one sigma on the same side",
            5,
            "early word of a small shift of level",
        ),
        SpecialCauseTest(
            HUGGING_CENTRE,
            "fifteen points in a row within one sigma of the centre line",
            15,
            "the limits are too wide for these points: subgroups mix sources, or readings were smoothed",
        ),
        SpecialCauseTest(
            AVOIDING_CENTRE,
            "eight points in a row beyond one sigma, on both sides",
            8,
            "points come from two levels: two set-ups, bushings or gauges in one series",
        ),
    )
}
ALL_TESTS = tuple(TESTS)
#: with nothing wrong these two signal once in 217 points, all eight once in 73: a long chart would nearly always signal
DEFAULT_TESTS = (BEYOND_LIMITS, SAME_SIDE)


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal: the test, the points that made it and where it was complete, both counted from 1.

    ``side`` is ``above``, ``below``, ``rising``, ``falling`` or empty. Of a cumulative sum the points run from where it
    left zero to where it crossed, and ``until`` is the last point at which it lay beyond; 0 for other charts.
    """

    test: str
    points: tuple[int, ...]
    at: tuple[int, ...]
    side: str
    meaning: str
    until: int = 0


def check_tests(tests: Iterable[str]) -> tuple[str, ...]:
    """Return the tests in their usual order, each once; raises ``DataError`` for an unknown key."""
    wanted = list(tests)
    unknown = [t for t in wanted if t not in TESTS]
    if unknown:
        raise DataError(f"unknown test {', '.join(map(repr, unknown))}; allowed: {', '.join(ALL_TESTS)}")
    return tuple(t for t in ALL_TESTS if t in wanted)


def run_lengths(condition: BoolArray) -> IntArray:
    """Return for each place along the first axis how many Trues in a row end there; shape of ``condition``."""
    index = np.arange(1, condition.shape[0] + 1, dtype=np.int32)
    index = index.reshape((-1,) + (1,) * (condition.ndim - 1))
    last_false = np.maximum.accumulate(np.where(condition, 0, index), axis=0)
    return np.asarray(index - last_false)


def _recent(condition: BoolArray, others: int, needed: int) -> BoolArray:
    """Tell where the condition holds and held at least ``needed`` times at the ``others`` points before."""
    count = np.zeros(condition.shape, dtype=np.int8)
    for back in range(1, others + 1):
        count[back:] += condition[:-back]
    return condition & (count >= needed)


def _steps(z: FloatArray) -> FloatArray:
    """Return the step that leads to each point, 0 for the first and for a step within rounding."""
    steps = np.zeros_like(z)
    steps[1:] = z[1:] - z[:-1]
    steps[np.abs(steps) <= EDGE] = 0.0
    return steps


def _sided(z: FloatArray, test: str) -> dict[str, BoolArray]:
    """Return for each side of a test where it is complete, shape of ``z``."""
    if test == BEYOND_LIMITS:
        return {"above": z > 3 + EDGE, "below": z < -3 - EDGE}
    if test == SAME_SIDE:
        return {"above": run_lengths(z > EDGE) >= 9, "below": run_lengths(z < -EDGE) >= 9}
    if test == TWO_OF_THREE_FAR:
        return {"above": _recent(z > 2 + EDGE, 2, 1), "below": _recent(z < -2 - EDGE, 2, 1)}
    if test == FOUR_OF_FIVE_OFF:
        return {"above": _recent(z > 1 + EDGE, 4, 3), "below": _recent(z < -1 - EDGE, 4, 3)}
    if test == HUGGING_CENTRE:
        return {"": run_lengths(np.abs(z) < 1 - EDGE) >= 15}
    if test == AVOIDING_CENTRE:
        above, below = run_lengths(z > 1 + EDGE), run_lengths(z < -1 - EDGE)
        return {"": (run_lengths(np.abs(z) > 1 + EDGE) >= 8) & (np.maximum(above, below) < 8)}
    steps = _steps(z)
    if test == STEADY_DRIFT:
        return {"rising": run_lengths(steps > 0) >= 5, "falling": run_lengths(steps < 0) >= 5}
    turns = np.zeros(z.shape, dtype=bool)
    turns[1:] = steps[1:] * steps[:-1] < 0
    return {"": run_lengths(turns) >= 12}


def signal_masks(z: ArrayLike, tests: Iterable[str] = ALL_TESTS) -> dict[str, BoolArray]:
    """Return for each test where along the first axis it is complete; shape of ``z`` for each.

    ``z`` (n,) or (n, series) is (point - centre) / sigma of the point. A point on the centre line or on a zone's
    edge counts for no side; equal neighbours end a drift. Raises ``DataError`` for an unknown test.
    """
    points = np.asarray(z, dtype=float)
    masks = {}
    for test in check_tests(tests):
        sides = list(_sided(points, test).values())
        masks[test] = sides[0] | sides[1] if len(sides) > 1 else sides[0]
    return masks


def stretches(mask: BoolArray, reach: int = 1) -> tuple[list[int], list[int], list[int]]:
    """Return (places of Trues, where each stretch of them begins, where it ends).

    Trues that are at most ``reach`` apart belong to one stretch; beginnings and ends count along the places.
    """
    at = np.flatnonzero(mask)
    cuts = np.flatnonzero(at[1:] - at[:-1] > reach) + 1
    return at.tolist(), [0, *cuts.tolist()], [*cuts.tolist(), at.size]


def find_signals(z: ArrayLike, tests: Iterable[str] = ALL_TESTS) -> tuple[Signal, ...]:
    """Return the signals of a series ``z`` (n,), in order of where they begin.

    Overlapping windows of one test and side make one signal that holds all their points.
    """
    points = np.asarray(z, dtype=float).ravel()
    found: list[Signal] = []
    for test in check_tests(tests):
        window, meaning = TESTS[test].window, TESTS[test].meaning
        bound = {TWO_OF_THREE_FAR: 2.0, FOUR_OF_FIVE_OFF: 1.0}.get(test)
        for side, mask in _sided(points, test).items():
            at, begins, ends = stretches(mask, 1 if bound is None else window - 1)
            if not at:
                continue
            for begin, end in zip(begins, ends, strict=True):
                members = range(max(0, at[begin] - window + 1) + 1, at[end - 1] + 2)
                made = tuple(members)
                if bound is not None:  # only the points that lie far enough out made this signal
                    sign = 1.0 if side == "above" else -1.0
                    made = tuple(p for p in members if sign * points[p - 1] > bound + EDGE)
                found.append(Signal(test, made, tuple(p + 1 for p in at[begin:end]), side, meaning))
    return tuple(sorted(found, key=lambda s: (s.points[0], ALL_TESTS.index(s.test))))


# Average run length: how many points pass, on average, before a chart gives a signal.
#
# With nothing wrong it is the price in false alarms; after a shift it is the delay. Points are independent, normal and
# judged by known limits.


#: tests that depend only on the zone a point falls in; their chain has few states and is solved exactly
ZONE_TESTS = (BEYOND_LIMITS, SAME_SIDE, TWO_OF_THREE_FAR, FOUR_OF_FIVE_OFF, HUGGING_CENTRE, AVOIDING_CENTRE)
#: zones as (side, sigma below which the point lies): 1 is within one sigma, 4 beyond three
ZONES = ((-1, 4), (-1, 3), (-1, 2), (-1, 1), (1, 1), (1, 2), (1, 3), (1, 4))
SIMULATED_CHARTS, SEED = 8000, 1
#: all eight tests on a process that stays put: 2 000 000 simulated charts (50 runs of 40 000, seeds 2024 to 2073)
ALL_TESTS_IN_CONTROL = (73.43, 0.05)


@dataclass(frozen=True, slots=True)
class RunLength:
    """Average run length in points, its standard error (0 when not simulated) and how it was found."""

    mean: float
    standard_error: float
    method: str


def zone_probabilities(shift: float = 0.0) -> tuple[float, ...]:
    """Return the chance of each of `ZONES` for a normal point whose mean is off by ``shift`` sigma."""
    from scipy.special import ndtr

    edges = np.array([-np.inf, -3, -2, -1, 0, 1, 2, 3, np.inf])
    return tuple(np.diff(ndtr(edges - shift)).tolist())


#: run on one side, recent points far out, recent points off centre, points near, points outside, of these same side
_State = tuple[int, tuple[int, ...], tuple[int, ...], int, int, int]


def _sided_history(state: tuple[int, ...], side: int, far: bool, length: int) -> tuple[int, ...]:
    return (*state, side if far else 0)[-length:]


def _next_state(state: _State, zone: tuple[int, int], tests: tuple[str, ...]) -> _State | None:
    """Return the state after a point in ``zone``, or None when a test is complete."""
    side, level = zone
    if BEYOND_LIMITS in tests and level == 4:
        return None
    run, far, off, near, outside, same = state
    if SAME_SIDE in tests:
        run = run + side if run * side > 0 else side
        if abs(run) >= 9:
            return None
    if TWO_OF_THREE_FAR in tests:
        if level >= 3 and side in far:
            return None
        far = _sided_history(far, side, level >= 3, 2)
    if FOUR_OF_FIVE_OFF in tests:
        if level >= 2 and off.count(side) >= 3:
            return None
        off = _sided_history(off, side, level >= 2, 4)
    if HUGGING_CENTRE in tests:
        near = near + 1 if level == 1 else 0
        if near >= 15:
            return None
    if AVOIDING_CENTRE in tests:
        outside = min(outside + 1, 8) if level > 1 else 0
        if level == 1:
            same = 0
        elif same * side <= 0:
            same = side
        elif abs(same) < 8:
            same += side
        if outside >= 8 and abs(same) < 8:
            return None
    return (run, far, off, near, outside, same)


@lru_cache(maxsize=32)
def _chain(tests: tuple[str, ...]) -> tuple[int, list[tuple[int, int, int]]]:
    """Return (number of states, moves as (from, to, zone)); a move that signals is left out."""
    start: _State = (0, (), (), 0, 0, 0)
    places: dict[_State, int] = {start: 0}
    queue, moves = [start], []
    for state in queue:
        for z, zone in enumerate(ZONES):
            after = _next_state(state, zone, tests)
            if after is None:
                continue
            if after not in places:
                places[after] = len(queue)
                queue.append(after)
            moves.append((places[state], places[after], z))
    return len(queue), moves


def _solve_chain(tests: tuple[str, ...], chances: tuple[float, ...]) -> float:
    from scipy.sparse import coo_matrix, identity
    from scipy.sparse.linalg import spsolve

    count, moves = _chain(tests)
    if not moves:
        return 1.0
    table = np.array(moves)
    chance = np.asarray(chances)[table[:, 2]]
    matrix = coo_matrix((chance, (table[:, 0], table[:, 1])), shape=(count, count))
    lengths = spsolve((identity(count, format="csc") - matrix.tocsc()).tocsc(), np.ones(count))
    return float(np.atleast_1d(lengths)[0])


def _simulate(
    tests: tuple[str, ...], shift: float, charts: int = SIMULATED_CHARTS, seed: int = SEED
) -> tuple[float, float]:
    """Return (mean, standard error) of the first signal's place over simulated charts."""
    rng = np.random.default_rng(seed)
    overlap = 16  #: more than any window needs
    total = squares = 0.0
    history = np.zeros((0, charts))
    passed = 0
    while history.shape[1]:
        live = history.shape[1]
        fresh = rng.normal(shift, 1.0, (max(64, min(512, 400_000 // live)), live))
        series = np.concatenate([history, fresh])
        hit = np.zeros(series.shape, dtype=bool)
        for mask in signal_masks(series, tests).values():
            hit |= mask
        hit = hit[history.shape[0] :]
        done = hit.any(axis=0)
        first = passed + 1.0 + np.argmax(hit[:, done], axis=0)
        total += float(first.sum())
        squares += float(first @ first)
        passed += fresh.shape[0]
        history = series[-overlap:, ~done]
    mean = total / charts
    return mean, math.sqrt(max(squares / charts - mean * mean, 0.0) / charts)


@lru_cache(maxsize=128)
def run_length_of_tests(tests: tuple[str, ...], shift: float = 0.0) -> RunLength:
    """Return the average run length of a chart with ``tests`` in their usual order, the mean off by ``shift`` sigma.

    Sets of zone tests are solved exactly by the Markov chain of Champ and Woodall (Technometrics 29, 1987); sets with
    `STEADY_DRIFT` or `UP_AND_DOWN` are simulated. Raises ``DataError`` for an empty set or an unknown test.
    """
    from scipy.special import ndtr

    if not check_tests(tests):
        raise DataError("without a test a chart never signals")
    if tests == (BEYOND_LIMITS,):
        return RunLength(float(1 / (ndtr(-3 - shift) + ndtr(shift - 3))), 0.0, "exact")
    if all(t in ZONE_TESTS for t in tests):
        return RunLength(_solve_chain(tests, zone_probabilities(shift)), 0.0, "exact, Markov chain of zones")
    if tests == ALL_TESTS and shift == 0:
        return RunLength(*ALL_TESTS_IN_CONTROL, "simulated, 2 000 000 charts")
    mean, error = _simulate(tests, shift)
    return RunLength(mean, error, f"simulated, {SIMULATED_CHARTS} charts, seed {SEED}")


@lru_cache(maxsize=32)
def alarms_of_scatter(kind: str, n: int) -> float:
    """Return the chance that a range or standard deviation of ``n`` normal readings lies beyond its three-sigma limits.

    ``kind`` is ``range``, ``moving range`` (``n`` is 2 then) or ``sd``. The range's distribution is the integral of
    n phi(x) (Phi(x + w) - Phi(x))**(n - 1) (David and Nagaraja, Order Statistics, 3rd ed., 2.3).
    """
    from scipy.special import gammainc, ndtr

    n = 2 if kind == "moving range" else n
    if n < 2:
        return 0.0
    f = chart_factors(n)
    if kind == "sd":
        low, high = (float(gammainc((n - 1) / 2, (n - 1) * b * b / 2)) for b in (f.B5, f.B6))
        return low + 1 - high
    x = np.linspace(-9.0, 9.0, 4001)

    def below(w: float) -> float:
        return float(np.sum(n * normal_density(x) * (ndtr(x + w) - ndtr(x)) ** (n - 1)) * (x[1] - x[0]))

    return below(f.D1) + 1 - below(f.D2)


def _gauss(low: float, high: float, count: int) -> tuple[FloatArray, FloatArray]:
    x, w = legendre(count)
    return low + (x + 1) * (high - low) / 2, w * (high - low) / 2


@lru_cache(maxsize=128)
def ewma_run_length(weight: float, width: float, shift: float = 0.0, *, steady_limits: bool = True) -> float:
    """Return the average run length of an exponentially weighted moving average that starts at the centre.

    ``weight`` is the newest point's share, ``width`` the limits in standard deviations of the average, ``shift`` in
    sigma of a point. With ``steady_limits`` False the limits widen from the start as the average's scatter does. The
    integral equation is solved on Gauss-Legendre nodes (Crowder, Journal of Quality Technology 19, 1987).
    """
    if not (0 < weight <= 1 and width > 0):
        raise DataError(f"the weight lies between 0 and 1, limits are positive; found {weight} and {width}")
    h = width * math.sqrt(weight / (2 - weight))
    count = int(min(400, max(60, 40 + 12 * h / weight)))
    x, w = _gauss(-h, h, count)

    def kernel(start: FloatArray, end: FloatArray, weights: FloatArray) -> FloatArray:
        step = (end[None, :] - (1 - weight) * start[:, None]) / weight - shift
        return normal_density(step) / weight * weights[None, :]

    lengths = np.linalg.solve(np.eye(count) - kernel(x, x, w), np.ones(count))
    if steady_limits:
        return float(1 + kernel(np.zeros(1), x, w)[0] @ lengths)
    # beyond this many points the limits have reached their steady width to eleven digits
    steps = 1 if weight == 1 else max(1, math.ceil(-24 / (2 * math.log1p(-weight))))
    later_x, later_w = x, w
    for i in range(steps, 0, -1):
        own = h * math.sqrt(1 - (1 - weight) ** (2 * (i - 1))) if i > 1 else 0.0
        now_x, now_w = _gauss(-own, own, count if i > 1 else 1)
        lengths = 1 + kernel(now_x, later_x, later_w) @ lengths
        later_x, later_w = now_x, now_w
    return float(lengths[0])


@lru_cache(maxsize=128)
def cusum_run_length(reference: float, decision: float, shift: float = 0.0, *, two_sided: bool = True) -> float:
    """Return the average run length of a tabular cumulative sum that starts at zero.

    ``reference`` (k), ``decision`` (h) and ``shift`` are in sigma. One side solves the integral equation with its
    atom at zero on Gauss-Legendre nodes (Page, Biometrika 41, 1954); both sides join by the sum of their reciprocals
    (Kemp, Journal of the Royal Statistical Society B 23, 1961).
    """
    from scipy.special import ndtr

    if not (reference >= 0 and decision > 0):
        raise DataError(f"reference and decision values are positive; found {reference} and {decision}")

    def one(mean: float) -> float:
        x, w = _gauss(0.0, decision, 120)
        start = np.concatenate([[0.0], x])
        step = x[None, :] - start[:, None] + reference - mean
        matrix = np.concatenate([ndtr(reference - mean - start)[:, None], normal_density(step) * w[None, :]], axis=1)
        return float(np.linalg.solve(np.eye(start.size) - matrix, np.ones(start.size))[0])

    upper = one(shift)
    if not two_sided:
        return upper
    return 1 / (1 / upper + 1 / one(-shift))
