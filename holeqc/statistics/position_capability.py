"""Capability of position from the two coordinates: how much of the scatter lies inside the tolerance circle.

The distance from the true position can't be negative and is never normal; its two coordinates usually are. Shares
come from the bivariate normal, with each hole's own circle where a bonus at maximum material condition applies.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chndtr, chndtrinc, gammaincc, ndtr, ndtri

from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.quantities import FloatArray
from holeqc.statistics.basics import chance_words, legendre, plain
from holeqc.statistics.capability import Neighbours
from holeqc.statistics.indices import Interval, clopper_pearson
from holeqc.statistics.normality import SEED, Stability, judge
from holeqc.statistics.subgroups import within_by_neighbours

RESAMPLES = 1000
_ANGLES = 180
_NODES = 64
EDGE = 1e-12
EITHER = 1.6  #: chance of each end to miss, in halves of what both may together


@dataclass(frozen=True, slots=True)
class Bivariate:
    """Tests for a bivariate normal after Mardia (Biometrika 57, 1970): skewness and kurtosis, each with its p."""

    skewness: float
    skewness_p: float
    kurtosis: float
    kurtosis_p: float


@dataclass(frozen=True, slots=True)
class PositionCapability:
    """Capability of positions against a circle of diameter ``tolerance`` (the smallest, where holes have a bonus).

    ``share_inside`` is expected from the bivariate normal over all holes' circles, ``observed`` counted. ``Pp`` takes
    the largest ellipse of the scatter's own shape inside the circle when it is moved to the middle, ``Ppk`` where it
    lies; both are a third of the normal quantile that belongs to the ellipse's content (ISO 22514-6, from memory).
    ``Pp_share`` and ``Ppk_share`` read the same from the share inside the circle. With a bonus, ellipse figures use
    the circle without bonus, share figures the circles with it. ``directions`` are the ellipse's axes in degrees.
    """

    n: int
    tolerance: float
    mean: tuple[float, float]
    sd: tuple[float, float]
    correlation: float | None
    sd_axes: tuple[float, float]
    directions: tuple[float, float]
    observed_outside: float
    observed_count: int
    observed_interval: tuple[float, float]
    normality: Bivariate | None
    stability: Stability
    remarks: tuple[Problem, ...]
    cautions: dict[str, str]
    Pp: float | None = None
    Ppk: float | None = None
    Ppk_share: float | None = None
    ellipse_content: float | None = None
    share_inside: float | None = None
    expected_ppm: float | None = None
    share_inside_without_bonus: float | None = None
    intervals: dict[str, Interval] = field(default_factory=dict)
    confidence: float = 0.95

    def as_dict(self) -> dict[str, object]:
        """Return the content for JSON; None where a figure can't be had."""
        content = asdict(self)
        content["remarks"] = [{"severity": r.severity, "code": r.code, "text": r.sentence()} for r in self.remarks]
        content["outside"] = {
            "expected_ppm": self.expected_ppm,
            "observed": self.observed_outside,
            "observed_count": self.observed_count,
            "observed_interval": self.observed_interval,
        }
        return plain(content)


def share_in_circle(centre: ArrayLike, covariance: ArrayLike, radius: ArrayLike) -> FloatArray:
    """Return the share of a bivariate normal inside circles about (0, 0).

    ``centre`` (..., 2) is the mean, ``covariance`` (..., 2, 2) positive definite, ``radius`` (...) broadcasts with
    both and gives the shape. Along the axis with the smaller scatter the normal is taken exactly, along the other by
    Gauss-Legendre over the part of the circle that holds it. Raises ``DataError`` without scatter in the plane.
    """
    values, vectors = np.linalg.eigh(np.asarray(covariance, dtype=float))
    turned = np.einsum("...ij,...i->...j", vectors, np.asarray(centre, dtype=float))
    r = np.asarray(radius, dtype=float)
    if not (np.all(values[..., 0] > 0) and np.all(r >= 0)):
        raise DataError("a share in a circle needs scatter in the plane and radii that are not negative")
    m1, s1, m2, s2, r = np.broadcast_arrays(
        turned[..., 1], np.sqrt(values[..., 1]), turned[..., 0], np.sqrt(values[..., 0]), r
    )
    low, high = np.maximum(-r, m1 - 9 * s1), np.minimum(r, m1 + 9 * s1)
    x, w = legendre(_NODES)
    # the sine takes the vertical ends of the circle out of the integrand; a radius of 0 holds nothing
    safe = np.where(r > 0, r, 1.0)
    first, last = np.arcsin(np.clip(low / safe, -1, 1)), np.arcsin(np.clip(high / safe, -1, 1))
    # where the circle passes the mean of the narrow axis the integrand may be nearly a step: stretches end there
    step = np.arccos(np.minimum(np.abs(m2) / safe, 1.0))
    edges = [first, np.clip(-step, first, last), np.clip(step, first, last), last]
    s1, s2, m1, m2, wide = s1[..., None], s2[..., None], m1[..., None], m2[..., None], safe[..., None]
    share = np.zeros(r.shape)
    for a, b in itertools.pairwise(edges):
        angle = (a + b)[..., None] / 2 + (b - a)[..., None] / 2 * x
        place, half = wide * np.sin(angle), wide * np.cos(angle)
        density = np.exp(-0.5 * ((place - m1) / s1) ** 2) / (math.sqrt(2 * math.pi) * s1)
        inside = ndtr((half - m2) / s2) - ndtr((-half - m2) / s2)
        share = share + np.sum(density * inside * half * w, axis=-1) * (b - a) / 2
    return np.where((r > 0) & (high > low), np.clip(share, 0.0, 1.0), 0.0)


