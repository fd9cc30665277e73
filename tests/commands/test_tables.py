"""The table reader: every cell a value or a named problem. Cases are our own; no outside source applies."""

from __future__ import annotations

import datetime
from pathlib import Path

import numpy as np
import pytest

from holeqc.commands.tables import label_column, number_column, read_table
from holeqc.problems import ReadingsError


def write(folder: Path, text: str, name: str = "t.csv", encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def codes(error: pytest.ExceptionInfo[ReadingsError]) -> list[str]:
    return [p.code for p in error.value.problems]


@pytest.mark.parametrize(("text", "values"), [
    ("size\n0.455\n0.456\n", [0.455, 0.456]),
    ("size;x\n0,455;1\n0,4565;2\n", [0.455, 0.4565]),
    ("size;x\n10,044;1\n10,045;2\n", [10.044, 10.045]),
    ("size\n10,03\n10,044\n", [10.03, 10.044]),
    ('size,x\n"0,455",1\n.456,2\n', [0.455, 0.456]),
    ("size\tx\n1e-3\t2\n−0.5\t3\n", [0.001, -0.5]),
    ("# a remark, with commas\n\nsize\n1\n\n2\n", [1.0, 2.0]),
    ("\ufeffsize\r\n1.5\r\n2\r\n", [1.5, 2.0]),
])
def test_numbers_are_read_as_written(tmp_path: Path, text: str, values: list[float]) -> None:
    got, _ = number_column(read_table(write(tmp_path, text)), "Size ")
    np.testing.assert_array_equal(got, values)


def test_every_bad_cell_is_named_at_once(tmp_path: Path) -> None:
    rows = "a,x\n0.455,1\n7/16,2\n>0.462,3\n0.455 in,4\nn/a,5\nnan,6\n0x1,7\n1_0,8\n"
    with pytest.raises(ReadingsError) as error:
        number_column(read_table(write(tmp_path, rows)), "a")
    assert [p.cell for p in error.value.problems] == [f"row {i}, column a" for i in range(3, 10)]
    actions = [p.action for p in error.value.problems]
    assert "decimal" in actions[0]
    assert "cut off" in actions[1]
    assert "unit" in actions[2]


def test_a_comma_that_could_be_thousands_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReadingsError, match="row 2"):
        number_column(read_table(write(tmp_path, "a\n1,234\n")), "a")


def test_mixed_decimal_signs_are_read_and_told(tmp_path: Path) -> None:
    values, problems = number_column(read_table(write(tmp_path, "a;b\n0,455;1\n0.456;2\n")), "a")
    np.testing.assert_array_equal(values, [0.455, 0.456])
    assert [p.code for p in problems] == ["decimal-comma"]
    assert problems[0].severity == "warning"


def test_blank_cells_are_counted_not_dropped(tmp_path: Path) -> None:
    values, problems = number_column(read_table(write(tmp_path, "a,b\n1,x\n,y\n3,z\n")), "a")
    np.testing.assert_array_equal(values, [1, np.nan, 3])
    assert "1 of 3" in problems[0].message
    assert problems[0].found == "row 3, column a"


def test_a_surplus_cell_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReadingsError) as error:
        read_table(write(tmp_path, "part,size\n1,0,455\n2,0.4\n"))
    assert codes(error) == ["surplus-cells"]
    assert error.value.problems[0].cell == "row 2"


@pytest.mark.parametrize(("text", "name", "code"), [
    ("", "t.csv", "empty-file"), ("a,b\n", "t.csv", "no-rows"), ("a\n1\n", "t.doc", "unknown-kind"),
    ("a\x00b\n1\n", "t.csv", "not-text"), ('a\n"1\n', "t.csv", "broken-quotes"),
])
def test_unusable_files(tmp_path: Path, text: str, name: str, code: str) -> None:
    with pytest.raises(ReadingsError) as error:
        read_table(write(tmp_path, text, name))
    assert codes(error) == [code]


def test_a_missing_file_and_column_say_what_exists(tmp_path: Path) -> None:
    with pytest.raises(ReadingsError) as error:
        read_table(tmp_path / "none.csv")
    assert codes(error) == ["no-file"]
    with pytest.raises(ReadingsError) as error:
        number_column(read_table(write(tmp_path, "size,part\n1,2\n")), "sise")
    assert "Did you mean 'size'" in error.value.problems[0].action
    with pytest.raises(ReadingsError) as error:
        number_column(read_table(write(tmp_path, "size,size\n1,2\n")), "size")
    assert codes(error) == ["doubled-heading"]


def test_old_encoding_is_told(tmp_path: Path) -> None:
    _, problems = number_column(read_table(write(tmp_path, "Maß\n1\n", encoding="cp1252")), "Maß")
    assert [p.code for p in problems] == ["old-encoding"]


def test_labels(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "set-up,size\nA,1\nb,2\n,3\n"))
    with pytest.raises(ReadingsError, match="row 4"):
        label_column(table, "set-up")
    with pytest.raises(ReadingsError) as error:
        label_column(read_table(write(tmp_path, "s,x\nA,1\na,2\n")), "s")
    assert codes(error) == ["label-spelling"]


def test_workbook_cells_keep_their_kind(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "log"
    for row in ([None, None], [None, "part", "size"], [None, 1, 0.455], [None, 2.0, "0,4561"], [None, "p3", None]):
        sheet.append(row)
    path = tmp_path / "t.xlsx"
    book.save(path)
    table = read_table(path, "log")
    values, problems = number_column(table, "size")
    np.testing.assert_array_equal(values, [0.455, 0.4561, np.nan])
    assert label_column(table, "part").tolist() == ["1", "2", "p3"]
    assert any(p.found == "C5" for p in problems)
    with pytest.raises(ReadingsError, match="no sheet 'other'"):
        read_table(path, "other")


def test_workbook_traps_are_named(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["size", "part"])
    for cell in (datetime.datetime(2024, 7, 16), True, "#DIV/0!", "=A2+1"):
        sheet.append([cell, "p"])
    sheet.append([1.0, "q"])
    sheet.append([None, None])
    sheet.append([2.0, "q"])
    sheet.merge_cells("A6:A7")
    sheet["B7"] = "q"
    path = tmp_path / "t.xlsx"
    book.save(path)
    with pytest.raises(ReadingsError) as error:
        number_column(read_table(path), "size")
    found = {p.cell: p.message + p.action for p in error.value.problems}
    assert set(found) == {"A2", "A3", "A4", "A5", "A7"}
    assert "date" in found["A2"]
    assert "never calculated" in found["A5"]
    assert "A6:A7" in found["A7"]


def test_a_cut_workbook_is_told(tmp_path: Path) -> None:
    path = tmp_path / "t.xlsx"
    path.write_bytes(b"PK\x03\x04half")
    with pytest.raises(ReadingsError) as error:
        read_table(path)
    assert codes(error) == ["damaged-file"]
