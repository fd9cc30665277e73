"""What a report says, in order: overview, each part, about. Blocks only; HTML and PDF draw them."""

from __future__ import annotations

import datetime as dt
import hashlib
import math
from dataclasses import replace

import holeqc
from holeqc.characteristics import JUDGED, unit_of
from holeqc.inspection.results import ACCEPT, HOLD, REJECT
from holeqc.inspection.view import PartView, Run
from holeqc.reports import blocks as b
from holeqc.reports import wording as w
from holeqc.reports.about import about_section
from holeqc.reports.part_pages import decision_lines, part_blocks, reason_findings
from holeqc.reports.problem_pages import PROBLEMS_SHOWN, problem_blocks
from holeqc.reports.screen_table import holes_in_brief


def report_number(run: Run) -> str:
    """Return a number that the same kit text, files and version of the tool give again, and no others."""
    inspection = run.inspection
    said = [holeqc.__version__, run.specification.digest, *sorted(s.sha256 for s in inspection.readings.sources)]
    digits = hashlib.sha256("\n".join(said).encode()).hexdigest()[:8].upper()
    return f"R-{digits[:4]}-{digits[4:]}"


def report_for(
    run: Run, most_in_full: int, number: str = "", made: dt.date | None = None, passed: str = ""
) -> b.Report:  # fmt: skip
    """Return the report of a run; at most ``most_in_full`` parts get pages of their own, rejected ones first.

    ``number``: of the report, else worked out from what it rests on; ``made``: its day; ``passed``: by which
    disposition the one part was approved, '' for none: that stands large then, not the verdict that it sets aside.
    """
    full = parts_in_full(run, most_in_full)
    name = (number or report_number(run)) + (f" of {made}" if made else "")
    foot = foot_for(run, name)
    sections = [_part_section(run[n], name, foot, passed) for n in full]
    if len(run) != 1 or not full:
        sections.insert(0, _overview(run, set(full), most_in_full, name))
    sections.append(about_section(run))
    spec = run.specification
    title = f"Inspection of {run[0].name}" if len(run) == 1 else f"Inspection of {len(run)} parts"
    title = f"{w.plain(title)}, kit {w.plain(spec.id)} revision {w.plain(spec.revision)}"
    files = "" if len(run.inspection.readings.sources) <= w.IN_FULL else w.FILES_READ
    return b.Report(title, tuple(sections), foot, "letter" if spec.unit == "in" else "a4", files=files)


def parts_in_full(run: Run, most: int) -> list[int]:
    """Return the places of the parts that get pages of their own, in the order of the run."""
    return sorted(run.numbers(REJECT, HOLD, ACCEPT)[:most])


def foot_for(run: Run, report: str = "") -> b.Foot:
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
    return b.Foot(lines, w.CAUTIONS)


def _foot_of(part: PartView, foot: b.Foot) -> b.Foot:
    """Return the run's foot with the files of one part alone in the place of all files."""
    names = set(part.readings["file"].unique().tolist())
    sources = [source for source in part.run.inspection.readings.sources if source.file in names]
    return b.Foot([foot.lines[0], *w.source_lines(sources), foot.lines[-1]], foot.cautions) if sources else foot


def unusable_note(run: Run) -> list[b.Block]:
    """Return the sentence that files are missing from the verdicts; nothing where all were used."""
    files = run.inspection.readings.unusable
    if not files:
        return []
    names = ", ".join(w.plain(file.file) for file in files[:5]) + (", ..." if len(files) > 5 else "")
    count = w.plural(len(files), "file")
    text = f"Not judged: {count} can't be used ({names}). Why and what to do stands on the last pages."
    return [b.Paragraph(text, "caution")]


def _part_section(part: PartView, name: str, foot: b.Foot, passed: str) -> b.Section:
    spec = part.specification
    head = f"Kit {w.plain(spec.id)} revision {w.plain(spec.revision)}  ·  {w.plain(part.name)}"
    blocks = list(part_blocks(part, name))
    verdict = part.verdict
    if passed and verdict != ACCEPT:
        said = f"Approved with {w.plain(passed)}; as read: {w.word(verdict)}"
        blocks = [
            replace(one, verdict=HOLD, detail=f"{said}, {one.detail}", stamp="BY DISPOSITION")
            if isinstance(one, b.Banner) else one for one in blocks
        ]  # fmt: skip
    shown = None if passed and verdict != ACCEPT else verdict
    if len(part.run) == 1:
        rest = [p for p in part.run.problems if p not in set(part.problems)]
        blocks += problem_blocks(rest, "Problems in the files that name no part", PROBLEMS_SHOWN)
        blocks += unusable_note(part.run)
    return b.Section(f"part-{part.number + 1}", head, tuple(blocks), shown, _foot_of(part, foot))


# --------------------------------------------------------------------------------------------------------- overview


def _overview(run: Run, full: set[int], most: int, name: str) -> b.Section:
    spec = run.specification
    count = run.count
    detail = f"{count.reject} reject, {count.hold} hold, {count.accept} accept of {w.plural(len(run), 'part')}"
    blocks: list[b.Block] = [
        b.Banner(count.verdict, f"Kit {w.plain(spec.id)} revision {w.plain(spec.revision)}", detail),
        b.Facts((("Report", name), *_run_facts(run))),
    ]
    if not len(run):
        blocks.append(b.Paragraph("No part was found in the files: there is nothing to judge."))
    else:
        blocks += [
            b.Paragraph(_what_is_shown(run, full, most), "quiet"),
            b.Heading("All parts"),
            _part_table(run, full),
        ]
    blocks += _rest_reasons(run, full)
    if len(run) and not full:
        blocks += [b.Heading("Decision"), decision_lines()]
    blocks += problem_blocks(run.problems, "Problems in the files", PROBLEMS_SHOWN)
    blocks += unusable_note(run)
    return b.Section(
        "overview", f"Kit {w.plain(spec.id)} revision {w.plain(spec.revision)}  ·  overview", tuple(blocks), None
    )


