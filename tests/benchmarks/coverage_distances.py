"""What the figures of distances are worth, by simulation: `python tests/benchmarks/coverage_distances.py [parts]`.

2 000 plates of 8 holes are drilled and measured with normal errors, by 24, 30, 36 and 44 distances to two edges and
between holes. Shown: true coordinates inside their 95 % (94 to 96 expected), false alarms of the global test and of
named suspects (5 % each). Then one distance of redundancy above 1/3 is off: by five times its sd; by five sd as its
residual shows it (5 sd / root of r); by the smallest error that should be found with 80 %. Shown: it has the largest
standardised residual (no test can do better than that on average); a suspect is named; of the first suspects, it is
the one or among its or_else.

Last, half of the variance is a zero error of the gauge that all readings of a part share: taken as independent, and
by the covariance that says so.

Five sd at a redundancy of 1/3 is 2.9 sd of its residual, beyond the bound for 24 distances (3.1) in four of ten parts
only, whatever the test: ninety of a hundred are found where the residual shows five.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "distances"))
from networks import EDGES, SD, measured, plate

from holeqc.distances import Network, adjust_network, checks, global_test, part_of, suspects


def shown(name: str, values: list[float]) -> None:
    print(f"{name:<58}" + "".join(f"{100 * v:7.1f}" for v in values), flush=True)


def of_network(network: Network, parts: int) -> list[float]:
    """Return the shares that the text above tells, in its order."""
    true, distance = measured(network, parts)
    sd = np.full(len(network.ends), SD)
    found = adjust_network(network, distance, sd)
    inside = float((np.abs(found.xy - true) < 1.959964 * found.sd_xy).mean())
    alarms = np.mean([bool(suspects(part_of(found, k))) for k in range(parts)])
    shares = [inside, float(global_test(found).mean()), float(alarms)]
    redundancy = found.redundancy[0]
    rng = np.random.default_rng(3)
    which = rng.choice(np.flatnonzero(redundancy > 1 / 3), parts)
    way = rng.choice([-1.0, 1.0], parts)
    for size in (5 * SD + 0 * redundancy, 5 * SD / np.sqrt(redundancy), checks(found).smallest_error[0]):
        wrong = distance.copy()
        wrong[np.arange(parts), which] += way * size[which]
        again = adjust_network(network, wrong, sd)
        largest = np.abs(again.standardised).argmax(axis=1) == which
        named = [suspects(part_of(again, k), most=1) for k in range(parts)]
        right = [which[k] in (s[0].index, *s[0].or_else) for k, s in enumerate(named) if s]
        shares += [float(largest.mean()), float(np.mean([bool(s) for s in named])), float(np.mean(right))]
    n = len(sd)
    exact = network.measured(np.append(true.reshape(parts, -1), np.tile(EDGES.ravel(), (parts, 1)), axis=1))
    distance = exact + SD * np.sqrt(0.5) * (rng.normal(size=(parts, 1)) + rng.normal(size=(parts, n)))
    for covariance in (None, SD**2 / 2 * (1 + np.eye(n))):
        found = adjust_network(network, distance, sd, covariance=covariance)
        shares += [float((np.abs(found.xy - true) < 1.959964 * found.sd_xy).mean()), float(global_test(found).mean())]
    return shares


if __name__ == "__main__":
    parts = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    counts = (24, 30, 36, 44)
    columns = [of_network(plate(count), parts) for count in counts]
    print(f"{'distances':<58}" + "".join(f"{count:7d}" for count in counts))
    names = ["true coordinates inside their 95 %", "global test: false alarms", "suspects: false alarms"]
    named = ["  a suspect is named", "  of these, the right one or among its or_else"]
    for size in ("5 sd", "5 sd of its residual", "smallest found with 80 %"):
        names += [f"off by {size}: largest residual", *named]
    for taken in ("independent", "shared"):
        names += [f"zero error of the gauge, taken as {taken}: inside their 95 %", "  global test: false alarms"]
    for name, row in zip(names, zip(*columns, strict=True), strict=True):
        shown(name, list(row))
