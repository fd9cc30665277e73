"""Fit answers as plain dictionaries for ``--json``; the shapes are stable."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from holeqc.fits.classes import FitLimits, PairFit, Zone
    from holeqc.fits.drills import DrillChoice, Step
    from holeqc.fits.plugs import PlugSet


def class_data(limits: FitLimits) -> dict[str, Any]:
    """Return the limits of one class at one size.

    ``{"system", "class", "nominal", "unit", "hole": {"lower_deviation", "upper_deviation", "min", "max"}, "shaft": {the
    same}, "clearance": {"min", "max"}, "confirmation"}`` in the unit of the system; a class of one side has ``hole`` or
    ``shaft`` alone and no clearance. An interference is a negative clearance.
    """
    data: dict[str, Any] = {
        "system": limits.system,
        "class": limits.name,
        "nominal": float(limits.nominal),
        "unit": limits.unit,
    }
    for name, zone in (("hole", limits.hole), ("shaft", limits.shaft)):
        if zone is not None:
            data[name] = _zone(zone)
    if limits.clearance_min is not None and limits.clearance_max is not None:
        data["clearance"] = {"min": float(limits.clearance_min), "max": float(limits.clearance_max)}
    data["confirmation"] = limits.confirmation
    return data


def pair_data(
    fit: PairFit, hole: tuple[float, float], pin: tuple[float, float], extra: dict[str, Any]
) -> dict[str, Any]:
    """Return what a hole band and a pin band make together; ``extra`` holds what was asked besides."""
    return {
        "unit": fit.unit,
        "hole": {"min": hole[0], "max": hole[1]},
        "pin": {"min": pin[0], "max": pin[1]},
        "clearance": {"min": fit.clearance_min, "max": fit.clearance_max},
        "allowance": fit.clearance_min,
        "kind": fit.kind,
        "word": fit.shop_word,
        "sentence": fit.sentence,
        "nearest": [record(match) for match in fit.nearest],
        **extra,
    }


def drill_data(choice: DrillChoice, sequence: tuple[Step, ...], bore: tuple[float, float] | None) -> dict[str, Any]:
    """Return the drills for a band, best first, reaming, and for the best drill its sequence and its bushing's bore."""
    bushing = None if bore is None else {"min": bore[0], "max": bore[1]}
    return {**record(choice), "sequence": [record(step) for step in sequence], "bushing": bushing}


def plug_data(plugs: PlugSet) -> dict[str, Any]:
    """Return GO and NO-GO plugs."""
    return {**record(plugs), "confirmation": "two sources"}


def record(item: Any) -> Any:
    """Return a frozen record as dictionaries and lists; a number that isn't known becomes None."""
    if dataclasses.is_dataclass(item) and not isinstance(item, type):
        return {field.name: record(getattr(item, field.name)) for field in dataclasses.fields(item)}
    if isinstance(item, tuple | list):
        return [record(entry) for entry in item]
    if isinstance(item, dict):
        return {key: record(value) for key, value in item.items()}
    if isinstance(item, float) and not math.isfinite(item):
        return None
    return item


def _zone(zone: Zone) -> dict[str, float]:
    return {
        "lower_deviation": float(zone.lower_deviation),
        "upper_deviation": float(zone.upper_deviation),
        "min": float(zone.min),
        "max": float(zone.max),
    }
