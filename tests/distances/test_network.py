"""Distances to coordinates: published networks to printed digits, and what must hold for any network."""

from __future__ import annotations

import numpy as np
import pytest
from networks import EDGES, PLATE, PUBLISHED, SD, adjusted, measured, parts_of_network, plate, published
from scipy.optimize import least_squares

from holeqc.distances import Network, adjust, adjust_network, pairs
from holeqc.problems import DataError


@pytest.mark.parametrize("network", [n for n in PUBLISHED if n["sigma0"] != 1], ids=lambda n: n["id"])
def test_published_networks_to_printed_digits(network: dict) -> None:
    found, sigma0 = adjusted(network), network["sigma0"]
    sd = found.sd_xy * found.s0 * 100
    got: dict[str, float] = {
        "s0_mm": found.s0 * sigma0 * 1000, "s0_rel": found.s0 * sigma0, "redundancy": found.degrees_of_freedom,
        "global_T": found.statistic, "trace_Q": np.trace(found.covariance) / sigma0**2,
    }  # fmt: skip
    for k, name in enumerate(network["points"]):
        got |= {f"{name}.x": found.xy[k, 0], f"{name}.y": found.xy[k, 1], f"{name}.sp_cm": np.hypot(*sd[k])}
        got |= {f"{name}.sx_cm": sd[k, 0], f"{name}.sy_cm": sd[k, 1]}
    for k, (a, b, *_) in enumerate(network["obs"]):
        got[f"v_{a}-{b}_cm"] = found.residuals[k] * 100
    for name, (value, tolerance, _) in network["values"].items():
        assert abs(got[name] - value) <= (1e-5 * abs(value) if tolerance is None else tolerance), name
    assert found.redundancy.sum() == pytest.approx(found.degrees_of_freedom)


def test_unweighted_and_weights_by_length() -> None:
    # Ghilani and Wolf, chapter 14, station U from three given ones; results derived by an independent program
    network = published("ghilani_14_2_intersection")
    distance = parts_of_network(network)[1]
    for name, sd in (("unweighted", np.ones(3)), ("weights_1mm+2ppm", 0.001 + 2e-6 * distance)):
        found = adjusted(network, sd=sd)
        got = {"x": found.xy[3, 0], "y": found.xy[3, 1], "s0": found.s0} | dict(
            zip(("sx", "sy", "vA", "vB", "vC"), (*found.sd_xy[3] * found.s0, *found.residuals), strict=True)
        )
        for key, (value, *_) in network["values"].items():
            if key.startswith(name + "."):
                assert got[key.removeprefix(name + ".")] == pytest.approx(value, abs=6e-6), key


def test_correlated_prior_coordinates() -> None:
    # Krumm (2020), example 2.3: a line of heights, two of them known beforehand with a covariance; mm printed
    # as points on a line: their x, the prior as distances from an edge at 0
    height = np.array([107.7541, 103.4535, 105.6364, 115.7072, 112.8826])  # 2, 3, 6, 7, 8
    start = np.stack([height, np.zeros(5)], axis=1)
    rows = [(0, 4, 5.128, 700), (1, 2, 2.183, 500), (1, 3, 12.254, 500), (2, 3, 10.071, 800), (4, 3, 2.824, 800)]
    ends = np.array([*([a, b] for a, b, *_ in rows), [0, 5], [1, 5]])
    covariance = np.zeros((7, 7))
    covariance[:5, :5] = np.diag([s / 1000 for *_, s in rows])
    covariance[5:, 5:] = [[0.0025, -0.0015], [-0.0015, 0.0036]]
    fixed = np.tile([False, True], (5, 1))
    network = Network(start, ends, np.array([[0.0, 0.0]]), fixed)
    distance = np.array([d for *_, d, _ in rows] + [107.7541, 103.4535])
    found = adjust_network(network, distance, np.ones(7) / 1000, covariance=covariance / 1e6)
    assert found.degrees_of_freedom == 2
    assert found.redundancy.sum() == pytest.approx(2)
    np.testing.assert_allclose(found.xy[:, 0], [107.7541, 103.4535, 105.6364, 115.7072, 112.8826], atol=6e-5)
    np.testing.assert_allclose(found.sd_xy[:, 0] * found.s0 * 1000, [0.04, 0.04, 0.43, 0.39, 0.48], atol=0.006)
    np.testing.assert_allclose(found.residuals[:5] * 1000, [0.52, -0.10, -0.27, -0.17, 0.60], atol=0.006)


