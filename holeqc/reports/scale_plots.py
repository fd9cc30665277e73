"""Drawings to scale: tolerance zones against the nominal line, and what a kit asks. The same bytes each time."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle

from holeqc import __version__, writer
from holeqc.problems import DataError
from holeqc.quantities import MM_PER_INCH, FloatArray, decimals_of, format_length, unit_name
from holeqc.reports.fit_text import clearance_sentence
from holeqc.specification.model import Part, Specification
from holeqc.specification.words import asked, walls_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from holeqc.fits.classes import FitLimits, Zone
    from holeqc.fits.drills import DrillChoice, PlugSet
    from holeqc.quantities import Unit


# Drawings of fits to scale: tolerance zones against the nominal line. matplotlib figures, the same bytes each time.
#
# A zone is told by its label, its hatch and its place, never by colour alone.


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


# Where things stand on the sheet of a kit's picture: paper inches from the lower left corner, no drawing library.
#
# The picture is to a stated scale, so that a printout can be laid beside the drawing.


PAGES = {"A4": (11.69, 8.27), "A3": (16.54, 11.69)}
MARGIN = 0.4
BLOCK_HEIGHT = 2.05  #: notes and title block at the foot
DIMENSION_ROOM = 0.85  #: for dimensions left of and below a part
CAPTION_ROOM = 0.5
GAP = 0.35
#: drawing scales of ISO 5455 with the halves and thirds that inch drawings use, largest first
SCALES = (50.0, 20.0, 10.0, 5.0, 4.0, 3.0, 2.0, 1.5, 1.0, *(1 / d for d in (1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 8.0, 10.0,
          15.0, 20.0, 25.0, 50.0, 100.0, 200.0, 500.0, 1000.0)))  # fmt: skip
NARROWEST = 0.5  #: paper inches between holes, below which the larger page is taken


@dataclass(frozen=True, slots=True)
class View:
    """One part on the sheet: which parts it shows, its lower left corner on paper, and drawn corners and holes.

    ``outline`` and ``holes`` are in the kit's unit, turned as the part is; ``low`` is their least x and y; ``shown``
    are the basic positions as they are read on the part.
    """

    names: tuple[str, ...]
    part: Part
    left: float
    bottom: float
    low: tuple[float, float]
    outline: FloatArray
    holes: FloatArray
    shown: FloatArray
    outline_known: bool


@dataclass(frozen=True, slots=True)
class Sheet:
    """The whole sheet: page name, width and height in paper inches, paper inches a kit unit, scale, views."""

    page: str
    width: float
    height: float
    per_unit: float
    scale: float
    views: tuple[View, ...]

    @property
    def scale_text(self) -> str:
        """Scale as drawings say it: ``1 : 2``."""
        return f"{self.scale:g} : 1" if self.scale >= 1 else f"1 : {1 / self.scale:g}"


def arrange(specification: Specification) -> Sheet:
    """Return the sheet that shows every part as large as a usual scale allows, on A4 or, for close patterns, A3.

    Raises:
        DataError: the kit has no positions to draw, or is too large for any scale.
    """
    if not specification.located or not specification.holes:
        raise DataError(
            f"kit {specification.id} gives no basic positions, so nothing can be drawn; write x and y in each [[hole]]"
        )
    turned = _turned(specification)
    for page, (width, height) in PAGES.items():
        found = _fit(specification, turned, width, height)
        if found is None:
            continue
        sheet = Sheet(page, width, height, *found)
        if page == "A3" or _least_pitch(turned[0][1]) * sheet.per_unit >= NARROWEST:
            return sheet
    raise DataError(
        f"kit {specification.id} is too large to draw at any usual scale; are its lengths in "
        f"{unit_name(specification.unit)}?"
    )


Turned = tuple[tuple[str, ...], FloatArray, FloatArray, FloatArray, bool]


def _turned(s: Specification) -> list[Turned]:
    """Return names, drawn holes, drawn outline and shown positions of each different picture of a part."""
    groups: dict[tuple[float, ...], list[str]] = {}
    for part in s.parts:
        groups.setdefault((*part.picture_signs(), *part.signs()), []).append(part.name)
    holes = np.array([(h.x, h.y) for h in s.holes], dtype=np.float64)
    if s.outline:
        outline = np.asarray(s.outline, dtype=np.float64)
    else:
        room = 1.5 * max(h.size.upper for h in s.holes)
        low, high = np.minimum(holes.min(axis=0) - room, 0.0), np.maximum(holes.max(axis=0) + room, 0.0)
        outline = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    return [
        (tuple(names), holes * signs[:2], outline * signs[:2], holes * signs[2:], bool(s.outline))
        for signs, names in groups.items()
    ]


def _least_pitch(holes: FloatArray) -> float:
    if len(holes) < 2:
        return float("inf")
    distance = np.hypot(*np.moveaxis(holes[:, None] - holes[None], 2, 0))
    distance[np.diag_indices(len(holes))] = np.inf
    return float(distance.min())


def _fit(
    s: Specification, turned: Sequence[Turned], width: float, height: float
) -> tuple[float, float, tuple[View, ...]] | None:
    """Return paper inches a unit, scale and views at the largest scale that fits, side by side or one over another."""
    corners = [np.vstack([outline, holes]) for _, holes, outline, _, _ in turned]
    sizes = np.array([np.ptp(c, axis=0) for c in corners])
    lows = [c.min(axis=0) for c in corners]
    count = len(turned)
    inner_width, inner_height = width - 2 * MARGIN, height - 2 * MARGIN - BLOCK_HEIGHT
    inch = 1.0 if s.unit == "in" else 1.0 / MM_PER_INCH
    for scale in SCALES:
        per_unit = inch * scale
        wide, high = sizes[:, 0] * per_unit + DIMENSION_ROOM, sizes[:, 1] * per_unit + DIMENSION_ROOM + CAPTION_ROOM
        for columns in sorted({count, 1}, reverse=True):
            rows = -(-count // columns)
            total_width = columns * wide.max() + (columns - 1) * GAP
            total_height = rows * high.max() + (rows - 1) * GAP / 2
            if total_width <= inner_width and total_height <= inner_height:
                views = []
                for i, (names, holes, outline, shown, known) in enumerate(turned):
                    row, column = divmod(i, columns)
                    left = MARGIN + (inner_width - total_width) / 2 + column * (wide.max() + GAP) + DIMENSION_ROOM
                    top = height - MARGIN - (inner_height - total_height) / 2 - row * (high.max() + GAP / 2)
                    bottom = top - high.max() + DIMENSION_ROOM
                    low = (float(lows[i][0]), float(lows[i][1]))
                    views.append(View(names, s.part(names[0]), left, bottom, low, outline, holes, shown, known))
                return per_unit, scale, tuple(views)
    return None


def spread(places: Sequence[float], least: float, low: float, high: float) -> list[float]:
    """Return label places near the ascending places given, at least so far apart, inside low and high.

    A pass forwards pushes labels apart, a pass backwards brings them in; with no room for all they are set evenly.
    """
    count = len(places)
    if count * least > high - low + least:
        return [float(v) for v in np.linspace(low, high, count)]
    found = [float(p) for p in places]
    for i in range(count):
        found[i] = max(found[i], low if i == 0 else found[i - 1] + least)
    for i in reversed(range(count)):
        found[i] = min(found[i], high if i == count - 1 else found[i + 1] - least)
    return found


# Picture of what a kit asks, to scale: each part with holes and basic dimensions, notes, title block.


KIT_FORMATS = (".svg", ".pdf", ".png")
CAUTION = (
    "NOT A DRAWING. Made from the kit file, to be compared with the drawing before anyone relies on it. The drawing, "
    "the approved data and the person licensed to sign prevail."
)
_KIT_SETTINGS = {
    "svg.hashsalt": "holeqc",
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "text.parse_math": False,
}
_METADATA: dict[str, dict[str, Any]] = {
    ".svg": {"Date": None}, ".pdf": {"CreationDate": None}, ".png": {"Software": "holeqc"},
}  # fmt: skip
_INK, _SOFT, _LINE = "#111111", "#444444", "#777777"
_LABEL_STEP = 0.155  #: paper inches between dimensions


def write_kit_plot(specification: Specification, path: Path) -> None:
    """Write the picture of a kit as .svg, .pdf or .png by the file's ending; the same bytes each time.

    Raises:
        DataError: another ending, or a kit without positions.
    """
    ending = path.suffix.lower()
    if ending not in KIT_FORMATS:
        raise DataError(f"{path}: a picture ends in {', '.join(KIT_FORMATS)}; found {ending or 'no ending'}")
    sheet = arrange(specification)
    with mpl.rc_context(_KIT_SETTINGS):
        writer.write_figure(path, kit_figure(specification, sheet), ending, dpi=150, metadata=_METADATA[ending])


def kit_figure(specification: Specification, sheet: Sheet | None = None) -> Figure:
    """Return the picture as a figure of the page's size; its only axes count paper inches."""
    sheet = sheet or arrange(specification)
    figure = Figure(figsize=(sheet.width, sheet.height))
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, sheet.width)
    axes.set_ylim(0.0, sheet.height)
    axes.set_axis_off()
    frame = (MARGIN / 2, MARGIN / 2, sheet.width - MARGIN, sheet.height - MARGIN)
    axes.add_patch(Rectangle(frame[:2], frame[2], frame[3], fill=False, edgecolor=_INK, linewidth=1.2))
    for view in sheet.views:
        _draw_view(axes, specification, sheet, view)
    _notes(axes, specification, sheet)
    _title_block(axes, specification, sheet)
    return figure


