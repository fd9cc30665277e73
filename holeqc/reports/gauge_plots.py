"""Pictures of a gauge study: what was read, what the scatter is made of, bias over the range, answers near the limit.

Each appraiser has a mark of their own besides a colour, so that a grey print says the same. Figures without pyplot;
`holeqc.reports.scale_plots.save_figure` writes them, the same bytes each time.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from holeqc.printing import one_line
from holeqc.reports.blocks import shorten
from holeqc.statistics.gauge_accuracy import ResponseFit
from holeqc.statistics.gauge_study import LINES

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from holeqc.statistics.gauge_accuracy import AttributeStudy, Curve, Linearity, Proportion, Stability
    from holeqc.statistics.gauge_components import Layout
    from holeqc.statistics.gauge_study import GaugeStudy, Share

INK, SOFT, LIMIT = "#1c2329", "#7b8790", "#9b1c1c"
MARKS = ("o", "s", "^", "D", "v", "P", "X", "*")
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9", "#000000", "#8c6d1f")  # Okabe and Ito
SETTINGS = {"font.family": "DejaVu Sans", "font.size": 9.0, "svg.hashsalt": "holeqc", "svg.fonttype": "path"}
MOST_NAMES = 40  #: parts named under the picture; beyond that their names would run into each other
NAMES = {
    "repeatability": "Repeatability",
    "reproducibility": "Reproducibility",
    "interaction": "Interaction",
    "gauge": "Gauge in all",
    "part": "Parts",
    "total": "Total",
}


def _figure(width: float, height: float) -> Figure:
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def _bare(axes: Axes, title: str) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_title(title, loc="left", fontsize=10.5, fontweight="bold")


def study_figure(study: GaugeStudy, layout: Layout, unit: str = "") -> Figure:
    """Return every reading by part and appraiser, and below it the standard deviation of each cause.

    Args:
        study: the result.
        layout: the readings it was made from.
        unit: unit for the axes.
    """
    with mpl.rc_context(SETTINGS):
        figure = _figure(9.0, 6.6)
        upper, lower = figure.subplots(2, 1, height_ratios=[3.0, 2.0])
        _readings(upper, study, layout, unit)
        _causes(lower, study, unit)
    return figure


def _readings(axes: Axes, study: GaugeStudy, layout: Layout, unit: str) -> None:
    order = np.argsort(np.nanmean(study.cell_means, axis=1), kind="stable")
    place = np.empty(order.size)
    place[order] = np.arange(order.size)
    people = layout.appraisers
    apart = 0.0 if people == 1 else 0.6 / people
    for k, name in enumerate(layout.appraiser_names):
        rows = layout.appraiser == k
        x = place[layout.part[rows]] + apart * (k - 0.5 * (people - 1))
        colour = COLOURS[k % len(COLOURS)]
        axes.plot(
            x, layout.values[rows], linestyle="none", marker=MARKS[k % len(MARKS)], markersize=5.0,
            markerfacecolor="none", markeredgecolor=colour, label=shorten(one_line(name), 24),
        )  # fmt: skip
        spots, first = np.unique(x, return_index=True)
        means = study.cell_means[layout.part[rows][first], k]
        half = 0.3 if people == 1 else 0.45 * apart
        axes.hlines(means, spots - half, spots + half, color=colour, linewidth=1.4)
    for limit, word in ((study.lower, "lower limit"), (study.upper, "upper limit")):
        if limit is not None:
            axes.axhline(limit, color=LIMIT, linestyle=(0, (6, 3)), linewidth=1.2)
            axes.annotate(word, (1.0, limit), (-2, 3), xycoords=("axes fraction", "data"),
                          textcoords="offset points", ha="right", fontsize=8.0, color=LIMIT)  # fmt: skip
    if order.size <= MOST_NAMES:
        labels = [shorten(one_line(layout.part_names[k]), 24) for k in order]
        axes.set_xticks(range(order.size), labels, rotation=45 if max(map(len, labels)) > 6 else 0)
    axes.set_xlim(-0.6, order.size - 0.4)
    axes.set_xlabel("part, smallest mean first")
    axes.set_ylabel(f"reading [{unit}]" if unit else "reading")
    if people > 1:
        axes.legend(title="appraiser", fontsize=8.0, title_fontsize=8.0, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    _bare(axes, "What was read (dash: mean of a pair)")


def _causes(axes: Axes, study: GaugeStudy, unit: str) -> None:
    shares = [study.share(name) for name in LINES if study.share(name).variance is not None]
    sds = [share.standard_deviation or 0.0 for share in shares]
    reach = 1.6 * max([*sds, 1e-300])
    for k, (share, sd) in enumerate(zip(shares, sds, strict=True)):
        axes.plot([0.0, sd], [k, k], color=SOFT, linewidth=1.0, zorder=1)
        if share.interval is not None:
            low, high = np.sqrt(share.interval[0]), np.sqrt(share.interval[1])
            axes.plot([low, min(high, reach)], [k, k], color=INK, linewidth=4.0, alpha=0.25, solid_capstyle="butt")
            if high > reach:
                axes.plot([reach], [k], marker=">", color=INK, markersize=6.0, clip_on=False)
        axes.plot([sd], [k], marker="o", color=INK, markersize=6.0, zorder=3, clip_on=False)
    axes.set_yticks(range(len(shares)), [NAMES[share.name] for share in shares])
    right = axes.secondary_yaxis("right")
    right.set_yticks(range(len(shares)), [_numbers(share) for share in shares])
    right.tick_params(length=0)
    right.spines["right"].set_visible(False)
    axes.set_ylim(len(shares) - 0.5, -0.5)
    axes.set_xlim(0.0, reach)
    axes.set_xlabel(f"standard deviation [{unit}]" if unit else "standard deviation")
    note = f"band: {100 * study.confidence:g} % interval, arrow: goes on" if study.interval_method != "none" else ""
    _bare(axes, f"What the scatter is made of{f' ({note})' if note else ''}")


def _numbers(share: Share) -> str:
    text = f"{share.standard_deviation:#.3g}" if share.standard_deviation else "0"
    if share.share_of_all_scatter is not None and share.name != "total":
        text += f", {share.share_of_all_scatter:.1f} % of all scatter"
    if share.share_of_tolerance is not None:
        text += f", {share.share_of_tolerance:.1f} % of tolerance"
    return text


def linearity_figure(
    result: Linearity, master: NDArray[np.float64], reading: NDArray[np.float64], unit: str = ""
) -> Figure:
    """Return the bias of each reading against its master, with the line and its confidence band.

    ``master`` and ``reading`` (n,) as given to the study.
    """
    with mpl.rc_context(SETTINGS):
        figure = _figure(7.6, 4.6)
        axes = figure.add_subplot()
        sizes = np.array([level.master for level in result.levels])
        axes.axhline(0.0, color=INK, linewidth=1.0)
        axes.fill_between(sizes, result.band[:, 0], result.band[:, 1], color="#0072b2", alpha=0.18, linewidth=0)
        axes.plot(sizes, result.intercept + result.slope * sizes, color="#0072b2", label="line and its band")
        axes.plot(master, reading - master, linestyle="none", marker="o", markersize=4.0, markerfacecolor="none",
                  markeredgecolor=SOFT, label="readings")  # fmt: skip
        axes.plot(sizes, [level.bias for level in result.levels], linestyle="none", marker="D", color=INK,
                  markersize=5.5, label="mean of a master")  # fmt: skip
        axes.set_xlabel(f"master [{unit}]" if unit else "master")
        axes.set_ylabel(f"reading minus master [{unit}]" if unit else "reading minus master")
        axes.legend(fontsize=8.0)
        _bare(axes, "Bias over the range")
    return figure


def stability_figure(result: Stability, unit: str = "") -> Figure:
    """Return the chart of a check standard with centre and limits; points outside are ringed."""
    with mpl.rc_context(SETTINGS):
        figure = _figure(8.4, 4.2)
        axes = figure.add_subplot()
        x = np.arange(1, result.values.size + 1)
        axes.plot(x, result.values, marker="o", markersize=4.0, color="#0072b2", linewidth=0.9)
        for level, style, word in (
            (result.centre, "-", "centre"),
            (result.lower_limit, (0, (6, 3)), "lower limit"),
            (result.upper_limit, (0, (6, 3)), "upper limit"),
        ):
            axes.axhline(level, color=SOFT if word == "centre" else LIMIT, linestyle=style, linewidth=1.1)
            axes.annotate(word, (1.0, level), (3, 0), xycoords=("axes fraction", "data"), textcoords="offset points",
                          va="center", fontsize=8.0)  # fmt: skip
        out = np.flatnonzero((result.values < result.lower_limit) | (result.values > result.upper_limit))
        if result.sigma > 0.0:
            axes.plot(x[out], result.values[out], linestyle="none", marker="o", markersize=11.0, markerfacecolor="none",
                      markeredgecolor=LIMIT, markeredgewidth=1.6)  # fmt: skip
        axes.set_xlabel("occasion")
        axes.set_ylabel(f"check standard [{unit}]" if unit else "check standard")
        _bare(axes, "Check standard over time")
    return figure


def attribute_figure(study: AttributeStudy) -> Figure:
    """Return for each appraiser how often they agree with themselves and with the reference, with intervals."""
    rows: list[tuple[str, Proportion]] = []
    for person in study.appraisers:
        if person.with_self is not None:
            rows.append((f"{person.name}: same answer every time", person.with_self))
        if person.with_reference is not None:
            rows.append((f"{person.name}: right every time", person.with_reference))
    rows.append(("all: same answer every time", study.all_agree))
    if study.all_right is not None:
        rows.append(("all: right every time", study.all_right))
    with mpl.rc_context(SETTINGS):
        figure = _figure(8.4, 1.4 + 0.36 * len(rows))
        axes = figure.add_subplot()
        for k, (_, found) in enumerate(rows):
            axes.plot([100 * found.lower, 100 * found.upper], [k, k], color=INK, linewidth=4.0, alpha=0.25,
                      solid_capstyle="butt")  # fmt: skip
            axes.plot([100 * (found.share or 0.0)], [k], marker="o", color=INK, markersize=6.0, clip_on=False)
        axes.set_yticks(range(len(rows)), [shorten(one_line(name), 24) for name, _ in rows])
        right = axes.secondary_yaxis("right")
        right.set_yticks(range(len(rows)), [f"{found.count} of {found.of}" for _, found in rows])
        right.tick_params(length=0)
        right.spines["right"].set_visible(False)
        axes.set_ylim(len(rows) - 0.5, -0.5)
        axes.set_xlim(0, 100)
        axes.set_xlabel("share of the parts [%]")
        _bare(axes, f"Agreement of answers (band: {100 * study.confidence:g} % interval)")
    return figure


def response_figure(
    curves: Sequence[tuple[str, Curve | ResponseFit]], limits: Sequence[tuple[str, float]] = (), unit: str = ""
) -> Figure:
    """Return the chance that each plug enters against hole size, with fitted points and the limits.

    ``curves`` pairs a name with a predicted curve or a fit; ``limits`` pairs a name with a size.
    """
    with mpl.rc_context(SETTINGS):
        figure = _figure(7.6, 4.6)
        axes = figure.add_subplot()
        plain = [item.curve if isinstance(item, ResponseFit) else item for _, item in curves]
        ends = [c.centre + w * c.width for c in plain for w in (-5.0, 5.0)] + [v for _, v in limits]
        room = 0.08 * (max(ends) - min(ends)) or 1e-3 * max(abs(max(ends)), 1.0)
        x = np.linspace(min(ends) - room, max(ends) + room, 800)
        for k, ((name, item), curve) in enumerate(zip(curves, plain, strict=True)):
            colour, dash = COLOURS[k % len(COLOURS)], ("-", (0, (5, 2)), (0, (1, 1)))[k % 3]
            axes.plot(x, 100 * curve.enters(x), color=colour, linestyle=dash, label=name)
            if isinstance(item, ResponseFit):
                axes.plot(item.sizes, 100 * item.entered / item.trials, linestyle="none", marker=MARKS[k % len(MARKS)],
                          markerfacecolor="none", markeredgecolor=colour)  # fmt: skip
        for name, size in limits:
            axes.axvline(size, color=LIMIT, linewidth=1.1, linestyle=(0, (6, 3)))
            axes.annotate(name, (size, 25), (3, 0), textcoords="offset points", fontsize=8.0, color=LIMIT,
                          bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8})  # fmt: skip
        axes.set_ylim(-3, 103)
        axes.set_xlabel(f"size of the hole [{unit}]" if unit else "size of the hole")
        axes.set_ylabel("plug enters [%]")
        axes.legend(fontsize=8.0)
        _bare(axes, "How often a plug enters")
    return figure
