"""Pictures of control charts and of capability, drawn to be read in grey as well: marks and words beside colour.

Figures without pyplot; `holeqc.reports.fit_plots.save_figure` writes them, the same bytes each time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation

from holeqc.statistics.chart_parts import CUSUM

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from holeqc.statistics.capability import Capability
    from holeqc.statistics.chart_parts import Chart
    from holeqc.statistics.normality import ProbabilityPlot

INK, SOFT, LIMIT, LINE, BAND = "#1c2329", "#7b8790", "#9b1c1c", "#0072b2", "#eef3f7"
SETTINGS = {"font.family": "DejaVu Sans", "font.size": 9.0, "svg.hashsalt": "holeqc", "svg.fonttype": "path"}
#: one mark a test, so that colour is not needed to tell them apart
MARKS = {
    "beyond_limits": "D", "same_side": "s", "steady_drift": "^", "up_and_down": "P", "two_of_three_far": "v",
    "four_of_five_off": "<", "hugging_centre": "X", "avoiding_centre": "*", "sum_beyond_decision": "D",
}
MARK_COLOURS = ("#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9", "#000000", "#8c6d1f", "#7a2048")
FEW_NAMES = 16  #: labels under the axis of more points than that
MOST_NAMES = 30  #: labels under the axis; more would run into each other


def _bare(axes: Axes, title: str) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_title(title, loc="left", fontsize=10.5, fontweight="bold")


def _limits(axes: Axes, chart: Chart, x: np.ndarray) -> None:
    """Draw limits and centre line as steps, and name them at the right edge."""
    edges = np.concatenate([x - 0.5, x[-1:] + 0.5])
    finite = np.isfinite(chart.upper) & np.isfinite(chart.lower)
    if finite.any():
        axes.stairs(chart.upper, edges, baseline=chart.lower, fill=True, color=BAND, linewidth=0)
    for level, style, word, colour in ((chart.upper, (0, (6, 3)), "upper limit", LIMIT),
                                       (chart.lower, (0, (6, 3)), "lower limit", LIMIT),
                                       (chart.centres, "-", "centre", SOFT)):
        if not np.isfinite(level).any() or (word == "lower limit" and not np.any(level[np.isfinite(level)])
                                            and chart.kind not in (CUSUM,)):
            continue
        axes.stairs(level, edges, baseline=None, color=colour, linestyle=style, linewidth=1.1)
        last = level[np.isfinite(level)][-1]
        axes.annotate(f"{word} {last:.5g}", (1.0, last), (4, 0), xycoords=("axes fraction", "data"),
                      textcoords="offset points", va="center", fontsize=7.5, color=INK)


def _height(axes: Axes, chart: Chart) -> None:
    """Leave room above and below the points and limits; a chart that begins at zero keeps its floor."""
    shown = np.concatenate([chart.values, chart.lower, chart.upper, chart.centres])
    shown = shown[np.isfinite(shown)]
    if not shown.size:
        return
    low, high = float(shown.min()), float(shown.max())
    room = 0.08 * (high - low) or 0.05 * max(abs(high), 1e-9)
    axes.set_ylim(0.0 if low == 0 else low - room, high + room)


def _named(chart: Chart) -> bool:
    return list(chart.labels) != [str(i) for i in range(1, chart.values.size + 1)]


def _under(chart: Chart) -> float:
    """Return how far below the axis a legend begins, in points: below slanted names and the axis' own word."""
    longest = max((len(label) for label in chart.labels), default=0)
    return 30.0 + (8.0 + 3.6 * longest if _named(chart) else 0.0)


