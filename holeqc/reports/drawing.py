"""A picture or a page as a list of plain shapes, and how that list becomes SVG.

Lengths are points (1/72 in), x to the right, y down, from the upper left corner. The same list goes to SVG here and to
PDF in `holeqc.reports.paper`, so that both show the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from html import escape
from typing import Literal

# dark enough to print in grey, and told apart by people who don't see red or green; a mark and a word stand beside each
INK = "#1c2329"
SOFT = "#55616b"  #: secondary text; 5.9 : 1 on white
RULE = "#b9c2c9"
PALE = "#f1f4f6"
ACCEPT_INK, HOLD_INK, REJECT_INK = "#0b5d4b", "#7a4a00", "#9b1c1c"
ACCEPT_FILL, HOLD_FILL, REJECT_FILL = "#ffffff", "#fdf1d4", "#fbe4e1"
BLUE = "#1f5f99"
VERDICT_INK = (ACCEPT_INK, HOLD_INK, REJECT_INK)
VERDICT_FILL = (ACCEPT_FILL, HOLD_FILL, REJECT_FILL)

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class Shape:
    """A line through points, closed or open; filled where ``fill`` is given."""

    points: tuple[Point, ...]
    stroke: str = ""
    width: float = 0.75
    fill: str = ""
    dash: tuple[float, ...] = ()
    closed: bool = False


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle of radius ``r`` about (x, y)."""

    x: float
    y: float
    r: float
    stroke: str = ""
    width: float = 0.75
    fill: str = ""
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text; (x, y) is the base line at the anchor."""

    x: float
    y: float
    text: str
    size: float = 9.0
    bold: bool = False
    colour: str = INK
    anchor: Anchor = "start"


Item = Shape | Circle | Text


@dataclass(slots=True)
class Drawing:
    """Shapes on a sheet of a size, with a title for people who can't see it and a line to stand under it."""

    width: float
    height: float
    title: str = ""
    note: str = ""  #: line under the picture: scale, what the numbers are
    items: list[Item] = field(default_factory=list)

    def line(self, *points: Point, stroke: str = INK, width: float = 0.75, dash: Sequence[float] = ()) -> None:
        """Add an open line."""
        self.items.append(Shape(points, stroke, width, "", tuple(dash)))

    def polygon(
        self, points: Iterable[Point], stroke: str = "", width: float = 0.75, fill: str = "", dash: Sequence[float] = ()
    ) -> None:
        """Add a closed shape."""
        self.items.append(Shape(tuple(points), stroke, width, fill, tuple(dash), True))

    def box(
        self, x: float, y: float, wide: float, high: float, stroke: str = "", width: float = 0.75, fill: str = "",
        dash: Sequence[float] = (),
    ) -> None:  # fmt: skip
        """Add a rectangle by its upper left corner."""
        self.polygon(((x, y), (x + wide, y), (x + wide, y + high), (x, y + high)), stroke, width, fill, dash)

    def circle(
        self, x: float, y: float, r: float, stroke: str = "", width: float = 0.75, fill: str = "",
        dash: Sequence[float] = (),
    ) -> None:  # fmt: skip
        """Add a circle."""
        self.items.append(Circle(x, y, r, stroke, width, fill, tuple(dash)))

    def text(
        self, x: float, y: float, text: str, size: float = 9.0, bold: bool = False, colour: str = INK,
        anchor: Anchor = "start",
    ) -> None:  # fmt: skip
        """Add a line of text."""
        if text:
            self.items.append(Text(x, y, text, size, bold, colour, anchor))

    def place(self, other: Drawing, x: float, y: float) -> None:
        """Add all shapes of another drawing, moved by (x, y)."""
        self.items.extend(moved(item, x, y) for item in other.items)


def moved(item: Item, x: float, y: float) -> Item:
    """Return a shape moved by (x, y)."""
    if isinstance(item, Shape):
        return replace(item, points=tuple((px + x, py + y) for px, py in item.points))
    return replace(item, x=item.x + x, y=item.y + y)


def arrow(drawing: Drawing, start: Point, end: Point, stroke: str = INK, width: float = 1.0) -> None:
    """Add a line with a solid head at its end."""
    drawing.line(start, end, stroke=stroke, width=width)
    angle = math.atan2(end[1] - start[1], end[0] - start[0])
    back = [(end[0] - 6 * math.cos(angle + s), end[1] - 6 * math.sin(angle + s)) for s in (0.4, -0.4)]
    drawing.polygon((end, *back), fill=stroke)


# -------------------------------------------------------------------------------------------------------------- SVG


def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _paint(stroke: str, width: float, fill: str, dash: tuple[float, ...]) -> str:
    text = f' fill="{fill or "none"}"'
    if stroke:
        text += f' stroke="{stroke}" stroke-width="{_n(width)}"'
        if dash:
            text += f' stroke-dasharray="{" ".join(_n(d) for d in dash)}"'
    return text


def _element(item: Item) -> str:
    if isinstance(item, Circle):
        head = f'<circle cx="{_n(item.x)}" cy="{_n(item.y)}" r="{_n(item.r)}"'
        return f"{head}{_paint(item.stroke, item.width, item.fill, item.dash)}/>"
    if isinstance(item, Shape):
        tag = "polygon" if item.closed else "polyline"
        points = " ".join(f"{_n(x)},{_n(y)}" for x, y in item.points)
        return f'<{tag} points="{points}"{_paint(item.stroke, item.width, item.fill, item.dash)}/>'
    where = f'x="{_n(item.x)}" y="{_n(item.y)}"'
    more = f' font-size="{_n(item.size)}" fill="{item.colour}"'
    more += ' font-weight="bold"' if item.bold else ""
    more += f' text-anchor="{item.anchor}"' if item.anchor != "start" else ""
    return f"<text {where}{more}>{escape(item.text)}</text>"


def to_svg(drawing: Drawing) -> str:
    """Return a drawing as one SVG element for a page: real text, no script, no link, the same bytes each time."""
    size = f'viewBox="0 0 {_n(drawing.width)} {_n(drawing.height)}" width="{_n(drawing.width)}pt"'
    title = f"<title>{escape(drawing.title)}</title>" if drawing.title else ""
    body = "".join(_element(item) for item in drawing.items)
    label = f' aria-label="{escape(drawing.title)}"' if drawing.title else ""
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img"{label}>{title}{body}</svg>'
