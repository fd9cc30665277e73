"""Which distances to take: against all sets of small networks, textbook figures, and what the adjustment then gives."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from networks import EDGES, PLATE, SD, measured, parts_of_network, plate, published

from holeqc.distances import (
    Network,
    adjust_network,
    choose,
    expected_u,
    gauge_factor,
    lacking,
    pairs,
    position_u,
)  # fmt: skip
from holeqc.problems import DataError


def every_set(network: Network, sd: np.ndarray, count: int, floor: float) -> float:
    """Return the smallest worst U of position of all sets of so many distances, each checked; inf for none."""
    sets = np.array(list(itertools.combinations(range(len(network.ends)), count)))
    seen = (sets[:, :, None] == np.arange(len(network.ends))).any(axis=1)
    found = adjust_network(network, np.where(seen, network.measured(network.values()), np.nan), sd)
    good = found.placed.all(axis=1)
    good[good] = np.nanmin(found.redundancy[good], axis=1) >= floor - 1e-9
    return float(position_u(found.covariance[good]).max(axis=1).min(initial=np.inf))


@pytest.mark.parametrize(
    ("points", "edges", "count", "floor"),
    [(5, 0, 8, 0.0), (5, 0, 9, 0.1), (3, 2, 8, 0.0), (3, 2, 7, 0.05), (4, 2, 11, 0.05), (4, 2, 12, 0.05)],
)
def test_the_choice_is_the_best_of_all_sets(points: int, edges: int, count: int, floor: float) -> None:
    rng = np.random.default_rng(points + edges)
    network = Network(rng.uniform(0.5, 4, (points, 2)), pairs(points, edges), EDGES[:edges])
    sd = rng.uniform(0.8, 1.25, len(network.ends)) * SD
    found = choose(network, sd, count, floor=floor)
    assert len(found.distances) == count
    # the search weighs in the other points a little, so it may end beside the best by less than that
    assert found.position_u.max() <= 1.03 * every_set(network, sd, count, floor)
    assert found.unchecked == ()
    np.testing.assert_allclose(found.position_u, expected_u(network, sd, found.distances))


def test_textbook_figures_of_a_point_from_given_ones() -> None:
    # trace of the covariance 4/n from n evenly spread distances; from two at an angle g, 2 / sin² g (elementary)
    for n, worst in ((3, 2 / 3), (4, 1 / 2), (6, 1 / 3)):
        way = np.pi * np.arange(n) / n
        given = np.vstack([[0.0, 0.0], np.stack([np.cos(way), np.sin(way)], axis=1)])
        network = Network(given, np.stack([np.zeros(n, int), np.arange(1, n + 1)], axis=1), fixed=np.arange(n + 1) > 0)
        assert expected_u(network, np.ones(n))[0] == pytest.approx(4 * np.sqrt(worst))
    for g in np.radians([15.0, 30.0, 60.0]):
        given = np.array([[0, 0], [1, 0], [np.cos(g), np.sin(g)]])
        network = Network(given, np.array([[0, 1], [0, 2]]), fixed=np.array([False, True, True]))
        covariance = adjust_network(network, [1.0, 1.0], [1e-3, 1e-3]).covariance
        assert np.trace(covariance) == pytest.approx(2e-6 / np.sin(g) ** 2)


def test_what_leaving_out_a_distance_of_a_published_network_costs() -> None:
    # trace of Q over sigma0² without one distance: networks of Krumm (2020), traces by a second program
    traces = {
        "benning_8_2": [14.0, 9.0, 9.0, 14.0, 8.0],
        "strang_borre_free": [3.75819, 5.77363, 5.77363, 9.66662, 21.13607, 9.66662],
    }
    for name, wanted in traces.items():
        ends, _, _, start, fixed = parts_of_network(published(name))
        network = Network(start, ends, fixed=fixed)
        distance = np.where(np.eye(len(ends), dtype=bool), np.nan, network.measured(network.values()))
        found = adjust_network(network, distance, np.ones(len(ends)))
        np.testing.assert_allclose(np.trace(found.covariance, axis1=1, axis2=2), wanted, atol=6e-6)


def test_what_is_expected_is_what_the_adjustment_gives() -> None:
    possible = plate()
    found = choose(possible, np.full(44, SD), 26)
    network = Network(PLATE, possible.ends[list(found.distances)], EDGES)
    true, distance = measured(network, 3000, off=0.001)
    after = adjust_network(network, distance, np.full(26, SD))
    np.testing.assert_allclose(position_u(after.covariance).mean(axis=0), found.position_u, rtol=2e-3)
    np.testing.assert_allclose(after.redundancy.mean(axis=0), found.redundancy, atol=2e-3)
    # U covers at least 95 % of positions' errors, by the scatter of the adjusted coordinates
    error = 2 * np.hypot(*(after.xy - true).transpose(2, 0, 1))
    assert (error <= found.position_u).mean() > 0.85  # a circle of two sd in the worst direction: 86.5 % if round
    assert found.redundancy.min() >= 0.2
    assert found.unchecked == ()
    # half of the variance a zero error that all readings share
    shared = SD**2 / 2 * (1 + np.eye(44))
    taken = np.ix_(found.distances, found.distances)
    after = adjust_network(network, distance[:1], np.full(26, SD), covariance=shared[taken])
    expected = expected_u(possible, np.full(44, SD), found.distances, covariance=shared)
    np.testing.assert_allclose(position_u(after.covariance)[0], expected, rtol=2e-3)


def test_as_few_as_reach_the_goal_and_each_checked() -> None:
    possible = Network(PLATE[[0, 2, 4, 6]], pairs(4, 2), EDGES)
    sd = np.full(14, SD)
    worst = expected_u(possible, sd).max()
    found = choose(possible, sd, target=1.25 * worst, floor=0.1)
    assert found.reached
    assert found.position_u.max() <= 1.25 * worst
    assert found.unchecked == ()
    assert len(found.distances) < 14
    assert every_set(possible, sd, len(found.distances) - 1, 0.1) > 1.25 * worst
    beyond = choose(possible, sd, target=0.5 * worst)
    assert not beyond.reached
    assert len(beyond.distances) == 14
    # a hole with a tolerance of its own gets the distances
    fine = choose(possible, sd, target=[0.01, 0.01, 1.2 * worst, 0.01], floor=0.1)
    assert fine.reached
    assert len(fine.distances) < len(choose(possible, sd, target=1.2 * worst, floor=0.1).distances)


def test_a_caliper_that_cannot_judge_and_what_would() -> None:
    # U of 0.001 in, sd 0.0005; a quarter of a tolerance of 0.005 in
    possible = plate()
    u = expected_u(possible, np.full(44, SD))
    factor = gauge_factor(u, np.full(8, 0.005))
    assert factor < 1
    finer = expected_u(possible, np.full(44, SD * factor))
    assert finer.max() == pytest.approx(0.00125, rel=1e-6)
    assert gauge_factor(u, np.full(8, 0.060)) > 1


def test_which_distances_are_lacking() -> None:
    network = plate()
    seen = (network.ends != 7).all(axis=1)
    few = lacking(network, seen)
    assert few.unplaced == (7,)
    assert len(few.add) == 2
    seen[list(few.add)] = True
    assert lacking(network, seen) == type(few)((), ())
    distance = np.where(seen, network.measured(network.values()), np.nan)
    assert adjust_network(network, distance, np.full(44, SD)).placed.all()
    row = Network(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]]), pairs(3))
    assert lacking(row, np.ones(3, dtype=bool)) == type(few)((1,), ())
    start = lacking(network, np.zeros(44, dtype=bool))
    assert len(start.unplaced) == 8
    assert len(start.add) == 16


def test_what_cannot_be_chosen_is_told() -> None:
    sd = np.full(44, SD)
    for change, words in (
        ({}, "either"), ({"count": 20, "target": 0.01}, "either"), ({"count": 15}, "15 distances don't place"),
        ({"target": 0.0}, "above zero"),
    ):  # fmt: skip
        with pytest.raises(DataError, match=words):
            choose(plate(), sd, **change)
    with pytest.raises(DataError, match="places point 1"):
        choose(Network(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]]), pairs(3)), np.ones(3), 3)
