"""The short answer on the screen: verdict, holes, why and what to do first; the verdict again as the last line.

As wide as the terminal between 60 and 100 columns. Imports neither pandas nor matplotlib.
"""

from __future__ import annotations

import dataclasses
import math
import os
import shutil
import textwrap
from typing import TYPE_CHECKING

from holeqc.inspection.reasons import open_places, waiting_holes
from holeqc.inspection.results import ACCEPT, HOLD, REJECT, capital, count_words, hole_numbers, span_words
from holeqc.inspection.view import PartView, Run, alike, all_cells, with_counted
from holeqc.printing import is_terminal
from holeqc.problems import NOTE
from holeqc.quantities import CALCULATED
from holeqc.reports import wording as w
from holeqc.reports.columns_read import screen_lines
from holeqc.reports.screen_table import hole_table, part_table, worst_row
from holeqc.specification.words import limits_line

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection, Reason
    from holeqc.problems import Problem

__all__ = ["holes_sentence", "pin_sentence", "screen_text", "screen_width", "worst_row"]

LISTED = 40  #: with more parts than this, accepted ones are counted and not listed
DETAILED = 12  #: so many parts that aren't accepted are told in full
PROBLEMS = 12  #: so many problems are told in full
COUNTED = "\0counted"  #: stands for the serial number of cells that were counted and not named one by one
NARROW, USUAL, WIDE = 60, 80, 100


def screen_width() -> int:
    """Return how wide a screen to write: the terminal's, between 60 and 100 columns; 80 where it isn't a terminal.

    The variable COLUMNS counts before the terminal.
    """
    if not os.environ.get("COLUMNS") and not is_terminal():
        return USUAL
    return min(max(shutil.get_terminal_size((USUAL, 24)).columns, NARROW), WIDE)


