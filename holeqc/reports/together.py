"""What says the same of many cells is said once, with all the cells: ``I2 to I17``."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from holeqc.inspection.held import with_cells
from holeqc.inspection.results import Reason
from holeqc.inspection.spans import cell_words

if TYPE_CHECKING:
    from holeqc.problems import Problem


def all_cells(problems: Iterable[Problem]) -> str:
    """Return the cells of problems that say the same, with those that are only counted; sheets where several are."""
    there = list(problems)
    more = [p.counted for p in there if p.counted]
    several = len({p.sheet for p in there}) > 1
    named = cell_words((p.spot if several else p.cell) for p in there if not p.counted)
    return " and ".join([*([named] if named else []), *more])


def alike(reasons: Sequence[Reason]) -> list[Reason]:
    """Return reasons with those that say the same of different cells in one, in the place of the first."""
    groups: dict[object, list[Reason]] = {}
    for number, reason in enumerate(reasons):
        end = f" ({reason.cell})."
        whole = not reason.characteristic and reason.cell and reason.sentence.endswith(end)
        key = (reason.verdict, reason.sentence.removesuffix(end), reason.action) if whole else number
        groups.setdefault(key, []).append(reason)
    return [with_cells(group[0], [reason.cell for reason in group]) for group in groups.values()]


def with_counted(reasons: Sequence[Reason], problems: Sequence[Problem]) -> tuple[list[Reason], list[Problem]]:
    """Return reasons that name also how many further cells of theirs the reader counted, and the problems that did."""
    counts = [p for p in problems if p.counted]
    out, used = [], []
    for reason in reasons:
        cells = set(reason.cells)
        end = f" ({cell_words(reason.cells)})."
        kinds = {(p.code, p.file, p.sheet) for p in problems if p.spot in cells and p.action == reason.action}
        mine = [p for p in counts if (p.code, p.file, p.sheet) in kinds and p not in used]
        if len(mine) == 1 and reason.sentence.endswith(end):
            text = f"{reason.sentence.removesuffix(').')} and {mine[0].counted})."
            out.append(replace(reason, sentence=text))
            used += mine
        else:
            out.append(reason)
    return out, used
