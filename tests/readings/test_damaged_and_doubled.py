"""Files that end in the middle of a row, files named twice, readings struck through."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from making import codes, kit, only, read, text_file, wide, workbook
from openpyxl.styles import Font

from holeqc.inspection.recheck import inspect

TODAY = dt.date(2026, 11, 30)
LONG = ["Serial", "Part", "Hole", "Wall", "What", "Direction", "Reading"]


def long_rows(serial: str) -> list[list[Any]]:
    return [[serial, "port", hole, "near", "diameter", turn, 0.4581] for hole in (1, 2, 3, 4) for turn in (0, 90)]


def cut(path: Path, rows: list[list[Any]], off: int, ending: str = "") -> Path:
    """Write rows as text without its last ``off`` characters."""
    text = path.read_text() if rows is None else "\n".join(",".join(map(str, row)) for row in rows)
    path.write_text(text[: len(text) - off] + ending)
    return path


def test_a_cut_last_row_is_told_and_holds_its_part(tmp_path: Path) -> None:
    rows = [LONG, *long_rows("P-7"), *long_rows("P-8")]
    path = cut(tmp_path / "half.csv", rows, len("near,diameter,90,0.4581"))  # ends in 'P-8,port,4,'
    path.write_text(path.read_text().rstrip(","))
    spec = kit()
    readings = read(path, spec, today=TODAY)
    problem = only(readings, "cut-row")
    assert (problem.cell, problem.part, problem.serial, problem.hole) == ("C17", "port", "P-8", "")
    assert problem.holds
    assert problem.severity == "error"
    assert "ends in the middle of this row" in problem.message
    assert problem.found == "'4' at its end"


def test_what_is_left_of_the_row_is_doubtful(tmp_path: Path) -> None:
    # wide rows: the cut goes through Dia 90, so Dia 0 is whole, and still the row may be wrong
    path = cut(tmp_path / "half.csv", wide(), len("85,10.5022,5.7501"))
    table = read(path, kit(), today=TODAY).table
    assert table["doubt"][table["row"] == 9].tolist() == ["cut-row", "cut-row"]
    assert (table["doubt"][table["row"] < 9] == "").all()


def test_a_cut_serial_number_holds_every_part_of_the_file(tmp_path: Path) -> None:
    rows = [LONG, *long_rows("P-700"), *long_rows("P-800")]
    path = cut(tmp_path / "half.csv", rows, len("00,port,4,near,diameter,90,0.4581"))
    problem = only(read(path, kit(), today=TODAY), "cut-row")
    assert (problem.part, problem.serial, problem.cell, problem.holds) == ("", "", "A17", True)


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_a_short_last_row_with_a_line_end_is_whole(ending: str, tmp_path: Path) -> None:
    path = cut(tmp_path / "a.csv", wide(), len(",5.7501"), ending)
    assert "cut-row" not in codes(read(path, kit(), today=TODAY))


def test_no_line_end_alone_is_no_cut(tmp_path: Path) -> None:
    assert codes(read(cut(tmp_path / "a.csv", wide(), 0), kit(), today=TODAY)) == []
    rows = wide()
    rows[4] = rows[4][:8]  # rows of different lengths are this program's habit
    assert "cut-row" not in codes(read(cut(tmp_path / "b.csv", [*rows[:-1], rows[-1][:8]], 0), kit(), today=TODAY))


def test_a_file_named_twice_is_read_once(tmp_path: Path) -> None:
    path = text_file(tmp_path / "a.csv", wide())
    readings = read([path, path], kit(), today=TODAY)
    assert codes(readings) == ["file-twice"]
    problem = only(readings, "file-twice")
    assert (problem.file, problem.message) == (str(path), "the file is named twice: it is read once")
    assert (len(readings.table), len(readings.sources)) == (32, 1)


def test_a_copy_of_a_file_is_read_once(tmp_path: Path) -> None:
    path, copy = workbook(tmp_path / "a.xlsx", wide()), tmp_path / "copy.xlsx"
    shutil.copy(path, copy)
    readings = read([path, copy], kit(), today=TODAY)
    problem = only(readings, "file-twice")
    assert codes(readings) == ["file-twice"]
    assert (problem.file, problem.message) == (str(copy), f"the file holds the same bytes as {path}: it is read once")


def test_struck_through_readings_hold(tmp_path: Path) -> None:
    path = workbook(tmp_path / "a.xlsx", wide({(1, "near", 0): 0.4700}))
    book = openpyxl.load_workbook(path)
    page = book.active
    for cell in ("F2", "G5", "A3", "E9"):  # two diameters, a serial number, a wall
        page[cell].font = Font(strike=True)
    page["F4"].font = Font(bold=True)
    book.save(path)
    spec = kit()
    readings = read(path, spec, today=TODAY)
    told = [(p.cell, p.severity, p.holds) for p in readings.problems if p.code == "struck-through"]
    assert told == [("F2", "warning", True), ("G5", "warning", True)]
    table = readings.table
    assert table["value"][table["doubt"] == "struck-through"].tolist() == [0.4700, 0.4581]
    frame = inspect(spec, readings).characteristics
    size = frame[(frame["characteristic"] == "size") & (frame["hole"] == "1") & (frame["wall"] == "near")]
    assert size["verdict"].tolist() == [1], "0.4700 is out of limits; crossed out it decides nothing"
