"""The one way in which files go out: whole or not at all, and never over something that isn't meant.

A file is written beside its place under a name of ours, flushed to the disk, and then takes its place in one step; a
folder likewise. So a run that is killed, or a disk that is full, leaves what stood there as it was. What killed runs
left behind is swept by the next one that writes into the same folder: only names of ours, and only those whose writer
is gone. Nothing is ever written through a link, or into a device or a pipe.

Text that a spreadsheet could take for a formula is written as text: `as_text` says how.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import hashlib
import io
import os
import platform
import re
import secrets
import shutil
import stat
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import IO, Any

from holeqc.printing import as_json, one_line, visible
from holeqc.problems import ERROR, HoleQCError, Problem

OLD = 3600.0  #: so long nothing changed in what another computer, which can't be asked, left half-written [s]
NEWBORN = 5.0  #: so young a file of a living process may not be locked yet [s]
LONGEST_FILE_NAME = 255  #: bytes of a name that every file system takes
FORMULA = ("=", "+", "-", "@", "\t", "\r")
_LEFT = re.compile(r"\.(.*)\.holeqc-([0-9a-f]{4})-(\d{1,10})-[0-9a-f]{8}\.(part|old)", re.S)
_mine: set[str] = set()  #: paths that this process is writing


class WriteError(HoleQCError):
    """A file or folder isn't written; what stood there is as it was."""


# ------------------------------------------------------------------------------------------------------ text in cells


def as_text(value: str) -> str:
    """Return text for a cell of a CSV that no spreadsheet takes for a formula and no terminal obeys.

    An apostrophe stands before what begins with = + - @, a tab or a return; it also keeps it text where it is opened.
    """
    text = one_line(value)
    return f"'{text}" if value[:1] in FORMULA or text[:1] in FORMULA else text


def as_cell(cell: Any, text: str) -> None:
    """Write text into a cell of a workbook so that it stays text, whatever it begins with."""
    cell.value = shown = one_line(text) if "\n" not in text else visible(text)
    cell.data_type = "s"
    cell.number_format = "@"
    if shown[:1] in FORMULA:
        cell.quotePrefix = True


# --------------------------------------------------------------------------------------------------------- the disk


class Disk:
    """The few steps of which writing is made; tests let one of them fail."""

    def create(self, path: Path) -> int:
        """Return the descriptor of a new file; nothing may lie there."""
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
        return os.open(path, flags, 0o666)

    def make_folder(self, path: Path) -> None:
        """Make a folder; nothing may lie there."""
        path.mkdir()

    def flush(self, descriptor: int) -> None:
        """Have the disk keep what was written."""
        os.fsync(descriptor)

    def append(self, descriptor: int, content: bytes) -> int:
        """Write at the end of an open file and return how many bytes went in."""
        os.lseek(descriptor, 0, os.SEEK_END)
        return os.write(descriptor, content)

    def replace(self, source: Path, target: Path) -> None:
        """Put one file in the place of another, or of none."""
        os.replace(source, target)

    def place(self, source: Path, target: Path) -> None:
        """Put a file or folder in a place where nothing may lie; FileExistsError if something does."""
        if _renameat2(source, target, _NO_REPLACE):
            return
        if source.is_dir():
            if os.path.lexists(target):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
            source.rename(target)
            return
        try:
            os.link(source, target)
        except FileExistsError:
            raise
        except OSError:  # a disk without links
            os.close(self.create(target))
            os.replace(source, target)
            return
        source.unlink()

    def exchange(self, one: Path, other: Path) -> bool:
        """Have two folders change places in one step; False where this system can't."""
        return _renameat2(one, other, _EXCHANGE)

    def move(self, source: Path, target: Path) -> None:
        """Rename a folder to a free name."""
        source.rename(target)

    def remove(self, path: Path) -> None:
        """Take away a file or a folder of ours with all in it."""
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


disk = Disk()
_NO_REPLACE, _EXCHANGE = 1, 2  # Linux, renameat2(2)
_AT_FDCWD = -100


def _renameat2(one: Path, other: Path, flags: int) -> bool:
    """Rename by the system's own call; False where it doesn't know it, an OSError where it refuses."""
    if platform.system() != "Linux":
        return False
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    if call(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), flags) == 0:
        return True
    number = ctypes.get_errno()
    if number in {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM}:  # a file system that can't
        return False
    raise OSError(number, os.strerror(number), str(one), None, str(other))


