"""Levels: where each series stands since its last change, where it goes, and how sure that is.

Three kinds answer the same questions (`Level`): `Steady`, whose drift isn't told from none, so that nothing of it goes
on; `Wearing`, straight or speeding up; `Reground`, which starts anew at each regrind of the drill.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from holeqc.quantities import FloatArray
from holeqc.wear.changes import noise_of
from holeqc.wear.paths import Path, binned, drawn_in, fit_paths

CURVE_LEAST = 20  #: values before a curve is looked for
PRICE = 3.0  #: squares of scatter that a square term must save, to be as likely as a straight line; by simulation
SLOWS = 12.0  #: squares of scatter by which a line that slows down must be worse before only its recent half counts


class Level(Protocol):
    """The level of a series at cycles to come."""

    @property
    def start(self) -> float:
        """The first cycle that counts."""

    def middle(self, cycle: FloatArray) -> FloatArray:
        """Return the expected level (T,)."""

    def draws(self, cycle: FloatArray, rng: np.random.Generator, number: int) -> tuple[FloatArray, FloatArray]:
        """Return what is expected and what is drawn (number,T), from the distribution of the level."""


@dataclass(frozen=True, slots=True)
class Steady:
    """A level that isn't seen to drift: mean with standard error."""

    start: float
    mean: float
    error: float
    freedom: float

    def middle(self, cycle: FloatArray) -> FloatArray:
        """Return the mean everywhere."""
        return np.full(cycle.size, self.mean)

    def draws(self, cycle: FloatArray, rng: np.random.Generator, number: int) -> tuple[FloatArray, FloatArray]:
        """Return the mean, and it with its error."""
        drawn = self.mean + self.error * rng.standard_t(max(self.freedom, 1.0), (number, 1))
        return np.full((number, cycle.size), self.mean), np.repeat(drawn, cycle.size, axis=1)


@dataclass(frozen=True, slots=True)
class Wearing:
    """A level that drifts: straight, or by a square that speeds it up with the chance ``share``."""

    start: float
    straight: Path
    bowed: Path | None
    share: float
    sign: float

    def middle(self, cycle: FloatArray) -> FloatArray:
        """Return the average of both."""
        level = self.straight.weight @ self.straight.anywhere(cycle)[0]
        if self.bowed is None:
            return np.asarray(level)
        return np.asarray((1.0 - self.share) * level + self.share * (self.bowed.weight @ self.bowed.anywhere(cycle)[0]))

    def draws(self, cycle: FloatArray, rng: np.random.Generator, number: int) -> tuple[FloatArray, FloatArray]:
        """Return levels of both kinds in proportion to their chance; a square that slows down counts as straight."""
        expected, drawn = _drawn(self.straight, cycle, rng, number)
        if self.bowed is None:
            return expected, drawn
        more, bent = _drawn(self.bowed, cycle, rng, number)
        b = self.bowed.basis
        root = self.bowed.sd * np.sqrt(b.inverse[:, 2, 2])
        walk = rng.choice(self.bowed.weight.size, number, p=self.bowed.weight)
        curve = self.bowed.beta[walk, 2] + root[walk] * rng.standard_normal(number)
        use = (rng.random(number) < self.share) & (curve * self.sign > 0.0)
        return np.where(use[:, None], more, expected), np.where(use[:, None], bent, drawn)


def _drawn(path: Path, cycle: FloatArray, rng: np.random.Generator, number: int) -> tuple[FloatArray, FloatArray]:
    mean, spread = path.anywhere(cycle)
    walk = rng.choice(path.weight.size, number, p=path.weight)
    off = rng.standard_t(path.basis.dof, number)
    return mean[walk], mean[walk] + spread[walk] * off[:, None]


