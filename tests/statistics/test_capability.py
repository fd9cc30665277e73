"""Capability of readings: the whole result, what spoils it, and that nothing is hidden."""

from __future__ import annotations

import json
import math
import warnings
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from statistics_data import half_unit, printed, records

from holeqc.problems import DataError
from holeqc.reports.chart_text import capability_text
from holeqc.statistics.basics import far_off
from holeqc.statistics.capability import Capability, Choices, capability, clustered_capability
from holeqc.statistics.indices import Limits, nearest_interval_exact, one_sided_bound
from holeqc.statistics.normality import judge, longest_run, run_chance
from holeqc.statistics.percentile import normal_scores
from holeqc.statistics.subgroups import subgroup_labels, within_by_subgroups

TEXTBOOK = printed("textbook_values.csv")
HOLE = Limits(0.455, 0.462)
KNOWN = Choices(normal=True)


def ring_bore() -> tuple[np.ndarray, np.ndarray]:
    rows = records("textbook_ring_bore.csv")
    values = np.array([[float(r[f"x{j}"]) for j in range(1, 6)] for r in rows])
    return values.ravel(), np.repeat([r["sample"] for r in rows], 5)


def codes(result: Capability) -> set[str]:
    return {r.code for r in result.remarks}


def sample(n: int = 80, seed: int = 4) -> np.ndarray:
    return np.round(np.random.default_rng(seed).normal(0.4585, 0.0008, n), 5)


def test_textbook_ring_bore() -> None:
    values, samples = ring_bore()
    found = capability(values, Limits(73.95, 74.05), subgroups=samples, choices=Choices(within="range"))
    indices = found.within_indices
    assert indices.potential == pytest.approx(float(TEXTBOOK["piston ring bore: Cp with spec 73.95-74.05"]), abs=0.005)
    # the book's Cpk 1.64 comes from rounded values; the data give 1.629
    assert indices.nearest == pytest.approx(float(TEXTBOOK["piston ring bore: Cpk"]), abs=0.0115)
    deviation = capability(values, Limits(73.95, 74.05), subgroups=samples, choices=Choices(within="sd")).within
    assert deviation is not None
    assert abs(deviation.sigma - float(TEXTBOOK["piston ring bore: sigma from s-bar/c4"])) <= half_unit("0.01")
    assert found.stability.stable is True


def test_every_key_of_the_json_is_there() -> None:
    text = json.dumps(capability(sample(), HOLE, choices=KNOWN).as_dict(), allow_nan=False)
    got: dict[str, Any] = json.loads(text)
    assert {
        "n",
        "mean",
        "sd_overall",
        "sd_within",
        "Cp",
        "Cpk",
        "Pp",
        "Ppk",
        "Cpm",
        "intervals",
        "normality",
        "outside",
    } <= set(got)
    assert {"Cp", "Cpk", "Pp", "Ppk", "Cpm", "Cpk_lower_bound", "mean"} <= set(got["intervals"])
    assert all(len(v) == 2 for v in got["intervals"].values())
    assert {"A2", "A2_adjusted", "p"} <= set(got["normality"])
    assert {"ppm_if_normal", "observed"} <= set(got["outside"])
    assert got["n"] == 80
    for name in ("Cp", "Cpk", "Pp", "Ppk", "Cpm"):
        low, high = got["intervals"][name]
        assert low < got[name] < high


