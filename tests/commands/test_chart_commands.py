"""`holeqc capability` and `holeqc chart`: keys for machines, tables for people, pictures, exit codes.

The data are our own; the figures behind the commands are checked in tests/statistics.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from holeqc.__main__ import run
from holeqc.problems import DataError
from holeqc.statistics.charts import ChartOptions

STATISTICS = Path(__file__).resolve().parents[1] / "data" / "statistics"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    rng = np.random.default_rng(3)
    path = tmp_path / "log.csv"
    lines = ["part,size,dx,dy,bonus,faults,inspected"]
    for part in range(1, 21):
        for _ in range(4):
            v = rng.normal(0.4585, 0.0007)
            lines.append(
                f"P{part},{v:.4f},{rng.normal(0, 0.001):.4f},{rng.normal(0.0005, 0.001):.4f},"
                f"{max(v - 0.455, 0):.4f},{rng.poisson(3)},50"
            )
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def machine(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert run([*arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def text(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert run(arguments) == 0
    out = capsys.readouterr().out
    assert max(len(line) for line in out.splitlines()) <= 80
    assert out.isascii()
    return out


SIZE = ["--column", "size", "--lower", "0.455", "--upper", "0.462"]


def test_capability_keys(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    got = machine(["capability", str(log), *SIZE, "--target", "0.4585", "--subgroup", "part", "--normal"], capsys)
    assert {
        "n",
        "mean",
        "sd_overall",
        "sd_within",
        "Cp",
        "Cpk",
        "Pp",
        "Ppk",
        "Cpm",
        "intervals",
        "normality",
        "outside",
    } <= set(got)
    assert got["n"] == 80
    assert got["within"]["method"] == "pooled"
    assert got["intervals"]["Cp"][0] < got["Cp"] < got["intervals"]["Cp"][1]
    assert got["outside"]["observed"] == 0


def test_capability_for_people(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plain = text(["capability", str(log), *SIZE], capsys)
    assert "if normal" not in plain.partition("outside if normal")[0]  # 80 readings can't prove it
    assert "99.73 % of parts" not in plain
    assert "give --normal" in " ".join(plain.split())
    assert "95 %, any shape" in plain
    out = text(["capability", str(log), *SIZE, "--unit", "in", "--normal"], capsys)
    for word in ("Capability of size [in]", "Cpk", "Ppk", "95 % if normal", "Stability: stable", "A2"):
        assert word in out
    one_sided = text(["capability", str(log), "--column", "size", "--upper", "0.462", "--normal"], capsys)
    assert "below 0.4" in one_sided
    bare = text(["capability", str(log), "--column", "size", "--normal"], capsys)
    assert "there is no index" in bare
    assert "A2" in bare
    assert "0.45" in bare.partition("99.73 % of parts")[2].splitlines()[0]


def test_instability_stands_beside_every_index(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    x = np.random.default_rng(1).normal(0.4585, 0.0004, 60) + np.where(np.arange(60) > 40, 0.002, 0)
    path = tmp_path / "shift.csv"
    path.write_text("size\n" + "\n".join(f"{v:.4f}" for v in x), encoding="utf-8")
    out = text(["capability", str(path), *SIZE], capsys)
    rows = [line for line in out.splitlines() if line.split(" ")[0] in ("Cp", "Cpk", "Pp", "Ppk", "Cpm")]
    assert len(rows) == 5
    assert all("not stable" in row for row in rows)
    assert "NOT STABLE" in out


def test_capability_of_what_can_not_be_negative(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = text(["capability", str(log), "--column", "bonus", "--upper", "0.007", "--from-zero"], capsys)
    assert "percentiles" in out
    assert "no index of a normal" in out
    assert "if normal" not in out


def test_capability_of_position(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["capability", str(log), "--column", "dx", "--second", "dy", "--tolerance", "0.011", "--bonus", "bonus"]
    got = machine(command, capsys)
    assert got["n"] == 80
    assert 0.99 < got["share_inside"] <= 1
    assert "largest ellipse" in text(command, capsys)


@pytest.mark.parametrize(
    ("more", "kind"),
    [
        (["--subgroup", "part"], "average-range"),
        ([], "individuals"),
        (["--kind", "ewma", "--steady"], "ewma"),
        (["--kind", "cusum", "--centre", "0.4585", "--sigma", "0.0007"], "cusum"),
        (["--subgroup", "part", "--kind", "average-sd"], "average-sd"),
    ],
)
def test_chart_keys(log: Path, capsys: pytest.CaptureFixture[str], more: list[str], kind: str) -> None:
    command = ["chart", str(log), "--column", "size", *more]
    got = machine(command, capsys)
    assert {"centre", "lower_limit", "upper_limit", "sigma", "points", "signals", "run_length"} <= set(got)
    assert got["kind"] == kind
    assert got["lower_limit"] < got["upper_limit"]
    assert len(got["points"]) == (20 if "part" in more else 80)
    assert kind in text(command, capsys)


def test_charts_of_counts_and_positions(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    share = machine(["chart", str(log), "--column", "faults", "--kind", "p", "--size", "inspected"], capsys)
    same = machine(["chart", str(log), "--column", "faults", "--kind", "p", "--size", "50"], capsys)
    assert share["centre"] == same["centre"]
    count = machine(["chart", str(log), "--column", "faults", "--kind", "c"], capsys)
    assert count["centre"] == pytest.approx(50 * share["centre"])
    place = machine(["chart", str(log), "--column", "dx", "--second", "dy"], capsys)
    assert place["kind"] == "position"
    assert len(place["mean_position"]) == 2


def test_a_signal_is_named_with_points_and_meaning(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "run.csv"
    x = [0, 1, -1, 0.5, -0.5, 1, -1, 0.8, -0.8, 0.3] + [0.4 + 0.01 * (i % 3) for i in range(10)]
    path.write_text("x,day\n" + "\n".join(f"{v},d{i}" for i, v in enumerate(x)), encoding="utf-8")
    command = ["chart", str(path), "--column", "x", "--subgroup", "day", "--centre", "0", "--sigma", "1"]
    got = machine([*command, "--tests", "same_side, beyond_limits"], capsys)
    assert got["tests"] == ["beyond_limits", "same_side"]
    assert [s["test"] for s in got["signals"]] == ["same_side"]
    assert got["signals"][0]["points"] == list(range(10, 21))
    assert got["signals"][0]["labels"][0] == "d9"
    out = text([*command, "--tests", "same_side"], capsys)
    assert "10 to 20" in out
    assert "the level has moved" in out


def test_a_cumulative_sum_says_where_it_crossed_and_since_when_it_ran_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "run.csv"
    path.write_text("x,serial\n" + "\n".join(f"{2.0 if i > 10 else 0.0},S-{i}" for i in range(1, 61)), encoding="utf-8")
    command = ["chart", str(path), "--column", "x", "--kind", "cusum", "--centre", "0", "--sigma", "1"]
    out = " ".join(text(command, capsys).split())
    assert "above 11 to 14 " in out  # 1.5 a point from point 11 on: beyond 5 at point 14
    assert "crossed the decision value at point 14; it had run up since point 11" in out
    assert "11 to 60" not in out
    named = " ".join(text([*command, "--subgroup", "serial"], capsys).split())
    assert "at point 14 (S-14); it had run up since point 11 (S-11)" in named
    (signal,) = machine(command, capsys)["signals"]
    assert signal["points"] == [11, 12, 13, 14]
    assert (signal["test"], signal["crossed_at"], signal["beyond_until"]) == ("sum_beyond_decision", 14, 60)


def test_limits_from_an_earlier_chart(log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = machine(["chart", str(log), "--column", "size"], capsys)
    held = tmp_path / "held.json"
    held.write_text(json.dumps(first), encoding="utf-8")
    later = tmp_path / "later.csv"
    later.write_text("size\n" + "\n".join("0.4620" for _ in range(5)), encoding="utf-8")
    got = machine(["chart", str(later), "--column", "size", "--limits", str(held)], capsys)
    assert got["upper_limit"] == first["upper_limit"]
    assert {s["test"] for s in got["signals"]} >= {"beyond_limits"}
    base = machine(["chart", str(log), "--column", "size", "--baseline", "40"], capsys)
    assert base["baseline_points"] == 40
    for bad in ("{}", "no json", '{"frozen": {"kind": "individuals"}}'):
        held.write_text(bad, encoding="utf-8")
        assert run(["chart", str(later), "--column", "size", "--limits", str(held)]) == 2
    capsys.readouterr()


@pytest.mark.parametrize(
    ("kind", "ending"),
    [
        ([], ".svg"),
        (["--subgroup", "part"], ".pdf"),
        (["--kind", "cusum"], ".png"),
        (["--kind", "ewma"], ".svg"),
    ],
)
def test_pictures_are_the_same_bytes_each_time(
    log: Path, tmp_path: Path, kind: list[str], ending: str, capsys: pytest.CaptureFixture[str]
) -> None:
    pictures = []
    for name in ("a", "b"):
        target = tmp_path / f"{name}{ending}"
        assert run(["chart", str(log), "--column", "size", *kind, "--plot", str(target)]) == 0
        pictures.append(target.read_bytes())
    assert pictures[0] == pictures[1]
    capsys.readouterr()


def test_a_picture_marks_signals_by_shape(tmp_path: Path) -> None:
    from holeqc.reports.chart_plots import MARKS, chart_figure
    from holeqc.statistics.charts import chart
    from holeqc.statistics.subgroups import ALL_TESTS

    assert set(ALL_TESTS) <= set(MARKS)
    assert len({MARKS[t] for t in ALL_TESTS}) == len(ALL_TESTS)
    x = np.concatenate([np.random.default_rng(1).normal(0, 1, 30), [6.0], np.full(10, 0.7)])
    figure = chart_figure(chart(x, options=ChartOptions(tests=ALL_TESTS)), "size", "in")
    # each test has a line of its own under the points, with its name beside it and its mark on it
    lines = [line for line in figure.axes[0].get_lines() if line.get_markerfacecolor() == "white"]
    assert len(lines) >= 2
    assert len({line.get_marker() for line in lines}) == len(lines)
    assert len({float(line.get_ydata()[0]) for line in lines}) == len(lines)
    labels = [t.get_text() for t in figure.axes[0].texts]
    assert any("upper limit" in t for t in labels)
    assert {"beyond limits", "same side"} <= set(labels)


def test_a_cumulative_sum_is_drawn_as_two_lines_with_their_own_signals() -> None:
    from holeqc.reports.chart_plots import chart_figure
    from holeqc.statistics.charts import chart

    rng = np.random.default_rng(3)
    x = np.concatenate([rng.normal(0, 1, 20), rng.normal(3, 1, 10), rng.normal(0, 1, 20), rng.normal(-3, 1, 10)])
    made = chart(x, "cusum", options=ChartOptions(centre=0.0, sigma=1.0))
    axes = chart_figure(made, "size", "in").axes[0]
    lines = {line.get_label(): line for line in axes.get_lines() if not str(line.get_label()).startswith("_")}
    np.testing.assert_allclose(lines["upper sum"].get_ydata(), made.more["upper_sum"])
    np.testing.assert_allclose(lines["lower sum"].get_ydata(), -made.more["lower_sum"])
    assert lines["upper sum"].get_linestyle() != lines["lower sum"].get_linestyle()
    legend = axes.get_legend()
    assert legend is not None
    assert {t.get_text() for t in legend.get_texts()} == {"upper sum", "lower sum", "left zero", "crossed"}
    crossed = {
        float(v) for line in axes.get_lines() if line.get_label() == "crossed" for v in np.asarray(line.get_xdata())
    }
    assert crossed == {float(s.at[0]) for s in made.signals}
    assert {s.side for s in made.signals} == {"above", "below"}


def test_probability_plot(log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "p.svg"
    assert run(["capability", str(log), *SIZE, "--plot", str(target)]) == 0
    assert b"<svg" in target.read_bytes()
    capsys.readouterr()


@pytest.mark.parametrize(
    "arguments",
    [
        ["capability", "{log}", "--column", "none", "--upper", "1"],
        ["capability", "{log}", "--upper", "1"],
        ["capability", "{log}", "--column", "part", "--upper", "1"],
        ["capability", "{log}", *SIZE, "--within", "guess"],
        ["capability", "{log}", "--column", "size", "--lower", "2", "--upper", "1"],
        ["capability", "{log}", "--column", "dx", "--second", "dy"],
        ["capability", "{log}", *SIZE, "--tolerance", "1"],
        ["capability", "missing.csv", *SIZE],
        ["chart", "{log}", "--column", "size", "--kind", "pie"],
        ["chart", "{log}", "--column", "size", "--tests", "first"],
        ["chart", "{log}", "--column", "faults", "--kind", "p"],
        ["chart", "{log}", "--column", "size", "--second", "dy", "--kind", "ewma"],
        ["chart", "{log}", "--column", "size", "--kind", "c"],
        ["chart", "{log}", "--column", "size", "--size", "50"],
        ["chart", "{log}", "--column", "size", "--kind", "position"],
        ["chart", "{log}", "--column", "size", "--plot", "picture.bmp"],
        ["chart", "{log}"],
    ],
)
def test_unusable_input_exits_with_2(log: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run([a.replace("{log}", str(log)) for a in arguments]) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    assert len(caught.err) > 10
    assert "Traceback" not in caught.err


def test_a_bad_cell_is_named_and_nothing_is_printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bad.csv"
    path.write_text("size\n0.458\n>0.462\n0.459\n", encoding="utf-8")
    assert run(["capability", str(path), *SIZE]) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    assert "row 3, column size" in caught.err
    assert "cut off" in caught.err


def test_blank_cells_are_told_on_standard_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "gaps.csv"
    path.write_text("size,n\n0.458,1\n,2\n0.459,3\n0.4585,4\n", encoding="utf-8")
    assert run(["capability", str(path), *SIZE, "--json"]) == 0
    caught = capsys.readouterr()
    got = json.loads(caught.out)
    assert got["n"] == 3
    assert "row 3, column size" in caught.err
    assert any(r["code"] == "missing-readings" for r in got["remarks"])


def test_one_reading_gets_an_answer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "one.csv"
    path.write_text("size\n0.458\n", encoding="utf-8")
    got = machine(["capability", str(path), *SIZE], capsys)
    assert got["n"] == 1
    assert got["Cpk"] is None
    assert "no index" in text(["capability", str(path), *SIZE], capsys)
    assert "none" in text(["chart", str(path), "--column", "size"], capsys)


def test_workbook_and_published_data(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["flow"])
    data = STATISTICS / "handbook_flow_rate.csv"
    for line in data.read_text(encoding="utf-8").splitlines()[2:]:
        sheet.append([float(line.split(",")[1])])
    path = tmp_path / "flow.xlsx"
    book.save(path)
    got = machine(["chart", str(path), "--column", "flow"], capsys)
    again = machine(["chart", str(data), "--column", "flowrate"], capsys)  # comment lines are passed over
    assert got["centre"] == again["centre"] == pytest.approx(50.81)  # NIST/SEMATECH e-Handbook 6.3.2.2


def table_of(path: Path, values: list[str], heading: str = "size") -> str:
    path.write_text("\n".join([heading, *values]) + "\n", encoding="utf-8")
    return str(path)


LIMITS = ["--column", "size", "--lower", "0.455", "--upper", "0.462"]


def test_a_likely_slip_is_named_before_the_results(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    values = [f"{v:.4f}" for v in np.random.default_rng(2).normal(0.4585, 0.0007, 30)]
    calm = table_of(tmp_path / "calm.csv", values)
    assert run(["capability", calm, *LIMITS]) == 0
    assert "slip" not in capsys.readouterr().err
    values[12] = "4.5850"
    path = table_of(tmp_path / "slip.csv", values)
    for command in (["capability", path, *LIMITS], ["chart", path, "--column", "size"]):
        assert run(command) == 0
        told = capsys.readouterr().err
        assert "row 14, column size" in told
        assert "likely a slip" in told
    assert machine(["capability", path, *LIMITS], capsys)["n"] == 30  # nothing is left out by itself


def test_every_bad_cell_is_told_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = table_of(tmp_path / "bad.csv", ["0.458", "nan", "text", "inf", "0.459"])
    assert run(["capability", path, *LIMITS]) == 2
    told = capsys.readouterr().err
    assert all(f"row {row}, column size" in told for row in (3, 4, 5))


def test_figures_of_an_unstable_series_are_marked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drift = 0.457 + 0.00005 * np.arange(60) + np.random.default_rng(1).normal(0, 0.00005, 60)
    out = text(
        ["capability", table_of(tmp_path / "t.csv", [f"{v:.6f}" for v in drift]), *LIMITS, "--normal", "--target=0.47"],
        capsys,
    )
    for begin in ("outside if normal, all scatter", "outside if normal, short run", "99.73 % of parts"):
        assert "not stable" in " ".join(out[out.index(begin) :].split())[:130]
    assert "e-" not in out[out.index("outside if normal") : out.index("outside, observed")]
    assert "target lies outside the limits" in " ".join(out.split())


def test_two_readings_say_nothing_of_the_gauge(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = text(["capability", table_of(tmp_path / "n2.csv", ["0.4585", "0.4590"]), *LIMITS], capsys)
    assert "finer step" not in out


def test_individuals_that_resemble_each_other_or_cannot_be_negative(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.default_rng(1)
    drift = table_of(tmp_path / "d.csv", [f"{v:.4f}" for v in 5 + 0.05 * np.arange(60) + rng.normal(0, 0.1, 60)])
    assert "resembles the one before" in " ".join(text(["chart", drift, "--column", "size"], capsys).split())
    folded = table_of(tmp_path / "f.csv", [f"{abs(v):.4f}" for v in rng.normal(0, 1, 60)])
    out = " ".join(text(["chart", folded, "--column", "size"], capsys).split())
    assert "lower limit is below zero" in out
    assert "resembles" not in out


def test_words_with_limits_say_that_limits_are_unused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [f"P{p},A{a},{'accept' if p % 2 else 'reject'}" for p in range(6) for a in range(2) for _ in range(2)]
    path = table_of(tmp_path / "w.csv", rows, "part,appraiser,answer")
    columns = ["--part", "part", "--appraiser", "appraiser", "--value", "answer"]
    assert run(["gauge-study", path, *columns, "--lower", "0.4"]) == 0
    assert "--lower and --upper are not used" in capsys.readouterr().err


def test_what_begins_at_zero_is_drawn_with_its_own_curve() -> None:
    from holeqc.reports.chart_plots import capability_figure
    from holeqc.statistics.capability import Choices, capability
    from holeqc.statistics.indices import Limits

    x = np.random.default_rng(1).rayleigh(1, 80)
    result = capability(x, Limits(None, 5.0, None), choices=Choices(from_zero=True))
    assert result.percentile is not None
    histogram, straight, strip = capability_figure(result, x, "x").axes
    curve = histogram.lines[0]
    at = np.asarray(curve.get_xdata())
    np.testing.assert_allclose(curve.get_ydata(), result.percentile.choice.chosen.density(at))
    assert np.max(np.asarray(curve.get_ydata())[at < 0], initial=0.0) == 0
    # the probability plot is of the same distribution: readings against where it puts them
    np.testing.assert_allclose(straight.lines[0].get_ydata(), np.sort(x))
    middle = float(np.median(np.asarray(straight.lines[0].get_xdata())))
    assert middle == pytest.approx(float(result.percentile.choice.chosen.quantile(0.5)), rel=0.02)
    np.testing.assert_allclose(strip.lines[0].get_ydata(), x)
    with pytest.raises(DataError, match="two different readings"):
        capability_figure(result, np.full(9, 0.458), "x")


def test_the_farthest_of_many_readings_are_drawn() -> None:
    from holeqc.reports.chart_plots import MOST_POINTS, capability_figure
    from holeqc.statistics.capability import Choices, capability
    from holeqc.statistics.indices import Limits

    x = np.random.default_rng(2).normal(0, 1, 9001)
    x[[1234, 8999]] = -9.0, 9.0
    result = capability(x, Limits(-5, 5), choices=Choices(any_shape=False, percentile=False))
    _, straight, strip = capability_figure(result, x, "x").axes
    for lines in (straight.lines[0], strip.lines[0]):
        seen = np.asarray(lines.get_ydata())
        assert (seen.min(), seen.max()) == (-9.0, 9.0)
        assert seen.size < 2 * MOST_POINTS
    at = np.asarray(strip.lines[0].get_xdata())
    np.testing.assert_array_equal(strip.lines[0].get_ydata(), x[at - 1])


@pytest.mark.parametrize("of", [2, 4])
def test_subgroups_in_columns(of: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    x = np.round(np.random.default_rng(5).normal(0.4585, 0.0006, (12, of)), 4)
    wide, long = tmp_path / "wide.csv", tmp_path / "long.csv"
    rows = [f"{n};" + ";".join(f"{v:.4f}".replace(".", ",") for v in row) for n, row in enumerate(x)]
    columns = [f"x{n + 1}" for n in range(of)]
    wide.write_text(f"Bore log of bench 2\nday;{';'.join(columns)}\n" + "\n".join(rows) + "\n", encoding="utf-8")
    long.write_text("day,size\n" + "".join(f"{n},{v:.4f}\n" for n, row in enumerate(x) for v in row), encoding="utf-8")
    for name, more in (("capability", SIZE[2:]), ("chart", [])):
        across = machine([name, str(wide), "--column", f"x1..x{of}", "--subgroup", "day", *more], capsys)
        assert across == machine([name, str(long), "--column", "size", "--subgroup", "day", *more], capsys)
        named = [word for column in columns for word in ("--column", column)]
        by_row = machine([name, str(wide), *named, *more], capsys)
        assert by_row.get("centre") == across.get("centre")
        assert by_row.get("Cp") == across.get("Cp")
    assert machine(["chart", str(wide), "--column", f"x1..x{of}"], capsys)["points"][0]["label"] == "row 3"
    assert run(["chart", str(wide), "--column", f"x1..x{of}", "--kind", "c"]) == 2
    assert run(["capability", str(wide), "--column", "x1..x6"]) == 2
    gone = ", ".join(f"'x{n + 1}'" for n in range(of, 6))
    assert f"there are no columns {gone}" in capsys.readouterr().err
