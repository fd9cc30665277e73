"""Coordinates of holes from measured distances, with their covariance; knows no drawing. Arrays in, records out.

The way through: what was read and the diameters go through `to_centres` (a way of measuring each, names in `WAYS`) to
distances of centres with sd; `adjust_network` makes coordinates of them, all parts at once; `suspects` and `checks` say
which distance is wrong and which nothing checks.

    network = Network(basic_xy, ends, edges)                    # ends (n, 2): holes 0..p-1, edges p..p+e-1
    centres = to_centres(ways, reading, diameter, gauge_u / 2, hole=actual)  # reading (parts, n), NaN: not measured
    found = adjust_network(network, centres.distance, centres.sd)
    found.xy, found.covariance, found.placed, found.free_motions, found.global_p, found.residuals, found.redundancy
    for part in np.flatnonzero(global_test(found)):
        suspects(part_of(found, part))

- An edge is (direction of its normal [rad], offset): (0, 0) is the line x = 0, (pi / 2, 0) is y = 0, (0, 8) the far
  edge of a plate 8 wide. Edges are given unless ``edges_fixed`` says otherwise: a far edge whose place is measured
  (edge to edge) is (True, False); one whose angle was measured (edge to edge not parallel: the angle in rad) is
  (False, True).
- ``free_motions`` 0: edges or given points hold the figure, its coordinates are in the datum. Otherwise only its shape
  counts (hole to hole, pins), and the covariance must be used as a whole: a difference of two holes is right, one hole
  isn't.
- A point that isn't ``placed`` has NaN; what can't be adjusted never raises in `adjust_network`, only wrong shapes do.
- A suspect is never taken out; its part holds. ``or_else`` names the distances that would explain it as well.
- Part of a caliper's U is a zero error that all its readings share, and more distances don't make it smaller: then
  ``adjust_network(..., covariance=shared_covariance(centres, gauges=..., zero_sd=...))``. Taken as independent, the
  coordinates' U comes out too small and the tests too dull.
- `Centres.play` below zero: that pin can't have been in that hole. sd NaN: a pin without its hole's diameter.

Before measuring: `choose(Network(basic_xy, pairs(p, e), edges), sd, 20)` or ``target=tolerance / 4`` gives which
distances, U of each position, what nothing checks; `expected_u` the U of a given list; `lacking` which points a list
doesn't place and what to add; `gauge_factor` by how much the sd must shrink to judge a tolerance. After: `position_u`,
`position_conformance` (an ellipse in place of a circle), `margin_spread` (pins together, hole to hole: any margin of
all places), `draws`.
"""

from holeqc.distances.network import (
    Adjustment,
    Checks,
    Network,
    Suspect,
    adjust,
    adjust_network,
    checks,
    global_test,
    part_of,
    suspects,
)
from holeqc.distances.ways import (
    WAYS,
    Centres,
    Choice,
    Lacking,
    Spread,
    Way,
    choose,
    difference_covariance,
    draws,
    expected_u,
    gauge_factor,
    lacking,
    margin_spread,
    of_repeats,
    pairs,
    position_conformance,
    position_u,
    shared_covariance,
    to_centres,
)

__all__ = [
    "WAYS", "Adjustment", "Centres", "Checks", "Choice", "Lacking", "Network", "Spread", "Suspect", "Way", "adjust",
    "adjust_network", "checks", "choose", "difference_covariance", "draws", "expected_u", "gauge_factor", "global_test",
    "lacking", "margin_spread", "of_repeats", "pairs", "part_of", "position_conformance", "position_u",
    "shared_covariance", "suspects", "to_centres",
]  # fmt: skip
