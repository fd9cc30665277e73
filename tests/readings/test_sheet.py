"""The blank reading sheet: layout, marker, choices, and what its check cells say in a spreadsheet program."""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess
import zipfile
from pathlib import Path

import openpyxl
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from holeqc.problems import DataError
from holeqc.readings.sheet import write_sheet
from holeqc.readings.sheet_layout import (
    LISTS_SHEET,
    MARKER_NAME,
    Column,
    Marker,
    from_properties,
    heading,
    layout,
    marker_text,
    parse_heading,
    parse_marker,
    sheet_names,
)
from holeqc.readings.table import BURR, CLEAN, CRACK, ENTERS, STOPS
from holeqc.specification.load import load_specification, parse_specification
from holeqc.specification.model import Specification

BL7 = Path(__file__).parents[2] / "tolerances" / "bl7.toml"

# 28 holes of one row each: one for each case below
KIT = """
[kit]
id = "T-1"
revision = "=A"
unit = "in"
[[part]]
name = "left"
[[part]]
name = "right"
mirror_of = "left"
mirror = "x"
[size]
lower = 0.455
upper = 0.462
[position]
tolerance = 0.060
condition = "MMC"
[surface]
clean = true
[plugs]
go = 0.455
no_go = 0.462
[edge]
minimum = 0.9
""" + "".join(f'[[hole]]\nid = "{i + 1}"\nx = {1.5 + i}\ny = 1.25\n' for i in range(28))


@pytest.fixture(scope="module")
def bl7() -> Specification:
    return load_specification(BL7)


@pytest.fixture(scope="module")
def kit() -> Specification:
    return parse_specification(KIT)


def open_sheet(path: Path, name: str | None = None) -> Worksheet:
    book = openpyxl.load_workbook(path)
    sheet = book[name] if name else book.worksheets[0]
    assert isinstance(sheet, Worksheet)
    return sheet


def test_marker_survives_any_id() -> None:
    marker = Marker('B"L\\-7; kit ä', "=C", "mm")
    assert parse_marker(marker_text(marker)) == marker
    assert parse_marker("a reading sheet of somebody else") is None
    assert parse_marker(7.0) is None


@pytest.mark.parametrize(
    "column",
    [
        Column("diameter", 0.0, 1, "in"), Column("diameter", 22.5, 3, "mm"), Column("x", None, 2, "in"), Column("go"),
        Column("no_go"), Column("edge_distance", unit="in"), Column("hole"), Column("surface"), Column("note"),
    ],
)  # fmt: skip
def test_headings_are_read_back_as_written(column: Column) -> None:
    assert parse_heading(heading(column)) == column


def test_every_heading_that_is_written_is_known_to_the_marker(bl7: Specification, kit: Specification) -> None:
    for specification in (bl7, kit):
        for column in layout(specification).columns:
            assert parse_heading(column.heading) is not None, column.heading


def test_marker_stands_in_cell_properties_and_name(bl7: Specification, tmp_path: Path) -> None:
    path = tmp_path / "blank.xlsx"
    write_sheet(bl7, path)
    book = openpyxl.load_workbook(path)
    expected = Marker("BL-7", "C", "in")
    assert parse_marker(book.worksheets[0]["A2"].value) == expected
    assert from_properties({p.name: p.value for p in book.custom_doc_props.props}) == expected
    assert book.defined_names[MARKER_NAME].attr_text == "'Readings'!$A$2"
    assert book[LISTS_SHEET].sheet_state == "hidden"


def test_one_row_for_each_hole_and_wall_with_its_requirement(bl7: Specification, tmp_path: Path) -> None:
    path = tmp_path / "blank.xlsx"
    write_sheet(bl7, path, part="port", serials=["7"])
    sheet = open_sheet(path)
    plan = layout(bl7)
    assert [sheet.cell(plan.heading_row, c).value for c in (1, 2)] == ["Hole", "Wall"]
    rows = [(sheet.cell(r, 1).value, sheet.cell(r, 2).value) for r in range(plan.first_row, plan.last_row + 1)]
    assert rows == [(str(h), wall) for h in range(1, 9) for wall in ("near", "far")]
    first = {c.holds: sheet.cell(plan.first_row, i).value for i, c in enumerate(plan.columns, start=1)}
    assert (first["lower"], first["upper"], first["basic_x"], first["basic_y"]) == (0.455, 0.462, 1.5, 1.25)
    assert first["position_asked"] == "⌀0.060 MMC"
    assert sheet[plan.fields["part"]].value == "port"
    assert sheet[plan.fields["serial"]].value == "7"
    assert sheet.cell(plan.last_row + 1, 1).value is None, "the table must end at an empty row"


