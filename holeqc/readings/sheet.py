"""Blank reading sheets: a workbook to print or to type into, laid out as `holeqc.readings.marker` says."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc import writer
from holeqc.quantities import GRAIN
from holeqc.readings import sheet_formulas as formulas
from holeqc.readings import sheet_style as style
from holeqc.readings.believable import (
    bound,
    edge_span,
    merged,
    place_reach,
    position_tolerance,
    size_reach,
    size_spans,
)
from holeqc.readings.marker import (
    ENTRY_COLUMN,
    FIELD_COLUMN,
    FIELDS,
    FIRST_FIELD_ROW,
    FORMAT,
    LISTS_SHEET,
    MARKER_CELL,
    MARKER_NAME,
    Marker,
    before_text,
    marker_text,
    properties,
)
from holeqc.readings.sheet_layout import Layout, Recheck, Row, layout, sheet_names
from holeqc.readings.table import BURR, CLEAN, CRACK, DIRTY, ENTERS, STOPS, cell_name
from holeqc.specification.boundaries import required_edge
from holeqc.specification.words import asked, limits_line, tolerance_text

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

    from holeqc.specification.model import Hole, Specification

FIRST_ASKED_COLUMN = 6
HOW_TO = (
    "Type into the white cells only, in {unit}. Leave a cell empty if it was not read; never copy a reading down. "
    "{fraction}A red ✗ or amber ? says: measure again."
)
FRACTION = "Type 7/16 as 0.4375: a spreadsheet turns typed fractions into dates. "
CAUTION = (
    "Eye protection on, work clamped, mind chips and sharp edges. A check cell warns, it decides nothing: drawing, "
    "approved data and the person licensed to sign prevail."
)
LEGEND = (
    "✓ in limits    ✗ outside    ? look again: slip, text, or a position that needs bonus    … still to read",
    "Direction 0° lies along x, 90° along y. holeqc check also judges form (out-of-roundness, taper), edge distance, "
    "hole to hole, pins together and the decision rule; no ✓ on this sheet speaks for them.",
)
SIGNATURE = "Checked by (signature, date): ________________________________"


def _top(s: Specification) -> tuple[str, str, str]:
    """Return the texts of the first three rows: title, marker, how to fill it in."""
    title = f"Reading sheet. {limits_line(s)}" + (f". {s.title}" if s.title else "")
    unit, fraction = ("inch", FRACTION) if s.unit == "in" else ("millimetre", "")
    return title, marker_text(_marker(s)), f"{HOW_TO.format(unit=unit, fraction=fraction)} {CAUTION}"


def _asked_lines(s: Specification, plan: Layout) -> list[str]:
    """Return what is asked, as many lines as there are fields beside them; the last takes what is left."""
    lines = [phrase.sentence for phrase in asked(s) if phrase.topic != "Size" or phrase.holes == ""]
    room = len(plan.fields)
    return [*lines[: room - 1], "   ".join(lines[room - 1 :])] if len(lines) > room else lines


def own_texts(specification: Specification) -> frozenset[str]:
    """Return every text that the writer puts around the table of a blank sheet, so that a reader knows what is ours."""
    plan = layout(specification)
    return frozenset((*_top(specification), *_asked_lines(specification, plan), *LEGEND, SIGNATURE, *FIELDS))


#: columns of a blank sheet that print what the kit asks of a hole, in the same words and numbers in every row of it
PRINTED = frozenset({"lower", "upper", "edge_asked", "position_asked"})


def printed(specification: Specification, holds: str, hole: Hole) -> str | float | None:
    """Return what a blank sheet prints of a hole in one of the columns `PRINTED`, None for nothing."""
    if holds in {"lower", "upper"}:
        return hole.size.lower if holds == "lower" else hole.size.upper
    if holds == "edge_asked":
        return required_edge(hole)
    if hole.position.tolerance is None:
        return None
    return f"⌀{tolerance_text(hole.position.tolerance, specification.unit)} {hole.position.condition}"


def write_recheck(
    specification: Specification, path: str | os.PathLike[str], recheck: Recheck, paper: str = "a4", *,
    replace: bool = True,
) -> None:  # fmt: skip
    """Write a sheet of only what is read again of a part, with what was found and decided before.

    Raises:
        WriteError: the file is there and isn't to be replaced, or it can't be written.
    """
    from openpyxl import Workbook

    (name,) = sheet_names([recheck.serial])
    book = Workbook()
    book.remove(book.active)
    sheet = book.create_sheet(name)
    _Writer(specification, sheet, layout(specification, recheck), recheck.part, recheck.serial, recheck).write(paper)
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
) -> None:
    """Write a blank reading sheet, one sheet a serial number, for one part or with a choice of parts.

    ``paper`` is ``a4`` or ``letter``; ``replace``: whether a file that is there already is written over.

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
    for name, serial in zip(names, serials or [""], strict=True):
        sheet = book.create_sheet(name)
        _Writer(specification, sheet, plan, part, serial).write(paper)
    _write_lists(book, specification)
    _write_marker(book, specification, names[0])
    with writer.file(path, replace=replace) as out:
        book.save(out)


