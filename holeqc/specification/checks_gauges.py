"""Checks of gauges: do they serve the plan, and are they fine enough for the tolerance?"""

from __future__ import annotations

import math

from holeqc.quantities import GRAIN, format_length
from holeqc.specification.content import Content
from holeqc.specification.model import Gauge, Specification
from holeqc.specification.values import Collector

LEAST_RATIO = 4.0  #: practice 4:1 to 10:1 (MIL-HDBK-52)


def check(specification: Specification, content: Content, collector: Collector) -> None:
    """Collect what is wrong with gauges."""
    s = specification
    _named(s, collector)
    _served(s, collector)
    size_band = min((h.size.band for h in s.holes if h.size.band > 0), default=math.nan)
    zones = [
        t for h in s.holes for t in (h.position.tolerance, h.position.pattern_tolerance) if t is not None and t > GRAIN
    ]
    zone = min(zones, default=math.nan)
    for number, gauge in enumerate(s.gauges, start=1):
        _resolution(s, number, gauge, collector)
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
    asked = {
        "diameter": True,
        "x": s.plan.position,
        "y": s.plan.position,
        "edge_distance": s.plan.edge_distance,
        "go": any(h.plugs.go is not None for h in s.holes),
        "no_go": any(h.plugs.no_go is not None for h in s.holes),
    }
    missing = [word for word, wanted in asked.items() if wanted and word not in able]
    if missing:
        collector.warn("no-gauge", "gauge", f"no gauge of this kit measures {', '.join(missing)}",
                       ", ".join(sorted(able)), ", ".join(missing), "List the gauge, or its measures")  # fmt: skip
    if s.decision.rule != "simple":
        for number, gauge in enumerate(s.gauges, start=1):
            if gauge.uncertainty is None and {"diameter", "x", "y"} & set(gauge.measures):
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
