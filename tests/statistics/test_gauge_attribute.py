"""Answers in words: kappa, agreement; GO and NO-GO near the limit."""

from __future__ import annotations

import numpy as np
import pytest
from gauge_data import columns, numbers
from scipy import integrate, stats

from holeqc.problems import DataError
from holeqc.statistics.gauge_accuracy import (
    Curve,
    attribute_study,
    cohen_kappa,
    exact_proportion,
    fit_response,
    fleiss_kappa,
    fleiss_kappa_by_category,
    plug_curve,
    process_risk,
    wrong_answers,
)

#: a 3 x 3 table with the printed results of a general statistics package, in statsmodels' test_inter_rater.py
TABLE = [[0, 4, 1], [0, 8, 0], [0, 1, 5]]


def diagnoses() -> np.ndarray:
    table = columns("agreement_fleiss_30x6.csv")
    ratings = np.array([numbers(table[f"rating{k}"]) for k in range(1, 7)]).T
    return np.array([[np.sum(row == category) for category in range(1, 6)] for row in ratings])


def test_published_cohen_kappa() -> None:
    got = cohen_kappa(TABLE)
    assert got.kappa == pytest.approx(0.4842, abs=5e-5)
    assert got.standard_error == pytest.approx(0.1380, abs=5e-5)
    assert got.lower == pytest.approx(0.2137, abs=5e-5)
    assert got.upper == pytest.approx(0.7547, abs=5e-5)
    assert got.standard_error_null == pytest.approx(0.1484, abs=5e-5)
    assert got.z == pytest.approx(3.2626, abs=5e-5)


def test_cohen_kappa_is_the_same_turned_round() -> None:
    one, two = cohen_kappa(TABLE), cohen_kappa(np.array(TABLE).T)
    assert two.kappa == pytest.approx(one.kappa)
    assert two.standard_error == pytest.approx(one.standard_error)


def test_cohen_interval_by_resampling() -> None:
    # second route: bootstrap of a larger table; the standard error agrees within 6 %
    table = np.array([[40, 6, 4], [5, 30, 5], [2, 8, 20]])
    flat = table.ravel() / table.sum()
    draws = np.random.default_rng(1).multinomial(table.sum(), flat, 2000).reshape(-1, 3, 3)
    kappas = [cohen_kappa(d).kappa for d in draws]
    assert cohen_kappa(table).standard_error == pytest.approx(np.std(kappas), rel=0.06)  # type: ignore[arg-type]


def test_published_fleiss_kappa() -> None:
    # Fleiss (1971); R package irr prints Kappa = 0.43, a second copy 0.430
    got = fleiss_kappa(diagnoses())
    assert got.kappa == pytest.approx(0.430, abs=5e-4)
    # from memory, unconfirmed: z = 17.7 and the categories 0.245, 0.245, 0.520, 0.471, 0.566 as irr prints them
    assert got.z == pytest.approx(17.7, abs=0.05)
    assert fleiss_kappa_by_category(diagnoses()) == pytest.approx([0.245, 0.245, 0.520, 0.471, 0.566], abs=5e-4)


def test_fleiss_interval_by_resampling() -> None:
    # second route: bootstrap over the parts; the standard error agrees within 10 %
    counts = diagnoses()
    rng = np.random.default_rng(5)
    kappas = [fleiss_kappa(counts[rng.integers(0, 30, 30)]).kappa for _ in range(1000)]
    assert fleiss_kappa(counts).standard_error == pytest.approx(np.std(kappas), rel=0.10)  # type: ignore[arg-type]


def test_published_kappa_of_two_parts() -> None:
    # Randolph's online calculator, quoted in statsmodels' test_inter_rater.py, for two parts with eight ratings each
    assert fleiss_kappa([[7, 1], [3, 5]]).kappa == pytest.approx(0.161905, abs=5e-7)


def test_kappa_at_its_ends() -> None:
    assert cohen_kappa([[5, 0], [0, 7]]).kappa == pytest.approx(1.0)
    assert cohen_kappa([[0, 5], [5, 0]]).kappa == pytest.approx(-1.0)
    assert cohen_kappa([[9, 0], [0, 0]]).kappa is None
    assert fleiss_kappa([[3, 0], [3, 0]]).kappa is None
    assert fleiss_kappa([[3, 0], [0, 3]]).kappa == pytest.approx(1.0)
    assert np.isnan(fleiss_kappa_by_category([[3, 0], [3, 0]])).all()


