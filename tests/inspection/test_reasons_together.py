"""Why a part isn't accepted, told for people: each cause once, over all the holes and walls that it touches."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from inspection_kit import bore, gauges, hole, judge, mmc, place, reading, reasons, two_walls

from holeqc.inspection.recheck import inspect
from holeqc.inspection.results import Inspection, hole_numbers, span_words
from holeqc.problems import ERROR, WARNING, Problem
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.readings.table import CLEAN, ENTERS, STOPS
from holeqc.reports.screen import screen_text
from holeqc.specification.load import load_specification
from holeqc.specification.model import Edge, Form, Plugs, Specification, Surface

ROOT = Path(__file__).resolve().parents[2]
WALLS = ("near", "far")
EVERYTHING = {
    "position": mmc(0.060, 0.011), "form": Form(0.003, 0.003), "plugs": Plugs(0.455, 0.462), "surface": Surface(True),
    "edge": Edge(0.9),
}  # fmt: skip


def eight(**more: Any) -> Specification:
    """Return a kit of eight holes in two walls of which everything is asked."""
    holes = (hole(n, 1.0 + n, 1.0, **EVERYTHING) for n in range(1, 9))
    outline = ((0.0, 0.0), (12.0, 0.0), (12.0, 8.0), (0.0, 8.0))
    return two_walls(*holes, position=True, outline=outline, **more)


def filled() -> list[dict[str, Any]]:
    """Return every reading that the kit of eight holes asks for, all well inside."""
    rows: list[dict[str, Any]] = []
    for n in range(1, 9):
        for wall in WALLS:
            rows += [bore(0.458, n, wall=wall, direction=d) for d in (0.0, 90.0)] + place(1.0 + n, 1.0, n, wall=wall)
            rows += [reading("go", ENTERS, n, wall=wall), reading("no_go", STOPS, n, wall=wall)]
            rows += [reading("surface", CLEAN, n, wall=wall)]
    return rows


def told(result: Inspection, **more: Any) -> list[str]:
    return [r.sentence for r in reasons(result, "plate", "1", together=True, **more)]


def test_a_column_that_is_missing_is_one_line() -> None:
    result = judge(eight(), *(r for r in filled() if r["characteristic"] not in ("x", "y")))
    assert told(result) == [
        "Holes 1 to 8, both walls: x and y are missing on the whole sheet; position, hole-to-hole position and edge "
        "distance can't be judged."
    ]
    # By hole and wall the same is told for machines: 16 walls and 8 edge distances, and the pins aren't asked.
    assert len(reasons(result, "plate", "1")) == 24
    result = judge(eight(), *(r for r in filled() if r["characteristic"] != "surface"))
    assert told(result) == ["Holes 1 to 8, both walls: surface is missing on the whole sheet."]
    one_way = [r for r in filled() if r["direction"] != 90.0]
    assert told(judge(eight(), *one_way)) == [
        "Holes 1 to 8, both walls: diameter along 90° is missing on the whole sheet; size, out-of-roundness and taper "
        "can't be judged."
    ]


def test_what_was_not_read_of_some_holes_names_them() -> None:
    rows = [r for r in filled() if not (r["hole"] in ("4", "5", "6", "8") and r["wall"] == "far")]
    said = ["Holes 4 to 6, 8, far wall: nothing was read."]
    said += ["The pattern isn't complete: holes 4 to 6, 8, far wall not read; hole to hole can't be accepted before."]
    result = judge(eight(), *rows)
    assert told(result) == said
    # By hole and wall too, that the pattern waits is one sentence of the part.
    assert [r.sentence for r in reasons(result, "plate", "1") if not r.hole] == said[1:]


def test_a_part_without_a_reading_is_one_line() -> None:
    blank = reading("", np.nan, "", wall="", typed="P-1", doubt="no-readings")
    named = Problem(
        ERROR, "no-readings", "the part is named, but not one reading is there", action="Measure the part.",
        sheet="Sheet1", cell="C5", part="plate", serial="1", holds=True,
    )  # fmt: skip
    assert told(judge(eight(), blank, problems=(named,))) == [
        "The part is named, but not one reading is there (Sheet1!C5)."
    ]


def test_one_problem_with_many_readings_is_one_sentence_without_its_code() -> None:
    rows = filled()
    for number, row in enumerate(rows, 2):
        row["row"] = number
        if row["characteristic"] == "diameter" and row["direction"] == 0.0:
            row["doubt"] = "column-unit"
    problem = Problem(
        WARNING, "column-unit", "all readings of this column fit only as inches", found="0.458 mm", action="Say so.",
        sheet="Sheet1", cell="F2", part="plate", serial="1", holds=True,
    )  # fmt: skip
    result = judge(eight(), *rows, problems=(problem,))
    assert told(result) == [
        "Holes 1 to 8, both walls: doubtful readings hold size, out-of-roundness, taper: all readings of this column "
        "fit only as inches, found 0.458 mm (Sheet1!F2)."
    ]
    by_hole = reasons(result, "plate", "1")
    assert [r.hole for r in by_hole] == [str(n) for n in range(1, 9)]
    assert not any("column-unit" in r.sentence for r in by_hole)
    # No problem names the doubt: still no code word.
    assert not any("column-unit" in sentence for sentence in told(judge(eight(), *rows)))


def test_a_hold_names_the_cell_of_the_reading_that_causes_it() -> None:
    # One kind of slip twice in hole 1: a diameter (near, F2) holds size and form, an x (far) position and edge.
    rows = filled()
    for number, row in enumerate(rows, 2):
        row["row"] = number
    far_x = next(r for r in rows if r["characteristic"] == "x" and r["wall"] == "far")
    for row in (rows[0], far_x):
        row |= {"value": np.nan, "doubt": "fraction-became-date"}

    def problem(cell: str, wall: str, found: str) -> Problem:
        return Problem(
            ERROR, "fraction-became-date", "a date stands where a number belongs", found=found, sheet="Sheet1",
            cell=cell, part="plate", serial="1", hole="1", wall=wall, holds=True,
        )  # fmt: skip

    problems = (problem("F2", "near", "July"), problem(f"F{far_x['row']}", "far", "June"))
    for together in (False, True):
        found = reasons(judge(eight(), *rows, problems=problems), "plate", "1", together=together)
        assert found[2].sentence.startswith("The pattern isn't complete: hole 1, far wall not proven; ")
        assert [(r.wall, r.cell) for r in found[:2]] == [("near", "Sheet1!F2"), ("far", f"Sheet1!F{far_x['row']}")]
        assert "holds size, out-of-roundness, taper: a date stands where a number belongs, found July" in (
            found[0].sentence
        )
        assert "holds position, hole-to-hole position, edge distance: " in found[1].sentence
        assert "June" in found[1].sentence


def test_a_contradiction_is_told_once_with_what_rests_on_it() -> None:
    rows = filled()
    rows[0] |= {"value": 0.4545}
    assert told(judge(eight(gauges=gauges()), *rows)) == [
        "Hole 1, near wall: 0.4545 in along 0° is smaller than the GO plug 0.4550 in that enters: one of both is wrong"
        "; out-of-roundness, GO and taper can't be decided until then (Sheet1!F2)."
    ]


def test_gauges_out_of_date_are_told_one_by_one() -> None:
    import datetime as dt

    due = dt.date(2026, 3, 31)
    result = judge(eight(gauges=gauges(due=due)), *(r | {"date": "2026-04-02"} for r in filled()))
    said = told(result)
    assert [s.split(" of holes")[0] for s in said] == [
        "Size, out-of-roundness and taper", "Position, hole-to-hole position and edge distance"
    ]  # fmt: skip
    assert ["BG, read on" in said[0], "CM, read on" in said[1]] == [True, True]


def test_a_gauge_that_the_reader_has_told_of_is_told_once_with_its_cell() -> None:
    told_already = Problem(
        ERROR, "unknown-gauge", "the kit has no such gauge", "gauge 'BG-9'", "gauges BG, CM", sheet="Sheet1", cell="C8",
        part="plate", serial="1", holds=True,
    )  # fmt: skip
    rows = [r | {"gauge": "BG-9"} if r["characteristic"] == "diameter" else r for r in filled()]
    (said,) = told(judge(eight(gauges=gauges()), *rows, problems=(told_already,)))
    assert said.startswith("Size, out-of-roundness, position")
    assert said.endswith("the gauge named is not in the kit, found gauge 'BG-9', allowed gauges BG, CM (Sheet1!C8).")


def test_the_same_finding_in_many_holes_is_one_sentence() -> None:
    rows = filled()
    for row in rows:
        if row["characteristic"] == "surface" and row["hole"] in ("2", "3", "4"):
            row["word"] = "burr"
    spec = eight()
    spec = replace(spec, holes=tuple(replace(h, surface=Surface(True, True)) for h in spec.holes))
    (said,) = told(judge(spec, *rows))
    assert re.fullmatch(r"Holes 2 to 4, both walls: a burr was found \(Sheet1!F\d+, .*, 3 more\)\.", said)


def test_readings_of_an_unknown_hole_that_the_reader_has_told_of_are_not_told_again() -> None:
    lost = reading("diameter", 0.458, "", wall="near", doubt="unknown-hole", row=99)
    problem = Problem(ERROR, "unknown-hole", "the kit has no such hole", "hole '9'", cell="A99", serial="1", holds=True)
    result = judge(eight(), *filled(), lost, problems=(problem,))
    assert [p.code for p in result.problems] == ["unknown-hole"]
    assert told(result) == ["The kit has no such hole, found hole '9' (A99)."]


def test_a_part_that_is_held_always_says_so() -> None:
    # The problem names a part that no reading names: it holds by serial, and no reason of the part speaks of it.
    stray = Problem(ERROR, "formula-not-calculated", "no value", part="other", serial="1", cell="B1", holds=True)
    result = judge(eight(), *filled(), problems=(stray,))
    assert result.parts["verdict"].tolist() == [1]
    assert told(result) == ["What was found in the files holds this part too."]
    assert "What was found in the files holds this part too." in screen_text(result)


def test_spans() -> None:
    spec = eight()
    assert hole_numbers(spec, ["8", "1", "2", "3"]) == "1 to 3, 8"
    assert hole_numbers(spec, ["1", "2"]) == "1, 2"
    assert span_words(spec, [("3", "far")]) == "Hole 3, far wall"
    assert span_words(spec, [("1", "near"), ("2", "near"), ("2", "far"), ("3", "")]) == (
        "Hole 1, near wall; hole 2, both walls; hole 3"
    )


def test_a_column_of_words_is_one_line_with_all_its_cells(tmp_path: Path) -> None:
    rows = ["serial,part,hole,wall,dia_0,dia_90,x,y,gauge,date"]
    for n in (1, 2):
        rows += [f"P-1,port,{n},{wall},ok,ok,{1.5 if n == 1 else 4.5},1.25,,2026-11-10" for wall in WALLS]
    (tmp_path / "a.csv").write_text("\n".join(rows), encoding="utf-8")
    spec = load_specification(ROOT / "tolerances" / "bl7.toml")
    result = inspect(spec, read_files([tmp_path / "a.csv"], spec, ReadOptions(today=dt.date(2026, 11, 30))))
    said = reasons(result, "port", "P-1", together=True)
    (words,) = (r for r in said if "not a number" in r.sentence)
    assert words.sentence.endswith("found 'ok', allowed a number such as 0.4585 (E2 to F5).")
    assert words.cells == ("E2", "E3", "E4", "E5", "F2", "F3", "F4", "F5")
    # for machines each hole and wall keeps its own
    assert len([r for r in reasons(result, "port", "P-1") if "not a number" in r.sentence]) > 2
    assert screen_text(result).count("not a number") == 1


def test_the_gauge_named_is_the_one_past_its_date() -> None:
    # BG was due before the day, CM after it: the position is held for its bonus, which rests on BG's diameters
    day = dt.datetime(2026, 5, 18)
    kit_gauges = tuple(
        replace(g, calibration_due=dt.date(2026, 3, 31) if "diameter" in g.measures else dt.date(2026, 6, 30))
        for g in gauges()
    )
    result = judge(eight(gauges=kit_gauges), *(r | {"date": day} for r in filled()))
    said = [sentence for sentence in told(result) if "calibration" in sentence]
    named = next(g.id for g in kit_gauges if "diameter" in g.measures)
    assert said
    assert any("position" in sentence for sentence in said)
    for sentence in said:
        assert f"{named}, read on 2026-05-18, due 2026-03-31" in sentence
        assert "due 2026-06-30" not in sentence


def test_a_day_still_to_come_is_what_is_wrong_and_no_gauge_is_called_overdue(tmp_path: Path) -> None:
    spec = load_specification(ROOT / "tolerances" / "bl7.toml")
    text = (ROOT / "sample_measurements" / "bl7_P-0109.csv").read_text(encoding="utf-8")
    file = tmp_path / "a.csv"
    file.write_text(text.replace("2026-11-11", "2027-06-01"), encoding="utf-8")

    def judged(today: dt.date) -> Inspection:
        return inspect(spec, read_files([file], spec, ReadOptions(today=today)))

    ahead = judged(dt.date(2026, 11, 25))
    (said,) = reasons(ahead, "port", "P-0109", together=True)
    assert said.sentence == (
        "Size, out-of-roundness, position, hole-to-hole position, GO, NO-GO and taper of holes 1 to 8 can't be "
        "decided: the day of the reading is still to come, so it can't be told whether the gauge was in calibration, "
        "found date 2027-06-01, allowed up to 2026-11-25 (H2)."
    )
    assert said.action == "Correct the date of the reading; calibration is judged by it."
    assert "was not valid" not in screen_text(ahead)
    assert "due 2027" not in screen_text(ahead)
    # Read on that day, two of three gauges are overdue and nothing is to come.
    late = judged(dt.date(2027, 6, 1))
    texts = [r.sentence for r in reasons(late, "port", "P-0109", together=True)]
    assert any("BG-2, read on 2027-06-01, due 2027-03-31" in sentence for sentence in texts)
    assert not any("to come" in sentence for sentence in texts)
    assert (ahead.parts["verdict"].tolist(), late.parts["verdict"].tolist()) == ([1], [1])
