"""Capability of one quantity: indices with intervals, shares outside, and everything that spoils them said beside."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.statistics.basics import FloatArray, mean, mean_and_sd
from holeqc.statistics.capability_remarks import (
    FORTUNATE,
    NORMAL_LEVEL,
    Neighbours,
    index_remarks,
    means_differ,
    streams_mixed,
    tails_normal,
)
from holeqc.statistics.checks import Readings, prepare, remarks
from holeqc.statistics.indices import (
    Indices,
    Interval,
    Limits,
    about_target,
    about_target_interval,
    clopper_pearson,
    expected_outside,
    indices,
    mean_interval,
    nearest_interval_exact,
    nearest_interval_normal,
    one_sided_bound,
    potential_interval,
    sd_interval,
)
from holeqc.statistics.normality import Normality, anderson_darling
from holeqc.statistics.normality_rounded import Allowing, allowing
from holeqc.statistics.percentile import (
    FEWEST,
    AnyShape,
    PercentileCapability,
    any_shape,
    choose_distribution,
    normal_scores,
    percentile_capability,
)
from holeqc.statistics.skewed import skewed_remark
from holeqc.statistics.stability import Stability, judge
from holeqc.statistics.subgroups import (
    MOVING_RANGE,
    POOLED,
    WITHIN_METHODS,
    Subgroups,
    Within,
    subgroup_labels,
    within_by_neighbours,
    within_by_subgroups,
)
from holeqc.statistics.tolerance_intervals import ToleranceInterval, tolerance_interval


@dataclass(frozen=True, slots=True)
class Choices:
    """How capability is worked out.

    ``within`` is the estimate of sigma within subgroups (``pooled``, ``range``, ``sd``, ``moving-range``; empty: pooled
    with subgroups, else moving range). ``percentile``: True always, False never, None when the readings don't look
    normal. ``from_zero``: the quantity can't be negative. ``resolution``: the gauge's step. ``any_shape`` False
    saves the time for the intervals that suppose no shape, where the percentile method isn't used.
    """

    within: str = ""
    confidence: float = 0.95
    coverage: float = 0.9973
    from_zero: bool = False
    percentile: bool | None = None
    resolution: float | None = None
    any_shape: bool = True

    def __post_init__(self) -> None:
        if self.within and self.within not in WITHIN_METHODS:
            raise DataError(f"unknown estimate '{self.within}' of sigma; allowed: {', '.join(WITHIN_METHODS)}")
        for name in ("confidence", "coverage"):
            if not 0 < getattr(self, name) < 1:
                raise DataError(f"{name} lies between 0 and 1; found {getattr(self, name)}")
        if self.resolution is not None and not self.resolution > 0:
            raise DataError(f"the gauge's step must be positive; found {self.resolution}")


@dataclass(frozen=True, slots=True)
class Outside:
    """Shares outside the limits: expected from the normal (overall and within sigma), and counted in the readings.

    ``expected_interval`` adds the exact bounds of both tails, so that it holds at least the stated confidence;
    ``observed`` is a share of the readings with its Clopper-Pearson ``observed_interval``. Parts per million are the
    share times 1e6.
    """

    expected_ppm: float | None
    expected_ppm_within: float | None
    expected_interval_ppm: Interval
    observed: float
    observed_count: int
    observed_below: int
    observed_above: int
    observed_interval: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Capability:
    """Everything that readings and limits tell about capability; indices that can't be had are None.

    ``overall`` holds Pp, Ppk and ``within_indices`` Cp, Cpk. ``remarks`` and ``stability`` say what spoils them;
    ``cautions`` repeats the instability beside every index that it touches. ``allowing`` judges normality with the
    gauge's step and the readings' worth allowed for, None where the plain test stands. ``intervals`` of indices
    suppose a normal and are left out where the readings are no normal (``odd``); ``any_shape`` holds whatever their
    shape.
    """

    n: int
    mean: float
    sd_overall: float | None
    within: Within | None
    limits: Limits
    choices: Choices
    overall: Indices
    within_indices: Indices
    Cpm: float | None
    intervals: dict[str, Interval]
    normality: Normality | None
    outside: Outside
    tolerance: ToleranceInterval | None
    stability: Stability
    percentile: PercentileCapability | None
    remarks: tuple[Problem, ...]
    cautions: dict[str, str] = field(default_factory=dict)
    allowing: Allowing | None = None
    any_shape: AnyShape | None = None
    odd: bool = False

    @property
    def normal_p(self) -> float | None:
        """The p by which normality is judged, None where there is no test."""
        return _judged_p(self.normality, self.allowing)

    def as_dict(self) -> dict[str, object]:
        """Return the content for JSON: plain numbers, text, lists; None where a figure can't be had."""
        from holeqc.statistics.plain import plain

        w = self.within
        normality = None if self.normality is None else asdict(self.normality)
        return plain({
            "n": self.n, "mean": self.mean, "sd_overall": self.sd_overall, "sd_within": w.sigma if w else None,
            "within": None if w is None else {"method": w.method, "degrees_of_freedom": w.dof, "words": w.words},
            "lower": self.limits.lower, "upper": self.limits.upper, "target": self.limits.target,
            "confidence": self.choices.confidence,
            "Cp": self.within_indices.potential, "Cpk": self.within_indices.nearest,
            "Cpl": self.within_indices.lower, "Cpu": self.within_indices.upper,
            "Pp": self.overall.potential, "Ppk": self.overall.nearest, "Ppl": self.overall.lower,
            "Ppu": self.overall.upper, "Cpm": self.Cpm, "off_centre": self.overall.off_centre,
            "intervals": self.intervals,
            "intervals_suppose": "a normal distribution; readings that resemble their neighbours count for less",
            "any_shape": None if self.any_shape is None else asdict(self.any_shape),
            "normality": normality or {"A2": None, "A2_adjusted": None, "p": None, "critical_5_percent": 0.752},
            "normality_judged": {"p": self.normal_p} | ({} if self.allowing is None else asdict(self.allowing)),
            "outside": asdict(self.outside),
            "tolerance_interval": None if self.tolerance is None else asdict(self.tolerance),
            "stability": asdict(self.stability), "cautions": self.cautions,
            "percentile": None if self.percentile is None else _percentile_dict(self.percentile),
            "remarks": [{"severity": r.severity, "code": r.code, "text": r.sentence()} for r in self.remarks],
        })


