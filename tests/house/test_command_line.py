"""What the entry promises whatever happens around it: no exit code that reads as a verdict, text any terminal takes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CHECK = ["check", "tolerances/bl7.toml"]


def tool(*words: str) -> list[str]:
    return [sys.executable, "-m", "holeqc", *words]


@pytest.mark.parametrize("more", [[], ["--json"]])
def test_a_reader_that_is_gone_is_no_verdict(more: list[str]) -> None:
    # Exit 1 means rejected, and this part is accepted.
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        tool(*CHECK, "sample_measurements/bl7_P-0107.xlsx", *more), cwd=ROOT, stdout=writing, stderr=subprocess.PIPE
    )
    os.close(writing)
    assert done.returncode == 2
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize("encoding", ["cp1252", "latin-1", "ascii"])
def test_a_terminal_without_unicode_gets_words_and_valid_json(encoding: str) -> None:
    environment = os.environ | {"PYTHONIOENCODING": encoding}
    words = tool(*CHECK, "sample_measurements/bl7_S-0108.xlsx")
    screen = subprocess.run(words, cwd=ROOT, env=environment, capture_output=True)
    assert (screen.returncode, screen.stderr) == (1, b"")
    assert screen.stdout.decode(encoding).rstrip().splitlines()[-1].startswith("x REJECT")
    data = subprocess.run([*words, "--json"], cwd=ROOT, env=environment, capture_output=True)
    assert json.loads(data.stdout.decode(encoding))["verdict"] == "reject"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="a device that takes nothing")
@pytest.mark.parametrize("screen", ["/dev/full", "closed", "gone"])
def test_an_act_on_record_is_told_from_a_verdict_whatever_became_of_the_screen(screen: str, tmp_path: Path) -> None:
    # S-0108 is rejected, so 1 would be its verdict; what was recorded must not read as "nothing happened" either.
    ledger = tmp_path / "shop.sqlite3"
    words = tool(*CHECK, "sample_measurements/bl7_S-0108.xlsx", "--record", "--by", "bench 2", "--ledger", str(ledger))
    line = {"/dev/full": '"$@" > /dev/full', "closed": '"$@" >&-', "gone": '"$@" | true; exit ${PIPESTATUS[0]}'}[screen]
    done = subprocess.run(["bash", "-c", line, "bash", *words], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 4, done.stderr
    assert "recorded as entries 1 to" in done.stderr
    assert ledger.read_bytes()[:15] == b"SQLite format 3"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="a device that takes nothing")
def test_help_that_nobody_saw_is_no_success() -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(tool("--version"), cwd=ROOT, stdout=full, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 2
    assert "can't be written: No space left" in done.stderr


def test_words_typed_to_the_tool_itself_are_made_fit(capfd: pytest.CaptureFixture[str]) -> None:
    from holeqc.__main__ import run

    for words in (["\x1b[2Jcheck"], ["check", "--\x1b[2J"], ["check", "\x1b[2J.toml\nholeqc: all is well", "b.csv"]):
        assert run(words) == 2
        said = capfd.readouterr().err
        assert "\x1b" not in said
        assert "[U+001B]" in said or "\\x1b" in said
        assert "\nholeqc: all is well" not in said