def _run_facts(run: Run) -> tuple[tuple[str, str], ...]:
    spec = run.specification
    parts = run.inspection.parts
    days = [day for day in (w.day(parts["first_date"].min()), w.day(parts["last_date"].max())) if day]
    pairs = [
        ("What", w.plain(spec.title)), ("Drawing", w.plain(spec.drawing)), ("Fixture", w.plain(spec.fixture)),
        ("Readings", f"{len(run.inspection.readings.table):,}".replace(",", " ")),
        ("Read", " to ".join(dict.fromkeys(days))), ("Lengths in", w.unit_name(spec.unit)),
    ]  # fmt: skip
    return tuple(pair for pair in pairs if pair[1])


def _what_is_shown(run: Run, full: set[int], most: int) -> str:
    if len(full) == len(run):
        return "Every part is shown in full on the pages that follow."
    values = "every value of every part is in evaluated.xlsx and verdicts.json."
    if not most:
        return f"A line for each part, and why where it isn't accepted; {values}"
    return (
        f"{len(full)} of {len(run)} parts are shown in full here, rejected ones first; the report shows at most "
        f"{most}. The others stand in the table, with reasons below; {values}"
    )


def _part_table(run: Run, full: set[int]) -> b.Table:
    least = _least_left(run)
    unit = run.specification.unit
    several = len({part.part for part in run}) > 1
    columns = [b.Column("Verdict"), *([b.Column("Part")] if several else []), b.Column("Serial", wraps=True)]
    columns += [b.Column("Holes", wraps=True)]
    columns += [b.Column(f"{name} left", "right") for name in least]
    if run.specification.has_pins:
        columns.append(b.Column("Pins", "right"))
    columns += [b.Column("Page", "right")] if full else []
    rows = []
    for part in run:
        key = (part.part, part.serial)
        row: list[b.Cell | str] = [b.Cell(w.word(part.verdict), part.verdict)]
        row += [w.plain(part.part)] if several else []
        row += [w.plain(part.serial), holes_in_brief(part)]
        row += [_left_cell(*values.get(key, (math.nan, False, ACCEPT)), unit_of(LEFT_OF[title], unit))
                for title, values in least.items()]  # fmt: skip
        if run.specification.has_pins:
            row.append(_margin(part))
        row += [b.Cell("", None, f"part-{part.number + 1}") if part.number in full else ""] if full else []
        rows.append(tuple(row))
    note = (
        f"Left: least distance to a limit, negative beyond it, in {w.unit_name(unit)}; with ✗ it rejects, with ? a "
        "value is held by the rule, or is missing or in doubt and doesn't count. "
        "Pins: radial room of the tightest pin at its virtual condition; negative, they don't all enter."
    )
    return b.Table(tuple(columns), tuple(rows), note)


#: characteristics whose least distance to a limit stands in the table of parts
LEFT_OF = {c.short: c.name for c in JUDGED if c.measured or c.name in {"size", "position", "hole-to-hole position"}}


def _least_left(run: Run) -> dict[str, dict[tuple[str, str], tuple[float, bool, int]]]:
    """Return each part's least distance to a limit, whether a value is missing or in doubt and doesn't count, and the
    worst verdict of those that count."""
    frame = run.inspection.characteristics
    found = {}
    for title, name in LEFT_OF.items():
        rows = frame[frame["characteristic"] == name]
        if rows["left"].notna().any():
            counts = rows.assign(left=rows["left"].where(~rows["doubtful"].astype(bool)))
            counts = counts.assign(
                lost=counts["left"].isna(), verdict=counts["verdict"].where(counts["left"].notna(), ACCEPT)
            )
            groups = counts.groupby(["part", "serial"], sort=False, observed=True)
            least, lost, worst = groups["left"].min(), groups["lost"].any(), groups["verdict"].max()
            found[title] = {
                (str(part), str(serial)): (float(left), bool(gone), int(verdict))
                for (part, serial), left, gone, verdict in zip(least.index, least, lost, worst, strict=True)
            }
    return found


def _left_cell(left: float, lost: bool, verdict: int, unit: str) -> b.Cell | str:
    text = w.signed(left, unit)
    if verdict == REJECT or (verdict == HOLD and left < 0):
        return b.Cell(text, verdict)
    return b.Cell(text, HOLD) if lost else text


def _margin(part: PartView) -> b.Cell | str:
    verdict, margin = int(part.row["pin_verdict"]), float(part.row["pin_margin"])
    if verdict < 0:
        return "-"
    text = "unknown" if math.isnan(margin) else w.signed(margin, part.specification.unit)
    return b.Cell(text, verdict if verdict != ACCEPT else None)


def _rest_reasons(run: Run, full: set[int]) -> list[b.Block]:
    """Return the reasons of parts that aren't accepted and get no pages of their own."""
    blocks: list[b.Block] = []
    for number in run.numbers(REJECT, HOLD):
        if number not in full:
            part = run[number]
            blocks += [b.Heading(f"{w.marked(part.verdict)}  {w.plain(part.name)}", 3), reason_findings(part)]
    return [b.Heading("Not accepted, without pages of their own"), *blocks] if blocks else []


__all__ = ["HOLD", "foot_for", "parts_in_full", "report_for"]
