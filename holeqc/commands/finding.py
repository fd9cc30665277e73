"""Which of the named files is the kit, and where to look for it when none is named."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc.problems import HoleQCError

if TYPE_CHECKING:
    from holeqc.specification.model import Specification


def kit_and_files(files: Sequence[Path], tolerances: Path) -> tuple[Specification, list[Path]]:
    """Return the kit's specification and the reading files.

    A file that ends in ``.toml`` is the kit. Without one, the kit id and revision inside the first sheet name it, and
    it is looked for in the folder ``tolerances``.

    Raises:
        HoleQCError: two kits named, no readings named, or a sheet that says no kit.
    """
    from holeqc.specification.load import find_specification, load_specification

    kits = [f for f in files if f.suffix.lower() == ".toml"]
    readings = [f for f in files if f.suffix.lower() != ".toml"]
    if len(kits) > 1:
        names = ", ".join(str(k) for k in kits)
        raise HoleQCError(f"name one kit file; found {len(kits)}: {names}. Judge each kit in a run of its own")
    if not readings:
        raise HoleQCError("name at least one file of readings (.xlsx or .csv) after the kit file")
    if kits:
        return load_specification(kits[0]), readings
    from holeqc.readings.read import declared_kit

    declared = declared_kit(readings[0])
    if declared is None:
        raise HoleQCError(
            f"{readings[0]}: the file doesn't say which kit it was made for; name the kit file first, for example "
            f"holeqc check {tolerances}/KIT.toml {readings[0]}"
        )
    return load_specification(find_specification(declared[0], declared[1], tolerances)), readings
