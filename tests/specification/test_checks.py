"""Everything that is wrong with a kit file is told at once, each with its path."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from kits import SMALL, TWO, problems, told

from holeqc.inspection.results import CHARACTERISTICS
from holeqc.problems import ERROR, WARNING, Problem, SpecificationError
from holeqc.specification.checks import DESIGNATED
from holeqc.specification.load import parse_specification
from holeqc.specification.words import describe

FOLDER = Path(__file__).parents[2] / "tolerances"

OUTLINE = "[outline]\npoints = [[0, 0], [6, 0], [6, 3], [0, 3]]\n"
PIN = "[pin]\nlower = 0.4345\nupper = 0.4360\nposition_tolerance = 0.008\n"
POSITION = '[position]\ntolerance = 0.060\ncondition = "MMC"\npattern_tolerance = 0.011\npattern_condition = "MMC"\n'
GAUGE = '[[gauge]]\nid = "G"\nmeasures = ["diameter", "x", "y", "go", "no_go"]\n'

# what is added to a valid kit of two holes, the code and path that must be told, and its severity
CASES = [
    ("[kti]\n", "unknown-key", "kti", ERROR),
    ("[form]\ntapper = 0.003\n", "unknown-key", "form.tapper", ERROR),
    ("[form]\ntaper = -0.003\n", "wrong-value", "form.taper", ERROR),
    ("[form]\ntaper = nan\n", "wrong-value", "form.taper", ERROR),
    ("[form]\ntaper = inf\n", "wrong-value", "form.taper", ERROR),
    ("[form]\ntaper = true\n", "wrong-value", "form.taper", ERROR),
    ('[form]\ntaper = "thick"\n', "wrong-value", "form.taper", ERROR),
    ("[form]\ntaper = 2027-03-31\n", "wrong-value", "form.taper", ERROR),
    ("form = 3\n", "wrong-shape", "hole[2].form", ERROR),
    ("[form]\ntaper = 0.003\n", "taper-not-judged", "form.taper", WARNING),
    ("[form]\nout_of_roundness = 0.003\n[plan]\ndirections = [0]\n", "roundness-not-judged", "form.out_of_roundness",
     WARNING),
    ("[position]\ncondition = \"MCC\"\ntolerance = 0.06\n", "wrong-value", "position.condition", ERROR),
    ("[position]\ntolerance = 0.011\npattern_tolerance = 0.060\n", "pattern-not-tighter", "position.pattern_tolerance",
     ERROR),
    ("[position]\ntolerance = 0.060\npattern_tolerance = 0.060\n", "pattern-not-tighter", "position.pattern_tolerance",
     ERROR),
    ("[position]\npattern_tolerance = 0.011\n", "pattern-not-located", "position.tolerance", WARNING),
    ('[position]\ncondition = "MMC"\n', "no-effect", "position.condition", WARNING),
    ("[position]\ntolerance = 0.6\n", "wide-position-tolerance", "position.tolerance", ERROR),
    ("[position]\ntolerance = 0.06\n[plan]\nposition = false\n", "position-not-read", "plan.position", WARNING),
    (PIN.replace("0.4360", "0.4340"), "limits-upside-down", "pin.lower", ERROR),
    (PIN.replace("0.4345", "0.4621").replace("0.4360", "0.4630"), "pin-never-enters", "pin", ERROR),
    ("[pin]\nlower = 0.4545\nupper = 0.4560\n", "pin-larger-than-the-smallest-hole", "pin.upper", ERROR),
    (POSITION + PIN.replace("0.008", "0.0081"), "virtual-conditions-cross", "pin", WARNING),
    (POSITION.replace("MMC", "LMC") + PIN, "lmc-with-pin", "position.condition", WARNING),
    (PIN.replace("0.43", "0.23"), "pin-far-smaller-than-its-hole", "pin.upper", ERROR),
    ("[plugs]\ngo = 0.462\nno_go = 0.455\n", "plugs-upside-down", "plugs.go", ERROR),
    ("[plugs]\ngo = 0.4545\n", "plug-off-limit", "plugs.go", WARNING),
    ("[plugs]\nno_go = 0.4625\n", "plug-off-limit", "plugs.no_go", WARNING),
    ("[plugs]\nno_go = 0.4630\n", "no-go-plug-outside-the-limits", "plugs.no_go", ERROR),
    ("[plugs]\ngo = 0.4540\n", "go-plug-outside-the-limits", "plugs.go", ERROR),
    ("[plugs]\ngo = 0.4630\n", "go-plug-outside-the-limits", "plugs.go", ERROR),
    ("[rework]\nream_up_to = 0.463\n", "rework-beyond-limit", "rework.ream_up_to", ERROR),
    ("[rework]\nream_up_to = 0.450\n", "rework-below-limit", "rework.ream_up_to", ERROR),
    ("[rework]\nream_up_to = 0.462\n[tools]\nreamers = [0.470]\n", "no-reamer-fits", "rework.ream_up_to", WARNING),
    ('[tools]\ndrill = "15/32"\n', "drill-larger-than-the-holes", "tools.drill", ERROR),
    ('[tools]\ndrill = "23/64"\n', "drill-far-smaller-than-the-holes", "tools.drill", ERROR),
    ('[tools]\ndrill = "#99"\n', "wrong-value", "tools.drill", ERROR),
    ('[walls]\nnames = ["near", "near"]\n', "wrong-value", "walls.names", ERROR),
    ('[plan]\nwalls = ["far"]\n', "unknown-wall", "plan.walls", ERROR),
    ('[walls]\nnames = ["near", "far"]\n[plan]\nwalls = ["near"]\n', "wall-not-read", "plan.walls", WARNING),
    ("[plan]\ndirections = [0, 180]\n", "wrong-value", "plan.directions", ERROR),
    ("[plan]\ncount = 0\n", "wrong-value", "plan.count", ERROR),
    ('[plan]\ndiameter_gauge = "G"\n', "unknown-gauge", "plan.diameter_gauge", ERROR),
    ('[[gauge]]\nid = "G"\n[plan]\nposition_gauge = "G"\n', "wrong-gauge", "plan.position_gauge", ERROR),
    ('[[gauge]]\nid = "G"\n[plugs]\ngo = 0.455\n', "no-gauge", "gauge", WARNING),
    ('[[gauge]]\nid = "G"\ncalibration_due = "31.3.2027"\n', "wrong-value", "gauge[1].calibration_due", ERROR),
    ('[[gauge]]\nid = "G"\n[[gauge]]\nid = "G"\n', "duplicate-id", "gauge[2].id", ERROR),
    ('[[gauge]]\nkind = "plug"\n', "missing-key", "gauge[1].id", ERROR),
    (GAUGE + "expansion_per_c = 11.5\n", "expansion-slip", "gauge[1].expansion_per_c", ERROR),
    ("[temperature]\ncorrect = true\n", "no-expansion", "temperature.part_expansion_per_c", WARNING),
    ('[decision]\nrule = "guarded"\n', "no-uncertainty", "gauge", WARNING),
    ('[decision]\nrule = "guarded"\n' + GAUGE, "no-uncertainty", "gauge[1].uncertainty", WARNING),
    ('[decision]\nrule = "guarded"\n' + GAUGE + "uncertainty = 0.0035\n", "guard-bands-meet", "decision.guard_factor",
     WARNING),
    ("[decision]\nprocess_mean = 0.458\n", "no-effect", "decision.process_mean", WARNING),
    ("[decision]\nprocess_mean = 4.58\nprocess_sd = 0.001\n", "process-mean-far", "decision.process_mean", WARNING),
    ("[rounding]\ndecimals = 3\n", "no-effect", "rounding.decimals", WARNING),
    ('[rounding]\nmethod = "rounding"\ndecimals = 2\n', "rounding-coarser-than-the-limits", "rounding.decimals", ERROR),
    ('[[part]]\nname = "p"\n[[part]]\nname = "p"\n', "duplicate-id", "part[2].name", ERROR),
    ('[[part]]\nname = "p"\nmirror_of = "p"\nmirror = "x"\n', "mirror-of-itself", "part[1].mirror_of", ERROR),
    ('[[part]]\nname = "p"\nmirror_of = "q"\nmirror = "x"\n', "unknown-part", "part[1].mirror_of", ERROR),
    ('[[part]]\nname = "p"\n[[part]]\nname = "q"\nmirror_of = "p"\n', "missing-key", "part[2].mirror", ERROR),
    ('[[part]]\nname = "p"\nmirror = "x"\n[[part]]\nname = "q"\nmirror_of = "p"\nmirror = "x"\n', "mirror-of-mirror",
     "part[2].mirror_of", ERROR),
    ('[[part]]\ntitle = "plate"\n', "missing-key", "part[1].name", ERROR),
    ('[datum_shift]\nholes = ["9"]\nboundary = 0.444\n', "unknown-hole", "datum_shift.holes", ERROR),
    ('[datum_shift]\nholes = ["1"]\n', "missing-key", "datum_shift.boundary", ERROR),
    ('[datum_shift]\nholes = ["1"]\nboundary = 0.456\n', "datum-boundary", "datum_shift.boundary", WARNING),
    ('[designators]\n"diameter" = "KC"\n', "unknown-characteristic", 'designators."diameter"', ERROR),
    ('[headings]\n"Dia A" = "diametre"\n', "wrong-value", 'headings."Dia A"', ERROR),
    ("[outline]\npoints = [[0, 0], [6, 0], [3, 0]]\n", "flat-outline", "outline.points", ERROR),
    ("[outline]\npoints = [[0, 0], [4, 0], [4, 3], [0, 3]]\n", "hole-outside", "hole[2].x", ERROR),
    ("[outline]\npoints = [[0, 0], [4.7, 0], [4.7, 3], [0, 3]]\n", "hole-cuts-edge", "hole[2].x", ERROR),
    (OUTLINE + "[edge]\nminimum = 1.3\n", "edge-contradicts-position", "hole[1].x", ERROR),
    (OUTLINE + "[edge]\nminimum = 1.24\n[position]\ntolerance = 0.06\n", "edge-eats-position", "hole[1].x", WARNING),
    ("[edge]\nminimum = 0.9\n[plan]\nedge_distance = false\n", "edge-not-judged", "outline.points", WARNING),
    ('[[hole]]\nid = "3"\nx = 1.9\ny = 1.25\n', "holes-overlap", "hole[3].x", ERROR),
    ('[[hole]]\nid = "3"\nx = 1.5\ny = 1.25\n', "holes-overlap", "hole[3].x", ERROR),
    ('[[hole]]\nid = "3"\nx = 2.5\n', "missing-key", "hole[3].y", ERROR),
    ('[[hole]]\nid = "2"\nx = 2.5\ny = 2\n', "duplicate-id", "hole[3].id", ERROR),
    ('[[hole]]\nid = "02"\nx = 2.5\ny = 2\n', "similar-ids", "hole[3].id", WARNING),
    ('[[hole]]\nid = "3"\nx = 2.5\ny = 2\npin = "q"\n', "unknown-pin", "hole[3].pin", ERROR),
    ('[[hole]]\nid = "3"\nx = 2.5\ny = 2\nsize = {lower = 0.47}\n', "limits-upside-down", "hole[3].size.lower", ERROR),
    ("[[hole]]\nid = true\n", "wrong-value", "hole[3].id", ERROR),
    ('[[hole]]\nid = "a\\nb"\n', "wrong-value", "hole[3].id", ERROR),
]  # fmt: skip


@pytest.mark.parametrize(("added", "code", "where", "severity"), CASES)
def test_each_fault_is_told_with_its_path(added: str, code: str, where: str, severity: str) -> None:
    found = told(SMALL + TWO + added)
    assert (code, where) in found, list(found)
    problem = found[code, where]
    assert problem.severity == severity
    assert problem.message
    table = where.split(".")[0].split("[")[0]
    assert (problem.line > 0) is (f"[{table}]" in SMALL + TWO + added or where == table == "form")
    assert problem.sentence().startswith(f"line {problem.line}, {where}: " if problem.line else f"{where}: ")


def test_every_characteristic_that_is_judged_can_have_a_designator() -> None:
    assert (*CHARACTERISTICS, "pins") == DESIGNATED
    asked = "\n".join(f'"{name}" = "KC {n}"' for n, name in enumerate(DESIGNATED))
    kit = parse_specification(f"{SMALL}{TWO}[designators]\n{asked}\n", "k.toml")
    assert kit.designators["hole-to-hole position"] == "KC 4"


def test_the_valid_kit_has_no_problem() -> None:
    assert problems(SMALL + TWO) == ()
    full = SMALL + TWO + POSITION + PIN + OUTLINE + "[edge]\nminimum_diameters = 2\n"
    full += "[plugs]\ngo = 0.455\nno_go = 0.462\n"
    assert problems(full + GAUGE + "uncertainty = 0.0003\nresolution = 0.0001\n[rework]\nream_up_to = 0.462\n") == ()


def test_all_faults_come_at_once() -> None:
    text = '[kit]\nunti = "in"\n[size]\nlower = 0.462\nupper = 0.455\n[form]\ntaper = -1\n[[hole]]\npin = "x"\n'
    assert set(told(text)) == {
        ("no-unit", "kit.unit"), ("unknown-key", "kit.unti"), ("limits-upside-down", "size.lower"),
        ("wrong-value", "form.taper"), ("unknown-pin", "hole[1].pin"),
    }  # fmt: skip


def test_unknown_keys_are_answered_with_what_was_meant() -> None:
    found = told(SMALL.replace("unit", "Unit") + '[[holes]]\nid = "1"\n[poistion]\ntolerance = 0.06\n[size2]\n')
    assert found["unknown-key", "kit.Unit"].action == "Did you mean unit?"
    assert found["unknown-key", "holes"].action == "Did you mean [[hole]]?"
    assert found["unknown-key", "poistion"].action == "Did you mean [position]?"
    misplaced = told("lower = 0.455\n" + SMALL + TWO + "[form]\ntolerance = 0.06\n")
    assert "size.lower" in misplaced["unknown-key", "lower"].action
    assert "position.tolerance" in misplaced["unknown-key", "form.tolerance"].action


@pytest.mark.parametrize(("old", "new", "where", "action"), [
    ("lower = 0.455\nupper = 0.462", 'diameter = "29/64"\ntolerance = "+.009 -.000"', "size.diameter",
     "Write nominal in its place"),
    ("lower = 0.455\nupper = 0.462", 'diameter = "29/64"\ntolerance = "+.009 -.000"', "size.tolerance",
     "Write in lines of their own: plus = 0.009; minus = 0.0"),
    ("lower = 0.455\nupper = 0.462", "min = 0.455\nmax = 0.462", "size.max", "Write upper in its place"),
    ("lower = 0.455\nupper = 0.462", 'dia = ".458 ±.004"', "size.dia",
     "Write in lines of their own: nominal = 0.458; plus = 0.004; minus = 0.004"),
    ('id = "1"', 'number = "1"', "hole[1].number", "Write id in its place"),
])  # fmt: skip
def test_other_names_of_keys_are_answered_and_not_missed_as_well(old: str, new: str, where: str, action: str) -> None:
    found = told((SMALL + TWO).replace(old, new, 1))
    assert found["unknown-key", where].action == action
    assert {code for code, _ in found} == {"unknown-key"}


def test_a_fault_of_the_table_for_all_holes_is_told_once() -> None:
    text = SMALL.replace("0.455", "0.47") + TWO
    assert [p.code for p in problems(text)].count("limits-upside-down") == 1


def test_virtual_conditions_that_meet_are_not_said_to_cross() -> None:
    # 0.455 - 0.011 = 0.444 = 0.436 + 0.008, in binary a last digit apart
    assert ("virtual-conditions-cross", "pin") not in told(SMALL + TWO + POSITION + PIN)


@pytest.mark.parametrize(("uncertainty", "coarse"), [(0.000875, False), (0.00088, True)])
def test_gauge_is_coarse_below_four_to_one(uncertainty: float, coarse: bool) -> None:
    """0.007 / (2 U) = 4 at U = 0.000875 (practice 4:1 to 10:1, MIL-HDBK-52)."""
    text = SMALL + TWO + f'[[gauge]]\nid = "G"\nuncertainty = {uncertainty}\n'
    assert (("coarse-gauge", "gauge[1].uncertainty") in told(text)) is coarse


@pytest.mark.parametrize(("uncertainty", "doubted"), [(0.00058, False), (0.00057, True)])
def test_uncertainty_smaller_than_the_resolution_allows(uncertainty: float, doubted: bool) -> None:
    """Reading to 0.001 alone gives u = 0.29 x 0.001 (JCGM 100:2008, F.2.2.1), so U = 0.00058 at k = 2."""
    gauge = f'[[gauge]]\nid = "G"\nresolution = 0.001\nuncertainty = {uncertainty}\n'
    text = SMALL.replace("0.462", "0.482") + TWO + gauge
    assert (("uncertainty-below-resolution", "gauge[1].uncertainty") in told(text)) is doubted


def test_wrong_unit_is_suspected() -> None:
    odd = ("size-out-of-the-ordinary", "size.upper")
    assert odd in told(SMALL.replace('"in"', '"mm"') + TWO)
    assert odd in told('[kit]\nunit = "in"\n[size]\nlower = 11.5\nupper = 11.7\n[[hole]]\n')


def test_many_holes_stay_quick_and_bounded() -> None:
    text = SMALL + "".join(f"[[hole]]\nx = {i % 50}\ny = {i // 50}\n" for i in range(2000))
    assert problems(text) == ()
    assert ("too-many-holes", "hole") in told(text + "[[hole]]\n")


def test_any_value_in_any_place_gives_problems_and_never_a_crash() -> None:
    """Every value of a full kit file is replaced by each of many odd ones, and by chance by several at a time."""
    text = (FOLDER / "bl7.toml").read_text(encoding="utf-8")
    odd = ["nan", "-inf", "1e300", "-1", "0", "true", '""', '"x"', "[]", "[[]]", "{}", '{ a = 1 }', "2027-03-31",
           "07:32:00", '"7/0"', '["a", 1, nan]', "[[1, 2], [3]]", "9223372036854775807",
           "9" * 400, '"' + "9" * 400 + '"', "1e400", "-" + "9" * 400]  # fmt: skip
    lines = text.splitlines()
    places = [i for i, line in enumerate(lines) if " = " in line]
    rng = np.random.default_rng(20260504)
    refused: list[Problem] = []
    for place in [*([p] for p in places), *(rng.choice(places, 6, replace=False).tolist() for _ in range(60))]:
        changed = list(lines)
        for p in place:
            changed[p] = f"{lines[p].split(' = ')[0]} = {odd[rng.integers(len(odd))]}"
        tomllib.loads("\n".join(changed))
        try:
            s = parse_specification("\n".join(changed))
        except SpecificationError as error:
            refused += error.problems
        else:
            describe(s)
    assert len(refused) > 100
    assert all(p.where and p.message for p in refused)
