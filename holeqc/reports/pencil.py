"""A reading sheet for a pencil, as a PDF: map, limits, tall cells, boxes to tick; the page is filled."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holeqc.characteristics import OF_WORD, WORDS
from holeqc.readings.sheet_layout import FIELDS, layout, printed
from holeqc.readings.table import BURR, CLEAN, CRACK, DIRTY
from holeqc.reports import blocks as w
from holeqc.reports.pages import PAPERS, save_pdf, width_of, wrap
from holeqc.specification.words import asked, limits_line

if TYPE_CHECKING:
    from holeqc.readings.sheet_layout import Layout, Recheck, Row
    from holeqc.specification.model import Specification

MARGIN, FIELD = 26.0, 25.0
LEAST, MOST = 20.0, 54.0  #: height of a row [points]: 7 mm takes a pencil's figures (common practice, no source)
MAP = (212.0, 124.0)  #: room for the map [points], more where few rows leave some
WIDTHS = {"hole": 30.0, "wall": 38.0, "go": 56.0, "no_go": 56.0, "surface": 102.0, "note": 70.0}
NUMBER = 58.0  #: width of a cell for a number [points], more where there is room
TICKS = {"go": ("enters", "doesn't"), "no_go": ("doesn't", "enters"), "surface": (CLEAN, BURR, DIRTY, CRACK)}
SMALL, TEXT = 6.5, 8.5
CAUTION = (
    "Eye protection on, work clamped, mind chips. Not read: leave the cell empty. Drawing, approved data "
    "and the person licensed to sign prevail."
)


@dataclass(frozen=True, slots=True)
class _Column:
    holds: str
    title: str
    width: float


def pencil_pages(
    spec: Specification, part: str, serials: Sequence[str], paper: str, recheck: Recheck | None = None
) -> bytes:
    """Return the sheets of some serial numbers (one blank if none) as a PDF; ``paper`` is letter or a4, laid across."""
    plan = layout(spec, recheck)
    high, wide = PAPERS[paper]
    pages: list[w.Drawing] = []
    for serial in serials or [""]:
        pages += _sheet(spec, plan, part, serial, (wide, high), recheck)
    return save_pdf(pages, f"Reading sheet, kit {spec.id} revision {spec.revision}")


def _sheet(
    spec: Specification, plan: Layout, part: str, serial: str, paper: tuple[float, float], recheck: Recheck | None
) -> list[w.Drawing]:  # fmt: skip
    """Return the pages of one part: rows spread evenly over as few pages as hold them, as high as there is room."""
    wide = paper[0] - 2 * MARGIN
    columns = _columns(spec, plan, wide)
    foot, head = paper[1] - MARGIN - 18.0, 26.0
    first, grow = w.Drawing(*paper), 0.0
    top = _head(first, spec, plan, part, serial, recheck, grow)
    if (grow := foot - top - head - MOST * len(plan.rows)) > 0:
        first = w.Drawing(*paper)
        top = _head(first, spec, plan, part, serial, recheck, grow)
    rooms = [foot - top - head, foot - (MARGIN + 16.0) - head]
    rows, count = list(plan.rows), 1
    while len(rows) * LEAST > rooms[0] + (count - 1) * rooms[1]:
        count += 1
    tall = min(MOST, (rooms[0] + (count - 1) * rooms[1]) / (len(rows) + 0.5 * (count - 1)))
    pages = []
    for number in range(count):
        page = first if number == 0 else w.Drawing(*paper)
        if number:
            top = MARGIN + 16.0
            page.text(MARGIN, MARGIN + 8, f"{limits_line(spec)}   {part} {serial}", TEXT, True)
        here = rows[: max(1, math.floor(rooms[min(number, 1)] / tall + 1e-6))] if number < count - 1 else rows
        rows = rows[len(here) :]
        _table(page, spec, columns, here, top, tall, recheck, part)
        base = paper[1] - MARGIN - 4
        page.text(MARGIN, base, CAUTION, SMALL, colour=w.SOFT)
        page.text(paper[0] - MARGIN, base, f"page {number + 1} of {count}   Checked by: ____________________",
                  TEXT, anchor="end")  # fmt: skip
        pages.append(page)
    return pages


def _columns(spec: Specification, plan: Layout, wide: float) -> list[_Column]:
    """Return what is filled with the pencil; what is left of the width goes to numbers and the note."""
    held = [c for c in plan.columns if c.entry or c.holds in {"hole", "wall"}]
    fixed = [WIDTHS.get(c.holds, NUMBER) for c in held]
    numbers = sum(c.holds not in WIDTHS for c in held)
    spare = wide - sum(fixed)
    squeeze = min(1.0, wide / sum(fixed))
    more = max(0.0, 0.5 * spare / max(numbers, 1))
    out = []
    for column, width in zip(held, fixed, strict=True):
        title = column.heading
        if column.holds in {"go", "no_go"}:
            sizes = {getattr(h.plugs, column.holds) for h in spec.holes} - {None}
            title += f" {w.typed(sizes.pop(), spec.unit)}" if len(sizes) == 1 else ""
        width = width * squeeze + (more if column.holds not in WIDTHS else 0.0)
        out.append(_Column(column.holds, title, width + (0.5 * spare if column.holds == "note" and spare > 0 else 0.0)))
    return out


def _head(
    page: w.Drawing, spec: Specification, plan: Layout, part: str, serial: str, recheck: Recheck | None, grow: float
) -> float:  # fmt: skip
    """Draw title, map, limits and fields; return where the table begins. ``grow``: how much higher the map may be."""
    left, top, wide = MARGIN, MARGIN, page.width - 2 * MARGIN
    size = (MAP[0] + min(grow, 0.3 * wide), MAP[1] + grow)
    page.text(left, top + 10, w.shorten(limits_line(spec), 96), 13, True)
    room = wide - size[0] - 14
    title = ", drawing ".join(filter(None, (spec.title, spec.drawing)))
    page.text(left, top + 24, w.shorten(title, 110), TEXT, colour=w.SOFT)
    _map(page, spec, part, (left + room + 14, top + 20), size)
    y = top + 37
    for phrase in asked(spec):
        if phrase.topic != "Size" or phrase.holes == "":
            for line in wrap(phrase.sentence, room, TEXT)[:2]:
                page.text(left, y, line, TEXT)
                y += 10.5
    y = max(y - 2, top + 20 + size[1] - 2 * FIELD)
    labels = {word: label for label, word in FIELDS.items()}
    known = {"part": part, "serial": serial, "gauge:diameter": spec.plan.diameter_gauge,
             "gauge:position": spec.plan.position_gauge, "recheck": recheck.of if recheck else ""}  # fmt: skip
    each = (len(plan.fields) + 1) // 2
    for n, word in enumerate(plan.fields):
        x, at = left + (n % each) * room / each, y + (n // each) * FIELD
        page.box(x, at, room / each, FIELD, stroke=w.RULE)
        page.text(x + 3, at + 8, labels[word], SMALL, colour=w.SOFT)
        page.text(x + 3, at + 21, w.shorten(known.get(word) or "", 22), 10, True)
    return y + 2 * FIELD + 8


def _map(page: w.Drawing, spec: Specification, part: str, corner: w.Point, size: tuple[float, float]) -> None:
    """Draw the part with its holes, to scale, as it is looked at."""
    left, top = corner
    turn_x, turn_y = spec.part(part).picture_signs() if part else (1.0, 1.0)
    holes = {h.id: (h.x * turn_x, h.y * turn_y) for h in spec.holes}
    corners = [(x * turn_x, y * turn_y) for x, y in spec.outline]
    xs, ys = ([p[n] for p in (*holes.values(), *corners)] for n in (0, 1))
    scale = min((size[0] - 30) / ((max(xs) - min(xs)) or 1.0), (size[1] - 34) / ((max(ys) - min(ys)) or 1.0))

    def at(x: float, y: float) -> w.Point:
        return left + 15 + (x - min(xs)) * scale, top + 14 + (max(ys) - y) * scale

    if corners:
        page.polygon([at(*place) for place in corners], stroke=w.SOFT, fill=w.PALE)
    for name, place in holes.items():
        x, y = at(*place)
        page.circle(x, y, 3.2, stroke=w.INK, fill="#ffffff")
        page.text(x + 5, y - 3, name, TEXT, True)
    low = top + 14 + (max(ys) - min(ys)) * scale
    page.text(left + 15, low + 10, f"{part or 'as drawn'}, to scale", SMALL, colour=w.SOFT)


def _table(
    page: w.Drawing, spec: Specification, columns: Sequence[_Column], rows: Sequence[Row], top: float, tall: float,
    recheck: Recheck | None, part: str,
) -> None:  # fmt: skip
    """Draw the headings and a line a hole and wall; what isn't asked is grey."""
    x = MARGIN
    for column in columns:
        page.box(x, top, column.width, 26, stroke=w.SOFT, fill=w.PALE)
        for n, line in enumerate(wrap(column.title, column.width - 4, TEXT, True)[:2]):
            page.text(x + column.width / 2, top + 11 + 10 * n, line, TEXT, True, anchor="middle")
        x += column.width
    for number, row in enumerate(rows):
        x, y = MARGIN, top + 26 + number * tall
        for column in columns:
            holds = column.holds
            off = holds not in {"hole", "wall"} and holds not in row.asked
            page.box(x, y, column.width, tall, stroke=w.SOFT, fill="#e2e5e8" if off else "")
            if holds in {"hole", "wall"}:
                text = row.hole.id if holds == "hole" else row.wall
                size = min(11.0, 10.0 * (column.width - 4) / width_of(text, 10.0, True))
                page.text(x + column.width / 2, y + tall / 2 + 4, text, size, True, anchor="middle")
            elif holds in WORDS and not off:
                _ticks(page, TICKS[holds], x, y, column.width, tall)
            elif not off:
                page.text(x + 2.5, y + tall - 2.5, _small(spec, row, holds, part, recheck), 5.8, colour=w.SOFT)
            x += column.width
        if number and row.hole is not rows[number - 1].hole:
            page.line((MARGIN, y), (x, y), width=1.6)


