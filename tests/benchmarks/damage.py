"""Damage files of every kind in thousands of ways, give them to the commands, and count what comes of it.

    .venv/bin/python tests/benchmarks/damage.py --seed 1 --cases 20000 [--keep FOLDER] [--case 1:17]
    .venv/bin/python tests/benchmarks/damage.py --prove [WORDS]

A case takes one file (kit, sheet, study, events, history, hole table, ledger, packet, a sheet of ours), damages it once
(bytes, text, XML, container, cells, dialect) and runs one command line on it, in a fork of a process that has loaded
every module the commands load, and done nothing else: an answer takes a tenth of a second instead of one. A fault is

- a traceback, a warning of Python, an exit code that no command has, an answer that isn't what `--json` promises, a
  character on the screen that a terminal obeys;
- a verdict beside another: an exit code that isn't the worst of the parts, a part better than its holes, a size accepted
  outside its limits (`verdict`);
- more than 20 s of processor time, 2 minutes by the clock, or 2 GB of memory (the loaded libraries count);
- a ledger, packet or seal whose content was changed and that `verify` finds whole, or whose lists call a part better than
  it was;
- a part that isn't accepted in the whole file and is in the damaged one, though what spoke against it (every number,
  where no single one does) is still there as another reader finds it (`accepted`);
- fewer readings used than before, though all numbers are still there, and no new word about it (`lost`);
- a size judged that another reader doesn't find in the cell named for it (`changed`).

Where a number itself was changed, the file now says something else. Exit code 1 if there are faults. Cases depend on
seed and number alone. `--prove` plants a fault of each kind in the loaded tool (`PLANTS`), for damaged files alone, and
says after how many cases it was found; exit code 1 if one wasn't.
"""

# ruff: noqa: E501

from __future__ import annotations

import argparse
import csv
import gc
import importlib
import io
import json
import os
import random
import re
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import tomllib
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

for _name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):  # before numpy: as the tool itself does
    os.environ.setdefault(_name, "1")

import openpyxl  # noqa: E402

TOP = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(TOP))  # the tool of this folder, whatever is installed
KIT = TOP / "tolerances" / "bl7.toml"
SAMPLES = TOP / "sample_measurements"
SECONDS, CLOCK, BYTES = 20, 120, 2 * 1024**3
ODD = [
    "", " ", "0", "-0", "1e400", "-1e-400", "nan", "inf", "1/2", "7/16", "0,458", "0.458.1", "٠٫٤٥٨", "0.458 mm", "45.8%", "TRUE",
    "=cmd()", "@SUM(A1)", "<b>0.458</b>", "\x00", "\u202e0.458", "\U0001f600", "#REF!", "9" * 400, "x" * 70000, "../../x", "$\\frac{1}{2}$",
    "2026-13-45", "0026-01-01", "-", "None", "null", "'0.458", '"', "\n", "\r\n\r\n", "\t", ";;;;", "[[", "]]", "[kit]", "a = 1", "\ufeff",
]  # fmt: skip


@dataclass(frozen=True)
class Source:
    """A file to damage: which of them all in a folder, and the commands that read it."""

    name: str
    path: Path
    commands: tuple[tuple[str, ...], ...]  #: `{}` stands for the damaged file or folder


def run(arguments: list[str], cwd: Path, loaded: Path | None = None) -> tuple[int, str, str, float, int]:
    """Run one command in a fork that has everything loaded; return exit code, both streams, seconds and bytes."""
    out, err = cwd / ".out", cwd / ".err"
    child = os.fork()
    if not child:
        code = 99
        try:
            os.chdir(cwd)
            for stream, path in ((1, out), (2, err)):
                os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), stream)
            sys.stdout, sys.stderr = open(1, "w", closefd=False), open(2, "w", closefd=False)  # noqa: SIM115
            resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS + 1))
            resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 30, 1 << 30))
            resource.setrlimit(resource.RLIMIT_AS, (3 * BYTES, 3 * BYTES))  # what is too much is counted, not hidden
            signal.alarm(CLOCK)
            warnings.simplefilter("always")  # what Python keeps from users speaks of the next version
            sys.argv = ["holeqc", *arguments]
            from holeqc.__main__ import main

            try:
                main()
                code = 0
            except SystemExit as end:
                code = int(end.code or 0) if not isinstance(end.code, str) else 98
            sys.stdout.flush()
            sys.stderr.flush()
            if loaded is not None:
                loaded.write_text("\n".join(sys.modules))
        finally:
            os._exit(code)
    _, status, used = os.wait4(child, 0)
    code = os.waitstatus_to_exitcode(status)
    text = [p.read_text("utf-8", "replace") if p.exists() else "" for p in (out, err)]
    return code, text[0], text[1], used.ru_utime + used.ru_stime, used.ru_maxrss * 1024


def load(commands: list[list[str]], cwd: Path) -> None:
    """Load what the commands load, and do nothing of what they do: no kit, no table, no answer is kept."""
    names = cwd / ".modules"
    for words in commands:
        run(words, cwd, names)
        for name in names.read_text().split("\n") if names.exists() else ():
            if name != "__main__":
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    try:
                        importlib.import_module(name)
                    except ImportError:
                        continue
    from holeqc.readings.synonyms import standard_table

    standard_table()  # knows no file, and takes half of a short run
    gc.collect()
    gc.freeze()


