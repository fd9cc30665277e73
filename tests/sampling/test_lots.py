"""Lots: master tables cell by cell as printed, curves by exact fractions and printed points, draws, switching."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest

from holeqc import sampling
from holeqc.problems import DataError
from holeqc.sampling import lots
from tests.sampling.test_first_parts import rows

LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
#: MIL-STD-105E, table I: last lot size of each range and its letters, two public prints
LETTERS = {
    8: "AAAAAAB", 15: "AAAAABC", 25: "AABBBCD", 50: "ABBCCDE", 90: "BBCCCEF", 150: "BBCDDFG", 280: "BCDEEGH",
    500: "BCDEFHJ", 1200: "CCEFGJK", 3200: "CDEGHKL", 10000: "CDFGJLM", 35000: "CDFHKMN", 150000: "DEGJLNP",
    500000: "DEGJMPQ", 10**7: "DEHKNQR",
}  # fmt: skip
#: ANSI/ASQ Z1.9-2008, table A-2, levels S-3, S-4, I, II, III: two public prints
VARIABLES = {
    8: "BBBBC", 15: "BBBBD", 25: "BBBCE", 50: "BBCDF", 90: "BBDEG", 150: "BCEFH", 280: "BDFGI", 400: "CEGHJ",
    500: "CEGIJ", 1200: "DFHJK", 3200: "EGIKL", 10000: "FHJLM", 35000: "GIKMN", 150000: "HJLNP", 500000: "HKMPP",
    10**7: "HKNPP",
}  # fmt: skip
SIZES = {
    "A": 2, "B": 3, "C": 5, "D": 8, "E": 13, "F": 20, "G": 32, "H": 50, "J": 80, "K": 125, "L": 200, "M": 315, "N": 500,
    "P": 800, "Q": 1250, "R": 2000,
}  # fmt: skip
#: a lot whose level II letter it is
LOT = {letters[5]: last for last, letters in LETTERS.items()} | {"R": 10**7}


def test_code_letters_at_both_ends_of_each_range() -> None:
    first = 2
    for last, letters in LETTERS.items():
        for lot, (level, letter) in itertools.product((first, last), zip(LEVELS, letters, strict=True)):
            assert sampling.attribute_plan(lot, 65, level).letter == letter, (lot, level)
        first = last + 1
    first = 2
    for last, letters in VARIABLES.items():
        for lot, (level, letter) in itertools.product((first, last), zip(LEVELS[2:], letters, strict=True)):
            assert lots.code_letter(lot, level, "variables_letters") == letter, (lot, level)
        first = last + 1


def test_master_tables_cell_by_cell() -> None:
    for r in rows("attribute_plans.csv"):
        plan = sampling.attribute_plan(LOT[r["letter"]], r["aql"], severity=r["severity"])
        want = (r["letter"], int(r["accept"]), min(SIZES[r["letter"]], plan.lot))
        assert (plan.plan_letter, plan.accept, plan.n) == want, r


@pytest.mark.parametrize(("lot", "aql", "severity", "plan"), [
    # arrows as printed in the contract guide: the plan of another letter, its sample and its number
    (100, 1.0, "normal", ("F", "E", 13, 0)), (200, 0.65, "normal", ("G", "F", 20, 0)),
    (40, 4.0, "normal", ("D", "E", 13, 1)), (2000, 15, "normal", ("K", "J", 80, 21)),
    (20000, 10, "normal", ("M", "K", 125, 21)), (5, 1.0, "normal", ("A", "E", 5, 0)),
    (200, 1.0, "tightened", ("G", "J", 80, 1)), (2000, 15, "tightened", ("K", "J", 80, 18)),
])  # fmt: skip
def test_arrows(lot: int, aql: float, severity: str, plan: tuple[str, str, int, int]) -> None:
    found = sampling.attribute_plan(lot, aql, severity=severity)
    assert (found.letter, found.plan_letter, found.n, found.accept) == plan
    assert found.full == (found.n == lot)


def test_the_tables_follow_their_diagonal_and_every_arrow_ends() -> None:
    # second route for cells that were not seen in print: one letter on and one AQL to the left is the same plan
    for severity in ("normal", "tightened"):
        table = lots._table(f"attribute_{severity}")
        letters, headings = list(table), [h for h in table["A"] if h[0].isdigit()]
        for (a, b), (left, right) in itertools.product(itertools.pairwise(letters), itertools.pairwise(headings)):
            cells = {table[a][right].lstrip("~"), table[b][left].lstrip("~")}
            numbers = {c for c in cells if c.isdigit()}
            assert len(numbers) < 2, (severity, a, right)
        for letter, heading in itertools.product(letters, headings):
            if table[letter][heading] != "?":
                assert lots._followed(f"attribute_{severity}", letter, heading)[1].isdigit()


@pytest.mark.parametrize(("call", "words"), [
    (lambda: sampling.attribute_plan(1000, 0.9), r"AQL 0.9 is not listed \(nearest: 0.65 and 1.0\); listed are 0.010"),
    (lambda: sampling.attribute_plan(1000, "one"), "AQL one is not listed; listed are"),
    (lambda: sampling.attribute_plan(1, 1.0), "a lot of 1: the tables begin with 2"),
    (lambda: sampling.attribute_plan(500.5, 1.0), "lot size 500.5: give the parts in the lot as a whole number"),  # type: ignore[arg-type]
    (lambda: sampling.attribute_plan("500", 1.0), "lot size '500': give the parts in the lot as a whole number"),  # type: ignore[arg-type]
    (lambda: sampling.attribute_plan(-5, 1.0), "lot size -5: give 2 parts or more"),
    (lambda: sampling.parts_needed("0.95", 0.9), "share '0.95': give a fraction"),  # type: ignore[arg-type]
    (lambda: sampling.parts_needed(None, 0.9), "share None: give a fraction"),  # type: ignore[arg-type]
    (lambda: sampling.attribute_plan(100, 1.0, "IV"), "levels are S-1, S-2"),
    (lambda: sampling.attribute_plan(100, 1.0, "II", "reduced"), "not seen in print, so none is given"),
    (lambda: sampling.attribute_plan(100, 1.0, "II", "loose"), "give normal or tightened"),
    (lambda: sampling.attribute_plan(10**7, 0.025, "II", "tightened"), "was not seen in print, so no plan"),
    (lambda: sampling.acceptability_constant("A", 1.0), "letters are B, C"),
    (lambda: sampling.acceptability_constant("F", 15), "nearest: 10"),
    (lambda: sampling.acceptability_constant("F", 1.0, "reduced"), "nothing was seen"),
    (lambda: sampling.zero_acceptance_plan(10, 11, 0.9), "11 bad parts"),
    (lambda: sampling.zero_acceptance_plan(10, 0, 0.9), "0 bad parts"),
    (lambda: sampling.zero_acceptance_plan(10, 1.5, 0.9), "1.5 bad parts"),  # type: ignore[arg-type]
    (lambda: sampling.zero_acceptance_plan(0, 0, 0.9), "a lot of 0"),
    (lambda: sampling.zero_acceptance_plan(9.5, 1, 0.9), "a lot of 9.5"),  # type: ignore[arg-type]
    (lambda: sampling.attribute_plan(0, 1.0), "lot size 0: give 2"),
    (lambda: lots.drawn(["a", "b"], 3, "seed"), "a draw of 3 needs"),
    (lambda: lots.drawn(["a", "b"], 0, "seed"), "a draw of 0 needs"),
    (lambda: lots.drawn(["a", "a"], 1, "seed"), "found 1"),
])  # fmt: skip
def test_what_no_table_has_is_refused(call: object, words: str) -> None:
    with pytest.raises(DataError, match=words):
        call()  # type: ignore[operator]


def test_acceptability_constants_as_printed() -> None:
    for r in rows("acceptability_constants.csv"):
        k = sampling.acceptability_constant(r["letter"], r["aql"], r["severity"])
        assert (float(k), k.letter, k.printed) == (float(r["k"]), r["letter"], True), r


def test_constants_that_were_not_seen_lie_where_their_row_does() -> None:
    # second route: their producer's risk by the noncentral t is that of the row's printed cells
    from holeqc.statistics.basics import noncentral_t_quantile

    for letter, row in lots._table("variables_k").items():
        n = int(row["n"])
        cells = [(float(a), c) for a, c in row.items() if a[0].isdigit() and c != "v"]
        risk = {a: float(1 - lots.variables_accept_chance(n, float(c.lstrip("~")), a / 100)) for a, c in cells}
        printed = float(np.mean([risk[a] for a, c in cells if c[0] != "~"]))
        for a, c in cells:
            from scipy.special import ndtri

            back = noncentral_t_quantile(printed, n - 1, math.sqrt(n) * float(-ndtri(a / 100))) / math.sqrt(n)
            assert float(c.lstrip("~")) == pytest.approx(back, abs=0.025 if letter == "J" else 0.015), (letter, a)


def test_a_constant_behind_an_arrow_names_its_letter() -> None:
    k = sampling.acceptability_constant("B", 1.0)
    assert (float(k), k.letter, k.n) == (1.45, "C", 4)
    plan = sampling.variables_plan(200, 0.10)
    assert (plan.letter, plan.plan_letter, plan.n, plan.k) == ("G", "G", 15, 2.42)


def test_a_sample_is_judged_by_k_or_by_what_it_estimates_outside() -> None:
    plan = sampling.variables_plan(60, 2.5)  # E, n = 7, k = 1.33
    assert (plan.n, plan.k) == (7, 1.33)
    x = np.array([-3.0, -2, -1, 0, 1, 2, 3]) * 0.46291  # s = 1
    for distance, accepted in ((1.331, True), (1.329, False)):
        assert lots.judge_sample(plan, 10 + x, lower=10 - distance).accepted is accepted
    # k and M are one for a single limit (Lieberman and Resnikoff): both sides just at k are too much together
    # k is rounded: whatever k the table was rounded from, M isn't larger than what belongs to it
    assert float(lots.outside_estimate(1.335, 7)) == pytest.approx(plan.most)
    assert plan.most < float(lots.outside_estimate(1.33, 7))
    assert not lots.judge_sample(plan, 10 + x, 10 - 1.331, 10 + 9).accepted  # 1.33 may have been 1.334
    assert not lots.judge_sample(plan, 10 + x, 10 - 1.4, 10 + 1.4).accepted
    assert lots.judge_sample(plan, 10 + x, 10 - 1.4, 10 + 4).accepted
    with pytest.raises(DataError, match="takes 7 readings"):
        lots.judge_sample(plan, x[:6], lower=0.0)
    with pytest.raises(DataError, match="whole lot of 3"):
        lots.judge_sample(sampling.variables_plan(3, 2.5), x[:3], lower=0.0)


def choose(n: int, k: int) -> int:
    return math.comb(n, k) if 0 <= k <= n else 0


def test_curves_by_exact_fractions() -> None:
    for lot, n, accept in ((10, 4, 0), (25, 5, 1), (60, 13, 2), (8, 8, 0), (12, 3, 3)):
        bad = np.arange(lot + 1)
        want = [
            Fraction(sum(choose(d, i) * choose(lot - d, n - i) for i in range(accept + 1)), math.comb(lot, n))
            for d in bad.tolist()
        ]
        assert lots.accept_chance_of_lot(lot, n, accept, bad) == pytest.approx([float(w) for w in want], abs=1e-12)
    for n, accept, p in ((80, 2, "0.01"), (13, 0, "0.1"), (200, 5, "0.03")):
        share = Fraction(p)
        exact = sum(math.comb(n, i) * share**i * (1 - share) ** (n - i) for i in range(accept + 1))
        assert float(lots.accept_chance(n, accept, float(p))) == pytest.approx(float(exact), rel=1e-12)


def test_published_points_of_curves() -> None:
    # lot 10, sample 4, accept 0: worked exercise on a public page, 0.6 and 0.333 with 1 and 2 bad parts
    assert lots.accept_chance_of_lot(10, 4, 0, [1, 2]) == pytest.approx([0.6, 1 / 3], abs=1e-9)
    # n = 500, accept 3: 7 CFR 42.140 (c), (d): 26 % at 1.0 and about 99 % at 0.10 per hundred
    assert lots.accept_chance(500, 3, [0.01, 0.001]) == pytest.approx([0.26, 0.99], abs=0.01)
    # n = 80, accept 1, AQL 0.65 %: producer's risk .09 (Birolini, Reliability Engineering, 5th ed., 7.1; off a curve)
    assert 1 - float(lots.accept_chance(80, 1, 0.0065)) == pytest.approx(0.09, abs=0.007)


def test_outgoing_quality_by_simulated_lots() -> None:
    plan = sampling.attribute_plan(200, 2.5)  # G, 32, accept 2
    found = lots.curve(plan)
    share, rng = 0.05, np.random.default_rng(4)
    bad = rng.binomial(200, share, 20_000)
    seen = rng.hypergeometric(bad, 200 - bad, plan.n)
    left = np.where(seen <= plan.accept, bad - seen, 0) / 200
    assert np.interp(share, found.share, found.outgoing) == pytest.approx(left.mean(), abs=4 * left.std() / 140)
    assert found.worst >= found.outgoing.max() - 1e-12
    assert float(lots.chance(plan, found.producer)) == pytest.approx(0.95, abs=1e-6)
    assert float(lots.chance(plan, found.consumer)) == pytest.approx(0.10, abs=1e-6)


def test_zero_acceptance_is_the_smallest_sample() -> None:
    for lot, bad, confidence in itertools.product((10, 25, 100), (1, 2, 5), ("0.9", "0.95")):
        n = sampling.zero_acceptance_plan(lot, bad, float(confidence)).n
        allowed = 1 - Fraction(confidence)
        assert Fraction(choose(lot - bad, n), math.comb(lot, n)) <= allowed
        assert Fraction(choose(lot - bad, n - 1), math.comb(lot, n - 1)) > allowed
    assert sampling.zero_acceptance_plan(1, 1, 0.9).n == 1  # the smallest lot, and one that is bad as a whole
    assert sampling.zero_acceptance_plan(7, 7, 0.9).n == 1


def test_variables_curve_by_simulated_samples() -> None:
    rng = np.random.default_rng(8)
    x = rng.normal(size=(40_000, 10))
    from scipy.special import ndtri

    upper = float(-ndtri(0.04))
    accepted = (upper - x.mean(axis=1)) / x.std(axis=1, ddof=1) >= 1.41
    assert float(lots.variables_accept_chance(10, 1.41, 0.04)) == pytest.approx(accepted.mean(), abs=0.01)


@pytest.mark.parametrize(("before", "severity", "stop"), [
    ("", "normal", False), ("ar", "normal", False), ("rr", "tightened", False), ("raaaar", "normal", False),
    ("araaar", "tightened", False), ("araar", "tightened", False), ("rraaaa", "tightened", False),
    ("rraaaaa", "normal", False), ("rraaaaar", "normal", False), ("rrarararar", "tightened", False),
    ("rrararararar", "tightened", True), ("rrrrrrr", "tightened", True), ("rrrrrr", "tightened", False),
])  # fmt: skip
def test_switching_as_the_standard_prints_it(before: str, severity: str, stop: bool) -> None:
    # MIL-STD-105E 4.7, 4.8: 2 of 2 to 5 consecutive lots; 5 in a row; 5 in all on tightened inspection
    found = lots.switching([c == "a" for c in before])
    assert (found.severity, found.stop) == (severity, stop)


def test_a_draw_follows_from_its_seed_and_is_even() -> None:
    names = [f"S-{n:03d}" for n in range(20)]
    assert lots.drawn(names, 5, "seed 1") == lots.drawn(names, 5, "seed 1")
    assert set(lots.drawn(names[::-1], 5, "seed 1")) == set(lots.drawn(names, 5, "seed 1"))
    counts = np.zeros(20)
    for seed in range(2000):
        counts[[int(name[2:]) for name in lots.drawn(names, 5, str(seed))]] += 1
    assert np.all(abs(counts - 500) < 5 * math.sqrt(2000 * 0.25 * 0.75))
    with pytest.raises(DataError, match="different names"):
        lots.drawn(["a", "a"], 1, "")
