"""Reads the published rows that lie in tests/data/fits; the exact margin of two pins for tests of patterns."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from holeqc.quantities import FloatArray

DATA = Path(__file__).parents[1] / "data" / "fits"


def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a data file; lines that begin with # say where they come from."""
    lines = [line for line in (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines() if line[:1] != "#"]
    return list(csv.DictReader(lines))


def sizes_in(over: str, to: str) -> list[float]:
    """Return the sizes at which a row must answer: just above its low edge, in the middle, on its high edge."""
    low, high = float(over), float(to)
    return [low + 1e-6 * max(high, 1.0), 0.5 * (low + high), high]


def two_pin_margin(
    pin_xy: FloatArray, hole_xy: FloatArray, hole_diameter: FloatArray, pin_diameter: FloatArray
) -> FloatArray:
    """Return the margin (B,) of two pins free to shift and turn, exact; one pin too (the kit centres itself).

    Plane geometry: the pitches differ by e and both pins share it: min(r1, r2, (r1 + r2 - e) / 2), r half a clearance.
    """
    room = 0.5 * (hole_diameter - pin_diameter)
    if room.shape[-1] == 1:
        return room[..., 0]
    pitch = [np.linalg.norm(xy[..., 1, :] - xy[..., 0, :], axis=-1) for xy in (pin_xy, hole_xy)]
    shared = 0.5 * (room.sum(axis=-1) - np.abs(pitch[0] - pitch[1]))
    return np.minimum(room.min(axis=-1), shared)
