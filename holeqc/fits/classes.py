"""Limits of size of a class: ANSI B4.1 inch fits, ISO 286 (ANSI B4.2), and the tables they are read from."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache, lru_cache
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.door import own_text
from holeqc.fits.clearance import band, kind_of
from holeqc.problems import DataError, TableError
from holeqc.quantities import GRAIN, FloatArray, IntArray, Unit, convert, decimals_of, format_length, parse_length

# The one reader of the tables that lie beside this code: CSV with header lines that begin with ``#``.


@dataclass(frozen=True, slots=True)
class Table:
    """A published table as text: what its header lines say, and its rows by column name."""

    name: str
    header: tuple[str, ...]
    rows: tuple[MappingProxyType[str, str], ...]


@cache
def load_table(name: str) -> Table:
    """Return the table ``tables/<name>.csv`` of this package; read once, then kept."""
    text = own_text("fits", "tables", f"{name}.csv")
    lines = text.splitlines()
    header = tuple(line[1:].strip() for line in lines if line.startswith("#"))
    body = [line for line in lines if line and not line.startswith("#")]
    return Table(name, header, tuple(MappingProxyType(row) for row in csv.DictReader(body)))


# How a number is known, in plain words, from the best evidence to none.
#
# ``exact`` arithmetic or definition; ``two sources`` two separately printed tables agree; ``one source`` one printed
# table; ``derived`` by the rule of the standard from printed values; ``disputed`` printed tables differ; ``memory`` no
# outside evidence.


WORDS = ("exact", "two sources", "one source", "derived", "disputed", "memory")
RANK = {word: rank for rank, word in enumerate(WORDS)}

_WARNINGS = {
    "derived": "derived by the rule of the standard, not read in a printed table",
    "disputed": "printed tables differ here",
    "memory": "from memory, unconfirmed",
}


def warning(word: str, what: str) -> str:
    """Return a sentence that warns of a number no printed source confirms, empty when one does."""
    if word not in _WARNINGS:
        return ""
    return f"{what}: {_WARNINGS[word]}. Check it against the standard before you rely on it."


# Tolerance zones: a table of size ranges with deviations, and the look-up of any number of sizes in it.
#
# Deviations are kept as whole numbers of 0.00001 of the unit (inch or mm), fine enough for every printed value and its
# half, so that sums and differences are exact; sizes come back rounded to ten decimals.


STEPS = 100_000  #: steps of a deviation in one unit
DECIMALS = 10  #: a size keeps so many decimals, one more than `quantities.GRAIN` tells apart


@dataclass(frozen=True, slots=True)
class Zone:
    """Tolerance zone of holes or shafts: deviations from nominal and limits of size, all in the system's unit.

    Every field has the shape of the sizes that were asked for.
    """

    lower_deviation: FloatArray
    upper_deviation: FloatArray
    min: FloatArray
    max: FloatArray


@dataclass(frozen=True, slots=True)
class FitLimits:
    """What a class gives at one or many nominal sizes.

    ``hole`` or ``shaft`` is None for a class that names one side only, the clearances then too. ``rank`` counts the
    confirmation of each size (index of `confirmation.WORDS`). An interference is a negative clearance.
    """

    system: str
    name: str
    unit: Unit
    nominal: FloatArray
    hole: Zone | None
    shaft: Zone | None
    clearance_min: FloatArray | None
    clearance_max: FloatArray | None
    rank: NDArray[np.int8]
    notes: tuple[str, ...]

    @property
    def confirmation(self) -> str:
        """How the numbers are known: the weakest word among the sizes asked for."""
        return WORDS[int(self.rank.max())] if self.rank.size else WORDS[0]

    @property
    def warning(self) -> str:
        """A sentence when no printed source confirms the numbers, else empty."""
        return warning(self.confirmation, f"{self.system} {self.name}")


@dataclass(frozen=True, slots=True)
class ZoneTable:
    """The rows of one class: size ranges ``over`` (excluded) ``to`` (included) with the zones that hold there."""

    system: str
    name: str
    unit: Unit
    over: FloatArray
    to: FloatArray
    hole: IntArray | None
    shaft: IntArray | None
    rank: NDArray[np.int8]
    notes: tuple[str, ...]

    @property
    def ranges(self) -> str:
        """The sizes that have an entry, in words: ``over 0.95 to 19.69 in``."""
        spans: list[list[float]] = []
        for low, high in zip(self.over.tolist(), self.to.tolist(), strict=True):
            if spans and abs(spans[-1][1] - low) <= GRAIN:
                spans[-1][1] = high
            else:
                spans.append([low, high])
        return ", ".join(f"over {low:g} to {high:g} {self.unit}" for low, high in spans)

    def rows_for(self, sizes: FloatArray) -> NDArray[np.intp]:
        """Return the row of each size; a size on a range's edge belongs to the range that it closes.

        Raises:
            TableError: a size has no row; the message names it and the ranges that exist.
        """
        row = np.searchsorted(self.to + GRAIN, sizes, side="left")
        inside = np.minimum(row, self.to.size - 1)
        bad = (row == self.to.size) | ~(sizes > self.over[inside] + GRAIN)
        if bad.any():
            raise self._no_entry(float(sizes[bad].flat[0]), int(bad.sum()))
        return row

    def limits(self, sizes: ArrayLike) -> FitLimits:
        """Return deviations, limits of size and clearances at nominal sizes [unit of the table], any shape.

        Raises:
            DataError: a size is not a finite positive number.
            TableError: a size lies outside the table.
        """
        nominal = np.asarray(sizes, dtype=np.float64)
        bad = nominal[~(nominal > 0.0) | ~np.isfinite(nominal)]
        if bad.size:
            raise DataError(f"{self.name}: a nominal size must be a positive number; found {bad[0]:g}")
        row = self.rows_for(nominal)
        hole = None if self.hole is None else _zone(self.hole, row, nominal)
        shaft = None if self.shaft is None else _zone(self.shaft, row, nominal)
        least = greatest = None
        if self.hole is not None and self.shaft is not None:
            least = np.asarray(((self.hole[:, 0] - self.shaft[:, 1]) / STEPS)[row])
            greatest = np.asarray(((self.hole[:, 1] - self.shaft[:, 0]) / STEPS)[row])
        notes = tuple(dict.fromkeys(n for n in map(self.notes.__getitem__, np.unique(row).tolist()) if n))
        rank = np.asarray(self.rank[row])
        return FitLimits(
            self.system, self.name, self.unit, _rounded(nominal), hole, shaft, least, greatest, rank, notes
        )

    def _no_entry(self, size: float, count: int) -> TableError:
        more = f" (and {count - 1} more)" if count > 1 else ""
        return TableError(
            f"{self.system} {self.name} has no entry for {size:g} {self.unit}{more}; it goes {self.ranges}. "
            f"Choose another class, or check the size and its unit"
        )

    def covers(self, size: float) -> bool:
        """Whether the table has an entry for a size."""
        return bool(((size > self.over + GRAIN) & (size <= self.to + GRAIN)).any())


def refuse_no_part(found: FitLimits) -> None:
    """Raise DataError when a class leaves nothing of a hole or shaft: a first range begins at no size at all."""
    for what, zone in (("hole", found.hole), ("shaft", found.shaft)):
        if zone is not None and bool((zone.min <= GRAIN).any()):
            at = np.flatnonzero(np.ravel(zone.min) <= GRAIN)[0]
            size, left = float(np.ravel(found.nominal)[at]), float(np.ravel(zone.min)[at])
            raise DataError(
                f"{found.system} {found.name} at {size:g} {found.unit}: the smallest {what} would be {left + 0.0:g} "
                f"{found.unit}, no part at all. The size is too small for this class; check the size and its unit"
            )


def _zone(steps: IntArray, row: NDArray[np.intp], nominal: FloatArray) -> Zone:
    lower, upper = np.asarray((steps[:, 0] / STEPS)[row]), np.asarray((steps[:, 1] / STEPS)[row])
    return Zone(lower, upper, _rounded(nominal + lower), _rounded(nominal + upper))


def _rounded(sizes: FloatArray) -> FloatArray:
    """Sizes with the binary tail of a sum removed, so that 0.5 - 0.0006 is the number that 0.4994 is."""
    return np.asarray(np.round(sizes, DECIMALS))


# Class and size text as people type it: ``RC4``, ``H7/g6``, ``js6``, ``7/16``, ``11.5 mm``.


_INCH = re.compile(r"^\s*(RC|LC|LT|LN|FN)[\s-]*(\d{1,2})\s*$", re.IGNORECASE)
_ISO_SIDE = re.compile(r"^([A-Z]{1,2}|[a-z]{1,2})\s?(01|0|[1-9]\d?)$")
_INCH_CLASSES = "RC1 to RC9, LC1 to LC11, LT1 to LT6, LN1 to LN3, FN1 to FN5"

INCH_PER_MM = Fraction(10, 254)


@dataclass(frozen=True, slots=True)
class IsoSide:
    """One side of an ISO 286 class: letters as written (capitals for holes) and the grade, -1 for IT01."""

    letters: str
    grade: int

    @property
    def is_hole(self) -> bool:
        """Whether the class is for holes: capital letters."""
        return self.letters.isupper()

    @property
    def name(self) -> str:
        """The class as the standard writes it, ``H7`` or ``js01``."""
        return f"{self.letters}{'01' if self.grade < 0 else self.grade}"


def is_inch_class(text: str) -> bool:
    """Return whether a class text has the form of an ANSI B4.1 class (``RC4``), existing or not."""
    return _INCH.match(text) is not None


def parse_inch_class(text: str) -> str:
    """Return an ANSI B4.1 class name in its normal form: ``rc 4`` -> ``RC4``. Raises TableError for another form."""
    match = _INCH.match(text)
    if match is None:
        raise TableError(f"{text!r} is not a class of ANSI B4.1; it has {_INCH_CLASSES}")
    return f"{match[1].upper()}{int(match[2])}"


def parse_iso_class(text: str) -> tuple[IsoSide | None, IsoSide | None]:
    """Return the hole and the shaft side of an ISO 286 class; ``H7/g6`` gives both, ``H7`` or ``g6`` one.

    Raises:
        TableError: the text is no class, names two holes or two shafts, or a grade beyond 18.
    """
    parts = [part.strip() for part in re.split(r"[/\s-]+", text.strip())]
    if len(parts) == 2 and not parts[1][:1].isalpha():  # "H 7" is one class with a space
        parts = ["".join(parts)]
    sides = [_iso_side(part, text) for part in parts]
    holes = [side for side in sides if side.is_hole]
    shafts = [side for side in sides if not side.is_hole]
    if len(sides) > 2 or len(holes) > 1 or len(shafts) > 1:
        raise TableError(f"{text!r} is not a fit; write the hole class, then the shaft class: H7/g6")
    return (holes[0] if holes else None), (shafts[0] if shafts else None)


def _iso_side(part: str, text: str) -> IsoSide:
    match = _ISO_SIDE.match(part)
    if match is None:
        raise TableError(
            f"{text!r} is not a class of ISO 286; write letters and grade, capitals for holes: H7, g6, H7/g6, JS7, js6"
        )
    grade = -1 if match[2] == "01" else int(match[2])
    if grade > 18:
        raise TableError(f"{text!r}: grade {grade} does not exist; grades are 01, 0 and 1 to 18")
    return IsoSide(match[1], grade)


def parse_size(text: str, unit: Unit) -> float:
    """Return a typed size in the wanted unit; a size that names no unit is in that unit already.

    ``7/16``, ``1 1/2``, ``0.4375``, ``11.5 mm``. The conversion is exact before the last rounding to a float. Raises
    DataError for text that is no length.
    """
    value, named_unit = parse_length(text)
    if named_unit is not None and named_unit != unit:
        value = value * INCH_PER_MM if unit == "in" else value / INCH_PER_MM
    return float(value)


# ANSI B4.1 inch fits: classes RC, LC, LT, LN, FN, read from the tables.
#
# The standard's printed fit tables win over its grades: in the smallest range they use another grade 5 than the table
# of grades, and several bands of LN, LT and FN differ from the grades as printed.


SYSTEM = "ANSI B4.1"
THOUSANDTH = STEPS // 1000  #: steps in 0.001 in

MEANINGS = {
    "RC1": "close sliding", "RC2": "sliding", "RC3": "precision running", "RC4": "close running",
    "RC5": "medium running", "RC6": "medium running", "RC7": "free running", "RC8": "loose running",
    "RC9": "loose running", "LC": "locational clearance", "LT": "locational transition",
    "LN": "locational interference", "FN1": "light drive", "FN2": "medium drive", "FN3": "heavy drive",
    "FN4": "force", "FN5": "force",
}  # fmt: skip


def classes() -> tuple[str, ...]:
    """Return the names of all classes in table order: RC1 to RC9, LC1 to LC11, LT1 to LT6, LN1 to LN3, FN1 to FN5."""
    return tuple(dict.fromkeys(row["class"] for row in load_table("b41_fits").rows))


def meaning(cls: str) -> str:
    """Return what a class is called in the standard: ``RC4`` -> ``close running``."""
    return MEANINGS.get(cls) or MEANINGS[cls[:2]]


@cache
def class_table(cls: str) -> ZoneTable:
    """Return the rows of one class, named as in `classes`; raises TableError for an unknown class."""
    rows = [row for row in load_table("b41_fits").rows if row["class"] == cls]
    if not rows:
        raise TableError(f"{SYSTEM} has no class {cls!r}; it has {', '.join(classes())}")
    hole = [[_steps(row["hole_lower"]), _steps(row["hole_upper"])] for row in rows]
    shaft = [[_steps(row["shaft_lower"]), _steps(row["shaft_upper"])] for row in rows]
    return ZoneTable(
        SYSTEM, cls, "in", np.array([float(row["over"]) for row in rows]), np.array([float(row["to"]) for row in rows]),
        np.array(hole, dtype=np.int64), np.array(shaft, dtype=np.int64),
        np.array([RANK[row["confirmation"]] for row in rows], dtype=np.int8), tuple(row["note"] for row in rows),
    )  # fmt: skip


def limits(cls: str, size: ArrayLike) -> FitLimits:
    """Return hole, shaft and clearance of a class at nominal sizes [in], any shape.

    Raises:
        TableError: unknown class, or a size without an entry in its table.

    Source: ANSI B4.1-1967, fit tables; each row says how it is confirmed.
    """
    table = class_table(parse_inch_class(cls))
    try:
        return table.limits(size)
    except TableError as error:
        uncovered = [float(x) for x in np.asarray(size, dtype=np.float64).ravel() if not table.covers(float(x))]
        others = [name for name in classes() if class_table(name).covers(uncovered[0])]
        have = f"classes with an entry there: {', '.join(others)}" if others else "no class has an entry there"
        raise TableError(f"{error}; {have}") from None


def _steps(thousandths: str) -> int:
    return round(float(thousandths) * THOUSANDTH)


# ISO 286 (ANSI B4.2) limits: grades IT01 to IT18, shafts a to zc, holes A to ZC with the delta rule.
#
# Fundamental deviations and grades come from the tables, never from the formulas, which differ from the standard in
# places. The other limit is the deviation plus or minus the grade (ISO 286-1, clause 4).


ISO286_SYSTEM = "ISO 286"
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
        raise TableError(f"{ISO286_SYSTEM} has no letter {side.letters!r}; it has {' '.join(letters(side.is_hole))}")
    graded = (_row(side, raw) for raw in lettered if side.grade in _grades(raw["grades"]))
    rows = [row for row in graded if row is not None]
    if not rows:
        spans = ", ".join(dict.fromkeys(_span_text(span) for row in lettered for span in row["grades"].split()))
        raise TableError(f"{ISO286_SYSTEM} has no {side.name}; {side.letters} has entries for grades {spans}")
    rows.sort(key=lambda row: row.over)
    steps = np.array([[row.lower, row.upper] for row in rows], dtype=np.int64)
    return ZoneTable(
        ISO286_SYSTEM, side.name, "mm", np.array([row.over for row in rows]), np.array([row.to for row in rows]),
        steps if side.is_hole else None, None if side.is_hole else steps,
        np.array([row.rank for row in rows], dtype=np.int8), tuple(row.note for row in rows),
    )  # fmt: skip


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
    return ZoneTable(ISO286_SYSTEM, name, "mm", over[both], to[both], h.hole[i], s.shaft[j], rank, notes)


def iso286_limits(cls: str, size: ArrayLike) -> FitLimits:
    """Return the limits that ``H7/g6``, ``H7`` or ``g6`` gives at nominal sizes [mm], any shape.

    Raises:
        TableError: no such class, or a size outside its table.

    Source: ISO 286-1 and ISO 286-2 with Cor.1:2006, as tabulated; see each row's confirmation.
    """
    return fit_table(cls).limits(size)


def _covering(table: ZoneTable, over: FloatArray, to: FloatArray) -> tuple[np.ndarray, IntArray]:
    row = np.minimum(np.searchsorted(table.to, to, side="left"), table.to.size - 1)
    return (table.over[row] <= over) & (to <= table.to[row]), row.astype(np.int64)


def _row(side: IsoSide, raw: Mapping[str, str]) -> _Row | None:
    over, to = float(raw["over"]), float(raw["to"])
    grade = _grade_widths().get((side.grade, _main_range(over)))
    if grade is None:
        return None
    width, rank = grade
    rank = max(rank, RANK[raw["confirmation"]])
    if raw["limit"] == "half":
        lower, upper = -width // 2, width // 2
    else:
        base = _iso286_steps(raw["deviation"])
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
        (int(row["grade"]), float(row["over"])): (_iso286_steps(row["delta"]), RANK[row["confirmation"]])
        for row in load_table("iso286_delta").rows
    }


@cache
def _grade_widths() -> dict[tuple[int, float], tuple[int, int]]:
    return {
        (-1 if row["grade"] == "01" else int(row["grade"]), float(row["over"])): (
            _iso286_steps(row["tolerance"]),
            RANK[row["confirmation"]],
        )
        for row in load_table("iso286_grades").rows
    }


@cache
def _main_edges() -> tuple[float, ...]:
    return tuple(sorted({float(row["over"]) for row in load_table("iso286_grades").rows}))


def _main_range(over: float) -> float:
    return max(edge for edge in _main_edges() if edge <= over)


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


def _iso286_steps(microns: str) -> int:
    return round(float(microns) * MICRON)


# Limits of size that a class text stands for, in whichever unit a drawing uses.


Side = Literal["hole", "shaft"]


@dataclass(frozen=True, slots=True)
class ClassLimits:
    """Limits of size of one side of a class, in the unit asked for, and how they are known."""

    lower: float
    upper: float
    confirmation: str
    system: str
    name: str
    side: Side
    unit: Unit
    warning: str


def fit_limits(text: str, nominal: float, unit: Unit) -> FitLimits:
    """Return what a class of either system gives at a nominal size, in the system's own unit.

    ``text`` is an ANSI B4.1 class (``RC7``) or an ISO 286 class (``H11``, ``g6``, ``H7/g6``); ``nominal`` is in
    ``unit``.

    Raises:
        TableError: unknown class or a size outside its table.
    """
    if is_inch_class(text):
        return limits(text, convert(nominal, unit, "in"))
    return iso286_limits(text, convert(nominal, unit, "mm"))


def limits_for_class(text: str, nominal: float, unit: Unit, side: Side | None = None) -> ClassLimits:
    """Return the limits of size [unit] that a class gives at a nominal size [unit].

    ``side`` chooses hole or shaft of a class that names both (``RC7``, ``H7/g6``); not given, it is the hole. A class
    of one side (``H11``, ``g6``) gives that side.

    Raises:
        TableError: unknown class or a size outside its table.
        DataError: the class has no such side, or leaves nothing of the part at this size.

    Source: ANSI B4.1-1967; ISO 286-1 and 286-2.
    """
    found = fit_limits(text, nominal, unit)
    refuse_no_part(found)
    wanted: Side = side or ("hole" if found.hole is not None else "shaft")
    zone = found.hole if wanted == "hole" else found.shaft
    if zone is None:
        other = "shaft" if wanted == "hole" else "hole"
        raise DataError(f"{text!r} is a class for a {other}, not for a {wanted}; capitals are holes in ISO 286")
    lower, upper = (round(float(convert(limit, found.unit, unit)), DECIMALS) for limit in (zone.min, zone.max))
    return ClassLimits(lower, upper, found.confirmation, found.system, found.name, wanted, unit, found.warning)


# A fit in one short sentence.


def describe_fit(hole_lo: float, hole_hi: float, pin_lo: float, pin_hi: float, unit: Unit) -> str:
    """Return a short sentence on the fit of a hole and a pin band; equal low and high stand for a measured size.

    All four sizes are in ``unit``. Raises DataError for a band upside down.
    """
    if hole_lo > hole_hi + GRAIN or pin_lo > pin_hi + GRAIN:
        raise DataError("a band's low limit is above its high limit; give the low limit first")
    least, greatest = hole_lo - pin_hi, hole_hi - pin_lo
    kind = str(kind_of(least, greatest))
    if kind == "interference":
        return f"interference fit, {_span(-greatest, -least, unit)} tight"
    if kind == "clearance":
        return f"clearance fit, {_span(least, greatest, unit)} loose"
    return f"transition fit, from {_amount(-least, unit)} tight to {_amount(greatest, unit)} loose"


def _span(low: float, high: float, unit: Unit) -> str:
    if high - low <= GRAIN:
        return _amount(low, unit)
    return f"{format_length(low, unit)} to {_amount(high, unit)}"


def _amount(value: float, unit: Unit) -> str:
    return f"{format_length(value, unit)} {unit}"


# The other way round: which published class a hole band and a pin band match, or come nearest to.


HALF_DIGIT = {"in": 0.00005, "mm": 0.0005}  #: half of the last digit that a drawing usually gives
NEAREST = 5  #: classes shown beside a pair
SHOP_WORDS = ("running", "sliding", "locational", "force")


@dataclass(frozen=True, slots=True)
class Match:
    """One published class beside the pair; lengths in the unit that was asked in.

    ``difference`` is the largest of the differences in hole tolerance, pin tolerance, least and greatest clearance:
    zero when the class gives the very pair. ``nominal`` is the nominal size at which it would. ``matches`` allows half
    of a drawing's last digit (0.00005 in, 0.0005 mm).
    """

    system: str
    name: str
    meaning: str
    shop_word: str
    nominal: float
    clearance_min: float
    clearance_max: float
    difference: float
    matches: bool
    confirmation: str


@dataclass(frozen=True, slots=True)
class PairFit:
    """What a hole band and a pin band make together, and the classes nearest to it, best first."""

    unit: Unit
    clearance_min: float
    clearance_max: float
    kind: str
    shop_word: str
    sentence: str
    nearest: tuple[Match, ...]


def match_pair(hole: tuple[float, float], pin: tuple[float, float], unit: Unit) -> PairFit:
    """Return the classes of ANSI B4.1 and the preferred fits of ISO 286 that a pair matches or comes nearest to.

    ``hole`` and ``pin`` are (low, high) limits of size [unit]. Classes are taken at the size range of the hole's low
    limit; a pair outside the systems' tables has no nearest class.

    Raises:
        DataError: limits upside down or not positive.

    Source: classes from ANSI B4.1-1967 and ANSI B4.2 / ISO 286; 'nearest' is our own measure.
    """
    for limits in (hole, pin):
        band(*limits)
    least, greatest = round(hole[0] - pin[1], 10), round(hole[1] - pin[0], 10)
    # hole and shaft basis of one fit differ in the nominal size only: a drawing's is the one with fewer decimals
    matches = sorted(_candidates(hole, pin, unit), key=lambda m: (round(m.difference, 9), decimals_of(m.nominal)))
    kind = str(kind_of(least, greatest))
    word, sentence = _words(least, greatest, kind, matches)
    return PairFit(unit, least, greatest, kind, word, sentence, tuple(matches[:NEAREST]))


def shop_word(meaning: str) -> str:
    """Return running, sliding, locational or force for a class's meaning: ``medium drive`` -> ``force``."""
    for word in SHOP_WORDS[:3]:
        if word in meaning:
            return word
    return "force"


