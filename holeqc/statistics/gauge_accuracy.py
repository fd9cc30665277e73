"""Is the gauge right, and does it stay so? Bias at one master and over the range (linearity), check standard.

A master is anything whose size is known much better than the gauge reads it: a ring, a block, a plug with a
certificate. Bias is the mean reading minus the master (ISO 22514-7; JCGM 200:2012, 2.18)."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.quantities import FloatArray, IntArray
from holeqc.statistics.basics import centred, product_sum
from holeqc.statistics.gauge_components import check_confidence, numbers
from holeqc.statistics.signals import BEYOND_LIMITS, SAME_SIDE, Signal, find_signals
from holeqc.statistics.subgroups import moving_range_relative_variance, range_moments


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line y = intercept + slope x with what its intervals need.

    ``x_mean`` and ``sxx`` are the mean of x and its sum of squares about it; ``n`` the number of points.
    """

    intercept: float
    slope: float
    intercept_se: float
    slope_se: float
    residual_sd: float
    residuals: FloatArray
    n: int
    x_mean: float
    y_mean: float
    sxx: float

    @property
    def dof(self) -> int:
        """Degrees of freedom of the residual standard deviation."""
        return self.n - 2

    def at(self, x: ArrayLike) -> FloatArray:
        """Return the line's height at ``x``, in y's unit and x's shape."""
        return np.asarray(self.y_mean + self.slope * (np.asarray(x, dtype=float) - self.x_mean))

    def half_width(self, x: ArrayLike, confidence: float) -> FloatArray:
        """Return half the width of the line's own confidence interval at ``x``, in y's unit and x's shape."""
        from scipy.special import stdtrit

        apart = (np.asarray(x, dtype=float) - self.x_mean) ** 2 / self.sxx
        t = float(stdtrit(self.dof, 0.5 + confidence / 2))
        return np.asarray(t * self.residual_sd * np.sqrt(1 / self.n + apart))


def straight_line(x: ArrayLike, y: ArrayLike) -> Line:
    """Fit a straight line to the points ``x``, ``y`` (n,) by least squares.

    Sums are taken about the means, so that digits are not lost to a long distance from zero. Raises ``DataError`` for
    fewer than three points, values that are not finite, or one x only.
    """
    t, v = np.asarray(x, dtype=float).ravel(), np.asarray(y, dtype=float).ravel()
    if t.size < 3:
        raise DataError(f"a line with its scatter needs at least 3 points; found {t.size}")
    if t.size != v.size:
        raise DataError(f"{t.size} values of x but {v.size} of y")
    if not (np.isfinite(t).all() and np.isfinite(v).all()):
        raise DataError("a line needs finite numbers; leave out rows with missing readings first")
    dx, x_mean = centred(t)
    dy, y_mean = centred(v)
    sxx = product_sum(dx, dx)
    if not sxx > 0:
        raise DataError("all x are the same: no line can be told")
    slope = product_sum(dx, dy) / sxx
    late = product_sum(dx, dy - slope * dx) / sxx  # what rounding left of the slope
    rest = (dy - slope * dx) - late * dx
    slope += late
    sd = math.sqrt(product_sum(rest, rest) / (t.size - 2))
    slope_se = sd / math.sqrt(sxx)
    intercept_se = sd * math.sqrt(1 / t.size + x_mean**2 / sxx)
    return Line(y_mean - slope * x_mean, slope, intercept_se, slope_se, sd, rest, t.size, x_mean, y_mean, sxx)


@dataclass(frozen=True, slots=True)
class Bias:
    """Bias at one master; ``interval`` is for the readings alone, ``p`` the chance of such a bias if there were none.

    ``significant`` says whether the bias is larger than its own uncertainty.
    """

    master: float
    readings: int
    mean: float
    bias: float
    standard_deviation: float | None
    standard_error: float | None
    interval: tuple[float, float] | None
    t: float | None
    p: float | None
    significant: bool | None


@dataclass(frozen=True, slots=True)
class Linearity:
    """Straight line of bias against the master: ``bias = intercept + slope * master``.

    ``levels`` holds the bias at each master; ``band`` (levels, 2) the confidence band of the line there. ``slope_p``
    is the chance of such a slope if the bias were the same everywhere, ``bias_p`` of such biases if there were none at
    all, ``bend_p`` of such a departure from the line if it were straight (None without repeats).
    """

    intercept: float
    slope: float
    intercept_error: float
    slope_error: float
    slope_interval: tuple[float, float]
    residual_sd: float
    slope_p: float | None
    bias_p: float | None
    bend_p: float | None
    levels: tuple[Bias, ...]
    band: FloatArray
    confidence: float
    notes: tuple[str, ...]

