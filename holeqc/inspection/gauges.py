"""Which gauge made a reading, its uncertainty, and whether its calibration held that day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from holeqc.inspection.causes import DAY_TO_COME, GAUGE_EXPIRED, NO_GAUGE, NONE, UNKNOWN_GAUGE
from holeqc.inspection.grouping import CodeArray, IntArray
from holeqc.quantities import FloatArray
from holeqc.readings.table import CHARACTERISTICS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holeqc.specification.model import Specification

#: characteristics that can't be read without a gauge that has an uncertainty
NEEDED = ("diameter", "x", "y", "edge_distance")


@dataclass(frozen=True, slots=True)
class Applied:
    """What the gauge of each reading brings, (n,): U at k = 2, expansion [1/°C], a cause to hold (0 for none)."""

    uncertainty: FloatArray
    expansion_per_c: FloatArray
    cause: CodeArray


def gauge_of(spec: Specification, named: str, characteristic: str) -> tuple[int, int]:
    """Return the index of the gauge of a reading in ``spec.gauges`` (-1 for none) and a cause to hold (0 for none).

    The gauge named beside the reading, if it measures such a thing (a row's gauge cell speaks for the diameters when
    the row holds x and y too); else the plan's default; else the only gauge of the kit that measures it.
    """
    by_id = {gauge.id: number for number, gauge in enumerate(spec.gauges)}
    if named and spec.gauges and named not in by_id:
        return -1, UNKNOWN_GAUGE
    fitting = [number for number, gauge in enumerate(spec.gauges) if characteristic in gauge.measures]
    default = {"diameter": spec.plan.diameter_gauge}.get(characteristic, spec.plan.position_gauge)
    for gauge_id in (named, default):
        if gauge_id and by_id.get(gauge_id, -1) in fitting:
            return by_id[gauge_id], NONE
    if len(fitting) == 1:
        return fitting[0], NONE
    return -1, NO_GAUGE if spec.gauges and characteristic in NEEDED else NONE


def apply_gauges(
    spec: Specification, gauge: IntArray, names: list[str], characteristic: IntArray, date: NDArray[np.datetime64],
    to_come: Collection[dt.date] = (),
) -> Applied:  # fmt: skip
    """Return what the gauge of each reading brings, all (n,).

    ``gauge`` numbers ``names`` (-1: none named), ``characteristic`` numbers those of the readings table, ``date`` is
    the day of each reading (NaT: not stated, so the due date can't be checked), ``to_come`` the days that still were to
    come when the sheet was read: nothing follows from such a day, also not that the gauge was past its calibration.
    """
    names = [*names, ""]
    found = np.empty((len(names), len(CHARACTERISTICS)), dtype=np.int64)
    hold = np.empty_like(found, dtype=np.int16)
    for row, name in enumerate(names):
        for column, word in enumerate(CHARACTERISTICS):
            found[row, column], hold[row, column] = gauge_of(spec, name, word)
    index, cause = found[gauge, characteristic], hold[gauge, characteristic]
    if not spec.gauges:
        nothing = np.full(index.shape, np.nan)
        return Applied(nothing, np.zeros(index.shape), cause)
    known = [np.nan if g.uncertainty is None else g.uncertainty for g in spec.gauges]
    uncertainty = np.array([*known, np.nan])[index]
    expansion = np.array([*(g.expansion_per_c for g in spec.gauges), 0.0])[index]
    due = np.array([*(g.calibration_due or "NaT" for g in spec.gauges), "NaT"], dtype="datetime64[D]")
    expired = date.astype("datetime64[D]") > due[index]
    ahead = np.isin(date.astype("datetime64[D]"), np.array(sorted(to_come), dtype="datetime64[D]"))
    cause[expired] = np.where(ahead[expired], DAY_TO_COME, GAUGE_EXPIRED)
    return Applied(uncertainty, expansion, cause)
