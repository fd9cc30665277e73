"""What the entry promises whatever happens around it: no exit code that reads as a verdict, text any terminal takes."""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from holeqc.__main__ import THREADS, main

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


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("holeqc ki", {"kit"}),
        ("holeqc pa", {"part", "parts", "packet"}),
        ("holeqc kit ", {"new", "show", "keys", "release"}),
        ("holeqc check --ser", {"--serial"}),
        ("holeqc gauge suspect --s", {"--since"}),
        ("holeqc check tol", set()),  # names of files are the shell's own
        ("holeqc nonsense ", None),  # as the tool's own options and commands, and no error on the prompt
    ],
)
def test_the_shell_completes_commands_and_options(typed: str, offered: set[str] | None) -> None:
    asked = {"COMP_WORDS": typed, "COMP_CWORD": str(typed.count(" ")), "_HOLEQC_COMPLETE": "complete_bash"}
    done = subprocess.run(tool(), cwd=ROOT, env=os.environ | asked, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert offered is None or set(done.stdout.split()) == offered


def test_completion_is_installed_as_help_says(tmp_path: Path) -> None:
    words = tool("--install-completion", "bash")
    environment = os.environ | {"HOME": str(tmp_path), "_TYPER_COMPLETE_TEST_DISABLE_SHELL_DETECTION": "1"}
    done = subprocess.run(words, cwd=ROOT, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "_HOLEQC_COMPLETE=complete_bash" in (tmp_path / ".bash_completions" / "holeqc.sh").read_text()


def test_one_command_loads_no_other() -> None:
    code = (
        "import sys\n"
        "from holeqc.__main__ import run\n"
        "assert run(['kit', 'keys', 'hole']) == 0\n"
        "print(sorted(n for n in sys.modules if n.startswith('holeqc.commands.')), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert "holeqc.commands.kit" in done.stderr
    assert "holeqc.commands.statistics" not in done.stderr


def test_a_missing_shell_is_no_verdict(monkeypatch: pytest.MonkeyPatch) -> None:
    # The parser leaves with 1 there, which would read "rejected".
    from holeqc.__main__ import run

    monkeypatch.setattr("typer.completion._get_shell_name", lambda: None)
    assert run(["--show-completion"]) == 2


@pytest.mark.parametrize("own", ["", "OMP_NUM_THREADS"])
def test_one_thread_unless_the_user_says_otherwise(own: str, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in THREADS:
        monkeypatch.setenv(name, "3")  # so that it is put back afterwards
        if name != own:
            monkeypatch.delenv(name)
    with pytest.raises(SystemExit):
        main(["--version"])
    gc.enable()
    assert {name: os.environ.get(name) for name in THREADS} == (
        {name: "3" if name == own else None for name in THREADS} if own else dict.fromkeys(THREADS, "1")
    )


def test_a_damaged_text_on_record_is_no_fault_of_the_tool(capsys: pytest.CaptureFixture[str]) -> None:
    from holeqc.__main__ import _guarded

    assert _guarded(lambda: json.loads("{\x00")) == 2
    said = capsys.readouterr().err
    assert "ledger verify says where" in said
    assert "Traceback" not in said