@pytest.mark.parametrize("table", [[[1, 2]], [[0, 0], [0, 0]], [[1, -1], [0, 2]], [1, 2, 3]])
def test_cohen_input(table: list) -> None:
    with pytest.raises(DataError, match="square table"):
        cohen_kappa(table)


def test_fleiss_input() -> None:
    with pytest.raises(DataError, match="from 2 to 3"):
        fleiss_kappa([[2, 0], [1, 2]])
    with pytest.raises(DataError, match="at least two"):
        fleiss_kappa([[1, 0], [0, 1]])


def test_exact_proportion() -> None:
    # second route: the interval turned round, through binomial tails (definition of Clopper and Pearson)
    got = exact_proportion(3, 20)
    assert stats.binom.sf(2, 20, got.lower) == pytest.approx(0.025)
    assert stats.binom.cdf(3, 20, got.upper) == pytest.approx(0.025)
    # rule of three, exactly: none of 30 has an upper bound of 1 - 0.025 ** (1 / 30)
    assert exact_proportion(0, 30).upper == pytest.approx(1 - 0.025 ** (1 / 30))
    assert exact_proportion(30, 30).upper == 1.0
    assert exact_proportion(0, 0).share is None
    with pytest.raises(DataError, match="from 0"):
        exact_proportion(4, 3)


def words_study() -> tuple[list, list, list, list]:
    part = [p for p in range(10) for _ in range(6)]
    appraiser = ["day", "day", "day", "night", "night", "night"] * 10
    truth = ["accept" if p < 6 else "reject" for p in part]
    rating = [f" {t.upper()} " if k % 7 == 0 else t for k, t in enumerate(truth)]
    rating[0 * 6 + 1] = "reject"  # day changes their mind on part 0
    for k in (7 * 6 + 3, 7 * 6 + 4, 7 * 6 + 5):
        rating[k] = "accept"  # night passes bad part 7 all three times
    return part, appraiser, rating, truth


def test_attribute_study_by_hand() -> None:
    part, appraiser, rating, truth = words_study()
    got = attribute_study(part, appraiser, rating, truth)
    day, night = got.appraisers
    assert got.categories == ("accept", "reject")
    assert (day.with_self.count, day.with_self.of) == (9, 10)  # type: ignore[union-attr]
    assert (night.with_self.count, night.with_reference.count) == (10, 9)  # type: ignore[union-attr]
    assert got.all_agree.count == 8
    assert got.all_right is not None
    assert got.all_right.count == 8
    assert {c: (w.count, w.of) for c, w in day.wrong} == {"accept": (1, 18), "reject": (0, 12)}
    assert {c: (w.count, w.of) for c, w in night.wrong} == {"accept": (0, 18), "reject": (3, 12)}
    assert night.kappa_reference is not None
    assert night.kappa_reference.kappa == pytest.approx(cohen_kappa([[18, 0], [3, 9]]).kappa)
    assert got.pairs[0][:2] == ("day", "night")
    counts = [[6, 0]] * 5 + [[5, 1]] + [[3, 3]] + [[0, 6]] * 3
    assert got.kappa_all.kappa == pytest.approx(fleiss_kappa(counts).kappa)
    assert any("not independent" in note for note in got.notes)


def test_attribute_study_without_reference_and_in_any_order() -> None:
    part, appraiser, rating, _ = words_study()
    order = np.random.default_rng(2).permutation(60)
    one = attribute_study(part, appraiser, rating)
    two = attribute_study(np.array(part)[order], np.array(appraiser)[order], np.array(rating)[order])
    assert one.all_right is None
    assert two.kappa_all.kappa == pytest.approx(one.kappa_all.kappa)
    assert two.all_agree == one.all_agree


