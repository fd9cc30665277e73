"""Wrong distances: published bounds and a published blunder, what can't be told apart, and shares by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from networks import EDGES, PLATE, SD, adjusted, measured, parts_of_network, plate, published

from holeqc.distances import (
    Network,
    adjust_network,
    checks,
    global_test,
    pairs,
    part_of,
    shared_covariance,
    suspects,
    to_centres,
)  # fmt: skip
from holeqc.distances.network import critical
from holeqc.problems import DataError


@pytest.mark.parametrize(
    ("n", "level", "bound"),
    [
        (4, 0.10, 1.4131), (5, 0.05, 1.7147), (5, 0.01, 1.7286), (10, 0.05, 2.3643), (10, 0.01, 2.5407),
        (20, 0.05, 2.7651), (20, 0.01, 3.0575), (60, 0.05, 3.2247), (60, 0.01, 3.5869),
    ],
)  # fmt: skip
def test_published_bounds_of_the_tau_test(n: int, level: float, bound: float) -> None:
    # J. Applied Math. 2021, 1478843, table 1: single outlier in a straight line of n values, so n - 2 degrees
    assert critical(n, level, n - 2) == pytest.approx(bound, abs=8e-5)


def test_published_constants_of_data_snooping() -> None:
    # Baarda (1968): 3.29 and 4.13 for a level of 0.1 % and a power of 80 %
    assert critical(1, 0.001) == pytest.approx(3.29, abs=0.005)
    found = adjusted(published("benning_8_2"))
    how = checks(found, level=5 * 0.001)
    np.testing.assert_allclose(how.smallest_error * np.sqrt(found.redundancy) / 0.01, 4.13, atol=0.005)
    assert np.isnan(critical(5, 0.05, 1))


def test_a_published_blunder_of_50_mm_is_named() -> None:
    # Höpke's network in Krumm (2020): 1059-75 listed as 1789.499, the results belong to 1789.449
    network = published("hoepke_free")
    distance = parts_of_network(network)[1]
    k = [row[:2] for row in network["obs"]].index(["1059", "75"])
    distance[k] = 1789.499
    found = adjusted(network, distance=distance, sd_known=False)
    # derived by an independent program from the same input
    assert found.standardised[k] == pytest.approx(-34.2594, abs=1e-4)
    assert found.standardised[k] / found.s0 == pytest.approx(-3.2908, abs=1e-4)
    (suspect,) = suspects(found)
    assert (suspect.index, suspect.or_else) == (k, ())
    assert suspect.error == pytest.approx(0.050, abs=0.0005)
    assert suspect.likely == pytest.approx(1789.449, abs=0.0005)
    # with the stated sd of 1 mm, which the network never had, more than one is beyond chance; this one is the first
    assert suspects(adjusted(network, distance=distance))[0].index == k
    assert checks(found, level=27 * 0.001).smallest_error[k] == pytest.approx(0.0060454, abs=1e-6)


def test_one_degree_of_freedom_shows_an_error_and_not_where() -> None:
    # Ghilani in Krumm (2020), example 14.5: one distance too many; every standardised residual is of one size
    found = adjusted(published("ghilani_14_5"))
    assert global_test(found)
    (suspect,) = suspects(found)
    assert sorted((suspect.index, *suspect.or_else)) == [0, 1, 2, 3, 4]
    assert suspects(adjusted(published("ghilani_14_5"), sd_known=False)) == []


def test_two_wrong_distances_are_named_one_by_one_with_their_likely_values() -> None:
    network = plate()
    _, distance = measured(network, 1, seed=8)
    wrong = distance[0].copy()
    wrong[[4, 33]] += [0.020, -0.010]
    found = suspects(adjust_network(network, wrong, np.full(44, SD)))
    assert [s.index for s in found] == [4, 33]
    for s, error in zip(found, (0.020, -0.010), strict=True):
        assert abs(s.error - error) < 4 * s.sd
        assert s.likely == pytest.approx(s.observed - s.error)
        # as if neither had been measured
        without = np.where(np.isin(np.arange(44), [4, 33]), np.nan, wrong)
        clean = adjust_network(network, without, np.full(44, SD))
        at = np.append(clean.xy.ravel(), EDGES)
        assert s.likely == pytest.approx(network.measured(at)[s.index], abs=SD / 100)  # straight, not along arcs


@pytest.mark.parametrize("error", [1.0, 10.0, 100.0, -0.9])
def test_a_slip_of_any_size_is_named_with_its_likely_value(error: float) -> None:
    # so large that the adjusted figure is bent out of shape, or the iteration doesn't arrive
    network = plate(24)
    _, distance = measured(network, 1, seed=8)
    for k in range(0, 24, 6):
        wrong = distance[0] + error * (np.arange(24) == k)
        found = adjust_network(network, wrong, np.full(24, SD))
        assert global_test(found)
        first = suspects(found, most=1)[0]
        assert first.index == k
        assert first.error == pytest.approx(error, abs=5 * first.sd)


def test_nothing_checks_a_distance_that_no_other_needs() -> None:
    ends = pairs(7, 2)
    ends = np.concatenate([np.where(ends >= 7, ends + 1, ends), [[7, 8], [7, 9]]])  # edges are numbers 8 and 9
    network = Network(PLATE, ends, EDGES)
    _, distance = measured(network, 1)
    distance[0][-1] += 1.0
    found = adjust_network(network, distance[0], np.full(len(ends), SD))
    assert suspects(found) == []
    how = checks(found)
    assert how.checked.tolist() == [True] * (len(ends) - 2) + [False] * 2
    assert np.isinf(how.smallest_error[-2:]).all()
    assert np.isinf(how.moves[-2:]).all()
    assert how.moves_point[-1] == 7
    assert np.isnan(found.standardised[-2:]).all()


def test_the_smallest_error_moves_what_it_is_told_to_move() -> None:
    network = plate(30)
    _, distance = measured(network, 1)
    sd = np.full(30, SD)
    found = adjust_network(network, distance[0], sd)
    how = checks(found)
    for k in (0, 12, 29):
        moved = distance[0] + how.smallest_error[k] * (np.arange(30) == k)
        shift = np.hypot(*(adjust_network(network, moved, sd).xy - found.xy).T)
        assert shift.argmax() == how.moves_point[k]
        assert shift.max() == pytest.approx(how.moves[k], rel=1e-2)


def test_shared_errors_change_what_is_chance() -> None:
    # one pin, 0.003 off its calibrated size, in all distances to hole 0: no suspect where its sd says so
    network = plate(36)
    _, distance = measured(network, 1, seed=3)
    at_0 = (network.ends == 0).any(axis=1)
    distance[0][at_0] -= 0.0015
    of_pin = np.where(network.ends == 0, 0, -1)
    centres = to_centres(
        np.where(network.ends[:, 1] < 8, "over pins", "edge over pin"), distance[0], np.full((36, 2), 0.45), SD,
        hole=0.45, diameter_sd=np.where(network.ends == 0, 0.003, 0.0),
    )  # fmt: skip
    covariance = shared_covariance(centres, of_pin)
    alone = adjust_network(network, distance[0], np.full(36, SD))
    together = adjust_network(network, distance[0], np.full(36, SD), covariance=covariance)
    assert alone.global_p < 0.01 < together.global_p
    assert together.redundancy.sum() == pytest.approx(20)
    assert suspects(together) == []
    distance[0][3] += 0.01
    named = suspects(adjust_network(network, distance[0], np.full(36, SD), covariance=covariance))
    assert [s.index for s in named] == [3]
    assert named[0].error == pytest.approx(0.01, abs=4 * named[0].sd)


def test_shares_by_simulation() -> None:
    # the whole of it: tests/benchmarks/coverage_distances.py; bounds here are four standard errors of these samples
    network, parts = plate(36), 1200
    true, distance = measured(network, parts)
    found = adjust_network(network, distance, np.full(36, SD))
    assert (np.abs(found.xy - true) < 1.96 * found.sd_xy).mean() == pytest.approx(0.95, abs=0.008)
    assert global_test(found).mean() == pytest.approx(0.05, abs=0.025)
    assert np.mean([bool(suspects(part_of(found, k))) for k in range(150)]) < 0.13
    which = np.arange(parts) % 36
    distance[np.arange(parts), which] += 5 * SD / np.sqrt(found.redundancy[0][which])
    again = adjust_network(network, distance, np.full(36, SD))
    assert (np.abs(again.standardised).argmax(axis=1) == which).mean() > 0.9


def test_suspects_are_sought_part_by_part() -> None:
    network = plate(30)
    found = adjust_network(network, measured(network, 2)[1], np.full(30, SD))
    with pytest.raises(DataError, match="one part at a time"):
        suspects(found)
    with pytest.raises(DataError, match="one part already"):
        part_of(part_of(found, 0), 0)
