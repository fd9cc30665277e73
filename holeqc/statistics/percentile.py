"""Capability of readings that aren't normal: the percentile method of ISO 22514-2 on a distribution chosen by evidence.

Every candidate is shown with its Akaike criterion and its test of fit. What can't fall below zero (diametral position,
out-of-roundness) is only ever fitted by distributions that begin at zero. The interval of an index doesn't rest on the
one chosen: it takes in every kind and shape that the readings don't contradict."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import (
    bdtr,
    betainc,
    betaincinv,
    betaln,
    chndtr,
    expit,
    gammainc,
    gammaincinv,
    gammaln,
    i0e,
    logit,
    ndtr,
    ndtri,
    stdtr,
    stdtrit,
)  # fmt: skip

from holeqc.problems import DataError
from holeqc.quantities import FloatArray
from holeqc.statistics.basics import as_values, chance_words, standard_deviation
from holeqc.statistics.indices import Interval, Limits
from holeqc.statistics.normality import SEED, anderson_darling, anderson_darling_p, grid_of

# Shapes of distribution that readings may follow, and their fit by maximum likelihood, every shape of a law at once.
#
# A law is a standard density g(z; shape) with z = (x - place) / scale. Its place is free on the line, a threshold below
# all readings, two ends around them, or zero itself; laws with a long lower tail are those with a long upper one,
# mirrored. Shapes stand on a grid and each is fitted by itself, so that what the readings say about the shape is seen
# as a whole and not at its best point alone.


Shape = tuple[FloatArray, ...]  #: one array a shape parameter, ready to be broadcast with z
LINE, THRESHOLD, ENDS, ZERO = "line", "threshold", "ends", "zero"
_ROOT_TWO_PI = math.log(math.sqrt(2 * math.pi))
_EXACT = 250  #: up to so many readings each enters by itself
_ROUNDS = 14
_CLOSE = 1e-10
_FIRM = 1e-5  #: least curvature of the log likelihood a reading that a step trusts
_LEAST_GAP = 1e-4  #: of the standard deviation, between the readings and the end of a law with two ends


@dataclass(frozen=True, slots=True)
class Law:
    """One kind of distribution.

    ``names`` are its shape parameters and ``shapes`` their grid; ``ends`` says where it lies; ``mirrored`` turns it
    about zero; ``holds_zero``: a reading of exactly zero is possible in a law from zero. ``log_density``, ``below``
    and ``quantile`` are those of the standard law.
    """

    key: str
    words: str
    names: tuple[str, ...]
    ends: str
    shapes: tuple[tuple[float, ...], ...]
    log_density: Callable[[Shape, FloatArray], FloatArray]
    below: Callable[[Shape, FloatArray], FloatArray]
    quantile: Callable[[Shape, FloatArray], FloatArray]
    mirrored: bool = False
    holds_zero: bool = True

    @property
    def from_zero(self) -> bool:
        """True for a law that begins at zero."""
        return self.ends == ZERO

    @property
    def parameters(self) -> int:
        """How many numbers are fitted: shapes, scale and, unless it begins at zero, place."""
        return len(self.names) + (1 if self.from_zero else 2)


def _normal_below(_: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(ndtr(z))


def _normal_quantile(_: Shape, p: FloatArray) -> FloatArray:
    return np.asarray(ndtri(p))


def _logistic_below(_: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(expit(z))


def _logistic_quantile(_: Shape, p: FloatArray) -> FloatArray:
    return np.asarray(logit(p))


def _student_log_density(s: Shape, z: FloatArray) -> FloatArray:
    v = s[0]
    factor = gammaln((v + 1) / 2) - gammaln(v / 2) - 0.5 * np.log(v * math.pi)
    return np.asarray(factor - (v + 1) / 2 * np.log1p(z * z / v))


def _student_below(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(stdtr(s[0], z))


def _student_quantile(s: Shape, p: FloatArray) -> FloatArray:
    return np.asarray(stdtrit(s[0], p))


def _power_log_density(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(np.log(s[0] / 2) - gammaln(1 / s[0]) - np.abs(z) ** s[0])


def _power_below(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(0.5 + 0.5 * np.sign(z) * gammainc(1 / s[0], np.abs(z) ** s[0]))


def _power_quantile(s: Shape, p: FloatArray) -> FloatArray:
    side = 2 * p - 1
    return np.asarray(np.sign(side) * gammaincinv(1 / s[0], np.abs(side)) ** (1 / s[0]))


def _ended_log_density(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray((s[0] - 1) * np.log(z) + (s[1] - 1) * np.log1p(-z) - betaln(s[0], s[1]))


def _ended_below(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(betainc(s[0], s[1], np.clip(z, 0.0, 1.0)))


def _ended_quantile(s: Shape, p: FloatArray) -> FloatArray:
    return np.asarray(betaincinv(s[0], s[1], p))


def _gamma_log_density(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray((s[0] - 1) * np.log(z) - z - gammaln(s[0]))


def _gamma_below(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(gammainc(s[0], np.maximum(z, 0.0)))


def _gamma_quantile(s: Shape, p: FloatArray) -> FloatArray:
    return np.asarray(gammaincinv(s[0], p))


def _weibull_log_density(s: Shape, z: FloatArray) -> FloatArray:
    log_z = np.log(z)
    return np.asarray(np.log(s[0]) + (s[0] - 1) * log_z - np.exp(s[0] * log_z))


def _lognormal_log_density(s: Shape, z: FloatArray) -> FloatArray:
    log_z = np.log(z)
    return np.asarray(-0.5 * (log_z / s[0]) ** 2 - log_z - np.log(s[0]) - _ROOT_TWO_PI)


def _lognormal_below(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(ndtr(np.log(np.maximum(z, 1e-300)) / s[0]))


def _lognormal_quantile(s: Shape, p: FloatArray) -> FloatArray:
    return np.asarray(np.exp(s[0] * ndtri(p)))


def _folded_log_density(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(np.logaddexp(-0.5 * (z - s[0]) ** 2, -0.5 * (z + s[0]) ** 2) - _ROOT_TWO_PI)


def _folded_below(s: Shape, z: FloatArray) -> FloatArray:
    z = np.maximum(z, 0.0)
    return np.asarray(ndtr(z - s[0]) - ndtr(-z - s[0]))


def _rice_log_density(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(np.log(z) - 0.5 * (z - s[0]) ** 2 + np.log(i0e(z * s[0])))


def _rice_below(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(chndtr(np.maximum(z, 0.0) ** 2, 2.0, s[0] ** 2))


def _search(below: Callable[[Shape, FloatArray], FloatArray]) -> Callable[[Shape, FloatArray], FloatArray]:
    """Return the quantile function of a standard law from zero by bisection of its share below."""

    def quantile(s: Shape, p: FloatArray) -> FloatArray:
        p, offset = np.broadcast_arrays(np.asarray(p, dtype=float), s[0])
        low, high = np.zeros(p.shape), offset + 12.0
        for _ in range(60):
            middle = (low + high) / 2
            under = below(s, middle) < p
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return np.asarray((low + high) / 2)

    return quantile


def _grid(*values: float) -> tuple[tuple[float, ...], ...]:
    return tuple((v,) for v in values)


def _rising(first: float, last: float, count: int) -> tuple[tuple[float, ...], ...]:
    return _grid(*np.geomspace(first, last, count).tolist())


def _weibull_below(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(-np.expm1(-(np.maximum(z, 0.0) ** s[0])))


def _weibull_quantile(s: Shape, p: FloatArray) -> FloatArray:
    return np.asarray((-np.log1p(-p)) ** (1 / s[0]))


_GAMMA = (_gamma_log_density, _gamma_below, _gamma_quantile)
_WEIBULL = (_weibull_log_density, _weibull_below, _weibull_quantile)
_LOGNORMAL = (_lognormal_log_density, _lognormal_below, _lognormal_quantile)
_NONE = ((),)

NORMAL = Law(
    "normal", "normal", (), LINE, _NONE, lambda _, z: np.asarray(-0.5 * z * z - _ROOT_TWO_PI), _normal_below,
    _normal_quantile,
)  # fmt: skip
LOGISTIC = Law(
    "logistic", "logistic (symmetrical, heavier tails)", (), LINE, _NONE,
    lambda _, z: np.asarray(-np.abs(z) - 2 * np.log1p(np.exp(-np.abs(z)))), _logistic_below, _logistic_quantile,
)  # fmt: skip
_LARGEST = (
    lambda _, z: np.asarray(-z - np.exp(-z)),
    lambda _, z: np.asarray(np.exp(-np.exp(-z))),
    lambda _, p: np.asarray(-np.log(-np.log(p))),
)
LARGEST = Law("largest_extreme_value", "largest extreme value (long upper tail)", (), LINE, _NONE, *_LARGEST)
SMALLEST = Law(
    "smallest_extreme_value", "smallest extreme value (long lower tail)", (), LINE, _NONE, *_LARGEST, mirrored=True
)
STUDENT = Law(
    "student_t", "Student's t (symmetrical, heavy tails)", ("degrees of freedom",), LINE,
    _grid(2.5, 3, 4, 5, 7, 10, 15, 25), _student_log_density, _student_below, _student_quantile,
)  # fmt: skip
POWER = Law(
    "power_exponential", "power exponential (symmetrical, tails from heavy to none)", ("power",), LINE,
    _grid(1, 1.3, 1.6, 2.5, 3, 4, 6, 9, 14), _power_log_density, _power_below, _power_quantile,
)  # fmt: skip
TWO_ENDS = Law(
    "beta", "beta (ends on both sides)", ("first shape", "second shape"), ENDS,
    ((1.1, 1.1), (1.5, 1.5), (2, 2), (3, 3), (1.1, 1.8), (1.8, 1.1), (1.5, 3), (3, 1.5)), _ended_log_density,
    _ended_below, _ended_quantile,
)  # fmt: skip
# shapes nearer to 1 than these have no greatest likelihood, because the density is endless at the threshold
_FROM_THRESHOLD = [
    (key, words, name, shapes, functions) for key, words, name, shapes, functions in (
        ("lognormal", "lognormal", "standard deviation of logarithms", _rising(0.03, 1.2, 14), _LOGNORMAL),
        ("gamma", "gamma", "shape", _rising(1.1, 60, 12), _GAMMA),
        ("weibull", "Weibull", "shape", _grid(1.1, 1.25, 1.4, 1.6, 1.8, 2, 2.3, 2.6, 3, 3.6, 4.5, 6), _WEIBULL),
    )
]  # fmt: skip
ABOVE = tuple(
    Law(f"{key}_above_threshold", f"{words} above a threshold", (name,), THRESHOLD, shapes, *functions)
    for key, words, name, shapes, functions in _FROM_THRESHOLD
)
BENEATH = tuple(
    Law(f"{key}_below_threshold", f"{words} below a threshold", (name,), THRESHOLD, shapes, *functions, mirrored=True)
    for key, words, name, shapes, functions in _FROM_THRESHOLD
)

HALF_NORMAL = Law(
    "half_normal", "half normal (distance on one axis, centred)", (), ZERO, _NONE,
    lambda _, z: np.asarray(math.log(2) - 0.5 * z * z - _ROOT_TWO_PI),
    lambda _, z: _folded_below((np.asarray(0.0),), z), lambda _, p: _normal_quantile((), np.asarray((1 + p) / 2)),
)  # fmt: skip
_OFFSETS = _grid(0.3, 0.6, 0.9, 1.2, 1.5, 1.9, 2.4, 3, 4, 6, 9)
FOLDED = Law(
    "folded_normal", "folded normal (distance on one axis, off centre)", ("offset in sigma",), ZERO, _OFFSETS,
    _folded_log_density, _folded_below, _search(_folded_below),
)  # fmt: skip
RAYLEIGH = Law(
    "rayleigh", "Rayleigh (distance in the plane, centred)", (), ZERO, _NONE,
    lambda _, z: np.asarray(np.log(z) - 0.5 * z * z),
    lambda _, z: np.asarray(-np.expm1(-0.5 * np.maximum(z, 0.0) ** 2)),
    lambda _, p: np.asarray(np.sqrt(-2 * np.log1p(-p))), holds_zero=False,
)  # fmt: skip
OFFSET_RADIUS = Law(
    "rice", "Rice (distance in the plane, off centre)", ("offset in sigma",), ZERO, _OFFSETS, _rice_log_density,
    _rice_below, _search(_rice_below), holds_zero=False,
)  # fmt: skip
WEIBULL = Law("weibull", "Weibull", ("shape",), ZERO, _rising(0.6, 9, 16), *_WEIBULL, holds_zero=False)
GAMMA = Law("gamma", "gamma", ("shape",), ZERO, _rising(0.5, 90, 16), *_GAMMA, holds_zero=False)
LOGNORMAL = Law(
    "lognormal", "lognormal", ("standard deviation of logarithms",), ZERO, _rising(0.05, 1.6, 16), *_LOGNORMAL,
    holds_zero=False,
)  # fmt: skip

UNBOUNDED = (NORMAL, LOGISTIC, LARGEST, SMALLEST, STUDENT, POWER, TWO_ENDS, *ABOVE, *BENEATH)
FROM_ZERO = (HALF_NORMAL, FOLDED, RAYLEIGH, OFFSET_RADIUS, WEIBULL, GAMMA, LOGNORMAL)


@dataclass(frozen=True, slots=True)
class Fitted:
    """A law fitted to readings: its ``shape`` parameters, ``place``, ``scale`` and the log likelihood."""

    law: Law
    shape: tuple[float, ...]
    place: float
    scale: float
    log_likelihood: float

    @property
    def parameters(self) -> dict[str, float]:
        """The fitted numbers by name; of a mirrored law the place is still where it stands in the readings."""
        place = (
            {}
            if self.law.from_zero
            else {
                "lower end"
                if self.law.ends == ENDS
                else "threshold"
                if self.law.ends == THRESHOLD
                else "place": self.place
            }
        )
        return dict(zip(self.law.names, self.shape, strict=True)) | place | {"scale": self.scale}

    def _turned(self, x: FloatArray | float) -> FloatArray:
        z = (np.asarray(x, dtype=float) - self.place) / self.scale
        return -z if self.law.mirrored else z

    def _shape(self) -> Shape:
        return tuple(np.asarray(v) for v in self.shape)

    def below(self, x: FloatArray | float) -> FloatArray:
        """Return the share below ``x``."""
        with np.errstate(over="ignore"):
            share = self.law.below(self._shape(), self._turned(x))
        return 1 - share if self.law.mirrored else share

    def above(self, x: FloatArray | float) -> FloatArray:
        """Return the share above ``x``."""
        return 1 - self.below(x)

    def density(self, x: FloatArray) -> FloatArray:
        """Return the density at ``x``, 0 outside."""
        with np.errstate(all="ignore"):
            found = np.exp(self.law.log_density(self._shape(), self._turned(x))) / self.scale
        return np.where(np.isfinite(found), found, 0.0)

    def quantile(self, p: FloatArray | float) -> FloatArray:
        """Return the value with the share ``p`` below it."""
        p = np.asarray(p, dtype=float)
        z = self.law.quantile(self._shape(), 1 - p if self.law.mirrored else p)
        return self.place + self.scale * (-z if self.law.mirrored else z)


def cells(ordered: FloatArray, *, fine: bool = False) -> tuple[FloatArray, FloatArray]:
    """Return (values, weights) that stand for sorted readings: each by itself, of many the means of narrow cells.

    Cells begin at ranks that grow by a share of themselves from either end, and nowhere hold more than a small share of
    all, so that tails are taken value by value and the middle in steps of a hundredth of sigma.
    """
    n = ordered.size
    growth, most = (1.04, 1000) if fine else (1.15, 80)
    if n <= (2000 if fine else _EXACT):
        return ordered, np.ones(n)
    ranks = np.floor(growth ** np.arange(math.ceil(math.log(n) / math.log(growth))) - 1)
    starts = np.unique(np.concatenate([ranks, n - 1 - ranks, np.linspace(0, n - 1, most)]).astype(np.int64))
    starts = starts[(starts >= 0) & (starts < n)]
    counts = np.diff(np.append(starts, n)).astype(float)
    return np.add.reduceat(ordered, starts) / counts, counts


@dataclass(frozen=True, slots=True)
class Sample:
    """Readings in units of their own: sorted ``u`` (n,) with ``weights`` (n,); the reading is ``origin + unit * u``."""

    u: FloatArray
    weights: FloatArray
    origin: float
    unit: float

    @classmethod
    def of(cls, values: FloatArray, weights: FloatArray, *, from_zero: bool) -> Sample:
        """Return sorted values with their weights, about their mean unless they begin at zero."""
        total = float(weights.sum())
        mean = float(weights @ values) / total
        unit = math.sqrt(float(weights @ (values - mean) ** 2) / total)
        origin = 0.0 if from_zero else mean
        return cls((values - origin) / unit, weights, origin, unit)


@dataclass(frozen=True, slots=True)
class Surface:
    """A law's fit at every shape of its grid (S of them).

    ``theta`` (S, 2) are place and logarithm of scale as `place_and_scale` reads them, ``likelihood`` (S,) the greatest
    log likelihood of each, ``bend`` (S, 2, 2) its curvature there.
    """

    law: Law
    shapes: tuple[tuple[float, ...], ...]
    sample: Sample
    theta: FloatArray
    likelihood: FloatArray
    bend: FloatArray

    def place_and_scale(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return (place, scale) of the law, not mirrored, in the sample's unit."""
        u = -self.sample.u[::-1] if self.law.mirrored else self.sample.u
        first, second = theta[..., 0], theta[..., 1]
        if self.law.ends == ENDS:
            low = u[0] - np.maximum(np.exp(first), _LEAST_GAP)
            return np.asarray(low), np.asarray(u[-1] + np.maximum(np.exp(second), _LEAST_GAP) - low)
        scale = np.exp(second)
        if self.law.ends == ZERO:
            return np.zeros(scale.shape), scale
        return np.asarray(u[0] - np.exp(first) if self.law.ends == THRESHOLD else first), scale

    def log_likelihood(self, theta: FloatArray) -> FloatArray:
        """Return the log likelihood of ``theta`` (S, k, 2), shape (S, k); hugely negative where it has none."""
        u = -self.sample.u[::-1] if self.law.mirrored else self.sample.u
        w = self.sample.weights[::-1] if self.law.mirrored else self.sample.weights
        place, scale = self.place_and_scale(theta)
        with np.errstate(all="ignore"):  # a search may wander where a density is zero
            z = (u - place[..., None]) / scale[..., None]
            found = self.law.log_density(_stacked(self.shapes, 3), z) @ w - w.sum() * np.log(scale)
        return np.where(np.isfinite(found), found, -1e300)

    def quantiles(self, theta: FloatArray, p: FloatArray) -> FloatArray:
        """Return the readings' quantiles ``p`` (m,) at ``theta`` (S, k, 2), shape (S, k, m), in their own unit."""
        place, scale = self.place_and_scale(theta)
        z = self.law.quantile(_stacked(self.shapes, 2), 1 - p if self.law.mirrored else p)
        z = np.broadcast_to(z, (len(self.shapes), p.size))
        u = place[..., None] + scale[..., None] * z[:, None, :]
        return np.asarray(self.sample.origin + self.sample.unit * (-u if self.law.mirrored else u))

    def best(self) -> Fitted:
        """Return the fit at the best shape of the grid."""
        i = int(np.argmax(self.likelihood))
        place, scale = (float(v[i]) for v in self.place_and_scale(self.theta))
        unit = self.sample.unit
        return Fitted(
            self.law, self.shapes[i], self.sample.origin + unit * (-place if self.law.mirrored else place),
            unit * scale, float(self.likelihood[i]) - float(self.sample.weights.sum()) * math.log(unit),
        )  # fmt: skip


