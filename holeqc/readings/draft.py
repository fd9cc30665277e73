"""The readings of a run while they are gathered: arrays and codes; at the end the tidy table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holeqc.characteristics import MEASURED, NUMBERS, unit_of, with_unit
from holeqc.problems import Problem
from holeqc.quantities import DECIMALS, GRAIN, BoolArray, FloatArray, IntArray, convert, format_length
from holeqc.readings.containers import CodeArray, refusal
from holeqc.readings.table import (
    CHARACTERISTICS,
    COLUMNS,
    Collector,
    beyond,
    cell_name,
    drawn_distances,
    edge_span,
    inside_spans,
    measured_limits,
    measured_reach,
    measured_span,
    place_reach,
    position_tolerance,
    size_reach,
    size_spans,
)
from holeqc.readings.values import A_DATE, NUMBER, fractions_of, typed_as
from holeqc.readings.words import WORDS
from holeqc.specification.model import Specification, required_edge
from holeqc.tables import Table, Texts, numbered, ranked

MOST_HOLES = 400_000  #: of all parts of one run: three times a million readings; each is judged and told of by itself
UNIT_CODES = ("", "in", "mm")
Array = NDArray[Any]

#: name -> type of the arrays of a draft; texts are codes, -1 where none
TYPES: dict[str, str] = {
    "part": "int16",
    "serial": "int32",
    "hole": "int16",
    "wall": "int16",
    "characteristic": "int8",
    "direction": "float64",
    "trial": "int16",
    "value": "float64",
    "word": "int8",
    "typed": "int32",
    "unit": "int8",
    "gauge": "int32",
    "temperature_c": "float64",
    "date": "datetime64[D]",
    "latest": "datetime64[D]",
    "by": "int32",
    "note": "int32",
    "file": "int16",
    "sheet": "int16",
    "row": "int32",
    "column": "int16",
    "issue": "int32",
    "raw": "float64",
    "text": "bool",
    "ends": "int32",
}


class Interner:
    """Distinct texts in order of appearance, each with a code."""

    def __init__(self) -> None:
        self.index: dict[str, int] = {}

    def codes(self, texts: Iterable[str]) -> CodeArray:
        """Return the codes of texts, new ones for new texts."""
        index = self.index
        return np.array([index.setdefault(t, len(index)) for t in texts], dtype=np.int32)

    def code(self, text: str) -> int:
        """Return the code of one text."""
        return self.index.setdefault(text, len(self.index))

    @property
    def texts(self) -> list[str]:
        """All texts in the order of their codes."""
        return list(self.index)


@dataclass(slots=True)
class Draft:
    """Everything read so far. ``issues[0]`` is None; the array ``issue`` points into it."""

    spec: Specification
    serial: Interner = field(default_factory=Interner)
    typed: Interner = field(default_factory=Interner)
    gauge: Interner = field(default_factory=Interner)
    by: Interner = field(default_factory=Interner)
    note: Interner = field(default_factory=Interner)
    file: Interner = field(default_factory=Interner)
    sheet: Interner = field(default_factory=Interner)
    doubt: Interner = field(default_factory=Interner)
    ends: Interner = field(default_factory=Interner)  #: what distances are of
    issues: list[Problem | None] = field(default_factory=lambda: [None])
    chunks: list[dict[str, Array]] = field(default_factory=list)
    most_holes: int = MOST_HOLES
    reported: set[int] = field(default_factory=set)  #: issues that were reported for their row or column already
    _issue_index: dict[Problem, int] = field(default_factory=dict)

    def issue_code(self, issue: Problem | None) -> int:
        """Return the place of an issue in ``issues``."""
        if issue is None:
            return 0
        if issue not in self._issue_index:
            self._issue_index[issue] = len(self.issues)
            self.issues.append(issue)
        return self._issue_index[issue]

    def add(self, arrays: dict[str, Array]) -> None:
        """Add readings; every array of `TYPES` must be there, all of one length."""
        self.room_for(0)
        arrays.setdefault("ends", np.broadcast_to(np.int32(-1), np.size(arrays["row"])))
        self.chunks.append({name: np.asarray(arrays[name]).astype(kind, copy=False) for name, kind in TYPES.items()})

    def room_for(self, serials: int) -> None:
        """Refuse so many serial numbers before any of them is looked at.

        Raises:
            ReadingsError: more than a run of judging can need.
        """
        most = max(1, self.most_holes // max(2, len(self.spec.holes)))
        if max(serials, len(self.serial.index)) > most:
            raise refusal(
                self.file.texts[-1] if self.file.index else "",
                "too-large",
                "the files name far too many serial numbers for one run",
                found=f"over {most}",
                allowed=f"at most {most} with this kit",
                action="Split them into several runs; is the serial number in the right column?",
            )

    def arrays(self) -> dict[str, Array]:
        """Return all readings, each array in one piece."""
        if not self.chunks:
            return {name: np.empty(0, dtype=kind) for name, kind in TYPES.items()}
        if len(self.chunks) > 1:
            self.chunks = [{name: np.concatenate([c[name] for c in self.chunks]) for name in TYPES}]
        return self.chunks[0]

    def table(self, arrays: dict[str, Array], doubt: Array) -> Table:
        """Return the tidy table; ``doubt`` (n,) holds codes of `doubt`, -1 where there is none."""
        spec = self.spec
        data: dict[str, Any] = {
            "part": _listed(arrays["part"], [p.name for p in spec.parts]),
            "serial": _interned(arrays["serial"], self.serial),
            "hole": _listed(arrays["hole"], spec.hole_ids),
            "wall": _listed(arrays["wall"], spec.walls.names),
            "characteristic": _listed(arrays["characteristic"], CHARACTERISTICS),
            "word": Texts(
                np.where(arrays["ends"] >= 0, arrays["ends"] + len(WORDS), arrays["word"]), [*WORDS, *self.ends.texts]
            ),
            "unit": Texts(arrays["unit"], UNIT_CODES),
            "date": arrays["date"].astype("datetime64[s]"),
            "doubt": _interned(doubt, self.doubt),
        }
        for name in ("typed", "gauge", "by", "note", "file", "sheet"):
            data[name] = _interned(arrays[name], getattr(self, name))
        for name in ("direction", "trial", "value", "temperature_c", "row", "column"):
            data[name] = arrays[name]
        return Table({name: data[name] for name in COLUMNS})


def _listed(codes: Array, names: Sequence[str]) -> Texts:
    """Return a column of known names, '' where the code is -1."""
    texts = [*names, *([] if "" in names else [""])]
    return Texts(np.where(codes < 0, texts.index(""), codes), texts)


def _interned(codes: Array, interner: Interner) -> Texts:
    blank = interner.code("")
    return Texts(np.where(codes < 0, blank, codes), interner.texts)


class Cell:
    """Turns a reading's place in the arrays into what a problem says about it."""

    def __init__(self, draft: Draft, arrays: dict[str, Array]) -> None:
        self._draft, self._arrays = draft, arrays
        self._serials, self._typed = draft.serial.texts, draft.typed.texts
        self._files, self._sheets = draft.file.texts, draft.sheet.texts

    def place(self, index: int) -> dict[str, str]:
        """Return file, sheet, cell, part, serial, hole and wall of a reading."""
        a, spec = self._arrays, self._draft.spec
        part, serial, hole, wall = (int(a[n][index]) for n in ("part", "serial", "hole", "wall"))
        return {
            "file": self._files[a["file"][index]],
            "sheet": self._sheets[a["sheet"][index]],
            "cell": cell_name(int(a["row"][index]), int(a["column"][index])),
            "part": spec.parts[part].name if part >= 0 else "",
            "serial": self._serials[serial] if serial >= 0 else "",
            "hole": spec.hole_ids[hole] if hole >= 0 else "",
            "wall": spec.walls.names[wall] if wall >= 0 else "",
        }

    def typed(self, index: int) -> str:
        """Return what was typed in a reading's cell."""
        return self._typed[self._arrays["typed"][index]]

    def issue_problem(self, index: int) -> Problem:
        """Return the problem of a reading's own issue."""
        issue = self._draft.issues[int(self._arrays["issue"][index])]
        assert issue is not None
        return issue.at(found=repr(self.typed(index)), **self.place(index))


