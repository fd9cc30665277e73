"""Which part and serial each row of a run's frames speaks of, as numbers in the order of the frame of parts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from holeqc.ledger.values import text_codes

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.inspection.results import Inspection

IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Pieces:
    """``names`` (P,): part and serial of each row of the frame of parts; ``of_reading`` (n,): each reading's row."""

    names: tuple[tuple[str, str], ...]
    of_reading: IntArray
    only: str  #: the part's name where the kit has one part, which a reading needn't say

    def of(self, frame: pd.DataFrame) -> IntArray:
        """Return the number of the piece of each row of a frame with columns ``part`` and ``serial``; -1: unknown."""
        index = {name: number for number, name in enumerate(self.names)}
        return _numbers(frame, index, self.only)


def pieces_of(inspection: Inspection) -> Pieces:
    """Return the pieces of a run."""
    parts = inspection.parts
    names = tuple(zip((str(p) for p in parts["part"]), (str(x) for x in parts["serial"]), strict=True))
    known = inspection.specification.parts
    only = known[0].name if len(known) == 1 else ""
    index = {name: number for number, name in enumerate(names)}
    return Pieces(names, _numbers(inspection.readings.table, index, only), only)


def _numbers(frame: pd.DataFrame, index: dict[tuple[str, str], int], only: str) -> IntArray:
    parts, part_texts = text_codes(frame["part"])
    serials, serial_texts = text_codes(frame["serial"])
    key = parts * len(serial_texts) + serials
    distinct, inverse = np.unique(key, return_inverse=True)
    width = len(serial_texts)
    number = [index.get((part_texts[k // width] or only, serial_texts[k % width]), -1) for k in distinct]
    return np.array(number, dtype=np.int64)[inverse.reshape(-1)] if number else np.empty(0, dtype=np.int64)
