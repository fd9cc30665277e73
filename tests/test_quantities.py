"""Lengths, limits, rounding and temperature."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction

import numpy as np
import pytest

from holeqc import quantities as q
from holeqc.problems import DataError


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("7/16", Fraction(7, 16), None),
        ("1 1/2", Fraction(3, 2), None),
        ("1-1/2 in", Fraction(3, 2), "in"),
        ('29/64"', Fraction(29, 64), "in"),
        (".4375", Fraction(7, 16), None),
        ("11,5 mm", Fraction(23, 2), "mm"),
        ("-0.25", Fraction(-1, 4), None),
        ("1e-3", Fraction(1, 1000), None),
    ],
)
def test_lengths_as_people_write_them(text: str, value: Fraction, unit: str | None) -> None:
    assert q.parse_length(text) == (value, unit)


@pytest.mark.parametrize("text", ["", "abc", "1/0", "1,000.5", "5 furlong", "1e400", "nan", "inf", "1 2 3"])
def test_what_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(DataError):
        q.parse_length(text)


def test_inch_is_exactly_25_4_mm() -> None:
    # International inch, exact by definition.
    assert q.convert(11.557, "mm", "in") == pytest.approx(0.455, abs=1e-16)
    assert q.convert(q.convert([0.455, 1.0], "in", "mm"), "mm", "in") == pytest.approx([0.455, 1.0], abs=1e-16)


def test_a_reading_typed_as_the_limit_is_inside_in_either_unit() -> None:
    # Common practice band for a pin hole, 0.396 to 0.403 in (common practice, no source): both limits accept,
    # one unit of the fourth decimal beyond either rejects.
    values = np.array([0.3959, 0.396, 0.403, 0.4031])
    expected = [False, True, True, False]
    assert q.within(values, 0.396, 0.403).tolist() == expected
    mm = np.array([10.05586, 10.0584, 10.2362, 10.23874])  # the same four, times 25.4 by hand
    assert q.within(q.convert(mm, "mm", "in"), 0.396, 0.403).tolist() == expected


def test_every_limit_of_four_decimals_survives_conversion() -> None:
    limits = np.arange(1, 20000) / 10000
    mm = np.array([float(Decimal(n) * Decimal("25.4") / 10000) for n in range(1, 20000)])
    back = q.convert(mm, "mm", "in")
    assert not q.below(back, limits).any()
    assert not q.above(back, limits).any()
    assert q.below(back - 1e-6, limits).all()


@pytest.mark.parametrize(
    ("text", "decimals", "printed"),
    [
        # rounding half to even, published lists: a test laboratory's rounding policy (2015), a college chemistry page,
        # US Army course MM4409
        ("3.967", 2, "3.97"), ("3.943", 2, "3.94"), ("3.965", 2, "3.96"), ("127.5", 0, "128"), ("126.5", 0, "126"),
        ("21.4501", 1, "21.5"), ("21.350", 1, "21.4"), ("56.748", 1, "56.7"), ("2.146", 2, "2.15"),
        ("60.25132", 1, "60.3"), ("6.35", 1, "6.4"), ("3.05", 1, "3.0"),
    ],
)  # fmt: skip
def test_rounding_half_to_even(text: str, decimals: int, printed: str) -> None:
    assert float(q.round_array(float(text), decimals)) == pytest.approx(float(printed), abs=1e-12)


def test_array_rounding_equals_decimal_arithmetic() -> None:
    # second route: the decimal module on the typed text
    rng = np.random.default_rng(29)
    texts = [f"{x:.5f}" for x in rng.uniform(0, 30, 3000)] + [f"{i / 2000:.4f}" for i in range(1, 2000)]
    for decimals in (2, 3, 4):
        want = [float(Decimal(t).quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)) for t in texts]
        got = q.round_array([float(t) for t in texts], decimals)
        assert np.abs(got - np.array(want)).max() < 1e-12


def test_size_at_20_degrees() -> None:
    # Expansion of aluminium 23.1e-6 and steel 11.5e-6 per degree (NIST, Swyt 1994): by hand, 10 in read with a steel
    # gauge at 30 C: 10 * (1 + 115e-6) / (1 + 231e-6) = 9.99884026...
    got = float(q.size_at_reference(10.0, 30.0, 23.1e-6, 11.5e-6))
    assert got == pytest.approx(9.9988402679, abs=1e-9)
    assert float(q.size_at_reference(10.0, 20.0, 23.1e-6, 11.5e-6)) == 10.0
    assert np.isnan(q.size_at_reference(10.0, np.nan, 23.1e-6))


def test_lengths_are_shown_with_no_hidden_digit() -> None:
    assert q.format_length(0.455, "in") == "0.4550"
    assert q.format_length(0.46205, "in") == "0.46205"
    assert q.format_length(8.02, "mm") == "8.020"
    assert q.format_length(float("nan"), "mm") == "-"
    assert q.format_length(-0.00000001, "in", 4) == "0.0000"
