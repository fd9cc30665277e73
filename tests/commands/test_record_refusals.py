"""What the commands of the record refuse, each with a sentence that says why, and with nothing recorded."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import openpyxl
import pytest

from holeqc.__main__ import run
from holeqc.ledger import open_ledger
from holeqc.problems import LedgerError

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
    ("S1" * 40, "it has 80 characters"),
    ("P-1\u200b", "it holds characters that"),
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
        assert "printable characters" in told.err
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


AHEAD = "2999-12-31"  # whenever the tests run, this is to come


@pytest.mark.parametrize("command", [
    ["gauge", "calibrated", "BG-2", "--day", AHEAD],
    ["fixture", "event", "DF-BL7", "--event", "retired", "--day", AHEAD],
])  # fmt: skip
def test_a_day_still_to_come_is_refused(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*command, "--by", "engineer", "--new"]) == 2
    assert f"on {AHEAD} is still to come: the clock here says" in capsys.readouterr().err
    assert not LEDGER.exists()


def test_tomorrow_is_today_further_east(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("holeqc.ledger.schema.today", lambda: dt.date(2026, 11, 9))
    event = ["gauge", "calibrated", "BG-2", "--tolerances", str(Path(KIT).parent), "--by", "engineer", "--day"]
    assert run([*event, "2026-11-11"]) == 2
    assert run([*event, "2026-11-10", "--due", "2027-11-10"]) == 0


@pytest.mark.parametrize(("name", "wrong", "near"), [
    (["gauge", "calibrated"], "BG-9", "is BG-2 or BG-7 meant?"),
    (["fixture", "event", "--event", "retired"], "DF-BL9", "is DF-BL"),
])  # fmt: skip
def test_what_no_kit_names_is_refused_unless_it_is_new(
    name: list[str], wrong: str, near: str, capsys: pytest.CaptureFixture[str]
) -> None:  # fmt: skip
    command = [*name, wrong, "--by", "engineer", "--day", "2026-11-02", "--tolerances", str(Path(KIT).parent)]
    assert run(command) == 2
    said = capsys.readouterr().err
    assert f"no kit names {name[0]} {wrong}" in said
    assert near in said
    assert "--new" in said
    assert run([*command, "--new"]) == 0
    assert run(command) == 0  # recorded once, it is known


def test_gauges_of_recorded_kits_are_known(capsys: pytest.CaptureFixture[str]) -> None:
    command = ["gauge", "calibrated", "BG-2", "--by", "engineer", "--day", "2026-11-02"]
    assert run(command) == 2
    assert "none is known yet" in capsys.readouterr().err
    assert recorded(str(SAMPLES / "bl7_P-0107.xlsx")) == 0
    assert run(command) == 0


FORGED = "bench 2\nApproved: P-0107 by 41"
TAG = "FRJ8-M8XW"  #: the one tag of P-0109
CALIBRATED = ["gauge", "calibrated", "BG-2", "--new", "--day", "2026-11-02"]


@pytest.mark.parametrize("command", [
    [*CALIBRATED, "--by", FORGED],
    [*CALIBRATED, "--by", "7\u2028b"],
    [*CALIBRATED, "--by", "7\u202eb"],
    [*CALIBRATED, "--by", "7\x1b[31m"],
    [*CALIBRATED, "--by", "7", "--note", FORGED],
    [*CALIBRATED, "--by", "7", "--certificate", FORGED],
    ["fixture", "event", "DF-BL7", "--new", "--event", "moved", "--by", "7", "--day", "2026-11-02", "--note", FORGED],
    ["disposition", TAG, "--as", "scrap", "--by", "7", "--reason", FORGED],
    ["disposition", TAG, "--as", "use-as-is", "--by", "7", "--reason", "r", "--authority", f"EO-2 {FORGED}"],
    ["check", KIT, str(SAMPLES / "bl7_P-0110.xlsx"), "--record", "--by", FORGED],
])  # fmt: skip
def test_what_people_type_stays_in_one_line(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert recorded(str(SAMPLES / "bl7_P-0107.xlsx")) == 0
    assert recorded(str(SAMPLES / "bl7_P-0109.csv")) == 1
    run(["ledger", "info", "--json"])
    before = capsys.readouterr().out
    entries = json.loads(before[before.index("{\n") :])["entries"]
    assert run(command) == 2
    said = capsys.readouterr().err
    assert "a line break" in said or "a control character" in said
    assert "nothing was recorded" in said
    run(["ledger", "info", "--json"])
    assert json.loads(capsys.readouterr().out)["entries"] == entries


@pytest.mark.parametrize("wrong", [{"by": FORGED}, {"reason": FORGED}, {"note": FORGED}])
def test_nothing_comes_into_the_ledger_in_several_lines(wrong: dict[str, str]) -> None:
    said = {"by": "7", "reason": "", "note": ""} | wrong
    event = {"fixture": "DF-2", "event": "moved", "day": "2026-11-02", "note": said["note"]}
    with open_ledger("l.sqlite3") as ledger:
        with pytest.raises(LedgerError, match="a line break"):
            ledger.entry("fixture", said["by"], {"fixture_event": [event]}, reason=said["reason"])
        assert ledger.head()[0] == 0
