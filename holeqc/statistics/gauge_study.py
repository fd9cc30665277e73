"""Can the gauge see the difference? Repeatability, reproducibility and part variation from one table of readings.

Terms as in ASTM E2782 (measurement systems analysis) and ISO 22514-7 (capability of measurement processes):
repeatability is the scatter of one appraiser on one part; reproducibility the differences between appraisers;
interaction the part of those differences that changes from part to part; part variation what is left for the parts.
The four add up to the total; `gauge` is repeatability, reproducibility and interaction together."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.quantities import FloatArray
from holeqc.statistics.gauge_components import (
    COMPONENTS,
    CROSSED,
    GENERALIZED,
    LARGE_SAMPLE,
    NESTED,
    ONE_APPRAISER,
    ONE_PART,
    REPEATS,
    AnovaRow,
    Estimates,
    Layout,
    Pooling,
    anova_table,
    check_confidence,
    from_mean_squares,
    lay_out,
    pool,
    range_estimates,
    range_limit,
    sums_of_squares,
)

# What a person should know beside the numbers of a gauge study, in plain sentences.


STEPS_SOUGHT = 9  #: decimals in which a smallest step of readings is looked for


def detected_step(values: FloatArray) -> float | None:
    """Return the largest step of which every difference of the readings is a whole multiple, None if there is none.

    That is the resolution at which the readings were written down; the gauge may be finer. Steps below 1e-9 aren't
    sought, nor any in readings that all agree.
    """
    offsets = np.unique(values) - np.min(values)
    if offsets.size < 2:
        return None
    for decimals in range(STEPS_SOUGHT + 1):
        scaled = offsets * 10.0**decimals
        whole = np.rint(scaled)
        # a typed decimal is off by a few units of the sixteenth digit of the reading itself
        slack = 1e-6 + 4.0 * np.spacing(np.max(np.abs(values))) * 10.0**decimals
        if whole.max() < 2.0**53 and slack < 0.1 and np.all(np.abs(scaled - whole) <= slack):
            return float(np.gcd.reduce(whole.astype(np.int64)[1:])) / 10.0**decimals
    return None


def study_notes(
    layout: Layout, shares: tuple[Share, ...], limits: tuple[float | None, float | None], multiplier: float
) -> tuple[str, ...]:
    """Return what must be said beside the result: what is missing, what can't be told, what looks wrong."""
    each = {s.name: s for s in shares}
    notes = _design_notes(layout)
    if np.ptp(layout.values) == 0.0:
        notes.append(
            "every reading is the same: the gauge's step is too coarse for these parts, or one value was copied down; "
            "nothing about the gauge can be told"
        )
        return tuple(notes)
    notes += [
        f"the estimate for {name} came out below zero ({s.raw:.4g}) and is taken as 0: too small to be told here"
        for name, s in each.items()
        if s.raw is not None and s.raw < 0.0
    ]
    gauge = each["gauge"].standard_deviation
    if gauge == 0.0:
        notes.append("repeats agree exactly: the gauge's step hides its scatter, which isn't known to be small")
    step = detected_step(layout.values)
    if step is not None and gauge is not None and step > gauge:
        notes.append(
            f"readings move in steps of {step:.6g}, more than the gauge's own standard deviation of {gauge:.4g}: "
            "the step hides the scatter"
        )
    if (limits[0] is None) != (limits[1] is None):
        notes.append("one limit only: there is no tolerance to compare the gauge with")
    share = each["gauge"].share_of_tolerance
    if share is not None:
        notes.append(
            f"{multiplier:g} standard deviations of the gauge take {share:.1f} % of the tolerance ("
            f"{_custom(share)}; common practice, no source)"
        )
    return tuple(notes)


def _custom(share: float) -> str:
    if share <= 10.0:
        return "up to 10 %: fit for the job"
    if share <= 30.0:
        return "10 to 30 %: usable where a wrong answer near the limit is bearable"
    return "above 30 %: too coarse for this tolerance"