def _percentile_dict(result: PercentileCapability) -> dict[str, object]:
    best = result.choice.candidates[0]
    return {
        "distribution": best.key, "words": result.choice.words, "parameters": best.parameters,
        "Pp": result.Pp, "Ppk": result.Ppk, "Ppl": result.Ppl, "Ppu": result.Ppu,
        "Ppk_interval": result.interval, "percentile_0.135": result.low, "median": result.median,
        "percentile_99.865": result.high, "expected_ppm": (result.below + result.above) * 1e6,
        "candidates": [asdict(c) for c in result.choice.candidates],
    }


def _outside_counts(ordered: FloatArray, limits: Limits) -> tuple[int, int]:
    """Return how many readings lie (below, above) the limits; a reading on a limit is inside."""
    below = above = 0
    if limits.lower is not None:
        below = int(np.searchsorted(ordered, limits.lower - FORTUNATE * abs(limits.lower), side="left"))
    if limits.upper is not None:
        above = ordered.size - int(np.searchsorted(ordered, limits.upper + FORTUNATE * abs(limits.upper), side="right"))
    return below, above


def _outside(readings: Readings, limits: Limits, m: float, sd: float | None, sigma: float | None,
             confidence: float, near: Neighbours | None) -> Outside:
    n = readings.values.size
    below, above = _outside_counts(readings.ordered, limits)
    sd, sigma = (sd, sigma) if limits.given else (None, None)
    expected = None if not sd else 1e6 * sum(expected_outside(limits, m, sd))
    short = None if not sigma else 1e6 * sum(expected_outside(limits, m, sigma))
    bounds: Interval = (None, None)
    if sd:
        from scipy.special import ndtr

        found = indices(limits, m, sd)
        sides = [v for v in (found.lower, found.upper) if v is not None]
        tail = (1 - confidence) / (2 * len(sides))
        worth, dof = (n, n - 1.0) if near is None else (near.of_mean, near.of_variance - 1)
        best = [one_sided_bound(v, worth, dof, tail) for v in sides]
        worst = [one_sided_bound(v, worth, dof, 1 - tail) for v in sides]
        bounds = (1e6 * sum(float(ndtr(-3 * v)) for v in best), min(1e6, 1e6 * sum(float(ndtr(-3 * v)) for v in worst)))
    return Outside(expected, short, bounds, (below + above) / n, below + above, below, above,
                   clopper_pearson(below + above, n, confidence))


