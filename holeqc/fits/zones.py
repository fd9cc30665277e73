"""Tolerance zones: a table of size ranges with deviations, and the look-up of any number of sizes in it.

Deviations are kept as whole numbers of 0.00001 of the unit (inch or mm), fine enough for every printed value and its
half, so that sums and differences are exact; sizes come back rounded to ten decimals.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.fits.confirmation import RANK, WORDS, warning
from holeqc.problems import DataError, TableError
from holeqc.quantities import GRAIN, FloatArray, Unit

IntArray = NDArray[np.int64]
STEPS = 100_000  #: steps of a deviation in one unit
DECIMALS = 10  #: a size keeps so many decimals, one more than `quantities.GRAIN` tells apart


@dataclass(frozen=True, slots=True)
class Zone:
    """Tolerance zone of holes or shafts: deviations from nominal and limits of size, all in the system's unit.

    Every field has the shape of the sizes that were asked for.
    """

    lower_deviation: FloatArray
    upper_deviation: FloatArray
    min: FloatArray
    max: FloatArray


@dataclass(frozen=True, slots=True)
class FitLimits:
    """What a class gives at one or many nominal sizes.

    ``hole`` or ``shaft`` is None for a class that names one side only, the clearances then too. ``rank`` counts the
    confirmation of each size (index of `confirmation.WORDS`). An interference is a negative clearance.
    """

    system: str
    name: str
    unit: Unit
    nominal: FloatArray
    hole: Zone | None
    shaft: Zone | None
    clearance_min: FloatArray | None
    clearance_max: FloatArray | None
    rank: NDArray[np.int8]
    notes: tuple[str, ...]

    @property
    def confirmation(self) -> str:
        """How the numbers are known: the weakest word among the sizes asked for."""
        return WORDS[int(self.rank.max())] if self.rank.size else WORDS[0]

    @property
    def confirmations(self) -> NDArray[np.str_]:
        """How each number is known, one word a size."""
        return np.asarray(WORDS)[self.rank]

    @property
    def warning(self) -> str:
        """A sentence when no printed source confirms the numbers, else empty."""
        return warning(self.confirmation, f"{self.system} {self.name}")


@dataclass(frozen=True, slots=True)
class GradeTolerance:
    """Width of a tolerance grade at each size [unit of the system], shape of the sizes, and how it is known."""

    system: str
    grade: str
    unit: Unit
    tolerance: FloatArray
    confirmation: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ZoneTable:
    """The rows of one class: size ranges ``over`` (excluded) ``to`` (included) with the zones that hold there."""

    system: str
    name: str
    unit: Unit
    over: FloatArray
    to: FloatArray
    hole: IntArray | None
    shaft: IntArray | None
    rank: NDArray[np.int8]
    notes: tuple[str, ...]

    @property
    def ranges(self) -> str:
        """The sizes that have an entry, in words: ``over 0.95 to 19.69 in``."""
        spans: list[list[float]] = []
        for low, high in zip(self.over.tolist(), self.to.tolist(), strict=True):
            if spans and abs(spans[-1][1] - low) <= GRAIN:
                spans[-1][1] = high
            else:
                spans.append([low, high])
        return ", ".join(f"over {low:g} to {high:g} {self.unit}" for low, high in spans)

    def rows_for(self, sizes: FloatArray) -> NDArray[np.intp]:
        """Return the row of each size; a size on a range's edge belongs to the range that it closes.

        Raises:
            TableError: a size has no row; the message names it and the ranges that exist.
        """
        row = np.searchsorted(self.to + GRAIN, sizes, side="left")
        inside = np.minimum(row, self.to.size - 1)
        bad = (row == self.to.size) | ~(sizes > self.over[inside] + GRAIN)
        if bad.any():
            raise self._no_entry(float(sizes[bad].flat[0]), int(bad.sum()))
        return row

    def limits(self, sizes: ArrayLike) -> FitLimits:
        """Return deviations, limits of size and clearances at nominal sizes [unit of the table], any shape.

        Raises:
            DataError: a size is not a finite positive number.
            TableError: a size lies outside the table.
        """
        nominal = np.asarray(sizes, dtype=np.float64)
        if not bool(np.isfinite(nominal).all()) or bool((nominal <= 0.0).any()):
            raise DataError(f"{self.name}: a nominal size must be a positive number; found {_first_bad(nominal):g}")
        row = self.rows_for(nominal)
        hole = None if self.hole is None else _zone(self.hole, row, nominal)
        shaft = None if self.shaft is None else _zone(self.shaft, row, nominal)
        least = greatest = None
        if self.hole is not None and self.shaft is not None:
            least = np.asarray(((self.hole[:, 0] - self.shaft[:, 1]) / STEPS)[row])
            greatest = np.asarray(((self.hole[:, 1] - self.shaft[:, 0]) / STEPS)[row])
        notes = tuple(dict.fromkeys(n for n in map(self.notes.__getitem__, np.unique(row).tolist()) if n))
        rank = np.asarray(self.rank[row])
        return FitLimits(
            self.system, self.name, self.unit, _rounded(nominal), hole, shaft, least, greatest, rank, notes
        )

    def _no_entry(self, size: float, count: int) -> TableError:
        more = f" (and {count - 1} more)" if count > 1 else ""
        return TableError(
            f"{self.system} {self.name} has no entry for {size:g} {self.unit}{more}; it goes {self.ranges}. "
            f"Choose another class, or check the size and its unit"
        )

    def covers(self, size: float) -> bool:
        """Whether the table has an entry for a size."""
        return bool(((size > self.over + GRAIN) & (size <= self.to + GRAIN)).any())


def refuse_no_part(found: FitLimits) -> None:
    """Raise DataError when a class leaves nothing of a hole or shaft: a first range begins at no size at all."""
    for what, zone in (("hole", found.hole), ("shaft", found.shaft)):
        if zone is not None and bool((zone.min <= GRAIN).any()):
            at = np.flatnonzero(np.ravel(zone.min) <= GRAIN)[0]
            size, left = float(np.ravel(found.nominal)[at]), float(np.ravel(zone.min)[at])
            raise DataError(
                f"{found.system} {found.name} at {size:g} {found.unit}: the smallest {what} would be {left + 0.0:g} "
                f"{found.unit}, no part at all. The size is too small for this class; check the size and its unit"
            )


def grade_widths(
    system: str, grade: str, unit: Unit, rows: Sequence[Mapping[str, str]], scale: int, sizes: ArrayLike
) -> GradeTolerance:
    """Return the widths that rows of a grade table (``over, to, tolerance, confirmation``) give at sizes.

    ``scale`` is the number of steps in the unit of the printed tolerance. Raises as `ZoneTable.limits` does.
    """
    over, to = (np.array([float(row[key]) for row in rows]) for key in ("over", "to"))
    steps = np.array([[0, round(float(row["tolerance"]) * scale)] for row in rows], dtype=np.int64)
    rank = np.array([RANK[row["confirmation"]] for row in rows], dtype=np.int8)
    notes = tuple(row.get("note", "") for row in rows)
    found = ZoneTable(system, grade, unit, over, to, steps, None, rank, notes).limits(sizes)
    assert found.hole is not None  # the widths were handed over as the hole side
    return GradeTolerance(system, grade, unit, found.hole.upper_deviation, found.confirmation, found.notes)


def _zone(steps: IntArray, row: NDArray[np.intp], nominal: FloatArray) -> Zone:
    lower, upper = np.asarray((steps[:, 0] / STEPS)[row]), np.asarray((steps[:, 1] / STEPS)[row])
    return Zone(lower, upper, _rounded(nominal + lower), _rounded(nominal + upper))


def _rounded(sizes: FloatArray) -> FloatArray:
    """Sizes with the binary tail of a sum removed, so that 0.5 - 0.0006 is the number that 0.4994 is."""
    return np.asarray(np.round(sizes, DECIMALS))


def _first_bad(nominal: FloatArray) -> float:
    return float(nominal[~(nominal > 0.0) | ~np.isfinite(nominal)].flat[0])
