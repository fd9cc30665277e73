"""Is the gauge right, does it stay so, and do people who answer in words agree?"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.quantities import FloatArray, IntArray
from holeqc.statistics.basics import centred, legendre, normal_density, product_sum
from holeqc.statistics.gauge_components import check_confidence, labels_to_codes, numbers
from holeqc.statistics.subgroups import (
    BEYOND_LIMITS,
    SAME_SIDE,
    Signal,
    find_signals,
    moving_range_relative_variance,
    range_moments,
)

# ----------------------------------------------------------------------------------------------------------------------
# Bias at one master and over the range (linearity), check standard.
#
# A master is anything whose size is known much better than the gauge reads it: a ring, a block, a plug with a
# certificate. Bias is the mean reading minus the master (ISO 22514-7; JCGM 200:2012, 2.18).

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


# ----------------------------------------------------------------------------------------------------------------------
# Do people who answer in words agree? Agreement with intervals, and kappa, which takes off agreement by luck.
#
# For ratings such as accept and reject, or GO and NO-GO, on parts that several appraisers look at several times without
# knowing which part it is.

@dataclass(frozen=True, slots=True)
class Proportion:
    """A count out of a number, with the exact interval (Clopper and Pearson, Biometrika 26, 1934)."""

    count: int
    of: int
    lower: float
    upper: float

    @property
    def share(self) -> float | None:
        """Count over number, None if the number is 0."""
        return self.count / self.of if self.of else None


@dataclass(frozen=True, slots=True)
class Kappa:
    """Agreement beyond luck: 1 is perfect, 0 is what chance gives; None where everything has one category.

    ``standard_error`` and the interval are for the agreement found; ``standard_error_null``, ``z`` and ``p``
    (one-sided) test whether there is any at all.
    """

    kappa: float | None
    observed: float
    by_chance: float
    standard_error: float | None = None
    lower: float | None = None
    upper: float | None = None
    standard_error_null: float | None = None
    z: float | None = None
    p: float | None = None
    method: str = ""


@dataclass(frozen=True, slots=True)
class Appraiser:
    """One appraiser: agreement with themself, agreement with the reference, and what was answered wrongly.

    ``wrong`` gives for each category of the reference how often the answer was another one.
    """

    name: str
    with_self: Proportion | None
    with_reference: Proportion | None
    kappa_reference: Kappa | None
    wrong: tuple[tuple[str, Proportion], ...]


@dataclass(frozen=True, slots=True)
class AttributeStudy:
    """Result of a study in words; ``categories`` in order of first appearance.

    ``all_agree`` counts parts on which every answer was the same, ``all_right`` those on which it also was the
    reference's. ``pairs`` holds Cohen's kappa of every two appraisers.
    """

    categories: tuple[str, ...]
    parts: int
    appraisers: tuple[Appraiser, ...]
    all_agree: Proportion
    all_right: Proportion | None
    kappa_all: Kappa
    kappa_categories: tuple[tuple[str, float | None], ...]
    pairs: tuple[tuple[str, str, Kappa], ...]
    confidence: float
    notes: tuple[str, ...]


def exact_proportion(count: int, of: int, confidence: float = 0.95) -> Proportion:
    """Return a count out of a number with its exact two-sided interval (Clopper and Pearson 1934).

    Raises:
        DataError: the count isn't between 0 and the number.
    """
    from scipy.special import betaincinv

    if not 0 <= count <= of:
        raise DataError(f"{count} out of {of}; the count must be from 0 to the number")
    alpha = 0.5 * (1.0 - check_confidence(confidence))
    low = 0.0 if count == 0 else float(betaincinv(count, of - count + 1, alpha))
    high = 1.0 if count == of else float(betaincinv(count + 1, of - count, 1.0 - alpha))
    return Proportion(int(count), int(of), low, high)


def cohen_kappa(table: ArrayLike, confidence: float = 0.95) -> Kappa:
    """Return Cohen's kappa of a square table of counts: rows one appraiser, columns the other.

    Raises:
        DataError: not a square table of counts, or empty.

    Source: Cohen, Educ. Psychol. Meas. 20 (1960); standard errors of Fleiss, Cohen and Everitt, Psychol. Bull. 72
    (1969), eq. 13 and 14.
    """
    from scipy.special import ndtr, ndtri

    n = np.asarray(table, dtype=np.float64)
    if n.ndim != 2 or n.shape[0] != n.shape[1] or np.any(n < 0) or not n.sum() > 0:
        raise DataError("kappa of two appraisers needs a square table of counts that isn't empty")
    total = float(n.sum())
    p = n / total
    row, column = p.sum(axis=1), p.sum(axis=0)
    observed, chance = float(np.trace(p)), float(row @ column)
    if chance >= 1.0:
        return Kappa(None, observed, chance)
    kappa = (observed - chance) / (1.0 - chance)
    both = row[:, None] + column[None, :]
    diagonal = np.diag(p)
    on = float(np.sum(diagonal * (1.0 - np.diag(both) * (1.0 - kappa)) ** 2))
    # of cell (i, j) the weights are the row share of category j and the column share of category i
    cross = (column[:, None] + row[None, :]) ** 2
    off = (1.0 - kappa) ** 2 * float(np.sum(p * cross) - np.sum(diagonal * np.diag(cross)))
    spread = on + off - (kappa - chance * (1.0 - kappa)) ** 2
    error = float(np.sqrt(max(spread, 0.0) / total)) / (1.0 - chance)
    null = chance + chance**2 - float(np.sum(row * column * (row + column)))
    error_null = float(np.sqrt(max(null, 0.0) / total)) / (1.0 - chance)
    z = kappa / error_null if error_null > 0.0 else None
    reach = float(ndtri(0.5 + 0.5 * check_confidence(confidence)))
    return Kappa(
        kappa, observed, chance, error, max(kappa - reach * error, -1.0), min(kappa + reach * error, 1.0), error_null,
        z, None if z is None else float(ndtr(-z)), "Fleiss, Cohen and Everitt 1969",
    )  # fmt: skip


def fleiss_kappa(counts: ArrayLike, confidence: float = 0.95) -> Kappa:
    """Return Fleiss' kappa of ratings by any number of appraisers.

    Args:
        counts: how many ratings of each category a part has (parts, categories); every part has the same number.
        confidence: two-sided level of the interval, which is by the jackknife over the parts (Fleiss and Davies,
            Commun. Statist. Simul. Comput. 11, 1982).

    Raises:
        DataError: fewer than two ratings a part, or parts with differing numbers of them.

    Source: Fleiss, Psychol. Bull. 76 (1971), eq. 5 to 7; standard error without agreement of Fleiss, Nee and Landis,
    Psychol. Bull. 86 (1979), eq. 12.
    """
    from scipy.special import ndtr, stdtrit

    n, m = _checked_counts(counts)
    parts = n.shape[0]
    agree = (np.sum(n**2, axis=1) - m) / (m * (m - 1.0))
    share = n.sum(axis=0) / (parts * m)
    observed, chance = float(agree.mean()), float(share @ share)
    if chance >= 1.0:
        return Kappa(None, observed, chance)
    kappa = (observed - chance) / (1.0 - chance)
    q = 1.0 - share
    mixed = float(share @ q)
    null = mixed**2 - float(np.sum(share * q * (q - share)))
    error_null = float(np.sqrt(2.0 * max(null, 0.0) / (parts * m * (m - 1.0)))) / mixed
    z = kappa / error_null if error_null > 0.0 else None
    error = low = high = None
    if parts > 2:
        # leave out one part at a time: what is left still has its own mean agreement and shares
        others = (n.sum(axis=0) - n) / ((parts - 1.0) * m)
        found, luck = (agree.sum() - agree) / (parts - 1.0), np.sum(others**2, axis=1)
        if np.all(luck < 1.0):
            pseudo = parts * kappa - (parts - 1.0) * (found - luck) / (1.0 - luck)
            error = float(pseudo.std(ddof=1) / np.sqrt(parts))
            reach = float(stdtrit(parts - 1, 0.5 + 0.5 * check_confidence(confidence)))
            low, high = max(kappa - reach * error, -1.0), min(kappa + reach * error, 1.0)
    p = None if z is None else float(ndtr(-z))
    method = "" if error is None else "jackknife over the parts"
    return Kappa(kappa, observed, chance, error, low, high, error_null, z, p, method)


def fleiss_kappa_by_category(counts: ArrayLike) -> FloatArray:
    """Return Fleiss' kappa of each category against all others (categories,); not-a-number for one never used.

    Source: Fleiss (1971), eq. 20; Fleiss, Nee and Landis (1979), eq. 1.
    """
    n, m = _checked_counts(counts)
    share = n.sum(axis=0) / n.sum()
    q = 1.0 - share
    out = np.full(n.shape[1], np.nan)
    some = (share > 0.0) & (q > 0.0)
    split = np.sum(n * (m - n), axis=0)
    out[some] = 1.0 - split[some] / (n.shape[0] * m * (m - 1.0) * share[some] * q[some])
    return out


def _checked_counts(counts: ArrayLike) -> tuple[FloatArray, float]:
    n = np.asarray(counts, dtype=np.float64)
    if n.ndim != 2 or not n.size or np.any(n < 0):
        raise DataError("kappa needs a table of counts: one row a part, one column a category")
    ratings = n.sum(axis=1)
    if ratings.min() != ratings.max():
        raise DataError(f"parts have from {ratings.min():g} to {ratings.max():g} ratings; give every part as many")
    if ratings[0] < 2:
        raise DataError("one rating a part: agreement needs at least two")
    return n, float(ratings[0])


def attribute_study(
    part: ArrayLike, appraiser: ArrayLike, rating: ArrayLike, reference: ArrayLike | None = None,
    *, confidence: float = 0.95,
) -> AttributeStudy:  # fmt: skip
    """Return how well appraisers who answer in words agree with themselves, with each other and with the truth.

    Args:
        part: label of the part (n,).
        appraiser: who answered (n,).
        rating: the answer, a word (n,); capitals and outer spaces don't count.
        reference: the right answer for the part (n,), the same for all rows of a part.
        confidence: two-sided level of the intervals.

    Raises:
        DataError: labels of another length or blank, a part with two references, or appraisers who didn't all look at
            every part equally often.
    """
    check_confidence(confidence)
    words = np.char.lower(np.char.strip(np.asarray(rating, dtype=object).ravel().astype(str)))
    p, parts = labels_to_codes(part, "part", words.size)
    a, people = labels_to_codes(appraiser, "appraiser", words.size)
    truth_words = words[:0]
    if reference is not None:
        truth_words = np.char.lower(np.char.strip(np.asarray(reference, dtype=object).ravel().astype(str)))
        labels_to_codes(reference, "reference", words.size)
    labels_to_codes(rating, "answer", words.size)
    codes, categories = labels_to_codes(np.concatenate([words, truth_words]), "answer", words.size + truth_words.size)
    grid = _grid(p, a, codes[: words.size], len(parts), len(people), parts, people)
    truth = None if reference is None else _truth(p, codes[words.size :], parts)
    counts = _count(grid.reshape(len(parts), -1), len(categories))
    same = (counts.max(axis=1) == counts.sum(axis=1)).sum()
    right = None
    if truth is not None:
        right = exact_proportion(int(np.all(grid == truth[:, None, None], axis=(1, 2)).sum()), len(parts), confidence)
    by_category = fleiss_kappa_by_category(counts) if counts.sum(axis=1)[0] > 1 else np.full(len(categories), np.nan)
    return AttributeStudy(
        categories,
        len(parts),
        tuple(_appraiser(grid[:, k], name, truth, categories, confidence) for k, name in enumerate(people)),
        exact_proportion(int(same), len(parts), confidence),
        right,
        fleiss_kappa(counts, confidence) if counts.sum(axis=1)[0] > 1 else Kappa(None, 1.0, 1.0),
        tuple((c, float(k) if np.isfinite(k) else None) for c, k in zip(categories, by_category, strict=True)),
        tuple(
            (people[i], people[j], cohen_kappa(_cross(grid[:, i], grid[:, j], len(categories)), confidence))
            for i in range(len(people))
            for j in range(i + 1, len(people))
        ),
        confidence,
        _attribute_notes(grid, truth, len(categories)),
    )


def _grid(
    part: IntArray, appraiser: IntArray, codes: IntArray, parts: int, people: int,
    part_names: tuple[str, ...], names: tuple[str, ...],
) -> IntArray:  # fmt: skip
    counts = np.bincount(part * people + appraiser, minlength=parts * people)
    trials = int(counts.max())
    if counts.min() != trials:
        worst = int(np.argmin(counts))
        raise DataError(
            f"part {part_names[worst // people]} has {counts[worst]} answers by {names[worst % people]}, others have "
            f"{trials}; every appraiser must look at every part equally often"
        )
    order = np.argsort(part * people + appraiser, kind="stable")
    return codes[order].reshape(parts, people, trials)


def _truth(part: IntArray, codes: IntArray, names: tuple[str, ...]) -> IntArray:
    truth = np.zeros(len(names), dtype=np.int64)
    truth[part] = codes
    differs = np.flatnonzero(truth[part] != codes)
    if differs.size:
        raise DataError(f"part {names[part[differs[0]]]} has two different references; a part has one right answer")
    return truth


def _count(ratings: IntArray, categories: int) -> IntArray:
    parts = ratings.shape[0]
    flat = ratings + categories * np.arange(parts)[:, None]
    return np.bincount(flat.ravel(), minlength=parts * categories).reshape(parts, categories)


def _cross(one: IntArray, other: IntArray, categories: int) -> IntArray:
    flat = (one * categories + other).ravel()
    return np.bincount(flat, minlength=categories**2).reshape(categories, categories)


def _appraiser(
    ratings: IntArray, name: str, truth: IntArray | None, categories: tuple[str, ...], confidence: float
) -> Appraiser:
    parts, trials = ratings.shape
    steady = np.all(ratings == ratings[:, :1], axis=1)
    with_self = exact_proportion(int(steady.sum()), parts, confidence) if trials > 1 else None
    if truth is None:
        return Appraiser(name, with_self, None, None, ())
    right = exact_proportion(int((steady & (ratings[:, 0] == truth)).sum()), parts, confidence)
    table = _cross(np.repeat(truth[:, None], trials, axis=1), ratings, len(categories))
    wrong = tuple(
        (c, exact_proportion(int(table[k].sum() - table[k, k]), int(table[k].sum()), confidence))
        for k, c in enumerate(categories)
        if table[k].sum()
    )
    return Appraiser(name, with_self, right, cohen_kappa(table, confidence), wrong)


def _attribute_notes(grid: IntArray, truth: IntArray | None, categories: int) -> tuple[str, ...]:
    notes = []
    parts, people, trials = grid.shape
    if categories < 2:
        notes.append("every answer is the same: kappa has no meaning; the parts must include good and bad ones")
    elif truth is not None and np.unique(truth).size < 2:
        notes.append("every part has the same right answer: nothing is told about the other kind of mistake")
    if people * trials < 2:
        notes.append("one answer a part: there is nothing to agree with")
    if trials > 1:
        notes.append(
            "repeats on a part are not independent; intervals that count single answers (wrong answers, kappa with the "
            "reference) are somewhat too narrow"
        )
    if parts < 20:
        notes.append(f"{parts} parts give wide intervals; take thirty or more, a third of them near the limits")
    return tuple(notes)


# GO and NO-GO plugs near the limit: how often the answer is wrong.
#
# A plug enters a hole that is larger than the plug; near its size it sometimes does and sometimes doesn't. The chance
# that it enters, against hole size, is a curve that is either fitted to trials on holes of known size, or predicted
# from the size of the plug and the standard uncertainty of the comparison. From it follow the chances to refuse a good
# hole and to let a bad one pass (the consumer's and producer's risks of JCGM 106:2012, clause 9).


Link = Literal["logit", "probit"]
NODES = 400  #: Gauss-Legendre points a piece when risks are summed over a process


@dataclass(frozen=True, slots=True)
class Curve:
    """Chance that a plug enters: ``F((size - centre) / width)``, F normal (probit) or logistic (logit).

    ``width`` 0 is a sharp step: enters if the hole is at least as large as ``centre``.
    """

    centre: float
    width: float
    link: Link = "probit"

    def enters(self, size: ArrayLike) -> FloatArray:
        """Return the chance that the plug enters holes of the sizes given, same shape."""
        from scipy import special

        x = np.asarray(size, dtype=np.float64)
        if self.width == 0.0:
            return np.where(x >= self.centre, 1.0, 0.0)
        z = (x - self.centre) / self.width
        chance: FloatArray = special.ndtr(z) if self.link == "probit" else special.expit(z)
        return chance

    def size_at(self, chance: ArrayLike) -> FloatArray:
        """Return the hole size at which the plug enters with the chance given, same shape."""
        from scipy import special

        c = np.asarray(chance, dtype=np.float64)
        z = special.ndtri(c) if self.link == "probit" else special.logit(c)
        size: FloatArray = self.centre + self.width * z
        return size


@dataclass(frozen=True, slots=True)
class ResponseFit:
    """A curve fitted to trials: ``link(chance) = intercept + slope * size``.

    ``separated``: every hole above some size let the plug in and none below; then the change lies somewhere in
    ``between``, and no curve can be fitted (``curve`` is a step in the middle, errors are None). ``centre_interval`` is
    the Fieller interval of the size entered every second time, None where the slope isn't clear.
    """

    curve: Curve
    intercept: float | None
    slope: float | None
    intercept_error: float | None
    slope_error: float | None
    covariance: float | None
    deviance: float | None
    deviance_freedom: int
    deviance_p: float | None
    separated: bool
    between: tuple[float, float]
    centre_interval: tuple[float, float] | None
    sizes: FloatArray
    entered: FloatArray
    trials: FloatArray
    confidence: float
    notes: tuple[str, ...]

    def band(self, size: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return lower and upper bound of the chance at each size, by the line's standard error (Wald).

        Raises:
            DataError: the trials are separated, so that there is no line.
        """
        from scipy import special

        if self.slope is None or self.intercept is None or self.covariance is None:
            raise DataError("the trials change from never to always at once: there is no band; try sizes in between")
        x = np.asarray(size, dtype=np.float64)
        eta = self.intercept + self.slope * x
        spread = (self.intercept_error or 0.0) ** 2 + 2 * x * self.covariance + (x * (self.slope_error or 0.0)) ** 2
        reach = special.ndtri(0.5 + 0.5 * self.confidence) * np.sqrt(np.maximum(spread, 0.0))
        back = special.ndtr if self.curve.link == "probit" else special.expit
        return back(eta - reach), back(eta + reach)


