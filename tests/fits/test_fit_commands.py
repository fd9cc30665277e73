"""`holeqc fit ...` as a person runs it: tables, JSON, drawings, exit codes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from holeqc.__main__ import run

CASES = {
    "class": ["class", "RC7", "7/16"],
    "metric": ["metric", "H7/p6", "20"],
    "pair": ["pair", "--hole", "0.455", "0.462", "--pin", "0.4345", "0.4360"],
    "drill": ["drill", "0.396", "0.403"],
    "plug": ["plug", "0.455", "0.462", "--wear-limit", "0.4549"],
}


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    assert run(["fit", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_class_contract(capsys: pytest.CaptureFixture[str]) -> None:
    # RC7 over 0.40 to 0.71 in as printed: hole 0 / +1.6, shaft -3.0 / -2.0, clearance 2.0 to 4.6 thousandths
    assert answer(capsys, "class", "RC7", "7/16") == {
        "system": "ANSI B4.1",
        "class": "RC7",
        "nominal": 0.4375,
        "unit": "in",
        "hole": {"lower_deviation": 0.0, "upper_deviation": 0.0016, "min": 0.4375, "max": 0.4391},
        "shaft": {"lower_deviation": -0.003, "upper_deviation": -0.002, "min": 0.4345, "max": 0.4355},
        "clearance": {"min": 0.002, "max": 0.0046},
        "confirmation": "two sources",
    }


def test_metric_contract(capsys: pytest.CaptureFixture[str]) -> None:
    # H7/s6 at 20 mm (design textbook, worked example): 0 / +21, +35 / +48, interference 14 to 48 um
    found = answer(capsys, "metric", "H7/s6", "20")
    assert list(found) == ["system", "class", "nominal", "unit", "hole", "shaft", "clearance", "confirmation"]
    assert found["system"] == "ISO 286"
    assert found["unit"] == "mm"
    assert found["hole"] == {"lower_deviation": 0.0, "upper_deviation": 0.021, "min": 20.0, "max": 20.021}
    assert found["shaft"] == {"lower_deviation": 0.035, "upper_deviation": 0.048, "min": 20.035, "max": 20.048}
    assert found["clearance"] == {"min": -0.048, "max": -0.014}


@pytest.mark.parametrize(("name", "side", "other"), [("H7", "hole", "shaft"), ("g6", "shaft", "hole")])
def test_one_sided_classes_give_one_side(capsys: pytest.CaptureFixture[str], name: str, side: str, other: str) -> None:
    found = answer(capsys, "metric", name, "12")
    assert side in found
    assert other not in found
    assert "clearance" not in found


def test_a_size_in_the_other_unit_is_converted(capsys: pytest.CaptureFixture[str]) -> None:
    assert answer(capsys, "class", "RC7", "11.1125mm") == answer(capsys, "class", "RC7", "7/16")
    assert answer(capsys, "metric", "H7", "0.5in") == answer(capsys, "metric", "H7", "12.7")
    assert answer(capsys, "class", "RC4", "30.226", "mm")["hole"]["upper_deviation"] == 0.0012  # the edge 1.19 in
    assert answer(capsys, "class", "RC4", "1", "1/2")["nominal"] == 1.5  # typed without quotes


def test_a_bare_fraction_with_a_metric_class_is_pointed_out(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["fit", "metric", "H7", "7/16", "--json"]) == 0
    shown = capsys.readouterr()
    assert json.loads(shown.out)["nominal"] == 0.4375
    assert "7/16in" in shown.err
    assert run(["fit", "metric", "H7", "7/16in", "--json"]) == 0
    shown = capsys.readouterr()
    assert json.loads(shown.out)["nominal"] == 11.1125
    assert shown.err == ""


def test_every_number_is_as_people_write_it(capsys: pytest.CaptureFixture[str]) -> None:
    for size in ("0.3", "0.7", "1.1", "2.3", "4.7", "9.9", "17.3"):
        assert run(["fit", "class", "RC3", size, "--json"]) == 0
        text = capsys.readouterr().out
        for number in (word.strip(" ,\n") for line in text.splitlines() for word in line.split(":")[1:]):
            if number.lstrip("-")[:1].isdigit():
                assert len(number.lstrip("-").partition(".")[2]) <= 5, number


@pytest.mark.parametrize("words", CASES.values(), ids=CASES)
def test_text_fits_a_screen_of_80_columns(capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    assert run(["fit", *words]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) >= 6


def test_numbers_stand_in_columns(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["fit", "class", "RC1", "1"]) == 0
    table = capsys.readouterr().out.splitlines()[2:7]
    assert len({len(line) for line in table}) == 1
    assert "0.99945" in "".join(table)  # RC1 0.71-1.19: shaft -0.55 (printed); the fifth decimal is not hidden


def test_unconfirmed_answers_warn_on_standard_error(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["fit", "class", "LC2", "1", "--json"]) == 0
    shown = capsys.readouterr()
    assert json.loads(shown.out)["confirmation"] == "derived"
    assert "warning" in shown.err
    assert run(["fit", "class", "RC2", "1", "--json"]) == 0
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["class", "FN3", "0.5"], "over 0.95 to 19.69 in"),
        (["class", "H7", "0.5"], "holeqc fit metric H7"),
        (["class", "H7/g6"], "holeqc fit metric H7/g6 SIZE"),
        (["class", "RC10", "0.5"], "no class 'RC10'"),
        (["class", "RC1", "25"], "19.69"),
        (["class", "RC1", "big"], "not a length"),
        (["class", "RC1", "-1"], ""),
        (["metric", "Q7", "20"], "it has A B C"),
        (["metric", "H7/g6", "4000"], "3150"),
        (["pair", "--hole", "0.462", "0.455", "--pin", "0.43", "0.44"], "low limit"),
        (["drill", "0.5", "0.4"], "below its high limit"),
        (["drill", "0.4", "0.41", "--history", "X 0.4"], "colon"),
        (["drill", "0.4", "0.41", "--series", "roman"], "series are"),
        (["drill", "0.455", "0.462", "--history", "29/65: 0.4561"], "--history '29/65: 0.4561': '29/65' is no drill"),
        (["drill", "0.455", "0.462", "--history", "29/64: 0.4561 4.567 0.4559"], "4.5670 in doesn't belong"),
        (["plug", "0.25", "0.254", "--unit", "ell"], "in or mm"),
        (["plug", "0.455", "0.462", "--wear-limit", "0.2"], "farther below the low limit 0.455 than the whole"),
        (["plug", "0.455", "0.462", "--uncertainty", "1"], "--uncertainty 1 is more than the whole tolerance"),
        (["plug", "0.455", "0.462", "--uncertainty", "0.0002", "--needs", "0.1"], "--needs 0.1 is more"),
        (["plug", "0.455", "0.462", "--uncertainty", "0.0002", "--go-size", "4.55"], "--go-size 4.55 is over 0.007"),
        (["plug", "0.455", "0.462", "--uncertainty", "0.0002", "--mean", "4.58", "--sd", "0.001"], "4.58 is far"),
        (["class", "RC5", "1e-3"], "smallest shaft would be 0 in"),
        (["drill", "0.455", "11.7mm"], "0.455 names no unit, 11.7mm does. Write 0.455in or 0.455mm, or give --unit"),
        (["pair", "--hole", "0.455", "0.462", "--pin", "11mm", "11.1mm"], "0.455 names no unit"),
        (["plug", "0.455in", "0.462", "--wear-limit", "0.4549"], "0.462 names no unit"),
        (["drill", "0.455", "0.462", "--history", "29/64: 11.58mm 11.6"], "11.6 names no unit"),
        ([*CASES["pair"], "--temperature", "60"], "--expansion HOLE PIN; about 23.1 for aluminium"),
        ([*CASES["pair"], "--expansion", "23.1", "11.5"], "without --temperature"),
        ([*CASES["pair"], "--temperature", "-400", "--expansion", "23.1", "11.5"], "allowed: -100 to 300"),
        ([*CASES["pair"], "--temperature", "nan", "--expansion", "23.1", "11.5"], "allowed: -100 to 300"),
        ([*CASES["pair"], "--temperature", "60", "--expansion", "-1e9", "5"], "hole -1e+09; allowed: 0, or 0.1 to 300"),
        ([*CASES["pair"], "--temperature", "60", "--expansion", "23.1", "11.5e-6"], "of the pin 1.15e-05; allowed"),
        ([*CASES["pair"], "--wear", "1", "0"], "--wear of the hole 1; allowed"),
        ([*CASES["pair"], "--measured", "0.4561 4.561"], "--measured 4.5610 is no hole"),
        (["plug", "20", "20.1"], "B89.1.5"),
        (["pattern", "no-such-file.toml"], ""),
    ],
)
def test_unusable_input_is_exit_2_with_a_reason(
    capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert run(["fit", *words]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert said in shown.err
    assert "Traceback" not in shown.err


def test_pair_answer(capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(capsys, *CASES["pair"], "--wanted", "0.020", "--temperature", "60", "--expansion", "23.1", "11.5",
                   "--measured", "0.4561 0.4570")  # fmt: skip
    assert found["clearance"] == {"min": 0.019, "max": 0.0275}
    assert found["allowance"] == 0.019
    assert found["kind"] == "clearance"
    assert found["statistics"]["uniform"]["interference"] == 0.0
    # by hand: triangle of side 0.001 in a rectangle 0.007 by 0.0015
    assert found["statistics"]["uniform"]["below_wanted"] == pytest.approx(0.5 * 0.001**2 / (0.007 * 0.0015), abs=1e-9)
    assert found["statistics"]["measured"]["mean"] == pytest.approx(0.45655 - 0.43525, abs=1e-9)
    assert found["condition"]["min"] == pytest.approx(0.455 * 1.000924 - 0.436 * 1.00046, abs=1e-9)
    worn = answer(capsys, *CASES["pair"], "--wear", "0.003", "0.001")
    assert worn["condition"] == {"min": 0.019, "max": 0.0315}  # both worn: 0.0275 + 0.004
    same = answer(capsys, "pair", "--hole", "20", "20.021", "--pin", "19.98", "19.993", "--unit", "mm")
    assert same["unit"] == "mm"
    assert same["nearest"][0]["name"] == "H7/g6"


def test_two_named_units_are_converted_and_that_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    # by hand: 11 mm = 0.4330709 in, 11.1 mm = 0.4370079 in
    assert run(["fit", "pair", "--hole", "0.455in", "0.462in", "--pin", "11mm", "11.1mm", "--json"]) == 0
    shown = capsys.readouterr()
    assert json.loads(shown.out)["clearance"]["min"] == pytest.approx(0.455 - 11.1 / 25.4, abs=1e-9)
    assert "the answer is in inch" in shown.err
    assert run(["fit", "pair", "--hole", "0.455", "0.462", "--pin", "11mm", "11.1mm", "--unit", "in", "--json"]) == 0
    shown = capsys.readouterr()
    assert json.loads(shown.out)["pin"]["max"] == pytest.approx(11.1 / 25.4, abs=1e-9)
    assert "the answer is in inch" in shown.err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["drill", "10", "10.1"], "10 is taken as inch, 254 mm; if mm is meant write 10mm or --unit mm"),
        (["pair", "--hole", "12", "12.018", "--pin", "11.983", "11.994"], "11.983 is taken as inch"),
        (["plug", "11", "11.1"], "11 is taken as inch"),
        (["class", "RC7", "12"], "12 is taken as inch, 304.8 mm"),
        (["metric", "H7", "0.4375"], "0.4375 is taken as mm, 0.0172 in; if inch is meant write 0.4375in"),
        (["drill", "0.455", "0.462", "--unit", "mm"], "0.462 is taken as mm"),
        (["drill", "0.455", "0.462"], ""),
        (["drill", "10mm", "10.1mm"], ""),
        (["drill", "10", "10.1", "--unit", "mm"], ""),
        (["class", "RC7", "3 1/2"], ""),
        (["class", "RC7", "3.5in"], ""),
    ],
)
def test_sizes_that_suggest_the_other_unit_are_told(
    capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert run(["fit", *words]) == 0
    shown = capsys.readouterr().err
    assert said in shown
    assert ("is taken as" in shown) == bool(said)


def test_measured_holes_outside_their_band_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    words = [*CASES["pair"], "--measured", "0.47, 0.4561, 0.4549"]
    assert answer(capsys, *words)["measured_outside"] == [0.47, 0.4549]
    assert run(["fit", *words]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Caution: measured 0.4700, 0.4549 lie outside the hole's limits, 0.4550 to 0.4620 in." in said
    assert answer(capsys, *CASES["pair"], "--measured", "0.455 0.462")["measured_outside"] == []


def test_odd_pairs_and_swapped_letters_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["fit", "pair", "--hole", "0.455", "0.462", "--pin", "4.345", "4.360"]) == 0
    assert "a pin of 4.345 in a hole of 0.455" in capsys.readouterr().err
    assert run(["fit", "metric", "h7/G6", "12"]) == 0
    assert "h7/G6 is taken as G6/h7" in capsys.readouterr().err
    assert run(["fit", "metric", "g6", "12"]) == 0
    assert capsys.readouterr().err == ""


def test_a_tenth_of_a_narrow_tolerance_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["fit", "plug", "0.4550", "0.45501"]) == 0
    assert "is 0.0000005 in each" in " ".join(capsys.readouterr().out.split())  # by hand: half a tenth of 0.00001


def test_drill_answer(capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(capsys, "drill", "0.396", "0.403")
    assert found["candidates"][0]["names"] == "X"
    assert found["reaming"]["reamer"] == 0.3995
    assert found["sequence"][-1]["names"] == "X"
    assert found["bushing"] == {"min": 0.3971, "max": 0.3975}  # ANSI B94.33: +.0001 / +.0005 over 1/4 to 3/4 in
    past = answer(capsys, "drill", "0.455", "0.462", "--history", "29/64: 0.4561 0.4567 0.4559", "--series", "fraction")
    assert past["candidates"][0]["basis"] == "shop history"
    assert past["candidates"][0]["readings"] == 3
    assert answer(capsys, "drill", "3", "3.05")["candidates"] == []


def test_drill_says_what_its_figures_rest_on(capsys: pytest.CaptureFixture[str]) -> None:
    def text(*words: str) -> str:
        assert run(["fit", "drill", *words]) == 0
        return " ".join(capsys.readouterr().out.split())

    assert "Without a bushing take 10 mm" in text("0.396", "0.403")
    one = text("0.455", "0.462", "--history", "29/64: 0.4561")
    assert "measured in the shop" not in one
    assert "1 hole is too few" in one
    three = text("0.455", "0.462", "--history", "29/64: 0.4561, 0.4567, 0.4559")
    assert "with 95 % confidence) by 3 holes measured in the shop" in three
    assert "11.6 mm itself was not tried" in text("0.455", "0.462", "--history", "X: 0.4002 0.4005 0.3999")
    assert "387 more" in text("0.01", "2")


def test_plug_answer(capsys: pytest.CaptureFixture[str]) -> None:
    # two gauge suppliers' example, see the plug tests
    found = answer(capsys, "plug", "0.250", "0.254")
    assert found["go"] == {
        "nominal": 0.25, "maker_class": "ZZ", "tolerance": 0.0002, "lower": 0.25, "upper": 0.2502,
    }  # fmt: skip
    assert (found["no_go"]["lower"], found["no_go"]["upper"]) == (0.2538, 0.254)
    assert found["wear_limit"] is None


@pytest.mark.parametrize("words", CASES.values(), ids=CASES)
def test_drawings_are_the_same_bytes_each_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    for ending in ("svg", "png", "pdf") if words[0] == "class" else ("svg",):
        files = [tmp_path / f"{k}.{ending}" for k in (1, 2)]
        for file in files:
            assert run(["fit", *words, "--plot", str(file)]) == 0
        assert files[0].read_bytes() == files[1].read_bytes()
        assert files[0].stat().st_size > 2000
        if ending == "svg":
            assert b"<svg" in files[0].read_bytes()
    assert "Drawing:" in capsys.readouterr().err
    assert run(["fit", *words, "--plot", str(tmp_path / "x.bmp")]) == 2
    assert ".svg, .png, .pdf" in capsys.readouterr().err


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("class", "metric", "pair", "drill", "plug", "pattern"):
        assert run(["fit", name, "--help"]) == 0
        text = " ".join(capsys.readouterr().out.split())
        assert f"Example: holeqc fit {name}" in text


@pytest.mark.parametrize(("words", "number"), [
    (["drill", "-0.1", "0.2"], "-0.1"), (["drill", "0.1", "-.2in"], "-.2in"), (["drill", "--", "-0.1", "0.2"], "-0.1"),
    (["drill", "0", "0.2"], "0"), (["plug", "-0.1", "0.2"], "-0.1"), (["class", "RC7", "-7/16"], "-7/16"),
    (["metric", "H7/g6", "-12"], "-12"), (["metric", "H7/g6", "-12mm"], "-12mm"),
    (["pair", "--hole", "-0.1", "0.2", "--pin", "0.1", "0.2"], "-0.1"),
    (["pair", "--hole", "0.1", "0.2", "--pin", "0.1in", "-0.2in"], "-0.2in"),
    (["plug", "0.1", "0.2", "--wear-limit", "-0.1"], "--wear-limit -0.1"),
    (["plug", "0.1", "0.2", "--uncertainty", "0.001", "--mean", "-0.15", "--sd", "0.01"], "--mean -0.15"),
])
def test_a_size_below_zero_is_named_and_refused(
    words: list[str], number: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["fit", *words]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    mend = "" if number == "0" else "; type it without a minus sign"
    assert said.err == f"holeqc: {number}: a size must be above zero{mend}\n"


def test_a_wrong_option_stays_a_wrong_option(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["drill", "0.1", "0.2", "--histry", "x"], ["drill", "0.1", "0.2", "-x"]):
        assert run(["fit", *words]) == 2
        assert "No such option" in capsys.readouterr().err
    # an interference that is wanted is a number below zero
    assert run(["fit", "pair", "--hole", "0.455", "0.462", "--pin", "0.4345", "0.4360", "--wanted", "-0.001"]) == 0
    capsys.readouterr()


def test_drills_through_a_bushing_are_in_plain_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["fit", "drill", "0.396", "0.403"]) == 0
    out = capsys.readouterr().out
    flat = " ".join(out.split())
    assert "jig limits" not in out
    assert "With bushing: smallest and largest hole that AND10387 allows" in flat
    assert "in: both lie inside your limits; out: at least one lies outside them." in flat
    assert "To low, to high: room from these two to your limits, minus beyond." in flat
    assert max(map(len, out.splitlines())) <= 80
    # a drill beyond the table of AND10387 has no such column to explain
    assert run(["fit", "drill", "2.51", "2.53"]) in (0, 2)
    assert "With bushing: smallest" not in capsys.readouterr().out


def test_titles_write_the_unit_out(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["fit", *CASES["pair"]]) == 0
    assert capsys.readouterr().out.startswith("Hole and pin, lengths in inch\n")
    assert run(["fit", "pair", "--hole", "11.55mm", "11.75mm", "--pin", "11.0mm", "11.1mm"]) == 0
    assert capsys.readouterr().out.startswith("Hole and pin, lengths in mm\n")
