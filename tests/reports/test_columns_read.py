"""What each column was taken for, on the screen, in report, workbook and JSON; one cause is one line.

The sheets are filled by nobody: invented numbers near the sizes of the sample kit.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Sequence
from html import unescape
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from holeqc.inspection.recheck import inspect
from holeqc.inspection.results import Inspection
from holeqc.inspection.view import Run
from holeqc.problems import ReadingsError
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.readings.table import ColumnUse
from holeqc.reports.blocks import Heading, Table, cell_of
from holeqc.reports.data import as_data
from holeqc.reports.pages import html_page
from holeqc.reports.screen import brief_words, full_words, screen_lines, screen_text
from holeqc.reports.story import about_section, report_for
from holeqc.reports.workbook import write_workbook
from holeqc.specification.load import load_specification

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_measurements"
HOLES = range(1, 9)
TOP: list[list[Any]] = [["Serial", "P-1"], ["Part", "port"], []]
BOTH = [(hole, wall) for hole in HOLES for wall in ("near", "far")]
WIDE = ["Hole", "Dia near 0", "Dia near 90", "Dia far 0", "Dia far 90", "X", "Y", "Basic X", "Average", "Torque",
        "GO", "Lower limit"]  # fmt: skip


@pytest.fixture(autouse=True)
def plain_reasons() -> None:
    """Let the judge's own reasons stand: the sheets here are read and judged, not made up."""


def judged(*files: Path, kit: str = "bl7") -> Inspection:
    spec = load_specification(ROOT / "tolerances" / f"{kit}.toml")
    return inspect(spec, read_files(files, spec, ReadOptions()))


def written(path: Path, rows: Sequence[Sequence[Any]]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows)
    return path


def wide(path: Path) -> Path:
    """A sheet of the shop's own: readings in both walls beside what is no reading."""
    spec = load_specification(ROOT / "tolerances" / "bl7.toml")
    rows: list[list[Any]] = [["Serial", "P-0301"], ["Part", "port"], [], WIDE]
    for hole in spec.holes:
        size = [0.4581, 0.4584, 0.4582, 0.4586]
        rows.append([hole.id, *size, hole.x + 0.001, hole.y + 0.002, hole.x, 0.4583, 31 + hole.x, "yes", 0.455])
    return written(path, rows)


def lines_of(found: Inspection, width: int = 80) -> list[str]:
    return screen_lines(Run(found), width)


SAID = {
    "bl7_P-0107.xlsx": "our sheet, 16 rows: E dia 0°, F dia 90°, J x, K y, N GO, O NO-GO, P surface",
    "bl7_P-0109.csv": "A date, B serial, C part, D hole, E wall, F what is read, G direction, H readings, I unit, "
    "J gauge",
    "bl7_S-0108.xlsx": "B2 serial, E2 unit, B3 part, A hole, B wall, C dia 0°, D dia 90°, E x, F y, G GO, "
    "H NO-GO, I surface",
    "bl7_S-0111.xlsx": "A hole, B-O near 0° 90° x y GO NO-GO surface, far 0° 90° x y GO NO-GO surface",
    "cp12_D-0031_D-0032.csv": "A1 unit, A date, B serial, C hole, D dia 0°, E dia 60°, F dia 120°, G x, H y, I GO, "
    "J NO-GO, K surface",
}  # fmt: skip


@pytest.mark.parametrize("name", SAID)
def test_a_sample_says_in_two_lines_what_its_columns_are(name: str) -> None:
    lines = lines_of(judged(SAMPLES / name, kit=name[: name.index("_")]))
    assert len(lines) <= 2
    assert max(map(len, lines)) <= 80
    assert " ".join(" ".join(lines).split()) == f"read {name}: {SAID[name]}"


def test_the_lines_stand_before_the_verdicts() -> None:
    text = screen_text(judged(SAMPLES / "bl7_P-0107.xlsx"))
    assert text.index("Kit BL-7") < text.index("read  bl7_P-0107.xlsx") < text.index("✓ accept")


