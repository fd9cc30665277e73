"""Indices, their intervals and shares outside: handbook and textbook values, and simulation as a second route."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statistics_data import column, half_unit, printed, records

from holeqc.problems import DataError
from holeqc.statistics.basics import mean_and_sd, one_way
from holeqc.statistics.capability import capability
from holeqc.statistics.indices import (
    Limits,
    about_target,
    about_target_interval,
    clopper_pearson,
    expected_outside,
    indices,
    mean_interval,
    nearest_interval_exact,
    one_sided_bound,
    potential_interval,
    sd_interval,
)

HANDBOOK = printed("handbook_values.csv")
TEXTBOOK = printed("textbook_values.csv")


def close(value: float, text: str, units: float = 1.0) -> bool:
    return abs(value - float(text)) <= units * half_unit(text)


def test_handbook_capability_example() -> None:
    # NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, sigma 2
    found = indices(Limits(8, 20), 16, 2)
    assert found.potential is not None
    assert found.nearest is not None
    assert found.off_centre is not None
    assert close(found.potential, HANDBOOK["6.1.6 Cp"])
    assert close(found.nearest, HANDBOOK["6.1.6 Cpk"])
    assert close(found.off_centre, HANDBOOK["6.1.6 k = |m-mean|/((USL-LSL)/2)"])


def test_handbook_mean_and_its_interval() -> None:
    x = column("handbook_flow_meter.csv", "y")
    assert x.size == int(HANDBOOK["1.3.5.2 ZARR13 N"])
    m, s = mean_and_sd(x)
    assert close(m, HANDBOOK["1.3.5.2 ZARR13 mean"], 3)  # printed 9.261460, the data give 9.2614608
    assert close(s, HANDBOOK["1.3.5.2 ZARR13 sd"])
    low, high = mean_interval(m, s, x.size, 0.95)
    assert low is not None
    assert high is not None
    assert close(low, HANDBOOK["1.3.5.2 ZARR13 CI95 lower"])
    assert close(high, HANDBOOK["1.3.5.2 ZARR13 CI95 upper"])


def test_handbook_analysis_of_variance() -> None:
    x, batch = column("handbook_gear_diameter.csv", "diameter"), column("handbook_gear_diameter.csv", "batch")
    found = one_way(x, batch)
    assert found.f is not None
    residual_sd = math.sqrt(found.ms_within)
    for value, name in (
        (9 * found.ms_between, "SS batch"),  # ten batches of ten
        (found.ms_between, "MS batch"),
        (found.f, "F"),
        (90 * found.ms_within, "SS residual"),
        (found.ms_within, "MS residual"),
        (residual_sd, "residual sd"),
        (residual_sd / math.sqrt(10), "SD(mean)"),
    ):
        assert close(value, HANDBOOK[f"1.3.5.4 GEAR {name}"]), name
    for k in range(1, 11):
        assert close(float(x[batch == k].mean()), HANDBOOK[f"1.3.5.4 GEAR batch {k} mean"]), k
    assert close(mean_and_sd(x)[1], HANDBOOK["1.3.5.8 GEAR sd"])
    assert close(99 * mean_and_sd(x)[1] ** 2 / 0.01, HANDBOOK["1.3.5.8 GEAR chi-square statistic for sigma0^2=0.01"])
    from scipy.stats import f

    assert found.p == pytest.approx(float(f.sf(found.f, 9, 90)), rel=1e-12)


def test_handbook_machines() -> None:
    # the page prints F = 9.55, its own data give 5.206: not a value to test against
    rows = records("machines_diameter.csv")
    found = one_way([float(r["diameter"]) for r in rows], [r["machine"] for r in rows])
    for value, name in (
        (found.ms_between, "MS machine"),
        (found.ms_within, "MS error"),
    ):
        assert close(value, HANDBOOK[f"3.2.3.1 one-way {name}"]), name
    assert found.f == pytest.approx(found.ms_between / found.ms_within)


def test_handbook_probe_deviations() -> None:
    for wafer in ("138", "139", "140", "141", "142"):
        s = mean_and_sd(column("handbook_probes.csv", wafer))[1]
        assert close(s, HANDBOOK[f"2.5.3.1.2 sd of 5 probes, wafer {wafer}"]), wafer


def test_textbook_intervals() -> None:
    cp = indices(Limits(38, 62), 50, 1.75).potential
    assert cp is not None
    assert close(cp, TEXTBOOK["capability CI: Cp (USL 62, LSL 38, s 1.75)"])
    low, high = potential_interval(float(TEXTBOOK["capability CI: Cp (USL 62, LSL 38, s 1.75)"]), 19, 0.95)
    assert low is not None
    assert high is not None
    assert close(low, TEXTBOOK["capability CI: Cp 95% lower n=20"])
    assert close(high, TEXTBOOK["capability CI: Cp 95% upper n=20"])
    # the book takes a normal for the noncentral t: they are 0.03 apart at 20 readings
    low, high = nearest_interval_exact(1.33, 20, 19, 0.95, two_limits=False)
    assert low == pytest.approx(float(TEXTBOOK["capability CI: Cpk=1.33 n=20 95% lower"]), abs=0.035)
    assert high == pytest.approx(float(TEXTBOOK["capability CI: Cpk=1.33 n=20 95% upper"]), abs=0.035)


def test_textbook_strength() -> None:
    x = column("textbook_bursting_strength.csv", "psi")
    m, s = mean_and_sd(x)
    assert close(m, TEXTBOOK["glass strength: mean"])
    assert close(s, TEXTBOOK["glass strength: s"])
    found = indices(Limits(lower=200), m, s)
    assert found.nearest is not None
    assert close(found.nearest, TEXTBOOK["glass strength: Cpl (LSL=200)"])
    assert (found.potential, found.upper, found.off_centre) == (None, None, None)
    # the book rounds mean and s first
    below, above = expected_outside(Limits(lower=200), 264, 32)
    assert close(below, TEXTBOOK["glass strength: fallout below LSL, fraction (book uses mean 264, s 32)"])
    assert above == 0


def test_parts_per_million() -> None:
    noted = 0
    for name, text in TEXTBOOK.items():
        if not name.startswith("ppm"):
            continue
        noted += 1
        cp = float(name.partition("=")[2])
        both = sum(expected_outside(Limits(-3 * cp, 3 * cp), 0, 1))
        ppm = 1e6 * (both if "two-sided" in name else both / 2)
        assert abs(ppm - float(text)) <= 1, name  # tables round up or down
    assert noted == 26


def test_about_target() -> None:
    assert about_target(Limits(8, 20, 14), 16, 2) == pytest.approx(12 / (6 * math.sqrt(4 + 4)))  # e-Handbook 6.1.6
    assert about_target(Limits(8, 20), 14, 2) == pytest.approx(1.0)
    assert about_target(Limits(lower=8, target=14), 14, 2) is None


@pytest.mark.parametrize(
    ("true", "off", "n"), [(1.33, 0.0, 20), (1.33, 0.3, 20), (0.6, 0.0, 8), (-0.3, 1.5, 12), (1.0, 0.4, 6)]
)
def test_coverage_of_exact_intervals(true: float, off: float, n: int) -> None:
    """Second route: simulated samples; each end misses the true Cpk at most 2.5 times in 100."""
    rng = np.random.default_rng(17)
    runs = 40_000
    cp = true / (1 - off)
    centre = off * 3 * cp
    m = centre + rng.normal(size=runs) / math.sqrt(n)
    s = np.sqrt(rng.chisquare(n - 1, runs) / (n - 1))
    noted = (3 * cp - np.abs(m)) / (3 * s)
    # the ends rise with the estimate: find the estimates at which each end just meets the true index
    grid = np.linspace(true - 1.2, true + 1.8 + abs(true), 61)
    ends = np.array([nearest_interval_exact(g, n, n - 1, 0.95, two_limits=True) for g in grid], dtype=float)
    lower_misses = np.mean(np.interp(noted, grid, ends[:, 0]) > true)
    upper_misses = np.mean(np.interp(noted, grid, ends[:, 1]) < true)
    error = 4 * math.sqrt(0.025 * 0.975 / runs)
    assert lower_misses <= 0.025 + error
    assert upper_misses <= 0.025 + error
    if off == 0:  # centred: the upper end is exact
        assert upper_misses == pytest.approx(0.025, abs=error)
    elif true > 0:  # far from the other limit: the lower end is exact
        assert lower_misses == pytest.approx(0.025, abs=error)


def test_one_sided_bound_is_the_tolerance_factor_turned_round() -> None:
    # second route: mean + k s meets the limit exactly when the bound equals a third of the normal quantile
    from scipy.special import ndtri

    from holeqc.statistics.indices import one_sided_factor

    k = one_sided_factor(25, 0.9973, 0.95)
    assert one_sided_bound(k / 3, 25, 24, 0.95) == pytest.approx(float(ndtri(0.9973)) / 3, rel=1e-9)


def test_interval_of_cpm_by_simulation() -> None:
    rng = np.random.default_rng(23)
    n, runs = 40, 2000
    x = rng.normal(0.7, 1.0, size=(runs, n))
    limits = Limits(-4, 4, 0)
    true = about_target(limits, 0.7, 1.0)
    assert true is not None
    held = 0
    for m, s in zip(x.mean(axis=1), x.std(axis=1, ddof=1), strict=True):
        value = about_target(limits, float(m), float(s))
        assert value is not None
        low, high = about_target_interval(value, float(m), float(s), 0, n, 0.95)
        assert low is not None
        assert high is not None
        held += low <= true <= high
    assert held / runs == pytest.approx(0.95, abs=0.015)


def test_clopper_pearson_holds_its_tails() -> None:
    # second route: the binomial sums that define the interval
    from scipy.special import bdtr, bdtrc

    for count, n in ((0, 30), (1, 30), (7, 30), (30, 30), (3, 1000)):
        low, high = clopper_pearson(count, n, 0.95)
        if count:
            assert float(bdtrc(count - 1, n, low)) == pytest.approx(0.025, rel=1e-9)
        else:
            assert low == 0
        if count < n:
            assert float(bdtr(count, n, high)) == pytest.approx(0.025, rel=1e-9)
        else:
            assert high == 1
    with pytest.raises(DataError):
        clopper_pearson(4, 3, 0.95)


def test_interval_of_sigma_by_the_chi_square_table() -> None:
    # chi-square 0.975 and 0.025 points with 9 degrees of freedom: 19.023 and 2.700 (any printed table)
    low, high = sd_interval(1.0, 9, 0.95)
    assert low == pytest.approx(math.sqrt(9 / 19.023), rel=1e-4)
    assert high == pytest.approx(math.sqrt(9 / 2.700), rel=2e-4)


@pytest.mark.parametrize("limits", [(2.0, 1.0), (1.0, 1.0), (math.nan, 2.0), (0.0, math.inf)])
def test_impossible_limits(limits: tuple[float, float]) -> None:
    with pytest.raises(DataError):
        Limits(*limits)


def test_limits_in_another_unit_are_told_at_once() -> None:
    """Readings in inch, limits in mm: an answer, and the question of the unit."""
    found = capability(np.linspace(0.4565, 0.4598, 100), Limits(11.55, 11.73))
    assert [r.found for r in found.remarks if r.code == "limits-far"] == ["readings 0.4565 to 0.4598"]
    assert found.outside.observed == 1.0
    near = capability(np.linspace(0.4640, 0.4650, 100), Limits(0.455, 0.462))
    assert not [r for r in near.remarks if r.code == "limits-far"]
