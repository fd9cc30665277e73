"""One reading that is there twice: duplicated rows, contradictions, repeats without a number."""

from __future__ import annotations

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import GRAIN, FloatArray
from holeqc.readings.draft import Array
from holeqc.readings.findings import Findings
from holeqc.readings.gauging import uncertainty_of
from holeqc.readings.grid import IntArray
from holeqc.readings.issues import note, warning
from holeqc.readings.table import CHARACTERISTICS, LENGTHS

SURFACE = CHARACTERISTICS.index("surface")


def find_repeats(findings: Findings) -> None:
    """Number repeats of one reading 1, 2, ...; report duplicated rows and readings that contradict one another.

    One reading is the same part, serial, hole, wall, characteristic, direction and number of the repeat.
    """
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
    planned = findings.spec.plan.count >= size
    first = rows[starts][group]
    later = rank > 0
    _duplicates(findings, rows, first, later & (same & ~planned)[group])
    _repeats(findings, rows, first, later & (within & ~same & ~planned)[group])
    _contradictions(findings, rows, first, later, (~within & ~planned)[group])


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
    """Return for each group whether all its readings are equal, and whether they agree within the gauge's U."""
    a = findings.arrays
    value = np.where(np.isnan(a["value"][rows]), np.inf, a["value"][rows])
    finite = np.isfinite(value)
    value = np.where(finite, value, 0.0)
    spread = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
    word = a["word"][rows].astype(np.int64)
    same_word = np.maximum.reduceat(word, starts) == np.minimum.reduceat(word, starts)
    same_kind = np.logical_and.reduceat(finite, starts) | ~np.logical_or.reduceat(finite, starts)
    allowed: FloatArray = np.maximum.reduceat(np.nan_to_num(uncertainty_of(findings, rows)), starts)
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
    uncertainty = dict(zip(bad.tolist(), uncertainty_of(findings, bad).tolist(), strict=True))

    def make(index: int) -> Problem:
        other = earlier[index]
        u = uncertainty[index]
        kind = int(findings.arrays["characteristic"][index])
        allowed = "one answer"
        if kind < len(LENGTHS):
            allowed = f"equal within U = {findings.length(u)}" if u == u else "equal values, the gauge's U is not known"
        issue = warning(
            "contradicting-reading",
            f"another value than in {_where(findings, other)}, where the same reading is "
            f"{findings.found(other)}{_days(findings, index, other)}",
            action="Measure again and keep one of the two; after rework, leave the old readings out",
            holds=True,
        )
        return findings.problem(issue, index, allowed=allowed)

    findings.report(np.sort(bad), make)
    findings.mark(rows[hit], "contradicting-reading")


def _days(findings: Findings, one: int, other: int) -> str:
    days = [findings.arrays["date"][i] for i in (one, other)]
    if np.isnat(days).any() or days[0] == days[1]:
        return ""
    return f" (read on {days[1]} and {days[0]})"