def test_entry_cells_are_unlocked_and_all_else_is_locked(bl7: Specification, tmp_path: Path) -> None:
    path = tmp_path / "blank.xlsx"
    write_sheet(bl7, path)
    sheet = open_sheet(path)
    plan = layout(bl7)
    assert sheet.protection.sheet
    assert not sheet.protection.password
    for number, column in enumerate(plan.columns, start=1):
        assert sheet.cell(plan.first_row, number).protection.locked is (not column.entry), column.heading
    assert all(not sheet[cell].protection.locked for cell in plan.fields.values())
    assert sheet["A2"].protection.locked


def test_wall_that_is_not_read_is_locked(tmp_path: Path) -> None:
    specification = parse_specification(
        '[kit]\nunit = "mm"\n[walls]\nnames = ["near", "far"]\n[size]\nlower = 12\nupper = 12.1\n'
        '[plan]\nwalls = ["near"]\n[[hole]]\nid = "1"\n'
    )
    path = tmp_path / "blank.xlsx"
    write_sheet(specification, path)
    sheet, plan = open_sheet(path), layout(specification)
    column = plan.of("diameter")[0]
    assert not sheet.cell(plan.first_row, column).protection.locked
    assert sheet.cell(plan.first_row + 1, column).protection.locked
    assert sheet.cell(plan.first_row + 1, column).fill.patternType == "lightUp"


def test_choices_have_lists_that_refuse_other_words(bl7: Specification, tmp_path: Path) -> None:
    path = tmp_path / "blank.xlsx"
    write_sheet(bl7, path)
    book = openpyxl.load_workbook(path)
    sheet, plan = book.worksheets[0], layout(bl7)
    lists = [rule for rule in sheet.data_validations.dataValidation if rule.type == "list"]
    assert all(rule.showErrorMessage and not rule.showDropDown for rule in lists)
    by_cell = {cell: rule for rule in lists for area in rule.sqref.ranges for cell in [area.coord.split(":")[0]]}
    wanted = {
        plan.fields["part"]: ["port", "starboard"],
        plan.fields["gauge:diameter"]: ["BG-2"],
        plan.cell("go", plan.first_row): [ENTERS, STOPS],
        plan.cell("surface", plan.first_row): [CLEAN, BURR, "not clean", CRACK],
    }
    for cell, items in wanted.items():
        _, area = by_cell[cell].formula1.split("!")
        assert [c.value for row in book[LISTS_SHEET][area.replace("$", "")] for c in row] == items


def test_prints_on_pages_that_name_the_kit(bl7: Specification, tmp_path: Path) -> None:
    path = tmp_path / "blank.xlsx"
    write_sheet(bl7, path, paper="letter")
    sheet, plan = open_sheet(path), layout(bl7)
    assert (sheet.page_setup.paperSize, sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight) == (1, 1, 0)
    assert sheet.print_title_rows == f"${plan.heading_row}:${plan.heading_row}"
    assert "Kit BL-7, revision C" in sheet.oddFooter.left.text
    assert "Supports, never replaces" in sheet.oddFooter.center.text
    with pytest.raises(DataError, match="a4 or letter"):
        write_sheet(bl7, path, paper="a3")


def test_serials_that_would_run_as_formulas_are_text(bl7: Specification, tmp_path: Path) -> None:
    path = tmp_path / "blank.xlsx"
    serials = ["=1+1", "+7", "-3", "@sum", "0042"]
    write_sheet(bl7, path, serials=serials)
    book = openpyxl.load_workbook(path)
    cell = layout(bl7).fields["serial"]
    found = [book.worksheets[i][cell] for i in range(5)]
    assert [c.value for c in found] == serials
    assert [c.data_type for c in found] == ["s"] * 5


