"""Series of a kit's readings against figures worked out by hand from the cells of small made-up files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from holeqc.characteristics import MEASURED
from holeqc.inspection.recheck import inspect
from holeqc.inspection.series import QUANTITIES, count_rejects, make_series, order_of_days
from holeqc.problems import DataError
from holeqc.readings.read import read_files
from holeqc.readings.table import Readings
from holeqc.specification.load import parse_specification
from holeqc.specification.model import Specification

KIT = """
[kit]
id = "T-2"
unit = "mm"
revision = "A"
[[part]]
name = "left"
[[part]]
name = "right"
mirror_of = "left"
mirror = "x"
own_edges = OWN
[fixture]
id = "DF-T2"
[size]
lower = 10.0
upper = 10.1
[form]
out_of_roundness = 0.05
[position]
tolerance = 0.4
condition = "MMC"
[[hole]]
id = "1"
x = 20.0
y = 30.0
bushing = "B1"
[[hole]]
id = "2"
x = 60.0
y = 30.0
bushing = "B2"
[[gauge]]
id = "BG"
measures = ["diameter"]
uncertainty = 0.004
resolution = 0.01
[[gauge]]
id = "BG-OLD"
measures = ["diameter"]
uncertainty = 0.006
resolution = 0.02
[[gauge]]
id = "CM"
measures = ["x", "y"]
uncertainty = 0.01
resolution = 0.001
[plan]
directions = [0, 90]
diameter_gauge = "BG"
[decision]
rule = "simple"
"""
HEAD = "date,serial,part,hole,dia 0,dia 90,x,y,gauge"


def kit(own_edges: bool = True) -> Specification:
    return parse_specification(KIT.replace("OWN", "true" if own_edges else "false"))


def read(tmp_path: Path, spec: Specification, rows: list[str]) -> Readings:
    path = tmp_path / "readings.csv"
    path.write_text("\n".join([HEAD, *rows]) + "\n", encoding="utf-8")
    return read_files([path], spec)


ROWS = [
    "2026-03-03,A3,left,1,10.05,10.07,20.10,30.05,",
    "2026-03-03,A3,left,2,10.04,10.04,60.02,29.96,",
    "2026-03-01,A1,left,1,10.02,10.03,20.06,29.99,",
    "2026-03-01,A1,left,2,10.08,10.06,59.99,30.01,BG-OLD",
    "2026-03-02,A2,right,1,10.04,10.01,{x1},30.03,",
    "2026-03-02,A2,right,2,10.05,10.05,{x2},30.00,",
]


def rows(own_edges: bool) -> list[str]:
    """A2 is mirrored: hole 1 lies 0.08 further from its edge than basic, read from there or in the drawing's frame."""
    x1, x2 = ("20.08", "60.00") if own_edges else ("-20.08", "-60.00")
    return [row.format(x1=x1, x2=x2) for row in ROWS]


def test_size_in_order_of_production(tmp_path: Path) -> None:
    spec = kit()
    one, two = make_series(spec, read(tmp_path, spec, rows(True)))
    assert (one.group, two.group) == ("hole 1", "hole 2")
    assert one.values.tolist() == [10.02, 10.03, 10.04, 10.01, 10.05, 10.07]
    assert one.serial.tolist() == ["A1", "A1", "A2", "A2", "A3", "A3"]
    assert one.piece.tolist() == [0, 0, 1, 1, 2, 2]
    assert one.day.astype(str).tolist()[::2] == ["2026-03-01", "2026-03-02", "2026-03-03"]
    assert (one.lower, one.upper, one.from_zero) == (10.0, 10.1, False)
    points = one.points()
    assert points.values == pytest.approx([10.025, 10.025, 10.06])
    assert points.labels.tolist() == ["A1", "A2", "A3"]
    # gauge and step: the larger of both gauges that read hole 2
    assert (one.gauges, one.uncertainty, one.resolution) == (("BG",), 0.004, 0.01)
    assert (two.gauges, two.uncertainty, two.resolution) == (("BG", "BG-OLD"), 0.006, 0.02)


@pytest.mark.parametrize("own_edges", [True, False])
def test_mirrored_parts_are_folded_into_the_drawing(tmp_path: Path, own_edges: bool) -> None:
    spec = kit(own_edges)
    one = make_series(spec, read(tmp_path, spec, rows(own_edges)), "position")[0]
    assert one.second is not None
    assert one.tolerance is not None
    assert one.bonus is not None
    assert one.values == pytest.approx([0.06, 0.08, 0.10], abs=1e-9)
    assert one.second == pytest.approx([-0.01, 0.03, 0.05], abs=1e-9)
    assert one.tolerance.tolist() == [0.4, 0.4, 0.4]
    # bonus at MMC: the smallest reading of each hole over the lower limit
    assert one.bonus == pytest.approx([0.02, 0.01, 0.05], abs=1e-9)
    assert (one.lower, one.upper) == (None, None)
    assert one.gauges == ("CM",)