def _design_notes(layout: Layout) -> list[str]:
    notes: list[str] = []
    if layout.missing:
        notes.append(f"{layout.missing} readings have no value and are left out")
    if not layout.balanced and layout.design not in {REPEATS}:
        how = (
            "terms are adjusted for each other (Henderson's method 3)"
            if layout.design == CROSSED
            else ("expected mean squares take the unequal numbers into account")
        )
        notes.append(f"not every part was read equally often: {how}, and the intervals are approximate")
    if layout.design == NESTED:
        names = [name.rsplit(" of ", 1)[0] for name in layout.part_names]
        if len(set(names)) < len(names):
            notes.append(
                f"{len(set(names))} part names stand under several appraisers and are counted as {len(names)} parts, "
                "one for each appraiser: if they are the same parts, leave out --nested"
            )
    if layout.design == ONE_APPRAISER:
        notes.append("one appraiser: what another person would add is not in these numbers")
    if layout.design in {ONE_PART, REPEATS}:
        notes.append("one part: the gauge's scatter can be told, the parts' can not, so there are no shares of a total")
    if layout.design == CROSSED and layout.trials == 1:
        notes.append("one reading of each part by each appraiser: read each at least twice to see repeatability alone")
    if layout.design == CROSSED and layout.parts < 5:
        notes.append(f"{layout.parts} parts say little about the spread of parts; take ten that span the process")
    return notes


def suspect_pair(layout: Layout) -> tuple[str, ...]:
    """Name the part and appraiser whose repeats scatter far more than the others', by Cochran's test at 1 %.

    Source: ISO 5725-2, clause on Cochran's test (largest variance over the sum); the chance is Bonferroni's bound with
    the F distribution, close for the small chances that matter.
    """
    from scipy.special import fdtrc

    r = layout.trials
    if r is None or r < 2:
        return ()
    cells, back = np.unique(layout.cell, return_inverse=True)
    mean = np.bincount(back, weights=layout.values - layout.values[0]) / r
    variance = np.bincount(back, weights=(layout.values - layout.values[0] - mean[back]) ** 2) / (r - 1)
    total = float(variance.sum())
    if cells.size < 3 or total <= 0.0:
        return ()
    worst = int(np.argmax(variance))
    others = (total - float(variance[worst])) / (cells.size - 1)
    if others <= 0.0:
        chance = 0.0
    else:
        chance = min(1.0, cells.size * float(fdtrc(r - 1, (cells.size - 1) * (r - 1), variance[worst] / others)))
    if chance >= 0.01:
        return ()
    part, appraiser = divmod(int(cells[worst]), layout.appraisers)
    span = layout.values[layout.cell == cells[worst]]
    who = f"part {layout.part_names[part]}"
    if layout.appraisers > 1:
        who += f", appraiser {layout.appraiser_names[appraiser]}"
    return (
        f"{who}: repeats from {span.min():.6g} to {span.max():.6g} scatter more than all others (Cochran's test, "
        f"chance {chance:.2g}); look for a slip in reading or typing before you trust the repeatability",
    )


