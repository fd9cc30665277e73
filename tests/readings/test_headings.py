"""Headings of the trade: what each is read as, and what isn't understood stays unread. Common practice, no source."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from making import KIT, KIT_MM, codes, kit, only, read, text_file, wide, workbook

from holeqc.readings.headings import READING, Vocabulary

FIELDS = {
    "Hole": "hole",
    "hole no.": "hole",
    "Hole #": "hole",
    "Position No": "hole",
    "#": "hole",
    "Pos.": "hole",
    "S/N": "serial",
    "Ser. No": "serial",
    "serial number": "serial",
    "Part": "part",
    "P/N": "part",
    "Part No.": "part",
    "Plate": "part",
    "Wall": "wall",
    "face": "wall",
    "Side": "wall",
    "Gage": "gauge",
    "Gauge No": "gauge",
    "instrument": "gauge",
    "Bore gauge": "gauge:diameter",
    "Inspector": "by",
    "Measured by": "by",
    "Date": "date",
    "Date measured": "date",
    "Temp [°C]": "temperature_c",
    "Temperature (F)": "temperature_c",
    "Units": "unit",
    "Remarks": "note",
    "What": "characteristic",
    "Angle": "direction",
    "Trial": "trial",
}


@pytest.mark.parametrize(("text", "word"), FIELDS.items())
def test_fields(text: str, word: str) -> None:
    meaning = Vocabulary(kit()).meaning(text)
    assert (meaning.kind, meaning.word) == ("field", word)


READINGS: list[tuple[str, str, int, float | None, int, str]] = [
    ("Ø", "diameter", -1, None, 0, ""),
    ("⌀ 0°", "diameter", -1, 0.0, 0, ""),
    ("Dia. 90 [in]", "diameter", -1, 90.0, 0, "in"),
    ("bore (mm)", "diameter", -1, None, 0, "mm"),
    ("Dia A", "diameter", -1, 0.0, 0, ""),
    ("Dia B", "diameter", -1, 90.0, 0, ""),
    ("Near dia 0°", "diameter", 0, 0.0, 0, ""),
    ("exit Ø 90", "diameter", 1, 90.0, 0, ""),
    ("Dia x", "diameter", -1, 0.0, 0, ""),
    ("diameter 90° trial 2 [mm]", "diameter", -1, 90.0, 2, "mm"),
    ("D1", "diameter", -1, None, 1, ""),
    ("Hole dia.", "diameter", -1, None, 0, ""),
    ("X", "x", -1, None, 0, ""),
    ("Y pos, mm", "y", -1, None, 0, "mm"),
    ("far X", "x", 1, None, 0, ""),
    ("Xpos", "x", -1, None, 0, ""),
    ("Ypos [mm]", "y", -1, None, 0, "mm"),
    ("X pos", "x", -1, None, 0, ""),
    ("Y_pos", "y", -1, None, 0, ""),
    ("Edge distance", "edge_distance", -1, None, 0, ""),
    ("GO", "go", -1, None, 0, ""),
    ("NO-GO", "no_go", -1, None, 0, ""),
    ("Not Go", "no_go", -1, None, 0, ""),
    ("near wall GO plug", "go", 0, None, 0, ""),
    ("Surface", "surface", -1, None, 0, ""),
    ("burr free?", "surface", -1, None, 0, ""),
    ("Largest plug", "plug", -1, None, 0, ""),
    ("Reading 2", "", -1, None, 2, ""),
    ("Measured value", "", -1, None, 0, ""),
]


@pytest.mark.parametrize(("text", "word", "wall", "direction", "trial", "unit"), READINGS, ids=[r[0] for r in READINGS])
def test_readings(text: str, word: str, wall: int, direction: float | None, trial: int, unit: str) -> None:
    found = Vocabulary(kit()).meaning(text)
    assert (found.kind, found.word, found.wall, found.direction, found.trial, found.unit) == (
        "reading",
        word,
        wall,
        direction,
        trial,
        unit,
    )


@pytest.mark.parametrize(
    "text", ["Nominal dia", "Lower limit", "Mean dia", "Max Ø", "True position", "Size check", "Basic x", "Result OK?"]
)
def test_what_is_no_reading_is_known_as_none(text: str) -> None:
    assert Vocabulary(kit()).meaning(text).kind in {"ignored", "unknown"}


@pytest.mark.parametrize("text", ["Bolt", "Hole dia depth", "x y", "", "Supplier", "0.4581", "near far dia"])
def test_what_is_not_understood_to_the_last_word_is_unknown(text: str) -> None:
    assert Vocabulary(kit()).meaning(text).kind != READING


def test_a_kit_names_its_own_headings_walls_and_holes() -> None:
    own = kit(KIT, headings='"Bohrung" = "hole"\n"Maß" = "diameter"\n"Prüfer" = "by"\n"Zeile" = "ignore"')
    words = Vocabulary(own)
    assert words.meaning("bohrung").word == "hole"
    assert words.meaning("Maß 90 [mm]") == Vocabulary(own).meaning("Dia 90 [mm]")
    assert words.meaning("Zeile").kind == "ignored"
    skins = kit(
        KIT.replace('names = ["near", "far"]', 'names = ["skin", "rib"]').replace(
            'walls = ["near", "far"]', 'walls = ["skin", "rib"]'
        )
    )
    assert Vocabulary(skins).meaning("rib dia 0").wall == 1
    assert Vocabulary(kit(KIT_MM)).meaning("Hole B dia").hole == "B"


def test_a_hole_is_named_by_its_whole_number_alone() -> None:
    words = Vocabulary(kit())
    for text in ("3", "Hole 3", "H3", "#3", "hole no. 3", "③", "Bohrung 3", "pos. 3"):
        assert words.names_hole(text), text
    for text in ("30", "3.5", "3,5", "13", "P-1003", "0.4573", "1.5003", "Hole 33", "3 near", "dia 90", "", "no. 03"):
        assert not words.names_hole(text), text


def test_an_unknown_column_is_counted_and_not_read(tmp_path: Path) -> None:
    rows = [[*row, extra] for row, extra in zip(wide(), ["Wobble", 1, 2, 3, None, 5, 6, 7, 8], strict=True)]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    problem = only(readings, "unread-column")
    assert problem.cell == "J1"
    assert problem.found == "'1' and so on, from J2"
    assert "'Wobble'" in problem.message
    assert "7 filled cells" in problem.message
    assert "[headings]" in problem.action


def test_unknown_headings_come_first_and_once(tmp_path: Path) -> None:
    rows = [[*row, extra] for row, extra in zip(wide(), ["Wobble", *range(8)], strict=True)]
    for row in rows[1:]:
        row[4] = "middle"  # a wall that the kit hasn't, in every row
    said = [p.code for p in read(workbook(tmp_path / "a.xlsx", rows), kit()).problems]
    assert said.index("unread-column") < said.index("unknown-wall")
    assert said.count("unread-column") == 1


def test_an_unknown_heading_over_tables_side_by_side_is_told_once(tmp_path: Path) -> None:
    rows = [["Serial", "Part", "Wobble", "Hole", "Wall", "Dia 0", "Hole", "Wall", "Dia 0"]]
    rows += [["P-7", "port", 9, h, "near", 0.4581, h, "far", 0.4583] for h in (1, 2, 3, 4)]
    assert only(read(workbook(tmp_path / "a.xlsx", rows), kit()), "unread-column").cell == "C1"


@pytest.mark.parametrize(
    ("go", "no_go"),
    [("Go gage", "No-go gage"), ("GO plug gauge", "NO-GO plug gauge"), ("GO plug", "Not go plug"), ("GO pin", "NOGO")],
)
@pytest.mark.parametrize(("yes", "no"), [("pass", "no"), ("enters", "does not enter"), ("ok", "ok"), ("Y", "N")])
def test_go_and_no_go_gauges_with_answers_are_checks(go: str, no_go: str, yes: str, no: str, tmp_path: Path) -> None:
    rows = [[*row, *((go, no_go) if at == 0 else (yes, no))] for at, row in enumerate(wide())]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    table = readings.table
    assert codes(readings) == []
    assert set(table["word"][table["characteristic"] == "go"]) == {"enters"}
    assert set(table["word"][table["characteristic"] == "no_go"]) == {"does not enter"}


def test_a_go_gauge_with_its_number_names_the_gauge(tmp_path: Path) -> None:
    rows = [[*row, *(("GO", "GO gauge") if at == 0 else ("enters", "PL-1"))] for at, row in enumerate(wide())]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    table = readings.table
    assert codes(readings) == []
    assert set(table["gauge"][table["characteristic"] == "go"]) == {"PL-1"}
    above = [["GO gauge:", "PL-1"], [], *([*row[:-1]] for row in rows)]
    table = read(workbook(tmp_path / "b.xlsx", above), kit()).table
    assert set(table["gauge"][table["characteristic"] == "go"]) == {"PL-1"}


def test_a_part_named_like_a_heading_keeps_its_rows(tmp_path: Path) -> None:
    # 'plate' stands over parts elsewhere; here it names one, beside a serial number that reads like two holes
    spec = kit(KIT_MM + '[[part]]\nname = "plate"\n')
    rows = [["Serial", "Part", "Hole", "Dia 0", "Dia 90"]]
    rows += [["B-1", "plate", hole, "11.58", "11.59"] for hole in "AC"] + [["1+B", "plate", "C", "11.61", "11.60"]]
    assert len(read(text_file(tmp_path / "a.csv", rows), spec).table) == 6
    assert not Vocabulary(spec).meaning("plate").is_known
    part = kit(KIT_MM + '[[part]]\nname = "part"\n')
    assert Vocabulary(part).meaning("part").word == "part"
    rows = [[*row[:1], "part", *row[2:]] if at else row for at, row in enumerate(rows)]
    rows.append(["A", "part", "B", "11,61", "11.60"])
    assert len(read(text_file(tmp_path / "b.csv", rows), part).table) == 8


def test_means_and_limits_beside_the_readings_are_said_not_to_count(tmp_path: Path) -> None:
    rows = [[*row, extra, 0.455] for row, extra in zip(wide(), ["Mean dia", *[0.4582] * 8], strict=True)]
    rows[0][-1] = "Lower limit"
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    problem = only(readings, "not-readings")
    assert problem.found == "16 filled cells"
    assert "'Mean dia'" in problem.message
    assert "never judged" in problem.message
    assert codes(readings) == []


def test_a_row_of_averages_below_is_no_hole(tmp_path: Path) -> None:
    rows = [*wide(), ["P-7", "port", None, "Average", None, 0.4581, 0.4581, None, None]]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    assert codes(readings) == []
    assert only(readings, "summary-row").cell == "D10"
    assert len(readings.table) == 32


def test_a_second_heading_below_starts_a_second_table(tmp_path: Path) -> None:
    sizes = [["Hole", "Wall", "Dia 0", "Dia 90"], *([r[3], r[4], r[5], r[6]] for r in wide()[1:])]
    places = [["Hole", "Wall", "X", "Y"], *([r[3], r[4], r[7], r[8]] for r in wide()[1:])]
    rows = [
        ["Serial:", "P-7"],
        ["Part:", "port"],
        [],
        *sizes,
        [],
        ["Positions"],
        *places,
        [],
        ["Inspected by: bench 2"],
    ]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    assert codes(readings) == []
    assert readings.table["characteristic"].value_counts()["x"] == 8
    assert set(readings.table["serial"]) == {"P-7"}
    assert set(readings.table["by"]) == {"", "bench 2"}


def test_same_heading_twice_is_a_repeat(tmp_path: Path) -> None:
    rows = [["Serial", "Hole", "Dia", "Dia", "Dia"], ["D-1", "A", 11.58, 11.59, 11.58], ["D-1", "B", 11.6, 11.6, 11.6]]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit(KIT_MM))
    assert readings.table["trial"].tolist() == [1, 2, 3, 1, 2, 3]
    assert only(readings, "repeated-heading").cell == "D1"


UNITS: list[tuple[str, list[list[Any]], list[str]]] = [
    ("heading", [["Serial", "Hole", "Dia [in]"], ["D-1", "A", 0.456]], []),
    ("column", [["Serial", "Hole", "Dia", "Unit"], ["D-1", "A", 0.456, "inch"]], []),
    ("field", [["Units:", "in"], ["Serial", "Hole", "Dia"], ["D-1", "A", 0.456]], []),
    ("title", [["All dimensions in inches"], ["Serial", "Hole", "Dia"], ["D-1", "A", 0.456]], []),
    ("cell", [["Serial", "Hole", "Dia [mm]"], ["D-1", "A", '0.456"']], []),
    ("cell before column", [["Serial", "Hole", "Dia", "Unit"], ["D-1", "A", "0.456 in", "mm"]], []),
    (
        "heading against field",
        [["Units:", "mm"], ["Serial", "Hole", "Dia [in]"], ["D-1", "A", 0.456]],
        ["unit-conflict"],
    ),
]


@pytest.mark.parametrize(("where", "rows", "said"), UNITS, ids=[u[0] for u in UNITS])
def test_units_may_stand_anywhere(where: str, rows: list[list[Any]], said: list[str], tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit(KIT_MM))
    assert codes(readings) == said
    assert readings.table["value"].tolist() == pytest.approx([0.456 * 25.4])
    assert readings.table["unit"].tolist() == ["in"]


def test_no_unit_is_the_kits_and_said(tmp_path: Path) -> None:
    rows = [["Serial", "Hole", "Dia"], ["D-1", "A", 11.58]]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit(KIT_MM))
    assert "taken in the kit's unit, mm" in only(readings, "unit-not-stated").message
    stated = read(tmp_path / "a.xlsx", kit(KIT_MM), unit="in")
    assert stated.table["value"].tolist() == pytest.approx([11.58 * 25.4])


def test_who_is_named_nowhere(tmp_path: Path) -> None:
    rows = [["Hole", "Wall", "Dia 0"], [1, "near", 0.4581], [1, None, 0.4582], [None, "far", 0.4583]]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    assert codes(readings) == ["filled-down", "serial-missing", "part-missing", "wall-missing"]
    assert all(p.holds for p in readings.problems if p.code.endswith("missing"))
    named = read(tmp_path / "a.xlsx", kit(), serial="P-1", part="port")
    assert codes(named) == ["filled-down", "wall-missing"]
    assert set(named.table["serial"]) == {"P-1"}


def test_a_hole_is_missing_where_nothing_tells_rows_apart(tmp_path: Path) -> None:
    rows = [["Serial", "Hole", "Dia"], ["D-1", "A", 11.58], ["D-1", None, 11.6]]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit(KIT_MM))
    problem = only(readings, "hole-missing")
    assert (problem.cell, problem.holds, problem.serial) == ("A3", True, "D-1")
    assert (readings.table["doubt"] == "hole-missing").tolist() == [False, True]


def test_the_sheets_name_is_the_serial_only_if_nothing_else_says_it(tmp_path: Path) -> None:
    rows = [["Hole", "Dia"], ["A", 11.58]]
    named = read(workbook(tmp_path / "a.xlsx", rows, sheet="D-17"), kit(KIT_MM))
    assert set(named.table["serial"]) == {"D-17"}
    assert only(named, "serial-from-sheet-name").severity == "note"
    plain = read(workbook(tmp_path / "b.xlsx", rows, sheet="Sheet1"), kit(KIT_MM))
    assert codes(plain) == ["serial-missing"]
    fields = read(workbook(tmp_path / "c.xlsx", [["S/N", "D-18"], *rows], sheet="D-17"), kit(KIT_MM))
    assert set(fields.table["serial"]) == {"D-18"}


def test_titles_that_say_it_in_passing(tmp_path: Path) -> None:
    rows = [["Plates, S/N P-12, port side, 3 Nov 2026"], [], *([r[3:] for r in wide()])]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    row = readings.table.iloc[0]
    assert (row["serial"], row["part"], str(row["date"])[:10]) == ("P-12", "port", "2026-11-03")
    assert codes(readings) == []


@pytest.mark.parametrize(
    "title",
    [
        "Bleche, Serien-Nr. P-12, 3. November 2026",
        "Plaques, N° de série P-12, 3 novembre 2026",
        "Placas, número de serie P-12, 3 de noviembre de 2026",
        "Plates, S/N P-12, 3 Nov 2026",
    ],
)
def test_titles_of_four_languages(title: str, tmp_path: Path) -> None:
    rows = [[title], ["Part:", "port"], [], *([r[3:] for r in wide()])]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    row = readings.table.iloc[0]
    assert (row["serial"], str(row["date"])[:10]) == ("P-12", "2026-11-03")


@pytest.mark.parametrize(
    ("title", "unit"),
    [
        ("Alle Maße in mm", "mm"),
        ("Toutes les cotes en mm", "mm"),
        ("Medidas en pulgadas", "in"),
        ("Maße in Zoll", "in"),
        ("All dimensions in inches", "in"),
    ],
)
def test_units_in_titles_of_four_languages(title: str, unit: str, tmp_path: Path) -> None:
    rows = [[title], [], ["Serial", "Hole", "Dia"], ["D-1", "A", 11.58 if unit == "mm" else 0.456]]
    assert read(workbook(tmp_path / "a.xlsx", rows), kit(KIT_MM)).table["unit"].tolist() == [unit]


def test_good_and_scrap_side_by_side_are_the_two_ends_of_a_plug(tmp_path: Path) -> None:
    """Either alone may be the part's; together they say the same of the hole in both senses (common practice)."""
    rows: list[list[Any]] = [["Bohrung", "Wand", "Ø 0°", "Ø 90°", "X", "Y", "Gut", "Ausschuss"]]
    rows += [[str(n), "near", 0.458, 0.4582, 1.5, 1.25, "geht", "geht nicht"] for n in (1, 2)]
    for cut, words in ((8, {"go", "no_go"}), (7, set())):
        readings = read(text_file(tmp_path / f"{cut}.csv", [row[:cut] for row in rows]), kit(), serial="P-1")
        assert set(readings.table["characteristic"]) - {"diameter", "x", "y"} == words


@pytest.mark.parametrize("first", ["", "-"])
def test_a_line_of_units_below_the_headings(first: str, tmp_path: Path) -> None:
    rows = [["Hole", "Dia 0", "X", "Y", "Surface"], [first, "inch", "mm", "mm", first]]
    rows += [["A", 0.4559, 20.05, 9.98, "clean"], ["B", 0.4571, 60.02, 10.04, "clean"]]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit(KIT_MM), serial="M-1")
    sizes = readings.table[readings.table["characteristic"] == "diameter"]
    assert sizes["value"].tolist() == pytest.approx([0.4559 * 25.4, 0.4571 * 25.4])
    assert readings.table[readings.table["characteristic"] == "x"]["value"].tolist() == [20.05, 60.02]
    assert not [p for p in readings.problems if p.holds]
