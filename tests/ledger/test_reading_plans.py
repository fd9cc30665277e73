"""Parts accepted on the readings that a plan on record asks: what is accepted, and all that must not be.

One made-up fixture of four holes (seed 5), 45 parts read in full; what is tested follows from the rules, no number of
it is a reference.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import shutil
from collections.abc import Iterator, Mapping, Sequence
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
burr_free = true
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

    def verdict(
        self, serial: str, values: np.ndarray, units: Sequence[tuple[int, str]], **how: object
    ) -> tuple[int, str]:
        run = self.record(self.sheet({serial: values}, units, **how))  # type: ignore[arg-type]
        why = [one.why for one in run.inspection.planned]
        return int(run.inspection.parts["verdict"].iloc[0]), why[0] if why else "no plan"


def at_noon(patch: pytest.MonkeyPatch) -> None:
    for module in ("ledger", "tags", "schema"):
        patch.setattr(f"holeqc.ledger.{module}.now", lambda: (f"{DAY}T12:00:00.000000Z", 0))
    for module in ("approvals", "schema"):
        patch.setattr(f"holeqc.ledger.{module}.today", lambda: DAY)


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger with a plan in force, made once and copied for each test."""
    folder = tmp_path_factory.mktemp("begun")
    with pytest.MonkeyPatch.context() as patch, open_ledger(str(folder / "ledger.sqlite3")) as ledger:
        at_noon(patch)
        bench = Bench(folder, ledger)
        bench.kit()
        bench.history()
        bench.plan()
    return folder


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    at_noon(monkeypatch)
    with open_ledger(str(tmp_path / "ledger.sqlite3")) as ledger:
        yield Bench(tmp_path, ledger)


