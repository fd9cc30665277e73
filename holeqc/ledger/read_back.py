"""Readings out of the ledger, as the table that the files themselves give: same columns, types and order.

Files come in the order in which they were recorded, readings in the order of their file. Where a part's readings come
from several files, repeats are numbered on as they are when the files are read together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.ledger.filters import Filter, reading_conditions, sets_of_inspections, specification_conditions, wanted_sets
from holeqc.ledger.kits import parsed_specification
from holeqc.ledger.write_problems import FIELDS
from holeqc.problems import LedgerError, Problem
from holeqc.readings.draft import TYPES, UNIT_CODES
from holeqc.readings.table import CHARACTERISTICS, COLUMNS, Join, Readings, Source
from holeqc.readings.words import WORDS

if TYPE_CHECKING:
    import pandas as pd
    from sqlalchemy import Connection

    from holeqc.ledger.ledger import Ledger
    from holeqc.specification.model import Specification

BATCH = 50_000  #: readings fetched at a time
#: column of the table of readings -> column of the ledger, where each reading has its own
OWN = {
    "hole": "hole", "wall": "wall", "characteristic": "characteristic", "direction": "direction", "trial": "trial",
    "value": "value", "word": "word", "typed": "typed", "unit": "unit", "gauge": "gauge",
    "temperature_c": "temperature_c", "date": "day", "by": "read_by", "note": "note", "sheet": "sheet", "row": "row_no",
    "column": "column_no", "doubt": "doubt",
}  # fmt: skip
NUMBERS = {"direction", "value", "temperature_c"}
WHOLE = {"trial", "row", "column"}
MANY = 500  #: sets named one by one in a question; beyond it a range of ids is walked


def wanted_specification(ledger: Ledger, wanted: Filter) -> Specification:
    """Return the newest recorded text of the one kit that a filter leaves.

    Raises:
        LedgerError: no kit is left, or several.
    """
    question = select(s.SPECIFICATION).where(*specification_conditions(wanted)).order_by(s.SPECIFICATION.c.id)
    rows = ledger.rows(question)
    kits = list(dict.fromkeys(str(row["kit"]) for row in rows))
    if not kits:
        known = ledger.rows(select(s.SPECIFICATION.c.kit, s.SPECIFICATION.c.revision).order_by(s.SPECIFICATION.c.id))
        named = ", ".join(dict.fromkeys(f"{row['kit']} {row['revision']}" for row in known)) or "none yet"
        raise LedgerError(f"ledger {ledger.location.shown}: no kit fits what was asked; recorded kits: {named}")
    if len(kits) > 1:
        raise LedgerError(f"ledger {ledger.location.shown} holds several kits ({', '.join(kits)}); name one")
    return parsed_specification(rows[-1])


def recorded_readings(ledger: Ledger, wanted: Filter = Filter()) -> tuple[Specification, Readings]:
    """Return the kit and the readings that are wanted, as reading the files gives them.

    Raises:
        LedgerError: no kit or several kits are left.
    """
    spec = wanted_specification(ledger, wanted)
    with ledger.reading() as connection:
        sets = connection.execute(wanted_sets(wanted)).all()
        return spec, _of_sets(connection, spec, sets, wanted).readings


@dataclass(frozen=True, slots=True)
class Base:
    """The readings that count in some inspections, and where they are: set and line of each row (n,), the problems'
    ids, and all sets (with part and serial).
    """

    readings: Readings
    set_of: NDArray[np.int64]
    line_of: NDArray[np.int64]
    problem_ids: tuple[int, ...]
    sets: tuple[Any, ...]


def readings_of_inspections(ledger: Ledger, spec: Specification, ids: Sequence[int]) -> Readings:
    """Return the readings that count in some inspections, all judged by one kit text, each part once."""
    return base_of_inspections(ledger, spec, ids).readings


def base_of_inspections(ledger: Ledger, spec: Specification, ids: Sequence[int]) -> Base:
    """Return the same with where the readings are in the ledger."""
    out, done = s.LEFT_OUT.c, s.ANSWERED.c
    with ledger.reading() as connection:
        sets = connection.execute(sets_of_inspections(ids)).all()
        gone = connection.execute(select(out.set_id, out.reading_line).where(out.inspection_id.in_(ids))).all()
        answered = connection.execute(select(done.problem_id).where(done.inspection_id.in_(ids))).scalars()
        base = _of_sets(connection, spec, sets, Filter(), gone, frozenset(map(int, answered)))
        joins = _joins(connection, spec, ids, sets, gone)
    return replace(base, readings=replace(base.readings, joins=joins)) if joins else base


def _joins(
    connection: Connection, spec: Specification, ids: Sequence[int], sets: Sequence[Any], gone: Sequence[Any]
) -> tuple[Join, ...]:  # fmt: skip
    """Return the rechecks that inspections join, each part's together, with what no longer counts."""
    c = s.RECHECK.c
    by_id = {int(row.id): row for row in sets}
    chain = connection.execute(select(c.set_id, c.said).where(c.set_id.in_(list(by_id))).order_by(c.id)).all()
    newest = connection.execute(select(c.set_id, c.said).where(c.inspection_id.in_(ids)).order_by(c.id)).all()
    if not newest:
        return ()
    frame, places = _frame(connection, spec, sets, Filter(), list(COLUMNS))
    key = np.array([int(row[0]) << 32 | int(row[1]) for row in gone], dtype=np.int64)
    out = np.isin(places[0] << 32 | places[1], key)
    again = np.isin(places[0], [int(row[0]) for row in chain])
    found = []
    for set_id, said in newest:
        one = by_id[int(set_id)]
        mine = (frame["serial"] == one.serial).to_numpy() & (frame["part"].isin([one.part, ""])).to_numpy()
        found.append(Join(str(one.part), str(one.serial), str(one.name), str(said), frame[mine & out & ~again],
                          frame[mine & ~out & again], frame[mine & out & again]))  # fmt: skip
    return tuple(found)


