"""Clearance of pins in holes: limits, measured parts, at temperature, with wear. Diameters in one length unit.

A clearance is hole minus pin; an interference is a negative clearance."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.quantities import GRAIN, REFERENCE_TEMPERATURE_C, FloatArray

EXPANSION_PER_C = {
    "aluminium": (23.1e-6, "one source"),  # NIST, Swyt 1994
    "steel": (11.5e-6, "one source"),  # NIST, Swyt 1994; other tables give 11.2e-6 to 14.6e-6
    "titanium 6Al-4V": (8.6e-6, "memory"),
}  #: linear expansion [1/°C] near 20 °C and how it is known


@dataclass(frozen=True, slots=True)
class Band:
    """Least and greatest diameter, arrays of one shape; equal for a measured part."""

    lower: FloatArray
    upper: FloatArray


@dataclass(frozen=True, slots=True)
class Condition:
    """What a part goes through: expansion [1/°C], its temperature [°C] and wear on the diameter (never negative)."""

    per_c: float = 0.0
    temperature_c: float = REFERENCE_TEMPERATURE_C
    wear: float = 0.0


@dataclass(frozen=True, slots=True)
class Clearance:
    """Least and greatest clearance, arrays of the bands' common shape.

    ``allowance`` is the clearance at maximum material of both parts (ANSI B4.1), so the least one; ``kind`` is
    ``clearance``, ``transition`` or ``interference`` (ISO 286-1).
    """

    least: FloatArray
    greatest: FloatArray
    kind: NDArray[np.str_]

    @property
    def allowance(self) -> FloatArray:
        """Prescribed difference between the parts at maximum material, negative for interference."""
        return self.least


def band(lower: ArrayLike, upper: ArrayLike | None = None) -> Band:
    """Return a band of diameters; one argument stands for measured sizes, each its own band.

    Raises:
        DataError: a limit that is not a positive number, or a low limit above its high limit.
    """
    low = np.asarray(lower, dtype=np.float64)
    low, high = np.broadcast_arrays(low, low if upper is None else np.asarray(upper, dtype=np.float64))
    if not bool((np.isfinite(low) & np.isfinite(high) & (low > 0.0)).all()):
        raise DataError("a diameter must be a positive number; check the limits for blanks, zeros and signs")
    if bool((low > high + GRAIN).any()):
        raise DataError("a band's low limit is above its high limit; give the low limit first")
    return Band(low, high)


def limits(hole: Band, pin: Band) -> Clearance:
    """Return least and greatest clearance of a hole band and a pin band (same unit, shapes that broadcast).

    Source: ANSI B4.1-1967 and ISO 286-1, definitions of clearance, interference and allowance.
    """
    return _clearance(hole.lower - pin.upper, hole.upper - pin.lower)


def under(hole: Band, pin: Band, hole_condition: Condition, pin_condition: Condition) -> Clearance:
    """Return the clearance after wear and at temperature; both bands are sizes at 20 °C.

    A diameter at temperature T is d (1 + a (T - 20)), exact for a constant coefficient. Wear opens the hole and thins
    the pin before they expand. Least clearance takes unworn parts, since wear is what may come on top; greatest takes
    both worn.

    Raises:
        DataError: wear below zero.
    """
    if hole_condition.wear < 0.0 or pin_condition.wear < 0.0:
        raise DataError("wear is given as an amount on the diameter, never below zero")
    hole_scale, pin_scale = _scale(hole_condition), _scale(pin_condition)
    least = hole.lower * hole_scale - pin.upper * pin_scale
    worn_hole, worn_pin = hole.upper + hole_condition.wear, pin.lower - pin_condition.wear
    return _clearance(least, worn_hole * hole_scale - worn_pin * pin_scale)


def between_measured(holes: ArrayLike, pins: ArrayLike) -> FloatArray:
    """Return the clearance of every measured hole with every measured pin, shape (holes, pins).

    Raises:
        DataError: a size that is no positive number.
    """
    hole, pin = band(holes).lower, band(pins).lower
    return np.atleast_1d(hole)[:, None] - np.atleast_1d(pin)[None, :]


def temperature_of_no_clearance(hole: ArrayLike, pin: ArrayLike, hole_per_c: float, pin_per_c: float) -> FloatArray:
    """Return the common temperature [°C] at which a pin's clearance in a hole is gone; NaN where it never is.

    Sizes at 20 °C. From hole (1 + a_h dT) = pin (1 + a_p dT): dT = (hole - pin) / (a_p pin - a_h hole).
    """
    h, p = np.asarray(hole, dtype=np.float64), np.asarray(pin, dtype=np.float64)
    rate = pin_per_c * p - hole_per_c * h
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(rate == 0.0, np.nan, REFERENCE_TEMPERATURE_C + (h - p) / rate)


def kind_of(least: ArrayLike, greatest: ArrayLike) -> NDArray[np.str_]:
    """Return ``clearance``, ``transition`` or ``interference`` for least and greatest clearances, any shape."""
    low, high = np.asarray(least, dtype=np.float64), np.asarray(greatest, dtype=np.float64)
    words = np.where(low >= -GRAIN, "clearance", np.where(high <= GRAIN, "interference", "transition"))
    return np.asarray(words, dtype=np.str_)


def _scale(condition: Condition) -> float:
    return 1.0 + condition.per_c * (condition.temperature_c - REFERENCE_TEMPERATURE_C)


def _clearance(least: FloatArray, greatest: FloatArray) -> Clearance:
    low, high = np.asarray(least), np.asarray(greatest)
    return Clearance(low, high, kind_of(low, high))


# Clearance as a random quantity: hole and pin sizes normal, uniform, normal within limits, or measured.
#
# Every pair has an exact distribution function except those with a normal cut off at limits; these are integrated by
# Gauss-Legendre quadrature between the kinks of the integrand, so an answer is the same each time.


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


# The chance that a random kit within its tolerances fits a random part within its tolerances, all pins at once.
#
# Sizes and positions are drawn inside what the drawing allows; a margin function says how much room the worst pin of
# each
# pair has. This module draws and counts; the geometry is in the function that is handed in.


BATCH = 8192  #: pairs drawn and judged at a time, so that memory stays small

#: (pin_xy (B, N, 2), hole_xy (B, N, 2), hole_diameter (B, N), pin_diameter (B, N)) -> margin (B,), negative: no fit
MarginFunction = Callable[[FloatArray, FloatArray, FloatArray, FloatArray], FloatArray]


@dataclass(frozen=True, slots=True)
class PatternTolerances:
    """What the drawing allows each of N holes and pins; lengths in one unit.

    ``xy`` (N, 2) basic positions; limits of size (N,); ``hole_tolerance`` and ``pin_tolerance`` (N,) diametral position
    within the pattern; ``hole_condition`` (N,) RFS, MMC or LMC: the tolerance grows with the departure from it.
    """

    xy: FloatArray
    hole_lower: FloatArray
    hole_upper: FloatArray
    hole_tolerance: FloatArray
    hole_condition: NDArray[np.str_]
    pin_lower: FloatArray
    pin_upper: FloatArray
    pin_tolerance: FloatArray


@dataclass(frozen=True, slots=True)
class AssemblyProbability:
    """How many of the pairs drawn went together, the share, and its confidence interval (Clopper and Pearson).

    ``margin_low`` and ``margin_median`` are the 1 percent and 50 percent points of the margins, ``margin_worst`` the
    smallest of them.
    """

    fits: int
    pairs: int
    probability: float
    lower: float
    upper: float
    confidence: float
    margin_worst: float
    margin_low: float
    margin_median: float


def pattern_tolerances(
    xy: ArrayLike,
    hole: tuple[ArrayLike, ArrayLike, ArrayLike],
    pin: tuple[ArrayLike, ArrayLike, ArrayLike],
    hole_condition: str | Sequence[str] = "MMC",
) -> PatternTolerances:
    """Return checked tolerances of a pattern of N holes and pins.

    ``xy`` (N, 2); ``hole`` and ``pin`` are (low limit, high limit, diametral position tolerance), each a number or
    (N,); ``hole_condition`` RFS, MMC or LMC, one or N.

    Raises:
        DataError: shapes that don't agree, limits upside down, a negative tolerance, no hole.
    """
    places = np.atleast_2d(np.asarray(xy, dtype=np.float64))
    if places.ndim != 2 or places.shape[1] != 2 or places.shape[0] == 0 or not bool(np.isfinite(places).all()):
        raise DataError(f"positions must be pairs x, y of at least one hole; found shape {places.shape}")
    try:
        hl, hu, ht, pl, pu, pt = (
            np.broadcast_to(np.asarray(x, dtype=np.float64), places.shape[:1]) for x in (*hole, *pin)
        )
    except ValueError:
        raise DataError(f"each limit must be one number or {places.shape[0]}, one a hole") from None
    conditions = np.broadcast_to(np.asarray(hole_condition, dtype=np.str_), places.shape[:1])
    if not bool(np.isin(conditions, ("RFS", "MMC", "LMC")).all()):
        raise DataError(f"a material condition is RFS, MMC or LMC; found {', '.join(np.unique(conditions).tolist())}")
    if bool((hl > hu + GRAIN).any()) or bool((pl > pu + GRAIN).any()):
        raise DataError("a band's low limit is above its high limit; give the low limit first")
    if not (bool((hl > 0.0).all()) and bool((pl > 0.0).all()) and bool((ht >= 0.0).all()) and bool((pt >= 0.0).all())):
        raise DataError("sizes must be above zero and position tolerances not negative")
    return PatternTolerances(places, hl, hu, ht, conditions, pl, pu, pt)


def draw_parts(
    tolerances: PatternTolerances, count: int, rng: np.random.Generator, normal: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Return positions (count, N, 2) and diameters (count, N) of the holes of random parts within tolerance.

    Sizes are uniform over the band, or normal with the band as six standard deviations and nothing outside it;
    positions uniform over the tolerance zone, which grows by the bonus where there is one.
    """
    size = _sizes(tolerances.hole_lower, tolerances.hole_upper, count, rng, normal)
    at_mmc, at_lmc = tolerances.hole_condition == "MMC", tolerances.hole_condition == "LMC"
    bonus = at_mmc * (size - tolerances.hole_lower) + at_lmc * (tolerances.hole_upper - size)
    zone = tolerances.hole_tolerance + bonus
    return tolerances.xy + _offsets(zone, rng), size


