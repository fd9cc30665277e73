"""The screen: as wide as the terminal, aligned, verdict first and last, each cause once, nothing heavy imported."""

from __future__ import annotations

import io
import subprocess
import sys
from dataclasses import replace

import made_up
import pytest

from holeqc.inspection.results import HOLD, Inspection, Reason
from holeqc.inspection.view import Run
from holeqc.problems import WARNING, Problem
from holeqc.reports import screen
from holeqc.reports.screen import screen_text, screen_width

HOSTILE = ("../../x", "=cmd()", "<script>alert(1)</script>", "S" * 200, "列\n二", "")


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("unit", ["in", "mm"])
def test_no_line_is_wider_than_the_screen(unit: str, width: int) -> None:
    for parts in (made_up.six_parts(), [("port", "P-0112", made_up.BAD)]):
        found = made_up.inspection(parts, unit=unit, problems=made_up.PROBLEMS)
        assert max(map(len, screen_text(found, width).splitlines())) <= width


@pytest.mark.parametrize("serial", HOSTILE)
def test_odd_serials_stay_in_one_line_of_eighty_columns(serial: str) -> None:
    lines = screen_text(made_up.inspection((("port", serial, made_up.BAD),))).split("\n")
    assert max(map(len, lines)) <= 80
    both = made_up.inspection((("port", serial, made_up.BAD), ("port", "P-2", made_up.CLEAN)))
    assert max(map(len, screen_text(both).split("\n"))) <= 80


def test_verdict_is_the_last_line_with_mark_and_word(one: Inspection, clean: Inspection, many: Inspection) -> None:
    assert screen_text(one).splitlines()[-1].startswith("✗ REJECT  port P-0112: 3 rejected, 1 held, 4 accepted")
    assert screen_text(clean).splitlines()[-1] == "✓ ACCEPT  starboard S-0001: 8 holes, all accepted"
    assert screen_text(many).splitlines()[-1] == "✗ REJECT  6 parts: 3 accept, 1 hold, 2 reject"


def test_columns_are_aligned(one: Inspection) -> None:
    lines = screen_text(one).splitlines()
    head = next(line for line in lines if line.startswith("Hole  "))
    rows = lines[lines.index(head) + 1 :][:8]
    at = head.index("Verdict")
    assert [row[at:].split()[1] for row in rows] == [
        "accept",
        "accept",
        "reject",
        "accept",
        "accept",
        "reject",
        "reject",
        "hold",
    ]


def test_every_reason_and_its_action_is_told_once(one: Inspection) -> None:
    text = " ".join(screen_text(one).split())
    for reason in made_up.reasons(Run(one)[0]):
        assert text.count(reason.sentence) == 1
    assert text.count("-> Engineering disposition.") == 1  # four neighbours ask the same
    assert text.count("-> Read it again and correct the sheet.") == 1


def test_problems_name_file_sheet_cell_found_allowed_action(one: Inspection) -> None:
    text = " ".join(screen_text(one).split())
    assert "bl7_P-0112.xlsx, Readings, B41: no hole '9' in kit BL-7; found 9; allowed: 1 to 8. Correct" in text


def test_a_long_run_lists_what_is_not_accepted_and_counts_the_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(screen, "LISTED", 5)
    monkeypatch.setattr(screen, "DETAILED", 2)
    text = screen_text(made_up.inspection(made_up.six_parts(8)))
    assert "4 accepted parts not listed." in text
    assert "P-0000" not in text
    for serial in ("S-0001", "S-0003", "S-0005", "S-0007"):
        assert serial in text
    assert "2 more parts are not accepted; --out writes them all" in " ".join(text.split())


def test_a_run_without_parts_says_so() -> None:
    assert "No part was found" in screen_text(made_up.inspection(()))


def test_the_screen_imports_no_plotting_and_no_spreadsheet_library() -> None:
    code = "import sys, holeqc.reports.screen, holeqc.reports.data; print([m for m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    for heavy in ("matplotlib", "scipy", "openpyxl", "pandas"):
        assert f"'{heavy}'" not in out


def test_the_first_lines_say_verdict_hole_why_and_what_to_do(one: Inspection) -> None:
    lines = screen_text(one).splitlines()
    at = next(n for n, line in enumerate(lines) if line.startswith("✗ reject  port P-0112:"))
    assert "holes 3, 6, 7 rejected; hole 8 held (" in lines[at]
    assert any(line.startswith("✗ reject  Hole 3, far wall:") for line in lines[at : at + 4])
    table = next(n for n, line in enumerate(lines) if line.startswith("Hole  "))
    assert any("-> Engineering disposition." in line for line in lines[at:table])


