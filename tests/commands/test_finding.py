"""No kit file for a sheet: the message says whose sheet it is, what is there, and what to do."""

from __future__ import annotations

from pathlib import Path

import pytest

from holeqc.commands.finding import kit_and_files
from holeqc.problems import HoleQCError
from holeqc.readings.sheet import write_sheet
from holeqc.specification.load import load_specification, parse_specification

FOLDER = Path(__file__).parents[2] / "tolerances"
TEXT = (FOLDER / "bl7.toml").read_text(encoding="utf-8")


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "filled.xlsx"
    write_sheet(parse_specification(TEXT.replace('revision = "C"', 'revision = "B"')), path, part="port")
    return path


def told(sheet: Path, folder: Path) -> str:
    with pytest.raises(HoleQCError) as caught:
        kit_and_files([sheet], folder)
    return str(caught.value)


def test_another_revision(sheet: Path) -> None:
    text = told(sheet, FOLDER)
    assert f"{sheet}: the sheet was made for kit 'BL-7' revision 'B'" in text
    assert f"{FOLDER} has revision 'C' in bl7.toml only" in text
    assert "Measure with a sheet of the revision that holds" in text
    assert f"name the kit file before the sheet (KIT.toml {sheet})" in text


def test_no_folder_of_kit_files(sheet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    text = told(sheet, Path("tolerances"))
    assert f"no folder 'tolerances' in {tmp_path}" in text
    assert "name the kit file before the sheet" in text
    assert "--tolerances FOLDER" in text


def test_no_such_kit_and_two_of_them(sheet: Path, tmp_path: Path) -> None:
    folder = tmp_path / "kits"
    folder.mkdir()
    (folder / "cp12.toml").write_text((FOLDER / "cp12.toml").read_text(encoding="utf-8"), encoding="utf-8")
    text = told(sheet, folder)
    assert "has no such kit" in text
    assert "--tolerances FOLDER" in text
    for name in ("one", "two"):
        (folder / f"{name}.toml").write_text(TEXT.replace('revision = "C"', 'revision = "B"'), encoding="utf-8")
    text = told(sheet, folder)
    assert "one.toml, two.toml" in text
    assert "the sheet was made for kit 'BL-7' revision 'B'" in text


def test_the_kit_file_is_found_or_named(sheet: Path, tmp_path: Path) -> None:
    write_sheet(load_specification(FOLDER / "bl7.toml"), tmp_path / "c.xlsx", part="port")
    assert kit_and_files([tmp_path / "c.xlsx"], FOLDER)[0].revision == "C"
    assert kit_and_files([FOLDER / "bl7.toml", sheet], tmp_path)[1] == [sheet]
