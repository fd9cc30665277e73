"""Anderson-Darling, its p, and the probability plot.

The published adjusted statistics belong to data that are not distributed with them; the statistic is checked against
its defining sum, p against the published 5 % point and by simulation.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from statistics_data import column, printed

from holeqc.problems import DataError
from holeqc.statistics import normality
from holeqc.statistics.normality import allowing, anderson_darling, anderson_darling_p, plotting_positions


def by_definition(x: np.ndarray) -> float:
    from scipy.special import log_ndtr

    z = np.sort((x - x.mean()) / x.std(ddof=1))
    i = np.arange(1, x.size + 1)
    return float(-x.size - np.sum((2 * i - 1) * (log_ndtr(z) + log_ndtr(-z[::-1]))) / x.size)


@pytest.mark.parametrize("n", [8, 50, 1000])
def test_statistic_is_the_defining_sum(n: int) -> None:
    x = np.random.default_rng(n).standard_t(5, n) * 3 + 100
    found = anderson_darling(x)
    statistic = found.A2
    assert statistic == pytest.approx(by_definition(x), rel=1e-9)
    assert found.A2_adjusted == pytest.approx(found.A2 * (1 + 0.75 / n + 2.25 / n**2), rel=1e-14)
    assert found.p == anderson_darling_p(found.A2_adjusted)


@pytest.mark.parametrize("kind", ["normal", "heavy", "coarse"])
def test_long_series_give_the_same_to_the_last_digits(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    x = {
        "normal": rng.normal(0.458, 0.0008, 400_000),
        "heavy": rng.standard_t(3, 60_000),
        "coarse": np.round(rng.normal(size=60_000), 1),
    }[kind]
    fast = anderson_darling(x).A2
    monkeypatch.setattr(normality, "_DIRECT", 10**9)
    assert fast == pytest.approx(anderson_darling(x).A2, rel=1e-11, abs=5e-9)


def test_handbook_data() -> None:
    # e-Handbook 1.3.5.2 data: the section calls the normal a reasonable picture
    found = anderson_darling(column("handbook_flow_meter.csv", "y"))
    assert found.p is not None
    assert found.p > 0.05


def test_published_critical_value() -> None:
    values = printed("handbook_values.csv")
    name = "1.3.5.14 critical value of adjusted A2, alpha=0.05, normal, both parameters estimated"
    assert anderson_darling_p(float(values[name])) == pytest.approx(0.05, abs=0.0005)
    # D'Agostino and Stephens (1986), from memory, unconfirmed: 10, 2.5 and 1 % points
    for adjusted, p in ((0.631, 0.10), (0.873, 0.025), (1.035, 0.01)):
        assert anderson_darling_p(adjusted) == pytest.approx(p, rel=0.02)


def test_p_is_the_share_of_normal_samples_beyond() -> None:
    # second route: simulation, over the whole range of p
    rng = np.random.default_rng(8)
    adjusted = np.sort([anderson_darling(x).A2_adjusted for x in rng.normal(size=(4000, 25))])
    for share in (0.01, 0.05, 0.2, 0.5, 0.8, 0.95):
        noted = float(np.quantile(adjusted, 1 - share))
        assert anderson_darling_p(noted) == pytest.approx(share, abs=4 * math.sqrt(share * (1 - share) / 4000) + 0.005)


def test_p_falls_and_stays_a_chance() -> None:
    p = [anderson_darling_p(a) for a in np.linspace(0, 400, 4001)]
    assert all(0 <= v <= 1 for v in p)
    assert np.all(np.diff(p) <= 0.003)  # the pieces of the formula meet within 0.003


def test_missing_readings_and_too_few() -> None:
    x = np.random.default_rng(3).normal(size=30)
    with_gap, without = anderson_darling(np.concatenate([x, [np.nan]])), anderson_darling(x)
    assert with_gap.A2_adjusted == pytest.approx(without.A2_adjusted, rel=1e-12)
    assert anderson_darling(x[:7]).p is None
    for bad in ([1.0], [1.0, 1.0, 1.0], []):
        with pytest.raises(DataError):
            anderson_darling(bad)


def test_plotting_positions() -> None:
    from scipy.special import ndtri
    from scipy.stats import probplot

    x = np.random.default_rng(3).normal(5, 2, 40)
    (q, _), _ = probplot(x)  # second route: scipy, with Filliben's positions
    np.testing.assert_allclose(ndtri(plotting_positions(40)), q, atol=1e-12)
    assert plotting_positions(1)[0] == 0.5
    assert float(ndtri(plotting_positions(3)[1])) == pytest.approx(0)
    with pytest.raises(DataError):
        plotting_positions(0)


def rounded_p(x: np.ndarray, step: float, counted: int | None = None) -> tuple[float, float]:
    x = np.sort(x)
    plain = anderson_darling(x)
    found = allowing(x, float(x.mean()), float(x.std(ddof=1)), plain.A2, step=step, counted=counted)
    assert plain.p is not None
    if found is None:
        return plain.p, plain.p
    assert found.p is not None
    return plain.p, found.p


@pytest.mark.parametrize("sigma", [0.0004, 0.0002, 0.00008])
def test_rounding_alone_refuses_no_normal(sigma: float) -> None:
    """Simulated, as nothing is published: 200 normals of 960 readings to 0.0001, judged at 5 %, and skewed ones."""
    rng = np.random.default_rng(11)
    chances = np.array([rounded_p(np.rint(rng.normal(4585, 1e4 * sigma, 960)) / 1e4, 1e-4) for _ in range(200)])
    assert np.mean(chances[:, 1] < 0.05) <= 0.095  # binomial(200, 0.05): 0.1 % are above 19
    assert np.mean(chances[:, 1] < 0.05) >= 0.01
    assert np.mean(chances[:, 0] < 0.05) > 0.5  # the plain test refuses most
    skewed = np.rint(4580 + 1e4 * sigma / 2 * rng.gamma(4, size=960)) / 1e4
    assert rounded_p(skewed, 1e-4)[1] < 0.01


def test_readings_that_resemble_each_other_count_for_less() -> None:
    rng = np.random.default_rng(4)
    means = np.repeat(rng.normal(size=60), 4)
    x = np.sort(means + rng.normal(0, 0.2, 240))
    plain = anderson_darling(x)
    found = allowing(x, float(x.mean()), float(x.std(ddof=1)), plain.A2, step=None, counted=62)
    assert found is not None
    assert pytest.approx(plain.A2 * 62 / 240) == found.A2
    assert found.p is not None
    assert plain.p is not None
    assert found.p > plain.p


def test_unrounded_readings_keep_the_plain_test() -> None:
    x = np.sort(np.random.default_rng(4).normal(size=500))
    step = float(np.diff(x).min())
    assert allowing(x, 0.0, 1.0, 0.3, step=step) is None
