"""Tags: every field there, numbers that stay, holds that share, nothing that a spreadsheet would run."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import made_up
import numpy as np
import pytest
import test_paper

from holeqc.inspection.recheck import inspect
from holeqc.inspection.results import HOLD, REJECT, Inspection
from holeqc.inspection.tags import ALPHABET, code_of, code_typed
from holeqc.inspection.tags import tags_of as decided_tags
from holeqc.inspection.view import Run
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.readings.table import Source
from holeqc.reports import blocks as w
from holeqc.reports.tags import CSV_COLUMNS, Tag, faces_of, printed, tag_pages, tags_csv, tags_json
from holeqc.specification.load import load_specification

ROOT = Path(__file__).resolve().parents[2]


def tags_of(found: Inspection) -> list[Tag]:
    return [printed(tag, found.specification) for tag in decided_tags(found)]


def test_each_hole_that_is_not_accepted_has_its_tag(one: Inspection) -> None:
    tags = tags_of(one)
    assert [(tag.verdict, tag.hole, tag.wall) for tag in tags] == [
        ("reject", "3", "far"), ("reject", "6", "near"), ("reject", "7", "near"), ("hold", "8", "far"),
    ]  # fmt: skip


def test_a_tag_has_every_field(one: Inspection) -> None:
    tag = tags_of(one)[0]
    assert re.fullmatch(rf"[{ALPHABET}]{{4}}-[{ALPHABET}]{{4}}", tag.code)
    assert (tag.kit, tag.revision, tag.drawing, tag.part, tag.part_number) == (
        "BL-7",
        "C",
        "BL7-210",
        "port",
        "BL7-210-1",
    )
    assert (tag.serial, tag.hole, tag.wall, tag.date, tag.gauge) == ("P-0112", "3", "far", "2026-05-04", "BG-2")
    size, no_go = tag.lines
    assert (size.characteristic, size.requirement, size.found, size.deviation) == (
        "size",
        "0.4550 to 0.4620",
        "0.4627",
        "+0.0007",
    )
    assert (size.lower, size.upper, size.found_value, size.deviation_value) == (0.455, 0.462, 0.4627, 0.0007)
    assert size.cell == "bl7_P-0112.xlsx, Readings, F30"
    assert (no_go.characteristic, no_go.requirement, no_go.found) == ("NO-GO", "0.4620 does not enter", "enters")
    assert tag.decide == "Engineering disposition."
    assert tag.dispositions == ("rework", "repair", "use-as-is", "scrap", "return")


def test_a_hole_that_can_be_reamed_says_so_on_its_tag(one: Inspection) -> None:
    assert "ream from 0.4544 to 0.4575 with reamer 0.4575" in tags_of(one)[2].decide


def test_printed_tags_carry_every_field(one: Inspection) -> None:
    run = Run(one)
    tags = tags_of(one)
    pages = test_paper.Pdf(tag_pages(run, tags)).page_texts()
    assert len(pages) == 1
    lines = pages[0].splitlines()
    for tag in tags:
        for text in (tag.code, tag.serial, f"{tag.hole}, {tag.wall}", tag.date, "port (BL7-210-1)", "BL-7, C"):
            assert text in lines
    for text in ("✗ REJECT", "? HOLD", "+0.0007", "required  0.4550 to 0.4620 in", "0.4627", "To be decided"):
        assert text in lines
    for text in (*w.DISPOSITIONS, "inspector, date", "decided, signed, date", "Gauge", "Date of reading"):
        assert lines.count(text) == 4
    flat = " ".join(pages[0].split())
    for text in (*w.CAUTIONS, made_up.DIGEST, "simple acceptance", "size U 0.0003"):
        assert text in flat


def test_words_that_matter_read_at_arms_length(one: Inspection) -> None:
    """11 point is 3.9 mm: common practice, no source, for print that reads at 700 mm."""
    from holeqc.reports import blocks as w
    from holeqc.reports import tags as module

    page = w.Drawing(612, 792)
    module._tag(page, next(module.faces_of(tags_of(one)[0], 258, 318)), 36, 18, 270, 330)
    sizes = {item.text: item.size for item in page.items if isinstance(item, w.Text)}
    for text in ("✗ REJECT", "P-0112", "3, far", "0.4627", "+0.0007", "port (BL7-210-1)", "2026-05-04"):
        assert sizes[text] >= 11


def test_holds_of_one_cause_share_a_tag() -> None:
    faults = {(str(n), "near", "size"): (made_up.NAN, HOLD, "missing") for n in (1, 2, 5)}
    tags = tags_of(made_up.inspection((("port", "1", faults),)))
    assert [(tag.verdict, tag.hole) for tag in tags] == [("hold", "1, 2, 5")]
    assert [line.found for line in tags[0].lines] == ["not read"] * 3


def unread(holes: Sequence[int]) -> list[Tag]:
    """Return the tags of a part of which only some holes were read, by the sheet as it was typed."""
    spec = load_specification(ROOT / "tolerances" / "bl7.toml")
    head = "serial,part,hole,wall,dia_0,dia_90,x,y,gauge,date"
    at = {hole.id: (hole.x, hole.y) for hole in spec.holes}
    rows = [
        f"P-500,port,{n},{wall},0.458{(n + far) % 3},0.4579,{at[str(n)][0] + 0.0011 * n},{at[str(n)][1]},,2026-11-10"
        for n in holes for far, wall in enumerate(("near", "far"))
    ]  # fmt: skip
    with TemporaryDirectory() as folder:
        file = Path(folder) / "a.csv"
        file.write_text("\n".join([head, *rows]), encoding="utf-8")
        return tags_of(inspect(spec, read_files([file], spec, ReadOptions(today=dt.date(2026, 11, 30)))))


def test_what_was_not_read_is_one_tag_whatever_it_is() -> None:
    (tag,) = unread([1, 2, 3, 4])
    assert (tag.verdict, tag.hole, tag.wall) == ("hold", "1 to 8", "near, far")
    assert {line.hole for line in tag.lines} == set("12345678"), "each hole keeps its lines as data"
    assert {line.characteristic for line in tag.lines} >= {"size", "position", "surface", "GO", "NO-GO", "taper"}
    again = "Read what is missing and check the sheet again."
    assert tag.decide == f"Holes 5 to 8: nothing read; holes 1 to 4: not all read. {again}"
    (face,) = faces_of(tag, 260.0, 300.0)
    assert face.brief == 0, "the words for what was not read stand in the place of the lines"


def test_a_tag_says_first_what_was_not_read() -> None:
    again = "Read what is missing and check the sheet again."
    faults = {(str(n), "near", "size"): (made_up.NAN, HOLD, "missing") for n in (1, 2, 5)}
    (tag,) = tags_of(made_up.inspection((("port", "1", faults),)))
    assert tag.decide == f"Size: not read. {again}"
    found = made_up.inspection((("port", "1", faults),))
    frame = found.characteristics
    frame.loc[frame["hole"].isin(["1", "2", "5"]), ["found", "found_word", "verdict", "cause"]] = [
        made_up.NAN, "", HOLD, "missing",
    ]  # fmt: skip
    made_up.take_over(found)
    (tag,) = tags_of(found)
    assert (tag.hole, tag.decide) == ("1, 2, 5", f"Nothing read. {again}")
    one_hole = {("2", "near", "size"): (made_up.NAN, HOLD, "missing")}
    (tag,) = tags_of(made_up.inspection((("port", "1", one_hole),)))
    assert (tag.hole, tag.decide.partition(". ")[0]) == ("2", "Size: not read")


def test_a_held_tag_says_first_what_is_held_and_why() -> None:
    why = "the gauge's calibration was not valid on the day of the reading."
    faults = {("1", "near", name): (0.458, HOLD, "gauge-expired") for name in ("size", "out-of-roundness")}
    (tag,) = tags_of(made_up.inspection((("port", "1", faults),)))
    assert (tag.hole, tag.decide.startswith(f"Size and out-of-roundness: {why}")) == ("1", True)
    faults = {(str(n), "near", "size"): (0.458, HOLD, "gauge-expired") for n in (1, 2, 3, 5)}
    (tag,) = tags_of(made_up.inspection((("port", "1", faults),)))
    assert (tag.hole, tag.decide) == ("1 to 3, 5", f"Size: {why} Read again with a gauge that is in calibration.")


def test_near_a_limit_each_characteristic_has_its_own_tag() -> None:
    faults = {
        (str(n), "near", name): (value, HOLD, "guard-band")
        for n in (1, 2, 3) for name, value in (("size", 0.4619), ("position", 0.0599))
    }  # fmt: skip
    tags = tags_of(made_up.inspection((("port", "1", faults),)))
    assert [(tag.hole, {line.characteristic for line in tag.lines}) for tag in tags] == [
        ("1 to 3", {"size"}), ("1 to 3", {"position"}),
    ]  # fmt: skip


def test_a_hole_that_only_waits_for_others_of_its_pattern_has_no_tag() -> None:
    waits = {
        (str(n), "near", "hole-to-hole position"): (0.001, HOLD, "pattern-incomplete") for n in range(1, 6)
    }  # fmt: skip
    open_ = {("6", "near", "hole-to-hole position"): (made_up.NAN, HOLD, "missing")}
    own = {("1", "near", "size"): (0.4627, REJECT, "over")}
    tags = tags_of(made_up.inspection((("port", "1", waits | open_ | own),)))
    assert [(tag.verdict, tag.hole, [line.characteristic for line in tag.lines]) for tag in tags] == [
        ("reject", "1", ["size"]), ("hold", "6", ["hole-to-hole position"]),
    ]  # fmt: skip


def test_pins_that_do_not_enter_have_a_tag(clean: Inspection) -> None:
    clean.parts[["verdict", "pin_verdict", "pin_margin"]] = [REJECT, REJECT, -0.0033]
    made_up.take_over(clean)
    (tag,) = tags_of(clean)
    assert (tag.verdict, tag.hole, tag.lines[0].found, tag.lines[0].deviation) == (
        "reject",
        "pattern",
        "−0.0033",
        "−0.0033",
    )


def test_a_part_held_by_its_file_alone_has_a_tag(clean: Inspection) -> None:
    clean.parts["verdict"] = HOLD
    made_up.take_over(clean)
    (tag,) = tags_of(clean)
    assert (tag.verdict, tag.hole, tag.lines) == ("hold", "whole part", ())


def test_no_tag_for_an_accepted_part(clean: Inspection) -> None:
    assert tags_of(clean) == []
    assert tags_csv([]).splitlines() == [",".join(CSV_COLUMNS)]
    assert json.loads(tags_json([])) == []


def test_a_code_follows_from_the_part_and_its_readings_alone(one: Inspection) -> None:
    codes = [tag.code for tag in tags_of(one)]
    assert len(set(codes)) == len(codes)
    assert codes == [tag.code for tag in tags_of(made_up.inspection())]
    beside = (("starboard", "S-1", made_up.BAD), ("port", "P-0112", made_up.BAD))
    found = made_up.inspection(beside, sources=(Source("other name.xlsx", "0" * 64, 1),))
    assert {tag.code for tag in tags_of(found) if tag.serial == "P-0112"} == set(codes)
    assert len({tag.code for tag in tags_of(found)}) == 2 * len(codes)


def test_other_readings_give_another_code_to_the_holes_that_they_are_of(one: Inspection) -> None:
    before = {tag.hole: tag.code for tag in tags_of(one)}
    table = one.readings.table
    table.loc[(table["hole"] == "3") & (table["characteristic"] == "diameter"), "value"] += 0.0001
    after = {tag.hole: tag.code for tag in tags_of(one)}
    assert {hole for hole in before if before[hole] != after[hole]} == {"3"}


def test_codes_have_no_signs_that_look_alike_and_are_read_as_typed() -> None:
    assert not set(ALPHABET) & set("01OIQLSZBGDUV8AE") - {"8"}
    codes = [code_of(f"basis {n}") for n in range(400)]
    assert set("".join(codes)) == {*ALPHABET, "-"}, "every sign comes"
    assert code_of("basis 1", 1) not in codes
    code = codes[0]
    for text in (code.lower(), code.replace("-", ""), f"  {code[:4]} {code[5:]} ", code.replace("-", "\u2013")):
        assert code_typed(text) == code
    assert code_typed("P-0107") == code_typed(code + "2") == ""


@pytest.mark.parametrize("serial", ["=cmd|' /C calc'!A0", "+1", "-1", "@SUM(A1)", "\t=1+1"])
def test_csv_texts_can_not_run(serial: str) -> None:
    found = made_up.inspection(((serial, serial, made_up.BAD),))
    rows = list(csv.DictReader(io.StringIO(tags_csv(tags_of(found)))))
    assert len(rows) == 5
    for row in rows:
        assert row["serial"] in {f"'{serial}", f"' {serial.strip()}"}  # a leading tab becomes a blank
        for name, cell in row.items():
            assert name == "deviation" or cell[:1] not in {"=", "+", "-", "@", "\t", "\r"}
    assert [float(row["deviation"]) for row in rows if row["deviation"]] == [0.0007, 0.0113, -0.0006, 3.528]


def test_json_says_what_the_tags_say(one: Inspection) -> None:
    found = json.loads(tags_json(tags_of(one)))
    assert [tag["code"] for tag in found] == [tag.code for tag in tags_of(one)]
    assert found[0]["lines"][0]["found_value"] == 0.4627


@pytest.mark.parametrize("word", w.DISPOSITIONS)
def test_a_decided_tag_has_its_box_ticked_and_says_who(one: Inspection, word: str) -> None:
    from holeqc.reports import tags as module

    said = f"{word}, by engineer, 2026-11-04 08:00, authority EO-2, entry 12"
    for number, undecided in enumerate(tags_of(one)):
        faces = [next(iter(faces_of(t, 258.0, 318.0))) for t in (undecided, replace(
            undecided, disposition=word, decision=said
        ))]  # fmt: skip
        pages = [w.Drawing(700, 900), w.Drawing(700, 900)]
        for page, face in zip(pages, faces, strict=True):
            module._tag(page, face, 36, 18, 270.0, 330.0)
        before, after = ([item.text for item in page.items if isinstance(item, w.Text)] for page in pages)
        assert "To be decided" in before
        assert "To be decided" not in after
        assert "Decided" in after
        assert said in " ".join(after)
        assert module.NO_REWORK not in after
        strokes = [
            [item.points for item in page.items if isinstance(item, w.Shape) and not item.closed] for page in pages
        ]  # fmt: skip
        cross = [(a, b) for a, b in strokes[1] if a[0] != b[0] and a[1] != b[1]]
        assert not [(a, b) for a, b in strokes[0] if a[0] != b[0] and a[1] != b[1]]
        (box,) = {item.x for item in pages[1].items if isinstance(item, w.Text) and item.text == word}
        assert [a[0] for a, _ in cross] == pytest.approx([box - 14 + 1.5] * 2), number
        for cell in CELLS:
            assert outside(faces[1].tag, cell) == []


def outside(tag: Tag, cell: tuple[float, float]) -> list[str]:
    """Return the texts of all faces of a tag that leave its border, or lie on another text, on a cell of that size."""
    from holeqc.reports import blocks as w
    from holeqc.reports import tags as module
    from holeqc.reports.pages import width_of

    wide, high = cell
    left, right, top, bottom = 36 + 6, 36 + wide - 6, 18 + 6, 18 + high - 6
    wrong = []
    for face in module.faces_of(tag, wide - 12, high - 12):
        page = w.Drawing(700, 900)
        module._tag(page, face, 36, 18, wide, high)
        boxes: list[tuple[float, float, float, float, str]] = []
        for item in page.items:
            if not isinstance(item, w.Text):
                continue
            length = width_of(item.text, item.size, item.bold)
            start = item.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[item.anchor] * length
            box = (start, item.y - 0.72 * item.size, start + length, item.y, item.text)
            if box[0] < left + 4 or box[2] > right - 4 or box[1] < top or box[3] > bottom - 3:
                wrong.append(f"outside: {item.text}")
            wrong += [
                f"{item.text!r} on {other[4]!r}" for other in boxes
                if box[0] < other[2] - 0.5 and other[0] < box[2] - 0.5 and box[1] < other[3] - 0.5
                and other[1] < box[3] - 0.5
            ]  # fmt: skip
            boxes.append(box)
    return wrong


CELLS = [(270.0, 330.0), (261.6, 345.0), (270.0, 403.0), (265.5, 393.2), (251.3, 334.9)]  # pages and labels


def test_long_words_stay_inside_the_tag() -> None:
    found = made_up.inspection((("P" * 80, "S" * 120, made_up.BAD),), sources=tuple(
        Source("f" * 90 + f"{n}.xlsx", f"{n:064x}", 1) for n in range(9)))  # fmt: skip
    for tag in tags_of(found):
        assert [outside(tag, cell) for cell in CELLS] == [[]] * len(CELLS)


@pytest.mark.parametrize("serial", [
    "P-" + "7" * 29 + "1" + "7" * 32, "W" * 64, "梯子板-零一〇八", "<script>alert(1)</script>&\"'", "S-😀🛠-0108",
])  # fmt: skip
def test_a_long_or_odd_serial_number_stays_in_its_box(serial: str) -> None:
    """Of what somebody may type, up to the 64 characters that go on record; letters of usual width stand whole."""
    from holeqc.reports import blocks as w
    from holeqc.reports import tags as module

    found = made_up.inspection((("port", serial, made_up.BAD),))
    for tag in tags_of(found):
        assert [outside(tag, cell) for cell in CELLS] == [[]] * len(CELLS)
    if serial.isascii() and "W" not in serial:
        page = w.Drawing(700, 900)
        module._serial(page, 0, 0, serial, 126.0)
        said = "".join(item.text for item in page.items if isinstance(item, w.Text))
        assert said == f"Serial{serial}", "cut nowhere: two serial numbers may differ in the middle"


def test_texts_of_random_inspections_stay_in_their_boxes() -> None:
    """Each text is measured with the width of its letters; sizes, words and kits are invented, seeded."""
    rng = np.random.default_rng(20261130)
    names = ["size", "out-of-roundness", "taper", "position", "hole-to-hole position", "edge distance", "surface", "GO"]
    causes = [
        "over", "under", "missing", "guard-band", "gauge-expired", "no-temperature", "crack", "burr", "slip-decimal",
    ]  # fmt: skip
    count = 0
    for number in range(30):
        parts = []
        for _ in range(10):  # ten parts a run, for the time it takes
            faults: dict[tuple[str, str, str], tuple[float, int, str]] = {}
            for _ in range(int(rng.integers(1, 10))):
                hole, wall = str(rng.integers(1, 9)), str(rng.choice(made_up.WALLS))
                name, cause = str(rng.choice(names)), str(rng.choice(causes))
                value = float("nan") if cause == "missing" or rng.random() < 0.2 else float(rng.uniform(-0.01, 40))
                verdict = REJECT if cause in {"over", "under", "crack", "burr"} else HOLD
                faults[hole, wall, name] = (round(value, int(rng.integers(2, 7))), verdict, cause)
            serial = f"P{len(parts)}-" + "0123456789WXYZ"[: int(rng.integers(1, 14))] * int(rng.integers(1, 3))
            parts.append((str(rng.choice(["port", "starboard"])), serial, faults))
        found = made_up.inspection(tuple(parts))
        doubtful = rng.random(len(found.characteristics)) < 0.2
        found.characteristics["doubtful"] = doubtful & (found.characteristics["verdict"].to_numpy() == HOLD)
        made_up.take_over(found)
        cell = CELLS[number % len(CELLS)]
        for tag in tags_of(found):
            assert not outside(tag, cell), (number, tag)
            count += 1
    assert count > 600


def test_a_value_is_never_left_off_behind_its_colon(one: Inspection) -> None:
    import dataclasses

    line = next(line for tag in tags_of(one) for line in tag.lines)
    long = dataclasses.replace(line, found="doubtful: 0.80142 typed, see cell AB123", wall="middle of the outer skin")
    tag = dataclasses.replace(tags_of(one)[0], lines=(line, long))
    texts = " ".join(face_texts(tag)[0])
    assert "doubtful: 0.80142 typed, see cell AB123" in " ".join(texts.split())


def test_a_plug_is_required_in_words_of_the_trade(one: Inspection) -> None:
    (line,) = [line for tag in tags_of(one) for line in tag.lines if line.characteristic == "NO-GO"]
    import dataclasses

    tag = dataclasses.replace(tags_of(one)[0], lines=(dataclasses.replace(line, lower=0.462),))
    assert "required  0.4620 in does not enter" in face_texts(tag)[0]


def test_the_code_is_on_the_tag_as_a_qr_code(one: Inspection) -> None:
    """The modules drawn are those of the code's own symbol; what they say is read by a general decoder by hand."""
    import segno

    from holeqc.reports import blocks as w
    from holeqc.reports import tags as module

    code = tags_of(one)[0].code
    page = w.Drawing(612, 792)
    module._square(page, code, 100.0, 200.0)
    side = module.SQUARE / module.MODULES
    dark = np.zeros((module.MODULES, module.MODULES), dtype=int)
    (item,) = page.items
    assert isinstance(item, w.Boxes)
    for x, y, wide, _ in item.boxes:
        dark[round((y - 200) / side), round((x - 100) / side) : round((x + wide - 100) / side)] = 1
    symbol = segno.make(code, error="h", boost_error=False, micro=False)
    assert (symbol.version, symbol.error) == (1, "H")
    assert dark.tolist() == [list(map(int, row)) for row in symbol.matrix]


