"""What a report says, in order: overview, each part, about. Blocks only; HTML and PDF draw them."""

from __future__ import annotations

import datetime as dt
import hashlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

import holeqc
from holeqc.characteristics import JUDGED, unit_of, unit_of_all
from holeqc.inspection.results import ACCEPT, HOLD, REJECT
from holeqc.inspection.view import PartView, Run
from holeqc.reports import blocks as w
from holeqc.reports.part_pages import decision_lines, part_blocks, reason_findings
from holeqc.reports.screen import PROBLEMS_SHOWN, holes_in_brief, problem_blocks, understood_blocks
from holeqc.specification.words import confirmed_sentences

if TYPE_CHECKING:
    from holeqc.specification.model import Hole, Specification


# The last pages of a report: what was asked, with what it was measured, which files, which rules, which cautions.


def about_section(run: Run) -> w.Section:
    """Return the section that says how the verdicts came about."""
    spec = run.specification
    head = f"Kit {w.plain(spec.id)} revision {w.plain(spec.revision)}  ·  about this report"
    return w.Section("about", head, tuple(_blocks(run)))


def _blocks(run: Run) -> Iterator[w.Block]:
    spec = run.specification
    yield w.Heading("About this report")
    yield w.Facts(_facts(spec))
    yield w.Heading("What the kit file asks")
    yield asked_table(spec)
    if spec.confirmed:
        yield w.Heading("Confirmed in the kit file, though a drawing hardly asks it")
        yield w.Findings(tuple(w.plain(text) for text in confirmed_sentences(spec)))
    if spec.warnings:
        yield w.Heading("To be looked at in the kit file")
        told = (p.sentence().removeprefix(f"{p.file}, ") for p in spec.warnings)
        yield w.Findings(tuple(w.plain(text) for text in told))
    yield w.Heading("Rules")
    yield w.Findings(tuple(rule_points(spec)))
    yield w.Heading("Gauges")
    yield (
        _gauge_table(spec) if spec.gauges else w.Paragraph("The kit file names no gauge, so no uncertainty is known.")
    )
    yield w.Heading(w.FILES_READ)
    yield _file_table(run)
    yield from understood_blocks(run)
    unusable = [p for file in run.inspection.readings.unusable for p in file.problems]
    yield from problem_blocks(unusable, w.FILES_UNUSABLE)
    yield w.Heading("Cautions")
    yield w.Paragraph(" ".join(w.CAUTIONS), "caution")
    yield w.Paragraph(" ".join(w.REWORK_CAUTIONS), "caution")
    yield w.Heading("How to read the numbers")
    yield w.Findings(tuple(_reading_points(run)))


def _facts(spec: Specification) -> tuple[tuple[str, str], ...]:
    pairs = [
        ("Tool", f"holeqc {holeqc.__version__}"), ("Kit", f"{w.plain(spec.id)} revision {w.plain(spec.revision)}"),
        ("Title", w.plain(spec.title)), ("Drawing", w.plain(spec.drawing)), ("Fixture", w.plain(spec.fixture)),
        ("Lengths in", w.unit_name(spec.unit)), ("Kit file", w.plain(spec.path)),
        ("SHA-256 of the kit file", spec.digest),
    ]  # fmt: skip
    return tuple(pair for pair in pairs if pair[1])


def asked_table(spec: Specification) -> w.Table:
    """Return what is asked of each hole, one row for holes that ask the same."""
    groups: dict[tuple[str, ...], list[Hole]] = {}
    for hole in spec.holes:
        groups.setdefault(tuple(_asked(hole, spec)), []).append(hole)
    names = ("Size", "Form", "Position", "Edge", "Surface", "Plugs", "Pin", "Ream up to")
    used = [n for n in range(len(names)) if any(key[n] for key in groups)]
    columns = (w.Column("Hole", wraps=True), *(w.Column(names[n], wraps=True) for n in used))
    rows = tuple((w.plain(", ".join(h.id for h in holes)), *(key[n] for n in used)) for key, holes in groups.items())
    depth = spec.walls.stack_depth
    walls = f"Walls: {', '.join(w.plain(name) for name in spec.walls.names)}" if spec.walls.several else "One wall"
    note = (
        f"{walls}{f', {w.typed(depth, spec.unit)} from near face to far face' if depth else ''}. Limits are inclusive."
    )
    return w.Table(columns, rows, note)


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


