"""Readings that were not taken: copied from another part, typed from the drawing, the same every time."""

from __future__ import annotations

import numpy as np

from holeqc.characteristics import FINE, NUMBERS
from holeqc.problems import Problem, warning
from holeqc.quantities import GRAIN, BoolArray, FloatArray, IntArray
from holeqc.readings.draft import DIAMETER, Array, Findings, X, Y, size_limits
from holeqc.readings.table import bound, position_tolerance
from holeqc.tables import joint, numbered, ranked

COPIED_PART, COPIED_HOLE = 6, 6  #: so many lengths must be equal before a copy is likelier than chance
COPIED_WALL = 12  #: so many lengths of two walls, all equal: by chance hardly ever, even in coarse steps
DISTINCT_LEAST = 5  #: and so many of them different: a few coarse sizes agree by chance
BY_CHANCE = 1e-3  #: a part may equal one further back by chance this often in a whole run, else it is a copy
SAME_LEAST = 8  #: so many diameters of a part, all equal, are worth a warning
DRAWN_LEAST = 4  #: so many coordinates, all exactly as drawn
_MIX = np.uint64(0x9E3779B97F4A7C15)  # odd constant of a multiplicative hash


def find_copies(findings: Findings) -> None:
    """Report parts and holes whose every value equals an earlier part's, and values without any variation."""
    fine = [NUMBERS.index(word) for word in FINE]
    rows = np.flatnonzero(findings.usable() & np.isin(findings.arrays["characteristic"], fine))
    if rows.size:
        _copied(findings, rows)
        _copied_walls(findings, rows)
        _as_drawn(findings, rows)
        _unvaried(findings, rows)


def _mixed(numbers: Array) -> Array:
    """Return numbers spread over 64 bits, so that a sum of them tells sets apart."""
    x = numbers.astype(np.uint64, copy=True)
    for shift in (33, 29, 32):
        x ^= x >> np.uint64(shift)
        x *= _MIX
    return x ^ (x >> np.uint64(31))


def _features(findings: Findings, rows: IntArray) -> IntArray:
    """Return a number for each reading made of what it reads: hole, wall, characteristic, direction, trial."""
    a = findings.arrays
    trial = np.minimum(a["trial"][rows], 1023)
    return joint(a["hole"][rows], a["wall"][rows], a["characteristic"][rows], findings.turned[rows], trial)


def _fingerprints(findings: Findings, rows: IntArray) -> Array:
    """Return a number for each reading made of what it reads and what its value is, not of which part it is."""
    value = np.rint(findings.value[rows] * 1e7).astype(np.int64)
    features, feature = ranked(_features(findings, rows))
    with np.errstate(over="ignore"):
        return _mixed(_mixed(features)[feature] + value.view(np.uint64))


def _summed(marks: Array, group: IntArray, groups: int) -> tuple[Array, IntArray]:
    """Return for each group the sum of its marks modulo 2^64, and how many there are."""
    order = np.argsort(group, kind="stable")
    count = np.bincount(group, minlength=groups)
    total = np.zeros(groups, dtype=np.uint64)
    some = np.flatnonzero(count)
    starts = (np.cumsum(count) - count)[some]
    with np.errstate(over="ignore"):
        total[some] = np.add.reduceat(marks[order], starts)
    return total, count


def _distinct(findings: Findings, rows: IntArray, group: IntArray, chosen: Array) -> Array:
    """Return for each chosen group whether enough of its values differ from one another."""
    mine = chosen[group]
    value = np.rint(findings.value[rows[mine]] * 1e7).astype(np.int64)
    pairs = np.unique(np.column_stack([group[mine], value]), axis=0)
    return np.bincount(pairs[:, 0], minlength=chosen.size)[chosen] >= DISTINCT_LEAST


def _copied(findings: Findings, rows: IntArray) -> None:
    a, holes = findings.arrays, len(findings.spec.holes)
    marks = _fingerprints(findings, rows)
    total, count = _summed(marks, findings.piece[rows], findings.pieces)
    earlier = _equal_before(total, count)
    copied = (earlier >= 0) & (count >= COPIED_PART)
    copied[copied] = _distinct(findings, rows, findings.piece[rows], copied)
    further = copied & (earlier != np.arange(findings.pieces) - 1)
    if further.any():
        copied[further] = _log_chance(findings, rows, marks)[further] < np.log(BY_CHANCE)
    first = findings.firsts(rows)
    by_piece = np.full(findings.pieces, -1, dtype=np.int64)
    by_piece[findings.piece[first]] = first

    def make(index: int) -> Problem:
        piece = int(findings.piece[index])
        before = findings.cell.place(int(by_piece[earlier[piece]]))
        which = "of the part before" if earlier[piece] == piece - 1 else "of an earlier part"
        other = f"{before['file']} " if before["file"] != findings.cell.place(index)["file"] else ""
        issue = warning(
            "copied-part",
            f"all {int(count[piece])} lengths equal those {which}, {before['part']} "
            f"{before['serial']} ({other}{before['cell']}): likely copied",
            "readings of this part",
            "Measure this part",
            holds=True,
        )
        return findings.piece_problem(issue, index, f"{findings.found(index)} and so on")

    mine = by_piece[copied]
    findings.report(mine, make)
    if copied.any():
        findings.mark(np.flatnonzero(copied[findings.piece]), "copied-part")
    _copied_holes(findings, rows[~copied[findings.piece[rows]]], holes, a)


