"""Virtual conditions, tilt and side play, and the chance that a random kit fits a random part."""

from __future__ import annotations

import numpy as np
import pytest
from fits_data import two_pin_margin

from holeqc.fits import clearance as a
from holeqc.fits import clearance as f
from holeqc.fits.clearance import Uniform, clearance_distribution
from holeqc.problems import DataError
from holeqc.quantities import FloatArray


def test_virtual_conditions() -> None:
    # published example (boundary check of a hole 10 - 0.1 with 0.6 at MMC): virtual condition 9.3
    assert float(f.hole_virtual_condition(9.9, 0.6)) == pytest.approx(9.3, abs=1e-12)
    # a problem collection: hole MMC 0.180, position 0.012 -> 0.168; perpendicularity 0.005 -> 0.175
    assert f.hole_virtual_condition(0.18, [0.012, 0.005]).tolist() == pytest.approx([0.168, 0.175], abs=1e-12)
    # the demo's pins and holes are made to meet: 0.455 - 0.011 = 0.444 = 0.436 + 0.008
    assert float(f.pin_virtual_condition(0.436, 0.008)) == pytest.approx(0.444, abs=1e-12)


def test_a_tilted_pin_touches_both_edges() -> None:
    # second route: at the returned angle the pin's width between opposite corners, D cos t - L sin t, is its diameter
    rng = np.random.default_rng(5)
    hole = rng.uniform(0.2, 2.0, 500)
    pin = hole * (1 - rng.uniform(1e-7, 0.2, 500))
    length = rng.uniform(0.1, 5.0, 500)
    t = f.tilt_angle(hole, pin, length)
    assert hole * np.cos(t) - length * np.sin(t) == pytest.approx(pin, abs=1e-12)
    assert (t > 0).all()
    small = f.tilt_angle(0.455, 0.455 - 1e-7, 1.25)
    assert float(small) == pytest.approx(1e-7 / 1.25, rel=1e-6)  # about C / L; no digit lost
    assert float(f.tilt_angle(0.455, 0.455, 1.0)) == 0.0
    assert np.isnan(f.tilt_angle(0.45, 0.455, 1.0))
    with pytest.raises(DataError):
        f.tilt_angle(0.455, 0.45, 0.0)


def test_side_play() -> None:
    assert float(f.side_play(0.455, 0.436, 1.0)) >= 0.019
    t = float(f.tilt_angle(0.455, 0.436, 1.0))
    assert float(f.side_play(0.455, 0.436, 1.0)) == pytest.approx(max(0.019, np.tan(t)), abs=1e-12)
    assert np.isnan(f.side_play(0.43, 0.436, 1.0))


def fixed_frame_margin(
    pin_xy: FloatArray, hole_xy: FloatArray, hole_diameter: FloatArray, pin_diameter: FloatArray
) -> FloatArray:
    """Margin of kits whose place datums fix: worst pin of half its clearance less its distance from the hole."""
    away = np.linalg.norm(pin_xy - hole_xy, axis=-1)
    return np.asarray((0.5 * (hole_diameter - pin_diameter) - away).min(axis=-1))


def near(found: a.AssemblyProbability, want: float) -> bool:
    """Within five standard errors of the count, and the interval is about the size that it should be."""
    error = np.sqrt(max(want * (1 - want), 1e-9) / found.pairs)
    return abs(found.probability - want) <= 5 * error and found.upper - found.lower <= 5 * error + 1e-3


def test_one_pin_in_a_fixed_frame_by_the_closed_form() -> None:
    # clearance C = 0.02 fixed, hole anywhere in a circle of diameter T = 0.05: P = (C / T)^2 = 0.16
    tol = a.pattern_tolerances([[1.0, 2.0]], (1.02, 1.02, 0.05), (1.0, 1.0, 0.0), "RFS")
    assert near(a.probability_of_assembly(tol, fixed_frame_margin, 40_000), 0.16)


