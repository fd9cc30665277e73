"""Clearance limits, temperature, wear, and the statistics of clearance against second routes."""

from __future__ import annotations

import numpy as np
import pytest

from holeqc.fits import clearance as c
from holeqc.fits.clearance import Measured, Normal, Sizes, Uniform, clearance_distribution
from holeqc.problems import DataError
from holeqc.quantities import FloatArray


def test_limits() -> None:
    # demo band and pin, by hand: 0.455 - 0.436 and 0.462 - 0.4345
    found = c.under(c.band(0.455, 0.462), c.band(0.4345, 0.436), c.Condition(), c.Condition())
    assert float(found.least) == pytest.approx(0.019, abs=1e-12)
    assert float(found.greatest) == pytest.approx(0.0275, abs=1e-12)
    assert str(found.kind) == "clearance"


def test_kinds_as_iso_286_defines_them() -> None:
    least, greatest = np.array([0.0, -1.0, -2.0, -1.0, -1.0]), np.array([1.0, 1.0, -1.0, 0.0, 5e-10])
    assert c.kind_of(least, greatest).tolist() == [
        "clearance", "transition", "interference", "interference", "interference",
    ]  # fmt: skip


def test_measured_parts() -> None:
    each = c.under(c.band([10.02, 10.03]), c.band(10.0, 10.01), c.Condition(), c.Condition())
    assert np.round(each.least, 9).tolist() == [0.01, 0.02]


def test_temperature_and_wear_by_hand() -> None:
    # aluminium 23.1e-6, steel 11.5e-6 per degree (NIST, Swyt 1994), 60 C: 40 degrees above 20
    hole, pin = c.band(0.455, 0.462), c.band(0.4345, 0.436)
    hot = c.under(hole, pin, c.Condition(23.1e-6, 60.0), c.Condition(11.5e-6, 60.0))
    assert float(hot.least) == pytest.approx(0.455 * 1.000924 - 0.436 * 1.00046, abs=1e-12)
    assert float(hot.greatest) == pytest.approx(0.462 * 1.000924 - 0.4345 * 1.00046, abs=1e-12)
    worn = c.under(hole, pin, c.Condition(wear=0.003), c.Condition(wear=0.001))
    assert float(worn.least) == pytest.approx(0.019, abs=1e-12)  # unworn parts meet
    assert float(worn.greatest) == pytest.approx(0.0275 + 0.004, abs=1e-12)
    with pytest.raises(DataError):
        c.under(hole, pin, c.Condition(wear=-0.001), c.Condition())


@pytest.mark.parametrize(("low", "high"), [(1.0, 0.9), (0.0, 1.0), (float("nan"), 1.0), (-1.0, 1.0)])
def test_bands_that_are_none(low: float, high: float) -> None:
    with pytest.raises(DataError):
        c.band(low, high)


RNG = np.random.default_rng(286)
CASES: dict[str, Sizes] = {
    "normal": Normal(10.010, 0.004),
    "uniform": Uniform(10.0, 10.020),
    "measured": Measured(RNG.normal(10.011, 0.003, 57)),
}
PINS: dict[str, Sizes] = {
    "normal": Normal(10.001, 0.003),
    "uniform": Uniform(9.992, 10.006),
    "measured": Measured(RNG.normal(10.0005, 0.002, 31)),
}
VALUES = np.array([-0.012, -0.004, 0.0, 0.003, 0.0087, 0.015, 0.024, 0.05])


def drawn(sizes: Sizes, count: int, rng: np.random.Generator) -> FloatArray:
    if isinstance(sizes, Normal):
        return rng.normal(sizes.mean, sizes.sd, count)
    if isinstance(sizes, Uniform):
        return rng.uniform(sizes.lower, sizes.upper, count)
    return rng.choice(sizes.sizes, count)


def density(sizes: Sizes, grid: FloatArray) -> FloatArray:
    """Density on a grid, written anew for the second route; the grid's cells carry the whole probability."""
    if isinstance(sizes, Uniform):
        inside = (grid > sizes.lower) & (grid < sizes.upper)
        raw = inside.astype(float)
    else:
        assert not isinstance(sizes, Measured)
        raw = np.exp(-0.5 * ((grid - sizes.mean) / sizes.sd) ** 2)
    return raw / raw.sum()


