"""Seating and bushings of 100 000 parts of 8 holes by array work, against the same arithmetic in a loop over parts.

Run as ``python tests/benchmarks/bench_wear.py``. The loop (tests/wear/wear_cases.py) fits each part with the library's
least squares and the same weights, as many times as the array work does; it is timed on 400 parts and scaled up.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from timing import clock, line

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "wear"))
from wear_cases import NOMINAL, one_part, seated

from holeqc.fixture.forecast import level_of
from holeqc.fixture.history import variance_shares
from holeqc.fixture.separate import separate

PARTS, SAMPLE, ROUNDS = 100_000, 400, 3
FITS = 1 + 5 + 2 * 3 + 7  #: weighted fits of each part in `separate`


def main() -> None:
    """Print the ratio, and what the rest of a study takes."""
    off, _ = seated(np.random.default_rng(1), PARTS)
    separate(NOMINAL, off[:2000])
    ratios = []
    for _ in range(ROUNDS):
        ours = clock(lambda: separate(NOMINAL, off))
        loop = clock(lambda: [one_part(NOMINAL, o, 0.0005, FITS) for o in off[:SAMPLE]]) * PARTS / SAMPLE
        ratios.append((loop / ours, loop, ours))
    ratio, loop, ours = sorted(ratios)[ROUNDS // 2]
    line(f"seating of {PARTS} parts: loop, arrays", loop, ours, ratio, "at least 100")
    found = separate(NOMINAL, off)
    start = time.perf_counter()
    variance_shares(found, NOMINAL)
    print(f"variance shares with intervals: {time.perf_counter() - start:.3f} s")
    cycle = np.arange(1.0, PARTS + 1)
    start = time.perf_counter()
    level_of(cycle, 0.01 - 5e-8 * cycle + found.rest[:, 0, 0], 1.0, drifts=True)
    print(f"one level of {PARTS} values: {time.perf_counter() - start:.3f} s")


if __name__ == "__main__":
    main()
