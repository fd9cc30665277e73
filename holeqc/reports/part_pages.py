"""The pages of one part: verdict, why, what to do, then every hole with pictures and numbers."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeGuard

from holeqc.characteristics import JUDGED, MEASURED, OF_NAME, WORD, unit_of
from holeqc.inspection.results import ACCEPT, REJECT, Reason
from holeqc.inspection.tags import gauge_of
from holeqc.inspection.view import PartView
from holeqc.quantities import CALCULATED, GRAIN
from holeqc.readings.table import cell_name
from holeqc.reports import blocks as w
from holeqc.reports.plate import MOST_HEIGHT, SMALL, WIDTH, Plate, distance_blocks, plate_for
from holeqc.reports.screen import MOST_LETTERS, holes_sentence, pin_sentence, problem_blocks, without_culprit, worst_row
from holeqc.specification.words import limits_line
from holeqc.tables import Row, Table

if TYPE_CHECKING:
    from holeqc.specification.model import Hole


# The pictures of a report on the part's outline: where each hole lies, how the pins go in.
#
# Every number comes from the results; a picture only scales it. What colour says, a mark and a word say too, so
# that a grey print loses nothing.


RING = 0.60  #: radius of a hole with its pin, as a share of the room


def _base(part: PartView, title: str, top: float, bottom: float, most: float = MOST_HEIGHT) -> tuple[w.Drawing, Plate]:
    """Return a drawing with the part's outline and its edges named."""
    spec = part.specification
    plate, high = plate_for(spec, part.declared, top, most)
    picture = w.Drawing(WIDTH, top + high + bottom, title)
    if spec.outline:
        picture.polygon([plate.at(x, y) for x, y in spec.outline], stroke=w.SOFT, width=1.0, fill=w.PALE)
    return picture, plate


# --------------------------------------------------------------------------------------------------------- position


def pattern_picture(part: PartView, name: str) -> w.Drawing | None:
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


def _label(picture: w.Drawing, x: float, y: float, text: str, size: float, bold: bool, ink: str) -> None:
    """Write a label about x on a ground of its own, so that no line runs through it."""
    wide = 0.64 * size * len(text)
    picture.box(x - wide / 2 - 1, y - size + 0.5, wide + 2, size + 1.5, fill=w.PALE)
    picture.text(x, y, text, size, bold, ink, "middle")


def _one_position(
    picture: w.Drawing, plate: Plate, part: PartView, hole: Hole, rows: list[Row], off: w.Point | None,
    magnify: float,
) -> None:  # fmt: skip
    x, y = plate.at(hole.x, hole.y)
    unit = part.specification.unit
    row = worst_row(rows) if rows else None
    zone = float(row["upper"]) / 2 * magnify if row is not None else math.nan
    stated = float(row["stated"]) / 2 * magnify if row is not None else math.nan
    verdict = int(row["verdict"]) if row is not None else ACCEPT
    if math.isfinite(zone):
        picture.circle(x, y, zone, stroke=w.INK, width=0.9, fill="#ffffff")
    if math.isfinite(stated) and stated < zone - 0.3:
        picture.circle(x, y, stated, stroke=w.SOFT, width=0.7, dash=(2.5, 2))
    picture.line((x - 3, y), (x + 3, y), stroke=w.SOFT, width=0.6)
    picture.line((x, y - 3), (x, y + 3), stroke=w.SOFT, width=0.6)
    ink = w.VERDICT_INK[verdict]
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
    picture: w.Drawing,
    plate: Plate,
    part: PartView,
    off: w.Point,
    at: w.Point,
    magnify: float,
    verdict: int,
) -> None:
    """Draw where the hole's axis lies: from the basic position, arrow and cross where it is off the paper's room."""
    signs = part.declared.signs() if part.declared else (1.0, 1.0)
    # from the readings' frame to the drawn one, then to the picture
    dx, dy = off[0] * signs[0] * plate.turn_x * magnify, off[1] * signs[1] * plate.turn_y * magnify
    length = math.hypot(dx, dy)
    most = 1.25 * plate.room
    ink = w.VERDICT_INK[verdict]
    if length > most:
        end = (at[0] + dx / length * most, at[1] - dy / length * most)
        w.arrow(picture, at, end, ink, 1.2)
        return
    end = (at[0] + dx, at[1] - dy)
    picture.line(at, end, stroke=ink, width=1.1)
    spot(picture, end, verdict)


def spot(picture: w.Drawing, at: w.Point, verdict: int, size: float = 3.0) -> None:
    """Draw a point whose form tells the verdict: round accept, square hold, cross reject."""
    x, y = at
    ink = w.VERDICT_INK[verdict]
    if verdict == ACCEPT:
        picture.circle(x, y, size, fill=ink)
    elif verdict == REJECT:
        s = size + 0.8
        picture.line((x - s, y - s), (x + s, y + s), stroke=ink, width=2.0)
        picture.line((x - s, y + s), (x + s, y - s), stroke=ink, width=2.0)
    else:
        picture.box(x - size, y - size, 2 * size, 2 * size, stroke=ink, width=1.4, fill="#ffffff")


