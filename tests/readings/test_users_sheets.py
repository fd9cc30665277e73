"""What goes wrong in people's sheets beyond a single cell: merged labels, dates, serials, repeats, gauges, units.

The troubles are those that users of spreadsheet readers have reported publicly since 2001 and those of shops (common
practice, no source); what each must lead to is ours. Numbers in the names follow that list.
"""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from making import GOOD, KIT, KIT_MM, cell_xml, codes, kit, only, read, rewritten, text_file, wide, workbook

from holeqc.inspection.recheck import inspect
from holeqc.problems import ReadingsError

TODAY = dt.date(2026, 11, 30)
NEAR1 = (1, "near", 0)  #: diameter at 0 degrees of hole 1, near wall: cell F2


def test_06_text_204_is_exactly_204(tmp_path: Path) -> None:
    rows = wide({(3, "near", 2): "1.4967"})
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    assert 1.4967 in readings.table["value"].tolist()


def test_06_single_precision_noise_is_named(tmp_path: Path) -> None:
    noisy = float(np.float32(0.4581))  # 0.4580999910831451
    readings = read(workbook(tmp_path / "shop.xlsx", wide({NEAR1: noisy})), kit(), today=TODAY)
    problem = only(readings, "single-precision")
    assert problem.cell == "F2"
    assert problem.found == "'0.458099991083145'"
    assert readings.table["value"].iloc[0] == pytest.approx(noisy, abs=1e-15)


def test_01_merged_labels_hold_for_all_their_rows(tmp_path: Path) -> None:
    rows = wide()
    for number in range(2, 9):
        rows[number][0] = None
    readings = read(workbook(tmp_path / "shop.xlsx", rows, merge=["A2:A9"]), kit(), today=TODAY)
    assert set(readings.table["serial"]) == {"P-7"}
    assert codes(readings) == []


def test_01_blank_labels_below_are_said_to_be_filled_down(tmp_path: Path) -> None:
    rows = wide()
    for number in range(2, 9):
        rows[number][0] = None
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    problem = only(readings, "filled-down")
    assert set(readings.table["serial"]) == {"P-7"}
    assert (problem.cell, problem.severity) == ("A3", "warning")
    assert "7 rows (rows 3 to 9)" in problem.message
    assert "P-7" in problem.found


def test_02_one_reading_merged_over_rows_is_doubtful_there_and_missing_elsewhere(tmp_path: Path) -> None:
    rows = wide()
    for number in range(2, 9):
        rows[number][5] = None
    readings = read(workbook(tmp_path / "shop.xlsx", rows, merge=["F2:F9"]), kit(), today=TODAY)
    problem = only(readings, "merged-reading")
    assert (problem.cell, problem.found, problem.allowed) == ("F2", "'0.4581'", "one reading a cell")
    assert "F2:F9" in problem.message
    assert len(readings.table) == 32 - 7
    assert readings.table["doubt"].iloc[0] == "merged-reading"


@pytest.mark.parametrize("where", ["A5:H5", "F4:F6"])
def test_02_a_reading_that_a_merged_range_hides_is_doubtful(where: str, tmp_path: Path) -> None:
    path = workbook(tmp_path / "shop.xlsx", wide())
    with zipfile.ZipFile(path) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    page = parts["xl/worksheets/sheet1.xml"].decode()
    merged = f'</sheetData><mergeCells count="1"><mergeCell ref="{where}"/></mergeCells>'
    parts["xl/worksheets/sheet1.xml"] = page.replace("</sheetData>", merged).encode()
    with zipfile.ZipFile(path, "w") as book:
        for name, content in parts.items():
            book.writestr(name, content)
    readings = read(path, kit(), today=TODAY)
    doubted = readings.table[readings.table["doubt"] == "merged-reading"]
    assert (doubted["column"] == 6).any()
    assert any(p.cell == "F5" and "hides" in p.message for p in readings.problems)


