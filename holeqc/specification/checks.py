"""Everything in a kit file that contradicts itself, in one run: names, parts, walls; sizes, places, gauges beside."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial

import numpy as np

from holeqc.characteristics import ANGLES, BY_GAUGE, MEASURED, NAMES, OF_WORD
from holeqc.quantities import GRAIN, FloatArray, format_length
from holeqc.specification import doubts
from holeqc.specification.content import Collector, Content, shown
from holeqc.specification.doubts import PLUG_SHARE, likely, path_of_pin, table_path, typed_keys
from holeqc.specification.model import (
    WAYS,
    Gauge,
    Hole,
    Specification,
    hole_to_hole,
    outline_area,
    outline_distance,
    read_distance,
    required_edge,
)
from holeqc.specification.words import hole_names

# Checks of gauges: do they serve the plan, and are they fine enough for the tolerance?


LEAST_RATIO = 4.0  #: practice 4:1 to 10:1 (MIL-HDBK-52)


def check_gauges(s: Specification, collector: Collector) -> None:
    """Collect what is wrong with gauges."""
    _named(s, collector)
    _served(s, collector)
    size_band = min((h.size.band for h in s.holes if h.size.band > 0), default=math.nan)
    zones = [
        t for h in s.holes for t in (h.position.tolerance, h.position.pattern_tolerance) if t is not None and t > GRAIN
    ]
    zone = min(zones, default=math.nan)
    for number, gauge in enumerate(s.gauges, start=1):
        _resolution(s, number, gauge, collector)
        angles = [word for word in gauge.measures if word in ANGLES]
        if angles and len(angles) < len(gauge.measures):
            collector.error("gauge-of-two-units", f"gauge[{number}].measures",
                            f"gauge {gauge.id!r} measures an angle and lengths: its U can't be of both",
                            ", ".join(gauge.measures), f"{', '.join(angles)} alone, U in degrees",
                            "List it twice, with an id for each")  # fmt: skip
        for word in gauge.measures:
            band = min((h.measured[word].band for h in s.holes if word in h.measured), default=math.nan)
            if OF_WORD[word].measured and band > GRAIN:
                _ratio(s, number, gauge, band, 1.0, OF_WORD[word].name, collector)
        if "diameter" in gauge.measures:
            _ratio(s, number, gauge, size_band, 1.0, "size", collector)
            _guard(s, number, gauge, size_band, collector)
        if {"x", "y"} & set(gauge.measures):
            # a diametral position is twice a distance, and so is its uncertainty
            _ratio(s, number, gauge, zone, 2.0, "position", collector)


def _named(s: Specification, collector: Collector) -> None:
    for key, gauge_id, needed in (
        ("diameter_gauge", s.plan.diameter_gauge, {"diameter"}),
        ("position_gauge", s.plan.position_gauge, {"x", "y"}),
        ("distance_gauge", s.plan.distances.gauge if s.plan.distances else "", {"distance"}),
    ):
        if not gauge_id:
            continue
        gauge = s.gauge(gauge_id)
        if gauge is None:
            collector.error("unknown-gauge", f"plan.{key}", f"{gauge_id!r} is not a gauge of this kit", f'"{gauge_id}"',
                            ", ".join(g.id for g in s.gauges) or "none is listed",
                            "Name a gauge that [[gauge]] lists")  # fmt: skip
        elif not needed <= set(gauge.measures):
            what = " and ".join(sorted(needed))
            collector.error("wrong-gauge", f"plan.{key}", f"gauge {gauge_id!r} doesn't measure {what}",
                            ", ".join(gauge.measures), what,
                            "Name another gauge, or correct its measures")  # fmt: skip


def _served(s: Specification, collector: Collector) -> None:
    """Where gauges are listed at all, each kind of reading that is asked needs one."""
    if not s.gauges:
        if s.decision.rule != "simple":
            collector.warn("no-uncertainty", "gauge", f"the {s.decision.rule} rule needs U, and no gauge is listed",
                           "nothing", "[[gauge]] with uncertainty", "Every reading will be held")  # fmt: skip
        return
    able = {m for g in s.gauges for m in g.measures}
    needed = {
        "diameter": True,
        "x": s.plan.position and s.plan.distances is None,
        "y": s.plan.position and s.plan.distances is None,
        "distance": s.plan.distances is not None,
        "edge_distance": s.plan.edge_distance,
        **{word: any(word in h.measured for h in s.holes) for word in (c.word for c in MEASURED)},
        "go": any(h.plugs.go is not None for h in s.holes),
        "no_go": any(h.plugs.no_go is not None for h in s.holes),
    }
    missing = [word for word, wanted in needed.items() if wanted and word not in able]
    if missing:
        collector.warn("no-gauge", "gauge", f"no gauge of this kit measures {', '.join(missing)}",
                       ", ".join(sorted(able)), ", ".join(missing), "List the gauge, or its measures")  # fmt: skip
    if s.decision.rule != "simple":
        for number, gauge in enumerate(s.gauges, start=1):
            if gauge.uncertainty is None and any(needed.get(word) for word in gauge.measures if word in BY_GAUGE):
                collector.warn("no-uncertainty", f"gauge[{number}].uncertainty",
                               f"the {s.decision.rule} rule needs U of gauge {gauge.id!r}", "nothing",
                               "U at k = 2 from its certificate and its use", "Its readings will be held")  # fmt: skip


def _resolution(s: Specification, number: int, gauge: Gauge, collector: Collector) -> None:
    """Reading to the nearest step alone gives a standard uncertainty of 0.29 steps (JCGM 100:2008, F.2.2.1)."""
    if gauge.uncertainty is None or gauge.resolution is None:
        return
    least = 2.0 * gauge.resolution / math.sqrt(12.0)
    if gauge.uncertainty < least - GRAIN:
        collector.warn(
            "uncertainty-below-resolution", f"gauge[{number}].uncertainty",
            f"U of gauge {gauge.id!r} is smaller than its resolution alone allows", f"{gauge.uncertainty:g}",
            f"at least 0.58 x {gauge.resolution:g} = {least:.2g}", "Write U of a reading in the shop",
        )  # fmt: skip


def _ratio(
    s: Specification, number: int, gauge: Gauge, tolerance: float, factor: float, what: str, collector: Collector
) -> None:
    if gauge.uncertainty is None or not tolerance > GRAIN or gauge.uncertainty <= 0:
        return
    if what == "size" and gauge.uncertainty >= tolerance - GRAIN:
        return  # coarser than the limits: a doubt that stops the kit
    ratio = tolerance / (2.0 * factor * gauge.uncertainty)
    if ratio < LEAST_RATIO - 1e-9:
        times = "" if factor == 1 else f" x {factor:g}"
        collector.warn(
            "coarse-gauge", f"gauge[{number}].uncertainty",
            f"gauge {gauge.id!r} is coarse for the tolerance of {what}: ratio {ratio:.2g} : 1",
            f"{format_length(tolerance, s.unit)} / (2{times} x {gauge.uncertainty:g})",
            "4 : 1 to 10 : 1 (practice after MIL-HDBK-52)", "Use a finer gauge, or guard the limits",
        )  # fmt: skip


def _guard(s: Specification, number: int, gauge: Gauge, band: float, collector: Collector) -> None:
    if s.decision.rule != "guarded" or gauge.uncertainty is None:
        return
    guard = s.decision.guard_factor * gauge.uncertainty
    if 2 * guard >= band - GRAIN:
        collector.warn(
            "guard-bands-meet", "decision.guard_factor",
            f"with gauge {gauge.id!r} the guard bands meet: no size can be accepted",
            f"2 x {guard:g}", f"less than the size tolerance {format_length(band, s.unit)}",
            "Use a finer gauge or a smaller guard factor",
        )  # fmt: skip


# Checks of where holes are: basic positions, position tolerances, outline, edge distance, datum shift.


MOST_TOLD = 20  #: pairs of overlapping holes that are told one by one


def check_places(specification: Specification, content: Content, collector: Collector) -> None:
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
    typed = typed_keys(content, number, "position")
    idle = [
        key
        for key, needs in (
            ("condition", "tolerance"), ("pattern_condition", "pattern_tolerance"),
            ("pattern_rotates", "pattern_tolerance"),
        )
        if key in typed and getattr(p, needs) is None
    ]  # fmt: skip
    if content.holes[number - 1].get("position") is not False:
        for key in idle:
            needs = "tolerance" if key == "condition" else "pattern_tolerance"
            collector.warn("no-effect", f"{path}.{key}", f"{key} has no effect without {needs}", str(typed[key]),
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
    required = np.array([required_edge(h) for h in s.holes])
    if not s.outline:
        if np.isfinite(required).any() and not s.plan.edge_distance:
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
    rows = zip(s.holes, distance.tolist(), required.tolist(), strict=True)
    for number, (hole, room, need) in enumerate(rows, start=1):
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


# Checks of limits of size, pins, plugs, tools and rework against each other.


def check_sizes(specification: Specification, content: Content, collector: Collector) -> None:
    """Collect what doesn't go with the sizes of the holes."""
    for number, hole in enumerate(specification.holes, start=1):
        _pin(specification, content, number, hole, collector)
        _plugs(specification, content, number, hole, collector)
        _rework(specification, content, number, hole, collector)
        _process(specification, hole, collector)


