"""Blank reading sheets: a workbook to print or to type into, laid out as `holeqc.readings.sheet_layout` says."""

from __future__ import annotations

import dataclasses
import math
import os
import random
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from openpyxl.formatting.rule import FormulaRule
from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side
from openpyxl.worksheet.datavalidation import DataValidation

from holeqc import writer
from holeqc.characteristics import ANGLE, BY_GAUGE, DEGREES, OF_WORD, READ_ALONE, WORDS, Characteristic, unit_of
from holeqc.problems import DataError
from holeqc.quantities import GRAIN, unit_name
from holeqc.readings.sheet_layout import (
    ENTRY_COLUMN,
    FIELD_COLUMN,
    FIELDS,
    FIRST_FIELD_ROW,
    LEGEND,
    LISTS_SHEET,
    MARKER_CELL,
    MARKER_NAME,
    MARKS_LEGEND,
    PRINTED,
    SIGNATURE,
    Layout,
    Recheck,
    Row,
    asked_lines,
    before_text,
    choices,
    layout,
    marker_of,
    printed,
    properties,
    sheet_names,
    top,
)
from holeqc.readings.table import (
    BURR,
    CLEAN,
    CRACK,
    DIRTY,
    ENTERS,
    LIKELY_C,
    NEAR_FORM,
    STOPS,
    bound,
    cell_name,
    edge_span,
    measured_limits,
    measured_reach,
    measured_span,
    merged,
    place_reach,
    position_tolerance,
    size_reach,
    size_spans,
)
from holeqc.writer import as_cell

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

    from holeqc.readings.containers import Content
    from holeqc.readings.sheet_layout import SheetColumn
    from holeqc.specification.model import Hole, Specification


# Formulas of the check cells in a blank sheet: a word and a mark the moment a number is outside or looks like a slip.
#
# They warn the person at the bench; they judge nothing: `holeqc check` reads the numbers and judges for itself. Marks:
# ✓ in limits, ✗ outside, ? look again, … still to read. Every function returns the text of a spreadsheet formula.


NEAR = 0.1  #: a slip brings a reading so near its limits, as a share of them
LATEST_DATE = 20000  #: numbers beyond are dates: a fraction such as 7/16 that the spreadsheet took for a day


@dataclass(frozen=True, slots=True)
class SizeBounds:
    """What diameters of a hole are believed, as `check` has it (`believable`), and the cells of all its walls.

    ``spans``: from what to what a reading is believed; ``far``: beyond these a single one isn't; ``apart``: how far
    readings of the hole may differ.
    """

    block: str
    spans: tuple[tuple[float, float], ...]
    far: tuple[float, float]
    apart: float


@dataclass(frozen=True, slots=True)
class PlaceBounds:
    """What coordinates of a hole are believed, as `check` has it: distances from basic, and between the walls.

    ``tolerance`` is what a coordinate may be off, ``others`` the x and y cells of the hole's other walls, ``columns``
    x, basic x, y and basic y of all holes: where most of them are off alike, the part lay out of seat.
    """

    tolerance: float
    far: float
    absurd: float
    apart: float
    others: tuple[tuple[str, str], ...]
    columns: tuple[str, str, str, str]


def number(value: float) -> str:
    """Return a number as a formula takes it, whatever the decimal mark of the screen."""
    return repr(float(value))


def slip_words(unit: str) -> list[tuple[float, str]]:
    """Return how many times too large a slip makes a reading, and its word, for a kit in this unit."""
    by_inch = [(25.4, "? mm typed"), (1 / 25.4, "? divided by 25.4")]
    by_mm = [(1 / 25.4, "? inch typed"), (25.4, "? times 25.4")]
    points = [(factor, "? decimal point") for factor in (10.0, 0.1, 100.0, 0.01)]
    return [*(by_inch if unit == "in" else by_mm), *points]


def chain(*steps: tuple[str, str], last: str) -> str:
    """Return nested IFs: the result of the first condition that holds, else ``last``."""
    text = last
    for condition, result in reversed(steps):
        text = f"IF({condition},{result},{text})"
    return text


def _words(text: str) -> str:
    doubled = text.replace('"', '""')
    return f'"{doubled}"'


def _left(cells: str, wanted: int) -> str:
    return f'"… "&({wanted}-COUNT({cells}))&" to read"'


def _unreadable(cells: str) -> list[tuple[str, str]]:
    """Return the steps that every group of numbers begins with: nothing there, text, a date."""
    return [
        (f"COUNTA({cells})=0", '""'),
        (f"COUNT({cells})<COUNTA({cells})", _words("? not a number")),
        (f"MAX({cells})>{LATEST_DATE}", _words("? a date, not a size")),
        (f"MIN({cells})<0", _words("? negative")),
    ]


