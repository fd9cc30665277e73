"""A small shop for tests of the record: one kit of two holes, sheets typed here, a ledger on either database.

All numbers are invented; what is tested is what follows from them by the kit's limits 0.455 to 0.462.
"""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from runs import TODAY

from holeqc.answers.check import RecordedRun, record_run
from holeqc.inspection.recheck import inspect
from holeqc.ledger.kits import newest_release, release
from holeqc.ledger.ledger import Ledger
from holeqc.ledger.tags import DISPOSITIONED, find_tag
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification
from holeqc.specification.model import Specification

VARIABLE = "HOLEQC_TEST_POSTGRES"
KIT = """
[kit]
id = "K2"
revision = "{revision}"
unit = "in"
drawing = "K2-10"
[[part]]
name = "plate"
number = "K2-10-1"
[fixture]
id = "DF-2"
[size]
lower = 0.455
upper = 0.462
[plugs]
go = 0.455
[[hole]]
id = "1"
[[hole]]
id = "2"
[[gauge]]
id = "G1"
measures = ["diameter"]
uncertainty = 0.0001
calibration_due = 2026-12-31
[[gauge]]
id = "G2"
measures = ["diameter"]
uncertainty = 0.0001
calibration_due = 2026-06-30
[[gauge]]
id = "P1"
measures = ["go"]
calibration_due = 2026-12-31
[plan]
directions = [0, 90]
diameter_gauge = "G1"
{more}
"""
GOOD = {"1": (0.457, 0.458), "2": (0.459, 0.460)}
AGAIN = {"1": (0.4571, 0.4579), "2": (0.4591, 0.4599)}  #: the same part read once more, as a gauge scatters
THIRD = {"1": (0.4569, 0.4580), "2": (0.4589, 0.4601)}  #: and once more
SMALL = {"1": (0.4545, 0.4546), "2": (0.459, 0.460)}
LARGE = {"1": (0.457, 0.458), "2": (0.4625, 0.460)}
Sizes = Mapping[str, tuple[float | None, float | None]]


class Shop:
    """A folder with a kit and sheets, and a ledger."""

    def __init__(self, folder: Path, ledger: Ledger) -> None:
        self.folder = folder
        self.ledger = ledger
        self.sheets = 0

    def kit(self, revision: str = "A", more: str = "") -> Path:
        path = self.folder / "k2.toml"
        path.write_text(KIT.format(revision=revision, more=more), encoding="utf-8")
        return path

    def sheet(
        self, serial: str, sizes: Sizes, *, gauge: str = "G1", day: str = "2026-11-03", name: str = "", by: str = ""
    ) -> Path:
        self.sheets += 1
        lines = ["date,serial,part,hole,dia 0,dia 90,go,gauge,read by"]
        for hole, values in sizes.items():
            shown = ",".join("" if v is None else f"{v:.4f}" for v in values)
            go = "enters" if min(v for v in values if v is not None) >= 0.455 else "does not enter"
            lines.append(f"{day},{serial},plate,{hole},{shown},{go},{gauge},{by}")
        path = self.folder / (name or f"sheet_{self.sheets}.csv")
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    def record(
        self, serial: str, sizes: Sizes, *, by: str = "bench 2", more: str = "", revision: str = "A",
        gauge: str = "G1", day: str = "2026-11-03", name: str = "", read_by: str = "", tags: bool = True,
        released: bool = True,
    ) -> RecordedRun:  # fmt: skip
        spec = load_specification(self.kit(revision, more))
        path = self.sheet(serial, sizes, gauge=gauge, day=day, name=name, by=read_by)
        if released:
            self.release(spec)
        return record_run(self.ledger, inspect(spec, read_files([path], spec, ReadOptions(today=TODAY))), by, tags=tags)

    def rework_of_before(self, tag: str) -> None:
        """Decide rework as versions did that took it for what rework can't mend."""
        said = {"disposition": "rework", "role": "engineer", "note": "read again"}
        event = {"tag_id": find_tag(self.ledger, tag).row["id"], "event": DISPOSITIONED} | said
        self.ledger.entry("disposition", "engineer", {"tag_event": [event]}, reason="read again")

    def release(self, spec: Specification) -> None:
        """Have two persons release a kit's text, where it isn't the one that counts."""
        newest = newest_release(self.ledger, spec.id)
        if newest is None or newest["digest"] != spec.digest:
            for who in ("office 1", "office 2"):
                release(self.ledger, spec, Path(spec.path).read_bytes(), who)


@contextlib.contextmanager
def place(engine: str, folder: Path) -> Iterator[str]:
    """Give the place of a new ledger on a database, gone afterwards; skip where there is no server to test on."""
    if engine == "sqlite":
        yield str(folder / "ledger.sqlite3")
        return
    url = os.environ.get(VARIABLE, "")
    if not url:
        pytest.skip(f"no PostgreSQL server to test on: set {VARIABLE} to its URL")
    import psycopg

    schema = f"t_{secrets.token_hex(6)}"
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f"CREATE SCHEMA {schema}")
        try:
            yield f"{url}{'&' if '?' in url else '?'}options=-csearch_path%3D{schema}"
        finally:
            connection.execute(f"DROP SCHEMA {schema} CASCADE")
