"""Capability of readings that aren't normal: the percentile method of ISO 22514-2 on a distribution chosen by evidence.

Every candidate is shown with its Akaike criterion and its test of fit. What can't fall below zero (diametral
position, out-of-roundness) is only ever fitted by distributions that begin at zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.statistics.basics import FloatArray, as_values, mean, standard_deviation
from holeqc.statistics.distributions import FROM_ZERO, UNBOUNDED, Fitted, fit
from holeqc.statistics.indices import Interval, Limits
from holeqc.statistics.normality import anderson_darling
from holeqc.statistics.normality_rounded import SEED, grid_of

LOW, MIDDLE, HIGH = 0.00135, 0.5, 0.99865  #: the reference percentiles of ISO 22514-2
FEWEST = 8
_MANY = 12_000  #: longer series are fitted on cells, with their tails value by value
_TAIL_VALUES = 1000
POOR_FIT = 0.01
FAR_BEHIND = 20.0  #: a candidate this far behind has next to no support (Burnham and Anderson, 2002, section 2.6)


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
    """The chosen distribution, all candidates from best to worst, and the words for the choice."""

    chosen: Fitted
    candidates: tuple[Candidate, ...]
    words: str


def _cells(ordered: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (values, weights): long series as means of cells, the tails value by value."""
    n = ordered.size
    if n <= _MANY:
        return ordered, np.ones(n)
    middle = ordered[_TAIL_VALUES:n - _TAIL_VALUES]
    starts = np.unique(np.linspace(0, middle.size, _MANY // 2, endpoint=False).astype(np.int64))
    counts = np.diff(np.append(starts, middle.size)).astype(float)
    ends = np.ones(_TAIL_VALUES)
    return (np.concatenate([ordered[:_TAIL_VALUES], np.add.reduceat(middle, starts) / counts, ordered[-_TAIL_VALUES:]]),
            np.concatenate([ends, counts, ends]))


def normal_scores(fitted: Fitted, values: FloatArray) -> FloatArray:
    """Return values turned into a standard normal through a fitted distribution, shape of ``values``.

    Under a distribution that begins at zero a reading of exactly zero has been rounded down from anywhere inside half a
    step: it is placed in the middle of that (the step is the smallest reading above zero), not at the end of the
    distribution, where it would look like the most unusual value of all.
    """
    from scipy.special import ndtri

    tiny = np.finfo(float).tiny
    if fitted.family.from_zero and np.any(values == 0) and np.any(values > 0):
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
    m, s = mean(x), standard_deviation(x)
    zeros = int(np.count_nonzero(x == 0)) if from_zero else 0
    families = [f for f in (FROM_ZERO if from_zero else UNBOUNDED) if f.holds_zero or not zeros]
    points, weights = _cells(x)
    fits = [fit(f, points, weights, m, s) for f in families]
    scores = [_aicc(f, n) for f in fits]
    order = sorted(range(len(fits)), key=lambda i: scores[i])
    best = scores[order[0]]
    # in a long series the test costs much and a candidate far behind is out already
    candidates = tuple(_candidate(fits[i], x if n <= _MANY or scores[i] < best + FAR_BEHIND else None, scores[i],
                                  scores[i] - best) for i in order)
    chosen, p = fits[order[0]], candidates[0].p
    if p is not None and p < POOR_FIT:
        p = _unrounded_p(chosen, x, s, p)
    return Choice(chosen, candidates, _choice_words(candidates, zeros, p))


def _aicc(fitted: Fitted, n: int) -> float:
    k = fitted.theta.size
    return 2 * k - 2 * fitted.log_likelihood + (2 * k * (k + 1) / (n - k - 1) if n > k + 1 else 0.0)


def _candidate(fitted: Fitted, ordered: FloatArray | None, aicc: float, behind: float) -> Candidate:
    names = dict(zip(fitted.family.names, fitted.family.natural(fitted.theta), strict=True))
    test = None
    if ordered is not None:
        scores = normal_scores(fitted, ordered)
        test = anderson_darling(scores, ordered=True) if scores[0] < scores[-1] else None
    return Candidate(fitted.family.key, fitted.family.words, names, aicc, behind,
                     test.A2_adjusted if test else None, test.p if test else None)


def _unrounded_p(fitted: Fitted, ordered: FloatArray, sd: float, plain: float) -> float:
    """Return the p of the fit with each reading spread at random (seeded) over the step that it was rounded to."""
    gaps = np.diff(ordered)
    step = grid_of(ordered, float(gaps[gaps > 1e-9 * sd].min()), sd) if ordered.size <= _MANY else None
    if step is None:
        return plain
    spread = ordered + step * np.random.default_rng(SEED).uniform(-0.5, 0.5, ordered.size)
    found = anderson_darling(normal_scores(fitted, np.sort(np.abs(spread) if fitted.family.from_zero else spread)))
    return plain if found.p is None else max(found.p, plain)


def _choice_words(candidates: tuple[Candidate, ...], zeros: int, p: float | None) -> str:
    best = candidates[0]
    words = f"{best.words} fits best of {len(candidates)}"
    near = [c.words for c in candidates[1:] if c.behind < 2]
    if near:
        words += f"; about as well: {', '.join(near)}"
    if p is not None and p < POOR_FIT:
        words += f"; yet it fits poorly (p = {p:.2g}): trust the observed share more than this index"
    if zeros:
        words += f"; {zeros} readings of exactly zero leave out distributions that have none"
    return words


@dataclass(frozen=True, slots=True)
class PercentileCapability:
    """Indices from percentiles: the fitted distribution takes the place of mean and six sigma (ISO 22514-2).

    ``low``, ``median``, ``high`` are the 0.135 %, 50 % and 99.865 % points. ``interval`` of Ppk is by the
    likelihood's curvature (delta method), approximate, None where it can't be had. ``below`` and ``above`` are the
    expected shares outside.
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


def _from_percentiles(limits: Limits, q: FloatArray) -> tuple[float | None, float | None, float | None]:
    low, middle, high = (float(v) for v in q)
    pp = None if limits.width is None else limits.width / (high - low)
    ppl = None if limits.lower is None else (middle - limits.lower) / (middle - low)
    ppu = None if limits.upper is None else (limits.upper - middle) / (high - middle)
    return pp, ppl, ppu


def _nearest(limits: Limits, fitted: Fitted, theta: FloatArray, from_zero: bool) -> float:
    q = fitted.family.quantile(theta, np.array([LOW, MIDDLE, HIGH]))
    _, ppl, ppu = _from_percentiles(limits, q)
    if from_zero and limits.lower is not None and limits.lower <= 0:
        ppl = None
    return min(v for v in (ppl, ppu) if v is not None)


def _ppk_interval(limits: Limits, fitted: Fitted, ppk: float, confidence: float, from_zero: bool) -> Interval | None:
    from scipy.special import ndtri

    if fitted.covariance is None:
        return None
    step = 1e-5 * np.maximum(np.sqrt(np.diag(fitted.covariance)), 1e-300) * 100
    slope = np.empty(step.size)
    for i in range(step.size):
        move = np.zeros(step.size)
        move[i] = step[i]
        slope[i] = (_nearest(limits, fitted, fitted.theta + move, from_zero)
                    - _nearest(limits, fitted, fitted.theta - move, from_zero)) / (2 * step[i])
    variance = float(slope @ fitted.covariance @ slope)
    if not (variance >= 0 and math.isfinite(variance)):
        return None
    half = float(ndtri(0.5 + confidence / 2)) * math.sqrt(variance)
    return ppk - half, ppk + half


def percentile_capability(limits: Limits, values: ArrayLike, *, from_zero: bool = False, confidence: float = 0.95,
                          choice: Choice | None = None) -> PercentileCapability:
    """Return capability by percentiles for readings ``values`` (n,); arguments as in `choose_distribution`.

    A lower limit of zero for a quantity that can't be negative limits nothing and gives no index. Raises
    ``DataError`` as `choose_distribution` does, or when such a limit is the only one.
    """
    if not limits.given:
        raise DataError("capability by percentiles needs a limit")
    picked = choice or choose_distribution(values, from_zero=from_zero)
    fitted = picked.chosen
    natural_zero = from_zero and limits.lower is not None and limits.lower <= 0
    if natural_zero and limits.upper is None:
        raise DataError("a quantity that can't be negative is not limited by a lower limit of zero")
    q = fitted.quantile(np.array([LOW, MIDDLE, HIGH]))
    pp, ppl, ppu = _from_percentiles(limits, q)
    if natural_zero:
        pp = ppl = None
    ppk = min(v for v in (ppl, ppu) if v is not None)
    below = 0.0 if limits.lower is None else float(fitted.below(limits.lower))
    above = 0.0 if limits.upper is None else float(1 - fitted.below(limits.upper))
    return PercentileCapability(pp, ppk, ppl, ppu, float(q[0]), float(q[1]), float(q[2]),
                                _ppk_interval(limits, fitted, ppk, confidence, from_zero), below, above, picked)
