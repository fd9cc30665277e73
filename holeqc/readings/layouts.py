"""A sheet parted into tables: which rows belong to which heading, and what the fields around them say."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import BoolArray, IntArray
from holeqc.readings.containers import BLANK, CodeArray, Content, Grid, ReadOptions
from holeqc.readings.distances import find_distances
from holeqc.readings.draft import Draft
from holeqc.readings.files import RawSheet
from holeqc.readings.headings import IGNORED, MODIFIER, READING, UNKNOWN, Heading, Meaning, Vocabulary, find_headings
from holeqc.readings.identities import Titles
from holeqc.readings.sheet_layout import (
    BEFORE,
    DISTANCES_FOR_PEOPLE,
    ENTRY_COLUMN,
    FIELD_COLUMN,
    FIELDS,
    FIRST_FIELD_ROW,
    FOR_PEOPLE,
    Marker,
    is_marked,
    parse_marker,
)
from holeqc.readings.synonyms import FIELD, plain
from holeqc.readings.table import Collector, ColumnUse, cell_name
from holeqc.readings.words import hole_key
from holeqc.specification.model import Specification

# What stands above a table or below it: serial, part, date, gauge, unit, kit, in whatever form people write it.


REACH = 4  #: a field's value stands at most so many columns to the right of its label

_SERIAL = re.compile(
    r"\b(?:s\s?/\s?n|ser(?:ial)?|serien-?(?:nr|nummer)|(?:n\.?[°º]|no|num[eé]ro|n[uú]mero) de s[eé]rie)\b\.?"
    r"(?:\s*(?:no|nr|number)\b\.?|\s*#)?\s*[:#]?\s*([\w][\w./-]*)",
    re.I,
)
_FURTHER = re.compile(r"\s*(?:[,;&]|\band\b)\s*([\w][\w./-]*)", re.I)  #: a serial number behind another
NUMBERED = re.compile(r"(?=.*\d)[\w./-]+")  #: what may be a serial number behind another
_DATE = re.compile(
    r"\b(\d{4}-\d{2}-\d{2}|\d{1,2}[./]\d{1,2}[./]\d{4}|\d{1,2}\.? (?:de )?[^\W\d_]{3,10}\.?,? (?:de )?\d{4}"
    r"|[^\W\d_]{3,10}\.? \d{1,2}, \d{4})\b"
)
_UNITS = re.compile(
    r"\b(?:dimensions?|readings?|values?|units?|sizes?|ma(?:ß|ss)e|einheit(?:en)?|cotes?|mesures|unités?|cotas|medidas|"
    r"dimensiones|unidad(?:es)?)\b[^\d]*?\b(?:(?:in|en)\s+)?(mm|millimet(?:re|er)s?|inch(?:es)?|zoll|pouces?|pulgadas?)\b",
    re.I,
)


@dataclass(frozen=True, slots=True)
class Field:
    """One field: our word, its content, the cell of the content (row and column from 0), and whether from a title."""

    word: str
    content: Content
    row: int
    column: int
    unit: str = ""
    from_title: bool = False
    label: tuple[int, int] = (-1, -1)  #: cell of the label, where the content stands in another one


def find_fields(
    grid: Grid, rows: Iterable[int], vocabulary: Vocabulary, spec: Specification, *, colon_only: bool = False
) -> list[Field]:
    """Return the fields in some rows, in order. ``colon_only``: only labels that end in a colon count."""
    found: list[Field] = []
    taken: set[tuple[int, int]] = set()
    for row in rows:
        for column in range(grid.width):
            content = grid.cell(row, column)
            if (row, column) in taken or not isinstance(content, str):
                continue
            for field in _fields_of_cell(grid, row, column, content, vocabulary, colon_only):
                found.append(field)
                taken.add((field.row, field.column))
            if not any(f.row == row and f.column == column for f in found) and not colon_only:
                found.extend(_from_title(content, row, column, spec, vocabulary))
    return found


def _label(text: str, vocabulary: Vocabulary) -> Meaning | None:
    meaning = vocabulary.meaning(text.strip().rstrip(":=").strip())
    known = (meaning.kind == FIELD and not meaning.weak) or (meaning.kind == IGNORED and not meaning.word)
    return meaning if known else None


def is_label(content: Content, vocabulary: Vocabulary) -> bool:
    """Whether a cell is the label of a field: 'Serial', 'Date:', 'Gauge: BG-2'."""
    return isinstance(content, str) and (
        content.rstrip().endswith(":") or _label(content.split(":", 1)[0], vocabulary) is not None
    )


def _is_heading(content: Content, vocabulary: Vocabulary) -> bool:
    """Whether a cell is a word that stands over readings, 'x' or 'Dia': no serial number."""
    return isinstance(content, str) and content.strip().isalpha() and vocabulary.meaning(content).kind == READING


def _fields_of_cell(
    grid: Grid, row: int, column: int, text: str, vocabulary: Vocabulary, colon_only: bool
) -> Iterable[Field]:
    pieces = _pieces(text, vocabulary) if ":" in text or "=" in text else [text]
    for number, piece in enumerate(pieces):
        label, sign, rest = _parted(piece)
        meaning = _label(label, vocabulary)
        if meaning is None or (colon_only and not sign):
            continue
        if rest:
            yield Field(meaning.word or "ignore", rest, row, column, meaning.unit, label=(row, column))
            continue
        if number == len(pieces) - 1:
            yield from _beside(grid, row, column, meaning, vocabulary, bool(sign))


def _pieces(text: str, vocabulary: Vocabulary) -> list[str]:
    """Return the fields of one cell; a further serial number behind a semicolon stays with the first."""
    out: list[str] = []
    for piece in (p for p in re.split(r"\s{2,}|[;\n\t]", text) if p.strip()):
        label, _, rest = _parted(out[-1]) if out else ("", "", "")
        meaning = _label(label, vocabulary) if rest else None
        if meaning is not None and meaning.word == "serial" and NUMBERED.fullmatch(piece.strip()):
            out[-1] += f"; {piece.strip()}"
        else:
            out.append(piece)
    return out


def _parted(piece: str) -> tuple[str, str, str]:
    for sign in (":", "="):
        label, found, rest = piece.partition(sign)
        if found:
            return label, sign, rest.strip()
    return piece, "", ""


def _beside(grid: Grid, row: int, column: int, meaning: Meaning, vocabulary: Vocabulary, sure: bool) -> Iterable[Field]:
    """Yield the field whose content stands to the right of its label, or below it."""
    for right in range(column + 1, min(column + 1 + REACH, grid.width)):
        content = grid.cell(row, right)
        if content is None:
            continue
        if not is_label(content, vocabulary) and not (meaning.word == "serial" and _is_heading(content, vocabulary)):
            yield Field(meaning.word or "ignore", content, row, right, meaning.unit, label=(row, column))
            return
        break
    below = grid.cell(row + 1, column)
    placed = isinstance(below, str) and bool(placed_by(below, vocabulary)[0])  # 'NEAR' over the next table
    if not sure and below is not None and not placed and not is_label(below, vocabulary):
        yield Field(meaning.word or "ignore", below, row + 1, column, meaning.unit, label=(row, column))


def _with_further(text: str, match: re.Match[str]) -> str:
    """Return a serial number in a title with those of the same pattern that follow it."""
    pattern = re.sub(r"\d", "0", match[1].rstrip("."))
    end = match.end()
    while (further := _FURTHER.match(text, end)) and re.sub(r"\d", "0", further[1].rstrip(".")) == pattern:
        end = further.end()
    return text[match.start(1) : end].rstrip(".")


def placed_by(text: str, vocabulary: Vocabulary) -> tuple[str, str]:
    """Return ('wall', text) or ('hole', id) for a line that says nothing but where the readings below were taken."""
    meaning = vocabulary.meaning(text.strip().rstrip(":="))
    if (
        meaning.kind != MODIFIER
        or meaning.direction is not None
        or meaning.trial
        or bool(meaning.hole) == (meaning.wall >= 0)
    ):
        return "", ""
    return ("hole", meaning.hole) if meaning.hole else ("wall", text.strip().rstrip(":="))


def _from_title(text: str, row: int, column: int, spec: Specification, vocabulary: Vocabulary) -> Iterable[Field]:
    """Yield what a free title says: serial, part, wall, day, unit, drawing, gauge."""
    if len(text) > 300:
        return
    word, what = placed_by(text, vocabulary)
    if word == "wall" or (word and not text.strip().isalnum()):
        yield Field(word, what, row, column, from_title=True)
        return
    if (match := _SERIAL.search(text)) and any(c.isdigit() for c in match[1]):
        yield Field("serial", _with_further(text, match), row, column, from_title=True)
    if match := _DATE.search(text):
        yield Field("date", match[1], row, column, from_title=True)
    if match := _UNITS.search(text):
        yield Field("unit", match[1], row, column, from_title=True)
    words = re.findall(r"[\w-]+", plain(text))
    names = [p.name for p in spec.parts if plain(p.name) in words]
    if len(names) == 1 and len(spec.parts) > 1:
        yield Field("part", names[0], row, column, from_title=True)
    for named in Titles(spec).names_in(text):
        if named.agrees is not None:
            yield Field(named.kind, named.value, row, column, from_title=True)


FIELD_ROWS = 15  #: fields of a further block stand at most so many rows above its heading


@dataclass(slots=True)
class Block:
    """Rows under one heading with the fields that apply to them; rows from 0, blank ones left out."""

    heading: Heading
    rows: IntArray
    fields: dict[str, Field] = dataclasses.field(default_factory=dict)
    sections: list[Field] = dataclasses.field(default_factory=list)  #: rows inside it that say what holds from there on


@dataclass(slots=True)
class Layout:
    """All tables of a sheet, and the fields around them."""

    blocks: list[Block]
    fields: list[Field]
    marker: Marker | None = None
    twice: list[tuple[Field, Field]] = dataclasses.field(
        default_factory=list
    )  #: fields said twice over one table, differently


def find_marker(sheet: RawSheet) -> Marker | None:
    """Return the marker of a sheet of ours: cell A2, else any cell of the first five rows."""
    for row in (1, 0, 2, 3, 4):
        for column in range(min(sheet.grid.width, 4)):
            if marker := parse_marker(sheet.grid.cell(row, column)):
                return marker
    return None


def part_sheet(sheet: RawSheet, vocabulary: Vocabulary, spec: Specification) -> Layout:
    """Return the tables of a sheet and the fields around them."""
    headings = _with_distances(find_headings(sheet, vocabulary), find_distances(sheet, vocabulary, spec))
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


def _with_distances(headings: list[Heading], distances: list[Heading]) -> list[Heading]:
    """Return all headings top down; those of distances take the place of what else was seen in their rows."""
    taken = {row for heading in distances for row in range(heading.first, heading.last + 1)}
    others = [h for h in headings if not taken & set(range(h.first, h.last + 1))]
    return sorted([*others, *distances], key=lambda heading: heading.first)


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
    if not labelled and len(cells) > 1:
        return []
    if not labelled:
        return [f for f in find_fields(sheet.grid, [row], vocabulary, spec) if f.word in _PLACES]
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
    tables = ([h for h in headings if any(m.word == word for m in h.meanings[:2])] for word in ("hole", "from"))
    firsts = (some[0] for some in tables if some)
    found = [replace(h, meanings=tuple(map(_own_meaning, h.texts, h.meanings))) for h in firsts]
    fields: list[Field] = []
    stop = min((h.first for h in found), default=min(grid.rows, 60))
    for row in range(FIRST_FIELD_ROW - 1, stop):
        label = grid.cell(row, FIELD_COLUMN - 1)
        word = FIELDS.get(label.strip()) if isinstance(label, str) else None
        content = grid.cell(row, ENTRY_COLUMN - 1)
        if word is not None and content is not None:
            fields.append(Field(word, content, row, ENTRY_COLUMN - 1, "C" if word == "temperature_c" else ""))
    fields.append(Field("unit", marker.unit, 1, 0))
    holes = {hole_key(h) for h in spec.hole_ids}
    blocks = []
    for heading in found:
        below = min((h.first for h in found if h.first > heading.first), default=grid.rows)
        end = heading.last + 1
        while end < below and (grid.cell(end, 0) is not None or grid.cell(end, 1) is not None):
            end += 1
        # a blank row that somebody put in between doesn't end the table
        later = [r for r in range(end, below) if hole_key(grid.cell(r, 0)) in holes and grid.cell(r, 1) is not None]
        rows = np.concatenate([np.arange(heading.last + 1, end, dtype=np.int64), np.array(later, dtype=np.int64)])
        if any(m.word == "from" for m in heading.meanings):  # its lines below say what U to expect
            rows = rows[[not is_marked(grid.cell(int(r), 0)) for r in rows]]
        blocks.append(Block(heading, rows, _first(fields)))
    return Layout(blocks, fields, marker)


def _own_meaning(text: str, meaning: Meaning) -> Meaning:
    """Return what a column of a sheet of ours holds: those for people are known by name."""
    if text.split(" [")[0] in DISTANCES_FOR_PEOPLE:
        return Meaning(IGNORED, "", reason="verdict")
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


# Where each row's hole, serial, part, gauge and the like come from: a column, a merged cell, a field, an option.


@dataclass(slots=True)
class Source:
    """Codes (n,) into distinct ``labels``, -1 where nothing is said; the cell (from 0) where each was said, -1 none.

    ``filled`` marks rows where a blank cell took what stands above it.
    """

    codes: CodeArray
    labels: list[Content]
    at_row: IntArray
    at_column: IntArray
    filled: BoolArray
    from_column: bool = False

    def said(self) -> BoolArray:
        """Return where something is said."""
        return self.codes >= 0

    def used(self) -> list[Content]:
        """Return the labels that some row says; a column's labels hold its heading and titles too."""
        there = np.zeros(len(self.labels) + 1, dtype=np.bool_)
        there[self.codes] = True
        return [label for label, says in zip(self.labels, there[:-1].tolist(), strict=True) if says]

    def own(self) -> None:
        """Make the places arrays of its own, to be written to: at first all rows share one, or the table's."""
        self.at_row, self.at_column = self.at_row.copy(), self.at_column.copy()
        self.filled = self.filled.copy()


