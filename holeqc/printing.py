"""The only place that prints, and the one way in which text from outside is made fit to be shown.

What users typed (serial numbers, names of files, keys of a kit, names in a packet) may hold marks that a terminal obeys
or an eye doesn't see: they move the cursor, clear the screen, turn the direction of writing, hide letters. They are
shown by their code point, ``[U+001B]``, on both streams and in every file that is written.

A screen that is gone (a pipe whose reader left, a full disk behind a redirection, a closed stream) never stops the
work: what couldn't be shown is remembered, and `outcome` turns it into an exit code. So an act that is recorded is
either said to be, or the tool leaves with `RECORDED_UNSEEN`.
"""

from __future__ import annotations

import codecs
import contextlib
import json
import os
import re
import shutil
import sys
import textwrap
import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TextIO

UNWRITTEN = 2  #: exit code: the answer couldn't be written, and nothing was recorded
RECORDED_UNSEEN = 4  #: exit code: something was recorded, and the answer couldn't be written
#: exit code that shells give for a program that Ctrl-C has ended: 128 + SIGINT (POSIX, status of a signalled command)
STOPPED = 130
NARROWEST = 20  #: columns; a terminal that says less doesn't know its width
LONGEST_LINE = 4_000  #: characters of a sentence on standard error; what somebody typed could fill the screen

#: C0 and C1 marks, delete, soft hyphen, marks of direction, blanks without width, line and paragraph separators, the
#: unseen fillers and joiners, tags, variation selectors, private and half characters (Unicode 16, general categories
#: Cc, Cf, Zl, Zp, Cs, Co, and the fillers that Unicode calls default ignorable)
_UNFIT = re.compile(
    "[\x00-\x1f\x7f-\x9f\u00ad\u034f\u0600-\u0605\u061c\u06dd\u070f\u0890\u0891\u08e2\u115f\u1160\u17b4\u17b5"
    "\u180b-\u180f\u200b-\u200f\u2028-\u202e\u2060-\u206f\u3164\ud800-\udfff\ue000-\uf8ff\ufdd0-\ufdef\ufe00-\ufe0f"
    "\ufeff\uffa0\ufff0-\ufffb\ufffe\uffff\U000110bd\U000110cd\U00013430-\U0001343f\U0001bca0-\U0001bca3"
    "\U0001d173-\U0001d17a\U000e0000-\U000e0fff\U000f0000-\U0010ffff]"
)
_BREAKS = re.compile(r"[\t\r\n]+")
_UNFIT_IN_TEXT = re.compile(_UNFIT.pattern.replace("\x00-\x1f", "\x00-\x08\x0b-\x1f"))

#: what a terminal that knows no Unicode is given instead
PLAIN = {
    "✓": "+", "✗": "x", "…": "...", "⌀": "dia ", "Ø": "dia ", "°": " deg", "≤": "<=", "≥": ">=", "−": "-", "–": "-",
    "·": ".", "±": "+/-", "×": "x", "µ": "u", "σ": "sigma", "√": "sqrt",
}  # fmt: skip


# ------------------------------------------------------------------------------------------------------ the sanitiser


def one_line(text: object) -> str:
    """Return text fit to be shown in one line: tabs and line breaks as a blank, what is unfit by its code point."""
    line = text if isinstance(text, str) else str(text)
    if line.isprintable() and line.isascii():  # nearly every text: nothing to do
        return line
    return _UNFIT.sub(_code_point, _BREAKS.sub(" ", line))


def visible(text: object) -> str:
    """Return text of several lines fit to be shown: line breaks and tabs stay, what is unfit is shown by code point."""
    whole = text if isinstance(text, str) else str(text)
    return _UNFIT_IN_TEXT.sub(_code_point, whole)


def as_json(content: Any, indent: int | None = 1) -> str:
    """Return content as JSON in one way for all: what is unfit to be shown is escaped, so it reads back unchanged.

    What JSON has no word for, a day for instance, becomes its text.
    Raises ValueError for a number that isn't finite.
    """
    text = json.dumps(content, ensure_ascii=False, indent=indent, allow_nan=False, default=str)
    if text.isascii() and "\x7f" not in text:  # the rest that is unfit was escaped above
        return text
    return _UNFIT_IN_TEXT.sub(lambda match: json.dumps(match[0])[1:-1], text)


