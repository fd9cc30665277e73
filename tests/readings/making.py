"""Kits and files for the tests of the readers: made on the fly, invented, small."""

from __future__ import annotations

import csv
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import openpyxl

from holeqc.problems import Problem
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.readings.table import Readings
from holeqc.specification.load import parse_specification
from holeqc.specification.model import Specification

#: a double-walled kit of four holes in inch
KIT = """
[kit]
id = "T-4"
revision = "B"
unit = "in"
[[part]]
name = "port"
[[part]]
name = "starboard"
mirror_of = "port"
mirror = "x"
own_edges = true
[walls]
names = ["near", "far"]
[size]
lower = 0.455
upper = 0.462
[position]
tolerance = 0.060
condition = "MMC"
[edge]
minimum = 0.9
[surface]
clean = true
[plugs]
go = 0.455
no_go = 0.462
[[hole]]
id = "1"
x = 1.5
y = 1.25
[[hole]]
id = "2"
x = 4.5
y = 1.25
[[hole]]
id = "3"
x = 1.5
y = 5.75
[[hole]]
id = "4"
x = 10.5
y = 5.75
[[gauge]]
id = "BG-2"
measures = ["diameter"]
uncertainty = 0.0003
resolution = 0.0001
calibration_due = 2027-03-31
[[gauge]]
id = "CM-1"
measures = ["x", "y", "edge_distance"]
uncertainty = 0.0006
resolution = 0.0001
calibration_due = 2027-06-30
[[gauge]]
id = "PL-1"
measures = ["go", "no_go"]
[plan]
directions = [0, 90]
walls = ["near", "far"]
diameter_gauge = "BG-2"
position_gauge = "CM-1"
"""

#: a single-walled kit of three holes in millimetres, without gauges
KIT_MM = """
[kit]
id = "M-3"
unit = "mm"
[size]
lower = 11.5
upper = 11.7
[position]
tolerance = 0.4
[[hole]]
id = "A"
x = 20
y = 10
[[hole]]
id = "B"
x = 60
y = 10
[[hole]]
id = "C"
x = 40
y = 50
"""


def kit(text: str = KIT, **extra: str) -> Specification:
    """Return a kit; ``extra`` adds tables by name, as TOML text."""
    return parse_specification(text + "".join(f"\n[{name}]\n{body}\n" for name, body in extra.items()))


def workbook(path: Path, rows: Sequence[Sequence[Any]], *, sheet: str = "Sheet1", merge: Iterable[str] = ()) -> Path:
    """Write rows as one sheet of a workbook."""
    book = openpyxl.Workbook()
    page = book.active
    page.title = sheet
    fill(page, rows, merge)
    book.save(path)
    return path


def fill(page: Any, rows: Sequence[Sequence[Any]], merge: Iterable[str] = ()) -> None:
    """Write rows into a sheet of openpyxl."""
    for number, row in enumerate(rows, 1):
        for column, value in enumerate(row, 1):
            if value is not None:
                page.cell(number, column, value)
    for reach in merge:
        page.merge_cells(reach)


def text_file(path: Path, rows: Sequence[Sequence[Any]], delimiter: str = ",", encoding: str = "utf-8") -> Path:
    """Write rows as delimited text."""
    with path.open("w", newline="", encoding=encoding) as file:
        csv.writer(file, delimiter=delimiter).writerows([["" if v is None else v for v in row] for row in rows])
    return path


def rewritten(path: Path, changes: Mapping[str, Any]) -> Path:
    """Rewrite parts of a workbook: part name -> new bytes, or a function from old text to new text."""
    with zipfile.ZipFile(path) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    for name, change in changes.items():
        parts[name] = change(parts[name].decode("utf-8")).encode("utf-8") if callable(change) else change
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name, content in parts.items():
            new.writestr(name, content)
    return path


def cell_xml(path: Path, cell: str, xml: str, sheet: int = 1) -> Path:
    """Put raw XML in the place of one cell of a workbook."""

    def change(text: str) -> str:
        new, count = re.subn(rf'<c r="{cell}"(?:[^>]*/>|[^>]*>.*?</c>)', lambda _: xml, text, count=1)
        assert count == 1, f"cell {cell} is not in the sheet"
        return new

    return rewritten(path, {f"xl/worksheets/sheet{sheet}.xml": change})


def read(path: Path | Sequence[Path], spec: Specification, **options: Any) -> Readings:
    """Read files with some options."""
    paths = [path] if isinstance(path, Path) else path
    return read_files(paths, spec, ReadOptions(**options))


def only(readings: Readings, code: str) -> Problem:
    """Return the one problem of a code."""
    found = [p for p in readings.problems if p.code == code]
    assert len(found) == 1, (
        f"{len(found)} problems {code}; all: {[(p.code, p.cell, p.message) for p in readings.problems]}"
    )
    return found[0]


def codes(readings: Readings) -> list[str]:
    """Return the codes of all problems, notes left out."""
    return [p.code for p in readings.problems if p.severity != "note"]


#: a good part: hole and wall -> diameter at 0 and 90 degrees, x, y
GOOD = {
    (1, "near"): (0.4581, 0.4583, 1.5021, 1.2493),
    (1, "far"): (0.4578, 0.4579, 1.5024, 1.2491),
    (2, "near"): (0.4585, 0.4584, 4.5012, 1.2512),
    (2, "far"): (0.4582, 0.4581, 4.5015, 1.2509),
    (3, "near"): (0.4576, 0.4577, 1.5033, 5.7489),
    (3, "far"): (0.4573, 0.4575, 1.5031, 5.7492),
    (4, "near"): (0.4588, 0.4586, 10.5018, 5.7503),
    (4, "far"): (0.4584, 0.4585, 10.5022, 5.7501),
}

WIDE_HEAD = ["Serial", "Part", "Date", "Hole", "Wall", "Dia 0", "Dia 90", "X", "Y"]


def wide(
    changes: Mapping[tuple[int, str, int], Any] | None = None, serial: str = "P-7", day: Any = "2026-11-02"
) -> list[list[Any]]:
    """Return a good part as rows, one hole and wall a row; ``changes``: (hole, wall, place of the value) -> content."""
    rows: list[list[Any]] = [list(WIDE_HEAD)]
    for (hole, wall), values in GOOD.items():
        typed = [(changes or {}).get((hole, wall, i), v) for i, v in enumerate(values)]
        rows.append([serial, "port", day, hole, wall, *typed])
    return rows