def test_attribute_study_where_all_say_the_same() -> None:
    got = attribute_study([1, 1, 2, 2], ["a", "b", "a", "b"], ["go"] * 4)
    assert got.kappa_all.kappa is None
    assert got.pairs[0][2].kappa is None
    assert any("kappa has no meaning" in note for note in got.notes)
    alone = attribute_study([1, 2], ["a", "a"], ["go", "no"])
    assert alone.kappa_all.kappa is None
    assert any("nothing to agree" in note for note in alone.notes)


def test_attribute_input() -> None:
    with pytest.raises(DataError, match="part 2 has 0 answers by b"):
        attribute_study([1, 1, 2], ["a", "b", "a"], ["go", "go", "no"])
    with pytest.raises(DataError, match="two different references"):
        attribute_study([1, 1], ["a", "b"], ["go", "go"], ["go", "no"])
    with pytest.raises(DataError, match="answer is blank"):
        attribute_study([1, 1], ["a", "b"], ["go", ""])


# --- response curves ---


@pytest.mark.parametrize(
    ("link", "intercept", "slope", "e0", "e1", "deviance", "digits"),
    [
        # a glm teaching page's fit to Bliss (1935), which agrees with Dobson; its errors and deviance in 6 decimals are
        # from an iteration stopped early, so 5 digits of them are taken
        ("logit", -60.717455, 34.270326, 5.180701, 2.912134, 11.232231, 5e-7),
        # from memory, unconfirmed: the probit fit of the same data
        ("probit", -34.935, 19.728, 2.648, 1.487, 10.120, 5e-4),
    ],
)
def test_published_fit_of_beetles(
    link: str, intercept: float, slope: float, e0: float, e1: float, deviance: float, digits: float
) -> None:
    table = columns("response_beetles.csv")
    got = fit_response(numbers(table["dose"]), numbers(table["killed"]), numbers(table["number"]), link=link)  # type: ignore[arg-type]
    assert got.intercept == pytest.approx(intercept, abs=digits)
    assert got.slope == pytest.approx(slope, abs=digits)
    assert got.intercept_error == pytest.approx(e0, abs=max(digits, 2e-5))
    assert got.slope_error == pytest.approx(e1, abs=max(digits, 1e-5))
    assert got.deviance == pytest.approx(deviance, abs=max(digits, 5e-7))
    assert got.deviance_freedom == 6


def test_published_fit_of_insects() -> None:
    # Bliss (1935) with 2, 8, 15, 23, 27 of 30 at concentrations 0 to 4; fitted chances printed in public lecture notes
    sizes, dead = [0, 1, 2, 3, 4], [2, 8, 15, 23, 27]
    logit = fit_response(sizes, dead, [30] * 5)
    assert logit.intercept == pytest.approx(-2.323790, abs=5e-7)
    assert logit.slope == pytest.approx(1.161895, abs=5e-7)
    want = [0.08917177, 0.23832314, 0.50000000, 0.76167686, 0.91082823]
    assert logit.curve.enters(sizes) == pytest.approx(want, abs=5e-9)
    # the notes' own iteration stopped at about six digits
    want = [0.08424186, 0.24487335, 0.49827210, 0.75239612, 0.91441122]
    assert fit_response(sizes, dead, [30] * 5, link="probit").curve.enters(sizes) == pytest.approx(want, abs=1e-7)


def test_published_fit_of_seals() -> None:
    # seal damage out of 6 against temperature, glm coefficients and errors printed on a public page: 11.66299
    # (3.29626), -0.21623 (0.05318), deviance 16.912 on 21; here turned round
    # (undamaged), because a plug enters larger holes
    temperature = [53, 57, 58, 63, 66, 67, 67, 67, 68, 69, 70, 70, 70, 70, 72, 73, 75, 75, 76, 76, 78, 79, 81]
    damage = np.array([5, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0])
    got = fit_response(temperature, 6 - damage, [6] * 23)
    assert got.intercept == pytest.approx(-11.66299, abs=5e-6)
    assert got.slope == pytest.approx(0.21623, abs=5e-6)
    assert got.intercept_error == pytest.approx(3.29626, abs=5e-6)
    assert got.slope_error == pytest.approx(0.05318, abs=5e-6)
    assert got.deviance == pytest.approx(16.912, abs=5e-4)


