"""The trend of a series against cycles, two ways, and whether it may be believed: neighbours, curvature."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from holeqc.problems import DataError
from holeqc.quantities import FloatArray
from holeqc.statistics.basics import autocorrelation
from holeqc.statistics.gauge_accuracy import polynomial, straight_line
from holeqc.wear.paths import binned

LEAST = 6  #: values for a trend
POINTS = 400  #: a longer series is trended as means of so many runs of neighbours
CURVED = 0.01  #: chance below which a bend of the whole series is believed
CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight trend of ``n`` values from ``start`` to ``end`` [cycle].

    ``level`` is the line at the end; ``slope`` by least squares, with the interval ``lower`` to ``upper`` (95 %, for
    ``effective`` values: neighbours that resemble each other count for less), ``robust`` the median of all pairwise
    slopes. ``chance``: of such a slope where there is none. ``neighbours``: correlation of each value with the one
    before. ``curved``: whether a square term is needed, ``curve_chance`` its p; ``recent`` the slope of the last third.
    """

    start: float
    end: float
    n: int
    level: float
    slope: float
    lower: float
    upper: float
    robust: float
    chance: float
    sd: float
    neighbours: float
    effective: float
    curved: bool
    curve_chance: float
    recent: float

    @property
    def told(self) -> bool:
        """Whether the slope can be told from none at 99 %."""
        return self.chance < 0.01


def trend_of(cycle: FloatArray, values: FloatArray) -> Trend:
    """Return the trend of ``values`` (N,) against ``cycle`` (N,); NaN values are left out.

    Least squares (`statistics.regression`); Theil-Sen: the median of pairwise slopes (Sen, Journal of the American
    Statistical Association 63, 1968); effective number n (1 - r) / (1 + r) for a lag-1 correlation r above its own
    error (first-order autoregression: Zwiers and von Storch, Journal of Climate 8, 1995).

    Raises:
        DataError: fewer than `LEAST` values.
    """
    from scipy.special import stdtr, stdtrit

    known = np.isfinite(values)
    count = int(known.sum())
    if count < LEAST:
        raise DataError(f"a trend needs at least {LEAST} values; found {count}")
    series = binned(cycle[known], values[known], POINTS)
    t, y = series.cycle, series.mean[:, 0]
    line = straight_line(t, y)
    r = _neighbours(line.residuals)
    effective = t.size * (1.0 - r) / (1.0 + r) if r > 0.0 else float(t.size)
    dof = max(effective - 2.0, 1.0)
    error = line.slope_se * math.sqrt(line.dof / dof)
    half = float(stdtrit(dof, 0.5 + CONFIDENCE / 2)) * error
    chance = 2.0 * float(stdtr(dof, -abs(line.slope) / error)) if error > 0 else float(line.slope == 0.0)
    curve = _curve(t, y, dof)
    third = max(LEAST, t.size // 3)
    recent = straight_line(t[-third:], y[-third:]).slope if np.ptp(t[-third:]) > 0 else line.slope
    return Trend(
        float(t[0]), float(t[-1]), count, float(line.at(t[-1])), line.slope, line.slope - half, line.slope + half,
        _pairwise(t, y), chance, _sd(line.residual_sd, series.count.mean()), r, effective * count / t.size,
        curve < CURVED, curve, recent,
    )  # fmt: skip


def _sd(of_means: float, each: float) -> float:
    return of_means * math.sqrt(each)


def _neighbours(residuals: FloatArray) -> float:
    """Return the lag-1 correlation where it is above chance (one-sided 95 %), else 0."""
    if not np.ptp(residuals) > 0.0:
        return 0.0
    n = residuals.size
    r = autocorrelation(residuals) + 2.0 / n  # a fitted line takes about so much off
    return min(r, 0.95) if r > 1.645 / math.sqrt(n) else 0.0


def _curve(t: FloatArray, y: FloatArray, dof: float) -> float:
    """Return the chance of so strong a square term where the wear is straight."""
    from scipy.special import stdtr

    if t.size < 10:
        return 1.0
    fit = polynomial(t, y, 2)
    error = float(fit.standard_errors[2]) * math.sqrt(max(fit.df_residual / dof, 1.0))
    if not error > 0.0:
        return 1.0
    return 2.0 * float(stdtr(max(dof - 1.0, 1.0), -abs(float(fit.coefficients[2])) / error))


def _pairwise(t: FloatArray, y: FloatArray) -> float:
    i, j = np.triu_indices(t.size, 1)
    return float(np.median((y[j] - y[i]) / (t[j] - t[i])))
