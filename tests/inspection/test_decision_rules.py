"""Decision rules and conformance probability: published examples, closed forms, scipy as a second route."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from inspection_kit import LIMITS, bore, cell, gauges, hole, judge, kit, place, verdict
from scipy import integrate, special, stats

from holeqc.inspection import decision as pr
from holeqc.inspection.decision import as_compared, decide, limit_decimals, room, uncertainty_ratio
from holeqc.problems import DataError
from holeqc.specification.model import DecisionRule, Position, ReadingPlan, Rounding

WORDS = ("accept", "hold", "reject")


def words(value: object, lower: float, upper: float, u: float, rule: DecisionRule) -> list[str]:
    return [WORDS[v] for v in np.atleast_1d(decide(value, lower, upper, u, rule)[0])]


def test_iso_14253_1_zones() -> None:
    # A web page on ISO 14253-1: 9.95 to 10.05, reading 10.03, U = 0.04: conformity can't be stated.
    rule = DecisionRule("guarded")
    assert words(10.03, 9.95, 10.05, 0.04, rule) == ["hold"]
    # Zones by the rule of ISO 14253-1 itself; acceptance limits 9.99 and 10.01, rejection beyond 9.91 and 10.09.
    values = [9.91, 9.9099, 9.99, 9.9899, 10.0, 10.01, 10.0101, 10.05, 10.09, 10.0901]
    expected = ["hold", "reject", "accept", "hold", "accept", "accept", "hold", "hold", "hold", "reject"]
    assert words(values, 9.95, 10.05, 0.04, rule) == expected


def test_guarded_rule_that_rejects_as_soon_as_beyond_the_limit() -> None:
    rule = DecisionRule("guarded", reject_when_proven=False)
    expected = ["reject", "hold", "accept", "hold", "reject"]
    assert words([9.9499, 9.95, 10.0, 10.05, 10.0501], 9.95, 10.05, 0.04, rule) == expected


def test_guard_band_is_r_times_u_and_a_wide_one_accepts_nothing() -> None:
    assert words([9.97, 9.9699], 9.95, 10.05, 0.04, DecisionRule("guarded", 0.5)) == ["accept", "hold"]
    assert words(np.linspace(9.9, 10.1, 41), 9.95, 10.05, 0.06, DecisionRule("guarded")).count("accept") == 0


def test_relaxed_and_simple_rules() -> None:
    assert words([10.09, 10.0901, 9.91], 9.95, 10.05, 0.04, DecisionRule("relaxed")) == ["accept", "reject", "accept"]
    assert words([10.05, 10.0500001, 9.95], 9.95, 10.05, 0.04, DecisionRule()) == ["accept", "reject", "accept"]


def test_one_sided_limits_missing_values_and_unknown_uncertainty() -> None:
    assert words([5.0, 1.0], 2.0, np.nan, 0.0, DecisionRule("guarded")) == ["accept", "reject"]
    assert words([5.0, 1.0], np.nan, 2.0, 0.0, DecisionRule()) == ["reject", "accept"]
    assert words(np.nan, 0.0, 1.0, 0.1, DecisionRule()) == ["hold"]
    assert words(0.5, 0.0, 1.0, np.nan, DecisionRule()) == ["accept"]
    assert words(0.5, 0.0, 1.0, np.nan, DecisionRule("guarded")) == ["hold"]
    assert words(0.5, 0.0, 1.0, np.nan, DecisionRule("relaxed")) == ["hold"]


def test_guarded_never_accepts_what_simple_rejects_nor_relaxed_the_other_way() -> None:
    rng = np.random.default_rng(3)
    value, u = rng.uniform(0.453, 0.464, 4000), rng.uniform(0.0, 0.004, 4000)
    rules = ("guarded", "simple", "relaxed")
    guarded, simple, relaxed = (decide(value, 0.455, 0.462, u, DecisionRule(rule))[0] for rule in rules)
    assert not ((guarded == 0) & (simple == 2)).any()
    assert not ((guarded == 2) & (simple == 0)).any()
    assert not ((relaxed == 2) & (simple == 0)).any()


def test_a_kit_with_the_guarded_rule_holds_near_its_limit() -> None:
    spec = kit(
        gauges=gauges(), decision=DecisionRule("guarded"), plan=ReadingPlan(directions=(0.0,), diameter_gauge="BG")
    )
    assert verdict(judge(spec, bore(0.4553)), "size") == "accept"
    near = cell(judge(spec, bore(0.4551)), "size")
    assert (near["verdict"], near["cause"]) == (1, "guard-band")
    assert cell(judge(kit(decision=DecisionRule("guarded")), bore(0.458)), "size")["cause"] == "no-uncertainty"


def test_rounding_takes_the_finest_limit_and_rounds_ties_to_even() -> None:
    assert limit_decimals(Rounding("rounding"), 0.46, 0.4625) == 4
    assert limit_decimals(Rounding("rounding", 2), 0.46, 0.4625) == 2
    assert limit_decimals(Rounding(), 0.46, 0.4625) is None
    out = as_compared(np.array([2.55, 2.45, 0.4555]), np.array([1, 1, -1]))
    assert out.tolist() == [2.6, 2.4, 0.4555]


def test_room_and_ratio() -> None:
    deviation, left = room(np.array([0.454, 0.455, 0.458, 0.463]), 0.455, 0.462)
    assert deviation == pytest.approx([-0.001, 0.0, 0.0, 0.001], abs=1e-12)
    assert left == pytest.approx([-0.001, 0.0, 0.003, -0.001], abs=1e-12)
    assert left[1] == 0.0
    # ASME B89.7.3.1: 4:1 when the specification zone is four times the full uncertainty interval 2U.
    assert uncertainty_ratio(0.008, 0.001) == pytest.approx(4.0)
    assert np.isinf(uncertainty_ratio(0.008, 0.0))


# ------------------------------------------------------------------------------------------- conformance probability


def test_published_one_sided_probability() -> None:
    # JCGM 106:2012 clause 7, Zener diode: y = -5.47 V, u = 0.05 V, upper limit -5.40 V gives 0.92; from memory,
    # unconfirmed.
    assert pr.conformance(-5.47, np.nan, -5.40, 0.05) == pytest.approx(0.92, abs=0.005)


def test_published_risks_at_acceptance_limits() -> None:
    # ILAC G8:09/2019 as two laboratories summarise it: a reading at the limit is wrong with 50 %, at w = U below 2.5 %.
    assert pr.conformance(10.0, np.nan, 10.0, 0.1) == pytest.approx(0.5, abs=1e-14)
    risk = 1.0 - pr.conformance(9.8, np.nan, 10.0, 0.1)
    assert risk < 0.025
    assert risk == pytest.approx(0.025, abs=0.003)


def test_published_global_risk_at_four_to_one() -> None:
    # A calibration laboratory's article of 30 April 2019: ratio 4:1, 95 % in tolerance: false accept "less than 1 %",
    # false reject "slightly over 1.5 %". The probability of a true value given its reading, integrated over readings.
    sd = 1.0 / stats.norm.ppf(0.975)
    u = 1.0 / 4.0 / 2.0
    spread = float(np.hypot(sd, u))

    def wrong(y: float) -> float:
        mean, after = pr.with_prior(y, u, 0.0, sd)
        return float(1.0 - pr.conformance(mean, -1.0, 1.0, after)) * float(stats.norm.pdf(y, 0.0, spread))

    def good(y: float) -> float:
        mean, after = pr.with_prior(y, u, 0.0, sd)
        return float(pr.conformance(mean, -1.0, 1.0, after)) * float(stats.norm.pdf(y, 0.0, spread))

    false_accept = integrate.quad(wrong, -1.0, 1.0)[0]
    false_reject = 2.0 * integrate.quad(good, 1.0, 6.0)[0]
    assert false_accept < 0.01
    assert 0.015 < false_reject < 0.016


def test_normal_distribution_against_scipy() -> None:
    z = np.concatenate([np.linspace(-40.0, 40.0, 20001), [0.0, np.inf, -np.inf]])
    # both are good to some last places of a number up to 1, and neither is the same on every processor
    assert np.abs(pr.normal_cdf(z) - special.ndtr(z)).max() < 1e-14
    assert np.isnan(pr.normal_cdf(np.nan))


def test_conformance_against_scipy_and_at_its_ends() -> None:
    rng = np.random.default_rng(1)
    y, u = rng.uniform(0.45, 0.467, 5000), 10.0 ** rng.uniform(-5, -2, 5000)
    second = stats.norm.cdf(0.462, y, u) - stats.norm.cdf(0.455, y, u)
    assert np.abs(pr.conformance(y, 0.455, 0.462, u) - second).max() < 1e-12
    assert pr.conformance([0.455, 0.462, 0.4625], 0.455, 0.462, 0.0).tolist() == [1.0, 1.0, 0.0]
    assert np.isnan(pr.conformance(0.458, 0.455, 0.462, np.nan))


def test_prior_against_the_product_of_densities() -> None:
    # Second route: posterior moments by numerical integration of the product of both densities.
    mean, sd = pr.with_prior(0.4618, 0.0002, 0.4580, 0.0009)
    x = np.linspace(0.455, 0.466, 200001)
    density = stats.norm.pdf(x, 0.4618, 0.0002) * stats.norm.pdf(x, 0.4580, 0.0009)
    density /= density.sum()
    first = (x * density).sum()
    assert mean == pytest.approx(first, abs=1e-10)
    assert sd == pytest.approx(np.sqrt(((x - first) ** 2 * density).sum()), rel=1e-6)
    with pytest.raises(DataError, match="above 0"):
        pr.with_prior(1.0, 0.1, 1.0, 0.0)


def test_a_known_process_moves_the_probability_of_a_size() -> None:
    plan = ReadingPlan(directions=(0.0,), diameter_gauge="BG")
    flat = kit(gauges=gauges(0.001), plan=plan)
    known = kit(gauges=gauges(0.001), plan=plan, decision=DecisionRule(process_mean=0.458, process_sd=0.0005))
    centred = kit(gauges=gauges(0.001), plan=plan, decision=DecisionRule(process_sd=0.0005))
    p, q, r = (cell(judge(k, bore(0.4618)), "size")["probability"] for k in (flat, known, centred))
    assert p == pytest.approx(stats.norm.cdf(0.0002 / 0.0005), abs=1e-9)
    # Equal weights: the posterior lies half-way, 0.4599, with sd 0.0005 / sqrt(2).
    assert q == pytest.approx(stats.norm.cdf(0.0021 / (0.0005 / np.sqrt(2))), abs=1e-9)
    assert r == pytest.approx(stats.norm.cdf(0.4620, 0.5 * (0.4585 + 0.4618), 0.0005 / np.sqrt(2)), abs=1e-9)


@pytest.mark.parametrize(("least", "most"), [(0.01, 1.0), (1.0, 12.0), (11.0, 14.0), (12.0, 200.0), (200.0, 2000.0)])
def test_point_in_circle_against_noncentral_chi_square(least: float, most: float) -> None:
    # The squared distance of a point with two normal coordinates is noncentral chi-square with 2 degrees of freedom.
    rng = np.random.default_rng(2)
    radius = np.exp(rng.uniform(np.log(least), np.log(most), 1500))
    distance = np.abs(radius + rng.uniform(-9.0, 9.0, 1500))
    second = stats.ncx2.cdf(radius**2, 2, distance**2)
    assert np.abs(pr.inside_circle(distance, radius, 1.0) - second).max() < 1e-12
    scaled = pr.inside_circle(distance * 3e-4, radius * 3e-4, 3e-4)
    assert np.abs(scaled - second).max() < 1e-12


def test_point_in_circle_in_closed_form_and_at_its_ends() -> None:
    # At the centre the distribution is Rayleigh's: 1 - exp(-r^2 / 2 u^2).
    r = np.array([0.5, 1.0, 3.0, 15.0])
    assert pr.inside_circle(0.0, r, 1.0) == pytest.approx(1.0 - np.exp(-0.5 * r**2), abs=1e-13)
    assert pr.inside_circle([0.001, 0.002, 0.0021], 0.002, 0.0).tolist() == [1.0, 1.0, 0.0]
    assert pr.inside_circle(0.001, 0.0, 0.001) == 0.0
    assert np.isnan(pr.inside_circle(0.001, 0.002, np.nan))


def test_position_probability_is_not_a_normal_on_the_diametral_value() -> None:
    # On the rim of a zone as small as U, far less than half of the probability lies inside.
    assert pr.inside_circle(1.0, 1.0, 1.0) == pytest.approx(special.chndtr(1.0, 2, 1.0), abs=1e-13)
    assert pr.inside_circle(1.0, 1.0, 1.0) < 0.3


def integrated(distance: float, over: float, u: float, u_size: float) -> float:
    """Return the probability by adaptive integration over sizes, with scipy's noncentral chi-square."""

    def weighted(size: float) -> float:
        radius = 0.5 * (0.011 + min(max(size, 0.0), 0.007))
        inside = special.chndtr((radius / u) ** 2, 2, (distance / u) ** 2)
        return float(stats.norm.pdf(size, over, u_size) * inside)

    ends, corners = (over - 9 * u_size, over + 9 * u_size), sorted([0.0, 0.007, over])
    return float(integrate.quad(weighted, *ends, points=corners, epsabs=1e-13, limit=300)[0])