def _of_sets(
    connection: Connection, spec: Specification, sets: Sequence[Any], wanted: Filter, gone: Sequence[Any] = (),
    answered: frozenset[int] = frozenset(),
) -> Base:  # fmt: skip
    frame, places = _frame(connection, spec, sets, wanted, list(COLUMNS), gone)
    files = sorted({int(row.file_id) for row in sets})
    found = _problems(connection, files, {(str(r.part), str(r.serial)) for r in sets}, answered)
    readings = Readings(frame, tuple(p for _, p in found), _sources(connection, files))
    return Base(readings, places[0], places[1], tuple(number for number, _ in found), tuple(sets))


def columns_of_readings(ledger: Ledger, names: Sequence[str], wanted: Filter = Filter()) -> pd.DataFrame:
    """Return some columns only of the readings that are wanted: as `recorded_readings`, but nothing else is fetched."""
    spec = wanted_specification(ledger, wanted)
    with ledger.reading() as connection:
        sets = connection.execute(wanted_sets(wanted)).all()
        return _frame(connection, spec, sets, wanted, list(names))[0]


class _Texts:
    """A text column while it is gathered: codes into distinct texts in order of appearance."""

    def __init__(self, first: Sequence[str] = ()) -> None:
        self.index: dict[str, int] = {text: code for code, text in enumerate(first)}
        self.chunks: list[NDArray[np.int32]] = []

    def add(self, values: Sequence[str]) -> None:
        index = self.index
        try:
            found = [index[v] for v in values]
        except KeyError:
            for v in dict.fromkeys(values):
                index.setdefault(v, len(index))
            found = [index[v] for v in values]
        self.chunks.append(np.array(found, dtype=np.int32))

    def codes(self) -> NDArray[np.int32]:
        return np.concatenate(self.chunks) if self.chunks else np.empty(0, dtype=np.int32)


