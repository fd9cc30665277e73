"""Bias, linearity, check standard, the step in which readings move."""

from __future__ import annotations

import numpy as np
import pytest
from gauge_data import columns, numbers
from scipy import stats

from holeqc.problems import DataError
from holeqc.statistics.gauge_accuracy import bias, check_standard, linearity
from holeqc.statistics.gauge_study import detected_step


def test_published_check_standard() -> None:
    # from memory, unconfirmed: NIST/SEMATECH e-Handbook 2.6.2, s2 = 0.02680 with 24 degrees of freedom; the data are
    # MPC62.DAT
    table = columns("gauge_check_standard.csv")
    calm = check_standard(numbers(table["value"]))
    assert calm.standard_deviation == pytest.approx(0.02680, abs=5e-6)
    assert calm.degrees_of_freedom == 24
    assert calm.outside == ()
    assert calm.stable
    assert calm.sigma == pytest.approx(np.mean(np.abs(np.diff(numbers(table["value"])))) / 1.128, rel=4e-4)
    assert calm.upper_limit == pytest.approx(calm.centre + 3 * calm.sigma)


def test_check_standard_sees_a_jump_and_a_drift() -> None:
    rng = np.random.default_rng(3)
    still = 0.5 + 0.0001 * rng.normal(size=30)
    jumped = still.copy()
    jumped[21] += 0.001
    assert check_standard(still).stable
    assert 22 in check_standard(jumped).outside
    moved = still.copy()
    moved[15:] += 0.0004
    level = check_standard(moved)
    assert {s.side for s in level.signals if s.test == "same_side"} == {"below", "above"}
    assert not level.stable
    drifting = check_standard(still + 0.00005 * np.arange(30))
    assert drifting.drift == pytest.approx(0.00005, rel=0.2)
    assert drifting.drift_p is not None
    assert drifting.drift_p < 1e-6
    assert not drifting.stable
    holed = jumped.copy()
    holed[4] = np.nan
    assert check_standard(holed).outside == check_standard(jumped).outside == (22,)
    assert any("1 occasions" in note for note in check_standard(holed).notes)


def test_check_standard_that_never_moves() -> None:
    got = check_standard([0.5] * 10)
    assert got.outside == ()
    assert got.drift_p is None
    assert any("step hides" in note for note in got.notes)
    assert any("may be off by" in note for note in got.notes)


def test_check_standard_input() -> None:
    with pytest.raises(DataError, match="at least 3"):
        check_standard([0.5, 0.6])


# --- bias and linearity ---


def test_line_of_bias_against_a_published_calibration() -> None:
    # from memory, unconfirmed (they reproduce from the data): NIST/SEMATECH e-Handbook 2.3.6.7.3, reading = 0.2357 +
    # 0.9870 x, residual 0.06203, errors 0.02430 and 0.00344; the bias line has the slope less one and the same errors
    table = columns("gauge_linewidth_calibration.csv")
    got = linearity(numbers(table["reference_x"]), numbers(table["measured_y"]))
    assert got.intercept == pytest.approx(0.2357, abs=1.1e-4)  # 0.23576 was cut, not rounded
    assert 1.0 + got.slope == pytest.approx(0.9870, abs=5e-5)
    assert got.residual_sd == pytest.approx(0.06203, abs=5e-6)
    assert got.intercept_error == pytest.approx(0.02430, abs=5e-6)
    assert got.slope_error == pytest.approx(0.00344, abs=5e-6)
    # second route: scipy's own regression
    fit = stats.linregress(numbers(table["reference_x"]), numbers(table["measured_y"]) - numbers(table["reference_x"]))
    assert got.slope_p == pytest.approx(fit.pvalue, rel=1e-9)
    assert len(got.levels) == 10
    # second route for the test of any bias: F of the line against "reading = master" (2 coefficients more)
    read, size = numbers(table["measured_y"]), numbers(table["reference_x"])
    rest = np.sum((read - np.polyval(np.polyfit(size, read, 1), size)) ** 2)
    f = (np.sum((read - size) ** 2) - rest) / 2 / (rest / 38)
    assert got.bias_p == pytest.approx(stats.f.sf(f, 2, 38), rel=1e-6, abs=0.0)
    assert got.bend_p == pytest.approx(lack_of_fit(table), rel=1e-9)


