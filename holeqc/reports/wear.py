"""A fixture's history on the screen and as the engineer's pages: what to do, how the bushings drift, how parts sat."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import holeqc
from holeqc import printing, writer
from holeqc.fixture import result as res
from holeqc.fixture.forecast import FAR, NOW, SHUT
from holeqc.fixture.history import MEANING
from holeqc.fixture.result import (
    FORECAST_NOTE,
    LIMITS_NOTE,
    Bushing,
    Outlook,
    Wear,
    answer,
    count_note,
    nothing,
    to_change,
)
from holeqc.inspection.results import capital
from holeqc.quantities import FloatArray
from holeqc.reports import blocks as w
from holeqc.reports.plate import SMALL, WIDTH, plate_for
from holeqc.specification.model import Specification
from holeqc.specification.words import limits_line

if TYPE_CHECKING:
    from holeqc.readings.table import Source


# A fixture's history on the screen: what to do, then the bushings in order of urgency.


def wear_text(wear: Wear, width: int = 96) -> str:
    """Return the short screen of a fixture's history, lines at most ``width`` characters."""
    h = wear.history
    head = f"Fixture {h.fixture or '-'}: {len(h)} parts, {len(h.holes)} holes, lengths in {w.unit_name(h.unit)}"
    lines = [w.plain(head), ""]
    for number, text in enumerate(wear.advice, 1):
        lines += textwrap.wrap(w.plain(text), width, initial_indent=f"{number:>2}. ", subsequent_indent="    ")
    lines += ["", *_table(wear), ""]
    if wear.shares:
        shares = ", ".join(f"{s.cause} {100 * s.share:.0f} %" for s in wear.shares)
        lines += textwrap.wrap(f"What moves a hole, in shares of its mean square deviation: {shares}.", width)
    for note in (FORECAST_NOTE, count_note(wear), LIMITS_NOTE):
        lines += textwrap.wrap(note, width)
    return "\n".join(lines) + "\n"


def _table(wear: Wear) -> list[str]:
    heads = f"{'bushing':<10}{'hole':<7}{'first limit':<23}{'before':>8}{'left':>7}{'half fail from (95 %)':>24}"
    lines = [f"{heads}  answer"]
    for hole in wear.order:
        look = wear.first_of(hole)
        bushing, number = w.plain(wear.history.bushings[hole]), w.plain(wear.history.holes[hole])
        name = f"{w.shorten(bushing, 9):<10}{w.shorten(number, 6):<7}"
        if look is None:
            lines.append(f"{name}{'-':<23}{'-':>8}{'-':>7}{'-':>24}  {nothing(wear, hole)}")
            continue
        f = look.forecast
        before, left = ("-" if v is None else f"{math.floor(v)}" for v in (f.act, f.left))
        out = "-"
        if f.estimate is not None:
            low, high = ("?" if v is None else f"{v:.0f}" for v in (f.lower, f.upper))
            out = f"{f.estimate:.0f} ({low} to {high})"
        lines.append(f"{name}{look.limit:<23}{before:>8}{left:>7}{out:>24}  {answer(look)}")
    return lines


# Pictures of a fixture's history: map of the bushings, seating of the parts, each bushing's drift and room left.


POINTS = 240  #: dots in one panel; more are drawn as means of neighbours


# ---------------------------------------------------------------------------------------------------------- the map


