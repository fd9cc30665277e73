"""Changes that nobody logged: where the level of a bushing, the seating or all sizes jumps or begins to drift.

A group of series (both coordinates and the size of a bushing, say) is cut into pieces, each with straight lines of its
own, so that the sum of squares plus a price a cut is the least of all possible cuts (optimal partitioning by dynamic
programming: Jackson and others, IEEE Signal Processing Letters 12, 2005). The price is the quantile of chi square (two
numbers a series) at the chance of one false cut in the whole run, shared among the groups and the places that a cut
could have (Bonferroni): regular replacements, steps and bends come out by one rule. Neighbours that resemble each other
make the price dearer by the variance of their mean over that of independent ones (first-order autoregression).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from holeqc.quantities import FloatArray
from holeqc.statistics.basics import IntArray
from holeqc.wear.paths import clipped, middle

LEVEL = 0.01  #: chance of one false change in a whole run
LEAST = 12  #: values a stretch must have before a change is looked for
PIECE = 5  #: values that each piece must have
RUNS = 120  #: a longer stretch is cut between so many runs of neighbours
PLACES = 40.0  #: independent places of a cut in a stretch, by simulation of steady series
BETTER = 6.0  #: squares of scatter by which a step must beat a drift beside its place: odds of 20
CLEAR = 6.0  #: squares by which a jump must beat a bend: strong (Kass and Raftery, J. Am. Stat. Assoc. 90, 1995, 3.2)
JUMP, BEND, CURVE = "jump", "bend", "curve"


@dataclass(frozen=True, slots=True)
class Change:
    """A change of a group of series.

    ``kind``: ``jump`` (the level is another), ``bend`` (from here on it wears otherwise), ``curve`` (no one place: the
    wear itself speeds up or slows down). ``cycle`` is the first part after it, ``first`` and ``last`` bound that (95 %
    by likelihood). ``step`` (K,) is the jump of each series in its unit, ``before`` and ``after`` (K,) the slopes per
    cycle. ``chance`` is that of such a change by accident anywhere in the run.
    """

    kind: str
    cycle: float
    first: float
    last: float
    step: FloatArray
    before: FloatArray
    after: FloatArray
    chance: float


@dataclass(frozen=True, slots=True)
class Noise:
    """Scatter of series (K,) about their level, and how much longer the error of a mean is because neighbours resemble
    each other: the root of (1 + r) / (1 - r) for a correlation r of neighbours."""

    sd: FloatArray
    stretch: FloatArray


def noise_of(values: FloatArray) -> Noise:
    """Return the scatter of series ``values`` (N,K) from the differences of neighbours, which no slow level touches.

    For a correlation r of neighbours (first-order autoregression) differences have the variance 2 s² (1 - r) and among
    themselves the correlation -(1 - r) / 2; r counts where it is above chance.
    """
    sd, stretch = [], []
    for column in values.T:
        y = column[np.isfinite(column)]
        d = np.diff(y)
        if d.size < 4 or not np.ptp(y) > 0:
            sd.append(0.0)
            stretch.append(1.0)
            continue
        spread = 1.4826 * float(np.median(np.abs(d))) or float(d.std())
        clipped = np.clip(d, -3.5 * spread, 3.5 * spread)
        r = 1.0 + 2.0 * float((clipped[1:] * clipped[:-1]).mean() / max((clipped**2).mean(), 1e-300))
        r = min(r, 0.9) if r > 2.5 / np.sqrt(d.size) else 0.0
        level = float(np.sqrt((clipped**2).mean() / (2.0 * (1.0 - r))))
        sd.append(level)
        stretch.append(float(np.sqrt((1.0 + r) / (1.0 - r))))
    return Noise(np.array(sd), np.array(stretch))


class _Sums:
    """Sums over runs of neighbours, from which the squares that a straight line leaves over any runs follow at once."""

    def __init__(self, cycle: FloatArray, values: FloatArray, price: FloatArray) -> None:
        n = cycle.size
        runs = min(RUNS, n)
        self.edges = np.linspace(0, n, runs + 1).astype(int)
        known = np.isfinite(values)
        self.middle = float(cycle.mean())
        t = np.where(known, (cycle - self.middle)[:, None], 0.0)
        y = np.where(known, (values - middle(values)) / price, 0.0)
        terms = np.stack([known.astype(np.float64), t, t * t, y, t * y, y * y])
        zero = np.zeros((6, 1, values.shape[1]))
        self.sums = np.concatenate([zero, np.cumsum(terms, axis=1)], axis=1)[:, self.edges]

    def left(self, i: IntArray, j: IntArray) -> tuple[FloatArray, FloatArray]:
        """Return squares left by lines over runs i to j, and values of the series that has fewest."""
        w, t, tt, y, ty, yy = self.sums[:, j] - self.sums[:, i]
        some = np.maximum(w, 1.0)
        spread = tt - t * t / some
        lean = ty - t * y / some
        left = yy - y * y / some - np.where(spread > 1e-9, lean * lean / np.maximum(spread, 1e-9), 0.0)
        return np.maximum(left, 0.0).sum(axis=-1), w.max(axis=-1)


def find_changes(
    cycle: FloatArray, values: FloatArray, *, groups: int = 1, level: float = LEVEL, noise: Noise | None = None
) -> tuple[Change, ...]:
    """Return the changes of a group of series ``values`` (N,K) at ``cycle`` (N,), in order; NaN is not known.

    ``groups``: how many groups of the run are searched. Series that don't scatter at all aren't looked at.
    """
    from scipy.special import chdtrc, chdtri

    some = np.isfinite(values).any(axis=1)
    cycle, values = cycle[some], values[some]
    scatter = noise_of(values) if noise is None else noise
    looked = scatter.sd > 0.0
    if cycle.size < LEAST or not looked.any():
        return ()
    values = clipped(values)
    kept = values[:, looked]
    sums = _Sums(cycle, kept, (scatter.sd * scatter.stretch)[looked])
    free = 2 * int(looked.sum())
    price = float(chdtri(free, level / groups / PLACES))
    cuts, steps = _cut(sums, price), 0.0
    if not cuts:
        cuts, steps = _step(cycle, kept / (scatter.sd * scatter.stretch)[looked], sums.edges, groups, level)
    out: list[Change] = []
    if len(cuts) > 1 and _bows(cycle, values, scatter, sums.edges[cuts]):
        cuts = [cuts[len(cuts) // 2]]  # one curve, which is described as such
    ends = [0, *cuts, sums.edges.size - 1]
    for before, at, after in zip(ends, ends[1:], ends[2:], strict=False):
        a, b, c = (np.array(v) for v in (before, at, after))
        whole = float(sums.left(a, c)[0])
        gain = whole - float(sums.left(a, b)[0] + sums.left(b, c)[0])
        found = min(float(chdtrc(free, gain)), float(chdtrc(free / 2, steps)) if steps else 1.0)
        chance = min(1.0, found * PLACES * groups)
        inside = np.arange(before + 1, after)
        cost = sums.left(np.full_like(inside, before), inside)[0] + sums.left(inside, np.full_like(inside, after))[0]
        likely = inside[cost <= cost.min() + 3.84]
        out.append(_describe(cycle, values, scatter, sums.edges[[before, at, after]],
                             sums.edges[[min(int(likely[0]), at), max(int(likely[-1]), at)]], chance))  # fmt: skip
    return tuple(out)


def _cut(sums: _Sums, price: float) -> list[int]:
    """Return the runs at which pieces begin, the first left out, by dynamic programming."""
    n = sums.edges.size - 1
    best = np.full(n + 1, np.inf)
    best[0] = -price
    back = np.zeros(n + 1, dtype=int)
    for j in range(1, n + 1):
        i = np.arange(j)
        left, count = sums.left(i, np.full(j, j))
        total = np.where(count >= PIECE, best[:j] + left + price, np.inf)
        back[j] = int(np.argmin(total))
        best[j] = total[back[j]]
    cuts, j = [], n
    while j > 0 and np.isfinite(best[j]):
        j = int(back[j])
        if j:
            cuts.append(j)
    return cuts[::-1]


def _step(
    cycle: FloatArray, values: FloatArray, edges: FloatArray, groups: int, level: float
) -> tuple[list[int], float]:
    """Return where a plain step explains the series much better than a steady drift, if anywhere, and its squares.

    A step between level pieces takes half the numbers of two lines, so smaller ones stand out.
    """
    from scipy.special import chdtri

    known = np.isfinite(values)
    y = np.where(known, values, 0.0)
    t = np.where(known, cycle[:, None] - cycle.mean(), 0.0)
    sums = [np.concatenate([np.zeros((1, y.shape[1])), np.cumsum(v, axis=0)])[edges] for v in (known * 1.0, y)]
    (count, total) = sums
    mean = total[-1] / np.maximum(count[-1], 1.0)
    away = total - count * mean
    left, right = np.maximum(count, 1.0), np.maximum(count[-1] - count, 1.0)
    gain = (away**2 * (1.0 / left + 1.0 / right)).sum(axis=1)
    usable = (count.max(axis=1) >= PIECE) & ((count[-1] - count).max(axis=1) >= PIECE)
    gain = np.where(usable, gain, 0.0)
    at = int(np.argmax(gain))
    middle = t.sum(axis=0) / np.maximum(count[-1], 1.0)
    spread = ((t - middle * known) ** 2 * known).sum(axis=0)
    lean = ((t - middle * known) * (y - mean * known)).sum(axis=0)
    drift = float((lean**2 / np.maximum(spread, 1e-9)).sum())
    price = float(chdtri(values.shape[1], level / groups / PLACES))
    clear = gain[at] > price and gain[at] - drift > BETTER + np.log(max(cycle.size, 2))
    return ([at], float(gain[at])) if clear else ([], 0.0)


def _bows(cycle: FloatArray, values: FloatArray, noise: Noise, at: IntArray) -> bool:
    """Return whether one square explains the series with less ado than all the cuts do."""
    scale = np.where(noise.sd > 0, noise.sd * noise.stretch, np.inf)
    t = cycle - cycle.mean()
    ends = [0, *(int(k) for k in at), cycle.size]
    pieces = sum(_left(t[a:b], values[a:b], scale) for a, b in pairwise(ends))
    series, count = float(np.isfinite(scale).sum()), np.log(float(cycle.size))
    return bool(_left(t, values, scale, t * t) + series * count <= pieces + len(at) * (2 * series + 1) * count)


def _describe(
    cycle: FloatArray, values: FloatArray, noise: Noise, ends: IntArray, likely: IntArray, chance: float
) -> Change:
    """Return the change between the values ends[0] to ends[1] and those to ends[2] with its kind."""
    begin, at, end = (int(e) for e in ends)
    place = float(cycle[at])
    # where the change may lie anywhere among the likely places, what is sure to be before and after it tells the sizes
    early, late = slice(begin, max(int(likely[0]), begin + 2)), slice(min(int(likely[1]), end - 2), end)
    lines = [_line(cycle[s] - place, values[s]) for s in (slice(begin, at), slice(at, end))]
    both = [np.nan_to_num(line) for line in lines]
    step, before, after = both[1][0] - both[0][0], both[0][1], both[1][1]
    scale = np.where(noise.sd > 0, noise.sd * noise.stretch, np.inf)
    error = np.sqrt(lines[0][2] + lines[1][2]) * scale
    t, y = cycle[begin:end] - place, values[begin:end]
    bow = _left(t, y, scale, t * t)
    # a bend's best place is not that of jump and bend together
    tried = np.unique(np.linspace(begin + 3, end - 3, 40).astype(int))
    bends = [_left(t, y, scale, np.maximum(cycle[begin:end] - cycle[k] + 0.5, 0.0)) for k in tried]
    bend = min(bends, default=np.inf)
    two = _left(cycle[begin:at] - place, values[begin:at], scale) + _left(t[at - begin :], y[at - begin :], scale)
    plain = sum(_left(cycle[s] - place, values[s], scale, level_only=True) for s in (slice(begin, at), slice(at, end)))
    count, series = float(end - begin), float(np.isfinite(scale).sum())
    score = {
        JUMP: CLEAR + min(two + (2 * series + 1) * np.log(count), plain + (series + 1) * np.log(count)),
        BEND: bend + (series + 1) * np.log(count),
        CURVE: bow + series * np.log(count),
    }  # fmt: skip
    kind = min(score, key=lambda k: score[k])
    still = not _tilts(lines, scale)
    if kind == JUMP and not still and not (np.abs(step) > 3.0 * np.nan_to_num(error, nan=np.inf)).any():
        kind = BEND
    if kind == JUMP:
        was, is_ = middle(values[early]), middle(values[late])
        step = np.nan_to_num(is_ - was) if still else step
    if kind == BEND and bends:
        place = float(cycle[tried[int(np.argmin(bends))]])
    low, high = float(cycle[likely[0]]), float(cycle[min(int(likely[1]), cycle.size - 1)])
    return Change(
        kind,
        place,
        min(low, place),
        max(high, place),
        step if kind == JUMP else np.zeros_like(step),
        before,
        after,
        chance,
    )


def _tilts(lines: Sequence[FloatArray], scale: FloatArray) -> bool:
    return any(bool((np.abs(np.nan_to_num(line[1])) > 3.0 * np.sqrt(line[3]) * scale).any()) for line in lines)


def _line(t: FloatArray, y: FloatArray) -> FloatArray:
    """Return level at 0, slope and the variances of both for a scatter of 1, (4,K), series by series."""
    out = np.full((4, y.shape[1]), np.nan)
    for k, column in enumerate(y.T):
        known = np.isfinite(column)
        x = t[known]
        if known.sum() < 2 or not np.ptp(x) > 0:
            out[:, k] = (column[known].mean() if known.any() else np.nan, 0.0, 1.0 / max(known.sum(), 1), np.inf)
            continue
        slope, level = np.polyfit(x, column[known], 1)
        spread = float(((x - x.mean()) ** 2).sum())
        out[:, k] = level, slope, 1.0 / x.size + x.mean() ** 2 / spread, 1.0 / spread
    return out


def _left(
    t: FloatArray, y: FloatArray, scale: FloatArray, more: FloatArray | None = None, *, level_only: bool = False
) -> float:
    """Return the squares, in scatters, that a line leaves, or a line and one more column, or a level alone."""
    columns = [np.ones_like(t), t][: 1 if level_only else 2] + ([] if more is None else [more])
    total = 0.0
    for k, column in enumerate(y.T):
        known = np.isfinite(column)
        if not np.isfinite(scale[k]) or known.sum() <= len(columns):
            continue
        x = np.stack(columns, axis=1)[known]
        rest = column[known] - x @ np.linalg.lstsq(x, column[known], rcond=None)[0]
        total += float(rest @ rest) / float(scale[k]) ** 2
    return total
