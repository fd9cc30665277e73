"""Countersink depth and angle, and hole depth: from the kit file through every family of sheets to verdict and advice.

The kit is invented; its limits are compared by hand: 0.0692 is 0.0032 over 0.0660, 90 is 9 under 99.
"""

from __future__ import annotations

import datetime as dt
import random
import shutil
import subprocess
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from inspection_kit import reasons

from holeqc.characteristics import MEASURED, OF_WORD
from holeqc.inspection.recheck import inspect
from holeqc.inspection.results import ACCEPT, HOLD, REJECT, Inspection
from holeqc.inspection.series import make_series
from holeqc.inspection.tags import tags_of
from holeqc.problems import SpecificationError
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.readings.sheet import write_sheet
from holeqc.readings.sheet_layout import layout
from holeqc.reports.data import as_data
from holeqc.specification.load import parse_specification
from holeqc.specification.model import Specification
from holeqc.specification.words import describe

TODAY = dt.date(2026, 11, 30)
KIT = """
[kit]
id = "CS-4"
revision = "A"
unit = "in"
[[part]]
name = "coaming"
[walls]
names = ["near", "far"]
[size]
lower = 0.190
upper = 0.196
[countersink]
depth_lower = 0.060
depth_upper = 0.066
angle_lower = 99
angle_upper = 101
[rework]
ream_up_to = 0.196
deepen = true
[[hole]]
id = "1"
[[hole]]
id = "2"
depth = { lower = 0.500 }
[[hole]]
id = "3"
countersink = false
[[hole]]
id = "4"
countersink = { depth_lower = 0.070, depth_upper = 0.080 }
[[gauge]]
id = "BG-1"
measures = ["diameter"]
uncertainty = 0.0003
[[gauge]]
id = "CD-1"
measures = ["countersink_depth"]
uncertainty = 0.0005
calibration_due = 2027-03-31
[[gauge]]
id = "CA-1"
measures = ["countersink_angle"]
uncertainty = 0.25
calibration_due = 2027-03-31
[[gauge]]
id = "DG-1"
measures = ["hole_depth"]
uncertainty = 0.001
"""
GOOD = {
    ("1", "countersink_depth"): "0.063", ("2", "countersink_depth"): "0.0625", ("4", "countersink_depth"): "0.0745",
    ("1", "countersink_angle"): "100.1", ("2", "countersink_angle"): "99.8", ("4", "countersink_angle"): "100.4",
    ("2", "hole_depth"): "0.523",
}  # fmt: skip
DIAMETERS = {"1": (0.1935, 0.1938, 0.1936, 0.1937), "2": (0.1937, 0.1940, 0.1939, 0.1941),
             "3": (0.1939, 0.1942, 0.1940, 0.1943), "4": (0.1941, 0.1944, 0.1942, 0.1946)}  # fmt: skip
WORDS = tuple(what.word for what in MEASURED)


def kit(text: str = KIT) -> Specification:
    return parse_specification(text, "cs4.toml")


def own(path: Path, spec: Specification, values: dict[tuple[str, str], str]) -> Path:
    """Write our own sheet and fill it as a person does, by its headings; a number as a number."""
    write_sheet(spec, path, serials=["A1"])
    plan = layout(spec)
    book = openpyxl.load_workbook(path)
    page = book.worksheets[0]
    page[plan.fields["date"]] = dt.date(2026, 11, 20)
    for number, row in enumerate(plan.rows, start=plan.first_row):
        sizes = iter(DIAMETERS[row.hole.id][2 * (row.wall == "far") :])
        for column, what in enumerate(plan.columns, start=1):
            if what.holds == "diameter":
                page.cell(number, column).value = next(sizes)
            elif what.holds in WORDS and row.wall == "near":
                page.cell(number, column).value = _typed(values.get((row.hole.id, what.holds), ""))
    book.save(path)
    return path


def _typed(text: str) -> Any:
    return float(text) if text.replace(".", "", 1).isdigit() else text or None


HEADS = ("CSK depth", "CSK angle", "Hole depth")


