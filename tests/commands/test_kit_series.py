"""`holeqc capability` and `holeqc chart` on kits, on the demo's year of fixture history.

What must be found there is what the history was made with (tests/samples/build_samples.py): bushing B3 wears from plate
90 on, plates 150 to 153 were clamped out of seat, and the drill was reground at plates 61, 121 and 181.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from holeqc.__main__ import run

ROOT = Path(__file__).resolve().parents[2]
KIT = str(ROOT / "tolerances" / "bl7.toml")
HISTORY = ROOT / "sample_measurements" / "fixture_history" / "df-bl7_history.csv"
OUT_OF_SEAT = ["S-1150", "P-1151", "S-1152", "P-1153"]


@pytest.fixture(scope="module")
def early(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The first sixty plates: before the wear, with one drill."""
    path = tmp_path_factory.mktemp("early") / "early.csv"
    path.write_text("\n".join(HISTORY.read_text(encoding="utf-8").splitlines()[: 1 + 60 * 16]) + "\n", encoding="utf-8")
    return str(path)


def machine(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    assert run([*arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def text(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert run(arguments) == 0
    out = capsys.readouterr().out
    assert max(len(line) for line in out.splitlines()) <= 80
    return out


def cells(hole: str) -> list[list[float]]:
    with HISTORY.open(newline="", encoding="utf-8") as file:
        return [[float(r["dia 0"]), float(r["dia 90"])] for r in csv.DictReader(file) if r["hole"] == hole]


def test_size_of_every_hole(capsys: pytest.CaptureFixture[str]) -> None:
    groups = machine(["capability", KIT, str(HISTORY)], capsys)
    assert [g["group"] for g in groups] == [f"hole {n}" for n in range(1, 9)]
    for key in ("n", "mean", "sd_overall", "sd_within", "Cp", "Cpk", "Pp", "Ppk", "Cpm", "intervals", "normality",
                "outside", "keys", "unit", "gauges", "uncertainty", "resolution", "left_out", "pieces"):  # fmt: skip
        assert key in groups[0]
    by_hole = {g["keys"]["hole"]: g for g in groups}
    # straight from the cells of the file
    x = np.array(cells("3")).ravel()
    third = by_hole["3"]
    assert (third["n"], third["pieces"]) == (960, 240)
    assert third["mean"] == pytest.approx(x.mean())
    assert third["sd_overall"] == pytest.approx(x.std(ddof=1))
    assert third["Pp"] == pytest.approx(0.007 / (6 * x.std(ddof=1)))
    assert third["Ppk"] == pytest.approx(min(x.mean() - 0.455, 0.462 - x.mean()) / (3 * x.std(ddof=1)))
    assert third["stability"]["stable"] is False
    assert set(third["cautions"]) >= {"Cp", "Cpk", "Pp", "Ppk"}
    assert by_hole["3"]["Ppk"] < min(g["Ppk"] for h, g in by_hole.items() if h != "3")
    assert by_hole["1"]["stability"]["stable"] is True


def test_the_screen_has_a_table_a_group_and_a_summary(early: str, capsys: pytest.CaptureFixture[str]) -> None:
    out = text(["capability", KIT, early, "--by", "bushing"], capsys)
    assert out.count("Capability of size, bushing B") == 8
    assert out.splitlines()[0] == "Kit BL-7 rev C, inch: 8 holes 0.455 to 0.462"
    assert out.splitlines()[1].startswith("60 parts, 2025-11-25 to ")
    assert "count as" in out
    assert "gauge BG-2: U = 0.0003" in out
    last = out[out.index("Summary") :].splitlines()
    assert len([line for line in last if line.startswith("bushing B")]) == 8
    only = text(["capability", KIT, early, "--only", "3"], capsys)
    assert only.count("Capability of size") == 1
    assert "Summary" not in only


def test_position_from_both_coordinates_with_bonus(capsys: pytest.CaptureFixture[str]) -> None:
    groups = machine(["capability", KIT, str(HISTORY), "--of", "position", "--only", "1", "--only", "hole 3"], capsys)
    assert [g["group"] for g in groups] == ["hole 1", "hole 3"]
    for group in groups:
        assert group["n"] == 240
        assert group["tolerance"] == 0.06
        assert group["stability"]["stable"] is False  # four plates out of seat
        assert any(r["code"] == "bonus" for r in group["remarks"])
        assert group["share_inside"] >= group["share_inside_without_bonus"] - 1e-12
    # the plates clamped out of seat lie 0.016 to the right of the others, and still inside the zone
    assert groups[0]["outside"]["observed_count"] == 0


def test_quantities_that_begin_at_zero(early: str, capsys: pytest.CaptureFixture[str]) -> None:
    for of in ("out-of-roundness", "taper"):
        (group,) = machine(["capability", KIT, early, "--of", of, "--only", "2"], capsys)
        assert group["Cpk"] is None
        assert group["percentile"]["Ppk"] > 1
        assert group["upper"] == 0.003
        assert group["stability"]["stable"] is True


@pytest.mark.parametrize(("by", "count"), [("wall", 2), ("fixture", 1), ("part", 2), ("gauge", 1), ("hole,wall", 16)])
def test_groups(early: str, by: str, count: int, capsys: pytest.CaptureFixture[str]) -> None:
    groups = machine(["chart", KIT, early, "--by", by, "--tests", "beyond_limits"], capsys)
    assert len(groups) == count
    keys = {"group", "centre", "lower_limit", "upper_limit", "sigma", "points", "signals"}
    assert all(keys <= set(g) for g in groups)


def test_chart_of_size_is_of_means_with_the_range_inside(capsys: pytest.CaptureFixture[str]) -> None:
    (group,) = machine(["chart", KIT, str(HISTORY), "--only", "3"], capsys)
    rows = np.array(cells("3")).reshape(240, 4)
    assert group["kind"] == "individuals"
    assert [p["value"] for p in group["points"]] == pytest.approx(rows.mean(axis=1).tolist())
    assert group["points"][0]["label"] == "P-1001"
    assert group["spread"]["title"] == "range"
    ranges = np.ptp(rows, axis=1)
    assert [p["value"] for p in group["spread"]["points"]] == pytest.approx(ranges.tolist(), abs=1e-12)
    assert group["spread"]["centre"] == pytest.approx(ranges.mean())
    # three-sigma limits of single points, constant 2.66 as printed in every table of individuals charts (3 / 1.128)
    steps = np.abs(np.diff(rows.mean(axis=1))).mean()
    assert group["upper_limit"] == pytest.approx(rows.mean() + 2.66 * steps, abs=2e-3 * steps)
    beyond = [s for s in group["signals"] if s["test"] == "beyond_limits" and s["side"] == "above"]
    high = {label for s in beyond for label in s["labels"]}
    assert high
    assert all(int(label.split("-")[1]) > 1150 for label in high)
    out = text(["chart", KIT, str(HISTORY), "--only", "3"], capsys)
    assert "the mean of a hole's readings in one part (as a rule 4)" in " ".join(out.split()).replace("- ", "")
    assert "first at" in out


def test_plates_out_of_seat_signal_on_every_hole(capsys: pytest.CaptureFixture[str]) -> None:
    groups = machine(["chart", KIT, str(HISTORY), "--of", "position", "--baseline", "80"], capsys)
    assert len(groups) == 8
    late = {}
    for group in groups:
        labels = [label for s in group["signals"] for label in s["labels"]]
        assert set(OUT_OF_SEAT) <= set(labels)
        assert group["kind"] == "position"
        late[group["group"]] = sum(int(label.split("-")[1]) > 180 for label in labels)
    # limits held from before the wear: the worn bushing's hole signals late in the year more than any other
    assert late["hole 3"] > 10
    assert late["hole 3"] > 2 * max(n for g, n in late.items() if g != "hole 3")


def test_limits_of_an_earlier_run_are_held(early: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = machine(["chart", KIT, early, "--of", "position"], capsys)
    held = tmp_path / "held.json"
    held.write_text(json.dumps(first), encoding="utf-8")
    later = machine(["chart", KIT, str(HISTORY), "--of", "position", "--only", "5", "--limits", str(held)], capsys)
    mine = next(g for g in first if g["group"] == "hole 5")
    assert later[0]["frozen"] == mine["frozen"]
    assert run(["chart", KIT, str(HISTORY), "--by", "part", "--of", "position", "--limits", str(held)]) == 2
    assert "none of" in capsys.readouterr().err


@pytest.mark.parametrize(("more", "kind", "points"), [
    (["--kind", "average-range"], "average-range", 60), (["--kind", "ewma"], "ewma", 60),
    (["--kind", "cusum"], "cusum", 60),
    (["--subgroup", "5"], "average-sd", 12), (["--subgroup", "day", "--of", "taper"], "individuals", 60),
    (["--of", "hole-to-hole"], "individuals", 60), (["--of", "position", "--subgroup", "6"], "position", 10),
])
def test_kinds_and_subgroups(
    early: str, more: list[str], kind: str, points: int, capsys: pytest.CaptureFixture[str]
) -> None:
    (group,) = machine(["chart", KIT, early, "--only", "4", *more], capsys)
    assert (group["kind"], len(group["points"])) == (kind, points)
    text(["chart", KIT, early, "--only", "4", *more], capsys)


def test_subgroups_by_part_leave_out_what_differs_from_part_to_part(
    early: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (group,) = machine(["capability", KIT, early, "--only", "4", "--subgroup", "part"], capsys)
    assert group["within"]["method"] == "pooled"
    assert "alike-readings" in [r["code"] for r in group["remarks"]]
    (better,) = machine(["capability", KIT, early, "--only", "4"], capsys)
    assert better["sd_within"] > group["sd_within"]


def test_rejects_over_the_months(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "sizes.csv"
    rows = ["date,serial,part,hole,wall,dia 0,dia 90,x,y,go,no-go,surface"]
    place = {str(n): (1.5 + 3.0 * ((n - 1) % 4), 1.25 + 4.5 * ((n - 1) // 4)) for n in range(1, 9)}
    for n in range(30):
        for hole, (x, y) in place.items():
            big = 0.4630 if n in (3, 13, 23, 25, 27, 29) and hole == "2" else 0.4580
            rows += [f"2026-0{1 + n // 10}-05,P{n},port,{hole},{w},{big},{big},{x},{y},enters,"
                     f"{'enters' if big > 0.46 else 'does not enter'},clean" for w in ("near", "far")]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    (group,) = machine(["chart", KIT, str(path), "--of", "rejects"], capsys)
    assert group["kind"] == "p"
    assert group["centre"] == pytest.approx(6 / 30)
    assert [p["value"] for p in group["points"]] == pytest.approx([0.1, 0.1, 0.4])
    assert [p["label"] for p in group["points"]] == ["2026-01", "2026-02", "2026-03"]
    holes = machine(["chart", KIT, str(path), "--of", "rejects", "--by", "hole"], capsys)
    assert [g["centre"] for g in holes[:3]] == pytest.approx([0, 0.2, 0])
    assert "share of rejected parts" in text(["chart", KIT, str(path), "--of", "rejects"], capsys)
    assert run(["capability", KIT, str(path), "--of", "rejects"]) == 2
    assert "chart --of rejects" in capsys.readouterr().err


def test_a_picture_a_group(early: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one = tmp_path / "one.svg"
    assert run(["chart", KIT, early, "--only", "3", "--plot", str(one)]) == 0
    assert b"<svg" in one.read_bytes()
    many = tmp_path / "p.png"
    assert run(["capability", KIT, early, "--of", "position", "--only", "1", "--only", "2", "--plot", str(many)]) == 0
    assert sorted(p.name for p in tmp_path.glob("p*.png")) == ["p-hole-1.png", "p-hole-2.png"]
    table = tmp_path / "table.svg"
    data = tmp_path / "d.csv"
    data.write_text("dx,dy\n" + "\n".join(f"{0.001 * (i % 5)},{0.001 * (i % 3)}" for i in range(20)), encoding="utf-8")
    assert run(["capability", str(data), "--column", "dx", "--second", "dy", "--tolerance", "0.02",
                "--plot", str(table)]) == 0  # fmt: skip
    assert table.is_file()
    capsys.readouterr()


def test_a_doubtful_cell_is_named_left_out_and_counted(
    early: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = Path(early).read_text(encoding="utf-8").splitlines()
    lines[1] = lines[1].replace("0.4583", "4.583")
    path = tmp_path / "slip.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert run(["capability", KIT, str(path), "--only", "1", "--json"]) == 0
    caught = capsys.readouterr()
    (group,) = json.loads(caught.out)
    assert (group["n"], group["left_out"]) == (239, 1)
    assert "4.583" in caught.err
    assert any(r["code"] == "left-out" and "1 doubtful reading" in r["text"] for r in group["remarks"])


def test_one_part_gets_an_answer(capsys: pytest.CaptureFixture[str]) -> None:
    sheet = str(ROOT / "sample_measurements" / "bl7_P-0107.xlsx")
    groups = machine(["capability", KIT, sheet], capsys)
    assert len(groups) == 8
    assert all(g["stability"]["stable"] is None for g in groups)
    machine(["chart", KIT, sheet], capsys)
    (position, *_) = machine(["capability", KIT, sheet, "--of", "position"], capsys)
    assert position["Ppk"] is None


@pytest.mark.parametrize("arguments", [
    ["capability", KIT, "{early}", "--column", "size"], ["capability", KIT, "{early}", "--lower", "0.4"],
    ["capability", KIT], ["capability", KIT, "missing.csv"], ["capability", KIT, "{early}", "--of", "colour"],
    ["capability", KIT, "{early}", "--by", "shift"], ["capability", KIT, "{early}", "--only", "hole 99"],
    ["capability", KIT, "{early}", "--of", "position", "--target", "0"], ["capability", "{early}"],
    ["capability", "{early}", "{early}", "--column", "x"], ["capability", "{early}", "--column", "x", "--of", "size"],
    ["chart", KIT, "{early}", "--kind", "p"], ["chart", KIT, "{early}", "--of", "position", "--kind", "ewma"],
    ["chart", KIT, "{early}", "--second", "y"], ["chart", KIT, "{early}", "--of", "rejects", "--by", "wall"],
    ["chart", KIT, "{early}", "--of", "rejects", "--kind", "c"], ["chart", KIT, "{early}", "--subgroup", "shift"],
    ["chart", KIT, "{early}", "--of", "taper", "--by", "wall"], ["chart", "{early}", "--column", "x", "--by", "hole"],
])
def test_unusable_input_exits_with_2(early: str, arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run([a.replace("{early}", early) for a in arguments]) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    assert len(caught.err) > 10
    assert "Traceback" not in caught.err


def test_a_bushing_asked_for_without_by_is_told(early: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["chart", KIT, early, "--of", "position", "--only", "B3"]) == 2
    assert "add --by bushing" in capsys.readouterr().err


def test_names_of_parts_stand_under_a_long_chart() -> None:
    from holeqc.reports.chart_plots import chart_figure
    from holeqc.statistics.charts import chart

    made = chart(np.random.default_rng(1).normal(size=90), "individuals", labels=[f"S-{n}" for n in range(90)])
    shown = [t.get_text() for t in chart_figure(made, "size").axes[0].get_xticklabels()]
    assert shown[0] == "S-0"
    assert 8 <= len(shown) <= 16


def test_readings_of_another_kit_are_one_line_a_cause(capsys: pytest.CaptureFixture[str]) -> None:
    """The history's 3 840 rows name holes that the other kit hasn't got."""
    assert run(["capability", str(ROOT / "tolerances" / "cp12.toml"), str(HISTORY)]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) < 8
    holes = [line for line in lines if "no such hole" in line]
    assert len(holes) == 1
    assert "D2 to D3841 (3840 cells)" in holes[0]
    assert "hole '1', hole '2'" in holes[0]
