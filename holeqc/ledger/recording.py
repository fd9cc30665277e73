"""A run of judging into the ledger: the kit's text, the files with every reading, and the verdicts, in one transaction.

A file whose digest is there already under the same kit text adds nothing. A file of the same name that speaks of a part
that the older one speaks of is a new revision of it: the old stays, the new one names it. The same file under a new
revision of the kit is recorded with that revision and names its record under the old one. A file of the same name that
speaks of other parts stands beside the older one, unless it is said to replace it.

A part of which a new file says what is on record, under the same kit text, isn't judged anew: its inspection, tags and
approval stay, whatever is corrected beside it.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from sqlalchemy import select

from holeqc.inspection.results import listed
from holeqc.ledger import schema as s
from holeqc.ledger.differences import as_recorded, differences, files_before, sentences, worst_recorded
from holeqc.ledger.kits import add_specification
from holeqc.ledger.named import refuse_unnamed
from holeqc.ledger.pieces import Pieces, pieces_of
from holeqc.ledger.resemblance import prepare
from holeqc.ledger.revisions import Known, find_known, find_replaced, named_replaced
from holeqc.ledger.values import plain
from holeqc.ledger.write_readings import FileRows, write_file
from holeqc.ledger.write_verdicts import write_inspections
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Ledger, Transaction
    from holeqc.readings.table import Source
    from holeqc.specification.model import Specification

FEW = 5  #: so many parts are named
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
    inspection: Inspection | None = None  #: as it was recorded: serial numbers as answered, copies held
    before: tuple[int, ...] = ()  #: files that recorded the readings of parts that were left as they are

    @property
    def added(self) -> bool:
        """Whether anything was added at all."""
        return self.last > 0


def record(
    ledger: Ledger, inspection: Inspection, spec_text: str | bytes, by: str, when: dt.datetime | None = None,
    *, replaces: int | None = None,
) -> Recorded:  # fmt: skip
    """Record a run: kit text, files, readings, verdicts and problems, all of it or nothing.

    ``spec_text`` is the kit file's whole content as it was judged, ``by`` who records, ``when`` the moment (now).
    ``replaces``: number of the entry whose file the run's one new file corrects, where its name doesn't tell. Parts
    whose readings are copies of recorded ones are held first: see `holeqc.ledger.resemblance`.

    Raises:
        LedgerError: a serial number is nearly another one and nobody has said whether it is, the kit text is not the
            one that was judged, a file is named twice, nobody is named, a part has no serial number, ``replaces`` names
            no standing file of the kit, or the database refuses.
    """
    text = spec_text if isinstance(spec_text, str) else spec_text.decode("utf-8")
    digest = hashlib.sha256(text.encode("utf-8")).hexdigest()
    spec = inspection.specification
    refuse_other_text(spec, digest)
    if inspection.readings.before is not None:
        raise LedgerError("the run holds rechecks: record them one by one (holeqc.ledger.rechecks.record_recheck)")
    _refuse_twice(inspection.readings.sources)
    refuse_unnamed(inspection)
    with ledger.transaction() as transaction:
        inspection = prepare(ledger, inspection)
        pieces = pieces_of(inspection)
        before = transaction.head[0]
        notes: list[str] = []
        specification = specification_id(transaction, inspection, (text, digest), (by, when), notes)
        files, rows = _files(transaction, inspection, pieces, (specification, replaces), (by, when), notes)
        touched, unchanged = _touched(transaction, inspection, pieces, (files, rows), specification)
        notes += _left_alone(list(unchanged))
        older = files_before(transaction.connection, set(unchanged.values()))
        ids: dict[tuple[str, str], int] = {}
        if touched.any():
            ids = write_inspections(transaction, inspection, pieces, rows, (specification, touched), (by, when))
        head = transaction.head[0]
        for file in files:
            notes += _changes(ledger, file)
    added = head > before
    first, last = (before + 1, head) if added else (0, 0)
    return Recorded(first, last, tuple(files), ids, tuple(notes), inspection, older)


def _touched(
    transaction: Transaction, inspection: Inspection, pieces: Pieces, given: tuple[list[RecordedFile], list[FileRows]],
    specification: int,
) -> tuple[NDArray[np.bool_], dict[tuple[str, str], int]]:  # fmt: skip
    """Return which pieces (P,) are judged anew, and the others of new files with the set that recorded them before.

    One that is now judged worse than it ever was on record is judged anew whatever its readings.
    """
    connection = transaction.connection
    touched = np.zeros(len(pieces.names), dtype=np.bool_)
    before: dict[int, int] = {}
    for file, held in zip(*given, strict=True):
        if file.status == KNOWN:
            continue
        same = as_recorded(connection, specification, file.file_id, file.replaces)
        for piece, number in zip(held.pieces.tolist(), held.set_ids.tolist(), strict=True):
            touched[piece] |= number not in same
            before[piece] = same.get(number, 0)
    worst = worst_recorded(connection, specification, [str(plain(pieces.names[p][1])) for p in before])
    verdicts = inspection.parts["verdict"].to_numpy()
    for piece in before:
        name = (str(plain(pieces.names[piece][0])), str(plain(pieces.names[piece][1])))
        touched[piece] |= name not in worst or int(verdicts[piece]) > s.VERDICTS.index(worst[name])
    return touched, {pieces.names[piece]: old for piece, old in before.items() if not touched[piece]}


def _left_alone(unchanged: Sequence[tuple[str, str]]) -> list[str]:
    if not unchanged:
        return []
    serials = listed([serial for _, serial in unchanged][:FEW]) + (" and others" if len(unchanged) > FEW else "")
    many, whose = ("1 part reads", "its") if len(unchanged) == 1 else (f"{len(unchanged)} parts read", "their")
    return [f"{many} as on record ({serials}): {whose} verdict, tags and approval stay as they are"]


def refuse_other_text(spec: Specification, digest: str) -> None:
    """Refuse a kit's text that isn't the one that was judged by."""
    if spec.digest and spec.digest != digest:
        raise LedgerError(f"kit file {spec.path}: it was changed after it was read; run the check again")


def _refuse_twice(sources: tuple[Source, ...]) -> None:
    first: dict[str, str] = {}
    for source in sources:
        if source.sha256 in first:
            raise LedgerError(f"{source.file} has the same content as {first[source.sha256]}; name it once")
        first[source.sha256] = source.file
    if len({source.file for source in sources}) < len(sources):
        raise LedgerError("two of the files have one name; record them one after the other")


Who = tuple[str, dt.datetime | None]


def specification_id(
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
    return add_specification(transaction, replace(spec, digest=digest), text, *who)


def _files(
    transaction: Transaction, inspection: Inspection, pieces: Pieces, given: tuple[int, int | None], who: Who,
    notes: list[str],
) -> tuple[list[RecordedFile], list[FileRows]]:  # fmt: skip
    """Record the files that aren't there yet; ``given``: id of the kit's text, entry that is said to be replaced."""
    connection, spec = transaction.connection, inspection.specification
    specification, said = given
    files, all_rows = [], []
    for source in inspection.readings.sources:
        rows = FileRows.of(inspection, pieces, source.file)
        all_rows.append(rows)
        known = find_known(connection, specification, source)
        if known is not None and (said is None or known.replaced_by is None):
            rows.take_recorded(connection, known.file_id)
            files.append(RecordedFile(source.file, source.sha256, KNOWN, known.file_id, known.entry))
            notes.append(known_note(source, known))
            continue
        serials = {str(plain(pieces.names[p][1])) for p in rows.pieces}
        replaced = (
            find_replaced(connection, spec, source, serials, notes) if said is None
            else named_replaced(connection, spec, said, serials, notes)
        )  # fmt: skip
        entry, number = write_file(transaction, inspection, pieces, (source, rows), (specification, replaced), who)
        old = None if replaced is None else replaced.file_id
        files.append(RecordedFile(source.file, source.sha256, NEW if old is None else REVISION, number, entry, old))
    if said is not None and (new := sum(f.status != KNOWN for f in files)) != 1:
        found = "the file is recorded already" if new == 0 else f"{new} files are new"
        raise LedgerError(f"one new file can replace entry {said}: {found}; nothing was recorded")
    return files, all_rows


def _changes(ledger: Ledger, file: RecordedFile) -> list[str]:
    """Return the differences of a revision as notes; none where the content is the same and only the kit is another."""
    if file.replaces is None:
        return []
    old = ledger.rows(select(s.FILE.c.digest, s.FILE.c.entry).where(s.FILE.c.id == file.replaces))[0]
    if old["digest"] == file.digest:
        return [f"{file.name}: recorded as entry {old['entry']} before, under another text of the kit; judged anew"]
    return sentences(differences(ledger, file.file_id), file.name, int(old["entry"]))


def known_note(source: Source, known: Known) -> str:
    since = "" if known.replaced_by is None else (
        f" It was replaced by entry {known.replaced_by} since; to go back to it, add --replaces {known.replaced_by}"
    )  # fmt: skip
    return f"{source.file}: recorded before, as entry {known.entry}; nothing was added.{since}"
