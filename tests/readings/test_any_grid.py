"""Grids put together at random from what people type: no crash, no filled reading cell without a row."""

from __future__ import annotations

import contextlib
import datetime as dt
import random
from pathlib import Path
from typing import Any

import pytest
from making import GOOD, WIDE_HEAD, kit, read, text_file, workbook

from holeqc.problems import HoleQCError, Problem

TODAY = dt.date(2026, 11, 30)
TYPED = (
    "Hole|Wall|Serial|Part|Dia 0|Dia 90|near|far|X|Y|GO|NO-GO|Surface|Gauge|BG-2|Date|Units:|in|mm|Serial: 7|port|stbd|"
    "P-7|1|2|3|Hole 4|9|0,458|1,234|abc|=A1|#N/A|TRUE|NaN|n/a|yes|no|clean|burr|x|2026-11-02|31/12/0013|Average|Kit|"
    "T-4|What|Reading|diameter|Angle|near 0|far 90|#1||Notes|0.4581 in|(0.45)|Temp|Inspector: 2|  |\u00a0|٣|½|Ø|trial"
    "|1e999|🙂"
)
TEXTS = TYPED.split("|")
WORDS: list[Any] = [*TEXTS, 0.4581, 0.4585, 4.581, 11.6, -1.5, 10.5, 0, 90, 68, 1e300, None, None, None, None]


@pytest.mark.parametrize("seed", range(40))
def test_any_grid_is_read_or_refused(seed: int, tmp_path: Path) -> None:
    dice = random.Random(seed)
    rows = [[dice.choice(WORDS) for _ in range(dice.randrange(1, 9))] for _ in range(dice.randrange(1, 14))]
    if seed % 2:
        rows.insert(dice.randrange(len(rows)), list(WIDE_HEAD))
    problems: list[Problem] = []
    with contextlib.suppress(HoleQCError):
        problems.extend(read(text_file(tmp_path / "a.csv", rows), kit(), today=TODAY).problems)
    for problem in problems:
        assert problem.code
        assert problem.message
        assert problem.sentence()
        assert problem.severity in {"error", "warning", "note"}


@pytest.mark.parametrize("seed", range(20))
def test_every_filled_reading_cell_has_its_row(seed: int, tmp_path: Path) -> None:
    # second route: the filled cells are counted in what was written
    dice = random.Random(seed)
    contents: list[Any] = [
        0.4581,
        0.4585,
        4.581,
        "abc",
        "0,4581",
        "n/a",
        "7/16",
        "#DIV/0!",
        0,
        -0.4,
        11.63,
        None,
        None,
        "  ",
    ]
    rows: list[list[Any]] = [list(WIDE_HEAD)]
    for serial in ("P-7", "P-8"):
        for hole, wall in GOOD:
            label = dice.choice([hole, hole, hole, 77, f"Hole {hole}"])
            rows.append([serial, "port", "2026-11-02", label, wall, *(dice.choice(contents) for _ in range(4))])
    filled = {
        (r, c)
        for r, row in enumerate(rows[1:], 2)
        for c, value in enumerate(row[5:], 6)
        if value is not None and str(value).strip()
    }
    for path in (workbook(tmp_path / "a.xlsx", rows), text_file(tmp_path / "a.csv", rows)):
        table = read(path, kit(), today=TODAY).table
        table = table[table["doubt"] != "no-readings"]
        assert set(zip(table["row"], table["column"], strict=True)) == filled
        assert len(table) == len(filled)
        unclear = table[table["value"].isna()]
        assert (unclear["doubt"] != "").all(), "what has no value says why"
