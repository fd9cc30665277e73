"""Run by tests, in a process of its own that may fork: imports killed, crowded, on a full disk, where none may write.

Arguments: which hardship, place of the ledger, folder for sheets, and a number. Prints what came of it as JSON.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import resource
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from runs import GOOD, content, judged, kit, sheet, text_of
from sqlalchemy import event

from holeqc.inspection.results import Inspection
from holeqc.ledger import open_ledger
from holeqc.ledger.ledger import Ledger
from holeqc.ledger.read_back import columns_of_readings
from holeqc.ledger.recording import KNOWN, record
from holeqc.ledger.schema import TAG
from holeqc.ledger.stories import newest_parts
from holeqc.problems import LedgerError

PARTS = 6  #: in each sheet
PATIENCE = 600.0  #: seconds that a bench waits for the others: a crowd on a slow machine takes its time
Runs = list[tuple[Inspection, str]]


def made(folder: Path, count: int) -> Runs:
    """Return judged runs of sheets with `PARTS` parts each."""
    spec = kit(folder)
    text = text_of(spec)
    parts = [{f"P-{n:03}-{k:02}": GOOD for k in range(PARTS)} for n in range(count)]
    return [(judged(spec, sheet(folder / f"{n}.csv", p)), text) for n, p in enumerate(parts)]


def forked(work: Callable[[], Any]) -> tuple[int, int]:
    """Start a child that does the work; return its number and the end of a pipe that its result comes out of."""
    out, into = os.pipe()
    process = os.fork()
    if process:
        os.close(into)
        return process, out
    code = 1
    try:
        os.close(out)
        os.write(into, json.dumps(work()).encode())
        code = 0
    except LedgerError as error:
        os.write(into, json.dumps({"error": str(error)}).encode())
        code = 2
    finally:
        os._exit(code)


def result(child: tuple[int, int]) -> Any:
    """Return what a child said, None where it was killed before it said anything."""
    with os.fdopen(child[1], "rb") as pipe:
        said = pipe.read()
    os.waitpid(child[0], 0)
    return json.loads(said) if said else None


def state(ledger: Ledger, serials: set[str]) -> str:
    """Return whether a run is in the ledger: none, all, or (which must never be) half."""
    found = {p["serial"] for p in newest_parts(ledger)} & serials
    readings = columns_of_readings(ledger, ["serial"]) if found else []
    rows = sum(str(x) in serials for x in readings["serial"]) if found else 0
    if not found and not rows:
        return "none"
    return "all" if (found, rows) == (serials, 4 * PARTS) else "half"


def killed(where: str, folder: Path, kills: int) -> dict[str, Any]:
    """Kill imports at random moments, go on where the ledger stands, and finish without kills.

    One opened ledger serves all: it holds no connection between two uses, so each child makes its own.
    """
    moments = random.Random(20261103)
    runs = made(folder, 10)
    states = {"none": 0, "all": 0, "half": 0}
    at, lost = 3, 0
    with open_ledger(where) as ledger:
        record(ledger, *runs[0], "bench 1")
        needed = 0.0
        for run in runs[1:3]:  # the second, warm, says how long it takes here
            begun = time.monotonic()
            importing(ledger, run, None)
            needed = time.monotonic() - begun
        for _ in range(kills):
            run = runs[at]
            acknowledged = importing(ledger, run, moments.uniform(0.0, 1.3) * needed)
            with ledger.reading():  # one connection for all
                if not ledger.verify().holds:
                    return {"holds": False}
                here = state(ledger, {str(x) for x in run[0].parts["serial"]})
            states[here] += 1
            needed *= 0.87 if here == "all" else 1.15  # so that kills fall on both sides of the end, however busy it is
            lost += acknowledged and here != "all"
            at += here == "all"
            if at == len(runs):
                runs += made(folder, len(runs) + 10)[len(runs) :]
        for run in runs:
            record(ledger, *run, "bench 1")
        return {
            "holds": ledger.verify().holds, "states": states, "lost": lost, "parts": len(newest_parts(ledger)),
            "expected": PARTS * len(runs), "readings": len(columns_of_readings(ledger, ["serial"])),
        }  # fmt: skip


def importing(ledger: Ledger, run: tuple[Inspection, str], moment: float | None) -> bool:
    """Let a child import, killed after so many seconds (None: when it is done); return whether it said it was done."""
    done, into = os.pipe()
    child = os.fork()
    if not child:
        record(ledger, *run, "bench 1")
        os.write(into, b"!")
        time.sleep(60)
    if moment is None:
        os.read(done, 1)
    else:
        time.sleep(moment)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    os.close(into)
    with os.fdopen(done, "rb") as pipe:
        return pipe.read() == b"!"


def killed_at_birth(where: str, folder: Path, kills: int) -> dict[str, Any]:
    """Kill the making of a ledger at random moments; each time the next one must find nothing or all of it."""
    moments = random.Random(20261103)
    needed = 0.2
    for number in range(kills):
        place = f"{where}-{number}"
        child = os.fork()
        if not child:
            open_ledger(place).close()
            os._exit(0)
        time.sleep(moments.uniform(0.0, 1.0) * needed)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with open_ledger(place) as ledger:
            ledger.entry("one", "bench")
            if not ledger.verify().holds:
                return {"holds": False}
    return {"holds": True}


def crowded(where: str, folder: Path, benches: int) -> dict[str, Any]:
    """Let several make the ledger, record sheets of their own and one that all have, and open tags, at once."""
    runs = made(folder, 3 * benches + 1)

    def bench(number: int) -> dict[str, Any]:
        ids, known = [], 0
        with open_ledger(where, wait_seconds=PATIENCE) as ledger:
            for run in (runs[0], *runs[1 + 3 * number : 4 + 3 * number]):
                with ledger.transaction() as transaction:
                    done = record(ledger, *run, f"bench {number}")
                    known += done.files[0].status == KNOWN
                    (tag,) = transaction.take_ids(TAG, 1)
                    inspection = next(iter(done.inspections.values()), 1)
                    ledger.entry("fixture", f"bench {number}", {"fixture_event": [
                        {"fixture": f"{tag} {inspection}", "event": "checked", "day": "2026-11-03"}
                    ]})  # fmt: skip
                ids += list(done.inspections.values())
        return {"ids": ids, "known": known}

    told = [result(child) for child in [forked(lambda n=n: bench(n)) for n in range(benches)]]  # type: ignore[misc]
    with open_ledger(where, create=False) as ledger:
        rows = content(ledger)
        return {
            "holds": ledger.verify().holds,
            "ids": sorted(i for t in told for i in t["ids"]), "known": sum(t["known"] for t in told),
            "files": len(rows["file"]), "entries": [row[0] for row in rows["entry"]],
            "events": len(rows["fixture_event"]),
        }  # fmt: skip


def full_disk(where: str, folder: Path, room: int) -> dict[str, Any]:
    """Import with so many bytes of room: by the limit on a file's size, then by the database's own limit on pages."""
    runs = made(folder, 10)
    with open_ledger(where) as ledger:
        record(ledger, *runs[0], "bench 1")
        before = {name: len(rows) for name, rows in content(ledger).items()}
    size = Path(where).stat().st_size

    def by_file_size() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + room, size + room))
        with open_ledger(where) as ledger:
            for run in runs[1:]:
                record(ledger, *run, "bench 1")

    def by_pages() -> None:
        with open_ledger(where) as ledger:
            limit = f"PRAGMA max_page_count = {(size + room) // 4096}"
            event.listen(ledger.engine, "connect", lambda connection, _: connection.execute(limit).close())
            with ledger.transaction():
                for run in runs[1:]:
                    record(ledger, *run, "bench 1")

    told = [result(forked(by_file_size)), result(forked(by_pages))]
    with open_ledger(where, create=False) as ledger:
        holds = ledger.verify().holds
        whole = all(state(ledger, {str(x) for x in run[0].parts["serial"]}) != "half" for run in runs)
        after = {name: len(rows) for name, rows in content(ledger).items()}
        record(ledger, *runs[-1], "bench 1")
        return {"told": told, "holds": holds, "whole": whole, "before": before, "after": after,
                "goes_on": ledger.verify().holds}  # fmt: skip


def read_only(where: str, folder: Path, user: int) -> dict[str, Any]:
    """Record and read as somebody who may not write there; ``user`` is used where this process may do anything."""
    runs = made(folder, 2)
    with open_ledger(where) as ledger:
        record(ledger, *runs[0], "bench 1")
    place = Path(where)
    place.chmod(0o444)
    place.parent.chmod(0o555)

    def as_somebody(work: Callable[[], Any]) -> Callable[[], Any]:
        def run() -> Any:
            if os.geteuid() == 0:
                os.setgroups([])
                os.setegid(user)
                os.seteuid(user)
            return work()

        return run

    def write() -> None:
        with open_ledger(where) as ledger:
            record(ledger, *runs[1], "bench 1")

    def make() -> None:
        open_ledger(place.with_name("new.sqlite3")).close()

    def read() -> dict[str, Any]:
        with open_ledger(where, create=False) as ledger:
            return {"parts": len(newest_parts(ledger)), "holds": ledger.verify().holds}

    told = [result(forked(as_somebody(work))) for work in (write, make, read)]
    place.parent.chmod(0o755)
    place.chmod(0o644)
    with open_ledger(where) as ledger:
        return {"told": told, "holds": ledger.verify().holds, "parts": len(newest_parts(ledger))}


HARDSHIPS = {f.__name__: f for f in (killed, killed_at_birth, crowded, full_disk, read_only)}

if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError):
        hardship, where_, folder_, number_ = sys.argv[1:5]
        print(json.dumps(HARDSHIPS[hardship](where_, Path(folder_), int(number_))))
