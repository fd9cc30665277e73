"""Kit files in: defaults, overrides, classes, units, and files that are no kit files."""

from __future__ import annotations

import datetime as dt
import hashlib
import math
from pathlib import Path

import numpy as np
import pytest
from kits import SMALL, TWO, told

from holeqc.problems import ERROR, SpecificationError
from holeqc.specification.load import LARGEST_FILE, find_specification, load_specification, parse_specification
from holeqc.specification.model import Limits, hole_to_hole

FOLDER = Path(__file__).parents[2] / "tolerances"


def test_demo_kit_has_its_numbers_and_no_warning() -> None:
    s = load_specification(FOLDER / "bl7.toml")
    assert s.warnings == ()
    assert (s.id, s.revision, s.unit, len(s.holes)) == ("BL-7", "C", "in", 8)
    hole = s.hole("1")
    assert hole.pin is not None
    # the demonstration's own arithmetic: 0.455 - 0.011 = 0.444 = 0.436 + 0.008
    assert hole.pin.virtual_condition == pytest.approx(0.444, abs=1e-12)
    assert s.gauges[0].calibration_due == dt.date(2027, 3, 31)
    assert s.digest == hashlib.sha256((FOLDER / "bl7.toml").read_bytes()).hexdigest()


def test_metric_demo_kit_has_class_limits_and_meeting_virtual_conditions() -> None:
    s = load_specification(FOLDER / "cp12.toml")
    assert s.warnings == ()
    hole = s.holes[0]
    # ISO 286-2: IT11 over 10 to 18 mm is 110 um, H lower deviation 0, h upper deviation 0
    assert (hole.size.lower, hole.size.upper, hole.size.fit_class) == (12.5, 12.61, "H11")
    assert hole.pin is not None
    assert (hole.pin.lower, hole.pin.upper) == (11.89, 12.0)
    assert hole_to_hole(hole).inner == pytest.approx(hole.pin.virtual_condition, abs=1e-12)
    assert not s.walls.several
    assert s.unit == "mm"


def test_kit_of_holes_and_limits_alone_takes_at_most_20_lines() -> None:
    text = (
        '[kit]\nunit = "mm"\n\n[size]\nlower = 12.0\nupper = 12.1\n\n'
        "[[hole]]\nx = 10\ny = 10\n\n[[hole]]\nx = 60\ny = 10\n\n[[hole]]\nx = 60\ny = 40\n"
    )
    assert len(text.splitlines()) <= 20
    s = parse_specification(text, "tolerances/gate.toml")
    assert s.warnings == ()
    assert (s.id, s.revision, s.parts[0].name, s.hole_ids) == ("gate", "-", "part", ("1", "2", "3"))
    assert (s.plan.directions, s.plan.walls, s.plan.position) == ((0.0, 90.0), ("single",), False)
    assert s.decision.rule == "simple"


def test_holes_without_positions_are_valid_where_nothing_needs_them() -> None:
    s = parse_specification('[kit]\nunit = "mm"\n[size]\nlower = 12\nupper = 12.1\n[[hole]]\n[[hole]]\n')
    assert s.warnings == ()
    assert not s.located
    assert math.isnan(s.holes[0].x)


def test_integer_ids_are_taken_as_text() -> None:
    s = parse_specification(SMALL.replace('"T"', "7") + "[[hole]]\nid = 12\n[[hole]]\nid = 13\n")
    assert (s.id, s.hole_ids) == ("7", ("12", "13"))


def test_lengths_may_be_numbers_fractions_or_carry_their_unit() -> None:
    text = '[kit]\nunit = "{unit}"\n[size]\nlower = "29/64 in"\nupper = "11.75 mm"\n[[hole]]\n'
    inch, mm = (parse_specification(text.format(unit=u)).holes[0].size for u in ("in", "mm"))
    assert (inch.lower, inch.upper) == (29 / 64, 11.75 / 25.4)
    assert mm.lower == pytest.approx(29 / 64 * 25.4, abs=1e-12)
    assert mm.upper == 11.75
    mixed = parse_specification('[kit]\nunit = "in"\n[size]\nlower = "1 1/2"\nupper = "1-33/64"\n[[hole]]\n').holes[0]
    assert mixed.size == Limits(1.5, 1 + 33 / 64)


def test_fraction_without_unit_in_a_mm_kit_is_refused() -> None:
    found = told('[kit]\nunit = "mm"\n[size]\nlower = "1/2"\nupper = 13\n[[hole]]\n')
    assert found["wrong-value", "size.lower"].action == 'Write lower = "1/2 in"'


