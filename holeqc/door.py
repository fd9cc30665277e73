"""The one door through which files come in: regular files only, read once, never more than their kind can need.

The bytes that are hashed are the bytes that are parsed, so a file that is rewritten meanwhile can't give a verdict on
one content and the digest of another. Pipes, devices and sockets are refused at once, in words. A link is followed to a
regular file. A name that isn't UTF-8 is still a name: it opens, and it is shown by its odd bytes.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import stat
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from holeqc.printing import one_line, shortened
from holeqc.problems import ERROR, HoleQCError, Problem

LONGEST_NAME = 200  #: characters of a name that is compared with others


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of file: what it is called, and the most bytes that one of them can need."""

    word: str
    most: int
    too_large: str = "Is it the right file?"


READINGS = Kind("a sheet of readings", 250_000_000, "Split it into several files")
TABLE = Kind("a table", 250_000_000, "Split it into several files")
KIT = Kind("a kit file", 1_000_000, "Is it a kit file?")
MANIFEST = Kind("a manifest", 5_000_000)
PACKET_FILE = Kind("a file of a packet", 500_000_000)
PLAN = Kind("a reading plan", 50_000_000)
CHART = Kind("the --json output of a chart", 100_000_000)
DRAFT = Kind("a draft of holeqc log", 50_000_000)
TYPEFACE = Kind("a typeface", 20_000_000)


@dataclass(frozen=True, slots=True)
class Incoming:
    """A file as it came in: its name fit to be shown, its path, its bytes and their SHA-256."""

    name: str
    path: Path
    content: bytes = field(repr=False)
    sha256: str

    @property
    def size(self) -> int:
        """Number of bytes."""
        return len(self.content)

    def stream(self) -> io.BytesIO:
        """Return the bytes as a file open for reading; they aren't copied."""
        return io.BytesIO(self.content)

    def lines(self, encoding: str) -> io.TextIOWrapper:
        """Return the text piece by piece, line ends as they are. UnicodeError comes where it doesn't fit."""
        return io.TextIOWrapper(self.stream(), encoding=encoding, newline="")


class RefusedError(HoleQCError):
    """A file isn't let in; its one problem says why."""


def take(
    path: str | os.PathLike[str], kind: Kind, *, error: type[HoleQCError] = RefusedError, most: int | None = None
) -> Incoming:  # fmt: skip
    """Return a file's name, bytes and digest, read once.

    Args:
        path: the file; a link is followed to a regular file only.
        kind: what the file is meant to be; bounds its size.
        error: the class of error that the caller's room raises.
        most: another bound on its size [bytes].

    Raises:
        HoleQCError: of class ``error``, with one problem: no such file, a folder, pipe, device or socket, larger than
            its kind can need, not to be read, or changed while it was read.
    """
    name, place, bound = one_line(os.fspath(path)), Path(path), kind.most if most is None else most
    try:
        descriptor = _open(name, place, error)
        with open(descriptor, "rb", buffering=0, closefd=True) as file:
            before = os.fstat(descriptor)
            if not stat.S_ISREG(before.st_mode):
                raise refusal(name, "no-file", _what_it_is(before.st_mode), error, action="Name a file")
            if before.st_size > bound:
                raise _too_large(name, kind, f"{before.st_size} bytes", bound, error)
            content, digest = _read(file, before.st_size, bound)
            after = os.fstat(descriptor)
    except OSError as problem:
        raise _no_access(name, problem, error) from problem
    if len(content) > bound:
        raise _too_large(name, kind, f"more than {bound} bytes", bound, error)
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns) or len(content) != after.st_size:
        raise refusal(
            name, "changing-file", "the file was changed while it was read", error,
            action="Wait until it is saved, then run it again",
        )  # fmt: skip
    return Incoming(name, place, content, digest)


def _open(name: str, place: Path, error: type[HoleQCError]) -> int:
    try:
        mode = os.stat(place).st_mode  # before it is opened: a device may act on being opened
    except ValueError:  # a name that holds a NUL
        raise refusal(name, "no-file", "there is no such file", error, action="Check the name") from None
    if not stat.S_ISREG(mode):
        raise refusal(name, "no-file", _what_it_is(mode), error, action="Name a file")
    # not to wait: what lies there may be another thing by now
    waiting = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)
    return os.open(place, os.O_RDONLY | waiting | getattr(os, "O_CLOEXEC", 0))


def _read(file: io.FileIO, size: int, bound: int) -> tuple[bytes, str]:
    """Return bytes and digest of an open file, at most one byte more than allowed; in one piece where it gives one."""
    pieces, left = [], min(size, bound) + 1
    while left > 0 and (piece := file.read(left)):
        pieces.append(piece)
        left -= len(piece)
    content = pieces[0] if len(pieces) == 1 else b"".join(pieces)
    return content, hashlib.sha256(content).hexdigest()


_THINGS = (
    (stat.S_ISDIR, "this is a folder, not a file"),
    (stat.S_ISFIFO, "this is a pipe, not a file"),
    (stat.S_ISCHR, "this is a device, not a file"),
    (stat.S_ISBLK, "this is a device, not a file"),
    (stat.S_ISSOCK, "this is a socket, not a file"),
)


def _what_it_is(mode: int) -> str:
    return next((words for test, words in _THINGS if test(mode)), "this is not a file")


