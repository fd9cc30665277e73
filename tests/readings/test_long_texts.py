"""Texts that are far too long for what they should be: refused or named in words, never matched for ever.

Each of these took between seconds and for ever, or gigabytes, while patterns were tried on the whole text; no time is
asserted, a test that hangs says enough.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from making import kit, read, rewritten, text_file, wide, workbook

from holeqc.problems import DataError, ReadingsError
from holeqc.quantities import parse_length
from holeqc.readings.containers import SizeLimits

SHEET = "xl/worksheets/sheet1.xml"
LONG = 30_000


def with_cell(path: Path, text: str) -> Path:
    """Return a CSV in which the label of a hole is another text."""
    text_file(path, wide())
    lines = path.read_text().splitlines(keepends=True)
    head = next(n for n, line in enumerate(lines) if "Hole" in line)
    number = lines[head].split(",").index("Hole")
    cells = lines[head + 1].split(",")
    cells[number] = f'"{text}"'
    lines[head + 1] = ",".join(cells)
    path.write_text("".join(lines))
    return path


@pytest.mark.parametrize(
    "text",
    ["h" * LONG, "a " * (LONG // 2), "1" * LONG + "!", "hole" + " " * LONG + "!", "," * LONG, "0." * (LONG // 2)],
    ids=["letters", "words", "digits", "blanks", "commas", "points"],
)
def test_a_long_label_of_a_hole(text: str, tmp_path: Path) -> None:
    found = read(with_cell(tmp_path / "a.csv", text), kit())
    assert any(p.code == "unknown-hole" and p.holds for p in found.problems)


def test_thirty_thousand_blanks_in_a_serial(tmp_path: Path) -> None:
    path = text_file(tmp_path / "a.csv", wide())
    text = path.read_text()
    assert "P-" in text
    path.write_text(re.sub(r"P-(\d+)", lambda m: "P-" + " " * LONG + m[1], text, count=1))
    assert read(path, kit()).problems


@pytest.mark.parametrize("text", ["\n" * LONG, "1" * LONG, "1 " * LONG, "1/" * LONG, "9" * LONG + " furlongs"])
def test_a_long_length(text: str) -> None:
    with pytest.raises((DataError, ValueError)):
        parse_length(text)


@pytest.mark.parametrize("inside", ["<c ", "<row hidden=", "<f ", "<x:c r=", "- "])
def test_a_long_comment_in_a_sheet_is_nothing(inside: str, tmp_path: Path) -> None:
    path = workbook(tmp_path / "a.xlsx", wide())
    before = read(path, kit()).table
    comment = f"<!-- {inside * 3000}-->"
    rewritten(path, {SHEET: lambda t: t.replace("<sheetData>", f"<sheetData>{comment}")})
    assert read(path, kit()).table.drop(columns="file").equals(before.drop(columns="file"))


def test_declared_limits_of_a_text_file_hold(tmp_path: Path) -> None:
    path = text_file(tmp_path / "a.csv", wide())
    for limits, word in (
        (SizeLimits(cells=20), "too many cells"),
        (SizeLimits(texts=10), "too many different texts"),
        (SizeLimits(rows=5), "too many rows"),
        (SizeLimits(field_characters=3), "far too long"),
    ):
        with pytest.raises(ReadingsError, match=word):
            read(path, kit(), limits=limits)


def test_declared_limits_of_a_workbook_hold(tmp_path: Path) -> None:
    path = workbook(tmp_path / "a.xlsx", wide())
    for limits, word in (
        (SizeLimits(cells=20), "too many cells"),
        (SizeLimits(texts=10), "too many different texts"),
        (SizeLimits(field_characters=3), "far too long a text"),
        (SizeLimits(part_bytes=100), "far larger"),
        (SizeLimits(elements=100), "far more than"),
    ):
        with pytest.raises(ReadingsError, match=word):
            read(path, kit(), limits=limits)


def test_more_serial_numbers_than_a_run_can_need(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # a million of them ended in an error of the tool at four gigabytes
    from holeqc.readings import draft

    path = tmp_path / "a.csv"
    path.write_text("Serial,Part,Hole,Wall,Dia 0\n" + "".join(f"P-{n},port,1,near,0.4581\n" for n in range(9)))
    assert len(read(path, kit()).table) == 9
    monkeypatch.setattr("holeqc.readings.read.Draft", lambda spec: draft.Draft(spec, most_holes=8 * len(spec.holes)))
    with pytest.raises(ReadingsError, match=r"far too many serial numbers.*over 8"):
        read(path, kit())
    monkeypatch.setattr("holeqc.readings.read.MOST_TEXTS", 10)
    with pytest.raises(ReadingsError, match="far too many different texts"):
        read(path, kit())


def test_a_table_of_columns_that_nobody_knows_is_refused_at_once(tmp_path: Path) -> None:
    # a thousand of them took minutes and half a million lines
    path = tmp_path / "a.csv"
    heads, cells = (",".join(f"{word}{n}" for n in range(201)) for word in ("zz", "0."))
    path.write_text(f"Serial,Part,Hole,Wall,Dia 0,{heads}\nP-1,port,1,near,0.4581,{cells}\n")
    with pytest.raises(ReadingsError, match="far too many columns"):
        read(path, kit())


def test_a_text_in_each_row_is_looked_at_in_time(tmp_path: Path) -> None:
    # each text met each row once: many thousands took minutes
    path = tmp_path / "a.csv"
    rows = (f"P-{n // 8},port,{n % 8 + 1},near,0.4581,{12 + n / 1000:.3f} Nm\n" for n in range(400))
    path.write_text("Serial,Part,Hole,Wall,Dia 0,torque\n" + "".join(rows) + "P-1,port,2,far,0.4581,again 0.4410\n")
    problems = [p for p in read(path, kit()).problems if p.code == "size-in-words"]
    assert [(p.cell, p.hole) for p in problems] == [("F402", "2")]
