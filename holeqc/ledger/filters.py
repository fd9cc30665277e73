"""What is wanted from the ledger: one small record, and the conditions that it makes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import and_, func, or_, select

from holeqc.inspection.results import CAUSES, CHARACTERISTICS
from holeqc.ledger import schema as s
from holeqc.ledger.values import plain
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement

MEASURED = ("all", "first", "last")
TAGS = ("open", "closed", "none", *s.DISPOSITIONS)  #: of any tag of the part; a disposition is the one in force
PINS = "pins"
DEFECTS = (*CHARACTERISTICS, PINS, *CAUSES[1:])


@dataclass(frozen=True, slots=True)
class Filter:
    """Which parts and readings are wanted; what is empty or None doesn't limit.

    ``since`` and ``until`` are days of reading, both included. ``measured``: of a part that was measured more than
    once, all files, the first or the last. ``replaced``: also files that a newer revision took the place of.
    ``rechecks``: also what was read again of a part that was mended. ``verdict``: of the part's newest inspection. Of
    parts alone: ``by`` who logged it or read it, ``defect`` a characteristic that it isn't accepted in, or the cause,
    ``tag`` one of `TAGS`.
    """

    kit: str = ""
    revision: str = ""
    part: str = ""
    serials: tuple[str, ...] = ()
    fixture: str = ""
    verdict: str = ""
    since: dt.date | None = None
    until: dt.date | None = None
    holes: tuple[str, ...] = ()
    walls: tuple[str, ...] = ()
    characteristics: tuple[str, ...] = ()
    gauge: str = ""
    measured: str = "all"
    replaced: bool = False
    rechecks: bool = False
    by: str = ""
    defect: str = ""
    tag: str = ""

    def __post_init__(self) -> None:
        """Refuse words that nothing can match."""
        if self.verdict and self.verdict not in s.VERDICTS:
            raise LedgerError(f"verdict {self.verdict!r} is none; verdicts are {', '.join(s.VERDICTS)}")
        if self.measured not in MEASURED:
            raise LedgerError(f"measured {self.measured!r} is not known; give {', '.join(MEASURED)}")
        if self.tag and self.tag not in TAGS:
            raise LedgerError(f"tag {self.tag!r} is not known; give {', '.join(TAGS)}")
        if self.defect and self.defect not in DEFECTS:
            raise LedgerError(f"defect {self.defect!r} is not known; give {', '.join(DEFECTS)}")
        refuse_turned(self.since, self.until)


def refuse_turned(since: dt.date | None, until: dt.date | None) -> None:
    """Refuse a span of days that ends before it begins.

    Raises:
        LedgerError: it does.
    """
    if since is not None and until is not None and since > until:
        raise LedgerError(f"--since {since} comes after --until {until}: no day lies between; turn them round")


def same_name(column: ColumnElement[str], name: str) -> ColumnElement[bool]:
    """Return the condition that a name is another's, small or capital letters alike."""
    return func.lower(column) == func.lower(plain(name))


def specification_conditions(wanted: Filter) -> list[ColumnElement[bool]]:
    """Return the conditions on the kit's text."""
    table = s.SPECIFICATION.c
    pairs = ((table.kit, wanted.kit), (table.revision, wanted.revision))
    out: list[ColumnElement[bool]] = [column == plain(value) for column, value in pairs if value]
    return [*out, same_name(table.fixture, wanted.fixture)] if wanted.fixture else out


def units_of(wanted: Filter) -> Any:
    """Return the question for kit, revision and unit of the kit texts that are wanted."""
    table = s.SPECIFICATION.c
    question = select(table.kit, table.revision, table.unit).where(*specification_conditions(wanted))
    return question.distinct().order_by(table.kit, table.revision)


def set_conditions(wanted: Filter) -> list[ColumnElement[bool]]:
    """Return the conditions on reading sets; the question must join `FILE` and `SPECIFICATION`."""
    out = specification_conditions(wanted)
    sets = s.READING_SET.c
    if wanted.serials:
        out.append(sets.serial.in_([plain(x) for x in wanted.serials]))
    if wanted.part:
        out.append(sets.part == plain(wanted.part))
    if wanted.since is not None:
        out.append(sets.last_day >= wanted.since.isoformat())
    if wanted.until is not None:
        out.append(sets.first_day <= wanted.until.isoformat())
    if not wanted.replaced:
        out.append(not_replaced(wanted))
    if not wanted.rechecks:
        out.append(~select(s.RECHECK.c.id).where(s.RECHECK.c.set_id == sets.id).exists())
    if wanted.verdict:
        newest = (
            select(s.INSPECTION_SET.c.set_id)
            .join(s.INSPECTION)
            .where(s.INSPECTION.c.verdict == wanted.verdict, newest_inspection())
        )
        out.append(or_(sets.id.in_(newest), _goes_on(wanted.verdict)))
    return out


