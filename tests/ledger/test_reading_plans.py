"""Parts accepted on the readings that a plan on record asks: what is accepted, and all that must not be.

One made-up fixture of four holes (seed 5), 45 parts read in full; what is tested follows from the rules, no number of it
is a reference.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pytest
from runs import TODAY
from sqlalchemy import select

from holeqc.answers.check import RecordedRun, record_run
from holeqc.inspection import reading_plan as rp
from holeqc.inspection.recheck import inspect
from holeqc.inspection.results import ACCEPT, HOLD, REJECT
from holeqc.ledger import open_ledger
from holeqc.ledger import reading_plans as plans
from holeqc.ledger import schema as s
from holeqc.ledger.approvals import ApprovalRefused, approve
from holeqc.ledger.equipment import record_fixture_event
from holeqc.ledger.kits import release
from holeqc.ledger.ledger import Ledger
from holeqc.problems import DataError, LedgerError
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification
from holeqc.specification.model import Specification

KIT = """
[kit]
id = "K4"
revision = "{revision}"
unit = "in"
[[part]]
name = "plate"
[fixture]
id = "DF-4"
[size]
lower = 0.455
upper = 0.462
[surface]
clean = true
[position]
tolerance = 0.040
condition = "MMC"
pattern_tolerance = 0.011
pattern_condition = "MMC"
[[hole]]
id = "1"
x = 1.0
y = 1.0
[[hole]]
id = "2"
x = 5.0
y = 1.0
[[hole]]
id = "3"
x = 5.0
y = 4.0
[[hole]]
id = "4"
x = 1.0
y = 4.0
[plan]
directions = [0, 90]
partial = {partial}
partial_every = 2
{more}
"""
NOMINAL = np.array([(1.0, 1.0), (5.0, 1.0), (5.0, 4.0), (1.0, 4.0)])
DAY = dt.date(2026, 11, 30)


def made(count: int, seed: int) -> np.ndarray:
    """Return readings (count, 4, 4) of parts: two diameters, x, y of each hole; seated, drilled and read."""
    rng = np.random.default_rng(seed)
    shift, turn = rng.normal(0.0, 0.002, (count, 1, 2)), rng.normal(0.0, 2e-4, (count, 1))
    off = shift + rng.normal(0.0, 0.0005, (count, 4, 2))
    off[..., 0] -= turn * (NOMINAL[:, 1] - 2.5)
    off[..., 1] += turn * (NOMINAL[:, 0] - 3.0)
    size = 0.4583 + rng.normal(0.0, 2e-4, (count, 1, 1)) + rng.normal(0.0, 2e-4, (count, 4, 1))
    sizes = size + rng.normal(0.0, 1e-4, (count, 4, 2))
    return np.round(np.concatenate([sizes, NOMINAL + off], axis=2), 5)


class Bench:
    """A ledger with a released kit and 45 parts read in full."""

    def __init__(self, folder: Path, ledger: Ledger) -> None:
        self.folder, self.ledger, self.number = folder, ledger, 0

    def kit(self, partial: str = "true", revision: str = "A", more: str = "", released: bool = True) -> Specification:
        path = self.folder / "k4.toml"
        path.write_text(KIT.format(partial=partial, revision=revision, more=more), encoding="utf-8")
        spec = load_specification(path)
        for who in ("office 1", "office 2") if released else ():
            release(self.ledger, spec, path.read_bytes(), who)
        return spec

    def sheet(
        self, parts: Mapping[str, np.ndarray], units: Sequence[tuple[int, str]] | None = None, day: dt.date = DAY,
        surface: str = "clean",
    ) -> Path:  # fmt: skip
        self.number += 1
        lines = ["date,serial,part,hole,dia 0,dia 90,x,y,surface,read by"]
        for number, (serial, values) in enumerate(parts.items()):
            on = day if len(parts) == 1 else dt.date(2026, 9, 1) + dt.timedelta(days=number)
            for hole, row in enumerate(values):
                shown = [f"{v:.5f}" for v in row]
                if units is not None:
                    shown[:2] = shown[:2] if (hole, rp.SIZE) in units else ["", ""]
                    shown[2:] = shown[2:] if (hole, rp.PLACE) in units else ["", ""]
                lines.append(f"{on},{serial},plate,{hole + 1},{','.join(shown)},{surface},17")
        path = self.folder / f"sheet_{self.number}.csv"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    def record(self, path: Path, spec: Specification | None = None) -> RecordedRun:
        spec = spec or load_specification(self.folder / "k4.toml")
        run = inspect(spec, read_files([path], spec, ReadOptions(today=TODAY)))
        return record_run(self.ledger, run, "17")

    def history(self) -> None:
        self.record(self.sheet({f"H-{n + 101}": values for n, values in enumerate(made(45, 5))}))

    def plan(self) -> plans.Kept:
        spec = plans.released_kit(self.ledger, "K4")
        plans.record_plan(self.ledger, plans.plan_of_record(self.ledger, spec, str(DAY)), "engineer")
        return plans.kept_plan(self.ledger, "K4")

    def units(self, serial: str) -> list[tuple[int, str]]:
        kept = plans.kept_plan(self.ledger, "K4")
        lot, _ = plans.draw(self.ledger, kept, "plate", serial, "17")
        known = rp.slots_of(kept.spec).units
        return [(known[n][0], known[n][2]) for n in lot["units"]]

    def verdict(self, serial: str, values: np.ndarray, units: Sequence[tuple[int, str]], **how: object) -> tuple[int, str]:
        run = self.record(self.sheet({serial: values}, units, **how))  # type: ignore[arg-type]
        why = [one.why for one in run.inspection.planned]
        return int(run.inspection.parts["verdict"].iloc[0]), why[0] if why else "no plan"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    noon = (f"{DAY}T12:00:00.000000Z", 0)
    for module in ("ledger", "tags", "schema"):
        monkeypatch.setattr(f"holeqc.ledger.{module}.now", lambda: noon)
    monkeypatch.setattr("holeqc.ledger.approvals.today", lambda: DAY)
    return Bench(tmp_path, open_ledger(str(tmp_path / "ledger.sqlite3")))


@pytest.fixture
def ready(bench: Bench) -> Bench:
    """A bench with a plan in force."""
    bench.kit()
    bench.history()
    bench.plan()
    return bench


def part(seed: int) -> np.ndarray:
    return np.asarray(made(1, seed)[0])


def test_part_is_accepted_on_what_the_plan_asks_and_approved(ready: Bench) -> None:
    units = ready.units("N-201")
    assert len(units) < 8
    run = ready.record(ready.sheet({"N-201": part(1)}, units))
    (one,) = run.inspection.planned
    assert one.accepted, one.why
    assert int(run.inspection.parts["verdict"].iloc[0]) == ACCEPT
    assert one.total == 20 and one.read == 2 * len(units) + 4 and 0.0 <= one.risk <= 0.001
    assert len(one.predicted) == 16 - 2 * len(units)
    inside = sum(abs(p.value - part(1)[int(p.hole) - 1][["diameter 0°", "diameter 90°", "x", "y"].index(p.what)]) < p.half
                 for p in one.predicted)  # fmt: skip
    assert inside >= len(one.predicted) - 2
    approve(ready.ledger, "N-201", "41")