@pytest.mark.parametrize("pair", ["Position", "True position", "Location", "Coordinates measured"])
def test_03_and_04_title_and_merged_headings_and_a_year_typed_0013(pair: str, tmp_path: Path) -> None:
    rows: list[list[Any]] = [
        ["Plates of November"],
        [],
        ["Serial", "Part", "Date", "Hole", "Wall", "Diameter", None, pair, None],
        [None, None, None, None, None, "0°", "90°", "X", "Y"],
        *wide(day="12/31/0013")[1:],
    ]
    merge = ["A1:I1", "F3:G3", "H3:I3", *(f"{c}3:{c}4" for c in "ABCDE")]
    readings = read(workbook(tmp_path / "shop.xlsx", rows, merge=merge), kit(), today=TODAY)
    assert len(readings.table) == 32
    assert readings.table["date"].isna().all()
    bad = [p for p in readings.problems if p.code == "bad-date"]
    assert [p.cell for p in bad] == [f"C{n}" for n in range(5, 13)]
    assert "likely 2013-12-31" in bad[0].message
    assert bad[0].found == "date '12/31/0013'"


def test_05_a_date_lost_in_a_number_column_is_recognised(tmp_path: Path) -> None:
    # 46219 is 16 July 2026 in the 1900 system: 7/16 once its date format is lost
    readings = read(
        workbook(tmp_path / "shop.xlsx", wide({NEAR1: 46219})), kit(text_with_limits("0.43", "0.44")), today=TODAY
    )
    problem = next(p for p in readings.problems if p.cell == "F2")
    assert problem.code == "fraction-became-date"
    assert "7/16" in problem.message
    assert "0.4375" in problem.message


def text_with_limits(lower: str, upper: str) -> str:
    return KIT.replace("0.455", lower).replace("0.462", upper)  # plugs too, which belong to the limits


def test_05_a_day_number_in_a_date_column(tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "shop.xlsx", wide(day=46328)), kit(), today=TODAY)
    bad = [p for p in readings.problems if p.code == "date-as-number"]
    assert len(bad) == 8
    assert "likely 2026-11-02" in bad[0].message
    assert readings.table["date"].isna().all()


def test_08_decimal_comma_of_a_whole_text_file(tmp_path: Path) -> None:
    rows = [[c if not isinstance(c, float) else f"{c:.4f}".replace(".", ",") for c in row] for row in wide()]
    readings = read(text_file(tmp_path / "shop.csv", rows, ";"), kit(), today=TODAY)
    assert codes(readings) == []
    assert readings.table["value"].iloc[0] == 0.4581
    assert readings.table["typed"].iloc[0] == "0,4581"


def test_08_three_decimals_with_comma_are_told_by_the_kits_sizes(tmp_path: Path) -> None:
    rows = [["Serial", "Hole", "Dia 0", "Dia 90"], ["D-1", "A", "11,587", "11,591"], ["D-1", "B", "11,602", "11,611"]]
    spec = kit(KIT_MM)
    semicolon = read(text_file(tmp_path / "a.csv", rows, ";"), spec)
    assert semicolon.table["value"].tolist() == [11.587, 11.591, 11.602, 11.611]
    told = read(workbook(tmp_path / "b.xlsx", rows), spec)
    assert told.table["value"].tolist() == [11.587, 11.591, 11.602, 11.611]
    assert only(told, "comma-by-size").found == "11,587"
    few = read(workbook(tmp_path / "c.xlsx", [*rows[:1], ["D-1", "A", "11,587", 11.591]]), spec)
    assert codes(few) == ["unclear-comma"]
    stated = read(tmp_path / "b.xlsx", spec, decimal=",")
    assert stated.table["value"].tolist() == [11.587, 11.591, 11.602, 11.611]
    assert codes(stated) == []


def test_08_both_marks_in_one_sheet_are_said(tmp_path: Path) -> None:
    readings = read(
        workbook(tmp_path / "shop.xlsx", wide({NEAR1: "0,4581", (1, "near", 1): "0.4583"})), kit(), today=TODAY
    )
    assert codes(readings) == ["mixed-decimal-marks"]
    assert readings.table["value"].tolist()[:2] == [0.4581, 0.4583]