def _goes_on(verdict: str) -> ColumnElement[bool]:
    """Return the condition that nothing was judged from a set, since it says of its part what a replaced file said, on
    which the part's newest inspection rests.
    """
    rests, i, old, file = s.INSPECTION_SET.alias("rests"), s.INSPECTION.alias("judged"), s.READING_SET.alias("old"), (
        s.FILE.alias("old_file"))  # fmt: skip
    newer, later, text = s.FILE.alias("newer_file"), s.INSPECTION.alias("later_one"), s.SPECIFICATION.alias("old_text")
    mine = s.READING_SET.c
    judged = select(rests.c.line).where(rests.c.set_id == mine.id)
    there = (
        select(i.c.id).join(rests, rests.c.inspection_id == i.c.id).join(old, old.c.id == rests.c.set_id)
        .join(file, file.c.id == old.c.file_id).join(text, text.c.id == file.c.specification_id)
        .join(newer, newer.c.replaces == file.c.id)
        .where(i.c.verdict == verdict, i.c.part == mine.part, i.c.serial == mine.serial,
               text.c.kit == s.SPECIFICATION.c.kit)
        .where(~select(later.c.id).where(later.c.follows == i.c.id).exists())
    )  # fmt: skip
    return and_(~judged.exists(), there.exists())


def not_replaced(wanted: Filter) -> ColumnElement[bool]:
    """Return the condition that no newer revision of a file is there among the kit texts that are wanted."""
    newer, text = s.FILE.alias("newer"), s.SPECIFICATION.alias("newer_text")
    question = select(newer.c.id).join(text, text.c.id == newer.c.specification_id)
    question = question.where(newer.c.replaces == s.FILE.c.id)
    if wanted.revision:
        question = question.where(text.c.revision == plain(wanted.revision))
    if wanted.fixture:
        question = question.where(same_name(text.c.fixture, wanted.fixture))
    return ~question.exists()


def newest_inspection() -> ColumnElement[bool]:
    """Return the condition that no later inspection of the part names this one."""
    later = s.INSPECTION.alias("later")
    return ~select(later.c.id).where(later.c.follows == s.INSPECTION.c.id).exists()


def part_conditions(wanted: Filter) -> list[ColumnElement[bool]]:
    """Return the conditions on newest inspections of parts; the question must join `ENTRY` and `SPECIFICATION`."""
    i = s.INSPECTION.c
    out: list[ColumnElement[bool]] = [newest_inspection(), *specification_conditions(wanted)]
    out += [i.part == plain(wanted.part)] if wanted.part else []
    out += [i.serial.in_([plain(x) for x in wanted.serials])] if wanted.serials else []
    out += [i.verdict == wanted.verdict] if wanted.verdict else []
    out += [i.last_day >= wanted.since.isoformat()] if wanted.since is not None else []
    out += [i.first_day <= wanted.until.isoformat()] if wanted.until is not None else []
    if wanted.by:
        read = (
            select(s.READING.c.line)
            .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == s.READING.c.set_id)
            .where(s.INSPECTION_SET.c.inspection_id == i.id, same_name(s.READING.c.read_by, wanted.by))
        )
        out.append(or_(same_name(s.ENTRY.c.made_by, wanted.by), read.exists()))
    if wanted.defect == PINS:
        out.append(i.pin_verdict.in_(s.VERDICTS[1:]))
    elif wanted.defect:
        c = s.CHARACTERISTIC_VERDICT.c
        out.append(select(c.line).where(
            c.inspection_id == i.id, or_(c.characteristic == wanted.defect, c.cause == wanted.defect)
        ).exists())  # fmt: skip
    return out


def reading_conditions(wanted: Filter) -> list[ColumnElement[bool]]:
    """Return the conditions on single readings."""
    r = s.READING.c
    out: list[ColumnElement[bool]] = []
    for column, values in ((r.hole, wanted.holes), (r.wall, wanted.walls), (r.characteristic, wanted.characteristics)):
        if values:
            out.append(column.in_([plain(v) for v in values]))
    if wanted.gauge:
        out.append(r.gauge == plain(wanted.gauge))
    if wanted.since is not None:
        out.append(r.day >= wanted.since.isoformat())
    if wanted.until is not None:
        out.append(r.day <= wanted.until.isoformat())
    return out


def sets_of_inspections(ids: Sequence[int]) -> Any:
    """Return the question for the reading sets that some inspections rest on, in the order of recording."""
    return (
        _sets().join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == s.READING_SET.c.id)
        .where(s.INSPECTION_SET.c.inspection_id.in_(ids)).order_by(s.READING_SET.c.id)
    )  # fmt: skip


def _sets() -> Any:
    sets = s.READING_SET.c
    columns = (sets.id, sets.part, sets.part_said, sets.serial, sets.file_id, sets.readings)
    return (
        select(*columns, s.FILE.c.name, s.FILE.c.specification_id)
        .select_from(s.READING_SET)
        .join(s.FILE, s.FILE.c.id == sets.file_id)
        .join(s.SPECIFICATION, s.SPECIFICATION.c.id == s.FILE.c.specification_id)
    )


def wanted_sets(wanted: Filter) -> Any:
    """Return the question for the reading sets that are wanted, in the order in which they were recorded."""
    sets = s.READING_SET.c
    question = _sets().where(*set_conditions(wanted))
    if wanted.measured != "all":
        inner = question.add_columns(s.SPECIFICATION.c.kit).subquery()
        pick = func.min if wanted.measured == "first" else func.max
        of_part = (
            select(inner.c.kit, inner.c.part, inner.c.serial, pick(inner.c.file_id).label("file_id"))
            .group_by(inner.c.kit, inner.c.part, inner.c.serial)
            .subquery()
        )
        question = question.join(of_part, and_(
            of_part.c.kit == s.SPECIFICATION.c.kit, of_part.c.part == sets.part, of_part.c.serial == sets.serial,
            of_part.c.file_id == sets.file_id,
        ))  # fmt: skip
    return question.order_by(sets.id)
