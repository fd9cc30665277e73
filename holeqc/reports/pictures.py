"""The pictures of a report on the part's outline: where each hole lies, how the pins go in.

Every number comes from the result frames; a picture only scales it. What colour says, a mark and a word say too, so
that a grey print loses nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from holeqc.inspection.results import ACCEPT, REJECT
from holeqc.reports import drawing as d
from holeqc.reports import wording as w
from holeqc.reports.screen import worst_row
from holeqc.reports.view import PartView, Row

if TYPE_CHECKING:
    from holeqc.specification.model import Hole, Specification

WIDTH = 520.0  #: of every picture, so that it fits the narrower of both papers
MOST_HEIGHT = 215.0
RING = 0.60  #: radius of a hole with its pin, as a share of the room
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

    def at(self, x: float, y: float) -> d.Point:
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


def _spacing(points: Sequence[d.Point], alone: float) -> float:
    """Return the least distance between two holes, or the given length where there is only one."""
    gaps = [math.dist(a, b) for n, a in enumerate(points) for b in points[n + 1 :]]
    return min((gap for gap in gaps if gap > 0), default=alone)


def _base(part: PartView, title: str, top: float, bottom: float, most: float = MOST_HEIGHT) -> tuple[d.Drawing, Plate]:
    """Return a drawing with the part's outline and its edges named."""
    spec = part.specification
    plate, high = plate_for(spec, part.declared, top, most)
    picture = d.Drawing(WIDTH, top + high + bottom, title)
    if spec.outline:
        picture.polygon([plate.at(x, y) for x, y in spec.outline], stroke=d.SOFT, width=1.0, fill=d.PALE)
    return picture, plate


# --------------------------------------------------------------------------------------------------------- position


def pattern_picture(part: PartView, name: str) -> d.Drawing | None:
    """Return the pattern with each hole's deviation magnified inside its tolerance circle; None without positions.

    ``name``: the characteristic whose zones and deviations are drawn, position or hole-to-hole position.
    """
    rows = {h.id: _rows_of(part, h.id, name) for h in part.specification.holes}
    key = "" if name == "position" else "pattern_"
    off = {str(row["hole"]): (float(row[f"{key}dx"]), float(row[f"{key}dy"])) for row in part.holes}
    zones = [float(worst_row(r)["upper"]) / 2 for r in rows.values() if r]
    zones = [z for z in zones if math.isfinite(z) and z > 0]
    offsets = [math.hypot(*vector) for vector in off.values()]
    offsets = [o for o in offsets if math.isfinite(o)]
    if not offsets:
        return None
    title = "Position" if name == "position" else "Position hole to hole"
    picture, plate = _base(part, f"{title} of each hole of {w.plain(part.name)}", 36.0, 22.0)
    largest = max(zones) if zones else max(offsets) or 1.0
    magnify = 0.78 * plate.room / largest
    for hole in part.specification.holes:
        _one_position(picture, plate, part, hole, rows[hole.id], off.get(hole.id), magnify)
    several = part.specification.walls.several
    _pattern_legend(picture, magnify / plate.scale, any(bool(r) for r in rows.values()), several)
    return picture


def _rows_of(part: PartView, hole: str, name: str) -> list[Row]:
    return [row for row in part.characteristics if row["hole"] == hole and row["characteristic"] == name]


def _label(picture: d.Drawing, x: float, y: float, text: str, size: float, bold: bool, ink: str) -> None:
    """Write a label about x on a ground of its own, so that no line runs through it."""
    wide = 0.64 * size * len(text)
    picture.box(x - wide / 2 - 1, y - size + 0.5, wide + 2, size + 1.5, fill=d.PALE)
    picture.text(x, y, text, size, bold, ink, "middle")