def test_09_hole_and_serial_read_from_numbers(tmp_path: Path) -> None:
    rows = wide()
    for row in rows[1:]:
        row[0], row[3] = "123456.0", f"{row[3]}.0"
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    assert set(readings.table["serial"]) == {"123456"}
    assert sorted(set(readings.table["hole"])) == ["1", "2", "3", "4"]
    assert codes(readings) == []
    assert "serial-as-number" in [p.code for p in readings.problems]


@pytest.mark.parametrize("label", ["Hole 3", "#3", 3.0, " 3 ", "hole no. 3", "H3", "03", "No 3", "３"])
def test_09_a_hole_is_the_same_hole_however_it_is_written(label: Any, tmp_path: Path) -> None:
    rows = wide()
    rows[5][3] = rows[6][3] = label
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    assert codes(readings) == []
    assert (readings.table["hole"] == "3").sum() == 8


@pytest.mark.parametrize("serial", [1.2345678901234567e19, "1.23457E+11", 12345678901234567890])
def test_10_long_serials_that_lost_digits(serial: Any, tmp_path: Path) -> None:
    rows = wide(serial=serial)
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    bad = [p for p in readings.problems if p.code == "serial-digits-lost"]
    if serial == 12345678901234567890 and not bad:  # kept to the last digit: nothing is lost
        assert set(readings.table["serial"]) == {"12345678901234567890"}
        return
    assert len(bad) == 8
    assert (bad[0].cell, bad[0].holds) == ("A2", True)
    assert "text" in bad[0].action


def test_11_and_12_numbers_stored_as_text_are_read_and_said_once(tmp_path: Path) -> None:
    rows = [[f"{c:.4f}" if isinstance(c, float) else c for c in row] for row in wide()]
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    assert codes(readings) == []
    problem = only(readings, "numbers-as-text")
    assert (problem.cell, problem.severity, problem.holds) == ("F2", "note", False)
    assert "32 numbers" in problem.message
    assert readings.table["value"].iloc[0] == 0.4581


def test_14_dates_of_the_1904_system_are_read_by_their_own_epoch(tmp_path: Path) -> None:
    import openpyxl
    from openpyxl.utils.datetime import CALENDAR_MAC_1904

    book = openpyxl.Workbook()
    book.epoch = CALENDAR_MAC_1904
    for row in wide(day=dt.datetime(2026, 11, 2)):
        book.active.append(row)
    book.save(tmp_path / "shop.xlsx")
    raw = rewritten(tmp_path / "shop.xlsx", {})
    readings = read(raw, kit(), today=TODAY)
    assert {str(d)[:10] for d in readings.table["date"]} == {"2026-11-02"}


def test_14_a_day_pasted_from_the_other_system_is_recognised(tmp_path: Path) -> None:
    rows = wide(day=dt.datetime(2026, 11, 2))
    rows[8][2] = dt.datetime(2026, 11, 2) - dt.timedelta(days=1462)
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    problem = only(readings, "odd-date")
    assert problem.found == "date 2022-11-01"
    assert "likely 2026-11-02" in problem.message
    assert "1462" in problem.message


def test_16_a_hole_number_with_swapped_digits(tmp_path: Path) -> None:
    many = "".join(f'[[hole]]\nid = "{n}"\nx = {n}\ny = 0\n' for n in range(1, 22))
    spec = kit(f'[kit]\nid = "M"\nunit = "in"\n[size]\nlower = 0.450\nupper = 0.455\n{many}')
    rows = [["Serial", "Hole", "Dia"], *([1, n, 0.45 + n / 10000] for n in range(1, 22))]
    rows[12][1] = 31  # 13 typed the wrong way round; row 13 holds hole 12, so that 12 is missing
    readings = read(workbook(tmp_path / "shop.xlsx", rows), spec)
    problem = only(readings, "unknown-hole")
    assert (problem.cell, problem.found, problem.holds) == ("B13", "hole '31'", True)
    assert "likely 13" in problem.message
    assert "holes 1, 2, 3" in problem.allowed


