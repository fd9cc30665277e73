"""Clearance as a random quantity: hole and pin sizes normal, uniform, normal within limits, or measured.

Every pair has an exact distribution function except those with a normal cut off at limits; these are integrated by
Gauss-Legendre quadrature between the kinks of the integrand, so an answer is the same each time.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.quantities import GRAIN, FloatArray

NODES = 96  #: quadrature nodes in each smooth piece
TAIL = 10.0  #: standard deviations beyond which a normal has nothing left in double precision


@dataclass(frozen=True, slots=True)
class Normal:
    """Sizes that follow a normal distribution; ``sd`` above zero."""

    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class Uniform:
    """Sizes equally likely anywhere between two limits."""

    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class NormalWithin:
    """Sizes of a normal process after everything outside the limits was taken out (inspected parts)."""

    mean: float
    sd: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Measured:
    """Sizes as measured, each as likely as another; shape (n,)."""

    sizes: FloatArray


Sizes = Normal | Uniform | NormalWithin | Measured


@dataclass(frozen=True, slots=True)
class ClearanceDistribution:
    """The clearance of a random hole with a random pin, hole minus pin."""

    hole: Sizes
    pin: Sizes

    @property
    def mean(self) -> float:
        """Mean clearance."""
        return _moments(self.hole)[0] - _moments(self.pin)[0]

    @property
    def sd(self) -> float:
        """Standard deviation of the clearance, hole and pin independent."""
        return float(np.hypot(_moments(self.hole)[1], _moments(self.pin)[1]))

    def probability_below(self, clearance: ArrayLike) -> FloatArray:
        """Return the probability of a clearance below each value, any shape; equal within `GRAIN` is not below."""
        values = np.asarray(clearance, dtype=np.float64)
        return np.clip(_below(self.hole, self.pin, values.ravel()), 0.0, 1.0).reshape(values.shape)

    @property
    def interference(self) -> float:
        """Probability that the pin is larger than the hole."""
        return float(self.probability_below(0.0))

    def quantile(self, probability: ArrayLike) -> FloatArray:
        """Return the clearance below which each share of the pairs lies, any shape, by bisection.

        Raises:
            DataError: a probability not between 0 and 1, ends excluded.
        """
        p = np.asarray(probability, dtype=np.float64)
        if not bool(((p > 0.0) & (p < 1.0)).all()):
            raise DataError("a quantile needs a probability between 0 and 1, ends excluded")
        hole, pin = _support(self.hole), _support(self.pin)
        low = np.full(p.shape, hole[0] - pin[1] - 2 * GRAIN)
        high = np.full(p.shape, hole[1] - pin[0] + 2 * GRAIN)
        for _ in range(60):  # halves an interval of any shop size below 1e-15
            middle = 0.5 * (low + high)
            right = self.probability_below(middle) < p
            low, high = np.where(right, middle, low), np.where(right, high, middle)
        return 0.5 * (low + high)


def clearance_distribution(hole: Sizes, pin: Sizes) -> ClearanceDistribution:
    """Return the distribution of the clearance of independent hole and pin sizes, both in one unit.

    Raises:
        DataError: a spread that is not above zero, limits upside down, or no measured size.
    """
    return ClearanceDistribution(_checked(hole, "hole"), _checked(pin, "pin"))


def _checked(sizes: Sizes, what: str) -> Sizes:
    if isinstance(sizes, Measured):
        values = np.asarray(sizes.sizes, dtype=np.float64).ravel()
        if values.size == 0 or not bool(np.isfinite(values).all()):
            raise DataError(f"{what}: measured sizes must be numbers, at least one; take out the blanks first")
        return Measured(np.sort(values))
    if not isinstance(sizes, Uniform) and not (np.isfinite(sizes.mean) and sizes.sd > 0.0):
        raise DataError(f"{what}: a standard deviation must be above zero; found {sizes.sd:g}")
    if not isinstance(sizes, Normal) and not sizes.lower < sizes.upper:
        raise DataError(f"{what}: the low limit must lie below the high limit; found {sizes.lower:g}, {sizes.upper:g}")
    if isinstance(sizes, NormalWithin) and not _mass(sizes) > 0.0:
        raise DataError(f"{what}: the normal distribution has nothing between {sizes.lower:g} and {sizes.upper:g}")
    return sizes


def _phi(z: ArrayLike) -> FloatArray:
    from scipy.special import ndtr

    return np.asarray(ndtr(z))


def _mass(sizes: NormalWithin) -> float:
    ends = (np.array([sizes.lower, sizes.upper]) - sizes.mean) / sizes.sd
    if ends[0] > 0.0:  # the upper tail keeps its digits when mirrored
        ends = -ends[::-1]
    return float(np.diff(_phi(ends))[0])


def _cdf(sizes: Sizes, x: FloatArray) -> FloatArray:
    """Probability of a size at or below x."""
    if isinstance(sizes, Normal):
        return _phi((x - sizes.mean) / sizes.sd)
    if isinstance(sizes, Uniform):
        return np.clip((x - sizes.lower) / (sizes.upper - sizes.lower), 0.0, 1.0)
    if isinstance(sizes, Measured):
        return np.searchsorted(sizes.sizes, x + GRAIN, side="right") / sizes.sizes.size
    inside = np.clip(x, sizes.lower, sizes.upper)
    if sizes.lower > sizes.mean:
        part = _phi((sizes.mean - sizes.lower) / sizes.sd) - _phi((sizes.mean - inside) / sizes.sd)
    else:
        part = _phi((inside - sizes.mean) / sizes.sd) - _phi((sizes.lower - sizes.mean) / sizes.sd)
    return np.asarray(np.clip(part / _mass(sizes), 0.0, 1.0))


def _below(hole: Sizes, pin: Sizes, c: FloatArray) -> FloatArray:
    """P(hole - pin < c) for a vector of clearances."""
    if isinstance(pin, Measured):
        if isinstance(hole, Measured):  # strictly below: the pin above hole - c by more than the grain
            below = np.searchsorted(hole.sizes, pin.sizes[None, :] + c[:, None] - GRAIN, side="left")
            return below.mean(axis=1) / hole.sizes.size
        return _cdf(hole, pin.sizes[None, :] + c[:, None]).mean(axis=1)
    if isinstance(hole, Measured):
        return 1.0 - _cdf(pin, hole.sizes[None, :] - c[:, None]).mean(axis=1)
    if isinstance(hole, Normal) and isinstance(pin, Normal):
        return _phi((c - hole.mean + pin.mean) / np.hypot(hole.sd, pin.sd))
    if isinstance(hole, Uniform) and isinstance(pin, Uniform):
        return _two_uniform(hole, pin, c)
    if isinstance(hole, Normal) and isinstance(pin, Uniform):
        return _normal_over_uniform(c - hole.mean, hole.sd, pin.lower, pin.upper)
    if isinstance(hole, Uniform) and isinstance(pin, Normal):  # 1 - P(pin - hole < -c)
        return 1.0 - _normal_over_uniform(-c - pin.mean, pin.sd, hole.lower, hole.upper)
    if isinstance(hole, NormalWithin):
        return _quadrature(hole, pin, c)
    assert isinstance(pin, NormalWithin)  # the only pair left
    return 1.0 - _quadrature(pin, hole, -c)


def _two_uniform(hole: Uniform, pin: Uniform, c: FloatArray) -> FloatArray:
    """Trapezoid: the integral of a ramp over the other width."""

    def ramp(x: FloatArray) -> FloatArray:
        positive = np.maximum(x, 0.0)
        return 0.5 * positive * positive

    corners = ramp(c - hole.lower + pin.upper) - ramp(c - hole.upper + pin.upper)
    corners = corners - ramp(c - hole.lower + pin.lower) + ramp(c - hole.upper + pin.lower)
    return corners / ((hole.upper - hole.lower) * (pin.upper - pin.lower))


def _normal_over_uniform(shift: FloatArray, sd: float, lower: float, upper: float) -> FloatArray:
    """Mean of Phi((shift + p) / sd) for p uniform between the limits; the integral of Phi is z Phi(z) + phi(z)."""

    def integral(z: FloatArray) -> FloatArray:
        return z * _phi(z) + np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)

    return sd * (integral((shift + upper) / sd) - integral((shift + lower) / sd)) / (upper - lower)


@cache
def _legendre() -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return nodes, weights


def _quadrature(cut: NormalWithin, other: Sizes, c: FloatArray) -> FloatArray:
    """P(cut - other < c) = integral of the cut density times P(other > x - c), split where either has a kink."""
    low = max(cut.lower, cut.mean - TAIL * cut.sd) if cut.lower < cut.mean + TAIL * cut.sd else cut.lower
    high = min(cut.upper, cut.mean + TAIL * cut.sd) if cut.upper > cut.mean - TAIL * cut.sd else cut.upper
    support = _support(other)
    kinks = [c + support[0], c + support[1], np.full_like(c, cut.mean)]
    edges = np.sort(np.stack([np.full_like(c, low), *(np.clip(k, low, high) for k in kinks), np.full_like(c, high)]), 0)
    nodes, weights = _legendre()
    half = 0.5 * np.diff(edges, axis=0)[:, :, None]
    x = 0.5 * (edges[1:] + edges[:-1])[:, :, None] + half * nodes
    z = (x - cut.mean) / cut.sd
    density = np.exp(-0.5 * z * z) / (np.sqrt(2.0 * np.pi) * cut.sd * _mass(cut))
    above = 1.0 - _cdf(other, x - c[None, :, None])
    return np.asarray((half * weights * density * above).sum(axis=(0, 2)))


def _support(sizes: Sizes) -> tuple[float, float]:
    if isinstance(sizes, Normal):
        return sizes.mean - TAIL * sizes.sd, sizes.mean + TAIL * sizes.sd
    if isinstance(sizes, Measured):
        return float(sizes.sizes[0]), float(sizes.sizes[-1])
    return sizes.lower, sizes.upper


def _moments(sizes: Sizes) -> tuple[float, float]:
    """Mean and standard deviation; of measured sizes as they are (divisor n), since they are the population here."""
    if isinstance(sizes, Normal):
        return sizes.mean, sizes.sd
    if isinstance(sizes, Uniform):
        return 0.5 * (sizes.lower + sizes.upper), (sizes.upper - sizes.lower) / np.sqrt(12.0)
    if isinstance(sizes, Measured):
        return float(sizes.sizes.mean()), float(sizes.sizes.std())
    a, b = ((limit - sizes.mean) / sizes.sd for limit in (sizes.lower, sizes.upper))
    pdf_a, pdf_b = (np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi) for z in (a, b))
    mass = _mass(sizes)
    shift = (pdf_a - pdf_b) / mass
    variance = 1.0 + (a * pdf_a - b * pdf_b) / mass - shift * shift
    return sizes.mean + sizes.sd * float(shift), sizes.sd * float(np.sqrt(max(variance, 0.0)))
