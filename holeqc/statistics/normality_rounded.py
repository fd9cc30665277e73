"""A second judgement of normality, for readings rounded to the gauge's step or that resemble each other.

The plain Anderson-Darling test takes readings as exact and independent. Rounded ones pile up on the steps, and readings
of one piece count for less than their number: both alone can make it refuse a normal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from holeqc.statistics.basics import FloatArray
from holeqc.statistics.normality import FEWEST, anderson_darling_p

MOST_STEPS = 5000  #: a range of more steps than this is as good as unrounded
COARSE = 0.25  #: from this step in sigma on, the chance is counted in simulated samples
DRAWS = 999
SEED = 1


@dataclass(frozen=True, slots=True)
class Allowing:
    """Test of a normal that allows for a ``step`` (None: no rounding that matters) and ``counted`` readings.

    ``A2`` is the Anderson-Darling statistic of grouped readings, scaled to ``counted``; ``p`` is None where too few.
    """

    A2: float
    p: float | None
    step: float | None
    counted: int
    words: str


def grid_of(ordered: FloatArray, step: float | None, sd: float) -> float | None:
    """Return the step on which the sorted readings (n,) lie, None where they lie on none or it can't matter.

    It can't matter where rounding moves A2 by less than 0.01: by about n (step / sd)**2 / 40 for a normal.
    """
    n, span = ordered.size, float(ordered[-1] - ordered[0])
    if step is None or not sd > 0 or not 0 < step < span * (1 + 1e-9) or span / step > MOST_STEPS:
        return None
    if n * (step / sd) ** 2 < 0.4:
        return None
    off = (ordered - ordered[0]) / step
    return step if bool(np.all(np.abs(off - np.rint(off)) < 0.01)) else None


def _grouped(counts: FloatArray, edges: FloatArray, values: FloatArray, step: float) -> FloatArray:
    """Return A2 / n of samples ``counts`` (b, k) on ``values`` (k,), each against the normal fitted to it, (b,).

    Sum of squared differences of the cumulated shares over H (1 - H), weighted by the expected share of each step
    (Choulakian, Lockhart, Stephens, Canadian Journal of Statistics 22, 1994; from memory, unconfirmed); the
    variance is Sheppard's.
    """
    from scipy.special import ndtr

    n = counts.sum(axis=1)
    mean = counts @ values / n
    square = np.sum(counts * (values - mean[:, None]) ** 2, axis=1) / (n - 1) - step**2 / 12
    sd = np.sqrt(np.maximum(square, step**2 / 24))
    inner = np.asarray(ndtr((edges - mean[:, None]) / sd[:, None]))
    whole = np.concatenate([np.zeros((n.size, 1)), inner, np.ones((n.size, 1))], axis=1)
    share = np.diff(whole, axis=1)
    room = inner * (1 - inner)
    gap = np.cumsum(counts, axis=1)[:, :-1] / n[:, None] - inner
    # each inner edge stands for half the expected share on either side of it
    weight = (share[:, :-1] + share[:, 1:]) / 2
    return np.asarray(np.sum(np.where(room > 1e-12, gap**2 / np.maximum(room, 1e-12) * weight, 0.0), axis=1))


def allowing(ordered: FloatArray, mean: float, sd: float, plain_A2: float, *, step: float | None,
             counted: int | None = None) -> Allowing | None:
    """Test sorted readings (n,) for a normal, allowing for their step and for how many independent ones they count.

    Returns None where neither matters: then the plain test stands. A2 is scaled by counted / n, as statistics of
    clustered samples are by the design effect (Rao and Scott, JASA 76, 1981; from memory). Its chance is that
    of the plain test for steps below ``COARSE`` sigma, else counted in seeded samples of a rounded normal.
    """
    n = ordered.size
    worth = n if counted is None else min(counted, n)
    grid = grid_of(ordered, step, sd)
    if grid is None and worth == n:
        return None
    told = [] if grid is None else [f"step {grid:.3g}"]
    if worth < n:
        told.append(f"{n} readings count as {worth}")
    words = " and ".join(told)
    if grid is None:
        a2 = plain_A2 * worth / n
        return Allowing(a2, _chance(a2, worth), None, worth, words)
    steps = np.rint((ordered - ordered[0]) / grid).astype(np.int64)
    beside = max(2, math.ceil(2 * sd / grid))  # simulated samples reach beyond the readings
    counts = np.zeros(int(steps[-1]) + 1 + 2 * beside)
    counts[beside:counts.size - beside] = np.bincount(steps)
    values = ordered[0] - mean + grid * (np.arange(counts.size) - beside)
    edges = values[:-1] + grid / 2
    a2 = worth * float(_grouped(counts[None, :], edges, values, grid)[0])
    if worth < FEWEST:
        return Allowing(a2, None, grid, worth, words)
    if grid < COARSE * sd:
        return Allowing(a2, _chance(a2, worth), grid, worth, words)
    from scipy.special import ndtr

    true_sd = math.sqrt(max(sd**2 - grid**2 / 12, grid**2 / 24))
    share = np.diff(np.concatenate([[0.0], np.asarray(ndtr(edges / true_sd)), [1.0]]))
    drawn = np.random.default_rng(SEED).multinomial(worth, share / share.sum(), size=DRAWS).astype(float)
    as_far = np.count_nonzero(worth * _grouped(drawn, edges, values, grid) >= a2 * (1 - 1e-9))
    return Allowing(a2, (1 + as_far) / (1 + DRAWS), grid, worth, words)


def _chance(a2: float, n: int) -> float | None:
    return anderson_darling_p(a2 * (1 + 0.75 / n + 2.25 / n**2)) if n >= FEWEST else None
