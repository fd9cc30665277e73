"""A run of judging into the ledger: the kit's text, the files with every reading, and the verdicts, in one transaction.

A file whose digest is there already under the same kit text adds nothing. A file of the same name that speaks of a part
that the older one speaks of is a new revision of it: the old stays, the new one names it. The same file under a new
revision of the kit is recorded with that revision and names its record under the old one.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING

import numpy as np
from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.ledger.pieces import Pieces, pieces_of
from holeqc.ledger.values import plain
from holeqc.ledger.write_readings import FileRows, write_file
from holeqc.ledger.write_verdicts import write_inspections
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Ledger, Transaction
    from holeqc.readings.table import Source

NEW, KNOWN, REVISION = "new", "known", "revision"


@dataclass(frozen=True, slots=True)
class RecordedFile:
    """What became of one file: ``status`` new, known (nothing added) or revision of the file ``replaces``."""

    name: str
    digest: str
    status: str
    file_id: int
    entry: int
    replaces: int | None = None


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a run added: entries from ``first`` to ``last`` (0 where none), files, and the inspection of each part."""

    first: int
    last: int
    files: tuple[RecordedFile, ...]
    inspections: dict[tuple[str, str], int]  #: (part, serial) -> id, of the parts that were added
    notes: tuple[str, ...] = ()

    @property
    def added(self) -> bool:
        """Whether anything was added at all."""
        return self.last > 0


def record(
    ledger: Ledger, inspection: Inspection, spec_text: str | bytes, by: str, when: dt.datetime | None = None
) -> Recorded:  # fmt: skip
    """Record a run: kit text, files, readings, verdicts and problems, all of it or nothing.

    ``spec_text`` is the kit file's whole content as it was judged, ``by`` who records, ``when`` the moment (now).

    Raises:
        LedgerError: the kit text is not the one that was judged, a file is named twice, nobody is named, or the
            database refuses.
    """
    text = spec_text if isinstance(spec_text, str) else spec_text.decode("utf-8")
    digest = hashlib.sha256(text.encode("utf-8")).hexdigest()
    spec = inspection.specification
    if spec.digest and spec.digest != digest:
        raise LedgerError(f"kit file {spec.path}: it was changed after it was read; run the check again")
    _refuse_twice(inspection.readings.sources)
    pieces = pieces_of(inspection)
    with ledger.transaction() as transaction:
        before = transaction.head[0]
        notes: list[str] = []
        specification = _specification(transaction, inspection, (text, digest), (by, when), notes)
        files, rows = _files(transaction, inspection, pieces, specification, (by, when))
        touched = np.zeros(len(pieces.names), dtype=np.bool_)
        for file, held in zip(files, rows, strict=True):
            if file.status != KNOWN:
                touched[held.pieces] = True
        ids: dict[tuple[str, str], int] = {}
        if touched.any():
            ids = write_inspections(transaction, inspection, pieces, rows, (specification, touched), (by, when))
        head = transaction.head[0]
    known = [file for file in files if file.status == KNOWN]
    notes += [f"{file.name}: recorded before, as entry {file.entry}; nothing was added" for file in known]
    added = head > before
    return Recorded(before + 1 if added else 0, head if added else 0, tuple(files), ids, tuple(notes))


def _refuse_twice(sources: tuple[Source, ...]) -> None:
    first: dict[str, str] = {}
    for source in sources:
        if source.sha256 in first:
            raise LedgerError(f"{source.file} has the same content as {first[source.sha256]}; name it once")
        first[source.sha256] = source.file
    if len({source.file for source in sources}) < len(sources):
        raise LedgerError("two of the files have one name; record them one after the other")


Who = tuple[str, dt.datetime | None]


