"""Rechecks joined with the sheets before them: what is asked, what counts then, and what can't be hidden so.

What must happen follows from the kit's limits (0.455 to 0.462, position 0.030), from what cutting can do, and from the
order of days; no outside source applies. Sizes are invented.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest

from holeqc.inspection.recheck import Asked, asked_of, inspect
from holeqc.inspection.results import VERDICTS, Inspection
from holeqc.inspection.tags import tags_of
from holeqc.inspection.view import Run
from holeqc.problems import SpecificationError
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification
from holeqc.specification.model import Specification

ROOT = Path(__file__).resolve().parents[2]
TODAY = dt.date(2026, 11, 30)
KIT = """
[kit]
id = "K2"
revision = "A"
unit = "in"
[[part]]
name = "plate"
[walls]
names = ["near", "far"]
[size]
lower = 0.455
upper = 0.462
[position]
tolerance = 0.030
[surface]
clean = true
burr_free = true
[[hole]]
id = "1"
x = 1.0
y = 1.0
[[hole]]
id = "2"
x = 3.0
y = 1.0
[[gauge]]
id = "G1"
measures = ["diameter"]
uncertainty = 0.0002
calibration_due = 2026-12-31
[[gauge]]
id = "G2"
measures = ["diameter"]
uncertainty = 0.0002
calibration_due = 2026-06-30
[[gauge]]
id = "C1"
measures = ["x", "y"]
uncertainty = 0.0005
calibration_due = 2026-12-31
[plan]
directions = [0, 90]
diameter_gauge = "G1"
position_gauge = "C1"
{more}
"""
#: hole and wall -> diameters along 0 and 90, x, y, surface
Rows = Mapping[tuple[str, str], tuple[object, ...]]
GOOD: Rows = {
    ("1", "near"): (0.4581, 0.4583, 1.0012, 0.9991, "clean"), ("1", "far"): (0.4584, 0.4582, 1.0022, 1.0011, "clean"),
    ("2", "near"): (0.4579, 0.4580, 3.0012, 1.0031, "clean"), ("2", "far"): (0.4585, 0.4578, 2.9992, 1.0008, "clean"),
}  # fmt: skip


class Bench:
    """A folder with a kit and sheets."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.sheets = folder, 0

    def kit(self, more: str = "") -> Specification:
        path = self.folder / "k2.toml"
        path.write_text(KIT.format(more=more), encoding="utf-8")
        return load_specification(path)

    def sheet(
        self, rows: Rows, *, of: str = "", day: str = "2026-11-03", gauge: str = "G1", serial: str = "P-1",
        title: str = "",
    ) -> Path:  # fmt: skip
        self.sheets += 1
        path = self.folder / f"s{self.sheets}.csv"
        lines = [title, f"Serial: {serial}", f"Date: {day}" if day else "", f"Recheck of: {of}" if of else ""]
        lines += ["hole,wall,dia 0,dia 90,x,y,surface,gauge diameter,gauge position"]
        for (hole, wall), values in rows.items():
            shown = ",".join("" if v is None else v if isinstance(v, str) else f"{v:.4f}" for v in values)
            lines.append(f"{hole},{wall},{shown},{gauge},C1")
        path.write_text("\n".join(line for line in lines if line) + "\n", encoding="utf-8")
        return path

    def judged(self, *sheets: Path, more: str = "") -> Inspection:
        spec = self.kit(more)
        return inspect(spec, read_files(sheets, spec, ReadOptions(today=TODAY)))


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def verdict(found: Inspection) -> str:
    (number,) = found.parts["verdict"]
    return VERDICTS[int(number)]


def holes(found: Inspection) -> dict[str, str]:
    return {h: VERDICTS[int(v)] for h, v in zip(found.holes["hole"], found.holes["verdict"], strict=True)}


def codes(found: Inspection) -> list[str]:
    return [p.code for p in found.problems if p.holds]


def asked(found: Inspection) -> dict[str, Asked]:
    return {one.hole: one for one in asked_of(Run(found)[0])}