def by_sheet(arrays: dict[str, Array], rows: IntArray) -> list[IntArray]:
    """Return some rows parted by file and sheet, in order."""
    if not rows.size:
        return []
    key = arrays["file"][rows].astype(np.int64) * 100_000 + arrays["sheet"][rows]
    order = np.argsort(key, kind="stable")
    edges = np.flatnonzero(np.diff(key[order])) + 1
    return [rows[part] for part in np.split(order, edges)]


# The readings as plausibility looks at them: arrays, what the kit allows for each, and the doubts found so far.


DIAMETER, X, Y, EDGE, PLUG = range(5)
DISTANCE = NUMBERS.index("distance")
OF_KIND = {NUMBERS.index(c.word): c for c in MEASURED}  #: code of a reading -> what is measured beside size and place
CAUSE_LEAST = 3  #: so many cells of a part with one cause are one line
WHOLE_LEAST, WHOLE_SHARE = 3, 0.8  #: so many of a sheet's readings of a kind, on several parts, have one cause together
CELLS_NAMED = 8  #: so many cells or ranges of cells are named in a line


@dataclass(slots=True)
class Findings:
    """All readings of a run (n,) as arrays of the draft, limits for each length, and the doubt of each reading.

    ``piece`` (n,) numbers part and serial in order of appearance, ``turned`` the directions, none first. ``lower``,
    ``upper`` are the limits that a length is expected in (NaN: none known), ``band`` what counts as one tolerance band
    of it. By the bounds of `believable`:
    ``far`` where it lies so far beyond them that a single reading isn't believed, ``absurd`` where none is, ``apart``
    how far readings of one hole may differ.
    """

    spec: Specification
    draft: Draft
    arrays: dict[str, Array]
    collector: Collector
    today: dt.date
    doubt: Array
    piece: IntArray
    pieces: int
    turned: IntArray
    lower: FloatArray
    upper: FloatArray
    band: FloatArray
    far: BoolArray
    absurd: BoolArray
    apart: FloatArray
    cell: Cell

    @property
    def value(self) -> FloatArray:
        """Values in the kit's unit (n,)."""
        return self.arrays["value"]

    def firsts(self, rows: IntArray) -> IntArray:
        """Return the first of some rows of each part, in order of the parts."""
        first = np.full(self.pieces, -1, dtype=np.int64)
        first[self.piece[rows[::-1]]] = rows[::-1]
        return first[first >= 0]

    def usable(self) -> BoolArray:
        """Return where a length is there and nothing doubts it yet (n,)."""
        kind = self.arrays["characteristic"]
        return (
            (self.doubt < 0)
            & np.isfinite(self.value)
            & (kind >= 0)
            & (kind < len(NUMBERS))
            & (self.arrays["hole"] >= 0)
        )

    def unit(self, index: int) -> str:
        """Return the unit of a reading's value: the kit's, or degrees."""
        return unit_of(CHARACTERISTICS[int(self.arrays["characteristic"][index])], self.spec.unit)

    def length(self, value: float, index: int = -1) -> str:
        """Return a value with its unit, as a shop writes it; ``index``: of which reading it is, none for a length."""
        unit = self.spec.unit if index < 0 else self.unit(index)
        return with_unit(format_length(value, unit), unit)

    def likely(self, value: float, typed: float, index: int = -1) -> str:
        """Return a likely value with the digits that such a reading has; ``typed`` is what it comes from."""
        unit = self.spec.unit if index < 0 else self.unit(index)
        base = DECIMALS[unit]
        moved = abs(value - round(value, base)) <= GRAIN or value == typed
        return with_unit(format_length(value, unit, None if moved else base), unit)

    def found(self, index: int) -> str:
        """Return what was typed, with its unit of length."""
        unit = ("", " in", " mm")[int(self.arrays["unit"][index])]
        typed = self.cell.typed(index)
        return f"{typed}{unit}" if unit.strip() and unit.strip() not in typed else typed

    def allowed(self, index: int) -> str:
        """Return the limits that a length is expected in."""
        low, high = float(self.lower[index]), float(self.upper[index])
        if np.isnan(low):
            return ""
        if np.isinf(high):
            return f"at least {self.length(low, index)}"
        name = CHARACTERISTICS[int(self.arrays["characteristic"][index])].replace("_", " ")
        if low == 0.0:
            return f"{name} at most {self.length(high, index)}"
        return f"{name} {format_length(low, self.unit(index))} to {self.length(high, index)}"

    def mark(self, rows: IntArray, code: str) -> None:
        """Give readings a doubt unless they have one."""
        fresh = rows[self.doubt[rows] < 0]
        self.doubt[fresh] = self.draft.doubt.code(code)

    def report(self, rows: IntArray, make: Callable[[int], Problem], *, doubt: str = "") -> None:
        """Report readings one by one, sheet by sheet, and give them a doubt."""
        if not rows.size:
            return
        for group in by_sheet(self.arrays, rows):
            self.collector.cells(group.tolist(), make)
        if doubt:
            self.mark(rows, doubt)

    def report_causes(
        self, rows: IntArray, cause: Array, make: Callable[[int], Problem], least: int = CAUSE_LEAST
    ) -> None:
        """Report readings (m,), those of a part with one ``cause`` (m,) in one line, or one line for a whole sheet.

        A sheet's is a cause that nearly all of its readings of those kinds have, on several parts. ``least``: with
        fewer cells on a part each has its own line.
        """
        if not rows.size:
            return
        a = self.arrays
        sheet = a["file"][rows].astype(np.int64) * 100_000 + a["sheet"][rows]
        _, of_sheet = np.unique(np.column_stack([sheet, cause]), axis=0, return_inverse=True)
        of_sheet = of_sheet.ravel()
        piece = np.where(self._whole(rows, of_sheet), -1, self.piece[rows])
        _, group, count = np.unique(np.column_stack([of_sheet, piece]), axis=0, return_inverse=True, return_counts=True)
        alone = (count[group.ravel()] < least) & (piece >= 0)
        group = np.where(alone, count.size + np.arange(rows.size), group.ravel())
        order = np.lexsort((rows, group))
        groups = np.split(rows[order], np.flatnonzero(np.diff(group[order])) + 1)
        members = {int(mine[0]): mine for mine in groups}
        self.report(np.array(sorted(members), dtype=np.int64), lambda i: self.gathered(make(i), members[i]))

    def _whole(self, rows: IntArray, group: IntArray) -> BoolArray:
        """Return which readings (m,) belong to a group that several parts and nearly a whole sheet have (m,)."""
        a = self.arrays
        key = (a["file"].astype(np.int64) * 100_000 + a["sheet"]) * 16 + a["characteristic"]
        kinds, number = ranked(key)
        total = np.bincount(number[np.isfinite(self.value)], minlength=kinds.size)
        pairs = np.unique(np.column_stack([group, number[rows]]), axis=0)
        mine, all_ = np.bincount(group), np.bincount(pairs[:, 0], total[pairs[:, 1]])
        parts = np.bincount(np.unique(np.column_stack([group, self.piece[rows]]), axis=0)[:, 0])
        return np.asarray(((mine >= WHOLE_LEAST) & (parts > 1) & (mine >= WHOLE_SHARE * all_))[group])

    def gathered(self, problem: Problem, rows: IntArray) -> Problem:
        """Return the problem of one reading as that of all of some readings (m,), with their cells as ranges."""
        if rows.size < 2:
            return problem
        a = self.arrays
        one_hole = np.unique(a["hole"][rows]).size == 1
        one_wall = one_hole and np.unique(a["wall"][rows]).size == 1
        one_piece = np.unique(self.piece[rows]).size == 1
        return replace(
            problem,
            message=f"{problem.message} ({rows.size} cells: {self.ranges(rows)})",
            found=f"{problem.found} and so on",
            hole=problem.hole if one_hole and one_piece else "",
            wall=problem.wall if one_wall and one_piece else "",
            part=problem.part if one_piece else "",
            serial=problem.serial if one_piece else "",
            # of several parts each cell carries its own doubt; the line holds no part that has none
            holds=problem.holds and one_piece,
        )

    def ranges(self, rows: IntArray) -> str:
        """Return the cells of some readings, those beside or below one another as ranges: ``F2 to G9, H4``."""
        a = self.arrays
        row, column = a["row"][rows].astype(np.int64), a["column"][rows].astype(np.int64)
        row, column = np.unique(np.column_stack([column, row]), axis=0).T[::-1]
        starts = np.flatnonzero((np.diff(column, prepend=-9) != 0) | (np.diff(row, prepend=-9) != 1))
        ends = np.append(starts[1:], row.size) - 1
        blocks: list[list[int]] = []  # first row, last row, first column, last column
        for first, last, at in zip(row[starts].tolist(), row[ends].tolist(), column[starts].tolist(), strict=True):
            beside = next((b for b in blocks if b[:2] == [first, last] and b[3] == at - 1), None)
            if beside is None:
                blocks.append([first, last, at, at])
            else:
                beside[3] = at
        counts = [(b[1] - b[0] + 1) * (b[3] - b[2] + 1) for b in blocks]
        between = {1: "", 2: ", "}
        names = [
            cell_name(b[0], b[2]) + (between.get(n, " to ") + cell_name(b[1], b[3]) if n > 1 else "")
            for b, n in zip(blocks, counts, strict=True)
        ]
        rest = sum(counts[CELLS_NAMED:])
        return ", ".join(names[:CELLS_NAMED]) + (f" and {rest} more" if rest else "")

    def problem(self, issue: Problem, index: int, found: str = "", allowed: str = "", **over: str) -> Problem:
        """Return the problem of a reading."""
        place = self.cell.place(index) | over
        return issue.at(found=found or self.found(index), allowed=allowed or issue.allowed, **place)

    def piece_problem(self, issue: Problem, index: int, found: str, allowed: str = "") -> Problem:
        """Return a problem of a whole part, placed at one of its readings."""
        return self.problem(issue, index, found, allowed, hole="", wall="")


