"""Which distance is wrong: the global test, the distances that can't be chance, and what nothing would find.

A wrong distance spreads over the residuals of its neighbours; the standardised residual puts it together again (data
snooping, Baarda 1968, *A testing procedure for use in geodetic networks*). Where the sd are known only by their ratios,
the residuals are held against their own scatter (Pope 1976, the tau test, with Bonferroni's bound for the largest of
n). Distances are named and never left out: what is made of them is for the person who measured.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from holeqc.distances.network import Adjustment, IntArray, adjusted_from, errors_seen
from holeqc.problems import DataError
from holeqc.quantities import BoolArray, FloatArray

LEVEL = 0.05  #: chance that a part without a wrong distance names one, over all its distances together
POWER = 0.80
GROSS = 50.0  #: a standardised residual so large that the adjusted figure itself is bent by it
ALIKE = 0.01  #: chance from which a distance can still be a good one that another, wrong one pulls along


@dataclass(frozen=True, slots=True)
class Suspect:
    """A distance that can't be chance.

    ``index`` of the distance; ``standardised`` residual when it was found; ``p`` chance that any of the distances is so
    far off without a fault; ``error`` what the distance is likely off by (observed minus right) and ``likely`` its
    likely value, all suspects reckoned together, ``sd`` the standard deviation of both. ``or_else``: distances that
    would explain it as well; each of them, or this one, may be the wrong one.
    """

    index: int
    standardised: float
    p: float
    observed: float
    error: float
    likely: float
    sd: float
    or_else: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Checks:
    """How well each distance is checked by the others, all (..., n), leading axes as in the adjustment.

    ``checked``: something would show an error at all; where false, nothing checks this distance. ``smallest_error``:
    the smallest error found with the ``power``, infinite where nothing checks. ``moves`` (..., n): how far it would
    move the point it moves most, unseen (external reliability), and ``moves_point`` which point that is. ``critical``
    (...): bound of the standardised residual.
    """

    checked: BoolArray
    smallest_error: FloatArray
    moves: FloatArray
    moves_point: IntArray
    critical: FloatArray
    power: float


def critical(n: int, level: float = LEVEL, degrees: int | None = None) -> float:
    """Return the bound of the largest of ``n`` standardised residuals; of their tau with ``degrees`` of freedom given.

    ``level`` is the chance over all n (Bonferroni). tau = sqrt(f) t / sqrt(f - 1 + t²), t at level / 2n with f - 1
    degrees (Pope 1976); NaN with one degree of freedom, where every tau is 1.
    """
    if n < 1 or not 0 < level < 1:
        raise DataError(f"a bound needs at least one distance and a level between 0 and 1; found {n} and {level:g}")
    if degrees is None:
        return float(-ndtri(level / (2 * n)))
    if degrees < 2:
        return float("nan")
    t = float(stdtrit(degrees - 1, 1 - level / (2 * n)))
    return float(np.sqrt(degrees) * t / np.sqrt(degrees - 1 + t * t))


def checks(adjusted: Adjustment, *, level: float = LEVEL, power: float = POWER) -> Checks:
    """Return how well each distance is checked: what would be found, and what the rest would move.

    ``level`` is over all distances together, as in `suspects`. The smallest error is its bound and the quantile of the
    power together, in sd of the residual: 4.13 at a level of 0.001 each and 0.80 (Baarda's delta 0).
    """
    rest, _, gain = errors_seen(adjusted)
    own = np.diagonal(rest, axis1=-2, axis2=-1)
    checked = ~np.isnan(adjusted.standardised)
    bound = -ndtri(level / (2 * np.maximum(checked.sum(axis=-1), 1)))
    smallest = np.where(checked, (bound + ndtri(power))[..., None] / np.sqrt(np.where(checked, own, 1.0)), np.inf)
    smallest = np.where(np.isnan(adjusted.redundancy), np.nan, smallest)
    length = np.hypot(gain[..., 0::2, :], gain[..., 1::2, :])  # (..., p, n) shift of each point by an error of 1
    length = np.where(adjusted.placed[..., None], length, 0.0)
    far = length.argmax(axis=-2)
    moves = np.where(checked, np.where(checked, smallest, 0.0) * length.max(axis=-2, initial=0.0), smallest)
    return Checks(checked, smallest, moves, far, bound, power)


def suspects(adjusted: Adjustment, *, level: float = LEVEL, most: int | None = None) -> list[Suspect]:
    """Return the distances of one part that can't be chance, the worst first; an empty list where there are none.

    After each, the others are tested as if it had not been measured. ``level``: chance of a false alarm over all
    distances. ``most``: at most so many; never more than half the degrees of freedom, but for one. With ``sd_known``
    false in the adjustment the tau test takes the place, which needs two degrees of freedom.

    Raises:
        DataError: an adjustment of several parts; give them one by one (`part_of`).
    """
    if adjusted.residuals.ndim != 1:
        raise DataError(f"suspects are sought in one part at a time; found parts {adjusted.residuals.shape[:-1]}")
    found: list[tuple[int, float, float, tuple[int, ...]]] = []
    n, now = int((~np.isnan(adjusted.standardised)).sum()), adjusted
    limit = max(1, int(adjusted.degrees_of_freedom) // 2) if most is None else most
    while len(found) < limit and (degrees := int(now.degrees_of_freedom)) > 0:
        rest, score, _ = errors_seen(now)
        can = ~np.isnan(now.standardised)
        far, alike = _standard(score, rest, can)
        if not now.converged or (can.any() and np.nanmax(np.abs(far)) > GROSS):
            # the adjusted figure is bent out of shape: as it shows at the start, where an error of any size is linear
            rest, score = _shown(now, now.network.measured(now.network.values()))
            far, alike = _standard(score, rest, can)
        if not can.any():
            break
        squares = max(float(now.statistic), 0.0)
        chance = _chance(far, n, degrees, squares, now.sd_known)
        worst = int(np.nanargmax(np.abs(far)))
        if not chance[worst] < level:
            break
        scale = 1.0
        if not now.sd_known:
            scale = np.sqrt(max(squares - far[worst] ** 2, 0.0) / (degrees - 1)) if degrees > 1 else np.inf
        # another explains it as well if with that one left out this one could be chance
        apart = np.sqrt(np.maximum(1.0 - alike[worst] ** 2, 0.0))
        others = can & (np.abs(far[worst] - alike[worst] * far) <= -ndtri(ALIKE / 2) * scale * apart + 1e-6)
        others[worst] = False
        found.append((worst, float(far[worst]), float(chance[worst]), tuple(np.flatnonzero(others).tolist())))
        now = _without(adjusted, [f[0] for f in found])
    return _told(adjusted, now, found) if found else []


def _without(adjusted: Adjustment, which: list[int]) -> Adjustment:
    """Return the part adjusted as if some distances had not been measured."""
    distance = adjusted.distance.copy()
    distance[which] = np.nan
    return _again(adjusted, distance)


def _again(adjusted: Adjustment, distance: FloatArray) -> Adjustment:
    a, network = adjusted, adjusted.network
    return adjusted_from(network.points, network, distance, a.sd, a.observed_covariance, a.sd_known)


def _shown(adjusted: Adjustment, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return P Qvv P and P v as they are linear about a figure in which ``at`` (n,) would be measured."""
    missing = np.isnan(adjusted.residuals)
    rest, _, _ = errors_seen(_again(adjusted, np.where(missing, np.nan, at)))
    return rest, rest @ np.where(missing, 0.0, at - adjusted.distance)


def part_of(adjusted: Adjustment, part: int | tuple[int, ...]) -> Adjustment:
    """Return the adjustment of one part of many; ``part`` as an index of the leading axes."""
    if adjusted.residuals.ndim == 1:
        raise DataError("the adjustment is of one part already")
    columns = {f.name: getattr(adjusted, f.name) for f in fields(adjusted)}
    return replace(adjusted, **{k: v[part] for k, v in columns.items() if isinstance(v, np.ndarray)})


def _standard(score: FloatArray, rest: FloatArray, can: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return standardised residuals (n,), NaN where nothing checks, and their correlation (n, n)."""
    own = np.sqrt(np.where(can, np.diag(rest), 1.0))
    return np.where(can, score / own, np.nan), np.where(can[:, None] & can, rest / np.outer(own, own), 0.0)


def _chance(far: FloatArray, n: int, degrees: int, squares: float, sd_known: bool) -> FloatArray:
    """Return the chance that the largest of n is so far off, by Bonferroni; 1 where it can't be had."""
    size = np.abs(far)
    if sd_known:
        return np.minimum(1.0, np.nan_to_num(2 * n * ndtr(-size), nan=1.0))
    if degrees < 2 or squares <= 0:
        return np.ones(len(far))
    tau = np.minimum(size / np.sqrt(squares / degrees), np.sqrt(degrees))
    t = tau * np.sqrt((degrees - 1) / np.maximum(degrees - tau**2, 1e-300))
    return np.minimum(1.0, np.nan_to_num(2 * n * stdtr(degrees - 1, -t), nan=1.0))


def _told(
    adjusted: Adjustment, clean: Adjustment, found: list[tuple[int, float, float, tuple[int, ...]]]
) -> list[Suspect]:
    """Return the suspects with their errors, reckoned together about the figure that the others make."""
    network, which = adjusted.network, np.array([f[0] for f in found])
    at = np.concatenate([clean.xy.ravel(), clean.edges.ravel()])
    rest, score = _shown(adjusted, network.measured(np.where(np.isnan(at), network.values(), at)))
    spread = np.linalg.inv(rest[np.ix_(which, which)])
    error, scale = -spread @ score[which], 1.0 if adjusted.sd_known else float(adjusted.s0)
    sd = np.sqrt(np.diag(spread)) * scale
    observed = adjusted.distance[which]
    return [
        Suspect(k, far, p, float(observed[m]), float(error[m]), float(observed[m] - error[m]), float(sd[m]), others)
        for m, (k, far, p, others) in enumerate(found)
    ]


def global_test(adjusted: Adjustment, level: float = LEVEL) -> BoolArray:
    """Return which parts' residuals as a whole are too large for the stated sd (...): chi-square of `statistic`."""
    return np.nan_to_num(adjusted.global_p, nan=1.0) < level
