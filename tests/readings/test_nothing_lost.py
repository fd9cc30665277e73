"""Nothing that was typed vanishes in silence: it is a reading, a field, or it is named. Cases ours, common practice."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from making import GOOD, KIT_MM, codes, fill, kit, only, read, rewritten, text_file, wide, workbook

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


@pytest.mark.parametrize(("beside", "held"), [("P-9", True), (9.0, True), ("left side", False), ("BG-2", False)])
def test_what_may_be_another_serial_number_in_the_next_cell(beside: object, held: bool, tmp_path: Path) -> None:
    rows = [["Serial:", "P-7", beside], ["Part:", "port"], BLOCK, *body()]
    found = read(workbook(tmp_path / "a.xlsx", rows), kit(), today=TODAY).problems
    assert [p.cell for p in found if p.code == "double-field" and p.holds] == ["C1"] * held


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


MM_ROWS = [
    ["A", 11.58, 11.60, 20.05, 9.98],
    ["B", 11.61, 11.62, 60.02, 10.04],
    ["C", 11.55, 11.57, 39.97, 50.01],
]
MM_HEADS = ["Hole", "Dia 0", "Dia 90", "X", "Y"]
#: heading -> what follows from the rows above, by hand, and what B's can't be though it is inside every limit
WORKED_OUT = {
    "dX": ([0.05, 0.02, -0.03], 0.20),
    "dX reversed": ([-0.05, -0.02, 0.03], 0.20),  # basic less read: some shops count so
    "Average dia": ([11.59, 11.615, 11.56], 11.53),
    "Max dia": ([11.60, 11.62, 11.57], 11.66),
    "Out of roundness": ([0.02, 0.01, 0.02], 0.09),
    "True position": ([0.108, 0.089, 0.063], 0.31),  # twice the root of 0.05² + 0.02², and so on
    "Deviation": ([0.08, 0.11, 0.05], 0.17),  # of the first reading, from 11.5, which nobody says
}


@pytest.mark.parametrize("heading", WORKED_OUT)
def test_what_is_worked_out_on_a_sheet_follows_from_its_readings(heading: str, tmp_path: Path) -> None:
    right, odd = WORKED_OUT[heading]
    head = [*MM_HEADS, heading.removesuffix(" reversed")]
    for values in (right, [right[0], odd, right[2]]):
        rows = [head, *([*row, value] for row, value in zip(MM_ROWS, values, strict=True))]
        readings = read(text_file(tmp_path / f"M-{len(values)}.csv", rows), kit(KIT_MM), today=TODAY, serial="M-1")
        if values == right:
            assert "not-of-readings" not in codes(readings)
        else:
            problem = only(readings, "not-of-readings")
            assert (problem.cell, problem.hole, problem.holds) == ("F3", "B", True)


@pytest.mark.parametrize("text", ["&CREJECTED, see hole B", '&L&"Arial,Bold"&10hole B 11.74 on second look&RPage &P'])
def test_the_head_of_a_printed_page_is_read(text: str, tmp_path: Path) -> None:
    path = workbook(tmp_path / "a.xlsx", [MM_HEADS, *MM_ROWS])
    book = openpyxl.load_workbook(path)
    book["Sheet1"].oddHeader.center.text = "Bench 2"
    book.save(path)
    assert "comment-not-read" not in codes(read(path, kit(KIT_MM), today=TODAY, serial="M-1"))
    foot = f"<headerFooter><oddFooter>{text.replace('&', '&amp;')}</oddFooter></headerFooter>"
    rewritten(path, {"xl/worksheets/sheet1.xml": lambda xml: re.sub("<headerFooter>.*</headerFooter>", foot, xml)})
    assert only(read(path, kit(KIT_MM), today=TODAY, serial="M-1"), "comment-not-read").holds


@pytest.mark.parametrize("typed", [0.4651, "0.4651", "⌀0.090 MMC", "see back"])
@pytest.mark.parametrize("heading", ["Lower limit", "Upper limit", "Position asked", "Edge asked"])
def test_what_is_typed_over_the_print_of_our_sheet_holds(heading: str, typed: Any, tmp_path: Path) -> None:
    spec = kit()
    write_sheet(spec, tmp_path / "a.xlsx", part="port", serials=["P-1"])
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    page = book["P-1"]
    head = next(r for r in range(1, 40) if page.cell(r, 1).value == "Hole")
    at = {page.cell(head, c).value: c for c in range(1, page.max_column + 1)}
    for row, value in zip(range(head + 1, head + 9), body(), strict=True):
        assert page.cell(row, 1).value == str(value[0])
        page.cell(row, at["Diameter 0° [in]"]).value = value[2]
        page.cell(row, at["x [in]"]).value = value[4]
    book.save(tmp_path / "b.xlsx")
    assert "printed-over" not in codes(read(tmp_path / "b.xlsx", spec, today=TODAY))
    page.cell(head + 3, at[heading]).value = typed
    book.save(tmp_path / "c.xlsx")
    problem = only(read(tmp_path / "c.xlsx", spec, today=TODAY), "printed-over")
    assert (problem.hole, problem.holds) == ("2", True)


def test_a_number_under_the_hole_of_a_card_is_not_taken_for_its_heading(tmp_path: Path) -> None:
    cards = [
        line
        for name, one, other, x, y in MM_ROWS
        for line in (["Hole", name], ["Dia 0", one], ["Dia 90", other], ["X", x], ["Y", y], [])
    ]
    assert "cell-not-read" not in codes(read(workbook(tmp_path / "a.xlsx", cards), kit(KIT_MM), serial="M-1"))
    cards.insert(7, [None, 11.83])  # under 'Hole B', before its first line
    problem = only(read(workbook(tmp_path / "a.xlsx", cards), kit(KIT_MM), serial="M-1"), "cell-not-read")
    assert (problem.cell, problem.holds) == ("B8", True)


@pytest.mark.parametrize(("text", "holds"), [("B: 11.83 on second look", True), ("B 11.66", True), ("ask 41", False)])
def test_words_beside_holes_that_stand_side_by_side(text: str, holds: bool, tmp_path: Path) -> None:
    labels = ["Dia 0", "Dia 90", "X", "Y"]
    rows = [
        ["Hole", *(r[0] for r in MM_ROWS)],
        *([label, *(r[i] for r in MM_ROWS)] for i, label in enumerate(labels, 1)),
    ]
    rows[3].append(text)
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit(KIT_MM), serial="M-1")
    assert ("size-in-words" in codes(readings)) == holds


def test_a_sheet_that_says_no_serial_beside_one_that_does(tmp_path: Path) -> None:
    path = workbook(tmp_path / "a.xlsx", [["Serial", "M-1"], [], MM_HEADS, *MM_ROWS])
    book = openpyxl.load_workbook(path)
    other = book.create_sheet("again 2b")
    for row in [MM_HEADS, ["B", 11.83, 11.84, 60.02, 10.04]]:
        other.append(row)
    book.save(path)
    problem = only(read(path, kit(KIT_MM), today=TODAY), "whose-sheet")
    assert (problem.sheet, problem.serial, problem.holds) == ("again 2b", "", True)
    path = workbook(tmp_path / "b.xlsx", [MM_HEADS, *MM_ROWS], sheet="M-7")
    assert "whose-sheet" not in codes(read(path, kit(KIT_MM), today=TODAY))


@pytest.mark.parametrize(
    ("text", "holds"),
    [("A: 11.83 on second look", True), ("hole A = 11.83", True), ("hole A now 11.83", True), ("11.49 again", True),
     ("C: 2", False), ("see hole A", False)],
)
def test_a_size_of_another_hole_in_words_beside_a_row(text: str, holds: bool, tmp_path: Path) -> None:
    small = KIT_MM.replace('id = "C"', 'id = "C"\nsize = { lower = 4.0, upper = 4.1 }')  # 11.83 is nowhere near C
    rows = [MM_HEADS, *MM_ROWS[:2], ["C", 4.05, 4.06, 39.97, 50.01, text]]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit(small), serial="M-1")
    assert ("size-in-words" in codes(readings)) == holds


@pytest.mark.parametrize("word", ["direction", "trial", "unit"])
def test_a_defect_of_another_hole_typed_into_a_column_that_says_how(word: str, tmp_path: Path) -> None:
    head = ["Hole", "Feature", word, "Value"]
    rows = [[h, "Diameter", "", v] for h, v in (("A", 11.55), ("B", 11.56), ("C", 11.57))]
    rows[2][2] = "hole A NO-GO enters"
    readings = read(workbook(tmp_path / "a.xlsx", [head, *rows]), kit(KIT_MM), serial="M-1", today=TODAY)
    assert any(p.holds and "C" in str(p.cell) for p in readings.problems)


def test_numbers_where_rows_say_what_they_hold(tmp_path: Path) -> None:
    rows = [["", "A", "B", "C"], ["Dia 0", 11.55, 11.56, 11.57], [12.25, 11.55, 11.56, 11.57]]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit(KIT_MM), serial="M-1", today=TODAY)
    assert any(p.holds for p in readings.problems)


def test_a_defect_of_one_hole_in_a_line_of_headings(tmp_path: Path) -> None:
    rows = [["Hole", "Before", "Dia 0"], ["A", 11.1, 11.55], ["B", 11.1, 11.56], ["C", 11.1, 11.57]]
    path = workbook(tmp_path / "a.xlsx", [["", "hole B NO-GO enters", "Size"], *rows])
    assert any(p.holds for p in read(path, kit(KIT_MM), serial="M-1", today=TODAY).problems)
    path = workbook(tmp_path / "b.xlsx", [["", "hole B and others", "Size"], *rows])
    assert "cell-not-read" not in codes(read(path, kit(KIT_MM), serial="M-1", today=TODAY))
