"""Every command explains itself, by either option, with an example that begins as it is typed."""

from __future__ import annotations

import pytest

from holeqc.__main__ import run
from holeqc.commands import COMMANDS

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
