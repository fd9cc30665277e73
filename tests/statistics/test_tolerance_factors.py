"""Factors of normal tolerance intervals against printed tables; the noncentral t by a second route."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from statistics_data import half_unit, records

from holeqc.problems import DataError
from holeqc.statistics.basics import STEEP, noncentral_t_cdf, noncentral_t_quantile, noncentrality_for, sd_nodes
from holeqc.statistics.indices import howe_factor, one_sided_factor, tolerance_interval, two_sided_factor


def test_printed_factors() -> None:
    rows = records("tolerance_factors.csv")
    assert len(rows) == 850
    for row in rows:
        n = float(row["n"])
        share, level = float(row["coverage"]), float(row["confidence"])
        if row["kind"] == "howe":
            k = howe_factor(n, share, level)
        else:
            factor = one_sided_factor if row["kind"] == "one" else two_sided_factor
            k = factor(n, share, level)
        over = float(row["printed"]) - k
        if row["source"].startswith("ISO"):  # the standard rounds up
            assert -1e-9 <= over <= 1e-4, row
        else:
            assert abs(over) <= half_unit(row["printed"]), row


@pytest.mark.parametrize(
    ("t", "dof", "delta"),
    [
        (2, 1, 3),
        (10, 3, 5),
        (-1, 4, 0.5),
        (5, 1.5, 3),
        (30, 20, 25),
        (0.3, 200, 0),
        (-4, 9, -3),
        (400, 9999, 396),
    ],
)
def test_noncentral_t_by_another_library(t: float, dof: float, delta: float) -> None:
    # second independent route: scipy's noncentral t (a series, not an average over chi)
    from scipy.stats import nct

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # scipy 1.12 divides by zero on its way to the right answer
        second = float(nct.cdf(t, dof, delta))
    assert noncentral_t_cdf(t, dof, delta) == pytest.approx(second, rel=1e-10, abs=1e-12)


def test_quantile_and_noncentrality_go_back() -> None:
    for p, dof, delta in ((0.95, 4, 2.5), (0.05, 4, 2.5), (0.5, 1, 0.0), (0.999, 60, -3), (0.975, 36.128, 12.0)):
        t = noncentral_t_quantile(p, dof, delta)
        assert noncentral_t_cdf(t, dof, delta) == pytest.approx(p, abs=1e-12)
        assert noncentrality_for(p, t, dof) == pytest.approx(delta, abs=1e-9)


def test_moments_of_the_nodes() -> None:
    for dof in (1, 2.5, 10, 1e6):
        s, w = sd_nodes(dof)
        assert float(w @ s**2) == pytest.approx(1.0, rel=1e-12)  # mean of chi-square over dof


def test_two_sided_factor_by_simulation() -> None:
    # second route besides the tables: share of simulated samples whose interval holds the coverage
    rng = np.random.default_rng(5)
    n, share, level = 7, 0.9973, 0.9
    k = two_sided_factor(n, share, level)
    m = rng.normal(size=200_000) / math.sqrt(n)
    s = np.sqrt(rng.chisquare(n - 1, 200_000) / (n - 1))
    from scipy.special import ndtr

    held = np.mean(ndtr(m + k * s) - ndtr(m - k * s) >= share)
    assert held == pytest.approx(level, abs=4 * math.sqrt(level * (1 - level) / 200_000))


def test_interval_against_the_limits() -> None:
    found = tolerance_interval(0.4585, 0.0005, 30, lower=0.455, upper=0.462)
    assert found.inside is True
    assert found.two_sided[0] == pytest.approx(0.4585 - found.two_sided_factor * 0.0005)
    assert tolerance_interval(0.4585, 0.002, 30, lower=0.455, upper=0.462).inside is False
    # one limit: the one-sided bound decides, and it is nearer than the two-sided one
    edge = 0.4585 + one_sided_factor(30, 0.9973, 0.95) * 0.0005
    assert tolerance_interval(0.4585, 0.0005, 30, upper=edge + 1e-9).inside is True
    assert tolerance_interval(0.4585, 0.0005, 30, upper=edge - 1e-9).inside is False
    assert tolerance_interval(0.4585, 0.0005, 30, lower=0.4585 - (edge - 0.4585) - 1e-9).inside is True
    assert tolerance_interval(0.4585, 0.0005, 30).inside is None


@pytest.mark.parametrize("arguments", [(1, 0.9, 0.95), (10, 1.0, 0.95), (10, 0.9, 0.0)])
def test_what_has_no_factor(arguments: tuple[float, float, float]) -> None:
    with pytest.raises(DataError):
        two_sided_factor(*arguments)
    with pytest.raises(DataError):
        one_sided_factor(*arguments)


@pytest.mark.parametrize("dof", [30.0, 99.0, 2000.0])
@pytest.mark.parametrize("probability", [0.025, 0.5, 0.975])
def test_far_out_the_bound_goes_over_into_that_of_the_standard_deviation(dof: float, probability: float) -> None:
    """Second route: the search below the change-over, carried on in proportion."""
    for side in (1.0, -1.0):
        t = side * STEEP * math.sqrt(dof)
        below, beyond = (noncentrality_for(probability, f * t, dof) / (f * t) for f in (0.999, 1.001))
        assert beyond == pytest.approx(below, rel=5e-6)
        assert noncentrality_for(probability, 1e9 * t, dof) / t == pytest.approx(1e9 * beyond, rel=1e-9)