def _marker(specification: Specification) -> Marker:
    return Marker(specification.id, specification.revision, specification.unit, FORMAT)


def _write_marker(book: Workbook, specification: Specification, first: str) -> None:
    from openpyxl.packaging.custom import StringProperty
    from openpyxl.workbook.defined_name import DefinedName

    for name, value in properties(_marker(specification)).items():
        book.custom_doc_props.append(StringProperty(name=name, value=value))
    quoted = first.replace("'", "''")
    cell = f"${MARKER_CELL[0]}${MARKER_CELL[1:]}"
    book.defined_names[MARKER_NAME] = DefinedName(MARKER_NAME, attr_text=f"'{quoted}'!{cell}")
    book.properties.title = f"Reading sheet {specification.id} revision {specification.revision}"
    book.properties.creator = "holeqc"


def choices(specification: Specification) -> dict[str, list[str]]:
    """Return what may be chosen in each field or column with a drop-down."""
    s = specification
    found = {
        "part": [p.name for p in s.parts],
        "go": [ENTERS, STOPS],
        "no_go": [STOPS, ENTERS],
        "surface": [CLEAN, BURR, DIRTY, CRACK],
    }
    for word, measures in (
        ("gauge:diameter", {"diameter"}), ("gauge:position", {"x", "y"}), ("gauge:edge_distance", {"edge_distance"}),
        ("gauge:plugs", {"go", "no_go"}),
    ):  # fmt: skip
        able = [g.id for g in s.gauges if measures & set(g.measures)]
        if able:
            found[word] = able
    return found


