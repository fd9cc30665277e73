"""Columns of one length: equal values get equal numbers, whatever they are."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from holeqc import tables
from holeqc.tables import numbered

RNG = np.random.default_rng(1)


@pytest.mark.parametrize("values", [
    np.zeros(0, dtype=np.int64), np.array([7]), RNG.integers(-3, 3, 50), RNG.integers(-(2**62), 2**62, 200).repeat(2),
    RNG.integers(0, 2**63, 99).astype(np.uint64) * 2 + 1, np.arange(3000) << 40, np.arange(3000)[::-1] * 65_537,
    RNG.choice([0.0, -0.0, np.nan, 1.5, np.inf, -np.inf], 60), np.full(5, np.nan), RNG.integers(0, 2, 30).astype(bool),
])  # fmt: skip
@pytest.mark.parametrize("factors", [tables._FACTORS, (np.uint64(0),)], ids=["hashed", "all in one slot"])
def test_equal_values_have_equal_numbers(
    values: NDArray[Any], factors: tuple[np.uint64, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tables, "_FACTORS", factors)
    number, first = numbered(values)
    places: dict[Any, int] = {}
    rows: list[int] = []
    for row, value in enumerate(values.tolist()):  # the same by a dictionary, one value after another
        if value == value and places.setdefault(value, len(places)) == len(rows):
            rows.append(row)
    assert number.tolist() == [places.get(value, -1) if value == value else -1 for value in values.tolist()]
    assert first.tolist() == rows
