"""Capability of one quantity: indices with intervals, shares outside, and everything that spoils them said beside."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, fdtrc, ndtr

from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.quantities import FloatArray
from holeqc.statistics.basics import (
    FEW,
    FEWEST_ALIKE,
    Readings,
    chance_words,
    mean,
    mean_and_sd,
    neighbour_sums,
    plain,
    prepare,
    product_sum,
    remarks,
)
from holeqc.statistics.indices import (
    Indices,
    Interval,
    Limits,
    ToleranceInterval,
    about_target,
    about_target_interval,
    clopper_pearson,
    expected_outside,
    indices,
    mean_interval,
    nearest_interval_exact,
    one_sided_bound,
    potential_interval,
    sd_interval,
    tolerance_interval,
)
from holeqc.statistics.normality import Allowing, Normality, Stability, allowing, anderson_darling, judge
from holeqc.statistics.percentile import FEWEST as FEWEST_OF_ANY
from holeqc.statistics.percentile import (
    POOR_FIT,
    AnyShape,
    PercentileCapability,
    any_shape,
    choose_distribution,
    normal_scores,
    percentile_capability,
    rank_shares,
)
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

# Where a skewed shape alone may break three-sigma limits: said beside the verdict on stability, which stands.


CODE = "skewed-limits"
SURE = 1.96  #: two-sided 5 % point of a standard normal: the verdict stays, so that a hint too many costs little
FEWEST = 20  #: skewness of fewer readings tells nothing (our choice)


def skewness_score(points: FloatArray) -> float:
    """Return the skewness of ``points`` (n,) in its standard errors under a normal, 0 where there is no scatter.

    Positive with a long upper tail. Source: Snedecor and Cochran, Statistical Methods, 8th ed., 5.13 (standard error
    of the third standardised moment; its exact form sqrt(6(n - 2) / ((n + 1)(n + 3))).
    """
    n = points.size
    off = points - mean(points)
    spread = math.sqrt(float(np.mean(off**2)))
    if n < 3 or spread == 0:
        return 0.0
    return float(np.mean((off / spread) ** 3)) / math.sqrt(6 * (n - 2) / ((n + 1) * (n + 3)))


def long_side(points: FloatArray, centre: float, stability: Stability) -> str:
    """Return 'above' or 'below' where all points beyond three sigma lie on the long side of a skewed series.

    Empty where none does. ``points`` (n,) are those that were judged about ``centre``. A few points that are off make
    any series look skewed, so that the shape is read from the others.
    """
    return "" if stability.stable is not False else skewed_side(points, centre, stability.beyond)


def skewed_side(points: FloatArray, centre: float, beyond: tuple[int, ...]) -> str:
    """Return the side of `long_side` for points ``beyond`` the limits, counted from 1, whatever the verdict."""
    if not beyond or points.size < FEWEST:
        return ""
    off = points - centre
    out = off[np.array(beyond) - 1]
    sign = math.copysign(1.0, out[0])
    edge = float(np.abs(out).min())
    far = np.abs(off) >= edge
    if np.any(sign * off[far] < 0) or np.count_nonzero(~far) < FEWEST:
        return ""
    if sign * skewness_score(points[~far]) < SURE:
        return ""
    return "above" if sign > 0 else "below"


def skewed_remark(
    points: FloatArray, centre: float, stability: Stability, percentile: PercentileCapability | None = None,
    *, averaged: bool = False,
) -> Problem | None:  # fmt: skip
    """Return what must be said where limits that suppose a normal are broken on the long side of a skewed series only.

    ``percentile`` holds the distribution that was fitted to single readings, if any; ``averaged``: the points are
    means. None where this isn't so. The verdict on stability isn't touched.
    """
    side = long_side(points, centre, stability)
    if not side:
        return None
    what = "means" if averaged else "readings"
    text = (
        f"the three-sigma limits behind this verdict suppose a normal shape; these {what} are skewed and broke "
        f"them only {side}, on the long side, as a skewed but stable process does too"
    )
    if averaged:
        return Problem(
            WARNING, CODE, text, action="Take more readings to a mean before you call it a change, and look "
            "for a cause that these points share.",
        )  # fmt: skip
    if percentile is None:
        return Problem(
            WARNING, CODE, text, action="Judge by the limits of a distribution that fits these readings, or "
            "by means of subgroups (--subgroup), before you call it a change.",
        )  # fmt: skip
    text_of_fit, clean = _fitted_words(points, percentile)
    action = (
        "Take the fitted distribution's limits, or means of subgroups (--subgroup), before you call it a change."
        if clean
        else "That distribution doesn't explain it: look for the cause before you use an index."
    )
    return Problem(WARNING, CODE, f"{text}. {text_of_fit}", action=action)


def _fitted_words(points: FloatArray, percentile: PercentileCapability) -> tuple[str, bool]:
    """Return how the readings look against the distribution fitted to them, and whether that shows no change."""
    best = percentile.choice.candidates[0]
    scores = normal_scores(percentile.choice.chosen, points)
    short = within_by_neighbours(scores)
    found = judge(scores, mean(scores), short.sigma, short.dof)
    beyond = int(np.count_nonzero((points < percentile.low) | (points > percentile.high)))
    poor = f"; it fits poorly, {chance_words(best.p)}" if best.p is not None and best.p < POOR_FIT else ""
    text = (
        f"By the fitted distribution ({best.words.split(' (')[0]}{poor}) the limits are {percentile.low:.6g} and "
        f"{percentile.high:.6g}; beyond them: {beyond} of {points.size}, where chance gives "
        f"{0.0027 * points.size:.2g}; "
    )
    clean = found.stable is not False
    return text + ("no sign of a change is left" if clean else f"what is left: {'; '.join(found.reasons)}"), clean


# What stands beside the indices of a capability: limits that fit nothing, a shape that isn't normal, no Cpm.


NORMAL_LEVEL = 0.05
DIFFER = 0.01  #: level at which means of subgroups differ
FEWEST_IN_HEAPS = 80  #: gaps of fewer readings may be chance
FORTUNATE = 1e-12  #: a reading this close to a limit, relative to it, lies on the limit


def _far_limits(readings: Readings, limits: Limits) -> list[Problem]:
    """Return a warning where every reading lies farther outside the limits than these lie apart."""
    if limits.lower is None or limits.upper is None:
        return []
    low, high = float(readings.ordered[0]), float(readings.ordered[-1])
    apart = limits.upper - limits.lower
    if low <= limits.upper + apart and high >= limits.lower - apart:
        return []
    return [Problem(
        WARNING, "limits-far", "every reading lies far outside the limits: are both in one unit?",
        found=f"readings {low:g} to {high:g}", allowed=f"limits {limits.lower:g} to {limits.upper:g}",
        action="Give the limits in the unit of the readings.",
    )]  # fmt: skip


def _two_heaps(readings: Readings, sd: float | None) -> list[Problem]:
    """Return a warning where a gap of most of a sigma parts the readings, a tenth or more of them on either side.

    One of 500 series of 80 readings of an exponential has such a gap, of a normal, t or lognormal fewer (simulated).
    """
    x, n = readings.ordered, readings.values.size
    if not sd or n < FEWEST_IN_HEAPS:
        return []
    inner = np.diff(x[n // 10 : n - n // 10])
    at = int(np.argmax(inner))
    if inner[at] < max(0.7 * sd, 3 * (readings.step or 0.0)) or inner[at] < 3 * float(np.partition(inner, -2)[-2]):
        return []
    below = n // 10 + at + 1
    return [Problem(
        WARNING, "two-heaps", f"the readings fall in two heaps, {below} up to {x[below - 1]:g} and {n - below} from "
        f"{x[below]:g}, with none between: no index tells of both at once",
        action="Look for two streams (bushings, drills, gauges, set-ups) and judge each by itself.",
    )]  # fmt: skip


def _why_no_cpm(readings: Readings, limits: Limits, m: float) -> list[Problem]:
    """Return why Cpm is empty, where readings show no scatter; it compares the limits with scatter and distance."""
    target = limits.middle if limits.target is None else limits.target
    if target is None or readings.different > 1:
        return []
    if readings.values.size == 1:
        why = "it needs the scatter about the target, which one reading can't show"
    elif math.isclose(m, target, rel_tol=FORTUNATE):
        why = (
            f"all readings lie on the target, {target:g}, so that it would be infinite; that says only that the "
            "gauge's step hides the scatter"
        )
    else:
        why = (
            f"the readings show no scatter, so that it would tell nothing but how far they lie from the target, "
            f"{target:g}: {abs(m - target):.3g}"
        )
    return [Problem(NOTE, "no-cpm", f"Cpm is left empty: {why}")]


def tails_normal(ordered: FloatArray, m: float, sd: float, counted: int | None) -> bool:
    """Return whether readings so many that any oddity shows have the tails of a normal none the less.

    Both reference percentiles of the normal then lie where the order of the readings (n,) puts them. Of few readings
    the order can't tell and this is False.
    """
    ranks = rank_shares(ordered.size if counted is None else min(counted, ordered.size), 0.01)
    if ranks is None:
        return False
    ends = ordered[np.clip(np.rint(ranks[[0, 2]] * ordered.size).astype(np.int64) - 1, 0, ordered.size - 1)]
    points = m + sd * np.array([-3.0, 3.0])
    return bool(np.all((ends[:, 0] <= points) & (points <= ends[:, 1])))


def means_differ(groups: Subgroups, within: Within | None) -> list[Problem]:
    """Return a warning where means of subgroups differ by more than the scatter within explains.

    One-way analysis of variance (NIST/SEMATECH e-Handbook 1.3.5.4) at the level of 1 %.
    """
    k, freedom, inside = len(groups), groups.count - len(groups), groups.pooled_variance
    if k < 2 or freedom < 1 or within is None or not inside > 0:
        return []
    off = groups.means - product_sum(groups.sizes.astype(float), groups.means) / groups.count
    p = float(fdtrc(k - 1, freedom, product_sum(groups.sizes.astype(float), off**2) / (k - 1) / inside))
    if p >= DIFFER:
        return []
    apart = float(np.ptp(groups.means)) / math.sqrt(inside)
    return [Problem(
        WARNING, "means-differ", f"the means of the subgroups lie up to {apart:.1f} sigma within apart, "
        f"more than the scatter within explains ({chance_words(p)}): Cp and Cpk leave this out, Pp and Ppk hold it",
        action="If the subgroups are streams (bushings, machines, gauges), judge each stream by itself.",
    )]  # fmt: skip


def streams_mixed(values: FloatArray, groups: Subgroups) -> list[Problem]:
    """Return a warning where the same places in every subgroup read high or low: each subgroup mixes streams.

    Two-way analysis of variance without interaction (NIST/SEMATECH e-Handbook 7.4.3.7) over subgroups of one size whose
    readings (n,) stand together, at the level of 1 %.
    """
    size, k = groups.equal_size, len(groups)
    if size is None or size < 2 or k < 5 or groups.scattered:
        return []
    table = values.reshape(k, size)
    places = table.mean(axis=0)
    rest = table - places - table.mean(axis=1, keepdims=True) + values.mean()
    freedom = (k - 1) * (size - 1)
    inside = float(np.sum(rest**2)) / freedom
    if not inside > 0:
        return []
    p = float(fdtrc(size - 1, freedom, k * float(np.sum((places - values.mean()) ** 2)) / (size - 1) / inside))
    if p >= DIFFER:
        return []
    apart = float(np.ptp(places)) / math.sqrt(inside)
    return [Problem(
        WARNING, "mixed-streams", f"readings at the same place in each subgroup (1 to {size}) differ by "
        f"up to {apart:.1f} sigma on average ({chance_words(p)}): the subgroups mix streams, so that sigma "
        "within is too large and Cp and Cpk too small",
        action="Judge each stream (bushing, wall, direction, gauge) by itself.",
    )]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Neighbours:
    """How much each reading resembles the one before, and how many independent readings they are worth.

    ``alike`` is the correlation of neighbours, ``of_mean`` and ``of_variance`` what n readings count as for a mean and
    for a variance: n (1 - r) / (1 + r) and n (1 - r**2) / (1 + r**2) (Bartlett, Journal of the Royal Statistical
    Society 98, 1935; from memory, checked by simulation).
    """

    alike: float
    of_mean: float
    of_variance: float

    @classmethod
    def of(cls, values: FloatArray, m: float) -> Neighbours | None:
        """Return what neighbours among ``values`` (n,) with mean ``m`` tell; None where none resemble each other.

        One independent series in ten is taken for a correlated one, so that few of the correlated ones are missed.
        """
        n = values.size
        square, product = neighbour_sums(values, m)
        if n < FEWEST_ALIKE or not square > 0:
            return None
        r = min(product / square + 1 / n, 0.99)  # the estimate is low by about so much
        if r < max(0.15, 1.28 / math.sqrt(n)):
            return None
        return cls(r, max(n * (1 - r) / (1 + r), 2.0), max(n * (1 - r * r) / (1 + r * r), 2.0))

    def remark(self, n: int, *, moving: bool) -> Problem:
        """Return what this does to the intervals; ``moving``: sigma within comes from neighbours too."""
        words = (
            f"each reading resembles the one before (correlation {self.alike:.2f}): {n} readings count as "
            f"{self.of_mean:.0f} for the mean and {self.of_variance:.0f} for sigma, in every interval here"
        )
        if moving:
            small = 100 * (1 - math.sqrt(1 - self.alike))
            words += (
                f"; sigma within, from neighbours, is about {small:.0f} % too small, Cp and Cpk too large: they "
                "have no interval"
            )
        severe = self.alike >= max(0.2, 1.96 / math.sqrt(n))
        return Problem(WARNING if severe else NOTE, "alike-neighbours", words)


def index_remarks(
    readings: Readings, limits: Limits, m: float, sd: float | None, p: float | None, *, from_zero: bool,
    hardly: bool = False,
) -> list[Problem]:  # fmt: skip
    """Return what to know of the indices of readings with mean ``m`` and deviation ``sd``; ``p`` that of normality.

    ``hardly``: the readings differ from a normal, but not in their tails.
    """
    problems = []
    if not limits.given:
        problems.append(Problem(
            WARNING, "no-limits", "neither a lower nor an upper limit is given: there is no index",
            action="Give --lower, --upper or both.",
        ))  # fmt: skip
    problems += _far_limits(readings, limits) + _two_heaps(readings, sd)
    if from_zero:
        problems.append(Problem(
            NOTE, "bounded-at-zero", "the quantity can't be negative: indices of a normal are not "
            "given, the percentile method takes their place",
        ))  # fmt: skip
    elif p is not None and p < NORMAL_LEVEL:
        found = f"{chance_words(p)}; chance alone puts one normal series in 20 below 0.05"
        problems.append(
            Problem(
                NOTE,
                "hardly-not-normal",
                f"the readings differ a little from a normal ({found}), but not in the tails: "
                "the 0.135 and 99.865 % points lie where a normal has them",
            )
            if hardly
            else Problem(
                WARNING,
                "not-normal",
                f"these readings don't look normal ({found}): indices of a normal have no "
                "intervals; take the percentile figures and the observed share",
            )
        )
    if not from_zero and sd and float(readings.ordered[0]) >= 0 and m < 3 * sd:
        problems.append(Problem(
            WARNING, "perhaps-bounded", "no reading is negative and the mean is less than three sigma above zero",
            action="If the quantity can't be negative, give --from-zero: no normal is used then.",
        ))  # fmt: skip
    if limits.target is not None and limits.width is None:
        problems.append(Problem(NOTE, "no-cpm", "Cpm needs both limits"))
    t = limits.target
    if t is not None and (
        (limits.lower is not None and t < limits.lower) or (limits.upper is not None and t > limits.upper)
    ):
        problems.append(Problem(
            WARNING, "target-outside", "the target lies outside the limits: Cpm then says nothing of use",
            found=f"{t:g}", action="Check the target and its unit.",
        ))  # fmt: skip
    if limits.width is not None and not from_zero:
        problems += _why_no_cpm(readings, limits, m)
    if limits.target is None and limits.width is not None and sd:
        problems.append(Problem(NOTE, "target-middle", "no target is given: Cpm uses the middle of the limits"))
    return problems


@dataclass(frozen=True, slots=True)
class Choices:
    """How capability is worked out.

    ``within`` is the estimate of sigma within subgroups (``pooled``, ``range``, ``sd``, ``moving-range``; empty: pooled
    with subgroups, else moving range). ``percentile``: True always, False never, None when the readings don't look
    normal. ``from_zero``: the quantity can't be negative. ``normal``: it is known from elsewhere to be normal, and
    intervals that suppose it are given. ``resolution``: the gauge's step. ``any_shape`` False saves the time for the
    intervals that suppose no shape, where the percentile method isn't used.
    """

    within: str = ""
    confidence: float = 0.95
    coverage: float = 0.9973
    from_zero: bool = False
    normal: bool = False
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
    """Shares outside the limits: expected of a normal (of all scatter and of a short run), and counted in the readings.

    ``ppm_if_normal_interval`` adds the exact bounds of both tails, so that it holds at least the stated confidence;
    ``observed`` is a share of the readings with its Clopper-Pearson ``observed_interval``. Parts per million are the
    share times 1e6.
    """

    ppm_if_normal: float | None
    ppm_if_normal_short_run: float | None
    ppm_if_normal_interval: Interval
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
    gauge's step and the readings' worth allowed for, None where the plain test stands. ``intervals`` suppose a normal:
    they are given where it is known and the readings don't speak against it (``odd``), because a test of 125 readings
    passes every other series of a t with 5 degrees; ``any_shape`` holds whatever their shape.
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
        w = self.within
        normality = None if self.normality is None else asdict(self.normality)
        return plain(
            {
                "n": self.n,
                "mean": self.mean,
                "sd_overall": self.sd_overall,
                "sd_within": w.sigma if w else None,
                "within": None if w is None else {"method": w.method, "degrees_of_freedom": w.dof, "words": w.words},
                "lower": self.limits.lower,
                "upper": self.limits.upper,
                "target": self.limits.target,
                "confidence": self.choices.confidence,
                "Cp": self.within_indices.potential,
                "Cpk": self.within_indices.nearest,
                "Cpl": self.within_indices.lower,
                "Cpu": self.within_indices.upper,
                "Pp": self.overall.potential,
                "Ppk": self.overall.nearest,
                "Ppl": self.overall.lower,
                "Ppu": self.overall.upper,
                "Cpm": self.Cpm,
                "off_centre": self.overall.off_centre,
                "intervals": self.intervals,
                "intervals_suppose": "a normal, known from elsewhere; readings that resemble others count for less",
                "any_shape": None if self.any_shape is None else asdict(self.any_shape),
                "normality": normality or {"A2": None, "A2_adjusted": None, "p": None, "critical_5_percent": 0.752},
                "normality_judged": {"p": self.normal_p} | ({} if self.allowing is None else asdict(self.allowing)),
                "outside": asdict(self.outside),
                "tolerance_interval": None if self.tolerance is None else asdict(self.tolerance),
                "stability": asdict(self.stability),
                "cautions": self.cautions,
                "percentile": None if self.percentile is None else _percentile_dict(self.percentile),
                "remarks": [{"severity": r.severity, "code": r.code, "text": r.sentence()} for r in self.remarks],
            }
        )


def _percentile_dict(result: PercentileCapability) -> dict[str, object]:
    best = result.choice.candidates[0]
    return {
        "distribution": best.key,
        "words": result.choice.words,
        "parameters": best.parameters,
        "Pp": result.Pp,
        "Ppk": result.Ppk,
        "Ppl": result.Ppl,
        "Ppu": result.Ppu,
        "Ppk_interval": result.interval,
        "percentile_0.135": result.low,
        "median": result.median,
        "percentile_99.865": result.high,
        "expected_ppm": (result.below + result.above) * 1e6,
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


def _outside(
    readings: Readings, limits: Limits, m: float, sd: float | None, sigma: float | None, confidence: float,
    near: Neighbours | None, *, bounded: bool,
) -> Outside:  # fmt: skip
    """Return the shares outside; ``bounded``: with the interval of a normal's."""
    n = readings.values.size
    below, above = _outside_counts(readings.ordered, limits)
    sd, sigma = (sd, sigma) if limits.given else (None, None)
    expected = None if not sd else 1e6 * sum(expected_outside(limits, m, sd))
    short = None if not sigma else 1e6 * sum(expected_outside(limits, m, sigma))
    bounds: Interval = (None, None)
    if sd and bounded:
        found = indices(limits, m, sd)
        sides = [v for v in (found.lower, found.upper) if v is not None]
        tail = (1 - confidence) / (2 * len(sides))
        worth, dof = (n, n - 1.0) if near is None else (near.of_mean, near.of_variance - 1)
        best = [one_sided_bound(v, worth, dof, tail) for v in sides]
        worst = [one_sided_bound(v, worth, dof, 1 - tail) for v in sides]
        bounds = (1e6 * sum(float(ndtr(-3 * v)) for v in best), min(1e6, 1e6 * sum(float(ndtr(-3 * v)) for v in worst)))
    return Outside(
        expected, short, bounds, (below + above) / n, below + above, below, above,
        clopper_pearson(below + above, n, confidence),
    )  # fmt: skip


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
        problems = Problem(
            WARNING, "one-subgroup", "there is one subgroup only: changes between subgroups can't be told, "
            "so that Cp and Cpk tell no more than Pp and Ppk",
        )  # fmt: skip
        return (within_by_subgroups(groups, wanted) if groups.count > 1 else None), [problems]
    if not np.any(groups.sizes > 1):
        problems = Problem(
            WARNING,
            "single-subgroups",
            "every subgroup has one reading: sigma within is taken from moving ranges instead",
        )
        return within_by_neighbours(readings.values), [problems]
    return within_by_subgroups(groups, wanted), []


def _judge(
    readings: Readings, groups: Subgroups | None, within: Within | None, m: float, scores: FloatArray | None
) -> Stability:
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


def _skewed(
    readings: Readings, groups: Subgroups | None, within: Within | None, m: float, scores: FloatArray | None,
    stability: Stability, percentile: PercentileCapability | None,
) -> list[Problem]:  # fmt: skip
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
    found: dict[str, Interval] = {
        "mean": mean_interval(m, sd, n, confidence),
        "sd_overall": sd_interval(sd, dof, confidence),
    }
    sets = [("P", overall, dof, 1.0)]
    if within is not None and within.sigma > 0 and (near is None or within.method != MOVING_RANGE):
        found["sd_within"] = sd_interval(within.as_deviation, within.dof, confidence)
        sets.insert(0, ("C", short, within.dof, within.as_deviation / within.sigma))
    for letter, values, dof, low in sets:
        if values.potential is not None:
            found[f"{letter}p"] = potential_interval(values.potential / low, dof, confidence)
        if values.nearest is not None:
            name, index = f"{letter}pk", values.nearest / low
            found[name] = nearest_interval_exact(index, n, dof, confidence, two_limits=both)
            found[f"{name}_lower_bound"] = (one_sided_bound(index, n, dof, confidence), None)
    target = limits.middle if limits.target is None else limits.target
    if cpm is not None and target is not None:
        off = 2 * ((m - target) / sd) ** 2  # the mean's share in the scatter of Cpm, that of sigma being 1
        found["Cpm"] = about_target_interval(
            cpm, m, sd, target, n if near is None else (1 + off) / (1 / near.of_variance + off / near.of_mean),
            confidence,
        )  # fmt: skip
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
    few = n < FEWEST_OF_ANY
    choice = None if few or not wanted else choose_distribution(readings.ordered, from_zero=how.from_zero)
    shapes = any_shape(
        limits, readings.ordered, choice=choice, from_zero=how.from_zero, confidence=how.confidence, counted=counted
    )
    if choice is None:
        problems = [Problem(NOTE, "no-distribution", f"fewer than {FEWEST_OF_ANY} readings: no distribution is chosen")]
        return None, shapes, problems if few and wanted else []
    found = percentile_capability(limits, readings.ordered, from_zero=how.from_zero, choice=choice, shapes=shapes)
    return found, shapes, []


def capability(
    values: ArrayLike, limits: Limits, *, subgroups: ArrayLike | None = None, choices: Choices | None = None,
    counted: int | None = None,
) -> Capability:  # fmt: skip
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
    within, problems = _within(readings, groups, how.within)
    sigma = within.sigma if within and not alike else None
    problems = remarks(readings, sigma or sd, width=limits.width, resolution=how.resolution) + problems
    if groups is not None and groups.scattered:
        problems.append(Problem(
            NOTE, "scattered-subgroups", f"{groups.scattered} subgroups have readings that are not "
            "next to each other; they are taken together by their label",
        ))  # fmt: skip
    normality = None if not sd or how.from_zero else anderson_darling(readings.ordered, ordered=True, centre=m, sd=sd)
    if normality is not None and normality.p is None:
        problems.append(Problem(NOTE, "no-normality-test", f"{n} readings are too few for a test of normality"))
    allowed = (
        None
        if normality is None or not sd
        else allowing(readings.ordered, m, sd, normality.A2, step=readings.step, counted=counted)
    )
    p = _judged_p(normality, allowed)
    odd = p is not None and p < NORMAL_LEVEL
    hardly = odd and bool(sd) and tails_normal(readings.ordered, m, sd or 0.0, counted)
    odd = odd and not hardly
    near = None if counted is not None else Neighbours.of(readings.values, m)
    percentile, shapes, more = _by_percentiles(
        readings, limits, how, counted if near is None else math.floor(near.of_variance), odd=odd
    )
    problems += more + index_remarks(readings, limits, m, sd, p, from_zero=how.from_zero, hardly=hardly)
    if groups is not None:
        problems += means_differ(groups, within) + streams_mixed(readings.values, groups)
    normal = bool(sd) and not how.from_zero
    overall = indices(limits, m, sd) if normal and sd else _EMPTY
    short = indices(limits, m, sigma) if normal and sigma else _EMPTY
    cpm = about_target(limits, m, sd) if normal and sd else None
    scores = normal_scores(percentile.choice.chosen, readings.values) if percentile and how.from_zero else None
    stability = _judge(readings, groups, within if not alike else None, m, scores)
    problems[:0] = _skewed(readings, groups, within, m, scores, stability, percentile)
    if near is not None and overall.nearest is not None:
        problems.append(near.remark(n, moving=within is not None and within.method == MOVING_RANGE))
    shown = {
        "Cp": short.potential,
        "Cpk": short.nearest,
        "Pp": overall.potential,
        "Ppk": overall.nearest,
        "Cpm": cpm,
        "percentile Ppk": percentile.Ppk if percentile else None,
    }
    cautions = {k: stability.words for k, v in shown.items() if v is not None and stability.stable is False}
    alone = _supposes_normal(how, odd)
    found = intervals_of(n, m, sd, within, overall, short, cpm, limits, how.confidence, near) if sd and alone else {}
    outside = _outside(
        readings, limits, m, sd if normal else None, sigma if normal else None, how.confidence, near, bounded=alone
    )
    worth = n if near is None else math.floor(near.of_mean)
    band = (
        tolerance_interval(
            m, sd, worth, coverage=how.coverage, confidence=how.confidence, lower=limits.lower, upper=limits.upper
        )
        if sd and alone
        else None
    )
    return Capability(
        n, m, sd, within, limits, how, overall, short, cpm, found, normality, outside, band, stability, percentile,
        tuple(problems), cautions, allowed, shapes, odd,
    )  # fmt: skip


def _supposes_normal(how: Choices, odd: bool) -> bool:
    """Whether intervals that suppose a normal are given: only where it is known and nothing speaks against it."""
    return how.normal and not odd and not how.from_zero


# Capability where several readings are taken on one piece: they resemble each other and don't count as independent.
#
# Two-point diameters of one hole are such readings: each is a size of its own and is held against the limits, yet the
# hole they share makes them alike. Scatter within the piece alone is no short-term scatter of the process either.


@dataclass(frozen=True, slots=True)
class Pieces:
    """What readings of pieces tell about their scatter.

    ``within`` is the short-term sigma of one reading, ``of_means`` that of a piece's mean, both between neighbouring
    pieces; ``alike`` the correlation of two readings of one piece, ``counted`` how many independent readings they are
    worth.
    """

    groups: Subgroups
    within: Within
    of_means: Within
    alike: float
    counted: int


def split(groups: Subgroups) -> Pieces:
    """Return the scatter of pieces, at least two and one of them with two readings.

    The short-term variance of a reading is that of neighbouring means, by their moving range, plus what the mean hides
    of the variance within, (1 - 1/m) s2; degrees of freedom after Welch and Satterthwaite (JCGM 100:2008, G.4.1). n
    readings in pieces of m count as n / (1 + (m - 1) r), r their correlation (Kish, Survey Sampling, 1965, 8.2).
    """
    inside, freedom = groups.pooled_variance, groups.count - len(groups)
    averaged = float(np.mean(1 / groups.sizes))
    of_means = within_by_neighbours(groups.means)
    first, second = of_means.sigma**2, inside * (1 - averaged)
    total = first + second
    dof = total**2 / (first**2 / of_means.dof + second**2 / freedom) if total > 0 else of_means.dof
    words = f"moving ranges of {len(groups)} means, and the scatter within that a mean hides"
    between = max(0.0, float(np.var(groups.means, ddof=1)) - inside * averaged)
    alike = between / (between + inside) if between + inside > 0 else 1.0
    usual = float(np.sum(groups.sizes.astype(float) ** 2)) / groups.count
    counted = math.floor(groups.count / (1 + (usual - 1) * alike) + 1e-9)
    return Pieces(groups, Within(math.sqrt(total), dof, MOVING_RANGE, words), of_means, alike, counted)


def clustered_capability(
    values: ArrayLike, pieces: ArrayLike, limits: Limits, *, choices: Choices | None = None,
    what: str = "means of pieces",
) -> Capability:  # fmt: skip
    """Return the capability of readings ``values`` (n,) of ``pieces`` (n,), in order of production.

    Overall figures are of single readings; sigma within is the short-term one between neighbouring pieces; stability
    is that of the pieces' means (named ``what``); intervals count the readings for what they are worth (`split`). NaN
    is a missing reading. Where every piece has one reading this is `capability`. Raises ``DataError`` as that does,
    and for an estimate of sigma within other than the moving range.
    """
    how = choices or Choices()
    if how.within not in ("", MOVING_RANGE):
        raise DataError(f"the estimate '{how.within}' needs subgroups; of pieces in order only {MOVING_RANGE} is taken")
    labels = np.asarray(pieces).ravel()
    groups = subgroup_labels(values, labels)
    if groups.count == len(groups):
        return capability(values, limits, choices=how)
    if len(groups) == 1:
        return capability(values, limits, subgroups=labels, choices=how)
    found = split(groups)
    base = capability(values, limits, choices=how, counted=found.counted)
    if not base.sd_overall:
        return base
    return _counted(base, found, what)


def _counted(base: Capability, found: Pieces, what: str) -> Capability:
    """Return a capability of single readings with everything that hangs on their independence worked out anew."""
    limits, how, sd = base.limits, base.choices, base.sd_overall
    assert sd
    normal = not how.from_zero
    short = indices(limits, base.mean, found.within.sigma) if normal else base.within_indices
    middle = float(found.groups.means.mean())
    steady = judge(found.groups.means, middle, found.of_means.sigma, found.of_means.dof, what=what)
    shown = {
        "Cp": short.potential,
        "Cpk": short.nearest,
        "Pp": base.overall.potential,
        "Ppk": base.overall.nearest,
        "Cpm": base.Cpm,
        "percentile Ppk": base.percentile.Ppk if base.percentile else None,
    }
    n = found.counted
    alone = _supposes_normal(how, base.odd) and n > 1
    band = (
        tolerance_interval(
            base.mean, sd, n, coverage=how.coverage, confidence=how.confidence, lower=limits.lower, upper=limits.upper
        )
        if alone
        else None
    )
    intervals = (
        intervals_of(n, base.mean, sd, found.within, base.overall, short, base.Cpm, limits, how.confidence)
        if alone
        else {}
    )
    return replace(
        base, within=found.within, within_indices=short, intervals=intervals,
        outside=_clustered_outside(base, found, sd, normal, bounded=alone), tolerance=band, stability=steady,
        remarks=_remarks(base, found, skewed_remark(found.groups.means, middle, steady, averaged=True)),
        cautions={k: steady.words for k, v in shown.items() if v is not None and steady.stable is False},
    )  # fmt: skip


def _clustered_outside(base: Capability, found: Pieces, sd: float, normal: bool, *, bounded: bool) -> Outside:
    """Return the shares outside; the observed one's interval takes the effective number (Korn and Graubard, 1998)."""
    seen, n, tail = base.outside, found.counted, (1 - base.choices.confidence) / 2
    count = seen.observed * n
    low = 0.0 if count == 0 else float(betaincinv(count, n - count + 1, tail))
    high = 1.0 if count == n else float(betaincinv(count + 1, n - count, 1 - tail))
    if not normal or n < 2 or not base.limits.given:
        return replace(seen, observed_interval=(low, high), ppm_if_normal_interval=(None, None))
    found_bounds: Interval = (None, None)
    if bounded:
        sides = [v for v in (base.overall.lower, base.overall.upper) if v is not None]
        bounds = [[one_sided_bound(v, n, n - 1, p) for v in sides] for p in (tail / len(sides), 1 - tail / len(sides))]
        best, worst = (min(1e6, 1e6 * sum(float(ndtr(-3 * v)) for v in bound)) for bound in bounds)
        found_bounds = best, worst
    sigma = found.within.sigma
    return replace(
        seen, observed_interval=(low, high), ppm_if_normal_interval=found_bounds,
        ppm_if_normal_short_run=1e6 * sum(expected_outside(base.limits, base.mean, sigma)) if sigma > 0 else None,
    )  # fmt: skip


def _remarks(base: Capability, found: Pieces, skewed: Problem | None) -> tuple[Problem, ...]:
    groups = found.groups
    problems = [Problem(
        NOTE, "alike-readings", f"{groups.count} readings of {len(groups)} pieces: readings of one piece resemble each "
        f"other (correlation {found.alike:.2f}) and count as {found.counted} independent ones in every interval",
    )]  # fmt: skip
    if found.counted < FEW <= base.n:
        few = f"{found.counted} are few: an index is worth no more than its interval"
        problems.append(Problem(NOTE, "few-readings", few))
    if groups.scattered:
        problems.append(Problem(
            WARNING, "scattered-pieces", f"{groups.scattered} pieces have readings that are not next "
            "to each other; they are taken together by their label",
        ))  # fmt: skip
    first = () if skewed is None or base.choices.from_zero else (skewed,)
    return (*first, *(r for r in base.remarks if r.code != CODE), *problems)
