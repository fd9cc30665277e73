"""Made-up files for the benchmarks, seeded: `python tests/benchmarks/made.py FOLDER`; `run.py` calls it by itself.

A process of its own, so that its memory isn't counted into that of the commands that are timed.
"""

from __future__ import annotations

import csv
import re
import sys
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
KIT = ROOT / "tolerances" / "bl7.toml"
SHEET = ROOT / "sample_measurements" / "bl7_S-0108.xlsx"
LONG = ["date", "serial", "part", "hole", "wall", "what", "direction", "reading", "unit", "gauge", "by"]
PLACES = np.array([(x, y) for y in (1.25, 5.75) for x in (1.5, 4.5, 7.5, 10.5)])
A_PART = 8 * 2 * 4  #: readings of a part: holes, walls, two directions and two coordinates


def kit_text() -> str:
    """Return the sample kit without plugs and surface checks: the made-up rows hold sizes and places only."""
    text = KIT.read_text(encoding="utf-8")
    for table in ("surface", "plugs"):
        text = re.sub(rf"^\[{table}\]\n(?:.+\n)+", "", text, flags=re.MULTILINE)
    return text


def long_rows(count: int, less: float = 0.0, seed: int = 1) -> list[list[Any]]:
    """Return rows of one reading each, a plate after another; hole 5 is smaller by ``less``, so that it is rejected."""
    rng = np.random.default_rng(seed)
    parts, first = -(-count // A_PART), 100_000 * seed + 1
    day = (np.datetime64("2025-01-06") + np.arange(parts) // 250 + 63 * (seed - 1)).astype(str).tolist()
    size = 0.458 + rng.normal(0, 0.0008, (parts, 8))
    size[:, 4] -= less
    place = PLACES + rng.normal(0, 0.0012, (parts, 8, 2))
    four = np.stack([size, size + 0.0002, place[..., 0], place[..., 1]], axis=-1)
    walls = four[:, :, None, :] + rng.normal(0, 0.0001, (parts, 8, 2, 4))
    value = walls.round(4).ravel().tolist()
    what = [("diameter", 0, "BG-2"), ("diameter", 90, "BG-2"), ("x", None, "CM-1"), ("y", None, "CM-1")]
    one = [(h, wall, *w) for h in range(1, 9) for wall in ("near", "far") for w in what]
    return [
        [day[n // A_PART], f"P-{first + n // A_PART}", "port", h, wall, name, turn, value[n], "in", gauge, "bench 2"]
        for n, (h, wall, name, turn, gauge) in zip(range(count), one * parts, strict=False)
    ]


def table(path: Path, rows: list[list[Any]]) -> None:
    """Write rows under their headings, as CSV or as a workbook by the ending."""
    if path.suffix == ".csv":
        with path.open("w", newline="", encoding="ascii") as file:
            csv.writer(file).writerows([LONG, *rows])
        return
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    sheet = book.create_sheet("readings")
    for row in [LONG, *rows]:
        sheet.append(row)
    book.save(path)


def history(path: Path, parts: int) -> None:
    """Write a fixture's history of so many parts, one row a wall, in which bushing 3 wears."""
    rng = np.random.default_rng(7)
    seat = rng.normal(0, 0.0008, (parts, 1, 2)) + PLACES - rng.normal(0, 1e-4, (parts, 1, 1)) * PLACES[:, ::-1]
    place = seat + rng.normal(0, 0.0004, (parts, 8, 2))
    place[:, 2, 0] += np.linspace(0, 0.004, parts)
    size = 0.458 + rng.normal(0, 0.0006, (parts, 8))
    day = np.datetime64("2025-01-06") + np.arange(parts) // 12
    with path.open("w", encoding="ascii") as file:
        file.write("date,serial,part,hole,wall,dia 0,dia 90,x,y,unit\n")
        for p in range(parts):
            for h in range(8):
                for wall in ("near", "far"):
                    d = size[p, h] + rng.normal(0, 0.0001, 2)
                    x, y = place[p, h] + rng.normal(0, 0.0001, 2)
                    file.write(f"{day[p]},P-{1001 + p},port,{h + 1},{wall},{d[0]:.4f},{d[1]:.4f},{x:.4f},{y:.4f},in\n")


def main(folder: Path) -> None:
    """Write every file that the table of `run.py` needs."""
    from openpyxl import load_workbook

    (folder / "plain.toml").write_text(kit_text(), encoding="utf-8")
    (folder / "twenty").mkdir()
    rng = np.random.default_rng(9)
    for n in range(20):
        book = load_workbook(SHEET)
        book["holes"]["B2"] = f"S-{2001 + n}"
        for row in book["holes"].iter_rows(min_row=7, min_col=3, max_col=6):
            for cell in row:
                cell.value = round(cell.value + float(rng.normal(0, 0.0002)), 4)
        book.save(folder / "twenty" / f"S-{2001 + n}.xlsx")
    table(folder / "500.csv", long_rows(500 * A_PART))
    table(folder / "rejects.csv", long_rows(5_000 * A_PART, less=0.006))
    table(folder / "10k.xlsx", long_rows(10_000))
    table(folder / "100k.xlsx", long_rows(100_000))
    table(folder / "100k.csv", long_rows(100_000))
    table(folder / "1m.csv", long_rows(1_000_000))
    history(folder / "history.csv", 3_000)
    for name, count in (("sizes.csv", 1_000_000), ("points.csv", 100_000)):
        x = np.random.default_rng(4).normal(0.4585, 0.0008, count)
        lines = "".join(f"P{n // 8},{v:.4f}\n" for n, v in enumerate(x))
        (folder / name).write_text("part,size\n" + lines, encoding="ascii")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
