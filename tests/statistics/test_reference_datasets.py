"""NIST StRD: digits of mean, spread, autocorrelation, analysis of variance and regression.

Expected: NIST's certified values (strd_certified.csv). Least digits: those that careful double-precision code reaches
(strd_digits.csv). Where the data themselves lose digits on becoming doubles, the exact answer to the rounded data
(in fractions, a second route) sets the bar.
"""

from __future__ import annotations

import re
from collections import defaultdict
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from statistics_data import digits, records, strd, strd_lines

from holeqc.problems import DataError
from holeqc.statistics.basics import autocorrelation, mean, mean_and_sd, one_way, standard_deviation
from holeqc.statistics.gauge_accuracy import Fit, least_squares, polynomial, straight_line

CERTIFIED: dict[str, dict[str, float]] = defaultdict(dict)
for _row in records("strd_certified.csv"):
    CERTIFIED[_row["dataset"]][_row["quantity"]] = float(_row["printed"])
LEAST: dict[tuple[str, str], float] = {}
for _row in records("strd_digits.csv"):
    _key = (_row["dataset"], _row["quantity"])
    LEAST[_key] = max(LEAST.get(_key, 0.0), float(_row["digits_correct_LRE_max15"]))
UNIVARIATE = [d for d, c in CERTIFIED.items() if "mean" in c]
ANOVA = [d for d, c in CERTIFIED.items() if "df between" in c]
REGRESSION = [d for d, c in CERTIFIED.items() if "residual SD" in c and d not in ANOVA]
ROUNDING = 0.05  # the digits are given to one decimal
# Beyond 14.5 digits (14 eps) lies the order in which a library adds: it sums up to 128 squares in eight runs of 16 and
# then by halves, so 5000 squares come to within 16 + 3 + 6 half eps of their sum, and rounding each deviation and each
# square adds three; the root halves that. NIST's own last digits and those that reading lost stand well before.
STEADY = 14.5


def asked(dataset: str, quantity: str) -> float:
    """Return the least number of digits, as far as it is the same on every processor."""
    return min(LEAST[dataset, quantity], STEADY) - ROUNDING


def test_every_set_is_here() -> None:
    assert (len(UNIVARIATE), len(ANOVA), len(REGRESSION)) == (7, 7, 9)


@pytest.mark.parametrize("dataset", UNIVARIATE)
def test_univariate(dataset: str) -> None:
    x, certified = strd(dataset).ravel(), CERTIFIED[dataset]
    assert digits(mean(x), certified["mean"]) >= asked(dataset, "mean")
    assert digits(mean_and_sd(x)[0], certified["mean"]) >= asked(dataset, "mean")
    assert digits(standard_deviation(x), certified["sd (n-1)"]) >= asked(dataset, "sd")
    lag = digits(autocorrelation(x), certified["lag-1 autocorrelation"])
    assert lag >= asked(dataset, "lag-1 autocorrelation")


@pytest.mark.parametrize("dataset", ["NumAcc3", "NumAcc4"])
def test_digits_that_reading_lost_come_back_by_centring_before(dataset: str) -> None:
    texts = [row[0] for row in strd_lines(dataset)]
    near = Decimal(texts[0])
    x = np.array([float(Decimal(t) - near) for t in texts])
    assert digits(standard_deviation(x), CERTIFIED[dataset]["sd (n-1)"]) > 14.5
    assert digits(autocorrelation(x), CERTIFIED[dataset]["lag-1 autocorrelation"]) > 14.5


@pytest.mark.parametrize("dataset", ANOVA)
def test_one_way(dataset: str) -> None:
    table, certified = strd(dataset), CERTIFIED[dataset]
    found = one_way(table[:, 1], table[:, 0])
    assert (found.df_between, found.df_within) == (certified["df between"], certified["df within"])
    assert found.f is not None
    least = asked(dataset, "F")
    assert digits(found.f, certified["F"]) >= least
    for value, name in (
        (found.r_squared, "R-squared"),
        (found.residual_sd, "residual SD"),
        (found.ss_within, "SS within"),
        (found.ms_within, "MS within"),
    ):
        assert digits(value, certified[name]) >= least - 0.2, name
    for value, name in ((found.ss_between, "SS between"), (found.ms_between, "MS between")):
        assert digits(value, certified[name]) >= least - 0.5, name  # F's errors partly cancel, theirs don't


@pytest.mark.parametrize("dataset", ANOVA)
def test_one_way_after_the_constant_is_taken_off(dataset: str) -> None:
    rows = strd_lines(dataset)
    near = Decimal(rows[0][1])
    x = np.array([float(Decimal(r[1]) - near) for r in rows])
    found = one_way(x, [r[0] for r in rows])
    assert found.f is not None
    assert digits(found.f, CERTIFIED[dataset]["F"]) > 12.9


def _fit(dataset: str) -> tuple[Fit, int]:
    y, x = strd(dataset).T
    p = sum(1 for k in CERTIFIED[dataset] if re.fullmatch(r"B\d+", k))
    if dataset.startswith("NoInt"):
        return least_squares(x, y, constant=False), 1
    return polynomial(x, y, p - 1), 0


