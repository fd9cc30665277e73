"""Is a normal distribution a fair picture of these readings? Anderson-Darling with p, and where a plot puts them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.statistics.basics import FloatArray, as_values, dot, mean_and_sd

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
    from scipy.special import log_ndtr

    value = log_ndtr(z)
    slope = [np.exp(-0.5 * z * z - value) / math.sqrt(2 * math.pi)]  # the ratio r = density / Phi, r' = -r (z + r)
    for j in range(_POWERS - 1):
        product = np.sum([slope[i] * slope[j - i] for i in range(j + 1)], axis=0)
        before = slope[j - 1] if j else 0.0
        slope.append(-(z * slope[j] + before + product) / (j + 1))
    return [value, *(s / (j + 1) for j, s in enumerate(slope))]


def _cell_sums(x: FloatArray, m: float, s: float, first: int,
               last: int) -> tuple[FloatArray, FloatArray, FloatArray]:
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
    cuts = np.unique(np.searchsorted(starts, np.arange(first, last, _BLOCK), side="right") - 1).tolist()
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
    from scipy.special import log_ndtr

    n = x.size

    def direct(begin: int, end: int) -> float:
        z = (x[begin:end] - m) / s
        weight = 2.0 * np.arange(begin, end) + 1
        return dot(np.asarray(weight), log_ndtr(z)) + dot(np.asarray(2 * n - weight), log_ndtr(-z))

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


def anderson_darling(values: ArrayLike, *, ordered: bool = False, centre: float | None = None,
                     sd: float | None = None) -> Normality:
    """Test ``values`` (n,) for a normal distribution whose mean and standard deviation come from the values.

    ``ordered`` says that they are sorted already; ``centre`` and ``sd`` are mean and standard deviation when known.
    A2 and its adjustment 1 + 0.75 / n + 2.25 / n**2: NIST/SEMATECH e-Handbook 1.3.5.14, after Stephens. Raises
    ``DataError`` for fewer than two values or a spread of zero.
    """
    known = ordered and centre is not None and sd is not None
    x = np.asarray(values, dtype=float).ravel() if known else as_values(values)
    if not known and math.isnan(float(x.sum())):
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