def _equal_before(total: Array, count: IntArray) -> IntArray:
    """Return for each part (p,) the nearest earlier part with the same readings, -1 where there is none."""
    order = np.lexsort((np.arange(total.size), count, total))
    same = (total[order[1:]] == total[order[:-1]]) & (count[order[1:]] == count[order[:-1]])
    before = np.full(total.size, -1, dtype=np.int64)
    before[order[1:][same]] = order[:-1][same]
    return before


def _log_chance(findings: Findings, rows: IntArray, marks: Array) -> FloatArray:
    """Return for each part (p,) the logarithm of how many pairs of parts of the run are expected to agree by chance.

    Two parts agree in one reading as often as pairs of readings of that hole, wall and direction do in this run.
    Readings of a part err together, so half of the sum of logarithms counts.
    """
    of_feature, feature = ranked(_features(findings, rows))
    _, first, times = np.unique(marks, return_index=True, return_counts=True)
    pairs = np.bincount(feature[first], times * (times - 1.0), of_feature.size)
    number = np.bincount(feature, minlength=of_feature.size)
    share = pairs / np.maximum(number * (number - 1.0), 1.0)
    logs = np.log(np.maximum(share, np.finfo(np.float64).tiny))[feature]
    return 0.5 * np.bincount(findings.piece[rows], logs, findings.pieces) + np.log(0.5 * findings.pieces**2)


def _copied_holes(findings: Findings, rows: IntArray, holes: int, a: dict[str, Array]) -> None:
    """Report single holes whose every length equals the same hole of the part before."""
    if not rows.size:
        return
    marks = _fingerprints(findings, rows)
    group = findings.piece[rows] * holes + a["hole"][rows]
    numbers, group = ranked(group)
    total, count = _summed(marks, group, numbers.size)
    before = np.searchsorted(numbers, numbers - holes)
    before = np.minimum(before, numbers.size - 1)
    same = (numbers[before] == numbers - holes) & (total[before] == total) & (count[before] == count)
    same &= count >= COPIED_HOLE
    same[same] = _distinct(findings, rows, group, same)
    if not same.any():
        return
    first = np.full(numbers.size, -1, dtype=np.int64)
    first[group[::-1]] = rows[::-1]
    told = {int(first[i]): (int(count[i]), int(first[before[i]])) for i in np.flatnonzero(same)}

    def make(index: int) -> Problem:
        number, earlier = told[index]
        place = findings.cell.place(earlier)
        issue = warning(
            "copied-hole",
            f"all {number} lengths of the hole equal those of the same hole on the part before, "
            f"{place['part']} {place['serial']} ({place['cell']}): likely copied",
            "readings of this part",
            "Measure the hole again",
            holds=True,
        )
        return findings.problem(issue, index, f"{findings.found(index)} and so on", wall="")

    findings.report(np.array(sorted(told), dtype=np.int64), make)
    findings.mark(rows[same[group]], "copied-hole")


def _copied_walls(findings: Findings, rows: IntArray) -> None:
    """Report parts whose every length in one wall equals that in another: read once, typed twice."""
    a, walls = findings.arrays, len(findings.spec.walls.names)
    if walls < 2:
        return
    rows = rows[a["wall"][rows] >= 0]
    what = [a[name][rows] for name in ("hole", "characteristic", "trial")]
    place_of, first = numbered(joint(findings.piece[rows], *what, findings.turned[rows]))
    value = np.full((first.size, walls), np.nan)
    value[place_of, a["wall"][rows]] = findings.value[rows]
    piece = findings.piece[rows[first]]
    names = findings.spec.walls.names
    for wall in range(1, walls):
        both = np.isfinite(value[:, 0]) & np.isfinite(value[:, wall])
        same = both & (np.abs(value[:, 0] - value[:, wall]) <= GRAIN)
        total = np.bincount(piece[both], minlength=findings.pieces)
        equal = np.bincount(piece[same], minlength=findings.pieces)
        hit = (total >= COPIED_WALL) & (equal == total)
        here = rows[a["wall"][rows] == wall]
        hit[hit] = _distinct(findings, here, findings.piece[here], hit)
        mine = rows[hit[findings.piece[rows]] & (a["wall"][rows] == wall)]
        first = findings.firsts(mine)

        def make(index: int, wall: int = wall, total: IntArray = total) -> Problem:
            issue = warning(
                "copied-wall",
                f"all {int(total[findings.piece[index]])} lengths of the {names[wall]} wall equal those of the "
                f"{names[0]} wall: likely typed twice",
                "readings of both walls",
                f"Measure the {names[wall]} wall",
                holds=True,
            )
            return findings.piece_problem(issue, index, f"{findings.found(index)} and so on")

        findings.report(first, make)
        findings.mark(mine, "copied-wall")


