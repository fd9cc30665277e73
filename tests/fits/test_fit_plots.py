"""Drawings of zones: to scale, told apart without colour."""

from __future__ import annotations

import pytest
from matplotlib.patches import Rectangle

from holeqc.fits import classes
from holeqc.fits.drills import choose_drill, plugs
from holeqc.reports.scale_plots import LOOKS, Bar, class_figure, drill_figure, pair_figure, plug_figure, zone_figure


def boxes(figure) -> list[tuple[float, float]]:  # type: ignore[no-untyped-def]
    (axes,) = figure.axes
    found = [patch for patch in axes.patches if isinstance(patch, Rectangle)]
    return [(round(p.get_y(), 6), round(p.get_height(), 6)) for p in found]


def test_zones_are_drawn_to_scale_against_the_nominal_line() -> None:
    # RC7 at 7/16 as printed: hole 0 / +1.6, shaft -3.0 / -2.0 thousandths; the axis counts thousandths
    figure = class_figure(classes.limits("RC7", 0.4375), "free running")
    assert boxes(figure) == [(0.0, 1.6), (-3.0, 1.0)]
    axes = figure.axes[0]
    assert "0.001 in" in axes.get_ylabel()
    assert [label.get_text() for label in axes.get_xticklabels()] == ["hole", "shaft"]
    texts = [text.get_text() for text in axes.texts]
    assert {"0.4391", "0.4375", "0.4355", "0.4345"} <= set(texts)
    assert any("nominal 0.4375 in" in text for text in texts)
    low, high = axes.get_ylim()
    assert low < -3.0
    assert high > 1.6


def test_metric_axis_counts_micrometres() -> None:
    figure = class_figure(classes.iso286_limits("H7/g6", 12.0), "sliding")
    assert boxes(figure) == [(0.0, 18.0), (-17.0, 11.0)]  # H7 +18, g6 -6/-17 over 10 to 18 mm, printed
    assert [label.get_text() for label in figure.axes[0].get_xticklabels()] == ["hole\nH7", "shaft\ng6"]
    # H7/s6 at 20 mm (design textbook): interference 14 to 48 um
    assert "Interference 0.014 to 0.048 mm." in class_figure(classes.iso286_limits("H7/s6", 20.0), "").get_supxlabel()
    assert boxes(class_figure(classes.iso286_limits("g6", 12.0), "")) == [(-17.0, 11.0)]


def test_sorts_differ_without_colour() -> None:
    hatches = [hatch for _, _, hatch in LOOKS.values()]
    assert len(set(hatches)) == len(hatches)


def test_other_drawings() -> None:
    assert boxes(pair_figure((0.455, 0.462), (0.4345, 0.436), "in", "loose")) == [(0.0, 7.0), (-20.5, 1.5)]
    choice = choose_drill(0.396, 0.403, "in")
    drawn = boxes(drill_figure(choice))
    assert drawn[0] == (0.0, 7.0)
    assert list(drawn[1]) == pytest.approx([3.794, 4.588], abs=1e-6)  # drill X, see the drill tests
    # the printed limits with a jig stand beside each drill, the band's high limit runs across; X .3960 to .4030
    lines = [tuple(round(float(y), 4) for y in line.get_ydata()) for line in drill_figure(choice).axes[0].lines]
    assert (0.0, 7.0) in lines
    assert (-3.2992, 3.7008) in lines  # 10 mm: .3937008 - .001 and + .006, from .396
    assert (7.0, 7.0) in lines
    assert "Without a bushing take 10 mm" in " ".join(drill_figure(choice).get_supxlabel().split())
    assert boxes(plug_figure(plugs(0.25, 0.254, "in"))) == [(0.0, 4.0), (0.0, 0.2), (3.8, 0.2)]
    assert boxes(drill_figure(choose_drill(3.0, 3.05, "in"))) == [(0.0, 50.0)]


def test_a_bar_without_height_still_draws() -> None:
    figure = zone_figure([Bar("measured", 0.457, 0.457, "hole")], 0.455, "in", "One hole", "low limit")
    assert boxes(figure) == [(2.0, 0.0)]
