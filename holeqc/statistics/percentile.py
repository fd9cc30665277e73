"""Capability of readings that aren't normal: the percentile method of ISO 22514-2 on a distribution chosen by evidence.

Every candidate is shown with its Akaike criterion and its test of fit. What can't fall below zero (diametral position,
out-of-roundness) is only ever fitted by distributions that begin at zero. The interval of an index doesn't rest on the
one chosen: it takes in every kind and shape that the readings don't contradict.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.statistics.basics import FloatArray, as_values, chance_words, standard_deviation
from holeqc.statistics.distributions import FROM_ZERO, UNBOUNDED, Fitted, Sample, Surface, cells, sharpen, surface
from holeqc.statistics.indices import Interval, Limits
from holeqc.statistics.normality import anderson_darling
from holeqc.statistics.normality_rounded import SEED, grid_of

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
    from scipy.special import ndtri

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
    candidates = tuple(_candidate(fits[i], x if scores[i] < best + FAR_BEHIND else None, scores[i],
                                  scores[i] - best) for i in order)
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
    return Candidate(fitted.law.key, fitted.law.words, fitted.parameters, aicc, behind,
                     test.A2_adjusted if test else None, test.p if test else None)


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

    ``at_least``: they hold at least the stated confidence; else about it (93 to 98 of 100 in simulated series at 95 %,
    99 of a uniform, 92 of 125 readings of a mixture that is none of the kinds).
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


def percentile_capability(limits: Limits, values: ArrayLike, *, from_zero: bool = False, confidence: float = 0.95,
                          choice: Choice | None = None, shapes: AnyShape | None = None) -> PercentileCapability:
    """Return capability by percentiles for readings ``values`` (n,); arguments as in `choose_distribution`.

    Raises ``DataError`` as `choose_distribution` does, without a limit, or for what `any_shape` refuses.
    """
    natural = _natural_zero(limits, from_zero)
    x = as_values(values)
    picked = choice or choose_distribution(values, from_zero=from_zero)
    if shapes is None:
        shapes = any_shape(limits, np.sort(x), choice=picked, from_zero=from_zero, confidence=confidence)
    fitted = picked.chosen
    points = np.array([LOW, MIDDLE, HIGH])
    many = rank_shares(x.size, (1 - confidence) / 3) is not None  # the readings themselves tell their percentiles
    q = np.nanquantile(x, points) if many else fitted.quantile(points)
    found = {k: float(v) for k, v in _from_percentiles(limits, q, natural).items()}
    below = 0.0 if limits.lower is None else float(fitted.below(limits.lower))
    above = 0.0 if limits.upper is None else float(fitted.above(limits.upper))
    return PercentileCapability(found.get("Pp"), found["Ppk"], found.get("Ppl"), found.get("Ppu"), float(q[0]),
                                float(q[1]), float(q[2]), shapes.Ppk, below, above, picked)


def any_shape(limits: Limits, ordered: FloatArray, *, choice: Choice | None = None, from_zero: bool = False,
              confidence: float = 0.95, counted: int | None = None) -> AnyShape:
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
    if fits.p is not None and fits.p < POOR_FIT and worth == n:  # the test takes readings as independent
        kinds = len(fits.surfaces)
        return AnyShape(None, None, f"none of {kinds} kinds of distribution fits (best {chance_words(fits.p)})")
    return _by_likelihood(limits, fits, worth, confidence, natural)


def rank_shares(n: int, tail: float) -> FloatArray | None:
    """Return the shares of the readings between which each reference percentile lies, (3, 2), None for too few.

    The number of ``n`` readings below a percentile is binomial whatever the shape (David and Nagaraja, Order
    Statistics, 3rd ed., 7.1); each pair fails with a chance of at most ``tail``.
    """
    from scipy.special import bdtr

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
    small: each then misses in about half of 1 - ``confidence``. Numbers of ours, from simulation at 95 % of nine
    distributions with other seeds than those of the printed table (tests/benchmarks/coverage_indices.py); for
    other levels they go with the square of the normal quantile, as half a chi-square with one degree of freedom does.
    """
    from scipy.special import ndtri

    scale = float(ndtri(0.5 + confidence / 2)) ** 2 / 3.8415
    low, high = (3.0 - 35 / (n + 15), 2.4 - 12 / n) if from_zero else (3.5 - 12 / n, 1.8 - 7 / n)
    return low * scale, high * scale


def _by_likelihood(limits: Limits, fits: Choice, counted: int, confidence: float, natural: bool) -> AnyShape:
    """Return the least and greatest index over all laws, shapes, places and scales that the readings allow.

    What is allowed is `allowed_drop`, with readings that are worth fewer weighed so. The edge of each shape's region is
    sought in 16 directions.
    """
    from_zero = fits.chosen.law.from_zero
    drops = [drop * fits.n / counted for drop in allowed_drop(counted, confidence, from_zero=from_zero)]
    top = max(float(s.likelihood.max()) for s in fits.surfaces)
    ends = [_reached(limits, fits, drop, top, natural) for drop in drops]
    words = f"over every shape of {len(fits.surfaces)} kinds of distribution that the readings allow"
    low, high = ({k: (float(v.min()), float(v.max())) for k, v in end.items()} for end in ends)
    spans = {k: (low[k][0], high[k][1]) for k in low}
    return AnyShape(spans.get("Pp"), spans["Ppk"], words)


def _reached(limits: Limits, fits: Choice, drop: float, top: float, natural: bool) -> dict[str, FloatArray]:
    """Return the indices on the edge of what lies at most ``drop`` below the greatest log likelihood ``top``."""
    ways = np.stack([np.cos(_WAYS), np.sin(_WAYS)], axis=1)
    found: list[dict[str, FloatArray]] = []
    for each in fits.surfaces:
        room = drop - (top - each.likelihood)
        kept = np.flatnonzero(room > 0)
        if not kept.size:
            continue
        part = Surface(each.law, tuple(each.shapes[i] for i in kept), each.sample, each.theta[kept],
                       each.likelihood[kept], each.bend[kept])
        spread, turn = np.linalg.eigh(part.bend)
        unit = np.einsum("sij,skj->ski", turn, ways / np.sqrt(np.maximum(spread, 1e-3 * fits.n))[:, None, :])
        at, inside = _edge(part, unit, room[kept])
        q = part.quantiles(np.concatenate([part.theta[:, None, :], at], axis=1), np.array([LOW, MIDDLE, HIGH]))
        taken = np.concatenate([np.ones((kept.size, 1), dtype=bool), inside], axis=1)
        found.append(_from_percentiles(limits, q[taken], natural))
    return {k: np.concatenate([f[k] for f in found]) for k in found[0]}


def _edge(part: Surface, unit: FloatArray, room: FloatArray) -> tuple[FloatArray, np.ndarray]:
    """Return (theta (S, k, 2) on the edge of what is allowed in each direction ``unit``, where it was met (S, k))."""
    reach = np.sqrt(2 * room)[:, None] * np.ones(unit.shape[:2])
    for turn in range(3):
        at = part.theta[:, None, :] + unit * reach[..., None]
        drop = np.maximum(part.likelihood[:, None] - part.log_likelihood(at), 1e-12)
        if turn < 2:
            reach = reach * np.clip(np.sqrt(room[:, None] / drop), 0.3, 1.6)
    return at, drop <= 1.1 * room[:, None]
