"""The ledger with 1 000 000 readings: import against a bare executemany of the same rows, a part's story, verify,
memory. Run: python tests/benchmarks/records.py [readings]
Run: python tests/benchmarks/records.py grow MILLIONS LEDGER      makes a large record: a million readings an entry
Run: python tests/benchmarks/records.py ask LEDGER [TIMES]        what the commands of every day take on it

Goals on ten million readings on a server, on a calm machine: `DAILY` at most 0.5 s each; of all commands that `ask`
runs at most 300 MiB, but for a chart of the whole record.

HOLEQC_TEST_POSTGRES (a URL of an empty database) measures the server as well.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from made import kit_text, long_rows

COLUMNS = (
    "set_id", "line", "hole", "wall", "characteristic", "direction", "trial", "value", "word", "typed", "unit", "gauge",
    "temperature_c", "day", "read_by", "note", "sheet", "row_no", "column_no", "doubt",
)  # fmt: skip


def made(count: int, seed: int = 1) -> Any:
    """Return a judged run of so many readings, made in memory: what a million-row file gives, without the file."""
    import pandas as pd

    from holeqc.inspection.recheck import inspect
    from holeqc.readings.table import Readings, Source
    from holeqc.specification.load import parse_specification
    from holeqc.tables import Table

    rows = long_rows(count, seed=seed)
    day, serial, part, hole, wall, what, direction, value, unit, gauge, by = zip(*rows, strict=True)
    frame = pd.DataFrame({
        "part": part, "serial": serial, "hole": [str(h) for h in hole], "wall": wall, "characteristic": what,
        "direction": np.array(direction, dtype=np.float64), "trial": np.ones(count, dtype=np.int16),
        "value": np.array(value), "word": "", "typed": [str(v) for v in value], "unit": unit, "gauge": gauge,
        "temperature_c": np.nan, "date": np.array(day, dtype="datetime64[s]"), "by": by, "note": "",
        "file": f"year {seed}.csv", "sheet": "", "row": np.arange(2, count + 2, dtype=np.int32),
        "column": np.full(count, 8, dtype=np.int16), "doubt": "",
    })  # fmt: skip
    for name in frame.columns[[frame[n].dtype.kind not in "fiM" for n in frame.columns]]:
        frame[name] = frame[name].astype("category")
    text = kit_text()
    spec = replace(parse_specification(text), digest=hashlib.sha256(text.encode()).hexdigest())
    source = Source(f"year {seed}.csv", f"{count + seed:064x}", 100 * count)
    return inspect(spec, Readings(Table.of_frame(frame), (), (source,)))


def bare(folder: Path, rows: list[tuple[Any, ...]], url: str) -> float:
    """Return the seconds of a bare executemany of the reading rows into a plain table, one transaction."""
    marks = ", ".join(("%s" if url else "?") for _ in COLUMNS)
    if url:
        import psycopg

        with psycopg.connect(url) as connection, connection.cursor() as cursor:
            kinds = {type(None): "double precision", float: "double precision", int: "bigint", str: "text"}
            columns = ", ".join(f"{c} {kinds[type(v)]}" for c, v in zip(COLUMNS, rows[0], strict=True))
            cursor.execute("DROP TABLE IF EXISTS bare")
            cursor.execute(f"CREATE TABLE bare ({columns.replace('day double precision', 'day text')})")
            connection.commit()
            start = time.perf_counter()
            cursor.executemany(f"INSERT INTO bare VALUES ({marks})", rows)
            connection.commit()
            spent = time.perf_counter() - start
            cursor.execute("DROP TABLE bare")
        return spent
    path = folder / "bare.sqlite3"
    connection = sqlite3.connect(path)
    connection.execute(f"CREATE TABLE bare ({', '.join(COLUMNS)})")
    start = time.perf_counter()
    with connection:
        connection.executemany(f"INSERT INTO bare VALUES ({marks})", rows)
    spent = time.perf_counter() - start
    connection.close()
    path.unlink()
    return spent


def clock(work: Callable[[], object]) -> float:
    """Return the wall seconds of one call: a server's work is nobody's CPU time here."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def line(name: str, first: Callable[[], float], second: Callable[[], float], goal: float) -> None:
    """Run both in turn, three times, and print medians, ratio and goal."""
    pairs = [(first(), second()) for _ in range(3)]
    a, b = (statistics.median(pair[n] for pair in pairs) for n in (0, 1))
    ratio = statistics.median(pair[0] / pair[1] for pair in pairs)
    print(f"{name:<52}{a:>9.2f} s{b:>9.2f} s  ratio {ratio:6.2f}  (at most {goal:g})", flush=True)


