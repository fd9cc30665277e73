"""Least reaming of a pattern that doesn't take its pins: closed forms, every choice tried, an independent solver."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from pin_reference import turned
from scipy.optimize import minimize

from holeqc.inspection import pin_gauge
from holeqc.inspection.pin_gauge import pin_pattern_margin, smallest_reaming
from holeqc.problems import DataError

STEPS = [0.450, 0.453, 0.456, 0.459, 0.462]
SIX = np.array([[0.0, 0.0], [1.5, 0.0], [3.0, 0.0], [0.0, 2.0], [1.5, 2.0], [3.0, 2.0]])


@pytest.fixture(autouse=True)
def no_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let every search go on until it is proved, however slow or busy the machine is."""
    monkeypatch.setattr(pin_gauge, "SECONDS", 3600.0)
    monkeypatch.setattr(pin_gauge, "SECONDS", 3600.0)


def test_two_pins_need_one_hole_opened_by_twice_what_is_short() -> None:
    # closed form: rods of 2.000 and 2.012 with radial clearances of 0.004 and 0.003 are short by 0.005; one hole larger
    # by 0.010 makes that up, and no other share of it is less
    found = smallest_reaming([[0, 0], [2, 0]], [[0, 0], [2.012, 0]], [0.448, 0.446], [0.440, 0.440], 0.47)
    assert found is not None
    assert found.total == pytest.approx(0.010, abs=1e-8)
    assert found.passes.size == 1
    assert found.least == pytest.approx(0.010, abs=1e-7)
    assert found.margin == pytest.approx(0.0, abs=1e-9)


def test_limits_are_kept_and_shared() -> None:
    # closed form: as above, but the first hole may grow by 0.004 only, so the second takes at least 0.006
    pin, hole, size, pins = [[0, 0], [2, 0]], [[0, 0], [2.012, 0]], [0.448, 0.446], [0.440, 0.440]
    found = smallest_reaming(pin, hole, size, pins, [0.452, 0.452])
    assert found is not None
    assert found.total == pytest.approx(0.010, abs=1e-8)
    assert found.enlargement == pytest.approx([0.004, 0.006], abs=1e-8)
    assert smallest_reaming(pin, hole, size, pins, [0.452, 0.4519]) is None
    assert smallest_reaming(pin, hole, size, pins, [0.448, 0.460]) is not None
    assert smallest_reaming(pin, hole, size, pins, [0.400, 0.4559]) is None


def test_a_pattern_that_enters_needs_nothing() -> None:
    found = smallest_reaming(SIX, SIX, np.full(6, 0.45), np.full(6, 0.44), 0.46)
    assert found is not None
    assert (found.total, found.passes.size, found.least) == (0.0, 0, 0.0)
    assert found.margin == pytest.approx(0.005)


def random_part(rng: np.random.Generator, rows: int) -> tuple[np.ndarray, ...]:
    pin = rng.uniform(-3, 3, (rows, 2))
    hole = turned(pin, rng.uniform(-3, 3)) + rng.normal(0, 0.003, (rows, 2))
    return pin, hole, rng.uniform(0.446, 0.452, rows).round(4), np.full(rows, 0.444)


def every_choice(
    pin: np.ndarray, hole: np.ndarray, size: np.ndarray, pins: np.ndarray, limit: np.ndarray, group: np.ndarray
) -> tuple[float, int] | None:
    """Least total and fewest passes by trying every choice of sizes: the second route for reamers of given sizes."""
    labels = np.unique(group)
    open_to = [
        [0.0, *(s for s in STEPS if size[group == g].min() < s <= np.maximum(limit, size)[group == g].min())]
        for g in labels
    ]
    choices = np.array(list(itertools.product(*open_to)))
    after = np.maximum(size, choices[:, np.searchsorted(labels, group)])
    enters = pin_pattern_margin(pin, np.broadcast_to(hole, (len(after), *hole.shape)), after, pins).enters
    if not enters.any():
        return None
    total = (after - size).sum(axis=1)
    least = total[enters].min()
    passes = (choices > 0).sum(axis=1)
    return float(least), int(passes[enters & (total < least + 1e-9)].min())


