"""The pattern as one rigid body: floated to its best for hole to hole, or held by datum pins that leave it some shift.

ASME Y14.5: the lower segment of a composite frame holds the holes to one another, so the pattern of basic positions
is laid on the measured axes wherever it fits best before deviations are taken; a datum feature of size at its maximum
material boundary lets the whole pattern shift and turn as far as the datum pin has room, and never adds to the
tolerance from hole to hole. The axes in all walls are floated together, as one rigid motion: a pin goes through all
of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeqc.inspection.decision import decide
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.position import Places, Zones, judge_axes, position_outcome
from holeqc.inspection.results import (
    ACCEPT,
    FLOAT_COLUMNS,
    HOLD,
    NONE,
    PATTERN_INCOMPLETE,
    PIN_COLUMNS,
    REJECT,
    Outcome,
    VerdictArray,
)
from holeqc.inspection.size import Sizes, codes_over_walls, mating_size, over_walls, size_limits
from holeqc.quantities import CALCULATED, GRAIN, BoolArray, FloatArray, IntArray, above, below
from holeqc.specification.model import Specification
from holeqc.tables import Column, Table, Texts

LEAST_HOLES = 4  #: with fewer, leaving one out leaves too little to say which of them is off


@dataclass(frozen=True, slots=True)
class Floated:
    """A pattern at its best motion. ``margin``, ``rotation`` [rad] (P,), ``translation`` (P,2), the others (P,H,W).

    ``off`` (P,H,W,2) is where each axis lies from its moved basic position and ``away`` how far, ``binding`` which axes
    leave no more room. The motion turns the basic pattern about the origin of its dimensions, then shifts it. NaN where
    nothing is known.
    """

    margin: FloatArray
    rotation: FloatArray
    translation: FloatArray
    off: FloatArray
    binding: BoolArray

    @property
    def away(self) -> FloatArray:
        """How far each axis lies from its moved basic position (P,H,W)."""
        return np.hypot(self.off[..., 0], self.off[..., 1])


def float_pattern(evidence: Evidence, places: Places, radius: FloatArray, axes: BoolArray, *, rotate: bool) -> Floated:
    """Return the motion of the basic pattern that leaves the most room in zones of ``radius`` (P,H,W) at the axes.

    ``axes`` (H,W) says which axes belong to the pattern. Axes whose place or radius isn't known are left out.
    """
    shape = evidence.shape
    out = Floated(
        np.full(shape[0], np.nan), np.full(shape[0], np.nan), np.full((shape[0], 2), np.nan),
        np.full((*shape, 2), np.nan),
        np.zeros(shape, dtype=np.bool_),
    )  # fmt: skip
    known = places.known & np.isfinite(radius) & axes
    signs = evidence.parts.signs
    some = known.any(axis=(1, 2))
    straight = straight_parts(places, known, axes)
    for sign in np.unique(signs[some], axis=0):
        for through in (True, False):
            parts = np.flatnonzero((signs == sign).all(axis=1) & some & (straight == through))
            if not parts.size:
                continue
            motion = _best(places, radius, known, axes, parts, rotate, through)
            out.rotation[parts], out.translation[parts], out.binding[parts] = motion
            gap = places.xy[parts] - _moved(places.basic[parts], out.rotation[parts], out.translation[parts])
            out.off[parts] = np.where(known[parts][..., None], gap, np.nan)
    room = np.where(known, radius - out.away, np.inf).min(axis=(1, 2), initial=np.inf)
    out.margin[:] = np.where(np.isfinite(room), room, np.nan)
    return out


def straight_parts(places: Places, known: BoolArray, axes: BoolArray) -> BoolArray:
    """Return the parts (P,) whose axes have the same place in all walls, so that the narrowest zone of each counts."""
    holes = axes.any(axis=1)
    if axes.shape[1] == 1 or not (axes.all(axis=1) == holes).all():
        return np.zeros(known.shape[0], dtype=np.bool_)
    same = (places.xy == places.xy[:, :, :1]).all(axis=(2, 3)) & known.all(axis=2)
    return np.asarray((same | ~holes).all(axis=1))


def _best(
    places: Places, radius: FloatArray, known: BoolArray, axes: BoolArray, parts: IntArray, rotate: bool, through: bool
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return rotation, translation and binding axes of parts that share one drawn pattern.

    ``through``: axes have one place in all walls, so one axis a hole is enough.
    """
    from holeqc.inspection.pin_gauge import zone_margin

    there = known[parts]
    binding = np.zeros(there.shape, dtype=np.bool_)
    if through:
        holes = axes.any(axis=1)
        narrow = radius[parts][:, holes].min(axis=2)
        best = zone_margin(places.basic[parts[0]][holes, 0], places.xy[parts][:, holes, 0], narrow, rotate=rotate)
        tight = radius[parts][:, holes] <= narrow[..., None] + GRAIN
        binding[:, holes] = best.binding[..., None] & tight
        return best.rotation, best.translation, binding
    basic = places.basic[parts[0]][axes]
    target, zone = _filled(basic, places.xy[parts][:, axes], radius[parts][:, axes], there[:, axes])
    best = zone_margin(basic, target, zone, rotate=rotate)
    binding[:, axes] = best.binding & there[:, axes]
    return best.rotation, best.translation, binding


