"""A reamed hole of the demonstration read again, by the commands a shop would type; and its tag printed again.

S-0108 is rejected for hole 5 of 0.4546, under the lower limit 0.4550 (worked out by hand in `tests/samples`).
"""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import openpyxl
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from holeqc.__main__ import run
from holeqc.commands.record import label_size
from holeqc.problems import LedgerError

ROOT = Path(__file__).resolve().parents[2]
KIT = str(ROOT / "tolerances" / "bl7.toml")
FIRST = str(ROOT / "sample_measurements" / "bl7_S-0108.xlsx")
CODE = "RK2X-5HX5"  #: of the one tag of S-0108
GOOD = {"near": (0.4576, 0.4575, 1.5032, 5.7530), "far": (0.4577, 0.4578, 1.5035, 5.7532)}


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder that has no ledger, with nothing said by the environment."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("HOLEQC_LEDGER", raising=False)
    monkeypatch.setenv("HOLEQC_BY", "bench 2")
    for name in ("ledger", "tags"):  # what is decided here is decided before the recheck of the 20th
        monkeypatch.setattr(f"holeqc.ledger.{name}.now", lambda: ("2026-11-19T23:00:00.000000Z", 0))


def sheet_of(path: str) -> tuple[openpyxl.Workbook, Worksheet, int]:
    """Return a workbook, its first sheet, and the row of its headings."""
    book = openpyxl.load_workbook(path)
    sheet = book.worksheets[0]
    return book, sheet, next(r for r in range(1, 40) if sheet.cell(r, 1).value == "Hole")


def fill(path: str, sizes: dict[str, tuple[float, float, float, float]] = GOOD, remark: str = "") -> None:
    book, sheet, top = sheet_of(path)
    heads = {str(sheet.cell(top, c).value): c for c in range(1, sheet.max_column + 1)}
    date = next(r for r in range(1, top) if sheet.cell(r, 1).value == "Date")
    sheet.cell(date, 3).value = dt.date(2026, 11, 20)
    for row in range(top + 1, top + 3):
        near = sizes[str(sheet.cell(row, 2).value)]
        words = ["enters", "does not enter", "clean"]
        names = ["Diameter 0° [in]", "Diameter 90° [in]", "x [in]", "y [in]", "GO", "NO-GO", "Surface"]
        for name, value in zip(names, [*near, *words], strict=True):
            sheet.cell(row, heads[name]).value = value
    if remark:
        sheet.cell(top + 1, heads["Found before"]).value = remark
    book.save(path)


def asked(path: str) -> list[tuple[object, ...]]:
    _, sheet, top = sheet_of(path)
    rows = [tuple(sheet.cell(row, c).value for c in range(1, 5)) for row in range(top + 1, top + 4)]
    return [tuple(x.rpartition(" #")[0] if isinstance(x, str) and "#" in x else x for x in row) for row in rows]