@pytest.mark.parametrize("hole", list(CASES))
@pytest.mark.parametrize("pin", list(PINS))
def test_probability_against_monte_carlo(hole: str, pin: str) -> None:
    # second route: simulation with a seed; 400 000 pairs, so 5 standard errors are at most 0.004
    rng = np.random.default_rng(7)
    count = 400_000
    sample = drawn(CASES[hole], count, rng) - drawn(PINS[pin], count, rng)
    found = clearance_distribution(CASES[hole], PINS[pin])
    simulated = (sample[:, None] < VALUES).mean(axis=0)
    error = 5 * np.sqrt(np.maximum(simulated * (1 - simulated), 1e-6) / count)
    assert (np.abs(found.probability_below(VALUES) - simulated) <= error).all()
    assert found.mean == pytest.approx(sample.mean(), abs=5 * found.sd / np.sqrt(count))
    assert found.sd == pytest.approx(sample.std(), rel=0.01)
    assert found.interference == pytest.approx(float(found.probability_below(0.0)), abs=0)


@pytest.mark.parametrize("hole", ["normal", "uniform"])
@pytest.mark.parametrize("pin", ["normal", "uniform"])
def test_probability_against_numeric_convolution(hole: str, pin: str) -> None:
    # second route: densities on a grid of 2e-6, folded by the fast Fourier transform, summed to the middle of a cell;
    # what is left is the grid's own error at the kinks of uniform densities, about 1e-4
    step = 2e-6
    grid = np.asarray(9.95 + step * (np.arange(50_000) + 0.5), dtype=np.float64)
    h, p = density(CASES[hole], grid), density(PINS[pin], grid)
    size = 2 * grid.size
    folded = np.fft.irfft(np.fft.rfft(h, size) * np.fft.rfft(p[::-1], size), size)
    at = step * (np.arange(size) - (grid.size - 1))
    below = np.cumsum(folded) - 0.5 * folded
    want = np.interp(VALUES, at, below)
    got = clearance_distribution(CASES[hole], PINS[pin]).probability_below(VALUES)
    assert got == pytest.approx(want, abs=2e-4)


def test_two_normals_by_the_closed_form() -> None:
    # mean 0.009, sd 0.005 exactly (3-4-5): P(C < 0) = Phi(-1.8) = 0.035930 (printed normal tables: 0.0359)
    found = clearance_distribution(CASES["normal"], PINS["normal"])
    assert found.interference == pytest.approx(0.03593, abs=5e-6)
    assert found.sd == pytest.approx(0.005, abs=1e-15)


def test_two_uniforms_by_hand() -> None:
    # hole 10..20, pin 5..15: P(hole < pin) is a triangle of sides 5 in a square of 10: 12.5 / 100
    found = clearance_distribution(Uniform(10.0, 20.0), Uniform(5.0, 15.0))
    assert found.interference == pytest.approx(0.125, abs=1e-12)
    assert found.probability_below([-6.0, 5.0, 15.0, 25.0]).tolist() == pytest.approx([0.0, 0.5, 1.0, 1.0], abs=1e-9)


def test_measured_sizes_by_counting() -> None:
    # six pairs: 1-1=0, 1-2, 2-1, 2-2=0, 4-1, 4-2; below 0: one; a clearance of just 0 is no interference
    found = clearance_distribution(Measured(np.array([4.0, 1.0, 2.0])), Measured(np.array([2.0, 1.0])))
    assert found.interference == pytest.approx(1 / 6)
    assert float(found.probability_below(1.0)) == pytest.approx(3 / 6)
    assert float(found.probability_below(3.0 + 1e-6)) == pytest.approx(1.0)


@pytest.mark.parametrize(
    "sizes", [Normal(1.0, 0.0), Uniform(2.0, 1.0), Measured(np.array([])), Measured(np.array([1.0, np.nan])),
              Normal(np.nan, 1.0)]
)  # fmt: skip
def test_sizes_that_are_none(sizes: Sizes) -> None:
    with pytest.raises(DataError):
        clearance_distribution(sizes, Normal(1.0, 1.0))
