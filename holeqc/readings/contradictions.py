"""Readings that speak against one another: one reading that is there twice, and readings of one hole too far apart.

Where two of them contradict one another nobody knows which is right, so both are doubted; of three or more the one
that stands apart. How far readings may differ stands in `believable`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import GRAIN, FloatArray
from holeqc.readings.believable import bound
from holeqc.readings.draft import Array
from holeqc.readings.findings import DIAMETER, EDGE, PLUG, Findings, X, Y
from holeqc.readings.gauging import uncertainty_of
from holeqc.readings.grid import BoolArray, IntArray
from holeqc.readings.issues import note, warning
from holeqc.readings.table import CHARACTERISTICS, LENGTHS, STOPS
from holeqc.readings.words import WORDS

SURFACE = CHARACTERISTICS.index("surface")
GO, NO_GO = CHARACTERISTICS.index("go"), CHARACTERISTICS.index("no_go")
ABSURD, ALONE, AGAINST, PLUG_AGAINST = "not-believable", "unconfirmed", "against-the-hole", "against-the-plug"
SHIFT_LEAST = 3  #: so many coordinates of a part and axis tell where it lay
_ROOT_2 = float(np.sqrt(2.0))


def find_repeats(findings: Findings) -> None:
    """Number repeats of one reading 1, 2, ...; report duplicated rows and readings that contradict one another.

    One reading is the same part, serial, hole, wall, characteristic, direction and number of the repeat.
    """
    _one_reading(findings)
    _means(findings)


def _one_reading(findings: Findings) -> None:
    """Number what is one reading, and report what is there twice."""
    import pandas as pd

    a = findings.arrays
    placed = (a["hole"] >= 0) & (a["characteristic"] >= 0) & (a["characteristic"] != SURFACE)
    rows = np.flatnonzero(placed)
    key = _key(findings, rows)
    twice = pd.Series(key).duplicated(keep=False).to_numpy()
    if not twice.any():
        return
    rows, key = rows[twice], key[twice]
    order = np.argsort(key, kind="stable")
    rows, key = rows[order], key[order]
    new = np.concatenate([[True], key[1:] != key[:-1]])
    group = np.cumsum(new) - 1
    starts = np.flatnonzero(new)
    rank = np.arange(rows.size) - starts[group]
    size = np.bincount(group)
    a["trial"][rows] = (a["trial"][rows] + rank).astype(a["trial"].dtype)
    same, within = _agree(findings, rows, starts, group)
    planned = _planned(findings, rows[starts], size)
    first = rows[starts][group]
    later = rank > 0
    _duplicates(findings, rows, first, later & (same & ~planned)[group])
    _repeats(findings, rows, first, later & (within & ~same & ~planned)[group])
    _contradictions(findings, rows, first, later, (~within & ~planned)[group])


def _planned(findings: Findings, first: IntArray, size: IntArray) -> BoolArray:
    """Return which groups (g,), by their first reading, are no more than the repeats that the plan asks for.

    A diameter without a direction stands for any that is planned.
    """
    a, plan = findings.arrays, findings.spec.plan
    any_way = (a["characteristic"] == DIAMETER) & np.isnan(a["direction"]) & (a["hole"] >= 0)
    place = (findings.piece * (len(findings.spec.holes) + 1) + a["hole"]) * 64 + a["wall"] + 1
    places, count = np.unique(place[any_way], return_counts=True)
    at = np.minimum(np.searchsorted(places, place[first]), max(places.size - 1, 0))
    there = count[at] if places.size else np.zeros(first.size, dtype=np.int64)  # under all numbers of repeats together
    most = plan.count * max(len(plan.directions), 1)
    return np.asarray(np.where(any_way[first], most >= there, plan.count >= size))


def _means(findings: Findings) -> None:
    """Doubt coordinates of one hole and wall, numbered repeats too, that are too far apart for a mean of them."""
    a = findings.arrays
    rows = np.flatnonzero(findings.usable() & np.isin(a["characteristic"], (X, Y)))
    if not rows.size:
        return
    key = (findings.piece[rows] * len(findings.spec.holes) + a["hole"][rows]) * 64 + a["wall"][rows] + 1
    _, group = np.unique(key * 2 + (a["characteristic"][rows] == Y), return_inverse=True)
    order = np.argsort(group, kind="stable")
    rows, group = rows[order], group[order]
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    value = findings.value[rows]
    spread = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
    allowed = np.maximum.reduceat(_allowed(findings, rows), starts) * bound("trial") / bound("repeat")
    hit = (spread > allowed + GRAIN)[group]
    _contradictions(findings, rows, rows[starts][group], np.arange(rows.size) > starts[group], hit)


def _allowed(findings: Findings, rows: IntArray) -> FloatArray:
    """Return how far two readings (m,) of one thing may differ: U of a difference, sqrt(2) U (JCGM 100, 5.1.2).

    Where U isn't known, a share of the tolerance stands for it. Words and distances to an edge by an unknown gauge must
    be equal. More diameters without a direction than are planned are one of them read again.
    """
    a = findings.arrays
    kind = a["characteristic"][rows]
    share = np.where(kind == EDGE, 0.0, bound("unknown gauge")) * np.nan_to_num(findings.band[rows])
    u = uncertainty_of(findings, rows)
    allowed = bound("repeat") * _ROOT_2 * np.where(np.isnan(u), share, u)
    return np.asarray(np.where(kind < len(LENGTHS), allowed, 0.0))


def _key(findings: Findings, rows: IntArray) -> IntArray:
    """Return one number for what each reading is a reading of."""
    a, spec = findings.arrays, findings.spec
    direction = a["direction"][rows]
    _, turned = np.unique(np.where(np.isnan(direction), -1e9, direction), return_inverse=True)
    key = findings.piece[rows] * len(spec.holes) + a["hole"][rows]
    key = key * (len(spec.walls.names) + 1) + a["wall"][rows] + 1
    key = key * len(CHARACTERISTICS) + a["characteristic"][rows]
    key = key * (int(turned.max(initial=0)) + 1) + turned
    return key * 1024 + np.minimum(a["trial"][rows], 1023)


def _agree(findings: Findings, rows: IntArray, starts: IntArray, group: IntArray) -> tuple[Array, Array]:
    """Return for each group whether all its readings are equal, and whether they differ by no more than they may."""
    a = findings.arrays
    value = np.where(np.isnan(a["value"][rows]), np.inf, a["value"][rows])
    finite = np.isfinite(value)
    value = np.where(finite, value, 0.0)
    spread = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
    word = a["word"][rows].astype(np.int64)
    same_word = np.maximum.reduceat(word, starts) == np.minimum.reduceat(word, starts)
    same_kind = np.logical_and.reduceat(finite, starts) | ~np.logical_or.reduceat(finite, starts)
    allowed: FloatArray = np.maximum.reduceat(_allowed(findings, rows), starts)
    sound = same_word & same_kind
    return sound & (spread <= GRAIN), sound & (spread <= allowed + GRAIN)


def _where(findings: Findings, index: int) -> str:
    """Return the address of a reading's cell, with its sheet and file."""
    place = findings.cell.place(index)
    return ", ".join(p for p in (place["file"], place["sheet"], place["cell"]) if p)


