"""What a kit asks in words: boundaries, keys, starter, description, data, picture."""

from __future__ import annotations

import json
import re
import tomllib
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from kits import SMALL, TWO
from matplotlib.patches import Circle

from holeqc.problems import DataError, SpecificationError
from holeqc.reports.scale_plots import SCALES, arrange, kit_figure, spread, write_kit_plot
from holeqc.specification.content import Collector, take
from holeqc.specification.doubts import keys_text, starter
from holeqc.specification.keys import KINDS, OVERRIDES, Key, all_keys, keys_of, nearest
from holeqc.specification.load import load_specification, parse_specification
from holeqc.specification.model import Specification, boundaries, outline_area, outline_distance
from holeqc.specification.words import as_data, describe, hole_names, limits_line

FOLDER = Path(__file__).parents[2] / "tolerances"
KITS = [load_specification(FOLDER / name) for name in ("bl7.toml", "cp12.toml")]


def test_virtual_condition_of_a_hole_at_mmc() -> None:
    # tolerancing tip page q=101 (ASME Y14.5M-1994): hole 10 -0.1 mm, position 0.6 at MMC: 9.3 mm
    assert boundaries(9.9, 10.1, 0.6, "MMC").inner == pytest.approx(9.3, abs=1e-12)
    # public exercise page (engineeringprep, problem 427): MMC 0.180, position 0.012: 0.168
    assert boundaries(0.180, 0.190, 0.012, "MMC").inner == pytest.approx(0.168, abs=1e-12)


def test_resultant_condition_by_its_definition() -> None:
    """ASME Y14.5-2009 1.3.51: worst case the other way, LMC plus tolerance plus all bonus; no figure is published."""
    b = boundaries(0.455, 0.462, 0.011, "MMC")
    assert [b.outer, b.bonus] == pytest.approx([0.462 + 0.011 + 0.007, 0.007], abs=1e-12)
    least = boundaries(0.455, 0.462, 0.011, "LMC")
    assert least.outer == pytest.approx(0.462 + 0.011, abs=1e-12)
    assert least.inner == pytest.approx(0.455 - 0.011 - 0.007, abs=1e-12)
    rfs = boundaries(0.455, 0.462, 0.011, "RFS")
    assert [rfs.inner, rfs.outer, rfs.bonus] == pytest.approx([0.444, 0.473, 0.0], abs=1e-12)


def test_distance_to_an_outline_against_dense_points_on_it() -> None:
    """Second route: the least distance to 40 000 points along the sides; inside by the winding of angles."""
    outline = np.array([[0, 0], [12, 0], [12, 7], [6, 3], [0, 7]], dtype=float)
    rng = np.random.default_rng(5)
    points = rng.uniform((-2, -2), (14, 9), (60, 2))
    t = np.linspace(0, 1, 8000, endpoint=False)[:, None]
    edge = np.vstack([a + t * (b - a) for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True)])
    expected = np.hypot(*np.moveaxis(points[:, None] - edge[None], 2, 0)).min(axis=1)
    x, y = np.moveaxis(np.vstack([edge, edge[:1]])[None] - points[:, None], 2, 0)
    angles = np.unwrap(np.arctan2(y, x), axis=1)
    inside = np.abs(angles[:, -1] - angles[:, 0]) > 3
    assert np.allclose(outline_distance(points, outline), np.where(inside, expected, -expected), atol=2e-3)
    assert outline_area(outline) == pytest.approx(12 * 7 - 12 * 4 / 2)


def test_every_key_is_documented() -> None:
    assert len({key.path for key in all_keys()}) == len(all_keys())
    for key in all_keys():
        assert key.kind in KINDS
        assert key.meaning.endswith(".")
        assert key.default
        assert key.example
        assert bool(key.choices) == (key.kind in {"choice", "choices", "words"})
    assert set(OVERRIDES) <= {key.table for key in all_keys()}


@pytest.mark.parametrize("key", all_keys(), ids=lambda key: key.path)
def test_every_example_is_taken_by_its_key(key: Key) -> None:

    line = key.example if "=" in key.example else f"value = {key.example}"
    (value,) = tomllib.loads(line).values()
    collector = Collector()
    assert take(key, value, key.path, collector) is not None
    assert collector.problems == []


def test_nearest_word() -> None:
    assert nearest("lowr", keys_of("size")) == "lower"
    assert nearest("Out-of-roundness", keys_of("form")) == "out_of_roundness"
    assert nearest("rev", keys_of("kit")) == "revision"
    assert nearest("zzz", keys_of("form")) == ""


def test_keys_text_names_every_key_within_80_columns() -> None:
    text = keys_text()
    assert max(map(len, text.splitlines())) <= 80
    for key in all_keys():
        assert key.name in text
    assert "[position]" in keys_text("position")
    assert "[size]" not in keys_text("position")


