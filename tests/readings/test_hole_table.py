"""Hole tables as drawings carry them become kit files that load; what isn't clear is named by its cell."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from making import cell_xml

from holeqc.__main__ import run
from holeqc.problems import ReadingsError
from holeqc.readings.hole_table import HoleTable, kit_text, read_hole_table, understood
from holeqc.specification.load import load_specification, parse_specification
from holeqc.specification.model import Specification

Captured = pytest.CaptureFixture[str]

AS_DRAWN = """BL7-210 HOLE TABLE,,,,
Drawing:,BL7-210,,,
Rev:,C,,,
ALL DIMENSIONS IN INCHES,,,,
,,,,
HOLE,X,Y,SIZE,FINISH
A1,1.500,1.250,.455 +.007 -.000,DRILL
A2,4.5,1.25,.455 +.007/-.000 THRU,DRILL
B1,7 1/2,1.25,29/64 +.009 +.002,REAM
,,,,
NOTE 1: DEBURR,,,,
"""


def table(tmp_path: Path, text: str, unit: str = "", name: str = "holes.csv") -> HoleTable:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return read_hole_table(path, unit)


def kit(made: HoleTable) -> Specification:
    return parse_specification(kit_text(made, "made", "made.toml"), "made.toml")


def sizes(s: Specification) -> list[tuple[float, float]]:
    return [(h.size.lower, h.size.upper) for h in s.holes]


def refused(tmp_path: Path, text: str, unit: str = "in") -> dict[str, str]:
    with pytest.raises(ReadingsError) as caught:
        table(tmp_path, text, unit)
    return {p.cell: p.message for p in caught.value.problems}


def test_a_table_with_title_rows_and_notes_as_a_drawing_carries_it(tmp_path: Path) -> None:
    made = table(tmp_path, AS_DRAWN)
    s = kit(made)
    assert (s.id, s.unit, s.drawing, s.revision, s.hole_ids) == ("made", "in", "BL7-210", "C", ("A1", "A2", "B1"))
    assert [(h.x, h.y) for h in s.holes] == [(1.5, 1.25), (4.5, 1.25), (7.5, 1.25)]
    assert sizes(s)[:2] == [(0.455, 0.462)] * 2
    assert sizes(s)[2] == pytest.approx((29 / 64 + 0.002, 29 / 64 + 0.009), abs=1e-12)
    said = "\n".join(understood(made))
    assert "headings in row 6, 3 holes in rows 7 to 9, inch by the lines above the table" in said
    assert "E6    FINISH                        NOT USED" in said
    assert "not used: A1 'BL7-210 HOLE TABLE'" in said
    assert "not used: A11 'NOTE 1: DEBURR'" in said


@pytest.mark.parametrize(("text", "limits"), [
    ("Hole;X [mm];Y [mm];Ø;Tol\n1;30,0;30,0;8,00;H9\n2;150,5;30;8,00;H9\n", [(8.0, 8.036)] * 2),
    ("hole,x (mm),y (mm),size\n1,30,30,8.00 H9\n2,150,30,12.5 +0.11 0\n", [(8.0, 8.036), (12.5, 12.61)]),
    ("No\tX\tY\tLower limit\tUpper limit\n\tmm\tmm\tmm\tmm\n1\t30\t30\t12.5\t12.61\n", [(12.5, 12.61)]),
    ("id,x,y,nominal (mm),upper dev,lower dev\n1,30,30,12.5,+0.2,+0.1\n", [(12.6, 12.7)]),
    ("id,x,y,size (mm),±\n1,30,30,12.5,0.05\n", [(12.45, 12.55)]),
    ("id,x,y,dia (mm),+,-\n1,30,30,12.5,0.05,-0.02\n2,90,30,12.5,+0.05,0.02\n", [(12.48, 12.55)] * 2),
    ("id,x,y,size,lower,upper,unit\n1,30,30,12.5,12.5,12.61,mm\n", [(12.5, 12.61)]),
])  # fmt: skip
def test_ways_to_say_a_size(text: str, limits: list[tuple[float, float]], tmp_path: Path) -> None:
    """8 H9: 8.000 to 8.036 (ISO 286-2, H9 over 6 to 10 mm: 0 and +36 micrometres); the rest is arithmetic."""
    s = kit(table(tmp_path, text))
    assert s.unit == "mm"
    for found, wanted in zip(sizes(s), limits, strict=True):
        assert found == pytest.approx(wanted, abs=1e-9)


def test_units_that_differ_by_column_are_kept_and_none_is_guessed(tmp_path: Path) -> None:
    text = "hole,x (mm),y (mm),lower (in),upper (in)\n1,38.1,31.75,0.455,0.462\n2,114.3,31.75,0.455,0.462\n"
    s = kit(table(tmp_path, text))
    assert (s.unit, s.holes[0].x, s.holes[1].x) == ("in", pytest.approx(1.5), pytest.approx(4.5))
    assert sizes(s) == [(0.455, 0.462)] * 2
    bare = "hole,x,y,size,plus,minus\n1,1.5,1.25,5/16,.006,.001\n"
    assert refused(tmp_path, bare, "") == {"A1": "the table doesn't say its unit"}
    assert sizes(kit(table(tmp_path, bare, "in"))) == [(0.3115, 0.3185)]


def test_holes_without_names_are_counted_and_that_is_told(tmp_path: Path) -> None:
    made = table(tmp_path, "x (in),y (in),size\n1.5,1.25,.455 +.007 -0\n4.5,1.25,.455 +.007 -0\n")
    assert kit(made).hole_ids == ("1", "2")
    assert "they are counted from 1" in "\n".join(understood(made))


@pytest.mark.parametrize(("row", "cell", "message"), [
    ("1,,1.25,.455 +.007 -0", "B2", "basic dimension along x is missing"),
    ("1,1.5,l.25,.455 +.007 -0", "C2", "a letter stands in the number: likely 1.25"),
    ("1,1.5,1.25,", "D2", "the size is missing"),
    ("1,1.5,1.25,1/4-20 UNC", "D2", "this is not a size as drawings print it"),
    ("1,1.5,1.25,.455 H99", "D2", "H99"),
    (",1.5,1.25,.455 +.007 -0", "A2", "the hole has no name"),
])  # fmt: skip
def test_a_cell_that_is_not_clear_is_named(row: str, cell: str, message: str, tmp_path: Path) -> None:
    found = refused(tmp_path, f"hole,x,y,size\n{row}\n")
    assert list(found) == [cell]
    assert message in found[cell]


def test_all_cells_come_at_once(tmp_path: Path) -> None:
    text = "hole,qty,x,y,size,plus,minus\n1,4,a,1.25,.455,.007,0\n2,1,4.5,,.455,-.007,+.001\n"
    assert set(refused(tmp_path, text)) == {"B2", "C2", "D3", "F3", "G3"}


def test_the_tolerance_is_not_taken_twice_and_limits_must_agree(tmp_path: Path) -> None:
    twice = refused(tmp_path, "hole,x,y,size,plus\n1,1.5,1.25,.455 +.007 -0,.007\n")
    assert "twice" in twice["D2"]
    other = refused(tmp_path, "hole,x,y,size,lower,upper\n1,1.5,1.25,.455 +.007 -0,.455,.463\n")
    assert other == {"E2": "the limits are not those that the size says"}
    unclear = refused(tmp_path, "hole,x,y,size,tol\n1,1.5,1.25,.455,.007\n")
    assert unclear == {"E2": "it isn't clear which tolerance this is"}


def workbook(tmp_path: Path, rows: list[list[Any]], second: bool = False) -> Path:
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in rows:
        sheet.append(row)
    if second:
        other = book.create_sheet("more")
        for row in rows:
            other.append(row)
    path = tmp_path / "holes.xlsx"
    book.save(path)
    return path


@pytest.mark.parametrize("column", list("BCDEF"))
def test_a_number_beyond_all_numbers_is_named(column: str, tmp_path: Path) -> None:
    path = workbook(tmp_path, [["hole", "x", "y", "size", "plus", "minus"], ["1", 1.5, 1.25, 0.455, 0.007, 0]])
    with pytest.raises(ReadingsError) as caught:
        read_hole_table(cell_xml(path, f"{column}2", f'<c r="{column}2"><v>1e400</v></c>'), "in")
    assert [p.cell for p in caught.value.problems] == [f"{column}2"]


def test_a_workbook_with_a_fraction_that_became_a_date_and_a_hidden_row(tmp_path: Path) -> None:
    import datetime as dt

    import openpyxl

    head = ["Hole", "X (in)", "Y (in)", "Size", "Plus", "Minus"]
    path = workbook(tmp_path, [head, [1, 1.5, 1.25, "5/16", 0.006, 0.001], [2, 4.5, 1.25, 0.3125, 0.006, -0.001]])
    made = read_hole_table(path)
    assert sizes(kit(made)) == [(0.3115, 0.3185)] * 2
    assert kit(made).hole_ids == ("1", "2")
    assert "[size]" in kit_text(made, "a", "a.toml")  # 5/16 and 0.3125 are one size
    book = openpyxl.load_workbook(path)
    book.active["D3"] = dt.date(2026, 5, 16)
    book.active.row_dimensions[2].hidden = True
    book.save(path)
    with pytest.raises(ReadingsError) as caught:
        read_hole_table(path)
    assert {p.cell: p.message[:24] for p in caught.value.problems} == {
        "D3": "a date stands where a nu", "A2": "this row is hidden",
    }  # fmt: skip


def test_merged_sizes_count_for_all_their_rows_and_what_nobody_can_trust_is_named(tmp_path: Path) -> None:
    import openpyxl
    from openpyxl.styles import Font

    head = ["Hole", "X (in)", "Y (in)", "Size", "Bushing"]
    path = workbook(tmp_path, [head, ["A", 1.5, 1.25, ".455 +.007 -0", "B1"], ["B", 4.5, 1.25, None, "B2"]])
    book = openpyxl.load_workbook(path)
    book.active.merge_cells("D2:D3")
    book.save(path)
    assert sizes(kit(read_hole_table(path))) == [(0.455, 0.462)] * 2
    book.active.unmerge_cells("D2:D3")
    book.active["D3"] = "=D2"
    book.active["A3"] = "=A2"
    book.active["B2"].font = Font(strike=True)
    book.save(path)
    with pytest.raises(ReadingsError) as caught:
        read_hole_table(path)
    assert {p.cell: p.message[:33] for p in caught.value.problems} == {
        "A3": "this is no name", "B2": "this cell is struck through", "D3": "the formula has never been calcul",
    }  # fmt: skip


def test_several_sheets_with_tables_ask_which(tmp_path: Path) -> None:
    rows = [["Hole", "X (in)", "Y (in)", "Size"], [1, 1.5, 1.25, ".455 +.007 -0"]]
    path = workbook(tmp_path, rows, second=True)
    with pytest.raises(ReadingsError, match="--sheet"):
        read_hole_table(path)
    assert read_hole_table(path, sheet="more").sheet == "more"


def test_a_file_without_a_hole_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReadingsError, match="no hole table"):
        table(tmp_path, "serial,diameter\n1,0.455\n")


def test_the_command_writes_a_kit_that_shows_and_never_over_one(tmp_path: Path, capsys: Captured) -> None:
    source, file = tmp_path / "holes.csv", tmp_path / "made.toml"
    source.write_text(AS_DRAWN, encoding="utf-8")
    assert run(["kit", "new", str(file), "--from", str(source)]) == 0
    out = capsys.readouterr().out
    assert "Kit made rev C, inch: holes A1, A2 0.455 to 0.462; hole B1" in out
    assert "Still to be filled in: title, position tolerance" in out
    assert load_specification(file).drawing == "BL7-210"
    assert run(["kit", "show", str(file)]) == 0
    written = file.read_bytes()
    assert run(["kit", "new", str(file), "--from", str(source)]) == 2
    assert file.read_bytes() == written
    assert sorted(p.name for p in tmp_path.iterdir()) == ["holes.csv", "made.toml"]


def test_the_command_writes_nothing_where_the_kit_would_contradict_itself(tmp_path: Path, capsys: Captured) -> None:
    source, file = tmp_path / "holes.csv", tmp_path / "made.toml"
    source.write_text("hole,x (in),y (in),size\n1,1.5,1.25,.455 +.007 -0\n1,1.5,1.25,.455 +.007 -0\n", encoding="utf-8")
    assert run(["kit", "new", str(file), "--from", str(source)]) == 2
    err = capsys.readouterr().err
    assert "holes.csv, A3: hole '1' is there twice" in err
    assert "B3: hole '1' is at the same place as hole '1'" in err
    assert not file.exists()


def test_what_is_to_be_mended_or_filled_in_is_told_and_the_kit_judges_nothing(tmp_path: Path, capsys: Captured) -> None:
    source, file = tmp_path / "holes.csv", tmp_path / "made.toml"
    source.write_text("hole,x (in),y (in),lower,upper\n1,1.5,1.25,.3115,3.185\n", encoding="utf-8")
    assert run(["kit", "new", str(file), "--from", str(source)]) == 0
    assert "E2: limits far apart: 0.3115 to 3.185 in" in capsys.readouterr().err
    assert run(["kit", "show", str(file)]) == 2
    file.unlink()
    source.write_text("hole,x (in),y (in),dia\n1,1.5,1.25,5/16\n2,4.5,1.25,5/16\n", encoding="utf-8")
    assert run(["kit", "new", str(file), "--from", str(source)]) == 0
    captured = capsys.readouterr()
    assert "the TOLERANCE of the size" in captured.out
    assert captured.err.count("a nominal size alone gives the hole no limits") == 1
    assert run(["kit", "show", str(file)]) == 2
