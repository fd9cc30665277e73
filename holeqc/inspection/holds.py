"""Which parts and holes are held by problems with what was typed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from holeqc.inspection.evidence import Evidence
from holeqc.problems import ERROR, Problem
from holeqc.quantities import BoolArray
from holeqc.readings.table import CHARACTERISTICS, cell_name

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Holds:
    """What is held beside the verdicts on readings: parts (P,), holes (P,H), and problems found while looking."""

    part: BoolArray
    hole: BoolArray
    problems: tuple[Problem, ...]


def find_holds(evidence: Evidence, problems: Sequence[Problem], table: pd.DataFrame) -> Holds:
    """Return what problems hold.

    A problem that holds, and names a hole, holds that hole; one that names a part or serial and no hole holds the
    part; one that names neither holds every part with readings from its file, and every part if it names no file.
    Readings of a hole or wall that the kit doesn't know hold their part.
    """
    parts, holes, _ = evidence.shape
    part_held, hole_held = np.zeros(parts, dtype=np.bool_), np.zeros((parts, holes), dtype=np.bool_)
    holding = [p for p in problems if p.holds]
    if holding:
        _mark(evidence, holding, table, part_held, hole_held)
    rows = evidence.unplaced
    known = rows.hole >= 0
    hole_held[rows.part[known], rows.hole[known]] = True
    part_held[rows.part[~known]] = True
    return Holds(part_held, hole_held, _unplaced(evidence, problems, table))


def _mark(
    evidence: Evidence, holding: Sequence[Problem], table: pd.DataFrame, part_held: BoolArray, hole_held: BoolArray
) -> None:
    parts = evidence.parts
    by_serial: dict[str, list[int]] = {}
    by_key: dict[tuple[str, str], int] = {}
    for number, (name, serial) in enumerate(zip(parts.name.tolist(), parts.serial.tolist(), strict=True)):
        by_serial.setdefault(parts.serials[serial], []).append(number)
        by_key[parts.names[name], parts.serials[serial]] = number
    hole_number = {hole: number for number, hole in enumerate(evidence.spec.hole_ids)}
    in_file: dict[str, list[int]] = {}
    for problem in holding:
        meant: Sequence[int]
        if problem.part and problem.serial:
            exact = by_key.get((problem.part, problem.serial))
            meant = by_serial.get(problem.serial, []) if exact is None else [exact]
        elif problem.serial:
            meant = by_serial.get(problem.serial, [])
        else:
            if problem.file not in in_file:
                in_file[problem.file] = _parts_in(evidence, table, problem.file)
            meant = [p for p in in_file[problem.file] if problem.part in ("", parts.names[parts.name[p]])]
        if problem.hole in hole_number:
            hole_held[meant, hole_number[problem.hole]] = True
        else:
            part_held[meant] = True


def _parts_in(evidence: Evidence, table: pd.DataFrame, file: str) -> list[int]:
    if not file:
        return list(range(len(evidence.parts)))
    return np.unique(evidence.part_of_row[(table["file"] == file).to_numpy(dtype=np.bool_)]).tolist()


def _unplaced(evidence: Evidence, problems: Sequence[Problem], table: pd.DataFrame) -> tuple[Problem, ...]:
    """Return a problem for readings that can't be placed, unless the reader has told of them already."""
    rows = evidence.unplaced
    rows = rows.take(~rows.doubted)
    if not len(rows):
        return ()
    first = table.loc[rows.label[0]]
    cell = cell_name(int(first["row"]), int(first["column"]))
    if any(p.cell == cell and p.file == first["file"] for p in problems):
        return ()
    spec = evidence.spec
    choices = {"hole": spec.hole_ids, "characteristic": CHARACTERISTICS, "wall": spec.walls.names}
    what = next((name for name, known in choices.items() if str(first[name]) not in known), "wall")
    allowed = ", ".join(choices[what])
    found = str(first[what])
    parts = evidence.parts
    number = int(rows.part[0])
    return (
        Problem(
            ERROR,
            f"unknown-{what}",
            f"{len(rows)} readings name a hole, wall or characteristic that the kit doesn't know; this is the first",
            found=f"{what} {found!r}",
            allowed=allowed,
            action="Correct the sheet and check it again; until then the parts concerned are held.",
            file=str(first["file"]), sheet=str(first["sheet"]), cell=cell, part=parts.names[parts.name[number]],
            serial=parts.serials[parts.serial[number]], holds=True,
        ),
    )  # fmt: skip