def map_picture(wear: Wear, spec: Specification) -> w.Drawing | None:
    """Return the fixture to scale with each bushing's offset as an arrow, magnified, and its 95 % confidence "
    "ellipse."""
    placed = [b for b in wear.bushings if np.isfinite(b.offset).all()]
    if not placed or not spec.located:
        return None
    plate, high = plate_for(spec, None, 34.0, 150.0)
    picture = w.Drawing(WIDTH, 34.0 + high + 8.0, f"Offsets of the bushings of fixture {w.plain(wear.history.fixture)}")
    if spec.outline:
        picture.polygon([plate.at(x, y) for x, y in spec.outline], stroke=w.SOFT, width=1.0, fill=w.PALE)
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
    picture: w.Drawing, wear: Wear, at: w.Point, b: Bushing, outline: FloatArray, magnify: float
) -> None:
    x, y = at
    end = (x + b.offset[0] * magnify, y - b.offset[1] * magnify)
    begin = (x + b.first[0] * magnify, y - b.first[1] * magnify)
    ink = _ink(wear, b.hole)
    picture.line((x - 5, y), (x + 5, y), stroke=w.SOFT, width=0.6)
    picture.line((x, y - 5), (x, y + 5), stroke=w.SOFT, width=0.6)
    picture.polygon([(end[0] + dx, end[1] - dy) for dx, dy in outline], stroke=ink, width=0.9, fill="#ffffff")
    picture.circle(*begin, 2.0, stroke=ink, width=0.8)
    if math.dist(at, end) > 7.0:
        w.arrow(picture, at, end, ink, 1.4)
    else:
        picture.line(at, end, stroke=ink, width=1.4)
        picture.circle(*end, 1.6, fill=ink)
    look = wear.first_of(b.hole)
    urgent = to_change(look)
    name = wear.history.bushings[b.hole]
    picture.text(x, y + 16, w.plain(f"{'! ' if urgent else ''}{name}"), 9.0, True, ink, "middle")
    size = float(np.hypot(*b.offset))
    picture.box(x - 17, y + 18.5, 34, 9.5, fill=w.PALE)  # the plate's edge may lie here
    picture.text(x, y + 26, w.computed(size, wear.history.unit), SMALL, False, ink, "middle")


def _ink(wear: Wear, hole: int) -> str:
    look = wear.first_of(hole)
    if look is None or not to_change(look):
        return w.INK
    return w.REJECT_INK if look.forecast.state == NOW else w.HOLD_INK


