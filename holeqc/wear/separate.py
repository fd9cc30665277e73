"""Causes apart: for each part one rigid motion of the whole pattern, a uniform scale, and what is left at each bushing.

With positions as complex numbers z = x + iy, a shifted, turned and scaled pattern is z = c + a n: linear in c and a and
exact for any angle. The seating of a part is the M-estimate of (c, a) over its holes: least squares, then Huber's and
then Tukey's weights on the length of what is left (Huber, Robust Statistics, 1981, ch. 7; Maronna, Martin, Yohai,
Robust Statistics, 2006, ch. 4), so that a hole that is off does not drag the seating. A bushing that is off on every
part is found as the median of neighbouring parts, subtracted, and the seating estimated again. All parts are worked at
once.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np

from holeqc.problems import DataError
from holeqc.quantities import GRAIN, BoolArray, FloatArray
from holeqc.wear.paths import middle

HUBER, TUKEY = 1.50, 5.12
"""Bends of the weights, in standard deviations of a coordinate: 95 % efficiency at a normal error in the plane, from
the integrals of the asymptotic variance."""
RAYLEIGH = 1.1774100225154747  #: median length of a plane normal vector, in standard deviations: sqrt(2 ln 2)
NEIGHBOURS = 15  #: parts whose median tells where a bushing is; wear is slow against it
CHUNK = 4096  #: parts worked at a time, so that a batch stays in the processor's near memory
PASSES = 3
SAMPLE = 10_000  #: parts that tell the scatter closely enough


@dataclass(frozen=True, slots=True)
class Separation:
    """What moved each part as a whole, and what is left.

    ``shift`` (P,2) of the pattern's centre, ``rotation`` (P,) [rad], ``scale`` (P,) relative change of all distances.
    ``rest`` (P,H,2) is measured minus the seated pattern: the bushing's offset and the scatter. ``local`` (P,H,2) is
    the median offset of the neighbouring parts. ``weight`` (P,H) how much each hole counted, 0 where it is off or not
    read. ``scatter`` is the standard deviation of one coordinate about the local offset. NaN where a part has too few
    holes. ``centre`` (2,): the pattern's centre; ``scaled``: whether a scale was estimated.
    """

    centre: FloatArray
    shift: FloatArray
    rotation: FloatArray
    scale: FloatArray
    rest: FloatArray
    local: FloatArray
    weight: FloatArray
    scatter: float
    scaled: bool

    @property
    def least_holes(self) -> int:
        """How many holes a part must have for a seating."""
        return 3 if self.scaled else 2


@dataclass(frozen=True, slots=True)
class _Pattern:
    """Sums over holes as matrix products.

    ``moments`` (4,H): rows 1, x, y, x² + y². ``moves`` (2H,4): how far a unit of each motion moves the holes.
    """

    moments: FloatArray
    moves: FloatArray
    scaled: bool


def _pattern(x: FloatArray, y: FloatArray) -> _Pattern:
    one, none = np.ones(x.size), np.zeros(x.size)
    moments = np.stack([one, x, y, x**2 + y**2])
    moves = np.concatenate([np.stack([one, none, x, -y], axis=1), np.stack([none, one, y, x], axis=1)])
    return _Pattern(moments, moves, x.size >= 3)


def separate(
    nominal: FloatArray, off: FloatArray, *, neighbours: int = NEIGHBOURS, moved: Collection[int] | None = None
) -> Separation:
    """Return seating, scale and rest of parts from deviations ``off`` (P,H,2) of basic positions ``nominal`` (H,2).

    NaN stands for holes that weren't read. ``neighbours``: how many parts in a row share one local offset. ``moved``:
    holes whose bushings move (`moving`); the seating is that of the others, as long as a part has enough of them, and
    each of these has one offset for all parts. Where that isn't known yet, each may move.

    Raises:
        DataError: fewer than two holes, or all of them in one place.
    """
    holes = off.shape[1]
    if holes < 2 or not np.ptp(nominal, axis=0).any():
        raise DataError(f"a seating needs at least two holes apart from one another; found {holes}")
    centre = nominal.mean(axis=0)
    pattern = _pattern(*(nominal - centre).T)
    known = np.isfinite(off).all(axis=2).T
    known = known & (known.sum(axis=0) >= (3 if pattern.scaled else 2))
    d = np.ascontiguousarray(np.where(known[:, :, None], off.transpose(1, 0, 2), 0.0).transpose(2, 0, 1))
    there = known.astype(np.float64)
    if moved:
        still = there.copy()
        still[list(moved)] = 0.0
        there = np.where(still.sum(axis=0) >= (3 if pattern.scaled else 2), still, there)
    local = np.zeros_like(d)
    motion, weight = _seat(pattern, d, there, there, np.inf, huber=False, steps=1)
    sigma = _scatter(pattern, _left(pattern, d, motion), there)
    motion, weight = _seat(pattern, d, there, there, sigma, huber=True, steps=4)
    for step in range(PASSES):
        rest = _left(pattern, d, motion)
        sigma = _spread(pattern, rest - local, weight, there) if step else _scatter(pattern, rest - local, there)
        local = _local(pattern, rest, known, neighbours, sigma, moved)
        steps = 6 if step == PASSES - 1 else 2
        motion, weight = _seat(pattern, d - local, there, weight, sigma, huber=step == 0, steps=steps)
    rest = _left(pattern, d, motion)
    sigma = _spread(pattern, rest - local, weight, there)
    none = ~known.any(axis=0)
    cx, cy, grow, turn = (np.where(none, np.nan, m) for m in motion)
    shown = np.where(known, 1.0, np.nan)
    return Separation(
        centre, np.stack([cx, cy], axis=1), np.arctan2(turn, 1.0 + grow), np.hypot(1.0 + grow, turn) - 1.0,
        (rest * shown).transpose(2, 1, 0), local.transpose(2, 1, 0), weight.T.copy(), sigma, pattern.scaled,
    )  # fmt: skip


def _seat(
    pattern: _Pattern, d: FloatArray, there: FloatArray, weight: FloatArray, sigma: float, *, huber: bool, steps: int
) -> tuple[FloatArray, FloatArray]:
    """Return the motion (4,P) and the last weights (H,P) of deviations ``d`` (2,H,P), from weights to start with."""
    parts = d.shape[2]
    motion, out = np.empty((4, parts)), np.empty_like(there)
    for begin in range(0, parts, CHUNK):
        some = slice(begin, begin + CHUNK)
        piece, w = d[:, :, some], weight[:, some]
        for step in range(steps):
            found = _solve(pattern, piece, w)
            if step + 1 < steps or np.isfinite(sigma):
                w = _weights(_left(pattern, piece, found), sigma, huber) * there[:, some]
        motion[:, some], out[:, some] = _solve(pattern, piece, w), w
    return motion, out


def _weights(rest: FloatArray, sigma: float, huber: bool) -> FloatArray:
    square = rest[0] ** 2
    square += rest[1] ** 2
    square *= (1.0 / max(sigma, 0.1 * GRAIN)) ** 2  # readings that fit to the last digit have no scatter
    if huber:
        return HUBER / np.sqrt(np.maximum(square, HUBER**2))
    square *= -1.0 / TUKEY**2
    square += 1.0
    np.maximum(square, 0.0, out=square)
    square *= square
    square += 1e-9  # three holes of a bad part may all lie beyond the bend; they still seat it
    return square


def _solve(pattern: _Pattern, d: FloatArray, w: FloatArray) -> FloatArray:
    """Return weighted least-squares motions (4,P): shift x, y of the centre, growth, turn (real, imaginary a - 1)."""
    sums, sx, sy, sq = pattern.moments @ w
    dx, dxx, dxy = pattern.moments[:3] @ (w * d[0])
    dy, dyx, dyy = pattern.moments[:3] @ (w * d[1])
    with np.errstate(invalid="ignore", divide="ignore"):
        bx, by = sx / sums, sy / sums
        spread = sq - sums * (bx * bx + by * by)
        grow = (dxx + dyy - bx * dx - by * dy) / spread
        turn = (dyx - dxy - bx * dy + by * dx) / spread
        if not pattern.scaled:  # a rigid motion keeps |a| = 1
            angle = np.arctan2(turn, 1.0 + grow)
            grow, turn = np.cos(angle) - 1.0, np.sin(angle)
        cx = dx / sums - grow * bx + turn * by
        cy = dy / sums - turn * bx - grow * by
    out = np.stack([cx, cy, grow, turn])
    out[:, ~np.isfinite(out).all(axis=0)] = 0.0
    return out


def _left(pattern: _Pattern, d: FloatArray, motion: FloatArray) -> FloatArray:
    """Return what a motion (4,P) leaves of deviations (2,H,P)."""
    return np.asarray(d - (pattern.moves @ motion).reshape(d.shape))


def _scatter(pattern: _Pattern, rest: FloatArray, there: FloatArray) -> float:
    """Return the standard deviation of a coordinate from the median length, for 2N - 4 of 2N free coordinates."""
    step = max(1, there.shape[1] // SAMPLE)
    rest, there = rest[:, :, ::step], there[:, ::step]
    count = float(there.sum())
    parts = float((there.sum(axis=0) > 0).sum())
    free = count - (2.0 if pattern.scaled else 1.5) * parts
    if free <= 0.0:
        return 0.0
    length = np.hypot(rest[0], rest[1])[there > 0.0]
    return float(np.median(length)) / RAYLEIGH * float(np.sqrt(count / free))


def _spread(pattern: _Pattern, rest: FloatArray, weight: FloatArray, there: FloatArray) -> float:
    """Return the standard deviation of a coordinate: root mean square of each hole, the median of all holes.

    Holes that are off take no part; the median leaves out a worn bushing that scatters more than the others.
    """
    counted = there * (weight > 1e-3)
    count = counted.sum(axis=1)
    some = count > 0
    free = 1.0 - (4.0 if pattern.scaled else 3.0) * float((counted.sum(axis=0) > 0).sum()) / (
        2.0 * float(count.sum()) or 1.0
    )
    if not some.any() or free <= 0.0:
        return 0.0
    square = ((rest[0] ** 2 + rest[1] ** 2) * counted).sum(axis=1)[some] / (2.0 * count[some])
    return float(np.sqrt(np.median(square) / free))


def _local(pattern: _Pattern, rest: FloatArray, known: BoolArray, neighbours: int, sigma: float,
           moved: Collection[int] | None) -> FloatArray:  # fmt: skip
    """Return the bushings' offsets (2,H,P): medians of blocks of parts, a straight line from block to block.

    Offsets that together look like a seating can't be told from one: a robust motion is taken out of each block, so
    that the few bushings that are off carry it all and the many that aren't carry none.
    """
    parts = rest.shape[2]
    blocks = max(1, parts // neighbours)
    edges = np.linspace(0, parts, blocks + 1).astype(int)
    middles = _block_medians(rest, known, edges)
    if moved is not None and blocks > 1:
        still = [h for h in range(rest.shape[1]) if h not in moved]
        middles[:, still] = middle(middles[:, still], axis=2)[:, :, None]
    read = np.isfinite(middles[0]).astype(np.float64)
    there = read.copy()
    there[list(moved or ())] = 0.0
    middles = np.nan_to_num(middles)
    expected = 1.2533 * sigma / np.sqrt(max(1.0, parts / blocks))  # standard error of a median, sqrt(pi / 2)
    motion, weight = _seat(pattern, middles, there, there, expected, huber=True, steps=12)
    scale = max(expected, _scatter(pattern, _left(pattern, middles, motion), there))
    motion, _ = _seat(pattern, middles, there, weight, scale, huber=False, steps=8)
    middles = _left(pattern, middles, motion) * read
    at = 0.5 * (edges[1:] + edges[:-1] - 1)
    place = np.arange(parts)
    if blocks == 1:
        return np.repeat(middles, parts, axis=2)
    right = np.clip(np.searchsorted(at, place), 1, blocks - 1)
    share = np.clip((place - at[right - 1]) / (at[right] - at[right - 1]), 0.0, 1.0)
    return middles[:, :, right - 1] * (1.0 - share) + middles[:, :, right] * share


def _block_medians(rest: FloatArray, known: BoolArray, edges: FloatArray) -> FloatArray:
    """Return medians (2,H,B) of the parts between edges; NaN where a block has none. Blocks differ by one part."""
    width = int(np.diff(edges).max())
    index = edges[:-1, None] + np.arange(width)
    inside = index < edges[1:, None]
    index = np.minimum(index, rest.shape[2] - 1)
    there = known[:, index] & inside
    values = np.where(there, rest[:, :, index], np.inf)
    values.sort(axis=3)
    count = there.sum(axis=2)
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    pick = [
        np.take_along_axis(
            values, np.broadcast_to(np.minimum(k, width - 1)[None, :, :, None], (*values.shape[:3], 1)), axis=3
        )[..., 0]
        for k in (low, high)
    ]
    return np.where(count > 0, 0.5 * (np.where(count > 0, pick[0], 0.0) + np.where(count > 0, pick[1], 0.0)), np.nan)


# ------------------------------------------------------------------------------------------------- which bushings move


@dataclass(frozen=True, slots=True)
class Moving:
    """Which bushings move against the others: the set of holes that says it with fewest, and others as likely.

    ``sets``: the best first, then those of as many holes that explain the history nearly as well (odds below `ODDS`);
    ``odds``: how much better the first is than the next of as many holes; infinite where no bushing moves.
    """

    sets: tuple[tuple[int, ...], ...]
    odds: float

    @property
    def best(self) -> tuple[int, ...]:
        """The likeliest set."""
        return self.sets[0]


STILL = Moving(((),), np.inf)  #: no bushing moves
BLOCKS = 10  #: means of the history's stretches, by which a bushing that moves shows
ODDS = 20.0  #: how much better one explanation must be than another
CHANCE = 0.001  #: chance that any bushing is found to move where none does


def moving(nominal: FloatArray, off: FloatArray) -> Moving:
    """Return which bushings move against the others, from deviations ``off`` (P,H,2).

    A seating moves all holes as one pattern. The means of each stretch of parts are explained by a motion of the
    pattern, and a place of its own for each hole of a set; of all sets of up to `holes` / 2 - 1 holes the one wins
    whose squares left, plus a price a hole (chi square at `CHANCE`, shared among the holes), are least. So a bushing
    that wears is told from the seven that seem to move the other way because it drags the seating.
    """
    from scipy.special import chdtri

    parts, holes = off.shape[:2]
    blocks = min(BLOCKS, parts // 6)
    most = (holes - 2) // 2
    if blocks < 2 or most < 1:
        return STILL
    first = separate(nominal, off)
    rest = first.rest
    reach = 5.0 * max(first.scatter, GRAIN)
    edges = np.linspace(0, parts, blocks + 1).astype(int)
    level, error = np.full((blocks, holes, 2), np.nan), np.full((blocks, holes), np.nan)
    for b, (begin, end) in enumerate(pairwise(edges)):
        some = rest[begin:end]
        centre = middle(some)
        kept = np.where(np.abs(some - centre) < reach, some, np.nan)
        count = np.isfinite(kept).all(axis=2).sum(axis=0)
        level[b] = np.nansum(kept, axis=0) / np.maximum(np.isfinite(kept).sum(axis=0), 1)
        error[b] = np.where(count > 2, first.scatter / np.sqrt(np.maximum(count, 1)), np.nan)
    known = np.isfinite(error)
    usable = np.flatnonzero(known.mean(axis=0) >= 0.5)
    full = known[:, usable].all(axis=1)
    if full.sum() < 2 or usable.size < 4:
        return STILL
    level, error = level[full][:, usable], error[full][:, usable]
    level = level - (level / error[..., None] ** 2).sum(axis=0) / (1.0 / error**2).sum(axis=0)[:, None]
    spread = 1.4826 * middle(np.abs(rest - first.local), axis=(0, 2))[usable]
    loose = np.maximum(1.0, spread / np.median(spread) / 1.2)  # a loose bushing's mean is less sure
    squares = _Squares(nominal[usable], level, np.sqrt((error**2).mean(axis=1)), loose)
    price = float(chdtri(2 * (int(full.sum()) - 1), CHANCE / usable.size))
    ranked = []
    for many in range(0, min(most, usable.size - 3) + 1):
        ranked += [(squares.left(s) + many * price, s) for s in combinations(range(usable.size), many)]
    cost, best = min(ranked)
    rivals = sorted((c, s) for c, s in ranked if len(s) == len(best) and s != best)
    odds = float(np.exp(min((rivals[0][0] - cost) / 2.0, 700.0))) if rivals and best else np.inf
    near = [best, *(s for c, s in rivals if best and c - cost < 2.0 * np.log(ODDS))]
    return Moving(tuple(tuple(int(usable[h]) for h in s) for s in near[:6]), odds)


class _Squares:
    """Squares that are left of block means (B,H,2) by a motion of the pattern on the holes outside a set."""

    def __init__(self, nominal: FloatArray, level: FloatArray, error: FloatArray, loose: FloatArray) -> None:
        x, y = (nominal - nominal.mean(axis=0)).T
        self.moves = _pattern(x, y).moves / np.tile(loose, 2)[:, None]
        self.holes = x.size
        d = np.concatenate([level[..., 0], level[..., 1]], axis=1) / error[:, None] / np.tile(loose, 2)
        self.cross = d.T @ d

    def left(self, chosen: tuple[int, ...]) -> float:
        """Return the squares, in scatters."""
        keep = [h for h in range(self.holes) if h not in chosen]
        rows = np.array(keep + [h + self.holes for h in keep])
        q = np.linalg.qr(self.moves[rows])[0]
        cross = self.cross[np.ix_(rows, rows)]
        return float(np.trace(cross) - np.trace(q.T @ cross @ q))
