"""Tests for special causes on a series of points, each named in plain words.

The eight patterns are those of Nelson (Journal of Quality Technology 16, 1984, 237-239). Points are taken in units
of their own sigma about the centre line, so that subgroups of unequal size share one set of tests."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.quantities import BoolArray, FloatArray, IntArray
from holeqc.statistics.basics import legendre, normal_density
from holeqc.statistics.subgroups import chart_factors

BEYOND_LIMITS = "beyond_limits"
SAME_SIDE = "same_side"
STEADY_DRIFT = "steady_drift"
UP_AND_DOWN = "up_and_down"
TWO_OF_THREE_FAR = "two_of_three_far"
FOUR_OF_FIVE_OFF = "four_of_five_off"
HUGGING_CENTRE = "hugging_centre"
AVOIDING_CENTRE = "avoiding_centre"

#: a point typed as the limit lies on the limit, whatever binary fractions make of it
EDGE = 1e-9


@dataclass(frozen=True, slots=True)
class SpecialCauseTest:
    """One test: its key, what it looks for, how many points its window has, and what it usually means."""

    key: str
    pattern: str
    window: int
    meaning: str


TESTS = {
    t.key: t
    for t in (
        SpecialCauseTest(
            BEYOND_LIMITS,
            "one point beyond three sigma from the centre line",
            1,
            "something happened at this point that the usual scatter doesn't explain",
        ),
        SpecialCauseTest(
            SAME_SIDE,
            "nine points in a row on one side of the centre line",
            9,
            "the level has moved and stayed there: set-up, tool, gauge or material changed",
        ),
        SpecialCauseTest(
            STEADY_DRIFT,
            "six points in a row each higher than the last, or each lower",
            6,
            "something moves steadily one way: wear, warming up, loosening",
        ),
        SpecialCauseTest(
            UP_AND_DOWN,
            "fourteen points in a row going up and down by turns",
            14,
            "two sources take turns, or somebody corrects after every point",
        ),
        SpecialCauseTest(
            TWO_OF_THREE_FAR,
            "two of three points in a row beyond two sigma on the same side",
            3,
            "early word of a large shift of level or of more scatter",
        ),
        SpecialCauseTest(
            FOUR_OF_FIVE_OFF,
            "four of five points in a row beyond one sigma on the same side",
            5,
            "early word of a small shift of level",
        ),
        SpecialCauseTest(
            HUGGING_CENTRE,
            "fifteen points in a row within one sigma of the centre line",
            15,
            "the limits are too wide for these points: subgroups mix sources, or readings were smoothed",
        ),
        SpecialCauseTest(
            AVOIDING_CENTRE,
            "eight points in a row beyond one sigma, on both sides",
            8,
            "points come from two levels: two set-ups, bushings or gauges in one series",
        ),
    )
}
ALL_TESTS = tuple(TESTS)
#: with nothing wrong these two signal once in 217 points, all eight once in 73: a long chart would nearly always signal
DEFAULT_TESTS = (BEYOND_LIMITS, SAME_SIDE)


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal: the test, the points that made it and where it was complete, both counted from 1.

    ``side`` is ``above``, ``below``, ``rising``, ``falling`` or empty. Of a cumulative sum the points run from where it
    left zero to where it crossed, and ``until`` is the last point at which it lay beyond; 0 for other charts.
    """

    test: str
    points: tuple[int, ...]
    at: tuple[int, ...]
    side: str
    meaning: str
    until: int = 0


def check_tests(tests: Iterable[str]) -> tuple[str, ...]:
    """Return the tests in their usual order, each once; raises ``DataError`` for an unknown key."""
    wanted = list(tests)
    unknown = [t for t in wanted if t not in TESTS]
    if unknown:
        raise DataError(f"unknown test {', '.join(map(repr, unknown))}; allowed: {', '.join(ALL_TESTS)}")
    return tuple(t for t in ALL_TESTS if t in wanted)


def run_lengths(condition: BoolArray) -> IntArray:
    """Return for each place along the first axis how many Trues in a row end there; shape of ``condition``."""
    index = np.arange(1, condition.shape[0] + 1, dtype=np.int32)
    index = index.reshape((-1,) + (1,) * (condition.ndim - 1))
    last_false = np.maximum.accumulate(np.where(condition, 0, index), axis=0)
    return np.asarray(index - last_false)