def but(rows: Rows, hole: str, wall: str, **changed: object) -> Rows:
    names = ("a", "b", "x", "y", "surface")
    old = dict(zip(names, rows[hole, wall], strict=True))
    return {**rows, (hole, wall): tuple((old | changed).values())}


def only(rows: Rows, hole: str, *walls: str) -> Rows:
    return {key: values for key, values in rows.items() if key[0] == hole and (not walls or key[1] in walls)}


SMALL = but(but(GOOD, "1", "near", a=0.4545), "1", "far", a=0.4548)
REAMED = {
    ("1", "near"): (0.4575, 0.4576, 1.0014, 0.9992, "clean"), ("1", "far"): (0.4577, 0.4576, 1.0020, 1.0013, "clean"),
}  # fmt: skip


def test_the_sheets_are_as_they_are_meant(bench: Bench) -> None:
    assert verdict(bench.judged(bench.sheet(GOOD))) == "accept"
    assert holes(bench.judged(bench.sheet(SMALL))) == {"1": "reject", "2": "accept"}


def test_a_reamed_hole_read_again_is_judged_with_the_old_readings_of_the_others(bench: Bench) -> None:
    first = bench.sheet(SMALL)
    assert asked(bench.judged(first))["1"].whole
    found = bench.judged(first, bench.sheet(REAMED, of="2026-11-03", day="2026-11-05"))
    assert (verdict(found), codes(found)) == ("accept", [])
    table = found.readings.table
    assert {str(d)[:10] for d in table[table["hole"] == "1"]["date"]} == {"2026-11-05"}
    assert {str(d)[:10] for d in table[table["hole"] == "2"]["date"]} == {"2026-11-03"}
    assert len(table) == 20, "nothing became not read"
    (join,) = found.readings.joins
    assert sorted(v for v in join.replaced["value"] if v == v)[:2] == [0.4545, 0.4548]
    assert (len(join.replaced), len(join.counts), len(join.left_out)) == (10, 10, 0)
    again = bench.judged(bench.sheet(REAMED, of="2026-11-03", day="2026-11-05"), first)
    assert verdict(again) == "accept", "in whatever order the files are named"


def test_a_tag_may_be_named_instead_of_the_day(bench: Bench) -> None:
    first = bench.sheet(SMALL)
    (tag,) = tags_of(bench.judged(first))
    typed = tag.code.lower().replace("-", "")
    assert verdict(bench.judged(first, bench.sheet(REAMED, of=typed, day="2026-11-05"))) == "accept"
    for other in ("K7X2-3WHC", "2026-11-02", "P-1", "the first sheet"):
        found = bench.judged(first, bench.sheet(REAMED, of=other, day="2026-11-05"))
        assert (verdict(found), holes(found)["1"]) == ("reject", "reject")
        assert "recheck-of-what" in codes(found)


def test_two_sheets_of_one_part_that_contradict_one_another_are_no_recheck(bench: Bench) -> None:
    found = bench.judged(bench.sheet(SMALL), bench.sheet({**GOOD, **REAMED}, day="2026-11-05"))
    assert verdict(found) != "accept"
    assert not found.readings.joins


def test_still_small_after_reaming(bench: Bench) -> None:
    small = but(REAMED, "1", "far", b=0.4549)
    found = bench.judged(bench.sheet(SMALL), bench.sheet(small, of="2026-11-03", day="2026-11-05"))
    assert holes(found) == {"1": "reject", "2": "accept"}


def test_a_second_recheck_goes_on_from_the_first(bench: Bench) -> None:
    sheets = [
        bench.sheet(SMALL), bench.sheet(but(REAMED, "1", "far", b=0.4549), of="2026-11-03", day="2026-11-05"),
        bench.sheet(but(REAMED, "1", "far", b=0.4572), of="2026-11-05", day="2026-11-06"),
    ]  # fmt: skip
    found = bench.judged(*sheets)
    assert (verdict(found), codes(found), len(found.readings.joins)) == ("accept", [], 2)