def _code_point(match: re.Match[str]) -> str:
    return f"[U+{ord(match[0]):04X}]"


def shortened(text: str, most: int = 80) -> str:
    """Return text fit for one line, its end left out beyond ``most`` characters: for what somebody typed."""
    return one_line(text if len(text) <= most else text[: most - 1] + "…")


# ------------------------------------------------------------------------------------------------------- the streams


class _Screen:
    """What became of the two streams of this run, and what was recorded in it."""

    def __init__(self) -> None:
        self.lost: dict[str, str] = {}  #: name of a stream -> why it takes nothing more
        self.entries: list[int] = []
        self.stopped = False  #: it was said that the run was stopped
        self.progress = False  #: a line of progress stands on the terminal
        self.dialog = False  #: a person is being asked, line by line: nothing may move on the terminal


_screen = _Screen()


def begin() -> None:
    """Set up both streams for a run: closed ones are replaced by nothing, letters a terminal lacks by plain words.

    A stream that the caller closed leaves its number free, and the next file that is opened, a ledger perhaps, would
    get it and be printed into.
    """
    _screen.lost.clear()
    _screen.entries.clear()
    _screen.progress = _screen.dialog = _screen.stopped = False
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            with contextlib.suppress(OSError):
                os.open(os.devnull, os.O_RDWR)  # gets the lowest free number, which is this one
    codecs.register_error("holeqc-plain", _plain)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            with contextlib.suppress(OSError, ValueError):
                stream.reconfigure(errors="holeqc-plain")


def _plain(error: UnicodeError) -> tuple[str, int]:
    """Give plain words, or escapes that JSON reads too, for characters that a stream's encoding lacks."""
    assert isinstance(error, UnicodeEncodeError)
    lost = error.object[error.start : error.end]
    words = (PLAIN.get(c, c.encode("unicode_escape", "backslashreplace").decode("ascii")) for c in lost)
    return "".join(words), error.end


def _put(name: str, text: str, *, fit: bool = True) -> None:
    """Write to a stream; one that fails is given nothing more and remembered."""
    stream: TextIO | None = getattr(sys, name)
    if name in _screen.lost:
        return
    if stream is None or stream.closed:
        _screen.lost[name] = "it is closed"
        return
    try:
        if _screen.progress:
            progress("")
        stream.write(fitted(text, width()) if fit and _is_terminal(stream) else text)
        if name == "stderr":
            stream.flush()
    except UnicodeEncodeError:  # a stream that took no error handler
        with contextlib.suppress(OSError, ValueError):
            stream.write(text.encode("ascii", "backslashreplace").decode("ascii"))
    except (OSError, ValueError) as error:
        _lose(name, error)


def _lose(name: str, error: Exception) -> None:
    quiet = isinstance(error, BrokenPipeError)
    reason = "" if quiet else (getattr(error, "strerror", None) or str(error) or type(error).__name__)
    _screen.lost[name] = reason
    stream: TextIO | None = getattr(sys, name)
    with contextlib.suppress(OSError, ValueError, AttributeError):
        # what is still in the stream's store goes nowhere, so that leaving doesn't complain about it
        number = stream.fileno()  # type: ignore[union-attr]
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, number)
        os.close(nothing)


def write(text: str, *, aside: bool = False) -> None:
    """Write text of several lines to standard output, or with ``aside`` to standard error."""
    _put("stderr" if aside else "stdout", visible(text))


def flush() -> None:
    """Have standard output go out now, for whoever follows a long run."""
    if sys.stdout is not None and "stdout" not in _screen.lost:
        with contextlib.suppress(OSError, ValueError):
            sys.stdout.flush()


def say(*lines: object, aside: bool = False) -> None:
    """Write one line each: whatever is in it, it stays one line."""
    for line in lines:
        _put("stderr" if aside else "stdout", one_line(line) + "\n")


def warn(*lines: object) -> None:
    """Write one line each to standard error, none longer than `LONGEST_LINE`."""
    say(*(shortened(str(line), LONGEST_LINE) for line in lines), aside=True)


