"""`holeqc fit pattern`: virtual conditions of a kit, what its clearance affords, the chance that it goes together."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from fits_data import two_pin_margin

from holeqc.__main__ import run
from holeqc.answers.fits import pattern_report
from holeqc.fits.clearance import pattern_tolerances, probability_of_assembly
from holeqc.problems import DataError
from holeqc.specification.load import load_specification, parse_specification

KIT = Path(__file__).parents[2] / "tolerances" / "bl7.toml"
TWO = """
[kit]
id = "two"
unit = "in"
[size]
lower = 0.455
upper = 0.460
[position]
tolerance = 0.030
condition = "{condition}"
[pin]
lower = 0.440
upper = 0.442
position_tolerance = 0.012
[[hole]]
x = 1.0
y = 1.0
[[hole]]
x = 4.0
y = 2.0
"""


def test_demo_kit_by_hand(capsys: pytest.CaptureFixture[str]) -> None:
    # the demo's numbers are made to meet: 0.455 - 0.011 = 0.444 = 0.436 + 0.008; clearance at MMC 0.019
    assert run(["fit", "pattern", str(KIT), "--json", "--pairs", "3000"]) == 0
    found = json.loads(capsys.readouterr().out)
    (group,) = found["groups"]
    assert len(group["holes"]) == 8
    assert (group["hole_virtual"], group["pin_virtual"], group["room"]) == (0.444, 0.444, 0.0)
    assert (group["clearance"], group["used"]) == (0.019, 0.019)
    # largest hole 0.462, smallest pin 0.4345 over 1.250: about 0.0275 / 1.25 rad
    assert group["tilt_deg"] == pytest.approx(np.degrees(0.0275 / 1.25), rel=0.02)
    assert found["guaranteed"] is True
    assert found["assembly"]["fits"] == found["assembly"]["pairs"] == 3000
    assert found["assembly"]["margin_worst"] > 0
    assert found["assembly"]["lower"] == pytest.approx(0.025 ** (1 / 3000), abs=1e-9)


@pytest.mark.parametrize("condition", ["MMC", "RFS", "LMC"])
def test_two_pins_with_the_gauge_equal_the_closed_form(condition: str) -> None:
    # second route: the exact margin of two free pins, on the same draws
    report = pattern_report(parse_specification(TWO.format(condition=condition)), pairs=20_000)
    tolerances = pattern_tolerances([[1.0, 1.0], [4.0, 2.0]], (0.455, 0.46, 0.03), (0.44, 0.442, 0.012), condition)
    exact = probability_of_assembly(tolerances, two_pin_margin, 20_000)
    assert report.assembly is not None
    assert 0.5 < exact.probability < 0.99
    assert abs(report.assembly.fits - exact.fits) <= 1
    assert report.assembly.margin_median == pytest.approx(exact.margin_median, abs=1e-7)
    assert report.assembly.margin_worst == pytest.approx(exact.margin_worst, abs=1e-7)
    assert not report.guaranteed


def test_text_fits_the_screen_and_says_what_matters(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    drawing = tmp_path / "zones.svg"
    assert run(["fit", "pattern", str(KIT), "--pairs", "500", "--plot", str(drawing)]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    flat = " ".join(text.split())
    for words in ("virtual", "projected tolerance zone", "confidence interval", "leans up to", "500 of 500"):
        assert words in flat
    assert drawing.stat().st_size > 2000


def test_a_kit_that_cannot_be_worked_out() -> None:
    text = TWO.format(condition="RFS")
    without_position = text.replace("[position]\ntolerance = 0.030\n", "[position]\n")
    report = pattern_report(parse_specification(without_position))
    assert report.assembly is None
    assert not report.guaranteed
    assert "position tolerance" in report.notes[0]
    pinless = text.replace("[pin]\nlower = 0.440\nupper = 0.442\nposition_tolerance = 0.012\n", "")
    with pytest.raises(DataError, match="no hole takes a pin"):
        pattern_report(parse_specification(pinless))


def test_the_drill_bushing_share() -> None:
    # 29/64 drill, standard bore to +0.0005 (ANSI B94.33): 0.0005 / 0.011 of the demo's pattern tolerance
    report = pattern_report(load_specification(KIT), pairs=10)
    assert report.groups[0].bushing_share == pytest.approx(0.0005 / 0.011, rel=1e-6)