def test_fit_finds_the_curve_put_in() -> None:
    # second route: simulation of a plug of 0.4550 in with a spread of 0.0002 in; the Fieller interval holds the truth
    # in 95 % of 300 trials, three standard errors allowed
    rng = np.random.default_rng(9)
    truth = Curve(0.4550, 0.0002)
    sizes = np.linspace(0.4545, 0.4555, 11)
    inside = 0
    for _ in range(300):
        got = fit_response(sizes, rng.binomial(20, truth.enters(sizes)), [20] * 11, link="probit")
        assert got.centre_interval is not None
        inside += got.centre_interval[0] <= 0.4550 <= got.centre_interval[1]
    assert inside >= 274
    assert got.curve.width == pytest.approx(0.0002, rel=0.3)
    low, high = got.band([0.4549, 0.4551])
    assert np.all(low < got.curve.enters([0.4549, 0.4551]))
    assert np.all(high > got.curve.enters([0.4549, 0.4551]))


def test_unit_and_origin_change_nothing() -> None:
    sizes = np.array([0.4546, 0.4548, 0.4550, 0.4552, 0.4554])
    k, n = [1, 3, 9, 16, 20], [20] * 5
    one, two = fit_response(sizes, k, n), fit_response(sizes * 25.4, k, n)
    assert two.curve.centre == pytest.approx(25.4 * one.curve.centre, rel=1e-10)
    assert two.curve.width == pytest.approx(25.4 * one.curve.width, rel=1e-8)
    shifted = fit_response(sizes - 0.455, k, n)
    at = np.array([0.4549, 0.4553])
    for a, b in zip(one.band(at), shifted.band(at - 0.455), strict=True):
        assert a == pytest.approx(b, rel=1e-8)
    assert two.centre_interval == pytest.approx([25.4 * v for v in one.centre_interval])  # type: ignore[union-attr]


def test_sharp_change_is_said() -> None:
    got = fit_response([0.454, 0.4545, 0.4552, 0.456], [0, 0, 5, 5], [5] * 4)
    assert got.separated
    assert got.between == (0.4545, 0.4552)
    assert got.slope is None
    assert got.curve.width == 0.0
    assert got.curve.enters([0.454, 0.456]).tolist() == [0.0, 1.0]
    with pytest.raises(DataError, match="no band"):
        got.band([0.455])
    both = fit_response([0.454, 0.455, 0.456], [0, 3, 5], [5] * 3)
    assert both.separated


@pytest.mark.parametrize(
    ("size", "entered", "trials", "words"),
    [
        ([1.0, 2.0], [0, 0], [5, 5], "never entered"),
        ([1.0, 2.0], [5, 5], [5, 5], "always entered"),
        ([1.0, 1.0], [2, 3], [5, 5], "two sizes"),
        ([1.0, 2.0], [2, 6], [5, 5], "more often than"),
        ([1.0, 2.0], [2], [5, 5], "2 sizes, 1 counts"),
        ([1.0, 2.0, 3.0], [5, 5, 0], [5, 5, 5], "smaller holes let"),
    ],
)
def test_response_input(size: list, entered: list, trials: list, words: str) -> None:
    with pytest.raises(DataError, match=words):
        fit_response(size, entered, trials)


# --- wrong answers ---


def test_sharp_plugs_at_the_limits_are_never_wrong() -> None:
    go, no_go = plug_curve(0.455, 0.0), plug_curve(0.462, 0.0)
    got = wrong_answers([0.4549, 0.455, 0.4585, 0.462, 0.4621], 0.455, 0.462, go, no_go)
    assert got.accepted.tolist() == [0.0, 1.0, 1.0, 1.0, 0.0]
    assert not got.good_refused.any()
    assert not got.bad_accepted.any()


def test_worn_and_tight_plugs_err_in_their_own_way() -> None:
    # a GO worn below the limit lets small holes pass; a GO with maker's stock inside the limits refuses good ones
    worn = wrong_answers([0.4549], 0.455, None, plug_curve(0.4548, 0.0), None)
    assert worn.bad_accepted.tolist() == [1.0]
    tight = wrong_answers([0.4551], 0.455, None, plug_curve(0.4552, 0.0), None)
    assert tight.good_refused.tolist() == [1.0]
    blurred = wrong_answers([0.455], 0.455, None, plug_curve(0.455, 0.0001), None)
    assert blurred.good_refused == pytest.approx([0.5])