def test_what_is_no_reading_comes_with_why(tmp_path: Path) -> None:
    found = judged(wide(tmp_path / "wide.csv"))
    for width in (60, 80, 100):
        lines = lines_of(found, width)
        assert len(lines) <= 2
        assert max(map(len, lines)) <= width
        text = " ".join(" ".join(lines).split())
        for why in ("nominal", "average", "unknown", "limit"):
            assert why in text.partition("; not read")[2], width
    narrow = " ".join(lines_of(found, 30))  # where two lines don't do, nothing is cut
    assert "…" not in narrow
    assert narrow.endswith("limit)")
    text = " ".join(" ".join(lines_of(found, 100)).split())
    assert "A hole, B near 0°, C near 90°, D far 0°, E far 90°, F x, G y, K GO" in text
    assert text.endswith("; not readings: H nominal, I average, J unknown heading 'Torque', L limit")


def test_a_column_that_somebody_added_to_a_sheet_of_ours_is_named(tmp_path: Path) -> None:
    book = openpyxl.load_workbook(SAMPLES / "bl7_P-0107.xlsx")
    page = book.worksheets[0]
    row = next(cell.row for cell in page["A"] if cell.value == "Hole")
    for number in range(17):
        page.cell(row + number, 20).value = "Retry" if number == 0 else 0.458
    book.save(tmp_path / "added.xlsx")
    text = " ".join(" ".join(lines_of(judged(tmp_path / "added.xlsx"))).split())
    assert text.startswith("read added.xlsx: our sheet, 16 rows: E dia 0°")
    assert text.endswith("P surface; not readings: T unknown heading 'Retry'")


def test_sheets_of_one_layout_are_told_once(tmp_path: Path) -> None:
    files = []
    for number in range(5):
        rows = [["Serial", f"P-05{number:02}"], *TOP[1:], ["Hole", "Wall", "Dia 0", "Torque"]]
        rows += [[hole, wall, 0.458, 30] for hole, wall in BOTH]
        files.append(written(tmp_path / f"s{number}.csv", rows))
    other = [*TOP, ["Hole", "Wall", "Dia 90"], *([hole, "near", 0.458] for hole in HOLES)]
    found = judged(*files, written(tmp_path / "t.csv", other))
    assert lines_of(found) == [
        "read  s0.csv: B1 serial, B2 part, A hole, B wall, C dia 0°; not readings:",
        "      D unknown heading 'Torque'",
        "read the same way: 4 more sheets (s1.csv to s4.csv)",
        "read  t.csv: B1 serial, B2 part, A hole, B wall, C dia 90°",
    ]


def test_many_columns_of_holes_are_a_span_and_many_layouts_are_counted(tmp_path: Path) -> None:
    rows = [*TOP, ["", *(f"Hole {h}" for h in HOLES)]]
    rows += [[label, *[0.458] * 8] for label in ("near 0", "near 90", "far 0", "far 90")]
    text = " ".join(lines_of(judged(written(tmp_path / "across.csv", rows))))
    assert " ".join(text.split()) == (
        "read across.csv: B1 serial, B2 part, A what is read, B to I holes 1 to 8, row 5 near 0°, row 6 near 90°, "
        "row 7 far 0°, row 8 far 90°"
    )
    files = []
    for number in range(9):
        rows = [["Serial", f"P-{number}"], *TOP[1:], [*["Zz"] * number, "Hole", "Wall", "Dia 0"]]
        rows += [[*["x"] * number, hole, wall, 0.458] for hole, wall in BOTH]
        files.append(written(tmp_path / f"l{number}.csv", rows))
    lines = lines_of(judged(*files))
    assert lines[-1] == "read  3 more sheets in other ways; all columns: --out or --json"


def test_rows_between_readings_that_say_the_wall_are_named(tmp_path: Path) -> None:
    rows = [*TOP[:2], ["Hole", "Dia 0"]]
    for wall in ("NEAR", "FAR"):
        rows += [[wall], *([hole, 0.458] for hole in HOLES)]
    assert lines_of(judged(written(tmp_path / "s.csv", rows))) == [
        "read  s.csv: B1 serial, B2 part, A4, A13 wall, A hole, B dia 0°"
    ]


