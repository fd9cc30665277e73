"""Capability of readings that share a piece: worked out by hand on small numbers, and by simulated processes.

Nothing is published for this use of Kish's design effect; the second route is simulation from a known process.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from holeqc.problems import DataError
from holeqc.statistics.capability import Choices, capability, clustered_capability, split
from holeqc.statistics.indices import Limits, nearest_interval_exact
from holeqc.statistics.subgroups import subgroup_labels

LIMITS = Limits(-4.0, 4.0)


def test_pieces_of_one_reading_are_plain_capability() -> None:
    x = np.random.default_rng(1).normal(0, 1, 60)
    assert clustered_capability(x, np.arange(60), LIMITS).as_dict() == capability(x, LIMITS).as_dict()


def test_readings_copied_within_a_piece_count_once() -> None:
    x = np.random.default_rng(2).normal(0, 1, 40)
    found = split(subgroup_labels(np.repeat(x, 4), np.repeat(np.arange(40), 4)))
    assert found.alike == pytest.approx(1.0)
    assert found.counted == 40
    # moving range by hand: mean step over 2 / sqrt(pi)
    assert found.within.sigma == pytest.approx(np.abs(np.diff(x)).mean() * math.sqrt(math.pi) / 2)


def test_short_term_sigma_by_hand() -> None:
    # means 1, 2, 4; steps 1 and 2, mean 1.5; within: (0.5, -0.5) three times, variance 0.5 with 3 freedom
    values, pieces = [0.5, 1.5, 1.5, 2.5, 3.5, 4.5], ["a", "a", "b", "b", "c", "c"]
    found = split(subgroup_labels(values, pieces))
    of_means = 1.5 * math.sqrt(math.pi) / 2
    assert found.of_means.sigma == pytest.approx(of_means)
    assert found.within.sigma == pytest.approx(math.sqrt(of_means**2 + 0.5 * (1 - 1 / 2)))
    between = np.var([1, 2, 4], ddof=1) - 0.5 / 2
    assert found.alike == pytest.approx(between / (between + 0.5))
    assert found.counted == math.floor(6 / (1 + found.alike))


def test_intervals_hold_what_they_say_and_plain_ones_do_not() -> None:
    rng = np.random.default_rng(5)
    pieces, each, runs = 50, 4, 0
    labels = np.repeat(np.arange(pieces), each)
    one_sided = Limits(None, 4.0)
    true = (4.0 - 0.5) / (3 * math.hypot(1.0, 0.5))
    held = plain = short = unstable = 0
    for _ in range(180):
        x = (0.5 + rng.normal(0, 1.0, pieces)[:, None] + rng.normal(0, 0.5, (pieces, each))).ravel()
        found, alone = (
            f(*given, one_sided, choices=Choices(any_shape=False, normal=True))
            for f, given in ((clustered_capability, (x, labels)), (capability, (x,)))
        )
        if found.odd or alone.odd:
            continue
        runs += 1
        low, high = found.intervals["Ppk"]
        held += bool(low <= true <= high)
        low, high = found.intervals["Cpk"]
        short += bool(low <= true <= high)
        low, high = nearest_interval_exact(alone.overall.nearest, x.size, x.size - 1, 0.95, two_limits=False)
        plain += bool(low <= true <= high)
        unstable += found.stability.stable is False
    assert runs > 120  # where the plain test takes readings of one piece for no normal there is no interval
    # 95 % nominal; four standard errors of 160 runs are 0.07, and counting the fewest leaves some above
    assert held / runs > 0.88
    assert short / runs > 0.88
    assert plain / runs < 0.85
    assert unstable / runs < 0.06  # four signs, each wrong once in a hundred


def test_a_moved_level_is_seen_through_the_pieces() -> None:
    rng = np.random.default_rng(3)
    level = np.repeat(np.where(np.arange(60) < 40, 0.0, 3.0), 3)
    found = clustered_capability(level + rng.normal(0, 0.3, 180), np.repeat(np.arange(60), 3), Limits(-9, 9))
    assert found.stability.stable is False
    assert set(found.cautions) >= {"Cp", "Cpk", "Pp", "Ppk"}
    assert found.stability.points == 60


def test_zeros_by_rounding_do_not_look_unusual() -> None:
    rng = np.random.default_rng(4)
    x = np.round(np.abs(rng.normal(0.3, 0.2, 200)), 1)  # a step of 0.1: many exact zeros
    assert np.any(x == 0)
    found = clustered_capability(x, np.arange(200), Limits(None, 3.0), choices=Choices(from_zero=True, resolution=0.1))
    assert found.stability.stable is True


@pytest.mark.parametrize(
    ("values", "pieces"),
    [([1.0, 2.0], ["a", "a"]), ([2.0, 2.0, 2.0], ["a", "a", "b"]), ([1.0, 1.0, 2.0, np.nan], ["a", "a", "b", "b"])],
)
def test_few_readings_get_an_answer(values: list[float], pieces: list[str]) -> None:
    found = clustered_capability(values, pieces, LIMITS)
    assert found.stability.stable is None
    assert found.as_dict()["n"] == np.isfinite(values).sum()


def test_within_needs_no_subgroups() -> None:
    with pytest.raises(DataError, match="subgroups"):
        clustered_capability([1, 2, 3, 4], [1, 1, 2, 2], LIMITS, choices=Choices(within="pooled"))


def test_without_limits_there_is_no_index() -> None:
    x = np.random.default_rng(6).normal(0, 1, 80)
    found = clustered_capability(x, np.repeat(np.arange(20), 4), Limits()).as_dict()
    assert found["Cp"] is found["Ppk"] is None
    assert found["sd_within"] is not None
    assert found["outside"]["ppm_if_normal"] is None
