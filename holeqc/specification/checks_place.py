"""Checks of where holes are: basic positions, position tolerances, outline, edge distance, datum shift."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from holeqc.quantities import GRAIN, FloatArray, format_length
from holeqc.specification.boundaries import outline_area, outline_distance, required_edge
from holeqc.specification.content import Content
from holeqc.specification.doubts import table_path
from holeqc.specification.model import Hole, Specification
from holeqc.specification.values import Collector
from holeqc.specification.words import hole_names

MOST_TOLD = 20  #: pairs of overlapping holes that are told one by one


def check(specification: Specification, content: Content, collector: Collector) -> None:
    """Collect what is wrong with positions."""
    for number, hole in enumerate(specification.holes, start=1):
        _tolerances(specification, content, number, hole, collector)
    _missing_positions(specification, content, collector)
    xy = np.array([(h.x, h.y) for h in specification.holes]).reshape(-1, 2)
    _overlaps(specification, xy, collector)
    _outline(specification, content, xy, collector)
    _datum_shift(specification, collector)


def _tolerances(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    p = hole.position
    path = table_path(content, number, "position")
    if p.pattern_tolerance is not None and p.tolerance is not None and p.pattern_tolerance >= p.tolerance - GRAIN:
        collector.error(
            "pattern-not-tighter", f"{path}.pattern_tolerance", "the hole-to-hole tolerance must be smaller than the "
            "tolerance to the datums", f"pattern_tolerance {p.pattern_tolerance:g}, tolerance {p.tolerance:g}",
            f"below {p.tolerance:g}", "Exchange them? The upper segment of the frame is the larger",
        )  # fmt: skip
    if p.pattern_tolerance is not None and p.tolerance is None:
        collector.warn("pattern-not-located", f"{path}.tolerance", "holes are held to each other but not to the datums",
                       "no tolerance", "tolerance and pattern_tolerance",
                       "Write tolerance, unless the drawing locates the pattern otherwise")  # fmt: skip
    if p.pattern_tolerance is not None and len(s.holes) == 1:
        collector.warn("pattern-of-one", f"{path}.pattern_tolerance", "one hole is no pattern", "1 hole", "2 or more",
                       "Take it out")  # fmt: skip
    said = {**content.table("position"), **(content.holes[number - 1].get("position") or {})}
    idle = [
        key
        for key, needs in (
            ("condition", "tolerance"), ("pattern_condition", "pattern_tolerance"),
            ("pattern_rotates", "pattern_tolerance"),
        )
        if key in said and getattr(p, needs) is None
    ]  # fmt: skip
    if content.holes[number - 1].get("position") is not False:
        for key in idle:
            needs = "tolerance" if key == "condition" else "pattern_tolerance"
            collector.warn("no-effect", f"{path}.{key}", f"{key} has no effect without {needs}", str(said[key]),
                           f"beside {needs}", f"Write {needs}, or take it out")  # fmt: skip
    asked = [t for t in (p.tolerance, p.pattern_tolerance) if t is not None]
    if "LMC" in (p.condition, p.pattern_condition) and hole.pin is not None:
        collector.warn("lmc-with-pin", f"{path}.condition",
                       "at LMC the tolerance grows as the hole gets smaller, which takes room from the pin",
                       "LMC", "MMC or RFS where a pin must enter",
                       "Compare with the drawing")  # fmt: skip
    if asked and not s.plan.position:
        collector.warn("position-not-read", "plan.position", "position is asked but x and y are not read", "false",
                       "true", "Every part will be held for want of positions")  # fmt: skip


def _missing_positions(s: Specification, content: Content, collector: Collector) -> None:
    reasons = [
        reason
        for reason, holds in (
            ("position is asked", any(h.position != type(h.position)() for h in s.holes)),
            ("pins must enter together", s.has_pins),
            ("x and y are read", s.plan.position),
            ("datum holes shift the frame", s.datum_shift is not None),
        )
        if holds
    ]
    given = [any(k in values for k in ("x", "y")) for values in content.holes]
    for number, values in enumerate(content.holes, start=1):
        missing = [k for k in ("x", "y") if k not in values]
        if not missing or not (reasons or any(given)):
            continue
        why = reasons[0] if reasons else "other positions are given"
        collector.error("missing-key", f"hole[{number}].{missing[0]}",
                        f"the hole has no {' and no '.join(missing)}, and {why}", "nothing",
                        "basic dimensions from the datums", "Write x = ... and y = ...")  # fmt: skip


def _overlaps(s: Specification, xy: FloatArray, collector: Collector) -> None:
    """Holes may not run into each other even at their smallest, drilled exactly where the drawing says."""
    if len(s.holes) < 2:
        return
    lower = np.array([h.size.lower for h in s.holes])
    distance = np.hypot(*np.moveaxis(xy[:, None, :] - xy[None, :, :], 2, 0))
    first, second = np.nonzero(np.triu(distance < (lower[:, None] + lower[None, :]) / 2 - GRAIN, k=1))
    for i, j in list(zip(first.tolist(), second.tolist(), strict=True))[:MOST_TOLD]:
        one, other = s.holes[i], s.holes[j]
        if distance[i, j] <= GRAIN:
            message = f"hole {other.id!r} is at the same place as hole {one.id!r}"
        else:
            message = f"hole {other.id!r} runs into hole {one.id!r}"
        collector.error(
            "holes-overlap", f"hole[{j + 1}].x", message,
            f"centres {format_length(float(distance[i, j]), s.unit)} apart",
            f"more than {format_length(float(lower[i] + lower[j]) / 2, s.unit)}", "Correct x or y",
        )  # fmt: skip
    if first.size > MOST_TOLD:
        collector.error("holes-overlap", "hole", f"{first.size - MOST_TOLD} more pairs of holes run into each other")


def _outline(s: Specification, content: Content, xy: FloatArray, collector: Collector) -> None:
    asked = np.array([required_edge(h) for h in s.holes])
    if not s.outline:
        if np.isfinite(asked).any() and not s.plan.edge_distance:
            collector.warn("edge-not-judged", "outline.points",
                           "edge distance is asked, but it is not read and no outline gives it",
                           "nothing", "outline.points, or plan.edge_distance = true",
                           "Every part will be held for want of it")  # fmt: skip
        return
    size = max(float(np.ptp(np.asarray(s.outline), axis=0).max()), GRAIN)
    if not math.isfinite(size) or outline_area(s.outline) < 1e-6 * size**2:
        collector.error("flat-outline", "outline.points", "the corners enclose no area", f"{len(s.outline)} corners",
                        "corners in order around the part", "Correct the points")  # fmt: skip
        return
    distance = outline_distance(xy, s.outline)
    met: dict[tuple[str, str], list[tuple[int, Hole, _Edge]]] = {}
    for number, (hole, room, need) in enumerate(zip(s.holes, distance.tolist(), asked.tolist(), strict=True), start=1):
        if not math.isfinite(hole.x + hole.y) or not math.isfinite(hole.size.upper):
            continue
        found = _near_edge(s, table_path(content, number, "edge"), hole, room, need)
        if found is not None:
            met.setdefault((found.code, found.allowed), []).append((number, hole, found))
    for same in met.values():  # one cause is one line, however many holes it has
        number, hole, edge = same[0]
        names = hole_names([h.id for _, h, _ in same])
        holes = f"hole {hole.id!r} {edge.one}" if len(same) == 1 else f"holes {names} {edge.several}"
        found_ = edge.found if len(same) == 1 else f"hole {hole.id!r} {edge.found}"
        add = collector.warn if edge.code == "edge-eats-position" else collector.error
        add(edge.code, f"hole[{number}].x", holes, found_, edge.allowed, edge.action)


@dataclass(frozen=True, slots=True)
class _Edge:
    """What is wrong with a hole's distance to the edge: words for one hole and for several."""

    code: str
    one: str
    several: str
    found: str
    allowed: str
    action: str


