"""Drill and reamer bushings: bore limits for a tool, and how much of a position tolerance their clearance takes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from holeqc.fits.loading import load_table
from holeqc.problems import DataError, TableError
from holeqc.quantities import GRAIN, FloatArray, Unit, convert

Kind = Literal["drill", "reamer"]
CONFIRMATION = "two sources"


@dataclass(frozen=True, slots=True)
class BoreLimits:
    """Bore of a bushing for a tool, shapes of the tool sizes, in ``unit``."""

    unit: Unit
    lower: FloatArray
    upper: FloatArray
    confirmation: str


@dataclass(frozen=True, slots=True)
class BushingShare:
    """Diametral position error that a bushing lets through, and its share of the position tolerance (1 = all)."""

    at_bushing: FloatArray
    at_depth: FloatArray
    share: FloatArray


def bore_limits(tool: ArrayLike, unit: Unit, kind: Kind = "drill") -> BoreLimits:
    """Return the standard bore limits of bushings for drills or reamers of the given diameters [unit], any shape.

    Raises:
        TableError: a tool outside the table.
        DataError: an unknown kind.

    Source: ANSI B94.33 as two bushing makers quote it (the table is in inch; mm are converted).
    """
    if kind not in ("drill", "reamer"):
        raise DataError(f"no bushing for a {kind!r}; kinds are drill and reamer")
    size = np.asarray(convert(tool, unit, "in"), dtype=np.float64)
    above, to, deviation = _rows(f"{kind} bushing")
    row = np.searchsorted(to + GRAIN, size, side="left")
    smallest_included = kind == "drill"  # the first drill row begins with #80 itself
    bad = ~(size >= above[0] - GRAIN if smallest_included else size > above[0] + GRAIN) | (row == to.size)
    if bool(bad.any()):
        top = f"to {to[-1]:g}" if np.isfinite(to[-1]) else "upwards"
        raise TableError(
            f"ANSI B94.33 {kind} bushings: tools from {above[0]:g} {top} in; found {size[bad].flat[0]:g} in"
        )
    lower, upper = size + deviation[row, 0], size + deviation[row, 1]
    low, high = (np.asarray(np.round(convert(bore, "in", unit), 10)) for bore in (lower, upper))
    return BoreLimits(unit, low, high, CONFIRMATION)


def position_share(
    bore: ArrayLike,
    tool: ArrayLike,
    tolerance: ArrayLike,
    length: ArrayLike = 1.0,
    reach: ArrayLike = 0.0,
    runout: ArrayLike = 0.0,
) -> BushingShare:
    """Return how much diametral position error a bushing lets through, all in one unit, shapes that broadcast.

    ``bore`` is the bushing's greatest bore (worn as it is), ``tool`` the least tool, ``tolerance`` the diametral
    position tolerance, ``length`` the guided length, ``reach`` the distance from the bushing's end to the far
    side of the hole (chip gap plus wall), ``runout`` the bore's total runout to the outside of
    the bushing. The tool can lie against one side of the bore (diametral C = bore - tool), or lean in it about the
    middle of its length: C (1 + 2 reach / length) at the far side. Runout adds its whole amount, being twice the
    eccentricity. Plane geometry, worst case.

    Raises:
        DataError: a tool larger than the bore, a length or tolerance not above zero, a negative reach or runout.
    """
    b, t, tol, long, out, tir = (
        np.asarray(x, dtype=np.float64) for x in (bore, tool, tolerance, length, reach, runout)
    )
    if bool((t > b + GRAIN).any()):
        raise DataError("the tool is larger than the bushing's bore; check both diameters")
    if bool((tol <= 0.0).any()) or bool((long <= 0.0).any()) or bool((out < 0.0).any()) or bool((tir < 0.0).any()):
        raise DataError("tolerance and length must be above zero, reach and runout not negative")
    clearance = np.maximum(b - t, 0.0)
    at_bushing = clearance + tir
    at_depth = clearance * (1.0 + 2.0 * out / long) + tir
    return BushingShare(at_bushing, at_depth, at_depth / tol)


@cache
def _rows(kind: str) -> tuple[FloatArray, FloatArray, FloatArray]:
    rows = [row for row in load_table("bushing_bores").rows if row["kind"] == kind]
    if not rows:
        raise TableError(f"no table of bores for {kind!r}")
    to = np.array([float(row["to"]) if row["to"] else np.inf for row in rows])
    above = np.array([float(row["above"]) for row in rows])
    return above, to, np.array([[float(row["lower"]), float(row["upper"])] for row in rows])
