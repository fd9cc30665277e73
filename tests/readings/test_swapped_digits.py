"""Digits swapped near the limits: named only where the rest of the hole contradicts; a bad hole stays one.

No source: which slips people make is common practice; the numbers are ours, each swap worked out by hand beside it.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
from making import KIT, codes, kit, only, read, text_file, wide

from holeqc.inspection.recheck import inspect

TODAY = dt.date(2026, 11, 30)
FORM = KIT + "\n[form]\nout_of_roundness = 0.003\n"
#: hole 2 of the good part: near 0.4585, 0.4584; far 0.4582, 0.4581; no plug is read
HOLE = "2"


def verdict(changes: dict[Any, Any], tmp_path: Path, text: str = FORM, plugs: tuple[str, str] = ("", "")) -> Any:
    rows = wide(changes)
    if any(plugs):
        rows = [[*row, *(("GO", "NO-GO") if at == 0 else plugs if row[3] == 2 else ("", ""))]
                for at, row in enumerate(rows)]  # fmt: skip
    spec = kit(text)
    readings = read(text_file(tmp_path / "shop.csv", rows), spec, today=TODAY)
    found = inspect(spec, readings)
    frame = found.characteristics
    size = frame[(frame["hole"] == HOLE) & (frame["characteristic"] == "size") & (frame["wall"] == "near")]
    return readings, int(size["verdict"].iloc[0])


@pytest.mark.parametrize(
    ("typed", "likely", "others"),
    [
        (0.4758, "0.4578", (0.4584, 0.4582, 0.4581)),  # second and third decimal
        (0.4650, "0.4605", (0.4606, 0.4604, 0.4604)),  # a zero at the end that a number cell doesn't keep
        (0.4549, "0.4594", (0.4595, 0.4593, 0.4592)),  # below the lower limit 0.4550
        (0.4559, "0.4595", (0.4602, 0.4601, 0.4603)),  # in the limits; 0.0042 apart, of which the form allows 0.0030
    ],
)
def test_swapped_digits_hold_where_the_rest_of_the_hole_contradicts(
    typed: float, likely: str, others: tuple[float, float, float], tmp_path: Path
) -> None:
    places = zip([("near", 1), ("far", 0), ("far", 1)], others, strict=True)
    changes = {(2, "near", 0): typed} | {(2, *place): value for place, value in places}
    readings, size = verdict(changes, tmp_path)
    problem = only(readings, "slip-transposed")
    low, high = f"{min(others):.4f}", f"{max(others):.4f}"
    assert f"likely {likely} in; the other diameters of the hole are {low} in to {high} in" in problem.message
    assert (problem.hole, problem.wall, problem.holds) == ("2", "near", True)
    assert size == 1
    assert readings.table["value"][readings.table["doubt"] != ""].tolist() == [typed]  # named, never corrected


@pytest.mark.parametrize(
    "changes",
    [
        {(2, "near", 0): 0.4650},  # 0.4560 lies in the limits, but 0.0021 away from every other reading
        {(2, "near", 0): 0.4758, (2, "near", 1): 0.4757},  # an oversize wall: the others don't agree
        {(2, "near", 0): 0.4758, (2, "far", 0): 0.4758},  # oval through both walls
        {(2, "near", 0): 0.4758, (2, "near", 1): 0.4631},  # the others are outside too
        {(2, "near", 0): 0.4721},  # no swap: 0.4271, 0.4712, 0.7421
    ],
)
def test_a_bad_hole_is_not_excused(changes: dict[Any, float], tmp_path: Path) -> None:
    readings, size = verdict(changes, tmp_path)
    assert codes(readings) == []
    assert size == 2


def test_a_plug_that_confirms_the_size_leaves_it_to_be_judged(tmp_path: Path) -> None:
    readings, size = verdict({(2, "near", 0): 0.4758}, tmp_path, plugs=("enters", "enters"))
    assert "slip-transposed" not in codes(readings)
    assert size == 2


@pytest.mark.parametrize(("no_go", "held"), [("does not enter", True), ("", True), ("enters", False)])
def test_one_other_reading_is_enough_where_they_lie_far_apart(no_go: str, held: bool, tmp_path: Path) -> None:
    far = {(2, "far", 0): None, (2, "far", 1): None}
    readings, size = verdict({(2, "near", 0): 0.4758, **far}, tmp_path, plugs=("enters", no_go))
    assert ("slip-transposed" in codes(readings)) == held
    assert size == (1 if held else 2)


def test_one_other_reading_nearer_than_the_tolerance_is_not_enough(tmp_path: Path) -> None:
    far = {(2, "far", 0): None, (2, "far", 1): None}
    readings, size = verdict({(2, "near", 0): 0.4648, **far}, tmp_path)  # swapped 0.4684, 0.4468: 0.0064 away
    assert "slip-transposed" not in codes(readings)
    assert size == 2


def test_without_a_form_only_readings_outside_their_limits_are_doubted(tmp_path: Path) -> None:
    others = {(2, "near", 1): 0.4602, (2, "far", 0): 0.4601, (2, "far", 1): 0.4603}
    readings, size = verdict({(2, "near", 0): 0.4559, **others}, tmp_path, KIT)
    assert codes(readings) == []
    assert size == 0


def test_swapped_digits_of_a_coordinate(tmp_path: Path) -> None:
    # hole 2: near 4.5012, far 4.5015; 4.0512 is 0.45 off, 4.5102 wouldn't be off position
    readings, _ = verdict({(2, "near", 2): 4.6012}, tmp_path)
    assert codes(readings) == []  # 4.0612, 6.4012, 4.6102, 4.6021: no swap leads to the other wall's 4.5015
    readings, _ = verdict({(4, "near", 2): 10.0518}, tmp_path)  # the far wall: 10.5022
    problem = only(readings, "slip-transposed")
    assert "likely 10.5018 in; the other x of the hole is 10.5022 in" in problem.message
    readings, _ = verdict({(4, "near", 2): 10.0518, (4, "far", 2): 10.0520}, tmp_path)
    assert codes(readings) == []  # both walls agree: the hole is there


def test_the_same_hole_of_another_part_says_nothing(tmp_path: Path) -> None:
    rows = wide({(2, "near", 0): 0.4758, (2, "near", 1): None, (2, "far", 0): None, (2, "far", 1): None})
    rows += wide(serial="P-8")[1:]
    readings = read(text_file(tmp_path / "two.csv", rows), kit(FORM), today=TODAY)
    assert "slip-transposed" not in codes(readings)