def _duplicates(findings: Findings, rows: IntArray, first: IntArray, hit: Array) -> None:
    """Report rows that repeat an earlier one, once a row."""
    rows, first = rows[hit], first[hit]
    if not rows.size:
        return
    a = findings.arrays
    key = (a["file"][rows].astype(np.int64) * 100_000 + a["sheet"][rows]) * 10_000_000 + a["row"][rows]
    at = np.unique(key, return_index=True)[1]
    counts = np.bincount(np.unique(key, return_inverse=True)[1])
    told = {int(rows[i]): (int(first[i]), int(n)) for i, n in zip(at, counts, strict=True)}

    def make(index: int) -> Problem:
        earlier, count = told[index]
        what = "the reading repeats" if count == 1 else f"{count} readings of this row repeat"
        issue = warning(
            "duplicate-row",
            f"{what} an earlier one to the last digit: {_where(findings, earlier)}",
            action="Delete the row if it was copied; give repeats a number if it was measured twice",
        )
        return findings.problem(issue, index)

    findings.report(np.sort(np.array(list(told), dtype=np.int64)), make)


def _repeats(findings: Findings, rows: IntArray, first: IntArray, hit: Array) -> None:
    """Say that readings were repeated without a number."""
    rows, first = rows[hit], first[hit]
    if rows.size:
        index = int(rows[0])
        issue = note(
            "repeated-reading",
            f"{rows.size} readings were taken again, the gauge's uncertainty explains the difference; "
            f"the first repeats {_where(findings, int(first[0]))}; read as repeats 2, 3, ...",
        )
        findings.collector.add(findings.problem(issue, index))