def sources(folder: Path) -> list[Source]:
    """Make what the samples lack (sheets of ours, a ledger, a packet) and return all that can be damaged."""

    def holeqc(*words: str) -> str:
        done = subprocess.run([sys.executable, "-m", "holeqc", *words], cwd=folder, capture_output=True, text=True,
                              env={**os.environ, "PYTHONPATH": str(TOP)})  # fmt: skip
        assert done.returncode in (0, 1, 3), (words, done.stderr)
        return done.stdout

    kit, accepted, rejected = str(KIT), str(SAMPLES / "bl7_P-0107.xlsx"), str(SAMPLES / "bl7_S-0108.xlsx")
    holeqc("kit", "release", kit, "--by", "engineer")
    holeqc("kit", "release", kit, "--by", "7")
    holeqc("check", kit, accepted, rejected, "--record", "--by", "17")
    holeqc("approve", "P-0107", "--by", "41", "--role", "inspector")
    holeqc("packet", "P-0107", "-o", "packet", "--by", "41")
    holeqc("sheet", kit, "-o", "blank.xlsx", "--part", "port", "--serial", "P-0200")
    book = openpyxl.load_workbook(accepted)
    page = book.worksheets[0]
    row = next(r for r in range(1, 60) if (page.cell(r, 1).value, page.cell(r, 2).value) == ("6", "near"))
    page.cell(row, 5).value = 0.4543  # under its limit
    book.save(folder / "own bad sheet.xlsx")
    holeqc("sheet", kit, "--study", "-o", "study.xlsx")
    book, rng = openpyxl.load_workbook(folder / "study.xlsx"), random.Random(1)
    for row in book.worksheets[0].iter_rows(min_row=2):
        row[4].value = round(0.456 + int(row[1].value[-1]) * 0.0005 + rng.gauss(0, 0.0001), 4)
    book.save(folder / "study.xlsx")
    holeqc("check", kit, str(SAMPLES / "bl7_P-0109.csv"), "--out", "out")
    with closing(sqlite3.connect(folder / "holeqc-ledger.sqlite3")) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        database.execute("PRAGMA journal_mode=DELETE")
    history, events = SAMPLES / "fixture_history/df-bl7_history.csv", SAMPLES / "fixture_history/df-bl7_events.csv"
    short = folder / "history.csv"
    short.write_text("".join(history.read_text().splitlines(True)[:1200]))
    study, table_text = SAMPLES / "gauge_study/bg-2_study.csv", SAMPLES / "hole_table/bl7-210_holes.csv"
    value = ["--lower", "0.455", "--upper", "0.462", "--json"]
    study_words = ("gauge-study", "{}", "--part", "part", "--appraiser", "appraiser", "--value", "reading", *value)

    report, table, limits = folder / "report.txt", folder / "holes.xlsx", folder / "limits.json"
    report.write_text(in_fixed_width(SAMPLES / "bl7_P-0109.csv"))
    book = openpyxl.Workbook()
    for row in csv.reader(table_text.read_text().splitlines()):
        book.active.append([float(cell) if re.fullmatch(r"-?\d*\.\d+", cell) else cell for cell in row])
    book.save(table)
    limits.write_text(holeqc("chart", str(study), "--column", "reading", "--json"))

    def sheet(name: str, path: Path) -> Source:
        return Source(name, path, (("check", str(KIT.with_name(f"{path.name[:4].split('_')[0]}.toml")) if path.parent == SAMPLES else kit, "{}", "--json"),))

    ledger = ("--ledger", "{}")
    found = [sheet(p.name, p) for p in sorted(SAMPLES.iterdir()) if p.is_file()]
    qif = sheet("bl7_P-0109.qif", folder / "out" / "qif" / "P-0109.qif")
    own = [sheet("own bad sheet", folder / "own bad sheet.xlsx")]
    kits = Source("kit", KIT, (
        ("kit", "show", "{}"), ("check", "{}", accepted, "--json"), ("check", "{}", rejected, "--json"), ("fit", "pattern", "{}"), ("sheet", "{}", "-o", "s.xlsx")))
    return [
        *found, *found, qif, qif, *own, *own, kits, kits,
        sheet("own blank sheet", folder / "blank.xlsx"),
        Source("study", study, (study_words, ("capability", "{}", "--column", "reading", *value))),
        Source("study sheet", folder / "study.xlsx", (tuple("value" if w == "reading" else w for w in study_words),)),
        sheet("report", report), sheet("report", report),
        Source("hole table", table_text, (("kit", "new", "new.toml", "--from", "{}"),)),
        Source("hole table.xlsx", table, (("kit", "new", "new.toml", "--from", "{}"),)),
        Source("limits", limits, (("chart", str(study), "--column", "reading", "--limits", "{}", "--json"),)),
        Source("events", events, (("wear", kit, str(short), "--events", "{}", "--json"),)),
        Source("history", short, (("capability", kit, "{}", "--by", "bushing", "--json"), ("chart", kit, "{}", "--by", "hole", "--of", "size", "--json"), ("wear", kit, "{}", "--json"))),
        Source("ledger", folder / "holeqc-ledger.sqlite3", (
            ("ledger", "verify", *ledger), ("parts", *ledger, "--json"), ("part", "S-0108", *ledger, "--json"),
            ("waiting", *ledger, "--json"), ("check", kit, accepted, "--record", "--by", "17", *ledger, "--json"))),
        Source("packet", folder / "packet", (("packet", "verify", "{}"), ("ledger", "verify", "--ledger", str(folder / "holeqc-ledger.sqlite3"), "--seal", "{}"))),
    ]  # fmt: skip