def fit_response(
    size: ArrayLike, entered: ArrayLike, trials: ArrayLike | None = None, *, link: Link = "logit",
    confidence: float = 0.95,
) -> ResponseFit:  # fmt: skip
    """Fit the chance that a plug enters to trials on holes of known size, by maximum likelihood.

    Args:
        size: known size of the hole (n,).
        entered: how many of the trials the plug entered (n,).
        trials: number of trials (n,); None: one each.
        link: ``logit`` or ``probit``.
        confidence: two-sided level.

    Raises:
        DataError: counts that can't be, fewer than two sizes, or a plug that always or never entered.

    Source: McCullagh and Nelder, Generalized Linear Models (1989), sec. 2.5 and 4.4; Fieller interval as in Finney,
    Probit Analysis (1971), ch. 4; no finite fit where the answers are separated: Albert and Anderson, Biometrika 71
    (1984).
    """
    x, k, n = _checked(size, entered, trials)
    if link not in {"logit", "probit"}:
        raise DataError(f"there is no link {link!r}; allowed: logit, probit")
    check_confidence(confidence)
    refused, let_in = x[k < n], x[k > 0]
    between = (float(refused.max()), float(let_in.min()))
    if between[0] <= between[1]:
        middle = Curve(0.5 * (between[0] + between[1]), 0.0, link)
        note = (
            f"holes below {between[1]:.6g} always refused the plug and holes above {between[0]:.6g} always let it in: "
            "the change is too sharp to be fitted; try holes of sizes in between, several times each"
        )
        return ResponseFit(
            middle, None, None, None, None, None, None, 0, None, True, between, None, x, k, n, confidence, (note,)
        )
    if float(let_in.max()) <= float(refused.min()):
        raise DataError("smaller holes let the plug in and larger ones didn't; check sizes and answers")
    beta, cov, deviance, middle_x, scale = _maximum_likelihood(x, k, n, link)
    slope = beta[1] / scale
    intercept = beta[0] - slope * middle_x
    slope_error = float(np.sqrt(cov[1, 1])) / scale
    # back from the centred, scaled size to the size itself
    shift = middle_x / scale
    intercept_var = cov[0, 0] - 2 * shift * cov[0, 1] + shift**2 * cov[1, 1]
    covariance = (cov[0, 1] - shift * cov[1, 1]) / scale
    freedom = int(np.unique(x).size) - 2
    notes = [] if slope > 0 else ["the plug enters smaller holes more often than larger ones; check the answers"]
    return ResponseFit(
        curve=Curve(-intercept / slope, 1.0 / slope, link) if slope > 0 else Curve(float(x.mean()), 0.0, link),
        intercept=float(intercept), slope=float(slope), intercept_error=float(np.sqrt(intercept_var)),
        slope_error=slope_error, covariance=float(covariance), deviance=deviance, deviance_freedom=freedom,
        deviance_p=_goodness(deviance, freedom, n), separated=False,
        between=(float(let_in.min()), float(refused.max())),
        centre_interval=_fieller(beta, cov, confidence, middle_x, scale), sizes=x, entered=k, trials=n,
        confidence=confidence, notes=tuple(notes),
    )  # fmt: skip