def _panel(axes: Axes, chart: Chart, unit: str, first_of_phase_2: int | None) -> None:
    x = np.arange(1, chart.values.size + 1)
    _limits(axes, chart, x)
    axes.plot(x, chart.values, color=LINE, linewidth=0.9, marker="o", markersize=3.2 if x.size <= 200 else 0)
    if chart.kind == CUSUM:
        axes.plot(x, chart.more["upper_sum"], color=LINE, linewidth=0.7, linestyle=":")
        axes.plot(x, -chart.more["lower_sum"], color=LINE, linewidth=0.7, linestyle=":")
    drawn = list(dict.fromkeys(s.test for s in chart.signals))
    for k, test in enumerate(drawn):
        # of a cumulative sum only where it crossed the decision value: its other points just lead there
        points = np.array(sorted({p for s in chart.signals if s.test == test
                                  for p in (s.at if chart.kind == CUSUM else s.points)}))
        axes.plot(points, chart.values[points - 1], linestyle="none", marker=MARKS.get(test, "D"), markersize=8.5 + k,
                  markerfacecolor="none", markeredgecolor=MARK_COLOURS[k % len(MARK_COLOURS)], markeredgewidth=1.4,
                  label=test.replace("_", " "), clip_on=False)
    if drawn:
        figure = axes.get_figure(root=True)
        assert figure is not None
        down = ScaledTranslation(0, -_under(chart) / 72, figure.dpi_scale_trans)
        axes.legend(fontsize=7.5, loc="upper left", bbox_to_anchor=(0.0, 0.0), ncols=4, frameon=False,
                    bbox_transform=axes.transAxes + down, borderaxespad=0.0)
    if first_of_phase_2 is not None:
        axes.axvline(first_of_phase_2 - 0.5, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
        axes.annotate("limits held from here", (first_of_phase_2 - 0.5, 1.0), (3, -9),
                      xycoords=("data", "axes fraction"), textcoords="offset points", fontsize=7.5)
    axes.set_ylabel(f"{chart.title} [{unit}]" if unit else chart.title)
    axes.set_xlim(0.5, x.size + 0.5)
    _height(axes, chart)
    if _named(chart):
        # of many points every so manyth is named
        named = x[::max(1, -(-x.size // (MOST_NAMES if x.size <= MOST_NAMES else FEW_NAMES)))]
        axes.set_xticks(named, [chart.labels[i - 1] for i in named], rotation=45, ha="right", fontsize=7.5)


def chart_figure(chart: Chart, name: str, unit: str = "") -> Figure:
    """Return a control chart: the points with their limits, signals ringed by a mark a test, scatter below.

    Args:
        chart: the finished chart.
        name: what was measured, for the title.
        unit: unit for the axes.
    """
    with mpl.rc_context(SETTINGS):
        below = chart.spread
        figure = Figure(figsize=(9.0, 6.4 if below is not None else 4.2), layout="constrained")
        FigureCanvasAgg(figure)
        held = chart.baseline + 1 if 0 < chart.baseline < chart.values.size else None
        if below is None:
            axes = [figure.add_subplot()]
        else:
            axes = list(figure.subplots(2, 1, height_ratios=[3.0, 2.0]))
            _panel(axes[1], below, unit, held)
            _bare(axes[1], "Scatter")
        _panel(axes[0], chart, unit, held)
        _bare(axes[0], f"{name}: {chart.kind.replace('-', ' and ')}")
        axes[-1].set_xlabel("point")
    return figure


def _below(scores: np.ndarray) -> np.ndarray:
    from scipy.special import ndtr

    return np.asarray(ndtr(scores))


def capability_figure(result: Capability, plot: ProbabilityPlot, name: str, unit: str = "") -> Figure:
    """Return a probability plot of the readings against the normal line, with the limits across.

    What can't be negative gets the curve of its fitted distribution instead.

    Args:
        result: the capability, for limits and mean.
        plot: the readings' probability plot.
        name: what was measured, for the title.
        unit: unit for the axis.
    """
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(7.2, 5.4), layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        q = plot.quantiles
        ends = np.linspace(q[0] - 0.4, q[-1] + 0.4, 101)
        fitted = result.percentile.choice if result.percentile is not None and result.choices.from_zero else None
        if fitted is not None:
            axes.plot(ends, fitted.chosen.quantile(_below(ends)), color=SOFT, linewidth=1.1,
                      label=fitted.candidates[0].words)
        elif not result.choices.from_zero:
            axes.plot(ends, plot.centre + plot.slope * ends, color=SOFT, linewidth=1.1, label="normal")
        axes.plot(q, plot.readings, linestyle="none", marker="o", markersize=3.6, markerfacecolor="none",
                  markeredgecolor=LINE, label="readings")
        for level, word in ((result.limits.lower, "lower limit"), (result.limits.upper, "upper limit")):
            if level is not None:
                axes.axhline(level, color=LIMIT, linestyle=(0, (6, 3)), linewidth=1.1)
                axes.annotate(f"{word} {level:g}", (0.0, level), (4, 3), xycoords=("axes fraction", "data"),
                              textcoords="offset points", fontsize=7.5, color=LIMIT)
        axes.set_xlabel("sigma of a normal")
        axes.set_ylabel(f"{name} [{unit}]" if unit else name)
        axes.legend(fontsize=8.0, loc="lower right", ncols=2, borderaxespad=0.0, bbox_to_anchor=(1.0, 1.0),
                    frameon=False)
        p = result.normal_p
        _bare(axes, "Probability plot" + ("" if p is None else f", test of normality p = {p:.2g}"))
    return figure
