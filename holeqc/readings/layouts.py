"""A sheet parted into tables: which rows belong to which heading, and what the fields around them say."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from holeqc.readings.fields import Field, find_fields
from holeqc.readings.grid import IntArray
from holeqc.readings.heading_rows import Heading, find_headings
from holeqc.readings.headings import IGNORED, READING, Vocabulary
from holeqc.readings.marker import ENTRY_COLUMN, FIELD_COLUMN, FIELDS, FIRST_FIELD_ROW, Marker, parse_marker
from holeqc.readings.synonyms import FIELD
from holeqc.readings.words import hole_key
from holeqc.readings.xlsx import RawSheet
from holeqc.specification.model import Specification

FIELD_ROWS = 15  #: fields of a further block stand at most so many rows above its heading


@dataclass(slots=True)
class Block:
    """Rows under one heading with the fields that apply to them; rows from 0, blank ones left out."""

    heading: Heading
    rows: IntArray
    fields: dict[str, Field] = field(default_factory=dict)


@dataclass(slots=True)
class Layout:
    """All tables of a sheet. ``field_rows``: rows in the data area that turned out to be fields (footers)."""

    blocks: list[Block]
    fields: list[Field]
    marker: Marker | None = None
    stray: list[int] = field(default_factory=list)  #: rows with contents, but neither a reading nor a field


def find_marker(sheet: RawSheet) -> Marker | None:
    """Return the marker of a sheet of ours: cell A2, else any cell of the first five rows."""
    for row in (1, 0, 2, 3, 4):
        for column in range(min(sheet.grid.width, 4)):
            if marker := parse_marker(sheet.grid.cell(row, column)):
                return marker
    return None


def part_sheet(sheet: RawSheet, vocabulary: Vocabulary, spec: Specification) -> Layout:
    """Return the tables of a sheet and the fields around them."""
    headings = find_headings(sheet, vocabulary)
    marker = find_marker(sheet)
    if marker is not None:
        return _own_sheet(sheet, headings, marker)
    if not headings:
        rows = np.flatnonzero(sheet.grid.filled_rows())[:60]
        return Layout([], find_fields(sheet.grid, map(int, rows), vocabulary, spec))
    holes = {hole_key(h) for h in spec.hole_ids}
    filled = sheet.grid.filled_rows()
    starts = [0] + [_block_start(sheet, h, p, holes) for p, h in pairwise(headings)]
    ends = [*starts[1:], sheet.grid.rows]
    blocks: list[Block] = []
    everything: list[Field] = []
    inherited: dict[str, Field] = {}
    for heading, start, end in zip(headings, starts, ends, strict=True):
        above = [r for r in range(start, heading.first) if filled[r]]
        fields = find_fields(sheet.grid, above[-FIELD_ROWS * 4 :], vocabulary, spec)
        rows = np.arange(heading.last + 1, end, dtype=np.int64)
        rows = rows[filled[rows]]
        below, rows = _footers(sheet, heading, rows, vocabulary, spec)
        everything += fields + below
        inherited = inherited | _first(fields)
        blocks.append(Block(heading, rows, _first(below) | inherited))
    return Layout(blocks, everything)


def _first(fields: list[Field]) -> dict[str, Field]:
    """Return the first field of each word; what is said in so many words comes before what a title lets guess."""
    out: dict[str, Field] = {}
    for found in sorted(fields, key=lambda f: f.from_title):
        out.setdefault(found.word, found)
    return out


def _block_start(sheet: RawSheet, heading: Heading, previous: Heading, holes: set[str]) -> int:
    """Return the first row that belongs to a further heading: the row after the last one that holds a hole's id."""
    columns = previous.columns("hole") or [c for c, m in enumerate(previous.meanings) if m.kind == READING]
    for row in range(heading.first - 1, max(previous.last, heading.first - FIELD_ROWS), -1):
        if any(hole_key(sheet.grid.cell(row, c)) in holes for c in columns):
            return row + 1
        if not previous.columns("hole") and any(isinstance(sheet.grid.cell(row, c), float) for c in columns):
            return row + 1
    return max(previous.last + 1, heading.first - FIELD_ROWS)


def _footers(
    sheet: RawSheet, heading: Heading, rows: IntArray, vocabulary: Vocabulary, spec: Specification
) -> tuple[list[Field], IntArray]:
    """Part rows such as 'Inspected by: 2' under a table from its data."""
    candidates = np.zeros(sheet.grid.rows, dtype=np.bool_)
    for column in sheet.grid.columns:
        if column.codes is None:
            continue
        flags = np.zeros(len(column.labels) + 1, dtype=np.bool_)
        flags[: len(column.labels)] = [isinstance(x, str) and ":" in x for x in column.labels]
        if flags.any():
            candidates |= flags[column.codes]
    if not candidates.any():
        return [], rows
    found: list[Field] = []
    for row in rows[candidates[rows]]:
        found += find_fields(sheet.grid, [int(row)], vocabulary, spec, colon_only=True)
    taken = {f.row for f in found}
    numbers = [c for c, m in enumerate(heading.meanings) if m.kind == READING]
    taken = {r for r in taken if not any(isinstance(sheet.grid.cell(r, c), float) for c in numbers)}
    keep = np.array([int(r) not in taken for r in rows], dtype=np.bool_)
    return [f for f in found if f.row in taken], rows[keep]


def _own_sheet(sheet: RawSheet, headings: list[Heading], marker: Marker) -> Layout:
    """Part a sheet of ours, whose layout is known to the cell."""
    grid = sheet.grid
    heading = next((h for h in headings if h.meanings[0].word == "hole"), None)
    fields: list[Field] = []
    stop = heading.first if heading else min(grid.rows, 60)
    for row in range(FIRST_FIELD_ROW - 1, stop):
        label = grid.cell(row, FIELD_COLUMN - 1)
        word = FIELDS.get(label.strip()) if isinstance(label, str) else None
        content = grid.cell(row, ENTRY_COLUMN - 1)
        if word is not None and content is not None:
            fields.append(Field(word, content, row, ENTRY_COLUMN - 1, "C" if word == "temperature_c" else ""))
    fields.append(Field("unit", marker.unit, 1, 0))
    if heading is None:
        return Layout([], fields, marker)
    end = heading.last + 1
    while end < grid.rows and (grid.cell(end, 0) is not None or grid.cell(end, 1) is not None):
        end += 1
    rows = np.arange(heading.last + 1, end, dtype=np.int64)
    return Layout([Block(heading, rows, _first(fields))], fields, marker)


def views(heading: Heading) -> list[tuple[int, ...]]:
    """Return the columns of each table under one heading: several where hole columns stand side by side."""
    holes = heading.columns("hole")
    everything = tuple(c for c, m in enumerate(heading.meanings) if m.kind in {FIELD, READING, IGNORED})
    if len(holes) < 2:
        return [everything]
    edges = [*holes, len(heading.meanings)]
    shared = tuple(c for c in everything if c < holes[0])
    return [(*shared, *(c for c in everything if start <= c < end)) for start, end in pairwise(edges)]