def _flush_folder(path: Path) -> None:
    """Have the disk keep the names in a folder; some file systems can't, and lose no more than before by it."""
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):
        descriptor = os.open(path, os.O_RDONLY)
        try:
            disk.flush(descriptor)
        finally:
            os.close(descriptor)


# ----------------------------------------------------------------------------------------------- names and leftovers


def _host() -> str:
    """Return four characters that tell this computer from others that write to the same disk."""
    return hashlib.sha256(platform.node().encode("utf-8", "surrogateescape")).hexdigest()[:4]


def _aside(target: Path, ending: str = "part") -> Path:
    """Return a free name of ours beside a target."""
    tail = f".holeqc-{_host()}-{os.getpid()}-{secrets.token_hex(4)}.{ending}"
    name = target.name
    if len(os.fsencode(name)) + len(tail) + 1 > LONGEST_FILE_NAME:
        name = hashlib.sha256(os.fsencode(name)).hexdigest()[:16]
    return target.with_name(f".{name}{tail}")


def _lock(descriptor: int) -> bool:
    """Lock an open file or folder for this process, let go when it ends in whatever way; False where another has it."""
    try:
        import fcntl
    except ImportError:  # not on this system: the process number alone tells
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks
        return True
    return True


def sweep(folder: Path) -> None:
    """Take away what killed runs left half-written in a folder, and put an old folder back that one had moved aside."""
    with contextlib.suppress(OSError):
        for entry in list(folder.iterdir()):
            match = _LEFT.fullmatch(entry.name)
            if match is None or str(entry) in _mine or entry.is_symlink() or not _is_left(entry, match[2], match[3]):
                continue
            with contextlib.suppress(OSError):
                home = entry.with_name(match[1])
                if match[4] == "old" and entry.is_dir() and not os.path.lexists(home):
                    disk.move(entry, home)
                else:
                    disk.remove(entry)


def _is_left(entry: Path, host: str, process: str) -> bool:
    """Whether nobody writes it any more: its writer on this computer is gone, or nothing changed for long."""
    try:
        paths = [entry, *entry.iterdir()] if entry.is_dir() else [entry]
        age = time.time() - max(path.stat().st_mtime for path in paths)
    except OSError:
        return False
    if host != _host() or os.name != "posix":
        return age > OLD
    if int(process) != os.getpid():
        try:
            os.kill(int(process), 0)  # signal 0 only asks whether the process is there
        except ProcessLookupError:
            return True
        except (OSError, OverflowError):
            pass
    return age > NEWBORN and _is_unlocked(entry)  # the number may have gone to another process since


