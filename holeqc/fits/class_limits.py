"""Limits of size that a class text stands for, in whichever unit a drawing uses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from holeqc.fits import b41, iso286
from holeqc.fits.parse import is_inch_class
from holeqc.fits.zones import DECIMALS, FitLimits, refuse_no_part
from holeqc.problems import DataError
from holeqc.quantities import Unit, convert

Side = Literal["hole", "shaft"]


@dataclass(frozen=True, slots=True)
class ClassLimits:
    """Limits of size of one side of a class, in the unit asked for, and how they are known."""

    lower: float
    upper: float
    confirmation: str
    system: str
    name: str
    side: Side
    unit: Unit
    warning: str


def fit_limits(text: str, nominal: float, unit: Unit) -> FitLimits:
    """Return what a class of either system gives at a nominal size, in the system's own unit.

    ``text`` is an ANSI B4.1 class (``RC7``) or an ISO 286 class (``H11``, ``g6``, ``H7/g6``); ``nominal`` is in
    ``unit``.

    Raises:
        TableError: unknown class or a size outside its table.
    """
    if is_inch_class(text):
        return b41.limits(text, convert(nominal, unit, "in"))
    return iso286.limits(text, convert(nominal, unit, "mm"))


def limits_for_class(text: str, nominal: float, unit: Unit, side: Side | None = None) -> ClassLimits:
    """Return the limits of size [unit] that a class gives at a nominal size [unit].

    ``side`` chooses hole or shaft of a class that names both (``RC7``, ``H7/g6``); not given, it is the hole. A class
    of one side (``H11``, ``g6``) gives that side.

    Raises:
        TableError: unknown class or a size outside its table.
        DataError: the class has no such side, or leaves nothing of the part at this size.

    Source: ANSI B4.1-1967; ISO 286-1 and 286-2.
    """
    found = fit_limits(text, nominal, unit)
    refuse_no_part(found)
    wanted: Side = side or ("hole" if found.hole is not None else "shaft")
    zone = found.hole if wanted == "hole" else found.shaft
    if zone is None:
        other = "shaft" if wanted == "hole" else "hole"
        raise DataError(f"{text!r} is a class for a {other}, not for a {wanted}; capitals are holes in ISO 286")
    lower, upper = (round(float(convert(limit, found.unit, unit)), DECIMALS) for limit in (zone.min, zone.max))
    return ClassLimits(lower, upper, found.confirmation, found.system, found.name, wanted, unit, found.warning)