def wide(
    path: Path, values: dict[tuple[str, str], str], heads: tuple[str, ...] = HEADS, groups: str = ""
) -> Path:  # fmt: skip
    lines = ["Serial: A1,,,,,,,", "Date: 2026-11-20,,,,,,,", *([groups] if groups else []),
             f"Hole,Near dia 0,Near dia 90,Far dia 0,Far dia 90,{','.join(heads)}"]  # fmt: skip
    lines += [",".join([hole, *(f"{x:.4f}" for x in sizes), *(values.get((hole, word), "") for word in WORDS)])
              for hole, sizes in DIAMETERS.items()]  # fmt: skip
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def long(path: Path, values: dict[tuple[str, str], str], angle_unit: str = "deg") -> Path:
    lines = ["Serial,Hole,Wall,Characteristic,Direction,Value,Unit,Date"]
    for hole, sizes in DIAMETERS.items():
        for (wall, along), size in zip((("near", 0), ("near", 90), ("far", 0), ("far", 90)), sizes, strict=True):
            lines.append(f"A1,{hole},{wall},diameter,{along},{size:.4f},in,2026-11-20")
        for word in WORDS:
            if (hole, word) in values:
                unit = angle_unit if word == "countersink_angle" else "in"
                lines.append(f"A1,{hole},near,{OF_WORD[word].name},,{values[hole, word]},{unit},2026-11-20")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def grouped(path: Path, values: dict[tuple[str, str], str]) -> Path:
    return wide(path, values, ("Depth", "Angle", "Hole depth"), ",,,,,Countersink,,")


def judged(path: Path, spec: Specification | None = None) -> Inspection:
    spec = spec or kit()
    return inspect(spec, read_files([path], spec, ReadOptions(today=TODAY)))


def verdict(found: Inspection, hole: str, name: str) -> tuple[int, str]:
    frame = found.characteristics
    row = frame[(frame["hole"] == hole) & (frame["characteristic"] == name)].iloc[0]
    return int(row["verdict"]), str(row["cause"])


FAMILIES = {
    "own": lambda path, values: own(path / "a.xlsx", kit(), values),
    "wide": lambda path, values: wide(path / "a.csv", values),
    "long": lambda path, values: long(path / "a.csv", values),
    "grouped": lambda path, values: grouped(path / "a.csv", values),
}
#: hole, what, typed -> cause, the sentence's numbers, what to do
BAD = [
    ("1", "countersink_depth", "0.0580", "under", "0.0580 in is 0.0020 under the lower limit 0.0600", "cut the count"),
    ("2", "countersink_depth", "0.0692", "over", "0.0692 in is 0.0032 over the upper limit 0.0660", "Engineering"),
    ("2", "countersink_angle", "90", "under", "90.0° is 9.0° under the lower limit 99.0°", "Engineering"),
    ("4", "countersink_angle", "101.5", "over", "101.5° is 0.5° over the upper limit 101.0°", "Engineering"),
    ("2", "hole_depth", "0.4990", "under", "0.4990 in is 0.0010 under the lower limit 0.5000", "cut the hole d"),
]  # fmt: skip


@pytest.mark.parametrize("family", FAMILIES)
def test_a_good_part_is_accepted_from_every_family_of_sheets(family: str, tmp_path: Path) -> None:
    found = judged(FAMILIES[family](tmp_path, GOOD))
    assert found.parts["verdict"].tolist() == [ACCEPT], reasons(found, "coaming", "A1")
    names = found.characteristics["characteristic"].value_counts()
    assert [names[what.name] for what in MEASURED] == [3, 3, 1]


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize(("hole", "word", "typed", "cause", "sentence", "action"), BAD)
def test_one_bad_hole_is_rejected_from_every_family_of_sheets(
    family: str, hole: str, word: str, typed: str, cause: str, sentence: str, action: str, tmp_path: Path
) -> None:
    found = judged(FAMILIES[family](tmp_path, GOOD | {(hole, word): typed}))
    assert verdict(found, hole, OF_WORD[word].name) == (REJECT, cause)
    assert found.holes["verdict"].tolist() == [REJECT if h == hole else ACCEPT for h in DIAMETERS]
    (reason,) = reasons(found, "coaming", "A1")
    assert f"Hole {hole}: {OF_WORD[word].name} {sentence}" in reason.sentence
    assert action in reason.action
    (tag,) = tags_of(found)
    assert (tag.hole, tag.lines[0].characteristic, tag.lines[0].found) == (hole, OF_WORD[word].name, float(typed))
    assert tag.gauge == {"countersink_depth": "CD-1", "countersink_angle": "CA-1", "hole_depth": "DG-1"}[word]


