"""The readings as plausibility looks at them: arrays, what the kit allows for each, and the doubts found so far."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import GRAIN, FloatArray, format_length
from holeqc.readings.collect import Collector
from holeqc.readings.draft import Array, Cell, Draft, by_sheet
from holeqc.readings.grid import BoolArray, IntArray
from holeqc.readings.issues import Issue
from holeqc.readings.table import CHARACTERISTICS, LENGTHS
from holeqc.specification.model import Specification

DIAMETER, X, Y, EDGE, PLUG = range(5)
FAR_BANDS, FAR_SHARE = 3.0, 0.05
"""A value is far outside if it lies beyond its limits by more than 3 tolerance bands and 5 percent of the nominal.

Nearer values are readings to be judged: a hole that is plainly oversize must stay a reject. Common practice, no source.
"""
#: share of the pattern's extent that stands for a position tolerance where the kit asks none
LOOSE_POSITION = 0.02


@dataclass(slots=True)
class Findings:
    """All readings of a run (n,) as arrays of the draft, limits for each length, and the doubt of each reading.

    ``piece`` (n,) numbers part and serial in order of appearance. ``lower``, ``upper`` are the limits that a length is
    expected in (NaN: none known), ``band`` what counts as one tolerance band of it.
    """

    spec: Specification
    draft: Draft
    arrays: dict[str, Array]
    collector: Collector
    today: dt.date
    doubt: Array
    piece: IntArray
    pieces: int
    lower: FloatArray
    upper: FloatArray
    band: FloatArray
    cell: Cell

    @property
    def value(self) -> FloatArray:
        """Values in the kit's unit (n,)."""
        return self.arrays["value"]

    def usable(self) -> BoolArray:
        """Return where a length is there and nothing doubts it yet (n,)."""
        kind = self.arrays["characteristic"]
        return (
            (self.doubt < 0)
            & np.isfinite(self.value)
            & (kind >= 0)
            & (kind < len(LENGTHS))
            & (self.arrays["hole"] >= 0)
        )

    def length(self, value: float) -> str:
        """Return a length with the kit's unit, as a shop writes it."""
        return f"{format_length(value, self.spec.unit)} {self.spec.unit}"

    def likely(self, value: float, typed: float) -> str:
        """Return a likely length with the digits that such a reading has; ``typed`` is what it comes from."""
        base = 4 if self.spec.unit == "in" else 3
        moved = abs(value - round(value, base)) <= GRAIN or value == typed
        return f"{format_length(value, self.spec.unit, None if moved else base)} {self.spec.unit}"

    def found(self, index: int) -> str:
        """Return what was typed, with its unit."""
        unit = ("", " in", " mm")[int(self.arrays["unit"][index])]
        typed = self.cell.typed(index)
        return f"{typed}{unit}" if unit.strip() and unit.strip() not in typed else typed

    def allowed(self, index: int) -> str:
        """Return the limits that a length is expected in."""
        low, high = float(self.lower[index]), float(self.upper[index])
        if np.isnan(low):
            return ""
        if np.isinf(high):
            return f"at least {self.length(low)}"
        name = CHARACTERISTICS[int(self.arrays["characteristic"][index])]
        return f"{name.replace('_', ' ')} {format_length(low, self.spec.unit)} to {self.length(high)}"

    def mark(self, rows: IntArray, code: str) -> None:
        """Give readings a doubt unless they have one."""
        fresh = rows[self.doubt[rows] < 0]
        self.doubt[fresh] = self.draft.doubt.code(code)

    def report(self, rows: IntArray, make: Callable[[int], Problem], *, doubt: str = "") -> None:
        """Report readings one by one, sheet by sheet, and give them a doubt."""
        if not rows.size:
            return
        for group in by_sheet(self.arrays, rows):
            self.collector.cells(group.tolist(), make)
        if doubt:
            self.mark(rows, doubt)

    def problem(self, issue: Issue, index: int, found: str = "", allowed: str = "", **over: str) -> Problem:
        """Return the problem of a reading."""
        place = self.cell.place(index) | over
        return Issue(
            issue.code, issue.message, allowed or issue.allowed, issue.action, issue.severity, issue.holds
        ).problem(found=found or self.found(index), **place)

    def piece_problem(self, issue: Issue, index: int, found: str, allowed: str = "") -> Problem:
        """Return a problem of a whole part, placed at one of its readings."""
        return self.problem(issue, index, found, allowed, hole="", wall="")


