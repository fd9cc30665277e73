"""The screen: 80 columns, aligned, verdict last, nothing heavy imported, nothing dropped without saying so."""

from __future__ import annotations

import subprocess
import sys

import made_up
import pytest

from holeqc.inspection.results import Inspection
from holeqc.reports import screen
from holeqc.reports.screen import screen_text

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
    for reason in made_up.reasons(one, "port", "P-0112"):
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
