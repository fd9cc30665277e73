"""What a reading can be: one table of bounds, used by `check` and by the live marks of the blank sheet alike.

A reading beyond these bounds can't be true whatever explains it, so it holds; it never rejects and nothing is reamed
after it. Everything nearer is a reading to be judged: a hole that is plainly bad must stay a reject. The bounds are
ours (common practice, no source) save where a line says where its number comes from.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from holeqc.quantities import FloatArray

if TYPE_CHECKING:
    from holeqc.specification.model import Specification

#: bound -> number, what it is a multiple or share of, and why
BELIEVABLE: dict[str, tuple[float, str, str]] = {
    "far bands": (3.0, "size tolerance, beyond a limit of size",
                  "worn tools, burrs and wobble leave holes a few tolerances off, and those are rejects"),
    "far share": (0.05, "nominal size, beyond a limit of size",
                  "next drill sizes lie 1 to 5 percent apart: the next drill is believed from a single reading; "
                  "beyond, a second reading must agree"),
    "absurd share": (0.25, "nominal size, beyond a limit of size",
                     "a drill that still looks like the right one and starts in its bushing; mm for inch, a digit too "
                     "many and a moved decimal point are all farther off, so even readings that agree are doubted"),
    "apart bands": (3.0, "size tolerance, between readings of one hole",
                    "one in the limits and one two tolerances beyond may be an oval or a bell mouth"),
    "apart share": (0.04, "nominal size, between readings of one hole",
                    "one drill leaves at most 0.0065 in oversize at 1/4 in and 0.008 at 1/2 in (drill_oversize.csv, "
                    "from memory), 2.6 and 1.6 percent; half as much again or more for ovality"),
    "plug share": (1.0, "the same, between readings and a plug of one hole",
                   "lobes and bends keep a plug out by no more than they show in readings"),
    "place far": (0.10, "distance to the next hole, beyond the position tolerance",
                  "a hole that much off is believed where another wall, trial or the rest of the part agrees"),
    "place absurd": (0.25, "distance to the next hole, beyond the position tolerance",
                     "the part lay out of seat by less; a pattern that much off was read from another edge"),
    "place bands": (3.0, "position tolerance, beyond it", "as for sizes"),
    "tilt": (5.0, "degrees, of a hole through its walls",
             "a drill in its bushing leans less than one degree, one held by hand less than five"),
    "walls least": (2.0, "position tolerance, between the walls of one hole",
                    "however thin the part, a wall that is off by a little is off, and the other may be right"),
    "stack": (3.0, "diameters, near face to far face where the kit doesn't say it",
              "deeper holes need pecking and are not drilled through clamp-on fixtures"),
    "edge least": (0.5, "diameter, from the hole's centre to the edge", "nearer, the hole is open to the edge"),
    "edge most": (10.0, "least distance asked, where no outline gives the drawing's own", "a moved decimal point"),
    "unknown gauge": (0.1, "tolerance, stands for U where a gauge's is not known",
                      "a gauge is chosen to take no more than a tenth of the tolerance"),
    "repeat": (1.0, "U of a difference, between two readings of one thing",
               "U of a difference of two readings is sqrt(2) U of one (JCGM 100, 5.1.2)"),
    "trial": (2.0, "U of a difference, between repeats that were asked for",
              "with many repeats one in twenty differs by more than U (k = 2) by chance; a mean is taken of them, so "
              "what is twice as far apart isn't repeats of one thing"),
    "typed twice": (2.0, "position tolerance, off basic where x and y are one number",
                    "nearer, the number may be both"),
    "exchanged": (0.5, "size tolerance, beyond the limits of the other size",
                  "a whole hole that reads as another size of the kit reads inside its limits or nearly so"),
}  # fmt: skip
#: share of the pattern's extent that stands for a position tolerance where the kit asks none
LOOSE_POSITION = 0.02


def bound(name: str) -> float:
    """Return a number of the table."""
    return BELIEVABLE[name][0]


@dataclass(frozen=True, slots=True)
class Reach:
    """How far readings may go, arrays of one shape [kit unit].

    ``far``: beyond its limits, a single reading that nothing confirms is doubted; ``absurd``: any is; ``apart``: how
    far readings of one hole may differ.
    """

    far: FloatArray
    absurd: FloatArray
    apart: FloatArray


def size_reach(lower: FloatArray, upper: FloatArray) -> Reach:
    """Return how far diameters may go of holes with these limits of size."""
    band, nominal = upper - lower, 0.5 * (lower + upper)
    return Reach(
        np.maximum(bound("far bands") * band, bound("far share") * nominal),
        np.maximum(bound("far bands") * band, bound("absurd share") * nominal),
        np.maximum(bound("apart bands") * band, bound("apart share") * nominal),
    )


def place_reach(spec: Specification) -> Reach:
    """Return how far coordinates of the holes (H,) may go beyond `position_tolerance`, and differ between the walls."""
    tolerance = position_tolerance(spec)
    next_hole = next_holes(spec)
    size = np.array([h.size.upper for h in spec.holes], dtype=np.float64)
    stack = spec.walls.stack_depth or bound("stack") * size
    return Reach(
        np.maximum(bound("place bands") * tolerance, bound("place far") * next_hole),
        np.maximum(bound("place bands") * tolerance, bound("place absurd") * next_hole),
        np.maximum(bound("walls least") * tolerance, stack * np.tan(np.radians(bound("tilt")))),
    )


def next_holes(spec: Specification) -> FloatArray:
    """Return the distance of each hole to the next (H,); of a hole alone, to the origin of its dimensions."""
    xy = np.array([(h.x, h.y) for h in spec.holes], dtype=np.float64).reshape(-1, 2)
    apart = np.hypot(*np.moveaxis(xy[:, None] - xy[None], -1, 0))
    np.fill_diagonal(apart, np.inf)
    apart[apart == 0.0] = np.inf
    nearest = np.nanmin(np.where(np.isnan(apart), np.inf, apart), axis=1, initial=np.inf)
    alone = np.hypot(xy[:, 0], xy[:, 1])
    return np.where(np.isfinite(nearest), nearest, alone)


def position_tolerance(spec: Specification) -> FloatArray:
    """Return how far a coordinate may lie off (H,): the widest position tolerance asked, else a share of the extent."""
    extent = max(
        (max(v) - min(v) for v in ([h.x for h in spec.holes], [h.y for h in spec.holes]) if v and np.isfinite(v).all()),
        default=0.0,
    )
    loose = max(LOOSE_POSITION * extent, max((h.size.band for h in spec.holes), default=0.0))
    asked = [
        max((t for t in (h.position.tolerance, h.position.pattern_tolerance) if t), default=0.0) for h in spec.holes
    ]
    return np.array([t or loose for t in asked], dtype=np.float64)


def edge_span(spec: Specification) -> FloatArray:
    """Return from what to what an edge distance is believed (H,2), NaN where no least distance is asked.

    Where the outline gives the drawing's own distance, it is believed as far from that as a coordinate from basic.
    """
    from holeqc.specification.boundaries import outline_distance, required_edge

    least = np.array([required_edge(h) for h in spec.holes], dtype=np.float64)
    low = bound("edge least") * np.array([h.size.lower for h in spec.holes])
    high = bound("edge most") * least
    xy = np.array([(h.x, h.y) for h in spec.holes], dtype=np.float64).reshape(-1, 2)
    if spec.outline and np.isfinite(xy).all():
        drawn, reach = outline_distance(xy, spec.outline), place_reach(spec).absurd + position_tolerance(spec)
        inside = drawn > 0.0
        low, high = np.where(inside, np.maximum(low, drawn - reach), low), np.where(inside, drawn + reach, high)
    return np.where(np.isnan(least)[:, None], np.nan, np.column_stack([np.minimum(low, least), high]))


def size_spans(spec: Specification) -> FloatArray:
    """Return from what to what diameters of each hole are believed, (H,K,2), rows without a span NaN.

    Around its own limits, and around the other sizes of the kit and the tools at hand, which may have been taken for
    the right one.
    """
    lower, upper = (np.array([getattr(h.size, side) for h in spec.holes]) for side in ("lower", "upper"))
    own = size_reach(lower, upper).absurd
    spans = [np.column_stack([lower - own, upper + own])]
    sizes = {(h.size.lower, h.size.upper) for h in spec.holes}
    tools = (*([spec.tools.drill] if spec.tools.drill else []), *spec.tools.drills, *spec.tools.reamers)
    sizes |= {(t.diameter, t.diameter) for t in tools}
    for low, high in sorted(sizes):
        width = float(size_reach(np.array(low), np.array(high)).apart)
        spans.append(np.broadcast_to([low - width, high + width], (lower.size, 2)))
    return np.stack(spans, axis=1)


def inside_spans(value: FloatArray, spans: FloatArray) -> np.ndarray:
    """Return where values (n,) lie in one of their spans (n,K,2)."""
    return np.asarray(((value[:, None] >= spans[..., 0]) & (value[:, None] <= spans[..., 1])).any(axis=1))


def merged(spans: FloatArray) -> list[tuple[float, float]]:
    """Return the spans of one hole (K,2) in order, those that touch as one."""
    out: list[tuple[float, float]] = []
    for low, high in sorted(map(tuple, spans[~np.isnan(spans).any(axis=1)].tolist())):
        if out and low <= out[-1][1]:
            out[-1] = (out[-1][0], max(high, out[-1][1]))
        else:
            out.append((low, high))
    return out


def beyond(value: FloatArray, lower: FloatArray, upper: FloatArray) -> FloatArray:
    """Return by how much a value lies outside its bounds, 0 inside, NaN where they aren't known."""
    return np.maximum(np.maximum(lower - value, value - upper), 0.0)
