"""Run by a test: children approve and withdraw a part in turn until killed at random moments; what they wrote is told.

Arguments: place of a ledger in which P-1 may be approved, and how many children. Forked here, in a process of its own
that has no threads, because starting one anew for each kill would take a second.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time

from sqlalchemy import select

import holeqc.ledger.equipment  # noqa: F401  loaded before the children part, so that they begin at once
from holeqc.ledger import open_ledger
from holeqc.ledger import schema as s
from holeqc.ledger.approvals import approve, newest_story, standing_approval, withdraw
from holeqc.ledger.ledger import Ledger


def child(where: str, number: int, into: int) -> None:
    """Approve and withdraw until killed."""
    with open_ledger(where) as ledger:
        while True:
            turn(ledger, number, into)


def turn(ledger: Ledger, number: int, into: int) -> None:
    """Approve, or withdraw where an approval stands; a line to the pipe ``into`` when it was acknowledged."""
    if standing_approval(newest_story(ledger, "P-1")) is None:
        entry = approve(ledger, "P-1", f"inspector {number}").entry
    else:
        entry = withdraw(ledger, "P-1", f"inspector {number}", "taken back")
    os.write(into, f"{entry.seq} {entry.hash}\n".encode())


def main(where: str, children: int) -> None:
    """Start, kill, and print what the ledger holds."""
    moments = random.Random(20261103)
    for _ in range(2):  # the second, warm, says how long opening and one turn take here
        begun = time.monotonic()
        with open_ledger(where) as ledger:
            turn(ledger, 0, 1)
        needed = time.monotonic() - begun
    for number in range(children):
        out, into = os.pipe()
        process = os.fork()
        if process == 0:
            try:
                child(where, number, into)
            finally:
                os._exit(3)
        time.sleep(moments.uniform(0.1, 4.0) * needed)
        os.kill(process, signal.SIGKILL)
        os.waitpid(process, 0)
        os.close(into)
        with os.fdopen(out, "rb") as pipe:
            said = pipe.read()
        os.write(1, said)
        needed *= 0.95 if said else 1.15  # so that turns end before kills and kills meet turns, however busy it is
    with open_ledger(where) as ledger:
        found = ledger.verify()
        entries = ledger.rows(select(s.ENTRY.c.seq, s.ENTRY.c.hash, s.ENTRY.c.kind).order_by(s.ENTRY.c.seq))
        counts = {
            name: len(ledger.rows(select(table.c.entry))) for name, table in
            (("approval", s.APPROVAL), ("withdrawal", s.WITHDRAWAL))
        }  # fmt: skip
    print(json.dumps({"holds": found.holds, "entries": entries, "counts": counts}))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
