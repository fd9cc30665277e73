"""Every screen and every file of about a hundred commands and of made-up sheets, saved to be compared byte for byte.

    python tests/golden.py save before        then change the code, and
    python tests/golden.py save after --against before

It says which answers differ, with the first lines of the difference. Needs `faketime` (Debian), so that days and
digests are the same in each run; records themselves (.sqlite3) are compared by what commands say of them.
"""

from __future__ import annotations

import argparse
import difflib
import importlib
import os
import pkgutil
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import holeqc

ROOT = Path(__file__).resolve().parents[1]
NOON = "2026-11-30 12:00:00"
KIT, SAMPLES = "tolerances/bl7.toml", "sample_measurements"
HISTORY = f"{SAMPLES}/fixture_history/df-bl7_history.csv"
EVENTS = f"{SAMPLES}/fixture_history/df-bl7_events.csv"
STUDY = f"{SAMPLES}/gauge_study/bg-2_study.csv"
#: groups of commands that follow one another in one folder
SCENES: dict[str, list[str]] = {
    "help": [
        "--help",
        "--version",
        "check --help",
        "kit --help",
        "fit --help",
        "wear --help",
        "nonsense",
        "check",
        "fit drill",
    ],
    "fits": [
        "fit class RC7 7/16",
        "fit class LN2 0.5 --json",
        "fit class H7/g6 12",
        "fit metric H7/g6 12",
        "fit metric JS9/k6 40 --json",
        "fit pair --hole 0.455 0.462 --pin 0.4345 0.4360",
        "fit drill 0.396 0.403",
        "fit drill 0.455 0.462 --json",
        "fit plug 0.396 0.403 --uncertainty 0.0002 --mean 0.3995 --sd 0.0008",
        f"fit pattern {KIT}",
        "fit class RC99 1",
    ],
    "kit": [
        f"kit show {KIT}",
        "kit show tolerances/cp12.toml --json",
        f"kit show {KIT} --plot bl7.pdf",
        "kit keys hole",
        "kit keys",
        "kit new my_kit.toml",
        "kit show my_kit.toml",
        f"kit new table.toml --from {SAMPLES}/hole_table/bl7-210_holes.csv",
        f"check {KIT} {SAMPLES}/nothing.xlsx",
        "kit show nothing.toml",
    ],
    "sheet": [
        f"sheet {KIT} -o blank.xlsx --part port --serial P-0113 --serial P-0114",
        f"sheet {KIT} -o blank.csv --part port --serial P-0115",
        f"sheet {KIT} --study -o study.xlsx",
        "check blank.xlsx",
        "sheet tolerances/cp12.toml -o cp.xlsx",
        f"sheet {KIT} -o blank.xlsx",
    ],
    "check": [
        *(
            f"check {KIT} {SAMPLES}/{n}"
            for n in (
                "bl7_P-0107.xlsx",
                "bl7_S-0108.xlsx",
                "bl7_P-0109.csv",
                "bl7_P-0110.xlsx",
                "bl7_S-0111.xlsx",
                "bl7_P-0112.xlsx",
            )
        ),
        f"check tolerances/cp12.toml {SAMPLES}/cp12_D-0031_D-0032.csv",
        f"check {KIT} {SAMPLES}/bl7_P-0110.xlsx --json",
        f"check {KIT} {SAMPLES}/bl7_S-0111.xlsx --json",
        f"check {SAMPLES}/bl7_P-0107.xlsx --verbose",
        f"check {SAMPLES} --out folder",
        *(
            f"check {KIT} {SAMPLES}/{n} --out report_{i}"
            for i, n in enumerate(("bl7_P-0107.xlsx", "bl7_S-0108.xlsx", "bl7_P-0110.xlsx"))
        ),
        f"check {SAMPLES}/bl7_P-0107.xlsx {SAMPLES}/bl7_S-0108.xlsx {SAMPLES}/bl7_S-0111.xlsx --out brief --brief",
        f"check {SAMPLES}/bl7_S-0108.xlsx {SAMPLES}/bl7_P-0110.xlsx --out labels --label 100x150mm",
    ],
    "record": [
        f"kit release {KIT} --by engineer",
        f"kit release {KIT} --by 7",
        f"check {KIT} {SAMPLES}/bl7_P-0107.xlsx --record --by 17",
        f"check {KIT} {SAMPLES}/bl7_S-0108.xlsx --record --by 17",
        f"check {KIT} {SAMPLES}/bl7_S-0111.xlsx {SAMPLES}/bl7_P-0110.xlsx --record --by 17",
        "part P-0107",
        "part P-0107 --json",
        "part P-0107 --out story.pdf",
        "parts",
        "parts --verdict reject",
        "parts --json",
        "parts --defect size --by 17 --tag open",
        "waiting",
        "waiting --json",
        "waiting --out waiting.html",
        "tags",
        "tags --json",
        "tags --print again",
        'disposition RK2X-5HX5 --as rework --by engineer --reason "ream to 0.4575"',
        'reworked RK2X-5HX5 --by 17 --did "reamed"',
        "sheet --recheck RK2X-5HX5 -o again.xlsx",
        "approve P-0107 --by 17 --role inspector",
        "approve P-0107 --by 41 --role inspector",
        "approve S-0108 --by 41 --role inspector",
        "packet P-0107 -o packet --by 41",
        "packet verify packet",
        "ledger verify --seal packet",
        "ledger seal",
        "ledger info",
        "gauge calibrated BG-2 --due 2027-11-30 --by 17",
        "gauge log",
        "gauge suspect BG-2 --since 2026-01-01",
        "question P-0107",
        "fixture event --help",
        "fixture log",
        "fixture suspect DF-BL7 --since 2026-01-01",
        "person add 41 --role inspector --by 41",
        "person list",
        "ledger export readings.csv",
        "ledger export readings.xlsx",
        "ledger roles",
        "part nobody",
        "tags --state closed",
    ],
    "statistics": [
        f"capability {KIT} {HISTORY} --by bushing",
        f"capability {KIT} {HISTORY} --by bushing --json",
        f"capability {KIT} {HISTORY} --of position --out cap",
        f"chart {KIT} {HISTORY} --by hole --of size",
        f"chart {KIT} {HISTORY} --by hole --of size --json",
        f"chart {STUDY} --column reading --plot chart.pdf",
        f"capability {STUDY} --column reading --lower 0.455 --upper 0.462",
        f"capability {STUDY} --column reading --lower 0.455 --upper 0.462 --json",
        f"gauge-study {STUDY} --part part --appraiser appraiser --value reading --lower 0.455 --upper 0.462",
        f"gauge-study {STUDY} --part part --appraiser appraiser --value reading --lower 0.455 --upper 0.462 --json",
    ],
    "sampling": [
        f"first-parts {KIT} --share 0.99",
        f"first-parts {KIT} {HISTORY} --events {EVENTS}",
        "lot plan --size 500 --aql 1.0 --plot curve.svg",
        "lot plan --size 100 --aql 0.65 --before arara --json",
        "lot plan --size 80 --bad-share 0.05 --confidence 0.95",
        "lot plan --size 300 --aql 1.0 --level I --variables",
    ],
    "wear": [
        f"wear {KIT} {HISTORY} --events {EVENTS}",
        f"wear {KIT} {HISTORY} --events {EVENTS} --json",
        f"wear {KIT} {HISTORY} --out fixture",
    ],
}
DIGEST = re.compile(rb"SHA-256 [0-9a-f]+")  # of made-up workbooks, which hold the second at which they were made
CAMPAIGN = 240  #: made-up sheets of seed 1


