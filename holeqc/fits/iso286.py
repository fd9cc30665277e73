"""ISO 286 (ANSI B4.2) limits: grades IT01 to IT18, shafts a to zc, holes A to ZC with the delta rule.

Fundamental deviations and grades come from the tables, never from the formulas, which differ from the standard in
places. The other limit is the deviation plus or minus the grade (ISO 286-1, clause 4).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike

from holeqc.fits.confirmation import RANK
from holeqc.fits.loading import load_table
from holeqc.fits.parse import IsoSide, parse_iso_class
from holeqc.fits.zones import STEPS, FitLimits, GradeTolerance, IntArray, ZoneTable, grade_widths
from holeqc.problems import TableError
from holeqc.quantities import FloatArray

SYSTEM = "ISO 286"
MICRON = STEPS // 1000  #: steps in a micrometre
SPECIAL_ES = {("M6", 250.0): -9 * MICRON}  #: 250 to 315 mm: an exception in the standard's table, not -11

LETTERS = (
    "a", "b", "c", "cd", "d", "e", "ef", "f", "fg", "g", "h", "js", "j", "k", "m", "n",
    "p", "r", "s", "t", "u", "v", "x", "y", "z", "za", "zb", "zc",
)  # fmt: skip

PREFERRED = {
    "H11/c11": "loose running", "H9/d9": "free running", "H8/f7": "close running", "H7/g6": "sliding",
    "H7/h6": "locational clearance", "H7/k6": "locational transition", "H7/n6": "locational transition",
    "H7/p6": "locational interference", "H7/s6": "medium drive", "H7/u6": "force",
    "C11/h11": "loose running", "D9/h9": "free running", "F8/h7": "close running", "G7/h6": "sliding",
    "K7/h6": "locational transition", "N7/h6": "locational transition", "P7/h6": "locational interference",
    "S7/h6": "medium drive", "U7/h6": "force",
}  #: ANSI B4.2 preferred fits, hole basis then shaft basis, by name  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Row:
    over: float
    to: float
    lower: int
    upper: int
    rank: int
    note: str


def letters(hole: bool) -> tuple[str, ...]:
    """Return the letters that have a table, in the standard's order, for holes or for shafts."""
    rows = load_table("iso286_holes" if hole else "iso286_shafts").rows
    found = dict.fromkeys(row["letter"] for row in rows)
    return tuple(letter for letter in ((o.upper() if hole else o) for o in LETTERS) if letter in found)


@cache
def side_table(side: IsoSide) -> ZoneTable:
    """Return the ranges and deviations of one class, such as H7 or g6.

    Raises:
        TableError: no such letter, or the letter has no entry for the grade; the message says which there are.
    """
    table = load_table("iso286_holes" if side.is_hole else "iso286_shafts")
    lettered = [row for row in table.rows if row["letter"] == side.letters]
    if not lettered:
        raise TableError(f"{SYSTEM} has no letter {side.letters!r}; it has {' '.join(letters(side.is_hole))}")
    fitting = [row for row in lettered if side.grade in _grades(row["grades"])]
    rows = [row for row in (_row(side, raw) for raw in fitting) if row is not None]
    if not rows:
        spans = ", ".join(dict.fromkeys(_span_text(span) for row in lettered for span in row["grades"].split()))
        raise TableError(f"{SYSTEM} has no {side.name}; {side.letters} has entries for grades {spans}")
    rows.sort(key=lambda row: row.over)
    steps = np.array([[row.lower, row.upper] for row in rows], dtype=np.int64)
    return ZoneTable(
        SYSTEM,
        side.name,
        "mm",
        np.array([row.over for row in rows]),
        np.array([row.to for row in rows]),
        steps if side.is_hole else None,
        None if side.is_hole else steps,
        np.array([row.rank for row in rows], dtype=np.int8),
        tuple(row.note for row in rows),
    )


@lru_cache(maxsize=1024)
def fit_table(cls: str) -> ZoneTable:
    """Return the ranges of a class text, one-sided or a fit; a fit has a row wherever both of its sides have one."""
    hole, shaft = parse_iso_class(cls)
    if hole is None or shaft is None:
        side = hole or shaft
        assert side is not None  # the parser gives at least one side
        return side_table(side)
    h, s = side_table(hole), side_table(shaft)
    edges = np.unique(np.concatenate([h.over, h.to, s.over, s.to]))
    over, to = edges[:-1], edges[1:]
    in_h, row_h = _covering(h, over, to)
    in_s, row_s = _covering(s, over, to)
    both = in_h & in_s
    i, j = row_h[both], row_s[both]
    assert h.hole is not None
    assert s.shaft is not None
    pairs = zip(i.tolist(), j.tolist(), strict=True)
    notes = tuple("; ".join(filter(None, (h.notes[a], s.notes[b]))) for a, b in pairs)
    rank = np.maximum(h.rank[i], s.rank[j])
    name = f"{hole.name}/{shaft.name}"
    return ZoneTable(SYSTEM, name, "mm", over[both], to[both], h.hole[i], s.shaft[j], rank, notes)


