"""Pages of plain shapes as a PDF file, the same bytes each time; and how wide a text is on them.

Matplotlib is used as a PDF writer: each page is a figure with one artist that draws the list of shapes.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any

import matplotlib
from matplotlib.artist import Artist
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.ft2font import FT2Font
from matplotlib.path import Path as Outline
from matplotlib.transforms import Affine2D

import holeqc
from holeqc.reports import drawing as d
from holeqc.reports import wording as w

PAPERS = {"letter": (612.0, 792.0), "a4": (595.3, 841.9)}  #: points
_SETTINGS: dict[str, Any] = {
    "pdf.fonttype": 42, "pdf.compression": 6, "pdf.use14corefonts": False, "pdf.inheritcolor": False,
    "savefig.bbox": None, "text.usetex": False, "path.simplify": False, "path.sketch": None, "path.effects": [],
}  # fmt: skip
_FILES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")  # they come with matplotlib


@lru_cache(maxsize=2)
def _font(bold: bool) -> tuple[FT2Font, frozenset[int]]:
    font = FT2Font(str(_font_file(bold)))
    font.set_size(100.0, 72)
    return font, frozenset(font.get_charmap())


def _font_file(bold: bool) -> Path:
    return Path(matplotlib.get_data_path(), "fonts", "ttf", _FILES[bold])


@lru_cache(maxsize=4096)
def _advance(character: str, bold: bool) -> float:
    """Return how far a character moves on, in parts of the font size."""
    font, _ = _font(bold)
    return float(font.load_char(ord(character)).linearHoriAdvance) / 65536 / 100


def printable(text: str) -> str:
    """Return text with every character that the font lacks shown by its code point, so that none is lost or alike."""
    _, there = _font(False)
    text = w.plain(text)
    return text if all(ord(c) in there for c in text) else "".join(c if ord(c) in there else f"[U+{ord(c):04X}]" for c in text)


def width_of(text: str, size: float, bold: bool = False) -> float:
    """Return the width of a text [points]."""
    return size * sum(_advance(c, bold) for c in printable(text))


def wrap(text: str, width: float, size: float, bold: bool = False) -> list[str]:
    """Return text broken into lines of at most ``width`` points; a word that is too long by itself is broken too."""
    lines: list[str] = []
    line = ""
    for word in printable(text).split(" "):
        joined = f"{line} {word}" if line else word
        if width_of(joined, size, bold) <= width:
            line = joined
            continue
        if line:
            lines.append(line)
        while width_of(word, size, bold) > width and len(word) > 1:
            fits = _fitting(word, width, size, bold)
            lines.append(word[:fits])
            word = word[fits:]
        line = word
    return [*lines, line] if line or not lines else lines


def _fitting(word: str, width: float, size: float, bold: bool) -> int:
    total = 0.0
    for n, character in enumerate(word):
        total += size * _advance(character, bold)
        if total > width:
            return max(1, n)
    return len(word)


# -------------------------------------------------------------------------------------------------------------- PDF


class _Sheet(Artist):
    """One page of shapes, drawn through the renderer's own primitives."""

    def __init__(self, page: d.Drawing) -> None:
        super().__init__()
        self.page = page

    def draw(self, renderer: Any) -> None:
        """Draw all shapes; the page's y runs down, the renderer's up."""
        for item in self.page.items:
            gc = renderer.new_gc()
            if isinstance(item, d.Text):
                self._text(renderer, gc, item)
            else:
                self._outline(renderer, gc, item)
            gc.restore()

    def _outline(self, renderer: Any, gc: Any, item: d.Shape | d.Circle) -> None:
        gc.set_linewidth(item.width if item.stroke else 0.0)
        gc.set_foreground(item.stroke or item.fill or d.INK)
        gc.set_joinstyle("miter")
        if item.dash and item.stroke:
            gc.set_dashes(0, list(item.dash))
        fill = to_rgb(item.fill) if item.fill else None
        flip = Affine2D().scale(1, -1).translate(0, self.page.height)
        if isinstance(item, d.Circle):
            place = Affine2D().scale(item.r).translate(item.x, item.y)
            renderer.draw_path(gc, Outline.unit_circle(), place + flip, fill)
            return
        points = [*item.points, item.points[0]] if item.closed else list(item.points)
        renderer.draw_path(gc, Outline(points, closed=item.closed), flip, fill)

    def _text(self, renderer: Any, gc: Any, item: d.Text) -> None:
        text = printable(item.text)
        gc.set_foreground(item.colour)
        wide = width_of(text, item.size, item.bold) * {"start": 0.0, "middle": 0.5, "end": 1.0}[item.anchor]
        turn = Affine2D().rotate_deg(item.turn).transform((wide, 0.0))
        x, y = item.x - turn[0], self.page.height - item.y - turn[1]
        renderer.draw_text(gc, x, y, text, _properties(item.size, item.bold), item.turn)


@lru_cache(maxsize=64)
def _properties(size: float, bold: bool) -> FontProperties:
    return FontProperties(fname=str(_font_file(bold)), size=size)


def save_pdf(pages: Sequence[d.Drawing], title: str) -> bytes:
    """Return pages as a PDF file without any date in it."""
    store = BytesIO()
    about = {"Title": w.plain(title), "Creator": f"holeqc {holeqc.__version__}", "CreationDate": None}
    with matplotlib.rc_context(_SETTINGS), PdfPages(store, metadata=about) as file:
        for page in pages:
            figure = Figure(figsize=(page.width / 72, page.height / 72), dpi=72, layout="none", frameon=False)
            figure.add_artist(_Sheet(page))
            file.savefig(figure)
    return store.getvalue()