def _round_down(value: float) -> float:
    """Return a magnification as 1, 2 or 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(max(value, 1e-9)))
    return max(step for step in (1.0, 2.0, 5.0) if step * power <= value * (1 + 1e-9)) * power


def _bar(picture: w.Drawing, wear: Wear, magnify: float, room: float) -> None:
    length = _round_down(room / magnify)
    picture.line((4, 12), (4 + length * magnify, 12), width=1.6)
    picture.text(10 + length * magnify, 15, f"{length:g} {wear.history.unit} of offset", SMALL, colour=w.SOFT)
    picture.text(WIDTH - 4, 15, "! change is forecast", SMALL, colour=w.HOLD_INK, anchor="end")


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

    def at(self, x: float, y: float) -> w.Point:
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
    picture: w.Drawing,
    box: tuple[float, float, float, float],
    x: tuple[float, float],
    y: tuple[float, float],
    title: str,
) -> Panel:
    left, top, wide, high = box
    room = 0.06 * (y[1] - y[0]) or 1e-6
    panel = Panel(left, top, wide, high, *x, y[0] - room, y[1] + room)
    picture.box(left, top, wide, high, stroke=w.RULE, width=0.6)
    picture.text(left, top - 5, title, SMALL, True)
    for value in _ticks(panel.low_y, panel.high_y, 3):
        at = panel.at(x[0], value)
        picture.line(at, (left + wide, at[1]), stroke="#e1e6e9", width=0.5)
        picture.text(left - 4, at[1] + 3, _tick(value), SMALL, colour=w.SOFT, anchor="end")
    for value in _ticks(*x, 4 if wide < 300 else 8):
        if value > x[0]:
            picture.text(panel.x(value), top + high + 10, f"{value:.0f}", SMALL, colour=w.SOFT, anchor="middle")
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


def _dots(picture: w.Drawing, panel: Panel, t: FloatArray, y: FloatArray, ink: str, hollow: bool = False) -> None:
    for cycle, value in zip(t.tolist(), y.tolist(), strict=True):
        x, top = panel.at(cycle, value)
        if hollow:
            picture.circle(x, top, 1.3, stroke=ink, width=0.6)
        else:
            picture.circle(x, top, 1.2, fill=ink)


def _events(picture: w.Drawing, panel: Panel, cycles: Sequence[float]) -> None:
    for cycle in cycles:
        x = panel.x(cycle)
        if panel.left < x < panel.left + panel.wide:
            picture.line((x, panel.top), (x, panel.top + panel.high), stroke=w.BLUE, width=0.7, dash=(1.5, 2.0))
            picture.polygon(((x - 3, panel.top), (x + 3, panel.top), (x, panel.top + 5)), fill=w.BLUE)


# ----------------------------------------------------------------------------------------------------------- seating


def seating_pictures(wear: Wear) -> Iterator[w.Drawing]:
    """Give shift, turn and scale of every part with their limits, parts out of seat crossed.

    They are pictures of their own, so that a page takes as many as it has room for.
    """
    seating = wear.seating
    if seating is None:
        return
    unit = wear.history.unit
    titles = (f"shift x [{unit}]", f"shift y [{unit}]", "turn [mrad]", "scale [parts per million]")
    factors = (1.0, 1.0, 1e3, 1e6)
    rows = 4 if wear.separation is not None and wear.separation.scaled else 3
    high = 56.0
    cycle = wear.history.cycle
    for n in range(rows):
        values, low, up, centre = (
            s[:, n] * factors[n] for s in (seating.values, seating.lower, seating.upper, seating.centre)
        )
        picture = w.Drawing(WIDTH, high + 30.0, f"Seating of every part in the fixture: {titles[n]}, with limits")
        box = (62.0, 16.0, WIDTH - 72.0, high)
        panel = _panel(picture, box, (1.0, float(cycle[-1])), _span(values, low, up), titles[n])
        _limit_lines(picture, panel, cycle, (low, up, centre))
        inside = ~seating.out if n < 3 else np.ones(cycle.size, dtype=np.bool_)
        _dots(picture, panel, *_thinned(cycle[inside], values[inside]), w.INK)
        if n < 3:
            _crossed(picture, panel, wear, values)
        yield picture


def _limit_lines(picture: w.Drawing, panel: Panel, cycle: FloatArray, lines: tuple[FloatArray, ...]) -> None:
    for level, dash in zip(lines, ((5.0, 2.5), (5.0, 2.5), ()), strict=True):
        changes = np.flatnonzero(np.diff(np.nan_to_num(level)) != 0)
        for first, last in zip([0, *(changes + 1)], [*changes, cycle.size - 1], strict=True):
            if math.isfinite(level[first]):
                ink = w.REJECT_INK if dash else w.SOFT
                ends = panel.at(cycle[first], level[first]), panel.at(cycle[last], level[first])
                picture.line(*ends, stroke=ink, width=0.8, dash=dash)


def _crossed(picture: w.Drawing, panel: Panel, wear: Wear, values: FloatArray) -> None:
    assert wear.seating is not None
    index = np.flatnonzero(wear.seating.out)
    for k in index[:60]:
        x, y = panel.at(wear.history.cycle[k], values[k])
        picture.line((x - 2.6, y - 2.6), (x + 2.6, y + 2.6), stroke=w.REJECT_INK, width=1.3)
        picture.line((x - 2.6, y + 2.6), (x + 2.6, y - 2.6), stroke=w.REJECT_INK, width=1.3)


# ---------------------------------------------------------------------------------------------------------- bushings


def bushing_picture(wear: Wear, hole: int) -> w.Drawing:
    """Return a bushing's offset against cycles, and the room left to its first limit with the forecast."""
    picture = w.Drawing(WIDTH, 146.0, f"Trend and forecast of {w.plain(wear.history.bushings[hole])}")
    _drift(picture, wear, hole, (46.0, 22.0, 196.0, 98.0))
    look = wear.first_of(hole)
    if look is not None:
        _room(picture, wear, look, (302.0, 22.0, WIDTH - 310.0, 98.0))
    picture.text(46.0 + 98.0, 143.0, "part number", SMALL, colour=w.SOFT, anchor="middle")
    picture.text(302.0 + (WIDTH - 310.0) / 2, 143.0, "part number", SMALL, colour=w.SOFT, anchor="middle")
    return picture


