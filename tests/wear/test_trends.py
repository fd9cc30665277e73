"""Trends, changes that nobody logged, forecasts. Second routes: the library's own slopes, Fieller's interval, "
"simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import binom, norm, theilslopes
from scipy.stats import t as student
from wear_cases import NOMINAL

from holeqc.fixture import changes, forecast
from holeqc.fixture import forecast as fc
from holeqc.fixture.changes import BEND, CURVE, JUMP, find_changes, trend_of
from holeqc.fixture.forecast import FAR, NONE, NOW, OPEN, SHUT, Forecast, Reground, Wearing, following, level_of
from holeqc.fixture.separate import separate
from holeqc.inspection.pin_gauge import zone_margin
from holeqc.problems import DataError
from holeqc.quantities import FloatArray
from holeqc.statistics.gauge_accuracy import straight_line

T = np.arange(1.0, 121.0)


def test_median_of_slopes_is_the_library_s() -> None:
    y = 0.02 * T + np.random.default_rng(1).standard_t(2, T.size)
    found = trend_of(T, y)
    assert found.robust == pytest.approx(theilslopes(y, T)[0], rel=1e-12)  # scipy.stats.theilslopes
    assert found.slope == pytest.approx(np.polyfit(T, y, 1)[0], rel=1e-10)


@pytest.mark.parametrize("width", [1, 3, 9, 15, 31])
def test_running_medians_are_numpy_s(width: int) -> None:
    rng = np.random.default_rng(width)
    for parts, missing in ((1, 0.0), (2, 0.3), (8, 0.0), (41, 0.2), (2100, 0.01)):  # the last in more than one piece
        x = rng.normal(0, 1, (parts, 3))
        x[rng.random(x.shape) < missing] = np.nan
        half = min(width // 2, (parts - 1) // 2)
        mirrored = np.pad(x, ((half, half), (0, 0)), mode="reflect")
        windows = np.lib.stride_tricks.sliding_window_view(mirrored, 2 * half + 1, axis=0)
        expected = np.full(x.shape, np.nan)
        some = np.isfinite(windows).any(axis=-1)
        expected[some] = np.nanmedian(windows[some], axis=-1)
        np.testing.assert_array_equal(changes.running_median(x, width), expected)


def test_what_is_expected_of_a_level_is_the_mean_of_its_walks() -> None:
    t = np.sort(np.random.default_rng(3).uniform(1.0, 300.0, 80))
    (path,) = changes.fit_paths(changes.binned(t, np.cumsum(np.random.default_rng(4).normal(0, 1, t.size))), 2)
    at = np.linspace(1.0, 600.0, 97)
    np.testing.assert_allclose(path.expected(at), path.weight @ path.anywhere(at)[0], rtol=1e-9)


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


def test_false_changes_are_as_rare_as_stated() -> None:
    rng = np.random.default_rng(4)
    runs = 200
    false = sum(bool(find_changes(T, rng.normal(0, 1, (T.size, 3)), level=0.05)) for _ in range(runs))
    assert false <= binom.isf(0.001, runs, 2 * 0.05)  # two rules look: pieces, and a plain step


@pytest.mark.parametrize("place", [30, 61, 95])
def test_a_jump_that_nobody_logged_is_found_where_it_is(place: int) -> None:
    y = np.random.default_rng(place).normal(0, 1, (T.size, 3))
    y[:, 1] += 5.0 * (place <= T)
    (found,) = find_changes(T, y, groups=10)
    assert found.kind == JUMP
    assert found.first - 1 <= place <= found.last + 1
    assert found.step == pytest.approx([0.0, 5.0, 0.0], abs=1.0)
    assert found.chance < 1e-6


def test_the_place_of_a_change_is_held_as_often_as_stated() -> None:
    held = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        place = int(rng.integers(25, 95))
        y = rng.normal(0, 1, (T.size, 2))
        y[:, 0] += 2.0 * (place <= T)
        held += [found.first <= place <= found.last for found in find_changes(T, y)[:1]]
    assert len(held) > 45
    assert sum(held) >= binom.ppf(0.01, len(held), 0.95)


def test_a_sawtooth_is_cut_at_each_tooth() -> None:
    y = np.random.default_rng(3).normal(0, 1, (T.size, 2)) + 0.2 * ((T - 1) % 40)[:, None]
    found = find_changes(T, y, groups=10)
    assert [f.kind for f in found] == [JUMP, JUMP]
    assert [f.cycle for f in found] == pytest.approx([41, 81], abs=2)


def test_a_bend_and_a_curve_are_told_apart() -> None:
    noise = np.random.default_rng(5).normal(0, 1, T.size)
    (bend,) = find_changes(T, (noise + 0.2 * np.maximum(T - 50, 0))[:, None])
    (curve,) = find_changes(T, (noise + 24 * (T / 120) ** 2)[:, None])
    assert (bend.kind, curve.kind) == (BEND, CURVE)
    assert bend.cycle == pytest.approx(50, abs=6)


def test_neighbours_that_resemble_each_other_do_not_pass_for_changes() -> None:
    rng = np.random.default_rng(6)
    runs = 60
    series = [lfilter([1.0], [1.0, -0.6], rng.normal(0, 1, T.size + 40))[40:] for _ in range(runs)]
    found = sum(bool(find_changes(T, y[:, None], level=0.05)) for y in series)
    assert found <= 0.25 * runs  # taken as independent more than half of them


def test_blanks_and_single_bad_readings_make_no_changes() -> None:
    rng = np.random.default_rng(7)
    y = rng.normal(0, 1, (T.size, 3))
    y[rng.random(T.size) < 0.25] = np.nan
    y[50, 0] = 40.0
    assert find_changes(T, y, groups=10) == ()


def of_size(t: np.ndarray, y: np.ndarray, *, drifts: bool = True, start: float = 1.0) -> Forecast:
    """Return the forecast of a size ``y`` that must not fall below 0."""
    level = level_of(t, y, start, drifts=drifts)
    total = fc.combine([level], [[1.0]], [0.0])
    used = t >= start
    scatter = (y[used] - level.middle(t[used]))[:, None]
    return fc.forecast(total, fc.size_room(0.0, -1.0), scatter, float(t[-1]), n=int(used.sum()), drifts=drifts,
                       span=float(np.ptp(t[used])), effort=fc.Effort(8000, 80, 40, 400))  # fmt: skip


def fieller(t: FloatArray, y: FloatArray, confidence: float) -> tuple[float, float, float]:
    """Where a line reaches zero, with its interval: every t at which the line's own interval holds zero.

    Source: Fieller, Journal of the Royal Statistical Society B 16 (1954); Graybill and Iyer, Regression Analysis, 6.2.
    """
    line = straight_line(t, y)
    reach = float(student.ppf(0.5 + confidence / 2, line.dof)) * line.residual_sd / abs(line.slope)
    rest, away = 1 - reach**2 / line.sxx, -line.y_mean / line.slope
    half = reach * np.sqrt(rest / line.n + away**2 / line.sxx) / rest
    return line.x_mean + away, line.x_mean + away / rest - half, line.x_mean + away / rest + half


def test_interval_is_fieller_s_where_nothing_wanders_or_bends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(changes, "STEADY", 1.0 - 1e-12)
    monkeypatch.setattr(forecast, "PRICE", 1e3)
    changes._basis.cache_clear()
    t = T[:100]  # as many as are worked one by one
    y = changes.drawn_in(10.0 - 0.06 * t + np.random.default_rng(7).normal(0, 0.8, t.size))
    found = of_size(t, y)
    estimate, lower, upper = fieller(t, y, 0.95)
    assert found.state == SHUT
    # draws: a quantile of 8000 lies within about 0.3 of its place, on an interval of 27
    assert found.lower == pytest.approx(lower, abs=0.8)
    assert found.upper == pytest.approx(upper, abs=1.5)
    assert found.estimate == pytest.approx(estimate, abs=0.4)
    assert found.before == pytest.approx(fieller(t, y, 0.90)[1], abs=0.6)


def test_answers_other_than_a_forecast() -> None:
    noise = np.random.default_rng(8).normal(0, 1, T.size)
    still = of_size(T, 10 + noise, drifts=False)
    assert (still.state, still.estimate, still.before) == (OPEN, None, None)
    assert of_size(T, 3 - 0.05 * T + 0.3 * noise).state == NOW
    far = of_size(T, 1e4 - 0.05 * T + 0.3 * noise)
    assert (far.state, far.before) == (FAR, None)
    assert of_size(T[:5], noise[:5]).state == NONE
    assert of_size(T, np.full(T.size, np.nan)).state == NONE
    assert of_size(T, noise - 3.0, drifts=False).state == NOW  # it stands beyond its limit and doesn't move


def test_wear_that_speeds_up_is_not_forced_straight() -> None:
    noise = np.random.default_rng(10).normal(0, 0.5, T.size)
    # by hand: zero at 120 sqrt(1.5) = 147; a straight line says 165 or more
    found = of_size(T, 30 - 20 * (T / 120) ** 2 + noise)
    assert found.estimate == pytest.approx(147, abs=6)


def test_a_size_goes_on_as_the_place_of_its_bushing_does() -> None:
    # by hand: a size of 2 (t / 120)^2 hardly told from its scatter of 1, which reaches 8 at t = 240
    rng = np.random.default_rng(15)
    place = level_of(T, 30 * (T / 120) ** 2 + rng.normal(0, 0.5, T.size), 1.0, drifts=True)
    assert isinstance(place, Wearing)
    level = following(T, 2 * (T / 120) ** 2 + rng.normal(0, 1, T.size), 1.0, place)
    assert level is not None
    at = np.array([60.0, 120.0, 240.0])
    assert level.middle(at) == pytest.approx(2 * (at / 120) ** 2, abs=2.5)
    expected, drawn = level.draws(at, np.random.default_rng(1), 2000)
    assert np.median(expected, axis=0) == pytest.approx(level.middle(at), abs=0.3)
    # the size's share of the way is told to 1 / (0.3 * 30 sqrt(120)) of a unit of the place, 120 more at t = 240
    assert drawn[:, 2].std() == pytest.approx(110 / (0.298 * 30 * np.sqrt(120)), rel=0.25)
    assert following(T[:5], T[:5], 1.0, place) is None


def test_a_straight_drift_may_yet_speed_up() -> None:
    # by hand: zero at 300; a square that one can't see yet brings it forward, and never back
    series = [30 - 0.1 * T + np.random.default_rng(seed).normal(0, 1, T.size) for seed in range(8)]
    found = [of_size(T, y) for y in series]
    early = [f.estimate - f.lower for f in found if f.lower is not None and f.estimate is not None]
    late = [f.upper - f.estimate for f in found if f.upper is not None and f.estimate is not None]
    assert len(early) == len(late) == 8
    assert np.mean(early) > 1.2 * np.mean(late)


def test_a_drift_that_is_only_just_told_is_held_as_often_as_stated() -> None:
    # of a drift of 3 standard errors only what comes out beyond 3.78 is told, 14 degrees of freedom: too large, mostly
    rng = np.random.default_rng(4)
    error = np.sqrt(rng.chisquare(14, 20_000) / 14)
    strength = (3.0 + rng.standard_normal(20_000)) / error
    told = np.flatnonzero(student.sf(strength, 14) < norm.sf(3.78))[:80]
    off = rng.standard_t(14, 400)
    ends = np.array([np.percentile(strength[k] + forecast.when_told(off, strength[k], 14.0, 3.78), [2.5, 97.5])
                     for k in told])  # fmt: skip
    low, high = ends.T * error[told]
    held = int(((low <= 3.0) & (high >= 3.0)).sum())
    assert binom.cdf(held, 80, 0.95) > 0.01
    plain = strength[told, None] + np.percentile(off, [2.5, 97.5])
    assert (plain[:, 0] * error[told] > 3.0).mean() > 0.2
    assert forecast.when_told(off, 12.0, 100.0, 3.78) is off  # a clear drift stays as it is


def test_more_than_a_hundred_thousand_parts() -> None:
    t = np.arange(1.0, 100_001.0, 20)
    found = of_size(t, 10 - 5e-5 * t + np.random.default_rng(11).normal(0, 1, t.size))
    assert found.state == SHUT
    assert found.lower is not None
    assert found.upper is not None
    assert found.lower < 200_000 < found.upper
    assert found.upper - found.lower < 20_000


def test_used_up_says_since_when() -> None:
    noise = np.random.default_rng(14).normal(0, 0.3, T.size)
    found = of_size(T, 3 - 0.05 * T + noise)  # by hand: zero at 60
    assert found.state == NOW
    assert found.lower is not None
    assert found.upper is not None
    assert found.lower < 60 < found.upper
    assert found.estimate == pytest.approx(60, abs=3)


def test_a_tooth_ends_where_the_drill_is_reground() -> None:
    teeth = Reground(1.0, np.array([1.0, 41.0, 81.0]), 0.0, 0.1, np.zeros((2, 2)), 0.0, 100.0, 40.0)
    at = np.array([1.0, 40.0, 41.0, 120.0, 121.0, 160.9])
    assert teeth.middle(at) == pytest.approx([0.0, 3.9, 0.0, 3.9, 0.0, 3.99])
    nobody = Reground(1.0, np.array([1.0, 41.0, 81.0]), 0.0, 0.1, np.zeros((2, 2)), 0.0, 100.0)
    assert nobody.middle(at)[-1] == pytest.approx(7.99)


def test_a_position_is_not_forecast_by_a_straight_line_through_its_room() -> None:
    # by hand: zone radius 0.15, drift 0.001 a part along x from (-0.05, 0) on: the room grows for 50 parts, then falls;
    # it is used up 0.2 of drift later, at part 201
    t = np.arange(1.0, 81.0)
    rng = np.random.default_rng(12)
    place = np.stack([-0.05 + 0.001 * (t - 1), np.zeros(t.size)], axis=1) + rng.normal(0, 0.002, (t.size, 2))
    both = [level_of(t, place[:, k], 1.0, drifts=True, bends=k == 0) for k in (0, 1)]
    total = fc.combine(both, [[1, 0], [0, 1], [0, 0]], [0.0, 0.0, 0.0])
    scatter = np.column_stack([place, 0 * t]) - total.middle(t)
    found = fc.forecast(total, fc.position_room(0.30, 0.0), scatter, 80.0, n=80, drifts=True, span=79.0)
    assert found.state == SHUT
    assert found.estimate == pytest.approx(201, abs=8)
    assert found.lower is not None
    assert found.before is not None
    assert found.lower < found.before < 201 < (found.upper or np.inf)


def test_a_position_with_bonus_follows_the_size_too() -> None:
    # by hand: nothing moves but the size: the bonus 0.04 - 0.0005 a part; zone radius 0.1 + half of it, axis 0.11 off:
    # used up where the bonus is 0.02, at part 41
    t = np.arange(1.0, 31.0)
    rng = np.random.default_rng(13)
    size = level_of(t, 0.04 - 0.0005 * (t - 1) + rng.normal(0, 0.0005, t.size), 1.0, drifts=True, bends=False)
    total = fc.combine([size], [[0.0], [0.0], [1.0]], [0.11, 0.0, 0.0])
    scatter = rng.normal(0, 0.0004, (t.size, 3))
    found = fc.forecast(total, fc.position_room(0.20, 0.1), scatter, 30.0, n=30, drifts=True, span=29.0)
    assert found.state == SHUT
    assert found.estimate == pytest.approx(41, abs=2)


RADIUS, SCATTER, DRIFT, PARTS = 0.007, 0.0006, 6e-5, 320


def wearing(seed: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Return places (P,8,2), the way in which hole 3 wears, and the part from which half have no room.

    Second route, no published source: the median margin of many simulated parts, each floated to its best, passes zero.
    Invented figures: scatter 0.0006 in, seating 0.003 in, radius of the zones 0.007 in.
    """
    rng = np.random.default_rng(seed)
    angle = rng.uniform(0, 2 * np.pi)
    way = np.array([np.cos(angle), np.sin(angle)])
    mean = np.repeat(rng.normal(0, 0.0004, (1, 8, 2)), PARTS, axis=0)
    mean[:, 2] += np.arange(1, PARTS + 1)[:, None] * DRIFT * way
    many = np.median([
        zone_margin(NOMINAL, NOMINAL + mean[::8] + rng.normal(0, SCATTER, mean[::8].shape), RADIUS).margin
        for _ in range(20)
    ], axis=0)  # fmt: skip
    k = int(np.argmax(many < 0))
    true = 1 + 8 * (k - 1 + many[k - 1] / (many[k - 1] - many[k]))
    return mean + rng.normal(0, SCATTER, mean.shape) + rng.normal(0, 0.003, (PARTS, 1, 2)), way, true


