"""The pass over a sheet's XML: the values as the library reads them, and what the format forbids refused by name.

The library (openpyxl) is the referee for values, days, texts and truth values; ECMA-376 (18.3.1) for what may stand
where.
"""

from __future__ import annotations

import datetime as dt
import random
import re
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from making import kit, read, rewritten, wide, workbook

from holeqc.problems import HoleQCError, ReadingsError
from holeqc.readings.containers import SizeLimits, Uncalculated, examine
from holeqc.readings.files import RawSheet, read_workbook
from holeqc.readings.sheet import write_sheet
from holeqc.readings.sheet_layout import LISTS_SHEET, choices

ROOT = Path(__file__).resolve().parents[2]
SHEET = "xl/worksheets/sheet1.xml"
SAMPLES = sorted((ROOT / "sample_measurements").glob("*.xlsx"))


def sheets_of(path: Path) -> list[RawSheet]:
    return list(read_workbook(examine(path, SizeLimits()), SizeLimits()))


def library_rows(path: Path, title: str) -> list[list[Any]]:
    """Return the stored values as the library reads them, text of truth values and long integers as we keep them."""

    def kept(value: Any) -> Any:
        if isinstance(value, bool):
            return "TRUE" if value else "FALSE"
        if isinstance(value, int):
            return float(value) if abs(value) < 2**53 else str(value)
        return None if isinstance(value, str) and not value.strip() else value

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(path, data_only=True)
    return [[kept(value) for value in row] for row in book[title].iter_rows(values_only=True)]


def same(path: Path) -> None:
    for sheet in sheets_of(path):
        ours = [[None if isinstance(c, Uncalculated) else c for c in sheet.grid.row(n)] for n in range(sheet.grid.rows)]
        for number, row in enumerate(library_rows(path, sheet.name)):
            mine = ours[number] if number < len(ours) else []
            assert mine + [None] * (len(row) - len(mine)) == row, (sheet.name, number + 1)


@pytest.mark.parametrize("path", SAMPLES[:6], ids=lambda p: p.name)
def test_samples_read_as_the_library_reads_them(path: Path) -> None:
    same(path)


