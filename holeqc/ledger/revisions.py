"""Is a file of readings there already, and which earlier one does it take the place of."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.ledger.values import plain
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import Connection, Select

    from holeqc.readings.table import Source
    from holeqc.specification.model import Specification

LISTED = 10  #: so many files are named


@dataclass(frozen=True, slots=True)
class Known:
    """The record of the same file under the same kit text; ``replaced_by`` is the entry that replaced it, or None."""

    file_id: int
    entry: int
    replaced_by: int | None


@dataclass(frozen=True, slots=True)
class Replaced:
    """The record of a file that a new one takes the place of, and why."""

    file_id: int
    entry: int
    reason: str


def base_name(file: str) -> str:
    """Return a file's name without its folder, as stored."""
    return str(plain(PurePath(file).name))


def find_known(connection: Connection, specification: int, source: Source) -> Known | None:
    """Return the newest record of a file with the same content under the same kit text."""
    newer = s.FILE.alias("newer")
    row = connection.execute(
        select(s.FILE.c.id, s.FILE.c.entry, newer.c.entry.label("replaced_by"))
        .select_from(s.FILE.outerjoin(newer, newer.c.replaces == s.FILE.c.id))
        .where(s.FILE.c.digest == source.sha256, s.FILE.c.specification_id == specification)
        .order_by(s.FILE.c.id.desc()).limit(1)
    ).first()  # fmt: skip
    if row is None:
        return None
    return Known(int(row.id), int(row.entry), None if row.replaced_by is None else int(row.replaced_by))


def find_replaced(
    connection: Connection, spec: Specification, source: Source, serials: set[str], notes: list[str]
) -> Replaced | None:  # fmt: skip
    """Return the record that a new file takes the place of: the same content under another kit text, else the newest of
    the same name that speaks of one of its ``serials``; None where there is none. Adds what to know to ``notes``.
    """
    same = connection.execute(_standing(spec).where(s.FILE.c.digest == source.sha256)).first()
    if same is not None:
        reason = f"the same file judged under kit {spec.id} revision {spec.revision}"
        return Replaced(int(same.id), int(same.entry), reason)
    base = base_name(source.file)
    others: dict[int, list[str]] = {}
    for row in connection.execute(_standing(spec).where(s.FILE.c.base == base)).all():
        held = _serials(connection, int(row.id))
        if not serials.isdisjoint(held):
            _say_gone(connection, row, serials, notes)
            return Replaced(int(row.id), int(row.entry), f"the file {base} was changed")
        others[int(row.entry)] = sorted(held)
    for entry, held_serials in others.items():
        shown = ", ".join(held_serials[:3]) + (" and others" if len(held_serials) > 3 else "")
        notes.append(
            f"{source.file}: entry {entry} recorded a file of this name that speaks of other parts ({shown}); both "
            f"stand. If this one corrects it, say so by --replaces {entry}"
        )
    return None


def recheck_replaced(
    connection: Connection, spec: Specification, source: Source, places: set[tuple[str, str]]
) -> tuple[Replaced | None, dict[int, int]]:
    """Return the recorded recheck that a new one of its name corrects, None where there is none; and from which
    inspection its parts go on instead of the one that joined it: inspection -> the one before.

    ``places``: serial numbers and holes that the new one reads. One that leaves out a hole is a further recheck under a
    name used before, and so is one after which the part was read once more.
    """
    base, c, r = base_name(source.file), s.RECHECK.c, s.READING.c
    for row in connection.execute(_standing(spec).where(s.FILE.c.base == base)).all():
        joined = connection.execute(
            select(c.inspection_id, c.of_id).join(s.READING_SET, s.READING_SET.c.id == c.set_id)
            .where(s.READING_SET.c.file_id == row.id)
        ).all()  # fmt: skip
        read = connection.execute(
            select(s.READING_SET.c.serial, r.hole).join(s.READING, r.set_id == s.READING_SET.c.id).distinct()
            .where(s.READING_SET.c.file_id == row.id, r.value.is_not(None) | (r.word != "") | (r.doubt != ""))
        ).all()  # fmt: skip
        later = select(c.id).where(c.of_id.in_([one.inspection_id for one in joined]))
        if joined and {(str(a), str(b)) for a, b in read} <= places and connection.execute(later).first() is None:
            why = f"the recheck {base} was changed"
            return Replaced(int(row.id), int(row.entry), why), {int(a): int(b) for a, b in joined}
    return None, {}


