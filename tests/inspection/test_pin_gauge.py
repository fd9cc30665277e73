"""Margin of a pin pattern: against an independent solver, in closed form, and by what must never change it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from pin_reference import best_margin, reached, turned

from holeqc.inspection import minimax
from holeqc.inspection.minimax import place
from holeqc.inspection.pin_gauge import pin_pattern_margin, zone_margin
from holeqc.problems import DataError

DATA = Path(__file__).parent.parent / "data" / "inspection"
SIX = np.array([[0.0, 0.0], [1.5, 0.0], [3.0, 0.0], [0.0, 2.0], [1.5, 2.0], [3.0, 2.0]])
# The solver stops where its proof leaves no more than a ten thousand millionth of the misfit (`minimax_frame.GAP`). The
# misfits here are below 0.1, so two sound results of one part, by another order of rows, another batch or another
# library's kernel, lie no further apart than this; rounding (eps times coordinates up to 10) is a thousandth of it.
PROVED = 1e-11


def pattern(kind: str, rows: int, rng: np.random.Generator) -> np.ndarray:
    """Pins of one kind of pattern [in]."""
    if kind == "line":
        return np.column_stack([np.linspace(0.0, 5.0, rows), np.zeros(rows)])
    if kind == "circle":
        around = 2 * np.pi * np.arange(rows) / rows
        return 2.0 * np.column_stack([np.cos(around), np.sin(around)])
    if kind == "two walls":
        return np.repeat(rng.uniform(-3.0, 3.0, (rows // 2, 2)), 2, axis=0)
    return rng.uniform(-3.0, 3.0, (rows, 2))


@pytest.mark.parametrize("unit", [1.0, 25.4])
@pytest.mark.parametrize("kind", ["random", "line", "circle", "two walls"])
@pytest.mark.parametrize("rows", [2, 6, 12, 40])
def test_margin_agrees_with_an_independent_solver(kind: str, rows: int, unit: float) -> None:
    # second independent route: scipy SLSQP from the least-squares angle
    rng = np.random.default_rng(rows * 7 + len(kind))
    pin = pattern(kind, rows, rng) * unit
    spread = np.array([0.001, 0.003, 0.01])[:, None, None]
    hole = turned(pin, rng.uniform(-np.pi, np.pi)) + rng.normal(0.0, spread, (3, rows, 2)) * unit + unit
    pins = np.full(rows, 0.444) * unit
    size = rng.uniform(0.446, 0.462, (3, rows)) * unit
    fit = pin_pattern_margin(pin, hole, size, pins)
    for part in range(3):
        clearance = (size[part] - pins) / 2
        assert fit.margin[part] == pytest.approx(best_margin(pin, hole[part], clearance), abs=1e-8)
        there = reached(pin, hole[part], clearance, fit.rotation[part], fit.translation[part])
        assert there == pytest.approx(fit.margin[part], abs=1e-12 * unit)
    assert fit.gap.max() < 1e-8
    assert fit.margin.max() > 0 > fit.margin.min() or rows < 12  # some enter, some don't


@pytest.mark.parametrize("seed", range(6))
def test_no_angle_is_better_where_the_misfit_is_as_large_as_the_pattern(seed: int) -> None:
    # second independent route: scipy SLSQP from 24 angles; many local answers, ours must be the best of all
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(2, 9))
    pin = pattern("random", rows, rng)
    hole = rng.normal(0.0, 1.5, (rows, 2)) if seed % 2 else pin + rng.normal(0.0, 0.4, (rows, 2))
    pins, size = np.full(rows, 0.5), rng.uniform(0.2, 1.2, rows)
    fit = pin_pattern_margin(pin, hole, size, pins)
    other = best_margin(pin, hole, (size - pins) / 2, angles=24)
    assert fit.margin[0] == pytest.approx(other, abs=1e-8)
    assert fit.gap[0] < 1e-8


def test_one_pin_has_its_clearance() -> None:
    # closed form: the pin stands on the hole's axis
    fit = pin_pattern_margin([[1.0, 2.0]], [[[5.0, 6.0]], [[0.0, 0.0]]], [0.5], [0.44])
    np.testing.assert_allclose(fit.margin, 0.03, atol=PROVED)
    assert fit.binding.all()


@pytest.mark.parametrize(("d1", "d2"), [(0.46, 0.46), (0.45, 0.46), (0.444, 0.47), (0.43, 0.44)])
@pytest.mark.parametrize("apart", [1.98, 1.995, 2.0, 2.002, 2.03])
def test_two_pins_in_closed_form(d1: float, d2: float, apart: float) -> None:
    # closed form: two rods of length 2 and `apart` share their difference; no margin exceeds a hole's own clearance
    c1, c2 = (d1 - 0.436) / 2, (d2 - 0.436) / 2
    fit = pin_pattern_margin([[0, 0], [2, 0]], turned(np.array([[3, 1], [3 + apart, 1]]), 0.7), [d1, d2], [0.436] * 2)
    assert fit.margin[0] == pytest.approx(min(c1, c2, (c1 + c2 - abs(apart - 2)) / 2), abs=PROVED)


@pytest.mark.parametrize("sides", [3, 5, 8, 40])
@pytest.mark.parametrize("wider", [-0.004, 0.0, 0.003])
def test_a_regular_polygon_that_is_wider_by_a_little(sides: int, wider: float) -> None:
    # closed form: by symmetry every pin is off by the difference of the radii, and no motion spares one of them
    around = 2 * np.pi * np.arange(sides) / sides
    ring = np.column_stack([np.cos(around), np.sin(around)])
    fit = pin_pattern_margin(2.5 * ring, (2.5 + wider) * ring + 7.0, np.full(sides, 0.455), np.full(sides, 0.444))
    assert fit.margin[0] == pytest.approx(0.0055 - abs(wider), abs=PROVED)
    assert fit.binding.all()


def test_two_walls_out_of_line_share_their_offset() -> None:
    # closed form: one pin through a near and a far hole whose axes are w apart stands half-way
    fit = pin_pattern_margin([[0, 0], [0, 0]], [[0.0, 0.0], [0.006, 0.008]], [0.460, 0.460], [0.444, 0.444])
    assert fit.margin[0] == pytest.approx(0.008 - 0.005, abs=PROVED)


def test_holes_inside_their_position_at_mmc_take_pins_at_virtual_condition() -> None:
    # ASME Y14.5: virtual condition of a hole = MMC size less its position tolerance, here 0.455 - 0.011 = 0.444; pins
    # at that size enter every pattern whose holes are each inside the tolerance
    rng = np.random.default_rng(4)
    around = rng.uniform(0, 2 * np.pi, (500, 6))
    off = 0.0055 * np.sqrt(rng.uniform(0, 1, (500, 6)))
    hole = SIX + np.stack([off * np.cos(around), off * np.sin(around)], axis=-1)
    assert pin_pattern_margin(SIX, hole, np.full(6, 0.455), np.full(6, 0.444)).enters.all()


@pytest.mark.parametrize("unit", [1.0, 25.4])
def test_a_margin_of_zero_enters_however_it_is_rounded(unit: float) -> None:
    pins = np.full(6, 0.436) * unit
    assert pin_pattern_margin(SIX * unit, SIX * unit, pins, pins).enters.all()
    # two pins 2 apart, holes 2.011 apart, 0.447 less 0.436: the clearances are used up exactly
    two = np.array([[0.1, 0.7], [2.1, 0.7]]) * unit
    hole = np.array([[0.1, 0.7], [2.111, 0.7]]) * unit
    fit = pin_pattern_margin(two, hole, np.array([[0.447, 0.447], [0.4469, 0.447]]) * unit, pins[:2])
    assert fit.enters.tolist() == [True, False]


def test_smallest_enclosing_circle_of_published_points() -> None:
    for case in json.loads((DATA / "smallest_enclosing_circle.json").read_text())["cases"]:
        points = np.array(case["points"], dtype=float)
        fit = zone_margin(np.zeros_like(points), points, 0.0, rotate=False)
        assert -fit.margin[0] == pytest.approx(case["radius"], abs=1e-9), case["source"]
        np.testing.assert_allclose(fit.translation[0], case["centre"], atol=1e-6)
        assert fit.rotation[0] == 0.0
        # rotation changes nothing for points that share one place; radii up to 1, so two proofs of 1e-10 apart
        assert zone_margin(np.zeros_like(points), points, 0.0).margin[0] == pytest.approx(fit.margin[0], abs=2e-10)


def test_zones_of_different_radii_without_rotation() -> None:
    # second independent route: scipy SLSQP with the rotation held, by a pattern without extent
    rng = np.random.default_rng(9)
    basic = rng.uniform(0, 4, (7, 2))
    target = basic + rng.normal(0, 0.004, (5, 7, 2)) + 0.3
    radius = rng.uniform(0.001, 0.008, (5, 7))
    fit = zone_margin(basic, target, radius, rotate=False)
    for part in range(5):
        other = best_margin(np.zeros((7, 2)), target[part] - basic, radius[part])
        assert fit.margin[part] == pytest.approx(other, abs=1e-9)
    assert (zone_margin(basic, target, radius).margin >= fit.margin - PROVED).all()
    assert fit.gap.max() < 1e-10


def test_start_angle_is_that_of_the_published_least_squares_fit() -> None:
    # Umeyama 1991, worked example: R = [[0.832, 0.555], [-0.555, 0.832]] (answers from memory, unconfirmed; recomputed)
    a, b = [[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]], [[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]]
    angle = place(np.array(a), np.array([b]), np.ones((1, 3)), rotate=True).frame.angle[0]
    assert np.cos(angle) == pytest.approx(0.832, abs=6e-4)
    assert np.sin(angle) == pytest.approx(-0.555, abs=6e-4)


def some_parts(seed: int = 1, parts: int = 40) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Pins, holes, sizes and pin sizes in which some parts enter and some don't."""
    rng = np.random.default_rng(seed)
    hole = SIX + rng.normal(0.0, 0.003, (parts, 6, 2))
    return SIX, hole, rng.uniform(0.448, 0.456, (parts, 6)), np.full(6, 0.444)


