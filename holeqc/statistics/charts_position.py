"""The chart for positions: Hotelling's T2 of two coordinates, so that direction and distance count together."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.statistics.basics import FloatArray, IntArray, group_index
from holeqc.statistics.chart_parts import (
    BEYOND_MEANING,
    POSITION,
    Chart,
    ChartOptions,
    Frozen,
    baseline_of,
    beyond_signals,
    check_frozen,
    common,
    price,
)
from holeqc.statistics.run_length import RunLength
from holeqc.statistics.signals import BEYOND_LIMITS

P = 2  #: coordinates of a position


def _pairs(x: ArrayLike, y: ArrayLike) -> tuple[FloatArray, np.ndarray]:
    """Return (pairs without missing ones (n, 2), places kept)."""
    a, b = np.asarray(x, dtype=float).ravel(), np.asarray(y, dtype=float).ravel()
    if a.size != b.size:
        raise DataError(f"{a.size} first coordinates but {b.size} second ones")
    if np.isinf(a).any() or np.isinf(b).any():
        raise DataError("the coordinates hold an infinite value")
    kept = np.flatnonzero(~(np.isnan(a) | np.isnan(b)))
    if not kept.size:
        raise DataError("there is no position with both coordinates")
    return np.column_stack([a[kept], b[kept]]), kept


def _grouped(pairs: FloatArray, labels: ArrayLike) -> tuple[FloatArray, IntArray, FloatArray, tuple[str, ...]]:
    """Return (means (k, 2), sizes (k,), sums of squares and products within (k, 2, 2), labels)."""
    names, place = group_index(labels)
    k = names.size
    sizes = np.bincount(place, minlength=k)
    means = np.column_stack([np.bincount(place, pairs[:, j], k) for j in range(P)]) / sizes[:, None]
    rest = pairs - means[place]
    within = np.empty((k, P, P))
    for i in range(P):
        for j in range(P):
            within[:, i, j] = np.bincount(place, rest[:, i] * rest[:, j], k)
    return means, sizes, within, tuple(str(v) for v in names.tolist())


def distance_squared(pairs: FloatArray, centre: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return the squared statistical distance of each pair (n, 2) from ``centre`` (2,), shape (n,)."""
    d = pairs - centre
    return np.asarray(np.einsum("ij,ji->i", d, np.linalg.solve(covariance, d.T)))


def _limits(sizes: IntArray, readings: int, dof: float, alarm: float, *, first: bool, single: bool) -> FloatArray:
    """Return the upper limit of T2 for each point.

    ``first``: the points helped to set the limits. Single positions of phase 1, judged by the scatter of successive
    differences, follow a chi-square distribution closely (Williams, Woodall, Birch, Sullivan, Journal of Quality
    Technology 38, 2006, from memory; simulated here for 10 to 300 points: 0.0022 to 0.0031 where
    0.0027 is asked), all others an F with the dof of the covariance.
    """
    from scipy.special import chdtri, fdtri

    if first and single:
        return np.full(sizes.size, float(chdtri(P, alarm)))
    f = float(fdtri(P, dof - P + 1, 1 - alarm))
    share = sizes / readings
    room = 1 - share if first else 1 + share
    return np.asarray(np.maximum(room, 0.0) * P * dof / (dof - P + 1) * f)


def position_chart(x: ArrayLike, y: ArrayLike, *, subgroups: ArrayLike | None = None,
                   options: ChartOptions | None = None, labels: ArrayLike | None = None) -> Chart:
    """Return the T2 chart of positions ``x``, ``y`` (n,), single or as means of ``subgroups`` (n,).

    Single positions use the covariance of successive differences, which a drift or a step hardly widens (Holmes and
    Mergen, Quality Engineering 5, 1993; Sullivan and Woodall, Journal of Quality Technology 28, 1996), subgroups the
    pooled one within. A baseline or frozen limits make the
    later points phase 2. The centre line is the median of T2 with known parameters. Raises ``DataError`` for fewer
    than four positions to set limits from, or coordinates that lie on a line.
    """
    how = options or ChartOptions()
    check_frozen(how, POSITION, (POSITION,))
    pairs, kept = _pairs(x, y)
    missing = np.asarray(x).size - kept.size
    said = []
    if missing:
        said.append(Problem(WARNING, "missing-readings", f"{missing} positions lack a coordinate and are not counted"))
    single = subgroups is None
    if subgroups is None:
        given = np.arange(1, kept[-1] + 2) if labels is None else np.asarray(labels).ravel()
        means, sizes = pairs, np.ones(kept.size, dtype=np.int64)
        names = tuple(str(v) for v in given[kept].tolist())
        within = np.zeros((0, P, P))
    else:
        means, sizes, within, names = _grouped(pairs, np.asarray(subgroups).ravel()[kept])
    count = baseline_of(how, names.__len__())
    if how.frozen is not None:
        frozen = how.frozen
    else:
        frozen = _freeze(means[:count], sizes[:count], within[:count], single)
    centre = np.array(frozen.centre)
    covariance = np.array(frozen.covariance).reshape(P, P)
    dof = float(frozen.dof or 0)
    if dof <= P or np.linalg.cond(covariance) > 1e12:
        raise DataError("the positions lie on a line or are too few: their scatter in the plane can't be told")
    t2 = sizes * distance_squared(means, centre, covariance)
    upper = np.concatenate([
        _limits(sizes[:count], frozen.readings, dof, how.alarm, first=True, single=single),
        _limits(sizes[count:], frozen.readings, dof, how.alarm, first=False, single=single)])
    middle = 2 * math.log(2)
    length = RunLength(1 / how.alarm, 0.0, "from the chance of a false alarm")
    return Chart(POSITION, "T2 of place", middle, 0.0, common(upper), None, t2, np.zeros(t2.size), upper,
                 np.full(t2.size, middle), sizes, names,
                 beyond_signals(t2, np.full(t2.size, -np.inf), upper, BEYOND_MEANING[POSITION]), (BEYOND_LIMITS,),
                 frozen, count, length, None, (*said, *_few(dof), *price(length, t2.size)),
                 {"x": means[:, 0], "y": means[:, 1]},
                 {"mean_position": centre.tolist(), "covariance": covariance.tolist(), "alarm": how.alarm})


def _few(dof: float) -> list[Problem]:
    if dof >= 20:
        return []
    return [Problem(NOTE, "few-positions", f"the scatter is known with {dof:.0f} degrees of freedom only: the limits "
                    "are wide")]


def _freeze(means: FloatArray, sizes: IntArray, within: FloatArray, single: bool) -> Frozen:
    n = int(sizes.sum())
    if n < 4:
        raise DataError(f"limits for positions need at least 4 of them; found {n}")
    centre = (sizes[:, None] * means).sum(axis=0) / n
    if single:
        steps = np.diff(means, axis=0)
        dof = 2 * (n - 1) ** 2 / (3 * n - 4)  # effective: Scholz and Tosch, ASA section on quality, 1994
        total = steps.T @ steps * dof / (2 * (n - 1))
    else:
        dof = n - sizes.size
        total = within.sum(axis=0)
    if dof <= P:
        raise DataError("subgroups of one position show no scatter within: chart single positions instead"
                        if not single and dof == 0 else f"{dof} degrees of freedom are too few for limits")
    covariance = total / dof
    return Frozen(POSITION, tuple(centre.tolist()), None, sizes.size, n, float(dof), tuple(covariance.ravel().tolist()))