def _frame(
    connection: Connection, spec: Specification, sets: Sequence[Any], wanted: Filter, names: list[str],
    gone: Sequence[Any] = (),
) -> tuple[pd.DataFrame, NDArray[np.int64]]:  # fmt: skip
    """Return columns of the readings of some sets without those that are ``gone`` (set, line); and set and line of each
    row (2, n).
    """
    import pandas as pd

    several = _measured_twice(sets)
    needed = list(OWN) if several else [n for n in names if n in OWN]  # repeats are numbered by all of them
    texts = {n: _Texts() for n in needed if n not in NUMBERS | WHOLE}
    numbers: dict[str, list[NDArray[Any]]] = {n: [] for n in needed if n in NUMBERS | WHOLE}
    at: list[NDArray[np.int64]] = []
    for rows in _batches(connection, sets, wanted, needed):
        fetched = list(zip(*rows, strict=True))
        at.append(np.array(fetched[:2], dtype=np.int64))
        for name, values in zip(needed, fetched[2:], strict=True):
            if name in texts:
                texts[name].add(values if name != "date" else [v or "" for v in values])
            else:
                numbers[name].append(np.array(values, dtype=np.float64 if name in NUMBERS else np.int64))
    place = np.concatenate(at, axis=1) if at else np.empty((2, 0), dtype=np.int64)
    number = {int(row.id): k for k, row in enumerate(sets)}
    ids = np.array(sorted(number), dtype=np.int64)
    of_set = np.array([number[int(i)] for i in ids], dtype=np.int64)[np.searchsorted(ids, place[0])]
    file_of = np.array([int(row.file_id) for row in sets], dtype=np.int64)
    order = np.lexsort((place[1], file_of[of_set])) if len(sets) else np.empty(0, dtype=np.int64)
    if gone:
        key = np.array([[int(row[0]) << 32 | int(row[1])] for row in gone], dtype=np.int64).ravel()
        order = order[~np.isin((place[0] << 32 | place[1])[order], key)]
    of_set = of_set[order]
    arrays: dict[str, Any] = {n: np.concatenate(c)[order] if c else np.empty(0) for n, c in numbers.items()}
    arrays |= {n: t.codes()[order] for n, t in texts.items()}
    if several and "trial" in names:
        arrays["trial"] = _number_repeats(arrays, texts, sets, of_set, several)
    build = _builder(spec, sets, of_set, texts)
    return pd.DataFrame({name: build(name, arrays.get(name)) for name in names}), place[:, order]


def _batches(connection: Connection, sets: Sequence[Any], wanted: Filter, names: list[str]) -> Any:
    """Give the readings of some sets in batches: set, line, and the columns asked for."""
    if not sets:
        return
    r = s.READING.c
    ids = np.array([int(row.id) for row in sets], dtype=np.int64)
    conditions = reading_conditions(wanted)
    if ids.size <= MANY:
        conditions.append(r.set_id.in_(ids.tolist()))
    else:
        conditions += [r.set_id >= int(ids.min()), r.set_id <= int(ids.max())]
    complete = ids.size <= MANY or int(ids.max() - ids.min()) + 1 == ids.size
    question = select(r.set_id, r.line, *(r[OWN[n]] for n in names)).where(*conditions).order_by(r.set_id, r.line)
    result = connection.execute(question, execution_options={"yield_per": BATCH})
    keep = set(ids.tolist())
    for rows in result.partitions():
        chosen = rows if complete else [row for row in rows if row[0] in keep]
        if chosen:
            yield chosen


def _builder(spec: Specification, sets: Sequence[Any], of_set: Any, texts: dict[str, _Texts]) -> Callable[..., Any]:
    import pandas as pd

    listed: dict[str, Sequence[str]] = {
        "part": [p.name for p in spec.parts], "hole": spec.hole_ids, "wall": spec.walls.names,
        "characteristic": CHARACTERISTICS, "word": WORDS, "unit": UNIT_CODES,
    }  # fmt: skip
    of_sets = {"part": "part", "serial": "serial", "file": "name"}

    def build(name: str, values: Any) -> Any:
        if name in of_sets:
            column = _Texts()
            unsaid = [name == "part" and not row.part_said for row in sets]
            said = [str(getattr(row, of_sets[name])) for row in sets]
            column.add(["" if blank else text for blank, text in zip(unsaid, said, strict=True)])
            values, known = column.codes()[of_set], list(column.index)
        elif name in texts:
            known = list(texts[name].index)
        else:
            return values.astype(TYPES[name])
        if name == "date":
            days = np.array([np.datetime64(d or "NaT", "s") for d in known] or [], dtype="datetime64[s]")
            return days[values]
        return _categorical(values, known, listed.get(name))

    def _categorical(values: Any, known: list[str], fixed: Sequence[str] | None) -> Any:
        # the categories that the readers make: the kit's names first, else order of appearance; '' always known
        first = list(fixed) if fixed is not None else _appearing(values, known)
        texts_ = list(dict.fromkeys([*first, *known, ""]))
        index = {text: code for code, text in enumerate(texts_)}
        lookup = np.array([index[text] for text in known], dtype=np.int64)
        return pd.Categorical.from_codes(lookup[values] if known else np.empty(0, dtype=np.int64), categories=texts_)

    return build