def in_fixed_width(path: Path) -> str:
    """Return the lengths of a sheet as a coordinate machine prints them: a line for each axis, in columns of blanks."""
    basic = tomllib.loads(KIT.read_text())["hole"]
    nominal = {(str(hole["id"]), axis): float(hole[axis]) for hole in basic for axis in ("x", "y")}
    lines, last = ["PART NAME : port                 SER NUMBER : P-0109", "DATE: 2026-11-11      UNITS: IN"], ("", "")
    head, rows = "AX".ljust(8) + "".join(f"{t:>11}" for t in ("NOMINAL", "MEAS", "+TOL", "-TOL", "DEV", "OUTTOL")), []
    for row in csv.DictReader(path.read_text().splitlines()):
        hole, wall, axis, size = row["Hole"], row["Wall"], row["What"], row["What"] == "diameter"
        if axis not in ("x", "y", "diameter"):
            continue
        if (hole, wall) != last:
            lines += ["", f"FEATURE  HOLE {hole} {wall.upper()}", head]
            last, rows = (hole, wall), []
        rows.append(axis)
        of, read = 0.4585 if size else nominal[hole, axis], float(row["Reading"])
        tolerance = 0.0035 if size else 0.03
        cells = (of, read, tolerance, -tolerance, read - of, 0.0)
        name = f"D{rows.count('diameter')}" if size else axis.upper()
        lines.append(name.ljust(8) + "".join(f"{v:>11.4f}" for v in cells))
    return "\n".join(lines) + "\n"


# Damage: bytes in, bytes out


def of_bytes(data: bytes, rng: random.Random) -> bytes:
    """Change, cut, double, move or insert some bytes."""
    at, end = sorted(rng.randrange(len(data) + 1) for _ in range(2))
    span = data[at : min(end, at + rng.choice([1, 4, 60, 5000]))]
    how = rng.randrange(6)
    if how == 0:
        return data[:at]
    if how == 1:
        return data[:at] + data[at + len(span) :]
    if how == 2:
        return data[:at] + span + data[at:]
    if how == 3:
        return data[:at] + rng.choice(ODD).encode("utf-8", "replace") + data[at:]
    if how == 4:
        return data[:at] + bytes(rng.randrange(256) for _ in span) + data[at + len(span) :]
    changed = bytearray(data)
    for _ in range(rng.choice([1, 2, 20])):
        if changed:
            changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def of_text(data: bytes, rng: random.Random) -> bytes:
    """Damage a text by lines, fields, dialect or encoding."""
    text = data.decode("utf-8", "replace")
    lines = text.splitlines(keepends=True) or [""]
    i = rng.randrange(len(lines))
    how = rng.randrange(9)
    if how == 0:
        del lines[i]
    elif how == 1:
        lines.insert(i, rng.choice(lines))
    elif how == 2:
        j = rng.randrange(len(lines))
        lines[i], lines[j] = lines[j], lines[i]
    elif how == 3:
        words = re.split(r"([,;=\s]+)", lines[i])
        words[rng.randrange(len(words))] = rng.choice(ODD)
        lines[i] = "".join(words)
    elif how == 4:
        lines[i] = rng.choice(ODD) + rng.choice(["\n", "", ",", "\n\n"])
    elif how == 5:
        return "".join(lines).replace(",", rng.choice([";", "\t", "|", ",,"])).encode()
    elif how == 6:
        return "".join(lines).encode(rng.choice(["utf-16", "utf-8-sig", "utf-16-le", "cp1252", "utf-32"]), "replace")
    elif how == 7:
        return "".join(lines).replace("\n", rng.choice(["\r", "\r\n", "\n\n", "\u2028"])).encode()
    else:
        lines[i] = lines[i].replace(
            rng.choice([",", "=", ".", '"', "["]), rng.choice(["", ",,", "'", '"', ";", "\x00"])
        )
    return "".join(lines).encode("utf-8", "replace")


def of_xml(data: bytes, rng: random.Random) -> bytes:
    """Take out, double or fill a tag, an attribute, an element or a text."""
    xml = data.decode("utf-8", "replace")
    tag = rng.choice(list(re.finditer(r"<[^>]+>", xml)))
    how = rng.randrange(6)
    if how == 0:
        return of_bytes(data, rng)
    if how == 1:
        return (xml[: tag.start()] + xml[tag.end() :]).encode()
    if how == 2:
        return (xml[: tag.end()] + tag.group() + xml[tag.end() :]).encode()
    names = "c|row|v|si|t|mergeCell|sheet|Relationship|Attribute|Value|XYZ|Name|SerialNumber|CircleMeasurement|CircleNominal|Status"
    found = list(re.finditer([r'="([^"]*)"', rf"<({names})\b[^>]*?(?:/>|>.*?</\1>)", r">([^<>]+)<"][how - 3], xml, re.DOTALL))
    if not found:
        return data
    one = rng.choice(found)
    if how == 4:
        piece = rng.choice([one.group() * 2, "", one.group().replace(">", ' r="B2">', 1), f"<x>{one.group()}</x>"])
        return (xml[: one.start()] + piece + xml[one.end() :]).encode()
    odd = ["", "A1", "0", "-1", "99999999999", "XFE1", "A1:XFD1048576", "s", "b", "e", "str", "inlineStr", "d", "n", "x" * 999]
    new = rng.choice(odd if how == 3 else ODD).replace("&", "&amp;").replace("<", "&lt;").replace("\x00", "&#0;")
    return (xml[: one.start(1)] + new + xml[one.end(1) :]).encode("utf-8", "replace")