def _specification(
    transaction: Transaction, inspection: Inspection, content: tuple[str, str], who: Who, notes: list[str]
) -> int:  # fmt: skip
    """Return the id of the kit's text, recorded now if it is not there yet."""
    spec = inspection.specification
    text, digest = content
    table = s.SPECIFICATION
    same = select(table.c.id, table.c.digest).where(table.c.kit == plain(spec.id))
    same = same.where(table.c.revision == plain(spec.revision))
    known = {str(row.digest): int(row.id) for row in transaction.connection.execute(same)}
    if digest in known:
        return known[digest]
    if known:
        notes.append(
            f"kit {spec.id} revision {spec.revision}: its file was changed without a new revision; it is recorded "
            "beside the one before"
        )
    writer = transaction.start("specification", *who)
    decision = spec.decision
    rule = decision.rule if decision.rule == "simple" else f"{decision.rule}, factor {decision.guard_factor:g}"
    (number,) = writer.add_mapped(table, [{
        "kit": spec.id, "revision": spec.revision, "unit": spec.unit, "digest": digest, "title": spec.title,
        "drawing": spec.drawing, "fixture": spec.fixture, "rule": rule, "name": spec.path, "content": text,
        "two_person": spec.approval_two_person,
    }])  # fmt: skip
    writer.finish()
    return number


def _files(
    transaction: Transaction, inspection: Inspection, pieces: Pieces, specification: int, who: Who
) -> tuple[list[RecordedFile], list[FileRows]]:
    files, all_rows = [], []
    for source in inspection.readings.sources:
        rows = FileRows.of(inspection, pieces, source.file)
        known = _known(transaction, specification, source)
        if known is not None:
            rows.take_recorded(transaction.connection, known[0])
            files.append(RecordedFile(source.file, source.sha256, KNOWN, *known))
        else:
            replaced = _replaced(transaction, inspection, source, {pieces.names[p][1] for p in rows.pieces})
            entry, number = write_file(transaction, inspection, pieces, (source, rows), (specification, replaced), who)
            status = NEW if replaced is None else REVISION
            files.append(RecordedFile(
                source.file, source.sha256, status, number, entry, None if replaced is None else replaced.file_id
            ))  # fmt: skip
        all_rows.append(rows)
    return files, all_rows


def _known(transaction: Transaction, specification: int, source: Source) -> tuple[int, int] | None:
    found = transaction.connection.execute(
        select(s.FILE.c.id, s.FILE.c.entry).where(
            s.FILE.c.specification_id == specification, s.FILE.c.digest == source.sha256
        )
    ).first()
    return None if found is None else (int(found[0]), int(found[1]))


@dataclass(frozen=True, slots=True)
class Replaced:
    """The record of a file that a new one takes the place of, and why."""

    file_id: int
    entry: int
    reason: str


def _replaced(transaction: Transaction, inspection: Inspection, source: Source, serials: set[str]) -> Replaced | None:
    """Return the newest record of the kit that a file takes the place of, if any."""
    spec = inspection.specification
    newer = s.FILE.alias()
    question = (
        select(s.FILE.c.id, s.FILE.c.entry, s.FILE.c.name, s.FILE.c.digest, s.SPECIFICATION.c.revision)
        .join(s.SPECIFICATION)
        .where(s.SPECIFICATION.c.kit == plain(spec.id))
        .where(~select(newer.c.id).where(newer.c.replaces == s.FILE.c.id).exists())
        .order_by(s.FILE.c.id.desc())
    )
    base = PurePath(source.file).name
    named = s.FILE.c.name.endswith(plain(base), autoescape=True)
    candidates = transaction.connection.execute(question.where((s.FILE.c.digest == source.sha256) | named)).all()
    for row in candidates:
        if row.digest == source.sha256:
            reason = f"the same file judged under kit {spec.id} revision {spec.revision}"
            return Replaced(int(row.id), int(row.entry), reason)
    for row in candidates:
        if PurePath(str(row.name)).name == plain(base) and _speaks_of(transaction, int(row.id), serials):
            return Replaced(int(row.id), int(row.entry), f"the file {base} was changed")
    return None


def _speaks_of(transaction: Transaction, file_id: int, serials: set[str]) -> bool:
    held = transaction.connection.execute(select(s.READING_SET.c.serial).where(s.READING_SET.c.file_id == file_id))
    wanted = {plain(serial) for serial in serials}
    return any(str(row[0]) in wanted for row in held)


