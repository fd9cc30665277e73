"""A fit in one short sentence."""

from __future__ import annotations

from holeqc.problems import DataError
from holeqc.quantities import GRAIN, Unit, format_length


def fit_kind(least: float, greatest: float) -> str:
    """Return ``clearance``, ``transition`` or ``interference`` for the least and greatest clearance (ISO 286-1)."""
    if least >= -GRAIN:
        return "clearance"
    return "interference" if greatest <= GRAIN else "transition"


def describe_fit(hole_lo: float, hole_hi: float, pin_lo: float, pin_hi: float, unit: Unit) -> str:
    """Return a short sentence on the fit of a hole and a pin band; equal low and high stand for a measured size.

    All four sizes are in ``unit``. Raises DataError for a band upside down.
    """
    if hole_lo > hole_hi + GRAIN or pin_lo > pin_hi + GRAIN:
        raise DataError("a band's low limit is above its high limit; give the low limit first")
    least, greatest = hole_lo - pin_hi, hole_hi - pin_lo
    kind = fit_kind(least, greatest)
    if kind == "interference":
        return f"interference fit, {_span(-greatest, -least, unit)} tight"
    if kind == "clearance":
        return f"clearance fit, {_span(least, greatest, unit)} loose"
    return f"transition fit, from {_amount(-least, unit)} tight to {_amount(greatest, unit)} loose"


def _span(low: float, high: float, unit: Unit) -> str:
    if high - low <= GRAIN:
        return _amount(low, unit)
    return f"{format_length(low, unit)} to {_amount(high, unit)}"


def _amount(value: float, unit: Unit) -> str:
    return f"{format_length(value, unit)} {unit}"
