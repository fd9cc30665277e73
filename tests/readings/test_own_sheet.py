"""Sheets of our own, filled: every entry comes back from the cell it was typed in; other kits' sheets are refused."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from making import GOOD, KIT, KIT_MM, codes, kit, only, read, rewritten, text_file

from holeqc.problems import ReadingsError
from holeqc.readings.read import declared_kit
from holeqc.readings.sheet import write_sheet
from holeqc.readings.sheet_layout import FIELDS, Marker, marker_text, parse_heading
from holeqc.specification.model import Specification

TODAY = dt.date(2026, 11, 30)
#: heading -> what is typed under it for a hole and wall
ENTRIES: dict[str, Any] = {"GO": "enters", "NO-GO": "does not enter", "Surface": "clean", "Edge distance [in]": 1.0}


def filled(path: Path, spec: Specification, serials: tuple[str, ...] = ("P-1",)) -> Path:
    """Write a blank sheet and fill every white cell."""
    write_sheet(spec, path, part=spec.parts[0].name, serials=serials)
    book = openpyxl.load_workbook(path)
    for number, serial in enumerate(serials):
        page = book[serial]
        for row in range(4, 20):
            label = page.cell(row, 1).value
            entry = {"Date": dt.date(2026, 11, 2), "Measured by": "bench 2", "Temperature [°C]": 21.5}.get(str(label))
            if label in FIELDS and entry is not None:
                page.cell(row, 3, entry)
        head = next(r for r in range(1, 40) if page.cell(r, 1).value == "Hole" and page.cell(r, 2).value == "Wall")
        headings = {str(page.cell(head, c).value): c for c in range(1, page.max_column + 1)}
        for row in range(head + 1, page.max_row + 1):
            hole, wall = page.cell(row, 1).value, page.cell(row, 2).value
            if hole is None:
                break
            values = dict(
                zip(("Diameter 0° [in]", "Diameter 90° [in]", "x [in]", "y [in]"), GOOD[int(hole), wall], strict=True)
            )
            for heading, value in (values | ENTRIES).items():
                if heading in headings:
                    page.cell(row, headings[heading], value + number * 1e-4 if isinstance(value, float) else value)
    book.save(path)
    return path


def test_a_filled_sheet_comes_back(tmp_path: Path) -> None:
    spec = kit()
    readings = read(filled(tmp_path / "sheet.xlsx", spec), spec, today=TODAY)
    table = readings.table
    # four holes, two walls: two diameters, x, y, GO, NO-GO, surface, and the edge where the sheet asks for it
    assert len(table) == 8 * (8 if "edge_distance" in set(table["characteristic"]) else 7)
    assert [p for p in readings.problems if p.severity != "note"] == []
    sizes = table[table["characteristic"] == "diameter"]
    for hole, wall, direction, value in sizes[["hole", "wall", "direction", "value"]].itertuples(index=False):
        assert value == GOOD[int(hole), wall][int(direction // 90)]
    assert set(table["serial"]) == {"P-1"}
    assert set(table["part"]) == {"port"}
    assert {str(d)[:10] for d in table["date"]} == {"2026-11-02"}
    assert set(table["by"]) == {"bench 2"}
    assert set(table["temperature_c"]) == {21.5}
    assert set(sizes["gauge"]) == {"BG-2"}
    assert set(table[table["characteristic"] == "x"]["gauge"]) == {"CM-1"}
    assert set(table[table["characteristic"] == "go"]["word"]) == {"enters"}
    assert (table["doubt"] == "").all()


def test_every_address_is_the_cell_that_was_typed(tmp_path: Path) -> None:
    spec = kit()
    path = filled(tmp_path / "sheet.xlsx", spec)
    page = openpyxl.load_workbook(path)["P-1"]
    for _, row in read(path, spec, today=TODAY).table.iterrows():
        content = page.cell(row["row"], row["column"]).value
        assert content == (row["word"] or row["value"])
        head = parse_heading(
            page.cell(next(r for r in range(1, 40) if page.cell(r, 1).value == "Hole"), row["column"]).value
        )
        assert head is not None
        assert head.word == row["characteristic"]


def test_a_sheet_a_serial(tmp_path: Path) -> None:
    spec = kit()
    readings = read(filled(tmp_path / "sheet.xlsx", spec, ("P-1", "P-2", "P-3")), spec, today=TODAY)
    assert readings.table.groupby("serial", observed=True).size().nunique() == 1
    assert set(readings.table["serial"]) == {"P-1", "P-2", "P-3"}
    assert codes(readings) == []


def test_a_blank_sheet_is_a_part_without_readings(tmp_path: Path) -> None:
    spec = kit()
    write_sheet(spec, tmp_path / "sheet.xlsx", part="port", serials=["P-1"])
    readings = read(tmp_path / "sheet.xlsx", spec, today=TODAY)
    problem = only(readings, "no-readings")
    assert (problem.serial, problem.part, problem.holds, problem.cell) == ("P-1", "port", True, "C5")
    assert codes(readings) == ["no-readings"]


def test_the_sheet_says_its_kit(tmp_path: Path) -> None:
    write_sheet(kit(), tmp_path / "sheet.xlsx", part="port")
    assert declared_kit(tmp_path / "sheet.xlsx") == ("T-4", "B")
    readings = read(filled(tmp_path / "full.xlsx", kit()), kit(), today=TODAY)
    assert (readings.sources[0].kit_id, readings.sources[0].kit_revision) == ("T-4", "B")


def test_another_revision_and_another_kit_are_refused(tmp_path: Path) -> None:
    path = filled(tmp_path / "sheet.xlsx", kit())
    for other, found, allowed in (
        (KIT.replace('revision = "B"', 'revision = "C"'), "revision B", "revision C"),
        (KIT.replace('id = "T-4"', 'id = "T-5"'), "kit T-4", "kit T-5"),
    ):
        with pytest.raises(ReadingsError) as error:
            read(path, kit(other), today=TODAY)
        problem = error.value.problems[0]
        assert (problem.found, problem.allowed, problem.cell) == (found, allowed, "A2")


def test_the_document_says_it_where_the_cell_was_overwritten(tmp_path: Path) -> None:
    path = filled(tmp_path / "sheet.xlsx", kit())
    book = openpyxl.load_workbook(path)
    book["P-1"]["A2"] = "filled on Monday"
    book.save(path)
    assert declared_kit(path) == ("T-4", "B")
    with pytest.raises(ReadingsError, match="another revision"):
        read(path, kit(KIT.replace('revision = "B"', 'revision = "C"')), today=TODAY)


def test_a_later_layout_is_refused(tmp_path: Path) -> None:
    path = filled(tmp_path / "sheet.xlsx", kit())
    old, new = marker_text(Marker("T-4", "B", "in")), marker_text(Marker("T-4", "B", "in", "9"))
    escape = {'"': "&quot;"}
    for name in ("xl/worksheets/sheet1.xml", "xl/sharedStrings.xml"):
        for a, b in ((old, new), (old.replace('"', escape['"']), new.replace('"', escape['"']))):
            try:
                rewritten(path, {name: lambda t, a=a, b=b: t.replace(a, b)})
            except KeyError:
                continue
    with pytest.raises(ReadingsError, match="layout"):
        read(path, kit(), today=TODAY)


def test_a_sheet_saved_as_text_comes_back_too(tmp_path: Path) -> None:
    spec = kit()
    page = openpyxl.load_workbook(filled(tmp_path / "sheet.xlsx", spec))["P-1"]
    rows = [["" if str(v).startswith("=") else v for v in row] for row in page.iter_rows(values_only=True)]
    path = text_file(tmp_path / "sheet.csv", rows)
    assert declared_kit(path) == ("T-4", "B")
    text, book = read(path, spec, today=TODAY).table, read(tmp_path / "sheet.xlsx", spec, today=TODAY).table
    assert text["value"].fillna(0).tolist() == book["value"].fillna(0).tolist()
    assert text["word"].tolist() == book["word"].tolist()
    assert set(text["serial"]) == {"P-1"}


def test_a_kit_in_millimetres(tmp_path: Path) -> None:
    spec = kit(KIT_MM)
    write_sheet(spec, tmp_path / "sheet.xlsx", serials=["D-1"])
    book = openpyxl.load_workbook(tmp_path / "sheet.xlsx")
    page = book["D-1"]
    head = next(r for r in range(1, 40) if page.cell(r, 1).value == "Hole")
    column = next(c for c in range(1, 30) if page.cell(head, c).value == "Diameter 0° [mm]")
    page.cell(head + 1, column, 11.58)
    book.save(tmp_path / "sheet.xlsx")
    table = read(tmp_path / "sheet.xlsx", spec).table
    assert table[["hole", "wall", "value", "unit"]].astype(object).to_numpy().tolist() == [["A", "single", 11.58, "mm"]]
