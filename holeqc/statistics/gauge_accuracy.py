"""Is the gauge right? Bias at one master, bias over the range (linearity), and differences between gauges.

A master is anything whose size is known much better than the gauge reads it: a ring, a block, a plug with a
certificate. Bias is the mean reading minus the master (ISO 22514-7; JCGM 200:2012, 2.18).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.statistics.gauge_intervals import check_confidence
from holeqc.statistics.gauge_layout import FloatArray, labels_to_codes, numbers
from holeqc.statistics.regression import straight_line


@dataclass(frozen=True, slots=True)
class Bias:
    """Bias at one master; ``interval`` is for the readings alone, ``p`` the chance of such a bias if there were none.

    ``significant`` says whether the bias is larger than its own uncertainty, the master's included (k as used).
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

    def correct(self, reading: ArrayLike) -> FloatArray:
        """Return readings with the bias of the line taken off, same shape and unit.

        Source: NIST/SEMATECH e-Handbook 2.3.6.7 (inverse of the calibration line).
        """
        corrected: FloatArray = (np.asarray(reading, dtype=np.float64) - self.intercept) / (1.0 + self.slope)
        return corrected


def bias(
    reading: ArrayLike, master: float, *, master_uncertainty: float = 0.0, confidence: float = 0.95
) -> Bias:
    """Return the bias of repeated readings of one master.

    Args:
        reading: readings of the master (n,); not-a-number for one not taken.
        master: its certified value, same unit.
        master_uncertainty: standard uncertainty of that value (its expanded uncertainty over k).
        confidence: two-sided level of the interval.

    Raises:
        DataError: no reading, or a master or uncertainty that is no number.

    Source: t interval for a mean (NIST/SEMATECH e-Handbook 1.3.5.2); the master's part after JCGM 100:2008, 5.1.2.
    """
    from scipy import stats

    values = numbers(reading, "reading")
    values = values[np.isfinite(values)]
    if not values.size:
        raise DataError("there is no reading of the master; read it at least twice, ten times if you can")
    if not np.isfinite(master):
        raise DataError(f"the master's value is {master}; give its certified size")
    if not 0.0 <= master_uncertainty < np.inf:
        raise DataError(f"the master's standard uncertainty is {master_uncertainty}; allowed: 0 or more")
    check_confidence(confidence)
    n = values.size
    offset = values - master
    mean = float(offset[0] + np.mean(offset - offset[0]))
    if n < 2:
        return Bias(master, n, master + mean, mean, None, None, None, None, None, None)
    sd = float(np.std(offset - offset[0], ddof=1))
    error = float(sd / np.sqrt(n))
    reach = float(stats.t.ppf(0.5 + 0.5 * confidence, n - 1))
    t = None if error == 0.0 else mean / error
    p = None if t is None else 2.0 * float(stats.t.sf(abs(t), n - 1))
    significant = abs(mean) > reach * float(np.hypot(error, master_uncertainty))
    return Bias(
        master, n, master + mean, mean, sd, error, (mean - reach * error, mean + reach * error), t, p,
        significant,
    )  # fmt: skip


def linearity(
    master: ArrayLike, reading: ArrayLike, *, master_uncertainty: float = 0.0, confidence: float = 0.95
) -> Linearity:
    """Return how the bias changes over the range of several masters.

    Args:
        master: certified value of what was read (n,).
        reading: the readings (n,), same unit; not-a-number for one not taken.
        master_uncertainty: standard uncertainty of the masters.
        confidence: two-sided level of intervals and band.

    Raises:
        DataError: lengths differ, fewer than two masters, or fewer than three readings.

    Source: NIST/SEMATECH e-Handbook 2.3.6.7 (line and its errors), 4.4.4.6 (lack of fit).
    """
    from scipy import stats

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
    t = float(stats.t.ppf(0.5 + 0.5 * check_confidence(confidence), line.dof))
    each = tuple(
        bias(y[place == k], float(v), master_uncertainty=master_uncertainty, confidence=confidence)
        for k, v in enumerate(levels)
    )
    half = line.half_width(levels, confidence, repeats=None)
    squares = rest**2 * line.dof
    explained = (float(off @ off) - squares) / 2.0
    return Linearity(
        intercept=line.intercept,
        slope=line.slope,
        intercept_error=line.intercept_se,
        slope_error=line.slope_se,
        slope_interval=(line.slope - t * line.slope_se, line.slope + t * line.slope_se),
        residual_sd=rest,
        slope_p=None if rest == 0.0 else 2.0 * float(stats.t.sf(abs(line.slope) / line.slope_se, line.dof)),
        bias_p=None if rest == 0.0 else float(stats.f.sf(explained / rest**2, 2, line.dof)),
        bend_p=_bend(off, place, levels.size, squares),
        levels=each,
        band=np.column_stack([line.at(levels) - half, line.at(levels) + half]),
        confidence=confidence,
        notes=_linearity_notes(levels, x.size, rest),
    )


