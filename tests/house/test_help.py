"""Every command explains itself, by either option, with an example that begins as it is typed."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from holeqc.__main__ import run
from holeqc.commands import COMMANDS

ROOT = Path(__file__).parents[2]
GROUPS = [name for name, entry in COMMANDS.items() if isinstance(entry, dict)]
SINGLE = [name for name, entry in COMMANDS.items() if not isinstance(entry, dict)]
BELOW = [f"{group} {name}" for group in GROUPS for name in COMMANDS[group]]


@pytest.mark.parametrize("option", ["-h", "--help"])
@pytest.mark.parametrize("command", [*SINGLE, *BELOW])
def test_a_command_explains_itself(command: str, option: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*command.split(), option]) == 0
    said = capsys.readouterr().out
    assert said.startswith(f"Usage: holeqc {command} ")
    assert f"Example: holeqc {command}" in " ".join(said.split())


@pytest.mark.parametrize("group", GROUPS)
def test_a_group_lists_its_commands(group: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([group, "-h"]) == 0
    said = capsys.readouterr().out
    assert all(f"\n  {name} " in said for name in COMMANDS[group])


def test_a_command_that_is_none_is_answered_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["chekc", "kit.toml", "sheet.csv"]) == 2
    assert "there is no command 'chekc' (nearest: 'check'). " in capsys.readouterr().err


@pytest.mark.parametrize("width", [40, 100])
def test_every_topic_is_explained_within_the_screen(
    width: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from holeqc.commands.explain import Topic

    monkeypatch.setenv("COLUMNS", str(width))
    reference = (ROOT / "holeqc" / "commands" / "reference.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (`.*?) \|", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    in_readme = re.findall(r"`(\w+)`", "".join(rows))
    for topic in get_args(Topic):
        assert run(["explain", topic]) == 0
        shown = capsys.readouterr().out
        typed = re.search(rf"^# {topic}\n(.*?)(?=^# |\Z)", reference, re.DOTALL | re.MULTILINE)
        assert typed is not None
        text = re.sub(r"```.*?```", "", typed[1], flags=re.DOTALL)  # code stays as wide as it is
        text = re.sub(r"^\|.*\n\|---.*\n", "", text, flags=re.MULTILINE)  # headings of tables are left out
        words = set(re.findall(r"[a-z]{4,}", text)) - {"holeqc"}
        assert words <= set(re.findall(r"[a-z]{4,}", shown)), topic
        assert all(len(line) <= width for line in shown.splitlines() if not line.startswith("    ")), topic
        assert topic in in_readme
