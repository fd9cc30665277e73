"""What says the same of many cells is said once, with all the cells: ``I2 to I17``."""

from __future__ import annotations

from collections.abc import Sequence

from holeqc.inspection.held import with_cells
from holeqc.inspection.results import Reason


def alike(reasons: Sequence[Reason]) -> list[Reason]:
    """Return reasons with those that say the same of different cells in one, in the place of the first."""
    groups: dict[object, list[Reason]] = {}
    for number, reason in enumerate(reasons):
        end = f" ({reason.cell})."
        whole = not reason.characteristic and reason.cell and reason.sentence.endswith(end)
        key = (reason.verdict, reason.sentence.removesuffix(end), reason.action) if whole else number
        groups.setdefault(key, []).append(reason)
    return [with_cells(group[0], [reason.cell for reason in group]) for group in groups.values()]
