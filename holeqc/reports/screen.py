"""The short answer on the screen: aligned, 80 columns, the verdict last. Imports neither pandas nor matplotlib."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from holeqc.inspection.results import ACCEPT, HOLD, REJECT
from holeqc.reports import wording as w
from holeqc.reports.view import PartView, Row, Run

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection, Reason
    from holeqc.problems import Problem

LISTED = 40  #: with more parts than this, accepted ones are counted and not listed
DETAILED = 12  #: so many parts that aren't accepted are told in full
PROBLEMS = 12  #: so many problems are told in full


def screen_text(inspection: Inspection, width: int = 80) -> str:
    """Return the result of a run as text for a terminal, no line longer than ``width`` columns, the verdict last."""
    run = Run(inspection)
    lines = _head(run, width)
    lines += _one_part(run[0], width) if len(run) == 1 else _many_parts(run, width)
    lines += _problems(run.problems, width)
    caveat = w.lobing_sentence(inspection)
    if caveat:
        lines += ["", *textwrap.wrap(caveat, width)]
    if len(inspection.rework):
        lines += ["", *textwrap.wrap(f"{w.CAUTIONS[0]} {w.CAUTIONS[1]}", width)]
    lines += ["", *_verdict(run, width)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _head(run: Run, width: int) -> list[str]:
    spec = run.specification
    title = f"Kit {spec.id} revision {spec.revision}" + (f": {spec.title}" if spec.title else "")
    unit = f"lengths in {w.unit_name(spec.unit)}"
    lines = [_ends(w.plain(title), unit, width)]
    lines += textwrap.wrap(f"Rule: {w.rule_name(spec)}; {w.rounding_sentence(spec)}", width, subsequent_indent="  ")
    sources = run.inspection.readings.sources
    for source in sources[:3]:
        lines.append(_ends(f"File: {w.plain(source.file)}", f"SHA-256 {source.sha256[:16]}…", width))
    if len(sources) > 3:
        lines.append(f"and {len(sources) - 3} files more")
    return lines


def _ends(left: str, right: str, width: int) -> str:
    """Return a line with one text at its left end and one at its right."""
    left = w.shorten(left, width - len(right) - 2)
    return f"{left}{right:>{width - len(left)}}"


# --------------------------------------------------------------------------------------------------------- one part


def _one_part(part: PartView, width: int) -> list[str]:
    when = w.day(part.row["last_date"])
    about = f"Part {w.plain(part.name)}, {w.plural(int(part.row['readings']), 'reading')}" + (
        f", {when}" if when else ""
    )
    return [
        *textwrap.wrap(about, width), "", *_hole_table(part, width), *_pin_lines(part, width), *_why(part, width),
    ]  # fmt: skip


def _hole_table(part: PartView, width: int) -> list[str]:
    """Return a line a hole: size read, position, hole to hole, what else isn't accepted, verdict."""
    heads = ["Hole", "Size read", "Position/allowed", "Hole to hole", "Also", "Verdict"]
    asked = set(part.asked)
    rows = []
    for hole in part.holes:
        wrong = [
            name for name in part.asked
            if name not in {"size", "position", "hole-to-hole position"}
            and any(w.is_fault(row["verdict"]) for row in _of(part, hole, name))
        ]  # fmt: skip
        rows.append(
            [w.plain(hole["hole"]), _sizes(part, hole), _place(part, hole, "position"),
             _place(part, hole, "hole-to-hole position"), _briefly(wrong), w.marked(hole["verdict"])]
        )  # fmt: skip
    keep = [0, 1, *(n for n, name in ((2, "position"), (3, "hole-to-hole position")) if name in asked)]
    keep += [4] if any(row[4] for row in rows) else []
    return _aligned([heads, *rows], [*keep, 5], width)


def _briefly(names: list[str]) -> str:
    text = ", ".join(names)
    return text if len(text) <= 10 else f"{len(names)} checks" if len(names) > 1 else w.shorten(text, 14)