def _contradictions(findings: Findings, rows: IntArray, first: IntArray, later: Array, hit: Array) -> None:
    """Report readings of one thing that differ by more than the gauge explains, and doubt all of them."""
    bad = rows[hit & later]
    if not bad.size:
        return
    earlier = dict(zip(bad.tolist(), first[hit & later].tolist(), strict=True))
    most = dict(zip(bad.tolist(), _allowed(findings, bad).tolist(), strict=True))

    def make(index: int) -> Problem:
        other = earlier[index]
        kind = int(findings.arrays["characteristic"][index])
        lengths = kind < len(LENGTHS) and most[index] > 0.0
        issue = warning(
            "contradicting-reading",
            f"another value than in {_where(findings, other)}, where the same reading is "
            f"{findings.found(other)}{_days(findings, index, other)}",
            f"equal within {findings.likely(most[index], np.nan)}, U of a difference" if lengths else "one answer",
            "Measure again and keep one of the two; after rework, leave the old readings out",
            holds=True,
        )
        return findings.problem(issue, index)

    columns = findings.arrays["column"][bad].astype(np.int64) * 20_000 + findings.arrays["column"][first[hit & later]]
    findings.report_causes(bad, columns * 16 + findings.arrays["characteristic"][bad], make)
    findings.mark(rows[hit], "contradicting-reading")


def _days(findings: Findings, one: int, other: int) -> str:
    days = [findings.arrays["date"][i] for i in (one, other)]
    if np.isnat(days).any() or days[0] == days[1]:
        return ""
    return f" (read on {days[1]} and {days[0]})"


def confirmed(findings: Findings, usable: BoolArray) -> tuple[BoolArray, BoolArray]:
    """Return where another reading of the hole confirms a length (n,), and where one stands too far from it.

    Diameters in all directions and walls and the largest plug are of one hole; so are the x and the y of all its
    walls. A coordinate is also confirmed by the rest of its part, all of it being off alike.
    """
    a = findings.arrays
    near, apart = np.zeros(usable.size, dtype=np.bool_), np.zeros(usable.size, dtype=np.bool_)
    rows = np.flatnonzero(usable & (a["characteristic"] != EDGE))
    if not rows.size:
        return near, apart
    kind = a["characteristic"][rows]
    family = np.where(kind == PLUG, DIAMETER, kind).astype(np.int64)
    key = (findings.piece[rows] * len(findings.spec.holes) + a["hole"][rows]) * len(LENGTHS) + family
    order = np.lexsort((findings.value[rows], key))
    rows, key = rows[order], key[order]
    value, reach = findings.value[rows], findings.apart[rows] + GRAIN
    new = np.concatenate([[True], key[1:] != key[:-1]])
    starts, group = np.flatnonzero(new), np.cumsum(new) - 1
    before = np.where(new, np.inf, np.diff(value, prepend=np.nan))
    after = np.append(before[1:], np.inf)
    near[rows] = np.minimum(before, after) <= reach
    ends = np.append(starts[1:], rows.size) - 1
    apart[rows] = np.maximum(value - value[starts][group], value[ends][group] - value) > reach
    near |= _shifted(findings, usable)
    return near, apart