def of_workbook(data: bytes, rng: random.Random) -> bytes:
    """Damage a part of the container, its XML or its list."""
    with zipfile.ZipFile(io.BytesIO(data)) as z:
        parts = {n: z.read(n) for n in z.namelist()}
    names = [n for n in parts if n.endswith((".xml", ".rels"))]
    name = rng.choice(names + 5 * [n for n in names if "/worksheets/" in n or "shared" in n])  # most of a file is cells
    how = rng.randrange(9)
    if how < 6:
        parts[name] = of_xml(parts[name], rng)
    elif how == 6:
        del parts[name]
    elif how == 8:
        other = rng.choice(list(parts))
        parts[name], parts[other] = parts[other], parts[name]
    out = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(out, "w", rng.choice([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])) as z:
        warnings.simplefilter("ignore")
        for n, content in parts.items():
            z.writestr(n, content)
            if how == 7 and n == name:
                z.writestr(n, of_bytes(content, rng))
    return out.getvalue()


def of_cells(data: bytes, rng: random.Random) -> bytes:
    """Type something odd into cells, or merge, hide, insert and delete rows and columns."""
    book = openpyxl.load_workbook(io.BytesIO(data))
    sheet = rng.choice(book.worksheets)
    for _ in range(rng.choice([1, 1, 3])):
        r, c = rng.randint(1, sheet.max_row + 1), rng.randint(1, sheet.max_column + 1)
        how = rng.randrange(8)
        try:
            if how < 3:
                odd = rng.choice(ODD)
                sheet.cell(r, c).value = rng.choice([odd, 10 ** rng.randint(0, 300), -0.0, True, f"={odd}"])
            elif how == 3:
                sheet.merge_cells(
                    start_row=r, end_row=r + rng.randint(0, 3), start_column=c, end_column=c + rng.randint(0, 2)
                )
            elif how == 4:
                sheet.insert_rows(r, rng.randint(1, 3))
            elif how == 5:
                sheet.insert_cols(c)
            elif how == 6:
                sheet.delete_cols(c)
            else:
                sheet.row_dimensions[r].hidden = True
        except (ValueError, AttributeError, openpyxl.utils.exceptions.IllegalCharacterError):
            continue
    out = io.BytesIO()
    try:
        book.save(out)
    except AttributeError:  # a mark that the library can't write
        return data
    return out.getvalue()


def of_database(data: bytes, rng: random.Random) -> bytes:
    """Edit one cell, or delete or double a row, past the guards: what somebody with the file and a tool can do."""
    with tempfile.NamedTemporaryFile(suffix=".sqlite3") as f:
        f.write(data)
        f.flush()
        with closing(sqlite3.connect(f.name)) as database, database:
            names = [
                n
                for (n,) in database.execute(
                    "SELECT name FROM sqlite_master WHERE type='table' AND name NOT LIKE 'sqlite%'"
                )
            ]
            for (trigger,) in database.execute("SELECT name FROM sqlite_master WHERE type='trigger'").fetchall():
                database.execute(f'DROP TRIGGER "{trigger}"')
            table = rng.choice(names)
            columns = [c[1] for c in database.execute(f'PRAGMA table_info("{table}")')]
            column = rng.choice(columns)
            rows = database.execute(f'SELECT * FROM "{table}"').fetchall()
            where = " AND ".join(f'"{c}" IS ?' for c in columns)
            try:
                if rows and rng.random() < 0.7:
                    odd = rng.choice([*ODD, 0, 1, -1, 1e300, None, b"\x00"])
                    database.execute(f'UPDATE "{table}" SET "{column}" = ? WHERE {where}', (odd, *rng.choice(rows)))
                elif rows:
                    database.execute(f'DELETE FROM "{table}" WHERE {where}', rng.choice(rows))
                else:
                    database.execute(f'DROP TABLE "{table}"')
            except sqlite3.Error:
                pass
        return Path(f.name).read_bytes()


def damaged(source: Source, rng: random.Random, folder: Path) -> tuple[Path, str]:
    """Write one damaged copy; return it and how it was damaged."""
    target = folder / source.path.name
    if source.path.is_dir():
        shutil.copytree(source.path, target)
        file = rng.choice(sorted(p for p in target.rglob("*") if p.is_file()))
        way = of_bytes if rng.random() < 0.5 else of_text
        file.write_bytes(way(file.read_bytes(), rng))
        return target, way.__name__
    ways: list[Callable[[bytes, random.Random], bytes]] = {
        ".xlsx": [of_bytes, of_workbook, of_workbook, of_workbook, of_cells, of_cells],
        ".sqlite3": [of_bytes, of_database, of_database],
        ".qif": [of_bytes, of_text, of_xml, of_xml, of_xml],
    }.get(source.path.suffix, [of_bytes, of_text, of_text, of_text])
    way = rng.choice(ways)
    target.write_bytes(way(source.path.read_bytes(), rng))
    return target, way.__name__


