"""Control charts: handbook and textbook values, unequal subgroups, frozen limits, and what spoils a chart."""

from __future__ import annotations

import json
import math
import warnings
from dataclasses import asdict
from typing import Any

import numpy as np
import pytest
from statistics_data import column, half_unit, printed, records

from holeqc.problems import DataError
from holeqc.statistics.charts import (
    ChartOptions,
    Frozen,
    average_chart,
    c_chart,
    chart,
    cumulative_sums,
    cusum_chart,
    ewma_chart,
    individuals_chart,
    noted,
    p_chart,
    position_chart,
)
from holeqc.statistics.subgroups import ALL_TESTS, alarms_of_scatter, c4, chart_factors, d2

HANDBOOK = printed("handbook_values.csv")
TEXTBOOK = {r["name"]: r for r in records("textbook_values.csv")}


def close(value: float, name: str) -> bool:
    """Tell whether a value rounds to the print; prints from rounded factors may be off by three half units."""
    row = TEXTBOOK[name]
    return abs(value - float(row["printed"])) <= (3 if row["note"] else 1) * half_unit(row["printed"])


def ring_bore() -> np.ndarray:
    return np.array([[float(r[f"x{j}"]) for j in range(1, 6)] for r in records("textbook_ring_bore.csv")])


def test_textbook_averages_and_ranges() -> None:
    found = average_chart(ring_bore())
    assert found.spread is not None
    ring = "piston ring bore: "
    assert close(found.centre, ring + "x-double-bar")
    assert close(found.spread.centre, ring + "R-bar")
    assert close(float(found.values.sum()), ring + "sum of means")
    assert close(float(found.spread.values.sum()), ring + "sum of ranges")
    for i in range(1, 26):
        assert abs(found.values[i - 1] - float(TEXTBOOK[f"{ring}mean of sample {i}"]["printed"])) <= 0.00061, i
        assert close(float(found.spread.values[i - 1]), f"{ring}range of sample {i}"), i
    # the printed limits belong to another variant of sample 21; from the printed centre and mean range they follow
    factor = (3 / (d2(5) * math.sqrt(5))) * float(TEXTBOOK[ring + "R-bar"]["printed"])
    assert 74.001 + factor == pytest.approx(float(TEXTBOOK[ring + "x-bar UCL (from R-bar)"]["printed"]), abs=5e-5)
    assert 74.001 - factor == pytest.approx(float(TEXTBOOK[ring + "x-bar LCL (from R-bar)"]["printed"]), abs=5e-5)
    assert found.upper_limit == pytest.approx(74.001176 + (3 / (d2(5) * math.sqrt(5))) * 0.02324, abs=1e-9)
    assert found.signals == ()


def test_textbook_averages_and_deviations() -> None:
    found = average_chart(ring_bore(), by="sd")
    assert found.spread is not None
    assert found.upper_limit is not None
    assert found.lower_limit is not None
    assert found.spread.upper_limit is not None
    ring = "piston ring bore: "
    assert close(found.spread.centre, ring + "s-bar")
    assert close(float(found.spread.values.sum()), ring + "sum of s")
    assert close(found.upper_limit, ring + "x-bar UCL (from s-bar)")
    assert close(found.lower_limit, ring + "x-bar LCL (from s-bar)")
    assert close(found.spread.upper_limit, ring + "s UCL")
    assert found.spread.lower_limit == 0


def test_handbook_single_readings() -> None:
    found = individuals_chart(column("handbook_flow_rate.csv", "flowrate"))
    assert found.spread is not None
    assert found.centre == pytest.approx(float(HANDBOOK["6.3.2.2 individuals mean"]), abs=0.005)
    assert found.spread.centre == pytest.approx(float(HANDBOOK["6.3.2.2 individuals MR-bar"]), abs=5e-5)
    # the page takes d2 = 1.128; with 1.128379 the limits lie closer by 1 in 3000
    assert found.sigma is not None
    rough = found.sigma * d2(2) / 1.128
    assert found.centre + 3 * rough == pytest.approx(float(HANDBOOK["6.3.2.2 individuals UCL"]), abs=5e-5)
    assert found.centre - 3 * rough == pytest.approx(float(HANDBOOK["6.3.2.2 individuals LCL"]), abs=5e-5)
    assert found.upper_limit == pytest.approx(found.centre + 3 * found.sigma)
    assert found.signals == ()


