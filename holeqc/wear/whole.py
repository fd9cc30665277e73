"""Forecast of what all holes share: the floated pattern (hole to hole), and all pins together.

The margin of a pattern hardly falls while a worn bushing is still hidden by the scatter of the others, and falls fast
once that bushing decides alone. So the margin itself is not trended: each hole's place against the others and its
radius go on by their own trends, and the margin is worked out from them.
"""

from __future__ import annotations

import numpy as np

from holeqc.inspection.pin_gauge import zone_margin
from holeqc.quantities import FloatArray
from holeqc.wear import changes
from holeqc.wear import forecast as fc
from holeqc.wear.joint import Effort, Room, forecast_room

EFFORT = Effort(draws=300, times=60, past=20, scatters=200)  #: each draw at each cycle is a best fit of its own


def pattern_room(nominal: FloatArray, *, rotate: bool) -> Room:
    """Return the margin of patterns floated to their best, from levels (..., 3H): x, y and radius, hole by hole.

    ``nominal`` (H,2) are the basic positions, ``rotate`` whether the pattern may turn.
    """

    def room(levels: FloatArray) -> FloatArray:
        one = levels.reshape(-1, nominal.shape[0], 3)
        margin = zone_margin(nominal, nominal + one[..., :2], one[..., 2], rotate=rotate).margin
        return np.asarray(margin).reshape(levels.shape[:-1])

    return room


def forecast_whole(
    cycle: FloatArray, rest: FloatArray, radius: FloatArray, margin: FloatArray, nominal: FloatArray,
    *, rotate: bool = True, seed: int = 1, deals: int = changes.DEALS, level: float = changes.LEVEL,
) -> fc.Forecast:  # fmt: skip
    """Return when the margin of the mean part's pattern is used up.

    ``rest`` (N,H,2) of each hole against the others, ``radius`` (N,H) how far its axis may lie off, ``margin`` (N,)
    that each part had, ``nominal`` (H,2). Holes without any radius don't count; parts with a NaN are left out.
    """
    asked = np.isfinite(radius).any(axis=0)
    values = np.concatenate([rest, radius[..., None]], axis=2)[:, asked].reshape(cycle.size, -1)
    room = pattern_room(nominal[asked], rotate=rotate)
    return forecast_room(cycle, values, room, actual=margin, effort=EFFORT, seed=seed, deals=deals, level=level)