def _drift(picture: w.Drawing, wear: Wear, hole: int, box: tuple[float, float, float, float]) -> None:
    unit, cycle = wear.history.unit, wear.history.cycle
    bushing = next((b for b in wear.bushings if b.hole == hole), None)
    if wear.separation is None or bushing is None:
        picture.text(box[0], box[1] + 40, "No places were read: sizes only.", SMALL, colour=w.SOFT)
        return
    x, y = (_thinned(cycle, wear.separation.rest[:, hole, n]) for n in (0, 1))
    title = f"offset [{unit}]:  ● x, blue   ○ y, brown, dashed"
    panel = _panel(picture, box, (1.0, float(cycle[-1])), _span(x[1], y[1]), title)
    _dots(picture, panel, *x, w.BLUE)
    _dots(picture, panel, *y, w.HOLD_INK, hollow=True)
    for channel, ink, dash in zip(res.CHANNELS[:2], (w.BLUE, w.HOLD_INK), ((), (5.0, 2.0)), strict=True):
        t = bushing.trends.get(channel)
        if t is not None:
            begin = panel.at(t.start, t.level - t.slope * (t.end - t.start))
            picture.line(begin, panel.at(t.end, t.level), stroke=ink, width=1.6, dash=dash)
    _events(picture, panel, [e.cycle for e in wear.events if e.touches("place", hole)])
    for f in wear.found:
        if f.hole == hole:
            at = panel.x(f.change.cycle)
            picture.line((at, panel.top), (at, panel.top + panel.high), stroke=w.SOFT, width=0.8, dash=(3.0, 2.0))
            picture.text(at + 3, panel.top + 9, "?", 9.0, True, w.SOFT)


def _room(picture: w.Drawing, wear: Wear, look: Outlook, box: tuple[float, float, float, float]) -> None:
    f, cycle = look.forecast, wear.history.cycle
    series = margin_series(wear, look)
    told = f.state in (SHUT, NOW)
    end = float(cycle[-1]) * 1.15
    if told and f.estimate is not None:
        end = max(end, min(f.upper if f.upper is not None else 1.2 * f.estimate, 4.0 * float(cycle[-1])))
    t, y = _thinned(cycle, series)
    panel = _panel(picture, box, (1.0, end), _span(y, np.zeros(1)), f"room to: {look.limit} [{wear.history.unit}]")
    used = t >= f.start
    _dots(picture, panel, t[~used], y[~used], w.RULE)
    _dots(picture, panel, t[used], y[used], w.INK)
    zero = panel.at(1.0, 0.0)
    picture.line(zero, (panel.left + panel.wide, zero[1]), stroke=w.REJECT_INK, width=1.2)
    _fan(picture, panel, f.start, f.last, end, look)
    if told and f.act is not None:
        x = panel.x(max(f.act, f.last))
        picture.line((x, panel.top), (x, panel.top + panel.high), stroke=w.HOLD_INK, width=1.2, dash=(4.0, 2.0))
        side: w.Anchor = "end" if x > panel.left + 0.55 * panel.wide else "start"
        picture.text(
            x + (-3 if side == "end" else 3),
            panel.top + 9,
            f"before {math.floor(f.act)}",
            SMALL,
            True,
            w.HOLD_INK,
            side,
        )
    touches = {res.SIZE_UPPER: "size", res.SIZE_LOWER: "size", res.POSITION: "place"}.get(look.limit, "pattern")
    _events(picture, panel, [e.cycle for e in wear.events if e.touches(touches, look.hole)])


def _fan(picture: w.Drawing, panel: Panel, start: float, last: float, end: float, look: Outlook) -> None:
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
            picture.line(*points, stroke=w.BLUE, width=0.7, dash=(2.5, 1.8))
    past = np.linspace(start, last, 40)
    whole = np.concatenate([past, ahead])
    level = np.concatenate([f.curve(past)[0], mean])
    points = [panel.at(x, v) for x, v in zip(whole.tolist(), level.tolist(), strict=True) if v > panel.low_y]
    if len(points) > 1:
        picture.line(*points, stroke=w.BLUE, width=1.6)


def margin_series(wear: Wear, look: Outlook) -> FloatArray:
    """Return the margins (P,) that a forecast is made of."""
    m = wear.history.margins
    if look.limit == res.PATTERN:
        return m.pattern
    if look.limit == res.PINS:
        return m.pins
    by_hole = {res.SIZE_UPPER: m.size_upper, res.SIZE_LOWER: m.size_lower, res.POSITION: m.position}
    return np.asarray(by_hole[look.limit][:, look.hole])


