"""Changes that nobody logged: where a series jumps or bends, and how sure that is.

At every place of a series the gain of a jump and a bend together over one steady trend is an F (2 degrees of freedom);
the largest of them is compared with the largest of series whose residuals have been dealt out anew (999 times), for all
series of a run at once: the chance given is that of a gain so large anywhere in any of them (sup-F: Andrews,
Econometrica 61, 1993; largest statistic over many tests by permutation: Westfall and Young, Resampling-Based Multiple
Testing, 1993). Series are whitened first by their own wander (`holeqc.wear.paths`), so that neighbours that resemble
each other don't pass for a change.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeqc.quantities import FloatArray
from holeqc.statistics.basics import IntArray
from holeqc.wear.paths import Basis, Binned, basis_for, binned

LEVEL = 0.01  #: chance of one false change in all series of a run together
DEALS = 999
LEAST = 12  #: values a series must have before a change is looked for
EDGE = 0.08  #: share at each end where no change is looked for: too little lies beyond it
STRONG = 10.0  #: difference of BIC that counts as very strong (Kass and Raftery, J. Am. Stat. Assoc. 90, 1995, 3.2)
CLEAR = 6.0  #: difference of BIC by which jump and bend together must beat a bend alone (strong, same source)
JUMP, BEND, CURVE = "jump", "bend", "curve"


@dataclass(frozen=True, slots=True)
class Change:
    """A change in a series.

    ``kind``: ``jump`` (the level is another), ``bend`` (from here on it wears otherwise), ``curve`` (no one place: the
    wear itself speeds up or slows down). ``index`` is the first value after it, ``first`` and ``last`` bound it (95 %
    by likelihood). ``step`` is the jump in the series' unit, ``slope_before`` and ``slope_after`` per cycle.
    ``chance`` is that of so large a gain by chance in any series of the run.
    """

    kind: str
    index: int
    cycle: float
    first: float
    last: float
    step: float
    slope_before: float
    slope_after: float
    chance: float


@dataclass(frozen=True, slots=True)
class _Search:
    """One series whitened: directions of jumps and bends (n,K) clear of trend and each other, residual (n,)."""

    basis: Basis
    places: IntArray
    jump: FloatArray
    bend: FloatArray
    trend: FloatArray
    rest: FloatArray


def find_changes(
    cycle: FloatArray, values: FloatArray, *, seed: int = 1, level: float = LEVEL, deals: int = DEALS
) -> list[Change | None]:
    """Return the most telling change of each of R series ``values`` (N,R) at ``cycle`` (N,), None where there is none.

    All series share their cycles and no value is NaN.
    """
    number, count = values.shape
    if number < LEAST:
        return [None] * count
    series = binned(cycle, values, draw_in=True)
    base = _search_parts(series.cycle, series.count, 0)
    found = [_prepare(series, r, base) for r in range(count)]
    best = np.array([_gain(s, s.rest[:, None]).max(axis=0)[0] for s in found])
    rng = np.random.default_rng(seed)
    order = rng.permuted(np.tile(np.arange(series.cycle.size), (deals, 1)), axis=1).T
    most = np.zeros(deals)
    for s in found:
        most = np.maximum(most, _gain(s, _clear(s.trend, s.rest[order])).max(axis=0))
    chance = (1 + (most[None, :] >= best[:, None] * (1 - 1e-12)).sum(axis=1)) / (deals + 1)
    return [
        _describe(series, r, s, float(p)) if p <= level else None
        for r, (s, p) in enumerate(zip(found, chance, strict=True))
    ]


def _search_parts(
    cycle: FloatArray, count: FloatArray, walk: int
) -> tuple[Basis, IntArray, FloatArray, FloatArray, FloatArray]:
    """Return (basis, places, trend, jumps, bends) whitened by one walk strength, orthonormal as `_Search` says."""
    basis = basis_for(cycle, count, 1)
    n = cycle.size
    margin = max(3, int(np.ceil(EDGE * n)))
    places = np.arange(margin, n - margin + 1, dtype=np.int64)
    after = np.arange(n)[:, None] >= places
    white = basis.white[walk]
    trend = np.linalg.qr(basis.wx[walk])[0]
    jump = _clear(trend, white @ after.astype(np.float64))
    jump /= np.linalg.norm(jump, axis=0)
    bend = _clear(trend, white @ np.where(after, cycle[:, None] - cycle[places] + 0.5, 0.0))
    bend -= jump * (jump * bend).sum(axis=0)
    bend /= np.linalg.norm(bend, axis=0)
    return basis, places, trend, jump, bend


def _clear(trend: FloatArray, columns: FloatArray) -> FloatArray:
    return np.asarray(columns - trend @ (trend.T @ columns))


def _prepare(series: Binned, r: int, base: tuple[Basis, IntArray, FloatArray, FloatArray, FloatArray]) -> _Search:
    """Return a series whitened by its wander, unless one change explains it very much better than wander does.

    Both are judged by BIC: a change takes three numbers (its place, a jump, a bend), a walk one.
    """
    basis, places, trend, jump, bend = base
    y, within, n = series.mean[:, r], float(series.within[r]), series.total
    rest = _clear(trend, (basis.white[0] @ y)[:, None])[:, 0]
    steady = _Search(basis, places, jump, bend, trend, rest)
    square = float(rest @ rest)
    changed = square / (1.0 + float(_gain(steady, rest[:, None]).max())) + within
    white = basis.white @ y
    of_trend = basis.wx.transpose(0, 2, 1) @ white[:, :, None]
    left = (white**2).sum(axis=1) - (of_trend * (basis.inverse @ of_trend)).sum(axis=(1, 2)) + within
    walking = n * np.log(np.maximum(left, 1e-300)) + basis.log_cover
    walk = int(np.argmin(walking))
    one_change = n * np.log(max(changed, 1e-300)) + basis.log_cover[0] + 2.0 * np.log(n)
    if walk == 0 or one_change + STRONG <= walking[walk]:
        return steady
    basis, places, trend, jump, bend = _search_parts(series.cycle, series.count, walk)
    rest = _clear(trend, (basis.white[walk] @ y)[:, None])[:, 0]
    return _Search(basis, places, jump, bend, trend, rest)


def _gain(s: _Search, rest: FloatArray) -> FloatArray:
    """Return the F (K,B) of jump and bend together at every place for residuals (n,B)."""
    explained = (s.jump.T @ rest) ** 2 + (s.bend.T @ rest) ** 2
    left = np.maximum((rest**2).sum(axis=0) - explained, 1e-300)
    return np.asarray(explained / left)


def _describe(series: Binned, r: int, s: _Search, chance: float) -> Change:
    """Return the change at the place of the largest gain, of the kind that explains the series with least ado."""
    gain = _gain(s, s.rest[:, None])[:, 0]
    cycle, n = series.cycle, series.cycle.size
    kind, k = _kind(series, r, s.places, int(s.places[np.argmax(gain)]))
    likely = s.places[n * (np.log1p(gain.max()) - np.log1p(gain)) <= 3.84]
    first, last = min(int(likely[0]), k), max(int(likely[-1]), k)
    x = _columns(cycle, k)[:, [0, 1, 3] if kind == BEND else [0, 1, 2, 3]]
    weight = np.sqrt(series.count)
    beta = np.linalg.lstsq(x * weight[:, None], series.mean[:, r] * weight, rcond=None)[0]
    begin = int(series.count[:k].sum())
    return Change(
        kind, begin, float(cycle[k]), float(cycle[first]), float(cycle[last]), 0.0 if kind == BEND else float(beta[2]),
        float(beta[1]), float(beta[1] + beta[-1]), chance,
    )  # fmt: skip


def _columns(cycle: FloatArray, k: int) -> FloatArray:
    """Return columns 1, cycle, jump and bend at run ``k``."""
    after = np.arange(cycle.size) >= k
    away = cycle - cycle[k]
    return np.stack([np.ones(cycle.size), away, after, np.where(after, away + 0.5, 0.0)], axis=1)


def _kind(series: Binned, r: int, places: IntArray, k: int) -> tuple[str, int]:
    """Return which of jump, bend and curve has the smallest BIC (Schwarz, Annals of Statistics 6, 1978), and its place.

    A bend alone is looked for at every place, since its best place is not that of jump and bend together.
    """
    cycle, weight = series.cycle, np.sqrt(series.count)
    y = series.mean[:, r] * weight

    def score(columns: FloatArray, placed: bool) -> float:
        x = columns * weight[:, None]
        left = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
        own = columns.shape[1] + int(placed)  # the place itself is found, too
        return float(y.size * np.log(max(float(left @ left), 1e-300)) + own * np.log(y.size))

    bends = np.array([score(_columns(cycle, int(p))[:, [0, 1, 3]], True) for p in places])
    away = (cycle - cycle.mean()) / np.ptp(cycle)
    both = _columns(cycle, k)
    tried = [
        (score(both[:, :3], True), JUMP, k), (score(both, True) + CLEAR, JUMP, k),
        (float(bends.min()), BEND, int(places[np.argmin(bends)])),
        (score(np.stack([np.ones(y.size), away, away**2], axis=1), False), CURVE, k),
    ]  # fmt: skip
    _, kind, place = min(tried)
    return kind, place