def wide_ranges(layout: Layout, ranges: FloatArray, limit: float | None) -> tuple[str, ...]:
    """Name the pairs whose repeats range over the limit, the widest first, at most three of them."""
    if not limit:
        return ()
    over = np.flatnonzero(np.nan_to_num(ranges).ravel() > limit)
    if not over.size:
        return ()
    over = over[np.argsort(-ranges.ravel()[over], kind="stable")]
    texts = []
    for cell in over[:3]:
        part, appraiser = divmod(int(cell), layout.appraisers)
        who = layout.part_names[part]
        if layout.appraisers > 1 and layout.design == CROSSED:
            who += f" by {layout.appraiser_names[appraiser]}"
        texts.append(f"{who} ({ranges.ravel()[cell]:.4g})")
    more = f" and {over.size - 3} more" if over.size > 3 else ""
    return (
        f"repeats range wider than {limit:.4g}, the limit from the mean range: part {', '.join(texts)}{more}; read "
        "these again, a slip there makes the gauge look worse than it is",
    )


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
    ``cell_means`` (parts, appraisers) hold not-a-number where nobody read; ``range_limit`` is what a range of repeats
    seldom exceeds (D4 times the mean range, ISO 7870-2), None where repeats aren't even.
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
    part: ArrayLike | None, appraiser: ArrayLike | None, value: ArrayLike, *,
    limits: tuple[float | None, float | None] = (None, None), method: Method = "anova", nested: bool = False,
    interaction: Pooling = "rule", pool_above: float = POOL_ABOVE, confidence: float = 0.95,
) -> GaugeStudy:  # fmt: skip
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
    check_confidence(confidence)
    layout = lay_out(part, appraiser, value, nested=nested)
    full, freedom, total = sums_of_squares(layout)
    table = anova_table(full, freedom, total)
    strata, pooled, rule = pool(layout, full, table, interaction, pool_above)
    pooled_table = anova_table(strata, freedom, total) if pooled else ()
    if method == "range":
        found, interval_name = Estimates(*range_estimates(layout)), "none"
        rule = "the average and range method has no interaction: it lies in the other lines"
        pooled, pooled_table = False, ()
    else:
        found, interval_name = from_mean_squares(strata, confidence), f"{LARGE_SAMPLE}; shares: {GENERALIZED}"
        if not layout.balanced:
            interval_name += "; approximate, because the study isn't balanced"
    if pooled and layout.trials != 1:
        found.variances["interaction"] = found.raw["interaction"] = 0.0
    shares = _shares(found, limits)
    exact = _categories(shares)
    cell_means, cell_ranges = _cells(layout)
    mean_range, limit = range_limit(layout)
    return GaugeStudy(
        design=layout.design, method=method, parts=layout.parts, appraisers=layout.appraisers, trials=layout.trials,
        readings=layout.values.size, missing=layout.missing, balanced=layout.balanced,
        mean=float(layout.values[0] + np.mean(layout.values - layout.values[0])), shares=shares, interaction_rule=rule,
        interaction_pooled=pooled, parts_told_apart=None if exact is None else int(exact), parts_told_apart_exact=exact,
        parts_told_apart_interval=None if exact is None else found.apart_span, anova=table, anova_pooled=pooled_table,
        confidence=confidence, interval_method=interval_name, multiplier=MULTIPLIER, lower=limits[0], upper=limits[1],
        part_names=layout.part_names, appraiser_names=layout.appraiser_names, cell_means=cell_means,
        mean_range=mean_range, range_limit=limit, notes=study_notes(layout, shares, limits, MULTIPLIER)
        + suspect_pair(layout) + wide_ranges(layout, cell_ranges, limit),
    )  # fmt: skip


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


def _shares(found: Estimates, limits: tuple[float | None, float | None]) -> tuple[Share, ...]:
    gauge = sum(v for name, v in found.variances.items() if name != "part")
    total = gauge + found.variances["part"] if "part" in found.variances else None
    full: dict[str, float | None] = {name: found.variances.get(name) for name in COMPONENTS}
    full |= {"gauge": gauge, "total": total}
    band = None if limits[0] is None or limits[1] is None else limits[1] - limits[0]

    def share(name: str) -> Share:
        variance = full[name]
        if variance is None:
            return Share(name, None)
        ratio = None if not total else variance / total
        return Share(
            name, variance, found.raw.get(name, variance), found.spans.get(name),
            None if ratio is None else 100.0 * ratio, None if ratio is None else 100.0 * float(np.sqrt(ratio)),
            found.scatter_spans.get(name),
            None if band is None else 100.0 * MULTIPLIER * float(np.sqrt(variance)) / band,
        )  # fmt: skip

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


# Uncertainty budget of a gauge: what blurs a reading, added up to the expanded uncertainty U for a kit's gauge.
#
# Rules of JCGM 100:2008 (the GUM): standard uncertainties add as squares (5.1.2), effective degrees of freedom by
# Welch and Satterthwaite (G.4.1), expanded uncertainty U = k u with k = 2 (6.2). ISO 22514-7 lists the same causes
# for a measuring process; of repeatability and resolution it counts the larger, because a scatter that was read on a
# coarse step holds the step already.