def test_the_mask_of_a_code_is_the_one_that_the_library_chooses() -> None:
    import segno

    from holeqc.inspection.tags import code_of
    from holeqc.reports.tags import symbol

    for code in map(code_of, map(str, range(60))):
        made = segno.make(code, version=1, error="h", boost_error=False)
        assert symbol(code) == ["".join(map(str, row)) for row in made.matrix]


def face_texts(tag: Tag) -> list[list[str]]:
    """Return the texts on each face of a tag of a letter page."""
    from holeqc.reports import blocks as w
    from holeqc.reports import tags as module

    faces = []
    for face in module.faces_of(tag, 258, 303):
        page = w.Drawing(612, 792)
        module._tag(page, face, 36, 18, 270, 315)
        faces.append([item.text for item in page.items if isinstance(item, w.Text)])
        assert all(18 <= item.y <= 18 + 315 for item in page.items if isinstance(item, w.Text))
    return faces


@pytest.mark.parametrize("sentences", [1, 3, 6, 20])
def test_what_is_to_be_decided_is_never_cut(one: Inspection, sentences: int) -> None:
    """Requirement of this project: the words that keep people safe stand on the tag in full."""
    import dataclasses

    words = "Clamp the part, wear eye protection, clear the chips; no rework before engineering disposition. "
    tag = dataclasses.replace(tags_of(one)[0], decide=(words * sentences).strip())
    faces = face_texts(tag)
    letters = "".join(text for face in faces for text in face if text in _wrapped(tag)).replace(" ", "")
    assert any("eye protection" in " ".join(face) and "Clamp the part" in " ".join(face) for face in faces)
    assert letters == tag.decide.replace(" ", "")
    assert all("No rework without engineering disposition." in face for face in faces)


