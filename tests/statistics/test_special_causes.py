"""Tests for special causes: constructed series, exact chances of a window, and a plain loop as a second route."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from statistics_data import records

from holeqc.problems import DataError
from holeqc.statistics.subgroups import ALL_TESTS, TESTS, find_signals, run_lengths, signal_masks

ROWS = records("special_causes.csv")


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r["test"])
def test_constructed_series(row: dict[str, str]) -> None:
    z = np.array([float(v) for v in row["series"].split()])
    at = tuple(int(v) for v in row["complete_at"].split())
    for series in (z, -z):
        found = find_signals(series)
        assert [(s.test, s.at) for s in found] == [(row["test"], at)]
        assert found[0].meaning == TESTS[row["test"]].meaning
    assert find_signals(z, [t for t in ALL_TESTS if t != row["test"]]) == ()


def test_points_that_made_a_signal() -> None:
    made = {r["test"]: find_signals([float(v) for v in r["series"].split()])[0] for r in ROWS}
    assert made["beyond_limits"].points == (5,)
    assert made["same_side"].points == tuple(range(2, 11))
    assert made["steady_drift"].points == tuple(range(2, 8))
    assert made["two_of_three_far"].points == (2, 4)  # the point between them lies near the centre
    assert made["four_of_five_off"].points == (2, 3, 5, 6)
    assert made["avoiding_centre"].points == tuple(range(2, 10))
    assert (made["beyond_limits"].side, made["steady_drift"].side) == ("above", "rising")


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r["test"])
def test_chance_of_one_window(row: dict[str, str]) -> None:
    rng = np.random.default_rng(6)
    runs, window = 200_000, TESTS[row["test"]].window
    hit = np.zeros(runs, dtype=bool)
    for start in range(0, runs, 50_000):
        z = rng.normal(size=(window, 50_000))
        hit[start:start + 50_000] = signal_masks(z, [row["test"]])[row["test"]][:].any(axis=0)
    chance = float(row["window_chance"])
    # only windows that end on their last point count; the shorter ones of 2 of 3 and 4 of 5 are part of them
    assert hit.mean() == pytest.approx(chance, abs=5 * (chance / runs) ** 0.5)
    # Nelson (1984): each chance is below five in a thousand; one of them is 0.0055
    assert chance < 0.0056


def plain_loop(z: list[float]) -> dict[str, list[int]]:
    """The eight patterns written out point by point."""
    at: dict[str, list[int]] = {t: [] for t in ALL_TESTS}
    for i in range(len(z)):
        last = z[max(0, i - 14):i + 1]
        if abs(z[i]) > 3:
            at["beyond_limits"].append(i)
        if i >= 8 and (all(v > 0 for v in last[-9:]) or all(v < 0 for v in last[-9:])):
            at["same_side"].append(i)
        steps = [b - a for a, b in zip(z[max(0, i - 13):i], z[max(0, i - 13) + 1:i + 1], strict=True)]
        if i >= 5 and (all(s > 0 for s in steps[-5:]) or all(s < 0 for s in steps[-5:])):
            at["steady_drift"].append(i)
        if i >= 13 and all(a * b < 0 for a, b in zip(steps[-13:], steps[-12:], strict=False)):
            at["up_and_down"].append(i)
        for sign in (1, -1):
            if sign * z[i] > 2 and sum(sign * v > 2 for v in last[-3:]) >= 2:
                at["two_of_three_far"].append(i)
            if sign * z[i] > 1 and sum(sign * v > 1 for v in last[-5:]) >= 4:
                at["four_of_five_off"].append(i)
        if i >= 14 and all(abs(v) < 1 for v in last):
            at["hugging_centre"].append(i)
        eight = last[-8:]
        if i >= 7 and all(abs(v) > 1 for v in eight) and min(eight) < 0 < max(eight):
            at["avoiding_centre"].append(i)
    return at


@pytest.mark.parametrize(("spread", "wave"), [(1.0, 0.0), (1.6, 0.0), (0.5, 1.2), (0.4, 0.0)])
def test_arrays_agree_with_a_plain_loop(spread: float, wave: float) -> None:
    rng = np.random.default_rng(int(10 * spread))
    z = rng.normal(0, spread, 1500) + wave * np.where(rng.random(1500) < 0.5, 1, -1)
    masks = signal_masks(z)
    for test, places in plain_loop(z.tolist()).items():
        np.testing.assert_array_equal(np.flatnonzero(masks[test]), places, err_msg=test)
        assert sorted(p - 1 for s in find_signals(z, [test]) for p in s.at) == places


def test_many_series_at_once() -> None:
    z = np.random.default_rng(3).normal(size=(400, 8)) * 1.3
    masks = signal_masks(z)
    for test in ALL_TESTS:
        for k in range(8):
            np.testing.assert_array_equal(masks[test][:, k], signal_masks(z[:, k], [test])[test])


def test_edges_belong_to_no_side() -> None:
    assert find_signals([3.0, -3.0, 0.0, 0.1 + 0.2 + 2.7]) == ()  # on the limit, also in binary fractions
    assert find_signals([0.5] * 4 + [0.0] + [0.5] * 4, ["same_side"]) == ()
    assert find_signals([1, 2, 3, 3, 4, 5, 6.0], ["steady_drift"]) == ()  # equal neighbours end a drift
    assert find_signals([1.0] * 20, ["hugging_centre", "avoiding_centre", "four_of_five_off"]) == ()
    assert len(find_signals([1.1] * 9, ["avoiding_centre"])) == 0  # one side only


def test_overlapping_windows_make_one_signal() -> None:
    found = find_signals([0.5] * 14, ["same_side"])
    assert len(found) == 1
    assert found[0].points == tuple(range(1, 15))
    assert found[0].at == tuple(range(9, 15))
    assert len(find_signals([3.5, 3.6, 0.0, 4.0], ["beyond_limits"])) == 2


def test_run_lengths() -> None:
    np.testing.assert_array_equal(run_lengths(np.array([True, True, False, True, False, True, True, True])),
                                  [1, 2, 0, 1, 0, 1, 2, 3])


@pytest.mark.parametrize("tests", [["rule 1"], ["beyond_limits", ""]])
def test_unknown_tests_are_refused(tests: Any) -> None:
    with pytest.raises(DataError, match="allowed: beyond_limits"):
        find_signals([1.0, 2.0], tests)


def test_names_are_plain_words() -> None:
    assert all(t.replace("_", "").isalpha() for t in ALL_TESTS)
    assert all(t.pattern and t.meaning for t in TESTS.values())
