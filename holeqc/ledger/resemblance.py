"""Is a part another one on record: serial numbers that are spelled nearly alike, and readings that were taken before.

Serial numbers that differ by case, dashes, leading zeros or by O for 0 and I for 1 are asked about once; the answer is
an entry. Readings are compared with everything on record of their kit by an index: each reading set leaves a number for
the lengths of each hole, for each column of lengths over the holes, and for all of them, so that a copy is found again
although a few of its cells were changed. Lengths of the same part that are equal under another day or gauge were not
read again; a copy holds the part.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import and_, func, or_, select

from holeqc.characteristics import FINE
from holeqc.ledger import schema as s
from holeqc.ledger.ledger import plain_letters
from holeqc.ledger.schema import batches, days, one_line, plain, storable
from holeqc.ledger.tags import COPIED, NOT_FOR_USE, find_tags
from holeqc.problems import WARNING, LedgerError, Problem
from holeqc.quantities import IntArray
from holeqc.tables import Table, Texts, numbered

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Entry, EntryWriter, Ledger, Transaction
    from holeqc.readings.table import Source
    from holeqc.specification.model import Specification




@dataclass(frozen=True, slots=True)
class Pieces:
    """``names`` (P,): part and serial of each row of the table of parts; ``of_reading`` (n,): each reading's row."""

    names: tuple[tuple[str, str], ...]
    of_reading: IntArray
    only: str  #: the part's name where the kit has one part, which a reading needn't say

    def of(self, table: Table) -> IntArray:
        """Return the number of the piece of each row of a table with columns ``part`` and ``serial``; -1: unknown."""
        index = {name: number for number, name in enumerate(self.names)}
        return _numbers(table, index, self.only)


def pieces_of(inspection: Inspection) -> Pieces:
    """Return the pieces of a run."""
    names = tuple(inspection.tables["parts"].tuples("part", "serial"))
    known = inspection.specification.parts
    only = known[0].name if len(known) == 1 else ""
    index = {name: number for number, name in enumerate(names)}
    return Pieces(names, _numbers(inspection.readings.rows, index, only), only)


def _numbers(table: Table, index: Mapping[tuple[str, str], int], only: str) -> IntArray:
    part, serial = table["part"], table["serial"]
    number, first = numbered(part.codes.astype(np.int64) * len(serial.names) + serial.codes)
    names = zip(part[first], serial[first], strict=True)
    return np.array([index.get((one or only, x), -1) for one, x in names], dtype=np.int64)[number]


BLOCK_LEAST, SET_LEAST = 4, 6  #: lengths of a hole or column, of a whole set, that are worth a mark
DISTINCT_LEAST = 5  #: a copy has so many different values: a few coarse sizes agree by chance
OWN_LEAST, OWN_SHARE = 3, 0.9  #: of the same part: so many lengths, and so much of them equal, are no new reading
OTHER_SHARE = 0.6  #: of another part: so much of the lengths equal, if chance can't explain it
STEPS = {"in": 1e4, "mm": 1e3}  #: lengths count as equal to one step of a gauge: 0.0001 in, 0.001 mm
BY_CHANCE = 1e-3  #: chance of one such agreement in the whole record above which nothing is said
CANDIDATES, SAMPLE = 5, 60  #: sets compared cell by cell; sets that tell how often a value comes
TOGETHER = 0.75  #: share of the evidence of equal values that is counted, because readings of a part err together
FEW = 5  #: with fewer other sets on record nothing is known of chance
_MIX = np.uint64(0x9E3779B97F4A7C15)

Cells = dict[tuple[str, str, str, str, int], tuple[float, str, str]]  #: what was read -> value, day, gauge


# ------------------------------------------------------------------------------------------------- serial numbers


_LIKE_DIGITS = str.maketrans("oil", "011")


def folded(serial: str) -> str:
    """Return what is left of a serial number without case, marks between, leading zeros and letters like digits."""
    text = re.sub(r"(?<!\d)[0o]+(?=\d)", "", plain_letters(serial))  # before L turns into a digit
    text = "".join(sign for sign in text if sign.isalnum()).translate(_LIKE_DIGITS)
    return re.sub(r"(?<!\d)0+(?=\d)", "", text)


def alike(one: str, other: str) -> bool:
    """Return whether two serial numbers are alike with the marks between two digits kept (1-12 is not 11-2)."""

    def parts(serial: str) -> list[str]:
        words = re.split(r"([\W_]+)", plain_letters(serial))
        text = "".join(w.translate(_LIKE_DIGITS) if any(x.isdigit() for x in w) else w for w in words)
        return [folded(part) for part in re.split(r"(?<=\d)[\W_]+(?=\d)", text)]

    return parts(one) == parts(other)