def test_handbook_weighted_average() -> None:
    y = column("handbook_ewma.csv", "y")
    found = ewma_chart(y, options=ChartOptions(centre=50, sigma=2.0539, weight=0.3))
    for i in range(1, 21):
        assert found.values[i - 1] == pytest.approx(float(HANDBOOK[f"6.3.2.4 EWMA_{i}"]), abs=0.00501), i
    # the page rounds the factor of sigma to 0.4201
    assert found.upper_limit == pytest.approx(float(HANDBOOK["6.3.2.4 EWMA UCL"]), abs=2e-4)
    assert found.lower_limit == pytest.approx(float(HANDBOOK["6.3.2.4 EWMA LCL"]), abs=2e-4)
    assert found.signals == ()


def test_textbook_weighted_average() -> None:
    x = column("textbook_shifted_series.csv", "x")
    found = ewma_chart(x, options=ChartOptions(centre=10, sigma=1, weight=0.1, width=2.7))
    for i in range(1, 31):
        name = f"EWMA z_{i} (lambda=0.1, L=2.7)"
        assert close(float(found.values[i - 1]), name), i
    assert found.upper_limit is not None
    assert found.lower_limit is not None
    assert close(found.upper_limit, "EWMA steady-state UCL")
    assert close(found.lower_limit, "EWMA steady-state LCL")
    assert close(float(found.upper[0]), "EWMA UCL_1 (exact)")
    assert found.signals[0].at[0] == int(TEXTBOOK["EWMA first signal"]["printed"])


def test_handbook_cumulative_sum() -> None:
    rows = records("handbook_cusum.csv")
    h = float(HANDBOOK["6.3.2.3 CUSUM h"]) / 0.635
    assert float(HANDBOOK["6.3.2.3 CUSUM k = delta*sigma/2 (delta=1, sigma=0.635)"]) == 0.5 * 0.635
    found = cusum_chart([float(r["x"]) for r in rows], options=ChartOptions(centre=325, sigma=0.635, decision=h))
    np.testing.assert_allclose(found.more["upper_sum"], [float(r["S_hi"]) for r in rows], atol=1e-9)
    np.testing.assert_allclose(found.more["lower_sum"], [float(r["S_lo"]) for r in rows], atol=1e-9)
    assert found.signals[0].at[0] == int(HANDBOOK["6.3.2.3 CUSUM first signal group"])
    assert found.signals[0].points[0] == 13  # the sum left zero there: the shift began
    assert found.upper_limit == pytest.approx(float(HANDBOOK["6.3.2.3 CUSUM h"]))


def test_textbook_cumulative_sum() -> None:
    found = cusum_chart(column("textbook_shifted_series.csv", "x"), options=ChartOptions(centre=10, sigma=1))
    for i in range(1, 30):
        assert close(float(found.more["upper_sum"][i - 1]), f"CUSUM C+_{i}"), i
    first = int(TEXTBOOK["CUSUM first signal period"]["printed"])
    assert found.signals[0].at[0] == first
    since = TEXTBOOK["CUSUM N+ at period 29 (shift began between periods 22 and 23)"]["printed"]
    assert found.more["upper_since_zero"][first - 1] == float(since)
    assert found.signals[0].points[0] == 23
    # by the definition of the sum: the printed C+ passes 5 at the printed period, and the signal ends there
    assert (found.signals[0].points[-1], found.signals[0].at) == (first, (first,))


def test_a_cumulative_sum_signals_once_an_excursion_and_stops_at_the_crossing() -> None:
    # by hand, k = 0.5, h = 2: steps of +1.5 from point 3 on give 1.5, 3.0 at point 4 and climb on to 9.0 at point 8;
    # steps of -4.5 bring the sum to 4.5 and back to zero at point 10; +1.5 from point 13 on crosses again at point 14
    z = [0.0, 0.0, *[2.0] * 6, *[-4.0] * 4, 2.0, 2.0, 2.0]
    found = cusum_chart(z, options=ChartOptions(centre=0, sigma=1, decision=2))
    upper = [(s.points, s.at, s.until) for s in found.signals if s.side == "above"]
    assert upper == [((3, 4), (4,), 9), ((13, 14), (14,), 15)]
    longer = cusum_chart([*z, *[2.0] * 50], options=ChartOptions(centre=0, sigma=1, decision=2))
    assert [s.points for s in longer.signals if s.side == "above"] == [(3, 4), (13, 14)]
    told = [s for s in longer.as_dict()["signals"] if s["side"] == "above"][1]
    assert (told["points"], told["began_at"], told["crossed_at"], told["beyond_until"]) == ([13, 14], 13, 14, 65)
    alone = chart([*[0.0, 0.1] * 10, 3.0]).as_dict()["signals"][0]  # other charts have no sum to tell of
    assert set(alone) & {"began_at", "crossed_at", "beyond_until"} == set()


