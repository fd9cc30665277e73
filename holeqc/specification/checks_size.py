"""Checks of limits of size, pins, plugs, tools and rework against each other."""

from __future__ import annotations

import math
from typing import Any

from holeqc.quantities import GRAIN, format_length
from holeqc.specification.boundaries import hole_to_hole
from holeqc.specification.content import Content
from holeqc.specification.doubts import PLUG_SHARE, likely, pin_path, table_path
from holeqc.specification.model import Hole, Specification
from holeqc.specification.values import Collector


def check(specification: Specification, content: Content, collector: Collector) -> None:
    """Collect what doesn't go with the sizes of the holes."""
    for number, hole in enumerate(specification.holes, start=1):
        _pin(specification, content, number, hole, collector)
        _plugs(specification, content, number, hole, collector)
        _rework(specification, content, number, hole, collector)
        _process(specification, hole, collector)


def check_limits(specification: Specification, content: Content, collector: Collector) -> None:
    """Collect limits that no hole can keep."""
    for number, hole in enumerate(specification.holes, start=1):
        _size(specification, content, number, hole, collector)


def _size(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    path = table_path(content, number, "size")
    size = hole.size
    if size.lower > size.upper + GRAIN:
        collector.error("limits-upside-down", f"{path}.lower", "the lower limit is above the upper limit",
                        f"lower {size.lower:g}, upper {size.upper:g}", "lower <= upper",
                        likely(size.lower, size.upper, s.unit) or "Exchange them?")  # fmt: skip
    elif size.lower <= GRAIN:
        collector.error("limits-below-zero", f"{path}.{'plus' if 'plus' in _said(content, number) else 'lower'}",
                        "the lower limit is not above 0", f"{size.lower:g}", "a size above 0",
                        "plus and minus are deviations from nominal, not limits")  # fmt: skip
    elif abs(size.band) <= GRAIN:
        collector.stop("no-tolerance", f"{path}.upper", "both limits are the same: no hole can be made to them",
                       f"{size.lower:g}", "lower < upper", "Correct one of them")  # fmt: skip


def _said(content: Content, number: int) -> dict[str, Any]:
    return {**content.table("size"), **(content.holes[number - 1].get("size") or {})}


def _pin(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    pin = hole.pin
    if pin is None:
        return
    own = content.holes[number - 1].get("pin")
    path = f"hole[{number}].pin" if isinstance(own, dict) else pin_path(content, pin.id)
    if pin.lower > pin.upper + GRAIN:
        collector.error("limits-upside-down", f"{path}.lower", "the smallest pin is above the largest",
                        f"lower {pin.lower:g}, upper {pin.upper:g}", "lower <= upper",
                        likely(pin.lower, pin.upper, s.unit) or "Exchange them?")  # fmt: skip
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
    elif pin.upper <= hole.size.lower + GRAIN and pin.virtual_condition > inner + GRAIN:
        collector.warn(
            "virtual-conditions-cross", where,
            "a part inside all its limits may still refuse its pins: the virtual conditions cross by "
            f"{text(pin.virtual_condition - inner)}",
            f"pin {text(pin.upper)} + {text(pin.position_tolerance)} = {text(pin.virtual_condition)}, "
            f"hole boundary {text(inner)}",
            "pin's virtual condition at or below the hole's", "Compare with the drawing",
        )  # fmt: skip


class _Text:
    """Lengths as the kit writes them."""

    def __init__(self, specification: Specification) -> None:
        self.unit = specification.unit

    def __call__(self, value: float) -> str:
        return format_length(value, self.unit)


def _plugs(s: Specification, content: Content, number: int, hole: Hole, collector: Collector) -> None:
    path = table_path(content, number, "plugs")
    go, no_go, size, text = hole.plugs.go, hole.plugs.no_go, hole.size, _Text(s)
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
    elif s.tools.reamers and hole.size.band > GRAIN and not any(
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
