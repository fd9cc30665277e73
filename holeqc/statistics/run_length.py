"""Average run length: how many points pass, on average, before a chart gives a signal.

With nothing wrong it is the price in false alarms; after a shift it is the delay. Points are independent, normal and
judged by known limits.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from holeqc.problems import DataError
from holeqc.statistics.constants import chart_factors
from holeqc.statistics.signals import (
    ALL_TESTS,
    AVOIDING_CENTRE,
    BEYOND_LIMITS,
    FOUR_OF_FIVE_OFF,
    HUGGING_CENTRE,
    SAME_SIDE,
    TWO_OF_THREE_FAR,
    check_tests,
    signal_masks,
)

FloatArray = NDArray[np.float64]

#: tests that depend only on the zone a point falls in; their chain has few states and is solved exactly
ZONE_TESTS = (BEYOND_LIMITS, SAME_SIDE, TWO_OF_THREE_FAR, FOUR_OF_FIVE_OFF, HUGGING_CENTRE, AVOIDING_CENTRE)
#: zones as (side, sigma below which the point lies): 1 is within one sigma, 4 beyond three
ZONES = ((-1, 4), (-1, 3), (-1, 2), (-1, 1), (1, 1), (1, 2), (1, 3), (1, 4))
SIMULATED_CHARTS = 8000
#: all eight tests on a process that stays put: 2 000 000 simulated charts (50 runs of 40 000, seeds 2024 to 2073)
ALL_TESTS_IN_CONTROL = (73.43, 0.05)


@dataclass(frozen=True, slots=True)
class RunLength:
    """Average run length in points, its standard error (0 when not simulated) and how it was found."""

    mean: float
    standard_error: float
    method: str


def zone_probabilities(shift: float = 0.0) -> tuple[float, ...]:
    """Return the chance of each of `ZONES` for a normal point whose mean is off by ``shift`` sigma."""
    from scipy.special import ndtr

    edges = np.array([-np.inf, -3, -2, -1, 0, 1, 2, 3, np.inf])
    return tuple(np.diff(ndtr(edges - shift)).tolist())


#: run on one side, recent points far out, recent points off centre, points near, points outside, of these same side
_State = tuple[int, tuple[int, ...], tuple[int, ...], int, int, int]


def _sided_history(state: tuple[int, ...], side: int, far: bool, length: int) -> tuple[int, ...]:
    return (*state, side if far else 0)[-length:]


def _next_state(state: _State, zone: tuple[int, int], tests: tuple[str, ...]) -> _State | None:
    """Return the state after a point in ``zone``, or None when a test is complete."""
    side, level = zone
    if BEYOND_LIMITS in tests and level == 4:
        return None
    run, far, off, near, outside, same = state
    if SAME_SIDE in tests:
        run = run + side if run * side > 0 else side
        if abs(run) >= 9:
            return None
    if TWO_OF_THREE_FAR in tests:
        if level >= 3 and side in far:
            return None
        far = _sided_history(far, side, level >= 3, 2)
    if FOUR_OF_FIVE_OFF in tests:
        if level >= 2 and off.count(side) >= 3:
            return None
        off = _sided_history(off, side, level >= 2, 4)
    if HUGGING_CENTRE in tests:
        near = near + 1 if level == 1 else 0
        if near >= 15:
            return None
    if AVOIDING_CENTRE in tests:
        outside = min(outside + 1, 8) if level > 1 else 0
        same = 0 if level == 1 else (same + side if same * side > 0 and abs(same) < 8 else
                                     same if same * side > 0 else side)
        if outside >= 8 and abs(same) < 8:
            return None
    return (run, far, off, near, outside, same)


@lru_cache(maxsize=32)
def _chain(tests: tuple[str, ...]) -> tuple[int, list[tuple[int, int, int]]]:
    """Return (number of states, moves as (from, to, zone)); a move that signals is left out."""
    start: _State = (0, (), (), 0, 0, 0)
    places: dict[_State, int] = {start: 0}
    queue, moves = [start], []
    for state in queue:
        for z, zone in enumerate(ZONES):
            after = _next_state(state, zone, tests)
            if after is None:
                continue
            if after not in places:
                places[after] = len(queue)
                queue.append(after)
            moves.append((places[state], places[after], z))
    return len(queue), moves


def _solve_chain(tests: tuple[str, ...], chances: tuple[float, ...]) -> float:
    from scipy.sparse import coo_matrix, identity
    from scipy.sparse.linalg import spsolve

    count, moves = _chain(tests)
    if not moves:
        return 1.0
    table = np.array(moves)
    chance = np.asarray(chances)[table[:, 2]]
    matrix = coo_matrix((chance, (table[:, 0], table[:, 1])), shape=(count, count))
    lengths = spsolve((identity(count, format="csc") - matrix.tocsc()).tocsc(), np.ones(count))
    return float(np.atleast_1d(lengths)[0])


def _simulate(tests: tuple[str, ...], shift: float, charts: int, seed: int) -> tuple[float, float]:
    """Return (mean, standard error) of the first signal's place over simulated charts."""
    rng = np.random.default_rng(seed)
    overlap = 16  #: more than any window needs
    total = squares = 0.0
    history = np.zeros((0, charts))
    passed = 0
    while history.shape[1]:
        live = history.shape[1]
        fresh = rng.normal(shift, 1.0, (max(64, min(512, 400_000 // live)), live))
        series = np.concatenate([history, fresh])
        hit = np.zeros(series.shape, dtype=bool)
        for mask in signal_masks(series, tests).values():
            hit |= mask
        hit = hit[history.shape[0]:]
        done = hit.any(axis=0)
        first = passed + 1.0 + np.argmax(hit[:, done], axis=0)
        total += float(first.sum())
        squares += float(first @ first)
        passed += fresh.shape[0]
        history = series[-overlap:, ~done]
    mean = total / charts
    return mean, math.sqrt(max(squares / charts - mean * mean, 0.0) / charts)


@lru_cache(maxsize=128)
def _cached_run_length(tests: tuple[str, ...], shift: float, charts: int, seed: int) -> RunLength:
    from scipy.special import ndtr

    if tests == (BEYOND_LIMITS,):
        return RunLength(float(1 / (ndtr(-3 - shift) + ndtr(shift - 3))), 0.0, "exact")
    if all(t in ZONE_TESTS for t in tests):
        return RunLength(_solve_chain(tests, zone_probabilities(shift)), 0.0, "exact, Markov chain of zones")
    if tests == ALL_TESTS and shift == 0:
        return RunLength(*ALL_TESTS_IN_CONTROL, "simulated, 2 000 000 charts")
    mean, error = _simulate(tests, shift, charts, seed)
    return RunLength(mean, error, f"simulated, {charts} charts, seed {seed}")


def run_length_of_tests(tests: Iterable[str], shift: float = 0.0, *, charts: int = SIMULATED_CHARTS,
                     seed: int = 1) -> RunLength:
    """Return the average run length of a chart with the given ``tests`` when the mean is off by ``shift`` sigma.

    Sets of zone tests are solved exactly by the Markov chain of Champ and Woodall (Technometrics 29, 1987); sets
    with `STEADY_DRIFT` or `UP_AND_DOWN` are simulated with ``charts`` charts and ``seed``. Raises ``DataError`` for
    an empty set or an unknown test.
    """
    chosen = check_tests(tests)
    if not chosen:
        raise DataError("without a test a chart never signals")
    return _cached_run_length(chosen, float(shift), charts, seed)


@lru_cache(maxsize=32)
def alarms_of_scatter(kind: str, n: int) -> float:
    """Return the chance that a range or standard deviation of ``n`` normal readings lies beyond its three-sigma limits.

    ``kind`` is ``range``, ``moving range`` (``n`` is 2 then) or ``sd``. The range's distribution is the integral of
    n phi(x) (Phi(x + w) - Phi(x))**(n - 1) (David and Nagaraja, Order Statistics, 3rd ed., 2.3).
    """
    from scipy.special import gammainc, ndtr

    n = 2 if kind == "moving range" else n
    if n < 2:
        return 0.0
    f = chart_factors(n)
    if kind == "sd":
        low, high = (float(gammainc((n - 1) / 2, (n - 1) * b * b / 2)) for b in (f.B5, f.B6))
        return low + 1 - high
    x = np.linspace(-9.0, 9.0, 4001)

    def below(w: float) -> float:
        return float(np.sum(n * _density(x) * (ndtr(x + w) - ndtr(x)) ** (n - 1)) * (x[1] - x[0]))

    return below(f.D1) + 1 - below(f.D2)


@lru_cache(maxsize=16)
def _legendre(count: int) -> tuple[FloatArray, FloatArray]:
    x, w = np.polynomial.legendre.leggauss(count)
    return np.asarray(x), np.asarray(w)


def _gauss(low: float, high: float, count: int) -> tuple[FloatArray, FloatArray]:
    x, w = _legendre(count)
    return low + (x + 1) * (high - low) / 2, w * (high - low) / 2


def _density(x: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi))


@lru_cache(maxsize=128)
def ewma_run_length(weight: float, width: float, shift: float = 0.0, *, steady_limits: bool = True) -> float:
    """Return the average run length of an exponentially weighted moving average that starts at the centre.

    ``weight`` is the newest point's share, ``width`` the limits in standard deviations of the average, ``shift`` in
    sigma of a point. With ``steady_limits`` False the limits widen from the start as the average's scatter does. The
    integral equation is solved on Gauss-Legendre nodes (Crowder, Journal of Quality Technology 19, 1987).
    """
    if not (0 < weight <= 1 and width > 0):
        raise DataError(f"the weight lies between 0 and 1, limits are positive; found {weight} and {width}")
    h = width * math.sqrt(weight / (2 - weight))
    count = int(min(400, max(60, 40 + 12 * h / weight)))
    x, w = _gauss(-h, h, count)

    def kernel(start: FloatArray, end: FloatArray, weights: FloatArray) -> FloatArray:
        step = (end[None, :] - (1 - weight) * start[:, None]) / weight - shift
        return _density(step) / weight * weights[None, :]

    lengths = np.linalg.solve(np.eye(count) - kernel(x, x, w), np.ones(count))
    if steady_limits:
        return float(1 + kernel(np.zeros(1), x, w)[0] @ lengths)
    # beyond this many points the limits have reached their steady width to eleven digits
    steps = 1 if weight == 1 else max(1, math.ceil(-24 / (2 * math.log1p(-weight))))
    later_x, later_w = x, w
    for i in range(steps, 0, -1):
        own = h * math.sqrt(1 - (1 - weight) ** (2 * (i - 1))) if i > 1 else 0.0
        now_x, now_w = _gauss(-own, own, count if i > 1 else 1)
        lengths = 1 + kernel(now_x, later_x, later_w) @ lengths
        later_x, later_w = now_x, now_w
    return float(lengths[0])


@lru_cache(maxsize=128)
def cusum_run_length(reference: float, decision: float, shift: float = 0.0, *, two_sided: bool = True) -> float:
    """Return the average run length of a tabular cumulative sum that starts at zero.

    ``reference`` (k), ``decision`` (h) and ``shift`` are in sigma. One side solves the integral equation with its
    atom at zero on Gauss-Legendre nodes (Page, Biometrika 41, 1954); both sides join by the sum of their reciprocals
    (Kemp, Journal of the Royal Statistical Society B 23, 1961).
    """
    from scipy.special import ndtr

    if not (reference >= 0 and decision > 0):
        raise DataError(f"reference and decision values are positive; found {reference} and {decision}")

    def one(mean: float) -> float:
        x, w = _gauss(0.0, decision, 120)
        start = np.concatenate([[0.0], x])
        step = x[None, :] - start[:, None] + reference - mean
        matrix = np.concatenate([ndtr(reference - mean - start)[:, None], _density(step) * w[None, :]], axis=1)
        return float(np.linalg.solve(np.eye(start.size) - matrix, np.ones(start.size))[0])

    upper = one(shift)
    if not two_sided:
        return upper
    return 1 / (1 / upper + 1 / one(-shift))
