"""The tables beside the code: what their first lines say, that they are whole, and that loading them is light."""

from __future__ import annotations

import subprocess
import sys
from importlib.resources import files

import pytest

from holeqc.fits.classes import WORDS, load_table

TABLES = sorted(p.name.removesuffix(".csv") for p in files("holeqc.fits").joinpath("tables").iterdir())


@pytest.mark.parametrize("name", TABLES)
def test_first_lines_say_standard_unit_and_confirmation(name: str) -> None:
    table = load_table(name)
    header = "\n".join(table.header)
    assert header.startswith("Standard")
    assert "Unit: " in header or "Unit: as in" in header
    assert "Confirmation: " in header
    assert table.rows
    assert all(None not in row.values() and None not in row for row in table.rows)
    if "confirmation" in table.rows[0]:
        assert {row["confirmation"] for row in table.rows} <= set(WORDS)


def test_tables_are_whole() -> None:
    # counts of the published tables: 34 classes with 492 rows
    assert len(load_table("b41_fits").rows) == 492
    assert len(load_table("gauge_classes").rows) == 14
    for row in load_table("b41_fits").rows:
        assert float(row["over"]) < float(row["to"])
        assert float(row["hole_lower"]) < float(row["hole_upper"])
        assert float(row["shaft_lower"]) < float(row["shaft_upper"])
    keys = [(row["class"], row["over"]) for row in load_table("b41_fits").rows]
    assert len(set(keys)) == len(keys)


def test_ranges_of_a_class_join_without_gap_or_overlap() -> None:
    ends: dict[str, str] = {}
    for row in load_table("b41_fits").rows:
        if row["class"] in ends:
            assert row["over"] == ends[row["class"]], row
        ends[row["class"]] = row["to"]
    assert set(ends.values()) == {"19.69"}


def test_grades_grow_with_the_grade_and_the_size() -> None:
    # second look at every cell of IT01 to IT18: a misread cell would break the order
    order = ["01", *(str(g) for g in range(19))]
    rows = load_table("iso286_grades").rows
    starts = sorted({float(row["over"]) for row in rows})
    cell = {(row["grade"], float(row["over"])): float(row["tolerance"]) for row in rows}
    for start in starts:
        column = [cell[g, start] for g in order if (g, start) in cell]
        assert column == sorted(set(column)), start
    for grade in order:
        line = [cell[grade, start] for start in starts if (grade, start) in cell]
        assert line == sorted(line), grade


def test_looking_up_loads_no_heavy_library() -> None:
    code = (
        "import sys; from holeqc.fits import limits_for_class; limits_for_class('H7', 12.0, 'mm');"
        "print([m for m in ('scipy', 'pandas', 'matplotlib', 'openpyxl', 'typer') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