def _pattern_legend(picture: w.Drawing, times: float, zones: bool, several: bool) -> None:
    x = 0.0
    if zones:
        picture.circle(x + 7, 9, 6, stroke=w.INK, width=0.9)
        picture.text(x + 17, 12, "stated + bonus", SMALL, colour=w.SOFT)
        picture.circle(x + 107, 9, 6, stroke=w.SOFT, width=0.7, dash=(2.5, 2))
        picture.text(x + 117, 12, "as stated", SMALL, colour=w.SOFT)
        x = 178
    for verdict, wide in ((0, 62), (1, 52), (2, 58)):
        spot(picture, (x + 5, 9), verdict)
        picture.text(x + 13, 12, w.word(verdict), SMALL, colour=w.SOFT)
        x += wide
    note = f"Part to scale, deviations and circles {times:.0f} times larger" if times >= 1.5 else "Part to scale"
    where = " in the wall that lies worst" if several else ""
    picture.note = f"{note}. Numbers: actual / allowed diameter{where}."


# ------------------------------------------------------------------------------------------------------------- pins


def pin_picture(part: PartView) -> w.Drawing | None:
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
    picture.circle(7, 9, 6, stroke=w.INK, width=1.2)
    picture.text(17, 12, "hole", SMALL, colour=w.SOFT)
    picture.circle(55, 9, 6, fill=w.RULE)
    picture.text(65, 12, "pin at its virtual condition", SMALL, colour=w.SOFT)
    picture.circle(195, 9, 6, stroke=w.BLUE, width=2.4)
    picture.text(205, 12, "● binds: the holes that decide", SMALL, colour=w.SOFT)
    only = str(part.row["pin_culprit"])
    who = (
        f"Pins at their best shift and turn without hole {w.plain(only)}"
        if only
        else ("All pins at once at their best shift and turn")
    )
    picture.note = f"{who}, room magnified. Numbers: radial room left."
    return picture


def _tighter(row: Row, other: Row) -> bool:
    return (bool(row["binding"]), -row["left"]) > (bool(other["binding"]), -other["left"])


def _takes(plate: Plate, text: str) -> bool:
    """Whether a label fits between neighbours: above and below a ring, and beside the next one."""
    spacing = plate.room / 0.40
    return spacing > 2 * RING * plate.room + 23 and spacing > 0.64 * 9 * len(text)


def _one_pin(
    picture: w.Drawing, plate: Plate, part: PartView, hole: Hole, row: Row | None, radius: float, magnify: float
) -> None:
    x, y = plate.at(hole.x, hole.y)
    if row is None:
        picture.circle(x, y, radius, stroke=w.HOLD_INK, width=1.0, dash=(3, 2), fill="#ffffff")
        picture.text(x, y - radius - 4, f"? {w.plain(hole.id)}", 9.0, True, w.HOLD_INK, "middle")
        return
    left, binds = float(row["left"]), bool(row["binding"])
    lacking = left < 0
    ink = w.REJECT_INK if lacking else w.BLUE if binds else w.INK
    picture.circle(x, y, radius, stroke=ink, width=2.4 if binds else 1.2, fill="#ffffff")
    at, pin = (x, y), radius - left * magnify
    off = row.get("off_x", math.nan), row.get("off_y", math.nan)
    if math.isfinite(off[0]) and math.isfinite(off[1]):
        signs = part.declared.signs() if part.declared else (1.0, 1.0)
        at = (x + off[0] * signs[0] * plate.turn_x * magnify, y - off[1] * signs[1] * plate.turn_y * magnify)
        pin = radius - float(row["clearance"]) * magnify
    picture.circle(*at, max(pin, 2.0), stroke=ink if lacking else w.SOFT, width=0.8, fill=w.RULE)
    label = f"{w.MARKS[REJECT]} {hole.id}" if lacking else f"● {hole.id}" if binds else hole.id
    wall = f" {row['wall']}" if part.specification.walls.several and _takes(plate, f"{label} {row['wall']}") else ""
    _label(picture, x, y - radius - 4, w.plain(label + wall), 9.0, True, ink)
    if _takes(plate, w.signed(left, part.specification.unit)):
        text = w.signed(left, part.specification.unit)
        _label(picture, x, y + radius + 10, text, SMALL, binds, ink)


# The picture of sizes: every diameter that was read, against its limits.


SLOTS = 24  #: hole and wall pairs in one picture

RADIUS = 2.6  #: of the mark of a reading
Told = tuple[w.Point, str, str, bool]  #: where a reading stands, its value in words, ink, whether it lies high
_FORMS = ("round", "square", "triangle", "diamond")


def _forms(readings: Iterable[tuple[float, float, bool]]) -> dict[float, str]:
    """Return the form of each direction that was read, 180° being 0° again; unsaid directions are round."""
    said = sorted({round(direction % 180, 3) for direction, _, _ in readings if math.isfinite(direction)})
    return {direction: _FORMS[n % len(_FORMS)] for n, direction in enumerate(said)}


