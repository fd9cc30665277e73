"""What says the same of many cells is said once, with all the cells: ``I2 to I17``."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from holeqc.inspection.results import Reason
from holeqc.inspection.spans import cell_words
from holeqc.problems import Problem


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
    cells = tuple(r.cell for r in group)
    return replace(first, sentence=f"{head} ({cell_words(cells)}).", cells=cells)


def problem_groups(problems: Iterable[Problem]) -> list[list[Problem]]:
    """Return problems in groups, each of which differ in their cell, hole and wall alone."""
    groups: dict[Problem, list[Problem]] = {}
    for problem in problems:
        groups.setdefault(replace(problem, cell="", hole="", wall=""), []).append(problem)
    return list(groups.values())
