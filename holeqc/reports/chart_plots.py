"""Pictures of control charts and of capability, drawn to be read in grey as well: marks and words beside colour.

Figures without pyplot; `holeqc.reports.scale_plots.save_figure` writes them, the same bytes each time.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Ellipse

from holeqc.printing import one_line
from holeqc.problems import DataError
from holeqc.reports.blocks import shorten
from holeqc.reports.chart_text import chance_sentence
from holeqc.statistics.charts import CUSUM, EWMA

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from holeqc.statistics.capability import Capability
    from holeqc.statistics.charts import Chart
    from holeqc.statistics.percentile import Fitted
    from holeqc.statistics.position_capability import PositionCapability


INK, SOFT, LIMIT, LINE, BAND = "#1c2329", "#7b8790", "#9b1c1c", "#0072b2", "#eef3f7"
SMALL = 8.5  #: points; still read where a page shows the picture 420 pixels wide
SETTINGS = {"font.family": "DejaVu Sans", "font.size": 9.0, "svg.hashsalt": "holeqc", "svg.fonttype": "path"}
#: one mark a test, so that colour is not needed to tell them apart
MARKS = {
    "beyond_limits": "D",
    "same_side": "s",
    "steady_drift": "^",
    "up_and_down": "P",
    "two_of_three_far": "v",
    "four_of_five_off": "<",
    "hugging_centre": "X",
    "avoiding_centre": "*",
    "sum_beyond_decision": "D",
}
KIND_WORDS = {CUSUM: "cumulative sum", EWMA: "weighted moving average"}
SIGNAL = "#d55e00"
ROW = 0.055  #: height of a line of signals under the points, as a share of the panel
FEW_NAMES = 16  #: labels under the axis of more points than that
MOST_NAMES = 30  #: labels under the axis; more would run into each other


def _bare(axes: Axes, title: str) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_title(title, loc="left", fontsize=10.5, fontweight="bold")


def _apart(places: list[float], least: float) -> list[float]:
    """Return places in their order, moved up as little as keeps each ``least`` above the one before."""
    moved: list[float] = []
    for place in places:
        moved.append(place if not moved else max(place, moved[-1] + least))
    return moved


def _steps(axes: Any, level: np.ndarray, edges: np.ndarray, baseline: np.ndarray | None, **style: Any) -> None:
    """Draw a level as steps; the axes' limits come from its ends, as the library looks at each step for them."""
    ends = [None if v is None else (np.nanmin(v), np.nanmax(v)) for v in (level, baseline)]
    drawn = axes.stairs(ends[0], [edges[0], edges[0], edges[-1]], baseline=ends[1], **style)
    drawn.set_data(level, edges, baseline)


def _limits(axes: Axes, chart: Chart, x: np.ndarray) -> None:
    """Draw limits and centre line as steps, and name them at the right edge, one above the other."""
    edges = np.concatenate([x - 0.5, x[-1:] + 0.5])
    finite = np.isfinite(chart.upper) & np.isfinite(chart.lower)
    if finite.any():
        _steps(axes, chart.upper, edges, chart.lower, fill=True, color=BAND, linewidth=0)
    named = []
    words = ("decision value", "decision value") if chart.kind == CUSUM else ("upper limit", "lower limit")
    for level, style, word, colour in (
        (chart.upper, (0, (6, 3)), words[0], LIMIT),
        (chart.lower, (0, (6, 3)), words[1], LIMIT),
        (chart.centres, "-", "centre", SOFT),
    ):
        if not np.isfinite(level).any() or (
            word == "lower limit" and not np.any(level[np.isfinite(level)]) and chart.kind not in (CUSUM,)
        ):
            continue
        _steps(axes, level, edges, None, color=colour, linestyle=style, linewidth=1.1)
        named.append((float(level[np.isfinite(level)][-1]), word))
    low, high = axes.get_ylim()
    named.sort()
    places = _apart([v for v, _ in named], 0.06 * (high - low))
    for (found, word), place in zip(named, places, strict=True):
        axes.annotate(
            f"{word} {found:.5g}",
            (1.0, place),
            (4, 0),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            va="center",
            fontsize=SMALL,
            color=INK,
            annotation_clip=False,
        )