def _one_more(one: str, other: str) -> bool:
    """Return whether one of two serial numbers is the other with a group of letters or digits, or a letter of such a
    group, more before it or behind it: SL-3 or L-3-1 beside L-3, never L-13.
    """

    def groups(serial: str) -> list[str]:
        return [x.lstrip("0") if x.isdigit() else x for x in re.findall(r"[^\W\d_]+|\d+", plain_letters(serial))]

    def shorter(of: list[str]) -> list[list[str]]:
        first, last = of[0], of[-1]
        found = [of[1:], of[:-1]]
        found += [[first[1:], *of[1:]]] if first.isalpha() and len(first) > 1 else []
        found += [[*of[:-1], last[:-1]]] if last.isalpha() and len(last) > 1 else []
        return [x for x in found if any(group.isdigit() for group in x)]

    a, b = groups(one), groups(other)
    return bool(a and b) and (a in shorter(b) or b in shorter(a))


def write_serials(transaction: Transaction, writer: EntryWriter, serials: Iterable[str]) -> None:
    """Have an entry bring the serial numbers that weren't on record."""
    wanted = sorted({storable(x) for x in serials})
    known: set[str] = set()
    for some in batches(wanted):
        asked = select(s.SERIAL.c.serial).where(s.SERIAL.c.serial.in_(some))
        known |= {str(row[0]) for row in transaction.connection.execute(asked)}
    writer.add_mapped(s.SERIAL, [{"serial": x, "folded": folded(x)} for x in wanted if x not in known])


def answer(
    ledger: Ledger, serial: str, other: str, same: bool, by: str, reason: str, *, kit: str = "", part: str = "",
    other_kit: str = "", other_part: str = "",
) -> Entry:  # fmt: skip
    """Record whether two serial numbers are one part: ``serial`` is then recorded as ``other`` from now on.

    One and the same serial number of two kits or parts is told apart by ``kit``, ``part``, ``other_kit``,
    ``other_part``. A later answer takes the place of an earlier one.

    Raises:
        LedgerError: no reason, ``other`` isn't on record, the two aren't alike, both are the same piece.
    """
    serial, other = serial.strip(), other.strip()
    if not reason.strip():
        raise LedgerError("say why: the answer needs its reason (--reason)")
    for text in (serial, other):
        one_line(text, "serial number")
    with ledger.transaction():
        if not ledger.rows(select(s.INSPECTION.c.id).where(s.INSPECTION.c.serial == plain(other)).limit(1)):
            raise LedgerError(f"ledger {ledger.location.shown}: nothing is recorded of serial {other}")
        if folded(serial) != folded(other) and not _one_more(serial, other):
            raise LedgerError(f"serial numbers {serial} and {other} aren't alike, so nothing was asked")
        if serial == other and (same or (kit, part) == (other_kit, other_part)):
            raise LedgerError(
                f"{serial} and {other} are spelled the same; to tell two parts of this number apart, name kit or part "
                "of both: --kit, --part, --other-kit, --other-part"
            )
        row = {
            "serial": serial, "other": other, "same": same, "kit": kit, "part": part, "other_kit": other_kit,
            "other_part": other_part,
        }  # fmt: skip
        return ledger.entry("serial", by, {"serial_answer": [row]}, reason=reason)


def answers(ledger: Ledger, serials: Iterable[str]) -> dict[tuple[str, str], dict[str, Any]]:
    """Return what was answered of spellings: (serial, other) -> newest answer with columns of its entry."""
    a, e = s.SERIAL_ANSWER.c, s.ENTRY.c
    wanted, found = sorted({storable(x) for x in serials}), {}
    for some in batches(wanted):
        rows = ledger.rows(
            select(*s.SERIAL_ANSWER.columns, e.made_by, e.reason).join(s.ENTRY, e.seq == a.entry)
            .where(or_(a.serial.in_(some), a.other.in_(some)), a.serial != a.other).order_by(a.id)
        )  # fmt: skip
        for row in rows:
            found[str(row["serial"]), str(row["other"])] = row
    return found


def told_apart(ledger: Ledger, one: tuple[str, str, str], other: tuple[str, str, str]) -> dict[str, Any] | None:
    """Return the newest answer that two pieces (kit, part, serial) are two parts, None where none says so."""
    a, e = s.SERIAL_ANSWER.c, s.ENTRY.c
    newest: dict[str, Any] | None = None
    for first, second in ((one, other), (other, one)):
        rows = ledger.rows(
            select(*s.SERIAL_ANSWER.columns, e.made_by, e.reason).join(s.ENTRY, e.seq == a.entry)
            .where(a.serial == plain(first[2]), a.other == plain(second[2])).order_by(a.id)
        )  # fmt: skip
        for row in rows:
            asked = (row["kit"], first[0]), (row["part"], first[1]), (row["other_kit"], second[0]), (
                row["other_part"], second[1])  # fmt: skip
            if all(said in ("", is_) for said, is_ in asked) and (newest is None or row["id"] > newest["id"]):
                newest = row
    return newest if newest is not None and not newest["same"] else None