def test_ids_that_would_run_as_formulas_are_text(tmp_path: Path) -> None:
    specification = parse_specification(
        '[kit]\nid = "=cmd"\nunit = "mm"\n[size]\nlower = 12\nupper = 12.1\n[[hole]]\nid = "=1+1"\n'
        '[[part]]\nname = "@p"\n[[gauge]]\nid = "+g"\n'
    )
    path = tmp_path / "blank.xlsx"
    write_sheet(specification, path)
    book = openpyxl.load_workbook(path)
    allowed = layout(specification)
    formula_columns = {i for i, c in enumerate(allowed.columns, start=1) if c.holds.endswith("check")}
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                ours = cell.row == allowed.heading_row - 1 or cell.column in formula_columns
                assert cell.data_type != "f" or ours, cell.coordinate


def test_a_sheet_made_from_the_second_is_as_if_written_by_itself(bl7: Specification, tmp_path: Path) -> None:
    def page(serials: list[str], number: int) -> bytes:
        path = tmp_path / "sheet.xlsx"
        write_sheet(bl7, path, "port", serials)
        with zipfile.ZipFile(path) as book:
            return book.read(f"xl/worksheets/sheet{number}.xml")

    for serial in ("A-3", "3", "Ö 3", "=A3", "x<y"):  # those that need care in XML are written by themselves
        assert page(["A-1", "A-2", serial], 3) == page(["A-1", serial], 2)
    assert page(["A-1", "=2", "A-3"], 3) == page(["A-1", "A-3"], 2)


def test_sheet_names_are_safe_and_different() -> None:
    names = sheet_names(["a/b:c", "A-b-c", "History", "x" * 50, "x" * 50 + "y", "'q'", "///"])
    assert len({n.casefold() for n in names}) == 7
    for name in names:
        assert 0 < len(name) <= 31
        assert not set(name) & set("[]:*?/\\'")
        assert name.casefold() != "history"


@pytest.mark.parametrize("serials", [["1", "1"], [""], ["a\nb"], [str(i) for i in range(300)]])
def test_serials_that_cannot_be_used_are_refused(serials: list[str]) -> None:
    with pytest.raises(DataError):
        sheet_names(serials)


def test_unknown_part_is_refused(bl7: Specification, tmp_path: Path) -> None:
    with pytest.raises(DataError, match="port, starboard"):
        write_sheet(bl7, tmp_path / "x.xlsx", part="stern")


def test_the_footer_names_all_that_the_sheet_does_not_judge(bl7: Specification, tmp_path: Path) -> None:
    path = tmp_path / "blank.xlsx"
    write_sheet(bl7, path, part="port")
    texts = [str(c.value) for row in open_sheet(path).iter_rows() for c in row if c.value]
    footer = next(t for t in texts if "decision rule" in t)
    for what in ("out-of-roundness", "taper", "edge distance", "hole to hole", "pins together"):
        assert what in footer


def test_mirrored_part_shows_its_own_basic_positions(kit: Specification, tmp_path: Path) -> None:
    path = tmp_path / "blank.xlsx"
    write_sheet(kit, path, part="right")
    plan = layout(kit)
    assert open_sheet(path)[plan.cell("basic_x", plan.first_row)].value == -1.5


def test_repeated_readings_and_directions_have_a_column_each() -> None:
    specification = parse_specification(
        '[kit]\nunit = "mm"\n[size]\nlower = 12\nupper = 12.1\n[plan]\ndirections = [0, 60, 120]\ncount = 2\n[[hole]]\n'
    )
    columns = [c.heading for c in layout(specification).columns if c.holds == "diameter"]
    assert columns == [
        "Diameter 0° [mm]", "Diameter 60° [mm]", "Diameter 120° [mm]",
        "Diameter 0° trial 2 [mm]", "Diameter 60° trial 2 [mm]", "Diameter 120° trial 2 [mm]",
    ]  # fmt: skip


# ---- what the check cells say, worked out by a spreadsheet program -------------------------------------------------

