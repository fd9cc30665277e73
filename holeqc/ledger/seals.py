"""Seals: number and digest of the newest entry, kept where who may write to the ledger can't reach.

A chain of digests tells what was changed inside; only a seal kept elsewhere (another disk, a share, a page in a binder)
tells that entries were cut off at the end, or that the whole ledger was replaced. Every transaction leaves one in the
folder that the ledger's settings name: a rejection could else be cut off that came after the last approval.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from holeqc import door, writer
from holeqc.ledger import schema as s
from holeqc.problems import HoleQCError, LedgerError

if TYPE_CHECKING:
    from sqlalchemy import Connection

SEAL_FORMAT = "holeqc seal 1"
SEAL_FILE = door.Kind("a seal", 200_000)


@dataclass(frozen=True, slots=True)
class Seal:
    """Number and hash of an entry as they were noted, and the file that says so."""

    entry: int
    hash: str
    source: str


def write_seal(data: dict[str, Any], place: Path) -> Path:
    """Write a seal into a folder under a name of its own, or into a file that isn't there yet; return where.

    Raises:
        LedgerError: it can't be written, or another seal is there.
    """
    path = place / f"seal-{int(data['entry']):06}-{str(data['hash'])[:8]}.json" if place.is_dir() else place
    if os.path.lexists(path):
        if read_seal(path).hash != data["hash"]:
            raise LedgerError(f"{path}: another seal is there already; it was left as it is")
        return path
    try:
        writer.write_json(path, data, replace=False)
    except HoleQCError as error:
        raise LedgerError(f"the seal can't be written to {place}: {error}") from None
    return path


def read_seal(path: Path) -> Seal:
    """Return a seal from its file.

    Raises:
        LedgerError: it can't be read, or is no seal.
    """
    try:
        data: Any = door.json_values(door.take(path, SEAL_FILE, error=LedgerError).content)
        found = Seal(int(data["entry"]), str(data["hash"]), str(path)) if data["format"] == SEAL_FORMAT else None
    except (LedgerError, ValueError, KeyError, TypeError, RecursionError):
        found = None
    if found is None or found.entry < 1 or len(found.hash) != 64:
        raise LedgerError(f"{path}: is no seal of a ledger, or was changed")
    return found


def read_seals(places: Iterable[Path | str]) -> list[Seal]:
    """Return all seals of files, folders of seals, and packets (also those in a folder), by number of entry.

    Raises:
        LedgerError: a place isn't there, holds no seal, or one of its seals can't be read.
    """
    found: list[Seal] = []
    for place in map(Path, places):
        if place.is_dir():
            patterns = ("seal-*.json", "seal.json", "*/seal.json")
            files = [path for pattern in patterns for path in sorted(place.glob(pattern))]
        else:
            files = [place] if place.exists() else []
        if not files:
            raise LedgerError(f"{place}: there is no seal")
        found += [read_seal(path) for path in files]
    return sorted(found, key=lambda seal: seal.entry)


def broken_seals(connection: Connection, seals: Sequence[Seal]) -> list[str]:
    """Return what seals say is missing or changed, the first entry that is concerned at the beginning."""
    e = s.ENTRY.c
    last = int(connection.execute(select(func.max(e.seq))).scalar() or 0)
    faults, good = [], 0
    for seal in seals:
        there = connection.execute(select(e.hash).where(e.seq == seal.entry)).scalar()
        if there == seal.hash:
            good = max(good, seal.entry)
        elif there is None:
            span = f"entry {seal.entry} is" if last + 1 >= seal.entry else f"entries {last + 1} to {seal.entry} are"
            faults.append(f"{span} missing: sealed by {seal.source}, and the ledger ends at {last}")
        else:
            first = good + 1
            many = f"entries {first} to {seal.entry} or some of them were"
            span = f"entry {first} was" if first == seal.entry else many
            faults.append(f"{span} changed or replaced: sealed by {seal.source} with another digest")
    return faults