def _measured(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    """Check limits of what is measured beside size and place; of a pair both may be asked, or one of them."""
    for word, limits in hole.measured.items():
        what = OF_WORD[word]
        path, (lower, upper) = table_path(content, number, what.table), what.keys
        if limits.lower > limits.upper + GRAIN:
            collector.error("limits-upside-down", f"{path}.{lower}",
                            f"the lower limit of {what.name} is above the upper",
                            f"{lower} {limits.lower:g}, {upper} {limits.upper:g}", f"{lower} <= {upper}",
                            "Exchange them?")  # fmt: skip
        elif abs(limits.band) <= GRAIN:
            collector.stop("no-tolerance", f"{path}.{upper}",
                           f"both limits of {what.name} are the same: nothing can be made to them",
                           f"{limits.lower:g}", f"{lower} < {upper}", "Correct one of them")  # fmt: skip
    depth, countersink = hole.measured.get("hole_depth"), hole.measured.get("countersink_depth")
    if depth is not None and countersink is not None and countersink.lower > depth.upper + GRAIN:
        collector.error("countersink-below-hole", f"{table_path(content, number, 'countersink')}.depth_lower",
                        "the countersink is asked deeper than the hole", f"{countersink.lower:g}",
                        f"at most {depth.upper:g} {s.unit}", "Correct one of the depths")  # fmt: skip


def _size(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    path = table_path(content, number, "size")
    size = hole.size
    if size.lower > size.upper + GRAIN:
        collector.error("limits-upside-down", f"{path}.lower", "the lower limit is above the upper limit",
                        f"lower {size.lower:g}, upper {size.upper:g}", "lower <= upper",
                        likely(size.lower, size.upper, s.unit) or "Exchange them?")  # fmt: skip
    elif size.lower <= GRAIN:
        key = "plus" if "plus" in typed_keys(content, number, "size") else "lower"
        collector.error("limits-below-zero", f"{path}.{key}",
                        "the lower limit is not above 0", f"{size.lower:g}", "a size above 0",
                        "plus and minus are deviations from nominal, not limits")  # fmt: skip
    elif abs(size.band) <= GRAIN:
        collector.stop("no-tolerance", f"{path}.upper", "both limits are the same: no hole can be made to them",
                       f"{size.lower:g}", "lower < upper", "Correct one of them")  # fmt: skip


def _pin(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    pin = hole.pin
    if pin is None:
        return
    path = path_of_pin(content, number, pin)
    if pin.lower > pin.upper + GRAIN:
        collector.error("limits-upside-down", f"{path}.lower", "the smallest pin is above the largest",
                        f"lower {pin.lower:g}, upper {pin.upper:g}", "lower <= upper",
                        likely(pin.lower, pin.upper, s.unit) or "Exchange them?")  # fmt: skip
        return
    if hole.size.lower > hole.size.upper + GRAIN:
        return
    where = path if not content.holes[number - 1].get("size") else f"hole[{number}].size"
    text = partial(format_length, unit=s.unit)
    inner = hole_to_hole(hole).inner
    if pin.lower > hole.size.upper + GRAIN:
        collector.error("pin-never-enters", where, "even the smallest pin is larger than the largest hole",
                        f"pin {text(pin.lower)}, hole {text(hole.size.upper)}", "a pin smaller than its hole",
                        "Correct pin or hole")  # fmt: skip
    elif pin.upper <= hole.size.lower + GRAIN and pin.virtual_condition > inner + GRAIN:
        collector.warn(
            "virtual-conditions-cross", where,
            "a part inside all its limits may still refuse its pins: the virtual conditions cross by "
            f"{text(pin.virtual_condition - inner)}",
            f"pin {text(pin.upper)} + {text(pin.position_tolerance)} = {text(pin.virtual_condition)}, "
            f"hole boundary {text(inner)}",
            "pin's virtual condition at or below the hole's", "Compare with the drawing",
        )  # fmt: skip


def _plugs(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    path = table_path(content, number, "plugs")
    go, no_go, size, text = hole.plugs.go, hole.plugs.no_go, hole.size, partial(format_length, unit=s.unit)
    if not size.band > GRAIN:
        return
    if go is not None and no_go is not None and go >= no_go - GRAIN:
        collector.error("plugs-upside-down", f"{path}.go", "the GO plug is not smaller than the NO-GO plug",
                        f"GO {text(go)}, NO-GO {text(no_go)}", "GO < NO-GO", "Exchange them?")  # fmt: skip
        return
    # a plug maker's tolerance and wear take up to a tenth of the band each (common practice, no source); what lies
    # outside the limits by more is a doubt that stops the kit
    room = PLUG_SHARE * size.band + GRAIN
    worn = go is not None and size.lower - room <= go < size.lower - GRAIN
    if go is not None and (worn or size.lower + room < go <= size.upper + GRAIN):
        wrong = "lets holes pass that are too small" if go < size.lower else "refuses holes that are in limits"
        collector.warn("plug-off-limit", f"{path}.go", f"this GO plug {wrong}", text(go),
                       f"{text(size.lower)} to {text(size.lower + room)}", "Use the lower limit of size")  # fmt: skip
    worn = no_go is not None and size.upper + GRAIN < no_go <= size.upper + room
    if no_go is not None and (worn or size.lower - GRAIN <= no_go < size.upper - room):
        wrong = "lets holes pass that are too large" if no_go > size.upper else "refuses holes that are in limits"
        collector.warn("plug-off-limit", f"{path}.no_go", f"this NO-GO plug {wrong}", text(no_go),
                       f"{text(size.upper - room)} to {text(size.upper)}", "Use the upper limit of size")  # fmt: skip


def _rework(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    path = f"{table_path(content, number, 'rework')}.ream_up_to"
    largest, text = hole.ream_up_to, partial(format_length, unit=s.unit)
    if largest is None:
        return
    if largest > hole.size.upper + GRAIN:
        collector.error("rework-beyond-limit", path, "a hole reamed to this size would be over its upper limit",
                        text(largest), f"at most {text(hole.size.upper)}", "Use the upper limit, or less")  # fmt: skip
    elif largest < hole.size.lower - GRAIN:
        collector.error("rework-below-limit", path, "a hole reamed to this size would still be under its lower limit",
                        text(largest), f"from {text(hole.size.lower)} to {text(hole.size.upper)}",
                        "Use the upper limit, or take rework out")  # fmt: skip
    elif (
        s.tools.reamers
        and hole.size.band > GRAIN
        and not any(hole.size.lower - GRAIN <= tool.diameter <= largest + GRAIN for tool in s.tools.reamers)
    ):
        found = ", ".join(text(tool.diameter) for tool in s.tools.reamers)
        collector.warn("no-reamer-fits", path, "no reamer at hand gives a size inside the limits", found,
                       f"{text(hole.size.lower)} to {text(largest)}", "Add the reamer that is used")  # fmt: skip


def _process(s: Specification, hole: Hole, collector: Collector) -> None:
    mean = s.decision.process_mean
    if mean is not None and not hole.size.lower - 3 * hole.size.band <= mean <= hole.size.upper + 3 * hole.size.band:
        if not math.isfinite(hole.size.band):
            return
        collector.warn("process-mean-far", "decision.process_mean", "the process mean lies far from the limits",
                       f"{mean:g}", f"near {hole.size.lower:g} to {hole.size.upper:g}", "Is it a slip?")  # fmt: skip


#: what a kit may mark as key or critical: each characteristic, and all pins together
DESIGNATED = (*NAMES, "pins")


def check(specification: Specification, content: Content, collector: Collector) -> None:
    """Collect what is wrong or doubtful in a specification, errors and warnings."""
    if not specification.holes:
        collector.error("no-holes", "hole", "the kit has no holes", "nothing", "[[hole]] for each hole",
                        "Write [[hole]] with id, x and y for each hole")  # fmt: skip
    check_names(specification, content, collector)
    check_parts(specification, collector)
    check_walls(specification, collector)
    check_distances(specification, collector)
    check_rules(specification, content, collector)
    for number, hole in enumerate(specification.holes, start=1):
        _size(specification, content, number, hole, collector)
        _measured(specification, content, number, hole, collector)
    sound = doubts.without_odd_sizes(specification, content)
    check_sizes(sound, content, collector)
    check_places(sound, content, collector)
    check_gauges(sound, collector)
    doubts.check_starter(specification, content, collector)


def check_names(specification: Specification, content: Content, collector: Collector) -> None:
    """Check that no id stands twice, and that no two could be mixed up on a sheet."""
    s = specification
    _unique("hole", "id", "hole", s.hole_ids, collector)
    _unique("part", "name", "part", (p.name for p in s.parts), collector)
    _unique("part", "number", "part number", (p.number for p in s.parts), collector)
    _unique("gauge", "id", "gauge", (g.id for g in s.gauges), collector)
    _unique("pin", "id", "pin", (values.get("id") or "" for values in content.pins), collector)
    _unique("walls", "", "wall", s.walls.names, collector)
    met: dict[str, str] = {}
    for number, hole in enumerate(s.holes, start=1):
        if not hole.bushing:
            continue
        if hole.bushing in met:
            collector.warn(
                "bushing-twice", f"hole[{number}].bushing", f"this bushing makes hole {met[hole.bushing]!r} as well",
                shown(hole.bushing), "one bushing a hole", "Correct it, unless the fixture is moved between holes",
            )  # fmt: skip
        met.setdefault(hole.bushing, hole.id)


def folded(name: str) -> str:
    """Return a name as people confuse it: no capitals, no blanks, no leading zeros."""
    return "".join(name.split()).casefold().lstrip("0")


def _unique(table: str, key: str, what: str, names: Iterable[str], collector: Collector) -> None:
    met: dict[str, tuple[int, str]] = {}
    for number, name in enumerate(names, start=1):
        if not name:
            continue  # told already as missing
        first = met.setdefault(folded(name), (number, name))
        if first[0] == number:
            continue
        where = f"{table}[{number}].{key}" if key else f"{table}.names"
        if first[1] == name:
            collector.error("duplicate-id", where, f"{what} {name!r} is there twice (also number {first[0]})",
                            shown(name), f"each {what} once", "Give each its own")  # fmt: skip
        else:
            collector.warn("similar-ids", where, f"{what} {name!r} and {what} {first[1]!r} are easily mixed up",
                           shown(name), "names that differ by more than capitals, blanks or leading zeros",
                           "Rename one, on the drawing too")  # fmt: skip


def check_parts(specification: Specification, collector: Collector) -> None:
    """Check that each mirrored part is a mirror of a part that is there and drawn as it is."""
    names = {p.name: p for p in specification.parts}
    for number, part in enumerate(specification.parts, start=1):
        path = f"part[{number}]"
        if not part.mirror_of:
            if part.own_edges and not part.mirror:
                collector.warn("no-effect", f"{path}.own_edges", "own_edges has no effect on a part that is no mirror",
                               "true", "beside mirror_of and mirror", "Take it out")  # fmt: skip
            continue
        if not part.mirror:
            collector.error("missing-key", f"{path}.mirror", "a mirrored part must say which axis turns", "nothing",
                            '"x" or "y"', 'mirror = "x" makes x into -x')  # fmt: skip
        original = names.get(part.mirror_of)
        where = f"{path}.mirror_of"
        others = ", ".join(n for n in names if n != part.name) or "no other part"
        if original is None:
            collector.error("unknown-part", where, f"{part.mirror_of!r} is not a part of this kit",
                            shown(part.mirror_of), others, "Name a part of this file")  # fmt: skip
        elif original.name == part.name:
            collector.error("mirror-of-itself", where, f"part {part.name!r} can't be a mirror of itself",
                            shown(part.mirror_of), others, "Name the other hand")  # fmt: skip
        elif original.mirror or original.mirror_of:
            drawn = ", ".join(p.name for p in specification.parts if not p.mirror) or "none is"
            collector.error("mirror-of-mirror", where, f"part {original.name!r} is a mirror itself",
                            shown(part.mirror_of), f"a part as drawn: {drawn}",
                            "Name the part that the drawing shows")  # fmt: skip


def check_walls(specification: Specification, collector: Collector) -> None:
    """Check that the plan names walls that exist, and that what is asked can be judged in the walls that are read."""
    s = specification
    for key, walls in (("walls", s.plan.walls), ("position_walls", s.plan.position_walls)):
        for wall in walls:
            if wall not in s.walls.names:
                collector.error("unknown-wall", f"plan.{key}", f"{wall!r} is not a wall of this kit", shown(wall),
                                ", ".join(s.walls.names), "Name walls that [walls] lists")  # fmt: skip
    for key, most in (("partial_risk", 0.02), ("partial_hold", 0.5)):
        value = getattr(s.plan, key)
        if not 0.0 < value <= most:
            collector.error("plan-risk", f"plan.{key}", "no risk that can be agreed", f"{value:g}",
                            f"more than 0, at most {most:g}", "Write the share that drawing, contract and customer "
                            "allow")  # fmt: skip
    if not 2 <= s.plan.partial_every <= 10:
        collector.error("plan-every", "plan.partial_every", "each hole must be read again and again",
                        str(s.plan.partial_every), "2 to 10", "Write after how many parts at most")  # fmt: skip
    if s.plan.partial and s.plan.distances is not None:
        collector.error("plan-of-distances", "plan.partial", "a reading plan knows x and y that are read, no distances",
                        "plan.partial with plan.distances", "one of them", "Take one out")  # fmt: skip
    unread = [w for w in s.walls.names if w not in s.plan.walls]
    if unread:
        collector.warn("wall-not-read", "plan.walls", f"no diameter is read in {', '.join(unread)}",
                       ", ".join(s.plan.walls), ", ".join(s.walls.names),
                       "What is wrong there will not be found")  # fmt: skip
    if any((h.form.taper or 0) > 0 for h in s.holes) and len(s.plan.walls) < 2:
        collector.warn("taper-not-judged", "form.taper", "taper is asked but only one wall is read",
                       ", ".join(s.plan.walls), "two walls or more", "Read both walls, or take taper out")  # fmt: skip
    if any((h.form.out_of_roundness or 0) > 0 for h in s.holes) and len(s.plan.directions) < 2:
        collector.warn("roundness-not-judged", "form.out_of_roundness",
                       "out-of-roundness is asked but diameters are read in one direction only",
                       shown(list(s.plan.directions)), "two directions or more", "Add a direction to plan")  # fmt: skip
    for other, name in specification.wall_names.items():
        if name not in specification.walls.names:
            collector.error("unknown-wall", f'wall_names."{other}"', "the kit has no such wall", repr(name),
                            "walls " + ", ".join(specification.walls.names), "Name a wall of walls.names")  # fmt: skip
    for name in specification.designators:
        if name not in DESIGNATED:
            collector.error("unknown-characteristic", f'designators."{name}"', "this is no characteristic of a kit",
                            repr(name), ", ".join(DESIGNATED), "Name one of them")  # fmt: skip


def check_distances(specification: Specification, collector: Collector) -> None:
    """Check edges, pins and the list of distances that a kit plans."""
    s, names = specification, {h.casefold() for h in specification.hole_ids}
    for edge in s.datum_edges:
        if edge.name.casefold() in names:
            collector.error("edge-named-as-hole", f'datum_edges."{edge.name}"', "an edge has the name of a hole",
                            edge.name, "a name of its own", "Name the edge otherwise, A, B or C")  # fmt: skip
    plan = s.plan.distances
    if plan is None:
        return
    if not s.datum_edges:
        collector.warn("no-datum-edge", "datum_edges", "distances are planned, and no edge is named that they start "
                       "from: hole to hole and pins can be judged, position can't", "nothing", 'A = "x = 0"',
                       "Name the edges under [datum_edges]")  # fmt: skip
    smallest = min(h.size.lower for h in s.holes)
    if plan.pins and plan.pins[0] > smallest + GRAIN:
        collector.warn("measuring-pins-too-large", "plan.distance_pins", "no pin at hand enters the smallest good hole",
                       f"{plan.pins[0]:g} and larger", f"one of at most {smallest:g}",
                       "List a smaller one too")  # fmt: skip
    for line in plan.lines:
        ends = read_distance(s, line)
        if ends is None:
            collector.error("unknown-distance", "plan.distances", "it isn't clear what distance is meant",
                            f'"{line}"', "two holes or edges, the way, the wall: 1 - 2: over pins, near",
                            f"Holes are {', '.join(s.hole_ids[:12])}; ways are {', '.join(WAYS)}; edges are "
                            f"{', '.join(e.name for e in s.datum_edges) or 'none'}")  # fmt: skip


def check_rules(specification: Specification, content: Content, collector: Collector) -> None:
    """Check rounding, temperature and the decision rule against the rest."""
    s = specification
    if s.rounding.method == "absolute" and s.rounding.decimals is not None:
        collector.warn("no-effect", "rounding.decimals", "decimals have no effect under the absolute method",
                       str(s.rounding.decimals), 'method = "rounding"', "Take one of them out")  # fmt: skip
    for path, value in (
        ("temperature.part_expansion_per_c", s.temperature.part_expansion_per_c),
        *((f"gauge[{i}].expansion_per_c", g.expansion_per_c) for i, g in enumerate(s.gauges, start=1)),
    ):
        if value > 1e-3:
            collector.error("expansion-slip", path, "no material expands that much; the unit is 1/°C, not millionths",
                            f"{value:g}", "below 0.001; aluminium 23.1e-6, steel 11.5e-6",
                            f"Write {value:g}e-6 if millionths are meant")  # fmt: skip
    if s.temperature.correct and not s.temperature.part_expansion_per_c:
        collector.warn("no-expansion", "temperature.part_expansion_per_c",
                       "readings are to be brought to 20 °C but the part's coefficient is 0", "0", "1/°C",
                       "Write it; aluminium 23.1e-6, steel 11.5e-6")  # fmt: skip
    if s.decision.process_mean is not None and s.decision.process_sd is None:
        collector.warn("no-effect", "decision.process_mean", "a process mean has no effect without process_sd",
                       f"{s.decision.process_mean:g}", "both", "Write process_sd too, or take it out")  # fmt: skip
    if content.table("decision").get("reject_when_proven") is not None and s.decision.rule != "guarded":
        collector.warn("no-effect", "decision.reject_when_proven", "this acts under the guarded rule only",
                       s.decision.rule, "guarded", "Take it out, or change the rule")  # fmt: skip
