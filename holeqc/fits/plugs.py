"""GO and NO-GO plug gauges for a hole: the 10 percent rule, maker's classes of ASME B89.1.5, what they eat.

The gauge makers' rule: gauges take at most 10 percent of the part's tolerance, half for each, inside its limits; so
some good parts may be refused and no bad one is accepted. GO is made plus from the low limit, NO-GO minus from the
high."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from holeqc.fits.classes import load_table
from holeqc.problems import DataError, TableError
from holeqc.quantities import GRAIN, FloatArray, Unit

CLASSES = ("XXX", "XX", "X", "Y", "Z", "ZZ")
GAUGE_SHARE = 0.10  #: of the part's tolerance, both gauges together


@dataclass(frozen=True, slots=True)
class PlugLimits:
    """One member of a plug gauge: nominal size, its class and tolerance, and its limits as made."""

    nominal: float
    maker_class: str
    tolerance: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class PlugSet:
    """GO and NO-GO plugs for a hole, all in ``unit``.

    ``allowed_each`` is half of the gauges' share of the tolerance; ``eaten`` the greatest part of the tolerance that
    new gauges can take (0.1 = 10 percent); ``wear_limit`` the size at which the GO is put out of use (None: not given);
    ``worn_below`` how far that lies below the hole's low limit, so how much undersize a worn GO may let through.
    """

    unit: Unit
    lower: float
    upper: float
    allowed_each: float
    go: PlugLimits
    no_go: PlugLimits
    eaten: float
    wear_limit: float | None
    worn_below: float
    notes: tuple[str, ...]


def plugs(lower: float, upper: float, unit: Unit, wear_limit: float | None = None) -> PlugSet:
    """Return GO and NO-GO plugs for a hole between two limits [unit].

    The class is the coarsest whose tolerance is within half of the gauges' share (10 percent of the part's tolerance).
    ``wear_limit`` is the size [unit] at which the GO is put out of use; no standard figure is taken for it.

    Raises:
        DataError: limits upside down, a wear limit above the new GO or far below the low limit.
        TableError: a size outside ASME B89.1.5's table.

    Source: 10 percent rule of gauge makers (three suppliers agree); ASME B89.1.5.
    """
    if not (0.0 < lower < upper):
        raise DataError(f"a hole needs a low limit above zero and below its high limit; found {lower:g} and {upper:g}")
    each = 0.5 * GAUGE_SHARE * (upper - lower)
    notes: list[str] = []
    go_class, go_tolerance = _choose(lower, each, unit, "GO", notes)
    no_go_class, no_go_tolerance = _choose(upper, each, unit, "NO-GO", notes)
    go = PlugLimits(lower, go_class, go_tolerance, lower, _clean(lower + go_tolerance))
    no_go = PlugLimits(upper, no_go_class, no_go_tolerance, _clean(upper - no_go_tolerance), upper)
    worn = 0.0
    if wear_limit is not None:
        if wear_limit > go.lower + GRAIN and wear_limit > go.upper - GRAIN:
            raise DataError(f"wear limit {wear_limit:g} is not below the new GO ({go.lower:g} to {go.upper:g})")
        worn = max(0.0, _clean(lower - wear_limit))
        if worn > upper - lower:
            raise DataError(
                f"wear limit {wear_limit:g} lies farther below the low limit {lower:g} than the whole tolerance, "
                f"{upper - lower:g}; check the point and the unit"
            )
        if worn > GRAIN:
            notes.append(f"A GO worn to {wear_limit:g} {unit} enters holes {worn:g} {unit} below the low limit.")
    eaten = (go_tolerance + no_go_tolerance) / (upper - lower)
    return PlugSet(unit, lower, upper, _clean(each), go, no_go, round(eaten, 10), wear_limit, worn, tuple(notes))


@cache
def _class_rows(unit: Unit) -> tuple[FloatArray, FloatArray, FloatArray]:
    rows = [row for row in load_table("gauge_classes").rows if row["unit"] == unit]
    above, to = (np.array([float(row[key]) for row in rows]) for key in ("above", "to"))
    return above, to, np.array([[float(row[name]) for name in CLASSES] for row in rows])


def class_tolerances(size: float, unit: Unit) -> FloatArray:
    """Return the maker's tolerance [unit] of each of `CLASSES` at a size [unit]; shape (classes,).

    Raises TableError for a size outside the table. Source: ASME B89.1.5 as two charts reproduce it.
    """
    above, to, tolerance = _class_rows(unit)
    row = int(np.searchsorted(to + GRAIN, size, side="left"))
    if row == to.size or size <= above[0] + GRAIN:
        raise TableError(f"ASME B89.1.5 gives plug tolerances over {above[0]:g} to {to[-1]:g} {unit}; found {size:g}")
    return tolerance[row]


def _choose(size: float, each: float, unit: Unit, what: str, notes: list[str]) -> tuple[str, float]:
    tolerance = class_tolerances(size, unit)
    fitting = np.flatnonzero(tolerance <= each + GRAIN)
    if fitting.size == 0:
        notes.append(
            f"Even class XXX takes more than half of the gauges' share for the {what}; measure the hole instead."
        )
        return CLASSES[0], float(tolerance[0])
    return CLASSES[int(fitting[-1])], float(tolerance[fitting[-1]])


def _clean(value: float) -> float:
    return round(value, 10)
