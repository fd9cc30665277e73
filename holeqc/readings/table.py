"""The tidy table of readings: one row a reading, written down in one place.

Every value knows the cell it was typed in. The table has the columns of `COLUMNS`. Lengths are in the kit's unit.

No row of a sheet is dropped. A cell that can't be read keeps its row: value NaN, word '', what was typed, and a doubt.
Where the hole, the wall or the characteristic can't be matched with the kit, that column is '' and the row has a doubt.
A wall of '' without a doubt speaks of the hole as a whole (GO, NO-GO, surface, plug, edge distance). A part that a
sheet names without a single reading has one row with doubt ``no-readings``, hole '' and characteristic ''. Repeats of
one reading that carry no number are numbered 1, 2, ... in the order in which they stand."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from holeqc.characteristics import NUMBERS, Characteristic
from holeqc.characteristics import WORDS as WORD_READINGS
from holeqc.problems import ERROR, NOTE, WARNING, Problem
from holeqc.quantities import FloatArray
from holeqc.specification.model import CENTRES, EDGE, FAR_WALLS, OVER_PINS, PINNED, Distance, distance_of
from holeqc.tables import Table

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.specification.model import Specification


#: what a reading can be of: numbers, then words
CHARACTERISTICS = (*NUMBERS, *WORD_READINGS)

ENTERS, STOPS = "enters", "does not enter"  #: words of a go or no_go reading
CLEAN, BURR, DIRTY, CRACK = "clean", "burr", "not clean", "crack"  #: words of a surface reading

COLUMNS: dict[str, str] = {
    "part": "part's name in the kit ('' where the sheet names none the kit knows)",
    "serial": "serial number as text",
    "hole": "hole id in the kit",
    "wall": "wall's name in the kit",
    "characteristic": "one of CHARACTERISTICS; plug is the largest plug that enters",
    "direction": "direction of a two-point diameter [degrees], NaN where not stated; a number for end and way of a "
    "distance",
    "trial": "1, 2, ... where the same reading was repeated",
    "value": "length in the kit's unit as typed and converted, NaN for words",
    "word": "ENTERS, STOPS, CLEAN, BURR, DIRTY, CRACK; what a distance is of (`model.Distance.text`); '' for lengths",
    "typed": "the cell's content as it was typed, as text",
    "unit": "in or mm as typed, '' for words",
    "gauge": "gauge id, '' where none is named",
    "temperature_c": "temperature of the part [°C], NaN where not stated",
    "date": "day of the reading (datetime64), NaT where not stated",
    "by": "who read it (a role or a number, no name needed)",
    "note": "remark typed beside it",
    "file": "file name as given",
    "sheet": "sheet name, '' for CSV",
    "row": "row in the sheet, from 1; in a document the id of the element",
    "column": "column in the sheet, from 1; in a document what of the element, beyond every column of a sheet",
    "doubt": "'' or the code of the problem that makes this one cell doubtful: it can hold a part, never reject it",
}


@dataclass(frozen=True, slots=True)
class ColumnUse:
    """How one column of a table was understood (a row or a block of cells where the table runs across).

    ``place`` is where it stands (``C``, ``row 7``, ``B4:B12``), ``heading`` what is typed over it, ``use`` one of
    ``reading``, ``field`` and ``not used``. A reading has ``characteristic``, ``wall`` ('' where another column or
    field says it), ``direction`` [degrees, None where not stated], ``trial`` (0 where not stated), ``hole`` and
    ``serial`` where the heading names them, ``unit`` (in, mm, thou or ''). A field has its ``field``. What is not used
    has its ``reason``: limit, nominal, average, earlier, unknown heading and so on. ``cells`` counts filled cells.
    """

    sheet: str
    place: str
    heading: str
    use: str
    cells: int
    characteristic: str = ""
    wall: str = ""
    direction: float | None = None
    trial: int = 0
    unit: str = ""
    hole: str = ""
    serial: str = ""
    field: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Source:
    """A file that was read: name as given, SHA-256 and size in bytes, the kit it says it was made for, its columns.

    ``recheck``: what it says that it is a recheck of, tags or days as typed; '' where it stands for itself.
    """

    file: str
    sha256: str
    bytes: int
    kit_id: str = ""
    kit_revision: str = ""
    columns: tuple[ColumnUse, ...] = ()
    recheck: str = ""


@dataclass(frozen=True, slots=True)
class UnusableFile:
    """A file of which nothing is used, and why: ``problems`` say what is wrong with it and what to do."""

    file: str
    problems: tuple[Problem, ...]


@dataclass(frozen=True, slots=True)
class Join:
    """A recheck of one part joined with the readings before it.

    ``of`` is what the sheet says it is a recheck of. ``replaced`` holds the readings that no longer count and
    ``counts`` those that took their place, both with `COLUMNS`. ``left_out``: readings of the recheck that don't count.
    """

    part: str
    serial: str
    file: str
    of: str
    replaced: Table
    counts: Table
    left_out: Table


@dataclass(frozen=True)
class Readings:
    """All readings of a run, the problems met on the way, the files they came from, and files that gave none.

    ``unusable`` is empty unless the reader was told to go on without such files. ``rechecks``: files that are
    rechecks, each by itself, in the order of the files; what judges joins them (`holeqc.inspection.recheck`), and
    ``joins`` then says what no longer counts. Statistics leave them out: they say how a part was mended.
    """

    rows: Table
    problems: tuple[Problem, ...] = ()
    sources: tuple[Source, ...] = field(default_factory=tuple)
    unusable: tuple[UnusableFile, ...] = ()
    rechecks: tuple[Readings, ...] = ()
    joins: tuple[Join, ...] = ()
    before: Readings | None = None  #: the same before rechecks were joined

    @cached_property
    def table(self) -> pd.DataFrame:
        """The rows as a data frame, for whoever goes on with them elsewhere."""
        return self.rows.frame()


#: what a reading of a document stands in, an element that is named by its id; the first is the element itself
ELEMENTS = ("", "Diameter", "DiameterMin", "DiameterMax", "X", "Y", "Value", "MinValue", "MaxValue", "Reading")
FIRST_ELEMENT = 16_385  #: the column that stands for the first of them: no sheet has so many


def cell_name(row: int, column: int) -> str:
    """Return the address of a cell as a spreadsheet says it: (7, 3) -> C7. Rows and columns count from 1.

    Of a document: the element's id and what of it, ``id=57/Diameter``.
    """
    if column >= FIRST_ELEMENT:
        return f"id={row}" + (f"/{ELEMENTS[column - FIRST_ELEMENT]}" if column > FIRST_ELEMENT else "")
    letters = ""
    while column > 0:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row}"


# Problems gathered while reading: all of them, the same one over and over only so often by name.


BY_NAME = 20  #: so many problems of one code in one sheet are named one by one, the rest are counted


class Collector:
    """A growing list of problems."""

    def __init__(self) -> None:
        self._problems: list[Problem] = []

    def add(self, problem: Problem) -> None:
        """Add one problem."""
        self._problems.append(problem)

    def extend(self, problems: Iterable[Problem]) -> None:
        """Add several problems as they are."""
        self._problems.extend(problems)

    def cells(self, indices: Sequence[int], make: Callable[[int], Problem], *, marked: bool = True) -> None:
        """Add a problem for each index: the first by name, the rest counted in one more.

        ``make`` gives the problem of one index. ``marked`` says that the readings themselves carry the doubt; where
        they don't and the problem holds, each further part is named once, so that none escapes the hold.
        """
        for index in indices[:BY_NAME]:
            self.add(make(int(index)))
        rest = indices[BY_NAME:]
        if not len(rest):
            return
        first = make(int(rest[0]))
        last = make(int(rest[-1]))
        count = len(rest)
        self.add(
            replace(
                first,
                message=f"{count} more of the same, from {first.cell} to {last.cell}: {_general(first.message)}",
                part="",
                serial="",
                hole="",
                wall="",
                found="",
                holds=False,
            )
        )
        if marked or not first.holds:
            return
        told = {(p.part, p.serial) for p in self._problems[-BY_NAME - 1 : -1] if p.code == first.code}
        for index in rest:
            problem = make(int(index))
            if (problem.part, problem.serial) not in told:
                told.add((problem.part, problem.serial))
                self.add(problem)

    def move(self, start: int, width: int, place: Callable[[int], tuple[int, int]], serial: str) -> None:
        """Move problems from ``start`` on that stand beyond a sheet's ``width`` to where their row's label is (from 0).

        ``serial``: of the only part on the sheet, for problems that name a hole and no part.
        """
        for number in range(start, len(self._problems)):
            if self._problems[number].hole and not self._problems[number].serial:
                self._problems[number] = replace(self._problems[number], serial=serial)
            match = re.fullmatch(r"([A-Z]+)(\d+)", self._problems[number].cell)
            if match and (len(match[1]), match[1]) > (len(last := cell_name(1, width)[:-1]), last):
                row, column = place(int(match[2]) - 1)
                self._problems[number] = replace(self._problems[number], cell=cell_name(row + 1, column + 1))

    def problems(self) -> tuple[Problem, ...]:
        """Return everything gathered, in order."""
        return tuple(self._problems)


def _general(message: str) -> str:
    """Return a message without what is special to its cell: the text before the first colon."""
    return message.split(":", 1)[0]


# A doubt about one content, before it is known in how many cells it stands.


@dataclass(frozen=True, slots=True)
class Issue:
    """What is wrong with a content; becomes a `Problem` once its cell is known. ``holds`` makes it doubtful."""

    code: str
    message: str
    allowed: str = ""
    action: str = ""
    severity: str = ERROR
    holds: bool = True

    def problem(
        self,
        *,
        found: str,
        file: str,
        sheet: str,
        cell: str,
        part: str = "",
        serial: str = "",
        hole: str = "",
        wall: str = "",
    ) -> Problem:
        """Return the problem of one cell."""
        return Problem(
            self.severity,
            self.code,
            self.message,
            found=found,
            allowed=self.allowed,
            action=self.action,
            file=file,
            sheet=sheet,
            cell=cell,
            part=part,
            serial=serial,
            hole=hole,
            wall=wall,
            holds=self.holds,
        )


def note(code: str, message: str, action: str = "") -> Issue:
    """Return an issue that is worth knowing and changes nothing."""
    return Issue(code, message, action=action, severity=NOTE, holds=False)


def warning(code: str, message: str, allowed: str = "", action: str = "", *, holds: bool = False) -> Issue:
    """Return an issue where the value is used as it stands and a person must look at it."""
    return Issue(code, message, allowed, action, WARNING, holds)


# What a reading can be: one table of bounds, used by `check` and by the live marks of the blank sheet alike.
#
# A reading beyond these bounds can't be true whatever explains it, so it holds; it never rejects and nothing is reamed
# after it. Everything nearer is a reading to be judged: a hole that is plainly bad must stay a reject. The bounds are
# ours (common practice, no source) save where a line says where its number comes from.


#: bound -> number, what it is a multiple or share of, and why
BELIEVABLE: dict[str, tuple[float, str, str]] = {
    "far bands": (3.0, "size tolerance, beyond a limit of size",
                  "worn tools, burrs and wobble leave holes a few tolerances off, and those are rejects"),
    "far share": (0.05, "nominal size, beyond a limit of size",
                  "next drill sizes lie 1 to 5 percent apart: the next drill is believed from a single reading; "
                  "beyond, a second reading must agree"),
    "absurd share": (0.25, "nominal size, beyond a limit of size",
                     "a drill that still looks like the right one and starts in its bushing; mm for inch, a digit too "
                     "many and a moved decimal point are all farther off, so even readings that agree are doubted"),
    "apart bands": (3.0, "size tolerance, between readings of one hole",
                    "one in the limits and one two tolerances beyond may be an oval or a bell mouth"),
    "apart share": (0.04, "nominal size, between readings of one hole",
                    "one drill leaves at most 0.0065 in oversize at 1/4 in and 0.008 at 1/2 in (drill_oversize.csv, "
                    "from memory), 2.6 and 1.6 percent; half as much again or more for ovality"),
    "plug share": (1.0, "the same, between readings and a plug of one hole",
                   "lobes and bends keep a plug out by no more than they show in readings"),
    "place far": (0.10, "distance to the next hole, beyond the position tolerance",
                  "a hole that much off is believed where another wall, trial or the rest of the part agrees"),
    "place absurd": (0.25, "distance to the next hole, beyond the position tolerance",
                     "the part lay out of seat by less; a pattern that much off was read from another edge"),
    "place bands": (3.0, "position tolerance, beyond it", "as for sizes"),
    "tilt": (5.0, "degrees, of a hole through its walls",
             "a drill in its bushing leans less than one degree, one held by hand less than five"),
    "walls least": (2.0, "position tolerance, between the walls of one hole",
                    "however thin the part, a wall that is off by a little is off, and the other may be right"),
    "stack": (3.0, "diameters, near face to far face where the kit doesn't say it",
              "deeper holes need pecking and are not drilled through clamp-on fixtures"),
    "edge least": (0.5, "diameter, from the hole's centre to the edge", "nearer, the hole is open to the edge"),
    "edge most": (10.0, "least distance asked, where no outline gives the drawing's own", "a moved decimal point"),
    "unknown gauge": (0.1, "tolerance, stands for U where a gauge's is not known",
                      "a gauge is chosen to take no more than a tenth of the tolerance"),
    "repeat": (1.0, "U of a difference, between two readings of one thing",
               "U of a difference of two readings is sqrt(2) U of one (JCGM 100, 5.1.2)"),
    "trial": (2.0, "U of a difference, between repeats that were asked for",
              "with many repeats one in twenty differs by more than U (k = 2) by chance; a mean is taken of them, so "
              "what is twice as far apart isn't repeats of one thing"),
    "typed twice": (2.0, "position tolerance, off basic where x and y are one number",
                    "nearer, the number may be both"),
    "exchanged": (0.5, "size tolerance, beyond the limits of the other size",
                  "a whole hole that reads as another size of the kit reads inside its limits or nearly so"),
}  # fmt: skip
#: share of the pattern's extent that stands for a position tolerance where the kit asks none
LOOSE_POSITION = 0.02


LIKELY_C = (-10.0, 45.0)  #: where people measure parts; common practice, no source
NEAR_FORM = 0.25  #: share of a form tolerance within which a size with two digits swapped back must lie


def bound(name: str) -> float:
    """Return a number of the table."""
    return BELIEVABLE[name][0]


@dataclass(frozen=True, slots=True)
class Reach:
    """How far readings may go, arrays of one shape [kit unit].

    ``far``: beyond its limits, a single reading that nothing confirms is doubted; ``absurd``: any is; ``apart``: how
    far readings of one hole may differ.
    """

    far: FloatArray
    absurd: FloatArray
    apart: FloatArray


def size_reach(lower: FloatArray, upper: FloatArray) -> Reach:
    """Return how far diameters may go of holes with these limits of size."""
    band, nominal = upper - lower, 0.5 * (lower + upper)
    return Reach(
        np.maximum(bound("far bands") * band, bound("far share") * nominal),
        np.maximum(bound("far bands") * band, bound("absurd share") * nominal),
        np.maximum(bound("apart bands") * band, bound("apart share") * nominal),
    )


def place_reach(spec: Specification) -> Reach:
    """Return how far coordinates of the holes (H,) may go beyond `position_tolerance`, and differ between the walls."""
    tolerance = position_tolerance(spec)
    next_hole = next_holes(spec)
    size = np.array([h.size.upper for h in spec.holes], dtype=np.float64)
    stack = spec.walls.stack_depth or bound("stack") * size
    return Reach(
        np.maximum(bound("place bands") * tolerance, bound("place far") * next_hole),
        np.maximum(bound("place bands") * tolerance, bound("place absurd") * next_hole),
        np.maximum(bound("walls least") * tolerance, stack * np.tan(np.radians(bound("tilt")))),
    )


def next_holes(spec: Specification) -> FloatArray:
    """Return the distance of each hole to the next (H,); of a hole alone, to the origin of its dimensions."""
    xy = np.array([(h.x, h.y) for h in spec.holes], dtype=np.float64).reshape(-1, 2)
    apart = np.hypot(*np.moveaxis(xy[:, None] - xy[None], -1, 0))
    np.fill_diagonal(apart, np.inf)
    apart[apart == 0.0] = np.inf
    nearest = np.nanmin(np.where(np.isnan(apart), np.inf, apart), axis=1, initial=np.inf)
    alone = np.hypot(xy[:, 0], xy[:, 1])
    return np.where(np.isfinite(nearest), nearest, alone)


def position_tolerance(spec: Specification) -> FloatArray:
    """Return how far a coordinate may lie off (H,): the widest position tolerance asked, else a share of the extent."""
    extent = max(
        (max(v) - min(v) for v in ([h.x for h in spec.holes], [h.y for h in spec.holes]) if v and np.isfinite(v).all()),
        default=0.0,
    )
    loose = max(LOOSE_POSITION * extent, max((h.size.band for h in spec.holes), default=0.0))
    asked = [
        max((t for t in (h.position.tolerance, h.position.pattern_tolerance) if t), default=0.0) for h in spec.holes
    ]
    return np.array([t or loose for t in asked], dtype=np.float64)


def edge_span(spec: Specification) -> FloatArray:
    """Return from what to what an edge distance is believed (H,2), NaN where no least distance is asked.

    Where the outline gives the drawing's own distance, it is believed as far from that as a coordinate from basic.
    """
    from holeqc.specification.model import outline_distance, required_edge

    least = np.array([required_edge(h) for h in spec.holes], dtype=np.float64)
    low = bound("edge least") * np.array([h.size.lower for h in spec.holes])
    high = bound("edge most") * least
    xy = np.array([(h.x, h.y) for h in spec.holes], dtype=np.float64).reshape(-1, 2)
    if spec.outline and np.isfinite(xy).all():
        drawn, reach = outline_distance(xy, spec.outline), place_reach(spec).absurd + position_tolerance(spec)
        inside = drawn > 0.0
        low, high = np.where(inside, np.maximum(low, drawn - reach), low), np.where(inside, drawn + reach, high)
    return np.where(np.isnan(least)[:, None], np.nan, np.column_stack([np.minimum(low, least), high]))


def measured_limits(spec: Specification, word: str) -> tuple[FloatArray, FloatArray]:
    """Return the limits of one measured characteristic of each hole, (H,) each, NaN where it isn't asked.

    Where only one of both is asked the other is 0 or infinite.
    """
    found = [h.measured.get(word) for h in spec.holes]
    lower, upper = (
        np.array([np.nan if x is None else nothing if getattr(x, side) != getattr(x, side) else getattr(x, side)
                  for x in found], dtype=np.float64) for side, nothing in (("lower", 0.0), ("upper", np.inf))
    )  # fmt: skip
    return lower, upper


def measured_reach(lower: FloatArray, upper: FloatArray, what: Characteristic) -> Reach:
    """Return how far readings of one measured characteristic may go beyond its limits, of which one may be open."""
    open_ = np.isinf(upper) | (lower == 0.0)
    band = np.where(open_, 0.0, upper - lower)
    nominal = np.where(np.isinf(upper), lower, np.where(lower == 0.0, upper, 0.5 * (lower + upper)))
    return Reach(*(np.maximum(bound("far bands") * band, share * nominal) for share in (
        what.far, what.absurd, 0.5 * what.far
    )))  # fmt: skip


def measured_span(lower: FloatArray, upper: FloatArray, what: Characteristic) -> tuple[FloatArray, FloatArray]:
    """Return from what to what readings of one measured characteristic are believed, whatever else is read."""
    off = measured_reach(lower, upper, what).absurd
    return lower - off, np.where(np.isinf(upper), bound("edge most") * lower, upper + off)


def size_spans(spec: Specification) -> FloatArray:
    """Return from what to what diameters of each hole are believed, (H,K,2), rows without a span NaN.

    Around its own limits, and around the other sizes of the kit and the tools at hand, which may have been taken for
    the right one.
    """
    lower, upper = (np.array([getattr(h.size, side) for h in spec.holes]) for side in ("lower", "upper"))
    own = size_reach(lower, upper).absurd
    spans = [np.column_stack([lower - own, upper + own])]
    sizes = {(h.size.lower, h.size.upper) for h in spec.holes}
    tools = (*([spec.tools.drill] if spec.tools.drill else []), *spec.tools.drills, *spec.tools.reamers)
    sizes |= {(t.diameter, t.diameter) for t in tools}
    for low, high in sorted(sizes):
        width = float(size_reach(np.array(low), np.array(high)).apart)
        spans.append(np.broadcast_to([low - width, high + width], (lower.size, 2)))
    return np.stack(spans, axis=1)


def inside_spans(value: FloatArray, spans: FloatArray) -> np.ndarray:
    """Return where values (n,) lie in one of their spans (n,K,2)."""
    return np.asarray(((value[:, None] >= spans[..., 0]) & (value[:, None] <= spans[..., 1])).any(axis=1))


def merged(spans: FloatArray) -> list[tuple[float, float]]:
    """Return the spans of one hole (K,2) in order, those that touch as one."""
    out: list[tuple[float, float]] = []
    for low, high in sorted(map(tuple, spans[~np.isnan(spans).any(axis=1)].tolist())):
        if out and low <= out[-1][1]:
            out[-1] = (out[-1][0], max(high, out[-1][1]))
        else:
            out.append((low, high))
    return out


def beyond(value: FloatArray, lower: FloatArray, upper: FloatArray) -> FloatArray:
    """Return by how much a value lies outside its bounds, 0 inside, NaN where they aren't known."""
    return np.maximum(np.maximum(lower - value, value - upper), 0.0)


