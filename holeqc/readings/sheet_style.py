"""How a blank sheet looks, prints and guards its cells. Colour never stands alone: each mark has its word beside it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from openpyxl.formatting.rule import FormulaRule
from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side
from openpyxl.worksheet.datavalidation import DataValidation

from holeqc.problems import DataError
from holeqc.readings.sheet_formulas import doubtful, outside
from holeqc.readings.table import cell_name
from holeqc.writer import as_cell

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

    from holeqc.readings.sheet_layout import Layout, SheetColumn
    from holeqc.specification.model import Specification

ROW_HEIGHT = 26.0
TABLE_FONT = 12
PAPERS = {"a4": 9, "letter": 1}
NUMBER_FORMATS = {"in": "0.0000##", "mm": "0.000##"}

_THIN = Side(style="thin", color="808080")
_BOX = Border(left=_THIN, right=_THIN, top=_THIN, bottom=_THIN)
_GREY = PatternFill("solid", fgColor="ECECEC")
_HEAD = PatternFill("solid", fgColor="D5DCE4")
_NOT_ASKED = PatternFill("lightUp", fgColor="B0B0B0", bgColor="F4F4F4")
_RED = PatternFill("solid", bgColor="F6C9C0")
_AMBER = PatternFill("solid", bgColor="FBE6A8")
_GREEN = PatternFill("solid", bgColor="DDEFD9")
_OPEN = Protection(locked=False)



def _font(size: float = 11, **how: Any) -> Font:
    return Font(name="Calibri", size=size, **how)


_BANNERS: dict[str, tuple[Font, float, bool]] = {
    "title": (_font(bold=True, size=16), 24, True),
    "marker": (_font(size=9, color="606060"), 14, False),
    "how to": (_font(size=11), 16, True),
    "state": (_font(bold=True, size=12), 24, False),
    "legend": (_font(size=10, color="404040"), 15, True),
    "signature": (_font(size=11), 34, False),
}


def write_text(cell: Any, text: str) -> None:
    """Write text that stays text, whatever it begins with."""
    as_cell(cell, text)


def banner(sheet: Worksheet, row: int, plan: Layout, text: str, kind: str) -> None:
    """Write a line across the sheet, as high as its text needs; only the state line is a formula, one of our own."""
    font, height, wrap = _BANNERS[kind]
    if wrap:
        room = sum(column.width for column in plan.columns) + 9.0 * (plan.width - len(plan.columns))
        height = height * max(1, math.ceil(1.1 * max(1.0, font.size / 11) * len(text) / room))
    cell = sheet.cell(row, 1)
    if kind == "state":
        cell.value = text
    else:
        write_text(cell, text)
    cell.font = font
    cell.alignment = Alignment(vertical="center" if kind != "signature" else "bottom", wrap_text=wrap)
    sheet.merge_cells(start_row=row, end_row=row, start_column=1, end_column=plan.width)
    sheet.row_dimensions[row].height = height


def label(sheet: Worksheet, row: int, column: int, text: str) -> None:
    """Write the label of a field, two columns wide."""
    cell = sheet.cell(row, column)
    write_text(cell, text)
    cell.font = _font(bold=True)
    cell.alignment = Alignment(vertical="center", shrink_to_fit=True)
    sheet.merge_cells(start_row=row, end_row=row, start_column=column, end_column=column + 1)


def field(sheet: Worksheet, row: int, column: int, kind: str) -> None:
    """Make the entry cell of a field, three columns wide."""
    formats = {"date": "yyyy-mm-dd", "temperature": "0.0", "text": "@"}
    for c in range(column, column + 3):
        cell = sheet.cell(row, c)
        cell.border = _BOX
        cell.protection = _OPEN
    cell = sheet.cell(row, column)
    cell.font = _font(TABLE_FONT)
    cell.number_format = formats[kind]
    cell.alignment = Alignment(horizontal="left", vertical="center")
    sheet.merge_cells(start_row=row, end_row=row, start_column=column, end_column=column + 2)
    sheet.row_dimensions[row].height = 20


def asked_line(sheet: Worksheet, row: int, first: int, last: int, text: str) -> None:
    """Write a line of what is asked, beside the fields."""
    cell = sheet.cell(row, first)
    write_text(cell, text)
    cell.font = _font()
    cell.alignment = Alignment(horizontal="left", vertical="center", indent=1, shrink_to_fit=True)
    sheet.merge_cells(start_row=row, end_row=row, start_column=first, end_column=last)


def heading(sheet: Worksheet, row: int, column: int, what: SheetColumn) -> None:
    """Write a heading and set the width of its column."""
    cell = sheet.cell(row, column)
    write_text(cell, what.heading)
    cell.font = _font(bold=True)
    cell.fill = _HEAD
    cell.border = _BOX
    cell.alignment = Alignment(horizontal="center", vertical="center", wrap_text=True)
    sheet.column_dimensions[cell_name(1, column)[:-1]].width = what.width
    sheet.row_dimensions[row].height = 48


def entry(cell: Any, holds: str, unit: str, *, asked: bool) -> None:
    """Make a cell to type into, or grey hatch where nothing is asked."""
    cell.border = _BOX
    cell.font = _font(TABLE_FONT)
    cell.alignment = Alignment(
        horizontal="left" if holds == "note" else "center", vertical="center", shrink_to_fit=holds in {"go", "no_go"}
    )
    if not asked:
        cell.fill = _NOT_ASKED
        return
    cell.protection = _OPEN
    if holds in {"diameter", "x", "y", "edge_distance"}:
        cell.number_format = NUMBER_FORMATS[unit]
    elif holds == "note":
        cell.number_format = "@"


def locked(cell: Any, holds: str, unit: str) -> None:
    """Make a cell that shows a requirement or a check."""
    cell.border = _BOX
    cell.fill = _GREY
    left = holds.endswith("check") or holds in {"found_before", "decided"}
    cell.alignment = Alignment(horizontal="left" if left else "center", vertical="center", shrink_to_fit=left)
    if holds in {"lower", "upper", "basic_x", "basic_y", "edge_asked"}:
        cell.number_format = NUMBER_FORMATS[unit]
    cell.font = _font(TABLE_FONT, bold=holds in {"hole", "wall"})


def mark_checks(sheet: Worksheet, plan: Layout, unit: str) -> None:
    """Colour the check cells by their mark, and each reading that is outside or looks like a slip."""
    first, last = plan.first_row, plan.last_row
    for check in ("size_check", "position_check", "edge_check", "plug_check"):
        if plan.of(check):
            _mark(sheet, plan.span(check, first, last), plan.cell(check, first))
    lower, upper = (f"${plan.cell(word, first)}" for word in ("lower", "upper"))
    cells = plan.span("diameter", first, last)
    corner = plan.cell("diameter", first)
    sheet.conditional_formatting.add(
        cells,
        FormulaRule(
            [doubtful(corner, lower, upper, f"${plan.cell('size_check', first)}")],
            fill=_AMBER,
            font=_font(italic=True, bold=True),
        ),
    )
    sheet.conditional_formatting.add(
        cells, FormulaRule([outside(corner, lower, upper)], fill=_RED, font=_font(bold=True, underline="single"))
    )
    for word in ("x", "y", "edge_distance"):
        if not plan.of(word):
            continue
        check = "edge_check" if word == "edge_distance" else "position_check"
        area, by = plan.span(word, first, last), f"${plan.cell(check, first)}"
        for mark, fill in (("✗", _RED), ("?", _AMBER)):
            sheet.conditional_formatting.add(area, FormulaRule([f'LEFT({by},1)="{mark}"'], fill=fill))


def _mark(sheet: Worksheet, area: str, corner: str) -> None:
    for mark, fill, bold in (("✗", _RED, True), ("?", _AMBER, True), ("✓", _GREEN, False)):
        rule = FormulaRule([f'LEFT({corner},1)="{mark}"'], fill=fill, font=_font(bold=bold))
        sheet.conditional_formatting.add(area, rule)


def choice(sheet: Worksheet, source: str, area: str) -> None:
    """Give cells a drop-down that refuses other words."""
    rule = DataValidation(type="list", formula1=source, allow_blank=True)
    rule.showErrorMessage = True
    rule.errorTitle = "Not in the list"
    rule.error = "Choose from the list, or leave the cell empty."
    rule.add(area)
    sheet.add_data_validation(rule)


def number_only(sheet: Worksheet, area: str) -> None:
    """Ask back when something that is no number is typed; it may stand, and is told when the sheet is read."""
    rule = DataValidation(type="decimal", operator="between", formula1="-1000000", formula2="1000000", allow_blank=True)
    rule.errorStyle = "warning"
    rule.showErrorMessage = True
    rule.errorTitle = "Not a number"
    rule.error = "Type the reading as a decimal number. Remarks belong under Note."
    rule.add(area)
    sheet.add_data_validation(rule)


def date_only(sheet: Worksheet, cell: str) -> None:
    """Ask back when something that is no date is typed."""
    rule = DataValidation(type="date", operator="greaterThan", formula1="36526", allow_blank=True)  # 2000-01-01
    rule.errorStyle = "warning"
    rule.showErrorMessage = True
    rule.errorTitle = "Not a date"
    rule.error = "Type the day of the reading as year-month-day, for example 2026-05-04."
    rule.add(cell)
    sheet.add_data_validation(rule)


def print_setup(sheet: Worksheet, plan: Layout, specification: Specification, paper: str) -> None:
    """Fit the sheet to the width of a page, repeat the headings, and name kit and revision on every page."""
    if paper not in PAPERS:
        raise DataError(f"paper {paper!r} is not known; {' or '.join(PAPERS)}")
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = PAPERS[paper]
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0
    margins = sheet.page_margins
    margins.left = margins.right = 0.4
    margins.top, margins.bottom, margins.footer = 0.4, 0.7, 0.25
    sheet.print_options.horizontalCentered = True
    sheet.print_title_rows = f"{plan.heading_row}:{plan.heading_row}"
    sheet.print_area = f"A1:{cell_name(plan.last_row + 4, plan.width)}"
    kit = f"Kit {specification.id}, revision {specification.revision}".replace("&", "&&")
    sheet.oddFooter.left.text = kit
    sheet.oddFooter.center.text = "Supports, never replaces, drawing and licensed judgement"
    sheet.oddFooter.right.text = "&A, page &P of &N"
    for part in (sheet.oddFooter.left, sheet.oddFooter.center, sheet.oddFooter.right):
        part.size = 9
    sheet.freeze_panes = cell_name(plan.first_row, 3)


def protect(sheet: Worksheet) -> None:
    """Guard against slips, without a password; widths and heights may be changed."""
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    sheet.protection.formatRows = False
