"""A gauge's calibration can't be dodged by leaving the day out, writing it unclearly, or writing one of long ago.

The gauges of the kit are due on 2027-03-31 (BG-2, diameters) and 2027-06-30 (CM-1, x and y).
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from making import codes, kit, only, read, text_file, wide, workbook

from holeqc.inspection.recheck import inspect

DUE = dt.date(2027, 3, 31)
AFTER = dt.date(2027, 4, 1)


def many(day: str) -> list[list[Any]]:
    """Return the rows of 31 parts, each with readings of its own."""
    rows = wide(day=day)
    rng = np.random.default_rng(5)
    for number in range(30):
        own = wide(serial=f"Q-{number}", day=day)[1:]
        rows += [[*row[:5], *np.round(np.array(row[5:]) + rng.normal(0, 0.0004, 4), 4).tolist()] for row in own]
    return rows


def judged(rows: list[list[Any]], today: dt.date, tmp_path: Path) -> tuple[Any, set[str]]:
    """Return the readings and the characteristics that a doubt about the day holds."""
    spec = kit()
    readings = read(text_file(tmp_path / "shop.csv", rows), spec, today=today)
    frame = inspect(spec, readings).characteristics
    held = frame[(frame["verdict"] == 1) & (frame["cause"] == "gauge-day-unclear")]
    return readings, set(held["characteristic"])


@pytest.mark.parametrize("day", ["", "soon"])
def test_without_a_day_a_gauge_that_is_not_due_today_was_never_due(day: str, tmp_path: Path) -> None:
    readings, held = judged(wide(day=day), DUE, tmp_path)
    assert held == set()
    assert only(readings, "no-date").severity == "note"


@pytest.mark.parametrize("day", ["", "soon"])
def test_without_a_day_a_gauge_that_is_due_holds_what_it_read(day: str, tmp_path: Path) -> None:
    readings, held = judged(wide(day=day), AFTER, tmp_path)
    problem = only(readings, "gauge-day-unclear")
    assert (problem.part, problem.serial, problem.hole, problem.holds) == ("port", "P-7", "", True)
    assert "gauge BG-2" in problem.message
    assert problem.allowed == "a day up to 2027-03-31, when its calibration is due"
    assert problem.found == "no date, and today is 2027-04-01"
    assert "size" in held
    assert "position" not in held or (readings.table["doubt"][readings.table["characteristic"] == "x"] == "").all()
    assert "32 readings" not in only(readings, "no-date").message, "CM-1 isn't due: its 16 readings are a note"


def test_a_size_outside_its_limits_is_not_rejected_by_a_gauge_in_doubt(tmp_path: Path) -> None:
    spec = kit()
    rows = wide({(1, "near", 0): 0.4700}, day="")
    frame = inspect(spec, read(text_file(tmp_path / "a.csv", rows), spec, today=AFTER)).characteristics
    assert frame[frame["characteristic"] == "size"]["verdict"].tolist() == [1] * 8


@pytest.mark.parametrize(
    ("day", "held"),
    [
        ("04/03/2027", True),  # 4 March or 3 April: the later is past due
        ("03/04/2027", True),
        ("02/03/2027", False),  # 2 March or 3 February
        ("15/03/2027", False),  # one meaning only
        ("2027-03-31", False),
        ("15/04/2027", False),  # clear, and past due: that is an expired gauge
    ],
)
def test_an_unclear_day_holds_if_one_of_its_meanings_is_past_due(day: str, held: bool, tmp_path: Path) -> None:
    readings, found = judged(wide(day=day), dt.date(2027, 5, 1), tmp_path)
    assert ("gauge-day-unclear" in codes(readings)) == held == bool(found)
    if held:
        assert only(readings, "gauge-day-unclear").found == "a day that may be 2027-04-03"
    assert ("gauge-expired" in codes(readings)) == (day == "15/04/2027")


def test_the_order_of_day_and_month_settles_it(tmp_path: Path) -> None:
    path = text_file(tmp_path / "shop.csv", wide(day="03/04/2027"))
    assert "gauge-day-unclear" not in codes(read(path, kit(), today=dt.date(2027, 5, 1), dates="mdy"))


def test_every_part_without_a_day_is_held(tmp_path: Path) -> None:
    rows = many("")
    table = read(text_file(tmp_path / "a.csv", rows), kit(), today=AFTER).table
    doubted = table[table["doubt"] == "gauge-day-unclear"]
    assert doubted.groupby("serial", observed=True).size().tolist() == [16] * 31
    assert set(doubted["characteristic"]) == {"diameter"}


@pytest.mark.parametrize("today", [dt.date(2026, 11, 30), dt.date(2041, 1, 1)])
@pytest.mark.parametrize(("day", "odd"), [("2022-03-30", True), ("1999-01-01", True), ("2022-06-30", False)])
def test_a_day_more_than_five_years_before_its_gauge_is_due_holds(
    day: str, odd: bool, today: dt.date, tmp_path: Path
) -> None:
    readings = read(workbook(tmp_path / "old.xlsx", many(day)), kit(), today=today)
    assert ("odd-date" in codes(readings)) == odd
    if odd:
        first = next(p for p in readings.problems if p.code == "odd-date")
        assert first.holds
        assert first.found == f"date {day}"
        assert first.allowed == "from 2022-06-30 on"
    # a problem that holds, with part and serial and no hole, holds the part
    holding = [(p.part, p.serial, p.hole) for p in readings.problems if p.holds]
    assert len(set(holding)) == (31 if odd else 0)
    assert all(part == "port" and serial and not hole for part, serial, hole in holding)