def _paper(view: View, sheet: Sheet, xy: FloatArray) -> FloatArray:
    return (xy - np.asarray(view.low)) * sheet.per_unit + np.array((view.left, view.bottom))


def _draw_view(axes: Axes, s: Specification, sheet: Sheet, view: View) -> None:
    outline = _paper(view, sheet, view.outline)
    style: dict[str, Any] = {"linewidth": 1.3} if view.outline_known else {"linewidth": 0.8, "linestyle": (0, (6, 4))}
    axes.add_patch(Polygon(outline, closed=True, fill=False, edgecolor=_INK, **style))
    centres = _paper(view, sheet, view.holes)
    _caption(axes, s, view, outline)
    _holes(axes, s, sheet, centres)
    origin = _paper(view, sheet, np.zeros((1, 2)))[0]
    _dimensions(axes, s, view, centres, origin, outline, horizontal=True)
    _dimensions(axes, s, view, centres, origin, outline, horizontal=False)
    axes.add_patch(Circle((origin[0], origin[1]), 0.035, facecolor=_INK, edgecolor=_INK, zorder=5))


def _caption(axes: Axes, s: Specification, view: View, outline: FloatArray) -> None:
    (left, _), (right, top) = outline.min(axis=0), outline.max(axis=0)
    titles = []
    for name in view.names:
        part = s.part(name)
        titles.append(", ".join(filter(None, (name, part.title if part.title != name else "", part.number))))
    text = " / ".join(titles)
    if view.part.mirror:
        text += f"   mirror{' of ' + view.part.mirror_of if view.part.mirror_of else ''}"
        text += ", read from its own edges" if view.part.own_edges else f", {view.part.mirror} changes sign"
    if not view.outline_known:
        text += "   (outline not given)"
    size = 8.0
    wrapped = "\n".join(textwrap.wrap(text, max(24, int((right - left + 0.6) * 72 / (size * 0.68))))[:3])
    axes.text((left + right) / 2, top + 0.1, wrapped, ha="center", va="bottom", fontsize=size, fontweight="bold",
              color=_INK)  # fmt: skip