def test_free_and_bound_give_one_shape() -> None:
    network = published("strang_borre_free")
    free = adjusted(network)
    fixed = np.zeros((4, 2), dtype=bool)
    fixed[2], fixed[3, 1] = True, True
    bound = adjusted(network, fixed=fixed)
    np.testing.assert_allclose(bound.residuals, free.residuals, atol=1e-9)
    np.testing.assert_allclose(bound.redundancy, free.redundancy, atol=1e-7)
    # traces over sigma0 squared: free_network, own second computation of the same record
    assert np.trace(free.covariance) / 1e-4 == pytest.approx(3.18315015, abs=1e-6)
    assert np.trace(bound.covariance) / 1e-4 == pytest.approx(7.14968340, abs=1e-6)
    shapes = []
    for found in (free, bound):
        every = Network(found.xy, pairs(4))
        rows = every.design(every.values())[1]
        shapes.append(rows @ found.covariance @ rows.T)
    np.testing.assert_allclose(*shapes, atol=1e-11)


@pytest.mark.parametrize(("first", "others", "left"), [([1, 0], [0, 0], 2), ([1, 1], [0, 0], 1), ([1, 0], [1, 0], 1)])
def test_partly_given_coordinates(first: list, others: list, left: int) -> None:
    network = plate(24, edges=False)
    true, distance = measured(network, 1)
    fixed = np.array([first, *[others] * 7], dtype=bool)
    start = np.where(fixed, true[0], PLATE)
    found = adjust(network.ends, distance[0], np.full(24, SD), start, fixed)
    assert found.free_motions == left
    np.testing.assert_array_equal(found.xy[fixed], start[fixed])
    if fixed.sum() <= 2:  # nothing but place given: the shape of the free network
        free = adjust(network.ends, distance[0], np.full(24, SD), PLATE)
        np.testing.assert_allclose(found.residuals, free.residuals, atol=1e-9)


def test_against_a_general_solver() -> None:
    # a second route: scipy's least squares, derivatives by differences
    network = plate(26)
    _, distance = measured(network, 3)
    found = adjust_network(network, distance, np.full(26, SD))
    for part in range(3):
        other = least_squares(
            lambda x, part=part: (network.measured(np.append(x, EDGES)) - distance[part]) / SD,
            PLATE.ravel(), xtol=1e-14, ftol=1e-14, gtol=1e-14,
        )  # fmt: skip
        np.testing.assert_allclose(found.xy[part].ravel(), other.x, atol=1e-7)
        np.testing.assert_allclose(found.covariance[part], np.linalg.inv(other.jac.T @ other.jac), rtol=1e-3, atol=1e-9)
        assert found.statistic[part] == pytest.approx(2 * other.cost, rel=1e-6)


def test_slopes_are_those_of_what_would_be_measured() -> None:
    # edges: given, leaning, far with its normal the same way, far with its normal the other way
    edges = np.array([[0.1, 0.2], [1.7, -0.3], [0.1, 10.0], [0.1 + np.pi, -11.0]])
    ends = np.concatenate([pairs(3, 4), [[3, 5], [3, 6], [5, 6], [3, 4]]])
    network = Network(PLATE[:3], ends, edges, edges_fixed=np.zeros(4, dtype=bool))
    at = network.values() + 0.01
    value, slopes = network.design(at)
    # along the one normal the edges lie at 0.21, 10.01 and 10.99
    np.testing.assert_allclose(value[-4:], [10.01 - 0.21, 10.99 - 0.21, 10.99 - 10.01, 1.6])
    for k, step in enumerate(1e-6 * np.eye(at.size)):
        by = (network.measured(at + step) - network.measured(at - step)) / 2e-6
        np.testing.assert_allclose(slopes[:, k], by, atol=1e-8)