def _recent(condition: BoolArray, others: int, needed: int) -> BoolArray:
    """Tell where the condition holds and held at least ``needed`` times at the ``others`` points before."""
    count = np.zeros(condition.shape, dtype=np.int8)
    for back in range(1, others + 1):
        count[back:] += condition[:-back]
    return condition & (count >= needed)


def _steps(z: FloatArray) -> FloatArray:
    """Return the step that leads to each point, 0 for the first and for a step within rounding."""
    steps = np.zeros_like(z)
    steps[1:] = z[1:] - z[:-1]
    steps[np.abs(steps) <= EDGE] = 0.0
    return steps


def _sided(z: FloatArray, test: str) -> dict[str, BoolArray]:
    """Return for each side of a test where it is complete, shape of ``z``."""
    if test == BEYOND_LIMITS:
        return {"above": z > 3 + EDGE, "below": z < -3 - EDGE}
    if test == SAME_SIDE:
        return {"above": run_lengths(z > EDGE) >= 9, "below": run_lengths(z < -EDGE) >= 9}
    if test == TWO_OF_THREE_FAR:
        return {"above": _recent(z > 2 + EDGE, 2, 1), "below": _recent(z < -2 - EDGE, 2, 1)}
    if test == FOUR_OF_FIVE_OFF:
        return {"above": _recent(z > 1 + EDGE, 4, 3), "below": _recent(z < -1 - EDGE, 4, 3)}
    if test == HUGGING_CENTRE:
        return {"": run_lengths(np.abs(z) < 1 - EDGE) >= 15}
    if test == AVOIDING_CENTRE:
        above, below = run_lengths(z > 1 + EDGE), run_lengths(z < -1 - EDGE)
        return {"": (run_lengths(np.abs(z) > 1 + EDGE) >= 8) & (np.maximum(above, below) < 8)}
    steps = _steps(z)
    if test == STEADY_DRIFT:
        return {"rising": run_lengths(steps > 0) >= 5, "falling": run_lengths(steps < 0) >= 5}
    turns = np.zeros(z.shape, dtype=bool)
    turns[1:] = steps[1:] * steps[:-1] < 0
    return {"": run_lengths(turns) >= 12}


def signal_masks(z: ArrayLike, tests: Iterable[str] = ALL_TESTS) -> dict[str, BoolArray]:
    """Return for each test where along the first axis it is complete; shape of ``z`` for each.

    ``z`` (n,) or (n, series) is (point - centre) / sigma of the point. A point on the centre line or on a zone's
    edge counts for no side; equal neighbours end a drift. Raises ``DataError`` for an unknown test.
    """
    points = np.asarray(z, dtype=float)
    masks = {}
    for test in check_tests(tests):
        sides = list(_sided(points, test).values())
        masks[test] = sides[0] | sides[1] if len(sides) > 1 else sides[0]
    return masks


def stretches(mask: BoolArray, reach: int = 1) -> tuple[list[int], list[int], list[int]]:
    """Return (places of Trues, where each stretch of them begins, where it ends).

    Trues that are at most ``reach`` apart belong to one stretch; beginnings and ends count along the places.
    """
    at = np.flatnonzero(mask)
    cuts = np.flatnonzero(at[1:] - at[:-1] > reach) + 1
    return at.tolist(), [0, *cuts.tolist()], [*cuts.tolist(), at.size]


def find_signals(z: ArrayLike, tests: Iterable[str] = ALL_TESTS) -> tuple[Signal, ...]:
    """Return the signals of a series ``z`` (n,), in order of where they begin.

    Overlapping windows of one test and side make one signal that holds all their points.
    """
    points = np.asarray(z, dtype=float).ravel()
    found: list[Signal] = []
    for test in check_tests(tests):
        window, meaning = TESTS[test].window, TESTS[test].meaning
        bound = {TWO_OF_THREE_FAR: 2.0, FOUR_OF_FIVE_OFF: 1.0}.get(test)
        for side, mask in _sided(points, test).items():
            at, begins, ends = stretches(mask, 1 if bound is None else window - 1)
            if not at:
                continue
            for begin, end in zip(begins, ends, strict=True):
                members = range(max(0, at[begin] - window + 1) + 1, at[end - 1] + 2)
                made = tuple(members)
                if bound is not None:  # only the points that lie far enough out made this signal
                    sign = 1.0 if side == "above" else -1.0
                    made = tuple(p for p in members if sign * points[p - 1] > bound + EDGE)
                found.append(Signal(test, made, tuple(p + 1 for p in at[begin:end]), side, meaning))
    return tuple(sorted(found, key=lambda s: (s.points[0], ALL_TESTS.index(s.test))))


