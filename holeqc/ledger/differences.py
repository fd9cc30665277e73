"""What changed between two revisions of a file, cell by cell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import except_, select

from holeqc.ledger import schema as s
from holeqc.problems import LedgerError
from holeqc.readings.table import cell_name
from holeqc.specification.model import SINGLE_WALL

if TYPE_CHECKING:
    from sqlalchemy import Connection, Select

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
        wall = "" if self.wall == SINGLE_WALL else self.wall
        what = " ".join(w for w in (self.serial, "hole", self.hole, wall, self.characteristic) if w)
        if self.before is None:
            return f"{place}: added {self.after!r} ({what})"
        if self.after is None:
            return f"{place}: removed {self.before!r} ({what})"
        return f"{place}: {self.before!r} became {self.after!r} ({what})"


LISTED = 20  #: changes that are written out when a revision is recorded

_Key = tuple[str, int, int]
_Said = tuple[str, str, str, str, str]  # serial, hole, wall, characteristic, typed


def differences(ledger: Ledger, file_id: int) -> tuple[Change, ...]:
    """Return how a recorded file differs from the one that it took the place of, in the order of the sheet.

    A cell whose content is the same but that now speaks of another part, hole or wall counts as changed. The database
    compares; only what differs is fetched.

    Raises:
        LedgerError: the file is not there, or is no revision of another.
    """
    with ledger.reading() as connection:
        row = connection.execute(select(s.FILE.c.replaces).where(s.FILE.c.id == file_id)).first()
        if row is None or row[0] is None:
            raise LedgerError(f"file {file_id} is not recorded, or not as a revision of another")
        before, after = _only_in(connection, int(row[0]), file_id), _only_in(connection, file_id, int(row[0]))
    out = []
    for key in sorted(before.keys() | after.keys()):
        old, new = before.get(key), after.get(key)
        serial, hole, wall, characteristic, _ = new or old or ("",) * 5
        was, now = (None if x is None else x[4] for x in (old, new))
        out.append(Change(key[0], cell_name(key[1], key[2]), serial, hole, wall, characteristic, was, now))
    return tuple(out)


def sentences(changes: tuple[Change, ...], name: str, entry: int) -> list[str]:
    """Return the changes of a revision as text: how many cells, and the first of them."""
    many = f"{len(changes)} cells differ"
    count = {0: "no reading differs", 1: "1 cell differs"}.get(len(changes), many)
    head = f"{name}: a new revision of the file of entry {entry}; {count}"
    rest = [f"and {len(changes) - LISTED} more cells"] if len(changes) > LISTED else []
    return [head, *(change.sentence() for change in changes[:LISTED]), *rest]


def _only_in(connection: Connection, file_id: int, other: int) -> dict[_Key, _Said]:
    """Return what cells of one file hold that the other doesn't hold in the same place."""
    found: dict[_Key, _Said] = {}
    for sheet, row, column, *said in connection.execute(except_(_cells(file_id), _cells(other))):
        serial, hole, wall, characteristic, typed = (str(x) for x in said)
        found.setdefault((str(sheet), int(row), int(column)), (serial, hole, wall, characteristic, typed))
    return found


def _cells(file_id: int) -> Select[Any]:
    r, sets = s.READING.c, s.READING_SET.c
    return (
        select(r.sheet, r.row_no, r.column_no, sets.serial, r.hole, r.wall, r.characteristic, r.typed)
        .select_from(s.READING)
        .join(s.READING_SET, sets.id == r.set_id)
        .where(sets.file_id == file_id)
    )
