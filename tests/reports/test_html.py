"""The HTML page: self-contained, escaped, well-formed, the same bytes each time, the foot on every section."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from html.parser import HTMLParser
from xml.etree import ElementTree

import made_up
import pytest

import holeqc
from holeqc.inspection.results import Inspection
from holeqc.inspection.view import Run
from holeqc.readings.table import Source
from holeqc.reports import blocks as w
from holeqc.reports.pages import html_page
from holeqc.reports.story import report_for
from holeqc.specification.model import Temperature

VOID = {"meta", "wbr", "br"}


def page_of(found: Inspection, most: int = 200) -> str:
    return html_page(report_for(Run(found), most))


class Checker(HTMLParser):
    """Reads a page and complains about tags that don't match."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.seen: list[str] = []
        self.text: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        found = dict(attrs)
        assert not [name for name in found if name.startswith("on")]
        self.ids += [str(found["id"])] if "id" in found else []
        self.links += [str(found["href"])] if "href" in found else []
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def check(page: str) -> Checker:
    checker = Checker()
    checker.feed(page)
    checker.close()
    assert not checker.open
    return checker


def test_the_page_is_well_formed_and_its_links_lead_somewhere(many: Inspection) -> None:
    checker = check(page_of(many))
    assert len(checker.ids) == len(set(checker.ids))
    assert {link for link in checker.links if link[1:] not in checker.ids} == set()


def test_nothing_is_fetched_and_nothing_runs(many: Inspection) -> None:
    page = page_of(many)
    checker = check(page)
    assert {"script", "link", "iframe", "img", "object", "form"} & set(checker.seen) == set()
    assert set(re.findall(r"https?://[^\s\"'<]+", page)) == {"http://www.w3.org/2000/svg"}
    assert "default-src 'none'" in page
    assert "url(" not in page


@pytest.mark.parametrize("text", ["<script>alert(1)</script>", '"><img src=x onerror=a>', "a & b", "x' onload='y"])
def test_typed_text_is_escaped_wherever_it_stands(text: str) -> None:
    found = made_up.inspection(
        ((text, text, made_up.BAD),), title=text, drawing=text, fixture=text, sources=(Source(text, made_up.DIGEST, 1),)
    )
    found.readings.table["by"] = text
    made_up.take_over(found)
    checker = check(page_of(found))
    assert "script" not in checker.seen
    assert "img" not in checker.seen
    assert text in " ".join(checker.text)


def test_control_characters_and_turned_writing_are_shown(one: Inspection) -> None:
    page = page_of(made_up.inspection((("port", "a\x07b\u202ec", made_up.BAD),)))
    assert "a[U+0007]b[U+202E]c" in page
    assert "\u202e" not in page


def test_every_section_carries_tool_kit_files_rule_uncertainty_and_cautions(many: Inspection) -> None:
    page = page_of(many)
    sections = re.findall(r'<table class="page".*?</footer>', page, re.DOTALL)
    assert len(sections) == page.count('<table class="page"') == 8  # overview, six parts, about
    for section in sections:
        foot = section[section.index("<footer") :]
        for text in (holeqc.__version__, "kit BL-7 revision C", "bl7_P-0112.xlsx", made_up.DIGEST, "simple acceptance"):
            assert text in foot
        assert "size U 0.0003, ratio 11.7 : 1" in foot
        for caution in w.CAUTIONS:
            assert caution in foot


def test_many_files_are_named_and_their_list_is_proved() -> None:
    sources = tuple(Source(f"f{n}.xlsx", f"{n:064x}", 10) for n in range(30))
    page = page_of(made_up.inspection(sources=sources)).replace("<wbr>", "")
    for source in sources:
        assert source.sha256 in page
    # SHA-256 of the thirty digests joined, by hashlib in a shell of its own; a second route
    import hashlib

    proof = hashlib.sha256(b"".join(s.sha256.encode("ascii") for s in sources)).hexdigest()
    assert page.count(proof) == 3  # foot of the part's section and of the last, and under the list