def test_moving_or_turning_a_whole_pattern_changes_nothing() -> None:
    pin, hole, size, pins = some_parts()
    fit = pin_pattern_margin(pin, hole, size, pins)
    assert (fit.margin > 0).any()
    assert (fit.margin < 0).any()
    rng = np.random.default_rng(2)
    for angle in rng.uniform(-np.pi, np.pi, 5):
        shift = rng.normal(0, 3, 2)
        for moved in (
            pin_pattern_margin(turned(pin, angle) + shift, hole, size, pins),
            pin_pattern_margin(pin, turned(hole, angle) + shift, size, pins),
        ):
            np.testing.assert_allclose(moved.margin, fit.margin, atol=PROVED)
            np.testing.assert_array_equal(moved.binding, fit.binding)


def test_mirror_order_unit_and_doubled_rows() -> None:
    pin, hole, size, pins = some_parts()
    fit = pin_pattern_margin(pin, hole, size, pins)
    flip = np.array([-1.0, 1.0])
    mirrored = pin_pattern_margin(pin * flip, hole * flip, size, pins)
    np.testing.assert_allclose(mirrored.margin, fit.margin, atol=PROVED)
    np.testing.assert_allclose(mirrored.rotation, -fit.rotation, atol=1e-7)
    np.testing.assert_array_equal(mirrored.binding, fit.binding)
    order = np.random.default_rng(3).permutation(6)
    other = pin_pattern_margin(pin[order], hole[:, order], size[:, order], pins[order])
    np.testing.assert_allclose(other.margin, fit.margin, atol=PROVED)
    np.testing.assert_array_equal(other.binding, fit.binding[:, order])
    metric = pin_pattern_margin(pin * 25.4, hole * 25.4, size * 25.4, pins * 25.4)
    np.testing.assert_allclose(metric.margin, fit.margin * 25.4, atol=2e-10)
    twice = np.r_[0:6, 0:6]
    doubled = pin_pattern_margin(pin[twice], hole[:, twice], size[:, twice], pins[twice])
    np.testing.assert_allclose(doubled.margin, fit.margin, atol=PROVED)
    np.testing.assert_array_equal(doubled.binding, fit.binding[:, twice])


