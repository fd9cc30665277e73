"""Runs of judging for tests of the ledger: sheets of a small kit typed here. All numbers are invented."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import select

from holeqc.inspection.recheck import inspect
from holeqc.inspection.results import Inspection
from holeqc.ledger.ledger import Ledger
from holeqc.ledger.schema import DETAILS, ENTRY
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification
from holeqc.specification.model import Specification

ENGINES = ("sqlite", "postgresql")
TODAY = dt.date(2026, 11, 30)  #: whatever the clock says: sheets of a day still to come would hold
FIRST_DAY = "2026-11-03T23:00:00.000000Z"  #: the moment of an entry, where a test says no other
KIT = """
[kit]
id = "K2"
revision = "{revision}"
unit = "in"
[[part]]
name = "plate"
[fixture]
id = "DF-2"
[size]
lower = 0.455
upper = 0.462
[[hole]]
id = "1"
[[hole]]
id = "2"
[plan]
directions = [0, 90]
{more}
"""
Sizes = Mapping[str, tuple[float | None, float | None]]
GOOD: Sizes = {"1": (0.457, 0.458), "2": (0.459, 0.460)}
LARGE: Sizes = {"1": (0.457, 0.458), "2": (0.4625, 0.460)}


def kit(folder: Path, revision: str = "A", more: str = "") -> Specification:
    """Write the kit file and return what it asks."""
    path = folder / "k2.toml"
    path.write_text(KIT.format(revision=revision, more=more), encoding="utf-8")
    return load_specification(path)


def sheet(path: Path, parts: Mapping[str, Sizes], *, day: str = "2026-11-03", note: str = "") -> Path:
    """Write a CSV sheet: serial -> hole -> two diameters."""
    lines = ["date,serial,part,hole,dia 0,dia 90,read by,note"]
    for serial, holes in parts.items():
        for hole, values in holes.items():
            shown = ",".join("" if v is None else f"{v:.4f}" for v in values)
            lines.append(f"{day},{serial},plate,{hole},{shown},bench 2,{note}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def judged(spec: Specification, *paths: Path) -> Inspection:
    """Read and judge files together."""
    return inspect(spec, read_files(paths, spec, ReadOptions(today=TODAY)))


def text_of(spec: Specification) -> str:
    """Return the kit file's text."""
    return Path(spec.path).read_text(encoding="utf-8")


def content(ledger: Ledger) -> dict[str, list[tuple[Any, ...]]]:
    """Return every row of every table."""
    return {
        table.name: [tuple(row.values()) for row in ledger.rows(select(table).order_by(*table.primary_key.columns))]
        for table in (ENTRY, *DETAILS)
    }  # fmt: skip
