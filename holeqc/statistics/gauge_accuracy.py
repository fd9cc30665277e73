"""Is the gauge right? Bias at one master, bias over the range (linearity), and differences between gauges.

A master is anything whose size is known much better than the gauge reads it: a ring, a block, a plug with a
certificate. Bias is the mean reading minus the master (ISO 22514-7; JCGM 200:2012, 2.18)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.statistics import basics as dd
from holeqc.statistics.basics import product_sum
from holeqc.statistics.gauge_components import IntArray, check_confidence, labels_to_codes, numbers
from holeqc.statistics.gauge_study import detected_step
from holeqc.statistics.signals import BEYOND_LIMITS, SAME_SIDE, Signal, find_signals
from holeqc.statistics.subgroups import moving_range_relative_variance, range_moments

# Least squares for lines, polynomials and several columns, and the reading of a line backwards.
#
# Columns are centred and scaled first and turned into an orthogonal basis, so that digits are not lost to a long
# distance from zero; the solution is refined with residuals that are worked out with twice the digits.


FloatArray = NDArray[np.float64]

REFINEMENTS = 3  #: after the third the coefficients of NIST's hardest sets move no more


@dataclass(frozen=True, slots=True)
class Fit:
    """A least-squares fit: coefficients with standard errors, and the analysis of variance.

    ``coefficients`` (p,) begin with the constant term when there is one; ``residuals`` (n,) are observed minus
    fitted; ``total`` is the sum of squares about the mean, or about zero without a constant term.
    """

    coefficients: FloatArray
    standard_errors: FloatArray
    residuals: FloatArray
    residual_sd: float
    r_squared: float
    df_regression: int
    df_residual: int
    ss_regression: float
    ss_residual: float
    f: float | None


def _orthogonal(columns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (q, r) with orthonormal columns; the second pass makes them orthogonal to the last digit."""
    q, r = np.linalg.qr(columns)
    q2, r2 = np.linalg.qr(q)
    return q2, r2 @ r


def _residuals(columns: list[dd.Pair], beta: list[tuple[float, float]], y: FloatArray) -> FloatArray:
    """Return y minus the columns times their coefficients, all in pairs, rounded once at the end."""
    left: dd.Pair = (y, np.zeros_like(y))
    for column, (high, low) in zip(columns, beta, strict=True):
        pair = (np.array([-high]), np.array([-low]))
        left = dd.add(left, dd.multiply(column, pair))
    return left[0] + left[1]


def _refined(
    columns: list[dd.Pair], y: FloatArray, solve: Callable[[FloatArray], FloatArray]
) -> tuple[list[tuple[float, float]], FloatArray]:
    """Return (coefficients as pairs, residuals): solve, then solve again for what is left."""
    beta = [(0.0, 0.0)] * len(columns)
    left = y
    for _ in range(REFINEMENTS):
        step = solve(left)
        for k, value in enumerate(step.tolist()):
            (s,), (e,) = dd.two_sum(np.array([beta[k][0]]), np.array([value]))
            beta[k] = (float(s), float(e) + beta[k][1])
        left = _residuals(columns, beta, y)
    return beta, left


def _summary(beta: FloatArray, cofactor: FloatArray, c: FloatArray, rest: FloatArray, constant: bool) -> Fit:
    n, p = rest.size, beta.size
    dfr = n - p
    sse = dd.dot(rest, rest)
    explained = dd.dot(c, c)
    s2 = sse / dfr if dfr else math.nan
    total = explained + sse
    dfm = p - 1 if constant else p
    f = None
    if dfr and dfm and sse > 0:
        f = explained / dfm / s2
    return Fit(
        beta,
        np.sqrt(cofactor * s2) if dfr else np.full(p, math.nan),
        rest,
        math.sqrt(s2) if dfr else math.nan,
        explained / total if total else 1.0,
        dfm,
        dfr,
        explained,
        sse,
        f,
    )