def with_numbers(text: str) -> str:
    """The starter as somebody leaves it who typed the drawing's numbers: a little off those it came with."""
    for old, new in (("0.1111", "0.1110"), ("0.1122", "0.1121"), ("1.111", "1.1"), ("2.222", "2.2")):
        text = text.replace(old, new)
    return text


def test_starter_is_valid_once_its_numbers_are_the_drawings() -> None:
    s = parse_specification(with_numbers(starter('A "1"', "a.toml")))
    assert (s.id, len(s.holes), s.warnings) == ('A "1"', 2, ())


@pytest.mark.parametrize("left", ["0.1111", "0.1122", "1.111"])
def test_a_number_left_from_the_starter_is_refused(left: str) -> None:
    text = with_numbers(starter().replace(left, "LEFT")).replace("LEFT", left)
    with pytest.raises(SpecificationError) as caught:
        parse_specification(text)
    assert [p.code for p in caught.value.problems] == ["untouched-starter"]


def test_every_number_left_from_the_starter_is_named() -> None:
    with pytest.raises(SpecificationError) as caught:
        parse_specification(starter())
    (problem,) = (p for p in caught.value.problems if p.code == "untouched-starter")
    assert problem.found == "size.lower, size.upper, hole[1].x, hole[1].y, hole[2].x, hole[2].y"


def test_starter_is_valid_with_every_remark_taken_in() -> None:
    lines = starter().splitlines()
    taken = [re.sub(r'^# (?=\[|[a-z_]+ = |"Dia)', "", line) for line in map(with_numbers, lines)]
    s = parse_specification("\n".join(taken))
    assert sum(len(a) != len(b) for a, b in zip(lines, taken, strict=True)) > 50
    assert s.has_pins
    assert s.datum_shift is not None
    tables = {line.strip("[]# ").split("]")[0] for line in taken if line.startswith("[")}
    assert tables == {key.table for key in all_keys()}, "the starter shows every table"


@pytest.mark.parametrize("specification", KITS, ids=lambda s: s.id)
def test_description_is_at_most_80_columns_and_says_the_numbers(specification: Specification) -> None:
    text = describe(specification)
    assert max(map(len, text.splitlines())) <= 80
    assert "Compare with the drawing" in text


def test_description_of_the_demo_kit() -> None:
    text = " ".join(describe(KITS[0]).split())
    for words in (
        "0.4550 to 0.4620 in", "virtual condition 0.4440, resultant condition 0.4800 in, largest bonus 0.007",
        "pin 0.4440 in hole 0.4440 in at worst: 0.0000 to spare", "starboard stern plate, BL7-210-2; mirror of port",
        "⌀0.060 MMC to the datums, ⌀0.011 MMC hole to hole", "1 1.5000 1.2500 B1",
    ):  # fmt: skip
        assert words in text


def test_description_names_holes_that_differ_and_warnings() -> None:
    text = describe(parse_specification(SMALL + TWO + "size = { upper = 0.460 }\n[form]\ntaper = 0.003\n"))
    assert "holes 1: 0.4550 to 0.4620 in" in text
    assert "holes 2: 0.4550 to 0.4600 in" in text
    assert "? line 18, form.taper: taper is asked but only one wall is read" in " ".join(text.split())


def test_mirrored_positions_have_a_table_of_their_own() -> None:
    parts = '[[part]]\nname = "p"\n[[part]]\nname = "s"\nmirror_of = "p"\nmirror = "x"\n'
    text = describe(parse_specification(SMALL + TWO + parts))
    assert "as read on p" in text
    assert re.search(r"as read on s\n.*\n +1 +-1\.5000 +1\.2500", text)


def test_hole_names_in_short() -> None:
    assert hole_names(["1", "2", "3", "4"]) == "1 to 4"
    assert hole_names(["1", "2", "4"]) == "1, 2, 4"
    assert hole_names(["01", "02", "03", "04"]) == "01, 02, 03, 04"


def test_data_is_plain_json() -> None:
    for specification in KITS:
        data = json.loads(json.dumps(as_data(specification), allow_nan=False))
        assert data["id"] == specification.id
        assert len(data["holes"]) == len(specification.holes)
        assert data["parts"][0]["basic_xy"] == specification.basic_xy(specification.parts[0].name).tolist()
    bare = as_data(parse_specification('[kit]\nunit = "mm"\n[size]\nlower = 12\nupper = 12.1\n[[hole]]\n'))
    assert json.dumps(bare, allow_nan=False)
    assert bare["holes"][0]["x"] is None


# ---- picture -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", [".svg", ".pdf"])
def test_picture_is_the_same_bytes_each_time(ending: str, tmp_path: Path) -> None:
    files = [tmp_path / f"{i}{ending}" for i in (1, 2)]
    for file in files:
        write_kit_plot(KITS[1], file)
    first, second = (f.read_bytes() for f in files)
    assert first == second
    assert len(first) > 5000


