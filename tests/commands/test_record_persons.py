"""Commands of the record that guard it: persons and keys, releases, seals, near serial numbers, questions, the clock.

Exit codes: 0 done, 2 refused or something differs, 3 not proven or in question. On the demonstration's sheets.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from holeqc.__main__ import run

ROOT = Path(__file__).resolve().parents[2]
KIT = str(ROOT / "tolerances" / "bl7.toml")
GOOD, REJECTED = (str(ROOT / "sample_measurements" / name) for name in ("bl7_P-0107.xlsx", "bl7_P-0109.csv"))


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder that has no ledger, with nothing said by the environment."""
    monkeypatch.chdir(tmp_path)
    for name in ("HOLEQC_LEDGER", "HOLEQC_BY", "HOLEQC_NEW_PASSPHRASE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOLEQC_PASSPHRASE", "correct horse")
    monkeypatch.setenv("HOLEQC_NEW_PASSPHRASE", "correct horse")


def said(capsys: pytest.CaptureFixture[str], code: int, *arguments: str) -> str:
    """Run a command that must leave with a code; return all that it said."""
    capsys.readouterr()
    assert run(list(arguments)) == code, capsys.readouterr()
    out = capsys.readouterr()
    return out.out + out.err


def released(capsys: pytest.CaptureFixture[str], kit: str = KIT) -> None:
    for who in ("office 1", "office 2"):
        said(capsys, 0, "kit", "release", kit, "--by", who)


