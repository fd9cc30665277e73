"""What stands beside the indices of a capability: limits that fit nothing, a shape that isn't normal, no Cpm."""

from __future__ import annotations

import math

from holeqc.problems import NOTE, WARNING, Problem
from holeqc.statistics.checks import Readings
from holeqc.statistics.indices import Limits

NORMAL_LEVEL = 0.05
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


def index_remarks(readings: Readings, limits: Limits, m: float, sd: float | None, p: float | None, *,
                  from_zero: bool) -> list[Problem]:
    """Return what to know of the indices of readings with mean ``m`` and deviation ``sd``; ``p`` that of normality."""
    said = []
    if not limits.given:
        said.append(Problem(WARNING, "no-limits", "neither a lower nor an upper limit is given: there is no index",
                            action="Give --lower, --upper or both."))
    said += _far_limits(readings, limits)
    if from_zero:
        said.append(Problem(NOTE, "bounded-at-zero", "the quantity can't be negative: indices of a normal are not "
                            "given, the percentile method takes their place"))
    elif p is not None and p < NORMAL_LEVEL:
        said.append(Problem(WARNING, "not-normal", f"a normal distribution is a poor picture of these readings "
                            f"(p = {p:.2g}): trust the percentile figures and the observed share more than "
                            "indices that suppose a normal"))
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
