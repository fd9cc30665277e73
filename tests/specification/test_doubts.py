"""Odd limits stop a kit until they are mended or confirmed by name; a sensible kit is never stopped."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from kits import SMALL, TWO, problems, told

from holeqc.fits.classes import limits_for_class
from holeqc.problems import ERROR
from holeqc.specification.doubts import CHECKS, LINES, widest_band
from holeqc.specification.load import load_specification, parse_specification
from holeqc.specification.model import Confirmation
from holeqc.specification.words import describe

FOLDER = Path(__file__).parents[2] / "tolerances"
BL7 = (FOLDER / "bl7.toml").read_text(encoding="utf-8")
CP12 = (FOLDER / "cp12.toml").read_text(encoding="utf-8")
LIMITS = "lower = 0.455\nupper = 0.462"
REASON = '"note 4 of the drawing asks it, engineering"'


def changed(*pairs: tuple[str, str], text: str = BL7) -> str:
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


# slips in the demonstration kit: what is typed, the one check that asks, and where
SLIPS = [
    ((LIMITS, "lower = 0.455\nupper = 4.62"), "limits far apart", "size.upper"),
    ((LIMITS, "lower = 0.0455\nupper = 0.462"), "limits far apart", "size.upper"),
    ((LIMITS, "lower = 0.455\nupper = 0.642"), "limits far apart", "size.upper"),
    ((LIMITS, "nominal = 0.455\nplus = 0.07\nminus = 0"), "limits far apart", "size.plus"),
    ((LIMITS, "lower = 11.557\nupper = 11.735"), "size out of the ordinary", "size.upper"),
    ((LIMITS, "lower = 4.55\nupper = 4.62"), "size out of the ordinary", "size.upper"),
    ((LIMITS, "lower = 0.0455\nupper = 0.0462"), "size out of the ordinary", "size.upper"),
    (('unit = "in"', 'unit = "mm"'), "size out of the ordinary", "size.upper"),
    ((LIMITS, "nominal = 0.5455\n" + LIMITS), "limits away from nominal", "size.nominal"),
    (("go = 0.455\n", "go = 0.445\n"), "GO plug outside the limits", "plugs.go"),
    (("no_go = 0.462", "no_go = 0.472"), "NO-GO plug outside the limits", "plugs.no_go"),
    (("out_of_roundness = 0.003", "out_of_roundness = 0.03"), "form wider than the limits", "form.out_of_roundness"),
    (("taper = 0.003", "taper = 0.03"), "form wider than the limits", "form.taper"),
    (("upper = 0.4360", "upper = 4.360"), "pin limits far apart", "pin.upper"),
    (("lower = 0.4345\nupper = 0.4360", "lower = 0.4545\nupper = 0.4560"), "pin larger than the smallest hole",
     "pin.upper"),
    (("lower = 0.4345\nupper = 0.4360", "lower = 0.3345\nupper = 0.3360"), "pin far smaller than its hole",
     "pin.upper"),
    (("position_tolerance = 0.008", "position_tolerance = 0.8"), "wide position tolerance", "pin.position_tolerance"),
    (('drill = "29/64"', 'drill = "31/64"'), "drill larger than the holes", "tools.drill"),
    (('drill = "29/64"', 'drill = "9/64"'), "drill far smaller than the holes", "tools.drill"),
    (("tolerance = 0.060 ", "tolerance = 0.60 "), "wide position tolerance", "position.tolerance"),
    (("tolerance = 0.060 ", "tolerance = 6.0 "), "position tolerance reaches the next hole", "position.tolerance"),
    (("minimum_diameters = 2.0", "minimum = 0.2"), "edge distance inside the hole", "edge.minimum"),
    (("uncertainty = 0.0003", "uncertainty = 0.03"), "gauge coarser than the limits", "gauge[1].uncertainty"),
    (('method = "absolute"', 'method = "rounding"\ndecimals = 2'), "rounding coarser than the limits",
     "rounding.decimals"),
    (('rule = "simple"', 'rule = "relaxed"\nguard_factor = 10'), "relaxed limits far outside",
     "decision.guard_factor"),
    (("[rework]", '[datum_shift]\nholes = ["1", "8"]\nboundary = 0.0444\n[rework]'),
     "datum simulator far smaller than its hole", "datum_shift.boundary"),
    *((("[surface]", f"[{table}]\n{lines}\n[surface]"), check, f"{table}.{key}") for table, lines, check, key in (
        ("countersink", "depth_lower = 0.06\ndepth_upper = 1", "countersink depth out of the ordinary", "depth_upper"),
        ("countersink", "depth_lower = 0.63", "countersink depth out of the ordinary", "depth_lower"),
        ("countersink", "depth_lower = 0.06\ndepth_upper = 0.11", "countersink depth limits far apart", "depth_upper"),
        ("countersink", "angle_lower = 49\nangle_upper = 51", "countersink angle out of the ordinary", "angle_upper"),
        ("countersink", "angle_lower = 90\nangle_upper = 100", "countersink angle limits far apart", "angle_upper"),
        ("depth", "lower = 12.7", "hole depth out of the ordinary", "lower"),
        ("depth", "lower = 0.5\nupper = 1.0", "hole depth limits far apart", "upper"),
    )),
]  # fmt: skip


@pytest.mark.parametrize(("pair", "check", "where"), SLIPS)
def test_a_slip_stops_the_kit_in_one_line_and_may_be_confirmed(pair: tuple[str, str], check: str, where: str) -> None:
    text = changed(pair)
    asking = [p for p in problems(text) if p.severity == ERROR and p.code == check.lower().replace(" ", "-")]
    assert len(asking) == 1
    problem = asking[0]
    assert problem.where == where
    assert text.splitlines()[problem.line - 1].startswith(where.rpartition(".")[2] + " = ")
    assert problem.allowed
    line = re.search(r'write under \[confirmed\]: (".*") = "who confirms it, and why"$', problem.action)
    assert line is not None
    confirmed = f"{text}\n[confirmed]\n{line[1]} = {REASON}\n"
    after = problems(confirmed)
    assert not [p for p in after if p.code in {problem.code, "needless-confirmation", "other-confirmation"}]


def test_every_check_is_tried_and_says_what_its_line_rests_on() -> None:
    assert {check for _, check, _ in SLIPS} == set(CHECKS)
    assert all(len(why) > 20 for why in CHECKS.values())


@pytest.mark.parametrize("size", [1.6, 2.5, 3.0, 4.5, 6.0, 8.0, 10.0, 12.5, 18.0, 25.0, 30.0, 40.0, 50.0])
def test_the_line_for_the_band_lies_between_h14_and_h16(size: float) -> None:
    """H14 is the coarsest zone of ISO 273 for clearance holes (from memory); the widths are those of ISO 286-1."""
    coarse, wide = (limits_for_class(name, size, "mm") for name in ("H14", "H16"))
    assert coarse.upper - coarse.lower < widest_band(size, "mm") < wide.upper - wide.lower


def test_the_lines_are_the_same_in_either_unit() -> None:
    for name in ("smallest", "largest", "band"):
        assert LINES["in"][name] * 25.4 == pytest.approx(LINES["mm"][name], rel=0.02)


def test_a_confirmed_doubt_is_told_with_its_reason() -> None:
    text = changed((LIMITS, "lower = 0.455\nupper = 0.482"), ("no_go = 0.462", "no_go = 0.482"))
    text += f'\n[confirmed]\n"limits far apart: 0.455 to 0.482 in" = {REASON}\n'
    s = parse_specification(text)
    holes = tuple("12345678")
    assert s.confirmed == (Confirmation("limits far apart", "0.455 to 0.482 in", holes, REASON.strip('"')),)
    words = " ".join(describe(s).split())
    assert "limits far apart: 0.455 to 0.482 in. Reason: note 4 of the drawing asks it, engineering" in words


@pytest.mark.parametrize("typed", [
    "limits far apart: 0.455 to 0.482 in", "Limits far apart:  0.4550 to .482 in".replace(" .482", " 0.4820"),
    "limits  far apart:0.455 to 0.482in",
])  # fmt: skip
def test_blanks_capitals_and_zeros_in_a_confirmation_do_not_matter(typed: str) -> None:
    text = changed((LIMITS, "lower = 0.455\nupper = 0.482"), ("no_go = 0.462", "no_go = 0.482"))
    assert parse_specification(f'{text}\n[confirmed]\n"{typed}" = {REASON}\n').confirmed


WIDE = SMALL.replace("0.462", "0.482") + TWO


@pytest.mark.parametrize(("line", "codes"), [
    ('"limits far apart: 0.455 to 0.842 in" = ' + REASON, {"limits-far-apart", "other-confirmation"}),
    ('"limits far apart: 0.455 to 0.482 in" = "ok"', {"no-reason"}),
    ('"limits far apart: 0.455 to 0.482 in" = ""', {"no-reason"}),
    ('"limits far apart: 0.455 to 0.482 in" = "who confirms it, and why"', {"no-reason"}),
    ('"limits far apart: hole 1, 0.455 to 0.482 in" = ' + REASON, {"limits-far-apart", "other-confirmation"}),
    ('"limits too wide: 0.455 to 0.482 in" = ' + REASON, {"limits-far-apart", "unknown-check"}),
    ('"limits far apart" = ' + REASON, {"limits-far-apart", "other-confirmation"}),
    ('"size out of the ordinary: 0.5" = ' + REASON, {"limits-far-apart", "needless-confirmation"}),
    ('"limits far apart: 0.455 to 0.482 in" = true', {"limits-far-apart", "wrong-value"}),
])  # fmt: skip
def test_a_confirmation_that_cannot_count_is_a_problem_itself(line: str, codes: set[str]) -> None:
    assert {p.code for p in problems(f"{WIDE}[confirmed]\n{line}\n")} == codes


def test_a_confirmation_that_nothing_needs_is_a_problem() -> None:
    text = f'{SMALL}{TWO}[confirmed]\n"limits far apart: 0.455 to 0.482 in" = {REASON}\n'
    assert {p.code for p in problems(text)} == {"needless-confirmation"}


def test_a_confirmation_is_not_called_needless_while_a_size_is_still_wrong() -> None:
    plug = changed(("go = 0.455\n", "go = 0.445\n"))
    plug += f'\n[confirmed]\n"GO plug outside the limits: 0.445, limits 0.455 to 0.462 in" = {REASON}\n'
    assert problems(plug) == ()
    assert {p.code for p in problems(changed((LIMITS, "lower = 0.455\nupper = 4.62"), text=plug))} == {
        "limits-far-apart"
    }


def test_a_confirmation_names_the_holes_that_differ_and_covers_no_other() -> None:
    holes = SMALL + TWO + "size = { upper = 0.482 }\n"
    said = told(holes)["limits-far-apart", "hole[2].size.upper"]
    assert said.message == "limits far apart: hole 2, 0.455 to 0.482 in"
    confirmed = f'{holes}[confirmed]\n"{said.message}" = {REASON}\n'
    assert parse_specification(confirmed).confirmed[0].holes == ("2",)
    third = '[[hole]]\nid = "3"\nx = 3\ny = 4\nsize = { upper = 0.482 }\n[confirmed]'
    assert {p.code for p in problems(confirmed.replace("[confirmed]", third))} == {
        "limits-far-apart", "other-confirmation",
    }  # fmt: skip


def test_what_no_drawing_can_ask_is_not_to_be_confirmed() -> None:
    for limits in (
        "lower = 0.462\nupper = 0.455", "lower = 0.455\nupper = 0.455",
        "nominal = 0.455\nplus = 0.462\nminus = 0.455", "nominal = 0.456\nplus = 0.006\nminus = -0.001",
    ):  # fmt: skip
        errors = [p for p in problems(changed((LIMITS, limits))) if p.severity == ERROR]
        assert len(errors) == 1, limits
        assert "[confirmed]" not in errors[0].action


def test_a_likely_slip_of_the_point_is_named() -> None:
    assert "Is upper = 0.462 meant?" in told(changed((LIMITS, "lower = 0.455\nupper = 4.62")))[
        "limits-far-apart", "size.upper"].action  # fmt: skip
    assert "Is upper = 0.462 meant?" in told(changed((LIMITS, "lower = 0.455\nupper = 0.0462")))[
        "limits-upside-down", "size.lower"].action  # fmt: skip
    assert told(changed((LIMITS, "lower = 0.462\nupper = 0.455")))["limits-upside-down", "size.lower"].action == (
        "Exchange them?"
    )


def test_a_recorded_kit_stays_readable() -> None:
    s = parse_specification(changed((LIMITS, "lower = 0.455\nupper = 4.62")), recorded=True)
    assert s.holes[0].size.upper == 4.62
    assert "limits-far-apart" in {w.code for w in s.warnings}


def test_the_demonstration_kits_pass_untouched() -> None:
    for name in ("bl7.toml", "cp12.toml"):
        s = load_specification(FOLDER / name)
        assert (s.warnings, s.confirmed) == ((), ())


def sensible(rng: np.random.Generator) -> str:
    """A kit as a drawing may ask it: 4 to 12 holes of 1/8 to 1 in, bands of 0.001 to 0.010 in, one or two walls."""
    mm = bool(rng.integers(2))
    scale, digits = (25.4, 3) if mm else (1.0, 4)
    lower = rng.uniform(0.125, 1.0)
    band = rng.uniform(0.001, 0.010)

    def length(inches: float) -> str:
        return f"{inches * scale:.{digits}f}"

    across, count = int(rng.integers(2, 5)), int(rng.integers(4, 13))
    pitch = lower * rng.uniform(2.5, 12.0)
    pattern = rng.uniform(0.001, 0.02) * lower
    lines = ["[kit]", f'unit = "{"mm" if mm else "in"}"']
    if rng.integers(2):
        lines += ["[walls]", 'names = ["near", "far"]']
    lines += ["[size]", f"lower = {length(lower)}", f"upper = {length(lower + band)}"]
    if rng.integers(2):
        lines += ["[position]", f"tolerance = {length(pattern * 3)}", 'condition = "MMC"',
                  f"pattern_tolerance = {length(pattern)}"]  # fmt: skip
    if rng.integers(2):
        lines += ["[pin]", f"lower = {length(lower * 0.93)}", f"upper = {length(lower * 0.94)}"]
    if rng.integers(2):
        lines += ["[plugs]", f"go = {length(lower)}", f"no_go = {length(lower + band)}"]
    if rng.integers(2):
        lines += ["[tools]", f"drill = {length(lower * rng.uniform(0.92, 1.0))}"]
    if rng.integers(2):
        lines += ["[[gauge]]", 'id = "G"', f"uncertainty = {band * scale / 10:.6f}"]
    if rng.integers(2):
        lines += ["[edge]", "minimum_diameters = 2.0"]
    for number in range(count):
        x, y = number % across * pitch + 3 * lower, number // across * pitch + 3 * lower
        lines += ["[[hole]]", f"x = {length(x)}", f"y = {length(y)}"]
    return "\n".join(lines)


def test_sensible_kits_are_never_stopped() -> None:
    rng = np.random.default_rng(20261130)
    for _ in range(400):
        text = sensible(rng)
        stopped = [p.sentence() for p in problems(text) if p.severity == ERROR]
        assert not stopped, f"{stopped}\n{text}"


def test_a_factor_of_ten_in_any_length_of_a_sensible_kit_is_never_loaded_in_silence() -> None:
    """Every length of the demonstration kit, ten times too large and too small: stopped or at least warned of."""
    silent = []
    for text in (BL7, CP12):
        lines = text.splitlines()
        for place, line in enumerate(lines):
            match = re.match(r"^(lower|upper|go|no_go|tolerance|ream_up_to|minimum|nominal|out_of_roundness|taper"
                             r"|pattern_tolerance|position_tolerance) = ([\d.]+)", line)  # fmt: skip
            if match is None:
                continue
            for factor in (10.0, 0.1):
                slip = [*lines[:place], f"{match[1]} = {float(match[2]) * factor:.6g}", *lines[place + 1 :]]
                if not problems("\n".join(slip)):
                    silent.append((match[0], factor))
    # smaller tolerances than meant are sensible numbers too: nothing in the kit contradicts them
    assert {(words.split(" = ")[0], factor) for words, factor in silent} <= {
        (key, 0.1) for key in ("tolerance", "pattern_tolerance", "position_tolerance", "out_of_roundness", "taper")
    }