def _shifted(findings: Findings, usable: BoolArray) -> BoolArray:
    """Return coordinates (n,) that are off as those of most holes of their part and axis are: it lay out of seat."""
    a = findings.arrays
    out = np.zeros(usable.size, dtype=np.bool_)
    rows = np.flatnonzero(usable & np.isin(a["characteristic"], (X, Y)) & ~np.isnan(findings.lower))
    if not rows.size:
        return out
    off = findings.value[rows] - 0.5 * (findings.lower[rows] + findings.upper[rows])
    key = findings.piece[rows] * 2 + (a["characteristic"][rows] == Y)
    order = np.lexsort((off, key))
    starts = np.flatnonzero(np.diff(key[order], prepend=-1))
    count = np.diff(np.append(starts, rows.size))
    middle = np.repeat(off[order][starts + count // 2], count)
    near = np.abs(off[order] - middle) <= findings.band[rows[order]] + GRAIN
    out[rows[order]] = near & (np.repeat(count, count) >= SHIFT_LEAST)
    return out


def find_unbelievable(findings: Findings) -> None:
    """Doubt lengths that can't be true, that nothing confirms, or that the rest of their hole contradicts."""
    usable = findings.usable()
    absurd = usable & findings.absurd
    near, apart = confirmed(findings, usable & ~absurd)
    alone = usable & ~absurd & findings.far & ~near
    against = usable & ~absurd & ~alone & apart & ~near
    for which, code, words in (
        (absurd, ABSURD, _absurd_words), (alone, ALONE, _alone_words), (against, AGAINST, _against_words),
    ):  # fmt: skip
        _doubt(findings, np.flatnonzero(which), code, words)
    _against_plugs(findings)


def _doubt(findings: Findings, rows: IntArray, code: str, words: Callable[[Findings, int], str]) -> None:
    kinds = findings.arrays["characteristic"]

    def make(index: int) -> Problem:
        look = "Look at the gauge and its unit"
        if kinds[index] in (X, Y):
            look = "Look from which edges and in which unit it was measured"
        if code == PLUG_AGAINST:
            look = "Try the plug again"
        issue = warning(code, words(findings, index), action=f"{look}, measure again and correct the cell", holds=True)
        return findings.problem(issue, index, allowed=findings.allowed(index))

    kind = kinds[rows]
    findings.report_causes(rows, np.where(kind == Y, X, kind), make, 2)
    findings.mark(rows, code)


def _absurd_words(findings: Findings, index: int) -> str:
    kind = int(findings.arrays["characteristic"][index])
    if kind in (DIAMETER, PLUG):
        return "no drill or reamer taken for this size leaves such a hole"
    if kind == EDGE:
        return "the hole can't be that far from the edge" if _is_large(findings, index) else "the hole would be open"
    return "so far off basic that no hole drilled in the fixture can be there"


def _is_large(findings: Findings, index: int) -> bool:
    return bool(findings.value[index] > findings.lower[index])


def _alone_words(findings: Findings, index: int) -> str:
    return "far outside what the hole can be, and no other reading confirms it"


def _against_words(findings: Findings, index: int) -> str:
    a = findings.arrays
    kind = int(a["characteristic"][index])
    axis = {X: "x", Y: "y"}.get(kind, "size")
    most = findings.length(float(findings.apart[index]))
    return f"farther than {most} from every other reading of the hole's {axis}: one of them is wrong"


def _against_plugs(findings: Findings) -> None:
    """Doubt diameters and plug that contradict one another by more than they can differ: it stops, all are far larger.

    A plug that enters though a reading is smaller is looked at when the hole is judged (`inspection.disproved`).
    """
    a, holes = findings.arrays, findings.spec.holes
    walls = len(findings.spec.walls.names) + 1
    rows = np.flatnonzero(findings.usable() & (a["characteristic"] == DIAMETER))
    stops = (findings.doubt < 0) & (a["word"] == WORDS.index(STOPS)) & (a["hole"] >= 0)
    if not rows.size or not stops.any():
        return
    key = (findings.piece * len(holes) + a["hole"]) * walls + a["wall"] + 1
    smallest = np.full(int(key[a["hole"] >= 0].max()) + walls, np.inf)
    np.minimum.at(smallest, key[rows], findings.value[rows])
    hit = np.zeros(rows.size, dtype=np.bool_)
    plugs = []
    whole = key[rows] - a["wall"][rows] - 1
    for kind, sizes in ((GO, [h.plugs.go for h in holes]), (NO_GO, [h.plugs.no_go for h in holes])):
        plug = np.array([np.nan if size is None else size for size in sizes])
        tries = np.flatnonzero(stops & (a["characteristic"] == kind))
        stopped = np.isin(key[rows], key[tries]) | np.isin(whole, key[tries])
        most = plug[a["hole"][rows]] + bound("plug share") * findings.apart[rows] + GRAIN
        against = stopped & (smallest[key[rows]] > most)
        hit |= against
        plugs.append(tries[np.isin(key[tries], np.concatenate([key[rows], whole])[np.tile(against, 2)])])
    _doubt(findings, rows[hit], PLUG_AGAINST, _plug_words)
    findings.mark(np.concatenate(plugs), PLUG_AGAINST)


def _plug_words(findings: Findings, index: int) -> str:
    return "far larger than a plug that does not enter: one of them is wrong"