def test_a_larger_hole_or_a_smaller_pin_never_lowers_the_margin() -> None:
    pin, hole, size, pins = some_parts()
    fit = pin_pattern_margin(pin, hole, size, pins)
    rng = np.random.default_rng(5)
    larger = pin_pattern_margin(pin, hole, size + rng.uniform(0, 0.003, size.shape), pins)
    assert (larger.margin >= fit.margin - PROVED).all()
    assert (larger.margin > fit.margin + 1e-6).any()
    smaller = pin_pattern_margin(pin, hole, size, pins - 0.002)
    np.testing.assert_allclose(smaller.margin, fit.margin + 0.001, atol=PROVED)


def test_holes_that_bind_are_those_that_touch() -> None:
    pin, hole, size, pins = some_parts(parts=200)
    fit = pin_pattern_margin(pin, hole, size, pins)
    cos, sin = np.cos(fit.rotation)[:, None], np.sin(fit.rotation)[:, None]
    x = cos * pin[:, 0] - sin * pin[:, 1] + fit.translation[:, :1] - hole[..., 0]
    y = sin * pin[:, 0] + cos * pin[:, 1] + fit.translation[:, 1:] - hole[..., 1]
    slack = (size - pins) / 2 - np.hypot(x, y) - fit.margin[:, None]
    assert slack.min() > -1e-12
    np.testing.assert_array_equal(fit.binding, slack < 1e-8)
    # opening up a hole that doesn't bind leaves the margin; opening all that bind raises it
    loose = pin_pattern_margin(pin, hole, np.where(fit.binding, size, size + 0.01), pins)
    np.testing.assert_allclose(loose.margin, fit.margin, atol=PROVED)
    opened = pin_pattern_margin(pin, hole, np.where(fit.binding, size + 0.0001, size), pins)
    assert (opened.margin > fit.margin + 1e-6).all()


