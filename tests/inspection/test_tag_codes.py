"""Tags as they are decided, by samples whose verdicts `tests/samples` has worked out by hand."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from holeqc.inspection.recheck import inspect
from holeqc.inspection.results import Inspection
from holeqc.inspection.tags import tags_of
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification

ROOT = Path(__file__).resolve().parents[2]
KIT = ROOT / "tolerances" / "bl7.toml"


def judged(*names: str) -> Inspection:
    spec = load_specification(KIT)
    files = [ROOT / "sample_measurements" / name for name in names]
    return inspect(spec, read_files(files, spec, ReadOptions(today=dt.date(2026, 11, 30))))


def test_pins_that_do_not_enter_say_how_much_is_lacking() -> None:
    *_, tag = tags_of(judged("bl7_P-0110.xlsx"))
    assert (tag.hole, tag.verdict) == ("pattern", "reject")
    assert tag.decide.startswith("The pins don't all enter together: 0.0033 in of radial room is lacking")


def test_one_code_whatever_else_was_in_the_run() -> None:
    names = ["bl7_S-0108.xlsx", "bl7_P-0110.xlsx", "bl7_P-0112.xlsx", "bl7_P-0109.csv"]
    together = [tag.code for tag in tags_of(judged(*names))]
    assert together == [tag.code for name in names for tag in tags_of(judged(name))]
    assert len(set(together)) == len(together) == 6