def _bend(off: FloatArray, place: np.ndarray, levels: int, squares: float) -> float | None:
    from scipy import stats

    spare = off.size - levels
    if levels < 3 or spare < 1:
        return None
    mean = np.bincount(place, weights=off) / np.bincount(place)
    within = float(np.sum((off - mean[place]) ** 2))
    if within <= 0.0:
        return None
    return float(stats.f.sf(max(squares - within, 0.0) / (levels - 2) / (within / spare), levels - 2, spare))


def _linearity_notes(levels: FloatArray, readings: int, rest: float) -> tuple[str, ...]:
    notes = []
    if levels.size < 3:
        notes.append("two masters can't show whether the bias bends between them; take five over the range")
    if readings == levels.size:
        notes.append("one reading a master: a bend can't be told from scatter; read each master several times")
    if rest == 0.0:
        notes.append("the readings lie on the line exactly: the gauge's step hides its scatter")
    return tuple(notes)


@dataclass(frozen=True, slots=True)
class GaugeDifferences:
    """Mean of each gauge on each part minus the mean of all gauges on that part.

    ``difference`` (gauges, parts), ``mean`` (gauges,) over the parts with ``standard_error`` (gauges,) and ``p``
    (gauges,): the chance of such a mean difference if the gauge were like the others, not-a-number for one part.
    """

    gauges: tuple[str, ...]
    parts: tuple[str, ...]
    difference: FloatArray
    mean: FloatArray
    standard_error: FloatArray
    p: FloatArray


def gauge_differences(reading: ArrayLike, gauge: ArrayLike, part: ArrayLike) -> GaugeDifferences:
    """Return how much each gauge differs from the others, part by part.

    Args:
        reading: readings (n,), one unit.
        gauge: label of the gauge (n,).
        part: label of the part or artifact that was read (n,).

    Raises:
        DataError: one gauge only, or a gauge that didn't read every part.

    Source: NIST/SEMATECH e-Handbook 2.4.5.4 and 2.6.1 (differences among gauges).
    """
    from scipy import stats

    values = numbers(reading, "reading")
    g, gauges = labels_to_codes(gauge, "gauge", values.size)
    p, parts = labels_to_codes(part, "part", values.size)
    use = np.isfinite(values)
    size = len(gauges) * len(parts)
    cell = (g * len(parts) + p)[use]
    counts = np.bincount(cell, minlength=size).reshape(len(gauges), len(parts))
    if len(gauges) < 2:
        raise DataError("one gauge has nothing to differ from; give the readings of at least two")
    if not counts.all():
        k, j = np.argwhere(counts == 0)[0]
        raise DataError(f"gauge {gauges[k]} has no reading of part {parts[j]}; every gauge must read every part")
    base = float(values[use][0])
    means = np.bincount(cell, weights=values[use] - base, minlength=size).reshape(counts.shape) / counts
    difference = means - means.mean(axis=0)
    mean = difference.mean(axis=1)
    n = len(parts)
    error, p_value = np.full(len(gauges), np.nan), np.full(len(gauges), np.nan)
    if n > 1:
        error = difference.std(axis=1, ddof=1) / np.sqrt(n)
        some = error > 0.0
        p_value[some] = 2.0 * stats.t.sf(np.abs(mean[some]) / error[some], n - 1)
    return GaugeDifferences(gauges, parts, difference, mean, error, p_value)
