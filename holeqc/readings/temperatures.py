"""Temperatures of parts: degrees Celsius, or Fahrenheit where the sheet says so."""

from __future__ import annotations

import re

from holeqc.readings.grid import Content
from holeqc.readings.issues import Issue, warning
from holeqc.readings.values import cleaned

LIKELY_C = (-10.0, 45.0)  #: where people measure parts; common practice, no source
_TEXT = re.compile(r"^([+-]?\d+(?:[.,]\d+)?)\s*(?:°|deg\.?|degrees?)?\s*([cf])?(?:elsius|ahrenheit)?$")
_ALLOWED = f"{LIKELY_C[0]:g} to {LIKELY_C[1]:g} °C"


def temperature_of(content: Content, unit: str) -> tuple[float, Issue | None]:
    """Return a temperature in °C, NaN with a doubt where it is none.

    ``unit`` is C or F where a heading says it, '' otherwise; the cell's own unit comes first.
    """
    value: float | None = None
    if isinstance(content, float):
        value = content
    elif isinstance(content, str) and (match := _TEXT.match(cleaned(content).lower())):
        value, unit = float(match[1].replace(",", ".")), (match[2] or unit).upper()
    if value is None:
        return float("nan"), warning(
            "bad-temperature", "this is no temperature", _ALLOWED, "Type degrees Celsius", holds=True
        )
    celsius = (value - 32.0) / 1.8 if unit == "F" else value
    if LIKELY_C[0] <= celsius <= LIKELY_C[1]:
        return celsius, None
    message = "no part is measured at this temperature"
    from_f = (value - 32.0) / 1.8
    if unit != "F" and LIKELY_C[0] <= from_f <= LIKELY_C[1]:
        message = f"this looks like degrees Fahrenheit: likely {value:g} °F = {from_f:.1f} °C"
    return celsius, warning(
        "implausible-temperature", message, _ALLOWED, "Type degrees Celsius, or write °F beside it", holds=True
    )
