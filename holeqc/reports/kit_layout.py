"""Where things stand on the sheet of a kit's picture: paper inches from the lower left corner, no drawing library.

The picture is to a stated scale, so that a printout can be laid beside the drawing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holeqc.problems import DataError
from holeqc.quantities import MM_PER_INCH, FloatArray, unit_name
from holeqc.specification.model import Part, Specification

PAGES = {"A4": (11.69, 8.27), "A3": (16.54, 11.69)}
MARGIN = 0.4
BLOCK_HEIGHT = 2.05  #: notes and title block at the foot
DIMENSION_ROOM = 0.85  #: for dimensions left of and below a part
CAPTION_ROOM = 0.5
GAP = 0.35
#: drawing scales of ISO 5455 with the halves and thirds that inch drawings use, largest first
SCALES = (50.0, 20.0, 10.0, 5.0, 4.0, 3.0, 2.0, 1.5, 1.0, *(1 / d for d in (1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 8.0, 10.0,
          15.0, 20.0, 25.0, 50.0, 100.0, 200.0, 500.0, 1000.0)))  # fmt: skip
NARROWEST = 0.5  #: paper inches between holes, below which the larger page is taken


@dataclass(frozen=True, slots=True)
class View:
    """One part on the sheet: which parts it shows, its lower left corner on paper, and drawn corners and holes.

    ``outline`` and ``holes`` are in the kit's unit, turned as the part is; ``low`` is their least x and y; ``shown``
    are the basic positions as they are read on the part.
    """

    names: tuple[str, ...]
    part: Part
    left: float
    bottom: float
    low: tuple[float, float]
    outline: FloatArray
    holes: FloatArray
    shown: FloatArray
    outline_known: bool


@dataclass(frozen=True, slots=True)
class Sheet:
    """The whole sheet: page name, width and height in paper inches, paper inches a kit unit, scale, views."""

    page: str
    width: float
    height: float
    per_unit: float
    scale: float
    views: tuple[View, ...]

    @property
    def scale_text(self) -> str:
        """Scale as drawings say it: ``1 : 2``."""
        return f"{self.scale:g} : 1" if self.scale >= 1 else f"1 : {1 / self.scale:g}"


def arrange(specification: Specification) -> Sheet:
    """Return the sheet that shows every part as large as a usual scale allows, on A4 or, for close patterns, A3.

    Raises:
        DataError: the kit has no positions to draw, or is too large for any scale.
    """
    if not specification.located or not specification.holes:
        raise DataError(
            f"kit {specification.id} gives no basic positions, so nothing can be drawn; write x and y in each [[hole]]"
        )
    turned = _turned(specification)
    for page, (width, height) in PAGES.items():
        found = _fit(specification, turned, width, height)
        if found is None:
            continue
        sheet = Sheet(page, width, height, *found)
        if page == "A3" or _least_pitch(turned[0][1]) * sheet.per_unit >= NARROWEST:
            return sheet
    raise DataError(
        f"kit {specification.id} is too large to draw at any usual scale; are its lengths in "
        f"{unit_name(specification.unit)}?"
    )


Turned = tuple[tuple[str, ...], FloatArray, FloatArray, FloatArray, bool]


def _turned(s: Specification) -> list[Turned]:
    """Return names, drawn holes, drawn outline and shown positions of each different picture of a part."""
    groups: dict[tuple[float, ...], list[str]] = {}
    for part in s.parts:
        groups.setdefault((*part.picture_signs(), *part.signs()), []).append(part.name)
    holes = np.array([(h.x, h.y) for h in s.holes], dtype=np.float64)
    if s.outline:
        outline = np.asarray(s.outline, dtype=np.float64)
    else:
        room = 1.5 * max(h.size.upper for h in s.holes)
        low, high = np.minimum(holes.min(axis=0) - room, 0.0), np.maximum(holes.max(axis=0) + room, 0.0)
        outline = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    return [
        (tuple(names), holes * signs[:2], outline * signs[:2], holes * signs[2:], bool(s.outline))
        for signs, names in groups.items()
    ]


def _least_pitch(holes: FloatArray) -> float:
    if len(holes) < 2:
        return float("inf")
    distance = np.hypot(*np.moveaxis(holes[:, None] - holes[None], 2, 0))
    distance[np.diag_indices(len(holes))] = np.inf
    return float(distance.min())


def _fit(
    s: Specification, turned: Sequence[Turned], width: float, height: float
) -> tuple[float, float, tuple[View, ...]] | None:
    """Return paper inches a unit, scale and views at the largest scale that fits, side by side or one over another."""
    corners = [np.vstack([outline, holes]) for _, holes, outline, _, _ in turned]
    sizes = np.array([np.ptp(c, axis=0) for c in corners])
    lows = [c.min(axis=0) for c in corners]
    count = len(turned)
    inner_width, inner_height = width - 2 * MARGIN, height - 2 * MARGIN - BLOCK_HEIGHT
    inch = 1.0 if s.unit == "in" else 1.0 / MM_PER_INCH
    for scale in SCALES:
        per_unit = inch * scale
        wide, high = sizes[:, 0] * per_unit + DIMENSION_ROOM, sizes[:, 1] * per_unit + DIMENSION_ROOM + CAPTION_ROOM
        for columns in sorted({count, 1}, reverse=True):
            rows = -(-count // columns)
            total_width = columns * wide.max() + (columns - 1) * GAP
            total_height = rows * high.max() + (rows - 1) * GAP / 2
            if total_width <= inner_width and total_height <= inner_height:
                views = []
                for i, (names, holes, outline, shown, known) in enumerate(turned):
                    row, column = divmod(i, columns)
                    left = MARGIN + (inner_width - total_width) / 2 + column * (wide.max() + GAP) + DIMENSION_ROOM
                    top = height - MARGIN - (inner_height - total_height) / 2 - row * (high.max() + GAP / 2)
                    bottom = top - high.max() + DIMENSION_ROOM
                    low = (float(lows[i][0]), float(lows[i][1]))
                    views.append(
                        View(names, s.part(names[0]), left, bottom, low, outline, holes, shown, known)
                    )
                return per_unit, scale, tuple(views)
    return None


def spread(places: Sequence[float], least: float, low: float, high: float) -> list[float]:
    """Return label places near the ascending places given, at least so far apart, inside low and high.

    A pass forwards pushes labels apart, a pass backwards brings them in; with no room for all they are set evenly.
    """
    count = len(places)
    if count * least > high - low + least:
        return [float(v) for v in np.linspace(low, high, count)]
    found = [float(p) for p in places]
    for i in range(count):
        found[i] = max(found[i], low if i == 0 else found[i - 1] + least)
    for i in reversed(range(count)):
        found[i] = min(found[i], high if i == count - 1 else found[i + 1] - least)
    return found