def _swapped_digits(odd: str, other: str, limits: tuple[str, str], form: float, unit: str) -> str:
    """Return whether two neighbouring digits swapped bring the reading ``odd`` near ``other``, farthest of the rest.

    n + 9 k (a - b) is n with its digit a of weight k and its digit b of weight 10 k swapped.
    """
    scale = 10_000 if unit == "in" else 1_000
    n = f"ROUND({odd}*{scale},0)"
    near = []
    for k in (1, 10, 100):
        digit, higher = (f"MOD(INT({n}/{weight}),10)" for weight in (k, 10 * k))
        swapped = f"({n}+{9 * k}*({digit}-{higher}))/{scale}"
        near.append(f"AND(ABS({swapped}-{other})<={number(NEAR_FORM * form)}+{GRAIN},{swapped}>={limits[0]}-{GRAIN},"
                    f"{swapped}<={limits[1]}+{GRAIN})")  # fmt: skip
    return f"AND(ABS({odd}-{other})>{number(form)}+{GRAIN},OR({','.join(near)}))"


def size_check(cells: str, wanted: int, lower: str, upper: str, unit: str, form: float, bounds: SizeBounds) -> str:
    """Return the check of a range of diameters against limits in two cells.

    ``form`` is how far diameters of one hole may lie apart. A single reading that stands farther away, and that two
    swapped digits bring near the others, is outside all the same; the words say what to look at.
    """
    steps = _unreadable(cells)
    low, high = f"{1 - NEAR:g}*{lower}", f"{1 + NEAR:g}*{upper}"
    for factor, words in slip_words(unit):
        k = number(factor)
        steps.append((f"SUMPRODUCT(({cells}>={low}*{k})*({cells}<={high}*{k}))>0", _words(words)))
    steps += [
        *_unbelieved_sizes(cells, bounds),
        (
            f"AND(MIN({cells})<{lower}-{GRAIN},MAX({cells})>{upper}+{GRAIN})",
            _words("✗ small and large"),
        ),
    ]
    for odd, inside, other, words in (
        (f"MIN({cells})", f"SMALL({cells},2)>={lower}-{GRAIN}", f"MAX({cells})", "✗ too small"),
        (f"MAX({cells})", f"LARGE({cells},2)<={upper}+{GRAIN}", f"MIN({cells})", "✗ too large"),
    ):
        out = f"{odd}<{lower}-{GRAIN}" if odd.startswith("MIN") else f"{odd}>{upper}+{GRAIN}"
        swapped = _swapped_digits(odd, other, (lower, upper), form, unit)
        alone = f"IF(COUNT({cells})>1,AND({inside},{swapped}),FALSE)"
        steps += [(f"IF({out},{alone},FALSE)", _words("✗ digits swapped?")), (out, _words(words))]
    steps += [
        (f"COUNT({cells})<{wanted}", _left(cells, wanted)),
    ]
    return "=" + chain(*steps, last=_words("✓ in limits"))


def _unbelieved_sizes(cells: str, bounds: SizeBounds) -> list[tuple[str, str]]:
    """Return the steps for diameters that can't be true, that nothing confirms, or that the hole contradicts."""
    inside = "+".join(f"({cells}>={number(low)})*({cells}<={number(high)})" for low, high in bounds.spans)
    apart = number(bounds.apart + GRAIN)
    alike = f'COUNTIFS({bounds.block},">="&({cells}-{apart}),{bounds.block},"<="&({cells}+{apart}))'
    believed = "+".join(
        f'COUNTIFS({bounds.block},">="&{number(low)},{bounds.block},"<="&{number(high)})' for low, high in bounds.spans
    )
    alone = f'({cells}<>"")*({alike}=1)'
    far = f"(({cells}<{number(bounds.far[0])})+({cells}>{number(bounds.far[1])})>0)"
    return [
        (f'SUMPRODUCT(({cells}<>"")*(({inside})=0))>0', _words("? doubtful")),
        (f"AND({believed}>1,SUMPRODUCT({alone})>0)", _words("? readings disagree")),
        (f"SUMPRODUCT({alone}*{far})>0", _words("? doubtful")),
    ]


def outside(cell: str, lower: str, upper: str) -> str:
    """Return whether one diameter is a number outside its limits, for marking the cell itself."""
    return f"AND(ISNUMBER({cell}),OR({cell}<{lower}-{GRAIN},{cell}>{upper}+{GRAIN}))"


def doubtful(cell: str, lower: str, upper: str, check: str) -> str:
    """Return whether one diameter is text, or outside and doubted by its check cell, for marking the cell itself."""
    return f'AND({cell}<>"",IF(ISNUMBER({cell}),AND(LEFT({check},1)="?",{outside(cell, lower, upper)}),TRUE))'


