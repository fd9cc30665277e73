"""Chances and spreads of positions that depend on one another; draws are the second route."""

from __future__ import annotations

import numpy as np
import pytest
from networks import PLATE, SD, measured, plate

from holeqc.distances import adjust_network, difference_covariance, draws, margin_spread, position_conformance
from holeqc.inspection.decision import inside_zone
from holeqc.inspection.pin_gauge import pin_pattern_margin

OFF = np.array([[0.002, -0.001], [0.0045, 0.003], [-0.001, 0.004]])
ZONE = np.array([0.010, 0.012, 0.006])


def scatter() -> np.ndarray:
    root = np.random.default_rng(1).normal(0, 0.001, (6, 6))
    return root @ root.T


def test_the_chance_of_an_ellipse_against_draws() -> None:
    chance = position_conformance(OFF, scatter(), ZONE)
    drawn = draws(OFF, scatter(), 100_000)
    np.testing.assert_allclose(chance, (2 * np.hypot(*drawn.transpose(2, 0, 1)) <= ZONE).mean(axis=0), atol=0.005)
    np.testing.assert_allclose(np.cov(drawn.reshape(len(drawn), 6).T), scatter(), atol=1e-7)
    np.testing.assert_allclose(drawn.mean(axis=0), OFF, atol=1e-12)


def test_a_round_ellipse_is_the_circle_that_the_verdicts_use() -> None:
    u = 0.0008
    chance = position_conformance(OFF, u * u * np.eye(6), ZONE)
    far = np.hypot(*OFF.T)
    nothing = np.zeros(3)
    np.testing.assert_allclose(chance, inside_zone(far, ZONE, nothing, nothing, nothing + u, nothing), atol=1e-9)


def test_exact_places_are_in_or_out() -> None:
    on = np.array([[0.005 - 1e-6, 0.0], [0.005 + 1e-6, 0.0], [0.0, 0.0]])
    np.testing.assert_allclose(position_conformance(on, np.zeros((6, 6)), [0.01, 0.01, 0.0]), [1, 0, 0], atol=1e-9)
    line = np.zeros((6, 6))
    line[0, 0] = 1e-6  # a coordinate that is given, the other measured
    assert position_conformance(np.zeros((3, 2)), line, [0.002] * 3)[0] == pytest.approx(0.6827, abs=1e-4)
    assert np.isnan(position_conformance(OFF, np.full((6, 6), np.nan), ZONE)).all()


def test_hole_to_hole_counts_what_both_share() -> None:
    network = plate()
    _, distance = measured(network, 1)
    shared = np.full((44, 44), 4e-8) + 1e-8 * np.eye(44)
    found = adjust_network(network, distance[0], np.full(44, SD), covariance=shared)
    apart = difference_covariance(found.covariance, [0, 2], [1, 5])
    drawn = draws(found.xy, found.covariance, 50_000)
    for k, (i, j) in enumerate(((0, 1), (2, 5))):
        way = drawn[:, j] - drawn[:, i]
        np.testing.assert_allclose(apart[k], np.cov(way.T), atol=0.03 * np.abs(apart[k]).max())
        # a common error of the gauge moves both alike
        own = np.diag(found.covariance)[[2 * i, 2 * i + 1, 2 * j, 2 * j + 1]]
        assert np.trace(apart[k]) < 0.8 * own.sum()


def test_pins_together_from_a_free_network() -> None:
    network = plate(24, edges=False)
    true, distance = measured(network, 300, off=0.003)
    found = adjust_network(network, distance, np.full(24, SD))
    clear = np.full(8, 0.452 - 0.436)

    def margin(hole: np.ndarray) -> np.ndarray:
        return np.asarray(pin_pattern_margin(PLATE, hole, clear + 0.436, np.full(8, 0.436)).margin)

    spread = margin_spread(found.xy[:4], found.covariance[:4], margin, count=200)
    again = margin_spread(found.xy[0], found.covariance[0], margin, count=200)
    assert again.u == spread.u[0]
    # the second route: how far margins of measured parts are from their true ones
    error = margin(found.xy) - margin(true)
    assert spread.u.mean() == pytest.approx(2 * error.std(), rel=0.2)
    assert ((spread.chance >= 0) & (spread.chance <= 1)).all()
    assert margin_spread(found.xy[0], np.full((16, 16), np.nan), lambda hole: hole[:, 0, 0]).chance != 1