def test_pictures_are_well_formed_and_have_a_title(one: Inspection) -> None:
    pictures = re.findall(r"<svg.*?</svg>", page_of(one), re.DOTALL)
    assert len(pictures) == 4  # sizes, to the datums, hole to hole, pins
    for picture in pictures:
        root = ElementTree.fromstring(picture)
        assert root[0].tag.endswith("title")
        assert root[0].text


def test_the_same_run_gives_the_same_bytes() -> None:
    first = page_of(made_up.inspection(made_up.six_parts()))
    assert first == page_of(made_up.inspection(made_up.six_parts()))


def test_a_long_run_shows_overview_first_and_says_what_is_left_out() -> None:
    page = page_of(made_up.inspection(made_up.six_parts(16)), most=5)
    assert page.index('id="overview"') < page.index('id="part-2"')
    assert page.count('<table class="page"') == 7  # overview, five parts, about
    text = " ".join(" ".join(check(page).text).split())
    assert "5 of 16 parts are shown in full here, rejected ones first" in text
    left_out = {"S-0007", "S-0011", "S-0015"}  # held ones come last
    for serial in left_out:
        assert f"starboard {serial}" in text
    assert text.count("P-0000") == 1  # accepted: in the table alone
    few = " ".join(" ".join(check(page_of(made_up.inspection(made_up.six_parts(16)), most=15)).text).split())
    assert "parts are shown in full here: those that aren't accepted. With more than 15 parts" in few
    assert few.count("P-0000") == 1


@pytest.mark.parametrize("what", ["many", "one"])
def test_a_report_shows_whole_on_a_bench_screen_and_on_a_telephone(
    what: str, fits_windows: Callable[[str], None], request: pytest.FixtureRequest
) -> None:
    fits_windows(page_of(request.getfixturevalue(what)))


def test_names_as_long_as_they_come_are_not_cut(fits_windows: Callable[[str], None]) -> None:
    long = made_up.inspection((("a" * 60, "S" * 80, made_up.BAD), ("port", "2", made_up.CLEAN)))
    fits_windows(page_of(long))


def test_what_holds_at_20_degrees_stands_beside_what_was_read() -> None:
    warm = Temperature(correct=True, part_expansion_per_c=23.1e-6)
    cold, found = (made_up.inspection((("port", "1", made_up.CLEAN),), **more) for more in ({}, {"temperature": warm}))
    sizes = (found.characteristics["characteristic"] == "size") & (found.characteristics["hole"] == "3")
    row = found.characteristics[sizes].iloc[0]
    read = found.readings.table.loc[row["reading"], "value"]
    found.characteristics.loc[row.name, "found"] = read - 0.000042
    made_up.take_over(found)
    page = page_of(found)
    text = re.sub(r"<[^>]+>", "|", page)
    shown = f"{read - 0.000042:.5f}"
    assert f"{shown} *" in text
    assert "* At 20 °C; the table of sizes has what was read beside it." in page
    assert re.search(rf'Worst, at 20 °C">{shown}</td><td[^>]*As read">{read:.4f}</td><td[^>]*Part °C">21.5</td>', page)
    assert "At 20 °C" not in page_of(cold)
    assert "As read" not in page_of(cold)


def test_every_part_of_a_batch_has_its_page_and_a_brief_report_has_a_line_for_each() -> None:
    found = made_up.inspection(made_up.six_parts(30))
    ids = check(page_of(found)).ids
    assert sum(name.startswith("part-") for name in ids) == 30
    brief = check(page_of(found, most=0))
    assert brief.ids == ["top", "overview", "about"]
    text = " ".join(" ".join(brief.text).split())
    assert all(str(serial) in text for serial in found.parts["serial"])
    assert "A line for each part" in text


def test_a_report_has_a_number_that_its_content_gives_and_the_day_it_was_made(many: Inspection) -> None:
    page = html_page(report_for(Run(many), 200, made=dt.date(2026, 11, 30)))
    (number,) = set(re.findall(r"R-[0-9A-F]{4}-[0-9A-F]{4}", page))
    assert page.count(f"Report {number} of 2026-11-30") == len(many.parts) + 2  # at the foot of every section
    assert number in page_of(many)
    changed = made_up.inspection(made_up.six_parts(), sources=(Source("other.xlsx", "0" * 64, 5),))
    assert number not in page_of(changed)
    named = report_for(Run(many), 9, "approval 12", dt.date(2026, 11, 30))
    assert "Report approval 12 of 2026-11-30" in html_page(named)