def test_out_of_roundness_by_hand(tmp_path: Path) -> None:
    spec = kit()
    one = make_series(spec, read(tmp_path, spec, rows(True)), "out-of-roundness")[0]
    assert one.values == pytest.approx([0.01, 0.03, 0.02], abs=1e-9)
    assert (one.lower, one.upper, one.from_zero) == (None, 0.05, True)


@pytest.mark.parametrize(
    ("by", "groups", "readings"),
    [
        (("bushing",), ["bushing B1", "bushing B2"], 6),
        (("fixture",), ["fixture DF-T2"], 12),
        (("part",), ["part left", "part right"], 8),
        (("wall",), ["wall single"], 12),
        (("gauge",), ["gauge BG", "gauge BG-OLD"], 10),
        (("serial",), ["serial A3", "serial A1", "serial A2"], 4),
        (("hole", "part"), ["hole 1, part left", "hole 1, part right", "hole 2, part left", "hole 2, part right"], 4),
    ],
)
def test_groups(tmp_path: Path, by: tuple[str, ...], groups: list[str], readings: int) -> None:
    spec = kit()
    found = make_series(spec, read(tmp_path, spec, rows(True)), by=by)
    assert [s.group for s in found] == groups
    assert len(found[0]) == readings
    assert sum(len(s) for s in found) == 12
    assert all(s.keys == dict(zip(by, [w.partition(" ")[2] for w in s.group.split(", ")], strict=True)) for s in found)


def test_a_group_of_several_holes_names_them(tmp_path: Path) -> None:
    spec = kit()
    (one,) = make_series(spec, read(tmp_path, spec, rows(True)), by=("fixture",))
    assert one.points().labels.tolist() == [f"A{n} hole {h}" for n in (1, 2, 3) for h in (1, 2)]
    assert one.pieces == 6


def test_subgroups(tmp_path: Path) -> None:
    spec = kit()
    one = make_series(spec, read(tmp_path, spec, rows(True)))[0]
    assert one.subgroups("part").tolist() == ["A1", "A1", "A2", "A2", "A3", "A3"]
    assert one.subgroups("2").tolist() == ["A1", "A1", "A1", "A1", "A3", "A3"]
    assert one.subgroups("day").tolist()[::2] == ["2026-03-01", "2026-03-02", "2026-03-03"]
    with pytest.raises(DataError, match="part, day"):
        one.subgroups("shift")


def test_doubtful_cells_are_left_out_and_told(tmp_path: Path) -> None:
    spec = kit()
    typed = rows(True)
    typed[2] = typed[2].replace("10.03", "100.3")  # ten times too large
    one, two = make_series(spec, read(tmp_path, spec, typed))
    assert one.values.tolist()[:2] == [10.02, 10.04]
    assert one.left_out == 1
    (said,) = [p for p in one.problems if p.code == "left-out"]
    assert "1 doubtful reading" in said.message
    assert two.left_out == 0
    assert not two.problems


def test_parts_without_a_day_stay_behind_the_one_before() -> None:
    days = np.array(["NaT", "2026-03-02", "NaT", "2026-03-01", "2026-03-02"], dtype="datetime64[D]")
    # first: nothing known; then 1 March; then 2 March with the part that followed it in the files
    assert order_of_days(days).tolist() == [0, 3, 1, 2, 4]
    assert order_of_days(np.full(3, np.datetime64("NaT"), dtype="datetime64[D]")).tolist() == [0, 1, 2]


def test_a_missing_day_is_said(tmp_path: Path) -> None:
    spec = kit()
    one = make_series(spec, read(tmp_path, spec, [r.replace("2026-03-02", "") for r in rows(True)]))[0]
    assert [p.code for p in one.problems] == ["no-date"]
    with pytest.raises(DataError, match="day"):
        one.subgroups("day")


def test_position_without_a_size_has_no_bonus(tmp_path: Path) -> None:
    spec = kit()
    typed = [r.replace("10.02,10.03", ",") for r in rows(True)]
    one = make_series(spec, read(tmp_path, spec, typed), "position")[0]
    assert one.bonus is not None
    assert one.bonus == pytest.approx([0.0, 0.01, 0.05], abs=1e-9)
    assert "no-bonus" in [p.code for p in one.problems]


def test_holes_with_different_limits_make_no_series(tmp_path: Path) -> None:
    text = KIT.replace("OWN", "true").replace('bushing = "B2"', 'bushing = "B2"\nsize = { lower = 10.0, upper = 10.2 }')
    spec = parse_specification(text)
    (one,) = make_series(spec, read(tmp_path, spec, rows(True)), by=("fixture",))
    assert (one.lower, one.upper) == (None, None)
    assert "limits-differ" in [p.code for p in one.problems]