def _holes(axes: Axes, s: Specification, sheet: Sheet, centres: FloatArray) -> None:
    radii = np.array([h.size.upper for h in s.holes]) / 2 * sheet.per_unit
    size, both = _label_size(s, centres)
    for hole, (x, y), radius in zip(s.holes, centres.tolist(), radii.tolist(), strict=True):
        axes.add_patch(Circle((x, y), radius, fill=False, edgecolor=_INK, linewidth=1.0, zorder=3))
        arm = radius + 0.05
        axes.plot([x - arm, x + arm], [y, y], color=_SOFT, linewidth=0.4, zorder=2)
        axes.plot([x, x], [y - arm, y + arm], color=_SOFT, linewidth=0.4, zorder=2)
        reach = 0.72 * radius + 0.02
        white = {"facecolor": "white", "edgecolor": "none", "pad": 0.4, "alpha": 0.85}
        axes.text(x + reach, y + reach, hole.id, fontsize=size, fontweight="bold", color=_INK, bbox=white, zorder=4)
        if hole.bushing and both:
            axes.text(x + reach, y - reach, hole.bushing, fontsize=0.8 * size, color=_SOFT, va="top", bbox=white,
                      zorder=4)  # fmt: skip


def _label_size(s: Specification, centres: FloatArray) -> tuple[float, bool]:
    """Return the type size of hole labels that the pitch leaves room for, and whether bushings can stand too."""
    if len(centres) < 2:
        return 9.0, True
    gap = np.abs(centres[:, None] - centres[None])
    # labels collide only where holes lie in about the same line
    side = np.where((gap[..., 1] < 0.25) & (gap[..., 0] > 0), gap[..., 0], np.inf).min()
    longest = max(max(len(h.id), 0.8 * len(h.bushing)) for h in s.holes) or 1
    size = float(np.clip(0.8 * side * 72 / (0.62 * longest + 0.5), 3.5, 9.0))
    over = np.where((gap[..., 0] < 0.35) & (gap[..., 1] > 0), gap[..., 1], np.inf).min()
    return size, bool(over > 0.4)