def test_persons_keys_and_a_packet_proven_elsewhere(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("cryptography")
    kit = Path("k.toml")
    kit.write_text(Path(KIT).read_text(encoding="utf-8") + "\n[approval]\nsigned = true\n", encoding="utf-8")
    assert "signed with the person's key" in " ".join(said(capsys, 0, "kit", "show", "k.toml").split())
    assert "7 keeps the list" in said(capsys, 0, "person", "add", "7", "--role", "engineer", "--by", "7")
    said(capsys, 0, "person", "key", "7", "-o", "7.key", "--by", "7")
    signed = ("--by", "7", "--key", "7.key")
    for name, role in (("41", "inspector"), ("8", "engineer"), ("17", "technician")):
        said(capsys, 2, "person", "add", name, "--role", role, "--by", "7")
        said(capsys, 0, "person", "add", name, "--role", role, *signed)
    for name in ("41", "8"):
        assert "sign with your key" in said(capsys, 2, "person", "key", name, "-o", f"{name}.key", "--by", name)
        assert not Path(f"{name}.key").exists()
        said(capsys, 0, "person", "key", name, "-o", f"{name}.key", *signed)
    known = {p["name"]: p["public_key"] for p in json.loads(said(capsys, 0, "person", "list", "--json"))}
    assert list(known) == ["7", "41", "8", "17"]
    said(capsys, 0, "kit", "release", "k.toml", *signed)
    said(capsys, 0, "kit", "release", "k.toml", "--by", "8", "--key", "8.key")
    assert "knows no person '99'" in said(capsys, 2, "check", "k.toml", GOOD, "--record", "--by", "99")
    said(capsys, 0, "check", "k.toml", GOOD, "--record", "--by", "17")
    assert "as technician, not as inspector" in said(capsys, 2, "approve", "P-0107", "--by", "17", "--key", "8.key")
    assert "sign with your key" in said(capsys, 2, "approve", "P-0107", "--by", "41")
    said(capsys, 0, "approve", "P-0107", "--by", "41", "--key", "41.key")
    said(capsys, 0, "packet", "P-0107", "-o", "packet", "--by", "41", "--key", "41.key")
    assert "(signed, key " in said(capsys, 0, "part", "P-0107")
    Path("elsewhere").mkdir()
    monkeypatch.chdir("elsewhere")
    assert "NOT PROVEN" in said(capsys, 3, "packet", "verify", "../packet")
    said(capsys, 3, "packet", "verify", "../packet", "--known-key", known["8"])
    assert "unchanged" in said(capsys, 0, "packet", "verify", "../packet", "--known-key", known["41"])
    monkeypatch.chdir("..")
    said(capsys, 0, "person", "remove", "17", "--reason", "left", *signed)
    said(capsys, 2, "check", "k.toml", REJECTED, "--record", "--by", "17")


def test_seals_are_left_and_compared(capsys: pytest.CaptureFixture[str]) -> None:
    Path("seals").mkdir()
    said(capsys, 0, "check", KIT, GOOD, "--record", "--by", "17")
    assert "Seals go to" in said(capsys, 0, "ledger", "seal", "--folder", "seals", "--by", "7")
    early = Path("holeqc-ledger.sqlite3").read_bytes()
    said(capsys, 1, "check", KIT, REJECTED, "--record", "--by", "17")
    assert "compared with 2 seals" in said(capsys, 0, "ledger", "verify")
    said(capsys, 0, "ledger", "seal", "-o", "noted.json")
    Path("holeqc-ledger.sqlite3").write_bytes(early)  # the ledger of before the rejection put in its place
    for place in ([], ["--seal", "noted.json"], ["--seal", "seals"]):
        assert "entries 5 to 7 are missing" in said(capsys, 2, "ledger", "verify", *place)
    assert "is a file" in said(capsys, 2, "ledger", "roles")


def test_a_near_serial_number_is_asked_about(capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, 1, "check", KIT, REJECTED, "--record", "--by", "17")
    text = Path(REJECTED).read_text(encoding="utf-8").replace("P-0109", "p109").replace("2026-11-11", "2026-11-12")
    Path("again.csv").write_text(text, encoding="utf-8")
    told = said(capsys, 2, "check", KIT, "again.csv", "--record", "--by", "17")
    assert "serial p109 may be the part P-0109, reject in entry 3. Look at the part" in told
    assert "REJECT" in told  # what the sheet says is shown all the same
    said(capsys, 2, "serial", "p109", "--by", "41", "--reason", "looked")
    said(capsys, 0, "serial", "p109", "--same-as", "P-0109", "--by", "41", "--reason", "looked")
    told = said(capsys, 1, "check", KIT, "again.csv", "--record", "--by", "17")
    assert "port P-0109" in told
    assert "not read again" in " ".join(told.split())


def test_a_part_in_question_is_listed_until_it_is_closed(capsys: pytest.CaptureFixture[str]) -> None:
    released(capsys)
    said(capsys, 0, "check", KIT, GOOD, "--record", "--by", "17")
    assert "holeqc approve P-0107" in said(capsys, 0, "waiting")
    said(capsys, 0, "approve", "P-0107", "--by", "41")
    said(capsys, 0, "packet", "P-0107", "-o", "packet", "--by", "41")
    assert "nothing puts it in question" in said(capsys, 0, "question", "P-0107")
    bad = ("gauge", "calibrated", "BG-2", "--day", "2026-11-20", "--out-of-tolerance", "--by", "gauge room")
    said(capsys, 0, *bad, "--error", "+0.0001 in")
    assert "is in question: gauge BG-2" in said(capsys, 3, "question", "P-0107")
    assert "IN QUESTION" in said(capsys, 0, "part", "P-0107")
    assert "In question (1)" in said(capsys, 0, "waiting")
    assert len(json.loads(said(capsys, 0, "waiting", "--json"))["questions"]) == 1
    assert "in question" in said(capsys, 2, "packet", "verify", "packet")
    said(capsys, 0, "question", "P-0107", "--by", "41", "--reason", "0.002 to spare")
    said(capsys, 0, "packet", "verify", "packet")


def test_the_clock_is_only_spoken_of_when_it_is_behind(capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, 0, "check", KIT, GOOD, "--record", "--by", "17")
    assert "is not behind" in said(capsys, 2, "ledger", "clock", "--by", "7", "--reason", "x")
