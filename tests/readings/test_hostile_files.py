"""Files that are broken, locked, of another kind, or made to harm: refused with a clear word, nothing ever run."""

from __future__ import annotations

import contextlib
import datetime as dt
import gc
import io
import random
import re
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from making import KIT, cell_xml, codes, kit, only, read, rewritten, text_file, wide, workbook

from holeqc.__main__ import run
from holeqc.problems import HoleQCError, ReadingsError
from holeqc.readings.containers import SizeLimits
from holeqc.readings.read import declared_kit

TODAY = dt.date(2026, 11, 30)
SHEET = "xl/worksheets/sheet1.xml"


def refused(path: Path, code: str, **options: object) -> str:
    """Return the message of a refusal that has this code, and names the file."""
    with pytest.raises(ReadingsError) as error:
        read(path, kit(), **options)
    problem = error.value.problems[0]
    assert problem.code == code, error.value
    assert problem.file == str(path)
    assert problem.severity == "error"
    return str(error.value)


def good(tmp_path: Path) -> Path:
    return workbook(tmp_path / "shop.xlsx", wide())


def test_missing_empty_folder(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "none.xlsx", "no-file")
    (tmp_path / "empty.xlsx").write_bytes(b"")
    assert "0 bytes" in refused(tmp_path / "empty.xlsx", "empty-file")
    assert "not a file" in refused(tmp_path, "no-file")


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.9, 0.99])
def test_a_workbook_cut_short(share: float, tmp_path: Path) -> None:
    path = good(tmp_path)
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    assert "damaged or cut off" in refused(path, "damaged-file")


@pytest.mark.parametrize("place", ["files.SheetPass._number", "files._styles", "files._remarks", "files.reference",
                                   "containers._check_kind", "containers._check_xml_start"])  # fmt: skip
def test_a_slip_of_ours_is_no_damage_of_the_file(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "kit.toml").write_text(KIT)
    path = good(tmp_path)
    for error in (KeyError, TypeError, ValueError, RuntimeError, IndexError):

        def slip(*_: object, error: type[Exception] = error, **__: object) -> None:
            raise error("planted")

        monkeypatch.setattr(f"holeqc.readings.{place}", slip)
        assert run(["check", str(tmp_path / "kit.toml"), str(path), "--json"]) == 2
        out, err = capsys.readouterr()
        assert (out, "fault of holeqc" in err, f"{error.__name__}: " in err) == ("", True, True)


@pytest.mark.parametrize(("part", "old", "new", "word"), [
    ("xl/_rels/workbook.xml.rels", " Target=", " Targett=", "without Target"),
    ("xl/workbook.xml", ' name="Sheet1"', ' nam="Sheet1"', "without name"),
    ("xl/workbook.xml", 'r:id="rId1"', 'r:id="rId77"', "leads to no part"),
    ("xl/styles.xml", "</cellXfs>", '<xf fontId="x"/></cellXfs>', "style 'x'"),
    ("xl/styles.xml", "<numFmts", '<numFmts><numFmt numFmtId="170"/></numFmts><numFmts', "without formatCode"),
    ("xl/styles.xml", "</styleSheet>", "", "styles.xml"),
    ("[Content_Types].xml", "main+xml", "main+xlm", "no part is a workbook"),
    (SHEET, "</sheetData>", "", "mismatched tag"),
])  # fmt: skip
def test_a_workbook_damaged_inside(part: str, old: str, new: str, word: str, tmp_path: Path) -> None:
    path = rewritten(good(tmp_path), {part: lambda text: text.replace(old, new, 1)})
    message = refused(path, "damaged-file")
    assert "damaged inside" in message
    assert word in message


def test_a_part_that_is_missing_or_whose_bytes_are_damaged(tmp_path: Path) -> None:
    path = good(tmp_path)
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
        at = archive.getinfo(SHEET).header_offset + 60
    data = bytearray(path.read_bytes())
    data[at : at + 40] = bytes(40)
    (tmp_path / "bytes.xlsx").write_bytes(data)
    assert "damaged inside" in refused(tmp_path / "bytes.xlsx", "damaged-file")
    with zipfile.ZipFile(tmp_path / "less.xlsx", "w") as archive:
        for name in parts.keys() - {"xl/_rels/workbook.xml.rels"}:
            archive.writestr(name, parts[name])
    assert "no item named" in refused(tmp_path / "less.xlsx", "damaged-file")


def test_drawings_that_lead_to_themselves_end(tmp_path: Path) -> None:
    relations = (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        '<Relationship Id="rId1" Type="x/drawing" Target="sheet1.xml"/></Relationships>'
    )
    path = good(tmp_path)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("xl/worksheets/_rels/sheet1.xml.rels", relations)
    assert len(read(path, kit()).table)