def _filled(basic: FloatArray, target: FloatArray, zone: FloatArray, there: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return targets and zones where an axis that isn't known stands at its basic position in a zone it can't leave.

    So all parts keep one pattern and are worked at once; the wide zone is never the tightest.
    """
    if there.all():
        return target, zone
    count = there.sum(axis=1)
    shift = np.where(there[..., None], target - basic, 0.0).sum(axis=1) / count[:, None]
    span = float(np.ptp(basic, axis=0).max())
    most = np.where(there, zone, -np.inf).max(axis=1)
    stray = np.where(there[..., None], np.abs(target - basic - shift[:, None, :]), 0.0).max(axis=(1, 2))
    wide = most + 4.0 * (span + stray)
    return (
        np.where(there[..., None], target, basic + shift[:, None, :]),
        np.where(there, zone, wide[:, None]),
    )


def _moved(basic: FloatArray, rotation: FloatArray, translation: FloatArray) -> FloatArray:
    """Return basic positions (P,H,W,2) turned about the origin by ``rotation`` (P,) and shifted by ``translation``."""
    cos, sin = (f(rotation)[:, None, None] for f in (np.cos, np.sin))
    x, y = basic[..., 0], basic[..., 1]
    turned = np.stack([cos * x - sin * y, sin * x + cos * y], axis=-1)
    return turned + translation[:, None, None, :]


def judge_pattern(evidence: Evidence, places: Places, zones: Zones) -> tuple[Outcome, FloatArray]:
    """Return the verdict on position hole to hole, the pattern floated to its best, for each hole and wall, and where
    the axes then lie (P,H,W,2).

    What a row shows is the deviation at the motion that leaves the most room to the axis that has least; so all rows
    are inside exactly if some motion brings all of them inside. Where none does, and leaving out just one hole lets
    all others in, that hole is the one that is off: its own deviation stays that at the best motion of all, so that
    what it is over agrees with the margin of the pattern; those of the others are taken at the motion that is best
    for them, since at the common motion it would push good holes out. Holes whose pattern may turn, and holes whose
    pattern may only shift, are two patterns. The uncertainty of the motion itself is left
    out of U and of the conformance probability.

    Leaving axes out can only make the best fit better. So while an axis that the kit asks for is not placed, what
    would be accepted is held; a reject stays one.
    """
    spec, places = evidence.spec, places.of_pattern
    radius = 0.5 * (zones.stated + zones.largest_bonus)
    asked = ~np.isnan(zones.stated) & np.ones(evidence.shape[2], dtype=np.bool_)
    turns = np.array([h.position.pattern_rotates for h in spec.holes])[:, None]
    off = np.full((*evidence.shape, 2), np.nan)
    for rotate, axes in ((True, asked & turns), (False, asked & ~turns)):
        if axes.any():
            floated = float_pattern(evidence, places, radius, axes, rotate=rotate)
            here = _against_the_others(evidence, places, radius, axes, rotate, floated)
            off = np.where(axes[..., None], here, off)
    actual = 2.0 * np.hypot(off[..., 0], off[..., 1])
    judged = judge_axes(spec, places, zones, actual)
    waits = _incomplete(spec, places, asked, turns) & (judged.verdict == ACCEPT)
    judged.verdict[waits], judged.cause[waits] = HOLD, PATTERN_INCOMPLETE
    return position_outcome(evidence, "hole-to-hole position", places, zones, actual, judged), off


def _incomplete(spec: Specification, places: Places, asked: BoolArray, turns: BoolArray) -> BoolArray:
    """Return the axes (P,H,W) in whose pattern one that the kit's plan asks for has no place that can be relied on."""
    planned = np.array([wall in spec.plan.position_walls for wall in spec.walls.names]) & spec.plan.position
    open_ = (~places.known | (places.weak != NONE)) & asked & planned
    out = np.zeros(places.known.shape, dtype=np.bool_)
    for axes in (asked & turns, asked & ~turns):
        out |= axes & (open_ & axes).any(axis=(1, 2))[:, None, None]
    return out


def _against_the_others(
    evidence: Evidence, places: Places, radius: FloatArray, axes: BoolArray, rotate: bool, floated: Floated
) -> FloatArray:
    """Return where axes lie (P,H,W,2); where one hole is off the pattern, the others where they fit best."""
    off = np.flatnonzero(above(floated.away, radius, CALCULATED).any(axis=(1, 2)))
    found = one_hole_off(evidence, places, radius, axes, rotate, off)
    out = floated.off.copy()
    itself = np.arange(out.shape[1]) == found.hole[:, None]
    keep = itself[..., None, None] | np.isnan(found.off)
    out[found.part] = np.where(keep, out[found.part], found.off)
    return out


@dataclass(frozen=True, slots=True)
class OneOff:
    """Parts (N,) in which leaving out one hole, and only that one, lets all others in: part, hole, room of the others,
    and where the axes (N,H,W,2) lie at the motion that is best for them."""

    part: IntArray
    hole: IntArray
    margin: FloatArray
    off: FloatArray


def one_hole_off(
    evidence: Evidence, places: Places, radius: FloatArray, axes: BoolArray, rotate: bool, off: IntArray
) -> OneOff:
    """Return which of the parts ``off`` (N,) have one hole alone that keeps the others from their zones."""
    holes = np.flatnonzero(axes.any(axis=1))
    if not off.size or holes.size < LEAST_HOLES:
        nothing = np.zeros(0, dtype=np.int64)
        return OneOff(nothing, nothing, np.zeros(0), np.zeros((0, *places.off.shape[1:])))
    # Every such part once for each hole, that hole left out.
    part, hole = np.repeat(off, holes.size), np.tile(holes, off.size)
    narrowed = radius[part]
    narrowed[np.arange(part.size), hole] = np.nan
    others = float_pattern(evidence.of_parts(part), places.of_parts(part), narrowed, axes, rotate=rotate)
    fits = ~below(others.margin, 0.0, CALCULATED) & np.isfinite(others.margin)
    fits &= (places.known[part, hole] & np.isfinite(radius[part, hole]) & axes[hole]).any(axis=1)
    alone = np.flatnonzero(fits.reshape(off.size, holes.size).sum(axis=1) == 1)
    row = alone * holes.size + fits.reshape(off.size, holes.size)[alone].argmax(axis=1)
    moved = _moved(places.basic[off[alone]], others.rotation[row], others.translation[row])
    return OneOff(off[alone], hole[row], others.margin[row], places.xy[off[alone]] - moved)


def shift_zones(spec: Specification, sizes: Sizes, zones: Zones) -> Zones:
    """Return position zones where datum holes hold their own simulators.

    The simulator of diameter B in a datum hole of mating size D leaves a zone of diameter D - B = (lower limit - B) +
    bonus, about the same centre as the hole's own position zone; the narrower of the two counts. Largest shift of one
    datum hole: D - B. A datum hole's own tolerance at LMC is taken without bonus here, which is never too wide.
    """
    shift = spec.datum_shift
    if shift is None:
        return zones
    column = (-1, 1)
    datum = np.array([hole.id in shift.holes for hole in spec.holes]).reshape(column)
    at_mmc = np.array([hole.position.condition == "MMC" for hole in spec.holes]).reshape(column)
    limits = size_limits(spec)
    band = limits.upper - limits.lower
    of_pin = limits.lower - shift.boundary
    pin_counts = datum & ~(zones.stated < of_pin)
    # Own zone without bonus: the pin's zone grows only until the own zone is reached.
    most = np.where(at_mmc | np.isnan(zones.stated), band, np.fmin(band, zones.stated - of_pin))
    own_most = np.where(datum & ~at_mmc, 0.0, zones.most)
    both = spec.walls.bonus_from_both
    gap, weak = (codes_over_walls(c) if both else c for c in (sizes.gap, sizes.weak))
    uncertainty = over_walls(sizes.uncertainty, np.maximum) if both else sizes.uncertainty
    return Zones(
        np.where(pin_counts, of_pin, zones.stated),
        np.where(pin_counts, most, own_most),
        np.where(pin_counts, mating_size(sizes, both) - limits.lower, zones.departure),
        np.where(pin_counts, uncertainty, zones.uncertainty),
        np.where(pin_counts, gap, zones.gap).astype(np.int16),
        np.where(pin_counts, weak, zones.weak).astype(np.int16),
    )


def judge_shifted(evidence: Evidence, places: Places, sizes: Sizes, zones: Zones) -> tuple[Outcome, Floated]:
    """Return the verdict on position where the datum frame may shift, and the shift used.

    The pattern takes the motion that leaves the most room in the position zones of all holes while each datum pin stays
    in its hole; accept if there is such a motion.
    """
    shifted = shift_zones(evidence.spec, sizes, zones)
    radius = 0.5 * (shifted.stated + shifted.largest_bonus)
    asked = ~np.isnan(shifted.stated) & np.ones(evidence.shape[2], dtype=np.bool_)
    floated = float_pattern(evidence, places, radius, asked, rotate=True)
    actual = 2.0 * floated.away
    return position_outcome(evidence, "position", places, shifted, actual), floated


# Do all pins enter together? The pin-pattern gauge applied to measured holes, each wall a constraint.
#
# A pin at its worst is its virtual condition: largest pin plus its own position tolerance (ASME Y14.5, external feature
# at MMC), standing at its basic position. A pin of diameter d passes a hole of diameter D when their axes are at most
# (D - d) / 2 apart.


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
    spec, places = evidence.spec, places.of_pattern
    axes = pin_axes(spec)
    if not axes.any() or not (spec.plan.position or places.known.any()):
        return None
    pin = pin_diameters(spec) if diameters is None else np.asarray(diameters, dtype=np.float64)[:, None]
    clearance = np.where(axes, 0.5 * (hole_diameters(spec, sizes) - pin), np.nan)
    floated = float_pattern(evidence, places, clearance, axes, rotate=True)
    each = np.where(axes & np.isfinite(clearance), np.hypot(0.5 * sizes.uncertainty, places.uncertainty), 0.0)
    uncertainty = each.max(axis=(1, 2))
    verdict, _ = decide(floated.margin, 0.0, np.nan, uncertainty, spec.decision, CALCULATED)
    # by distances, what lies within U of 0 is never decided, whatever the rule
    near = (places.derived & axes).any(axis=(1, 2)) & ~(np.abs(floated.margin) > uncertainty)
    verdict[near] = HOLD
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


def _empty(name: str) -> Column:
    if name in ("part", "serial", "hole", "wall", "pin"):
        return Texts.of(())
    return np.empty(0, dtype=np.bool_ if name == "binding" else np.float64)


def pins_table(evidence: Evidence, check: PinCheck | None, culprits: Culprits | None) -> Table:
    """Return one row a part, hole and wall that takes a pin, columns as `results.PIN_COLUMNS`."""
    if check is None or culprits is None:
        return Table({name: _empty(name) for name in PIN_COLUMNS})
    off = culprits.off[:, check.axes]
    spec, names = evidence.spec, evidence.parts
    hole, wall = np.nonzero(check.axes)
    parts, width = len(names), hole.size
    ids = list(dict.fromkeys(h.pin.id for h in spec.holes if h.pin is not None))
    pin = np.array([ids.index(h.pin.id) if h.pin is not None else -1 for h in spec.holes])
    columns: dict[str, Column] = {
        "part": Texts(np.repeat(names.name, width), names.names),
        "serial": Texts(np.repeat(names.serial, width), names.serials),
        "hole": Texts(np.tile(hole, parts), spec.hole_ids),
        "wall": Texts(np.tile(wall, parts), spec.walls.names),
        "pin": Texts(np.tile(pin[hole], parts), ids),
        "clearance": check.clearance[:, check.axes].reshape(-1),
        "binding": check.floated.binding[:, check.axes].reshape(-1),
        "left": (check.clearance[:, check.axes] - np.hypot(off[..., 0], off[..., 1])).reshape(-1),
        "off_x": -off[..., 0].reshape(-1),
        "off_y": -off[..., 1].reshape(-1),
    }
    return Table({name: columns[name] for name in PIN_COLUMNS})


# How far the pins of a part can still shift and turn once all of them are in.


def float_table(evidence: Evidence, places: Places, check: PinCheck | None) -> Table:
    """Return one row a part whose pins enter at virtual condition, columns as `results.FLOAT_COLUMNS`.

    One movement at a time from the best motion, the others held: back and forth along x and y, and turned about the
    pins' centre [rad]; all counted positive. Parts that aren't known in full have no row.
    """
    if check is None:
        return Table({name: _empty(name) for name in FLOAT_COLUMNS})
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
        "part": Texts(names.name[chosen], names.names),
        "serial": Texts(names.serial[chosen], names.serials),
    } | dict(zip(FLOAT_COLUMNS[2:], room[chosen].T, strict=True))
    return Table(columns)


def _room(places: Places, check: PinCheck, parts: IntArray, through: bool) -> FloatArray:
    """Return the room (B,6) of parts that share one drawn pattern; ``through``: one axis a hole is enough."""
    from holeqc.inspection.pin_gauge import available_float

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