# The engineer's page about a fixture: what to do, where the bushings sit, how they drift, how the parts were "
# "seated.


HTML, PDF, DATA = "fixture.html", "fixture.pdf", "fixture.json"
CAUTIONS = (
    "Stop the machine and lock it before you touch bushings or stops; wear eye protection; clear chips with a brush.",
    "A forecast supports and never replaces the inspection of each part, the drawing, the approved data and the person "
    "licensed to sign. Local codes prevail.",
)


def wear_report(wear: Wear, spec: Specification, sources: tuple[Source, ...] = ()) -> w.Report:
    """Return the report about a fixture as blocks for HTML and PDF."""
    fixture = w.plain(wear.history.fixture or spec.id)
    head = f"Fixture {fixture}  ·  kit {w.plain(spec.id)} revision {w.plain(spec.revision)}"
    # one section: each begins a page of its own and leaves the one before half empty
    sections = (w.Section("overview", f"{head}  ·  what to do", (*_overview(wear, spec, fixture), *_history(wear))),)
    lines = [w.tool_line(holeqc.__version__, spec), *w.source_lines(sources)]
    return w.Report(
        f"Fixture {fixture}: wear", sections, w.Foot(lines, CAUTIONS), "letter" if spec.unit == "in" else "a4"
    )


def write_wear(wear: Wear, spec: Specification, folder: Path, sources: tuple[Source, ...] = ()) -> list[Path]:
    """Write fixture.html, fixture.pdf and fixture.json into a folder, which is made if need be; return their paths.

    Files of these names are replaced; others are left alone.
    """
    from holeqc.reports.pages import html_page, pdf_report

    report = wear_report(wear, spec, sources)
    data = printing.as_json(wear.as_dict())
    content = {
        HTML: html_page(report).encode("utf-8", "backslashreplace"), PDF: pdf_report(report),
        DATA: f"{data}\n".encode("utf-8", "replace"),
    }  # fmt: skip
    with writer.folder(folder, lambda _: None, beside=tuple(content)) as out:
        for name, written in content.items():
            out.write_bytes(name, written)
    return [folder / name for name in content]


# --------------------------------------------------------------------------------------------------------- overview


def _overview(wear: Wear, spec: Specification, fixture: str) -> Iterator[w.Block]:
    yield w.Heading(f"Fixture {fixture}: what to do")
    yield w.Paragraph(w.plain(limits_line(spec)))
    yield w.Findings(tuple(w.plain(text) for text in wear.advice) or ("Nothing.",))
    picture = map_picture(wear, spec)
    if picture is not None:
        yield w.Heading("Where the bushings sit")
        yield w.Picture(picture)
        yield w.Paragraph(picture.note, "quiet")
    yield w.Heading("Bushings, most urgent first")
    yield urgency_table(wear)


def urgency_table(wear: Wear) -> w.Table:
    """Return the bushings with their first limit and when to change them."""
    unit = wear.history.unit
    columns = (
        w.Column("Bushing"), w.Column("Hole"), w.Column("First limit", wraps=True),
        w.Column("Act before part", "right"), w.Column("Parts left", "right"),
        w.Column("Half fail from (95 %)", "right"), w.Column("Room now", "right"), w.Column("Answer", wraps=True),
    )  # fmt: skip
    rows = []
    for hole in wear.order:
        look = wear.first_of(hole)
        name = w.plain(wear.history.bushings[hole])
        if look is None:
            rows.append((name, w.plain(wear.history.holes[hole]), "-", "-", "-", "-", "-", res.nothing(wear, hole)))
            continue
        f = look.forecast
        rows.append((
            name, w.plain(wear.history.holes[hole]), look.limit, _whole(f.act), _whole(f.left), _between(look),
            w.signed(f.now, unit), res.answer(look),
        ))  # fmt: skip
    note = f"{res.FORECAST_NOTE} Room now: of the middle part, in {w.unit_name(unit)}."
    return w.Table(columns, tuple(rows), note)


def _whole(value: float | None) -> str:
    return "-" if value is None else f"{math.floor(value)}"


def _between(look: Outlook) -> str:
    f = look.forecast
    if f.estimate is None:
        return "-"
    low = "now" if f.lower is None else f"{f.lower:.0f}"
    return f"{f.estimate:.0f} ({low} to {f.upper:.0f})" if f.upper is not None else f"{f.estimate:.0f} (from {low})"


