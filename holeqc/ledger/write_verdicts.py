"""The verdicts of a run into the ledger: each part with what it rests on, its holes, and what is not accepted."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import func, select

from holeqc.inspection.results import ACCEPT
from holeqc.ledger import schema as s
from holeqc.ledger.pieces import IntArray, Pieces
from holeqc.ledger.values import Stored, column, plain
from holeqc.ledger.write_problems import problem_rows

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray
    from sqlalchemy import Connection, Table

    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import EntryWriter, Transaction
    from holeqc.ledger.write_readings import FileRows

CHUNK = 30_000  #: rows turned into lists at a time
_PART = (
    "pin_margin", "pin_uncertainty", "pin_rotation", "pin_dx", "pin_dy", "shift_x", "shift_y", "shift_rotation",
)  # fmt: skip
_HOLE = ("hole", "mating_size", "mating_from", "smallest", "largest", "dx", "dy", "rework", "ream_to")
_CHARACTERISTIC = {
    "hole": "hole", "wall": "wall", "characteristic": "characteristic", "found": "found", "found_word": "found_word",
    "lower": "lower", "upper": "upper", "stated": "stated", "bonus": "bonus", "deviation": "deviation",
    "margin": "left", "uncertainty": "uncertainty", "ratio": "ratio", "probability": "probability", "cause": "cause",
}  # fmt: skip


def write_inspections(
    transaction: Transaction, inspection: Inspection, pieces: Pieces, files: Sequence[FileRows],
    given: tuple[int, NDArray[np.bool_]], who: tuple[str, dt.datetime | None],
    more: Callable[[EntryWriter, IntArray], None] = lambda *_: None,
) -> dict[tuple[str, str], int]:  # fmt: skip
    """Write the verdicts of the pieces in ``given[1]`` (P,) as one entry; return (part, serial) -> inspection's id.

    ``more`` writes what else the entry brings, of the inspections' ids by piece (P,).
    """
    specification, touched = given
    chosen = np.flatnonzero(touched)
    writer = transaction.start("inspection", *who)
    columns = _parts(transaction.connection, inspection, pieces, chosen, specification)
    ids = np.array(writer.add_columns(s.INSPECTION, columns), dtype=np.int64)
    id_of = np.full(len(pieces.names) + 1, -1, dtype=np.int64)  # the last: rows of no piece
    id_of[chosen] = ids
    _sets(writer, files, id_of)
    holes = inspection.holes
    of = id_of[pieces.of(holes)]
    _child(writer, s.HOLE_VERDICT, holes, np.flatnonzero(of >= 0), of, dict.fromkeys(_HOLE), None)
    frame = inspection.characteristics
    of = id_of[pieces.of(frame)]
    wrong = np.flatnonzero((of >= 0) & (frame["verdict"].to_numpy() != ACCEPT))
    _child(writer, s.CHARACTERISTIC_VERDICT, frame, wrong, of, dict(_CHARACTERISTIC), _deciding(inspection, files))
    judging = inspection.problems[len(inspection.readings.problems) :]
    sources = {source.file for source in inspection.readings.sources}
    loose = [p for p in inspection.readings.problems if p.file not in sources]
    writer.add_mapped(s.PROBLEM, [
        *problem_rows(loose, "reading", specification, {}), *problem_rows(judging, "judging", specification, {}),
    ])  # fmt: skip
    more(writer, id_of[:-1])
    writer.finish()
    return {pieces.names[p]: int(i) for p, i in zip(chosen, ids, strict=True)}


def _parts(
    connection: Connection, inspection: Inspection, pieces: Pieces, chosen: IntArray, specification: int
) -> dict[str, list[Any]]:  # fmt: skip
    """Return the columns of the chosen parts' inspections."""
    spec = inspection.specification
    frame = inspection.parts.iloc[chosen]
    columns = {name: column(frame[name]) for name in _PART}
    columns |= {"first_day": column(frame["first_date"]), "last_day": column(frame["last_date"])}
    columns["verdict"] = [s.VERDICTS[int(v)] for v in frame["verdict"]]
    columns["pin_verdict"] = ["" if v < 0 else s.VERDICTS[int(v)] for v in frame["pin_verdict"]]
    columns["readings"] = column(frame["readings"])
    names = [pieces.names[p] for p in chosen]
    columns["part"], columns["serial"] = [plain(n[0]) for n in names], [plain(n[1]) for n in names]
    before = newest_inspections(connection, spec.id, {n[1] for n in names})
    columns["follows"] = [before.get((plain(part), plain(serial))) for part, serial in names]
    size = len(names)
    columns["specification_id"] = [specification] * size
    columns["rule"] = [spec.decision.rule] * size
    columns["fixture"] = [plain(spec.fixture)] * size
    return columns


