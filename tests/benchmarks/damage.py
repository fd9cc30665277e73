"""Damage files of every kind in thousands of ways, give them to the commands, and count what comes of it.

    .venv/bin/python tests/benchmarks/damage.py --seed 1 --cases 20000 [--keep FOLDER] [--case 1:17]

A case takes one file (kit, sheet, study, events, history, hole table, ledger, packet, a sheet of ours), damages it once
(bytes, text, XML, container, cells, dialect) and runs one command on it, in a process of its own. A fault is

- a traceback, an exit code that no command has, or an answer that isn't what `--json` promises;
- more than 20 s of processor time or 2 GB of memory;
- a ledger or packet whose content was changed and that `verify` finds whole;
- a part that isn't accepted in the whole file and is in the damaged one, though every number of its readings is still
  there as it was (`without a word`); where a number itself was changed, the file now says something else.

Exit code 1 if there are faults. Cases depend on seed and number alone.
"""

# ruff: noqa: E501

from __future__ import annotations

import argparse
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
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import openpyxl

TOP = Path(__file__).parents[2]
KIT = TOP / "tolerances" / "bl7.toml"
SAMPLES = TOP / "sample_measurements"
SECONDS, BYTES = 20, 2 * 1024**3
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


def run(arguments: list[str], cwd: Path) -> tuple[int, str, str, float, int]:
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
            sys.argv = ["holeqc", *arguments]
            from holeqc.__main__ import main

            try:
                main()
                code = 0
            except SystemExit as end:
                code = int(end.code or 0) if not isinstance(end.code, str) else 98
            sys.stdout.flush()
            sys.stderr.flush()
        finally:
            os._exit(code)
    _, status, used = os.wait4(child, 0)
    code = os.waitstatus_to_exitcode(status)
    text = [p.read_text("utf-8", "replace") if p.exists() else "" for p in (out, err)]
    return code, text[0], text[1], used.ru_utime + used.ru_stime, used.ru_maxrss * 1024


def sources(folder: Path) -> list[Source]:
    """Make what the samples lack (sheets of ours, a ledger, a packet) and return all that can be damaged."""

    def holeqc(*words: str) -> None:
        done = subprocess.run([sys.executable, "-m", "holeqc", *words], cwd=folder, capture_output=True, text=True,
                              env={**os.environ, "PYTHONPATH": str(TOP)})  # fmt: skip
        assert done.returncode in (0, 1, 3), (words, done.stderr)

    kit, accepted = str(KIT), str(SAMPLES / "bl7_P-0107.xlsx")
    holeqc("kit", "release", kit, "--by", "engineer")
    holeqc("kit", "release", kit, "--by", "7")
    holeqc("check", kit, accepted, str(SAMPLES / "bl7_S-0108.xlsx"), "--record", "--by", "17")
    holeqc("approve", "P-0107", "--by", "41", "--role", "inspector")
    holeqc("packet", "P-0107", "-o", "packet", "--by", "41")
    holeqc("sheet", kit, "-o", "blank.xlsx", "--part", "port", "--serial", "P-0200")
    holeqc("sheet", kit, "--study", "-o", "study.xlsx")
    with sqlite3.connect(folder / "holeqc-ledger.sqlite3") as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        database.execute("PRAGMA journal_mode=DELETE")
    check = (("check", kit, "{}", "--json"),)
    history, events = SAMPLES / "fixture_history/df-bl7_history.csv", SAMPLES / "fixture_history/df-bl7_events.csv"
    short = folder / "history.csv"
    short.write_text("".join(history.read_text().splitlines(True)[:1200]))
    study = SAMPLES / "gauge_study/bg-2_study.csv"
    columns = (
        "--part",
        "part",
        "--appraiser",
        "appraiser",
        "--value",
        "reading",
        "--lower",
        "0.455",
        "--upper",
        "0.462",
        "--json",
    )
    found = [Source(p.name, p, check) for p in sorted(SAMPLES.glob("bl7_*"))]
    return [
        *found,
        *found,
        Source("own blank sheet", folder / "blank.xlsx", check),
        Source("kit", KIT, (("kit", "show", "{}"), ("check", "{}", accepted, "--json"), ("fit", "pattern", "{}"), ("sheet", "{}", "-o", "s.xlsx"))),
        Source("study", study, (("gauge-study", "{}", *columns), ("capability", "{}", "--column", "reading", "--lower", "0.455", "--upper", "0.462", "--json"))),
        Source("study sheet", folder / "study.xlsx", (("gauge-study", "{}", *columns),)),
        Source("hole table", SAMPLES / "hole_table/bl7-210_holes.csv", (("kit", "new", "new.toml", "--from", "{}"),)),
        Source("events", events, (("wear", kit, str(short), "--events", "{}", "--json"),)),
        Source("history", short, (("capability", kit, "{}", "--by", "bushing", "--json"), ("chart", kit, "{}", "--by", "hole", "--of", "size", "--json"), ("wear", kit, "{}", "--json"))),
        Source("ledger", folder / "holeqc-ledger.sqlite3", (
            ("ledger", "verify", "--ledger", "{}"), ("parts", "--ledger", "{}", "--json"), ("part", "S-0108", "--ledger", "{}", "--json"),
            ("waiting", "--ledger", "{}", "--json"), ("check", kit, accepted, "--record", "--by", "17", "--ledger", "{}", "--json"))),
        Source("packet", folder / "packet", (("packet", "verify", "{}"), ("ledger", "verify", "--ledger", str(folder / "holeqc-ledger.sqlite3"), "--seal", "{}"))),
    ]  # fmt: skip


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


