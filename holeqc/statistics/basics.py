"""Mean, spread, autocorrelation and one-way analysis of variance, with care for digits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.statistics import double_double as dd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BLOCK = 32_768  #: values worked on at a time, so that long series need no second array of their size


def as_values(values: ArrayLike, what: str = "readings") -> FloatArray:
    """Return ``values`` as a flat array of floats; raises ``DataError`` when one of them is infinite or not a number.

    NaN stands for a reading that was not taken and passes.
    """
    try:
        array = np.asarray(values, dtype=float).ravel()
    except (TypeError, ValueError):
        raise DataError(f"the {what} must be numbers") from None
    if math.isinf(float(array.sum()) if array.size else 0.0) or np.isinf(array).any():
        raise DataError(f"the {what} hold an infinite value; only plain numbers can be used")
    return array


def chance_words(p: float) -> str:
    """Return a chance as it is written beside what was found."""
    return "p < 0.0001" if p < 0.0001 else f"p = {p:.2g}"


def mean(values: ArrayLike) -> float:
    """Return the arithmetic mean; raises ``DataError`` when there is no value."""
    x = np.asarray(values, dtype=float).ravel()
    if x.size == 0:
        raise DataError("a mean needs at least one value")
    rough = float(x.mean())
    return rough + _deviation_sums(x, rough)[0] / x.size  # the second pass takes back the rounding of the first


def dot(a: FloatArray, b: FloatArray) -> float:
    """Return the sum of products by halving: more digits than a running sum, and no threads to wait for."""
    return float((a * b).sum())


def _deviation_sums(x: FloatArray, about: float) -> tuple[float, float]:
    """Return (sum, sum of squares) of ``x - about``; blocks stay in the processor's near memory."""
    first, second = [], []
    for start in range(0, x.size, BLOCK):
        d = x[start:start + BLOCK] - about
        first.append(float(d.sum()))
        second.append(dot(d, d))
    return math.fsum(first), math.fsum(second)


def mean_and_sd(values: ArrayLike) -> tuple[float, float]:
    """Return (mean, standard deviation with divisor n - 1) by the corrected two-pass algorithm.

    Raises ``DataError`` for fewer than two values. Source: Chan, Golub, LeVeque, The American Statistician 37 (1983),
    eq. 1.7.
    """
    x = np.asarray(values, dtype=float).ravel()
    if x.size < 2:
        raise DataError("a standard deviation needs at least two values")
    rough = float(x.mean())
    centre = rough + _deviation_sums(x[:BLOCK], rough)[0] / x.size if x.size <= BLOCK else rough
    first, second = _deviation_sums(x, centre)
    return centre + first / x.size, math.sqrt(max(second - first**2 / x.size, 0.0) / (x.size - 1))


def standard_deviation(values: ArrayLike) -> float:
    """Return the standard deviation with divisor n - 1, see `mean_and_sd`."""
    return mean_and_sd(values)[1]


def neighbour_sums(x: FloatArray, about: float) -> tuple[float, float]:
    """Return (sum of squares, sum of products of neighbours) of ``x - about``, shape (n,)."""
    squares, products = [], []
    for start in range(0, x.size, BLOCK):
        d = x[start:start + BLOCK + 1] - about  # one value more: the product across the block's edge
        squares.append(dot(d[:BLOCK], d[:BLOCK]))
        products.append(dot(d[1:], d[:-1]))
    return math.fsum(squares), math.fsum(products)


def mean_step(x: FloatArray) -> float:
    """Return the mean difference of neighbours without sign of ``x`` (n,), n at least 2."""
    sums = []
    for start in range(0, x.size - 1, BLOCK):
        part = x[start:start + BLOCK + 1]
        steps = part[1:] - part[:-1]
        sums.append(float(np.abs(steps, out=steps).sum()))
    return math.fsum(sums) / (x.size - 1)


def autocorrelation(values: ArrayLike, lag: int = 1) -> float:
    """Return the correlation of a series with itself ``lag`` places later (NIST/SEMATECH e-Handbook 1.3.5.12).

    Raises ``DataError`` for a constant series or one not longer than the lag.
    """
    x = np.asarray(values, dtype=float).ravel()
    if not 0 < lag < x.size:
        raise DataError(f"a lag of {lag} needs more than {lag} values; found {x.size}")
    d, _ = dd.centred(x)
    total = dd.dot(d, d)
    if total == 0:
        raise DataError("a constant series has no autocorrelation")
    return dd.dot(d[:-lag], d[lag:]) / total


@dataclass(frozen=True, slots=True)
class OneWay:
    """One-way analysis of variance: sums of squares, degrees of freedom, mean squares, F and its p."""

    df_between: int
    df_within: int
    ss_between: float
    ss_within: float
    ms_between: float
    ms_within: float
    f: float | None
    p: float | None
    r_squared: float
    residual_sd: float


def group_index(labels: ArrayLike) -> tuple[NDArray[np.generic], IntArray]:
    """Return (labels in order of first appearance, place of each row's label in it)."""
    array = np.asarray(labels).ravel()
    unique, first, inverse = np.unique(array, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(order.size)
    return unique[order], rank[inverse.ravel()].astype(np.int64)


def one_way(values: ArrayLike, groups: ArrayLike) -> OneWay:
    """Return the one-way analysis of variance of ``values`` (n,) by the labels ``groups`` (n,).

    Everything is taken after the grand mean is subtracted, and each group's spread about its own mean. Raises
    ``DataError`` for one group only or when no group has two values. Source: NIST/SEMATECH e-Handbook 1.3.5.4.
    """
    x = np.asarray(values, dtype=float).ravel()
    names, place = group_index(groups)
    if x.size != place.size:
        raise DataError(f"{x.size} values but {place.size} group labels")
    k = names.size
    if k < 2 or x.size <= k:
        raise DataError(f"analysis of variance needs two groups and a repeat; found {k} groups, {x.size} values")
    d, _ = dd.centred(x)
    counts = np.bincount(place, minlength=k).astype(float)
    means = np.bincount(place, d, k) / counts
    late = np.bincount(place, d - means[place], k) / counts  # what the first pass lost to rounding
    rest = (d - means[place]) - late[place]
    means = means + late
    between = dd.dot(counts * means, means)
    within = dd.dot(rest, rest)
    dfb, dfw = k - 1, x.size - k
    f = p = None
    if within > 0:
        from scipy.special import fdtrc

        f = (between / dfb) / (within / dfw)
        p = float(fdtrc(dfb, dfw, f))
    total = between + within
    return OneWay(dfb, dfw, between, within, between / dfb, within / dfw, f, p, between / total if total else 0.0,
                  math.sqrt(within / dfw))
