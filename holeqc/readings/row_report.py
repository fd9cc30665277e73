"""Problems with what rows say: labels that the kit doesn't know, labels that are missing or filled down."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from holeqc.problems import NOTE, Problem
from holeqc.readings.context import Table
from holeqc.readings.draft import Array
from holeqc.readings.grid import BoolArray, Content, IntArray
from holeqc.readings.identities import Match, text_of
from holeqc.readings.issues import Issue, warning
from holeqc.readings.leftovers import span
from holeqc.readings.sources import Source
from holeqc.readings.synonyms import FIELD

if TYPE_CHECKING:
    from holeqc.readings.rows import Rows

#: a label with a doubt of these makes the readings of its row unusable
NEEDED = {"hole", "wall", "part"}
#: what is told once for a label, in however many rows it stands
TOLD_ONCE = {"several-serials", "bad-serial", "unknown-wall", "unknown-characteristic", "unknown-unit"}
LOOK_ABOVE = 40  #: rows above readings in which the label of a field is looked for


class Reporter:
    """Reports what is wrong with labels of one table and marks the rows concerned."""

    def __init__(self, table: Table, rows: Rows) -> None:
        self._table, self._rows, self._context = table, rows, table.context
        self.said: dict[str, BoolArray] = {}  #: word -> where the row says it
        self._known_rows: frozenset[int] = frozenset()

    @property
    def _at(self) -> frozenset[int]:
        """Rows of the sheet (from 0) that belong to the table."""
        self._known_rows = self._known_rows or frozenset(self._table.rows.tolist())
        return self._known_rows

    def match(self, found: Source, match: Callable[[Content], Match], word: str) -> list[Match]:
        """Return what each label stands for, and report the doubtful ones."""
        matches = [match(label) for label in found.labels]
        self.report(found, matches, word, unusable=word in NEEDED)
        return matches

    def report(
        self,
        found: Source,
        matches: Sequence[Match],
        word: str,
        *,
        unusable: bool = False,
        marks: Array | None = None,
    ) -> None:
        """Report labels with a doubt; ``unusable``: readings of their rows carry the doubt too.

        ``marks`` (r,) takes the doubt instead of the rows' own, where only some of a row's readings carry it.
        """
        by_code: dict[str, list[int]] = {}
        for code, match in enumerate(matches):
            if match.issue is not None:
                by_code.setdefault(match.issue.code, []).append(code)
        for codes in by_code.values():
            rows = np.flatnonzero(np.isin(found.codes, codes) & self._table.any_reading)
            if not rows.size:
                continue
            if unusable or marks is not None:
                for code in codes:
                    self._mark(rows[found.codes[rows] == code], matches[code].issue, marks)
            issue = matches[codes[0]].issue
            if issue is not None and issue.severity == NOTE:
                self._notes(found, matches, rows)
                continue
            place = found.at_row[rows] * 100_000 + found.at_column[rows]
            if issue is not None and issue.code in TOLD_ONCE:
                place = found.codes[rows].astype(np.int64)
            first = rows[np.sort(np.unique(place, return_index=True)[1])]
            marked = unusable or marks is not None
            self._context.collector.cells(first.tolist(), self._maker(found, matches, word), marked=marked)

    def _mark(self, rows: IntArray, issue: Issue | None, marks: Array | None = None) -> None:
        """Give rows an issue unless they have one; the problem itself is reported by the caller."""
        marks = self._rows.issue if marks is None else marks
        if issue is not None and issue.holds:
            code = self._context.draft.issue_code(issue)
            self._context.draft.reported.add(code)
            marks[rows] = np.where(marks[rows] == 0, code, marks[rows])

    def _tied(self, row: int) -> dict[str, str]:
        known = self._rows
        return self._context.tied(*(max(int(x[row]), -1) for x in (known.part, known.serial, known.hole, known.wall)))

    def _maker(self, found: Source, matches: Sequence[Match], word: str) -> Callable[[int], Problem]:
        def make(row: int) -> Problem:
            code = int(found.codes[row])
            issue = matches[code].issue
            assert issue is not None
            shown = f"{word} {text_of(found.labels[code])!r}"
            at, tied = int(found.at_row[row]), self._tied(row)
            if word == "serial" or at not in self._at:  # said of the whole part, not of a row's hole
                tied |= {"hole": "", "wall": ""}
            return self._context.problem(issue, shown, at, int(found.at_column[row]), **tied)

        return make

    def _notes(self, found: Source, matches: Sequence[Match], rows: IntArray) -> None:
        """Say once for each label how it was read."""
        for code in np.unique(found.codes[rows]):
            issue = matches[code].issue
            if issue is None:
                continue
            where = rows[found.codes[rows] == code]
            first = int(where[0])
            count = f", {where.size} rows" if where.size > 1 else ""
            self._context.say(
                replace(issue, message=issue.message + count),
                repr(text_of(found.labels[code])),
                int(found.at_row[first]),
                int(found.at_column[first]),
            )

    def filled_down(self, found: dict[str, Source]) -> None:
        """Say where blank cells took what stands above them."""
        for word, each in found.items():
            rows = np.flatnonzero(each.filled & self._table.any_reading)
            if rows.size:
                first, last = int(self._table.rows[rows[0]]), int(self._table.rows[rows[-1]])
                issue = warning(
                    "filled-down",
                    f"the {word} is blank in {span(rows.size, first, last)}: taken from the cell above",
                    action=f"Type the {word} in every row",
                )
                above = f"blank; above it {text_of(each.labels[each.codes[rows[0]]])!r}"
                self._context.say(issue, above, first, int(each.at_column[rows[0]]))

    def missing(self) -> None:
        """Report rows with readings but without a serial, a part or a hole."""
        table, rows, spec = self._table, self._rows, self._context.spec
        nothing = np.zeros(table.rows.size, dtype=np.bool_)
        unnamed_hole = nothing if any(table.meanings[c].hole for c in table.readings) else ~self.said["hole"]
        unnamed_part = nothing if any(table.meanings[c].serial for c in table.readings) else ~self.said["serial"]
        for word, where, allowed in (
            (
                "serial",
                unnamed_part,
                "a serial number in a column, in a field such as 'Serial: 1042', or stated",
            ),
            ("part", (rows.part < 0) & ~self.said["part"], "parts " + ", ".join(p.name for p in spec.parts)),
            ("hole", unnamed_hole, "holes " + ", ".join(spec.hole_ids[:40])),
        ):
            bad = np.flatnonzero(where & table.any_reading)
            if not bad.size:
                continue
            rows_said = "1 row with readings names" if bad.size == 1 else f"{bad.size} rows with readings name"
            message = f"{rows_said} no {word}"
            issue = Issue(f"{word}-missing", message, allowed, f"Write the {word}")
            first = int(bad[0])
            tied = self._tied(first) if word == "hole" and bad.size == 1 else {}
            beside = self._beside_label(word, first) if word == "serial" else None
            if beside is None:
                self._context.say(issue, "nothing", int(table.rows[first]), table.first_column(first), **tied)
            else:
                shown, row, column = beside
                self._context.say(issue, f"{shown}, which reads as the heading of a column", row, column)
            self._mark(bad, issue)

    def _beside_label(self, word: str, first: int) -> tuple[str, int, int] | None:
        """Return what a row says beside a field's label alone, above a row, and its place; None where there is none."""
        grid = self._context.sheet.grid
        last = int(self._table.rows[first])
        for row in range(max(0, last - LOOK_ABOVE), last):
            filled = [c for c, content in enumerate(grid.row(row)) if content is not None]
            if len(filled) != 2:  # more are the headings of a table
                continue
            label, content = (grid.cell(row, c) for c in filled)
            meaning = self._context.vocabulary.meaning(label.strip().rstrip(":=")) if isinstance(label, str) else None
            if meaning is not None and (meaning.kind, meaning.word) == (FIELD, word):
                return f"{text_of(label)} {text_of(content)!r}", row, filled[1]
        return None