def test_parts_with_missing_readings_are_nan_and_touch_no_other() -> None:
    pin, hole, size, pins = some_parts()
    fit = pin_pattern_margin(pin, hole, size, pins)
    hole, size = hole.copy(), size.copy()
    hole[3, 2, 1], size[7, 0] = np.nan, np.nan
    holed = pin_pattern_margin(pin, hole, size, pins)
    gone = np.isin(np.arange(len(hole)), [3, 7])
    assert np.isnan(holed.margin[gone]).all()
    assert np.isnan(holed.translation[gone]).all()
    assert not holed.enters[gone].any()
    assert not holed.binding[gone].any()
    np.testing.assert_allclose(holed.margin[~gone], fit.margin[~gone], atol=PROVED)
    assert np.isnan(pin_pattern_margin(pin, np.full((2, 6, 2), np.nan), size[:2], pins).margin).all()


def test_batches_and_single_parts_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    pin, hole, size, pins = some_parts()
    fit = pin_pattern_margin(pin, hole, size, pins)
    monkeypatch.setattr(minimax, "CELLS", 42)
    small = pin_pattern_margin(pin, hole, size, pins)
    np.testing.assert_allclose(small.margin, fit.margin, atol=PROVED)
    for part in (0, 17, 39):
        one = pin_pattern_margin(pin, hole[part], size[part], pins)
        assert one.margin.shape == (1,)
        assert one.margin[0] == pytest.approx(fit.margin[part], abs=PROVED)


