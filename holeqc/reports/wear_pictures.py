"""Pictures of a fixture's history: map of the bushings, seating of the parts, each bushing's drift and room left."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holeqc.wear import result as res
from holeqc.wear.forecast import FAR, NOW, SHUT
from holeqc.wear.result import Bushing, Outlook, Wear
from holeqc.wear.words import to_change
from holeqc.quantities import FloatArray
from holeqc.reports import drawing as d
from holeqc.reports import wording as w
from holeqc.reports.pictures import SMALL, WIDTH, plate_for
from holeqc.specification.model import Specification

POINTS = 240  #: dots in one panel; more are drawn as means of neighbours


# ---------------------------------------------------------------------------------------------------------- the map


def map_picture(wear: Wear, spec: Specification) -> d.Drawing | None:
    """Return the fixture to scale with each bushing's offset as an arrow, magnified, and its 95 % confidence "
    "ellipse."""
    placed = [b for b in wear.bushings if np.isfinite(b.offset).all()]
    if not placed or not spec.located:
        return None
    plate, high = plate_for(spec, None, 34.0, 150.0)
    picture = d.Drawing(WIDTH, 34.0 + high + 8.0, f"Offsets of the bushings of fixture {w.plain(wear.history.fixture)}")
    if spec.outline:
        picture.polygon([plate.at(x, y) for x, y in spec.outline], stroke=d.SOFT, width=1.0, fill=d.PALE)
    ellipses = {b.hole: ellipse(b) for b in placed}
    far = max(float(np.hypot(*(b.offset + e).T).max()) for b, e in ((b, ellipses[b.hole]) for b in placed))
    magnify = _round_down(0.95 * plate.room / max(far, 1e-9) / plate.scale) * plate.scale
    for b in placed:
        _bushing_on_map(picture, wear, plate.at(*wear.history.nominal[b.hole]), b, ellipses[b.hole] * magnify, magnify)
    _bar(picture, wear, magnify, plate.room)
    picture.note = (
        f"Plate to scale, offsets {magnify / plate.scale:.0f} times larger. Arrow: mean of the last "
        f"{placed[0].recent} parts against the pattern that most bushings agree on; ellipse: where that mean lies "
        f"with 95 %; open dot: at first. Below each name: length of the arrow's offset in "
        f"{w.unit_name(wear.history.unit)}."
    )
    return picture


def ellipse(bushing: Bushing, points: int = 48) -> FloatArray:
    """Return the outline (points,2) of the 95 % ellipse of a mean offset about it (Hotelling's T2)."""
    from scipy.special import fdtri

    n = bushing.recent
    reach = 2.0 * (n - 1) / max(n - 2, 1) * float(fdtri(2, max(n - 2, 1), 0.95))
    value, vector = np.linalg.eigh(bushing.spread)
    turn = np.linspace(0.0, 2.0 * math.pi, points, endpoint=False)
    axes = vector * np.sqrt(np.maximum(value, 0.0) * reach)
    return np.asarray(np.stack([np.cos(turn), np.sin(turn)], axis=1) @ axes.T)


def _bushing_on_map(
    picture: d.Drawing, wear: Wear, at: d.Point, b: Bushing, outline: FloatArray, magnify: float
) -> None:
    x, y = at
    end = (x + b.offset[0] * magnify, y - b.offset[1] * magnify)
    begin = (x + b.first[0] * magnify, y - b.first[1] * magnify)
    ink = _ink(wear, b.hole)
    picture.line((x - 5, y), (x + 5, y), stroke=d.SOFT, width=0.6)
    picture.line((x, y - 5), (x, y + 5), stroke=d.SOFT, width=0.6)
    picture.polygon([(end[0] + dx, end[1] - dy) for dx, dy in outline], stroke=ink, width=0.9, fill="#ffffff")
    picture.circle(*begin, 2.0, stroke=ink, width=0.8)
    if math.dist(at, end) > 7.0:
        d.arrow(picture, at, end, ink, 1.4)
    else:
        picture.line(at, end, stroke=ink, width=1.4)
        picture.circle(*end, 1.6, fill=ink)
    look = wear.first_of(b.hole)
    urgent = to_change(look)
    name = wear.history.bushings[b.hole]
    picture.text(x, y + 16, w.plain(f"{'! ' if urgent else ''}{name}"), 9.0, True, ink, "middle")
    size = float(np.hypot(*b.offset))
    picture.box(x - 17, y + 18.5, 34, 9.5, fill=d.PALE)  # the plate's edge may lie here
    picture.text(x, y + 26, w.computed(size, wear.history.unit), SMALL, False, ink, "middle")


