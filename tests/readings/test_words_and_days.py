"""Words of plugs and surfaces, names of walls and parts, days and temperatures: read if clear, doubted if not.

Common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
from making import codes, kit, only, read, wide, workbook

from holeqc.readings.headings import Vocabulary
from holeqc.readings.identities import direction_of
from holeqc.readings.table import BURR, CLEAN, CRACK, DIRTY, ENTERS, STOPS
from holeqc.readings.values import date_of, fractions_of, latest_of, temperature_of
from holeqc.readings.words import hole_key, plug_word, surface_word

NONE: frozenset[str] = frozenset()

PLUGS = [
    ("go", "", "yes", ENTERS),
    ("go", "", "no", STOPS),
    ("go", "", "OK", ENTERS),
    ("go", "", "enters", ENTERS),
    ("go", "", "✓", ENTERS),
    ("go", "", "✗", STOPS),
    ("go", "", "does not enter", STOPS),
    ("go", "", "doesn't go", STOPS),
    ("go", "", "No-Go", STOPS),
    ("go", "", "x", ""),
    ("go", "", "tight", ""),
    ("go", "", 1.0, ""),
    ("go", "", "fail", STOPS),
    ("go", "", "TRUE", ENTERS),
    ("no_go", "", "does not enter", STOPS),
    ("no_go", "", "goes", ENTERS),
    ("no_go", "", "ok", STOPS),
    ("no_go", "", "reject", ENTERS),
    ("no_go", "", "no", STOPS),
    ("no_go", "", "yes", ""),
    ("no_go", "", "✓", ""),
    ("no_go", "enters", "yes", ENTERS),
    ("no_go", "enters", "no", STOPS),
    ("no_go", "enters", "ok", ""),
    ("no_go", "", "stops", STOPS),
    ("go", "", "ja", ENTERS),
    ("go", "", "Nein", STOPS),
    ("go", "", "Sí", ENTERS),
    ("go", "", "non", STOPS),
    ("go", "", "i.O.", ENTERS),
    ("go", "", "n.i.O.", STOPS),
    ("go", "", "passt", ENTERS),
    ("go", "", "passt nicht", STOPS),
    ("go", "", "entre", ENTERS),
    ("go", "", "n'entre pas", STOPS),
    ("go", "", "pasa", ENTERS),
    ("go", "", "NG", STOPS),
    ("go", "", "P", ENTERS),
    ("go", "", "F", ""),
    ("go", "", "0", ""),
    ("go", "enters", 1.0, ENTERS),
    ("go", "enters", 0.0, STOPS),
    ("go", "enters", "1", ENTERS),
    ("go", "enters", 2.0, ""),
    ("no_go", "", "i.O.", STOPS),
    ("no_go", "", "n.i.O.", ENTERS),
    ("no_go", "", "passt", ""),
    ("no_go", "", "passt nicht", STOPS),
    ("no_go", "", "pasa", ""),
    ("no_go", "", "no pasa", STOPS),
    ("no_go", "enters", "pasa", ENTERS),
    ("no_go", "", "ja", ""),
    ("no_go", "", "nein", STOPS),
    ("no_go", "", "entra", ENTERS),
    ("no_go", "", "N'entre pas", STOPS),
    ("no_go", "", "NG", ""),
    ("no_go", "", "P", ""),
    ("no_go", "", 1.0, ""),
]


@pytest.mark.parametrize(("kind", "ask", "typed", "word"), PLUGS, ids=[f"{p[0]} {p[1]} {p[2]}" for p in PLUGS])
def test_plug_words(kind: str, ask: str, typed: Any, word: str) -> None:
    assert plug_word(typed, kind, ask, NONE) == word


def test_no_under_a_bare_no_go_is_unclear_where_others_say_yes() -> None:
    assert plug_word("no", "no_go", "", frozenset({"no", "yes"})) == ""
    assert plug_word("no", "no_go", "", frozenset({"no", "does not enter"})) == STOPS
    assert plug_word("no", "no_go", "enters", frozenset({"no", "yes"})) == STOPS


def test_letters_of_a_column_tell_each_other() -> None:
    assert plug_word("P", "no_go", "", frozenset({"p", "f"})) == STOPS
    assert plug_word("F", "no_go", "", frozenset({"p", "f"})) == ENTERS
    assert plug_word("F", "go", "", frozenset({"p", "f"})) == STOPS
    assert plug_word("passt nicht", "no_go", "", frozenset({"passt nicht", "passt"})) == ""


BOTH_PLUGS = [
    ("GO", ENTERS, STOPS),
    ("OK", ENTERS, STOPS),
    ("✓", ENTERS, STOPS),
    ("pass", ENTERS, STOPS),
    ("i.O.", ENTERS, STOPS),
    ("conforme", ENTERS, STOPS),
    ("NO GO", "", ""),
    ("NO-GO", "", ""),
    ("fail", "", ""),
    ("✗", "", ""),
    ("yes", "", ""),
    ("no", "", ""),
    ("x", "", ""),
    ("yes/no", ENTERS, STOPS),
    ("Y / N", ENTERS, STOPS),
    ("ja/nein", ENTERS, STOPS),
    ("yes/yes", ENTERS, ""),
    ("no/no", STOPS, STOPS),
    ("OK/OK", ENTERS, STOPS),
    ("OK/NOK", ENTERS, ENTERS),
    ("enters / stops", ENTERS, STOPS),
    ("GO enters, NO-GO does not enter", ENTERS, STOPS),
    ("NO-GO goes, GO goes", ENTERS, ENTERS),
    ("NO-GO stops; GO enters", ENTERS, STOPS),
    ("go ok, no-go ok", ENTERS, STOPS),
    ("✓/✗", "", ""),
    ("a/b/c", "", ""),
    (1.0, "", ""),
]


@pytest.mark.parametrize(("typed", "go", "no_go"), BOTH_PLUGS, ids=[str(b[0]) for b in BOTH_PLUGS])
def test_one_answer_for_both_plugs(typed: Any, go: str, no_go: str) -> None:
    assert plug_word(typed, "go", "go_no_go", NONE) == go
    assert plug_word(typed, "no_go", "go_no_go", NONE) == no_go


SURFACES = [
    ("", "gratfrei", CLEAN),
    ("", "keine Grate", CLEAN),
    ("", "rissfrei, Grat hinten", BURR),
    ("", "Riss", CRACK),
    ("", "ébavuré", CLEAN),
    ("", "bavures côté sortie", BURR),
    ("", "sin rebabas", CLEAN),
    ("", "grieta", CRACK),
    ("", "nicht sauber", DIRTY),
    ("", "Späne", DIRTY),
    ("", "burr not removed", BURR),
    ("", "not deburred", BURR),
    ("", "no coolant crack seen", CRACK),
    ("", "burr removed", CLEAN),
    ("", "oversize", ""),
    ("burr", "ja", BURR),
    ("burr", "nein", CLEAN),
    ("burr", "sí", BURR),
    ("clean", "oui", CLEAN),
    ("", "clean", CLEAN),
    ("", "burr", BURR),
    ("", "small burr at exit", BURR),
    ("", "no burrs", CLEAN),
    ("", "burr-free", CLEAN),
    ("", "not clean", DIRTY),
    ("", "chips", DIRTY),
    ("", "crack", CRACK),
    ("", "clean, crack at 3 o'clock", CRACK),
    ("", "no cracks, small burr", BURR),
    ("", "ok", CLEAN),
    ("", "yes", ""),
    ("", "see photo", ""),
    ("", "✓", CLEAN),
    ("burr", "yes", BURR),
    ("burr", "no", CLEAN),
    ("burr-free", "yes", CLEAN),
    ("burr-free", "no", BURR),
    ("clean", "no", DIRTY),
    ("crack", "yes", CRACK),
    ("crack", "✓", ""),
    ("", "fail", ""),
    ("", "clean but scored", DIRTY),
]


@pytest.mark.parametrize(("ask", "typed", "word"), SURFACES, ids=[f"{s[0]} {s[1]}" for s in SURFACES])
def test_surface_words(ask: str, typed: str, word: str) -> None:
    assert surface_word(typed, ask) == word


def test_an_unclear_word_is_held_and_named(tmp_path: Path) -> None:
    rows = [
        [*row, a, b]
        for row, a, b in zip(wide(), ["NO-GO", *["yes"] * 8], ["Surface", *["clean"] * 7, "x"], strict=True)
    ]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    assert codes(readings) == ["unclear-no-go"] * 8 + ["unclear-surface"]
    first = next(p for p in readings.problems if p.code == "unclear-no-go")
    assert (first.cell, first.found, first.allowed, first.holds) == ("J2", "'yes'", "enters, does not enter", True)
    assert set(readings.table["word"]) == {"", CLEAN}


@pytest.mark.parametrize(
    ("wall", "other"),
    [("entry", "exit"), ("N", "F"), ("outside", "inside"), ("Front", "Back"), (1, 2), ("NEAR", "far ")],
)
def test_wall_words(wall: Any, other: Any, tmp_path: Path) -> None:
    rows = wide()
    for row in rows[1:]:
        row[4] = wall if row[4] == "near" else other
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    assert codes(readings) == []
    assert (readings.table["wall"] == "near").sum() == 16
    told = [p.found for p in readings.problems if p.code == "wall-word"]
    assert len(told) == (0 if wall == "NEAR" else 2), "what isn't the kit's own word is said"


@pytest.mark.parametrize(
    ("typed", "part"),
    [
        ("PORT", "port"),
        ("stbd", "starboard"),
        ("LH", "port"),
        ("s", "starboard"),
        ("right hand", "starboard"),
        ("Bâbord", "port"),
        ("Steuerbord", "starboard"),
        ("estribor", "starboard"),
    ],
)
def test_part_words(typed: str, part: str, tmp_path: Path) -> None:
    rows = wide()
    for row in rows[1:]:
        row[1] = typed
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    assert set(readings.table["part"]) == {part}
    assert codes(readings) == []


def test_a_side_may_be_a_part(tmp_path: Path) -> None:
    rows = [
        ["Serial", "Side", "Hole", "near 0", "far 0"],
        ["P-1", "port", 1, 0.4581, 0.4582],
        ["P-2", "stbd", 1, 0.4583, 0.4584],
    ]
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit())
    assert readings.table["part"].tolist() == ["port", "port", "starboard", "starboard"]
    assert codes(readings) == []


@pytest.mark.parametrize(
    ("typed", "key"),
    [
        ("Hole 3", "3"),
        (3.0, "3"),
        ("#12", "12"),
        ("h3", "3"),
        ("A-1", "a-1"),
        ("No. B", "b"),
        ("N", "n"),
        ("", ""),
        ("Bohrung 3", "3"),
        ("Trou n° 3", "3"),
        ("Agujero Nº 4", "4"),
        ("Loch Nr. 2", "2"),
    ],
)
def test_hole_keys(typed: Any, key: str) -> None:
    assert hole_key(typed) == key


DAYS = [
    ("2026-11-02", "", "2026-11-02"),
    ("2.11.2026", "", "2026-11-02"),
    ("02/11/2026", "dmy", "2026-11-02"),
    ("11/02/2026", "mdy", "2026-11-02"),
    ("13/11/2026", "", "2026-11-13"),
    ("11/13/26", "", "2026-11-13"),
    ("2 Nov 2026", "", "2026-11-02"),
    ("November 2, 2026", "", "2026-11-02"),
    ("2nd Nov. 2026", "", "2026-11-02"),
    (dt.datetime(2026, 11, 2, 14, 5), "", "2026-11-02"),
    ("2026-11-02 14:05", "", "2026-11-02"),
    ("05/05/2026", "", "2026-05-05"),
    ("2. November 2026", "", "2026-11-02"),
    ("2. März 2026", "", "2026-03-02"),
    ("2. Maerz 26", "", "2026-03-02"),
    ("02. Dez. 2026", "", "2026-12-02"),
    ("Montag, 2. Nov. 2026", "", "2026-11-02"),
    ("1er août 2026", "", "2026-08-01"),
    ("2 févr. 2026", "", "2026-02-02"),
    ("lundi 2 novembre 2026", "", "2026-11-02"),
    ("2 juil. 2026", "", "2026-07-02"),
    ("2 de noviembre de 2026", "", "2026-11-02"),
    ("2 ene 2026", "", "2026-01-02"),
    ("20261102", "", "2026-11-02"),
    ("March 2, 2026", "", "2026-03-02"),
    ("mar 2 2026", "", "2026-03-02"),
    ("mar. 2 mars 2026", "", "2026-03-02"),
    ("Mon 02.11.2026", "", "2026-11-02"),
    ("2026-W45-1", "", "2026-11-02"),
    ("3/13/26", "", "2026-03-13"),
    ("12.03.2026", "", "2026-03-12"),
    ("12.03.26", "mdy", "2026-03-12"),
]


@pytest.mark.parametrize(("typed", "order", "day"), DAYS, ids=[str(d[0]) for d in DAYS])
def test_days(typed: Any, order: str, day: str) -> None:
    found, issue = date_of(typed, order)
    assert (str(found), issue) == (day, None)


@pytest.mark.parametrize(
    ("typed", "code"),
    [
        ("02/11/2026", "unclear-date"),
        ("3/12/26", "unclear-date"),
        ("KW 45/2026", "unclear-date"),
        ("week 45, 2026", "unclear-date"),
        ("2026-W45", "unclear-date"),
        ("2 jui 2026", "bad-date"),
        ("2 ma 2026", "bad-date"),
        ("KW 60/2026", "bad-date"),
        ("soon", "bad-date"),
        ("31.02.2026", "bad-date"),
        (46328.0, "date-as-number"),
        (7.0, "bad-date"),
        (dt.datetime(13, 1, 31), "bad-date"),
        (dt.time(3), "bad-date"),
    ],
)
def test_days_that_cannot_be(typed: Any, code: str) -> None:
    found, issue = date_of(typed, "")
    assert found is None
    assert issue is not None
    assert issue.code == code
    assert issue.allowed


def test_the_last_day_of_what_names_several() -> None:
    # ISO 8601: week 45 of 2026 runs from Monday 2 November to Sunday 8 November
    assert latest_of("KW 45/2026", "") == dt.date(2026, 11, 8)
    assert latest_of("2026-W45-1", "") is None
    assert latest_of("3/12/26", "") == dt.date(2026, 12, 3)
    assert latest_of("3/12/26", "mdy") is None


@pytest.mark.parametrize(
    ("typed", "degrees"),
    [("X", 0.0), ("y", 90.0), ("N-S", 90.0), ("12 o'clock", 90.0), ("3-9 o'clock", 0.0), ("quer", 0.0), ("längs", 90.0),
     ("0-180", 0.0), ("90°/270°", 90.0), ("45 Grad", 45.0), ("A", 0.0), ("vertical", 90.0)],
)  # fmt: skip
def test_directions_in_a_column(typed: str, degrees: float) -> None:
    found, issue = direction_of(typed, Vocabulary(kit()), (0.0, 90.0))
    assert (found, issue) == (degrees, None)


@pytest.mark.parametrize("typed", ["0-90", "north", "Z", "12-6", "soon", "400"])
def test_what_is_no_direction(typed: str) -> None:
    _, issue = direction_of(typed, Vocabulary(kit()), (0.0, 90.0))
    assert issue is not None
    assert issue.code == "bad-direction"


def test_one_clear_day_tells_the_order_of_all(tmp_path: Path) -> None:
    rows = wide(day="02/11/2026")
    rows[8][2] = "13/11/2026"
    readings = read(workbook(tmp_path / "a.xlsx", rows), kit(), today=dt.date(2026, 12, 1))
    assert {str(d)[:10] for d in readings.table["date"]} == {"2026-11-02", "2026-11-13"}
    assert codes(readings) == []


def test_fractions_behind_days() -> None:
    # 3/16 typed becomes 16 March, 1/50 becomes January 1950: reported by an accounting journal in 2001
    assert fractions_of(dt.date(2026, 3, 16)) == [("3/16", 0.1875)]
    assert fractions_of(dt.date(1950, 1, 1)) == [("1/50", 0.02)]
    assert fractions_of(dt.date(2026, 1, 4)) == [("1/4", 0.25)]
    assert fractions_of(dt.date(2026, 4, 1)) == [("1/4", 0.25), ("4/26", 4 / 26)]


@pytest.mark.parametrize(
    ("typed", "unit", "celsius"),
    [
        (21.5, "", 21.5),
        ("21,5", "", 21.5),
        ("70 °F", "", 21.1111),
        (70.0, "F", 21.1111),
        ("22 deg C", "", 22.0),
        ("21C", "F", 21.0),
        ("21 Grad", "", 21.0),
        ("21,5 degrés C", "", 21.5),
        ("22 C°", "", 22.0),
    ],
)
def test_temperatures(typed: Any, unit: str, celsius: float) -> None:
    found, issue = temperature_of(typed, unit)
    assert found == pytest.approx(celsius, abs=1e-4)
    assert issue is None


@pytest.mark.parametrize("corrected", [False, True])
def test_a_doubtful_temperature_holds_the_lengths_taken_at_it(corrected: bool, tmp_path: Path) -> None:
    rows = [[*row, "GO" if at == 0 else "enters"] for at, row in enumerate(wide())]
    path = workbook(tmp_path / "a.xlsx", [["Temperature", 68], [], *rows])
    spec = kit(temperature="correct = true\npart_expansion_per_c = 23e-6") if corrected else kit()
    readings = read(path, spec)
    problem = only(readings, "implausible-temperature")
    assert (problem.cell, problem.part, problem.serial, problem.hole) == ("B1", "port", "P-7", "")
    assert problem.holds
    table = readings.table
    assert set(table["doubt"][table["characteristic"] != "go"]) == {"implausible-temperature"}
    assert set(table["doubt"][table["characteristic"] == "go"]) == {""}, "a plug enters or not at any temperature"


def test_what_is_no_temperature_holds_only_where_one_is_needed(tmp_path: Path) -> None:
    path = workbook(tmp_path / "a.xlsx", [["Temperature", "warm"], [], *wide()])
    assert not only(read(path, kit()), "bad-temperature").holds
    needed = read(path, kit(temperature="correct = true\npart_expansion_per_c = 23e-6"))
    assert only(needed, "bad-temperature").holds
    assert (needed.table["doubt"] == "bad-temperature").all()


def test_a_doubtful_temperature_in_a_column_holds_its_own_rows(tmp_path: Path) -> None:
    rows = [[*row, "Temp" if at == 0 else 68 if at < 3 else 21] for at, row in enumerate(wide())]
    table = read(workbook(tmp_path / "a.xlsx", rows), kit()).table
    assert set(table["row"][table["doubt"] != ""]) == {2, 3}
