"""Mean, spread, autocorrelation and one-way analysis of variance, with care for digits."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.door import own_text
from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.quantities import FloatArray, IntArray

# A root of a function between two ends, without loading an optimisation library for it.


def root(f: Callable[[float], float], low: float, high: float, *, tolerance: float = 1e-13) -> float:
    """Return where ``f`` crosses zero between ``low`` and ``high``, to ``tolerance`` relative and absolute.

    Inverse quadratic steps where they are safe, halving where not. Source: Chandrupatla, Advances in Engineering
    Software 28 (1997), 145-149. Raises ``DataError`` when both ends have the same sign.
    """
    a, b = low, high
    fa, fb = f(a), f(b)
    if fa == 0:
        return a
    if fb == 0:
        return b
    if (fa > 0) == (fb > 0):
        raise DataError(f"no root between {low:g} and {high:g}: the function has one sign there")
    c, fc, t = a, fa, 0.5
    while True:
        x = a + t * (b - a)
        fx = f(x)
        if (fx > 0) == (fa > 0):
            c, fc = a, fa
        else:
            c, b, fc, fb = b, a, fb, fa
        a, fa = x, fx
        best, value = (a, fa) if abs(fa) < abs(fb) else (b, fb)
        room = tolerance * (abs(best) + 1)
        share = room / abs(b - c) if b != c else 1.0
        if share > 0.5 or value == 0:
            return best
        xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
        if phi * phi < xi and (1 - phi) ** 2 < 1 - xi:
            t = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        else:
            t = 0.5
        t = min(max(t, share), 1 - share)


# Results as plain content for JSON: no arrays, no numpy numbers, None for what is not a number.


_PLAIN = frozenset({str, int, float, bool, type(None)})


def plain(value: Any) -> Any:
    """Return ``value`` with dicts, lists, text, Python numbers and None only; NaN and infinity become None."""
    if type(value) in _PLAIN:  # asked first: of a long series all but a few are such
        return value if type(value) is not float or math.isfinite(value) else None
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value



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


def centred(values: FloatArray) -> tuple[FloatArray, float]:
    """Return (``values`` minus their mean, the mean), shape (n,)."""
    middle = mean(values)
    apart = values - middle
    late = float(apart.mean())  # what the mean lost to rounding shows in the deviations
    return apart - late, middle + late


def product_sum(a: FloatArray, b: FloatArray) -> float:
    """Return the sum of products by halving: more digits than a running sum, and no threads to wait for."""
    return float((a * b).sum())


def _deviation_sums(x: FloatArray, about: float) -> tuple[float, float]:
    """Return (sum, sum of squares) of ``x - about``; blocks stay in the processor's near memory."""
    first, second = [], []
    for start in range(0, x.size, BLOCK):
        d = x[start : start + BLOCK] - about
        first.append(float(d.sum()))
        second.append(product_sum(d, d))
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
        d = x[start : start + BLOCK + 1] - about  # one value more: the product across the block's edge
        squares.append(product_sum(d[:BLOCK], d[:BLOCK]))
        products.append(product_sum(d[1:], d[:-1]))
    return math.fsum(squares), math.fsum(products)


def mean_step(x: FloatArray) -> float:
    """Return the mean difference of neighbours without sign of ``x`` (n,), n at least 2."""
    sums = []
    for start in range(0, x.size - 1, BLOCK):
        part = x[start : start + BLOCK + 1]
        steps = part[1:] - part[:-1]
        sums.append(float(np.abs(steps, out=steps).sum()))
    return math.fsum(sums) / (x.size - 1)


def autocorrelation(values: ArrayLike) -> float:
    """Return the correlation of a series with itself one place later (NIST/SEMATECH e-Handbook 1.3.5.12).

    Raises ``DataError`` for a constant series or fewer than two values.
    """
    x = np.asarray(values, dtype=float).ravel()
    if x.size < 2:
        raise DataError(f"neighbours need two values; found {x.size}")
    d, _ = centred(x)
    total = product_sum(d, d)
    if total == 0:
        raise DataError("a constant series has no autocorrelation")
    return product_sum(d[:-1], d[1:]) / total


