"""What is measured from where: holes, edges, distances and the ellipses of uncertainty, for sheet and report."""

from __future__ import annotations

import io
import math
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.reports import blocks as w
from holeqc.reports.part_pages import SMALL, WIDTH, Plate, plate_for
from holeqc.specification.model import EDGE, Distance, Specification

if TYPE_CHECKING:
    from holeqc.quantities import FloatArray


#: rings of an ellipse drawn: as large as this share of the room that a hole has
ELLIPSE = 0.8


def network_drawing(
    spec: Specification, distances: Sequence[Distance], part: Any = None, ellipses: Mapping[str, FloatArray] | None = None,
    suspect: Collection[int] = (), loose: Collection[int] = (),
) -> w.Drawing:  # fmt: skip
    """Return the part with its distances as lines, each with its number from 1.

    ``ellipses``: hole -> covariance of x and y (2, 2) in the part's frame; ``suspect`` and ``loose``: places of the distances
    that don't fit and of those that nothing checks.
    """
    plate, high = plate_for(spec, part, 20.0, 260.0)
    picture = w.Drawing(WIDTH, 20.0 + high + 34.0, "Distances: what is measured from where")
    if spec.outline:
        picture.polygon([plate.at(x, y) for x, y in spec.outline], stroke=w.SOFT, width=1.0, fill=w.PALE)
    for edge in spec.datum_edges:
        _edge(picture, plate, spec, edge)
    wall = distances[0].wall if distances else ""
    seen: dict[tuple[str, str], list[int]] = {}
    for k, distance in enumerate(distances):
        if distance.wall == wall:
            seen.setdefault((distance.first, distance.second), []).append(k)
    for (first, second), numbers in seen.items():
        start, end = (_place(plate, spec, one, other) for one, other in ((first, second), (second, first)))
        ink = w.REJECT_INK if set(numbers) & set(suspect) else w.HOLD_INK if set(numbers) & set(loose) else w.BLUE
        picture.line(start, end, stroke=ink, width=1.8 if ink == w.REJECT_INK else 0.8, dash=(3, 2) if ink == w.HOLD_INK else ())
    for (first, second), numbers in seen.items():
        start, end = (_place(plate, spec, one, other) for one, other in ((first, second), (second, first)))
        share = 0.5 if first.startswith(EDGE) or second.startswith(EDGE) else 0.38
        x, y = start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1])
        text = ",".join(str(k + 1) for k in numbers)
        picture.box(x - 2.6 * len(text), y - 4.5, 5.2 * len(text), 9, fill="#ffffff")
        picture.text(x, y + 2.8, text, SMALL, anchor="middle", bold=bool(set(numbers) & set(suspect)))
    largest = max((float(np.sqrt(np.linalg.eigvalsh(c)[1])) for c in (ellipses or {}).values()), default=0.0)
    times = ELLIPSE * plate.room / (2.0 * largest) / plate.scale if largest > 0 else 0.0
    for hole in spec.holes:
        x, y = plate.at(hole.x, hole.y)
        picture.circle(x, y, max(0.5 * hole.size.upper * plate.scale, 4.0), stroke=w.INK, width=1.0, fill="#ffffff")
        if ellipses and hole.id in ellipses:
            _ellipse(picture, plate, part, (x, y), ellipses[hole.id], times)
        picture.text(x, y + 3, w.plain(hole.id), SMALL, True, anchor="middle")
    picture.note = "Numbers: rows of the table." + (
        f" Ellipses: U (k = 2) of each hole's place, {times:.0f} times larger than the part." if times else ""
    )
    return picture


def _edge(picture: w.Drawing, plate: Plate, spec: Specification, edge: Any) -> None:
    """Draw a datum edge along the holes, with its name."""
    x, y = ([getattr(h, axis) for h in spec.holes] for axis in "xy")
    along = [p[1 if edge.axis == "x" else 0] for p in spec.outline] or [*(y if edge.axis == "x" else x)]
    ends = [(edge.at, v) if edge.axis == "x" else (v, edge.at) for v in (min(along), max(along))]
    picture.line(*(plate.at(*end) for end in ends), stroke=w.INK, width=2.2)
    at = plate.at(*ends[1])
    picture.text(at[0] + 4, at[1] - 4, w.plain(edge.name), 9.0, True)


def _place(plate: Plate, spec: Specification, end: str, other: str) -> w.Point:
    """Return where a distance's end lies on paper: a hole's centre, or the foot of the other end on an edge."""
    if not end.startswith(EDGE):
        hole = spec.hole(end)
        return plate.at(hole.x, hole.y)
    edge = next(e for e in spec.datum_edges if f"{EDGE}{e.name}" == end)
    if other.startswith(EDGE):
        middle = [sum(v) / len(spec.holes) for v in zip(*((h.x, h.y) for h in spec.holes), strict=True)]
    else:
        middle = [spec.hole(other).x, spec.hole(other).y]
    return plate.at(edge.at, middle[1]) if edge.axis == "x" else plate.at(middle[0], edge.at)


def _ellipse(
    picture: w.Drawing, plate: Plate, part: Any, at: w.Point, covariance: FloatArray, times: float
) -> None:
    signs = part.signs() if part else (1.0, 1.0)
    size, ways = np.linalg.eigh(covariance)
    turn = np.linspace(0.0, 2.0 * math.pi, 37)
    ring = (ways * (2.0 * np.sqrt(np.maximum(size, 0.0)) * times * plate.scale)) @ np.array([np.cos(turn), np.sin(turn)])
    points = [(at[0] + dx * signs[0] * plate.turn_x, at[1] - dy * signs[1] * plate.turn_y) for dx, dy in ring.T]
    picture.polygon(points, stroke=w.BLUE, width=1.0)


def network_png(spec: Specification, distances: Sequence[Distance]) -> bytes:
    """Return the drawing of distances to measure as a PNG, the same bytes each time."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Circle, Polygon

    drawing = network_drawing(spec, distances)
    with mpl.rc_context({"font.family": "DejaVu Sans"}):
        figure = Figure(figsize=(drawing.width / 72.0, drawing.height / 72.0))
        FigureCanvasAgg(figure)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_xlim(0.0, drawing.width)
        axes.set_ylim(drawing.height, 0.0)
        axes.set_axis_off()
        for order, item in enumerate(drawing.items):
            if isinstance(item, w.Text):
                how = {"start": "left", "middle": "center", "end": "right"}[item.anchor]
                axes.text(item.x, item.y, item.text, fontsize=item.size, color=item.colour, ha=how, va="baseline",
                          fontweight="bold" if item.bold else "normal", zorder=order)  # fmt: skip
                continue
            looks: dict[str, Any] = {
                "facecolor": item.fill or "none", "edgecolor": item.stroke or "none", "linewidth": item.width, "zorder": order,
                "linestyle": (0, item.dash) if item.dash else "-",
            }  # fmt: skip
            if isinstance(item, w.Circle):
                axes.add_patch(Circle((item.x, item.y), item.r, **looks))
            else:
                axes.add_patch(Polygon(item.points, closed=item.closed, **looks))
        store = io.BytesIO()
        figure.savefig(store, format="png", dpi=110, metadata={"Software": None})
    return store.getvalue()