def test_cards_say_what_their_rows_hold(tmp_path: Path) -> None:
    rows: list[list[Any]] = TOP[:2]
    for hole in HOLES:
        rows = [*rows, [], [f"Hole {hole}"], ["near 0°", 0.458], ["near 90°", 0.459], ["far 0°", 0.4585], ["X", 1.5]]
    text = " ".join(" ".join(lines_of(judged(written(tmp_path / "c.csv", rows)))).split())
    assert text.endswith("rows 5 to 47 near 0°, rows 6 to 48 near 90°, rows 7 to 49 far 0°, rows 8 to 50 x")
    assert "A4, A10, A16 and 5 more hole" in text


def test_a_row_that_is_no_reading_comes_with_why(tmp_path: Path) -> None:
    rows = [*TOP, ["Hole", *HOLES], ["near 0", *[0.458] * 8], ["far 0", *[0.459] * 8], ["Average", *[0.4585] * 8]]
    text = " ".join(" ".join(lines_of(judged(written(tmp_path / "a.csv", rows)))).split())
    assert text.endswith("row 5 near 0°, row 6 far 0°; not readings: row 7 average")


def test_a_heading_from_outside_stays_in_its_line(tmp_path: Path) -> None:
    rows = [*TOP, ["Hole", "Wall", "Dia 0", "a\x1b[2J\n" + "q" * 200], *([h, wall, 0.458, 3] for h, wall in BOTH)]
    lines = lines_of(judged(written(tmp_path / "odd.csv", rows)))
    assert len(lines) <= 2
    assert max(map(len, lines)) <= 80
    assert "\x1b" not in "".join(lines)


def test_the_same_heading_over_several_blocks_is_one_column(tmp_path: Path) -> None:
    rows = TOP[:2]
    for wall, heads, more in (("near", [], []), ("far", ["Average"], [0.4585])):
        rows += [[], [f"{wall} wall"], ["Hole", "Dia 0", "Dia 90", *heads]]
        rows += [[hole, 0.458, 0.459, *more] for hole in HOLES]
    (source,) = judged(written(tmp_path / "b.csv", rows)).readings.sources
    assert [(use.place, use.cells, use.use) for use in source.columns] == [
        ("A", 16, "field"), ("B", 16, "reading"), ("C", 16, "reading"), ("D", 8, "not used"), ("B1", 1, "field"),
        ("B2", 1, "field"), ("A4", 1, "field"), ("A15", 1, "field"),
    ]  # fmt: skip


def test_words_for_a_column_name_all_that_its_heading_says() -> None:
    spec = load_specification(ROOT / "tolerances" / "bl7.toml")
    use = ColumnUse("", "C", "h", "reading", 8, "diameter", "near", 90.0, 2, "mm", "3", "", "", "")
    assert brief_words(use, spec) == "hole 3 near 90° repeat 2 [mm]"
    assert full_words(use) == "reading: diameter, near wall, 90°, repeat 2, hole 3, mm"
    blank = ColumnUse("", "C", "Y", "reading", 0, "y", reason="deviation")
    assert brief_words(blank, spec) == "y deviation (blank)"
    assert full_words(ColumnUse("", "A", "S/N", "field", 4, field="serial")) == "serial number"


def test_report_workbook_and_json_tell_every_column(tmp_path: Path) -> None:
    found = judged(wide(tmp_path / "wide.csv"), SAMPLES / "bl7_S-0108.xlsx")
    run = Run(found)
    columns = as_data(found)["sources"][0]["columns"]
    assert [c["heading"] for c in columns] == [*WIDE, "P-0301", "port"]
    assert columns[2] == {
        "sheet": "", "place": "C", "heading": "Dia near 90", "use": "reading", "cells": 8, "characteristic": "diameter",
        "wall": "near", "direction": 90.0, "trial": None, "unit": "", "hole": "", "serial": "", "field": "",
        "reason": "",
    }  # fmt: skip
    assert [c["reason"] for c in columns if c["use"] == "not used"] == [
        "nominal or basic", "average or the like", "unknown heading", "limit",
    ]  # fmt: skip
    json.dumps(columns, allow_nan=False)
    blocks = about_section(run).blocks
    at = blocks.index(Heading("How their columns were understood"))
    assert blocks[at + 1] == Heading("wide.csv", 3)
    table = blocks[at + 2]
    assert isinstance(table, Table)
    rows = [[cell_of(cell).text for cell in row] for row in table.rows]
    assert rows[2] == ["C", "Dia near 90", "reading: diameter, near wall, 90°", "8", ""]
    assert rows[9] == ["J", "Torque", "not used", "8", "the heading isn't known"]
    assert blocks[at + 3] == Heading("bl7_S-0108.xlsx", 3)
    with (tmp_path / "e.xlsx").open("wb") as file:
        write_workbook(run, file)
    page = openpyxl.load_workbook(tmp_path / "e.xlsx")["Columns"]
    told = [row for row in page.iter_rows(min_row=2, values_only=True) if str(row[0]).endswith("wide.csv")]
    assert [row[3] for row in told] == [*WIDE, "P-0301", "port"]
    assert told[9][2:] == ("J", "Torque", "not used", 8, "the heading isn't known")


