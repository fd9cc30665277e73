"""What says the same of many cells is said once, with all the cells: ``I2 to I17``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from holeqc.inspection.results import Reason
from holeqc.problems import Problem

SPANS = 8  #: so many cells or spans of cells are named
_CELL = re.compile(r"(.*!)?([A-Z]+)(\d+)", re.DOTALL)


def cell_words(cells: Iterable[str], most: int = SPANS) -> str:
    """Return cells in their order, three or more below one another as a span: ``B8, I2 to I17 and 3 more``."""
    spans: list[tuple[str, str, int]] = []  # first cell, last cell, how many
    column, row = "", -1
    for cell in dict.fromkeys(cells):
        match = _CELL.fullmatch(cell)
        here, number = (f"{match[1] or ''}{match[2]}", int(match[3])) if match else (cell, -1)
        if match and spans and (here, number) == (column, row + 1):
            spans[-1] = (spans[-1][0], f"{match[2]}{number}", spans[-1][2] + 1)
        else:
            spans.append((cell, cell, 1))
        column, row = here, number
    named = [w for first, last, n in spans[:most] for w in ([first, last] if n == 2 else [_span(first, last, n)])]
    rest = sum(n for *_, n in spans[most:])
    return ", ".join(named) + (f" and {rest} more" if rest else "")


def _span(first: str, last: str, number: int) -> str:
    return first if number == 1 else f"{first} to {last}"


def alike(reasons: Sequence[Reason]) -> list[Reason]:
    """Return reasons with those that say the same of different cells in one, in the place of the first."""
    groups: dict[object, list[Reason]] = {}
    for number, reason in enumerate(reasons):
        end = f" ({reason.cell})."
        whole = not reason.characteristic and reason.cell and reason.sentence.endswith(end)
        key = (reason.verdict, reason.sentence.removesuffix(end), reason.action) if whole else number
        groups.setdefault(key, []).append(reason)
    return [group[0] if len(group) == 1 else _one_of(group) for group in groups.values()]


def _one_of(group: Sequence[Reason]) -> Reason:
    first = group[0]
    head = first.sentence.removesuffix(f" ({first.cell}).")
    return replace(first, sentence=f"{head} ({cell_words(r.cell for r in group)}).", cell="")


def problem_groups(problems: Iterable[Problem]) -> list[list[Problem]]:
    """Return problems in groups, each of which differ in their cell, hole and wall alone."""
    groups: dict[Problem, list[Problem]] = {}
    for problem in problems:
        groups.setdefault(replace(problem, cell="", hole="", wall=""), []).append(problem)
    return list(groups.values())
