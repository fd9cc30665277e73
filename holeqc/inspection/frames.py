"""The frames of holes and of parts, columns as `results` describes them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.inspection.assemble import categorical
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.results import HOLE_COLUMNS, PART_COLUMNS
from holeqc.inspection.size import Sizes, mating_size
from holeqc.quantities import BoolArray, FloatArray

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.inspection.reaming import Rework

_MATING_FROM = ("", "readings", "readings and GO", "plug")


def holes_frame(
    evidence: Evidence, sizes: Sizes, off: tuple[FloatArray, FloatArray], go_entered: BoolArray, verdict: np.ndarray,
    rework: Rework,
) -> pd.DataFrame:
    """Return the frame of holes, columns as `results.HOLE_COLUMNS`.

    ``off``: measured minus basic positions (P,H,W,2), as they stand and with the pattern floated.
    """
    import pandas as pd

    parts, holes, _ = evidence.shape
    each, hole = np.ogrid[:parts, :holes]

    def worst(vectors: FloatArray) -> FloatArray:
        away = np.hypot(vectors[..., 0], vectors[..., 1])
        wall = np.where(np.isnan(away), -1.0, away).argmax(axis=2)
        return np.asarray(vectors[each, hole, wall].reshape(-1, 2))

    there, floated = (worst(vectors) for vectors in off)
    known = np.isfinite(sizes.mating).any(axis=2).astype(np.int64)
    source = np.where(sizes.plugged.any(axis=2), 3, known + (known & go_entered.all(axis=2)))

    def over(array: FloatArray, choose: np.ufunc) -> FloatArray:
        return np.asarray(choose.reduce(array, axis=2).reshape(-1))

    names = evidence.parts
    columns: dict[str, Any] = {
        "part": categorical(np.repeat(names.name, holes), names.names),
        "serial": categorical(np.repeat(names.serial, holes), names.serials),
        "hole": categorical(np.tile(np.arange(holes), parts), evidence.spec.hole_ids),
        "verdict": verdict.reshape(-1),
        "mating_size": over(mating_size(sizes, both=True), np.fmin),
        "mating_from": categorical(source.reshape(-1), _MATING_FROM),
        "smallest": over(sizes.smallest, np.fmin),
        "largest": over(sizes.largest, np.fmax),
        "dx": there[:, 0], "dy": there[:, 1], "pattern_dx": floated[:, 0], "pattern_dy": floated[:, 1],
        "rework": categorical(rework.sentence.reshape(-1), rework.sentences),
        "ream_to": rework.to.reshape(-1),
    }
    return pd.DataFrame({name: columns[name] for name in HOLE_COLUMNS}, copy=False)


def parts_frame(evidence: Evidence, verdict: np.ndarray, given: dict[str, Any]) -> pd.DataFrame:
    """Return the frame of parts, columns as `results.PART_COLUMNS`; what isn't given is NaN."""
    import pandas as pd

    names = evidence.parts
    nothing = np.full(len(names), np.nan)
    columns: dict[str, Any] = {
        "part": categorical(names.name, names.names),
        "serial": categorical(names.serial, names.serials),
        "verdict": verdict,
        "pin_verdict": np.full(len(names), -1, dtype=np.int8),
        "pin_culprit": categorical(np.zeros(len(names), dtype=np.int64), ("",)),
        "readings": evidence.counts,
        "first_date": evidence.first_day.astype("datetime64[s]"),
        "last_date": evidence.last_day.astype("datetime64[s]"),
    } | given
    return pd.DataFrame({name: columns.get(name, nothing) for name in PART_COLUMNS}, copy=False)
