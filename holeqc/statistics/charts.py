"""Control charts of measured values: averages with ranges or standard deviations, single readings, EWMA, CUSUM."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import NOTE, DataError, Problem
from holeqc.statistics.basics import FloatArray, as_values, mean
from holeqc.statistics.chart_parts import (
    AVERAGE_RANGE,
    AVERAGE_SD,
    BEYOND_MEANING,
    CUSUM,
    EWMA,
    INDIVIDUALS,
    VARIABLE_KINDS,
    Chart,
    ChartOptions,
    Frozen,
    baseline_of,
    beyond_signals,
    check_frozen,
    common,
    price,
    sigma_words,
)
from holeqc.statistics.checks import prepare, remarks
from holeqc.statistics.constants import c4, chart_factors, d2, for_sizes
from holeqc.statistics.run_length import alarms_of_scatter, run_length_of_tests
from holeqc.statistics.signals import DEFAULT_TESTS, Signal, find_signals
from holeqc.statistics.subgroups import (
    POOLED,
    RANGE,
    SD,
    Subgroups,
    moving_ranges,
    subgroup_labels,
    subgroup_rows,
    within_by_neighbours,
    within_by_subgroups,
)


@dataclass(frozen=True, slots=True)
class Series:
    """Points with their sizes and labels, and the limits' centre and sigma of one reading, ready for any chart."""

    points: FloatArray
    sizes: NDArray[np.int64]
    labels: Sequence[str]
    centre: float
    sigma: float
    dof: float | None
    baseline: int
    readings: int
    groups: Subgroups | None
    remarks: tuple[Problem, ...]

    @property
    def point_sigma(self) -> FloatArray:
        """Sigma of each point, shape (points,)."""
        return np.asarray(self.sigma / np.sqrt(self.sizes))


def head(groups: Subgroups, count: int) -> Subgroups:
    """Return the first ``count`` subgroups."""
    if count == len(groups):
        return groups
    return Subgroups(groups.labels[:count], groups.sizes[:count], groups.means[:count], groups.ranges[:count],
                     groups.sds[:count])


def _group_centre(groups: Subgroups) -> float:
    return float(np.sum(groups.sizes * groups.means)) / groups.count


def _of_groups(groups: Subgroups, options: ChartOptions, method: str) -> Series:
    said = []
    count = baseline_of(options, len(groups))
    if options.frozen is not None:
        centre, sigma, dof = options.frozen.centre[0], options.frozen.sigma, options.frozen.dof
    else:
        first = head(groups, count)
        centre, sigma, dof = _group_centre(first), math.nan, None
        if np.any(first.sizes > 1):
            within = within_by_subgroups(first, method)
            sigma, dof = within.sigma, within.dof
    if groups.scattered:
        said.append(Problem(NOTE, "scattered-subgroups", f"{groups.scattered} subgroups have readings that are not "
                            "next to each other; they are taken together by their label"))
    if len(groups) == 1:
        said.append(Problem(NOTE, "one-subgroup", "there is one subgroup only: no change can be told"))
    centre = centre if options.centre is None else options.centre
    sigma = options.sigma or (math.nan if sigma is None else sigma)
    return Series(groups.means, groups.sizes, groups.labels, centre, sigma, dof, count, groups.count, groups,
                  tuple(said))


def _of_readings(values: ArrayLike, options: ChartOptions, labels: ArrayLike | None) -> Series:
    x = as_values(values)
    given = np.arange(1, x.size + 1) if labels is None else np.asarray(labels).ravel()
    if given.size != x.size:
        raise DataError(f"{x.size} readings but {given.size} labels")
    ready = prepare(x)
    names = given if ready.kept is None else given[ready.kept]
    n = ready.values.size
    count = baseline_of(options, n)
    sigma, dof = math.nan, None
    if options.frozen is not None:
        centre, dof = options.frozen.centre[0], options.frozen.dof
        sigma = math.nan if options.frozen.sigma is None else options.frozen.sigma
    else:
        first = ready.values[:count]
        centre = mean(first)
        if first.size > 1:
            within = within_by_neighbours(first)
            sigma, dof = (0.0 if float(np.ptp(first)) == 0 else within.sigma), within.dof
    said = tuple(r for r in remarks(ready, sigma if sigma > 0 else None)
                 if r.code not in ("few-readings", "one-reading", "identical-readings"))
    centre = centre if options.centre is None else options.centre
    return Series(ready.values, np.ones(n, dtype=np.int64), tuple(str(v) for v in names.tolist()), centre,
                  options.sigma or sigma, dof, count, n, None, said)