def look_at(
    spec: Specification, draft: Draft, arrays: dict[str, Array], collector: Collector, today: dt.date, doubt: Array
) -> Findings:
    """Return the readings of a run ready to be looked at."""
    key = (arrays["part"].astype(np.int64) + 1) * (len(draft.serial.index) + 1) + arrays["serial"] + 1
    piece, first = numbered(key)
    lower, upper, band = expected(spec, arrays)
    _drawn_distances(spec, draft, arrays, (lower, upper, band))
    far, absurd, apart = _believed(spec, arrays, lower, upper)
    return Findings(
        spec,
        draft,
        arrays,
        collector,
        today,
        doubt,
        piece,
        first.size,
        ranked(np.where(np.isnan(arrays["direction"]), -1e9, arrays["direction"]))[1],
        lower,
        upper,
        band,
        far,
        absurd,
        apart,
        Cell(draft, arrays),
    )


def _drawn_distances(
    spec: Specification, draft: Draft, arrays: dict[str, Array], bounds: tuple[FloatArray, FloatArray, FloatArray]
) -> None:
    """Put in what distances are expected between: as far from the drawing as their ends may lie off."""
    lower, upper, band = bounds
    rows = np.flatnonzero((arrays["characteristic"] == DISTANCE) & (arrays["ends"] >= 0))
    one = 0 if len({p.signs() for p in spec.parts}) == 1 else -1
    part = np.maximum(arrays["part"][rows], one)
    texts = draft.ends.texts
    for number in np.unique(part[part >= 0]).tolist():
        mine = rows[part == number]
        codes, inverse = np.unique(arrays["ends"][mine], return_inverse=True)
        drawn = drawn_distances(spec, [texts[code] for code in codes], spec.parts[number].name)[inverse.ravel()]
        lower[mine], upper[mine], band[mine] = drawn[:, 0] - drawn[:, 1], drawn[:, 0] + drawn[:, 1], 0.0