def source(
    sheet: RawSheet,
    word: str,
    columns: Sequence[int],
    blocks: Sequence[Block],
    rows: IntArray,
    block_of: IntArray,
    default: str = "",
) -> Source:
    """Return what each row says of one field.

    ``columns``: those of the heading that name it, the first with contents counts; ``rows`` (n,) from 0 and
    ``block_of`` (n,) tell which block's fields apply where the column is blank or missing.
    """
    size = rows.size
    nowhere = np.broadcast_to(np.int64(-1), size)
    out = Source(np.full(size, BLANK, dtype=np.int32), [], nowhere, nowhere, np.broadcast_to(np.False_, size))
    for column in columns:
        codes, labels = _column_codes(sheet, column, rows)
        fresh = (codes >= 0) & (out.codes < 0)
        if size and fresh.all():
            return Source(codes, labels, rows, np.broadcast_to(np.int64(column), size), out.filled, from_column=True)
        if fresh.any():
            out.own()
            out.from_column = True
            out.codes[fresh] = codes[fresh] + len(out.labels)
            out.labels.extend(labels)
            out.at_row[fresh], out.at_column[fresh] = rows[fresh], column
    _from_sections(out, word, blocks, rows, block_of)
    _from_fields(out, word, blocks, block_of)
    if default:
        rest = out.codes < 0
        out.codes[rest] = len(out.labels)
        out.labels.append(default)
    return out