def position_check(x: str, y: str, basic: tuple[str, str], asked: tuple[float | None, float], near: float,
                   unit: str, bounds: PlaceBounds) -> str:  # fmt: skip
    """Return the check of x and y against basic positions in two cells.

    ``asked``: the tolerance to the datums (None: not asked) and with the largest bonus; ``near`` is how near to basic a
    slip brings a coordinate.
    """
    bx, by = basic
    stated, most = asked
    decimals = 4 if unit == "in" else 3
    value = f"2*SQRT(({x}-{bx})^2+({y}-{by})^2)"
    swapped = f"2*SQRT(({x}-{by})^2+({y}-{bx})^2)"
    turned = f"2*SQRT((ABS({x})-ABS({bx}))^2+(ABS({y})-ABS({by}))^2)"
    shown = f'" ⌀"&ROUND({value},{decimals})'
    close = number(2 * near)
    steps = [step for step in _unreadable(f"{x}:{y}") if "negative" not in step[1]]
    steps.append((f"COUNT({x}:{y})<2", _left(f"{x}:{y}", 2)))
    if stated is not None:
        steps.append((f"{value}<={number(stated)}+{GRAIN}", f'"✓"&{shown}'))
        if most > stated:
            steps.append((f"{value}<={number(most)}+{GRAIN}", f'"?"&{shown}&" needs bonus"'))
    else:
        steps.append((f"{value}<={close}", f'"read"&{shown}'))
    beyond = bounds.tolerance + bounds.far
    far = _off((x, y), basic, beyond)
    steps.append((f"AND(ABS({x}-{y})<={GRAIN},{_off((x, y), basic, 2.0 * bounds.tolerance)})", _words("? typed twice")))
    # a hole off position by little is off position, whatever its mirror image would be
    steps += [
        (f"AND({far},{other}<={close})", _words(words))
        for other, words in ((swapped, "? x and y exchanged"), (turned, "? sign"))
    ]
    for factor, words in slip_words(unit):
        either = ",".join(_coordinate_slip(v, b, near, factor, beyond) for v, b in ((x, bx), (y, by)))
        steps.append((f"OR({either})", _words(words)))
    steps.append((_off((x, y), basic, bounds.tolerance + bounds.absurd), _words("? doubtful")))
    apart = number(bounds.apart + GRAIN)
    disagree = ",".join(
        f"IF(COUNT({other})=1,ABS({mine}-{other})>{apart},FALSE)"
        for pair in bounds.others
        for mine, other in zip((x, y), pair, strict=True)
    )
    if disagree:
        steps.append((f"OR({disagree})", _words("? walls disagree")))
    alone = ",".join(_alone(v, b, n, bounds, beyond) for n, (v, b) in enumerate(((x, bx), (y, by))))
    steps.append((f"OR({alone})", _words("? doubtful")))
    last = f'"✗"&{shown}&" off position"' if stated is not None else _words("? doubtful")
    return "=" + chain(*steps, last=last)


def _off(cells: tuple[str, str], basic: tuple[str, str], distance: float) -> str:
    """Return whether either coordinate lies farther from basic than a distance."""
    either = ",".join(f"ABS({v}-{b})>{number(distance + GRAIN)}" for v, b in zip(cells, basic, strict=True))
    return f"OR({either})"


def _alone(value: str, basic: str, axis: int, bounds: PlaceBounds, beyond: float) -> str:
    """Return whether a coordinate is far off, no other wall says the same, and most holes are not off alike."""
    others = [pair[axis] for pair in bounds.others]
    apart = number(bounds.apart + GRAIN)
    walls = "+".join(f"IF(COUNT({o})=1,ABS({value}-{o})<={apart},FALSE)*1" for o in others) or "0"
    all_, drawn = bounds.columns[2 * axis : 2 * axis + 2]
    alike = f'({all_}<>"")*(ABS({value}-{basic}-({all_}-{drawn}))<={number(bounds.tolerance + GRAIN)})'
    shifted = f"IF(COUNT({all_})=COUNTA({all_}),SUMPRODUCT({alike})>=MAX(3,COUNT({all_})/2),FALSE)"
    return f"AND(ABS({value}-{basic})>{number(beyond + GRAIN)},{walls}=0,NOT({shifted}))"


def _coordinate_slip(value: str, basic: str, near: float, factor: float, beyond: float) -> str:
    n, k = number(near), number(factor)
    return f"AND(ABS({basic})>10*{n},ABS({value}-{basic})>{number(beyond)},ABS({value}/{k}-{basic})<={n})"


def edge_check(cell: str, least: str, believed: tuple[float, float]) -> str:
    """Return the check of an edge distance against the least in a cell; ``believed``: from what to what it may be."""
    steps = [
        *_unreadable(cell),
        (f"OR({cell}<{number(believed[0])},{cell}>{number(believed[1])})", _words("? doubtful")),
        (f"{cell}<{least}-{GRAIN}", _words("✗ too near")),
    ]
    return "=" + chain(*steps, last=_words("✓ far enough"))


def measured_check(
    cell: str, limits: tuple[float, float], believed: tuple[float, float], far: float, what: Characteristic
) -> str:
    """Return the check of one number of a hole between its limits, of which one may be 0 or infinite."""
    (low, high), angle = limits, what.kind == ANGLE
    steps = [*_unreadable(cell), (f"OR({cell}<=0,{cell}<{number(believed[0])},{cell}>{number(believed[1])})",
                                  _words("? doubtful"))]  # fmt: skip
    steps.append((f"{cell}<{number(low - far - GRAIN)}", _words("? read again")))
    if math.isfinite(high):
        steps.append((f"{cell}>{number(high + far + GRAIN)}", _words("? read again")))
        steps.append((f"{cell}>{number(high + GRAIN)}", _words(f"✗ too {'wide' if angle else 'deep'}")))
    steps.append((f"{cell}<{number(low - GRAIN)}", _words(f"✗ too {'narrow' if angle else 'shallow'}")))
    return "=" + chain(*steps, last=_words("✓ in limits"))