def ellipse_reach(centres: FloatArray, covariances: FloatArray, radius: float) -> FloatArray:
    """Return how many sigma an ellipse about each centre (k, 2) may reach inside a circle about (0, 0), shape (k,).

    It is the least statistical distance from the centre to the circle; 0 for a centre outside. ``covariances`` is
    (k, 2, 2). Angles are searched on a grid and refined by Newton's method.
    """
    inverse = np.linalg.inv(covariances)
    p, q, r = inverse[:, 0, 0, None], inverse[:, 0, 1, None], inverse[:, 1, 1, None]
    cx, cy = centres[:, 0, None], centres[:, 1, None]

    def squared(t: NDArray[Any]) -> NDArray[Any]:
        dx, dy = radius * np.cos(t) - cx, radius * np.sin(t) - cy
        return np.asarray(p * dx * dx + 2 * q * dx * dy + r * dy * dy)

    grid = np.arange(_ANGLES) * (2 * math.pi / _ANGLES)
    c, s = np.cos(grid), np.sin(grid)
    terms = [radius * p, 2 * radius * q, radius * r, -2 * (p * cx + q * cy), -2 * (q * cx + r * cy)]
    best = grid[np.argmin(np.hstack(terms) @ np.stack([c * c, c * s, s * s, c, s]), axis=1)][:, None]
    h = 2 * math.pi / _ANGLES
    for _ in range(40):
        at, left, right = squared(best), squared(best - h), squared(best + h)
        bend = left - 2 * at + right
        move = np.where(bend > 0, 0.5 * h * (left - right) / np.where(bend > 0, bend, 1.0), 0.0)
        best = best + np.clip(move, -h, h)
        if float(np.max(np.abs(move), initial=0.0)) < 1e-7:
            break
        h = max(h / 2, 1e-5)
    distance = np.sqrt(np.maximum(squared(best)[:, 0], 0.0))
    return np.where(np.hypot(centres[:, 0], centres[:, 1]) < radius, distance, 0.0)


def index_of_content(outside: ArrayLike) -> FloatArray:
    """Return a third of the normal quantile that leaves ``outside`` in both tails together (Cp of a centred normal)."""
    return np.asarray(-ndtri(np.asarray(outside, dtype=float) / 2) / 3)


def _ellipse_outside(reach: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * reach * reach))


def mardia(pairs: FloatArray) -> Bivariate:
    """Return Mardia's tests of ``pairs`` (n, 2), with the small-sample factor of the skewness; n at least 8."""
    n = pairs.shape[0]
    if n < 8:
        raise DataError(f"a test for a bivariate normal needs at least 8 positions; found {n}")
    d = pairs - pairs.mean(axis=0)
    u = np.linalg.solve(np.linalg.cholesky(d.T @ d / n), d.T)
    # sums over all pairs of (u_i . u_j)**3 by their four moments, not by n**2 products
    a, b = u
    moments = [(a**3).mean(), (b**3).mean(), (a * a * b).mean(), (a * b * b).mean()]
    skewness = float(moments[0] ** 2 + moments[1] ** 2 + 3 * moments[2] ** 2 + 3 * moments[3] ** 2)
    kurtosis = float(((a * a + b * b) ** 2).mean())
    factor = 3 * (n + 1) * (n + 3) / (n * ((n + 1) * 3 - 6))
    skewness_p = float(gammaincc(2.0, n * skewness / 6 * factor / 2))
    z = (kurtosis - 8 * (n - 1) / (n + 1)) / math.sqrt(64 / n)
    return Bivariate(skewness, skewness_p, kurtosis, 2 * float(ndtr(-abs(z))))


