"""Normal tolerance intervals: limits that hold a stated share of all parts with a stated confidence.

The exact factors follow ISO 16269-6; Howe's and Natrella's approximations are kept under their names.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from holeqc.problems import DataError
from holeqc.statistics.noncentral import noncentral_t_quantile
from holeqc.statistics.roots import root

FloatArray = NDArray[np.float64]


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


def _check(n: float, coverage: float, confidence: float, dof: float | None) -> float:
    if not (0 < coverage < 1 and 0 < confidence < 1):
        raise DataError(f"coverage and confidence lie between 0 and 1; found {coverage} and {confidence}")
    freedom = n - 1 if dof is None else dof
    if not (n > 0 and freedom > 0):
        raise DataError(f"a tolerance interval needs at least two values; found n = {n:g}")
    return freedom


@lru_cache(maxsize=4096)
def one_sided_factor(n: float, coverage: float, confidence: float, dof: float | None = None) -> float:
    """Return k so that mean + k s is above ``coverage`` of all parts with ``confidence``, exactly.

    ``n`` values carry the mean and ``dof`` (n - 1 unless given) degrees of freedom the standard deviation; ``n``
    may be infinite. The factor is a quantile of the noncentral t over the root of n (ISO 16269-6, Annex D).
    """
    from scipy.special import ndtri

    freedom = _check(n, coverage, confidence, dof)
    z = float(ndtri(coverage))
    if math.isinf(n):
        return z
    return noncentral_t_quantile(confidence, freedom, math.sqrt(n) * z) / math.sqrt(n)


def _half_width(centre: FloatArray, coverage: float) -> FloatArray:
    """Return r so that Phi(centre + r) - Phi(centre - r) is ``coverage``, for centres of at least 0."""
    from scipy.special import ndtr, ndtri

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
def two_sided_factor(n: float, coverage: float, confidence: float, dof: float | None = None) -> float:
    """Return k so that mean - k s to mean + k s holds ``coverage`` of all parts with ``confidence``, exactly.

    Arguments as in `one_sided_factor`. For each place of the mean the half width that holds the coverage is found,
    and the chance that k s exceeds it is averaged over the mean (ISO 16269-6, Annex F).
    """
    from scipy.special import gammaincc

    freedom = _check(n, coverage, confidence, dof)
    if math.isinf(n):
        return normal_half_width(coverage)
    step = min(0.1, max(0.004, 0.3 * math.sqrt(n) / math.sqrt(2 * freedom)))
    z = np.arange(step / 2, 8.6, step)  # the mean's distribution is even: its upper half is enough
    weight = np.exp(-0.5 * z * z)
    weight /= weight.sum()
    square = _half_width(z / math.sqrt(n), coverage) ** 2

    def miss(log_k: float) -> float:
        return float(weight @ gammaincc(freedom / 2, freedom / 2 * square * math.exp(-2 * log_k))) - confidence

    start = math.log(howe_factor(n, coverage, confidence, freedom))
    low, high = start - 0.1, start + 0.1
    while miss(low) > 0:
        low -= 0.3
    while miss(high) < 0:
        high += 0.3
    return math.exp(root(miss, low, high, tolerance=1e-14))


def normal_half_width(coverage: float) -> float:
    """Return the half width, in sigma, of the central interval that holds ``coverage`` of a known normal."""
    from scipy.special import ndtri

    return float(ndtri(0.5 + coverage / 2))


def howe_factor(n: float, coverage: float, confidence: float, dof: float | None = None) -> float:
    """Return Howe's approximation of the two-sided factor (JASA 64, 1969; NIST/SEMATECH e-Handbook 7.2.6.3)."""
    from scipy.special import gammaincinv

    freedom = _check(n, coverage, confidence, dof)
    chi_square = 2 * float(gammaincinv(freedom / 2, 1 - confidence))
    return normal_half_width(coverage) * math.sqrt(freedom * (1 + 1 / n) / chi_square)


def natrella_factor(n: float, coverage: float, confidence: float) -> float:
    """Return Natrella's approximation of the one-sided factor (NIST/SEMATECH e-Handbook 7.2.6.3)."""
    from scipy.special import ndtri

    _check(n, coverage, confidence, None)
    zp, zc = float(ndtri(coverage)), float(ndtri(confidence))
    a, b = 1 - zc * zc / (2 * (n - 1)), zp * zp - zc * zc / n
    return (zp + math.sqrt(zp * zp - a * b)) / a


def tolerance_interval(mean: float, sd: float, n: int, *, coverage: float = 0.9973, confidence: float = 0.95,
                       lower: float | None = None, upper: float | None = None) -> ToleranceInterval:
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