def plug_check(go: str, no_go: str, surface: str, sizes: tuple[str, int, str, str], asked: tuple[bool, bool],
               plugs: tuple[float, float, float]) -> str:  # fmt: skip
    """Return the check of GO, NO-GO and surface words; '' for a cell that is not asked.

    ``sizes``: range of diameters, how many are wanted, lower and upper limit; a plug that contradicts readings is to be
    looked at again. ``asked``: whether the surface must be clean, and free of burrs. ``plugs``: sizes of GO and NO-GO,
    and how far above a plug that stops all readings may lie.
    """
    cells, wanted, lower, upper = sizes
    in_limits = f"AND(COUNT({cells})={wanted},MIN({cells})>={lower}-{GRAIN},MAX({cells})<={upper}+{GRAIN})"
    small = f"AND(COUNT({cells})>0,MIN({cells})<{lower}-{GRAIN})"
    filled = [cell for cell in (go, no_go, surface) if cell]
    empty = "+".join(f'({cell}="")' for cell in filled)
    steps = [(f"{empty}={len(filled)}", '""')]
    for cell in (go, no_go):
        if cell:
            known = f'{cell}<>"",{cell}<>{_words(ENTERS)},{cell}<>{_words(STOPS)}'
            steps.append((f"AND({known})", _words("? choose from the list")))
    for cell, wrong, size, plug, name in (
        (go, STOPS, plugs[0], "GO", "does not enter"), (no_go, ENTERS, plugs[1], "NO-GO", "enters"),
    ):  # fmt: skip
        if cell:
            large = f"AND(COUNT({cells})>0,MIN({cells})>{number(size + plugs[2] + GRAIN)})"
            stops, enters = f"{cell}={_words(STOPS)}", f"{cell}={_words(ENTERS)}"
            against = f"OR(AND({cell}={_words(wrong)},{in_limits}),AND({stops},{large}),AND({enters},{small}))"
            steps.append((against, _words(f"? {plug} against sizes")))
            steps.append((f"{cell}={_words(wrong)}", _words(f"✗ {plug} {name}")))
    if surface:
        steps += _surface_steps(surface, asked)
    steps.append((f"{empty}>0", f'"… "&({empty})&" to fill"'))
    return "=" + chain(*steps, last=_words("✓"))


def _surface_steps(cell: str, asked: tuple[bool, bool]) -> list[tuple[str, str]]:
    clean, burr_free = asked
    known = ",".join(f"{cell}<>{_words(word)}" for word in ("", CLEAN, BURR, DIRTY, CRACK))
    marks = ((CRACK, "✗"), (DIRTY, "✗" if clean else "?"), (BURR, "✗" if burr_free else "?"))
    steps = [(f"AND({known})", _words("? choose from the list"))]
    return steps + [(f"{cell}={_words(word)}", _words(f"{mark} {word}")) for word, mark in marks]


def state(entries: list[str], total: int, checks: list[str], fields: dict[str, str]) -> str:
    """Return the line that counts what is open, doubtful and outside, and names fields that are missing.

    ``entries`` are the ranges of entry cells with ``total`` cells, ``checks`` the ranges of check cells, ``fields`` the
    entry cell of each field by its word.
    """
    filled = "+".join(f"COUNTA({cells})" for cells in entries)
    marks = {mark: "+".join(f'SUMPRODUCT(--(LEFT({cells},1)="{mark}"))' for cells in checks) for mark in "✗?"}
    text = f'="Still empty: "&({total}-({filled}))&" of {total}.   ✗ outside: "&({marks["✗"]})'
    text += f'&".   ? look again: "&({marks["?"]})&"."'
    for word in ("part", "serial"):
        if word in fields:
            text += f'&IF({fields[word]}="","   ? no {word}.","")'
    if "date" in fields:
        cell = fields["date"]
        text += f'&IF({cell}="","   ? no date.",IF(ISNUMBER({cell}),"","   ? date not understood."))'
    if "temperature_c" in fields:
        cell = fields["temperature_c"]
        odd = f"IF(ISNUMBER({cell}),OR({cell}<{LIKELY_C[0]:g},{cell}>{LIKELY_C[1]:g}),TRUE)"
        text += f'&IF({cell}="","",IF({odd},"   ? temperature in °C.",""))'
    return text


# How a blank sheet looks, prints and guards its cells. Colour never stands alone: each mark has its word beside it.


ROW_HEIGHT = 26.0
TABLE_FONT = 12
PAPERS = {"a4": 9, "letter": 1}
PAGE = (730.0, 530.0)  #: what both papers hold inside the margins, laid across [points]
NUMBER_FORMATS = {"in": "0.0000##", "mm": "0.000##", DEGREES: "0.0##"}

