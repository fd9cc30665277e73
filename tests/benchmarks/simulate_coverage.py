"""How often the forecast's 95 % interval holds the cycle it speaks of: simulated histories of a wearing bushing.

Run as ``python tests/benchmarks/simulate_coverage.py [HISTORIES [KIND...]]``; 2000 of each kind unless told. The
margin falls with each cycle and is read with scatter; the true cycle at which it reaches zero is known. Kinds:

- normal: straight wear, normal scatter;
- heavy-tailed: the scatter is Student's t with 3 degrees of freedom;
- stepped: straight wear with one sudden step that nobody logged, at any place in the middle two thirds, of 4 to 8
  standard deviations of the scatter, to either side;
- stairs: all wear comes in regular steps, a dozen in the history, between which nothing moves;
- irregular steps: steps at random times (Poisson) of random size (exponential): what the method does not promise;
- position 40, 60, 100: position of a hole in so many parts: one coordinate drifts by 0.001 mm a part, all parts of a
  fixture are seated with a scatter of 0.02 mm, read with 0.006 mm; zone 0.30 mm with bonus from 12.545 mm against
  12.500 mm, the smallest of three two-point diameters with a scatter of 0.004 mm each. The mean hole has no room left
  at part 171.8 (by hand: the radius of the zone, 0.15 + (0.045 - 0.004 x 0.8463) / 2, is 170.8 drifts long; 0.8463 is
  the mean of the largest of three standard normal values, 1.5 / sqrt(pi)). The same drift, slanted: both coordinates.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np

from holeqc.wear.forecast import NOW, Forecast, forecast
from holeqc.wear.joint import forecast_position

KINDS = (
    "normal", "heavy-tailed", "stepped", "position 40", "position 60", "position 100", "stairs", "irregular steps",
)  # fmt: skip
PARTS = 120


@dataclass(frozen=True)
class Coverage:
    """Shares of histories: ``held`` in the 95 % interval, ``late`` true cycle after the lower bound, ``told``."""

    kind: str
    histories: int
    held: float
    after_bound: float
    told: float
    held_where_told: float


def history(rng: np.random.Generator, kind: str, parts: int = PARTS) -> tuple[np.ndarray, np.ndarray, float]:
    """Return (cycles, margins, true cycle of no margin). The wear over the history is 10 sd of the scatter."""
    cycle = np.arange(1.0, parts + 1)
    wear = 10.0 / parts
    ahead = np.arange(1.0, 6 * parts + 1)
    scatter = rng.standard_t(3, parts) / np.sqrt(3.0) if kind == "heavy-tailed" else rng.normal(0, 1, parts)
    room = rng.uniform(13.0, 18.0)
    if kind == "stairs":
        every = parts / 12
        worn = wear * every * np.floor(ahead / every + rng.uniform())
    elif kind == "irregular steps":
        worn = np.cumsum((rng.random(ahead.size) < 0.25) * rng.exponential(4 * wear, ahead.size))
    else:
        worn = wear * ahead
    if kind == "stepped":
        size = rng.uniform(4.0, 8.0) * rng.choice([-1.0, 1.0])
        worn = worn + size * (ahead >= rng.integers(parts // 6, parts - parts // 6))
        room += max(size, 0.0)
    true = (
        float(np.argmax(worn >= room) + 1)
        if kind in {"stairs", "irregular steps"}
        else (room - worn[parts - 1]) / wear + parts
    )
    return cycle, room - worn[:parts] + scatter, true


def position(rng: np.random.Generator, parts: int, seed: int, deals: int) -> tuple[Forecast, float]:
    """Return the forecast of a drifting position, and the true cycle at which the mean hole has no room left."""
    done = np.arange(parts)
    way = rng.uniform(0.0, 2.0 * np.pi)
    place = 0.001 * done[:, None] * np.array([np.cos(way), np.sin(way)])
    place = place + rng.normal(0.0, 0.02, (parts, 2)) + rng.normal(0.0, 0.006, (parts, 2))
    size = (12.545 + rng.normal(0.0, 0.004, (parts, 3))).min(axis=1)
    found = forecast_position(
        done + 1.0, place[:, None], (size - 12.5)[:, None], 0.30, 0.11, seed=seed, deals=deals
    )  # fmt: skip
    return found, 1.0 + (0.15 + 0.5 * (0.045 - 0.004 * 1.5 / np.sqrt(np.pi))) / 0.001


def coverage(kind: str, histories: int, seed: int = 1, deals: int = 499) -> Coverage:
    """Return how a kind of history comes out; ones that are worn out already are drawn again."""
    rng = np.random.default_rng(seed)
    held = after = told = both = done = 0
    while done < histories:
        if kind.startswith("position"):
            done += 1
            found, true = position(rng, int(kind.split()[1]), done, deals)
        else:
            cycle, margin, true = history(rng, kind)
            if true <= cycle[-1] + 1:
                continue
            done += 1
            found = forecast(cycle, margin, seed=done, deals=deals)
        low = found.lower if found.lower is not None else np.inf
        high = found.upper if found.upper is not None else np.inf
        inside = found.state != NOW and (low <= true <= high)
        held += inside
        after += (found.before if found.before is not None else np.inf) <= true
        told += np.isfinite(high)
        both += inside and np.isfinite(high)
    return Coverage(kind, done, held / done, after / done, told / done, both / max(told, 1))


def main() -> None:
    """Print the table."""
    histories = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"{'kind':<18}{'histories':>10}{'in 95 %':>10}{'after 95 % bound':>18}{'told':>8}{'in, of told':>13}{'s':>8}")
    for kind in sys.argv[2:] or KINDS:
        start = time.perf_counter()
        c = coverage(kind, histories)
        spent = time.perf_counter() - start
        print(
            f"{kind:<18}{c.histories:>10}{c.held:>10.3f}{c.after_bound:>18.3f}{c.told:>8.3f}"
            f"{c.held_where_told:>13.3f}{spent:>8.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
