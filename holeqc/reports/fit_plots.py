"""Drawings of fits to scale: tolerance zones against the nominal line. matplotlib figures, the same bytes each time.

A zone is told by its label, its hatch and its place, never by colour alone.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from holeqc import writer
from holeqc.problems import DataError
from holeqc.quantities import format_length
from holeqc.reports.fit_text import clearance_sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from holeqc.fits.classes import FitLimits, Zone
    from holeqc.fits.drills import DrillChoice
    from holeqc.fits.plugs import PlugSet
    from holeqc.quantities import Unit

FORMATS = (".svg", ".png", ".pdf")
#: face colour, edge colour and hatch by sort of zone; greys apart in print, hatches apart for every eye
LOOKS = {
    "hole": ("#d9e8f5", "#12466b", "///"),
    "pin": ("#f6e3c5", "#7a4300", "\\\\\\"),
    "gauge": ("#dff0e2", "#1d5a2b", "xx"),
    "expected": ("#eeeeee", "#333333", ".."),
    "boundary": ("#ffffff", "#5b2a6e", ""),
}
_SETTINGS = {"svg.hashsalt": "holeqc", "svg.fonttype": "path", "hatch.linewidth": 0.6, "font.size": 9.0,
             "font.family": "DejaVu Sans"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Bar:
    """One zone of a drawing: label under it, low and high size, its sort (key of `LOOKS`), a mark inside (or None).

    ``beside`` are limits drawn as a dashed line with end strokes at the zone's right (None: none).
    """

    label: str
    lower: float
    upper: float
    sort: str
    mark: float | None = None
    beside: tuple[float, float] | None = None


def zone_figure(
    bars: Sequence[Bar],
    reference: float,
    unit: Unit,
    title: str,
    reference_label: str,
    note: str = "",
    far_limit: float | None = None,
) -> Figure:
    """Return a drawing of zones side by side, heights to one scale, against a reference line.

    ``reference`` is the size of the line (nominal, or a limit), ``far_limit`` that of a thin second one; sizes in
    ``unit``. The scale shows deviations from ``reference`` in 0.001 in or in micrometres.
    """
    scale, scale_unit = (1000.0, "0.001 in") if unit == "in" else (1000.0, "µm")
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(max(5.0, 2.3 + 1.25 * len(bars)), 4.6), layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        for k, bar in enumerate(bars):
            _draw_bar(axes, k, bar, reference, scale, unit)
        axes.axhline(0.0, color="black", linewidth=1.6, zorder=3)
        axes.annotate(
            f"{reference_label} {format_length(reference, unit)} {unit}", (1.0, 0.0), (0, 3),
            xycoords=("axes fraction", "data"), textcoords="offset points", ha="right", fontsize=8.0,
        )  # fmt: skip
        if far_limit is not None:
            axes.axhline(scale * (far_limit - reference), color="black", linewidth=0.8, zorder=3)
        sizes = [x for bar in bars for x in (bar.lower, bar.upper, *(bar.beside or ()))]
        ends = [scale * (x - reference) for x in sizes] + [0.0]
        room = 0.18 * max(max(ends) - min(ends), 1e-6)
        axes.set_ylim(min(ends) - room, max(ends) + room)
        axes.set_xlim(-0.6, len(bars) + 0.45)  # room at the right for the name of the line
        axes.set_xticks(range(len(bars)), [bar.label for bar in bars])
        axes.set_ylabel(f"deviation from the line [{scale_unit}]")
        axes.tick_params(axis="x", length=0)
        axes.spines[["top", "right", "bottom"]].set_visible(False)
        axes.set_title(title, loc="left", fontsize=10.5, fontweight="bold")
        if note:
            figure.supxlabel(note, fontsize=8.0, x=0.01, ha="left")
    return figure


def class_figure(limits: FitLimits, meaning: str) -> Figure:
    """Return the zones of a class at one size against its nominal line."""
    bars = [
        Bar(f"{name}\n{_class_side(limits.name, name)}".rstrip(), *_ends(zone), sort)
        for name, zone, sort in (("hole", limits.hole, "hole"), ("shaft", limits.shaft, "pin"))
        if zone is not None
    ]
    note = f"Confirmation: {limits.confirmation}"
    if limits.clearance_min is not None and limits.clearance_max is not None:
        least, greatest = float(limits.clearance_min), float(limits.clearance_max)
        note = f"{clearance_sentence(least, greatest, limits.unit)} Confirmation: {limits.confirmation}"
    title = f"{limits.system} {limits.name}" + (f", {meaning}" if meaning else "")
    return zone_figure(bars, float(limits.nominal), limits.unit, title, "nominal", note)


def pair_figure(hole: tuple[float, float], pin: tuple[float, float], unit: Unit, sentence: str) -> Figure:
    """Return a hole band and a pin band against the hole's low limit."""
    bars = [Bar("hole", *hole, "hole"), Bar("pin", *pin, "pin")]
    return zone_figure(bars, hole[0], unit, "Hole and pin", "hole low limit", sentence)


