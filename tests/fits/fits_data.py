"""Reads the published rows that lie in tests/data/fits."""

from __future__ import annotations

import csv
from pathlib import Path

DATA = Path(__file__).parents[1] / "data" / "fits"


def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a data file; lines that begin with # say where they come from."""
    lines = [line for line in (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines() if line[:1] != "#"]
    return list(csv.DictReader(lines))


def sizes_in(over: str, to: str) -> list[float]:
    """Return the sizes at which a row must answer: just above its low edge, in the middle, on its high edge."""
    low, high = float(over), float(to)
    return [low + 1e-6 * max(high, 1.0), 0.5 * (low + high), high]