RECTANGULAR = math.sqrt(3.0)  #: half width over standard uncertainty (JCGM 100:2008, 4.3.7)
COVERAGE_FACTOR = 2.0  #: the k with which a kit file and this budget state U
EXPANSION_DOUBT = 0.1  #: how well coefficients of expansion are known, as a share of the part's (our choice)


@dataclass(frozen=True, slots=True)
class Line:
    """One cause: ``value`` over ``divisor`` is its standard uncertainty, times ``sensitivity`` what the reading feels.

    ``freedom`` are its degrees of freedom (infinite where it is taken from a certificate or a limit). ``counted`` is
    False for a cause that another line holds already; it is listed and not added.
    """

    name: str
    value: float
    divisor: float = 1.0
    sensitivity: float = 1.0
    freedom: float = math.inf
    basis: str = ""
    counted: bool = True

    @property
    def uncertainty(self) -> float:
        """Contribution to the standard uncertainty of a reading, in its unit."""
        return abs(self.sensitivity) * self.value / self.divisor


@dataclass(frozen=True, slots=True)
class Budget:
    """Lines and what they add up to, in the unit of the readings.

    ``coverage`` is the chance that k times the standard uncertainty covers, by the t distribution with the effective
    degrees of freedom; ``k_for_95`` is the factor for 95.45 %, which k = 2 means with many degrees of freedom.
    """

    lines: tuple[Line, ...]
    combined: float
    freedom: float
    k: float
    expanded: float
    coverage: float
    k_for_95: float
    notes: tuple[str, ...]

    def share(self, line: Line) -> float:
        """Return the percentage of the combined variance that a line brings; 0 if it isn't counted."""
        return 100.0 * line.uncertainty**2 / self.combined**2 if line.counted and self.combined else 0.0

    def tolerance_ratio(self, tolerance: float) -> float:
        """Return tolerance over the width of the uncertainty interval 2 U (the N of ASME B89.7.3.1's N:1)."""
        return math.inf if self.expanded == 0.0 else tolerance / (2.0 * self.expanded)

    def as_dict(self) -> dict[str, object]:
        """Return the budget for machines; infinite degrees of freedom are None."""
        return {
            "lines": [
                asdict(line)
                | {"freedom": _finite(line.freedom), "uncertainty": line.uncertainty, "percent": self.share(line)}
                for line in self.lines
            ],
            "combined": self.combined,
            "degrees_of_freedom": _finite(self.freedom),
            "k": self.k,
            "expanded": self.expanded,
            "coverage": self.coverage,
            "k_for_95": self.k_for_95,
            "notes": list(self.notes),
        }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def repeatability(standard_deviation: float, freedom: float, readings: int = 1) -> Line:
    """Return the line of repeatability: standard deviation of one reading, averaged over ``readings`` of them.

    Source: JCGM 100:2008, 4.2.3.
    """
    _gauge_uncertainty_check("repeatability", standard_deviation)
    if readings < 1:
        raise DataError(f"{readings} readings averaged; at least 1")
    basis = "standard deviation of repeats" + (f", mean of {readings}" if readings > 1 else "")
    return Line("repeatability", standard_deviation, math.sqrt(readings), freedom=freedom, basis=basis)


def reproducibility(standard_deviation: float, freedom: float) -> Line:
    """Return the line of reproducibility: standard deviation between appraisers (averaging doesn't lower it)."""
    _gauge_uncertainty_check("reproducibility", standard_deviation)
    return Line("reproducibility", standard_deviation, freedom=freedom, basis="standard deviation between appraisers")


def master(expanded: float) -> Line:
    """Return the line of the master that the gauge is set or calibrated with: expanded uncertainty over its k of 2.

    Source: JCGM 100:2008, 4.3.3.
    """
    _gauge_uncertainty_check("the master's uncertainty", expanded)
    return Line("master", expanded, COVERAGE_FACTOR, basis=f"certificate, k = {COVERAGE_FACTOR:g}")


def resolution(step: float) -> Line:
    """Return the line of the gauge's smallest step: rectangular, half a step to either side.

    Source: JCGM 100:2008, F.2.2.1.
    """
    _gauge_uncertainty_check("the step", step)
    return Line("resolution", step / 2.0, RECTANGULAR, basis="half a step, rectangular")


