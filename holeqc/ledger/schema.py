"""The tables of the ledger, version 3, on SQLite and PostgreSQL alike; how values, moments and digests are kept.

`entry` is the spine: one row an act, numbered without a gap, each with the hash of the one before. Every other row was
brought by an entry: directly (column ``entry``) or through its parent (``Table.info["parent"]``). Texts that are not
there are '', numbers and days that are not there NULL. Times are ISO 8601 in UTC with microseconds, days
``2026-05-04``. Lengths are in the unit of the specification.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray
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
    select,
)
from sqlalchemy.schema import SchemaItem
from sqlalchemy.types import REAL, TypeEngine

from holeqc.problems import LedgerError
from holeqc.tables import Texts

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement

    from holeqc.problems import Problem


# -------------------------------------------------------------------------------------------------------------- digests
# One way of writing rows and entries down as bytes, and their SHA-256: what the hash chain rests on.
#
# The payload digest of an entry is the SHA-256 over the rows that it brought: tables in the order of `schema.DETAILS`,
# rows in the order of their primary key, in blocks of at most `BLOCK` rows. A block is a line of JSON (ASCII, no
# spaces, ended by a line feed) ``[table, rows, [[column, kind], ...]]`` with the columns in the order of their names,
# then column after column: ``whole`` as 8 bytes each, two's complement, the lowest byte first, NULL as the smallest
# number; ``number`` as the 8 bytes of an IEEE 754 double, the lowest byte first, NULL as the quiet NaN
# 0x7FF8000000000000; ``text`` in UTF-8 with a zero byte between two rows (no text holds one), NULL as the byte 0xFF.
# The hash of an entry is the SHA-256 over the JSON list of its columns `HASHED`.


BLOCK = 4096  #: rows; part of the format, never to be changed
WHOLE, NUMBER, TEXT = "whole", "number", "text"
HASHED = (
    "seq", "kind", "at", "offset_minutes", "made_by", "tool", "replaces", "reason", "payload", "previous",
)  # fmt: skip
FIRST_PREVIOUS = "0" * 64  #: stands for the hash before the first entry

_NO_WHOLE = -(2**63)
_NO_TEXT = "\udcff"  #: becomes the byte 0xFF
_encode = json.JSONEncoder(ensure_ascii=True, separators=(",", ":")).encode


class PayloadDigest:
    """Digest of the rows that one entry brings; give tables in the order of the schema, rows in order of their key."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()
        self._table = ""
        self._columns: dict[str, str] = {}
        self._order: list[int] = []
        self._waiting: list[list[Any]] = []

    def add(self, table: str, columns: Mapping[str, str], values: Sequence[Sequence[Any]]) -> None:
        """Add rows of a table, given column by column, shape (columns, rows); ``columns``: name -> kind.

        Raises:
            TypeError, ValueError, OverflowError: a value is of another kind than its column.
        """
        if not values or not values[0]:
            return
        if table != self._table:
            self._flush()
            self._table, self._columns = table, dict(columns)
            names = list(columns)
            self._order = sorted(range(len(names)), key=names.__getitem__)
            self._waiting = [[] for _ in columns]
        for waiting, given in zip(self._waiting, values, strict=True):
            waiting.extend(given)
        size = len(self._waiting[0])
        start = 0
        while size - start >= BLOCK:
            self._block([column[start : start + BLOCK] for column in self._waiting])
            start += BLOCK
        if start:
            self._waiting = [column[start:] for column in self._waiting]

    def hexdigest(self) -> str:
        """Return the digest of everything that was added."""
        self._flush()
        return self._hash.hexdigest()

    def _flush(self) -> None:
        if self._waiting and self._waiting[0]:
            self._block(self._waiting)
        self._waiting = []
        self._table = ""

    def _block(self, values: list[list[Any]]) -> None:
        kinds = list(self._columns.items())
        head = [self._table, len(values[0]), [list(kinds[i]) for i in self._order]]
        self._hash.update(_encode(head).encode("ascii") + b"\n")
        for i in self._order:
            self._hash.update(column_bytes(kinds[i][1], values[i]))