def of_workbook(data: bytes, rng: random.Random) -> bytes:
    """Damage a part of the container, its XML or its list."""
    with zipfile.ZipFile(io.BytesIO(data)) as z:
        parts = {n: z.read(n) for n in z.namelist()}
    name = rng.choice([n for n in parts if n.endswith((".xml", ".rels"))])
    xml = parts[name].decode("utf-8", "replace")
    tags = list(re.finditer(r"<[^>]+>", xml))
    tag = rng.choice(tags)
    twice = False
    how = rng.randrange(9)
    if how == 0:
        parts[name] = of_bytes(parts[name], rng)
    elif how == 1:
        parts[name] = (xml[: tag.start()] + xml[tag.end() :]).encode()
    elif how == 2:
        parts[name] = (xml[: tag.end()] + tag.group() + xml[tag.end() :]).encode()
    elif how == 3:
        attributes = list(re.finditer(r'="([^"]*)"', xml))
        if attributes:
            a = rng.choice(attributes)
            new = rng.choice(
                [
                    "",
                    "A1",
                    "0",
                    "-1",
                    "99999999999",
                    "XFE1",
                    "A1:XFD1048576",
                    "s",
                    "b",
                    "e",
                    "str",
                    "inlineStr",
                    "d",
                    "n",
                    "x" * 999,
                ]
            )
            parts[name] = (xml[: a.start(1)] + new + xml[a.end(1) :]).encode()
    elif how == 4:
        whole = list(
            re.finditer(r"<(c|row|v|si|t|mergeCell|sheet|Relationship)\b[^>]*?(?:/>|>.*?</\1>)", xml, re.DOTALL)
        )
        if whole:
            e = rng.choice(whole)
            piece = rng.choice([e.group() * 2, "", e.group().replace(">", ' r="B2">', 1), f"<x>{e.group()}</x>"])
            parts[name] = (xml[: e.start()] + piece + xml[e.end() :]).encode()
    elif how == 5:
        values = list(re.finditer(r">([^<>]+)<", xml))
        if values:
            v = rng.choice(values)
            new = rng.choice(ODD).replace("&", "&amp;").replace("<", "&lt;").replace("\x00", "&#0;")
            parts[name] = (xml[: v.start(1)] + new + xml[v.end(1) :]).encode("utf-8", "replace")
    elif how == 6:
        del parts[name]
    elif how == 7:
        twice = True
    else:
        other = rng.choice(list(parts))
        parts[name], parts[other] = parts[other], parts[name]
    out = io.BytesIO()
    import warnings

    with (
        warnings.catch_warnings(),
        zipfile.ZipFile(out, "w", rng.choice([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])) as z,
    ):
        warnings.simplefilter("ignore")
        for n, content in parts.items():
            z.writestr(n, content)
            if twice and n == name:
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
    book.save(out)
    return out.getvalue()


def of_database(data: bytes, rng: random.Random) -> bytes:
    """Edit one cell, or delete or double a row, past the guards: what somebody with the file and a tool can do."""
    with tempfile.NamedTemporaryFile(suffix=".sqlite3") as f:
        f.write(data)
        f.flush()
        with sqlite3.connect(f.name) as database:
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


def damaged(source: Source, rng: random.Random, folder: Path) -> Path:
    """Write one damaged copy and return it."""
    target = folder / source.path.name
    if source.path.is_dir():
        shutil.copytree(source.path, target)
        file = rng.choice(sorted(p for p in target.rglob("*") if p.is_file()))
        file.write_bytes((of_bytes if rng.random() < 0.5 else of_text)(file.read_bytes(), rng))
        return target
    ways: list[Callable[[bytes, random.Random], bytes]] = {
        ".xlsx": [of_bytes, of_workbook, of_workbook, of_workbook, of_cells, of_cells],
        ".sqlite3": [of_bytes, of_database, of_database],
    }.get(source.path.suffix, [of_bytes, of_text, of_text, of_text])
    target.write_bytes(rng.choice(ways)(source.path.read_bytes(), rng))
    return target


