"""Capability where several readings are taken on one piece: they resemble each other and don't count as independent.

Two-point diameters of one hole are such readings: each is a size of its own and is held against the limits, yet the
hole they share makes them alike. Scatter within the piece alone is no short-term scatter of the process either.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.statistics.capability import Capability, Choices, Outside, capability, intervals_of, without_normal
from holeqc.statistics.checks import FEW
from holeqc.statistics.indices import (
    Limits,
    expected_outside,
    indices,
    one_sided_bound,
)
from holeqc.statistics.skewed import CODE as SKEWED
from holeqc.statistics.skewed import skewed_remark
from holeqc.statistics.stability import judge
from holeqc.statistics.subgroups import MOVING_RANGE, Subgroups, Within, subgroup_labels, within_by_neighbours
from holeqc.statistics.tolerance_intervals import tolerance_interval


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
    steady = judge(found.groups.means, middle, found.of_means.sigma, found.of_means.dof,
                   what=what)
    shown = {"Cp": short.potential, "Cpk": short.nearest, "Pp": base.overall.potential, "Ppk": base.overall.nearest,
             "Cpm": base.Cpm, "percentile Ppk": base.percentile.Ppk if base.percentile else None}
    n = found.counted
    band = tolerance_interval(base.mean, sd, n, coverage=how.coverage, confidence=how.confidence, lower=limits.lower,
                              upper=limits.upper) if normal and n > 1 else None
    intervals = intervals_of(n, base.mean, sd, found.within, base.overall, short, base.Cpm, limits,
                             how.confidence) if n > 1 else {}
    made = replace(
        base, within=found.within, within_indices=short, intervals=intervals,
        outside=_outside(base, found, sd, normal), tolerance=band, stability=steady,
        remarks=_remarks(base, found, skewed_remark(found.groups.means, middle, steady, averaged=True)),
        cautions={k: steady.words for k, v in shown.items() if v is not None and steady.stable is False},
    )  # fmt: skip
    return without_normal(made) if base.odd or how.from_zero else made


def _outside(base: Capability, found: Pieces, sd: float, normal: bool) -> Outside:
    """Return the shares outside; the observed one's interval takes the effective number (Korn and Graubard, 1998)."""
    from scipy.special import betaincinv, ndtr

    seen, n, tail = base.outside, found.counted, (1 - base.choices.confidence) / 2
    count = seen.observed * n
    low = 0.0 if count == 0 else float(betaincinv(count, n - count + 1, tail))
    high = 1.0 if count == n else float(betaincinv(count + 1, n - count, 1 - tail))
    if not normal or n < 2 or not base.limits.given:
        return replace(seen, observed_interval=(low, high), expected_interval_ppm=(None, None))
    sides = [v for v in (base.overall.lower, base.overall.upper) if v is not None]
    bounds = [[one_sided_bound(v, n, n - 1, p) for v in sides] for p in (tail / len(sides), 1 - tail / len(sides))]
    best, worst = (min(1e6, 1e6 * sum(float(ndtr(-3 * v)) for v in bound)) for bound in bounds)
    sigma = found.within.sigma
    return replace(
        seen, observed_interval=(low, high), expected_interval_ppm=(best, worst),
        expected_ppm_within=1e6 * sum(expected_outside(base.limits, base.mean, sigma)) if sigma > 0 else None,
    )  # fmt: skip


def _remarks(base: Capability, found: Pieces, skewed: Problem | None) -> tuple[Problem, ...]:
    groups = found.groups
    said = [Problem(
        NOTE, "alike-readings", f"{groups.count} readings of {len(groups)} pieces: readings of one piece resemble each "
        f"other (correlation {found.alike:.2f}) and count as {found.counted} independent ones in every interval",
    )]  # fmt: skip
    if found.counted < FEW <= base.n:
        said.append(Problem(NOTE, "few-readings", f"{found.counted} are few: believe the intervals, not the indices"))
    if groups.scattered:
        said.append(Problem(WARNING, "scattered-pieces", f"{groups.scattered} pieces have readings that are not next "
                            "to each other; they are taken together by their label"))
    first = () if skewed is None or base.choices.from_zero else (skewed,)
    return (*first, *(r for r in base.remarks if r.code != SKEWED), *said)
