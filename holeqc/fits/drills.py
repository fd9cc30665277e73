"""Standard drill sizes and their names."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np

from holeqc.fits.loading import load_table
from holeqc.fits.parse import parse_size
from holeqc.problems import DataError
from holeqc.quantities import GRAIN, MM_PER_INCH, FloatArray, Unit, convert, parse_length

FINEST_FRACTION = 64  #: fraction drills go by 1/64 in
SERIES = ("number", "letter", "fraction", "metric")


@dataclass(frozen=True, slots=True)
class DrillTable:
    """All standard drills, smallest first: names, series and diameters [in and mm], arrays of one length."""

    designation: tuple[str, ...]
    series: tuple[str, ...]
    diameter_in: FloatArray
    diameter_mm: FloatArray
    confirmation: tuple[str, ...]


@lru_cache(maxsize=1)
def drill_table() -> DrillTable:
    """Return the standard number, letter, fraction and metric drills, sorted by diameter.

    Source: ASME B94.11M sizes and the metric step rule of BS 328; see the table's header for how each is confirmed.
    """
    rows = load_table("drills").rows
    inch = np.array([float(row["diameter"]) / (MM_PER_INCH if row["unit"] == "mm" else 1.0) for row in rows])
    mm = np.array([float(row["diameter"]) * (1.0 if row["unit"] == "mm" else MM_PER_INCH) for row in rows])
    order = np.argsort(np.round(inch, 10), kind="stable").tolist()
    return DrillTable(
        tuple(rows[i]["designation"] for i in order),
        tuple(rows[i]["series"] for i in order),
        inch[order],
        np.round(mm[order], 10),
        tuple(rows[i]["confirmation"] for i in order),
    )


def sizes(unit: Unit = "in") -> list[tuple[str, float]]:
    """Return every standard drill as (name, diameter in the asked unit), smallest first."""
    table = drill_table()
    diameters = table.diameter_in if unit == "in" else table.diameter_mm
    return list(zip(table.designation, diameters.tolist(), strict=True))


def diameter(text: str, unit: Unit = "in") -> float:
    """Return the diameter [in] of a drill named ``29/64``, ``#40``, ``F`` or ``11.5 mm``.

    A number drill may be written ``#40``, ``No. 40`` or ``number 40``; a fraction is in inch, a bare decimal in
    ``unit`` and needs not be a standard size.

    Raises:
        DataError: no such number or fraction drill, or text that is neither a name nor a length.
    """
    name = text.strip()
    folded = name.upper().removeprefix("NUMBER").removeprefix("NO.").removeprefix("NO").strip()
    if folded != name.upper() and not folded.startswith("#"):
        folded = f"#{folded}"
    found = _by_name().get(folded.replace("# ", "#"))
    if found is not None:
        return found
    if folded.startswith("#"):
        raise DataError(f"{text!r} is no number drill; they run from #1 (0.228 in) to #80 (0.0135 in)")
    is_fraction = "/" in name or "⁄" in name
    try:
        exact, said = parse_length(name)
        value = parse_size(name, "in") if is_fraction else float(convert(parse_size(name, unit), unit, "in"))
    except DataError:
        raise DataError(f"{text!r} is no drill; write #40, F, 29/64, 0.4531 or 11.5 mm") from None
    if is_fraction and said != "mm" and FINEST_FRACTION % exact.denominator:
        near = Fraction(round(exact * FINEST_FRACTION), FINEST_FRACTION)
        raise DataError(f"{text!r} is no drill; fraction drills go by 1/64, the nearest is {near}")
    if value <= 0.0:
        raise DataError(f"{text!r} is no drill; a diameter is above zero")
    return value


def same_size(text: str) -> tuple[str, ...]:
    """Return the names of all standard drills of that diameter: ``E`` -> ``E``, ``1/4``."""
    table = drill_table()
    equal = np.abs(table.diameter_in - diameter(text)) <= GRAIN
    return tuple(np.asarray(table.designation)[equal].tolist())


@lru_cache(maxsize=1)
def _by_name() -> dict[str, float]:
    table = drill_table()
    return {name.upper(): size for name, size in zip(table.designation, table.diameter_in.tolist(), strict=True)}
