"""Factors of control charts against two printed tables and a separate calculation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statistics_data import half_unit, records

from holeqc.problems import DataError
from holeqc.statistics.basics import legendre
from holeqc.statistics.subgroups import (
    c4,
    chart_factors,
    d2,
    d3,
    equivalent_degrees_of_freedom,
    for_sizes,
    moving_range_relative_variance,
)


@pytest.mark.parametrize("count", [64, 120, 240, 300, 400, 7])
def test_quadrature_nodes_are_the_library_s(count: int) -> None:
    # second route: Bonnet's recursion, whose polynomial is zero at each node; weight 2 / ((1 - x^2) P'(x)^2)
    # (Abramowitz & Stegun 25.4.29)
    x, w = legendre(count)
    for found, expected in zip((x, w), np.polynomial.legendre.leggauss(count), strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-12, atol=1e-15)  # both solve an eigenproblem to some eps
    before, now = np.ones_like(x), x.copy()
    for n in range(2, count + 1):
        before, now = now, ((2 * n - 1) * x * now - (n - 1) * before) / n
    slope = count * (before - x * now) / (1 - x * x)
    np.testing.assert_allclose(w, 2 / ((1 - x * x) * slope**2), rtol=1e-9)
    assert np.max(np.abs(now / slope)) < 1e-14  # how far Newton's method would still move a node


def test_the_range_of_two_is_that_of_a_normal_from_zero() -> None:
    # E|x - y| and sd of |x - y| of two standard normals: the half normal with sigma sqrt 2, here by quadrature
    x, w = legendre(240)
    r = 6.0 * (x + 1)  # 0 to 12
    density = np.exp(-r * r / 4) / math.sqrt(math.pi) * w * 6.0
    first, second = float(density @ r), float(density @ r**2)
    assert d2(2) == pytest.approx(first, rel=1e-12)
    assert d3(2) == pytest.approx(math.sqrt(second - first**2), rel=1e-12)


# the print is wrong there: the other table and the definition agree against it (see the note column)
MISPRINTS = {("d3", 5), ("D4", 17), ("D4", 18), ("d3", 21), ("d3", 23), ("inv_d2", 2)}


def value(factor: str, n: int) -> float:
    of_range = {"d2": d2, "d3": d3, "c4": c4}
    name = factor.removeprefix("inv_")
    found = of_range[name](n) if name in of_range else getattr(chart_factors(n), name)
    return 1 / found if factor.startswith("inv_") else found


def test_printed_factors() -> None:
    rows = records("chart_factors.csv")
    assert len(rows) == 256
    for row in rows:
        n, factor = int(row["n"]), row["factor"]
        unit = half_unit(row["printed"])
        off = abs(value(factor, n) - float(row["printed"]))
        if row["note"] == "misprint":
            assert (factor, n) in MISPRINTS
            assert off > 3 * unit
        else:
            assert off <= (3 * unit if row["note"] == "last digit" else unit), row


def test_definitions_worked_out_elsewhere() -> None:
    for row in records("chart_factors_definitions.csv"):
        for factor, text in row.items():
            if factor != "n":
                assert value(factor, int(row["n"])) == pytest.approx(float(text), abs=5.1e-9), (factor, row["n"])


@pytest.mark.parametrize(
    ("factor", "n", "expected"),
    [
        # closed forms: c4(2) = sqrt(2/pi), d2(2) = 2/sqrt(pi), d2(3) = 3/sqrt(pi), d3(2) = sqrt(2 - 4/pi)
        (c4, 2, math.sqrt(2 / math.pi)),
        (d2, 2, 2 / math.sqrt(math.pi)),
        (d2, 3, 3 / math.sqrt(math.pi)),
        (d3, 2, math.sqrt(2 - 4 / math.pi)),
        (c4, 3, math.sqrt(math.pi) / 2),
    ],
)
def test_closed_forms(factor: object, n: int, expected: float) -> None:
    # d3 is the worst conditioned: the root of 2 - d2**2 = 0.73, where 2 is a sum of 2 w (1 - P) over w up to 12.9. P is
    # a product of matrices, whose sum each library rounds in its own order; an error of 4 eps in P makes one of
    # 4 eps * 12.9**2 = 1.5e-13 in the 2 and of that / (2 d3) = 9e-14 in d3. A wrong formula is off by thousandths.
    assert factor(n) == pytest.approx(expected, rel=2e-13)  # type: ignore[operator]


def test_large_subgroups() -> None:
    # second route: c4 by the next size, c4(n) c4(n + 1) = sqrt((n - 1) / n) follows from the gamma function
    for n in (290, 299, 300, 301, 1000, 123_456):
        # four gamma functions, each good to ten last places (20 eps) whatever C library it stands on, and a few roots;
        # the first term left out of the expansion is 1e-18 at 301
        assert c4(n) * c4(n + 1) == pytest.approx(math.sqrt((n - 1) / n), rel=100 * np.finfo(float).eps)
    # second route for the range of many values: simulation
    rng = np.random.default_rng(11)
    ranges = np.ptp(rng.normal(size=(20_000, 200)), axis=1)
    assert d2(200) == pytest.approx(ranges.mean(), abs=4 * ranges.std() / math.sqrt(20_000))
    assert d3(200) == pytest.approx(ranges.std(), rel=0.03)


def test_for_sizes_keeps_the_shape() -> None:
    np.testing.assert_array_equal(for_sizes(d2, [[2, 5], [5, 3]]), [[d2(2), d2(5)], [d2(5), d2(3)]])
    np.testing.assert_array_equal(for_sizes(c4, [4, 4]), [c4(4), c4(4)])


def test_equivalent_degrees_of_freedom() -> None:
    for dof in (1, 5, 20, 299, 301, 5000):  # a standard deviation is equivalent to itself
        relative = 1 / c4(dof + 1) ** 2 - 1
        assert equivalent_degrees_of_freedom(relative) == pytest.approx(dof, rel=1e-9 * dof)
    rng = np.random.default_rng(2)  # second route: simulated mean moving ranges
    for n in (2, 3, 20):
        x = rng.normal(size=(200_000, n))
        mr = np.abs(np.diff(x, axis=1)).mean(axis=1)
        assert moving_range_relative_variance(n - 1) == pytest.approx(mr.var() / mr.mean() ** 2, rel=0.02)


@pytest.mark.parametrize("n", [1, 0, 2.5])
def test_impossible_sizes(n: float) -> None:
    with pytest.raises(DataError, match="whole number"):
        chart_factors(n)  # type: ignore[arg-type]