def _scatters(n: float, rng: np.random.Generator) -> FloatArray:
    """Return roots (RESAMPLES, 2, 2) of covariances as ``n`` positions from a round normal of sigma 1 give them.

    Bartlett's decomposition gives a Wishart matrix without drawing the sample.
    """
    lower = np.zeros((RESAMPLES, 2, 2))
    lower[:, 0, 0] = np.sqrt(rng.chisquare(n - 1, RESAMPLES))
    lower[:, 1, 1] = np.sqrt(rng.chisquare(n - 2, RESAMPLES))
    lower[:, 1, 0] = rng.normal(size=RESAMPLES)
    return lower / math.sqrt(n - 1)


@dataclass(frozen=True, slots=True)
class _Maybe:
    """Seeded draws: of scatter (k, 2, 2) and mean (k, 2) of samples of a round normal, and means (k, 2) and
    covariances (k, 2, 2) that may have given the positions (fiducial draws).
    """

    drawn: FloatArray
    noise: FloatArray
    centres: FloatArray
    spread: FloatArray


def _maybe(pairs: FloatArray, covariance: FloatArray, near: Neighbours | None = None) -> _Maybe:
    """Return what may have given ``pairs`` (n, 2); the offset comes from the noncentral chi-square of its statistical
    length, which may be zero. ``near``: what they are worth where neighbours resemble each other.
    """
    n, freedom = (pairs.shape[0], pairs.shape[0]) if near is None else (near.of_mean, max(near.of_variance, 4.0))
    rng = np.random.default_rng(SEED)
    mean, root = pairs.mean(axis=0), np.linalg.cholesky(covariance)
    drawn, noise = _scatters(freedom, rng), rng.normal(size=(RESAMPLES, 2)) / math.sqrt(n)
    maybe = root @ np.linalg.inv(drawn)
    seen = np.linalg.solve(maybe, np.broadcast_to(mean[:, None], (RESAMPLES, 2, 1)))[..., 0]
    squared, chance = n * np.sum(seen * seen, axis=1), rng.random(RESAMPLES)
    off = chndtr(squared, 2, 0.0) > chance  # else no offset at all would show one as long as this so often
    length = np.zeros(RESAMPLES)
    length[off] = np.sqrt(np.nan_to_num(chndtrinc(squared[off], 2, chance[off])) / n)
    way = seen + noise
    offsets = way * (length / np.maximum(np.hypot(*way.T), 1e-300))[:, None]
    return _Maybe(drawn, noise, np.einsum("kij,kj->ki", maybe, offsets), maybe @ maybe.transpose(0, 2, 1))


def share_interval(pairs: FloatArray, radii: FloatArray, confidence: float, maybe: _Maybe | None = None) -> Interval:
    """Return the interval of the share inside circles ``radii`` (n,) that positions ``pairs`` (n, 2) scatter in.

    It takes in means and covariances that may have given them and samples of the fitted normal. They must scatter in
    the plane.
    """
    mean, covariance = pairs.mean(axis=0), np.cov(pairs.T)
    may = maybe or _maybe(pairs, covariance)
    root = np.linalg.cholesky(covariance)
    sizes, weights = _grouped_radii(radii, 12)
    fitted = root @ may.drawn
    ends, tail = [], (1 - confidence) / 2
    both = (may.centres, may.spread), (mean + may.noise @ root.T, fitted @ fitted.transpose(0, 2, 1))
    for middles, spreads in both:
        shares = (share_in_circle(middles[:, None, :], spreads[:, None, :, :], sizes) * weights).sum(axis=1)
        ends.append(np.quantile(shares, [tail / 2, 1 - tail / 2]))  # whole tails held 91 to 94 % in simulation
    return float(min(e[0] for e in ends)), float(max(e[1] for e in ends))


