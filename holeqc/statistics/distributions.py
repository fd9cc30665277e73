"""Distributions that readings may follow, each with density, share below and quantile, fitted by maximum likelihood.

Parameters are kept as numbers without bounds (logarithms of scales and shapes), so that a search can't leave them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Theta = FloatArray
_ROOT_TWO_PI = math.log(math.sqrt(2 * math.pi))


@dataclass(frozen=True, slots=True)
class Family:
    """One kind of distribution.

    ``start`` guesses theta from (mean, sd, smallest value); ``log_density``, ``below`` and ``quantile`` take theta
    first; ``names`` are the parameters that ``natural`` turns theta into. ``from_zero`` says that it begins at zero;
    ``holds_zero`` that a reading of exactly zero is possible in it.
    """

    key: str
    words: str
    names: tuple[str, ...]
    from_zero: bool
    holds_zero: bool
    start: Callable[[float, float, float], list[float]]
    log_density: Callable[[Theta, FloatArray], FloatArray]
    below: Callable[[Theta, FloatArray], FloatArray]
    quantile: Callable[[Theta, FloatArray], FloatArray]
    natural: Callable[[Theta], tuple[float, ...]]


def _location_scale(t: Theta) -> tuple[float, ...]:
    return float(t[0]), float(np.exp(t[1]))


def _exponentials(t: Theta) -> tuple[float, ...]:
    return tuple(float(v) for v in np.exp(t))


def _z(t: Theta, x: FloatArray) -> FloatArray:
    return np.asarray((x - t[0]) * np.exp(-t[1]))


def _normal_below(t: Theta, x: FloatArray) -> FloatArray:
    from scipy.special import ndtr

    return np.asarray(ndtr(_z(t, x)))


def _normal_quantile(t: Theta, p: FloatArray) -> FloatArray:
    from scipy.special import ndtri

    return np.asarray(t[0] + np.exp(t[1]) * ndtri(p))


def _gamma_log_density(t: Theta, x: FloatArray) -> FloatArray:
    from scipy.special import gammaln

    shape, ratio = np.exp(t[0]), x * np.exp(-t[1])
    return np.asarray((shape - 1) * np.log(ratio) - ratio - t[1] - gammaln(shape))


def _gamma_below(t: Theta, x: FloatArray) -> FloatArray:
    from scipy.special import gammainc

    return np.asarray(gammainc(np.exp(t[0]), np.maximum(x, 0.0) * np.exp(-t[1])))


def _gamma_quantile(t: Theta, p: FloatArray) -> FloatArray:
    from scipy.special import gammaincinv

    return np.asarray(np.exp(t[1]) * gammaincinv(np.exp(t[0]), p))


def _weibull_log_density(t: Theta, x: FloatArray) -> FloatArray:
    shape, log_ratio = np.exp(t[0]), np.log(x) - t[1]
    return np.asarray(t[0] - t[1] + (shape - 1) * log_ratio - np.exp(shape * log_ratio))


def _folded_log_density(t: Theta, x: FloatArray) -> FloatArray:
    s = np.exp(-t[1])
    return np.asarray(np.logaddexp(-0.5 * ((x - t[0]) * s) ** 2, -0.5 * ((x + t[0]) * s) ** 2) - t[1] - _ROOT_TWO_PI)


def _folded_below(t: Theta, x: FloatArray) -> FloatArray:
    from scipy.special import ndtr

    s, x = np.exp(-t[1]), np.maximum(x, 0.0)
    return np.asarray(ndtr((x - t[0]) * s) - ndtr((-x - t[0]) * s))


def _offset_radius_log_density(t: Theta, x: FloatArray) -> FloatArray:
    from scipy.special import i0e

    s = np.exp(-t[1])
    return np.asarray(np.log(x) - 2 * t[1] - 0.5 * ((x - abs(t[0])) * s) ** 2 + np.log(i0e(x * abs(t[0]) * s * s)))


def _offset_radius_below(t: Theta, x: FloatArray) -> FloatArray:
    from scipy.special import chndtr

    s = np.exp(-t[1])
    return np.asarray(chndtr((np.maximum(x, 0.0) * s) ** 2, 2.0, (t[0] * s) ** 2))


def _search(below: Callable[[Theta, FloatArray], FloatArray]) -> Callable[[Theta, FloatArray], FloatArray]:
    """Return the quantile function of a distribution from zero by bisection of its share below."""
    def quantile(t: Theta, p: FloatArray) -> FloatArray:
        p = np.asarray(p, dtype=float)
        low, high = np.zeros_like(p), np.full_like(p, abs(t[0]) + 12 * np.exp(t[1]))
        for _ in range(80):
            middle = (low + high) / 2
            under = below(t, middle) < p
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return np.asarray((low + high) / 2)
    return quantile


def _rayleigh_below(t: Theta, x: FloatArray) -> FloatArray:
    return np.asarray(-np.expm1(-0.5 * (np.maximum(x, 0.0) * np.exp(-t[0])) ** 2))


def _half_below(t: Theta, x: FloatArray) -> FloatArray:
    from scipy.special import erf

    return np.asarray(erf(np.maximum(x, 0.0) * np.exp(-t[0]) / math.sqrt(2)))


def _half_quantile(t: Theta, p: FloatArray) -> FloatArray:
    from scipy.special import ndtri

    return np.asarray(np.exp(t[0]) * ndtri((1 + p) / 2))


def _logistic_below(t: Theta, x: FloatArray) -> FloatArray:
    from scipy.special import expit

    return np.asarray(expit(_z(t, x)))


def _logistic_quantile(t: Theta, p: FloatArray) -> FloatArray:
    from scipy.special import logit

    return np.asarray(t[0] + np.exp(t[1]) * logit(p))


def _log_cells(x: FloatArray) -> FloatArray:
    return np.log(np.maximum(x, 1e-300))


_EULER = 0.5772156649015329
_MEAN_SD = ("mean", "standard deviation")

NORMAL = Family(
    "normal", "normal", _MEAN_SD, False, True, lambda m, s, _: [m, math.log(s)],
    lambda t, x: np.asarray(-0.5 * _z(t, x) ** 2 - t[1] - _ROOT_TWO_PI), _normal_below, _normal_quantile,
    _location_scale)
LOGISTIC = Family(
    "logistic", "logistic (symmetrical, heavier tails)", ("mean", "scale"), False, True,
    lambda m, s, _: [m, math.log(s * math.sqrt(3) / math.pi)],
    lambda t, x: np.asarray(-np.abs(_z(t, x)) - t[1] - 2 * np.log1p(np.exp(-np.abs(_z(t, x))))),
    _logistic_below, _logistic_quantile, _location_scale)
LARGEST = Family(
    "largest_extreme_value", "largest extreme value (long upper tail)", ("mode", "scale"), False, True,
    lambda m, s, _: [m - _EULER * s * math.sqrt(6) / math.pi, math.log(s * math.sqrt(6) / math.pi)],
    lambda t, x: np.asarray(-_z(t, x) - np.exp(-_z(t, x)) - t[1]),
    lambda t, x: np.asarray(np.exp(-np.exp(-_z(t, x)))),
    lambda t, p: np.asarray(t[0] - np.exp(t[1]) * np.log(-np.log(p))), _location_scale)
SMALLEST = Family(
    "smallest_extreme_value", "smallest extreme value (long lower tail)", ("mode", "scale"), False, True,
    lambda m, s, _: [m + _EULER * s * math.sqrt(6) / math.pi, math.log(s * math.sqrt(6) / math.pi)],
    lambda t, x: np.asarray(_z(t, x) - np.exp(_z(t, x)) - t[1]),
    lambda t, x: np.asarray(-np.expm1(-np.exp(_z(t, x)))),
    lambda t, p: np.asarray(t[0] + np.exp(t[1]) * np.log(-np.log1p(-p))), _location_scale)
HALF_NORMAL = Family(
    "half_normal", "half normal (distance on one axis, centred)", ("scale",), True, True,
    lambda m, s, _: [math.log(math.hypot(m, s))],
    lambda t, x: np.asarray(math.log(2) - 0.5 * (x * np.exp(-t[0])) ** 2 - t[0] - _ROOT_TWO_PI),
    _half_below, _half_quantile, _exponentials)
FOLDED = Family(
    "folded_normal", "folded normal (distance on one axis, off centre)", ("offset", "scale"), True, True,
    lambda m, s, _: [m, math.log(s)], _folded_log_density, _folded_below, _search(_folded_below),
    lambda t: (abs(float(t[0])), float(np.exp(t[1]))))
RAYLEIGH = Family(
    "rayleigh", "Rayleigh (distance in the plane, centred)", ("scale",), True, False,
    lambda m, s, _: [math.log(math.hypot(m, s) / math.sqrt(2))],
    lambda t, x: np.asarray(_log_cells(x) - 2 * t[0] - 0.5 * (x * np.exp(-t[0])) ** 2), _rayleigh_below,
    lambda t, p: np.asarray(np.exp(t[0]) * np.sqrt(-2 * np.log1p(-p))), _exponentials)
OFFSET_RADIUS = Family(
    "rice", "Rice (distance in the plane, off centre)", ("offset", "scale"), True, False,
    lambda m, s, _: [m, math.log(s)], _offset_radius_log_density, _offset_radius_below,
    _search(_offset_radius_below), lambda t: (abs(float(t[0])), float(np.exp(t[1]))))
WEIBULL = Family(
    "weibull", "Weibull", ("shape", "scale"), True, False,
    lambda m, s, _: [math.log(max(0.3, (m / s) ** 1.086)), math.log(m)], _weibull_log_density,
    lambda t, x: np.asarray(-np.expm1(-np.exp(np.exp(t[0]) * (_log_cells(x) - t[1])))),
    lambda t, p: np.asarray(np.exp(t[1] + np.log(-np.log1p(-p)) * np.exp(-t[0]))), _exponentials)
GAMMA = Family(
    "gamma", "gamma", ("shape", "scale"), True, False, lambda m, s, _: [2 * math.log(m / s), math.log(s * s / m)],
    _gamma_log_density, _gamma_below, _gamma_quantile, _exponentials)
LOGNORMAL = Family(
    "lognormal", "lognormal", ("mean of logarithms", "standard deviation of logarithms"), True, False,
    lambda m, s, _: [math.log(m) - 0.5 * math.log1p((s / m) ** 2), 0.5 * math.log(math.log1p((s / m) ** 2))],
    lambda t, x: np.asarray(-0.5 * _z(t, np.log(x)) ** 2 - t[1] - np.log(x) - _ROOT_TWO_PI),
    lambda t, x: _normal_below(t, _log_cells(x)), lambda t, p: np.asarray(np.exp(_normal_quantile(t, p))),
    _location_scale)

UNBOUNDED = (NORMAL, LOGISTIC, LARGEST, SMALLEST)
FROM_ZERO = (HALF_NORMAL, FOLDED, RAYLEIGH, OFFSET_RADIUS, WEIBULL, GAMMA, LOGNORMAL)


@dataclass(frozen=True, slots=True)
class Fitted:
    """A family fitted to readings: ``theta`` (k,), its covariance (k, k) or None, and the log likelihood."""

    family: Family
    theta: Theta
    covariance: FloatArray | None
    log_likelihood: float

    def below(self, x: FloatArray | float) -> FloatArray:
        """Return the share below ``x``."""
        return self.family.below(self.theta, np.asarray(x, dtype=float))

    def quantile(self, p: FloatArray | float) -> FloatArray:
        """Return the value with the share ``p`` below it."""
        return self.family.quantile(self.theta, np.asarray(p, dtype=float))


def _covariance(cost: Callable[[Theta], float], theta: Theta) -> FloatArray | None:
    """Return the inverse of the observed information, by central differences; None where it has none."""
    k = theta.size
    step = 1e-4 * np.maximum(1.0, np.abs(theta))
    hessian = np.empty((k, k))
    for i in range(k):
        for j in range(k):
            a, b = np.zeros(k), np.zeros(k)
            a[i], b[j] = step[i], step[j]
            hessian[i, j] = (cost(theta + a + b) - cost(theta + a - b) - cost(theta - a + b)
                             + cost(theta - a - b)) / (4 * step[i] * step[j])
    if not np.isfinite(hessian).all() or np.linalg.eigvalsh(hessian).min() <= 0:
        return None
    return np.asarray(np.linalg.inv(hessian))


def fit(family: Family, x: FloatArray, weights: FloatArray, mean: float, sd: float) -> Fitted:
    """Fit a family to values ``x`` (n,) that stand for ``weights`` (n,) readings each, by maximum likelihood.

    Values are scaled by ``sd`` (and shifted by ``mean`` for families without a bound) during the search; the density
    is given back for the readings' own unit.
    """
    from scipy.optimize import minimize

    shift = 0.0 if family.from_zero else mean
    u = (x - shift) / sd

    def cost(theta: Theta) -> float:
        with np.errstate(all="ignore"):  # a search may wander where a density is zero; such a place costs infinity
            value = -float(weights @ family.log_density(theta, u))
        return value if math.isfinite(value) else 1e300

    start = np.array(family.start((mean - shift) / sd, 1.0, float(u[0])))
    best = minimize(cost, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-9, "maxiter": 2000})
    theta = np.asarray(best.x, dtype=float)
    covariance = _covariance(cost, theta)
    # back to the readings' unit: scales move by ln sd, places by sd and shift, shapes stay
    move = np.zeros(theta.size)
    stretch = np.ones(theta.size)
    for i, name in enumerate(family.names):
        if name in ("mean", "mode", "offset"):
            stretch[i], move[i] = sd, shift
        elif name in ("scale", "standard deviation", "mean of logarithms"):
            move[i] = math.log(sd)
    if covariance is not None:
        covariance = covariance * np.outer(stretch, stretch)
    return Fitted(family, theta * stretch + move, covariance, -float(best.fun) - float(weights.sum()) * math.log(sd))
