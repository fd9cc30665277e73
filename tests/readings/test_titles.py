"""What a sheet says it is of: drawing, revision, kit, part and gauge in any title; serial numbers spelt in two ways."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from making import KIT, codes, kit, only, read, wide, workbook

from holeqc.problems import ReadingsError
from holeqc.readings.headings import Vocabulary
from holeqc.readings.identities import Gauges, Parts, Titles, serial_in_sheet_name
from holeqc.specification.model import Specification

NAMED = KIT.replace('revision = "B"', 'revision = "B"\ndrawing = "BL7-210"')
NUMBERED = NAMED.replace('name = "port"\n', 'name = "port"\nnumber = "BL7-210-1"\n', 1).replace(
    'name = "starboard"\n', 'name = "starboard"\nnumber = "BL7-210-2"\n', 1
)
SINGLE = """
[kit]
id = "AP8"
revision = "A"
unit = "in"
drawing = "AP8-100"
[size]
lower = 0.455
upper = 0.462
[[hole]]
id = "1"
[[hole]]
id = "2"
"""

TITLES: list[tuple[str, list[tuple[str, str, bool | None]]]] = [
    ("Drawing BL7-210 Rev B", [("drawing", "BL7-210", True), ("revision", "B", True)]),
    ("DRAWING NO. BL7-210 REV. B", [("drawing", "BL7-210", True), ("revision", "B", True)]),
    ("Drawing: bl7 210, revision b", [("drawing", "bl7 210", True), ("revision", "b", True)]),
    ("Dwg BL7-210 Rev C", [("drawing", "BL7-210", True), ("revision", "C", False)]),
    ("Drawing BL7-220 Rev B", [("drawing", "BL7-220", False), ("revision", "B", True)]),
    ("Drawing AP8-100 Rev A", [("drawing", "AP8-100", False), ("revision", "A", False)]),
    ("BL7-210 C", [("drawing", "BL7-210", True), ("revision", "C", False)]),
    ("BL7-210/B", [("drawing", "BL7-210", True), ("revision", "B", True)]),
    ("Ladder plates BL7-210", [("drawing", "BL7-210", True)]),
    ("Zeichnungs-Nr. BL7-210 Index B", [("drawing", "BL7-210", True), ("revision", "B", True)]),
    ("Zeichnung BL9-210, Änderungsindex B", [("drawing", "BL9-210", False), ("revision", "B", True)]),
    ("Plan n° BL7-210 indice C", [("drawing", "BL7-210", True), ("revision", "C", False)]),
    ("Plano nº BL7-999", [("drawing", "BL7-999", False)]),
    ("Kit T-4 rev B", [("kit", "T-4", True), ("revision", "B", True)]),
    ("Kit T-5 rev B", [("kit", "T-5", False), ("revision", "B", True)]),
    ("Rev C", [("revision", "C", False)]),
    ("P/N BL7-210-1", [("part", "BL7-210-1", True)]),
    ("P/N BL7-210-3", [("part", "BL7-210-3", False)]),
    ("Part no. BL7-210-2", [("part", "BL7-210-2", True)]),
    ("Drawing BL7-210-1", [("drawing", "BL7-210-1", True)]),
    ("Gauge BG-2", [("gauge", "BG-2", True)]),
    ("Instrument: BG-9", [("gauge", "BG-9", False)]),
    ("Part P-0113", [("part", "P-0113", None)]),
    ("Form QF-12 Rev 3", []),
    ("Formblatt 4711 Rev. 2", []),
    ("Hole inspection record", []),
    ("Order 4711, job 12-345", []),
    ("Material EN AW-6082 T6", []),
    ("12.03.2026", []),
    ("Drawing of 12.03.2026", []),
    ("Printed 2026-11-02 14:05", []),
    ("Page 1 of 2", []),
    ("Serial P-7, port side, 3 Nov 2026", []),
    ("Rev by bench 2", []),
    ("Review on 3 Nov 2026", []),
    ("all holes 0.455 to 0.462 in", []),
    ("GO gauge 0.455", []),
    ("Teil 2 von 4", []),
    ("", []),
]


@pytest.mark.parametrize(("text", "named"), TITLES, ids=[t[0] or "blank" for t in TITLES])
def test_what_a_title_names(text: str, named: list[tuple[str, str, bool | None]]) -> None:
    found = Titles(kit(NUMBERED)).names_in(text)
    assert [(n.kind, n.value, n.agrees) for n in found] == named


FIELDS: list[tuple[str, str, list[bool | None]]] = [
    ("drawing", "BL7-210", [True]),
    ("drawing", "BL7-210 Rev B", [True, True]),
    ("drawing", "BL7-210 rev. C", [True, False]),
    ("drawing", "BL7-220", [False]),
    ("drawing", "see folder", []),
    ("revision", "B", [True]),
    ("revision", "C", [False]),
    ("kit", "T-4", [True]),
    ("kit", "BL-8", [False]),
    ("part", "port", []),
    ("part", "BL7-210-2", [True]),
]


@pytest.mark.parametrize(("word", "text", "agrees"), FIELDS, ids=[f"{f[0]} {f[1]}" for f in FIELDS])
def test_what_a_field_names(word: str, text: str, agrees: list[bool | None]) -> None:
    assert [n.agrees for n in Titles(kit(NUMBERED)).names_in(text, word)] == agrees


def test_a_kit_that_names_no_drawing_cannot_tell_another() -> None:
    assert [n.agrees for n in Titles(kit()).names_in("Drawing AP8-100")] == [None]
    assert [n.agrees for n in Titles(kit(NAMED)).names_in("Drawing BL7-210-3")] == [None], "its parts have no numbers"
    unrevised = kit(NAMED.replace('revision = "B"\n', ""))
    assert [n.kind for n in Titles(unrevised).names_in("Drawing BL7-210 Rev K")] == ["drawing"]


def test_the_kits_number_names_the_part_of_a_one_part_kit() -> None:
    one, two = kit(SINGLE), kit(NUMBERED)
    for text in ("AP8-100", "ap8 100", "AP8-100 Rev A", "AP8"):
        match = Parts(one).match(text)
        assert match.code == 0, text
        assert match.issue is None or not match.issue.holds
    for text in ("AP8-200", "AP8-100 Rev B", "port"):
        assert Parts(one).match(text).code == -1, text
    assert Parts(two).match("BL7-210").code == -1, "the drawing of both"
    assert Parts(two).match("bl7-210-2").code == 1
    assert Parts(two).match("P/N BL7-210-2").code == 1


@pytest.mark.parametrize(
    ("typed", "gauge", "known"),
    [
        ("BG-2", "BG-2", True),
        ("bg2", "BG-2", True),
        ("Bore gauge BG-2", "BG-2", True),
        ("BG-2 (0.0001)", "BG-2", True),
        ("BG-22", "BG-22", False),
        ("BG-2, CM-1", "BG-2, CM-1", False),
        ("BG-9", "BG-9", False),
        ("BG-2-7", "BG-2-7", False),
        ("caliper", "caliper", False),
    ],
)
def test_gauges_named_with_words_around_them(typed: str, gauge: str, known: bool) -> None:
    match = Gauges(kit()).match(typed)
    assert match.text == gauge
    assert (match.issue is None) == known


@pytest.mark.parametrize(
    "label", ["Instrument", "Gage S/N", "Tool", "Messmittel", "Moyen de contrôle", "Measured with"]
)
def test_an_unknown_gauge_holds_whatever_its_field_is_called(label: str, tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "a.xlsx", [[f"{label}:", "BG-9"], [], *wide()]), kit())
    assert only(readings, "unknown-gauge").holds
    assert Vocabulary(kit()).meaning(label).word == "gauge"


def serials(*names: str) -> list[list[Any]]:
    rows = wide()
    for place, row in enumerate(rows[1:]):
        row[0] = names[place * len(names) // 8]
    return rows


@pytest.mark.parametrize("other", ["ap-1", "AP 1", "AP1", "Ap/1"])
def test_one_serial_spelt_in_two_ways_holds_both(other: str, tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "a.xlsx", serials("AP-1", other)), kit())
    found = [p for p in readings.problems if p.code == "serials-alike"]
    assert [p.serial for p in found] == ["AP-1", other]
    assert all(p.holds for p in found)
    assert f"'AP-1' and {other!r}" in found[0].message
    assert "see F2 and F6" in found[0].message


@pytest.mark.parametrize("names", [("1-12", "11-2"), ("AP-1", "AP-2"), ("AP-1", "AP-1A"), ("A1", "A11")])
def test_serials_that_only_look_alike_are_two(names: tuple[str, str], tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "a.xlsx", serials(*names)), kit())
    assert "serials-alike" not in codes(readings)


def test_zeros_in_front_are_a_warning(tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "a.xlsx", serials("AP-001", "AP-1")), kit())
    assert not only(readings, "serials-alike").holds


@pytest.mark.parametrize(
    ("name", "serial"),
    [
        ("P-12", "P-12"),
        ("SN 0042", "SN 0042"),
        ("Sheet1", ""),
        ("Tabelle 2", ""),
        ("Feuil3", ""),
        ("Hoja1", ""),
        ("Bohrungen 2", ""),
        ("Sheet1 (2)", ""),
        ("2026-11-02", ""),
        ("02.11.2026", ""),
        ("BL7-210", ""),
        ("BL7-210 Rev B", ""),
        ("Kit T-4", ""),
        ("Readings", ""),
    ],
)
def test_serials_in_names_of_sheets(name: str, serial: str) -> None:
    spec: Specification = kit(NUMBERED)
    assert serial_in_sheet_name(name, Titles(spec)) == serial


@pytest.mark.parametrize(
    ("title", "kind"),
    [
        ("Drawing BL7-220 Rev B", "drawing"),
        ("BL7-210 Rev C", "revision"),
        ("Kit T-5", "kit"),
        ("P/N BL7-210-9", "part"),
        ("Zeichnung AP8-100, Index A", "drawing"),
    ],
)
@pytest.mark.parametrize("below", [False, True])
def test_a_sheet_of_another_drawing_is_refused(title: str, kind: str, below: bool, tmp_path: Path) -> None:
    rows = [*wide(), [], [title]] if below else [["Ladder plates", None, title], [], *wide()]
    with pytest.raises(ReadingsError) as caught:
        read(workbook(tmp_path / "a.xlsx", rows), kit(NUMBERED))
    assert f"other-{kind}" in {p.code for p in caught.value.problems}
    assert caught.value.problems[0].cell == ("A11" if below else "C1")


@pytest.mark.parametrize(
    "title", ["Drawing BL7-210 Rev B", "BL7-210", "Kit T-4 rev B", "Form QF-12 Rev 3", "Order 4711", "P/N BL7-210-1"]
)
def test_a_sheet_of_this_drawing_is_read(title: str, tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "a.xlsx", [["Ladder plates", None, title], [], *wide()]), kit(NUMBERED))
    assert codes(readings) == []
    assert len(readings.table) == 32


@pytest.mark.parametrize(("label", "content"), [("Drawing:", "BL7-220"), ("Zeichnungs-Nr.", "BL7-220"), ("Rev", "C")])
def test_a_field_of_another_drawing_is_refused(label: str, content: str, tmp_path: Path) -> None:
    with pytest.raises(ReadingsError):
        read(workbook(tmp_path / "a.xlsx", [[label, content], [], *wide()]), kit(NUMBERED))


def test_an_unknown_gauge_in_a_title_holds(tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "a.xlsx", [["Read with gauge BG-9"], [], *wide()]), kit())
    assert only(readings, "unknown-gauge").holds
    known = read(workbook(tmp_path / "b.xlsx", [["Read with gauge BG-2"], [], *wide()]), kit())
    assert codes(known) == []


@pytest.mark.parametrize(
    "label", ["Tester", "Stamp", "Page 1 of 2", "Unterschrift", "Visa", "Firma", "Geprüft von", "Mittelwert"]
)
def test_rows_that_sign_or_sum_up_are_no_holes(label: str, tmp_path: Path) -> None:
    rows = [*wide(), [None, None, None, label, None, 3]]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    assert "unknown-hole" not in codes(readings)
    assert only(readings, "summary-row").cell == "D10"
    assert len(readings.table) == 32


@pytest.mark.parametrize("label", ["Gauge", "Bore gauge"])
@pytest.mark.parametrize(("named", "held"), [("ZX-4", True), ("BG-2", False)])
def test_a_gauge_above_a_column_of_gauges(label: str, named: str, held: bool, tmp_path: Path) -> None:
    rows = [[label, named], [], *([*row, "BG-2"] for row in wide())]
    rows[2][-1] = "Bore gauge"
    found = read(workbook(tmp_path / "a.xlsx", rows), kit())
    assert ("unknown-gauge" in codes(found)) == held
