"""What some readings of a part say of the others: against published conditional distributions, and by second routes."""

from __future__ import annotations

import sys
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from holeqc.inspection import reading_plan as rp
from holeqc.problems import DataError
from holeqc.sampling import reading_plan as core

SIMULATION = Path(__file__).parents[1] / "simulation"
NORMAL = np.array([1e9])  #: so many degrees of freedom are a normal distribution


def row(mean: list[float], scale: np.ndarray, dof: float = 1e9) -> core.Row:
    return core.Row(np.array(mean), np.array(scale, dtype=float), np.array([dof]), (np.arange(len(mean)),))


def test_normal_conditional_of_two() -> None:
    # Maseno University, MAS 209 lecture notes: means 5, 10, sds 2, 3, correlation 0.6, X = 7: mean 11.8, variance 5.76
    found = core.given(row([5.0, 10.0], np.array([[4.0, 3.6], [3.6, 9.0]])), np.array([0]), np.array([7.0]))
    assert found.mean[1] == pytest.approx(11.8, abs=1e-9)
    assert found.scale[1, 1] == pytest.approx(5.76, abs=1e-6)
    # the same from a public forum's exercise: 5.8, 5.3, sds 0.2, correlation 0.6, 6.3: 5.6 and 0.0256
    found = core.given(row([5.8, 5.3], np.array([[0.04, 0.024], [0.024, 0.04]])), np.array([0]), np.array([6.3]))
    assert found.mean[1] == pytest.approx(5.6, abs=1e-9)
    assert found.scale[1, 1] == pytest.approx(0.0256, abs=1e-9)


def kriged(
    points: np.ndarray, at: np.ndarray, variogram: tuple[float, float], values: np.ndarray
) -> tuple[float, float]:
    """Return estimate and variance with a mean of which nothing is known: a large variance common to all."""
    every = np.vstack([points, at]).astype(float)
    far = np.hypot(*np.moveaxis(every[:, None] - every[None], 2, 0))
    gamma = np.where(far > 0, variogram[0] + variogram[1] * far, 0.0)
    found = core.given(row([0.0] * len(every), 1e6 - gamma), np.arange(len(points)), values)
    return float(found.mean[-1]), float(found.scale[-1, -1])


def test_kitanidis_estimates() -> None:
    # P. K. Kitanidis, Introduction to Geostatistics, 1997, p. 170: variogram 0.1 + 0.006 h, two points
    points, at = np.array([(9.7, 47.6), (43.8, 24.6)]), np.array([(18.8, 67.9)])
    estimate, variance = kriged(points, at, (0.1, 0.006), np.array([1.22, 2.822]))
    assert estimate == pytest.approx(1.6364, abs=6e-5)
    assert variance == pytest.approx(0.4201, abs=6e-5)
    # p. 169: variogram 1 + h, points 0, 1, 3, predicted at 2; the first weight is printed as 0.1304
    line = np.array([(0.0, 0.0), (1.0, 0.0), (3.0, 0.0)])
    weight, _ = kriged(line, np.array([(2.0, 0.0)]), (1.0, 1.0), np.array([1.0, 0.0, 0.0]))
    assert weight == pytest.approx(0.1304, abs=6e-5)


def history(rng: np.random.Generator, parts: int, heavy: bool = False) -> np.ndarray:
    root = np.eye(4) * 0.6 + 0.5
    noise = rng.standard_t(3.0, (parts, 4)) if heavy else rng.normal(size=(parts, 4))
    return np.asarray(noise @ root.T)


def one_design(count: int) -> list[np.ndarray]:
    none = np.zeros(count, dtype=np.int64)
    return [core.design(np.arange(1.0, count + 1), none, none)]


def test_prediction_covers_with_few_parts() -> None:
    # of 300 short histories (seed 3), 95 of 100 intervals of an unread value hold it, its own uncertainty inside
    rng, inside, block, group = np.random.default_rng(3), 0, [np.arange(4)], np.arange(4)
    for _ in range(300):
        rows = history(rng, 29)
        model = core.fit(rows[:-1], one_design(28), block, group)
        ahead = core.ahead(model, [np.array([1.0, 0.29])])
        rest = core.given(ahead, np.array([0, 1]), rows[-1, :2])
        half = np.sqrt(np.diag(rest.scale))[2:] * stats.t.isf(0.025, rest.dof[0])
        inside += int((np.abs(rows[-1, 2:] - rest.mean[2:]) < half).sum())
    assert abs(inside / 600 - 0.95) < 3.5 * np.sqrt(0.95 * 0.05 / 300)


def test_one_reading_alone_is_the_textbook_prediction() -> None:
    # new value of a sample of n: mean, s sqrt(1 + 1/n), n - 1 degrees of freedom; here with a level alone
    values = np.random.default_rng(4).normal(3.0, 2.0, (40, 1))
    model = core.fit(values, [np.ones((40, 1))], [np.array([0])], np.array([0]))
    found = core.ahead(model, [np.ones(1)])
    assert found.mean[0] == pytest.approx(values.mean())
    assert found.scale[0, 0] == pytest.approx(values.var(ddof=1) * (1 + 1 / 40))
    assert found.dof[0] == 39


def test_risk_is_no_less_than_what_is_drawn() -> None:
    rng = np.random.default_rng(5)
    root = rng.normal(size=(3, 3))
    there = row([0.0, 0.0, 0.0], root @ root.T, 8.0)
    limits = core.Limits(np.array([[1.0, 0, 0], [0, 1.0, -1.0], [-1.0, 0, 0.5]]), np.array([3.0, 3.5, 4.0]))
    drawn = rng.normal(size=(200_000, 3)) @ root.T * np.sqrt(8.0 / rng.chisquare(8.0, (200_000, 1)))
    true = float(((drawn @ limits.a.T) > limits.c).any(axis=1).mean())
    found = core.risk(there, limits)
    assert true - 0.003 < found < 1.6 * true
    each = (drawn @ limits.a.T > limits.c).mean(axis=0)
    assert core.risks(there, limits) == pytest.approx(each, abs=0.002)


