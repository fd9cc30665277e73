"""How often shares proven by values are true, for nine distributions of room left: `statistics.percentile.share_above`.

Run by hand: .venv/bin/python tests/benchmarks/coverage_sampling.py [histories] [confidence]. A line for each law and
count of values: true share, how many of the proven ones it keeps, their median, and what counting alone would prove.
"""

from __future__ import annotations

import sys

import numpy as np

from holeqc.sampling.first_parts import prove, proven_share

HISTORIES = int(sys.argv[1]) if len(sys.argv) > 1 else 200
CONFIDENCE = float(sys.argv[2]) if len(sys.argv) > 2 else 0.9
rng = np.random.default_rng(7)
LAWS = {
    "normal": lambda n: rng.normal(2.5, 1, n),
    "least of eight": lambda n: rng.normal(size=(n, 8)).min(axis=1) + 3.3,
    "seating": lambda n: (3.2 - abs(rng.normal(size=(n, 1))) - 0.6 * abs(rng.normal(size=(n, 8)))).min(axis=1),
    "gamma, long tail down": lambda n: 8 - rng.gamma(3, 1, n),
    "gamma, long tail up": lambda n: rng.gamma(3, 1, n) - 0.3,
    "t with 5": lambda n: rng.standard_t(5, n) + 3.0,
    "uniform": lambda n: rng.uniform(-0.02, 1, n),
    "exponential down": lambda n: 4 - rng.exponential(1, n),
    "lognormal down": lambda n: 6 - rng.lognormal(0.3, 0.5, n),
}

for count in (10, 15, 20, 30, 50, 100):
    for name, draw in LAWS.items():
        true = float((draw(500_000) >= 0).mean())
        shares = {
            how: np.array([prove(draw(count), 0.95, CONFIDENCE, own=own).share for _ in range(HISTORIES)])
            for how, own in (("own", True), ("if normal", False))
        }
        words = "  ".join(f"{how} {np.mean(s <= true):.2f} ({np.median(s):.3f})" for how, s in shares.items())
        print(f"{count:>4} {name:<24} true {true:.4f}  {words}  counted {proven_share(count, 0, CONFIDENCE):.3f}")
