"""A run that is stopped, or whose output finds no room, says so in one full sentence."""

from __future__ import annotations

import errno
import io
import sys

import pytest

from holeqc import __main__ as entry
from holeqc import printing


def test_ctrl_c_says_one_line_and_leaves_with_130(capsys: pytest.CaptureFixture[str]) -> None:
    """130 is 128 + SIGINT (POSIX, exit status of a command that a signal ended)."""

    printing.begin()

    def stopped() -> int:
        raise KeyboardInterrupt

    assert entry._guarded(stopped) == 130
    assert capsys.readouterr().err == "holeqc: stopped; nothing was half-written\n"
    printing.begin()
    assert entry._guarded(lambda: 130) == 130
    assert capsys.readouterr().err == "holeqc: stopped; nothing was half-written\n"


def test_no_room_for_the_output_is_a_full_sentence(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    printing.begin()

    class Full(io.StringIO):
        def flush(self) -> None:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(sys, "stdout", Full())
    assert entry._guarded(lambda: 0) == 2
    text = capsys.readouterr().err.strip()
    assert "the output can't be written: No space left on device." in text
    assert not text.endswith(":")