def size_pictures(part: PartView) -> list[w.Drawing]:
    """Return every diameter read against its limits, so many holes a picture that they stay apart."""
    by: dict[tuple[str, str], list[tuple[float, float, bool]]] = {}
    for row in part.read:
        if row["characteristic"] == "diameter":
            by.setdefault((row["hole"], row["wall"]), []).append((row["direction"], row["value"], bool(row["doubt"])))
    walls = {wall: n for n, wall in enumerate(part.specification.walls.names)}
    order = {hole: n for n, hole in enumerate(part.specification.hole_ids)}
    slots = sorted(by, key=lambda slot: (order.get(slot[0], len(order)), walls.get(slot[1], 9)))
    slots = [slot for slot in slots if slot[0] in order]
    pieces = [slots[n : n + SLOTS] for n in range(0, len(slots), SLOTS)]
    return [_size_picture(part, piece, by) for piece in pieces]


def _size_picture(
    part: PartView, slots: list[tuple[str, str]], by: dict[tuple[str, str], list[tuple[float, float, bool]]]
) -> w.Drawing:
    left, right, top, bottom = 58.0, WIDTH - 8, 30.0, 178.0
    picture = w.Drawing(WIDTH, 216.0, f"Every diameter of {w.plain(part.name)} against the limits of size")
    sizes = {part.specification.hole(hole).size for hole, _ in slots}
    band_top, band_bottom = top + 30, bottom - 30
    picture.box(left, band_top, right - left, band_bottom - band_top, fill=w.PALE)
    same = next(iter(sizes)) if len(sizes) == 1 else None
    unit = part.specification.unit
    for y, name, value in ((band_top, "upper", same and same.upper), (band_bottom, "lower", same and same.lower)):
        picture.line((left, y), (right, y), stroke=w.INK, width=1.1)
        picture.text(left - 5, y + (-1 if value else 3), name, SMALL, anchor="end", colour=w.SOFT)
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
            picture.line((left + n * step, top), (left + n * step, bottom), stroke=w.RULE, width=0.5)
            count = sum(1 for other in slots if other[0] == slot[0])
            picture.text(left + (n + count / 2) * step, bottom + 24, w.shorten(slot[0], 10), 9.0, True, anchor="middle")
            before = slot[0]
        if part.specification.walls.several:
            picture.text(
                middle,
                bottom + 12,
                w.shorten(slot[1], max(1, int(step / 5))),
                SMALL,
                colour=w.SOFT,
                anchor="middle",
            )
        levels = top, band_top, band_bottom, bottom
        told += _slot(picture, part, slot, by[slot], middle, step, levels, forms)
    points = [said[0] for said in told] + [_centre(item) for item in picture.items if _is_reading(item)]
    for said in told:
        _tell(picture, said, points)
    picture.line((right, top), (right, bottom), stroke=w.RULE, width=0.5)
    picture.text(left - 5, bottom + 24, "hole", SMALL, colour=w.SOFT, anchor="end")
    picture.note = "Every two-point reading by itself, as it was read"
    picture.note += ", before the correction to 20 °C." if part.specification.temperature.correct else "."
    _size_legend(picture, part, forms)
    return picture