def _gauge_table(spec: Specification) -> w.Table:
    columns = (
        w.Column("Gauge"), w.Column("Kind", wraps=True), w.Column("Measures", wraps=True),
        w.Column("U (k = 2)", "right"), w.Column("Resolution", "right"), w.Column("Calibration due"),
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
    return w.Table(
        columns, rows, "As the kit file gives them. A gauge past its date on the day of a reading holds the part."
    )


def _file_table(run: Run) -> w.Table:
    sources = run.inspection.readings.sources
    columns = (w.Column("File", wraps=True), w.Column("Bytes", "right"), w.Column("SHA-256"))
    rows = tuple((w.plain(s.file), f"{s.bytes:,}".replace(",", " "), s.sha256) for s in sources)
    note = "" if len(sources) <= 12 else f"SHA-256 over these digests, joined in this order: {w.list_digest(sources)}"
    return w.Table(columns, rows, note)


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


def report_number(run: Run) -> str:
    """Return a number that the same kit text, files and version of the tool give again, and no others."""
    inspection = run.inspection
    said = [holeqc.__version__, run.specification.digest, *sorted(s.sha256 for s in inspection.readings.sources)]
    digits = hashlib.sha256("\n".join(said).encode()).hexdigest()[:8].upper()
    return f"R-{digits[:4]}-{digits[4:]}"


def report_for(
    run: Run, most_in_full: int, number: str = "", made: dt.date | None = None, passed: str = "",
    decided: Sequence[str] = (),
) -> w.Report:  # fmt: skip
    """Return the report of a run; at most ``most_in_full`` parts get pages of their own, rejected ones first,
    and of more parts than that no accepted one.

    ``number``: of the report, else worked out from what it rests on; ``made``: its day; ``passed``: by which
    disposition the one part was approved, '' for none: that stands large then, not the verdict that it sets aside.
    ``decided``: what was decided on its tags, in words.
    """
    full = parts_in_full(run, most_in_full)
    name = (number or report_number(run)) + (f" of {made}" if made else "")
    foot = foot_for(run, name)
    sections = [_part_section(run[n], name, foot, passed, decided) for n in full]
    if len(run) != 1 or not full:
        sections.insert(0, _overview(run, set(full), most_in_full, name))
    sections.append(about_section(run))
    spec = run.specification
    title = f"Inspection of {run[0].name}" if len(run) == 1 else f"Inspection of {len(run)} parts"
    title = f"{w.plain(title)}, kit {w.plain(spec.id)} revision {w.plain(spec.revision)}"
    files = "" if len(run.inspection.readings.sources) <= w.IN_FULL else w.FILES_READ
    return w.Report(title, tuple(sections), foot, "letter" if spec.unit == "in" else "a4", files=files)


def parts_in_full(run: Run, most: int) -> list[int]:
    """Return the places of the parts that get pages of their own, in the order of the run.

    Of more parts than ``most`` accepted ones get none: nobody reads a thousand pages on which nothing is wrong.
    """
    return sorted(run.numbers(REJECT, HOLD, *([ACCEPT] if len(run) <= most else []))[:most])


def foot_for(run: Run, report: str = "") -> w.Foot:
    """Return what every page carries at its foot; ``report``: number and day of the report."""
    inspection = run.inspection
    head = f"{w.tool_line(holeqc.__version__, run.specification)}  ·  {w.rule_name(run.specification)}"
    lines = [
        f"Report {report}  ·  {head}" if report else head,
        *w.source_lines(inspection.readings.sources),
    ]
    uncertainty = w.uncertainty_lines(inspection)
    if uncertainty:
        unit = w.unit_name(run.specification.unit)
        lines.append(f"U (k = 2) in {unit}, ratio = tolerance / 2 U.  " + ";  ".join(uncertainty))
    else:
        lines.append("Uncertainty U of the gauges: not given in the kit file, so no ratio of tolerance to uncertainty.")
    return w.Foot(lines, w.CAUTIONS)


def _foot_of(part: PartView, foot: w.Foot) -> w.Foot:
    """Return the run's foot with the files of one part alone in the place of all files."""
    names = {row["file"] for row in part.read}
    sources = [source for source in part.run.inspection.readings.sources if source.file in names]
    return w.Foot([foot.lines[0], *w.source_lines(sources), foot.lines[-1]], foot.cautions) if sources else foot


def unusable_note(run: Run) -> list[w.Block]:
    """Return the sentence that files are missing from the verdicts; nothing where all were used."""
    files = run.inspection.readings.unusable
    if not files:
        return []
    names = ", ".join(w.plain(file.file) for file in files[:5]) + (", ..." if len(files) > 5 else "")
    count = w.plural(len(files), "file")
    text = f"Not judged: {count} can't be used ({names}). Why and what to do stands on the last pages."
    return [w.Paragraph(text, "caution")]


def _part_section(part: PartView, name: str, foot: w.Foot, passed: str, decided: Sequence[str]) -> w.Section:
    spec = part.specification
    head = f"Kit {w.plain(spec.id)} revision {w.plain(spec.revision)}  ·  {w.plain(part.name)}"
    content = list(part_blocks(part, name, decided))
    verdict = part.verdict
    if passed:
        said = f"Approved with {w.plain(passed)}; as read: {w.word(verdict)}"
        content = [
            replace(one, verdict=HOLD, detail=f"{said}, {one.detail}", stamp="BY DISPOSITION")
            if isinstance(one, w.Banner) else one for one in content
        ]  # fmt: skip
    shown = None if passed else verdict
    if len(part.run) == 1:
        rest = [p for p in part.run.problems if p not in set(part.problems)]
        content += problem_blocks(rest, "Problems in the files that name no part", PROBLEMS_SHOWN)
        content += unusable_note(part.run)
    return w.Section(f"part-{part.number + 1}", head, tuple(content), shown, _foot_of(part, foot))


# --------------------------------------------------------------------------------------------------------- overview


def _overview(run: Run, full: set[int], most: int, name: str) -> w.Section:
    spec = run.specification
    count = run.count
    detail = f"{count.reject} reject, {count.hold} hold, {count.accept} accept of {w.plural(len(run), 'part')}"
    content: list[w.Block] = [
        w.Banner(count.verdict, f"Kit {w.plain(spec.id)} revision {w.plain(spec.revision)}", detail),
        w.Facts((("Report", name), *_run_facts(run))),
    ]
    if not len(run):
        content.append(w.Paragraph("No part was found in the files: there is nothing to judge."))
    else:
        content += [
            w.Paragraph(_what_is_shown(run, full, most), "quiet"),
            w.Heading("All parts"),
            _part_table(run, full),
        ]
    content += _rest_reasons(run, full)
    if len(run) and not full:
        content += [w.Heading("Decision"), decision_lines()]
    content += problem_blocks(run.problems, "Problems in the files", PROBLEMS_SHOWN)
    content += unusable_note(run)
    return w.Section(
        "overview",
        f"Kit {w.plain(spec.id)} revision {w.plain(spec.revision)}  ·  overview",
        tuple(content),
        None,
    )


def _run_facts(run: Run) -> tuple[tuple[str, str], ...]:
    spec = run.specification
    days = sorted(day for row in run.part_rows for key in ("first_date", "last_date") if (day := w.day(row[key])))
    days = days[:1] + days[-1:]
    pairs = [
        ("What", w.plain(spec.title)), ("Drawing", w.plain(spec.drawing)), ("Fixture", w.plain(spec.fixture)),
        ("Readings", f"{len(run.inspection.readings.rows):,}".replace(",", " ")),
        ("Read", " to ".join(dict.fromkeys(days))), ("Lengths in", w.unit_name(spec.unit)),
    ]  # fmt: skip
    return tuple(pair for pair in pairs if pair[1])


def _what_is_shown(run: Run, full: set[int], most: int) -> str:
    if len(full) == len(run):
        return "Every part is shown in full on the pages that follow."
    values = "every value of every part is in evaluated.xlsx and verdicts.json."
    if not most:
        return f"A line for each part, and why where it isn't accepted; {values}"
    if len(full) == run.count.reject + run.count.hold:
        shown = f"{len(full)} of {len(run)} parts are shown in full here: those that aren't accepted" if full else (
            f"All {len(run)} parts are accepted")  # fmt: skip
        return f"{shown}. With more than {most} parts, accepted ones have a line in the table; {values}"
    return (
        f"{len(full)} of {len(run)} parts are shown in full here, rejected ones first; the report shows at most "
        f"{most}. The others stand in the table, with reasons below; {values}"
    )


def _part_table(run: Run, full: set[int]) -> w.Table:
    least = _least_left(run)
    unit = run.specification.unit
    several = len({part.part for part in run}) > 1
    columns = [
        w.Column("Verdict"),
        *([w.Column("Part")] if several else []),
        w.Column("Serial", wraps=True),
    ]
    columns += [w.Column("Holes", wraps=True)]
    columns += [w.Column(f"{name} left", "right") for name in least]
    if run.specification.has_pins:
        columns.append(w.Column("Pins", "right"))
    columns += [w.Column("Page", "right")] if full else []
    rows = []
    for part in run:
        key = (part.part, part.serial)
        row: list[w.Cell | str] = [w.Cell(w.word(part.verdict), part.verdict)]
        row += [w.plain(part.part)] if several else []
        row += [w.plain(part.serial), holes_in_brief(part)]
        row += [_left_cell(*values.get(key, (math.nan, False, ACCEPT)), unit_of(LEFT_OF[title], unit))
                for title, values in least.items()]  # fmt: skip
        if run.specification.has_pins:
            row.append(_margin(part))
        row += [w.Cell("", None, f"part-{part.number + 1}") if part.number in full else ""] if full else []
        rows.append(tuple(row))
    note = (
        f"Left: least distance to a limit, negative beyond it, in {w.unit_name(unit)}; with ✗ it rejects, with ? a "
        "value is held by the rule, or is missing or in doubt and doesn't count. "
        "Pins: radial room of the tightest pin at its virtual condition; negative, they don't all enter."
    )
    return w.Table(tuple(columns), tuple(rows), note)


#: characteristics whose least distance to a limit stands in the table of parts
LEFT_OF = {c.short: c.name for c in JUDGED if c.measured or c.name in {"size", "position", "hole-to-hole position"}}


def _least_left(run: Run) -> dict[str, dict[tuple[str, str], tuple[float, bool, int]]]:
    """Return each part's least distance to a limit, whether a value is missing or in doubt and doesn't count, and the
    worst verdict of those that count."""
    table, found = run.inspection.tables["characteristics"], {}
    for title, name in LEFT_OF.items():
        rows = table.where(characteristic=name)
        if np.isnan(rows["left"]).all():
            continue
        left = np.where(rows["doubtful"], np.nan, rows["left"])
        lost, verdict = np.isnan(left), np.where(np.isnan(left), ACCEPT, rows["verdict"])
        found[title] = {
            key: (float(np.fmin.reduce(left[at])), bool(lost[at].any()), int(verdict[at].max()))
            for key, at in rows.groups("part", "serial").items()
        }
    return found


def _left_cell(left: float, lost: bool, verdict: int, unit: str) -> w.Cell | str:
    text = w.signed(left, unit)
    if verdict == REJECT or (verdict == HOLD and left < 0):
        return w.Cell(text, verdict)
    return w.Cell(text, HOLD) if lost else text


def _margin(part: PartView) -> w.Cell | str:
    verdict, margin = int(part.row["pin_verdict"]), float(part.row["pin_margin"])
    if verdict < 0:
        return "-"
    text = "unknown" if math.isnan(margin) else w.signed(margin, part.specification.unit)
    return w.Cell(text, verdict if verdict != ACCEPT else None)


def _rest_reasons(run: Run, full: set[int]) -> list[w.Block]:
    """Return the reasons of parts that aren't accepted and get no pages of their own."""
    content: list[w.Block] = []
    for number in run.numbers(REJECT, HOLD):
        if number not in full:
            part = run[number]
            content += [
                w.Heading(f"{w.marked(part.verdict)}  {w.plain(part.name)}", 3),
                reason_findings(part),
            ]
    return [w.Heading("Not accepted, without pages of their own"), *content] if content else []


__all__ = ["HOLD", "foot_for", "parts_in_full", "report_for"]
