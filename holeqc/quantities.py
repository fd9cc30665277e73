"""Lengths as people write them, exact comparison with limits, rounding after ASTM E29, size at 20 °C.

Everything here is plain numbers or arrays in, the same out; no drawing, no files.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.printing import shortened
from holeqc.problems import DataError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
Unit = Literal["in", "mm"]

MM_PER_INCH = 25.4  #: exact by definition (international inch, 1959)
REFERENCE_TEMPERATURE_C = 20.0  #: ISO 1, ASME B89.6.2
DECIMALS = {"in": 4, "mm": 3, "°": 1}  #: of a value that is shown, by its unit
GRAIN = 1e-9
"""Lengths closer than this (in either unit) are one length.

Nobody types ten decimals, and binary floating point errors of converted readings are a million times smaller; so a
reading typed as the limit is on the limit, and one unit of any decimal that can be typed is beyond it.
"""
CALCULATED = 5e-7
"""Calculated lengths (a position, a radial room, a size brought to 20 °C) closer than this to a limit, in either unit,
are on the limit.

Half a unit of the sixth decimal, two hundred times finer than what is read (0.0001): what rests on readings isn't known
any better, so no verdict turns on less; and the motion of a floated pattern is proved to 1e-8 only.
"""

UNIT_WORDS: dict[str, Unit] = {
    "in": "in", "inch": "in", "inches": "in", '"': "in", "″": "in", "”": "in", "''": "in", "in.": "in",
    "zoll": "in", "pouce": "in", "pouces": "in", "pulgada": "in", "pulgadas": "in", "pulg": "in", "pulg.": "in",
    "mm": "mm", "millimetre": "mm", "millimeter": "mm", "millimetres": "mm", "millimeters": "mm", "mm.": "mm",
    "millimètre": "mm", "millimètres": "mm", "milimetro": "mm", "milímetro": "mm", "milímetros": "mm",
}  # fmt: skip

LONGEST_LENGTH = 200  #: characters of a length as somebody types it
#: units that only a heading, a field or a column of units may name, never a single cell: unit -> its own unit, its size
SMALL_UNITS: dict[str, tuple[Unit, Fraction]] = {
    "thou": ("in", Fraction(1, 1000)),
    "µm": ("mm", Fraction(1, 1000)),
    "0.01 mm": ("mm", Fraction(1, 100)),
}
_THOU = re.compile(
    r"(?:(?:thou|thous|mils?|thousandths?)(?: of an inch)?|tausendstel zoll"
    r"|(?:x ?)?(?:0?[.,]001|1/1000) ?(?:in\.?|inch|inches|\"|″|”|''|zoll|pouces?|pulgadas?))"
)
_MICRON = re.compile(
    r"(?:[µμu]m|microns?|micromet(?:er|re)s?|mikrometer|micras?|micromètres?|micrómetros?"
    r"|(?:x ?)?(?:0?[.,]001|1/1000) ?mm)"
)
_HUNDREDTH = re.compile(
    r"(?:(?:x ?)?(?:0?[.,]01|1/100) ?mm|hundertstel(?: mm)?|centièmes?(?: de mm)?|centésimas?(?: de mm)?)"
)

_NUMBER = re.compile(
    r"""^\s*(?P<sign>[-+−]?)\s*(?:
        (?P<whole>\d+)[\s-]+(?P<mnum>\d+)\s*[/⁄]\s*(?P<mden>\d+) |
        (?P<num>\d+)\s*[/⁄]\s*(?P<den>\d+) |
        (?P<dec>(?:\d+(?:[.,]\d*)?|[.,]\d+))(?P<exp>[eE][-+]?\d+)?
    )\s*(?P<unit>[^\d\s.,/][^\d]*?)?\s*$""",
    re.VERBOSE,
)


def parse_unit(text: str) -> Unit | None:
    """Return ``in`` or ``mm`` for any usual spelling of the unit, None for anything else."""
    return UNIT_WORDS.get(text.strip().strip("()[]").lower())


def parse_small_unit(text: str) -> str:
    """Return which of `SMALL_UNITS` a unit's name means, '' for none: ``mils`` is thou, ``0.001 mm`` is µm.

    ``1/1000`` and ``tenths`` alone mean several things, so they mean none here. Names of the trade: common practice,
    no source.
    """
    name = " ".join(text.strip().strip("()[]").lower().split())
    for unit, pattern in (("thou", _THOU), ("µm", _MICRON), ("0.01 mm", _HUNDREDTH)):
        if len(name) <= 40 and pattern.fullmatch(name):
            return unit
    return ""


def unit_name(unit: str) -> str:
    """Return a unit as running text writes it: ``in`` reads like a word there."""
    return "inch" if unit == "in" else unit


def parse_length(text: str) -> tuple[Fraction, Unit | None]:
    """Return a length typed as decimal, fraction or mixed number as an exact fraction, and its unit if it says one.

    ``7/16``, ``1 1/2``, ``1-1/2``, ``0.4375``, ``.4375``, ``11,5 mm``, ``7/16"`` are understood. A comma is a decimal
    mark; a number with both comma and point is refused.

    Raises:
        DataError: the text is no length, or divides by zero.
    """
    # nothing so long is a length, and the pattern's tries grow with the square
    match = _NUMBER.match(text.strip()) if len(text) <= LONGEST_LENGTH else None
    if match is None:
        raise DataError(f"{shortened(text)!r} is not a length; write 0.4375, 7/16, 1 1/2 or 11.5 mm")
    unit: Unit | None = None
    if match["unit"]:
        unit = parse_unit(match["unit"])
        if unit is None:
            raise DataError(f"{text!r}: unit {match['unit'].strip()!r} is not known; write in or mm")
    try:
        if match["whole"]:
            value = int(match["whole"]) + Fraction(int(match["mnum"]), int(match["mden"]))
        elif match["num"]:
            value = Fraction(int(match["num"]), int(match["den"]))
        else:
            exponent = match["exp"] or ""
            if exponent and abs(int(exponent[1:])) > 30:
                raise DataError(f"{text!r} is not a length; the exponent is beyond 30")
            value = Fraction(match["dec"].replace(",", ".") + exponent)
    except ZeroDivisionError:
        raise DataError(f"{text!r} divides by zero") from None
    return (-value if match["sign"] in {"-", "−"} else value), unit


def convert(value: ArrayLike, source: str, target: str) -> FloatArray:
    """Return lengths [source unit] in the target unit; 1 in = 25.4 mm exactly. Any shape."""
    array = np.asarray(value, dtype=np.float64)
    if source == target:
        return array
    if (source, target) == ("in", "mm"):
        return array * MM_PER_INCH
    if (source, target) == ("mm", "in"):
        return array / MM_PER_INCH
    raise DataError(f"no conversion from {source!r} to {target!r}; units are in and mm")


def below(value: ArrayLike, limit: ArrayLike, grain: float | FloatArray = GRAIN) -> BoolArray:
    """Return where a value is truly below a limit: equal within ``grain`` is not below. NaN gives False."""
    return np.asarray(value, dtype=np.float64) < np.asarray(limit, dtype=np.float64) - grain


def above(value: ArrayLike, limit: ArrayLike, grain: float | FloatArray = GRAIN) -> BoolArray:
    """Return where a value is truly above a limit: equal within ``grain`` is not above. NaN gives False."""
    return np.asarray(value, dtype=np.float64) > np.asarray(limit, dtype=np.float64) + grain


def within(value: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> BoolArray:
    """Return where lower <= value <= upper, limits inclusive (ASTM E29 absolute method). NaN gives False."""
    array = np.asarray(value, dtype=np.float64)
    return np.isfinite(array) & ~below(array, lower) & ~above(array, upper)


def decimals_of(number: float) -> int:
    """Return how many decimals the shortest writing of a number has: 0.455 -> 3, 12.0 -> 0."""
    exponent = Decimal(repr(float(number))).normalize().as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def round_array(value: ArrayLike, decimals: int) -> FloatArray:
    """Return values rounded to so many decimals, ties to even, for the rounding method of ASTM E29.

    A value within `GRAIN` of a tie counts as that tie, so that 0.4555 typed is a tie although its binary form isn't.
    """
    scale = 10.0**decimals
    scaled = np.asarray(value, dtype=np.float64) * scale
    floor = np.floor(scaled)
    tie = np.abs(scaled - floor - 0.5) <= GRAIN * scale
    return np.where(tie, floor + np.mod(floor, 2.0), np.rint(scaled)) / scale


def size_at_reference(
    reading: ArrayLike, temperature_c: ArrayLike, part_per_c: float, gauge_per_c: ArrayLike = 0.0
) -> FloatArray:
    """Return a length read at a temperature as it is at 20 °C.

    Part and gauge are both at ``temperature_c`` [°C]; coefficients are in 1/°C. The gauge's scale has grown too, so
    L20 = reading (1 + a_g dT) / (1 + a_p dT), dT = T - 20. Exact form of the usual correction to ISO 1;
    the linear form reading (1 - (a_p - a_g) dT) agrees to second order. NaN temperature gives NaN.
    """
    delta = np.asarray(temperature_c, dtype=np.float64) - REFERENCE_TEMPERATURE_C
    gauge = np.asarray(gauge_per_c, dtype=np.float64)
    return np.asarray(reading, dtype=np.float64) * (1.0 + gauge * delta) / (1.0 + part_per_c * delta)


def format_length(value: float, unit: str, decimals: int | None = None) -> str:
    """Return a value as a shop writes it: 4 decimals in inch, 3 in mm, 1 in degrees unless told; one more digit is
    never hidden.

    With no ``decimals`` a value that needs more digits shows up to two more. ``-`` for NaN.
    """
    if not math.isfinite(value):
        return "-"
    base = DECIMALS.get(unit, 3)
    if decimals is None:
        decimals = base
        while decimals < base + 2 and abs(round(value, decimals) - value) > GRAIN:
            decimals += 1
    text = f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and float(text) == 0.0 else text