_THIN = Side(style="thin", color="808080")
_BOX = Border(left=_THIN, right=_THIN, top=_THIN, bottom=_THIN)
_GREY = PatternFill("solid", fgColor="ECECEC")
_HEAD = PatternFill("solid", fgColor="D5DCE4")
_NOT_ASKED = PatternFill("lightUp", fgColor="B0B0B0", bgColor="F4F4F4")
_RED = PatternFill("solid", bgColor="F6C9C0")
_AMBER = PatternFill("solid", bgColor="FBE6A8")
_GREEN = PatternFill("solid", bgColor="DDEFD9")
_OPEN = Protection(locked=False)
HEADING = Alignment(horizontal="center", vertical="center", wrap_text=True)
CENTRED = Alignment(horizontal="center", vertical="center", shrink_to_fit=True)


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
    if holds in BY_GAUGE:
        cell.number_format = NUMBER_FORMATS[unit_of(holds, unit)]
    elif holds == "note":
        cell.number_format = "@"


def locked(cell: Any, holds: str, unit: str) -> None:
    """Make a cell that shows a requirement or a check."""
    cell.border = _BOX
    cell.fill = _GREY
    left = holds.endswith("check") or holds in {"found_before", "decided"}
    cell.alignment = Alignment(horizontal="left" if left else "center", vertical="center", shrink_to_fit=left)
    if holds in {"lower", "upper", "basic_x", "basic_y", "edge_distance_asked"}:
        cell.number_format = NUMBER_FORMATS[unit]
    cell.font = _font(TABLE_FONT, bold=holds in {"hole", "wall"})


CHECKS = ("size_check", "position_check", *(f"{c.word}_check" for c in READ_ALONE), "plug_check")


def mark_checks(sheet: Worksheet, plan: Layout, unit: str) -> None:
    """Colour the check cells by their mark, and each reading that is outside or looks like a slip."""
    first, last = plan.first_row, plan.last_row
    for check in CHECKS:
        if plan.of(check):
            mark(sheet, plan.span(check, first, last), plan.cell(check, first))
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
    for word in BY_GAUGE[1:]:
        if not plan.of(word):
            continue
        check = "position_check" if word in {"x", "y"} else f"{word}_check"
        area, by = plan.span(word, first, last), f"${plan.cell(check, first)}"
        for sign, fill in (("✗", _RED), ("?", _AMBER)):
            sheet.conditional_formatting.add(area, FormulaRule([f'LEFT({by},1)="{sign}"'], fill=fill))


def mark(sheet: Worksheet, area: str, corner: str) -> None:
    """Colour check cells by their mark."""
    for sign, fill, bold in (("✗", _RED, True), ("?", _AMBER, True), ("✓", _GREEN, False)):
        rule = FormulaRule([f'LEFT({corner},1)="{sign}"'], fill=fill, font=_font(bold=bold))
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
    """Ask back when something that is not a number is typed; it may stand, and is told when the sheet is read."""
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


def print_setup(
    sheet: Worksheet, plan: Layout, specification: Specification, paper: str, *, titles: bool = True
) -> None:
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
    if titles:
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


FIRST_ASKED_COLUMN = 6
def write_recheck(
    specification: Specification, path: str | os.PathLike[str], recheck: Recheck, paper: str = "a4", *,
    replace: bool = True, filled: Mapping[str, Content] | None = None,
) -> None:  # fmt: skip
    """Write a sheet of only what is read again of a part, with what was found and decided before.

    ``filled``: cell -> what was read already.

    Raises:
        WriteError: the file is there and isn't to be replaced, or it can't be written.
    """
    from openpyxl import Workbook

    (name,) = sheet_names([recheck.serial])
    book = Workbook()
    book.remove(book.active)
    sheet = book.create_sheet(name)
    _Writer(specification, sheet, layout(specification, recheck), recheck.part, recheck.serial, recheck).write(paper)
    _fill(sheet, filled or {})
    _write_lists(book, specification)
    _write_marker(book, specification, name)
    with writer.file(path, replace=replace) as out:
        book.save(out)


def write_sheet(
    specification: Specification,
    path: str | os.PathLike[str],
    part: str | None = None,
    serials: Sequence[str] = (),
    paper: str = "a4",
    *,
    replace: bool = True,
    filled: Mapping[str, Content] | None = None,
    pencil: bool = False,
    below: Callable[[Worksheet, Layout, int], str] | None = None,
) -> None:
    """Write a blank reading sheet, one sheet a serial number, for one part or with a choice of parts.

    ``paper`` is ``a4`` or ``letter``; ``replace``: whether a file that is there already is written over; ``filled``:
    cell -> what was read already, of the one serial number; ``pencil``: no check columns, and rows that fill the page;
    ``below`` writes a further table from a row on and returns its last cell.

    Raises:
        DataError: no such part or paper, or serial numbers that can't be used.
        WriteError: the file is there and isn't to be replaced, or it can't be written.
    """
    from openpyxl import Workbook

    if part is not None:
        part = specification.part(part).name
    elif len(specification.parts) == 1:
        part = specification.parts[0].name
    names = sheet_names(serials) or ["Readings"]
    book = Workbook()
    book.remove(book.active)
    plan = layout(specification)
    if pencil:
        plan = dataclasses.replace(plan, columns=tuple(c for c in plan.columns if not c.holds.endswith("_check")))
    alike: dict[str, bytes] = {}
    for name, serial in zip(names, serials or [""], strict=True):
        sheet = book.create_sheet(name)
        many = below is None and len(book.worksheets) > 2
        if many and re.fullmatch(r"\w[\w-]*", serials[1]) and re.fullmatch(r"\w[\w-]*", serial):
            alike[name] = f">{serial}<".encode()
            print_setup(sheet, plan, specification, paper)  # the workbook names what each sheet prints
            continue
        _Writer(specification, sheet, plan, part, serial).write(paper, pencil=pencil, titles=below is None)
        _fill(sheet, filled or {})
        if below is not None:
            sheet.print_area = f"A1:{below(sheet, plan, plan.last_row + 4 + len(LEGEND))}"
    _write_lists(book, specification)
    _write_marker(book, specification, names[0])
    with writer.file(path, replace=replace) as out:
        if alike:
            _save_alike(book, out, f">{serials[1]}<".encode(), alike)
        else:
            book.save(out)


