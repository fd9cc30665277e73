"""A pattern that doesn't take its pins: the least reaming inside the limits that lets them in, or engineering."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from holeqc.inspection.assemble import Layout
from holeqc.inspection.causes import NONE
from holeqc.inspection.decision import guard_band
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.grouping import IntArray
from holeqc.inspection.pins import PinCheck, check_pins, hole_diameters, pin_diameters
from holeqc.inspection.places import Places
from holeqc.inspection.results import ACCEPT, REJECT
from holeqc.inspection.rework import (
    CAUTION,
    ENGINEERING,
    of_parts,
    other_faults,
    position_faults,
    reamed,
    sizes_allowed,
    tools_at_hand,
)
from holeqc.inspection.size import Sizes, size_limits
from holeqc.problems import NOTE, Problem
from holeqc.quantities import BoolArray, FloatArray, above, below, format_length
from holeqc.specification.model import Specification

SEARCHED = 50  #: parts for which the least reaming is worked out in one run: each is a search of its own


@dataclass(frozen=True, slots=True)
class PatternRow:
    """One hole to ream so that the pins enter; hole -1 speaks of the part. ``to`` NaN and ``tool`` '' for nothing."""

    part: int
    hole: int
    start: float
    to: float
    tool: str
    passes: bool
    sentence: str


def rework_pattern(
    evidence: Evidence,
    layout: Layout,
    places: Places,
    pins: PinCheck | None,
    sizes: Sizes,
    mended: tuple[IntArray, Sizes],
    open_: BoolArray,
) -> tuple[list[PatternRow], tuple[Problem, ...]]:
    """Return what lets the pins into parts that don't take them, and a note where it wasn't worked out for all.

    ``mended``: parts whose small holes are reamed already, and their sizes afterwards; ``open_`` (P,): parts with a
    small hole that isn't reamed now. Only parts that are known in full, and that have no fault reaming leaves, get an
    answer; all others go to engineering without a hint.
    """
    if pins is None:
        return [], ()
    unknown = ((sizes.unread != NONE) | (sizes.gap != NONE) | (sizes.weak != NONE)).any(axis=(1, 2))
    unknown |= ((places.gap != NONE) & pins.axes).any(axis=(1, 2)) | open_
    faults = other_faults(evidence, layout) | above(sizes.largest, size_limits(evidence.spec).upper).any(axis=2)
    parts = np.flatnonzero((pins.verdict == REJECT) & ~unknown & ~faults.any(axis=1))
    if not parts.size:
        return [], ()
    now = _now(sizes, parts, mended)
    where = places.of_parts(parts)
    most = _most(evidence.spec, now, pins.axes)
    entered = _enter(evidence, parts, now, where)
    can = _enter(evidence, parts, reamed(now, most[..., None]), where)
    rows: list[PatternRow] = []
    searched = 0
    for number, part in enumerate(parts.tolist()):
        if entered[number]:
            rows.append(_part_row(part, True, "Once the small holes are reamed as said, all pins enter together."))
        elif not can[number]:
            rows.append(_part_row(part, False, f"No reaming that the kit permits lets all pins in: {ENGINEERING}"))
        elif searched < SEARCHED:
            searched += 1
            one = np.array([number])
            rows += _searched(evidence, part, of_parts(now, one), where.of_parts(one), most[number])
        else:
            text = "Reaming inside the limits lets all pins in; check this part by itself to have the least worked out."
            rows.append(_part_row(part, False, text))
    left = int((can & ~entered).sum()) - searched
    return rows, (_note(left),) if left > 0 else ()


def _part_row(part: int, passes: bool, sentence: str) -> PatternRow:
    return PatternRow(part, -1, np.nan, np.nan, "", passes, sentence)


def _note(left: int) -> Problem:
    return Problem(
        NOTE,
        "reaming-not-searched",
        f"the least reaming that lets the pins in was worked out for {SEARCHED} parts and not for {left} more",
        action="Check those parts by themselves.",
    )


def _now(sizes: Sizes, parts: IntArray, mended: tuple[IntArray, Sizes]) -> Sizes:
    """Return sizes of some parts, with small holes reamed where that was proposed."""
    changed, after = mended
    now: Any = of_parts(sizes, parts)
    row = np.flatnonzero(np.isin(changed, parts))
    at = np.searchsorted(parts, changed[row])
    for name in ("smallest", "largest", "mating"):
        getattr(now, name)[at] = getattr(after, name)[row]
    return Sizes(*(getattr(now, name) for name in Sizes.__slots__))


def _most(spec: Specification, sizes: Sizes, axes: BoolArray) -> FloatArray:
    """Return the largest size to which each hole (P,H) may be reamed, NaN where it may not or takes no pin.

    Inside the acceptance limits and the kit's own end, and short of the NO-GO plug by one step of the unit's last
    decimal.
    """
    _, upper = sizes_allowed(spec, np.fmax.reduce(sizes.uncertainty, axis=2))
    step = 0.0001 if spec.unit == "in" else 0.001
    no_go = np.array([np.nan if h.plugs.no_go is None else h.plugs.no_go - step for h in spec.holes])
    return np.where(axes.any(axis=1), np.where(np.isnan(no_go), upper, np.minimum(upper, no_go)), np.nan)


def _enter(evidence: Evidence, parts: IntArray, sizes: Sizes, places: Places) -> BoolArray:
    check = check_pins(evidence.of_parts(parts), sizes, places)
    return np.zeros(parts.size, dtype=np.bool_) if check is None else np.asarray(check.verdict == ACCEPT)


def _searched(evidence: Evidence, part: int, sizes: Sizes, places: Places, most: FloatArray) -> list[PatternRow]:
    """Return the least reaming of one part: with the tools at hand, else to any size."""
    spec = evidence.spec
    tools = tools_at_hand(spec)
    sizes_of_tools = tools.diameter[~below(tools.diameter, size_limits(spec).lower.min())]
    to = _least(spec, sizes, places, most, sizes_of_tools) if sizes_of_tools.size else None
    at_hand = to is not None
    if to is None:
        to = _least(spec, sizes, places, most, None)
    if to is None:
        return [_part_row(part, False, f"No reaming that the kit permits lets all pins in: {ENGINEERING}")]
    after = reamed(sizes, to[None, :, None])
    just = np.array([part])
    check = check_pins(evidence.of_parts(just), after, places)
    enters = check is not None and check.verdict[0] == ACCEPT
    passes = enters and not position_faults(evidence, just, after, places).any()
    names = [_tool_name(spec, size) if at_hand else "" for size in to]
    holes = np.flatnonzero(np.isfinite(to))
    joint = _joint(spec, to, names, holes, passes, float(check.margin[0]) if check is not None else np.nan)
    start = np.fmin.reduce(sizes.mating[0], axis=1)
    first = int(holes[0]) if holes.size else -1
    return [
        PatternRow(
            part, hole, float(start[hole]), float(to[hole]), names[hole], passes and at_hand,
            joint if hole == first else f"Hole {spec.holes[hole].id}: ream it with the others, as said for them.",
        )
        for hole in holes.tolist()
    ]  # fmt: skip


def _least(
    spec: Specification, sizes: Sizes, places: Places, most: FloatArray, steps: FloatArray | None
) -> FloatArray | None:
    """Return the size (H,) to ream each hole to, NaN where nothing is done; None where nothing helps."""
    from holeqc.inspection.pin_gauge_reaming import smallest_reaming

    axes = np.isfinite(pin_diameters(spec)) & np.isfinite(places.xy[0]).all(axis=-1)
    hole = np.nonzero(axes)[0]
    diameter = hole_diameters(spec, sizes)[0]
    uncertainty = np.hypot(0.5 * sizes.uncertainty[0], places.uncertainty[0])
    band = np.where(np.isnan(uncertainty), 0.0, guard_band(uncertainty, spec.decision))[axes].max()
    pin = np.broadcast_to(pin_diameters(spec), axes.shape)[axes] + 2.0 * max(float(band), 0.0)
    largest = np.fmax(np.where(np.isnan(most), -np.inf, most)[hole], diameter[axes])
    found = smallest_reaming(
        places.basic[0][axes], places.xy[0][axes], diameter[axes], pin, largest, steps, together=hole
    )
    if found is None:
        return None
    to = np.full(len(spec.holes), np.nan)
    for row in np.flatnonzero(found.enlargement > 0.0):
        to[hole[row]] = np.fmax(to[hole[row]], found.diameter[row])
    return to


def _tool_name(spec: Specification, size: float) -> str:
    tools = tools_at_hand(spec)
    fitting = [f"{k} {n}" for k, n, d in zip(tools.kind, tools.designation, tools.diameter, strict=True) if d == size]
    return fitting[0] if fitting else ""


def _joint(spec: Specification, to: FloatArray, names: list[str], holes: IntArray, passes: bool, margin: float) -> str:
    """Return all reamings of a part in one sentence."""
    unit = spec.unit
    each = []
    for hole in holes.tolist():
        tool = f" with {names[hole]}" if names[hole] else ""
        each.append(f"hole {spec.holes[hole].id} to {format_length(float(to[hole]), unit)} {unit}{tool}")
    text = f"Ream {', '.join(each)}: all pins then enter with {format_length(margin, unit, 5)} {unit} of radial room"
    if not any(names):
        return f"{text}, but no such reamer is at hand; get one, or {ENGINEERING}"
    if not passes:
        return f"{text}, but the part would still not pass: {ENGINEERING}"
    return f"{text}. {CAUTION}"
