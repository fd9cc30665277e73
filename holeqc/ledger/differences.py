"""What changed between two revisions of a file, cell by cell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.problems import LedgerError
from holeqc.readings.table import cell_name

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from holeqc.ledger.ledger import Ledger


@dataclass(frozen=True, slots=True)
class Change:
    """One cell that differs. ``before`` and ``after`` are what was typed, None where the cell held no reading."""

    sheet: str
    cell: str
    serial: str
    hole: str
    wall: str
    characteristic: str
    before: str | None
    after: str | None

    def sentence(self) -> str:
        """Return the change as text for a person."""
        place = ", ".join(p for p in (self.sheet, self.cell) if p)
        what = f"{self.serial} hole {self.hole} {self.wall} {self.characteristic}".replace("  ", " ")
        if self.before is None:
            return f"{place}: added {self.after!r} ({what})"
        if self.after is None:
            return f"{place}: removed {self.before!r} ({what})"
        return f"{place}: {self.before!r} became {self.after!r} ({what})"


_Cells = dict[tuple[str, int, int], tuple[str, str, str, str, str]]


def differences(ledger: Ledger, file_id: int) -> tuple[Change, ...]:
    """Return how a recorded file differs from the one that it took the place of, in the order of the sheet.

    A cell whose content is the same but that now speaks of another part, hole or wall counts as changed.

    Raises:
        LedgerError: the file is not there, or is no revision of another.
    """
    with ledger.reading() as connection:
        row = connection.execute(select(s.FILE.c.replaces).where(s.FILE.c.id == file_id)).first()
        if row is None or row[0] is None:
            raise LedgerError(f"file {file_id} is not recorded, or not as a revision of another")
        before, after = _cells(connection, int(row[0])), _cells(connection, file_id)
    changed = [key for key in sorted(before.keys() | after.keys()) if before.get(key) != after.get(key)]
    out = []
    for key in changed:
        old, new = before.get(key), after.get(key)
        serial, hole, wall, characteristic, _ = new or old or ("",) * 5
        cell = cell_name(key[1], key[2])
        was, now = (None if x is None else x[4] for x in (old, new))
        out.append(Change(key[0], cell, serial, hole, wall, characteristic, was, now))
    return tuple(out)


def _cells(connection: Connection, file_id: int) -> _Cells:
    """Return what each cell of a file holds: (sheet, row, column) -> serial, hole, wall, characteristic, typed."""
    r, sets = s.READING.c, s.READING_SET.c
    question = (
        select(r.sheet, r.row_no, r.column_no, sets.serial, r.hole, r.wall, r.characteristic, r.typed)
        .select_from(s.READING)
        .join(s.READING_SET, sets.id == r.set_id)
        .where(sets.file_id == file_id)
        .order_by(r.set_id, r.line)
    )
    found: _Cells = {}
    for sheet, row, column, *rest in connection.execute(question):
        found.setdefault((str(sheet), int(row), int(column)), tuple(str(x) for x in rest))  # type: ignore[arg-type]
    return found
