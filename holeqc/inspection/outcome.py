"""What judging one characteristic gives: columns of results over parts and slots, to be laid into one table.

A slot is a hole and a wall (or a whole hole) of one characteristic; every part has the same slots, so a reading that is
missing leaves a row that says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holeqc.inspection.grouping import CodeArray, IntArray, VerdictArray
from holeqc.quantities import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class Outcome:
    """Results of one characteristic. Arrays are (P,K) or broadcast to it; ``hole`` and ``wall`` are (K,).

    ``wall`` -1: the whole hole. ``shown`` says which rows exist: asked by the kit, or something was read. ``reading``
    is the label of the deciding row in the readings table, -1 for none; ``word`` is -1 or a number of the run's
    words.
    """

    characteristic: str
    hole: IntArray
    wall: IntArray
    shown: BoolArray
    verdict: VerdictArray
    cause: CodeArray
    found: FloatArray
    lower: FloatArray
    upper: FloatArray
    deviation: FloatArray
    left: FloatArray
    uncertainty: FloatArray
    ratio: FloatArray
    probability: FloatArray
    reading: IntArray
    stated: FloatArray
    bonus: FloatArray
    word: IntArray


def outcome(
    characteristic: str, asked: BoolArray, present: BoolArray, verdict: VerdictArray, cause: CodeArray, **columns: Any
) -> Outcome:
    """Return the results of a characteristic from arrays over parts, holes and walls.

    ``asked`` is (H,W) or (H,) for a characteristic of whole holes, ``present`` (P,H,W) or (P,H) says where anything
    was read, ``verdict``, ``cause`` and the columns broadcast to it. Columns left out are NaN (``reading`` and
    ``word`` -1). Slots that are neither asked nor present anywhere are left out.
    """
    parts = present.shape[0]
    width = int(np.prod(present.shape[1:]))
    slots = np.flatnonzero(asked.reshape(-1) | present.reshape(parts, width).any(axis=0))
    walls = asked.shape[1] if asked.ndim == 2 else 1
    hole, wall = slots // walls, slots % walls if asked.ndim == 2 else np.full(slots.size, -1)

    def flat(array: Any) -> NDArray[Any]:
        return np.broadcast_to(array, present.shape).reshape(parts, width)[:, slots]

    nan = np.broadcast_to(np.float64(np.nan), (parts, slots.size))
    none = np.broadcast_to(np.int64(-1), (parts, slots.size))
    names = ("found", "lower", "upper", "deviation", "left", "uncertainty", "ratio", "probability", "stated", "bonus")
    given = {name: flat(columns[name]) if name in columns else nan for name in names}
    return Outcome(
        characteristic, hole, wall, asked.reshape(-1)[slots] | flat(present), flat(verdict), flat(cause),
        reading=flat(columns["reading"]) if "reading" in columns else none,
        word=flat(columns["word"]) if "word" in columns else none,
        **given,
    )  # fmt: skip