def series_of(values: ArrayLike, options: ChartOptions, *, subgroups: ArrayLike | None = None,
              labels: ArrayLike | None = None, method: str = POOLED) -> Series:
    """Return the points of a chart and what its limits rest on.

    ``values`` is (n,), with ``subgroups`` (n,) labels for averages, or a matrix (k, n) with one subgroup a row.
    ``method`` is the estimate of sigma from subgroups. NaN is a missing reading. Raises ``DataError`` when nothing
    is left.
    """
    array = np.asarray(values)
    if array.ndim == 2:
        if subgroups is not None:
            raise DataError("rows of a matrix are subgroups already; give no labels beside it")
        names = None if labels is None else tuple(str(v) for v in np.asarray(labels).ravel().tolist())
        return _of_groups(subgroup_rows(array, names), options, method)
    if subgroups is None:
        return _of_readings(values, options, labels)
    groups = subgroup_labels(values, subgroups)
    made = _of_groups(groups, options, method)
    missing = int(np.count_nonzero(np.isnan(as_values(values))))
    if missing:
        words = f"{missing} of {groups.count + missing} readings are missing and are not counted"
        made = replace(made, remarks=(*made.remarks, Problem(NOTE, "missing-readings", words)))
    return made


def frozen_of(series: Series, kind: str, options: ChartOptions) -> Frozen | None:
    """Return the limits of a series for later use; the ones it was given when they were frozen."""
    if options.frozen is not None:
        return options.frozen
    if math.isnan(series.sigma):
        return None
    readings = int(series.sizes[:series.baseline].sum())
    return Frozen(kind, (series.centre,), series.sigma, series.baseline, readings, series.dof)


def _spread_chart(series: Series, method: str) -> Chart:
    """Return the chart of ranges or standard deviations beside averages (ISO 7870-2)."""
    groups = series.groups
    assert groups is not None
    several = groups.sizes > 1
    sizes = np.maximum(groups.sizes, 2)
    if method == RANGE:
        values, title = np.where(several, groups.ranges, math.nan), "range"
        centre = for_sizes(d2, sizes)
        low, high = for_sizes(lambda n: chart_factors(n).D1, sizes), for_sizes(lambda n: chart_factors(n).D2, sizes)
    else:
        values, title = np.where(several, groups.sds, math.nan), "standard deviation"
        centre = for_sizes(c4, sizes)
        low, high = for_sizes(lambda n: chart_factors(n).B5, sizes), for_sizes(lambda n: chart_factors(n).B6, sizes)
    hidden = np.where(several, series.sigma, math.nan)
    return _plain_chart(title, method, values, centre * hidden, low * hidden, high * hidden, series)


def _plain_chart(title: str, kind: str, values: FloatArray, centres: FloatArray, lower: FloatArray, upper: FloatArray,
                 series: Series, *, judged: bool = True) -> Chart:
    usable = series.sigma > 0 and judged
    signals = beyond_signals(values, lower, upper, BEYOND_MEANING[kind]) if usable else ()
    centre = common(centres)
    tests = ("beyond_limits",) if judged else ()
    return Chart(kind, title, math.nan if centre is None else centre, common(lower), common(upper), None, values, lower,
                 upper, centres, series.sizes, series.labels, signals, tests, None, series.baseline)


def _moving_range_chart(series: Series, options: ChartOptions) -> Chart:
    """Return the chart of moving ranges; they repeat what the readings show and are judged where tests are named only.

    Each jump of a reading makes two of them, and 0.9 % of all lie beyond their limit with nothing wrong.
    """
    factors = chart_factors(2)
    n = series.points.size
    values = np.concatenate([[math.nan], moving_ranges(series.points)])
    centres, upper = np.full(n, factors.d2 * series.sigma), np.full(n, factors.D2 * series.sigma)
    return _plain_chart("moving range", "moving range", values, centres, np.zeros(n), upper, series,
                        judged=options.tests is not None)