#: what the files of other programs begin with, and the word for it
KINDS: list[tuple[bytes, str, str]] = [
    (bytes.fromhex("D0CF11E0A1B11AE1") + b"\0" * 600, "old-format", "old binary kind"),
    (
        bytes.fromhex("D0CF11E0A1B11AE1") + b"\0" * 600 + "EncryptedPackage".encode("utf-16-le"),
        "protected-file",
        "password",
    ),
    (b"<html><table><tr><td>Hole</td></tr></table></html>", "other-format", "web page"),
    (b'<?xml version="1.0"?><Workbook/>', "other-format", "XML"),
    (b"%PDF-1.7 ...", "other-format", "PDF"),
    (b"\x89PNG\r\n\x1a\n" + b"\0" * 100, "other-format", "picture"),
]


@pytest.mark.parametrize(("content", "code", "word"), KINDS, ids=[k[2] for k in KINDS])
def test_other_kinds_of_file(content: bytes, code: str, word: str, tmp_path: Path) -> None:
    path = tmp_path / "shop.xls"
    path.write_bytes(content)
    message = refused(path, code)
    assert word in message
    assert re.search("save it", message)


def zipped(path: Path, parts: dict[str, bytes], compression: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(path, "w", compression) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return path


def test_other_containers(tmp_path: Path) -> None:
    ods = zipped(
        tmp_path / "a.ods", {"mimetype": b"application/vnd.oasis.opendocument.spreadsheet", "content.xml": b"<a/>"}
    )
    assert "OpenDocument" in refused(ods, "other-format")
    assert "no workbook" in refused(zipped(tmp_path / "b.zip", {"readme.txt": b"hello"}), "other-format")
    binary = zipped(tmp_path / "c.xlsb", {"[Content_Types].xml": b"<Types/>", "xl/workbook.bin": b"\0"})
    assert ".xlsb" in refused(binary, "other-format")


def test_strict_workbooks_are_told_apart(tmp_path: Path) -> None:
    path = rewritten(
        good(tmp_path),
        {
            "xl/workbook.xml": lambda t: t.replace(
                "http://schemas.openxmlformats.org/spreadsheetml/2006/main",
                "http://purl.oclc.org/ooxml/spreadsheetml/main",
            )
        },
    )
    assert "Strict" in refused(path, "other-format")


@pytest.mark.parametrize(
    "part", [SHEET, "xl/workbook.xml", "xl/styles.xml", "docProps/core.xml", "[Content_Types].xml"]
)
@pytest.mark.parametrize(
    "declaration", ['<!DOCTYPE x [<!ENTITY a "b">]>', '<!DOCTYPE x SYSTEM "file:///etc/hostname">']
)
def test_declared_entities_are_refused_in_any_part(part: str, declaration: str, tmp_path: Path) -> None:
    def change(text: str) -> str:
        return re.sub(r"(<\?xml[^>]*\?>)?", lambda m: (m[0] or "") + declaration, text, count=1)

    message = refused(rewritten(good(tmp_path), {part: change}), "unsafe-xml")
    assert part in message


def test_a_declaration_late_in_a_large_part_is_found(tmp_path: Path) -> None:
    late = "<sheetData>" + "<row/>" * 400_000
    path = rewritten(good(tmp_path), {SHEET: lambda t: t.replace("<sheetData>", late + "<!ENTITY a 'b'>")})
    refused(path, "unsafe-xml", limits=SizeLimits(zip_ratio=1e9))


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-32", "cp037"])
def test_xml_in_another_encoding_is_refused(encoding: str, tmp_path: Path) -> None:
    def change(content: bytes) -> bytes:
        text = content.decode("utf-8")
        body = re.sub(r"<\?xml[^>]*\?>", "", text)
        return f'<?xml version="1.0" encoding="{encoding}"?>{body}'.encode(encoding)

    path = good(tmp_path)
    with zipfile.ZipFile(path) as archive:
        sheet = archive.read(SHEET)
    assert SHEET in refused(rewritten(path, {SHEET: change(sheet)}), "unsafe-xml")


def test_an_entity_is_never_expanded(tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("0.4581")
    path = rewritten(
        good(tmp_path),
        {
            SHEET: lambda t: t.replace(
                "<worksheet", f'<!DOCTYPE w [<!ENTITY s SYSTEM "{secret.as_uri()}">]><worksheet', 1
            )
        },
    )
    refused(path, "unsafe-xml")


def test_sizes_are_bounded(tmp_path: Path) -> None:
    path = good(tmp_path)
    assert "at most 100 bytes" in refused(path, "too-large", limits=SizeLimits(file_bytes=100))
    assert "unpacks" in refused(path, "too-large", limits=SizeLimits(unpacked_bytes=1000))
    assert "parts" in refused(path, "too-large", limits=SizeLimits(entries=3))
    assert "rows" in refused(path, "too-large", limits=SizeLimits(rows=5))
    assert "columns" in refused(path, "too-large", limits=SizeLimits(columns=5))
    assert "cells" in refused(path, "too-large", limits=SizeLimits(cells=20))
    book = openpyxl.load_workbook(path)
    for _ in range(3):
        book.create_sheet()
    book.save(path)
    assert "sheets" in refused(path, "too-large", limits=SizeLimits(sheets=2))
    text = text_file(tmp_path / "shop.csv", wide())
    assert "rows" in refused(text, "too-large", limits=SizeLimits(rows=5))
    assert "fields" in refused(text, "too-large", limits=SizeLimits(columns=5))


def test_a_zip_bomb_is_not_unpacked(tmp_path: Path) -> None:
    path = rewritten(good(tmp_path), {"xl/media/image1.xml": b"<a>" + b" " * 20_000_000 + b"</a>"})
    assert path.stat().st_size < 100_000
    assert "ratio" in refused(path, "zip-ratio")


def test_a_row_far_below_and_a_cell_far_right(tmp_path: Path) -> None:
    far = '<row r="{row}"><c r="{cell}"><v>1</v></c></row></sheetData>'
    below = rewritten(
        good(tmp_path), {SHEET: lambda t: t.replace("</sheetData>", far.format(row=10**9, cell="A1000000"))}
    )
    refused(below, "too-large", limits=SizeLimits(rows=1000))
    right = rewritten(good(tmp_path), {SHEET: lambda t: t.replace("</sheetData>", far.format(row=20, cell="XFD20"))})
    assert "columns" in refused(right, "too-large")


def test_a_stray_format_far_right_is_no_content(tmp_path: Path) -> None:
    blank = '<row r="20"><c r="XFD20" s="0"/></row></sheetData>'
    path = rewritten(good(tmp_path), {SHEET: lambda t: t.replace("</sheetData>", blank)})
    assert len(read(path, kit(), today=TODAY).table) == 32


def test_stated_dimensions_are_not_trusted(tmp_path: Path) -> None:
    path = rewritten(good(tmp_path), {SHEET: lambda t: re.sub(r'<dimension ref="[^"]*"', '<dimension ref="A1:B2"', t)})
    assert len(read(path, kit(), today=TODAY).table) == 32


@pytest.mark.parametrize(
    "xml",
    [
        '<c r="F2"><v>abc</v></c>',
        '<c r="F2" t="s"><v>999999</v></c>',
        '<c r="F2" s="9999"><v>1</v></c>',
        '<c r="??"><v>1</v></c>',
        '<c r="F2"><v>1</c>',
    ],
)
def test_nonsense_inside_a_sheet(xml: str, tmp_path: Path) -> None:
    path = cell_xml(good(tmp_path), "F2", xml)
    with contextlib.suppress(ReadingsError):
        first = read(path, kit(), today=TODAY).table.iloc[0]
        assert first["doubt"] != "" or first["value"] == 1.0, "nonsense must not become a reading"


def test_a_number_too_large_for_a_float(tmp_path: Path) -> None:
    path = cell_xml(good(tmp_path), "F2", '<c r="F2"><v>1e999</v></c>')
    assert only(read(path, kit(), today=TODAY), "beyond-any-length").cell == "F2"


def test_a_date_beyond_all_dates(tmp_path: Path) -> None:
    book = openpyxl.load_workbook(good(tmp_path))
    book.active["F2"].number_format = "yyyy-mm-dd"
    book.save(tmp_path / "shop.xlsx")
    path = cell_xml(tmp_path / "shop.xlsx", "F2", '<c r="F2" s="1"><v>99999999</v></c>')
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        readings = read(path, kit(), today=TODAY)
    assert only(readings, "error-cell").cell == "F2"


def test_macros_and_formulas_are_never_run(tmp_path: Path) -> None:
    path = rewritten(good(tmp_path), {"xl/vbaProject.bin": b"not a macro"})
    path = cell_xml(path, "F2", '<c r="F2"><f>WEBSERVICE("http://localhost:9/x")</f><v>0.4581</v></c>')
    readings = read(path.rename(tmp_path / "shop.xlsm"), kit(), today=TODAY)
    assert only(readings, "macros").severity == "note"
    assert readings.table["value"].iloc[0] == 0.4581


def test_an_external_link_is_not_followed(tmp_path: Path) -> None:
    kind = "http://schemas.openxmlformats.org/officeDocument/2006/relationships/externalLink"
    rels = (
        f'<Relationship Id="rIdX" Type="{kind}" '
        'Target="http://localhost:9/x.xlsx" TargetMode="External"/></Relationships>'
    )
    path = rewritten(good(tmp_path), {"xl/_rels/workbook.xml.rels": lambda t: t.replace("</Relationships>", rels)})
    assert len(read(path, kit(), today=TODAY).table) == 32


@pytest.mark.parametrize("name", ["shop.xls", "shop.csv", "shop", "shop.XLSX", "shop.zip"])
def test_a_workbook_is_known_by_its_content_and_not_its_name(name: str, tmp_path: Path) -> None:
    path = good(tmp_path).rename(tmp_path / name)
    assert len(read(path, kit(), today=TODAY).table) == 32


def test_a_file_is_let_go_after_reading(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error", ResourceWarning)
        read(good(tmp_path), kit(), today=TODAY)
        cell_xml(tmp_path / "shop.xlsx", "F2", "<c")
        with contextlib.suppress(ReadingsError):
            read(tmp_path / "shop.xlsx", kit(), today=TODAY)
        gc.collect()


def test_hidden_things_are_said(tmp_path: Path) -> None:
    path = good(tmp_path)
    book = openpyxl.load_workbook(path)
    book.active.row_dimensions[3].hidden = True
    book.active.column_dimensions["I"].hidden = True
    book.create_sheet("front")
    book.active.sheet_state = "hidden"
    book.active = 1
    book.save(path)
    readings = read(path, kit(), today=TODAY)
    assert sorted(codes(readings)) == ["hidden-cells", "hidden-sheet"]
    assert "11 readings" in only(readings, "hidden-cells").message  # 4 of row 3, 8 of column I, one of them in both
    assert len(readings.table) == 32


def test_text_that_is_binary_or_has_an_open_quotation(tmp_path: Path) -> None:
    path = tmp_path / "shop.csv"
    path.write_bytes(b"Serial,Hole,Dia\n1,1,0.45\x0081\n")
    assert "NUL" in refused(path, "binary-content")
    path.write_text('Serial,Part,Hole,Wall,Dia\nP-1,port,1,near,"0.4581\n' + "P-1,port,1,far,0.4582\n" * 9000)
    assert "quotation" in refused(path, "damaged-file")
    path.write_text('Serial,Part,Hole,Wall,Dia 0,Note\nP-1,port,1,near,0.4581,"open\n' + "P-1,port,1,far,0.4582,\n" * 9)
    assert "quotation" in refused(path, "damaged-file")


def test_every_unreadable_file_is_named_at_once(tmp_path: Path) -> None:
    (tmp_path / "empty.csv").write_bytes(b"")
    with pytest.raises(ReadingsError) as error:
        read([tmp_path / "none.xlsx", good(tmp_path), tmp_path / "empty.csv"], kit())
    assert [p.code for p in error.value.problems] == ["no-file", "empty-file"]


def test_a_file_without_a_table_is_refused(tmp_path: Path) -> None:
    path = workbook(tmp_path / "other.xlsx", [["Item", "Price"], ["bolt", 3.5]])
    assert "no table of readings" in refused(path, "no-table")


def test_bytes_turned_at_random_never_crash(tmp_path: Path) -> None:
    # the only errors allowed out are the project's own; the archive is stored, so that turned bytes reach the XML
    stored = tmp_path / "stored.xlsx"
    with zipfile.ZipFile(good(tmp_path)) as old, zipfile.ZipFile(stored, "w", zipfile.ZIP_STORED) as new:
        for name in old.namelist():
            new.writestr(name, old.read(name))
    data = stored.read_bytes()
    dice = random.Random(5)
    spec = kit()
    for _ in range(120):
        turned = bytearray(data)
        for _ in range(dice.choice((1, 2, 8))):
            turned[dice.randrange(len(turned))] = dice.randrange(256)
        stored.write_bytes(bytes(turned))
        try:
            read(stored, spec, today=TODAY)
        except HoleQCError:
            continue


def test_xml_turned_at_random_never_crashes(tmp_path: Path) -> None:
    path = good(tmp_path)
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    spec = kit()
    tokens: tuple[Callable[[bytes], bytes], ...] = (
        lambda t: t.replace(b"<v>", b"<v>-", 1),
        lambda t: t.replace(b'r="', b'r="Z', 1),
        lambda t: t.replace(b"</c>", b"", 1),
        lambda t: t[: len(t) // 2],
        lambda t: t.replace(b't="', b't="q', 1),
        lambda t: t.replace(b"<row", b"<f", 1),
        lambda t: t.replace(b"1", b"", 3),
        lambda t: t.replace(b's="', b's="7', 2),
        lambda t: t.replace(b"sheet", b"chart"),
    )
    for name in (SHEET, "xl/workbook.xml", "xl/_rels/workbook.xml.rels"):
        for change in tokens:
            buffer = io.BytesIO()
            with zipfile.ZipFile(buffer, "w") as new:
                for other, content in parts.items():
                    new.writestr(other, change(content) if other == name else content)
            path.write_bytes(buffer.getvalue())
            try:
                read(path, spec, today=TODAY)
                declared_kit(path)
            except HoleQCError:
                continue
