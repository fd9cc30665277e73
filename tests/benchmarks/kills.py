"""Kill every command that writes at random moments and look at what it leaves.

    .venv/bin/python tests/benchmarks/kills.py --seed 1 --kills 40

Each command is killed so often, half of the times over an older output. Afterwards each of its files is as it was, not
there, or whole; a folder has all of its files or those of the run before; the ledger holds; and once the same command
has run through, nothing of the killed one lies beside its output. Exit code 1 if anything is half.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import hashlib
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from damage import KIT, SAMPLES, load, run, sources

GOOD, BAD = str(SAMPLES / "bl7_P-0107.xlsx"), str(SAMPLES / "bl7_S-0108.xlsx")
STUDY = str(SAMPLES / "gauge_study/bg-2_study.csv")
LEDGER = "holeqc-ledger.sqlite3"
#: command, and what it writes (a file, a folder, or the ledger)
COMMANDS: list[tuple[str, str]] = [
    (f"check {KIT} {GOOD} {BAD} --out out", "out"),
    (f"check {KIT} {BAD} --record --by 17", LEDGER),
    (f"sheet {KIT} -o out.xlsx --part port --serial P-1..P-9", "out.xlsx"),
    (f"kit show {KIT} --plot out.pdf", "out.pdf"),
    ("kit new out.toml", "out.toml"),
    (f"wear {KIT} history.csv --out out", "out"),
    (f"capability {STUDY} --column reading --lower 0.455 --upper 0.462 --plot out.svg", "out.svg"),
    ("withdraw P-0107 --by 41 --reason mistaken", LEDGER),
    ("packet P-0107 -o out --by 41", "out"),
    ("part P-0107 --out out.pdf", "out.pdf"),
    ("waiting --out out.html", "out.html"),
    ("ledger export out.csv", "out.csv"),
    ("ledger export out.xlsx", "out.xlsx"),
    (f"ledger copy {LEDGER} out.sqlite3 --keep-open", "out.sqlite3"),
    (f"sheet {KIT} --paper -o out.pdf --part port --serial P-1", "out.pdf"),
    (f"sheet {KIT} --study -o out.xlsx", "out.xlsx"),
    (f"kit new out.toml --from {SAMPLES}/hole_table/bl7-210_holes.csv", "out.toml"),
    (f"fit pattern {KIT} --pairs 500 --plot out.svg", "out.svg"),
    (f"chart {STUDY} --column reading --plot out.pdf", "out.pdf"),
    ("tags --print prints", "prints"),
    ("ledger export papers --content documents", "papers"),
    (f"plan {KIT} --history history.csv --out out.json", "out.json"),
    (f"lot draw L-1 --kit {KIT} --serial S-0201..S-0220 --bad 1 --by 17", LEDGER),
    (f"gauge calibrated BG-2 --by 17 --note a --tolerances {KIT.parent}", LEDGER),
    (f"fixture event DF-BL7 --event checked --good --by 17 --tolerances {KIT.parent}", LEDGER),
    ("demo tried", "tried"),
]
NEVER_REPLACED = {LEDGER, "out.toml", "out.sqlite3", "prints", "papers", "tried"}


def state(place: Path) -> dict[str, str] | None:
    """Return the digests of a file or of a folder's files, None where there is none."""
    if not place.exists():
        return None
    files = [place] if place.is_file() else sorted(p for p in place.rglob("*") if p.is_file())
    return {str(p.relative_to(place.parent)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def killed(words: list[str], folder: Path, moment: float) -> bool:
    """Start a command and kill it after so many seconds; tell whether it was still at work."""
    child = os.fork()
    if not child:
        os.setsid()
        code, *_ = run(words, folder)
        os._exit(min(code, 100) if code >= 0 else 100)
    time.sleep(moment)
    done, _ = os.waitpid(child, os.WNOHANG)
    if done:
        return False
    try:
        os.killpg(child, signal.SIGKILL)
    except ProcessLookupError:  # it hasn't got as far as a group of its own
        os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with contextlib.suppress(ChildProcessError):  # its own child, which comes to us: gone, not only dead
        os.waitpid(-child, 0)
    return True


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kills", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="leave out so many commands of the list")
    o = parser.parse_args()
    ctypes.CDLL(None).prctl(36, 1)  # PR_SET_CHILD_SUBREAPER (Linux): orphans of a killed run come to us
    faults = 0
    with tempfile.TemporaryDirectory() as name:
        made = Path(name) / "made"
        made.mkdir()
        sources(made)
        shutil.rmtree(made / "out")  # where the commands write
        load([["check", str(KIT), GOOD, "--json"], ["sheet", str(KIT), "-o", "s.xlsx"]], Path(name))
        for command, written in COMMANDS[o.first :]:
            words = command.split()
            rng = random.Random(f"{o.seed}:{command}")
            counts: Counter[str] = Counter()
            length = 1.0
            for number in range(-1, o.kills):  # the first runs through, for its length and what a whole output is
                folder = Path(name) / "work"
                shutil.copytree(made, folder)
                (folder / "here").mkdir()
                old = number % 2 and written not in NEVER_REPLACED
                if old:
                    code, _, err, *_ = run(words, folder)
                    assert code in (0, 1, 3), err
                before = state(folder / written)
                begun = time.monotonic()
                if number < 0:
                    run(words, folder)
                    length = time.monotonic() - begun
                    whole = set(state(folder / written) or ())
                else:
                    counts["killed" if killed(words, folder, rng.uniform(0, 1.1 * length)) else "done"] += 1
                    after = state(folder / written)
                    if written == LEDGER:
                        code, _, err, *_ = run(["ledger", "verify"], folder)
                        half = code != 0
                    else:
                        half = after not in (before, None) and set(after) != whole
                        half = half or (before is not None and after is None)
                        if after is not None and after != before:
                            half = half or not complete(folder / written)
                    if written == "out.toml":  # which is never replaced
                        (folder / written).unlink(missing_ok=True)
                    if written in NEVER_REPLACED and (folder / written).is_dir():
                        shutil.rmtree(folder / written)
                    code, _, err, *_ = run(words, folder)
                    left = sorted(p.name for p in folder.iterdir() if p.name not in names(made, written))
                    if half or left:
                        faults += 1
                        print(f"{command}: {'half written' if half else ''} left: {left} {err[-300:]}")
                shutil.rmtree(folder)
            print(f"{command[:70]:72}{counts['killed']:4} killed, {counts['done']:4} done before", flush=True)
    print(f"seed {o.seed}: {faults} faults")
    return 1 if faults else 0


def names(made: Path, written: str) -> set[str]:
    """Names that may lie there."""
    return {p.name for p in made.iterdir()} | {written, "here", ".out", ".err", f"{LEDGER}-wal", f"{LEDGER}-shm"}


def complete(place: Path) -> bool:
    """Tell whether a file, or each of a folder, ends as one of its kind does."""
    ends = {".xlsx": b"PK\x05\x06", ".pdf": b"%%EOF", ".svg": b"</svg>", ".html": b"</html>", ".png": b"IEND"}
    files = [place] if place.is_file() else [p for p in place.rglob("*") if p.is_file()]
    return all(ends.get(p.suffix, b"") in p.read_bytes()[-64:] for p in files)


if __name__ == "__main__":
    sys.exit(main())
