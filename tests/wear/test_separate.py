"""Seating apart from bushings: exact motions, a worn bushing, missing holes, shares of causes.

Nothing is published for drill fixtures: motions are put in with rotation matrices and must come out, and a plain loop
over parts with the library's least squares is the second route.
"""

from __future__ import annotations

import numpy as np
import pytest
from wear_cases import NOMINAL, one_part, seated

from holeqc.fixture.history import CAUSES, variance_shares
from holeqc.fixture.separate import TUKEY, Moving, confirmed, separate
from holeqc.problems import DataError


def test_motions_without_scatter_come_out_exactly() -> None:
    off, put = seated(np.random.default_rng(1), 50, scatter=0.0)
    found = separate(NOMINAL, off)
    np.testing.assert_allclose(found.shift, put["shift"], atol=1e-13)
    np.testing.assert_allclose(found.rotation, put["turn"], atol=1e-13)
    np.testing.assert_allclose(found.scale, put["scale"], atol=1e-13)
    np.testing.assert_allclose(found.rest, 0.0, atol=1e-13)


def test_a_half_turn_is_no_small_angle_and_still_exact() -> None:
    turn = np.array([[0.0, -1.0], [1.0, 0.0]])
    centre = NOMINAL.mean(axis=0)
    off = ((NOMINAL - centre) @ turn.T + centre - NOMINAL)[None]
    found = separate(NOMINAL, off)
    assert found.rotation[0] == pytest.approx(np.pi / 2, abs=1e-12)
    assert found.scale[0] == pytest.approx(0.0, abs=1e-12)


def test_a_hole_that_is_off_does_not_drag_the_seating() -> None:
    rng = np.random.default_rng(2)
    off, put = seated(rng, 200)
    off[:, 2] += (0.012, -0.008)  # a worn bushing on every part
    off[17, 5] += (0.5, 0.0)  # one bad reading on top
    found = separate(NOMINAL, off)
    plain = np.array([one_part(NOMINAL, o, 1e9, 1)[0][:2] for o in off])  # equal weights: least squares
    ours = np.abs(found.shift - put["shift"]).mean()
    dragged = np.abs(plain - put["shift"]).mean()
    # the mean of eight holes is dragged by an eighth of the offset at least
    assert dragged > 0.0012
    assert ours < 0.00025
    np.testing.assert_allclose(np.median(found.rest[:, 2], axis=0), (0.012, -0.008), atol=0.0002)
    np.testing.assert_allclose(np.abs(np.median(found.rest[:, [0, 1, 3, 4, 5, 6, 7]], axis=0)).max(), 0.0, atol=0.0002)
    assert found.weight[17, 5] < 1e-6
    np.testing.assert_allclose(found.shift[17], put["shift"][17], atol=0.0012)


def test_a_bushing_that_its_own_places_do_not_move_is_none_that_moves() -> None:
    off, _ = seated(np.random.default_rng(5), 120)
    off[:, 3, 0] += 0.00002 * np.arange(120)
    found = confirmed(Moving(((3, 6),), 9.0), separate(NOMINAL, off, moved=(3, 6)))
    assert found.sets == ((3,),)


def test_part_by_part_loop_gives_the_same() -> None:
    off, _ = seated(np.random.default_rng(3), 40)
    off[::7, 4] += 0.01
    found = separate(NOMINAL, off)
    for part in range(0, 40, 3):
        beta, rest = one_part(NOMINAL, off[part] - found.local[part], found.scatter, 40)
        np.testing.assert_allclose(found.shift[part], beta[:2], atol=2e-6)
        np.testing.assert_allclose(found.rest[part] - found.local[part], rest, atol=4e-6)


def test_estimating_equations_hold() -> None:
    off, _ = seated(np.random.default_rng(4), 60)
    found = separate(NOMINAL, off)
    rest = found.rest - found.local
    weight = np.maximum(1 - ((rest**2).sum(axis=2) / (TUKEY * found.scatter) ** 2), 0) ** 2
    pull = np.abs((weight[..., None] * rest).sum(axis=1)) / found.scatter
    assert pull.max() < 0.01


def test_scatter_is_that_put_in() -> None:
    off, _ = seated(np.random.default_rng(5), 3000, scatter=0.0007)
    assert separate(NOMINAL, off).scatter == pytest.approx(0.0007, rel=0.02)


def test_missing_holes_and_too_few() -> None:
    rng = np.random.default_rng(6)
    off, put = seated(rng, 60, scatter=0.0001)
    off[3, :4] = np.nan
    off[4, 2:] = np.nan  # two holes left: no seating with a scale
    found = separate(NOMINAL, off)
    np.testing.assert_allclose(found.shift[3], put["shift"][3], atol=0.0006)
    assert np.isnan(found.rest[3, :4]).all()
    assert np.isfinite(found.rest[3, 4:]).all()
    assert np.isnan(found.rotation[4])
    assert np.isnan(found.rest[4]).all()
    assert np.isfinite(found.rotation[5:]).all()


def test_two_holes_take_a_rigid_motion_and_one_takes_none() -> None:
    off, put = seated(np.random.default_rng(7), 40, NOMINAL[[0, 3]], scatter=0.0, grows=0.0)
    found = separate(NOMINAL[[0, 3]], off)
    assert not found.scaled
    np.testing.assert_allclose(found.rotation, put["turn"], atol=1e-12)
    np.testing.assert_allclose(found.scale, 0.0, atol=1e-12)
    with pytest.raises(DataError, match="two holes"):
        separate(NOMINAL[:1], off[:, :1])
    with pytest.raises(DataError, match="apart"):
        separate(np.zeros((3, 2)), np.zeros((5, 3, 2)))


def test_shares_find_the_spreads_that_were_put_in() -> None:
    off, _ = seated(np.random.default_rng(8), 2000, scatter=0.0005)
    off[:, 1] += (0.002, 0.0)
    shares = {s.cause: s for s in variance_shares(separate(NOMINAL, off), NOMINAL)}
    reach = np.sqrt(((NOMINAL - NOMINAL.mean(axis=0)) ** 2).sum(axis=1).mean() / 2)
    assert tuple(shares) == CAUSES
    # by hand: sd of the shift 0.003, of the turn 0.001 rad and of the scale 2e-5, both at the holes' rms reach
    assert shares["seating shift"].sd == pytest.approx(0.003, rel=0.04)
    assert shares["seating turn"].sd == pytest.approx(0.001 * reach, rel=0.05)
    assert shares["scale"].sd == pytest.approx(2e-5 * reach, rel=0.5)
    assert shares["bushing offset"].sd == pytest.approx(np.sqrt(0.002**2 / 16), rel=0.05)
    assert shares["scatter"].sd == pytest.approx(0.0005, rel=0.05)
    assert sum(s.share for s in shares.values()) == pytest.approx(1.0)
    assert all(s.lower <= s.share <= s.upper for s in shares.values())


def test_scatter_alone_feigns_no_seating() -> None:
    off = np.random.default_rng(9).normal(0, 0.0005, (3000, 8, 2))
    shares = {s.cause: s.sd for s in variance_shares(separate(NOMINAL, off), NOMINAL)}
    # untaken, the scatter would show as 0.0005 / sqrt(8) of shift and 0.0005 / sqrt(16) of turn and scale
    assert shares["seating shift"] < 0.00008
    assert shares["seating turn"] < 0.00006
    assert shares["scale"] < 0.00006