def _stacked(shapes: tuple[tuple[float, ...], ...], dimensions: int) -> Shape:
    table = np.array(shapes, dtype=float).reshape(len(shapes), -1)
    return tuple(column.reshape((-1,) + (1,) * (dimensions - 1)) for column in table.T)


@lru_cache(maxsize=64)
def _standard_moments(law: Law, shapes: tuple[tuple[float, ...], ...]) -> tuple[FloatArray, FloatArray]:
    """Return (means, standard deviations) of the standard law, roughly: they only start a search."""
    p = (np.arange(40) + 0.5) / 40
    q = np.broadcast_to(law.quantile(_stacked(shapes, 2), p), (len(shapes), p.size))
    return q.mean(axis=1), q.std(axis=1)


def _start(law: Law, shapes: tuple[tuple[float, ...], ...], sample: Sample) -> FloatArray:
    middle, spread = _standard_moments(law, shapes)
    theta = np.zeros((len(shapes), 2))
    if law.ends == ENDS:
        theta[:] = math.log(max(float(sample.u[-1] - sample.u[0]) / float(sample.weights.sum()), 10 * _LEAST_GAP))
    elif law.ends == ZERO:
        theta[:, 1] = np.log(float(sample.weights @ sample.u) / float(sample.weights.sum()) / middle)
    else:
        theta[:, 1] = -np.log(spread)
        least = float(-sample.u[-1] if law.mirrored else sample.u[0])
        place = -middle / spread
        theta[:, 0] = np.log(np.maximum(least - place, 0.1)) if law.ends == THRESHOLD else place
    return theta


