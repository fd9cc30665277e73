"""How often the intervals of capability hold the true index: simulated series of eleven distributions.

Run as ``python tests/benchmarks/coverage_indices.py [SERIES [FIRST [LENGTHS [NAME...]]]]``, LENGTHS such as 10,25; 400
series of each kind and length from seed 0 on unless told. Thresholds were tuned on seeds from 500 000 on. The limits of
each distribution are put so that its true index by percentiles (ISO 22514-2) is 1.26 at the upper limit and 1.70 at the
lower one, from its own quantile function; of a normal this is Ppk. For each kind and number of readings it prints the
median of the index that the tool puts forward, then for each interval in how many of 100 series it was printed, and in
how many of 100 of these it held the truth. Series k of a kind has the seed (k, number of readings).

- normal, lognormal (sigma of logarithms 0.4), shifted lognormal (0.5 from a threshold of 3), Weibull from zero (shape
  1.8, said to be from zero), Weibull with a threshold (shape 1.8 from 5), t with 5 degrees, gamma (shape 3), uniform,
  skewed mixture (85 % N(0, 1), 15 % N(2.5, 1.5));
- neighbours of a normal with correlation 0.4;
- round position: two coordinates of one scatter, centred; and off centre by one sigma; and centred with scatter 2 to 1.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, signal, stats

from holeqc.statistics.capability import Choices, capability
from holeqc.statistics.indices import Limits
from holeqc.statistics.position_capability import position_capability

NEAR, FAR = 1.26, 1.70
OFFSETS = (0.0, 0.5, 1.0, 2.0)
LENGTHS = (5, 10, 25, 50, 125)
ALIKE = 0.4


@dataclass(frozen=True)
class Kind:
    """A distribution: how it is drawn, its quantiles, and whether the tool is told that it begins at zero."""

    draw: Callable[[np.random.Generator, int], np.ndarray]
    quantile: Callable[[float], float]
    from_zero: bool = False

    def limits(self) -> Limits:
        """Return limits with the true indices NEAR (upper) and FAR (lower)."""
        low, middle, high = (self.quantile(p) for p in (0.00135, 0.5, 0.99865))
        return Limits(None if self.from_zero else middle - FAR * (middle - low), middle + NEAR * (high - middle))


def _frozen(law: object, from_zero: bool = False) -> Kind:
    return Kind(lambda rng, n: law.rvs(n, random_state=rng), lambda p: float(law.ppf(p)), from_zero)  # type: ignore[attr-defined]


def _mixture() -> Kind:
    def draw(rng: np.random.Generator, n: int) -> np.ndarray:
        second = rng.random(n) < 0.15
        return np.where(second, rng.normal(2.5, 1.5, n), rng.normal(0.0, 1.0, n))

    def below(x: float) -> float:
        return float(0.85 * stats.norm.cdf(x) + 0.15 * stats.norm.cdf((x - 2.5) / 1.5))

    return Kind(draw, lambda p: float(optimize.brentq(lambda x: below(x) - p, -20, 20)))


def _neighbours() -> Kind:
    def draw(rng: np.random.Generator, n: int) -> np.ndarray:
        noise = rng.normal(0, np.sqrt(1 - ALIKE**2), n + 50)
        return signal.lfilter([1.0], [1.0, -ALIKE], noise)[50:]

    return Kind(draw, lambda p: float(stats.norm.ppf(p)))


KINDS = {
    "normal": _frozen(stats.norm(10, 1)),
    "lognormal": _frozen(stats.lognorm(0.4)),
    "shifted lognormal": _frozen(stats.lognorm(0.5, loc=3)),
    "Weibull from zero": _frozen(stats.weibull_min(1.8), from_zero=True),
    "Weibull, threshold": _frozen(stats.weibull_min(1.8, loc=5)),
    "t, 5 degrees": _frozen(stats.t(5)),
    "gamma": _frozen(stats.gamma(3)),
    "uniform": _frozen(stats.uniform()),
    "skewed mixture": _mixture(),
    "alike neighbours": _neighbours(),
    "Rayleigh from zero": _frozen(stats.rayleigh(), from_zero=True),
}
#: indices with intervals that suppose a normal, where it is known to be one (``--normal``); elsewhere none is printed
NORMAL_ALONE = {"normal": ("Cp", "Cpk", "Pp", "Ppk"), "alike neighbours": ("Pp", "Ppk")}
#: (offset in sigma of the larger axis, sigma of the other axis)
POSITIONS = {"round position": (0.0, 1.0), "position off centre": (1.0, 1.0), "position 2 to 1": (0.0, 0.5)}


@dataclass
class Tally:
    """How often an interval was printed and held the truth."""

    printed: int = 0
    held: int = 0

    def add(self, found: tuple[float | None, float | None] | None, true: float) -> None:
        """Count one series; an end that isn't there is open."""
        if found is None:
            return
        self.printed += 1
        self.held += (found[0] is None or found[0] <= true) and (found[1] is None or true <= found[1])