def _one_position(
    picture: d.Drawing, plate: Plate, part: PartView, hole: Hole, rows: list[Row], off: d.Point | None,
    magnify: float,
) -> None:  # fmt: skip
    x, y = plate.at(hole.x, hole.y)
    unit = part.specification.unit
    row = worst_row(rows) if rows else None
    zone = float(row["upper"]) / 2 * magnify if row is not None else math.nan
    stated = float(row["stated"]) / 2 * magnify if row is not None else math.nan
    verdict = int(row["verdict"]) if row is not None else ACCEPT
    if math.isfinite(zone):
        picture.circle(x, y, zone, stroke=d.INK, width=0.9, fill="#ffffff")
    if math.isfinite(stated) and stated < zone - 0.3:
        picture.circle(x, y, stated, stroke=d.SOFT, width=0.7, dash=(2.5, 2))
    picture.line((x - 3, y), (x + 3, y), stroke=d.SOFT, width=0.6)
    picture.line((x, y - 3), (x, y + 3), stroke=d.SOFT, width=0.6)
    ink = d.VERDICT_INK[verdict]
    if off is not None and math.isfinite(off[0]) and math.isfinite(off[1]):
        _deviation(picture, plate, part, off, (x, y), magnify, verdict)
        label = f"{w.MARKS[verdict]} {hole.id}" if row is not None else hole.id
    else:
        label = f"? {hole.id} not read"
    radius = zone if math.isfinite(zone) else 8.0
    _label(picture, x, y - radius - 4, w.plain(label), 9.0, True, ink)
    if row is not None and math.isfinite(row["found"]) and plate.room > 24:
        text = f"{w.computed(row['found'], unit, row['upper'])} / {w.computed(row['upper'], unit)}"
        _label(picture, x, y + radius + 10, text, SMALL, verdict != ACCEPT, ink)


def _deviation(
    picture: d.Drawing, plate: Plate, part: PartView, off: d.Point, at: d.Point, magnify: float, verdict: int
) -> None:
    """Draw where the hole's axis lies: from the basic position, arrow and cross where it is off the paper's room."""
    signs = part.declared.signs() if part.declared else (1.0, 1.0)
    # from the readings' frame to the drawn one, then to the picture
    dx, dy = off[0] * signs[0] * plate.turn_x * magnify, off[1] * signs[1] * plate.turn_y * magnify
    length = math.hypot(dx, dy)
    most = 1.25 * plate.room
    ink = d.VERDICT_INK[verdict]
    if length > most:
        end = (at[0] + dx / length * most, at[1] - dy / length * most)
        d.arrow(picture, at, end, ink, 1.2)
        return
    end = (at[0] + dx, at[1] - dy)
    picture.line(at, end, stroke=ink, width=1.1)
    spot(picture, end, verdict)


def spot(picture: d.Drawing, at: d.Point, verdict: int, size: float = 3.0) -> None:
    """Draw a point whose form tells the verdict: round accept, square hold, cross reject."""
    x, y = at
    ink = d.VERDICT_INK[verdict]
    if verdict == ACCEPT:
        picture.circle(x, y, size, fill=ink)
    elif verdict == REJECT:
        s = size + 0.8
        picture.line((x - s, y - s), (x + s, y + s), stroke=ink, width=2.0)
        picture.line((x - s, y + s), (x + s, y - s), stroke=ink, width=2.0)
    else:
        picture.box(x - size, y - size, 2 * size, 2 * size, stroke=ink, width=1.4, fill="#ffffff")


def _pattern_legend(picture: d.Drawing, times: float, zones: bool, several: bool) -> None:
    x = 0.0
    if zones:
        picture.circle(x + 7, 9, 6, stroke=d.INK, width=0.9)
        picture.text(x + 17, 12, "stated + bonus", SMALL, colour=d.SOFT)
        picture.circle(x + 107, 9, 6, stroke=d.SOFT, width=0.7, dash=(2.5, 2))
        picture.text(x + 117, 12, "as stated", SMALL, colour=d.SOFT)
        x = 178
    for verdict, wide in ((0, 62), (1, 52), (2, 58)):
        spot(picture, (x + 5, 9), verdict)
        picture.text(x + 13, 12, w.word(verdict), SMALL, colour=d.SOFT)
        x += wide
    note = f"Part to scale, deviations and circles {times:.0f} times larger" if times >= 1.5 else "Part to scale"
    where = " in the wall that lies worst" if several else ""
    picture.note = f"{note}. Numbers: actual / allowed diameter{where}."


