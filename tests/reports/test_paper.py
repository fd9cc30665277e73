"""PDF pages: a valid file, real text, nothing outside the paper, the same bytes each time."""

from __future__ import annotations

import dataclasses
import re
import zlib
from pathlib import Path

import made_up
import matplotlib
import pytest
from matplotlib import ft2font
from matplotlib.ft2font import FT2Font

from holeqc.inspection.results import Inspection
from holeqc.inspection.view import Run
from holeqc.reports import blocks as w
from holeqc.reports.blocks import Circle, Shape, Text
from holeqc.reports.pages import (
    FILES,
    NOTE,
    PAPERS,
    page_turns,
    pages_of,
    pdf_report,
    printable,
    save_pdf,
    typeface,
    width_of,
    wrap,
)
from holeqc.reports.story import report_for

# Outlines as drawn, before they are fitted to a screen's dots; the name moved between versions of the library.
_UNHINTED = ft2font.LoadFlags.NO_HINTING if hasattr(ft2font, "LoadFlags") else ft2font.LOAD_NO_HINTING


class Pdf:
    """A reader of our files that shares nothing with the writer: objects by the table at the end, text by its maps."""

    def __init__(self, data: bytes) -> None:
        assert data.startswith(b"%PDF-1.")
        assert data.endswith(b"%%EOF\n")
        start = int(re.search(rb"startxref\n(\d+)\n", data)[1])  # type: ignore[index]
        assert data[start : start + 5] == b"xref\n"
        count = int(data[start + 5 :].split(b"\n", 2)[0].split()[1])
        places = [int(row[:10]) for row in data[start:].split(b"\n")[2 : 2 + count]]
        self.objects: dict[int, bytes] = {}
        for number, place in enumerate(places[1:], 1):
            head = b"%d 0 obj\n" % number
            assert data[place : place + len(head)] == head
            self.objects[number] = data[place + len(head) : data.index(b"\nendobj", place)]

    def stream(self, number: int) -> bytes:
        head, body = self.objects[number].split(b"stream\n", 1)
        size = int(re.search(rb"/Length (\d+)", head)[1])  # type: ignore[index]
        assert body[size:] == b"\nendstream"
        return zlib.decompress(body[:size])

    def number_of(self, key: bytes, body: bytes) -> int:
        return int(re.search(key + rb" \[?(\d+) 0 R", body)[1])  # type: ignore[index]

    def kinds(self, kind: bytes) -> list[bytes]:
        return [body for body in self.objects.values() if re.search(rb"/Type /" + kind + rb"\b", body)]

    def maps(self) -> dict[str, dict[str, str]]:
        faces = next(body for body in self.objects.values() if body.startswith(b"<< /F1"))
        found = {}
        for name in ("F1", "F2"):
            font = self.objects[self.number_of(b"/" + name.encode(), faces)]
            text = self.stream(self.number_of(b"/ToUnicode", font)).decode()
            pairs = re.findall(r"^<([0-9a-f]{4})> <([0-9a-f]+)>$", text, re.MULTILINE)
            found[name] = {glyph: bytes.fromhex(code).decode("utf-16-be") for glyph, code in pairs}
        return found

    def page_texts(self) -> list[str]:
        maps = self.maps()
        pages = []
        for page in self.kinds(b"Page"):
            content = self.stream(self.number_of(b"/Contents", page)).decode("ascii")
            shown = re.findall(r"/(F[12]) [^<]*<([0-9a-f]*)> Tj", content)
            pages.append("\n".join("".join(maps[f][c[n : n + 4]] for n in range(0, len(c), 4)) for f, c in shown))
        return pages


def pdf_of(found: Inspection, most: int = 200) -> bytes:
    return pdf_report(report_for(Run(found), most))


