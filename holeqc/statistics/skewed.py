"""Where a skewed shape alone may break three-sigma limits: said beside the verdict on stability, which stands."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from holeqc.problems import WARNING, Problem
from holeqc.statistics.basics import FloatArray, chance_words, mean

if TYPE_CHECKING:
    from holeqc.statistics.percentile import PercentileCapability
    from holeqc.statistics.stability import Stability

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
    if stability.stable is not False or not stability.beyond or points.size < FEWEST:
        return ""
    off = points - centre
    out = off[np.array(stability.beyond) - 1]
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
    text = (f"the three-sigma limits behind this verdict suppose a normal shape; these {what} are skewed and broke "
            f"them only {side}, on the long side, as a skewed but stable process does too")
    if averaged:
        return Problem(WARNING, CODE, text, action="Take more readings to a mean before you call it a change, and look "
                       "for a cause that these points share.")
    if percentile is None:
        return Problem(WARNING, CODE, text, action="Judge by the limits of a distribution that fits these readings, or "
                       "by means of subgroups (--subgroup), before you call it a change.")
    said, clean = _fitted_words(points, percentile)
    action = ("Take the fitted distribution's limits, or means of subgroups (--subgroup), before you call it a change."
              if clean else "That distribution doesn't explain it: look for the cause before you use an index.")
    return Problem(WARNING, CODE, f"{text}. {said}", action=action)


def _fitted_words(points: FloatArray, percentile: PercentileCapability) -> tuple[str, bool]:
    """Return how the readings look against the distribution fitted to them, and whether that shows no change."""
    from holeqc.statistics.percentile import POOR_FIT, normal_scores
    from holeqc.statistics.stability import judge
    from holeqc.statistics.subgroups import within_by_neighbours

    best = percentile.choice.candidates[0]
    scores = normal_scores(percentile.choice.chosen, points)
    short = within_by_neighbours(scores)
    found = judge(scores, mean(scores), short.sigma, short.dof)
    beyond = int(np.count_nonzero((points < percentile.low) | (points > percentile.high)))
    poor = f"; it fits poorly, {chance_words(best.p)}" if best.p is not None and best.p < POOR_FIT else ""
    text = (f"By the fitted distribution ({best.words.split(' (')[0]}{poor}) the limits are {percentile.low:.6g} and "
            f"{percentile.high:.6g}; beyond them: {beyond} of {points.size}, where chance gives "
            f"{0.0027 * points.size:.2g}; ")
    clean = found.stable is not False
    return text + ("no sign of a change is left" if clean else f"what is left: {'; '.join(found.reasons)}"), clean
