"""The proof behind a margin: its bound holds at every motion, and the sure ways agree with the quick one."""

from __future__ import annotations

import numpy as np
import pytest
from pin_reference import best_margin, reached, turned

from holeqc.inspection import minimax
from holeqc.inspection.minimax import best_motion, bound, open_angles, place, proof, settle, solve


def random_dual(rng: np.random.Generator, rows: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weights and pushes that break their conditions, as rounding and unfinished steps do."""
    return rng.uniform(0, 1, (rows, 1)), rng.normal(0, 0.2, (rows, 1)), rng.normal(0, 0.2, (rows, 1))


@pytest.mark.parametrize("seed", range(10))
def test_no_motion_beats_the_bound(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(1, 7))
    p, h = rng.normal(0, 1, (rows, 2)), rng.normal(0, 1, (rows, 2))
    c = rng.uniform(-0.2, 0.4, rows)
    weight, zx, zy = random_dual(rng, rows)
    dual = bound(weight, zx, zy, p[:, :1], p[:, 1:], h[:, :1], h[:, 1:], c[:, None])
    low, high = -0.7, 0.4
    for _ in range(300):
        angle = rng.uniform(-np.pi, np.pi)
        overshoot = -reached(p, h, c, angle, rng.normal(0, 1, 2))
        assert overshoot >= dual.at(np.array([angle]))[0] - 1e-12
        assert overshoot >= dual.anywhere()[0] - 1e-12
        if low <= angle <= high:
            assert overshoot >= dual.between(np.array([low]), np.array([high]))[0] - 1e-12


def test_bound_over_an_arc_is_its_lowest_value_there() -> None:
    # second independent route: a fine scan of the bound at single angles
    rng = np.random.default_rng(3)
    p, h = rng.normal(0, 1, (4, 2)), rng.normal(0, 1, (4, 2))
    dual = bound(*random_dual(rng, 4), p[:, :1], p[:, 1:], h[:, :1], h[:, 1:], np.zeros((4, 1)))
    for low, high in ((-3.0, -2.0), (-1.0, 1.0), (0.5, 3.1), (-3.1, 3.1)):
        scan = min(dual.at(np.array([a]))[0] for a in np.linspace(low, high, 4001))
        found = dual.between(np.array([low]), np.array([high]))[0]
        assert scan - 1e-5 <= found <= scan + 1e-12
    scan = min(dual.at(np.array([a]))[0] for a in np.linspace(-np.pi, np.pi, 4001))
    assert dual.anywhere()[0] == pytest.approx(scan, abs=1e-5)


def test_two_points_leave_open_no_less_than_they_should() -> None:
    rng = np.random.default_rng(5)
    for _ in range(40):
        p = rng.normal(0, 1, (3, 2))
        true = rng.uniform(-np.pi, np.pi)
        zone = rng.uniform(0.01, 0.6, 3)
        around = rng.uniform(0, 2 * np.pi, 3)
        h = turned(p, true) + (zone * np.array([np.cos(around), np.sin(around)])).T
        low, high = open_angles(p[:, :1], p[:, 1:], h[:, :1], h[:, 1:], zone[:, None])
        inside = [low[0] <= true + turn <= high[0] for turn in (-2 * np.pi, 0.0, 2 * np.pi)]
        assert any(inside)


def hard_parts(rng: np.random.Generator) -> list[tuple[str, np.ndarray, np.ndarray, np.ndarray]]:
    """Patterns that the quick way can't settle: ties, perfect fits, coincident pins, misfits as large as they are."""
    six = np.array([[0.0, 0.0], [1.5, 0.0], [3.0, 0.0], [0.0, 2.0], [1.5, 2.0], [3.0, 2.0]])
    near = rng.normal(0, 0.003, (20, 6, 2))
    return [
        ("one tight hole", six, six + near, np.tile([0.002, 0.009, 0.009, 0.009, 0.009, 0.009], (20, 1))),
        ("two tight holes", six, six + near, np.tile([0.002, 0.009, 0.009, 0.002, 0.009, 0.009], (20, 1))),
        ("read to a thousandth", six, six + near.round(3), np.full((20, 6), 0.005)),
        ("walls", six[[0, 0, 1, 1]], six[[0, 0, 1, 1]] + near[:, :4], np.full((20, 4), 0.005)),
        ("one place", six[[2, 2, 2, 2]], six[2] + near[:, :4], rng.uniform(0.001, 0.008, (20, 4))),
        ("wide zone", six, six + near, np.tile([0.004] * 5 + [12.0], (20, 1))),
        ("large misfit", six, six + 100 * near, np.full((20, 6), 0.1)),
        ("strangers", six, rng.normal(0, 1.5, (20, 6, 2)), rng.uniform(-0.5, 0.5, (20, 6))),
    ]


def test_hard_patterns_are_proved_and_their_motions_reach_what_is_said() -> None:
    for name, pin, hole, clearance in hard_parts(np.random.default_rng(11)):
        fit = best_motion(pin, hole, clearance)
        size = np.abs(hole - pin).max()
        assert fit.gap.max() < 1e-9 * max(size, 1.0), name
        for part in range(20):
            there = reached(pin, hole[part], clearance[part], fit.rotation[part], fit.translation[part])
            assert there == pytest.approx(fit.margin[part], abs=1e-12), name


def test_hard_patterns_agree_with_an_independent_solver() -> None:
    # second independent route: scipy SLSQP, from 24 angles where the misfit is large
    for name, pin, hole, clearance in hard_parts(np.random.default_rng(11)):
        fit = best_motion(pin, hole[:2], clearance[:2])
        for part in range(2):
            angles = 24 if name in ("strangers", "large misfit") else 1
            other = best_margin(pin, hole[part], clearance[part], angles)
            assert other <= fit.margin[part] + 1e-9, name
            assert other == pytest.approx(fit.margin[part], abs=1e-8), name


@pytest.mark.parametrize("part", [7, 46])
def test_the_search_leaves_a_local_best_for_a_better_one(part: int) -> None:
    # second independent route: scipy SLSQP from 24 angles; from the least-squares angle alone it ends elsewhere
    rng = np.random.default_rng(3)
    six = np.array([[0.0, 0.0], [1.5, 0.0], [3.0, 0.0], [0.0, 2.0], [1.5, 2.0], [3.0, 2.0]])
    hole, clearance = rng.normal(0, 1.5, (60, 6, 2))[part], rng.uniform(-0.5, 0.5, (60, 6))[part]
    fit = best_motion(six, hole[None], clearance[None])
    assert fit.margin[0] == pytest.approx(best_margin(six, hole, clearance, 24), abs=1e-8)
    assert best_margin(six, hole, clearance) < fit.margin[0] - 0.01


def test_large_misfits_are_solved_without_the_search_in_most_parts() -> None:
    # exact steps count the turn's own curvature; with a wrong one they don't arrive where the misfit is large
    rng = np.random.default_rng(4)
    six = np.array([[0.0, 0.0], [1.5, 0.0], [3.0, 0.0], [0.0, 2.0], [1.5, 2.0], [3.0, 2.0]])
    frame = place(six, six + rng.normal(0, 0.3, (300, 6, 2)), np.full((300, 6), 0.05), rotate=True).frame
    with np.errstate(all="ignore"):
        assert (settle(frame, 7).apart < 1e-11).mean() > 0.98
        few = frame.take(np.arange(40))
        found = solve(few, rotate=True)
        assert (found.apart < 1e-9).all()
        assert (found.overshoot <= settle(few, 7).overshoot + 1e-9).mean() > 0.9


def test_sure_way_agrees_with_the_quick_one(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    pin = rng.uniform(0, 4, (9, 2))
    hole, clearance = pin + rng.normal(0, 0.003, (60, 9, 2)), rng.uniform(0.004, 0.008, (60, 9))
    quick = best_motion(pin, hole, clearance)
    frame = place(pin, hole, clearance, rotate=True)
    sure = frame.margin(solve(frame.frame, rotate=True).overshoot)
    np.testing.assert_allclose(sure, quick.margin, atol=1e-11)
    monkeypatch.setattr(minimax, "ROUNDS", ())
    np.testing.assert_allclose(best_motion(pin, hole, clearance).margin, quick.margin, atol=1e-11)


def test_a_tampered_result_of_the_quick_way_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    pin = rng.uniform(0, 4, (6, 2))
    hole, clearance = pin + rng.normal(0, 0.003, (30, 6, 2)), np.full((30, 6), 0.006)
    right = best_motion(pin, hole, clearance)
    monkeypatch.setattr(minimax, "CENTRING", (0.9,))  # rough steps that stop far from the end
    rough = best_motion(pin, hole, clearance)
    np.testing.assert_allclose(rough.margin, right.margin, atol=1e-11)
    assert rough.gap.max() < 1e-9


def test_proof_says_which_sum_of_clearances_is_needed() -> None:
    rng = np.random.default_rng(7)
    pin = rng.uniform(0, 4, (5, 2))
    for _ in range(10):
        hole = pin + rng.normal(0, 0.004, (5, 2))
        clearance = rng.uniform(0.001, 0.003, 5)
        weight, need = proof(pin, hole, clearance, np.full(5, 0.02))
        assert weight.sum() == pytest.approx(1.0)
        margin = best_motion(pin, hole[None], clearance[None]).margin[0]
        assert need - weight @ clearance == pytest.approx(-margin, abs=1e-7)
        wider = rng.uniform(0.0, 0.02, (300, 5))
        enters = best_motion(pin, np.broadcast_to(hole, (300, 5, 2)), wider).margin >= 0
        assert (wider[enters] @ weight >= need - 1e-12).all()