def bias(reading: ArrayLike, master: float, *, confidence: float = 0.95) -> Bias:
    """Return the bias of repeated readings of one master.

    Args:
        reading: readings of the master (n,); not-a-number for one not taken.
        master: its certified value, same unit.
        confidence: two-sided level of the interval.

    Raises:
        DataError: no reading, or a master that is not a number.

    Source: t interval for a mean (NIST/SEMATECH e-Handbook 1.3.5.2).
    """
    from scipy.special import stdtr, stdtrit

    values = numbers(reading, "reading")
    values = values[np.isfinite(values)]
    if not values.size:
        raise DataError("there is no reading of the master; read it at least twice, ten times if you can")
    if not np.isfinite(master):
        raise DataError(f"the master's value is {master}; give its certified size")
    check_confidence(confidence)
    n = values.size
    offset = values - master
    mean = float(offset[0] + np.mean(offset - offset[0]))
    if n < 2:
        return Bias(master, n, master + mean, mean, None, None, None, None, None, None)
    sd = float(np.std(offset - offset[0], ddof=1))
    error = float(sd / np.sqrt(n))
    reach = float(stdtrit(n - 1, 0.5 + 0.5 * confidence))
    t = None if error == 0.0 else mean / error
    p = None if t is None else 2.0 * float(stdtr(n - 1, -abs(t)))
    return Bias(
        master, n, master + mean, mean, sd, error, (mean - reach * error, mean + reach * error), t, p,
        abs(mean) > reach * error,
    )  # fmt: skip


def linearity(master: ArrayLike, reading: ArrayLike, *, confidence: float = 0.95) -> Linearity:
    """Return how the bias changes over the range of several masters.

    Args:
        master: certified value of what was read (n,).
        reading: the readings (n,), same unit; not-a-number for one not taken.
        confidence: two-sided level of intervals and band.

    Raises:
        DataError: lengths differ, fewer than two masters, or fewer than three readings.

    Source: NIST/SEMATECH e-Handbook 2.3.6.7 (line and its errors), 4.4.4.6 (lack of fit).
    """
    from scipy.special import fdtrc, stdtr, stdtrit

    x, y = numbers(master, "master"), numbers(reading, "reading")
    if x.size != y.size:
        raise DataError(f"{x.size} master values but {y.size} readings; give each reading its master")
    if np.isnan(x[np.isfinite(y)]).any():
        raise DataError("a reading has no master value; say which master each reading belongs to")
    x, y = x[np.isfinite(y)], y[np.isfinite(y)]
    levels, place = np.unique(x, return_inverse=True)
    if levels.size < 2 or x.size < 3:
        raise DataError(
            f"{x.size} readings of {levels.size} masters; linearity needs at least 3 readings and 2 masters "
            "(five masters over the range are better)"
        )
    off = y - x
    line = straight_line(x, off)
    rest = line.residual_sd
    t = float(stdtrit(line.dof, 0.5 + 0.5 * check_confidence(confidence)))
    half = line.half_width(levels, confidence)
    squares = rest**2 * line.dof
    explained = (float(off @ off) - squares) / 2.0
    return Linearity(
        intercept=line.intercept, slope=line.slope, intercept_error=line.intercept_se, slope_error=line.slope_se,
        slope_interval=(line.slope - t * line.slope_se, line.slope + t * line.slope_se), residual_sd=rest,
        slope_p=None if rest == 0.0 else 2.0 * float(stdtr(line.dof, -abs(line.slope) / line.slope_se)),
        bias_p=None if rest == 0.0 else float(fdtrc(2, line.dof, max(explained, 0.0) / rest**2)),
        bend_p=_bend(off, place, levels.size, squares),
        levels=tuple(bias(y[place == k], float(v), confidence=confidence) for k, v in enumerate(levels)),
        band=np.column_stack([line.at(levels) - half, line.at(levels) + half]), confidence=confidence,
        notes=_linearity_notes(levels, x.size, rest),
    )  # fmt: skip


def _bend(off: FloatArray, place: np.ndarray, levels: int, squares: float) -> float | None:
    from scipy.special import fdtrc

    spare = off.size - levels
    if levels < 3 or spare < 1:
        return None
    mean = np.bincount(place, weights=off) / np.bincount(place)
    within = float(np.sum((off - mean[place]) ** 2))
    if within <= 0.0:
        return None
    return float(fdtrc(levels - 2, spare, max(squares - within, 0.0) / (levels - 2) / (within / spare)))


