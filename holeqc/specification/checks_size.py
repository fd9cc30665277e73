"""Checks of limits of size, pins, plugs, tools and rework against each other."""

from __future__ import annotations

import math

from holeqc.quantities import GRAIN, decimals_of, format_length
from holeqc.specification.boundaries import hole_to_hole
from holeqc.specification.content import Content
from holeqc.specification.model import Hole, Specification
from holeqc.specification.values import Collector

#: hole sizes beyond which the kit's unit is likely the wrong one
LIKELY = {"in": (0.02, 4.0), "mm": (0.6, 120.0)}


def check(specification: Specification, content: Content, collector: Collector) -> None:
    """Collect what is wrong with sizes."""
    _unit(specification, collector)
    for number, hole in enumerate(specification.holes, start=1):
        _size(specification, content, number, hole, collector)
        _pin(specification, content, number, hole, collector)
        _plugs(specification, content, number, hole, collector)
        _rework(specification, content, number, hole, collector)
        _process(specification, hole, collector)
    _tools(specification, collector)


def table_path(content: Content, number: int, table: str) -> str:
    """Return where what holds for a hole stands: its own table if it has one, else the table for all holes."""
    return f"hole[{number}].{table}" if content.holes[number - 1].get(table) else table


def _unit(s: Specification, collector: Collector) -> None:
    low, high = LIKELY[s.unit]
    lowest = min((h.size.lower for h in s.holes), default=math.nan)
    highest = max((h.size.upper for h in s.holes), default=math.nan)
    if highest > high or lowest < low:
        value = highest if highest > high else lowest
        collector.warn("unit-slip", "kit.unit", f"a hole of {value:g} {s.unit} is out of the ordinary",
                       f'unit = "{s.unit}"', f"holes from {low:g} to {high:g} {s.unit} are usual",
                       "Is it the right unit?")  # fmt: skip


