"""Readings that a plug disproves: a hole that a plug enters can't be smaller than the plug anywhere.

ASME Y14.5, envelope principle: the GO plug speaks for the whole hole at maximum material; so does a NO-GO plug that
enters. A two-point reading under the lower limit while a plug enters is held like any doubtful reading: one of both is
wrong, and nobody knows which.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from holeqc.inspection.causes import CONTRADICTION, NONE
from holeqc.inspection.evidence import Evidence, every_wall
from holeqc.inspection.grouping import largest, largest_or_unknown, smallest
from holeqc.quantities import BoolArray, FloatArray, below
from holeqc.readings.table import ENTERS


@dataclass(frozen=True, slots=True)
class Read:
    """What was read of each cell before plugs are laid beside it, all (P,H,W).

    ``smallest`` of the readings that the reader doesn't doubt, ``reach`` their U (0 where unknown), ``against``
    where a plug that enters disproves a reading.
    """

    smallest: FloatArray
    reach: FloatArray
    against: BoolArray


def disprove(evidence: Evidence) -> tuple[Evidence, Read]:
    """Return the evidence with readings doubted that a plug disproves, and what was read before.

    A reading is disproved where it is smaller than the GO plug, or than the largest plug, that enters by more than its
    U, or by less and under the lower limit of size; under the lower limit a NO-GO plug that enters disproves it too.
    """
    shape = evidence.shape
    cells = int(np.prod(shape))
    rows = evidence.rows["diameter"]
    cell = rows.cell(*shape[1:])
    sure = ~rows.doubted
    low = smallest(cell, np.where(sure, rows.value, np.nan), cells).reshape(shape)
    uncertainty = largest_or_unknown(cell[sure], rows.uncertainty[sure], cells).reshape(shape)
    lower = np.array([hole.size.lower for hole in evidence.spec.holes])[rows.hole]
    plug, no_go = _largest_entered(evidence, "go")[cell], _largest_entered(evidence, "no_go")[cell]
    reach = np.where(np.isnan(rows.uncertainty), 0.0, rows.uncertainty)
    # Within its U a reading inside the limits may well belong to a hole that the plug enters.
    wrong = sure & (below(rows.value, plug - reach) | (below(rows.value, plug) & below(rows.value, lower)))
    # one inside the limits stands beside a NO-GO plug that enters: the plug's own row holds
    wrong |= sure & below(rows.value, no_go) & below(rows.value, lower)
    against = np.zeros(cells, dtype=np.bool_)
    against[cell[wrong]] = True
    read = Read(low, np.where(np.isnan(uncertainty), 0.0, uncertainty), against.reshape(shape))
    if not wrong.any():
        return evidence, read
    cause = np.where(wrong & (rows.cause == NONE), CONTRADICTION, rows.cause).astype(np.int16)
    doubted = replace(rows, cause=cause, doubted=rows.doubted | wrong)
    return replace(evidence, rows=evidence.rows | {"diameter": doubted}), read


def _largest_entered(evidence: Evidence, name: str) -> FloatArray:
    """Return the largest plug that is known to enter each cell (cells,), of ``name`` and the largest tried; or NaN."""
    walls = evidence.shape[2]
    cells = int(np.prod(evidence.shape))
    said = np.array([word == ENTERS for word in evidence.words] + [False])
    tried = every_wall(evidence.rows[name], walls)
    sizes = np.array([np.nan if (s := getattr(h.plugs, name)) is None else s for h in evidence.spec.holes])
    value = np.where(said[tried.word] & (tried.cause == NONE), sizes[tried.hole], np.nan)
    entered = largest(tried.cell(*evidence.shape[1:]), value, cells)
    plug = every_wall(evidence.rows["plug"], walls)
    value = np.where(plug.cause == NONE, plug.value, np.nan)
    return np.fmax(entered, largest(plug.cell(*evidence.shape[1:]), value, cells))