def _column_codes(sheet: RawSheet, column: int, rows: IntArray) -> tuple[CodeArray, list[Content]]:
    grid_column = sheet.grid.columns[column]
    reach = [m for m in sheet.scan.merged if m[1] - 1 == column and m[2] > m[0]]
    if not reach:
        return grid_column.as_labels(rows)
    codes, labels = grid_column.as_labels(np.arange(sheet.grid.rows, dtype=np.int64))
    for first, _, last, _ in reach:
        if first <= sheet.grid.rows:
            codes[first - 1 : last] = codes[first - 1]
    return codes[rows], labels


def _from_sections(out: Source, word: str, blocks: Sequence[Block], rows: IntArray, block_of: IntArray) -> None:
    """Give rows what the last row above them inside their table said of a field.

    What an outer section says ('Hole 3' above 'NEAR WALL') ends what inner ones said; which is the outer one is told
    by which comes first.
    """
    for number, block in enumerate(blocks):
        order = list(dict.fromkeys(f.word for f in block.sections))
        if word not in order:
            continue
        out.own()
        outer = set(order[: order.index(word)])
        events = [f for f in block.sections if f.word == word or f.word in outer]
        starts = np.array([f.row for f in events], dtype=np.int64)
        codes = np.empty(len(events) + 1, dtype=np.int32)
        codes[-1] = BLANK
        for place, event in enumerate(events):
            codes[place] = len(out.labels) if event.word == word else BLANK
            if event.word == word:
                out.labels.append(event.content)
        mine = np.flatnonzero((block_of == number) & (out.codes < 0))
        at = np.searchsorted(starts, rows[mine], side="right") - 1
        said = codes[at] >= 0
        out.codes[mine[said]] = codes[at[said]]
        out.at_row[mine[said]] = np.array([f.row for f in events], dtype=np.int64)[at[said]]
        out.at_column[mine[said]] = np.array([f.column for f in events], dtype=np.int64)[at[said]]


