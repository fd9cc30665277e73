"""Uncertainty budget: the end gauge of the GUM, a second route by simulation, and the lines for a kit file."""

from __future__ import annotations

import math
import tomllib

import numpy as np
import pytest
from gauge_data import columns, numbers
from scipy import stats

from holeqc.problems import DataError
from holeqc.statistics import gauge_study as gu
from holeqc.statistics.gauge_study import gauge_study


def end_gauge() -> gu.Budget:
    # JCGM 100:2008, H.1 [nm]; inputs as two open programs quote them: standard 25 (18 degrees of freedom), difference
    # 5.8 (24), 3.9 (5), 6.7 (8), coefficients differ within 1e-6 (50), temperatures within 0.05 degC (2)
    length = 50.000623e6
    return gu.combine(
        [
            gu.Line("standard", 25.0, freedom=18),
            gu.Line("repeats", 5.8, freedom=24),
            gu.Line("comparator, random", 3.9, freedom=5),
            gu.Line("comparator, systematic", 6.7, freedom=8),
            gu.Line("coefficients", 1e-6, math.sqrt(3), -0.1 * length, 50),
            gu.Line("temperatures", 0.05, math.sqrt(3), -11.5e-6 * length, 2),
        ]
    )


def test_published_end_gauge() -> None:
    got = end_gauge()
    # components as a public program prints them for this example: 25, 5.8, 3.9, 6.7, 2.88679, 16.599
    printed = [25, 5.8, 3.9, 6.7, 2.88679, 16.599]
    assert [line.uncertainty for line in got.lines] == pytest.approx(printed, abs=5.1e-4)
    assert round(got.combined) == 32  # H.1.5, and "50000838(32)" of the same program
    # from memory, unconfirmed: 16 effective degrees of freedom, U99 = 93 nm (H.1.6); 2.92 is t at 16
    assert math.floor(got.freedom) == 16
    assert stats.t.ppf(0.995, math.floor(got.freedom)) * round(got.combined) == pytest.approx(93, abs=0.5)
    assert sum(got.share(line) for line in got.lines) == pytest.approx(100.0)


def test_temperature_lines_are_those_of_the_end_gauge() -> None:
    lines = gu.temperature(50.000623e6, off_reference=0.1, apart=0.05, expansion=11.5e-6, expansion_difference=1e-6)[:2]
    assert [line.uncertainty for line in lines] == pytest.approx([16.599, 2.88679], abs=5.1e-4)


def test_budget_by_simulation() -> None:
    # second route: a million simulated readings with the causes as they are said to be distributed
    rng = np.random.default_rng(6)
    n = 1_000_000
    step, apart, length, alpha = 0.0001, 2.0, 0.46, 11.5e-6
    error = (
        rng.normal(0, 0.00008, n)
        + rng.uniform(-apart, apart, n) * length * alpha
        + rng.normal(0, 0.00005, n)
        + rng.uniform(-step / 2, step / 2, n)
    )
    lines = [
        gu.reproducibility(0.00008, 20),
        *gu.temperature(length, apart=apart, expansion=alpha),
        gu.master(0.0001),
        gu.resolution(step),
    ]
    got = gu.combine(lines)
    assert got.combined == pytest.approx(error.std(), rel=0.005)
    assert np.mean(np.abs(error) <= got.expanded) == pytest.approx(0.9545, abs=0.004)


def test_larger_of_repeatability_and_resolution_counts() -> None:
    # ISO 22514-7 takes the larger of the two
    fine = gu.combine([gu.repeatability(0.0003, 10), gu.resolution(0.0001)])
    assert fine.combined == pytest.approx(0.0003)
    assert [line.counted for line in fine.lines] == [True, False]
    assert any("resolution is not added" in note for note in fine.notes)
    coarse = gu.combine([gu.repeatability(0.0, 10), gu.resolution(0.001)])
    assert coarse.combined == pytest.approx(0.001 / math.sqrt(12))
    rough = gu.combine([gu.repeatability(0.0001, 10), gu.resolution(0.001)])
    assert [line.counted for line in rough.lines] == [False, True]