def _height(axes: Axes, chart: Chart, rows: int) -> None:
    """Leave room above and below the points and limits, and below them for ``rows`` lines of signals."""
    shown = np.concatenate(
        [
            chart.values,
            chart.lower,
            chart.upper,
            chart.centres,
            *(v for k, v in chart.more.items() if k == "upper_sum"),
            *(-v for k, v in chart.more.items() if k == "lower_sum"),
        ]
    )
    shown = shown[np.isfinite(shown)]
    if not shown.size:
        return
    low, high = float(shown.min()), float(shown.max())
    room = 0.08 * (high - low) or 0.05 * max(abs(high), 1e-9)
    bottom, top = 0.0 if low == 0 else low - room, high + room
    share = ROW * (rows + 0.5) if rows else 0.0
    axes.set_ylim(bottom - (top - bottom) * share / (1 - share), top)


def _named(chart: Chart) -> bool:
    return list(chart.labels) != [str(i) for i in range(1, chart.values.size + 1)]


def _signal_lines(axes: Axes, chart: Chart) -> None:
    """Draw each test that signalled as a line of its own under the points: a bar over its points, a mark where it
    was complete. Points beyond limits are marked on the curve too."""
    across = axes.get_xaxis_transform()
    for k, test in enumerate(dict.fromkeys(s.test for s in chart.signals)):
        height, mark = ROW * (k + 0.75), MARKS.get(test, "D")
        own = [s for s in chart.signals if s.test == test]
        for signal in own:
            axes.plot(
                [signal.points[0] - 0.3, signal.points[-1] + 0.3],
                [height, height],
                transform=across,
                color=SIGNAL,
                linewidth=1.6,
                solid_capstyle="butt",
            )
        at = np.array(sorted({p for s in own for p in (s.at if test == "beyond_limits" else s.at[:1])}))
        first = at[np.diff(at, prepend=-1) > 1]  # of points in a row the first: the bar shows the rest
        axes.plot(
            first,
            np.full(first.size, height),
            transform=across,
            linestyle="none",
            marker=mark,
            markersize=4.6,
            markerfacecolor="white",
            markeredgecolor=SIGNAL,
            markeredgewidth=1.0,
            clip_on=False,
        )
        axes.annotate(
            test.replace("_", " "),
            (1.0, height),
            (4, 0),
            xycoords="axes fraction",
            textcoords="offset points",
            va="center",
            fontsize=SMALL,
            color=SIGNAL,
            annotation_clip=False,
        )
        if test == "beyond_limits":
            axes.plot(
                at,
                chart.values[at - 1],
                linestyle="none",
                marker=mark,
                markerfacecolor="none",
                markersize=float(np.clip(340 / chart.values.size, 4.0, 8.0)),
                markeredgecolor=SIGNAL,
                markeredgewidth=1.3,
                clip_on=False,
            )


def _sums(axes: Axes, chart: Chart, x: np.ndarray) -> None:
    """Draw both sums of a cumulative sum, each with where it began to climb and where it crossed."""
    size = 3.0 if x.size <= 200 else 0
    lines = (
        ("upper sum", chart.more["upper_sum"], "above", LINE, "-", "o"),
        ("lower sum", -chart.more["lower_sum"], "below", INK, (0, (4, 2)), "s"),
    )
    for word, sums, side, colour, style, mark in lines:
        axes.plot(x, sums, color=colour, linestyle=style, linewidth=1.0, marker=mark, markersize=size, label=word)
        own = [s for s in chart.signals if s.side == side]
        for at, shape, meaning in (
            ([s.points[0] for s in own], "^", "left zero"),
            ([s.at[0] for s in own], "D", "crossed"),
        ):
            if at:
                place = np.array(at)
                axes.plot(
                    place,
                    sums[place - 1],
                    linestyle="none",
                    marker=shape,
                    markersize=8.0,
                    markerfacecolor="none",
                    markeredgecolor=SIGNAL,
                    markeredgewidth=1.4,
                    label=meaning,
                    clip_on=False,
                )
    handles = dict(zip(*reversed(axes.get_legend_handles_labels()), strict=True))
    handles = dict(sorted(handles.items(), key=lambda item: "sum" not in item[0]))
    axes.legend(
        handles.values(),
        handles.keys(),
        fontsize=SMALL,
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        ncols=4,
        frameon=False,
        borderaxespad=0.0,
        borderpad=0.0,
        columnspacing=1.2,
    )