def _check(x: FloatArray, y: FloatArray, p: int) -> None:
    if x.shape[0] != y.size:
        raise DataError(f"{x.shape[0]} rows of x but {y.size} values of y")
    if y.size < p:
        raise DataError(f"{p} coefficients need at least {p} points; found {y.size}")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise DataError("a fit needs finite numbers; leave out rows with missing readings first")


def least_squares(x: ArrayLike, y: ArrayLike, *, constant: bool = True) -> Fit:
    """Fit ``y`` (n,) by the columns of ``x`` (n, k), with a constant term unless ``constant`` is False.

    Raises ``DataError`` for too few points, values that are not finite, or columns that depend on each other.
    """
    b = np.asarray(x, dtype=float)
    raw = b = b[:, None] if b.ndim == 1 else b
    t = np.asarray(y, dtype=float).ravel()
    _check(b, t, b.shape[1] + int(constant))
    centre = b.mean(axis=0) if constant else np.zeros(b.shape[1])
    b = b - centre
    scale = np.max(np.abs(b), axis=0)
    if np.any(scale == 0):
        raise DataError("a column of x holds one value only: its coefficient can't be found")
    q, r = _orthogonal(b / scale)
    if np.min(np.abs(np.diag(r))) < 1e-13 * np.max(np.abs(np.diag(r))):
        raise DataError("the columns of x depend on each other: their coefficients can't be told apart")
    inverse = np.linalg.inv(r)
    at_zero = (centre / scale) @ inverse  # the constant term is the plane read at x = 0

    def solve(values: FloatArray) -> FloatArray:
        middle = float(values.mean()) if constant else 0.0
        c = q.T @ (values - middle)
        slopes = inverse @ c / scale
        return np.concatenate([[middle - float(at_zero @ c)], slopes]) if constant else slopes

    columns = [np.ones_like(t)] * constant + list(raw.T)
    beta, rest = _refined([(c, np.zeros_like(c)) for c in columns], t, solve)
    cofactor = np.sum(inverse**2, axis=1) / scale**2
    if constant:
        cofactor = np.concatenate([[1 / t.size + float(at_zero @ at_zero)], cofactor])
    d = dd.centred(t)[0] if constant else t
    return _summary(np.array([h + e for h, e in beta]), cofactor, q.T @ (d - rest), rest, constant)


def _power_basis(steps: list[tuple[float, float, float]], middle: float, scale: float) -> list[list[Fraction]]:
    """Return the orthogonal polynomials as exact coefficients of powers of x."""
    one, a, b = Fraction(1), Fraction(1) / Fraction(scale), -Fraction(middle) / Fraction(scale)

    def times_u(p: list[Fraction]) -> list[Fraction]:
        up = [Fraction(0), *(v * a for v in p)]
        return [u + (v * b) for u, v in zip(up, [*p, Fraction(0)], strict=True)]

    polynomials = [[one / Fraction(steps[0][2])]]
    for k, (alpha, beta, norm) in enumerate(steps[1:]):
        last = polynomials[-1]
        new = times_u(last)
        for i, v in enumerate(last):
            new[i] -= Fraction(alpha) * v
        if k:
            for i, v in enumerate(polynomials[-2]):
                new[i] -= Fraction(beta) * v
        polynomials.append([v / Fraction(norm) for v in new])
    return polynomials


