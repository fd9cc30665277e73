"""Tables of the screen: a line a hole or a part, as much of it as fits between 60 and 100 columns."""

from __future__ import annotations

import math
from collections.abc import Sequence

from holeqc.characteristics import JUDGED
from holeqc.inspection.reasons import waiting_holes
from holeqc.inspection.results import ACCEPT
from holeqc.inspection.view import PartView, Row
from holeqc.reports import wording as w

Head = tuple[str, str]  #: a heading in two lines
Column = tuple[Head, list[str]]

_SHORT = {c.name: c.also for c in JUDGED if c.also}
_PLACES = {"position": "Position", "hole-to-hole position": "Hole to hole"}


def hole_table(part: PartView, width: int) -> list[str]:
    """Return a line a hole: size read, position, hole to hole, what else isn't accepted, verdict.

    Where the width doesn't hold it all, first the allowed positions are left out, then what else isn't accepted, then
    hole to hole: all of them stand in the report, and what isn't accepted stands in the reasons.
    """
    columns = [_column("", "Hole", [w.plain(hole["hole"]) for hole in part.holes])]
    marks = [w.MARKS[int(hole["verdict"])] for hole in part.holes]
    words = [w.of_hole(part, hole["verdict"]) for hole in part.holes]
    verdict = _column("", "Verdict", [f"{mark} {text}" for mark, text in zip(marks, words, strict=True)])
    also = [_also(part, hole) for hole in part.holes]
    others = [_column("", "Also", also)] if any(also) else []
    full = [_places(part, name, allowed=True) for name in _PLACES if name in part.asked]
    brief = [_places(part, name, allowed=False) for name in _PLACES if name in part.asked]
    wide, dense = ([_sizes(part, between)] for between in (" to ", "–"))
    return _first_that_fits(
        [
            [*columns, *wide, *full, *others, verdict], [*columns, *dense, *full, *others, verdict],
            [*columns, *wide, *brief, *others, verdict], [*columns, *dense, *brief, *others, verdict],
            [*columns, *dense, *brief, verdict], [*columns, *dense, *brief[:1], verdict], [*columns, *dense, verdict],
        ],
        width,
    )  # fmt: skip


def part_table(parts: Sequence[PartView], width: int) -> list[str]:
    """Return a line a part: serial number, holes by verdict, room that the pins have, verdict."""
    rows = [_part_row(part) for part in parts]
    heads = ("Part", "Serial", "Holes", "Pins", "Verdict")
    return _first_that_fits([[_column("", head, [row[n] for row in rows]) for n, head in enumerate(heads)]], width)


def worst_row(rows: Sequence[Row]) -> Row:
    """Return the row with the worst verdict, the least room left among equals."""
    return max(rows, key=lambda row: (int(row["verdict"]), -_number(row["left"])))


def _number(value: float) -> float:
    return -math.inf if math.isnan(value) else float(value)


def _column(upper: str, lower: str, cells: list[str]) -> Column:
    return (upper, lower), cells


def _first_that_fits(layouts: Sequence[list[Column]], width: int) -> list[str]:
    """Return the first layout that fits as lines; the last with its widest cells cut where none does."""
    for columns in layouts:
        wide = _widths(columns)
        if sum(wide) + 2 * (len(wide) - 1) <= width:
            break
    while sum(wide) + 2 * (len(wide) - 1) > width and max(wide) > 4:
        wide[wide.index(max(wide))] -= 1
    heads = [[head[line] for head, _ in columns] for line in (0, 1)]
    rows = [list(row) for row in zip(*(cells for _, cells in columns), strict=True)]
    shown = [*(heads if any(heads[0]) else heads[1:]), *rows]
    return ["  ".join(f"{w.shorten(cell, size):<{size}}" for cell, size in zip(r, wide, strict=True)) for r in shown]


def _widths(columns: list[Column]) -> list[int]:
    return [max(len(text) for text in (*head, *cells)) for head, cells in columns]


def _also(part: PartView, hole: Row) -> str:
    """Return what else isn't accepted in one or two words."""
    wrong = [
        name for name in part.asked
        if name not in {"size", *_PLACES} and any(w.is_fault(row["verdict"]) for row in rows_of(part, hole, name))
    ]  # fmt: skip
    text = ", ".join(dict.fromkeys(_SHORT.get(name, name) for name in wrong))
    return text if len(text) <= 9 else f"{len(wrong)} checks"


def rows_of(part: PartView, hole: Row, name: str) -> list[Row]:
    """Return the rows of one characteristic of a hole."""
    return [row for row in part.characteristics if row["hole"] == hole["hole"] and row["characteristic"] == name]


def _flag(rows: Sequence[Row]) -> str:
    worst = max((int(row["verdict"]) for row in rows), default=ACCEPT)
    return w.MARKS[worst] if worst != ACCEPT else " "


def _sizes(part: PartView, between: str) -> Column:
    """Return the smallest and the largest size of each hole that nobody doubts."""
    unit = part.specification.unit
    cells = []
    warm = any(part.as_read(row) is not None for row in part.characteristics)
    shown = w.corrected if warm else w.typed
    for hole in part.holes:
        low, high = float(hole["smallest"]), float(hole["largest"])
        rows = rows_of(part, hole, "size")
        nothing = "doubtful" if any(row["doubtful"] for row in rows) else "not read"
        text = nothing if math.isnan(low) else shown(low, unit)
        if high != low and not math.isnan(high):
            text += f"{between}{shown(high, unit)}"
        cells.append(_flag(rows) + text)
    return _column("", " Size at 20 °C" if warm else " Size read", cells)


def _places(part: PartView, name: str, *, allowed: bool) -> Column:
    """Return what lies worst of a position in each hole, with what is allowed."""
    unit = part.specification.unit
    cells = []
    for hole in part.holes:
        rows = rows_of(part, hole, name)
        if not rows:
            cells.append("")
            continue
        worst = worst_row(rows)
        limit = float(worst["upper"])
        text = "doubtful" if worst["doubtful"] else "not read"
        if not math.isnan(worst["found"]):
            text = w.computed(worst["found"], unit, limit) + (f"/{w.computed(limit, unit)}" if allowed else "")
        cells.append(_flag(rows) + text)
    if allowed:
        return _column(f" {_PLACES[name]}", "  /allowed", cells)
    words = _PLACES[name].rsplit(" ", 1)
    return _column(f" {words[0]}" if len(words) > 1 else "", f" {words[-1]}", cells)


def holes_in_brief(part: PartView) -> str:
    """Return how many holes are rejected, held, wait for others: 2 held, 6 wait of 8."""
    count = part.hole_count
    waiting = len(waiting_holes(part.characteristics, part.problems)) if count.hold else 0
    said = ((count.reject, "rejected"), (count.hold - waiting, "held"), (waiting, "waits" if waiting == 1 else "wait"))
    parts = [f"{number} {name}" for number, name in said if number]
    return ", ".join(parts) + (f" of {count.total}" if parts else f"all {count.total} accepted")


def _part_row(part: PartView) -> list[str]:
    margin = float(part.row["pin_margin"])
    verdict = int(part.row["pin_verdict"])
    pins = "" if verdict < 0 else "unknown" if math.isnan(margin) else w.signed(margin, part.specification.unit)
    flag = w.MARKS[verdict] if verdict > 0 else " " if pins else ""
    return [w.plain(part.part), w.plain(part.serial), holes_in_brief(part), f"{flag}{pins}", w.marked(part.verdict)]