def named_replaced(
    connection: Connection, spec: Specification, entry: int, serials: set[str], notes: list[str]
) -> Replaced:  # fmt: skip
    """Return the record of a file that somebody says is replaced.

    Raises:
        LedgerError: the entry recorded no file of this kit, or another file took its place already.
    """
    row = connection.execute(_standing(spec).where(s.FILE.c.entry == entry)).first()
    if row is None:  # the entry of an inspection, as `parts` shows it, means the sheet that it rests on
        of = _sheets_of_inspection(connection, spec, entry, serials)
        if len(of) == 1:
            row = connection.execute(_standing(spec).where(s.FILE.c.id == of[0].id)).first()
        elif of:
            names = "; ".join(f"entry {one.entry}: {one.name}" for one in of)
            raise LedgerError(f"entry {entry} judged {len(of)} sheets: {names}; name the one that is corrected by its "
                              "own entry; nothing was recorded")  # fmt: skip
    if row is None:
        why = _why_not(connection, spec, entry)
        raise LedgerError(f"{why}; nothing was recorded. {_listed(connection, spec)}")
    _say_gone(connection, row, serials, notes)
    said = f"said to correct entry {entry}" + ("" if row.entry == entry else f", which judged entry {row.entry}")
    return Replaced(int(row.id), int(row.entry), said)


def _sheets_of_inspection(connection: Connection, spec: Specification, entry: int, serials: set[str]) -> list[Any]:
    """Return the sheets of a kit, no rechecks, that inspections of an entry rest on, those of some parts if any."""
    i, sets, f = s.INSPECTION.c, s.READING_SET.c, s.FILE.c
    asked = (
        select(f.id, f.entry, f.name, sets.serial).distinct().join(s.READING_SET, sets.file_id == f.id)
        .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == sets.id)
        .join(s.INSPECTION, i.id == s.INSPECTION_SET.c.inspection_id)
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == f.specification_id)
        .where(i.entry == entry, s.SPECIFICATION.c.kit == plain(spec.id))
        .where(~select(s.RECHECK.c.id).where(s.RECHECK.c.set_id == sets.id).exists()).order_by(f.id)
    )  # fmt: skip
    rows = connection.execute(asked).all()
    mine = [row for row in rows if str(row.serial) in serials] or rows
    return list({int(row.id): row for row in mine}.values())


def _why_not(connection: Connection, spec: Specification, entry: int) -> str:
    """Return why no file can take the place of the one that an entry recorded."""
    newer = s.FILE.alias("newer")
    row = connection.execute(
        select(s.FILE.c.name, s.SPECIFICATION.c.kit, newer.c.entry.label("by"))
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == s.FILE.c.specification_id)
        .outerjoin(newer, newer.c.replaces == s.FILE.c.id)
        .where(s.FILE.c.entry == entry)
    ).first()
    if row is not None and row.kit != plain(spec.id):
        return f"entry {entry} recorded {row.name} of kit {row.kit}, and this file is of kit {spec.id}"
    if row is not None:
        return f"entry {entry}, {row.name}, is replaced already by entry {row.by}; to correct that: --replaces {row.by}"
    if of := _sheets_of_inspection(connection, spec, entry, set()):
        return _why_not(connection, spec, int(of[0].entry))
    kind = connection.execute(select(s.ENTRY.c.kind).where(s.ENTRY.c.seq == entry)).scalar()
    return f"there is no entry {entry}" if kind is None else f"entry {entry} recorded no file (it is of kind {kind})"


def _listed(connection: Connection, spec: Specification) -> str:
    """Return the newest files of a kit that can be replaced, in a sentence."""
    rows = connection.execute(_standing(spec).limit(LISTED + 1)).all()
    if not rows:
        return f"No file of kit {spec.id} is recorded"
    more = "; older ones too" if len(rows) > LISTED else ""
    named = "; ".join(f"entry {row.entry}: {row.name}" for row in rows[:LISTED])
    return f"Files of kit {spec.id} that stand, newest first: {named}{more}"


def _standing(spec: Specification) -> Select[Any]:
    """Return the question for files of a kit that none has taken the place of, newest first."""
    newer = s.FILE.alias("newer")
    return (
        select(s.FILE.c.id, s.FILE.c.entry, s.FILE.c.name)
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == s.FILE.c.specification_id)
        .where(s.SPECIFICATION.c.kit == plain(spec.id))
        .where(~select(newer.c.id).where(newer.c.replaces == s.FILE.c.id).exists())
        .order_by(s.FILE.c.id.desc())
    )


def _serials(connection: Connection, file_id: int) -> set[str]:
    held = connection.execute(select(s.READING_SET.c.serial).where(s.READING_SET.c.file_id == file_id))
    return {str(row[0]) for row in held}


def _say_gone(connection: Connection, row: Any, serials: set[str], notes: list[str]) -> None:
    gone = sorted(_serials(connection, int(row.id)) - serials)
    if gone:
        notes.append(
            f"{row.name} (entry {row.entry}) also spoke of {', '.join(gone)}, the new one doesn't: their verdicts rest "
            "on a file that was replaced"
        )
