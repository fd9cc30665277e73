"""Gauge study: published studies, second routes, and readings that make no study."""

from __future__ import annotations

import itertools
import json
from fractions import Fraction

import numpy as np
import pytest
from gauge_data import columns, numbers
from numpy.typing import NDArray
from scipy import stats

from holeqc.problems import DataError
from holeqc.statistics import gauge_components
from holeqc.statistics.gauge_components import lay_out, range_divisor
from holeqc.statistics.gauge_study import GaugeStudy, gauge_study, suspect_pair

FIRST = "gauge_crossed_10x3x3.csv"
THERMAL = "gauge_thermal_10x3x3.csv"


def study_of(name: str, **options: object) -> GaugeStudy:
    table = columns(name)
    return gauge_study(table["part"], table["appraiser"], numbers(table["value"]), **options)  # type: ignore[arg-type]


def row(study: GaugeStudy, source: str) -> gauge_components.AnovaRow:
    return next(r for r in study.anova if r.source == source)


def made_up(parts: int, appraisers: int, trials: int, sds: tuple[float, ...], seed: int) -> tuple[NDArray, ...]:
    """Return labels and readings of a crossed study with the standard deviations repeat, appraiser, pair, part."""
    rng = np.random.default_rng(seed)
    p, o, _ = (a.ravel() for a in np.indices((parts, appraisers, trials)))
    value = (
        10.0
        + rng.normal(0, sds[3], parts)[p]
        + rng.normal(0, sds[1], appraisers)[o]
        + rng.normal(0, sds[2], parts * appraisers)[p * appraisers + o]
        + rng.normal(0, sds[0], p.size)
    )
    return p, o, value


# --- published: 10 parts, 3 appraisers, 3 trials (source in the data file; tables III-B 7 and 8) ---


@pytest.mark.parametrize(
    ("source", "freedom", "squares"),
    [("appraiser", 2, 3.1673), ("part", 9, 88.3619), ("interaction", 18, 0.3590), ("repeatability", 60, 2.7589),
     ("total", 89, 94.6471)],
)  # fmt: skip
def test_published_sums_of_squares(source: str, freedom: int, squares: float) -> None:
    line = row(study_of(FIRST), source)
    assert line.degrees_of_freedom == freedom
    assert line.sum_of_squares == pytest.approx(squares, abs=5e-5)


def test_published_interaction_f_and_p() -> None:
    line = row(study_of(FIRST), "interaction")
    assert line.f == pytest.approx(0.434, abs=5e-4)
    assert line.p == pytest.approx(0.9741, abs=5e-5)  # p as quoted in a second excerpt
    assert line.against == "repeatability"


@pytest.mark.parametrize(
    ("name", "variance", "deviation", "percent", "contribution"),
    [
        ("repeatability", 0.039973, 0.199933, 18.4, 3.4),
        ("reproducibility", 0.051455, 0.226838, 20.9, 4.4),
        ("gauge", None, 0.302373, 27.9, 7.8),
        ("part", 1.086447, 1.042327, 96.0, 92.2),
    ],
)
def test_published_components_with_pooled_interaction(
    name: str, variance: float | None, deviation: float, percent: float, contribution: float
) -> None:
    share = study_of(FIRST).share(name)
    if variance is not None:
        assert share.variance == pytest.approx(variance, abs=5e-7)
    # the printed 0.302373 was added up from rounded squares: one and a half units of its last digit are allowed
    assert share.standard_deviation == pytest.approx(deviation, abs=1.5e-6 if name == "gauge" else 5e-7)
    assert share.share_of_all_scatter == pytest.approx(percent, abs=0.05)
    assert share.share_of_variance == pytest.approx(contribution, abs=0.05)


def test_published_total_and_categories() -> None:
    study = study_of(FIRST)
    assert study.share("total").standard_deviation == pytest.approx(1.085, abs=5e-4)
    # printed 4, from 1.41 * 1.042327 / 0.302373 = 4.86 cut to a whole number
    assert study.parts_told_apart == 4
    assert study.parts_told_apart_exact == pytest.approx(4.8605 * np.sqrt(2) / 1.41, rel=1e-4)
    assert study.interaction_pooled
    assert "0.9741" in study.interaction_rule
    assert "0.25" in study.interaction_rule