def _wrapped(tag: Tag) -> set[str]:
    from holeqc.reports import tags as module

    return {line for face in module.faces_of(tag, 258, 303) for line in face.text if not line.startswith("see face")}


def test_size_stands_before_form_on_a_tag() -> None:
    faults = {("1", "near", "out-of-roundness"): (0.0033, REJECT, "over"),
              ("1", "near", "size"): (0.4548, REJECT, "under")}  # fmt: skip
    (tag,) = tags_of(made_up.inspection((("port", "1", faults),)))
    assert [line.characteristic for line in tag.lines] == ["size", "out-of-roundness"]


def test_a_doubtful_value_on_a_tag_is_no_measurement(one: Inspection) -> None:
    frame = one.characteristics
    chosen = (frame["hole"] == "3") & (frame["wall"] == "far") & (frame["characteristic"] == "size")
    frame.loc[chosen, ["doubtful", "verdict", "found"]] = [True, HOLD, 4.578]
    one.readings.table["typed"] = one.readings.table["typed"].astype(str).replace("0.4627", "45,78")
    made_up.take_over(one)
    lines = [line for tag in tags_of(one) for line in tag.lines]
    line = next(line for line in lines if (line.hole, line.characteristic) == ("3", "size"))
    assert line.found == "doubtful: 45,78 typed, see cell F30", "what stands in the cell, not what it was taken for"
    assert (line.deviation, line.found_value, line.deviation_value) == ("", None, None)


def test_a_usual_instruction_with_its_cautions_fits_one_face(one: Inspection) -> None:
    """The sentence of a small hole, 230 letters, on letter paper with a foot of nine lines as six files give it."""
    import dataclasses

    from holeqc.reports import tags as module

    words = (
        "Hole 5 is small: ream it to 0.4575 in with reamer 0.4575; it then passes in size, position and plugs, and its "
        "form is read anew. Clamp the part, wear eye protection, clear the chips; deburr, read the hole again and "
        "check a new sheet."
    )
    tag = next(tag for tag in tags_of(one) if tag.lines[0].characteristic == "size")
    tag = dataclasses.replace(tag, lines=tag.lines[:1], decide=words)
    (face,) = module.faces_of(tag, 258, 315.8)
    assert " ".join(face.text) == words
    assert face.size >= 8
    more = dataclasses.replace(tag, decide="Engineering disposition; no rework without it.", lines=tag.lines * 4)
    (face,) = module.faces_of(more, 258, 315.8)
    assert (face.brief, face.text) == (3, ())
