"""Readings that look odd together: swapped, reversed, copied, from the drawing; a hole that is only bad stays one.

The troubles are common practice, no source; the cells and what is expected of them are ours.
"""

from __future__ import annotations

import datetime as dt
import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from making import GOOD, KIT, WIDE_HEAD, codes, kit, only, read, text_file, wide, workbook

TODAY = dt.date(2026, 11, 30)
BASIC = {1: (1.5, 1.25), 2: (4.5, 1.25), 3: (1.5, 5.75), 4: (10.5, 5.75)}


def checked(rows: list[list[Any]], tmp_path: Path, text: str = KIT) -> Any:
    return read(text_file(tmp_path / "shop.csv", rows), kit(text), today=TODAY)


@pytest.mark.parametrize("value", [0.4549, 0.4621, 0.4780, 0.4400, 0.4375])
def test_a_bad_hole_is_a_reading_to_be_judged(value: float, tmp_path: Path) -> None:
    # readings of one hole may lie 3 bands (0.021) apart; the others are 0.4578 to 0.4583
    readings = checked(wide({(1, "near", 0): value}), tmp_path)
    assert codes(readings) == []
    assert readings.table["value"].iloc[0] == value
    assert (readings.table["doubt"] == "").all()


@pytest.mark.parametrize(
    ("typed", "code", "likely"),
    [
        ("5.481", "not-believable", ""),  # neither digits nor point alone explain it
        ("0.4851", "slip-transposed", "0.4581"),
        ("0.59", "slip-digit", "0.459"),
        ("0.44558", "", ""),
        ("45.81", "slip-decimal", "0.4581"),
        ("4581", "slip-decimal", "0.4581"),
        ("0.01804", "slip-unit", "0.4582"),
        ("1.163", "not-believable", ""),
        ("0.5581", "unconfirmed", ""),
        ("0.3581", "unconfirmed", ""),
    ],
)
def test_which_slip_is_called(typed: str, code: str, likely: str, tmp_path: Path) -> None:
    readings = checked(wide({(1, "near", 0): typed}), tmp_path)
    found = [p for p in readings.problems if p.cell == "F2" and p.code not in {"finer-than-gauge", "lost-digits"}]
    assert [p.code for p in found] == ([code] if code else [])
    if likely:
        assert f"likely {likely}" in found[0].message
        assert f"if {likely}" in found[0].action


def test_slips_of_coordinates(tmp_path: Path) -> None:
    readings = checked(wide({(1, "near", 2): -1.5021, (2, "far", 2): 45.015, (4, "near", 3): 146.05}), tmp_path)
    assert sorted((p.code, p.cell, p.allowed) for p in readings.problems if p.severity != "note") == [
        ("slip-decimal", "H5", "x 4.4400 to 4.5600 in"),
        ("slip-sign", "H2", "x 1.4400 to 1.5600 in"),
        ("slip-unit", "I8", "y 5.6900 to 5.8100 in"),
    ]
    assert "likely 1.5021 in" in only(readings, "slip-sign").message
    assert "likely 5.7500 in" in only(readings, "slip-unit").message


def test_a_hole_off_by_a_quarter_inch_is_no_slip(tmp_path: Path) -> None:
    assert codes(checked(wide({(1, "near", 2): 1.75, (1, "far", 2): 1.75}), tmp_path)) == []


def test_x_and_y_swapped(tmp_path: Path) -> None:
    readings = checked(wide({(3, "near", 2): 5.7489, (3, "near", 3): 1.5033}), tmp_path)
    problem = only(readings, "x-y-swapped")
    assert codes(readings) == ["x-y-swapped"]
    assert (problem.cell, problem.hole, problem.wall, problem.holds) == ("H6", "3", "near", True)
    assert problem.found == "x 5.7489 in, y 1.5033 in"
    assert problem.allowed == "near x 1.5, y 5.75"
    assert "x = 1.5033 and y = 5.7489" in problem.message
    assert (readings.table["doubt"] == "x-y-swapped").sum() == 2


