"""Limits that a class text stands for in a drawing's unit, and a fit in one sentence."""

from __future__ import annotations

import pytest

from holeqc.fits import describe_fit, limits_for_class
from holeqc.fits.classes import WORDS, is_inch_class, match_pair, parse_inch_class, parse_size, shop_word, warning
from holeqc.problems import DataError, TableError


def test_limits_in_the_unit_asked_for() -> None:
    # ISO 286 H11 over 10 to 18 mm: +110 / 0 um, h9: 0 / -43 um (printed); 12 mm / 25.4 by decimal arithmetic
    hole = limits_for_class("H11", 12.0, "mm")
    assert (hole.lower, hole.upper, hole.side, hole.name) == (12.0, 12.11, "hole", "H11")
    pin = limits_for_class("h9", 12.0, "mm")
    assert (pin.lower, pin.upper, pin.side) == (11.957, 12.0, "shaft")
    inch = limits_for_class("H11", 12.0 / 25.4, "in")
    assert inch.lower == pytest.approx(0.4724409449, abs=1e-10)
    assert inch.upper == pytest.approx(0.4767716535, abs=1e-10)


def test_inch_class_on_a_metric_drawing() -> None:
    # RC7 over 0.40 to 0.71 in: hole +1.6, shaft -3.0 / -2.0 thousandths (printed); 0.5 in = 12.7 mm
    assert (limits_for_class("RC7", 12.7, "mm").lower, limits_for_class("RC7", 12.7, "mm").upper) == (12.7, 12.74064)
    shaft = limits_for_class("RC7", 12.7, "mm", side="shaft")
    assert (shaft.lower, shaft.upper) == (12.6238, 12.6492)
    assert (shaft.confirmation, shaft.warning) == ("two sources", "")


def test_a_side_that_the_class_lacks_is_refused() -> None:
    assert limits_for_class("H7/g6", 12.0, "mm", side="shaft").upper == 11.994
    with pytest.raises(DataError, match="for a hole, not for a shaft"):
        limits_for_class("H11", 12.0, "mm", side="shaft")
    with pytest.raises(DataError, match="capitals are holes"):
        limits_for_class("h9", 12.0, "mm", side="hole")
    with pytest.raises(TableError):
        limits_for_class("H11", 5000.0, "mm")
    with pytest.raises(TableError):
        limits_for_class("FN3", 12.7, "mm")


def test_unconfirmed_limits_carry_their_warning() -> None:
    found = limits_for_class("LC2", 1.0, "in")
    assert found.confirmation == "derived"
    assert "derived" in found.warning


@pytest.mark.parametrize(
    ("text", "unit", "size"),
    [
        ("7/16", "in", 0.4375), ("1 1/2", "in", 1.5), ("1-1/2", "in", 1.5), ("11.1125 mm", "in", 0.4375),
        ("0.5 in", "mm", 12.7), ('1/2"', "mm", 12.7), ("11,5", "mm", 11.5), (".4375", "in", 0.4375),
    ],
)  # fmt: skip
def test_sizes_as_people_type_them(text: str, unit: str, size: float) -> None:
    assert parse_size(text, "in" if unit == "in" else "mm") == size


def test_inch_class_names() -> None:
    assert parse_inch_class(" rc 4 ") == parse_inch_class("RC-4") == parse_inch_class("RC04") == "RC4"
    assert is_inch_class("fn1")
    assert not is_inch_class("H7")
    with pytest.raises(TableError):
        parse_inch_class("R4")


def test_a_fit_in_one_sentence() -> None:
    # by hand from the bands
    assert describe_fit(0.455, 0.462, 0.4345, 0.436, "in") == "clearance fit, 0.0190 to 0.0275 in loose"
    assert describe_fit(0.457, 0.457, 0.436, 0.436, "in") == "clearance fit, 0.0210 in loose"
    assert describe_fit(10.0, 10.015, 10.009, 10.015, "mm") == "transition fit, from 0.015 mm tight to 0.006 mm loose"
    assert describe_fit(0.5, 0.5004, 0.5009, 0.5013, "in") == "interference fit, 0.0005 to 0.0013 in tight"
    with pytest.raises(DataError):
        describe_fit(0.46, 0.45, 0.43, 0.44, "in")


