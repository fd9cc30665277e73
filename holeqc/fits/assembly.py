"""The chance that a random kit within its tolerances fits a random part within its tolerances, all pins at once.

Sizes and positions are drawn inside what the drawing allows; a margin function says how much room the worst pin of each
pair has. This module draws and counts; the geometry is in the function that is handed in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.quantities import GRAIN, FloatArray

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