def _history(wear: Wear) -> Iterator[w.Block]:
    """Give the blocks in an order that fills pages: words stand between the tall pictures."""
    yield from _bushings(wear)
    if wear.notes:
        yield w.Heading("What these readings can and can't tell apart")
        yield w.Findings(tuple(wear.notes))
    yield from _about(wear)
    yield from _seating(wear)
    yield from _outlooks(wear)


# --------------------------------------------------------------------------------------------------------- bushings


def _bushings(wear: Wear) -> Iterator[w.Block]:
    yield w.Heading("Each bushing: drift and room left, most urgent first")
    yield w.Paragraph(
        "Left: offset against the other bushings, seating taken out. Right: room to the limit that is reached "
        "first, its mean and the forecast with its 95 % band; grey dots don't count, they lie before the last "
        "change; red: no room. Blue marks: logged events. '?': a change that nobody logged.", "quiet",
    )  # fmt: skip
    for hole in wear.order:
        yield w.Heading(_bushing_line(wear, hole), 3)
        yield w.Picture(bushing_picture(wear, hole))
    yield w.Heading("Trends in numbers")
    yield trend_table(wear)


def _bushing_line(wear: Wear, hole: int) -> str:
    look = wear.first_of(hole)
    name = capital(res.name_of(wear, hole))
    if look is None:
        return w.plain(f"{name}: {res.nothing(wear, hole)}")
    f = look.forecast
    far = f.act is not None and f.state == "forecast" and res.to_change(look)
    told = f", act before part {math.floor(f.act or 0.0)}" if far else ""
    return w.plain(f"{name}: {res.answer(look)}{told}")


def trend_table(wear: Wear) -> w.Table:
    """Return every trend by two methods, with interval, neighbours and curvature."""
    scale, digits = (1e4, "0.0001 in") if wear.history.unit == "in" else (1e3, "0.001 mm")
    columns = (
        w.Column("Bushing"), w.Column("Of"), w.Column("Since part", "right"), w.Column("Parts", "right"),
        w.Column("Now", "right"), w.Column("Slope per 100 parts (95 %)", "right", True),
        w.Column("Median of slopes", "right"), w.Column("Chance", "right"), w.Column("Neighbours", "right"),
        w.Column("Curved"),
    )  # fmt: skip
    rows: list[tuple[str, ...]] = []
    groups = set()
    for bushing in wear.bushings:
        groups.add(len(rows))
        for channel, t in bushing.trends.items():
            name = w.plain(wear.history.bushings[bushing.hole])
            slopes = [100 * scale * v for v in (t.slope, t.lower, t.upper, t.robust)]
            rows.append((
                name, channel, f"{t.start:.0f}", str(t.n), f"{scale * t.level:+.1f}",
                f"{slopes[0]:+.2f} ({slopes[1]:+.2f} to {slopes[2]:+.2f})", f"{slopes[3]:+.2f}",
                "< 0.001" if t.chance < 0.001 else f"{t.chance:.3f}", f"{t.neighbours:.2f}",
                "yes" if t.curved else "no",
            ))  # fmt: skip
    note = (
        f"Lengths in {digits}. Slope by least squares; its interval counts neighbours that resemble each other for "
        "less. Median of slopes: of all pairs of parts, which single bad readings don't move. Chance: of such a "
        "slope without wear. Size against the others: minus the median size of the part's holes, which the drill moves."
    )
    return w.Table(columns, tuple(rows), note, frozenset(groups))


# ---------------------------------------------------------------------------------------------------------- seating


def _seating(wear: Wear) -> Iterator[w.Block]:
    yield w.Heading("How the parts were seated")
    if wear.seating is None:
        yield w.Paragraph("No coordinates of holes are read, so the seating of the parts is not known.")
    else:
        yield w.Paragraph(
            f"Limits: median and robust scatter of the parts between events, so wide that a steady history of "
            f"{len(wear.history)} parts shows one beyond them with a chance of {100 * wear.seating.alarm:.2g} %. "
            "Cross: part out of seat. Below: part number.",
            "quiet",
        )
        yield from map(w.Picture, seating_pictures(wear))
    if wear.shares:
        yield w.Heading("What moves a hole: shares of its mean square deviation")
        yield _share_table(wear)


