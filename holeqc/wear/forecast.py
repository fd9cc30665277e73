"""How many more cycles until the mean hole of a bushing uses up its room, and how sure that is.

What is forecast: the margin of a hole is its room before the limit (size, position with bonus, the pins together). Its
mean over parts, the scatter of single parts taken off, is a level that wear lowers. **The forecast is the cycle at
which this mean margin reaches zero: from then on about half of the parts would fail.** Single parts fail earlier; from
which cycle on one in forty does (mean less two standard deviations) is given beside it, without an interval.

The interval holds the cycle with 95 %: its ends are where the chance that the mean margin is used up is 2.5 % and
97.5 % (for a level that doesn't wander this is Fieller's interval, Graybill and Iyer, Regression Analysis, 1994, 6.2).
``before`` is where the chance is 5 %: change before it. Where the data don't show that the margin falls, there is no
upper end and the answer is 'cannot tell yet'.

Simulated coverage of the 95 % interval (tests/benchmarks/simulate_coverage.py, 2000 histories of 120 parts each):
normal scatter 0.954, heavy-tailed 0.947, one sudden step that nobody logged 0.958. Wear that comes wholly in steps is
promised less: a dozen regular steps 0.90; irregular steps too small to stand out of the scatter look straight while
they aren't, 0.66.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from holeqc.quantities import FloatArray
from holeqc.wear import changes
from holeqc.wear.paths import Path, binned, fit_paths
from holeqc.wear.trend import CURVED

LEAST = 8  #: values since the last change, before anything is forecast
CURVE_LEAST = 20  #: values before a curve is looked for
HORIZON = 10.0  #: forecasts reach so many times the length of the history, no further
GRID = 700
OPEN, SHUT, FAR, NOW, NONE = "cannot tell yet", "forecast", "far off", "used up", "no data"
SINGLE_SD = 2.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the mean margin of a series is used up, in cycles of the fixture's count.

    ``state``: ``forecast``; ``cannot tell yet`` (no slope that the data support; ``before`` may still hold);
    ``far off`` (it falls, but its end lies beyond the horizon); ``used up`` (already); ``no data``. ``estimate`` the
    middle, ``lower`` to ``upper`` 95 %, ``before`` the one-sided 95 % lower bound, ``singles`` where one part in forty
    fails; None where beyond the horizon or not known. ``now`` and ``sd``: mean margin at the last cycle and scatter of
    one part about it; ``slope`` of the margin per cycle with its standard deviation. ``start``: first cycle that
    counts, ``n`` values. ``curved``; ``wander`` (see `paths.Path`).
    """

    state: str
    last: float
    start: float
    n: int
    now: float
    sd: float
    slope: float
    slope_sd: float
    estimate: float | None = None
    lower: float | None = None
    upper: float | None = None
    before: float | None = None
    singles: float | None = None
    curved: bool = False
    wander: float = 0.0
    changes: tuple[changes.Change, ...] = ()
    path: Path | None = None

    @property
    def left(self) -> float | None:
        """Cycles left to ``before``."""
        return None if self.before is None else max(0.0, self.before - self.last)

    def curve(self, cycle: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the fitted mean margin at cycles (T,), and the sd of the mean from the last cycle on, 0 before."""
        if self.path is None:
            return np.full(cycle.size, np.nan), np.zeros(cycle.size)
        path = self.path
        later = cycle >= path.basis.cycle[-1]
        mean = path.weight @ (path.beta @ path.basis.powers(cycle).T)
        sd = np.zeros(cycle.size)
        if later.any():
            each, spread = path.level(cycle[later])
            middle = path.weight @ each
            mean[later] = middle
            sd[later] = np.sqrt(path.weight @ (spread**2 + (each - middle) ** 2))
        return np.asarray(mean), sd


def forecast(
    cycle: FloatArray, margin: FloatArray, *, seed: int = 1, deals: int = changes.DEALS, level: float = changes.LEVEL
) -> Forecast:
    """Return when the mean of ``margin`` (N,) at ``cycle`` (N,) reaches zero; NaN values are left out.

    Changes that nobody logged are looked for first; what lies before the last of them doesn't count.
    """
    known = np.isfinite(margin)
    t, y = cycle[known], margin[known]
    last = float(cycle[-1]) if cycle.size else 0.0
    if t.size < LEAST or not np.ptp(t) > 0:
        mean = float(y.mean()) if y.size else float("nan")
        return Forecast(
            NONE, last, float(t[0]) if t.size else last, t.size, mean, float("nan"), float("nan"), float("nan")
        )
    found: list[changes.Change] = []
    while len(found) < 4:
        change = changes.find_changes(t, y[:, None], seed=seed, deals=deals, level=level)[0]
        if change is None or change.kind == changes.CURVE or t.size - change.index < LEAST:
            break
        found.append(change)
        t, y = t[change.index :], y[change.index :]
    return replace(_ahead(t, y, last), changes=tuple(found))


def _ahead(t: FloatArray, y: FloatArray, last: float) -> Forecast:
    degree = 1
    speeding = fit_paths(binned(t, y, draw_in=True), 2)[0].chance_negative(2) if t.size >= CURVE_LEAST else 0.5
    curved = min(speeding, 1.0 - speeding) < CURVED / 2
    if curved and speeding > 0.5:
        degree = 2
    elif curved:  # wear that slows down: a square term would turn round, so the recent half stands for what comes
        t, y = t[t.size // 2 :], y[t.size // 2 :]
    path = fit_paths(binned(t, y, draw_in=True), degree)[0]
    reach = HORIZON * max(float(np.ptp(t)), 1.0)
    ahead = last + np.concatenate([[0.0], np.geomspace(0.25, reach, GRID)])
    ahead = np.maximum(ahead, float(t[-1]))
    chance = np.maximum.accumulate(path.chance_below(ahead, 0.0))
    slope, slope_sd = path.slope()
    mean, _ = path.level(ahead)
    middle = path.weight @ mean
    sd = float(path.weight @ path.sd)
    falls = path.chance_negative(1) > 0.975
    state = NOW if chance[0] > 0.5 else SHUT if chance[-1] > 0.975 else FAR if falls else OPEN
    middle_at, low, high, before = (_where(ahead, chance, p) for p in (0.5, 0.025, 0.975, 0.05))
    singles = _where(ahead, -middle, -SINGLE_SD * sd)
    if state == OPEN:
        middle_at = high = singles = None
    return Forecast(
        state, last, float(t[0]), t.size, float(middle[0]), sd, slope, slope_sd, middle_at, low, high, before, singles,
        curved, path.wander, (), path,
    )  # fmt: skip


def _where(cycle: FloatArray, rising: FloatArray, level: float) -> float | None:
    """Return the first cycle at which a curve reaches a level, None where it doesn't."""
    reached = np.flatnonzero(rising >= level)
    if not reached.size:
        return None
    k = int(reached[0])
    if k == 0:
        return float(cycle[0])
    share = (level - rising[k - 1]) / max(rising[k] - rising[k - 1], 1e-300)
    return float(cycle[k - 1] + share * (cycle[k] - cycle[k - 1]))