def test_16_a_higher_hole_number_is_no_slip_for_one_of_its_digits(tmp_path: Path) -> None:
    rows = wide()
    for n in (1, 2):
        rows[n][3] = 12  # no digits alike: the kit has 1 and 2, neither is likelier
    readings = read(text_file(tmp_path / "shop.csv", rows), kit(), today=TODAY)
    assert [p.message for p in readings.problems if p.found == "hole '12'"] == ["the kit has no such hole"] * 2


def test_16_serials_that_differ_in_leading_zeros(tmp_path: Path) -> None:
    rows = wide(serial="0042")
    for row in rows[5:]:
        row[0] = 42
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    problem = only(readings, "serials-alike")
    assert "'0042' and '42'" in problem.message


def test_18_a_formula_never_calculated_is_not_a_blank(tmp_path: Path) -> None:
    path = workbook(tmp_path / "shop.xlsx", wide({NEAR1: "=0.4+0.0581", (1, "near", 1): None}))
    readings = read(path, kit(), today=TODAY)
    problem = only(readings, "formula-not-calculated")
    assert problem.cell == "F2"
    assert len(readings.table) == 31  # G2 is blank: missing, no reading
    assert readings.table["doubt"].iloc[0] == "formula-not-calculated"


def test_18_a_stored_result_is_read_and_an_empty_text_is_blank(tmp_path: Path) -> None:
    path = workbook(tmp_path / "shop.xlsx", wide({NEAR1: "=0.4+0.0581", (1, "near", 1): '=IF(A1="","","x")'}))
    cell_xml(path, "F2", '<c r="F2"><f>0.4+0.0581</f><v>0.4581</v></c>')
    cell_xml(path, "G2", '<c r="G2" t="str"><f>IF(A1="","","x")</f><v></v></c>')
    readings = read(path, kit(), today=TODAY)
    assert codes(readings) == []
    assert readings.table["value"].iloc[0] == 0.4581
    assert len(readings.table) == 31


def test_21_a_part_named_without_readings_is_held_in_the_table(tmp_path: Path) -> None:
    rows = [*wide(), ["P-8", "port", "2026-11-02", 1, "near", None, None, None, None]]
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    problem = only(readings, "no-readings")
    assert (problem.serial, problem.cell, problem.holds) == ("P-8", "A10", True)
    assert "P-8" in readings.table["serial"].tolist()


def test_21_duplicated_rows(tmp_path: Path) -> None:
    rows = wide()
    rows.append(list(rows[3]))
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    problem = only(readings, "duplicate-row")
    assert (problem.cell, problem.severity) == ("F10", "warning")
    assert "4 readings of this row" in problem.message
    assert "F4" in problem.message
    assert len(readings.table) == 36, "nothing is dropped"
    assert readings.table["trial"].max() == 2


def test_30_contradicting_readings_of_one_hole(tmp_path: Path) -> None:
    rows = wide()
    again = list(rows[3])
    again[5] = 0.4601  # 0.4585 before; U of the gauge is 0.0003
    rows.append(again)
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    problem = only(readings, "contradicting-reading")
    assert (problem.cell, problem.hole, problem.holds) == ("F10", "2", True)
    assert "0.4585" in problem.message
    assert "F4" in problem.message
    assert "0.0004 in" in problem.allowed  # sqrt(2) times 0.0003, U of a difference
    assert (readings.table["doubt"] == "contradicting-reading").sum() == 2


def test_30_repeats_within_the_gauges_uncertainty_are_repeats(tmp_path: Path) -> None:
    rows = wide()
    rows.append([*rows[3][:5], 0.4586, 0.4583, 4.5012, 1.2510])
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    assert codes(readings) == ["duplicate-row"]  # x is equal to the last digit
    assert only(readings, "repeated-reading").severity == "note"
    assert (readings.table["doubt"] == "").all()