_STENCIL = np.array([(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, -1)], dtype=float)
_STRETCH = np.array([0.0, 1.0, 0.5, 0.2, 0.05])


def surface(
    law: Law, sample: Sample, shapes: tuple[tuple[float, ...], ...] | None = None, start: FloatArray | None = None,
    enough: float = 1e-3,
) -> Surface:  # fmt: skip
    """Fit place and scale at every shape of a law at once: Newton's method with differences, damped where it must be.

    ``shapes`` takes the place of the law's own grid, ``start`` (S, 2) that of the search's own
    beginning; the search ends where a further step promises less than ``enough`` of log likelihood.
    """
    grid = law.shapes if shapes is None else shapes
    total = float(sample.weights.sum())
    theta = _start(law, grid, sample) if start is None else start
    made = Surface(law, grid, sample, theta, np.empty(0), np.empty(0))
    h = 1e-3 if enough == _CLOSE else min(0.3 / math.sqrt(total), 0.05)
    for turn in range(_ROUNDS):
        f = made.log_likelihood(theta[:, None, :] + h * _STENCIL)
        slope = np.stack([f[:, 1] - f[:, 2], f[:, 3] - f[:, 4]], axis=1) / (2 * h)
        first, last = -(f[:, 1] + f[:, 2] - 2 * f[:, 0]) / h**2, -(f[:, 3] + f[:, 4] - 2 * f[:, 0]) / h**2
        across = -((f[:, 5] + f[:, 6] - 2 * f[:, 0]) / h**2 + first + last) / 2
        bend = np.stack([np.stack([first, across], axis=1), np.stack([across, last], axis=1)], axis=1)
        least = (first + last) / 2 - np.hypot((first - last) / 2, across)
        firm = bend + np.maximum(_FIRM * total - least, 0.0)[:, None, None] * np.eye(2)
        step = np.linalg.solve(firm, slope[..., None])[..., 0]
        if turn == _ROUNDS - 1 or bool(np.all(np.sum(slope * step, axis=1) < 2 * enough)):
            break
        step /= np.maximum(np.hypot(step[:, 0], step[:, 1]), 1.0)[:, None]
        tries = made.log_likelihood(theta[:, None, :] + _STRETCH[None, :, None] * step[:, None, :])
        theta = theta + _STRETCH[np.argmax(tries, axis=1)][:, None] * step
    return Surface(law, grid, sample, theta, f[:, 0], bend)


