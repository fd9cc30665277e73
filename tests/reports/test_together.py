"""What says the same of many cells is said once: spans of cells, reasons, problems."""

from __future__ import annotations

from holeqc.inspection.results import HOLD, Reason, cell_words
from holeqc.inspection.view import alike
from holeqc.problems import Problem
from holeqc.reports.screen import problem_groups


def test_cells_below_one_another_are_a_span() -> None:
    assert cell_words(["B8"]) == "B8"
    assert cell_words(["I2", "I3"]) == "I2, I3"
    assert cell_words([f"I{n}" for n in range(2, 18)]) == "I2 to I17"
    assert cell_words(["S!B8", "S!I2", "S!I3", "S!I4", "T!I5"]) == "S!B8, I2 to I4, T!I5", "a sheet is named once"
    assert cell_words([f"{c}{n}" for n in (4, 5) for c in ("Z", "AA", "AB")]) == "Z4 to AB5", "a block of columns"
    assert cell_words(["E7", "C7", "D7"]) == "C7 to E7", "beside one another"
    assert cell_words(["row 3", "C7"]) == "row 3, C7"
    assert cell_words(["B8", "B8", "B10"]) == "B8, B10", "a cell once; a row between breaks the span"
    assert cell_words([]) == ""


def test_many_scattered_cells_are_counted() -> None:
    cells = [f"B{n}" for n in range(2, 40, 2)] + ["C1", "C2", "C3"]
    assert cell_words(cells) == "B2, B4, B6, B8, B10, B12, B14, B16 and 14 more"
    assert cell_words(cells, 2) == "B2, B4 and 20 more"


def reason(text: str, cell: str, **other: str) -> Reason:
    return Reason(HOLD, f"{text} ({cell}).", cell=cell, **other)


def test_reasons_that_differ_in_their_cell_are_one() -> None:
    same = [reason("No such gauge", f"I{n}") for n in (2, 3, 4)]
    size = Reason(HOLD, "Hole 1: size (I2).", "1", "near", "size", "I2")
    other = reason("No such day", "K2")
    found = alike([same[0], size, other, same[1], same[2]])
    assert [r.sentence for r in found] == ["No such gauge (I2 to I4).", "Hole 1: size (I2).", "No such day (K2)."]
    assert found[1:] == [size, other]
    twice = alike([reason("x", "I2", action="a"), reason("x", "I3", action="b")])
    assert len(twice) == 2, "what asks for another thing is another reason"
    sizes = [Reason(HOLD, f"Size ({c}).", "1", "near", "size", c) for c in ("I2", "I3")]
    assert alike(sizes) == sizes, "measured things stay apart"


def test_problems_that_differ_in_their_cell_are_a_group() -> None:
    made = [Problem("warning", "c", "m", found="f", file="a.csv", cell=f"B{n}", hole=str(n)) for n in (1, 2)]
    other = Problem("warning", "c", "m", found="g", file="a.csv", cell="B3")
    assert problem_groups([made[0], other, made[1]]) == [made, [other]]