def test_published_repeatability_when_the_interaction_is_kept() -> None:
    study = study_of(FIRST, interaction="keep")
    assert study.share("repeatability").standard_deviation == pytest.approx(0.214435, abs=5e-7)  # second excerpt
    assert study.share("interaction").variance == 0.0  # its mean square is below that of repeatability
    assert study.share("interaction").raw < 0.0  # type: ignore[operator]
    assert any("interaction" in note and "below zero" in note for note in study.notes)
    assert not study.interaction_pooled


def test_average_and_range_on_the_same_readings() -> None:
    # from memory, unconfirmed: worksheet values of the same handbook with factors rounded to 4 digits (0.5908, 0.5231,
    # 0.3146); they agree within the rounding of those factors, 1 part in 4000
    study = study_of(FIRST, method="range")
    for name, printed in [("repeatability", 0.20188), ("reproducibility", 0.22963), ("gauge", 0.30575),
                          ("part", 1.10456), ("total", 1.14610)]:  # fmt: skip
        assert study.share(name).standard_deviation == pytest.approx(printed, rel=2.5e-4)
    for name, printed in [("repeatability", 17.62), ("reproducibility", 20.04), ("gauge", 26.68), ("part", 96.38)]:
        assert study.share(name).share_of_all_scatter == pytest.approx(printed, abs=0.008)
    assert study.parts_told_apart == 5
    assert study.mean_range == pytest.approx(0.3417, abs=5e-5)
    assert study.range_limit == pytest.approx(0.8816, rel=2.3e-3)  # printed with D4 = 2.58; exactly 2.5746
    assert any("part 4 by B (1.02)" in note for note in study.notes)
    # the three factors as printed in a blank form of that handbook
    assert 1 / range_divisor(3, 30) == pytest.approx(0.5908, abs=5e-5)
    assert 1 / range_divisor(3, 1) == pytest.approx(0.5231, abs=5e-5)
    assert 1 / range_divisor(10, 1) == pytest.approx(0.3146, abs=5e-5)


def test_divisor_of_a_mean_of_few_ranges() -> None:
    # from memory, unconfirmed: Duncan's table D3, ranges of two values, 1, 2, 5 and 10 of them
    for ranges, printed in [(1, 1.41), (2, 1.28), (5, 1.19), (10, 1.16)]:
        assert range_divisor(2, ranges) == pytest.approx(printed, abs=0.005)
    assert range_divisor(2, 16) == pytest.approx(1.128, abs=5e-4)


# --- published: thermal performance, its interaction is plain (source in the data file) ---


def test_published_thermal_study() -> None:
    study = study_of(THERMAL)
    assert row(study, "part").sum_of_squares == pytest.approx(3935.955556, abs=5e-7)
    assert row(study, "part").mean_square == pytest.approx(437.328395, abs=5e-7)
    assert row(study, "appraiser").sum_of_squares == pytest.approx(39.266667, abs=5e-7)
    assert row(study, "appraiser").mean_square == pytest.approx(19.633333, abs=5e-7)
    assert not study.interaction_pooled
    # expected mean squares as printed: Error + 3 Interaction + 9 Part, and Error + 3 Interaction + 30 Operator
    table = columns(THERMAL)
    layout = lay_out(table["part"], table["appraiser"], numbers(table["value"]))
    strata, _, _ = gauge_components.sums_of_squares(layout)
    assert strata[0].expected == (1.0, 0.0, 3.0, 9.0)
    assert strata[1].expected == (1.0, 30.0, 3.0, 0.0)
    each = {r.source: r.mean_square for r in study.anova}
    assert study.share("part").variance == pytest.approx((each["part"] - each["interaction"]) / 9)  # type: ignore[operator]
    four = [study.share(n).variance for n in ("repeatability", "reproducibility", "interaction", "part")]
    assert sum(four) == pytest.approx(study.share("total").variance)  # type: ignore[arg-type]


