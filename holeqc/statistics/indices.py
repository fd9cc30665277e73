"""Capability indices of a normal process and their intervals, from mean, sigma and limits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import betaincinv, gammaincc, gammaincinv, gammaln, ndtr, ndtri, stdtrit

from holeqc.problems import DataError
from holeqc.quantities import FloatArray
from holeqc.statistics.basics import legendre, noncentral_t_quantile, noncentrality_for, root

# Normal tolerance intervals: limits that hold a stated share of all parts with a stated confidence.
#
# The exact factors follow ISO 16269-6; Howe's approximation starts their search.




@dataclass(frozen=True, slots=True)
class ToleranceInterval:
    """Normal tolerance limits in the readings' unit, and their factors.

    ``two_sided`` holds ``coverage`` of all parts with ``confidence``; ``lower_bound`` and ``upper_bound`` do so each
    by itself. ``inside`` says whether the interval (or the bound on the side of a single limit) keeps the limits;
    None without limits.
    """

    coverage: float
    confidence: float
    two_sided: tuple[float, float]
    lower_bound: float
    upper_bound: float
    two_sided_factor: float
    one_sided_factor: float
    inside: bool | None


def _check(n: float, coverage: float, confidence: float) -> float:
    if not (0 < coverage < 1 and 0 < confidence < 1):
        raise DataError(f"coverage and confidence lie between 0 and 1; found {coverage} and {confidence}")
    if not n > 1:
        raise DataError(f"a tolerance interval needs at least two values; found n = {n:g}")
    return n - 1


@lru_cache(maxsize=4096)
def one_sided_factor(n: float, coverage: float, confidence: float) -> float:
    """Return k so that mean + k s is above ``coverage`` of all parts with ``confidence``, exactly.

    ``n`` values carry mean and standard deviation. The factor is a quantile of the noncentral t over the root of n
    (ISO 16269-6, Annex D).
    """
    freedom = _check(n, coverage, confidence)
    return noncentral_t_quantile(confidence, freedom, math.sqrt(n) * float(ndtri(coverage))) / math.sqrt(n)


def _half_width(centre: FloatArray, coverage: float) -> FloatArray:
    """Return r so that Phi(centre + r) - Phi(centre - r) is ``coverage``, for centres of at least 0."""
    # for a far centre the near tail decides; Newton then runs up from below on a concave curve
    r = np.maximum(float(ndtri(0.5 + coverage / 2)), centre + float(ndtri(coverage)))
    for _ in range(60):
        missing = coverage - (ndtr(centre + r) - ndtr(centre - r))
        slope = (np.exp(-0.5 * (centre + r) ** 2) + np.exp(-0.5 * (centre - r) ** 2)) / math.sqrt(2 * math.pi)
        step = missing / slope
        r = r + step
        if float(np.max(np.abs(step))) < 1e-14 * float(np.max(r)):
            break
    return r


@lru_cache(maxsize=4096)
def two_sided_factor(n: float, coverage: float, confidence: float) -> float:
    """Return k so that mean - k s to mean + k s holds ``coverage`` of all parts with ``confidence``, exactly.

    Arguments as in `one_sided_factor`. For each place of the mean the half width that holds the coverage is found,
    and the chance that k s exceeds it is averaged over the mean (ISO 16269-6, Annex F).
    """
    freedom = _check(n, coverage, confidence)
    step = min(0.1, max(0.004, 0.3 * math.sqrt(n) / math.sqrt(2 * freedom)))
    z = np.arange(step / 2, 8.6, step)  # the mean's distribution is even: its upper half is enough
    weight = np.exp(-0.5 * z * z)
    weight /= weight.sum()
    square = _half_width(z / math.sqrt(n), coverage) ** 2

    def miss(log_k: float) -> float:
        return float(weight @ gammaincc(freedom / 2, freedom / 2 * square * math.exp(-2 * log_k))) - confidence

    start = math.log(howe_factor(n, coverage, confidence))
    low, high = start - 0.1, start + 0.1
    while miss(low) > 0:
        low -= 0.3
    while miss(high) < 0:
        high += 0.3
    return math.exp(root(miss, low, high, tolerance=1e-14))


def howe_factor(n: float, coverage: float, confidence: float) -> float:
    """Return Howe's approximation of the two-sided factor (JASA 64, 1969; NIST/SEMATECH e-Handbook 7.2.6.3)."""
    freedom = _check(n, coverage, confidence)
    chi_square = 2 * float(gammaincinv(freedom / 2, 1 - confidence))
    return float(ndtri(0.5 + coverage / 2)) * math.sqrt(freedom * (1 + 1 / n) / chi_square)