def test_moving_turning_renaming_and_order_change_nothing() -> None:
    network = plate(22, edges=False)
    _, distance = measured(network, 1)
    sd = np.random.default_rng(4).uniform(0.5, 2, 22) * SD
    plain = adjust(network.ends, distance[0], sd, PLATE)
    turn = np.array([[np.cos(2.0), -np.sin(2.0)], [np.sin(2.0), np.cos(2.0)]])
    moved = adjust(network.ends, distance[0], sd, PLATE @ turn.T + [300.0, -70.0])
    np.testing.assert_allclose(moved.xy, plain.xy @ turn.T + [300.0, -70.0], atol=1e-9)
    far = adjust(network.ends, distance[0], sd, PLATE + np.array([5e6, -3e6]))  # surveys have such
    np.testing.assert_allclose(far.xy - [5e6, -3e6], plain.xy, atol=2e-9)
    big = np.kron(np.eye(8), turn)
    np.testing.assert_allclose(moved.covariance, big @ plain.covariance @ big.T, atol=1e-12)
    rng = np.random.default_rng(5)
    name, order = rng.permutation(8), rng.permutation(22)
    back = np.argsort(name)
    other = adjust(name[network.ends[order]][:, ::-1], distance[0][order], sd[order], PLATE[back])
    np.testing.assert_allclose(other.xy[name], plain.xy, atol=1e-9)
    np.testing.assert_allclose(other.standardised, plain.standardised[order], atol=1e-6)


def test_one_more_distance_never_makes_a_coordinate_worse() -> None:
    whole = plate()
    rng = np.random.default_rng(6)
    order = rng.permutation(len(whole.ends))
    seen = np.arange(len(order))[None, :] < np.arange(24, 45)[:, None]
    distance = np.where(seen[:, np.argsort(order)], whole.measured(whole.values()), np.nan)
    covariance = adjust_network(whole, distance, rng.uniform(0.5, 2, 44) * SD).covariance
    assert not np.isnan(covariance).any()
    assert np.linalg.eigvalsh(covariance[:-1] - covariance[1:]).min() > -1e-13


@pytest.mark.parametrize("wrong", ["scaled", "turned", "scattered"])
def test_bad_starts_arrive(wrong: str) -> None:
    network = published("hoepke_free")
    start = parts_of_network(network)[3]
    middle = start.mean(axis=0)
    turn = np.array([[0.0, -1.0], [1.0, 0.0]])
    changed = {
        "scaled": middle + 1.6 * (start - middle), "turned": middle + (start - middle) @ turn,
        "scattered": start + np.random.default_rng(7).normal(0, 300, start.shape),
    }[wrong]  # fmt: skip
    found, good = adjusted(network, start=changed), adjusted(network)
    assert found.s0 == pytest.approx(good.s0, rel=1e-6)
    np.testing.assert_allclose(found.residuals, good.residuals, atol=1e-6)


def test_parts_are_adjusted_as_each_alone() -> None:
    network = plate(28)
    _, distance = measured(network, 40)
    distance[5:25, 3], distance[7, 10], distance[9] = np.nan, np.nan, np.nan
    sd = np.full(28, SD)
    together = adjust_network(network, distance, sd)
    for part in (0, 5, 7, 39):
        alone = adjust_network(network, distance[part], sd)
        np.testing.assert_allclose(together.xy[part], alone.xy, atol=1e-9)
        np.testing.assert_allclose(together.covariance[part], alone.covariance, rtol=1e-6, atol=1e-15)
        assert together.degrees_of_freedom[part] == alone.degrees_of_freedom
    assert not together.placed[9].any()
    assert np.isnan(together.xy[9]).all()
    assert adjust_network(network, distance[:0], sd).xy.shape == (0, 8, 2)


def test_a_free_network_lies_as_close_to_its_start_as_it_can() -> None:
    network = plate(24, edges=False)
    off = adjust_network(network, measured(network, 30)[1], np.full(24, SD)).xy - PLATE
    np.testing.assert_allclose(off.mean(axis=1), 0, atol=1e-12)
    x, y = (PLATE - PLATE.mean(axis=0)).T
    np.testing.assert_allclose((x * off[..., 1] - y * off[..., 0]).sum(axis=1), 0, atol=1e-9)


def test_a_hole_that_nothing_places_leaves_the_others_as_they_are() -> None:
    network = plate()
    _, distance = measured(network, 1)
    of_last = (network.ends == 7).any(axis=1)
    few = np.where(of_last, np.nan, distance[0])
    few[np.flatnonzero(of_last)[0]] = distance[0][np.flatnonzero(of_last)[0]]  # one distance isn't enough
    found = adjust_network(network, few, np.full(44, SD))
    keep = ~of_last
    others = adjust_network(Network(PLATE[:7], pairs(7, 2), EDGES), distance[0][keep], np.full(keep.sum(), SD))
    assert found.placed.tolist() == [True] * 7 + [False]
    np.testing.assert_allclose(found.xy[:7], others.xy, atol=1e-9)
    np.testing.assert_allclose(found.covariance[:14, :14], others.covariance, rtol=1e-9)
    assert np.isnan(found.covariance[14:]).all()
    assert np.isnan(found.residuals[of_last]).all()


