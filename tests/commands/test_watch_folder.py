"""A watched folder, the samples to try with, the sheet for a pencil, and lines on a narrow terminal."""

from __future__ import annotations

import random
import re
import shutil
import tomllib
from pathlib import Path

import pytest

from holeqc import printing
from holeqc.__main__ import run
from holeqc.answers import watch as watching
from holeqc.answers.check import check
from holeqc.answers.files import write_demo
from holeqc.ledger import open_ledger
from holeqc.readings.sheet_layout import Recheck, layout
from holeqc.reports import pencil
from holeqc.reports.blocks import Circle, Drawing, Shape, Text
from holeqc.reports.pages import width_of
from holeqc.specification.load import load_specification
from holeqc.specification.model import Specification

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_measurements"
BL7 = load_specification(ROOT / "tolerances" / "bl7.toml")
CP12 = load_specification(ROOT / "tolerances" / "cp12.toml")


# ------------------------------------------------------------------------------------------------ a folder under watch


def looks(watch: watching.Watch, capsys: pytest.CaptureFixture[str], times: int = 3) -> str:
    """Look some times and return what was said."""
    for _ in range(times):
        watch.look()
    said = capsys.readouterr()
    return said.out + said.err


def test_a_sheet_is_judged_once_when_it_is_whole(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("holeqc.answers.check.report", lambda run, folder: [folder / "report.html"])  # tested below
    whole = (SAMPLES / "bl7_P-0107.xlsx").read_bytes()
    sheet = tmp_path / "P-0107.xlsx"
    sheet.write_bytes(whole[:9000])  # half of it is copied
    watch = watching.Watch(tmp_path, BL7)
    assert watching.PATIENCE * watching.EVERY >= 10  # seconds
    assert looks(watch, capsys, watching.PATIENCE) == ""
    sheet.write_bytes(whole)
    assert watch.look()  # seen once: it may still grow
    assert "accept" not in capsys.readouterr().out
    assert "✓ accept  port P-0107: 8 holes, all accepted" in looks(watch, capsys)
    assert looks(watch, capsys) == looks(watching.Watch(tmp_path, BL7), capsys) == ""  # nor after a restart
    lock = tmp_path / ".~lock.P-0107.xlsx#"
    lock.write_text("somebody")
    shutil.copy(SAMPLES / "bl7_S-0108.xlsx", sheet)  # saved while it is open
    said = looks(watch, capsys)
    assert "somebody has it open (.~lock.P-0107.xlsx# lies beside it)" in said
    assert "S-0108" not in said
    lock.unlink()
    said = looks(watch, capsys)
    assert "P-0107.xlsx: changed since, judged anew" in said
    assert "✗ reject  starboard S-0108" in said
    assert "Tags: RK2X-5HX5" in said
    assert watch.worst == 1
    shutil.copy(sheet, tmp_path / "copy.xlsx")
    assert "the same bytes as P-0107.xlsx" in looks(watch, capsys)
    # a file that stays unusable is told once; one that nobody filled is no verdict
    (tmp_path / "bad.xlsx").write_bytes(whole[:9000])
    assert run(["sheet", str(BL7.path), "-o", str(tmp_path / "blank.xlsx"), "--part", "port", "--serial", "P-1"]) == 0
    capsys.readouterr()
    said = looks(watch, capsys, 2 * watching.PATIENCE)
    assert said.count("bad.xlsx: not judged") == said.count("blank.xlsx: nothing is filled in yet") == 1
    assert watch.worst == 2
    (tmp_path / watching.STATE).write_text("{")
    assert "damaged" in looks(watching.Watch(tmp_path, BL7), capsys, 1)


def test_a_table_that_stops_in_a_line_is_waited_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("holeqc.answers.check.report", lambda run, folder: [folder / "report.html"])
    whole = (SAMPLES / "bl7_P-0109.csv").read_bytes()
    sheet, line = tmp_path / "P-0109.csv", whole.index(b"\n", 3000) + 1
    watch = watching.Watch(tmp_path, BL7)
    # inside a number, which would read as another one; and a whole line whose last fields are missing
    for part in (whole[: line + 40], whole[:line] + b"2026-11-11,P-0109,port\n"):
        sheet.write_bytes(part)
        assert looks(watch, capsys, watching.PATIENCE) == ""
    sheet.write_bytes(whole)
    assert "port P-0109" in looks(watch, capsys)
    sheet.write_bytes(whole.rstrip())  # some programs end no last line: it stays so, and is judged then
    assert looks(watch, capsys, watching.PATIENCE) == ""
    assert "P-0109.csv: changed since" in looks(watch, capsys, watching.PATIENCE)


def test_what_is_recorded_is_recorded_once_and_reports_are_no_sheets(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, ledger = tmp_path / "week", str(tmp_path / "shop.sqlite3")
    folder.mkdir()
    shutil.copy(SAMPLES / "bl7_S-0108.xlsx", folder)
    code = run(["watch", str(folder), "--kit", str(BL7.path), "--once", "--record", "--by", "2", "--ledger", ledger])
    said = capsys.readouterr().out
    assert code == 1
    assert "Recorded as entries" in said
    assert "Tags opened: RK2X-5HX5" in said
    report = folder / watching.RESULTS / "bl7_S-0108.xlsx"
    assert {"report.html", "report.pdf", "tags.pdf", "verdicts.json"} <= {p.name for p in report.iterdir()}
    (folder / watching.STATE).unlink()  # lost: the record still knows the file
    shutil.copy(report / "evaluated.xlsx", folder)
    with open_ledger(ledger, create=False) as there:
        before = there.rows(_count())
    watch = watching.Watch(folder, BL7, record=True, by="2", ledger=ledger)
    said = looks(watch, capsys)
    assert "Nothing was added" in said
    assert "evaluated" not in said
    with open_ledger(ledger, create=False) as there:
        assert there.rows(_count()) == before
    assert run(["watch", str(folder), "--record"]) == 2  # nobody is named
    assert run(["watch", str(tmp_path / "nowhere")]) == 2


def test_a_single_pass_leaves_a_sheet_that_stays_open_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watching, "EVERY", 0.0)
    shutil.copy(SAMPLES / "bl7_P-0107.xlsx", tmp_path / "P-0107.xlsx")
    (tmp_path / "~$P-0107.xlsx").write_bytes(b"a crash has left it")
    assert run(["watch", str(tmp_path), "--kit", str(BL7.path), "--once"]) == 2
    said = capsys.readouterr()
    assert said.out.count("somebody has it open") == 1
    assert "take ~$P-0107.xlsx away" in said.err
    watch = watching.Watch(tmp_path, BL7)  # without an end it goes on waiting, and says so once
    assert looks(watch, capsys, 3 * watching.PATIENCE).count("P-0107.xlsx:") == 1
    assert watch.look()


def _count() -> object:
    from sqlalchemy import text

    return text("select count(*) as entries from entry")


# ------------------------------------------------------------------------------------------------- samples to try with


def test_the_samples_are_copied_and_all_of_them_are_in_a_wheel(tmp_path: Path) -> None:
    written = write_demo(tmp_path / "try")
    there = {p.relative_to(ROOT).as_posix() for name in ("tolerances", "sample_measurements")
             for p in (ROOT / name).rglob("*") if p.is_file()}  # fmt: skip
    assert {p.relative_to(tmp_path / "try").as_posix() for p in written} == there
    assert all((ROOT / name).read_bytes() == (tmp_path / "try" / name).read_bytes() for name in there)
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]["data-files"]
    packed = {f"{place.removeprefix('share/holeqc/')}/{p.name}" for place, patterns in listed.items()
              for pattern in patterns for p in ROOT.glob(pattern)}  # fmt: skip
    assert packed == there
    assert run(["demo", str(tmp_path / "try")]) == 2  # somebody's folder is left as it is


