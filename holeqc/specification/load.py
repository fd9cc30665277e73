"""A kit file in, a `Specification` out, or every reason why not at once."""

from __future__ import annotations

import os
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

from holeqc import door
from holeqc.problems import ERROR, Problem, SpecificationError
from holeqc.specification.model import Specification

LARGEST_FILE = door.KIT.most  #: bytes; a kit of hundreds of holes has some 50 000
_NESTED = re.compile(r"(?:[\[{]\s*){50}")  #: brackets in brackets that no kit file has
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


def parse_specification(text: str, path: str = "", *, recorded: bool = False) -> Specification:
    """Return what the text of a kit file asks; ``path`` is named in problems and gives the kit's id by default.

    ``recorded``: the text was judged by when it was recorded and must stay readable, so doubts about its limits are
    warnings here.

    Raises:
        SpecificationError: as `load_specification`.
    """
    if len(text) > LARGEST_FILE:
        raise _refused(path, "file-too-large", "the file is too large for a kit file", f"{len(text)} characters",
                       f"at most {LARGEST_FILE}")  # fmt: skip
    text = text.removeprefix("\ufeff")
    specification, problems = _read(_toml(text, path), path, recorded)
    problems = _placed(problems, text)
    if any(problem.severity == ERROR for problem in problems):
        raise _every(path, problems)
    return replace(specification, warnings=problems)


def _read(raw: dict[str, Any], path: str, recorded: bool = False) -> tuple[Specification, tuple[Problem, ...]]:
    """Return what the values of a file ask, and every problem with them."""
    from holeqc.specification.build import build
    from holeqc.specification.checks import check
    from holeqc.specification.content import read_content
    from holeqc.specification.doubts import settle
    from holeqc.specification.values import Collector

    collector = Collector(file=path, recorded=recorded)
    content = read_content(raw, collector)
    specification = build(content, collector)
    check(specification, content, collector)
    confirmed = settle(specification, content, collector)
    return replace(specification, confirmed=confirmed), tuple(collector.problems)


def _every(path: str, problems: tuple[Problem, ...]) -> SpecificationError:
    problems = tuple(sorted(problems, key=lambda p: (p.severity != ERROR, p.line == 0, p.line)))
    errors = sum(1 for problem in problems if problem.severity == ERROR)
    count = "1 error" if errors == 1 else f"{errors} errors"
    return SpecificationError(f"{path or 'kit file'}: {count}; nothing can be judged by it", problems)


def _placed(problems: tuple[Problem, ...], text: str) -> tuple[Problem, ...]:
    """Return problems with the lines of the file that they speak of."""
    from holeqc.specification.lines import line_numbers, line_of

    if not problems:
        return ()
    numbers = line_numbers(text)
    return tuple(p if p.line else replace(p, line=line_of(p.where, numbers)) for p in problems)


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
        if _NESTED.search(text):
            raise RecursionError
        return door.toml_values(text)
    except tomllib.TOMLDecodeError as error:
        raise _every(path, _unreadable(text, path, error)) from None
    except RecursionError:
        raise _refused(path, "toml-syntax", "brackets are nested too deeply for a kit file") from None


def _unreadable(text: str, path: str, error: tomllib.TOMLDecodeError) -> tuple[Problem, ...]:
    """Return a problem for each line that can't be read, and what else is wrong once they are put right."""
    from holeqc.specification.lines import faults

    unit = "mm" if re.search(r"^\s*unit\s*=\s*[\"']?mm\b", text, re.MULTILINE | re.IGNORECASE) else "in"
    found = faults(text, unit)
    if not found:
        return (_other_fault(text, path, error),)
    problems = tuple(
        Problem(ERROR, "unreadable-line", fault.message, fault.found, "", fault.action, file=path, where=fault.where,
                line=fault.number) for fault in found
    )  # fmt: skip
    if not all(fault.instead for fault in found):
        return problems
    lines = text.splitlines()
    wanted = {number: fault.instead for fault in found for number in (fault.number, *fault.also)}
    for number in sorted(wanted, reverse=True):  # from the end, so that the lines before keep their numbers
        lines[number - 1 : number] = wanted[number]
    try:
        _, more = _read(door.toml_values("\n".join(lines)), path)
    except (tomllib.TOMLDecodeError, RecursionError):
        return problems
    # numbers of the text as it stands; what was put right has its own problem already
    spoken = {fault.where for fault in found}
    return (*problems, *(problem for problem in _placed(more, text) if problem.where not in spoken))


def _other_fault(text: str, path: str, error: tomllib.TOMLDecodeError) -> Problem:
    """Return the problem of a file in which no single line is wrong by itself."""
    message = str(error)
    at = _AT.search(message)
    number = int(at[1]) if at and at[1] else text.count("\n") + 1
    lines = text.split("\n")
    found = lines[number - 1].strip()[:80] if number <= len(lines) else ""
    reason = _AT.sub("", message)
    if "overwrite" in reason or "Cannot declare" in reason or "mutate" in reason:
        words, action = "a key or table is there already", "Take one of them out; several holes stand as [[hole]] each"
    else:
        words = "this line, or a quote or bracket opened before it, can't be read"
        action = "Text stands in quotes that are closed, lists in [ ], a number has a point as its decimal mark"
    return Problem(ERROR, "unreadable-line", f"{words} ({reason})", found, "", action, file=path, line=number)


def _with_digest(specification: Specification, digest: str) -> Specification:
    return replace(specification, digest=digest)
