"""Sizes: each reading by itself, limits inclusive, missing and doubtful readings, E29 methods, order and unit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from inspection_kit import (
    LIMITS,
    bore,
    cell,
    gauges,
    hole,
    judge,
    kit,
    mmc,
    of_part,
    reading,
    table,
    two_walls,
    verdict,
)  # fmt: skip

from holeqc.inspection.recheck import inspect
from holeqc.inspection.results import CHARACTERISTIC_COLUMNS, HOLE_COLUMNS, PART_COLUMNS
from holeqc.problems import ERROR, Problem
from holeqc.readings.table import Readings
from holeqc.specification.model import Edge, Form, Limits, Pin, ReadingPlan, Rounding
from holeqc.tables import Table

# The trade's example band for a pin hole, 0.396 to 0.403 in (common practice, no source).
BAND = Limits(0.396, 0.403)


@pytest.mark.parametrize(
    ("value", "expected"),
    [(0.396, "accept"), (0.403, "accept"), (0.3959, "reject"), (0.4031, "reject"), (0.3995, "accept")],
)
def test_limits_of_the_example_band_accept_and_one_unit_beyond_rejects(value: float, expected: str) -> None:
    result = judge(kit(hole(size=BAND)), bore(value))
    assert verdict(result, "size") == of_part(result) == expected


@pytest.mark.parametrize(
    ("value", "expected"), [(0.396, "accept"), (0.403, "accept"), (0.3959, "reject"), (0.4031, "reject")]
)
def test_the_verdict_at_a_limit_does_not_depend_on_the_unit(value: float, expected: str) -> None:
    # Second route: the same hole in mm, readings converted by 25.4 exactly.
    spec = kit(hole(size=Limits(0.396 * 25.4, 0.403 * 25.4)), unit="mm")
    assert verdict(judge(spec, bore(value * 25.4)), "size") == expected


def test_a_mean_never_hides_an_oversize_reading() -> None:
    spec = two_walls(hole())
    rows = [bore(0.4625, wall="near", direction=0.0), bore(0.4560, wall="near", direction=90.0)]
    rows += [bore(0.4580, wall="far", direction=0.0), bore(0.4580, wall="far", direction=90.0)]
    result = judge(spec, *rows)
    found = cell(result, "size", wall="near")
    assert (found["found"], found["verdict"], found["cause"]) == (0.4625, 2, "over")
    assert found["deviation"] == pytest.approx(0.0005, abs=1e-12)
    assert found["left"] == pytest.approx(-0.0005, abs=1e-12)
    assert verdict(result, "size", wall="far") == "accept"
    assert of_part(result) == "reject"


def test_an_undersize_reading_has_a_negative_deviation_and_names_its_row() -> None:
    spec = two_walls(hole())
    rows = [bore(0.4580, wall=w, direction=d) for w in ("near", "far") for d in (0.0, 90.0)]
    rows[2]["value"] = 0.4546
    found = cell(judge(spec, *rows), "size", wall="far")
    assert (found["cause"], found["reading"]) == ("under", 2)
    assert found["deviation"] == pytest.approx(-0.0004, abs=1e-12)


def test_missing_readings_hold_every_hole_and_wall_of_the_plan() -> None:
    spec = two_walls(hole(1), hole(2))
    rows = [bore(0.4580, 1, wall=w, direction=d) for w in ("near", "far") for d in (0.0, 90.0)]
    result = judge(spec, *rows[:3])
    sizes = result.characteristics[result.characteristics["characteristic"] == "size"]
    assert len(sizes) == 4
    assert verdict(result, "size", 1, "near") == "accept"
    for number, wall in ((1, "far"), (2, "near"), (2, "far")):
        found = cell(result, "size", number, wall)
        assert (found["verdict"], found["cause"], found["reading"]) == (1, "missing", -1)
    assert of_part(result) == "hold"


def test_a_reading_beyond_a_limit_rejects_although_others_are_missing() -> None:
    result = judge(two_walls(hole()), bore(0.4630, wall="near", direction=90.0))
    assert verdict(result, "size", wall="near") == "reject"
    assert of_part(result) == "reject"


def test_a_direction_that_was_not_stated_fills_a_gap_and_another_direction_does_not() -> None:
    spec = kit(plan=ReadingPlan(directions=(0.0, 90.0)))
    unstated = [bore(0.4580, direction=np.nan, trial=1), bore(0.4581, direction=np.nan, trial=2)]
    assert verdict(judge(spec, *unstated), "size") == "accept"
    other = [bore(0.4580, direction=0.0), bore(0.4581, direction=45.0)]
    assert cell(judge(spec, *other), "size")["cause"] == "missing"
    # A two-point diameter has no sign.
    assert verdict(judge(spec, bore(0.4580, direction=180.0), bore(0.4581, direction=-90.0)), "size") == "accept"


def test_repeats_that_the_plan_asks_for_are_counted() -> None:
    spec = kit(plan=ReadingPlan(directions=(0.0,), count=2))
    assert cell(judge(spec, bore(0.4580)), "size")["cause"] == "missing"
    assert verdict(judge(spec, bore(0.4580), bore(0.4582, trial=2)), "size") == "accept"


def test_a_doubtful_cell_holds_and_never_rejects() -> None:
    result = judge(kit(), bore(4.578, doubt="decimal-slip"))
    found = cell(result, "size")
    assert (found["verdict"], found["cause"], found["found"]) == (1, "decimal-slip", 4.578)
    assert np.isnan(result.holes["mating_size"].iloc[0])
    # It doesn't excuse a reading that is sure and beyond a limit.
    both = judge(kit(), bore(4.578, doubt="decimal-slip"), bore(0.4625, trial=2))
    assert verdict(both, "size") == "reject"


def test_an_unreadable_cell_holds_and_a_blank_is_missing() -> None:
    assert cell(judge(kit(), bore(np.nan, doubt="not-a-number")), "size")["cause"] == "not-a-number"
    assert cell(judge(kit(), bore(np.nan)), "size")["cause"] == "missing"


def test_the_gauge_of_a_reading_brings_its_uncertainty_and_due_date() -> None:
    import datetime as dt

    made = gauges(due=dt.date(2027, 3, 31))
    plan = ReadingPlan(directions=(0.0,), diameter_gauge="BG")
    spec = kit(gauges=made, plan=plan)
    found = cell(judge(spec, bore(0.4580, date="2027-03-31")), "size")
    assert (found["verdict"], found["uncertainty"]) == (0, 0.0003)
    # Tolerance 0.007 over 2 U = 0.0006.
    assert found["ratio"] == pytest.approx(0.007 / 0.0006)
    late = cell(judge(spec, bore(0.4680, date="2027-04-01")), "size")
    assert (late["verdict"], late["cause"]) == (1, "gauge-expired")
    assert cell(judge(spec, bore(0.4580, gauge="X-9")), "size")["cause"] == "unknown-gauge"
    # A gauge cell of the row that names the coordinate table doesn't speak for diameters: the plan's default does.
    assert cell(judge(spec, bore(0.4580, gauge="CM")), "size")["uncertainty"] == 0.0003
    none = kit(gauges=made[1:], plan=ReadingPlan(directions=(0.0,)))
    assert cell(judge(none, bore(0.4580)), "size")["cause"] == "no-gauge"


@pytest.mark.parametrize(
    ("value", "method", "decimals", "expected"),
    [
        # ASTM E29: absolute method, any excess fails; rounding method, compared after rounding, ties to even.
        (2.51, "absolute", None, "reject"),
        (2.51, "rounding", 1, "accept"),
        (2.55, "rounding", 1, "reject"),
        (2.56, "rounding", 1, "reject"),
        (2.45, "rounding", 1, "accept"),
        (2.55, "rounding", None, "reject"),  # as many decimals as the limit has
        # Ties to even, 3.965 -> 3.96 and 6.35 -> 6.4 (a test laboratory's rounding policy of 2015; a college page).
        (3.965, "rounding", 2, "reject"),
    ],
)
def test_rounding_methods(value: float, method: str, decimals: int | None, expected: str) -> None:
    spec = kit(hole(size=Limits(1.0, 2.5)), rounding=Rounding(method, decimals), unit="mm")
    assert verdict(judge(spec, bore(value)), "size") == expected


@pytest.mark.parametrize(
    ("value", "upper", "expected"), [(3.965, 3.96, "accept"), (6.35, 6.3, "reject"), (3.05, 3.0, "accept")]
)
def test_published_ties_decide_a_verdict(value: float, upper: float, expected: str) -> None:
    # 3.965 -> 3.96 (test laboratory policy, 2015); 6.35 -> 6.4 and 3.05 -> 3.0 (a university chemistry course's page).
    spec = kit(hole(size=Limits(1.0, upper)), rounding=Rounding("rounding", 2 if value == 3.965 else 1), unit="mm")
    assert verdict(judge(spec, bore(value)), "size") == expected


def test_order_of_rows_does_not_matter() -> None:
    rng = np.random.default_rng(4)
    spec = two_walls(hole(1), hole(2), hole(3), gauges=gauges())
    rows = [
        bore(round(float(rng.normal(0.4585, 0.002)), 4), number, wall=wall, direction=direction, serial=serial)
        for serial in "ABCD" for number in (1, 2, 3) for wall in ("near", "far") for direction in (0.0, 90.0)
    ]  # fmt: skip
    rows.pop(7)
    first = judge(spec, *rows)
    key = ["serial", "hole", "wall", "characteristic"]
    for seed in range(3):
        turned = judge(spec, *(rows[i] for i in np.random.default_rng(seed).permutation(len(rows))))
        a, b = (r.characteristics.astype(dict.fromkeys(key, str)).sort_values(key) for r in (first, turned))
        for column in ("verdict", "found", "cause", "deviation", "probability"):
            assert a[column].tolist() == b[column].tolist() or np.array_equal(a[column], b[column], equal_nan=True)
        parts = [r.parts.set_index("serial")["verdict"].sort_index().tolist() for r in (first, turned)]
        assert parts[0] == parts[1]


def test_problems_hold_what_they_touch() -> None:
    spec = kit(hole(1), hole(2))
    rows = [bore(0.458, h, serial=s, file=f"{s}.xlsx") for s in "AB" for h in (1, 2)]

    def held(**where: str) -> list[list[int]]:
        result = judge(spec, *rows, problems=(Problem(ERROR, "x", "x", holds=True, **where),))
        return [result.parts["verdict"].tolist(), result.holes["verdict"].tolist()]

    assert held(part="plate", serial="A", hole="2") == [[1, 0], [0, 1, 0, 0]]
    assert held(serial="B") == [[0, 1], [0, 0, 0, 0]]
    assert held(file="A.xlsx") == [[1, 0], [0, 0, 0, 0]]
    assert held(part="plate") == [[1, 1], [0, 0, 0, 0]]
    assert held() == [[1, 1], [0, 0, 0, 0]]
    twins = [*rows[:2], *(row | {"part": "other"} for row in rows[:2])]
    named = Problem(ERROR, "x", "x", part="other", serial="A", holds=True)
    assert judge(spec, *twins, problems=(named,)).parts["verdict"].tolist() == [0, 1]
    warned = judge(spec, *rows, problems=(Problem(ERROR, "x", "x", serial="A"),))
    assert warned.parts["verdict"].tolist() == [0, 0]


def test_a_hole_that_the_kit_does_not_know_holds_the_part_and_is_named() -> None:
    result = judge(kit(), bore(0.458), bore(0.458, 9))
    assert of_part(result) == "hold"
    (problem,) = result.problems
    assert (problem.code, problem.cell, problem.holds) == ("unknown-hole", "F3", True)
    assert "9" in problem.found


def test_a_diameter_without_its_wall_holds_the_hole() -> None:
    rows = [bore(0.458, wall=w, direction=d) for w in ("near", "far") for d in (0.0, 90.0)]
    result = judge(two_walls(hole(1), hole(2)), *rows, bore(0.470, wall=""))
    assert result.holes["verdict"].iloc[0] == 1
    assert result.problems[0].code == "unknown-wall"


def test_frames_have_the_columns_that_are_written_down() -> None:
    result = judge(two_walls(hole(), gauges=gauges()), bore(0.458, wall="near"))
    assert list(result.characteristics) == list(CHARACTERISTIC_COLUMNS)
    assert list(result.holes) == list(HOLE_COLUMNS)
    assert list(result.parts) == list(PART_COLUMNS)
    assert result.parts["readings"].tolist() == [1]


def test_a_doubtful_value_has_no_distance_from_a_limit_and_says_so() -> None:
    # 4.578 is a slip: 4.116 "over" the upper limit is no measurement. The other wall keeps its numbers.
    rows = [bore(0.458, wall=w, direction=d) for w in ("near", "far") for d in (0.0, 90.0)]
    rows[0] |= {"value": 4.578, "doubt": "slip-decimal"}
    result = judge(two_walls(hole(form=Form(0.003, 0.003))), *rows)
    slip = cell(result, "size", wall="near")
    assert (slip["doubtful"], slip["found"], slip["verdict"]) == (True, 4.578, 1)
    assert np.isnan([slip["deviation"], slip["left"], slip["probability"]]).all()
    sure = cell(result, "size", wall="far")
    assert (sure["doubtful"], sure["deviation"]) == (False, 0.0)
    assert sure["left"] == pytest.approx(0.003)  # 0.458 - 0.455
    assert cell(result, "taper")["doubtful"]


def test_a_missing_reading_is_not_doubtful() -> None:
    result = judge(two_walls(hole()), bore(0.458, wall="near", direction=0.0))
    assert not result.characteristics["doubtful"].any()
    assert result.characteristics["doubtful"].dtype == np.bool_


def test_an_empty_table_gives_empty_frames() -> None:
    asked = hole(position=mmc(0.06, 0.011), pin=Pin("pin", 0.4345, 0.436), edge=Edge(0.9), form=Form(0.003, 0.003))
    spec = two_walls(asked, position=True, outline=((0, 0), (9, 0), (9, 9)))
    result = inspect(spec, Readings(Table.of_frame(table([]))))
    frames = (result.parts, result.holes, result.characteristics, result.pins, result.float_left, result.rework)
    assert [len(frame) for frame in frames] == [0] * 6


def test_readings_that_are_not_categorical_and_have_odd_labels_are_judged_alike() -> None:
    spec = kit(hole(1), hole(2))
    frame = table([bore(0.458, 1), bore(0.463, 2)])
    plain = frame.astype({c: object for c in frame.columns if frame[c].dtype.name == "category"})
    plain.index = pd.Index([70, 30])
    result = inspect(spec, Readings(Table.of_frame(plain)))
    assert cell(result, "size", 2)["reading"] == 30
    assert result.holes["verdict"].tolist() == [0, 2]


def test_the_readings_table_is_left_as_it_is() -> None:
    frame = table([bore(0.458), reading("go", "enters")])
    before = frame.copy(deep=True)
    inspect(kit(replace(hole(), size=LIMITS)), Readings(Table.of_frame(frame)))
    pd.testing.assert_frame_equal(frame, before)
