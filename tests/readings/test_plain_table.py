"""Tables with headings: every cell a value or a named problem. Cases are our own; no outside source applies."""

from __future__ import annotations

import datetime
from pathlib import Path

import numpy as np
import pytest

from holeqc.__main__ import run
from holeqc.problems import DataError, ReadingsError
from holeqc.readings.plain_table import columns_between, label_column, number_column, read_table


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
    rows = "a,x\n0.455,1\n7/16,2\n>0.462,3\n0.455 in,4\nn/a,5\nnan,6\n0x1,7\n1_0,8\n0.4S5,9\n"
    with pytest.raises(ReadingsError) as error:
        number_column(read_table(write(tmp_path, rows)), "a")
    at = {p.cell.removesuffix(", column a"): p for p in error.value.problems}
    assert set(at) == {f"row {i}" for i in (4, 5, 7, 8, 9, 10)}
    assert "cut off" in at["row 4"].action
    assert "unit" in at["row 5"].action
    assert "likely 0.455" in at["row 10"].message


def test_one_cause_is_one_line(tmp_path: Path) -> None:
    rows = "a,x\n" + "0.455,1\n" * 20 + "".join(f"see {n} below {n},9\n" for n in range(20, 60))
    with pytest.raises(ReadingsError) as error:
        number_column(read_table(write(tmp_path, rows)), "a")
    assert len(error.value.problems) == 1
    assert "40 cells" in error.value.problems[0].message
    assert error.value.problems[0].cell.endswith("and 35 more")


def test_missing_marks_are_missing(tmp_path: Path) -> None:
    rows = "a,x\n0.455,1\n-,2\n--,3\nn/a,4\n,5\nN/A,6\n7/16,7\n"
    values, problems = number_column(read_table(write(tmp_path, rows)), "a")
    np.testing.assert_array_equal(values, [0.455, *[np.nan] * 5, 0.4375])
    assert [p.code for p in problems] == ["blank-cells"]
    assert "5 of 7" in problems[0].message
    assert problems[0].found.startswith("row 3, column a, row 4")


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
    ("", "t.csv", "empty-file"), ("a,b\n", "t.csv", "no-rows"), ("\n\n", "t.csv", "empty-sheet"),
    ("size,part\n" + "0.455,7\n" * 9 + "\x00\n", "t.csv", "binary-content"), ('a\n"1\n', "t.csv", "damaged-file"),
    ('a,b\n"1,2\n3,4\n5,6"\n', "t.csv", "damaged-file"), ("a,b\n1,2\n33", "t.csv", "cut-off"),
    ("%PDF-1.7 a,b\n1,2\n", "t.csv", "other-format"),
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
    assert [p.code for p in problems] == ["encoding-guessed"]


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
    assert "never been calculated" in found["A5"]
    assert "A6:A7" in found["A7"]


def test_a_cut_workbook_is_told(tmp_path: Path) -> None:
    path = tmp_path / "t.xlsx"
    path.write_bytes(b"PK\x03\x04half")
    with pytest.raises(ReadingsError) as error:
        read_table(path)
    assert codes(error) == ["damaged-file"]


@pytest.mark.parametrize("text", [
    "Bore log, bench 2\nfixture DF-1; shift A\n\npart|size|note\nP1|0,4551|\nP2|0,4562|a, b\n",
    "Report of day 3\npart,size\nP1,0.4551\npart,size\nP2,0.4562\n",
    "part;size [in];x\n;in;\nP1;0,4551;1\nP2;0,4562;2\n",
    "part;size;x\nP1;0,4551;1\nP2;0,4562;2\nmean;;\n",
])
def test_titles_bars_decimal_commas_and_headings_over_again(tmp_path: Path, text: str) -> None:
    table = read_table(write(tmp_path, text), wanted=["part", "size"])
    values, _ = number_column(table, "size")
    np.testing.assert_array_equal(values[:2], [0.4551, 0.4562])
    assert label_column(table, "part").tolist()[:2] == ["P1", "P2"]


def test_rows_above_the_headings_are_not_lost(tmp_path: Path) -> None:
    text = "part,size\n" + "a,0.455\n" * 5 + "part,size,gauge\n" + "b,0.456,BG-2\n" * 5
    for path in (write(tmp_path, text), write(tmp_path, "a,0.455\na,0.456\npart,size\nb,0.457\n", "u.csv")):
        with pytest.raises(ReadingsError) as error:
            number_column(read_table(path, wanted=["size", "part"]), "size")
        assert codes(error) == ["above-headings"]
    titled = "Size of holes\nsize\nlower limit,0.455\n\npart,size\na,0.457\nb,0.458\n"
    values, _ = number_column(read_table(write(tmp_path, titled), wanted=["size"]), "size")
    np.testing.assert_array_equal(values, [0.457, 0.458])


