"""Charts with a memory: the exponentially weighted moving average and the tabular cumulative sum."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import NOTE, Problem
from holeqc.statistics.basics import FloatArray, IntArray
from holeqc.statistics.chart_parts import (
    BEYOND_MEANING,
    CUSUM,
    EWMA,
    SUM_BEYOND,
    VARIABLE_KINDS,
    Chart,
    ChartOptions,
    beyond_signals,
    check_frozen,
    common,
    price,
    sigma_words,
)
from holeqc.statistics.charts import Series, frozen_of, series_of
from holeqc.statistics.run_length import RunLength, cusum_run_length, ewma_run_length
from holeqc.statistics.signals import BEYOND_LIMITS, EDGE, Signal


def weighted_average(values: FloatArray, weight: float, start: float) -> FloatArray:
    """Return z_i = weight x_i + (1 - weight) z_(i-1) with z_0 = ``start``, shape of ``values`` (n,)."""
    from scipy.signal import lfilter

    smooth, _ = lfilter([weight], [1.0, weight - 1.0], values, zi=np.array([(1 - weight) * start]))
    return np.asarray(smooth)


def _ewma_sigma(series: Series, weight: float, steady: bool) -> FloatArray:
    """Return the standard deviation of each average; subgroups of unequal size enter with their own."""
    variance = series.point_sigma**2
    if steady:
        return np.sqrt(variance * weight / (2 - weight))
    from scipy.signal import lfilter

    return np.sqrt(np.asarray(lfilter([weight**2], [1.0, -((1 - weight) ** 2)], variance)))


def ewma_chart(values: ArrayLike, *, subgroups: ArrayLike | None = None, options: ChartOptions | None = None,
               labels: ArrayLike | None = None) -> Chart:
    """Return the chart of the exponentially weighted moving average of readings or subgroup averages.

    ``values`` is (n,), or (k, n) with a subgroup a row; ``options`` give weight, width and whether limits are steady
    from the start. Source: Lucas and Saccucci, Technometrics 32 (1990); NIST/SEMATECH e-Handbook 6.3.2.4. Raises
    ``DataError`` when no reading is left or limits don't fit.
    """
    how = options or ChartOptions()
    check_frozen(how, EWMA, VARIABLE_KINDS)
    series = series_of(values, how, subgroups=subgroups, labels=labels)
    smooth = weighted_average(series.points, how.weight, series.centre)
    spread = how.width * _ewma_sigma(series, how.weight, how.steady)
    lower, upper = series.centre - spread, series.centre + spread
    usable = series.sigma > 0
    length = shifted = None
    if usable:
        length, shifted = (RunLength(ewma_run_length(how.weight, how.width, s, steady_limits=how.steady), 0.0,
                                     "exact, integral equation") for s in (0.0, 1.0))
    last = series.centre + np.array([-1, 1]) * how.width * series.sigma * math.sqrt(
        how.weight / (2 - how.weight) / series.sizes[0])
    even = common(series.sizes.astype(float)) is not None
    said = (*series.remarks, *sigma_words(series.sigma, series.points.size), *price(length, series.points.size))
    return Chart(EWMA, "weighted average", series.centre, float(last[0]) if even and usable else None,
                 float(last[1]) if even and usable else None, series.sigma, smooth, lower, upper,
                 np.full(smooth.size, series.centre), series.sizes, series.labels,
                 beyond_signals(smooth, lower, upper, BEYOND_MEANING[EWMA]) if usable else (), (BEYOND_LIMITS,),
                 frozen_of(series, EWMA, how), series.baseline, length, shifted, said, {"reading": series.points},
                 {"weight": how.weight, "width": how.width, "steady_limits": how.steady})


def cumulative_sums(z: FloatArray, reference: float) -> tuple[FloatArray, FloatArray]:
    """Return (upper, lower) sums max(0, sum + z - k) and max(0, sum - z - k), both from zero, shape of ``z`` (n,)."""
    def one(steps: FloatArray) -> FloatArray:
        walk = np.cumsum(steps)
        return np.asarray(walk - np.minimum(np.minimum.accumulate(walk), 0.0))
    return one(z - reference), one(-z - reference)


def since_zero(sums: FloatArray) -> IntArray:
    """Return for each point how many points its sum has been above zero, itself included."""
    index = np.arange(1, sums.size + 1)
    return np.asarray(index - np.maximum.accumulate(np.where(sums > EDGE, 0, index)))


def _sum_signals(sums: FloatArray, decision: float, side: str) -> list[Signal]:
    """Return one signal for every climb from zero that passed the decision value.

    Its points end where the sum crossed: what follows was not needed to signal, however long the sum stays beyond.
    """
    count = since_zero(sums)
    at = np.flatnonzero(sums > decision * (1 + EDGE))
    starts = at - count[at] + 1
    found = []
    for first in np.unique(starts).tolist():
        places = at[starts == first] + 1
        crossed = int(places[0])
        found.append(Signal(SUM_BEYOND, tuple(range(first + 1, crossed + 1)), (crossed,), side,
                            BEYOND_MEANING[SUM_BEYOND], int(places[-1])))
    return found


def cusum_chart(values: ArrayLike, *, subgroups: ArrayLike | None = None, options: ChartOptions | None = None,
                labels: ArrayLike | None = None) -> Chart:
    """Return the two-sided tabular cumulative sum of readings or subgroup averages.

    Reference and decision value (``options``) are in sigma of a point. The chart's points are the sum that is
    farther from zero, the lower one as a negative number; both stand in ``more``, with the number of points since
    zero. Sums are in the readings' unit, or in sigma when subgroups differ in size. A signal's points begin where
    its sum left zero (the shift began there, or just before) and end where it crossed the decision value. Source:
    NIST/SEMATECH e-Handbook 6.3.2.3.
    """
    how = options or ChartOptions()
    check_frozen(how, CUSUM, VARIABLE_KINDS)
    series = series_of(values, how, subgroups=subgroups, labels=labels)
    n = series.points.size
    usable = series.sigma > 0
    point_sigma = series.point_sigma
    even = common(point_sigma)
    scale = even if usable and even is not None else 1.0
    z = (series.points - series.centre) / point_sigma if usable else np.zeros(n)
    up, down = cumulative_sums(z, how.reference)
    signals = sorted([*_sum_signals(up, how.decision, "above"), *_sum_signals(down, how.decision, "below")],
                     key=lambda s: s.points[0]) if usable else []
    length = shifted = None
    if usable:
        length, shifted = (RunLength(cusum_run_length(how.reference, how.decision, s), 0.0, "exact, integral equation")
                           for s in (0.0, 1.0))
    h = how.decision * scale if usable else math.nan
    said = [*series.remarks, *sigma_words(series.sigma, n), *price(length, n)]
    if usable and even is None:
        said.append(Problem(NOTE, "sums-in-sigma", "subgroups differ in size: sums are in sigma of their own point"))
    more = {"reading": series.points, "upper_sum": up * scale, "lower_sum": down * scale,
            "upper_since_zero": since_zero(up).astype(float), "lower_since_zero": since_zero(down).astype(float)}
    return Chart(CUSUM, "cumulative sum", series.centre, -h, h, series.sigma, np.where(up >= down, up, -down) * scale,
                 np.full(n, -h), np.full(n, h), np.zeros(n), series.sizes, series.labels, tuple(signals), (SUM_BEYOND,),
                 frozen_of(series, CUSUM, how), series.baseline, length, shifted, tuple(said), more,
                 {"reference": how.reference, "decision": how.decision})
