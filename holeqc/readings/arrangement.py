"""Readings entered in the wrong place: x and y swapped, holes or sizes in another order, near for far."""

from __future__ import annotations

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import GRAIN, FloatArray
from holeqc.readings.believable import bound, position_tolerance
from holeqc.readings.draft import Array
from holeqc.readings.findings import DIAMETER, Findings, X, Y, size_limits
from holeqc.readings.grid import BoolArray, IntArray
from holeqc.readings.issues import warning

#: evidence that a part's walls are swapped: log of the likelihood ratio, and what a right part would show at least
SWAP_EVIDENCE, SWAP_KNOWABLE = 20.0, 10.0
SWAP_PARTS = 6  #: so many parts must be there to know how near and far usually differ


class _Places:
    """x and y of each hole and wall of each part: first readings only, (m,) each, and the basic positions."""

    def __init__(self, findings: Findings) -> None:
        a, spec = findings.arrays, findings.spec
        self.holes = len(spec.holes)
        kind = a["characteristic"]
        usable = findings.usable() & np.isin(kind, (X, Y)) & ~np.isnan(findings.lower)
        rows = np.flatnonzero(usable)
        key = (findings.piece[rows] * self.holes + a["hole"][rows]) * 64 + a["wall"][rows] + 1
        places, inverse = np.unique(key, return_inverse=True)
        self.rows = np.full((places.size, 2), -1, dtype=np.int64)
        for axis, which in enumerate((X, Y)):
            mine = np.flatnonzero(kind[rows] == which)[::-1]
            self.rows[inverse[mine], axis] = rows[mine]
        self.rows = self.rows[(self.rows >= 0).all(axis=1)]
        self.xy = findings.value[self.rows]
        self.basic = 0.5 * (findings.lower[self.rows] + findings.upper[self.rows])
        self.tolerance = position_tolerance(spec)[a["hole"][self.rows[:, 0]]]
        self.hole = a["hole"][self.rows[:, 0]].astype(np.int64)
        self.part = a["part"][self.rows[:, 0]].astype(np.int64)
        self.piece = findings.piece[self.rows[:, 0]]
        self.far: BoolArray = np.any(findings.far[self.rows], axis=1)


def find_arrangements(findings: Findings) -> None:
    """Report holes whose x and y are swapped, and parts whose positions or sizes are those of other holes."""
    _exchanged_sizes(findings)
    if not all(np.isfinite((h.x, h.y)).all() for h in findings.spec.holes):
        return
    places = _Places(findings)
    if places.far.any():
        _other_holes(findings, places)
    _swapped_axes(findings, places)


