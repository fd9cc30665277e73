"""The command: keys for machines, text for people, exit codes, and the pictures."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from gauge_data import FOLDER, columns, numbers

from holeqc.__main__ import run
from holeqc.reports import gauge_plots
from holeqc.reports.scale_plots import save_figure
from holeqc.statistics.gauge_accuracy import Curve, ResponseFit, check_standard, fit_response, plug_curve
from holeqc.statistics.gauge_components import lay_out
from holeqc.statistics.gauge_study import gauge_study

STUDY = str(FOLDER / "gauge_crossed_10x3x3.csv")
COLUMNS = ["--part", "part", "--appraiser", "appraiser", "--value", "value"]


def machine(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict:
    assert run(["gauge-study", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def write(path: Path, rows: Sequence[Sequence[object]]) -> str:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows)
    return str(path)


def test_keys_and_published_values(capsys: pytest.CaptureFixture[str]) -> None:
    got = machine([STUDY, *COLUMNS, "--lower", "-4", "--upper", "4"], capsys)
    assert {"repeatability", "reproducibility", "interaction", "part", "total"} <= set(got["variance"])
    # published values of this study, see test_gauge_study
    assert got["variance"]["repeatability"] == pytest.approx(0.039973, abs=5e-7)
    assert got["variance"]["reproducibility"] == pytest.approx(0.051455, abs=5e-7)
    assert got["variance"]["interaction"] == 0.0
    assert got["variance"]["part"] == pytest.approx(1.086447, abs=5e-7)
    assert got["share_of_all_scatter"]["gauge"] == pytest.approx(27.9, abs=0.05)
    assert got["share_of_tolerance"]["gauge"] == pytest.approx(100 * 6 * 0.302372 / 8, rel=1e-5)
    assert got["parts_told_apart"] == 4
    assert {row["source"]: row["degrees_of_freedom"] for row in got["anova"]} == {
        "part": 9, "appraiser": 2, "interaction": 18, "repeatability": 60, "total": 89,
    }  # fmt: skip
    names = ("repeatability", "reproducibility", "interaction", "part")
    assert sum(got["variance"][n] for n in names) == pytest.approx(got["variance"]["total"])


def test_text_is_narrow_and_plain(capsys: pytest.CaptureFixture[str]) -> None:
    options = ["--lower", "-4", "--upper", "4", "--budget", "step=0.01", "--budget", "master=0.02", "--unit", "mm"]
    assert run(["gauge-study", STUDY, *COLUMNS, *options]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    for word in ("repeatability", "reproducibility", "among these parts: 4", "0.9741", "U = ", "[[gauge]]", "in mm"):
        assert word in text
    for letters in ("EV", "AV", "GRR", "R&R", "PV", "TV", "ndc"):
        assert letters not in text


def test_range_method(capsys: pytest.CaptureFixture[str]) -> None:
    got = machine([STUDY, *COLUMNS, "--method", "range"], capsys)
    assert got["method"] == "range"
    assert got["parts_told_apart"] == 5
    assert got["variance_intervals"]["gauge"] is None


def test_nested(capsys: pytest.CaptureFixture[str]) -> None:
    got = machine([STUDY, *COLUMNS, "--nested"], capsys)
    assert got["design"] == "nested"
    assert got["parts"] == 30


def test_master_column(capsys: pytest.CaptureFixture[str]) -> None:
    path = str(FOLDER / "gauge_linewidth_calibration.csv")
    got = machine([path, "--value", "measured_y", "--master", "reference_x"], capsys)
    assert got["linearity"]["slope"] + 1 == pytest.approx(0.9870, abs=5e-5)  # see test_gauge_accuracy
    assert len(got["bias"]) == 10
    assert "variance" not in got
    assert run(["gauge-study", path, "--value", "measured_y", "--master", "reference_x"]) == 0
    text = capsys.readouterr().out
    assert "bias = 0.2358 - 0.01296 * master" in text
    assert "the bias changes over the range" in text


def test_one_master(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows: list[list[object]] = [["ring", "read"]]
    rows += [[0.455, 0.455 + 0.0001 * k] for k in (1, 2, 3, 2)]
    got = machine([write(tmp_path / "ring.csv", rows), "--value", "read", "--master", "ring"], capsys)
    assert got["bias"][0]["bias"] == pytest.approx(0.0002)


def test_over_time(capsys: pytest.CaptureFixture[str]) -> None:
    path = str(FOLDER / "gauge_check_standard.csv")
    got = machine([path, "--value", "value", "--over-time"], capsys)
    assert got["stability"]["stable"] is True
    assert got["stability"]["centre"] == pytest.approx(97.06984)


def words_file(path: Path) -> str:
    rows: list[list[object]] = [["piece", "who", "said", "truth"]]
    for piece in range(12):
        truth = "accept" if piece < 8 else "reject"
        for who in ("day", "night"):
            for trial in range(2):
                said = "reject" if (piece, who, trial) == (0, "day", 1) else truth
                rows.append([f"T{piece}", who, said, truth])
    return write(path, rows)


def test_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = words_file(tmp_path / "words.csv")
    got = machine([path, "--part", "piece", "--appraiser", "who", "--value", "said", "--reference", "truth"], capsys)
    day = got["answers"]["appraisers"][0]
    assert day["with_self"]["count"] == 11
    assert got["answers"]["all_right"] == got["answers"]["all_agree"]
    assert run(["gauge-study", path, "--part", "piece", "--appraiser", "who", "--value", "said"]) == 0
    text = capsys.readouterr().out
    assert "all said the same on 11 of 12" in text
    assert "the right thing" not in text


def test_plug_near_the_limit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(2)
    truth = plug_curve(0.4550, 0.0002)
    rows: list[list[object]] = [["hole", "answer"]]
    for size in np.round(np.linspace(0.4545, 0.4555, 11), 4):
        rows += [[size, "Enters" if rng.random() < truth.enters(size) else "stops"] for _ in range(20)]
    path = write(tmp_path / "plug.csv", [r if r[1] != "Enters" else [r[0], "enters"] for r in rows])
    got = machine([path, "--value", "answer", "--size", "hole", "--lower", "0.455"], capsys)
    assert got["response"]["curve"]["centre"] == pytest.approx(0.4550, abs=5e-5)
    assert got["response"]["curve"]["width"] == pytest.approx(0.0002, rel=0.3)
    assert max(got["wrong_answers"]["bad_accepted"]) < 0.6
    assert run(["gauge-study", path, "--value", "answer", "--size", "hole", "--upper", "0.455"]) == 0
    assert "NO-GO" in capsys.readouterr().out


def test_budget_feeds_the_kit(capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["gauge=CAL-3", "kind=caliper", "step=0.01", "off=5", "apart=2", "length=10", "difference=11", "bias=0.01"]
    got = machine([STUDY, *COLUMNS, *[word for item in asked for word in ("--budget", item)]], capsys)
    assert got["kit_lines"][:3] == ["[[gauge]]", 'id = "CAL-3"', 'kind = "caliper"']
    names = [line["name"] for line in got["budget"]["lines"]]
    assert names[:3] == ["repeatability", "reproducibility", "resolution"]
    assert "bias, not corrected" in names
    assert sum(1 for name in names if "temperature" in name) == 2
    asked = ["readings=4", "step=0.01", "master=0.02", "length=50.000623", "off=0.1", "apart=0.05", "expansion=11.5",
             "difference=1", "bias=0.01"]  # fmt: skip
    got = machine([STUDY, *COLUMNS, *[word for item in asked for word in ("--budget", item)]], capsys)
    found = {line["name"]: line["uncertainty"] for line in got["budget"]["lines"]}
    # repeatability of the published study by root 4; JCGM 100:2008, F.2.2.1 and 4.3.3; temperatures of its H.1 [mm]
    wanted = {"repeatability": 0.039973**0.5 / 2, "resolution": 0.01 / 12**0.5, "master": 0.01,
              "temperature, part against gauge": 16.599e-6, "temperature, off 20 °C": 2.88679e-6,
              "bias, not corrected": 0.01 / 3**0.5}  # fmt: skip
    assert {name: found[name] for name in wanted} == pytest.approx(wanted, rel=1e-4)
    alone = machine([STUDY, *COLUMNS, "--budget", "study"], capsys)
    # U = 2 * 0.302372 from the published study
    assert alone["budget"]["expanded"] == pytest.approx(2 * 0.302372, abs=2e-6)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--part", "prt", "--value", "value"], "no column 'prt'"),
        ([*COLUMNS, "--lower", "4", "--upper", "-4"], "upside down"),
        ([*COLUMNS, "--method", "guess"], "anova, range"),
        ([*COLUMNS, "--budget", "stp=1"], "stp=1"),
        ([*COLUMNS, "--budget", "step=thin"], "not a number"),
        ([*COLUMNS, "--budget", "readings=1.5"], "whole number"),
        ([*COLUMNS, "--over-time"], "leave out"),
        (["--value", "appraiser"], "needs --part"),
        (["--value", "appraiser", "--size", "value"], "--lower for a GO"),
        (["--value", "appraiser", "--size", "value", "--lower", "0"], "no answer is 'enters'"),
        (["--value", "value", "--master", "trial", "--budget", "study"], "needs the repeatability"),
        ([*COLUMNS, "--plot", "picture.gif"], "ends in"),
        (["--part", "part"], "Missing option"),
    ],
)
def test_unusable_input_is_2(arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["gauge-study", STUDY, *arguments]) == 2
    out, err = capsys.readouterr()
    assert words in err
    assert out == ""


def test_cells_that_are_no_numbers_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [["part", "value"], ["1", "0.455"], ["1", "o.456"], ["2", "0.457"], ["2", ""]]
    assert run(["gauge-study", write(tmp_path / "slip.csv", rows), "--part", "part", "--value", "value"]) == 2
    assert "row 3" in capsys.readouterr().err
    rows[2][1] = "0.456"
    rows.append(["3", "0.458"])
    assert run(["gauge-study", write(tmp_path / "hole.csv", rows), "--part", "part", "--value", "value"]) == 0
    out, err = capsys.readouterr()
    assert "blank" in err
    assert "1 readings have no value" in out


def test_label_can_not_command_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [["part", "who", "said"]]
    rows += [[p, who, "go"] for p in ("1", "2") for who in ("\x1b[31mred", "b")]
    path = write(tmp_path / "x.csv", rows)
    assert run(["gauge-study", path, "--part", "part", "--appraiser", "who", "--value", "said"]) == 0
    assert "\x1b" not in capsys.readouterr().out


def test_help_is_light() -> None:
    code = (
        "import sys\n"
        "from holeqc.__main__ import run\n"
        "assert run(['gauge-study', '--help']) == 0\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'openpyxl'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "Example: holeqc gauge-study" in done.stdout


# --- pictures ---


@pytest.mark.parametrize("ending", ["svg", "pdf"])
def test_picture_is_the_same_each_time(ending: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    paths = [tmp_path / f"{k}.{ending}" for k in (1, 2)]
    for path in paths:
        assert run(["gauge-study", STUDY, *COLUMNS, "--lower", "-4", "--upper", "4", "--plot", str(path)]) == 0
    assert paths[0].read_bytes() == paths[1].read_bytes()
    capsys.readouterr()


def test_picture_of_a_study_shows_every_reading() -> None:
    table = columns("gauge_crossed_10x3x3.csv")
    value = numbers(table["value"])
    layout = lay_out(table["part"], table["appraiser"], value)
    study = gauge_study(table["part"], table["appraiser"], value)
    upper, lower = gauge_plots.study_figure(study, layout).axes[:2]
    drawn = [line for line in upper.lines if line.get_linestyle() == "None"]
    assert sorted(np.concatenate([line.get_ydata() for line in drawn])) == sorted(value)
    assert len({line.get_marker() for line in drawn}) == 3
    names = [text.get_text() for text in lower.get_yticklabels()]
    assert names == ["Repeatability", "Reproducibility", "Interaction", "Gauge in all", "Parts", "Total"]
    assert [t.get_text() for t in upper.get_xticklabels()] == ["10", "5", "2", "8", "6", "1", "4", "7", "3", "9"]


def test_other_pictures_can_be_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    calls = [
        [str(FOLDER / "gauge_linewidth_calibration.csv"), "--value", "measured_y", "--master", "reference_x"],
        [str(FOLDER / "gauge_check_standard.csv"), "--value", "value", "--over-time"],
        [words_file(tmp_path / "w.csv"), "--part", "piece", "--appraiser", "who", "--value", "said"],
        [STUDY, "--value", "value"],
    ]
    for k, call in enumerate(calls):
        assert run(["gauge-study", *call, "--plot", str(tmp_path / f"{k}.svg")]) == 0
        assert (tmp_path / f"{k}.svg").read_text(encoding="utf-8").startswith("<?xml")
    capsys.readouterr()


def test_outside_points_and_plug_curves_are_drawn(tmp_path: Path) -> None:
    jumped = 0.5 + 0.0001 * np.random.default_rng(3).normal(size=30)
    jumped[21] += 0.001
    axes = gauge_plots.stability_figure(check_standard(jumped)).axes[0]
    rings = [line for line in axes.lines if line.get_markersize() == 11.0]
    assert np.asarray(rings[0].get_xdata()).tolist() == [22]
    fit = fit_response([0.4546, 0.4548, 0.4550, 0.4552, 0.4554], [1, 3, 9, 16, 20], [20] * 5)
    curves: list[tuple[str, Curve | ResponseFit]] = [
        ("fitted", fit),
        ("predicted", plug_curve(0.455, 0.0002)),
        ("sharp", plug_curve(0.462, 0.0)),
    ]
    figure = gauge_plots.response_figure(curves, [("lower limit", 0.455)], "in")
    legend = figure.axes[0].get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == ["fitted", "predicted", "sharp"]
    save_figure(figure, tmp_path / "plug.svg")
