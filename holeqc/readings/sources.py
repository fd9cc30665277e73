"""Where each row's hole, serial, part, gauge and the like come from: a column, a merged cell, a field, an option."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holeqc.readings.fields import Field
from holeqc.readings.grid import BLANK, BoolArray, CodeArray, Content, IntArray
from holeqc.readings.layouts import Block
from holeqc.readings.xlsx import RawSheet


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
        return [self.labels[code] for code in np.unique(self.codes[self.codes >= 0])]


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
    out = Source(
        np.full(size, BLANK, dtype=np.int32),
        [],
        np.full(size, -1, dtype=np.int64),
        np.full(size, -1, dtype=np.int64),
        np.zeros(size, dtype=np.bool_),
    )
    for column in columns:
        codes, labels = _column_codes(sheet, column, rows)
        fresh = (codes >= 0) & (out.codes < 0)
        if fresh.any():
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


def _from_sections(
    out: Source, word: str, blocks: Sequence[Block], rows: IntArray, block_of: IntArray
) -> None:
    """Give rows what the last row above them inside their table said of a field.

    What an outer section says ('Hole 3' above 'NEAR WALL') ends what inner ones said; which is the outer one is told
    by which comes first.
    """
    for number, block in enumerate(blocks):
        order = list(dict.fromkeys(f.word for f in block.sections))
        if word not in order:
            continue
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
    out.codes[usable] = out.codes[above[usable]]
    out.at_row[usable], out.at_column[usable] = out.at_row[above[usable]], out.at_column[above[usable]]
    out.filled |= usable
