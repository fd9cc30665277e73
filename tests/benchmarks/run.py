"""The one table of speed: each command as a user runs it, against the script that a user would write instead.

    python tests/benchmarks/run.py [ROW ...] [--rounds 7] [--files FOLDER] [--no-loops]

Times are CPU seconds of the whole process, imports and output included (rusage of the child, its threads too), so that
a busy machine tells nearly the same as a calm one; peak memory is the child's own. Command, script and floor run in
turn, once to warm up and then ROUNDS times; the ratio is the median of the pairs. The script is straightforward pandas,
openpyxl or matplotlib and does less: no cells, no doubts, no reasons, no PDF. The floor is what nobody can do without:
the interpreter and one bare pass over the same bytes. Rows of array work against a loop over parts follow from
`loops.py`; the record by itself and on a server is `records.py`.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
HOLES = """
x = [1.5, 4.5, 7.5, 10.5] * 2; y = [1.25] * 4 + [5.75] * 4
def judge(hole, dia, px, py):
    # sizes inside the limits, position at MMC to the edges
    i = hole.to_numpy().astype(int) - 1
    small, large = dia.min(axis=1), dia.max(axis=1)
    off = 2 * np.hypot(px - np.take(x, i), py - np.take(y, i))
    ok = (small >= 0.455) & (large <= 0.462) & (off <= 0.060 + small - 0.455)
    return pd.DataFrame({"hole": hole, "small": small, "large": large, "position": off,
                         "allowed": 0.060 + small - 0.455, "verdict": np.where(ok, "accept", "reject")})
"""
SHEET = f"""
import glob, os, sys, numpy as np, pandas as pd
{HOLES}
def of(path):
    t = pd.read_excel(path, header=5)
    serial = str(pd.read_excel(path, header=None, nrows=2).iloc[1, 1])
    found = judge(t["Hole No."], t[["Dia 0°", "Dia 90°"]], 12 - (12 - t["X"]), t["Y"])
    found.insert(0, "serial", serial)
    return found
"""
ROWS = f"""
import sys, numpy as np, pandas as pd
{HOLES}
def of(t):
    t = t.assign(what=t["what"] + t["direction"].fillna(0).astype(int).astype(str))
    w = t.pivot(index=["serial", "hole", "wall"], columns="what", values="reading").reset_index()
    found = judge(w["hole"], w[["diameter0", "diameter90"]], w["x0"], w["y0"])
    found.insert(0, "serial", w["serial"])
    return found
def summary(found):
    parts = found.groupby("serial")["verdict"].agg(lambda v: "reject" if (v == "reject").any() else "accept")
    print(parts.value_counts().to_string())
    return parts
"""
PAGES = """
parts = summary(found)
import os
os.makedirs("out")
with pd.ExcelWriter("out/evaluated.xlsx", engine="openpyxl") as book:
    parts.to_frame().to_excel(book, sheet_name="parts")
    found.to_excel(book, sheet_name="holes", index=False)
with open("out/report.html", "w") as file:
    file.write("<h1>Report</h1>" + parts.to_frame().to_html())
    for serial, one in found.groupby("serial"):
        file.write(f"<h2>{serial}</h2>" + one.to_html(index=False))
"""
CELLS = """
import sys, zipfile
from xml.parsers import expat
with zipfile.ZipFile(sys.argv[1]) as z:
    for name in z.namelist():
        if name.endswith(".xml"):
            p = expat.ParserCreate(); p.CharacterDataHandler = lambda t: None
            p.Parse(z.read(name), True)
"""
FIELDS = """
import csv, sys
with open(sys.argv[1], newline="") as file:
    for row in csv.reader(file):
        pass
"""
READ = "t = pd.read_csv(sys.argv[1])\n"


@dataclass(frozen=True)
class Row:
    """A task: the tool's arguments, the script and its file, the floor, the goal as a ratio to the script."""

    tool: str
    script: str
    file: str
    goal: float
    floor: str = "import numpy"
    memory: float = 0.0  #: most memory that the command may take [MiB]; 0 asks nothing