def _intervals(
    pairs: FloatArray, covariance: FloatArray, radii: FloatArray, radius: float, confidence: float,
    near: Neighbours | None,
) -> dict[str, Interval]:  # fmt: skip
    """Return intervals of Pp, Ppk and the share inside from seeded draws.

    Scatter that is round makes the estimate of its longer axis too long, and a centred process can only be seen off
    centre, so the upper end is the index of a round, centred process that would show one as small as this so seldom.
    The lower end comes from what may have given this sample; its longer axes are too long once more, and are moved
    back by that. Where one end misses often the other hardly does: each has more than half of the chance (`EITHER`).
    """
    may, tail = _maybe(pairs, covariance, near), (1 - confidence) / 2
    mean, none = pairs.mean(axis=0), np.zeros((RESAMPLES, 2))
    round_ones = may.drawn @ may.drawn.transpose(0, 2, 1)
    found: dict[str, Interval] = {}
    for name, middle, low_centres, round_centres in (
        ("Pp", np.zeros(2), none, none), ("Ppk", mean, may.centres, may.noise),
    ):  # fmt: skip
        reach = float(ellipse_reach(middle[None], covariance[None], radius)[0])
        reaches = ellipse_reach(low_centres, may.spread, radius)
        back = max(reach / max(float(np.median(reaches)), 1e-12), 1.0)
        low = back * float(np.quantile(reaches, EITHER * tail))
        high = _round_reach(reach, round_centres, round_ones, EITHER * tail)
        found[name] = (
            float(index_of_content(_ellipse_outside(np.array(low)))),
            float(index_of_content(_ellipse_outside(np.array(high)))),
        )
    return found | {"share_inside": share_interval(pairs, radii, confidence, may)}


def _round_reach(seen: float, centres: FloatArray, covariances: FloatArray, tail: float) -> float:
    """Return how many sigma away the circle is from a round, centred process that shows ``seen`` or less so seldom.

    ``centres`` (k, 2) and ``covariances`` (k, 2, 2) are of such samples at sigma 1, ``tail`` the chance.
    """
    if not seen > 0:
        return 0.0
    guess, before, miss_before = seen, 0.0, -seen
    for _ in range(8):  # the reach grows nearly in proportion to the radius
        miss = float(np.quantile(ellipse_reach(centres, covariances, guess), tail)) - seen
        if abs(miss) < 1e-4 * seen:
            break
        step = miss * (guess - before) / (miss - miss_before)
        before, miss_before, guess = guess, miss, guess - step
    return guess


def _grouped_radii(radii: FloatArray, most: int) -> tuple[FloatArray, FloatArray]:
    """Return (radii, weights that sum to 1), at most ``most`` of them, equal ones and near ones taken together."""
    kinds, counts = np.unique(radii, return_counts=True)
    if kinds.size <= most:
        return kinds, counts / radii.size
    parts = np.array_split(np.sort(radii), most)
    return np.array([p.mean() for p in parts]), np.array([p.size for p in parts]) / radii.size


def _remarks(n: int, missing: int, bonus: bool, test: Bivariate | None) -> list[Problem]:
    problems = []
    if missing:
        problems.append(Problem(
            WARNING, "missing-readings",
            f"{missing} of {n + missing} positions lack a coordinate or a tolerance and are not counted",
        ))  # fmt: skip
    if n < 50:
        words = f"{n} positions are few: an index is worth no more than its interval"
        problems.append(Problem(NOTE, "few-readings", words))
    if test is None:
        problems.append(Problem(NOTE, "no-normality-test", f"{n} positions are too few for a test of normality"))
    elif min(test.skewness_p, test.kurtosis_p) < 0.01:
        problems.append(Problem(
            WARNING, "not-normal", "a bivariate normal is a poor picture of these positions "
            f"({chance_words(min(test.skewness_p, test.kurtosis_p))}): indices have no interval; trust the "
            "observed share more",
        ))  # fmt: skip
    if bonus:
        problems.append(Problem(
            NOTE, "bonus", "each hole's bonus is in the shares; it is taken as independent of where "
            "the hole lies. Pp and Ppk use the tolerance without bonus",
        ))  # fmt: skip
    return problems


def _stability(pairs: FloatArray) -> Stability:
    """Judge the worse of both coordinates, each by its own moving range."""
    found = []
    for j, name in enumerate(("first coordinate", "second coordinate")):
        column = np.ascontiguousarray(pairs[:, j])
        short = within_by_neighbours(column)
        found.append(judge(column, float(column.mean()), short.sigma, short.dof, what=f"values of the {name}"))
    return min(found, key=lambda s: (s.stable is not False, -s.beyond_count))


