"""The engineer's page about a fixture: what to do, where the bushings sit, how they drift, how the parts were "
"seated."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import holeqc
from holeqc import printing, writer
from holeqc.inspection.results import capital
from holeqc.reports import blocks as b
from holeqc.reports import wording as w
from holeqc.reports.wear_pictures import bushing_picture, map_picture, seating_picture
from holeqc.specification.words import limits_line
from holeqc.wear import result as res
from holeqc.wear import words
from holeqc.wear.shares import MEANING

if TYPE_CHECKING:
    from holeqc.readings.table import Source
    from holeqc.specification.model import Specification
    from holeqc.wear.result import Outlook, Wear

HTML, PDF, DATA = "fixture.html", "fixture.pdf", "fixture.json"
CAUTIONS = (
    "Stop the machine and lock it before you touch bushings or stops; wear eye protection; clear chips with a brush.",
    "A forecast supports and never replaces the inspection of each part, the drawing, the approved data and the person "
    "licensed to sign. Local codes prevail.",
)


def wear_report(wear: Wear, spec: Specification, sources: tuple[Source, ...] = ()) -> b.Report:
    """Return the report about a fixture as blocks for HTML and PDF."""
    fixture = w.plain(wear.history.fixture or spec.id)
    head = f"Fixture {fixture}  ·  kit {w.plain(spec.id)} revision {w.plain(spec.revision)}"
    # one section: each begins a page of its own and leaves the one before half empty
    sections = (b.Section("overview", f"{head}  ·  what to do", (*_overview(wear, spec, fixture), *_history(wear))),)
    lines = [w.tool_line(holeqc.__version__, spec), *w.source_lines(sources)]
    return b.Report(
        f"Fixture {fixture}: wear", sections, b.Foot(lines, CAUTIONS), "letter" if spec.unit == "in" else "a4"
    )


def write_wear(wear: Wear, spec: Specification, folder: Path, sources: tuple[Source, ...] = ()) -> list[Path]:
    """Write fixture.html, fixture.pdf and fixture.json into a folder, which is made if need be; return their paths.

    Files of these names are replaced; others are left alone.
    """
    from holeqc.reports.html import html_page
    from holeqc.reports.pdf import pdf_report

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


def _overview(wear: Wear, spec: Specification, fixture: str) -> Iterator[b.Block]:
    yield b.Heading(f"Fixture {fixture}: what to do")
    yield b.Paragraph(w.plain(limits_line(spec)))
    yield b.Findings(tuple(b.Finding(None, w.plain(text)) for text in wear.advice) or (b.Finding(None, "Nothing."),))
    picture = map_picture(wear, spec)
    if picture is not None:
        yield b.Heading("Where the bushings sit")
        yield b.Picture(picture)
        yield b.Paragraph(picture.note, "quiet")
    yield b.Heading("Bushings, most urgent first")
    yield urgency_table(wear)


def urgency_table(wear: Wear) -> b.Table:
    """Return the bushings with their first limit and when to change them."""
    unit = wear.history.unit
    columns = (
        b.Column("Bushing"), b.Column("Hole"), b.Column("First limit", wraps=True),
        b.Column("Act before part", "right"), b.Column("Parts left", "right"),
        b.Column("Half fail from (95 %)", "right"), b.Column("Room now", "right"), b.Column("Answer", wraps=True),
    )  # fmt: skip
    rows = []
    for hole in wear.order:
        look = wear.first_of(hole)
        name = w.plain(wear.history.bushings[hole])
        if look is None:
            rows.append((name, w.plain(wear.history.holes[hole]), "-", "-", "-", "-", "-", words.nothing(wear, hole)))
            continue
        f = look.forecast
        rows.append((
            name, w.plain(wear.history.holes[hole]), look.limit, _whole(f.act), _whole(f.left), _between(look),
            w.signed(f.now, unit), words.answer(look),
        ))  # fmt: skip
    note = f"{words.FORECAST_NOTE} Room now: of the middle part, in {w.unit_name(unit)}."
    return b.Table(columns, tuple(rows), note)


def _whole(value: float | None) -> str:
    return "-" if value is None else f"{math.floor(value)}"


def _between(look: Outlook) -> str:
    f = look.forecast
    if f.estimate is None:
        return "-"
    low = "now" if f.lower is None else f"{f.lower:.0f}"
    return f"{f.estimate:.0f} ({low} to {f.upper:.0f})" if f.upper is not None else f"{f.estimate:.0f} (from {low})"


def _history(wear: Wear) -> Iterator[b.Block]:
    """Give the blocks in an order that fills pages: words stand between the tall pictures."""
    yield from _bushings(wear)
    if wear.notes:
        yield b.Heading("What these readings can and can't tell apart")
        yield b.Findings(tuple(b.Finding(None, text) for text in wear.notes))
    yield from _about(wear)
    yield from _seating(wear)
    yield from _outlooks(wear)


# --------------------------------------------------------------------------------------------------------- bushings


def _bushings(wear: Wear) -> Iterator[b.Block]:
    yield b.Heading("Each bushing: drift and room left, most urgent first")
    yield b.Paragraph(
        "Left: offset against the other bushings, seating taken out. Right: room to the limit that is reached "
        "first, its mean and the forecast with its 95 % band; grey dots don't count, they lie before the last "
        "change; red: no room. Blue marks: logged events. '?': a change that nobody logged.", "quiet",
    )  # fmt: skip
    for hole in wear.order:
        yield b.Heading(_bushing_line(wear, hole), 3)
        yield b.Picture(bushing_picture(wear, hole))
    yield b.Heading("Trends in numbers")
    yield trend_table(wear)


def _bushing_line(wear: Wear, hole: int) -> str:
    look = wear.first_of(hole)
    name = capital(words.name_of(wear, hole))
    if look is None:
        return w.plain(f"{name}: {words.nothing(wear, hole)}")
    f = look.forecast
    far = f.act is not None and f.state == "forecast" and words.to_change(look)
    told = f", act before part {math.floor(f.act or 0.0)}" if far else ""
    return w.plain(f"{name}: {words.answer(look)}{told}")


def trend_table(wear: Wear) -> b.Table:
    """Return every trend by two methods, with interval, neighbours and curvature."""
    scale, digits = (1e4, "0.0001 in") if wear.history.unit == "in" else (1e3, "0.001 mm")
    columns = (
        b.Column("Bushing"), b.Column("Of"), b.Column("Since part", "right"), b.Column("Parts", "right"),
        b.Column("Now", "right"), b.Column("Slope per 100 parts (95 %)", "right", True),
        b.Column("Median of slopes", "right"), b.Column("Chance", "right"), b.Column("Neighbours", "right"),
        b.Column("Curved"),
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
    return b.Table(columns, tuple(rows), note, frozenset(groups))


# ---------------------------------------------------------------------------------------------------------- seating


def _seating(wear: Wear) -> Iterator[b.Block]:
    yield b.Heading("How the parts were seated")
    picture = seating_picture(wear)
    if picture is None:
        yield b.Paragraph("No coordinates of holes are read, so the seating of the parts is not known.")
    else:
        yield b.Picture(picture)
        yield b.Paragraph(picture.note, "quiet")
    if wear.shares:
        yield b.Heading("What moves a hole: shares of its mean square deviation")
        yield _share_table(wear)


def _share_table(wear: Wear) -> b.Table:
    columns = (
        b.Column("Cause"), b.Column("What it is", wraps=True), b.Column("sd of a coordinate", "right"),
        b.Column("Share", "right"), b.Column("95 % interval", "right"),
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
    return b.Table(columns, rows, note)


# ------------------------------------------------------------------------------------------------------------ about


def _about(wear: Wear) -> Iterator[b.Block]:
    h = wear.history
    days = [w.day(h.date.min()), w.day(h.date.max())] if len(h) else []
    yield b.Heading("How it was worked out")
    yield b.Facts(tuple(pair for pair in (
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
        words.count_note(wear), words.LIMITS_NOTE,
    ]  # fmt: skip
    yield b.Findings(tuple(b.Finding(None, text) for text in points))


def _outlooks(wear: Wear) -> Iterator[b.Block]:
    yield b.Heading("Every forecast")
    yield _all_outlooks(wear)
    logged = words.event_words(wear)
    yield b.Heading("Events that were logged")
    yield b.Findings(tuple(b.Finding(None, w.plain(t)) for t in logged)) if logged else b.Paragraph("None.")
    if wear.problems:
        yield b.Heading("To look at")
        yield b.Findings(tuple(b.Finding(None, w.plain(p.sentence())) for p in wear.problems[:60]))


def _all_outlooks(wear: Wear) -> b.Table:
    unit = wear.history.unit
    columns = (
        b.Column("Limit"), b.Column("Bushing"), b.Column("Since part", "right"), b.Column("Parts", "right"),
        b.Column("Room now", "right"), b.Column("sd of a part", "right"), b.Column("Before", "right"),
        b.Column("Half fail from (95 %)", "right"), b.Column("Answer"),
    )  # fmt: skip
    rows = tuple(
        (
            look.limit, "-" if look.hole is None else w.plain(wear.history.bushings[look.hole]),
            f"{look.forecast.start:.0f}", str(look.forecast.n), w.signed(look.forecast.now, unit),
            w.fine(look.forecast.sd), _whole(look.forecast.act), _between(look), words.answer(look),
        )
        for look in wear.outlooks
    )  # fmt: skip
    whole = [o for o in wear.outlooks if o.limit in (res.PATTERN, res.PINS)]
    note = "The whole pattern is put down to the bushing that holds it up and is furthest off." if whole else ""
    return b.Table(columns, rows, note)