def test_figures_by_hand() -> None:
    x = sample()
    found = capability(x, Limits(0.455, 0.462, 0.458), choices=KNOWN)
    m, s = x.mean(), x.std(ddof=1)
    assert found.overall.nearest == pytest.approx(min(m - 0.455, 0.462 - m) / (3 * s), rel=1e-12)
    assert found.overall.potential == pytest.approx(0.007 / (6 * s), rel=1e-12)
    assert found.Cpm == pytest.approx(0.007 / (6 * math.hypot(s, m - 0.458)), rel=1e-12)
    short = np.abs(np.diff(x)).mean() * math.sqrt(math.pi) / 2
    assert found.within is not None
    assert found.within.sigma == pytest.approx(short, rel=1e-12)
    assert found.within_indices.potential == pytest.approx(0.007 / (6 * short), rel=1e-12)
    assert found.within_indices.nearest is not None
    v = found.within.dof  # c4 by its formula (e-Handbook 6.3.2): a range is right on average, a deviation low by it
    index = found.within_indices.nearest / (math.sqrt(2 / v) * math.gamma((v + 1) / 2) / math.gamma(v / 2))
    both = nearest_interval_exact(index, 80, v, 0.95, two_limits=True)
    assert found.intervals["Cpk"] == pytest.approx(both, rel=1e-9)
    bound = one_sided_bound(index, 80, v, 0.95)
    assert found.intervals["Cpk_lower_bound"] == (pytest.approx(bound, rel=1e-9), None)
    assert found.outside.observed == 0
    assert found.outside.observed_interval[1] == pytest.approx(1 - 0.025 ** (1 / 80))  # no case in 80


def test_estimates_of_sigma_within() -> None:
    rng = np.random.default_rng(9)
    labels = np.repeat(np.arange(200), rng.integers(2, 7, 200))
    shifts = rng.normal(0, 3, 200)[labels]
    x = rng.normal(size=labels.size)
    groups = subgroup_labels(x + shifts, labels)
    for method in ("pooled", "range", "sd"):
        found = within_by_subgroups(groups, method)
        assert found.sigma == pytest.approx(1, abs=4 / math.sqrt(2 * found.dof))
    # second route for pooled: the residual of the analysis of variance
    from holeqc.statistics.basics import one_way

    anova = one_way(x + shifts, labels)
    pooled = within_by_subgroups(groups, "pooled")
    assert pooled.sigma == pytest.approx(math.sqrt(anova.ms_within), rel=1e-12)
    assert pooled.dof == x.size - len(groups)
    # equal subgroups: the weighted estimates are the plain means
    even = subgroup_labels(x[:600], np.repeat(np.arange(150), 4))
    from holeqc.statistics.subgroups import c4, d2

    assert within_by_subgroups(even, "range").sigma == pytest.approx(even.ranges.mean() / d2(4), rel=1e-12)
    assert within_by_subgroups(even, "sd").sigma == pytest.approx(even.sds.mean() / c4(4), rel=1e-12)


@pytest.mark.parametrize("method", ["range", "sd"])
def test_equivalent_degrees_of_freedom_of_unequal_subgroups(method: str) -> None:
    # second route: the scatter of the estimate over simulated sets of subgroups
    rng = np.random.default_rng(31)
    labels = np.repeat(np.arange(6), [2, 3, 5, 2, 4, 7])
    found = [within_by_subgroups(subgroup_labels(rng.normal(size=labels.size), labels), method) for _ in range(1200)]
    sigma = np.array([f.sigma for f in found])
    assert sigma.mean() == pytest.approx(1, abs=0.025)
    assert 1 / (2 * sigma.var()) == pytest.approx(found[0].dof, rel=0.14)


