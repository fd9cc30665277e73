"""From what is read to the distance of centres; elementary geometry, common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from holeqc.distances import WAYS, of_repeats, shared_covariance, to_centres
from holeqc.distances.ways import cosine_error
from holeqc.problems import DataError

NAN = np.nan
#: a row a way: reading with centres 2.0 apart or 1.0 from the edge, holes 0.4585 and 0.4605, pins 0.457 and 0.459
READ = {
    "over pins": (2.458, [0.457, 0.459]), "between pins": (1.542, [0.457, 0.459]),
    "far walls": (2.4595, [0.4585, 0.4605]),
    "web": (1.5405, [0.4585, 0.4605]), "centres": (2.0, [NAN, NAN]), "edge over pin": (1.2285, [0.457, NAN]),
    "edge to pin": (0.7715, [NAN, 0.457]), "edge to far wall": (1.22925, [0.4585, NAN]),
    "edge to near wall": (0.77075, [NAN, 0.4585]), "edge to centre": (1.0, [NAN, NAN]),
    "height over pin": (1.2285, [0.457, NAN]), "height to upper wall": (1.22925, [0.4585, NAN]),
    "height to lower wall": (0.77075, [0.4585, NAN]), "across": (8.0, [NAN, NAN]),
}  # fmt: skip
HOLE = [0.4585, 0.4605]


def test_every_way_gives_the_centres() -> None:
    assert set(READ) == set(WAYS)
    found = to_centres(list(READ), [r for r, _ in READ.values()], [d for _, d in READ.values()], 0.0005, hole=HOLE)
    centres = {"edge to edge": 8.0, "hole to hole": 2.0, "edge to hole": 1.0}
    wanted = [centres[WAYS[name].between] for name in READ]
    np.testing.assert_allclose(found.distance, wanted, atol=1e-12)


def test_a_pin_smaller_than_its_hole_has_play() -> None:
    # uniform over hole - pin: sd = play / 2 / sqrt(3) for each pin along the distance
    two = to_centres(["over pins"], [[2.458], [NAN]], [[0.457, 0.459]], 0.0005, hole=HOLE)
    np.testing.assert_allclose(two.sd[0], np.hypot(0.0005, np.sqrt(2) * 0.0015 / 2 / np.sqrt(3)))
    np.testing.assert_allclose(two.play[0, 0], [0.0015, 0.0015])
    assert np.isnan(two.distance[1, 0])
    rng = np.random.default_rng(1)
    off = rng.uniform(-0.00075, 0.00075, (200_000, 2)).sum(axis=1) + rng.normal(0, 0.0005, 200_000)
    assert off.std() == pytest.approx(two.sd[0, 0], rel=0.01)
    assert np.isnan(to_centres(["over pins"], [2.458], [[0.457, 0.459]], 0.0005).sd).all()
    assert to_centres(["over pins"], [2.4], [[0.46, 0.44]], 0.0005, hole=HOLE).play[0, 0] < 0


def test_flat_jaws_stand_off_a_round_wall() -> None:
    # jaws with a land w in a hole D read sqrt(D² - w²), short by about w²/(2D): 0.01251 at D = 10, w = 0.5 mm
    far = to_centres(["far walls", "web"], [40.0, 20.0], [[10.0, 10.0]] * 2, 0.01, land=0.5)
    np.testing.assert_allclose(far.distance, [30.01251, 29.98749], atol=1e-5)


def test_errors_of_diameters_and_of_a_gauge_held_askew() -> None:
    found = to_centres(["far walls"], [2.4595], [HOLE], 0.0005, diameter_sd=[[0.0003, 0.0004]], tilt_deg=1.0)
    askew = 2.4595 * 0.0001523 / np.sqrt(3)
    assert found.sd[0] == pytest.approx(np.sqrt(0.0005**2 + (0.0003**2 + 0.0004**2) / 4 + askew**2), rel=1e-4)
    # printed in an encyclopaedia's text on cosine error: 1 degree is 0.015 %, one part in 6600
    assert cosine_error(1.0, [1.0, 0.1]) == pytest.approx([1.5e-4, 1.5e-6], rel=0.02)


def test_a_warm_part_and_a_warm_gauge() -> None:
    found = to_centres(["centres"], [10.0], [[NAN, NAN]], 0.0005, temperature_c=30.0, temperature_sd=1.0,
                       part_per_c=23e-6, gauge_per_c=11.5e-6)  # fmt: skip
    assert found.distance[0] == pytest.approx(10.0 - 10 * 10 * 11.5e-6, abs=1e-6)
    assert found.sd[0] == pytest.approx(np.hypot(0.0005, 1e-4 * 1.15), rel=1e-3)


def test_repeats_never_make_a_gauge_better_than_its_u() -> None:
    mean, sd = of_repeats([[1.000, 1.001, NAN], [1.000, 1.010, 1.020], [NAN, NAN, NAN]], 0.001)
    np.testing.assert_allclose(mean, [1.0005, 1.010, NAN])
    np.testing.assert_allclose(sd, [0.001, np.sqrt(1e-6 + (1e-4 - 1e-6) / 3), NAN])


def test_distances_that_share_a_pin_share_its_error() -> None:
    # C1 = M1 - d/2 - e/2, C2 = M2 - d/2 - f/2, C3 = m + d/2 + e/2: pin d in all, e in the first and third
    found = to_centres(["over pins", "over pins", "between pins"], [2.0] * 3, np.full((3, 2), 0.45), 0.0005, hole=0.45,
                       diameter_sd=0.0002)  # fmt: skip
    covariance = shared_covariance(found, [[0, 1], [0, 2], [0, 1]])
    np.testing.assert_allclose(np.diag(covariance), found.sd**2)
    np.testing.assert_allclose(covariance[0, 1:], [1e-8, -2e-8], atol=1e-15)
    zero = shared_covariance(found, [[0, 1], [0, 2], [0, 1]], gauges=[0, 0, 1], zero_sd=[0.0003, 0.0003])
    np.testing.assert_allclose(zero - covariance, [[0, 9e-8, 0], [9e-8, 0, 0], [0, 0, 0]], atol=1e-15)
    assert np.linalg.eigvalsh(zero)[0] > 0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"ways": ["across pins"]}, "no way to measure"),
        ({"diameter": [[0.457, NAN]]}, "distance 0 is measured 'over pins' and needs the diameter of the pin"),
        ({"gauge_sd": -1.0}, "below zero"),
        ({"ways": ["web"], "land": 0.5}, "as wide as the hole"),
    ],
)
def test_what_cannot_be_a_distance_is_told(change: dict, words: str) -> None:
    good = {"ways": ["over pins"], "reading": [2.0], "diameter": [[0.457, 0.459]], "gauge_sd": 0.0005}
    with pytest.raises(DataError, match=words):
        to_centres(**good | change)