@pytest.fixture
def ready(begun: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """A bench with a plan in force."""
    at_noon(monkeypatch)
    for name in ("ledger.sqlite3", "k4.toml"):
        shutil.copy(begun / name, tmp_path / name)
    with open_ledger(str(tmp_path / "ledger.sqlite3")) as ledger:
        bench = Bench(tmp_path, ledger)
        bench.number = 1
        yield bench


def part(seed: int) -> np.ndarray:
    return np.asarray(made(1, seed)[0])


def test_part_is_accepted_on_what_the_plan_asks_and_approved(ready: Bench) -> None:
    units = ready.units("N-201")
    assert len(units) < 8
    run = ready.record(ready.sheet({"N-201": part(1)}, units))
    (one,) = run.inspection.planned
    assert one.accepted, one.why
    assert int(run.inspection.parts["verdict"].iloc[0]) == ACCEPT
    assert one.total == 20
    assert one.read == 2 * len(units) + 4
    assert 0.0 <= one.risk <= 0.001
    assert len(one.predicted) == 16 - 2 * len(units)
    order = ["diameter 0°", "diameter 90°", "x", "y"]
    truth = [part(1)[int(p.hole) - 1][order.index(p.what)] for p in one.predicted]
    inside = sum(abs(p.value - value) < p.half for p, value in zip(one.predicted, truth, strict=True))
    assert inside >= len(one.predicted) - 2
    approve(ready.ledger, "N-201", "41")


@pytest.mark.parametrize("case", ["off", "no lot", "other holes", "fewer", "more", "day before", "dirty", "no surface"])
def test_part_read_in_part_is_held(ready: Bench, case: str) -> None:
    bench = ready
    units, values = ([(0, rp.SIZE)] if case == "no lot" else bench.units("N-201")), part(1)
    others = [(h, k) for h in range(4) for k in (rp.SIZE, rp.PLACE) if (h, k) not in units]
    if case == "off":
        spec = bench.kit("false", "B", released=False)
        run = bench.record(bench.sheet({"N-201": values}, units), spec)
        assert int(run.inspection.parts["verdict"].iloc[0]) == HOLD
        assert not run.inspection.planned
        return
    units = {"other holes": [*units[1:], others[0]], "fewer": units[1:], "more": [*units, others[0]]}.get(case, units)
    how = {
        "day before": {"day": DAY - dt.timedelta(days=1)},
        "dirty": {"surface": "burr"},
        "no surface": {"surface": ""},
    }
    verdict, why = bench.verdict("N-201", values, units, **how.get(case, {}))
    assert verdict == (REJECT if case == "dirty" else HOLD)
    words = {
        "other holes": "asks aren't there",
        "fewer": "asks aren't there",
        "more": "others were read than",
        "no lot": "no plan",
        "day before": "one before the lot",
        "dirty": "no plan",
        "no surface": "surface isn't",
    }[case]
    assert words in why
    with pytest.raises(ApprovalRefused):
        approve(bench.ledger, "N-201", "41")


def test_reading_that_cannot_be_holds_and_ends_the_plan(ready: Bench) -> None:
    early = ready.units("N-200")
    assert ready.verdict("N-200", part(7), early)[0] == ACCEPT
    units, values = ready.units("N-201"), part(1)
    hole = next(h for h, kind in units if kind == rp.PLACE)
    values[hole, 2] += 0.0045  # inside every limit of the drawing, and four times as far as the others allow
    verdict, why = ready.verdict("N-201", values, units)
    assert verdict == HOLD
    assert "can't" in why
    with pytest.raises(LedgerError, match="N-201 fell out of it"):
        ready.units("N-202")
    # the one accepted before, whose other holes nobody read, waits as well
    with pytest.raises(ApprovalRefused) as refused:
        approve(ready.ledger, "N-200", "41")
    assert any("fell out of the plan since" in p.message for p in refused.value.problems)
    # read in full it is judged by its readings
    assert ready.verdict("N-201", part(2), [(h, k) for h in range(4) for k in (rp.SIZE, rp.PLACE)])[0] == ACCEPT


def test_rejected_part_ends_the_plan(ready: Bench) -> None:
    units, values = ready.units("N-201"), part(1)
    hole = next(h for h, kind in units if kind == rp.SIZE)
    values[hole, 0] = 0.4631
    assert ready.verdict("N-201", values, units)[0] == REJECT
    with pytest.raises(LedgerError, match="was rejected"):
        ready.units("N-202")


def test_event_since_ends_the_plan_even_if_logged_late(ready: Bench) -> None:
    units, later = ready.units("N-201"), ready.units("N-202")
    assert ready.verdict("N-201", part(1), units)[0] == ACCEPT
    record_fixture_event(ready.ledger, "DF-4", "moved", DAY, "17")
    verdict, why = ready.verdict("N-202", part(2), later)
    assert verdict == HOLD
    assert "moved was logged" in why
    with pytest.raises(ApprovalRefused) as refused:  # of the day of its readings, so it may have come before
        approve(ready.ledger, "N-201", "41")
    assert any("moved was logged" in p.message for p in refused.value.problems)
    with pytest.raises((LedgerError, DataError), match="read"):
        ready.plan()


def test_lot_is_drawn_once_and_for_parts_that_nobody_read(ready: Bench) -> None:
    assert ready.units("N-201") == ready.units("N-201")
    kept = plans.kept_plan(ready.ledger, "K4")
    (lot,) = plans.draws(ready.ledger, kept)
    assert list(rp.asked_units(kept.spec, kept.plan, lot["seed"], lot["ages"], "plate", 1)) == lot["units"]
    with pytest.raises(LedgerError, match="in the history"):
        ready.units("H-103")
    assert ready.verdict("N-209", part(3), [(0, rp.SIZE)])[0] == HOLD
    with pytest.raises(LedgerError, match="was read before"):
        ready.units("N-209")
    # a second sheet of a part that a plan held is no better one
    units, bad = ready.units("N-210"), part(4)
    bad[next(h for h, kind in units if kind == rp.PLACE), 3] += 0.0045
    assert ready.verdict("N-210", bad, units)[0] == HOLD
    verdict, why = ready.verdict("N-210", part(4), units)
    assert verdict == HOLD
    assert why


def test_same_sheet_again_says_the_same(ready: Bench) -> None:
    path = ready.sheet({"N-201": part(1)}, ready.units("N-201"))
    ready.record(path)
    again = ready.record(path)
    assert not again.recorded.added
    assert again.inspection.planned[0].accepted


def test_each_hole_is_read_again_and_the_plan_ends(bench: Bench) -> None:
    bench.kit(more="partial_parts = 6")
    bench.history()
    bench.plan()
    seen: list[set[int]] = []
    for n in range(6):
        units = bench.units(f"N-{n + 301}")
        seen.append({hole for hole, _ in units})
        assert bench.verdict(f"N-{n + 301}", part(20 + n), units)[0] == ACCEPT
    for hole in range(4):
        assert all(hole in seen[n] or hole in seen[n + 1] for n in range(5))
    with pytest.raises(LedgerError, match="6 parts were read by it"):
        bench.units("N-399")
    with pytest.raises(LedgerError, match="between two plans"):
        bench.plan()


@pytest.mark.parametrize("forged", ["plan", "verdict", "lot"])
def test_forged_rows_are_refused_at_approval(ready: Bench, forged: str) -> None:
    # whoever has Python and the file can write rows past the tool; an approval asks again
    kept = plans.kept_plan(ready.ledger, "K4")
    if forged == "plan":
        model = dataclasses.replace(kept.plan.model, scale=kept.plan.model.scale * 0.8)
        text = dataclasses.replace(kept.plan, model=model).text()
        ready.ledger.entry("setting", "x", {"setting": [{"name": s.PLAN + "K4", "value": text}]})
        units = ready.units("N-201")
        assert ready.verdict("N-201", part(1), units)[0] == ACCEPT
        with pytest.raises(LedgerError, match="isn't what the readings on record give"):
            approve(ready.ledger, "N-201", "41")
    elif forged == "lot":
        own = [n for n, (hole, _, _) in enumerate(rp.slots_of(kept.spec).units) if hole in (0, 1, 2)]
        lot = {"plan": kept.plan.code, "serial": "N-201", "part": "plate", "seed": "ab", "units": own, "count": 1,
               "ages": [0, 0, 0, 5]}  # fmt: skip
        ready.ledger.entry("setting", "x", {"setting": [{"name": s.PLAN_LOT + "K4", "value": json.dumps(lot)}]})
        units = [(h, k) for h in (0, 1, 2) for k in (rp.SIZE, rp.PLACE)]
        assert ready.verdict("N-201", part(1), units)[0] == ACCEPT
        with pytest.raises(LedgerError, match="doesn't follow from its seed"):
            approve(ready.ledger, "N-201", "41")
    else:
        assert ready.verdict("N-201", part(1), [(0, rp.SIZE)])[0] == HOLD
        (number,) = (
            r["id"] for r in ready.ledger.rows(select(s.INSPECTION.c.id).where(s.INSPECTION.c.serial == "N-201"))
        )
        data = {"plan": kept.plan.code, "serial": "N-201", "part": "plate", "inspection": number, "accepted": True,
                "surprise": False, "why": "", "units": [0], "lot": 1, "count": 1, "scores": {},
                "sheets": []}  # fmt: skip
        ready.ledger.entry("setting", "x", {"setting": [{"name": s.PLAN_RESULT + "K4", "value": json.dumps(data)}]})
        with pytest.raises(ApprovalRefused):
            approve(ready.ledger, "N-201", "41")


def test_no_plan_without_permission_release_or_enough_parts(bench: Bench) -> None:
    spec = bench.kit("false")
    bench.history()
    with pytest.raises(LedgerError, match="permits no plan"):
        plans.released_kit(bench.ledger, "K4")
    spec = bench.kit(revision="B", released=False)
    with pytest.raises(LedgerError, match="permits no plan"):  # what isn't released yet permits nothing
        plans.record_plan(bench.ledger, plans.plan_of_record(bench.ledger, spec, str(DAY)), "engineer")
    few = [f"H-{n + 101}" for n in range(20)]
    with pytest.raises(DataError, match="are needed"):
        plans.plan_of_record(bench.ledger, spec, str(DAY), before=10**6, serials=few)


def test_a_slow_change_is_seen_over_the_plans_parts(ready: Bench) -> None:
    kept = plans.kept_plan(ready.ledger, "K4")
    row = {"plan": kept.plan.code, "surprise": False, "scores": {"1 x": 1.9}, "units": [0]}
    for _ in range(6):
        ready.ledger.entry("setting", "17", {"setting": [{"name": s.PLAN_RESULT + "K4", "value": json.dumps(row)}]})
    assert plans._drift(ready.ledger, kept, {"1 x": 0.1, "2 x": 3.0}) == "hole 1 x"
    assert not plans._drift(ready.ledger, kept, {"1 y": 0.1, "2 x": 3.0})


def test_sheet_of_a_lot_reads_back_and_every_answer_says_so(
    ready: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from openpyxl import load_workbook

    from holeqc.__main__ import run
    from holeqc.reports.data import as_data
    from holeqc.reports.screen import screen_text

    monkeypatch.chdir(ready.folder)
    assert run(["plan", "k4.toml", "--ledger", "ledger.sqlite3", "-o", "plan.json"]) == 2  # too soon after the last one
    kept, path = plans.kept_plan(ready.ledger, "K4"), ready.folder / "lot.xlsx"
    Path("plan.json").write_text(kept.plan.text().replace('"worn":[]', '"worn":["1"]'), encoding="utf-8")
    lot = ["sheet", "k4.toml", "-o", "lot.xlsx", "--serial", "N-201", "--by", "17", "--ledger", "ledger.sqlite3"]
    lot += ["--plan"]
    assert run([*lot, "plan.json"]) == 2  # edited
    assert "no reading plan" in capsys.readouterr().err
    Path("plan.json").write_text(kept.plan.text(), encoding="utf-8")
    assert run([*lot, "plan.json"]) == 0
    units, book = ready.units("N-201"), load_workbook(path)
    sheet = book.worksheets[0]
    head = next(r for r in range(1, 30) if sheet.cell(r, 1).value == "Hole")
    column = {str(sheet.cell(head, c).value): c for c in range(1, sheet.max_column + 1)}
    for row in range(1, head):
        if sheet.cell(row, 1).value == "Date":
            sheet.cell(row, 3).value = DAY
    for hole, values in enumerate(part(1)):
        row = head + 1 + hole
        sheet.cell(row, column["Surface"]).value = "clean"
        for name, kind, value in zip(("Diameter 0° [in]", "Diameter 90° [in]", "x [in]", "y [in]"),
                                     (rp.SIZE, rp.SIZE, rp.PLACE, rp.PLACE), values, strict=True):  # fmt: skip
            if (hole, kind) in units:
                sheet.cell(row, column[name]).value = float(value)
    book.save(path)
    done = ready.record(path).inspection
    assert f"accepted on {4 + 2 * len(units)} of 20 readings, risk at most 0.1 %" in " ".join(screen_text(done).split())
    said = as_data(done)["parts"][0]["reading_plan"]
    assert said["accepted"]
    assert len(said["predicted"]) == 16 - 2 * len(units)