SIZES: list[tuple[object, object, str]] = [
    (0.455, 0.462, "✓ in limits"),
    (0.4549, 0.458, "✗ too small"),
    (0.458, 0.4621, "✗ too large"),
    (0.4549, 0.4621, "✗ small and large"),
    (0.0458, 0.458, "? decimal point"),
    (4.58, 0.458, "? decimal point"),
    (45.8, 0.458, "? decimal point"),
    (11.63, 0.458, "? mm typed"),
    (0.458 / 25.4, 0.458, "? divided by 25.4"),
    ("0.458", 0.458, "? not a number"),
    ("cracked", None, "? not a number"),
    (dt.date(2026, 7, 16), 0.458, "? a date, not a size"),
    (0.458, None, "… 1 to read"),
    (None, None, ""),
    (0.33, 0.458, "? doubtful"),  # more than a quarter too small
    (0.39, 0.458, "? readings disagree"),  # 0.068 apart, 0.021 are believed (3 bands)
    (0.39, None, "? doubtful"),  # nothing beside it says the same
    (0.39, 0.3902, "✗ too small"),
    (-0.458, 0.458, "? negative"),
    # swaps worked out by hand; no form is asked, so readings may lie 0.0035 apart (half the band), a swap 0.0009
    (0.4758, 0.4581, "✗ digits swapped?"),  # 0.4578
    (0.4549, 0.460, "✗ digits swapped?"),  # 0.4594
    (0.4605, 0.4650, "✗ digits swapped?"),  # 0.4605
    (0.4578, 0.4650, "✗ too large"),  # 0.4560 and 0.4605, 0.0018 and 0.0027 from the other
    (0.4758, None, "✗ too large"),  # nothing beside it speaks against it
    (0.4758, 0.4757, "✗ too large"),
    (0.4721, 0.4581, "✗ too large"),  # 0.4712, 0.4271, 0.7421
]
# x and y beside basic (x, 1.25) of hole i, diametral deviation worked out by hand: 2 hypot(dx, dy)
PLACES: list[tuple[float | None, float | None, str]] = [
    (1.503, 1.252, "✓ ⌀0.0072"),  # 2 hypot(0.003, 0.002), teaching sheet on bonus tolerance
    (2.530, 1.25, "✓ ⌀0.06"),
    (3.5335, 1.25, "? ⌀0.067 needs bonus"),
    (4.5336, 1.25, "✗ ⌀0.0672 off position"),
    (1.25, 5.5, "? x and y exchanged"),
    (-6.5, 1.25, "? sign"),
    (75.0, 1.25, "? decimal point"),
    (8.5 * 25.4, 1.25 * 25.4, "? mm typed"),
    (9.5, None, "… 1 to read"),
    (None, None, ""),
]
WORDS: list[tuple[str, str, str, object, str]] = [  # GO, NO-GO, surface, diameter, what the sheet says
    (ENTERS, STOPS, CLEAN, 0.458, "✓"),
    (STOPS, STOPS, CLEAN, 0.454, "✗ GO does not enter"),
    (STOPS, STOPS, CLEAN, 0.458, "? GO against sizes"),
    (ENTERS, ENTERS, CLEAN, 0.463, "✗ NO-GO enters"),
    (ENTERS, ENTERS, CLEAN, 0.458, "? NO-GO against sizes"),
    (ENTERS, STOPS, CRACK, 0.458, "✗ crack"),
    (ENTERS, STOPS, BURR, 0.458, "? burr"),
    (ENTERS, "", CLEAN, 0.458, "… 1 to fill"),
    ("yes", STOPS, CLEAN, 0.458, "? choose from the list"),
    ("", "", "", 0.458, ""),
]
EDGES: list[tuple[float | None, str]] = [
    (0.9, "✓ far enough"), (0.8999, "✗ too near"), (0.09, "? doubtful"), (None, ""),
]  # fmt: skip


def fill(sheet: Worksheet, kit: Specification) -> None:
    plan = layout(kit)
    for i, (first, second, _) in enumerate(SIZES):
        for column, value in zip(plan.of("diameter"), (first, second), strict=True):
            sheet.cell(plan.first_row + i, column).value = value
    for i, (x, y, _) in enumerate(PLACES):
        sheet[plan.cell("x", plan.first_row + i)].value = x
        sheet[plan.cell("y", plan.first_row + i)].value = y
    for i, (value, _) in enumerate(EDGES):
        sheet[plan.cell("edge_distance", plan.first_row + i)].value = value


