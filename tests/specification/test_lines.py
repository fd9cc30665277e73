"""Lines that can't be read are told with key, line and what to write, all at once; sizes as drawings print them."""

from __future__ import annotations

import tomllib
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from holeqc.problems import Problem, SpecificationError
from holeqc.specification.content import line_numbers
from holeqc.specification.keys import decimal_text, read_size, size_keys
from holeqc.specification.load import parse_specification

BL7 = (Path(__file__).parents[2] / "tolerances" / "bl7.toml").read_text(encoding="utf-8")
LIMITS = "lower = 0.455\nupper = 0.462"


def refused(old: str, new: str, text: str = BL7) -> list[Problem]:
    assert old in text
    with pytest.raises(SpecificationError) as caught:
        parse_specification(text.replace(old, new, 1), "k.toml")
    return list(caught.value.problems)


# what is typed in place of what, the key it is told with, and what to write instead
TYPED = [
    (LIMITS, "lower = .455\nupper = 0.462", "size.lower", "Write lower = 0.455"),
    (LIMITS, "lower = 455.\nupper = 0.462", "size.lower", "Write lower = 455.0"),
    (LIMITS, "lower = 29/64\nupper = 0.462", "size.lower", 'Write lower = "29/64"'),
    (LIMITS, "lower = 0,455\nupper = 0.462", "size.lower", "Write lower = 0.455"),
    (LIMITS, "lower = 0.455 in\nupper = 0.462", "size.lower", "Write lower = 0.455"),
    (LIMITS, 'lower = 0.455"\nupper = 0.462', "size.lower", "Write lower = 0.455"),
    (LIMITS, "lower = 11.557mm\nupper = 0.462", "size.lower", 'Write lower = "11.557 mm"'),
    (LIMITS, "lower = ⌀.455\nupper = 0.462", "size.lower", "Write lower = 0.455"),
    (LIMITS, "lower\t0.455\nupper = 0.462", "size.lower", "Write lower = 0.455"),
    (LIMITS, "lower: .455\nupper = 0.462", "size.lower", "Write lower = 0.455"),
    (LIMITS, "lower = 0.455,\nupper = 0.462", "size.lower", "Write lower = 0.455"),
    (LIMITS, "lower =\xa00.455\nupper = 0.462", "size.lower", "Write lower = 0.455"),
    (LIMITS, "lower limit = .455\nupper = 0.462", "size.lower limit", "Write lower = 0.455"),
    (LIMITS, "nominal = 29/64 +.009 -.000", "size.nominal",
     'Write in lines of their own: nominal = "29/64"; plus = 0.009; minus = 0.0'),
    (LIMITS, 'nominal = "29/64 +.009 -.000"', "size.nominal",
     'Write in lines of their own: nominal = "29/64"; plus = 0.009; minus = 0.0'),
    (LIMITS, "nominal = .458 ±.004", "size.nominal",
     "Write in lines of their own: nominal = 0.458; plus = 0.004; minus = 0.004"),
    (LIMITS, "lower = .455-.462", "size.lower", "Write in lines of their own: lower = 0.455; upper = 0.462"),
    (LIMITS, "lower = .453 +.009/+.002", "size.lower", "Write in lines of their own: lower = 0.455; upper = 0.462"),
    ("[size]\n" + LIMITS, "size = .455 +.007 -.000", "walls.size",
     "Write in lines of their own: [size]; nominal = 0.455; plus = 0.007; minus = 0.0"),
    (LIMITS, "29/64 +.009 -.000", "size", 'Write in lines of their own: nominal = "29/64"; plus = 0.009; minus = 0.0'),
    ('bushing = "B1"', "size = .455 +.006 -0", "hole[1].size",
     "Write size = { nominal = 0.455, plus = 0.006, minus = 0.0 }"),
    ('bushing = "B1"', "size = { upper = .460 }", "hole[1].size", "Write size = { upper = 0.460 }"),
    ('bushing = "B1"', "bushing = B1", "hole[1].bushing", 'Write bushing = "B1"'),
    ('revision = "C"', 'revision = "C', "kit.revision", 'Write revision = "C"'),
    ('revision = "C"', "revision = “C”", "kit.revision", 'Write revision = "C"'),
    ('revision = "C"', "revision = C", "kit.revision", 'Write revision = "C"'),
    ("own_edges = true", "own_edges = Yes", "part[2].own_edges", "Write own_edges = true"),
    ("directions = [0, 90]", "directions = [0 90]", "plan.directions", "Write directions = [0, 90]"),
    ("directions = [0, 90]", "directions = [0, 90", "plan.directions", "Write directions = [0, 90]"),
    ("directions = [0, 90]", "directions = [0; 90]", "plan.directions", "Write directions = [0, 90]"),
    ('drill = "29/64"', "drill = 29/64", "tools.drill", 'Write drill = "29/64"'),
    ("2027-03-31", "31.3.2027", "gauge[1].calibration_due", "Write for example calibration_due = 2027-03-31"),
    ("[size]", "[size", "size", "Write [size]"),
    ("[size]", "size:", "size", "Write [size]"),
    ("[size]", "[sise)", "size", "Write [size]"),
    ("[[hole]]", "[[ho'e]]", "hole", "Write [[hole]]"),
    ('bushing = "B1"', 'bushing = 5"', "hole[1].bushing", 'Write bushing = "5"'),
    ("[[hole]]", "[[hole]", "hole", "Write [[hole]]"),
    ("[size]", "// the size\n[size]", "walls", "Write # the size"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "where", "action"), TYPED)
