"""Confidence intervals for variance components and for shares of them.

Sums and differences of mean squares: modified large sample method (Graybill and Wang, J. Amer. Statist. Assoc. 75,
1980, for sums; Ting, Burdick, Graybill, Jeyaratnam and Lu, J. Statist. Comput. Simul. 35, 1990, for differences;
collected in Burdick and Graybill, Confidence Intervals on Variance Components, 1992, sec. 3.2 and 3.3). It is exact for
one mean square (chi-square). Anything else of them, such as a share of the total: generalized confidence intervals
(Weerahandi, J. Amer. Statist. Assoc. 88, 1993; for gauge studies Hamada and Weerahandi, J. Quality Technology 32, 2000)
from a fixed seed, so that the same readings give the same interval.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.statistics.gauge_layout import FloatArray

LARGE_SAMPLE = "modified large sample (Graybill and Wang 1980; Ting and others 1990)"
GENERALIZED = "generalized confidence interval (Weerahandi 1993), 20 000 draws of a fixed seed"
SATTERTHWAITE = "Satterthwaite (1946)"
DRAWS = 20_000
SEED = 20_114


def check_confidence(confidence: float) -> float:
    """Return the two-sided confidence level.

    Raises:
        DataError: not between 0 and 1.
    """
    if not 0.0 < confidence < 1.0:
        raise DataError(f"confidence is {confidence}; give a share between 0 and 1, such as 0.95")
    return confidence


def large_sample_interval(
    weights: ArrayLike, mean_squares: ArrayLike, freedoms: ArrayLike, confidence: float = 0.95
) -> tuple[float, float]:
    """Return the two-sided interval for ``sum(weights * expected mean squares)``, not below zero.

    Args:
        weights: weight of each mean square, of either sign (k,).
        mean_squares: independent mean squares (k,).
        freedoms: their degrees of freedom (k,).
        confidence: two-sided level.

    Source: Ting and others (1990); Burdick and Graybill (1992), eq. 3.2.2 and 3.3.2 ff.
    """
    c, ms, n = (np.asarray(x, dtype=np.float64).ravel() for x in (weights, mean_squares, freedoms))
    check_confidence(confidence)
    keep = (c != 0.0) & (ms > 0.0)
    c, ms, n = c[keep], ms[keep], n[keep]
    alpha = 0.5 * (1.0 - confidence)
    plus = c > 0.0
    up, down = c[plus] * ms[plus], -c[~plus] * ms[~plus]
    centre = float(up.sum() - down.sum())
    below = _variance_below(up, n[plus], down, n[~plus], alpha)
    # the upper bound of a - b is minus the lower bound of b - a
    above = _variance_below(down, n[~plus], up, n[plus], alpha)
    return max(centre - np.sqrt(below), 0.0), max(centre + np.sqrt(above), 0.0)


def _variance_below(up: FloatArray, n_up: FloatArray, down: FloatArray, n_down: FloatArray, alpha: float) -> float:
    from scipy import stats

    if up.size + down.size == 0:
        return 0.0
    g = 1.0 - n_up / stats.chi2.isf(alpha, n_up)
    h = n_down / stats.chi2.ppf(alpha, n_down) - 1.0
    total = float(np.sum((g * up) ** 2) + np.sum((h * down) ** 2))
    if up.size and down.size:
        f = stats.f.isf(alpha, n_up[:, None], n_down[None, :])
        cross = ((f - 1.0) ** 2 - (g[:, None] * f) ** 2 - h[None, :] ** 2) / f
        total += float(up @ cross @ down)
    if up.size > 1 and down.size:
        a, b = np.triu_indices(up.size, 1)
        both = n_up[a] + n_up[b]
        joint = (1.0 - both / stats.chi2.isf(alpha, both)) ** 2 * both**2 / (n_up[a] * n_up[b])
        star = (joint - g[a] ** 2 * n_up[a] / n_up[b] - g[b] ** 2 * n_up[b] / n_up[a]) / (up.size - 1)
        total += float(np.sum(star * up[a] * up[b]))
    return max(total, 0.0)


def satterthwaite_freedom(weights: ArrayLike, mean_squares: ArrayLike, freedoms: ArrayLike) -> float:
    """Return the effective degrees of freedom of ``sum(weights * mean_squares)``; zero where the sum is not positive.

    Source: Satterthwaite, Biometrics Bulletin 2 (1946), eq. 17; JCGM 100:2008, G.4.1.
    """
    c, ms, n = (np.asarray(x, dtype=np.float64).ravel() for x in (weights, mean_squares, freedoms))
    pieces = c * ms
    total = float(pieces.sum())
    spread = float(np.sum(pieces**2 / n))
    return total**2 / spread if total > 0.0 and spread > 0.0 else 0.0


def satterthwaite_interval(
    weights: ArrayLike, mean_squares: ArrayLike, freedoms: ArrayLike, confidence: float = 0.95
) -> tuple[float, float]:
    """Return the chi-square interval with Satterthwaite's degrees of freedom; (0, 0) unless the estimate is positive.

    Fair for sums of mean squares; too narrow for differences, where `large_sample_interval` is better.
    """
    from scipy import stats

    c, ms = np.asarray(weights, dtype=np.float64), np.asarray(mean_squares, dtype=np.float64)
    freedom = satterthwaite_freedom(c, ms, freedoms)
    if freedom <= 0.0:
        return 0.0, 0.0
    estimate = float(np.sum(c * ms))
    alpha = 0.5 * (1.0 - check_confidence(confidence))
    low, high = estimate * freedom / stats.chi2.isf([alpha, 1.0 - alpha], freedom)
    return float(low), float(high)


def generalized_draws(
    weights: dict[str, FloatArray], mean_squares: FloatArray, freedoms: FloatArray, draws: int = DRAWS, seed: int = SEED
) -> dict[str, FloatArray]:
    """Return generalized pivotal draws (draws,) of each variance component, none below zero.

    Args:
        weights: for each component its weight on each mean square (k,).
        mean_squares: the mean squares (k,).
        freedoms: their degrees of freedom (k,).
        draws: number of draws.
        seed: seed of the draws.
    """
    rng = np.random.default_rng(seed)
    chi = rng.chisquare(freedoms, size=(draws, freedoms.size))
    expected = freedoms * mean_squares / chi
    return {name: np.maximum(expected @ w, 0.0) for name, w in weights.items()}


def quantiles(draws: FloatArray, confidence: float = 0.95) -> tuple[float, float]:
    """Return the equal-tailed interval of draws at the two-sided level ``confidence``."""
    alpha = 0.5 * (1.0 - check_confidence(confidence))
    low, high = np.quantile(draws, [alpha, 1.0 - alpha])
    return float(low), float(high)