def near_answers(ledger: Ledger, serial: str) -> list[tuple[str, dict[str, Any] | None]]:
    """Return the other serial numbers on record that are the same without case, dashes and the like, each with what was
    answered of the two, None where nobody did.
    """
    asked = select(s.SERIAL.c.serial).where(s.SERIAL.c.folded == folded(serial), s.SERIAL.c.serial != plain(serial))
    near = [str(row["serial"]) for row in ledger.rows(asked.order_by(s.SERIAL.c.id))]
    known = answers(ledger, [serial]) if near else {}
    return [(other, known.get((serial, other)) or known.get((other, serial))) for other in near]


def alone_so_spelled(ledger: Ledger, serials: Sequence[str]) -> dict[str, bool]:
    """Return of each serial number whether no other on record is the same without case, dashes and the like."""
    spelled: dict[str, set[str]] = {folded(serial): set() for serial in serials}
    for some in batches(sorted(spelled)):
        for row in ledger.rows(select(s.SERIAL.c.folded, s.SERIAL.c.serial).where(s.SERIAL.c.folded.in_(some))):
            spelled[str(row["folded"])].add(str(row["serial"]))
    return {serial: spelled[folded(serial)] <= {plain(serial)} for serial in serials}


def _renamed(ledger: Ledger, inspection: Inspection) -> Inspection:
    """Return a run whose serial numbers are spelled as answered.

    Raises:
        LedgerError: one is nearly another one, on record or in the run, and nobody has answered whether it is.
    """
    given = list(dict.fromkeys(inspection.tables["parts"]["serial"]))
    near = _near(ledger, given)
    for serial, others in _beside_trouble(ledger, inspection, given).items():
        near[serial] = [*near.get(serial, ()), *others]
    known = answers(ledger, [*given, *(x for of in near.values() for x in of)])
    rename: dict[str, str] = {}
    open_: list[tuple[str, str]] = []
    for serial, others in near.items():
        for other in others:
            row = known.get((serial, other)) or known.get((other, serial))
            if row is None:
                if alike(serial, other) or _one_more(serial, other) or _in_trouble(ledger, other):
                    open_.append((serial, other))
            elif row["same"] and str(row["serial"]) == serial:
                rename[serial] = other
    pairs = {(one, other) for one, other in open_ if one not in rename}
    open_ = [p for p in open_ if p in pairs and ((p[1], p[0]) not in pairs or p[0] > p[1])]
    if open_:
        _ask(ledger, open_)
    return _with_serials(inspection, rename) if rename else inspection


def _near(ledger: Ledger, given: Sequence[str]) -> dict[str, list[str]]:
    by_fold: dict[str, list[str]] = {}
    fold = {serial: folded(serial) for serial in given}
    for some in batches(sorted(set(fold.values()))):
        asked = select(s.SERIAL.c.serial, s.SERIAL.c.folded).where(s.SERIAL.c.folded.in_(some))
        for row in ledger.rows(asked.order_by(s.SERIAL.c.id)):
            by_fold.setdefault(str(row["folded"]), []).append(str(row["serial"]))
    recorded = {x for of in by_fold.values() for x in of}
    for serial in given:
        of = by_fold.setdefault(fold[serial], [])
        if serial not in of:
            of.append(serial)
    # what is on record already under its own spelling isn't asked about again, except beside a new spelling
    return {
        x: others for x in given if x not in recorded
        if (others := [other for other in by_fold[fold[x]] if other != x])
    }  # fmt: skip


def _beside_trouble(ledger: Ledger, inspection: Inspection, given: Sequence[str]) -> dict[str, list[str]]:
    """Return the serial numbers with one group or letter more or less of pieces of the same part that an open tag,
    scrap or return speaks against; serial numbers on record already aren't asked about again.
    """
    part_of = dict(inspection.tables["parts"].tuples("serial", "part"))
    kit = inspection.specification.id
    tags = [*find_tags(ledger, kit=kit, only_open=True), *find_tags(ledger, kit=kit, decided=NOT_FOR_USE)]
    bad = {(str(tag.row["part"]), str(tag.row["serial"])) for tag in tags if tag.speaks_against}
    found = {
        serial: others for serial in given
        if (others := sorted(x for part, x in bad if part == plain(part_of[serial]) and _one_more(serial, x)))
    }  # fmt: skip
    wanted, known = sorted(map(storable, found)), set[str]()
    for some in batches(wanted):
        known |= {str(row["serial"]) for row in ledger.rows(
            select(s.SERIAL.c.serial).where(s.SERIAL.c.serial.in_(some))
        )}  # fmt: skip
    return {serial: others for serial, others in found.items() if storable(serial) not in known}