@pytest.mark.parametrize(("word", "typed"), [
    ("countersink_depth", "0.630"), ("countersink_depth", "1.6"), ("countersink_depth", "0.0063"),
    ("countersink_depth", "0"), ("countersink_depth", "-0.063"), ("countersink_depth", "63"),
    ("countersink_angle", "10.01"), ("countersink_angle", "1001"), ("countersink_angle", "50"),
    ("countersink_angle", "0.063"), ("countersink_angle", "100 mm"), ("countersink_angle", "wide"),
    ("hole_depth", "13.2"), ("hole_depth", "5.23"), ("hole_depth", "0.0523"),
])  # fmt: skip
@pytest.mark.parametrize("family", ["own", "wide", "long"])
def test_what_cannot_be_true_holds_and_never_rejects_or_accepts(
    family: str, word: str, typed: str, tmp_path: Path
) -> None:
    found = judged(FAMILIES[family](tmp_path, GOOD | {("2", word): typed}))
    assert verdict(found, "2", OF_WORD[word].name)[0] == HOLD
    assert found.parts["verdict"].tolist() == [HOLD]


def test_exchanged_columns_are_named(tmp_path: Path) -> None:
    found = judged(wide(tmp_path / "a.csv", GOOD, ("CSK angle", "CSK depth", "Hole depth")))
    assert found.holes["verdict"].tolist() == [HOLD, HOLD, ACCEPT, HOLD]
    said = " ".join(r.sentence for r in reasons(found, "coaming", "A1", together=True))
    assert "it would fit its countersink angle: likely exchanged" in said


def test_a_missing_reading_holds_and_is_named(tmp_path: Path) -> None:
    values = {key: text for key, text in GOOD.items() if key != ("4", "countersink_angle")}
    for family, make in FAMILIES.items():
        found = judged(make(tmp_path, values))
        assert verdict(found, "4", "countersink angle") == (HOLD, "missing"), family
        assert "countersink angle" in reasons(found, "coaming", "A1", together=True)[0].sentence


def test_a_countersink_where_none_is_asked_holds(tmp_path: Path) -> None:
    for make in (FAMILIES["wide"], FAMILIES["long"]):
        found = judged(make(tmp_path, GOOD | {("3", "countersink_depth"): "0.063"}))
        assert verdict(found, "3", "countersink depth") == (HOLD, "not-asked")
        assert "the kit asks none of this hole" in reasons(found, "coaming", "A1")[0].sentence


def test_a_dash_stands_for_no_countersink_where_none_is_asked_and_for_none_read_where_one_is(tmp_path: Path) -> None:
    for dash in ("-", "n/a"):
        values = GOOD | {("3", word): dash for word in WORDS} | {("1", "hole_depth"): dash}
        for make in (FAMILIES["wide"], FAMILIES["own"], FAMILIES["long"]):
            assert judged(make(tmp_path, values)).parts["verdict"].tolist() == [ACCEPT]
            found = judged(make(tmp_path, GOOD | {("1", "countersink_depth"): dash}))
            assert found.holes["verdict"].tolist() == [HOLD, ACCEPT, ACCEPT, ACCEPT]


def test_holes_side_by_side_and_cards(tmp_path: Path) -> None:
    rows = ["Serial: A1", "Date: 2026-11-20", "Hole,1,2,3,4"]
    for place, name in enumerate(("Near dia 0", "Near dia 90", "Far dia 0", "Far dia 90")):
        rows.append(",".join([name, *(f"{sizes[place]:.4f}" for sizes in DIAMETERS.values())]))
    for typed, expected in (("99.8", ACCEPT), ("90", REJECT)):
        values = GOOD | {("2", "countersink_angle"): typed}
        more = [",".join([OF_WORD[word].title, *(values.get((h, word), "") for h in DIAMETERS)]) for word in WORDS]
        path = tmp_path / "a.csv"
        path.write_text("\n".join([*rows, *more]) + "\n", encoding="utf-8")
        assert judged(path).parts["verdict"].tolist() == [expected]
        lines = ["Serial: A1", "Date: 2026-11-20"]
        for hole, sizes in DIAMETERS.items():
            lines += ["", f"Hole {hole}"]
            lines += [f"{name},{size:.4f}" for name, size in zip(
                ("Near dia 0", "Near dia 90", "Far dia 0", "Far dia 90"), sizes, strict=True)]  # fmt: skip
            lines += [f"{OF_WORD[word].title},{values[hole, word]}" for word in WORDS if (hole, word) in values]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        assert judged(path).parts["verdict"].tolist() == [expected]