def test_few_degrees_of_freedom_are_told() -> None:
    got = gu.combine([gu.repeatability(0.0003, 4)])
    assert got.freedom == pytest.approx(4.0)
    assert got.coverage == pytest.approx(1 - 2 * stats.t.sf(2, 4))
    # JCGM 100:2008, table G.2: t for 95.45 % and 4 degrees of freedom is 2.87
    assert got.k_for_95 == pytest.approx(2.87, abs=0.005)
    assert "2.87" in got.notes[0]
    many = gu.combine([gu.master(0.0002)])
    assert math.isinf(many.freedom)
    assert many.as_dict()["degrees_of_freedom"] is None
    assert many.coverage == pytest.approx(0.9545, abs=5e-5)  # table G.1
    assert not many.notes


def test_averaging_helps_repeatability_only() -> None:
    assert gu.repeatability(0.0003, 10, readings=4).uncertainty == pytest.approx(0.00015)
    study = study_10()
    one, four = gu.from_study(study), gu.from_study(study, readings=4)
    assert four[0].uncertainty == pytest.approx(one[0].uncertainty / 2)
    assert four[1].uncertainty == one[1].uncertainty


def study_10():  # type: ignore[no-untyped-def]
    table = columns("gauge_crossed_10x3x3.csv")
    return gauge_study(table["part"], table["appraiser"], numbers(table["value"]))


def test_lines_of_a_study() -> None:
    # the published study: 0.199933 and 0.226838 (see test_gauge_study), 78 and 2 degrees of freedom
    repeat, between = gu.from_study(study_10())
    assert repeat.uncertainty == pytest.approx(0.199933, abs=5e-7)
    assert between.uncertainty == pytest.approx(0.226838, abs=5e-7)
    assert (repeat.freedom, between.freedom) == (78, 2)
    budget = gu.combine([repeat, between])
    assert budget.combined == pytest.approx(study_10().share("gauge").standard_deviation)
    alone = gauge_study([1, 1, 2, 2], None, [1.0, 1.1, 2.0, 2.1])
    assert len(gu.from_study(alone)) == 1


def test_tolerance_ratio() -> None:
    budget = gu.combine([gu.master(0.0002)])
    assert budget.expanded == pytest.approx(0.0002)
    assert budget.tolerance_ratio(0.007) == pytest.approx(17.5)  # 0.007 / (2 * 0.0002)


@pytest.mark.parametrize(
    ("value", "rounded"),
    [(0.000612, 0.00062), (0.00060, 0.0006), (1.0, 1.0), (0.30000000000000004, 0.3), (12.01, 13.0), (0.0, 0.0),
     (123.4, 130.0)],
)  # fmt: skip
def test_u_is_rounded_up(value: float, rounded: float) -> None:
    assert gu.round_up(value) == rounded


def test_kit_lines_read_back() -> None:
    budget = gu.combine([gu.repeatability(0.0003, 30), gu.resolution(0.0005), gu.master(0.0001)])
    text = "\n".join(gu.kit_gauge_lines('CAL "3"\n[x]', budget, kind="caliper", unit="in", step=0.0005))
    entry = tomllib.loads(text)["gauge"][0]
    assert entry["id"] == 'CAL "3"\n[x]'
    assert entry["kind"] == "caliper"
    assert entry["resolution"] == 0.0005
    assert entry["uncertainty"] >= budget.expanded
    assert entry["uncertainty"] == pytest.approx(0.00061)
    assert "# repeatability: 0.0003 in, 97 %" in text
    assert "resolution: 0.000144 in, not added" in text


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: gu.combine([]), "no line"),
        (lambda: gu.repeatability(-1.0, 3), "repeatability is -1"),
        (lambda: gu.repeatability(1.0, 3, readings=0), "at least 1"),
        (lambda: gu.resolution(float("nan")), "step is nan"),
        (lambda: gu.temperature(-1.0), "length is -1"),
        (lambda: gu.uncorrected_bias(math.inf), "bias is inf"),
        (lambda: gu.kit_gauge_lines(" ", gu.combine([gu.master(1.0)])), "identification"),
    ],
)
def test_budget_input(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(DataError, match=words):
        call()


def test_bias_that_is_not_corrected() -> None:
    assert gu.uncorrected_bias(-0.0006).uncertainty == pytest.approx(0.0006 / math.sqrt(3))


def test_nothing_blurs() -> None:
    got = gu.combine([gu.Line("none", 0.0)])
    assert got.combined == 0.0
    assert math.isinf(got.tolerance_ratio(0.007))
    assert got.share(got.lines[0]) == 0.0