def limits(cls: str, size: ArrayLike) -> FitLimits:
    """Return the limits that ``H7/g6``, ``H7`` or ``g6`` gives at nominal sizes [mm], any shape.

    Raises:
        TableError: no such class, or a size outside its table.

    Source: ISO 286-1 and ISO 286-2 with Cor.1:2006, as tabulated; see each row's confirmation.
    """
    return fit_table(cls).limits(size)


def grade_tolerance(grade: str | int, size: ArrayLike) -> GradeTolerance:
    """Return the width [mm] of a grade (``7``, ``IT7``, ``01``) at nominal sizes [mm], any shape.

    Raises:
        TableError: no such grade, or a size outside its table.

    Source: ISO 286-1, table of standard tolerance grades.
    """
    name = str(grade).upper().removeprefix("IT")
    rows = [row for row in load_table("iso286_grades").rows if row["grade"] == name]
    if not rows:
        raise TableError(f"{SYSTEM} has no grade {grade!r}; grades are IT01, IT0 and IT1 to IT18")
    return grade_widths(SYSTEM, f"IT{name}", "mm", rows, MICRON, size)


def _covering(table: ZoneTable, over: FloatArray, to: FloatArray) -> tuple[np.ndarray, IntArray]:
    row = np.minimum(np.searchsorted(table.to, to, side="left"), table.to.size - 1)
    return (table.over[row] <= over) & (to <= table.to[row]), row.astype(np.int64)


def _row(side: IsoSide, raw: Mapping[str, str]) -> _Row | None:
    over, to = float(raw["over"]), float(raw["to"])
    grade = _grade_at(side.grade, over)
    if grade is None:
        return None
    width, rank = grade
    rank = max(rank, RANK[raw["confirmation"]])
    if raw["limit"] == "half":
        lower, upper = -width // 2, width // 2
    else:
        base = _steps(raw["deviation"])
        if raw["limit"] == "ES":
            shift = _delta(side, raw, over)
            if shift is None:
                return None
            base, rank = base + shift[0], max(rank, shift[1])
            base = SPECIAL_ES.get((side.name, over), base)
        lower, upper = (base, base + width) if raw["limit"] in ("EI", "ei") else (base - width, base)
    printed = _printed(side.name, over, to)
    return _Row(over, to, lower, upper, rank if printed is None else min(rank, printed), raw["note"])


def _delta(side: IsoSide, raw: Mapping[str, str], over: float) -> tuple[int, int] | None:
    """Delta in steps and its rank; zero where the rule does not act; None where the table has no delta."""
    if not raw["delta_to"] or side.grade > int(raw["delta_to"]) or over < 3.0:
        return 0, 0
    return _deltas().get((side.grade, _main_range(over)))


@cache
def _deltas() -> dict[tuple[int, float], tuple[int, int]]:
    return {
        (int(row["grade"]), float(row["over"])): (_steps(row["delta"]), RANK[row["confirmation"]])
        for row in load_table("iso286_delta").rows
    }


@cache
def _grade_widths() -> dict[tuple[int, float], tuple[int, int]]:
    return {
        (-1 if row["grade"] == "01" else int(row["grade"]), float(row["over"])): (
            _steps(row["tolerance"]),
            RANK[row["confirmation"]],
        )
        for row in load_table("iso286_grades").rows
    }


@cache
def _main_edges() -> tuple[float, ...]:
    return tuple(sorted({float(row["over"]) for row in load_table("iso286_grades").rows}))


def _main_range(over: float) -> float:
    return max(edge for edge in _main_edges() if edge <= over)


def _grade_at(grade: int, over: float) -> tuple[int, int] | None:
    return _grade_widths().get((grade, _main_range(over)))


@cache
def _printed_classes() -> dict[str, tuple[tuple[float, float, int], ...]]:
    found: dict[str, list[tuple[float, float, int]]] = {}
    for row in load_table("iso286_printed").rows:
        found.setdefault(row["class"], []).append((float(row["over"]), float(row["to"]), RANK[row["confirmation"]]))
    return {name: tuple(rows) for name, rows in found.items()}


def _printed(name: str, over: float, to: float) -> int | None:
    """Rank of a printed limit of this class that covers the range, or a printed size inside it."""
    ranks = [
        rank
        for low, high, rank in _printed_classes().get(name, ())
        if (low <= over and to <= high) or (low == high and over < low <= to)
    ]
    return min(ranks) if ranks else None


def _grades(text: str) -> set[int]:
    spans = (span.split("-") for span in text.split())
    return {g for low, high in spans for g in range(-1 if low == "01" else int(low), int(high) + 1)}


def _span_text(span: str) -> str:
    low, high = span.split("-")
    return low if low == high else f"{low} to {high}"


def _steps(microns: str) -> int:
    return round(float(microns) * MICRON)
