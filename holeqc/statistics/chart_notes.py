"""What the points of a finished chart say against its limits: neighbours alike, a limit where nothing can be."""

from __future__ import annotations

import math

import numpy as np

from holeqc.problems import NOTE, WARNING, Problem
from holeqc.statistics.basics import mean, neighbour_sums
from holeqc.statistics.chart_parts import INDIVIDUALS, Chart

FEWEST = 10
ALIKE = 2.576  #: two-sided 1 % point of a standard normal


def point_notes(chart: Chart) -> tuple[Problem, ...]:
    """Return what must be said of a chart of single points, empty for other kinds.

    The lag-1 correlation of independent points scatters by 1 / sqrt(n) (NIST/SEMATECH e-Handbook 1.3.5.12).
    """
    if chart.kind != INDIVIDUALS:
        return ()
    x = chart.values
    said = []
    if x.size >= FEWEST and np.ptp(x) > 0:
        square, product = neighbour_sums(x, mean(x))
        alike = product / square
        if alike > max(0.2, ALIKE / math.sqrt(x.size)):
            said.append(Problem(WARNING, "points-alike", "each point resembles the one before (correlation "
                                f"{alike:.2f}): limits from moving ranges take points as independent and are too "
                                "narrow for these; a drift looks like this too"))
    lower = chart.lower[np.isfinite(chart.lower)]
    if lower.size and float(lower.min()) < 0 <= float(x.min()):
        said.append(Problem(NOTE, "limit-below-zero", "the lower limit is below zero and no point is: if it can't be "
                            "negative, read that limit as 0, and the chart sees no improvement"))
    return tuple(said)
