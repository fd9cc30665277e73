"""A kit file in, a `Specification` out, or every reason why not at once."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path
from typing import Any

from holeqc import door, printing
from holeqc.problems import ERROR, Problem, SpecificationError
from holeqc.specification.model import Specification

LARGEST_FILE = door.KIT.most  #: bytes; a kit of hundreds of holes has some 50 000
_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")


def load_specification(path: str | os.PathLike[str]) -> Specification:
    """Return what a kit file asks, with every default merged in.

    What must be looked at but doesn't stop anybody is in ``.warnings``.

    Raises:
        SpecificationError: the file can't be read or used; ``.problems`` has every reason with its key path.
    """
    return specification_of(kit_bytes(path), os.fspath(path))


def specification_of(came: door.Incoming, path: str) -> Specification:
    """Return what a kit file that came in asks; ``path`` is named in problems.

    Raises:
        SpecificationError: as `load_specification`.
    """
    return _with_digest(parse_specification(door.text_of(came, SpecificationError), path), came.sha256)


def parse_specification(text: str, path: str = "") -> Specification:
    """Return what the text of a kit file asks; ``path`` is named in problems and gives the kit's id by default.

    Raises:
        SpecificationError: as `load_specification`.
    """
    from holeqc.specification.build import build
    from holeqc.specification.checks import check
    from holeqc.specification.content import read_content
    from holeqc.specification.values import Collector

    if len(text) > LARGEST_FILE:
        raise _refused(path, "file-too-large", "the file is too large for a kit file", f"{len(text)} characters",
                       f"at most {LARGEST_FILE}")  # fmt: skip
    collector = Collector(file=path)
    content = read_content(_toml(text.removeprefix("\ufeff"), path), collector)
    specification = build(content, collector)
    check(specification, content, collector)
    errors = sum(1 for problem in collector.problems if problem.severity == ERROR)
    if errors:
        count = "1 error" if errors == 1 else f"{errors} errors"
        raise SpecificationError(f"{path or 'kit file'}: {count}; nothing can be judged by it", collector.problems)
    return _with_warnings(specification, tuple(collector.problems))


def find_specification(kit_id: str, revision: str, folder: str | os.PathLike[str]) -> Path:
    """Return the kit file in a folder that has this id and revision.

    Raises:
        SpecificationError: no such folder, no file with that id, another revision only, or more than one file.
    """
    place = Path(folder)
    if not place.is_dir():
        raise _refused(str(place), "no-folder", "there is no such folder of kit files", action="Name the kit file")
    found: list[tuple[Path, str, str]] = []
    for file in door.named_so(place, ".toml"):
        identity = _identity(file)
        if identity is not None:
            found.append((file, *identity))
    same_kit = [entry for entry in found if entry[1] == kit_id]
    same = [entry[0] for entry in same_kit if entry[2] == revision]
    if len(same) == 1:
        return same[0]
    wanted = f"kit {kit_id!r} revision {revision!r}"
    if len(same) > 1:
        raise _refused(str(place), "kit-twice", f"{wanted} is described by more than one file",
                       ", ".join(f.name for f in same), "one file", "Name the kit file")  # fmt: skip
    if same_kit:
        revisions = ", ".join(f"{rev!r} in {file.name}" for file, _, rev in same_kit)
        raise _refused(str(place), "other-revision", f"{wanted} is not there, only another revision", revisions,
                       repr(revision), "Use a sheet of the revision that holds, or name the kit file")  # fmt: skip
    ids = ", ".join(sorted({kit for _, kit, _ in found})) or "no kit files"
    raise _refused(str(place), "no-kit", f"{wanted} is not there", ids, kit_id, "Name the kit file, or its folder")


def _identity(file: Path) -> tuple[str, str] | None:
    """Return id and revision of a kit file, None for a file that can't be read: it isn't the one looked for."""
    try:
        kit = _toml(door.text_of(kit_bytes(file), SpecificationError), str(file)).get("kit", {})
    except SpecificationError:
        return None
    if not isinstance(kit, dict):
        return None
    return str(kit.get("id", file.stem)).strip(), str(kit.get("revision", "-")).strip()


def _refused(
    path: str, code: str, message: str, found: str = "", allowed: str = "", action: str = "", where: str = ""
) -> SpecificationError:
    problem = Problem(ERROR, code, message, found, allowed, action, file=path, where=where)
    # the whole sentence, with its line, what was found and what to do: there is this one problem only
    return SpecificationError(problem.sentence() if problem.place else f"kit file: {problem.sentence()}", [problem])


def kit_bytes(path: str | os.PathLike[str]) -> door.Incoming:
    """Return a kit file as it is.

    Raises:
        SpecificationError: there is none, with a near name; it is something else or can't be read.
    """
    try:
        return door.take(path, door.KIT, error=SpecificationError)
    except SpecificationError as error:
        problem = error.problems[0]
        if problem.code != "no-file" or os.path.lexists(path):
            raise
        raise _refused(problem.file, problem.code, problem.message, action=_near_file(Path(path))) from None


def _near_file(path: Path) -> str:
    from holeqc.specification.keys import nearest

    others = [file.name for file in door.named_so(path.parent, ".toml")]
    near = nearest(path.name, others)
    if near:
        return f"Did you mean {path.parent / near}?"
    return "holeqc kit new FILE.toml writes a starter file"


def _toml(text: str, path: str) -> dict[str, Any]:
    try:
        return door.toml_values(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        at = _AT.search(message)
        where = f"line {at[1]}, column {at[2]}" if at and at[1] else f"line {text.count(chr(10)) + 1} (end of file)"
        found = ""
        if at and at[1]:
            found = printing.shortened(text.split("\n")[int(at[1]) - 1].strip())
        raise _refused(
            path, "toml-syntax", f"this is not TOML: {_AT.sub('', message)}", found, "key = value, text in quotes",
            "Mend this line; a table's name stands in [ ], a decimal mark is a point", where=where,
        ) from None  # fmt: skip


def _with_digest(specification: Specification, digest: str) -> Specification:
    from dataclasses import replace

    return replace(specification, digest=digest)


def _with_warnings(specification: Specification, warnings: tuple[Problem, ...]) -> Specification:
    from dataclasses import replace

    return replace(specification, warnings=warnings)
