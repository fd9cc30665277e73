"""Percentile capability: nothing is published with data, so each fit has a second route (scipy) and simulation."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from holeqc.problems import DataError
from holeqc.statistics.distributions import FROM_ZERO, GAMMA, NORMAL, UNBOUNDED, Family, fit
from holeqc.statistics.indices import Limits, indices
from holeqc.statistics.percentile import (
    HIGH,
    LOW,
    MIDDLE,
    _ppk_interval,
    choose_distribution,
    normal_scores,
    percentile_capability,
)

SCIPY = {
    "normal": ("norm", {}), "logistic": ("logistic", {}), "largest_extreme_value": ("gumbel_r", {}),
    "smallest_extreme_value": ("gumbel_l", {}), "half_normal": ("halfnorm", {"floc": 0}),
    "folded_normal": ("foldnorm", {"floc": 0}), "rayleigh": ("rayleigh", {"floc": 0}), "rice": ("rice", {"floc": 0}),
    "weibull": ("weibull_min", {"floc": 0}), "gamma": ("gamma", {"floc": 0}), "lognormal": ("lognorm", {"floc": 0}),
}
POINTS = np.array([LOW, 0.1, MIDDLE, 0.9, HIGH])


def fitted(family: Family, x: np.ndarray) -> Any:
    x = np.sort(x)
    return fit(family, x, np.ones(x.size), float(x.mean()), float(x.std(ddof=1)))


@pytest.mark.parametrize("family", UNBOUNDED + FROM_ZERO, ids=lambda f: f.key)
def test_fit_share_and_quantile_by_another_library(family: Family) -> None:
    import scipy.stats

    x = np.random.default_rng(5).gamma(9, 0.0007, 200)
    name, fixed = SCIPY[family.key]
    kind = getattr(scipy.stats, name)
    other = kind(*kind.fit(x, **fixed))
    found = fitted(family, x)
    assert found.log_likelihood >= float(other.logpdf(x).sum()) - 1e-5
    np.testing.assert_allclose(found.quantile(POINTS), other.ppf(POINTS), rtol=3e-4)
    np.testing.assert_allclose(found.below(x), other.cdf(x), atol=1e-4)
    np.testing.assert_allclose(found.below(found.quantile(POINTS)), POINTS, atol=1e-9)


def test_normal_percentiles_are_the_usual_indices() -> None:
    x = np.random.default_rng(2).normal(0.4585, 0.0006, 90)
    found = percentile_capability(Limits(0.455, 0.462), x)
    assert found.choice.candidates[0].key == "normal"
    sd = x.std()  # maximum likelihood divides by n
    usual = indices(Limits(0.455, 0.462), float(x.mean()), float(sd))
    # the 99.865 % point lies 2.99998 sigma out
    assert found.Pp == pytest.approx(usual.potential, rel=2e-5)
    assert found.Ppk == pytest.approx(usual.nearest, rel=2e-5)


@pytest.mark.parametrize(("draw", "from_zero", "keys"), [
    (lambda r: r.gumbel(0.4585, 0.0004, 300), False, {"largest_extreme_value"}),
    (lambda r: -r.gumbel(-0.4585, 0.0004, 300), False, {"smallest_extreme_value"}),
    (lambda r: r.normal(0.4585, 0.0004, 300), False, {"normal"}),
    (lambda r: r.laplace(0.4585, 0.0004, 300), False, {"logistic"}),
    (lambda r: np.abs(r.normal(0, 0.001, 300)), True, {"half_normal"}),
    (lambda r: np.hypot(*r.normal(0, 0.001, (2, 300))), True, {"rayleigh"}),
    (lambda r: r.lognormal(-6, 0.8, 300), True, {"lognormal"}),
    (lambda r: np.hypot(r.normal(0.003, 0.001, 300), r.normal(0, 0.001, 300)), True, {"rice", "folded_normal"}),
])
def test_the_evidence_chooses_the_right_kind(draw: Any, from_zero: bool, keys: set[str]) -> None:
    found = choose_distribution(draw(np.random.default_rng(10)), from_zero=from_zero)
    assert found.candidates[0].key in keys
    assert found.candidates[0].behind == 0
    assert [c.aicc for c in found.candidates] == sorted(c.aicc for c in found.candidates)
    assert len(found.candidates) == (7 if from_zero else 4)
    assert "fits best" in found.words


def test_a_poor_fit_is_said() -> None:
    rng = np.random.default_rng(4)
    two = np.concatenate([rng.normal(0, 1, 150), rng.normal(12, 1, 150)])
    assert "fits poorly" in choose_distribution(two).words


def test_zeros_leave_out_what_has_none() -> None:
    x = np.round(np.abs(np.random.default_rng(3).normal(0, 0.001, 60)), 4)
    x[:3] = 0
    found = choose_distribution(x, from_zero=True)
    assert {c.key for c in found.candidates} == {"half_normal", "folded_normal"}
    assert "exactly zero" in found.words


def test_bounded_quantity_has_one_index() -> None:
    x = np.random.default_rng(2).gamma(3, 0.001, 150)
    found = percentile_capability(Limits(0.0, 0.02), x, from_zero=True)
    assert (found.Pp, found.Ppl) == (None, None)
    assert found.Ppk == found.Ppu
    assert found.Ppk == pytest.approx((0.02 - found.median) / (found.high - found.median))
    assert found.below == 0
    with pytest.raises(DataError, match="not limited"):
        percentile_capability(Limits(lower=0.0), x, from_zero=True)


def test_interval_holds_the_true_index() -> None:
    # second route: simulation of gamma readings whose index is known
    from scipy.stats import gamma

    limits, true = Limits(upper=0.03), gamma(3, scale=0.002)
    median, high = true.ppf(0.5), true.ppf(HIGH)
    index = (0.03 - median) / (high - median)
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(100):
        found = fitted(GAMMA, rng.gamma(3, 0.002, 80))
        q = found.quantile(np.array([MIDDLE, HIGH]))
        interval = _ppk_interval(limits, found, (0.03 - q[0]) / (q[1] - q[0]), 0.95, True)
        assert interval is not None
        low, top = interval
        assert low is not None
        assert top is not None
        held += low <= index <= top
    assert 0.88 <= held / 100 <= 0.99


def test_long_series_are_fitted_on_cells_without_loss() -> None:
    x = np.random.default_rng(9).gumbel(0, 1, 30_000)
    found = choose_distribution(x)
    direct = fitted(found.chosen.family, x)
    np.testing.assert_allclose(found.chosen.quantile(POINTS), direct.quantile(POINTS), rtol=2e-4, atol=2e-4)
    assert found.candidates[-1].A2_adjusted is None  # far behind: not tested


def test_normal_scores_are_standard_normal() -> None:
    x = np.random.default_rng(9).gamma(3, 1, 500)
    z = normal_scores(fitted(GAMMA, x), x)
    assert abs(z.mean()) < 0.02
    assert z.std() == pytest.approx(1, abs=0.02)
    assert np.isfinite(normal_scores(fitted(NORMAL, x), np.array([-1e9, 1e9]))).all()


@pytest.mark.parametrize("call", [
    lambda: choose_distribution([1.0] * 20), lambda: choose_distribution([1, 2, 3, 4]),
    lambda: choose_distribution(np.linspace(-1, 2, 20), from_zero=True),
])
def test_what_has_no_distribution(call: Any) -> None:
    with pytest.raises(DataError):
        call()


def test_curvature_gives_known_errors() -> None:
    # second route: the standard error of a normal's mean and of ln sigma are s / sqrt(n) and 1 / sqrt(2 n)
    x = np.random.default_rng(7).normal(10, 2, 400)
    covariance = fitted(NORMAL, x).covariance
    assert covariance is not None
    assert math.sqrt(covariance[0, 0]) == pytest.approx(x.std() / 20, rel=1e-4)
    assert math.sqrt(covariance[1, 1]) == pytest.approx(1 / math.sqrt(800), rel=1e-4)


def test_rounding_alone_is_no_poor_fit() -> None:
    """Invented: 1000 distances along an axis, read to a quarter of sigma; and two heaps, which nothing here fits."""
    rng = np.random.default_rng(5)
    found = choose_distribution(np.rint(np.abs(rng.normal(1, 1, 1000)) * 4) / 4, from_zero=True)
    assert found.candidates[0].p is not None
    assert found.candidates[0].p < 0.01  # the plain test takes readings as exact
    assert "poorly" not in found.words
    heaps = np.concatenate([rng.normal(2, 0.3, 500), rng.normal(6, 0.3, 500)])
    assert "poorly" in choose_distribution(np.rint(heaps * 4) / 4, from_zero=True).words