# Average run length: how many points pass, on average, before a chart gives a signal.
#
# With nothing wrong it is the price in false alarms; after a shift it is the delay. Points are independent, normal and
# judged by known limits.


#: tests that depend only on the zone a point falls in; their chain has few states and is solved exactly
ZONE_TESTS = (BEYOND_LIMITS, SAME_SIDE, TWO_OF_THREE_FAR, FOUR_OF_FIVE_OFF, HUGGING_CENTRE, AVOIDING_CENTRE)
#: zones as (side, sigma below which the point lies): 1 is within one sigma, 4 beyond three
ZONES = ((-1, 4), (-1, 3), (-1, 2), (-1, 1), (1, 1), (1, 2), (1, 3), (1, 4))
SIMULATED_CHARTS, SEED = 8000, 1
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
        if level == 1:
            same = 0
        elif same * side <= 0:
            same = side
        elif abs(same) < 8:
            same += side
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


def _simulate(
    tests: tuple[str, ...], shift: float, charts: int = SIMULATED_CHARTS, seed: int = SEED
) -> tuple[float, float]:
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
        hit = hit[history.shape[0] :]
        done = hit.any(axis=0)
        first = passed + 1.0 + np.argmax(hit[:, done], axis=0)
        total += float(first.sum())
        squares += float(first @ first)
        passed += fresh.shape[0]
        history = series[-overlap:, ~done]
    mean = total / charts
    return mean, math.sqrt(max(squares / charts - mean * mean, 0.0) / charts)


@lru_cache(maxsize=128)
def run_length_of_tests(tests: tuple[str, ...], shift: float = 0.0) -> RunLength:
    """Return the average run length of a chart with ``tests`` in their usual order, the mean off by ``shift`` sigma.

    Sets of zone tests are solved exactly by the Markov chain of Champ and Woodall (Technometrics 29, 1987); sets with
    `STEADY_DRIFT` or `UP_AND_DOWN` are simulated. Raises ``DataError`` for an empty set or an unknown test.
    """
    from scipy.special import ndtr

    if not check_tests(tests):
        raise DataError("without a test a chart never signals")
    if tests == (BEYOND_LIMITS,):
        return RunLength(float(1 / (ndtr(-3 - shift) + ndtr(shift - 3))), 0.0, "exact")
    if all(t in ZONE_TESTS for t in tests):
        return RunLength(_solve_chain(tests, zone_probabilities(shift)), 0.0, "exact, Markov chain of zones")
    if tests == ALL_TESTS and shift == 0:
        return RunLength(*ALL_TESTS_IN_CONTROL, "simulated, 2 000 000 charts")
    mean, error = _simulate(tests, shift)
    return RunLength(mean, error, f"simulated, {SIMULATED_CHARTS} charts, seed {SEED}")


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
        return float(np.sum(n * normal_density(x) * (ndtr(x + w) - ndtr(x)) ** (n - 1)) * (x[1] - x[0]))

    return below(f.D1) + 1 - below(f.D2)


def _gauss(low: float, high: float, count: int) -> tuple[FloatArray, FloatArray]:
    x, w = legendre(count)
    return low + (x + 1) * (high - low) / 2, w * (high - low) / 2


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
        return normal_density(step) / weight * weights[None, :]

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
        matrix = np.concatenate([ndtr(reference - mean - start)[:, None], normal_density(step) * w[None, :]], axis=1)
        return float(np.linalg.solve(np.eye(start.size) - matrix, np.ones(start.size))[0])

    upper = one(shift)
    if not two_sided:
        return upper
    return 1 / (1 / upper + 1 / one(-shift))
