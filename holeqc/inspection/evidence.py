"""The readings table as plain arrays in the order of the kit: who, which hole and wall, value, uncertainty, cause to
hold.

Everything that judges works on these arrays. A reading belongs to a cell, numbered (part * holes + hole) * walls +
wall.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.inspection.causes import CAUSES, NO_TEMPERATURE, NONE, TEMPERATURE_LEFT_OUT
from holeqc.inspection.gauges import apply_gauges
from holeqc.inspection.grouping import CodeArray, IntArray
from holeqc.inspection.temperature import at_reference, left_out
from holeqc.quantities import BoolArray, FloatArray
from holeqc.readings.table import CHARACTERISTICS, LENGTHS

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.problems import Problem
    from holeqc.specification.model import Specification

UNPLACED = -1  #: hole or wall that the kit doesn't know
EVERY_WALL = -2  #: no wall stated where there are several: it speaks for all of them


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts of a run (P,) in order of their first reading, as numbers into ``names`` and ``serials``."""

    names: tuple[str, ...]
    serials: tuple[str, ...]
    name: IntArray
    serial: IntArray
    signs: FloatArray  #: (P,2) factors for basic x and y; NaN where the kit doesn't know the part

    def __len__(self) -> int:
        return int(self.name.size)


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings, all (n,). ``doubted``: the reader doubts the cell; it holds, and no estimate is built on it."""

    part: IntArray
    hole: IntArray
    wall: IntArray
    value: FloatArray
    uncertainty: FloatArray
    cause: CodeArray
    doubted: BoolArray
    word: IntArray
    direction: FloatArray
    trial: IntArray
    label: IntArray

    def __len__(self) -> int:
        return int(self.part.size)

    def take(self, chosen: IntArray | BoolArray) -> Rows:
        """Return some of the rows."""
        return Rows(*(getattr(self, name)[chosen] for name in self.__slots__))

    def cell(self, holes: int, walls: int) -> IntArray:
        """Return the cell of each row; rows must be placed."""
        return (self.part * holes + self.hole) * walls + self.wall


@dataclass(frozen=True, slots=True)
class Evidence:
    """All readings of a run, apart by what they are of, and what else judging needs to know about the run."""

    spec: Specification
    parts: Parts
    rows: dict[str, Rows]
    words: tuple[str, ...]
    causes: tuple[str, ...]
    unplaced: Rows
    counts: IntArray
    first_day: Any
    last_day: Any
    part_of_row: IntArray
    problems: tuple[Problem, ...]

    @property
    def shape(self) -> tuple[int, int, int]:
        """Parts, holes, walls."""
        return len(self.parts), len(self.spec.holes), len(self.spec.walls.names)

    def of_parts(self, parts: IntArray) -> Evidence:
        """Return the same run with some of its parts only; the readings stay those of all."""
        some = self.parts
        cut = Parts(some.names, some.serials, some.name[parts], some.serial[parts], some.signs[parts])
        return replace(self, parts=cut)


def every_wall(rows: Rows, walls: int) -> Rows:
    """Return rows with those that state no wall repeated for each wall."""
    spread = rows.wall == EVERY_WALL
    if not spread.any():
        return rows
    order = np.concatenate([np.flatnonzero(~spread), np.repeat(np.flatnonzero(spread), walls)])
    wall = np.concatenate([rows.wall[~spread], np.tile(np.arange(walls), int(spread.sum()))])
    taken = rows.take(order)
    return Rows(*(wall if name == "wall" else getattr(taken, name) for name in Rows.__slots__))


def _codes(table: pd.DataFrame, column: str) -> tuple[IntArray, list[str]]:
    """Return a text column as numbers and the texts they stand for; -1 where the text is missing."""
    series = table[column]
    if series.dtype.name != "category":
        series = series.astype("category")
    return series.cat.codes.to_numpy().astype(np.int64), [str(c) for c in series.cat.categories]


def _placed(codes: IntArray, texts: list[str], known: tuple[str, ...], blank: int) -> IntArray:
    """Return numbers of texts among the known ones; ``blank`` for an empty text, UNPLACED for an unknown one."""
    order = {text: number for number, text in enumerate(known)}
    table = [order.get(text, blank if text == "" else UNPLACED) for text in texts]
    return np.array([*table, blank], dtype=np.int64)[codes]


def _find_parts(spec: Specification, table: pd.DataFrame) -> tuple[Parts, IntArray]:
    names, name_texts = _codes(table, "part")
    serials, serial_texts = _codes(table, "serial")
    known = [part.name for part in spec.parts]
    only = known[0] if len(known) == 1 else ""
    texts = tuple(dict.fromkeys([*known, *(text or only for text in name_texts), only]))
    number = {text: place for place, text in enumerate(texts)}
    name = np.array([*(number[text or only] for text in name_texts), number[only]], dtype=np.int64)[names]
    serial_texts = list(dict.fromkeys([*serial_texts, ""]))
    serial = np.where(serials < 0, serial_texts.index(""), serials)
    key = name * len(serial_texts) + serial
    part, first = _in_order(key, len(texts) * len(serial_texts))
    signs = np.full((len(texts), 2), np.nan)
    for place, entry in enumerate(spec.parts):
        signs[place] = entry.signs()
    if len({entry.signs() for entry in spec.parts}) == 1:
        signs[:] = signs[0]
    return Parts(texts, tuple(serial_texts), name[first], serial[first], signs[name[first]]), part


def _in_order(key: IntArray, size: int) -> tuple[IntArray, IntArray]:
    """Return keys renumbered 0, 1, ... in order of first appearance, and the row of each first appearance."""
    if size <= 16 * key.size + 1024:
        first = np.full(size, key.size, dtype=np.int64)
        first[key[::-1]] = np.arange(key.size - 1, -1, -1)
        present = np.flatnonzero(first < key.size)
        order = np.argsort(first[present], kind="stable")
        number = np.empty(size, dtype=np.int64)
        number[present[order]] = np.arange(present.size)
        return number[key], first[present[order]]
    _, at, inverse = np.unique(key, return_index=True, return_inverse=True)
    order = np.argsort(at, kind="stable")
    number = np.empty(order.size, dtype=np.int64)
    number[order] = np.arange(order.size)
    return number[inverse], at[order]


def gather(spec: Specification, table: pd.DataFrame, to_come: Collection[dt.date] = ()) -> Evidence:
    """Return the readings table as arrays laid out like the kit.

    A reading with no value, no word and no doubt is a blank and takes no part. Readings that name a hole or wall that
    the kit doesn't know are kept apart in ``unplaced``. Gauges and temperature are applied here. ``to_come``: days of
    readings that still were to come when the sheet was read.
    """
    parts, part = _find_parts(spec, table)
    hole = _placed(*_codes(table, "hole"), spec.hole_ids, UNPLACED)
    walls = spec.walls.names
    wall = _placed(*_codes(table, "wall"), walls, 0 if len(walls) == 1 else EVERY_WALL)
    kinds, kind_texts = _codes(table, "characteristic")
    kind = _placed(kinds, kind_texts, CHARACTERISTICS, UNPLACED)
    words, word_texts = _codes(table, "word")
    value = table["value"].to_numpy(dtype=np.float64)
    causes, cause, doubted = _doubts(table)
    date = table["date"].to_numpy()
    date = date.astype("datetime64[D]") if date.dtype != object else np.array(date, dtype="datetime64[D]")
    value, uncertainty, cause, problems = _measured(spec, table, (hole, kind, value, cause, date), to_come)
    index = table.index.to_numpy()
    rows = Rows(
        part, hole, wall, value, uncertainty, cause, doubted, np.where(words < 0, -1, words),
        table["direction"].to_numpy(dtype=np.float64), _whole(table["trial"]), index.astype(np.int64),
    )  # fmt: skip
    spoken = _spoken(rows, word_texts)
    apart, unplaced = _apart(rows, kind, spoken)
    counts = np.bincount(part[spoken], minlength=len(parts))
    first, last = _days(part, date, len(parts))
    return Evidence(spec, parts, apart, tuple(word_texts), causes, unplaced, counts, first, last, part, problems)


def _doubts(table: pd.DataFrame) -> tuple[tuple[str, ...], CodeArray, BoolArray]:
    doubts, texts = _codes(table, "doubt")
    causes = tuple(dict.fromkeys([*CAUSES, *texts]))
    number = {text: place for place, text in enumerate(causes)}
    cause = np.array([*(number[text] for text in texts), NONE], dtype=np.int16)[doubts]
    return causes, cause, cause != NONE


def _whole(series: pd.Series[Any]) -> IntArray:
    """Return trial numbers; 1 where none is stated."""
    array = series.to_numpy(dtype=np.float64, na_value=np.nan)
    return np.where(np.isnan(array), 1.0, array).astype(np.int64)


def _measured(
    spec: Specification, table: pd.DataFrame, placed: tuple[IntArray, IntArray, FloatArray, CodeArray, Any],
    to_come: Collection[dt.date],
) -> tuple[FloatArray, FloatArray, CodeArray, tuple[Problem, ...]]:
    """Return values at 20 °C where the kit asks for it, their U, their cause to hold, and problems."""
    hole, kind, value, cause, date = placed
    applied = apply_gauges(spec, *_codes(table, "gauge"), np.where(kind < 0, 0, kind), date, to_come)
    cause = np.where(cause != NONE, cause, applied.cause)
    uncertainty = applied.uncertainty
    temperature = table["temperature_c"].to_numpy(dtype=np.float64)
    is_length = (kind >= 0) & (kind < len(LENGTHS)) & (kind != LENGTHS.index("plug"))
    if spec.temperature.correct:
        brought, added = at_reference(value, temperature, applied.expansion_per_c, spec)
        known = is_length & ~np.isnan(temperature)
        value = np.where(known, brought, value)
        uncertainty = np.where(known, np.hypot(uncertainty, added), uncertainty)
        lacking = is_length & np.isnan(temperature) & (cause == NONE) & ~np.isnan(value)
        return value, uncertainty, np.where(lacking, NO_TEMPERATURE, cause).astype(np.int16), ()
    problems: tuple[Problem, ...] = ()
    if not np.isnan(temperature).all():
        sizes = np.array([(h.size.lower, h.size.upper) for h in spec.holes])
        for what, tolerance in _tolerances(spec).items():
            rows = np.flatnonzero((kind == LENGTHS.index(what)) & (hole >= 0) & ~np.isnan(temperature))
            of_hole = tolerance[hole[rows]]
            limits = (sizes[hole[rows], 0], sizes[hole[rows], 1]) if what == "diameter" else None
            found, too_much = left_out(
                value[rows], temperature[rows], applied.expansion_per_c[rows], of_hole, spec, what, limits
            )
            problems += found
            held = rows[too_much]
            cause[held] = np.where(cause[held] == NONE, TEMPERATURE_LEFT_OUT, cause[held])
    return value, uncertainty, cause.astype(np.int16), problems


def _tolerances(spec: Specification) -> dict[str, FloatArray]:
    """Return the tolerance (H,) that a temperature effect on a reading is measured against."""
    size = np.array([h.size.band for h in spec.holes])
    place = []
    for hole in spec.holes:
        asked = [t for t in (hole.position.tolerance, hole.position.pattern_tolerance) if t is not None]
        # A coordinate may be off by half the diametral tolerance.
        place.append(0.5 * min(asked) if asked else np.nan)
    return {"diameter": size, "x": np.array(place), "y": np.array(place)}


def _spoken(rows: Rows, words: list[str]) -> BoolArray:
    """Return which rows hold anything: a value, a word, or a cell in doubt."""
    said = np.array([bool(text) for text in words] + [False])[rows.word]
    return ~np.isnan(rows.value) | rows.doubted | said


def _apart(rows: Rows, kind: IntArray, spoken: BoolArray) -> tuple[dict[str, Rows], Rows]:
    """Return placed rows apart by characteristic, and those that can't be placed."""
    whole_hole = np.isin(kind, [CHARACTERISTICS.index(c) for c in ("edge_distance", "plug", "go", "no_go", "surface")])
    placed = (rows.hole >= 0) & ((rows.wall >= 0) | ((rows.wall == EVERY_WALL) & whole_hole)) & (kind >= 0)
    apart = {
        name: rows.take(np.flatnonzero(placed & spoken & (kind == number)))
        for number, name in enumerate(CHARACTERISTICS)
    }
    return apart, rows.take(np.flatnonzero(~placed & spoken))


def _days(part: IntArray, date: Any, parts: int) -> tuple[Any, Any]:
    known = ~np.isnat(date)
    days = date[known].astype(np.int64)
    first = np.full(parts, np.iinfo(np.int64).max)
    last = np.full(parts, np.iinfo(np.int64).min)
    np.minimum.at(first, part[known], days)
    np.maximum.at(last, part[known], days)
    undated = np.bincount(part[known], minlength=parts) == 0
    first[undated] = last[undated] = np.iinfo(np.int64).min  # the number that stands for NaT
    return first.view("datetime64[D]"), last.view("datetime64[D]")