def _linearity_notes(levels: FloatArray, readings: int, rest: float) -> tuple[str, ...]:
    notes = []
    if levels.size < 3:
        notes.append("two masters can't show whether the bias bends between them; take five over the range")
    if readings == levels.size:
        notes.append("one reading a master: a bend can't be told from scatter; read each master several times")
    if rest == 0.0:
        notes.append("the readings lie on the line exactly: the gauge's step hides its scatter")
    return tuple(notes)


# Does the gauge stay as it is? A check standard is one part kept aside and read again and again; its chart tells
# whether the gauge has moved (NIST/SEMATECH e-Handbook 2.2).


@dataclass(frozen=True, slots=True, kw_only=True)
class Stability:
    """Chart of a check standard: ``centre`` with limits at three ``sigma``; ``outside`` are occasions from 1.

    ``signals`` are occasions beyond the limits and nine in a row on one side of the centre (Nelson 1984).
    ``drift`` is the change from one occasion to the next by least squares, ``drift_p`` the chance of it if there were
    none. What belongs to the scatter of an occasion's repeats is empty: one reading an occasion is taken, and the names
    stay because the content of ``--json`` is stable.
    """

    values: FloatArray
    centre: float
    sigma: float
    sigma_from: str = "moving range"
    lower_limit: float
    upper_limit: float
    outside: tuple[int, ...]
    signals: tuple[Signal, ...]
    drift: float | None
    drift_p: float | None
    standard_deviation: float
    degrees_of_freedom: int
    repeatability: None = None
    repeatability_freedom: int = 0
    scatter_limit: None = None
    scatter_outside: tuple[int, ...] = ()
    notes: tuple[str, ...]

    @property
    def stable(self) -> bool:
        """No signal, and no drift with a chance below 1 %."""
        return not self.signals and (self.drift_p is None or self.drift_p >= 0.01)


def check_standard(value: ArrayLike) -> Stability:
    """Chart the readings ``value`` (n,) of a check standard in order of time; not-a-number is left out.

    Sigma is from the mean moving range, which sees slow drift as a signal. Raises ``DataError`` for fewer than three
    readings. Source: individuals chart, ISO 7870-2 / NIST/SEMATECH e-Handbook 6.3.2.2.
    """
    from scipy.special import stdtr

    every = numbers(value, "reading")
    x = every[np.isfinite(every)]
    if x.size < 3:
        raise DataError(f"{x.size} readings of the check standard; a chart needs at least 3, twenty say something")
    mean = float(x[0] + np.mean(x - x[0]))
    sd = float(np.std(x - x[0], ddof=1))
    sigma = float(np.mean(np.abs(np.diff(x)))) / range_moments(2)[0]
    order = np.flatnonzero(np.isfinite(every)) + 1
    signals = _signals((x - mean) / sigma, order) if sigma > 0.0 else ()
    outside = tuple(sorted({k for s in signals if s.test == BEYOND_LIMITS for k in s.at}))
    slope, slope_p = None, None
    if x.size > 3 and sd > 0.0:
        line = straight_line(order.astype(np.float64), x - mean)
        slope = line.slope
        slope_p = 2.0 * float(stdtr(line.dof, -abs(slope) / line.slope_se)) if line.slope_se > 0.0 else 0.0
    return Stability(
        values=x, centre=mean, sigma=sigma, lower_limit=mean - 3.0 * sigma, upper_limit=mean + 3.0 * sigma,
        outside=outside, signals=signals, drift=slope, drift_p=slope_p, standard_deviation=sd,
        degrees_of_freedom=x.size - 1, notes=_stability_notes(x, every.size - x.size, sigma),
    )  # fmt: skip


def _signals(z: FloatArray, occasion: IntArray) -> tuple[Signal, ...]:
    def numbered(points: tuple[int, ...]) -> tuple[int, ...]:
        return tuple(int(occasion[k - 1]) for k in points)

    found = find_signals(z, (BEYOND_LIMITS, SAME_SIDE))
    return tuple(replace(s, points=numbered(s.points), at=numbered(s.at)) for s in found)


def _stability_notes(x: FloatArray, missing: int, sigma: float) -> tuple[str, ...]:
    notes = []
    if missing:
        notes.append(f"{missing} occasions have no reading and are left out")
    if x.size < 20:
        # how far the limits themselves may be off, as one standard deviation of the mean moving range
        off = 100.0 * float(np.sqrt(moving_range_relative_variance(x.size - 1)))
        notes.append(f"{x.size} readings: the limits themselves may be off by {off:.0f} %; go on reading")
    if sigma == 0.0:
        notes.append("every reading is the same: the gauge's step hides any change smaller than it")
    return tuple(notes)

