"""A sheet parted into tables: which rows belong to which heading, and what the fields around them say."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from holeqc.readings.fields import Field, find_fields, is_label, placed_by
from holeqc.readings.grid import Content, IntArray
from holeqc.readings.heading_rows import Heading, find_headings
from holeqc.readings.headings import IGNORED, MODIFIER, READING, UNKNOWN, Meaning, Vocabulary
from holeqc.readings.marker import (
    BEFORE,
    ENTRY_COLUMN,
    FIELD_COLUMN,
    FIELDS,
    FIRST_FIELD_ROW,
    FOR_PEOPLE,
    Marker,
    parse_marker,
)
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
    sections: list[Field] = field(default_factory=list)  #: rows inside it that say what holds from there on


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
        return _cards(sheet, vocabulary, spec)
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
        sections, rows = _sections(sheet, heading, rows, vocabulary, spec)
        below, rows = _footers(sheet, heading, rows, vocabulary, spec)
        everything += fields + below + sections
        twice += _twice(fields)
        inherited = {w: f for w, f in inherited.items() if w not in {"hole", "wall"}} | _first(fields)
        blocks.append(Block(heading, rows, _first(below) | inherited, sections))
    return Layout(blocks, everything, twice=twice)


def _sections(
    sheet: RawSheet, heading: Heading, rows: IntArray, vocabulary: Vocabulary, spec: Specification
) -> tuple[list[Field], IntArray]:
    """Part rows inside a table that only say what holds from there on: 'FAR WALL', 'Hole 3', 'Serial: P-8'.

    Such a row stands above further rows of readings, and none of its own cells is a reading.
    """
    grid = sheet.grid
    count, numbers = _filled_counts(sheet)
    labels = heading.columns("characteristic")
    candidates = rows[(count[rows] <= SECTION_CELLS) & (numbers[rows] <= 1)]
    found: list[Field] = []
    taken: list[int] = []
    for row in candidates[:SECTIONS_TRIED].tolist():
        cells: list[tuple[int, Content]] = [(c, x) for c, x in enumerate(grid.row(row)) if x is not None]
        fields = _section_fields(sheet, heading, row, cells, labels, vocabulary, spec)
        if fields:
            found += fields
            taken.append(row)
    last = max((int(r) for r in rows if r not in set(taken)), default=-1) if taken else -1
    kept = [f for f in found if f.row < last]
    out = np.isin(rows, [f.row for f in kept])
    return kept, rows[~out]


def _filled_counts(sheet: RawSheet) -> tuple[IntArray, IntArray]:
    """Return how many cells of each row are filled, and how many of them hold numbers."""
    grid = sheet.grid
    count, numbers = np.zeros(grid.rows, dtype=np.int64), np.zeros(grid.rows, dtype=np.int64)
    for column in grid.columns:
        count += column.filled(grid.rows)
        if column.numbers is not None:
            numbers += ~np.isnan(column.numbers)
    return count, numbers


def _section_fields(
    sheet: RawSheet,
    heading: Heading,
    row: int,
    cells: list[tuple[int, Content]],
    labels: list[int],
    vocabulary: Vocabulary,
    spec: Specification,
) -> list[Field]:
    """Return what a row inside a table says of the rows below it, nothing for a row of readings."""
    if not cells or not isinstance(cells[0][1], str):
        return []
    column, text = cells[0][0], str(cells[0][1])
    if len(cells) == 1:
        word, what = placed_by(text, vocabulary)
        own = heading.meanings[column] if column < len(heading.meanings) else None
        if word and not (own is not None and own.kind == FIELD and own.word == word and text.strip().isalnum()):
            return [Field(word, what, row, column)]
    labelled = column in labels or is_label(text, vocabulary)
    if not labelled:
        return [f for f in find_fields(sheet.grid, [row], vocabulary, spec) if len(cells) == 1 and f.word in _PLACES]
    fields = find_fields(sheet.grid, [row], vocabulary, spec)
    spoken_for = {f.column for f in fields} | {f.label[1] for f in fields}
    if any(c not in spoken_for for c, _ in cells):
        return []
    wanted = _PLACES if column not in labels else {f.word for f in fields} - {"ignore"}
    return [f for f in fields if f.word in wanted]


def _cards(sheet: RawSheet, vocabulary: Vocabulary, spec: Specification) -> Layout:
    """Read a sheet without headings whose cells say beside each reading what it is: a card for each hole.

    A card is a run of rows with labels such as 'near 0°' or 'X' in one column and readings to the right of them; a row
    above the run may name walls or directions over several columns of readings.
    """
    grid = sheet.grid
    blocks: list[Block] = []
    everything: list[Field] = []
    taken = np.zeros(grid.width + 1, dtype=np.bool_)
    first = grid.rows
    for column in range(grid.width):
        rows = _label_rows(sheet, column, vocabulary) if not taken[column] else np.empty(0, dtype=np.int64)
        if rows.size < CARD_ROWS:
            continue
        end = _card_end(sheet, column, rows, vocabulary)
        taken[column : end + 1] = True
        runs = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
        headings = [_card_heading(sheet, column, end, int(run[0]), vocabulary) for run in runs]
        headings = _carried_over(sheet, column, runs, headings, vocabulary)
        over = {int(run[0]) - 1 for run, h in zip(runs, headings, strict=True) if any(h.texts)}
        sections = [f for f in _card_sections(sheet, column, end, rows, vocabulary, spec) if f.row not in over]
        first = min([first, int(rows[0]), *(f.row for f in sections)])
        everything += sections
        blocks += [Block(heading, run, {}, sections) for heading, run in zip(headings, runs, strict=True)]
    top = find_fields(grid, (int(r) for r in np.flatnonzero(grid.filled_rows())[:60] if r < first), vocabulary, spec)
    for block in blocks:
        block.fields = _first([f for f in top if f.word not in _PLACES or f.word in {"serial", "part"}])
    if not blocks:
        rows = np.flatnonzero(grid.filled_rows())[:60]
        return Layout([], find_fields(grid, map(int, rows), vocabulary, spec))
    return Layout(blocks, top + everything, twice=_twice(top))


def _carried_over(
    sheet: RawSheet, column: int, runs: list[IntArray], headings: list[Heading], vocabulary: Vocabulary
) -> list[Heading]:
    """Let what stands over the columns of a card hold to its end: to the next blank row, hole or part."""
    out = list(headings)
    for number in range(1, len(out)):
        before, here = out[number - 1], out[number]
        between = range(int(runs[number - 1][-1]) + 1, int(runs[number][0]))
        ends = any(_begins_anew(sheet.grid.cell(row, column), vocabulary) for row in between)
        if any(before.texts) and not any(here.texts) and not ends:
            out[number] = replace(before, first=here.first, last=here.last)
    return out


def _begins_anew(content: Content, vocabulary: Vocabulary) -> bool:
    """Whether a cell between runs of a card ends it: a blank one, or the label of a hole or a part."""
    if not isinstance(content, str):
        return True
    meaning = vocabulary.meaning(content.split(":", 1)[0].strip())
    return bool(meaning.hole) or (meaning.kind == FIELD and meaning.word in {"hole", "serial", "part"})


def _label_rows(sheet: RawSheet, column: int, vocabulary: Vocabulary) -> IntArray:
    """Return the rows in which a column says what the cell to its right is a reading of."""
    grid = sheet.grid
    here, beside = grid.columns[column], grid.columns[column + 1] if column + 1 < grid.width else None
    if here.codes is None or beside is None:
        return np.empty(0, dtype=np.int64)
    means = []
    for label in here.labels:
        meaning = vocabulary.meaning(label.strip().rstrip(":=")) if isinstance(label, str) else None
        says = meaning is not None and (
            meaning.kind == READING
            or (meaning.kind == IGNORED and bool(meaning.word or meaning.reason))
            or (meaning.kind == FIELD and meaning.word in {"gauge:go", "gauge:no_go"})
            or (meaning.kind == MODIFIER and meaning.direction is not None)
        )
        means.append(says)
    hit = np.append(np.array(means, dtype=np.bool_), False)[here.codes]
    return np.flatnonzero(hit & beside.filled(grid.rows)).astype(np.int64)


def _card_end(sheet: RawSheet, column: int, rows: IntArray, vocabulary: Vocabulary) -> int:
    """Return the last column of readings beside a column of labels: as far as most of its rows are filled."""
    grid, end = sheet.grid, column + 1
    while end + 1 < grid.width and 2 * int(grid.columns[end + 1].filled(grid.rows)[rows].sum()) >= rows.size:
        texts = [x for x in (grid.cell(int(r), end + 1) for r in rows) if isinstance(x, str)]
        labels = sum(vocabulary.meaning(x.strip().rstrip(":=")).kind in {READING, IGNORED} for x in texts)
        if 2 * labels > rows.size:
            break  # labels of the next card
        end += 1
    return end


def _card_heading(sheet: RawSheet, column: int, end: int, first: int, vocabulary: Vocabulary) -> Heading:
    """Return what the columns beside a run of labels hold; the row above it may name walls or directions."""
    grid = sheet.grid
    width = grid.width
    meanings, texts = [Meaning(UNKNOWN)] * width, [""] * width
    meanings[column] = Meaning(FIELD, "characteristic")
    for place in range(column + 1, end + 1):
        above = grid.cell(first - 1, place)
        over = vocabulary.meaning(above) if above is not None else Meaning(UNKNOWN)
        meanings[place] = replace(over, kind=READING, word="") if over.kind == MODIFIER else Meaning(READING)
        texts[place] = str(above) if over.kind == MODIFIER else ""
        if place > column + 1 and over.kind != MODIFIER:
            meanings[place] = Meaning(UNKNOWN)
    return Heading(first - 1, first - 1, tuple(texts), tuple(meanings), card=True)


def _card_sections(
    sheet: RawSheet, column: int, end: int, rows: IntArray, vocabulary: Vocabulary, spec: Specification
) -> list[Field]:
    """Return what the rows of cards in some columns say of whose, which hole's and which wall's readings follow."""
    grid = sheet.grid
    first, last = int(rows[0]), int(rows[-1])
    found: list[Field] = []
    for row in np.flatnonzero(grid.columns[column].filled(grid.rows))[:SECTIONS_TRIED].tolist():
        text = grid.cell(row, column)
        if row > last or not isinstance(text, str):
            continue
        word, what = placed_by(text, vocabulary)
        if word:
            found.append(Field(word, what, row, column))
            continue
        fields = find_fields(grid, [row], vocabulary, spec)
        mine = [f for f in fields if f.word in {"hole", "wall"} or row > first]
        found += [f for f in mine if f.label[1] == column and f.column <= end and f.word != "ignore"]
        found += [f for f in mine if f.from_title and f.column == column and f.word in _PLACES]
    return found


#: what a row inside a table may say of the rows below it, and what ends with a new block
_PLACES = frozenset({"serial", "part", "hole", "wall"})
SECTION_CELLS, SECTIONS_TRIED, CARD_ROWS = 6, 50_000, 2


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
    if is_label(first, vocabulary) or any(isinstance(c, str) and c.rstrip().endswith(":") for c in readings):
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
    if heading is not None:
        heading = replace(heading, meanings=tuple(map(_own_meaning, heading.texts, heading.meanings)))
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


def _own_meaning(text: str, meaning: Meaning) -> Meaning:
    """Return what a column of a sheet of ours holds: those for people are known by name."""
    if text not in FOR_PEOPLE:
        return meaning
    if text in BEFORE:
        return Meaning(IGNORED, "", reason="before")
    reason = "limit" if "limit" in text else "drawing" if text.startswith("Basic") or "asked" in text else "verdict"
    word = text[-1] if text.startswith("Basic") else ""
    return Meaning(IGNORED, word, reason=reason)


def views(heading: Heading) -> list[tuple[int, ...]]:
    """Return the columns of each table under one heading: several where hole columns stand side by side."""
    holes = heading.columns("hole")
    if len(heading.columns("characteristic")) > 1:
        holes = heading.columns("characteristic")
    everything = tuple(c for c, m in enumerate(heading.meanings) if m.kind in {FIELD, READING, IGNORED})
    if len(holes) < 2:
        return [everything]
    edges = [*holes, len(heading.meanings)]
    shared = tuple(c for c in everything if c < holes[0])
    return [(*shared, *(c for c in everything if start <= c < end)) for start, end in pairwise(edges)]
