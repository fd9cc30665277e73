"""Picture of positions in their tolerance zone, drawn to be read in grey as well."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Ellipse

from holeqc.reports.chart_plots import INK, LIMIT, LINE, SETTINGS, SOFT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holeqc.statistics.position_capability import PositionCapability

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
