"""The average and range method of a gauge study: mean ranges instead of mean squares, for a check by hand.

The divisor of a range is the mean d2 of the range of a normal sample; for a mean of few ranges it is
``sqrt(d2**2 + d3**2 / g)`` for g ranges, which makes the square of the quotient unbiased (Duncan, Quality Control and
Industrial Statistics, table D3; the table's own rule of using d2 above 15 ranges is kept).
"""

from __future__ import annotations

import numpy as np

from holeqc.problems import DataError
from holeqc.statistics.constants import chart_factors, range_moments
from holeqc.statistics.gauge_layout import CROSSED, ONE_APPRAISER, Layout

FEWEST_RANGES = 4  #: fewer pairs than this give no limit for their ranges
FEW_RANGES = 15  #: above this many ranges the divisor is d2 itself


def range_divisor(size: int, ranges: int) -> float:
    """Return what to divide a mean of ``ranges`` ranges by, each of ``size`` values, to get a standard deviation."""
    mean, spread = range_moments(size)
    return mean if ranges > FEW_RANGES else float(np.sqrt(mean**2 + spread**2 / ranges))


def range_estimates(layout: Layout) -> tuple[dict[str, float], dict[str, float]]:
    """Return the variance components by average and range, not below zero, and as they came out.

    Part variation is taken from the range of the part averages and, as is usual in this method, not corrected for the
    repeatability that lies in those averages.

    Raises:
        DataError: the study isn't balanced, is nested, or has one reading a pair.
    """
    r = layout.trials
    if layout.design not in {CROSSED, ONE_APPRAISER} or not layout.balanced or r is None or r < 2:
        raise DataError(
            "the average and range method needs every part read equally often, at least twice, by every appraiser; "
            f"found a {layout.design} study, {'balanced' if layout.balanced else 'not balanced'}, "
            f"{r or 'differing numbers of'} trials. Use the analysis of variance"
        )
    p, o = layout.parts, layout.appraisers
    cube = _cube(layout)
    mean_range = float(np.mean(np.ptp(cube, axis=2)))
    repeatability = (mean_range / range_divisor(r, p * o)) ** 2
    part = (float(np.ptp(cube.mean(axis=(1, 2)))) / range_divisor(p, 1)) ** 2
    raw = {"repeatability": repeatability, "part": part}
    if o > 1:
        between = float(np.ptp(cube.mean(axis=(0, 2)))) / range_divisor(o, 1)
        raw["reproducibility"] = between**2 - repeatability / (p * r)
    return {name: max(v, 0.0) for name, v in raw.items()}, raw


def range_limit(layout: Layout) -> tuple[float | None, float | None]:
    """Return the mean range of the repeats and D4 times it, None where the repeats aren't even or the pairs few."""
    r = layout.trials
    if r is None or r < 2 or not layout.balanced or np.count_nonzero(layout.counts) < FEWEST_RANGES:
        return None, None
    ordered = layout.values[np.argsort(layout.cell, kind="stable")].reshape(-1, r)
    mean = float(np.mean(np.ptp(ordered, axis=1)))
    return mean, chart_factors(r).D4 * mean


def _cube(layout: Layout) -> np.ndarray:
    ordered = layout.values[np.argsort(layout.cell, kind="stable")] - layout.values[0]
    return ordered.reshape(layout.parts, layout.appraisers, layout.trials or 1)