def _run(words: list[str], folder: Path, out: Path, number: int) -> None:
    """Run one command in a process of its own; its two streams and its exit code go into one file."""
    streams = [out / f"{number:02d}.{n}" for n in ("out", "err")]
    child = os.fork()
    if not child:
        os.chdir(folder)
        for target, path in zip((1, 2), streams, strict=True):
            os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT), target)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        from holeqc.__main__ import main

        try:
            main(words)
        except SystemExit as end:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(int(end.code or 0))
        os._exit(99)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    text = "".join(p.read_text(encoding="utf-8", errors="replace") for p in streams)
    for path in streams:
        path.unlink()
    (out / f"{number:03d}.txt").write_text(
        f"$ holeqc {shlex.join(words)}\nexit {code}\n{text}".replace(str(folder), "."), encoding="utf-8"
    )


def play(name: str, save: Path) -> None:
    """Play one scene in a fresh folder and keep its screens and the files that it made."""
    for module in pkgutil.walk_packages(holeqc.__path__, "holeqc."):  # loaded once, before the children part
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    out = save / name
    out.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        if name.startswith("campaign"):
            _campaign(int(name.split("_")[1]), folder, out)
            return
        for part in ("tolerances", SAMPLES):
            shutil.copytree(ROOT / part, folder / part)
        for number, line in enumerate(SCENES[name]):
            _run(shlex.split(line), folder, out, number)
        for path in sorted(p for p in folder.rglob("*") if p.is_file()):
            relative = path.relative_to(folder)
            if relative.parts[0] not in {"tolerances", SAMPLES} and "sqlite3" not in path.name:
                (out / "files" / relative).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(path, out / "files" / relative)


