"""Factors of control charts for any subgroup size, from their definitions, to full double precision.

A normal sample of n values has a mean range of d2 and a standard deviation of range of d3, in units of sigma; its
standard deviation is c4 sigma on average. Every other factor follows from these three.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.statistics.roots import root

_DIRECT_LIMIT = 300  #: up to here the gamma function itself fits in a double
# Gamma(x + 1/2) / Gamma(x) = sqrt(x) * sum of these over x**k, the expansion for large x (Abramowitz & Stegun 6.1.47)
_GAMMA_RATIO = (1.0, -1 / 8, 1 / 128, 5 / 1024, -21 / 32768, -399 / 262144, 869 / 4194304)


@dataclass(frozen=True, slots=True)
class ChartFactors:
    """All factors of one subgroup size ``n``, named as in ISO 7870-2 and ASTM E2587.

    ``A``, ``A2``, ``A3`` limit averages from sigma, mean range, mean standard deviation; ``B3`` to ``B6`` limit
    standard deviations, ``D1`` to ``D4`` ranges; ``E2``, ``E3`` limit single values.
    """

    n: int
    A: float
    A2: float
    A3: float
    c4: float
    B3: float
    B4: float
    B5: float
    B6: float
    d2: float
    d3: float
    D1: float
    D2: float
    D3: float
    D4: float
    E2: float
    E3: float


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
    from scipy.special import log_ndtr, ndtr

    n = _check(n)
    x = np.arange(-10.0, 10.0 + 1e-9, 1 / 16)
    widest = 2 * math.sqrt(2 * math.log(n) + 40)
    nodes, weights = np.polynomial.legendre.leggauss(240)
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
    """Return every factor of three-sigma charts for subgroups of ``n`` values (ISO 7870-2, ASTM E2587).

    A lower limit that would be negative is 0. Raises ``DataError`` for n below 2.
    """
    n = _check(n)
    c, (mean, spread) = c4(n), range_moments(n)
    a = 3 / math.sqrt(n)
    wide = 3 * math.sqrt(1 - c * c)
    return ChartFactors(
        n=n, A=a, A2=a / mean, A3=a / c, c4=c,
        B3=max(0.0, 1 - wide / c), B4=1 + wide / c, B5=max(0.0, c - wide), B6=c + wide, d2=mean, d3=spread,
        D1=max(0.0, mean - 3 * spread), D2=mean + 3 * spread,
        D3=max(0.0, 1 - 3 * spread / mean), D4=1 + 3 * spread / mean, E2=3 / mean, E3=3 / c,
    )


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