# What comes of it


@dataclass(frozen=True)
class Whole:
    """What the whole file gave, to lay beside what its damaged copy gives."""

    ranks: dict[str, int]  #: serial number -> 0 approved, 1 accepted, 2 held, 3 rejected
    against: tuple[str, ...]  #: sizes that speak against a part
    used: Counter[str]  #: readings by part or group
    words: frozenset[str]  #: problems and lines of standard error


RANKS = {"accept": 1, "hold": 2, "reject": 3}
SCALES = (1, 25.4, 1 / 25.4)
_OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ufff9-\ufffb\ud800-\udfff]")
_PYTHON = re.compile(r"^\S+:\d+: \w*Warning: ", re.M)


def answer(words: list[str], out: str, err: str) -> Whole:
    """Return what one command gave."""
    lines = {re.sub(r"\d+", "#", line) for line in err.splitlines()}
    data = strict(out) if "--json" in words else None
    if words[0] == "check" and data:
        walls = [w for p in data["parts"] for h in p["holes"] for w in (h.get("size") or {}).get("walls", ())]
        return Whole(
            {p["serial"]: RANKS[p["verdict"]] for p in data["parts"]},
            tuple(str(w["found"]) for w in walls if w["verdict"] != "accept" and w["found"] is not None),
            Counter({p["serial"]: p["readings"] for p in data["parts"]}),
            frozenset(lines | {f"{p['code']} {p['cell']}" for p in data["problems"]} | {u["file"] for u in data["unusable"]}
                      | {r["sentence"] for p in data["parts"] for r in p["reasons"]}),
        )
    if words[0] == "parts" and data is not None:
        return Whole({p["serial"]: 0 if p["approved"] else RANKS[p["verdict"]] for p in data}, (), Counter(), frozenset(lines))
    if words[0] == "part" and data:
        return Whole({data["serial"]: RANKS[data["inspections"][-1]["verdict"]]}, (), Counter(), frozenset(lines))
    used: Counter[str] = Counter()
    for group in data if isinstance(data, list) else [data or {}]:
        used[group.get("group", "")] += group.get("n") or group.get("readings") or len(group.get("points") or ()) or group.get("parts") or 0
        lines |= {json.dumps(group.get(key)) for key in ("remarks", "notes", "warnings", "problems", "left_out", "missing")}
    return Whole({}, (), used, frozenset(lines))


def strict(out: str | bytes) -> Any:
    """Return the value of JSON text, None where it is none; NaN and infinity are none."""
    try:
        return json.loads(out, parse_constant=lambda word: 1 / 0)
    except (ValueError, ZeroDivisionError):
        return None


def disagreeing(data: Any, code: int) -> str:
    """Return which verdict of an answer of `check` stands against another one."""
    parts = data["parts"]
    worst = max((RANKS[p["verdict"]] for p in parts), default=0)
    if code != (2 if data["unusable"] or not parts else {1: 0, 2: 3, 3: 1}[worst]):
        return f"exit code {code}, verdict {data['verdict']}"
    for part in parts:
        holes = [(h["hole"], what) for h in part["holes"] for what in h.values() if isinstance(what, dict)]
        for hole, walls in [(hole, what["walls"]) for hole, what in holes if "walls" in what]:
            if any(RANKS.get(w["verdict"], 0) > RANKS[part["verdict"]] for w in walls):
                return f"{part['serial']}, hole {hole}: worse than its part"
        for wall in (w for h in part["holes"] for w in (h.get("size") or {}).get("walls", ())):
            found, lower, upper = wall["found"], wall["lower"], wall["upper"]
            if wall["verdict"] == "accept" and not (found is None or lower - 1e-9 <= found <= upper + 1e-9):
                return f"{part['serial']}: {found} accepted"
    return ""


def content(path: Path) -> object:
    """Return what a ledger's tables or a packet's files hold."""
    if path.is_dir():
        return {p.name: p.read_bytes() for p in path.iterdir()}
    with closing(sqlite3.connect(path)) as database:
        return list(database.iterdump())


def seal(packet: Path) -> object:
    """Return what the seal in a packet holds against the ledger, None where it is none."""
    said = strict((packet / "seal.json").read_bytes())
    return [said.get(key) for key in ("format", "entry", "hash")] if isinstance(said, dict) else None


def texts(path: Path) -> list[str]:
    """Return the content of a file as other readers find it, each reader's as one text."""
    if path.suffix != ".xlsx":
        return [path.read_bytes().replace(b"\0", b"").decode("utf-8", "replace")]
    found = []
    try:
        book = openpyxl.load_workbook(path, data_only=True)
        rows = (row for s in book.worksheets for row in s.iter_rows(values_only=True))
        found.append("\n".join(str(v) for row in rows for v in row if v is not None))
    except Exception:  # whatever it meets: the other reader may know
        pass
    try:
        with zipfile.ZipFile(path) as z:
            parts = [z.read(n).decode("utf-8", "replace") for n in z.namelist() if "/worksheets/" in n or "sharedStr" in n]
        found.append("\n".join(re.findall(r">([^<]+)<", "".join(parts))))
    except Exception:
        pass
    return found