def test_21_labels_that_the_kit_does_not_know(tmp_path: Path) -> None:
    rows = [[*row, g] for row, g in zip(wide(), ["Gauge", *["BG-2"] * 8], strict=True)]
    rows[1][3], rows[2][4], rows[3][1], rows[4][9] = 9, "middle", "stern", "BG-9"
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    for code, cell, found, allowed in (
        ("unknown-hole", "D2", "hole '9'", "holes 1, 2, 3, 4"),
        ("unknown-wall", "E3", "wall 'middle'", "walls near, far"),
        ("unknown-part", "B4", "part 'stern'", "parts port, starboard"),
        ("unknown-gauge", "J5", "gauge 'BG-9'", "BG-2, CM-1"),
    ):
        problem = only(readings, code)
        assert (problem.cell, problem.found, problem.holds) == (cell, found, True)
        assert allowed in problem.allowed
        assert problem.action
    assert len(readings.table) == 32
    assert (readings.table["doubt"] == "unknown-hole").sum() == 4


def test_23_a_whole_column_in_the_other_unit_is_one_problem(tmp_path: Path) -> None:
    rows = wide({(h, w, 0): round(v[0] * 25.4, 3) for (h, w), v in GOOD.items()})
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    problem = only(readings, "column-unit")
    assert codes(readings) == ["column-unit"]
    assert problem.cell == "F2"
    assert "all 8 diameter readings" in problem.message
    assert "typed in millimetres" in problem.message
    assert "0.4581" in problem.found
    assert (readings.table["doubt"] == "column-unit").sum() == 8


def test_23_inch_typed_in_a_mm_column(tmp_path: Path) -> None:
    rows = [["Serial", "Hole", "Dia 0 [mm]", "Dia 90 [mm]"], ["D-1", "A", 11.587, 11.591], ["D-1", "B", 0.4562, 11.611]]
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(KIT_MM))
    problem = only(readings, "slip-unit")
    assert (problem.cell, problem.found, problem.allowed) == ("C3", "0.4562 mm", "diameter 11.500 to 11.700 mm")
    assert "likely 11.587 mm" in problem.message  # 0.4562 x 25.4 = 11.58748


def test_24_a_plug_answered_with_a_size(tmp_path: Path) -> None:
    rows = [[*row, go] for row, go in zip(wide(), ["GO", 0.455, *["enters"] * 7], strict=True)]
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    problem = only(readings, "unclear-go")
    assert (problem.cell, problem.found, problem.allowed) == ("J2", "'0.455'", "enters, does not enter")


def test_28_a_gauge_past_its_calibration(tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "shop.xlsx", wide(day="2027-04-15")), kit(), today=dt.date(2027, 5, 1))
    problem = only(readings, "gauge-expired")
    assert "BG-2" in problem.message
    assert (problem.found, problem.allowed) == ("read on 2027-04-15", "readings up to 2027-03-31")
    assert (problem.serial, problem.holds) == ("P-7", True)


def test_28_a_gauge_is_good_on_its_last_day(tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "shop.xlsx", wide(day="2027-03-31")), kit(), today=dt.date(2027, 5, 1))
    assert codes(readings) == []


def test_26_a_sheet_of_another_revision_or_kit_is_refused(tmp_path: Path) -> None:
    path = workbook(tmp_path / "shop.xlsx", [["Kit:", "T-4", "Rev:", "A"], [], *wide()])
    with pytest.raises(ReadingsError, match="another revision") as error:
        read(path, kit(), today=TODAY)
    problem = error.value.problems[0]
    assert (problem.cell, problem.found, problem.allowed) == ("D1", "revision A", "revision B")
    other = workbook(tmp_path / "other.xlsx", [["Kit", "X-9"], [], *wide()])
    with pytest.raises(ReadingsError, match="another kit"):
        read(other, kit(), today=TODAY)


@pytest.mark.parametrize(
    ("title", "found"),
    [
        (["Kit: T-4 rev B"], ""),
        (["Kit", "T-4"], ""),
        (["Kit:", "boarding ladder"], ""),
        (["Rev.", "b"], ""),
        (["Readings T-4, rev. B"], ""),
        (["Kit: T-4 Rev A"], "revision A"),
        (["Readings for T-4, revision A"], "revision A"),
        (["Kit no.", "T-40"], "kit T-40"),
    ],
    ids=str,
)
def test_26_what_a_sheet_says_of_its_kit(title: list[str], found: str, tmp_path: Path) -> None:
    path = workbook(tmp_path / "shop.xlsx", [title, [], *wide()])
    if not found:
        assert codes(read(path, kit(), today=TODAY)) == []
        return
    with pytest.raises(ReadingsError) as error:
        read(path, kit(), today=TODAY)
    assert error.value.problems[0].found == found


