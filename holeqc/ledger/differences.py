"""What changed between two revisions of a file, cell by cell; which of its parts stay as they are on record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import except_, func, select

from holeqc.ledger import schema as s
from holeqc.ledger.tags import COPIED
from holeqc.problems import LedgerError
from holeqc.readings.table import cell_name
from holeqc.specification.model import SINGLE_WALL

if TYPE_CHECKING:
    from collections.abc import Sequence

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


# ---------------------------------------------------------------------------------------------- parts left as they are


def as_recorded(connection: Connection, specification: int, file_id: int, old: int | None) -> dict[int, int]:
    """Return the sets of a file just written that say of their part what is on record: set -> the recorded one.

    Compared with the file ``old`` that it takes the place of, else with each part's newest set under the same kit text
    that stands and is no recheck. Where a sheet stood is no difference; whatever holds the part is.
    """
    sets, f, newer = s.READING_SET.c, s.FILE.c, s.FILE.alias("newer")
    mine = {(str(r.part), str(r.serial)): r for r in connection.execute(
        select(sets.id, sets.part, sets.serial, sets.readings).where(sets.file_id == file_id)
    )}  # fmt: skip
    asked = select(sets.id, sets.part, sets.serial, sets.readings, sets.file_id).join(s.FILE, f.id == sets.file_id)
    asked = asked.where(
        f.specification_id == specification, ~select(s.RECHECK.c.id).where(s.RECHECK.c.set_id == sets.id).exists()
    ).order_by(sets.id)
    if old is not None:
        asked = asked.where(sets.file_id == old)
    else:
        asked = asked.where(
            sets.file_id != file_id, ~select(newer.c.id).where(newer.c.replaces == f.id).exists(),
            sets.serial.in_(select(sets.serial).where(sets.file_id == file_id)),
        )  # fmt: skip
    before = {(str(r.part), str(r.serial)): r for r in connection.execute(asked)}
    pairs = {int(r.id): before[key] for key, r in mine.items() if key in before and r.readings == before[key].readings}
    differ: set[tuple[str, str]] = set()
    numbers = sorted(pairs)
    for start in range(0, len(numbers), 400):
        new, was = numbers[start : start + 400], [int(pairs[n].id) for n in numbers[start : start + 400]]
        for one, other in ((new, was), (was, new)):
            differ |= {(str(r[0]), str(r[1])) for r in connection.execute(except_(_said(one), _said(other)))}
    holding = _holding(connection, {file_id, *(int(r.file_id) for r in pairs.values())})
    return {
        number: int(was.id) for number, was in pairs.items()
        if (key := (str(was.part), str(was.serial))) not in differ
        and _of(holding[file_id], key) == _of(holding[int(was.file_id)], key)
    }  # fmt: skip


def _said(sets: Sequence[int]) -> Select[Any]:
    r, of = s.READING.c, s.READING_SET.c
    return (
        select(of.part, of.serial, r.hole, r.wall, r.characteristic, r.direction, r.trial, r.value, r.word, r.unit,
               r.gauge, r.temperature_c, r.day, r.read_by, r.note, r.doubt)
        .join(s.READING_SET, of.id == r.set_id).where(r.set_id.in_(sets))
    )  # fmt: skip


def _holding(connection: Connection, files: set[int]) -> dict[int, set[tuple[str, ...]]]:
    """Return what holds parts of some files: file -> part, serial, code, hole, wall, message; that something is a copy
    was said where it was recorded first."""
    p = s.PROBLEM.c
    out: dict[int, set[tuple[str, ...]]] = {number: set() for number in files}
    asked = select(p.file_id, p.part, p.serial, p.code, p.hole, p.wall, p.message)
    for row in connection.execute(asked.where(p.file_id.in_(files), p.holds == 1, p.code != COPIED)):
        out[int(row[0])].add(tuple(map(str, row[1:])))
    return out


def _of(holding: set[tuple[str, ...]], key: tuple[str, str]) -> set[tuple[str, ...]]:
    return {one[2:] for one in holding if one[0] in ("", key[0]) and one[1] in ("", key[1])}


def files_before(connection: Connection, sets: set[int]) -> tuple[int, ...]:
    """Return the files of some sets and all that they took the place of."""
    older = {int(a): int(b) for a, b in connection.execute(
        select(s.FILE.c.id, s.FILE.c.replaces).where(s.FILE.c.replaces.is_not(None))
    )}  # fmt: skip
    found: set[int] = set()
    wanted = sorted(sets)
    for start in range(0, len(wanted), 400):
        asked = select(s.READING_SET.c.file_id).where(s.READING_SET.c.id.in_(wanted[start : start + 400])).distinct()
        for row in connection.execute(asked):
            file: int | None = int(row[0])
            while file is not None and file not in found:
                found.add(file)
                file = older.get(file)
    return tuple(sorted(found))


def spoken_for(connection: Connection, sets: Sequence[int]) -> set[int]:
    """Return which sets of replaced files go on: the file that stands says the same of their part, so nothing was
    judged anew from it.
    """
    f, of, rests = s.FILE.c, s.READING_SET.c, s.INSPECTION_SET.c
    newer = {int(a): int(b) for a, b in connection.execute(select(f.replaces, f.id).where(f.replaces.is_not(None)))}
    ends: dict[tuple[int, str, str], list[int]] = {}
    for start in range(0, len(sets), 400):
        asked = select(of.id, of.file_id, of.part, of.serial).where(of.id.in_(sets[start : start + 400]))
        for row in connection.execute(asked):
            file = int(row.file_id)
            while file in newer:
                file = newer[file]
            if file != row.file_id:
                ends.setdefault((file, str(row.part), str(row.serial)), []).append(int(row.id))
    found: set[int] = set()
    files = sorted({file for file, _, _ in ends})
    for start in range(0, len(files), 400):
        alone = select(of.file_id, of.part, of.serial).where(
            of.file_id.in_(files[start : start + 400]), ~select(rests.line).where(rests.set_id == of.id).exists()
        )
        for file_id, part, serial in connection.execute(alone):
            found.update(ends.get((int(file_id), str(part), str(serial)), ()))
    return found


def worst_recorded(connection: Connection, specification: int, serials: Sequence[str]) -> dict[tuple[str, str], str]:
    """Return the worst verdict that is on record of parts under a kit text."""
    i = s.INSPECTION.c
    found: dict[tuple[str, str], str] = {}
    for start in range(0, len(serials), 400):
        asked = select(i.part, i.serial, i.verdict, func.count()).group_by(i.part, i.serial, i.verdict).where(
            i.specification_id == specification, i.serial.in_(serials[start : start + 400])
        )
        for part, serial, verdict, _ in connection.execute(asked):
            key = str(part), str(serial)
            found[key] = max(found.get(key, s.VERDICTS[0]), str(verdict), key=s.VERDICTS.index)
    return found