def sharpen(rough: Surface, sample: Sample, rounds: int = 4) -> Surface:
    """Return the surface at shapes ever closer to the best one; ``sample`` may be a finer one."""
    i = int(np.argmax(rough.likelihood))
    law, shapes, theta = rough.law, rough.shapes, rough.theta[i]
    if len(law.names) != 1:
        return surface(law, sample, (shapes[i],), theta[None], _CLOSE)
    found = rough
    for _ in range(rounds):
        low, high = shapes[max(i - 1, 0)][0], shapes[min(i + 1, len(shapes) - 1)][0]
        shapes = _grid(*np.geomspace(low, high, 7).tolist())
        found = surface(law, sample, shapes, np.tile(theta, (7, 1)), _CLOSE)
        i = int(np.argmax(found.likelihood))
        theta = found.theta[i]
    return found


LOW, MIDDLE, HIGH = 0.00135, 0.5, 0.99865  #: the reference percentiles of ISO 22514-2
FEWEST = 8
_MANY = 12_000  #: longer series have their rounding out of reach
POOR_FIT = 0.01
FAR_BEHIND = 20.0  #: a candidate this far behind has next to no support (Burnham and Anderson, 2002, section 2.6)
_WAYS = 2 * math.pi * np.arange(16) / 16  #: directions in which the edge of what the readings allow is sought