def _dimensions(
    axes: Axes, s: Specification, view: View, centres: FloatArray, origin: FloatArray, outline: FloatArray, *,
    horizontal: bool,
) -> None:  # fmt: skip
    """Draw basic dimensions from the datum, each once, in boxes below or left of the part."""
    axis = 0 if horizontal else 1
    places, first = np.unique(np.round(centres[:, axis], 6), return_index=True)
    numbers = [float(view.shown[i, axis]) for i in first]
    texts = ["0" if n == 0 else _basic_text(n, s.unit) for n in numbers]
    datum = round(float(origin[axis]), 6)
    if datum not in places.tolist():
        at = int(np.searchsorted(places, datum))
        places = np.insert(places, at, datum)
        texts.insert(at, "0")
    low, high = float(outline[:, axis].min()), float(outline[:, axis].max())
    middles = spread(places.tolist(), _LABEL_STEP, low - 0.3, high + 0.3)
    edge = float(outline[:, 1 - axis].min())
    across = centres[:, 1 - axis]
    for place, middle, text in zip(places.tolist(), middles, texts, strict=True):
        on_line = np.abs(centres[:, axis] - place) < 1e-5
        start = min(edge, float(across[on_line].min())) if on_line.any() else edge
        inner = float(across[on_line].min()) if on_line.any() else edge
        line = [(place, inner), (place, start - 0.12), (middle, edge - 0.24), (middle, edge - 0.3)]
        points = line if horizontal else [(b, a) for a, b in line]
        axes.plot(*zip(*points, strict=True), color=_LINE, linewidth=0.5, zorder=1)
        box = {"facecolor": "white", "edgecolor": _INK, "linewidth": 0.6, "pad": 1.6} if text != "0" else None
        if horizontal:
            axes.text(middle, edge - 0.33, text, rotation=90, ha="center", va="top", fontsize=7, bbox=box, color=_INK)
        else:
            axes.text(edge - 0.33, middle, text, ha="right", va="center", fontsize=7, bbox=box, color=_INK)


def _basic_text(value: float, unit: str) -> str:
    least = 3 if unit == "in" else 2
    return format_length(value, unit, max(least, min(6, decimals_of(round(value, 6)))))


