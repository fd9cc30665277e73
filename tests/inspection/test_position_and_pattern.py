"""Position, bonus, floated pattern, datum shift and pins: published examples, closed forms, properties."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from inspection_kit import (
    bore,
    cell,
    cells,
    gauges,
    hole,
    judge,
    kit,
    mmc,
    of_part,
    place,
    reading,
    reasons,
    table,
    two_walls,
    verdict,
)

from holeqc.inspection.evidence import gather
from holeqc.inspection.pattern import check_pins
from holeqc.inspection.position import find_places
from holeqc.inspection.recheck import inspect
from holeqc.inspection.size import judge_size
from holeqc.readings.table import STOPS, Readings
from holeqc.specification.model import (
    DatumShift,
    DecisionRule,
    Limits,
    Part,
    Pin,
    Plugs,
    Position,
    ReadingPlan,
    Specification,
    Walls,
    hole_to_hole,
)
from holeqc.tables import Table

PLAN = ReadingPlan(directions=(0.0,), position=True)
WALLS = ("near", "far")


def placed(**more: Any) -> Specification:
    """Return a kit whose only hole stands at 1, 1."""
    return kit(hole(**more), plan=PLAN)


# ---------------------------------------------------------------------------------------------- one hole, datum frame


def test_published_position_at_mmc() -> None:
    # A public one-page teaching sheet on bonus tolerance: MMC 0.290, hole 0.297, 0.010 at MMC, dx 0.003, dy 0.002:
    # bonus 0.007, zone 0.017, radial 0.0036 (so 0.0072 diametral), accept.
    spec = placed(size=Limits(0.290, 0.300), position=mmc(0.010))
    found = cell(judge(spec, bore(0.297), *place(1.003, 1.002)), "position")
    assert found["bonus"] == pytest.approx(0.007, abs=5e-5)
    assert found["upper"] == pytest.approx(0.017, abs=5e-5)
    assert 0.5 * found["found"] == pytest.approx(0.0036, abs=5e-5)
    assert (found["stated"], found["verdict"]) == (0.010, 0)
    assert found["left"] == pytest.approx(0.017 - 2 * np.hypot(0.003, 0.002), abs=1e-12)


def test_published_position_rfs_against_mmc() -> None:
    # A question-and-answer page on true position: dx 0.15, dy 0, tolerance 0.25, bonus 0.1: 0.30 fails RFS, passes MMC.
    size = Limits(9.9, 10.2)
    rows = [bore(10.0), *place(1.15, 1.0)]
    plain = judge(placed(size=size, position=Position(0.25, "RFS")), *rows)
    assert cell(plain, "position")["found"] == pytest.approx(0.30, abs=1e-12)
    assert (verdict(plain, "position"), cell(plain, "position")["bonus"]) == ("reject", 0.0)
    at_mmc = cell(judge(placed(size=size, position=mmc(0.25)), *rows), "position")
    assert at_mmc["upper"] == pytest.approx(0.35, abs=1e-12)
    assert at_mmc["verdict"] == 0


@pytest.mark.parametrize(
    ("condition", "size", "bonus"),
    [("MMC", 0.4580, 0.003), ("MMC", 0.4550, 0.0), ("MMC", 0.4540, 0.0), ("MMC", 0.4650, 0.007), ("RFS", 0.4580, 0.0),
     ("LMC", 0.4580, 0.004), ("LMC", 0.4620, 0.0), ("LMC", 0.4630, 0.0), ("LMC", 0.4500, 0.007)],
)  # fmt: skip
def test_bonus_lies_between_nothing_and_the_size_tolerance(condition: str, size: float, bonus: float) -> None:
    # ASME Y14.5: bonus is the departure from the material limit named, at most the size tolerance.
    found = cell(judge(placed(position=Position(0.01, condition)), bore(size), *place(1.0, 1.0)), "position")
    assert found["bonus"] == pytest.approx(bonus, abs=1e-12)
    assert found["upper"] == pytest.approx(0.01 + bonus, abs=1e-12)


def test_virtual_condition_boundary_is_position_at_mmc() -> None:
    # Tolerancing tip (ASME Y14.5M-1994): hole 10 -0.1, position 0.6 at MMC: virtual condition 9.3, radius 4.65.
    # The hole's surface keeps clear of that boundary exactly if position at MMC is met: second route, D/2 - deviation.
    spec = placed(size=Limits(9.9, 10.3), position=mmc(0.6))
    assert hole_to_hole(spec.holes[0]).inner == pytest.approx(9.3, abs=1e-12)
    rng = np.random.default_rng(1)
    size, off = rng.uniform(9.9, 10.3, 60).round(3), rng.uniform(-0.35, 0.35, (60, 2)).round(3)
    clear = 0.5 * size - np.hypot(*off.T)
    rows = []
    for n in range(60):
        rows += [bore(float(size[n]), serial=str(n)), *place(1 + float(off[n, 0]), 1 + float(off[n, 1]), serial=str(n))]
    found = cells(judge(spec, *rows), "position")["verdict"].to_numpy()
    assert np.abs(clear - 4.65).min() > 1e-6
    assert (found == np.where(clear > 4.65, 0, 2)).all()
    assert set(found) == {0, 2}


def test_bonus_comes_from_the_smallest_mating_size_of_both_walls() -> None:
    spec = two_walls(hole(position=mmc(0.010)), position=True)
    rows = [bore(0.4600, wall="near", direction=d) for d in (0.0, 90.0)]
    rows += [bore(0.4570, wall="far", direction=0.0), bore(0.4590, wall="far", direction=90.0)]
    rows += [*place(1.0, 1.0, wall="near"), *place(1.0065, 1.0, wall="far")]
    result = judge(spec, *rows)
    assert [r["bonus"] for r in cells(result, "position").to_dict("records")] == pytest.approx([0.002, 0.002])
    # The axis is judged at both ends: 0.013 in the far wall against 0.012.
    assert [verdict(result, "position", wall=w) for w in WALLS] == ["accept", "reject"]
    alone = replace(spec, walls=Walls(WALLS, 1.25, bonus_from_both=False))
    by_wall = cells(judge(alone, *rows), "position").to_dict("records")
    assert [r["bonus"] for r in by_wall] == pytest.approx([0.005, 0.002])


def test_position_without_all_sizes_is_decided_where_the_bonus_cannot_matter() -> None:
    spec = two_walls(hole(position=mmc(0.010)), position=True)
    some = [bore(0.4600, wall="near", direction=0.0)]  # three diameters are missing; bonus at most 0.005

    def far_wall(x: float) -> str:
        rows = [*some, *place(1.0, 1.0, wall="near"), *place(x, 1.0, wall="far")]
        return verdict(judge(spec, *rows), "position", wall="far")

    assert far_wall(1.0050) == "accept"  # needs no bonus
    assert far_wall(1.0060) == "hold"
    assert far_wall(1.0076) == "reject"  # beyond the largest possible bonus
    nothing = judge(spec, *place(1.0, 1.0, wall="near"), *place(1.0086, 1.0, wall="far"))
    assert verdict(nothing, "position", wall="far") == "reject"


def test_a_wall_without_diameters_of_its_own_gets_no_bonus_for_granted() -> None:
    plan = ReadingPlan(directions=(0.0,), walls=("near",), position=True, position_walls=WALLS)
    rows = [bore(0.4600, wall="near"), *place(1.0, 1.0, wall="near"), *place(1.006, 1.0, wall="far")]
    both = kit(hole(position=mmc(0.010)), walls=Walls(WALLS), plan=plan)
    assert cell(judge(both, *rows), "position", wall="far")["bonus"] == pytest.approx(0.005)
    alone = replace(both, walls=Walls(WALLS, bonus_from_both=False))
    far = cell(judge(alone, *rows), "position", wall="far")
    assert (far["verdict"], far["cause"]) == (1, "missing")


def test_a_coordinate_that_is_missing_or_doubtful_holds() -> None:
    spec = placed(position=Position(0.01))
    only_x = judge(spec, bore(0.458), reading("x", 1.0))
    assert cell(only_x, "position")["cause"] == "missing"
    doubted = judge(spec, bore(0.458), reading("x", 1.0), reading("y", 10.0, doubt="slip"))
    assert (cell(doubted, "position")["cause"], cell(doubted, "position")["verdict"]) == ("slip", 1)


def test_a_refused_go_plug_takes_the_bonus_away_from_readings() -> None:
    spec = kit(hole(position=mmc(0.010), plugs=Plugs(go=0.455)), plan=PLAN)
    rows = [bore(0.460), *place(1.006, 1.0)]
    assert cell(judge(spec, *rows, reading("go", STOPS)), "position")["cause"] == "contradiction"


def test_the_largest_plug_gives_the_bonus() -> None:
    found = cell(judge(placed(position=mmc(0.01)), bore(0.460), reading("plug", 0.457), *place(1.0, 1.0)), "position")
    assert found["bonus"] == pytest.approx(0.002)


def test_repeated_coordinates_are_averaged() -> None:
    rows = [bore(0.458), *place(1.002, 1.0), *place(1.004, 1.0, trial=2)]
    assert cell(judge(placed(position=Position(0.01)), *rows), "position")["found"] == pytest.approx(0.006)


def test_guarded_position_uses_the_uncertainty_of_axis_and_bonus() -> None:
    plan = replace(PLAN, diameter_gauge="BG", position_gauge="CM")
    spec = kit(hole(position=mmc(0.010)), plan=plan, gauges=gauges(0.0003, 0.0006), decision=DecisionRule("guarded"))
    w = np.hypot(0.0012, 0.0003)
    for off, expected in ((0.013 - w - 1e-6, "accept"), (0.013 - w + 1e-6, "hold"), (0.013 + w + 1e-6, "reject")):
        result = judge(spec, bore(0.458), *place(1.0 + off / 2, 1.0))
        assert verdict(result, "position") == expected
        assert cell(result, "position")["uncertainty"] == pytest.approx(w)


# -------------------------------------------------------------------------------------------------------------- pattern

GRID = np.array([(1.5, 1.25), (4.5, 1.25), (7.5, 1.25), (1.5, 5.75), (4.5, 5.75), (7.5, 5.75)])
PIN = Pin("pin", 0.4345, 0.4360, 0.008)


def grid_kit(walls: tuple[str, ...] = ("single",), **more: Any) -> Specification:
    """Return six holes 0.455 to 0.462, 0.060 to the datums and 0.011 hole to hole at MMC, each with a pin."""
    holes = [hole(n, x, y, position=mmc(0.060, 0.011), pin=PIN) for n, (x, y) in enumerate(GRID, 1)]
    plan = ReadingPlan(directions=(0.0,), walls=walls, position=True, position_walls=walls)
    return kit(*holes, **({"walls": Walls(walls), "plan": plan} | more))


def readings_of(
    off: np.ndarray, size: float | np.ndarray = 0.457, base: np.ndarray = GRID, wall: str = "single", **more: Any
) -> list[dict[str, Any]]:
    """Return readings of holes that stand ``off`` their basic position."""
    rows = []
    for n, ((x, y), d) in enumerate(zip(base + off, np.broadcast_to(size, len(base)), strict=True), 1):
        rows += [bore(float(d), n, wall=wall, **more), *place(float(x), float(y), n, wall=wall, **more)]
    return rows


def rigid(xy: np.ndarray, angle: float, shift: tuple[float, float]) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return xy @ np.array([[c, s], [-s, c]]) + shift


def test_a_pattern_that_is_only_moved_has_no_deviation_hole_to_hole() -> None:
    moved = rigid(GRID, 0.001, (0.012, -0.009))
    result = judge(grid_kit(), *readings_of(moved - GRID))
    for n in range(1, 7):
        assert cell(result, "hole-to-hole position", n)["found"] == pytest.approx(0.0, abs=1e-8)
        off = 2 * np.hypot(*(moved[n - 1] - GRID[n - 1]))
        assert cell(result, "position", n)["found"] == pytest.approx(off, abs=1e-9)
    # All pins enter: radial room is (0.457 - 0.444) / 2.
    assert result.parts["pin_margin"].iloc[0] == pytest.approx(0.0065, abs=1e-8)
    assert of_part(result) == "accept"


def test_moving_a_whole_pattern_changes_neither_pattern_nor_pins() -> None:
    rng = np.random.default_rng(2)
    off, size = rng.normal(0, 0.002, (6, 2)), rng.uniform(0.4555, 0.4615, 6)
    first = judge(grid_kit(), *readings_of(off, size))
    for angle, shift in ((0.0, (0.004, 0.007)), (0.0009, (0.001, -0.002)), (-0.002, (0.01, 0.0))):
        other = judge(grid_kit(), *readings_of(rigid(GRID + off, angle, shift) - GRID, size))
        assert other.parts["pin_margin"].iloc[0] == pytest.approx(first.parts["pin_margin"].iloc[0], abs=1e-8)
        for n in range(1, 7):
            a, b = (cell(r, "hole-to-hole position", n) for r in (first, other))
            assert a["verdict"] == b["verdict"]
            assert a["left"] == pytest.approx(b["left"], abs=2e-6)


def test_a_pattern_that_may_not_turn_keeps_its_rotation() -> None:
    turned = rigid(GRID, 0.002, (0.0, 0.0)) - GRID
    free = grid_kit()
    fixed = replace(
        free, holes=tuple(replace(h, position=replace(h.position, pattern_rotates=False)) for h in free.holes)
    )
    assert {verdict(judge(free, *readings_of(turned)), "hole-to-hole position", n) for n in range(1, 7)} == {"accept"}
    result = judge(fixed, *readings_of(turned))
    # Translation only, equal zones: the smallest enclosing circle of the deviations. Here two opposite corners hold it.
    worst = max(cell(result, "hole-to-hole position", n)["found"] for n in range(1, 7))
    assert worst == pytest.approx(0.002 * np.hypot(6.0, 4.5), rel=1e-3)


@pytest.mark.parametrize(
    ("deviations", "radius"),
    [
        # Smallest enclosing circles: the Rosetta Code task's published output; test file of an open geometry source.
        ([(0, 0), (0, 1), (1, 0)], 0.7071067811865476),
        ([(0, 0), (1, 0), (1, 1), (0, 1), (0.2, 0.5)], 0.7071067811865476),
        ([(-1, 0), (0, -1), (1, 0), (0, 1)], 1.0),
        ([(-1, 2), (0, 2)], 0.5),
    ],
)
def test_floating_without_turning_is_the_smallest_enclosing_circle(deviations: list[Any], radius: float) -> None:
    spots = np.array([(10.0 * n, 7.0 * (n % 2)) for n in range(len(deviations))])
    wide = Position(None, "RFS", 10.0, "RFS", pattern_rotates=False)
    spec = kit(*(hole(n, x, y, position=wide) for n, (x, y) in enumerate(spots, 1)), plan=PLAN)
    result = judge(spec, *readings_of(np.array(deviations, dtype=float), base=spots))
    found = [cell(result, "hole-to-hole position", n)["found"] for n in range(1, len(spots) + 1)]
    assert 0.5 * max(found) == pytest.approx(radius, abs=1e-8)


def test_one_hole_off_the_pattern_is_named_and_the_others_are_not() -> None:
    off = np.random.default_rng(3).normal(0, 0.0005, (6, 2))
    off[1] += (0.015, 0.0)
    result = judge(grid_kit(), *readings_of(off))
    assert [verdict(result, "hole-to-hole position", n) for n in range(1, 7)] == ["accept", "reject"] + ["accept"] * 4
    # A shift shares the 0.015 between the hole that is off and those of its row: 2 * 0.015 / 2 = 0.015 for each, not
    # 0.030. Second route: the pins' virtual conditions meet those of the holes, so what it is over is twice what the
    # pins lack; a guard band must be held against that.
    named = cell(result, "hole-to-hole position", 2)
    assert named["found"] == pytest.approx(0.015, abs=0.0015)
    assert named["deviation"] == pytest.approx(-2 * result.parts["pin_margin"].iloc[0], abs=1e-7)
    assert (result.parts["pin_verdict"].iloc[0], of_part(result)) == (2, "reject")
    # The sentence about the pins has the lack in numbers.
    told = [r.sentence for r in reasons(result, "plate", "1") if "pins" in r.sentence]
    assert len(told) == 1
    assert f"{-result.parts['pin_margin'].iloc[0]:.4f} in" in told[0]


@pytest.mark.parametrize(("angle", "shift"), [(0.0, (0.0, 0.0)), (0.001, (0.05, -0.03))])
def test_the_one_hole_that_keeps_the_pins_out_is_named_with_the_room_of_the_others(
    angle: float, shift: tuple[float, float]
) -> None:
    """In seat and out of seat. Second route: a kit that has no hole 2 at all."""
    off = np.random.default_rng(3).normal(0, 0.0005, (6, 2))
    off[1] += (0.0, 0.025)
    spec, moved = grid_kit(), rigid(GRID + off, angle, shift) - GRID
    result = judge(spec, *readings_of(moved))
    (part,) = result.parts.to_dict("records")
    rest = replace(spec, holes=tuple(h for h in spec.holes if h.id != "2"))
    alone = judge(rest, *(row for row in readings_of(moved) if row["hole"] != "2"))
    room = alone.parts["pin_margin"].iloc[0]
    assert room > 0.005
    assert (part["pin_culprit"], part["pin_verdict"]) == ("2", 2)
    assert part["pin_without"] == pytest.approx(room, abs=1e-7)
    (told,) = [r.sentence for r in reasons(result, "plate", "1") if "pins" in r.sentence]
    assert told.endswith(f" Without hole 2 the other five have {room:.4f}.")
    pins = result.pins
    bad = pins["hole"] == "2"
    assert pins.loc[bad, "left"].iloc[0] == pytest.approx(part["pin_margin"], abs=1e-7)
    assert pins.loc[~bad, "left"].min() == pytest.approx(room, abs=1e-7)
    away = (pins["clearance"] - pins["left"]).to_numpy()
    assert np.hypot(pins["off_x"], pins["off_y"]).to_numpy() == pytest.approx(away)
    seat = [r.sentence for r in reasons(result, "plate", "1") if "whole pattern" in r.sentence]
    if not angle:
        assert seat == []
        return
    assert seat[0].startswith("The whole pattern lies off the datums as one: shift x +0.0")
    x, y, turn = (float(word.replace("−", "-")) for word in re.findall(r"(?:[xy]|turn) ([+−][\d.]+)", seat[0]))
    # five holes with a scatter of 0.0005 leave the turn to 0.0005 / sqrt(60) rad = 0.004 degrees (60: squared arms)
    assert (x, y) == (pytest.approx(0.05, abs=0.002), pytest.approx(-0.03, abs=0.002))
    assert turn == pytest.approx(np.degrees(0.001), abs=4 * 0.004)


def test_two_bad_holes_are_no_one_hole_that_keeps_the_pins_out() -> None:
    off = np.zeros((6, 2))
    off[1], off[4] = (0.0, 0.025), (0.0, -0.025)
    (part,) = judge(grid_kit(), *readings_of(off)).parts.to_dict("records")
    assert (part["pin_culprit"], part["pin_verdict"]) == ("", 2)
    assert np.isnan(part["pin_without"])


@pytest.mark.parametrize(("beyond", "expected"), [(1e-7, "accept"), (-1e-7, "accept"), (1e-6, "reject")])
def test_no_verdict_turns_on_what_nobody_can_know(beyond: float, expected: str) -> None:
    """What is worked out from readings counts as on the limit within half a unit of the sixth decimal."""
    spec = kit(hole(position=mmc(0.010)), plan=PLAN)
    assert verdict(judge(spec, bore(0.455), *place(1.0 + (0.010 + beyond) / 2, 1.0)), "position") == expected
    # two holes pulled apart: each pin has (0.457 - 0.444) / 2 = 0.0065 of room along the line
    pair = kit(*(hole(n, x, 1.0, pin=PIN) for n, x in ((1, 1.0), (2, 5.0))), plan=PLAN)
    rows = [bore(0.457, 1), *place(1.0, 1.0, 1), bore(0.457, 2), *place(5.0 + 2 * (0.0065 + beyond), 1.0, 2)]
    assert judge(pair, *rows).parts["pin_verdict"].iloc[0] == {"accept": 0, "reject": 2}[expected]
    # a reading typed beyond its limit by as little is beyond it
    assert verdict(judge(kit(hole()), bore(0.462 + abs(beyond))), "size") == "reject"


def test_verdicts_hole_to_hole_agree_with_the_margin_of_the_pattern() -> None:
    # 0.455 - 0.011 = 0.444 = 0.436 + 0.008: the virtual conditions meet, so pattern and pins pass or fail together.
    rng = np.random.default_rng(4)
    rows = []
    for n in range(25):
        rows += readings_of(rng.normal(0, 0.004, (6, 2)), rng.uniform(0.455, 0.462, 6), serial=str(n))
    result = judge(grid_kit(), *rows)
    frame = result.characteristics[result.characteristics["characteristic"] == "hole-to-hole position"]
    pattern = frame["verdict"].to_numpy().reshape(25, 6).max(axis=1)
    assert (result.parts["pin_verdict"].to_numpy() == pattern).all()
    assert set(pattern) == {0, 2}


def test_enlarging_a_hole_never_lowers_the_pin_margin() -> None:
    rng = np.random.default_rng(5)
    off, size = rng.normal(0, 0.002, (6, 2)), rng.uniform(0.4555, 0.4600, 6)
    before = judge(grid_kit(), *readings_of(off, size)).parts["pin_margin"].iloc[0]
    for n in range(6):
        larger = size + 0.002 * (np.arange(6) == n)
        assert judge(grid_kit(), *readings_of(off, larger)).parts["pin_margin"].iloc[0] >= before - 1e-10


def test_a_mirrored_part_gives_the_mirrored_answer() -> None:
    parts = (Part("plate"), Part("other", mirror="x", mirror_of="plate"))
    spec = grid_kit(parts=parts)
    off = np.random.default_rng(6).normal(0, 0.004, (6, 2))
    flip = np.array([-1.0, 1.0])
    rows = readings_of(off) + readings_of(off * flip, base=GRID * flip, part="other")
    result = judge(spec, *rows)
    one, other = result.parts.to_dict("records")
    assert one["pin_margin"] == pytest.approx(other["pin_margin"], abs=1e-10)
    assert one["pin_rotation"] == pytest.approx(-other["pin_rotation"], abs=1e-8)
    assert one["pin_dx"] == pytest.approx(-other["pin_dx"], abs=1e-7)
    frame = result.characteristics.astype({"part": str, "hole": str, "characteristic": str})
    for column in ("verdict", "found", "left"):
        a, b = (frame[frame["part"] == p][column].to_numpy() for p in ("plate", "other"))
        assert np.allclose(a, b, atol=1e-7, equal_nan=True)


def test_the_unit_does_not_matter() -> None:
    spec = grid_kit()
    rng = np.random.default_rng(7)
    off, size = rng.normal(0, 0.003, (6, 2)).round(4), rng.uniform(0.455, 0.462, 6).round(4)
    k = 25.4
    metric = kit(
        *(
            hole(h.id, h.x * k, h.y * k, Limits(h.size.lower * k, h.size.upper * k), position=mmc(0.060 * k, 0.011 * k),
                 pin=Pin("pin", PIN.lower * k, PIN.upper * k, PIN.position_tolerance * k))
            for h in spec.holes
        ),
        unit="mm", plan=spec.plan,
    )  # fmt: skip
    a, b = judge(spec, *readings_of(off, size)), judge(metric, *readings_of(off * k, size * k, GRID * k))
    assert a.characteristics["verdict"].tolist() == b.characteristics["verdict"].tolist()
    assert b.parts["pin_margin"].iloc[0] == pytest.approx(k * a.parts["pin_margin"].iloc[0], abs=1e-7)


def test_both_walls_are_constraints() -> None:
    spec = grid_kit(WALLS)
    near, far = np.zeros((6, 2)), np.zeros((6, 2))
    near[0], far[0] = (0.003, 0.0), (-0.003, 0.0)
    result = judge(spec, *readings_of(near, wall="near"), *readings_of(far, wall="far"))
    # Hole 1 leans: its two ends are 0.006 apart, and one pin goes through both: at most 0.0065 - 0.003 is left.
    assert result.parts["pin_margin"].iloc[0] == pytest.approx(0.0065 - 0.003, abs=1e-8)
    binding = result.pins[result.pins["binding"]]
    assert {(r["hole"], r["wall"]) for r in binding.to_dict("records")} >= {("1", "near"), ("1", "far")}
    assert (result.pins["left"] >= result.parts["pin_margin"].iloc[0] - 1e-8).all()
    assert len(result.pins) == 12


def test_walls_in_one_line_and_walls_apart_give_the_same_answer() -> None:
    # Two ways through the code: one axis a hole where the walls agree, else one a wall; the far wall is off by a hair.
    rng = np.random.default_rng(8)
    off = rng.normal(0, 0.003, (6, 2))
    near, far = rng.uniform(0.4555, 0.4615, (2, 6))
    spec = grid_kit(WALLS)
    straight = judge(spec, *readings_of(off, near, wall="near"), *readings_of(off, far, wall="far"))
    apart = judge(spec, *readings_of(off, near, wall="near"), *readings_of(off + 1e-9, far, wall="far"))
    assert straight.parts["pin_margin"].iloc[0] == pytest.approx(apart.parts["pin_margin"].iloc[0], abs=1e-8)


def test_where_one_wall_is_placed_the_smaller_wall_counts_for_pins() -> None:
    plan = ReadingPlan(directions=(0.0,), walls=WALLS, position=True, position_walls=("near",))
    spec = grid_kit(WALLS, plan=plan)
    rows = readings_of(np.zeros((6, 2)), 0.460, wall="near")
    result = judge(spec, *rows, *(bore(0.456, n, wall="far") for n in range(1, 7)))
    assert result.parts["pin_margin"].iloc[0] == pytest.approx(0.5 * (0.456 - 0.444), abs=1e-9)


def test_a_missing_hole_is_left_out_and_can_only_hold() -> None:
    off = np.random.default_rng(9).normal(0, 0.001, (6, 2))
    rows = readings_of(off)
    without = [r for r in rows if not (r["hole"] == "4" and r["characteristic"] in "xy")]
    result = judge(grid_kit(), *without)
    assert cell(result, "hole-to-hole position", 4)["cause"] == "missing"
    # Five of six float to a fit that is as good or better: what would be accepted waits for the sixth.
    assert {verdict(result, "hole-to-hole position", n) for n in (1, 2, 3, 5, 6)} == {"hold"}
    assert {cell(result, "hole-to-hole position", n)["cause"] for n in (1, 2, 3, 5, 6)} == {"pattern-incomplete"}
    assert (result.parts["pin_verdict"].iloc[0], of_part(result)) == (1, "hold")
    assert np.isnan(result.parts["pin_margin"].iloc[0])
    # Turned as a whole: where the missing hole would have to be must not hold the others back.
    turned = [r for r in readings_of(rigid(GRID + off, 0.004, (0.0, 0.0)) - GRID) if r["hole"] != "4"]
    other = judge(grid_kit(), *turned)
    assert all(cell(other, "hole-to-hole position", n)["left"] > 0.0 for n in (1, 2, 3, 5, 6))
    # Second route: the same five holes as a kit of their own.
    five = kit(*(h for h in grid_kit().holes if h.id != "4"), plan=PLAN)
    alone = judge(five, *(r for r in without if r["hole"] != "4"))
    for n in (1, 2, 3, 5, 6):
        a, b = (cell(r, "hole-to-hole position", n)["found"] for r in (result, alone))
        assert a == pytest.approx(b, abs=1e-6)
    # What is there can reject.
    off[0] += 0.05
    bad = judge(grid_kit(), *(r for r in readings_of(off) if not (r["hole"] == "4" and r["characteristic"] in "xy")))
    assert (bad.parts["pin_verdict"].iloc[0], of_part(bad)) == (2, "reject")
    assert verdict(bad, "hole-to-hole position", 1) == "reject"


def test_one_hole_of_a_pattern_proves_nothing_hole_to_hole() -> None:
    # A single hole floats onto its place, however far it is off: that must not be accepted.
    far = judge(grid_kit(), bore(0.458, 5), *place(*(GRID[4] + 0.02), 5))
    assert cell(far, "hole-to-hole position", 5)["found"] == pytest.approx(0.0, abs=1e-8)
    assert (verdict(far, "hole-to-hole position", 5), verdict(far, "size", 5)) == ("hold", "accept")
    assert np.isnan(cell(far, "hole-to-hole position", 5)["probability"])
    # A place read with a gauge out of date proves nothing either, and the others wait for it.
    due, day = dt.date(2026, 3, 31), pd.Timestamp("2026-04-02")
    spec = replace(grid_kit(), gauges=(*gauges(), replace(gauges(due=due)[1], id="OLD")))
    there = readings_of(np.zeros((6, 2)))
    rows = [r | {"gauge": "CM" if r["characteristic"] in "xy" else "BG", "date": day} for r in there]
    assert of_part(judge(spec, *rows)) == "accept"
    late = judge(spec, *(r | {"gauge": "OLD"} if r["hole"] == "4" and r["characteristic"] in "xy" else r for r in rows))
    causes = [cell(late, "hole-to-hole position", n)["cause"] for n in range(1, 7)]
    assert causes == ["pattern-incomplete"] * 3 + ["gauge-expired"] + ["pattern-incomplete"] * 2
    # The kit's plan asks no places: nothing is incomplete, and what is there is judged as it was.
    free = replace(grid_kit(), plan=ReadingPlan(directions=(0.0,), position=False))
    some = judge(free, *(r for r in there if not (r["hole"] == "4" and r["characteristic"] in "xy")))
    assert {verdict(some, "hole-to-hole position", n) for n in (1, 2, 3, 5, 6)} == {"accept"}


def test_pins_of_given_sizes() -> None:
    spec = grid_kit()
    frame = table(readings_of(np.zeros((6, 2))))
    evidence = gather(spec, Table.of_frame(frame))
    sizes, places = judge_size(evidence)[0], find_places(evidence)
    given = check_pins(evidence, sizes, places, np.full(6, 0.4350))
    assert given is not None
    assert given.margin[0] == pytest.approx(0.5 * (0.457 - 0.4350), abs=1e-9)


def test_float_that_is_left_by_moving_the_pins_until_one_touches() -> None:
    # Second route: bisection on the movement, from the best motion that the part's row states.
    rng = np.random.default_rng(12)
    off, size = rng.normal(0, 0.002, (6, 2)), rng.uniform(0.4565, 0.4610, 6)
    result = judge(grid_kit(WALLS), *readings_of(off, size, wall="near"), *readings_of(off + 0.0002, size, wall="far"))
    part, left = result.parts.to_dict("records")[0], result.float_left.to_dict("records")[0]
    best = rigid(GRID, part["pin_rotation"], (part["pin_dx"], part["pin_dy"]))
    centre = best.mean(axis=0)
    axes = np.stack([GRID + off, GRID + off + 0.0002])

    def enters(dx: float, dy: float, turn: float) -> bool:
        moved = rigid(best - centre, turn, (0.0, 0.0)) + centre + (dx, dy)
        return bool((np.hypot(*(axes - moved).transpose(2, 0, 1)) <= 0.5 * (size - 0.444)).all())

    for name, way in (("x", (1, 0, 0)), ("y", (0, 1, 0)), ("rotation", (0, 0, 1))):
        for side, sign in (("minus", -1.0), ("plus", 1.0)):
            near, far = 0.0, 0.05
            for _ in range(60):
                middle = 0.5 * (near + far)
                near, far = (middle, far) if enters(*(sign * middle * w for w in way)) else (near, middle)
            assert left[f"{name}_{side}"] == pytest.approx(near, abs=1e-7)


def test_only_parts_whose_pins_enter_have_float_left() -> None:
    good, bad = readings_of(np.zeros((6, 2))), readings_of(np.zeros((6, 2)), 0.4435, serial="2")
    some = [r for r in readings_of(np.zeros((6, 2)), serial="3") if r["hole"] != "5"]
    result = judge(grid_kit(), *good, *bad, *some)
    assert result.float_left["serial"].tolist() == ["1"]
    assert result.parts["pin_verdict"].tolist() == [0, 2, 1]


def test_pins_under_the_guarded_rule() -> None:
    plan = replace(PLAN, diameter_gauge="BG", position_gauge="CM")
    spec = grid_kit(gauges=gauges(0.0003, 0.0006), plan=plan, decision=DecisionRule("guarded"))
    u = np.hypot(0.00015, 0.0006)
    for size, expected in ((0.444 + 2 * u + 1e-5, 0), (0.444 + 2 * u - 1e-5, 1), (0.444 - 2 * u - 1e-5, 2)):
        result = judge(spec, *readings_of(np.zeros((6, 2)), size))
        assert result.parts["pin_verdict"].iloc[0] == expected
        assert result.parts["pin_uncertainty"].iloc[0] == pytest.approx(u)


def test_no_pins_and_no_positions_mean_no_pin_verdict() -> None:
    assert judge(kit(), bore(0.458)).parts["pin_verdict"].iloc[0] == -1
    unread = grid_kit(plan=ReadingPlan(directions=(0.0,)))
    rows = [bore(0.458, n) for n in range(1, 7)]
    result = judge(unread, *rows)
    assert (result.parts["pin_verdict"].iloc[0], of_part(result)) == (-1, "accept")


# ---------------------------------------------------------------------------------------------------------- datum shift


def shifting(boundary: float = 19.6) -> Specification:
    """Return two datum holes whose simulators are ``boundary``, and two holes within 0.1, all in one line along x.

    So a turn moves nothing along x, and a shift along x is all that can help there.
    """
    size = Limits(19.9, 20.2)
    holes = [hole("A", 0.0, 0.0, size), hole("B", 100.0, 0.0, size)]
    holes += [hole(n, x, 0.0, Limits(6.0, 6.2), position=Position(0.1)) for n, x in ((1, 30.0), (2, 70.0))]
    return kit(*holes, plan=PLAN, unit="mm", datum_shift=DatumShift(("A", "B"), boundary))


def shifted_rows(dx: float, dy: float, datum: float = 20.2, opposed: bool = False) -> list[dict[str, Any]]:
    rows = [bore(datum, "A"), *place(0.0, 0.0, "A"), bore(datum, "B"), *place(100.0, 0.0, "B")]
    for n, x in ((1, 30.0), (2, 70.0)):
        sign = -1 if opposed and n == 2 else 1
        rows += [bore(6.1, n), *place(x + sign * dx, dy, n)]
    return rows


@pytest.mark.parametrize(("off", "expected"), [(0.3499, "accept"), (0.3501, "reject")])
def test_published_datum_shift_moves_the_whole_pattern(off: float, expected: str) -> None:
    # Tolerancing tip (ASME Y14.5-2009): simulator 19.6, datum feature as made 20.2: total shift 0.6, so 0.3 to each
    # side; with the holes' own 0.05 radius the pattern may stand 0.35 off.
    result = judge(shifting(), *shifted_rows(off, 0.0))
    assert of_part(result) == expected
    if expected == "accept":
        assert result.parts["shift_x"].iloc[0] == pytest.approx(0.3, abs=1e-3)
        assert cell(result, "position", "A")["upper"] == pytest.approx(0.6, abs=1e-9)


def test_datum_shift_is_no_bonus_hole_to_hole() -> None:
    # Both holes off by 0.06 in opposite ways: no shift helps, although each alone would fit.
    assert of_part(judge(shifting(), *shifted_rows(0.06, 0.0, opposed=True))) == "reject"
    assert of_part(judge(shifting(), *shifted_rows(0.049, 0.0, opposed=True))) == "accept"


@pytest.mark.parametrize(
    ("own", "size", "upper"),
    [
        (Position(), 20.1, 0.5),  # the simulator alone: 20.1 - 19.6
        (Position(0.5, "RFS"), 20.2, 0.5),  # 0.6 of the simulator's room, but its own 0.5 counts
        (Position(0.2, "LMC"), 19.95, 0.2),  # narrower without bonus: never too wide
        (mmc(0.2), 20.1, 0.4),  # 0.2 + 0.2, narrower than 0.5
        (mmc(0.4), 20.1, 0.5),
    ],
)
def test_the_narrower_of_simulator_and_own_tolerance_counts(own: Position, size: float, upper: float) -> None:
    spec = shifting()
    spec = replace(spec, holes=tuple(replace(h, position=own) if h.id in "AB" else h for h in spec.holes))
    result = judge(spec, *shifted_rows(0.0, 0.0, datum=size))
    assert cell(result, "position", "A")["upper"] == pytest.approx(upper, abs=1e-9)


def test_a_datum_hole_as_small_as_its_simulator_leaves_no_shift() -> None:
    spec = shifting(19.9)
    assert of_part(judge(spec, *shifted_rows(0.0499, 0.0, datum=19.9))) == "accept"
    assert of_part(judge(spec, *shifted_rows(0.0501, 0.0, datum=19.9))) == "reject"


# ---------------------------------------------------------------------------------------------------- many and little


def test_ten_thousand_rows_agree_with_parts_judged_alone() -> None:
    rng = np.random.default_rng(10)
    spec = grid_kit()
    rows = {s: readings_of(rng.normal(0, 0.003, (6, 2)).round(4), rng.normal(0.458, 0.002, 6).round(4), serial=s)
            for s in (f"S{n}" for n in range(40))}  # fmt: skip
    together = inspect(spec, Readings(Table.of_frame(table([r for listed in rows.values() for r in listed]))))
    for serial in ("S0", "S7", "S39"):
        alone = judge(spec, *rows[serial])
        frame = together.characteristics[together.characteristics["serial"] == serial]
        assert frame["verdict"].tolist() == alone.characteristics["verdict"].tolist()
        assert np.allclose(frame["found"], alone.characteristics["found"], atol=1e-7, equal_nan=True)
        margin = together.parts[together.parts["serial"] == serial]["pin_margin"].iloc[0]
        assert margin == pytest.approx(alone.parts["pin_margin"].iloc[0], abs=1e-9)
