"""What is asked of a pair besides its bands: temperature, wear, measured holes, the chance of interference."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from holeqc.fits.clearance import Condition, under
from holeqc.problems import DataError
from holeqc.quantities import GRAIN, REFERENCE_TEMPERATURE_C, format_length

if TYPE_CHECKING:
    from holeqc.fits.clearance import Band
    from holeqc.quantities import Unit

TEMPERATURES_C = (-100.0, 300.0)  #: a constant coefficient of expansion holds no farther from 20 °C (our choice)
EXPANSIONS = (0.1, 300.0)  #: [1e-6/°C], from low-expansion alloys to soft plastics (our choice); 0: doesn't expand
FOREIGN = (0.8, 1.25)  #: a measured hole beyond these times its band is a slip (our choice)
WORDS = {
    "uniform": "sizes even over their bands",
    "normal": "sizes normal, band six standard deviations",
    "measured": "your holes, pins even over their band",
}


def conditions(
    temperature: float | None, expansion: tuple[float, float] | None, wear: Sequence[float], bands: tuple[Band, Band]
) -> tuple[Condition, Condition]:
    """Return the condition of hole and pin from what was typed: [°C], [1e-6/°C], wear in the unit of the bands.

    Raises:
        DataError: temperature or expansion without the other, or a figure outside its range.
    """
    if temperature is not None and expansion is None:
        raise DataError(
            f"--temperature {temperature:g} changes nothing without --expansion HOLE PIN; about 23.1 for aluminium, "
            "11.5 for steel (1e-6/°C, one source each)"
        )
    if expansion is not None and temperature is None:
        raise DataError("--expansion changes nothing without --temperature of both parts [°C]")
    if temperature is not None and not TEMPERATURES_C[0] <= temperature <= TEMPERATURES_C[1]:
        low, high = TEMPERATURES_C
        raise DataError(f"--temperature {temperature:g} °C; allowed: {low:g} to {high:g} °C, both parts at it")
    for name, value in zip(("hole", "pin"), expansion or (), strict=False):
        if value != 0.0 and not EXPANSIONS[0] <= value <= EXPANSIONS[1]:
            low, high = EXPANSIONS
            raise DataError(f"--expansion of the {name} {value:g}; allowed: 0, or {low:g} to {high:g} in 1e-6/°C")
    for name, value, part in zip(("hole", "pin"), wear, bands, strict=True):
        if not 0.0 <= value < 0.5 * float(part.lower):
            raise DataError(f"--wear of the {name} {value:g}; allowed: 0 to half its diameter, {0.5 * part.lower:g}")
    at = REFERENCE_TEMPERATURE_C if temperature is None else temperature
    per_c = (0.0, 0.0) if expansion is None else expansion
    hole, pin = (Condition(a * 1e-6, at, w) for a, w in zip(per_c, wear, strict=True))
    return hole, pin


def pair_extras(
    bands: tuple[Band, Band],
    parts: tuple[Condition, Condition],
    wanted: float | None,
    measured: Sequence[float],
    unit: Unit,
) -> tuple[list[str], dict[str, Any]]:
    """Return lines and data of what was asked besides the bands.

    Raises:
        DataError: a measured hole that is nowhere near its band.
    """
    from holeqc.fits.clearance import Measured, Normal, Uniform, clearance_distribution
    from holeqc.reports.fit_text import condition_sentence, share_text

    hole, pin = bands
    lines: list[str] = []
    data: dict[str, Any] = {}
    if parts[0].temperature_c != REFERENCE_TEMPERATURE_C or any(part.wear for part in parts):
        worn = under(hole, pin, *parts)
        wear = " with wear" if any(part.wear for part in parts) else ""
        lines.append(condition_sentence(f"At {parts[0].temperature_c:g} °C{wear}", worn, unit))
        data["condition"] = {"min": round(float(worn.least), 10), "max": round(float(worn.greatest), 10)}
    if measured:
        outside = _outside(measured, hole, unit)
        lines += [_outside_sentence(outside, hole, unit)] if outside else []
        data["measured_outside"] = outside

    def shapes(part: Band) -> dict[str, Any]:
        low, high = float(part.lower), float(part.upper)
        if high - low <= 0.0:
            return dict.fromkeys(("uniform", "normal"), Measured(part.lower))
        return {"uniform": Uniform(low, high), "normal": Normal(0.5 * (low + high), (high - low) / 6.0)}

    cases = {name: clearance_distribution(shapes(hole)[name], shapes(pin)[name]) for name in ("uniform", "normal")}
    if measured:
        import numpy as np

        cases["measured"] = clearance_distribution(Measured(np.array(measured)), shapes(pin)["uniform"])
    data["statistics"] = {}
    for name, case in cases.items():
        entry = {"mean": round(case.mean, 10), "sd": round(case.sd, 10), "interference": case.interference}
        line = f"Chance of interference, {WORDS[name]}: {share_text(case.interference)}"
        if wanted is not None:
            entry["below_wanted"] = float(case.probability_below(wanted))
            line += f"; clearance below {format_length(wanted, unit)}: {share_text(entry['below_wanted'])}"
        data["statistics"][name] = entry
        lines.append(line + ".")
    return lines, data


def _outside(measured: Sequence[float], hole: Band, unit: Unit) -> list[float]:
    low, high = float(hole.lower), float(hole.upper)
    for size in measured:
        if not math.isfinite(size) or not FOREIGN[0] * low <= size <= FOREIGN[1] * high:
            band = f"{format_length(low, unit)} to {format_length(high, unit)} {unit}"
            shown = format_length(size, unit)
            raise DataError(f"--measured {shown} is no hole of {band}; check the point and the unit")
    return [size for size in measured if size < low - GRAIN or size > high + GRAIN]


def _outside_sentence(outside: Sequence[float], hole: Band, unit: Unit) -> str:
    band = f"{format_length(float(hole.lower), unit)} to {format_length(float(hole.upper), unit)} {unit}"
    sizes = ", ".join(format_length(size, unit) for size in outside)
    verb = "lies" if len(outside) == 1 else "lie"
    return f"Caution: measured {sizes} {verb} outside the hole's limits, {band}."