def _near_edge(s: Specification, edge: str, hole: Hole, room: float, need: float) -> _Edge | None:
    place, text = f"({hole.x:g}, {hole.y:g})", format_length(room, s.unit)
    if room < 0:
        return _Edge("hole-outside", "lies outside the outline", "lie outside the outline", place,
                     "inside outline.points", "Correct x, y or the outline")  # fmt: skip
    if room < hole.size.upper / 2 - GRAIN:
        return _Edge("hole-cuts-edge", "cuts the edge of the part", "cut the edge of the part",
                     f"{place}, {text} from the edge", f"more than {format_length(hole.size.upper / 2, s.unit)}",
                     "Correct x, y or the outline")  # fmt: skip
    if room < need - GRAIN:
        return _Edge("edge-contradicts-position", "is too near the edge by its own basic position",
                     "are too near the edge by their own basic positions", text,
                     f"at least {format_length(need, s.unit)} by {edge}",
                     "Correct x, y, the outline, or the edge distance")  # fmt: skip
    tolerance = hole.position.tolerance
    if tolerance is not None and room - tolerance / 2 < need - GRAIN:
        return _Edge("edge-eats-position", "can be in position and yet too near the edge",
                     "can be in position and yet too near the edge", f"{text} from the edge, position ⌀{tolerance:g}",
                     f"{format_length(need, s.unit)} + ⌀/2", "Compare with the drawing")  # fmt: skip
    return None


def _datum_shift(s: Specification, collector: Collector) -> None:
    if s.datum_shift is None:
        return
    for name in s.datum_shift.holes:
        hole = next((h for h in s.holes if h.id == name), None)
        if hole is None:
            collector.error("unknown-hole", "datum_shift.holes", f"{name!r} is not a hole of this kit", f'"{name}"',
                            ", ".join(s.hole_ids), "Name holes of this file")  # fmt: skip
        elif s.datum_shift.boundary > hole.size.lower + GRAIN:
            collector.warn("datum-boundary", "datum_shift.boundary",
                           f"the simulator can't enter the smallest hole {name!r}",
                           f"{s.datum_shift.boundary:g}", f"at most {hole.size.lower:g}",
                           "The maximum material boundary of a hole is its lower limit, or less")  # fmt: skip