def test_choice_is_as_small_as_any() -> None:
    # every subset of seven holes in a row, correlations that fade with the distance, is looked at too
    far = np.abs(np.subtract.outer(np.arange(7.0), np.arange(7.0)))
    more = []
    for seed, length in ((1, 1.0), (2, 3.0), (3, 8.0), (4, 5.0)):
        there = row([0.0] * 7, np.exp(-far / length) * np.outer(*[1.0 + 0.2 * np.arange(7.0)] * 2), 60.0)
        limits = core.Limits(np.vstack([np.eye(7), -np.eye(7)]), np.tile(3.3 + 0.7 * np.arange(7.0), 2))
        chooser = core.Chooser(there, limits, np.arange(7), 0.004, 0.05, seed=seed)
        found = chooser.choose()
        least = next(n for n in range(8) if any(chooser.held(some) <= 0.05 for some in combinations(range(7), n)))
        assert found.hold <= 0.05
        more.append(len(found.units) - least)
        assert 0 < least < 7
        assert {6} <= set(chooser.choose({6}).units)
    # sets are compared by the risk at their mean, and the share that is held is counted on 128 parts: one may be missed
    assert sum(more) <= 1, more


def test_histories_that_carry_no_plan() -> None:
    rng, block, group = np.random.default_rng(6), [np.arange(4)], np.arange(4)
    with pytest.raises(DataError, match="are needed"):
        core.fit(history(rng, 20), one_design(20), block, group)
    heavy = history(rng, 300, heavy=True)
    with pytest.raises(DataError, match=r"tails|no common model"):
        core.fit(heavy, one_design(300), block, group)
    rows = history(rng, 100)
    rows[40] += [0.0, 9.0, 0.0, 0.0]  # one hole off: such a fault can't be foretold from the others
    with pytest.raises(DataError, match="tails"):
        core.fit(rows, one_design(100), block, group)
    rows = history(rng, 100)
    rows[40] += 10.0  # off as a whole, as out of seat: any reading shows it
    model = core.fit(rows, one_design(100), block, group)
    assert model.left_out == (40,)
    rows = history(rng, 100)
    rows[-20:, 2] += 1.5
    model = core.fit(rows, one_design(100), block, group)
    assert 2 in core.lately_off(model, rows, one_design(100), group, 20)
    rows = history(rng, 120)
    rows[80:, 1] += rng.normal(0.0, 2.5, 40)
    model = core.fit(rows, one_design(120), block, group)
    assert 1 in core.loosened(model, rows, one_design(120), group)
    rows = history(rng, 120)
    rows[:, 3] += 0.03 * np.arange(120)
    model = core.fit(rows, one_design(120), block, group)
    assert set(np.flatnonzero(core.drifting(model, [1]) < 1e-4)) == {3}


def test_surprise_of_good_parts_is_as_rare_as_said_and_a_moved_hole_is_seen() -> None:
    rng = np.random.default_rng(7)
    root = np.eye(6) * 0.5 + 1.0
    there = core.Row(np.zeros(6), root @ root.T, np.array([200.0]), (np.arange(6),))
    drawn = rng.normal(size=(2000, 6)) @ root.T
    read, group = np.array([0, 1, 2, 3]), np.array([0, 0, 1, 1, 2, 2])
    chances = np.array([core.surprise(there, read, values[read], group).chance for values in drawn])
    assert (chances < 0.02).mean() < 0.03
    moved = drawn[:200] + np.array([0.0, 0.0, 4.0, 4.0, 0.0, 0.0])
    seen = [core.surprise(there, read, values[read], group).chance < 0.002 for values in moved]
    assert np.mean(seen) > 0.9


def test_due_holes_come_in_time_and_follow_from_the_seed() -> None:
    ages, last = [0] * 8, dict.fromkeys(range(8), 0)
    for part in range(1, 200):
        holes = core.due_holes(f"seed {part}", ages, [4] * 7 + [2], 3)
        assert holes == core.due_holes(f"seed {part}", ages, [4] * 7 + [2], 3)
        ages = [0 if hole in holes else age + 1 for hole, age in enumerate(ages)]
        for hole in holes:
            assert part - last[hole] <= (2 if hole == 7 else 4)
            last[hole] = part
    assert sorted(core.drawn_order("a", 8)) == list(range(8))
    assert core.drawn_order("a", 8) != core.drawn_order("b", 8)


def test_linear_limits_and_a_few_simulated_fixtures(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SIMULATION))
    import reading_plan as simulation

    spec = simulation.kit()
    slots = rp.slots_of(spec)
    limits = rp.limits_of(spec, slots)
    rng = np.random.default_rng(8)
    rows = np.vstack([simulation.rows_of(rng, kind, spec, 0.0022) for kind in simulation.KINDS[:8]])
    bad, _ = simulation.bad_parts(rows, spec)
    passed = (simulation._in_slots(rows, slots, spec) @ limits.a.T <= limits.c).all(axis=1)
    assert bad.sum() > 10
    assert not (passed & bad).any()
    assert passed[~bad].mean() > 0.9
    found = simulation.run(18, 9, spec)
    healthy = found[simulation.HEALTHY]
    assert healthy.parts == healthy.fixtures * simulation.AFTER
    assert healthy.read < 0.5 * healthy.parts * slots.hole.size
    assert sum(tally.bad for tally in found.values()) <= 3
    sys.modules.pop("reading_plan", None)
