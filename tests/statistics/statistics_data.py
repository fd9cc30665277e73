"""Readers for tests/data/statistics: small tables with comment lines, and NIST's reference data sets."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FOLDER = Path(__file__).resolve().parents[1] / "data" / "statistics"


def records(name: str) -> list[dict[str, str]]:
    """Return the rows of a table by heading; lines that begin with # are comments."""
    lines = [line for line in (FOLDER / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def column(name: str, heading: str) -> NDArray[np.float64]:
    """Return one column of a table as floats."""
    return np.array([float(row[heading]) for row in records(name)])


def printed(name: str) -> dict[str, str]:
    """Return printed values by name."""
    return {row["name"]: row["printed"] for row in records(name)}


def half_unit(text: str) -> float:
    """Return half a unit of the last printed digit."""
    mantissa, _, exponent = text.upper().partition("E")
    decimals = len(mantissa.partition(".")[2])
    return 0.5000001 * 10.0 ** (int(exponent or 0) - decimals)


def strd_lines(dataset: str) -> list[list[str]]:
    """Return the cells of a NIST data set's rows, as text."""
    lines = (FOLDER / "strd" / f"{dataset}.dat").read_text(encoding="utf-8").splitlines()
    start = max(i for i, line in enumerate(lines) if line.startswith("Data") and i > 20)
    cells = [line.split() for line in lines[start + 1:]]
    return [row for row in cells if row and row[0].lstrip("+-.")[:1].isdigit()]


def strd(dataset: str) -> NDArray[np.float64]:
    """Return a NIST data set as floats, one row a line."""
    return np.array([[float(v) for v in row] for row in strd_lines(dataset)])


def digits(value: float, certified: float) -> float:
    """Return the number of correct digits (log relative error), at most 15."""
    if value == certified:
        return 15.0
    miss = abs(value - certified) / (abs(certified) or 1.0)
    return min(15.0, -math.log10(miss))