def _ink(wear: Wear, hole: int) -> str:
    look = wear.first_of(hole)
    if look is None or not to_change(look):
        return d.INK
    return d.REJECT_INK if look.forecast.state == NOW else d.HOLD_INK


def _round_down(value: float) -> float:
    """Return a magnification as 1, 2 or 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(max(value, 1e-9)))
    return max(step for step in (1.0, 2.0, 5.0) if step * power <= value * (1 + 1e-9)) * power


def _bar(picture: d.Drawing, wear: Wear, magnify: float, room: float) -> None:
    length = _round_down(room / magnify)
    picture.line((4, 12), (4 + length * magnify, 12), width=1.6)
    picture.text(10 + length * magnify, 15, f"{length:g} {wear.history.unit} of offset", SMALL, colour=d.SOFT)
    picture.text(WIDTH - 4, 15, "! change is forecast", SMALL, colour=d.HOLD_INK, anchor="end")


# ----------------------------------------------------------------------------------------------------------- panels


@dataclass(frozen=True, slots=True)
class Panel:
    """A plotting area on a drawing with its scales."""

    left: float
    top: float
    wide: float
    high: float
    low_x: float
    high_x: float
    low_y: float
    high_y: float

    def at(self, x: float, y: float) -> d.Point:
        """Return the point on paper, held inside the panel's height."""
        share = (y - self.low_y) / (self.high_y - self.low_y)
        return self.x(x), self.top + self.high * (1.0 - min(max(share, 0.0), 1.0))

    def x(self, x: float) -> float:
        """Return where a cycle stands on paper."""
        return self.left + self.wide * (x - self.low_x) / max(self.high_x - self.low_x, 1e-12)

    def inside(self, y: float) -> bool:
        """Whether a value lies within the panel's height."""
        return self.low_y <= y <= self.high_y


def _panel(
    picture: d.Drawing,
    box: tuple[float, float, float, float],
    x: tuple[float, float],
    y: tuple[float, float],
    title: str,
) -> Panel:
    left, top, wide, high = box
    room = 0.06 * (y[1] - y[0]) or 1e-6
    panel = Panel(left, top, wide, high, *x, y[0] - room, y[1] + room)
    picture.box(left, top, wide, high, stroke=d.RULE, width=0.6)
    picture.text(left, top - 5, title, SMALL, True)
    for value in _ticks(panel.low_y, panel.high_y, 3):
        at = panel.at(x[0], value)
        picture.line(at, (left + wide, at[1]), stroke="#e1e6e9", width=0.5)
        picture.text(left - 4, at[1] + 3, _tick(value), SMALL, colour=d.SOFT, anchor="end")
    for value in _ticks(*x, 4 if wide < 300 else 8):
        if value > x[0]:
            picture.text(panel.x(value), top + high + 10, f"{value:.0f}", SMALL, colour=d.SOFT, anchor="middle")
    return panel


def _ticks(low: float, high: float, about: int) -> list[float]:
    step = _round_down((high - low) / about)
    step *= 2.0 if (high - low) / step > 1.6 * about else 1.0
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def _tick(value: float) -> str:
    return f"{value:.4g}" if abs(value) > 1e-12 else "0"