@dataclass(frozen=True, slots=True)
class Candidate:
    """A fitted distribution as evidence: smaller ``aicc`` is better, ``p`` is the chance of a fit this poor.

    ``A2_adjusted`` is the Anderson-Darling statistic of the readings' normal scores (Chen and Balakrishnan, Journal
    of Quality Technology 27, 1995), ``behind`` how far ``aicc`` lies behind the best.
    """

    key: str
    words: str
    parameters: dict[str, float]
    aicc: float
    behind: float
    A2_adjusted: float | None
    p: float | None


@dataclass(frozen=True, slots=True)
class Choice:
    """The chosen distribution, all candidates from best to worst, and the words for the choice.

    ``surfaces`` are the fits of every kind at every shape, ``n`` the readings, ``p`` the chance of a fit as poor as the
    chosen one's with rounding allowed for.
    """

    chosen: Fitted
    candidates: tuple[Candidate, ...]
    words: str
    n: int
    p: float | None
    surfaces: tuple[Surface, ...] = field(repr=False)


def normal_scores(fitted: Fitted, values: FloatArray) -> FloatArray:
    """Return values turned into a standard normal through a fitted distribution, shape of ``values``.

    Under a distribution that begins at zero a reading of exactly zero has been rounded down from anywhere inside half a
    step: it is placed in the middle of that (the step is the smallest reading above zero), not at the end of the
    distribution, where it would look like the most unusual value of all.
    """
    tiny = np.finfo(float).tiny
    if fitted.law.from_zero and np.any(values == 0) and np.any(values > 0):
        values = np.maximum(values, float(np.min(values[values > 0])) / 4)
    return np.asarray(ndtri(np.clip(fitted.below(values), tiny, 1 - 1e-16)))