def test_degrees_are_understood_and_lengths_of_angles_are_not(tmp_path: Path) -> None:
    for text in ("100.1°", "100.1 deg", "100.1 º"):
        assert judged(wide(tmp_path / "a.csv", GOOD | {("1", "countersink_angle"): text})).parts["verdict"][0] == ACCEPT
    for unit in ("mm", "in"):  # 100 mm is no angle, and 3.94 would be no better
        assert judged(long(tmp_path / "a.csv", GOOD, angle_unit=unit)).parts["verdict"][0] == HOLD
        heads = ("CSK depth", f"CSK angle [{unit}]", "Hole depth")
        assert judged(wide(tmp_path / "a.csv", GOOD, heads)).parts["verdict"][0] == HOLD


def test_a_depth_in_millimetres_is_converted_and_an_angle_beside_it_is_not(tmp_path: Path) -> None:
    values = GOOD | {("1", "countersink_depth"): "1.60", ("2", "countersink_depth"): "1.59",
                     ("4", "countersink_depth"): "1.90"}  # fmt: skip
    found = judged(wide(tmp_path / "a.csv", values, ("CSK depth [mm]", "CSK angle [°]", "Hole depth")))
    assert found.parts["verdict"].tolist() == [ACCEPT]
    frame = found.characteristics.set_index(["hole", "characteristic"])["found"]
    assert frame["1", "countersink depth"] == pytest.approx(1.60 / 25.4, abs=1e-12)
    assert frame["1", "countersink angle"] == 100.1