def _checked(
    size: ArrayLike, entered: ArrayLike, trials: ArrayLike | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    x, k = numbers(size, "size"), numbers(entered, "count")
    n = np.ones_like(k) if trials is None else numbers(trials, "number of trials")
    if not x.size == k.size == n.size:
        raise DataError(f"{x.size} sizes, {k.size} counts, {n.size} numbers of trials; give one of each a hole")
    use = np.isfinite(x) & np.isfinite(k) & np.isfinite(n) & (n > 0)
    x, k, n = x[use], k[use], n[use]
    if np.any((k < 0) | (k > n)):
        raise DataError("a plug entered more often than it was tried, or less than never")
    if np.unique(x).size < 2:
        raise DataError("a curve needs holes of at least two sizes; take eight or more around the limit")
    if k.sum() == 0 or k.sum() == n.sum():
        word = "never" if k.sum() == 0 else "always"
        raise DataError(f"the plug {word} entered; try holes on both sides of its size")
    return x, k, n


def _maximum_likelihood(
    x: FloatArray, k: FloatArray, n: FloatArray, link: Link
) -> tuple[FloatArray, FloatArray, float, float, float]:
    from scipy import special

    middle, scale = float(np.average(x, weights=n)), float(np.ptp(x)) / 2.0
    design = np.column_stack([np.ones_like(x), (x - middle) / scale])
    eta = special.logit((k + 0.5) / (n + 1.0))
    if link == "probit":
        eta = special.ndtri((k + 0.5) / (n + 1.0))
    last = np.inf
    for _ in range(100):
        p = np.clip(special.expit(eta) if link == "logit" else special.ndtr(eta), 1e-15, 1 - 1e-15)
        steep = p * (1 - p) if link == "logit" else np.maximum(normal_density(eta), 1e-300)
        weight = n * steep**2 / (p * (1 - p))
        working = eta + (k / n - p) / steep
        information = design.T @ (weight[:, None] * design)
        beta = np.linalg.solve(information, design.T @ (weight * working))
        eta = np.clip(design @ beta, -30.0, 30.0)
        p = np.clip(special.expit(eta) if link == "logit" else special.ndtr(eta), 1e-15, 1 - 1e-15)
        deviance = 2.0 * float(np.sum(special.xlogy(k, k / (n * p)) + special.xlogy(n - k, (n - k) / (n * (1 - p)))))
        if abs(deviance - last) < 1e-13 * (1.0 + abs(deviance)):
            break
        last = deviance
    steep = p * (1 - p) if link == "logit" else np.maximum(normal_density(eta), 1e-300)
    information = design.T @ ((n * steep**2 / (p * (1 - p)))[:, None] * design)
    return beta, np.linalg.inv(information), deviance, middle, scale


def _goodness(deviance: float, freedom: int, trials: FloatArray) -> float | None:
    """Chance of a deviance this large if the curve is right; only for grouped trials, where it has that meaning."""
    from scipy.special import chdtrc

    return float(chdtrc(freedom, deviance)) if freedom > 0 and trials.min() >= 5 else None


def _fieller(
    beta: FloatArray, cov: FloatArray, confidence: float, middle: float, scale: float
) -> tuple[float, float] | None:
    from scipy import special

    z2 = float(special.ndtri(0.5 + 0.5 * confidence)) ** 2
    a = beta[1] ** 2 - z2 * cov[1, 1]
    b = beta[0] * beta[1] - z2 * cov[0, 1]
    c = beta[0] ** 2 - z2 * cov[0, 0]
    if a <= 0.0 or beta[1] <= 0.0:
        return None
    root = float(np.sqrt(max(b * b - a * c, 0.0)))
    return middle + scale * (-b - root) / a, middle + scale * (-b + root) / a


def plug_curve(plug: float, standard_uncertainty: float, *, needs: float = 0.0, maker_band: float = 0.0) -> Curve:
    """Predict the curve of a plug from its size and what blurs the comparison.

    Args:
        plug: size of the plug: as calibrated, or the middle of its maker's limits.
        standard_uncertainty: of the comparison of plug and hole (plug's calibration, temperature, feel, form), 1 s.
        needs: clearance that the plug needs to enter by hand.
        maker_band: width of the maker's limits if the plug's own size isn't known; taken as rectangular.

    Raises:
        DataError: an uncertainty or band below zero.

    Source: rectangular limits, JCGM 100:2008, 4.3.7; the comparison itself is taken as normal.
    """
    if not (standard_uncertainty >= 0.0 and maker_band >= 0.0 and np.isfinite(plug + needs)):
        raise DataError("the plug's uncertainty and its maker's band must be 0 or more, its size a number")
    return Curve(plug + needs, float(np.hypot(standard_uncertainty, maker_band / np.sqrt(12.0))), "probit")


@dataclass(frozen=True, slots=True)
class WrongAnswers:
    """Chances for holes of each size (n,): accepted (GO enters and NO-GO doesn't), and each wrong answer.

    ``good_refused`` is not zero only for sizes inside the limits, ``bad_accepted`` only outside.
    """

    size: FloatArray
    accepted: FloatArray
    good_refused: FloatArray
    bad_accepted: FloatArray


@dataclass(frozen=True, slots=True)
class GaugeRisk:
    """Shares of a whole process: good holes refused, bad holes accepted, and holes outside the limits at all."""

    good_refused: float
    bad_accepted: float
    outside: float


def wrong_answers(
    size: ArrayLike, lower: float | None, upper: float | None, go: Curve | None, no_go: Curve | None
) -> WrongAnswers:
    """Return the chance of each wrong answer for holes of the sizes given.

    Args:
        size: true sizes of holes (n,).
        lower: lower limit, checked by the GO plug.
        upper: upper limit, checked by the NO-GO plug.
        go: curve of the GO plug; None: not used.
        no_go: curve of the NO-GO plug; None: not used.

    Raises:
        DataError: no plug, a plug without its limit, or limits upside down.
    """
    _check_plugs(lower, upper, go, no_go)
    x = np.asarray(size, dtype=np.float64).ravel()
    accepted = np.ones_like(x)
    if go is not None:
        accepted = accepted * go.enters(x)
    if no_go is not None:
        # a hole exactly as large as the plug doesn't take it: NO-GO at the upper limit must not refuse the limit
        entered = np.where(x > no_go.centre, 1.0, 0.0) if no_go.width == 0.0 else no_go.enters(x)
        accepted = accepted * (1.0 - entered)
    good = (x >= (-np.inf if lower is None else lower)) & (x <= (np.inf if upper is None else upper))
    return WrongAnswers(x, accepted, np.where(good, 1.0 - accepted, 0.0), np.where(good, 0.0, accepted))


def _check_plugs(lower: float | None, upper: float | None, go: Curve | None, no_go: Curve | None) -> None:
    if go is None and no_go is None:
        raise DataError("no plug is given; give a GO plug, a NO-GO plug or both")
    if (go is not None and lower is None) or (no_go is not None and upper is None):
        raise DataError("GO checks the lower limit and NO-GO the upper one; give the limit of each plug used")
    if lower is not None and upper is not None and not lower < upper:
        raise DataError(f"the limits are upside down: lower {lower}, upper {upper}")


def process_risk(
    mean: float, standard_deviation: float, lower: float | None, upper: float | None, go: Curve | None,
    no_go: Curve | None,
) -> GaugeRisk:  # fmt: skip
    """Return the shares of wrong answers when holes come from a normal process.

    Args:
        mean: mean size of the holes.
        standard_deviation: of their true sizes.
        lower: lower limit.
        upper: upper limit.
        go: curve of the GO plug.
        no_go: curve of the NO-GO plug.

    Raises:
        DataError: as `wrong_answers`, or a standard deviation that isn't positive.

    Source: global consumer's and producer's risk, JCGM 106:2012, 9.5, by Gauss-Legendre quadrature between the limits
    and the plugs' sizes.
    """
    from scipy import special

    _check_plugs(lower, upper, go, no_go)
    if not 0.0 < standard_deviation < np.inf:
        raise DataError(f"the standard deviation of the holes is {standard_deviation}; give a size above zero")
    ends = [mean - 9.0 * standard_deviation, mean + 9.0 * standard_deviation]
    bends = [v for v in (lower, upper) if v is not None]
    for curve in (go, no_go):
        if curve is not None:
            bends += [curve.centre + w * curve.width for w in (-8.0, -3.0, 0.0, 3.0, 8.0)]
    grid = np.unique(np.clip(np.array(ends + bends), ends[0], ends[1]))
    node, weight = legendre(NODES)
    half = 0.5 * np.diff(grid)
    x = (grid[:-1] + half)[:, None] + half[:, None] * node
    mass = half[:, None] * weight * normal_density((x - mean) / standard_deviation) / standard_deviation
    answer = wrong_answers(x.ravel(), lower, upper, go, no_go)
    below = 0.0 if lower is None else float(special.ndtr((lower - mean) / standard_deviation))
    above = 0.0 if upper is None else float(special.ndtr((mean - upper) / standard_deviation))
    return GaugeRisk(
        float(mass.ravel() @ answer.good_refused), float(mass.ravel() @ answer.bad_accepted), below + above
    )
