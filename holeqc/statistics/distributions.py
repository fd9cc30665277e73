"""Shapes of distribution that readings may follow, and their fit by maximum likelihood, every shape of a law at once.

A law is a standard density g(z; shape) with z = (x - place) / scale. Its place is free on the line, a threshold below
all readings, two ends around them, or zero itself; laws with a long lower tail are those with a long upper one,
mirrored. Shapes stand on a grid and each is fitted by itself, so that what the readings say about the shape is seen
as a whole and not at its best point alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
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
    from scipy.special import ndtr

    return np.asarray(ndtr(z))


def _normal_quantile(_: Shape, p: FloatArray) -> FloatArray:
    from scipy.special import ndtri

    return np.asarray(ndtri(p))


def _logistic_below(_: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import expit

    return np.asarray(expit(z))


def _logistic_quantile(_: Shape, p: FloatArray) -> FloatArray:
    from scipy.special import logit

    return np.asarray(logit(p))


def _student_log_density(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import gammaln

    v = s[0]
    factor = gammaln((v + 1) / 2) - gammaln(v / 2) - 0.5 * np.log(v * math.pi)
    return np.asarray(factor - (v + 1) / 2 * np.log1p(z * z / v))


def _student_below(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import stdtr

    return np.asarray(stdtr(s[0], z))


def _student_quantile(s: Shape, p: FloatArray) -> FloatArray:
    from scipy.special import stdtrit

    return np.asarray(stdtrit(s[0], p))


def _power_log_density(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import gammaln

    return np.asarray(np.log(s[0] / 2) - gammaln(1 / s[0]) - np.abs(z) ** s[0])


def _power_below(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import gammainc

    return np.asarray(0.5 + 0.5 * np.sign(z) * gammainc(1 / s[0], np.abs(z) ** s[0]))


def _power_quantile(s: Shape, p: FloatArray) -> FloatArray:
    from scipy.special import gammaincinv

    side = 2 * p - 1
    return np.asarray(np.sign(side) * gammaincinv(1 / s[0], np.abs(side)) ** (1 / s[0]))


def _ended_log_density(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import betaln

    return np.asarray((s[0] - 1) * np.log(z) + (s[1] - 1) * np.log1p(-z) - betaln(s[0], s[1]))


def _ended_below(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import betainc

    return np.asarray(betainc(s[0], s[1], np.clip(z, 0.0, 1.0)))


def _ended_quantile(s: Shape, p: FloatArray) -> FloatArray:
    from scipy.special import betaincinv

    return np.asarray(betaincinv(s[0], s[1], p))


def _gamma_log_density(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import gammaln

    return np.asarray((s[0] - 1) * np.log(z) - z - gammaln(s[0]))


def _gamma_below(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import gammainc

    return np.asarray(gammainc(s[0], np.maximum(z, 0.0)))


def _gamma_quantile(s: Shape, p: FloatArray) -> FloatArray:
    from scipy.special import gammaincinv

    return np.asarray(gammaincinv(s[0], p))


def _weibull_log_density(s: Shape, z: FloatArray) -> FloatArray:
    log_z = np.log(z)
    return np.asarray(np.log(s[0]) + (s[0] - 1) * log_z - np.exp(s[0] * log_z))


def _lognormal_log_density(s: Shape, z: FloatArray) -> FloatArray:
    log_z = np.log(z)
    return np.asarray(-0.5 * (log_z / s[0]) ** 2 - log_z - np.log(s[0]) - _ROOT_TWO_PI)


def _lognormal_below(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import ndtr

    return np.asarray(ndtr(np.log(np.maximum(z, 1e-300)) / s[0]))


def _lognormal_quantile(s: Shape, p: FloatArray) -> FloatArray:
    from scipy.special import ndtri

    return np.asarray(np.exp(s[0] * ndtri(p)))


def _folded_log_density(s: Shape, z: FloatArray) -> FloatArray:
    return np.asarray(np.logaddexp(-0.5 * (z - s[0]) ** 2, -0.5 * (z + s[0]) ** 2) - _ROOT_TWO_PI)


def _folded_below(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import ndtr

    z = np.maximum(z, 0.0)
    return np.asarray(ndtr(z - s[0]) - ndtr(-z - s[0]))


def _rice_log_density(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import i0e

    return np.asarray(np.log(z) - 0.5 * (z - s[0]) ** 2 + np.log(i0e(z * s[0])))


def _rice_below(s: Shape, z: FloatArray) -> FloatArray:
    from scipy.special import chndtr

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
    return np.asarray(-np.expm1(-np.maximum(z, 0.0) ** s[0]))


def _weibull_quantile(s: Shape, p: FloatArray) -> FloatArray:
    return np.asarray((-np.log1p(-p)) ** (1 / s[0]))


_GAMMA = (_gamma_log_density, _gamma_below, _gamma_quantile)
_WEIBULL = (_weibull_log_density, _weibull_below, _weibull_quantile)
_LOGNORMAL = (_lognormal_log_density, _lognormal_below, _lognormal_quantile)
_NONE = ((),)

NORMAL = Law("normal", "normal", (), LINE, _NONE, lambda _, z: np.asarray(-0.5 * z * z - _ROOT_TWO_PI), _normal_below,
             _normal_quantile)
LOGISTIC = Law("logistic", "logistic (symmetrical, heavier tails)", (), LINE, _NONE,
               lambda _, z: np.asarray(-np.abs(z) - 2 * np.log1p(np.exp(-np.abs(z)))), _logistic_below,
               _logistic_quantile)
_LARGEST = (lambda _, z: np.asarray(-z - np.exp(-z)), lambda _, z: np.asarray(np.exp(-np.exp(-z))),
            lambda _, p: np.asarray(-np.log(-np.log(p))))
LARGEST = Law("largest_extreme_value", "largest extreme value (long upper tail)", (), LINE, _NONE, *_LARGEST)
SMALLEST = Law("smallest_extreme_value", "smallest extreme value (long lower tail)", (), LINE, _NONE, *_LARGEST,
               mirrored=True)
STUDENT = Law("student_t", "Student's t (symmetrical, heavy tails)", ("degrees of freedom",), LINE,
              _grid(2.5, 3, 4, 5, 7, 10, 15, 25), _student_log_density, _student_below, _student_quantile)
POWER = Law("power_exponential", "power exponential (symmetrical, tails from heavy to none)", ("power",), LINE,
            _grid(1, 1.3, 1.6, 2.5, 3, 4, 6, 9, 14), _power_log_density, _power_below, _power_quantile)
TWO_ENDS = Law("beta", "beta (ends on both sides)", ("first shape", "second shape"), ENDS,
               ((1.1, 1.1), (1.5, 1.5), (2, 2), (3, 3), (1.1, 1.8), (1.8, 1.1), (1.5, 3), (3, 1.5)),
               _ended_log_density, _ended_below, _ended_quantile)
# shapes nearer to 1 than these have no greatest likelihood, because the density is endless at the threshold
_FROM_THRESHOLD = [
    (key, words, name, shapes, functions) for key, words, name, shapes, functions in (
        ("lognormal", "lognormal", "standard deviation of logarithms", _rising(0.03, 1.2, 14), _LOGNORMAL),
        ("gamma", "gamma", "shape", _rising(1.1, 60, 12), _GAMMA),
        ("weibull", "Weibull", "shape", _grid(1.1, 1.25, 1.4, 1.6, 1.8, 2, 2.3, 2.6, 3, 3.6, 4.5, 6), _WEIBULL),
    )
]  # fmt: skip
ABOVE = tuple(Law(f"{key}_above_threshold", f"{words} above a threshold", (name,), THRESHOLD, shapes, *functions)
              for key, words, name, shapes, functions in _FROM_THRESHOLD)
BENEATH = tuple(Law(f"{key}_below_threshold", f"{words} below a threshold", (name,), THRESHOLD, shapes, *functions,
                    mirrored=True) for key, words, name, shapes, functions in _FROM_THRESHOLD)

HALF_NORMAL = Law("half_normal", "half normal (distance on one axis, centred)", (), ZERO, _NONE,
                  lambda _, z: np.asarray(math.log(2) - 0.5 * z * z - _ROOT_TWO_PI),
                  lambda _, z: _folded_below((np.asarray(0.0),), z),
                  lambda _, p: _normal_quantile((), np.asarray((1 + p) / 2)))
_OFFSETS = _grid(0.3, 0.6, 0.9, 1.2, 1.5, 1.9, 2.4, 3, 4, 6, 9)
FOLDED = Law("folded_normal", "folded normal (distance on one axis, off centre)", ("offset in sigma",), ZERO, _OFFSETS,
             _folded_log_density, _folded_below, _search(_folded_below))
RAYLEIGH = Law("rayleigh", "Rayleigh (distance in the plane, centred)", (), ZERO, _NONE,
               lambda _, z: np.asarray(np.log(z) - 0.5 * z * z),
               lambda _, z: np.asarray(-np.expm1(-0.5 * np.maximum(z, 0.0) ** 2)),
               lambda _, p: np.asarray(np.sqrt(-2 * np.log1p(-p))), holds_zero=False)
OFFSET_RADIUS = Law("rice", "Rice (distance in the plane, off centre)", ("offset in sigma",), ZERO, _OFFSETS,
                    _rice_log_density, _rice_below, _search(_rice_below), holds_zero=False)
WEIBULL = Law("weibull", "Weibull", ("shape",), ZERO, _rising(0.6, 9, 16), *_WEIBULL, holds_zero=False)
GAMMA = Law("gamma", "gamma", ("shape",), ZERO, _rising(0.5, 90, 16), *_GAMMA, holds_zero=False)
LOGNORMAL = Law("lognormal", "lognormal", ("standard deviation of logarithms",), ZERO, _rising(0.05, 1.6, 16),
                *_LOGNORMAL, holds_zero=False)

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
        place = {} if self.law.from_zero else {"lower end" if self.law.ends == ENDS else "threshold"
                                               if self.law.ends == THRESHOLD else "place": self.place}
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
        return Fitted(self.law, self.shapes[i], self.sample.origin + unit * (-place if self.law.mirrored else place),
                      unit * scale, float(self.likelihood[i]) - float(self.sample.weights.sum()) * math.log(unit))


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


def surface(law: Law, sample: Sample, shapes: tuple[tuple[float, ...], ...] | None = None,
            start: FloatArray | None = None, enough: float = 1e-3) -> Surface:
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