def test_holes_entered_the_other_way_round(tmp_path: Path) -> None:
    order = {1: 4, 2: 3, 3: 2, 4: 1}
    rows = [WIDE_HEAD, *(["P-7", "port", "2026-11-02", h, w, *GOOD[order[h], w]] for h, w in GOOD)]
    readings = checked(rows, tmp_path)
    problem = only(readings, "hole-order")
    assert codes(readings) == ["hole-order"]
    assert problem.found == "hole 1 at 4, 2 at 3, 3 at 2, 4 at 1"
    assert (problem.cell, problem.hole, problem.serial, problem.holds) == ("H2", "", "P-7", True)
    assert (readings.table["doubt"] == "hole-order").all(), "the diameters belong to other holes too"


def test_one_row_under_the_wrong_hole(tmp_path: Path) -> None:
    rows = wide()
    rows[3][5:] = GOOD[3, "near"]
    readings = checked(rows, tmp_path)
    problem = only(readings, "other-hole")
    assert (problem.cell, problem.hole, problem.wall) == ("H4", "2", "near")
    assert "hole 3" in problem.message
    assert (readings.table["doubt"] != "").sum() == 4


def test_all_signs_of_x_turned_is_one_problem(tmp_path: Path) -> None:
    rows = [[*row[:7], -row[7], row[8]] if isinstance(row[7], float) else row for row in wide()]
    readings = checked(rows, tmp_path)
    problem = only(readings, "part-sign")
    assert codes(readings) == ["part-sign"]
    assert "all 8 x readings" in problem.message
    assert (problem.serial, problem.hole, problem.holds) == ("P-7", "", True)


def test_the_opposite_hand_is_expected_where_the_kit_declares_it(tmp_path: Path) -> None:
    text = KIT.replace("own_edges = true", "own_edges = false")
    rows = [[*row[:7], -row[7], row[8]] if isinstance(row[7], float) else row for row in wide()]
    for row in rows[1:]:
        row[1] = "starboard"
    assert codes(checked(rows, tmp_path, text)) == []
    for row in rows[1:]:
        row[1] = "port"
    assert codes(checked(rows, tmp_path, text)) == ["part-sign"]


def test_a_part_copied_down_from_the_one_before(tmp_path: Path) -> None:
    rows = [*wide(), *wide(serial="P-8")[1:]]
    readings = checked(rows, tmp_path)
    problem = only(readings, "copied-part")
    assert codes(readings) == ["copied-part"]
    assert (problem.cell, problem.serial, problem.holds) == ("F10", "P-8", True)
    assert "all 32 lengths" in problem.message
    assert "P-7 (F2)" in problem.message
    assert (readings.table["doubt"] == "copied-part").sum() == 32


def shifted(by: float, serial: str) -> list[list[Any]]:
    """Rows of a part of its own: every length moved by its own small amount."""
    rows = wide(serial=serial)[1:]
    return [
        [*r[:5], *(round(v + by * (1 + (i * 5 + j * 3) % 7), 4) for j, v in enumerate(r[5:]))]
        for i, r in enumerate(rows)
    ]


def test_a_part_copied_from_one_further_back_and_from_another_file(tmp_path: Path) -> None:
    head = wide()[0]
    first = [*wide(), *shifted(0.0001, "P-8"), *wide(serial="P-9")[1:]]
    readings = checked(first, tmp_path)
    assert codes(readings) == ["copied-part"]
    problem = only(readings, "copied-part")
    assert (problem.serial, problem.cell) == ("P-9", "F18")
    assert "an earlier part, port P-7 (F2)" in problem.message
    files = [
        text_file(tmp_path / f"{n}.csv", [head, *rows])
        for n, rows in enumerate((wide()[1:], shifted(0.0001, "P-8"), wide(serial="P-9")[1:]))
    ]
    problem = only(read(files, kit(KIT), today=TODAY), "copied-part")
    assert (Path(problem.file).name, problem.serial) == ("2.csv", "P-9")
    assert "0.csv F2)" in problem.message