def polynomial(x: ArrayLike, y: ArrayLike, degree: int) -> Fit:
    """Fit a polynomial of ``degree`` to the points ``x``, ``y`` (n,); coefficients are of rising powers of x.

    The basis is the set of polynomials that are orthogonal on the given points, built by their three-term recurrence
    (Forsythe, J. SIAM 5, 1957); powers of x are gone back to in exact fractions. Raises ``DataError`` as
    `least_squares` does and when there are not more different x than the degree.
    """
    t, v = np.asarray(x, dtype=float).ravel(), np.asarray(y, dtype=float).ravel()
    _check(t[:, None], v, degree + 1)
    if degree < 0 or np.unique(t).size <= degree:
        raise DataError(f"a polynomial of degree {degree} needs more than {degree} different x")
    low, high = float(t.min()), float(t.max())
    middle = (low + high) / 2
    scale = 2.0 ** math.ceil(math.log2((high - low) / 2)) if high > low else 1.0  # a power of two divides exactly
    u = (t - middle) / scale
    norm = math.sqrt(t.size)
    q = np.empty((t.size, degree + 1))
    q[:, 0] = 1 / norm
    steps = [(0.0, 0.0, norm)]
    for k in range(1, degree + 1):
        alpha = float((u * q[:, k - 1]) @ q[:, k - 1])
        back = steps[-1][2] if k > 1 else 0.0
        new = (u - alpha) * q[:, k - 1] - (back * q[:, k - 2] if k > 1 else 0.0)
        norm = float(np.linalg.norm(new))
        q[:, k] = new / norm
        steps.append((alpha, back, norm))
    basis = _power_basis(steps, middle, scale)
    # q is orthogonal only to rounding: its own Gram matrix sees to the rest
    gram = q.T @ q

    def solve(values: FloatArray) -> FloatArray:
        c = [Fraction(v) for v in np.linalg.solve(gram, q.T @ values).tolist()]
        return np.array(
            [float(sum((c[k] * basis[k][i] for k in range(i, degree + 1)), Fraction(0))) for i in range(degree + 1)]
        )

    zero = np.zeros_like(t)
    powers: list[dd.Pair] = [(np.ones_like(t), zero)]
    for _ in range(degree):
        powers.append(dd.multiply(powers[-1], (t, zero)))
    beta, rest = _refined(powers, v, solve)
    cofactor = np.array(
        [float(sum((basis[k][i] ** 2 for k in range(i, degree + 1)), Fraction(0))) for i in range(degree + 1)]
    )
    fitted = dd.centred(v)[0] - rest
    return _summary(np.array([h + e for h, e in beta]), cofactor, (q.T @ fitted)[1:], rest, True)


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

    def half_width(self, x: ArrayLike, confidence: float = 0.95, *, repeats: int | None = 1) -> FloatArray:
        """Return half the width of the prediction interval at ``x`` for the mean of ``repeats`` new readings.

        ``repeats`` None gives the confidence interval of the line itself.
        """
        from scipy.special import stdtrit

        apart = (np.asarray(x, dtype=float) - self.x_mean) ** 2 / self.sxx
        new = 0.0 if repeats is None else 1 / repeats
        t = float(stdtrit(self.dof, 0.5 + confidence / 2))
        return np.asarray(t * self.residual_sd * np.sqrt(new + 1 / self.n + apart))


def straight_line(x: ArrayLike, y: ArrayLike) -> Line:
    """Fit a straight line to the points ``x``, ``y`` (n,) with n of at least 3; raises ``DataError`` otherwise."""
    t, v = np.asarray(x, dtype=float).ravel(), np.asarray(y, dtype=float).ravel()
    if t.size < 3:
        raise DataError(f"a line with its scatter needs at least 3 points; found {t.size}")
    _check(t[:, None], v, 2)
    dx, (x_mean, x_rest) = dd.centred(t)
    dy, (y_mean, y_rest) = dd.centred(v)
    sxx = product_sum(dx, dx)
    if not sxx > 0:
        raise DataError("all x are the same: no line can be told")
    slope = product_sum(dx, dy) / sxx
    late = product_sum(dx, dy - slope * dx) / sxx  # what rounding left of the slope
    rest = (dy - slope * dx) - late * dx
    # the constant term is the line far from its middle: the product is kept with twice the digits
    product, error = dd.two_product(np.array([slope]), np.array([x_mean]))
    intercept = (y_mean - float(product[0])) + (y_rest - float(error[0]) - slope * x_rest - late * x_mean)
    sd = math.sqrt(product_sum(rest, rest) / (t.size - 2))
    slope_se = sd / math.sqrt(sxx)
    intercept_se = sd * math.sqrt(1 / t.size + x_mean**2 / sxx)
    return Line(
        intercept, slope + late, intercept_se, slope_se, sd, rest, t.size, x_mean + x_rest, y_mean + y_rest, sxx
    )