def test_percent_of_tolerance_takes_six_deviations() -> None:
    study = study_of(FIRST, limits=(-4.0, 4.0))
    share = study.share("gauge")
    assert share.share_of_tolerance == pytest.approx(100 * 6 * share.standard_deviation / 8)  # type: ignore[operator]
    assert study.tolerance == 8.0
    assert any("22.7 % of the tolerance" in note for note in study.notes)


# --- published: one-way analysis, five machines (NIST/SEMATECH e-Handbook 3.2.3.1) ---


def test_published_one_way_machines() -> None:
    table = columns("machines_diameter.csv")
    study = gauge_study(table["machine"], None, numbers(table["diameter"]))
    assert study.design == "one appraiser"
    assert row(study, "part").sum_of_squares == pytest.approx(0.000137, abs=5e-7)
    assert row(study, "part").mean_square == pytest.approx(0.000034, abs=5e-7)
    assert row(study, "repeatability").sum_of_squares == pytest.approx(0.000132, abs=5e-7)
    assert row(study, "repeatability").mean_square == pytest.approx(0.000007, abs=5e-7)
    # the page prints F = 9.55, a misprint: its own data give 5.206 (second route: scipy.stats.f_oneway)
    groups = [numbers(table["diameter"])[np.array(table["machine"]) == m] for m in "12345"]
    assert row(study, "part").f == pytest.approx(stats.f_oneway(*groups).statistic, rel=1e-10)
    assert study.share("reproducibility").variance is None
    assert study.as_dict()["variance"]["reproducibility"] is None  # type: ignore[index]


