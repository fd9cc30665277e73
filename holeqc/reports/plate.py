"""The part to scale on paper, and on it what was measured from where with the ellipses of uncertainty."""

from __future__ import annotations

import io
import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.quantities import format_length
from holeqc.reports import blocks as w
from holeqc.specification.model import EDGE, Distance, Specification

if TYPE_CHECKING:
    from holeqc.inspection.networks import Found
    from holeqc.inspection.view import PartView
    from holeqc.quantities import FloatArray


WIDTH = 520.0  #: of every picture, so that it fits the narrower of both papers
MOST_HEIGHT = 215.0
SMALL = 8.0  #: smallest letter in print


@dataclass(frozen=True, slots=True)
class Plate:
    """The part to scale on paper: where a drawn position goes, and how much room a hole has round it."""

    scale: float
    left: float
    top: float
    low_x: float
    high_y: float
    turn_x: float
    turn_y: float
    room: float  #: radius that magnified circles may have

    def at(self, x: float, y: float) -> w.Point:
        """Return the point on paper of a drawn position."""
        px, py = x * self.turn_x, y * self.turn_y
        return self.left + (px - self.low_x) * self.scale, self.top + (self.high_y - py) * self.scale


def plate_for(specification: Specification, part: Any, top: float, most: float = MOST_HEIGHT) -> tuple[Plate, float]:
    """Return how the part lies on paper below ``top``, and the height that it takes."""
    turn_x, turn_y = part.picture_signs() if part else (1.0, 1.0)
    holes = [(h.x * turn_x, h.y * turn_y) for h in specification.holes]
    corners = [(x * turn_x, y * turn_y) for x, y in specification.outline] or holes
    low_x, high_x = min(x for x, _ in corners + holes), max(x for x, _ in corners + holes)
    low_y, high_y = min(y for _, y in corners + holes), max(y for _, y in corners + holes)
    wide, high = high_x - low_x, high_y - low_y
    if not specification.outline:  # no outline: leave half a spacing round the pattern
        pad = 0.5 * _spacing(holes, max(wide, high) or 1.0)
        low_x, low_y, high_y, wide, high = low_x - pad, low_y - pad, high_y + pad, wide + 2 * pad, high + 2 * pad
    scale = min((WIDTH - 40) / max(wide, 1e-9), most / max(high, 1e-9))
    left = (WIDTH - wide * scale) / 2
    room = min(0.40 * _spacing(holes, max(wide, high)) * scale, 46.0)
    return Plate(scale, left, top, low_x, high_y, turn_x, turn_y, max(room, 9.0)), high * scale


def _spacing(points: Sequence[w.Point], alone: float) -> float:
    """Return the least distance between two holes, or the given length where there is only one."""
    gaps = [math.dist(a, b) for n, a in enumerate(points) for b in points[n + 1 :]]
    return min((gap for gap in gaps if gap > 0), default=alone)


#: rings of an ellipse drawn: as large as this share of the room that a hole has
ELLIPSE = 0.8


