"""Is a normal distribution a fair picture of these readings? Anderson-Darling with p, and where a plot puts them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import bdtrc, log_ndtr, ndtr, ndtri, stdtr

from holeqc.problems import DataError
from holeqc.quantities import FloatArray
from holeqc.statistics.basics import as_values, mean_and_sd, neighbour_sums, product_sum
from holeqc.statistics.subgroups import EDGE

FEWEST = 8  #: below this the p of the test has no published ground
_DIRECT = 20_000  #: up to here every value gets its own logarithm of the normal distribution
_CELL = 1 / 256  #: width in sigma of the cells that share one series; four powers then leave 1e-16
_POWERS = 4
_BLOCK = 16_384
_TAIL = 8.0  #: beyond this distance values are taken one by one


@dataclass(frozen=True, slots=True)
class Normality:
    """Anderson-Darling test for a normal distribution with mean and standard deviation from the same readings.

    ``A2`` is the statistic itself, ``A2_adjusted`` the one adjusted for the number of readings that ``p`` is read
    from; ``critical_5_percent`` is the adjusted value that a normal sample exceeds once in 20 (0.752). ``p`` None:
    too few readings.
    """

    A2: float
    A2_adjusted: float
    p: float | None
    critical_5_percent: float = 0.752


def anderson_darling_p(adjusted: float) -> float:
    """Return the chance that a normal sample gives an adjusted A2 of at least ``adjusted``.

    Formulas of D'Agostino and Stephens, Goodness-of-Fit Techniques (1986), table 4.9, case 3 (mean and standard
    deviation estimated). Beyond 13 the formula has no ground and its value there stands as an upper bound.
    """
    a = min(adjusted, 13.0)
    if a >= 0.6:
        return math.exp(1.2937 - 5.709 * a + 0.0186 * a * a)
    if a > 0.34:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a * a)
    if a > 0.2:
        return 1 - math.exp(-8.318 + 42.796 * a - 59.938 * a * a)
    return 1 - math.exp(-13.436 + 101.14 * a - 223.73 * a * a)


def _log_normal_series(z: NDArray[Any]) -> list[NDArray[Any]]:
    """Return the Taylor coefficients of ln Phi at ``z``, orders 0 to `_POWERS`."""
    value = log_ndtr(z)
    slope = [np.exp(-0.5 * z * z - value) / math.sqrt(2 * math.pi)]  # the ratio r = density / Phi, r' = -r (z + r)
    for j in range(_POWERS - 1):
        product = np.sum([slope[i] * slope[j - i] for i in range(j + 1)], axis=0)
        before = slope[j - 1] if j else 0.0
        slope.append(-(z * slope[j] + before + product) / (j + 1))
    return [value, *(s / (j + 1) for j, s in enumerate(slope))]


def _cell_sums(x: FloatArray, m: float, s: float, first: int, last: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (centres, sums of powers, sums of rank times powers) of the cells that hold x[first:last].

    Cells and powers are of (x - m) / s, powers from the cell's centre, orders 0 to `_POWERS`; ranks count from 0 over
    all of the sorted ``x``.
    """
    edges = first + np.searchsorted(x[first:last], m + s * np.arange(-_TAIL, _TAIL + _CELL, _CELL))
    edges[0], edges[-1] = first, last  # rounding of the outermost edges must lose no value
    used = np.flatnonzero(edges[1:] > edges[:-1])
    starts, counts = edges[used], edges[used + 1] - edges[used]
    centres = np.asarray(-_TAIL + (used + 0.5) * _CELL, dtype=np.float64)
    plain, ranked = np.empty((_POWERS + 1, used.size)), np.empty((_POWERS + 1, used.size))
    plain[0] = counts
    middle = starts + (counts - 1) / 2
    ranked[0] = counts * middle
    # blocks of cells whose values fit in the processor's near memory
    cuts = sorted({*(np.searchsorted(starts, np.arange(first, last, _BLOCK), side="right") - 1).tolist()})
    for a, b in zip(cuts, [*cuts[1:], used.size], strict=True):
        begin, end = int(starts[a]), int(starts[b - 1] + counts[b - 1])
        offset = x[begin:end] - m
        offset *= 1 / s
        offset -= np.repeat(centres[a:b], counts[a:b])
        inside = starts[a:b] - begin
        rank = np.arange(begin, end, dtype=float)
        for k in (1, 2):
            rank *= offset
            ranked[k, a:b] = np.add.reduceat(rank, inside)
        power = offset
        plain[1, a:b] = np.add.reduceat(power, inside)
        for k in range(2, _POWERS + 1):
            power = np.multiply(power, offset, out=rank)
            plain[k, a:b] = np.add.reduceat(power, inside)
    # inside a cell ranks rise with the place; for the two last, tiny orders their line through it is exact enough
    spread = plain[2] - plain[1] ** 2 / counts
    slope = np.where(spread > 0, (ranked[1] - middle * plain[1]) / np.where(spread > 0, spread, 1.0), 0.0)
    ranked[3] = middle * plain[3] + slope * (plain[4] - plain[1] * plain[3] / counts)
    ranked[4] = middle * plain[4]
    return centres, plain, ranked