def _candidates(hole: tuple[float, float], pin: tuple[float, float], unit: Unit) -> list[Match]:
    def compare(find: Callable[[str, float], FitLimits], name: str, words: str, system_unit: Unit) -> Match | None:
        try:
            found = find(name, float(convert(hole[0], unit, system_unit)))
        except TableError:
            return None  # its table has no entry at the size
        return _compare(found, words, hole, pin, unit)

    inch = [compare(limits, name, meaning(name), "in") for name in classes()]
    metric = [compare(iso286_limits, name, words, "mm") for name, words in PREFERRED.items()]
    own_first = inch + metric if unit == "in" else metric + inch
    return [match for match in own_first if match is not None]


def _compare(
    limits: FitLimits, meaning: str, hole: tuple[float, float], pin: tuple[float, float], unit: Unit
) -> Match:
    assert limits.hole is not None  # every candidate names both sides
    assert limits.shaft is not None
    deviations = (limits.hole.lower_deviation, limits.hole.upper_deviation, limits.shaft.lower_deviation,
                  limits.shaft.upper_deviation)  # fmt: skip
    low_h, high_h, low_s, high_s = (float(convert(value, limits.unit, unit)) for value in deviations)
    least, greatest = low_h - high_s, high_h - low_s
    difference = max(
        abs(high_h - low_h - (hole[1] - hole[0])), abs(high_s - low_s - (pin[1] - pin[0])),
        abs(least - (hole[0] - pin[1])), abs(greatest - (hole[1] - pin[0])),
    )  # fmt: skip
    return Match(
        limits.system, limits.name, meaning, shop_word(meaning), round(hole[0] - low_h, DECIMALS),
        round(least, DECIMALS), round(greatest, DECIMALS), round(difference, DECIMALS),
        difference <= HALF_DIGIT[unit] + GRAIN, limits.confirmation,
    )  # fmt: skip


def _words(least: float, greatest: float, kind: str, matches: list[Match]) -> tuple[str, str]:
    if not matches:
        return kind, f"A {kind} fit outside the sizes of the published systems."
    best = matches[0]
    if best.matches:
        return best.shop_word, f"A {best.meaning} fit: {best.system} {best.name}."
    nearest = f"the nearest is {best.system} {best.name}, {best.meaning}."
    middles = [match.clearance_min + match.clearance_max for match in matches]
    if least + greatest > max(middles):
        return "running", f"Looser than every published class; {nearest}"
    if least + greatest < min(middles):
        return "force", f"Tighter than every published class; {nearest}"
    article = "An" if kind[0] in "aeiou" else "A"
    return best.shop_word, f"{article} {kind} fit; no class matches, {nearest}"