def draw_kits(
    tolerances: PatternTolerances, count: int, rng: np.random.Generator, normal: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Return positions (count, N, 2) and diameters (count, N) of the pins of random kits within tolerance.

    As `draw_parts`; the pins' position tolerance has no bonus.
    """
    size = _sizes(tolerances.pin_lower, tolerances.pin_upper, count, rng, normal)
    zone = np.broadcast_to(tolerances.pin_tolerance, size.shape)
    return tolerances.xy + _offsets(zone, rng), size


def probability_of_assembly(
    tolerances: PatternTolerances,
    margin: MarginFunction,
    pairs: int = 20_000,
    seed: int = 1,
    normal: bool = False,
    confidence: float = 0.95,
) -> AssemblyProbability:
    """Return the probability that a random kit fits a random part, both within tolerance, by seeded drawing.

    ``margin`` takes pin_xy (B, N, 2), hole_xy (B, N, 2), hole diameters (B, N), pin diameters (B, N) and returns (B,)
    margins; a pair fits when its margin is not negative. The same seed gives the same answer.

    Raises:
        DataError: fewer than one pair, a confidence not between 0 and 1, or a margin that is no number.
    """
    if pairs < 1:
        raise DataError(f"at least one pair must be drawn; found {pairs}")
    rng = np.random.default_rng(seed)
    margins = np.empty(pairs)
    for start in range(0, pairs, BATCH):
        count = min(BATCH, pairs - start)
        hole_xy, hole = draw_parts(tolerances, count, rng, normal)
        pin_xy, pin = draw_kits(tolerances, count, rng, normal)
        margins[start : start + count] = np.asarray(margin(pin_xy, hole_xy, hole, pin)).reshape(count)
    return from_margins(margins, confidence)


def from_margins(margins: ArrayLike, confidence: float = 0.95) -> AssemblyProbability:
    """Return the share of margins (n,) that are not negative, with its confidence interval.

    Exact interval of Clopper and Pearson (1934): quantiles of the beta distribution at (1 - confidence) / 2 each side.

    Raises:
        DataError: no margin, one that is no number, or a confidence not between 0 and 1.
    """
    values = np.asarray(margins, dtype=np.float64).ravel()
    if values.size == 0 or bool(np.isnan(values).any()):
        raise DataError("margins must be numbers, at least one; a pair without a margin can't be counted")
    if not 0.0 < confidence < 1.0:
        raise DataError(f"confidence must lie between 0 and 1; found {confidence:g}")
    fits = int((values >= -GRAIN).sum())
    lower, upper = clopper_pearson(fits, values.size, confidence)
    low, median = np.quantile(values, [0.01, 0.5]).tolist()
    share = fits / values.size
    return AssemblyProbability(fits, values.size, share, lower, upper, confidence, float(values.min()), low, median)


def clopper_pearson(successes: int, trials: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact two-sided confidence interval of a share (Clopper and Pearson, Biometrika 26, 1934).

    Raises:
        DataError: counts that make no share.
    """
    from scipy.special import betaincinv

    if not 0 <= successes <= trials or trials < 1:
        raise DataError(f"{successes} out of {trials} is no share")
    tail = 0.5 * (1.0 - confidence)
    lower = 0.0 if successes == 0 else float(betaincinv(successes, trials - successes + 1, tail))
    upper = 1.0 if successes == trials else float(betaincinv(successes + 1, trials - successes, 1.0 - tail))
    return lower, upper


def fixed_frame_margin(
    pin_xy: FloatArray, hole_xy: FloatArray, hole_diameter: FloatArray, pin_diameter: FloatArray
) -> FloatArray:
    """Return the margin (B,) of kits whose place is fixed by datums, so that the pattern can't float.

    Worst pin of half its clearance minus its distance from the hole's centre; shapes as `MarginFunction`.
    """
    away = np.linalg.norm(pin_xy - hole_xy, axis=-1)
    return np.asarray((0.5 * (hole_diameter - pin_diameter) - away).min(axis=-1))


def two_pin_margin(
    pin_xy: FloatArray, hole_xy: FloatArray, hole_diameter: FloatArray, pin_diameter: FloatArray
) -> FloatArray:
    """Return the margin (B,) of two pins free to shift and turn, exact; one pin too (the kit centres itself).

    The pitches differ by e; both pins share it: margin = min(r1, r2, (r1 + r2 - e) / 2) with r half of each clearance.

    Raises:
        DataError: more than two pins.
    """
    room = 0.5 * (hole_diameter - pin_diameter)
    if room.shape[-1] == 1:
        return room[..., 0]
    if room.shape[-1] != 2:
        raise DataError(f"this margin is for one or two pins; found {room.shape[-1]}")
    pitch = [np.linalg.norm(xy[..., 1, :] - xy[..., 0, :], axis=-1) for xy in (pin_xy, hole_xy)]
    shared = 0.5 * (room.sum(axis=-1) - np.abs(pitch[0] - pitch[1]))
    return np.minimum(room.min(axis=-1), shared)


def _sizes(
    lower: FloatArray, upper: FloatArray, count: int, rng: np.random.Generator, normal: bool
) -> NDArray[np.float64]:
    share = rng.random((count, lower.size))
    if normal:
        from scipy.special import ndtr, ndtri

        tail = float(ndtr(-3.0))
        share = 0.5 + np.asarray(ndtri(tail + share * (1.0 - 2.0 * tail))) / 6.0
    return lower + share * (upper - lower)


def _offsets(zone: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Points uniform over circles of the given diameters: the radius goes with the square root."""
    radius = 0.5 * zone * np.sqrt(rng.random(zone.shape))
    angle = 2.0 * np.pi * rng.random(zone.shape)
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=-1)


# Fixed and floating fasteners: clearance against position tolerance, tilt and side play of an assembly.
#
# H is the hole at maximum material (its least diameter), F the fastener or pin at maximum material (its greatest), T a
# diametral position tolerance; all lengths in one unit. Source of the formulas: ASME Y14.5, appendix on formulas for
# positional tolerancing (floating H = F + T, fixed H = F + T1 + T2 as textbooks quote them; the form without a
# projected
# zone from memory, unconfirmed).


PROJECTED_NOTE = (
    "Fixed fasteners need a projected tolerance zone on the part that holds the pin or thread: without it a pin that "
    "leans inside its zone can foul the other part. With no projected zone use the larger hole that counts the lean."
)


@dataclass(frozen=True, slots=True)
class Affordance:
    """Position tolerance that a clearance affords each part; negative when the parts interfere at maximum material.

    ``floating`` each of two clearance holes may take all of it; ``fixed_each`` hole and pin share equally;
    ``fixed_total`` their sum when shared unequally.
    """

    floating: FloatArray
    fixed_each: FloatArray
    fixed_total: FloatArray


def afforded_tolerance(hole_mmc: ArrayLike, fastener_mmc: ArrayLike) -> Affordance:
    """Return the position tolerance that holes and fasteners afford: floating H - F, fixed (H - F) / 2 each.

    Source: ASME Y14.5 appendix, floating and fixed fastener case.
    """
    gap = np.asarray(hole_mmc, dtype=np.float64) - np.asarray(fastener_mmc, dtype=np.float64)
    return Affordance(gap, 0.5 * gap, gap)


def remaining_tolerance(hole_mmc: ArrayLike, fastener_mmc: ArrayLike, other_tolerance: ArrayLike) -> FloatArray:
    """Return T1 = H - F - T2: what is left for one part of a fixed pair when the other takes its position tolerance."""
    return afforded_tolerance(hole_mmc, fastener_mmc).fixed_total - np.asarray(other_tolerance, dtype=np.float64)


def hole_for_floating(fastener_mmc: ArrayLike, tolerance: ArrayLike) -> FloatArray:
    """Return the least hole H = F + T for floating fasteners; each part has its own T."""
    return np.asarray(fastener_mmc, dtype=np.float64) + np.asarray(tolerance, dtype=np.float64)


def hole_for_fixed(
    fastener_mmc: ArrayLike,
    hole_tolerance: ArrayLike,
    pin_tolerance: ArrayLike,
    projection: ArrayLike = 0.0,
    engagement: ArrayLike = 1.0,
) -> FloatArray:
    """Return the least hole for a fixed fastener: H = F + T1 + T2 with a projected zone on the pin's part.

    Without a projected zone give how far the pin stands out of its part (``projection`` P) and how deep it sits
    (``engagement`` D): H = F + T1 + T2 (1 + 2 P / D). The second form is from memory, unconfirmed; it follows from a
    pin that leans across its zone: over the depth D its axis crosses T2, at P beyond it is off by T2 (1/2 + P / D).

    Raises:
        DataError: an engagement that is not above zero, or a negative projection.
    """
    p, d = np.asarray(projection, dtype=np.float64), np.asarray(engagement, dtype=np.float64)
    if bool((d <= 0.0).any()) or bool((p < 0.0).any()):
        raise DataError("engagement must be above zero and projection not negative")
    lean = np.asarray(pin_tolerance, dtype=np.float64) * (1.0 + 2.0 * p / d)
    return np.asarray(fastener_mmc, dtype=np.float64) + np.asarray(hole_tolerance, dtype=np.float64) + lean


def hole_virtual_condition(mmc: ArrayLike, tolerance: ArrayLike) -> FloatArray:
    """Return the virtual condition of a hole at MMC: least diameter minus position tolerance (ASME Y14.5)."""
    return np.asarray(mmc, dtype=np.float64) - np.asarray(tolerance, dtype=np.float64)


def pin_virtual_condition(mmc: ArrayLike, tolerance: ArrayLike) -> FloatArray:
    """Return the virtual condition of a pin at MMC: greatest diameter plus position tolerance (ASME Y14.5)."""
    return np.asarray(mmc, dtype=np.float64) + np.asarray(tolerance, dtype=np.float64)


def tilt_angle(hole: ArrayLike, pin: ArrayLike, length: ArrayLike) -> FloatArray:
    """Return how far a pin can lean from the hole's axis to either side [rad], any shape; NaN when it doesn't enter.

    ``length`` is the engagement: outer face to outer face of the walls that the pin passes through. The leaning pin
    touches two opposite edges, so D cos t - L sin t = d, t = acos(d / sqrt(D^2 + L^2)) - atan(L / D); for small
    clearance about (D - d) / L.

    Raises:
        DataError: an engagement that is not above zero.
    """
    big, small = np.asarray(hole, dtype=np.float64), np.asarray(pin, dtype=np.float64)
    span = np.asarray(length, dtype=np.float64)
    if bool((span <= 0.0).any()):
        raise DataError("engagement length must be above zero")
    diagonal = np.hypot(big, span)
    # sine form of acos(d / R) - atan2(L, D): no digits are lost when the clearance is small
    height = np.sqrt(np.maximum(diagonal * diagonal - small * small, 0.0))
    sine = (big * height - span * small) / (diagonal * diagonal)
    return np.where(small <= big, np.arcsin(np.clip(sine, 0.0, 1.0)), np.nan)


def side_play(hole: ArrayLike, pin: ArrayLike, length: ArrayLike = 1.0, reach: ArrayLike = 0.0) -> FloatArray:
    """Return the total side play of a pin, from one side to the other, any shape; NaN when it doesn't enter.

    At the hole (``reach`` 0) it is the clearance when the pin stays parallel. At a distance ``reach`` beyond the end of
    the engagement ``length`` a leaning pin swings about the middle of the engagement: 2 (L / 2 + reach) tan t.
    """
    clearance = np.asarray(hole, dtype=np.float64) - np.asarray(pin, dtype=np.float64)
    span, out = np.asarray(length, dtype=np.float64), np.asarray(reach, dtype=np.float64)
    swing = 2.0 * (0.5 * span + out) * np.tan(tilt_angle(hole, pin, span))
    return np.where(clearance >= 0.0, np.maximum(clearance, swing), np.nan)


def pattern_rotation(clearance_a: ArrayLike, clearance_b: ArrayLike, pitch: ArrayLike) -> FloatArray:
    """Return how far two pins in two holes can turn their part to either side [rad], holes and pins at one pitch.

    Each pin can move half its clearance off centre, in opposite senses: tan t = (C_a + C_b) / 2 / pitch.

    Raises:
        DataError: a pitch that is not above zero.
    """
    spacing = np.asarray(pitch, dtype=np.float64)
    if bool((spacing <= 0.0).any()):
        raise DataError("pitch between pins must be above zero")
    half = 0.5 * (np.asarray(clearance_a, dtype=np.float64) + np.asarray(clearance_b, dtype=np.float64))
    return np.where(half >= 0.0, np.arctan(half / spacing), np.nan)
