"""The last pages of a report: what was asked, with what it was measured, which files, which rules, which cautions."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import holeqc
from holeqc.characteristics import unit_of_all
from holeqc.inspection.view import Run
from holeqc.reports import blocks as b
from holeqc.reports import wording as w
from holeqc.reports.columns_read import understood_blocks
from holeqc.reports.problem_pages import problem_blocks
from holeqc.specification.words import confirmed_sentences

if TYPE_CHECKING:
    from holeqc.specification.model import Hole, Specification


def about_section(run: Run) -> b.Section:
    """Return the section that says how the verdicts came about."""
    spec = run.specification
    head = f"Kit {w.plain(spec.id)} revision {w.plain(spec.revision)}  ·  about this report"
    return b.Section("about", head, tuple(_blocks(run)))


def _blocks(run: Run) -> Iterator[b.Block]:
    spec = run.specification
    yield b.Heading("About this report")
    yield b.Facts(_facts(spec))
    yield b.Heading("What the kit file asks")
    yield asked_table(spec)
    if spec.confirmed:
        yield b.Heading("Confirmed in the kit file, though a drawing hardly asks it")
        yield b.Findings(tuple(b.Finding(None, w.plain(text)) for text in confirmed_sentences(spec)))
    if spec.warnings:
        yield b.Heading("To be looked at in the kit file")
        told = (p.sentence().removeprefix(f"{p.file}, ") for p in spec.warnings)
        yield b.Findings(tuple(b.Finding(None, w.plain(text)) for text in told))
    yield b.Heading("Rules")
    yield b.Findings(tuple(b.Finding(None, text) for text in rule_points(spec)))
    yield b.Heading("Gauges")
    yield _gauge_table(spec) if spec.gauges else b.Paragraph("The kit file names no gauge, so no uncertainty is known.")
    yield b.Heading(w.FILES_READ)
    yield _file_table(run)
    yield from understood_blocks(run)
    unusable = [p for file in run.inspection.readings.unusable for p in file.problems]
    yield from problem_blocks(unusable, w.FILES_UNUSABLE)
    yield b.Heading("Cautions")
    yield b.Paragraph(" ".join(w.CAUTIONS), "caution")
    yield b.Paragraph(" ".join(w.REWORK_CAUTIONS), "caution")
    yield b.Heading("How to read the numbers")
    yield b.Findings(tuple(b.Finding(None, text) for text in _reading_points(run)))


def _facts(spec: Specification) -> tuple[tuple[str, str], ...]:
    pairs = [
        ("Tool", f"holeqc {holeqc.__version__}"), ("Kit", f"{w.plain(spec.id)} revision {w.plain(spec.revision)}"),
        ("Title", w.plain(spec.title)), ("Drawing", w.plain(spec.drawing)), ("Fixture", w.plain(spec.fixture)),
        ("Lengths in", w.unit_name(spec.unit)), ("Kit file", w.plain(spec.path)),
        ("SHA-256 of the kit file", spec.digest),
    ]  # fmt: skip
    return tuple(pair for pair in pairs if pair[1])


def asked_table(spec: Specification) -> b.Table:
    """Return what is asked of each hole, one row for holes that ask the same."""
    groups: dict[tuple[str, ...], list[Hole]] = {}
    for hole in spec.holes:
        groups.setdefault(tuple(_asked(hole, spec)), []).append(hole)
    names = ("Size", "Form", "Position", "Edge", "Surface", "Plugs", "Pin", "Ream up to")
    used = [n for n in range(len(names)) if any(key[n] for key in groups)]
    columns = (b.Column("Hole", wraps=True), *(b.Column(names[n], wraps=True) for n in used))
    rows = tuple((w.plain(", ".join(h.id for h in holes)), *(key[n] for n in used)) for key, holes in groups.items())
    depth = spec.walls.stack_depth
    walls = f"Walls: {', '.join(w.plain(name) for name in spec.walls.names)}" if spec.walls.several else "One wall"
    note = (
        f"{walls}{f', {w.typed(depth, spec.unit)} from near face to far face' if depth else ''}. Limits are inclusive."
    )
    return b.Table(columns, rows, note)


def _asked(hole: Hole, spec: Specification) -> list[str]:
    unit = spec.unit

    def length(value: float) -> str:
        return w.typed(value, unit)

    form = [("out of round ≤ ", hole.form.out_of_roundness), ("taper ≤ ", hole.form.taper)]
    p = hole.position
    position = [
        ("⌀ ", p.tolerance, f" {p.condition} to the datums"),
        ("⌀ ", p.pattern_tolerance, f" {p.pattern_condition} hole to hole"),
    ]
    edge = [("≥ ", hole.edge.minimum, "")]
    edges = [f"{a}{length(v)}{z}" for a, v, z in edge if v is not None]
    edges += [f"≥ {hole.edge.minimum_diameters:g} diameters"] if hole.edge.minimum_diameters is not None else []
    plugs = [("GO ", hole.plugs.go), ("NO-GO ", hole.plugs.no_go)]
    size = f"{length(hole.size.lower)} to {length(hole.size.upper)}"
    pin = hole.pin
    return [
        size + (f" ({w.plain(hole.size.fit_class)})" if hole.size.fit_class else ""),
        ", ".join(f"{a}{length(v)}" for a, v in form if v is not None),
        "; ".join(f"{a}{length(v)}{z}" for a, v, z in position if v is not None),
        ", ".join(edges),
        ", ".join(word for word, on in (("clean", hole.surface.clean), ("burr-free", hole.surface.burr_free)) if on),
        ", ".join(f"{a}{length(v)}" for a, v in plugs if v is not None),
        f"{w.plain(pin.id)}, {length(pin.lower)} to {length(pin.upper)}, "
        f"virtual condition {length(pin.virtual_condition)}" if pin else "",
        length(hole.ream_up_to) if hole.ream_up_to is not None else "",
    ]  # fmt: skip


def rule_points(spec: Specification) -> list[str]:
    """Return the rules in force, a sentence each."""
    points = [f"Decision: {w.rule_sentence(spec)}.", f"Comparison: {w.rounding_sentence(spec)}."]
    points.append(f"Temperature: {w.temperature_sentence(spec)}.")
    points.append(
        "Roll-up: a rejected characteristic rejects its hole and the part; else anything held holds them. Hold means "
        "that the readings prove neither: missing, doubtful, gauge past its date, or within the guard band."
    )
    if spec.datum_shift is not None:
        holes = ", ".join(w.plain(hole) for hole in spec.datum_shift.holes)
        size = w.typed(spec.datum_shift.boundary, spec.unit)
        points.append(
            f"Datum shift: holes {holes} are datum features at their boundary of {size}; the frame may shift."
        )
    return points


def _gauge_table(spec: Specification) -> b.Table:
    columns = (
        b.Column("Gauge"), b.Column("Kind", wraps=True), b.Column("Measures", wraps=True),
        b.Column("U (k = 2)", "right"), b.Column("Resolution", "right"), b.Column("Calibration due"),
    )  # fmt: skip
    rows = tuple(
        (
            w.plain(g.id), w.plain(g.kind), ", ".join(g.measures).replace("_", " "),
            *(w.fine(math.nan if x is None else x) + unit_of_all(g.measures, "")
              for x in (g.uncertainty, g.resolution)),
            g.calibration_due.isoformat() if g.calibration_due else "not given",
        )
        for g in spec.gauges
    )  # fmt: skip
    return b.Table(
        columns, rows, "As the kit file gives them. A gauge past its date on the day of a reading holds the part."
    )


def _file_table(run: Run) -> b.Table:
    sources = run.inspection.readings.sources
    columns = (b.Column("File", wraps=True), b.Column("Bytes", "right"), b.Column("SHA-256"))
    rows = tuple((w.plain(s.file), f"{s.bytes:,}".replace(",", " "), s.sha256) for s in sources)
    note = "" if len(sources) <= 12 else f"SHA-256 over these digests, joined in this order: {w.list_digest(sources)}"
    return b.Table(columns, rows, note)


def _reading_points(run: Run) -> list[str]:
    spec = run.specification
    points = [w.MATING, w.lobing_sentence(run.inspection)]
    asked = [hole.position for hole in spec.holes]
    if any(p.tolerance is not None or p.pattern_tolerance is not None for p in asked):
        points.append(
            "Position is a diameter: twice the distance of the hole's axis from its basic position (ASME Y14.5). Total "
            "is the stated tolerance plus the bonus, left is total minus actual."
        )
    if any(p.pattern_tolerance is not None for p in asked):
        points.append(
            "Hole to hole: the whole pattern is first shifted and turned to its best, then each hole is judged."
        )
    if spec.has_pins:
        points.append(
            "Pins together: every pin at its virtual condition, the largest pin plus its own position tolerance. The "
            "pins are moved as one body to where the tightest has most room. Room is radial; below zero they don't all "
            "enter."
        )
    points += [
        "U is the expanded uncertainty (k = 2). Ratio is tolerance / 2 U. Conformance probability is the chance, seen "
        "from the reading and its U, that the true value lies inside the limits (JCGM 106).",
        "Marks: ✓ accept, ? hold, ✗ reject; the word always stands beside its mark.",
    ]
    return [point for point in points if point]
