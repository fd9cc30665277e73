"""Form, edge distance, surface, plugs and temperature."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
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
    two_walls,
    verdict,
)  # fmt: skip

from holeqc.inspection.evidence import at_reference
from holeqc.inspection.position import distance_to_outline
from holeqc.inspection.results import largest_difference, worst_row
from holeqc.readings.table import BURR, CLEAN, CRACK, DIRTY, ENTERS, STOPS
from holeqc.specification.model import (  # fmt: skip
    Edge,
    Form,
    Gauge,
    Limits,
    Part,
    Pin,
    Plugs,
    ReadingPlan,
    Surface,
    Temperature,
)

WALLS = ("near", "far")


def round_hole(sizes: dict[tuple[str, float], float], number: int = 1) -> list[dict[str, object]]:
    return [bore(v, number, wall=w, direction=d) for (w, d), v in sizes.items()]


SIZES = {("near", 0.0): 0.4590, ("near", 90.0): 0.4570, ("far", 0.0): 0.4560, ("far", 90.0): 0.4565}


# ---------------------------------------------------------------------------------------------------------- form


def test_form_is_the_largest_difference_of_diameters() -> None:
    spec = two_walls(hole(form=Form(out_of_roundness=0.002, taper=0.0029)))
    result = judge(spec, *round_hole(SIZES))
    near, far = (cell(result, "out-of-roundness", wall=w) for w in WALLS)
    assert near["found"] == pytest.approx(0.0020, abs=1e-12)
    assert near["verdict"] == 0  # the limit itself
    assert far["found"] == pytest.approx(0.0005, abs=1e-12)
    taper = cell(result, "taper")
    # Along 0 degrees 0.4590 - 0.4560; never across directions, 0.4590 - 0.4565 would be less here.
    assert taper["found"] == pytest.approx(0.0030, abs=1e-12)
    assert (taper["wall"], taper["verdict"], taper["cause"]) == ("", 2, "over")


def test_taper_is_taken_along_one_direction() -> None:
    # Oval the other way round in the far wall: 0.0030 across directions, 0.0010 along each.
    sizes = {("near", 0.0): 0.4590, ("near", 90.0): 0.4570, ("far", 0.0): 0.4580, ("far", 90.0): 0.4560}
    result = judge(two_walls(hole(form=Form(taper=0.0015))), *round_hole(sizes))
    assert cell(result, "taper")["found"] == pytest.approx(0.0010, abs=1e-12)


def test_repeats_along_one_direction_are_no_out_of_roundness() -> None:
    spec = kit(hole(form=Form(out_of_roundness=0.001)), plan=ReadingPlan(directions=(0.0, 90.0), count=2))
    rows = [bore(0.4590, direction=0.0), bore(0.4570, direction=0.0, trial=2)]
    rows += [bore(0.4581, direction=90.0), bore(0.4580, direction=90.0, trial=2)]
    # Largest over two directions: 0.4590 - 0.4580 and 0.4581 - 0.4570; the spread along 0 degrees doesn't count.
    assert cell(judge(spec, *rows), "out-of-roundness")["found"] == pytest.approx(0.0011, abs=1e-12)


def test_form_uncertainty_is_root_two_of_a_reading() -> None:
    # JCGM 100 5.1.2: difference of two independent readings.
    plan = ReadingPlan(directions=(0.0, 90.0), diameter_gauge="BG")
    spec = kit(hole(form=Form(out_of_roundness=0.002)), plan=plan, gauges=gauges(0.0003))
    found = cell(judge(spec, bore(0.458, direction=0.0), bore(0.459, direction=90.0)), "out-of-roundness")
    assert found["uncertainty"] == pytest.approx(0.0003 * np.sqrt(2.0))


def test_form_with_readings_missing_holds_or_rejects() -> None:
    spec = two_walls(hole(form=Form(0.002, 0.002)))
    one = judge(spec, bore(0.458, wall="near", direction=0.0))
    assert [cell(one, "out-of-roundness", wall=w)["cause"] for w in WALLS] == ["missing", "missing"]
    assert cell(one, "taper")["cause"] == "missing"
    # What is missing can only make a difference larger: three directions asked, two already too far apart.
    three = kit(hole(form=Form(out_of_roundness=0.001)), plan=ReadingPlan(directions=(0.0, 60.0, 120.0)))
    assert (
        verdict(judge(three, bore(0.456, direction=0.0), bore(0.459, direction=60.0)), "out-of-roundness") == "reject"
    )
    assert verdict(judge(three, bore(0.456, direction=0.0), bore(0.4561, direction=60.0)), "out-of-roundness") == "hold"


def test_largest_difference_against_all_pairs() -> None:
    rng = np.random.default_rng(8)
    for width in (2, 5, 4000):
        outer, inner = rng.integers(0, 40, 300), rng.integers(0, width, 300)
        value = rng.normal(size=300)
        found, pair = largest_difference(outer, inner, value, 41)
        for group in range(41):
            mine = np.flatnonzero(outer == group)
            pairs = [abs(value[a] - value[b]) for a in mine for b in mine if inner[a] != inner[b]]
            assert pair[group] == bool(pairs)
            assert np.isnan(found[group]) if not pairs else found[group] == pytest.approx(max(pairs))


def test_worst_row_against_sorting() -> None:
    rng = np.random.default_rng(9)
    group, grade, left = rng.integers(0, 30, 200), rng.integers(0, 3, 200).astype(np.int8), rng.normal(size=200)
    found = worst_row(group, grade, left, 31)
    for number in range(31):
        mine = [(-grade[i], left[i], i) for i in np.flatnonzero(group == number)]
        assert found[number] == (min(mine)[2] if mine else -1)


def test_a_three_lobed_hole_looks_round_to_two_point_readings_and_refuses_the_plug() -> None:
    # A hole of constant width 1 (Reuleaux) reads 1 in every direction; the largest plug has the diameter
    # 2 (1 - 1/sqrt(3)) = 0.8453 (mailing-list argument of 17 December 1996 on constant width; diameter derived).
    width, corner = 1.0, np.array([[0.0, 0.0], [1.0, 0.0], [0.5, np.sqrt(3) / 2]])
    arcs = [np.linspace(0, 60, 400), np.linspace(120, 180, 400), np.linspace(240, 300, 400)]
    turns = [np.column_stack([np.cos(a), np.sin(a)]) for a in map(np.radians, arcs)]
    edge = np.vstack([c + width * turn for c, turn in zip(corner, turns, strict=True)])
    across = [float(np.ptp(edge @ [np.cos(t), np.sin(t)])) for t in np.radians(range(0, 180, 15))]
    plug = 2.0 * float(np.hypot(*(edge - corner.mean(axis=0)).T).min())
    assert across == pytest.approx([1.0] * 12, abs=1e-4)
    assert plug == pytest.approx(0.8453, abs=5e-5)
    plan = ReadingPlan(directions=tuple(float(d) for d in range(0, 180, 15)))
    spec = kit(hole(size=Limits(0.99, 1.01), form=Form(0.005), plugs=Plugs(go=0.99)), plan=plan)
    rows = [bore(round(v, 4), direction=float(d)) for v, d in zip(across, range(0, 180, 15), strict=True)]
    result = judge(spec, *rows, reading("go", STOPS))
    assert verdict(result, "size") == verdict(result, "out-of-roundness") == "accept"
    assert cell(result, "GO")["cause"] == "contradiction"
    assert of_part(result) == "hold"


# --------------------------------------------------------------------------------------------------------- plugs

PLUGGED = kit(
    hole(plugs=Plugs(go=0.455, no_go=0.462)), gauges=gauges(),
    plan=ReadingPlan(directions=(0.0,), diameter_gauge="BG"),
)  # fmt: skip


@pytest.mark.parametrize(
    ("size", "go", "no_go", "expected"),
    [
        (0.4580, ENTERS, STOPS, ("accept", "accept", "accept")),
        (0.4580, STOPS, STOPS, ("accept", "hold", "accept")),  # readings in limits, GO refused: contradiction
        (0.4546, STOPS, STOPS, ("reject", "reject", "accept")),
        (0.4546, ENTERS, STOPS, ("hold", "hold", "accept")),  # smaller than the plug by more than U = 0.0003
        (0.4548, ENTERS, STOPS, ("hold", "accept", "accept")),  # within U, yet reading and plug say different things
        (0.4550, ENTERS, STOPS, ("accept", "accept", "accept")),  # as large as the plug
        (0.4546, ENTERS, ENTERS, ("hold", "hold", "hold")),
        (0.4625, ENTERS, ENTERS, ("reject", "accept", "reject")),
        (0.4625, ENTERS, STOPS, ("reject", "accept", "accept")),  # the two-point reading decides at least material
        (0.4618, ENTERS, ENTERS, ("accept", "accept", "reject")),  # within U of the plug: oversize by gauge
        (0.4580, ENTERS, ENTERS, ("accept", "accept", "hold")),  # smaller than the plug by more than U
        (None, STOPS, STOPS, ("hold", "reject", "accept")),
        (None, ENTERS, ENTERS, ("hold", "accept", "reject")),
    ],
)
def test_plugs_and_readings(size: float | None, go: str, no_go: str, expected: tuple[str, str, str]) -> None:
    rows = [reading("go", go), reading("no_go", no_go)] + ([bore(size)] if size is not None else [])
    result = judge(PLUGGED, *rows)
    assert (verdict(result, "size"), verdict(result, "GO"), verdict(result, "NO-GO")) == expected
    if expected == ("accept", "hold", "accept"):
        (reason,) = reasons(result, "plate", "1")
        assert "does not enter although every reading is within limits" in reason.sentence


@pytest.mark.parametrize("plug", [reading("go", ENTERS, wall=""), reading("plug", 0.4560, wall="")])
def test_nothing_is_rejected_by_a_reading_that_a_plug_disproves(plug: dict[str, Any]) -> None:
    # 0.4400 near along 0 degrees, all others 0.4570; a plug of 0.4550 can't have entered such a hole. By that reading
    # size, form (0.0170 over 0.0030), taper, position (no bonus) and pins (0.4400 < 0.4440) would be rejected.
    asked = hole(
        position=mmc(0.010), form=Form(0.003, 0.003), plugs=Plugs(go=0.455), pin=Pin("pin", 0.4345, 0.436, 0.008)
    )
    spec = two_walls(asked, position=True, gauges=gauges())
    rows = round_hole({("near", 0.0): 0.4400, ("near", 90.0): 0.4570, ("far", 0.0): 0.4570, ("far", 90.0): 0.4570})
    rows += [r for wall in WALLS for r in place(1.0055, 1.0, wall=wall)]  # 0.0110 off, allowed 0.010 + 0.002
    result = judge(spec, *rows, plug)
    names = ("size", "out-of-roundness", "taper", "position")
    for name in names:
        assert cells(result, name)["verdict"].max() == 1, name
    assert cell(result, "size", wall="near")["cause"] == "contradiction"
    assert (of_part(result), result.parts["pin_verdict"].iloc[0]) == ("hold", 1)
    # Without the plug, or with one that stops, the reading stands as it was read.
    assert of_part(judge(spec, *rows)) == "reject"
    assert of_part(judge(spec, *rows, reading("go", STOPS, wall=""))) == "reject"
    # A plug whose own cell is in doubt disproves nothing.
    assert of_part(judge(spec, *rows, plug | {"doubt": "wrong-word"})) == "reject"


def test_no_plug_enters_where_one_reading_is_smaller_than_the_plug() -> None:
    # Oval: 0.4625 one way and 0.4560 the other; a plug of 0.4620 can't have entered.
    spec = replace(PLUGGED, plan=ReadingPlan(directions=(0.0, 90.0), diameter_gauge="BG"))
    rows = [bore(0.4625, direction=0.0), bore(0.4560, direction=90.0), reading("go", ENTERS), reading("no_go", ENTERS)]
    result = judge(spec, *rows)
    assert (verdict(result, "size"), cell(result, "NO-GO")["cause"]) == ("reject", "contradiction")


def test_plugs_not_tried_are_missing_and_a_plug_for_the_whole_hole_serves_all_walls() -> None:
    spec = two_walls(hole(plugs=Plugs(go=0.455)))
    rows = round_hole(SIZES)
    assert [r["cause"] for r in cells(judge(spec, *rows), "GO").to_dict("records")] == ["missing", "missing"]
    one = judge(spec, *rows, reading("go", ENTERS, wall="near"))
    assert [verdict(one, "GO", wall=w) for w in WALLS] == ["accept", "hold"]
    whole = judge(spec, *rows, reading("go", ENTERS, wall=""))
    assert [verdict(whole, "GO", wall=w) for w in WALLS] == ["accept", "accept"]


def test_mating_size_is_the_smallest_reading_or_the_largest_plug() -> None:
    result = judge(two_walls(hole()), *round_hole(SIZES))
    row = result.holes.to_dict("records")[0]
    assert (row["mating_size"], row["mating_from"], row["smallest"], row["largest"]) == (
        0.456,
        "readings",
        0.456,
        0.459,
    )
    plugged = judge(kit(), bore(0.4580), reading("plug", 0.4570)).holes.to_dict("records")[0]
    assert (plugged["mating_size"], plugged["mating_from"]) == (0.457, "plug")
    tried = judge(PLUGGED, bore(0.458), reading("go", ENTERS), reading("no_go", STOPS)).holes.to_dict("records")[0]
    assert (tried["mating_size"], tried["mating_from"]) == (0.458, "readings and GO")


def test_a_plug_larger_than_the_readings_allow_is_a_contradiction() -> None:
    assert cell(judge(PLUGGED, bore(0.4580), reading("plug", 0.4590)), "size")["cause"] == "contradiction"
    assert verdict(judge(PLUGGED, bore(0.4580), reading("plug", 0.4582)), "size") == "accept"
    assert cell(judge(PLUGGED, bore(0.4580), reading("plug", 0.4540)), "size")["cause"] == "contradiction"


# ------------------------------------------------------------------------------------------------------- surface


@pytest.mark.parametrize(
    ("asked", "word", "expected"),
    [
        (Surface(True, True), CLEAN, "accept"),
        (Surface(True, True), BURR, "reject"),
        (Surface(True, True), DIRTY, "reject"),
        (Surface(True, False), BURR, "accept"),
        (Surface(False, True), DIRTY, "accept"),
        (Surface(False, False), CRACK, "reject"),
        (Surface(True, True), CRACK, "reject"),
    ],
)
def test_surface(asked: Surface, word: str, expected: str) -> None:
    result = judge(kit(hole(surface=asked)), bore(0.458), reading("surface", word))
    assert verdict(result, "surface") == expected
    assert cell(result, "surface")["found_word"] == word


def test_surface_not_looked_at_is_missing_only_where_it_is_asked() -> None:
    assert cell(judge(kit(hole(surface=Surface(True))), bore(0.458)), "surface")["cause"] == "missing"
    assert len(cells(judge(kit(), bore(0.458)), "surface")) == 0


def test_the_graver_of_two_findings_is_shown() -> None:
    spec = kit(hole(surface=Surface(True, True)))
    for words in ((BURR, CRACK), (CRACK, BURR)):
        result = judge(spec, bore(0.458), *(reading("surface", w) for w in words))
        assert cell(result, "surface")["cause"] == "crack"
    (reason,) = reasons(result, "plate", "1")
    assert reason.action.startswith("Engineering disposition")


# ---------------------------------------------------------------------------------------------------------- edge

PLATE = ((0.0, 0.0), (12.0, 0.0), (12.0, 7.0), (0.0, 7.0))
EDGED = ReadingPlan(directions=(0.0,), position=True)


def test_distance_to_an_outline_in_closed_form() -> None:
    square = np.array(PLATE)
    points = np.array([[1.0, 3.0], [6.0, 6.5], [12.0, 3.0], [13.0, 8.0], [np.nan, 1.0]])
    assert distance_to_outline(points, square) == pytest.approx([1.0, 0.5, 0.0, -np.sqrt(2.0), np.nan], nan_ok=True)
    # A notch of 4 by 2 in the upper edge; its corner (4, 5) is the nearest for a point under and left of it.
    notched = np.array([(0, 0), (12, 0), (12, 7), (8, 7), (8, 5), (4, 5), (4, 7), (0, 7)], dtype=float)
    found = distance_to_outline(np.array([[3.4, 4.2], [6.0, 6.0], [6.0, 4.0]]), notched)
    assert found == pytest.approx([1.0, -1.0, 1.0])


def test_edge_distance_is_worked_out_from_position_and_outline() -> None:
    # AC 43.13-1B as quoted: edge distance at least 2 D; with the upper limit 0.462 that is 0.924.
    spec = kit(hole(x=1.0, y=3.0, edge=Edge(minimum_diameters=2.0)), outline=PLATE, plan=EDGED)
    near = cell(judge(spec, bore(0.458), *place(0.924, 3.0)), "edge distance")
    assert (near["found"], near["lower"], near["verdict"]) == (0.924, 0.924, 0)
    assert verdict(judge(spec, bore(0.458), *place(0.9239, 3.0)), "edge distance") == "reject"
    # Both kinds of minimum: the larger counts.
    for least, expected in ((0.9, 0.924), (1.1, 1.1)):
        both = kit(hole(x=1.0, y=3.0, edge=Edge(least, 2.0)), outline=PLATE, plan=EDGED)
        assert cell(judge(both, bore(0.458), *place(1.0, 3.0)), "edge distance")["lower"] == expected
    # An oversize hole needs more: the largest reading counts where it is beyond the upper limit.
    big = cell(judge(spec, bore(0.470), *place(0.924, 3.0)), "edge distance")
    assert (big["lower"], big["cause"]) == (0.94, "under")


def test_an_edge_distance_that_was_read_counts_before_one_worked_out() -> None:
    spec = kit(hole(x=1.0, y=3.0, edge=Edge(minimum=0.9)), outline=PLATE, plan=EDGED, gauges=gauges())
    result = judge(
        spec, bore(0.458, gauge="BG"), *place(1.0, 3.0, gauge="CM"), reading("edge_distance", 0.89, gauge="CM")
    )
    found = cell(result, "edge distance")
    assert (found["found"], found["verdict"], found["reading"], found["uncertainty"]) == (0.89, 2, 3, 0.0006)
    plain = kit(hole(edge=Edge(minimum=0.9)))
    assert cell(judge(plain, bore(0.458)), "edge distance")["cause"] == "missing"
    assert (
        cell(judge(plain, bore(0.458), reading("edge_distance", 9.0, doubt="slip")), "edge distance")["cause"] == "slip"
    )


def test_edge_distance_of_a_mirrored_part() -> None:
    parts = (Part("plate"), Part("other", mirror="x", mirror_of="plate"), Part("own", mirror="x", own_edges=True))
    spec = kit(hole(x=1.0, y=3.0, edge=Edge(minimum=0.9)), outline=PLATE, plan=EDGED, parts=parts)
    for part, x in (("plate", 0.95), ("other", -0.95), ("own", 0.95)):
        result = judge(spec, bore(0.458, part=part), *place(x, 3.0, part=part))
        assert cell(result, "edge distance")["found"] == pytest.approx(0.95)


# --------------------------------------------------------------------------------------------------- temperature

WARM = Temperature(correct=True, part_expansion_per_c=23.1e-6, uncertainty_c=1.0, expansion_uncertainty_per_c=1e-6)
STEEL = (Gauge("BG", measures=("diameter", "x", "y"), uncertainty=0.0003, expansion_per_c=11.5e-6),)
PLAN = ReadingPlan(directions=(0.0,), diameter_gauge="BG", position_gauge="BG")


def test_readings_are_brought_to_20_degrees_with_their_own_uncertainty() -> None:
    # Expansion of aluminium 23.1e-6 and steel 11.5e-6 per degree: NIST, Swyt 1994.
    spec = kit(temperature=WARM, gauges=STEEL, plan=PLAN)
    found = cell(judge(spec, bore(0.4620, temperature_c=30.0)), "size")
    exact = 0.4620 * (1 + 11.5e-5) / (1 + 23.1e-5)
    assert found["found"] == pytest.approx(exact, abs=1e-12)
    by_hand = np.sqrt(0.0003**2 + (0.462 * 11.6e-6 * 1.0) ** 2 + (0.462 * 10 * 1e-6) ** 2)
    assert found["uncertainty"] == pytest.approx(by_hand, rel=1e-9)
    hot = cell(judge(spec, bore(0.46203, temperature_c=30.0)), "size")
    assert hot["verdict"] == 0
    assert cell(judge(replace(spec, temperature=Temperature()), bore(0.46203)), "size")["verdict"] == 2


def test_a_missing_temperature_holds_where_it_is_to_be_corrected() -> None:
    spec = kit(temperature=WARM, gauges=STEEL, plan=PLAN)
    assert cell(judge(spec, bore(0.4580)), "size")["cause"] == "no-temperature"
    assert cell(judge(spec, bore(0.4980)), "size")["verdict"] == 1


def test_a_temperature_left_out_is_a_warning_once_it_matters() -> None:
    part_only = Temperature(part_expansion_per_c=23.1e-6)
    spec = kit(hole(x=10.0, y=1.0), temperature=part_only, gauges=STEEL, plan=PLAN)
    # 0.458 x 11.6e-6 x 10 = 0.00005, under a tenth of 0.007.
    assert judge(spec, bore(0.4580, temperature_c=30.0)).problems == ()
    tight = kit(
        hole(size=replace(hole().size, lower=0.4578, upper=0.4582)), temperature=part_only, gauges=STEEL, plan=PLAN
    )
    (problem,) = judge(tight, bore(0.4580, temperature_c=30.0)).problems
    assert (problem.severity, problem.code, problem.holds) == ("warning", "temperature-left-out", False)


def test_a_temperature_effect_beyond_a_quarter_of_the_tolerance_holds() -> None:
    # MIL-HDBK-52: 4 to 10 times better than the tolerance. 0.458 x (23.1 - 11.5)e-6 x 10 = 0.0000531: 26.6 % of
    # 0.0002, 24.1 % of 0.00022.
    def at_30(band: float, value: float = 0.4580) -> Any:
        size = replace(hole().size, lower=0.458 - band / 2, upper=0.458 + band / 2)
        spec = kit(hole(size=size), temperature=Temperature(part_expansion_per_c=23.1e-6), gauges=STEEL, plan=PLAN)
        return judge(spec, bore(value, temperature_c=30.0))

    (warned,) = at_30(0.00022).problems
    assert (of_part(at_30(0.00022)), warned.holds) == ("accept", False)
    (held,) = at_30(0.0002).problems
    assert (held.holds, held.allowed) == (True, "an effect of 25 % of the tolerance")
    assert (of_part(at_30(0.0002)), cell(at_30(0.0002), "size")["cause"]) == ("hold", "temperature-left-out")
    assert of_part(at_30(0.0002, 0.4590)) == "hold"  # what proves nothing doesn't reject either
    (reason,) = reasons(at_30(0.0002), "plate", "1")
    assert "more than a quarter of the tolerance" in reason.sentence


def test_a_smaller_temperature_effect_holds_where_it_crosses_a_limit() -> None:
    # 0.45793 at 30 °C is 0.457877 at 20 °C, below 0.45789; 0.45795 is 0.457897, inside. 24 % of the tolerance each.
    size = replace(hole().size, lower=0.45789, upper=0.45811)
    spec = kit(hole(size=size), temperature=Temperature(part_expansion_per_c=23.1e-6), gauges=STEEL, plan=PLAN)
    near, inside = (judge(spec, bore(value, temperature_c=30.0)) for value in (0.45793, 0.45795))
    assert (of_part(near), cell(near, "size")["cause"]) == ("hold", "temperature-left-out")
    assert of_part(inside) == "accept"
    assert "takes the reading across its limit" in near.problems[0].message
    # the other way round: outside as read, inside once corrected, so it proves no reject either; far out it does
    assert of_part(judge(spec, bore(0.45813, temperature_c=30.0))) == "hold"
    assert of_part(judge(spec, bore(0.45900, temperature_c=30.0))) == "reject"


def test_a_warm_coordinate_holds_the_holes_concerned_and_no_others() -> None:
    # x = 20: 20 x 11.6e-6 x 21 = 0.0049, most of the 0.005 that a coordinate may be off; x = 1: 0.0002, 5 %.
    holes = (hole(1, 1.0, 1.0, position=mmc(0.010)), hole(2, 20.0, 1.0, position=mmc(0.010)))
    plan = replace(PLAN, position=True, position_gauge="CM")
    spec = kit(*holes, temperature=Temperature(part_expansion_per_c=23.1e-6), gauges=gauges(), plan=plan)
    rows = [bore(0.458, n) for n in (1, 2)] + [r for n, x in ((1, 1.0), (2, 20.0)) for r in place(x, 1.0, n)]
    result = judge(spec, *(r | {"temperature_c": 41.0} for r in rows))
    assert [verdict(result, "position", n) for n in (1, 2)] == ["accept", "hold"]


def test_temperature_uncertainty_by_simulation() -> None:
    # Second route: a hundred thousand temperatures and coefficients.
    rng = np.random.default_rng(11)
    spec = kit(temperature=WARM, gauges=STEEL)
    _, added = at_reference(np.array([10.0]), np.array([28.0]), np.array([11.5e-6]), spec)
    t, a = rng.normal(28.0, 0.5, 100_000), rng.normal(23.1e-6, 0.5e-6, 100_000)
    lengths = 10.0 * (1 + 11.5e-6 * (t - 20)) / (1 + a * (t - 20))
    assert added[0] == pytest.approx(2 * lengths.std(), rel=0.01)