def test_cumulative_sums_by_a_plain_loop() -> None:
    z = np.random.default_rng(2).normal(0.2, 1, 500)
    up, down = cumulative_sums(z, 0.5)
    a = b = 0.0
    for i, v in enumerate(z.tolist()):
        a, b = max(0.0, a + v - 0.5), max(0.0, b - v - 0.5)
        assert (up[i], down[i]) == pytest.approx((a, b), abs=1e-11)


def test_handbook_counts() -> None:
    found = c_chart(column("handbook_wafer_defects.csv", "defects"))
    assert found.centre == float(HANDBOOK["6.3.3.1 c chart c-bar"])
    assert found.upper_limit == float(HANDBOOK["6.3.3.1 c chart UCL"])
    assert found.lower_limit == float(HANDBOOK["6.3.3.1 c chart LCL"])
    assert [s.points for s in found.signals] == [(24,)]  # 28 lies on the limit, 31 beyond


def test_shares() -> None:
    fraction = column("handbook_wafer_fraction.csv", "fraction")
    found = p_chart(np.round(50 * fraction), 50)
    assert found.centre == pytest.approx(fraction.mean(), rel=1e-12)
    # limits by hand, from the formula of e-Handbook 6.3.3.2
    spread = 3 * math.sqrt(fraction.mean() * (1 - fraction.mean()) / 50)
    assert found.upper_limit == pytest.approx(fraction.mean() + spread, rel=1e-12)
    assert {p for s in found.signals for p in s.points} == {15, 23}
    assert "wild-counts" in {r.code for r in found.remarks}
    unequal = p_chart([3, 0, 5, 2], [50, 10, 80, 50])
    assert unequal.upper_limit is None
    assert unequal.lower_limit == 0
    np.testing.assert_allclose(unequal.upper, 10 / 190 + 3 * np.sqrt(10 / 190 * 180 / 190 / np.array([50, 10, 80, 50])))
    assert p_chart([0, 0, 0], 20).signals == ()


def test_unequal_subgroups_have_their_own_limits() -> None:
    rng = np.random.default_rng(7)
    sizes = np.array([2, 5, 3, 1, 4, 5, 2, 6] * 5)
    labels = np.repeat(np.arange(sizes.size), sizes)
    x = rng.normal(10, 2, labels.size)
    found = average_chart(x, subgroups=labels)
    assert (found.lower_limit, found.upper_limit) == (None, None)
    assert found.sigma is not None
    assert found.centre == pytest.approx(x.mean(), rel=1e-12)
    np.testing.assert_allclose(found.upper, x.mean() + 3 * found.sigma / np.sqrt(sizes))
    for i in (0, 1, 4):
        inside = x[labels == i]
        assert found.values[i] == pytest.approx(inside.mean())
        assert found.spread is not None
        assert found.spread.values[i] == pytest.approx(np.ptp(inside))
        assert found.spread.upper[i] == pytest.approx(chart_factors(int(sizes[i])).D2 * found.sigma)
    assert found.spread is not None
    assert math.isnan(found.spread.values[3])
    deviation = average_chart(x, subgroups=labels, by="sd").spread
    assert deviation is not None
    assert deviation.centres[1] == pytest.approx(c4(5) * average_chart(x, subgroups=labels, by="sd").sigma)
    ewma = ewma_chart(x, subgroups=labels)
    assert ewma.sigma is not None
    variance = 0.0
    for i, n in enumerate(sizes.tolist()):  # second route: the recursion of the average's variance
        variance = 0.04 * ewma.sigma**2 / n + 0.64 * variance
        assert ewma.upper[i] - ewma.centre == pytest.approx(3 * math.sqrt(variance), rel=1e-9)
    assert "sums-in-sigma" in {r.code for r in cusum_chart(x, subgroups=labels).remarks}


def test_rows_and_labels_give_the_same_chart() -> None:
    rows = np.random.default_rng(3).normal(size=(30, 4))
    by_label = average_chart(rows.ravel(), subgroups=np.repeat(np.arange(30), 4))
    by_row = average_chart(rows)
    np.testing.assert_allclose(by_label.values, by_row.values, atol=1e-14)
    assert by_label.sigma == pytest.approx(by_row.sigma)
    shuffled = np.random.default_rng(4).permutation(120)
    mixed = average_chart(rows.ravel()[shuffled], subgroups=np.repeat(np.arange(30), 4)[shuffled])
    assert sorted(mixed.values) == pytest.approx(sorted(by_row.values))
    assert "scattered-subgroups" in {r.code for r in mixed.remarks}