def drill_figure(choice: DrillChoice) -> Figure:
    """Return the band and the holes that each drill is expected to cut, against the band's low limit."""
    bars = [Bar("wanted\nhole", choice.lower, choice.upper, "hole")]
    bars += [
        Bar(
            f"{c.names}\n{min(100.0 * c.share, 99.9):.1f} % inside",
            c.hole_least,
            c.hole_greatest,
            "expected",
            c.hole_mean,
            None if math.isnan(c.jig_lower) else (c.jig_lower, c.jig_upper),
        )
        for c in choice.candidates[:6]
    ]
    note = "Dotted: holes expected from a drill, bar across: mean."
    if any(bar.beside for bar in bars):
        note += " Dashed: smallest and largest hole through a bushing (AND10387)."
    if choice.reason:
        note = textwrap.fill(choice.reason, 24 + 22 * len(bars)) + "\n" + note
    if not choice.candidates:
        note = "No standard drill fits."
    return zone_figure(bars, choice.lower, choice.unit, "Drills for a band", "low limit", note, choice.upper)


def plug_figure(plugs: PlugSet) -> Figure:
    """Return the part's band with its GO and NO-GO plugs, against the hole's low limit."""
    bars = [
        Bar("hole", plugs.lower, plugs.upper, "hole"),
        Bar(f"GO\nclass {plugs.go.maker_class}", plugs.go.lower, plugs.go.upper, "gauge", plugs.wear_limit),
        Bar(f"NO-GO\nclass {plugs.no_go.maker_class}", plugs.no_go.lower, plugs.no_go.upper, "gauge"),
    ]
    note = f"The plugs take up to {100.0 * plugs.eaten:.1f} % of the part's tolerance."
    if plugs.wear_limit is not None:
        note += " Bar across GO: wear limit."
    return zone_figure(bars, plugs.lower, plugs.unit, "Plug gauges", "low limit", note)


def save_figure(figure: Figure, path: Path) -> None:
    """Write a drawing as .svg, .png or .pdf, the same bytes each time.

    Raises:
        DataError: another ending.
    """
    ending = path.suffix.lower()
    if ending not in FORMATS:
        raise DataError(f"--plot {path}: write a file that ends in {', '.join(FORMATS)}")
    metadata = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}, ".png": {"Software": None}}[ending]
    with mpl.rc_context(_SETTINGS):
        writer.write_figure(path, figure, ending, dpi=150, metadata=metadata)


def _draw_bar(axes: Axes, k: int, bar: Bar, reference: float, scale: float, unit: Unit) -> None:
    face, edge, hatch = LOOKS[bar.sort]
    low, high = scale * (bar.lower - reference), scale * (bar.upper - reference)
    axes.add_patch(
        Rectangle((k - 0.3, low), 0.6, high - low, facecolor=face, edgecolor=edge, hatch=hatch, linewidth=1.2)
    )
    ground = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}
    text: dict[str, Any] = {"textcoords": "offset points", "ha": "center", "fontsize": 8.0, "bbox": ground, "zorder": 4}
    decimals = None if bar.mark is None or bar.sort != "expected" else (4 if unit == "in" else 3)
    axes.annotate(format_length(bar.upper, unit, decimals), (k, high), (0, 3), va="bottom", **text)
    if bar.upper > bar.lower:
        axes.annotate(format_length(bar.lower, unit, decimals), (k, low), (0, -3), va="top", **text)
    if bar.beside is not None:
        ends = [scale * (x - reference) for x in bar.beside]
        axes.plot([k + 0.43] * 2, ends, color=LOOKS["boundary"][1], linewidth=1.4, linestyle=(0, (4, 2)), zorder=5)
        for end in ends:
            axes.plot([k + 0.39, k + 0.47], [end] * 2, color=LOOKS["boundary"][1], linewidth=1.6, zorder=5)
    if bar.mark is not None:
        at = scale * (bar.mark - reference)
        axes.plot([k - 0.38, k + 0.38], [at, at], color=edge, linewidth=2.4, solid_capstyle="butt")


def _ends(zone: Zone) -> tuple[float, float]:
    return float(zone.min), float(zone.max)


def _class_side(name: str, side: str) -> str:
    hole, slash, shaft = name.partition("/")
    if slash:
        return hole if side == "hole" else shaft
    return "" if name[:2] in ("RC", "LC", "LT", "LN", "FN") and len(name) > 2 else name
