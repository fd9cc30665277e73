"""A specification as plain data for `holeqc kit show --json`."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from holeqc.specification.boundaries import hole_to_hole, required_edge
from holeqc.specification.model import Hole, Specification


def as_data(specification: Specification) -> dict[str, Any]:
    """Return everything that a specification asks, by the names of its records.

    Lengths are in ``unit``; what is not known or not asked is None. Each hole has its worst-case ``boundaries``, and
    each part its ``basic_xy`` in the frame of its readings.
    """
    s = specification
    data = asdict(s)
    data["warnings"] = [problem.as_dict() for problem in s.warnings]
    data["holes"] = [{**asdict(hole), **_worst(hole)} for hole in s.holes]
    data["parts"] = [{**asdict(part), "basic_xy": s.basic_xy(part.name).tolist()} for part in s.parts]
    plain = _plain(data)
    assert isinstance(plain, dict)
    return plain


def _worst(hole: Hole) -> dict[str, Any]:
    b = hole_to_hole(hole)
    pin = None if hole.pin is None else hole.pin.virtual_condition
    return {
        "boundaries": {"inner": b.inner, "outer": b.outer, "largest_bonus": b.bonus, "pin_virtual_condition": pin},
        "required_edge_distance": required_edge(hole),
    }


def _plain(value: Any) -> Any:
    """Return data that JSON can hold: no NaN, no tuples, dates as text."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value.isoformat() if hasattr(value, "isoformat") else value
