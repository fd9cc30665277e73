"""Workbooks as other programs write them: shared strings, rich text, prefixed elements, no styles; made by hand.

The shapes are those of ECMA-376 part 1 (SpreadsheetML), written down from memory of the standard, unconfirmed.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from making import KIT_MM, codes, kit, only, read

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml"
STRINGS = ["Serial", "Hole", "Dia 0 [mm]", "Dia 90 [mm]", "D-1", "A", "B"]


def book(path: Path, sheet: str, strings: str, prefix: str = "", extra: str = "") -> Path:
    """Write a workbook of one sheet from the XML of its rows."""
    p = f"{prefix}:" if prefix else ""
    space = f'xmlns:{prefix}="{MAIN}"' if prefix else f'xmlns="{MAIN}"'
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{PACKAGE}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{TYPE}.sheet.main+xml"/>'
        f'<Override PartName="/xl/worksheets/sheet1.xml" ContentType="{TYPE}.worksheet+xml"/>'
        f'<Override PartName="/xl/sharedStrings.xml" ContentType="{TYPE}.sharedStrings+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="r1" '
        f'Type="{OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets>'
        '<sheet name="One" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{PACKAGE}/relationships">'
        f'<Relationship Id="r1" Type="{OFFICE}/worksheet" Target="worksheets/sheet1.xml"/>'
        f'<Relationship Id="r2" Type="{OFFICE}/sharedStrings" Target="sharedStrings.xml"/></Relationships>',
        "xl/sharedStrings.xml": f'<sst xmlns="{MAIN}">{strings}</sst>',
        "xl/worksheets/sheet1.xml": f"<{p}worksheet {space}><{p}sheetData>{sheet}</{p}sheetData>{extra}</{p}worksheet>",
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, f'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n{text}')
    return path


def plain(texts: list[str]) -> str:
    return "".join(f'<si><t xml:space="preserve">{t}</t></si>' for t in texts)


def cell(place: str, string: int | None = None, value: str = "", prefix: str = "", inside: str = "") -> str:
    p = f"{prefix}:" if prefix else ""
    kind = ' t="s"' if string is not None else ""
    shown = f"<{p}v>{value if string is None else string}</{p}v>" if value or string is not None else ""
    return f'<{p}c r="{place}"{kind}>{inside}{shown}</{p}c>'


def rows(prefix: str = "", second: str = "") -> str:
    p = f"{prefix}:" if prefix else ""
    heading = "".join(cell(f"{c}1", i, prefix=prefix) for i, c in enumerate("ABCD"))
    first = cell("A2", 4, prefix=prefix) + cell("B2", 5, prefix=prefix) + cell("C2", value="11.58", prefix=prefix)
    last = cell("B3", 6, prefix=prefix) + second + cell("D3", value="11.61", prefix=prefix)
    return f'<{p}row r="1">{heading}</{p}row><{p}row r="2">{first}</{p}row><{p}row hidden="1" r="3">{last}</{p}row>'


@pytest.mark.parametrize("prefix", ["", "x", "ns0"])
def test_formulas_merges_and_hidden_rows_are_found_under_any_prefix(prefix: str, tmp_path: Path) -> None:
    p = f"{prefix}:" if prefix else ""
    formula = cell("C3", prefix=prefix, inside=f"<{p}f>11.5+0.1</{p}f>")
    merged = f'<{p}mergeCells count="1"><{p}mergeCell ref="A2:A3"/></{p}mergeCells>'
    path = book(tmp_path / "a.xlsx", rows(prefix, formula), plain(STRINGS), prefix, merged)
    readings = read(path, kit(KIT_MM))
    assert sorted(codes(readings)) == ["formula-not-calculated", "hidden-cells"]
    assert only(readings, "formula-not-calculated").cell == "C3"
    assert set(readings.table["serial"]) == {"D-1"}, "the merged label holds for both rows"
    assert readings.table["hole"].tolist() == ["A", "B", "B"]
    assert "2 readings" in only(readings, "hidden-cells").message


def test_rich_text_is_read_as_its_text(tmp_path: Path) -> None:
    sound = '<rPh sb="0" eb="1"><t>no text</t></rPh>'
    runs = f"<si><r><rPr><b/></rPr><t>Ser</t></r><r><t>ial</t></r>{sound}</si>" + plain(STRINGS[1:])
    path = book(tmp_path / "a.xlsx", rows(second=cell("C3", value="11.6")), runs)
    assert len(read(path, kit(KIT_MM)).table) == 3


def test_a_shared_string_that_is_not_there(tmp_path: Path) -> None:
    from holeqc.problems import ReadingsError

    path = book(tmp_path / "a.xlsx", rows(second=cell("C3", 99)), plain(STRINGS))
    with pytest.raises(ReadingsError, match="C3: the cell's text isn't in the workbook"):
        read(path, kit(KIT_MM))