def _notes(axes: Axes, s: Specification, sheet: Sheet) -> None:
    """Write what is asked, left of the title block."""
    width = sheet.width - 2 * MARGIN - _BLOCK_WIDTH - 0.2
    size = 7.5
    columns = int(width * 72 / (size * 0.56))
    lines: list[str] = []
    walls = [f"Walls: {walls_text(s.walls, s.unit)}"] if s.walls.several else []
    datum = "Dimensions in boxes are basic, from the datums at the dot; holes are drawn at their upper limit."
    for sentence in [*walls, *(p.sentence for p in asked(s)), datum]:
        lines += textwrap.wrap(sentence, columns, subsequent_indent="    ", break_on_hyphens=False)
    room = int((BLOCK_HEIGHT - 0.2) / (size * 1.25 / 72))
    if len(lines) > room:
        lines = [*lines[: room - 1], "... more: holeqc kit show says all"]
    top = MARGIN + BLOCK_HEIGHT - 0.1
    axes.text(MARGIN, top, "\n".join(lines), fontsize=size, va="top", ha="left", color=_INK, linespacing=1.25)


_BLOCK_WIDTH = 4.6


def _title_block(axes: Axes, s: Specification, sheet: Sheet) -> None:
    left, bottom = sheet.width - MARGIN / 2 - _BLOCK_WIDTH, MARGIN / 2
    height = BLOCK_HEIGHT
    axes.add_patch(Rectangle((left, bottom), _BLOCK_WIDTH, height, fill=False, edgecolor=_INK, linewidth=1.0))
    unit = "inch" if s.unit == "in" else "millimetre"
    rows = [
        [("Kit", s.id, 0.62), ("Revision", s.revision, 0.38)],
        [("Title", s.title or "-", 1.0)],
        [("Drawing", s.drawing or "-", 0.62), ("Unit", unit, 0.38)],
        [("Fixture", s.fixture or "-", 0.62), ("Scale", f"{sheet.scale_text} on {sheet.page}", 0.38)],
    ]
    step = 0.33
    for number, cells in enumerate(rows):
        y, x = bottom + height - (number + 1) * step, left
        for name, text, share in cells:
            width = share * _BLOCK_WIDTH
            axes.add_patch(Rectangle((x, y), width, step, fill=False, edgecolor=_INK, linewidth=0.6))
            axes.text(x + 0.05, y + step - 0.04, name, fontsize=5.5, va="top", color=_SOFT)
            axes.text(x + 0.05, y + 0.05, _cut(text, width, 9), fontsize=9, va="bottom", color=_INK,
                      fontweight="bold" if name in {"Kit", "Revision", "Unit"} else "normal")  # fmt: skip
            x += width
    _scale_bar(axes, s, sheet, left + 0.1, bottom + height - 4 * step - 0.2)
    axes.text(left + _BLOCK_WIDTH - 0.06, bottom + height - 4 * step - 0.16, f"holeqc {__version__}", fontsize=6,
              ha="right", va="center", color=_SOFT)  # fmt: skip
    caution = "\n".join(textwrap.wrap(CAUTION, 76))
    axes.text(left + 0.06, bottom + 0.05, caution, fontsize=6.6, va="bottom", color=_INK, fontweight="bold")


def _cut(text: str, width: float, size: float) -> str:
    most = int(width * 72 / (size * 0.6))
    return text if len(text) <= most else text[: most - 1] + "…"


def _scale_bar(axes: Axes, s: Specification, sheet: Sheet, left: float, y: float) -> None:
    """Draw a bar of a round length: a print that was stretched shows by it."""
    rounds: Sequence[float] = (0.1, 0.25, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 5000)
    length = max((r for r in rounds if r * sheet.per_unit <= 2.2), default=rounds[0])
    paper = length * sheet.per_unit
    axes.plot([left, left + paper], [y, y], color=_INK, linewidth=1.4, solid_capstyle="butt")
    for x in (left, left + paper):
        axes.plot([x, x], [y - 0.05, y + 0.05], color=_INK, linewidth=1.0)
    on_paper = f"{paper:.3g} in" if s.unit == "in" else f"{paper * MM_PER_INCH:.3g} mm"
    text = f"{length:g} {s.unit} ({on_paper} on paper)"
    axes.text(left + paper + 0.07, y, text, fontsize=6.5, va="center", color=_INK)