def test_holes_in_one_line_are_not_placed_across_it() -> None:
    row = Network(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0], [2.0, 1.0]]), pairs(4))
    in_line = np.isin(row.ends, [0, 1, 2]).all(axis=1) | (row.ends == [0, 3]).all(axis=1)
    in_line |= (row.ends == [2, 3]).all(axis=1)
    # readings that don't meet by 0.001 would bend the row by 0.02 and look sound
    distance = np.where(in_line, row.measured(row.values()) + np.array([5, 0, 0, 5, 0, 0]) * 1e-4, np.nan)
    found = adjust_network(row, distance, np.full(6, SD))
    assert found.placed.tolist() == [True, False, True, True]


@pytest.mark.parametrize(("off", "placed"), [(0.02, False), (0.03, False), (0.08, True), (0.2, True)])
def test_a_hole_nearly_in_line_is_placed_where_its_covariance_holds(off: float, placed: bool) -> None:
    basic = np.array([[1.0, 1.0], [3.0, 1.0], [2.0, 1.0 + off]])
    network = Network(basic, np.array([[0, 1], [0, 3], [0, 4], [1, 3], [1, 4], [0, 2], [1, 2]]), EDGES)
    true, distance = measured(network, 2000, off=0.003)
    found = adjust_network(network, distance, np.full(7, SD))
    assert (found.placed == [True, True, placed]).all()
    if placed:
        inside = np.abs(found.xy - true) < 1.96 * found.sd_xy
        np.testing.assert_allclose(inside.mean(axis=0), 0.95, atol=0.02)  # four standard errors


def test_edges_with_an_angle_and_a_far_edge() -> None:
    # normals: A (x = 0) given, B leans by 2 mrad as measured, C opposite to A at a place that is measured across
    edges = np.array([*EDGES, [0.0, 10.0]])
    ends = np.concatenate([pairs(8, 3), [[8, 9], [8, 10]]])
    network = Network(PLATE, ends, edges, edges_fixed=np.array([[1, 1], [0, 1], [1, 0]], dtype=bool))
    true = network.values()
    true[18], true[21] = np.pi / 2 + 0.002, 10.004
    x, y = PLATE.T
    distance = network.measured(true)
    to_b = (ends[:, 1] == 9) & (ends[:, 0] < 8)
    np.testing.assert_allclose(distance[to_b], -np.sin(0.002) * x + np.cos(0.002) * y)
    sd = np.where((ends == [8, 9]).all(axis=1), 1e-4, SD)
    found = adjust_network(network, distance, sd)
    np.testing.assert_allclose(found.xy, PLATE, atol=1e-9)
    np.testing.assert_allclose(found.edges, [[0, 0], [np.pi / 2 + 0.002, 0], [0, 10.004]], atol=1e-9)
    assert found.free_motions == 0
    assert found.redundancy.sum() == pytest.approx(len(ends) - 18)


def test_any_network_adds_up() -> None:
    # points, edges, what is given, distances, missing ones and shared errors at random, most of them too few
    rng = np.random.default_rng(9)
    for case in range(40):
        points, edges = int(rng.integers(2, 7)), int(rng.integers(0, 4))
        every = pairs(points, edges)
        ends = every[np.sort(rng.permutation(len(every))[: int(rng.integers(1, len(every) + 1))])]
        lines = np.array([*EDGES, [0.0, 10.0]])[:edges]
        known = rng.random((edges, 2)) < 0.8
        network = Network(PLATE[rng.permutation(8)[:points]], ends, lines, rng.random((points, 2)) < 0.2, known)
        distance = network.measured(network.values()) + rng.normal(0, SD, (3, len(ends)))
        distance[rng.random(distance.shape) < 0.1] = np.nan
        shared = SD**2 * (np.eye(len(ends)) + 0.5) if case % 3 == 0 else None
        found = adjust_network(network, distance, np.full(len(ends), SD), covariance=shared)
        np.testing.assert_allclose(np.nansum(found.redundancy, axis=1), found.degrees_of_freedom, atol=1e-5)
        lost = np.isnan(found.whole_covariance).all(axis=2)[:, : 2 * points].reshape(3, points, 2)
        sought = network.free[: 2 * points].reshape(points, 2)
        np.testing.assert_array_equal(lost, ~found.placed[..., None] & sought)
        whole = np.nan_to_num(found.whole_covariance)
        assert np.linalg.eigvalsh(whole).min() > -1e-7 * whole.max(initial=1e-12)
        assert (found.converged | ~found.placed.all(axis=1)).all()