# ------------------------------------------------------------------------------------ ways to get a bad part through


@pytest.mark.parametrize("left", [("far", "a"), ("near", "y"), ("far", "surface")])
def test_a_reading_of_a_cut_hole_that_is_left_out_is_not_read(bench: Bench, left: tuple[str, str]) -> None:
    rows = but(REAMED, "1", left[0], **{left[1]: None})
    found = bench.judged(bench.sheet(SMALL), bench.sheet(rows, of="2026-11-03", day="2026-11-05"))
    assert holes(found) == {"1": "hold", "2": "accept"}
    found = bench.judged(bench.sheet(SMALL), bench.sheet(only(REAMED, "1", "near"), of="2026-11-03", day="2026-11-05"))
    assert holes(found)["1"] == "hold", "the far wall was cut as well"


@pytest.mark.parametrize(("of", "day", "code"), [
    ("2026-11-03", "2026-11-02", "recheck-older"), ("2026-11-03", "", "recheck-without-day"),
])  # fmt: skip
def test_a_recheck_of_no_later_day(bench: Bench, of: str, day: str, code: str) -> None:
    found = bench.judged(bench.sheet(SMALL), bench.sheet(REAMED, of=of, day=day))
    assert holes(found)["1"] == "reject"
    assert code in codes(found)
    assert not len(found.readings.joins[0].replaced)


def test_the_same_day_is_late_enough(bench: Bench) -> None:
    found = bench.judged(bench.sheet(SMALL), bench.sheet(REAMED, of="2026-11-03", day="2026-11-03"))
    assert verdict(found) == "accept"


def test_a_bad_hole_of_which_nothing_is_asked_stays_bad(bench: Bench) -> None:
    both = but(SMALL, "2", "near", b=0.4547)
    first = bench.sheet(both)
    tag = next(tag for tag in tags_of(bench.judged(first)) if tag.hole == "1")
    rows = {**REAMED, **only(GOOD, "2")}
    found = bench.judged(first, bench.sheet(rows, of=tag.code, day="2026-11-05"))
    assert holes(found)["2"] == "reject"
    assert "recheck-not-asked" in codes(found)


def test_a_good_hole_is_not_measured_anew_to_hide_how_it_lies(bench: Bench) -> None:
    rows = {**REAMED, **only(GOOD, "2")}
    found = bench.judged(bench.sheet(SMALL), bench.sheet(rows, of="2026-11-03", day="2026-11-05"))
    assert verdict(found) == "hold"
    assert codes(found) == ["recheck-not-asked"]


def test_a_size_that_nobody_asked_for_counts_beside_the_old_one(bench: Bench) -> None:
    for size, expected in ((0.4580, "accept"), (0.4630, "reject")):
        rows = {**REAMED, ("2", "near"): (size, None, None, None, None)}
        found = bench.judged(bench.sheet(SMALL), bench.sheet(rows, of="2026-11-03", day="2026-11-05"))
        assert verdict(found) == expected
        sizes = found.readings.table.query("hole == '2' and wall == 'near' and characteristic == 'diameter'")
        assert sorted(zip(sizes["direction"], sizes["trial"], strict=True)) == [(0.0, 1), (0.0, 2), (90.0, 1)]


def test_cutting_makes_no_hole_smaller(bench: Bench) -> None:
    large = but(GOOD, "1", "near", a=0.4627)
    found = bench.judged(bench.sheet(large), bench.sheet(REAMED, of="2026-11-03", day="2026-11-05"))
    assert verdict(found) == "hold"
    assert codes(found) == ["recheck-cannot-mend"]


