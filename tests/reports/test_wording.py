"""Numbers and words as reports write them."""

from __future__ import annotations

import math
from decimal import Decimal

import made_up
import numpy as np
import pytest

from holeqc.readings.table import Source
from holeqc.reports import blocks as w
from holeqc.specification import model as m


@pytest.mark.parametrize(
    ("value", "limits", "shown"),
    [
        (0.0123456, (), "0.0123"),
        (0.06003, (0.06,), "0.06003"),  # 0.0600 would look inside
        (0.060001, (0.06,), "0.060001"),
        (0.0600001, (0.06,), "0.0600"),  # what is worked out counts as on a limit so near
        (0.06, (0.06,), "0.0600"),
        (0.05996, (0.06,), "0.05996"),
        (math.nan, (), "-"),
    ],
)
def test_rounding_never_hides_on_which_side_a_value_lies(value: float, limits: tuple[float, ...], shown: str) -> None:
    assert w.computed(value, "in", *limits) == shown


@pytest.mark.parametrize(
    ("value", "shown"), [(0.0006, "+0.0006"), (-0.00003, "−0.00003"), (0.0, "0"), (1e-12, "0"), (math.nan, "-")]
)
def test_deviations_carry_their_sign(value: float, shown: str) -> None:
    assert w.signed(value, "in") == shown


def test_probability_is_never_rounded_to_certainty() -> None:
    assert w.probability_text(1.0) == "> 99.99 %"
    assert w.probability_text(0.99985) == "99.98 %"
    assert w.probability_text(1e-9) == "< 0.01 %"
    assert w.probability_text(math.nan) == "-"


def test_uncertainty_has_two_digits_that_count() -> None:
    assert [w.fine(u) for u in (0.0003, 0.00124, 0.006, 0.25, 0.0, math.nan)] == [
        "0.0003",
        "0.0012",
        "0.006",
        "0.25",
        "0",
        "-",
    ]


def test_files_in_the_foot_in_full_in_brief_or_proved() -> None:
    sources = [Source(f"in/f{n}.xlsx", f"{n:064x}", 1) for n in range(20)]
    assert w.source_lines(sources[:3]) == [f"f{n}.xlsx  SHA-256 {n:064x}" for n in range(3)]
    brief = " ".join(w.source_lines(sources[:12]))
    assert all(f"f{n}.xlsx {n:064x}"[:24] in brief for n in range(12))
    assert "in full in the report under 'Files that were read'" in brief
    assert w.source_lines(sources)[1].endswith(w.list_digest(sources))


def test_rules_are_cited() -> None:
    simple = w.rule_sentence(made_up.kit())
    guarded = w.rule_sentence(made_up.kit(decision=m.DecisionRule("guarded", 0.83)))
    relaxed = w.rule_sentence(made_up.kit(decision=m.DecisionRule("relaxed", 1.0)))
    assert "JCGM 106" in simple
    assert "w = 0.83 U" in guarded
    assert "ISO 14253-1" in guarded
    assert "held, not rejected" in guarded
    assert "B89.7.3.1" in relaxed
    outright = m.DecisionRule("guarded", 1.0, reject_when_proven=False)
    assert "held, not rejected" not in w.rule_sentence(made_up.kit(decision=outright))


def test_lobing_caveat_only_where_two_point_readings_stand_alone() -> None:
    found = made_up.inspection()
    assert "every hole" in w.lobing_sentence(found)
    found.holes.loc[1:, "mating_from"] = "readings and GO"
    made_up.take_over(found)
    assert "1 hole." in w.lobing_sentence(found)
    found.holes["mating_from"] = "plug"
    made_up.take_over(found)
    assert w.lobing_sentence(found) == ""


def test_requirements_in_words() -> None:
    found = made_up.inspection()
    said = {
        row["characteristic"]: w.requirement(row, found.specification)
        for row in found.characteristics.to_dict("records")
        if row["hole"] == "1"
    }
    assert said == {
        "size": "0.4550 to 0.4620",
        "out-of-roundness": "at most 0.0030",
        "taper": "at most 0.0030",
        "position": "⌀ 0.0600 at MMC + 0.0018 bonus = 0.0618",
        "hole-to-hole position": "⌀ 0.0110 at MMC + 0.0018 bonus = 0.0128",
        "edge distance": "at least 0.9240",
        "surface": "clean, burr-free",
        "GO": "0.4550 enters",
        "NO-GO": "0.4620 does not enter",
    }


def test_long_names_are_shortened_in_their_middle() -> None:
    assert w.shorten("abcdefghij", 7) == "abc…hij"
    assert w.shorten("abc", 7) == "abc"


def test_what_is_left_is_the_difference_of_what_stands_beside_it() -> None:
    rng = np.random.default_rng(5)
    for total, actual in rng.uniform(0.0100, 0.0140, (300, 2)).tolist():
        shown = Decimal(w.computed(total, "in")) - Decimal(w.computed(actual, "in", total))
        left = float(w.left_text(total, actual, total - actual, "in").replace("−", "-"))
        assert (left > 0) == (total > actual)
        if abs(total - actual) > 1e-4:  # nearer, more digits tell on which side it lies
            assert left == pytest.approx(float(shown), abs=1e-9)
