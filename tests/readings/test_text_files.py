"""Delimited text: delimiter, encoding and decimal mark are recognised or stated; every field is kept as typed."""

from __future__ import annotations

import datetime as dt
import random
import subprocess
import sys
from pathlib import Path

import pytest
from making import KIT_MM, codes, kit, only, read, text_file, wide

from holeqc.problems import DataError, ReadingsError
from holeqc.readings import files
from holeqc.readings.containers import ReadOptions, SizeLimits, examine
from holeqc.readings.read import declared_kit

TODAY = dt.date(2026, 11, 30)
HEAD = ["Serial", "Hole", "Ø 0°", "Ø 90°", "Bemerkung"]
ROWS = [HEAD, ["D-1", "A", "11.587", "11.591", "geprüft"], ["D-1", "B", "11.602", "11.611", ""]]
SPEC = kit(KIT_MM, headings='"Bemerkung" = "note"')


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_delimiter_and_encoding_are_recognised(delimiter: str, encoding: str, tmp_path: Path) -> None:
    path = text_file(tmp_path / "a.csv", [["Deck plates"], [], *ROWS], delimiter, encoding)
    readings = read(path, SPEC, today=TODAY)
    assert readings.table["value"].tolist() == [11.587, 11.591, 11.602, 11.611]
    assert readings.table["note"].tolist() == ["geprüft", "geprüft", "", ""]
    assert readings.table["row"].tolist() == [4, 4, 5, 5]
    assert codes(readings) == []
    assert ("encoding-guessed" in [p.code for p in readings.problems]) == (encoding == "cp1252")


def test_stated_beats_recognised(tmp_path: Path) -> None:
    path = text_file(tmp_path / "a.csv", ROWS, "^", "latin-1")
    with pytest.raises(ReadingsError, match="no table"):
        read(path, SPEC)
    assert len(read(path, SPEC, delimiter="^", encoding="latin-1").table) == 4
    with pytest.raises(ReadingsError, match="not utf-8"):
        read(path, SPEC, delimiter="^", encoding="utf-8")
    with pytest.raises(ReadingsError, match="not known"):
        read(path, SPEC, encoding="klingon")