def test_picture_is_to_the_scale_that_it_says() -> None:
    sheet = arrange(KITS[0])
    assert sheet.scale in SCALES
    assert sheet.per_unit == sheet.scale, "paper inches an inch"
    assert arrange(KITS[1]).per_unit == pytest.approx(arrange(KITS[1]).scale / 25.4)
    figure = kit_figure(KITS[0], sheet)
    axes = figure.axes[0]
    assert tuple(figure.get_size_inches()) == (sheet.width, sheet.height)
    assert axes.get_xlim() == (0.0, sheet.width)
    circles = [p for p in axes.patches if isinstance(p, Circle) and p.get_radius() > 0.04]  # smaller: the datum dot
    assert len(circles) == 16
    assert {round(c.get_radius(), 9) for c in circles} == {round(0.462 / 2 * sheet.scale, 9)}


def test_mirrored_part_lies_beside_with_its_holes_turned() -> None:
    port, starboard = arrange(KITS[0]).views
    assert np.array_equal(starboard.holes, port.holes * (-1, 1))
    assert np.array_equal(starboard.shown, port.shown), "read from its own edges"


def test_picture_says_kit_unit_and_caution_and_labels_stay_on_the_page() -> None:
    for specification in KITS:
        figure = kit_figure(specification)
        texts = figure.axes[0].texts
        words = " ".join(" ".join(t.get_text() for t in texts).split())
        for needed in (specification.id, specification.drawing, "NOT A DRAWING", "prevail", *specification.hole_ids):
            assert needed in words
        width, height = figure.get_size_inches() * figure.dpi
        for text in texts:
            box = text.get_window_extent()
            assert 0 <= box.x0 <= box.x1 <= width, text.get_text()
            assert 0 <= box.y0 <= box.y1 <= height, text.get_text()


def test_hole_labels_do_not_lie_on_each_other() -> None:
    dense = "".join(f'[[hole]]\nid = "R{i}"\nx = {i % 10 * 0.9}\ny = {i // 10 * 0.9}\n' for i in range(40))
    for specification in (*KITS, parse_specification(SMALL + dense)):
        figure = kit_figure(specification)
        names = set(specification.hole_ids)
        boxes = [t.get_window_extent() for t in figure.axes[0].texts if t.get_text() in names]
        assert len(boxes) >= len(names)
        for i, box in enumerate(boxes):
            assert not any(box.overlaps(other) for other in boxes[:i])


def test_labels_are_spread_apart_and_stay_in_order() -> None:
    found = spread([0.0, 0.01, 0.02, 1.0], 0.1, -0.5, 1.5)
    assert all(b - a >= 0.1 - 1e-12 for a, b in pairwise(found))
    assert spread([0.0, 0.5], 0.1, -1, 1) == [0.0, 0.5]
    crowded = spread([0.0] * 30, 0.1, 0.0, 1.0)
    assert crowded == sorted(crowded)
    assert (crowded[0], crowded[-1]) == (0.0, 1.0)


def test_picture_needs_positions_and_a_known_ending(tmp_path: Path) -> None:
    bare = parse_specification('[kit]\nunit = "mm"\n[size]\nlower = 12\nupper = 12.1\n[[hole]]\n')
    with pytest.raises(DataError, match="no basic positions"):
        write_kit_plot(bare, tmp_path / "a.svg")
    with pytest.raises(DataError, match=r"\.svg, \.pdf, \.png"):
        write_kit_plot(KITS[0], tmp_path / "a.gif")


@pytest.mark.parametrize(("text", "line"), [
    (SMALL + TWO, "Kit T rev -, inch: 2 holes 0.455 to 0.462"),
    (SMALL + '[[hole]]\nid = "A"\n', "Kit T rev -, inch: 1 hole 0.455 to 0.462"),
    (SMALL + TWO + "size = { upper = 0.4605 }\n",
     "Kit T rev -, inch: hole 1 0.455 to 0.462; hole 2 0.455 to 0.4605"),
    (SMALL + TWO + '[[hole]]\nid = "3"\nx = 3\ny = 3\nsize = { lower = "29/64" }\n',
     "Kit T rev -, inch: holes 1, 2 0.455 to 0.462; hole 3 0.453125 to 0.462"),
    ('[kit]\nid = "M"\nrevision = "A"\nunit = "mm"\n[size]\nclass = "H11"\nnominal = 12.5\n' + TWO.replace("4.5", "45"),
     "Kit M rev A, mm: 2 holes 12.50 to 12.61 (H11)"),
])  # fmt: skip
def test_the_line_of_limits(text: str, line: str) -> None:
    assert limits_line(parse_specification(text)) == line