def test_a_pair_finds_its_class() -> None:
    # bands written from printed rows: RC4, FN2, RC2 at 1 in, H7/g6 and H7/p6 at 20 mm
    for hole, pin, unit, name, word in (
        ((1.0, 1.0012), (0.9984, 0.9992), "in", "RC4", "running"),
        ((1.0, 1.0008), (1.0014, 1.0019), "in", "FN2", "force"),
        ((1.0, 1.0005), (0.9993, 0.9997), "in", "RC2", "sliding"),
        ((20.0, 20.021), (19.98, 19.993), "mm", "H7/g6", "sliding"),
        ((20.0, 20.021), (20.022, 20.035), "mm", "H7/p6", "locational"),
        ((19.965, 19.986), (19.987, 20.0), "mm", "P7/h6", "locational"),
    ):
        fit = match_pair(hole, pin, "in" if unit == "in" else "mm")
        best = fit.nearest[0]
        assert best.name == name
        assert best.matches
        assert best.difference == 0.0
        assert best.nominal == round(best.nominal)
        assert fit.shop_word == word
        assert name in fit.sentence


def test_hole_and_shaft_basis_of_one_fit_both_match_and_say_their_nominal() -> None:
    fit = match_pair((20.0, 20.021), (19.98, 19.993), "mm")
    # G7/h6 has the same clearances (ISO 286); its shaft ends at the nominal size
    both = {match.name: match.nominal for match in fit.nearest if match.matches}
    assert both["H7/g6"] == 20.0
    assert both["G7/h6"] == 19.993


def test_a_pair_without_a_class_is_told_the_nearest() -> None:
    fit = match_pair((0.455, 0.462), (0.4345, 0.436), "in")
    assert not any(match.matches for match in fit.nearest)
    assert "Looser than every published class" in fit.sentence
    assert fit.shop_word == "running"
    assert (fit.clearance_min, fit.clearance_max, fit.kind) == (0.019, 0.0275, "clearance")
    tight = match_pair((0.5, 0.501), (0.51, 0.511), "in")
    assert "Tighter than every published class" in tight.sentence
    assert tight.shop_word == "force"
    far = match_pair((200.0, 200.1), (199.0, 199.1), "in")  # beyond the tables of both systems
    assert far.nearest == ()


def test_how_the_tolerance_is_shared_counts_too() -> None:
    # RC4 at 1 in gives hole 1.2 and pin 0.8 thousandths (printed); the same clearances with 0.8 and 1.2 are no RC4
    swapped = match_pair((1.0, 1.0008), (0.998, 0.9992), "in")
    rc4 = next(match for match in swapped.nearest if match.name == "RC4")
    assert rc4.difference == pytest.approx(0.0004, abs=1e-9)
    assert not rc4.matches
    hole_only = match_pair((1.0, 1.0012), (0.9984 - 0.0007, 0.9992), "in").nearest
    assert next(m for m in hole_only if m.name == "RC4").difference == pytest.approx(0.0007, abs=1e-9)


def test_words_of_confirmation_go_from_the_best_to_none() -> None:
    # order of evidence, our own words: arithmetic, two printings, one, the rule, printings that differ, memory
    order = ["exact", "two sources", "one source", "derived", "disputed", "memory"]
    for k, word in enumerate(order):
        assert WORDS[k] == word
        assert bool(warning(word, "H7")) == (k > 2)


def test_differences_are_in_the_unit_asked_in() -> None:
    inch = match_pair((0.5, 0.501), (0.498, 0.499), "in")
    metric = match_pair((12.7, 12.7254), (12.6492, 12.6746), "mm")  # the same pair, times 25.4
    by_name = {match.name: match.difference for match in metric.nearest}
    shared = [match for match in inch.nearest if match.name in by_name]
    assert shared
    for match in shared:
        assert by_name[match.name] == pytest.approx(match.difference * 25.4, abs=1e-7)


def test_shop_words() -> None:
    assert [shop_word(m) for m in ("close running", "close sliding", "locational transition", "light drive")] == [
        "running", "sliding", "locational", "force",
    ]  # fmt: skip


def test_a_class_that_leaves_no_part_is_refused() -> None:
    # RC5 to 0.12 in as printed: shaft -0.6 / -1.0 thousandths, so a nominal 0.001 leaves 0
    with pytest.raises(DataError, match="smallest shaft would be 0 in, no part at all"):
        limits_for_class("RC5", 0.001, "in", "shaft")
    assert limits_for_class("RC5", 0.0011, "in", "shaft").lower == 0.0001