@pytest.mark.parametrize(
    ("of", "by"),
    [
        ("weight", ("hole",)),
        ("size", ("shift",)),
        ("size", ()),
        ("taper", ("hole",)),
        ("hole-to-hole", ("hole",)),
        ("edge-distance", ("hole",)),
    ],
)
def test_what_cannot_be_had_is_refused(tmp_path: Path, of: str, by: tuple[str, ...]) -> None:
    spec = kit()
    with pytest.raises(DataError):
        make_series(spec, read(tmp_path, spec, rows(True)), of, by)


def test_walls_of_a_hole() -> None:
    root = Path(__file__).resolve().parents[2]
    from holeqc.specification.load import load_specification

    spec = load_specification(root / "tolerances" / "bl7.toml")
    readings = read_files([root / "sample_measurements" / "bl7_P-0107.xlsx"], spec)
    table = readings.table
    each = {s.group: s for s in make_series(spec, readings, "position", ("hole", "wall"))}
    worst = make_series(spec, readings, "position")[0]
    assert worst.second is not None
    reach = {}
    for wall in ("near", "far"):
        mine = table[(table["hole"] == "1") & (table["wall"] == wall)]
        x, y = (float(mine.loc[mine["characteristic"] == c, "value"].iloc[0]) for c in ("x", "y"))
        one = each[f"hole 1, wall {wall}"]
        assert one.second is not None
        assert (one.values[0], one.second[0]) == pytest.approx((x - 1.5, y - 1.25))
        reach[wall] = float(np.hypot(x - 1.5, y - 1.25))
    assert np.hypot(worst.values[0], worst.second[0]) == pytest.approx(max(reach.values()))
    for of in QUANTITIES:
        if of not in {what.series for what in MEASURED}:  # the kit asks none: tests/inspection/test_measured.py
            assert len(make_series(spec, readings, of)) == 8
    with pytest.raises(DataError, match="whole hole"):
        make_series(spec, readings, "taper", ("hole", "wall"))


def reject_rows() -> list[str]:
    """Ninety parts in three months; hole 2 of every tenth part and of all of the last five is over the upper limit."""
    out = []
    for n in range(90):
        day = f"2026-0{1 + n // 30}-{1 + n % 30 // 2:02d}"
        # no two plates alike: the reader doubts copies
        small, off = 10.02 + 0.001 * (n * 7 % 50), 0.001 * (n * 13 % 90 + 1)
        big = small + 0.1 if n % 10 == 0 or n >= 85 else small
        out += [
            f"{day},S{n},left,{hole},{d:.3f},{d + 0.002:.3f},{x + off:.3f},{30 - off:.3f},"
            for hole, d, x in ((1, small, 20), (2, big, 60))
        ]
    return out


def test_rejects_by_month_hole_and_parts_in_a_row(tmp_path: Path) -> None:
    spec = kit()
    inspection = inspect(spec, read(tmp_path, spec, reject_rows()))
    (week,) = count_rejects(inspection, period="week")
    assert week.labels[0] == "week of 2025-12-29"  # 1 January 2026 is a Thursday
    assert week.sizes.tolist()[:3] == [8, 14, 8]  # two a day on 1-4, 5-11 and 12-15 January
    (month,) = count_rejects(inspection)  # 14 parts a week are too few
    assert month.period == "month"
    assert month.labels.tolist() == ["2026-01", "2026-02", "2026-03"]
    assert month.sizes.tolist() == [30, 30, 30]
    assert month.counts.tolist() == [3, 3, 3 + 5]
    one, two = count_rejects(inspection, ("hole",), "30")
    assert one.counts.tolist() == [0, 0, 0]
    assert two.counts.tolist() == [3, 3, 8]
    assert two.labels.tolist() == ["from S0", "from S30", "from S60"]
    assert two.counted == "holes"
    assert [r.group for r in count_rejects(inspection, ("bushing",), "month")] == ["bushing B1", "bushing B2"]
    assert [r.group for r in count_rejects(inspection, ("part",), "month")] == ["part left"]
    for by, period in ((("wall",), ""), (("fixture",), "year"), (("hole", "part"), "")):
        with pytest.raises(DataError):
            count_rejects(inspection, by, period)


def test_rejects_without_days_need_parts_in_a_row(tmp_path: Path) -> None:
    spec = kit()
    typed = [row.replace("2026-01-01", "") for row in reject_rows()]
    inspection = inspect(spec, read(tmp_path, spec, typed))
    with pytest.raises(DataError, match="parts in a row"):
        count_rejects(inspection)
    (whole,) = count_rejects(inspection, period="45")
    assert whole.sizes.tolist() == [45, 45]