def _from_fields(out: Source, word: str, blocks: Sequence[Block], block_of: IntArray) -> None:
    fields: list[Field | None] = [b.fields.get(word) for b in blocks]
    if not any(fields):
        return
    index: dict[Content, int] = {}
    codes = np.full(len(blocks), BLANK, dtype=np.int32)
    places = np.full((len(blocks), 2), -1, dtype=np.int64)
    for number, field in enumerate(fields):
        if field is not None:
            codes[number] = index.setdefault(field.content, len(index))
            places[number] = field.row, field.column
    rest = (out.codes < 0) & (codes[block_of] >= 0)
    out.own()
    out.codes[rest] = codes[block_of][rest] + len(out.labels)
    out.at_row[rest], out.at_column[rest] = places[block_of[rest], 0], places[block_of[rest], 1]
    out.labels.extend(index)


def fill_down(out: Source, rows: IntArray, block_of: IntArray, where: BoolArray) -> None:
    """Give blank cells of a column what stands above them, as far as rows follow one another without a gap.

    Only where the field has a column of its own; ``where`` limits it. Marks the rows in ``filled``.
    """
    if not out.from_column or not (out.codes < 0).any() or not rows.size:
        return
    run = np.concatenate([[0], np.cumsum((np.diff(rows) != 1) | (np.diff(block_of) != 0))])
    own = np.where(out.codes >= 0, np.arange(rows.size), -1)
    above = np.maximum.accumulate(own)
    usable = (out.codes < 0) & (above >= 0) & where
    usable &= run == run[np.maximum(above, 0)]
    out.own()
    out.codes[usable] = out.codes[above[usable]]
    out.at_row[usable], out.at_column[usable] = out.at_row[above[usable]], out.at_column[above[usable]]
    out.filled |= usable