def test_cutting_moves_no_hole(bench: Bench) -> None:
    off = but(but(GOOD, "1", "near", x=1.0212), "1", "far", x=1.0222)
    found = bench.judged(bench.sheet(off))
    assert holes(found)["1"] == "reject"
    found = bench.judged(bench.sheet(off), bench.sheet(REAMED, of="2026-11-03", day="2026-11-05"))
    assert (verdict(found), codes(found)) == ("hold", ["recheck-moved"])
    third = bench.sheet(but(REAMED, "1", "near", a=0.4576), of="2026-11-05", day="2026-11-06")
    again = bench.judged(bench.sheet(off), bench.sheet(REAMED, of="2026-11-03", day="2026-11-05"), third)
    assert (verdict(again), codes(again)) == ("hold", ["recheck-moved"]), "nor is it moved by reading it once more"


def test_a_place_is_not_brought_in_by_small_steps(bench: Bench) -> None:
    """Each step lies within what the table can err, 2 x 0.0005; together they don't."""

    def read(x: float, day: str, number: int = 0) -> Path:
        more = number * 1e-4
        rows = {("1", "near"): (0.4581 + more, 0.4583, x, 0.9991, "clean"),
                ("1", "far"): (0.4584, 0.4582 - more, 1.0022 + more, 1.0011, "clean")}  # fmt: skip
        return bench.sheet({**GOOD, **rows} if not number else rows, of="2026-11-03" if number else "", day=day)

    first, second = read(1.0165, "2026-11-03"), read(1.0156, "2026-11-05", 1)
    assert (verdict(bench.judged(first, second)), codes(bench.judged(first, second))) == ("reject", [])
    found = bench.judged(first, second, read(1.0148, "2026-11-06", 2))
    assert (verdict(found), codes(found)) == ("hold", ["recheck-moved"])


THREE = '[[hole]]\nid = "3"\nx = 5.0\ny = 1.0\n'
WIDE: Rows = {**GOOD, ("3", "near"): (0.4572, 0.4576, 5.0003, 1.0021, "clean"),
              ("3", "far"): (0.4574, 0.4577, 5.0013, 0.9984, "clean")}  # fmt: skip


@pytest.mark.parametrize("sheets", [1, 3])
def test_a_wall_that_was_not_read_is_not_copied_from_the_other(bench: Bench, sheets: int) -> None:
    """All at once or hole by hole: what one sheet may not do, several may not."""
    near = {key: values for key, values in WIDE.items() if key[1] == "near"}
    first = bench.sheet({**near, **{(hole, "far"): (None,) * 5 for hole, _ in near}})
    for rows, expected in ((WIDE, "accept"), ({(hole, "far"): near[hole, "near"] for hole, _ in near}, "hold")):
        far = {key: values for key, values in rows.items() if key[1] == "far"}
        parts = [dict([one]) for one in far.items()] if sheets > 1 else [far]
        found = bench.judged(first, *(bench.sheet(some, of="2026-11-03", day="2026-11-05") for some in parts),
                             more=THREE)  # fmt: skip
        assert verdict(found) == expected
        assert ("copied-wall" in codes(found)) is (expected == "hold")


def test_a_hole_is_not_copied_from_another_part(bench: Bench) -> None:
    rows = but(but(GOOD, "2", "near", a=0.4572), "2", "far", a=0.4583)
    other = bench.sheet({**rows, **REAMED}, serial="P-0", day="2026-11-02")
    again = bench.sheet(REAMED, of="2026-11-03", day="2026-11-05")
    found = bench.judged(other, bench.sheet(SMALL), again)
    assert codes(found) == ["copied-hole"]
    assert sorted(found.parts["verdict"]) == [0, 1]


def test_a_recheck_that_leaves_out_the_part_is_of_the_one_that_the_first_sheet_names() -> None:
    spec = load_specification(ROOT / "tolerances" / "bl7.toml")
    first = ROOT / "sample_measurements" / "bl7_S-0108.xlsx"
    rows = ["5,near,0.4576,0.4575,1.5032,5.7530", "5,far,0.4577,0.4578,1.5035,5.7532"]
    with TemporaryDirectory() as folder:
        again = Path(folder) / "again.csv"
        head = "Serial: S-0108\nDate: 2026-11-20\nRecheck of: tag rk2x 5hx5\n"
        again.write_text(head + "hole,wall,dia 0,dia 90,x,y,go,no go,surface\n" + "\n".join(
            f"{row},enters,does not enter,clean" for row in rows) + "\n", encoding="utf-8")  # fmt: skip
        found = inspect(spec, read_files([first, again], spec, ReadOptions(today=TODAY)))
    assert (verdict(found), codes(found)) == ("accept", [])


