"""Sums, extremes and choices over groups of rows, as array work: each row carries the number of its group."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holeqc.quantities import FloatArray

IntArray = NDArray[np.int64]
CodeArray = NDArray[np.int16]
VerdictArray = NDArray[np.int8]


def largest(group: IntArray, value: FloatArray, groups: int) -> FloatArray:
    """Return the largest value of each group (groups,), NaN for a group without rows. NaN values don't count."""
    out = np.full(groups, -np.inf)
    known = ~np.isnan(value)
    np.maximum.at(out, group[known], value[known])
    out[np.isneginf(out)] = np.nan
    return out


def smallest(group: IntArray, value: FloatArray, groups: int) -> FloatArray:
    """Return the smallest value of each group (groups,), NaN for a group without rows. NaN values don't count."""
    return -largest(group, -value, groups)


def largest_or_unknown(group: IntArray, value: FloatArray, groups: int) -> FloatArray:
    """Return the largest value of each group, NaN where any row of it is NaN or where it has no rows."""
    out = largest(group, value, groups)
    out[group[np.isnan(value)]] = np.nan
    return out


def mean(group: IntArray, value: FloatArray, groups: int) -> FloatArray:
    """Return the mean of each group (groups,), NaN for a group without rows."""
    count = np.bincount(group, minlength=groups)
    total = np.bincount(group, weights=value, minlength=groups)
    return np.divide(total, count, out=np.full(groups, np.nan), where=count > 0)


def first_row(group: IntArray, rows: IntArray, groups: int) -> IntArray:
    """Return for each group the first of ``rows`` that belongs to it, -1 for none. ``group`` goes with ``rows``."""
    out = np.full(groups, -1, dtype=np.int64)
    out[group[::-1]] = rows[::-1]
    return out


def any_code(group: IntArray, code: CodeArray, groups: int) -> CodeArray:
    """Return for each group one of its codes that isn't 0 (the largest), 0 where there is none."""
    out = np.zeros(groups, dtype=np.int16)
    set_ = code != 0
    np.maximum.at(out, group[set_], code[set_])
    return out


def worst_row(group: IntArray, verdict: VerdictArray, left: FloatArray, groups: int) -> IntArray:
    """Return for each group the row that decides it: worst verdict, then least room left. -1 for an empty group.

    Of rows that are equal in both, the first. NaN room counts as the least.
    """
    best = np.full(groups, -1, dtype=np.int8)
    np.maximum.at(best, group, verdict)
    rows = np.flatnonzero(verdict == best[group])
    room = np.where(np.isnan(left[rows]), -np.inf, left[rows])
    least = np.full(groups, np.inf)
    np.minimum.at(least, group[rows], room)
    rows = rows[room == least[group[rows]]]
    return first_row(group[rows], rows, groups)


def largest_difference(
    outer: IntArray, inner: IntArray, value: FloatArray, groups: int
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return for each outer group the largest |a - b| over two rows of different inner group, and whether there are
    two.

    ``outer`` (n,) in 0..groups-1, ``inner`` (n,) >= 0, ``value`` (n,) without NaN. Groups with fewer than two inner
    groups give NaN.
    """
    difference = np.full(groups, np.nan)
    if not value.size:
        return difference, np.zeros(groups, dtype=np.bool_)
    inner, width = _dense_inner(outer, inner, groups)
    top = np.full((groups, width), -np.inf)
    low = np.full((groups, width), np.inf)
    np.maximum.at(top, (outer, inner), value)
    np.minimum.at(low, (outer, inner), value)
    each = np.arange(groups)
    at_top, at_low = top.argmax(axis=1), low.argmin(axis=1)
    highest, lowest = top[each, at_top], low[each, at_low]
    pair = np.isfinite(top).sum(axis=1) >= 2
    # The highest and the lowest may lie in one inner group: then one of the two must come from another.
    other_top, other_low = top.copy(), low.copy()
    other_top[each, at_top], other_low[each, at_low] = -np.inf, np.inf
    same = at_top == at_low
    with np.errstate(invalid="ignore"):
        crossed = np.maximum(highest - other_low.min(axis=1), other_top.max(axis=1) - lowest)
        straight = highest - lowest
    difference[pair] = np.where(same, crossed, straight)[pair]
    return difference, pair


def _dense_inner(outer: IntArray, inner: IntArray, groups: int) -> tuple[IntArray, int]:
    """Return inner groups renumbered within their outer group if numbering them all at once would waste memory."""
    width = int(inner.max()) + 1
    if groups * width <= 8 * inner.size + 1024:
        return inner, width
    order = np.lexsort((inner, outer))
    new_outer = np.diff(outer[order], prepend=-1) != 0
    new = new_outer | (np.diff(inner[order], prepend=-1) != 0)
    count = np.cumsum(new) - 1
    rank = count - np.maximum.accumulate(np.where(new_outer, count, 0))
    out = np.empty_like(inner)
    out[order] = rank
    return out, int(rank.max()) + 1