def location_chart(series: Series, kind: str, title: str, options: ChartOptions, spread: Chart) -> Chart:
    """Return the chart of averages or single readings with three-sigma limits and the chosen tests (ISO 7870-2)."""
    tests = DEFAULT_TESTS if options.tests is None else options.tests
    point_sigma = series.point_sigma
    lower, upper = series.centre - 3 * point_sigma, series.centre + 3 * point_sigma
    length = shifted = None
    signals: tuple[Signal, ...] = ()
    if series.sigma > 0:
        signals = find_signals((series.points - series.centre) / point_sigma, tests)
        length, shifted = run_length_of_tests(tests), run_length_of_tests(tests, 1.0)
    judged = bool(spread.tests)
    beside = alarms_of_scatter(spread.kind, int(np.median(series.sizes))) if judged else 0.0
    said = (*series.remarks, *sigma_words(series.sigma, series.points.size),
            *price(length, series.points.size, tests, beside, (spread.title, judged)))
    return Chart(kind, title, series.centre, common(lower), common(upper), series.sigma, series.points, lower, upper,
                 np.full(series.points.size, series.centre), series.sizes, series.labels, signals, tests,
                 frozen_of(series, kind, options), series.baseline, length, shifted, said, spread=spread)


def average_chart(values: ArrayLike, *, subgroups: ArrayLike | None = None, by: str = RANGE,
                  options: ChartOptions | None = None, labels: ArrayLike | None = None) -> Chart:
    """Return the chart of subgroup averages with ranges (``by`` 'range') or standard deviations (``by`` 'sd').

    ``values`` is (n,) with ``subgroups`` (n,) labels, or (k, n) with one subgroup a row. Subgroups may differ in
    size: every point then has its own limits. Raises ``DataError`` without subgroups or for limits that don't fit.
    """
    how = options or ChartOptions()
    kind = {RANGE: AVERAGE_RANGE, SD: AVERAGE_SD}.get(by)
    if kind is None:
        raise DataError(f"scatter of subgroups is charted by '{RANGE}' or '{SD}'; found '{by}'")
    check_frozen(how, kind, VARIABLE_KINDS)
    if subgroups is None and np.ndim(values) != 2:
        raise DataError(f"a chart '{kind}' needs subgroups; without them use '{INDIVIDUALS}'")
    series = series_of(values, how, subgroups=subgroups, labels=labels, method=by)
    return location_chart(series, kind, "average", how, _spread_chart(series, by))


def individuals_chart(values: ArrayLike, *, options: ChartOptions | None = None,
                      labels: ArrayLike | None = None) -> Chart:
    """Return the chart of single readings ``values`` (n,) with their moving ranges; ``labels`` (n,) name the points.

    Sigma is the mean moving range over d2(2). Raises ``DataError`` when no reading is left.
    """
    how = options or ChartOptions()
    check_frozen(how, INDIVIDUALS, VARIABLE_KINDS)
    series = series_of(np.ravel(np.asarray(values, dtype=float)), how, labels=labels)
    return location_chart(series, INDIVIDUALS, "reading", how, _moving_range_chart(series, how))


def chart(values: ArrayLike, kind: str = "", *, subgroups: ArrayLike | None = None,
          options: ChartOptions | None = None, labels: ArrayLike | None = None) -> Chart:
    """Return a chart of measured values by its kind.

    Empty ``kind`` takes averages with ranges when there are subgroups of two to ten readings, with standard
    deviations when larger, and single readings otherwise. Raises ``DataError`` for another kind.
    """
    from holeqc.statistics.charts_weighted import cusum_chart, ewma_chart

    if not kind:
        kind = INDIVIDUALS
        if subgroups is not None or np.ndim(values) == 2:
            sizes = subgroup_rows(values).sizes if np.ndim(values) == 2 else subgroup_labels(
                values, subgroups if subgroups is not None else ()).sizes
            largest = int(sizes.max())
            kind = INDIVIDUALS if largest == 1 else AVERAGE_RANGE if largest <= 10 else AVERAGE_SD
    if kind in (AVERAGE_RANGE, AVERAGE_SD):
        return average_chart(values, subgroups=subgroups, by=RANGE if kind == AVERAGE_RANGE else SD, options=options,
                             labels=labels)
    if kind == INDIVIDUALS:
        return individuals_chart(values, options=options, labels=labels if subgroups is None else subgroups)
    if kind == EWMA:
        return ewma_chart(values, subgroups=subgroups, options=options, labels=labels)
    if kind == CUSUM:
        return cusum_chart(values, subgroups=subgroups, options=options, labels=labels)
    raise DataError(f"measured values have no chart '{kind}'; allowed: {', '.join(VARIABLE_KINDS)}")