def uncorrected_bias(bias: float) -> Line:
    """Return the line of a bias that is known and not corrected, taken as rectangular between plus and minus it.

    Correcting it is better (JCGM 100:2008, 3.2.4); ISO 22514-7 takes this way where it isn't done.
    """
    if not math.isfinite(bias):
        raise DataError(f"the bias is {bias}; give a number")
    return Line("bias, not corrected", abs(bias), RECTANGULAR, basis="rectangular, plus and minus the bias")


def temperature(
    length: float, *, off_reference: float = 0.0, apart: float = 0.0, expansion: float = 11.5e-6,
    expansion_difference: float = 0.0,
) -> tuple[Line, ...]:  # fmt: skip
    """Return the lines of temperature for a comparison of part and gauge that isn't corrected to 20 °C.

    Args:
        length: what is measured, in the unit of the readings.
        off_reference: how far the shop may be from 20 °C, either way [°C].
        apart: how far part and gauge may differ from each other, either way [°C].
        expansion: coefficient of the part [1/°C]; steel 11.5e-6 (Swyt, NIST 1994).
        expansion_difference: coefficient of part minus that of gauge, either sign [1/°C].

    Raises:
        DataError: a size, temperature or share below zero.

    Source: model of JCGM 100:2008, H.1: length * (difference of coefficients * distance from 20 °C + coefficient *
    difference of temperatures); rectangular limits.
    """
    for name, value in (("length", length), ("off_reference", off_reference), ("apart", apart),
                        ("expansion", expansion)):  # fmt: skip
        _gauge_uncertainty_check(name, value)
    lines = []
    if apart:
        basis = f"part and gauge up to {apart:g} °C apart"
        lines.append(Line("temperature, part against gauge", apart, RECTANGULAR, length * expansion, basis=basis))
    difference = abs(expansion_difference)
    if off_reference and difference:
        basis = f"up to {off_reference:g} °C from 20 °C, coefficients differ by {difference:.3g}"
        lines.append(Line("temperature, off 20 °C", off_reference, RECTANGULAR, length * difference, basis=basis))
    if off_reference:
        basis = f"coefficients known to {100 * EXPANSION_DOUBT:g} %"
        doubt, sensitivity = EXPANSION_DOUBT * expansion, length * off_reference / RECTANGULAR
        lines.append(Line("coefficient of expansion", doubt, RECTANGULAR, sensitivity, basis=basis))
    return tuple(lines)


def _gauge_uncertainty_check(name: str, value: float) -> None:
    if not 0.0 <= value < math.inf:
        raise DataError(f"{name} is {value}; allowed: 0 or more")


def combine(lines: Iterable[Line]) -> Budget:
    """Add the lines up to the combined and the expanded uncertainty.

    Of the lines named repeatability and resolution only the larger counts.

    Raises:
        DataError: no line.

    Source: JCGM 100:2008, eq. 10 (uncorrelated), G.2b (effective degrees of freedom), 6.2.1.
    """
    from scipy.special import ndtr, ndtri, stdtr, stdtrit

    every = _larger_of_repeatability_and_resolution(tuple(lines))
    if not every:
        raise DataError("the budget has no line; give at least the repeatability or the resolution")
    k = COVERAGE_FACTOR
    counted = [line for line in every if line.counted]
    combined = math.sqrt(math.fsum(line.uncertainty**2 for line in counted))
    spread = math.fsum(line.uncertainty**4 / line.freedom for line in counted if line.uncertainty)
    freedom = combined**4 / spread if spread > 0.0 else math.inf
    # G.4.1 note: t at the next lower whole number, as the guide does
    whole = max(math.floor(freedom), 1.0) if math.isfinite(freedom) else math.inf
    coverage = 1.0 - 2.0 * float(ndtr(-k) if math.isinf(whole) else stdtr(whole, -k))
    two_sigma = 1.0 - 2.0 * float(ndtr(-2.0))
    tail = 0.5 - 0.5 * two_sigma
    k_for_95 = -float(ndtri(tail) if math.isinf(whole) else stdtrit(whole, tail))
    notes = []
    if math.isfinite(freedom) and freedom < 30.0:
        notes.append(
            f"{freedom:.1f} effective degrees of freedom: k = {k:g} covers {100 * coverage:.1f} %, "
            f"{100 * two_sigma:.2f} % would need k = {k_for_95:.2f}; more readings help"
        )
    notes += [f"{line.name} is not added: {line.basis}" for line in every if not line.counted]
    return Budget(every, combined, freedom, k, k * combined, coverage, k_for_95, tuple(notes))