# What a distance should read as drawn.


def places_of(spec: Specification) -> dict[str, int]:
    """Return a number for each end: holes in the order of the kit, then edges."""
    return {end: n for n, end in enumerate((*spec.hole_ids, *(f"{EDGE}{e.name}" for e in spec.datum_edges)))}


def basic_distance(spec: Specification, found: Distance, part: str) -> float:
    """Return the distance of two centres, or from a centre to an edge, as drawn in the frame of a part's readings."""
    xy = dict(zip(spec.hole_ids, spec.basic_xy(part), strict=True))
    signs = dict(zip("xy", spec.part(part).signs(), strict=True))
    edges = {f"{EDGE}{e.name}": e for e in spec.datum_edges}
    ends = [xy.get(end, edges.get(end)) for end in (found.first, found.second)]
    if any(end is None for end in ends):
        return float("nan")
    holes = [end for end in ends if isinstance(end, np.ndarray)]
    lines = [end for end in ends if not isinstance(end, np.ndarray)]
    if len(holes) == 2:
        return float(np.hypot(*(holes[0] - holes[1])))
    if len(holes) == 1:
        edge = lines[0]
        assert edge is not None
        return abs(float(holes[0]["xy".index(edge.axis)]) - edge.at * signs[edge.axis])
    first, second = lines
    assert first is not None
    assert second is not None
    return abs(first.at - second.at) if first.axis == second.axis else float("nan")


