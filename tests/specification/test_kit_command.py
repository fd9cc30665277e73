"""The commands `kit` and `sheet`, through the one door that people use."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from holeqc.__main__ import run

BL7 = str(Path(__file__).parents[2] / "tolerances" / "bl7.toml")
Captured = pytest.CaptureFixture[str]


def test_new_writes_a_starter_that_judges_nothing_and_never_writes_over_one(tmp_path: Path, capsys: Captured) -> None:
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


@pytest.mark.parametrize(("word", "first", "has", "without"), [
    ("hole", "Keys of a [[hole]];", ("  bushing ", "[position]", "  upper ", "[rework]"), ("[[gauge]]", "  drill ")),
    ("[[hole]]", "Keys of a [[hole]];", ("  bushing ",), ("[[gauge]]",)),
    ("pat", "Keys of what begins with pat", ("  pattern_tolerance ",), ("  tolerance ",)),
    ("upper", "Keys of the key upper", ("[size]", "[pin] or [[pin]]"), ("  lower ",)),
    ("size.upper", "Keys of the key size.upper", ("[size]",), ("[pin]",)),
    ("holes", "Keys of a [[hole]];", ("  x ",), ("[[gauge]]",)),
    ("postion", "Keys of position, the word nearest to postion", ("  pattern_rotates ",), ("[[gauge]]",)),
    ("confirmed", "Keys of [confirmed]", ("limits far apart: ", "pin larger than the smallest hole: "), ("[size]",)),
])  # fmt: skip
def test_keys_of_a_word_its_beginning_or_one_near_it(
    word: str, first: str, has: tuple[str, ...], without: tuple[str, ...], capsys: Captured
) -> None:
    assert run(["kit", "keys", word]) == 0
    text = capsys.readouterr().out
    assert text.startswith(first)
    assert max(map(len, text.splitlines())) <= 80
    assert all(words in text for words in has)
    assert not any(words in text for words in without)


def test_keys_of_a_word_that_means_nothing_names_the_tables(capsys: Captured) -> None:
    assert run(["kit", "keys", "xyzzy"]) == 2
    assert "tables are kit, part, fixture" in capsys.readouterr().err


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


def warned_kit(folder: Path) -> str:
    """The demonstration kit with a coarse gauge, which is to be looked at, and a wide tolerance that is confirmed."""
    text = Path(BL7).read_text(encoding="utf-8").replace("uncertainty = 0.0006", "uncertainty = 0.006")
    text = text.replace("tolerance = 0.060 ", "tolerance = 0.30 ")
    text += '\n[confirmed]\n"wide position tolerance: ⌀0.300, hole 0.455 to 0.462 in" = "note 4, engineering"\n'
    text = text.replace("minimum_diameters = 2.0", "minimum_diameters = 1.5")
    path = folder / "warned.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


SAMPLES = Path(BL7).parents[1] / "sample_measurements"
HISTORY = str(SAMPLES / "fixture_history" / "df-bl7_history.csv")
JUDGING = [
    ["check", "KIT", str(SAMPLES / "bl7_P-0107.xlsx")],
    ["sheet", "KIT", "-o", "OUT"],
    ["capability", "KIT", HISTORY, "--only", "3"],
    ["chart", "KIT", HISTORY, "--only", "3"],
    ["fit", "pattern", "KIT", "--pairs", "100"],
]
LIMITS_LINE = "Kit BL-7 rev C, inch: 8 holes 0.455 to 0.462"


@pytest.mark.parametrize("command", JUDGING, ids=lambda c: c[0])
def test_every_command_that_judges_says_what_the_kit_warns_of(
    command: list[str], tmp_path: Path, capsys: Captured
) -> None:
    file = warned_kit(tmp_path)
    assert run([{"KIT": file, "OUT": str(tmp_path / "b.xlsx")}.get(word, word) for word in command]) in {0, 3}
    captured = capsys.readouterr()
    told = [line for line in captured.err.splitlines() if line.startswith(f"warning: {file}, line ")]
    assert len(told) == 1
    assert "gauge 'CM-1' is coarse" in told[0]
    assert command[0] == "fit" or captured.out.startswith(LIMITS_LINE)


def test_show_begins_with_the_limits_and_tells_what_is_confirmed(tmp_path: Path, capsys: Captured) -> None:
    assert run(["kit", "show", warned_kit(tmp_path)]) == 0
    captured = capsys.readouterr()
    assert captured.out.startswith(f"{LIMITS_LINE}\n")
    words = " ".join(captured.out.split())
    assert "wide position tolerance: ⌀0.300, hole 0.455 to 0.462 in. Reason: note 4, engineering" in words
    assert "gauge 'CM-1' is coarse" in words
    assert captured.err == ""


def test_the_report_tells_what_is_confirmed_and_what_is_to_be_looked_at(tmp_path: Path, capsys: Captured) -> None:
    out = tmp_path / "report"
    assert run(["check", warned_kit(tmp_path), str(SAMPLES / "bl7_P-0107.xlsx"), "--out", str(out)]) in {0, 3}
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "note 4, engineering" in page
    assert "is coarse for the tolerance of position" in page
    capsys.readouterr()


def test_the_blank_sheet_begins_with_the_limits(tmp_path: Path, capsys: Captured) -> None:
    import openpyxl

    assert run(["sheet", BL7, "-o", str(tmp_path / "b.xlsx"), "--part", "port"]) == 0
    title = openpyxl.load_workbook(tmp_path / "b.xlsx").worksheets[0]["A1"].value
    assert title == f"Reading sheet. {LIMITS_LINE}. Removable boarding ladder, stern plates"
    capsys.readouterr()


def test_a_kit_that_is_refused_judges_nothing(tmp_path: Path, capsys: Captured) -> None:
    file = tmp_path / "k.toml"
    file.write_text(Path(BL7).read_text(encoding="utf-8").replace("upper = 0.462", "upper = 4.62"), encoding="utf-8")
    for command in JUDGING:
        words = [{"KIT": str(file), "OUT": str(tmp_path / "b.xlsx")}.get(word, word) for word in command]
        assert run(words) == 2
        captured = capsys.readouterr()
        assert captured.out == ""
        assert "limits far apart: 0.455 to 4.620 in" in captured.err
    assert not (tmp_path / "b.xlsx").exists()