# -------------------------------------------------------------------------------------------------------- for a pencil


def many_holes(count: int) -> Specification:
    import dataclasses

    first = BL7.holes[0]
    holes = tuple(dataclasses.replace(first, id=str(n), x=1.0 + 0.7 * n, y=1.0 + n % 3) for n in range(1, count + 1))
    return dataclasses.replace(BL7, holes=holes)


@pytest.mark.parametrize(
    ("spec", "part", "paper", "pages"),
    [(BL7, "port", "letter", 1), (BL7, "starboard", "a4", 1), (CP12, "deck", "a4", 1),
     (many_holes(30), "port", "letter", 3)],
    ids=["letter", "a4", "few", "many"],
)  # fmt: skip
def test_a_sheet_for_a_pencil_fills_its_pages_and_stays_on_them(
    spec: Specification, part: str, paper: str, pages: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[Drawing] = []
    monkeypatch.setattr(pencil, "save_pdf", lambda made, title: drawn.extend(made) or b"")
    pencil.pencil_pages(spec, part, ["P-0113"], paper)
    assert len(drawn) == pages
    texts = [t for page in drawn for t in page.items if isinstance(t, Text)]
    rows = [t.text for t in texts if t.bold and t.anchor == "middle" and t.text in spec.hole_ids]
    assert rows == [h.id for h in spec.holes for _ in spec.walls.names]
    assert sum(isinstance(i, Circle) for i in drawn[0].items) == len(spec.holes)  # the map
    ticks = [t.text for t in texts if t.text in {"clean", "burr", "not clean", "crack"}]
    assert len(ticks) == 4 * len(layout(spec).rows)
    x = [t.text for t in texts if t.text.startswith("basic")][0::2]
    assert float(x[0].split()[1]) == pytest.approx(spec.holes[0].x)  # starboard's readings are from its own edges
    for page in drawn:
        for item in page.items:
            if isinstance(item, Text):
                wide = width_of(item.text, item.size, item.bold)
                left = item.x - {"start": 0, "middle": wide / 2, "end": wide}[item.anchor]
                assert 0 < left < page.width - wide, item.text
            if isinstance(item, Shape):
                assert all(0 < px < page.width and 0 < py < page.height for px, py in item.points)
        low = max(py for s in page.items if isinstance(s, Shape) for _, py in s.points)
        assert low > (0.85 if page is not drawn[-1] or pages == 1 else 0.5) * page.height


def test_a_pencil_sheet_is_a_pdf_or_a_workbook_that_is_read_as_ours(tmp_path: Path) -> None:
    words = ["sheet", str(CP12.path), "--paper", "--serial", "D-1", "-o"]
    assert run([*words, str(tmp_path / "a.pdf")]) == 0
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")
    assert run([*words, str(tmp_path / "a.pdf")]) == 2  # it is there already
    assert run([*words, str(tmp_path / "a.txt")]) == run([*words, str(tmp_path / "b.pdf"), "--page", "a3"]) == 2
    assert run([*words, str(tmp_path / "a.xlsx")]) == 0
    from openpyxl import load_workbook

    book = load_workbook(tmp_path / "a.xlsx")
    sheet = book["D-1"]
    texts = [str(c.value) for row in sheet.iter_rows() for c in row]
    headings = [text for text in texts if text == "Hole" or text.endswith("check")]
    assert headings == ["Hole"]
    row = next(c.row for c in sheet["A"] if c.value == "A")
    at = {str(c.value): c.column for c in sheet[row - 1]}
    for d in (0, 60, 120):
        sheet.cell(row, at[f"Diameter {d}° [mm]"]).value = 12.55
    book.save(tmp_path / "a.xlsx")
    read = check(CP12, tmp_path / "a.xlsx")
    assert sorted(read.inspection.readings.table["value"].dropna()) == [12.55] * 3
    again = Recheck("T", "deck", "D-1", {("B", "single"): frozenset({"diameter"})}, {("B", "single"): "small"}, {})
    assert pencil.pencil_pages(CP12, "deck", ["D-1"], "a4", again).startswith(b"%PDF")


# --------------------------------------------------------------------------------------------------- narrow terminals


@pytest.mark.parametrize("wide", [20, 40, 80])
def test_no_line_is_wider_than_the_terminal_and_no_word_is_lost(wide: int) -> None:
    dice = random.Random(wide)
    for _ in range(300):
        words = ["x" * dice.randint(1, 14) for _ in range(dice.randint(1, 40))]
        gaps = dice.choice([[" "], [" ", "   "], ["    "]])
        text = " " * dice.randint(0, 9) + "".join(word + dice.choice(gaps) for word in words).rstrip()
        text += dice.choice(["", "\n", "\n\n", "\n  more of it here"])
        out = printing.fitted(text, wide)
        assert out.split() == text.split()
        assert all(len(line) <= wide or len(line.split()) == 1 for line in out.split("\n")), out


def test_a_table_is_broken_between_its_columns_and_a_paragraph_flows_anew() -> None:
    row = "reject     starboard stern  S-0108   2026-11-30 21:55"
    assert printing.fitted(row, 40) == "reject     starboard stern  S-0108\n  2026-11-30 21:55"
    long = " ".join(["word"] * 30)
    set_wide = re.sub(r"(.{1,80})(?: |$)", r"\1\n", long)
    assert printing.fitted(set_wide, 40).count("\n") == printing.fitted(long, 40).count("\n") + 1
    path = "/a/" + "b" * 60
    assert path in printing.fitted(f"Report: {path} is written", 40).split("\n")[1]
