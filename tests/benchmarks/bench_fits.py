"""Look-up of a million sizes in one call against a Python loop over the single look-up.

Run: python tests/benchmarks/bench_fits.py
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from timing import clock, line, paired

from holeqc.fits import classes

MILLION = 1_000_000
LOOPED = 2_000  #: the loop runs over so many of the million; its time is scaled up


def measure(name: str, look_up: Callable[[object], object], largest: float) -> float:
    """Time one system's look-up both ways, print and return the ratio loop / array."""
    sizes = np.random.default_rng(4).uniform(0.01, largest, MILLION)
    few = sizes[:LOOPED].tolist()

    def loop() -> float:
        def each() -> None:
            for size in few:
                look_up(size)

        return clock(each) * (MILLION / LOOPED)

    result = paired(loop, lambda: clock(lambda: look_up(sizes)), 5)
    line(f"{name}, a million sizes: loop / array", *result, "at least 200")
    return result[2]


def main() -> None:
    """Time both systems and print the ratios."""
    measure("ANSI B4.1 RC4", lambda size: classes.limits("RC4", size), 19.0)  # type: ignore[arg-type]
    measure("ISO 286 H7/g6", lambda size: classes.iso286_limits("H7/g6", size), 500.0)  # type: ignore[arg-type]


if __name__ == "__main__":
    main()
