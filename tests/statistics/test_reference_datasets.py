"""NIST StRD: digits of mean, spread, autocorrelation, analysis of variance and lines; published lines beside.

Expected: NIST's certified values (strd_certified.csv). Least digits: those that careful double-precision code reaches
(strd_digits.csv).
"""

from __future__ import annotations

import math
from collections import defaultdict
from decimal import Decimal

import numpy as np
import pytest
from scipy import stats
from statistics_data import column, digits, half_unit, printed, records, strd, strd_lines

from holeqc.problems import DataError
from holeqc.statistics.basics import autocorrelation, mean, mean_and_sd, one_way, standard_deviation
from holeqc.statistics.gauge_accuracy import straight_line

CERTIFIED: dict[str, dict[str, float]] = defaultdict(dict)
for _row in records("strd_certified.csv"):
    CERTIFIED[_row["dataset"]][_row["quantity"]] = float(_row["printed"])
LEAST: dict[tuple[str, str], float] = {}
for _row in records("strd_digits.csv"):
    _key = (_row["dataset"], _row["quantity"])
    LEAST[_key] = max(LEAST.get(_key, 0.0), float(_row["digits_correct_LRE_max15"]))
UNIVARIATE = [d for d, c in CERTIFIED.items() if "mean" in c]
ANOVA = [d for d, c in CERTIFIED.items() if "df between" in c]
LINES = printed("line_values.csv")
ROUNDING = 0.05  # the digits are given to one decimal
# Beyond 14.5 digits (14 eps) lies the order in which a library adds: it sums up to 128 squares in eight runs of 16 and
# then by halves, so 5000 squares come to within 16 + 3 + 6 half eps of their sum, and rounding each deviation and each
# square adds three; the root halves that. NIST's own last digits and those that reading lost stand well before.
STEADY = 14.5


def asked(dataset: str, quantity: str) -> float:
    """Return the least number of digits, as far as it is the same on every processor."""
    return min(LEAST[dataset, quantity], STEADY) - ROUNDING


def test_every_set_is_here() -> None:
    assert (len(UNIVARIATE), len(ANOVA)) == (7, 7)


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
    assert found.f is not None
    least = asked(dataset, "F")
    assert digits(found.f, certified["F"]) >= least
    assert digits(math.sqrt(found.ms_within), certified["residual SD"]) >= least - 0.2
    assert digits(found.ms_within, certified["MS within"]) >= least - 0.2
    assert digits(found.ms_between, certified["MS between"]) >= least - 0.5  # F's errors partly cancel, its don't


@pytest.mark.parametrize("dataset", ANOVA)
def test_one_way_after_the_constant_is_taken_off(dataset: str) -> None:
    rows = strd_lines(dataset)
    near = Decimal(rows[0][1])
    x = np.array([float(Decimal(r[1]) - near) for r in rows])
    found = one_way(x, [r[0] for r in rows])
    assert found.f is not None
    assert digits(found.f, CERTIFIED[dataset]["F"]) > 12.9


def test_straight_line() -> None:
    y, x = strd("Norris").T
    fit, certified = straight_line(x, y), CERTIFIED["Norris"]
    assert min(digits(fit.slope, certified["B1"]), digits(fit.residual_sd, certified["residual SD"])) > 13.0
    # the constant term is 0.26, the difference of two numbers of 400: three digits go with it, eps 2.2e-16
    assert digits(fit.intercept, certified["B0"]) > 12.0
    assert digits(fit.intercept_se, certified["B0 std error"]) > 13.0
    assert digits(fit.slope_se, certified["B1 std error"]) > 13.0


def close(value: float, name: str, units: int = 1) -> bool:
    """Whether a value is as printed, within so many halves of the last digit."""
    return abs(value - float(LINES[name])) <= units * half_unit(LINES[name])


def test_line_width_calibration() -> None:
    table = "gauge_linewidth_calibration.csv"
    fit = straight_line(column(table, "reference_x"), column(table, "measured_y"))
    start = "2.3.6.7 line width calibration: "
    assert close(fit.intercept, start + "intercept a", 3)  # printed without rounding
    for value, name in (
        (fit.slope, "slope b"),
        (fit.residual_sd, "residual sd"),
        (fit.slope_se, "se slope"),
        (fit.intercept_se, "se intercept"),
    ):
        assert close(value, start + name), name


def test_din_32645() -> None:
    # critical value: the prediction interval at x = 0, one-sided 1 %, divided by the slope
    fit = straight_line(column("line_din32645.csv", "x"), column("line_din32645.csv", "y"))
    reading = fit.residual_sd * float(stats.t.ppf(0.99, fit.dof))
    half = math.hypot(float(fit.half_width(0.0, 0.98)), reading)
    assert close(half / fit.slope, "DIN 32645: critical value (alpha=0.01)")


@pytest.mark.parametrize(
    "call",
    [
        lambda: straight_line([0, 1], [1, 2]),
        lambda: straight_line([1, 1, 1], [1, 2, 3]),
        lambda: straight_line([1, 2, 3], [1, 2, 3, 4]),
        lambda: straight_line([1, 2, np.nan], [1, 2, 3]),
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
