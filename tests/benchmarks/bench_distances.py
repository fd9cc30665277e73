"""Speed of distances to coordinates: `python tests/benchmarks/bench_distances.py`.

10 000 parts of 8 holes and 20 distances, coordinates, covariance and tests included, against scipy's least_squares part
by part as it stands, with exact derivatives and nothing but the coordinates: at least 50 times as fast.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.optimize import least_squares
from timing import clock, line, paired

from holeqc.distances import Network, adjust_network, choose, pairs

LEAST, PARTS, LOOPED, SD = 50.0, 10_000, 200, 0.0005
BASIC = np.array([[1.0, 1.0], [3.5, 1.2], [6.0, 1.0], [8.5, 1.2], [1.0, 4.0], [3.5, 4.3], [6.0, 4.0], [8.5, 4.2]])
EDGES = np.array([[0.0, 0.0], [np.pi / 2, 0.0]])


def made() -> tuple[Network, np.ndarray]:
    """Return the network and what was measured of every part (parts, 20)."""
    possible = Network(BASIC, pairs(8, 2), EDGES)
    taken = np.array(choose(possible, np.full(len(possible.ends), SD), 20).distances)
    network = Network(BASIC, possible.ends[taken], EDGES)
    rng = np.random.default_rng(1)
    true = np.tile(network.values(), (PARTS, 1))
    true[:, :16] += rng.normal(0, 0.005, (PARTS, 16))
    return network, network.measured(true) + rng.normal(0, SD, (PARTS, 20))


def one_by_one(network: Network, distance: np.ndarray) -> np.ndarray:
    """Return coordinates of each part by a general solver."""
    start = network.values()

    def at(x: np.ndarray) -> np.ndarray:
        return np.concatenate([x, start[16:]])

    found = []
    for row in distance:
        result = least_squares(
            lambda x, row=row: (network.measured(at(x)) - row) / SD,
            start[:16], jac=lambda x: network.design(at(x))[1][:, :16] / SD, xtol=1e-12, ftol=1e-12, gtol=1e-12,
        )  # fmt: skip
        found.append(result.x.reshape(8, 2))
    return np.array(found)


if __name__ == "__main__":
    network, distance = made()
    sd = np.full(20, SD)
    together, alone = adjust_network(network, distance[:LOOPED], sd).xy, one_by_one(network, distance[:LOOPED])
    assert np.abs(together - alone).max() < 1e-8
    result = paired(
        lambda: clock(lambda: one_by_one(network, distance[:LOOPED])) * PARTS / LOOPED,
        lambda: clock(lambda: adjust_network(network, distance, sd)),
        3,
    )
    line("10 000 parts of 20 distances: part by part / at once", *result, f"at least {LEAST:.0f}")
    sys.exit(0 if result[2] >= LEAST else 1)