def test_one_free_pin_by_the_closed_form() -> None:
    # a kit that may shift fits whenever its one pin is not larger than the hole: trapezoid of two uniform sizes
    tol = a.pattern_tolerances([[0.0, 0.0]], (9.99, 10.02, 0.5), (9.98, 10.01, 0.3), "MMC")
    want = 1 - clearance_distribution(Uniform(9.99, 10.02), Uniform(9.98, 10.01)).interference
    assert want == pytest.approx(1 - 0.5 * 2 * 2 / 9, abs=1e-12)  # triangle of sides 2/3 in the unit square
    assert near(a.probability_of_assembly(tol, two_pin_margin, 40_000), want)


def test_two_free_pins_by_the_closed_form() -> None:
    # Fixed sizes, half clearances r1 + r2 = s; hole positions even over circles of diameter T, pins exact. To first
    # order the pitch error is x2 - x1; each x has the half-circle density, x in [-T/2, T/2]. With s = T/2 the answer
    # P(|x2 - x1| <= s) follows from folding that density numerically (second route); pitch 1000 makes the first order
    # exact to 1e-6 of s.
    zone, s = 0.04, 0.02
    tol = a.pattern_tolerances([[0.0, 0.0], [1000.0, 0.0]], (10.02, 10.02, zone), (10.0, 10.0, 0.0), "RFS")
    x = np.linspace(-zone / 2, zone / 2, 4001)
    density = np.sqrt(np.maximum((zone / 2) ** 2 - x**2, 0.0))
    density /= density.sum()
    difference = np.convolve(density, density[::-1])
    at = (np.arange(difference.size) - (x.size - 1)) * (x[1] - x[0])
    want = float(difference[np.abs(at) <= s].sum())
    assert 0.6 < want < 0.9
    assert near(a.probability_of_assembly(tol, two_pin_margin, 60_000), want)


def test_two_pin_margin_against_a_search() -> None:
    # second route: the best of many motions can't beat it, and a search gets near it
    from scipy.optimize import minimize

    rng = np.random.default_rng(22)
    for _ in range(5):
        hole_xy = np.array([[0.0, 0.0], [3.0, 1.0]]) + rng.normal(0, 0.02, (2, 2))
        pin_xy = np.array([[0.0, 0.0], [3.0, 1.0]]) + rng.normal(0, 0.02, (2, 2))
        hole, pin = rng.uniform(0.46, 0.48, 2), np.array([0.44, 0.43])

        def overshoot(
            m: FloatArray, p: FloatArray = pin_xy, h: FloatArray = hole_xy, r: FloatArray = (hole - pin) / 2
        ) -> float:
            cos, sin = np.cos(m[0]), np.sin(m[0])
            moved = p @ np.array([[cos, sin], [-sin, cos]]) + m[1:]
            return float((np.linalg.norm(moved - h, axis=1) - r).max())

        best = min(
            float(
                minimize(
                    overshoot, start, method="Nelder-Mead", options={"xatol": 1e-12, "fatol": 1e-12, "maxiter": 4000}
                ).fun
            )
            for start in (np.zeros(3), np.array([0.01, 0.0, 0.0]), np.array([-0.01, 0.01, 0.0]))
        )
        got = float(two_pin_margin(pin_xy[None], hole_xy[None], hole[None], pin[None])[0])
        assert got == pytest.approx(-best, abs=2e-5)
        assert got >= -best - 1e-9


def test_worst_case_kits_always_fit_when_virtual_conditions_meet() -> None:
    # demo numbers: 0.455 - 0.011 = 0.436 + 0.008, so in a fixed frame every pair within tolerance goes together
    xy = [[0.0, 0.0], [4.0, 0.0], [4.0, 3.0]]
    tol = a.pattern_tolerances(xy, (0.455, 0.462, 0.011), (0.4345, 0.436, 0.008), "MMC")
    found = a.probability_of_assembly(tol, fixed_frame_margin, 20_000)
    assert found.fits == found.pairs
    assert found.margin_worst >= 0.0
    assert found.upper == 1.0
    # exact lower bound when all succeed: (alpha / 2)^(1 / n)
    assert found.lower == pytest.approx(0.025 ** (1 / 20_000), abs=1e-12)
    tighter = a.pattern_tolerances(xy, (0.455, 0.462, 0.019), (0.4345, 0.436, 0.008), "MMC")
    assert a.probability_of_assembly(tighter, fixed_frame_margin, 20_000).fits < 20_000


