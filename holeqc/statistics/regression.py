"""Least squares for lines, polynomials and several columns, and the reading of a line backwards.

Columns are centred and scaled first and turned into an orthogonal basis, so that digits are not lost to a long
distance from zero; the solution is refined with residuals that are worked out with twice the digits.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.statistics import double_double as dd
from holeqc.statistics.basics import dot

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


def _refined(columns: list[dd.Pair], y: FloatArray,
             solve: Callable[[FloatArray], FloatArray]) -> tuple[list[tuple[float, float]], FloatArray]:
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
    return Fit(beta, np.sqrt(cofactor * s2) if dfr else np.full(p, math.nan), rest,
               math.sqrt(s2) if dfr else math.nan, explained / total if total else 1.0, dfm, dfr, explained, sse, f)


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
        return np.array([float(sum((c[k] * basis[k][i] for k in range(i, degree + 1)), Fraction(0)))
                         for i in range(degree + 1)])

    zero = np.zeros_like(t)
    powers: list[dd.Pair] = [(np.ones_like(t), zero)]
    for _ in range(degree):
        powers.append(dd.multiply(powers[-1], (t, zero)))
    beta, rest = _refined(powers, v, solve)
    cofactor = np.array([float(sum((basis[k][i] ** 2 for k in range(i, degree + 1)), Fraction(0)))
                         for i in range(degree + 1)])
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
    sxx = dot(dx, dx)
    if not sxx > 0:
        raise DataError("all x are the same: no line can be told")
    slope = dot(dx, dy) / sxx
    late = dot(dx, dy - slope * dx) / sxx  # what rounding left of the slope
    rest = (dy - slope * dx) - late * dx
    # the constant term is the line far from its middle: the product is kept with twice the digits
    product, error = dd.two_product(np.array([slope]), np.array([x_mean]))
    intercept = (y_mean - float(product[0])) + (y_rest - float(error[0]) - slope * x_rest - late * x_mean)
    sd = math.sqrt(dot(rest, rest) / (t.size - 2))
    slope_se = sd / math.sqrt(sxx)
    intercept_se = sd * math.sqrt(1 / t.size + x_mean**2 / sxx)
    return Line(intercept, slope + late, intercept_se, slope_se, sd, rest, t.size, x_mean + x_rest, y_mean + y_rest,
                sxx)


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
    root = math.sqrt(t2) * line.residual_sd / abs(line.slope) * math.sqrt(
        (1 - g) * (new + 1 / line.n) + away**2 / line.sxx)
    centre = line.x_mean + away / (1 - g)
    return Inverse(wald.estimate, centre - root / (1 - g), centre + root / (1 - g), wald.standard_error, True,
                   "Fieller")
