"""Clearance of pins in holes: limits, measured parts, at temperature, with wear. Diameters in one length unit.

A clearance is hole minus pin; an interference is a negative clearance."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.quantities import GRAIN, REFERENCE_TEMPERATURE_C, FloatArray


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


# Clearance as a random quantity: hole and pin sizes normal, uniform or measured. Every pair has an exact distribution
# function, so an answer is the same each time.


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
class Measured:
    """Sizes as measured, each as likely as another; shape (n,)."""

    sizes: FloatArray


Sizes = Normal | Uniform | Measured


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
    if isinstance(sizes, Normal) and not (np.isfinite(sizes.mean) and sizes.sd > 0.0):
        raise DataError(f"{what}: a standard deviation must be above zero; found {sizes.sd:g}")
    if isinstance(sizes, Uniform) and not sizes.lower < sizes.upper:
        raise DataError(f"{what}: the low limit must lie below the high limit; found {sizes.lower:g}, {sizes.upper:g}")
    return sizes


def _phi(z: ArrayLike) -> FloatArray:
    from scipy.special import ndtr

    return np.asarray(ndtr(z))


def _cdf(sizes: Sizes, x: FloatArray) -> FloatArray:
    """Probability of a size at or below x."""
    if isinstance(sizes, Normal):
        return _phi((x - sizes.mean) / sizes.sd)
    if isinstance(sizes, Uniform):
        return np.clip((x - sizes.lower) / (sizes.upper - sizes.lower), 0.0, 1.0)
    return np.searchsorted(sizes.sizes, x + GRAIN, side="right") / sizes.sizes.size


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
    if isinstance(hole, Normal):
        assert isinstance(pin, Uniform)
        return _normal_over_uniform(c - hole.mean, hole.sd, pin.lower, pin.upper)
    assert isinstance(pin, Normal)  # the only pair left: 1 - P(pin - hole < -c)
    return 1.0 - _normal_over_uniform(-c - pin.mean, pin.sd, hole.lower, hole.upper)


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


def _moments(sizes: Sizes) -> tuple[float, float]:
    """Mean and standard deviation; of measured sizes as they are (divisor n), since they are the population here."""
    if isinstance(sizes, Normal):
        return sizes.mean, sizes.sd
    if isinstance(sizes, Uniform):
        return 0.5 * (sizes.lower + sizes.upper), (sizes.upper - sizes.lower) / np.sqrt(12.0)
    return float(sizes.sizes.mean()), float(sizes.sizes.std())


# The chance that a random kit within its tolerances fits a random part within its tolerances, all pins at once.
#
# Sizes and positions are drawn inside what the drawing allows; a margin function says how much room the worst pin of
# each pair has. What is drawn is counted here; the geometry is in the function that is handed in.


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
    xy: ArrayLike, hole: tuple[ArrayLike, ArrayLike, ArrayLike], pin: tuple[ArrayLike, ArrayLike, ArrayLike],
    hole_condition: str | Sequence[str] = "MMC",
) -> PatternTolerances:  # fmt: skip
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
    tolerances: PatternTolerances, margin: MarginFunction, pairs: int = 20_000, seed: int = 1, normal: bool = False,
    confidence: float = 0.95,
) -> AssemblyProbability:  # fmt: skip
    """Return the probability that a random kit fits a random part, both within tolerance, by seeded drawing.

    ``margin`` takes pin_xy (B, N, 2), hole_xy (B, N, 2), hole diameters (B, N), pin diameters (B, N) and returns (B,)
    margins; a pair fits when its margin is not negative. The same seed gives the same answer.

    Raises:
        DataError: fewer than one pair, a confidence not between 0 and 1, or a margin that is not a number.
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
        DataError: no margin, one that is not a number, or a confidence not between 0 and 1.
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


# Fixed fasteners: virtual conditions (ASME Y14.5), tilt and side play of an assembly.


PROJECTED_NOTE = (
    "Fixed fasteners need a projected tolerance zone on the part that holds the pin or thread: without it a pin that "
    "leans inside its zone can foul the other part. With no projected zone use the larger hole that counts the lean."
)


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


def side_play(hole: ArrayLike, pin: ArrayLike, length: ArrayLike) -> FloatArray:
    """Return the total side play of a pin, from one side to the other, any shape; NaN when it doesn't enter.

    It is the clearance when the pin stays parallel; a pin that leans by t swings L tan t about the middle of the
    engagement ``length`` L.
    """
    clearance = np.asarray(hole, dtype=np.float64) - np.asarray(pin, dtype=np.float64)
    swing = np.asarray(length, dtype=np.float64) * np.tan(tilt_angle(hole, pin, length))
    return np.where(clearance >= 0.0, np.maximum(clearance, swing), np.nan)