def network_drawing(
    spec: Specification, distances: Sequence[Distance], part: Any = None,
    ellipses: Mapping[str, FloatArray] | None = None, suspect: Collection[int] = (), loose: Collection[int] = (),
) -> w.Drawing:  # fmt: skip
    """Return the part with its distances as lines, each with its number from 1.

    ``ellipses``: hole -> covariance of x and y (2, 2) in the part's frame; ``suspect`` and ``loose``: places of the
    distances that don't fit and of those that nothing checks.
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
    labels = []
    for (first, second), numbers in seen.items():
        ink = w.REJECT_INK if set(numbers) & set(suspect) else w.HOLD_INK if set(numbers) & set(loose) else w.BLUE
        points = _way(plate, spec, first, second)
        dash = (3, 2) if ink == w.HOLD_INK else ()
        picture.line(*points, stroke=ink, width=1.8 if ink == w.REJECT_INK else 0.9, dash=dash)
        if len(points) == 2 and second.startswith(EDGE) and not first.startswith(EDGE):
            w.arrow(picture, points[0], points[1], ink, 0.9)
        at = (
            points[-1]
            if second.startswith(EDGE)
            else points[1]
            if len(points) == 3
            else _between(points[0], points[1], 0.38)
        )
        labels.append((at, ",".join(str(k + 1) for k in numbers), ink == w.REJECT_INK))
    for (x, y), text, bold in labels:
        picture.box(x - 2.6 * len(text) - 1, y - 4.5, 5.2 * len(text) + 2, 9, fill="#ffffff")
        picture.text(x, y + 2.8, text, SMALL, bold, anchor="middle")
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


STUB, BOW = 30.0, 11.0  #: length of an arrow towards an edge; how far a line bows round a hole between its ends


def _way(plate: Plate, spec: Specification, first: str, second: str) -> list[w.Point]:
    """Return the points of a distance on paper: towards its edge, or to its other hole, round one that lies between."""
    places = {h.id: plate.at(h.x, h.y) for h in spec.holes}
    edges = {f"{EDGE}{e.name}": e for e in spec.datum_edges}
    if first not in places:
        middle = tuple(sum(v) / len(places) for v in zip(*((h.x, h.y) for h in spec.holes), strict=True))
        return [plate.at(edges[e].at, middle[1]) if edges[e].axis == "x" else plate.at(middle[0], edges[e].at)
                for e in (first, second)]  # fmt: skip
    start = places[first]
    if second not in places:
        edge, hole = edges[second], spec.hole(first)
        foot = plate.at(edge.at, hole.y) if edge.axis == "x" else plate.at(hole.x, edge.at)
        return [start, _between(start, foot, min(1.0, STUB / max(math.dist(start, foot), 1e-9)))]
    end = places[second]
    long = math.dist(start, end)
    across = ((start[1] - end[1]) / long, (end[0] - start[0]) / long)
    for name, (x, y) in places.items():
        along = ((x - start[0]) * (end[0] - start[0]) + (y - start[1]) * (end[1] - start[1])) / long
        off = (x - start[0]) * across[0] + (y - start[1]) * across[1]
        if name not in (first, second) and 0 < along < long and abs(off) < BOW:
            middle = _between(start, end, 0.5)
            return [start, (middle[0] + 1.6 * BOW * across[0], middle[1] + 1.6 * BOW * across[1]), end]
    return [start, end]


def _between(start: w.Point, end: w.Point, share: float) -> w.Point:
    return start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1])


def _ellipse(picture: w.Drawing, plate: Plate, part: Any, at: w.Point, covariance: FloatArray, times: float) -> None:
    signs = part.signs() if part else (1.0, 1.0)
    size, ways = np.linalg.eigh(covariance)
    turn = np.linspace(0.0, 2.0 * math.pi, 37)
    ring = (ways * (2.0 * np.sqrt(np.maximum(size, 0.0)) * times * plate.scale)) @ np.array(
        [np.cos(turn), np.sin(turn)]
    )
    points = [(at[0] + dx * signs[0] * plate.turn_x, at[1] - dy * signs[1] * plate.turn_y) for dx, dy in ring.T]
    picture.polygon(points, stroke=w.BLUE, width=1.0)


def distance_blocks(part: PartView) -> Iterator[w.Block]:
    """Give what a part's positions rest on: a picture and a table of its distances for each wall, and their test."""
    from holeqc.inspection.networks import UNCHECKED

    networks, spec = part.run.inspection.networks, part.specification
    assert networks is not None
    at = networks.names.index((part.part, part.serial))
    for wall, row, mine in part.distances:
        yield w.Heading(f"Distances{f', {wall.name} wall' if spec.walls.several else ''}")
        one = wall.adjusted
        degrees, number = int(one.degrees_of_freedom[row]), wall.wall
        test = f"{len(mine)} distances, none more than place the holes: nothing checks them."
        if degrees:
            test = (
                f"{len(mine)} distances, {degrees} more than place the holes. Their residuals are {one.s0[row]:.2f} "
                f"times what U lets expect; chance of as much {100 * one.global_p[row]:.0f} %."
            )
        yield w.Paragraph(test)
        suspect = [k for k, found in enumerate(mine) if math.isfinite(found.likely)]
        loose = [k for k, found in enumerate(mine) if not found.redundancy > UNCHECKED]
        ellipses = {
            h.id: c for h, c in zip(spec.holes, networks.covariance[at, :, number], strict=True) if np.isfinite(c).all()
        }
        picture = network_drawing(spec, [found.distance for found in mine], part.declared, ellipses, suspect, loose)
        yield w.Picture(picture, picture.note)
        yield _table(part, mine)


def _table(part: PartView, mine: Sequence[Found]) -> w.Table:
    from holeqc.inspection.networks import UNCHECKED

    unit = part.specification.unit
    names = ("Read", "Centres", "Adjusted", "Residual", "U", "Residual/sd", "Found from", "Cell")
    columns = [w.Column("No.", "right"), w.Column("From"), w.Column("To"), w.Column("Way")]
    columns += [w.Column(name, "right") for name in names]
    rows = []
    for k, found in enumerate(mine, 1):
        decimals = 4 if unit == "in" else 3

        def text(value: float, decimals: int = decimals) -> str:
            return format_length(value, unit, decimals)

        odd = 1 if math.isfinite(found.likely) else None
        read = w.Cell(text(found.reading) + (f" likely {text(found.likely)}" if odd else ""), odd)
        checked = "nothing checks it" if not found.redundancy > UNCHECKED else text(found.smallest)
        cell = part.cell({"reading": found.label}).rpartition(", ")[2]
        rows.append((
            str(k), w.plain(found.distance.first), w.plain(found.distance.second), found.distance.way, read,
            text(found.centres), text(found.adjusted), text(found.adjusted - found.centres), text(found.uncertainty),
            "-" if math.isnan(found.standardised) else f"{found.standardised:.1f}", checked, cell,
        ))  # fmt: skip
    note = ("Centres: read, brought to the distance of the centres by way and pins. Residual: adjusted minus that. "
            "Found from: an error as large would be found in 4 of 5 cases.")  # fmt: skip
    return w.Table(tuple(columns), tuple(rows), note)


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
            if not isinstance(item, w.Shape | w.Circle):
                continue
            looks: dict[str, Any] = {
                "facecolor": item.fill or "none", "edgecolor": item.stroke or "none", "linewidth": item.width,
                "zorder": order, "linestyle": (0, item.dash) if item.dash else "-",
            }  # fmt: skip
            if isinstance(item, w.Circle):
                axes.add_patch(Circle((item.x, item.y), item.r, **looks))
            else:
                axes.add_patch(Polygon(item.points, closed=item.closed, **looks))
        store = io.BytesIO()
        figure.savefig(store, format="png", dpi=110, metadata={"Software": None})
    return store.getvalue()
