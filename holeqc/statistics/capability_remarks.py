"""What stands beside the indices of a capability: limits that fit nothing, a shape that isn't normal, no Cpm."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from holeqc.problems import NOTE, WARNING, Problem
from holeqc.statistics.basics import FloatArray, chance_words, dot, neighbour_sums
from holeqc.statistics.checks import FEWEST_ALIKE, Readings
from holeqc.statistics.indices import Limits
from holeqc.statistics.subgroups import Subgroups, Within

NORMAL_LEVEL = 0.05
DIFFER = 0.01  #: level at which means of subgroups differ
FORTUNATE = 1e-12  #: a reading this close to a limit, relative to it, lies on the limit


def _far_limits(readings: Readings, limits: Limits) -> list[Problem]:
    """Return a warning where every reading lies farther outside the limits than these lie apart."""
    if limits.lower is None or limits.upper is None:
        return []
    low, high = float(readings.ordered[0]), float(readings.ordered[-1])
    apart = limits.upper - limits.lower
    if low <= limits.upper + apart and high >= limits.lower - apart:
        return []
    return [Problem(WARNING, "limits-far", "every reading lies far outside the limits: are both in one unit?",
                    found=f"readings {low:g} to {high:g}", allowed=f"limits {limits.lower:g} to {limits.upper:g}",
                    action="Give the limits in the unit of the readings.")]


def _why_no_cpm(readings: Readings, limits: Limits, m: float) -> list[Problem]:
    """Return why Cpm is empty, where readings show no scatter; it compares the limits with scatter and distance."""
    target = limits.middle if limits.target is None else limits.target
    if target is None or readings.different > 1:
        return []
    if readings.values.size == 1:
        why = "it needs the scatter about the target, which one reading can't show"
    elif math.isclose(m, target, rel_tol=FORTUNATE):
        why = (f"all readings lie on the target, {target:g}, so that it would be infinite; that says only that the "
               "gauge's step hides the scatter")
    else:
        why = (f"the readings show no scatter, so that it would tell nothing but how far they lie from the target, "
               f"{target:g}: {abs(m - target):.3g}")
    return [Problem(NOTE, "no-cpm", f"Cpm is left empty: {why}")]


def tails_normal(ordered: FloatArray, m: float, sd: float, counted: int | None) -> bool:
    """Return whether readings so many that any oddity shows have the tails of a normal none the less.

    Both reference percentiles of the normal then lie where the order of the readings (n,) puts them. Of few readings
    the order can't tell and this is False.
    """
    from holeqc.statistics.percentile import rank_shares

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
    from scipy.special import fdtrc

    k, freedom, inside = len(groups), groups.count - len(groups), groups.pooled_variance
    if k < 2 or freedom < 1 or within is None or not inside > 0:
        return []
    off = groups.means - dot(groups.sizes.astype(float), groups.means) / groups.count
    p = float(fdtrc(k - 1, freedom, dot(groups.sizes.astype(float), off**2) / (k - 1) / inside))
    if p >= DIFFER:
        return []
    apart = float(np.ptp(groups.means)) / math.sqrt(inside)
    return [Problem(WARNING, "means-differ", f"the means of the subgroups lie up to {apart:.1f} sigma within apart, "
                    f"more than the scatter within explains ({chance_words(p)}): Cp and Cpk leave this out, Pp and Ppk "
                    "hold it",
                    action="If the subgroups are streams (bushings, machines, gauges), judge each stream by itself.")]


def streams_mixed(values: FloatArray, groups: Subgroups) -> list[Problem]:
    """Return a warning where the same places in every subgroup read high or low: each subgroup mixes streams.

    Two-way analysis of variance without interaction (NIST/SEMATECH e-Handbook 7.4.3.7) over subgroups of one size whose
    readings (n,) stand together, at the level of 1 %.
    """
    from scipy.special import fdtrc

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
    return [Problem(WARNING, "mixed-streams", f"readings at the same place in each subgroup (1 to {size}) differ by "
                    f"up to {apart:.1f} sigma on average ({chance_words(p)}): the subgroups mix streams, so that sigma "
                    "within is too large and Cp and Cpk too small", action="Judge each stream (bushing, wall, "
                    "direction, gauge) by itself.")]


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
        words = (f"each reading resembles the one before (correlation {self.alike:.2f}): {n} readings count as "
                 f"{self.of_mean:.0f} for the mean and {self.of_variance:.0f} for sigma, in every interval here")
        if moving:
            small = 100 * (1 - math.sqrt(1 - self.alike))
            words += (f"; sigma within, from neighbours, is about {small:.0f} % too small, Cp and Cpk too large: they "
                      "have no interval")
        severe = self.alike >= max(0.2, 1.96 / math.sqrt(n))
        return Problem(WARNING if severe else NOTE, "alike-neighbours", words)


def index_remarks(readings: Readings, limits: Limits, m: float, sd: float | None, p: float | None, *,
                  from_zero: bool, hardly: bool = False) -> list[Problem]:
    """Return what to know of the indices of readings with mean ``m`` and deviation ``sd``; ``p`` that of normality.

    ``hardly``: the readings differ from a normal, but not in their tails.
    """
    said = []
    if not limits.given:
        said.append(Problem(WARNING, "no-limits", "neither a lower nor an upper limit is given: there is no index",
                            action="Give --lower, --upper or both."))
    said += _far_limits(readings, limits)
    if from_zero:
        said.append(Problem(NOTE, "bounded-at-zero", "the quantity can't be negative: indices of a normal are not "
                            "given, the percentile method takes their place"))
    elif p is not None and p < NORMAL_LEVEL:
        found = f"{chance_words(p)}; chance alone puts one normal series in 20 below 0.05"
        said.append(Problem(
            NOTE, "hardly-not-normal", f"the readings differ a little from a normal ({found}), but not in the tails: "
            "the 0.135 and 99.865 % points lie where a normal has them") if hardly else Problem(
            WARNING, "not-normal", f"these readings don't look normal ({found}): indices of a normal are given without "
            "intervals; take the percentile figures and the observed share"))
    if not from_zero and sd and float(readings.ordered[0]) >= 0 and m < 3 * sd:
        said.append(Problem(WARNING, "perhaps-bounded", "no reading is negative and the mean is less than three sigma "
                            "above zero", action="If the quantity can't be negative, give --from-zero: no normal is "
                            "used then."))
    if limits.target is not None and limits.width is None:
        said.append(Problem(NOTE, "no-cpm", "Cpm needs both limits"))
    t = limits.target
    if t is not None and ((limits.lower is not None and t < limits.lower)
                          or (limits.upper is not None and t > limits.upper)):
        said.append(Problem(WARNING, "target-outside", "the target lies outside the limits: Cpm then says nothing of "
                            "use", found=f"{t:g}", action="Check the target and its unit."))
    if limits.width is not None and not from_zero:
        said += _why_no_cpm(readings, limits, m)
    if limits.target is None and limits.width is not None and sd:
        said.append(Problem(NOTE, "target-middle", "no target is given: Cpm uses the middle of the limits"))
    return said