def _thinned(cycle: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    known = np.isfinite(values)
    t, y = cycle[known], values[known]
    if t.size <= POINTS:
        return t, y
    edges = np.linspace(0, t.size, POINTS + 1).astype(int)
    count = np.diff(edges)
    return np.add.reduceat(t, edges[:-1]) / count, np.add.reduceat(y, edges[:-1]) / count


def _span(*series: FloatArray) -> tuple[float, float]:
    joined = np.concatenate([np.ravel(s) for s in series])
    joined = joined[np.isfinite(joined)]
    if not joined.size:
        return -1.0, 1.0
    low, high = float(joined.min()), float(joined.max())
    return (low, high) if high > low else (low - 1e-4, high + 1e-4)


def _dots(picture: d.Drawing, panel: Panel, t: FloatArray, y: FloatArray, ink: str, hollow: bool = False) -> None:
    for cycle, value in zip(t.tolist(), y.tolist(), strict=True):
        x, top = panel.at(cycle, value)
        if hollow:
            picture.circle(x, top, 1.3, stroke=ink, width=0.6)
        else:
            picture.circle(x, top, 1.2, fill=ink)


def _events(picture: d.Drawing, panel: Panel, cycles: Sequence[float]) -> None:
    for cycle in cycles:
        x = panel.x(cycle)
        if panel.left < x < panel.left + panel.wide:
            picture.line((x, panel.top), (x, panel.top + panel.high), stroke=d.BLUE, width=0.7, dash=(1.5, 2.0))
            picture.polygon(((x - 3, panel.top), (x + 3, panel.top), (x, panel.top + 5)), fill=d.BLUE)


# ----------------------------------------------------------------------------------------------------------- seating


def seating_picture(wear: Wear) -> d.Drawing | None:
    """Return shift, turn and scale of every part with their limits; parts out of seat are crossed and named."""
    seating = wear.seating
    if seating is None:
        return None
    unit = wear.history.unit
    titles = (f"shift x [{unit}]", f"shift y [{unit}]", "turn [mrad]", "scale [parts per million]")
    factors = (1.0, 1.0, 1e3, 1e6)
    rows = 4 if wear.separation is not None and wear.separation.scaled else 3
    high = 74.0
    picture = d.Drawing(WIDTH, 18.0 + rows * (high + 30.0), "Seating of every part in the fixture, with limits")
    cycle = wear.history.cycle
    for n in range(rows):
        values, low, up, centre = (
            s[:, n] * factors[n] for s in (seating.values, seating.lower, seating.upper, seating.centre)
        )
        panel = _panel(picture, (62.0, 16.0 + n * (high + 30.0), WIDTH - 72.0, high), (1.0, float(cycle[-1])),
                       _span(values, low, up), titles[n])  # fmt: skip
        _limit_lines(picture, panel, cycle, (low, up, centre))
        inside = ~seating.out if n < 3 else np.ones(cycle.size, dtype=np.bool_)
        _dots(picture, panel, *_thinned(cycle[inside], values[inside]), d.INK)
        if n < 3:
            _crossed(picture, panel, wear, values)
    picture.note = (
        f"Limits: median and robust scatter of the parts between events, so wide that a steady history of "
        f"{len(wear.history)} parts shows one beyond them with a chance of {100 * seating.alarm:.0f} %. "
        "Cross: part out of seat. Below: part number."
    )
    return picture


def _limit_lines(picture: d.Drawing, panel: Panel, cycle: FloatArray, lines: tuple[FloatArray, ...]) -> None:
    for level, dash in zip(lines, ((5.0, 2.5), (5.0, 2.5), ()), strict=True):
        changes = np.flatnonzero(np.diff(np.nan_to_num(level)) != 0)
        for first, last in zip([0, *(changes + 1)], [*changes, cycle.size - 1], strict=True):
            if math.isfinite(level[first]):
                ink = d.REJECT_INK if dash else d.SOFT
                ends = panel.at(cycle[first], level[first]), panel.at(cycle[last], level[first])
                picture.line(*ends, stroke=ink, width=0.8, dash=dash)


def _crossed(picture: d.Drawing, panel: Panel, wear: Wear, values: FloatArray) -> None:
    assert wear.seating is not None
    index = np.flatnonzero(wear.seating.out)
    for k in index[:60]:
        x, y = panel.at(wear.history.cycle[k], values[k])
        picture.line((x - 2.6, y - 2.6), (x + 2.6, y + 2.6), stroke=d.REJECT_INK, width=1.3)
        picture.line((x - 2.6, y + 2.6), (x + 2.6, y - 2.6), stroke=d.REJECT_INK, width=1.3)


# ---------------------------------------------------------------------------------------------------------- bushings


def bushing_picture(wear: Wear, hole: int) -> d.Drawing:
    """Return a bushing's offset against cycles, and the room left to its first limit with the forecast."""
    picture = d.Drawing(WIDTH, 146.0, f"Trend and forecast of {w.plain(wear.history.bushings[hole])}")
    _drift(picture, wear, hole, (46.0, 22.0, 196.0, 98.0))
    look = wear.first_of(hole)
    if look is not None:
        _room(picture, wear, look, (302.0, 22.0, WIDTH - 310.0, 98.0))
    picture.text(46.0 + 98.0, 143.0, "part number", SMALL, colour=d.SOFT, anchor="middle")
    picture.text(302.0 + (WIDTH - 310.0) / 2, 143.0, "part number", SMALL, colour=d.SOFT, anchor="middle")
    return picture


def _drift(picture: d.Drawing, wear: Wear, hole: int, box: tuple[float, float, float, float]) -> None:
    unit, cycle = wear.history.unit, wear.history.cycle
    bushing = next((b for b in wear.bushings if b.hole == hole), None)
    if wear.separation is None or bushing is None:
        picture.text(box[0], box[1] + 40, "No places were read: sizes only.", SMALL, colour=d.SOFT)
        return
    x, y = (_thinned(cycle, wear.separation.rest[:, hole, n]) for n in (0, 1))
    title = f"offset [{unit}]:  ● x, blue   ○ y, brown, dashed"
    panel = _panel(picture, box, (1.0, float(cycle[-1])), _span(x[1], y[1]), title)
    _dots(picture, panel, *x, d.BLUE)
    _dots(picture, panel, *y, d.HOLD_INK, hollow=True)
    for channel, ink, dash in zip(res.CHANNELS[:2], (d.BLUE, d.HOLD_INK), ((), (5.0, 2.0)), strict=True):
        t = bushing.trends.get(channel)
        if t is not None:
            begin = panel.at(t.start, t.level - t.slope * (t.end - t.start))
            picture.line(begin, panel.at(t.end, t.level), stroke=ink, width=1.6, dash=dash)
    _events(picture, panel, [e.cycle for e in wear.events if e.touches("place", hole)])
    for f in wear.found:
        if f.hole == hole:
            at = panel.x(f.change.cycle)
            picture.line((at, panel.top), (at, panel.top + panel.high), stroke=d.SOFT, width=0.8, dash=(3.0, 2.0))
            picture.text(at + 3, panel.top + 9, "?", 9.0, True, d.SOFT)


def _room(picture: d.Drawing, wear: Wear, look: Outlook, box: tuple[float, float, float, float]) -> None:
    f, cycle = look.forecast, wear.history.cycle
    series = margin_series(wear, look)
    told = f.state in (SHUT, NOW)
    end = float(cycle[-1]) * 1.15
    if told and f.estimate is not None:
        end = max(end, min(f.upper if f.upper is not None else 1.2 * f.estimate, 4.0 * float(cycle[-1])))
    t, y = _thinned(cycle, series)
    panel = _panel(picture, box, (1.0, end), _span(y, np.zeros(1)), f"room to: {look.limit} [{wear.history.unit}]")
    used = t >= f.start
    _dots(picture, panel, t[~used], y[~used], d.RULE)
    _dots(picture, panel, t[used], y[used], d.INK)
    zero = panel.at(1.0, 0.0)
    picture.line(zero, (panel.left + panel.wide, zero[1]), stroke=d.REJECT_INK, width=1.2)
    _fan(picture, panel, f.start, f.last, end, look)
    if told and f.act is not None:
        x = panel.x(max(f.act, f.last))
        picture.line((x, panel.top), (x, panel.top + panel.high), stroke=d.HOLD_INK, width=1.2, dash=(4.0, 2.0))
        side: d.Anchor = "end" if x > panel.left + 0.55 * panel.wide else "start"
        picture.text(
            x + (-3 if side == "end" else 3),
            panel.top + 9,
            f"before {math.floor(f.act)}",
            SMALL,
            True,
            d.HOLD_INK,
            side,
        )
    touches = {res.SIZE_UPPER: "size", res.SIZE_LOWER: "size", res.POSITION: "place"}.get(look.limit, "pattern")
    _events(picture, panel, [e.cycle for e in wear.events if e.touches(touches, look.hole)])


def _fan(picture: d.Drawing, panel: Panel, start: float, last: float, end: float, look: Outlook) -> None:
    """Draw the fitted mean margin, ahead with its 95 % band."""
    f = look.forecast
    if f.band is None or f.state not in (SHUT, NOW, FAR):
        return
    ahead = np.linspace(last, end, 40)
    mean, low, high = f.curve(ahead)
    for bound in (high, low):
        shown = bound > panel.low_y
        points = [panel.at(x, v) for x, v in zip(ahead[shown].tolist(), bound[shown].tolist(), strict=True)]
        if len(points) > 1:
            picture.line(*points, stroke=d.BLUE, width=0.7, dash=(2.5, 1.8))
    past = np.linspace(start, last, 40)
    whole = np.concatenate([past, ahead])
    level = np.concatenate([f.curve(past)[0], mean])
    points = [panel.at(x, v) for x, v in zip(whole.tolist(), level.tolist(), strict=True) if v > panel.low_y]
    if len(points) > 1:
        picture.line(*points, stroke=d.BLUE, width=1.6)


def margin_series(wear: Wear, look: Outlook) -> FloatArray:
    """Return the margins (P,) that a forecast is made of."""
    m = wear.history.margins
    if look.limit == res.PATTERN:
        return m.pattern
    if look.limit == res.PINS:
        return m.pins
    by_hole = {res.SIZE_UPPER: m.size_upper, res.SIZE_LOWER: m.size_lower, res.POSITION: m.position}
    return np.asarray(by_hole[look.limit][:, look.hole])