def _no_access(name: str, problem: OSError, error: type[HoleQCError]) -> HoleQCError:
    if isinstance(problem, FileNotFoundError | NotADirectoryError):
        return refusal(name, "no-file", "there is no such file", error, action="Check the name and the folder")
    reason = problem.strerror or type(problem).__name__
    return refusal(name, "no-access", f"the file can't be opened: {reason}", error, action="Check its rights")


def _too_large(name: str, kind: Kind, found: str, bound: int, error: type[HoleQCError]) -> HoleQCError:
    return refusal(
        name, "too-large", f"the file is too large for {kind.word}", error, found=found,
        allowed=f"at most {bound} bytes", action=kind.too_large,
    )  # fmt: skip


def refusal(
    name: str, code: str, message: str, error: type[HoleQCError] = RefusedError, *, found: str = "", allowed: str = "",
    action: str = "", where: str = "", sheet: str = "",
) -> HoleQCError:  # fmt: skip
    """Return the error for a file that isn't let in, of the class given, with its one problem inside."""
    problem = Problem(
        ERROR, code, message, found=found, allowed=allowed, action=action, file=name, where=where, sheet=sheet,
        holds=True,
    )  # fmt: skip
    return error(problem.sentence(), [problem])


def is_file(path: Path) -> bool:
    """Whether a regular file lies there, reached over a link or not."""
    try:
        return stat.S_ISREG(os.stat(path).st_mode)
    except (OSError, ValueError):
        return False


def start_of(path: Path, count: int) -> bytes:
    """Return the first bytes of a regular file, to recognise it by; none where it can't be read."""
    try:
        with open(_open("", path, RefusedError), "rb", buffering=0) as file:
            return file.read(count) or b""
    except (OSError, HoleQCError):
        return b""


def named_so(folder: Path, ending: str) -> list[Path]:
    """Return the regular files in a folder whose names end so, in the order of their names; none where it is none."""
    try:
        found = sorted(entry for entry in folder.iterdir() if entry.name.endswith(ending))
    except OSError:
        return []
    return [entry for entry in found if is_file(entry)]


# ----------------------------------------------------------------------------------------------------- text and values


def text_of(incoming: Incoming, error: type[HoleQCError] = RefusedError) -> str:
    """Return a file's text in UTF-8, a mark of byte order taken away.

    Raises:
        HoleQCError: of class ``error``; UTF-16, a zip, or bytes that aren't UTF-8, with line and column.
    """
    data = incoming.content
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        raise refusal(incoming.name, "wrong-encoding", "the file is in UTF-16", error, found="UTF-16", allowed="UTF-8",
                      action="Save it as UTF-8 text")  # fmt: skip
    if data[:4] == b"PK\x03\x04":
        raise refusal(incoming.name, "not-text", "the file is a zip or a workbook, not text", error,
                      allowed="text in UTF-8")  # fmt: skip
    try:
        return data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as problem:
        start = problem.start
        line, column = data.count(b"\n", 0, start) + 1, start - data.rfind(b"\n", 0, start)
        likely = data[start : start + 1].decode("cp1252", "replace")
        raise refusal(
            incoming.name, "wrong-encoding", "the file is not in UTF-8", error,
            found=f"byte {data[start]:#04x} (perhaps {likely!r})", allowed="UTF-8",
            action="Save it as UTF-8 in the editor, or take the character out", where=f"line {line}, column {column}",
        ) from None  # fmt: skip


def toml_values(text: str) -> dict[str, Any]:
    """Return the values of TOML text.

    Raises tomllib.TOMLDecodeError (a ValueError) for whatever is wrong with it: nested too deeply, numbers of thousands
    of digits and impossible days as well.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise tomllib.TOMLDecodeError("brackets are nested too deeply") from None
    except (ValueError, OverflowError) as problem:
        raise tomllib.TOMLDecodeError(_number_words(problem)) from None


def json_values(text: str | bytes) -> Any:
    """Return the values of JSON text.

    Raises ValueError for whatever is wrong with it: nested too deeply, NaN, numbers of thousands of digits as well.
    """
    try:
        return json.loads(text, parse_constant=_no_constant)
    except RecursionError:
        raise ValueError("brackets are nested too deeply") from None
    except UnicodeDecodeError:
        raise ValueError("it is not text in UTF-8") from None
    except json.JSONDecodeError:
        raise
    except ValueError as problem:
        raise ValueError(_number_words(problem)) from None


def _no_constant(word: str) -> Any:
    raise ValueError(f"{word} is not a number")


def _number_words(problem: Exception) -> str:
    words = str(problem)
    return "a number has thousands of digits" if "digits" in words else shortened(words)


def own_text(*names: str) -> str:
    """Return the text of a file of this package, ``("specification", "keys.md")``: it came with the tool.

    By its path: importlib.resources would cost every start some 20 ms.
    """
    return Path(__file__).parent.joinpath(*names).read_text(encoding="utf-8")


def near_names(word: str, known: Iterable[str], count: int = 1, cutoff: float = 0.6) -> list[str]:
    """Return the known names nearest to a typed one, capitals or not, best first; long words are never compared.

    Comparing takes the square of their length.
    """
    if len(word) > LONGEST_NAME:
        return []
    from difflib import get_close_matches

    folded = {name.casefold(): name for name in known if len(name) <= LONGEST_NAME}
    return [folded[near] for near in get_close_matches(word.casefold(), list(folded), count, cutoff)]