def test_subgroups_catch_what_the_whole_hides() -> None:
    rng = np.random.default_rng(2)
    setups = np.repeat(["A", "B", "C", "D", "E", "F", "G", "H", "I", "J", "K", "L"], 6)
    x = 0.4585 + rng.normal(0, 0.0003, 72) + np.repeat(rng.normal(0, 0.001, 12), 6)
    found = capability(x, HOLE, subgroups=setups)
    assert found.within_indices.potential is not None
    assert found.overall.potential is not None
    assert found.within_indices.potential > 2 * found.overall.potential
    assert found.stability.stable is False
    assert set(found.cautions) >= {"Cp", "Cpk", "Pp", "Ppk", "Cpm"}
    assert all("not stable" in words for words in found.cautions.values())


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ([0.458], "one-reading"),
        ([0.458] * 9, "identical-readings"),
        ([0.457, 0.458, np.nan, 0.459], "missing-readings"),
        (np.round(np.random.default_rng(1).normal(0.4585, 0.0004, 60), 3), "coarse-gauge"),
        ([0, 1, 0, 0, 1, 0, 0, 0, 1, 0, 0, 1], "two-values"),
        (np.linspace(0.457, 0.46, 6), "few-readings"),
        (np.minimum(sample(100), 0.4592), "piled-readings"),
        (np.round(sample(60) / 0.00075) * 0.00075, "coarse-for-limits"),
        (np.abs(np.random.default_rng(3).normal(0, 0.002, 60)), "perhaps-bounded"),
        (np.random.default_rng(5).exponential(0.001, 100) + 0.456, "not-normal"),
    ],
)
def test_what_spoils_an_index_is_said(values: Any, code: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = capability(values, HOLE)
        text = json.dumps(found.as_dict(), allow_nan=False)
    assert code in codes(found)
    assert code in text


def test_clean_readings_are_not_talked_about() -> None:
    assert codes(capability(sample(200, seed=8), Limits(0.455, 0.462, 0.4585))) == set()


def test_no_index_without_scatter() -> None:
    for values in ([0.458], [0.458] * 5):
        found = capability(values, HOLE)
        assert found.overall.nearest is None
        assert found.within_indices.nearest is None
        assert found.intervals == {}
        assert found.outside.observed_count == 0
    assert capability([0.458], HOLE).sd_overall is None
    assert capability([0.458] * 5, HOLE).sd_overall == 0


def test_without_limits_all_but_the_indices_is_given() -> None:
    found = capability(sample(), Limits(), choices=KNOWN)
    assert "no-limits" in codes(found)
    assert found.overall.nearest is None
    assert set(found.intervals) == {"mean", "sd_overall", "sd_within"}
    assert found.normality is not None
    assert found.tolerance is not None
    assert found.tolerance.inside is None
    assert found.outside.ppm_if_normal is None
    json.dumps(found.as_dict(), allow_nan=False)
    skewed = np.random.default_rng(5).exponential(0.001, 100)
    assert capability(skewed, Limits()).percentile is None


def test_one_subgroup_and_single_subgroups() -> None:
    x = sample(12)
    one = capability(x, HOLE, subgroups=["a"] * 12)
    assert "one-subgroup" in codes(one)
    assert one.within is not None
    assert one.sd_overall is not None
    assert one.within.sigma == pytest.approx(one.sd_overall)
    assert one.within.dof == 11
    single = capability(x, HOLE, subgroups=np.arange(12))
    assert "single-subgroups" in codes(single)
    assert single.within is not None
    assert single.within.method == "moving-range"
    mixed = capability(np.concatenate([x, x]), HOLE, subgroups=np.concatenate([np.arange(12), np.arange(12)]))
    assert "scattered-subgroups" in codes(mixed)


def test_a_reading_on_the_limit_is_inside() -> None:
    found = capability([0.455, 0.462, 0.1 + 0.2 + 0.158, 0.458, 0.4619999999999999 + 1e-16], HOLE)
    assert found.outside.observed_count == 0
    assert capability([0.4549, 0.458, 0.4621], HOLE).outside.observed_count == 2
    metric = np.array([11.557, 11.7348, 11.6]) / 25.4  # both limits in mm
    assert capability(metric, HOLE).outside.observed_count == 0


def test_share_outside_has_an_interval_that_holds() -> None:
    rng = np.random.default_rng(12)
    true = 2 * 0.0013498980316301
    held = given = 0
    for _ in range(150):
        found = capability(rng.normal(size=50), Limits(-3, 3), choices=Choices(any_shape=False, normal=True))
        low, high = found.outside.ppm_if_normal_interval
        if low is None or high is None:  # one normal series in twenty is taken for none and gets no such interval
            continue
        given += 1
        held += low <= 1e6 * true <= high
    assert given > 130
    assert held / given > 0.93


def test_not_normal_gets_percentiles_beside() -> None:
    x = np.random.default_rng(5).gamma(2, 0.0005, 200) + 0.456
    found = capability(x, HOLE)
    assert found.percentile is not None
    assert found.percentile.Ppk is not None
    assert found.percentile.choice.candidates[0].key == "gamma_above_threshold"  # it is one
    assert found.percentile.interval is not None
    true = (0.462 - 0.456 - 0.0005 * 1.67834699) / (0.0005 * (8.90020628 - 1.67834699))  # scipy 1.17, gamma(2).ppf
    assert found.percentile.interval[0] < true < found.percentile.interval[1]
    assert found.intervals == {}
    assert found.tolerance is None
    assert capability(x, HOLE, choices=Choices(percentile=False)).percentile is None


def test_bounded_at_zero_is_never_normal() -> None:
    rng = np.random.default_rng(6)
    x = np.hypot(rng.normal(0, 0.001, 120), rng.normal(0, 0.001, 120)) * 2
    found = capability(x, Limits(upper=0.011), choices=Choices(from_zero=True))
    assert found.overall.nearest is None
    assert found.within_indices.nearest is None
    assert found.Cpm is None
    assert found.normality is None
    assert found.tolerance is None
    assert found.outside.ppm_if_normal is None
    assert found.percentile is not None
    assert found.percentile.choice.candidates[0].key in ("rayleigh", "weibull", "rice")
    assert found.stability.stable is True
    with pytest.raises(DataError, match="negative"):
        capability([-0.001] * 5 + [0.002] * 5, Limits(upper=0.011), choices=Choices(from_zero=True))


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (lambda x: x + np.where(np.arange(60) >= 40, 0.002, 0), "row"),
        (lambda x: x + np.arange(60) * 5e-5, "row"),
        (lambda x: np.where(np.arange(60) == 30, 0.4645, x), "one point"),
        (lambda x: x + 0.0012 * np.where(np.arange(60) % 2, 1, -1), "tends to the other side"),
    ],
)
def test_instability_is_found(change: Any, word: str) -> None:
    steady = sample(60, seed=21)
    assert capability(steady, HOLE).stability.stable is True
    found = capability(change(steady), HOLE).stability
    assert found.stable is False
    assert word in found.words


