"""One file's readings into the ledger: the file, a set for each part in it, and every reading with its cell."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.ledger.canonical import BLOCK
from holeqc.ledger.pieces import IntArray, Pieces
from holeqc.ledger.resemblance import write_marks, write_serials
from holeqc.ledger.revisions import base_name
from holeqc.ledger.values import Stored, days, plain, text_codes
from holeqc.ledger.write_problems import problem_rows

if TYPE_CHECKING:
    import pandas as pd
    from sqlalchemy import Connection

    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Transaction
    from holeqc.ledger.revisions import Replaced
    from holeqc.readings.table import Source

CHUNK = 8 * BLOCK  #: readings turned into rows at a time, so that memory stays small

#: column of the ledger -> column of the table of readings
COLUMNS = {
    "hole": "hole", "wall": "wall", "characteristic": "characteristic", "direction": "direction", "trial": "trial",
    "value": "value", "word": "word", "typed": "typed", "unit": "unit", "gauge": "gauge",
    "temperature_c": "temperature_c", "day": "date", "read_by": "by", "note": "note", "sheet": "sheet", "row_no": "row",
    "column_no": "column", "doubt": "doubt",
}  # fmt: skip


@dataclass(slots=True)
class FileRows:
    """Where one file's readings are in the run's table, and the reading set that each one went to.

    ``rows`` (n,) places in the table, ``set_of`` (n,) number of the set among this file's, ``pieces`` (k,) the piece of
    each set, ``said`` (k,) whether the file names the part, ``set_ids`` (k,) the sets' ids in the ledger. ``lines``
    (n,): each reading's line in its set; None where they are all its lines in order.
    """

    rows: IntArray
    set_of: IntArray
    pieces: IntArray
    said: list[bool]
    set_ids: IntArray
    lines: IntArray | None = None

    @classmethod
    def of(cls, inspection: Inspection, pieces: Pieces, file: str) -> FileRows:
        """Return the rows of a file; sets in order of first appearance."""
        table = inspection.readings.table
        file_codes, files = text_codes(table["file"])
        rows = np.flatnonzero(file_codes == files.index(file)) if file in files else np.empty(0, dtype=np.int64)
        part_codes, parts = text_codes(table["part"])
        key = pieces.of_reading[rows] * len(parts) + part_codes[rows]
        distinct, first, inverse = np.unique(key, return_index=True, return_inverse=True)
        order = np.argsort(first, kind="stable")
        rank = np.empty(order.size, dtype=np.int64)
        rank[order] = np.arange(order.size)
        said = [bool(parts[k % len(parts)]) for k in distinct[order]]
        return cls(rows, rank[inverse.reshape(-1)], distinct[order] // len(parts), said, np.empty(0, dtype=np.int64))

    def take_recorded(self, connection: Connection, file_id: int) -> None:
        """Take the ids of the sets that an earlier run recorded for the same file; they are in the same order."""
        found = connection.execute(
            select(s.READING_SET.c.id).where(s.READING_SET.c.file_id == file_id).order_by(s.READING_SET.c.id)
        )
        self.set_ids = np.array([int(row[0]) for row in found], dtype=np.int64)


def write_file(
    transaction: Transaction, inspection: Inspection, pieces: Pieces, given: tuple[Source, FileRows],
    known: tuple[int, Replaced | None], who: tuple[str, dt.datetime | None],
) -> tuple[int, int]:  # fmt: skip
    """Write one file as one entry; return the entry's number and the file's id. Fills ``set_ids``."""
    source, rows = given
    specification, replaced = known
    table = inspection.readings.table
    writer = transaction.start("readings", *who)
    (file_id,) = writer.add_mapped(s.FILE, [{
        "specification_id": specification, "name": source.file, "base": base_name(source.file),
        "digest": source.sha256, "bytes": source.bytes,
        "readings": len(rows.rows), "replaces": None if replaced is None else replaced.file_id,
    }])  # fmt: skip
    sets = _sets(table, rows, file_id, pieces.names)
    rows.set_ids = np.array(writer.add_columns(s.READING_SET, sets), dtype=np.int64)
    order = np.argsort(rows.set_of, kind="stable")
    columns = {ours: Stored(table[theirs]) for ours, theirs in COLUMNS.items()}
    for start in range(0, order.size, CHUNK):
        some = order[start : start + CHUNK]
        values: list[list[Any]] = [rows.set_ids[rows.set_of[some]].tolist(), some.tolist()]
        values += [column.rows(rows.rows[some]) for column in columns.values()]
        writer.add(s.READING, ["set_id", "line", *columns], values)
    problems = [p for p in inspection.readings.problems if p.file == source.file]
    writer.add_mapped(s.PROBLEM, problem_rows(problems, "reading", specification, {source.file: file_id}))
    write_serials(transaction, writer, sets["serial"])
    set_of = np.full(len(table), -1, dtype=np.int64)
    set_of[rows.rows] = rows.set_ids[rows.set_of]
    spec = inspection.specification
    write_marks(writer, str(plain(spec.id)), spec.unit, table, set_of)
    entry = writer.finish(
        replaces=None if replaced is None else replaced.entry, reason="" if replaced is None else replaced.reason
    )
    return entry.seq, file_id


def _sets(
    table: pd.DataFrame, rows: FileRows, file_id: int, names: Sequence[tuple[str, str]]
) -> dict[str, list[Any]]:  # fmt: skip
    """Return the columns of a file's reading sets."""
    count = len(rows.pieces)
    readings = np.bincount(rows.set_of, minlength=count)
    dates = table["date"].to_numpy()[rows.rows].astype("datetime64[D]")
    known = ~np.isnat(dates)
    number = dates[known].astype(np.int64)
    first = np.full(count, np.iinfo(np.int64).max)
    last = np.full(count, np.iinfo(np.int64).min)
    np.minimum.at(first, rows.set_of[known], number)
    np.maximum.at(last, rows.set_of[known], number)
    first[last == np.iinfo(np.int64).min] = np.iinfo(np.int64).min  # the number that stands for no day
    parts = [str(plain(names[piece][0])) for piece in rows.pieces]
    return {
        "file_id": [file_id] * count, "part": parts,
        "part_said": [int(said and bool(part)) for said, part in zip(rows.said, parts, strict=True)],
        "serial": [plain(names[piece][1]) for piece in rows.pieces], "readings": readings.tolist(),
        "first_day": days(first.view("datetime64[D]")), "last_day": days(last.view("datetime64[D]")),
    }  # fmt: skip
