"""The root finder against closed forms and another library."""

from __future__ import annotations

import math

import pytest

from holeqc.problems import DataError
from holeqc.statistics.basics import root


@pytest.mark.parametrize(
    ("f", "low", "high", "expected"),
    [
        (lambda x: x * x - 2, 0, 2, math.sqrt(2)),
        (lambda x: math.cos(x) - x, 0, 1, 0.7390851332151607),
        (lambda x: math.atan(x - 300), -1e4, 1e4, 300),
        (lambda x: math.expm1(-x) + 0.5, 0, 900, math.log(2)),
        (lambda x: (x - 1) ** 9, -3, 4.3, 1),
        (lambda x: x, 0, 1, 0),
        (lambda x: 1 - x, -5, 1, 1),
    ],
)
def test_closed_forms(f: object, low: float, high: float, expected: float) -> None:
    rough = 0.02 if expected == 1 and low == -3 else 1e-12  # a ninefold root is flat: its value is zero long before
    assert root(f, low, high) == pytest.approx(expected, abs=rough * max(1, abs(expected)))  # type: ignore[arg-type]


def test_few_calls_suffice() -> None:
    calls = []

    def f(x: float) -> float:
        calls.append(x)
        return math.tanh(x - 0.3) + 0.01

    root(f, -2, 2)
    assert len(calls) < 15


def test_one_sign_is_refused() -> None:
    with pytest.raises(DataError, match="one sign"):
        root(lambda x: x * x + 1, -1, 1)