def tolerance_interval(
    mean: float, sd: float, n: int, *, coverage: float = 0.9973, confidence: float = 0.95, lower: float | None = None,
    upper: float | None = None,
) -> ToleranceInterval:  # fmt: skip
    """Return the normal tolerance interval of ``n`` readings with ``mean`` and ``sd``, held against the limits.

    Raises ``DataError`` for fewer than two readings or shares outside 0 to 1.
    """
    k2 = two_sided_factor(n, coverage, confidence)
    k1 = one_sided_factor(n, coverage, confidence)
    both = (mean - k2 * sd, mean + k2 * sd)
    low, high = mean - k1 * sd, mean + k1 * sd
    inside: bool | None = None
    if lower is not None and upper is not None:
        inside = both[0] >= lower and both[1] <= upper
    elif upper is not None:
        inside = high <= upper
    elif lower is not None:
        inside = low >= lower
    return ToleranceInterval(coverage, confidence, both, low, high, k2, k1, inside)


Interval = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of a quantity in the readings' unit, each inclusive; limits and target may be missing.

    Raises ``DataError`` when they are upside down or not plain numbers.
    """

    lower: float | None = None
    upper: float | None = None
    target: float | None = None

    def __post_init__(self) -> None:
        for name in ("lower", "upper", "target"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(value):
                raise DataError(f"the {name} limit must be a plain number; found {value}")
        if self.lower is not None and self.upper is not None and not self.lower < self.upper:
            raise DataError(f"the lower limit {self.lower:g} must lie below the upper limit {self.upper:g}")

    @property
    def given(self) -> bool:
        """True when there is a limit at all."""
        return self.lower is not None or self.upper is not None

    @property
    def middle(self) -> float | None:
        """Middle of both limits, None when one is missing."""
        return None if self.lower is None or self.upper is None else (self.lower + self.upper) / 2

    @property
    def width(self) -> float | None:
        """Distance of the limits, None when one is missing."""
        return None if self.lower is None or self.upper is None else self.upper - self.lower


@dataclass(frozen=True, slots=True)
class Indices:
    """One set of indices: ``potential`` (Cp or Pp), ``nearest`` (Cpk or Ppk) and the two one-sided ones.

    ``off_centre`` is the distance of the mean from the middle over half the width, e-Handbook 6.1.6.
    """

    potential: float | None
    nearest: float | None
    lower: float | None
    upper: float | None
    off_centre: float | None


def indices(limits: Limits, mean: float, sd: float) -> Indices:
    """Return the indices of a normal process (ISO 22514-2; NIST/SEMATECH e-Handbook 6.1.6); all None for sd 0.

    Without any limit there is no index either.
    """
    width, middle = limits.width, limits.middle
    off = None if width is None or middle is None else abs(mean - middle) / (width / 2)
    if not sd > 0 or not limits.given:
        return Indices(None, None, None, None, off)
    low = None if limits.lower is None else (mean - limits.lower) / (3 * sd)
    high = None if limits.upper is None else (limits.upper - mean) / (3 * sd)
    nearest = min(v for v in (low, high) if v is not None)
    return Indices(None if width is None else width / (6 * sd), nearest, low, high, off)


def about_target(limits: Limits, mean: float, sd: float) -> float | None:
    """Return Cpm = width / (6 sqrt(sd**2 + (mean - target)**2)), e-Handbook 6.1.6; None for a one-sided limit.

    The target is the middle of the limits unless given.
    """
    target = limits.middle if limits.target is None else limits.target
    if limits.width is None or target is None:
        return None
    spread = math.hypot(sd, mean - target)
    return limits.width / (6 * spread) if spread > 0 else None


def _chi_square_over_dof(probability: float, dof: float) -> float:
    return 2 * float(gammaincinv(dof / 2, probability)) / dof


def potential_interval(index: float, dof: float, confidence: float) -> Interval:
    """Return the interval of Cp or Pp from the chi-square distribution of the variance (ISO 22514-2)."""
    tail = (1 - confidence) / 2
    return (index * math.sqrt(_chi_square_over_dof(tail, dof)), index * math.sqrt(_chi_square_over_dof(1 - tail, dof)))


def sd_interval(sd: float, dof: float, confidence: float) -> Interval:
    """Return the chi-square interval of a standard deviation (NIST/SEMATECH e-Handbook 1.3.5.8)."""
    tail = (1 - confidence) / 2
    return (sd / math.sqrt(_chi_square_over_dof(1 - tail, dof)), sd / math.sqrt(_chi_square_over_dof(tail, dof)))


def mean_interval(mean: float, sd: float, n: float, confidence: float) -> Interval:
    """Return Student's interval of a mean (NIST/SEMATECH e-Handbook 1.3.5.2)."""
    half = float(stdtrit(n - 1, 0.5 + confidence / 2)) * sd / math.sqrt(n)
    return mean - half, mean + half