@dataclass(frozen=True, slots=True)
class OneWay:
    """One-way analysis of variance: mean squares between and within groups, F and its p."""

    ms_between: float
    ms_within: float
    f: float | None
    p: float | None


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
    d, _ = centred(x)
    counts = np.bincount(place, minlength=k).astype(float)
    means = np.bincount(place, d, k) / counts
    late = np.bincount(place, d - means[place], k) / counts  # what the first pass lost to rounding
    rest = (d - means[place]) - late[place]
    means = means + late
    between = product_sum(counts * means, means)
    within = product_sum(rest, rest)
    dfb, dfw = k - 1, x.size - k
    f = p = None
    if within > 0:
        from scipy.special import fdtrc

        f = (between / dfb) / (within / dfw)
        p = float(fdtrc(dfb, dfw, f))
    return OneWay(between / dfb, within / dfw, f, p)


# What must be said about readings before any figure is believed: too few, identical, too coarse, cut off, missing.


FEW = 50  #: below this many readings the interval of an index is wider than a fifth of it (common practice, no source)
FEWEST_ALIKE = 20  #: readings below which a correlation of neighbours tells nothing (our choice)
FEWEST_FOR_STEP = 10  #: the smallest gap of fewer readings is chance, not the gauge's step
MANY_STEPS = 1000  #: readings with more different values than this are not coarse
COARSE_STEP = 1.0  #: a gauge step above one sigma spoils sigma itself (common practice, no source)


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings ready for use: ``values`` in order taken and ``ordered`` by size, both without the missing ones.

    ``kept`` (n,) points into the readings as given; ``step`` is the smallest step between different values, None
    when they have too many for a step to matter; ``different`` counts different values (at least so many, when many).
    """

    values: FloatArray
    ordered: FloatArray
    kept: np.ndarray | None
    missing: int
    different: int
    step: float | None


def prepare(values: ArrayLike) -> Readings:
    """Return readings without their missing ones (NaN); raises ``DataError`` when none is left or one is infinite."""
    try:
        x = np.asarray(values, dtype=float).ravel()
    except (TypeError, ValueError):
        raise DataError("the readings must be numbers") from None
    ordered = np.sort(x)
    missing, kept = 0, None
    if x.size and math.isnan(ordered[-1]):  # missing ones are sorted to the end
        kept = np.flatnonzero(~np.isnan(x))
        missing = x.size - kept.size
        x, ordered = x[kept], ordered[: kept.size]
    if not x.size:
        raise DataError("there is no reading" if not missing else f"all {missing} readings are missing")
    if math.isinf(ordered[0]) or math.isinf(ordered[-1]):
        raise DataError("the readings hold an infinite value; only plain numbers can be used")
    # readings converted from another unit differ in their last bits without being different
    noise = 1e-12 * max(abs(float(ordered[0])), abs(float(ordered[-1])))
    thin = ordered[:: max(1, x.size // (8 * MANY_STEPS))]
    different = 1 + int(np.count_nonzero(thin[1:] - thin[:-1] > noise))
    step = None
    if different <= MANY_STEPS:
        gaps = ordered[1:] - ordered[:-1]
        apart = gaps > noise
        different = 1 + int(np.count_nonzero(apart))
        step = float(gaps[apart].min()) if 1 < different <= MANY_STEPS else None
    return Readings(x, ordered, kept, missing, different, step)


def _pile(ordered: FloatArray, step: float | None) -> list[tuple[str, float, int]]:
    """Return (end, value, count) for an end of the readings where too many of them are the same."""
    if step is None or ordered.size < 10:
        return []
    found = []
    for end, value, inner in (("smallest", float(ordered[0]), 1.0), ("largest", float(ordered[-1]), -1.0)):
        edge = value + inner * step / 2
        if inner > 0:
            count = int(np.searchsorted(ordered, edge))
            rest = ordered[count:]
            neighbour = int(np.searchsorted(rest, float(rest[0]) + step / 2)) if rest.size else 0
        else:
            count = ordered.size - int(np.searchsorted(ordered, edge))
            rest = ordered[: ordered.size - count]
            neighbour = rest.size - int(np.searchsorted(rest, float(rest[-1]) - step / 2)) if rest.size else 0
        if count >= max(5, 0.1 * ordered.size) and count > 1.5 * neighbour:
            found.append((end, value, count))
    return found


def _warning(code: str, message: str, found: str = "", action: str = "") -> Problem:
    return Problem(WARNING, code, message, found=found, action=action)


def remarks(
    readings: Readings, sd: float | None, *, width: float | None = None, resolution: float | None = None
) -> list[Problem]:
    """Return what must be said about ``readings`` with short-term scatter ``sd`` and limits ``width`` apart.

    ``resolution`` is the gauge's step when known; else the smallest step between readings stands for it.
    """
    problems: list[Problem] = []
    n = readings.values.size
    if readings.missing:
        problems.append(_warning(
            "missing-readings",
            f"{readings.missing} of {n + readings.missing} readings are missing and are not counted",
            action="Find out why; readings seldom go missing by chance.",
        ))  # fmt: skip
    if n == 1:
        problems.append(
            _warning("one-reading", "one reading shows no scatter: no index can be given", action="Measure more parts.")
        )
        return problems
    if readings.different == 1:
        problems.append(_warning(
            "identical-readings", f"all {n} readings are the same: their scatter is hidden by the gauge's step",
            f"{readings.ordered[0]:g}", "Use a gauge with a finer step.",
        ))  # fmt: skip
        return problems
    if n < FEW:
        untold = "" if n >= FEWEST_ALIKE else "; so few can't show whether each resembles the one before"
        words = f"{n} readings are few: an index is worth no more than its interval{untold}"
        problems.append(Problem(NOTE, "few-readings", words))
    step = resolution if resolution is not None else readings.step
    if step is not None and (resolution is not None or n >= FEWEST_FOR_STEP):
        problems.extend(_coarse(step, sd, width, guessed=resolution is None))
    if readings.different == 2 and n >= 10:
        pair = f"{readings.ordered[0]:g} and {readings.ordered[-1]:g}"
        problems.append(_warning(
            "two-values", "the readings take two values only: they look like counted attributes", pair,
            "Chart them as counts (p chart).",
        ))  # fmt: skip
    else:
        problems.extend(
            _warning(
                "piled-readings",
                f"{count} of {n} readings equal the {end} one: the gauge may end or be "
                "cut off there, and the true spread be larger",
                f"{value:g}",
                "Ask how these were read.",
            )
            for end, value, count in _pile(readings.ordered, readings.step)
        )
    return problems


def _coarse(step: float, sd: float | None, width: float | None, *, guessed: bool) -> list[Problem]:
    what = "the smallest step between readings" if guessed else "the gauge's step"
    problems = []
    if sd is not None and sd > 0 and step > COARSE_STEP * sd * (1 - 1e-9):
        problems.append(_warning(
            "coarse-gauge", f"{what} is larger than the scatter itself: sigma, limits and every index rest on rounding",
            f"step {step:g}, sigma {sd:.3g}", "Use a gauge with a finer step.",
        ))  # fmt: skip
    elif width is not None and step > width / 10 * (1 + 1e-9):
        problems.append(_warning(
            "coarse-for-limits", f"{what} is more than a tenth of the distance between the limits",
            f"step {step:g}, limits {width:g} apart", "Use a gauge with a finer step (ten to one is common practice).",
        ))  # fmt: skip
    return problems


# Readings so far from all others that a slip in reading or typing is likelier than the process.


FAR = 15.0  #: robust sigma from the median, far beyond any chance (common practice, no source)
MOST = 0.05  #: more readings than this share are a second population, no slips
FEWEST = 8


def far_off(values: ArrayLike) -> IntArray:
    """Return the places (from 0) of readings ``values`` (n,) that are likely slips; NaN is no reading.

    Sigma is 1.4826 times the median distance from the median, or an eighth of the span of the middle 90 % where more
    than half of the readings are the same or lie in two heaps.
    """
    x = np.asarray(values, dtype=float).ravel()
    missing = np.isnan(x)
    kept = x[~missing] if missing.any() else x
    none = np.zeros(0, dtype=np.int64)
    if kept.size < FEWEST:
        return none
    low, high = (max(round(share * kept.size), 1) - 1 for share in (0.05, 0.95))  # the closest readings
    mid = (kept.size - 1) // 2, kept.size // 2
    work = np.partition(kept, [low, *mid, high])  # a new array of many readings costs more than what is done with it
    span, middle = float(work[high] - work[low]), 0.5 * (work[mid[0]] + work[mid[1]])
    off = np.abs(np.subtract(kept, middle, out=work), out=work)
    farthest = float(off.max())
    off.partition(mid)
    sigma = max(1.4826 * 0.5 * float(off[mid[0]] + off[mid[1]]), span / 8)
    if not farthest > FAR * sigma > 0:
        return none
    places = np.flatnonzero(np.abs(x - middle) > FAR * sigma)
    return places if places.size <= max(1.0, MOST * kept.size) else none


@lru_cache(maxsize=16)
def legendre(count: int) -> tuple[FloatArray, FloatArray]:
    """Return ``count`` nodes and weights of Gauss-Legendre quadrature on -1 to 1, stored where the product asks often.

    Working out some hundred of them takes as long as the rest of an answer's statistics.
    """
    rows = [line.split(",")[1:] for line in own_text("statistics", "legendre.csv").splitlines()
            if line.startswith(f"{count},")]  # fmt: skip
    if not rows:
        x, w = np.polynomial.legendre.leggauss(count)
        return np.asarray(x), np.asarray(w)
    x, w = np.array(rows, dtype=np.float64).T
    return np.concatenate([-x[::-1], x]), np.concatenate([w[::-1], w])


def normal_density(x: FloatArray) -> FloatArray:
    """Return the density of a standard normal, shape of ``x``."""
    return np.asarray(np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi))


# Averages over the scatter of a standard deviation: the noncentral t distribution for any degrees of freedom.
#
# With s = sqrt(chi-square / dof) the chance that (z + delta) / s stays below t is the mean of Phi(t s - delta). The
# mean is taken over ln s by the trapezoid rule, which on this smooth, two-tailed density converges beyond every power.


STEEP = 1000.0


@lru_cache(maxsize=64)
def _nodes(dof: float, sharpness: float) -> tuple[FloatArray, FloatArray]:
    width = 1 / math.sqrt(2 * dof)
    # the third bound keeps the step small against the strip in which exp(-exp(2 y)) stays bounded
    step = min(0.35 * width, 0.35 / sharpness, 0.12)
    y = np.arange(-40 / dof - 9 * width, 9 * width + 2 / (1 + dof), step)
    log_density = dof * (y - np.expm1(2 * y) / 2)
    weights = np.exp(log_density - log_density.max())
    return np.exp(y), weights / weights.sum()


def sd_nodes(dof: float, sharpness: float = 1.0) -> tuple[FloatArray, FloatArray]:
    """Return nodes s and weights w so that sum(w g(s)) is the mean of g over s = sqrt(chi-square / dof).

    ``sharpness`` is the greatest slope of g against ln s; steeper functions get closer nodes. Raises ``DataError``
    for degrees of freedom that are not positive.
    """
    if not (dof > 0 and math.isfinite(dof)):
        raise DataError(f"degrees of freedom must be positive; found {dof}")
    # rounded up to powers of two, so that a root search meets its nodes again in the store
    return _nodes(float(dof), 2.0 ** math.ceil(math.log2(max(sharpness, 1.0))))


def noncentral_t_cdf(t: float, dof: float, delta: float) -> float:
    """Return the chance that a noncentral t with ``dof`` degrees of freedom and noncentrality ``delta`` is below t."""
    from scipy.special import ndtr

    s, w = sd_nodes(dof, abs(delta) + 4)
    return float(w @ ndtr(t * s - delta))


def noncentral_t_quantile(probability: float, dof: float, delta: float) -> float:
    """Return the t below which a noncentral t falls with ``probability``."""

    def miss(t: float) -> float:
        return noncentral_t_cdf(t, dof, delta) - probability

    low, high = delta - 4.0, delta + 4.0
    while miss(low) > 0:
        low -= 2 * (high - low)
    while miss(high) < 0:
        high += 2 * (high - low)
    return root(miss, low, high)


def noncentrality_for(probability: float, t: float, dof: float) -> float:
    """Return the noncentrality at which a noncentral t falls below ``t`` with ``probability``.

    It turns an observed t into a confidence bound: the chance falls as the noncentrality grows. Where t is beyond
    `STEEP` root dof, the normal part of t is too small against that of the standard deviation to matter (a few
    millionths), and the bound is t times a quantile of the latter.
    """
    from scipy.special import chdtri, ndtri

    if abs(t) > STEEP * math.sqrt(dof):
        return t * math.sqrt(float(chdtri(dof, probability if t > 0 else 1 - probability)) / dof)

    def miss(delta: float) -> float:
        return noncentral_t_cdf(t, dof, delta) - probability

    # close to the answer: t with its delta-method scatter
    scatter = math.sqrt(1 + t * t / (2 * dof))
    guess = t - float(ndtri(probability)) * scatter
    step = 0.02 * scatter + 2 * (scatter * scatter) / (1 + math.sqrt(dof))
    low, high = guess - step, guess + step
    while miss(low) < 0:
        low -= 2 * (high - low)
    while miss(high) > 0:
        high += 2 * (high - low)
    return root(miss, low, high)