def _is_unlocked(entry: Path) -> bool:
    try:
        descriptor = os.open(entry, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    except OSError:
        return False
    try:
        return _lock(descriptor)
    finally:
        os.close(descriptor)


# --------------------------------------------------------------------------------------------------------- one file


@contextlib.contextmanager
def file(path: str | os.PathLike[str], *, replace: bool = True) -> Iterator[IO[bytes]]:
    """Give a binary file to write to; it takes its place when all is written, and not at all where anything fails.

    Args:
        path: where it goes; its folder must be there.
        replace: whether a file that is there already is replaced, with the same rights.

    Raises:
        WriteError: something is there that isn't replaced (a file without ``replace``, a link, a folder, a device), or
            the disk refuses; then nothing was changed.
    """
    target = Path(os.path.abspath(path))
    name = one_line(os.fspath(path))
    mode = _refuse_target(target, name, replace)
    aside = _aside(target)
    _mine.add(str(aside))
    try:
        with _telling(name, target):
            sweep(target.parent)
            descriptor = disk.create(aside)
            with open(descriptor, "w+b") as out:
                _lock(descriptor)
                if mode is not None and hasattr(os, "fchmod"):
                    os.fchmod(descriptor, mode)
                yield out
                out.flush()
                disk.flush(descriptor)
                # still locked: in its place before anybody could take it for a leftover, where open files can move
                if os.name == "posix":
                    _into_place(aside, target, name, replace)
            if os.name != "posix":
                _into_place(aside, target, name, replace)
            _flush_folder(target.parent)
    finally:
        with contextlib.suppress(OSError):
            disk.remove(aside)
        _mine.discard(str(aside))


def _into_place(aside: Path, target: Path, name: str, replace: bool) -> None:
    if replace:
        _refuse_target(target, name, replace)  # somebody may have put a link there meanwhile
        disk.replace(aside, target)
        return
    try:
        disk.place(aside, target)
    except FileExistsError:
        raise _taken(name) from None


def _refuse_target(target: Path, name: str, replace: bool) -> int | None:
    """Raise unless a file may be written there; return the rights of the one that is replaced."""
    try:
        found = os.lstat(target)
    except (FileNotFoundError, NotADirectoryError):
        if not target.parent.is_dir():
            raise _refused(name, "no-folder", f"there is no folder {one_line(target.parent)}",
                           action="Make it first") from None  # fmt: skip
        return None
    except (OSError, ValueError) as error:
        raise _disk_error(name, error) from None
    if stat.S_ISLNK(found.st_mode):
        raise _refused(name, "a-link", "a link stands there, and nothing is written through one",
                       action=f"Name the file itself: {one_line(os.path.realpath(target))}")  # fmt: skip
    if stat.S_ISDIR(found.st_mode):
        raise _refused(name, "a-folder", "a folder stands there", action="Give a file's name")
    if not stat.S_ISREG(found.st_mode):
        raise _refused(name, "not-a-file", "it is a device or a pipe, not a file", action="Give a file's name")
    if not replace:
        raise _taken(name)
    return stat.S_IMODE(found.st_mode) & 0o777


def _taken(name: str) -> WriteError:
    return _refused(name, "there-already", "it is already there and is left as it is", action="Choose another name")


def _refused(name: str, code: str, message: str, *, found: str = "", action: str = "") -> WriteError:
    problem = Problem(ERROR, code, message, found=found, action=action, file=name)
    return WriteError(problem.sentence(), [problem])


@contextlib.contextmanager
def _telling(name: str, target: Path) -> Iterator[None]:
    """Turn what the disk refuses into words; what other files' errors say is left alone."""
    try:
        yield
    except OSError as error:
        named = error.filename
        if named is not None and Path(os.path.abspath(os.fsdecode(named))).parent not in {target.parent, target}:
            raise
        raise _disk_error(name, error) from error


def _disk_error(name: str, error: Exception) -> WriteError:
    reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return _refused(
        name, "disk", f"it can't be written: {one_line(reason)}",
        action="Free some space or give another place; what stood there is as it was",
    )  # fmt: skip


def write_bytes(path: str | os.PathLike[str], content: bytes, *, replace: bool = True) -> None:
    """Write a whole file at once: see `file`."""
    with file(path, replace=replace) as out:
        out.write(content)


def write_text(path: str | os.PathLike[str], text: str, *, replace: bool = True) -> None:
    """Write a text in UTF-8, line ends as they are; half characters become escapes. See `file`."""
    write_bytes(path, text.encode("utf-8", "backslashreplace"), replace=replace)


def write_json(path: str | os.PathLike[str], content: Any, *, replace: bool = True) -> None:
    """Write content as JSON: see `holeqc.printing.as_json` and `file`."""
    write_text(path, as_json(content) + "\n", replace=replace)


def write_figure(path: str | os.PathLike[str], figure: Any, ending: str, **settings: Any) -> None:
    """Write a picture; text in it and in its description is drawn as it is, made fit to be shown. See `file`.

    ``figure``: has ``savefig`` that takes a file, the ``format`` and further ``settings``.
    """
    for text in figure.findobj(lambda artist: hasattr(artist, "set_parse_math")):
        text.set_parse_math(False)  # $ in a title is a dollar, not a formula; what can't be set would stop the picture
        if (shown := visible(text.get_text())) != text.get_text():
            text.set_text(shown)
    for axis in figure.findobj(lambda artist: hasattr(artist, "get_major_formatter")):
        formatter = axis.get_major_formatter()  # what is at the ticks is set anew when it is drawn
        if names := getattr(formatter, "func", None):
            formatter.func = partial(_label, names)
    described = settings.get("metadata")
    if described:
        settings["metadata"] = {k: one_line(v) if isinstance(v, str) else v for k, v in described.items()}
    store = io.BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing")  # a box stands for it, which the reader sees
        figure.savefig(store, format=ending.lstrip("."), **settings)
    write_bytes(path, store.getvalue())


def _label(names: Callable[[float, int], str], at: float, place: int = 0) -> str:
    return one_line(names(at, place))


def take_back(path: Path) -> None:
    """Take away a file that this run has written itself and that turned out to be needless."""
    disk.remove(path)


@contextlib.contextmanager
def place(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a path for a new file that a library opens itself, a database for instance; it has a folder to itself.

    What lies there at the end takes its place; nothing may be there already. Raises WriteError as `file`.
    """
    target = Path(os.path.abspath(path))
    name = one_line(os.fspath(path))
    _refuse_target(target, name, replace=False)
    aside = _aside(target)
    _mine.add(str(aside))
    try:
        with _telling(name, target):
            sweep(target.parent)
            disk.make_folder(aside)
            with _locked_folder(aside):
                yield aside / target.name
                descriptor = os.open(aside / target.name, os.O_RDWR | getattr(os, "O_BINARY", 0))
                try:
                    disk.flush(descriptor)
                finally:
                    os.close(descriptor)
                _into_place(aside / target.name, target, name, replace=False)
            _flush_folder(target.parent)
    finally:
        with contextlib.suppress(OSError):
            disk.remove(aside)
        _mine.discard(str(aside))


# ---------------------------------------------------------------------------------------------------- a file that grows


class Journal:
    """A file that only grows, a line at a time: each is on the disk before `add` returns, and one process has it.

    What a killed run left of a line stays there; the next line begins below it.
    """

    def __init__(self, path: str | os.PathLike[str], *, new: bool) -> None:
        """Open it; ``new``: it must not be there yet, else it must.

        Raises:
            WriteError: it is there already or isn't, it is no regular file, or another process has it.
        """
        self.path, self.name = Path(os.path.abspath(path)), one_line(os.fspath(path))
        _refuse_target(self.path, self.name, replace=not new)
        flags = os.O_RDWR | os.O_APPEND | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
        with _telling(self.name, self.path):
            self._open = disk.create(self.path) if new else os.open(self.path, flags | getattr(os, "O_BINARY", 0))
            if not _lock(self._open):
                os.close(self._open)
                raise _refused(self.name, "in-use", "somebody is typing into it at another terminal",
                               action="Go on there, or stop there first")  # fmt: skip
            _flush_folder(self.path.parent)

    def add(self, line: str) -> None:
        """Write one line and have the disk keep it.

        Raises:
            WriteError: the disk refuses; the file is as it was.
        """
        before = os.fstat(self._open).st_size
        try:
            os.lseek(self._open, max(before - 1, 0), os.SEEK_SET)
            whole = not before or os.read(self._open, 1) == b"\n"
            rest = (("" if whole else "\n") + line + "\n").encode("utf-8", "backslashreplace")
            while rest:
                rest = rest[disk.append(self._open, rest) :]
            disk.flush(self._open)
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self._open, before)
            raise _disk_error(self.name, error) from error

    def close(self) -> None:
        """Let others have it."""
        os.close(self._open)


# ---------------------------------------------------------------------------------------------------------- folders


class Folder:
    """A folder while it is being filled: files go in whole, the folder takes its place at the end."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.names: list[str] = []

    @contextlib.contextmanager
    def file(self, name: str) -> Iterator[IO[bytes]]:
        """Give a binary file of this name to write to; ``qif/P-1.qif`` goes into a folder inside."""
        within = (self.path / name).parent
        if within != self.path and not within.is_dir():
            disk.make_folder(within)
        descriptor = disk.create(self.path / name)
        with open(descriptor, "w+b") as out:
            yield out
            out.flush()
            disk.flush(descriptor)
        self.names.append(name)

    def write_bytes(self, name: str, content: bytes) -> None:
        """Write a whole file at once."""
        with self.file(name) as out:
            out.write(content)

    def write_text(self, name: str, text: str) -> None:
        """Write a text in UTF-8, line ends as they are; half characters become escapes."""
        self.write_bytes(name, text.encode("utf-8", "backslashreplace"))


@contextlib.contextmanager
def folder(
    path: str | os.PathLike[str], may_replace: Callable[[Path], None], *, beside: Sequence[str] | None = None
) -> Iterator[Folder]:  # fmt: skip
    """Give a folder to fill; it takes its place when it is complete, and not at all where anything fails.

    Args:
        path: where it goes; folders above it are made. A link to a folder is followed: the folder itself is renewed.
        may_replace: called with a folder that is there and isn't empty; raises an error if it mustn't be renewed.
        beside: the names of the files that are made, where others may lie beside them and stay.

    On Linux the new folder and the old one change places in one step. The folder that the shell stands in, one whose
    surroundings can't be written, and one with other files to keep, keeps its identity: each of its files is exchanged
    whole, one after another.

    Raises:
        WriteError: it is a file, or the disk refuses.
    """
    target = Path(os.path.realpath(path))
    name = one_line(os.fspath(path))
    _refuse_folder(target, name, may_replace)
    with _telling(name, target):
        target.parent.mkdir(parents=True, exist_ok=True)
        sweep(target.parent)
        inside = target.is_dir() and (_must_stay(target) or _holds_others(target, beside))
        if inside:
            sweep(target)
        aside = _aside(target / target.name if inside else target)
        _mine.add(str(aside))
        try:
            disk.make_folder(aside)
            with _locked_folder(aside):
                filled = Folder(aside)
                yield filled
                _flush_folder(aside)
                _refuse_folder(target, name, may_replace)  # somebody may have put something there meanwhile
                if inside:
                    _renew(aside, target, filled.names, keep_others=beside is not None)
                else:
                    _exchange(aside, target)
                _flush_folder(target.parent)
        finally:
            with contextlib.suppress(OSError):
                disk.remove(aside)
            _mine.discard(str(aside))


def _refuse_folder(target: Path, name: str, may_replace: Callable[[Path], None]) -> None:
    try:
        mode = os.lstat(target).st_mode
    except (FileNotFoundError, NotADirectoryError):
        return
    except (OSError, ValueError) as error:
        raise _disk_error(name, error) from None
    if not stat.S_ISDIR(mode):
        raise _refused(name, "not-a-folder", "it is a file, not a folder", action="Give a folder, or a free name")
    if any(not is_temporary(entry.name) for entry in target.iterdir()):
        may_replace(target)


def is_temporary(name: str) -> bool:
    """Whether a name is one that this module gives to what is still being written, or was left of it."""
    return _LEFT.fullmatch(name) is not None


def _must_stay(target: Path) -> bool:
    """Whether a folder must keep its identity: somebody stands in it, it is a disk's root, nothing beside it moves."""
    if os.path.ismount(target) or not os.access(target.parent, os.W_OK | os.X_OK):
        return True
    try:
        here = Path(os.path.realpath(os.getcwd()))
    except OSError:
        return False
    return here == target or target in here.parents


def _holds_others(target: Path, beside: Sequence[str] | None) -> bool:
    """Whether a folder holds files that stay there."""
    if beside is None:
        return False
    return any(e.name not in beside and _LEFT.fullmatch(e.name) is None for e in target.iterdir())


@contextlib.contextmanager
def _locked_folder(path: Path) -> Iterator[None]:
    if os.name != "posix":
        yield
        return
    descriptor = os.open(path, os.O_RDONLY)
    try:
        _lock(descriptor)
        yield
    finally:
        os.close(descriptor)


def _exchange(aside: Path, target: Path) -> None:
    """Put a finished folder in the place of an old one, whose rights it takes, or of none."""
    with contextlib.suppress(OSError):
        aside.chmod(stat.S_IMODE(target.stat().st_mode))
    try:
        disk.place(aside, target)
        return
    except FileExistsError:
        pass
    if disk.exchange(aside, target):
        return  # the old one lies aside now and is taken away there
    old = _aside(target, "old")
    disk.move(target, old)  # a run killed here leaves the old folder under a name that the next one puts back
    try:
        disk.move(aside, target)
    except OSError:
        disk.move(old, target)
        raise
    with contextlib.suppress(OSError):  # the new one stands; what is left of the old one is swept the next time
        disk.remove(old)


def _renew(aside: Path, target: Path, names: list[str], *, keep_others: bool) -> None:
    """Exchange the files of a folder that keeps its identity, each in one step; what is no longer made goes last."""
    within = {(target / name).parent for name in names} - {target}
    for place_ in [*(target / name for name in names), *within]:
        if place_.is_symlink() or (place_.is_dir() != (place_ in within) and place_.exists()):
            raise _refused(one_line(place_), "a-link", "a link or a folder stands there", action="Move it away")
    for inner in within:
        inner.mkdir(exist_ok=True)
    for name in names:
        disk.replace(aside / name, target / name)
    if keep_others:
        return
    made = {target / name for name in names} | within
    for entry in [e for place_ in (target, *within) for e in place_.iterdir()]:
        if entry not in made and entry != aside and _LEFT.fullmatch(entry.name) is None:
            disk.remove(entry)