def _within(readings: Readings, groups: Subgroups | None, method: str) -> tuple[Within | None, list[Problem]]:
    """Return sigma within subgroups, or None with the reason in words."""
    wanted = method or (MOVING_RANGE if groups is None else POOLED)
    if readings.values.size < 2:
        return None, []
    if wanted == MOVING_RANGE:
        return within_by_neighbours(readings.values), []
    if groups is None:
        raise DataError(f"the estimate '{wanted}' needs subgroups; without them use {MOVING_RANGE}")
    if len(groups) == 1:
        said = Problem(WARNING, "one-subgroup", "there is one subgroup only: changes between subgroups can't be told, "
                       "so that Cp and Cpk tell no more than Pp and Ppk")
        return (within_by_subgroups(groups, wanted) if groups.count > 1 else None), [said]
    if not np.any(groups.sizes > 1):
        said = Problem(WARNING, "single-subgroups", "every subgroup has one reading: sigma within is taken from moving "
                       "ranges instead")
        return within_by_neighbours(readings.values), [said]
    return within_by_subgroups(groups, wanted), []


def _judge(readings: Readings, groups: Subgroups | None, within: Within | None, m: float,
           scores: FloatArray | None) -> Stability:
    if within is None:
        return judge(readings.values, m, 0.0, 1.0)
    if groups is not None and len(groups) > 1 and within.method != MOVING_RANGE:
        return judge(groups.means, m, within.sigma, within.dof, what="subgroup means", weights=np.sqrt(groups.sizes))
    if scores is not None:  # readings that can't be negative are judged where they look normal
        short = within_by_neighbours(scores)
        return judge(scores, mean(scores), short.sigma, short.dof)
    if within.method == MOVING_RANGE:
        return judge(readings.values, m, within.sigma, within.dof)
    short = within_by_neighbours(readings.values)
    return judge(readings.values, m, short.sigma, short.dof)


def _skewed(readings: Readings, groups: Subgroups | None, within: Within | None, m: float, scores: FloatArray | None,
            stability: Stability, percentile: PercentileCapability | None) -> list[Problem]:
    """Return a warning where it may be the shape alone that broke the limits of what was judged."""
    if within is None or scores is not None:
        return []
    if groups is not None and len(groups) > 1 and within.method != MOVING_RANGE:
        found = skewed_remark((groups.means - m) * np.sqrt(groups.sizes), 0.0, stability, averaged=True)
    else:
        found = skewed_remark(readings.values, m, stability, percentile)
    return [] if found is None else [found]