def _exchanged_sizes(findings: Findings) -> None:
    """Report holes of two sizes whose diameters are each other's: a hole reads as the other size, and one of that
    size as this.

    Looked at wall by wall, all readings of a hole and wall together. One hole alone that reads as another size was
    drilled with the wrong drill, and is judged.
    """
    a = findings.arrays
    lower, upper = size_limits(findings.spec)
    sizes, of_hole = np.unique(np.column_stack([lower, upper]), axis=0, return_inverse=True)
    rows = np.flatnonzero(findings.usable() & (a["characteristic"] == DIAMETER))
    if len(sizes) < 2 or not rows.size:
        return
    walls = len(findings.spec.walls.names) + 1
    key = (findings.piece[rows] * len(lower) + a["hole"][rows]) * walls + a["wall"][rows] + 1
    cells, cell = np.unique(key, return_inverse=True)
    low, high = np.full(cells.size, np.inf), np.full(cells.size, -np.inf)
    np.minimum.at(low, cell, findings.value[rows])
    np.maximum.at(high, cell, findings.value[rows])
    own = of_hole.ravel()[cells // walls % len(lower)]
    off = np.maximum(sizes[:, 0] - low[:, None], high[:, None] - sizes[:, 1])  # (cells, sizes), 0 or less inside
    nearest = off.argmin(axis=1)
    at = np.arange(cells.size)
    away = np.maximum(sizes[own, 0] - high, low - sizes[own, 1])  # by how much the nearest reading misses its own size
    here = np.maximum(off[at, nearest], 0.0)
    fits = (nearest != own) & (here <= bound("exchanged") * np.diff(sizes, axis=1)[nearest, 0] + GRAIN)
    fits &= away > np.maximum(here, 0.0) + GRAIN
    place = cells // walls // len(lower) * walls + cells % walls
    pair = (place * len(sizes) + own) * len(sizes) + nearest
    back = (place * len(sizes) + nearest) * len(sizes) + own
    hit = fits & np.isin(pair, back[fits])
    mine = rows[hit[cell]]
    ids = findings.spec.hole_ids
    holes_of: dict[int, dict[int, dict[str, None]]] = {}
    for piece, hole, size in zip(
        findings.piece[mine].tolist(), a["hole"][mine].tolist(), own[cell[hit[cell]]].tolist(), strict=True
    ):
        holes_of.setdefault(piece, {}).setdefault(size, {})[ids[hole]] = None

    def make(index: int) -> Problem:
        of_size = holes_of[int(findings.piece[index])].values()
        groups = [", ".join(list(g)[:6]) + ("" if len(g) < 7 else " ...") for g in of_size]
        issue = warning(
            "sizes-exchanged",
            f"holes {' and '.join(groups)} read as each other's size: likely entered under each other's numbers",
            action="Look on the part which hole is which, and correct the hole numbers",
            holds=True,
        )
        return findings.problem(issue, index, allowed=findings.allowed(index))

    findings.report_causes(mine, np.zeros(mine.size, dtype=np.int64), make, 2)
    findings.mark(mine, "sizes-exchanged")


def _swapped_axes(findings: Findings, places: _Places) -> None:
    off = np.abs(places.xy[:, ::-1] - places.basic)
    swapped = places.far & (off <= 2.0 * places.tolerance[:, None]).all(axis=1)
    # nearer, both must be off and fit well the other way round: no bad hole does that by chance
    stray = np.abs(places.xy - places.basic) > bound("typed twice") * places.tolerance[:, None]
    swapped |= stray.all(axis=1) & (off <= places.tolerance[:, None]).all(axis=1)
    swapped &= findings.doubt[places.rows[:, 0]] < 0
    at = np.flatnonzero(swapped)
    first = {int(places.rows[i, 0]): i for i in at}

    def make(index: int) -> Problem:
        i = first[index]
        issue = warning(
            "x-y-swapped",
            f"x and y are likely swapped: x = {places.xy[i, 1]:g} and y = {places.xy[i, 0]:g} would fit",
            action="Look at the sheet; exchange the two cells if so",
            holds=True,
        )
        found = f"x {findings.found(int(places.rows[i, 0]))}, y {findings.found(int(places.rows[i, 1]))}"
        allowed = f"near x {places.basic[i, 0]:g}, y {places.basic[i, 1]:g}"
        return findings.problem(issue, index, found, allowed)

    findings.report(np.array(list(first), dtype=np.int64), make, doubt="x-y-swapped")
    findings.mark(places.rows[at, 1], "x-y-swapped")


def _other_holes(findings: Findings, places: _Places) -> None:
    """Report positions that lie on the basic position of another hole, part by part."""
    spec = findings.spec
    at = np.flatnonzero(places.far)
    fits = np.full(at.size, -1, dtype=np.int64)
    tolerance = position_tolerance(spec)
    for number, part in enumerate([*spec.parts, None]):
        if part is None and len({p.signs() for p in spec.parts}) != 1:
            continue
        basic = spec.basic_xy((part or spec.parts[0]).name)
        mine = np.flatnonzero(places.part[at] == (number if part else -1))
        for start in range(0, mine.size, 50_000):
            piece = mine[start : start + 50_000]
            off = np.abs(places.xy[at[piece], None, :] - basic[None]).max(axis=2)
            near = off.argmin(axis=1)
            hit = off[np.arange(piece.size), near] <= 2.0 * tolerance[near]
            fits[piece[hit]] = near[hit]
    found = fits >= 0
    at, fits = at[found], fits[found]
    order = np.argsort(places.piece[at], kind="stable")
    at, fits = at[order], fits[order]
    if not at.size:
        return
    edges = np.flatnonzero(np.diff(places.piece[at])) + 1
    groups = list(zip(np.split(at, edges), np.split(fits, edges), strict=True))
    first = {int(places.rows[rows[0], 0]): (rows, other) for rows, other in groups}

    def make(index: int) -> Problem:
        rows, other = first[index]
        pairs = list(dict.fromkeys(zip(places.hole[rows].tolist(), other.tolist(), strict=True)))
        ids = spec.hole_ids
        shown = ", ".join(f"{ids[a]} at {ids[b]}" for a, b in pairs[:12])
        several = len(pairs) > 1
        code = "hole-order" if several else "other-hole"
        message = (
            f"{len(pairs)} holes stand where other holes belong: likely the holes were entered in another order"
            if several
            else f"the position is that of hole {ids[pairs[0][1]]}: likely another hole's readings"
        )
        issue = warning(
            code, message, action="Look on the part which hole is which, and correct the hole numbers", holds=True
        )
        over = {"hole": "", "wall": ""} if several else {}
        i = int(rows[0])
        return findings.problem(
            issue,
            index,
            f"hole {shown}" if several else f"x {places.xy[i, 0]:g}, y {places.xy[i, 1]:g}",
            f"hole {ids[places.hole[i]]} near x {places.basic[i, 0]:g}, y {places.basic[i, 1]:g}",
            **over,
        )

    findings.report(np.array(list(first), dtype=np.int64), make)
    _doubt_rows(findings, places.rows[at], "hole-order")


def _doubt_rows(findings: Findings, rows: IntArray, code: str) -> None:
    """Doubt every reading of the part, hole and wall that these belong to: all of it may be another hole's."""
    a = findings.arrays
    key = _hole_key(findings, np.arange(findings.piece.size))
    hit = np.isin(key, np.unique(_hole_key(findings, rows.ravel()))) & (a["hole"] >= 0)
    findings.mark(np.flatnonzero(hit), code)


def _hole_key(findings: Findings, rows: IntArray) -> IntArray:
    a = findings.arrays
    return (findings.piece[rows] * (len(findings.spec.holes) + 1) + a["hole"][rows] + 1) * 64 + a["wall"][rows] + 1


def find_swapped_walls(findings: Findings) -> None:
    """Warn of parts whose near and far readings look exchanged, by how near and far differ on the other parts.

    For each hole, characteristic and direction, d = near - far has its usual value m and spread s over the parts. With
    the walls exchanged d turns its sign; the log likelihood ratio of both is the sum of 2 d m / s^2. Parts are only
    named where a right part would show clearly that it is right.
    """
    if len(findings.spec.walls.names) != 2:
        return
    a = findings.arrays
    rows = np.flatnonzero(findings.usable() & (a["wall"] >= 0) & (a["trial"] == 1))
    number, feature, near, far = _pairs(findings, rows)
    if not number.size or np.unique(number).size < SWAP_PARTS:
        return
    d = near - far
    middle, spread, count = _usual(feature, d)
    known = count[feature] >= SWAP_PARTS
    number, feature, d = number[known], feature[known], d[known]
    if not number.size:
        return
    s2 = np.maximum(spread[feature], 1e-5) ** 2
    # A wall's readings err together, so their evidence is not independent: half of it counts.
    shown = 0.5 * np.bincount(number, 2.0 * d * middle[feature] / s2, findings.pieces)
    knowable = 0.5 * np.bincount(number, 2.0 * middle[feature] ** 2 / s2, findings.pieces)
    swapped = np.flatnonzero((shown < -SWAP_EVIDENCE) & (knowable > SWAP_KNOWABLE) & (shown < -0.5 * knowable))
    first = rows[np.unique(findings.piece[rows], return_index=True)[1]]
    first = first[np.isin(findings.piece[first], swapped)]
    near_name, far_name = findings.spec.walls.names

    def make(index: int) -> Problem:
        issue = warning(
            "walls-swapped",
            f"the {near_name} and {far_name} readings of the part are likely exchanged: its differences run "
            "against those of the other parts",
            "differences like the other parts'",
            f"Look which face was called {near_name}; the readings are used as they stand",
        )
        return findings.piece_problem(issue, index, f"{near_name} minus {far_name} of opposite sign")

    findings.collector.cells(first.tolist(), make)


def _pairs(findings: Findings, rows: IntArray) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Return part number, feature (hole, characteristic, direction) and both walls' values where both are there."""
    a = findings.arrays
    direction = np.where(np.isnan(a["direction"][rows]), -1.0, a["direction"][rows])
    _, turned = np.unique(direction, return_inverse=True)
    kind = a["characteristic"][rows].astype(np.int64)
    part = a["part"][rows].astype(np.int64) + 1
    feature = ((part * len(findings.spec.holes) + a["hole"][rows]) * 16 + kind) * (
        int(turned.max(initial=0)) + 1
    ) + turned
    features, feature = np.unique(feature, return_inverse=True)
    key = findings.piece[rows] * max(features.size, 1) + feature
    sides = []
    for wall in (0, 1):
        mine = a["wall"][rows] == wall
        keys, at = np.unique(key[mine], return_index=True)
        sides.append((keys, findings.value[rows[mine]][at]))
    both, i, j = np.intersect1d(sides[0][0], sides[1][0], assume_unique=True, return_indices=True)
    number, feature = np.divmod(both, max(features.size, 1))
    return number, feature, sides[0][1][i], sides[1][1][j]


def _usual(feature: IntArray, d: FloatArray) -> tuple[FloatArray, FloatArray, Array]:
    """Return median, robust spread (1.4826 times the median distance from it) and count of each feature."""
    size = int(feature.max()) + 1
    count = np.bincount(feature, minlength=size)
    middle = _medians(feature, d, count)
    return middle, 1.4826 * _medians(feature, np.abs(d - middle[feature]), count), count


def _medians(group: IntArray, value: FloatArray, count: Array) -> FloatArray:
    order = np.lexsort((value, group))
    ends = np.cumsum(count)
    starts = ends - count
    out = np.full(count.size, np.nan)
    some = count > 0
    ordered = value[order]
    out[some] = 0.5 * (ordered[starts[some] + (count[some] - 1) // 2] + ordered[starts[some] + count[some] // 2])
    return out