def _in_trouble(ledger: Ledger, serial: str) -> bool:
    newest = ledger.rows(
        select(s.INSPECTION.c.verdict).where(s.INSPECTION.c.serial == plain(serial)).order_by(s.INSPECTION.c.id.desc())
    )  # fmt: skip
    return any(row["verdict"] != "accept" for row in newest)


def _ask(ledger: Ledger, pairs: Sequence[tuple[str, str]]) -> None:
    problems = []
    for serial, other in pairs:
        rows = ledger.rows(
            select(s.INSPECTION.c.verdict, s.INSPECTION.c.entry).where(s.INSPECTION.c.serial == plain(other))
            .order_by(s.INSPECTION.c.id.desc()).limit(1)
        )  # fmt: skip
        state = f", {rows[0]['verdict']} in entry {rows[0]['entry']}" if rows else ", in this run too"
        problems.append(Problem(
            WARNING, "near-serial", f"serial {serial} may be the part {other}{state}", serial=serial, holds=True,
            action=f"Look at the part, then: holeqc serial {serial} --same-as {other} --by WHO --reason TEXT (it is "
            f"recorded as {other} from then on), or --not {other} if they are two parts",
        ))  # fmt: skip
    count = "a serial number is" if len(pairs) == 1 else f"{len(pairs)} serial numbers are"
    raise LedgerError(f"nothing was recorded: {count} nearly the same as another on record", problems)


def _with_serials(inspection: Inspection, rename: Mapping[str, str]) -> Inspection:
    from holeqc.inspection.recheck import inspect

    readings = inspection.readings
    rows = readings.rows.with_columns(serial=readings.rows["serial"].renamed(rename))
    problems = tuple(replace(p, serial=rename.get(p.serial, p.serial)) for p in readings.problems)
    notes = tuple(
        Problem("note", "serial-answered", f"serial {one} is {other}, as was answered before", serial=other)
        for one, other in rename.items()
    )
    return inspect(inspection.specification, replace(readings, rows=rows, problems=(*problems, *notes)))


# ------------------------------------------------------------------------------------------------------------ marks


def _mixed(numbers: NDArray[np.uint64]) -> NDArray[np.uint64]:
    x = numbers.copy()
    with np.errstate(over="ignore"):
        for shift in (33, 29, 32):
            x ^= x >> np.uint64(shift)
            x *= _MIX
    return x ^ (x >> np.uint64(31))


def _direction(degrees: float) -> str:
    return f"{round(1000 * degrees) / 1000:g}"


def _number(text: str) -> int:
    return int.from_bytes(hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()[:8], "little")