@pytest.mark.parametrize("seed", range(12))
def test_given_sizes_against_every_choice(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(2, 6))
    pin, hole, size, pins = random_part(rng, rows)
    group = np.arange(rows)
    if seed % 3 == 0:  # two walls a hole
        pin, rows = np.repeat(pin[:3], 2, axis=0), 2 * len(pin[:3])
        hole = pin + rng.normal(0, 0.003, (rows, 2))
        size, pins, group = rng.uniform(0.446, 0.452, rows).round(4), np.full(rows, 0.444), 7 * (np.arange(rows) // 2)
    limit = np.full(rows, 0.4527 if seed % 6 == 4 else 0.462)  # the first is too small for these parts
    limit[0] = min(limit[0], 0.456)
    expected = every_choice(pin, hole, size, pins, limit, group)
    found = smallest_reaming(pin, hole, size, pins, limit, STEPS, together=group)
    if expected is None:
        assert found is None
        return
    assert found is not None
    assert (found.total, found.passes.size) == (pytest.approx(expected[0], abs=1e-9), expected[1])
    assert found.least == pytest.approx(found.total, abs=1e-9)
    assert pin_pattern_margin(pin, hole, found.diameter, pins).enters.all()
    assert (found.diameter <= np.maximum(limit, size)).all()
    cut = found.enlargement > 0
    assert np.isin(found.diameter[cut], STEPS).all()
    assert np.isin(group[cut], found.passes).all()


def test_equal_totals_go_to_the_fewest_passes() -> None:
    # closed form: short by 0.003, so 0.006 of diameter: both holes to 0.451, or one to 0.454 in a single pass
    found = smallest_reaming([[0, 0], [2, 0]], [[0, 0], [2.011, 0]], [0.448] * 2, [0.44] * 2, 0.46, [0.451, 0.454])
    assert found is not None
    assert (found.total, found.passes.size) == (pytest.approx(0.006), 1)


def any_size(pin: np.ndarray, hole: np.ndarray, size: np.ndarray, pins: np.ndarray, limit: np.ndarray) -> float:
    """Least total to any size by scipy SLSQP, from three starts, lengths in thousandths: the second route."""
    fit = pin_pattern_margin(pin, hole, limit, pins)
    start = turned(pin - pin.mean(axis=0), fit.rotation[0]) * 1e3
    there = (turned(pin.mean(axis=0)[None], fit.rotation[0])[0] + fit.translation[0] - hole) * 1e3
    room, clear = (limit - size) * 1e3, (size - pins) / 2 * 1e3
    rows = len(pin)

    def slack(v: np.ndarray) -> np.ndarray:
        away = turned(start, v[0] / 3e3) + v[1:3] + there
        return clear + v[3:] / 2 - np.hypot(away[:, 0], away[:, 1])

    best = np.inf
    for share in (1.0, 0.5, 0.8):
        v = np.concatenate([np.zeros(3), share * room])
        found = minimize(
            lambda x: x[3:].sum(), v, jac=lambda _: np.r_[np.zeros(3), np.ones(rows)], method="SLSQP",
            bounds=[(None, None)] * 3 + [(0.0, r) for r in room], options={"ftol": 1e-13, "maxiter": 500},
            constraints={"type": "ineq", "fun": slack},
        )  # fmt: skip
        if slack(found.x).min() > -1e-7:
            best = min(best, found.fun / 1e3)
    return best


@pytest.mark.parametrize("seed", range(8))
def test_any_size_against_an_independent_solver(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    pin, hole, size, pins = random_part(rng, int(rng.integers(3, 12)))
    limit = size + rng.uniform(0.004, 0.015, len(size)) * (0.1 if seed == 1 else 1.0)  # a tenth is too little
    found = smallest_reaming(pin, hole, size, pins, limit)
    if found is None:
        assert not pin_pattern_margin(pin, hole, limit, pins).enters[0]
        return
    assert found.total == pytest.approx(any_size(pin, hole, size, pins, limit), abs=3e-7)
    assert found.total - 2e-7 <= found.least <= found.total
    assert pin_pattern_margin(pin, hole, found.diameter, pins).enters.all()
    assert (found.diameter <= limit).all()
    assert (found.diameter >= size).all()


def test_one_pass_through_two_walls_opens_both() -> None:
    # closed form: pins 2.000 apart, holes 2.010; the first hole's walls measure 0.446 and 0.449, its far wall reads the
    # same place. Short by 0.010 - 0.003 - 0.003 = 0.004 at the tight wall: a tool of 0.454 would open the walls by
    # 0.008 and 0.005; the second hole alone needs 0.008 and has one wall
    pin = np.array([[0, 0], [0, 0], [2, 0]], dtype=float)
    hole = np.array([[0, 0], [0, 0], [2.010, 0]])
    found = smallest_reaming(pin, hole, [0.446, 0.449, 0.446], [0.44] * 3, 0.46, together=[4, 4, 9])
    assert found is not None
    assert found.passes.tolist() == [9]
    assert found.total == pytest.approx(0.008, abs=1e-8)
    shut = smallest_reaming(pin, hole, [0.446, 0.449, 0.446], [0.44] * 3, [0.46, 0.46, 0.446], together=[4, 4, 9])
    assert shut is not None
    assert shut.diameter == pytest.approx([0.454, 0.454, 0.446], abs=1e-8)
    assert shut.total == pytest.approx(0.008 + 0.005, abs=1e-8)
    # a tool between the walls' sizes cuts the tight one only
    part = smallest_reaming(pin, hole, [0.446, 0.455, 0.446], [0.44] * 3, [0.46, 0.46, 0.446], together=[4, 4, 9])
    assert part is not None
    assert part.enlargement == pytest.approx([0.008, 0.0, 0.0], abs=1e-8)


def test_the_unit_changes_nothing() -> None:
    rng = np.random.default_rng(5)
    pin, hole, size, pins = random_part(rng, 5)
    inch = smallest_reaming(pin, hole, size, pins, 0.462)
    metric = smallest_reaming(pin * 25.4, hole * 25.4, size * 25.4, pins * 25.4, 0.462 * 25.4)
    assert inch is not None
    assert metric is not None
    assert metric.total == pytest.approx(25.4 * inch.total, abs=1e-6)
    steps = smallest_reaming(pin, hole, size, pins, 0.462, STEPS)
    same = smallest_reaming(pin * 25.4, hole * 25.4, size * 25.4, pins * 25.4, 0.462 * 25.4, 25.4 * np.array(STEPS))
    assert steps is not None
    assert same is not None
    np.testing.assert_allclose(same.diameter, 25.4 * steps.diameter, rtol=1e-12)


def test_a_search_that_runs_out_of_time_still_gives_sizes_that_are_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pin_gauge, "SECONDS", 0.0)
    rng = np.random.default_rng(1)
    pin, hole, size, pins = random_part(rng, 10)
    found = smallest_reaming(pin, hole, size, pins, 0.470, np.arange(0.450, 0.471, 0.002).round(3))
    assert found is not None
    assert pin_pattern_margin(pin, hole, found.diameter, pins).enters.all()
    assert 0 < found.least < found.total < (0.470 - size).sum()


def test_nothing_is_printed_on_standard_output(capfd: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(3)
    pin, hole, size, pins = random_part(rng, 6)
    smallest_reaming(pin, hole, size, pins, 0.47)
    smallest_reaming(pin, hole, size, pins, 0.47, STEPS)
    print("results")
    assert capfd.readouterr().out == "results\n"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"hole_xy": np.zeros((2, 6, 2))}, "2 parts given"),
        ({"hole_xy": np.full((6, 2), np.nan)}, "hole_xy has 12 missing numbers"),
        ({"hole_diameter": np.full(6, np.nan)}, "hole_diameter has 6 missing numbers"),
        ({"largest_diameter": [0.46, 0.47]}, r"largest_diameter has shape \(2,\)"),
        ({"largest_diameter": np.nan}, "largest_diameter has 6 missing numbers"),
        ({"steps": [0.45, np.nan]}, "steps has 1 missing numbers"),
        ({"together": [1, 2]}, r"together has shape \(2,\)"),
        ({"together": [0.5] * 6}, "type float64"),
    ],
)
def test_input_that_cannot_be_used_is_named(change: dict[str, object], words: str) -> None:
    given: dict[str, object] = {
        "pin_xy": SIX, "hole_xy": SIX + 0.004 * SIX, "hole_diameter": np.full(6, 0.446),
        "pin_diameter": np.full(6, 0.444), "largest_diameter": 0.47,
    }  # fmt: skip
    with pytest.raises(DataError, match=words):
        smallest_reaming(**(given | change))  # type: ignore[arg-type]