def position_capability(
    x: ArrayLike, y: ArrayLike, tolerance: ArrayLike, *, bonus: ArrayLike | None = None, confidence: float = 0.95
) -> PositionCapability:
    """Return capability of positions from deviations ``x``, ``y`` (n,) from the true position, in production order.

    ``tolerance`` is the diameter of the tolerance zone, one for all holes or (n,); ``bonus`` (n,) is what each hole's
    size adds to it at maximum material condition. Intervals are from seeded draws.
    Raises ``DataError`` for shapes that differ, a tolerance that isn't positive, or a negative bonus.
    """
    a, b = np.asarray(x, dtype=float).ravel(), np.asarray(y, dtype=float).ravel()
    if a.size != b.size:
        raise DataError(f"{a.size} first coordinates but {b.size} second ones")
    try:
        base = np.broadcast_to(np.asarray(tolerance, dtype=float), a.shape)
        extra = np.broadcast_to(np.asarray(0.0 if bonus is None else bonus, dtype=float), a.shape)
    except ValueError:
        raise DataError(f"{a.size} positions but tolerances or bonuses of another number") from None
    everything = np.column_stack([a, b, base, extra])
    if np.isinf(everything).any():
        raise DataError("the positions hold an infinite value")
    kept = ~np.isnan(everything).any(axis=1)
    a, b, base, extra = everything[kept].T
    n = a.size
    if not n:
        raise DataError("there is no position with both coordinates and a tolerance")
    if np.any(base <= 0) or np.any(extra < 0):
        raise DataError("a tolerance is positive and a bonus not negative")
    pairs, radii = np.column_stack([a, b]), (base + extra) / 2
    smallest = float(base.min())
    outside = int(np.count_nonzero(np.hypot(a, b) > radii * (1 + EDGE)))
    mean = pairs.mean(axis=0)
    covariance = np.cov(pairs.T) if n > 1 else np.zeros((2, 2))
    axes = [found for k in (0, 1) if (found := Neighbours.of(np.ascontiguousarray(pairs[:, k]), float(mean[k])))]
    near = min(axes, key=lambda each: each.of_variance, default=None)
    values, vectors = np.linalg.eigh(covariance)
    flat = bool(values[0] <= 1e-12 * max(values[1], np.finfo(float).tiny))
    test = None if n < 8 or flat else mardia(pairs)
    problems = _remarks(n, int((~kept).sum()), bonus is not None, test)
    if flat:
        problems.append(
            Problem(
                WARNING,
                "no-scatter",
                "one position shows no scatter"
                if n == 1
                else "the positions lie on a line or on one point: their scatter in the plane can't be told",
            )
        )
    sd = np.sqrt(np.diag(covariance))
    figures: dict[str, Any] = {}
    if not flat:
        figures = _figures(pairs, mean, covariance, radii, smallest / 2)
        if n > 3 and not any(p.code == "not-normal" for p in problems):
            figures["intervals"] = _intervals(pairs, covariance, radii, smallest / 2, confidence, near)
        if near is not None:
            problems.append(near.remark(n, moving=False))
    stability = _stability(pairs) if n > 1 else judge(a, 0.0, 0.0, 1.0)
    unstable = figures and stability.stable is False
    return PositionCapability(
        n=n, tolerance=smallest, mean=(float(mean[0]), float(mean[1])), sd=(float(sd[0]), float(sd[1])),
        correlation=float(covariance[0, 1] / (sd[0] * sd[1])) if sd.min() > 0 else None,
        sd_axes=(math.sqrt(max(values[1], 0)), math.sqrt(max(values[0], 0))),
        directions=(_degrees(vectors[:, 1]), _degrees(vectors[:, 0])), observed_outside=outside / n,
        observed_count=outside, observed_interval=clopper_pearson(outside, n, confidence), normality=test,
        stability=stability, remarks=tuple(problems),
        cautions=dict.fromkeys(("Pp", "Ppk", "Ppk_share"), stability.words) if unstable else {}, confidence=confidence,
        **figures,
    )  # fmt: skip


def _degrees(direction: FloatArray) -> float:
    return math.degrees(math.atan2(direction[1], direction[0])) % 180


def _figures(
    pairs: FloatArray, mean: FloatArray, covariance: FloatArray, radii: FloatArray, radius: float
) -> dict[str, Any]:
    """Return the shares and indices of positions that scatter in the plane."""
    reach = ellipse_reach(np.array([[0.0, 0.0], mean]), np.array([covariance, covariance]), radius)
    content = _ellipse_outside(reach)
    potential, placed = index_of_content(content).tolist()
    sizes, weights = _grouped_radii(radii, 2000)
    share = float((share_in_circle(mean, covariance, sizes) * weights).sum())
    return {
        "Pp": potential,
        "Ppk": placed,
        "Ppk_share": float(index_of_content(max(1 - share, 1e-300))),
        "ellipse_content": float(1 - content[1]),
        "share_inside": share,
        "expected_ppm": 1e6 * (1 - share),
        "share_inside_without_bonus": float(share_in_circle(mean, covariance, radius)),
    }
