"""Many holes and walls in few words: ``Holes 1 to 8, both walls``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holeqc.specification.model import Specification

SPANS = 8  #: so many cells or spans of cells are named
_CELL = re.compile(r"(.*!)?([A-Z]+)(\d+)", re.DOTALL)
Place = tuple[str, str]  #: hole and wall, '' for the whole hole


def capital(text: str) -> str:
    """Return text with its first letter as a sentence begins."""
    return text[:1].upper() + text[1:]


def same_of_holes(held: Iterable[tuple[str, str]]) -> dict[tuple[str, ...], list[str]]:
    """Return holes by what is said of each: from (hole, name) the names of a hole, once each, with all such holes."""
    names: dict[str, dict[str, None]] = {}
    for hole, name in held:
        names.setdefault(hole, {})[name] = None
    holes: dict[tuple[str, ...], list[str]] = {}
    for hole, some in names.items():
        holes.setdefault(tuple(some), []).append(hole)
    return holes


def listed(names: Iterable[str]) -> str:
    """Return names once each, in their order: ``a, b``."""
    return ", ".join(dict.fromkeys(names))


def joined(names: Iterable[str]) -> str:
    """Return names once each: ``a``, ``a and b``, ``a, b and c``."""
    once = list(dict.fromkeys(names))
    return " and ".join([", ".join(once[:-1]), once[-1]] if len(once) > 1 else once)


def hole_numbers(spec: Specification, holes: Iterable[str]) -> str:
    """Return holes in the kit's order, three or more neighbours as a span: ``1, 3 to 8``."""
    return in_order(spec.hole_ids, holes)


def in_order(ids: Sequence[str], holes: Iterable[str]) -> str:
    """Return holes in the order of ``ids``, three or more neighbours as a span; unknown ones follow."""
    wanted = set(holes)
    runs: list[list[str]] = []
    last = -2
    for place, hole in enumerate(ids):
        if hole not in wanted:
            continue
        if place == last + 1:
            runs[-1].append(hole)
        else:
            runs.append([hole])
        last = place
    known = [f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(run) for run in runs]
    return ", ".join([*known, *sorted(wanted - set(ids))])


def span_words(spec: Specification, places: Sequence[Place]) -> str:
    """Return where many things are: ``Hole 3, far wall``, ``Holes 1 to 8, both walls``; no wall where there is one."""
    walls_of: dict[str, set[str]] = {}
    for hole, wall in places:
        walls_of.setdefault(hole, set()).add(wall)
    together: dict[frozenset[str], list[str]] = {}
    for hole, walls in walls_of.items():
        together.setdefault(frozenset(walls), []).append(hole)
    words = []
    for across, holes in together.items():
        head = f"hole{'s' if len(holes) > 1 else ''} {hole_numbers(spec, holes)}"
        words.append(head + _walls(spec, across))
    return capital("; ".join(words))


def _walls(spec: Specification, walls: frozenset[str]) -> str:
    known = [wall for wall in spec.walls.names if wall in walls]
    if not spec.walls.several or not known:
        return ""
    if len(known) == len(spec.walls.names):
        return ", both walls" if len(known) == 2 else ", all walls"
    return f", {joined(known)} wall{'s' if len(known) > 1 else ''}"


def cell_words(cells: Iterable[str], most: int = SPANS) -> str:
    """Return cells in their order, three or more below one another as a span: ``B8, I2 to I17 and 3 more``."""
    spans: list[tuple[str, str, int]] = []  # first cell, last cell, how many
    column, row = "", -1
    for cell in dict.fromkeys(cells):
        match = _CELL.fullmatch(cell)
        here, number = (f"{match[1] or ''}{match[2]}", int(match[3])) if match else (cell, -1)
        if match and spans and (here, number) == (column, row + 1):
            spans[-1] = (spans[-1][0], f"{match[2]}{number}", spans[-1][2] + 1)
        else:
            spans.append((cell, cell, 1))
        column, row = here, number
    named = [w for first, last, n in spans[:most] for w in ([first, last] if n == 2 else [_span(first, last, n)])]
    rest = sum(n for *_, n in spans[most:])
    return ", ".join(named) + (f" and {rest} more" if rest else "")


def _span(first: str, last: str, number: int) -> str:
    return first if number == 1 else f"{first} to {last}"