def test_coarse_readings_of_many_parts_agree_by_chance(tmp_path: Path) -> None:
    # four holes by x and y in steps of 0.001 that take two values each: 256 sets, so that 60 parts must share some
    rng = np.random.default_rng(4)
    rows = [["Serial", "Part", "Hole", "Wall", "X", "Y"]]
    seen = []
    for n in range(60):
        xy = np.array(list(BASIC.values())) + 0.001 * rng.integers(0, 2, (4, 2))
        seen.append(tuple(xy.ravel()))
        rows += [[f"P-{n}", "port", h, "near", *xy[h - 1].round(3)] for h in BASIC]
    assert len(set(seen)) < 60
    assert all(a != b for a, b in itertools.pairwise(seen)), "the part before is another rule's"
    assert "copied-part" not in codes(checked(rows, tmp_path))


def test_one_value_different_is_no_copied_part_but_copied_holes(tmp_path: Path) -> None:
    rows = [*wide(), *wide({(1, "near", 0): 0.4582}, serial="P-8")[1:]]
    readings = checked(rows, tmp_path)
    assert codes(readings) == ["copied-hole"] * 3
    assert [p.hole for p in readings.problems if p.code == "copied-hole"] == ["2", "3", "4"]


def test_a_few_coarse_sizes_that_agree_are_no_copy(tmp_path: Path) -> None:
    # sizes by plugs in steps of 0.001: three different values in eight readings say nothing
    rows = [["Serial", "Part", "Hole", "Wall", "Dia 0", "Dia 90"]]
    for serial in ("P-7", "P-8"):
        rows += [[serial, "port", h, w, 0.457 + 0.001 * (h % 3), 0.457] for h, w in GOOD]
    assert codes(checked(rows, tmp_path)) == []


def test_coordinates_from_the_drawing(tmp_path: Path) -> None:
    changes = {(h, w, i + 2): BASIC[h][i] for h, w in GOOD for i in (0, 1)}
    readings = checked(wide(changes), tmp_path)
    problem = only(readings, "equals-nominal")
    assert "all 16 coordinates" in problem.message
    assert problem.holds
    assert (readings.table["doubt"] == "equals-nominal").sum() == 16


@pytest.mark.parametrize(
    ("value", "code", "holds"),
    [
        (0.4585, "equals-nominal", True),
        (0.455, "equals-nominal", True),
        (0.4579, "no-variation", False),
    ],
)
def test_the_same_diameter_every_time(value: float, code: str, holds: bool, tmp_path: Path) -> None:
    readings = checked(wide({(h, w, i): value for h, w in GOOD for i in (0, 1)}), tmp_path)
    problem = only(readings, code)
    assert codes(readings) == [code]
    assert "all 16 diameters" in problem.message
    assert problem.holds is holds
    assert (readings.table["doubt"] != "").sum() == (16 if holds else 0)


def many_parts(swapped: tuple[int, ...], wander: float, count: int = 12) -> list[list[Any]]:
    """Return parts whose far wall is 0.0005 smaller and 0.002 farther out in x; some with their walls exchanged."""
    rng = np.random.default_rng(3)
    rows: list[list[Any]] = [WIDE_HEAD]
    for number in range(count):
        for hole, (x, y) in BASIC.items():
            near = np.array([0.4585, 0.4585, x, y]) + rng.normal(0, 0.0008, 4)
            far = near + np.array([-0.0005, -0.0005, 0.002, 0.0]) + rng.normal(0, wander, 4)
            walls = (near, far)[:: -1 if number in swapped else 1]
            for name, values in zip(("near", "far"), walls, strict=True):
                typed = [f"{v:.4f}" for v in values]
                rows.append([f"P-{number + 1}", "port", "2026-11-02", hole, name, *typed])
    return rows


def test_walls_exchanged_are_told_by_how_the_other_parts_differ(tmp_path: Path) -> None:
    readings = checked(many_parts((7,), 0.0003), tmp_path)
    problem = only(readings, "walls-swapped")
    assert codes(readings) == ["walls-swapped"]
    assert (problem.serial, problem.severity, problem.holds) == ("P-8", "warning", False)
    assert (readings.table["doubt"] == "").all(), "a warning only: the readings stand"


def test_walls_that_do_not_differ_tell_nothing(tmp_path: Path) -> None:
    # scatter of 0.004 makes an oversize reading by chance that two swapped digits explain; that is another doubt
    assert "walls-swapped" not in codes(checked(many_parts((7,), 0.004), tmp_path))
    assert codes(checked(many_parts((), 0.0003), tmp_path)) == []