def _as_drawn(findings: Findings, rows: IntArray) -> None:
    """Report parts whose coordinates are all exactly the basic dimensions: no hole is."""
    kind = findings.arrays["characteristic"]
    mine = rows[np.isin(kind[rows], (X, Y)) & ~np.isnan(findings.lower[rows])]
    if not mine.size:
        return
    exact = np.abs(findings.value[mine] - 0.5 * (findings.lower[mine] + findings.upper[mine])) <= GRAIN
    piece = findings.piece[mine]
    total, count = np.bincount(piece, minlength=findings.pieces), np.bincount(piece[exact], minlength=findings.pieces)
    hit = (count == total) & (total >= DRAWN_LEAST)

    def make(index: int) -> Problem:
        issue = warning(
            "equals-nominal",
            f"all {int(total[findings.piece[index]])} coordinates of the part are exactly as drawn: likely "
            "taken from the drawing",
            "measured values",
            "Measure the positions",
            holds=True,
        )
        return findings.piece_problem(issue, index, f"{findings.found(index)} and so on")

    first = findings.firsts(mine)
    findings.report(first[hit[findings.piece[first]]], make)
    findings.mark(mine[hit[piece]], "equals-nominal")


def _unvaried(findings: Findings, rows: IntArray) -> None:
    """Warn of parts whose diameters are all one and the same number."""
    a, spec = findings.arrays, findings.spec
    mine = rows[(a["characteristic"][rows] == DIAMETER) & (findings.doubt[rows] < 0)]
    if not mine.size:
        return
    piece, value = findings.piece[mine], findings.value[mine]
    count = np.bincount(piece, minlength=findings.pieces)
    low, high = np.full(findings.pieces, np.inf), np.full(findings.pieces, -np.inf)
    np.minimum.at(low, piece, value)
    np.maximum.at(high, piece, value)
    hit = (count >= SAME_LEAST) & (high - low <= GRAIN)
    if not hit.any():
        return
    first = findings.firsts(mine)
    first = first[hit[findings.piece[first]]]
    nominal = {round(0.5 * (h.size.lower + h.size.upper), 9) for h in spec.holes}
    nominal |= {round(v, 9) for h in spec.holes for v in (h.size.lower, h.size.upper)}
    if spec.tools.drill is not None:
        nominal.add(round(spec.tools.drill.diameter, 9))

    def make(index: int) -> Problem:
        number = int(count[findings.piece[index]])
        drawn = round(float(findings.value[index]), 9) in nominal
        issue = warning(
            "equals-nominal" if drawn else "no-variation",
            f"all {number} diameters of the part are {findings.length(float(findings.value[index]))}"
            + (", a size of the drawing: likely not measured" if drawn else ": likely copied or rounded"),
            "readings that vary as the gauge shows",
            "Measure again and type what the gauge shows",
            holds=drawn,
        )
        return findings.piece_problem(issue, index, findings.found(index))

    findings.report(first, make)
    drawn = np.isin(np.round(value, 9), list(nominal)) & hit[piece]
    findings.mark(mine[drawn], "equals-nominal")


# Readings entered in the wrong place: x and y swapped, holes or sizes in another order, near for far.


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
        places, inverse = ranked(key)
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
    cells, cell = ranked(key)
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
    if np.count_nonzero(np.bincount(number, minlength=1)) < SWAP_PARTS:
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
    first = findings.firsts(rows)
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
    kind, turned = a["characteristic"][rows], findings.turned[rows]
    _, feature = ranked(joint(a["part"][rows], a["hole"][rows], kind, turned))
    pair, first = numbered(joint(findings.piece[rows], feature))
    sides = np.full((2, first.size), -1, dtype=np.int64)
    sides[a["wall"][rows[::-1]], pair[::-1]] = rows[::-1]
    both = np.flatnonzero((sides >= 0).all(axis=0))
    first = first[both]
    near, far = findings.value[sides[:, both]]
    return findings.piece[rows[first]], feature[first], near, far


def _usual(feature: IntArray, d: FloatArray) -> tuple[FloatArray, FloatArray, Array]:
    """Return median, robust spread (1.4826 times the median distance from it) and count of each feature."""
    size = int(feature.max()) + 1
    count = np.bincount(feature, minlength=size)
    middle = _medians(feature, d, count)
    return middle, 1.4826 * _medians(feature, np.abs(d - middle[feature]), count), count


def _medians(group: IntArray, value: FloatArray, count: Array) -> FloatArray:
    order = np.argsort(group.astype(np.uint16) if count.size <= 2**16 else group, kind="stable")  # few: by digits
    ends = np.cumsum(count)
    starts = ends - count
    out = np.full(count.size, np.nan)
    some = count > 0
    ordered = value[order]
    for start, end in zip(starts[some].tolist(), ends[some].tolist(), strict=True):
        ordered[start:end].sort()
    out[some] = 0.5 * (ordered[starts[some] + (count[some] - 1) // 2] + ordered[starts[some] + count[some] // 2])
    return out