def test_future_day(tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "shop.xlsx", wide(day="2026-12-24")), kit(), today=TODAY)
    problem = only(readings, "future-date")
    assert (problem.found, problem.allowed) == ("date 2026-12-24", "up to 2026-11-30")
    # Such a day would be before any due date that a kit may hold: it proves no calibration.
    assert (problem.holds, problem.part, problem.serial, problem.hole) == (True, "port", "P-7", "")
    assert inspect(kit(), readings).parts["verdict"].tolist() == [1]
    tomorrow = read(workbook(tmp_path / "east.xlsx", wide(day="2026-12-01")), kit(), today=TODAY)
    assert codes(tomorrow) == []


@pytest.mark.parametrize("day", [dt.datetime(1926, 11, 2), "1926-11-02"])
def test_a_day_of_a_century_ago_holds(day: Any, tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "shop.xlsx", wide(day=day)), kit(), today=TODAY)
    said = [(p.cell, p.holds, p.serial) for p in readings.problems if p.code == "bad-date"]
    assert said == [(f"C{row}", True, "P-7") for row in range(2, 10)]
    assert inspect(kit(), readings).holes["verdict"].tolist() == [1] * 4


def test_a_day_of_long_ago_is_told_where_no_due_date_decides(tmp_path: Path) -> None:
    # Without due dates: 1995 is more than ten years before 2026, 2020 isn't.
    undue = kit(re.sub(r"calibration_due = .*", "", KIT))
    for day, said in (("1995-11-02", True), ("2020-11-02", False)):
        readings = read(workbook(tmp_path / f"{day}.xlsx", wide(day=day)), undue, today=TODAY)
        assert [(p.severity, p.holds) for p in readings.problems if p.code == "odd-date"] == [("warning", False)] * said


def test_temperature_in_fahrenheit(tmp_path: Path) -> None:
    rows = [["Temperature", 68], [], *wide()]
    readings = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY)
    problem = only(readings, "implausible-temperature")
    assert problem.cell == "B1"
    assert "68 °F = 20.0 °C" in problem.message
    assert (readings.table["temperature_c"] == 68).all()
    said = read(workbook(tmp_path / "said.xlsx", [["Temperature", "68 °F"], [], *wide()]), kit(), today=TODAY)
    assert said.table["temperature_c"].iloc[0] == pytest.approx(20.0)
    assert codes(said) == []


def test_finer_than_the_gauge_resolves(tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "shop.xlsx", wide({NEAR1: 0.45812})), kit(), today=TODAY)
    problem = only(readings, "finer-than-gauge")
    assert (problem.cell, problem.found, problem.allowed, problem.holds) == (
        "F2",
        "0.45812 in",
        "steps of 0.0001 in",
        False,
    )
    assert "BG-2" in problem.message


def test_lost_digits_of_a_text(tmp_path: Path) -> None:
    rows = [[f"{c:.4f}" if isinstance(c, float) else c for c in row] for row in wide({(4, "far", 0): 0.4580})]
    rows[1][5] = ".46"  # may stand for .4600 to .4699: the upper limit lies between
    readings = read(text_file(tmp_path / "shop.csv", rows), kit(), today=TODAY)
    problem = only(readings, "lost-digits")
    assert (problem.cell, problem.found, problem.allowed, problem.holds) == ("F2", ".46 in", "4 decimals", True)
    without = [
        [row[i] if not isinstance(row[i], str) else row[i].rstrip("0") or "0" for i in range(9)] for row in rows[1:]
    ]
    dropped = read(text_file(tmp_path / "dropped.csv", [rows[0], *without]), kit(), today=TODAY)
    assert codes(dropped) == [], "a program that drops zeros at the end is no slip"
