"""Networks that the tests of this folder share: published ones, and plates made up here."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from holeqc.distances import Adjustment, Network, adjust, pairs

PUBLISHED: list[dict[str, Any]] = json.loads(
    (Path(__file__).parents[1] / "data" / "distances" / "networks.json").read_text(encoding="utf-8")
)["networks"]
#: two rows of holes of a plate, inch, and its two datum edges x = 0 and y = 0
PLATE = np.array([[1.0, 1.0], [3.5, 1.2], [6.0, 1.0], [8.5, 1.3], [1.0, 4.0], [3.5, 4.3], [6.0, 4.0], [8.5, 4.2]])
EDGES = np.array([[0.0, 0.0], [np.pi / 2, 0.0]])
SD = 0.0005


def published(name: str) -> dict[str, Any]:
    """Return one published network by its id."""
    return next(n for n in PUBLISHED if n["id"] == name)


def parts_of_network(network: dict[str, Any]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return ends, distances, sd (1 where none is printed), coordinates and which are given."""
    names = list(network["points"])
    fixed = np.zeros((len(names), 2), dtype=bool)
    for key in network["fixed"]:
        fixed[names.index(key[1:]), "xy".index(key[0])] = True
    rows = network["obs"]
    ends = np.array([[names.index(a), names.index(b)] for a, b, *_ in rows])
    sd = np.array([row[3] if len(row) > 3 else 1.0 for row in rows])
    return ends, np.array([row[2] for row in rows]), sd, np.array(list(network["points"].values()), float), fixed


def adjusted(network: dict[str, Any], **changes: Any) -> Adjustment:
    """Return a published network adjusted by the public function, distances and such exchanged by name."""
    names = ("ends", "distance", "sd", "start", "fixed")
    return adjust(**dict(zip(names, parts_of_network(network), strict=True)) | changes)


def plate(count: int | None = None, edges: bool = True, seed: int = 1) -> Network:
    """Return the plate with all distances, or so many of them at random."""
    ends = pairs(len(PLATE), 2 if edges else 0)
    if count is not None:
        ends = ends[np.sort(np.random.default_rng(seed).permutation(len(ends))[:count])]
    return Network(PLATE, ends, EDGES if edges else np.zeros((0, 2)))


def measured(network: Network, parts: int, seed: int = 2, off: float = 0.005) -> tuple[np.ndarray, np.ndarray]:
    """Return true coordinates (parts, p, 2) of drilled plates and their distances with errors of `SD`."""
    rng = np.random.default_rng(seed)
    true = np.tile(network.values(), (parts, 1))
    true[:, : 2 * len(network.points)] += rng.normal(0, off, (parts, 2 * len(network.points)))
    distance = network.measured(true) + rng.normal(0, SD, (parts, len(network.ends)))
    return true[:, : 2 * len(network.points)].reshape(parts, -1, 2), distance
