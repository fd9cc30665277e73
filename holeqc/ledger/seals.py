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

from sqlalchemy import select, text

from holeqc import door, writer
from holeqc.ledger import canonical
from holeqc.ledger import schema as s
from holeqc.problems import HoleQCError, LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Entry, Ledger

FORMAT = "holeqc seal 1"
FOLDER = "seals"  #: name of the setting
SEAL_FILE = door.Kind("a seal", 200_000)


@dataclass(frozen=True, slots=True)
class Seal:
    """Number and hash of an entry as they were noted, and the file that says so."""

    entry: int
    hash: str
    source: str


def seal_data(ledger: Ledger, what: str, seq: int | None = None) -> dict[str, Any]:
    """Return the seal of the newest entry, or of entry ``seq``, as plain data: with the whole row of the entry.

    Raises:
        LedgerError: the ledger holds no entry.
    """
    e = s.ENTRY.c
    asked = select(s.ENTRY).order_by(e.seq.desc()).limit(1)
    rows = ledger.rows(asked if seq is None else asked.where(e.seq == seq))
    if not rows:
        raise LedgerError(f"ledger {ledger.location.shown}: there is no entry yet to seal")
    row = rows[0]
    return {
        "format": FORMAT, "ledger": ledger.location.shown, "for": what, "entry": row["seq"], "hash": row["hash"],
        "row": {name: row[name] for name in canonical.HASHED},
    }  # fmt: skip


def name_folder(ledger: Ledger, folder: str, by: str) -> Entry:
    """Name the folder that seals are written to from now on.

    Raises:
        LedgerError: it isn't there.
    """
    if not Path(folder).is_dir():
        raise LedgerError(f"{folder}: there is no such folder for seals; make it first, best on another disk")
    row = {"name": FOLDER, "value": str(Path(folder).resolve())}
    return ledger.entry("setting", by, {"setting": [row]})


def folder_of(ledger: Ledger) -> Path | None:
    """Return the folder that seals are written to, None where none was named."""
    asked = select(s.SETTING.c.value).where(s.SETTING.c.name == FOLDER).order_by(s.SETTING.c.id.desc()).limit(1)
    rows = ledger.rows(asked)
    return Path(str(rows[0]["value"])) if rows else None


def leave_seal(ledger: Ledger, what: str) -> str:
    """Write the seal of the newest entry into the folder of seals; return what to say of it, '' where none is named.

    A folder that can't be written to takes nothing back; what is returned says so.
    """
    folder = folder_of(ledger)
    if folder is None:
        return ""
    data = seal_data(ledger, what)
    try:
        if not folder.is_dir():
            raise LedgerError(f"the seal can't be written to {folder}: the folder isn't there")
        path = write_seal(data, folder)
    except LedgerError as error:
        return f"{error}; write it down: {data['entry']}:{data['hash']}"
    return f"Sealed: {path}"


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
        found = Seal(int(data["entry"]), str(data["hash"]), str(path)) if data["format"] == FORMAT else None
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


def broken_seals(ledger: Ledger, seals: Sequence[Seal]) -> list[str]:
    """Return what seals say is missing or changed, the first entry that is concerned at the beginning."""
    e = s.ENTRY.c
    with ledger.reading():
        last = ledger.head()[0]
        hashes = {
            int(row["seq"]): str(row["hash"])
            for seal in seals for row in ledger.rows(select(e.seq, e.hash).where(e.seq == seal.entry))
        }  # fmt: skip
    faults, good = [], 0
    for seal in seals:
        there = hashes.get(seal.entry)
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


# ----------------------------------------------------------------------------------------------- roles on PostgreSQL


def roles_sql(ledger: Ledger, role: str) -> str:
    """Return the SQL that makes a role on a PostgreSQL server which may read the ledger and add to it, and no more.

    Raises:
        LedgerError: the ledger is a file, or the role's name isn't plain.
    """
    if ledger.location.path is not None:
        raise LedgerError(f"{ledger.location.shown} is a file; roles are for a ledger on a PostgreSQL server")
    if not role.isascii() or not role.replace("_", "").isalnum() or role[0].isdigit() or role != role.lower():
        raise LedgerError(f"role {role!r}: small letters, digits and _ only, beginning with a letter")
    with ledger.reading() as connection:
        schema, database, owner = connection.execute(
            text("SELECT quote_ident(current_schema()), quote_ident(current_database()), quote_ident(tableowner) "
                 "FROM pg_tables WHERE schemaname = current_schema() AND tablename = 'entry'")
        ).one()  # fmt: skip
    tables = ",\n  ".join(f"{schema}.{table.name}" for table in s.TABLES)
    return f"""\
-- Run by {owner}, who owns the tables. {role} may read the ledger and add entries; it can't change or remove one,
-- lift a guard, or make tables. Give each bench a login of its own that is a member:
--   CREATE ROLE bench_2 LOGIN PASSWORD '...' IN ROLE {role};
-- {owner} itself is for a new version of holeqc and for moving the ledger; its password belongs to none of the benches.
CREATE ROLE {role} NOLOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE;
REVOKE CREATE ON SCHEMA {schema} FROM PUBLIC;
REVOKE ALL ON
  {tables}
  FROM PUBLIC, {role};
GRANT CONNECT ON DATABASE {database} TO {role};
GRANT USAGE ON SCHEMA {schema} TO {role};
GRANT SELECT, INSERT ON
  {tables}
  TO {role};
REVOKE INSERT ON {schema}.ledger_version FROM {role};
"""