def test_what_a_drawing_prints_is_answered_with_what_to_write(old: str, new: str, where: str, action: str) -> None:
    problems = refused(old, new)
    assert [p.action for p in problems if p.where == where] == [action]
    problem = next(p for p in problems if p.where == where)
    typed = BL7.replace(old, new, 1).splitlines()[problem.line - 1]
    assert any(word in typed for word in new.splitlines())
    assert problem.sentence().startswith(f"k.toml, line {problem.line}, {where}: ")
    written = action.removeprefix("Write ").removeprefix("for example ").removeprefix("in lines of their own: ")
    for line in written.split("; "):  # what is answered can be read
        tomllib.loads(line)


def test_all_lines_come_at_once_with_what_else_is_wrong() -> None:
    text = BL7.replace("lower = 0.455\nupper = 0.462", "lower = .455\nupper = 4.62").replace('"29/64"', "29/64", 1)
    problems = refused('unit = "in"', "unit = in", text)
    assert [(p.where, p.line) for p in problems] == [
        ("kit.unit", 8), ("size.lower", 33), ("size.upper", 34), ("tools.drill", 157),
    ]  # fmt: skip
    assert problems[2].message.startswith("limits far apart: 0.455 to 4.620 in")


def test_several_holes_in_single_brackets_are_one_fault() -> None:
    text = BL7.replace("[[hole]]", "[hole]")
    with pytest.raises(SpecificationError) as caught:
        parse_specification(text)
    (problem,) = caught.value.problems
    assert problem.found == "[hole] in lines 63, 69, 75, 81, 87, 93, 99, 105"
    assert problem.action == "Write [[hole]]"


def test_lines_are_those_of_the_keys() -> None:
    numbers = line_numbers(BL7)
    lines = BL7.splitlines()
    for path, start in (("size.lower", "lower = 0.455"), ("hole[3].x", "x = 7.500"), ("pin.upper", "upper = 0.4360"),
                        ("gauge[2].uncertainty", "uncertainty = 0.0006"), ("part[2]", "[[part]]")):  # fmt: skip
        assert lines[numbers[path] - 1].startswith(start)


def test_text_cut_or_changed_anywhere_is_answered_in_our_words() -> None:
    """A character taken out, put in or exchanged at random places: every refusal names a line and says what to do."""
    rng = np.random.default_rng(4)
    odd = list("=[]{}\"',.;:#/-+ \t\n0x\\")
    refusals = 0
    for _ in range(400):
        place = int(rng.integers(len(BL7)))
        text = BL7[:place] + ("" if rng.integers(2) else odd[int(rng.integers(len(odd)))]) + BL7[place + 1 :]
        try:
            parse_specification(text)
        except SpecificationError as error:
            for problem in error.problems:
                if problem.code == "unreadable-line":
                    refusals += 1
                    assert problem.line > 0
                    assert problem.action
                    assert not problem.message.startswith(("Invalid", "Expected", "Unclosed", "Cannot"))
    assert refusals > 50


@pytest.mark.parametrize(("text", "keys", "unit"), [
    ("5/16", {"nominal": '"5/16"'}, None),
    (".3125", {"nominal": "0.3125"}, None),
    ("⌀ .3125 +.006/-.001 THRU", {"nominal": "0.3125", "plus": "0.006", "minus": "0.001"}, None),
    ("5/16+.006-.001", {"nominal": '"5/16"', "plus": "0.006", "minus": "0.001"}, None),
    ("5/16 (−.001 +.006)", {"nominal": '"5/16"', "plus": "0.006", "minus": "0.001"}, None),
    ("0.3125 -.001", {"nominal": "0.3125", "plus": "0.0", "minus": "0.001"}, None),
    ("12 +0,1 0", {"nominal": "12.0", "plus": "0.1", "minus": "0.0"}, None),
    ("12 0/-0.1 mm", {"nominal": "12.0", "plus": "0.0", "minus": "0.1"}, "mm"),
    ("12,5 +0,2/+0,1", {"lower": "12.6", "upper": "12.7"}, None),
    (".458 +/- .004", {"nominal": "0.458", "plus": "0.004", "minus": "0.004"}, None),
    ("0.462/0.455", {"lower": "0.455", "upper": "0.462"}, None),
    ("0.455-0.462 in", {"lower": "0.455", "upper": "0.462"}, "in"),
    ("8.00 H9", {"class": '"H9"', "nominal": "8.0"}, None),
    ("Ø8H9", {"class": '"H9"', "nominal": "8.0"}, None),
    ("1-1/2 ±.01", {"nominal": '"1-1/2"', "plus": "0.01", "minus": "0.01"}, None),
])  # fmt: skip
def test_sizes_as_drawings_print_them(text: str, keys: dict[str, str], unit: str | None) -> None:
    size = read_size(text)
    assert size is not None
    assert (size_keys(size), size.unit) == (keys, unit)


@pytest.mark.parametrize(
    "text", ["", "abc", "-0.455", "1/4-20", "M8", "4X ⌀.3125", "0.1 to 0.9", "5/0", ".3 .4", "12 13"]
)
def test_what_is_no_size_is_not_taken_for_one(text: str) -> None:
    assert read_size(text) is None


def test_lengths_keep_their_digits() -> None:
    assert decimal_text(Fraction("0.3125")) == "0.3125"
    assert decimal_text(Fraction(29, 64)) == "0.453125"
    assert decimal_text(Fraction(12)) == "12.0"
