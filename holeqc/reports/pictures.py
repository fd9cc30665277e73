"""The pictures of a report: where each hole lies, how large it reads, how the pins go in.

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
MOST_HEIGHT = 240.0
SLOTS = 24  #: hole and wall pairs in one size picture
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


def _base(part: PartView, title: str, top: float, bottom: float) -> tuple[d.Drawing, Plate]:
    """Return a drawing with the part's outline and its edges named."""
    spec = part.specification
    plate, high = plate_for(spec, part.declared, top)
    picture = d.Drawing(WIDTH, top + high + bottom, title)
    if spec.outline:
        picture.polygon([plate.at(x, y) for x, y in spec.outline], stroke=d.SOFT, width=1.0, fill=d.PALE)
    return picture, plate


# --------------------------------------------------------------------------------------------------------- position


def pattern_picture(part: PartView) -> d.Drawing | None:
    """Return the pattern with each hole's deviation magnified inside its tolerance circle; None without positions."""
    rows = {h.id: _position_rows(part, h.id) for h in part.specification.holes}
    there = {str(row["hole"]): row for row in part.holes}
    zones = [float(worst_row(r)["upper"]) / 2 for r in rows.values() if r]
    zones = [z for z in zones if math.isfinite(z) and z > 0]
    offsets = [math.hypot(row["dx"], row["dy"]) for row in part.holes]
    offsets = [o for o in offsets if math.isfinite(o)]
    if not offsets:
        return None
    picture, plate = _base(part, f"Position of each hole of {w.plain(part.name)}", 36.0, 22.0)
    largest = max(zones) if zones else max(offsets) or 1.0
    magnify = 0.78 * plate.room / largest
    for hole in part.specification.holes:
        _one_position(picture, plate, part, hole, rows[hole.id], there.get(hole.id), magnify)
    _pattern_legend(picture, magnify / plate.scale, any(bool(r) for r in rows.values()))
    return picture


def _position_rows(part: PartView, hole: str) -> list[Row]:
    for name in ("position", "hole-to-hole position"):
        rows = [r for r in part.characteristics if r["hole"] == hole and r["characteristic"] == name]
        if rows:
            return rows
    return []


def _one_position(
    picture: d.Drawing, plate: Plate, part: PartView, hole: Hole, rows: list[Row], found: Row | None, magnify: float
) -> None:
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
    if found is not None and math.isfinite(found["dx"]) and math.isfinite(found["dy"]):
        _deviation(picture, plate, part, found, (x, y), magnify, verdict)
        label = f"{w.MARKS[verdict]} {hole.id}" if row is not None else hole.id
    else:
        label = f"? {hole.id} not read"
    radius = zone if math.isfinite(zone) else 8.0
    picture.text(x, y - radius - 4, w.plain(label), 9.0, True, ink, "middle")
    if row is not None and math.isfinite(row["found"]) and plate.room > 24:
        text = f"{w.computed(row['found'], unit, row['upper'])} / {w.computed(row['upper'], unit)}"
        picture.text(x, y + radius + 10, text, SMALL, verdict != ACCEPT, ink, "middle")


def _deviation(
    picture: d.Drawing, plate: Plate, part: PartView, found: Row, at: d.Point, magnify: float, verdict: int
) -> None:
    """Draw where the hole's axis lies: from the basic position, arrow and cross where it is off the paper's room."""
    signs = part.declared.signs() if part.declared else (1.0, 1.0)
    dx = found["dx"] * signs[0] * plate.turn_x * magnify  # from the readings' frame to the drawn one, then to the picture
    dy = found["dy"] * signs[1] * plate.turn_y * magnify
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


def _pattern_legend(picture: d.Drawing, times: float, zones: bool) -> None:
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
    picture.note = f"{note}. Numbers: actual / allowed diameter in the wall that lies worst."


# ------------------------------------------------------------------------------------------------------------- size

_FORMS = {0.0: "round", 90.0: "square", 45.0: "triangle", 135.0: "diamond"}