def column_bytes(kind: str, values: list[Any]) -> bytes:
    """Return the values of a column as bytes, shape (rows,), as the page above says."""
    if kind == TEXT:
        texts = [_NO_TEXT if v is None else v for v in values] if None in values else values
        return "\0".join(texts).encode("utf-8", "surrogateescape")
    if kind == NUMBER:
        array = np.array(values, dtype="<f8")  # None becomes the quiet NaN
        if np.count_nonzero(np.isnan(array)) != values.count(None):
            raise ValueError("a stored number is NaN")
        return array.tobytes()
    numbers = [_NO_WHOLE if v is None else v for v in values] if None in values else values
    return np.array(numbers, dtype="<i8").tobytes()


def entry_hash(entry: Mapping[str, Any]) -> str:
    """Return the hash of an entry's row from its columns `HASHED`."""
    return hashlib.sha256(_encode([entry[name] for name in HASHED]).encode("ascii")).hexdigest()


def storable(text: str) -> str:
    """Return a text as both databases can keep it: NUL becomes its picture ␀, half of a surrogate pair its escape."""
    if "\x00" in text:
        text = text.replace("\x00", "␀")
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return text.encode("utf-8", "backslashreplace").decode("utf-8")
    return text


# --------------------------------------------------------------------------------------------------------------- values
# Values as both databases keep them and give them back the same: no NaN, no -0.0, no library's own numbers.