# What reading a table needs beside its cells, and what is tallied over a whole sheet.


@dataclass(slots=True)
class Tally:
    """What is said once for a whole sheet."""

    named: dict[tuple[int, int], tuple[int, int]] = dataclasses.field(
        default_factory=dict
    )  #: (part, serial) -> cell from 0
    read: set[tuple[int, int]] = dataclasses.field(default_factory=set)  #: (part, serial) with readings
    ignored: dict[str, int] = dataclasses.field(
        default_factory=dict
    )  #: heading of a known column that holds no readings -> cells
    unread: set[tuple[int, int]] = dataclasses.field(
        default_factory=set
    )  #: first row of a heading, column: told as not read
    text_numbers: int = 0
    first_text_number: tuple[int, int] = (-1, -1)
    unit_assumed: int = 0
    numbers: int = 0


@dataclass(slots=True)
class Context:
    """One sheet while it is read."""

    spec: Specification
    options: ReadOptions
    vocabulary: Vocabulary
    collector: Collector
    draft: Draft
    sheet: RawSheet
    decimal: str = ""
    serial: str = ""  #: of the sheet, where it names none itself
    part: str = ""
    used: BoolArray = dataclasses.field(
        default_factory=lambda: np.zeros((0, 0), dtype=np.bool_)
    )  #: cells accounted for
    unit: str = ""  #: in or mm, where a heading says nothing
    own: bool = False  #: a sheet of ours, whose layout is known
    tally: Tally = dataclasses.field(default_factory=Tally)
    uses: list[ColumnUse] = dataclasses.field(default_factory=list)  #: how the columns of its tables were understood

    def problem(self, issue: Problem, found: str, row: int, column: int, **tied: str) -> Problem:
        """Return the problem of a cell (row and column from 0, -1 where there is no cell)."""
        cell = cell_name(row + 1, column + 1) if row >= 0 and column >= 0 else ""
        return issue.at(found=found, file=self.sheet.file, sheet=self.sheet.name, cell=cell, **tied)

    def mark(self, rows: IntArray, columns: Sequence[int]) -> None:
        """Note that cells of some rows and columns (from 0) are read, or named as not read."""
        for column in columns:
            if column < self.used.shape[1]:
                self.used[rows, column] = True

    def say(self, issue: Problem, found: str, row: int = -1, column: int = -1, **tied: str) -> None:
        """Add the problem of a cell."""
        self.collector.add(self.problem(issue, found, row, column, **tied))

    def tied(self, part: int, serial: int, hole: int = -1, wall: int = -1) -> dict[str, str]:
        """Return the names of part, serial, hole and wall; negative codes give ''."""
        spec = self.spec
        return {
            "part": spec.parts[part].name if part >= 0 else "",
            "serial": self.draft.serial.texts[serial] if serial >= 0 else "",
            "hole": spec.hole_ids[hole] if hole >= 0 else "",
            "wall": spec.walls.names[wall] if wall >= 0 else "",
        }


