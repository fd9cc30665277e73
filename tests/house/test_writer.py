"""The writer: whole or not at all at every step where a run can die, links and devices left alone, sweeping."""

from __future__ import annotations

import errno
import multiprocessing
import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from holeqc import writer
from holeqc.problems import HoleQCError

OLD_TEXT, NEW_TEXT = b"old " * 1000, b"new " * 1000
STEPS = ("create", "make_folder", "flush", "replace", "place", "exchange", "move", "remove")
posix = pytest.mark.skipif(os.name != "posix", reason="links, locks and pipes of POSIX")


class Failing(writer.Disk):
    """A disk whose nth step doesn't come about: ``fails`` is called instead. Without exchange: an older system."""

    def __init__(self, step: int, fails: Callable[[], None], exchanges: bool = True) -> None:
        self.left, self.fails, self.exchanges = step, fails, exchanges

    def __getattribute__(self, name: str) -> object:
        found = object.__getattribute__(self, name)
        if name not in STEPS:
            return found
        if name == "exchange" and not self.exchanges:
            return lambda *_: False

        def step(*arguments: object) -> object:
            self.left -= 1
            if self.left == 0:
                self.fails()
            return found(*arguments)

        return step


def no_room() -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def killed(work: Callable[[], None], step: int, exchanges: bool) -> bool:
    """Run work in a process of its own that dies at its nth step; return whether it died."""

    def run() -> None:
        writer.disk = Failing(step, lambda: os._exit(9), exchanges)
        work()
        os._exit(0)

    child = multiprocessing.get_context("fork").Process(target=run)
    child.start()
    child.join()
    return child.exitcode == 9


def refusal_of(work: Callable[[], None]) -> str:
    """Return what work is refused with, empty where it is done."""
    try:
        work()
    except HoleQCError as error:
        return str(error)
    return ""


def allow(_: Path) -> None:
    """Let any folder be renewed."""


def new_folder(path: Path) -> None:
    with writer.folder(path, allow) as out:
        out.write_bytes("a.txt", NEW_TEXT)
        out.write_text("b.txt", "new")


def old_folder(path: Path) -> None:
    path.mkdir()
    (path / "a.txt").write_bytes(OLD_TEXT)
    (path / "c.txt").write_bytes(b"old")


def content(path: Path) -> dict[str, bytes]:
    return {entry.name: entry.read_bytes() for entry in path.iterdir() if entry.is_file()}


OLD_FOLDER = {"a.txt": OLD_TEXT, "c.txt": b"old"}
NEW_FOLDER = {"a.txt": NEW_TEXT, "b.txt": b"new"}


# --------------------------------------------------------------------------------------------------- kills, failures


@posix
@pytest.mark.parametrize("there", [True, False])
@pytest.mark.parametrize("replace", [True, False])
def test_a_file_is_whole_wherever_the_run_is_killed(there: bool, replace: bool, tmp_path: Path) -> None:
    if there and not replace:
        return
    died = 0
    for step in range(1, 20):
        folder = tmp_path / str(step)
        folder.mkdir()
        target = folder / "a.pdf"
        if there:
            target.write_bytes(OLD_TEXT)
        if not killed(lambda to=target: writer.write_bytes(to, NEW_TEXT, replace=replace), step, True):  # type: ignore[misc]
            break
        died += 1
        assert (
            (target.read_bytes() in {OLD_TEXT, NEW_TEXT})
            if there
            else not target.exists() or (target.read_bytes() == NEW_TEXT)
        )
        writer.write_bytes(folder / "other.txt", b"1")
        assert sorted(p.name for p in folder.iterdir() if p != target) == ["other.txt"], "leftovers aren't swept"
    assert died >= 3


@posix
@pytest.mark.parametrize("exchanges", [True, False])
def test_a_folder_is_whole_wherever_the_run_is_killed(exchanges: bool, tmp_path: Path) -> None:
    died = 0
    for step in range(1, 30):
        home = tmp_path / str(step)
        home.mkdir()
        target = home / "report"
        old_folder(target)
        if not killed(lambda to=target: new_folder(to), step, exchanges):  # type: ignore[misc]
            break
        died += 1
        if exchanges:
            assert content(target) in (OLD_FOLDER, NEW_FOLDER)
        writer.sweep(home)  # where two folders can't change places, the next run puts the old one back
        assert content(target) in (OLD_FOLDER, NEW_FOLDER)
        assert [p.name for p in home.iterdir()] == ["report"], "leftovers aren't swept"
    assert died >= 6