def test_all_kinds_of_cells_read_as_the_library_reads_them(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    rng = random.Random(5)
    kinds: list[Callable[[], Any]] = [
        lambda: rng.random(), lambda: rng.randrange(10**6), lambda: -rng.random() * 1e-9, lambda: 10**17 + 1,
        lambda: f"text {rng.randrange(9)}", lambda: " é & < ü ", lambda: True, lambda: False, lambda: "#DIV/0!",
        lambda: dt.datetime(2026, 11, rng.randrange(1, 30), 7, 30), lambda: dt.date(2026, 2, 3), lambda: dt.time(6, 5),
        lambda: dt.timedelta(hours=30), lambda: None, lambda: "0.4581",
    ]  # fmt: skip
    for _ in range(60):
        sheet.append([rng.choice(kinds)() for _ in range(rng.randrange(1, 30))])
    sheet["A70"], sheet["AB72"] = 1, "far"
    for system in (None, dt.datetime(1904, 1, 1)):
        if system is not None:
            book.epoch = system
        book.save(tmp_path / "a.xlsx")
        same(tmp_path / "a.xlsx")


def test_what_a_workbook_says_of_its_cells_is_read_as_the_library_reads_it(tmp_path: Path) -> None:
    formats = (
        "General", "0.00", "yyyy-mm-dd", '0.0"days"', "[Red]0.0", "[h]:mm:ss", "[hh]", "mm:ss.0", r"0\d", "0_d", "@",
        '"d"0;yyyy', "[$-407]d. mmm", "h:mm AM/PM", "0.00E+00", "[HH]:MM", "#,##0", "m/d/yy h:mm", '0.0" mm too small"',
    )  # fmt: skip
    book = openpyxl.Workbook()
    book.custom_doc_props.append(openpyxl.packaging.custom.StringProperty(name="holeqc_kit", value="BL & 7"))
    sheet = book.active
    assert sheet is not None
    for row, code in enumerate(formats, 1):
        for column, value in enumerate((0.25, 0, 1.5, 45000.123456789, -3.2, 59.9999999999), 1):
            cell = sheet.cell(row, column, value)
            cell.number_format = code
            cell.font = openpyxl.styles.Font(strike=(row + column) % 3 == 0, sz=8 + row)
    path = tmp_path / "a.xlsx"
    book.save(path)
    same(path)
    read_again = openpyxl.load_workbook(path)[sheet.title]
    (ours,) = sheets_of(path)
    struck = {(c.row, c.column) for row in read_again.iter_rows() for c in row if c.font.strike}
    assert ours.scan.struck == struck
    assert len(struck) > 20
    assert ours.properties == {"holeqc_kit": "BL & 7"}
    assert {(row, text) for row, _, text in ours.scan.remarks} == {(4, "days"), (19, " mm too small")}


ROW = '<row r="90"><c r="A90"><v>1</v></c></row>'
#: what the format forbids, each put before the end of the cells -> what is said
FORBIDDEN = [
    ('<row r="90"><c r="B90"><v>1</v><v>2</v></c></row>', "B90: the cell holds two values"),
    ('<row r="90"><c r="B90"><v>1</v><is><t>2</t></is></c></row>', "B90: the cell holds two values"),
    ('<row r="90"><c r="B90" t="inlineStr"><is><t>2</t></is><v>1</v></c></row>', "B90: the cell holds two values"),
    ('<row r="90"><c r="B90" t="inlineStr"><v>1</v></c></row>', "B90: the cell holds two values, or one"),
    ('<row r="90"><c r="B90"><is><t>1</t></is></c></row>', "B90: the cell holds two values, or one"),
    ('<row r="90"><c r="B90"><f>1</f><f>2</f><v>1</v></c></row>', "B90: the cell holds two values"),
    ('<row r="90"><c r="B90"><v>1<v>2</v></v></c></row>', "B90: the cell holds something that no cell may"),
    ('<row r="90"><c r="B90"><c r="C90"><v>2</v></c></c></row>', "B90: the cell holds something that no cell may"),
    ('<row r="90"><c r="B90"><w><v>2</v></w></c></row>', "B90: the cell holds something that no cell may"),
    ('<row r="90"><c r="B90"><v>1</v></c><c r="B90"><v>2</v></c></row>', "B90: the cell stands twice"),
    ('<row r="90"><c r="C90"><v>1</v></c><c r="B90"><v>2</v></c></row>', "B90: the cell stands twice"),
    ('<row r="90"><c r="B91"><v>1</v></c></row>', "B91: the cell is no cell of row 90"),
    ('<row r="90"><c r="B1 90"><v>1</v></c></row>', "no cell of row 90"),
    (ROW + ROW, "row 90 stands twice"),
    ('<row r="9000"/>' + ROW, "row 90 stands twice or out of order"),
    ('<row r="x"/>', "row 'x' is no row"),
    ('<c r="B90"><v>1</v></c>', "B90: a cell stands outside"),
    ("</sheetData><sheetData>" + ROW, "two tables of cells"),
    ('<row r="90"><c r="B90" t="s"><v>99999</v></c></row>', "B90: the cell's text isn't in the workbook; found 99999"),
    ('<row r="90"><c r="B90" t="s"><v>-1</v></c></row>', "B90: the cell's text isn't in the workbook"),
    ('<row r="90"><c r="B90" t="b"><v>2</v></c></row>', "B90: the cell's value is none of its kind 'b'"),
    ('<row r="90"><c r="B90" t="zz"><v>2</v></c></row>', "B90: the cell's value is none of its kind 'zz'"),
    ('<row r="90"><c r="B90" t="d"><v>2</v></c></row>', "B90: the cell's value is none of its kind 'd'"),
    ('<row r="90"><c r="B90"><v>0.45_81</v></c></row>', "B90: the cell's number is none; found 0.45_81"),
    ('<row r="90"><c r="B90"><v>0,4581</v></c></row>', "B90: the cell's number is none"),
    ('<row r="90"><c r="B90"><v>nan</v></c></row>', "B90: the cell's number is none"),
    ('<row r="90"><c r="B90" s="-1"><v>1</v></c></row>', "B90: the cell has no such style"),
]


@pytest.mark.parametrize(("xml", "words"), FORBIDDEN)
def test_what_the_format_forbids_is_refused_by_name(xml: str, words: str, tmp_path: Path) -> None:
    path = rewritten(
        workbook(tmp_path / "a.xlsx", wide()), {SHEET: lambda t: t.replace("</sheetData>", xml + "</sheetData>")}
    )
    with pytest.raises(ReadingsError, match=re.escape(words)) as error:
        read(path, kit())
    assert error.value.problems[0].sheet


def test_name_spaces_are_followed(tmp_path: Path) -> None:
    # the same cells under a prefix, and a cell of a foreign name space, which is none
    path = workbook(tmp_path / "a.xlsx", wide())
    before = [sheet.grid.row(n) for sheet in sheets_of(path) for n in range(sheet.grid.rows)]

    def prefixed(text: str) -> str:
        text = re.sub(r"<(/?)(\w+)", r"<\1x:\2", text).replace(' xmlns="', ' xmlns:x="')
        return text.replace("<x:sheetData>", '<x:sheetData><c xmlns="urn:other" r="A1"><v>9</v></c>')

    rewritten(path, {SHEET: prefixed})
    assert [sheet.grid.row(n) for sheet in sheets_of(path) for n in range(sheet.grid.rows)] == before


def test_a_part_that_stands_twice_is_refused(tmp_path: Path) -> None:
    path = workbook(tmp_path / "a.xlsx", wide())
    with zipfile.ZipFile(path) as archive:
        sheet = archive.read(SHEET)
    for name in (SHEET, SHEET.upper()):
        workbook(path, wide())
        with warnings.catch_warnings(), zipfile.ZipFile(path, "a") as archive:
            warnings.simplefilter("ignore")
            archive.writestr(name, sheet.replace(b"<v>", b"<v>1"))
        with pytest.raises(ReadingsError, match="stands in it twice"):
            read(path, kit())


def test_a_sheet_whose_cells_are_gone_is_refused(tmp_path: Path) -> None:
    path = rewritten(
        workbook(tmp_path / "a.xlsx", wide()),
        {"xl/_rels/workbook.xml.rels": lambda t: t.replace("sheet1.xml", "sheet7.xml")},
    )
    with pytest.raises(ReadingsError, match="cells are not in the workbook"):
        read(path, kit())


def test_only_the_choices_themselves_are_left_out(tmp_path: Path) -> None:
    spec, path = kit(), tmp_path / "a.xlsx"
    write_sheet(spec, path, part="port", serials=["P-1"])

    def titles() -> list[str]:
        return [s.name for s in read_workbook(examine(path, SizeLimits()), SizeLimits(), (), choices(spec))]

    assert LISTS_SHEET not in titles()
    for change in ("more", "less", "other", "seen"):
        write_sheet(spec, path, part="port", serials=["P-1"])
        book = openpyxl.load_workbook(path)
        lists = book[LISTS_SHEET]
        if change == "more":
            lists.cell(40, 1, 0.4581)
        elif change == "less":
            lists["A2"] = None
        elif change == "other":
            lists["A2"] = 0.4581
        else:
            lists.sheet_state = "visible"
        book.save(path)
        assert LISTS_SHEET in titles(), change


def test_mutated_workbooks_are_read_as_the_library_reads_them_or_refused_in_words(tmp_path: Path) -> None:
    rng = random.Random(18)
    path = workbook(tmp_path / "a.xlsx", wide())
    good = path.read_bytes()
    refused = 0
    for number in range(150):
        path.write_bytes(good)
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            text = archive.read(SHEET).decode()
        kind = number % 3
        if kind == 0:  # bytes of the file
            data = bytearray(good)
            for _ in range(rng.randrange(1, 4)):
                data[rng.randrange(len(data))] = rng.randrange(256)
            path.write_bytes(bytes(data))
        elif kind == 1:  # letters of a part
            part = rng.choice(names)
            place = rng.random()
            letter = rng.choice('<>/"=&;0 xA')

            def change(t: str, place: float = place, letter: str = letter) -> str:
                at = int(place * len(t))
                return t[:at] + letter + t[at + rng.randrange(2) :]

            rewritten(path, {part: change})
        else:  # whole elements
            pieces = re.findall(r"<[^>]*>|[^<]+", text)
            at = rng.randrange(len(pieces))
            other = rng.randrange(len(pieces))
            pieces[at], pieces[other] = pieces[other], pieces[at]
            rewritten(path, {SHEET: lambda _, p=pieces: "".join(p)})
        try:
            sheets_of(path)
        except HoleQCError as error:
            refused += len(str(error)) < 1000
            continue
        try:
            library_rows(path, sheets_of(path)[0].name)
        except Exception:  # the referee gives up where we needn't: a drawing, a setting
            continue
        same(path)
    assert refused > 50
