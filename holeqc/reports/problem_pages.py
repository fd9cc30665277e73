"""Problems of the files as a report shows them: what says the same of many cells in one row."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from holeqc.inspection.results import HOLD
from holeqc.inspection.view import all_cells
from holeqc.problems import Problem
from holeqc.reports import blocks as b
from holeqc.reports import wording as w

PROBLEMS_SHOWN = 300  #: so many problems stand in the report; all of them in the workbook and the data
MOST_LETTERS = 400  #: of one text in a table; in full in the workbook and the data


def problem_blocks(problems: Iterable[Problem], title: str, most: int | None = None) -> list[b.Block]:
    """Return problems under a title as a table of at most so many rows, and how many are left; nothing for none."""
    there = list(problems)
    if not there:
        return []
    groups = problem_groups(there)
    shown = groups[:most]
    blocks: list[b.Block] = [b.Heading(f"{title} ({len(there)})"), _table(shown)]
    if rest := len(there) - sum(map(len, shown)):
        blocks.append(
            b.Paragraph(f"{rest} more stand in evaluated.xlsx, sheet Problems, and in verdicts.json.", "quiet")
        )
    return blocks


def problem_groups(problems: Iterable[Problem]) -> list[list[Problem]]:
    """Return problems in groups that differ in their cell, hole and wall alone, with what counts further cells."""
    groups: dict[Problem, list[Problem]] = {}
    last: dict[tuple[str, ...], Problem] = {}
    for problem in problems:
        kind = (problem.severity, problem.code, problem.file, problem.sheet)
        named = last.get(kind) if problem.counted else None
        groups.setdefault(named or problem.anywhere, []).append(problem)
        last[kind] = problem.anywhere
    return list(groups.values())


def _table(groups: Sequence[Sequence[Problem]]) -> b.Table:
    """Return groups of problems that differ in their cell alone as a table, a row each."""
    columns = (
        b.Column("Kind"), b.Column("Where", wraps=True), b.Column("What", wraps=True), b.Column("Found", wraps=True),
        b.Column("Allowed", wraps=True), b.Column("What to do", wraps=True),
    )  # fmt: skip
    rows: list[tuple[b.Cell | str, ...]] = []
    for group in groups:
        p = group[0]
        kind = b.Cell(p.severity, HOLD if p.holds or p.severity == "error" else None)
        texts = (replace(p, cell=all_cells(group)).place, p.message, p.found, p.allowed, p.action)
        rows.append((kind, *(w.shorten(w.plain(text), MOST_LETTERS) for text in texts)))
    return b.Table(columns, tuple(rows))