def _larger_of_repeatability_and_resolution(lines: tuple[Line, ...]) -> tuple[Line, ...]:
    repeat = sum(line.uncertainty for line in lines if line.name == "repeatability")
    step = sum(line.uncertainty for line in lines if line.name == "resolution")
    smaller = "" if not repeat or not step else ("resolution" if repeat >= step else "repeatability")
    return tuple(
        Line(x.name, x.value, x.divisor, x.sensitivity, x.freedom, f"{x.basis}; smaller of the two", False)
        if x.name == smaller
        else x
        for x in lines
    )


def from_study(study: GaugeStudy, readings: int = 1) -> tuple[Line, ...]:
    """Return the lines that a gauge study gives: repeatability and, where several people read, reproducibility.

    Reproducibility takes the interaction in. Its degrees of freedom are those of the appraisers, few as they are.
    """
    repeat = study.share("repeatability").standard_deviation or 0.0
    lines = [repeatability(repeat, study.freedom("repeatability"), readings)]
    between = study.share("reproducibility").variance
    if between is not None:
        both = between + (study.share("interaction").variance or 0.0)
        lines.append(reproducibility(math.sqrt(both), max(study.freedom("appraiser"), 1)))
    return tuple(lines)


def round_up(value: float) -> float:
    """Return a positive value rounded up to two significant digits, so that a stated U is never too small."""
    if value <= 0.0:
        return 0.0
    decimals = 1 - math.floor(math.log10(value))
    # a value that is a round number but for its last bits must not be pushed a whole digit up
    scaled = value * 10.0**decimals
    whole = round(scaled) if abs(scaled - round(scaled)) < 1e-9 * scaled else math.ceil(scaled)
    return round(whole / 10.0**decimals, max(decimals, 0))


def kit_gauge_lines(
    gauge: str, budget: Budget, *, kind: str = "", unit: str = "", step: float | None = None
) -> tuple[str, ...]:
    """Return the lines of a kit file's gauge entry with U from the budget, the budget itself as comments.

    Args:
        gauge: identification of the gauge in the kit file.
        budget: as `combine` returns it, in the kit's unit.
        kind: what it is, such as ``caliper``.
        unit: unit for the comments.
        step: smallest step of the gauge.

    Raises:
        DataError: no identification.
    """
    if not gauge.strip():
        raise DataError("the gauge has no identification; give the one that people write in the sheet")
    of = f" [{unit}]" if unit else ""
    unit = f" {unit}" if unit else ""
    lines = ["[[gauge]]", f"id = {_toml(gauge.strip())}"]
    if kind:
        lines.append(f"kind = {_toml(kind)}")
    lines.append(f"uncertainty = {_plain(round_up(budget.expanded))}  # U{of} at k = 2, rounded up")
    if step:
        lines.append(f"resolution = {_plain(step)}")
    for line in budget.lines:
        counted = f"{budget.share(line):.0f} %" if line.counted else "not added"
        basis = _comment(line.basis).partition(";")[0]
        lines.append(f"# {_comment(line.name)}: {line.uncertainty:.3g}{unit}, {counted} ({basis})")
    return tuple(lines)


def _plain(value: float) -> str:
    text = f"{value:.12f}".rstrip("0")
    return text + "0" if text.endswith(".") else text


def _toml(text: str) -> str:
    safe = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda m: f"\\u{ord(m.group()):04x}", safe) + '"'


def _comment(text: str) -> str:
    return re.sub(r"[\x00-\x1f\x7f]", " ", text)