def choose_distribution(values: ArrayLike, *, from_zero: bool = False) -> Choice:
    """Fit every candidate to ``values`` (n,) and choose the one with the smallest corrected Akaike criterion.

    ``from_zero`` says that the quantity can't be negative; only distributions that begin at zero are then tried.
    Raises ``DataError`` for fewer than eight readings, no scatter, or a negative reading of such a quantity.
    """
    x = np.sort(as_values(values))
    x = x[~np.isnan(x)]
    n = x.size
    if n < FEWEST:
        raise DataError(f"a distribution can't be chosen from {n} readings; allowed: at least {FEWEST}")
    if x[0] == x[-1]:
        raise DataError("identical readings follow no distribution that could be told")
    if from_zero and x[0] < 0:
        raise DataError(f"the quantity can't be negative, but the smallest reading is {x[0]:g}")
    zeros = int(np.count_nonzero(x == 0)) if from_zero else 0
    laws = [f for f in (FROM_ZERO if from_zero else UNBOUNDED) if f.holds_zero or not zeros]
    sample = Sample.of(*cells(x), from_zero=from_zero)
    surfaces = tuple(surface(law, sample) for law in laws)
    fits = [s.best() for s in surfaces]
    # shapes of the grid lie so far apart that a law may gain this much by one between them
    near = min(_aicc(f, n) for f in fits) + 0.5 + 0.02 * n
    fine = sample if n <= sample.u.size else Sample.of(*cells(x, fine=True), from_zero=from_zero)
    fits = [sharpen(s, fine).best() if _aicc(f, n) < near else f for s, f in zip(surfaces, fits, strict=True)]
    scores = [_aicc(f, n) for f in fits]
    order = sorted(range(len(fits)), key=lambda i: scores[i])
    best = scores[order[0]]
    # a test costs much in a long series, and a candidate far behind is out already
    candidates = tuple(
        _candidate(fits[i], x if scores[i] < best + FAR_BEHIND else None, scores[i], scores[i] - best) for i in order
    )
    chosen, p = fits[order[0]], candidates[0].p
    if p is not None and p < POOR_FIT:
        p = _unrounded_p(chosen, x, standard_deviation(x), p)
    return Choice(chosen, candidates, _choice_words(candidates, zeros, p), n, p, surfaces)


def _aicc(fitted: Fitted, n: int) -> float:
    k = fitted.law.parameters
    return 2 * k - 2 * fitted.log_likelihood + (2 * k * (k + 1) / (n - k - 1) if n > k + 1 else 0.0)


def _candidate(fitted: Fitted, ordered: FloatArray | None, aicc: float, behind: float) -> Candidate:
    test = None
    if ordered is not None:
        scores = normal_scores(fitted, ordered)
        test = anderson_darling(scores, ordered=True) if scores[0] < scores[-1] else None
    return Candidate(
        fitted.law.key, fitted.law.words, fitted.parameters, aicc, behind, test.A2_adjusted if test else None,
        test.p if test else None,
    )  # fmt: skip


def _unrounded_p(fitted: Fitted, ordered: FloatArray, sd: float, plain: float) -> float:
    """Return the p of the fit with each reading spread at random (seeded) over the step that it was rounded to."""
    gaps = np.diff(ordered)
    step = grid_of(ordered, float(gaps[gaps > 1e-9 * sd].min()), sd) if ordered.size <= _MANY else None
    if step is None:
        return plain
    spread = ordered + step * np.random.default_rng(SEED).uniform(-0.5, 0.5, ordered.size)
    found = anderson_darling(normal_scores(fitted, np.sort(np.abs(spread) if fitted.law.from_zero else spread)))
    return plain if found.p is None else max(found.p, plain)


def _choice_words(candidates: tuple[Candidate, ...], zeros: int, p: float | None) -> str:
    best = candidates[0]
    words = f"{best.words} fits best of {len(candidates)}"
    near = [c.words for c in candidates[1:] if c.behind < 2]
    if near:
        words += f"; about as well: {', '.join(near)}"
    if p is not None and p < POOR_FIT:
        words += f"; yet it fits poorly ({chance_words(p)}): trust the observed share more than this index"
    if zeros:
        words += f"; {zeros} readings of exactly zero leave out distributions that have none"
    return words


@dataclass(frozen=True, slots=True)
class PercentileCapability:
    """Indices from percentiles: the fitted distribution takes the place of mean and six sigma (ISO 22514-2).

    ``low``, ``median``, ``high`` are the 0.135 %, 50 % and 99.865 % points, of many readings as counted. ``below``
    and ``above`` are the expected shares outside. The interval of Ppk is that of `any_shape`.
    """

    Pp: float | None
    Ppk: float | None
    Ppl: float | None
    Ppu: float | None
    low: float
    median: float
    high: float
    interval: Interval | None
    below: float
    above: float
    choice: Choice


@dataclass(frozen=True, slots=True)
class AnyShape:
    """Intervals of ``Pp`` and ``Ppk`` by percentiles that hold whatever the shape; None where ``words`` say why.

    ``at_least``: they hold at least the stated confidence; else about it (tests/benchmarks/coverage_indices.py).
    """

    Pp: Interval | None
    Ppk: Interval | None
    words: str
    at_least: bool = False


def _from_percentiles(limits: Limits, q: FloatArray, natural_zero: bool = False) -> dict[str, FloatArray]:
    """Return the indices that the limits ask for from percentiles ``q`` (..., 3), each of shape (...)."""
    low, middle, high = q[..., 0], q[..., 1], q[..., 2]
    found = {}
    if limits.lower is not None and not natural_zero:
        found["Ppl"] = (middle - limits.lower) / (middle - low)
    if limits.upper is not None:
        found["Ppu"] = (limits.upper - middle) / (high - middle)
    if limits.width is not None and not natural_zero:
        found["Pp"] = np.asarray(limits.width / (high - low))
    sides = [v for k, v in found.items() if k != "Pp"]
    return found | {"Ppk": np.minimum(sides[0], sides[-1])}


