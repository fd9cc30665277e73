"""Picture of what a kit asks, to scale: each part with holes and basic dimensions, notes, title block."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle

from holeqc import __version__, writer
from holeqc.problems import DataError
from holeqc.quantities import MM_PER_INCH, FloatArray, decimals_of, format_length
from holeqc.reports.kit_layout import BLOCK_HEIGHT, MARGIN, Sheet, View, arrange, spread
from holeqc.specification.words import asked, walls_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from holeqc.specification.model import Specification

FORMATS = (".svg", ".pdf", ".png")
CAUTION = (
    "NOT A DRAWING. Made from the kit file, to be compared with the drawing before anyone relies on it. The drawing, "
    "the approved data and the person licensed to sign prevail."
)
_SETTINGS = {"svg.hashsalt": "holeqc", "svg.fonttype": "path", "font.family": "DejaVu Sans",
             "text.parse_math": False}
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
    if ending not in FORMATS:
        raise DataError(f"{path}: a picture ends in {', '.join(FORMATS)}; found {ending or 'no ending'}")
    sheet = arrange(specification)
    with mpl.rc_context(_SETTINGS):
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