def simon_lesage(constant: int, repeats: int) -> tuple[NDArray, NDArray]:
    """Return the readings of NIST StRD SmLs01 to SmLs09, which are made by rule: tenths 4, then 3 and 5 by turns."""
    tenths = np.concatenate([[0], np.tile([-1, 1], repeats // 2)])
    base = np.array([4, 3, 5, 3, 5, 3, 5, 3, 5])
    return np.repeat(np.arange(9), repeats), (constant + (base[:, None] + tenths) / 10).ravel()


@pytest.mark.parametrize(
    ("constant", "digits"),
    # digits of F that careful double precision reaches on sets 1-3, 4-6, 7-9 (10.2 and 4.2 are rounded): what is lost
    # lies in the decimals of the readings themselves, 13 leading digits in the last three sets
    [(1, 13.5), (10**6, 10.15), (10**12, 4.15)],
)
@pytest.mark.parametrize("repeats", [21, 201, 2001])
def test_certified_one_way_analysis(constant: int, digits: float, repeats: int) -> None:
    # NIST StRD, certified: F = 21, 201, 2001 (Simon and Lesage 1989)
    treatment, value = simon_lesage(constant, repeats)
    study = gauge_study(treatment, None, value)
    assert row(study, "part").degrees_of_freedom == 8
    assert row(study, "repeatability").degrees_of_freedom == 9 * (repeats - 1)
    assert row(study, "part").f == pytest.approx(repeats, rel=10.0**-digits)


@pytest.mark.parametrize("constant", [1, 10**6, 10**12])
def test_sums_of_squares_against_exact_fractions(constant: int) -> None:
    # second route: rational arithmetic on the readings as stored; certified 1.68 and 1.80 for the smallest constant
    treatment, value = simon_lesage(constant, 21)
    exact = [Fraction(v) for v in value.tolist()]
    groups = [exact[21 * k : 21 * (k + 1)] for k in range(9)]
    means, grand = [sum(g) / 21 for g in groups], sum(exact) / 189
    between = 21 * sum((m - grand) ** 2 for m in means)
    within = sum((v - m) ** 2 for g, m in zip(groups, means, strict=True) for v in g)
    study = gauge_study(treatment, None, value)
    assert row(study, "part").sum_of_squares == pytest.approx(float(between), rel=1e-12)
    assert row(study, "repeatability").sum_of_squares == pytest.approx(float(within), rel=1e-12)
    if constant == 1:
        assert float(between) == pytest.approx(1.68)
        assert float(within) == pytest.approx(1.80)


# --- second routes where nothing is published ---


def brute_force_components(part: NDArray, appraiser: NDArray, value: NDArray) -> NDArray:
    """Henderson's method 3 by projections in the space of the readings, a second route to the same estimates."""

    def hat(*blocks: NDArray) -> NDArray:
        x = np.hstack(blocks)
        return x @ np.linalg.pinv(x)

    one = np.ones((value.size, 1))
    zp = (part[:, None] == np.unique(part)).astype(float)
    zo = (appraiser[:, None] == np.unique(appraiser)).astype(float)
    pair = part * 1000 + appraiser
    zpo = (pair[:, None] == np.unique(pair)).astype(float)
    steps = [
        hat(one, zp, zo) - hat(one, zo),
        hat(one, zp, zo) - hat(one, zp),
        hat(zpo) - hat(one, zp, zo),
        np.eye(value.size) - hat(zpo),
    ]
    causes = [np.eye(value.size), zo @ zo.T, zpo @ zpo.T, zp @ zp.T]
    expected = np.array([[np.trace(q @ v) for v in causes] for q in steps])
    return np.linalg.solve(expected, np.array([value @ q @ value for q in steps]))


def test_unbalanced_study_against_projections() -> None:
    part, appraiser, value = made_up(7, 3, 3, (0.2, 0.3, 0.2, 1.0), seed=41)
    keep = np.ones(value.size, dtype=bool)
    keep[[0, 5, 11, 12, 13, 14, 30, 44]] = False  # the pair of part 1 and appraiser 1 loses all three readings
    assert not any(keep[(part == 1) & (appraiser == 1)])
    study = gauge_study(part[keep], appraiser[keep], value[keep], interaction="keep")
    second = brute_force_components(part[keep], appraiser[keep], value[keep] - 10.0)
    got = [study.share(n).raw for n in ("repeatability", "reproducibility", "interaction", "part")]
    assert got == pytest.approx(second, rel=1e-8)
    assert not study.balanced
    assert any("Henderson" in note for note in study.notes)
    assert "approximate" in study.interval_method


def test_missing_reading_is_left_out_and_told() -> None:
    part, appraiser, value = made_up(6, 3, 2, (0.2, 0.3, 0.2, 1.0), seed=5)
    holed = value.copy()
    holed[7] = np.nan
    keep = np.isfinite(holed)
    one, two = gauge_study(part, appraiser, holed), gauge_study(part[keep], appraiser[keep], value[keep])
    assert one.missing == 1
    assert one.share("gauge").variance == two.share("gauge").variance
    assert any("1 readings have no value" in note for note in one.notes)


def test_nested_study_against_a_hand_calculation() -> None:
    # second route: the textbook sums for a balanced nested design, written out
    rng = np.random.default_rng(8)
    cube = 5.0 + rng.normal(0, 0.5, (3, 1, 1)) + rng.normal(0, 1.0, (3, 6, 1)) + rng.normal(0, 0.2, (3, 6, 2))
    appraiser, part, _ = (a.ravel() for a in np.indices(cube.shape))
    study = gauge_study(part, appraiser, cube.ravel(), nested=True)
    cell, person = cube.mean(axis=2), cube.mean(axis=(1, 2))
    ms_person = 12 * np.sum((person - cube.mean()) ** 2) / 2
    ms_part = 2 * np.sum((cell - person[:, None]) ** 2) / 15
    ms_error = np.sum((cube - cell[:, :, None]) ** 2) / 18
    assert study.design == "nested"
    assert study.parts == 18
    assert study.share("repeatability").raw == pytest.approx(ms_error)
    assert study.share("part").raw == pytest.approx((ms_part - ms_error) / 2)
    assert study.share("reproducibility").raw == pytest.approx((ms_person - ms_part) / 12)
    assert row(study, "appraiser").f == pytest.approx(ms_person / ms_part)
    assert row(study, "part").f == pytest.approx(ms_part / ms_error)
    # labels that differ between appraisers, and labels that repeat, are the same nested study
    again = gauge_study(part + 10 * appraiser, appraiser, cube.ravel(), nested=True)
    assert again.share("part").raw == pytest.approx(study.share("part").raw)


def test_nested_unbalanced_expectations_by_simulation() -> None:
    # second route: the mean of many simulated studies is the truth put in (repeat 0.3, appraiser 0.5, part 1.0)
    rng = np.random.default_rng(77)
    part = np.array([0, 0, 1, 1, 1, 2, 2, 0, 0, 1, 0, 0, 0, 1, 1, 2, 2, 3])
    appraiser = np.array([0] * 7 + [1] * 3 + [2] * 8)
    layout = lay_out(part, appraiser, np.arange(18.0), nested=True)
    raws = []
    for _ in range(1000):
        value = rng.normal(0, 0.3, 18) + rng.normal(0, 0.5, 3)[appraiser] + rng.normal(0, 1.0, 9)[layout.part]
        got = lay_out(part, appraiser, value, nested=True)
        strata, _, _ = gauge_components.sums_of_squares(got)
        squares = np.array([s.mean_square for s in strata])
        raws.append([w @ squares for w in gauge_components.components(strata).values()])
    mean, error = np.mean(raws, axis=0), np.std(raws, axis=0) / np.sqrt(1000)
    assert np.all(np.abs(mean - [0.09, 0.25, 1.0]) < 4 * error)


def test_shifting_and_scaling_the_readings() -> None:
    part, appraiser, value = made_up(8, 3, 2, (0.2, 0.3, 0.2, 1.0), seed=6)
    one, two = gauge_study(part, appraiser, value), gauge_study(part, appraiser, 25.4 * value - 700)
    for a, b in zip(one.shares, two.shares, strict=True):
        assert b.variance == pytest.approx(25.4**2 * a.variance, rel=1e-9)  # type: ignore[operator]
        assert b.share_of_all_scatter == pytest.approx(a.share_of_all_scatter, rel=1e-9)
    assert two.parts_told_apart_interval == pytest.approx(one.parts_told_apart_interval)


def test_row_order_and_labels_change_nothing() -> None:
    part, appraiser, value = made_up(5, 3, 2, (0.2, 0.3, 0.2, 1.0), seed=9)
    order = np.random.default_rng(1).permutation(value.size)
    names = np.array(["P 10", "P 2", "P 30", "P 4", "P 5"])
    one = gauge_study(part, appraiser, value)
    two = gauge_study(names[part][order], np.array(["day", "late", "night"])[appraiser][order], value[order])
    assert [s.variance for s in two.shares] == pytest.approx([s.variance for s in one.shares], rel=1e-9)
    assert sorted(two.appraiser_names) == ["day", "late", "night"]
    by_name = dict(zip(two.part_names, two.cell_means[:, two.appraiser_names.index("late")], strict=True))
    assert by_name["P 30"] == pytest.approx(one.cell_means[2, 1])


# --- intervals ---


def test_interval_of_one_mean_square_is_the_chi_square_interval() -> None:
    # exact: n * s2 / chi-square (e.g. NIST/SEMATECH e-Handbook 7.2.3.1)
    low, high = gauge_components.large_sample_interval([1.0], [4.0], [20], 0.9)
    assert low == pytest.approx(20 * 4 / stats.chi2.ppf(0.95, 20), rel=1e-12)
    assert high == pytest.approx(20 * 4 / stats.chi2.ppf(0.05, 20), rel=1e-12)


def test_difference_interval_against_a_published_routine() -> None:
    # lower bound of (0.014852 on 2) - (0.026885 on 18), weights 0.05, one-sided 90 %: formula of Burdick and Graybill
    # as programmed in a public R package (daewr, function vci), evaluated here from its own text
    a, b, n1, n2, c = 0.014852, 0.026885, 2, 18, 0.05
    f1, f12, f2 = stats.f.ppf(0.9, n1, 1e7), stats.f.ppf(0.9, n1, n2), stats.f.ppf(0.1, n2, 1e7)
    g1, h2 = 1 - 1 / f1, 1 / f2 - 1
    g12 = ((f12 - 1) ** 2 - g1**2 * f12**2 - h2**2) / f12
    lower = c * (a - b) - np.sqrt((g1 * c * a) ** 2 + (h2 * c * b) ** 2 + g12 * c * c * a * b)
    up, down = np.array([c * a]), np.array([c * b])
    spread = gauge_components._variance_below(up, np.array([2.0]), down, np.array([18.0]), 0.1)
    assert c * (a - b) - np.sqrt(spread) == pytest.approx(lower, rel=1e-5)


def test_mixed_interval_written_out() -> None:
    # second route: the bounds of Burdick and Graybill (1992), sec. 3.3, term by term, F at infinity as F at 1e12
    c, ms, n, alpha, far = [0.3, 0.2, -0.4], [7.0, 3.0, 1.5], [4, 9, 20], 0.025, 1e12

    def f(a: float, v: float, w: float) -> float:
        return float(stats.f.isf(a, v, w))

    g = [1 - 1 / f(alpha, v, far) for v in n]
    h = [1 / f(1 - alpha, v, far) - 1 for v in n]
    x = [abs(a) * b for a, b in zip(c, ms, strict=True)]
    low = (g[0] * x[0]) ** 2 + (g[1] * x[1]) ** 2 + (h[2] * x[2]) ** 2
    high = (h[0] * x[0]) ** 2 + (h[1] * x[1]) ** 2 + (g[2] * x[2]) ** 2
    for q in (0, 1):
        one, other = f(alpha, n[q], n[2]), f(1 - alpha, n[q], n[2])
        low += ((one - 1) ** 2 - g[q] ** 2 * one**2 - h[2] ** 2) / one * x[q] * x[2]
        high += ((1 - other) ** 2 - h[q] ** 2 * other**2 - g[2] ** 2) / other * x[q] * x[2]
    both = n[0] + n[1]
    star = (1 - 1 / f(alpha, both, far)) ** 2 * both**2 / (n[0] * n[1])
    low += (star - g[0] ** 2 * n[0] / n[1] - g[1] ** 2 * n[1] / n[0]) * x[0] * x[1]
    centre = x[0] + x[1] - x[2]
    want = (centre - np.sqrt(low), centre + np.sqrt(high))
    assert gauge_components.large_sample_interval(c, ms, n) == pytest.approx(want, rel=1e-6)


def test_intervals_hold_what_they_say() -> None:
    # second route: simulation. 95 % intervals of every line of a 10 x 3 x 3 study, 500 studies; three standard errors
    # of the count allow 92.1 % at the least
    p, o, r = 10, 3, 3
    weights: dict[str, list[float]] = {
        "repeatability": [0, 0, 0, 1],
        "reproducibility": [0, 1 / (p * r), -1 / (p * r), 0],
        "interaction": [0, 0, 1 / r, -1 / r],
        "part": [1 / (o * r), 0, -1 / (o * r), 0],
        "gauge": [0, 1 / (p * r), 1 / r - 1 / (p * r), 1 - 1 / r],
    }
    expected = np.array([1 + r * 0.5 + o * r * 10, 1 + r * 0.5 + p * r * 2, 1 + r * 0.5, 1.0])
    freedom = np.array([9.0, 2.0, 18.0, 60.0])
    rng = np.random.default_rng(2024)
    squares = expected * rng.chisquare(freedom, (500, 4)) / freedom
    for name, w in weights.items():
        truth = float(np.dot(w, expected))
        spans = [gauge_components.large_sample_interval(w, ms, freedom) for ms in squares]
        inside = np.mean([low <= truth <= high for low, high in spans])
        assert 0.921 <= inside <= 0.99, name


def test_share_intervals_hold_what_they_say() -> None:
    # second route: simulation of whole studies; true share of the gauge sqrt(0.29 / 1.29)
    truth = 100 * np.sqrt(0.29 / 1.29)
    inside = 0
    for seed in range(120):
        part, appraiser, value = made_up(10, 3, 2, (0.4, 0.3, 0.2, 1.0), seed=1000 + seed)
        share = gauge_study(part, appraiser, value, interaction="keep").share("gauge")
        low, high = share.share_of_all_scatter_interval or (0, 0)
        inside += low <= truth <= high
    assert inside >= 107  # 95 % of 120 less three standard errors


def test_same_readings_give_the_same_intervals() -> None:
    a, b = study_of(FIRST), study_of(FIRST)
    assert a.as_dict() == b.as_dict()
    assert json.loads(json.dumps(a.as_dict(), allow_nan=False))["parts_told_apart"] == 4


# --- designs that can't tell everything ---


def test_one_reading_a_pair() -> None:
    part, appraiser, value = made_up(8, 3, 1, (0.3, 0.5, 0.0, 1.0), seed=3)
    study = gauge_study(part, appraiser, value)
    assert study.share("interaction").variance is None
    assert study.share("repeatability").variance == pytest.approx(row(study, "interaction").mean_square)
    assert any("at least twice" in note for note in study.notes)


def test_too_few_pairs_for_an_interaction() -> None:
    # parts 1 and 2 share appraiser a, parts 2 and 3 share b: no loop, so nothing is left for an interaction
    part, appraiser = [1, 1, 2, 2, 2, 2, 3, 3], ["a", "a", "a", "a", "b", "b", "b", "b"]
    study = gauge_study(part, appraiser, [1.0, 1.1, 2.0, 2.2, 2.1, 2.2, 3.3, 3.2])
    assert study.share("interaction").variance is None
    assert "too few pairs" in study.interaction_rule
    assert study.share("repeatability").variance == pytest.approx((0.005 + 0.02 + 0.005 + 0.005) / 4)
    assert study.share("part").variance is not None


def test_one_part() -> None:
    study = gauge_study(None, ["a"] * 4 + ["b"] * 4, [1.0, 1.1, 0.9, 1.0, 1.3, 1.2, 1.3, 1.2])
    assert study.design == "one part"
    assert study.share("part").variance is None
    assert study.share("gauge").share_of_all_scatter is None
    assert study.parts_told_apart is None
    # means 1.00 and 1.25 of four readings each: mean square 4 * 2 * 0.125**2 on 1 degree of freedom
    within = row(study, "repeatability").mean_square
    assert study.share("reproducibility").raw == pytest.approx((0.125 - within) / 4)  # type: ignore[operator]


def test_repeats_of_one_part_by_one_person() -> None:
    value = [4.001, 4.003, 4.002, 4.004, 4.000]
    study = gauge_study(None, None, value)
    assert study.design == "repeats of one part"
    assert study.share("repeatability").standard_deviation == pytest.approx(np.std(value, ddof=1))
    assert study.share("gauge").interval is not None


@pytest.mark.parametrize("trials", [1, 2])
def test_constant_readings(trials: int) -> None:
    part, appraiser, value = made_up(4, 2, trials, (0, 0, 0, 0), seed=1)
    study = gauge_study(part, appraiser, value, limits=(9.0, 11.0))
    assert study.share("gauge").variance == 0.0
    assert study.share("gauge").interval is None
    assert study.parts_told_apart is None
    assert any("every reading is the same" in note for note in study.notes)
    json.dumps(study.as_dict(), allow_nan=False)


def test_repeats_that_agree_exactly() -> None:
    part, appraiser, _ = made_up(5, 2, 2, (0, 0, 0, 0), seed=1)
    study = gauge_study(part, appraiser, part.astype(float))
    assert study.share("gauge").variance == 0.0
    assert study.parts_told_apart is None
    assert any("repeats agree exactly" in note for note in study.notes)


def test_coarse_step_is_told() -> None:
    part, appraiser, value = made_up(10, 3, 2, (0.02, 0.01, 0.0, 0.4), seed=4)
    study = gauge_study(part, appraiser, np.round(value, 1))
    assert any("steps of 0.1" in note for note in study.notes)


def test_suspect_repeat_is_named() -> None:
    part, appraiser, value = made_up(10, 3, 2, (0.02, 0.03, 0.0, 1.0), seed=4)
    value[20] += 0.9
    study = gauge_study(part, appraiser, value)
    assert any("part 3, appraiser 1" in note and "Cochran" in note for note in study.notes)


def test_steady_studies_name_no_suspect() -> None:
    # second route: simulation; Cochran's test at 1 % names a suspect in about 1 % of 300 studies, at most 3 %
    named = 0
    for seed in range(300):
        part, appraiser, value = made_up(10, 3, 2, (0.2, 0.0, 0.0, 1.0), seed)
        named += bool(suspect_pair(lay_out(part, appraiser, value)))
    assert named <= 9


@pytest.mark.parametrize(
    ("part", "appraiser", "value", "words"),
    [
        ([], [], [], "no readings"),
        ([1], ["a"], [1.0], "at least two"),
        ([1, 2], ["a", "a"], [1.0, float("nan")], "at least two"),
        ([1, 2], ["a", "a"], [1.0, float("inf")], "infinite"),
        ([1, 2], ["a", "a"], [1.0, "o.462"], r"value 2 \('o.462'\)"),
        ([1, 2], ["a", "a"], [1.0, True], "value 2"),
        ([1, 2, 3], ["a", "a"], [1.0, 2.0, 3.0], "2 appraiser labels"),
        ([1, None, 2], ["a", "a", "b"], [1.0, 2.0, 3.0], "part is blank for value 2"),
        ([1, 2, 3, 4], ["a", "a", "b", "b"], [1.0, 2.0, 3.0, 4.0], "nested"),
        ([1, 1, 2, 2, 3, 3], ["a", "b", "a", "b", "c", "c"], [1.0, 2.0, 1.5, 2.5, 3.0, 4.0], "in common"),
    ],
)
def test_readings_that_make_no_study(part: list, appraiser: list, value: list, words: str) -> None:
    with pytest.raises(DataError, match=words):
        gauge_study(part, appraiser, value)


def test_nested_with_one_part_each() -> None:
    with pytest.raises(DataError, match="one part only"):
        gauge_study([1, 1, 2, 2], ["a", "a", "b", "b"], [1.0, 1.1, 2.0, 2.1], nested=True)


def test_parts_read_once_each_by_one_person() -> None:
    with pytest.raises(DataError, match="more than once"):
        gauge_study([1, 2, 3], None, [1.0, 2.0, 3.0])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"limits": (2.0, 1.0)}, "upside down"),
        ({"limits": (float("nan"), 1.0)}, "lower limit"),
        ({"method": "guess"}, "anova, range"),
        ({"interaction": "maybe"}, "rule, pool, keep"),
        ({"confidence": 1.0}, "confidence"),
        ({"pool_above": 1.5}, "0 to 1"),
    ],
)
def test_options_that_make_no_sense(options: dict, words: str) -> None:
    with pytest.raises(DataError, match=words):
        study_of(FIRST, **options)