def _save_alike(book: Workbook, out: Any, second: bytes, alike: dict[str, bytes]) -> None:
    """Save a book in which some sheets, by name, are the second one with another serial number.

    Their parts are the same bytes as if each were written by itself, in a tenth of the time; packed a sixth less
    tightly, because packing them as usual takes a fifth of it all. Not the first: it says that it is shown.
    """
    from zipfile import ZIP_DEFLATED, ZipFile

    from openpyxl.writer.excel import ExcelWriter

    class Alike(ExcelWriter):
        def write_worksheet(self, sheet: Worksheet) -> None:
            if sheet.title not in alike:
                super().write_worksheet(sheet)
                return
            if not template:
                template.extend(self._archive.read(book.worksheets[1].path[1:]).split(second))
            before, after = template
            self._archive.writestr(sheet.path[1:], before + alike[sheet.title] + after)
            self.manifest.append(sheet)

    template: list[bytes] = []
    Alike(book, ZipFile(out, "w", ZIP_DEFLATED, compresslevel=3)).save()


def _fill(sheet: Worksheet, filled: Mapping[str, Content]) -> None:
    for address, content in filled.items():
        if isinstance(content, str):
            write_text(sheet[address], content)
        else:
            sheet[address].value = content


def _write_marker(book: Workbook, specification: Specification, first: str) -> None:
    from openpyxl.packaging.custom import StringProperty
    from openpyxl.workbook.defined_name import DefinedName

    for name, value in properties(marker_of(specification)).items():
        book.custom_doc_props.append(StringProperty(name=name, value=value))
    quoted = first.replace("'", "''")
    cell = f"${MARKER_CELL[0]}${MARKER_CELL[1:]}"
    book.defined_names[MARKER_NAME] = DefinedName(MARKER_NAME, attr_text=f"'{quoted}'!{cell}")
    book.properties.title = f"Reading sheet {specification.id} revision {specification.revision}"
    book.properties.creator = "holeqc"


def _write_lists(book: Workbook, specification: Specification) -> None:
    sheet = book.create_sheet(LISTS_SHEET)
    for column, (word, items) in enumerate(choices(specification).items(), start=1):
        for row, item in enumerate([word, *items], start=1):
            write_text(sheet.cell(row, column), item)
    sheet.sheet_state = "hidden"
    sheet.protection.sheet = True