def test_false_word_of_instability_is_rare() -> None:
    rng = np.random.default_rng(44)
    verdicts = [
        judge(x, float(x.mean()), float(np.abs(np.diff(x)).mean()) * math.sqrt(math.pi) / 2, 30).stable
        for x in rng.normal(size=(800, 50))
    ]
    assert 0.95 < np.mean([v is True for v in verdicts]) < 1.0


def test_longest_run_by_a_plain_loop() -> None:
    rng = np.random.default_rng(1)
    for n in (1, 2, 9, 64, 65, 300):
        for share in (0.2, 0.5, 0.9):
            above = rng.random(n) < share
            below = ~above & (rng.random(n) < 0.95)
            best, end, length, last = 0, 0, 0, 0
            for i in range(n):
                side = 1 if above[i] else -1 if below[i] else 0
                length = length + 1 if side and side == last else int(side != 0)
                last = side
                if length > best:
                    best, end = length, i + 1
            assert longest_run(above, below) == (best, end)


def test_chance_of_a_run_by_simulation() -> None:
    rng = np.random.default_rng(3)
    noted = 0
    for signs in rng.random((2000, 60)) < 0.5:
        noted += longest_run(signs, ~signs)[0] >= 9
    assert run_chance(9, 60) == pytest.approx(noted / 2000, abs=0.03)
    assert run_chance(9, 60) >= noted / 2000 - 0.02


@pytest.mark.parametrize(
    "call",
    [
        lambda: capability([], HOLE),
        lambda: capability([np.nan, np.nan], HOLE),
        lambda: capability([1, np.inf], HOLE),
        lambda: capability(["x"], HOLE),
        lambda: capability([1, 2], HOLE, subgroups=["a"]),
        lambda: capability([1, 2], HOLE, choices=Choices(within="range")),
        lambda: Choices(within="guess"),
        lambda: Choices(confidence=1.0),
        lambda: Choices(resolution=0.0),
    ],
)
def test_unusable_input_is_refused(call: Any) -> None:
    with pytest.raises(DataError):
        call()