# What comes of it


def verdicts(answer: str) -> dict[str, str]:
    return {p["serial"]: p["verdict"] for p in json.loads(answer)["parts"]}


def content(path: Path) -> object:
    """Return what a ledger's tables or a packet's files hold."""
    if path.is_dir():
        return {p.name: p.read_bytes() for p in path.iterdir()}
    with sqlite3.connect(path) as database:
        return list(database.iterdump())


def numbers(path: Path) -> Counter[str]:
    """Return the numbers of a sheet as another reader finds them."""
    if path.suffix == ".xlsx":
        try:
            book = openpyxl.load_workbook(path, data_only=True)
            text = "\n".join(
                str(v) for s in book.worksheets for row in s.iter_rows(values_only=True) for v in row if v is not None
            )
        except Exception:
            return Counter()
    else:
        text = path.read_bytes().decode("utf-8", "replace")
    return Counter(re.findall(r"\d+\.\d+", text))


def case(
    source: Source, command: tuple[str, ...], seed: int, number: int, folder: Path, before: dict[str, str]
) -> tuple[str, str]:
    """Return what came of one case, `ok` among it, and the words for it."""
    rng = random.Random(f"{seed}:{number}:damage")
    path = damaged(source, rng, folder)
    words = [w.replace("{}", path.name) for w in command]
    code, out, err, seconds, memory = run(words, folder)
    said = f"{source.name}: {' '.join(words)} -> {code}, {seconds:.1f} s, {memory / 2**20:.0f} MB\n{err[-3000:]}"
    if code == -signal.SIGXCPU or code == -signal.SIGKILL or seconds > SECONDS:
        return "slow", said
    if memory > BYTES:
        return "memory", said
    if "Traceback" in err or "fault of holeqc" in err or code not in (0, 1, 2, 3, 4):
        return "traceback", said
    if "--json" in words and code in (0, 1, 3):
        try:
            json.loads(out)
        except ValueError:
            return "json", said
    proves = command[:2] in {("ledger", "verify"), ("packet", "verify")} and "--seal" not in command
    if code == 0 and proves and content(source.path) != content(path):
        return "unnoticed", said
    if command[0] == "check" and before and code != 2:
        now = verdicts(out)
        bad = {s for s, v in before.items() if v != "accept"}
        passed = {s for s, v in now.items() if v == "accept" and (s in bad or s not in before)}
        if passed and source.name.startswith("bl7") and not numbers(source.path) - numbers(path):
            return "accepted", f"{said}\naccepted: {sorted(passed)}"
    return ("ok" if code == 2 else f"ok {code}"), said


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cases", type=int, default=400)
    parser.add_argument("--case", help="SEED:NUMBER, this one alone, with its words")
    parser.add_argument("--keep", type=Path)
    o = parser.parse_args()
    import holeqc.answers.check
    import holeqc.answers.fixture
    import holeqc.answers.series
    import holeqc.ledger.ledger
    import holeqc.readings.files
    import holeqc.reports.screen  # noqa: F401

    counts: Counter[tuple[str, str]] = Counter()
    faults = 0
    with tempfile.TemporaryDirectory() as name:
        made = Path(name) / "sources"
        made.mkdir()
        everything = sources(made)
        before: dict[str, dict[str, str]] = {}
        for s in everything:
            if s.name.startswith("bl7") and s.name not in before:
                code, out, err, *_ = run(["check", str(KIT), str(s.path), "--json"], Path(name))
                assert code in (0, 1, 3), err
                before[s.name] = verdicts(out)
        seed, cases = o.seed, range(o.cases)
        if o.case:
            seed, only = (int(w) for w in o.case.split(":"))
            cases = range(only, only + 1)
        for number in cases:
            rng = random.Random(f"{seed}:{number}")
            source = rng.choice(everything)
            folder = Path(name) / str(number)
            folder.mkdir()
            result, said = case(source, rng.choice(source.commands), seed, number, folder, before.get(source.name, {}))
            counts[source.name, result] += 1
            fault = not result.startswith("ok")
            faults += fault
            if fault or o.case:
                print(f"{seed}:{number} {result}: {said}", flush=True)
                if o.keep:
                    shutil.copytree(folder, o.keep / f"{seed}_{number}", dirs_exist_ok=True)
            shutil.rmtree(folder)
            if number % 100 == 99:
                print(f"{number + 1} of {len(cases)}, {faults} faults", file=sys.stderr, flush=True)
    print(f"\nseed {seed}, {len(cases)} damaged files, {faults} faults")
    for (source_name, result), count in sorted(counts.items()):
        print(f"{source_name:24} {result:10} {count}")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
