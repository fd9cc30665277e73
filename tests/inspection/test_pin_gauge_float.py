"""Float of a pin pattern that enters: closed forms, and moves that end where a pin touches."""

from __future__ import annotations

import numpy as np
import pytest
from pin_reference import reached, turned

from holeqc.inspection.pin_gauge import available_float, pin_pattern_margin

SIX = np.array([[0.0, 0.0], [1.5, 0.0], [3.0, 0.0], [0.0, 2.0], [1.5, 2.0], [3.0, 2.0]])
PINS = np.full(6, 0.444)


def entering_parts(parts: int = 6) -> tuple[np.ndarray, np.ndarray]:
    """Holes and sizes of parts that take the pins."""
    rng = np.random.default_rng(12)
    return turned(SIX, 0.4) + rng.normal(0, 0.001, (parts, 6, 2)), rng.uniform(0.455, 0.462, (parts, 6))


def test_one_pin_floats_by_its_clearance_and_turns_all_round() -> None:
    # closed form: a circle in a circle
    left = available_float([[1, 2]], [[4, 4]], [0.46], [0.44])
    np.testing.assert_allclose(left.x, 0.01, atol=1e-9)
    np.testing.assert_allclose(left.y, 0.01, atol=1e-9)
    np.testing.assert_allclose(left.rotation, np.pi)


@pytest.mark.parametrize("unit", [1.0, 25.4])
def test_two_pins_in_perfect_holes(unit: float) -> None:
    # closed form: both pins use up their clearance c along x and y; turned about the middle by d, each pin moves by
    # 2 (L / 2) sin(d / 2)
    pin = np.array([[-1.5, 0.0], [1.5, 0.0]]) * unit
    left = available_float(pin, pin + unit, np.full(2, 0.46) * unit, np.full(2, 0.44) * unit)
    np.testing.assert_allclose(left.x, 0.01 * unit, atol=1e-9 * unit)
    np.testing.assert_allclose(left.y, 0.01 * unit, atol=1e-9 * unit)
    np.testing.assert_allclose(left.rotation, 2 * np.arcsin(0.01 / 3.0), rtol=1e-7)


def test_a_line_of_holes_that_is_short_by_a_little() -> None:
    # closed form: holes 0.004 closer than the pins leave half of that less along the line, both ways
    left = available_float([[-1.5, 0], [1.5, 0]], [[-1.498, 0], [1.498, 0]], [0.46] * 2, [0.44] * 2)
    # floats are counted from the best motion. Its margin is proved to 1e-10 of the misfit of 0.002, and is flat across
    # the line: a place off by d there costs d**2 / (2 * 0.002), so d may be sqrt(8e-16) = 3e-8, which the float along y
    # shows in full, and that along x by its square only
    np.testing.assert_allclose(left.x, 0.008, atol=1e-11)
    np.testing.assert_allclose(left.y, np.sqrt(0.01**2 - 0.002**2), atol=1e-7)


def test_moving_by_the_float_brings_a_pin_to_its_wall() -> None:
    hole, size = entering_parts()
    fit = pin_pattern_margin(SIX, hole, size, PINS)
    left = available_float(SIX, hole, size, PINS)
    middle = SIX.mean(axis=0)
    for part in range(len(hole)):
        clearance = (size[part] - PINS) / 2
        turn, shift = fit.rotation[part], fit.translation[part]
        centre = turned(middle[None], turn)[0] + shift
        for side, sign in enumerate((-1.0, 1.0)):
            for axis, travel in enumerate((left.x, left.y)):
                move = np.eye(2)[axis] * sign * travel[part, side]
                assert reached(SIX, hole[part], clearance, turn, shift + move) == pytest.approx(0.0, abs=1e-12)
            angle = turn + sign * left.rotation[part, side]
            about = centre - turned(middle[None], angle)[0]
            assert reached(SIX, hole[part], clearance, angle, about) == pytest.approx(0.0, abs=1e-12)


def test_parts_that_do_not_enter_or_are_not_known_have_no_float() -> None:
    hole, size = entering_parts(4)
    size[1], size[2, 3] = 0.43, np.nan
    left = available_float(SIX, hole, size, PINS)
    for array in (left.x, left.y, left.rotation):
        assert np.isnan(array[[1, 2]]).all()
        assert (array[[0, 3]] > 0).all()


def test_pins_without_any_clearance_have_no_float() -> None:
    left = available_float(SIX, SIX, PINS, PINS)
    for array in (left.x, left.y, left.rotation):
        np.testing.assert_allclose(array, 0.0, atol=1e-7)


def test_float_does_not_depend_on_the_unit() -> None:
    hole, size = entering_parts(3)
    inch = available_float(SIX, hole, size, PINS)
    metric = available_float(SIX * 25.4, hole * 25.4, size * 25.4, PINS * 25.4)
    np.testing.assert_allclose(metric.x, 25.4 * inch.x, rtol=1e-6)
    np.testing.assert_allclose(metric.rotation, inch.rotation, rtol=1e-6)