def test_range_method_needs_even_repeats() -> None:
    part, appraiser, value = made_up(5, 2, 2, (0.2, 0.3, 0.2, 1.0), seed=9)
    with pytest.raises(DataError, match="analysis of variance"):
        gauge_study(part[1:], appraiser[1:], value[1:], method="range")
    with pytest.raises(DataError, match="analysis of variance"):
        gauge_study(part, appraiser, value, method="range", nested=True)


def test_pooling_choices() -> None:
    pooled, kept = study_of(THERMAL, interaction="pool"), study_of(THERMAL, interaction="keep")
    assert pooled.share("interaction").variance == 0.0
    assert kept.share("interaction").variance > 0.0  # type: ignore[operator]
    assert pooled.freedom("repeatability") == 78
    assert kept.freedom("repeatability") == 60
    p = row(kept, "interaction").p
    assert study_of(THERMAL, pool_above=p / 2).interaction_pooled  # type: ignore[operator]


def test_numbers_and_texts_are_the_same_label() -> None:
    pairs = list(itertools.product([1, 2, 3], ["a", "b"], [0, 1]))
    value = np.random.default_rng(3).normal(size=len(pairs))
    mixed = [p if p != 1 else ("1" if k % 2 else 1.0) for k, (p, _, _) in enumerate(pairs)]
    assert gauge_study(mixed, [a for _, a, _ in pairs], value).parts == 3


def test_the_pooling_rule_says_in_plain_words_what_it_did() -> None:
    kept = study_of(FIRST, pool_above=0.98).interaction_rule
    assert kept == "p = 0.9741 is at most 0.98, so the pooling rule keeps the interaction apart"
    pooled = study_of(FIRST).interaction_rule
    assert pooled == "p = 0.9741 is above 0.25, so the pooling rule counts the interaction as repeatability"


def test_running_text_writes_inch_out() -> None:
    from holeqc.reports.chart_text import study_text

    assert "readings in inch;" in study_text(study_of(FIRST), "in")
    assert "readings in mm;" in study_text(study_of(FIRST), "mm")