def size_pictures(part: PartView) -> list[d.Drawing]:
    """Return every diameter read against its limits, so many holes a picture that they stay apart."""
    table = part.readings
    rows = table[table["characteristic"] == "diameter"]
    if not len(rows):
        return []
    names = ["hole", "wall", "direction", "value", "doubt"]
    by: dict[tuple[str, str], list[tuple[float, float, bool]]] = {}
    for hole, wall, direction, value, doubt in zip(*(rows[name].tolist() for name in names), strict=True):
        by.setdefault((str(hole), str(wall)), []).append((direction, value, bool(doubt)))
    walls = {wall: n for n, wall in enumerate(part.specification.walls.names)}
    order = {hole: n for n, hole in enumerate(part.specification.hole_ids)}
    slots = sorted(by, key=lambda slot: (order.get(slot[0], len(order)), walls.get(slot[1], 9)))
    slots = [slot for slot in slots if slot[0] in order]
    pieces = [slots[n : n + SLOTS] for n in range(0, len(slots), SLOTS)]
    return [_size_picture(part, piece, by) for piece in pieces]


def _size_picture(
    part: PartView, slots: list[tuple[str, str]], by: dict[tuple[str, str], list[tuple[float, float, bool]]]
) -> d.Drawing:
    left, right, top, bottom = 58.0, WIDTH - 8, 30.0, 178.0
    picture = d.Drawing(WIDTH, 216.0, f"Every diameter of {w.plain(part.name)} against the limits of size")
    sizes = {part.specification.hole(hole).size for hole, _ in slots}
    band_top, band_bottom = top + 30, bottom - 30
    picture.box(left, band_top, right - left, band_bottom - band_top, fill=d.PALE)
    same = next(iter(sizes)) if len(sizes) == 1 else None
    unit = part.specification.unit
    for y, name, value in ((band_top, "upper", same and same.upper), (band_bottom, "lower", same and same.lower)):
        picture.line((left, y), (right, y), stroke=d.INK, width=1.1)
        picture.text(left - 5, y + (-1 if value else 3), name, SMALL, anchor="end", colour=d.SOFT)
        if value:
            picture.text(left - 5, y + 9, w.typed(value, unit), SMALL, True, anchor="end")
    _guard_lines(picture, part, left, right, band_top, band_bottom)
    step = (right - left) / len(slots)
    before = ""
    for n, slot in enumerate(slots):
        middle = left + (n + 0.5) * step
        if slot[0] != before:
            picture.line((left + n * step, top), (left + n * step, bottom), stroke=d.RULE, width=0.5)
            count = sum(1 for other in slots if other[0] == slot[0])
            picture.text(left + (n + count / 2) * step, bottom + 24, w.shorten(slot[0], 10), 9.0, True, anchor="middle")
            before = slot[0]
        if part.specification.walls.several:
            picture.text(middle, bottom + 12, w.shorten(slot[1], max(1, int(step / 5))), SMALL, colour=d.SOFT, anchor="middle")
        _slot(picture, part, slot, by[slot], middle, step, (top, band_top, band_bottom, bottom))
    picture.line((right, top), (right, bottom), stroke=d.RULE, width=0.5)
    picture.text(left - 5, bottom + 24, "hole", SMALL, colour=d.SOFT, anchor="end")
    picture.note = "Every two-point reading by itself, as it was read"
    picture.note += ", before the correction to 20 °C." if part.specification.temperature.correct else "."
    _size_legend(picture, part, {round(r[0] % 180, 3) for s in slots for r in by[s]})
    return picture


def _guard_lines(
    picture: d.Drawing, part: PartView, left: float, right: float, band_top: float, band_bottom: float
) -> None:
    """Draw the acceptance limits where the rule has a guard band and it is the same for all."""
    rule = part.specification.decision
    bands = {
        round(rule.guard_factor * r["uncertainty"] / (r["upper"] - r["lower"]), 4)
        for r in part.characteristics
        if r["characteristic"] == "size" and math.isfinite(r["uncertainty"]) and r["upper"] > r["lower"]
    }
    if rule.rule == "simple" or len(bands) != 1:
        return
    inward = (1 if rule.rule == "guarded" else -1) * bands.pop() * (band_bottom - band_top)
    for y in (band_top + inward, band_bottom - inward):
        picture.line((left, y), (right, y), stroke=d.BLUE, width=0.8, dash=(5, 2.5))
    picture.text(right, 12, "– – acceptance limit", SMALL, colour=d.BLUE, anchor="end")


