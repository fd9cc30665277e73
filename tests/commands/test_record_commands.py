"""The commands of the record: what they print, and their exit codes, on the demonstration's sheets.

Verdicts of the samples: as `tests/samples` has them; exit codes: 0 accepted or done, 1 rejected, 3 held, 2 unusable.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from holeqc.__main__ import run
from holeqc.commands.gauge import an_error
from holeqc.inspection.recheck import inspect
from holeqc.inspection.tags import tags_of
from holeqc.problems import LedgerError
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification

ROOT = Path(__file__).resolve().parents[2]
KIT = str(ROOT / "tolerances" / "bl7.toml")
SAMPLES = ROOT / "sample_measurements"
FILES = {
    "P-0107": "bl7_P-0107.xlsx", "P-0109": "bl7_P-0109.csv", "P-0110": "bl7_P-0110.xlsx", "S-0111": "bl7_S-0111.xlsx",
}  # fmt: skip


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder that has no ledger, with nothing said by the environment."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("HOLEQC_LEDGER", raising=False)
    monkeypatch.delenv("HOLEQC_BY", raising=False)


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A ledger with four parts of the samples; tests only read it."""
    path = tmp_path_factory.mktemp("ledger") / "l.sqlite3"
    for file in FILES.values():
        run(["check", KIT, str(SAMPLES / file), "--record", "--by", "bench 2", "--ledger", str(path)])
    return str(path)


def record(serial: str) -> int:
    return run(["check", KIT, str(SAMPLES / FILES[serial]), "--record", "--by", "bench 2"])


@cache
def code_of_tag() -> str:
    """Return the code of the one tag of P-0109, as a report of its sheet alone prints it."""
    spec = load_specification(KIT)
    (tag,) = tags_of(inspect(spec, read_files([SAMPLES / FILES["P-0109"]], spec)))
    return tag.code


def release() -> None:
    """Have two persons release the demonstration's kit."""
    for who in ("office 1", "office 2"):
        assert run(["kit", "release", KIT, "--by", who]) == 0


def test_check_records_and_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert record("P-0109") == 1
    out = capsys.readouterr().out
    assert "Recorded as entries 1 to 3 in holeqc-ledger.sqlite3: 1 part" in out
    assert f"Tags opened: {code_of_tag()}" in out
    assert record("P-0109") == 1
    out = capsys.readouterr().out
    assert "Nothing was added" in out
    assert "nothing was added" in out.split("Note:")[1]
    assert Path("holeqc-ledger.sqlite3").exists()


def test_check_without_record_leaves_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", KIT, str(SAMPLES / FILES["P-0107"])]) == 0
    assert list(Path().iterdir()) == []
    assert run(["check", KIT, str(SAMPLES / FILES["P-0107"]), "--record"]) == 2
    assert "--by" in capsys.readouterr().err
    assert list(Path().iterdir()) == []


