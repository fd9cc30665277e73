"""The picture of sizes: every diameter that was read, against its limits."""

from __future__ import annotations

import math
from collections.abc import Iterable

from holeqc.inspection.results import REJECT
from holeqc.inspection.view import PartView
from holeqc.reports import drawing as d
from holeqc.reports import wording as w
from holeqc.reports.pictures import SMALL, WIDTH

SLOTS = 24  #: hole and wall pairs in one picture

RADIUS = 2.6  #: of the mark of a reading
Told = tuple[d.Point, str, str, bool]  #: where a reading stands, its value in words, ink, whether it lies high
_FORMS = ("round", "square", "triangle", "diamond")


def _forms(readings: Iterable[tuple[float, float, bool]]) -> dict[float, str]:
    """Return the form of each direction that was read, 180° being 0° again; unsaid directions are round."""
    said = sorted({round(direction % 180, 3) for direction, _, _ in readings if math.isfinite(direction)})
    return {direction: _FORMS[n % len(_FORMS)] for n, direction in enumerate(said)}


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
    forms = _forms(reading for slot in slots for reading in by[slot])
    step = (right - left) / len(slots)
    before = ""
    told: list[Told] = []
    for n, slot in enumerate(slots):
        middle = left + (n + 0.5) * step
        if slot[0] != before:
            picture.line((left + n * step, top), (left + n * step, bottom), stroke=d.RULE, width=0.5)
            count = sum(1 for other in slots if other[0] == slot[0])
            picture.text(left + (n + count / 2) * step, bottom + 24, w.shorten(slot[0], 10), 9.0, True, anchor="middle")
            before = slot[0]
        if part.specification.walls.several:
            picture.text(
                middle, bottom + 12, w.shorten(slot[1], max(1, int(step / 5))), SMALL, colour=d.SOFT, anchor="middle"
            )
        levels = top, band_top, band_bottom, bottom
        told += _slot(picture, part, slot, by[slot], middle, step, levels, forms)
    points = [said[0] for said in told] + [_centre(item) for item in picture.items if _is_reading(item)]
    for said in told:
        _tell(picture, said, points)
    picture.line((right, top), (right, bottom), stroke=d.RULE, width=0.5)
    picture.text(left - 5, bottom + 24, "hole", SMALL, colour=d.SOFT, anchor="end")
    picture.note = "Every two-point reading by itself, as it was read"
    picture.note += ", before the correction to 20 °C." if part.specification.temperature.correct else "."
    _size_legend(picture, part, forms)
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
    step: float, levels: tuple[float, float, float, float], forms: dict[float, str],
) -> list[Told]:  # fmt: skip
    """Draw the readings of one hole and wall; return what is to be written beside those outside or doubtful."""
    told: list[Told] = []
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
        _reading(picture, (x, beyond), forms.get(round(direction % 180, 3), "round"), far, ink)
        if outside or doubt:
            mark = "?" if doubt else w.MARKS[REJECT] if ink == d.REJECT_INK else "?"
            if beyond != y:
                d.arrow(picture, (x, beyond), (x, top - 5 if y < band_top else bottom + 2), ink)
            told.append(((x, beyond), f"{mark} {w.typed(value, unit)}", ink, y < band_top))
    return told


def _is_reading(item: d.Item) -> bool:
    """Whether a shape is the mark of a reading: a small circle, or a small closed shape of its line width."""
    if isinstance(item, d.Circle):
        return item.r == RADIUS
    return isinstance(item, d.Shape) and item.closed and item.width == 1.0 and len(item.points) in {3, 4}


def _centre(item: d.Item) -> d.Point:
    if isinstance(item, d.Shape):
        return sum(x for x, _ in item.points) / len(item.points), sum(y for _, y in item.points) / len(item.points)
    return item.x, item.y


def _tell(picture: d.Drawing, said: Told, points: list[d.Point]) -> None:
    """Write a value beside its reading where nothing else stands; the table below has it where no room is left."""
    at, text, ink, up = said
    wide = 0.62 * SMALL * len(text)
    taken = [item for item in picture.items if isinstance(item, d.Text) and item.bold and item.size == SMALL]
    steps = (3.0, -6.0, -15.0, 12.0) if up else (3.0, 13.0, 22.0, -6.0)
    for step in steps:
        for right in (True, False):
            left = at[0] + 7 if right else at[0] - 7 - wide
            y = at[1] + step
            if left < 58 or left + wide > WIDTH or not 24 <= y <= 181:
                continue
            free = all(abs(y - other.y) >= SMALL or left + wide < other.x or _end(other) < left for other in taken)
            hit = any(left - 4 < px < left + wide + 4 and y - SMALL - 2 < py < y + 4 for px, py in points)
            if free and not hit:
                picture.text(left, y, text, SMALL, True, ink)
                return


def _end(text: d.Text) -> float:
    return text.x + 0.62 * SMALL * len(text.text)


def _reading(picture: d.Drawing, at: d.Point, form: str, hollow: bool, ink: str) -> None:
    x, y = at
    r = RADIUS
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


def _size_legend(picture: d.Drawing, part: PartView, forms: dict[float, str]) -> None:
    x = 58.0
    step = min(76.0, 240.0 / max(len(forms), 1))
    for direction, form in forms.items():
        _reading(picture, (x + 3, 9), form, False, d.INK)
        picture.text(x + 10, 12, f"read at {direction:g}°" if step > 70 else f"{direction:g}°", SMALL, colour=d.SOFT)
        x += step
    names = part.specification.walls.names
    if part.specification.walls.several:
        text = f"{w.plain(names[0])} wall filled, {w.plain(' and '.join(names[1:]))} hollow"
        picture.text(x + 4, 12, text, SMALL, colour=d.SOFT)
