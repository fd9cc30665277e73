"""(c) a large workbook to verdicts against bare iteration of its cells, a million-row CSV in bounded memory;
(e) ten times the rows.

Run: python tests/benchmarks/bench_large.py
"""

from __future__ import annotations

import csv
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from timing import clock, line, paired

ROOT = Path(__file__).resolve().parents[2]
KIT = ROOT / "tolerances" / "bl7.toml"
HOLES = [(1.5, 1.25), (4.5, 1.25), (7.5, 1.25), (10.5, 1.25), (1.5, 5.75), (4.5, 5.75), (7.5, 5.75), (10.5, 5.75)]
LONG = ["date", "serial", "part", "hole", "wall", "what", "direction", "reading", "unit", "gauge", "by"]


def long_rows(count: int):
    """Yield rows of one reading each, 11 columns, a plate after another."""
    rng = np.random.default_rng(1)
    written, number = 0, 0
    while True:
        number += 1
        serial = f"P-{100000 + number}"
        size = 0.458 + rng.normal(0, 0.0008, 8)
        off = rng.normal(0, 0.0012, (8, 2))
        for hole, (x, y) in enumerate(HOLES):
            for wall in ("near", "far"):
                for what, direction, value, gauge in (
                    ("diameter", 0, size[hole], "BG-2"),
                    ("diameter", 90, size[hole] + 0.0002, "BG-2"),
                    ("x", None, x + off[hole, 0], "CM-1"),
                    ("y", None, y + off[hole, 1], "CM-1"),
                ):
                    reading = round(float(value), 4)
                    where = ["2026-11-02", serial, "port", hole + 1, wall]
                    yield [*where, what, direction, reading, "in", gauge, "bench 2"]
                    written += 1
                    if written == count:
                        return


def workbook(path: Path, count: int) -> None:
    """Write the rows as a workbook."""
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    sheet = book.create_sheet("readings")
    sheet.append(LONG)
    for row in long_rows(count):
        sheet.append(row)
    book.save(path)


def bare(path: Path) -> None:
    """Iterate over all cells, read-only, and look at each value: what any reader must at least do."""
    from openpyxl import load_workbook

    book = load_workbook(path, read_only=True, data_only=True)
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                cell.value  # noqa: B018
    book.close()


def judged(path: Path) -> None:
    """Read and judge a file."""
    from holeqc.inspection.recheck import inspect
    from holeqc.readings.read import read_files
    from holeqc.specification.load import load_specification

    specification = load_specification(KIT)
    inspect(specification, read_files([path], specification))


MEMORY = """
import resource, sys
sys.path.insert(0, sys.argv[2])
from bench_large import judged
from pathlib import Path
judged(Path(sys.argv[1]))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2)
"""


def ten_times(large: Path, small: Path, rounds: int) -> tuple[float, float, float]:
    """Return seconds of a file, of a tenth of it (mean of ten runs in a row), and their ratio.

    Ten runs take about as long as the large one, so that a machine whose speed wanders slows both alike.
    """
    one, ten, ratio = paired(
        lambda: clock(lambda: judged(large)), lambda: sum(clock(lambda: judged(small)) for _ in range(10)), rounds
    )
    return one, ten / 10, 10 * ratio


def main() -> None:
    """Write the files, time the work in turn, print the ratios."""
    with tempfile.TemporaryDirectory() as folder:
        small, large = Path(folder) / "10k.xlsx", Path(folder) / "100k.xlsx"
        workbook(small, 10_000)
        workbook(large, 100_000)
        result = paired(lambda: clock(lambda: judged(large)), lambda: clock(lambda: bare(large)), 3)
        line("100 000-row workbook to verdicts / bare cells", *result, "at most 1.5")
        result = ten_times(large, small, 3)
        line("workbook: 100 000 rows / 10 000 rows", *result, "at most 11")
        million, tenth = Path(folder) / "1m.csv", Path(folder) / "100k.csv"
        for path, count in ((million, 1_000_000), (tenth, 100_000)):
            with path.open("w", newline="") as file:
                writer = csv.writer(file)
                writer.writerow(LONG)
                writer.writerows(long_rows(count))
        result = ten_times(million, tenth, 3)
        line("CSV: 1 000 000 rows / 100 000 rows", *result, "at most 11")
        done = subprocess.run(
            [sys.executable, "-c", MEMORY, str(million), str(Path(__file__).parent)],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        print(f"1 000 000-row CSV to verdicts: peak memory {float(done.stdout):.2f} GiB  (at most 2 GB)")


if __name__ == "__main__":
    main()
