"""Nothing that was typed vanishes in silence: it is a reading, a field, or it is named. Cases ours, common practice."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from making import GOOD, KIT_MM, codes, fill, kit, only, read, text_file, wide, workbook

from holeqc.readings.sheet import write_sheet

TODAY = dt.date(2026, 11, 30)
BLOCK = ["Hole", "Wall", "Dia 0", "Dia 90", "X", "Y"]


def block(serial: str, rows: list[list[Any]]) -> list[list[Any]]:
    return [["Serial:", serial, None, "Part:", "port"], BLOCK, *rows]


def body() -> list[list[Any]]:
    return [[h, w, *v] for (h, w), v in GOOD.items()]


@pytest.mark.parametrize("label", ["X9", None, "Hole 12"])
@pytest.mark.parametrize("kind", ["xlsx", "csv"])
def test_a_last_row_under_an_unknown_hole_is_no_title_of_the_next_block(label: Any, kind: str, tmp_path: Path) -> None:
    first = [*body(), [label, "near", 0.4581, 0.4582, 1.5, 1.25]]
    rows = [*block("P-7", first), *block("P-8", [[h, w, *(x + 0.0002 for x in v)] for (h, w), v in GOOD.items()])]
    path = workbook(tmp_path / "a.xlsx", rows) if kind == "xlsx" else text_file(tmp_path / "a.csv", rows)
    readings = read(path, kit(), today=TODAY)
    assert len(readings.table) == 32 + 4 + 32
    if label is None:  # the blank hole takes the one above, hole 4 near: a contradiction that is named
        assert "filled-down" in codes(readings)
        assert "contradicting-reading" in codes(readings)
    else:
        problem = only(readings, "unknown-hole")
        assert (problem.cell, problem.serial) == ("A11", "P-7")


def test_a_remark_with_a_colon_does_not_turn_a_row_into_a_footer(tmp_path: Path) -> None:
    rows = [
        [*row, n] for row, n in zip(wide(), ["Note", "Serial: see tag", *[None] * 6, "Gauge: changed"], strict=True)
    ]
    for path in (workbook(tmp_path / "a.xlsx", rows), text_file(tmp_path / "a.csv", rows)):
        readings = read(path, kit(), today=TODAY)
        assert len(readings.table) == 32
        assert codes(readings) == []
        assert set(readings.table["note"]) == {"", "Serial: see tag", "Gauge: changed"}


def test_a_blank_row_put_into_a_sheet_of_ours_does_not_end_it(tmp_path: Path) -> None:
    write_sheet(kit(), tmp_path / "a.xlsx", part="port", serials=["P-1"])
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    page = book["P-1"]
    head = next(r for r in range(1, 40) if page.cell(r, 1).value == "Hole")
    column = next(c for c in range(1, 30) if page.cell(head, c).value == "Diameter 0° [in]")
    for row in range(head + 1, head + 9):
        page.cell(row, column, 0.4581 + row * 1e-4)
    page.insert_rows(head + 4)
    book.save(tmp_path / "a.xlsx")
    assert len(read(tmp_path / "a.xlsx", kit(), today=TODAY).table) == 8


def test_a_column_without_heading_between_others(tmp_path: Path) -> None:
    rows = [[*row[:6], extra, *row[6:]] for row, extra in zip(wide(), ["", 1, 2, 3, 4, 5, 6, 7, 8], strict=True)]
    for path in (workbook(tmp_path / "a.xlsx", rows), text_file(tmp_path / "a.csv", rows)):
        problem = only(read(path, kit(), today=TODAY), "unread-column")
        assert problem.cell == "G2"
        assert "no heading" in problem.message
        assert "8 filled cells" in problem.message


def test_two_columns_of_one_name(tmp_path: Path) -> None:
    rows = [[*row, s] for row, s in zip(wide(), ["S/N", *["P-7"] * 7, "P-8"], strict=True)]
    problem = only(read(workbook(tmp_path / "a.xlsx", rows), kit(), today=TODAY), "double-column")
    assert (problem.cell, problem.found, problem.holds) == ("J9", "'P-8'", True)
    assert "1 row (row 9)" in problem.message


def test_two_fields_of_one_name(tmp_path: Path) -> None:
    rows = [["Serial:", "P-7"], ["Serial:", "P-9"], ["Part:", "port"], BLOCK, *body()]
    problem = only(read(workbook(tmp_path / "a.xlsx", rows), kit(), today=TODAY), "double-field")
    assert (problem.cell, problem.found, problem.holds) == ("B2", "'P-9'", True)
    assert "'P-7' in B1" in problem.message


def test_a_sheet_of_numbers_that_is_not_read_is_said(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    fill(book.active, wide())
    other = book.create_sheet("old plates")
    fill(other, [["Item", "Price"], *([n, n * 1.5] for n in range(8))])
    book.create_sheet("empty")
    book.save(tmp_path / "a.xlsx")
    problem = only(read(tmp_path / "a.xlsx", kit(), today=TODAY), "sheet-not-read")
    assert (problem.sheet, problem.severity, problem.found) == (
        "old plates", "warning", "in row 1 'Item', 'Price'; 9 filled rows, 16 numbers",
    )  # fmt: skip


def test_remarks_below_a_table_are_said(tmp_path: Path) -> None:
    rows = [
        ["Serial", "Hole", "Dia"],
        ["D-1", "A", 11.58],
        [],
        ["burr at the exit, will be dressed"],
        ["Checked by: bench 3"],
    ]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit(KIT_MM))
    assert readings.table["by"].tolist() == ["bench 3"]
    problem = only(readings, "cell-not-read")
    assert (problem.cell, problem.severity, problem.holds) == ("A4", "warning", True)
    assert "'burr'" in problem.message


def test_chosen_sheets_only(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    fill(book.active, wide())
    fill(book.create_sheet("again"), wide(serial="P-8", changes={(1, "near", 0): 0.4583}))
    book.save(tmp_path / "a.xlsx")
    assert set(read(tmp_path / "a.xlsx", kit(), today=TODAY, sheets=("again",)).table["serial"]) == {"P-8"}
