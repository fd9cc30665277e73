"""One field that names several parts: whose readings they are can't be told, so none of them is accepted.

What people write into such a field is common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from making import codes, kit, only, read, text_file, wide, workbook

from holeqc.inspection.recheck import inspect
from holeqc.readings.identities import match_serial

TODAY = dt.date(2026, 11, 30)


@pytest.mark.parametrize(
    ("typed", "first", "last"),
    [
        ("P-0113, P-0114", "P-0113", "P-0114"),
        ("P-0113;P-0114", "P-0113", "P-0114"),
        ("P-0113 and P-0114", "P-0113", "P-0114"),
        ("P-0113 & 0114", "P-0113", "0114"),
        ("P-0113 / P-0114", "P-0113", "P-0114"),
        ("P-0113/P-0114", "P-0113", "P-0114"),
        ("P-0113 to P-0116", "P-0113", "P-0116"),
        ("1042\n1043", "1042", "1043"),
        ("1042, 1043, 1044", "1042", "1044"),
    ],
)
def test_several_serials_in_one_field(typed: str, first: str, last: str) -> None:
    match = match_serial(typed)
    assert match.issue is not None
    assert match.issue.code == "several-serials"
    assert match.issue.holds
    assert f"{first} and " in match.issue.message
    assert f" and {last}:" in match.issue.message


@pytest.mark.parametrize(
    "typed",
    ["P-0113", "AB/1234", "12/34", "0113/0114", "P-0113/2", "A-12-34", "P 0113", "1042 B", "SN,1042", "P-0113 (port)",
     "P-0113, rework", "Sand 12", "1.2", "AB/12/CD", "lot 7/8"],
)  # fmt: skip
def test_one_serial_stays_one(typed: str) -> None:
    assert match_serial(typed).issue is None


def test_the_problem_names_file_cell_and_what_to_do_and_holds_the_part(tmp_path: Path) -> None:
    rows = [["Serial:", "P-0113, P-0114"], ["Date", "2026-11-02"], []] + [
        [*row[1:2], *row[3:]] for row in wide()
    ]  # fmt: skip
    path = workbook(tmp_path / "two.xlsx", rows)
    spec = kit()
    readings = read(path, spec, today=TODAY)
    problem = only(readings, "several-serials")
    assert (problem.file, problem.sheet, problem.cell) == (str(path), "Sheet1", "B1")
    assert problem.severity == "error"
    assert problem.found == "serial 'P-0113, P-0114'"
    assert problem.allowed == "one serial number a sheet or block of readings"
    assert "write its serial number alone" in problem.action
    assert inspect(spec, readings).parts["verdict"].tolist() == [1]


def test_a_title_takes_no_day_and_no_count_for_a_serial(tmp_path: Path) -> None:
    for title in ("S/N P-0113, 2026-11-02", "S/N P-0113, 2 of 3"):
        readings = read(workbook(tmp_path / "t.xlsx", [[title], []] + [row[1:] for row in wide()]), kit(), today=TODAY)
        assert codes(readings) == []
        assert set(readings.table["serial"]) == {"P-0113"}


@pytest.mark.parametrize("title", ["Serial: P-0113; P-0114", "S/N P-0113, P-0114", "Serial: P-0113 and P-0114"])
def test_in_a_title(title: str, tmp_path: Path) -> None:
    rows = [[title], []] + [row[1:] for row in wide()]
    assert "several-serials" in codes(read(workbook(tmp_path / "t.xlsx", rows), kit(), today=TODAY))


def test_in_a_column(tmp_path: Path) -> None:
    problem = only(read(text_file(tmp_path / "c.csv", wide(serial="P-7, P-8")), kit(), today=TODAY), "several-serials")
    assert problem.cell == "A2"


def test_only_the_part_with_the_doubtful_serial_is_held(tmp_path: Path) -> None:
    spec = kit()
    rows = wide(serial="P-7, P-8") + wide({(1, "near", 0): 0.4580, (2, "far", 1): 0.4579}, serial="P-9")[1:]
    readings = read(text_file(tmp_path / "c.csv", rows), spec, today=TODAY)
    problem = only(readings, "several-serials")
    assert (problem.part, problem.serial, problem.hole) == ("port", "P-7, P-8", "")


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ("P-05\u200b00", "U+200B"),  # zero-width space
        ("\u200fP-0500", "U+200F"),  # right-to-left mark
        ("P-0500\ufe0f", "U+FE0F"),  # variation selector: printable by Unicode's table, and shows nothing
        ("P" * 65, "65 characters"),
    ],
)
def test_a_serial_that_looks_like_another_or_has_no_end_holds(typed: str, why: str, tmp_path: Path) -> None:
    spec = kit()
    readings = read(workbook(tmp_path / "t.xlsx", wide(serial=typed)), spec, today=TODAY)
    problem = only(readings, "bad-serial")
    assert (problem.severity, problem.holds, problem.cell) == ("error", True, "A2")
    assert why in problem.message
    assert inspect(spec, readings).parts["verdict"].min() >= 1
    assert match_serial("P" * 64).issue is None


def test_serials_that_differ_in_case_alone_are_told(tmp_path: Path) -> None:
    rows = wide(serial="P-0500") + wide(serial="p-0500")[1:]
    readings = read(workbook(tmp_path / "t.xlsx", rows), kit(), today=TODAY)
    problems = [p for p in readings.problems if p.code == "serials-alike"]
    assert [(p.serial, p.severity, p.holds) for p in problems] == [
        ("P-0500", "warning", True),
        ("p-0500", "warning", True),
    ]
    assert "'P-0500' and 'p-0500'" in problems[0].message


@pytest.mark.parametrize("formula", ["=cmd()", "=1+1"])
def test_a_formula_without_a_value_for_a_serial_says_what_to_do(formula: str, tmp_path: Path) -> None:
    readings = read(workbook(tmp_path / "t.xlsx", wide(serial=formula)), kit(), today=TODAY)
    problem = next(p for p in readings.problems if p.code == "formula-not-calculated")
    assert (problem.holds, problem.cell) == (True, "A2")
    assert "its cell holds no value" in problem.message
    assert problem.action.endswith("save it; or type the serial number as text")
