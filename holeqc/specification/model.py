"""What the drawing asks, as plain frozen records: every default is already merged in, every length in the kit's unit.

The records are made by `holeqc.specification.load`; nothing else in the package knows the TOML file. Lengths are in
`Specification.unit`, angles in degrees, temperatures in °C, expansion coefficients in 1/°C."""

from __future__ import annotations

import datetime as dt
import json
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError, Problem
from holeqc.quantities import FloatArray

if TYPE_CHECKING:
    from holeqc.quantities import Unit


SINGLE_WALL = "single"  #: name of the wall where the part has one wall only


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits, both inclusive. ``fit_class`` and ``confirmation`` say where they come from if a class did."""

    lower: float
    upper: float
    fit_class: str = ""
    confirmation: str = ""

    @property
    def band(self) -> float:
        """Size tolerance: upper minus lower."""
        return self.upper - self.lower


@dataclass(frozen=True, slots=True)
class Form:
    """Form asked of a hole: largest difference of two-point diameters across directions, and between the walls."""

    out_of_roundness: float | None = None
    taper: float | None = None


@dataclass(frozen=True, slots=True)
class Position:
    """Diametral position tolerance (ASME Y14.5).

    ``tolerance`` holds the hole to the datums (the upper segment where it is composite), ``pattern_tolerance`` holds
    hole to hole with the pattern floating (lower segment). None means not asked. Conditions: RFS, MMC or LMC.
    ``pattern_rotates``: the floating pattern may turn as well as shift.
    """

    tolerance: float | None = None
    condition: str = "RFS"
    pattern_tolerance: float | None = None
    pattern_condition: str = "RFS"
    pattern_rotates: bool = True


@dataclass(frozen=True, slots=True)
class Edge:
    """Least distance from hole centre to edge: absolute, in multiples of the largest diameter, or both (the larger)."""

    minimum: float | None = None
    minimum_diameters: float | None = None


@dataclass(frozen=True, slots=True)
class Surface:
    """What the surface check asks for."""

    clean: bool = False
    burr_free: bool = False

    @property
    def asked(self) -> bool:
        """Whether anything is asked at all."""
        return self.clean or self.burr_free


@dataclass(frozen=True, slots=True)
class Plugs:
    """GO and NO-GO plug sizes; None means that the check is not asked."""

    go: float | None = None
    no_go: float | None = None


@dataclass(frozen=True, slots=True)
class Pin:
    """A pin of the mating assembly: limits of size, and its own diametral position tolerance there."""

    id: str
    lower: float
    upper: float
    position_tolerance: float = 0.0
    fit_class: str = ""
    confirmation: str = ""

    @property
    def virtual_condition(self) -> float:
        """Largest pin plus its position tolerance (ASME Y14.5: external feature at MMC)."""
        return self.upper + self.position_tolerance


@dataclass(frozen=True, slots=True)
class Hole:
    """One hole of the pattern, with everything asked of it.

    ``x``, ``y`` are basic dimensions as drawn; both are NaN where a kit asks nothing that needs them.
    """

    id: str
    x: float
    y: float
    size: Limits
    bushing: str = ""
    form: Form = Form()
    position: Position = Position()
    edge: Edge = Edge()
    surface: Surface = Surface()
    plugs: Plugs = Plugs()
    pin: Pin | None = None
    measured: dict[str, Limits] = field(default_factory=dict, hash=False)  #: word -> limits, NaN where one is not asked
    deepen: bool = False  #: rework may cut a countersink or a hole deeper
    ream_up_to: float | None = None  #: largest size that rework may give it; None: rework is not permitted

@dataclass(frozen=True, slots=True)
class Part:
    """A part that the kit is fitted to.

    ``mirror`` is '' or the axis whose sign turns (``x``: x becomes -x). ``own_edges``: readings on this mirrored part
    are taken positive from its own edges, so its basic positions read as drawn and only pictures are turned.
    """

    name: str
    title: str = ""
    number: str = ""
    mirror: str = ""
    mirror_of: str = ""
    own_edges: bool = False

    def signs(self) -> tuple[float, float]:
        """Return the factors for x and y that take a drawn position into the frame of this part's readings."""
        return (1.0, 1.0) if self.own_edges else self.picture_signs()

    def picture_signs(self) -> tuple[float, float]:
        """Return the factors for x and y that take a drawn position into a picture of this part."""
        return (-1.0 if self.mirror == "x" else 1.0, -1.0 if self.mirror == "y" else 1.0)


