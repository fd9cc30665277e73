"""From a blank study sheet to U in the kit file, and plugs near the limit: the commands around gauge studies."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

from holeqc.__main__ import run
from holeqc.readings.sheet import StudyPlan, run_order
from holeqc.specification.load import load_specification

ROOT = Path(__file__).resolve().parents[2]
STUDY = str(ROOT / "sample_measurements" / "gauge_study" / "bg-2_study.csv")
COLUMNS = ["--part", "part", "--appraiser", "appraiser", "--value", "reading"]
DEMO = (ROOT / "tolerances" / "bl7.toml").read_bytes()


@pytest.fixture
def kit(tmp_path: Path) -> Path:
    path = tmp_path / "bl7.toml"
    path.write_bytes(DEMO)
    return path


def rows_of(path: Path) -> list[tuple[Any, ...]]:
    return list(openpyxl.load_workbook(path).worksheets[0].iter_rows(min_row=2, max_col=4, values_only=True))


def test_a_study_sheet_of_holes_filled_and_worked_out(
    kit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "study.xlsx"
    names = ["--serial", "P-1", "--serial", "P-2", "--hole", "1", "--hole", "3", "--hole", "8"]
    assert run(["sheet", str(kit), "--study", "-o", str(sheet), *names, "--seed", "7", "--appraiser", "day",
                "--appraiser", "late"]) == 0  # fmt: skip
    said = capsys.readouterr().out
    assert "6 pieces, 2 appraisers, 2 trials, 24 readings" in said
    assert "Gauge BG-2" in said
    items = tuple(f"P-{s} hole {h}" for s in (1, 2) for h in (1, 3, 8))
    assert rows_of(sheet) == [
        (r.run, r.part, r.appraiser, r.trial) for r in run_order(StudyPlan(items, ("day", "late"), 2, 7))
    ]
    book = openpyxl.load_workbook(sheet)
    rng = np.random.default_rng(1)
    for row in book.worksheets[0].iter_rows(min_row=2):
        row[4].value = round(0.458 + 0.0004 * items.index(str(row[1].value)) + rng.normal(0, 0.0001), 4)
    book.save(sheet)
    # the command that the sheet's writer prints works the filled sheet out
    command = re.search(r"holeqc (gauge-study .*)", said)
    assert command is not None
    assert "--lower 0.455 --upper 0.462 --unit in" in command[1]
    assert run(command[1].split()) == 0
    assert "6 parts, 2 appraisers, 2 trials, 24 readings in in" in capsys.readouterr().out


def test_other_ways_to_name_pieces(kit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for number, (options, count, first) in enumerate([
        ([], 8, "hole "), (["--items", "10", "--trials", "3"], 10, "piece "),
        (["--item", "ring A", "--item", "ring B"], 2, "ring "), (["--hole", "2", "--hole", "4"], 2, "hole "),
    ]):  # fmt: skip
        sheet = tmp_path / f"{number}.xlsx"
        assert run(["sheet", str(kit), "--study", "-o", str(sheet), *options]) == 0
        parts = {row[1] for row in rows_of(sheet)}
        assert len(parts) == count
        assert all(str(p).startswith(first) for p in parts)
        assert {row[2] for row in rows_of(sheet)} == {"appraiser 1", "appraiser 2", "appraiser 3"}
    capsys.readouterr()


def test_a_plug_makes_it_a_study_in_words(kit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = tmp_path / "plug.xlsx"
    assert run(["sheet", str(kit), "--study", "-o", str(sheet), "--gauge", "PL-455"]) == 0
    assert "--lower" not in capsys.readouterr().out
    (rule,) = openpyxl.load_workbook(sheet).worksheets[0].data_validations.dataValidation
    assert rule.formula1 == '"enters,does not enter"'


def test_a_study_sheet_is_never_lost(kit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = tmp_path / "study.xlsx"
    command = ["sheet", str(kit), "--study", "-o", str(sheet), "--items", "3"]
    assert run(command) == 0
    first = sheet.read_bytes()
    assert run([*command, "--seed", "2"]) == 2
    assert run([*command, "--trials", "0", "--replace"]) == 2
    assert sheet.read_bytes() == first
    assert run([*command, "--seed", "2", "--replace"]) == 0
    assert [p.name for p in tmp_path.iterdir() if p.suffix == ".xlsx"] == ["study.xlsx"]
    pieces, people = (tuple(f"{word} {n}" for n in (1, 2, 3)) for word in ("piece", "appraiser"))
    assert rows_of(sheet) == [(r.run, r.part, r.appraiser, r.trial) for r in run_order(StudyPlan(pieces, people, 2, 2))]
    capsys.readouterr()


@pytest.mark.parametrize(
    "options",
    [
        ["--items", "3", "--item", "a"],
        ["--items", "3", "--serial", "P-1"],
        ["--hole", "99"],
        ["--gauge", "none"],
        ["--part", "none"],
        ["--choice", "only"],
        ["--appraiser", "a", "--appraiser", "a"],
    ],
)
def test_study_sheets_that_cannot_be(
    kit: Path, tmp_path: Path, options: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "no.xlsx"
    assert run(["sheet", str(kit), "--study", "-o", str(sheet), *options]) == 2
    assert not sheet.exists()
    assert run(["sheet", str(kit), "-o", str(sheet), "--items", "3"]) == 2
    assert "only with --study" in capsys.readouterr().err


def test_u_goes_into_the_kit_file(kit: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["gauge-study", STUDY, *COLUMNS, "--budget", "master=0.0001", "--write", str(kit), "--gauge", "BG-2"]
    assert run([*command, "--json"]) == 0
    caught = capsys.readouterr()
    data = json.loads(caught.out)
    new = data["written"]["new"]
    # U rounded up to two digits, never down
    assert data["budget"]["expanded"] <= new < data["budget"]["expanded"] * 1.1
    assert (data["written"]["old"], data["written"]["gauge"]) == (0.0003, "BG-2")
    assert "was 0.0003, is now" in caught.err
    gauge = load_specification(kit).gauge("BG-2")
    assert gauge is not None
    assert gauge.uncertainty == new
    # the step of 0.0001 is the kit's own: half of it, rectangular (JCGM 100, F.2.2.1)
    step = next(line for line in data["budget"]["lines"] if line["name"] == "resolution")
    assert step["uncertainty"] == pytest.approx(0.00005 / 3**0.5)
    text = kit.read_text(encoding="utf-8")
    assert all(f"# {name}: " in text for name in ("repeatability", "reproducibility", "master", "resolution"))
    assert "# U from a gauge study: bg-2_study.csv" in text
    assert Path(data["written"]["backup"]).read_bytes() == DEMO
    assert run(command) == 0
    out = capsys.readouterr().out
    assert f"is now {new:g} in" in out
    assert (kit.parent / "bl7.toml.bak2").is_file()


def test_a_budget_without_a_master_is_told(kit: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["gauge-study", STUDY, *COLUMNS, "--write", str(kit), "--gauge", "BG-2"]) == 0
    out = capsys.readouterr().out
    assert "no line of the master" in out
    assert "smaller than before" in out


@pytest.mark.parametrize(
    "options",
    [
        ["--write", "{kit}"],
        ["--write", "{kit}", "--gauge", "BG-9"],
        ["--gauge", "BG-2"],
        ["--write", "{kit}", "--gauge", "BG-2", "--unit", "mm"],
        ["--write", "missing.toml", "--gauge", "BG-2"],
        ["--write", "{kit}", "--gauge", "BG-2", "--budget", "gauge=CM-1"],
        ["--write", "{kit}", "--gauge", "BG-2", "--plot", "picture.bmp"],
        ["--write", "{kit}", "--gauge", "BG-2", "--over-time"],
    ],
)
def test_nothing_is_written_when_it_cannot_be(
    kit: Path, options: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["gauge-study", STUDY, *COLUMNS, *(o.replace("{kit}", str(kit)) for o in options)]) == 2
    caught = capsys.readouterr()
    assert len(caught.err) > 10
    assert "Traceback" not in caught.err
    assert kit.read_bytes() == DEMO
    assert [p.name for p in kit.parent.iterdir()] == ["bl7.toml"]


def test_readings_in_the_other_unit_are_refused(kit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    metric = tmp_path / "metric" / "study.csv"
    metric.parent.mkdir()
    lines = Path(STUDY).read_text(encoding="utf-8").splitlines()
    body = [",".join([*line.split(",")[:4], f"{25.4 * float(line.split(',')[4]):.4f}"]) for line in lines[1:]]
    metric.write_text("\n".join([lines[0], *body]) + "\n", encoding="utf-8")
    assert run(["gauge-study", str(metric), *COLUMNS, "--write", str(kit), "--gauge", "BG-2"]) == 2
    assert "--unit" in capsys.readouterr().err
    assert kit.read_bytes() == DEMO


def test_plugs_near_the_limit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    picture = tmp_path / "plug.svg"
    command = ["fit", "plug", "0.455", "0.462", "--uncertainty", "0.0002", "--go-size", "0.4551", "--mean", "0.4582",
               "--sd", "0.0012"]  # fmt: skip
    assert run([*command, "--json", "--plot", str(picture)]) == 0
    data = json.loads(capsys.readouterr().out)["wrong_answers"]
    assert b"<svg" in picture.read_bytes()
    # normal table: at the limit the calibrated GO (0.4551, standard uncertainty 0.0001) is one sigma too large: a good
    # hole on the limit is refused with 84.134 %
    at = data["at_lower"]["size"].index(pytest.approx(0.455))
    assert data["at_lower"]["good_refused"][at] == pytest.approx(0.841345, abs=1e-6)
    # holes 3 and 2 sigma of the curve below the limit are let pass with the chance of -4 and -3 sigma (normal table)
    assert data["at_lower"]["bad_accepted"][:2] == pytest.approx([3.167e-5, 1.3499e-3], rel=1e-3)
    assert data["at_lower"]["good_refused"][0] == 0
    # share outside: -2.667 and +3.167 sigma of the process (normal table)
    assert data["risk"]["outside"] == pytest.approx(0.003830 + 0.000770, abs=2e-6)
    assert 0 < data["risk"]["bad_accepted"] < data["risk"]["outside"]
    assert run(command) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    assert "as calibrated" in out
    assert "middle of the maker's limits" in out


@pytest.mark.parametrize(
    "options",
    [
        ["--mean", "0.458"],
        ["--uncertainty", "0.0002", "--mean", "0.458"],
        ["--uncertainty", "-0.1"],
        ["--uncertainty", "0.0002", "--mean", "0.458", "--sd", "0"],
    ],
)
def test_plug_options_that_do_not_go(options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["fit", "plug", "0.455", "0.462", *options]) == 2
    assert capsys.readouterr().out == ""


def spoiled(tmp_path: Path, change: str) -> str:
    lines = Path(STUDY).read_text(encoding="utf-8").splitlines()
    rows = [line.split(",") for line in lines]
    if change == "slip":
        rows[7][4] = "4.591"
    elif change == "constant":
        rows[1:] = [[*row[:4], "0.4591"] for row in rows[1:]]
    path = tmp_path / "spoiled" / "study.csv"
    path.parent.mkdir()
    path.write_text("\n".join(",".join(row) for row in rows) + "\n", encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(
    ("change", "left_out", "words"),
    [
        ("slip", 0, "row 8, column reading"),
        ("constant", 0, "every reading is the same"),
        ("none", 2, "--part part"),
        ("none", 4, "--part part"),
    ],
)
def test_a_worthless_u_is_not_written(
    kit: Path, tmp_path: Path, change: str, left_out: int, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    columns = COLUMNS[left_out:]
    command = ["gauge-study", spoiled(tmp_path, change), *columns]
    assert run([*command, "--write", str(kit), "--gauge", "BG-2"]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "not written because" in told
    assert words in told
    assert kit.read_bytes() == DEMO
    assert run(command) == 0  # to look at it stays possible
    caught = capsys.readouterr()
    assert "columns of the file that are not used: run" in caught.err
    assert "not defined is above" not in caught.out


def test_nested_parts_of_one_name_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["gauge-study", STUDY, *COLUMNS, "--nested"]) == 0
    assert "counted as 30 parts" in " ".join(capsys.readouterr().out.split())
