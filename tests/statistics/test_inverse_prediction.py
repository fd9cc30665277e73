"""Lines read backwards: when is a height reached. Published answers by Fieller and by the symmetrical interval."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statistics_data import column, half_unit, printed, records

from holeqc.problems import DataError
from holeqc.statistics.gauge_accuracy import Line, inverse_fieller, inverse_wald, polynomial, straight_line

VALUES = printed("line_values.csv")
LAST_DIGIT = {r["name"] for r in records("line_values.csv") if r["note"]}


def close(value: float | None, name: str) -> bool:
    assert value is not None
    units = 3 if name in LAST_DIGIT else 1
    return abs(value - float(VALUES[name])) <= units * half_unit(VALUES[name])


def line(table: str, x: str, y: str) -> Line:
    return straight_line(column(table, x), column(table, y))


def test_thermometer() -> None:
    fit = line("line_thermostat.csv", "temp_true", "reading")
    at = inverse_fieller(fit, 104, 0.95)
    assert close(at.estimate, "thermometer: estimate at reading 104")
    assert close(at.lower, "thermometer: 95% lower")
    assert close(at.upper, "thermometer: 95% upper")
    at = inverse_fieller(fit, 100, 0.90)
    assert close(at.estimate, "thermometer: estimate at reading 100")
    assert close(at.lower, "thermometer: 90% lower")
    assert close(at.upper, "thermometer: 90% upper")


def test_growth_reaches_a_weight() -> None:
    at = inverse_fieller(line("line_crystal_growth.csv", "time", "weight"), 5, 0.90, repeats=None)
    assert close(at.estimate, "crystal: time for mean weight 5 (linear growth/wear with time)")
    assert close(at.lower, "crystal: 90% lower")
    assert close(at.upper, "crystal: 90% upper")


@pytest.mark.parametrize(("y", "repeats"), [(15, 1), (90, 1), (90, 5)])
def test_massart(y: float, repeats: int) -> None:
    at = inverse_wald(line("line_massart.csv", "x", "y"), y, 0.95, repeats=repeats)
    start = f"massart ex1 y0={y} m={repeats}: "
    assert close(at.estimate, start + "x0")
    assert close(at.estimate, start + "x0 (7 digits)")
    assert close(at.standard_error, start + "standard error")
    assert at.upper is not None
    assert close(at.upper - at.estimate, start + "95% half width")
    assert close(at.upper - at.estimate, start + "half width (7 digits)")


def test_din_32645() -> None:
    fit = line("line_din32645.csv", "x", "y")
    at = inverse_wald(fit, 3500, 0.99)
    assert at.upper is not None
    assert close(at.upper - at.estimate, "DIN 32645: 99% half width of x at y=3500")
    # critical value: the prediction interval at x = 0, one-sided 1 %, divided by the slope
    assert close(float(fit.half_width(0.0, 0.98)) / fit.slope, "DIN 32645: critical value (alpha=0.01)")


def test_line_width_calibration() -> None:
    fit = line("gauge_linewidth_calibration.csv", "reference_x", "measured_y")
    start = "2.3.6.7 line width calibration: "
    for value, name in (
        (fit.intercept, "intercept a"),
        (fit.slope, "slope b"),
        (fit.residual_sd, "residual sd"),
        (fit.slope_se, "se slope"),
        (fit.intercept_se, "se intercept"),
    ):
        assert close(value, start + name), name


def test_load_cell_curve() -> None:
    fit = polynomial(column("line_loadcell.csv", "load"), column("line_loadcell.csv", "response"), 2)
    start = "2.3.6.5 load cell quadratic: "
    assert close(fit.coefficients[0], start + "a")
    assert close(fit.coefficients[1], start + "b")
    assert close(fit.residual_sd, start + "residual sd")


def test_fieller_holds_every_x_whose_prediction_interval_holds_y() -> None:
    fit = line("line_massart.csv", "x", "y")
    at = inverse_fieller(fit, 60.0, 0.95)
    assert at.lower is not None
    assert at.upper is not None
    for end in (at.lower, at.upper):
        assert abs(60.0 - float(fit.at(end))) == pytest.approx(float(fit.half_width(end, 0.95)), rel=1e-9)


def test_a_slope_that_may_be_zero_has_no_end() -> None:
    rng = np.random.default_rng(1)
    flat = straight_line(np.arange(20.0), rng.normal(size=20) + 0.001 * np.arange(20))
    at = inverse_fieller(flat, 3.0)
    assert not at.bounded
    assert (at.lower, at.upper) == (None, None)
    with pytest.raises(DataError):
        inverse_wald(straight_line([0, 1, 2], [1, 1, 1.0]), 2.0)
    with pytest.raises(DataError):
        straight_line([0, 1], [1, 2])


def test_coverage_of_the_exact_interval() -> None:
    # second route: simulated lines; the interval for a new reading holds its true x 95 times in 100
    rng = np.random.default_rng(3)
    x = np.linspace(0, 10, 12)
    held = 0
    for _ in range(600):
        fit = straight_line(x, 2 + 0.5 * x + rng.normal(0, 0.6, 12))
        at = inverse_fieller(fit, 2 + 0.5 * 7 + rng.normal(0, 0.6))
        held += at.lower is None or at.upper is None or at.lower <= 7 <= at.upper
    assert held / 600 == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 600))