def test_tools_are_called_by_their_names_in_either_unit() -> None:
    # number 7 = 0.2010 in, letter F = 0.2570 in: ASME B94.11M
    text = '[kit]\nunit = "{}"\n[size]\nlower = "{}"\nupper = "{}"\n[[hole]]\n[tools]\ndrill = "29/64"\n'
    text += 'drills = ["F", "#7"]\nreamers = [{}, "11.6 mm"]\n'
    inch = parse_specification(text.format("in", "0.455", "0.462", "0.4550"))
    assert inch.tools.drill is not None
    assert inch.tools.drill.diameter == 29 / 64
    assert [t.diameter for t in inch.tools.drills] == pytest.approx([0.2010, 0.2570], abs=1e-9)
    assert [t.diameter for t in inch.tools.reamers] == pytest.approx([0.455, 11.6 / 25.4], abs=1e-12)
    mm = parse_specification(text.format("mm", "11.557", "11.735", "11.6"))
    assert mm.tools.drill is not None
    assert mm.tools.drill.diameter == pytest.approx(29 / 64 * 25.4, abs=1e-12)


def test_a_hole_overrides_key_by_key_and_switches_off() -> None:
    text = SMALL + '[position]\ntolerance = 0.06\ncondition = "MMC"\n[form]\ntaper = 0.003\n[plugs]\ngo = 0.455\n' + (
        '[walls]\nnames = ["near", "far"]\n[[hole]]\nid = "a"\nx = 1\ny = 1\n'
        "size = { upper = 0.460 }\nposition = { tolerance = 0.03 }\nform = false\nplugs = false\n"
        '[[hole]]\nid = "b"\nx = 3\ny = 1\n'
    )
    a, b = parse_specification(text).holes
    assert (a.size, b.size) == (Limits(0.455, 0.460), Limits(0.455, 0.462))
    assert (a.position.tolerance, a.position.condition) == (0.03, "MMC")
    assert (a.form.taper, b.form.taper) == (None, 0.003)
    assert (a.plugs.go, b.plugs.go) == (None, 0.455)


def test_a_hole_that_says_limits_drops_the_class_of_the_others() -> None:
    text = '[kit]\nunit = "mm"\n[size]\nclass = "H11"\nnominal = 12.5\n[[hole]]\n[[hole]]\n'
    first, second = parse_specification(text + "size = {lower = 20, upper = 20.1}\n").holes
    assert first.size.fit_class == "H11"
    assert second.size == Limits(20.0, 20.1)


def test_class_beside_limits_must_agree() -> None:
    text = '[kit]\nunit = "mm"\n[size]\nclass = "H11"\nnominal = 12.5\nlower = 12.5\nupper = {}\n[[hole]]\n'
    assert parse_specification(text.format(12.61)).holes[0].size.upper == 12.61
    assert told(text.format(12.62))["limits-disagree", "size.upper"].allowed == "12.61"


def test_unknown_class_and_missing_nominal_are_told() -> None:
    text = '[kit]\nunit = "mm"\n[size]\nclass = "{}"\n{}\n[[hole]]\n'
    assert ("unknown-class", "size.class") in told(text.format("Q77", "nominal = 12"))
    assert ("missing-key", "size.nominal") in told(text.format("H11", ""))
    assert ("unknown-class", "size.class") in told(text.format("g6", "nominal = 12"))  # a shaft class on a hole


def test_nominal_with_deviations_gives_the_limits_as_typed() -> None:
    text = '[kit]\nunit = "in"\n[size]\nnominal = 0.457\nplus = 0.005\nminus = {}\n[[hole]]\n'
    s = parse_specification(text.format(0.002))
    assert (s.holes[0].size.lower, s.holes[0].size.upper) == (0.455, 0.462)
    signed = told(text.format(-0.002))["sign-of-minus", "size.minus"]
    assert (signed.severity, signed.line) == (ERROR, 6)
    assert "Write minus = 0.002 where the drawing prints -0.002" in signed.action
    assert "lower = 0.459, upper = 0.462" in signed.action
    recorded = parse_specification(text.format(-0.002), recorded=True)  # judged by once, so it stays readable
    assert recorded.holes[0].size == Limits(0.459, 0.462)
    assert [w.code for w in recorded.warnings] == ["sign-of-minus"]


def test_several_pins_are_named_by_their_holes() -> None:
    pins = '[[pin]]\nid = "thick"\nlower = 0.434\nupper = 0.436\n[[pin]]\nid = "thin"\nlower = 0.430\nupper = 0.432\n'
    named = ('"thin"', '"thick"', "false")
    holes = "".join(f"[[hole]]\nx = {2 * i}\ny = 1\npin = {pin}\n" for i, pin in enumerate(named))
    s = parse_specification(SMALL + pins + holes)
    assert [h.pin.id if h.pin else None for h in s.holes] == ["thin", "thick", None]
    unnamed = told(SMALL + pins + "[[hole]]\nx = 1\ny = 1\n")
    assert ("no-pin-named", "hole[1].pin") in unnamed


def test_a_hole_may_change_its_pin() -> None:
    text = SMALL + '[pin]\nid = "p"\nlower = 0.434\nupper = 0.436\nposition_tolerance = 0.008\n'
    s = parse_specification(text + "[[hole]]\nx = 1\ny = 1\npin = { upper = 0.435 }\n[[hole]]\nx = 3\ny = 1\n")
    first, second = (h.pin for h in s.holes)
    assert first is not None
    assert second is not None
    assert (first.lower, first.upper, first.position_tolerance) == (0.434, 0.435, 0.008)
    assert second.upper == 0.436