def one_sided_bound(index: float, n: float, dof: float, probability: float) -> float:
    """Return the one-sided index that gives an estimate below ``index`` with ``probability``, exactly.

    3 sqrt(n) times the estimate follows a noncentral t with noncentrality 3 sqrt(n) times the true index;
    ``probability`` 0.95 gives a lower bound with 95 % confidence, 0.05 an upper one.
    """
    root = 3 * math.sqrt(n)
    return noncentrality_for(probability, root * index, dof) / root


def _chance_above_when_centred(true: float, index: float, n: float, dof: float) -> float:
    """Return the chance that the estimate of Cpk exceeds ``index`` > 0 when the process is centred at ``true``."""
    width = 1 / math.sqrt(2 * dof)
    low, high = -40 / dof - 9 * width, min(math.log(true / index), 9 * width + 2 / (1 + dof))
    if high <= low:
        return 0.0
    x, w = legendre(300)
    y = low + (x + 1) * (high - low) / 2
    s = np.exp(y)
    scale = math.log(2) + dof / 2 * (math.log(dof / 2) - 1) - float(gammaln(dof / 2))
    log_density = dof * (y - np.expm1(2 * y) / 2) + scale
    inside = 2 * ndtr(3 * math.sqrt(n) * (true - index * s)) - 1
    return float((w * (high - low) / 2) @ (np.exp(log_density) * inside))


def nearest_interval_exact(index: float, n: float, dof: float, confidence: float, *, two_limits: bool) -> Interval:
    """Return the interval of Cpk or Ppk by the noncentral t, exact for one limit.

    With two limits the distance of the farther one is unknown; each end is then taken where it is least favourable:
    the lower end with the other limit far away, the upper end with the process in the middle. The interval holds the
    true index with at least the stated confidence.
    """
    tail = (1 - confidence) / 2
    low = one_sided_bound(index, n, dof, 1 - tail)
    high = one_sided_bound(index, n, dof, tail)
    if two_limits and index > 0:

        def miss(true: float) -> float:
            return _chance_above_when_centred(true, index, n, dof) - (1 - tail)

        step = high - low  # the end sought lies a little above the one for a single limit
        bottom, top = high, high + 0.1 * step
        while miss(bottom) > 0:
            bottom -= 0.1 * step
        while miss(top) < 0:
            top += step
        high = root(miss, bottom, top, tolerance=1e-12)
    return low, high


def about_target_interval(index: float, mean: float, sd: float, target: float, n: float, confidence: float) -> Interval:
    """Return Boyles's approximate interval of Cpm (Journal of Quality Technology 23, 1991, 17-26).

    The mean square about the target, here with divisor n, is close to a chi-square with n (1 + x**2)**2 / (1 + 2 x**2)
    degrees of freedom, x being the distance of the mean from the target in standard deviations; x**2 is taken without
    the part that the scatter of mean and deviation adds to it. Simulated: 94.2 to 95.1 % for 5 readings and more.
    """
    x2 = ((mean - target) / sd) ** 2
    without_bias = index * math.sqrt((1 + x2) / (1 - 1 / n + x2))
    x2 = max(0.0, x2 * (n - 3) / (n - 1) - 1 / n)
    return potential_interval(without_bias, n * (1 + x2) ** 2 / (1 + 2 * x2), confidence)


def expected_outside(limits: Limits, mean: float, sd: float) -> tuple[float, float]:
    """Return the shares of a normal process (below the lower limit, above the upper limit); 0 where none is."""
    def share(distance: float) -> float:
        return float(ndtr(-distance / sd)) if sd > 0 else float(distance < 0)

    return (
        0.0 if limits.lower is None else share(mean - limits.lower),
        0.0 if limits.upper is None else share(limits.upper - mean),
    )


def clopper_pearson(count: int, n: int, confidence: float) -> tuple[float, float]:
    """Return the exact interval of a share of which ``count`` of ``n`` were counted (Clopper, Pearson, 1934).

    Raises ``DataError`` unless 0 <= count <= n and n > 0.
    """
    if not (0 <= count <= n and n > 0):
        raise DataError(f"a share needs 0 <= count <= n; found {count} of {n}")
    tail = (1 - confidence) / 2
    low = 0.0 if count == 0 else float(betaincinv(count, n - count + 1, tail))
    high = 1.0 if count == n else float(betaincinv(count + 1, n - count, 1 - tail))
    return low, high