def numbers(text: str) -> Counter[str]:
    return Counter(re.findall(r"\d+\.\d+", text if text.count(";") < 50 else text.replace(",", ".")))


def holds(source: Path, path: Path, which: tuple[str, ...]) -> bool:
    """Whether a damaged file still holds these numbers, or all, as often as before: for one of the other readers."""
    for before, now in zip(texts(source), texts(path), strict=False):
        there, all_of = numbers(now), numbers(before)
        wanted = Counter({n: all_of[n] for n in which}) if which else all_of
        if not wanted - there:
            return True
    return False


def misread(path: Path, out: str) -> str:
    """Return a size that was judged though another reader doesn't find it in the cell that is named."""
    book: Any = None
    lines: list[list[str]] = []
    elements: dict[str, Any] = {}
    try:
        if path.suffix == ".xlsx":
            book = openpyxl.load_workbook(path, data_only=True)
        elif path.suffix == ".qif":
            elements = {str(e.get("id")).strip(): e for e in ElementTree.parse(path).iter() if e.get("id")}
        else:
            text = path.read_bytes().replace(b"\0", b"").decode("utf-8-sig")
            delimiter = max(";\t|,", key=text.count)
            rows = text.splitlines() if path.suffix == ".txt" else re.split("\r\n|\r|\n", text)  # a form feed ends a line
            lines = [next(csv.reader([line], delimiter=delimiter), []) for line in rows]
    except Exception:  # what that reader can't read can't be compared
        return ""
    for part in json.loads(out)["parts"]:
        for wall in (w for h in part["holes"] for w in (h.get("size") or {}).get("walls", ())):
            where, found = wall["cell"].split(", "), wall["found"]
            if found is None or Path(where[0]).name != path.name:
                continue
            try:
                if elements:
                    inside = elements[where[-1].split("/")[0].removeprefix("id=")].iter()
                    value = " ".join(t for e in inside for t in (e.text, *e.attrib.values()) if t)
                    if any(abs(float(n) * k - found) < 1e-6 for n in re.findall(r"-?\d*\.\d+", value) for k in (*SCALES, 1000 / 25.4)):
                        continue
                    return f"{wall['cell']}: {found} doesn't stand there"
                column, row = re.fullmatch(r"([A-Z]+)(\d+)", where[-1]).groups()  # type: ignore[union-attr]
                if path.suffix == ".txt":
                    value = " ".join(lines[int(row) - 1])
                elif book is not None:
                    page = book[where[1]]
                    if any(where[-1] in area for area in page.merged_cells.ranges):  # what it holds is open: doubted
                        continue
                    value = page[where[-1]].value
                else:
                    value = lines[int(row) - 1][openpyxl.utils.column_index_from_string(column) - 1]
            except (AttributeError, KeyError, IndexError, ValueError):
                return f"{wall['cell']}: {found}, and there is no such cell"
            there = [float(n.replace(",", ".")) * k for n in re.findall(r"-?\d*[.,]?\d+(?:[eE][-+]?\d+)?", str(value)) for k in SCALES]
            if not any(abs(n - found) < 1e-6 for n in there):
                return f"{wall['cell']}: {found}, and {value!r} stands there"
    return ""


def case(source: Source, command: tuple[str, ...], seed: int, number: int, folder: Path, before: Whole | None) -> tuple[str, str, str]:
    """Return how a file was damaged, what came of it, `ok` among it, and the words for it."""
    rng = random.Random(f"{seed}:{number}:damage")
    path, way = damaged(source, rng, folder)
    words = [w.replace("{}", path.name) for w in command]
    code, out, err, seconds, memory = run(words, folder)
    said = f"{source.name}, {way}: {' '.join(words)} -> {code}, {seconds:.1f} s, {memory / 2**20:.0f} MB\n{err[-3000:]}"
    return way, *judged(source, path, words, (code, out, err, seconds, memory), said, before)