TABLE = {
    "--help": Row("--help", "import typer", "", 2.0, "pass"),
    "--version": Row("--version", "import typer", "", 2.0, "pass"),
    "fit drill": Row("fit drill 0.455 0.462", "import numpy", "", 2.0),
    "one sheet": Row("check {root}/tolerances/bl7.toml {file}", SHEET + "print(of(sys.argv[1]).to_string())",
                     "twenty/S-2001.xlsx", 0.7, CELLS),
    "20 sheets --out": Row(
        "check {root}/tolerances/bl7.toml {file} --out out", ROWS + SHEET + "found = pd.concat([of(p) for p in sorted("
        "glob.glob(sys.argv[1] + '/*.xlsx'))])\n" + PAGES, "twenty", 1.0),
    "500 parts --out": Row("check {plain} {file} --out out", ROWS + READ + "found = of(t)\n" + PAGES, "500.csv", 1.0,
                           FIELDS),
    "5 000 rejects --out": Row("check {plain} {file} --out out", ROWS + READ + "found = of(t)\n" + PAGES, "rejects.csv",
                               1.0, FIELDS),
    "100 000-row workbook": Row("check {plain} {file}", ROWS + "summary(of(pd.read_excel(sys.argv[1])))", "100k.xlsx",
                                0.35, CELLS),
    "1 000 000-row CSV": Row("check {plain} {file}", ROWS + READ + "summary(of(t))", "1m.csv", 1.2, FIELDS, 500),
    "sheet for 100 serials": Row("sheet {plain} -o out.xlsx --part port --serial AP-001..AP-100", """
from openpyxl import Workbook
from openpyxl.styles import Font, Border, Side, PatternFill
book = Workbook(); book.remove(book.active)
line = Side(style="thin"); box = Border(line, line, line, line); grey = PatternFill("solid", fgColor="DDDDDD")
for n in range(1, 101):
    sheet = book.create_sheet(f"AP-{n:03}")
    sheet["A1"] = "Serial"; sheet["B1"] = f"AP-{n:03}"; sheet["A1"].font = Font(bold=True)
    sheet.append(["hole", "wall", "dia 0", "dia 90", "x", "y"])
    for hole in range(1, 9):
        for wall in ("near", "far"):
            sheet.append([hole, wall] + [None] * 4)
    for row in sheet["A2:F18"]:
        for cell in row:
            cell.border = box
    for cell in sheet[2]:
        cell.font = Font(bold=True); cell.fill = grey
    sheet.print_area = "A1:F18"
book.save("out.xlsx")
""", "", 1.0),
    "chart --plot, 100 000 points": Row(
        "chart {file} --column size --plot out.svg", "import sys, pandas as pd\n" + READ + """
import matplotlib; matplotlib.use("Agg")
import matplotlib.pyplot as plt
x = t["size"]; sigma = x.diff().abs().mean() / 1.128
fig, (above, below) = plt.subplots(2, 1, sharex=True)
above.plot(x, ".-"); below.plot(x.diff().abs(), ".-")
for k in (-3, 0, 3):
    above.axhline(x.mean() + k * sigma)
fig.savefig("out.svg")
print(x.mean(), sigma, ((x - x.mean()).abs() > 3 * sigma).sum())
""", "points.csv", 1.5, FIELDS),
    "wear, 3 000 parts": Row("wear {plain} {file}", "import sys, numpy as np, pandas as pd\n" + READ + """
t["hole"] -= 1
p = t.groupby(["serial", "hole"])[["x", "y"]].mean().unstack()
x = np.array([1.5, 4.5, 7.5, 10.5] * 2); y = np.array([1.25] * 4 + [5.75] * 4)
off = np.stack([p["x"].to_numpy() - x, p["y"].to_numpy() - y], axis=-1)
a = np.zeros((16, 4)); a[:8, 0] = a[8:, 1] = 1; a[:8, 2] = -y; a[8:, 2] = x; a[:8, 3] = x; a[8:, 3] = y
flat = np.concatenate([off[..., 0], off[..., 1]], axis=1)
rest = flat - (a @ np.linalg.lstsq(a, flat.T, rcond=None)[0]).T
n = np.arange(len(rest))
for c in range(16):
    slope, start = np.polyfit(n, rest[:, c], 1)
    print(c % 8 + 1, "xy"[c // 8], slope, rest[:, c].std())
""", "history.csv", 3.0, FIELDS),
    "capability, 1 000 000": Row("capability {file} --column size --lower 0.455 --upper 0.462",
                                 "import sys, numpy as np, pandas as pd\n" + READ + """
from statistics import NormalDist
x = t["size"].to_numpy(); m, s = x.mean(), x.std(ddof=1); w = np.abs(np.diff(x)).mean() / 1.128
for name, d in (("p", s), ("", w)):
    print(f"C{name}", 0.007 / 6 / d, f"C{name}k", min(0.462 - m, m - 0.455) / 3 / d)
q = np.sort(x); print(q[[1350, 500_000, 998_650]], ((x < 0.455) | (x > 0.462)).sum())
print(NormalDist(m, s).cdf(0.455) + 1 - NormalDist(m, s).cdf(0.462))
c = np.abs(q[:, None][::1000, 0] - m).max(); print(c)
""", "sizes.csv", 1.0, FIELDS),
    "record 1 000 000 readings": Row(
        "check {plain} {file} --record --by bench --ledger out.sqlite3", ROWS + READ + """
summary(of(t))
import sqlite3
with sqlite3.connect("out.sqlite3") as db:
    t.to_sql("reading", db, index=False)
""", "1m.csv", 3.0, FIELDS),
}  # fmt: skip


