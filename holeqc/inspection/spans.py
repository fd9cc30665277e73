"""Many holes and walls in few words: ``Holes 1 to 8, both walls``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holeqc.specification.model import Specification

SPANS = 8  #: so many cells or spans of cells are named
_CELL = re.compile(r"(.*!)?([A-Z]+)(\d+)", re.DOTALL)
Place = tuple[str, str]  #: hole and wall, '' for the whole hole


def capital(text: str) -> str:
    """Return text with its first letter as a sentence begins."""
    return text[:1].upper() + text[1:]


def count_words(count: int) -> str:
    """Return a small count as running text writes it: seven."""
    words = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    return words[count] if count < len(words) else str(count)


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
    """Return cells in few words, three or more in a block as a span: ``B8, I2 to I17, C4 to F9 and 3 more``.

    A sheet is named with the first of its cells. Blocks come in the order of their first cells as given.
    """
    order = {cell: number for number, cell in enumerate(dict.fromkeys(cells))}
    blocks = _blocks_of(order)
    named: list[str] = []
    sheet = ""
    for place, columns, first, last in blocks[:most]:
        mark = place if place != sheet else ""
        sheet = place
        if len(columns) * (last - first + 1) > 2:
            named.append(f"{mark}{columns[0]}{first} to {columns[-1]}{last}")
        else:
            both = [f"{c}{row}" if row >= 0 else c for c in columns for row in range(first, last + 1)]
            named += [f"{mark}{both[0]}", *both[1:]]
    rest = sum(len(columns) * (last - first + 1) for _, columns, first, last in blocks[most:])
    return ", ".join(named) + (f" and {rest} more" if rest else "")


def _blocks_of(order: Mapping[str, int]) -> list[tuple[str, list[str], int, int]]:
    """Return cells as blocks: sheet with its mark, neighbouring columns, first and last row; -1 for what is no cell."""
    parted = {cell: _CELL.fullmatch(cell) for cell in order}
    others = [(order[cell], ("", [cell], -1, -1)) for cell, match in parted.items() if match is None]
    found = sorted((m[1] or "", len(m[2]), m[2], int(m[3]), cell) for cell, m in parted.items() if m is not None)
    runs: list[tuple[str, str, int, int, int]] = []  # sheet, column, first row, last row, order of its first cell
    for sheet, _, column, row, cell in found:
        if runs and runs[-1][:2] == (sheet, column) and runs[-1][3] == row - 1:
            runs[-1] = (sheet, column, runs[-1][2], row, min(runs[-1][4], order[cell]))
        else:
            runs.append((sheet, column, row, row, order[cell]))
    blocks: list[tuple[int, tuple[str, list[str], int, int]]] = []
    for sheet, column, first, last, at in sorted(runs, key=lambda r: (r[0], r[2], r[3], len(r[1]), r[1])):
        if blocks:
            before, (place, columns, top, bottom) = blocks[-1]
            if (place, top, bottom) == (sheet, first, last) and column_number(column) == column_number(columns[-1]) + 1:
                columns.append(column)
                blocks[-1] = (min(before, at), blocks[-1][1])
                continue
        blocks.append((at, (sheet, [column], first, last)))
    return [block for _, block in sorted([*blocks, *others], key=lambda item: item[0])]


def column_number(letters: str) -> int:
    """Return the number of a column from its letters: A is 1, AA is 27."""
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - 64
    return number