def test_a_first_line_may_name_the_delimiter(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("sep=|\n" + "\n".join("|".join(r) for r in ROWS), encoding="utf-8")
    assert len(read(path, SPEC).table) == 4


def test_quoted_fields_and_line_breaks(tmp_path: Path) -> None:
    rows = [ROWS[0], [*ROWS[1][:4], 'two\nlines, and a "mark"'], ROWS[2]]
    readings = read(text_file(tmp_path / "a.csv", rows), SPEC)
    assert readings.table["note"].iloc[0] == 'two lines, and a "mark"'
    assert len(readings.table) == 4


def test_typed_text_is_kept(tmp_path: Path) -> None:
    rows = [HEAD, ["D-1", "A", "11.580", "+11.590", ""], ["D-1", "B", " 11.6", "11.60 mm", ""]]
    readings = read(text_file(tmp_path / "a.csv", rows), SPEC)
    assert readings.table["typed"].tolist() == ["11.580", "+11.590", "11.6", "11.60 mm"]


def test_a_surplus_field_is_a_problem_and_not_cut(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Serial,Hole,Dia 0,Dia 90\nD-1,A,11,587,11,591\nD-1,B,11.602,11.611\n", encoding="utf-8")
    readings = read(path, SPEC)
    problem = only(readings, "surplus-field")
    assert (problem.cell, problem.found, problem.allowed, problem.holds) == ("E2", "'11'", "4 fields", True)
    assert (problem.serial, problem.hole) == ("D-1", "A")
    assert "decimal comma" in problem.action
    assert (readings.table["doubt"] == "surplus-field").tolist() == [True, True, False, False]


def test_a_short_row_lacks_readings_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Serial,Hole,Dia 0,Dia 90\nD-1,A,11.587\nD-1,B,11.602,11.611\n\n", encoding="utf-8")
    readings = read(path, SPEC)
    assert readings.table["value"].tolist() == [11.587, 11.602, 11.611]
    assert codes(readings) == []


def test_decimal_comma_may_be_stated(tmp_path: Path) -> None:
    rows = [["Serial", "Hole", "Dia 0"], ["D-1", "A", "11,587"]]
    path = text_file(tmp_path / "a.csv", rows, "\t")
    assert codes(read(path, SPEC)) == ["unclear-comma"]
    assert read(path, SPEC, decimal=",").table["value"].tolist() == [11.587]
    point = read(
        text_file(tmp_path / "b.csv", [["Serial", "Hole", "Dia 0"], ["D-1", "A", "11.587"]]), SPEC, decimal=","
    )
    assert codes(point) == ["point-in-number"]
    comma = read(path, SPEC, decimal=".")
    assert "likely 11.587" in only(comma, "comma-in-number").message


def test_text_needs_no_workbook_library(tmp_path: Path) -> None:
    path = text_file(tmp_path / "a.csv", wide())
    kit_file = tmp_path / "kit.toml"
    from making import KIT

    kit_file.write_text(KIT, encoding="utf-8")
    code = (
        "import sys\n"
        "from holeqc.readings.read import read_files\n"
        "from holeqc.specification.load import load_specification\n"
        "assert len(read_files([sys.argv[1]], load_specification(sys.argv[2])).table) == 32\n"
        "heavy = {'openpyxl', 'scipy', 'matplotlib'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path), str(kit_file)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_a_text_file_without_a_marker_declares_no_kit(tmp_path: Path) -> None:
    assert declared_kit(text_file(tmp_path / "a.csv", wide())) is None


@pytest.mark.parametrize(
    "wrong",
    [{"unit": "cm"}, {"decimal": ";"}, {"dates": "ymd"}, {"delimiter": ",,"}, {"delimiter": ",", "decimal": ","}],
)
def test_options_that_make_no_sense(wrong: dict[str, str]) -> None:
    with pytest.raises(DataError):
        ReadOptions(**wrong)  # type: ignore[arg-type]


def test_every_problem_of_every_file_comes_at_once(tmp_path: Path) -> None:
    one = text_file(tmp_path / "a.csv", wide({(1, "near", 0): "abc"}))
    two = text_file(tmp_path / "b.csv", wide({(2, "far", 1): 4.581}, serial="P-9"))
    readings = read([one, two], kit(), today=TODAY)
    assert ("not-a-number", str(one)) in [(p.code, p.file) for p in readings.problems]
    assert ("slip-decimal", str(two)) in [(p.code, p.file) for p in readings.problems]
    assert [s.file for s in readings.sources] == [str(one), str(two)]
    assert all(len(s.sha256) == 64 for s in readings.sources)


@pytest.mark.parametrize("seed", range(3))
def test_a_long_file_is_parted_as_the_standard_library_parts_it(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = random.Random(seed)
    monkeypatch.setattr(files, "PIECE", 64)  # several pieces a file
    letters = ["a", "1", "0.4585", " ", "ä", "日", "NA", "\\", "+1", "\x0b", "\u2028", "\x1a", "long " * 14, "b" * 8]
    for _ in range(150):
        delimiter, end = rng.choice(",;\t|"), rng.choice(["\n", "\r\n"])
        widths = rng.choices([0, 1, 3, 3, 4], k=rng.randint(1, 30))
        rows = [delimiter.join("".join(rng.choices(letters, k=rng.randint(0, 2))) for _ in range(w)) for w in widths]
        path = tmp_path / "a.csv"
        text = rng.choice(["", "\ufeff"]) + end.join(rows) + rng.choice(["", end, "x\xe9"])
        path.write_text(text, encoding="utf-8", newline="")
        if path.stat().st_size < 4:
            continue
        options, container = ReadOptions(), examine(path, SizeLimits())
        expected = files._fields(container, files._encoding(container, options), delimiter, options, 0)
        monkeypatch.setattr(files, "LONG", 0)
        found = files._unquoted(container, files._encoding(container, options), delimiter, options)
        assert found is not None
        assert found[1] == expected[1]
        ours, theirs = found[0].finish(), expected[0].finish()
        assert ours.rows == theirs.rows
        for mine, other in zip(ours.columns, theirs.columns, strict=True):
            assert mine.labels == other.labels
            assert mine.codes is not None
            assert mine.codes.tolist() == other.codes.tolist()


@pytest.mark.parametrize("odd", [b'"1"', b"\xff", b"a\rb", b"x" * 40_000])
def test_a_long_file_with_anything_odd_is_left_to_the_standard_library(
    odd: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "LONG", 0)
    path = tmp_path / "a.csv"
    path.write_bytes(b"hole,dia\n1," + odd + b"\n")
    assert files._unquoted(examine(path, SizeLimits()), files._Text("utf-8"), ",", ReadOptions()) is None