@dataclass(frozen=True, slots=True)
class Walls:
    """The walls that each hole goes through, near first. ``stack_depth``: near face to far face."""

    names: tuple[str, ...] = (SINGLE_WALL,)
    stack_depth: float | None = None
    bonus_from_both: bool = True  #: bonus from the smaller of both walls' mating sizes, not wall by wall

    @property
    def several(self) -> bool:
        """Whether there is more than one wall."""
        return len(self.names) > 1


@dataclass(frozen=True, slots=True)
class DatumShift:
    """Holes that serve as datum features of size at their maximum material boundary, so that the frame may shift.

    ``boundary`` is the diameter of the simulator (pin) in each of ``holes``.
    """

    holes: tuple[str, ...]
    boundary: float


@dataclass(frozen=True, slots=True)
class Gauge:
    """A gauge and what its certificate says. ``uncertainty`` is U at k = 2 [kit unit]; None: not known."""

    id: str
    kind: str = ""
    measures: tuple[str, ...] = ("diameter",)  #: of diameter, x, y, edge_distance, go, no_go, plug, surface
    uncertainty: float | None = None
    resolution: float | None = None
    calibration_due: dt.date | None = None
    expansion_per_c: float = 0.0


@dataclass(frozen=True, slots=True)
class DatumEdge:
    """A straight edge of the part from which basic dimensions count: where x (or y, ``axis``) is ``at``, as drawn."""

    name: str
    axis: str
    at: float


@dataclass(frozen=True, slots=True)
class DistancePlan:
    """Positions from distances, as far as the kit plans them.

    ``lines`` are distances as typed (`A - 1: over pins, near`), none: the sheet chooses them. ``pins`` are calibrated
    pins at hand, ``pin_uncertainty`` U (k = 2) of their diameters, None: a usual one.
    """

    lines: tuple[str, ...] = ()
    gauge: str = ""
    pins: tuple[float, ...] = ()
    pin_uncertainty: float | None = None
    count: int = 1


@dataclass(frozen=True, slots=True)
class ReadingPlan:
    """What must be read on each hole.

    ``directions`` in degrees (0 along x): a diameter in each, ``count`` times, in each of ``walls``. ``position`` asks
    x and y in each of ``position_walls``, by ``distances`` where they are planned. Default gauges apply where a sheet
    names none.
    """

    directions: tuple[float, ...] = (0.0, 90.0)
    count: int = 1
    walls: tuple[str, ...] = (SINGLE_WALL,)
    position: bool = False
    position_walls: tuple[str, ...] = (SINGLE_WALL,)
    diameter_gauge: str = ""
    position_gauge: str = ""
    edge_distance: bool = False  #: read; else, where asked, worked out from position and outline
    distances: DistancePlan | None = None
    partial: bool = False  #: a part may be accepted on the readings that a plan on record asks of it
    partial_risk: float = 0.001  #: of a bad hole in a part accepted so, at most
    partial_hold: float = 0.05  #: of a good part that is to be read in full all the same, at most
    partial_every: int = 4  #: each hole is read at least on every so many-th part
    partial_parts: int = 50  #: a plan ends after so many

    def gauge_of(self, characteristic: str) -> str:
        """Return the gauge of such readings where a sheet names none, '' for none."""
        of_distances = self.distances.gauge if self.distances else ""
        return {"diameter": self.diameter_gauge, "distance": of_distances}.get(characteristic, self.position_gauge)


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How uncertainty counts.

    ``rule``: ``simple`` (limits as they stand), ``guarded`` (accept inside limits shrunk by w = guard_factor * U, ISO
    14253-1, ASME B89.7.3.1 stringent acceptance), ``relaxed`` (accept inside limits grown by w).
    ``reject_when_proven``: under the guarded rule a value beyond a limit by less than w is held, not rejected.
    ``process_sd`` and ``process_mean`` [kit unit]: what is known of sizes beforehand (JCGM 106 prior); None: nothing.
    """

    rule: str = "simple"
    guard_factor: float = 1.0
    reject_when_proven: bool = True
    process_mean: float | None = None
    process_sd: float | None = None


@dataclass(frozen=True, slots=True)
class Rounding:
    """ASTM E29: ``absolute``, or ``rounding`` to ``decimals`` before comparing (None: as many as the limit has)."""

    method: str = "absolute"
    decimals: int | None = None


@dataclass(frozen=True, slots=True)
class Temperature:
    """Part's expansion [1/°C]; uncertainties (k = 2) of the temperature [°C] and of the coefficient [1/°C]."""

    correct: bool = False
    part_expansion_per_c: float = 0.0
    uncertainty_c: float = 0.0
    expansion_uncertainty_per_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Tool:
    """A drill or a reamer at hand: designation as the shop says it, diameter."""

    designation: str
    diameter: float