def test_limits_frozen_in_phase_one_hold_in_phase_two() -> None:
    rng = np.random.default_rng(9)
    first, later = rng.normal(5, 1, 60), rng.normal(6.5, 1, 30)
    one = individuals_chart(first)
    frozen = Frozen.from_dict(json.loads(json.dumps(one.as_dict(), allow_nan=False))["frozen"])
    two = individuals_chart(later, options=ChartOptions(frozen=frozen))
    assert (two.centre, two.sigma, two.upper_limit) == (one.centre, one.sigma, one.upper_limit)
    assert two.baseline == 0
    assert {s.test for s in two.signals} >= {"same_side"}
    together = individuals_chart(np.concatenate([first, later]), options=ChartOptions(baseline=60))
    assert together.upper_limit == pytest.approx(one.upper_limit)
    np.testing.assert_allclose(together.values[60:], two.values)
    assert two.frozen == frozen


@pytest.mark.parametrize(("subgroups", "baseline"), [(False, 9), (True, 12)])
def test_limits_of_positions_hold_their_chance(subgroups: bool, baseline: int) -> None:
    """Second route: simulated phase 1 and phase 2 points beyond the limit, alarm 5 in 100."""
    rng = np.random.default_rng(14)
    early = late = 0
    runs, points = 600, baseline + 10
    for _ in range(runs):
        labels = np.repeat(np.arange(points), rng.integers(2, 5, points)) if subgroups else None
        n = points if labels is None else labels.size
        x, y = rng.multivariate_normal([1, 2], [[2, 0.9], [0.9, 1]], n).T
        found = position_chart(x, y, subgroups=labels, options=ChartOptions(alarm=0.05, baseline=baseline))
        beyond = found.values > found.upper
        early, late = early + int(beyond[:baseline].sum()), late + int(beyond[baseline:].sum())
    assert early / (runs * baseline) == pytest.approx(0.05, abs=0.009)
    assert late / (runs * 10) == pytest.approx(0.05, abs=0.02)


def test_positions_see_what_each_coordinate_hides() -> None:
    rng = np.random.default_rng(5)
    a = rng.normal(size=60)
    x, y = a + 0.1 * rng.normal(size=60), a + 0.1 * rng.normal(size=60)
    x[30], y[30] = 1.2, -1.2  # each within its own scatter, against the run of both
    assert individuals_chart(x, options=ChartOptions(tests=("beyond_limits",))).signals == ()
    assert [s.points for s in position_chart(x, y).signals] == [(31,)]
    with pytest.raises(DataError):
        position_chart(x, x)
    with pytest.raises(DataError):
        position_chart([1, 2, 3], [1, 2, 4])


def test_positions_that_wander_are_seen() -> None:
    """Invented: the pattern drifts by 6 sigma over 80 parts, or steps by 5; the scatter of all would hide it."""
    rng = np.random.default_rng(8)
    calm = rng.normal(size=(80, 2))
    assert position_chart(*calm.T).signals == ()
    for moved in (np.linspace(0, 6, 80), np.repeat([0, 5], 40)):
        found = position_chart(*(calm + moved[:, None] * [0.8, 0.6]).T)
        points = {point for signal in found.signals for point in signal.points}
        assert min(points) <= 12
        assert max(points) >= 70


def test_json_is_valid_and_complete() -> None:
    rows = np.random.default_rng(3).normal(size=(25, 4))
    x = rows.ravel()
    x[50] = 9
    for found in (
        chart(rows),
        chart(x),
        chart(x, "ewma"),
        chart(x, "cusum"),
        c_chart(np.arange(9)),
        p_chart([1, 2, 3], [10, 20, 30]),
        position_chart(x, x[::-1]),
        chart([1.0]),
        chart([2.0, 2.0]),
    ):
        got = json.loads(json.dumps(found.as_dict(), allow_nan=False))
        assert {"centre", "lower_limit", "upper_limit", "sigma", "points", "signals", "run_length"} <= set(got)
        assert len(got["points"]) == found.values.size
        for signal in got["signals"]:
            assert {"test", "points", "meaning"} <= set(signal)
            assert len(signal["labels"]) == len(signal["points"])


