"""Blank study sheet: its order, its guards, and that a filled one is read as it stands."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from holeqc.problems import DataError
from holeqc.readings.plain_table import label_column, number_column, read_table
from holeqc.readings.sheet import StudyPlan, how_to, run_order, write_study_sheet
from holeqc.statistics.gauge_study import gauge_study
from holeqc.writer import WriteError

PLAN = StudyPlan(tuple(f"P{k}" for k in range(1, 6)), ("day", "late", "night"), 3, 7, unit="in", gauge="CAL-1")


def test_every_pair_once_a_round() -> None:
    runs = run_order(PLAN)
    assert [r.run for r in runs] == list(range(1, 46))
    assert [r.trial for r in runs] == [1] * 15 + [2] * 15 + [3] * 15
    for trial in (1, 2, 3):
        pairs = Counter((r.part, r.appraiser) for r in runs if r.trial == trial)
        assert len(pairs) == 15
        assert set(pairs.values()) == {1}
    assert [r.part for r in runs[:15]] != [r.part for r in runs[15:30]]


def test_seed_gives_the_order() -> None:
    assert run_order(PLAN) == run_order(PLAN)
    assert run_order(PLAN) != run_order(StudyPlan(PLAN.parts, PLAN.appraisers, 3, 8))
    # the stream of random() is promised by the language, so these four stay as they are on every machine
    assert [(r.part, r.appraiser) for r in run_order(StudyPlan(("1", "2"), ("a", "b"), 1, seed=1))] == [
        ("1", "a"), ("2", "b"), ("2", "a"), ("1", "b"),
    ]  # fmt: skip


def test_order_favours_nobody() -> None:
    # each pair comes first equally often over many seeds: chi-square of 6 pairs, 3000 seeds, 99.9 % bound 20.5
    plan = [run_order(StudyPlan(("1", "2"), ("a", "b", "c"), 1, seed))[0] for seed in range(3000)]
    counts = np.array(list(Counter((r.part, r.appraiser) for r in plan).values()))
    assert np.sum((counts - 500) ** 2 / 500) < 20.5


def test_nested_parts_are_dealt_out() -> None:
    runs = run_order(StudyPlan(tuple("ABCDEF"), ("x", "y"), 2, 3, nested=True))
    owners = {part: {r.appraiser for r in runs if r.part == part} for part in "ABCDEF"}
    assert all(len(people) == 1 for people in owners.values())
    assert Counter(next(iter(people)) for people in owners.values()) == {"x": 3, "y": 3}


def test_sheet_is_guarded(tmp_path: Path) -> None:
    path = tmp_path / "study.xlsx"
    plan = StudyPlan(("=1+1", "@x", "007"), ("-a", "+b"), 2, 5, unit="in", gauge="A & B", title="Bore & ring")
    runs = write_study_sheet(plan, path)
    sheet = openpyxl.load_workbook(path)["readings"]
    assert sheet.max_row == len(runs) + 1
    for row, run in zip(sheet.iter_rows(min_row=2), runs, strict=True):
        number, part, appraiser, trial, value, note = row
        assert (number.value, part.value, appraiser.value, trial.value) == (run.run, run.part, run.appraiser, run.trial)
        assert part.data_type == appraiser.data_type == "s"
        assert part.number_format == "@"
        assert [c.protection.locked for c in row] == [True] * 4 + [False] * 2
        assert value.value is None
        assert note.value is None
        assert value.number_format == "0.0000##"
    assert next(c for c in sheet["B"] if c.value == "=1+1").quotePrefix
    assert sheet.protection.sheet
    assert sheet.print_title_rows == "$1:$1"
    assert sheet.oddHeader.left.text == "Bore && ring, gauge A && B, in"
    assert sheet.oddHeader.right.text == "seed 5"
    rule = sheet.data_validations.dataValidation[0]
    assert rule.showErrorMessage
    assert str(rule.sqref) == f"E2:E{len(runs) + 1}"


def test_words_get_a_list(tmp_path: Path) -> None:
    path = tmp_path / "words.xlsx"
    write_study_sheet(StudyPlan(("1", "2"), ("a", "b"), choices=("accept", "reject")), path)
    rule = openpyxl.load_workbook(path)["readings"].data_validations.dataValidation[0]
    assert rule.type == "list"
    assert rule.formula1 == '"accept,reject"'
    # a true showDropDown hides the arrow
    assert not rule.showDropDown


def test_filled_sheet_is_read_as_it_stands(tmp_path: Path) -> None:
    path = tmp_path / "study.xlsx"
    runs = write_study_sheet(PLAN, path)
    book = openpyxl.load_workbook(path)
    rng = np.random.default_rng(3)
    typed = [round(0.455 + 0.001 * int(r.part[1:]) + rng.normal(0, 0.0003), 4) for r in runs]
    for row, value in enumerate(typed, 2):
        book["readings"].cell(row, 5).value = value
    book.save(path)
    table = read_table(path)
    values, problems = number_column(table, "value")
    assert not problems
    study = gauge_study(label_column(table, "part"), label_column(table, "appraiser"), values)
    assert (study.parts, study.appraisers, study.trials) == (5, 3, 3)
    assert study.cell_means.sum() == pytest.approx(sum(typed) / 3)


def test_somebodys_file_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "study.xlsx"
    path.write_bytes(b"readings of somebody")
    with pytest.raises(WriteError, match="already there"):
        write_study_sheet(PLAN, path)
    assert path.read_bytes() == b"readings of somebody"


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (StudyPlan((), ("a",)), "no part"),
        (StudyPlan(("1",), ()), "no appraiser"),
        (StudyPlan(("1", " "), ("a",)), "blank name"),
        (StudyPlan(("1", "1"), ("a",)), "named twice"),
        (StudyPlan(("1",), ("a",), 0), "0 trials"),
        (StudyPlan(("1",), ("a", "b"), nested=True), "1 parts for 2"),
        (StudyPlan(tuple(map(str, range(2000))), ("a", "b"), 2), "8000 readings"),
        (StudyPlan(("1",), ("a",), choices=("go",)), "one choice"),
        (StudyPlan(("1",), ("a",), choices=("go", "no,go")), "can't be offered"),
        (StudyPlan(("1",), ("a",), choices=("g" * 200, "n" * 200)), "too long"),
    ],
)
def test_plans_that_cant_be_run(plan: StudyPlan, words: str) -> None:
    with pytest.raises(DataError, match=words):
        run_order(plan)


def test_paper(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="a4, letter"):
        write_study_sheet(PLAN, tmp_path / "x.xlsx", paper="a5")
    write_study_sheet(PLAN, tmp_path / "y.xlsx", paper="letter")
    assert openpyxl.load_workbook(tmp_path / "y.xlsx")["readings"].page_setup.paperSize == 1


def test_how_to_says_seed_unit_and_caution() -> None:
    text = "\n".join(how_to(PLAN, 45))
    for word in ("seed 7", "45 readings", "number, unit in", "Caution", "CAL-1"):
        assert word in text
