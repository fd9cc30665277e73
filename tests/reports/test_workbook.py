"""The evaluated workbook: sheets, cells as text or number, streamed rows, the same bytes each time."""

from __future__ import annotations

import datetime as dt
import textwrap
import zipfile
from pathlib import Path
from typing import Any

import made_up
import openpyxl
import pytest

from holeqc.inspection.results import Inspection
from holeqc.inspection.view import Run
from holeqc.reports import workbook
from holeqc.reports.workbook import write_workbook

SHEETS = ["Verdicts", "Holes", "Characteristics", "Pins", "Readings", "Problems", "Columns", "About"]


def book_of(found: Inspection, folder: Path) -> Any:
    path = folder / "evaluated.xlsx"
    with open(path, "wb") as file:
        write_workbook(Run(found), file)
    return openpyxl.load_workbook(path)


def column(sheet: Any, name: str) -> list[Any]:
    heads = [cell.value for cell in sheet[1]]
    return [row[heads.index(name)].value for row in sheet.iter_rows(min_row=2)]


def test_sheets_and_their_rows(one: Inspection, tmp_path: Path) -> None:
    book = book_of(one, tmp_path)
    assert book.sheetnames == SHEETS
    frames = {"Verdicts": one.parts, "Holes": one.holes, "Characteristics": one.characteristics, "Pins": one.pins}
    for name, frame in (frames | {"Readings": one.readings.table}).items():
        assert book[name].max_row == len(frame) + 1
        assert book[name].freeze_panes == "A2"
        assert book[name].auto_filter.ref.endswith(str(len(frame) + 1))
    assert book["Problems"].max_row == len(made_up.PROBLEMS) + 1


def test_verdicts_carry_mark_and_word(one: Inspection, tmp_path: Path) -> None:
    book = book_of(one, tmp_path)
    assert column(book["Verdicts"], "Verdict") == ["✗ reject"]
    assert column(book["Holes"], "Verdict").count("✓ accept") == 4
    assert set(column(book["Characteristics"], "Verdict")) == {"✓ accept", "? hold", "✗ reject"}


def test_numbers_are_numbers_days_are_days_and_readings_know_their_cell(one: Inspection, tmp_path: Path) -> None:
    sheet = book_of(one, tmp_path)["Readings"]
    values = one.readings.table["value"].tolist()
    assert column(sheet, "Value") == pytest.approx(values, abs=1e-12)
    assert column(sheet, "Day") == [dt.datetime(2026, 5, 4)] * len(values)
    assert column(sheet, "Cell")[:3] == ["F9", "F10", "F11"]
    assert set(column(sheet, "File")) == {"bl7_P-0112.xlsx"}
    assert [type(x) for x in column(sheet, "As typed")[:2]] == [str, str]


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@x", "=cmd|' /C calc'!A0", "#REF!", "007", "TRUE", " x ", "a&b<c>"]
)
def test_typed_text_stays_text(text: str, tmp_path: Path) -> None:
    found = made_up.inspection(((text, text, made_up.BAD),))
    found.readings.table["note"] = text
    made_up.take_over(found)
    book = book_of(found, tmp_path)
    for name in SHEETS[:5]:
        sheet = book[name]
        heads = [cell.value for cell in sheet[1]]
        cell = sheet.cell(2, heads.index("Serial") + 1)
        assert (cell.value, cell.data_type) == (text, "s")
        assert bool(cell.quotePrefix) == (text[0] in "=+-@")
    with zipfile.ZipFile(tmp_path / "evaluated.xlsx") as file:
        for name in file.namelist():
            assert b"<f>" not in file.read(name)


def test_characters_that_xml_refuses_are_shown(tmp_path: Path) -> None:
    book = book_of(made_up.inspection((("port", "a\x00b\uffffc\x1fd", made_up.CLEAN),)), tmp_path)
    assert column(book["Verdicts"], "Serial") == ["a[U+0000]b[U+FFFF]c[U+001F]d"]