def _weighted_logs(x: FloatArray, m: float, s: float) -> float:
    """Return the sum of (2i - 1) ln Phi(z_i) + (2n + 1 - 2i) ln Phi(-z_i), z = (x - m) / s, sorted, i from 1.

    Long series are cut in narrow cells, each with one Taylor series for all its values: as exact, and much faster.
    """
    n = x.size

    def direct(begin: int, end: int) -> float:
        z = (x[begin:end] - m) / s
        weight = 2.0 * np.arange(begin, end) + 1
        return product_sum(np.asarray(weight), log_ndtr(z)) + product_sum(np.asarray(2 * n - weight), log_ndtr(-z))

    if n <= _DIRECT:
        return direct(0, n)
    first, last = np.searchsorted(x, [m - _TAIL * s, m + _TAIL * s]).tolist()
    sum_of_logs = direct(0, first) + direct(last, n)
    centres, plain, ranked = _cell_sums(x, m, s, first, last)
    up, down = _log_normal_series(centres), _log_normal_series(-centres)
    for k in range(_POWERS + 1):
        low = 2 * ranked[k] + plain[k]
        sum_of_logs += float(low @ up[k]) + float((2 * n * plain[k] - low) @ down[k]) * (-1) ** k
    return sum_of_logs


def anderson_darling(
    values: ArrayLike, *, ordered: bool = False, centre: float | None = None, sd: float | None = None
) -> Normality:
    """Test ``values`` (n,) for a normal distribution whose mean and standard deviation come from the values.

    ``ordered`` says that they are sorted already; ``centre`` and ``sd`` are mean and standard deviation when known.
    A2 and its adjustment 1 + 0.75 / n + 2.25 / n**2: NIST/SEMATECH e-Handbook 1.3.5.14, after Stephens. Raises
    ``DataError`` for fewer than two values or a spread of zero.
    """
    prepared = ordered and centre is not None and sd is not None
    x = np.asarray(values, dtype=float).ravel() if prepared else as_values(values)
    if not prepared and math.isnan(float(x.sum())):
        x, ordered = x[~np.isnan(x)], False
    if x.size < 2:
        raise DataError("a test for normality needs at least two readings")
    m, s = mean_and_sd(x) if centre is None or sd is None else (centre, sd)
    if not s > 0:
        raise DataError("identical readings can't be tested for normality")
    n = x.size
    statistic = -n - _weighted_logs(x if ordered else np.sort(x), m, s) / n
    adjusted = statistic * (1 + 0.75 / n + 2.25 / n**2)
    return Normality(statistic, adjusted, anderson_darling_p(adjusted) if n >= FEWEST else None)