def test_pins_that_did_not_enter_are_not_let_in_by_nicer_places() -> None:
    spec = load_specification(ROOT / "tolerances" / "bl7.toml")
    first = ROOT / "sample_measurements" / "bl7_P-0110.xlsx"
    options = ReadOptions(today=TODAY)
    found = inspect(spec, read_files([first], spec, options))
    (tag,) = [tag for tag in tags_of(found) if tag.hole == "pattern"]
    head = f"Serial: P-0110\nPart: port\nDate: 2026-11-20\nRecheck of: {tag.code}\n"
    head += "hole,wall,dia 0,dia 90,x,y,go,no go,surface\n"
    rows = [
        f"{h.id},{wall},{0.4581 + k / 1e4:.4f},0.45{79 - k},{h.x + k / 1e3},{h.y - k / 1e3},enters,does not enter,clean"
        for h in spec.holes for k, wall in enumerate(("near", "far"), 1)
    ]  # fmt: skip
    with TemporaryDirectory() as folder:
        again = Path(folder) / "again.csv"
        again.write_text(head + "\n".join(rows) + "\n", encoding="utf-8")
        found = inspect(spec, read_files([first, again], spec, options))
    assert int(found.parts["pin_verdict"].iloc[0]) != 2, "by the new places they would enter"
    assert verdict(found) == "hold"
    assert set(codes(found)) == {"recheck-moved"}


def test_a_crack_does_not_go_away(bench: Bench) -> None:
    cracked = but(GOOD, "1", "near", surface="crack")
    rows = {("1", "near"): (None, None, None, None, "clean")}
    found = bench.judged(bench.sheet(cracked), bench.sheet(rows, of="2026-11-03", day="2026-11-05"))
    assert (verdict(found), codes(found)) == ("hold", ["recheck-cannot-mend"])


def test_a_burr_is_looked_at_again_and_nothing_else(bench: Bench) -> None:
    burr = but(GOOD, "1", "near", surface="burr")
    (one,) = asked(bench.judged(bench.sheet(burr))).values()
    assert (one.hole, one.groups, one.whole) == ("1", {("near", "surface")}, False)
    rows = {("1", "near"): (None, None, None, None, "clean")}
    found = bench.judged(bench.sheet(burr), bench.sheet(rows, of="2026-11-03", day="2026-11-05"))
    assert (verdict(found), codes(found)) == ("accept", [])


def test_readings_with_a_gauge_past_its_date_are_not_copied_under_another(bench: Bench) -> None:
    first = bench.sheet(GOOD, gauge="G2")
    assert verdict(bench.judged(first)) == "hold"
    copied = {key: (*values[:2], None, None, None) for key, values in GOOD.items()}
    again = {key: (round(a + 0.0001, 4), round(b - 0.0001, 4), *rest) for key, (a, b, *rest) in copied.items()}
    for rows, expected in ((copied, "hold"), (again, "accept")):
        found = bench.judged(first, bench.sheet(rows, of="2026-11-03", day="2026-11-05"))
        assert verdict(found) == expected, codes(found)
        assert ("copied-from-record" in codes(found)) is (expected == "hold")


def test_what_a_sheet_says_of_a_defect_is_not_answered_by_another_hole(bench: Bench) -> None:
    first = bench.sheet(SMALL, title="Remarks: crack at hole 2")
    assert "remark-of-defect" in codes(bench.judged(first))
    found = bench.judged(first, bench.sheet(REAMED, of="2026-11-03", day="2026-11-05"))
    assert verdict(found) != "accept"


