"""What prints: nothing a terminal obeys, no line that somebody else made up, and an exit code that never lies."""

from __future__ import annotations

import io
import json
import sys
import unicodedata

import pytest

from holeqc import printing

#: what must never reach a terminal: cursor, colour, title, bell, turned direction, unseen letters, half characters
HOSTILE = ["\x1b[2J", "\x1b]0;t\x07", "\x9b31m", "\u202egpj", "\u2066x", "a\u200bb", "\ud83d", "\u2028x", "\x7f", "\b"]


@pytest.mark.parametrize("text", HOSTILE)
def test_unfit_marks_are_shown_by_code_point(text: str) -> None:
    for shown in (printing.one_line(text), printing.visible(text)):
        assert not any(unicodedata.category(c) in {"Cc", "Cf", "Zl", "Zp", "Cs"} for c in shown)
        assert "[U+" in shown
    assert json.loads(printing.as_json({"a": text})) == {"a": text}
    assert not any(unicodedata.category(c) in {"Cf", "Zl", "Zp", "Cs"} for c in printing.as_json(text))


def test_every_control_and_format_character_is_unfit() -> None:
    # against the character table of the language itself, not our own list
    through = [
        f"U+{n:04X}" for n in range(0x110000)
        if unicodedata.category(chr(n)) in {"Cc", "Cf", "Zl", "Zp", "Cs", "Co"} and n not in {9, 10, 13}
        and "[U+" not in printing.one_line(chr(n))
    ]  # fmt: skip
    assert not through


def test_plain_text_is_left_alone() -> None:
    text = "Ø 0.4581 ± 0.0002 in, Größe ≤ 3 µm, 刃"
    assert printing.one_line(text) == printing.visible(text) == text
    assert printing.one_line("P-1\naccept\tall\r\n") == "P-1 accept all "
    assert printing.visible("a\n\tb\r") == "a\n\tb[U+000D]"


def test_a_line_stays_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    printing.begin()
    printing.say("P-1\n✓ ACCEPT", "two")
    printing.warn("x\ny", "z" * 10_000)
    printing.failure("bad.toml: no\nholeqc: all is well\x1b[2J", ["one\ntwo"])
    out, err = capsys.readouterr()
    assert out == "P-1 ✓ ACCEPT\ntwo\n"
    lines = err.splitlines()
    assert lines[0] == "x y"
    assert len(lines[1]) == printing.LONGEST_LINE
    assert lines[2:] == ["holeqc: bad.toml: no", "  holeqc: all is well[U+001B][2J", "  - one two"]


class Full(io.StringIO):
    """A screen that takes nothing."""

    def write(self, text: str) -> int:
        raise OSError(28, "No space left on device")


class Gone(Full):
    def write(self, text: str) -> int:
        raise BrokenPipeError(32, "Broken pipe")


@pytest.mark.parametrize("code", [0, 1, 3, 2])
@pytest.mark.parametrize("screen", [Full, Gone, None])
def test_a_verdict_that_nobody_saw_is_none(
    code: int, screen: type[io.StringIO] | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    printing.begin()
    monkeypatch.setattr(sys, "stdout", screen() if screen else None)
    printing.write("x REJECT\n")
    assert printing.outcome(code) == printing.UNWRITTEN
    printing.recorded(7)
    assert printing.outcome(code) == printing.RECORDED_UNSEEN
    printing.begin()


def test_what_was_recorded_is_said_where_the_answer_is_lost(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    printing.begin()
    monkeypatch.setattr(sys, "stdout", Full())
    printing.say("answer")
    printing.recorded(7, 9)
    assert printing.outcome(1) == 4
    assert "No space left on device; recorded as entries 7 to 9" in capsys.readouterr().err
    printing.begin()


def test_a_run_that_breaks_off_after_recording_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    printing.begin()
    assert printing.broken_off() is None
    printing.recorded(3)
    assert printing.broken_off() == 4
    assert "recorded as entry 3" in capsys.readouterr().err
    printing.begin()


def test_an_answer_that_arrived_keeps_its_code(capsys: pytest.CaptureFixture[str]) -> None:
    printing.begin()
    printing.say("x REJECT")
    printing.recorded(1)
    assert [printing.outcome(code) for code in (0, 1, 3)] == [0, 1, 3]
    printing.begin()


def test_letters_that_a_stream_lacks_become_words() -> None:
    printing.begin()
    store = io.BytesIO()
    stream = io.TextIOWrapper(store, encoding="ascii", errors="holeqc-plain")
    stream.write("✓ ⌀ 0.4581 刃")
    stream.flush()
    assert store.getvalue() == b"+ dia  0.4581 \\u5203"


def test_progress_is_for_terminals(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    printing.begin()
    printing.progress("report.pdf")
    printing.counted("rows")(5)
    assert capsys.readouterr().err == ""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    printing.progress("P-1\x1b[2J\n")
    show = printing.counted("rows", 10)
    show(0)
    show(5)
    show(10)
    printing.warn("done")
    assert terminal.getvalue().split("\r\x1b[2K") == ["", "P-1[U+001B][2J ", "rows: 0", "rows: 10", "done\n"]
