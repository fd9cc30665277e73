"""The readings as plausibility looks at them: arrays, what the kit allows for each, and the doubts found so far."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import GRAIN, FloatArray, format_length
from holeqc.readings.believable import (
    beyond,
    edge_span,
    inside_spans,
    place_reach,
    position_tolerance,
    size_reach,
    size_spans,
)
from holeqc.readings.collect import Collector
from holeqc.readings.draft import Array, Cell, Draft, by_sheet
from holeqc.readings.grid import BoolArray, IntArray
from holeqc.readings.issues import Issue
from holeqc.readings.table import CHARACTERISTICS, LENGTHS, cell_name
from holeqc.specification.boundaries import required_edge
from holeqc.specification.model import Specification

DIAMETER, X, Y, EDGE, PLUG = range(5)
CAUSE_LEAST = 3  #: so many cells of a part with one cause are one line
WHOLE_LEAST, WHOLE_SHARE = 3, 0.8  #: so many of a sheet's readings of a kind, on several parts, have one cause together
CELLS_NAMED = 8  #: so many cells or ranges of cells are named in a line


@dataclass(slots=True)
class Findings:
    """All readings of a run (n,) as arrays of the draft, limits for each length, and the doubt of each reading.

    ``piece`` (n,) numbers part and serial in order of appearance. ``lower``, ``upper`` are the limits that a length is
    expected in (NaN: none known), ``band`` what counts as one tolerance band of it. By the bounds of `believable`:
    ``far`` where it lies so far beyond them that a single reading isn't believed, ``absurd`` where none is, ``apart``
    how far readings of one hole may differ.
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
    far: BoolArray
    absurd: BoolArray
    apart: FloatArray
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

    def report_causes(
        self, rows: IntArray, cause: Array, make: Callable[[int], Problem], least: int = CAUSE_LEAST
    ) -> None:
        """Report readings (m,), those of a part with one ``cause`` (m,) in one line, or one line for a whole sheet.

        A sheet's is a cause that nearly all of its readings of those kinds have, on several parts. ``least``: with
        fewer cells on a part each has its own line.
        """
        if not rows.size:
            return
        a = self.arrays
        sheet = a["file"][rows].astype(np.int64) * 100_000 + a["sheet"][rows]
        _, of_sheet = np.unique(np.column_stack([sheet, cause]), axis=0, return_inverse=True)
        of_sheet = of_sheet.ravel()
        piece = np.where(self._whole(rows, of_sheet), -1, self.piece[rows])
        _, group, count = np.unique(
            np.column_stack([of_sheet, piece]), axis=0, return_inverse=True, return_counts=True
        )
        alone = (count[group.ravel()] < least) & (piece >= 0)
        group = np.where(alone, count.size + np.arange(rows.size), group.ravel())
        order = np.lexsort((rows, group))
        groups = np.split(rows[order], np.flatnonzero(np.diff(group[order])) + 1)
        members = {int(mine[0]): mine for mine in groups}
        self.report(np.array(sorted(members), dtype=np.int64), lambda i: self.gathered(make(i), members[i]))

    def _whole(self, rows: IntArray, group: IntArray) -> BoolArray:
        """Return which readings (m,) belong to a group that several parts and nearly a whole sheet have (m,)."""
        a = self.arrays
        key = (a["file"].astype(np.int64) * 100_000 + a["sheet"]) * 16 + a["characteristic"]
        kinds, number = np.unique(key, return_inverse=True)
        total = np.bincount(number[np.isfinite(self.value)], minlength=kinds.size)
        pairs = np.unique(np.column_stack([group, number[rows]]), axis=0)
        mine, all_ = np.bincount(group), np.bincount(pairs[:, 0], total[pairs[:, 1]])
        parts = np.bincount(np.unique(np.column_stack([group, self.piece[rows]]), axis=0)[:, 0])
        return np.asarray(((mine >= WHOLE_LEAST) & (parts > 1) & (mine >= WHOLE_SHARE * all_))[group])

    def gathered(self, problem: Problem, rows: IntArray) -> Problem:
        """Return the problem of one reading as that of all of some readings (m,), with their cells as ranges."""
        if rows.size < 2:
            return problem
        a = self.arrays
        one_hole = np.unique(a["hole"][rows]).size == 1
        one_wall = one_hole and np.unique(a["wall"][rows]).size == 1
        one_piece = np.unique(self.piece[rows]).size == 1
        return replace(
            problem,
            message=f"{problem.message} ({rows.size} cells: {self.ranges(rows)})",
            found=f"{problem.found} and so on",
            hole=problem.hole if one_hole and one_piece else "",
            wall=problem.wall if one_wall and one_piece else "",
            part=problem.part if one_piece else "",
            serial=problem.serial if one_piece else "",
            # of several parts each cell carries its own doubt; the line holds no part that has none
            holds=problem.holds and one_piece,
        )

    def ranges(self, rows: IntArray) -> str:
        """Return the cells of some readings, those beside or below one another as ranges: ``F2 to G9, H4``."""
        a = self.arrays
        row, column = a["row"][rows].astype(np.int64), a["column"][rows].astype(np.int64)
        row, column = np.unique(np.column_stack([column, row]), axis=0).T[::-1]
        starts = np.flatnonzero((np.diff(column, prepend=-9) != 0) | (np.diff(row, prepend=-9) != 1))
        ends = np.append(starts[1:], row.size) - 1
        blocks: list[list[int]] = []  # first row, last row, first column, last column
        for first, last, at in zip(row[starts].tolist(), row[ends].tolist(), column[starts].tolist(), strict=True):
            beside = next((b for b in blocks if b[:2] == [first, last] and b[3] == at - 1), None)
            if beside is None:
                blocks.append([first, last, at, at])
            else:
                beside[3] = at
        counts = [(b[1] - b[0] + 1) * (b[3] - b[2] + 1) for b in blocks]
        between = {1: "", 2: ", "}
        names = [
            cell_name(b[0], b[2]) + (between.get(n, " to ") + cell_name(b[1], b[3]) if n > 1 else "")
            for b, n in zip(blocks, counts, strict=True)
        ]
        rest = sum(counts[CELLS_NAMED:])
        return ", ".join(names[:CELLS_NAMED]) + (f" and {rest} more" if rest else "")

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
    far, absurd, apart = _believed(spec, arrays, lower, upper)
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
        far,
        absurd,
        apart,
        Cell(draft, arrays),
    )