def _guard_lines(
    picture: w.Drawing, part: PartView, left: float, right: float, band_top: float, band_bottom: float
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
        picture.line((left, y), (right, y), stroke=w.BLUE, width=0.8, dash=(5, 2.5))
    picture.text(right, 12, "– – acceptance limit", SMALL, colour=w.BLUE, anchor="end")


def _slot(
    picture: w.Drawing, part: PartView, slot: tuple[str, str], readings: list[tuple[float, float, bool]], middle: float,
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
        ink = w.HOLD_INK if doubt else w.REJECT_INK if outside and row and row["verdict"] == REJECT else w.INK
        _reading(picture, (x, beyond), forms.get(round(direction % 180, 3), "round"), far, ink)
        if outside or doubt:
            mark = "?" if doubt else w.MARKS[REJECT] if ink == w.REJECT_INK else "?"
            if beyond != y:
                w.arrow(picture, (x, beyond), (x, top - 5 if y < band_top else bottom + 2), ink)
            told.append(((x, beyond), f"{mark} {w.typed(value, unit)}", ink, y < band_top))
    return told


def _is_reading(item: w.Item) -> TypeGuard[w.Shape | w.Circle]:
    """Whether a shape is the mark of a reading: a small circle, or a small closed shape of its line width."""
    if isinstance(item, w.Circle):
        return item.r == RADIUS
    return isinstance(item, w.Shape) and item.closed and item.width == 1.0 and len(item.points) in {3, 4}


def _centre(item: w.Shape | w.Circle) -> w.Point:
    if isinstance(item, w.Shape):
        return sum(x for x, _ in item.points) / len(item.points), sum(y for _, y in item.points) / len(item.points)
    return item.x, item.y


def _tell(picture: w.Drawing, said: Told, points: list[w.Point]) -> None:
    """Write a value beside its reading where nothing else stands; the table below has it where no room is left."""
    at, text, ink, up = said
    wide = 0.62 * SMALL * len(text)
    taken = [item for item in picture.items if isinstance(item, w.Text) and item.bold and item.size == SMALL]
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


def _end(text: w.Text) -> float:
    return text.x + 0.62 * SMALL * len(text.text)


def _reading(picture: w.Drawing, at: w.Point, form: str, hollow: bool, ink: str) -> None:
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


def _size_legend(picture: w.Drawing, part: PartView, forms: dict[float, str]) -> None:
    x = 58.0
    step = min(76.0, 240.0 / max(len(forms), 1))
    for direction, form in forms.items():
        _reading(picture, (x + 3, 9), form, False, w.INK)
        picture.text(x + 10, 12, f"read at {direction:g}°" if step > 70 else f"{direction:g}°", SMALL, colour=w.SOFT)
        x += step
    names = part.specification.walls.names
    if part.specification.walls.several:
        text = f"{w.plain(names[0])} wall filled, {w.plain(' and '.join(names[1:]))} hollow"
        picture.text(x + 4, 12, text, SMALL, colour=w.SOFT)


# What the person who read remarked in the sheet: looked up in the readings, written down once.


_SHEET = ("part", "serial", "file", "sheet")


@dataclass(frozen=True, slots=True)
class Remark:
    """A note with what it was typed beside; ``cell`` is the first reading of its row."""

    text: str
    part: str
    serial: str
    hole: str
    file: str
    sheet: str
    cell: str


def remarks_of(table: Table) -> list[Remark]:
    """Return the notes of a readings table, one for each row of a sheet that has one.

    A note beside every row of a part alike was typed once in its head, so it names no hole.
    """
    noted = table.take(table["note"] != "")
    if not len(noted):
        return []
    height = {sheet: len(set(table["row"][at].tolist())) for sheet, at in table.groups(*_SHEET).items()}
    first: dict[tuple[Any, ...], tuple[int, int]] = {}  # the first cell of a row, and its place in the table
    for n, (*where, column) in enumerate(noted.tuples(*_SHEET, "note", "hole", "row", "column")):
        first[tuple(where)] = min(first.get(tuple(where), (column, n)), (column, n))
    beside = Counter(where[:5] for where in first)
    told: dict[tuple[Any, ...], Remark] = {}
    for (*sheet, note, hole, row), (column, _) in sorted(first.items(), key=lambda item: item[1][1]):
        part, serial, file, name = sheet
        head = 1 < beside[(*sheet, note)] == height[tuple(sheet)]
        remark = Remark(note, part, serial, "" if head else hole, file, name, cell_name(row, column))
        told.setdefault((*sheet, note) if head else (*sheet, note, hole, row), remark)
    return list(told.values())


SHORT = {c.name: c.short for c in JUDGED}
FEW = 3  #: so many notes and problems stand before the positions
_DECISION = (
    "The verdict is what the readings prove against the kit file. What becomes of the part is decided and signed by "
    "the person licensed to do so."
)
_POSITION_NOTE = "All diameters. Left: total minus actual. Probability: that the true value conforms (JCGM 106)."
SHORT_WORDS = {"does not enter": "stops"}


def part_blocks(part: PartView, report: str = "", decided: Sequence[str] = ()) -> Iterator[w.Block]:
    """Give the blocks of one part's pages; ``report``: number and day of the report; ``decided``: on its tags."""
    yield _banner(part)
    yield w.Facts((*([("Report", report)] if report else []), *_facts(part)))
    yield w.Heading("Why" if part.verdict != ACCEPT else "Result")
    yield reason_findings(part)
    if part.rework:
        permitted = any(row["passes"] for row in part.rework)
        if permitted or part.more_rework:
            yield w.Heading("Before any rework" if permitted else "Rework")
        yield w.Findings(tuple(w.plain(text) for text in part.more_rework))
        if permitted:
            yield w.Paragraph(" ".join(w.REWORK_CAUTIONS), "caution")
    yield from _plan_blocks(part)
    yield from _recheck_blocks(part)
    yield w.Heading("Decision")
    yield from (w.Paragraph(text) for text in decided)
    yield decision_lines()
    yield w.Heading("Every hole")
    yield hole_matrix(part)
    yield from _size_blocks(part)
    yield from _measured_blocks(part)
    remarks = remarks_of(part.run.of_part("readings", part.number))
    about = [*_note_blocks(remarks), *problem_blocks(part.problems, "Problems in the files of this part")]
    few = len(remarks) + len(part.problems) <= FEW  # where few, they fill the page of sizes and need none of their own
    yield from about if few else ()
    yield from _position_blocks(part)
    if part.distances:
        yield from distance_blocks(part)
    yield from _pin_blocks(part)
    yield from () if few else about


def _plan_blocks(part: PartView) -> Iterator[w.Block]:
    """Give what a part was accepted on that was read in part, and the values that are predicted."""
    if part.planned is None or not part.planned.accepted:
        return
    yield w.Heading("Accepted on some of its readings")
    yield w.Paragraph(w.plan_sentence(part.planned))
    found = w.predicted_values(part)
    kinds = list(dict.fromkeys(what for values in found.values() for what in values))
    yield w.Paragraph("Not read but predicted; 95 of 100 lie within:")
    columns = (w.Column("Hole", wraps=True), *(w.Column(kind) for kind in kinds))
    yield w.Table(columns, tuple(
        (place.removeprefix("hole "), *(values.get(kind, "read") for kind in kinds)) for place, values in found.items()
    ))  # fmt: skip


def _recheck_blocks(part: PartView) -> Iterator[w.Block]:
    """Give which readings a recheck replaced, and which count in their place, each with its day."""
    several = part.specification.walls.several
    columns = (
        w.Column("Hole"), *([w.Column("Wall")] if several else []), w.Column("Reading"),
        w.Column("Before, no longer counts", wraps=True), w.Column("Read again, counts", wraps=True),
    )  # fmt: skip
    for join in part.joins:
        yield w.Heading("Read again")
        yield w.Paragraph(f"{w.recheck_sentence(join)} Every other reading counts as it was read before.")
        before, now = (_by_place(table, part) for table in (join.replaced, join.counts))
        rows = tuple(
            (w.plain(hole), *([w.plain(wall or "all")] if several else []), w.plain(kind.replace("_", " ")),
             before.get((hole, wall, kind), "-"), now.get((hole, wall, kind), "not read"))
            for hole, wall, kind in dict.fromkeys([*before, *now])
        )  # fmt: skip
        yield w.Table(columns, rows)


def _by_place(table: Table, part: PartView) -> dict[tuple[str, str, str], str]:
    """Return readings with their day as text, by hole, wall and kind."""
    found: dict[tuple[str, str, str], list[str]] = {}
    days: dict[tuple[str, str, str], str] = {}
    columns = [table[name].tolist() for name in ("hole", "wall", "characteristic", "value", "word", "typed", "date")]
    for hole, wall, kind, value, word, typed, date in zip(*columns, strict=True):
        key = str(hole), str(wall), str(kind)
        unit = unit_of(str(kind), part.specification.unit)
        text = str(word) or (str(typed) if math.isnan(value) else w.typed(value, unit))
        if text:
            found.setdefault(key, []).append(w.plain(text))
            days[key] = w.day(date) or "no day"
    return {key: f"{', '.join(texts)} ({days[key]})" for key, texts in found.items()}


def decision_lines() -> w.Signatures:
    """Return the lines on which a decision is signed."""
    return w.Signatures(_DECISION, ("Inspected by, date", "Decision", "Signed by, licence, date"))


def _note_blocks(remarks: Sequence[Remark]) -> Iterator[w.Block]:
    """Give what the person who read remarked, with where it stands."""
    if remarks:
        columns = (w.Column("Hole"), w.Column("Note", wraps=True), w.Column("Beside", wraps=True))
        rows = tuple(
            (w.plain(r.hole) or "whole part", w.shorten(w.plain(r.text), MOST_LETTERS),
             w.plain(", ".join(word for word in (w.file_name(r.file), r.sheet, r.cell) if word)))
            for r in remarks
        )  # fmt: skip
        yield w.Heading("Notes in the sheet")
        yield w.Table(columns, rows)


def _banner(part: PartView) -> w.Banner:
    title = part.declared.title if part.declared and part.declared.title else part.part
    words = [w.plain(word) for word in (title, f"serial {part.serial}" if part.serial else "no serial number") if word]
    return w.Banner(part.verdict, w.shorten(", ".join(words), 140), holes_sentence(part))


def _facts(part: PartView) -> tuple[tuple[str, str], ...]:
    spec, read = part.specification, part.read
    days = [day for day in (w.day(part.row["first_date"]), w.day(part.row["last_date"])) if day]
    by = sorted({w.plain(name) for name in {row["by"] for row in read} if name})
    files = list(dict.fromkeys(w.file_name(name) for name in dict.fromkeys(row["file"] for row in read)))
    named = {row["gauge"] for row in read}
    gauges = sorted({w.plain(n) for n in (*named, *(gauge_of(part, row) for row in part.characteristics)) if n})
    number = part.declared.number if part.declared else ""
    pairs = [
        ("Part", w.plain(" ".join(x for x in (part.part, number) if x))), ("Drawing", w.plain(spec.drawing)),
        ("Kit", f"{w.plain(spec.id)} revision {w.plain(spec.revision)}"), ("Fixture", w.plain(spec.fixture)),
        ("Read", " to ".join(dict.fromkeys(days))), ("Read by", ", ".join(by)), ("Gauges", ", ".join(gauges)),
        ("Readings", str(part.row["readings"])), ("File", ", ".join(files)), ("Lengths in", w.unit_name(spec.unit)),
        ("Limits of size", w.plain(limits_line(spec).partition(": ")[2])),
    ]  # fmt: skip
    return tuple((label, w.shorten(text, 60)) for label, text in pairs if text)


def reason_findings(part: PartView) -> w.Findings:
    """Return the reasons of a part as a list; one plain line for an accepted part."""
    if part.verdict == ACCEPT:
        count = len(part.characteristics)
        inside = f"All {count} checks of {w.plural(len(part.holes), 'hole')} lie inside their limits."
        return w.Findings((Reason(ACCEPT, inside),))
    return w.Findings(tuple(
        Reason(r.verdict, w.plain(r.sentence), cell="" if r.cells or r.cell in r.sentence else w.plain(r.cell),
               action=w.plain(action))
        for r, action in part.reasons_once
    ))  # fmt: skip


# -------------------------------------------------------------------------------------------------------- all holes


def hole_matrix(part: PartView) -> w.Table:
    """Return a row a hole and wall, a column a characteristic: what was found, marked where it isn't accepted."""
    spec, several = part.specification, part.specification.walls.several
    columns = [w.Column("Hole"), *([w.Column("Wall")] if several else [])]
    columns += [w.Column(_matrix_heading(part, name), "left" if _is_word(name) else "right") for name in part.asked]
    columns.append(w.Column("Verdict"))
    rows: list[tuple[w.Cell | str, ...]] = []
    groups = set()
    for hole in part.holes:
        walls = [name for name in spec.walls.names if any((hole["hole"], name, c) in part.table for c in part.asked)]
        groups.add(len(rows))
        for n, wall in enumerate(walls or [""]):
            row: list[w.Cell | str] = [w.plain(hole["hole"])]
            row += [w.plain(wall)] if several else []
            row += [_matrix_cell(part, str(hole["hole"]), wall, name, n == 0) for name in part.asked]
            row.append(w.Cell(w.of_hole(part, hole["verdict"]), int(hole["verdict"])) if n == 0 else "")
            rows.append(tuple(row))
    note = "Size: the reading that lies worst. Position: actual diameter, allowed with bonus in the tables below."
    if any(part.as_read(row) is not None for row in part.characteristics):
        note += " * At 20 °C; the table of sizes has what was read beside it."
    return w.Table(tuple(columns), tuple(rows), note, frozenset(groups))


def _is_word(name: str) -> bool:
    return name in OF_NAME and OF_NAME[name].kind == WORD


def _matrix_heading(part: PartView, name: str) -> str:
    """Return the short name, with the limit under it where all holes have the same."""
    title = SHORT.get(name, name)
    unit = unit_of(name, part.specification.unit)
    rows = [r for r in part.characteristics if r["characteristic"] == name]
    if name in {"position", "hole-to-hole position"}:
        stated = {r["stated"] for r in rows}
        return f"{title} ⌀ {w.typed(stated.pop(), unit)}" if len(stated) == 1 else title
    limits = {(r["lower"], r["upper"]) for r in rows if math.isfinite(r["lower"]) or math.isfinite(r["upper"])}
    if len({str(pair) for pair in limits}) != 1:
        return title
    lower, upper = limits.pop()
    if math.isfinite(lower) and math.isfinite(upper):
        return f"{title} {w.typed(lower, unit)} {w.typed(upper, unit)}"
    return f"{title} ≥ {w.typed(lower, unit)}" if math.isfinite(lower) else f"{title} ≤ {w.typed(upper, unit)}"


def _matrix_cell(part: PartView, hole: str, wall: str, name: str, first: bool) -> w.Cell | str:
    row = part.table.get((hole, wall, name)) or (part.table.get((hole, "", name)) if first else None)
    if row is None:
        return ""
    text = w.value_text(row, part.specification.unit)
    if part.as_read(row) is not None:
        text = f"{w.corrected(row['found'], part.specification.unit, row['lower'], row['upper'])} *"
    verdict = int(row["verdict"])
    return w.Cell(SHORT_WORDS.get(text, text), verdict if verdict != ACCEPT else None)


# ---------------------------------------------------------------------------------------------------------- details


def _rows(part: PartView, name: str) -> list[Row]:
    holes = {hole: n for n, hole in enumerate(part.specification.hole_ids)}
    walls = {wall: n for n, wall in enumerate(part.specification.walls.names)}
    there = [row for row in part.characteristics if row["characteristic"] == name]
    return sorted(there, key=lambda r: (holes.get(str(r["hole"]), len(holes)), walls.get(str(r["wall"]), -1)))


def _verdict_cell(row: Row) -> w.Cell:
    return w.Cell(w.word(row["verdict"]), int(row["verdict"]))


def _deviation_text(row: Row, unit: str) -> str:
    deviation = float(row["deviation"])
    return "" if math.isnan(deviation) or abs(deviation) <= GRAIN else w.signed(deviation, unit)


def _doubt_columns() -> list[w.Column]:
    return [w.Column("U", "right"), w.Column("Ratio", "right"), w.Column("Probability", "right")]


def _doubt_cells(row: Row, unit: str) -> list[str]:
    return [
        w.fine(row["uncertainty"]),
        w.ratio_text(w.ratio_of(row)),
        w.probability_text(row["probability"]),
    ]


def _groups(rows: Sequence[Row]) -> frozenset[int]:
    return frozenset(n for n, row in enumerate(rows) if n == 0 or rows[n - 1]["hole"] != row["hole"])


def _size_blocks(part: PartView) -> Iterator[w.Block]:
    rows = _rows(part, "size")
    if not rows:
        return
    unit, several = part.specification.unit, part.specification.walls.several
    yield w.Heading("Size")
    for picture in size_pictures(part):
        yield w.Picture(picture, picture.note)
    columns = [
        w.Column("Hole"),
        *([w.Column("Wall")] if several else []),
        w.Column("Limits of size", "right"),
    ]
    warm = any(part.as_read(row) is not None for row in rows)
    columns += [w.Column("Worst, at 20 °C" if warm else "Worst reading", "right", any(row["doubtful"] for row in rows))]
    columns += [w.Column("As read", "right"), w.Column("Part °C", "right")] if warm else []
    columns += [w.Column("Beyond", "right"), w.Column("Left", "right")]
    columns += [*_doubt_columns(), w.Column("Cell", wraps=True), w.Column("Verdict")]
    files, sheets = (len({row[name] for row in part.read}) > 1 for name in ("file", "sheet"))
    table = []
    for row in rows:
        limits = w.requirement(row, part.specification)
        cells: list[w.Cell | str] = [
            w.plain(row["hole"]),
            *([w.plain(row["wall"])] if several else []),
            limits,
        ]
        verdict = int(row["verdict"])
        shown = w.value_text(row, unit)
        if row["doubtful"]:
            shown = w.doubtful_text(row, unit, part.cell(row), part.typed_as(row))
        if (read := part.as_read(row)) is not None:
            shown = w.corrected(row["found"], unit, row["lower"], row["upper"])
        cells.append(w.Cell(shown, verdict if verdict else None))
        if warm:
            cells += [w.typed(read["value"], unit), f"{read['temperature_c']:g}"] if read is not None else ["", ""]
        cells.append(_deviation_text(row, unit))
        cells += [
            w.signed(row["left"], unit),
            *_doubt_cells(row, unit),
            _cell_name(part, row, files, sheets),
            _verdict_cell(row),
        ]
        table.append(tuple(cells))
    size = w.corrected if warm else w.typed
    mating = [f"{w.plain(h['hole'])}: {size(h['mating_size'], unit)}" for h in part.holes if h["mating_from"]]
    text = f"Estimated mating size, hole by hole: {', '.join(mating)}. " if mating else ""
    note = f"Probability: that the true value conforms (JCGM 106). {text}{caveat(part)}"
    yield w.Table(tuple(columns), tuple(table), note, _groups(rows))


def _measured_blocks(part: PartView) -> Iterator[w.Block]:
    """Give a table of what is measured beside size and place: countersinks, depths."""
    rows = [row for what in MEASURED for row in _rows(part, what.name)]
    if not rows:
        return
    unit = part.specification.unit
    yield w.Heading("Countersinks and depths")
    columns = [w.Column("What"), w.Column("Hole"), w.Column("Limits", "right")]
    columns.append(w.Column("Worst reading", "right", True))
    columns += [w.Column("Beyond", "right"), w.Column("Left", "right"), *_doubt_columns()]
    columns += [w.Column("Cell", wraps=True), w.Column("Verdict")]
    files, sheets = (len({row[name] for row in part.read}) > 1 for name in ("file", "sheet"))
    table: list[tuple[w.Cell | str, ...]] = []
    for row in rows:
        own, verdict = w.row_unit(row, unit), int(row["verdict"])
        shown = w.value_text(row, unit)
        if row["doubtful"]:
            shown = w.doubtful_text(row, unit, part.cell(row), part.typed_as(row))
        table.append((
            str(row["characteristic"]), w.plain(row["hole"]), w.requirement(row, part.specification),
            w.Cell(shown, verdict if verdict else None), _deviation_text(row, own), w.signed(row["left"], own),
            *_doubt_cells(row, own), _cell_name(part, row, files, sheets), _verdict_cell(row),
        ))  # fmt: skip
    note = f"Lengths in {w.unit_name(unit)}, angles in degrees. Probability: that the true value conforms (JCGM 106)."
    starts = (n for n, row in enumerate(rows) if not n or row["characteristic"] != rows[n - 1]["characteristic"])
    yield w.Table(tuple(columns), tuple(table), note, frozenset(starts))


def caveat(part: PartView) -> str:
    """Return what two-point readings can't show on this part, '' where a plug spoke for every hole."""
    return w.lobing(sum(row["mating_from"] == "readings" for row in part.holes), len(part.holes))


def _cell_name(part: PartView, row: Row, files: bool, sheets: bool) -> str:
    """Return the cell that decides, with its sheet and file where the part has several."""
    reading = part.reading(row["reading"])
    if reading is None:
        return ""
    words = [cell_name(int(reading["row"]), int(reading["column"]))]
    words += [str(reading["sheet"])] if sheets and reading["sheet"] else []
    words += [str(reading["file"])] if files else []
    return w.plain(", ".join(reversed(words)))


def _position_blocks(part: PartView) -> Iterator[w.Block]:
    upper, lower = _rows(part, "position"), _rows(part, "hole-to-hole position")
    shift = _shift_text(part)
    for name, title, rows in (
        ("position", "Position to the datums", upper),
        ("hole-to-hole position", "Position hole to hole, the pattern floated to its best", lower),
    ):
        if rows:
            yield w.Heading(title)
            if shift and rows is upper:
                yield w.Paragraph(shift)
            picture = pattern_picture(part, name)
            if picture is not None:
                yield w.Picture(picture, picture.note)
            yield _position_table(part, rows, _POSITION_NOTE if rows is upper or not upper else "")


def _shift_text(part: PartView) -> str:
    """Return the shift of the datum frame that was used, '' where the kit allows none or it isn't known."""
    values = [float(part.row[f"shift_{key}"]) for key in ("x", "y", "rotation")]
    if part.specification.datum_shift is None or not all(math.isfinite(value) for value in values):
        return ""
    unit = part.specification.unit
    return (
        f"Datum holes leave the frame some shift; used here: x {w.signed(values[0], unit)}, "
        f"y {w.signed(values[1], unit)} {w.unit_name(unit)}, turn {_turn(values[2])}."
    )


def _position_table(part: PartView, rows: list[Row], note: str) -> w.Table:
    unit, several = part.specification.unit, part.specification.walls.several
    columns = [w.Column("Hole"), *([w.Column("Wall")] if several else [])]
    columns += [w.Column(name, "right") for name in ("Stated", "Bonus", "Total", "Actual", "Left")]
    columns += [*_doubt_columns(), w.Column("Verdict")]
    table = []
    for row in rows:
        verdict = int(row["verdict"])
        total = float(row["upper"])
        cells: list[w.Cell | str] = [w.plain(row["hole"]), *([w.plain(row["wall"])] if several else [])]
        cells += [w.typed(row["stated"], unit), w.computed(row["bonus"], unit), w.computed(total, unit)]
        known = math.isfinite(row["left"]) and math.isfinite(row["found"])
        left = w.left_text(total, row["found"], row["left"], unit) if known else w.signed(row["left"], unit)
        cells += [w.Cell(w.value_text(row, unit), verdict if verdict else None), left]
        table.append((*cells, *_doubt_cells(row, unit), _verdict_cell(row)))
    return w.Table(tuple(columns), tuple(table), note, _groups(rows))


def _pin_blocks(part: PartView) -> Iterator[w.Block]:
    verdict = int(part.row["pin_verdict"])
    if verdict < 0:
        return
    yield w.Heading("Pins together")
    yield w.Findings((Reason(verdict, w.plain(pin_sentence(part))), *_float_finding(part)))
    picture = pin_picture(part)
    if picture is not None:
        yield w.Picture(picture, picture.note)
    if part.pins:
        yield _pin_table(part)


def _pin_table(part: PartView) -> w.Table:
    """Return a row a hole with its pin, room in each wall, and whether it binds."""
    unit, several = part.specification.unit, part.specification.walls.several
    walls = [name for name in part.specification.walls.names if any(row["wall"] == name for row in part.pins)]
    by = {(str(row["hole"]), str(row["wall"])): row for row in part.pins_shown}
    columns = [w.Column("Hole"), w.Column("Pin", wraps=True)]
    for wall in walls:
        name = f", {w.plain(wall)}" if several else ""
        columns += [
            w.Column(f"Clearance{name}", "right"),
            w.Column(f"Left{name}", "right"),
            w.Column("Binds"),
        ]
    rows: list[tuple[w.Cell | str, ...]] = []
    for hole in dict.fromkeys(str(row["hole"]) for row in part.pins):
        cells: list[w.Cell | str] = [w.plain(hole), ""]
        for wall in walls:
            row = by.get((hole, wall))
            cells[1] = w.plain(row["pin"]) if row is not None else cells[1]
            cells += _pin_cells(row, unit) if row is not None else ["", "", ""]
        rows.append(tuple(cells))
    note = (
        "Clearance is radial: half the difference of hole and pin at its virtual condition. Left: what remains of it "
        "at the best fit of all pins."
    )
    if part.row["pin_culprit"]:
        note += f" Of the others without hole {w.plain(part.row['pin_culprit'])}, which alone keeps the pins out."
    return w.Table(tuple(columns), tuple(rows), note)


def _pin_cells(row: Row, unit: str) -> list[w.Cell | str]:
    left = float(row["left"])
    mark: w.Cell | str = "● binds" if row["binding"] else ""
    if left < -CALCULATED:
        mark = w.Cell("binds" if row["binding"] else "lacks room", REJECT)
    return [w.computed(row["clearance"], unit), w.signed(left, unit), mark]


def _float_finding(part: PartView) -> tuple[str, ...]:
    left, unit = part.float_left, part.specification.unit
    motion = part.row["pin_dx"], part.row["pin_dy"], part.row["pin_rotation"]
    text = without_culprit(part)
    if all(math.isfinite(value) for value in motion):
        text += (
            f"Best fit: shift x {w.signed(motion[0], unit)}, y {w.signed(motion[1], unit)} {w.unit_name(unit)}, "
            f"turn {_turn(motion[2])}. "
        )
    if math.isfinite(part.row["pin_uncertainty"]):
        text += f"U of the room, at most {w.fine(part.row['pin_uncertainty'])}. "
    if left is not None:
        text += (
            f"Float that is left: x {_both(left, 'x', unit)}, y {_both(left, 'y', unit)}, "
            f"turn −{_turn(abs(left['rotation_minus']))} to +{_turn(abs(left['rotation_plus']))}."
        )
    return (text.strip(),) if text else ()


def _both(left: Row, axis: str, unit: str) -> str:
    low, high = abs(float(left[f"{axis}_minus"])), abs(float(left[f"{axis}_plus"]))
    return f"−{w.computed(low, unit)} to +{w.computed(high, unit)}"


def _turn(radians: float) -> str:
    return f"{math.degrees(radians):.3f}°".replace("-", "−")