def test_json_stays_clean_beside_record(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOLEQC_BY", "bench 2")
    monkeypatch.setenv("HOLEQC_LEDGER", "other.sqlite3")
    assert run(["check", KIT, str(SAMPLES / FILES["P-0107"]), "--record", "--json"]) == 0
    said = capsys.readouterr()
    assert json.loads(said.out)["verdict"] == "accept"
    assert "Recorded as entries 1 to 3 in other.sqlite3" in said.err


@pytest.mark.parametrize(("serial", "code"), [("P-0107", 0), ("P-0109", 1), ("S-0111", 3), ("X-1", 2)])
def test_part_s_exit_code_is_its_verdict(
    shared: str, serial: str, code: int, capsys: pytest.CaptureFixture[str]
) -> None:  # fmt: skip
    assert run(["part", serial, "--ledger", shared]) == code
    said = capsys.readouterr()
    assert serial in (said.err if code == 2 else said.out)
    if code == 1:
        assert "hole 3, near, size: 0.4626, allowed 0.4550 to 0.4620 (beyond the upper limit)" in said.out
        assert f"Tag {code_of_tag()}, hole 3, reject" in said.out
    if code != 2:
        assert run(["part", serial, "--ledger", shared, "--json"]) == code
        assert json.loads(capsys.readouterr().out)["inspections"][0]["serial"] == serial


@pytest.mark.parametrize(("options", "serials"), [
    ([], ["P-0107", "P-0109", "P-0110", "S-0111"]),
    (["--verdict", "reject"], ["P-0109", "P-0110"]),
    (["--since", "2026-11-12"], ["P-0110", "S-0111"]),
    (["--until", "2026-11-09"], ["P-0107"]),
    (["--fixture", "DF-BL7", "--part", "starboard"], ["S-0111"]),
    (["--fixture", "df-bl7", "--part", "starboard"], ["S-0111"]),
    (["--verdict", "hold", "--until", "2026-11-01"], []),
])  # fmt: skip
def test_parts_are_listed(
    shared: str, options: list[str], serials: list[str], capsys: pytest.CaptureFixture[str]
) -> None:  # fmt: skip
    assert run(["parts", "--ledger", shared, "--json", *options]) == 0
    assert [row["serial"] for row in json.loads(capsys.readouterr().out)] == serials
    assert run(["parts", "--ledger", shared, *options]) == 0
    out = capsys.readouterr().out
    assert all(serial in out for serial in serials)
    assert serials or "No part fits" in out


def test_tags_are_listed(shared: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["tags", "--ledger", shared, "--open"]) == 0
    assert "4 tags, 4 open" in capsys.readouterr().out
    assert run(["tags", "--ledger", shared, "--serial", "P-0109", "--json"]) == 0
    (tag,) = json.loads(capsys.readouterr().out)
    assert (tag["number"], tag["state"], tag["content"]["hole"]) == (code_of_tag(), "opened", "3")


@pytest.mark.parametrize(("serial", "code", "words"), [
    ("P-0109", 1, ", hole 3: rejected, no disposition"),
    ("P-0110", 1, "pattern: rejected"),
    ("S-0111", 3, "hole 4, near wall: size, out-of-roundness and taper are held"),
    ("X-1", 2, "nothing is recorded"),
])  # fmt: skip
def test_approve_is_refused_with_the_list(
    shared: str, serial: str, code: int, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["approve", serial, "--by", "41", "--ledger", shared]) == code
    said = capsys.readouterr()
    assert words in said.err
    assert said.out == ""


def test_several_are_approved_or_refused_each_by_itself(capsys: pytest.CaptureFixture[str]) -> None:
    for serial in ("P-0107", "P-0109", "S-0111"):
        record(serial)
    release()
    capsys.readouterr()
    assert run(["approve", "P-0107", "X-1", "--by", "41"]) == 2  # one that nobody knows: none is approved
    assert "nothing is recorded" in capsys.readouterr().err
    assert run(["approve", "S-0111", "P-0107", "P-0109", "--by", "41"]) == 1
    said = capsys.readouterr()
    assert said.out.count("Approved: port P-0107") == said.out.count("Approved: ") == 1
    assert "S-0111" in said.err
    assert "P-0109" in said.err


def test_from_readings_to_packet(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    record("P-0109")
    code = code_of_tag()
    assert run(["disposition", code, "--as", "use-as-is", "--by", "engineer", "--reason", "ample"]) == 2
    assert "authority" in capsys.readouterr().err
    typed = code.lower().replace("-", " ")
    use = ["disposition", typed, "--as", "use-as-is", "--by", "engineer", "--reason", "ample", "--authority", "EN-1"]
    assert run(use) == 0
    assert f"{code}: use-as-is, closed" in capsys.readouterr().out
    release()
    assert run(["approve", "P-0109", "--by", "Bench 2"]) == 3
    assert "second person" in capsys.readouterr().err
    assert run(["packet", "P-0109", "-o", "early", "--by", "41"]) == 2
    assert run(["approve", "P-0109"]) == 2
    assert run(["approve", "P-0109", "--by", "engineer"]) == 3
    assert f"engineer decided on tag {code}" in capsys.readouterr().err
    assert run(["approve", "P-0109", "--by", "41"]) == 0
    assert "Released with a nonconformance: use-as-is, EN-1" in capsys.readouterr().out
    assert run(["packet", "P-0109"]) == 2
    assert run(["packet", "P-0109", "-o", "packet", "--by", "41"]) == 0
    assert not Path("early").exists()
    out = capsys.readouterr().out
    assert run(["packet", "verify", "packet"]) == 0  # the ledger of this folder
    out += capsys.readouterr().out
    count = len(list(Path("packet").iterdir())) - 2
    assert f"Packet: packet, {count} files beside manifest and seal\n" in out
    assert f"packet: unchanged, {count} files beside manifest and seal\n" in out
    assert "on record as entry" in out
    Path("elsewhere").mkdir()
    monkeypatch.chdir("elsewhere")
    assert run(["packet", "verify", "../packet"]) == 3
    said = capsys.readouterr().out
    assert "../packet: NOT PROVEN" in said
    assert said.splitlines()[-1].startswith("Not compared with a ledger")
    assert run(["packet", "verify", "../packet", "--ledger", "../holeqc-ledger.sqlite3"]) == 0
    assert "on record as entry" in capsys.readouterr().out
    monkeypatch.chdir("..")
    with Path("packet/report.html").open("a", encoding="utf-8") as file:
        file.write(" ")
    assert run(["packet", "verify", "packet"]) == 2
    assert "DIFFERS  report.html: was changed" in capsys.readouterr().out
    assert run(["withdraw", "P-0109", "--by", "7"]) == 2
    assert run(["withdraw", "P-0109", "--by", "7", "--reason", "wrong authority"]) == 0
    assert run(["packet", "verify", "packet"]) == 2
    assert "was withdrawn" in capsys.readouterr().out
    manifest = json.loads(Path("packet/manifest.json").read_text(encoding="utf-8"))
    stated = manifest["sha256"]
    rest = {key: value for key, value in (manifest | {"serial": "P-0199"}).items() if key != "sha256"}
    Path("packet/manifest.json").write_text(json.dumps(rest | {"sha256": stated}), encoding="utf-8")
    found = hashlib.sha256(
        json.dumps(rest, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()
    ).hexdigest()
    assert run(["packet", "verify", "packet"]) == 2
    assert f"manifest SHA-256 found {found}, stated {stated}" in capsys.readouterr().out


def test_a_harmless_gauge_error_is_said_and_kept(capsys: pytest.CaptureFixture[str]) -> None:
    # P-0107's sizes go from 0.4570 to 0.4584, the limits are 0.455 and 0.462: 0.0004 changes nothing
    record("P-0107")
    bad = ["gauge", "calibrated", "BG-2", "--day", "2026-11-20", "--out-of-tolerance", "--by", "gauge room"]
    assert run([*bad, "--error", "+0.0004 in"]) == 0
    release()
    capsys.readouterr()
    assert run(["approve", "P-0107", "--by", "41"]) == 0
    said = "gauge BG-2 was found out of tolerance on 2026-11-20, error +0.0004 in, entry 4; with its error taken out"
    assert f"Note: {said} every verdict stays. Kept with the approval." in capsys.readouterr().out
    assert run(["part", "P-0107"]) == 0
    assert f"Remark: {said}" in capsys.readouterr().out


def test_parts_say_which_inspection_is_approved(capsys: pytest.CaptureFixture[str]) -> None:
    def listed() -> tuple[str, dict[str, Any]]:
        capsys.readouterr()
        assert run(["parts"]) == 0
        text = capsys.readouterr().out
        assert run(["parts", "--json"]) == 0
        (row,) = json.loads(capsys.readouterr().out)
        return text, row

    record("P-0109")
    text, row = listed()
    assert text.splitlines()[1].split()[-1] == "no"
    assert (row["approved"], row["approved_inspection"], row["approval"], row["released_with"]) == (0, None, None, "")
    use = ["disposition", code_of_tag(), "--as", "use-as-is", "--by", "engineer", "--reason", "ample"]
    use += ["--authority", "EO-2"]
    assert run(use) == 0
    release()
    assert run(["approve", "P-0109", "--by", "41"]) == 0
    text, row = listed()
    assert text.splitlines()[1].split()[-1] == "yes"
    assert "port P-0109: released with a nonconformance, use-as-is, EO-2" in text
    approval = row["approval"]
    assert run(["part", "P-0109"]) == 1
    assert "Released with a nonconformance: use-as-is, EO-2" in capsys.readouterr().out
    assert run(["part", "P-0109", "--json"]) == 1
    (told,) = json.loads(capsys.readouterr().out)["inspections"][0]["approvals"]
    assert told["released_with"] == "use-as-is, EO-2"
    assert (row["approved"], row["approved_inspection"], row["released_with"]) == (1, 1, "use-as-is, EO-2")
    given = (SAMPLES / FILES["P-0109"]).read_text(encoding="utf-8")
    Path("again.csv").write_text(given.replace("0.4626", "0.4627"), encoding="utf-8")
    capsys.readouterr()
    assert run(["check", KIT, "again.csv", "--record", "--by", "bench 2"]) == 1
    assert f"port P-0109 is approved (entry {approval}) and this inspection rejects it" in capsys.readouterr().out
    text, row = listed()
    assert text.splitlines()[1].endswith("older: inspection 1")
    assert "released" not in text
    assert (row["approved"], row["approved_inspection"], row["approval"]) == (0, 1, approval)
    assert run(["packet", "P-0109", "-o", "packet", "--by", "41"]) == 2
    assert "withdraw the approval" in capsys.readouterr().err
    assert not Path("packet").exists()


def test_a_kit_is_released_by_two_persons_whatever_lies_in_the_folder(capsys: pytest.CaptureFixture[str]) -> None:
    record("P-0107")
    assert "kit BL-7 revision C isn't released" in capsys.readouterr().out
    assert run(["approve", "P-0107", "--by", "41"]) == 3
    assert "isn't released" in capsys.readouterr().err
    assert run(["kit", "release", KIT, "--by", "office 1"]) == 0
    said = capsys.readouterr().out
    assert "no text of it was released before" in said
    assert "Proposed: kit BL-7 revision C" in said
    assert run(["kit", "release", KIT, "--by", "Office-1"]) == 2
    assert "another person releases it" in capsys.readouterr().err
    assert run(["kit", "release", KIT, "--by", "office 2"]) == 0
    assert "Released: kit BL-7 revision C" in capsys.readouterr().out
    Path("tolerances").mkdir()
    changed = Path(KIT).read_text(encoding="utf-8").replace('revision = "C"', 'revision = "D"')
    Path("tolerances/bl7.toml").write_text(changed, encoding="utf-8")
    assert run(["approve", "P-0107", "--by", "41"]) == 0
    assert run(["kit", "release", "tolerances/bl7.toml", "--by", "office 1"]) == 0
    assert "kit.revision C became D" in capsys.readouterr().out


def test_suspect_gauge_and_fixture(capsys: pytest.CaptureFixture[str]) -> None:
    record("P-0107")
    # P-0107's largest size is 0.4584: 0.0040 in = 0.1016 mm more is above the upper limit 0.462. Taken smaller, below
    # the GO plug of 0.455 that enters, readings and plug exclude one another.
    assert run(["gauge", "suspect", "BG-2", "--since", "2026-11-01", "--error", "0.0001"]) == 0
    assert run(["gauge", "suspect", "BG-2", "--since", "2026-11-01", "--error=-0.1016 mm"]) == 1
    assert "accept → reject" in capsys.readouterr().out
    assert run(["gauge", "suspect", "BG-2", "--since", "2026-11-01", "--error", "0.0533 mm"]) == 3
    assert "accept → hold" in capsys.readouterr().out
    assert run(["gauge", "suspect", "BG-2", "--since", "2026-11-01"]) == 3
    assert run(["gauge", "suspect", "BG-9", "--since", "2026-11-01"]) == 2
    assert run(["gauge", "suspect", "BG-2", "--since", "yesterday"]) == 2
    bad = ["gauge", "calibrated", "BG-2", "--day", "2026-11-20", "--out-of-tolerance", "--by", "gauge room"]
    assert run([*bad, "--error", "0.0021"]) == 2
    assert "has no unit" in capsys.readouterr().err
    assert run([*bad, "--error", "+0.0025 in"]) == 0
    assert run(["gauge", "suspect", "BG-2", "--since", "2026-11-01", "--json"]) == 3
    data = json.loads(capsys.readouterr().out.split("\n", 2)[2])
    assert (data["error"], data["parts"][0]["after"]) == (0.0025, "hold")
    assert run(["approve", "P-0107", "--by", "41"]) == 3
    assert run(["fixture", "event", "DF-BL7", "--event", "checked", "--day", "2026-11-02", "--by", "engineer"]) == 2
    good = ["fixture", "event", "DF-BL7", "--event", "checked", "--good", "--by", "engineer", "--day"]
    assert run([*good, "2026-11-02"]) == 0
    capsys.readouterr()
    assert run(["fixture", "suspect", "DF-BL7"]) == 0
    out = capsys.readouterr().out
    assert "last good check on 2026-11-02" in out
    assert "P-0107" in out
    assert run([*good, "2026-11-10"]) == 0
    capsys.readouterr()
    run(["fixture", "suspect", "DF-BL7"])
    assert "No part rests on it" in capsys.readouterr().out


@pytest.mark.parametrize("command", [
    ["part", "P-1"], ["parts"], ["tags"], ["approve", "P-1", "--by", "4"], ["packet", "P-1", "-o", "p", "--by", "4"],
    ["disposition", "1", "--as", "scrap", "--by", "e", "--reason", "x"], ["fixture", "suspect", "F"],
    ["gauge", "suspect", "G", "--since", "2026-01-01"], ["withdraw", "P-1", "--by", "4", "--reason", "x"],
])  # fmt: skip
def test_no_ledger_is_said_and_none_is_made(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(command) == 2
    assert "there is no ledger here yet" in capsys.readouterr().err
    assert list(Path().iterdir()) == []


@pytest.mark.parametrize(("text", "value", "unit"), [
    ("", None, ""), ("0.0004", 0.0004, ""), ("-0.0004 in", -0.0004, "in"), ("+0,01 mm", 0.01, "mm"),
])  # fmt: skip
def test_errors_are_read_with_sign_and_unit(text: str, value: float | None, unit: str) -> None:
    assert an_error(text, unit_needed=False) == (value, unit)


def test_what_is_no_length_is_refused() -> None:
    for text in ("a bit", "0.1 furlong", "--1"):
        with pytest.raises(LedgerError, match="is no length"):
            an_error(text, unit_needed=False)


def test_check_without_record_loads_no_database() -> None:
    code = (
        "import sys\n"
        "from holeqc.__main__ import run\n"
        "assert run(sys.argv[1:]) == 0\n"
        "assert not {'sqlalchemy', 'sqlite3', 'psycopg'} & set(sys.modules)\n"
    )
    command = [sys.executable, "-c", code, "check", KIT, str(SAMPLES / FILES["P-0107"])]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_a_file_of_another_name_corrects_an_entry(capsys: pytest.CaptureFixture[str]) -> None:
    record("P-0109")
    given = (SAMPLES / FILES["P-0109"]).read_text(encoding="utf-8")
    first = next(line for line in given.splitlines() if "0.462" in line)
    cell = next(field for field in first.replace(";", ",").split(",") if field.startswith("0.462"))
    Path("typed anew.csv").write_text(given.replace(cell, "0.4600", 1), encoding="utf-8")
    again = ["check", KIT, "typed anew.csv", "--by", "bench 2", "--replaces", "2"]
    capsys.readouterr()
    assert run(again) == 2
    assert "add --record" in capsys.readouterr().err
    run([*again, "--record"])
    out = capsys.readouterr().out
    assert "a new revision of the file of entry 2" in out
    assert f"'{cell}' became '0.4600'" in out
    assert run([*again[:-1], "3", "--record"]) == 2
    assert "the file is recorded already" in capsys.readouterr().err
    Path("typed anew.csv").write_text(given.replace(cell, "0.4601", 1), encoding="utf-8")
    assert run([*again[:-1], "3", "--record"]) == 2  # entry 3 is the judgement of the sheet of entry 2
    told = capsys.readouterr().err
    assert "entry 2, " in told
    assert "is replaced already by entry 5" in told


def test_a_history_opens_no_tags_where_it_shall_not(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run(["check", KIT, str(SAMPLES / FILES["P-0109"]), "--record", "--by", "17", "--no-tags"]) == 1
    assert "no tags were opened (--no-tags); 1 would have been" in capsys.readouterr().out
    assert run(["tags"]) == 0
    assert "No tag" in capsys.readouterr().out
    # a reject without a tag is no accept
    assert run(["approve", "P-0109", "--by", "41"]) == 1
    assert "hole 3 is rejected and no tag was written for it" in capsys.readouterr().err
    monkeypatch.setattr("holeqc.answers.check.MANY_TAGS", 1)
    run(["check", KIT, str(SAMPLES / FILES["P-0110"]), "--record", "--by", "17"])
    assert "takes --no-tags" in capsys.readouterr().out


def test_a_scrapped_part_and_a_long_name_in_the_list(
    capsys: pytest.CaptureFixture[str], fits_windows: Callable[[str], None]
) -> None:
    record("P-0109")
    scrap = ["disposition", code_of_tag(), "--as", "scrap", "--reason", "oversize"]
    assert run([*scrap, "--by", "engineer " * 40]) == 0
    assert run(["check", KIT, str(SAMPLES / FILES["P-0107"]), "--record", "--by", "b" * 300]) == 0
    capsys.readouterr()
    assert run(["parts"]) == 0
    out = capsys.readouterr().out
    assert out.count("no, scrapped") == 1
    for asked, serials in (
        (["--tag", "scrap"], ["P-0109"]), (["--tag", "closed"], ["P-0109"]), (["--tag", "open"], []),
        (["--tag", "none"], ["P-0107"]), (["--by", "B" * 300], ["P-0107"]), (["--by", "nobody"], []),
        (["--defect", "size"], ["P-0109"]), (["--defect", "no-go-entered"], ["P-0109"]), (["--defect", "pins"], []),
        (["--defect", "no-go", "--tag", "scrap", "--since", "2026-11-11"], ["P-0109"]),
        (["--tag", "scrap", "--since", "2026-11-12"], []),
    ):
        capsys.readouterr()
        assert run(["parts", "--json", *asked]) == 0
        assert [row["serial"] for row in json.loads(capsys.readouterr().out)] == serials, asked
    for wrong in (["--tag", "lost"], ["--defect", "beauty"]):
        assert run(["parts", *wrong]) == 2
    for name in ("story.html", "story.pdf"):
        run(["part", "P-0109", "--out", name])
    page = Path("story.html").read_text(encoding="utf-8")
    assert "SCRAPPED" in page
    assert "disposition scrap, by engineer" in page
    fits_windows(page)
    assert Path("story.pdf").read_bytes().startswith(b"%PDF")
    assert run(["part", "P-0109", "--out", "story.txt"]) == 2
    capsys.readouterr()
    assert max(map(len, out.splitlines())) < 200
    assert run(["parts", "--json"]) == 0
    assert [row["not_for_use"] for row in json.loads(capsys.readouterr().out)] == ["scrap", ""]