def spent(command: list[str], folder: Path) -> tuple[float, float]:
    """Run a command in an empty folder; return CPU seconds and peak memory [MiB]. A crash stops the table."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    with (folder / "screen").open("w") as screen, (folder / "errors").open("w") as errors:
        child = subprocess.Popen(command, cwd=folder, stdout=screen, stderr=errors)
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in (0, 1, 3):
        sys.exit(f"{' '.join(command)[:200]}: exit {child.returncode}\n{(folder / 'errors').read_text()}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def compare(name: str, row: Row, files: Path, folder: Path, rounds: int) -> bool:
    """Run command, script and floor in turn; print the line of the table and return whether its goals are met."""
    python, file = sys.executable, str(files / row.file)
    words = [w.format(root=ROOT, file=file, plain=files / "plain.toml") for w in row.tool.split()]
    three = [
        [python, "-m", "holeqc", *words],
        [python, "-W", "ignore", "-c", row.script, file],
        [python, "-c", row.floor if row.file.endswith(("csv", "xlsx")) else row.floor.replace(CELLS, ""), file],
    ]
    for command in three[:2] if rounds > 1 else []:
        spent(command, folder)
    runs = [[spent(command, folder) for command in three] for _ in range(rounds)]
    now, script, floor = (statistics.median(r[i][0] for r in runs) for i in range(3))
    ratio = statistics.median(r[0][0] / r[1][0] for r in runs)
    memory, theirs = (max(r[i][1] for r in runs) for i in range(2))
    met = ratio <= row.goal and not 0 < row.memory < memory
    print(f"{name:<30}{now:>9.2f}{script:>9.2f}{floor:>9.2f}{ratio:>9.2f}{row.goal:>9.2f}{memory:>9.0f}{theirs:>9.0f}"
          f"  {'yes' if met else 'no' if ratio > row.goal else f'no: {row.memory:.0f} MiB'}", flush=True)  # fmt: skip
    return met


def main() -> int:
    """Make the files, print the table, then the rows of array work; the exit code says whether every goal is met."""
    ask = argparse.ArgumentParser(description="the table of speed")
    ask.add_argument("rows", nargs="*", help="rows whose name holds one of these; all if none")
    ask.add_argument("--rounds", type=int, default=7)
    ask.add_argument("--files", type=Path, help="folder to keep the made-up files in; made there when it is new")
    ask.add_argument("--no-loops", action="store_true")
    given = ask.parse_args()
    os.environ["PYTHONPATH"] = str(ROOT)
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed tool isn't compiled anew at each run
    with tempfile.TemporaryDirectory() as name:
        files = given.files or Path(name) / "files"
        os.environ["PYTHONPYCACHEPREFIX"] = str(files.resolve() / "compiled")
        if not files.exists():
            files.mkdir(parents=True)
            subprocess.run([sys.executable, str(HERE / "made.py"), str(files)], check=True)
        heads = ("now", "script", "floor", "ratio", "goal", "MiB", "script")
        print(f"{'CPU seconds':<30}{''.join(f'{head:>9}' for head in heads)}  met")
        met = [
            compare(task, row, files.resolve(), Path(name) / "here", given.rounds)
            for task, row in TABLE.items()
            if not given.rows or any(word in task for word in given.rows)
        ]
    if not given.no_loops and not given.rows:
        import loops

        met.append(loops.main())
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
