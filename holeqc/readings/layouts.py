"""A sheet parted into tables: which rows belong to which heading, and what the fields around them say."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from holeqc.readings.fields import Field, find_fields, is_label
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
    """All tables of a sheet, and the fields around them."""

    blocks: list[Block]
    fields: list[Field]
    marker: Marker | None = None
    twice: list[tuple[Field, Field]] = field(default_factory=list)  #: fields said twice over one table, differently


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
        return _own_sheet(sheet, headings, marker, spec)
    if not headings:
        rows = np.flatnonzero(sheet.grid.filled_rows())[:60]
        return Layout([], find_fields(sheet.grid, map(int, rows), vocabulary, spec))
    filled = sheet.grid.filled_rows()
    starts = [0] + [_block_start(sheet, h, p, vocabulary) for p, h in pairwise(headings)]
    ends = [*starts[1:], sheet.grid.rows]
    blocks: list[Block] = []
    everything: list[Field] = []
    twice: list[tuple[Field, Field]] = []
    inherited: dict[str, Field] = {}
    for heading, start, end in zip(headings, starts, ends, strict=True):
        above = [r for r in range(start, heading.first) if filled[r]]
        fields = find_fields(sheet.grid, above[-FIELD_ROWS * 4 :], vocabulary, spec)
        rows = np.arange(heading.last + 1, end, dtype=np.int64)
        rows = rows[filled[rows]]
        below, rows = _footers(sheet, heading, rows, vocabulary, spec)
        everything += fields + below
        twice += _twice(fields)
        inherited = inherited | _first(fields)
        blocks.append(Block(heading, rows, _first(below) | inherited))
    return Layout(blocks, everything, twice=twice)


def _first(fields: list[Field]) -> dict[str, Field]:
    """Return the first field of each word; what is said in so many words comes before what a title lets guess."""
    out: dict[str, Field] = {}
    for found in sorted(fields, key=lambda f: f.from_title):
        out.setdefault(found.word, found)
    return out


def _twice(fields: list[Field]) -> list[tuple[Field, Field]]:
    """Return pairs of fields with one word and different contents."""
    first = _first(fields)
    return [
        (first[f.word], f)
        for f in fields
        if not f.from_title and f.word not in {"ignore", "note"} and f.content != first[f.word].content
    ]


def _block_start(sheet: RawSheet, heading: Heading, previous: Heading, vocabulary: Vocabulary) -> int:
    """Return the first row that belongs to a further heading: the one after the last row of data above it."""
    for row in range(heading.first - 1, max(previous.last, heading.first - FIELD_ROWS), -1):
        if _is_data(sheet, row, previous, vocabulary):
            return row + 1
    return max(previous.last + 1, heading.first - FIELD_ROWS)


def _is_data(sheet: RawSheet, row: int, heading: Heading, vocabulary: Vocabulary) -> bool:
    """Whether a row holds readings under a heading: reading columns are filled, and not by labels of fields."""
    contents = sheet.grid.row(row)
    readings = [contents[c] for c, m in enumerate(heading.meanings) if m.kind == READING and c < len(contents)]
    first = next((c for c in contents if c is not None), None)
    if any(is_label(c, vocabulary) for c in (first, *readings)):
        return False
    return any(c is not None for c in readings)


def _footers(
    sheet: RawSheet, heading: Heading, rows: IntArray, vocabulary: Vocabulary, spec: Specification
) -> tuple[list[Field], IntArray]:
    """Part rows such as 'Inspected by: 2' under a table from its data: only fields stand in their reading columns."""
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
    taken: set[int] = set()
    readings = [c for c, m in enumerate(heading.meanings) if m.kind == READING]
    for row in rows[candidates[rows]].tolist():
        fields = find_fields(sheet.grid, [row], vocabulary, spec, colon_only=True)
        of_fields = {f.column for f in fields}
        others = (sheet.grid.cell(row, c) for c in readings if c not in of_fields)
        if fields and all(x is None or (isinstance(x, str) and ":" in x) for x in others):
            found += fields
            taken.add(row)
    keep = np.array([r not in taken for r in rows.tolist()], dtype=np.bool_)
    return found, rows[keep]


def _own_sheet(sheet: RawSheet, headings: list[Heading], marker: Marker, spec: Specification) -> Layout:
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
    # a blank row that somebody put in between doesn't end the table
    holes = {hole_key(h) for h in spec.hole_ids}
    later = [r for r in range(end, grid.rows) if hole_key(grid.cell(r, 0)) in holes and grid.cell(r, 1) is not None]
    rows = np.concatenate([np.arange(heading.last + 1, end, dtype=np.int64), np.array(later, dtype=np.int64)])
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
