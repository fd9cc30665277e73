"""Where the axes of the holes are: measured minus basic position, wall by wall."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeqc.inspection.causes import MISSING, NONE, UNKNOWN_PART
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.grouping import CodeArray, IntArray, any_code, first_row, largest_or_unknown, mean
from holeqc.quantities import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class Places:
    """Measured axes. ``basic``, ``xy`` and ``off`` = xy - basic are (P,H,W,2), the others (P,H,W).

    ``uncertainty`` is U of one coordinate, the larger of both. ``gap``: cause why a coordinate is not known;
    ``weak``: why those that are known prove nothing. ``reading``: label of the reading of the coordinate that is
    further off, -1.
    """

    basic: FloatArray
    xy: FloatArray
    off: FloatArray
    uncertainty: FloatArray
    gap: CodeArray
    weak: CodeArray
    reading: IntArray

    @property
    def known(self) -> BoolArray:
        """Where both coordinates are known (P,H,W)."""
        return np.asarray(np.isfinite(self.off).all(axis=-1))

    def of_parts(self, parts: IntArray) -> Places:
        """Return the axes of some parts."""
        return Places(*(getattr(self, name)[parts] for name in self.__slots__))


def find_places(evidence: Evidence) -> Places:
    """Return the measured axis of each hole in each wall.

    A coordinate read several times is one quantity read again: its mean is taken (JCGM 100, 4.2.1), unlike sizes,
    where each reading is a size of its own. Doubted readings are left out. Basic positions are laid in the frame of
    the part's own readings, mirrored where the kit says so.
    """
    spec = evidence.spec
    shape = evidence.shape
    drawn = np.array([(h.x, h.y) for h in spec.holes], dtype=np.float64).reshape(1, -1, 1, 2)
    basic = np.broadcast_to(drawn * evidence.parts.signs[:, None, None, :], (*shape, 2))
    sides = [_coordinate(evidence, name) for name in ("x", "y")]
    xy = np.stack([side[0] for side in sides], axis=-1)
    off = xy - basic
    uncertainty = np.maximum(sides[0][1], sides[1][1])
    lacking = np.maximum(sides[0][2], sides[1][2])
    gap = np.where(np.isfinite(xy).all(axis=-1), NONE, np.where(lacking == NONE, MISSING, lacking)).astype(np.int16)
    unknown = np.isnan(evidence.parts.signs[:, 0])
    gap[unknown] = UNKNOWN_PART
    further_y = np.abs(off[..., 1]) > np.abs(off[..., 0])
    reading = np.where(further_y, sides[1][4], sides[0][4])
    return Places(basic, xy, off, uncertainty, gap, np.maximum(sides[0][3], sides[1][3]), reading)


def _coordinate(evidence: Evidence, name: str) -> tuple[FloatArray, FloatArray, CodeArray, CodeArray, IntArray]:
    """Return mean, U, cause of a gap, cause of weakness and label of the first reading, each (P,H,W)."""
    rows = evidence.rows[name]
    shape = evidence.shape
    cells = int(np.prod(shape))
    cell = rows.cell(*shape[1:])
    sure = np.flatnonzero(~rows.doubted & ~np.isnan(rows.value))
    doubt = any_code(cell, np.where(rows.doubted, rows.cause, NONE), cells)
    rows, cell = rows.take(sure), cell[sure]
    value = mean(cell, rows.value, cells)
    weak = any_code(cell, rows.cause, cells)
    label = first_row(cell, rows.label, cells)
    uncertainty = largest_or_unknown(cell, rows.uncertainty, cells)
    # A doubted reading beside a sure one of the same coordinate: which of them is right is not known.
    weak = np.where((weak == NONE) & ~np.isnan(value), doubt, weak)
    return tuple(a.reshape(shape) for a in (value, uncertainty, doubt, weak, label))  # type: ignore[return-value]