def indices_of(name: str, n: int, seeds: range) -> tuple[list[float], dict[str, Tally]]:
    """Return the indices put forward and the tallies of one kind and length."""
    kind = KINDS[name]
    limits, how = kind.limits(), Choices(from_zero=kind.from_zero, normal=name in NORMAL_ALONE)
    answers: list[float] = []
    tallies = {key: Tally() for key in ("any shape", *NORMAL_ALONE.get(name, ()))}
    potential = 0.0 if limits.width is None else limits.width / 6
    for k in seeds:
        result = capability(kind.draw(np.random.default_rng((k, n)), n), limits, choices=how)
        by_shape = result.percentile
        best = result.overall.nearest if by_shape is None else by_shape.Ppk
        answers.append(np.nan if best is None else best)
        for key in NORMAL_ALONE.get(name, ()):
            tallies[key].add(result.intervals.get(key), NEAR if key in ("Cpk", "Ppk") else potential)
        tallies["any shape"].add(None if result.any_shape is None else result.any_shape.Ppk, NEAR)
    return answers, tallies


def positions_of(name: str, n: int, seeds: range) -> tuple[list[float], dict[str, Tally]]:
    """Return the same of positions; the circle is as wide as the true Ppk of 1.26 asks."""
    from holeqc.statistics.position_capability import ellipse_reach, index_of_content, share_in_circle

    offset, other = POSITIONS[name]
    covariance, centre = np.diag([1.0, other**2]), np.array([offset, 0.0])

    def index(radius: float, middle: np.ndarray) -> float:
        reach = ellipse_reach(middle[None], covariance[None], radius)
        return float(index_of_content(np.exp(-0.5 * reach * reach))[0])

    radius = float(optimize.brentq(lambda r: index(r, centre) - NEAR, 1.5, 20))
    true = {"Ppk": NEAR, "Pp": index(radius, np.zeros(2)),
            "share_inside": float(share_in_circle(centre, covariance, radius))}
    answers: list[float] = []
    tallies = {key: Tally() for key in true}
    for k in seeds:
        x, y = np.random.default_rng((k, n)).normal(size=(2, n)) * np.array([[1.0], [other]]) + centre[:, None]
        result = position_capability(x, y, 2 * radius)
        answers.append(np.nan if result.Ppk is None else result.Ppk)
        for key, tally in tallies.items():
            tally.add(result.intervals.get(key), true[key])
    return answers, tallies


def about_target_of(offset: float, n: int, seeds: range) -> tuple[list[float], dict[str, Tally]]:
    """Return the same of Cpm of a normal whose mean lies ``offset`` sigma from the target."""
    limits = Limits(-4.0, 4.0)
    answers, tally = [], Tally()
    for k in seeds:
        x = np.random.default_rng((k, n)).normal(offset, 1.0, n)
        result = capability(x, limits, choices=Choices(any_shape=False, normal=True))
        answers.append(np.nan if result.Cpm is None else result.Cpm)
        tally.add(result.intervals.get("Cpm"), 8 / (6 * np.hypot(1.0, offset)))
    return answers, {"Cpm": tally}


def main() -> None:
    """Print the table."""
    given = sys.argv[1:]
    series, first = (int(given[i]) if len(given) > i else (400, 0)[i] for i in range(2))
    lengths = [int(n) for n in given[2].split(",")] if len(given) > 2 else LENGTHS
    seeds, wanted = range(first, first + series), given[3:]
    work: list[tuple[str, Callable[[int], tuple[list[float], dict[str, Tally]]]]] = [
        *((name, lambda n, name=name: indices_of(name, n, seeds)) for name in KINDS),
        *((name, lambda n, name=name: positions_of(name, n, seeds)) for name in POSITIONS),
        *((f"Cpm, {off:g} sigma off", lambda n, off=off: about_target_of(off, n, seeds)) for off in OFFSETS),
    ]  # fmt: skip
    print(f"series {first} to {first + series - 1}; of 100 series: printed, and of 100 printed: held\n")
    for name, run in work:
        if wanted and name not in wanted:
            continue
        for n in lengths:
            begun = time.process_time()
            answers, tallies = run(n)
            shown = "   ".join(f"{key}: {100 * t.printed / series:3.0f} printed, "
                               + (f"{100 * t.held / t.printed:5.1f} held" if t.printed else "  -       ")
                               for key, t in tallies.items())
            middle = f"{np.nanmedian(answers):6.2f}" if np.isfinite(answers).any() else "     -"
            print(f"{name:<20} n {n:<4} index {middle}   {shown}   {time.process_time() - begun:.0f} CPU s", flush=True)


if __name__ == "__main__":
    main()