def _of(part: PartView, hole: Row, name: str) -> list[Row]:
    return [row for row in part.characteristics if row["hole"] == hole["hole"] and row["characteristic"] == name]


def _flag(rows: Sequence[Row]) -> str:
    worst = max((int(row["verdict"]) for row in rows), default=ACCEPT)
    return w.MARKS[worst] if worst != ACCEPT else " "


def _sizes(part: PartView, hole: Row) -> str:
    unit = part.specification.unit
    low, high = float(hole["smallest"]), float(hole["largest"])
    text = "not read" if math.isnan(low) else w.typed(low, unit)
    if high != low and not math.isnan(high):
        text += f" to {w.typed(high, unit)}"
    return _flag(_of(part, hole, "size")) + text


def _place(part: PartView, hole: Row, name: str) -> str:
    rows = _of(part, hole, name)
    if not rows:
        return ""
    worst = worst_row(rows)
    unit = part.specification.unit
    if math.isnan(worst["found"]):
        return _flag(rows) + "not read"
    limit = float(worst["upper"])
    return f"{_flag(rows)}{w.computed(worst['found'], unit, limit)}/{w.computed(limit, unit)}"


def worst_row(rows: Sequence[Row]) -> Row:
    """Return the row with the worst verdict, the least room left among equals."""
    return max(rows, key=lambda row: (int(row["verdict"]), -_number(row["left"])))


def _number(value: float) -> float:
    return -math.inf if math.isnan(value) else float(value)


def _aligned(rows: list[list[str]], keep: list[int], width: int) -> list[str]:
    """Return rows as lines with columns as wide as their widest cell; the widest gives way where there is no room."""
    table = [[row[n] for n in keep] for row in rows]
    wide = [max(len(row[n]) for row in table) for n in range(len(keep))]
    while sum(wide) + 2 * (len(wide) - 1) > width and max(wide) > 4:
        wide[wide.index(max(wide))] -= 1
    return [
        "  ".join(f"{w.shorten(cell, size):<{size}}" for cell, size in zip(row, wide, strict=True)) for row in table
    ]


def _pin_lines(part: PartView, width: int) -> list[str]:
    verdict = int(part.row["pin_verdict"])
    if verdict < 0:
        return []
    return ["", *textwrap.wrap(f"{w.marked(verdict)}  {pin_sentence(part)}", width, subsequent_indent="  ")]


def pin_sentence(part: PartView) -> str:
    """Return what the pin-pattern gauge found, in one sentence."""
    unit = part.specification.unit
    margin = float(part.row["pin_margin"])
    if math.isnan(margin):
        return "Pins together: not known, readings are missing or doubtful."
    binding = ", ".join(
        f"hole {row['hole']}" + (f" {row['wall']}" if part.specification.walls.several else "")
        for row in part.pins
        if row["binding"]
    )
    where = f" Tightest: {binding}." if binding else ""
    if margin >= 0:
        return (
            f"Pins together: all enter at their largest, {w.computed(margin, unit)} radial room at the tightest.{where}"
        )
    return f"Pins together: they don't all enter, {w.computed(-margin, unit, 0.0)} radial room is lacking.{where}"


def _why(part: PartView, width: int) -> list[str]:
    if part.verdict == ACCEPT:
        return []
    lines = ["", "Why"]
    for reason, action in part.reasons_once:
        lines += _reason(reason, action, width)
    if part.more_rework:
        lines += ["", "Rework that the kit permits"]
        proposals = [w.plain(text) for text in part.more_rework]
        lines += [line for text in proposals for line in textwrap.wrap(f"- {text}", width, subsequent_indent="  ")]
    return lines


def _reason(reason: Reason, action: str, width: int) -> list[str]:
    head = f"{w.marked(reason.verdict):<8}  "
    indent = " " * len(head)
    text = w.plain(reason.sentence) + (
        f" [{w.plain(reason.cell)}]" if reason.cell and reason.cell not in reason.sentence else ""
    )
    lines = textwrap.wrap(text, width, initial_indent=head, subsequent_indent=indent)
    if action:
        lines += textwrap.wrap(f"-> {w.plain(action)}", width, initial_indent=indent, subsequent_indent=f"{indent}   ")
    return lines