def expected(spec: Specification, arrays: dict[str, Array]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return lower and upper bounds and the tolerance band (n,) that each length is expected in, NaN where unknown."""
    holes, parts, kinds = len(spec.holes), len(spec.parts), len(NUMBERS)
    low, high, band = (np.full((parts + 1, kinds, holes + 1), np.nan) for _ in range(3))
    lower, upper = size_limits(spec)
    for kind in (DIAMETER, PLUG):
        low[:, kind, :holes], high[:, kind, :holes] = lower, upper
        band[:, kind, :holes] = upper - lower
    tolerance = position_tolerance(spec)
    for number, part in enumerate(spec.parts):
        basic = spec.basic_xy(part.name)
        for kind in (X, Y):
            low[number, kind, :holes] = basic[:, kind - X] - tolerance
            high[number, kind, :holes] = basic[:, kind - X] + tolerance
            band[number, kind, :holes] = tolerance
    if len({p.signs() for p in spec.parts}) == 1:
        low[parts], high[parts], band[parts] = low[0], high[0], band[0]
    edge = np.array([required_edge(h) for h in spec.holes] + [np.nan])
    low[:, EDGE], band[:, EDGE] = edge, edge
    high[:, EDGE] = np.where(np.isnan(edge), np.nan, np.inf)
    for kind, what in OF_KIND.items():
        lower, upper = measured_limits(spec, what.word)
        low[:, kind, :holes], high[:, kind, :holes] = lower, upper
        band[:, kind, :holes] = np.where((lower == 0.0) | np.isinf(upper), 0.0, upper - lower)
    measured = arrays["characteristic"].astype(np.int64)
    part_at = np.where(arrays["part"] < 0, parts, arrays["part"]).astype(np.int64)
    hole_at = np.where(arrays["hole"] < 0, holes, arrays["hole"])
    is_length = (measured >= 0) & (measured < kinds)
    at = (part_at * kinds + np.where(is_length, measured, 0)) * (holes + 1) + hole_at
    return tuple(np.where(is_length, table.ravel()[at], np.nan) for table in (low, high, band))  # type: ignore[return-value]


def _believed(
    spec: Specification, arrays: dict[str, Array], lower: FloatArray, upper: FloatArray
) -> tuple[BoolArray, BoolArray, FloatArray]:
    """Return where lengths (n,) are far, where absurd, and how far those of one hole may differ (`believable`)."""
    holes, kind = len(spec.holes), arrays["characteristic"].astype(np.int64)
    size, place = size_reach(*size_limits(spec)), place_reach(spec)
    rows = np.flatnonzero((kind >= 0) & (kind < len(NUMBERS)) & (arrays["hole"] >= 0))
    hole, mine, value = arrays["hole"][rows].astype(np.int64), kind[rows], arrays["value"][rows]
    no_end = np.full(holes, np.inf)

    def of_kind(sizes: FloatArray, places: FloatArray) -> FloatArray:
        others = (no_end for _ in range(len(NUMBERS) - PLUG - 1))
        return np.stack([sizes, places, places, no_end, sizes, *others])[mine, hole]

    with np.errstate(invalid="ignore"):
        off = beyond(value, lower[rows], upper[rows])
        absurd_here = off > of_kind(size.absurd, place.absurd)
        other = np.flatnonzero(absurd_here & np.isin(mine, (DIAMETER, PLUG)))
        absurd_here[other] = ~inside_spans(value[other], size_spans(spec)[hole[other]])
        edge = mine == EDGE
        span = edge_span(spec)[hole[edge]]
        absurd_here[edge] = (value[edge] < span[:, 0]) | (value[edge] > span[:, 1])
        far_here = absurd_here | (off > of_kind(size.far, place.far))
        apart_here = of_kind(size.apart, place.apart)
        for number, what in OF_KIND.items():
            these = np.flatnonzero(mine == number)
            least, most = (limit[hole[these]] for limit in measured_limits(spec, what.word))
            low, high = measured_span(least, most, what)
            reach = measured_reach(least, most, what)
            absurd_here[these] = (value[these] < low) | (value[these] > high)
            far_here[these] = absurd_here[these] | (off[these] > reach.far)
            apart_here[these] = reach.apart
        # what lies nearer is found, and judged, by the other distances
        far_here[mine == DISTANCE] = absurd_here[mine == DISTANCE] = off[mine == DISTANCE] > 0.0
    far, absurd = (np.zeros(kind.size, dtype=np.bool_) for _ in range(2))
    apart = np.full(kind.size, np.inf)
    far[rows], absurd[rows], apart[rows] = far_here, absurd_here, apart_here
    return far, absurd, apart


def size_limits(spec: Specification) -> tuple[FloatArray, FloatArray]:
    """Return lower and upper limits of size of the holes, (H,) each."""
    return (
        np.array([h.size.lower for h in spec.holes], dtype=np.float64),
        np.array([h.size.upper for h in spec.holes], dtype=np.float64),
    )


# What a problem says a cell should hold, made to suit that cell: a size for a diameter, a coordinate for x and y.


def suited(problem: Problem, issue: Problem, draft: Draft, arrays: dict[str, Array], index: int) -> Problem:
    """Return the problem of a reading with an example, and what a date was typed as, that suit what it is of."""
    if issue.allowed != NUMBER:
        return problem
    spec = draft.spec
    one = {name: arrays[name][index : index + 1] for name in ("characteristic", "part", "hole")}
    low, high, _ = (float(bound[0]) for bound in expected(spec, one))
    unit = UNIT_CODES[int(arrays["unit"][index])] or spec.unit
    kind = int(one["characteristic"][0])
    example = _example(spec, kind, low, high)
    own = unit_of(CHARACTERISTICS[kind], unit) if kind >= 0 else unit
    if np.isfinite(example):
        value = float(example if own != unit else convert(example, spec.unit, unit))
        number = format_length(round(value, DECIMALS[own]), own)
        problem = replace(problem, allowed=f"a number such as {number}")
    if issue.code == "fraction-became-date" and np.isfinite(low) and own == unit:
        problem = replace(problem, message=_typed_as(draft.typed.texts[int(arrays["typed"][index])], unit, spec.unit,
                                                     (low, high)))  # fmt: skip
    return problem


def _example(spec: Specification, kind: int, low: float, high: float) -> float:
    """Return a length that such a reading may have; where the hole isn't known, that of the first."""
    if np.isfinite(low):
        return low if np.isinf(high) else 0.5 * (low + high)
    name = CHARACTERISTICS[kind] if 0 <= kind < len(NUMBERS) else ""
    first = spec.holes[0]
    return {"x": first.x, "y": first.y, "edge_distance": float("nan"), **{c.word: float("nan") for c in MEASURED}}.get(
        name, 0.5 * (first.size.lower + first.size.upper)
    )


def _typed_as(typed: str, unit: str, kit_unit: str, bounds: tuple[float, float]) -> str:
    """Return what a date in a cell of lengths was typed as, and whether it fits the bounds of the reading."""
    low, high = (np.array([bound]) for bound in bounds)
    day = dt.date.fromisoformat(typed[:10])
    fitting = [
        f"{text} = {value:.6g}"
        for text, value in typed_as(day)
        if not beyond(np.array([convert(value, unit, kit_unit)]), low, high)[0] > size_reach(low, high).far[0]
    ]
    if fitting:
        return f"{A_DATE}: likely the fraction {' or '.join(fitting)}"
    others = [f"{text} = {value:.6g}" for text, value in fractions_of(day)]
    return (
        f"{A_DATE}: it may have been the fraction {' or '.join(others)}, which doesn't fit here" if others else A_DATE
    )