def test_many_times_the_same_problem_is_named_twenty_times_and_counted(tmp_path: Path) -> None:
    rows = [WIDE_HEAD]
    for number in range(100):
        rows += wide(serial=f"P-{number}")[1:]
    dice = np.random.default_rng(1)
    for row in rows[1:]:
        row[5:] = [round(v + dice.normal(0, 0.0004), 4) for v in row[5:]]
    for row in rows[1::2]:
        row[5] = "abc"
    readings = checked(rows, tmp_path)
    named = [p for p in readings.problems if p.code == "not-a-number"]
    assert len(named) == 21
    assert "380 more of the same, from F" in named[-1].message
    assert (readings.table["doubt"] == "not-a-number").sum() == 400, "every one of them is held by its own doubt"
    assert len(readings.table) == 3200


def test_a_gauge_named_for_what_it_does_not_measure(tmp_path: Path) -> None:
    rows = [
        ["Serial", "Part", "Hole", "Wall", "What", "Direction", "Reading", "Gauge"],
        ["P-7", "port", 1, "near", "diameter", 0, 0.4581, "CM-1"],
        ["P-7", "port", 1, "near", "x", "", 1.5021, "CM-1"],
    ]
    readings = checked(rows, tmp_path)
    problem = only(readings, "gauge-not-for-this")
    assert (problem.cell, problem.severity) == ("G2", "warning")
    assert "CM-1" in problem.message
    assert "x, y, edge_distance" in problem.allowed


def test_a_gauge_beside_several_columns_reads_what_it_measures(tmp_path: Path) -> None:
    rows = [[*row, gauge] for row, gauge in zip(wide(), ["Gauge", *["bg 2"] * 8], strict=True)]
    readings = checked(rows, tmp_path)
    assert codes(readings) == []
    by = readings.table.groupby("characteristic", observed=True)["gauge"].unique()
    assert list(by["diameter"]) == ["BG-2"]
    assert list(by["x"]) == [""]


def test_row_order_changes_nothing(tmp_path: Path) -> None:
    rows = [*wide({(1, "near", 0): 4.581, (2, "far", 1): "0.4S81"}), *wide({(3, "near", 3): -5.7489}, serial="P-8")[1:]]
    rows[9:] = [[*r[:5], *(v + 0.0002 if isinstance(v, float) else v for v in r[5:])] for r in rows[9:]]
    straight = checked(rows, tmp_path)
    order = np.random.default_rng(8).permutation(len(rows) - 1)
    turned = checked([rows[0], *(rows[1 + i] for i in order)], tmp_path)
    for readings in (straight, turned):
        assert sorted(codes(readings)) == ["letter-in-number", "slip-decimal", "slip-sign"]
    assert sorted(p.message for p in straight.problems) == sorted(p.message for p in turned.problems)


def test_the_same_slips_are_called_in_millimetres(tmp_path: Path) -> None:
    rows = wide({(1, "near", 0): 4.581, (3, "near", 3): -5.7489, (2, "near", 0): 11.646})
    inch = checked(rows, tmp_path)
    head = [*WIDE_HEAD[:5], *(f"{h} [mm]" for h in WIDE_HEAD[5:])]
    mm = checked([head, *([*r[:5], *(round(v * 25.4, 6) for v in r[5:])] for r in rows[1:])], tmp_path)
    wanted = sorted(c for c in codes(inch) if c.startswith("slip"))
    assert wanted == ["slip-decimal", "slip-sign", "slip-unit"]
    assert sorted(c for c in codes(mm) if c.startswith("slip")) == wanted


def test_without_basic_positions_sizes_are_still_looked_at(tmp_path: Path) -> None:
    text = (
        '[kit]\nid = "S"\nunit = "in"\n[size]\nlower = 0.455\nupper = 0.462\n[[hole]]\nid = "1"\n[[hole]]\nid = "2"\n'
    )
    rows = [["Serial", "Hole", "Dia 0", "Dia 90"], ["P-1", 1, 4.581, 0.4583], ["P-1", 2, 0.4585, 0.4586]]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit(text))
    assert only(readings, "slip-decimal").cell == "C2"
