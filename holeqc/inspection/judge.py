"""From readings to verdicts: every question asked in turn, then rolled up to holes and parts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.inspection.assemble import Layout, categorical, characteristics_frame, hole_verdicts
from holeqc.inspection.attributes import judge_go, judge_no_go, judge_surface, plugs_disprove
from holeqc.inspection.edges import judge_edges
from holeqc.inspection.evidence import Evidence, gather
from holeqc.inspection.form import judge_roundness, judge_taper
from holeqc.inspection.holds import Holds, find_holds
from holeqc.inspection.outcome import Outcome
from holeqc.inspection.places import Places, find_places
from holeqc.inspection.position import judge_position, position_zones
from holeqc.inspection.results import (
    FLOAT_COLUMNS,
    HOLD,
    HOLE_COLUMNS,
    PART_COLUMNS,
    PIN_COLUMNS,
    REWORK_COLUMNS,
    Inspection,
)  # fmt: skip
from holeqc.inspection.size import Sizes, judge_size, mating_size, plugs_against
from holeqc.quantities import BoolArray, FloatArray

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

__all__ = ["inspect"]


@dataclass(frozen=True, slots=True)
class Found:
    """What was worked out of a run, before it becomes frames."""

    sizes: Sizes
    places: Places
    outcomes: list[Outcome]
    go_entered: BoolArray  #: (P,H,W) the GO plug entered and nothing speaks against it


def inspect(spec: Specification, readings: Readings) -> Inspection:
    """Return the verdict on every hole and part in a table of readings.

    Each characteristic that the kit asks for gives a row for every part, hole and wall, also where nothing was read
    (held as missing). The worst of its characteristics, and of the problems that touch it, is a hole's verdict; the
    worst of holes, pins and problems is the part's. Cells of the frames: `results`. Verdicts don't depend on the
    order of rows.
    """
    evidence = gather(spec, readings.table)
    found = _judge_all(evidence)
    holds = find_holds(evidence, readings.problems, readings.table)
    return _inspection(evidence, readings, found, holds)


def _judge_all(evidence: Evidence) -> Found:
    sizes, size = judge_size(evidence)
    go, entered, refused = judge_go(evidence, sizes)
    no_go = judge_no_go(evidence, sizes)
    sizes = plugs_disprove(refused | plugs_against(evidence, sizes), sizes)
    places = find_places(evidence)
    outcomes = [size, judge_roundness(evidence, sizes)]
    taper = judge_taper(evidence, sizes)
    if taper is not None:
        outcomes.append(taper)
    outcomes.append(judge_position(evidence, places, position_zones(evidence.spec, sizes, pattern=False)))
    outcomes += [judge_edges(evidence, sizes, places), judge_surface(evidence), go, no_go]
    return Found(sizes, places, outcomes, entered)


def _inspection(evidence: Evidence, readings: Readings, found: Found, holds: Holds) -> Inspection:
    import pandas as pd

    layout = Layout(found.outcomes, evidence.shape[2])
    shown = layout.column("shown", np.bool_)
    hole = hole_verdicts(layout, shown, evidence.shape[1])
    hole = np.maximum(hole, np.where(holds.hole, HOLD, 0)).astype(np.int8)
    part = np.maximum(hole.max(axis=1), np.where(holds.part, HOLD, 0)).astype(np.int8)
    pins, room, rework = (pd.DataFrame(columns=list(c)) for c in (PIN_COLUMNS, FLOAT_COLUMNS, REWORK_COLUMNS))
    return Inspection(
        evidence.spec, readings, characteristics_frame(evidence, layout, shown), holes_frame(evidence, found, hole),
        parts_frame(evidence, part, {}), pins, room,
        (*readings.problems, *evidence.problems, *holds.problems), rework,
    )  # fmt: skip


def holes_frame(evidence: Evidence, found: Found, verdict: np.ndarray) -> pd.DataFrame:
    """Return the frame of holes, columns as `results.HOLE_COLUMNS`."""
    import pandas as pd

    parts, holes, _ = evidence.shape
    sizes, places = found.sizes, found.places
    off = np.hypot(places.off[..., 0], places.off[..., 1])
    worst = np.where(np.isnan(off), -1.0, off).argmax(axis=2)
    each, hole = np.ogrid[:parts, :holes]
    from_where = ("", "readings", "readings and GO", "plug")
    known = np.isfinite(sizes.mating).any(axis=2).astype(np.int64)
    source = np.where(sizes.plugged.any(axis=2), 3, known + (known & found.go_entered.any(axis=2)))

    def over(array: FloatArray, choose: Any) -> FloatArray:
        return choose.reduce(array, axis=2).reshape(-1)

    names = evidence.parts
    columns = {
        "part": categorical(np.repeat(names.name, holes), names.names),
        "serial": categorical(np.repeat(names.serial, holes), names.serials),
        "hole": categorical(np.tile(np.arange(holes), parts), evidence.spec.hole_ids),
        "verdict": verdict.reshape(-1),
        "mating_size": over(mating_size(sizes, both=True), np.fmin),
        "mating_from": categorical(source.reshape(-1), from_where),
        "smallest": over(sizes.smallest, np.fmin),
        "largest": over(sizes.largest, np.fmax),
        "dx": places.off[..., 0][each, hole, worst].reshape(-1),
        "dy": places.off[..., 1][each, hole, worst].reshape(-1),
        "rework": categorical(np.zeros(parts * holes, dtype=np.int64), ("",)),
        "ream_to": np.full(parts * holes, np.nan),
    }
    return pd.DataFrame({name: columns[name] for name in HOLE_COLUMNS}, copy=False)


def parts_frame(evidence: Evidence, verdict: np.ndarray, pins: dict[str, Any]) -> pd.DataFrame:
    """Return the frame of parts, columns as `results.PART_COLUMNS`."""
    import pandas as pd

    names = evidence.parts
    nothing = np.full(len(names), np.nan)
    columns: dict[str, Any] = {
        "part": categorical(names.name, names.names),
        "serial": categorical(names.serial, names.serials),
        "verdict": verdict,
        "pin_verdict": np.full(len(names), -1, dtype=np.int8),
        "readings": evidence.counts,
        "first_date": evidence.first_day.astype("datetime64[s]"),
        "last_date": evidence.last_day.astype("datetime64[s]"),
    } | pins
    return pd.DataFrame({name: columns.get(name, nothing) for name in PART_COLUMNS}, copy=False)