def intervals_of(
    n: float, m: float, sd: float, within: Within | None, overall: Indices, short: Indices, cpm: float | None,
    limits: Limits, confidence: float, near: Neighbours | None = None,
) -> dict[str, Interval]:  # fmt: skip
    """Return the intervals of a normal's figures by name, from ``n`` readings that are worth so many.

    ``near``: what they are worth where neighbours resemble each other; sigma within from neighbours has none then.
    """
    both = limits.width is not None
    n, dof = (n, n - 1.0) if near is None else (near.of_mean, near.of_variance - 1)
    found: dict[str, Interval] = {"mean": mean_interval(m, sd, n, confidence),
                                  "sd_overall": sd_interval(sd, dof, confidence)}
    sets = [("P", overall, dof)]
    if within is not None and within.sigma > 0 and (near is None or within.method != MOVING_RANGE):
        found["sd_within"] = sd_interval(within.sigma, within.dof, confidence)
        sets.insert(0, ("C", short, within.dof))
    for letter, values, dof in sets:
        if values.potential is not None:
            found[f"{letter}p"] = potential_interval(values.potential, dof, confidence)
        if values.nearest is not None:
            name = f"{letter}pk"
            found[name] = nearest_interval_exact(values.nearest, n, dof, confidence, two_limits=both)
            found[f"{name}_normal_approximation"] = nearest_interval_normal(values.nearest, n, dof, confidence)
            found[f"{name}_lower_bound"] = (one_sided_bound(values.nearest, n, dof, confidence), None)
    target = limits.middle if limits.target is None else limits.target
    if cpm is not None and target is not None:
        off = 2 * ((m - target) / sd) ** 2  # the mean's share in the scatter of Cpm, that of sigma being 1
        found["Cpm"] = about_target_interval(cpm, m, sd, target, n if near is None else
                                             (1 + off) / (1 / near.of_variance + off / near.of_mean), confidence)
    return found


def _judged_p(normality: Normality | None, allowed: Allowing | None) -> float | None:
    return allowed.p if allowed is not None else normality.p if normality is not None else None


_EMPTY = Indices(None, None, None, None, None)


def _by_percentiles(
    readings: Readings, limits: Limits, how: Choices, counted: int | None, *, odd: bool,
) -> tuple[PercentileCapability | None, AnyShape | None, list[Problem]]:  # fmt: skip
    """Return the percentile method's indices where they are wanted, and the intervals that hold for any shape."""
    if readings.different < 2 or not limits.given:
        return None, None, []
    wanted = how.percentile if how.percentile is not None else (how.from_zero or odd)
    n = readings.values.size
    if not (wanted or how.any_shape):
        return None, None, []
    few = n < FEWEST
    choice = None if few or not wanted else choose_distribution(readings.ordered, from_zero=how.from_zero)
    shapes = any_shape(limits, readings.ordered, choice=choice, from_zero=how.from_zero, confidence=how.confidence,
                       counted=counted)
    if choice is None:
        said = [Problem(NOTE, "no-distribution", f"fewer than {FEWEST} readings: no distribution is chosen")]
        return None, shapes, said if few and wanted else []
    found = percentile_capability(limits, readings.ordered, from_zero=how.from_zero, choice=choice, shapes=shapes)
    return found, shapes, []