def _exact(x: np.ndarray, y: np.ndarray, degree: int) -> list[float]:
    """Least squares in fractions: what the doubles of the data really ask for."""
    powers = [[Fraction(v) ** k for k in range(degree + 1)] for v in x.tolist()]
    target = [Fraction(v) for v in y.tolist()]
    size = degree + 1
    rows = [
        [sum(r[i] * r[j] for r in powers) for j in range(size)]
        + [sum(r[i] * t for r, t in zip(powers, target, strict=True))]
        for i in range(size)
    ]
    for i in range(size):
        for k in range(size):
            if k != i:
                factor = rows[k][i] / rows[i][i]
                rows[k] = [a - factor * b for a, b in zip(rows[k], rows[i], strict=True)]
    return [float(rows[i][size] / rows[i][i]) for i in range(size)]


@pytest.mark.parametrize("dataset", REGRESSION)
def test_regression(dataset: str) -> None:
    certified = CERTIFIED[dataset]
    fit, first = _fit(dataset)
    names = [f"B{i + first}" for i in range(fit.coefficients.size)]
    worst = min(digits(v, certified[n]) for v, n in zip(fit.coefficients.tolist(), names, strict=True))
    y, x = strd(dataset).T
    if worst < asked(dataset, "worst coefficient"):
        exact = _exact(x, y, fit.coefficients.size - 1)
        assert min(digits(a, b) for a, b in zip(fit.coefficients.tolist(), exact, strict=True)) > 14.8
    errors = fit.standard_errors.tolist()
    worst_error = min(digits(v, certified[f"{n} std error"]) for v, n in zip(errors, names, strict=True))
    assert worst_error >= asked(dataset, "worst standard error")
    scale = certified["SS regression"]
    for value, name in (
        (fit.residual_sd, "residual SD"),
        (fit.r_squared, "R-squared"),
        (fit.ss_regression, "SS regression"),
    ):
        assert digits(value, certified[name]) >= min(13.5, LEAST[dataset, "worst standard error"]) - ROUNDING, name
    assert fit.ss_residual == pytest.approx(certified["SS residual"], rel=1e-13, abs=1e-13 * scale)
    assert (fit.df_regression, fit.df_residual) == (certified["df regression"], certified["df residual"])
    if "F" in certified and certified["SS residual"] > 0:
        assert fit.f is not None
        assert digits(fit.f, certified["F"]) > 13.4


def test_the_hardest_polynomial_keeps_fourteen_digits() -> None:
    fit, _ = _fit("Filip")
    certified = CERTIFIED["Filip"]
    assert min(digits(v, certified[f"B{i}"]) for i, v in enumerate(fit.coefficients.tolist())) > 13.5
    assert min(digits(v, certified[f"B{i} std error"]) for i, v in enumerate(fit.standard_errors.tolist())) > 13.5


def test_line_by_columns_agrees_with_polynomial() -> None:
    y, x = strd("Norris").T
    a, b = least_squares(x, y), polynomial(x, y, 1)
    np.testing.assert_allclose(a.coefficients, b.coefficients, rtol=1e-14)
    np.testing.assert_allclose(a.standard_errors, b.standard_errors, rtol=1e-13)
    c, certified = straight_line(x, y), CERTIFIED["Norris"]
    assert min(digits(c.intercept, certified["B0"]), digits(c.slope, certified["B1"])) > 13.0  # the table asks for 12.5
    assert min(digits(c.intercept_se, certified["B0 std error"]), digits(c.slope_se, certified["B1 std error"])) > 13.5


def test_several_columns_agree_with_numpy() -> None:
    rng = np.random.default_rng(7)
    x = rng.normal(size=(40, 3)) + 1000
    y = x @ [1.0, -2.0, 0.5] + 3 + rng.normal(size=40) * 0.1
    fit = least_squares(x, y)
    # second route: normal equations about the mean
    d = x - x.mean(axis=0)
    slopes = np.linalg.solve(d.T @ d, d.T @ (y - y.mean()))
    np.testing.assert_allclose(fit.coefficients[1:], slopes, rtol=1e-10)
    assert fit.coefficients[0] == pytest.approx(y.mean() - x.mean(axis=0) @ slopes, rel=1e-10)


@pytest.mark.parametrize(
    "call",
    [
        lambda: polynomial([1, 2, 2], [1, 2, 3], 2),
        lambda: least_squares([[1, 1], [2, 2], [3, 3], [4, 4.0]], [1, 2, 3, 5]),
        lambda: least_squares([1, 1, 1], [1, 2, 3]),
        lambda: least_squares([1, 2], [1, 2, 3]),
        lambda: least_squares([1, 2, np.nan], [1, 2, 3]),
        lambda: mean([]),
        lambda: standard_deviation([1]),
        lambda: autocorrelation([1, 1, 1]),
        lambda: autocorrelation([1]),
        lambda: one_way([1, 2], ["a", "a"]),
        lambda: one_way([1, 2, 3], ["a", "b"]),
    ],
)
def test_what_can_not_be_worked_out_is_refused(call: object) -> None:
    with pytest.raises(DataError):
        call()  # type: ignore[operator]