def newest_inspections(connection: Connection, kit: str, serials: set[str]) -> dict[tuple[str, str], int]:
    """Return the newest inspection of each part of a kit: (part, serial) -> id."""
    table = s.INSPECTION
    question = (
        select(table.c.part, table.c.serial, func.max(table.c.id))
        .join(s.SPECIFICATION)
        .where(s.SPECIFICATION.c.kit == plain(kit))
        .group_by(table.c.part, table.c.serial)
    )
    wanted = sorted(plain(serial) for serial in serials)
    if len(wanted) <= 500:  # else one walk over all is quicker than so many names in one question
        question = question.where(table.c.serial.in_(wanted))
    return {(str(part), str(serial)): int(number) for part, serial, number in connection.execute(question)}


def _sets(writer: EntryWriter, files: Sequence[FileRows], id_of: IntArray) -> None:
    pairs = [np.column_stack([id_of[f.pieces], f.set_ids]) for f in files if len(f.set_ids)]
    both = np.concatenate(pairs) if pairs else np.empty((0, 2), dtype=np.int64)
    both = both[both[:, 0] >= 0]
    both = both[np.lexsort((both[:, 1], both[:, 0]))]
    names = ["inspection_id", "line", "set_id"]
    writer.add(s.INSPECTION_SET, names, [both[:, 0].tolist(), _lines(both[:, 0]).tolist(), both[:, 1].tolist()])


def _lines(owner: IntArray) -> IntArray:
    """Return 0, 1, ... within each run of one owner, shape (n,)."""
    if not owner.size:
        return owner
    new = np.concatenate([[True], owner[1:] != owner[:-1]])
    starts = np.flatnonzero(new)
    return np.arange(owner.size) - starts[np.cumsum(new) - 1]


def _deciding(inspection: Inspection, files: Sequence[FileRows]) -> tuple[IntArray, IntArray]:
    """Return for each row of the readings table the id of its set and its line there, -1 where it is in no file."""
    size = int(inspection.readings.table.index.max()) + 1 if len(inspection.readings.table) else 0
    size = max([size, *(int(file.rows.max(initial=-1)) + 1 for file in files)])
    sets, lines = np.full(size + 1, -1, dtype=np.int64), np.full(size + 1, -1, dtype=np.int64)
    for file in files:
        sets[file.rows] = file.set_ids[file.set_of]
        lines[file.rows] = np.arange(file.rows.size) if file.lines is None else file.lines
    return sets, lines


def _child(
    writer: EntryWriter, table: Table, frame: pd.DataFrame, chosen: IntArray, of: IntArray,
    columns: dict[str, str | None], deciding: tuple[IntArray, IntArray] | None,
) -> None:  # fmt: skip
    """Write rows of a frame under their inspection, in its order."""
    chosen = chosen[np.argsort(of[chosen], kind="stable")]
    owners = of[chosen]
    lines = _lines(owners)
    words = np.array(s.VERDICTS, dtype=object)
    stored = {ours: Stored(frame[theirs or ours]) for ours, theirs in columns.items()}
    verdict = frame["verdict"].to_numpy()
    for start in range(0, chosen.size, CHUNK):
        some = slice(start, start + CHUNK)
        values = {"inspection_id": owners[some].tolist(), "line": lines[some].tolist()}
        values |= {ours: column.rows(chosen[some]) for ours, column in stored.items()}
        values["verdict"] = words[verdict[chosen[some]]].tolist()
        if deciding is not None:
            label = frame["reading"].to_numpy()[chosen[some]]
            for name, where in zip(("set_id", "reading_line"), deciding, strict=True):
                values[name] = [None if v < 0 else v for v in where[label].tolist()]
        writer.add(table, list(values), list(values.values()))