def test_from_a_reject_to_a_recheck_on_record(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", KIT, FIRST, "--record"]) == 1
    assert run(["disposition", "rk2x 5hx5", "--as", "rework", "--by", "engineer", "--reason", "ream to 0.4575"]) == 0
    assert run(["sheet", "--recheck", CODE.lower(), "-o", "again.xlsx"]) == 0
    assert run(["sheet", "--recheck", "S-0108", "-o", "same.xlsx"]) == 0
    _, sheet, top = sheet_of("again.xlsx")
    assert sheet.cell(top + 7, 1).value.startswith("# and three signs after Found before and Decided are a mark")
    assert str(sheet.print_area).endswith(f"${top + 7}")
    words = "decided: rework: ream to 0.4575"
    assert asked("again.xlsx") == asked("same.xlsx") == [
        ("5", "near", "before: accepted", words), ("5", "far", "before: size 0.4546; GO does not enter", words),
        (None, None, None, None),
    ]  # fmt: skip
    fill("again.xlsx")
    capsys.readouterr()
    assert run(["check", KIT, "again.xlsx"]) == 3, "alone it accepts nothing"
    assert "no readings before it to join it with" in " ".join(capsys.readouterr().out.split())
    assert run(["check", KIT, "again.xlsx", "--record", "--json"]) == 0
    said = capsys.readouterr()
    (part,) = json.loads(said.out)["parts"]
    assert (part["readings"], part["verdict"], part["tags"]) == (112, "accept", [])
    (recheck,) = part["rechecks"]
    assert (recheck["of"], recheck["replaced"], recheck["counts"]) == (CODE, 14, 14)
    assert "Recorded as entries" in said.err
    assert f"Note: tag {CODE} is closed: accepted after rework" in said.err
    assert run(["tags", "--open"]) == 0
    assert "No tag fits" in capsys.readouterr().out
    assert run(["part", "S-0108"]) == 0
    assert "14 readings of 2026-11-10 don't count any more: hole 5" in capsys.readouterr().out
    assert run(["sheet", "--recheck", "S-0108", "-o", "none.xlsx"]) == 2
    assert "nothing of it must be read again" in capsys.readouterr().err


def test_without_a_record(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sheet", KIT, "--recheck", "S-0108", "--first", FIRST, "-o", "again.xlsx"]) == 0
    fill("again.xlsx")
    capsys.readouterr()
    assert run(["check", KIT, FIRST, "again.xlsx", "--out", "report"]) == 0
    assert "14 readings of hole 5 of 2026-11-10 no longer count" in " ".join(capsys.readouterr().out.split())
    page = Path("report/report.html").read_text(encoding="utf-8")
    texts = "Read again", "Before, no longer counts", "0.4546, 0.4547 (2026-11-10)", "0.4577, 0.4578 (2026-11-20)"
    for text in texts:
        assert text in page
    assert not Path("holeqc-ledger.sqlite3").exists()


@pytest.mark.parametrize("remark", ["crack at the edge", "before: crack at the edge", "{}, crack", "{} crack"])
def test_a_remark_in_the_columns_of_a_recheck_is_no_word_of_ours(remark: str) -> None:
    assert run(["sheet", KIT, "--recheck", CODE, "--first", FIRST, "-o", "again.xlsx"]) == 0
    _, sheet, top = sheet_of("again.xlsx")
    fill("again.xlsx", remark=remark.format(sheet.cell(top + 1, 3).value))
    assert run(["check", KIT, FIRST, "again.xlsx"]) == 3


@pytest.mark.parametrize(("blank", "code", "words"), [
    ("copy", 3, "the part is named, but not one reading is there"),
    ("another", 2, "one sheet is a recheck of 'RK2X-5HX5', another says nothing of it, filled or blank"),
])  # fmt: skip
def test_a_blank_sheet_beside_a_recheck(capsys: pytest.CaptureFixture[str], blank: str, code: int, words: str) -> None:
    assert run(["sheet", KIT, "--recheck", CODE, "--first", FIRST, "-o", "again.xlsx"]) == 0
    book, sheet, _ = sheet_of("again.xlsx")
    other = book.copy_worksheet(sheet)
    if blank == "another":
        for row in other.iter_rows(max_row=12):
            if row[0].value in ("Recheck of", "Part", "Serial"):
                row[2].value = None
    book.save("again.xlsx")
    fill("again.xlsx")
    capsys.readouterr()
    assert run(["check", KIT, FIRST, "again.xlsx"]) == code
    said = " ".join(capsys.readouterr().out.split())
    assert words.casefold() in said.casefold()
    assert "doesn't say on which day" not in said


def test_a_recheck_sheet_takes_no_serial_number(capsys: pytest.CaptureFixture[str]) -> None:
    for more in (["--serial", "S-0109"], ["--part", "port"], ["--trials", "3"]):
        assert run(["sheet", KIT, "--recheck", CODE, "--first", FIRST, "-o", "again.xlsx", *more]) == 2
        assert f"{more[0]}: --recheck names the part itself" in " ".join(capsys.readouterr().err.split())
    assert not Path("again.xlsx").exists()


def test_two_fields_that_say_what_it_is_a_recheck_of() -> None:
    head = "Serial: S-0108\nDate: 2026-11-20\nRecheck of: RK2X-5HX5\nRecheck of: 2026-11-01\n"
    rows = [f"5,{wall},{','.join(map(str, GOOD[wall]))},enters,does not enter,clean" for wall in GOOD]
    text = "\n".join(["hole,wall,dia 0,dia 90,x,y,go,no go,surface", *rows])
    Path("again.csv").write_text(f"{head}{text}\n", encoding="utf-8")
    assert run(["check", KIT, FIRST, "again.csv"]) == 3


def test_tags_are_printed_again(capsys: pytest.CaptureFixture[str]) -> None:
    run(["check", KIT, FIRST, "--record", "--out", "report"])
    assert run(["tags", CODE, "--print", "tags", "--label", "100x150mm"]) == 0
    data = Path("tags/tags.pdf").read_bytes()
    assert data.count(b"/Type /Page ") == 1
    assert b"/MediaBox [0 0 283.46 425.2]" in data
    assert run(["tags", "--print", "tags"]) == 0, "over tags printed before"
    assert b"/MediaBox [0 0 612 792]" in Path("tags/tags.pdf").read_bytes()
    (one,) = json.loads(Path("report/tags.json").read_text(encoding="utf-8"))
    assert (one["code"], one["lines"][0]["requirement"]) == (CODE, "0.4550 to 0.4620")
    capsys.readouterr()
    for words, said in ((["--print", "report"], "give an empty or new folder"), (["--label", "4x6in"], "goes with"),
                        (["--print", "t", "--label", "4x2in"], "needs a label of"), (["K7X2-3WHC"], "no tag"),
                        (["--serial", "X", "--print", "t"], "no tag fits")):  # fmt: skip
        assert run(["tags", *words]) == 2
        assert said in capsys.readouterr().err


def test_a_label_says_its_unit() -> None:
    assert label_size("100x150mm") == (100, 150)
    assert label_size(' 4 X 6 in') == pytest.approx((101.6, 152.4))
    assert label_size('4x6"') == pytest.approx((101.6, 152.4))
    for text in ("4x6", "100mm", "axbmm", "-4x6in"):
        with pytest.raises(LedgerError, match="no size with its unit"):
            label_size(text)


def test_trends_take_no_recheck(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sheet", KIT, "--recheck", CODE, "--first", FIRST, "-o", "again.xlsx"]) == 0
    fill("again.xlsx")
    history = str(ROOT / "sample_measurements" / "fixture_history" / "df-bl7_history.csv")
    found = []
    for files in ([history], [history, "again.xlsx"]):
        capsys.readouterr()
        assert run(["capability", KIT, *files, "--by", "hole", "--only", "5", "--json"]) in (0, 1, 3)
        said = capsys.readouterr()
        (one,) = json.loads(said.out)
        found.append((one["n"], one["mean"]))
        assert ("it says how the part was mended" in said.err) is (len(files) == 2)
    assert found[0] == found[1]


def test_after_a_revision_the_recheck_is_of_the_kit_that_was_released(capsys: pytest.CaptureFixture[str]) -> None:
    for who in ("office 1", "office 2"):
        assert run(["kit", "release", KIT, "--by", who]) == 0
    run(["check", KIT, FIRST, "--record"])
    assert run(["sheet", "--recheck", "S-0108", "-o", "old.xlsx"]) == 0
    newer = Path(KIT).read_text(encoding="utf-8").replace('revision = "C"', 'revision = "D"')
    Path("new.toml").write_text(newer, encoding="utf-8")
    for who in ("office 1", "office 2"):
        assert run(["kit", "release", "new.toml", "--by", who]) == 0
    capsys.readouterr()
    assert run(["sheet", "--recheck", "S-0108", "-o", "again.xlsx"]) == 2
    assert "revision D was released since" in capsys.readouterr().err
    assert run(["sheet", "new.toml", "--recheck", "S-0108", "-o", "again.xlsx"]) == 0
    assert 'revision "D"' in str(sheet_of("again.xlsx")[1]["A2"].value)