def test_zeros_of_a_quantity_that_begins_at_zero_upset_neither_fit_nor_stability() -> None:
    # Differences of two readings of one hole, rounded to the gauge's step: many are exactly zero. By hand: a share q of
    # readings below half a step has its middle at about q / 2, so its score is that quantile of the normal.
    rng = np.random.default_rng(5)
    rounded = np.round(np.abs(rng.normal(0, 0.00015, 300)), 4)
    share = float(np.mean(rounded == 0))
    assert share > 0.2
    found = capability(rounded, Limits(None, 0.003), choices=Choices(from_zero=True))
    assert found.stability.stable is not False
    assert found.percentile is not None
    score = float(normal_scores(found.percentile.choice.chosen, rounded)[rounded == 0][0])
    assert score == pytest.approx(NormalDist().inv_cdf(share / 2), abs=0.15)


LONG_TAIL = np.random.default_rng(1).lognormal(-7, 0.7, 100)  #: stable, skewed, in the kit's unit


def said(values: Any, limits: Limits, code: str, **more: Any) -> str:
    found = capability(values, limits, **more)
    return " ".join(r.sentence() for r in found.remarks if r.code == code)


def test_skewed_but_stable_readings_are_told_what_the_limits_suppose() -> None:
    limits = Limits(None, 0.006)
    found = capability(LONG_TAIL, limits)
    assert found.stability.stable is False  # the verdict stands; what it rests on is said
    words = said(LONG_TAIL, limits, "skewed-limits")
    assert "suppose a normal shape" in words
    assert "only above" in words
    assert "fitted distribution" in words
    assert "--subgroup" in words
    assert "only below" in said(-LONG_TAIL, Limits(-0.006, None), "skewed-limits")
    # several readings a piece: the means were judged
    pieces = np.repeat(np.arange(100), 2)
    means = np.random.default_rng(3).lognormal(-7, 0.7, 100)
    both = clustered_capability(np.repeat(means, 2) * np.tile([0.999, 1.001], 100), pieces, limits)
    assert both.stability.stable is False
    assert [r.sentence().count("these means") for r in both.remarks if r.code == "skewed-limits"] == [1]


@pytest.mark.parametrize("change", ["one", "four", "both sides", "drift", "none"])
def test_real_instability_is_not_put_down_to_the_shape(change: str) -> None:
    x = np.random.default_rng(4).normal(0, 1, 100)
    if change == "one":
        x[40] = 9
    elif change == "four":
        x[40:44] += 8
    elif change == "both sides":
        x = np.random.default_rng(5).lognormal(0, 0.7, 100)
        x[40] = -12
    elif change == "drift":
        x += np.linspace(0, 4, 100)
    found = capability(x, Limits(-20, 20))
    assert found.stability.stable is (change == "none")
    assert not [r for r in found.remarks if r.code == "skewed-limits"]


def test_a_shift_of_skewed_readings_is_still_named() -> None:
    rng = np.random.default_rng(6)
    x = np.concatenate([rng.lognormal(0, 0.7, 60), rng.lognormal(1.5, 0.7, 40)])
    words = said(x, Limits(None, 60), "skewed-limits")
    assert "what is left: " in words
    assert "look for the cause" in words
    assert "no sign of a change" not in words


def test_what_may_begin_at_zero_is_told_the_option() -> None:
    assert "--from-zero" in said(LONG_TAIL, Limits(None, 0.006), "perhaps-bounded")
    assert not said(LONG_TAIL, Limits(None, 0.006), "perhaps-bounded", choices=Choices(from_zero=True))


def test_an_empty_cpm_says_why() -> None:
    limits = Limits(0.455, 0.462, 0.4585)
    assert "would be infinite" in said([0.4585] * 12, limits, "no-cpm")
    assert "0.0005" in said([0.458] * 12, limits, "no-cpm")
    assert "one reading" in said([0.4585], limits, "no-cpm")
    assert "needs both limits" in said(LONG_TAIL, Limits(None, 0.006, 0.001), "no-cpm")
    # nobody is told that Cpm uses the middle where there is no Cpm
    assert not said([0.4585] * 12, Limits(0.455, 0.462), "target-middle")
    assert "would be infinite" in said([0.4585] * 12, Limits(0.455, 0.462), "no-cpm")
    assert not said(np.random.default_rng(1).normal(0.4585, 0.0005, 60), limits, "no-cpm")