def _natural_zero(limits: Limits, from_zero: bool) -> bool:
    """Return whether the lower limit is zero for what can't be negative: it limits nothing and gives no index."""
    natural = from_zero and limits.lower is not None and limits.lower <= 0
    if not limits.given:
        raise DataError("capability by percentiles needs a limit")
    if natural and limits.upper is None:
        raise DataError("a quantity that can't be negative is not limited by a lower limit of zero")
    return natural


def percentile_capability(
    limits: Limits, values: ArrayLike, *, from_zero: bool = False, choice: Choice | None = None,
    shapes: AnyShape | None = None,
) -> PercentileCapability:  # fmt: skip
    """Return capability by percentiles for readings ``values`` (n,); arguments as in `choose_distribution`.

    Raises ``DataError`` as `choose_distribution` does, without a limit, or for what `any_shape` refuses.
    """
    natural = _natural_zero(limits, from_zero)
    x = as_values(values)
    picked = choice or choose_distribution(values, from_zero=from_zero)
    if shapes is None:
        shapes = any_shape(limits, np.sort(x), choice=picked, from_zero=from_zero)
    fitted = picked.chosen
    points = np.array([LOW, MIDDLE, HIGH])
    many = rank_shares(x.size, (1 - 0.95) / 3) is not None  # the readings themselves tell their percentiles
    q = np.nanquantile(x, points) if many else fitted.quantile(points)
    found = {k: float(v) for k, v in _from_percentiles(limits, q, natural).items()}
    below = 0.0 if limits.lower is None else float(fitted.below(limits.lower))
    above = 0.0 if limits.upper is None else float(fitted.above(limits.upper))
    return PercentileCapability(
        found.get("Pp"), found["Ppk"], found.get("Ppl"), found.get("Ppu"), float(q[0]), float(q[1]), float(q[2]),
        shapes.Ppk, below, above, picked,
    )  # fmt: skip


def any_shape(
    limits: Limits, ordered: FloatArray, *, choice: Choice | None = None, from_zero: bool = False,
    confidence: float = 0.95, counted: int | None = None,
) -> AnyShape:  # fmt: skip
    """Return intervals of Pp and Ppk by percentiles that hold with about ``confidence`` whatever the shape.

    ``ordered`` (n,) are the readings by size, ``counted`` how many independent ones they are worth, ``choice`` their
    fits where these are known. Of many readings the order alone gives the percentiles' intervals (`_by_order`); of
    fewer every law and shape is taken whose likelihood is near enough to the best (`_by_likelihood`). Raises
    ``DataError`` without a limit.
    """
    natural = _natural_zero(limits, from_zero)
    n = ordered.size
    worth = n if counted is None else min(counted, n)
    ranks = rank_shares(worth, (1 - confidence) / 3)
    if ranks is not None:
        return _by_order(limits, ordered, ranks, natural)
    if worth < FEWEST:
        return AnyShape(None, None, f"{worth} readings can't show their shape, {FEWEST} are the fewest")
    if ordered[0] == ordered[-1]:
        return AnyShape(None, None, "identical readings show no shape")
    fits = choice or choose_distribution(ordered, from_zero=from_zero)
    p, best = fits.p, fits.candidates[0].A2_adjusted
    if worth < n and best is not None:  # the test takes readings as independent: scaled by the design effect
        p = anderson_darling_p(best * worth / n)
    if p is not None and p < POOR_FIT:
        return AnyShape(None, None, f"none of {len(fits.surfaces)} kinds of distribution fits (best {chance_words(p)})")
    return _by_likelihood(limits, fits, worth, confidence, natural)


def rank_shares(n: int, tail: float) -> FloatArray | None:
    """Return the shares of the readings between which each reference percentile lies, (3, 2), None for too few.

    The number of ``n`` readings below a percentile is binomial whatever the shape (David and Nagaraja, Order
    Statistics, 3rd ed., 7.1); each pair fails with a chance of at most ``tail``.
    """
    if n * LOW < -math.log(tail / 2):
        return None
    found = []
    for p in (LOW, MIDDLE, HIGH):
        reach = 9 * math.sqrt(n * p * (1 - p)) + 20
        counts = np.arange(max(0, math.floor(n * p - reach)), min(n, math.ceil(n * p + reach)) + 1)
        chance = bdtr(counts.astype(float), n, p)
        first = int(np.searchsorted(chance, tail / 2, side="right"))
        last = int(np.searchsorted(chance, 1 - tail / 2))
        found.append((max(float(counts[first]), 1.0) / n, min(float(counts[min(last, counts.size - 1)]) + 1, n) / n))
    return np.array(found)


def _by_order(limits: Limits, ordered: FloatArray, ranks: FloatArray, natural: bool) -> AnyShape:
    ends = ordered[np.clip(np.rint(ranks * ordered.size).astype(np.int64) - 1, 0, ordered.size - 1)]
    every = np.stack(np.meshgrid(*ends, indexing="ij"), axis=-1).reshape(-1, 3)
    every = every[(every[:, 1] > every[:, 0]) & (every[:, 2] > every[:, 1])]
    words = "from the order of the readings alone"
    if not every.size:
        return AnyShape(None, None, "the gauge's step hides the percentiles")
    spans = {k: (float(v.min()), float(v.max())) for k, v in _from_percentiles(limits, every, natural).items()}
    return AnyShape(spans.get("Pp"), spans["Ppk"], words, at_least=True)


