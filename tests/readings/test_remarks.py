"""Remarks that speak against a hole, numbers in them, rows that sign a sheet off; four languages.

Common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from making import KIT_MM, kit, only, read, wide, workbook

from holeqc.readings.words import is_signature, numbers_in, remark_against, speaks_of_defect

DEFECTS = {
    "crack": "crack|Crack at 3 o'clock|small crack near edge|cracked|hairline crack?|Riss|Haarriss am Rand|fissure|"
    "crique|grieta|Fisura en la salida|hole no. 4 cracked|no burrs, crack far wall|CRACK!|no coolant, crack seen|"
    "crack removed by stop drill|crack found|no doubt: crack|two cracks|burrs removed, crack left",
    "burr": "burr|burrs far side|small burr at exit|Grat|Grat hinten|bavure|bavures côté sortie|rebaba|"
    "burr not removed|burr could not be removed|could not remove burr|not deburred|needs deburring|"
    "nicht entgratet|non ébavuré|no burr near but burr far|Grate nicht entfernt|burr at entry, none at exit|"
    "burr at the exit, will be dressed|burr to be removed|burr must be removed|Grat muss entfernt werden|"
    "clean but burr",
    "scratch": "scratched|deep scratch|gouge in wall|galled|Kratzer|Riefen|rayure|Rayé|arañazos|torn",
    "oversize": "oversize|OVER SIZE|over-size|too big|hole too large|reamed out|zu groß|ZU GROSS|Übermaß|trop grand|"
    "demasiado grande|looks oversized",
    "undersize": "undersize|too small|zu klein|trop petit|muy pequeño",
    "out of round": "elongated|egg shaped|egg-shaped|oval|out of round|not round|unrund|ovale|ovalado|bell-mouthed",
    "chatter": "chatter|chatter marks|Rattermarken|broutage",
    "drilled twice": "double drilled|redrilled|re-drilled|drilled twice|doppelt gebohrt|percé deux fois",
    "rework": "rework|reworked|after rework|re-reamed|reamed again|nachgearbeitet|Nacharbeit|retouché|retrabajado",
    "misplaced": "wrong hole|off centre|drill walked|fixture slipped|off location",
    "damage": "damaged|edge broke out|beschädigt|endommagé|dañado|defect",
    "NO-GO enters": "NO-GO enters|NO GO goes|no-go plug goes in|nogo drops in|not go enters|no pasa entra|"
    "n'entre pas entre|NO-GO went in",
    "GO does not enter": "GO does not enter|GO plug stops|go wont go|GO doesn't fit",
    "bad": "NG|N.G.|n.i.O.|niO|NOK|not OK|not good|reject|scrap|failed|Ausschuss|rebut|no conforme|bad hole|schlecht",
}  # fmt: skip


@pytest.mark.parametrize(("defect", "text"), [(d, t) for d, line in DEFECTS.items() for t in line.split("|")])
def test_remarks_that_speak_of_a_defect(defect: str, text: str) -> None:
    assert speaks_of_defect(text) == defect


NOTHING = (
    "|ok|OK, good|no burrs|no burr|No burrs or cracks|no cracks found|no visible cracks|burr free|burr-free|deburred|"
    "burr removed|burrs at exit removed|burr at exit, removed|removed small burr|burrs: none|burrs none|Burr = 0|"
    "crack: no|cracks - none|cracks not found|without burrs|not cracked|no sign of any crack|"
    "keine Grate|kein Grat|gratfrei|rissfrei|ohne Risse|entgratet|Grat entfernt|Grat: keiner|keine Risse oder Grate|"
    "nicht gerissen|i.O.|in Ordnung|ohne Fehler|sauber|"
    "pas de bavure|sans bavures|aucune fissure|ébavuré|bavure enlevée|sans défaut|RAS|conforme|"
    "sin rebabas|ninguna grieta|rebaba eliminada|sin defectos|no hay|limpio|"
    "not bad|no damage|no scratches|no rework|not oversize|NO-GO does not enter|NO-GO stops|no-go plug won't go|"
    "GO enters, NO-GO does not enter|GO goes|no go|new drill|drill changed|drilled and reamed|coolant on|"
    "re-read .4702|second shift|22 °C|operator 3|drill 29/64|see photo|bench 2|checked twice|12.03.2026|first article"
)


@pytest.mark.parametrize("text", NOTHING.split("|"))
def test_remarks_that_speak_of_none(text: str) -> None:
    assert speaks_of_defect(text) == ""


NUMBERS: list[tuple[str, tuple[float, ...]]] = [
    ("0.4700", (0.47,)),
    ("re-read .4702", (0.4702,)),
    ("first .4611, then 0.4615", (0.4611, 0.4615)),
    ("gemessen 11,63 mm", (11.63,)),
    ('0.4702"', (0.4702,)),
    ("(0.4702)", (0.4702,)),
    ("was 0.4599.", (0.4599,)),
    ("dev +0.0012", (0.0012,)),
    ("12.03.2026", ()),
    ("12.03.26", ()),
    ("14:05", ()),
    ("rev 1.2.3", ()),
    ("0.4565.4.9770", (0.4565,)),  # two numbers with a point for a comma
    ("21.50 °C", ()),
    ("99.73 %", ()),
    ("drill 29/64", ()),
    ("hole 3", ()),
    ("22.5", ()),
    ("BG-2.01", ()),
    ("", ()),
]


@pytest.mark.parametrize(("text", "found"), NUMBERS, ids=[n[0] for n in NUMBERS])
def test_numbers_in_remarks(text: str, found: tuple[float, ...]) -> None:
    assert numbers_in(text) == found


SIGNED = (
    "Tester|Tester: 3|Stamp|STAMP:|Signature ______|Signed|Page 1 of 2|Page 3|Seite 1 von 2|Seite: 1|Blatt 2/3|"
    "Unterschrift|Geprüft von:|GEPRUEFT VON|Prüfer: 2|Stempel|Datum|Visa|Cachet|Contrôlé par : 4|Contrôleur|Firma|"
    "Sello|Aprobado por|Página 2 de 2|Fecha:|Inspected by|Approved by: ....|Date: 2026-11-02|Signature of inspector"
)


@pytest.mark.parametrize("text", SIGNED.split("|"))
def test_rows_that_sign_a_sheet_off(text: str) -> None:
    assert is_signature(text)


NOT_SIGNED = "1|A|H3|Hole 3|near|Near wall|P-7|port|0.4581|clean|Note|Dia 0|Bohrung 2|T1|Trou 4|S-1|P1|Test"


@pytest.mark.parametrize("text", NOT_SIGNED.split("|"))
def test_what_signs_nothing(text: str) -> None:
    assert not is_signature(text)


@pytest.mark.parametrize("unit", ["burr ", "no ", "not burr removed ", "0.47 ", "n i ", "no-", "go ", "' ", "é"])
def test_long_remarks_end_soon(unit: str) -> None:
    """Work grows with the length only: a remark of a hundred thousand characters is read like any other."""
    text = unit * (100_000 // len(unit))
    assert isinstance(speaks_of_defect(text), str)
    assert isinstance(numbers_in(text), tuple)
    assert not is_signature(text)


@pytest.mark.parametrize(
    ("text", "ticked"),
    [
        ("Accept [ ] Reject [x]", "Reject"),
        ("[ ] Accept [X] Reject", "Reject"),
        ("☐ OK ☒ Scrap", "Scrap"),
        ("OK ( ) NOK (x)", "NOK"),
        ("Gut [ ]  Ausschuss [✓]", "Ausschuss"),
        ("oversize [x]", "oversize"),
        ("Accept [x] Reject [ ]", ""),
        ("[x] Accept [ ] Reject", ""),
        ("☑ OK ☐ Scrap", ""),
        ("If any hole is oversize or cracked, stop and call QA.", ""),
        ("N = near, F = far", ""),
    ],
)
def test_boxes_that_are_ticked_speak_and_empty_ones_are_a_form(text: str, ticked: str, tmp_path: Path) -> None:
    found = read(workbook(tmp_path / "a.xlsx", [*wide(), [], [text]]), kit())
    held = [p.message for p in found.problems if p.code == "cell-not-read"]
    assert bool(held) == bool(ticked)
    assert not held or f"a box is ticked at {ticked!r}" in held[0]


@pytest.mark.parametrize("text", ["2 = cracked", "hole 3 = oversize", "4 = 0.4702"])
def test_what_is_said_of_a_hole_is_no_legend(text: str, tmp_path: Path) -> None:
    assert only(read(workbook(tmp_path / "a.xlsx", [*wide(), [], [text]]), kit()), "cell-not-read").holds


def test_a_column_of_parts_with_sizes_in_it(tmp_path: Path) -> None:
    rows = [["Hole", "Part", "Dia 0", "X", "Y"], ["A", 11.83, 11.58, 20.05, 9.98], ["B", 11.61, 11.62, 60.02, 10.04]]
    problem = only(read(workbook(tmp_path / "a.xlsx", rows), kit(KIT_MM), serial="M-1"), "outside-beside-readings")
    assert (problem.cell, problem.hole, problem.holds) == ("B2", "A", True)


#: what people without knowledge of the code wrote into a column of remarks, invented; none of it may pass unseen
AGAINST = (
    "loose|sloppy|pin falls through|won't take the pin|pin doesn't fit|burned|chatter|tapered|ovality|not round|"
    "not to print|OOT|O/S|U/S|too big|too small|mis-drilled|wrong drill used|drill broke in hole|bit stuck inside|"
    "step inside|ridge inside|scored|hairline|delaminated|blowout|spalled|pitted|rusty inside|not deburred|"
    "needs reaming|to be reamed|redo|quarantine|red tag|F|FAIL|NOK|KO|NC|R|REJ|✗|❌|👎|3 thou over|over by .002|"
    "just over|a hair big|over|under|high|low|out|not ok|not good|bad|poor|junk|bin it|NFG|mislocated|off center|"
    "crooked|at an angle|not perpendicular|too close to edge|short edge distance|hit the spar|fails|failed pin check|"
    "NO GO goes|no-go passes|GO won't go|plug stuck|can't get GO in|dinged|dented|bent|split|fractured|flaw|"
    "void in casting|porosity|melted|heat damage|countersunk by mistake|tapped by mistake|filled with epoxy|"
    "plug weld|helicoil|does not meet drawing|nonconforming|non-conformance|discrepant|rejected by customer|Schrott|"
    "zu klein|Übermaß|Untermaß|verlaufen|Bohrer gebrochen|Riefen|unrund|schief|Nacharbeit|gesperrt|außer Toleranz|"
    "Maß nicht gehalten|Lehre klemmt|Stift passt nicht|ausgebrochen|eingerissen|beschädigt|Kratzer|verbohrt|"
    "falscher Bohrer|NIO|nicht in Ordnung|zu weit|hors tolérance|HT|non conforme|à reprendre|rayé|bavure|trop petit|"
    "mal placé|décalé|foret cassé|ovale|abîmé|refusé|fêlure|fendu|trop large|pas bon|ne passe pas|rajado|"
    "fuera de medida|no conforme|rechazo|rebaba|chatarra|mal|no pasa|malo|descentrado|ovalado|broca rota|retrabajar|"
    "rayado|roto|dañado|demasiado pequeño|flojo|no sirve|?|??|!|⚠|X|H|suspect|questionable|unsure|not sure|guess|"
    "estimated|couldn't measure|not measured|copied from hole 4|gauge slipped|battery low|wrong gauge|hold|MRB|"
    "check again|verify|recheck|call QC|concession?|measured hot|hard to read|might be hole 6|walls swapped?|prüfen|"
    "nochmal messen|unklar|fraglich|nicht gemessen|à revoir|douteux|à remesurer|pas mesuré|dudoso|repetir|no medido|"
    "verificar|not final|before ream|pilot only|to confirm|zero shifted|gauge not zeroed|temp?"
)
HARMLESS = (
    "ok|good|fine|looks great|in spec|no crack|no cracks|no defects|not cracked|crack free|no damage|clean|deburred|"
    "smooth|nice finish|within limits|passes|accepted|OK per insp 12|re-checked ok|first piece|new drill|sharp drill|"
    "coolant on|sauber|gut|i.O.|in Ordnung|keine Risse|rissfrei|gratfrei|kein Grat|bon|conforme|RAS|sans bavure|"
    "pas de fissure|propre|bien|sin grietas|sin rebabas|correcto|limpio|aceptado|tight fit, ok|measured at mid depth|"
    "operator 12|second shift|A|P|✓|-|n/a|none|nil|keine|néant|ninguna|pin fits|pin drops in|GO ok, NO-GO ok|reamed|"
    "reamed to size|bushing B5|entry side|no burr|no burrs|burr removed|not oversize|not scrap"
)


def test_remarks_of_strangers() -> None:
    assert [text for text in AGAINST.split("|") if not remark_against(text)] == []
    assert [text for text in HARMLESS.split("|") if remark_against(text)] == []


@pytest.mark.parametrize(
    ("text", "held"),
    [
        ("7 of 8 pins drop in", True), ("8 of 8 pins drop in", False), ("Qty accepted: 0", True),
        ("page 1 of 2", False), ("8 of 8 checked, 6 accepted", True), ("Reject: 1", True), ("Reject: 0", False),
        ("Holes out of limits: 2", True), ("Holes out of limits: 0", False), ("Do not ship", True),
        ("Gage zero off +.003", True), ("PRELIMINARY", True),
    ],
)  # fmt: skip
def test_counts_and_warnings_around_a_table(text: str, held: bool, tmp_path: Path) -> None:
    for rows in ([[text], [], *wide()], [*wide(), [], [text]]):
        found = read(workbook(tmp_path / "a.xlsx", rows), kit())
        assert any(p.holds for p in found.problems) == held


@pytest.mark.parametrize(
    ("head", "cells", "held"),
    [
        ("P/F", ["P", "P", "F", "P", "P", "P", "P", "P"], 1), ("QC", ["yes"] * 7 + ["no"], 1), ("QC", ["no"] * 8, 0),
        ("NO GO .256", ["no"] * 6 + ["yes", "no"], 1), ("Acc/Rej", ["R"] * 8, 8), ("NCR no.", [None] * 7 + ["4471"], 1),
        ("NCR no.", ["none"] * 8, 0), ("Limits", [".455-.462"] * 8, 0), ("Limits", [".445-.452"] * 8, 1),
        ("Limits", [".455-.462"] * 7 + ["OUT"], 1), ("Ovality", [0.0002] * 7 + [0.0081], 2), ("Shift", [2] * 8, 0),
    ],
)  # fmt: skip
def test_columns_that_no_heading_explains(head: str, cells: list[object], held: int, tmp_path: Path) -> None:
    rows = [[*row, cell] for row, cell in zip(wide(), [head, *cells], strict=True)]
    found = read(workbook(tmp_path / "a.xlsx", rows), kit())
    assert len({(p.cell, p.code) for p in found.problems if p.holds}) >= bool(held)
    assert bool(held) == any(p.holds for p in found.problems)


@pytest.mark.parametrize(
    ("name", "held"),
    [("REJECTED", True), ("do not use", True), ("old - before ream", True), ("Rev A (superseded)", True), ("NG", True),
     ("cracked hole 3", True), ("Draft", True), ("Old", True), ("on hold", True), ("wip", True), ("Seite 1 alt", True),
     ("ancien", True), ("Ancienne", True), ("viejo", True), ("vieja", True), ("Sheet1", False), ("P-77", False),
     ("near wall", False), ("Bolt holes", False), ("holder", False), ("Altona", False), ("gold", False)],
)  # fmt: skip
def test_the_name_of_a_sheet_may_speak(name: str, held: bool, tmp_path: Path) -> None:
    found = read(workbook(tmp_path / "a.xlsx", wide(), sheet=name), kit())
    assert ("sheet-name-speaks" in [p.code for p in found.problems]) == held


@pytest.mark.parametrize(("shown", "held"), [('0.0000" NG"', True), ('0.0000" in"', False), ('"cracked"', True)])
def test_words_that_a_number_format_shows(shown: str, held: bool, tmp_path: Path) -> None:
    book = openpyxl.load_workbook(workbook(tmp_path / "a.xlsx", wide()))
    book["Sheet1"]["F3"].number_format = shown
    book.save(tmp_path / "b.xlsx")
    assert any(p.holds for p in read(tmp_path / "b.xlsx", kit()).problems) == held
