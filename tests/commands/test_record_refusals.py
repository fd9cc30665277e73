"""What the commands of the record refuse, each with a sentence that says why, and with nothing recorded."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

from holeqc.__main__ import run

ROOT = Path(__file__).resolve().parents[2]
KIT = str(ROOT / "tolerances" / "bl7.toml")
SAMPLES = ROOT / "sample_measurements"
LEDGER = Path("holeqc-ledger.sqlite3")


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder that has no ledger, with nothing said by the environment."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("HOLEQC_LEDGER", raising=False)
    monkeypatch.delenv("HOLEQC_BY", raising=False)


def typed_sheet(serial: str | None, part: str = "port", name: str = "s.xlsx") -> str:
    """Write a plain sheet with its serial number in B2, 16 rows of two diameters."""
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "holes"
    fields = [["Part", part], ["Serial", serial], ["Date", "2026-11-10"], ["Gauge", "BG-2"], []]
    rows = [[hole, wall, 0.4581, 0.4580] for hole in range(1, 9) for wall in ("near", "far")]
    for row in [*fields, ["hole", "wall", "dia 0", "dia 90"], *rows]:
        sheet.append(row)
    book.save(name)
    return name


def recorded(*more: str) -> int:
    return run(["check", KIT, *more, "--record", "--by", "bench 2"])


@pytest.mark.parametrize(("serial", "said"), [
    ("../../x", "holes, B2: this can't be a serial number: it reads as the path of a folder; found serial '../../x'"),
    ("..\\..\\P-1", "it reads as the path of a folder"),
    ("...", "it holds no letter and no digit"),
    ("S1" * 31, "it has 62 characters"),
    ("P-1\u200b", "it holds characters that can't be printed"),
    ("x", "holes, B2: 16 rows with readings name no serial; found Serial 'x', which reads as the heading of a column"),
    (None, "holes, A7: 16 rows with readings name no serial; found nothing"),
])  # fmt: skip
def test_no_part_without_a_serial_number_is_recorded(
    serial: str | None, said: str, capsys: pytest.CaptureFixture[str]
) -> None:  # fmt: skip
    assert recorded(typed_sheet(serial)) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert "nothing was recorded" in told.err
    if serial not in {None, "x"}:
        assert "1 to 60 printable characters" in told.err
    assert "Recorded" not in told.out
    assert not LEDGER.exists()


def test_every_unnamed_part_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    named = typed_sheet("P-0201", name="good.xlsx")
    nameless = typed_sheet("P-0202", part="", name="no_part.xlsx")
    without = typed_sheet(None, name="no_serial.xlsx")
    assert recorded(named, nameless, without) == 2
    said = capsys.readouterr().err
    assert "no_serial.xlsx, holes, A7" in said
    assert "no_part.xlsx" in said
    assert "good.xlsx" not in said
    assert "2 problems" in said
    assert not LEDGER.exists()
    assert recorded(named) == 3  # only two diameters were read: held, and recorded
    assert run(["part", "P-0201"]) == 3


def test_a_serial_number_of_60_characters_is_one(capsys: pytest.CaptureFixture[str]) -> None:
    serial = "S1" * 30
    assert recorded(typed_sheet(serial)) == 3
    assert run(["part", serial]) == 3
    assert "can't be a serial number" not in capsys.readouterr().out