def screen_text(inspection: Inspection, width: int = USUAL) -> str:
    """Return the result of a run as text for a terminal, no line longer than ``width`` columns, the verdict last."""
    run = Run(inspection)
    lines = _head(run, width)
    told: set[tuple[str, str]] = set()
    lines += _one_part(run[0], told, width) if len(run) == 1 else _many_parts(run, told, width)
    for part in run:
        for join in part.joins:
            lines += ["", *textwrap.wrap(w.recheck_sentence(join), width, subsequent_indent="  ")]
    lines += _problems(run, told, width)
    caveat = _lobing(run)
    if caveat:
        lines += ["", *textwrap.wrap(caveat, width)]
    if len(inspection.rework):
        lines += ["", *textwrap.wrap(f"{w.CAUTIONS[0]} {w.CAUTIONS[1]}", width)]
    lines += ["", *_verdict(run, width), *_unusable(run, width)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _unusable(run: Run, width: int) -> list[str]:
    """Return the files of which nothing was judged, what is wrong with each, and what to do."""
    files = run.inspection.readings.unusable
    if not files:
        return []
    lines = ["", *textwrap.wrap(f"NOT JUDGED, can't be used: {w.plural(len(files), 'file')}. No verdict above counts "
                                "what stands there.", width)]  # fmt: skip
    for file in files:
        lines += textwrap.wrap(w.plain(file.file), width, subsequent_indent="  ")
        for sentence in dict.fromkeys(dataclasses.replace(p, file="").sentence() for p in file.problems):
            lines += textwrap.wrap(w.plain(capital(sentence)), width, initial_indent="  ", subsequent_indent="  ")
    return lines


def _head(run: Run, width: int) -> list[str]:
    spec = run.specification
    lines = textwrap.wrap(w.plain(limits_line(spec)), width, subsequent_indent="  ")
    lines += [w.shorten(w.plain(spec.title), width)] if spec.title else []
    lines += textwrap.wrap(f"Rule: {w.rule_name(spec)}; {w.rounding_sentence(spec)}", width, subsequent_indent="  ")
    sources = run.inspection.readings.sources
    for source in sources[:3]:
        lines.append(_ends(f"File: {w.plain(source.file)}", f"SHA-256 {source.sha256[:16]}…", width))
    if len(sources) > 3:
        lines.append(f"and {w.plural(len(sources) - 3, 'more file')}")
    return [*lines, *screen_lines(run, width)]


def _ends(left: str, right: str, width: int) -> str:
    """Return a line with one text at its left end and one at its right."""
    left = w.shorten(left, width - len(right) - 2)
    return f"{left}{right:>{width - len(left)}}"


# --------------------------------------------------------------------------------------------------------- one part


def _one_part(part: PartView, told: set[tuple[str, str]], width: int) -> list[str]:
    about = w.plural(int(part.row["readings"]), "reading")
    when = w.day(part.row["last_date"])
    first = f"{w.marked(part.verdict)}  {w.plain(part.name)}: {_which(part)} ({about}{f', {when}' if when else ''})"
    why = _why(part, told, width)
    return [
        "", *textwrap.wrap(first, width, subsequent_indent="  "), *(["", *why] if why else []), "",
        *hole_table(part, width), *_pin_lines(part, width),
    ]  # fmt: skip


def _which(part: PartView) -> str:
    """Return which holes are rejected and held, or what else keeps the part from being accepted."""
    said = []
    waiting = waiting_holes(part.characteristics, part.problems) if part.verdict != ACCEPT else []
    for verdict, word in ((REJECT, "rejected"), (HOLD, "held")):
        holes = [str(hole["hole"]) for hole in part.holes if int(hole["verdict"]) == verdict]
        holes = [hole for hole in holes if hole not in waiting]
        if len(holes) == len(part.holes) > 2:
            said.append(f"all {len(holes)} holes {word}")
        elif holes:
            many = "s" if len(holes) > 1 else ""
            said.append(f"hole{many} {w.plain(hole_numbers(part.specification, holes))} {word}")
    if waiting:
        open_, _ = open_places(part.alone, part.part, part.serial)
        for_ = list(dict.fromkeys(hole for hole, _ in open_))
        many = "s" if len(for_) > 1 else ""
        named = w.plain(hole_numbers(part.specification, for_))
        them = "them" if said[-1:] == [f"holes {named} held"] else f"hole{many} {named}"
        said.append(f"hole to hole waits for {them}")
    pins = int(part.row["pin_verdict"])
    if pins == REJECT:
        said.append("the pins don't enter together")
    if said:
        return "; ".join(said)
    if part.verdict == ACCEPT:
        return f"{w.plural(len(part.holes), 'hole')}, all accepted"
    return "the pins are held" if pins == HOLD else _held_by_its_file(part)


def _held_by_its_file(part: PartView) -> str:
    """Return what holds a part of which no hole and no pin is held."""
    files = {str(name) for name in part.readings["file"].unique()}
    holding = [p for p in part.problems if p.holds] or [
        p for p in part.run.problems if p.holds and not (p.serial or p.part) and p.file in (*files, "")
    ]
    said = list(dict.fromkeys(w.plain(_short_names(part.run, p.message)) for p in holding))
    if not said:
        return "held by a doubt about the sheet, not about a hole"
    more = f", and {w.plural(len(said) - 1, 'more doubt')} about the sheet" if len(said) > 1 else ""
    return f"held though no hole is: {said[0]}{more}"


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
    places = [(str(row["hole"]), str(row["wall"])) for row in part.pins if row["binding"]]
    binding = span_words(part.specification, places)
    where = f" Tightest: {binding[:1].lower()}{binding[1:]}." if binding else ""
    held = int(part.row["pin_verdict"]) == HOLD
    if margin >= -CALCULATED:
        how = "all would enter" if held else "all enter"
        room = f"{w.computed(max(margin, 0.0), unit)} radial room at the tightest"
        return f"Pins together: {how} at their largest, {room}{', but that is not proven' if held else ''}.{where}"
    how = "they would not all enter" if held else "they don't all enter"
    room = f"{w.computed(-margin, unit, 0.0)} radial room is lacking"
    return f"Pins together: {how}, {room}{', but that is not proven' if held else ''}.{where}"


def without_culprit(part: PartView) -> str:
    """Return which hole alone keeps the pins out and the room of the others, '' where none does."""
    hole = str(part.row["pin_culprit"])
    if not hole:
        return ""
    others = sum(h.pin is not None for h in part.specification.holes) - 1
    room = w.computed(max(float(part.row["pin_without"]), 0.0), part.specification.unit)
    return f"Without hole {w.plain(hole)} the other {count_words(others)} have {room}. "


def _why(part: PartView, told: set[tuple[str, str]], width: int) -> list[str]:
    """Return each cause once with what to do, and note in ``told`` the cells that were named (serial, cell)."""
    if part.verdict == ACCEPT:
        return []
    from holeqc.inspection.judge import reasons

    # Problems that name no part hold it too: those of all files are asked.
    alone = dataclasses.replace(part.alone, problems=part.run.problems)
    said = reasons(alone, part.part, part.serial, together=True)
    told |= {(part.serial, cell) for reason in said for cell in (reason.cell, *reason.cells) if cell}
    lines = []
    said = alike(said)
    if len(part.run) == 1:
        said, counted = with_counted(said, part.run.problems)
        told |= {(COUNTED, f"{p.spot} {p.code}") for p in counted}
    for number, reason in enumerate(said):
        after = said[number + 1] if number + 1 < len(said) else None
        once = after is not None and (after.verdict, after.action) == (reason.verdict, reason.action)
        lines += _reason(reason, "" if once else reason.action, part.run, width)
    actions = {reason.action for reason in said}
    more = [str(row["sentence"]) for row in part.rework if str(row["sentence"]) not in actions]
    if more:
        lines += ["", "Rework that the kit permits"]
        lines += [line for text in more for line in textwrap.wrap(f"- {w.plain(text)}", width, subsequent_indent="  ")]
    return lines


def _reason(reason: Reason, action: str, run: Run, width: int) -> list[str]:
    head = f"{w.marked(reason.verdict):<8}  "
    indent = " " * len(head)
    text = w.plain(_short_names(run, reason.sentence)) + (
        f" [{w.plain(reason.cell)}]" if reason.cell and not reason.cells and reason.cell not in reason.sentence else ""
    )
    lines = textwrap.wrap(text, width, initial_indent=head, subsequent_indent=indent)
    if action:
        text = w.plain(action) if action.endswith(".") else f"{w.plain(action)}."
        lines += textwrap.wrap(f"-> {text}", width, initial_indent=indent, subsequent_indent=f"{indent}   ")
    return lines


def _short_names(run: Run, text: str) -> str:
    """Return text with the files of the run by their names alone: the head of the screen says where they are."""
    for source in run.inspection.readings.sources:
        text = text.replace(source.file, w.file_name(source.file))
    return text


# ------------------------------------------------------------------------------------------------------- many parts


def _many_parts(run: Run, told: set[tuple[str, str]], width: int) -> list[str]:
    listed = list(range(len(run))) if len(run) <= LISTED else sorted(run.numbers(REJECT, HOLD))
    lines = ["", *(part_table([run[n] for n in listed], width) if listed else [])]
    if len(listed) < len(run):
        lines += ["", f"{w.plural(run.count.accept, 'accepted part')} not listed."]
    wrong = run.numbers(REJECT, HOLD)
    for n in wrong[:DETAILED]:
        part = run[n]
        lines += ["", _part_rule(part, width), *textwrap.wrap(_capital(_which(part)), width), *_why(part, told, width)]
    if len(wrong) > DETAILED:
        text = f"{len(wrong) - DETAILED} more parts are not accepted; --out writes them all into a report, --json "
        lines += ["", *textwrap.wrap(f"{text}prints them.", width)]
    return lines


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _part_rule(part: PartView, width: int) -> str:
    """Return a line across that names a part and its verdict."""
    verdict = w.marked(part.verdict)
    name = w.shorten(w.plain(part.name), width - len(verdict) - 10)
    return f"-- {name} {'-' * (width - len(name) - len(verdict) - 5)} {verdict}"


# ------------------------------------------------------------------------------------------------------- the ending


def _problems(run: Run, told: set[tuple[str, str]], width: int) -> list[str]:
    """Return the problems of the files that the reasons haven't told, those of one kind together."""
    groups: dict[object, list[Problem]] = {}
    for problem in run.problems:
        if problem.holds and any(at == problem.spot and problem.serial in ("", serial) for serial, at in told):
            continue
        if (COUNTED, f"{problem.spot} {problem.code}") in told:
            continue
        kind = (problem.severity, problem.code, problem.action, problem.file)
        groups.setdefault(kind if problem.cell else problem, []).append(problem)
    if not groups:
        return []
    open_ = sum(map(len, groups.values()))
    notes = all(p.severity == NOTE for members in groups.values() for p in members)
    kind_ = "note" if notes else "problem"
    more = f"more {kind_}" if told and open_ < len(run.problems) else kind_
    lines = ["", f"In the files: {w.plural(open_, more)}"]
    for members in list(groups.values())[:PROBLEMS]:
        first = members[0]
        text = w.plain(_short_names(run, first.sentence()))
        if len(members) > 1:
            cells = w.plain(all_cells(members[1:]))
            text += f"{'' if text.endswith('.') else '.'} The same at {cells}."
        lines += textwrap.wrap(text, width, initial_indent=f"{first.severity:<8}  ", subsequent_indent=" " * 10)
    left = sum(map(len, list(groups.values())[PROBLEMS:]))
    if left:
        lines.append(f"{left} more; --out or --json gives all of them.")
    return lines


def _lobing(run: Run) -> str:
    """Return the caveat that names the holes that only two-point readings speak for, '' where plugs speak for all."""
    frame = run.inspection.holes
    alone = (frame["mating_from"] == "readings").to_numpy()
    if not alone.any():
        return ""
    if alone.all():
        return w.LOBING.format(holes="every hole")
    by_part: dict[tuple[str, str], list[str]] = {}
    some = frame[alone]
    for part, serial, hole in zip(some["part"], some["serial"], some["hole"], strict=True):
        by_part.setdefault((str(part), str(serial)), []).append(str(hole))
    words = []
    for (part, serial), holes in list(by_part.items())[:DETAILED]:
        name = "" if len(run) == 1 else f" of {w.plain(serial or part)}"
        words.append(f"hole{'s' if len(holes) > 1 else ''} {w.plain(hole_numbers(run.specification, holes))}{name}")
    left = len(by_part) - len(words)
    return w.LOBING.format(holes="; ".join(words) + (f"; and holes of {w.plural(left, 'more part')}" if left else ""))


def _verdict(run: Run, width: int) -> list[str]:
    if not len(run):
        return ["No part was found in the files: nothing to judge."]
    count = run.count
    mark = f"{w.MARKS[count.verdict]} {w.word(count.verdict).upper()}"
    if len(run) == 1:
        part = run[0]
        waits = part.verdict != ACCEPT and waiting_holes(part.characteristics, part.problems)
        words = _which(part) if waits else holes_sentence(part)
        return textwrap.wrap(f"{mark}  {w.plain(part.name)}: {words}", width)
    words = f"{count.accept} accept, {count.hold} hold, {count.reject} reject"
    return textwrap.wrap(f"{mark}  {w.plural(len(run), 'part')}: {words}", width)


def holes_sentence(part: PartView) -> str:
    """Return how many holes were rejected, held, accepted, in words."""
    count = part.hole_count
    waiting = len(waiting_holes(part.characteristics, part.problems)) if count.hold else 0
    verb = "waits" if waiting == 1 else "wait"
    said = ((count.reject, "rejected"), (count.hold - waiting, "held"), (waiting, f"{verb} for hole to hole"))
    wrong = [f"{n} {name}" for n, name in said if n]
    if not wrong:
        holes = w.plural(count.total, "hole")
        return f"{holes}, all accepted" if part.verdict == ACCEPT else f"{_which(part)}; {holes} accepted"
    return f"{', '.join(wrong)}, {count.accept} accepted of {w.plural(count.total, 'hole')}"
