"""The door: regular files only, read once, bounded, the same bytes hashed and parsed; clear words."""

from __future__ import annotations

import hashlib
import os
import socket
import tomllib
from pathlib import Path

import pytest

from holeqc import door
from holeqc.problems import HoleQCError, ReadingsError

SMALL = door.Kind("a small file", 1000)


def code_of(error: pytest.ExceptionInfo[HoleQCError]) -> str:
    return error.value.problems[0].code


def test_bytes_name_and_digest_belong_together(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"Hole,Dia\n1,0.4581\n")
    came = door.take(path, SMALL)
    path.write_bytes(b"something else")
    assert came.sha256 == hashlib.sha256(came.content).hexdigest()
    assert (came.content, came.size, came.name) == (b"Hole,Dia\n1,0.4581\n", 18, str(path))
    assert came.stream().read() == came.content
    assert list(came.lines("utf-8")) == ["Hole,Dia\n", "1,0.4581\n"]


def test_what_is_no_regular_file_is_refused_at_once(tmp_path: Path) -> None:
    # Opening a pipe waits for its writer, and a device gives for ever: each of these must come back.
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(tmp_path / "pipe")
    (tmp_path / "round").symlink_to(tmp_path / "round")
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "s"))
        for path, word in (
            (tmp_path / "pipe", "a pipe"), (tmp_path / "link", "a pipe"), (tmp_path, "a folder"),
            (tmp_path / "s", "a socket"), (Path("/dev/zero"), "a device"), (Path("/dev/urandom"), "a device"),
            (tmp_path / "none", "no such file"), (tmp_path / "none" / "x", "no such file"),
            (tmp_path / "round", "can't be opened"), (tmp_path / "a\0b", "no such file"),
        ):  # fmt: skip
            with pytest.raises(ReadingsError, match=word) as error:
                door.take(path, SMALL, error=ReadingsError)
            assert error.value.problems[0].file == door.one_line(str(path))


def test_a_pipe_put_there_after_the_look_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"1")
    real = os.open

    def swapped(name: object, flags: int, *more: int) -> int:
        path.unlink()
        os.mkfifo(path)
        return real(path, flags, *more)

    monkeypatch.setattr(os, "open", swapped)
    with pytest.raises(door.RefusedError, match="a pipe"):
        door.take(path, SMALL)


def test_a_link_to_a_regular_file_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real").write_bytes(b"x")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    assert door.take(tmp_path / "link", SMALL).content == b"x"


def test_size_is_bounded_by_the_kind(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"x" * 1000)
    assert door.take(tmp_path / "a", SMALL).size == 1000
    (tmp_path / "b").write_bytes(b"x" * 1001)
    with pytest.raises(door.RefusedError, match="too large for a small file; found 1001 bytes; allowed: at most 1000"):
        door.take(tmp_path / "b", SMALL)
    with open(tmp_path / "c", "wb") as sparse:
        sparse.truncate(1 << 40)
    with pytest.raises(door.RefusedError, match="too large"):
        door.take(tmp_path / "c", SMALL)


def test_a_file_that_grows_or_changes_under_the_reader_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a"
    real = door._read

    def meanwhile(file: object, *sizes: int) -> tuple[bytes, str]:
        result = real(file, *sizes)  # type: ignore[arg-type]
        path.write_bytes(b"b" * len(result[0]))
        os.utime(path, ns=(1, 1))
        return result

    monkeypatch.setattr(door, "_read", meanwhile)
    path.write_bytes(b"a" * 10)
    with pytest.raises(door.RefusedError) as error:
        door.take(path, SMALL)
    assert code_of(error) == "changing-file"


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"1")

    def refuses(*_: object) -> int:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(os, "open", refuses)
    with pytest.raises(door.RefusedError, match="Permission denied") as error:
        door.take(path, SMALL)
    assert code_of(error) == "no-access"


def test_a_name_that_is_not_utf8_opens_and_is_shown(tmp_path: Path) -> None:
    name = os.fsencode(tmp_path) + b"/caf\xe9\x1b[2J.csv"
    with open(name, "wb") as out:
        out.write(b"1")
    came = door.take(os.fsdecode(name), SMALL)
    assert came.content == b"1"
    assert came.name.endswith("caf[U+DCE9][U+001B][2J.csv")
    assert [p.name for p in door.named_so(tmp_path, ".csv")] == [os.fsdecode(b"caf\xe9\x1b[2J.csv")]


@pytest.mark.parametrize(
    ("content", "code", "where"),
    [
        (b"\xff\xfea\0", "wrong-encoding", ""),
        (b"PK\x03\x04", "not-text", ""),
        (b"one\ntwo \xe9", "wrong-encoding", "line 2, column 5"),
    ],
)
def test_text_that_is_not_utf8_says_where(content: bytes, code: str, where: str, tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(content)
    with pytest.raises(ReadingsError) as error:
        door.text_of(door.take(tmp_path / "a", SMALL), ReadingsError)
    assert (code_of(error), error.value.problems[0].where) == (code, where)


@pytest.mark.parametrize("text", ["a = " + "9" * 5000, "a = " + "[" * 5000, "a = 2026-02-31", "a ="])
def test_broken_toml_has_one_error(text: str) -> None:
    with pytest.raises(tomllib.TOMLDecodeError):
        door.toml_values(text)
    assert door.toml_values("a = 1") == {"a": 1}


@pytest.mark.parametrize("text", ["9" * 5000, "[" * 100_000, "NaN", '{"a": Infinity}', "{", b"\xff\xff\xff\xff"])
def test_broken_json_has_one_error(text: str | bytes) -> None:
    with pytest.raises(ValueError, match=r"."):
        door.json_values(text)
    assert door.json_values(b'{"a": 1}') == {"a": 1}


def test_near_names_never_compare_long_words() -> None:
    assert door.near_names("DIAMETR", ["diameter", "go"]) == ["diameter"]
    assert door.near_names("x" * 60_000, ["x" * 59_999]) == []