def allowed_drop(n: int, confidence: float, *, from_zero: bool = False) -> tuple[float, float]:
    """Return how far below the greatest log likelihood of ``n`` readings lies what each end of an index takes in.

    The lower end goes farther down than the upper one, since few readings seldom show the tail that makes an index
    small: most of all about 25 of a t. The upper one goes down with the readings, because a shape that is none of the
    laws is missed ever more surely. Numbers of ours, from simulation at 95 % of nine
    distributions with other seeds than those of the printed table (tests/benchmarks/coverage_indices.py); for
    other levels they go with the square of the normal quantile, as half a chi-square with one degree of freedom does.
    """
    scale = float(ndtri(0.5 + confidence / 2)) ** 2 / 3.8415
    if from_zero:
        low, high = 3.0 - 32 / (n + 15), 2.4 - 10.5 / n
    else:
        low, high = min(4.2 - 19 / n, 4.15 - 0.217 * math.log(n)), 0.14 + 0.416 * math.log(n)
    return low * scale, high * scale


def _by_likelihood(limits: Limits, fits: Choice, counted: int, confidence: float, natural: bool) -> AnyShape:
    """Return the least and greatest index over all laws, shapes, places and scales that the readings allow.

    What is allowed is `allowed_drop`, with readings that are worth fewer weighed so. The edge of each shape's region is
    sought in 16 directions.
    """
    from_zero = fits.chosen.law.from_zero
    drops = [drop * fits.n / counted for drop in allowed_drop(counted, confidence, from_zero=from_zero)]
    ends = [_reached(limits, fits, drop, natural) for drop in drops]
    words = f"over every shape of {len(fits.surfaces)} kinds of distribution that the readings allow"
    low, high = ({k: (float(v.min()), float(v.max())) for k, v in end.items()} for end in ends)
    spans = {k: (low[k][0], high[k][1]) for k in low}
    return AnyShape(spans.get("Pp"), spans["Ppk"], words)


def _allowed(fits: Choice, drop: float) -> Iterator[tuple[Surface, FloatArray, np.ndarray]]:
    """Yield (fits (S), their theta (S, k, 2), whether each is allowed) for what lies at most ``drop`` below the best.

    Theta are each shape's best place and scale and the edge of what is allowed about it.
    """
    ways = np.stack([np.cos(_WAYS), np.sin(_WAYS)], axis=1)
    top = max(float(s.likelihood.max()) for s in fits.surfaces)
    for each in fits.surfaces:
        room = drop - (top - each.likelihood)
        kept = np.flatnonzero(room > 0)
        if not kept.size:
            continue
        part = Surface(
            each.law, tuple(each.shapes[i] for i in kept), each.sample, each.theta[kept], each.likelihood[kept],
            each.bend[kept],
        )  # fmt: skip
        spread, turn = np.linalg.eigh(part.bend)
        unit = np.einsum("sij,skj->ski", turn, ways / np.sqrt(np.maximum(spread, 1e-3 * fits.n))[:, None, :])
        at, inside = _edge(part, unit, room[kept])
        taken = np.concatenate([np.ones((kept.size, 1), dtype=bool), inside], axis=1)
        yield part, np.concatenate([part.theta[:, None, :], at], axis=1), taken


def _reached(limits: Limits, fits: Choice, drop: float, natural: bool) -> dict[str, FloatArray]:
    """Return the indices on the edge of what lies at most ``drop`` below the greatest log likelihood."""
    points = np.array([LOW, MIDDLE, HIGH])
    found = [
        _from_percentiles(limits, part.quantiles(at, points)[taken], natural)
        for part, at, taken in _allowed(fits, drop)
    ]
    return {k: np.concatenate([f[k] for f in found]) for k in found[0]}


#: how many times the drop of a normal's log likelihood a proven share takes in. Of ours, from simulation: with 3.5
#: between 88 and 100 of 100 bounds of nine distributions held where 90 are promised, 95 to 100 where 95 are, with 10 to
#: 100 readings (tests/benchmarks/coverage_sampling.py); with 2 some held in 65
_SHARE_DROP = 3.5


def share_above(limit: float, values: ArrayLike, confidence: float) -> float | None:
    """Return the share above ``limit`` that values (n,) prove with about ``confidence`` whatever the shape.

    It is the least over every law, shape, place and scale that the values allow (`_SHARE_DROP`). None where no
    distribution fits, or values are too few or all the same.
    """
    x = np.sort(as_values(values))
    if x.size < FEWEST or x[0] == x[-1] or confidence <= 0.5:
        return None
    fits = choose_distribution(x)
    if fits.p is not None and fits.p < POOR_FIT:
        return None
    least = 1.0
    for part, at, taken in _allowed(fits, _SHARE_DROP * float(ndtri(confidence)) ** 2 / 2):
        place, scale = part.place_and_scale(at)
        u = (limit - part.sample.origin) / part.sample.unit
        with np.errstate(all="ignore"):
            z = ((-u if part.law.mirrored else u) - place) / scale
            below = np.asarray(part.law.below(_stacked(part.shapes, 2), z))
        below = np.where(np.isnan(below), (z > 0).astype(float), below)  # beyond an end of the law
        above = below if part.law.mirrored else 1 - below
        least = min(least, float(np.min(above[taken])))
    return least


def _edge(part: Surface, unit: FloatArray, room: FloatArray) -> tuple[FloatArray, np.ndarray]:
    """Return (theta (S, k, 2) on the edge of what is allowed in each direction ``unit``, where it was met (S, k))."""
    reach = np.sqrt(2 * room)[:, None] * np.ones(unit.shape[:2])
    for turn in range(3):
        at = part.theta[:, None, :] + unit * reach[..., None]
        drop = np.maximum(part.likelihood[:, None] - part.log_likelihood(at), 1e-12)
        if turn < 2:
            reach = reach * np.clip(np.sqrt(room[:, None] / drop), 0.3, 1.6)
    return at, drop <= 1.1 * room[:, None]
