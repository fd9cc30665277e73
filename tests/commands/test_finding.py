"""No kit file for a sheet: the message says whose sheet it is, what is there, and what to do."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

import holeqc.__main__ as program
from holeqc.answers.files import kit_and_files
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


def told(sheet: Path, folder: Path | None = None) -> str:
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
    text = told(sheet)
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


SAMPLES = FOLDER.parent / "sample_measurements"


def ran(arguments: list[object], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    code = program.run([str(a) for a in arguments])
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err
    return code, shown.out, shown.err


def test_the_kit_is_found_above_and_beside_the_sheet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kits, work = tmp_path / "yard" / "tolerances", tmp_path / "yard" / "bench" / "today"
    kits.mkdir(parents=True)
    work.mkdir(parents=True)
    (kits / "bl7.toml").write_text(TEXT, encoding="utf-8")
    write_sheet(load_specification(FOLDER / "bl7.toml"), tmp_path / "c.xlsx", part="port")
    monkeypatch.chdir(work)
    spec, _, notes = kit_and_files([tmp_path / "c.xlsx"])
    assert (spec.revision, [n.code for n in notes]) == ("C", ["kit-found"])
    beside = tmp_path / "tolerances"
    beside.mkdir()
    (beside / "other.toml").write_text(TEXT + "# the same kit, told again\n", encoding="utf-8")
    spec, _, notes = kit_and_files([tmp_path / "c.xlsx"])
    assert Path(spec.path) == kits / "bl7.toml"
    assert [n.code for n in notes] == ["kit-found", "kit-elsewhere"]
    assert "other.toml" in notes[1].found
    monkeypatch.chdir(tmp_path)
    assert kit_and_files([tmp_path / "c.xlsx"])[0].path == "tolerances/other.toml"
    assert kit_and_files([tmp_path / "c.xlsx"], kits)[2] == ()


@pytest.fixture
def mixed(tmp_path: Path) -> Path:
    """A folder with two good sheets, two that can't be used, a lock file, a report of ours and a folder."""
    folder = tmp_path / "in"
    folder.mkdir()
    for name in ("bl7_P-0107.xlsx", "bl7_S-0108.xlsx"):
        shutil.copy(SAMPLES / name, folder / name)
    whole = (SAMPLES / "bl7_P-0107.xlsx").read_bytes()
    (folder / "a_torn.xlsx").write_bytes(whole[: len(whole) // 2])
    (folder / "old.xls").write_bytes(bytes.fromhex("D0CF11E0A1B11AE1") + bytes(600))
    (folder / "~$bl7_P-0107.xlsx").write_bytes(b"\x05bench" + bytes(50))
    (folder / "evaluated.xlsx").write_bytes(whole)
    (folder / "photo.jpg").write_bytes(b"\xff\xd8\xff")
    (folder / "sub").mkdir()
    return folder


def test_one_unusable_file_stops_nothing(mixed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kit = FOLDER / "bl7.toml"
    code, out, _ = ran(["check", kit, mixed, "--out", tmp_path / "report"], capsys)
    assert code == 2
    listed = out[out.index("NOT JUDGED") :]
    assert "2 files" in listed
    assert "a_torn.xlsx" in listed
    assert "old.xls" in listed
    assert "damaged or cut off" in listed
    assert out.index("P-0107") < out.index("S-0108") < out.index("NOT JUDGED")
    assert out.count("lock") + out.count("open") >= 1
    alone = json.loads(ran(["check", kit, mixed / "bl7_P-0107.xlsx", mixed / "bl7_S-0108.xlsx", "--json"], capsys)[1])
    code, out, _ = ran(["check", kit, mixed, "--json"], capsys)
    found = json.loads(out)
    assert code == 2
    assert found["parts"] == alone["parts"]
    assert [Path(u["file"]).name for u in found["unusable"]] == ["a_torn.xlsx", "old.xls"]
    assert found["unusable"][1]["problems"][0]["code"] == "old-format"
    assert alone["unusable"] == []
    assert {p["code"] for p in found["problems"]} >= {"lock-file", "passed-over"}
    page = (tmp_path / "report" / "report.html").read_text(encoding="utf-8").replace("<wbr>", "")  # in long paths
    assert "old.xls" in page
    assert "nothing of them is judged" in page


def test_nothing_of_an_unusable_file_is_recorded(mixed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import sqlite3

    ledger = mixed.parent / "shop.sqlite3"
    asked = ["check", FOLDER / "bl7.toml", mixed, "--record", "--by", "17", "--ledger", ledger]
    code, out, _ = ran(asked, capsys)
    assert code == 2
    assert "2 parts" in out
    assert out.count("Not recorded: ") == 2
    text = "\n".join(sqlite3.connect(ledger).iterdump())
    assert "bl7_S-0108.xlsx" in text
    assert "a_torn" not in text
    assert "old.xls" not in text


def test_readings_before_the_fault_of_a_file_are_not_used(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import openpyxl

    book = openpyxl.load_workbook(SAMPLES / "bl7_P-0107.xlsx")
    other = book.copy_worksheet(book.worksheets[0])
    other["A2"] = str(book.worksheets[0]["A2"].value).replace("BL-7", "BL-9")
    book.save(tmp_path / "two.xlsx")
    good = SAMPLES / "bl7_S-0108.xlsx"
    code, out, _ = ran(["check", FOLDER / "bl7.toml", tmp_path / "two.xlsx", good, "--json"], capsys)
    found = json.loads(out)
    assert code == 2
    assert [p["serial"] for p in found["parts"]] == ["S-0108"]
    assert [Path(s["file"]).name for s in found["sources"]] == [good.name]


def test_statistics_stop_and_name_every_unusable_file(mixed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("capability", "chart", "wear"):
        code, out, err = ran([command, FOLDER / "bl7.toml", mixed], capsys)
        assert (code, out) == (2, "")
        assert "a_torn.xlsx" in err
        assert "old.xls" in err


def test_folders_without_sheets_and_lock_files_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "readme.pdf").write_bytes(b"%PDF-1.7")
    code, _, err = ran(["check", FOLDER / "bl7.toml", tmp_path], capsys)
    assert code == 2
    assert "no sheet in this folder" in err
    assert "readme.pdf" in err
    (tmp_path / "~$x.xlsx").write_bytes(b"x")
    code, _, err = ran(["check", FOLDER / "bl7.toml", tmp_path / "~$x.xlsx"], capsys)
    assert code == 2
    assert "save and close the workbook" in err


def test_a_file_that_may_not_be_read_stops_no_other(
    mixed: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # the option parser would refuse the whole line of what os.access says no to; root may read anything
    monkeypatch.setattr(os, "access", lambda *_, **__: False)
    barred = mixed / "barred.csv"
    barred.write_text("part,size\n", encoding="utf-8")
    barred.chmod(0)
    code, out, err = ran(["check", FOLDER / "bl7.toml", barred, mixed / "bl7_P-0107.xlsx"], capsys)
    assert (code, "Usage" in err) == (2, False)
    assert out.index("P-0107") < out.index("NOT JUDGED") < out.index("barred.csv")
    for command in (["capability", barred, "--column", "a"], ["chart", barred, "--column", "a"],
                    ["gauge-study", barred, "--value", "a"],
                    ["wear", FOLDER / "bl7.toml", mixed / "bl7_P-0107.xlsx", "--events", barred]):  # fmt: skip
        code, _, err = ran([*command], capsys)
        assert (code, "Usage" in err) == (2, False)


@pytest.mark.skipif(os.name != "posix", reason="names are bytes on POSIX only")
def test_a_name_that_is_not_utf8_is_a_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = os.fsencode(tmp_path) + b"/in\x1b[2J"
    os.mkdir(folder)
    shutil.copy(SAMPLES / "bl7_P-0107.xlsx", os.fsdecode(folder + b"/Pr\xfcfblatt.xlsx"))
    with open(folder + b"/leer\xff.csv", "wb"):
        pass
    asked = ["check", FOLDER / "bl7.toml", os.fsdecode(folder)]
    code, out, _ = ran([*asked, "--out", tmp_path / "r"], capsys)
    assert code == 2
    assert "\x1b" not in out
    assert "Pr\\xfcfblatt.xlsx" in out.replace("\n  ", "")
    found = json.loads(ran([*asked, "--json"], capsys)[1])
    assert found["sources"][0]["file"].endswith("Pr\\xfcfblatt.xlsx")
    assert found["unusable"][0]["file"].endswith("leer\\xff.csv")
    json.dumps(found, ensure_ascii=False).encode("utf-8")


def test_serials_of_a_range(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import openpyxl

    kit, out = FOLDER / "bl7.toml", tmp_path / "b.xlsx"
    assert ran(["sheet", kit, "-o", out, "--serial", "AP-008..AP-011", "--serial", "AP-020"], capsys)[0] == 0
    names = [s.title for s in openpyxl.load_workbook(out).worksheets if s.sheet_state == "visible"]
    assert [n for n in names if n.startswith("AP")] == ["AP-008", "AP-009", "AP-010", "AP-011", "AP-020"]
    for typed, words in (
        ("AP-040..AP-021", "backward"), ("AP-001..BP-003", "last number alone"), ("AP-1..AP-900", "at most 500"),
        ("AP-1..AP-400", "at most 299"), ("AP-08..AP-011", "as many digits"), ("AP..BP", "with a number"),
        ("AP-1...AP-3", "with a number"), ("1..2..3", "last number alone"),
    ):  # fmt: skip
        code, _, err = ran(["sheet", kit, "-o", tmp_path / "c.xlsx", "--serial", typed], capsys)
        assert (code, words in err) == (2, True), err
        assert not (tmp_path / "c.xlsx").exists()