class _Writer:
    """Writes one sheet: fields, what is asked, the table, its checks, and how it prints."""

    def __init__(
        self, s: Specification, sheet: Worksheet, plan: Layout, part: str | None, serial: str,
        recheck: Recheck | None = None,
    ) -> None:  # fmt: skip
        self.recheck = recheck
        self.s, self.sheet, self.plan, self.part, self.serial = s, sheet, plan, part, serial
        lower, upper = (np.array([getattr(h.size, side) for h in s.holes]) for side in ("lower", "upper"))
        self.size, self.place, self.off = size_reach(lower, upper), place_reach(s), position_tolerance(s)
        self.spans, self.edges = size_spans(s), edge_span(s)

    def write(self, paper: str, *, pencil: bool = False, titles: bool = True) -> None:
        self._title()
        self._fields()
        self._asked()
        self._headings()
        for number, row in enumerate(self.plan.rows, start=self.plan.first_row):
            self._row(number, row)
        self._choices()
        if pencil:
            self._fill_page()
        else:
            self._state()
            self._legend()
            mark_checks(self.sheet, self.plan, self.s.unit)
        print_setup(self.sheet, self.plan, self.s, paper, titles=titles)
        if self.recheck is not None:
            self.sheet.print_area = f"A1:{cell_name(self.plan.last_row + 3 + len(LEGEND), self.plan.width)}"
        protect(self.sheet)

    def _fill_page(self) -> None:
        """Make the rows of a sheet without checks so high that they fill a page laid across."""
        banner(self.sheet, self.plan.last_row + 2, self.plan, SIGNATURE, "signature")
        scale = min(1.0, PAGE[0] / (5.6 * sum(column.width for column in self.plan.columns)))
        high = PAGE[1] / scale - sum(d.height or 15.0 for d in self.sheet.row_dimensions.values())
        for number in range(self.plan.first_row, self.plan.last_row + 1):
            self.sheet.row_dimensions[number].height = max(ROW_HEIGHT, ROW_HEIGHT + high / len(self.plan.rows))

    def _title(self) -> None:
        for row, (text, kind) in enumerate(zip(top(self.s), ("title", "marker", "how to"), strict=True), start=1):
            banner(self.sheet, row, self.plan, text, kind)

    def _fields(self) -> None:
        labels = {word: label for label, word in FIELDS.items()}
        filled = {
            "part": self.part or "", "serial": self.serial, "gauge:diameter": self.s.plan.diameter_gauge,
            "gauge:distance": self.s.plan.gauge_of("distance"),
            "gauge:position": self.s.plan.position_gauge, "recheck": self.recheck.of if self.recheck else "",
        }  # fmt: skip
        for row, word in enumerate(self.plan.fields, start=FIRST_FIELD_ROW):
            label(self.sheet, row, FIELD_COLUMN, labels[word])
            kind = {"date": "date", "temperature_c": "temperature"}.get(word, "text")
            field(self.sheet, row, ENTRY_COLUMN, kind)
            if filled.get(word):
                write_text(self.sheet.cell(row, ENTRY_COLUMN), filled[word])

    def _asked(self) -> None:
        """Write what is asked beside the fields, as many lines as there are rows; the last takes what is left."""
        for row, text in enumerate(asked_lines(self.s, self.plan), start=FIRST_FIELD_ROW):
            asked_line(self.sheet, row, FIRST_ASKED_COLUMN, self.plan.width, text)

    def _headings(self) -> None:
        for number, column in enumerate(self.plan.columns, start=1):
            heading(self.sheet, self.plan.heading_row, number, column)

    def _row(self, number: int, row: Row) -> None:
        for column, what in enumerate(self.plan.columns, start=1):
            cell = self.sheet.cell(number, column)
            if what.entry:
                entry(cell, what.holds, self.s.unit, asked=what.holds in row.asked)
            else:
                locked(cell, what.holds, self.s.unit)
                self._locked_value(cell, what.holds, number, row)
        self.sheet.row_dimensions[number].height = ROW_HEIGHT

    def _locked_value(self, cell: Any, holds: str, number: int, row: Row) -> None:
        hole, plan = row.hole, self.plan
        if holds in {"hole", "wall"}:
            write_text(cell, hole.id if holds == "hole" else row.wall)
        elif holds in {"found_before", "decided"} and self.recheck is not None:
            before = self.recheck.found.get((hole.id, row.wall), "") or "accepted"
            decided = self.recheck.decided.get(hole.id, "") or "nothing"
            heading, text = ("Found before", before) if holds == "found_before" else ("Decided", decided)
            write_text(cell, before_text(heading, text))
        elif holds in PRINTED:
            value = printed(self.s, holds, hole)
            if holds.removesuffix("_asked") in OF_WORD.keys() - row.asked - {"position"}:
                return
            if isinstance(value, str):
                write_text(cell, value)
            else:
                cell.value = value
        elif holds in {"basic_x", "basic_y"}:
            cell.value = self._basic(holds[-1], hole.x if holds == "basic_x" else hole.y)
        elif holds == "size_check" and "diameter" in row.asked:
            wanted = len(plan.of("diameter"))
            limits = (plan.cell("lower", number), plan.cell("upper", number))
            asked = hole.form.out_of_roundness
            form = 0.5 * hole.size.band if asked is None else asked
            cell.value = size_check(
                plan.span("diameter", number), wanted, *limits, self.s.unit, form, self._size_bounds(number, hole)
            )
        elif holds == "position_check" and "x" in row.asked:
            cell.value = self._position_check(number, row)
        elif holds == "edge_distance_check" and "edge_distance" in row.asked:
            cell.value = edge_check(
                plan.cell("edge_distance", number), plan.cell("edge_distance_asked", number),
                tuple(self.edges[self._number(hole)].tolist()),
            )  # fmt: skip
        elif holds.removesuffix("_check") in row.asked & hole.measured.keys():
            cell.value = self._measured_check(holds.removesuffix("_check"), number, hole)
        elif holds == "plug_check" and row.asked & {"go", "no_go", "surface"}:
            cell.value = self._plug_check(number, row)

    def _measured_check(self, word: str, number: int, hole: Hole) -> str:
        what, at = OF_WORD[word], self._number(hole)
        lower, upper = (limit[at] for limit in measured_limits(self.s, word))
        believed = measured_span(lower, upper, what)
        far = measured_reach(lower, upper, what).far
        return measured_check(
            self.plan.cell(word, number), (float(lower), float(upper)), (float(believed[0]), float(believed[1])),
            float(far), what,
        )  # fmt: skip

    def _basic(self, axis: str, drawn: float) -> Any:
        """Return a basic dimension in the frame of the part's readings; a formula where the part is still to choose."""
        signs = {p.name: p.signs()[0 if axis == "x" else 1] for p in self.s.parts}
        if self.part is not None:
            return drawn * signs[self.part] + 0.0
        turned = [name for name, sign in signs.items() if sign < 0]
        if not turned:
            return drawn
        part = self.plan.fields["part"]
        row = int(part[1:])
        names = ",".join(f'$C${row}="{name.replace(chr(34), chr(34) * 2)}"' for name in turned)
        return f"=IF(OR({names}),-1,1)*{number(drawn)}"

    def _position_check(self, number: int, row: Row) -> str:
        plan, hole = self.plan, row.hole
        stated = hole.position.tolerance
        bonus = hole.size.band if hole.position.condition in {"MMC", "LMC"} else 0.0
        most = (stated or 0.0) + bonus
        near = max(most, NEAR * hole.size.upper)
        basic = (plan.cell("basic_x", number), plan.cell("basic_y", number))
        cells = (plan.cell("x", number), plan.cell("y", number))
        return position_check(*cells, basic, (stated, most), near, self.s.unit, self._place_bounds(number, hole))

    def _number(self, hole: Hole) -> int:
        return self.s.hole_ids.index(hole.id)

    def _rows_of(self, hole: Hole) -> list[int]:
        return [n for n, row in enumerate(self.plan.rows, start=self.plan.first_row) if row.hole is hole]

    def _size_bounds(self, number: int, hole: Hole) -> SizeBounds:
        at, rows = self._number(hole), self._rows_of(hole)
        far = float(self.size.far[at])
        return SizeBounds(
            self.plan.span("diameter", rows[0], rows[-1]), tuple(merged(self.spans[at])),
            (hole.size.lower - far - GRAIN, hole.size.upper + far + GRAIN), float(self.size.apart[at]),
        )  # fmt: skip

    def _place_bounds(self, number: int, hole: Hole) -> PlaceBounds:
        at, plan = self._number(hole), self.plan
        others = tuple((plan.cell("x", n), plan.cell("y", n)) for n in self._rows_of(hole) if n != number)
        x, basic_x, y, basic_y = (
            plan.span(word, plan.first_row, plan.last_row) for word in ("x", "basic_x", "y", "basic_y")
        )
        reach = self.place
        return PlaceBounds(
            float(self.off[at]), float(reach.far[at]), float(reach.absurd[at]), float(reach.apart[at]), others,
            (x, basic_x, y, basic_y),
        )  # fmt: skip

    def _plug_check(self, number: int, row: Row) -> str:
        plan, hole = self.plan, row.hole
        go, no_go, surface = (
            plan.cell(word, number) if word in row.asked else "" for word in ("go", "no_go", "surface")
        )
        sizes = (plan.span("diameter", number), len(plan.of("diameter")), plan.cell("lower", number),
                 plan.cell("upper", number))  # fmt: skip
        return plug_check(go, no_go, surface, sizes, (hole.surface.clean, hole.surface.burr_free),
                                   (hole.plugs.go or 0.0, hole.plugs.no_go or 0.0,
                                    float(bound("plug share") * self.size.apart[self._number(hole)])))  # fmt: skip

    def _state(self) -> None:
        plan = self.plan
        ranges: list[str] = []
        total = 0
        for word in (*BY_GAUGE, *WORDS):
            rows = [n for n, row in enumerate(plan.rows, start=plan.first_row) if word in row.asked]
            total += len(rows) * len(plan.of(word))
            if plan.of(word) and rows:
                ranges.append(plan.span(word, plan.first_row, plan.last_row))
        checks = [
            plan.span(check, plan.first_row, plan.last_row)
            for check in CHECKS
            if plan.of(check)
        ]
        text = state(ranges, total, checks, plan.fields)
        banner(self.sheet, plan.heading_row - 1, plan, text, "state")

    def _legend(self) -> None:
        for row, text in enumerate(LEGEND, start=self.plan.last_row + 2):
            banner(self.sheet, row, self.plan, text, "legend")
        last = self.plan.last_row + 2 + len(LEGEND)
        banner(self.sheet, last, self.plan, SIGNATURE, "signature")
        if self.recheck is not None and not self.recheck.plan:
            banner(self.sheet, last + 1, self.plan, MARKS_LEGEND, "legend")

    def _choices(self) -> None:
        plan = self.plan
        for column, (word, items) in enumerate(choices(self.s).items(), start=1):
            letter = cell_name(1, column)[:-1]
            source = f"{LISTS_SHEET}!${letter}$2:${letter}${len(items) + 1}"
            if word in plan.fields:
                choice(self.sheet, source, plan.fields[word])
            elif plan.of(word):
                choice(self.sheet, source, plan.span(word, plan.first_row, plan.last_row))
        for word in BY_GAUGE:
            if plan.of(word):
                number_only(self.sheet, plan.span(word, plan.first_row, plan.last_row))
        date_only(self.sheet, plan.fields["date"])


# Blank sheet of a gauge study: who reads which part when, in an order shuffled by a stated seed.
#
# The first sheet holds the table alone, headings in the first row, so that ``holeqc gauge-study`` reads it as it is
# once
# filled; the second says what to do. Nobody but the person who runs the study should see which part comes when.


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