# ------------------------------------------------------------------------------------------ one cause is one line


def test_a_hundred_cells_of_one_cause_are_one_line(tmp_path: Path) -> None:
    rows = list(csv.reader((SAMPLES / "bl7_P-0109.csv").read_text(encoding="utf-8").splitlines()))
    for row in rows[1:]:
        row[9] = "XX-9"
    found = judged(written(tmp_path / "gauge.csv", rows))
    text = " ".join(screen_text(found).split())
    assert text.count("has no such gauge") == 1
    assert "(J2 to J21 and 92 more to J113)" in text
    page = html_page(report_for(Run(found), 10)).replace("<wbr>", "")  # a long path may break anywhere
    page = re.sub(r"\s+", " ", unescape(re.sub("<[^>]+>", " ", page)))
    assert page.count("gauge.csv, J2 to J21 and 92 more to J113") == 1
    assert "more of the same" not in page
    cells = [p["cell"] for p in as_data(found)["problems"] if p["code"] == "unknown-gauge"]
    assert cells[:20] == [f"J{n}" for n in range(2, 22)], "the data stay by cell"


def test_each_part_names_its_own_cells_of_a_cause_that_fills_the_sheet(tmp_path: Path) -> None:
    rows: list[list[Any]] = [["Part", "Serial", "Hole", "Wall", "Dia 0", "Dia 90"]]
    rows += [["port", f"P-{n}", h, wall, "abc", 0.458] for n in (1, 2, 3) for h in HOLES for wall in ("near", "far")]
    text = " ".join(screen_text(judged(written(tmp_path / "words.csv", rows))).split())
    for cells in ("(E2 to E17)", "(E18 to E33)", "(E34 to E49)"):
        assert text.count(f"not a number, found 'abc', allowed a number such as 0.4585 {cells}") + text.count(
            f"not a number, allowed a number such as 0.4585 {cells}") == 1, cells  # fmt: skip


def no_table(path: Path, rows: Sequence[Sequence[Any]]) -> str:
    with pytest.raises(ReadingsError) as caught:
        judged(written(path, rows))
    (problem,) = caught.value.problems
    return problem.sentence().removeprefix(str(path))


def test_a_sheet_without_known_headings_says_which_it_has_and_what_is_missing(tmp_path: Path) -> None:
    numbers = [[0.1 * n, 0.2, 0.3] for n in range(12)]
    said = no_table(tmp_path / "foo.csv", [["Foo", "Bar", "Baz"], *numbers])
    assert said.startswith(
        ": no table of readings was found: no heading for the hole; no heading for a reading; "
        "found in row 1 'Foo', 'Bar', 'Baz'; allowed: headings such as Hole"
    )
    assert said.endswith("or name the shop's own in [headings] of the kit file")
    some = no_table(tmp_path / "half.csv", [["Plates of May"], ["Hole", "Bar", "Baz"], *numbers])
    assert "found: no heading for a reading; found in row 2 'Hole', 'Bar', 'Baz'" in some
    assert "no row of headings" in no_table(tmp_path / "none.csv", numbers)


def test_a_heading_that_may_mean_two_things_is_asked_about(tmp_path: Path) -> None:
    said = no_table(tmp_path / "a.csv", [["Lehrdorn", "Bar"], *([0.4581, 3] for _ in HOLES)])
    assert "Say what 'Lehrdorn' is: plug gauge, its size, or stamp." in said
