"""Rework that the kit permits, and the sentences that say why something isn't accepted."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from inspection_kit import bore, gauges, hole, judge, kit, mmc, of_part, place, reading, reasons, two_walls

from holeqc.inspection.results import REWORK_COLUMNS, Inspection
from holeqc.problems import ERROR, Problem
from holeqc.readings.table import BURR, CRACK, ENTERS, STOPS
from holeqc.specification.model import (  # fmt: skip
    DecisionRule,
    Edge,
    Form,
    Limits,
    Pin,
    Plugs,
    ReadingPlan,
    Specification,
    Surface,
    Temperature,
    Tool,
    Tools,
)

PLAN = ReadingPlan(directions=(0.0,), position=True)
TOOLS = Tools(
    drills=(Tool("29/64", 29 / 64),), reamers=tuple(Tool(f"{d:.4f}", d) for d in (0.4550, 0.4575, 0.4600, 0.4650))
)


def reamable(**more: Any) -> Specification:
    """Return a kit whose hole may be reamed to 0.462."""
    return kit(hole(**({"ream_up_to": 0.462} | more)), tools=TOOLS)


def only(result: Inspection) -> dict[str, Any]:
    """Return the one rework row."""
    assert list(result.rework) == list(REWORK_COLUMNS)
    (row,) = result.rework.to_dict("records")
    return row


def sentences(result: Inspection) -> list[str]:
    return [r.sentence for r in reasons(result, "plate", "1")]


# --------------------------------------------------------------------------------------------------------------- rework


def test_a_small_hole_is_reamed_with_the_smallest_tool_that_brings_it_in() -> None:
    result = judge(reamable(), bore(0.4540))
    row = only(result)
    assert (row["scope"], row["hole"], row["from"], row["to"], row["tool"]) == ("hole", "1", 0.454, 0.455, "0.4550")
    assert row["passes"] is True
    assert result.holes["ream_to"].iloc[0] == 0.455
    assert result.holes["rework"].iloc[0] == row["sentence"]
    assert "0.4550 in with reamer 0.4550" in row["sentence"]
    assert "eye protection" in row["sentence"]
    (reason,) = reasons(result, "plate", "1")
    assert reason.action == row["sentence"]


def test_a_larger_tool_is_taken_where_the_position_needs_its_bonus() -> None:
    spec = kit(hole(position=mmc(0.010), ream_up_to=0.462), plan=PLAN, tools=TOOLS)
    # 0.0130 off: 0.010 + (0.4575 - 0.455) = 0.0125 is too little, 0.4600 gives 0.015.
    row = only(judge(spec, bore(0.4540), *place(1.0065, 1.0)))
    assert (row["to"], row["passes"]) == (0.46, True)
    # 0.0180 off: no permitted size gives enough.
    row = only(judge(spec, bore(0.4540), *place(1.0090, 1.0)))
    assert (row["to"], row["passes"]) == (0.455, False)
    assert row["sentence"].endswith("engineering disposition.")


def test_plugs_must_pass_after_reaming() -> None:
    # A GO plug with wear stock, 0.4555, doesn't enter a hole reamed to 0.4550.
    row = only(judge(reamable(plugs=Plugs(go=0.4555)), bore(0.4540), reading("go", STOPS)))
    assert (row["to"], row["passes"]) == (0.4575, True)


def test_the_guard_band_moves_the_tool() -> None:
    plan = ReadingPlan(directions=(0.0,), diameter_gauge="BG")
    spec = replace(reamable(), gauges=gauges(0.0003), plan=plan, decision=DecisionRule("guarded"))
    assert only(judge(spec, bore(0.4540)))["to"] == 0.4575


def test_the_kits_own_end_and_the_tools_at_hand_are_kept() -> None:
    assert only(judge(reamable(ream_up_to=0.4549), bore(0.4540)))["tool"] == ""
    assert "can't be brought into its limits" in only(judge(reamable(ream_up_to=0.4549), bore(0.4540)))["sentence"]
    bare = replace(reamable(), tools=Tools())
    row = only(judge(bare, bore(0.4540)))
    assert (row["tool"], row["passes"]) == ("", False)
    assert np.isnan(row["to"])
    assert "0.4550 to 0.4620 in" in row["sentence"]
    forbidden = judge(reamable(ream_up_to=None), bore(0.4540))
    assert (len(forbidden.rework), forbidden.holes["rework"].iloc[0]) == (0, "")
    assert [r.action for r in reasons(forbidden, "plate", "1")] == ["Engineering disposition; no rework without it."]


def test_no_rework_is_proposed_where_form_or_edge_goes_to_engineering() -> None:
    # 0.4548 one way and 0.4581 the other: small, and 0.0003 over the allowed out-of-roundness of 0.0030.
    plan = ReadingPlan(directions=(0.0, 90.0))
    spec = replace(reamable(form=Form(0.003), plugs=Plugs(go=0.455)), plan=plan)
    oval = [bore(0.4548), bore(0.4581, direction=90.0), reading("go", STOPS)]
    result = judge(spec, *oval)
    row = only(result)
    assert (row["to"], row["passes"]) == (0.455, False)
    assert np.isnan(result.holes["ream_to"].iloc[0])
    assert row["sentence"] == (
        "Hole 1 is small: reaming it to 0.4550 in with reamer 0.4550 would cure its size, but engineering decides on "
        "its out-of-roundness first: no rework before engineering disposition."
    )
    # Size, form and GO of one hole say the same thing to do.
    assert all("engineering disposition" in r.action.lower() for r in reasons(result, "plate", "1"))
    assert not any("ream it to" in r.action for r in reasons(result, "plate", "1"))
    near_edge = judge(reamable(edge=Edge(0.924)), bore(0.4540), reading("edge_distance", 0.9000))
    assert "on its edge distance first" in only(near_edge)["sentence"]


def test_what_reaming_cures_says_that_form_is_read_anew() -> None:
    plan = ReadingPlan(directions=(0.0, 90.0))
    both = [bore(0.4540), bore(0.4545, direction=90.0)]
    row = only(judge(replace(reamable(form=Form(0.003)), plan=plan), *both))
    assert row["passes"] is True
    assert "it then passes in size, position and plugs, and its form is read anew." in row["sentence"]
    assert "form" not in only(judge(replace(reamable(), plan=plan), *both))["sentence"]


def test_a_burr_or_dirt_goes_first() -> None:
    result = judge(reamable(surface=Surface(True, True)), bore(0.4540), reading("surface", BURR))
    row = only(result)
    assert row["passes"] is False
    assert "clean and deburr it first and read it again; reaming it to 0.4550 in" in row["sentence"]


def test_a_position_that_reaming_cures_asks_for_the_same_as_the_size() -> None:
    spec = kit(hole(position=mmc(0.010), ream_up_to=0.462), plan=PLAN, tools=TOOLS)
    cured = reasons(judge(spec, bore(0.4540), *place(1.0065, 1.0)), "plate", "1")
    assert [r.characteristic for r in cured] == ["size", "position"]
    assert len({r.action for r in cured}) == 1
    stays = judge(spec, bore(0.4540), *place(1.0090, 1.0))
    assert "engineering decides on its position first" in only(stays)["sentence"]


def test_pins_get_no_answer_while_a_hole_waits_for_engineering() -> None:
    spec, rows = grid(0.0, 0.4432)
    spec = replace(spec, holes=tuple(replace(h, form=Form(0.003)) for h in spec.holes))
    spec = replace(spec, plan=replace(PLAN, directions=(0.0, 90.0)))
    rows += [r | {"direction": 90.0} for r in rows if r["characteristic"] == "diameter"]
    rows[-1] |= {"value": 0.4532}  # hole 6: 0.0100 out of round
    result = judge(spec, *rows)
    assert set(result.rework["scope"]) == {"hole"}
    pins = [r for r in reasons(result, "plate", "1") if "pins" in r.sentence]
    assert [r.action for r in pins] == ["Engineering disposition; no rework without it."]


def test_a_drill_is_said_to_cut_larger() -> None:
    row = only(judge(replace(reamable(), tools=Tools(drills=(Tool("29/64", 0.4560),))), bore(0.4540)))
    assert "cuts larger than itself" in row["sentence"]


@pytest.mark.parametrize(
    "rows",
    [
        [bore(0.4630)],  # oversize
        [bore(0.4540), bore(0.4630, trial=2)],  # small one way, large the other
        [bore(0.4540), reading("surface", CRACK)],
        [bore(0.4540), reading("no_go", ENTERS)],
        [bore(0.4540), bore(4.54, trial=2, doubt="decimal-slip")],
    ],
)
def test_nothing_is_suggested_where_reaming_is_not_the_answer(rows: list[dict[str, Any]]) -> None:
    result = judge(reamable(plugs=Plugs(no_go=0.462)), *rows)
    # a hole that the NO-GO plug enters isn't 0.4540 anywhere: one of both is wrong
    contradicted = any(row["word"] == ENTERS for row in rows)
    assert of_part(result) == ("hold" if contradicted else "reject")
    assert len(result.rework) == 0
    assert result.holes["rework"].iloc[0] == ""


def test_two_walls_are_reamed_through() -> None:
    spec = two_walls(hole(position=mmc(0.010), ream_up_to=0.462), position=True, tools=TOOLS)
    rows = [bore(0.4540, wall="near", direction=d) for d in (0.0, 90.0)]
    rows += [bore(0.4580, wall="far", direction=d) for d in (0.0, 90.0)]
    rows += [*place(1.006, 1.0, wall="near"), *place(1.006, 1.0, wall="far")]
    # Bonus from the smaller wall: 0.4575 gives 0.0025, enough for 0.012.
    row = only(judge(spec, *rows))
    assert (row["from"], row["to"], row["passes"]) == (0.454, 0.4575, True)


# ---------------------------------------------------------------------------------------------------- patterns and pins

GRID = np.array([(1.5, 1.25), (4.5, 1.25), (7.5, 1.25), (1.5, 5.75), (4.5, 5.75), (7.5, 5.75)])


def grid(off: float, size: float = 0.457, **more: Any) -> tuple[Specification, list[dict[str, Any]]]:
    """Return six pinned holes that may be reamed to 0.462, hole 2 ``off`` along x, and its readings."""
    pin = Pin("pin", 0.4345, 0.4360, 0.008)
    holes = [hole(n, x, y, position=mmc(0.060, 0.011), pin=pin, ream_up_to=0.462) for n, (x, y) in enumerate(GRID, 1)]
    rows: list[dict[str, Any]] = []
    for n, (x, y) in enumerate(GRID, 1):
        rows += [bore(size, n), *place(float(x) + (off if n == 2 else 0.0), float(y), n)]
    return kit(*holes, **({"plan": PLAN, "tools": TOOLS} | more)), rows


def test_a_pattern_that_refuses_its_pins_is_reamed_where_it_helps_most() -> None:
    # Room is (0.457 - 0.444) / 2 = 0.0065 a hole. 0.0143 between hole 2 and the others needs 0.0013 more, so hole 2
    # at 0.4600 (0.0015 more) is enough, and 0.4575 (0.00025 more) is not.
    spec, rows = grid(0.0143)
    result = judge(spec, *rows)
    assert result.parts["pin_verdict"].iloc[0] == 2
    row = only(result)
    assert (row["scope"], row["hole"], row["from"], row["to"]) == ("pattern", "2", 0.457, 0.46)
    assert (row["tool"], row["passes"]) == ("reamer 0.4600", True)
    assert row["sentence"].startswith("Ream hole 2 to 0.4600 in with reamer 0.4600: all pins then enter with 0.00")
    pins = [r for r in reasons(result, "plate", "1") if "pins" in r.sentence]
    assert [r.action for r in pins] == [row["sentence"]]
    # Second route: judge the part as it would be read afterwards.
    after = [r | {"value": 0.46} if (r["hole"], r["characteristic"]) == ("2", "diameter") else r for r in rows]
    assert of_part(judge(spec, *after)) == "accept"


def test_a_pattern_that_no_reaming_mends_goes_to_engineering() -> None:
    # Every hole at 0.4600 gives 0.008 + 0.008; 0.0190 is out of reach even at 0.4620, 0.009 + 0.009.
    spec, rows = grid(0.0190)
    row = only(judge(spec, *rows))
    assert (row["scope"], row["hole"], row["passes"]) == ("pattern", "", False)
    assert row["sentence"].endswith("engineering disposition.")


def test_without_the_right_reamer_the_size_is_named_and_nothing_passes() -> None:
    spec, rows = grid(0.0143, tools=Tools())
    result = judge(spec, *rows)
    assert set(result.rework["scope"]) == {"pattern"}
    assert not result.rework["passes"].any()
    assert "no such reamer is at hand" in result.rework["sentence"].iloc[0]
    # The least total enlargement to any size is twice the radial room that is lacking.
    lack = -float(result.parts["pin_margin"].iloc[0])
    added = float((result.rework["to"] - result.rework["from"]).sum())
    assert 2 * lack <= added + 1e-9
    after = {r["hole"]: r["to"] for r in result.rework.to_dict("records")}
    done = [r | {"value": after.get(r["hole"], r["value"])} if r["characteristic"] == "diameter" else r for r in rows]
    assert judge(spec, *done).parts["pin_margin"].iloc[0] == pytest.approx(0.0, abs=1e-7)


def test_a_part_with_another_fault_gets_no_hint() -> None:
    spec, rows = grid(0.0143)
    rows[0] |= {"value": 0.4630}
    result = judge(spec, *rows)
    assert (result.parts["pin_verdict"].iloc[0], len(result.rework)) == (2, 0)


def test_small_holes_and_pins_are_mended_together() -> None:
    # All holes are 0.4432, smaller than the virtual condition 0.444; reamed to 0.4550 they pass and the pins enter.
    spec, rows = grid(0.0, 0.4432)
    result = judge(spec, *rows)
    assert result.parts["pin_verdict"].iloc[0] == 2
    assert result.rework["scope"].tolist() == ["hole"] * 6 + ["pattern"]
    assert result.rework["sentence"].iloc[-1] == "Once the small holes are reamed as said, all pins enter together."


def test_a_run_with_many_such_parts_says_what_was_not_searched(monkeypatch: pytest.MonkeyPatch) -> None:
    from holeqc.inspection import rework

    monkeypatch.setattr(rework, "SEARCHED", 1)
    spec, rows = grid(0.0143)
    result = judge(spec, *rows, *(r | {"serial": "2"} for r in rows))
    assert result.rework["serial"].tolist() == ["1", "2"]
    assert [p.code for p in result.problems] == ["reaming-not-searched"]
    assert "check this part by itself" in result.rework["sentence"].iloc[1]


# -------------------------------------------------------------------------------------------------------------- reasons


def test_a_size_beyond_a_limit_is_told_with_place_and_numbers() -> None:
    spec = two_walls(hole(3))
    rows = [bore(0.4580, 3, wall=w, direction=d) for w in ("near", "far") for d in (0.0, 90.0)]
    rows[3] |= {"value": 0.4626, "row": 9}
    (reason,) = reasons(judge(spec, *rows), "plate", "1")
    assert reason.sentence == (
        "Hole 3, far wall: 0.4626 in along 90° is 0.0006 over the upper limit 0.4620 (Sheet1!F9)."
    )
    assert (reason.verdict, reason.hole, reason.wall, reason.characteristic) == (2, "3", "far", "size")
    assert (reason.cell, reason.action) == ("Sheet1!F9", "Engineering disposition; no rework without it.")


def test_one_wall_is_not_named_and_metric_has_three_decimals() -> None:
    spec = kit(hole(size=replace(hole().size, lower=12.5, upper=12.61)), unit="mm")
    assert sentences(judge(spec, bore(12.613, direction=np.nan))) == [
        "Hole 1: 12.613 mm is 0.003 over the upper limit 12.610 (Sheet1!F2)."
    ]


def test_position_is_told_with_stated_and_bonus() -> None:
    spec = kit(hole(position=mmc(0.010)), plan=PLAN)
    (said,) = sentences(judge(spec, bore(0.4580), *place(1.0080, 1.0)))
    assert said == (
        "Hole 1: position ⌀ 0.0160 in is 0.0030 over the tolerance ⌀ 0.0130 (0.0100 stated + 0.0030 bonus) (Sheet1!F3)."
    )


def test_missing_readings_are_told_once_with_their_directions() -> None:
    result = judge(two_walls(hole()), bore(0.458, wall="near", direction=0.0))
    assert sentences(result) == [
        "Hole 1, near wall: the diameter along 90° is missing; size can't be judged.",
        "Hole 1, far wall: the diameter along 0° and 90° is missing; size can't be judged.",
    ]


def test_a_doubtful_reading_is_told_with_its_problem() -> None:
    problem = Problem(
        ERROR, "decimal-slip", "a decimal mark seems lost", found="4.578", allowed="about 0.458", action="Correct it.",
        file="sheet.xlsx", sheet="Sheet1", cell="F2", part="plate", serial="1", hole="1", holds=True,
    )  # fmt: skip
    result = judge(kit(), bore(4.578, doubt="decimal-slip"), problems=(problem,))
    (reason,) = reasons(result, "plate", "1")
    assert reason.sentence == (
        "Hole 1: a doubtful reading holds size: a decimal mark seems lost, found 4.578, allowed about 0.458 "
        "(Sheet1!F2)."
    )
    assert (reason.verdict, reason.action) == (1, "Correct it.")


def test_problems_that_hold_are_told_once_and_of_the_right_part() -> None:
    held = Problem(ERROR, "x", "the date is unreadable", serial="1", holds=True)
    other = Problem(ERROR, "x", "not ours", serial="2", holds=True)
    loose = Problem(ERROR, "x", "never held", serial="1")
    of_file = Problem(ERROR, "x", "the file is doubtful", file="sheet.xlsx", holds=True)
    elsewhere = Problem(ERROR, "x", "another file", file="b.xlsx", holds=True)
    result = judge(kit(), bore(0.458), problems=(held, other, loose, of_file, elsewhere))
    assert sentences(result) == ["The date is unreadable.", "sheet.xlsx: the file is doubtful."]


def test_expired_gauges_and_guard_bands_are_told_with_numbers() -> None:
    plan = ReadingPlan(directions=(0.0,), diameter_gauge="BG")
    spec = kit(gauges=gauges(0.0003, due=dt.date(2026, 3, 31)), plan=plan, decision=DecisionRule("guarded"))
    (said,) = sentences(judge(spec, bore(0.458, gauge="BG", date="2026-04-02")))
    assert said == (
        "Size of hole 1 can't be decided: the gauge's calibration was not valid on the day of the reading: BG, read on "
        "2026-04-02, due 2026-03-31 (Sheet1!F2)."
    )
    (near,) = sentences(judge(spec, bore(0.4551, date="2026-03-02")))
    assert "0.4551 in lies 0.0001 inside its limit, within the guard band w = 0.0003" in near


def test_numbers_of_a_sentence_do_not_contradict_one_another() -> None:
    """Nothing that is inside the guard band reads as as wide as it, and what is over is the difference of what stands
    there; both over many values, as their last digits fall."""
    plan = ReadingPlan(directions=(0.0,), diameter_gauge="BG", position=True)
    limits = Limits(11.0, 11.1)
    guarded = kit(hole(size=limits), unit="mm", gauges=gauges(0.002), plan=plan, decision=DecisionRule("guarded"))
    (near,) = sentences(judge(guarded, bore(11.0018)))
    assert "11.0018 mm lies 0.0018 inside its limit, within the guard band w = 0.0020" in near
    simple = kit(hole(position=mmc(0.010)), plan=PLAN)
    rng = np.random.default_rng(8)
    for x, size in zip(rng.uniform(0.0052, 0.012, 60), rng.uniform(0.4551, 0.4579, 60), strict=True):
        said = [t for t in sentences(judge(simple, bore(size), *place(1.0 + x, 1.0))) if "position" in t]
        for text in said:
            found, over, total, stated, bonus = map(float, re.findall(r"\d+\.\d+", text))
            assert round(found - over, 9) == total == round(stated + bonus, 9)
            assert over == pytest.approx(2 * x - 0.010 - (size - 0.455), abs=1.01e-4)


def test_a_size_at_20_degrees_says_what_was_read() -> None:
    warm = Temperature(correct=True, part_expansion_per_c=23.1e-6, uncertainty_c=1.0, expansion_uncertainty_per_c=1e-6)
    spec = kit(gauges=gauges(0.0003), plan=ReadingPlan(directions=(0.0,), diameter_gauge="BG"), temperature=warm)
    (said,) = sentences(judge(spec, bore(0.4630, temperature_c=30.0)))
    # 0.4630 (1 + 11.5e-5) / (1 + 23.1e-5) = 0.462946
    assert said.startswith("Hole 1: 0.46295 in at 20 °C (read 0.4630 at 30 °C) along 0° is 0.0009 over")
    assert sentences(judge(spec, bore(0.4620, temperature_c=19.99))) == []  # 0.46200005: nobody can know
    (said,) = sentences(judge(spec, bore(0.4630, temperature_c=20.0)))
    assert said.startswith("Hole 1: 0.4630 in along 0° is 0.0010 over")


def test_rejects_come_first_and_an_accepted_part_has_no_reasons() -> None:
    spec = kit(hole(1), hole(2), hole(3))
    result = judge(spec, bore(0.463, 2), bore(0.458, 3))
    assert [r.verdict for r in reasons(result, "plate", "1")] == [2, 1]
    assert reasons(judge(kit(), bore(0.458)), "plate", "1") == []


def test_a_margin_that_rests_on_an_expired_gauge_is_not_called_too_near_zero() -> None:
    from dataclasses import replace

    from holeqc.inspection.reasons import _near_zero
    from holeqc.specification.model import DecisionRule

    result = judge(kit(hole()), bore(0.458))
    guarded = replace(result, specification=replace(result.specification, decision=DecisionRule("guarded")))
    assert not _near_zero(result.specification, 0.0068, 0.001)
    assert not _near_zero(guarded.specification, 0.0068, 0.001)
    assert _near_zero(guarded.specification, 0.0005, 0.001)
    assert _near_zero(guarded.specification, 0.0068, float("nan"))