def _panel(axes: Axes, chart: Chart, unit: str, first_of_phase_2: int | None) -> None:
    x = np.arange(1, chart.values.size + 1)
    sums = chart.kind == CUSUM
    _height(axes, chart, 0 if sums else len({s.test for s in chart.signals}))
    axes.set_xlim(0.5, x.size + 0.5)
    _limits(axes, chart, x)
    if sums:
        _sums(axes, chart, x)
    else:
        axes.plot(x, chart.values, color=LINE, linewidth=0.9, marker="o", markersize=3.2 if x.size <= 200 else 0)
        _signal_lines(axes, chart)
    if first_of_phase_2 is not None:
        axes.axvline(first_of_phase_2 - 0.5, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
        axes.annotate(
            "limits held from here",
            (first_of_phase_2 - 0.5, 1.0),
            (3, -9),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            fontsize=SMALL,
        )
    axes.set_ylabel(f"{chart.title} [{unit}]" if unit else chart.title)
    if _named(chart):
        # of many points every so manyth is named
        named = x[:: max(1, -(-x.size // (MOST_NAMES if x.size <= MOST_NAMES else FEW_NAMES)))]
        labels = [shorten(one_line(chart.labels[i - 1]), 24) for i in named]
        axes.set_xticks(named, labels, rotation=45, ha="right", fontsize=SMALL)


def chart_figure(chart: Chart, name: str, unit: str = "") -> Figure:
    """Return a control chart: the points with their limits, signals ringed by a mark a test, scatter below.

    Args:
        chart: the finished chart.
        name: what was measured, for the title.
        unit: unit for the axes.
    """
    with mpl.rc_context(SETTINGS):
        below = chart.spread
        figure = Figure(figsize=(7.2, 6.2 if below is not None else 4.2), layout="constrained")
        FigureCanvasAgg(figure)
        held = chart.baseline + 1 if 0 < chart.baseline < chart.values.size else None
        if below is None:
            axes = [figure.add_subplot()]
        else:
            axes = list(figure.subplots(2, 1, height_ratios=[3.0, 2.0]))
            _panel(axes[1], below, unit, held)
            _bare(axes[1], "Scatter" if below.tests else "Scatter, not judged")
        _panel(axes[0], chart, unit, held)
        _bare(
            axes[0],
            f"{name}: {KIND_WORDS.get(chart.kind, chart.kind.replace('-', ' and '))}"
            + ("\n" if chart.kind == CUSUM else ""),
        )  # the legend stands under it
        axes[-1].set_xlabel("point")
    return figure


TAIL = 50  #: points of a probability plot that are drawn at either end, however many there are
MOST_POINTS = 2000  #: about so many points of a probability plot (every so manyth) and of the strip (extremes)


def _law_of(result: Capability) -> tuple[Fitted | None, str]:
    """Return the distribution that gave the index, None for the normal, and its name."""
    if result.percentile is not None:
        return result.percentile.choice.chosen, result.percentile.choice.candidates[0].words.split(" (")[0]
    return None, "normal"


def _normal(m: float, sd: float) -> tuple[Callable[..., np.ndarray], Callable[..., np.ndarray]]:
    """Return (density, quantile) of a normal."""
    from scipy.special import ndtri

    return (lambda x: np.exp(-0.5 * ((x - m) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)), lambda p: m + sd * ndtri(p))


def _draw_histogram(axes: Axes, values: np.ndarray, density: Callable[..., np.ndarray]) -> None:
    low, high = float(values.min()), float(values.max())
    step = np.diff(np.unique(values[:MOST_POINTS])) if values.size else np.empty(0)
    step = step[step > 1e-9 * max(abs(high), 1e-300)]
    width = (high - low) / min(40.0, 1 + 2 * values.size**0.5)
    if step.size and step.min() > 0.02 * width:  # bars are whole steps of the gauge, or they would show a comb
        width = float(step.min()) * max(1, round(width / float(step.min())))
    edges = np.arange(low - width / 2, high + width, width)
    counts, edges = np.histogram(values, bins=edges)
    axes.stairs(counts / (values.size * np.diff(edges)), edges, fill=True, color=BAND, edgecolor=LINE, linewidth=0.8)
    x = np.linspace(low - 0.3 * (high - low), high + 0.3 * (high - low), 400)
    axes.plot(x, density(x), color=INK, linewidth=1.3)
    axes.set_ylim(bottom=0.0)
    axes.set_yticks([])


def _ends_of_runs(x: np.ndarray) -> np.ndarray:
    """Return the places (from 0) of readings for a strip: all, or of many the least and greatest of each run."""
    run = max(1, 2 * x.size // MOST_POINTS)
    if run < 3:
        return np.arange(x.size)
    table = x[: x.size // run * run].reshape(-1, run)
    found = np.concatenate([table.argmin(axis=1), table.argmax(axis=1)]) + np.tile(np.arange(len(table)) * run, 2)
    return np.unique(np.concatenate([found, np.arange(table.size, x.size)]))


def _limit_lines(axes: Axes, result: Capability, *, upright: bool) -> None:
    for level, word, side in (
        (result.limits.lower, "lower limit", "right"),
        (result.limits.upper, "upper limit", "left"),
    ):
        if level is None:
            continue
        (axes.axvline if upright else axes.axhline)(level, color=LIMIT, linestyle=(0, (6, 3)), linewidth=1.1)
        if upright:
            axes.annotate(
                f"{word} {level:g}",
                (level, 1.0),
                (0, 2),
                ha=side,
                xycoords=("data", "axes fraction"),
                textcoords="offset points",
                fontsize=SMALL,
                color=LIMIT,
            )


def capability_figure(result: Capability, values: np.ndarray, name: str, unit: str = "") -> Figure:
    """Return three views of readings: histogram with limits and density, strip over time, and probability plot.

    Density and probability plot are of the distribution that gave the index: the fitted one where the percentile method
    is used, else the normal.

    Args:
        result: the capability, for limits, mean and fitted distribution.
        values: the readings (n,) in order of production.
        name: what was measured, for the title.
        unit: unit for the axes.
    """
    from holeqc.statistics.normality import plotting_positions

    x = np.asarray(values, dtype=float).ravel()
    x = x[~np.isnan(x)]
    if x.size < 2 or np.ptp(x) == 0:
        raise DataError("a picture of capability needs two different readings")
    law, word = _law_of(result)
    sd = result.sd_overall or 1e-300
    density, quantile = (law.density, law.quantile) if law is not None else _normal(result.mean, sd)
    axis = f"{name} [{unit}]" if unit else name
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(7.2, 6.6), layout="constrained")
        FigureCanvasAgg(figure)
        grid = figure.add_gridspec(2, 2, height_ratios=[3.0, 2.2])
        first, second = figure.add_subplot(grid[0, 0]), figure.add_subplot(grid[0, 1])
        strip = figure.add_subplot(grid[1, :])
        _draw_histogram(first, x, density)
        _limit_lines(first, result, upright=True)
        first.set_xlabel(axis)
        _bare(first, f"{x.size} readings, {word}\n")
        rank = np.arange(x.size)  # of many every so manyth, and the tails in full
        every = rank[(rank % max(1, x.size // MOST_POINTS) == 0) | (rank < TAIL) | (rank >= x.size - TAIL)]
        ordered, p = np.sort(x)[every], plotting_positions(x.size)[every]
        at = quantile(p)
        second.plot(
            at, ordered, linestyle="none", marker="o", markersize=3.2, markerfacecolor="none", markeredgecolor=LINE
        )
        second.plot(at[[0, -1]], at[[0, -1]], color=INK, linewidth=1.1)
        ends = [v for v in (result.limits.lower, result.limits.upper) if v is not None]
        reach = max(*ends, ordered[-1]) - min(*ends, ordered[0]) if ends else 0.0
        if reach < 3 * np.ptp(ordered):  # limits farther off would flatten the plot
            _limit_lines(second, result, upright=False)
        second.set_xlabel(f"where a {word}\nputs it")
        second.locator_params(axis="x", nbins=3)  # half a figure wide, and sizes have many digits
        second.set_ylabel(axis)
        judged = result.percentile.choice.p if result.percentile is not None else result.normal_p
        _bare(second, "Probability plot\n")
        second.annotate(
            "" if judged is None else f"test of fit: {chance_sentence(judged)}",
            (0.0, 1.0),
            (0, 4),
            xycoords="axes fraction",
            textcoords="offset points",
            fontsize=SMALL,
            color=INK,
        )
        drawn = _ends_of_runs(x)
        strip.plot(
            drawn + 1, x[drawn], color=LINE, linewidth=0.7, marker="o", markersize=2.6 if x.size <= 400 else 0
        )
        strip.axhline(result.mean, color=SOFT, linewidth=1.0)
        _limit_lines(strip, result, upright=False)
        strip.set_xlim(0.5, x.size + 0.5)
        strip.ticklabel_format(axis="x", style="plain", useOffset=False)
        strip.set_xlabel("reading, in order of production")
        strip.set_ylabel(axis)
        _bare(strip, "Over time")
    return figure


# Picture of positions in their tolerance zone, drawn to be read in grey as well.


REACH = 3.4393  #: sigma of the ellipse that holds 99.73 % of a bivariate normal: sqrt(-2 ln 0.0027)
STRETCHES = (("first third", "o", 0.9), ("middle third", "^", 0.6), ("last third", "s", 0.0))


def positions_figure(
    result: PositionCapability, dx: NDArray[np.float64], dy: NDArray[np.float64], bonus: NDArray[np.float64] | None,
    name: str, unit: str = "",
) -> Figure:  # fmt: skip
    """Return where holes lie about their true position: thirds in time by mark, zone, and the scatter's ellipse.

    Args:
        result: the capability, for zone, mean and scatter.
        dx: deviations of the first coordinate (n,), in order of production.
        dy: of the second (n,).
        bonus: bonus of each hole (n,), None where none applies.
        name: what it is of, for the title.
        unit: unit for the axes.
    """
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(6.6, 6.4), layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        for (word, mark, shade), rows in zip(STRETCHES, np.array_split(np.arange(dx.size), 3), strict=True):
            axes.plot(dx[rows], dy[rows], linestyle="none", marker=mark, markersize=3.6, markerfacecolor=str(shade),
                      markeredgecolor=LINE, markeredgewidth=0.8, label=word)  # fmt: skip
        zones: list[tuple[float, Any, str]] = [(result.tolerance, "-", f"zone, diameter {result.tolerance:.5g}")]
        if bonus is not None:
            least = result.tolerance + float(np.nanmin(bonus))
            zones.append((least, (0, (6, 3)), f"with the smallest bonus, {least:.5g}"))
        for diameter, style, word in zones:
            axes.add_patch(Circle((0, 0), diameter / 2, fill=False, edgecolor=LIMIT, linestyle=style, label=word))
        if result.sd_axes[1] > 0:
            axes.add_patch(Ellipse(
                result.mean, 2 * REACH * result.sd_axes[0], 2 * REACH * result.sd_axes[1], angle=result.directions[0],
                fill=False, edgecolor=INK, linestyle=(0, (1, 2)), label="99.73 % of a normal of this scatter",
            ))  # fmt: skip
        axes.plot(*result.mean, marker="+", markersize=12, color=LIMIT, markeredgewidth=2.0, linestyle="none",
                  zorder=5, label="mean")  # fmt: skip
        axes.axhline(0, color=SOFT, linewidth=0.6)
        axes.axvline(0, color=SOFT, linewidth=0.6)
        reach = 1.08 * max(diameter / 2 for diameter, _, _ in zones)
        far = np.nanmax(np.abs(np.concatenate([dx, dy])))
        reach = max(reach, 1.08 * float(far))
        axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
        axes.spines[["top", "right"]].set_visible(False)
        axes.set_xlabel(f"x off [{unit}]" if unit else "x off")
        axes.set_ylabel(f"y off [{unit}]" if unit else "y off")
        axes.set_title(name, loc="left", fontsize=10.5, fontweight="bold")
        axes.legend(fontsize=7.5, loc="upper left", bbox_to_anchor=(0.0, -0.1), ncols=2, frameon=False)
    return figure