def _size(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    path = table_path(content, number, "size")
    size = hole.size
    if size.lower > size.upper + GRAIN:
        collector.error("limits-upside-down", f"{path}.lower", "the lower limit is above the upper limit",
                        f"lower {size.lower:g}, upper {size.upper:g}", "lower <= upper", "Exchange them?")  # fmt: skip
    elif abs(size.band) <= GRAIN:
        collector.warn("no-tolerance", path, "both limits are the same: no hole can be made to it", f"{size.lower:g}",
                       "lower < upper", "Correct one of them")  # fmt: skip
    elif size.upper > 1.25 * size.lower:
        collector.warn("wide-limits", path, "the limits lie far apart", f"{size.lower:g} to {size.upper:g}",
                       "a band of a few percent is usual", "Is it a slip of the decimal point?")  # fmt: skip
    if s.rounding.method == "rounding" and s.rounding.decimals is not None:
        needed = max(decimals_of(round(v, 9)) for v in (size.lower, size.upper)) if math.isfinite(size.band) else 0
        if needed > s.rounding.decimals:
            collector.warn("coarse-rounding", "rounding.decimals", "readings are rounded more coarsely than a limit",
                           str(s.rounding.decimals), f"{needed} or more", "Leave decimals out")  # fmt: skip


def _pin(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    pin = hole.pin
    if pin is None:
        return
    own = content.holes[number - 1].get("pin")
    path = f"hole[{number}].pin" if isinstance(own, dict) else _listed(content, pin.id)
    if pin.lower > pin.upper + GRAIN:
        collector.error("limits-upside-down", f"{path}.lower", "the smallest pin is above the largest",
                        f"lower {pin.lower:g}, upper {pin.upper:g}", "lower <= upper", "Exchange them?")  # fmt: skip
        return
    if hole.size.lower > hole.size.upper + GRAIN:
        return
    where = path if not content.holes[number - 1].get("size") else f"hole[{number}].size"
    text = _Text(s)
    inner = hole_to_hole(hole).inner
    if pin.lower > hole.size.upper + GRAIN:
        collector.error("pin-never-enters", where, "even the smallest pin is larger than the largest hole",
                        f"pin {text(pin.lower)}, hole {text(hole.size.upper)}", "a pin smaller than its hole",
                        "Correct pin or hole")  # fmt: skip
    elif pin.upper > hole.size.upper + GRAIN:
        collector.warn("pin-larger-than-hole", where, "the largest pin is larger than the largest hole",
                       f"pin {text(pin.upper)}, hole {text(hole.size.upper)}", "clearance",
                       "An interference fit can't be checked by dropping pins in; is it meant?")  # fmt: skip
    elif pin.virtual_condition > inner + GRAIN:
        collector.warn(
            "virtual-conditions-cross", where,
            "a part inside all its limits may still refuse its pins: the virtual conditions cross by "
            f"{text(pin.virtual_condition - inner)}",
            f"pin {text(pin.upper)} + {text(pin.position_tolerance)} = {text(pin.virtual_condition)}, "
            f"hole boundary {text(inner)}",
            "pin's virtual condition at or below the hole's", "Compare with the drawing",
        )  # fmt: skip
    if pin.upper < 0.7 * hole.size.lower:
        collector.warn("loose-pin", where, "the pin is much smaller than its hole",
                       f"pin {text(pin.upper)}, hole {text(hole.size.lower)}", "", "Is it a slip?")  # fmt: skip


def _listed(content: Content, pin_id: str) -> str:
    if not content.pins_are_listed:
        return "pin"
    return next((f"pin[{i}]" for i, v in enumerate(content.pins, 1) if v.get("id", "pin") == pin_id), "pin")


class _Text:
    """Lengths as the kit writes them."""

    def __init__(self, specification: Specification) -> None:
        self.unit = specification.unit

    def __call__(self, value: float) -> str:
        return format_length(value, self.unit)


def _plugs(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    path = table_path(content, number, "plugs")
    go, no_go, size, text = hole.plugs.go, hole.plugs.no_go, hole.size, _Text(s)
    if go is not None and no_go is not None and go >= no_go - GRAIN:
        collector.error("plugs-upside-down", f"{path}.go", "the GO plug is not smaller than the NO-GO plug",
                        f"GO {text(go)}, NO-GO {text(no_go)}", "GO < NO-GO", "Exchange them?")  # fmt: skip
        return
    # a plug maker's tolerance and wear take up to a tenth of the band each (common practice, no source)
    room = 0.1 * size.band + GRAIN
    if go is not None and not size.lower - GRAIN <= go <= size.lower + room and math.isfinite(size.band):
        wrong = "lets holes pass that are too small" if go < size.lower else "refuses holes that are in limits"
        collector.warn("plug-off-limit", f"{path}.go", f"this GO plug {wrong}", text(go),
                       f"{text(size.lower)} to {text(size.lower + room)}", "Use the lower limit of size")  # fmt: skip
    if no_go is not None and not size.upper - room <= no_go <= size.upper + GRAIN and math.isfinite(size.band):
        wrong = "lets holes pass that are too large" if no_go > size.upper else "refuses holes that are in limits"
        collector.warn("plug-off-limit", f"{path}.no_go", f"this NO-GO plug {wrong}", text(no_go),
                       f"{text(size.upper - room)} to {text(size.upper)}", "Use the upper limit of size")  # fmt: skip


def _rework(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    path = f"{table_path(content, number, 'rework')}.ream_up_to"
    largest, text = hole.ream_up_to, _Text(s)
    if largest is None:
        return
    if largest > hole.size.upper + GRAIN:
        collector.error("rework-beyond-limit", path, "a hole reamed to this size would be over its upper limit",
                        text(largest), f"at most {text(hole.size.upper)}", "Use the upper limit, or less")  # fmt: skip
    elif largest < hole.size.lower - GRAIN:
        collector.error("rework-below-limit", path, "a hole reamed to this size would still be under its lower limit",
                        text(largest), f"from {text(hole.size.lower)} to {text(hole.size.upper)}",
                        "Use the upper limit, or take rework out")  # fmt: skip
    elif s.tools.reamers and not any(
        hole.size.lower - GRAIN <= tool.diameter <= largest + GRAIN for tool in s.tools.reamers
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


def _tools(s: Specification, collector: Collector) -> None:
    if s.tools.drill is None or not s.holes:
        return
    upper = max(h.size.upper for h in s.holes)
    text = _Text(s)
    if s.tools.drill.diameter > upper + GRAIN:
        collector.warn("drill-too-large", "tools.drill", "the drill is larger than every hole's upper limit",
                       f"{s.tools.drill.designation} = {text(s.tools.drill.diameter)}", f"at most {text(upper)}",
                       "Is it the right drill?")  # fmt: skip
