"""Readings that were not taken: copied from another part, typed from the drawing, the same every time."""

from __future__ import annotations

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import GRAIN, FloatArray
from holeqc.readings.draft import Array
from holeqc.readings.findings import DIAMETER, Findings, X, Y
from holeqc.readings.grid import IntArray
from holeqc.readings.issues import warning

COPIED_PART, COPIED_HOLE = 6, 6  #: so many lengths must be equal before a copy is likelier than chance
COPIED_WALL = 12  #: so many lengths of two walls, all equal: by chance hardly ever, even in coarse steps
DISTINCT_LEAST = 5  #: and so many of them different: a few coarse sizes agree by chance
BY_CHANCE = 1e-3  #: a part may equal one further back by chance this often in a whole run, else it is a copy
SAME_LEAST = 8  #: so many diameters of a part, all equal, are worth a warning
DRAWN_LEAST = 4  #: so many coordinates, all exactly as drawn
_MIX = np.uint64(0x9E3779B97F4A7C15)  # odd constant of a multiplicative hash


def find_copies(findings: Findings) -> None:
    """Report parts and holes whose every value equals an earlier part's, and values without any variation."""
    rows = np.flatnonzero(findings.usable())
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


def _features(findings: Findings, rows: IntArray) -> Array:
    """Return a number for each reading made of what it reads: hole, wall, characteristic, direction, trial."""
    a = findings.arrays
    direction = np.where(np.isnan(a["direction"][rows]), -1.0, a["direction"][rows])
    what = (a["hole"][rows].astype(np.int64) * 64 + a["wall"][rows] + 1) * 32 + a["characteristic"][rows]
    what = what * 1024 + np.minimum(a["trial"][rows], 1023)
    with np.errstate(over="ignore"):
        return _mixed(_mixed(what) + direction.astype(np.int64).view(np.uint64))


def _fingerprints(findings: Findings, rows: IntArray) -> Array:
    """Return a number for each reading made of what it reads and what its value is, not of which part it is."""
    value = np.rint(findings.value[rows] * 1e7).astype(np.int64)
    with np.errstate(over="ignore"):
        return _mixed(_features(findings, rows) + value.view(np.uint64))


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
    first = rows[np.unique(findings.piece[rows], return_index=True)[1]]
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
    of_feature, feature = np.unique(_features(findings, rows), return_inverse=True)
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
    numbers, group = np.unique(group, return_inverse=True)
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
    direction = np.where(np.isnan(a["direction"][rows]), -1.0, a["direction"][rows]).astype(np.int64)
    place = np.column_stack([
        findings.piece[rows], a["hole"][rows], a["characteristic"][rows], direction, a["trial"][rows]
    ])  # fmt: skip
    _, place_of = np.unique(place, axis=0, return_inverse=True)
    place_of = place_of.ravel()
    value = np.full((int(place_of.max(initial=-1)) + 1, walls), np.nan)
    value[place_of, a["wall"][rows]] = findings.value[rows]
    piece = np.zeros(value.shape[0], dtype=np.int64)
    piece[place_of] = findings.piece[rows]
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
        first = mine[np.unique(findings.piece[mine], return_index=True)[1]] if mine.size else mine

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

    first = mine[np.unique(piece, return_index=True)[1]]
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
    first = mine[np.unique(piece, return_index=True)[1]]
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
