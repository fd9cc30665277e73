"""What goes wrong in people's sheets: each known trouble in one cell, and the problem it must become.

The troubles are those that users of spreadsheet readers have reported publicly since 2001 and those of shops (common
practice, no source); what each must lead to is ours. Numbers in the ids follow that list.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from making import codes, kit, only, read, wide, workbook

TODAY = dt.date(2026, 11, 30)
NEAR1 = (1, "near", 0)  #: diameter at 0 degrees of hole 1, near wall: cell F2

#: id, content of F2, code, words of found, of allowed, of the likely value or the action
CELLS: list[tuple[str, Any, str, str, str, str]] = [
    ("7 two numbers joined", "0.458,0.459", "two-numbers", "0.458,0.459", "0.4585", "0.458 and 0.459"),
    ("7 range", "0.458-0.459", "two-numbers", "0.458-0.459", "0.4585", "one reading a cell"),
    ("8 thousands or decimals", "1,234", "unclear-comma", "1,234", "0.4585", "1.234 or 1234"),
    ("8 comma and point", "1.234,5", "mixed-marks", "1.234,5", "0.4585", "1234.5"),
    ("12 word NaN", "NaN", "not-a-number", "NaN", "0.4585", "Type the number again"),
    ("12 word Infinity", "Infinity", "not-a-number", "Infinity", "0.4585", "Type the number again"),
    ("13 escape residue", "_x0030_.4581", "escape-residue", "_x0030_.4581", "0.4585", "0.4581"),
    (
        "15 fraction became a date",
        dt.datetime(2026, 7, 16),
        "fraction-became-date",
        "2026-07-16",
        "0.4585",
        "7/16 = 0.4375",
    ),
    (
        "15 fraction became a month",
        dt.datetime(1950, 1, 1),
        "fraction-became-date",
        "1950-01-01",
        "0.4585",
        "1/50 = 0.02",
    ),
    ("15 a time", dt.time(4, 58), "date-for-number", "04:58", "0.4585", "Type the number again"),
    ("17 decimal point", 4.581, "slip-decimal", "4.581 in", "0.4550 to 0.4620 in", "0.4581 in"),
    ("17 one place the other way", 0.04581, "slip-decimal", "0.04581", "0.4550 to 0.4620", "0.4581 in"),
    ("17 thousandths", 458.1, "slip-decimal", "458.1", "0.4550 to 0.4620", "0.4581 in"),
    ("17 digits swapped", 0.5481, "slip-transposed", "0.5481", "0.4550 to 0.4620", "0.4581 in"),
    ("17 letter for digit", "O.458l", "letter-in-number", "O.458l", "0.4585", "0.4581"),
    ("18 error cell", "#DIV/0!", "error-cell", "#DIV/0!", "0.4585", "Repair the formula"),
    ("22 truth value", True, "truth-value", "TRUE", "0.4585", "Type the number again"),
    ("22 impossible value", 1e308, "beyond-any-length", "1e+308", "1e+06", "Type the number again"),
    ("22 impossible value as text", "1e300", "beyond-any-length", "1e300", "1e+06", "Type the number again"),
    ("22 negative", -0.4581, "not-positive", "-0.4581", "0.4550", "0.4581 in"),
    ("22 zero", 0, "not-positive", "0 in", "0.4550", "empty"),
    ("23 millimetres in an inch column", 11.636, "slip-unit", "11.636 in", "0.4550 to 0.4620", "0.4581 in"),
    ("23 a unit that isn't known", "458 thou", "unknown-unit", "458 thou", "in or mm", "Type the reading"),
    ("blank inside", "0.45 81", "space-in-number", "0.45 81", "0.4585", "0.4581"),
    ("comment behind the number", "0.4581 ok", "not-a-number", "0.4581 ok", "0.4585", "likely 0.4581"),
    ("mark behind the number", "0.4581?", "not-a-number", "0.4581?", "0.4585", "likely 0.4581"),
    ("greater than", ">0.462", "not-a-number", ">0.462", "0.4585", "likely 0.462"),
    ("not measured", "n/a", "not-measured", "n/a", "0.4585", "Measure"),
    ("division by zero", "7/0", "not-a-number", "7/0", "0.4585", ""),
    ("words", "see note", "not-a-number", "see note", "0.4585", ""),
]


@pytest.mark.parametrize(("name", "content", "code", "found", "allowed", "likely"), CELLS, ids=[c[0] for c in CELLS])
def test_a_doubtful_cell_is_named_and_never_mended(
    name: str, content: Any, code: str, found: str, allowed: str, likely: str, tmp_path: Path
) -> None:
    path = workbook(tmp_path / "shop.xlsx", wide({NEAR1: content}))
    readings = read(path, kit(), today=TODAY)
    problem = only(readings, code)
    assert codes(readings) == [code]
    assert (problem.file, problem.sheet, problem.cell) == (str(path), "Sheet1", "F2")
    assert (problem.part, problem.serial, problem.hole, problem.wall) == ("port", "P-7", "1", "near")
    assert found in problem.found
    assert allowed in problem.allowed
    assert likely in problem.message + " " + problem.action + " " + problem.allowed
    assert problem.holds
    assert problem.action
    row = readings.table.iloc[0]
    assert row["doubt"] == code, "the cell itself carries the doubt"
    assert len(readings.table) == 32, "no reading is dropped"
    assert (readings.table["doubt"] != "").sum() == 1
    if isinstance(content, float | int) and not isinstance(content, bool) and abs(content) < 1e6:
        assert row["value"] == content, "the value stays as typed"
    else:
        assert np.isnan(row["value"])


#: contents of F2 that are readings as good as any, and their values [in]
SOUND: list[tuple[Any, float]] = [
    ("0.4581", 0.4581),
    (" 0.4581 ", 0.4581),
    ("\u00a00.4581", 0.4581),
    ("０.４５８１", 0.4581),
    (".4581", 0.4581),
    ("+0.4581", 0.4581),
    ("4.581e-1", 0.4581),
    ('0.4581"', 0.4581),
    ("0.4581 in", 0.4581),
    ("0,4581", 0.4581),
    ("11.63574 mm", 0.4581),
    ("⌀0.4581", 0.4581),
    ("Ø .4581", 0.4581),
    ("0.4581 inch", 0.4581),
    (0.470, 0.47),
    (0.462, 0.462),
    (0.44581, 0.44581),
    (0.4375, 0.4375),
]


@pytest.mark.parametrize("content", ["29/64", "0 29/64", "15/32"])
def test_a_fraction_is_no_reading_of_a_hole_and_may_be_one_of_a_place(content: str, tmp_path: Path) -> None:
    """Drills and drawings are named so; gauges of such holes show decimals (common practice, no source)."""
    readings = read(
        workbook(tmp_path / "shop.xlsx", wide({NEAR1: content, (1, "near", 2): "1 1/2"})), kit(), today=TODAY
    )
    problem = only(readings, "fraction-for-reading")
    assert (problem.cell, problem.hole, problem.holds) == ("F2", "1", True)
    at = readings.table[(readings.table["hole"] == "1") & (readings.table["characteristic"] == "x")].iloc[0]
    assert (at["value"], at["doubt"]) == (1.5, "")


@pytest.mark.parametrize(("content", "value"), SOUND, ids=[repr(c) for c, _ in SOUND])
def test_a_clear_number_is_read_whatever_its_clothes(content: Any, value: float, tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "shop.xlsx", wide({NEAR1: content})), kit(), today=TODAY)
    assert set(codes(readings)) <= {"mixed-decimal-marks", "finer-than-gauge"}
    assert readings.table["value"].iloc[0] == pytest.approx(value, abs=1e-12)
    assert readings.table["doubt"].iloc[0] == ""
    typed = readings.table["typed"].iloc[0]
    assert typed == (" ".join(content.split()) if isinstance(content, str) else f"{content:g}")


@pytest.mark.parametrize(
    ("hole", "place", "content", "likely", "allowed"),
    [
        # 1-7/16 typed: 1 July 2016; hole 1 lies at x = 1.5, y = 1.25; 1/7 and 7 1/16 are nowhere near
        (1, 2, dt.datetime(2016, 7, 1), ["1 7/16 = 1.4375"], "1.5000"),
        (1, 2, dt.datetime(2016, 1, 7), ["1 7/16 = 1.4375"], "1.5000"),  # month and day the other way round
        (1, 3, dt.datetime(2026, 7, 16), [], "1.2500"),  # 7/16 is no y, and 7 16/26 isn't either
        (3, 3, dt.datetime(2004, 5, 3), ["5 3/4 = 5.75"], "5.7500"),
        (1, 0, dt.datetime(2026, 7, 16), ["7/16 = 0.4375"], "0.4585"),
    ],
)
def test_what_a_date_was_typed_as_suits_the_column(
    hole: int, place: int, content: Any, likely: list[str], allowed: str, tmp_path: Path
) -> None:
    path = workbook(tmp_path / "shop.xlsx", wide({(hole, "near", place): content}))
    problem = only(read(path, kit(), today=TODAY), "fraction-became-date")
    assert problem.allowed == f"a number such as {allowed}"
    end = f": likely the fraction {' or '.join(likely)}"
    if not likely:
        end = ": it may have been the fraction 7/16 = 0.4375, which doesn't fit here"
    assert problem.message == "a date stands where a number belongs" + end


def test_the_example_has_the_unit_of_the_column(tmp_path: Path) -> None:
    rows = wide({NEAR1: "see note", (1, "near", 2): "see note"})
    rows[0][5:] = ["Dia 0 [mm]", "Dia 90", "X", "Y"]
    problems = read(workbook(tmp_path / "shop.xlsx", rows), kit(), today=TODAY).problems
    said = {p.cell: p.allowed for p in problems if p.code == "not-a-number"}
    # middle of 0.455 and 0.462 in: 0.4585 x 25.4 = 11.6459 mm
    assert said == {"F2": "a number such as 11.646", "H2": "a number such as 1.5000"}