def test_input_is_left_alone_and_may_be_read_only() -> None:
    pin, hole, size, pins = some_parts(parts=3)
    for array in (pin, hole, size, pins):
        array.flags.writeable = False
    one = pin_pattern_margin(pin, hole[0], size[0], pins)
    again = pin_pattern_margin(pin, hole[0], size[0], pins)
    assert one.margin[0] == again.margin[0]
    shared = pin_pattern_margin(pin, hole[0], size, pins)  # one set of axes, three sets of sizes
    assert shared.margin.shape == (3,)
    assert shared.margin[0] == pytest.approx(one.margin[0], abs=PROVED)
    assert pin_pattern_margin(pin, np.empty((0, 6, 2)), size[0], pins).margin.shape == (0,)
    SIX.flags.writeable = True


def test_perfect_and_nearly_perfect_patterns() -> None:
    rng = np.random.default_rng(8)
    size = rng.uniform(0.445, 0.460, (50, 6))
    pins = np.full(6, 0.444)
    for grain in (0.0, 1e-15, 1e-9, 1e-5):
        hole = turned(SIX, 2.0) + rng.normal(0, 1, (50, 6, 2)) * grain
        fit = pin_pattern_margin(SIX, hole, size, pins)
        np.testing.assert_allclose(fit.margin, (size.min(axis=1) - 0.444) / 2, atol=8 * grain + 1e-12)
        assert fit.gap.max() < 1e-12


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"pin_xy": [1.0, 2.0]}, r"pin_xy has shape \(2,\); \(N, 2\)"),
        ({"pin_xy": np.empty((0, 2))}, r"pin_xy has shape \(0, 2\)"),
        ({"pin_xy": [[0, np.nan]] * 6}, "pin_xy has 6 missing numbers"),
        ({"hole_xy": np.zeros((5, 2))}, r"hole_xy has shape \(5, 2\); \(B, 6, 2\) or \(6, 2\)"),
        ({"hole_xy": np.full((6, 2), np.inf)}, "hole_xy holds an infinite number"),
        ({"hole_diameter": np.ones((2, 5))}, r"hole_diameter has shape \(2, 5\); \(B, 6\) or \(6,\)"),
        ({"hole_diameter": np.ones((3, 6)), "hole_xy": np.zeros((2, 6, 2))}, "different numbers of parts"),
        ({"hole_diameter": -np.ones(6)}, "hole_diameter holds a size below zero: -1"),
        ({"pin_diameter": 0.4}, r"pin_diameter has shape \(\)"),
        ({"pin_diameter": [0.4] * 5 + [np.nan]}, "pin_diameter has 1 missing numbers"),
        ({"pin_diameter": ["7/16"] * 6}, "pin_diameter holds what is not a number"),
    ],
)
def test_input_that_cannot_be_used_is_named(change: dict[str, object], words: str) -> None:
    given: dict[str, object] = {
        "pin_xy": SIX, "hole_xy": SIX, "hole_diameter": np.full(6, 0.455), "pin_diameter": np.full(6, 0.436),
    }  # fmt: skip
    with pytest.raises(DataError, match=words):
        pin_pattern_margin(**(given | change))  # type: ignore[arg-type]


def test_zone_input_that_cannot_be_used_is_named() -> None:
    with pytest.raises(DataError, match=r"target_xy has shape \(2, 2\)"):
        zone_margin(SIX, np.zeros((2, 2)), 0.1)
    with pytest.raises(DataError, match="zone_radius holds what is not a number"):
        zone_margin(SIX, SIX, "wide")  # type: ignore[arg-type]
    assert np.isnan(zone_margin(SIX, SIX, np.nan).margin).all()