@dataclass(frozen=True)
class Lengths:
    """The lengths of some reading sets: ``owner`` (n,) number of the set from 0, ``cell`` (n,) number of what is read
    in ``cells`` (hole, wall, characteristic, direction, trial), ``value`` (n,) in the kit's unit, ``row`` (n,) its
    place in the table.
    """

    owner: IntArray
    cell: IntArray
    cells: tuple[tuple[str, str, str, str, int], ...]
    value: NDArray[np.float64]
    row: IntArray

    @classmethod
    def of(cls, table: Table, owner: IntArray) -> Lengths:
        """Return the lengths of a table of readings; ``owner`` (n,) is -1 where a row counts for no set."""
        rows = np.flatnonzero(table["characteristic"].isin(FINE) & (owner >= 0) & ~np.isnan(table["value"]))
        texts = [table[name][rows] for name in ("hole", "wall", "characteristic")]
        numbers = [np.nan_to_num(table["direction"][rows], nan=-1.0), table["trial"][rows]]
        cell, first = np.zeros(rows.size, dtype=np.int64), np.empty(0, dtype=np.int64)
        for values in (*(text.codes for text in texts), np.rint(1000 * numbers[0]), numbers[1]):
            part = values.astype(np.int64) - int(values.min(initial=0))
            cell, first = numbered(cell * (int(part.max(initial=0)) + 1) + part)
        said = zip(*(column[first].tolist() for column in (*texts, *numbers)), strict=True)
        names = tuple((*some, _direction(direction), trial) for *some, direction, trial in said)
        return cls(owner[rows], cell, names, table["value"][rows], rows)

    @cached_property
    def of_owner(self) -> dict[int, IntArray]:
        """The places of each set's lengths."""
        owners, first = np.unique(self.owner[order := np.argsort(self.owner, kind="stable")], return_index=True)
        return dict(zip(owners.tolist(), np.split(order, first)[1:], strict=True))

    def marks(self, kit: str, unit: str) -> tuple[IntArray, IntArray]:
        """Return marks with the set that each belongs to, both (m,), in the order of sets."""
        if not self.owner.size:
            return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
        key = np.array([_number("|".join((kit, *map(str, cell)))) for cell in self.cells], dtype=np.uint64)
        typed = np.rint(self.value * STEPS[unit]).astype(np.int64).view(np.uint64)
        with np.errstate(over="ignore"):
            mark = _mixed(key[self.cell] + _mixed(typed))
        holes = Texts.of(cell[0] for cell in self.cells).codes
        columns = Texts.of(str(cell[1:]) for cell in self.cells).codes
        found = [self._summed(mark, group, least) for group, least in (
            (np.zeros_like(holes), SET_LEAST), (holes, BLOCK_LEAST), (columns, BLOCK_LEAST),
        )]  # fmt: skip
        owner, marks = np.concatenate(found, axis=1)
        order = np.lexsort((marks, owner))
        owner, marks = owner[order], marks[order]
        new = np.concatenate([[True], (np.diff(owner) != 0) | (np.diff(marks) != 0)])[: owner.size]
        return owner[new], marks[new]

    def _summed(self, mark: NDArray[np.uint64], group: NDArray[Any], least: int) -> IntArray:
        """Return set and sum of the marks of each ``group`` (cells,) of its lengths that is large enough (2, m)."""
        number, first = numbered(self.owner * (int(group.max()) + 1) + group[self.cell])
        total = np.zeros(first.size, dtype=np.uint64)
        np.add.at(total, number, mark)
        keep = np.bincount(number) >= least
        return np.stack([self.owner[first], _mixed(total).view(np.int64)])[:, keep]

    def cells_of(self, owner: int, table: Table) -> Cells:
        """Return what one set read: cell -> value, day, gauge."""
        mine = self.of_owner.get(owner, np.empty(0, dtype=np.int64))
        rows = self.row[mine]
        said = zip(self.value[mine].tolist(), days(table["date"][rows]), table["gauge"][rows], strict=True)
        return {self.cells[c]: (v, day or "", gauge) for c, (v, day, gauge) in zip(self.cell[mine].tolist(), said,
                                                                                  strict=True)}  # fmt: skip


def write_marks(writer: EntryWriter, kit: str, unit: str, table: Table, set_ids: IntArray) -> None:
    """Have an entry bring the marks of reading sets; ``set_ids`` (n,) is each reading's set, -1 for none."""
    of, marks = Lengths.of(table, set_ids).marks(kit, unit)
    if of.size:
        writer.add_columns(s.SET_MARK, {"set_id": of.tolist(), "mark": marks.tolist()})


# ----------------------------------------------------------------------------------------------------------- copies


def prepare(ledger: Ledger, inspection: Inspection) -> Inspection:
    """Return a run as it may be recorded: serial numbers as answered, and parts held whose readings are copies.

    Raises:
        LedgerError: a serial number is nearly another one and nobody has answered whether it is.
    """
    from holeqc.inspection.recheck import inspect

    with ledger.reading():
        inspection = _renamed(ledger, inspection)
        readings = inspection.readings
        said = {(p.code, p.part, p.serial) for p in readings.problems}
        found = [p for p in copies(ledger, inspection) if (p.code, p.part, p.serial) not in said]
    if not found:
        return inspection
    return inspect(inspection.specification, replace(readings, problems=(*readings.problems, *found)))


def copies(ledger: Ledger, inspection: Inspection) -> list[Problem]:
    """Return a problem for each part of a run whose lengths were on record already."""
    pieces = pieces_of(inspection)
    fresh = _fresh(ledger, inspection, pieces)
    new = Lengths.of(inspection.readings.rows, fresh)
    found = _held_before(ledger, inspection, pieces)
    found |= _own(ledger, inspection, pieces, [piece for piece in sorted(new.of_owner) if piece not in found], new)
    kit = storable(inspection.specification.id)
    unit = inspection.specification.unit
    for piece, sets in _candidates(ledger, pieces, new.marks(kit, unit)).items():
        if piece not in found:
            problem = _other(ledger, inspection, pieces, piece, (new, sets))
            if problem is not None:
                found[piece] = problem
    return [found[piece] for piece in sorted(found)]