def judged(source: Source, path: Path, words: list[str], came: tuple[int, str, str, float, int], said: str, before: Whole | None) -> tuple[str, str]:
    code, out, err, seconds, memory = came
    if code in (-signal.SIGXCPU, -signal.SIGKILL, -signal.SIGALRM) or seconds > SECONDS:
        return "slow", said
    if memory > BYTES or "isn't enough memory" in err:
        return "memory", said
    if "Traceback" in err or "fault of holeqc" in err or code not in (0, 1, 2, 3, 4):
        return "traceback", said
    if _PYTHON.search(err):
        return "warning", said
    if _OBEYED.search(out + err):
        return "screen", f"{said}\n{_OBEYED.search(out + err)!r}"
    data = strict(out) if "--json" in words else None
    if "--json" in words and data is None and (code != 2 or out):
        return "json", said
    unrecorded = code == 2 and "--record" in words  # judged all the same
    if words[0] == "check" and data and not unrecorded and (wrong := disagreeing(data, code)):
        return "verdict", f"{said}\n{wrong}"
    ok = f"ok {code}"
    if code == 2 or (code == 0 and words[1] == "verify"):
        whole = seal if "--seal" in words else content
        if code == 0 and whole(source.path) != whole(path):
            return "unnoticed", said
        return ok, said
    now = answer(words, out, err)
    if before is None:
        return ok, said
    new = now.words - before.words
    other = max(before.ranks.values(), default=9)  # a part of another name may be any of them
    better = {s for s, rank in now.ranks.items() if rank < before.ranks.get(s, other) and rank < 2}
    if better and (not new if words[0] in ("parts", "part") else holds(source.path, path, before.against)):
        return "accepted", f"{said}\naccepted: {sorted(better)}, new words: {sorted(new)}"
    lost = before.used - now.used if before.used.keys() == now.used.keys() else before.used.total() - now.used.total()
    if not new and (lost if isinstance(lost, Counter) else lost > 0) and holds(source.path, path, ()):
        return "lost", f"{said}\nlost: {lost}"
    wrong = misread(path, out) if words[0] == "check" and source.name not in ("kit", "ledger") else ""
    return ("changed", f"{said}\n{wrong}") if wrong else (ok, said)


@dataclass
class Campaign:
    """The files to damage, in a folder, and what each command gives for a whole one."""

    folder: Path
    before: dict[tuple[str, tuple[str, ...]], Whole] = field(default_factory=dict)
    planted: bool = False  #: the tool that runs has a planted fault

    def __post_init__(self) -> None:
        made = self.folder / "sources"
        made.mkdir()
        self.sources = sources(made)
        load([[w.replace("{}", str(s.path)) for w in c] for s in self.sources for c in s.commands if s.name not in ("ledger", "packet")], self.folder)
        load([["parts", "--ledger", str(made / "holeqc-ledger.sqlite3")], ["packet", "verify", str(made / "packet")]], self.folder)

    def run(self, seed: int, number: int, only: str = "", keep: Path | None = None) -> tuple[str, str, str, str]:
        """Return name of the file, way of the damage, what came of it and the words for it, of one case."""
        rng = random.Random(f"{seed}:{number}")
        source = rng.choice([s for s in self.sources if only in (s.name, s.path.suffix, "")])
        command = rng.choice(source.commands)
        folder = self.folder / str(number)
        folder.mkdir()
        key = (source.name, command)
        if key not in self.before:
            place = folder / "whole"
            place.mkdir()
            whole = place / source.path.name
            (shutil.copytree if source.path.is_dir() else shutil.copy)(source.path, whole)
            words = [w.replace("{}", whole.name) for w in command]
            code, out, err, *_ = run(words, place)
            assert code in (0, 1, 3), (words, err)
            assert command[0] != "check" or source.name in ("kit", "ledger") or not misread(whole, out), words
            self.before[key] = answer(words, out, err)
            shutil.rmtree(place)
        self.planted = True
        way, result, said = case(source, command, seed, number, folder, self.before[key])
        self.planted = False
        if keep and not result.startswith("ok"):
            shutil.copytree(folder, keep / f"{seed}_{number}", dirs_exist_ok=True)
        shutil.rmtree(folder)
        return source.name, way, result, said


# Faults planted, to see that they are found


def _raises(error: type[BaseException]) -> Callable[..., Any]:
    def plant(*_: Any, **__: Any) -> Any:
        raise error("planted")

    return plant


def _warns(kind: type[Warning]) -> Callable[..., Any]:
    def plant(real: Callable[..., Any], *words: Any, **more: Any) -> Any:
        warnings.warn("planted", kind, stacklevel=1)
        return real(*words, **more)

    return plant


def _turns(change: Callable[[Any], Any]) -> Callable[..., Any]:
    return lambda real, *words, **more: change(real(*words, **more))


def _burns(*_: Any) -> None:
    while True:
        pass


class _Any(str):
    """A text that equals every other."""

    __slots__ = ()
    __hash__ = str.__hash__

    def __eq__(self, other: object) -> bool:
        return True

    def __ne__(self, other: object) -> bool:
        return False


def _without_last_line(came: Any) -> Any:
    return came if came.content.startswith((b"PK", b"SQLite", b"{", b"<")) else replace(came, content=came.content.rstrip().rpartition(b"\n")[0] + b"\n")


def _accepting(given: Any) -> Any:
    verdict, cause = given
    verdict[:] = 0
    return verdict, cause


def _one_more(text: Any) -> Any:
    return replace(text, value=text.value + 0.001)