# ------------------------------------------------------------------------------------------------------- many parts


def _many_parts(run: Run, width: int) -> list[str]:
    listed = list(range(len(run))) if len(run) <= LISTED else sorted(run.numbers(REJECT, HOLD))
    heads = ["Part", "Serial", "Holes", "Pins", "Verdict"]
    rows = [_part_row(run[n]) for n in listed]
    lines = ["", *(_aligned([heads, *rows], [0, 1, 2, 3, 4], width) if rows else [])]
    if len(listed) < len(run):
        lines += ["", f"{w.plural(run.count.accept, 'accepted part')} not listed."]
    wrong = run.numbers(REJECT, HOLD)
    for n in wrong[:DETAILED]:
        part = run[n]
        lines += ["", _part_rule(part, width), *_why(part, width)[2:]]
    if len(wrong) > DETAILED:
        lines += [
            "",
            *textwrap.wrap(
                f"{len(wrong) - DETAILED} more parts are not accepted; --out writes them all into a report, --json "
                "prints them.",
                width,
            ),
        ]
    return lines


def _part_rule(part: PartView, width: int) -> str:
    """Return a line across that names a part and its verdict."""
    verdict = w.marked(part.verdict)
    name = w.shorten(w.plain(part.name), width - len(verdict) - 10)
    return f"-- {name} {'-' * (width - len(name) - len(verdict) - 5)} {verdict}"


def _part_row(part: PartView) -> list[str]:
    count = part.hole_count
    parts = [f"{number} {name}" for number, name in ((count.reject, "rejected"), (count.hold, "held")) if number]
    holes = ", ".join(parts) + (f" of {count.total}" if parts else f"all {count.total} accepted")
    margin = float(part.row["pin_margin"])
    verdict = int(part.row["pin_verdict"])
    pins = "" if verdict < 0 else "unknown" if math.isnan(margin) else w.signed(margin, part.specification.unit)
    flag = w.MARKS[verdict] if verdict > 0 else " " if pins else ""
    return [w.plain(part.part), w.plain(part.serial), holes, f"{flag}{pins}", w.marked(part.verdict)]


def _problems(problems: Sequence[Problem], width: int) -> list[str]:
    if not problems:
        return []
    lines = ["", f"In the files: {w.plural(len(problems), 'problem')}"]
    for problem in problems[:PROBLEMS]:
        text = w.plain(problem.sentence())
        lines += textwrap.wrap(text, width, initial_indent=f"{problem.severity:<8}  ", subsequent_indent=" " * 10)
    if len(problems) > PROBLEMS:
        lines.append(f"{len(problems) - PROBLEMS} more; --out or --json gives all of them.")
    return lines


def _verdict(run: Run, width: int) -> list[str]:
    if not len(run):
        return ["No part was found in the files: nothing to judge."]
    count = run.count
    mark = f"{w.MARKS[count.verdict]} {w.word(count.verdict).upper()}"
    if len(run) == 1:
        part = run[0]
        return textwrap.wrap(f"{mark}  {w.plain(part.name)}: {holes_sentence(part)}", width)
    words = f"{count.accept} accept, {count.hold} hold, {count.reject} reject"
    return textwrap.wrap(f"{mark}  {w.plural(len(run), 'part')}: {words}", width)


def holes_sentence(part: PartView) -> str:
    """Return how many holes were rejected, held, accepted, in words."""
    count = part.hole_count
    wrong = [f"{n} {name}" for n, name in ((count.reject, "rejected"), (count.hold, "held")) if n]
    if not wrong:
        return f"{w.plural(count.total, 'hole')}, all accepted"
    return f"{', '.join(wrong)}, {count.accept} accepted of {w.plural(count.total, 'hole')}"
