"""All rework of a run as one frame, and as sentences beside the holes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.inspection.assemble import Layout
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.grouping import IntArray
from holeqc.inspection.pattern_rework import rework_pattern
from holeqc.inspection.pins import PinCheck
from holeqc.inspection.places import Places
from holeqc.inspection.results import REWORK_COLUMNS
from holeqc.inspection.rework import propose, tools_at_hand
from holeqc.inspection.size import Sizes
from holeqc.quantities import FloatArray

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.problems import Problem


@dataclass(frozen=True, slots=True)
class Rework:
    """All rework of a run. ``to`` (P,H) sizes to ream to, NaN for none; ``sentence`` (P,H) numbers ``sentences``."""

    frame: pd.DataFrame
    to: FloatArray
    sentence: IntArray
    sentences: tuple[str, ...]
    problems: tuple[Problem, ...]


def find_rework(evidence: Evidence, layout: Layout, sizes: Sizes, places: Places, pins: PinCheck | None) -> Rework:
    """Return what reaming can put right, hole by hole, then for patterns that don't take their pins.

    Rows of scope ``hole`` mend a small hole, rows of scope ``pattern`` let the pins of a part in; hole '' in a
    pattern row speaks of the whole part.
    """
    import pandas as pd

    proposals, after, parts = propose(evidence, layout, sizes, places)
    low = np.fmin.reduce(sizes.smallest, axis=2)
    tools = tools_at_hand(evidence.spec)
    to = np.full(evidence.shape[:2], np.nan)
    sentence = np.zeros(evidence.shape[:2], dtype=np.int64)
    sentences = {"": 0}
    rows: list[dict[str, Any]] = []
    for p in proposals:
        to[p.part, p.hole] = p.to if p.passes else np.nan
        sentence[p.part, p.hole] = sentences.setdefault(p.sentence, len(sentences))
        tool = tools.designation[p.tool] if p.tool >= 0 else ""
        facts = {"from": float(low[p.part, p.hole]), "to": p.to, "tool": tool, "passes": p.passes}
        rows.append(_head(evidence, p.part, "hole", p.hole) | facts | {"sentence": p.sentence})
    open_ = np.isin(np.arange(evidence.shape[0]), [p.part for p in proposals if not p.passes])
    patterns, problems = rework_pattern(evidence, layout, places, pins, sizes, (parts, after), open_)
    for r in patterns:
        if r.hole >= 0 and not sentence[r.part, r.hole]:
            to[r.part, r.hole] = r.to
            sentence[r.part, r.hole] = sentences.setdefault(r.sentence, len(sentences))
        facts = {"from": r.start, "to": r.to, "tool": r.tool, "passes": r.passes}
        rows.append(_head(evidence, r.part, "pattern", r.hole) | facts | {"sentence": r.sentence})
    frame = pd.DataFrame(rows, columns=list(REWORK_COLUMNS))
    return Rework(frame, to, sentence, tuple(sentences), problems)


def _head(evidence: Evidence, part: int, scope: str, hole: int) -> dict[str, Any]:
    names = evidence.parts
    return {
        "part": names.names[names.name[part]], "serial": names.serials[names.serial[part]], "scope": scope,
        "hole": evidence.spec.hole_ids[hole] if hole >= 0 else "",
    }  # fmt: skip
