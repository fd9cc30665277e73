"""Where a level that wears is, where it goes, and how sure that is: straight or curved wear that may also wander.

A series y (one value a part) is level + scatter; the level moves by a polynomial of the cycle and a random walk, which
stands for wear that comes in steps. Generalised least squares for each of a row of walk strengths; the strengths are
averaged by their marginal likelihood (restricted likelihood: Patterson and Thompson, Biometrika 58, 1971; averaging
over a parameter instead of fixing it: Box and Tiao, Bayesian Inference in Statistical Analysis, 1973, ch. 2), so that
a series too short to show its wander is not taken to have none. Long series are worked as means of neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from holeqc.quantities import FloatArray

BINS = 100  #: a longer series is worked as means of so many runs of neighbours
CLIP = 3.5  #: values further off their neighbours, in robust standard deviations, are drawn in to there
WALKS = np.concatenate([[0.0], np.geomspace(20.0, 2e4, 16)])
"""Walk strengths: variance of the walk over the whole span, in units of the variance of the series' mean. Weaker walks
than 20 hardly widen an interval and can't be told from none."""
STEADY = 0.9  #: weight given beforehand to a level that doesn't wander


@dataclass(frozen=True, slots=True)
class Binned:
    """A series (R of them at once) as means of runs of neighbours.

    ``cycle`` (n,) mean cycle of each run, ``count`` (n,) values in it, ``mean`` (n,R), ``within`` (R,) sum of squares
    inside the runs, ``total`` values in all. ``kept`` (R,): share of values that weren't drawn in.
    """

    cycle: FloatArray
    count: FloatArray
    mean: FloatArray
    within: FloatArray
    total: int
    kept: FloatArray


def drawn_in(values: FloatArray, reach: int = 4) -> FloatArray:
    """Return series ``values`` (N,) or (N,R) with values that lie far off their neighbours drawn in to `CLIP` sd.

    The neighbours' level is the median of ``2 reach + 1`` values; its own scatter is 1.4826 times the median distance
    from it, with the factor for a median of so many normal values. No value may be NaN.
    """
    x = values[:, None] if values.ndim == 1 else values
    if x.shape[0] < 2 * reach + 1:
        return values
    around = np.concatenate([x[reach:0:-1], x, x[-2 : -reach - 2 : -1]])
    windows = np.lib.stride_tricks.sliding_window_view(around, 2 * reach + 1, axis=0)
    level = np.median(windows, axis=-1)
    apart = x - level
    sd = 1.4826 * np.median(np.abs(apart), axis=0) / np.sqrt(1.0 - 0.6 / (2 * reach + 1) * 1.5)
    out = np.where(sd > 0.0, level + np.clip(apart, -CLIP * sd, CLIP * sd), x)
    return out[:, 0] if values.ndim == 1 else out


def middle(values: FloatArray, axis: int | tuple[int, ...] = 0) -> FloatArray:
    """Return the median of what is known along an axis, NaN where nothing is."""
    known = np.isfinite(values)
    none = ~known.any(axis=axis, keepdims=True)
    found = np.nanmedian(np.where(none, 0.0, values), axis=axis, keepdims=True)
    return np.asarray(np.where(none, np.nan, found).squeeze(axis))


def clipped(values: FloatArray) -> FloatArray:
    """Return series (N,K) with values that lie far off their neighbours drawn in; NaN stays."""
    out = values.copy()
    for k in range(values.shape[1]):
        known = np.isfinite(values[:, k])
        out[known, k] = drawn_in(values[known, k])
    return out