def _held_before(ledger: Ledger, inspection: Inspection, pieces: Pieces) -> dict[int, Problem]:
    """Return what was said of copies when the same content was recorded before: piece -> problem."""
    number = {tuple(map(plain, name)): piece for piece, name in enumerate(pieces.names)}
    names = {source.sha256: source.file for source in inspection.readings.sources}
    digests, found, p = list(names), {}, s.PROBLEM.c
    for some in batches(digests):
        rows = ledger.rows(
            select(s.PROBLEM, s.FILE.c.digest).join(s.FILE, s.FILE.c.id == p.file_id)
            .join(s.SPECIFICATION, s.SPECIFICATION.c.id == s.FILE.c.specification_id)
            .where(p.code == COPIED, s.FILE.c.digest.in_(some))
            .where(s.SPECIFICATION.c.kit == plain(inspection.specification.id))
        )  # fmt: skip
        for row in rows:
            piece = number.get((row["part"], row["serial"]))
            if piece is not None:
                found[piece] = Problem(
                    str(row["severity"]), COPIED, str(row["message"]), part=pieces.names[piece][0],
                    serial=pieces.names[piece][1], file=names[str(row["digest"])], holds=True,
                    action=str(row["action"]),
                )  # fmt: skip
    return found


def files_on_record(ledger: Ledger, kit: str, sources: Sequence[Source]) -> set[str]:
    """Return the names of files whose content is on record under a kit already."""
    f, known = s.FILE.c, set[str]()
    for some in batches([source.sha256 for source in sources]):
        asked = select(f.digest).join(s.SPECIFICATION, s.SPECIFICATION.c.id == f.specification_id)
        rows = ledger.rows(asked.where(f.digest.in_(some), s.SPECIFICATION.c.kit == plain(kit)))
        known |= {str(row["digest"]) for row in rows}
    return {source.file for source in sources if source.sha256 in known}


def _fresh(ledger: Ledger, inspection: Inspection, pieces: Pieces) -> IntArray:
    """Return the piece of each reading, -1 for those of files whose content is on record under this kit already."""
    old = files_on_record(ledger, inspection.specification.id, inspection.readings.sources)
    return np.where(inspection.readings.rows["file"].isin(old), -1, pieces.of_reading)


def _recorded(ledger: Ledger, sets: Sequence[int]) -> dict[int, Cells]:
    """Return the lengths of recorded sets: set -> what was read -> value, day, gauge."""
    r = s.READING.c
    out: dict[int, Cells] = {}
    for some in batches(sets):
        asked = (
            select(r.set_id, r.hole, r.wall, r.characteristic, r.direction, r.trial, r.value, r.day, r.gauge)
            .where(r.set_id.in_(some), r.characteristic.in_(FINE), r.value.is_not(None))
        )  # fmt: skip
        for row in ledger.rows(asked):
            direction = -1.0 if row["direction"] is None else float(row["direction"])
            cell = (row["hole"], row["wall"], row["characteristic"], _direction(direction), row["trial"])
            out.setdefault(int(row["set_id"]), {})[cell] = (
                float(row["value"]), str(row["day"] or ""), str(row["gauge"])
            )  # fmt: skip
    return out


def _equal(one: float, other: float, unit: str) -> bool:
    """Return whether two lengths are the same to what a gauge shows, also where one was typed in the other unit."""
    return round(one * STEPS[unit]) == round(other * STEPS[unit])


def _own(
    ledger: Ledger, inspection: Inspection, pieces: Pieces, wanted: Sequence[int], new: Lengths
) -> dict[int, Problem]:  # fmt: skip
    """Return what is wrong where parts' lengths equal their own of another day or gauge."""
    sets, f, spec = s.READING_SET.c, s.FILE.c, inspection.specification
    number = {(plain(part), plain(serial)): piece for piece, (part, serial) in enumerate(pieces.names)}
    found: dict[int, Problem] = {}
    for some in batches(wanted):
        asked = (
            select(sets.id, sets.part, sets.serial, f.name, f.entry).join(s.FILE, f.id == sets.file_id)
            .join(s.SPECIFICATION, s.SPECIFICATION.c.id == f.specification_id)
            .where(sets.serial.in_([plain(pieces.names[piece][1]) for piece in some]))
            .where(s.SPECIFICATION.c.kit == plain(spec.id)).order_by(sets.id.desc())
        )  # fmt: skip
        mine: dict[int, list[dict[str, Any]]] = {piece: [] for piece in some}
        for row in ledger.rows(asked):
            piece = number.get((row["part"], row["serial"]), -1)
            if piece in mine and len(mine[piece]) < SAMPLE:
                mine[piece].append(row)
        for part in batches([(piece, row) for piece, rows in mine.items() for row in rows]):
            recorded = _recorded(ledger, [int(row["id"]) for _, row in part])
            now = {piece: new.cells_of(piece, inspection.readings.rows) for piece in dict(part)}
            for piece, row in part:
                why = _not_read_again(spec, row, recorded.get(int(row["id"]), {}), now[piece])
                if why and piece not in found:
                    found[piece] = _problem(inspection, pieces, piece, new, why)
    return found


