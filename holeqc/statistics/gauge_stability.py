"""Does the gauge stay as it is? Check standard over time, scatter at three levels of time, and resolution.

A check standard is one part kept aside and read again and again; its chart tells whether the gauge has moved
(NIST/SEMATECH e-Handbook 2.2).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.statistics.constants import moving_range_relative_variance, range_moments
from holeqc.statistics.gauge_layout import FloatArray, IntArray, labels_to_codes, numbers
from holeqc.statistics.gauge_notes import detected_step
from holeqc.statistics.signals import BEYOND_LIMITS, SAME_SIDE, Signal, find_signals


@dataclass(frozen=True, slots=True)
class Stability:
    """Chart of a check standard: ``centre`` with limits at three ``sigma``; ``outside`` are occasions from 1.

    ``signals`` are occasions beyond the limits and nine in a row on one side of the centre (Nelson 1984).
    ``drift`` is the change from one occasion to the next by least squares, ``drift_p`` the chance of it if there were
    none. ``scatter_limit`` is what the standard deviation of one occasion's repeats seldom exceeds, ``scatter_outside``
    the points that do; ``repeatability`` is the pooled standard deviation of those repeats.
    """

    values: FloatArray
    centre: float
    sigma: float
    sigma_from: str
    lower_limit: float
    upper_limit: float
    outside: tuple[int, ...]
    signals: tuple[Signal, ...]
    drift: float | None
    drift_p: float | None
    standard_deviation: float
    degrees_of_freedom: int
    repeatability: float | None
    repeatability_freedom: int
    scatter_limit: float | None
    scatter_outside: tuple[int, ...]
    notes: tuple[str, ...]

    @property
    def stable(self) -> bool:
        """No signal, no scatter outside its limit, and no drift with a chance below 1 %."""
        return not self.signals and not self.scatter_outside and (self.drift_p is None or self.drift_p >= 0.01)


def pooled_deviation(standard_deviation: ArrayLike, freedom: ArrayLike) -> tuple[float, int]:
    """Return the pooled standard deviation and its degrees of freedom (NIST/SEMATECH e-Handbook 2.2.3).

    Raises:
        DataError: no degrees of freedom at all.
    """
    s = np.asarray(standard_deviation, dtype=np.float64).ravel()
    f = np.broadcast_to(np.asarray(freedom, dtype=np.float64), s.shape)
    if not f.sum() > 0:
        raise DataError("no degrees of freedom; each standard deviation needs at least two repeats")
    return float(np.sqrt(np.sum(s**2 * f) / f.sum())), int(f.sum())


def check_standard(
    value: ArrayLike,
    *,
    repeat_sd: ArrayLike | None = None,
    repeats: int | None = None,
    accepted: float | None = None,
    sigma_from: Literal["moving range", "overall"] = "moving range",
    chance: float = 0.05,
) -> Stability:
    """Chart the readings of a check standard in order of time.

    Args:
        value: reading, or mean of an occasion's repeats (n,); not-a-number is left out.
        repeat_sd: standard deviation of those repeats (n,), for the chart of the scatter.
        repeats: how many repeats each of them is from.
        accepted: known value of the standard; None takes the mean of the readings.
        sigma_from: from the mean moving range (sees slow drift as a signal), or from all readings.
        chance: how often a steady scatter may exceed its limit.

    Raises:
        DataError: fewer than three readings, or scatter without the number of repeats.

    Source: individuals chart, ISO 7870-2 / NIST/SEMATECH e-Handbook 6.3.2.2; limit of the scatter
    ``s * sqrt(F(1 - chance; J - 1, K(J - 1)))``, e-Handbook 2.2.3.
    """
    from scipy import stats

    every = numbers(value, "reading")
    x = every[np.isfinite(every)]
    if x.size < 3:
        raise DataError(f"{x.size} readings of the check standard; a chart needs at least 3, twenty say something")
    mean = float(x[0] + np.mean(x - x[0]))
    sd = float(np.std(x - x[0], ddof=1))
    if sigma_from == "overall":
        sigma = sd
    else:
        sigma = float(np.mean(np.abs(np.diff(x)))) / range_moments(2)[0]
    centre = mean if accepted is None else accepted
    low, high = centre - 3.0 * sigma, centre + 3.0 * sigma
    order = np.flatnonzero(np.isfinite(every)) + 1
    signals = _signals((x - centre) / sigma, order) if sigma > 0.0 else ()
    outside = tuple(sorted({k for s in signals if s.test == BEYOND_LIMITS for k in s.at}))
    slope, slope_p = None, None
    if x.size > 3 and sd > 0.0:
        fit = stats.linregress(order.astype(np.float64), x - mean)
        slope, slope_p = float(fit.slope), float(fit.pvalue)
    pooled, freedom, limit, wild = _scatter(repeat_sd, repeats, every.size, chance)
    notes = _stability_notes(x, every.size - x.size, sigma)
    return Stability(
        x, centre, sigma, sigma_from, low, high, outside, signals, slope, slope_p, sd, x.size - 1, pooled, freedom,
        limit, wild, notes,
    )  # fmt: skip


def _signals(z: FloatArray, occasion: IntArray) -> tuple[Signal, ...]:
    def numbered(points: tuple[int, ...]) -> tuple[int, ...]:
        return tuple(int(occasion[k - 1]) for k in points)

    found = find_signals(z, (BEYOND_LIMITS, SAME_SIDE))
    return tuple(replace(s, points=numbered(s.points), at=numbered(s.at)) for s in found)


def _scatter(
    repeat_sd: ArrayLike | None, repeats: int | None, count: int, chance: float
) -> tuple[float | None, int, float | None, tuple[int, ...]]:
    from scipy import stats

    if repeat_sd is None:
        return None, 0, None, ()
    s = numbers(repeat_sd, "standard deviation")
    if s.size != count:
        raise DataError(f"{count} readings but {s.size} standard deviations; give one a reading")
    if repeats is None or repeats < 2:
        raise DataError("say how many repeats each standard deviation is from; at least 2")
    known = np.isfinite(s)
    pooled, freedom = pooled_deviation(s[known], repeats - 1)
    limit = pooled * float(np.sqrt(stats.f.isf(chance, repeats - 1, freedom)))
    return pooled, freedom, limit, tuple(int(k) + 1 for k in np.flatnonzero(known & (np.nan_to_num(s) > limit)))


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


@dataclass(frozen=True, slots=True)
class TimeLevels:
    """Standard deviations at three levels of time, each with its degrees of freedom (0: not known, value None).

    ``repeats`` within an occasion, ``occasions`` between the occasions (days) of a run, ``runs`` between runs. The
    ``..._component`` values are what each level adds by itself; ``single`` is the standard deviation of one future
    reading of any one day.
    """

    repeats: float | None
    repeats_freedom: int
    occasions: float | None
    occasions_freedom: int
    runs: float | None
    runs_freedom: int
    occasions_component: float | None
    runs_component: float | None
    single: float | None


def time_levels(
    value: ArrayLike,
    group: ArrayLike,
    run: ArrayLike | None = None,
    *,
    repeat_sd: ArrayLike | None = None,
    repeats: int = 1,
) -> TimeLevels:
    """Return the scatter of a gauge within a day, from day to day, and from run to run.

    Args:
        value: mean of each occasion's repeats (n,).
        group: what was read (part or artifact, with the gauge if there are several) (n,); pooled over.
        run: label of the run (n,), a spell of weeks; None: one run.
        repeat_sd: standard deviation of each occasion's repeats (n,).
        repeats: number of repeats of each occasion.

    Raises:
        DataError: labels of another length, or no group with two occasions.

    Source: NIST/SEMATECH e-Handbook 2.4.3 and 2.4.4 (levels 1, 2, 3 and their pooling).
    """
    x = numbers(value, "reading")
    g, groups = labels_to_codes(group, "group", x.size)
    r, runs = (np.zeros(x.size, dtype=np.int64), ("1",)) if run is None else labels_to_codes(run, "run", x.size)
    use = np.isfinite(x)
    cell = (g * len(runs) + r)[use]
    x2, f2, means, counts = _within(x[use], cell, len(groups) * len(runs))
    if not f2:
        raise DataError("no part was read on two occasions of one run; levels of time can't be told")
    s2 = float(np.sqrt(x2 / f2))
    used = np.flatnonzero(counts)
    x3, f3, _, _ = _within(means[used], used // len(runs), len(groups))
    s3 = float(np.sqrt(x3 / f3)) if f3 else None
    s1, f1 = (None, 0)
    if repeat_sd is not None and repeats > 1:
        sds = numbers(repeat_sd, "standard deviation")
        s1, f1 = pooled_deviation(sds[np.isfinite(sds)], repeats - 1)
    occasions = float(np.mean(counts[used]))
    v_day = None if s1 is None else max(s2**2 - s1**2 / repeats, 0.0)
    v_run = None if s3 is None else max(s3**2 - s2**2 / occasions, 0.0)
    single = None if v_day is None or s1 is None else float(np.sqrt(s1**2 + v_day + (v_run or 0.0)))
    day, between = (None if v is None else float(np.sqrt(v)) for v in (v_day, v_run))
    return TimeLevels(s1, f1, s2, f2, s3, f3, day, between, single)


def _within(x: FloatArray, cell: IntArray, size: int) -> tuple[float, int, FloatArray, FloatArray]:
    counts = np.bincount(cell, minlength=size).astype(np.float64)
    means = np.zeros(size)
    used = counts > 0
    means[used] = x[0] + np.bincount(cell, weights=x - x[0], minlength=size)[used] / counts[used]
    return float(np.sum((x - means[cell]) ** 2)), int(x.size - used.sum()), means, counts


@dataclass(frozen=True, slots=True)
class Resolution:
    """Step of a gauge against the spread it should see.

    ``step`` as given or as found in the readings; ``standard_uncertainty`` is step / sqrt(12); ``steps_in_tolerance``
    and ``steps_in_spread`` (six standard deviations) say how many steps lie in either.
    """

    step: float | None
    found_in_readings: bool
    standard_uncertainty: float | None
    different_values: int
    steps_in_spread: float | None
    steps_in_tolerance: float | None
    fine_enough: bool | None
    notes: tuple[str, ...]


def resolution(
    value: ArrayLike, *, step: float | None = None, spread: float | None = None, tolerance: float | None = None
) -> Resolution:
    """Return whether the gauge's step is small against the spread of the parts and the tolerance.

    Args:
        value: readings (n,).
        step: smallest step of the gauge; None: looked for in the readings.
        spread: standard deviation of what is measured; None: of the readings.
        tolerance: upper minus lower limit.

    Raises:
        DataError: fewer than two readings, or a step or tolerance that isn't positive.

    Source: rectangular distribution of a digital step, JCGM 100:2008, F.2.2.1; ten steps in what is to be told apart:
    common practice, no source.
    """
    x = numbers(value, "reading")
    x = x[np.isfinite(x)]
    if x.size < 2:
        raise DataError(f"{x.size} readings; a step needs at least two")
    for name, given in (("step", step), ("tolerance", tolerance), ("spread", spread)):
        if given is not None and not 0.0 < given < np.inf:
            raise DataError(f"the {name} is {given}; give a size above zero")
    found = step is None
    used = detected_step(x) if step is None else step
    sd = float(np.std(x - x[0], ddof=1)) if spread is None else spread
    if used is None:
        return Resolution(
            None, False, None, int(np.unique(x).size), None, None, None,
            ("no common step was found in the readings; give the gauge's step",),
        )  # fmt: skip
    in_spread, in_tolerance = 6.0 * sd / used, None if tolerance is None else tolerance / used
    least = min(n for n in (in_spread, in_tolerance) if n is not None)
    notes = []
    if in_spread < 10.0:
        notes.append(f"the spread of six standard deviations is only {in_spread:.1f} steps of {used:.6g}")
    if in_tolerance is not None and in_tolerance < 10.0:
        notes.append(f"the tolerance is only {in_tolerance:.1f} steps of {used:.6g}")
    if notes:
        notes.append("ten steps are usual (common practice, no source)")
    return Resolution(
        used, found, used / float(np.sqrt(12.0)), int(np.unique(x).size), in_spread, in_tolerance, least >= 10.0,
        tuple(notes),
    )  # fmt: skip
