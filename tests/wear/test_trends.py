"""Trends, changes that nobody logged, forecasts. Second routes: the library's own slopes, Fieller's interval, "
"simulation."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import binom, theilslopes

from holeqc.problems import DataError
from holeqc.statistics.regression import inverse_fieller, straight_line
from holeqc.wear import paths
from holeqc.wear.changes import BEND, CURVE, JUMP, find_changes
from holeqc.wear.forecast import FAR, NONE, NOW, OPEN, SHUT, forecast
from holeqc.wear.joint import forecast_position
from holeqc.wear.trend import trend_of

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
from simulate_coverage import coverage

T = np.arange(1.0, 121.0)


def test_median_of_slopes_is_the_library_s() -> None:
    y = 0.02 * T + np.random.default_rng(1).standard_t(2, T.size)
    found = trend_of(T, y)
    assert found.robust == pytest.approx(theilslopes(y, T)[0], rel=1e-12)  # scipy.stats.theilslopes
    assert found.slope == pytest.approx(np.polyfit(T, y, 1)[0], rel=1e-10)


def test_interval_of_a_slope_counts_neighbours_that_resemble() -> None:
    rng = np.random.default_rng(2)
    held = {0.0: 0, 0.6: 0}
    for r in held:
        for _ in range(150):
            noise = lfilter([1.0], [1.0, -r], rng.normal(0, 1, T.size + 40))
            found = trend_of(T, 0.01 * T + noise[40:])
            held[r] += found.lower <= 0.01 <= found.upper
    low, high = binom.interval(0.999, 150, 0.95)
    assert low <= held[0.0] <= high
    assert held[0.6] >= 0.89 * 150  # without the correction about 0.67 (root of (1 - r) / (1 + r) = 0.5)


def test_curved_wear_is_not_called_straight() -> None:
    noise = np.random.default_rng(3).normal(0, 1, T.size)
    assert trend_of(T, 10 * (T / 120) ** 2 + noise).curved
    assert not trend_of(T, 10 * T / 120 + noise).curved
    with pytest.raises(DataError, match="at least 6"):
        trend_of(T[:5], noise[:5])


def test_false_changes_are_as_rare_as_stated_over_many_series() -> None:
    rng = np.random.default_rng(4)
    runs = 60
    false = sum(
        any(c is not None for c in find_changes(T, rng.normal(0, 1, (T.size, 8)), seed=n, level=0.05, deals=199))
        for n in range(runs)
    )
    assert false <= binom.isf(0.001, runs, 0.05)


@pytest.mark.parametrize("place", [30, 61, 95])
def test_a_jump_that_nobody_logged_is_found_where_it_is(place: int) -> None:
    y = np.random.default_rng(place).normal(0, 1, (T.size, 3))
    y[:, 1] += 5.0 * (place <= T)
    first, found, last = find_changes(T, y)
    assert first is None
    assert last is None
    assert found is not None
    assert found.kind == JUMP
    assert found.first - 1 <= place <= found.last + 1
    assert found.step == pytest.approx(5.0, abs=1.2)
    assert found.chance <= 0.01


def test_a_bend_and_a_curve_are_told_apart() -> None:
    noise = np.random.default_rng(5).normal(0, 1, T.size)
    bend = find_changes(T, (noise + 0.2 * np.maximum(T - 50, 0))[:, None])[0]
    curve = find_changes(T, (noise + 24 * (T / 120) ** 2)[:, None])[0]
    assert bend is not None
    assert bend.kind == BEND
    assert bend.cycle == pytest.approx(50, abs=6)
    assert curve is None or curve.kind == CURVE


def test_wander_does_not_pass_for_changes() -> None:
    rng = np.random.default_rng(6)
    runs = 40
    walks = [np.cumsum(rng.normal(0, 0.6, T.size)) + rng.normal(0, 1, T.size) for _ in range(runs)]
    found = sum(find_changes(T, y[:, None], seed=n, deals=199)[0] is not None for n, y in enumerate(walks))
    assert found <= 0.25 * runs  # without whitening nearly all of them


def test_interval_is_fieller_s_where_nothing_wanders(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paths, "STEADY", 1.0 - 1e-12)
    t = T[:100]  # as many as are worked one by one
    y = paths.drawn_in(10.0 - 0.06 * t + np.random.default_rng(7).normal(0, 0.8, t.size))
    found = forecast(t, y)
    line = straight_line(t, y)
    ours = inverse_fieller(line, 0.0, 0.95, repeats=None)  # Graybill and Iyer 1994, 6.2, for the line itself
    assert found.state == SHUT
    assert found.lower == pytest.approx(ours.lower, abs=0.05)
    assert found.upper == pytest.approx(ours.upper, abs=0.1)
    assert found.estimate == pytest.approx(ours.estimate, abs=0.05)
    one_sided = inverse_fieller(line, 0.0, 0.90, repeats=None)
    assert found.before == pytest.approx(one_sided.lower, abs=0.05)


def test_answers_other_than_a_forecast() -> None:
    noise = np.random.default_rng(8).normal(0, 1, T.size)
    still = forecast(T, 10 + noise)
    assert still.state == OPEN
    assert still.upper is None
    assert still.estimate is None
    assert forecast(T, 3 - 0.05 * T + 0.3 * noise).state == NOW
    assert forecast(T, 1e4 - 0.05 * T + 0.3 * noise).state == FAR
    assert forecast(T[:5], noise[:5]).state == NONE
    assert forecast(T, np.full(T.size, np.nan)).state == NONE
    level = forecast(T, np.full(T.size, 2.0))
    assert level.state == OPEN


def test_what_lies_before_an_unlogged_jump_does_not_count() -> None:
    noise = np.random.default_rng(9).normal(0, 1, T.size)
    y = 20 - 0.1 * T + 10.0 * (T >= 70) + noise
    found = forecast(T, y)
    assert 68 <= found.start <= 72
    assert found.slope == pytest.approx(-0.1, abs=0.04)
    assert found.lower is not None
    assert found.lower < 300 < (found.upper or np.inf)  # by hand: 30 / 0.1


def test_wear_that_speeds_up_is_not_forced_straight() -> None:
    noise = np.random.default_rng(10).normal(0, 0.5, T.size)
    y = 30 - 20 * (T / 120) ** 2 + noise  # by hand: zero at 120 sqrt(1.5) = 147; a straight line says 165 or more
    found = forecast(T, y)
    assert found.curved
    assert found.estimate == pytest.approx(147, abs=6)


def test_more_than_a_hundred_thousand_parts() -> None:
    t = np.arange(1.0, 100_001.0)
    y = 10 - 5e-5 * t + np.random.default_rng(11).normal(0, 1, t.size)
    found = forecast(t, y, deals=199)
    assert found.state == SHUT
    assert found.lower is not None
    assert found.upper is not None
    assert found.lower < 200_000 < found.upper
    assert found.upper - found.lower < 8_000


@pytest.mark.parametrize(("kind", "runs"), [("normal", 120), ("heavy-tailed", 120), ("stepped", 80)])
def test_the_interval_holds_what_it_says(kind: str, runs: int) -> None:
    found = coverage(kind, runs, seed=5, deals=199)
    low, high = binom.interval(0.9995, runs, 0.95)
    assert low <= found.held * runs <= high
    assert found.after_bound * runs >= binom.ppf(0.0005, runs, 0.95)
    assert found.told > 0.8


@pytest.mark.parametrize(("kind", "runs"), [("position 40", 60), ("position 60", 60), ("position 100", 60)])
def test_a_position_s_interval_and_bound_hold_what_they_say(kind: str, runs: int) -> None:
    found = coverage(kind, runs, seed=6, deals=99)
    low, high = binom.interval(0.9995, runs, 0.95)
    assert low <= found.held * runs <= high
    assert found.after_bound * runs >= binom.ppf(0.0005, runs, 0.95)


def test_a_position_is_not_forecast_by_a_straight_line_through_its_room() -> None:
    # by hand: zone radius 0.15, drift 0.001 a part along x from (-0.05, 0) on: the room grows for 50 parts, then falls;
    # it is used up 0.2 of drift later, at part 201
    t = np.arange(1.0, 81.0)
    rng = np.random.default_rng(12)
    place = np.stack([-0.05 + 0.001 * (t - 1), np.zeros(t.size)], axis=1) + rng.normal(0, 0.002, (t.size, 2))
    found = forecast_position(t, place[:, None], np.zeros((t.size, 1)), 0.30, 0.0)
    assert found.state == SHUT
    assert found.estimate == pytest.approx(201, abs=6)
    assert found.lower is not None
    assert found.before is not None
    assert found.lower < found.before < 201 < (found.upper or np.inf)
    # by hand: one part in forty is 1.96 scatters further along, about 4 parts earlier
    assert found.singles == pytest.approx(found.estimate - 4, abs=1)


def test_a_position_with_bonus_follows_the_size_too() -> None:
    # by hand: nothing moves but the size: the bonus 0.04 - 0.0005 a part; zone radius 0.1 + half of it, axis 0.11 off:
    # used up where the bonus is 0.02, at part 41
    t = np.arange(1.0, 31.0)
    rng = np.random.default_rng(13)
    place = np.array([0.11, 0.0]) + rng.normal(0, 0.0004, (t.size, 2))
    departure = 0.04 - 0.0005 * (t - 1) + rng.normal(0, 0.0005, t.size)
    found = forecast_position(t, place[:, None], departure[:, None], 0.20, 0.1)
    assert found.state == SHUT
    assert found.estimate == pytest.approx(41, abs=2)


def test_used_up_says_since_when() -> None:
    noise = np.random.default_rng(14).normal(0, 0.3, T.size)
    found = forecast(T, 3 - 0.05 * T + noise)  # by hand: zero at 60
    assert found.state == NOW
    assert found.lower is not None
    assert found.upper is not None
    assert found.lower < 60 < found.upper
    assert found.estimate == pytest.approx(60, abs=2)
    place = np.stack([0.05 * T - 3.0 + noise, 0.0 * T], axis=1)[:, None]
    moved = forecast_position(T, place, np.zeros((T.size, 1)), 4.0, 0.0)  # by hand: x = 2 at part 100
    assert moved.state == NOW
    assert moved.estimate == pytest.approx(100, abs=2)
    assert moved.lower is not None
    assert moved.upper is not None
    assert moved.lower < 100 < moved.upper < 110
