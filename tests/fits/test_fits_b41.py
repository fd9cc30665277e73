"""ANSI B4.1: every printed row through the public function, edges of ranges, what has no entry."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from fits_data import rows, sizes_in

from holeqc.fits import classes
from holeqc.fits.classes import parse_size
from holeqc.problems import DataError, TableError

PRINTED = rows("b41_fits_printed")
EDGES = (0.12, 0.24, 0.4, 0.71, 1.19, 1.97, 3.15, 4.73, 7.09, 9.85, 12.41, 15.75, 19.69)  # as printed, ANSI B4.1


def test_there_are_all_34_classes() -> None:
    # ANSI B4.1-1967: RC1-9, LC1-11, LT1-6, LN1-3, FN1-5
    counts = {"RC": 9, "LC": 11, "LT": 6, "LN": 3, "FN": 5}
    assert classes.classes() == tuple(f"{family}{k}" for family, n in counts.items() for k in range(1, n + 1))


def test_every_printed_row() -> None:
    # 354 rows of ANSI B4.1 that one or two printed tables confirm, sources in the data file; exact to the last digit
    assert len(PRINTED) == 354
    for row in PRINTED:
        limits = classes.limits(row["class"], sizes_in(row["over"], row["to"]))
        where = f"{row['class']} over {row['over']} to {row['to']}"
        assert limits.hole is not None
        assert limits.shaft is not None
        for got, printed in (
            (limits.hole.lower_deviation, row["hole_lower"]),
            (limits.hole.upper_deviation, row["hole_upper"]),
            (limits.shaft.lower_deviation, row["shaft_lower"]),
            (limits.shaft.upper_deviation, row["shaft_upper"]),
        ):
            assert got.tolist() == [float(Fraction(printed) / 1000)] * 3, where
        if row["clearance_min"]:
            assert limits.clearance_min is not None
            assert limits.clearance_max is not None
            assert limits.clearance_min.tolist() == [float(Fraction(row["clearance_min"]) / 1000)] * 3, where
            assert limits.clearance_max.tolist() == [float(Fraction(row["clearance_max"]) / 1000)] * 3, where
        assert limits.confirmation == row["confirmation"], where
        assert limits.warning == "", where


def test_grade_5_of_the_smallest_range_is_that_of_the_fit_tables() -> None:
    # Fit tables print a hole of 0.2 for RC1 (grade 5) up to 0.12 in; the grade table prints 0.15, another printing 0.2
    limits = classes.limits("RC1", 0.1)
    assert limits.hole is not None
    assert float(limits.hole.upper_deviation) == 0.0002


@pytest.mark.parametrize(
    ("cls", "size", "hole_max", "shaft_min", "shaft_max"),
    [
        # By hand from the printed rows RC4 0.71-1.19 (hole +1.2, shaft -1.6/-0.8) and 1.19-1.97 (+1.6, -2.0/-1.0)
        ("RC4", "1.19", 1.1912, 1.1884, 1.1892),
        ("RC4", "1.1901", 1.1917, 1.1881, 1.1891),
        ("RC4", "1 3/16", 1.1887, 1.1859, 1.1867),
        ("RC4", "1 1/2", 1.5016, 1.498, 1.499),
        # RC7 0.40-0.71: hole +1.6, shaft -3.0/-2.0; 7/16 in = 0.4375 in = 11.1125 mm
        ("RC7", "7/16", 0.4391, 0.4345, 0.4355),
        ("RC7", "11.1125 mm", 0.4391, 0.4345, 0.4355),
        # 30.226 mm is 1.19 in exactly: on the edge, so still in the range that 1.19 closes
        ("RC4", "30.226 mm", 1.1912, 1.1884, 1.1892),
    ],
)
def test_range_edges_for_typed_sizes(cls: str, size: str, hole_max: float, shaft_min: float, shaft_max: float) -> None:
    limits = classes.limits(cls, parse_size(size, "in"))
    assert limits.hole is not None
    assert limits.shaft is not None
    assert (float(limits.hole.max), float(limits.shaft.min), float(limits.shaft.max)) == (
        hole_max, shaft_min, shaft_max,
    )  # fmt: skip


def test_an_edge_belongs_to_the_range_it_closes() -> None:
    # 'over, to' of the standard: RC4 hole tolerances by range, printed
    tolerance = [0.6, 0.7, 0.9, 1.0, 1.2, 1.6, 1.8, 2.2, 2.5, 2.8]
    on = classes.limits("RC4", EDGES[:10])
    past = classes.limits("RC4", np.array(EDGES[:9]) + 1e-6)
    assert on.hole is not None
    assert past.hole is not None
    assert np.round(on.hole.upper_deviation * 1000, 6).tolist() == tolerance
    assert np.round(past.hole.upper_deviation * 1000, 6).tolist() == tolerance[1:]


def test_converted_edges_stay_on_the_edge() -> None:
    # each edge typed in mm (25.4 times, by decimal arithmetic) must answer as the edge typed in inch
    for edge in EDGES:
        mm = Fraction(str(edge)) * Fraction("25.4")
        there = classes.limits("RC4", parse_size(f"{float(mm):.10g} mm", "in"))
        here = classes.limits("RC4", edge)
        assert there.hole is not None
        assert here.hole is not None
        assert float(there.hole.upper_deviation) == float(here.hole.upper_deviation), edge


def test_sizes_are_the_numbers_that_people_write() -> None:
    # 0.5 - 0.0006 in binary is 0.49939999999999996; the answer must be 0.4994 (RC4 0.40-0.71: shaft -1.3/-0.6, printed)
    limits = classes.limits("RC4", 0.5)
    assert limits.shaft is not None
    assert repr(float(limits.shaft.max)) == "0.4994"
    assert repr(float(limits.shaft.min)) == "0.4987"


def test_what_has_no_entry_says_what_has() -> None:
    with pytest.raises(TableError, match=r"over 0\.95 to 19\.69 in.*FN1, FN2, FN4, FN5") as caught:
        classes.limits("FN3", 0.5)
    assert "FN3 has no entry for 0.5 in" in str(caught.value)
    with pytest.raises(TableError, match=r"over 0\.24 to 19\.69 in"):
        classes.limits("LT3", 0.24)
    assert float(classes.limits("FN3", 0.9501).nominal) == 0.9501
    with pytest.raises(TableError, match=r"over 0 to 19\.69 in"):
        classes.limits("RC1", 19.7)
    with pytest.raises(TableError, match="RC1 to RC9, LC1 to LC11"):
        classes.limits("H7", 1.0)
    with pytest.raises(TableError, match="no class 'RC10'"):
        classes.limits("RC10", 1.0)


@pytest.mark.parametrize("size", [0.0, -1.0, float("nan"), float("inf")])
def test_a_size_must_be_a_positive_number(size: float) -> None:
    with pytest.raises(DataError):
        classes.limits("RC1", [1.0, size])


def test_unconfirmed_rows_warn() -> None:
    # LC1-LC5 were found in no print; LC10 above 1.19 in is from memory; RC2 above 9.85 in two printings disagree
    for cls, size, word in (("LC2", 1.0, "derived"), ("LC10", 2.0, "memory"), ("RC2", 10.0, "disputed")):
        limits = classes.limits(cls, size)
        assert limits.confirmation == word
        assert "Check it against the standard" in limits.warning
    assert "TX prints hole +1.2 shaft -0.7 to -1.6" in classes.limits("RC2", 10.0).notes[0]
    many = classes.limits("RC2", [1.0, 10.0])
    assert [classes.WORDS[rank] for rank in many.rank] == ["two sources", "disputed"]
    assert many.confirmation == "disputed"


def test_arrays_of_any_shape_equal_single_look_ups() -> None:
    sizes = np.random.default_rng(41).uniform(0.01, 19.69, (20, 15))
    whole = classes.limits("RC5", sizes)
    assert whole.shaft is not None
    for index in np.ndindex(sizes.shape):
        one = classes.limits("RC5", sizes[index])
        assert one.shaft is not None
        assert whole.shaft.min[index] == float(one.shaft.min)
        assert whole.rank[index] == int(one.rank)


def test_table_states_what_it_is() -> None:
    from holeqc.fits.classes import load_table

    header = " ".join(load_table("b41_fits").header)
    assert "ANSI B4.1-1967" in header
    assert "0.001 in" in header
    assert "Confirmation" in header