def test_an_edge_that_nothing_places_is_unknown() -> None:
    # the far edge's place follows from one distance only where its direction is known
    edges = np.array([*EDGES, [0.0, 10.0]])
    network = Network(PLATE, np.concatenate([pairs(8, 2), [[0, 10]]]), edges, edges_fixed=edges[:, 1] == 0)
    found = adjust_network(network, network.measured(network.values()), np.full(45, SD))
    assert found.placed.all()
    assert np.isnan(found.edges[2]).all()
    assert np.isnan(found.residuals[-1])
    lying = Network(PLATE, network.ends, edges, edges_fixed=np.array([[1, 1], [1, 1], [1, 0]]))
    known = adjust_network(lying, network.measured(network.values()), np.full(45, SD))
    assert known.edges[2] == pytest.approx([0, 10])
    assert np.isnan(known.standardised[-1])


def test_a_zero_error_that_all_readings_share_is_not_averaged_away() -> None:
    network = Network(np.array([[2.0, 0.0]]), np.array([[0, 1], [0, 1], [0, 1], [0, 2]]), EDGES)
    common = np.full((4, 4), 4e-8) + np.diag(np.full(4, 1e-8))
    found = adjust_network(network, [2.0, 2.0, 2.0, 0.0], np.full(4, SD), covariance=common)
    assert found.covariance[0, 0] == pytest.approx(4e-8 + 1e-8 / 3)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"ends": [[0, 1], [1, 9]]}, "0 to 2; found 0 to 9"),
        ({"ends": [[0, 1], [1, 1]]}, "distance 1 has the same end twice"),
        ({"distance": [1.0, -1.0]}, "distance 1 is below zero"),
        ({"distance": [1.0, np.inf]}, "infinite"),
        ({"sd": [0.1, 0.0]}, "above zero"),
        ({"start": [[0, 0], [1, 0]]}, "0 to 1; found 0 to 2"),
        ({"distance": [1.0]}, "shape"),
        ({"fixed": [2, 0, 0]}, "true and false"),
        ({}, "don't place points 0, 1, 2 to one another"),
        ({"start": np.zeros((3, 2))}, "distance 0, 1: both ends start at one point"),
        ({"start": [[0, 0], [1, 0], [1, 1e-9]]}, "distance 1: both ends start at one point"),
        ({"sd": [np.nan, np.nan]}, "sd has no number"),
        ({"ends": np.zeros((0, 2)), "distance": [], "sd": []}, "ends is empty"),
        ({"distance": []}, "distance is empty"),
        ({"start": []}, "start is empty"),
        ({"ends": [[0, 1], [1, 2], [2, 0]], "distance": [1, 1, 5], "sd": [0.1] * 3},
         "distances 0, 1, 2 make no triangle: 5 is longer than 1 and 1 together"),
        ({"ends": [[0, 1], [1, 2], [2, 3], [3, 0]], "distance": [1.0] * 4, "sd": [0.1] * 4,
          "start": [[0, 0], [1, 0], [1, 1], [0, 1]]}, "don't place points 0, 1, 2, 3 to one another"),
        ({"ends": [[0, 1], [1, 2], [2, 0], [2, 3]], "distance": [1, 1, 1.4, 1], "sd": [0.1] * 4,
          "start": [[0, 0], [1, 0], [1, 1], [0, 1]]}, "don't place point 3;"),
    ],
)
def test_what_cannot_be_adjusted_is_told(change: dict, words: str) -> None:
    good = {"ends": [[0, 1], [1, 2]], "distance": [1.0, 1.0], "sd": [0.1, 0.1], "start": [[0, 0], [1, 0], [1, 1]]}
    with pytest.raises(DataError, match=words):
        adjust(**good | change)
