"""The values of a series before they are grouped: size, form, position and room left, each with its limits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.inspection.edges import judge_edges
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.form import judge_roundness, judge_taper
from holeqc.inspection.grouping import IntArray, first_row, worst_row
from holeqc.inspection.outcome import Outcome
from holeqc.inspection.pattern import judge_pattern
from holeqc.inspection.places import find_places
from holeqc.inspection.position import position_zones
from holeqc.inspection.size import Sizes, judge_size, size_limits
from holeqc.problems import DataError
from holeqc.quantities import BoolArray, FloatArray

if TYPE_CHECKING:
    from holeqc.specification.model import Specification


@dataclass(frozen=True, slots=True)
class Values:
    """Values (n,) with the part, hole and wall (-1: the hole) they are of and the label of a reading behind them.

    ``left`` is the room before the limit, by which the wall that lies worst is chosen. What isn't given is NaN or
    None.
    """

    part: IntArray
    hole: IntArray
    wall: IntArray
    label: IntArray
    value: FloatArray
    lower: FloatArray = None  # type: ignore[assignment]
    upper: FloatArray = None  # type: ignore[assignment]
    left: FloatArray = None  # type: ignore[assignment]
    second: FloatArray | None = None
    tolerance: FloatArray | None = None
    bonus: FloatArray | None = None

    def __post_init__(self) -> None:
        for name in ("lower", "upper", "left"):
            if getattr(self, name) is None:
                object.__setattr__(self, name, np.full(self.value.shape, np.nan))

    def __len__(self) -> int:
        return int(self.value.size)

    def take(self, chosen: IntArray | BoolArray) -> Values:
        """Return some of the values."""
        def cut(column: Any) -> Any:
            return None if column is None else column[chosen]

        return Values(*(cut(getattr(self, f.name)) for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Words:
    """How a quantity is named, what a value of it is, and whether it can't be negative."""

    name: str
    value: Callable[[Specification, bool], str]
    from_zero: bool = False
    asked: str = ""  #: what a kit would ask, where it has another name


def _worst(spec: Specification, per_wall: bool) -> str:
    return "" if per_wall or not spec.walls.several else "; of the walls the one that lies worst stands for the hole"


WORDS: dict[str, Words] = {
    "size": Words("size", lambda spec, per_wall: "two-point diameters, each a size of its own"),
    "out-of-roundness": Words(
        "out-of-roundness",
        lambda spec, per_wall: "largest difference of diameters across directions" + _worst(spec, per_wall), True,
    ),
    "taper": Words("taper", lambda spec, per_wall: "largest difference of diameters between the walls", True),
    "position": Words(
        "position",
        lambda spec, per_wall: "measured minus basic position in the drawing's frame" + _worst(spec, per_wall),
    ),
    "hole-to-hole": Words(
        "room left hole to hole",
        lambda spec, per_wall: "total position tolerance hole to hole minus the deviation of the floated pattern"
        + _worst(spec, per_wall), asked="position hole to hole",
    ),
    "edge-distance": Words(
        "room left to the edge", lambda spec, per_wall: "distance to the nearest edge minus the least that is asked",
        asked="distance to the edge",
    ),
}  # fmt: skip

#: quantity -> what is read for it
READ_FROM: dict[str, tuple[str, ...]] = {
    "size": ("diameter",), "out-of-roundness": ("diameter",), "taper": ("diameter",), "position": ("x", "y"),
    "hole-to-hole": ("x", "y", "diameter"), "edge-distance": ("x", "y", "edge_distance"),
}  # fmt: skip


