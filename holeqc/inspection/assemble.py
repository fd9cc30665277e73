"""Outcomes laid into the tables that `results` describes, and verdicts rolled up from them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holeqc.inspection.causes import CAUSES, CONTRADICTION
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.grouping import CodeArray, VerdictArray
from holeqc.inspection.outcome import Outcome
from holeqc.inspection.results import ACCEPT, CHARACTERISTIC_COLUMNS, CHARACTERISTICS
from holeqc.quantities import BoolArray

if TYPE_CHECKING:
    import pandas as pd

_NUMBERS = (
    "found", "lower", "upper", "stated", "bonus", "deviation", "left", "uncertainty", "ratio", "probability",
)  # fmt: skip


class Layout:
    """Where the slots of all outcomes go: by hole, then wall (the whole hole last), then in the order of a report."""

    def __init__(self, outcomes: Sequence[Outcome], walls: int) -> None:
        self.outcomes = outcomes
        order = {name: number for number, name in enumerate(CHARACTERISTICS)}
        self.hole = np.concatenate([o.hole for o in outcomes])
        wall = np.concatenate([np.where(o.wall < 0, walls, o.wall) for o in outcomes])
        kind = np.concatenate([np.full(o.hole.size, order[o.characteristic]) for o in outcomes])
        turn = np.lexsort((kind, wall, self.hole))
        place = np.empty_like(turn)
        place[turn] = np.arange(turn.size)
        ends = np.cumsum([o.hole.size for o in outcomes])
        self.place = [place[end - o.hole.size : end] for o, end in zip(outcomes, ends, strict=True)]
        self.hole, self.wall, self.kind = self.hole[turn], wall[turn], kind[turn]
        self.parts = outcomes[0].shown.shape[0]

    def number(self, characteristic: str) -> int:
        """Return the number that stands for a characteristic in ``kind``."""
        return CHARACTERISTICS.index(characteristic)

    def column(self, name: str, dtype: Any) -> NDArray[Any]:
        """Return one column of all outcomes (P,K)."""
        out = np.empty((self.parts, self.hole.size), dtype=dtype)
        for outcome, place in zip(self.outcomes, self.place, strict=True):
            out[:, place] = getattr(outcome, name)
        return out


def categorical(codes: NDArray[Any], categories: Sequence[str]) -> Any:
    """Return numbers and the texts they stand for as a categorical column."""
    import pandas as pd

    width = np.int8 if len(categories) < 120 else np.int16 if len(categories) < 32000 else np.int32
    dtype = pd.CategoricalDtype(pd.Index(list(categories), dtype=object))
    return pd.Categorical.from_codes(codes.astype(width), dtype=dtype)


def hole_verdicts(layout: Layout, shown: BoolArray, holes: int) -> VerdictArray:
    """Return the worst verdict of the characteristics of each hole (P,H)."""
    verdict = np.where(shown, layout.column("verdict", np.int8), ACCEPT).astype(np.int8)
    out = np.zeros((layout.parts, holes), dtype=np.int8)
    starts = np.flatnonzero(np.diff(layout.hole, prepend=-1))
    out[:, layout.hole[starts]] = np.maximum.reduceat(verdict, starts, axis=1)
    return out


def is_doubt(cause: CodeArray) -> BoolArray:
    """Return which causes say that a reading is most likely wrong: the reader's doubts, and contradictions."""
    return np.asarray((cause >= len(CAUSES)) | (cause == CONTRADICTION))


def characteristics_frame(evidence: Evidence, layout: Layout, shown: BoolArray) -> pd.DataFrame:
    """Return the frame of characteristics, columns as `results.CHARACTERISTIC_COLUMNS`."""
    import pandas as pd

    parts, spec = evidence.parts, evidence.spec
    width = layout.hole.size
    whole = bool(shown.all())
    keep = slice(None) if whole else np.flatnonzero(shown.reshape(-1))

    def rows(array: NDArray[Any]) -> NDArray[Any]:
        return np.broadcast_to(array, shown.shape).reshape(-1)[keep]

    cause = layout.column("cause", np.int16)
    doubtful = rows(is_doubt(cause))
    words = list(dict.fromkeys([*evidence.words, ""]))
    word = layout.column("word", np.int32)
    columns: dict[str, Any] = {
        "part": categorical(np.repeat(parts.name, width)[keep], parts.names),
        "serial": categorical(np.repeat(parts.serial, width)[keep], parts.serials),
        "hole": categorical(rows(layout.hole), spec.hole_ids),
        "wall": categorical(rows(layout.wall), (*spec.walls.names, "")),
        "characteristic": categorical(rows(layout.kind), CHARACTERISTICS),
        "found_word": categorical(rows(np.where(word < 0, words.index(""), word)), words),
        "verdict": rows(layout.column("verdict", np.int8)),
        "cause": categorical(rows(cause), evidence.causes),
        "reading": rows(layout.column("reading", np.int64)),
    }
    for name in _NUMBERS:
        columns[name] = rows(layout.column(name, np.float64))
    # What lies beside a limit by a likely slip has no distance from it.
    for name in ("deviation", "left", "probability"):
        columns[name] = np.where(doubtful, np.nan, columns[name])
    columns["doubtful"] = doubtful
    return pd.DataFrame({name: columns[name] for name in CHARACTERISTIC_COLUMNS}, copy=False)