def capability(values: ArrayLike, limits: Limits, *, subgroups: ArrayLike | None = None,
               choices: Choices | None = None, counted: int | None = None) -> Capability:
    """Work out the capability of readings ``values`` (n,), in order of production, against ``limits``.

    ``subgroups`` (n,) labels the rational subgroup of each reading (part, fixture set-up, day). NaN is a missing
    reading. ``counted``: how many independent readings they are worth, for the test of normality; all if not given.
    What can't be worked out is None and said in ``remarks``. Raises ``DataError`` when nothing can be
    answered at all: no reading, infinite values, limits upside down. Without limits
    there is no index, all else is given. Sources: ISO 22514-2, NIST/SEMATECH e-Handbook
    6.1.6; each interval names its own.
    """
    how = choices or Choices()
    readings = prepare(values)
    n = readings.values.size
    groups = None
    if subgroups is not None:
        labels = np.asarray(subgroups).ravel()
        if labels.size != n + readings.missing:
            raise DataError(f"{n + readings.missing} readings but {labels.size} subgroup labels")
        groups = subgroup_labels(readings.values, labels if readings.kept is None else labels[readings.kept])
    alike = readings.different == 1
    m, sd = (mean(readings.values), None) if n < 2 else mean_and_sd(readings.values)
    sd = 0.0 if alike and n > 1 else sd
    within, said = _within(readings, groups, how.within)
    sigma = within.sigma if within and not alike else None
    said = remarks(readings, sigma or sd, width=limits.width, resolution=how.resolution) + said
    if groups is not None and groups.scattered:
        said.append(Problem(NOTE, "scattered-subgroups", f"{groups.scattered} subgroups have readings that are not "
                            "next to each other; they are taken together by their label"))
    normality = None if not sd or how.from_zero else anderson_darling(readings.ordered, ordered=True, centre=m, sd=sd)
    if normality is not None and normality.p is None:
        said.append(Problem(NOTE, "no-normality-test", f"{n} readings are too few for a test of normality"))
    allowed = None if normality is None or not sd else allowing(
        readings.ordered, m, sd, normality.A2, step=readings.step, counted=counted)
    p = _judged_p(normality, allowed)
    odd = p is not None and p < NORMAL_LEVEL
    hardly = odd and bool(sd) and tails_normal(readings.ordered, m, sd or 0.0, counted)
    odd = odd and not hardly
    near = None if counted is not None else Neighbours.of(readings.values, m)
    percentile, shapes, more = _by_percentiles(readings, limits, how, counted if near is None else
                                               math.floor(near.of_variance), odd=odd)
    said += more + index_remarks(readings, limits, m, sd, p, from_zero=how.from_zero, hardly=hardly)
    if groups is not None:
        said += means_differ(groups, within) + streams_mixed(readings.values, groups)
    normal = bool(sd) and not how.from_zero
    overall = indices(limits, m, sd) if normal and sd else _EMPTY
    short = indices(limits, m, sigma) if normal and sigma else _EMPTY
    cpm = about_target(limits, m, sd) if normal and sd else None
    scores = normal_scores(percentile.choice.chosen, readings.values) if percentile and how.from_zero else None
    stability = _judge(readings, groups, within if not alike else None, m, scores)
    said[:0] = _skewed(readings, groups, within, m, scores, stability, percentile)
    if near is not None and overall.nearest is not None:
        said.append(near.remark(n, moving=within is not None and within.method == MOVING_RANGE))
    shown = {"Cp": short.potential, "Cpk": short.nearest, "Pp": overall.potential, "Ppk": overall.nearest, "Cpm": cpm,
             "percentile Ppk": percentile.Ppk if percentile else None}
    cautions = {k: stability.words for k, v in shown.items() if v is not None and stability.stable is False}
    found = intervals_of(n, m, sd, within, overall, short, cpm, limits, how.confidence, near) if sd else {}
    outside = _outside(readings, limits, m, sd if normal else None, sigma if normal else None, how.confidence, near)
    worth = n if near is None else math.floor(near.of_mean)
    band = tolerance_interval(m, sd, worth, coverage=how.coverage, confidence=how.confidence, lower=limits.lower,
                              upper=limits.upper) if normal and sd else None
    made = Capability(n, m, sd, within, limits, how, overall, short, cpm, found, normality, outside, band, stability,
                      percentile, tuple(said), cautions, allowed, shapes, odd)
    return without_normal(made) if odd or how.from_zero else made


def without_normal(made: Capability) -> Capability:
    """Return a capability without the intervals that suppose a normal: these readings are none."""
    kept = {k: v for k, v in made.intervals.items() if k == "mean"}
    outside = replace(made.outside, expected_interval_ppm=(None, None))
    return replace(made, intervals=kept, tolerance=None, outside=outside)
