"""How far the pins of a part can still shift and turn once all of them are in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from holeqc.inspection.assemble import categorical
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.grouping import IntArray
from holeqc.inspection.pattern import straight_parts
from holeqc.inspection.pins import PinCheck
from holeqc.inspection.places import Places
from holeqc.inspection.results import FLOAT_COLUMNS
from holeqc.quantities import FloatArray, below

if TYPE_CHECKING:
    import pandas as pd


def float_frame(evidence: Evidence, places: Places, check: PinCheck | None) -> pd.DataFrame:
    """Return one row a part whose pins enter at virtual condition, columns as `results.FLOAT_COLUMNS`.

    One movement at a time from the best motion, the others held: back and forth along x and y, and turned about the
    pins' centre [rad]; all counted positive. Parts that aren't known in full have no row.
    """
    import pandas as pd

    if check is None:
        return pd.DataFrame(columns=list(FLOAT_COLUMNS))
    enter = np.isfinite(check.margin) & ~below(check.margin, 0.0)
    room = np.full((len(evidence.parts), 6), np.nan)
    known = places.known & np.isfinite(check.clearance) & check.axes
    straight = straight_parts(places, known, check.axes)
    signs = evidence.parts.signs
    for sign in np.unique(signs[enter], axis=0):
        for through in (True, False):
            parts = np.flatnonzero((signs == sign).all(axis=1) & enter & (straight == through))
            if parts.size:
                room[parts] = _room(places, check, parts, through)
    chosen = np.flatnonzero(enter)
    names = evidence.parts
    columns = {
        "part": categorical(names.name[chosen], names.names),
        "serial": categorical(names.serial[chosen], names.serials),
    } | dict(zip(FLOAT_COLUMNS[2:], room[chosen].T, strict=True))
    return pd.DataFrame(columns, copy=False)


def _room(places: Places, check: PinCheck, parts: IntArray, through: bool) -> FloatArray:
    """Return the room (B,6) of parts that share one drawn pattern; ``through``: one axis a hole is enough."""
    from holeqc.inspection.pin_gauge_float import available_float

    if through:
        holes = check.axes.any(axis=1)
        pins, target = places.basic[parts[0]][holes, 0], places.xy[parts][:, holes, 0]
        clearance = check.clearance[parts][:, holes].min(axis=2)
    else:
        pins, target = places.basic[parts[0]][check.axes], places.xy[parts][:, check.axes]
        clearance = check.clearance[parts][:, check.axes]
    # Only half the difference of the diameters counts.
    left = available_float(pins, target, 2.0 * np.maximum(clearance, 0.0), np.zeros(len(pins)))
    return np.concatenate([left.x, left.y, left.rotation], axis=1)