class Table:
    """The rows of all blocks of a sheet that have the same heading, and the columns of one table in it."""

    def __init__(self, context: Context, blocks: Sequence[Block], columns: Sequence[int], alone: bool = True) -> None:
        self.alone = alone
        self.context = context
        self.blocks = blocks
        self.meanings: tuple[Meaning, ...] = blocks[0].heading.meanings
        self.texts = blocks[0].heading.texts
        self.columns = [c for c in columns if c < context.sheet.grid.width]
        self.rows: IntArray = np.concatenate([b.rows for b in blocks])
        self.block_of: IntArray = np.repeat(np.arange(len(blocks)), [b.rows.size for b in blocks])
        self.readings: list[int] = []
        self.filled: dict[int, BoolArray] = {}
        self.any_reading: BoolArray = np.zeros(self.rows.size, dtype=np.bool_)
        diameters = any(m.kind == READING and m.word == "diameter" for m in self.meanings)
        extremes = [c for c in self.columns if self.meanings[c].reason == "extreme" and not diameters]
        self.take_for_readings([c for c in self.columns if self.meanings[c].kind == READING], extremes)

    def take_for_readings(self, columns: Sequence[int], likely: Sequence[int] = ()) -> None:
        """Say which columns hold readings, and which may; rows in which one is filled are rows with readings."""
        grid = self.context.sheet.grid
        self.readings = list(columns)
        filled = {c: grid.columns[c].filled(grid.rows)[self.rows] for c in (*columns, *likely)}
        self.filled = {c: filled[c] for c in columns}
        self.any_reading = np.zeros(self.rows.size, dtype=np.bool_)
        for where in filled.values():
            self.any_reading |= where

    def span(self) -> range:
        """Return the columns of this table, those not understood among them; all, where no other table is beside it."""
        last = min(len(self.meanings), self.context.sheet.grid.width)
        if not self.columns or self.alone:
            return range(last)
        behind = [c for view in views(self.blocks[0].heading) for c in view if c > self.columns[-1]]
        return range(self.columns[0], min([last, *behind]))  # what stands behind a table's columns may be of it

    def leave_out(self, rows: BoolArray) -> None:
        """Take some rows out of the table (rows,), as if they were not there."""
        keep = ~rows
        self.context.mark(self.rows[rows], self.columns)
        self.rows, self.block_of, self.any_reading = self.rows[keep], self.block_of[keep], self.any_reading[keep]
        self.filled = {column: filled[keep] for column, filled in self.filled.items()}

    def fields(self, word: str) -> list[int]:
        """Return the columns of a field."""
        return [c for c in self.columns if self.meanings[c].kind == FIELD and self.meanings[c].word == word]

    def source(self, word: str, default: str = "") -> Source:
        """Return what each row says of a field."""
        return source(self.context.sheet, word, self.fields(word), self.blocks, self.rows, self.block_of, default)

    def first_column(self, row: int) -> int:
        """Return the first filled column of a row of this table."""
        grid = self.context.sheet.grid
        return next((c for c in self.columns if grid.cell(int(self.rows[row]), c) is not None), 0)