def _campaign(start: int, folder: Path, out: Path) -> None:
    sys.path.insert(0, str(ROOT / "tests" / "readings"))
    from campaign_sheets import Made

    for index in range(start, start + CAMPAIGN // 4):
        case = folder / str(index)
        case.mkdir()
        words = [str(w).replace(f"{case}/", "") for w in Made(1, index).write(case)]
        _run([w for w in words if w != "--json"], case, out, index)


def _contents(path: Path) -> Any:
    """What of a file is compared: of a workbook its parts, which carry the true time of their writing."""
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as archive:
            return {name: archive.read(name) for name in archive.namelist()}
    return DIGEST.sub(b"", path.read_bytes())


def compare(old: Path, new: Path) -> int:
    """Say which files of two saved runs differ; return how many."""
    played = {p.name for p in new.iterdir()}  # the others of the old run weren't played again
    names = sorted({p.relative_to(f) for f in (old, new) for s in played for p in (f / s).rglob("*") if p.is_file()})
    count = 0
    for name in names:
        a, b = old / name, new / name
        if a.is_file() and b.is_file() and _contents(a) == _contents(b):
            continue
        count += 1
        print(f"differs: {name}" if a.is_file() and b.is_file() else f"only in {old if a.is_file() else new}: {name}")
        if a.is_file() and b.is_file() and name.suffix in {".txt", ".html", ".json", ".csv", ".toml"}:
            lines = (p.read_text(encoding="utf-8", errors="replace").splitlines() for p in (a, b))
            print("\n".join("    " + line[:200] for line in list(difflib.unified_diff(*lines, lineterm="", n=0))[2:10]))
    print(f"{len(names)} files compared, {count} differ")
    return count


def play_apart(name: str, save: Path) -> None:
    """Play one scene in a process whose clock stands still."""
    words = ["faketime", "-f", NOON, sys.executable, __file__, "play", str(save), "--scenes", name]
    alike = {"PYTHONHASHSEED": "0", "OPENBLAS_NUM_THREADS": "1", "COLUMNS": "100", "NO_COLOR": "1"}
    subprocess.run(words, env=os.environ | alike, check=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("act", choices=["save", "play"])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--against", type=Path)
    parser.add_argument("--scenes", nargs="*", default=[*SCENES, *(f"campaign_{i * CAMPAIGN // 4}" for i in range(4))])
    options = parser.parse_args()
    if options.act == "play":
        play(*options.scenes, options.folder)
        return
    if options.folder.exists():
        shutil.rmtree(options.folder)
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(play_apart, options.scenes, [options.folder.resolve()] * len(options.scenes)))
    sys.exit(bool(options.against and compare(options.against, options.folder)))


if __name__ == "__main__":
    main()
