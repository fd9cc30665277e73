"""Control charts of measured values: averages with ranges or standard deviations, single readings, EWMA, CUSUM."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.quantities import FloatArray, IntArray
from holeqc.statistics.basics import (
    as_values,
    chance_words,
    group_index,
    mean,
    mean_and_sd,
    neighbour_sums,
    plain,
    prepare,
    remarks,
)
from holeqc.statistics.subgroups import (
    ALL_TESTS,
    BEYOND_LIMITS,
    DEFAULT_TESTS,
    EDGE,
    POOLED,
    RANGE,
    SAME_SIDE,
    SD,
    STEADY_DRIFT,
    TESTS,
    UP_AND_DOWN,
    RunLength,
    Signal,
    Subgroups,
    alarms_of_scatter,
    c4,
    chart_factors,
    check_tests,
    cusum_run_length,
    d2,
    ewma_run_length,
    find_signals,
    for_sizes,
    moving_ranges,
    run_length_of_tests,
    stretches,
    subgroup_labels,
    subgroup_rows,
    within_by_neighbours,
    within_by_subgroups,
)

# What every control chart is made of: options, frozen limits, the finished chart, and signals beyond limits.



AVERAGE_RANGE = "average-range"
AVERAGE_SD = "average-sd"
INDIVIDUALS = "individuals"
EWMA = "ewma"
CUSUM = "cusum"
POSITION = "position"
P_CHART = "p"
C_CHART = "c"
KINDS = (AVERAGE_RANGE, AVERAGE_SD, INDIVIDUALS, EWMA, CUSUM, POSITION, P_CHART, C_CHART)
VARIABLE_KINDS = KINDS[:5]

SUM_BEYOND = "sum_beyond_decision"
BEYOND_MEANING = {
    EWMA: "the level has moved: many small deviations the same way have added up",
    SUM_BEYOND: "the level has moved: deviations the same way have added up beyond the decision value",
    "range": "scatter inside this subgroup is unusual: one reading is off, or the process has become wilder",
    "sd": "scatter inside this subgroup is unusual: one reading is off, or the process has become wilder",
    "moving range": "an unusual jump from the point before",
    POSITION: "the location of this point is unusual in the plane, in its direction or its distance",
    P_CHART: "the share of rejects is not the usual one at this point",
    C_CHART: "the number of faults is not the usual one at this point",
}


@dataclass(frozen=True, slots=True)
class Frozen:
    """Limits of phase 1, to be held fixed in phase 2.

    ``centre`` is the centre line (two numbers for positions), ``sigma`` that of one reading (None for counts and
    positions), ``covariance`` (2 x 2 by rows) for positions; ``points`` and ``readings`` say how many set them and
    ``dof`` how well sigma is known.
    """

    kind: str
    centre: tuple[float, ...]
    sigma: float | None
    points: int
    readings: int
    dof: float | None = None
    covariance: tuple[float, ...] | None = None

    @classmethod
    def from_dict(cls, content: dict[str, Any]) -> Frozen:
        """Return frozen limits from their JSON form; raises ``DataError`` when something is missing or no number."""
        try:
            sigma, dof, covariance = content["sigma"], content["dof"], content["covariance"]
            made = cls(
                str(content["kind"]), tuple(float(v) for v in content["centre"]),
                None if sigma is None else float(sigma), int(content["points"]), int(content["readings"]),
                None if dof is None else float(dof),
                None if covariance is None else tuple(float(v) for v in covariance),
            )  # fmt: skip
        except (KeyError, TypeError, ValueError) as error:
            raise DataError(f"these limits can't be read: {error}") from None
        if made.kind not in KINDS:
            raise DataError(f"limits of an unknown kind '{made.kind}'; allowed: {', '.join(KINDS)}")
        numbers = [*made.centre, *(made.covariance or ()), *(v for v in (made.sigma, made.dof) if v is not None)]
        if not all(math.isfinite(v) for v in numbers):
            raise DataError("limits must be plain numbers")
        return made


@dataclass(frozen=True, slots=True)
class ChartOptions:
    """How a chart is drawn up.

    ``tests`` None takes two, beyond limits and nine on one side (`DEFAULT_TESTS`); moving ranges are then drawn only.
    ``baseline`` is the number of first points that set the limits; ``frozen`` takes them from an earlier chart.
    ``centre`` and ``sigma`` (of one reading) may be given instead of estimated. ``weight`` and ``width`` belong to
    EWMA (``steady`` limits from the first point on, or widening from the start), ``reference`` and ``decision`` (in
    sigma of a point) to CUSUM, ``alarm`` is the chance of a false alarm of a position chart.
    """

    tests: tuple[str, ...] | None = None
    baseline: int | None = None
    frozen: Frozen | None = None
    centre: float | None = None
    sigma: float | None = None
    weight: float = 0.2
    width: float = 3.0
    steady: bool = False
    reference: float = 0.5
    decision: float = 5.0
    alarm: float = 0.0027

    def __post_init__(self) -> None:
        if self.tests is not None:
            object.__setattr__(self, "tests", check_tests(self.tests))
            if not self.tests:
                raise DataError(f"a chart needs at least one test; allowed: {', '.join(ALL_TESTS)}")
        for name in ("centre", "sigma", "width", "reference", "decision"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(value):
                raise DataError(f"{name} must be a plain number; found {value}")
        if self.sigma is not None and not self.sigma > 0:
            raise DataError(f"sigma must be positive; found {self.sigma:g}")
        if self.baseline is not None and self.baseline < 2:
            raise DataError(f"limits need at least 2 points to set them; found {self.baseline}")
        if not (0 < self.weight <= 1 and self.width > 0):
            raise DataError(
                f"the weight lies between 0 and 1 and the width is positive; found {self.weight:g} and {self.width:g}"
            )
        if not (self.reference >= 0 and self.decision > 0):
            raise DataError(
                f"reference and decision values are positive; found {self.reference:g} and {self.decision:g}"
            )
        if not 0 < self.alarm < 1:
            raise DataError(f"the chance of a false alarm lies between 0 and 1; found {self.alarm:g}")


@dataclass(frozen=True, slots=True)
class Chart:
    """A finished chart. Arrays have shape (points,); NaN where there is no such value.

    ``lower_limit`` and ``upper_limit`` are numbers when they are the same for every point, else None (``lower`` and
    ``upper`` always hold them). ``sigma`` is that of one reading. ``more`` holds further columns (readings behind an
    EWMA, both sums of a CUSUM), ``spread`` the chart of scatter that belongs to this one.
    """

    kind: str
    title: str
    centre: float
    lower_limit: float | None
    upper_limit: float | None
    sigma: float | None
    values: FloatArray
    lower: FloatArray
    upper: FloatArray
    centres: FloatArray
    sizes: NDArray[np.int64]
    labels: Sequence[str]
    signals: tuple[Signal, ...]
    tests: tuple[str, ...]
    frozen: Frozen | None
    baseline: int
    run_length: RunLength | None = None
    run_length_shifted: RunLength | None = None
    remarks: tuple[Problem, ...] = ()
    more: dict[str, FloatArray] = field(default_factory=dict)
    details: dict[str, Any] = field(default_factory=dict)
    spread: Chart | None = None

    def all_signals(self) -> list[tuple[str, Signal]]:
        """Return (title of the chart it stands on, signal), for this chart and its chart of scatter."""
        own = [(self.title, s) for s in self.signals]
        return own + ([(self.spread.title, s) for s in self.spread.signals] if self.spread else [])

    def _points(self) -> list[dict[str, Any]]:
        columns = {
            "value": self.values,
            "lower": self.lower,
            "upper": self.upper,
            "centre": self.centres,
            "n": self.sizes,
            **self.more,
        }
        rows = zip(*(np.asarray(c).tolist() for c in columns.values()), strict=True)
        return [
            {"number": i, "label": label, **dict(zip(columns, row, strict=True))}
            for i, (label, row) in enumerate(zip(self.labels, rows, strict=True), 1)
        ]

    def as_dict(self) -> dict[str, Any]:
        """Return the content for JSON; None where there is no value."""
        chart_of = {self.title: self, **({self.spread.title: self.spread} if self.spread else {})}
        signals = [
            {
                "test": s.test,
                "chart": title,
                "points": list(s.points),
                "complete_at": list(s.at),
                "side": s.side,
                "labels": [chart_of[title].labels[p - 1] for p in s.points],
                "meaning": s.meaning,
            }
            | ({"began_at": s.points[0], "crossed_at": s.at[0], "beyond_until": s.until} if s.until else {})
            for title, s in self.all_signals()
        ]
        spread = self.spread
        return plain(
            {
                "kind": self.kind,
                "title": self.title,
                "centre": self.centre,
                "lower_limit": self.lower_limit,
                "upper_limit": self.upper_limit,
                "sigma": self.sigma,
                "points": self._points(),
                "signals": signals,
                "tests": list(self.tests),
                "baseline_points": self.baseline,
                "run_length": None if self.run_length is None else asdict(self.run_length),
                "run_length_after_one_sigma_shift": None
                if self.run_length_shifted is None
                else asdict(self.run_length_shifted),
                "frozen": None if self.frozen is None else asdict(self.frozen),
                **self.details,
                "spread": None
                if spread is None
                else {
                    "title": spread.title,
                    "centre": spread.centre,
                    "lower_limit": spread.lower_limit,
                    "upper_limit": spread.upper_limit,
                    "points": spread._points(),
                },
                "remarks": [{"severity": r.severity, "code": r.code, "text": r.sentence()} for r in self.remarks],
            }
        )


def common(values: FloatArray) -> float | None:
    """Return the number that all values share, or None."""
    if not values.size or math.isnan(float(values[0])):
        return None
    return float(values[0]) if bool(np.all(values == values[0])) else None


def beyond_signals(
    values: FloatArray, lower: FloatArray, upper: FloatArray, meaning: str
) -> tuple[Signal, ...]:
    """Return a signal for every stretch of points beyond their own limits; a point on a limit is inside."""
    found = []
    with np.errstate(invalid="ignore"):
        room = EDGE * np.where(np.isfinite(upper - lower), np.abs(upper - lower), np.abs(upper))
        sides = {"above": values > upper + room, "below": values < lower - room}
    for side, mask in sides.items():
        at, begins, ends = stretches(mask)
        for begin, end in zip(begins, ends, strict=True):
            numbers = tuple(p + 1 for p in at[begin:end])
            if numbers:
                found.append(Signal(BEYOND_LIMITS, numbers, numbers, side, meaning))
    return tuple(sorted(found, key=lambda s: s.points[0]))


def price(
    length: RunLength | None, points: int, tests: tuple[str, ...] = (), scatter: float = 0.0,
    beside: tuple[str, bool] = ("", False),
) -> list[Problem]:  # fmt: skip
    """Return the false-alarm price of a chart in words.

    ``tests`` are those it was judged by, ``scatter`` the chance of a signal at a point of the chart beside it, which
    has the name ``beside`` and is judged or not.
    """
    if length is None or not points:
        return []
    chance = -math.expm1(-points * (1 / length.mean + scatter))
    title, judged = beside
    with_it = f", the {title} once in {1 / scatter:.0f}" if scatter > 0 else ""
    others = [t for t in ALL_TESTS if t not in tests] if tests else []
    of_tests = (
        (
            f" Tests: {', '.join(tests)}"
            + (f"; --tests all adds {', '.join(others)}" if others else "")
            + (f" and judges the {title}" if title and not judged else "")
        )
        if tests
        else ""
    )
    return [Problem(
        NOTE, "false-alarms", f"with nothing wrong this chart signals once in {length.mean:.0f} points on "
        f"average{with_it}: about {100 * chance:.0f} of 100 charts of {points} points signal falsely." + of_tests,
    )]  # fmt: skip


def sigma_words(sigma: float | None, points: int) -> list[Problem]:
    """Return why a chart has no usable limits, if so."""
    if sigma is None or math.isnan(sigma):
        return [
            Problem(
                WARNING,
                "no-limits",
                f"{points} point gives no scatter to set limits from"
                if points == 1
                else "no scatter within can be told: there are no limits",
                action="Collect more readings, or give sigma.",
            )
        ]
    if sigma == 0:
        return [Problem(
            WARNING, "no-scatter", "the readings that set the limits are identical: limits have no width",
            action="Use a gauge with a finer step.",
        )]  # fmt: skip
    return []


def check_frozen(options: ChartOptions, kind: str, allowed: Iterable[str]) -> None:
    """Raise ``DataError`` when the frozen limits belong to another kind of chart, or clash with other choices."""
    if options.frozen is None:
        return
    if options.frozen.kind not in tuple(allowed):
        raise DataError(f"limits frozen for a chart '{options.frozen.kind}' don't fit a chart '{kind}'")
    if options.baseline is not None:
        raise DataError("frozen limits and a baseline exclude each other: the limits are set already")


def baseline_of(options: ChartOptions, points: int) -> int:
    """Return how many first points set the limits; raises ``DataError`` when there are not so many."""
    if options.frozen is not None:
        return 0
    if options.baseline is None:
        return points
    if options.baseline > points:
        raise DataError(f"the baseline of {options.baseline} points is longer than the series of {points}")
    return options.baseline


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
    return Subgroups(
        groups.labels[:count], groups.sizes[:count], groups.means[:count], groups.ranges[:count], groups.sds[:count]
    )


def _of_groups(groups: Subgroups, options: ChartOptions, method: str) -> Series:
    problems = []
    count = baseline_of(options, len(groups))
    if options.frozen is not None:
        centre, sigma, dof = options.frozen.centre[0], options.frozen.sigma, options.frozen.dof
    else:
        first = head(groups, count)
        centre, sigma, dof = float(np.sum(first.sizes * first.means)) / first.count, math.nan, None
        if np.any(first.sizes > 1):
            within = within_by_subgroups(first, method)
            sigma, dof = within.sigma, within.dof
    if groups.scattered:
        problems.append(Problem(
            NOTE, "scattered-subgroups", f"{groups.scattered} subgroups have readings that are not "
            "next to each other; they are taken together by their label",
        ))  # fmt: skip
    if len(groups) == 1:
        problems.append(Problem(NOTE, "one-subgroup", "there is one subgroup only: no change can be told"))
    centre = centre if options.centre is None else options.centre
    sigma = options.sigma or (math.nan if sigma is None else sigma)
    return Series(
        groups.means, groups.sizes, groups.labels, centre, sigma, dof, count, groups.count, groups, tuple(problems)
    )


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
    problems = tuple(
        r
        for r in remarks(ready, sigma if sigma > 0 else None)
        if r.code not in ("few-readings", "one-reading", "identical-readings")
    )
    centre = centre if options.centre is None else options.centre
    return Series(
        ready.values, np.ones(n, dtype=np.int64), tuple(str(v) for v in names.tolist()), centre, options.sigma or sigma,
        dof, count, n, None, problems,
    )  # fmt: skip


def series_of(
    values: ArrayLike, options: ChartOptions, *, subgroups: ArrayLike | None = None, labels: ArrayLike | None = None,
    method: str = POOLED,
) -> Series:  # fmt: skip
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
    readings = int(series.sizes[: series.baseline].sum())
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


def _plain_chart(
    title: str, kind: str, values: FloatArray, centres: FloatArray, lower: FloatArray, upper: FloatArray,
    series: Series, *, judged: bool = True,
) -> Chart:  # fmt: skip
    usable = series.sigma > 0 and judged
    signals = beyond_signals(values, lower, upper, BEYOND_MEANING[kind]) if usable else ()
    centre = common(centres)
    tests = ("beyond_limits",) if judged else ()
    return Chart(
        kind, title, math.nan if centre is None else centre, common(lower), common(upper), None, values, lower, upper,
        centres, series.sizes, series.labels, signals, tests, None, series.baseline,
    )  # fmt: skip


def _moving_range_chart(series: Series, options: ChartOptions) -> Chart:
    """Return the chart of moving ranges; they repeat what the readings show and are judged where tests are named only.

    Each jump of a reading makes two of them, and 0.9 % of all lie beyond their limit with nothing wrong.
    """
    factors = chart_factors(2)
    n = series.points.size
    values = np.concatenate([[math.nan], moving_ranges(series.points)])
    centres, upper = np.full(n, factors.d2 * series.sigma), np.full(n, factors.D2 * series.sigma)
    return _plain_chart(
        "moving range", "moving range", values, centres, np.zeros(n), upper, series, judged=options.tests is not None
    )


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
    problems = (
        *series.remarks,
        *sigma_words(series.sigma, series.points.size),
        *price(length, series.points.size, tests, beside, (spread.title, judged)),
    )
    return Chart(
        kind, title, series.centre, common(lower), common(upper), series.sigma, series.points, lower, upper,
        np.full(series.points.size, series.centre), series.sizes, series.labels, signals, tests,
        frozen_of(series, kind, options), series.baseline, length, shifted, problems, spread=spread,
    )  # fmt: skip


def average_chart(
    values: ArrayLike, *, subgroups: ArrayLike | None = None, by: str = RANGE, options: ChartOptions | None = None,
    labels: ArrayLike | None = None,
) -> Chart:  # fmt: skip
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


def individuals_chart(
    values: ArrayLike, *, options: ChartOptions | None = None, labels: ArrayLike | None = None
) -> Chart:
    """Return the chart of single readings ``values`` (n,) with their moving ranges; ``labels`` (n,) name the points.

    Sigma is the mean moving range over d2(2). Raises ``DataError`` when no reading is left.
    """
    how = options or ChartOptions()
    check_frozen(how, INDIVIDUALS, VARIABLE_KINDS)
    series = series_of(np.ravel(np.asarray(values, dtype=float)), how, labels=labels)
    return location_chart(series, INDIVIDUALS, "reading", how, _moving_range_chart(series, how))


def chart(
    values: ArrayLike, kind: str = "", *, subgroups: ArrayLike | None = None, options: ChartOptions | None = None,
    labels: ArrayLike | None = None,
) -> Chart:  # fmt: skip
    """Return a chart of measured values by its kind.

    Empty ``kind`` takes averages with ranges when there are subgroups of two to ten readings, with standard
    deviations when larger, and single readings otherwise. Raises ``DataError`` for another kind.
    """

    if not kind:
        kind = INDIVIDUALS
        if subgroups is not None or np.ndim(values) == 2:
            sizes = (
                subgroup_rows(values).sizes
                if np.ndim(values) == 2
                else subgroup_labels(values, subgroups if subgroups is not None else ()).sizes
            )
            largest = int(sizes.max())
            kind = INDIVIDUALS if largest == 1 else AVERAGE_RANGE if largest <= 10 else AVERAGE_SD
    if kind in (AVERAGE_RANGE, AVERAGE_SD):
        return average_chart(
            values, subgroups=subgroups, by=RANGE if kind == AVERAGE_RANGE else SD, options=options, labels=labels
        )
    if kind == INDIVIDUALS:
        return individuals_chart(values, options=options, labels=labels if subgroups is None else subgroups)
    if kind == EWMA:
        return ewma_chart(values, subgroups=subgroups, options=options, labels=labels)
    if kind == CUSUM:
        return cusum_chart(values, subgroups=subgroups, options=options, labels=labels)
    raise DataError(f"measured values have no chart '{kind}'; allowed: {', '.join(VARIABLE_KINDS)}")


# Charts with a memory: the exponentially weighted moving average and the tabular cumulative sum.


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


def ewma_chart(
    values: ArrayLike, *, subgroups: ArrayLike | None = None, options: ChartOptions | None = None,
    labels: ArrayLike | None = None,
) -> Chart:  # fmt: skip
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
        length, shifted = (
            RunLength(
                ewma_run_length(how.weight, how.width, s, steady_limits=how.steady), 0.0, "exact, integral equation"
            )
            for s in (0.0, 1.0)
        )
    last = series.centre + np.array([-1, 1]) * how.width * series.sigma * math.sqrt(
        how.weight / (2 - how.weight) / series.sizes[0]
    )
    even = common(series.sizes.astype(float)) is not None
    problems = (*series.remarks, *sigma_words(series.sigma, series.points.size), *price(length, series.points.size))
    return Chart(
        EWMA, "weighted average", series.centre, float(last[0]) if even and usable else None,
        float(last[1]) if even and usable else None, series.sigma, smooth, lower, upper,
        np.full(smooth.size, series.centre), series.sizes, series.labels,
        beyond_signals(smooth, lower, upper, BEYOND_MEANING[EWMA]) if usable else (), (BEYOND_LIMITS,),
        frozen_of(series, EWMA, how), series.baseline, length, shifted, problems, {"reading": series.points},
        {"weight": how.weight, "width": how.width, "steady_limits": how.steady},
    )  # fmt: skip


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
        found.append(Signal(
            SUM_BEYOND, tuple(range(first + 1, crossed + 1)), (crossed,), side, BEYOND_MEANING[SUM_BEYOND],
            int(places[-1]),
        ))  # fmt: skip
    return found


def cusum_chart(
    values: ArrayLike, *, subgroups: ArrayLike | None = None, options: ChartOptions | None = None,
    labels: ArrayLike | None = None,
) -> Chart:  # fmt: skip
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
    signals = (
        sorted(
            [*_sum_signals(up, how.decision, "above"), *_sum_signals(down, how.decision, "below")],
            key=lambda s: s.points[0],
        )
        if usable
        else []
    )
    length = shifted = None
    if usable:
        length, shifted = (
            RunLength(cusum_run_length(how.reference, how.decision, s), 0.0, "exact, integral equation")
            for s in (0.0, 1.0)
        )
    h = how.decision * scale if usable else math.nan
    problems = [*series.remarks, *sigma_words(series.sigma, n), *price(length, n)]
    if usable and even is None:
        text = "subgroups differ in size: sums are in sigma of their own point"
        problems.append(Problem(NOTE, "sums-in-sigma", text))
    more = {
        "reading": series.points,
        "upper_sum": up * scale,
        "lower_sum": down * scale,
        "upper_since_zero": since_zero(up).astype(float),
        "lower_since_zero": since_zero(down).astype(float),
    }
    return Chart(
        CUSUM, "cumulative sum", series.centre, -h, h, series.sigma, np.where(up >= down, up, -down) * scale,
        np.full(n, -h), np.full(n, h), np.zeros(n), series.sizes, series.labels, tuple(signals), (SUM_BEYOND,),
        frozen_of(series, CUSUM, how), series.baseline, length, shifted, tuple(problems), more,
        {"reference": how.reference, "decision": how.decision},
    )  # fmt: skip


# Control charts of counts: the share of rejects (p chart) and the number of faults (c chart).


COUNT_TESTS = (BEYOND_LIMITS, SAME_SIDE, STEADY_DRIFT, UP_AND_DOWN)
_RUN = 9
WILD = 0.01


def _counts(values: ArrayLike, what: str) -> FloatArray:
    x = as_values(values, what)
    if not x.size:
        raise DataError(f"there are no {what}")
    if np.isnan(x).any():
        places = (np.flatnonzero(np.isnan(x)) + 1).tolist()
        raise DataError(f"the {what} have no value at point {', '.join(map(str, places[:5]))}; a count of none is 0")
    bad = np.flatnonzero((x < 0) | (x != np.round(x)))
    if bad.size:
        raise DataError(f"{what} are whole numbers from 0; found {x[bad[0]]:g} at point {bad[0] + 1}")
    return x


def _tests(options: ChartOptions) -> tuple[str, ...]:
    tests = check_tests(DEFAULT_TESTS if options.tests is None else options.tests)
    wrong = [t for t in tests if t not in COUNT_TESTS]
    if wrong:
        raise DataError(f"counts are not normal: {', '.join(wrong)} doesn't apply; allowed: {', '.join(COUNT_TESTS)}")
    return tests


def count_run_length(below: float, low: float, high: float, above: float, tests: tuple[str, ...]) -> RunLength | None:
    """Return the average run length of a chart of counts from the chances of a point.

    ``below`` and ``above`` are beyond the limits, ``low`` and ``high`` between centre line and limit; the rest lies
    on the centre line. The chain has a state for each length of run. None with tests that look at the order of
    points.
    """
    if any(t not in DEFAULT_TESTS for t in tests):
        return None
    if BEYOND_LIMITS not in tests:
        low, high, below, above = low + below, high + above, 0.0, 0.0
    if SAME_SIDE not in tests:
        alarm = below + above
        return RunLength(1 / alarm, 0.0, "exact") if alarm > 0 else None
    # state 0 is no run; 1.._RUN-1 a run below, _RUN..2 _RUN-2 a run above
    on = max(0.0, 1 - below - low - high - above)
    size = 2 * _RUN - 1
    move = np.zeros((size, size))
    for state in range(size):
        run_low = state if 0 < state < _RUN else 0
        run_high = state - _RUN + 1 if state >= _RUN else 0
        move[state, 0] += on
        if run_low + 1 < _RUN:
            move[state, run_low + 1] += low
        if run_high + 1 < _RUN:
            move[state, _RUN + run_high] += high
    lengths = np.linalg.solve(np.eye(size) - move, np.ones(size))
    return RunLength(float(lengths[0]), 0.0, "exact, Markov chain of runs")


def _too_wild(z: FloatArray, what: str) -> list[Problem]:
    """Return a remark when counts scatter more than their distribution allows (index of dispersion)."""
    from scipy.special import gammaincc

    dof = z.size - 1
    if dof < 5:
        return []
    statistic = float(np.sum(z * z))
    p = float(gammaincc(dof / 2, statistic / 2))
    if p >= WILD:
        return []
    return [Problem(
        WARNING, "wild-counts", f"counts scatter {math.sqrt(statistic / dof):.1f} times as much as {what} "
        f"would ({chance_words(p)}): parts or days differ, so that limits are too tight for some of them",
    )]  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Plan:
    """A chart of counts before it is finished: points, centre line, sigma of each point, and what they count."""

    kind: str
    title: str
    values: FloatArray
    centre: float
    spread: FloatArray
    top: float
    sizes: NDArray[np.int64]
    frozen: Frozen
    baseline: int
    words: str


def _chances(at_most: Callable[[int], float], centre: float, sigma: float) -> tuple[float, float, float, float]:
    """Return the chances of a count (below the limits, under the centre line, over it, above the limits)."""
    tiny = 1e-9
    below = at_most(math.ceil(centre - 3 * sigma - tiny) - 1)
    above = 1 - at_most(math.floor(centre + 3 * sigma + tiny))
    under, over = at_most(math.ceil(centre - tiny) - 1), 1 - at_most(math.floor(centre + tiny))
    return below, under - below, over - above, above


def _finish(
    plan: _Plan, tests: tuple[str, ...], labels: ArrayLike | None, chances: tuple[float, float, float, float]
) -> Chart:
    values, centre, spread = plan.values, plan.centre, plan.spread
    lower, upper = np.maximum(centre - 3 * spread, 0.0), np.minimum(centre + 3 * spread, plan.top)
    signals: list[Signal] = []
    problems: list[Problem] = []
    length = None
    if np.all(spread > 0):
        if BEYOND_LIMITS in tests:
            signals += beyond_signals(values, lower, upper, BEYOND_MEANING[plan.kind])
        z = (values - centre) / spread
        signals += find_signals(z, tuple(t for t in tests if t != BEYOND_LIMITS))
        length = count_run_length(*chances, tests)
        problems = [*_too_wild(z, plan.words), *price(length, values.size)]
        if length is None:
            problems.append(Problem(NOTE, "no-run-length", "the run length of this set of tests is not worked out"))
    else:
        problems.append(
            Problem(
                WARNING,
                "no-scatter",
                "nothing was counted: there are no limits"
                if centre == 0
                else "everything was counted: there are no limits",
            )
        )
    names = range(1, values.size + 1) if labels is None else np.asarray(labels).ravel().tolist()
    return Chart(
        plan.kind, plan.title, centre, common(lower), common(upper), None, values, lower, upper,
        np.full(values.size, centre), plan.sizes, tuple(str(v) for v in names),
        tuple(sorted(signals, key=lambda s: s.points[0])), tests, plan.frozen, plan.baseline, length, None,
        tuple(problems),
    )  # fmt: skip


def _sizes(counts: FloatArray, sizes: ArrayLike) -> FloatArray:
    n = _counts(sizes, "sizes")
    if n.size == 1:
        n = np.full(counts.size, n[0])
    if n.size != counts.size:
        raise DataError(f"{counts.size} counts but {n.size} sizes")
    bad = np.flatnonzero((n < 1) | (counts > n))
    if bad.size:
        i = int(bad[0])
        raise DataError(
            f"a count of {counts[i]:g} of {n[i]:g} at point {i + 1} can't be; a size is at least 1 and not "
            "below its count"
        )
    return n


def p_chart(
    counts: ArrayLike, sizes: ArrayLike, *, options: ChartOptions | None = None, labels: ArrayLike | None = None
) -> Chart:
    """Return the chart of shares: ``counts`` (m,) of ``sizes`` (m,) or of one size for all (ISO 7870-2).

    Each point's limits follow its size; a lower limit below 0 is 0. The run length is that of the middle size.
    Raises ``DataError`` for counts that are not whole, above their size, or missing.
    """
    from scipy.special import bdtr

    how = options or ChartOptions()
    check_frozen(how, P_CHART, (P_CHART,))
    tests = _tests(how)
    d = _counts(counts, "counts")
    n = _sizes(d, sizes)
    baseline = baseline_of(how, d.size)
    share = float(d[:baseline].sum() / n[:baseline].sum()) if how.frozen is None else how.frozen.centre[0]
    share = share if how.centre is None else how.centre
    if not 0 <= share <= 1:
        raise DataError(f"a share lies between 0 and 1; found {share:g}")
    usual = int(np.median(n))

    def at_most(k: int) -> float:
        return 0.0 if k < 0 else 1.0 if k >= usual else float(bdtr(k, usual, share))

    frozen = how.frozen or Frozen(P_CHART, (share,), None, baseline, int(n[:baseline].sum()))
    plan = _Plan(
        P_CHART, "share", d / n, share, np.sqrt(share * (1 - share) / n), 1.0, n.astype(np.int64), frozen, baseline,
        "independent parts of one quality",
    )  # fmt: skip
    return _finish(plan, tests, labels, _chances(at_most, share * usual, math.sqrt(usual * share * (1 - share))))


def c_chart(counts: ArrayLike, *, options: ChartOptions | None = None, labels: ArrayLike | None = None) -> Chart:
    """Return the chart of the number of faults ``counts`` (m,) in equal portions (e-Handbook 6.3.3.1; ISO 7870-2).

    A lower limit below 0 is 0. Raises ``DataError`` for counts that are not whole or missing.
    """
    from scipy.special import pdtr

    how = options or ChartOptions()
    check_frozen(how, C_CHART, (C_CHART,))
    tests = _tests(how)
    c = _counts(counts, "counts")
    baseline = baseline_of(how, c.size)
    level = float(c[:baseline].mean()) if how.frozen is None else how.frozen.centre[0]
    level = level if how.centre is None else how.centre
    if level < 0:
        raise DataError(f"a mean count is not negative; found {level:g}")
    frozen = how.frozen or Frozen(C_CHART, (level,), None, baseline, baseline)
    plan = _Plan(
        C_CHART, "count", c, level, np.full(c.size, math.sqrt(level)), math.inf, np.ones(c.size, dtype=np.int64),
        frozen, baseline, "independent faults of one rate",
    )  # fmt: skip
    return _finish(
        plan, tests, labels, _chances(lambda k: 0.0 if k < 0 else float(pdtr(k, level)), level, math.sqrt(level))
    )


# The chart for positions: Hotelling's T2 of two coordinates, so that direction and distance count together.


P = 2  #: coordinates of a position


def _pairs(x: ArrayLike, y: ArrayLike) -> tuple[FloatArray, np.ndarray]:
    """Return (pairs without missing ones (n, 2), places kept)."""
    a, b = np.asarray(x, dtype=float).ravel(), np.asarray(y, dtype=float).ravel()
    if a.size != b.size:
        raise DataError(f"{a.size} first coordinates but {b.size} second ones")
    if np.isinf(a).any() or np.isinf(b).any():
        raise DataError("the coordinates hold an infinite value")
    kept = np.flatnonzero(~(np.isnan(a) | np.isnan(b)))
    if not kept.size:
        raise DataError("there is no position with both coordinates")
    return np.column_stack([a[kept], b[kept]]), kept


def _grouped(
    pairs: FloatArray, labels: ArrayLike
) -> tuple[FloatArray, IntArray, FloatArray, tuple[str, ...]]:
    """Return (means (k, 2), sizes (k,), sums of squares and products within (k, 2, 2), labels)."""
    names, place = group_index(labels)
    k = names.size
    sizes = np.bincount(place, minlength=k)
    means = np.column_stack([np.bincount(place, pairs[:, j], k) for j in range(P)]) / sizes[:, None]
    rest = pairs - means[place]
    within = np.empty((k, P, P))
    for i in range(P):
        for j in range(P):
            within[:, i, j] = np.bincount(place, rest[:, i] * rest[:, j], k)
    return means, sizes, within, tuple(str(v) for v in names.tolist())


def distance_squared(
    pairs: FloatArray, centre: FloatArray, covariance: FloatArray
) -> FloatArray:
    """Return the squared statistical distance of each pair (n, 2) from ``centre`` (2,), shape (n,)."""
    d = pairs - centre
    return np.asarray(np.einsum("ij,ji->i", d, np.linalg.solve(covariance, d.T)))


def _limits(sizes: IntArray, readings: int, dof: float, alarm: float, *, first: bool, single: bool) -> FloatArray:
    """Return the upper limit of T2 for each point.

    ``first``: the points helped to set the limits. Single positions of phase 1, judged by the scatter of successive
    differences, follow a chi-square distribution closely (Williams, Woodall, Birch, Sullivan, Journal of Quality
    Technology 38, 2006, from memory; simulated here for 10 to 300 points: 0.0022 to 0.0031 where
    0.0027 is asked), all others an F with the dof of the covariance.
    """
    from scipy.special import chdtri, fdtri

    if first and single:
        return np.full(sizes.size, float(chdtri(P, alarm)))
    f = float(fdtri(P, dof - P + 1, 1 - alarm))
    share = sizes / readings
    room = 1 - share if first else 1 + share
    return np.asarray(np.maximum(room, 0.0) * P * dof / (dof - P + 1) * f)


def position_chart(
    x: ArrayLike, y: ArrayLike, *, subgroups: ArrayLike | None = None, options: ChartOptions | None = None,
    labels: ArrayLike | None = None,
) -> Chart:  # fmt: skip
    """Return the T2 chart of positions ``x``, ``y`` (n,), single or as means of ``subgroups`` (n,).

    Single positions use the covariance of successive differences, which a drift or a step hardly widens (Holmes and
    Mergen, Quality Engineering 5, 1993; Sullivan and Woodall, Journal of Quality Technology 28, 1996), subgroups the
    pooled one within. A baseline or frozen limits make the
    later points phase 2. The centre line is the median of T2 with known parameters. Raises ``DataError`` for fewer
    than four positions to set limits from, or coordinates that lie on a line.
    """
    how = options or ChartOptions()
    check_frozen(how, POSITION, (POSITION,))
    pairs, kept = _pairs(x, y)
    missing = np.asarray(x).size - kept.size
    problems = []
    if missing:
        text = f"{missing} positions lack a coordinate and are not counted"
        problems.append(Problem(WARNING, "missing-readings", text))
    single = subgroups is None
    if subgroups is None:
        given = np.arange(1, kept[-1] + 2) if labels is None else np.asarray(labels).ravel()
        means, sizes = pairs, np.ones(kept.size, dtype=np.int64)
        names = tuple(str(v) for v in given[kept].tolist())
        within = np.zeros((0, P, P))
    else:
        means, sizes, within, names = _grouped(pairs, np.asarray(subgroups).ravel()[kept])
    count = baseline_of(how, len(names))
    frozen = how.frozen or _freeze(means[:count], sizes[:count], within[:count], single)
    centre = np.array(frozen.centre)
    covariance = np.array(frozen.covariance).reshape(P, P)
    dof = float(frozen.dof or 0)
    if dof <= P or np.linalg.cond(covariance) > 1e12:
        raise DataError("the positions lie on a line or are too few: their scatter in the plane can't be told")
    t2 = sizes * distance_squared(means, centre, covariance)
    upper = np.concatenate([
        _limits(sizes[:count], frozen.readings, dof, how.alarm, first=True, single=single),
        _limits(sizes[count:], frozen.readings, dof, how.alarm, first=False, single=single),
    ])  # fmt: skip
    middle = 2 * math.log(2)
    length = RunLength(1 / how.alarm, 0.0, "from the chance of a false alarm")
    return Chart(
        POSITION, "T2 of place", middle, 0.0, common(upper), None, t2, np.zeros(t2.size), upper,
        np.full(t2.size, middle), sizes, names,
        beyond_signals(t2, np.full(t2.size, -np.inf), upper, BEYOND_MEANING[POSITION]), (BEYOND_LIMITS,), frozen, count,
        length, None, (*problems, *_few(dof), *price(length, t2.size)), {"x": means[:, 0], "y": means[:, 1]},
        {"mean_position": centre.tolist(), "covariance": covariance.tolist(), "alarm": how.alarm},
    )  # fmt: skip


def _few(dof: float) -> list[Problem]:
    if dof >= 20:
        return []
    return [Problem(
        NOTE, "few-positions", f"the scatter is known with {dof:.0f} degrees of freedom only: the limits are wide"
    )]


def _freeze(means: FloatArray, sizes: IntArray, within: FloatArray, single: bool) -> Frozen:
    n = int(sizes.sum())
    if n < 4:
        raise DataError(f"limits for positions need at least 4 of them; found {n}")
    centre = (sizes[:, None] * means).sum(axis=0) / n
    if single:
        steps = np.diff(means, axis=0)
        dof = 2 * (n - 1) ** 2 / (3 * n - 4)  # effective: Scholz and Tosch, ASA section on quality, 1994
        total = steps.T @ steps * dof / (2 * (n - 1))
    else:
        dof = n - sizes.size
        total = within.sum(axis=0)
    if dof <= P:
        raise DataError(
            "subgroups of one position show no scatter within: chart single positions instead"
            if not single and dof == 0
            else f"{dof} degrees of freedom are too few for limits"
        )
    covariance = total / dof
    return Frozen(POSITION, tuple(centre.tolist()), None, sizes.size, n, float(dof), tuple(covariance.ravel().tolist()))


# What the points of a finished chart say against its limits: neighbours alike, a limit where nothing can be.


FEWEST = 10
ALIKE = 2.576  #: two-sided 1 % point of a standard normal


DRIFTED = 4.0  #: slope in its standard errors from which a straight drift is told (our choice)


def noted(chart: Chart) -> Chart:
    """Return a chart of single points with what its limits suppose and these points don't keep; other kinds as is.

    The lag-1 correlation of independent points scatters by 1 / sqrt(n) (NIST/SEMATECH e-Handbook 1.3.5.12).
    """
    if chart.kind != INDIVIDUALS:
        return chart
    x = chart.values
    problems = []
    slope, fitted = _drift(x)
    if x.size >= FEWEST and np.ptp(x) > 0:
        square, product = neighbour_sums(x, mean(x))
        alike = product / square
        if alike > max(0.2, ALIKE / math.sqrt(x.size)):
            why = (
                "they drift" if slope else "a level that moved or a drift looks like this too"
            )
            problems.append(Problem(
                WARNING, "points-alike", "each point resembles the one before (correlation "
                f"{alike:.2f}): limits from moving ranges take points as independent and are too "
                f"narrow for these; {why}",
            ))  # fmt: skip
    lower = chart.lower[np.isfinite(chart.lower)]
    if lower.size and float(lower.min()) < 0 <= float(x.min()):
        problems.append(Problem(
            NOTE, "limit-below-zero", "the lower limit is below zero and no point is: if it can't be "
            "negative, read that limit as 0, and the chart sees no improvement",
        ))  # fmt: skip
    made = replace(chart, remarks=(*problems, *chart.remarks))
    made = _drift_told(made, slope, fitted) if slope else made
    return _shape_told(made)


def _drift(x: FloatArray) -> tuple[float, FloatArray]:
    """Return the slope of points (n,) a point and the line, where it leaves no pattern and beats one step; else 0."""
    n = x.size
    if n < FEWEST or not np.ptp(x) > 0:
        return 0.0, x
    t, y = np.arange(n) - (n - 1) / 2, x - mean(x)
    slope = float(t @ y / (t @ t))
    rest = float(((y - slope * t) ** 2).sum())
    before = np.arange(1, n)
    gain = np.cumsum(y)[:-1] ** 2 * n / (before * (n - before))  # what a step behind each point takes off
    if rest >= float(y @ y - gain.max()) or abs(slope) < DRIFTED * math.sqrt(rest / (n - 2) / float(t @ t)):
        return 0.0, x
    square, product = neighbour_sums(y - slope * t, 0.0)
    if product > max(0.2, ALIKE / math.sqrt(n)) * square:  # steps, resets: no one line tells it
        return 0.0, x
    return slope, np.asarray(mean(x) + slope * t, dtype=np.float64)


def _drift_told(chart: Chart, slope: float, fitted: FloatArray) -> Chart:
    """Return a chart whose signals are worded as those of a drift; a point that is off the drift keeps its meaning."""
    way = "up" if slope > 0 else "down"
    run = f"the points drift {way}, {abs(slope):.3g} a point: wear, warming up, loosening"
    far = f"the drift {way} carried this point beyond limits that suppose a steady level"
    rest = chart.values - fitted
    near = np.abs(rest) <= 3 * math.sqrt(float(rest @ rest) / (rest.size - 2))

    def meaning(s: Signal) -> str:
        at = np.array(s.points) - 1
        carried = bool((near[at] & (((fitted[at] > chart.centre) == (s.side == "above")))).all())
        return run if s.test == SAME_SIDE else far if s.test == BEYOND_LIMITS and carried else s.meaning

    return replace(chart, signals=tuple(replace(s, meaning=meaning(s)) for s in chart.signals))


def _shape_told(chart: Chart) -> Chart:
    """Return a chart that says where its points don't look normal, as `capability` tests it, and what follows."""
    from holeqc.statistics.capability import NORMAL_LEVEL, skewed_side, tails_normal
    from holeqc.statistics.normality import allowing, anderson_darling

    ready = prepare(chart.values)
    if ready.different < 2:
        return chart
    m, sd = mean_and_sd(ready.values)
    plain_test = anderson_darling(ready.ordered, ordered=True, centre=m, sd=sd)
    stepped = allowing(ready.ordered, m, sd, plain_test.A2, step=ready.step)
    p = plain_test.p if stepped is None else stepped.p
    if p is None or p >= NORMAL_LEVEL or tails_normal(ready.ordered, m, sd, None):
        return chart
    beyond = tuple(n for s in chart.signals if s.test == BEYOND_LIMITS for n in s.points)
    side = skewed_side(chart.values, chart.centre, beyond)
    words = (
        f"beyond a limit that supposes a normal shape, {side} only, on the long side of a skewed series: a stable "
        "process of such a shape gives such points too; judge by a distribution that fits or by means of subgroups "
        "(--subgroup) before you call it a change"
    )
    plain_words = TESTS[BEYOND_LIMITS].meaning  # what a drift explains stays explained by it
    signals = tuple(
        replace(s, meaning=words) if side and s.test == BEYOND_LIMITS and s.meaning == plain_words else s
        for s in chart.signals
    )
    shape = Problem(
        WARNING, "not-normal", f"these points don't look normal ({chance_words(p)}), which the limits and tests "
        "suppose; a change or a drift can look like this too",
    )  # fmt: skip
    return replace(chart, signals=signals, remarks=(shape, *(_without_price(r, chart) for r in chart.remarks)))


def _without_price(said: Problem, chart: Chart) -> Problem:
    if said.code != "false-alarms" or chart.run_length is None:
        return said
    tests = said.message.partition(" Tests: ")[2]
    text = (
        "how often this chart signals falsely isn't known: one false signal in "
        f"{chart.run_length.mean:.0f} points holds for a normal shape only, and a skewed one gives more"
    )
    return replace(said, message=text + (f". Tests: {tests}" if tests else ""))