@dataclass(frozen=True, slots=True)
class Tools:
    """Drill used, and drills and reamers at hand for rework, ascending."""

    drill: Tool | None = None
    drills: tuple[Tool, ...] = ()
    reamers: tuple[Tool, ...] = ()


@dataclass(frozen=True, slots=True)
class Confirmation:
    """An odd thing that somebody stands by: the ``check``, what it ``found``, in which ``holes``, and why."""

    check: str
    found: str
    holes: tuple[str, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class Specification:
    """All that a kit file asks. ``digest`` is the SHA-256 of the file's bytes, ``path`` where it was read."""

    id: str
    revision: str
    unit: Unit
    holes: tuple[Hole, ...]
    parts: tuple[Part, ...]
    title: str = ""
    drawing: str = ""
    fixture: str = ""
    fixture_note: str = ""
    walls: Walls = Walls()
    datum_shift: DatumShift | None = None
    gauges: tuple[Gauge, ...] = ()
    plan: ReadingPlan = ReadingPlan()
    decision: DecisionRule = DecisionRule()
    rounding: Rounding = Rounding()
    temperature: Temperature = Temperature()
    tools: Tools = Tools()
    outline: tuple[tuple[float, float], ...] = ()  #: corners of the part as drawn, in order; empty: not known
    headings: dict[str, str] = field(default_factory=dict)  #: the shop's own heading -> our word
    datum_edges: tuple[DatumEdge, ...] = ()
    wall_names: dict[str, str] = field(default_factory=dict)  #: the shop's other name of a wall -> the kit's
    designators: dict[str, str] = field(default_factory=dict)  #: characteristic -> how the drawing marks it as key
    approval_two_person: bool = True  #: who logged the readings may not approve them
    recheck_within: int | None = None  #: days that readings may be older than a recheck that they count beside
    approval_signed: bool = False  #: approvals, dispositions and releases are signed with the person's key
    path: str = ""
    digest: str = ""
    warnings: tuple[Problem, ...] = ()
    confirmed: tuple[Confirmation, ...] = ()

    def hole(self, hole_id: str) -> Hole:
        """Return a hole by its id; raises DataError naming the ids that exist."""
        for hole in self.holes:
            if hole.id == hole_id:
                return hole
        raise DataError(f"hole {hole_id!r} is not in kit {self.id}; holes are {', '.join(self.hole_ids)}")

    def part(self, name: str) -> Part:
        """Return a part by its name; raises DataError naming the parts that exist."""
        for part in self.parts:
            if part.name == name:
                return part
        raise DataError(f"part {name!r} is not in kit {self.id}; parts are {', '.join(p.name for p in self.parts)}")

    def gauge(self, gauge_id: str) -> Gauge | None:
        """Return a gauge by its id, or None."""
        return next((g for g in self.gauges if g.id == gauge_id), None)

    @property
    def hole_ids(self) -> tuple[str, ...]:
        """Ids in the order of the file."""
        return tuple(h.id for h in self.holes)

    def basic_xy(self, part: str) -> FloatArray:
        """Return basic positions (N,2) in the frame in which that part's readings are taken."""
        drawn = np.array([(h.x, h.y) for h in self.holes], dtype=np.float64).reshape(-1, 2)
        return drawn * np.array(self.part(part).signs())

    @property
    def located(self) -> bool:
        """Whether every hole has its basic position; without it there is no pattern to draw."""
        return all(np.isfinite((h.x, h.y)).all() for h in self.holes)

    @property
    def has_pins(self) -> bool:
        """Whether any hole takes a pin."""
        return any(h.pin is not None for h in self.holes)


# A distance: what is measured from where to where, in which way, over which pins.


#: how a distance is taken; from an edge: to the far side of the pin, to its near side, to the far or the near wall
WAYS = ("over pins", "between pins", "far walls", "near walls", "centres")
OVER_PINS, BETWEEN_PINS, FAR_WALLS, NEAR_WALLS, CENTRES = WAYS
PINNED = frozenset({OVER_PINS, BETWEEN_PINS})
EDGE = "edge "  #: what an end that is an edge begins with


@dataclass(frozen=True, slots=True)
class Distance:
    """One distance of a part: its two ends (a hole's id, or `EDGE` and the edge's name), way, wall, pins.

    ``pins`` are the diameters of the pins at both ends, NaN where none is named; they count over and between pins.
    """

    first: str
    second: str
    way: str = OVER_PINS
    wall: str = ""
    pins: tuple[float, float] = (float("nan"), float("nan"))

    @property
    def text(self) -> str:
        """As one text, which `distance_of` reads again: what the record keeps of a distance beside its reading."""
        pins = [None if pin != pin else pin for pin in self.pins]
        return json.dumps([self.first, self.second, self.way, *pins], ensure_ascii=False)

    @property
    def name(self) -> str:
        """In words: ``1 to 2 over pins``, ``edge A to 3 near walls``."""
        return f"{self.first} to {self.second} {self.way}"

    def hole(self) -> str:
        """Return the hole at an end, the first where both ends are holes, '' for a distance of two edges."""
        return next((end for end in (self.first, self.second) if not end.startswith(EDGE)), "")


def distance_of(text: str, wall: str = "") -> Distance | None:
    """Return the distance that a text of `Distance.text` means, None for any other text."""
    try:
        first, second, way, one, other = json.loads(text)
    except (ValueError, TypeError):
        return None
    pins = tuple(float("nan") if pin is None else float(pin) for pin in (one, other))
    return Distance(str(first), str(second), way, wall, (pins[0], pins[1])) if way in WAYS else None


def read_distance(specification: Specification, line: str) -> Distance | None:
    """Return the distance that a line of a kit file means, `A - 1: over pins, near`, None where it isn't clear."""
    ends, _, rest = line.partition(":")
    both = [end_of(specification, text) for text in re.split(r"\s+(?:-|–|to)\s+|\s*–\s*|(?<=\w)-(?=\w)", ends.strip())]
    way, wall = OVER_PINS, specification.plan.position_walls[0]
    for word in filter(None, (" ".join(w.split()).casefold() for w in rest.split(","))):
        if word in WAYS:
            way = word
        elif word in specification.walls.names:
            wall = word
        else:
            return None
    if len(both) != 2 or not all(both) or both[0] == both[1]:
        return None
    first, second = both if not both[0].startswith(EDGE) else both[::-1]  # a hole first
    return Distance(first, second, way, wall)


def end_of(specification: Specification, text: str) -> str:
    """Return the end that a text names: a hole's id, or `EDGE` and the name of a datum edge; '' for neither."""
    word = " ".join(text.split()).casefold()
    for hole in specification.hole_ids:
        if word in {hole.casefold(), f"hole {hole.casefold()}"}:
            return hole
    short = re.sub(r"^(?:edge|datum)\s+|\s+edge$", "", word)
    return next((f"{EDGE}{e.name}" for e in specification.datum_edges if e.name.casefold() in {word, short}), "")


# Worst-case boundaries of holes and pins after ASME Y14.5, and distances to the outline. Numbers in, numbers out.


@dataclass(frozen=True, slots=True)
class Boundaries:
    """Boundaries of a hole of size held in position [kit unit].

    ``inner`` is the largest perfect boundary that always stays inside the hole (virtual condition at MMC, resultant
    condition at LMC), ``outer`` the smallest that always contains it; ``bonus`` the largest bonus tolerance.
    """

    inner: float
    outer: float
    bonus: float


def boundaries(lower: float, upper: float, tolerance: float, condition: str) -> Boundaries:
    """Return the boundaries that limits of size and a diametral position tolerance give an internal feature.

    MMC: virtual condition = lower - tolerance, resultant condition = upper + tolerance + bonus, bonus = upper - lower.
    LMC: virtual condition = upper + tolerance, resultant condition = lower - tolerance - bonus.
    RFS: inner and outer boundary = lower - tolerance and upper + tolerance.

    Source: ASME Y14.5-2009 1.3.51 (resultant condition) and 1.3.67 (virtual condition), 2.11.
    """
    band = upper - lower
    bonus = band if condition in {"MMC", "LMC"} else 0.0
    inner = lower - tolerance - (bonus if condition == "LMC" else 0.0)
    outer = upper + tolerance + (bonus if condition == "MMC" else 0.0)
    return Boundaries(inner, outer, bonus)


def hole_to_hole(hole: Hole) -> Boundaries:
    """Return the boundaries of a hole as the pins of a floating mating part meet it: by the pattern tolerance.

    By the position tolerance where there is no pattern tolerance, by size alone where there is neither.
    """
    p = hole.position
    if p.pattern_tolerance is not None:
        return boundaries(hole.size.lower, hole.size.upper, p.pattern_tolerance, p.pattern_condition)
    return boundaries(hole.size.lower, hole.size.upper, p.tolerance or 0.0, p.condition)


def outline_distance(xy: ArrayLike, outline: ArrayLike) -> FloatArray:
    """Return each point's distance to the nearest side of a closed outline; negative outside it.

    ``xy`` (N,2), ``outline`` (M,2) corners in order, either way round. Even-odd rule for inside.
    """
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 1, 2)
    start = np.asarray(outline, dtype=np.float64)
    side = np.roll(start, -1, axis=0) - start
    squared = np.maximum((side**2).sum(axis=1), np.finfo(np.float64).tiny)
    along = np.clip(((points - start) * side).sum(axis=2) / squared, 0.0, 1.0)
    distance = np.hypot(*np.moveaxis(points - (start + along[..., None] * side), 2, 0)).min(axis=1)
    above = start[:, 1] > points[..., 1]
    crosses = above != np.roll(above, -1, axis=1)
    rise = np.where(side[:, 1] == 0.0, 1.0, side[:, 1])
    left_of = points[..., 0] < start[:, 0] + side[:, 0] * (points[..., 1] - start[:, 1]) / rise
    inside = np.count_nonzero(crosses & left_of, axis=1) % 2 == 1
    return np.where(inside, distance, -distance)


def outline_area(outline: ArrayLike) -> float:
    """Return the area that an outline (M,2) encloses, by the trapezoid sum over its sides."""
    x, y = np.asarray(outline, dtype=np.float64).T
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2.0


def required_edge(hole: Hole) -> float:
    """Return the least distance from centre to edge asked of a hole; NaN where none is asked."""
    asked = [] if hole.edge.minimum is None else [hole.edge.minimum]
    if hole.edge.minimum_diameters is not None:
        asked.append(hole.edge.minimum_diameters * hole.size.upper)
    return max(asked, default=float("nan"))