def test_a_sheet_in_millimetres_leaves_its_angles_in_degrees(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    lines = ["Serial: A1", "Date: 2026-11-20", "Units: mm"]
    lines.append(f"Hole,Near dia 0,Near dia 90,Far dia 0,Far dia 90,{','.join(HEADS)}")
    for hole, sizes in DIAMETERS.items():
        depth, angle, deep = (GOOD.get((hole, word), "") for word in WORDS)
        converted = (f"{25.4 * float(x):.3f}" if x else "" for x in (*map(str, sizes), depth, deep))
        *cells, depth, deep = converted
        lines.append(",".join([hole, *cells, depth, angle, deep]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = judged(path)
    assert found.parts["verdict"].tolist() == [ACCEPT]
    table = found.readings.table.set_index(["hole", "characteristic"])
    assert table.loc[("1", "countersink_angle"), ["value", "unit"]].tolist() == [100.1, ""]
    assert table.loc[("1", "countersink_depth"), "value"] == pytest.approx(1.600 / 25.4, abs=1e-9)


def test_a_reading_typed_as_its_limit_is_inside(tmp_path: Path) -> None:
    for typed, expected in (("99", ACCEPT), ("101", ACCEPT), ("98.9", REJECT), ("101.1", REJECT)):
        found = judged(wide(tmp_path / "a.csv", GOOD | {("1", "countersink_angle"): typed}))
        assert verdict(found, "1", "countersink angle")[0] == expected, typed


def test_rounding_takes_no_coarser_places_than_the_size_has(tmp_path: Path) -> None:
    rounded = kit(KIT + '[rounding]\nmethod = "rounding"\n')
    for word, typed, cause in (
        ("hole_depth", "0.4990", "under"), ("hole_depth", "0.4996", ""), ("countersink_angle", "101.4", "over"),
        ("countersink_depth", "0.0664", ""),
    ):  # fmt: skip
        path = wide(tmp_path / "a.csv", GOOD | {("2", word): typed})
        assert verdict(judged(path, rounded), "2", OF_WORD[word].name)[1] == cause


def test_each_gauge_counts_with_its_own_uncertainty_and_due_date(tmp_path: Path) -> None:
    guarded = kit(KIT + '[decision]\nrule = "guarded"\n')
    # guard band 0.25°: 100.8 lies 0.2° inside 101, 100.7 lies 0.3° inside
    for typed, cause in (("100.8", "guard-band"), ("100.7", "")):
        path = wide(tmp_path / "a.csv", GOOD | {("1", "countersink_angle"): typed})
        assert verdict(judged(path, guarded), "1", "countersink angle")[1] == cause
    path = wide(tmp_path / "a.csv", GOOD | {("1", "countersink_depth"): "0.0581"})
    (reason,) = [r for r in reasons(judged(path, guarded), "coaming", "A1") if "countersink depth" in r.sentence]
    assert "to 0.0605 to 0.0655 in" in reason.action  # limits less U = 0.0005 on either side
    expired = kit(KIT.replace("0.25\ncalibration_due = 2027", "0.25\ncalibration_due = 2025"))
    found = judged(wide(tmp_path / "a.csv", GOOD), expired)
    assert verdict(found, "1", "countersink angle") == (HOLD, "gauge-expired")
    assert verdict(found, "1", "countersink depth") == (ACCEPT, "")


def test_the_gauge_that_our_sheet_names_is_the_one_that_counts(tmp_path: Path) -> None:
    old = '[[gauge]]\nid = "CA-2"\nmeasures = ["countersink_angle"]\nuncertainty = 0.1\ncalibration_due = 2025-01-31\n'
    spec = kit(KIT + old)
    path = own(tmp_path / "a.xlsx", spec, GOOD)
    assert verdict(judged(path, spec), "1", "countersink angle") == (HOLD, "no-gauge")  # the kit has two of them
    for name, expected in (("CA-1", (ACCEPT, "")), ("CA-2", (HOLD, "gauge-expired"))):
        book = openpyxl.load_workbook(path)
        book.worksheets[0][layout(spec).fields["gauge:countersink_angle"]] = name
        book.save(path)
        assert verdict(judged(path, spec), "1", "countersink angle") == expected
        assert verdict(judged(path, spec), "1", "countersink depth") == (ACCEPT, "")


def test_an_angle_has_no_temperature(tmp_path: Path) -> None:
    warm = kit(KIT + "[temperature]\ncorrect = true\npart_expansion_per_c = 23.1e-6\n")
    found = judged(wide(tmp_path / "a.csv", GOOD), warm)
    assert verdict(found, "1", "countersink depth") == (HOLD, "no-temperature")
    assert verdict(found, "1", "countersink angle") == (ACCEPT, "")


def test_deepening_is_advised_only_where_nothing_else_is_wrong_and_the_kit_permits_it(tmp_path: Path) -> None:
    shallow = {("1", "countersink_depth"): "0.0580"}
    for values, text in ((shallow | {("1", "countersink_angle"): "104"}, KIT),
                         (shallow, KIT.replace("deepen = true\n", ""))):  # fmt: skip
        found = judged(wide(tmp_path / "a.csv", GOOD | values), kit(text))
        assert all(r.action.startswith("Engineering") for r in reasons(found, "coaming", "A1"))


def test_a_kit_without_countersinks_has_no_such_columns_and_words(tmp_path: Path) -> None:
    plain = kit(KIT.partition("[countersink]")[0] + '[[hole]]\nid = "1"\n[[hole]]\nid = "2"\n')
    heads = " ".join(c.heading for c in layout(plain).columns)
    assert "ountersink" not in heads + describe(plain)
    assert "depth" not in heads
    columns = [c.heading for c in layout(kit()).columns]
    assert columns[10:13] == ["Countersink angle asked", "Countersink angle [°]", "Countersink angle check"]


def test_depth_alone_is_understood_where_the_kit_asks_one_and_never_guessed_where_it_asks_two(tmp_path: Path) -> None:
    heads = ("Depth", "CSK angle", "Hole depth")
    assert judged(wide(tmp_path / "a.csv", GOOD, heads)).parts["verdict"].tolist() == [HOLD]
    one = kit(KIT.replace("depth = { lower = 0.500 }\n", ""))
    values = {key: text for key, text in GOOD.items() if key[1] != "hole_depth"}
    assert judged(wide(tmp_path / "a.csv", values, heads), one).parts["verdict"].tolist() == [ACCEPT]
    # an angle may be the direction of the diameters: it isn't taken for the countersink's
    heads = ("CSK depth", "Angle", "Hole depth")
    assert judged(wide(tmp_path / "a.csv", GOOD, heads)).parts["verdict"].tolist() == [HOLD]


@pytest.mark.parametrize("heads", [
    ("Countersink depth", "Countersink angle", "Depth of hole"),
    ("C'sink depth (in)", "C'sink angle (°)", "Drill depth"),
    ("Senktiefe", "Senkwinkel", "Bohrtiefe"), ("Profondeur de fraisure", "Angle de fraisure", "Profondeur du trou"),
    ("Profundidad de avellanado", "Ángulo de avellanado", "Profundidad del agujero"),
])  # fmt: skip
def test_headings_as_people_write_them(heads: tuple[str, str, str], tmp_path: Path) -> None:
    assert judged(wide(tmp_path / "a.csv", GOOD, heads)).parts["verdict"].tolist() == [ACCEPT]


def test_data_and_series_have_them(tmp_path: Path) -> None:
    found = judged(wide(tmp_path / "a.csv", GOOD | {("2", "countersink_angle"): "90"}))
    hole = as_data(found)["parts"][0]["holes"][1]
    assert [hole[word]["verdict"] for word in WORDS] == ["accept", "reject", "accept"]
    assert hole["countersink_angle"]["walls"][0]["deviation"] == -9.0
    series = make_series(found.specification, found.readings, "countersink-angle")
    assert [(s.group, s.unit, s.lower, s.upper, s.values.tolist()) for s in series] == [
        ("hole 1", "°", 99.0, 101.0, [100.1]),
        ("hole 2", "°", 99.0, 101.0, [90.0]),
        ("hole 4", "°", 99.0, 101.0, [100.4]),
    ]
    (depth,) = make_series(found.specification, found.readings, "hole-depth")
    assert (depth.lower, depth.unit, depth.uncertainty) == (0.5, "in", 0.001)


def test_limits_of_the_kit_file_are_checked() -> None:
    for old, new, code in (
        ("angle_lower = 99", "angle_lower = 102", "limits-upside-down"),
        ("angle_lower = 99", "angle_lower = 9.9", "countersink-angle-out-of-the-ordinary"),
        ("angle_upper = 101", "angle_upper = 120", "countersink-angle-limits-far-apart"),
        ("depth_upper = 0.066", "depth_upper = 0.66", "countersink-depth-out-of-the-ordinary"),
        ("depth_lower = 0.060", "depth_lower = 0.006", "countersink-depth-limits-far-apart"),
        ('["countersink_angle"]', '["countersink_angle", "diameter"]', "gauge-of-two-units"),
        ("depth = { lower = 0.500 }", "depth = { upper = 0.050 }", "countersink-below-hole"),
    ):
        with pytest.raises(SpecificationError) as error:
            kit(KIT.replace(old, new))
        assert code in {p.code for p in error.value.problems}, new


@pytest.mark.parametrize(("head", "cells", "verdicts"), [
    # a second column of depths, of which one is beyond 0.0660, though the reading itself is not
    ("CSK depth max", {"2": "0.0692"}, [ACCEPT, HOLD, ACCEPT, ACCEPT]),
    ("CSK depth max", {"2": "0.0630"}, [ACCEPT, ACCEPT, ACCEPT, ACCEPT]),
    ("CSK angle average", {"1": "103"}, [HOLD, ACCEPT, ACCEPT, ACCEPT]),
    ("CSK depth nominal", {"1": "0.063", "2": "0.063", "4": "0.075"}, [ACCEPT] * 4),
    ("Note", {"1": "csk .0720 on second look"}, [HOLD, ACCEPT, ACCEPT, ACCEPT]),
    ("Note", {"4": "countersink too deep"}, [ACCEPT, ACCEPT, ACCEPT, HOLD]),
    ("Note", {"4": "countersink ok and to depth"}, [ACCEPT] * 4),
])  # fmt: skip
def test_what_stands_beside_the_readings_speaks_too(
    head: str, cells: dict[str, str], verdicts: list[int], tmp_path: Path
) -> None:
    path = wide(tmp_path / "a.csv", GOOD, (*HEADS, head))
    lines = path.read_text(encoding="utf-8").splitlines()
    rows = [f"{x},{cells.get(x[0], '')}" if x[0] in DIAMETERS else x for x in lines]
    path.write_text("\n".join(rows), encoding="utf-8")
    assert judged(path).holes["verdict"].tolist() == verdicts


@pytest.mark.skipif(shutil.which("soffice") is None, reason="no spreadsheet program here to work out formulas")
def test_the_sheet_marks_a_reading_the_moment_it_is_typed(tmp_path: Path) -> None:
    spec, plan = kit(), layout(kit())
    marks = {
        ("1", "countersink_depth"): ("0.058", "✗ too shallow"), ("2", "countersink_depth"): ("0.0692", "✗ too deep"),
        ("4", "countersink_depth"): ("0.63", "? doubtful"), ("1", "countersink_angle"): ("99", "✓ in limits"),
        ("2", "countersink_angle"): ("90", "✗ too narrow"), ("4", "countersink_angle"): ("50", "? read again"),
        ("2", "hole_depth"): ("0.5", "✓ in limits"),
    }  # fmt: skip
    path = own(tmp_path / "a.xlsx", spec, {place: typed for place, (typed, _) in marks.items()})
    command = ["soffice", f"-env:UserInstallation=file://{tmp_path}/profile", "--headless", "--convert-to", "xlsx",
               "--outdir", str(tmp_path / "out"), str(path)]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    page = openpyxl.load_workbook(tmp_path / "out" / "a.xlsx", data_only=True).worksheets[0]
    rows = {row.hole.id: number for number, row in enumerate(plan.rows, start=plan.first_row) if row.wall == "near"}
    found = {(hole, word): page[plan.cell(f"{word}_check", rows[hole])].value for hole, word in marks}
    assert found == {place: mark for place, (_, mark) in marks.items()}


def test_a_sheet_for_another_drawing_holds(tmp_path: Path) -> None:
    path = wide(tmp_path / "a.csv", GOOD, (*HEADS, "CSK depth upper limit"))
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(f"{x},0.0712" if x[0] in DIAMETERS else x for x in lines), encoding="utf-8")
    assert judged(path).parts["verdict"].tolist() == [HOLD]


LANGUAGES = [
    HEADS, ("Countersink depth", "Countersink angle", "Depth of hole"), ("Senktiefe", "Senkwinkel", "Bohrtiefe"),
    ("Profondeur fraisure", "Angle fraisure", "Profondeur trou"),
    ("Prof. avellanado", "Ángulo avellanado", "Prof. agujero"),
]  # fmt: skip


@pytest.mark.parametrize("seed", range(60))
def test_whatever_the_kit_and_the_sheet_the_one_bad_reading_is_found(seed: int, tmp_path: Path) -> None:
    """Kits in both units, limits on one side or two, readings in either unit; one reading is moved beyond a limit by
    less than what is believed, or by a slip: that hole is rejected, or held, and no other one."""
    rng = random.Random(seed)
    kit_unit, unit = rng.choice(["in", "mm"]), rng.choice(["in", "mm"])
    scale, digits = {"in": 1.0, "mm": 25.4}[kit_unit], {"in": 4, "mm": 3}[unit]
    to_sheet = {"in": 1.0, "mm": 25.4}[unit] / scale
    sizes = {hole: [round(0.193 * scale, 4)] * 4 for hole in DIAMETERS}
    limits: dict[tuple[str, str], tuple[float | None, float | None]] = {}
    for hole in DIAMETERS:
        for word, low, band in (("countersink_depth", 0.06, 0.012), ("countersink_angle", rng.choice([82, 90, 100]), 2),
                                ("hole_depth", 0.5, 0.08)):  # fmt: skip
            if rng.random() < 0.7:
                times = 1.0 if word == "countersink_angle" else scale
                sides = (round(low * times, 4), round((low + band) * times, 4))
                keep = rng.choice(["both", "both", "lower", "upper"])
                limits[hole, word] = (None if keep == "upper" else sides[0], None if keep == "lower" else sides[1])
    if not limits:
        return
    text = [f'[kit]\nid = "K"\nunit = "{kit_unit}"\n[size]\nlower = {0.19 * scale:.4f}\nupper = {0.196 * scale:.4f}']
    for hole in DIAMETERS:
        text.append(f'[[hole]]\nid = "{hole}"')
        for table in ("countersink", "depth"):
            keys = [
                f"{key} = {value}" for (h, word), pair in limits.items() if h == hole and OF_WORD[word].table == table
                for key, value in zip(OF_WORD[word].keys, pair, strict=True) if value is not None
            ]  # fmt: skip
            text += [f"{table} = {{ {', '.join(keys)} }}"] if keys else []
    spec = kit("\n".join(text))

    def typed(word: str, value: float) -> str:
        angle = word == "countersink_angle"
        return f"{value:.1f}" if angle else f"{value * to_sheet:.{digits}f}"

    def inside(pair: tuple[float | None, float | None]) -> float:
        lower, upper = pair
        if lower is None or upper is None:
            return 1.05 * lower if lower is not None else 0.95 * (upper or 0.0)
        return rng.uniform(0.75 * lower + 0.25 * upper, 0.25 * lower + 0.75 * upper)

    values = {place: typed(place[1], inside(pair)) for place, pair in limits.items()}
    place = rng.choice(sorted(limits))
    lower, upper = limits[place]
    kind = rng.choice(["none", "beyond", "slip", "blank"])
    good = float(values[place])
    if kind == "beyond":
        under = upper is None or (lower is not None and rng.random() < 0.5)
        moved = 0.93 * (lower or 0.0) if under else 1.07 * (upper or 0.0)
        values[place] = typed(place[1], moved)
    elif kind == "slip":
        values[place] = f"{good * rng.choice([10, 100]):.4f}"
    elif kind == "blank":
        values[place] = ""
    heads = rng.choice(LANGUAGES)
    named = (f"{heads[0]} [{unit}]", f"{heads[1]} [°]" if rng.random() < 0.5 else heads[1], f"{heads[2]} [{unit}]")
    head = ",".join(["Hole", f"Dia 0 [{kit_unit}]", f"Dia 90 [{kit_unit}]", *named])
    lines = ["Serial: A1,,,,,", "Date: 2026-11-20,,,,,", head]
    for hole, (first, *_) in sizes.items():
        other = first + (0.0003 if kit_unit == "in" else 0.008) * int(hole)
        rest = (values.get((hole, word), "") for word in WORDS)
        lines.append(",".join([hole, f"{first:.4f}", f"{other:.4f}", *rest]))
    path = tmp_path / "a.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    expected = {"none": ACCEPT, "beyond": REJECT, "slip": HOLD, "blank": HOLD}[kind]
    found = judged(path, spec)
    wanted = [expected if hole == place[0] else ACCEPT for hole in DIAMETERS]
    assert found.holes["verdict"].tolist() == wanted, (kind, place, limits[place], values[place], path.read_text())


@pytest.mark.parametrize(("word", "before", "again", "expected"), [
    ("countersink_depth", "0.0580", "0.0625", ACCEPT),  # cut deeper
    ("countersink_depth", "0.0692", "0.0630", HOLD),  # nothing makes it shallower
    ("countersink_angle", "90", "100.1", HOLD),
    ("countersink_angle", "104", "100.1", HOLD),
])  # fmt: skip
def test_a_recheck_answers_only_what_cutting_deeper_mends(
    word: str, before: str, again: str, expected: int, tmp_path: Path
) -> None:
    first = wide(tmp_path / "a.csv", GOOD | {("1", word): before})
    second = wide(tmp_path / "b.csv", GOOD | {("1", word): again})
    lines = second.read_text(encoding="utf-8").replace("2026-11-20", "2026-11-25").splitlines()
    row = lines[3].replace("0.1935", "0.1936").replace("0.1938", "0.1937")
    second.write_text("\n".join(["Recheck of: 2026-11-20,,,,,,,", *lines[:3], row]) + "\n", encoding="utf-8")
    found = inspect(kit(), read_files([first, second], kit(), ReadOptions(today=TODAY)))
    assert found.holes["verdict"].tolist() == [expected, ACCEPT, ACCEPT, ACCEPT]


def test_a_small_hole_that_is_reamed_has_its_countersink_read_anew(tmp_path: Path) -> None:
    spec = kit(KIT + '[tools]\nreamers = ["0.1930"]\n')
    path = wide(tmp_path / "a.csv", GOOD)
    path.write_text(path.read_text(encoding="utf-8").replace("0.1935", "0.1895"), encoding="utf-8")
    (reason,) = reasons(judged(path, spec), "coaming", "A1")
    assert "and its countersink depth and countersink angle are read anew" in reason.action