_CELL = "readings.files:SheetPass._forbidden"
#: kind of fault, where in the tool, what is there instead (called with what was there), files that are damaged
PLANTS: list[tuple[str, str, Callable[..., Any], str]] = [
    ("traceback", _CELL, _raises(KeyError), ".xlsx"),
    ("traceback", _CELL, _raises(SystemError), ".xlsx"),
    ("traceback", "readings.qif:_Document.say", _raises(AttributeError), ""),
    ("traceback", "specification.content:Collector.add", _raises(TypeError), ""),
    ("traceback", "__main__:_explained", lambda *_: 5, ""),
    ("traceback", _CELL, lambda *_: os._exit(7), ".xlsx"),
    ("warning", "readings.read:read_files", _warns(RuntimeWarning), ""),
    ("warning", "readings.read:read_files", _warns(DeprecationWarning), ""),
    ("verdict", "commands.check:exit_code", lambda *_: 0, ""),
    ("verdict", "inspection.size:decide", _turns(_accepting), ""),
    ("json", "printing:as_json", _turns(lambda text: text + ","), ""),
    ("json", "printing:as_json", _turns(lambda text: re.sub(r": \d+\.\d+", ": NaN", text, count=1)), ""),
    ("json", "printing:write_json", lambda *_: None, ""),
    ("json", "printing:write_json", lambda real, *words: [real(*words), real(*words)], ""),
    ("screen", "printing:_code_point", lambda _, match: match[0], "kit"),
    ("screen", "printing:as_json", lambda _, *words, **more: json.dumps(*words, ensure_ascii=False, default=str), ".csv"),
    ("slow", _CELL, _burns, ".xlsx"),
    ("slow", _CELL, lambda *_: time.sleep(300), ".xlsx"),
    ("memory", _CELL, lambda *_: len(b"x" * (BYTES + 1)), ".xlsx"),
    ("memory", _CELL, _raises(MemoryError), ".xlsx"),
    ("unnoticed", "ledger.verify:entry_hash", lambda real, entry: _Any(), "ledger"),
    ("unnoticed", "ledger.verify:PayloadDigest.hexdigest", lambda *_: _Any(), "ledger"),
    ("unnoticed", "ledger.verify:missing_guards", lambda *_: [], "ledger"),
    ("unnoticed", "reports.packet:_file", lambda *_: {"sha256": _Any(), "bytes": _Any()}, "packet"),
    ("unnoticed", "ledger.verify:broken_seals", lambda *_: [], "packet"),
    ("accepted", "ledger.ledger:faults_at_a_glance", lambda *_: ([], ""), "ledger"),
    ("accepted", "inspection.judge:find_holds", lambda real, evidence, problems, table: real(evidence, [], table), ""),
    ("accepted", "inspection.size:decide", _turns(_accepting), "own bad sheet"),
    ("lost", "door:take", _turns(_without_last_line), "history"),
    ("lost", "door:take", _turns(_without_last_line), "study"),
    ("changed", "readings.files:SheetPass._number", _turns(lambda number: number + 0.001), ""),
    ("changed", "readings.values:length_of", _turns(_one_more), ""),
    ("changed", "readings.qif:_Document.length", _turns(_one_more), ".qif"),
]  # fmt: skip


def prove(campaign: Campaign, wanted: str, most: int = 400) -> int:
    """Plant each fault and say after how many cases it was found; return 1 where one wasn't."""
    global SECONDS, CLOCK
    missed = 0
    for kind, place, instead, only in PLANTS:
        words = f"{kind:10}{place} {only}".rstrip()
        if wanted not in words:
            continue
        SECONDS, CLOCK = (3, 6) if kind == "slow" else (20, 120)  # it needn't be waited for
        module, _, path = place.partition(":")
        *above, name = path.split(".")
        owner: Any = importlib.import_module(f"holeqc.{module}")
        for step in above:
            owner = getattr(owner, step)
        there = getattr(owner, name)

        def planted(*given: Any, real: Any = there, instead: Any = instead, **more: Any) -> Any:
            return instead(real, *given, **more) if campaign.planted else real(*given, **more)

        setattr(owner, name, planted)
        try:
            found = next((n for n in range(most) if campaign.run(1, n, only)[2] == kind), None)
        finally:
            setattr(owner, name, there)
        missed += found is None
        print(f"{words:70} {'NOT FOUND' if found is None else f'found by case {found + 1}'}", flush=True)
    return 1 if missed else 0


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cases", type=int, default=400)
    parser.add_argument("--case", help="SEED:NUMBER, this one alone, with its words")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--only", default="", help="only this file of `sources`, or an ending such as .xlsx")
    parser.add_argument("--prove", nargs="?", const="", help="only plants whose line holds these words")
    o = parser.parse_args()
    counts: Counter[tuple[str, str, str]] = Counter()
    faults = 0
    with tempfile.TemporaryDirectory() as name:
        campaign = Campaign(Path(name))
        if o.prove is not None:
            return prove(campaign, o.prove)
        seed, cases = o.seed, range(o.cases)
        if o.case:
            seed, only = (int(w) for w in o.case.split(":"))
            cases = range(only, only + 1)
        for number in cases:
            file, way, result, said = campaign.run(seed, number, o.only, keep=o.keep)
            counts[file, way, result] += 1
            fault = not result.startswith("ok")
            faults += fault
            if fault or o.case:
                print(f"{seed}:{number} {result}: {said}", flush=True)
            if number % 100 == 99:
                print(f"{number + 1} of {len(cases)}, {faults} faults", file=sys.stderr, flush=True)
    print(f"\nseed {seed}, {len(cases)} damaged files, {faults} faults")
    kinds = sorted({r for *_, r in counts})
    for part in (0, 1):
        print(f"\n{('file', 'damage')[part]:24}" + "".join(f"{kind:>11}" for kind in kinds))
        for one in sorted({key[part] for key in counts}):
            row = [sum(n for key, n in counts.items() if key[part] == one and key[2] == kind) for kind in kinds]
            print(f"{one:24}" + "".join(f"{n or '':>11}" for n in row))
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