def plotting_positions(n: int) -> FloatArray:
    """Return the medians of the order statistics of n uniform values (Filliben; e-Handbook 1.3.3.21), shape (n,)."""
    if n < 1:
        raise DataError("a probability plot needs at least one reading")
    p = np.asarray((np.arange(1, n + 1) - 0.3175) / (n + 0.365), dtype=np.float64)
    p[-1] = 0.5 ** (1 / n)
    p[0] = 1 - p[-1]
    return p


# A second judgement of normality, for readings rounded to the gauge's step or that resemble each other.
#
# The plain Anderson-Darling test takes readings as exact and independent. Rounded ones pile up on the steps, and
# readings
# of one piece count for less than their number: both alone can make it refuse a normal.


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


def allowing(
    ordered: FloatArray, mean: float, sd: float, plain_A2: float, *, step: float | None, counted: int | None = None
) -> Allowing | None:
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
    reasons = [] if grid is None else [f"step {grid:.3g}"]
    if worth < n:
        reasons.append(f"{n} readings count as {worth}")
    words = " and ".join(reasons)
    if grid is None:
        a2 = plain_A2 * worth / n
        return Allowing(a2, _chance(a2, worth), None, worth, words)
    steps = np.rint((ordered - ordered[0]) / grid).astype(np.int64)
    beside = max(2, math.ceil(2 * sd / grid))  # simulated samples reach beyond the readings
    counts = np.zeros(int(steps[-1]) + 1 + 2 * beside)
    counts[beside : counts.size - beside] = np.bincount(steps)
    values = ordered[0] - mean + grid * (np.arange(counts.size) - beside)
    edges = values[:-1] + grid / 2
    a2 = worth * float(_grouped(counts[None, :], edges, values, grid)[0])
    if worth < FEWEST:
        return Allowing(a2, None, grid, worth, words)
    if grid < COARSE * sd:
        return Allowing(a2, _chance(a2, worth), grid, worth, words)
    true_sd = math.sqrt(max(sd**2 - grid**2 / 12, grid**2 / 24))
    share = np.diff(np.concatenate([[0.0], np.asarray(ndtr(edges / true_sd)), [1.0]]))
    drawn = np.random.default_rng(SEED).multinomial(worth, share / share.sum(), size=DRAWS).astype(float)
    as_far = np.count_nonzero(worth * _grouped(drawn, edges, values, grid) >= a2 * (1 - 1e-9))
    return Allowing(a2, (1 + as_far) / (1 + DRAWS), grid, worth, words)


def _chance(a2: float, n: int) -> float | None:
    return anderson_darling_p(a2 * (1 + 0.75 / n + 2.25 / n**2)) if n >= FEWEST else None


# Is the series stable? Said with the chance that a stable one would look like this, before any index is read.


LEVEL = 0.01  #: each sign of instability is allowed to be wrong once in a hundred stable series
STABILITY_FEWEST = 10


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
        longer = best[: rest.size] & rest[: best.size]
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


def judge(
    points: FloatArray, centre: float, sigma: float, dof: float, *, what: str = "readings",
    weights: FloatArray | None = None,
) -> Stability:  # fmt: skip
    """Judge a series ``points`` (n,) by its centre line and the sigma of a point, known with ``dof``.

    ``weights`` (n,) divides sigma point by point (root of the subgroup size). Four signs are looked for: a point too
    far out, too many points beyond three sigma, a run on one side, neighbours that resemble each other. Raises
    ``DataError`` for an empty series.
    """
    n = points.size
    if not n:
        raise DataError("stability needs at least one point")
    if n < STABILITY_FEWEST or not sigma > 0:
        many = f"{n} {what} are" if n > 1 else "one point is"
        why = (
            f"{many} too few to tell whether the series is stable"
            if n < STABILITY_FEWEST
            else (f"the {what} show no scatter, so that stability can't be judged")
        )
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
        words += "; look at them" if n * chance < count <= places.size else ""
    else:
        words = f"no sign of a change in {n} {what}"
    return Stability(
        not reasons, words, n, tuple(places.tolist()), count, n * chance, run, end, neighbours, tuple(reasons)
    )