def added(spec: Specification, found: Distance, sizes: dict[str, float] | None = None) -> float:
    """Return what a way adds to the distance of centres: half of both pins over pins, less it between them, and so on.

    ``sizes``: diameters of holes, those in the middle of their limits if not given. Source: common practice, elementary
    geometry.
    """
    if found.way == CENTRES:
        return 0.0
    total = 0.0
    for end, pin in zip((found.first, found.second), found.pins, strict=True):
        if end.startswith(EDGE):
            continue
        if found.way in PINNED:
            total += pin / 2.0
        else:
            size = spec.hole(end).size
            total += (sizes or {}).get(end, 0.5 * (size.lower + size.upper)) / 2.0
    return total if found.way in {OVER_PINS, FAR_WALLS} else -total


def drawn_distances(spec: Specification, texts: Sequence[str], part: str) -> FloatArray:
    """Return what distances should read and how far off that they are believed, (n, 2), NaN where it isn't known."""
    reach = dict(zip(spec.hole_ids, place_reach(spec).absurd + position_tolerance(spec), strict=True))
    out = np.full((len(texts), 2), np.nan)
    for n, text in enumerate(texts):
        found = distance_of(text)
        if found is not None and {found.first, found.second} & reach.keys():
            far = sum(reach[end] for end in (found.first, found.second) if end in reach)
            out[n] = basic_distance(spec, found, part) + added(spec, found), far
    return out