def _not_read_again(spec: Specification, row: Mapping[str, Any], before: Cells, now: Cells) -> str:
    """Return what says that lengths equal those of a set on record of the same part, '' where they were read again."""
    gauges = {gauge.id for gauge in spec.gauges}
    both = [cell for cell in now if cell in before]
    same = [cell for cell in both if _equal(now[cell][0], before[cell][0], spec.unit)]
    if len(both) < OWN_LEAST or len(same) < OWN_SHARE * len(both):
        return ""
    dated = [(before[c][1], now[c][1]) for c in same if before[c][1] and now[c][1] and before[c][1] != now[c][1]]
    other = [(before[c][2], now[c][2]) for c in same if before[c][2] != now[c][2]
             and {before[c][2], now[c][2]} <= gauges]  # fmt: skip
    if not dated and not other:
        return ""
    what = f"of {dated[0][0]}, under {dated[0][1]}" if dated else f"of gauge {other[0][0]}, under {other[0][1]}"
    return f"{_count(same, both)} equal its own on record (entry {row['entry']}, {row['name']}) {what}: not read again"


def _count(same: Sequence[object], both: Sequence[object]) -> str:
    return f"all {len(both)} lengths" if len(same) == len(both) else f"{len(same)} of {len(both)} lengths"


def _problem(inspection: Inspection, pieces: Pieces, piece: int, new: Lengths, message: str) -> Problem:
    part, serial = pieces.names[piece]
    file = inspection.readings.rows["file"][new.row[new.of_owner[piece][0]]]
    return Problem(
        WARNING, COPIED, message, part=part, serial=serial, file=file, holds=True,
        action="Measure this part and record what the gauge shows",
    )  # fmt: skip


def _candidates(ledger: Ledger, pieces: Pieces, given: tuple[IntArray, IntArray]) -> dict[int, list[int]]:
    """Return the recorded sets of other parts that share most marks with each piece: piece -> sets, the best first."""
    of, marks = given
    by_mark: dict[int, list[int]] = {}
    shared: dict[int, dict[int, int]] = {}
    sets = s.READING_SET.c
    known = _known_marks(ledger, marks)
    again = np.isin(marks, known[:, 1])
    for piece, mark in zip(of[again].tolist(), marks[again].tolist(), strict=True):
        by_mark.setdefault(mark, []).append(piece)
    names: dict[int, tuple[str, str]] = {}
    for some in batches(np.unique(known[:, 0]).tolist()):
        asked = select(sets.id, sets.part, sets.serial).where(sets.id.in_(some))
        names |= {int(row["id"]): (row["part"], row["serial"]) for row in ledger.rows(asked)}
    for number, mark in known.tolist():
        for piece in by_mark[mark]:
            if tuple(map(plain, pieces.names[piece])) != names[number]:
                found = shared.setdefault(piece, {})
                found[number] = found.get(number, 0) + 1
    return {
        piece: sorted(found, key=lambda number: (-found[number], -number))[:CANDIDATES]
        for piece, found in shared.items()
    }  # fmt: skip


def _known_marks(ledger: Ledger, marks: IntArray) -> IntArray:
    """Return set and mark (m, 2) of what is on record of some marks; one walk where they are many of all that are."""
    m = s.SET_MARK.c
    wanted = np.unique(marks)
    last = int(ledger.rows(select(func.max(m.id).label("last")))[0]["last"] or 0)
    asked = select(m.set_id, m.mark)
    few = [asked.where(m.mark.in_(some)) for some in batches(wanted.tolist())] if last > 4 * wanted.size else [asked]
    with ledger.reading() as connection:
        found = [
            np.array(rows, dtype=np.int64).reshape(-1, 2) for one in few
            for rows in connection.execute(one, execution_options={"yield_per": 5000}).partitions()
        ] if last else []  # fmt: skip
    both = np.concatenate([np.empty((0, 2), dtype=np.int64), *found])
    return both[np.isin(both[:, 1], wanted)]