def test_the_overview_marks_what_lies_beyond_its_limit(many: Inspection) -> None:
    page = page_of(many)
    overview = page[page.index('id="overview"') : page.index('id="part-1"')]
    beyond = re.findall(r"<td[^>]*>(?:<[^>]*>)*([^<]*−\d[^<]*)", overview)
    assert beyond
    assert all(text.startswith(("✗", "?")) for text in beyond)


def test_accepted_part_says_that_all_lies_inside(clean: Inspection) -> None:
    text = " ".join(check(page_of(clean)).text)
    assert "All 136 checks of 8 holes lie inside" in " ".join(text.split())


def test_notes_of_the_sheet_are_shown_and_escaped(one: Inspection) -> None:
    one.readings.table.loc[one.readings.table.index[0], "note"] = "<img src=x onerror=alert(1)>"
    made_up.take_over(one)
    page = page_of(one)
    assert "Notes in the sheet" in page
    assert "&lt;img src=x onerror=alert(1)&gt;" in page
    assert "<img" not in page


def test_no_rework_cautions_where_no_rework_is_permitted(one: Inspection) -> None:
    assert "Before any rework" in page_of(one)
    one.rework["passes"] = False
    made_up.take_over(one)
    assert "Before any rework" not in page_of(one)


def test_a_narrow_window_clips_nothing(one: Inspection) -> None:
    """A page's table may not grow with what it holds (CSS 2.2, 17.5.2.1); a row is a card there."""
    style = page_of(one).split("<style>", 1)[1].split("</style>", 1)[0]
    assert "@media screen { table.page { table-layout: fixed; } }" in style
    assert re.search(r"^\.wide \{ overflow-x: auto; \}", style, re.M)
    narrow = style.split("@media screen and (max-width: 980px)", 1)[1].split("@media", 1)[0]
    assert "content: attr(data-of)" in narrow
    page = page_of(one)
    assert page.count('<table class="data">') == page.count('<div class="wide"><table class="data">') > 3


def test_a_doubtful_value_is_no_measurement_on_any_page(many: Inspection) -> None:
    frame = many.characteristics
    first = frame[(frame["characteristic"] == "size") & (frame["verdict"] == 0)].iloc[0]
    alike = (frame["part"] == first["part"]) & (frame["serial"] == first["serial"])
    chosen = alike & (frame["characteristic"] == "size") & (frame["hole"] == first["hole"])
    unknown = float("nan")
    columns = ["doubtful", "verdict", "found", "left", "deviation", "probability"]
    frame.loc[chosen, columns] = [True, 1, 4.578, unknown, unknown, unknown]
    page = page_of(many)
    assert "4.578" not in page, "what stands in the cell is shown"
    assert re.search(r"doubtful: 0\.\d+ typed, see cell [A-Z]+\d+", page)
    assert ">? doubtful<" in page
    assert "missing or in doubt" in page
    row = next(line for line in re.findall(r"<tr.*?</tr>", page) if str(first["serial"]) in line)
    assert re.search(r'<td class="right hold fault" data-of="Size left">\? [+−]', row)


def test_every_gauge_that_decides_is_named_with_the_part(one: Inspection) -> None:
    """Positions read without a named gauge belong to the kit's only gauge that measures them, as a tag says too."""
    table = one.readings.table
    table["gauge"] = table["gauge"].astype(object)
    table.loc[table["characteristic"].isin(["x", "y"]), "gauge"] = ""
    page = page_of(one)
    named = re.search(r"<dt>Gauges</dt><dd>([^<]*)</dd>", page)
    assert named
    able = {g.id for g in one.specification.gauges if "x" in g.measures}
    stated = one.specification.plan.position_gauge
    assert ({stated} if stated else able) <= set(named[1].split(", "))
