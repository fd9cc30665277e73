"""Averages over the scatter of a standard deviation: the noncentral t distribution for any degrees of freedom.

With s = sqrt(chi-square / dof) the chance that (z + delta) / s stays below t is the mean of Phi(t s - delta). The
mean is taken over ln s by the trapezoid rule, which on this smooth, two-tailed density converges beyond every power.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from holeqc.problems import DataError
from holeqc.statistics.roots import root

FloatArray = NDArray[np.float64]
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