def _other(
    ledger: Ledger, inspection: Inspection, pieces: Pieces, piece: int, given: tuple[Lengths, Sequence[int]]
) -> Problem | None:
    """Return what is wrong where a part's lengths equal those of another part and chance can't explain it."""
    new, sets = given
    now = {cell: said[0] for cell, said in new.cells_of(piece, inspection.readings.rows).items()}
    recorded = _recorded(ledger, sets)
    for number in sets:
        before = recorded.get(number, {})
        both = [cell for cell in now if cell in before]
        same = [cell for cell in both if _equal(now[cell], before[cell][0], inspection.specification.unit)]
        if len(same) < SET_LEAST or len(same) < OTHER_SHARE * len(both):
            continue
        if len({round(now[cell] * STEPS[inspection.specification.unit]) for cell in same}) < DISTINCT_LEAST:
            continue
        if not _beyond_chance(ledger, inspection, now, (both, same), {number}):
            continue
        sets_, f = s.READING_SET.c, s.FILE.c
        row = ledger.rows(
            select(sets_.part, sets_.serial, f.name, f.entry).join(s.FILE, f.id == sets_.file_id)
            .where(sets_.id == number)
        )[0]  # fmt: skip
        name = " ".join(str(row[key]) for key in ("part", "serial") if row[key])
        return _problem(
            inspection, pieces, piece, new,
            f"{_count(same, both)} equal those of {name} on record (entry {row['entry']}, {row['name']}): likely "
            "copied",
        )  # fmt: skip
    return None


def _beyond_chance(
    ledger: Ledger, inspection: Inspection, now: Mapping[Any, float], given: tuple[list[Any], list[Any]],
    without: set[int],
) -> bool:  # fmt: skip
    """Return whether so many equal lengths are more than chance gives in the whole record.

    How often a value comes is taken from other sets of the kit. Readings of a part err together, so not the whole sum
    of logarithms counts. Whichever cells agree is allowed for by their number of choices.
    """
    both, same = given
    sets = s.READING_SET.c
    of_kit = (
        select(sets.id).join(s.FILE, s.FILE.c.id == sets.file_id)
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == s.FILE.c.specification_id)
        .where(s.SPECIFICATION.c.kit == plain(inspection.specification.id))
    )  # fmt: skip
    others = [int(row["id"]) for row in ledger.rows(of_kit.order_by(sets.id.desc()).limit(SAMPLE + 1))]
    sample = _recorded(ledger, [number for number in others if number not in without][:SAMPLE])
    if len(sample) < FEW and len(same) == len(both):
        return True
    logs, unit = 0.0, inspection.specification.unit
    for cell in same:
        there = [cells[cell][0] for cells in sample.values() if cell in cells]
        logs += math.log((1 + sum(_equal(now[cell], value, unit) for value in there)) / (2 + len(there)))
    ways = math.lgamma(len(both) + 1) - math.lgamma(len(same) + 1) - math.lgamma(len(both) - len(same) + 1)
    count = ledger.rows(select(func.count().label("number")).select_from(of_kit.subquery()))[0]["number"]
    return TOGETHER * logs + ways + math.log(max(1, int(count))) < math.log(BY_CHANCE)


# ----------------------------------------------------------------------------------- ledgers made before version 2


def index_all(transaction: Transaction, writer: EntryWriter) -> None:
    """Have an entry bring serial numbers and marks of everything that is on record."""
    connection = transaction.connection
    serials = select(s.INSPECTION.c.serial).distinct().union(select(s.READING_SET.c.serial).distinct())
    write_serials(transaction, writer, (str(row[0]) for row in connection.execute(serials)))
    last = int(connection.execute(select(func.max(s.READING_SET.c.id))).scalar() or 0)
    for table, ids in _all_sets(transaction, last):
        for (kit, unit), places in table.groups("kit", "unit").items():
            write_marks(writer, kit, unit, table.take(places), ids[places])


def _all_sets(transaction: Transaction, last: int, step: int = 500) -> Iterator[tuple[Table, IntArray]]:
    r, sets = s.READING.c, s.READING_SET.c
    texts, numbers = ("kit", "unit", "hole", "wall", "characteristic"), ("direction", "value")
    for start in range(0, last, step):
        rows = transaction.connection.execute(
            select(s.SPECIFICATION.c.kit, s.SPECIFICATION.c.unit, r.hole, r.wall, r.characteristic, r.direction,
                   r.value, r.trial, r.set_id)
            .join(s.READING_SET, sets.id == r.set_id).join(s.FILE, s.FILE.c.id == sets.file_id)
            .join(s.SPECIFICATION, s.SPECIFICATION.c.id == s.FILE.c.specification_id)
            .where(and_(r.set_id > start, r.set_id <= start + step)).order_by(r.set_id, r.line)
        ).all()  # fmt: skip
        if rows:
            *said, trial, ids = zip(*rows, strict=True)
            columns: dict[str, Any] = {name: Texts.of(values) for name, values in zip(texts, said, strict=False)}
            columns |= {n: np.array(v, dtype=np.float64) for n, v in zip(numbers, said[len(texts):], strict=True)}
            yield Table({**columns, "trial": np.array(trial)}), np.array(ids, dtype=np.int64)
