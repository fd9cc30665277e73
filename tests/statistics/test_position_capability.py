"""Position capability: nothing is published with data; closed forms, noncentral chi-square and simulation check it."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest

from holeqc.problems import DataError
from holeqc.statistics.position_capability import (
    ellipse_reach,
    index_of_content,
    mardia,
    position_capability,
    share_in_circle,
    share_interval,
)


def positions(n: int = 100, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.normal(0.0006, 0.0011, n), rng.normal(-0.0003, 0.0008, n)


def test_share_in_circle_closed_form() -> None:
    radius = np.array([0.0, 0.5, 1, 2, 4, 30])
    np.testing.assert_allclose(share_in_circle([0, 0], 4 * np.eye(2), radius), 1 - np.exp(-radius**2 / 8), atol=1e-14)


def test_share_in_circle_off_centre() -> None:
    # second route: the squared distance of equal sigmas is a noncentral chi-square with 2 degrees of freedom
    from scipy.stats import ncx2

    radius = np.array([1.0, 2, 4, 9])
    np.testing.assert_allclose(share_in_circle([1, 2], 4 * np.eye(2), radius), ncx2.cdf(radius**2 / 4, 2, 5 / 4),
                               atol=1e-13)


@pytest.mark.parametrize(("centre", "covariance"), [
    ([0.5, -0.3], [[4, 1.5], [1.5, 1]]), ([0.5, -0.3], [[1e-6, 0], [0, 2]]), ([3, 0], [[0.2, -0.1], [-0.1, 0.3]]),
])
def test_share_in_circle_by_simulation(centre: list[float], covariance: list[list[float]]) -> None:
    rng = np.random.default_rng(3)
    distance = np.hypot(*rng.multivariate_normal(centre, covariance, 400_000).T)
    for radius in (1.0, 2.5, 4.0):
        expected = float(np.mean(distance < radius))
        found = float(share_in_circle(centre, covariance, radius))
        assert found == pytest.approx(expected, abs=4 * math.sqrt(0.25 / 400_000))


def test_share_for_many_at_once() -> None:
    centres = np.array([[0, 0], [1, 1.0]])
    covariances = np.array([np.eye(2), [[2, 0.5], [0.5, 1]]])
    found = share_in_circle(centres[:, None, :], covariances[:, None, :, :], np.array([1.0, 2.0, 3.0]))
    assert found.shape == (2, 3)
    assert found[1, 2] == pytest.approx(float(share_in_circle(centres[1], covariances[1], 3.0)), rel=1e-14)


def test_ellipse_reach() -> None:
    even = ellipse_reach(np.array([[0.3, 0], [0, 0], [2, 0]]), np.array([0.04 * np.eye(2)] * 3), 1.0)
    np.testing.assert_allclose(even, [3.5, 5.0, 0.0], rtol=1e-12)
    # second route: the least distance over two million angles
    covariance = np.array([[4, 1.5], [1.5, 1]])
    angle = np.linspace(0, 2 * np.pi, 2_000_001)
    d = np.column_stack([2 * np.cos(angle), 2 * np.sin(angle)]) - [0.3, 0.1]
    slow = math.sqrt(np.min(np.einsum("ij,jk,ik->i", d, np.linalg.inv(covariance), d)))
    assert ellipse_reach(np.array([[0.3, 0.1]]), covariance[None], 2.0)[0] == pytest.approx(slow, rel=1e-9)


def test_index_of_a_content_is_the_usual_one_for_one_coordinate() -> None:
    from scipy.special import ndtr

    for cp in (0.5, 1.0, 1.67):
        assert float(index_of_content(2 * ndtr(-3 * cp))) == pytest.approx(cp, rel=1e-12)


def test_whole_result() -> None:
    x, y = positions(seed=2)
    found = position_capability(x, y, 0.011)
    got = json.loads(json.dumps(found.as_dict(), allow_nan=False))
    assert {"n", "Pp", "Ppk", "share_inside", "outside", "intervals", "stability"} <= set(got)
    assert found.Pp is not None
    assert found.Ppk is not None
    assert found.share_inside is not None
    assert found.ellipse_content is not None
    assert found.Ppk < found.Pp  # off centre
    assert found.ellipse_content < found.share_inside  # the ellipse is only part of the circle
    assert found.share_inside == pytest.approx(
        float(share_in_circle([x.mean(), y.mean()], np.cov(x, y), 0.0055)), rel=1e-12)
    centred = position_capability(x - x.mean(), y - y.mean(), 0.011)
    assert centred.Ppk == pytest.approx(found.Pp, rel=1e-9)
    for name in ("Pp", "Ppk"):
        low, high = found.intervals[name]
        assert low is not None
        assert high is not None
        assert low < got[name] < high
    turned = position_capability(y, -x, 0.011)  # turning the part by 90 degrees changes nothing
    assert turned.Ppk == pytest.approx(found.Ppk, rel=1e-9)
    assert turned.sd_axes == pytest.approx(found.sd_axes, rel=1e-12)
    assert turned.directions[0] == pytest.approx((found.directions[0] - 90) % 180, abs=1e-6)


def test_interval_of_the_index_holds_by_simulation() -> None:
    rng = np.random.default_rng(5)
    covariance, centre = np.array([[1.0, 0.3], [0.3, 0.6]]), np.array([0.4, -0.2])
    reach = ellipse_reach(centre[None], covariance[None], 4.0)
    true = float(index_of_content(np.exp(-reach**2 / 2))[0])
    held = 0
    for _ in range(20):
        x, y = rng.multivariate_normal(centre, covariance, 60).T
        low, high = position_capability(x, y, 8.0).intervals["Ppk"]
        assert low is not None
        assert high is not None
        held += low <= true <= high
    assert held >= 16  # 95 % nominal; 16 of 20 or more with chance 0.997


def test_bonus_counts_for_its_own_hole() -> None:
    x, y = positions(400)
    rng = np.random.default_rng(2)
    bonus = rng.uniform(0, 0.007, 400)
    found = position_capability(x, y, 0.004, bonus=bonus)
    assert found.share_inside is not None
    assert found.share_inside_without_bonus is not None
    assert found.share_inside > found.share_inside_without_bonus
    expected = np.mean([float(share_in_circle([x.mean(), y.mean()], np.cov(x, y), (0.004 + b) / 2)) for b in bonus])
    assert found.share_inside == pytest.approx(expected, rel=1e-9)
    assert found.observed_count == int(np.sum(2 * np.hypot(x, y) > 0.004 + bonus))
    assert "bonus" in {r.code for r in found.remarks}


def test_a_hole_on_the_edge_of_its_zone_is_inside() -> None:
    found = position_capability([0.003, 0.0, 0.001, 0.002], [0.004, 0.0, 0.002, -0.001], 0.01)
    assert found.observed_count == 0


def test_mardia_by_the_defining_sums() -> None:
    x, y = positions(60)
    pairs = np.column_stack([x, y])
    d = pairs - pairs.mean(axis=0)
    g = d @ np.linalg.inv(d.T @ d / 60) @ d.T
    found = mardia(pairs)
    assert found.skewness == pytest.approx(np.mean(g**3), rel=1e-10)
    assert found.kurtosis == pytest.approx(np.mean(np.diag(g) ** 2), rel=1e-10)
    rng = np.random.default_rng(1)
    p = np.array([mardia(z).skewness_p for z in rng.normal(size=(600, 40, 2))])
    assert np.mean(p < 0.05) == pytest.approx(0.05, abs=0.03)
    assert mardia(rng.exponential(size=(80, 2))).skewness_p < 1e-6


@pytest.mark.parametrize(("x", "y", "code"), [
    ([0.001], [0.002], "no-scatter"), ([0.001] * 5, [0.002] * 5, "no-scatter"),
    ([0, 1, 2.0], [0, 1, 2.0], "no-scatter"),
    ([0, 1, np.nan, 2, 1], [0, 2, 1, 1, 3.0], "missing-readings"), ([0, 1, 2.0], [0, 2, 1.0], "few-readings"),
])
def test_too_little_is_said(x: Any, y: Any, code: str) -> None:
    found = position_capability(x, y, 8.0)
    assert code in {r.code for r in found.remarks}
    json.dumps(found.as_dict(), allow_nan=False)


def test_unstable_positions_are_said_beside() -> None:
    x, y = positions(60)
    found = position_capability(x + np.where(np.arange(60) > 40, 0.004, 0), y, 0.02)
    assert found.stability.stable is False
    assert set(found.cautions) == {"Pp", "Ppk", "Ppk_share"}


@pytest.mark.parametrize("arguments", [
    ([1, 2], [1], 1.0), ([1, 2], [1, 2], [1, 2, 3.0]), ([1, 2], [1, 2], 0.0), ([], [], 1.0), ([np.inf, 1], [1, 2], 1.0),
])
def test_unusable_positions(arguments: Any) -> None:
    with pytest.raises(DataError):
        position_capability(*arguments)
    with pytest.raises(DataError):
        position_capability([1, 2], [1, 2], 1.0, bonus=[-1, 0])


def test_the_share_inside_reaches_as_far_as_either_route() -> None:
    # second routes by scipy's Wishart laws: what may have given the positions, and what the fitted normal would give
    from scipy.stats import invwishart, wishart

    rng = np.random.default_rng(7)
    pairs = rng.normal(0, 0.001, (20, 2)) + np.array([0.004, 0.0])
    low, high = share_interval(pairs, np.full(20, 0.005), 0.95)
    mean, scatter, z = pairs.mean(axis=0), np.cov(pairs.T), rng.normal(size=(1000, 2))
    ends = []
    for law in (invwishart(19, 19 * scatter), wishart(19, scatter / 19)):
        roots = np.linalg.cholesky(law.rvs(1000, random_state=rng))
        centre = mean + np.einsum("kij,kj->ki", roots, rng.normal(size=(1000, 2))) / np.sqrt(20)
        inside = np.linalg.norm(centre[:, None, :] + z @ roots.transpose(0, 2, 1), axis=2) <= 0.005
        ends.append(np.quantile(inside.mean(axis=1), [0.0125, 0.9875]))
    assert low == pytest.approx(min(e[0] for e in ends), abs=0.02)
    assert high == pytest.approx(max(e[1] for e in ends), abs=0.003)
    assert abs(ends[0][0] - ends[1][0]) > 0.03  # the routes differ, so either alone would be seen
    assert abs(ends[0][1] - ends[1][1]) > 0.004
