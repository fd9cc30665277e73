"""Tests for special causes on a series of points, each named in plain words.

The eight patterns are those of Nelson (Journal of Quality Technology 16, 1984, 237-239). Points are taken in units
of their own sigma about the centre line, so that subgroups of unequal size share one set of tests.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError

BoolArray = NDArray[np.bool_]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]

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


TESTS = {t.key: t for t in (
    SpecialCauseTest(BEYOND_LIMITS, "one point beyond three sigma from the centre line", 1,
                     "something happened at this point that the usual scatter doesn't explain"),
    SpecialCauseTest(SAME_SIDE, "nine points in a row on one side of the centre line", 9,
                     "the level has moved and stayed there: set-up, tool, gauge or material changed"),
    SpecialCauseTest(STEADY_DRIFT, "six points in a row each higher than the last, or each lower", 6,
                     "something moves steadily one way: wear, warming up, loosening"),
    SpecialCauseTest(UP_AND_DOWN, "fourteen points in a row going up and down by turns", 14,
                     "two sources take turns, or somebody corrects after every point"),
    SpecialCauseTest(TWO_OF_THREE_FAR, "two of three points in a row beyond two sigma on the same side", 3,
                     "early word of a large shift of level or of more scatter"),
    SpecialCauseTest(FOUR_OF_FIVE_OFF, "four of five points in a row beyond one sigma on the same side", 5,
                     "early word of a small shift of level"),
    SpecialCauseTest(HUGGING_CENTRE, "fifteen points in a row within one sigma of the centre line", 15,
                     "the limits are too wide for these points: subgroups mix sources, or readings were smoothed"),
    SpecialCauseTest(AVOIDING_CENTRE, "eight points in a row beyond one sigma, on both sides", 8,
                     "points come from two levels: two set-ups, bushings or gauges in one series"),
)}
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