def test_every_page_carries_tool_kit_files_rule_uncertainty_cautions_and_number(one: Inspection) -> None:
    pages = Pdf(pdf_of(one)).page_texts()
    assert len(pages) >= 4
    for number, text in enumerate(pages, 1):
        flat = " ".join(text.split())
        for words in (
            "holeqc ",
            "kit BL-7 revision C",
            f"bl7_P-0112.xlsx SHA-256 {made_up.DIGEST}",
            "simple acceptance",
        ):
            assert words in flat
        assert "size U 0.0003, ratio 11.7 : 1" in flat
        for caution in w.CAUTIONS:
            assert caution in flat
        assert f"page {number} of {len(pages)}" in flat


def test_the_first_page_tells_verdict_part_reasons_and_where_to_sign(one: Inspection) -> None:
    flat = " ".join(Pdf(pdf_of(one)).page_texts()[0].split())
    for words in ("✗ REJECT", "port stern plate, serial P-0112", "Why", "→ Engineering disposition.", "Signed by"):
        assert words in flat
    for reason in made_up.reasons(Run(one)[0]):
        assert reason.sentence in flat


def test_pdf_and_html_say_every_heading_finding_fact_and_cell(one: Inspection) -> None:
    import test_html

    report = report_for(Run(one), 200)
    said = []
    for section in report.sections:
        for block in section.blocks:
            if isinstance(block, w.Heading):
                said.append(block.text)
            elif isinstance(block, w.Findings):
                for item in block.items:
                    said += [item] if isinstance(item, str) else [item.sentence, item.action]
            elif isinstance(block, w.Facts):
                said += [text for pair in block.pairs for text in pair]
            elif isinstance(block, w.Table):
                said += [w.cell_of(cell).text for row in block.rows for cell in row]
    assert len(said) > 400
    pdf = _tight("".join(Pdf(pdf_of(one)).page_texts()))
    html = _tight("".join(test_html.check(test_html.page_of(one)).text))
    for text in said:
        assert _tight(text) in pdf
        assert _tight(text) in html


def _tight(text: str) -> str:
    """Return text without blanks, so that wrapping doesn't matter."""
    return "".join(text.split())


def test_the_same_run_gives_the_same_bytes_and_no_date() -> None:
    first = pdf_of(made_up.inspection(made_up.six_parts()))
    assert first == pdf_of(made_up.inspection(made_up.six_parts()))
    assert b"CreationDate" not in first
    assert b"ModDate" not in first


@pytest.mark.parametrize(("unit", "paper"), [("in", "letter"), ("mm", "a4")])
def test_nothing_lies_outside_the_paper_and_no_letter_is_under_eight_points(unit: str, paper: str) -> None:
    found = made_up.inspection((("starboard", "S" * 300, made_up.BAD),), unit=unit, problems=made_up.PROBLEMS)
    pages, _ = pages_of(report_for(Run(found), 10))
    wide, high = PAPERS[paper]
    for page in pages:
        assert (page.width, page.height) == (wide, high)
        for item in page.items:
            if isinstance(item, Text):
                share = {"start": 0.0, "middle": 0.5, "end": 1.0}[item.anchor]
                long = width_of(item.text, item.size, item.bold)
                left = item.x - share * long
                assert left >= 18, item
                assert left + long <= wide - 18, item
                assert 18 < item.y < high - 18, item
                assert item.size >= NOTE == 8.0, item
            elif isinstance(item, Circle):
                assert item.r < item.x < wide - item.r
            else:
                assert isinstance(item, Shape)
                assert all(9 <= x <= wide - 9 and 9 <= y <= high - 9 for x, y in item.points), item


def test_overview_names_the_page_of_each_part(many: Inspection) -> None:
    pages = Pdf(pdf_of(many)).page_texts()
    refs = re.findall(r"^page (\d+)$", pages[0], re.MULTILINE)
    assert len(refs) == 6
    serials = [str(serial) for serial in many.parts["serial"]]
    for serial, ref in zip(serials, refs, strict=True):
        assert f"serial {serial}" in pages[int(ref) - 1]