@dataclass(frozen=True, slots=True)
class Inverse:
    """The x at which a line reaches a given y, with its interval; ``lower`` or ``upper`` is None when it has no end.

    ``bounded`` is False when the slope can't be told from zero: then no finite interval holds the stated confidence.
    """

    estimate: float
    lower: float | None
    upper: float | None
    standard_error: float
    bounded: bool
    method: str


def inverse_wald(line: Line, y: float, confidence: float = 0.95, *, repeats: int | None = 1) -> Inverse:
    """Return the x at which ``line`` reaches ``y``, with the symmetrical interval from its standard error.

    ``y`` is the mean of ``repeats`` new readings, or the line's own height when None. The standard error is by
    propagation (Massart et al., Handbook of Chemometrics and Qualimetrics A, 1997, ch. 8). Good for a slope many
    times its error; else use `inverse_fieller`. Raises ``DataError`` for a slope of zero.
    """
    from scipy.special import stdtrit

    if line.slope == 0:
        raise DataError("the line is level: it reaches no other height")
    estimate = line.x_mean + (y - line.y_mean) / line.slope
    new = 0.0 if repeats is None else 1 / repeats
    apart = (y - line.y_mean) ** 2 / (line.slope**2 * line.sxx)
    se = line.residual_sd / abs(line.slope) * math.sqrt(new + 1 / line.n + apart)
    half = float(stdtrit(line.dof, 0.5 + confidence / 2)) * se
    return Inverse(estimate, estimate - half, estimate + half, se, True, "symmetrical (Wald)")


def inverse_fieller(line: Line, y: float, confidence: float = 0.95, *, repeats: int | None = 1) -> Inverse:
    """Return the x at which ``line`` reaches ``y``, with the exact interval by Fieller's theorem.

    ``y`` and ``repeats`` are as in `inverse_wald`. The interval holds every x whose prediction interval holds y. It
    is one-sided open or has no end when the slope's own interval holds zero. Source: Fieller, Journal of the
    Royal Statistical Society B 16 (1954). Raises ``DataError`` for a slope of zero.
    """
    from scipy.special import stdtrit

    wald = inverse_wald(line, y, confidence, repeats=repeats)
    t2 = float(stdtrit(line.dof, 0.5 + confidence / 2)) ** 2
    g = t2 * line.residual_sd**2 / (line.slope**2 * line.sxx)
    new = 0.0 if repeats is None else 1 / repeats
    away = wald.estimate - line.x_mean
    if g >= 1:
        return Inverse(wald.estimate, None, None, wald.standard_error, False, "Fieller")
    root = (
        math.sqrt(t2)
        * line.residual_sd
        / abs(line.slope)
        * math.sqrt((1 - g) * (new + 1 / line.n) + away**2 / line.sxx)
    )
    centre = line.x_mean + away / (1 - g)
    return Inverse(
        wald.estimate, centre - root / (1 - g), centre + root / (1 - g), wald.standard_error, True, "Fieller"
    )


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
        corrected: FloatArray = (np.asarray(reading, dtype=np.float64) - self.intercept) / (
            1.0 + self.slope
        )
        return corrected


def bias(reading: ArrayLike, master: float, *, master_uncertainty: float = 0.0, confidence: float = 0.95) -> Bias:
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


# Does the gauge stay as it is? Check standard over time, scatter at three levels of time, and resolution.
#
# A check standard is one part kept aside and read again and again; its chart tells whether the gauge has moved
# (NIST/SEMATECH e-Handbook 2.2).


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


def _within(
    x: FloatArray, cell: IntArray, size: int
) -> tuple[float, int, FloatArray, FloatArray]:
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