def _write_lists(book: Workbook, specification: Specification) -> None:
    sheet = book.create_sheet(LISTS_SHEET)
    for column, (word, items) in enumerate(choices(specification).items(), start=1):
        for row, item in enumerate([word, *items], start=1):
            style.write_text(sheet.cell(row, column), item)
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

    def write(self, paper: str) -> None:
        self._title()
        self._fields()
        self._asked()
        self._headings()
        for number, row in enumerate(self.plan.rows, start=self.plan.first_row):
            self._row(number, row)
        self._state()
        self._legend()
        self._choices()
        style.mark_checks(self.sheet, self.plan, self.s.unit)
        style.print_setup(self.sheet, self.plan, self.s, paper)
        style.protect(self.sheet)

    def _title(self) -> None:
        for row, (text, kind) in enumerate(zip(_top(self.s), ("title", "marker", "how to"), strict=True), start=1):
            style.banner(self.sheet, row, self.plan, text, kind)

    def _fields(self) -> None:
        labels = {word: label for label, word in FIELDS.items()}
        filled = {
            "part": self.part or "", "serial": self.serial, "gauge:diameter": self.s.plan.diameter_gauge,
            "gauge:position": self.s.plan.position_gauge, "recheck": self.recheck.of if self.recheck else "",
        }  # fmt: skip
        for row, word in enumerate(self.plan.fields, start=FIRST_FIELD_ROW):
            style.label(self.sheet, row, FIELD_COLUMN, labels[word])
            kind = {"date": "date", "temperature_c": "temperature"}.get(word, "text")
            style.field(self.sheet, row, ENTRY_COLUMN, kind)
            if filled.get(word):
                style.write_text(self.sheet.cell(row, ENTRY_COLUMN), filled[word])

    def _asked(self) -> None:
        """Write what is asked beside the fields, as many lines as there are rows; the last takes what is left."""
        for row, text in enumerate(_asked_lines(self.s, self.plan), start=FIRST_FIELD_ROW):
            style.asked_line(self.sheet, row, FIRST_ASKED_COLUMN, self.plan.width, text)

    def _headings(self) -> None:
        for number, column in enumerate(self.plan.columns, start=1):
            style.heading(self.sheet, self.plan.heading_row, number, column)

    def _row(self, number: int, row: Row) -> None:
        for column, what in enumerate(self.plan.columns, start=1):
            cell = self.sheet.cell(number, column)
            if what.entry:
                style.entry(cell, what.holds, self.s.unit, asked=what.holds in row.asked)
            else:
                style.locked(cell, what.holds, self.s.unit)
                self._locked_value(cell, what.holds, number, row)
        self.sheet.row_dimensions[number].height = style.ROW_HEIGHT

    def _locked_value(self, cell: Any, holds: str, number: int, row: Row) -> None:
        hole, plan = row.hole, self.plan
        if holds in {"hole", "wall"}:
            style.write_text(cell, hole.id if holds == "hole" else row.wall)
        elif holds in {"found_before", "decided"} and self.recheck is not None:
            before = self.recheck.found.get((hole.id, row.wall), "") or "accepted"
            decided = self.recheck.decided.get(hole.id, "") or "nothing"
            heading, text = ("Found before", before) if holds == "found_before" else ("Decided", decided)
            style.write_text(cell, before_text(heading, text))
        elif holds in PRINTED:
            value = printed(self.s, holds, hole)
            if isinstance(value, str):
                style.write_text(cell, value)
            elif holds != "edge_asked" or "edge_distance" in row.asked:
                cell.value = value
        elif holds in {"basic_x", "basic_y"}:
            cell.value = self._basic(holds[-1], hole.x if holds == "basic_x" else hole.y)
        elif holds == "size_check" and "diameter" in row.asked:
            wanted = len(plan.of("diameter"))
            limits = (plan.cell("lower", number), plan.cell("upper", number))
            asked = hole.form.out_of_roundness
            form = 0.5 * hole.size.band if asked is None else asked
            cell.value = formulas.size_check(
                plan.span("diameter", number), wanted, *limits, self.s.unit, form, self._size_bounds(number, hole)
            )
        elif holds == "position_check" and "x" in row.asked:
            cell.value = self._position_check(number, row)
        elif holds == "edge_check" and "edge_distance" in row.asked:
            cell.value = formulas.edge_check(
                plan.cell("edge_distance", number), plan.cell("edge_asked", number),
                tuple(self.edges[self._number(hole)].tolist()),
            )  # fmt: skip
        elif holds == "plug_check" and row.asked & {"go", "no_go", "surface"}:
            cell.value = self._plug_check(number, row)

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
        return f"=IF(OR({names}),-1,1)*{formulas.number(drawn)}"

    def _position_check(self, number: int, row: Row) -> str:
        plan, hole = self.plan, row.hole
        stated = hole.position.tolerance
        bonus = hole.size.band if hole.position.condition in {"MMC", "LMC"} else 0.0
        most = (stated or 0.0) + bonus
        near = max(most, formulas.NEAR * hole.size.upper)
        basic = (plan.cell("basic_x", number), plan.cell("basic_y", number))
        cells = (plan.cell("x", number), plan.cell("y", number))
        return formulas.position_check(
            *cells, basic, (stated, most), near, self.s.unit, self._place_bounds(number, hole)
        )

    def _number(self, hole: Hole) -> int:
        return self.s.hole_ids.index(hole.id)

    def _rows_of(self, hole: Hole) -> list[int]:
        return [n for n, row in enumerate(self.plan.rows, start=self.plan.first_row) if row.hole is hole]

    def _size_bounds(self, number: int, hole: Hole) -> formulas.SizeBounds:
        at, rows = self._number(hole), self._rows_of(hole)
        far = float(self.size.far[at])
        return formulas.SizeBounds(
            self.plan.span("diameter", rows[0], rows[-1]), tuple(merged(self.spans[at])),
            (hole.size.lower - far - GRAIN, hole.size.upper + far + GRAIN), float(self.size.apart[at]),
        )  # fmt: skip

    def _place_bounds(self, number: int, hole: Hole) -> formulas.PlaceBounds:
        at, plan = self._number(hole), self.plan
        others = tuple((plan.cell("x", n), plan.cell("y", n)) for n in self._rows_of(hole) if n != number)
        x, basic_x, y, basic_y = (
            plan.span(word, plan.first_row, plan.last_row) for word in ("x", "basic_x", "y", "basic_y")
        )
        reach = self.place
        return formulas.PlaceBounds(
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
        return formulas.plug_check(go, no_go, surface, sizes, (hole.surface.clean, hole.surface.burr_free),
                                   (hole.plugs.go or 0.0, hole.plugs.no_go or 0.0,
                                    float(bound("plug share") * self.size.apart[self._number(hole)])))  # fmt: skip

    def _state(self) -> None:
        plan = self.plan
        entries = ["diameter", "x", "y", "edge_distance", "go", "no_go", "surface"]
        ranges: list[str] = []
        total = 0
        for word in entries:
            rows = [n for n, row in enumerate(plan.rows, start=plan.first_row) if word in row.asked]
            total += len(rows) * len(plan.of(word))
            if plan.of(word) and rows:
                ranges.append(plan.span(word, plan.first_row, plan.last_row))
        checks = [
            plan.span(check, plan.first_row, plan.last_row)
            for check in ("size_check", "position_check", "edge_check", "plug_check")
            if plan.of(check)
        ]
        text = formulas.state(ranges, total, checks, plan.fields)
        style.banner(self.sheet, plan.heading_row - 1, plan, text, "state")

    def _legend(self) -> None:
        for row, text in enumerate(LEGEND, start=self.plan.last_row + 2):
            style.banner(self.sheet, row, self.plan, text, "legend")
        style.banner(self.sheet, self.plan.last_row + 2 + len(LEGEND), self.plan, SIGNATURE, "signature")

    def _choices(self) -> None:
        plan = self.plan
        for column, (word, items) in enumerate(choices(self.s).items(), start=1):
            letter = cell_name(1, column)[:-1]
            source = f"{LISTS_SHEET}!${letter}$2:${letter}${len(items) + 1}"
            if word in plan.fields:
                style.choice(self.sheet, source, plan.fields[word])
            elif plan.of(word):
                style.choice(self.sheet, source, plan.span(word, plan.first_row, plan.last_row))
        for word in ("diameter", "x", "y", "edge_distance"):
            if plan.of(word):
                style.number_only(self.sheet, plan.span(word, plan.first_row, plan.last_row))
        style.date_only(self.sheet, plan.fields["date"])
