"""Pictures: to scale, turned with the part, a form and a word for each verdict, nothing clipped in silence."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import made_up
import pytest

from holeqc.inspection.results import ACCEPT, HOLD, REJECT
from holeqc.inspection.view import PartView, Run
from holeqc.reports import blocks as w
from holeqc.reports.part_pages import SLOTS, pattern_picture, pin_picture, plate_for, size_pictures, spot
from holeqc.specification import model as m


def part_of(part: str = "port", faults: made_up.Faults = made_up.CLEAN, **changes: Any) -> PartView:
    return Run(made_up.inspection(((part, "1", faults),), **changes))[0]


def labels(picture: w.Drawing | None) -> dict[str, w.Text]:
    assert picture is not None
    return {item.text: item for item in picture.items if isinstance(item, w.Text)}


def test_the_plate_is_to_scale_and_a_mirrored_part_is_turned() -> None:
    spec = made_up.kit()
    port, _ = plate_for(spec, spec.part("port"), 0)
    starboard, _ = plate_for(spec, spec.part("starboard"), 0)
    (x1, y1), (x4, y4) = port.at(1.5, 1.25), port.at(10.5, 1.25)
    assert (x4 - x1, y4 - y1) == (pytest.approx(9.0 * port.scale), 0)
    assert port.at(1.5, 5.75)[1] < y1  # y runs up on the part, down on paper
    assert starboard.at(1.5, 1.25)[0] > starboard.at(10.5, 1.25)[0]


def test_a_deviation_points_where_it_lies_on_either_hand() -> None:
    """dx is given in the frame of the readings; own edges keep it as drawn, the picture is turned."""
    for part, turn in (("port", 1), ("starboard", -1)):
        view = part_of(part)
        view.run.inspection.holes[["dx", "dy"]] = [0.02, 0.01]
        made_up.take_over(view.run.inspection)
        picture = pattern_picture(Run(view.run.inspection)[0], "position")
        assert picture is not None
        lines = [i for i in picture.items if isinstance(i, w.Shape) and i.width == 1.1 and len(i.points) == 2]
        assert len(lines) == 8
        for line in lines:
            (x0, y0), (x1, y1) = line.points
            assert math.copysign(1, x1 - x0) == turn
            assert (y0 - y1) / abs(x1 - x0) == pytest.approx(0.5)


def test_a_mirrored_part_read_in_the_common_frame_is_turned_once() -> None:
    parts = (m.Part("starboard", mirror="x", mirror_of="port", own_edges=False),)
    found = made_up.inspection((("starboard", "1", made_up.CLEAN),))
    found = dataclasses.replace(found, specification=dataclasses.replace(found.specification, parts=parts))
    found.holes[["dx", "dy"]] = [0.02, 0.0]
    made_up.take_over(found)
    picture = pattern_picture(Run(found)[0], "position")
    assert picture is not None
    lines = [i for i in picture.items if isinstance(i, w.Shape) and i.width == 1.1 and len(i.points) == 2]
    assert all(line.points[1][0] > line.points[0][0] for line in lines)


def test_deviation_and_circle_have_one_scale() -> None:
    view = part_of()
    view.run.inspection.holes[["dx", "dy"]] = [0.03, 0.0]  # as far as the stated radius
    made_up.take_over(view.run.inspection)
    picture = pattern_picture(Run(view.run.inspection)[0], "position")
    assert picture is not None
    stated = [i for i in picture.items if isinstance(i, w.Circle) and i.dash and i.y > 30]
    lines = [i for i in picture.items if isinstance(i, w.Shape) and i.width == 1.1 and len(i.points) == 2]
    assert len(stated) == 8
    assert lines[0].points[1][0] - lines[0].points[0][0] == pytest.approx(stated[0].r)


def test_a_hole_far_off_is_an_arrow_with_its_number() -> None:
    faults = {("6", "near", "position"): (2.0, REJECT, "over")}
    picture = pattern_picture(part_of(faults=faults), "position")
    texts = labels(picture)
    assert texts["✗ 6"].colour == w.REJECT_INK
    assert "2.0000 / 0.0618" in texts
    assert picture is not None
    heads = [i for i in picture.items if isinstance(i, w.Shape) and i.closed and len(i.points) == 3]
    assert len(heads) == 1


def test_the_zone_that_decides_is_drawn_with_the_deviation_that_it_judges() -> None:
    """A hole inside its zone to the datums and outside hole to hole: a cross outside the circle, never one inside."""
    view = part_of(faults={("2", "far", "hole-to-hole position"): (0.0180, REJECT, "over")})
    view.run.inspection.holes.loc[view.run.inspection.holes["hole"] == "2", ["pattern_dx", "pattern_dy"]] = [0.009, 0]
    made_up.take_over(view.run.inspection)
    part = Run(view.run.inspection)[0]
    to_datums, floated = (pattern_picture(part, name) for name in ("position", "hole-to-hole position"))
    assert "✓ 2" in labels(to_datums)
    assert {"✗ 2", "0.0180 / 0.0128", "✓ 1"} <= set(labels(floated))
    assert floated is not None
    zones = [i for i in floated.items if isinstance(i, w.Circle) and i.width == 0.9 and i.fill == "#ffffff"]
    lines = [i for i in floated.items if isinstance(i, w.Shape) and i.width == 1.1 and len(i.points) == 2]
    (x0, _), (x1, _) = max(lines, key=lambda line: abs(line.points[1][0] - line.points[0][0])).points
    assert x1 - x0 == pytest.approx(zones[0].r * 0.0180 / 0.0128)


def test_each_verdict_has_a_form_of_its_own() -> None:
    forms = []
    for verdict in (ACCEPT, HOLD, REJECT):
        picture = w.Drawing(10, 10)
        spot(picture, (5, 5), verdict)
        forms.append(
            [
                (type(i).__name__, getattr(i, "closed", None), bool(i.fill))
                for i in picture.items
                if not isinstance(i, w.Text)
            ]
        )
    assert len({str(form) for form in forms}) == 3


def test_a_kit_without_positions_has_no_pattern_picture() -> None:
    view = part_of()
    view.run.inspection.holes[["dx", "dy"]] = math.nan
    made_up.take_over(view.run.inspection)
    assert pattern_picture(Run(view.run.inspection)[0], "position") is None


def test_every_reading_is_drawn_and_those_outside_are_told() -> None:
    (picture,) = size_pictures(part_of(faults=made_up.BAD))
    marks = [i for i in picture.items if _is_reading(i)]
    assert len(marks) == 32  # 8 holes, 2 walls, 2 directions; the legend's two aside
    texts = labels(picture)
    assert {"✗ 0.4627", "✗ 0.4544", "? 3.9900"} <= set(texts)
    assert {"0.4620", "0.4550"} <= set(texts)


def _is_reading(item: w.Item) -> bool:
    if isinstance(item, w.Circle):
        return item.r == 2.6 and item.y > 20
    return (
        isinstance(item, w.Shape)
        and item.closed
        and item.width == 1.0
        and len(item.points) == 4
        and item.points[0][1] > 20
    )


def test_readings_stand_at_their_height() -> None:
    (picture,) = size_pictures(part_of())
    limits = sorted(i.points[0][1] for i in picture.items if isinstance(i, w.Shape) and i.width == 1.1)
    top, bottom = limits
    table = made_up.inspection((("port", "1", made_up.CLEAN),)).readings.table
    first = table[table["characteristic"] == "diameter"]["value"].iloc[0]
    circle = next(i for i in picture.items if isinstance(i, w.Circle) and i.r == 2.6 and i.y > 20)
    assert circle.y == pytest.approx(bottom - (first - 0.455) / 0.007 * (bottom - top))


def test_guard_band_shows_its_acceptance_limits() -> None:
    (plain,) = size_pictures(part_of())
    (guarded,) = size_pictures(part_of(decision=m.DecisionRule("guarded", 1.0)))
    assert "– – acceptance limit" not in labels(plain)
    assert "– – acceptance limit" in labels(guarded)
    heights = [i.points[0][1] for i in guarded.items if isinstance(i, w.Shape) and i.stroke == w.BLUE]
    limits = sorted(i.points[0][1] for i in guarded.items if isinstance(i, w.Shape) and i.width == 1.1)
    assert min(heights) - limits[0] == pytest.approx(0.0003 / 0.007 * (limits[1] - limits[0]), rel=1e-3)


def test_many_holes_go_on_in_further_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    assert SLOTS == 24
    monkeypatch.setattr("holeqc.reports.part_pages.SLOTS", 6)
    pictures = size_pictures(part_of())
    assert len(pictures) == 3
    assert sum(1 for picture in pictures for i in picture.items if _is_reading(i)) == 32


def test_pins_show_room_and_what_binds() -> None:
    texts = labels(pin_picture(part_of()))
    assert {"● 7 far", "● 8 far", "1 near", "+0.0101", "+0.0024"} <= set(texts)


def test_pins_that_lack_room_are_marked() -> None:
    view = part_of()
    view.run.inspection.pins["left"] = -0.0033
    made_up.take_over(view.run.inspection)
    texts = labels(pin_picture(Run(view.run.inspection)[0]))
    assert texts["✗ 8 far"].colour == w.REJECT_INK
    assert "−0.0033" in texts


def test_a_kit_without_pins_has_no_pin_picture() -> None:
    view = part_of()
    view.run.inspection.parts["pin_verdict"] = -1
    made_up.take_over(view.run.inspection)
    assert pin_picture(Run(view.run.inspection)[0]) is None


def test_one_hole_and_no_outline_can_be_drawn() -> None:
    hole = m.Hole("A", 0.0, 0.0, m.Limits(0.455, 0.462), position=m.Position(0.06))
    plate, high = plate_for(m.Specification("K", "1", "in", (hole,), (m.Part("p"),)), None, 10)
    assert high > 0
    assert all(math.isfinite(v) for v in plate.at(0, 0))


def test_values_beside_readings_cover_neither_readings_nor_one_another() -> None:
    found = made_up.inspection((("port", "1", made_up.BAD),))
    table = found.readings.table
    mine = (table["characteristic"] == "diameter") & table["hole"].isin(["3", "4"])
    table.loc[mine, "value"] = [0.4624, 0.4626, 0.4625, 0.4627, 0.4624, 0.4623, 0.4629, 0.4621]
    (picture,) = size_pictures(Run(found)[0])
    told = [i for i in picture.items if isinstance(i, w.Text) and i.text[:1] in "✗?"]
    assert len(told) >= 6
    for text in told:
        wide = 0.62 * text.size * len(text.text)
        for other in told:
            if other is not text and abs(other.y - text.y) < text.size:
                assert other.x > text.x + wide or other.x + 0.62 * other.size * len(other.text) < text.x
        for item in picture.items:
            if isinstance(item, w.Circle) and _is_reading(item):
                assert not (text.x < item.x < text.x + wide and text.y - text.size < item.y < text.y)