@pytest.fixture(scope="module")
def recalculated(kit: Specification, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a filled copy that a spreadsheet program has opened, worked out and saved again."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("no spreadsheet program on this machine to work out formulas")
    folder = tmp_path_factory.mktemp("sheet")
    blank = folder / "filled.xlsx"
    write_sheet(kit, blank, serials=["=1+1", "second", "third"])
    book = openpyxl.load_workbook(blank)
    plan = layout(kit)
    fill(book.worksheets[0], kit)
    second = book.worksheets[1]
    second[plan.fields["part"]].value = "right"
    second[plan.fields["date"]].value = dt.date(2026, 5, 4)
    second[plan.fields["temperature_c"]].value = 68
    for i, (go, no_go, surface, diameter, _) in enumerate(WORDS):
        row = plan.first_row + i
        for holds, value in (("go", go), ("no_go", no_go), ("surface", surface)):
            second[plan.cell(holds, row)].value = value or None
        for column in plan.of("diameter"):
            second.cell(row, column).value = diameter
    second[plan.cell("x", plan.first_row)].value = -1.5
    second[plan.cell("y", plan.first_row)].value = 1.25
    book.save(blank)
    out = folder / "out"
    command = [program, f"-env:UserInstallation=file://{folder}/profile", "--headless", "--convert-to", "xlsx",
               "--outdir", str(out), str(blank)]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return out / "filled.xlsx"


def values(path: Path, sheet: int, kit: Specification, holds: str, count: int) -> list[object]:
    plan = layout(kit)
    found = openpyxl.load_workbook(path, data_only=True).worksheets[sheet]
    return [found[plan.cell(holds, plan.first_row + i)].value or "" for i in range(count)]


def test_size_words(recalculated: Path, kit: Specification) -> None:
    assert values(recalculated, 0, kit, "size_check", len(SIZES)) == [case[-1] for case in SIZES]


def test_position_words(recalculated: Path, kit: Specification) -> None:
    assert values(recalculated, 0, kit, "position_check", len(PLACES)) == [case[-1] for case in PLACES]


def test_plug_and_surface_words(recalculated: Path, kit: Specification) -> None:
    assert values(recalculated, 1, kit, "plug_check", len(WORDS)) == [case[-1] for case in WORDS]


def test_edge_words(recalculated: Path, kit: Specification) -> None:
    assert values(recalculated, 0, kit, "edge_distance_check", len(EDGES)) == [case[-1] for case in EDGES]


def test_basic_positions_turn_with_the_part_that_is_chosen(recalculated: Path, kit: Specification) -> None:
    assert values(recalculated, 0, kit, "basic_x", 2) == [1.5, 2.5]
    assert values(recalculated, 1, kit, "basic_x", 2) == [-1.5, -2.5]
    assert values(recalculated, 1, kit, "position_check", 1) == ["✓ ⌀0"]


def test_state_line_counts_what_is_open_and_names_what_is_missing(recalculated: Path, kit: Specification) -> None:
    book = openpyxl.load_workbook(recalculated, data_only=True)
    row = layout(kit).heading_row - 1
    entries = 28 * 8  # two diameters, x, y, edge distance, GO, NO-GO, surface
    typed = sum(v is not None for case in SIZES for v in case[:2]) + sum(
        v is not None for case in PLACES for v in case[:2]
    )
    typed += sum(v is not None for v, _ in EDGES)
    said = [case[-1] for group in (SIZES, PLACES, EDGES) for case in group]
    outside, again = (sum(text.startswith(mark) for text in said) for mark in "✗?")
    assert book.worksheets[0].cell(row, 1).value == (
        f"Still empty: {entries - typed} of {entries}.   ✗ outside: {outside}.   ? look again: {again}."
        "   ? no part.   ? no date."
    )
    assert str(book.worksheets[1].cell(row, 1).value).endswith("   ? temperature in °C.")


def test_marker_and_serials_survive_another_program(recalculated: Path, kit: Specification) -> None:
    book = openpyxl.load_workbook(recalculated)
    expected = Marker("T-1", "=A", "in")
    assert all(parse_marker(sheet["A2"].value) == expected for sheet in book.worksheets[:3])
    assert from_properties({p.name: p.value for p in book.custom_doc_props.props}) == expected
    assert MARKER_NAME in book.defined_names
    assert book[LISTS_SHEET].sheet_state == "hidden"
    serial = book.worksheets[0][layout(kit).fields["serial"]]
    assert (serial.value, serial.data_type) == ("=1+1", "s")
    assert [r.showErrorMessage for r in book.worksheets[0].data_validations.dataValidation if r.type == "list"]
    assert not book.worksheets[0].cell(layout(kit).first_row, layout(kit).of("diameter")[0]).protection.locked