def test_maker_band_is_rectangular() -> None:
    assert plug_curve(1.0, 0.0003, needs=0.0001, maker_band=0.0006).width == pytest.approx(
        np.sqrt(0.0003**2 + 0.0006**2 / 12)
    )
    assert plug_curve(1.0, 0.0, needs=0.0001).centre == pytest.approx(1.0001)


def test_curve_turned_round() -> None:
    for curve in (Curve(2.0, 0.1), Curve(2.0, 0.1, "logit")):
        assert curve.enters(curve.size_at([0.025, 0.5, 0.9])) == pytest.approx([0.025, 0.5, 0.9])


def test_published_risk_at_four_to_one() -> None:
    # a calibration laboratory's article of 30 Apr 2019: with 95 % of parts in tolerance and a ratio of 4:1 (k = 2),
    # less than 1 % false accepts and slightly over 1.5 % false rejects
    sd, u = 1.0 / stats.norm.ppf(0.975), 0.125
    got = process_risk(0.0, sd, -1.0, 1.0, Curve(-1.0, u), Curve(1.0, u))
    assert got.outside == pytest.approx(0.05)
    assert got.bad_accepted < 0.01
    assert 0.015 < got.good_refused < 0.016


def test_risk_at_a_mean_on_the_limit_is_an_angle() -> None:
    # second route, exact: two normals with the limit as mean differ in sign with chance arctan(u / sd) / pi
    for ratio in (0.01, 0.25, 2.0):
        got = process_risk(0.455, 0.001, 0.455, None, Curve(0.455, 0.001 * ratio), None)
        assert got.bad_accepted == pytest.approx(np.arctan(ratio) / (2 * np.pi), rel=1e-9)
        assert got.good_refused == pytest.approx(np.arctan(ratio) / (2 * np.pi), rel=1e-9)


def test_risk_against_adaptive_quadrature_and_sampling() -> None:
    # second routes: scipy.integrate.quad piece by piece, and a million simulated holes
    go, no_go = plug_curve(0.4552, 0.0001), plug_curve(0.4619, 0.00015)
    mean, sd, low, high = 0.4580, 0.0015, 0.455, 0.462
    got = process_risk(mean, sd, low, high, go, no_go)

    def accepted(x: float) -> float:
        return float(stats.norm.pdf(x, mean, sd) * go.enters(x) * (1 - no_go.enters(x)))

    bad = integrate.quad(accepted, 0.45, low)[0] + integrate.quad(accepted, high, 0.468)[0]
    assert got.bad_accepted == pytest.approx(bad, rel=1e-6)
    rng = np.random.default_rng(4)
    size = rng.normal(mean, sd, 1_000_000)
    passed = (size + rng.normal(0, 0.0001, size.size) >= go.centre) & (
        size + rng.normal(0, 0.00015, size.size) < no_go.centre
    )
    good = (size >= low) & (size <= high)
    assert got.good_refused == pytest.approx(np.mean(good & ~passed), abs=4e-4)
    assert got.bad_accepted == pytest.approx(np.mean(~good & passed), abs=2e-5)
    assert got.outside == pytest.approx(np.mean(~good), abs=7e-4)


def test_plug_input() -> None:
    with pytest.raises(DataError, match="no plug"):
        wrong_answers([1.0], 0.9, 1.1, None, None)
    with pytest.raises(DataError, match="limit of each plug"):
        wrong_answers([1.0], None, 1.1, Curve(1.0, 0.1), None)
    with pytest.raises(DataError, match="upside down"):
        wrong_answers([1.0], 1.2, 1.1, Curve(1.0, 0.1), None)
    with pytest.raises(DataError, match="above zero"):
        process_risk(1.0, 0.0, 0.9, None, Curve(0.9, 0.1), None)
    with pytest.raises(DataError, match="0 or more"):
        plug_curve(1.0, -0.1)