@pytest.mark.parametrize("parts", [60, 100])
def test_a_hidden_bushing_is_forecast_in_time(parts: int) -> None:
    late = held = 0
    for seed in range(6):
        off, way, true = wearing(seed)
        t = np.arange(1.0, parts + 1)
        rest = separate(NOMINAL, off[:parts], moved=(2,)).rest
        turn = np.array([[way[0], -way[1]], [way[1], way[0]]])
        both = [level_of(t, (rest[:, 2] @ turn)[:, k], 1.0, drifts=True, bends=k == 0) for k in (0, 1)]
        others = [level_of(t, rest[:, h, k], 1.0, drifts=False) for h in range(8) if h != 2 for k in (0, 1)]
        gain = np.zeros((24, 16))
        gain[6:8, :2] = turn
        gain[[3 * h + k for h in range(8) if h != 2 for k in (0, 1)], range(2, 16)] = 1.0
        total = fc.combine([*both, *others], gain.tolist(), [RADIUS if q % 3 == 2 else 0.0 for q in range(24)])
        raw = np.concatenate([rest, np.full((parts, 8, 1), RADIUS)], axis=2).reshape(parts, 24)
        found = fc.forecast(total, fc.pattern_room(NOMINAL, rotate=True), raw - total.middle(t), float(parts), n=parts,
                            drifts=True, span=parts - 1.0, effort=fc.FLOATED)  # fmt: skip
        assert found.state == SHUT
        assert found.before is not None
        assert found.lower is not None
        late += found.before > true
        held += found.lower <= true and (found.upper is None or true <= found.upper)
    # of 6 at 95 %: more than 2 late or fewer than 4 held happen by chance once in 400 runs (binomial)
    assert late <= 2
    assert held >= 4