def lack_of_fit(table: dict[str, list[str]]) -> float:
    """Second route: the F of a one-way model over a straight line, both by least squares in numpy."""
    x, y = numbers(table["reference_x"]), numbers(table["measured_y"])
    line = np.polyval(np.polyfit(x, y, 1), x)
    group = np.array([y[x == v].mean() for v in x])
    levels = np.unique(x).size
    pure = np.sum((y - group) ** 2) / (y.size - levels)
    return float(stats.f.sf(np.sum((group - line) ** 2) / (levels - 2) / pure, levels - 2, y.size - levels))


def test_bias_at_one_master() -> None:
    # second route: scipy.stats.ttest_1samp
    reading = np.array([0.4502, 0.4503, 0.4501, 0.4504, 0.4502])
    got = bias(reading, 0.4500)
    test = stats.ttest_1samp(reading, 0.4500)
    assert got.bias == pytest.approx(reading.mean() - 0.45)
    assert got.t == pytest.approx(test.statistic, rel=1e-9)
    assert got.p == pytest.approx(test.pvalue, rel=1e-9)
    low, high = test.confidence_interval(0.95)
    assert got.interval == pytest.approx((low - 0.45, high - 0.45))
    assert got.significant


def test_no_bias_is_found_where_there_is_none() -> None:
    # second route: simulation; the chance of a false alarm is the 5 % asked for, three standard errors allowed
    rng = np.random.default_rng(7)
    master = np.repeat([1.0, 2.0, 3.0, 4.0, 5.0], 4)
    p = [linearity(master, master + rng.normal(0, 0.01, 20)).bias_p for _ in range(250)]
    assert 0.008 < np.mean(np.array(p) < 0.05) < 0.092


def test_constant_bias_and_bent_bias() -> None:
    rng = np.random.default_rng(8)
    master = np.repeat([1.0, 2.0, 3.0, 4.0, 5.0], 6)
    level = linearity(master, master + 0.05 + rng.normal(0, 0.01, 30))
    assert level.bias_p is not None
    assert level.bias_p < 1e-6
    assert level.slope_interval[0] < 0 < level.slope_interval[1]
    bent = linearity(master, master + 0.05 * (master - 3) ** 2 + rng.normal(0, 0.01, 30))
    assert bent.bend_p is not None
    assert bent.bend_p < 1e-6


@pytest.mark.parametrize(
    ("master", "reading", "words"),
    [
        ([1.0, 2.0], [1.0, 2.0, 3.0], "2 master values but 3"),
        ([1.0, 1.0, 1.0], [1.0, 1.1, 0.9], "1 masters"),
        ([1.0, 2.0], [1.0, 2.0], "at least 3 readings"),
        ([1.0, None, 2.0], [1.0, 1.5, 2.0], "no master value"),
    ],
)
def test_readings_that_make_no_linearity(master: list, reading: list, words: str) -> None:
    with pytest.raises(DataError, match=words):
        linearity(master, reading)


def test_bias_input() -> None:
    assert bias([1.0], 1.0).interval is None
    with pytest.raises(DataError, match="no reading"):
        bias([float("nan")], 1.0)
    with pytest.raises(DataError, match="master's value"):
        bias([1.0, 2.0], float("nan"))
    constant = bias([1.1, 1.1, 1.1], 1.0)
    assert constant.p is None
    assert constant.bias == pytest.approx(0.1)


def test_readings_on_a_line_exactly() -> None:
    got = linearity([1.0, 2.0, 4.0], [1.5, 2.5, 4.5])
    assert got.intercept == pytest.approx(0.5)
    assert got.slope == pytest.approx(0.0, abs=1e-12)
    assert got.notes


@pytest.mark.parametrize(
    ("values", "step"),
    [
        ([0.4555, 0.456, 0.4575], 0.0005),
        ([10.0, 10.02, 10.1], 0.02),
        ([1.0, 2.0, 5.0], 1.0),
        ([100.25, 100.5, 101.0], 0.25),
        ([0.3, 0.3, 0.3], None),
        ([0.1, 0.1 + 1 / 3e6, 0.2], None),
    ],
)
def test_detected_step(values: list[float], step: float | None) -> None:
    got = detected_step(np.array(values))
    assert got == (None if step is None else pytest.approx(step))


def test_step_survives_conversion_to_inches() -> None:
    # a millimetre step of 0.01 typed in inches has no step in decimals of 1e-9 and must not be invented
    values = np.round(np.random.default_rng(2).normal(11.6, 0.05, 40), 2) / 25.4
    assert detected_step(values) is None