def _appearing(values: Any, known: list[str]) -> list[str]:
    """Return texts in the order in which rows say them; '' last, as the readers have it."""
    distinct, first = np.unique(values, return_index=True)
    return [known[int(code)] for code in distinct[np.argsort(first)] if known[int(code)]]


def _measured_twice(sets: Sequence[Any]) -> set[tuple[str, str]]:
    """Return the parts whose readings come from more than one file."""
    files: dict[tuple[str, str], set[int]] = {}
    for row in sets:
        files.setdefault((str(row.part), str(row.serial)), set()).add(int(row.file_id))
    return {piece for piece, of in files.items() if len(of) > 1}


def _number_repeats(
    arrays: dict[str, Any], texts: dict[str, _Texts], sets: Sequence[Any], of_set: Any, several: set[tuple[str, str]]
) -> Any:  # fmt: skip
    """Return the numbers of the repeats, counted on over the files of a part that was measured in several."""
    piece_index: dict[tuple[str, str], int] = {}
    pieces = [(str(row.part), str(row.serial)) for row in sets]
    piece = np.array([piece_index.setdefault(p, len(piece_index)) for p in pieces], dtype=np.int64)
    twice = np.array([p in several for p in pieces], dtype=np.bool_)
    surface = texts["characteristic"].index.get("surface", -1)
    hole_blank = texts["hole"].index.get("", -1)
    kind_blank = texts["characteristic"].index.get("", -1)
    rows = np.flatnonzero(
        twice[of_set] & (arrays["characteristic"] != surface) & (arrays["hole"] != hole_blank)
        & (arrays["characteristic"] != kind_blank)
    )  # fmt: skip
    _, direction = np.unique(np.nan_to_num(arrays["direction"][rows], nan=-1e9), return_inverse=True)
    key = piece[of_set[rows]]
    for part in (*(arrays[n][rows] for n in ("hole", "wall", "characteristic")), direction, arrays["trial"][rows]):
        part = part.astype(np.int64)
        key = key * (int(part.max(initial=0)) + 1) + part
    order = np.argsort(key, kind="stable")
    new = np.concatenate([[True], key[order][1:] != key[order][:-1]]) if rows.size else np.empty(0, dtype=np.bool_)
    starts = np.flatnonzero(new)
    rank = np.arange(rows.size) - (starts[np.cumsum(new) - 1] if rows.size else 0)
    trial = arrays["trial"].copy()
    trial[rows[order]] += rank.astype(trial.dtype)
    return trial


def _problems(
    connection: Connection, files: list[int], pieces: set[tuple[str, str]], answered: frozenset[int]
) -> list[tuple[int, Problem]]:  # fmt: skip
    """Return the problems that were met while reading these files, of the parts that are wanted, with their ids."""
    table = s.PROBLEM
    question = select(table).where(table.c.stage == "reading", table.c.file_id.is_not(None)).order_by(table.c.id)
    if len(files) <= MANY:
        question = question.where(table.c.file_id.in_(files))
    keep, serials = set(files), {serial for _, serial in pieces}
    found = []
    for row in connection.execute(question).mappings():
        if row["file_id"] in keep and (not row["serial"] or row["serial"] in serials) and row["id"] not in answered:
            given: dict[str, Any] = {theirs: row[ours] for ours, theirs in FIELDS.items()}
            found.append((int(row["id"]), Problem(**(given | {"holds": bool(row["holds"])}))))
    return found


def _sources(connection: Connection, files: list[int]) -> tuple[Source, ...]:
    keep = set(files)
    question = select(s.FILE, s.SPECIFICATION.c.kit, s.SPECIFICATION.c.revision).join(s.SPECIFICATION)
    if len(files) <= MANY:
        question = question.where(s.FILE.c.id.in_(files))
    rows = connection.execute(question.order_by(s.FILE.c.id))
    return tuple(
        Source(str(row.name), str(row.digest), int(row.bytes), str(row.kit), str(row.revision))
        for row in rows if row.id in keep
    )  # fmt: skip