def test_zone_that_grows_with_an_uncertain_size_against_integration() -> None:
    rng = np.random.default_rng(5)
    for _ in range(12):
        distance, over = rng.uniform(0.0, 0.012), rng.uniform(-0.001, 0.008)
        u, u_size = 10.0 ** rng.uniform(-4, -2.6, 2)
        second = integrated(distance, over, u, u_size)
        assert pr.inside_zone(distance, 0.011, over, 0.007, u, u_size) == pytest.approx(second, abs=1e-9)


def test_zone_without_bonus_or_with_a_certain_size_is_a_circle() -> None:
    plain = pr.inside_circle(0.005, 0.0055, 0.0003)
    assert pr.inside_zone(0.005, 0.011, np.nan, 0.0, 0.0003, 0.0002) == plain
    assert pr.inside_zone(0.005, 0.008, 0.003, 0.007, 0.0003, 0.0) == plain
    assert np.isnan(pr.inside_zone(0.005, 0.011, 0.002, 0.007, 0.0003, np.nan))


def test_position_probability_by_simulation_of_readings() -> None:
    # Second route: a million true axes and sizes about the readings.
    plan = ReadingPlan(directions=(0.0,), position=True, diameter_gauge="BG", position_gauge="CM")
    spec = kit(hole(position=Position(0.010, "MMC")), gauges=gauges(0.002, 0.002), plan=plan)
    found = cell(judge(spec, bore(0.4562), *place(1.004, 1.004)), "position")
    rng = np.random.default_rng(6)
    n = 1_000_000
    away = np.hypot(0.004 + rng.normal(0, 0.001, n), 0.004 + rng.normal(0, 0.001, n))
    bonus = np.clip(0.4562 + rng.normal(0, 0.001, n) - LIMITS.lower, 0.0, LIMITS.band)
    share = float((2 * away <= 0.010 + bonus).mean())
    assert found["probability"] == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / n))
    assert found["uncertainty"] == pytest.approx(np.hypot(2 * 0.002, 0.002))


def test_judging_needs_no_scipy_and_no_matplotlib() -> None:
    code = (
        "import sys, holeqc.inspection.judge\n"
        "bad = [m for m in ('scipy', 'matplotlib', 'openpyxl') if m in sys.modules]\n"
        "import numpy as np\n"
        "from holeqc.inspection.decision import conformance, inside_zone\n"
        "conformance([1.0, 2.0], 0.0, 1.5, 0.1); inside_zone(0.1, 0.2, 0.05, 0.1, 0.02, 0.01)\n"
        "bad += [m for m in ('scipy', 'matplotlib') if m in sys.modules]\n"
        "sys.exit(', '.join(bad) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