def test_likely_slips_are_those_far_from_the_median() -> None:
    rng = np.random.default_rng(5)
    for size in (0, 7, 8, 9, 40, 41):
        x = np.round(rng.normal(10.0, 1.0, size), 1)
        x[: size // 8] = np.nan
        for slip in (1000.0, -40.0, None):
            if size and slip is not None:
                x[-1 - int(rng.integers(max(size // 20, 1)))] = slip
            kept = x[~np.isnan(x)]
            expected = np.zeros(0, dtype=np.int64)
            if kept.size >= 8:  # the rule as it is said, with the library's median and quantiles
                off = np.abs(x - np.median(kept))
                low, high = np.quantile(kept, [0.05, 0.95], method="closest_observation")
                sigma = max(1.4826 * np.median(off[~np.isnan(x)]), (high - low) / 8)
                places = np.flatnonzero(off > 15 * sigma)
                expected = places if places.size <= max(1.0, 0.05 * kept.size) else expected
            np.testing.assert_array_equal(far_off(x), expected)


def test_one_point_is_one() -> None:
    assert capability([0.4585], Limits(0.455, 0.462)).stability.words.startswith("one point is too few")


def test_skewness_is_counted_in_standard_errors() -> None:
    # second route: scipy's skewness, and its scatter over samples of a normal, which the formula gives
    from scipy.stats import skew

    from holeqc.statistics.capability import skewness_score

    rng = np.random.default_rng(8)
    for n in (20, 47, 300):
        x = rng.normal(3, 2, (4000, n))
        scores = np.array([skewness_score(row) for row in x])
        assert float(np.std(scores)) == pytest.approx(1.0, abs=0.04)
        ratio = scores / skew(x, axis=1)
        assert np.allclose(ratio, ratio[0], rtol=1e-9)
        assert ratio[0] > 0
    assert skewness_score(np.full(30, 0.4585)) == 0.0


def test_cpm_of_five_readings_is_held_as_often_as_said() -> None:
    """Second route: simulation of normals whose Cpm is known; 94.2 to 95.1 % over offsets from 0 to 3 sigma."""
    limits, held = Limits(-4.0, 4.0), 0
    for k in range(400):
        x = np.random.default_rng(k).normal(2, 1, 5)
        found = capability(x, limits, choices=Choices(any_shape=False, normal=True))
        low, high = found.intervals["Cpm"]
        assert low is not None
        assert high is not None
        held += low <= 8 / (6 * math.sqrt(5)) <= high
    assert held / 400 > 0.93  # the plain formula holds 89 of 100 here


def test_readings_that_resemble_their_neighbours_count_for_less_in_every_interval() -> None:
    """Second route: simulated readings of a correlation of 0.5 and a true Ppk of 4/3."""
    from scipy.signal import lfilter

    plain = widened = found_alike = 0
    for k in range(120):
        x = lfilter([math.sqrt(0.75)], [1, -0.5], np.random.default_rng(k).normal(size=400))[200:]
        found = capability(x, Limits(-4, 4), choices=Choices(any_shape=False, normal=True))
        if "Ppk" not in found.intervals or "alike-neighbours" not in {r.code for r in found.remarks}:
            continue
        found_alike += 1
        assert "Cp" not in found.intervals  # sigma within comes from the same neighbours
        low, high = found.intervals["Ppk"]
        assert low is not None
        assert high is not None
        widened += low <= 4 / 3 <= high
        low, high = nearest_interval_exact(found.overall.nearest or 0, 200, 199, 0.95, two_limits=True)
        assert low is not None
        assert high is not None
        plain += low <= 4 / 3 <= high
    assert found_alike > 90
    assert plain < widened
    assert widened / found_alike > 0.9
    calm = capability(np.random.default_rng(1).normal(size=200), Limits(-4, 4), choices=KNOWN)
    assert "alike-neighbours" not in {r.code for r in calm.remarks}
    assert "Cp" in calm.intervals


def test_streams_in_the_subgroups_are_not_passed_over() -> None:
    rng = np.random.default_rng(1)
    streams = np.concatenate([rng.normal(0, 1, 50), rng.normal(9, 1, 50)])
    found = capability(streams, Limits(-8, 17), subgroups=np.repeat(["a", "b"], 50))
    told = [r for r in found.remarks if r.code == "means-differ"]
    assert len(told) == 1
    assert told[0].severity == "warning"
    assert "sigma within apart" in told[0].message
    heaps = [r.message for r in found.remarks if r.code == "two-heaps"]
    assert len(heaps) == 1
    assert "50 up to" in heaps[0]
    assert "50 from" in heaps[0]
    even = capability(rng.normal(0, 1, 100), Limits(-8, 17), subgroups=np.repeat(np.arange(20), 5))
    assert not {"means-differ", "mixed-streams", "two-heaps"} & {r.code for r in even.remarks}
    pairs = capability(streams.reshape(2, 50).T.ravel(), Limits(-8, 17), subgroups=np.repeat(np.arange(50), 2))
    assert [r.code for r in pairs.remarks if r.code in ("means-differ", "mixed-streams")] == ["mixed-streams"]
    runs = streams.reshape(2, 10, 5).transpose(1, 0, 2).ravel()
    found = capability(runs, Limits(-8, 17))  # runs of five of each: neighbours resemble, yet no kind fits
    assert found.any_shape is not None
    assert found.any_shape.Ppk is None
    assert "fits" in found.any_shape.words


def test_intervals_that_hang_on_a_normal_are_for_a_known_one() -> None:
    x = np.random.default_rng(5).normal(size=60)
    plain, known = (capability(x, Limits(-4, 4), choices=how) for how in (None, KNOWN))
    assert (plain.intervals, plain.tolerance) == ({}, None)
    assert plain.outside.ppm_if_normal_interval == (None, None)
    assert plain.any_shape == known.any_shape
    # second route: the normal distribution itself; the short run by the moving range, whose mean is 2 sigma / root pi
    short = np.abs(np.diff(x)).mean() * np.pi**0.5 / 2
    both = (x.std(ddof=1), known.outside.ppm_if_normal), (short, known.outside.ppm_if_normal_short_run)
    for sigma, found in both:
        normal = NormalDist(x.mean(), sigma)
        assert found == pytest.approx(1e6 * (normal.cdf(-4) + 1 - normal.cdf(4)), rel=1e-9)
    assert {"Cp", "Cpk", "Pp", "Ppk", "Cpm"} <= set(known.intervals)
    heavy = np.random.default_rng(3).standard_t(2, 60)
    assert capability(heavy, Limits(-40, 40), choices=KNOWN).intervals == {}  # the readings speak against it


def test_many_readings_of_a_normal_are_no_poor_picture_of_one() -> None:
    """These seeds give p below 0.05, and 159 below 0.001, by chance; the tails are a normal's none the less."""
    for seed in (60, 107, 118, 159):
        found = capability(np.random.default_rng(seed).normal(size=20_000), Limits(-4, 4), choices=KNOWN)
        assert found.normal_p is not None
        assert found.normal_p < 0.05
        assert "hardly-not-normal" in {r.code for r in found.remarks}
        assert "not-normal" not in {r.code for r in found.remarks}
        assert "Ppk" in found.intervals
    heavy = capability(np.random.default_rng(1).standard_t(5, 20_000), Limits(-20, 20), choices=KNOWN)
    assert "not-normal" in {r.code for r in heavy.remarks}
    assert "Ppk" not in heavy.intervals


def test_readings_of_no_kind_have_no_interval_and_say_why() -> None:
    rng = np.random.default_rng(4)
    heaps = np.concatenate([rng.normal(0, 1, 150), rng.normal(12, 1, 150)])
    found = capability(rng.permutation(heaps), Limits(-10, 25))
    assert found.any_shape is not None
    assert found.any_shape.Ppk is None
    assert "fits" in found.any_shape.words
    assert "no interval, none of" in " ".join(capability_text(found, "size").split())