def test_drawn_parts_stay_within_tolerance() -> None:
    rng = np.random.default_rng(3)
    tol = a.pattern_tolerances(
        [[0.0, 0.0], [1.0, 1.0], [2.0, 0.0]], (0.5, 0.52, 0.01), (0.48, 0.49, 0.004), ["MMC", "RFS", "LMC"]
    )
    for normal in (False, True):
        xy, size = a.draw_parts(tol, 20_000, rng, normal)
        away = 2 * np.linalg.norm(xy - tol.xy, axis=-1)
        allowed = 0.01 + np.stack([size[:, 0] - 0.5, np.zeros(20_000), 0.52 - size[:, 2]], axis=1)
        assert (away <= allowed + 1e-12).all()
        assert (away.max(axis=0) > 0.9 * 0.01).all()
        assert (away[:, [0, 2]].max(axis=0) > 0.015).all()  # holes at MMC and at LMC both have their bonus
        assert size.min() >= 0.5
        assert size.max() <= 0.52
        assert size.mean() == pytest.approx(0.51, abs=1e-4)
        # even over a circle: mean of r^2 is half of R^2 (hole 2, no bonus)
        assert (away[:, 1] ** 2).mean() == pytest.approx(0.5 * 0.01**2, rel=0.03)
    assert a.draw_parts(tol, 9, np.random.default_rng(1))[1].tolist() == (
        a.draw_parts(tol, 9, np.random.default_rng(1))[1].tolist()
    )
    xy, size = a.draw_kits(tol, 20_000, rng)
    assert (2 * np.linalg.norm(xy - tol.xy, axis=-1) <= 0.004 + 1e-12).all()
    assert size.min() >= 0.48


def test_exact_interval() -> None:
    # Clopper and Pearson; definition as second route: the tail probabilities at the ends are alpha / 2
    from math import comb

    for successes, trials in ((3, 20), (0, 15), (15, 15), (10, 40)):
        low, high = a.clopper_pearson(successes, trials, 0.95)

        def tail(p: float, first: int, last: int, n: int = trials) -> float:
            return sum(comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(first, last + 1))

        assert low == 0.0 if successes == 0 else tail(low, successes, trials) == pytest.approx(0.025, abs=1e-12)
        assert high == 1.0 if successes == trials else tail(high, 0, successes) == pytest.approx(0.025, abs=1e-12)


def test_interval_covers_what_it_says() -> None:
    # 2000 runs of 100 pairs at the known answer 0.16: the exact interval covers at least 95 %, here within 3 errors
    rng = np.random.default_rng(9)
    counts = rng.binomial(100, 0.16, 2000)
    ends = {k: a.clopper_pearson(int(k), 100) for k in np.unique(counts).tolist()}
    covered = np.mean([ends[k][0] <= 0.16 <= ends[k][1] for k in counts.tolist()])
    assert 0.94 <= covered <= 0.99


def test_what_is_no_pattern_is_refused() -> None:
    good = ((0.5, 0.52, 0.01), (0.48, 0.49, 0.0))
    for xy, hole, pin, condition in (
        ([], *good, "MMC"),
        ([[0.0, 0.0, 0.0]], *good, "MMC"),
        ([[0.0, 0.0]], (0.52, 0.5, 0.01), good[1], "MMC"),
        ([[0.0, 0.0]], good[0], (0.48, 0.49, -0.1), "MMC"),
        ([[0.0, 0.0]], ([0.5, 0.5], 0.52, 0.01), good[1], "MMC"),
        ([[0.0, 0.0]], *good, "XYZ"),
    ):
        with pytest.raises(DataError):
            a.pattern_tolerances(xy, hole, pin, condition)
    with pytest.raises(DataError):
        a.from_margins([])
    with pytest.raises(DataError):
        a.from_margins([1.0, np.nan])
    with pytest.raises(DataError):
        a.from_margins([1.0], confidence=1.0)
    # a margin that is zero to the last bit is a fit
    assert a.from_margins([0.0, -1e-12, -1e-6]).fits == 2
