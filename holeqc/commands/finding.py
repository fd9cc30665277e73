"""Which of the named files is the kit, and where to look for it when none is named."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc.problems import HoleQCError, SpecificationError

if TYPE_CHECKING:
    from holeqc.problems import Problem
    from holeqc.specification.model import Specification


def load_kit(path: Path) -> Specification:
    """Return a kit for a command that judges by it; what must be looked at goes to standard error, a line a cause."""
    from holeqc.specification.load import load_specification

    specification = load_specification(path)
    tell_of_kit(specification)
    return specification


def tell_of_kit(specification: Specification) -> None:
    """Print on standard error what must be looked at in a kit before it is judged by."""
    for sentence in dict.fromkeys(problem.sentence() for problem in specification.warnings):
        print(f"warning: {sentence}", file=sys.stderr)


def kit_and_files(files: Sequence[Path], tolerances: Path) -> tuple[Specification, list[Path]]:
    """Return the kit's specification and the reading files.

    A file that ends in ``.toml`` is the kit. Without one, the kit id and revision inside the first sheet name it, and
    it is looked for in the folder ``tolerances``.

    Raises:
        HoleQCError: two kits named, no readings named, or a sheet that says no kit.
    """
    from holeqc.specification.load import find_specification

    kits = [f for f in files if f.suffix.lower() == ".toml"]
    readings = [f for f in files if f.suffix.lower() != ".toml"]
    if len(kits) > 1:
        names = ", ".join(str(k) for k in kits)
        raise HoleQCError(f"name one kit file; found {len(kits)}: {names}. Judge each kit in a run of its own")
    if not readings:
        raise HoleQCError("name at least one file of readings (.xlsx or .csv) after the kit file")
    if kits:
        return load_kit(kits[0]), readings
    from holeqc.readings.read import declared_kit

    declared = declared_kit(readings[0])
    if declared is None:
        raise HoleQCError(
            f"{readings[0]}: the file doesn't say which kit it was made for; name the kit file first, for example "
            f"holeqc check {tolerances}/KIT.toml {readings[0]}"
        )
    try:
        kit = find_specification(declared[0], declared[1], tolerances)
    except SpecificationError as error:
        raise HoleQCError(_not_found(error.problems[0], readings[0], declared, tolerances)) from error
    return load_kit(kit), readings


def _not_found(problem: Problem, file: Path, declared: tuple[str, str], tolerances: Path) -> str:
    """Return why no kit file was found for a sheet: what the sheet says, what is there, and what to do."""
    kit, revision = declared
    said = f"{file}: the sheet was made for kit {kit!r} revision {revision!r}"
    name = f"name the kit file before the sheet (KIT.toml {file})"
    folder = "the folder that holds it (--tolerances FOLDER)"
    if problem.code == "other-revision":
        return (
            f"{said}; {tolerances} has revision {problem.found} only. Measure with a sheet of the revision that holds, "
            f"or, if {revision!r} holds, {name}"
        )
    if problem.code == "no-folder":
        here = tolerances.absolute().parent
        return f"{said}; there is no folder {tolerances.name!r} in {here} to look for it. Please {name}, or {folder}"
    if problem.code == "no-kit":
        return f"{said}; {tolerances} has no such kit; found {problem.found}. Please {name}, or {folder}"
    return f"{said}; {problem.sentence()}. Please {name}"