def test_kind_follows_the_subgroups() -> None:
    rng = np.random.default_rng(1)
    assert chart(rng.normal(size=20)).kind == "individuals"
    assert chart(rng.normal(size=20), subgroups=np.arange(20)).kind == "individuals"
    assert chart(rng.normal(size=20), subgroups=np.repeat(np.arange(5), 4)).kind == "average-range"
    assert chart(rng.normal(size=(6, 12))).kind == "average-sd"
    labelled = chart([1.0, 2, 3], subgroups=["a", "b", "c"])
    assert tuple(labelled.labels) == ("a", "b", "c")


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ([0.458], "no-limits"),
        ([0.458] * 6, "no-scatter"),
        ([1, np.nan, 2, 1, 3], "missing-readings"),
        (np.round(np.random.default_rng(1).normal(0, 0.3, 40)), "coarse-gauge"),
    ],
)
def test_what_spoils_a_chart_is_said(values: Any, code: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for kind in ("individuals", "ewma", "cusum"):
            found = chart(values, kind)
            assert code in {r.code for r in found.remarks}, kind
            if code in ("no-limits", "no-scatter"):
                assert found.signals == ()
    assert "one-subgroup" in {r.code for r in chart([1, 2, 3.0], subgroups=["a"] * 3).remarks}


def test_missing_readings_keep_the_names_of_the_others() -> None:
    found = chart([1.0, np.nan, 3.0, 2.0])
    assert tuple(found.labels) == ("1", "3", "4")
    assert found.values.size == 3


def test_false_alarm_price_is_told() -> None:
    found = chart(np.random.default_rng(2).normal(size=40))
    assert found.run_length is not None
    assert found.run_length_shifted is not None
    assert found.run_length_shifted.mean < found.run_length.mean
    assert found.tests == ("beyond_limits", "same_side")
    assert found.run_length.mean > 200
    told = next(r.message for r in found.remarks if r.code == "false-alarms")
    assert "once in 217" in told
    assert "--tests all adds steady_drift" in told
    every = chart(np.random.default_rng(2).normal(size=40), options=ChartOptions(tests=ALL_TESTS))
    assert any(r.code == "false-alarms" and "73" in r.message for r in every.remarks)
    alone = chart(np.random.default_rng(2).normal(size=40), options=ChartOptions(tests=("beyond_limits",)))
    assert alone.run_length is not None
    assert alone.run_length.mean == pytest.approx(370.398, abs=1e-3)


@pytest.mark.parametrize(
    "call",
    [
        lambda: chart([1, 2], "histogram"),
        lambda: chart([1, 2], "average-range"),
        lambda: chart([], "individuals"),
        lambda: chart([[1, 2], [3, np.nan]]),
        lambda: chart([1, 2, 3], subgroups=["a"]),
        lambda: ChartOptions(tests=("nonsense",)),
        lambda: ChartOptions(tests=()),
        lambda: ChartOptions(sigma=-1),
        lambda: ChartOptions(baseline=1),
        lambda: ChartOptions(weight=0),
        lambda: ChartOptions(decision=-1),
        lambda: ChartOptions(alarm=1.0),
        lambda: ChartOptions(centre=math.nan),
        lambda: chart([1, 2, 3], options=ChartOptions(baseline=9)),
        lambda: c_chart([1, 2.5]),
        lambda: c_chart([]),
        lambda: c_chart([1, np.nan]),
        lambda: c_chart([-1, 2]),
        lambda: p_chart([5], [4]),
        lambda: p_chart([1, 2], [4, 4, 4]),
        lambda: c_chart([1, 2], options=ChartOptions(tests=("two_of_three_far",))),
        lambda: c_chart([1, 2], options=ChartOptions(frozen=Frozen("individuals", (1.0,), 1.0, 5, 5))),
        lambda: chart([1, 2], options=ChartOptions(frozen=Frozen("individuals", (1.0,), 1.0, 5, 5), baseline=2)),
        lambda: Frozen.from_dict({"kind": "individuals"}),
        lambda: Frozen.from_dict({**asdict(Frozen("individuals", (math.nan,), 1.0, 5, 5))}),
        lambda: Frozen.from_dict({**asdict(Frozen("weather", (1.0,), 1.0, 5, 5))}),
    ],
)
def test_unusable_input_is_refused(call: Any) -> None:
    with pytest.raises(DataError):
        call()


def test_single_positions_signal_falsely_as_often_as_asked() -> None:
    """By simulation, seeded: 400 calm charts of 60. The limit is that of Williams and others (2006; from memory)."""
    rng = np.random.default_rng(2)
    charts = [position_chart(*rng.normal(size=(2, 60))) for _ in range(400)]
    share = sum(len(s.points) for made in charts for s in made.signals) / (400 * 60)
    assert 0.0015 < share < 0.0040  # 0.0027 asked; 24 000 points scatter by 0.0003


def test_default_tests_of_healthy_charts_signal_as_seldom_as_said() -> None:
    """Second route: simulated charts with known limits; 240 points at a run length of 217 signal in 67 of 100."""
    options = ChartOptions(centre=0.0, sigma=1.0)
    signalled = sum(
        bool(chart(np.random.default_rng(k).normal(size=240), options=options).all_signals()) for k in range(150)
    )
    assert 0.55 < signalled / 150 < 0.78


def test_alarms_of_a_chart_of_scatter() -> None:
    from scipy.stats import chi2, norm

    # closed forms: a range of two is a normal difference without its sign, a variance is chi-square
    assert alarms_of_scatter("range", 2) == pytest.approx(2 * norm.sf(chart_factors(2).D2 / np.sqrt(2)), rel=1e-6)
    assert alarms_of_scatter("sd", 5) == pytest.approx(chi2.sf(4 * chart_factors(5).B6 ** 2, 4), rel=1e-9)
    rows = np.random.default_rng(1).normal(size=(200_000, 5))
    beyond = np.mean(np.ptp(rows, axis=1) > chart_factors(5).D2)
    assert alarms_of_scatter("range", 5) == pytest.approx(beyond, rel=0.1)


def test_moving_ranges_are_judged_only_where_tests_are_named() -> None:
    x = np.zeros(30)
    x[1::2] = 0.1
    x[20] = 3.0
    assert {title for title, _ in chart(x).all_signals()} == {"reading"}
    assert "moving range" in {title for title, _ in chart(x, options=ChartOptions(tests=ALL_TESTS)).all_signals()}


def test_a_skewed_shape_is_no_event_and_has_no_normal_price() -> None:
    # of a gamma distribution of shape 2 the share beyond mean + 3 sd is 0.0141 (scipy: gamma.sf(2 + 3 * 2**0.5, 2)):
    # 76 of 100 charts of 100 points signal, not 37
    x = 0.455 + 0.0007 * np.random.default_rng(2).gamma(2, size=100)
    found = noted(individuals_chart(x))
    [beyond] = {s.meaning for s in found.signals if s.test == "beyond_limits"}
    assert "above only, on the long side of a skewed series" in beyond
    told = {r.code: r.message for r in found.remarks}
    assert "don't look normal" in told["not-normal"]
    assert "holds for a normal shape only" in told["false-alarms"]
    assert "of 100 charts" not in told["false-alarms"]
    y = np.random.default_rng(3).normal(0, 1, 100)
    y[50] = 6
    odd = noted(individuals_chart(y))
    assert any("something happened" in s.meaning for s in odd.signals if 51 in s.points)
    plain = noted(individuals_chart(np.random.default_rng(3).normal(0, 1, 100)))
    assert any("of 100 charts" in r.message for r in plain.remarks)


def test_a_drift_is_told_as_one_and_a_step_as_a_step() -> None:
    noise = np.random.default_rng(5).normal(0, 1, 100)
    drift = noted(individuals_chart(noise + 0.06 * np.arange(100)))
    runs = {s.meaning for s in drift.signals if s.test == "same_side"}
    assert len(runs) == 1
    assert "the points drift up" in runs.pop()
    assert not any("stayed there" in s.meaning or "something happened" in s.meaning for s in drift.signals)
    assert "they drift" in next(r.message for r in drift.remarks if r.code == "points-alike")
    step = noted(individuals_chart(noise + 3.0 * (np.arange(100) >= 50)))
    assert any("moved and stayed there" in s.meaning for s in step.signals)
    assert not any("the points drift" in s.meaning for s in step.signals)
    saw = noise + 0.12 * (np.arange(100) % 50) + 2 * (np.arange(100) >= 50)  # drifts, is reset, drifts again
    assert not any("the points drift" in s.meaning for s in noted(individuals_chart(saw)).signals)
    off = noise + 0.06 * np.arange(100)
    off[80] += 12
    assert any("something happened" in s.meaning for s in noted(individuals_chart(off)).signals if 81 in s.points)
