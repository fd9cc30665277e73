"""Do all pins enter together? The pin-pattern gauge applied to measured holes, each wall a constraint.

A pin at its worst is its virtual condition: largest pin plus its own position tolerance (ASME Y14.5, external feature
at MMC), standing at its basic position. A pin of diameter d passes a hole of diameter D when their axes are at most
(D - d) / 2 apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from holeqc.inspection.assemble import categorical
from holeqc.inspection.causes import NONE
from holeqc.inspection.decision import decide
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.grouping import IntArray, VerdictArray
from holeqc.inspection.pattern import Floated, float_pattern, one_hole_off
from holeqc.inspection.places import Places
from holeqc.inspection.results import ACCEPT, HOLD, PIN_COLUMNS, REJECT
from holeqc.inspection.size import Sizes, over_walls
from holeqc.quantities import CALCULATED, BoolArray, FloatArray
from holeqc.specification.model import Specification

if TYPE_CHECKING:
    import pandas as pd

NOT_ASKED = -1  #: verdict where the kit has no pins, or its plan reads no positions


@dataclass(frozen=True, slots=True)
class PinCheck:
    """The pin gauge on each part. ``verdict``, ``margin``, ``uncertainty`` (P,); ``clearance`` (P,H,W) radial, at
    virtual condition; ``axes`` (H,W): which constrain. ``margin`` is NaN where holes that aren't known could still
    decide.
    """

    verdict: VerdictArray
    margin: FloatArray
    uncertainty: FloatArray
    clearance: FloatArray
    axes: BoolArray
    floated: Floated


def pin_diameters(spec: Specification) -> FloatArray:
    """Return the virtual condition of the pin of each hole (H,1), NaN for a hole that takes none."""
    sizes = [np.nan if hole.pin is None else hole.pin.virtual_condition for hole in spec.holes]
    return np.array(sizes)[:, None]


def pin_axes(spec: Specification) -> BoolArray:
    """Return the axes (H,W) that constrain pins: those of holes with pins, in the walls where x and y are read."""
    walls = np.array([wall in spec.plan.position_walls for wall in spec.walls.names])
    return ~np.isnan(pin_diameters(spec)) & walls


def hole_diameters(spec: Specification, sizes: Sizes) -> FloatArray:
    """Return the diameters that pins find (P,H,W): the mating size of each wall.

    Where x and y are not read in every wall, the smallest mating size of all walls stands for the wall that is placed.
    """
    every = set(spec.plan.position_walls) >= set(spec.walls.names)
    return sizes.mating if every else over_walls(sizes.mating, np.fmin)


def check_pins(
    evidence: Evidence, sizes: Sizes, places: Places, diameters: FloatArray | None = None
) -> PinCheck | None:
    """Return whether all pins of the kit enter each part together, None for a kit without pins or positions.

    ``diameters`` (H,): pins of given sizes instead of those at virtual condition. The margin m is the radial room
    left at the best motion: accept where m >= 0 under the kit's decision rule. Its U is that of the tightest axis, at
    most sqrt((U_D / 2)^2 + U_xy^2) with U_D of a diameter and U_xy of a coordinate; the largest of all axes is taken.
    Where holes aren't known: rejected if the rest already can't take its pins, else held.
    """
    spec = evidence.spec
    axes = pin_axes(spec)
    if not axes.any() or not (spec.plan.position or places.known.any()):
        return None
    pin = pin_diameters(spec) if diameters is None else np.asarray(diameters, dtype=np.float64)[:, None]
    clearance = np.where(axes, 0.5 * (hole_diameters(spec, sizes) - pin), np.nan)
    floated = float_pattern(evidence, places, clearance, axes, rotate=True)
    each = np.where(axes & np.isfinite(clearance), np.hypot(0.5 * sizes.uncertainty, places.uncertainty), 0.0)
    uncertainty = each.max(axis=(1, 2))
    verdict, _ = decide(floated.margin, 0.0, np.nan, uncertainty, spec.decision, CALCULATED)
    pinned = ~np.isnan(pin_diameters(spec))
    unknown = np.isnan(clearance) | (places.gap != NONE)
    gap = (((sizes.gap != NONE) & pinned) | (unknown & axes)).any(axis=(1, 2))
    weak = (((sizes.weak != NONE) & pinned) | ((places.weak != NONE) & axes)).any(axis=(1, 2))
    verdict[(gap & (verdict == ACCEPT)) | weak] = HOLD
    margin = np.where(gap & (verdict != REJECT), np.nan, floated.margin)
    return PinCheck(verdict, margin, uncertainty, clearance, axes, floated)


@dataclass(frozen=True, slots=True)
class Culprits:
    """The one hole that keeps the pins out (P,), -1 where there is none or several do; room of the others without it
    (P,); where each pin then stands in its hole (P,H,W,2), the one of that hole as at the best motion of all.
    """

    hole: IntArray
    margin: FloatArray
    off: FloatArray


def find_culprits(evidence: Evidence, places: Places, check: PinCheck) -> Culprits:
    """Return which hole alone keeps the pins out of each part that is rejected for them."""
    count = len(evidence.parts)
    out = Culprits(np.full(count, -1, dtype=np.int64), np.full(count, np.nan), check.floated.off.copy())
    off = np.flatnonzero(check.verdict == REJECT)
    found = one_hole_off(evidence, places, check.clearance, check.axes, True, off)
    itself = np.arange(evidence.shape[1]) == found.hole[:, None]
    keep = itself[..., None, None] | np.isnan(found.off)
    out.hole[found.part], out.margin[found.part] = found.hole, found.margin
    out.off[found.part] = np.where(keep, out.off[found.part], found.off)
    return out


def pins_frame(evidence: Evidence, check: PinCheck | None, culprits: Culprits | None) -> pd.DataFrame:
    """Return one row a part, hole and wall that takes a pin, columns as `results.PIN_COLUMNS`."""
    import pandas as pd

    if check is None or culprits is None:
        return pd.DataFrame(columns=list(PIN_COLUMNS))
    off = culprits.off[:, check.axes]
    spec, names = evidence.spec, evidence.parts
    hole, wall = np.nonzero(check.axes)
    parts, width = len(names), hole.size
    ids = list(dict.fromkeys(h.pin.id for h in spec.holes if h.pin is not None))
    pin = np.array([ids.index(h.pin.id) if h.pin is not None else -1 for h in spec.holes])
    columns = {
        "part": categorical(np.repeat(names.name, width), names.names),
        "serial": categorical(np.repeat(names.serial, width), names.serials),
        "hole": categorical(np.tile(hole, parts), spec.hole_ids),
        "wall": categorical(np.tile(wall, parts), spec.walls.names),
        "pin": categorical(np.tile(pin[hole], parts), ids),
        "clearance": check.clearance[:, check.axes].reshape(-1),
        "binding": check.floated.binding[:, check.axes].reshape(-1),
        "left": (check.clearance[:, check.axes] - np.hypot(off[..., 0], off[..., 1])).reshape(-1),
        "off_x": -off[..., 0].reshape(-1), "off_y": -off[..., 1].reshape(-1),
    }
    return pd.DataFrame({name: columns[name] for name in PIN_COLUMNS}, copy=False)
