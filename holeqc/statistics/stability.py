"""Is the series stable? Said with the chance that a stable one would look like this, before any index is read."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from holeqc.problems import DataError
from holeqc.statistics.basics import FloatArray, neighbour_sums
from holeqc.statistics.signals import EDGE

LEVEL = 0.01  #: each sign of instability is allowed to be wrong once in a hundred stable series
FEWEST = 10


@dataclass(frozen=True, slots=True)
class Stability:
    """Verdict on a series of points (single readings or subgroup means).

    ``stable`` is None when there are too few points to tell. ``beyond`` holds the points beyond three sigma (counted
    from 1, the first 20), ``beyond_count`` all of them and ``beyond_expected`` what chance alone gives;
    ``longest_run`` is the longest run on one side of the centre, ending at point ``run_end``; ``neighbours`` is how
    much each point resembles the one before (lag-1 autocorrelation). ``words`` says it all in plain words.
    """

    stable: bool | None
    words: str
    points: int
    beyond: tuple[int, ...]
    beyond_count: int
    beyond_expected: float
    longest_run: int
    run_end: int
    neighbours: float | None
    reasons: tuple[str, ...]


def _longest_stretch(holds: np.ndarray) -> tuple[int, int]:
    """Return (length, place from 0 where it begins) of the longest stretch of Trues, by doubling and halving."""
    if not holds.any():
        return 0, 0
    spans = [holds]  # spans[k] tells where 2**k Trues in a row begin
    while spans[-1].size > 1 << (len(spans) - 1):
        width = 1 << (len(spans) - 1)
        longer = spans[-1][:-width] & spans[-1][width:]
        if not longer.any():
            break
        spans.append(longer)
    best, length = spans[-1], 1 << (len(spans) - 1)
    for k in range(len(spans) - 2, -1, -1):
        rest = spans[k][length:]
        longer = best[:rest.size] & rest[:best.size]
        if longer.any():
            best, length = longer, length + (1 << k)
    return length, int(np.argmax(best))


def longest_run(above: np.ndarray, below: np.ndarray) -> tuple[int, int]:
    """Return (length, place from 1 where it ends) of the longest run on one side of the centre line."""
    found = [(length, begin + length) for length, begin in (_longest_stretch(above), _longest_stretch(below))]
    return max(found, key=lambda r: (r[0], -r[1]))


def run_chance(length: int, n: int) -> float:
    """Return the chance (a close upper bound) that ``n`` points have a run of ``length`` on one side of the centre."""
    return min(1.0, (2 + n - length) * 0.5**length) if length <= n else 0.0


def _few(count: float) -> str:
    return f"{count:.0f}" if count >= 10 else f"{count:.2g}"


def judge(points: FloatArray, centre: float, sigma: float, dof: float, *, what: str = "readings",
          weights: FloatArray | None = None) -> Stability:
    """Judge a series ``points`` (n,) by its centre line and the sigma of a point, known with ``dof``.

    ``weights`` (n,) divides sigma point by point (root of the subgroup size). Four signs are looked for: a point too
    far out, too many points beyond three sigma, a run on one side, neighbours that resemble each other. Raises
    ``DataError`` for an empty series.
    """
    from scipy.special import bdtrc, ndtri, stdtr

    n = points.size
    if not n:
        raise DataError("stability needs at least one point")
    if n < FEWEST or not sigma > 0:
        many = f"{n} {what} are" if n > 1 else "one point is"
        why = f"{many} too few to tell whether the series is stable" if n < FEWEST else (
            f"the {what} show no scatter, so that stability can't be judged")
        return Stability(None, why, n, (), 0, 0.0, 0, 0, None, ())
    # sigma of a point differs with its subgroup's size; then all points are put on one scale first
    series, middle = (points, centre) if weights is None else ((points - centre) * weights, 0.0)
    limit = (3 + EDGE) * sigma
    highest, lowest = float(series.max()) - middle, float(series.min()) - middle
    places, count = np.zeros(0, dtype=int), 0
    if highest > limit or lowest < -limit:
        far = (series > middle + limit) | (series < middle - limit)
        count = int(np.count_nonzero(far))
        places = np.flatnonzero(far)[:20] + 1
    reasons = []
    worst = max(highest, -lowest) / sigma
    if 2 * n * float(stdtr(dof, -worst)) < LEVEL:
        reasons.append(f"one point lies {worst:.1f} sigma from the centre line")
    chance = 0.0026997960632602
    if count > 1 and float(bdtrc(count - 1, n, chance)) < LEVEL:
        reasons.append(f"{count} points lie beyond three sigma where chance gives {_few(n * chance)}")
    edge = EDGE * sigma
    run, end = longest_run(series > middle + edge, series < middle - edge)
    if run_chance(run, n) < LEVEL:
        reasons.append(f"{run} points in a row (to point {end}) lie on one side of the centre line")
    square, product = neighbour_sums(series, middle)
    neighbours = product / square if square > 0 else None
    if neighbours is not None and abs(neighbours) > max(0.2, float(ndtri(1 - LEVEL / 2)) / math.sqrt(n)):
        how = "resembles the one before" if neighbours > 0 else "tends to the other side of the one before"
        reasons.append(f"each point {how} (correlation {neighbours:.2f})")
    if reasons:
        words = "the series is not stable: " + "; ".join(reasons)
    elif count:
        words = f"{count} of {n} points beyond three sigma where chance gives {_few(n * chance)}: no proof of a change"
        words += "; look at them" if count > n * chance else ""
    else:
        words = f"no sign of a change in {n} {what}"
    return Stability(not reasons, words, n, tuple(places.tolist()), count, n * chance, run, end, neighbours,
                     tuple(reasons))
