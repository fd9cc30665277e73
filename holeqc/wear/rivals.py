"""Explanations side by side: what fits the history best, by how much, and which single reading would decide.

Each explanation is a shape (steady, drift, step, sawtooth, speeding up) that some things can make and others can't: a
drill starts anew at a regrind, a gauge doesn't; a gauge or a reader moves all holes alike, a bushing its own alone.
Shapes are fitted by least squares and compared by squares of the scatter plus log n for each number (Schwarz, Annals of
Statistics 6, 1978): half the difference is the logarithm of the odds. Below `ODDS` an explanation remains.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from holeqc.quantities import FloatArray
from holeqc.wear import history as hi
from holeqc.wear.changes import CURVE, JUMP, Change, Noise, find_changes, noise_of
from holeqc.wear.levels import Level, Reground, Steady, level_of
from holeqc.wear.paths import drawn_in
from holeqc.wear.separate import ODDS

SIGNIFICANT = 0.01  #: chance of one false finding in a run
STEADY, DRIFT, STEP, PIECES, SPEEDS = "steady", "drift", "step", "sawtooth", "speeding up"
TEETH, RESET = "drift that starts anew at each regrind", "drift and another size at each regrind"
WORDS = {
    STEADY: "no change", DRIFT: "one steady drift", STEP: "steps", PIECES: "pieces of drift (a sawtooth)",
    SPEEDS: "a drift that speeds up", TEETH: TEETH, RESET: RESET,
}  # fmt: skip
_MORE = {
    STEADY: (DRIFT, SPEEDS, TEETH, RESET, STEP, PIECES), DRIFT: (SPEEDS, PIECES), TEETH: (RESET,), STEP: (PIECES,),
}  # fmt: skip
RING = "a master ring read with the bore gauge: if it reads its size, it isn't the gauge"


@dataclass(frozen=True, slots=True)
class Account:
    """What explains one thing best. ``of`` what is explained, ``hole`` of which bushing (None: of all).

    ``best`` in words and by how much it is better than the next (``odds``); ``rest``: shapes that remain beside it;
    ``causes`` that make such a shape and can't be told apart by these readings; ``decide``: the reading that would.
    """

    of: str
    hole: int | None
    shape: str
    best: str
    odds: float
    rest: tuple[str, ...]
    causes: tuple[str, ...]
    decide: str


@dataclass(frozen=True, slots=True)
class Sizes:
    """What all sizes do together: account, levels if nobody maintains and if it is done as usual, and the drift.

    ``told``: anything but steady; ``slope`` per cycle now, NaN where none; ``chance`` of that by accident;
    ``changes`` that nobody logged.
    """

    account: Account | None
    level: Level
    usual: Reground | None
    drifts: bool
    slope: float
    chance: float
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True)
class _Fit:
    shape: str
    label: str  #: one of `history.MARKS`, '' where nobody and no gauge is looked at
    score: float
    gain: float
    extra: int


def explain_sizes(
    cycle: FloatArray, sizes: FloatArray, regrinds: Sequence[float], marks: Mapping[str, tuple[str, ...]], looks: int
) -> Sizes:
    """Return what the common size (P,) of all holes does, NaN where not known; ``regrinds``: cycles that were logged.

    ``looks``: how many series of the run are looked at.
    """
    from scipy.special import chdtrc

    known = np.isfinite(sizes)
    t, y = cycle[known], sizes[known]
    if t.size < 6:
        mean = float(y.mean()) if y.size else float("nan")
        return Sizes(None, Steady(float(cycle[0]), mean, float("nan"), 1.0), None, False, float("nan"), 1.0)
    y = drawn_in(y)
    noise = noise_of(y[:, None])
    sd = float(noise.sd[0] * noise.stretch[0])
    labels = {m: np.array(marks[m], dtype=object)[known] for m in (hi.SIZE_BY, hi.SIZE_GAUGE) if m in marks}
    labels = {m: v for m, v in labels.items() if np.unique(v).size > 1}
    cuts = tuple(c for c in find_changes(t, y[:, None], groups=looks, noise=noise) if c.kind != CURVE)
    fits = _size_fits(t, y, sd, [float(r) for r in regrinds if t[0] < r <= t[-1]], labels, cuts)
    steady = next(f for f in fits if f.shape == STEADY and not f.label)
    best = fits[0]
    chance = 1.0 if best is steady else min(1.0, float(chdtrc(best.extra, best.gain)) * looks)
    if best is steady or chance > SIGNIFICANT or sd <= 0.0:
        return Sizes(None, level_of(cycle, sizes, float(cycle[0]), drifts=False), None, False, float("nan"), 1.0)
    account = _size_account(best, fits, bool(regrinds), marks)
    return _size_levels(cycle, sizes, best, account, regrinds, labels, known, chance, cuts, noise)


def _size_fits(
    t: FloatArray, y: FloatArray, sd: float, regrinds: Sequence[float], labels: Mapping[str, FloatArray],
    cuts: Sequence[Change],
) -> list[_Fit]:  # fmt: skip
    """Return every explanation, best first."""
    one = np.ones((t.size, 1))
    u = ((t - t.mean()) / max(float(np.ptp(t)), 1e-9))[:, None]
    shapes: dict[str, tuple[FloatArray, int]] = {STEADY: (one, 0), DRIFT: (np.hstack([one, u]), 0)}
    if t.size >= 20:
        shapes[SPEEDS] = np.hstack([one, u, u * u]), 0
    if regrinds:
        starts = np.array([t[0], *regrinds])
        which = np.searchsorted(starts, t, side="right") - 1
        phase = (t - starts[which])[:, None] / max(float(np.ptp(t)), 1e-9)
        each = (which[:, None] == np.unique(which)).astype(np.float64)
        shapes[TEETH] = np.hstack([one, phase]), 0
        shapes[RESET] = np.hstack([each, phase]), 0
    if cuts:
        which = np.searchsorted(np.array([c.cycle for c in cuts]), t, side="right")
        each = (which[:, None] == np.arange(len(cuts) + 1)).astype(np.float64)
        shapes[STEP] = each, len(cuts)
        shapes[PIECES] = np.hstack([each, each * u]), len(cuts)
    out = []
    base = _left(one, y, sd)
    for shape, (x, places) in shapes.items():
        for label in ("", *labels):
            if label and shape in (STEP, PIECES):
                continue
            names = np.unique(labels[label])[1:] if label else ()
            design = np.hstack([x, *((labels[label] == n).astype(np.float64)[:, None] for n in names)])
            left = _left(design, y, sd)
            number = int(np.linalg.matrix_rank(design)) + places
            out.append(_Fit(shape, label, left + number * np.log(t.size), base - left, number - 1))
    return sorted(out, key=lambda f: f.score)


def _left(x: FloatArray, y: FloatArray, sd: float) -> float:
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return float(rest @ rest) / max(sd, 1e-12) ** 2


def _named(f: _Fit, marks: Mapping[str, tuple[str, ...]]) -> str:
    if not f.label:
        return WORDS[f.shape]
    names = list(dict.fromkeys(n for n in marks[f.label] if n))[:3]
    who = f"another {'reader' if f.label == hi.SIZE_BY else 'gauge'} ({', then '.join(names)})"
    return who if f.shape == STEADY else f"{who} and {WORDS[f.shape]}"


def _size_account(best: _Fit, fits: Sequence[_Fit], logged: bool, marks: Mapping[str, tuple[str, ...]]) -> Account:
    close = [f for f in fits[1:] if f.score - best.score < 2.0 * np.log(ODDS) and (f.label or f.shape != STEADY)]
    # a shape that only adds to the best one, and isn't better for it, is no rival
    near = [f for f in close if not (f.label == best.label and f.shape in _MORE.get(best.shape, ()))]
    others = [f for f in fits[1:] if not (f.label == best.label and f.shape in _MORE.get(best.shape, ()))]
    odds = float(np.exp(min(0.5 * (others[0].score - best.score), 700.0)))
    causes: list[str] = []
    for f in (best, *near):
        causes += _size_causes(f, logged)
    causes = list(dict.fromkeys(causes))
    decide = {
        "the drill": "a fresh drill: if the next sizes stay where they are, it isn't the drill",
        "the bore gauge": RING,
        "the reader": "one hole read by both readers with one gauge",
        "all bushings worn alike": "a plug tried in the bushings",
    }
    # a ring tells the gauge from all others; without the gauge, what is left is told by the next on the list
    order = ["the bore gauge", "the reader", "the drill", "all bushings worn alike"]
    first = next((c for c in order if c in causes), order[0])
    rest = tuple(_named(f, marks) for f in near)
    return Account("all sizes", None, best.shape, _named(best, marks), odds, rest, tuple(causes),
                   decide[first] if len(causes) > 1 else "")  # fmt: skip


def _size_causes(f: _Fit, logged: bool) -> tuple[str, ...]:
    """Return what can make such a shape of all sizes."""
    if f.label == hi.SIZE_BY:
        who: tuple[str, ...] = ("the reader",)
    elif f.label == hi.SIZE_GAUGE:
        who = ("the bore gauge",)
    else:
        who = ()
    if f.shape == STEADY:
        return who
    if f.shape in (TEETH, RESET):
        return ("the drill", *who)
    if f.shape in (DRIFT, SPEEDS):
        return ("the bore gauge", "all bushings worn alike", *who) if logged else (
            "the drill", "the bore gauge", "all bushings worn alike", *who)  # fmt: skip
    return ("the drill", "the bore gauge", "the reader", *who)


def _size_levels(
    cycle: FloatArray, sizes: FloatArray, best: _Fit, account: Account, regrinds: Sequence[float],
    labels: Mapping[str, FloatArray], known: FloatArray, chance: float, cuts: tuple[Change, ...], noise: Noise,
) -> Sizes:  # fmt: skip
    t, y = cycle[known], drawn_in(sizes[known])
    start = float(cycle[0])
    if best.label:
        mine = labels[best.label]
        changed = np.flatnonzero(mine[1:] != mine[:-1])
        start = float(t[changed[-1] + 1]) if changed.size else start
    if best.shape in (STEP, PIECES):
        start = cuts[-1].last
        if best.shape == STEP:
            bounds = [-np.inf, *(c.cycle for c in cuts), np.inf]
            means = [float(y[(t >= a) & (t < b)].mean()) for a, b in pairwise(bounds)]
            cuts = tuple(replace(c, kind=JUMP, step=np.array([b - a]))
                         for c, (a, b) in zip(cuts, pairwise(means), strict=True))  # fmt: skip
    else:
        cuts = ()
    if best.shape in (TEETH, RESET):
        level, usual = _reground(t, y, regrinds, noise, best.shape == RESET)
        slope_chance = chance
        return Sizes(account, level, usual, True, level.slope, slope_chance)
    drifts = best.shape in (DRIFT, SPEEDS)
    if best.shape == PIECES:
        used = t >= start
        fit = np.polyfit(t[used], y[used], 1, cov="unscaled") if used.sum() >= 6 else None
        if fit is not None:
            error = float(np.sqrt(fit[1][0, 0])) * float(noise.sd[0] * noise.stretch[0])
            drifts = abs(float(fit[0][0])) > 3.7 * error
    level2 = level_of(cycle, sizes, start, drifts=drifts)
    ends = np.array([float(cycle[-1]), float(cycle[-1]) + 1.0])
    slope = float(np.diff(level2.middle(ends))[0]) if drifts else float("nan")
    return Sizes(account, level2, None, drifts, slope, chance, cuts)


def _reground(
    t: FloatArray, y: FloatArray, regrinds: Sequence[float], noise: Noise, differs: bool
) -> tuple[Reground, Reground | None]:
    """Return the level since the last regrind if nobody regrinds, and with regrinds as usual where they are regular."""
    inside = sorted(float(r) for r in regrinds if t[0] < r <= t[-1] + 1.0)
    starts = np.array([t[0], *inside])
    which = np.searchsorted(starts, t, side="right") - 1
    phase = t - starts[which]
    here = np.unique(which)
    columns = (which[:, None] == here).astype(np.float64) if differs else np.ones((t.size, 1))
    x = np.hstack([columns, phase[:, None]])
    inverse = np.linalg.pinv(x.T @ x) * float(noise.sd[0] * noise.stretch[0]) ** 2
    beta = inverse @ x.T @ y / float(noise.sd[0] * noise.stretch[0]) ** 2
    pick = [x.shape[1] - 2, x.shape[1] - 1]
    between = 0.0
    if differs:
        errors = np.diag(inverse)[:-1].mean()
        between = float(np.sqrt(max(float(np.var(beta[:-1], ddof=1)) - errors, 0.0)))
    freedom = float(t.size - x.shape[1])
    first = float(starts[-1] if differs else starts[0])
    nobody = Reground(first, starts, float(beta[-2]), float(beta[-1]), inverse[np.ix_(pick, pick)], 0.0,
                      freedom)  # fmt: skip
    gaps = np.diff(starts)
    every = regular(gaps)
    if every is None:
        return nobody, None
    base = float(beta[:-1].mean()) if differs else float(beta[0])
    usual = Reground(first, starts, base, float(beta[-1]), inverse[np.ix_(pick, pick)], between, freedom,
                     every)  # fmt: skip
    return nobody, usual


def regular(gaps: FloatArray) -> float | None:
    """Return the usual gap between events, None for fewer than two or such as differ by more than half."""
    if gaps.size < 2:
        return None
    usual = float(np.median(gaps))
    return usual if np.abs(gaps - usual).max() <= 0.5 * usual else None


def explain_series(
    of: str, hole: int | None, cycle: FloatArray, values: FloatArray, cuts: Sequence[Change], causes: tuple[str, ...],
    decide: str,
) -> Account | None:  # fmt: skip
    """Return which shape explains series ``values`` (N,K) best, None where that is no change."""
    noise = noise_of(values)
    scale = noise.sd * noise.stretch
    looked = scale > 0
    some = np.isfinite(values[:, looked]).all(axis=1) if looked.any() else np.zeros(cycle.size, dtype=np.bool_)
    t, y = cycle[some], values[np.ix_(some, looked)] / scale[looked]
    if t.size < 12:
        return None
    y = drawn_in(y)
    u = ((t - t.mean()) / max(float(np.ptp(t)), 1e-9))[:, None]
    one = np.ones((t.size, 1))
    shapes: dict[str, tuple[FloatArray, int]] = {
        STEADY: (one, 0), DRIFT: (np.hstack([one, u]), 0), SPEEDS: (np.hstack([one, u, u * u]), 0),
    }  # fmt: skip
    if cuts:
        which = np.searchsorted(np.array([c.cycle for c in cuts]), t, side="right")
        each = (which[:, None] == np.arange(len(cuts) + 1)).astype(np.float64)
        shapes[STEP] = each, len(cuts)
        shapes[PIECES] = np.hstack([each, each * u]), len(cuts)
    else:
        tried = np.unique(np.linspace(0, t.size, 62).astype(int)[3:-3])
        steps = [np.stack([np.arange(t.size) < k, np.arange(t.size) >= k], axis=1) * 1.0 for k in tried]
        shapes[STEP] = min(steps, key=lambda x: sum(_left(x, y[:, k], 1.0) for k in range(y.shape[1]))), 1
    scores = []
    for shape, (x, places) in shapes.items():
        left = sum(_left(x, y[:, k], 1.0) for k in range(y.shape[1]))
        scores.append((left + (x.shape[1] * y.shape[1] + places) * np.log(t.size), shape))
    scores.sort()
    best = scores[0][1]
    if best == STEADY:
        return None
    others = [(v, s) for v, s in scores[1:] if s not in _MORE.get(best, ())]
    near = tuple(WORDS[s] for v, s in others if v - scores[0][0] < 2.0 * np.log(ODDS))
    odds = float(np.exp(min(0.5 * (others[0][0] - scores[0][0]), 700.0)))
    return Account(of, hole, best, WORDS[best], odds, near, causes, decide)