def measure(name: str, fresh: Callable[[], str], folder: Path, inspection: Any, url: str = "") -> None:
    """Record, tell stories, verify, and print each figure with its bound."""
    from sqlalchemy import select

    from holeqc.ledger import open_ledger
    from holeqc.ledger.read_back import columns_of_readings
    from holeqc.ledger.recording import record
    from holeqc.ledger.schema import READING
    from holeqc.ledger.stories import part_story

    text = kit_text()
    count = len(inspection.readings.table)
    rows: list[tuple[Any, ...]] = []

    def recorded() -> float:
        nonlocal where
        where = fresh()
        with open_ledger(where) as ledger:
            before = memory(reset=True)
            spent = clock(lambda: record(ledger, inspection, text, "bench 2"))
            peaks.append(memory() - before)
            return spent

    def plain() -> float:
        if not rows:
            with open_ledger(where) as ledger, ledger.reading() as connection:
                question = select(READING).order_by(READING.c.set_id, READING.c.line)
                rows.extend(tuple(r) for r in connection.execute(question))
        return bare(folder, rows, url)

    where = ""
    peaks: list[float] = []
    line(f"{name}: import / bare executemany", recorded, plain, 3)
    print(f"{name}: import takes {max(peaks):.0f} MiB of memory at most", flush=True)
    rows.clear()
    with open_ledger(where, create=False) as ledger:
        serials = [str(s) for s in inspection.parts["serial"][:: max(1, len(inspection.parts) // 50)]]
        spent = [clock(lambda s=s: part_story(ledger, s)) for s in serials]  # type: ignore[misc]
        first, median, worst = (1000 * t for t in (spent[0], statistics.median(spent), max(spent)))
        print(f"{name}: story of a part: first {first:.1f}, median {median:.1f}, worst {worst:.1f} ms (at most 50)",
              flush=True)  # fmt: skip
        checked = statistics.median(clock(lambda: ledger.verify()) for _ in range(3))
        print(f"{name}: verify {checked:.2f} s, {1e6 * checked / count:.2f} s for a million readings", flush=True)
        back = clock(lambda: columns_of_readings(ledger, ["serial", "hole", "value"]))
        print(f"{name}: three columns of all readings into a frame {back:.2f} s", flush=True)
    ask(where)


def memory(*, reset: bool = False) -> float:
    """Return the most memory that this process has taken [MiB], since the last reset; Linux only."""
    if reset:
        Path("/proc/self/clear_refs").write_text("5")
    return int(Path("/proc/self/status").read_text().partition("VmHWM:")[2].split()[0]) / 1024


MEMORY = """
import sys
from pathlib import Path
from holeqc.ledger import open_ledger
with open_ledger(sys.argv[1], create=False) as ledger:
    assert ledger.verify().holds
status = Path("/proc/self/status").read_text()
print(int(status.partition("VmHWM:")[2].split()[0]) / 1024)
"""


def grow(millions: int, where: str) -> None:
    """Record a million readings after the other."""
    from holeqc.ledger import open_ledger
    from holeqc.ledger.recording import record

    for seed in range(1, millions + 1):
        inspection = made(1_000_000, seed)
        with open_ledger(where) as ledger:
            start = time.perf_counter()
            record(ledger, inspection, kit_text(), "bench 2")
            print(f"million {seed}: {time.perf_counter() - start:.1f} s", flush=True)


DAILY = ("part P-100007", "parts", "parts --verdict reject", "waiting")
FURTHER = (
    "capability --where serial=P-100007", "capability --only 3 --where since=2026-06-01",
    "chart --only 3 --where since=2026-06-01", "wear --where since=2026-09-08", "chart --only 3",
)  # fmt: skip


def ask(where: str, asked: tuple[str, ...] = DAILY, times: int = 3) -> None:
    """Print wall seconds and memory of commands on a record, as a user runs them: the median of some runs."""
    for words in ("--version", *asked):
        command = [sys.executable, "-m", "holeqc", *words.split(), *(["--ledger", where] if words[:2] != "--" else [])]
        runs = []
        for _ in range(times):
            start = time.perf_counter()
            child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            _, status, used = os.wait4(child.pid, 0)
            child.returncode = os.waitstatus_to_exitcode(status)
            runs.append((time.perf_counter() - start, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024))
            if runs[-1][0] > 20:
                break
        wall, cpu, memory = (statistics.median(run[n] for run in runs) for n in range(3))
        print(f"{words:<48}{wall:>8.2f} s, CPU {cpu:.2f} s here, {memory:.0f} MiB, exit {child.returncode}", flush=True)


def main() -> None:
    """Measure both engines at a tenth and at the whole number of readings."""
    if sys.argv[1:2] == ["grow"]:
        grow(int(sys.argv[2]), sys.argv[3])
        return
    if sys.argv[1:2] == ["ask"]:
        ask(sys.argv[2], (*DAILY, *FURTHER), int(sys.argv[3]) if len(sys.argv) > 3 else 3)
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    url = os.environ.get("HOLEQC_TEST_POSTGRES", "")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for size in (count // 10, count):
            inspection = made(size)
            path = folder / "ledger.sqlite3"

            def fresh(path: Path = path) -> str:
                path.unlink(missing_ok=True)
                return str(path)

            measure(f"file, {size}", fresh, folder, inspection)
            child = [sys.executable, "-c", MEMORY, str(path)]
            done = subprocess.run(child, capture_output=True, text=True, check=True)
            taken, disk = float(done.stdout), path.stat().st_size / 1e6
            print(f"file, {size}: {disk:.0f} MB on disk, verify takes {taken:.0f} MiB of memory", flush=True)
            if url:
                measure(f"server, {size}", lambda: fresh_schema(url), folder, inspection, url)
        if url:
            drop_schema(url)


def drop_schema(url: str) -> None:
    """Take the benchmark's schema off the server."""
    import psycopg

    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("DROP SCHEMA IF EXISTS bench_ledger CASCADE")


def fresh_schema(url: str) -> str:
    """Return the URL of an empty schema on the server."""
    import psycopg

    drop_schema(url)
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("CREATE SCHEMA bench_ledger")
    return f"{url}?options=-csearch_path%3Dbench_ledger"


if __name__ == "__main__":
    main()