def test_a_long_table_goes_on_in_a_further_sheet(
    one: Inspection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workbook, "MOST_ROWS", 50)
    book = book_of(one, tmp_path)
    names = [name for name in book.sheetnames if name.startswith("Readings")]
    assert names == ["Readings", "Readings 2"]
    values = [value for name in names for value in column(book[name], "Value")]
    assert values == pytest.approx(one.readings.table["value"].tolist(), abs=1e-12)


def test_the_same_run_gives_the_same_bytes(tmp_path: Path) -> None:
    first, second = tmp_path / "a.xlsx", tmp_path / "b.xlsx"
    for path in (first, second):
        with open(path, "wb") as file:
            write_workbook(Run(made_up.inspection(made_up.six_parts())), file)
    assert first.read_bytes() == second.read_bytes()


def test_about_names_rule_files_and_cautions(one: Inspection, tmp_path: Path) -> None:
    sheet = book_of(one, tmp_path)["About"]
    text = " ".join(str(row[1].value) for row in sheet.iter_rows(min_row=2))
    for words in ("BL-7 revision C", made_up.DIGEST, "simple acceptance", "eye protection", "Local codes", "estimate"):
        assert words in text


def test_a_run_without_parts_is_still_a_workbook(tmp_path: Path) -> None:
    book = book_of(made_up.inspection(()), tmp_path)
    assert book.sheetnames == SHEETS
    assert book["Verdicts"].max_row == 1


def test_headings_stand_in_full_and_long_texts_wrap_in_rows_that_are_high_enough(tmp_path: Path) -> None:
    """One line of 10 points takes 13 points at least; a word wider than its column would be broken in two."""
    found = made_up.inspection()
    sentence = "Hole 5 is small: ream it to 0.4575 in with reamer 0.4575; clamp the part, wear eye protection. " * 2
    found.holes["rework"] = sentence
    made_up.take_over(found)
    found.readings.table["note"] = sentence
    made_up.take_over(found)
    book = book_of(found, tmp_path)
    for name in SHEETS[:6]:
        sheet = book[name]
        for cell in sheet[1]:
            width = sheet.column_dimensions[cell.column_letter].width
            assert max(len(word) for word in cell.value.split()) <= 0.85 * width, (name, cell.value)
            lines = len(textwrap.wrap(cell.value, int(0.85 * width)))
            assert sheet.row_dimensions[1].height >= 13 * lines
    for name, head in (("Holes", "Rework"), ("Readings", "Note")):
        sheet = book[name]
        place = [cell.value for cell in sheet[1]].index(head)
        cell = sheet[2][place]
        assert cell.value == sentence.strip() or cell.value == sentence
        assert cell.alignment.wrap_text
        width = sheet.column_dimensions[cell.column_letter].width
        assert sheet.row_dimensions[2].height >= 13 * len(sentence) / width


def test_a_doubtful_value_is_no_number_and_a_lower_limit_has_no_ratio(one: Inspection, tmp_path: Path) -> None:
    frame = one.characteristics
    chosen = (frame["hole"] == "3") & (frame["wall"] == "far") & (frame["characteristic"] == "size")
    frame.loc[chosen, ["doubtful", "found"]] = [True, 4.578]
    edge = frame["characteristic"] == "edge distance"
    frame.loc[edge, ["lower", "upper", "ratio"]] = [0.924, float("nan"), 770.0]
    sheet = book_of(one, tmp_path)["Characteristics"]
    place = frame.index.get_loc(frame.index[chosen][0])
    assert column(sheet, "Found")[place] is None
    assert column(sheet, "Found, word")[place].startswith("doubtful: 4.5780 typed, see cell ")
    kinds = column(sheet, "Characteristic")
    ratios = [r for kind, r in zip(kinds, column(sheet, "Tolerance / 2 U"), strict=True) if kind == "edge distance"]
    assert ratios
    assert set(ratios) == {None}