def test_mirrored_part_is_turned_unless_read_from_its_own_edges() -> None:
    text = SMALL + TWO + '[[part]]\nname = "p"\n[[part]]\nname = "s"\nmirror_of = "p"\nmirror = "x"\nown_edges = {}\n'
    own, turned = (parse_specification(text.format(word)) for word in ("true", "false"))
    assert np.array_equal(own.basic_xy("s"), own.basic_xy("p"))
    assert np.array_equal(turned.basic_xy("s"), turned.basic_xy("p") * (-1, 1))
    assert own.part("s").picture_signs() == (-1.0, 1.0)


def test_plan_asks_positions_and_edges_only_where_needed() -> None:
    outline = "[outline]\npoints = [[0, 0], [6, 0], [6, 3], [0, 3]]\n"
    edge = "[edge]\nminimum = 0.9\n"
    assert parse_specification(SMALL + TWO + edge).plan.edge_distance
    located = parse_specification(SMALL + TWO + edge + outline + "[position]\ntolerance = 0.06\n").plan
    assert (located.position, located.edge_distance) == (True, False)
    assert parse_specification(SMALL + TWO + "[pin]\nlower = 0.434\nupper = 0.436\n").plan.position


# ---- files that are no kit files -----------------------------------------------------------------------------------


def refused(path: Path) -> SpecificationError:
    with pytest.raises(SpecificationError) as caught:
        load_specification(path)
    assert len(caught.value.problems) >= 1
    assert caught.value.problems[0].file == str(path)
    return caught.value


def write(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "k.toml"
    path.write_bytes(data)
    return path


def test_byte_order_mark_is_taken_off(tmp_path: Path) -> None:
    assert load_specification(write(tmp_path, b"\xef\xbb\xbf" + (SMALL + TWO).encode())).id == "T"


def test_file_in_another_encoding_names_line_and_column(tmp_path: Path) -> None:
    data = (SMALL + TWO).replace("[kit]", '[kit]\ntitle = "Bügel"').encode("cp1252")
    problem = refused(write(tmp_path, data)).problems[0]
    assert (problem.code, problem.where) == ("wrong-encoding", "line 3, column 11")
    assert "ü" in problem.found
    assert refused(write(tmp_path, SMALL.encode("utf-16"))).problems[0].found == "UTF-16"


def test_a_line_that_cannot_be_read_is_named_with_what_to_write(tmp_path: Path) -> None:
    error = refused(write(tmp_path, b'[kit]\nid = "a"\nunit = in\n'))
    problem = error.problems[0]
    assert (problem.code, problem.where, problem.line) == ("unreadable-line", "kit.unit", 3)
    assert (problem.found, problem.action) == ("unit = in", 'Write unit = "in"')
    assert [p.code for p in error.problems[1:]] == ["no-holes"]  # what else is wrong comes in the same run
    decimal = refused(write(tmp_path, b"[size]\nlower = 0,455\n")).problems[0]
    assert (decimal.line, decimal.action) == (2, "Write lower = 0.455")
    twice = refused(write(tmp_path, b"[kit]\nid = 'a'\nid = 'b'\n")).problems[0]
    assert (twice.line, twice.message) == (3, "id is there already, in line 2")


@pytest.mark.parametrize(
    ("data", "code"),
    [(b"#" * (LARGEST_FILE + 1), "too-large"), (b"PK\x03\x04rest", "not-text"), (b"", "no-unit"),
     (b"a = " + b"[" * 50000, "toml-syntax"), (b"a = " + b"9" * 5000, "unreadable-line")],
)  # fmt: skip
def test_files_that_are_no_kit_files(tmp_path: Path, data: bytes, code: str) -> None:
    assert refused(write(tmp_path, data)).problems[0].code == code


def test_missing_file_and_folder(tmp_path: Path) -> None:
    (tmp_path / "kit.toml").write_text(SMALL + TWO, encoding="utf-8")
    assert "kit.toml" in refused(tmp_path / "kti.toml").problems[0].action
    assert refused(tmp_path).problems[0].code == "no-file"


def test_find_by_id_and_revision(tmp_path: Path) -> None:
    assert find_specification("BL-7", "C", FOLDER) == FOLDER / "bl7.toml"
    for kit, revision, code in (("BL-7", "B", "other-revision"), ("XX", "C", "no-kit")):
        with pytest.raises(SpecificationError) as caught:
            find_specification(kit, revision, FOLDER)
        assert caught.value.problems[0].code == code
    (tmp_path / "broken.toml").write_text("[kit", encoding="utf-8")
    for name in ("a", "b"):
        (tmp_path / f"{name}.toml").write_text('[kit]\nid = 7\nrevision = "A"\n', encoding="utf-8")
    with pytest.raises(SpecificationError, match="more than one file"):
        find_specification("7", "A", tmp_path)
    with pytest.raises(SpecificationError, match="no such folder"):
        find_specification("7", "A", tmp_path / "none")