def expected(spec: Specification, arrays: dict[str, Array]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return lower and upper bounds and the tolerance band (n,) that each length is expected in, NaN where unknown."""
    holes, parts, kinds = len(spec.holes), len(spec.parts), len(LENGTHS)
    low, high, band = (np.full((parts + 1, kinds, holes + 1), np.nan) for _ in range(3))
    lower, upper = size_limits(spec)
    for kind in (DIAMETER, PLUG):
        low[:, kind, :holes], high[:, kind, :holes] = lower, upper
        band[:, kind, :holes] = upper - lower
    tolerance = position_tolerance(spec)
    for number, part in enumerate(spec.parts):
        basic = spec.basic_xy(part.name)
        for kind in (X, Y):
            low[number, kind, :holes] = basic[:, kind - X] - tolerance
            high[number, kind, :holes] = basic[:, kind - X] + tolerance
            band[number, kind, :holes] = tolerance
    if len({p.signs() for p in spec.parts}) == 1:
        low[parts], high[parts], band[parts] = low[0], high[0], band[0]
    edge = np.array([required_edge(h) for h in spec.holes] + [np.nan])
    low[:, EDGE], band[:, EDGE] = edge, edge
    high[:, EDGE] = np.where(np.isnan(edge), np.nan, np.inf)
    measured = arrays["characteristic"].astype(np.int64)
    part_at = np.where(arrays["part"] < 0, parts, arrays["part"])
    hole_at = np.where(arrays["hole"] < 0, holes, arrays["hole"])
    is_length = (measured >= 0) & (measured < kinds)
    at = (part_at, np.where(is_length, measured, 0), hole_at)
    return tuple(np.where(is_length, table[at], np.nan) for table in (low, high, band))  # type: ignore[return-value]


def _believed(
    spec: Specification, arrays: dict[str, Array], lower: FloatArray, upper: FloatArray
) -> tuple[BoolArray, BoolArray, FloatArray]:
    """Return where lengths (n,) are far, where absurd, and how far those of one hole may differ (`believable`)."""
    holes, kind = len(spec.holes), arrays["characteristic"].astype(np.int64)
    size, place = size_reach(*size_limits(spec)), place_reach(spec)
    rows = np.flatnonzero((kind >= 0) & (kind < len(LENGTHS)) & (arrays["hole"] >= 0))
    hole, mine, value = arrays["hole"][rows].astype(np.int64), kind[rows], arrays["value"][rows]
    no_end = np.full(holes, np.inf)

    def of_kind(sizes: FloatArray, places: FloatArray) -> FloatArray:
        return np.stack([sizes, places, places, no_end, sizes])[mine, hole]

    with np.errstate(invalid="ignore"):
        off = beyond(value, lower[rows], upper[rows])
        absurd_here = off > of_kind(size.absurd, place.absurd)
        other = np.flatnonzero(absurd_here & np.isin(mine, (DIAMETER, PLUG)))
        absurd_here[other] = ~inside_spans(value[other], size_spans(spec)[hole[other]])
        edge = mine == EDGE
        span = edge_span(spec)[hole[edge]]
        absurd_here[edge] = (value[edge] < span[:, 0]) | (value[edge] > span[:, 1])
        far_here = absurd_here | (off > of_kind(size.far, place.far))
    far, absurd = (np.zeros(kind.size, dtype=np.bool_) for _ in range(2))
    apart = np.full(kind.size, np.inf)
    far[rows], absurd[rows], apart[rows] = far_here, absurd_here, of_kind(size.apart, place.apart)
    return far, absurd, apart


def size_limits(spec: Specification) -> tuple[FloatArray, FloatArray]:
    """Return lower and upper limits of size of the holes, (H,) each."""
    return (
        np.array([h.size.lower for h in spec.holes], dtype=np.float64),
        np.array([h.size.upper for h in spec.holes], dtype=np.float64),
    )