def take_values(evidence: Evidence, of: str, *, per_wall: bool) -> Values:
    """Return the values of a quantity that nobody doubts.

    ``per_wall``: each wall by itself; else the wall that leaves the least room stands for its hole. Readings of size
    stay single ones. Raises ``DataError`` where the kit doesn't ask for the quantity.
    """
    if of == "size":
        return _sizes(evidence)
    sizes, _ = judge_size(evidence)
    if of == "position":
        return _one_wall(evidence, _positions(evidence, sizes), per_wall)
    if of in ("out-of-roundness", "taper"):
        found = judge_roundness(evidence, sizes) if of == "out-of-roundness" else judge_taper(evidence, sizes)
        asked = None if found is None or np.isnan(found.upper).all() else found
        return _one_wall(evidence, _outcome(of, asked, _first_diameter(evidence), left=False), per_wall)
    places = find_places(evidence)
    if of == "hole-to-hole":
        result = judge_pattern(evidence, places, position_zones(evidence.spec, sizes, pattern=True))[0]
    else:
        result = judge_edges(evidence, sizes, places)
    label = places.reading.max(axis=2)
    return _one_wall(evidence, _outcome(of, result if result.hole.size else None, label, left=True), per_wall)


def _sizes(evidence: Evidence) -> Values:
    rows = evidence.rows["diameter"]
    rows = rows.take(np.flatnonzero(~rows.doubted & ~np.isnan(rows.value)))
    limits = size_limits(evidence.spec)
    return Values(
        rows.part, rows.hole, rows.wall, rows.label, rows.value, limits.lower[rows.hole, 0], limits.upper[rows.hole, 0],
    )  # fmt: skip


def _positions(evidence: Evidence, sizes: Sizes) -> Values:
    places = find_places(evidence)
    zones = position_zones(evidence.spec, sizes, pattern=False)
    if np.isnan(zones.stated).all():
        raise DataError("the kit asks no position of its holes")
    # a mirrored part read in its own frame is turned back, so that one bushing points one way on both hands
    off = places.off * evidence.parts.signs[:, None, None, :]
    stated = np.broadcast_to(zones.stated, evidence.shape)
    part, hole, wall = np.nonzero(np.isfinite(off).all(axis=-1) & np.isfinite(stated))
    at = (part, hole, wall)
    bonus = zones.bonus[at]
    left = stated[at] + np.nan_to_num(bonus) - 2.0 * np.hypot(off[..., 0], off[..., 1])[at]
    return Values(
        part, hole, wall, places.reading[at], off[..., 0][at], left=left, second=off[..., 1][at],
        tolerance=stated[at], bonus=bonus,
    )  # fmt: skip


def _outcome(of: str, found: Outcome | None, label: IntArray, *, left: bool) -> Values:
    """Return the values of a judged characteristic: what was found, or (``left``) the room before its limit.

    ``label`` (P,H) names a reading of the hole where the judgement names none.
    """
    if found is None:
        raise DataError(f"the kit asks no {WORDS[of].asked or WORDS[of].name} of its holes")
    value = found.left if left else found.found
    part, slot = np.nonzero(np.isfinite(value) & (left | np.isfinite(found.upper)))
    hole, wall = found.hole[slot], found.wall[slot]
    reading = np.asarray(found.reading[part, slot])
    nothing, zero = np.full(part.size, np.nan), np.zeros(part.size)
    return Values(
        part, hole, wall, np.where(reading < 0, label[part, hole], reading), np.asarray(value[part, slot]),
        zero if left else nothing, nothing if left else np.asarray(found.upper[part, slot]),
        np.asarray(found.left[part, slot]),
    )  # fmt: skip


def _first_diameter(evidence: Evidence) -> IntArray:
    """Return the label of the first diameter of each hole (P,H), -1 where there is none: it names the gauge."""
    parts, holes, _ = evidence.shape
    rows = evidence.rows["diameter"]
    return first_row(rows.part * holes + rows.hole, rows.label, parts * holes).reshape(parts, holes)


def _one_wall(evidence: Evidence, values: Values, per_wall: bool) -> Values:
    """Return values with the wall that leaves least room for each hole of a part; all of them where ``per_wall``."""
    if per_wall and len(values) and np.all(values.wall < 0):
        raise DataError("this quantity is one of the whole hole, not of a wall: group by hole")
    if per_wall or not len(values):
        return values
    parts, holes, _ = evidence.shape
    cell = values.part * holes + values.hole
    worst = worst_row(cell, np.zeros(cell.size, dtype=np.int8), values.left, parts * holes)
    return values.take(worst[worst >= 0])