def _small(spec: Specification, row: Row, holds: str, part: str, recheck: Recheck | None) -> str:
    """Return what stands small in a cell: basic dimension, or limits where they aren't those of all holes."""
    if holds in {"x", "y"}:
        sign = spec.part(part).signs()["xy".index(holds)] if part else math.nan  # which hand isn't known
        return f"basic {w.typed(getattr(row.hole, holds) * sign + 0.0, spec.unit)}" if part else ""
    if holds == "diameter":
        size = row.hole.size
        sizes = {(h.size.lower, h.size.upper) for h in spec.holes}
        return f"{w.typed(size.lower, spec.unit)} to {w.typed(size.upper, spec.unit)}" if len(sizes) > 1 else ""
    if holds == "note":
        before = recheck.found.get((row.hole.id, row.wall), "") if recheck else ""
        return w.shorten(f"before: {before}", 60) if before else ""
    found = printed(spec, f"{holds}_asked", row.hole) if holds in OF_WORD else None
    return f"at least {w.typed(found, spec.unit)}" if isinstance(found, float) else found or ""


def _ticks(page: w.Drawing, words: Sequence[str], x: float, y: float, wide: float, tall: float) -> None:
    """Draw a box to tick before each word, in two lines."""
    across = -(-len(words) // 2)
    for n, word in enumerate(words):
        bx, by = x + 4 + (n // 2) * wide / across, y + (n % 2 + 0.5) * tall / 2 - 4
        page.box(bx, by + 0.5, 7, 7, stroke=w.INK)
        page.text(bx + 11, by + 6.8, word, min(8.0, 8.0 * (wide / across - 15) / max(width_of(word, 8.0), 1.0)))