def test_a_row_of_summary_is_no_reading(tmp_path: Path) -> None:
    body = "".join(f"P{n},0.455{n}\n" for n in range(1, 6))
    with pytest.raises(ReadingsError) as error:
        number_column(read_table(write(tmp_path, f"part,size\n{body}Mean:,0.4553\n")), "size")
    assert codes(error) == ["summary-row"]
    assert error.value.problems[0].cell == "row 7, column size"
    # a column whose every other row says min is data
    rows = "kind,size\n" + "min,0.455\nmax,0.456\n" * 4
    assert number_column(read_table(write(tmp_path, rows)), "size")[0].size == 8


def test_a_packed_bomb_and_entities_are_refused(tmp_path: Path) -> None:
    import zipfile

    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (["size"], [0.455], [0.456]):
        sheet.append(row)
    book.save(tmp_path / "plain.xlsx")
    with zipfile.ZipFile(tmp_path / "plain.xlsx") as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}

    def again(name: str, sheet_xml: bytes) -> Path:
        with zipfile.ZipFile(tmp_path / name, "w", zipfile.ZIP_DEFLATED) as archive:
            for entry, content in parts.items():
                archive.writestr(entry, sheet_xml if entry == "xl/worksheets/sheet1.xml" else content)
        return tmp_path / name

    xml = parts["xl/worksheets/sheet1.xml"]
    bomb = again("bomb.xlsx", xml.replace(b"<sheetData>", b"<!--" + b" " * 60_000_000 + b"--><sheetData>"))
    assert bomb.stat().st_size < 100_000
    doctype = again("entities.xlsx", b'<!DOCTYPE x [<!ENTITY a "0.455">]>' + xml.split(b"?>", 1)[-1])
    for path, code in ((bomb, "zip-ratio"), (doctype, "unsafe-xml")):
        with pytest.raises(ReadingsError) as error:
            read_table(path, wanted=["size"])
        assert codes(error) == [code]


def test_merged_and_struck_cells(tmp_path: Path) -> None:
    import openpyxl
    from openpyxl.styles import Font

    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (["set-up", "size"], ["A", 0.455], [None, 0.456], ["B", 0.457], [None, 0.458]):
        sheet.append(row)
    sheet.merge_cells("A2:A3")
    sheet.merge_cells("A4:A5")
    book.save(tmp_path / "t.xlsx")
    table = read_table(tmp_path / "t.xlsx", wanted=["size", "set-up"])
    assert label_column(table, "set-up").tolist() == ["A", "A", "B", "B"]
    sheet["B3"].font = Font(strike=True)
    book.save(tmp_path / "t.xlsx")
    with pytest.raises(ReadingsError) as error:
        number_column(read_table(tmp_path / "t.xlsx"), "size")
    assert (codes(error), error.value.problems[0].cell) == (["struck-through"], "B3")
    sheet["B3"].font = Font()
    sheet["C3"] = 0.459
    sheet.merge_cells("B1:C1")
    book.save(tmp_path / "t.xlsx")
    with pytest.raises(ReadingsError) as error:
        read_table(tmp_path / "t.xlsx", wanted=["size"])
    assert codes(error) == ["merged-heading"]


def test_columns_in_a_range(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "part,x1,x2,x3\na,1,2,3\n"), wanted=["x1"])
    assert columns_between(table, ["x1..x3"]) == ("x1", "x2", "x3")
    assert columns_between(read_table(write(tmp_path, "x1..x3,x1\n1,2\n")), ["x1..x3"]) == ("x1..x3",)
    with pytest.raises(DataError, match="backward"):
        columns_between(table, ["x3..x1"])
    with pytest.raises(ReadingsError, match="x4"):
        number_column(table, columns_between(table, ["x1..x4"])[-1])


def test_another_sheet_that_has_the_column_is_named(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    first = book.active
    assert first is not None
    first.append(["read me"])
    for row in (["size"], [0.455]):
        (book["log"] if "log" in book.sheetnames else book.create_sheet("log")).append(row)
    book.save(tmp_path / "t.xlsx")
    with pytest.raises(ReadingsError, match="--sheet 'log'"):
        number_column(read_table(tmp_path / "t.xlsx", wanted=["size"]), "size")


@pytest.mark.parametrize("number", ["1e31", "-1e+230", "1e-200"])
@pytest.mark.parametrize(
    "command", ["gauge-study --value v --part p --appraiser a", "capability --column v", "chart --column v"]
)
def test_a_number_that_no_length_can_be_is_refused(
    number: str, command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [f"h{i % 3},{i % 2},{0.458 + i / 1e4:.4f}" for i in range(18)]
    rows[7] = f"h1,1,{number}"
    (tmp_path / "t.csv").write_text("p,a,v\n" + "\n".join(rows) + "\n", encoding="utf-8")
    name, *options = command.split()
    assert run([name, str(tmp_path / "t.csv"), *options]) == 2
    assert "row 9, column v: the number is too" in capsys.readouterr().err
    (tmp_path / "t.csv").write_text("p,a,v\n" + "\n".join(rows[:7]) + "\n", encoding="utf-8")
    if command.startswith("cap"):
        assert run([name, str(tmp_path / "t.csv"), *options, "--lower", "0", "--upper", number]) == 2
        assert "isn't between 1e-30 and 1e30" in capsys.readouterr().err