@pytest.mark.parametrize(("unit", "width"), [("in", 60), ("in", 80), ("mm", 60), ("mm", 80)])
def test_headings_and_readings_are_never_cut(unit: str, width: int) -> None:
    text = screen_text(made_up.inspection([("port", "P-0112", made_up.BAD)], unit=unit), width)
    lines = text.splitlines()
    at = next(n for n, line in enumerate(lines) if line.startswith("Hole  "))
    table = lines[at - 1 : at + 9]
    assert not any("…" in line for line in table)
    assert "Position" in table[0] + table[1]
    assert max(map(len, table)) <= width
    assert ("/allowed" in table[1]) == (width == 80)


def test_the_width_follows_the_terminal_between_forty_and_a_hundred(monkeypatch: pytest.MonkeyPatch) -> None:
    for columns, wide in (("30", 40), ("72", 72), ("200", 100)):
        monkeypatch.setenv("COLUMNS", columns)
        assert screen_width() == wide
    monkeypatch.delenv("COLUMNS")
    monkeypatch.setattr("sys.stdout", io.StringIO())
    assert screen_width() == 80  # what is piped or captured isn't a terminal


def test_problems_that_reasons_told_are_not_told_again(one: Inspection, monkeypatch: pytest.MonkeyPatch) -> None:
    told = [Reason(1, "The reading looks like a slip (Readings!F40).", "8", "far", "size", "Readings!F40", "Read it.")]
    monkeypatch.setattr("holeqc.inspection.reasons.reasons", lambda *_, **__: told)
    text = " ".join(screen_text(one).split())
    assert "In the files: 2 more problems" in text
    assert "likely-slip" not in text
    assert text.count("looks like a slip") == 1


def test_problems_of_one_kind_stand_together() -> None:
    same = [
        Problem("warning", "duplicate-row", "this row repeats one", "0.458 in", "", "Delete it.", "a/b.xlsx", "S",
                f"E{n}", part="port", serial="P-0112", hole=str(n))
        for n in range(1, 15)
    ]  # fmt: skip
    text = " ".join(screen_text(made_up.inspection(problems=same)).split())
    assert "In the files: 14 problems" in text
    assert text.count("this row repeats one") == 1
    assert "The same at E2 to E14." in text


def test_the_caveat_of_two_point_readings_names_the_holes(one: Inspection, many: Inspection) -> None:
    frame = one.holes.assign(
        mating_from=["readings" if h in ("2", "7") else "readings and GO" for h in one.holes["hole"]]
    )
    text = " ".join(screen_text(made_up.having(one, holes=frame)).split())
    assert "Only two-point readings exist for holes 2, 7. A hole" in text
    frame = many.holes.assign(mating_from="readings and GO")
    frame.loc[(frame["serial"] == "S-0001") & (frame["hole"] == "4"), "mating_from"] = "readings"
    assert "exist for hole 4 of S-0001. A" in " ".join(screen_text(made_up.having(many, holes=frame)).split())


def test_a_doubtful_value_is_not_shown_as_measured(one: Inspection) -> None:
    frame = one.characteristics.copy()
    chosen = (frame["hole"] == "2") & (frame["characteristic"] == "position")
    frame.loc[chosen, ["found", "doubtful", "verdict"]] = [float("nan"), True, 1]
    lines = screen_text(made_up.having(one, characteristics=frame)).splitlines()
    assert "?doubtful" in next(line for line in lines if line.startswith("2  "))


def test_a_part_held_by_its_file_alone_says_so_at_the_end(clean: Inspection) -> None:
    clean.parts.loc[:, "verdict"] = HOLD
    last = " ".join(screen_text(clean).split())
    assert last.endswith("held by a doubt about the sheet, not about a hole; 8 holes accepted")
    serial = str(clean.parts["serial"].iloc[0])
    ahead = Problem(WARNING, "future-date", "the day of the reading lies in the future", serial=serial, holds=True)
    twice = replace(ahead, cell="H9")
    text = " ".join(screen_text(replace(clean, problems=(ahead, twice))).split())
    assert text.count("held though no hole is: the day of the reading lies in the future") == 2, "at both ends"
    assert text.endswith("lies in the future; 8 holes accepted")
    lines = screen_text(replace(clean, problems=(ahead,))).splitlines()
    assert sum(line.rstrip().endswith("✓ accept, part held") for line in lines) == 8
    unit = Problem(WARNING, "unit-conflict", "two units are said", serial=serial, holds=True)
    text = " ".join(screen_text(replace(clean, problems=(ahead, unit))).split())
    assert text.endswith("lies in the future, and 1 more doubt about the sheet; 8 holes accepted")
