"""Blank sheet of a gauge study: who reads which part when, in an order shuffled by a stated seed.

The first sheet holds the table alone, headings in the first row, so that ``holeqc gauge-study`` reads it as it is once
filled; the second says what to do. Nobody but the person who runs the study should see which part comes when.
"""

from __future__ import annotations

import os
import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from holeqc import writer
from holeqc.problems import DataError
from holeqc.quantities import unit_name

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

HEADINGS = ("run", "part", "appraiser", "trial", "value", "note")
READINGS_SHEET = "readings"
HOW_TO_SHEET = "how to"
WIDTHS = (7.0, 18.0, 18.0, 8.0, 16.0, 34.0)
MOST_RUNS = 5000  #: a sheet that nobody would fill; a slip in a number, more likely


@dataclass(frozen=True, slots=True)
class StudyPlan:
    """What is to be read: ``parts`` by ``appraisers``, each pair ``trials`` times; order from ``seed``.

    ``nested``: ``parts`` are dealt out in turn, so that each appraiser has parts of their own. ``choices`` makes it a
    study in words (such as accept and reject); empty: numbers in ``unit``.
    """

    parts: tuple[str, ...]
    appraisers: tuple[str, ...]
    trials: int = 2
    seed: int = 1
    nested: bool = False
    unit: str = ""
    gauge: str = ""
    title: str = "Gauge study"
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Run:
    """One reading to take: ``run`` counts from 1, ``trial`` counts the repeats of the pair."""

    run: int
    part: str
    appraiser: str
    trial: int


def run_order(plan: StudyPlan) -> tuple[Run, ...]:
    """Return the readings of a study in their shuffled order.

    Every pair is read once before any is read again, and each round has an order of its own, so that nobody reads the
    same part twice running knowingly and slow changes of the gauge don't fall on one person (ASTM E2782 asks for random
    order). The same seed gives the same order on any machine.

    Raises:
        DataError: no part or appraiser, a blank or doubled name, fewer than one trial, or more readings than a sheet
            can sensibly hold.
    """
    _check(plan)
    people = len(plan.appraisers)
    pairs = [
        (part, appraiser)
        for k, part in enumerate(plan.parts)
        for j, appraiser in enumerate(plan.appraisers)
        if not plan.nested or k % people == j
    ]
    # sorting by drawn numbers instead of shuffle(): the stream of random() is fixed by the language, shuffle() isn't
    rng = random.Random(plan.seed)
    runs: list[Run] = []
    for trial in range(1, plan.trials + 1):
        drawn = sorted((rng.random(), k) for k in range(len(pairs)))
        runs += [Run(len(runs) + n, *pairs[k], trial) for n, (_, k) in enumerate(drawn, 1)]
    return tuple(runs)


def _check(plan: StudyPlan) -> None:
    for what, names in (("part", plan.parts), ("appraiser", plan.appraisers)):
        if not names:
            raise DataError(f"the study has no {what}; name at least one")
        if any(not name.strip() for name in names):
            raise DataError(f"a {what} has a blank name; give each a name of its own")
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise DataError(f"{what} {twice[0]!r} is named twice; give each a name of its own")
    if plan.trials < 1:
        raise DataError(f"{plan.trials} trials; at least 1, better 2 or 3")
    if plan.nested and len(plan.parts) < len(plan.appraisers):
        raise DataError(f"{len(plan.parts)} parts for {len(plan.appraisers)} appraisers who each need their own")
    count = len(plan.parts) * (1 if plan.nested else len(plan.appraisers)) * plan.trials
    if count > MOST_RUNS:
        raise DataError(f"the study has {count} readings; allowed: {MOST_RUNS}. Ten parts, three people, two trials do")
    if len(plan.choices) == 1:
        raise DataError("one choice only; a study in words needs at least two answers")
    for choice in plan.choices:
        if not choice.strip() or any(mark in choice for mark in ',"'):
            raise DataError(f"the choice {choice!r} can't be offered; use words without commas and quotes")
    if len(",".join(plan.choices)) > 250:
        raise DataError("the choices are too long together; a drop-down list holds 250 characters")


def write_study_sheet(
    plan: StudyPlan, path: str | os.PathLike[str], paper: str = "a4", *, replace: bool = False
) -> tuple[Run, ...]:
    """Write the blank sheet of a study as a workbook, and return its run order.

    Args:
        plan: what is to be read.
        path: file to write; one that is there already is not touched, it may hold somebody's readings.
        paper: ``a4`` or ``letter``.
        replace: write over the file that is there.

    Raises:
        DataError: a plan that can't be run, or a paper that isn't known.
        WriteError: the file exists, or can't be written.
    """
    from openpyxl import Workbook

    runs = run_order(plan)
    if paper not in {"a4", "letter"}:
        raise DataError(f"there is no paper {paper!r}; allowed: a4, letter")
    book = Workbook()
    sheet = book.active
    assert sheet is not None  # a new workbook has one
    _fill_readings(sheet, plan, runs)
    _set_up(sheet, plan, paper)
    _fill_how_to(book, plan, len(runs), paper)
    book.properties.creator, book.properties.title = "holeqc", plan.title
    with writer.file(path, replace=replace) as out:
        book.save(out)
    return runs