@dataclass(frozen=True, slots=True)
class Reground:
    """A level that starts at ``base`` at each regrind and moves by ``slope`` a cycle until the next.

    ``starts``: cycles of the regrinds, the first one of the history too; ``every``: what is usual between two of them,
    NaN where nobody goes on regrinding. ``cover`` (2,2) of base and slope, ``between`` how much the base differs from
    regrind to regrind.
    """

    start: float
    starts: FloatArray
    base: float
    slope: float
    cover: FloatArray
    between: float
    freedom: float
    every: float = float("nan")

    def phase(self, cycle: FloatArray) -> FloatArray:
        """Return cycles since the last regrind."""
        before = self.starts[np.maximum(np.searchsorted(self.starts, cycle, side="right") - 1, 0)]
        since = cycle - before
        if np.isfinite(self.every):
            since = np.where(cycle >= self.starts[-1], np.mod(since, self.every), since)
        return np.asarray(since)

    def turns(self, most: int = 40) -> FloatArray:
        """Return the cycles just before and at the next usual regrinds."""
        at = self.starts[-1] + self.every * np.arange(1, most + 1)
        return np.sort(np.concatenate([at - 1e-6, at]))

    def middle(self, cycle: FloatArray) -> FloatArray:
        """Return base and slope at each cycle."""
        return np.asarray(self.base + self.slope * self.phase(cycle))

    def draws(self, cycle: FloatArray, rng: np.random.Generator, number: int) -> tuple[FloatArray, FloatArray]:
        """Return them with their errors."""
        wide = np.sqrt(self.freedom / rng.chisquare(self.freedom, (number, 1)))
        off = rng.multivariate_normal(np.zeros(2), self.cover, number) * wide
        phase = self.phase(cycle)
        middle = np.repeat(self.middle(cycle)[None], number, axis=0)
        return middle, middle + off[:, :1] + off[:, 1:] * phase + self.between * rng.standard_normal((number, 1))


def level_of(cycle: FloatArray, values: FloatArray, start: float, *, drifts: bool, bends: bool = True) -> Level:
    """Return the level of ``values`` (N,) from ``start`` on; NaN is not known. ``drifts``: its drift is told."""
    used = np.isfinite(values) & (cycle >= start)
    t, y = cycle[used], values[used]
    if t.size < 3:
        mean = float(y.mean()) if y.size else float("nan")
        return Steady(start, mean, float("nan"), 1.0)
    noise = noise_of(y[:, None])
    clipped = drawn_in(y)
    if not drifts or t.size < 6:
        error = float(clipped.std(ddof=1)) * float(noise.stretch[0]) / np.sqrt(t.size)
        return Steady(start, float(clipped.mean()), error, t.size - 1.0)
    straight = fit_paths(binned(t, y, draw_in=True), 1)[0]
    sign = float(np.sign(straight.slope()[0])) or 1.0
    if t.size < CURVE_LEAST or not bends:
        return Wearing(start, straight, None, 0.0, sign)
    gain, curve = _curve(t, clipped, float(noise.sd[0] * noise.stretch[0]))
    if curve * sign < 0.0:  # it slows down: a square would turn round, so the recent half stands for what comes
        if gain > SLOWS:
            half = t.size // 2
            straight = fit_paths(binned(t[half:], y[half:], draw_in=True), 1)[0]
        return Wearing(start, straight, None, 0.0, sign)
    odds = float(np.exp(min(0.5 * (gain - PRICE), 50.0)))
    bowed = fit_paths(binned(t, y, draw_in=True), 2)[0]
    return Wearing(start, straight, bowed, odds / (1.0 + odds), sign)


def _curve(t: FloatArray, y: FloatArray, sd: float) -> tuple[float, float]:
    """Return by how many squares of the scatter a square term is better, and the term."""
    u = (t - t.mean()) / max(float(np.ptp(t)), 1e-9)
    left = []
    fit = np.zeros(1)
    for degree in (1, 2):
        fit = np.polyfit(u, y, degree)
        left.append(float(((y - np.polyval(fit, u)) ** 2).sum()))
    return (left[0] - left[1]) / max(sd**2, 1e-300), float(fit[0])