def _share_table(wear: Wear) -> w.Table:
    columns = (
        w.Column("Cause"), w.Column("What it is", wraps=True), w.Column("sd of a coordinate", "right"),
        w.Column("Share", "right"), w.Column("95 % interval", "right"),
    )  # fmt: skip
    rows = tuple(
        (s.cause, MEANING[s.cause], w.fine(s.sd), f"{100 * s.share:.1f} %",
         f"{100 * s.lower:.1f} to {100 * s.upper:.1f} %")
        for s in wear.shares
    )  # fmt: skip
    note = (
        "Mean squares of one coordinate, averaged over holes and parts, parts out of seat included; what scatter "
        "adds to an estimated seating is taken off. Intervals: parts drawn anew 999 times in runs of neighbours."
    )
    return w.Table(columns, rows, note)


# ------------------------------------------------------------------------------------------------------------ about


def _about(wear: Wear) -> Iterator[w.Block]:
    h = wear.history
    days = [w.day(h.date.min()), w.day(h.date.max())] if len(h) else []
    yield w.Heading("How it was worked out")
    yield w.Facts(tuple(pair for pair in (
        ("Parts", str(len(h))), ("Read", " to ".join(dict.fromkeys(d for d in days if d))),
        ("Holes", str(len(h.holes))), ("Lengths in", w.unit_name(h.unit)),
    ) if pair[1]))  # fmt: skip
    points = [
        "Readings that their own part contradicts are left out first. Seating: for each part the shift, turn and scale "
        "that bring the basic pattern to the measured holes, by the bushings that don't move against one another; of "
        "all sets of bushings the one that says what moves with fewest.",
        "Changes that nobody logged are looked for in the place and size of each bushing together, in the seating and "
        "in all sizes; trends start anew there as at logged events. A drift counts where it is told from none after "
        f"{wear.looks} looks, at 1 in 100 for all of them together.",
        "Forecast: what drifts goes on straight, or speeding up as likely as the readings make that; the middle part's "
        "room is worked out from the levels, for hole to hole and pins by floating the pattern to its best in each "
        "draw. All sizes together follow the explanation that fits best.",
        "Bounds: the 95 % interval of the part number from which half of the parts fail; 'before', its one-sided 95 % "
        "bound, or where about one part in forty fails if that comes first.",
        res.count_note(wear), res.LIMITS_NOTE,
    ]  # fmt: skip
    yield w.Findings(tuple(points))


def _outlooks(wear: Wear) -> Iterator[w.Block]:
    yield w.Heading("Every forecast")
    yield _all_outlooks(wear)
    logged = res.event_words(wear)
    yield w.Heading("Events that were logged")
    yield (w.Findings(tuple(w.plain(t) for t in logged)) if logged else w.Paragraph("None."))
    if wear.problems:
        yield w.Heading("To look at")
        yield w.Findings(tuple(w.plain(p.sentence()) for p in wear.problems[:60]))


def _all_outlooks(wear: Wear) -> w.Table:
    unit = wear.history.unit
    columns = (
        w.Column("Limit"), w.Column("Bushing"), w.Column("Since part", "right"), w.Column("Parts", "right"),
        w.Column("Room now", "right"), w.Column("sd of a part", "right"), w.Column("Before", "right"),
        w.Column("Half fail from (95 %)", "right"), w.Column("Answer"),
    )  # fmt: skip
    rows = tuple(
        (
            look.limit, "-" if look.hole is None else w.plain(wear.history.bushings[look.hole]),
            f"{look.forecast.start:.0f}", str(look.forecast.n), w.signed(look.forecast.now, unit),
            w.fine(look.forecast.sd), _whole(look.forecast.act), _between(look), res.answer(look),
        )
        for look in wear.outlooks
    )  # fmt: skip
    whole = [o for o in wear.outlooks if o.limit in (res.PATTERN, res.PINS)]
    note = "The whole pattern is put down to the bushing that holds it up and is furthest off." if whole else ""
    return w.Table(columns, rows, note)