def _fill_readings(sheet: Worksheet, plan: StudyPlan, runs: Sequence[Run]) -> None:
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

    from holeqc.readings.sheet_style import NUMBER_FORMATS, write_text

    sheet.title = READINGS_SHEET
    line = Side(style="thin", color="808080")
    box = Border(left=line, right=line, top=line, bottom=line)
    middle, free = Alignment(horizontal="center", vertical="center"), Protection(locked=False)
    head, grey = PatternFill("solid", fgColor="D5DCE4"), PatternFill("solid", fgColor="ECECEC")
    for column, heading in enumerate(HEADINGS, 1):
        cell = sheet.cell(1, column)
        write_text(cell, heading)
        cell.font, cell.fill, cell.border, cell.alignment = Font(bold=True, size=12), head, box, middle
        sheet.column_dimensions["ABCDEF"[column - 1]].width = WIDTHS[column - 1]
    for row, run in enumerate(runs, 2):
        sheet.row_dimensions[row].height = 22
        for column, given in enumerate((run.run, run.part, run.appraiser, run.trial), 1):
            cell = sheet.cell(row, column)
            if isinstance(given, str):
                write_text(cell, given)
            else:
                cell.value = given
            cell.fill, cell.border, cell.alignment = grey, box, middle
        for column in (5, 6):
            cell = sheet.cell(row, column)
            cell.border, cell.protection, cell.font = box, free, Font(size=12)
            if column == 5:
                cell.number_format = "@" if plan.choices else NUMBER_FORMATS.get(plan.unit, "General")
                cell.alignment = middle
            else:
                cell.number_format = "@"
    _guard_entries(sheet, plan, len(runs) + 1)


def _guard_entries(sheet: Worksheet, plan: StudyPlan, last: int) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    rule: Any
    if plan.choices:
        rule = DataValidation(type="list", formula1='"' + ",".join(plan.choices) + '"', allow_blank=True)
        rule.error = "Choose one of: " + ", ".join(plan.choices)
    else:
        rule = DataValidation(type="decimal", operator="between", formula1="-1E+9", formula2="1E+9", allow_blank=True)
        rule.error = "Type the reading as a plain number, a fraction as a decimal (7/16 as 0.4375)."
    rule.errorTitle, rule.showErrorMessage = "Not a reading", True
    unit = f" in {unit_name(plan.unit)}" if plan.unit and not plan.choices else ""
    rule.prompt = f"Reading{unit}; empty if not taken"
    rule.showInputMessage = True
    sheet.add_data_validation(rule)
    rule.add(f"E2:E{last}")


def _printed(text: str) -> str:
    # & starts a code in page headers; doubled it prints
    return text.replace("&", "&&")[:80]


def _set_up(sheet: Worksheet, plan: StudyPlan, paper: str) -> None:
    from holeqc.readings.sheet_style import PAPERS

    sheet.freeze_panes = "A2"
    sheet.print_title_rows = "1:1"
    sheet.page_setup.paperSize = PAPERS[paper]
    sheet.page_setup.orientation = "portrait"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    gauge = f", gauge {plan.gauge}" if plan.gauge else ""
    unit = f", {plan.unit}" if plan.unit and not plan.choices else ""
    sheet.oddHeader.left.text = _printed(f"{plan.title}{gauge}{unit}")
    sheet.oddHeader.right.text = f"seed {plan.seed}"
    sheet.oddFooter.left.text = "Read by: ____________________   Date: ____________"
    sheet.oddFooter.right.text = "page &P of &N"
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    sheet.protection.formatRows = False


def how_to(plan: StudyPlan, runs: int) -> tuple[str, ...]:
    """Return what the person who runs the study must know, one sentence a line."""
    unit = f", unit {plan.unit}" if plan.unit else ""
    what = f"one of: {', '.join(plan.choices)}" if plan.choices else f"a number{unit}"
    own = "each part belongs to one appraiser" if plan.nested else "every appraiser reads every part"
    return (
        plan.title + (f", gauge {plan.gauge}" if plan.gauge else ""),
        f"{len(plan.parts)} parts, {len(plan.appraisers)} appraisers, {plan.trials} trials: {runs} readings; {own}.",
        f"Order shuffled by seed {plan.seed}: each pair once a round, each round in an order of its own.",
        "Take parts that span the process, good and bad, marked where the appraiser doesn't look.",
        "Hand the parts over in the order of the rows; nobody sees earlier readings, their own or others'.",
        f"Type into the white cells only: {what}. Leave a cell empty if it was not read; never copy a value down.",
        "Read as in daily work: same place on the part, same clamping, part and gauge at one temperature.",
        "Then: holeqc gauge-study THIS_FILE --part part --appraiser appraiser --value value",
        "Caution: deburr edges, mind chips, clamp the work. Local rules and the gauge maker's instructions prevail.",
    )


def _fill_how_to(book: Workbook, plan: StudyPlan, runs: int, paper: str) -> None:
    from openpyxl.styles import Alignment, Font

    from holeqc.readings.sheet_style import PAPERS, write_text

    sheet = book.create_sheet(HOW_TO_SHEET)
    sheet.column_dimensions["A"].width = 95
    for row, text in enumerate(how_to(plan, runs), 1):
        cell = sheet.cell(row, 1)
        write_text(cell, text)
        cell.font = Font(bold=row == 1, size=14 if row == 1 else 11)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        sheet.row_dimensions[row].height = 32
    sheet.protection.sheet = True
    sheet.page_setup.paperSize = PAPERS[paper]
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
