"""Lists of the record: what is logged, names that aren't known, spans that are turned round, long words, scrap.

What must be shown or refused is said beside each case; no outside source applies.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from holeqc.__main__ import run

ROOT = Path(__file__).resolve().parents[2]
KIT = str(ROOT / "tolerances" / "bl7.toml")
SAMPLES = ROOT / "sample_measurements"


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder that has no ledger, with nothing said by the environment."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("HOLEQC_LEDGER", raising=False)
    monkeypatch.delenv("HOLEQC_BY", raising=False)


@pytest.fixture
def ledger(capsys: pytest.CaptureFixture[str]) -> None:
    for file in ("bl7_P-0107.xlsx", "bl7_P-0109.csv"):
        run(["check", KIT, str(SAMPLES / file), "--record", "--by", "bench 2"])
    capsys.readouterr()


@pytest.mark.parametrize(("command", "words"), [
    (["parts", "--fixture", "NONE"], "knows no fixture 'NONE'; it knows DF-BL7"),
    (["parts", "--kit", "BL-8"], "knows no kit 'BL-8'; it knows BL-7"),
    (["parts", "--revision", "Z"], "knows no revision 'Z'; it knows C"),
    (["parts", "--part", "middle"], "knows no part 'middle'; it knows port"),
    (["tags", "--kit", "BL-8"], "knows no kit 'BL-8'"),
    (["ledger", "export", "x.csv", "--fixture", "NONE"], "knows no fixture 'NONE'"),
    (["fixture", "suspect", "NONE"], "knows no fixture 'NONE'"),
    (["parts", "--since", "2026-11-09", "--until", "2026-11-01"], "comes after --until 2026-11-01"),
    (["fixture", "suspect", "DF-BL7", "--since", "2026-11-09", "--until", "2026-11-01"], "comes after"),
    (["gauge", "log", "BG-9"], "no calibration of gauge BG-9 is logged; none at all is"),
])  # fmt: skip
def test_what_can_have_no_answer_is_refused(
    ledger: None, command: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(command) == 2
    said = capsys.readouterr()
    assert words in said.err
    assert said.out == ""


def test_small_and_capital_letters_name_one_fixture(ledger: None, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["parts", "--fixture", "df-bl7"]) == 0
    assert "2 parts" in capsys.readouterr().out
    good = ["fixture", "event", "DF-BL7", "--event", "checked", "--good", "--day", "2026-11-02", "--by", "engineer"]
    assert run(good) == 0
    capsys.readouterr()
    assert run(["fixture", "suspect", "df-bl7"]) == 0
    assert "last good check on 2026-11-02" in capsys.readouterr().out


def test_logs_are_listed(ledger: None, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["gauge", "log"]) == 0
    assert capsys.readouterr().out == "No calibration is logged.\n"
    new = ["gauge", "calibrated", "BG-2", "--by", "gauge room", "--day"]
    assert run([*new, "2026-11-20", "--out-of-tolerance", "--error", "+0.0004 in", "--certificate", "C-77"]) == 0
    assert run([*new, "2026-05-20", "--due", "2026-11-19"]) == 0
    event = ["fixture", "event", "DF-BL7", "--by", "engineer", "--event"]
    assert run([*event, "checked", "--not-good", "--day", "2026-11-12"]) == 0
    assert run([*event, "bushing changed", "--bushing", "3", "--day", "2026-11-13", "--note", "worn"]) == 0
    capsys.readouterr()
    assert run(["gauge", "log", "bg-2"]) == 0
    head, first, second, _, count = capsys.readouterr().out.splitlines()
    assert head.split()[:2] == ["Gauge", "Day"]
    assert first.split()[1:4] == ["2026-05-20", "in", "tolerance"]
    assert all(word in second for word in ("out of tolerance", "+0.00040 in", "C-77", "gauge room"))
    assert count == "2 calibrations"
    assert run(["gauge", "log", "BG-9"]) == 2
    assert "there are those of BG-2" in capsys.readouterr().err
    assert run(["gauge", "log", "--json"]) == 0
    assert [row["error"] for row in json.loads(capsys.readouterr().out)] == [None, 0.0004]
    assert run(["fixture", "log"]) == 0
    out = capsys.readouterr().out
    assert "checked, not good" in out
    assert "2 events" in out
    assert run(["fixture", "log", "DF-BL7", "--json"]) == 0
    assert [row["bushing"] for row in json.loads(capsys.readouterr().out)] == ["", "3"]


def test_an_exported_file_is_not_written_over(ledger: None, capsys: pytest.CaptureFixture[str]) -> None:
    Path("x.csv").write_text("mine", encoding="utf-8")
    assert run(["ledger", "export", "x.csv"]) == 2
    assert "--replace" in capsys.readouterr().err
    assert Path("x.csv").read_text(encoding="utf-8") == "mine"
    assert run(["ledger", "export", "x.csv", "--replace"]) == 0
    assert Path("x.csv").read_text(encoding="utf-8") != "mine"


def test_why_no_file_is_replaced(ledger: None, capsys: pytest.CaptureFixture[str]) -> None:
    given = (SAMPLES / "bl7_P-0109.csv").read_text(encoding="utf-8")
    other = Path(KIT).read_text(encoding="utf-8").replace('id = "BL-7"', 'id = "BL-9"', 1)
    Path("bl9.toml").write_text(other, encoding="utf-8")
    Path("new.csv").write_text(given.replace("P-0109", "P-0120"), encoding="utf-8")

    def refused(kit: str, entry: int) -> str:
        command = ["check", kit, "new.csv", "--record", "--by", "bench 2", "--replaces", str(entry)]
        assert run(command) == 2
        return capsys.readouterr().err

    run(["ledger", "export", "e.csv", "--content", "entries"])
    rows = [line.split(",")[:2] for line in Path("e.csv").read_text(encoding="utf-8").splitlines()[1:]]
    files = [int(number) for number, kind in rows if kind == "readings"]
    assert len(files) == 2
    capsys.readouterr()
    no = refused(KIT, 99)
    assert "there is no entry 99" in no
    assert f"newest first: entry {files[1]}: " in no
    assert f"entry {files[0]}: " in no
    assert "recorded no file" in refused(KIT, 1)
    assert "of kit BL-7, and this file is of kit BL-9" in refused("bl9.toml", files[0])
    assert "No file of kit BL-9 is recorded" in refused("bl9.toml", files[0])
    run(["check", KIT, "new.csv", "--record", "--by", "bench 2", "--replaces", str(files[1])])
    capsys.readouterr()
    Path("new.csv").write_text(given.replace("P-0109", "P-0121"), encoding="utf-8")
    assert f"entry {files[1]}, " in (said := refused(KIT, files[1]))
    assert "is replaced already by entry" in said


HEAD = "serial,part,hole,wall,dia_0,dia_90,x,y,gauge,date"


def test_a_story_tells_what_one_cause_holds_once(capsys: pytest.CaptureFixture[str]) -> None:
    from holeqc.inspection.results import MEANING

    Path("a.csv").write_text(f"{HEAD}\nP-500,port,1,near,0.4580,4.579,1.5,1.25,,2026-11-10\n", encoding="utf-8")
    run(["check", KIT, "a.csv", "--record", "--by", "bench 2"])
    capsys.readouterr()
    assert run(["part", "P-500"]) == 3
    said = capsys.readouterr().out
    held = [line for line in said.splitlines() if line.startswith("   ? hold  hole")]
    assert "   ? hold  holes 2 to 8: size, out-of-roundness," in said
    assert len(held) < 8, "not a line for each of 128 characteristics"
    assert "the decimal point likely stands in the wrong place" in said
    for code in ("slip-decimal", "(missing)", *(c for c in MEANING if "-" in c)):
        assert code not in said, "no word for machines"
    assert max(map(len, said.splitlines()[6:])) <= 100
    assert run(["approve", "P-500", "--by", "inspector"]) != 0
    refused = capsys.readouterr().err
    assert "holes 2 to 8, both walls: size, out-of-roundness," in refused
    assert "are not read" in refused
    assert "(missing)" not in refused
    assert "slip-decimal" not in refused


def test_a_day_still_to_come_calls_no_gauge_overdue(capsys: pytest.CaptureFixture[str]) -> None:
    text = (SAMPLES / "bl7_P-0109.csv").read_text(encoding="utf-8")
    Path("a.csv").write_text(text.replace("2026-11-11", "2099-06-01"), encoding="utf-8")
    run(["check", KIT, "a.csv", "--record", "--by", "17"])
    capsys.readouterr()
    assert run(["approve", "P-0109", "--by", "41", "--role", "inspector"]) == 3
    said = capsys.readouterr().err
    assert "the day of the reading is still to come" in said
    assert "was due for calibration" not in said
    assert "was not valid" not in said
    run(["part", "P-0109"])
    assert "the day of the reading is still to come" in " ".join(capsys.readouterr().out.split())


def test_a_part_held_by_its_file_alone_says_why(capsys: pytest.CaptureFixture[str]) -> None:
    text = (SAMPLES / "bl7_P-0109.csv").read_text(encoding="utf-8")
    kit = Path("kit.toml")
    undated = "\n".join(x for x in Path(KIT).read_text(encoding="utf-8").splitlines() if "calibration_due" not in x)
    kit.write_text(undated, encoding="utf-8")
    text = text.replace("2026-11-11", "2099-06-01").replace("0.4626", "0.4586").replace("0.4624", "0.4586")
    text = text.replace("0.4622", "0.4586").replace("0.4621", "0.4586")
    text = text.replace(",NO-GO,,enters", ",NO-GO,,does not enter")
    Path("a.csv").write_text(text, encoding="utf-8")
    run(["check", str(kit), "a.csv", "--record", "--by", "17"])
    capsys.readouterr()
    assert run(["part", "P-0109"]) == 3
    assert "? hold  no hole, but the part: the day of the reading lies in the future" in capsys.readouterr().out
    run(["tags", "--json"])
    (tag,) = json.loads(capsys.readouterr().out)
    assert (tag["hole"], tag["decide"].startswith("The day of the reading lies in the future")) == ("whole part", True)
