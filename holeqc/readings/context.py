"""What reading a table needs beside its cells, and what is tallied over a whole sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from holeqc.problems import Problem
from holeqc.readings.collect import Collector
from holeqc.readings.draft import Draft
from holeqc.readings.grid import BoolArray, IntArray
from holeqc.readings.headings import READING, Meaning, Vocabulary
from holeqc.readings.issues import Issue
from holeqc.readings.layouts import Block, views
from holeqc.readings.options import ReadOptions
from holeqc.readings.sources import Source, source
from holeqc.readings.synonyms import FIELD
from holeqc.readings.table import ColumnUse, cell_name
from holeqc.readings.xlsx import RawSheet
from holeqc.specification.model import Specification


@dataclass(slots=True)
class Tally:
    """What is said once for a whole sheet."""

    named: dict[tuple[int, int], tuple[int, int]] = field(default_factory=dict)  #: (part, serial) -> cell from 0
    read: set[tuple[int, int]] = field(default_factory=set)  #: (part, serial) with readings
    ignored: dict[str, int] = field(default_factory=dict)  #: heading of a known column that holds no readings -> cells
    unread: set[tuple[int, int]] = field(default_factory=set)  #: first row of a heading, column: told as not read
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
    used: BoolArray = field(default_factory=lambda: np.zeros((0, 0), dtype=np.bool_))  #: cells accounted for
    unit: str = ""  #: in or mm, where a heading says nothing
    own: bool = False  #: a sheet of ours, whose layout is known
    tally: Tally = field(default_factory=Tally)
    uses: list[ColumnUse] = field(default_factory=list)  #: how the columns of its tables were understood

    def problem(self, issue: Issue, found: str, row: int, column: int, **tied: str) -> Problem:
        """Return the problem of a cell (row and column from 0, -1 where there is no cell)."""
        cell = cell_name(row + 1, column + 1) if row >= 0 and column >= 0 else ""
        return issue.problem(found=found, file=self.sheet.file, sheet=self.sheet.name, cell=cell, **tied)

    def mark(self, rows: IntArray, columns: Sequence[int]) -> None:
        """Note that cells of some rows and columns (from 0) are read, or named as not read."""
        for column in columns:
            if column < self.used.shape[1]:
                self.used[rows, column] = True

    def say(self, issue: Issue, found: str, row: int = -1, column: int = -1, **tied: str) -> None:
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
