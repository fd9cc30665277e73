"""Tables of distances as people write them, and those on our own blank sheet: read to the cell, nothing lost."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

from holeqc.__main__ import run
from holeqc.answers.distances import distance_table
from holeqc.distances import adjust_network
from holeqc.inspection.networks import network_of
from holeqc.problems import DataError, SpecificationError
from holeqc.readings.read import read_files
from holeqc.readings.table import Readings, basic_distance
from holeqc.specification.load import parse_specification
from holeqc.specification.model import Distance, distance_of

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "tolerances" / "bl8.toml").read_text(encoding="utf-8")
KIT = parse_specification(TEXT)


def read(tmp_path: Path, text: str, kit: str = TEXT) -> Readings:
    path = tmp_path / "sheet.csv"
    path.write_text("Serial: P-1\nDate: 2026-05-04\n\n" + text, encoding="utf-8")
    return read_files([path], parse_specification(kit))


def found(readings: Readings) -> list[tuple[str, float, int]]:
    """Return what each distance is of, its value and its number among repeats."""
    table = readings.table[readings.table["characteristic"] == "distance"]
    out = []
    for word, value, trial in zip(table["word"], table["value"], table["trial"], strict=True):
        distance = distance_of(str(word))
        out.append((f"{distance.name} {distance.pins[0]:g}" if distance else "", value, int(trial)))
    return out


def codes(readings: Readings) -> list[str]:
    return [p.code for p in readings.problems if p.holds]


@pytest.mark.parametrize(
    ("head", "row"),
    [
        ("From,To,Pins,Over pins [in]", "1,2,0.4570,3.9570"),
        ("From,To,Way,Pin 1,Pin 2,Reading", "2,H1,over,.4570,.4570,3.9570"),
        ("Hole 1,Hole 2,How measured,Pin,Distance", "1,2,over pins,0.4570,3.9570"),
        ("Von;Nach;Stift;Über Stifte [mm]", "1;2;11,6078 mm;100,5078"),
        ("De;À;Piges;Sur piges [in]", "1;2;0,4570;3,9570"),
        ("Desde,Hasta,Pasadores,Sobre pasadores", "1,2,0.4570,3.9570"),
        ("Holes,Pin,Over pins", "1-2,0.4570,3.9570"),
        ("Between holes,Pin,Over pins", "2 to 1,0.4570,3.9570"),
        ("No.,From hole,To hole,Pins,Value,Remark,Over pins", "7,1,2,0.4570,,fine,3.9570"),
    ],
)
def test_headings_in_the_usual_words(tmp_path: Path, head: str, row: str) -> None:
    readings = read(tmp_path, f"{head}\n{row}\n")
    ((what, value, trial),) = found(readings)
    assert (what, trial) == ("1 to 2 over pins 0.457", 1)
    assert value == pytest.approx(3.9570, abs=1e-5)
    assert codes(readings) == []


@pytest.mark.parametrize("edge", ["A", "Edge a", "datum A", "left", "left edge", "linke Kante", "bord gauche"])
def test_edges_by_letter_and_by_side(tmp_path: Path, edge: str) -> None:
    readings = read(tmp_path, f"From,To,Pin,Over pins\n{edge},3,0.4570,8.7285\n")
    assert found(readings)[0][0] == "3 to edge A over pins 0.457"


def test_left_of_a_mirrored_part_is_not_guessed(tmp_path: Path) -> None:
    kit = TEXT.replace("[fixture]", '[[part]]\nname = "starboard"\nmirror_of = "port"\nmirror = "x"\n\n[fixture]')
    readings = read(tmp_path, "From,To,Pin,Over pins,Part\nleft,3,0.4570,8.7285,starboard\n", kit)
    assert "unknown-end" in codes(readings)


def test_repeats_stand_in_columns_and_in_rows(tmp_path: Path) -> None:
    rows = "1,2,0.4570,over,3.9570,3.9575\n1,2,0.4570,over,3.9565,\n"
    readings = read(tmp_path, f"From,To,Pin,Way,Reading 1,Reading 2\n{rows}")
    assert [(value, trial) for _, value, trial in found(readings)] == [(3.9570, 1), (3.9575, 2), (3.9565, 2)]
    assert codes(readings) == []


def test_a_first_end_written_once_holds_for_the_rows_below(tmp_path: Path) -> None:
    readings = read(tmp_path, "From,To,Pin,Over pins\n1,2,0.4570,3.9570\n,4,0.4570,3.9570\n")
    assert [what for what, _, _ in found(readings)] == [f"1 to {n} over pins 0.457" for n in (2, 4)]
    assert "filled-down" in [p.code for p in readings.problems]


@pytest.mark.parametrize(
    ("row", "code"),
    [
        ("1,9,0.4570,over,3.9570", "unknown-end"),
        ("1,,0.4570,over,3.9570", "end-missing"),
        ("1,1,0.4570,over,3.9570", "same-end"),
        ("1,2,0.4577,over,3.9570", "unknown-measuring-pin"),
        ("1,2,4.570,over,3.9570", "measuring-pin-size"),
        ("1,2,,over,3.9570", "measuring-pin-missing"),
        ("1,2,,,3.9570", "way-missing"),
        ("1,2,0.4570,sideways,3.9570", "unknown-way"),
        ("1,2,0.4570,over,39.570", "slip-decimal"),
        ("1,2,0.4570,over,100.508", "slip-unit"),
        ("1,2,0.4570,over,-3.9570", "not-positive"),
        ("1,2,0.4570,over,3.95x0", "two-numbers"),
    ],
)
def test_what_is_not_clear_holds_and_is_named_with_its_cell(tmp_path: Path, row: str, code: str) -> None:
    readings = read(tmp_path, f"From,To,Pins,Way,Reading\n{row}\n")
    table = readings.table[readings.table["characteristic"] == "distance"]
    assert list(table["doubt"].astype(str)) != [""]
    assert code in [p.code for p in readings.problems]
    assert all(p.cell for p in readings.problems if p.code == code)


def test_sizes_and_distances_stand_in_one_sheet(tmp_path: Path) -> None:
    text = "Hole,Dia 0,Dia 90\n1,0.4571,0.4572\n2,0.4573,0.4574\n\nFrom,To,Pin,Over pins\n1,2,0.4570,3.9570\n"
    readings = read(tmp_path, f"{text}\nHole,X,Y\n1,1.5,1.25\n")
    assert sorted(readings.table["characteristic"].astype(str)) == ["diameter"] * 4 + ["distance", "x", "y"]
    assert codes(readings) == []


def test_a_number_beside_the_table_is_not_lost(tmp_path: Path) -> None:
    readings = read(tmp_path, "From,To,Pin,Over pins\n1,2,0.4570,3.9570\n\n,,,,,0.4633\n")
    assert "cell-not-read" in codes(readings)


@pytest.mark.parametrize(
    "text",
    ["Hole,From,Dia 0,Dia 90\n1,x,0.4571,0.4572\n",
     "How,Hole 1,Hole 2,Value\nDia 0,0.4571,0.4572,\nDia 90,0.4571,0.4572,\n"],
)
def test_tables_of_holes_stay_what_they_are(tmp_path: Path, text: str) -> None:
    assert "distance" not in set(read(tmp_path, text).table["characteristic"].astype(str))


def test_a_distance_is_one_text_there_and_back() -> None:
    one = Distance("1", 'edge "A"', "near walls", "far", (float("nan"), 0.457))
    again = distance_of(one.text, "far")
    assert again is not None
    assert (again.first, again.second, again.way) == ("1", 'edge "A"', "near walls")
    assert (again.wall, again.pins[1]) == ("far", 0.457)
    assert distance_of("enters") is None


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ('distances = ["A - 1", "1 - 12"]', "unknown-distance"),
        ('distances = ["1 - 1"]', "unknown-distance"),
        ('distances = ["1 - 2: sideways"]', "unknown-distance"),
        ("distances = 20", "wrong-value"),
        ("distance_pins = [0.4]\ndistances = []", "wrong-value"),
        ('distances = "auto"\npartial = true', "plan-of-distances"),
        ('distances = "auto"\npartial_every = 1', "plan-every"),
        ('distances = "auto"\npartial_risk = 0.2', "plan-risk"),
    ],
)
def test_kits_that_plan_no_distance_are_refused(line: str, code: str) -> None:
    start, _, rest = TEXT.partition("distance_pins =")
    with pytest.raises(SpecificationError) as error:
        parse_specification(f"{start}{line}\n")
    assert rest
    assert code in {p.code for p in error.value.problems}


def test_an_edge_may_not_be_called_as_a_hole() -> None:
    with pytest.raises(SpecificationError):
        parse_specification(TEXT.replace('A = "x = 0"', '1 = "x = 0"'))


def filled(path: Path, wrong: dict[tuple[str, str], float], pin: float = 0.4570) -> None:
    """Fill our own blank sheet in: holes of 0.4571 where the drawing has them."""
    book = openpyxl.load_workbook(path)
    page: Any = book.worksheets[0]
    cells = {str(page.cell(row, 1).value): row for row in range(1, 60)}
    page.cell(cells["Date"], 3).value = dt.date(2026, 5, 4)
    head = next(row for row in range(1, 60) if page.cell(row, 2).value == "From")
    for row in range(cells["Hole"] + 1, cells["Hole"] + 1 + len(KIT.holes)):
        page.cell(row, 5).value, page.cell(row, 6).value = 0.4571, 0.4572
    for row in range(head + 1, head + 40):
        ends = str(page.cell(row, 2).value), str(page.cell(row, 3).value)
        if ends[1] == "None":
            break
        edge = ends[1].startswith("edge")
        page.cell(row, 6).value = pin if row == head + 1 or edge else None  # blank: the hole's own of other rows
        drawn = basic_distance(KIT, Distance(*ends), "port")
        page.cell(row, 9).value = round(drawn + (pin / 2 if edge else pin) + wrong.get(ends, 0.0), 5)
    book.save(path)


def test_the_blank_sheet_is_read_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kit, path = str(ROOT / "tolerances" / "bl8.toml"), tmp_path / "blank.xlsx"
    assert run(["sheet", kit, "-o", str(path), "--serial", "P-7", "--distances", "20"]) == 0
    said = capsys.readouterr().out
    assert "U (k = 2) of position to expect" in said
    filled(path, {})
    assert run(["check", kit, str(path)]) == 0
    said = capsys.readouterr().out
    assert "cell" not in said.split("In the files")[-1].split("note")[0]  # every cell of ours is known
    filled(path, {("1", "4"): 0.03})
    assert run(["check", kit, str(path)]) == 3
    assert "doesn't fit the others" in " ".join(capsys.readouterr().out.split())


def test_live_marks_are_the_residuals_of_the_adjustment() -> None:
    """What the formulas multiply with is held against the adjustment itself, fed with one wrong distance."""
    table = distance_table(KIT)
    assert len(table.distances) == 23
    assert {d.first for d in table.distances} <= set(KIT.hole_ids)  # the kit's list says `A - 1`
    network = network_of(KIT, np.ones(2), list(table.distances))
    drawn = np.array([basic_distance(KIT, d, "port") for d in table.distances])
    off = np.random.default_rng(3).normal(0, 0.0005, drawn.size)
    off[15] += 0.004
    sd = np.array([1.0 / np.sqrt(KIT.holes[0].x)] * drawn.size)  # any one sd: its scale cancels in what is compared
    again = adjust_network(network, drawn + off, sd)
    marks = table.against @ off
    assert int(np.abs(marks).argmax()) == int(np.nanargmax(np.abs(again.standardised)))
    assert (marks[15] * table.error[15]) == pytest.approx(0.004, abs=0.0015)
    assert abs(marks[15]) > table.critical


def test_more_distances_never_make_u_larger_and_too_few_are_refused() -> None:
    worst = []
    for count in ("14", "20", "27"):
        line = distance_table(KIT, count).lines[0]
        worst.append(max(float(word.strip(",.")) for word in line.split("hole ")[1].split()[1::2]))
    assert worst == sorted(worst, reverse=True)
    with pytest.raises(DataError, match="distances"):
        distance_table(KIT, "5")
    with pytest.raises(DataError, match="gauge"):
        distance_table(parse_specification(TEXT.replace('measures = ["distance"]', 'measures = ["x", "y"]').replace(
            'distance_gauge = "CA-1"\n', "")), "20")  # fmt: skip


def test_what_the_calipers_cannot_judge_is_said_before_measuring() -> None:
    coarse = parse_specification(TEXT.replace("uncertainty = 0.0010", "uncertainty = 0.02"))
    text = " ".join(distance_table(coarse, "20").lines)
    assert "can't be judged" in text
    assert "a gauge with U" in text
    assert "can be judged" in " ".join(distance_table(KIT, "20").lines)


def test_distances_are_what_is_on_record_and_positions_follow(tmp_path: Path) -> None:
    from holeqc import check, open_ledger
    from holeqc.inspection.judge import judge
    from holeqc.ledger.read_back import recorded_readings

    kit, where = ROOT / "tolerances" / "bl8.toml", tmp_path / "l.sqlite3"
    sheets = [ROOT / "sample_measurements" / f"bl8_P-030{n}.csv" for n in (1, 2)]
    done = check(kit, *sheets, record=True, by="bench 2", ledger=where)
    with open_ledger(where) as ledger:
        spec, readings = recorded_readings(ledger)
    kept = readings.table
    assert set(kept["characteristic"].astype(str)) == {"diameter", "distance"}
    assert kept["word"].astype(str).tolist() == done.inspection.readings.table["word"].astype(str).tolist()
    again = judge(spec, readings)
    assert again.parts["verdict"].tolist() == done.inspection.parts["verdict"].tolist() == [0, 1]
    np.testing.assert_array_equal(again.holes[["dx", "dy"]], done.inspection.holes[["dx", "dy"]])