# ------------------------------------------------------------------------------------------------------------- pins


def pin_picture(part: PartView) -> d.Drawing | None:
    """Return each hole with its largest pin inside, the room magnified, binding holes marked; None without pins."""
    if int(part.row["pin_verdict"]) < 0 or not part.pins:
        return None
    worst: dict[str, Row] = {}
    for row in part.pins_shown:
        name = str(row["hole"])
        if math.isfinite(row["left"]) and (name not in worst or _tighter(row, worst[name])):
            worst[name] = row
    if not worst:
        return None
    picture, plate = _base(part, f"Pins of the whole pattern in {w.plain(part.name)}", 36.0, 22.0, 115.0)
    radius = min(plate.room * RING, 30.0)
    clearance = max(float(row["clearance"]) for row in worst.values())
    magnify = 0.45 * radius / clearance if clearance > 0 else 0.0
    for hole in part.specification.holes:
        if hole.pin is not None:
            _one_pin(picture, plate, part, hole, worst.get(hole.id), radius, magnify)
    picture.circle(7, 9, 6, stroke=d.INK, width=1.2)
    picture.text(17, 12, "hole", SMALL, colour=d.SOFT)
    picture.circle(55, 9, 6, fill=d.RULE)
    picture.text(65, 12, "pin at its virtual condition", SMALL, colour=d.SOFT)
    picture.circle(195, 9, 6, stroke=d.BLUE, width=2.4)
    picture.text(205, 12, "● binds: the holes that decide", SMALL, colour=d.SOFT)
    only = str(part.row["pin_culprit"])
    who = f"Pins at their best shift and turn without hole {w.plain(only)}" if only else (
        "All pins at once at their best shift and turn")
    picture.note = f"{who}, room magnified. Numbers: radial room left."
    return picture


def _tighter(row: Row, other: Row) -> bool:
    return (bool(row["binding"]), -row["left"]) > (bool(other["binding"]), -other["left"])


def _takes(plate: Plate, text: str) -> bool:
    """Whether a label fits between neighbours: above and below a ring, and beside the next one."""
    spacing = plate.room / 0.40
    return spacing > 2 * RING * plate.room + 23 and spacing > 0.64 * 9 * len(text)


def _one_pin(
    picture: d.Drawing, plate: Plate, part: PartView, hole: Hole, row: Row | None, radius: float, magnify: float
) -> None:
    x, y = plate.at(hole.x, hole.y)
    if row is None:
        picture.circle(x, y, radius, stroke=d.HOLD_INK, width=1.0, dash=(3, 2), fill="#ffffff")
        picture.text(x, y - radius - 4, f"? {w.plain(hole.id)}", 9.0, True, d.HOLD_INK, "middle")
        return
    left, binds = float(row["left"]), bool(row["binding"])
    lacking = left < 0
    ink = d.REJECT_INK if lacking else d.BLUE if binds else d.INK
    picture.circle(x, y, radius, stroke=ink, width=2.4 if binds else 1.2, fill="#ffffff")
    at, pin = (x, y), radius - left * magnify
    off = row.get("off_x", math.nan), row.get("off_y", math.nan)
    if math.isfinite(off[0]) and math.isfinite(off[1]):
        signs = part.declared.signs() if part.declared else (1.0, 1.0)
        at = (x + off[0] * signs[0] * plate.turn_x * magnify, y - off[1] * signs[1] * plate.turn_y * magnify)
        pin = radius - float(row["clearance"]) * magnify
    picture.circle(*at, max(pin, 2.0), stroke=ink if lacking else d.SOFT, width=0.8, fill=d.RULE)
    label = f"{w.MARKS[REJECT]} {hole.id}" if lacking else f"● {hole.id}" if binds else hole.id
    wall = f" {row['wall']}" if part.specification.walls.several and _takes(plate, f"{label} {row['wall']}") else ""
    _label(picture, x, y - radius - 4, w.plain(label + wall), 9.0, True, ink)
    if _takes(plate, w.signed(left, part.specification.unit)):
        text = w.signed(left, part.specification.unit)
        _label(picture, x, y + radius + 10, text, SMALL, binds, ink)