def test_a_recheck_alone_accepts_nothing(bench: Bench) -> None:
    for serial in ("P-1", "P-2"):
        found = bench.judged(bench.sheet(GOOD, serial="P-3"), bench.sheet(GOOD, of="2026-11-03", serial=serial))
        rows = found.parts[found.parts["serial"] == serial]
        assert list(rows["verdict"]) == [1]
    found = bench.judged(bench.sheet(REAMED, of="2026-11-03"))
    assert (verdict(found), "recheck-alone" in codes(found)) == ("hold", True)


def test_readings_that_are_too_old_do_not_count_on(bench: Bench) -> None:
    more = "[recheck]\nwithin_days = 10\n"
    for day, expected in (("2026-11-13", "accept"), ("2026-11-14", "hold")):
        found = bench.judged(bench.sheet(SMALL), bench.sheet(REAMED, of="2026-11-03", day=day), more=more)
        assert verdict(found) == expected
        assert ("recheck-too-old" in codes(found)) is (expected == "hold")
    for days in (0, 3651):
        with pytest.raises(SpecificationError) as caught:
            bench.kit(f"[recheck]\nwithin_days = {days}\n")
        (problem,) = caught.value.problems
        assert ("from 1 to 3650" in problem.message, "from 1 to 3650" in problem.allowed) == (True, True), "one range"


def test_what_was_missing_is_added_and_nothing_else_is_asked(bench: Bench) -> None:
    first = bench.sheet(but(GOOD, "2", "far", b=None))
    assert asked(bench.judged(first))["2"].groups == {("far", "diameter")}
    rows = {("2", "far"): (0.4584, 0.4579, None, None, None)}
    found = bench.judged(first, bench.sheet(rows, of="2026-11-03", day="2026-11-05"))
    assert (verdict(found), codes(found)) == ("accept", [])
    rows = {("2", "far"): (None, 0.4579, None, None, None)}
    found = bench.judged(first, bench.sheet(rows, of="2026-11-03", day="2026-11-05"))
    assert holes(found)["2"] == "hold", "both directions of the wall are read together"


def test_a_slip_is_answered_with_its_doubt(bench: Bench) -> None:
    first = bench.sheet(but(GOOD, "2", "far", b=4.578))
    assert holes(bench.judged(first)) == {"1": "accept", "2": "hold"}
    rows = {("2", "far"): (0.4584, 0.4579, None, None, None)}
    found = bench.judged(first, bench.sheet(rows, of="2026-11-03", day="2026-11-05"))
    assert (verdict(found), codes(found)) == ("accept", [])


def test_joined_as_if_the_whole_part_had_been_read_so(bench: Bench) -> None:
    """Second route: one sheet with the new rows in the place of the old ones, judged by itself. Sizes are seeded."""
    rng = np.random.default_rng(7)
    seen = set()
    for number in range(40):

        def rows(low: float, hole: str) -> Rows:
            return {
                (hole, wall): (*np.round(rng.uniform(low, 0.4612, 2), 4).tolist(), *GOOD[hole, wall][2:4],
                               str(rng.choice(["clean", "clean", "burr"])))
                for wall in ("near", "far")
            }  # fmt: skip

        hole = str(rng.choice(["1", "2"]))
        first = but({**GOOD, **rows(0.4552, hole)}, hole, "far", b=0.4543)
        again = rows(0.4546, hole)
        serial = f"R-{number}"
        found = bench.judged(
            bench.sheet(first, serial=serial), bench.sheet(again, of="2026-11-03", day="2026-11-05", serial=serial)
        )
        whole = bench.judged(bench.sheet({**first, **again}, serial=serial, day="2026-11-05"))
        assert (verdict(found), holes(found)) == (verdict(whole), holes(whole)), (number, first, again)
        key = ["hole", "wall", "characteristic"]
        both = found.characteristics.merge(whole.characteristics, on=key, suffixes=("", "_whole"))
        assert len(both) == len(whole.characteristics)
        assert (both["found"].fillna(-1) == both["found_whole"].fillna(-1)).all()
        seen.add(verdict(found))
    assert seen == {"accept", "reject"}
