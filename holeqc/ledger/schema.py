"""The tables of the ledger, version 3, the same on SQLite and PostgreSQL.

`entry` is the spine: one row an act, numbered without a gap, each with the hash of the one before. Every other row was
brought by an entry: directly (column ``entry``) or through its parent (``Table.info["parent"]``). Texts that are not
there are '', numbers and days that are not there NULL. Times are ISO 8601 in UTC with microseconds, days
``2026-05-04``. Lengths are in the unit of the specification.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Double,
    Float,
    ForeignKey,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
)
from sqlalchemy.schema import SchemaItem
from sqlalchemy.types import REAL, TypeEngine

from holeqc.ledger.canonical import NUMBER, TEXT, WHOLE

VERSION = 3  #: of the tables below; see `holeqc.ledger.migrations`

VERDICTS = ("accept", "hold", "reject")
TAG_EVENTS = ("opened", "dispositioned", "reworked", "re-inspected", "closed")
DISPOSITIONS = ("rework", "repair", "use-as-is", "scrap", "return")
STAGES = ("reading", "judging")
CALIBRATION_RESULTS = ("in tolerance", "out of tolerance")
FIXTURE_EVENTS = (
    "made", "checked", "bushing changed", "repaired", "moved", "clamped out of seat", "suspect", "retired",
)  # fmt: skip

RELEASE_ACTS = ("proposed", "released")
PERSON_ACTS = ("added", "key", "removed")

METADATA = MetaData()

_ID: TypeEngine = BigInteger().with_variant(Integer(), "sqlite")
_REAL: TypeEngine = Double().with_variant(REAL(), "sqlite")


def _key() -> Column:
    return Column("id", _ID, primary_key=True, autoincrement=False)


def _entry() -> Column:
    # Deferred: an entry's row is written last, when the digest of what it brings is known.
    return Column(
        "entry", _ID, ForeignKey("entry.seq", deferrable=True, initially="DEFERRED"), nullable=False, index=True
    )  # fmt: skip


def _texts(*names: str) -> list[Column]:
    return [Column(name, Text, nullable=False, server_default="") for name in names]


def _numbers(*names: str) -> list[Column]:
    return [Column(name, _REAL) for name in names]


def _days(*names: str) -> list[Column]:
    return [Column(name, Text) for name in names]


def _to(name: str, target: str, *, nullable: bool = False, index: bool = False) -> Column:
    return Column(name, _ID, ForeignKey(target), nullable=nullable, index=index)


def _one_of(name: str, words: tuple[str, ...], *, empty: bool = False) -> CheckConstraint:
    listed = ", ".join(f"'{w}'" for w in (("", *words) if empty else words))
    return CheckConstraint(f"{name} IN ({listed})")


def _table(name: str, *items: SchemaItem, rowid: bool = True, parent: tuple[str, str] | None = None) -> Table:
    info = {} if parent is None else {"parent": parent}
    return Table(name, METADATA, *items, sqlite_strict=True, sqlite_with_rowid=rowid, info=info)


def _child(name: str, parent: tuple[str, str], *items: SchemaItem) -> Table:
    """Return a table whose rows belong to a row of another: ``line`` counts them from 0."""
    table, column = parent
    return _table(
        name, _to(column, f"{table}.id"), Column("line", Integer, nullable=False), *items,
        PrimaryKeyConstraint(column, "line"), rowid=False, parent=parent,
    )  # fmt: skip


LEDGER_VERSION = _table(
    "ledger_version",
    Column("version", Integer, primary_key=True, autoincrement=False),
    *_texts("at", "tool"),
)

ENTRY = _table(
    "entry",
    Column("seq", _ID, primary_key=True, autoincrement=False),
    *_texts("kind", "at"),
    Column("offset_minutes", Integer, nullable=False),
    *_texts("made_by", "tool"),
    _to("replaces", "entry.seq", nullable=True),
    *_texts("reason", "payload", "previous", "hash"),
    UniqueConstraint("hash"),
)

SPECIFICATION = _table(
    "specification", _key(), _entry(),
    *_texts("kit", "revision", "unit", "digest", "title", "drawing", "fixture", "rule", "name", "content"),
    Column("two_person", Integer, nullable=False),
    UniqueConstraint("kit", "revision", "digest"),
)  # fmt: skip

#: ``name`` as given, ``base`` without its folder; ``replaces``: the file that it takes the place of
FILE = _table(
    "file", _key(), _entry(), _to("specification_id", "specification.id", index=True),
    *_texts("name"), Column("base", Text, nullable=False, index=True),
    Column("digest", Text, nullable=False, index=True), Column("bytes", _ID, nullable=False),
    Column("readings", _ID, nullable=False), _to("replaces", "file.id", nullable=True), UniqueConstraint("replaces"),
)  # fmt: skip

#: what one file says of one part; ``part_said`` 0 where the file names no part and the kit has one only
READING_SET = _table(
    "reading_set", _key(), _entry(), _to("file_id", "file.id", index=True),
    *_texts("part"), Column("part_said", Integer, nullable=False), Column("serial", Text, nullable=False, index=True),
    Column("readings", Integer, nullable=False), *_days("first_day", "last_day"),
)  # fmt: skip

#: ``line`` is the place in the file's table of readings, from 0
READING = _child(
    "reading", ("reading_set", "set_id"),
    *_texts("hole", "wall", "characteristic"), *_numbers("direction"), Column("trial", Integer, nullable=False),
    *_numbers("value"), *_texts("word", "typed", "unit", "gauge"), *_numbers("temperature_c"), *_days("day"),
    *_texts("read_by", "note", "sheet"), Column("row_no", Integer, nullable=False),
    Column("column_no", Integer, nullable=False), *_texts("doubt"),
)  # fmt: skip

#: the verdict of one part in one run; ``follows`` names the inspection of the same part before it
INSPECTION = _table(
    "inspection", _key(), _entry(), _to("specification_id", "specification.id", index=True),
    *_texts("part"), Column("serial", Text, nullable=False, index=True), *_texts("verdict"),
    _to("follows", "inspection.id", nullable=True, index=True),
    *_texts("rule", "fixture", "pin_verdict"),
    *_numbers("pin_margin", "pin_uncertainty", "pin_rotation", "pin_dx", "pin_dy",
              "shift_x", "shift_y", "shift_rotation"),
    Column("readings", Integer, nullable=False), *_days("first_day", "last_day"),
    _one_of("verdict", VERDICTS), _one_of("pin_verdict", VERDICTS, empty=True),
)  # fmt: skip

#: the reading sets that an inspection rests on
INSPECTION_SET = _child("inspection_set", ("inspection", "inspection_id"), _to("set_id", "reading_set.id", index=True))

HOLE_VERDICT = _child(
    "hole_verdict", ("inspection", "inspection_id"),
    *_texts("hole", "verdict"), *_numbers("mating_size"), *_texts("mating_from"),
    *_numbers("smallest", "largest", "dx", "dy"), *_texts("rework"), *_numbers("ream_to"),
    _one_of("verdict", VERDICTS),
)  # fmt: skip

#: each characteristic that is not accepted; ``set_id`` and ``reading_line`` name the reading that decides
CHARACTERISTIC_VERDICT = _child(
    "characteristic_verdict", ("inspection", "inspection_id"),
    *_texts("hole", "wall", "characteristic"), *_numbers("found"), *_texts("found_word"),
    *_numbers("lower", "upper", "stated", "bonus", "deviation", "margin", "uncertainty", "ratio", "probability"),
    *_texts("verdict", "cause"), Column("set_id", _ID), Column("reading_line", Integer),
    _one_of("verdict", VERDICTS),
)  # fmt: skip

#: what a person must look at, met while reading or judging
PROBLEM = _table(
    "problem", _key(), _entry(), _to("specification_id", "specification.id"), *_texts("stage", "severity", "code"),
    *_texts("message", "found", "allowed", "action", "file", "sheet", "cell", "place", "part"),
    Column("serial", Text, nullable=False, index=True), *_texts("hole", "wall"),
    Column("holds", Integer, nullable=False), _to("file_id", "file.id", nullable=True, index=True),
    _one_of("stage", STAGES),
)  # fmt: skip

#: ``number`` and ``printed``: its code, ``content`` the tag as JSON; of older versions T- and the id in six digits, the
#: number on the report's tag, and that tag with its lines in words
TAG = _table(
    "tag", _key(), _entry(), _to("inspection_id", "inspection.id", index=True), *_texts("number", "printed", "part"),
    Column("serial", Text, nullable=False, index=True), *_texts("hole", "wall", "verdict", "decide", "content"),
    UniqueConstraint("number"), _one_of("verdict", VERDICTS),
)  # fmt: skip

TAG_EVENT = _table(
    "tag_event", _key(), _entry(), _to("tag_id", "tag.id", index=True),
    *_texts("event", "disposition", "authority", "role", "note"),
    _to("inspection_id", "inspection.id", nullable=True),
    _one_of("event", TAG_EVENTS), _one_of("disposition", DISPOSITIONS, empty=True),
)  # fmt: skip

APPROVAL = _table(
    "approval", _key(), _entry(), _to("inspection_id", "inspection.id", index=True), *_texts("role", "note")
)  # fmt: skip

#: an approval taken back; the reason stands in the entry
WITHDRAWAL = _table("withdrawal", _key(), _entry(), _to("approval_id", "approval.id"), UniqueConstraint("approval_id"))

GAUGE_CALIBRATION = _table(
    "gauge_calibration", _key(), _entry(), Column("gauge", Text, nullable=False, index=True), *_texts("result"),
    Column("day", Text, nullable=False), *_days("due"), *_numbers("error", "uncertainty"), *_texts("unit"),
    *_texts("certificate", "note"), _one_of("result", CALIBRATION_RESULTS),
)  # fmt: skip

FIXTURE_EVENT = _table(
    "fixture_event", _key(), _entry(), Column("fixture", Text, nullable=False, index=True), *_texts("event"),
    Column("day", Text, nullable=False), *_texts("bushing"), Column("good", Integer), *_texts("note"),
    _one_of("event", FIXTURE_EVENTS),
)  # fmt: skip

# ------------------------------------------------------------------------------------------- since version 2

#: a kit's text proposed by one person and released by another
KIT_RELEASE = _table(
    "kit_release", _key(), _entry(), _to("specification_id", "specification.id", index=True), *_texts("act", "note"),
    _one_of("act", RELEASE_ACTS),
)  # fmt: skip

#: each spelling of a serial number, and what is left of it without case, dashes and the like
SERIAL = _table(
    "serial", _key(), _entry(), Column("serial", Text, nullable=False, index=True),
    Column("folded", Text, nullable=False, index=True),
)  # fmt: skip

#: what a person said of two serial numbers: one part (``same`` 1) or two; kit and part '' where any is meant
SERIAL_ANSWER = _table(
    "serial_answer", _key(), _entry(), Column("serial", Text, nullable=False, index=True),
    Column("other", Text, nullable=False, index=True), *_texts("kit", "part", "other_kit", "other_part"),
    Column("same", Integer, nullable=False),
)  # fmt: skip

#: numbers made of groups of a set's lengths, by which another part's readings are found again
SET_MARK = _table(
    "set_mark", _key(), _entry(), _to("set_id", "reading_set.id"), Column("mark", _ID, nullable=False, index=True)
)  # fmt: skip

SETTING = _table("setting", _key(), _entry(), *_texts("name", "value"))

#: who may write; ``folded``: the name without small differences of typing; ``public_key`` in hexadecimal digits
PERSON = _table(
    "person", _key(), _entry(), *_texts("name"), Column("folded", Text, nullable=False, index=True),
    *_texts("act", "role", "public_key"), _one_of("act", PERSON_ACTS),
)  # fmt: skip

#: an Ed25519 signature over ``statement``; key and signature in hexadecimal digits
SIGNATURE = _table("signature", _key(), _entry(), *_texts("person", "public_key", "statement", "signature"))

#: an approval was in question because of a calibration, and an inspector closed the question
QUESTION_CLOSED = _table(
    "question_closed", _key(), _entry(), _to("approval_id", "approval.id", index=True),
    _to("calibration_id", "gauge_calibration.id"), *_texts("note"),
)  # fmt: skip

#: rows of `LEDGER_VERSION` as they were, so that the digests cover them
VERSION_KNOWN = _table(
    "version_known", _key(), _entry(), Column("version", Integer, nullable=False), *_texts("at", "tool")
)  # fmt: skip

# ------------------------------------------------------------------------------------------- since version 3

#: an inspection that joins a recheck (``set_id``) with the readings of the one before; ``said`` what it is a recheck of
RECHECK = _table(
    "recheck", _key(), _entry(), _to("inspection_id", "inspection.id", index=True), _to("of_id", "inspection.id"),
    _to("set_id", "reading_set.id", index=True), *_texts("said"),
)  # fmt: skip

#: readings of an inspection's sets that don't count in it
LEFT_OUT = _child(
    "left_out", ("inspection", "inspection_id"), _to("set_id", "reading_set.id"),
    Column("reading_line", Integer, nullable=False),
)  # fmt: skip

#: problems of an inspection's files that a recheck has answered
ANSWERED = _child("answered", ("inspection", "inspection_id"), _to("problem_id", "problem.id"))

#: tables that entries bring rows to, in the order in which an entry's payload is digested and its rows are written
DETAILS: tuple[Table, ...] = (
    SPECIFICATION, FILE, READING_SET, READING, INSPECTION, INSPECTION_SET, HOLE_VERDICT, CHARACTERISTIC_VERDICT,
    PROBLEM, TAG, TAG_EVENT, APPROVAL, WITHDRAWAL, GAUGE_CALIBRATION, FIXTURE_EVENT,
    KIT_RELEASE, SERIAL, SERIAL_ANSWER, SET_MARK, SETTING, PERSON, SIGNATURE, QUESTION_CLOSED,
    RECHECK, LEFT_OUT, ANSWERED, VERSION_KNOWN,
)  # fmt: skip
TABLES: tuple[Table, ...] = (LEDGER_VERSION, ENTRY, *DETAILS)
_NEWER = (RECHECK, LEFT_OUT, ANSWERED)
#: version -> tables that it brought
SINCE: dict[int, tuple[Table, ...]] = {
    2: tuple(table for table in DETAILS[DETAILS.index(KIT_RELEASE):] if table not in _NEWER), 3: _NEWER,
}  # fmt: skip


def tables_of(version: int) -> tuple[Table, ...]:
    """Return the tables that a ledger of a version has."""
    later = {table.name for since, tables in SINCE.items() if since > version for table in tables}
    return tuple(table for table in TABLES if table.name not in later)


def kinds_of(table: Table) -> dict[str, str]:
    """Return the kind of each column as digests know it: `canonical.WHOLE`, `NUMBER` or `TEXT`."""
    return {
        c.name: TEXT if isinstance(c.type, Text) else NUMBER if isinstance(c.type, Float) else WHOLE
        for c in table.columns
    }  # fmt: skip


def parent_of(table: Table) -> tuple[Table, str] | None:
    """Return the table that a detail's rows belong to and the column that names it; None where ``entry`` does."""
    parent = table.info.get("parent")
    return None if parent is None else (METADATA.tables[parent[0]], parent[1])