def test_outline_leads_to_each_section(many: Inspection) -> None:
    pdf = Pdf(pdf_of(many))
    titles = [
        bytes.fromhex(t.decode()).decode("utf-16")
        for t in re.findall(rb"/Title <([0-9a-f]+)> /Parent", b"\n".join(pdf.objects.values()))
    ]
    assert titles[0] == "overview"
    assert titles[1] == "port P-0000"
    assert titles[-1] == "about this report"


def test_a_table_that_crosses_pages_repeats_its_heading() -> None:
    found = made_up.inspection(made_up.six_parts(120))
    pages = Pdf(pdf_of(found, most=0)).page_texts()
    overview = [text for text in pages if "overview" in text.splitlines()[0] and "P-0" in text]
    assert len(overview) > 2
    tables = [text for text in overview if re.search(r"^all 8 accepted$", text, re.MULTILINE)]
    assert len(tables) >= 2
    for text in tables:
        assert "Serial" in text.splitlines()


@pytest.mark.parametrize("text", ["(x) Tj ET", "a\\)b", "> Tj <", "%PDF", "endstream endobj", "列", "😀"])
def test_typed_text_can_not_become_an_operator(text: str) -> None:
    pdf = Pdf(pdf_of(made_up.inspection((("port", text, made_up.BAD),), title=text)))
    assert printable(text) in "\n".join(pdf.page_texts())


def test_characters_without_a_glyph_stay_told_apart() -> None:
    assert printable("列1") == "[U+5217]1"
    assert printable("⌀ ✓ ✗ − ≥ µ °") == "⌀ ✓ ✗ − ≥ µ °"


# --------------------------------------------------------------------------------------------------------- typeface


@pytest.mark.parametrize("bold", [False, True])
def test_widths_agree_with_the_font_library(bold: bool) -> None:
    """Second route: FreeType through matplotlib."""
    font = FT2Font(str(Path(matplotlib.get_data_path(), "fonts", "ttf", FILES[bold])))
    font.set_size(1000.0, 72)
    face = typeface(bold)
    characters = [chr(code) for code in range(32, 127)] + list("⌀✓✗−≥≤µ°·→äéß")
    known = font.get_charmap()
    for character in characters:
        assert face.glyph(character) == known[ord(character)]
        by_library = font.load_char(ord(character)).linearHoriAdvance / 65536 / 1000
        assert face.width(face.glyph(character)) == pytest.approx(
            by_library, abs=6e-4
        )  # the library's unit at this size


@pytest.mark.parametrize("bold", [False, True])
def test_a_subset_draws_the_same_outlines(tmp_path: Path, bold: bool) -> None:
    """Second route: FreeType reads our subset and the whole file."""
    face = typeface(bold)
    letters = "Ré⌀✓✗ﬁ½Å8"
    path = tmp_path / "subset.ttf"
    data = _with_cmap(face.subset([face.glyph(c) for c in letters]), bold)
    path.write_bytes(data)
    assert len(data) < 200_000
    small, whole = FT2Font(str(path)), FT2Font(str(Path(matplotlib.get_data_path(), "fonts", "ttf", FILES[bold])))
    for font in (small, whole):
        font.set_size(100.0, 72)
    for letter in letters:
        outlines = []
        for font in (small, whole):
            font.load_glyph(face.glyph(letter), flags=_UNHINTED)
            outlines.append(font.get_path())
        assert outlines[0][0].shape == outlines[1][0].shape
        assert (outlines[0][0] == outlines[1][0]).all()
        assert len(outlines[0][0]) > 3
    small.load_glyph(face.glyph("Q"), flags=_UNHINTED)
    assert len(small.get_path()[0]) <= 1  # not asked for: empty


