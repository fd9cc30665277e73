"""The commands `kit` and `sheet`, through the one door that people use."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from holeqc.__main__ import run

BL7 = str(Path(__file__).parents[2] / "tolerances" / "bl7.toml")
Captured = pytest.CaptureFixture[str]


def test_new_writes_a_starter_that_nothing_is_judged_by_and_never_writes_over_one(tmp_path: Path, capsys: Captured) -> None:
    file = tmp_path / "gate.toml"
    assert run(["kit", "new", str(file)]) == 0
    written = file.read_bytes()
    assert run(["kit", "show", str(file)]) == 2  # nothing was typed into it yet
    assert "still those that holeqc kit new wrote" in capsys.readouterr().err
    assert run(["kit", "new", str(file)]) == 2
    assert file.read_bytes() == written
    assert "already there" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["gate.txt", "none/gate.toml"])
def test_new_refuses_names_that_no_kit_file_has(name: str, tmp_path: Path, capsys: Captured) -> None:
    assert run(["kit", "new", str(tmp_path / name)]) == 2
    assert list(tmp_path.iterdir()) == []
    assert name in capsys.readouterr().err


def test_show_in_words_json_and_picture(tmp_path: Path, capsys: Captured) -> None:
    assert run(["kit", "show", BL7]) == 0
    assert "virtual condition 0.4440" in capsys.readouterr().out
    assert run(["kit", "show", BL7, "--json", "--plot", str(tmp_path / "bl7.svg")]) == 0
    assert json.loads(capsys.readouterr().out)["id"] == "BL-7"
    assert (tmp_path / "bl7.svg").read_text(encoding="utf-8").startswith("<?xml")
    assert run(["kit", "show", BL7, "--plot", str(tmp_path / "bl7.gif")]) == 2


def test_show_prints_every_problem_and_exits_2(tmp_path: Path, capsys: Captured) -> None:
    file = tmp_path / "k.toml"
    file.write_text('[kit]\nunit = "in"\nrev = 3\n[size]\nlower = 0.462\nupper = 0.455\n[[hole]]\n', encoding="utf-8")
    assert run(["kit", "show", str(file)]) == 2
    errors = capsys.readouterr().err
    assert "Did you mean revision?" in errors
    assert "the lower limit is above the upper limit" in errors


def test_keys_of_all_tables_or_one(capsys: Captured) -> None:
    assert run(["kit", "keys"]) == 0
    assert "[[gauge]]" in capsys.readouterr().out
    assert run(["kit", "keys", "position"]) == 0
    text = capsys.readouterr().out
    assert "pattern_tolerance" in text
    assert "[[gauge]]" not in text
    assert run(["kit", "keys", "postion"]) == 2
    assert "did you mean position?" in capsys.readouterr().err


def test_sheet_writes_one_sheet_a_serial_and_never_over_readings(tmp_path: Path, capsys: Captured) -> None:
    import openpyxl

    file = tmp_path / "blank.xlsx"
    command = ["sheet", BL7, "-o", str(file), "--part", "port", "--serial", "1041", "--serial", "1042"]
    assert run(command) == 0
    assert "2 blank sheets for kit BL-7, revision C" in capsys.readouterr().out
    assert openpyxl.load_workbook(file).sheetnames[:2] == ["1041", "1042"]
    written = file.read_bytes()
    assert run(command) == 2
    assert file.read_bytes() == written
    assert run([*command, "--replace"]) == 0
    assert run(["sheet", BL7, "-o", str(tmp_path / "blank.xls")]) == 2
    assert run(["sheet", BL7, "-o", str(tmp_path / "b.xlsx"), "--part", "stern"]) == 2
    assert "port, starboard" in capsys.readouterr().err


@pytest.mark.parametrize("command", [["kit"], ["kit", "new"], ["kit", "show"], ["kit", "keys"], ["sheet"]])
def test_every_command_has_help(command: list[str], capsys: Captured) -> None:
    assert run([*command, "--help"]) == 0
    text = capsys.readouterr().out
    assert "Usage" in text
    assert command == ["kit"] or "Example: holeqc" in text