def look_at(
    spec: Specification, draft: Draft, arrays: dict[str, Array], collector: Collector, today: dt.date, doubt: Array
) -> Findings:
    """Return the readings of a run ready to be looked at."""
    import pandas as pd

    key = (arrays["part"].astype(np.int64) + 1) * (len(draft.serial.index) + 1) + arrays["serial"] + 1
    piece, distinct = pd.factorize(key)
    lower, upper, band = expected(spec, arrays)
    return Findings(
        spec,
        draft,
        arrays,
        collector,
        today,
        doubt,
        np.asarray(piece, dtype=np.int64),
        len(distinct),
        lower,
        upper,
        band,
        Cell(draft, arrays),
    )


def expected(spec: Specification, arrays: dict[str, Array]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return lower and upper bounds and the tolerance band (n,) that each length is expected in, NaN where unknown."""
    holes, parts, kinds = len(spec.holes), len(spec.parts), len(LENGTHS)
    low, high, band = (np.full((parts + 1, kinds, holes + 1), np.nan) for _ in range(3))
    size = np.array([(h.size.lower, h.size.upper) for h in spec.holes], dtype=np.float64).reshape(-1, 2)
    for kind in (DIAMETER, PLUG):
        low[:, kind, :holes], high[:, kind, :holes] = size[:, 0], size[:, 1]
        band[:, kind, :holes] = size[:, 1] - size[:, 0]
    tolerance = position_tolerance(spec)
    for number, part in enumerate(spec.parts):
        basic = spec.basic_xy(part.name)
        for kind in (X, Y):
            low[number, kind, :holes] = basic[:, kind - X] - tolerance
            high[number, kind, :holes] = basic[:, kind - X] + tolerance
            band[number, kind, :holes] = tolerance
    if len({p.signs() for p in spec.parts}) == 1:
        low[parts], high[parts], band[parts] = low[0], high[0], band[0]
    edge = np.array([_least_edge(h) for h in spec.holes] + [np.nan])
    low[:, EDGE], band[:, EDGE] = edge, edge
    high[:, EDGE] = np.where(np.isnan(edge), np.nan, np.inf)
    measured = arrays["characteristic"].astype(np.int64)
    part_at = np.where(arrays["part"] < 0, parts, arrays["part"])
    hole_at = np.where(arrays["hole"] < 0, holes, arrays["hole"])
    is_length = (measured >= 0) & (measured < kinds)
    at = (part_at, np.where(is_length, measured, 0), hole_at)
    return tuple(np.where(is_length, table[at], np.nan) for table in (low, high, band))  # type: ignore[return-value]


def position_tolerance(spec: Specification) -> FloatArray:
    """Return how far a coordinate may lie off (H,): the widest position tolerance asked, else a share of the extent."""
    extent = max(
        (max(v) - min(v) for v in ([h.x for h in spec.holes], [h.y for h in spec.holes]) if v and np.isfinite(v).all()),
        default=0.0,
    )
    loose = max(LOOSE_POSITION * extent, max((h.size.band for h in spec.holes), default=0.0))
    asked = [
        max((t for t in (h.position.tolerance, h.position.pattern_tolerance) if t), default=0.0) for h in spec.holes
    ]
    return np.array([t or loose for t in asked], dtype=np.float64)


def _least_edge(hole: object) -> float:
    edge, size = hole.edge, hole.size  # type: ignore[attr-defined]
    asked = [
        v
        for v in (edge.minimum, None if edge.minimum_diameters is None else edge.minimum_diameters * size.upper)
        if v is not None
    ]
    return max(asked) if asked else float("nan")


def beyond(value: FloatArray, lower: FloatArray, upper: FloatArray) -> FloatArray:
    """Return by how much a value lies outside its bounds, 0 inside, NaN where they aren't known."""
    return np.maximum(np.maximum(lower - value, value - upper), 0.0)


def far_outside(value: FloatArray, lower: FloatArray, upper: FloatArray, band: FloatArray) -> BoolArray:
    """Return where a value lies so far outside that a slip is likelier than a bad hole."""
    middle = np.where(np.isinf(upper), lower, 0.5 * (lower + upper))
    return beyond(value, lower, upper) > np.maximum(FAR_BANDS * band, FAR_SHARE * np.abs(middle))