def write_json(content: Any) -> None:
    """Write content as JSON to standard output."""
    _put("stdout", as_json(content) + "\n", fit=False)


def failure(message: str, sentences: Iterable[str] = ()) -> None:
    """Write an error to standard error: its further lines set in, so that none reads as a line of the tool's own."""
    first, *rest = visible(message).splitlines() or [""]
    warn(f"holeqc: {first}", *(f"  {line}" for line in rest), *(f"  - {sentence}" for sentence in sentences))


def progress(text: str) -> None:
    """Show on standard error what is being done, on a terminal only; an empty text takes the line away."""
    stream: TextIO | None = sys.stderr
    if stream is None or "stderr" in _screen.lost or _screen.dialog or not _is_terminal(stream):
        return
    try:
        _screen.progress = bool(text)
        # the only marks for the terminal that the tool writes itself, but for the bell
        stream.write("\r\x1b[2K" + shortened(text, min(width(), 79) - 1))
        stream.flush()
    except (OSError, ValueError) as error:
        _lose("stderr", error)


def width(usual: int = 80) -> int:
    """Return how many columns the terminal has, ``usual`` where that isn't known; the variable COLUMNS counts first."""
    return max(shutil.get_terminal_size((usual, 24)).columns, NARROWEST)


_GAPS = re.compile(r"(?<=\S)( {2,})(?=\S)")  #: what parts the columns of a table
_USUAL = 80  #: columns that paragraphs are set for where the room isn't known


def fitted(text: str, wide: int) -> str:
    """Return text with lines that are longer than ``wide`` broken, their rest set in: a table's between its columns.

    A word longer than a line stays whole: it may be a path that somebody copies.
    """
    lines: list[str] = []
    before = ""
    for line in text.split("\n"):
        first = (line.split(None, 1) or [""])[0]
        full = first and len(before) > wide and before[-1] not in ".:" and len(before) + len(first) >= _USUAL
        if full and len(_GAPS.findall(lines[-1])) < 2 and not _GAPS.search(line):
            lines[-1] += f" {line.strip()}"  # the same paragraph, broken for a wider screen
        else:
            lines.append(line)
        before = line
    return "\n".join(part for line in lines for part in (_broken(line, wide) if len(line) > wide else [line]))