def _with_cmap(data: bytes, bold: bool) -> bytes:
    """Return the subset with the tables that FreeType wants for a file of its own."""
    from holeqc.reports import pages as module

    face = module.typeface(bold)
    tables = {tag: face._table(tag) for tag in ("cmap", "name", "post", "OS/2")}
    subset = module.Typeface.__new__(module.Typeface)
    subset._data = data
    count = int.from_bytes(data[4:6], "big")
    for n in range(count):
        record = data[12 + 16 * n : 28 + 16 * n]
        start, size = int.from_bytes(record[8:12], "big"), int.from_bytes(record[12:16], "big")
        tables[record[:4].decode()] = data[start : start + size]
    return module._font_file(tables)


def test_wrapping_keeps_every_word_and_breaks_what_is_too_long() -> None:
    text = "a part " + "x" * 300 + " and more"
    lines = wrap(text, 100, 9)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert max(width_of(line, 9) for line in lines) <= 100
    assert wrap("", 100, 9) == [""]


def test_an_empty_document_is_still_a_document() -> None:
    assert Pdf(save_pdf([], "nothing")).kinds(b"Page") == []


def test_a_table_breaks_between_groups_and_leaves_no_row_alone() -> None:
    """Worked by hand: rows of 10 points in pairs, so row 13 would be first past a page that takes 135 points."""
    pairs = frozenset(range(0, 16, 2))
    assert page_turns([10.0] * 16, pairs, 200.0, 500.0) == set()
    assert page_turns([10.0] * 16, pairs, 135.0, 500.0) == {12}
    assert page_turns([10.0] * 16, pairs, 155.0, 500.0) == {12}, "two rows alone on the next page are too few"
    assert page_turns([10.0] * 16, frozenset(), 155.0, 500.0) == {13}
    assert page_turns([10.0] * 50, frozenset({0}), 100.0, 200.0) == {10, 30}, "a group higher than a page"
    assert page_turns([900.0, 10.0], frozenset(), 100.0, 200.0) == {1}, "a row higher than a page still ends"
    assert page_turns([], frozenset(), 100.0, 200.0) == set()


@pytest.mark.parametrize("what", ["caution", "finding"])
def test_what_stands_under_a_heading_stays_with_it(what: str) -> None:
    words = "Clamp the part and wear eye protection. " * 12
    under = w.Paragraph(words, "caution") if what == "caution" else w.Findings((words,))
    for rows in range(30, 60):
        filler = w.Findings(tuple(f"line {n}" for n in range(rows)))
        section = w.Section("x", "head", (filler, w.Heading("Before any rework"), under))
        pages, _ = pages_of(w.Report("t", (section,), w.Foot((), ()), "a4"))
        texts = [[item.text for item in page.items if isinstance(item, Text)] for page in pages]
        there = [n for n, page in enumerate(texts) if "Before any rework" in page]
        assert any("Clamp the part" in text for text in texts[there[0]])


def test_pages_of_a_part_name_its_own_file_in_full_and_where_the_others_are(many: Inspection) -> None:
    sources = tuple(dataclasses.replace(s, file=f"f{n}.xlsx", sha256=f"{n:064x}") for n in range(6) for s in
                    many.readings.sources[:1])  # fmt: skip
    table = many.readings.table
    first = (table["part"] == many.parts["part"].iloc[0]) & (table["serial"] == many.parts["serial"].iloc[0])
    table["file"] = table["file"].astype(object)
    table.loc[first, "file"] = "f4.xlsx"
    made_up.take_over(many)
    found = dataclasses.replace(many, readings=dataclasses.replace(many.readings, sources=sources))
    pages, numbers = pages_of(report_for(Run(found), 200))
    texts = [[item.text for item in page.items if isinstance(item, Text)] for page in pages]
    assert f"f4.xlsx  SHA-256 {4:064x}" in texts[numbers["part-1"] - 1]
    listed = {re.search(r"SHA-256 in full: page (\d+)", line)[1] for page in texts for line in page  # type: ignore[index]
              if "in full: page" in line}  # fmt: skip
    assert len(listed) == 1
    page = texts[int(listed.pop()) - 1]
    assert all(f"{n:064x}" in page for n in range(6))
    assert all(any("in full: page" in line for line in lines) for lines in texts)