@posix
@pytest.mark.parametrize("exchanges", [True, False])
def test_a_disk_that_fails_leaves_what_stood_there(
    exchanges: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refused = 0
    for step in range(1, 30):
        target = tmp_path / str(step) / "report"
        target.parent.mkdir()
        old_folder(target)
        monkeypatch.setattr(writer, "disk", Failing(step, no_room, exchanges))
        reason = refusal_of(lambda to=target: new_folder(to))  # type: ignore[misc]
        if reason:
            refused += 1
            assert "No space left" in reason
        assert content(target) == (OLD_FOLDER if reason else NEW_FOLDER)
        monkeypatch.undo()
        writer.sweep(target.parent)
    assert refused >= 4


@posix
def test_a_full_disk_keeps_the_old_file(tmp_path: Path) -> None:
    # the system's own limit on the size of a file stands for a full disk
    target = tmp_path / "sheet.xlsx"
    target.write_bytes(OLD_TEXT)
    code = (
        "import resource, signal, sys\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "from holeqc import writer\n"
        "try:\n    writer.write_bytes(sys.argv[1], b'n' * 5000)\n"
        "except writer.WriteError as error:\n    print(error)\n"
    )
    assert resource.RLIMIT_FSIZE is not None
    done = subprocess.run([sys.executable, "-c", code, str(target)], capture_output=True, text=True)
    assert "can't be written: File too large" in done.stdout, done.stderr
    assert content(tmp_path) == {"sheet.xlsx": OLD_TEXT}


def test_an_error_of_the_work_itself_leaves_nothing(tmp_path: Path) -> None:
    def file() -> None:
        with writer.file(tmp_path / "a") as out:
            out.write(b"x")
            raise HoleQCError("mine")

    def folder() -> None:
        with writer.folder(tmp_path / "b", allow) as out:
            out.write_bytes("a", b"x")
            raise HoleQCError("mine")

    def place() -> None:
        with writer.place(tmp_path / "c") as path:
            path.write_bytes(b"x")
            raise HoleQCError("mine")

    assert [refusal_of(work) for work in (file, folder, place)] == ["mine"] * 3
    assert list(tmp_path.iterdir()) == []


# ------------------------------------------------------------------------------------------------------ what is refused


@posix
def test_links_devices_and_folders_are_left_alone(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_bytes(OLD_TEXT)
    (tmp_path / "link").symlink_to(victim)
    (tmp_path / "nowhere").symlink_to(tmp_path / "new")
    os.mkfifo(tmp_path / "pipe")
    for name, code in (("link", "a-link"), ("nowhere", "a-link"), ("pipe", "not-a-file"), (".", "a-folder")):
        for replace in (True, False):
            with pytest.raises(writer.WriteError) as error:
                writer.write_bytes(tmp_path / name, NEW_TEXT, replace=replace)
            assert error.value.problems[0].code == code
    with pytest.raises(writer.WriteError, match="device"):
        writer.write_bytes("/dev/null", NEW_TEXT)
    assert victim.read_bytes() == OLD_TEXT
    assert not (tmp_path / "new").exists()
    with pytest.raises(writer.WriteError, match="no folder"):
        writer.write_bytes(tmp_path / "none" / "a", NEW_TEXT)
    with pytest.raises(writer.WriteError, match="it is a file"):
        new_folder(victim)


@posix
def test_a_link_put_there_meanwhile_is_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_bytes(OLD_TEXT)

    def work() -> None:
        with writer.file(tmp_path / "a") as out:
            out.write(NEW_TEXT)
            (tmp_path / "a").symlink_to(victim)

    assert "a link stands there" in refusal_of(work)
    assert victim.read_bytes() == OLD_TEXT


def test_a_file_that_is_there_stays_unless_it_is_to_be_replaced(tmp_path: Path) -> None:
    target = tmp_path / "kit.toml"
    writer.write_bytes(target, OLD_TEXT, replace=False)
    with pytest.raises(writer.WriteError, match="already there"):
        writer.write_bytes(target, NEW_TEXT, replace=False)

    def too_late() -> None:
        with writer.file(tmp_path / "b", replace=False) as out:
            (tmp_path / "b").write_bytes(OLD_TEXT)  # another one was quicker
            out.write(NEW_TEXT)

    assert "already there" in refusal_of(too_late)
    assert content(tmp_path) == {"kit.toml": OLD_TEXT, "b": OLD_TEXT}


@posix
def test_rights_are_kept_and_usual(tmp_path: Path) -> None:
    target = tmp_path / "a"
    before = os.umask(0o027)
    try:
        writer.write_bytes(target, b"1")
        assert target.stat().st_mode & 0o777 == 0o640
        target.chmod(0o604)
        writer.write_bytes(target, b"2")
        assert target.stat().st_mode & 0o777 == 0o604
    finally:
        os.umask(before)


# ------------------------------------------------------------------------------------------------------------- folders


@posix
def test_the_folder_the_shell_stands_in_stays_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    old_folder(tmp_path / "here")
    monkeypatch.chdir(tmp_path / "here")
    before = os.stat(".").st_ino
    new_folder(Path("."))
    assert os.stat(".").st_ino == os.stat(tmp_path / "here").st_ino == before
    assert content(Path(".")) == NEW_FOLDER
    (tmp_path / "here" / "below").mkdir()
    monkeypatch.chdir(tmp_path / "here" / "below")
    with writer.folder("..", allow, beside=("a.txt",)) as out:
        out.write_bytes("a.txt", b"3")
    assert os.stat("..").st_ino == before


def test_other_files_stay_where_they_may(tmp_path: Path) -> None:
    old_folder(tmp_path / "wear")
    for _ in range(2):
        with writer.folder(tmp_path / "wear", allow, beside=("a.txt", "b.txt")) as out:
            out.write_bytes("a.txt", NEW_TEXT)
            out.write_bytes("b.txt", b"new")
        assert content(tmp_path / "wear") == NEW_FOLDER | {"c.txt": b"old"}


@posix
def test_a_link_inside_a_folder_is_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_bytes(OLD_TEXT)
    old_folder(tmp_path / "wear")
    (tmp_path / "wear" / "a.txt").unlink()
    (tmp_path / "wear" / "a.txt").symlink_to(victim)
    with (
        pytest.raises(writer.WriteError, match="link"),
        writer.folder(tmp_path / "wear", allow, beside=("a.txt",)) as out,
    ):
        out.write_bytes("a.txt", NEW_TEXT)
    assert victim.read_bytes() == OLD_TEXT


def test_a_folder_with_something_in_it_is_asked_about(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()

    def refuse(target: Path) -> None:
        raise writer.WriteError(f"{target.name} isn't empty")

    with writer.folder(tmp_path / "empty", refuse) as out:
        out.write_bytes("a", b"1")
    with pytest.raises(writer.WriteError, match="empty isn't empty"), writer.folder(tmp_path / "empty", refuse):
        pass
    assert content(tmp_path / "empty") == {"a": b"1"}


@posix
def test_two_runs_to_one_name_end_with_one_whole_folder(tmp_path: Path) -> None:
    target = tmp_path / "report"
    with writer.folder(target, allow) as one:
        one.write_bytes("a.txt", b"1")
        with writer.folder(target, allow) as two:  # the other one starts later and is done first
            two.write_bytes("b.txt", b"2")
        assert content(target) == {"b.txt": b"2"}
    assert content(target) == {"a.txt": b"1"}
    with writer.file(tmp_path / "f") as first, writer.file(tmp_path / "f") as second:
        first.write(b"1")
        second.write(b"22")
    assert (tmp_path / "f").read_bytes() == b"1"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["f", "report"]


# ------------------------------------------------------------------------------------------------------ leftovers


@posix
def test_only_what_is_ours_and_nobody_writes_is_swept(tmp_path: Path) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    host, here = writer._host(), os.getpid()
    swept = [f".a.holeqc-{host}-{gone.pid}-00000001.part", f".b.holeqc-{host}-{here}-00000002.part"]
    stays = [
        f".c.holeqc-{host}-{os.getppid()}-00000003.part", ".d.holeqc-0000-1-00000004.part", ".e.part", "f.part",
        f".g.holeqc-{host}-{gone.pid}-1.part",
    ]  # fmt: skip
    for name in (*swept, *stays):
        (tmp_path / name).write_bytes(b"x")
    os.utime(tmp_path / swept[1], (1, 1))  # long ago, by a process that had our number
    lock = os.open(tmp_path / stays[0], os.O_RDONLY)
    assert writer._lock(lock)
    os.utime(tmp_path / stays[0], (1, 1))
    (tmp_path / f".h.holeqc-{host}-{gone.pid}-00000005.part").symlink_to(tmp_path / "f.part")
    writer.sweep(tmp_path)
    os.close(lock)
    assert sorted(p.name for p in tmp_path.iterdir() if not p.is_symlink()) == sorted(stays)
    os.utime(tmp_path / stays[1], (1, 1))
    writer.sweep(tmp_path)
    assert not (tmp_path / stays[1]).exists()


def test_a_name_as_long_as_the_disk_allows(tmp_path: Path) -> None:
    target = tmp_path / ("ä" * 125 + ".pdf")
    writer.write_bytes(target, NEW_TEXT)
    assert target.read_bytes() == NEW_TEXT


def test_a_new_file_that_a_library_writes_itself(tmp_path: Path) -> None:
    with writer.place(tmp_path / "copy.sqlite3") as path:
        path.write_bytes(NEW_TEXT)
        (path.parent / "copy.sqlite3-journal").write_bytes(b"x")
    assert content(tmp_path) == {"copy.sqlite3": NEW_TEXT}
    with pytest.raises(writer.WriteError, match="already there"), writer.place(tmp_path / "copy.sqlite3"):
        pass


# -------------------------------------------------------------------------------------------------------- text in cells


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@a", "\t=1", "\r=1", "\u200b=1"])
def test_text_that_looks_like_a_formula_stays_text(text: str) -> None:
    assert writer.as_text(text)[:1] not in {"=", "+", "-", "@", "\t", "\r"}
    import openpyxl

    cell = openpyxl.Workbook().active.cell(1, 1)  # type: ignore[union-attr]
    writer.as_cell(cell, text)
    assert (cell.data_type, cell.number_format) == ("s", "@")


def test_other_text_stays_as_it_is() -> None:
    assert writer.as_text("P-0107") == "P-0107"
    assert writer.as_text("a\x1b[2J") == "a[U+001B][2J"
