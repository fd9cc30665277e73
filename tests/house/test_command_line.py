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