def plain(value: Any) -> Any:
    """Return one value as text, whole number, float or None; a bool becomes 0 or 1, a day its ISO text."""
    if value is None or isinstance(value, str):
        return None if value is None else storable(value)
    if isinstance(value, bool | np.bool_ | int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return None if math.isnan(value) else float(value) + 0.0  # -0.0 + 0.0 is 0.0
    if isinstance(value, dt.datetime):
        return value.date().isoformat()
    if isinstance(value, dt.date):
        return value.isoformat()
    return storable(str(value))


NAMED = 400  #: values that one question names: databases take a limited number
_T = TypeVar("_T")


def batches(items: Sequence[_T]) -> Iterator[list[_T]]:
    """Give values in runs of as many as one question names."""
    for start in range(0, len(items), NAMED):
        yield list(items[start : start + NAMED])


#: beside all control characters: what ends a line, and what turns the direction of writing
_FORGING = frozenset("\u2028\u2029\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def one_line(text: str, what: str, *, tabs: bool = False) -> str:
    """Return a text that a person typed, as it is; ``tabs``: tabs may stand in it.

    Raises:
        LedgerError: it holds a line break, a control character, or one that turns the direction of writing: printed,
            it could pass for something that nobody recorded.
    """
    for place, sign in enumerate(text, 1):
        if (unicodedata.category(sign) == "Cc" and not (tabs and sign == "\t")) or sign in _FORGING:
            kind = "a line break" if sign in "\n\r\x0b\x0c\x85\u2028\u2029" else "a control character"
            raise LedgerError(
                f"{what}: {kind} (U+{ord(sign):04X}) stands at character {place} of {text!r}; write it in one line of "
                "plain text; nothing was recorded"
            )
    return text


class Stored:
    """A column of a table, ready to give any of its rows as a list of stored values."""

    def __init__(self, column: NDArray[Any] | Texts) -> None:
        self._values = column.codes if isinstance(column, Texts) else column
        self._texts = [storable(name) for name in column.names] if isinstance(column, Texts) else None

    def rows(self, chosen: NDArray[np.int64] | slice = slice(None)) -> list[Any]:
        """Return the values of some rows."""
        values = self._values[chosen]
        if self._texts is not None:
            return list(map(self._texts.__getitem__, values.tolist()))
        if values.dtype.kind == "f":
            return floats(values)
        if values.dtype.kind == "M":
            return days(values)
        return [int(v) for v in values.tolist()] if values.dtype.kind == "b" else list(values.tolist())


def floats(values: np.ndarray) -> list[float | None]:
    """Return numbers (n,) as a list, None for NaN."""
    out = values.astype(np.float64) + 0.0
    missing = np.isnan(out)
    if missing.all():
        return [None] * len(out)
    if not missing.any():
        return list(out.tolist())
    boxed = out.astype(object)
    boxed[missing] = None
    return list(boxed.tolist())


def days(values: np.ndarray) -> list[str | None]:
    """Return days (n,) as ISO texts, None where there is none."""
    distinct, inverse = np.unique(values.astype("datetime64[D]"), return_inverse=True)
    words = np.array([None if np.isnat(d) else str(d) for d in distinct], dtype=object)
    return list(words[inverse.reshape(-1)].tolist())


# -------------------------------------------------------------------------------------------------------------- moments


AHEAD = dt.timedelta(days=1)  #: a bench further east may have tomorrow already


def now() -> tuple[str, int]:
    """Return this moment as stored text and the bench's offset from UTC [minutes]."""
    return stored(dt.datetime.now().astimezone())


def today() -> dt.date:
    """Return the day that the bench's clock shows."""
    return dt.date.today()


SKEW = dt.timedelta(minutes=2)  #: clocks of benches on one ledger may differ by so much


def behind(at: str, newest: str) -> bool:
    """Return whether a stored moment is before another one by more than clocks of benches may differ."""
    if at >= newest:
        return False
    one, other = (dt.datetime.strptime(x, "%Y-%m-%dT%H:%M:%S.%fZ") for x in (at, newest))
    return other - one > SKEW


def not_ahead(day: dt.date, what: str) -> None:
    """Refuse a day that is still to come by the bench's clock, with one day for other time zones.

    Raises:
        LedgerError: it is.
    """
    if day > today() + AHEAD:
        raise LedgerError(
            f"{what} on {day} is still to come: the clock here says {today()}. Give the day on which it was done, or "
            "set the clock right; nothing was recorded"
        )


def stored(moment: dt.datetime) -> tuple[str, int]:
    """Return a moment as text in UTC and its offset [minutes]; one without a zone is taken in the bench's zone."""
    aware = moment.astimezone() if moment.tzinfo is None else moment
    offset = aware.utcoffset() or dt.timedelta()
    text = aware.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return text, round(offset.total_seconds() / 60)


def shown(at: str, offset_minutes: int) -> str:
    """Return a stored moment as the clock at the bench showed it: ``2026-11-09 08:15:02 +01:00``."""
    moment = dt.datetime.strptime(at, "%Y-%m-%dT%H:%M:%S.%fZ") + dt.timedelta(minutes=offset_minutes)
    sign = "-" if offset_minutes < 0 else "+"
    hours, minutes = divmod(abs(offset_minutes), 60)
    return f"{moment:%Y-%m-%d %H:%M:%S} {sign}{hours:02}:{minutes:02}"


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
#: settings, a kit's name behind each: its reading plans, what they ask of each part by lot, what they said of it
PLAN, PLAN_LOT, PLAN_RESULT = "reading plan of kit ", "reading plan's lot, kit ", "reading plan's verdict, kit "

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


def approval_stands() -> ColumnElement[bool]:
    """Return the condition that an approval of `APPROVAL` wasn't withdrawn."""
    return ~select(WITHDRAWAL.c.id).where(WITHDRAWAL.c.approval_id == APPROVAL.c.id).exists()


#: column of the ledger -> field of a problem
FIELDS = {
    "severity": "severity", "code": "code", "message": "message", "found": "found", "allowed": "allowed",
    "action": "action", "file": "file", "sheet": "sheet", "cell": "cell", "place": "where", "part": "part",
    "serial": "serial", "hole": "hole", "wall": "wall", "holds": "holds",
}  # fmt: skip


def problem_rows(
    problems: Iterable[Problem], stage: str, specification: int, files: Mapping[str, int]
) -> list[dict[str, Any]]:
    """Return problems as rows; ``files``: name -> id of the files they may speak of."""
    return [
        {ours: getattr(problem, theirs) for ours, theirs in FIELDS.items()}
        | {"stage": stage, "specification_id": specification, "file_id": files.get(problem.file)}
        for problem in problems
    ]
