"""Can the gauge see the difference? Repeatability, reproducibility and part variation from one table of readings.

Terms as in ASTM E2782 (measurement systems analysis) and ISO 22514-7 (capability of measurement processes):
repeatability is the scatter of one appraiser on one part; reproducibility the differences between appraisers;
interaction the part of those differences that changes from part to part; part variation what is left for the parts.
The four add up to the total; `gauge` is repeatability, reproducibility and interaction together.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.statistics import gauge_anova as anova
from holeqc.statistics import gauge_intervals as intervals
from holeqc.statistics.gauge_anova import AnovaRow
from holeqc.statistics.gauge_estimates import Estimates, Pooling, from_mean_squares, pool
from holeqc.statistics.gauge_layout import FloatArray, Layout, lay_out
from holeqc.statistics.gauge_notes import study_notes, suspect_pair, wide_ranges
from holeqc.statistics.gauge_range import range_estimates, range_limit

Method = Literal["anova", "range"]

POOL_ABOVE = 0.25
"""Interaction is pooled when its p is above this: there is no sign of it at all. Our choice; any other is an option."""
MULTIPLIER = 6.0  #: a spread is this many standard deviations: 99.73 % of a normal distribution
LINES = ("repeatability", "reproducibility", "interaction", "gauge", "part", "total")


@dataclass(frozen=True, slots=True)
class Share:
    """One cause of variation.

    ``variance`` is never below zero, ``raw`` is the estimate as it came out. Percentages compare standard deviations
    (they don't add up to 100), except ``share_of_variance`` (those do). ``None``: this study can't tell.
    """

    name: str
    variance: float | None
    raw: float | None = None
    interval: tuple[float, float] | None = None
    share_of_variance: float | None = None
    share_of_all_scatter: float | None = None
    share_of_all_scatter_interval: tuple[float, float] | None = None
    share_of_tolerance: float | None = None

    @property
    def standard_deviation(self) -> float | None:
        """Square root of the variance, in the unit of the readings."""
        return None if self.variance is None else float(np.sqrt(self.variance))


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Result of a gauge study; ``shares`` in the order of `LINES`, intervals at ``confidence``.

    ``anova`` is the table with the interaction, ``anova_pooled`` the one after pooling (empty if nothing was pooled).
    ``cell_means`` and ``cell_ranges`` (parts, appraisers) hold not-a-number where nobody read; ``range_limit`` is what
    a range of repeats seldom exceeds (D4 times the mean range, ISO 7870-2), None where repeats aren't even.
    """

    design: str
    method: Method
    parts: int
    appraisers: int
    trials: int | None
    readings: int
    missing: int
    balanced: bool
    mean: float
    shares: tuple[Share, ...]
    interaction_rule: str
    interaction_pooled: bool
    parts_told_apart: int | None
    parts_told_apart_exact: float | None
    parts_told_apart_interval: tuple[float, float] | None
    anova: tuple[AnovaRow, ...]
    anova_pooled: tuple[AnovaRow, ...]
    confidence: float
    interval_method: str
    multiplier: float
    lower: float | None
    upper: float | None
    part_names: tuple[str, ...]
    appraiser_names: tuple[str, ...]
    cell_means: FloatArray
    cell_ranges: FloatArray
    mean_range: float | None
    range_limit: float | None
    notes: tuple[str, ...]

    def share(self, name: str) -> Share:
        """Return the line of a cause by its name, one of `LINES`."""
        return next(s for s in self.shares if s.name == name)

    @property
    def tolerance(self) -> float | None:
        """Upper limit minus lower limit, None unless both are given."""
        return None if self.lower is None or self.upper is None else self.upper - self.lower

    def freedom(self, source: str) -> int:
        """Return the degrees of freedom of a mean square that the components were taken from, 0 if it has none."""
        table = self.anova_pooled or self.anova
        return next((row.degrees_of_freedom for row in table if row.source == source), 0)

    def as_dict(self) -> dict[str, object]:
        """Return the result for machines; keys are stable, shares are in per cent."""
        each = {s.name: s for s in self.shares}
        return {
            "design": self.design,
            "method": self.method,
            "parts": self.parts,
            "appraisers": self.appraisers,
            "trials": self.trials,
            "readings": self.readings,
            "missing": self.missing,
            "balanced": self.balanced,
            "mean": self.mean,
            "variance": {k: s.variance for k, s in each.items()},
            "variance_as_estimated": {k: s.raw for k, s in each.items()},
            "variance_intervals": {k: _pair(s.interval) for k, s in each.items()},
            "standard_deviation": {k: s.standard_deviation for k, s in each.items()},
            "share_of_variance": {k: s.share_of_variance for k, s in each.items()},
            "share_of_all_scatter": {k: s.share_of_all_scatter for k, s in each.items()},
            "share_of_all_scatter_intervals": {k: _pair(s.share_of_all_scatter_interval) for k, s in each.items()},
            "share_of_tolerance": {k: s.share_of_tolerance for k, s in each.items()},
            "parts_told_apart": self.parts_told_apart,
            "parts_told_apart_exact": self.parts_told_apart_exact,
            "parts_told_apart_interval": _pair(self.parts_told_apart_interval),
            "anova": [asdict(row) for row in self.anova],
            "anova_pooled": [asdict(row) for row in self.anova_pooled],
            "interaction_rule": self.interaction_rule,
            "interaction_pooled": self.interaction_pooled,
            "confidence": self.confidence,
            "interval_method": self.interval_method,
            "spread_in_standard_deviations": self.multiplier,
            "mean_range": self.mean_range,
            "range_limit": self.range_limit,
            "lower": self.lower,
            "upper": self.upper,
            "notes": list(self.notes),
        }


def _pair(interval: tuple[float, float] | None) -> list[float] | None:
    return None if interval is None else [float(interval[0]), float(interval[1])]


def gauge_study(
    part: ArrayLike | None,
    appraiser: ArrayLike | None,
    value: ArrayLike,
    *,
    limits: tuple[float | None, float | None] = (None, None),
    method: Method = "anova",
    nested: bool = False,
    interaction: Pooling = "rule",
    pool_above: float = POOL_ABOVE,
    confidence: float = 0.95,
) -> GaugeStudy:
    """Split the variation of readings into repeatability, reproducibility, interaction and parts.

    Args:
        part: label of the part of each reading (n,); None: one part.
        appraiser: label of who read (n,); None: one appraiser.
        value: readings (n,), one unit; not-a-number for one that wasn't taken.
        limits: lower and upper limit in the unit of the readings, either may be None.
        method: ``anova``, or ``range`` (average and range, for a check by hand).
        nested: each appraiser has parts of their own (a part is changed or lost by reading it).
        interaction: ``rule`` pools it with repeatability when its p is above ``pool_above``; ``pool`` and ``keep``
            do so always and never.
        pool_above: the p of that rule.
        confidence: two-sided level of the intervals.

    Raises:
        DataError: readings, labels, limits or options that make no study.

    Source: ASTM E2782 for the terms; random effects analysis of variance as in Burdick, Borror and Montgomery,
    Design and Analysis of Gauge R&R Studies (2005), ch. 3 and 5; intervals in `gauge_intervals`.
    """
    _check(limits, method, interaction, pool_above)
    intervals.check_confidence(confidence)
    layout = lay_out(part, appraiser, value, nested=nested)
    full, freedom, total = anova.sums_of_squares(layout)
    table = anova.anova_table(full, freedom, total)
    strata, pooled, rule = pool(layout, full, table, interaction, pool_above)
    pooled_table = anova.anova_table(strata, freedom, total) if pooled else ()
    if method == "range":
        found, interval_name = Estimates(*range_estimates(layout)), "none"
        rule = "the average and range method has no interaction: it lies in the other lines"
        pooled, pooled_table = False, ()
    else:
        found, interval_name = from_mean_squares(strata, confidence), _interval_name(layout)
    if pooled and layout.trials != 1:
        found.variances["interaction"] = found.raw["interaction"] = 0.0
    shares = _shares(found, limits)
    exact = _categories(shares)
    cell_means, cell_ranges = _cells(layout)
    mean_range, limit = range_limit(layout)
    return GaugeStudy(
        design=layout.design,
        method=method,
        parts=layout.parts,
        appraisers=layout.appraisers,
        trials=layout.trials,
        readings=layout.values.size,
        missing=layout.missing,
        balanced=layout.balanced,
        mean=float(layout.values[0] + np.mean(layout.values - layout.values[0])),
        shares=shares,
        interaction_rule=rule,
        interaction_pooled=pooled,
        parts_told_apart=None if exact is None else int(exact),
        parts_told_apart_exact=exact,
        parts_told_apart_interval=None if exact is None else found.apart_span,
        anova=table,
        anova_pooled=pooled_table,
        confidence=confidence,
        interval_method=interval_name,
        multiplier=MULTIPLIER,
        lower=limits[0],
        upper=limits[1],
        part_names=layout.part_names,
        appraiser_names=layout.appraiser_names,
        cell_means=cell_means,
        cell_ranges=cell_ranges,
        mean_range=mean_range,
        range_limit=limit,
        notes=study_notes(layout, shares, limits, MULTIPLIER)
        + suspect_pair(layout)
        + wide_ranges(layout, cell_ranges, limit),
    )


def _check(limits: tuple[float | None, float | None], method: str, interaction: str, pool_above: float) -> None:
    low, high = limits
    for name, limit in (("lower", low), ("upper", high)):
        if limit is not None and not np.isfinite(limit):
            raise DataError(f"the {name} limit is {limit}; give a number, or leave it out")
    if low is not None and high is not None and not low < high:
        raise DataError(f"the limits are upside down: lower {low}, upper {high}")
    if method not in {"anova", "range"}:
        raise DataError(f"there is no method {method!r}; allowed: anova, range")
    if interaction not in {"rule", "pool", "keep"}:
        raise DataError(f"the interaction can't be treated as {interaction!r}; allowed: rule, pool, keep")
    if not 0.0 <= pool_above <= 1.0:
        raise DataError(f"the p above which the interaction is pooled is {pool_above}; allowed: 0 to 1")


def _interval_name(layout: Layout) -> str:
    name = f"{intervals.LARGE_SAMPLE}; shares: {intervals.GENERALIZED}"
    return name if layout.balanced else f"{name}; approximate, because the study isn't balanced"


def _shares(found: Estimates, limits: tuple[float | None, float | None]) -> tuple[Share, ...]:
    gauge = sum(v for name, v in found.variances.items() if name != "part")
    total = gauge + found.variances["part"] if "part" in found.variances else None
    full: dict[str, float | None] = {name: found.variances.get(name) for name in anova.COMPONENTS}
    full |= {"gauge": gauge, "total": total}
    band = None if limits[0] is None or limits[1] is None else limits[1] - limits[0]

    def share(name: str) -> Share:
        variance = full[name]
        if variance is None:
            return Share(name, None)
        ratio = None if not total else variance / total
        return Share(
            name,
            variance,
            found.raw.get(name, variance),
            found.spans.get(name),
            None if ratio is None else 100.0 * ratio,
            None if ratio is None else 100.0 * float(np.sqrt(ratio)),
            found.scatter_spans.get(name),
            None if band is None else 100.0 * MULTIPLIER * float(np.sqrt(variance)) / band,
        )

    return tuple(share(name) for name in LINES)


def _categories(shares: tuple[Share, ...]) -> float | None:
    """Number of groups of parts that the gauge can tell apart: sqrt(2) * part / gauge standard deviation."""
    each = {s.name: s.variance for s in shares}
    part, gauge = each["part"], each["gauge"]
    if part is None or not gauge:
        return None
    return float(np.sqrt(2.0 * part / gauge))


def _cells(layout: Layout) -> tuple[FloatArray, FloatArray]:
    shape = (layout.parts, layout.appraisers)
    size = shape[0] * shape[1]
    low, high = np.full(size, np.inf), np.full(size, -np.inf)
    np.minimum.at(low, layout.cell, layout.values)
    np.maximum.at(high, layout.cell, layout.values)
    counts = layout.counts.ravel()
    used = counts > 0
    means, ranges = np.full(size, np.nan), np.full(size, np.nan)
    sums = np.bincount(layout.cell, weights=layout.values - layout.values[0], minlength=size)
    means[used] = layout.values[0] + sums[used] / counts[used]
    ranges[used] = high[used] - low[used]
    return means.reshape(shape), ranges.reshape(shape)