def binned(cycle: FloatArray, values: FloatArray, bins: int = BINS, *, draw_in: bool = False) -> Binned:
    """Return series ``values`` (N,) or (N,R) at ``cycle`` (N,) as means of at most ``bins`` runs of neighbours.

    ``draw_in``: values far off their neighbours are drawn in first, see `drawn_in`.
    """
    raw = values[:, None] if values.ndim == 1 else values
    y = drawn_in(raw) if draw_in else raw
    number = y.shape[0]
    runs = min(bins, number)
    edges = np.linspace(0, number, runs + 1).astype(int)
    count = np.diff(edges).astype(np.float64)
    mean = np.add.reduceat(y, edges[:-1], axis=0) / count[:, None]
    at = np.add.reduceat(cycle, edges[:-1]) / count
    gone = y - np.repeat(mean, np.diff(edges), axis=0)
    return Binned(at, count, mean, (gone**2).sum(axis=0), number, (y == raw).mean(axis=0))


class Basis:
    """What depends on the cycles only: whitening, and how values become levels, for each walk strength."""

    def __init__(self, cycle: FloatArray, count: FloatArray, degree: int, walks: FloatArray = WALKS) -> None:
        self.cycle, self.count, self.degree = cycle, count, degree
        self.total = float(count.sum())
        self.last = float(cycle[-1])
        self.span = max(float(cycle[-1] - cycle[0]), 1e-9)
        self.walks = walks
        self.x = self.powers(cycle)
        away = cycle - cycle[0]
        shape = np.minimum(away[:, None], away[None, :])
        per = 1.0 / (self.span * self.total)
        cover = np.diag(1.0 / count) + walks[:, None, None] * per * shape
        self.per_cycle = walks * per
        lower = np.linalg.cholesky(cover)
        self.white = np.linalg.inv(lower)
        wx = self.white @ self.x
        normal = wx.transpose(0, 2, 1) @ wx
        self.inverse = np.linalg.inv(normal)
        self.wx = wx
        self.log_cover = 2.0 * np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
        self.log_det = self.log_cover + np.linalg.slogdet(normal)[1]
        wk = self.white @ (self.per_cycle[:, None] * away)[:, :, None]
        self.wk = wk[..., 0]
        self.gain = (wx.transpose(0, 2, 1) @ wk)[..., 0]
        self.kept = (self.wk**2).sum(axis=1)
        self._inside: dict[bytes, tuple[FloatArray, FloatArray]] = {}

    def inside(self, cycle: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how the walk at cycles (T,) among the values hangs on them (W,n,T), and the level's unit sd (W,T)."""
        key = cycle.tobytes()
        if key not in self._inside:
            away = np.maximum(cycle - self.cycle[0], 0.0)
            shape = np.minimum((self.cycle - self.cycle[0])[:, None], away)
            wk = self.per_cycle[:, None, None] * (self.white.reshape(-1, self.cycle.size) @ shape).reshape(
                self.walks.size, self.cycle.size, -1
            )
            lean = self.powers(cycle) - (wk.transpose(0, 2, 1) @ self.wx)
            spread = ((lean @ self.inverse) * lean).sum(axis=2)
            own = self.per_cycle[:, None] * away - (wk**2).sum(axis=1)
            if len(self._inside) > 7:
                self._inside.clear()
            self._inside[key] = wk, np.sqrt(np.maximum(spread + own, 0.0))
        return self._inside[key]

    def powers(self, cycle: FloatArray) -> FloatArray:
        """Return 1, u, u² ... of cycles, with u in spans from the last cycle."""
        u = (np.asarray(cycle, dtype=np.float64) - self.last) / self.span
        return np.asarray(u[..., None] ** np.arange(self.degree + 1))

    @property
    def dof(self) -> float:
        """Degrees of freedom of the scatter."""
        return self.total - self.degree - 1


@lru_cache(maxsize=64)
def _basis(cycle: bytes, count: bytes, degree: int) -> Basis:
    return Basis(np.frombuffer(cycle), np.frombuffer(count), degree)


def basis_for(cycle: FloatArray, count: FloatArray, degree: int) -> Basis:
    """Return the basis of some cycles; the same cycles share one."""
    return _basis(cycle.tobytes(), count.tobytes(), degree)


@dataclass(frozen=True, slots=True)
class Path:
    """A fitted level: coefficients (W,p) and scatter (W,) for each walk strength, and the strengths' weights (W,).

    ``rest`` (W,n): whitened values minus the whitened polynomial.
    """

    basis: Basis
    weight: FloatArray
    beta: FloatArray
    innovation: FloatArray
    sd: FloatArray
    rest: FloatArray

    def level(self, cycle: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the expected level and its standard deviation (W,T) at cycles (T,) at or after the last."""
        b = self.basis
        x = b.powers(cycle)
        mean = self.beta @ x.T + (self.innovation)[:, None]
        lean = x[None, :, :] - b.gain[:, None, :]
        spread = np.einsum("wti,wij,wtj->wt", lean, b.inverse, lean)
        ahead = b.per_cycle[:, None] * (np.asarray(cycle) - b.cycle[0])[None, :] - b.kept[:, None]
        return mean, self.sd[:, None] * np.sqrt(np.maximum(spread + ahead, 0.0))

    def anywhere(self, cycle: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the expected level and its standard deviation (W,T) at any cycles (T,) from the first on.

        The walk between two cycles is seen from both sides, as far as the values tell it.
        """
        b = self.basis
        at = np.asarray(cycle, dtype=np.float64)
        early = at < b.last
        mean, spread = self.level(at)
        if early.any():
            wk, unit = b.inside(at[early])
            mean[:, early] = self.beta @ b.powers(at[early]).T + np.einsum("wnt,wn->wt", wk, self.rest)
            spread[:, early] = self.sd[:, None] * unit
        return mean, spread

    def slope(self) -> tuple[float, float]:
        """Return the mean slope per cycle at the last cycle, and its standard deviation over all walk strengths."""
        b = self.basis
        each = self.beta[:, 1] / b.span
        mean = float(self.weight @ each)
        inner = (self.sd / b.span) ** 2 * b.inverse[:, 1, 1]
        return mean, float(np.sqrt(self.weight @ (inner + (each - mean) ** 2)))


def fit_paths(series: Binned, degree: int = 1) -> list[Path]:
    """Return the level of each of R series. Needs more values than ``degree`` + 2.

    Where values were drawn in, the scatter is divided by the share that wasn't: the error of an estimate with bounded
    influence (Huber, Robust Statistics, 1981, 7.6), since values that are drawn in no longer pull with their full
    weight.
    """
    b = basis_for(series.cycle, series.count, degree)
    number = series.mean.shape[1]
    wy = b.white @ series.mean
    beta = b.inverse @ (b.wx.transpose(0, 2, 1) @ wy)
    rest = wy - b.wx @ beta
    square = (rest**2).sum(axis=1) + series.within
    floor = 1e-24 + 1e-18 * (series.mean**2).sum(axis=0)
    square = np.maximum(square, floor)
    prior = np.log(_prior(b.walks))
    log_weight = -0.5 * b.log_det[:, None] - 0.5 * b.dof * np.log(square) + prior[:, None]
    weight = np.exp(log_weight - log_weight.max(axis=0))
    weight /= weight.sum(axis=0)
    sd = np.sqrt(square / b.dof) / np.maximum(series.kept, 0.5)
    ahead = np.einsum("wn,wnr->wr", b.wk, rest)
    return [Path(b, weight[:, r], beta[:, :, r], ahead[:, r], sd[:, r], rest[:, :, r]) for r in range(number)]


def _prior(walks: FloatArray) -> FloatArray:
    """Return prior weights of walk strengths: `STEADY` for none, the rest rise as their sd.

    The marginal likelihood of a short series favours walks that are too weak; the rising weight makes up for it. Both
    were chosen by simulated coverage (tests/benchmarks/simulate_shop.py).
    """
    weight = np.sqrt(walks)
    weight *= (1.0 - STEADY) / (weight.sum() or 1.0)
    weight[walks == 0.0] = STEADY
    return weight / weight.sum()