def _broken(line: str, wide: int) -> list[str]:
    indent = len(line) - len(line.lstrip())
    rest = " " * min(indent + 2, wide // 4)
    if len(_GAPS.findall(line)) < 2:
        parts = textwrap.wrap(line, wide, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False)
        return [part if len(part) <= wide else part.lstrip() for part in parts]
    rows = [line[:indent]]
    for cell in re.split(r"(?<=\S)(?= {2,}\S)", line[indent:]):
        if rows[-1].strip() and len(rows[-1]) + len(cell) > wide:
            rows.append(rest + cell.lstrip())
        else:
            rows[-1] += cell
    return [part for row in rows for part in (_broken(row, wide) if len(row) > wide and row != line else [row])]


def counted(what: str, every: int = 1) -> Callable[[int], None]:
    """Return what shows a count that grows, ``reading rows: 20000``; nothing where standard error is no terminal."""
    if sys.stderr is None or not _is_terminal(sys.stderr):
        return lambda _: None
    shown = -every

    def show(count: int) -> None:
        nonlocal shown
        if count - shown >= every:
            shown = count
            progress(f"{what}: {count}")

    return show


def _is_terminal(stream: TextIO) -> bool:
    try:
        return stream.isatty()
    except (OSError, ValueError):
        return False


def is_terminal() -> bool:
    """Whether standard output is a terminal."""
    return sys.stdout is not None and _is_terminal(sys.stdout)


# ------------------------------------------------------------------------------------------------------------ a dialog


def can_ask() -> bool:
    """Whether a person sits at both ends: what is shown and what is typed is a terminal's."""
    return is_terminal() and sys.stdin is not None and _is_terminal(sys.stdin)


def bell() -> None:
    """Ring the terminal's bell."""
    if is_terminal():
        _put("stdout", "\a", fit=False)


@contextlib.contextmanager
def dialog() -> Iterator[Callable[[str], tuple[str, float] | None]]:
    """Give what asks at the terminal: it shows a prompt and returns the line typed, and after how many seconds.

    Enter ends a line, and so does a tab, which gauges with a keyboard's plug send. 0 seconds means that the line was
    there before the prompt. None: nobody is there any more (Ctrl-D, the terminal is gone).
    """
    progress("")
    settings = None
    with contextlib.suppress(ImportError, OSError, ValueError):
        import termios

        settings = termios.tcgetattr(0)
        changed = [*settings[:6], [*settings[6]]]
        changed[6][termios.VEOL] = b"\t"
        termios.tcsetattr(0, termios.TCSANOW, changed)
    _screen.dialog = True
    try:
        yield _ask
    finally:
        _screen.dialog = False
        if settings is not None:
            with contextlib.suppress(OSError):
                termios.tcsetattr(0, termios.TCSANOW, settings)


def _ask(prompt: str) -> tuple[str, float] | None:
    import select

    there = False
    with contextlib.suppress(OSError, ValueError):
        there = bool(select.select([0], [], [], 0)[0])
    _put("stdout", one_line(prompt))
    flush()
    began = time.monotonic()
    try:
        typed = os.read(0, 65_536)
    except OSError:
        typed = b""
    if not typed or "stdout" in _screen.lost:
        return None
    if not typed.endswith(b"\n") or (there and typed.strip()):  # what came too early was echoed before the prompt
        _put("stdout", "\n")
    return typed.decode("utf-8", "replace").strip("\r\n\t "), 0.0 if there else time.monotonic() - began


# ------------------------------------------------------------------------------------------------- acts and exit codes


def recorded(first: int, last: int | None = None) -> None:
    """Remember that entries were recorded for good; from now on no exit code may read as if nothing had happened."""
    _screen.entries += [first, first if last is None else last]


def entries_words() -> str:
    """Return ``recorded as entry 7`` or ``recorded as entries 7 to 9``; empty where nothing was."""
    if not _screen.entries:
        return ""
    first, last = min(_screen.entries), max(_screen.entries)
    return f"recorded as entry {first}" if first == last else f"recorded as entries {first} to {last}"


def stopped(*lines: object) -> int:
    """Say that the run was stopped, once; return the exit code of that."""
    if not _screen.stopped:
        say(*(lines or ["holeqc: stopped; nothing was half-written"]), aside=not lines)
        _screen.stopped = True
    return STOPPED


def outcome(code: int) -> int:
    """Return the exit code with which to leave, after all that was written has really gone out.

    ``code`` is what the command came to. It stands if the answer reached its reader. If it didn't, a verdict was never
    given: `RECORDED_UNSEEN` where something was recorded, else `UNWRITTEN`. An act that was recorded before the run
    broke off (``code`` 2 or a stop) is `RECORDED_UNSEEN` as well, and says so.
    """
    if _screen.progress:
        progress("")
    for name in ("stdout", "stderr"):
        stream: TextIO | None = getattr(sys, name)
        if name not in _screen.lost and stream is not None:
            try:
                stream.flush()
            except (OSError, ValueError) as error:
                _lose(name, error)
    if "stdout" in _screen.lost:
        _explain(_screen.lost["stdout"])
        return RECORDED_UNSEEN if _screen.entries else UNWRITTEN
    if _screen.entries and "stderr" in _screen.lost:
        return RECORDED_UNSEEN
    return code


def broken_off() -> int | None:
    """Return `RECORDED_UNSEEN`, and say what was recorded, where a run that breaks off has recorded something."""
    if not _screen.entries:
        return None
    warn(f"holeqc: {entries_words()}; that stands. What came after it didn't work")
    return RECORDED_UNSEEN


def _explain(reason: str) -> None:
    """Say on standard error why the answer is missing, unless its reader simply went away."""
    words = entries_words()
    if reason:
        then = f"; {words}" if words else ". Free some space or send it to another place, then run it again"
        warn(f"holeqc: the output can't be written: {reason}{then}")
    elif words:
        warn(f"holeqc: {words}; the answer found no reader")
