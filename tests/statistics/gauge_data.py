"""Reader of the small tables in tests/data/statistics: lines that begin with # are comments."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FOLDER = Path(__file__).resolve().parents[1] / "data" / "statistics"


def columns(name: str) -> dict[str, list[str]]:
    """Return the columns of a table as text."""
    lines = [line for line in (FOLDER / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rows = list(csv.reader(lines))
    return {head: [row[k] for row in rows[1:]] for k, head in enumerate(rows[0])}


def numbers(column: list[str]) -> NDArray[np.float64]:
    """Return a column as floats."""
    return np.array(column, dtype=np.float64)
