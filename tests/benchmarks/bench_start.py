"""(a) `--help` and `--version` against importing typer; (b) `check` of one sheet against reading it with pandas.

Run: python tests/benchmarks/bench_start.py
"""

from __future__ import annotations

import sys
from pathlib import Path

from timing import line, paired, seconds_of

ROOT = Path(__file__).resolve().parents[2]
SHEET = ROOT / "sample_measurements" / "bl7_S-0108.xlsx"
KIT = ROOT / "tolerances" / "bl7.toml"
BARE = f"import pandas, openpyxl; pandas.read_excel({str(SHEET)!r}, engine='openpyxl')"


def main() -> None:
    """Time them in turn and print the ratios."""
    python = sys.executable
    tool = [python, "-m", "holeqc"]
    for option in ("--help", "--version"):
        result = paired(
            lambda option=option: seconds_of([*tool, option]),
            lambda: seconds_of([python, "-c", "import typer"]),
            15,
        )
        line(f"holeqc {option} / import typer", *result, "at most 2.0")
    result = paired(
        lambda: seconds_of([*tool, "check", str(KIT), str(SHEET)]), lambda: seconds_of([python, "-c", BARE]), 11
    )
    line("check of one sheet / pandas reading it", *result, "at most 1.8")


if __name__ == "__main__":
    main()
