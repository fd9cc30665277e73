"""Paired timing for the benchmarks: two commands or functions in turn, medians, and their ratio in one run."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence


def seconds_of(command: Sequence[str]) -> float:
    """Return the wall seconds of one run; a usage error (exit 2) or a crash stops the benchmark."""
    start = time.perf_counter()
    done = subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False)
    spent = time.perf_counter() - start
    if done.returncode not in (0, 1, 3):
        sys.exit(f"{' '.join(command)}: exit {done.returncode}\n{done.stderr}")
    return spent


def paired(first: Callable[[], float], second: Callable[[], float], rounds: int) -> tuple[float, float, float]:
    """Return median seconds of both and the median of the ratios first / second, run in turn after one warm-up."""
    first(), second()
    pairs = [(first(), second()) for _ in range(rounds)]
    return (
        statistics.median(a for a, _ in pairs),
        statistics.median(b for _, b in pairs),
        statistics.median(a / b for a, b in pairs),
    )


def clock(work: Callable[[], object]) -> float:
    """Return the wall seconds of one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def line(name: str, first: float, second: float, ratio: float, bound: str) -> None:
    """Print one result: name, both medians, ratio, and the bound that the project asks of it."""
    print(f"{name:<52} {first:9.4f} s  {second:9.4f} s  ratio {ratio:9.2f}  ({bound})", flush=True)
