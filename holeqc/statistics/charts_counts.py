"""Control charts of counts: the share of rejects (p chart) and the number of faults (c chart)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.statistics.basics import FloatArray, as_values, chance_words
from holeqc.statistics.chart_parts import (
    BEYOND_MEANING,
    C_CHART,
    P_CHART,
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
from holeqc.statistics.signals import (
    BEYOND_LIMITS,
    DEFAULT_TESTS,
    SAME_SIDE,
    STEADY_DRIFT,
    UP_AND_DOWN,
    Signal,
    check_tests,
    find_signals,
)

COUNT_TESTS = (BEYOND_LIMITS, SAME_SIDE, STEADY_DRIFT, UP_AND_DOWN)
_RUN = 9
WILD = 0.01


def _counts(values: ArrayLike, what: str) -> FloatArray:
    x = as_values(values, what)
    if not x.size:
        raise DataError(f"there are no {what}")
    if np.isnan(x).any():
        places = (np.flatnonzero(np.isnan(x)) + 1).tolist()
        raise DataError(f"the {what} have no value at point {', '.join(map(str, places[:5]))}; a count of none is 0")
    bad = np.flatnonzero((x < 0) | (x != np.round(x)))
    if bad.size:
        raise DataError(f"{what} are whole numbers from 0; found {x[bad[0]]:g} at point {bad[0] + 1}")
    return x


def _tests(options: ChartOptions) -> tuple[str, ...]:
    tests = check_tests(DEFAULT_TESTS if options.tests is None else options.tests)
    wrong = [t for t in tests if t not in COUNT_TESTS]
    if wrong:
        raise DataError(f"counts are not normal: {', '.join(wrong)} doesn't apply; allowed: {', '.join(COUNT_TESTS)}")
    return tests


def count_run_length(below: float, low: float, high: float, above: float, tests: tuple[str, ...]) -> RunLength | None:
    """Return the average run length of a chart of counts from the chances of a point.

    ``below`` and ``above`` are beyond the limits, ``low`` and ``high`` between centre line and limit; the rest lies
    on the centre line. The chain has a state for each length of run. None with tests that look at the order of
    points.
    """
    if any(t not in DEFAULT_TESTS for t in tests):
        return None
    if BEYOND_LIMITS not in tests:
        low, high, below, above = low + below, high + above, 0.0, 0.0
    if SAME_SIDE not in tests:
        alarm = below + above
        return RunLength(1 / alarm, 0.0, "exact") if alarm > 0 else None
    # state 0 is no run; 1.._RUN-1 a run below, _RUN..2 _RUN-2 a run above
    on = max(0.0, 1 - below - low - high - above)
    size = 2 * _RUN - 1
    move = np.zeros((size, size))
    for state in range(size):
        run_low = state if 0 < state < _RUN else 0
        run_high = state - _RUN + 1 if state >= _RUN else 0
        move[state, 0] += on
        if run_low + 1 < _RUN:
            move[state, run_low + 1] += low
        if run_high + 1 < _RUN:
            move[state, _RUN + run_high] += high
    lengths = np.linalg.solve(np.eye(size) - move, np.ones(size))
    return RunLength(float(lengths[0]), 0.0, "exact, Markov chain of runs")


def _too_wild(z: FloatArray, what: str) -> list[Problem]:
    """Return a remark when counts scatter more than their distribution allows (index of dispersion)."""
    from scipy.special import gammaincc

    dof = z.size - 1
    if dof < 5:
        return []
    statistic = float(np.sum(z * z))
    p = float(gammaincc(dof / 2, statistic / 2))
    if p >= WILD:
        return []
    return [Problem(WARNING, "wild-counts", f"counts scatter {math.sqrt(statistic / dof):.1f} times as much as {what} "
                    f"would ({chance_words(p)}): parts or days differ, so that limits are too tight for some of them")]


@dataclass(frozen=True, slots=True)
class _Plan:
    """A chart of counts before it is finished: points, centre line, sigma of each point, and what they count."""

    kind: str
    title: str
    values: FloatArray
    centre: float
    spread: FloatArray
    top: float
    sizes: NDArray[np.int64]
    frozen: Frozen
    baseline: int
    words: str


def _chances(at_most: Callable[[int], float], centre: float, sigma: float) -> tuple[float, float, float, float]:
    """Return the chances of a count (below the limits, under the centre line, over it, above the limits)."""
    tiny = 1e-9
    below = at_most(math.ceil(centre - 3 * sigma - tiny) - 1)
    above = 1 - at_most(math.floor(centre + 3 * sigma + tiny))
    under, over = at_most(math.ceil(centre - tiny) - 1), 1 - at_most(math.floor(centre + tiny))
    return below, under - below, over - above, above


def _finish(plan: _Plan, tests: tuple[str, ...], labels: ArrayLike | None,
            chances: tuple[float, float, float, float]) -> Chart:
    values, centre, spread = plan.values, plan.centre, plan.spread
    lower, upper = np.maximum(centre - 3 * spread, 0.0), np.minimum(centre + 3 * spread, plan.top)
    signals: list[Signal] = []
    said: list[Problem] = []
    length = None
    if np.all(spread > 0):
        if BEYOND_LIMITS in tests:
            signals += beyond_signals(values, lower, upper, BEYOND_MEANING[plan.kind])
        z = (values - centre) / spread
        signals += find_signals(z, tuple(t for t in tests if t != BEYOND_LIMITS))
        length = count_run_length(*chances, tests)
        said = [*_too_wild(z, plan.words), *price(length, values.size)]
        if length is None:
            said.append(Problem(NOTE, "no-run-length", "the run length of this set of tests is not worked out"))
    else:
        said.append(Problem(WARNING, "no-scatter", "nothing was counted: there are no limits"
                            if centre == 0 else "everything was counted: there are no limits"))
    names = range(1, values.size + 1) if labels is None else np.asarray(labels).ravel().tolist()
    return Chart(plan.kind, plan.title, centre, common(lower), common(upper), None, values, lower, upper,
                 np.full(values.size, centre), plan.sizes, tuple(str(v) for v in names),
                 tuple(sorted(signals, key=lambda s: s.points[0])), tests, plan.frozen, plan.baseline, length, None,
                 tuple(said))


def _sizes(counts: FloatArray, sizes: ArrayLike) -> FloatArray:
    n = _counts(sizes, "sizes")
    if n.size == 1:
        n = np.full(counts.size, n[0])
    if n.size != counts.size:
        raise DataError(f"{counts.size} counts but {n.size} sizes")
    bad = np.flatnonzero((n < 1) | (counts > n))
    if bad.size:
        i = int(bad[0])
        raise DataError(f"a count of {counts[i]:g} of {n[i]:g} at point {i + 1} can't be; a size is at least 1 and not "
                        "below its count")
    return n


def p_chart(counts: ArrayLike, sizes: ArrayLike, *, options: ChartOptions | None = None,
            labels: ArrayLike | None = None) -> Chart:
    """Return the chart of shares: ``counts`` (m,) of ``sizes`` (m,) or of one size for all (ISO 7870-2).

    Each point's limits follow its size; a lower limit below 0 is 0. The run length is that of the middle size.
    Raises ``DataError`` for counts that are not whole, above their size, or missing.
    """
    from scipy.special import bdtr

    how = options or ChartOptions()
    check_frozen(how, P_CHART, (P_CHART,))
    tests = _tests(how)
    d = _counts(counts, "counts")
    n = _sizes(d, sizes)
    baseline = baseline_of(how, d.size)
    share = float(d[:baseline].sum() / n[:baseline].sum()) if how.frozen is None else how.frozen.centre[0]
    share = share if how.centre is None else how.centre
    if not 0 <= share <= 1:
        raise DataError(f"a share lies between 0 and 1; found {share:g}")
    usual = int(np.median(n))

    def at_most(k: int) -> float:
        return 0.0 if k < 0 else 1.0 if k >= usual else float(bdtr(k, usual, share))

    frozen = how.frozen or Frozen(P_CHART, (share,), None, baseline, int(n[:baseline].sum()))
    plan = _Plan(P_CHART, "share", d / n, share, np.sqrt(share * (1 - share) / n), 1.0, n.astype(np.int64), frozen,
                 baseline, "independent parts of one quality")
    return _finish(plan, tests, labels, _chances(at_most, share * usual, math.sqrt(usual * share * (1 - share))))


def c_chart(counts: ArrayLike, *, options: ChartOptions | None = None, labels: ArrayLike | None = None) -> Chart:
    """Return the chart of the number of faults ``counts`` (m,) in equal portions (e-Handbook 6.3.3.1; ISO 7870-2).

    A lower limit below 0 is 0. Raises ``DataError`` for counts that are not whole or missing.
    """
    from scipy.special import pdtr

    how = options or ChartOptions()
    check_frozen(how, C_CHART, (C_CHART,))
    tests = _tests(how)
    c = _counts(counts, "counts")
    baseline = baseline_of(how, c.size)
    level = float(c[:baseline].mean()) if how.frozen is None else how.frozen.centre[0]
    level = level if how.centre is None else how.centre
    if level < 0:
        raise DataError(f"a mean count is not negative; found {level:g}")
    frozen = how.frozen or Frozen(C_CHART, (level,), None, baseline, baseline)
    plan = _Plan(C_CHART, "count", c, level, np.full(c.size, math.sqrt(level)), math.inf,
                 np.ones(c.size, dtype=np.int64), frozen, baseline, "independent faults of one rate")
    return _finish(plan, tests, labels, _chances(lambda k: 0.0 if k < 0 else float(pdtr(k, level)), level,
                                                 math.sqrt(level)))
