"""Speed of capability and charts: `python tests/benchmarks/bench_capability.py`.

1. Capability of 1 000 000 values, with normality, intervals and stability, against numpy's mean, standard deviation
   and one sort of the same values: at most 3.0 times as long.
2. A column of 1 000 000 readings from a CSV file, every odd cell named, against Python's csv reader and float() of each
   cell: at most 4.0 times as long.
3. Charts of 100 000 parts of 8 holes by array work against a Python loop over parts: at least 100 times as fast.
"""

from __future__ import annotations

import csv
import itertools
import sys
import tempfile
from pathlib import Path

import numpy as np
from timing import clock, line, paired

from holeqc.readings.plain_table import number_column, read_table
from holeqc.statistics.capability import capability
from holeqc.statistics.charts import ChartOptions, average_chart
from holeqc.statistics.indices import Limits
from holeqc.statistics.signals import ALL_TESTS

MOST, MOST_TABLE, LEAST = 3.0, 4.0, 100.0
ALL = ChartOptions(tests=ALL_TESTS)
LOOPED = 4000  #: parts that the loop goes through; its time for all parts follows in proportion


def bench_capability() -> bool:
    """Time capability of a million normal values, normality, intervals and stability included."""
    x = np.random.default_rng(2).normal(0.4585, 0.0008, 1_000_000)
    limits = Limits(0.455, 0.462)
    found = capability(x, limits)
    assert found.normality is not None
    result = paired(
        lambda: clock(lambda: capability(x, limits)), lambda: clock(lambda: (np.mean(x), np.std(x), np.sort(x))), 25
    )
    line("capability, a million values: ours / numpy", *result, f"at most {MOST}")
    return result[2] <= MOST


def bench_table() -> bool:
    """Time the reading of a column of a million readings in four decimals."""
    x = np.random.default_rng(4).normal(0.4585, 0.0008, 1_000_000)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_text("part,size\n" + "".join(f"P{n // 8},{v:.4f}\n" for n, v in enumerate(x)), encoding="ascii")

        def plainly() -> list[float]:
            with path.open(newline="", encoding="ascii") as file:
                return [float(row[1]) for row in itertools.islice(csv.reader(file), 1, None)]

        values, _ = number_column(read_table(path, wanted=["size"]), "size")
        assert values.tolist() == plainly()
        result = paired(lambda: clock(lambda: number_column(read_table(path, wanted=["size"]), "size")),
                        lambda: clock(plainly), 5)  # fmt: skip
    line("a column of a million readings: ours / csv and float", *result, f"at most {MOST_TABLE}")
    return result[2] <= MOST_TABLE


def part_by_part(parts: np.ndarray) -> tuple[float, float, int]:
    """The same chart with a Python loop over parts: mean, range, then limits and each test point by point."""
    means, ranges, deviations = [], [], []
    for part in parts:
        means.append(part.mean())
        ranges.append(part.max() - part.min())
        deviations.append(part.std(ddof=1))
    centre, sigma = sum(means) / len(means), sum(ranges) / len(ranges) / 2.847200612
    z = [(m - centre) / (sigma / 8**0.5) for m in means]
    signals = 0
    for i, value in enumerate(z):
        last = z[max(0, i - 14) : i + 1]
        signals += abs(value) > 3
        signals += len(last) >= 9 and (min(last[-9:]) > 0 or max(last[-9:]) < 0)
        six = last[-6:]
        signals += len(six) == 6 and (
            all(a < b for a, b in itertools.pairwise(six)) or all(a > b for a, b in itertools.pairwise(six))
        )
        steps = [b - a for a, b in itertools.pairwise(last[-14:])]
        signals += len(steps) == 13 and all(a * b < 0 for a, b in itertools.pairwise(steps))
        side = 1 if value > 0 else -1
        signals += side * value > 2 and sum(side * v > 2 for v in last[-3:]) >= 2
        signals += side * value > 1 and sum(side * v > 1 for v in last[-5:]) >= 4
        signals += len(last) == 15 and max(abs(v) for v in last) < 1
        eight = last[-8:]
        signals += len(eight) == 8 and min(abs(v) for v in eight) > 1 and min(eight) < 0 < max(eight)
    return centre, sigma, signals


def bench_charts() -> bool:
    """Time charts of a hundred thousand parts with all tests on, signals equal to those of the loop."""
    parts = np.random.default_rng(3).normal(0.4585, 0.0008, (100_000, 8))
    some = parts[:LOOPED]
    centre, sigma, signals = part_by_part(some)
    check = average_chart(some, options=ALL)
    assert abs(check.centre - centre) < 1e-12
    assert check.sigma is not None
    assert abs(check.sigma - sigma) < 1e-9
    assert sum(len(s.at) for s in check.signals) == signals
    result = paired(
        lambda: clock(lambda: part_by_part(some)) * parts.shape[0] / LOOPED,
        lambda: clock(lambda: average_chart(parts, options=ALL)),
        9,
    )
    line("charts, 100 000 parts of 8 holes: loop / array", *result, f"at least {LEAST:.0f}")
    return result[2] >= LEAST


if __name__ == "__main__":
    passed = [bench_capability(), bench_table(), bench_charts()]
    sys.exit(0 if all(passed) else 1)