def _slot(
    picture: d.Drawing, part: PartView, slot: tuple[str, str], readings: list[tuple[float, float, bool]], middle: float,
    step: float, levels: tuple[float, float, float, float],
) -> None:  # fmt: skip
    top, band_top, band_bottom, bottom = levels
    limits = part.specification.hole(slot[0]).size
    row = part.table.get((slot[0], slot[1], "size"))
    far = slot[1] in part.specification.walls.names[1:]
    apart = min(7.0, step / (len(readings) + 1))
    unit = part.specification.unit
    for n, (direction, value, doubt) in enumerate(readings):
        if not math.isfinite(value):
            continue
        x = middle + (n - (len(readings) - 1) / 2) * apart
        share = (value - limits.lower) / max(limits.band, 1e-12)
        y = band_bottom - share * (band_bottom - band_top)
        beyond = max(min(y, bottom - 4), top + 4)
        outside = w.above_or_below(value, limits.lower, limits.upper)
        ink = d.HOLD_INK if doubt else d.REJECT_INK if outside and row and row["verdict"] == REJECT else d.INK
        _reading(picture, (x, beyond), _FORMS.get(round(direction % 180, 3), "round"), far, ink)
        if outside or doubt:
            mark = "?" if doubt else w.MARKS[REJECT] if ink == d.REJECT_INK else "?"
            up = y < band_top
            if beyond != y:
                d.arrow(picture, (x, beyond), (x, top - 5 if up else bottom + 2), ink)
            at = beyond + 3 if beyond != y else beyond + (-6 if up else 13)
            side = "start" if middle < WIDTH - 60 else "end"
            picture.text(x + (6 if side == "start" else -6), at, f"{mark} {w.typed(value, unit)}", SMALL, True, ink, side)


def _reading(picture: d.Drawing, at: d.Point, form: str, hollow: bool, ink: str) -> None:
    x, y = at
    r = 2.6
    fill = "#ffffff" if hollow else ink
    if form == "round":
        picture.circle(x, y, r, stroke=ink, width=1.0, fill=fill)
        return
    points = {
        "square": ((-r, -r), (r, -r), (r, r), (-r, r)),
        "triangle": ((0, -r - 0.6), (r + 0.4, r), (-r - 0.4, r)),
        "diamond": ((0, -r - 1), (r + 1, 0), (0, r + 1), (-r - 1, 0)),
    }[form]
    picture.polygon([(x + px, y + py) for px, py in points], ink, 1.0, fill)


def _size_legend(picture: d.Drawing, part: PartView, directions: set[float]) -> None:
    x = 58.0
    for direction in sorted(a for a in directions if not math.isnan(a)):
        _reading(picture, (x + 3, 9), _FORMS.get(direction, "round"), False, d.INK)
        picture.text(x + 10, 12, f"read at {direction:g}°", SMALL, colour=d.SOFT)
        x += 76
    names = part.specification.walls.names
    if part.specification.walls.several:
        text = f"{w.plain(names[0])} wall filled, {w.plain(' and '.join(names[1:]))} hollow"
        picture.text(x + 4, 12, text, SMALL, colour=d.SOFT)


# ------------------------------------------------------------------------------------------------------------- pins


def pin_picture(part: PartView) -> d.Drawing | None:
    """Return each hole with its largest pin inside, the room magnified, binding holes marked; None without pins."""
    if int(part.row["pin_verdict"]) < 0 or not part.pins:
        return None
    worst: dict[str, Row] = {}
    for row in part.pins:
        hole = str(row["hole"])
        if math.isfinite(row["left"]) and (hole not in worst or _tighter(row, worst[hole])):
            worst[hole] = row
    if not worst:
        return None
    picture, plate = _base(part, f"Pins of the whole pattern in {w.plain(part.name)}", 36.0, 22.0)
    radius = min(plate.room * 0.72, 30.0)
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
    picture.note = "All pins at once at their best shift and turn. Room between pin and hole is magnified; numbers: radial room left."
    return picture


def _tighter(row: Row, other: Row) -> bool:
    return (bool(row["binding"]), -row["left"]) > (bool(other["binding"]), -other["left"])


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
    wall = f" {row['wall']}" if part.specification.walls.several and plate.room > 24 else ""
    picture.text(x, y - radius - 4, w.plain(label + wall), 9.0, True, ink, "middle")
    if plate.room > 24:
        text = w.signed(left, part.specification.unit)
        picture.text(x, y + radius + 10, text, SMALL, binds, ink, "middle")
