"""A part read in few holes, judged by a reading plan: what is asked of it, what its readings say of the rest.

A plan is made from parts that were read in full (`make`), asks of each part to come some readings by lot
(`asked_units`) and judges them (`judged`): accepted only where all that was asked, and nothing else, was read, nothing
of it is held or rejected, the readings fit one another as the history says, and the chance that any limit of the kit is
broken by what wasn't read is within the agreed risk. Only diameters and coordinates are predicted; plugs, surface, and
whatever else the kit asks are read in every hole.

Limits as linear ones, each on the safe side: a round zone by the polygon inside it; the floated pattern by the motion
of least squares, which leaves no more room than the best one; pins and bonus by every diameter read of the hole.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc import door
from holeqc.inspection.evidence import Evidence, Rows, disprove, gather
from holeqc.inspection.results import (
    ACCEPT,
    CAUSES,
    HOLD,
    MISSING,
    NONE,
    PATTERN_INCOMPLETE,
    REJECT,
    Planned,
    Predicted,
)
from holeqc.inspection.size import direction_codes
from holeqc.problems import WARNING, DataError, Problem
from holeqc.quantities import BoolArray, FloatArray, IntArray
from holeqc.sampling import reading_plan as core
from holeqc.specification.model import outline_distance, required_edge
from holeqc.tables import Row, Table

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.specification.model import Hole, Specification

SIDES = 16  #: of the polygon in a round zone: 2 % of its radius is given away
KINDS = ("diameter", "x", "y")
SIZE, PLACE = "size", "place"
ODD = 0.002  #: readings that come less often by the history are a sign that the part isn't one of its kind
LEAST_PLACED = 3  #: two holes seat a part, the third checks it
LAST = 20  #: parts whose mean must still lie where the model says
FRESH = 5  #: parts that are read in full between two plans
LOTS, TRIED = 8, 40  #: lots that are tried on each bad part of the history, and good parts tried by one of them
READ_BY_PLAN = ("size", "out-of-roundness", "taper", "position", "hole-to-hole position", "edge distance")
MAY_BE_OPEN = (CAUSES[MISSING], CAUSES[PATTERN_INCOMPLETE])
#: faults that a history can't foretell: what, and how the plan meets it
NOT_COVERED = (
    "one hole drilled twice, a chip under the part, a bushing that comes loose at once: in a hole that isn't read such "
    "a fault is seen only by its plugs and by eye, else when its turn comes, at the latest after {every} parts",
    "oversize of a hole that isn't read, where the kit asks no NO-GO plug of it",
    "cracks, burrs, lobes: nothing predicts them; surface and plugs stay asked of every hole",
    "a drill, gauge, material or setting changed without a log: log it; readings show it where it moves all holes",
)


@dataclass(frozen=True, slots=True)
class Slots:
    """The numbers that the kit asks of a part, one an entry (p,): hole, wall, kind (into `KINDS`), number of the
    direction, trial; and the unit (hole, wall, size or place) that it is read with.
    """

    hole: IntArray
    wall: IntArray
    kind: IntArray
    direction: IntArray
    trial: IntArray
    unit: IntArray
    units: tuple[tuple[int, int, str], ...]

    @property
    def blocks(self) -> tuple[IntArray, ...]:
        """Sizes and places."""
        return tuple(b for b in (np.flatnonzero(self.kind == 0), np.flatnonzero(self.kind > 0)) if b.size)

    def read_with(self, units: Sequence[int]) -> IntArray:
        """Return the entries of some units."""
        return np.flatnonzero(np.isin(self.unit, list(units)))

    def of(self, hole: int, wall: int | None = None, kind: int = 0) -> IntArray:
        """Return the entries of a hole, of one wall if named."""
        there = (self.hole == hole) & (self.kind == kind)
        return np.flatnonzero(there if wall is None else there & (self.wall == wall))


def slots_of(spec: Specification) -> Slots:
    """Return the numbers that a kit's plan asks of a part."""
    plan, names = spec.plan, spec.walls.names
    found: list[tuple[int, int, int, int, int]] = []
    for number in range(len(spec.holes)):
        for place in (names.index(w) for w in names if w in plan.walls):
            found += [(number, place, 0, d, t) for d in range(len(plan.directions)) for t in range(1, plan.count + 1)]
        if plan.position:
            found += [(number, names.index(w), k, 0, 1) for w in names if w in plan.position_walls for k in (1, 2)]
    hole, wall, kind, direction, trial = np.array(found, dtype=np.int64).reshape(-1, 5).T
    of = [(h, w, PLACE if k else SIZE) for h, w, k, _, _ in found]
    units = tuple(dict.fromkeys(of))
    return Slots(hole, wall, kind, direction, trial, np.array([units.index(u) for u in of], dtype=np.int64), units)


def values_of(evidence: Evidence, slots: Slots) -> FloatArray:
    """Return what was read (P,p), NaN where nothing sure or more than one value; places as measured minus basic, in the
    drawing's frame.
    """
    parts, (holes, walls) = len(evidence.parts), evidence.shape[1:]
    spec = evidence.spec
    out = np.full((parts, slots.hole.size), np.nan)
    count = np.zeros(out.shape, dtype=np.int64)
    basic = np.array([(h.x, h.y) for h in spec.holes], dtype=np.float64)
    for kind, name in enumerate(KINDS):
        rows: Rows = evidence.rows[name]
        direction = direction_codes(rows, spec.plan.directions) if kind == 0 else np.zeros(len(rows), dtype=np.int64)
        trial = rows.trial if kind == 0 else np.ones(len(rows), dtype=np.int64)
        where: dict[tuple[int, ...], int] = {
            (h, w, d, t): n for n, (h, w, k, d, t) in enumerate(zip(
                slots.hole.tolist(), slots.wall.tolist(), slots.kind.tolist(), slots.direction.tolist(),
                slots.trial.tolist(), strict=True)) if k == kind
        }  # fmt: skip
        size = (holes, walls, max(1, int(direction.max(initial=0)) + 1), max(2, int(trial.max(initial=1)) + 1))
        lookup = np.full(size, -1, dtype=np.int64)
        for key, n in where.items():
            if all(k < m for k, m in zip(key, size, strict=True)):
                lookup[key] = n
        at = np.where(rows.wall >= 0, lookup[rows.hole, rows.wall, direction, trial], -1)
        sign = np.ones(len(rows)) if kind == 0 else evidence.parts.signs[rows.part, kind - 1]
        value = rows.value if kind == 0 else rows.value * sign - basic[rows.hole, kind - 1]
        ok = (at >= 0) & ~np.isnan(value) & ~rows.doubted & (rows.cause == NONE)
        out[rows.part[ok], at[ok]] = value[ok]
        np.add.at(count, (rows.part[at >= 0], at[at >= 0]), 1)
    return np.where(count == 1, out, np.nan)


# ------------------------------------------------------------------------------------------------ limits as linear ones


def limits_of(spec: Specification, slots: Slots) -> core.Limits:
    """Return what the kit asks of diameters and places as linear limits: a part is good where all of them hold.

    Raises:
        DataError: the guarded rule with a gauge whose U isn't known.
    """
    return _Limits(spec, slots).gathered()


class _Limits:
    def __init__(self, spec: Specification, slots: Slots) -> None:
        self.spec, self.slots = spec, slots
        self.a: list[FloatArray] = []
        self.c: list[FloatArray] = []
        self.u_size, self.u_place = (self._u(g) for g in (spec.plan.diameter_gauge, spec.plan.position_gauge))
        turn = 2.0 * np.pi * np.arange(SIDES) / SIDES
        self.sides, self.inside = np.column_stack([np.cos(turn), np.sin(turn)]), math.cos(math.pi / SIDES)

    def _u(self, gauge: str) -> float:
        """Return the guard band of one reading: r U under the guarded rule, else none."""
        if self.spec.decision.rule != "guarded":
            return 0.0
        known = self.spec.gauge(gauge)
        if known is None or known.uncertainty is None:
            raise DataError("the guarded rule needs the U of both gauges of [plan]: name diameter_gauge and "
                            "position_gauge, and their uncertainty")  # fmt: skip
        return self.spec.decision.guard_factor * known.uncertainty

    def gathered(self) -> core.Limits:
        for number, hole in enumerate(self.spec.holes):
            self._sizes(number, hole)
        if self.spec.plan.position:
            for number, hole in enumerate(self.spec.holes):
                self._position(number, hole)
            holes = self.spec.holes
            asked = [n for n, h in enumerate(holes) if h.position.pattern_tolerance is not None]
            for turns in (True, False):
                self._pattern([n for n in asked if holes[n].position.pattern_rotates == turns], turns)
            self._pins([n for n, h in enumerate(holes) if h.pin is not None])
        return core.Limits(np.concatenate(self.a), np.concatenate(self.c))

    def _add(self, a: FloatArray, c: FloatArray) -> None:
        self.a.append(a)
        self.c.append(c)

    def _sizes(self, number: int, hole: Hole) -> None:
        mine = self.slots.of(number)
        one = np.eye(self.slots.hole.size)
        self._add(one[mine], np.full(mine.size, hole.size.upper - self.u_size))
        self._add(-one[mine], np.full(mine.size, self.u_size - hole.size.lower))
        walls = self.slots.wall[mine]
        for limit, same in ((hole.form.out_of_roundness, True), (hole.form.taper, False)):
            first, second = np.nonzero((walls[:, None] == walls) == same)
            some = first != second
            if limit is not None and some.any():
                room = limit - math.sqrt(2.0) * self.u_size
                self._add(one[mine[first[some]]] - one[mine[second[some]]], np.full(int(some.sum()), room))

    def _round(self, x: FloatArray, y: FloatArray, radius: float, sizes: FloatArray | None) -> None:
        """Add the round zone of an axis (rows x, y (p,)): radius, and half of each of ``sizes`` (rows (d,p)) beside."""
        toward = self.sides[:, :1] * x + self.sides[:, 1:] * y
        if sizes is None:
            self._add(toward, np.full(SIDES, radius * self.inside))
        else:
            a = toward[:, None, :] - 0.5 * self.inside * sizes
            self._add(a.reshape(-1, a.shape[-1]), np.full(SIDES * len(sizes), radius * self.inside))

    def _zone(self, number: int, wall: int, stated: float, condition: str, x: FloatArray, y: FloatArray) -> None:
        """Add a position zone with its bonus: the departure of every diameter that counts, none where none is read."""
        hole, both = self.spec.holes[number], self.spec.walls.bonus_from_both
        sizes = self.slots.of(number, None if both else wall)
        radius = 0.5 * (stated - math.hypot(2.0 * self.u_place, self.u_size))
        rows = np.eye(self.slots.hole.size)[sizes]
        if condition == "MMC" and sizes.size:
            self._round(x, y, radius - 0.5 * hole.size.lower, rows)
        elif condition == "LMC" and sizes.size:
            self._round(x, y, radius + 0.5 * hole.size.upper, -rows)
        else:
            self._round(x, y, radius, None)

    def _axes(self, holes: Sequence[int]) -> list[tuple[int, int]]:
        """Return hole and wall of the axes that are placed."""
        placed = self.slots.kind == 1
        return [(int(h), int(w)) for h, w in zip(self.slots.hole[placed], self.slots.wall[placed], strict=True)
                if h in holes]  # fmt: skip

    def _position(self, number: int, hole: Hole) -> None:
        one = np.eye(self.slots.hole.size)
        room = float("nan")
        if self.spec.outline and not self.spec.plan.edge_distance and not math.isnan(required_edge(hole)):
            room = float(outline_distance([(hole.x, hole.y)], self.spec.outline)[0]) - required_edge(hole)
            # the least distance grows with a hole beyond its upper limit, which is broken by itself then
        for _, wall in self._axes([number]):
            x, y = (one[self.slots.of(number, wall, kind)[0]] for kind in (1, 2))
            if hole.position.tolerance is not None:
                self._zone(number, wall, hole.position.tolerance, hole.position.condition, x, y)
            if not math.isnan(room):
                self._round(x, y, room - self.u_place, None)

    def _floated(self, axes: Sequence[tuple[int, int]], turns: bool) -> tuple[FloatArray, FloatArray]:
        """Return rows (A,p) for x and y of axes left by the motion of least squares, small turns taken as linear."""
        one = np.eye(self.slots.hole.size)
        at = np.array([[self.slots.of(h, w, k)[0] for k in (1, 2)] for h, w in axes])
        xy = np.array([(self.spec.holes[h].x, self.spec.holes[h].y) for h, _ in axes], dtype=np.float64)
        xy = xy - xy.mean(axis=0)
        flat = np.concatenate([one[at[:, 0]], one[at[:, 1]]])
        count, none = len(axes), np.zeros(len(axes))
        moves = [np.concatenate([none + 1.0, none]), np.concatenate([none, none + 1.0])]
        if turns and np.ptp(xy, axis=0).any():
            moves.append(np.concatenate([-xy[:, 1], xy[:, 0]]))
        basis = np.linalg.qr(np.column_stack(moves))[0]
        left = flat - basis @ (basis.T @ flat)
        return left[:count], left[count:]

    def _pattern(self, holes: Sequence[int], turns: bool) -> None:
        axes = self._axes(holes)
        if not axes:
            return
        for (number, wall), x, y in zip(axes, *self._floated(axes, turns), strict=True):
            position = self.spec.holes[number].position
            self._zone(number, wall, position.pattern_tolerance or 0.0, position.pattern_condition, x, y)

    def _pins(self, holes: Sequence[int]) -> None:
        """Add the pins together: a pin of diameter d passes a hole D where their axes are (D - d) / 2 apart or less."""
        axes = self._axes(holes)
        every = set(self.spec.plan.position_walls) >= set(self.spec.walls.names)
        for (number, wall), x, y in zip(axes, *(self._floated(axes, True) if axes else ((), ())), strict=True):
            sizes = self.slots.of(number, wall if every else None)
            pin = self.spec.holes[number].pin
            if pin is None or not sizes.size:
                raise DataError(f"hole {self.spec.holes[number].id}: pins are asked and no diameter is read")
            radius = -0.5 * pin.virtual_condition - math.hypot(0.5 * self.u_size, self.u_place)
            self._round(x, y, radius, np.eye(self.slots.hole.size)[sizes])


# ---------------------------------------------------------------------------------------------------------- the plan


@dataclass(frozen=True, slots=True)
class PartialPlan:
    """A reading plan: what a history says of the next parts, of one text of one kit.

    ``segments``: stretches between events in which sizes, and places, keep their level; the last counts. ``hands``
    names of parts in the history, the first without a column of its own; ``cycle``: parts drilled up to the last of the
    history; ``worn``: holes that are read twice as often; ``loose``: that are read on each part, since their scatter
    grows; ``bad``: parts that were rejected; ``tried``: good parts that it accepts, of how many.
    """

    kit: str
    revision: str
    kit_sha256: str
    fixture: str
    made: str
    serials: tuple[str, ...]
    hands: tuple[str, ...]
    segments: tuple[int, ...]
    cycle: int
    worn: tuple[str, ...]
    loose: tuple[str, ...]
    bad: tuple[str, ...]
    left_out: tuple[str, ...]
    tried: tuple[int, int]
    model: core.Model = field(repr=False)

    @property
    def code(self) -> str:
        """Ten signs of the digest of all that it says."""
        return hashlib.sha256(self.text().encode()).hexdigest()[:10].upper()

    def text(self) -> str:
        """Return the plan as one line of JSON, the same on each machine."""
        m = self.model
        low = np.tril_indices(len(m.scale))
        data = asdict(replace(self, model=None))  # type: ignore[arg-type]
        data["model"] = {
            "beta": [_short(b) for b in m.beta], "gram": [_short(g) for g in m.gram], "scale": _short(m.scale[low]),
            "parts": m.parts, "dof": _short(m.dof), "tails": None if math.isinf(m.tails) else m.tails,
            "left_out": list(m.left_out),
        }  # fmt: skip
        return json.dumps(data, ensure_ascii=False, sort_keys=True, separators=(",", ":"))

    @classmethod
    def of(cls, text: str, slots: Slots) -> PartialPlan:
        """Return the plan of a text.

        Raises:
            DataError: it is none of this kit.
        """
        try:
            data = door.json_values(text)
            m = data.pop("model")
            size = slots.hole.size
            scale = np.zeros((size, size))
            scale[np.tril_indices(size)] = np.array(m["scale"], dtype=np.float64)
            scale = scale + np.tril(scale, -1).T
            beta, gram = (tuple(np.array(b, dtype=np.float64) for b in m[name]) for name in ("beta", "gram"))
            tails = math.inf if m["tails"] is None else float(m["tails"])
            model = core.Model(
                beta,
                gram,
                scale,
                slots.blocks,
                np.array(m["dof"], dtype=np.float64),
                int(m["parts"]),
                tuple(m["left_out"]),
                tails,
            )
            lists = ("serials", "hands", "segments", "worn", "loose", "bad", "left_out", "tried")
            return cls(**(data | {name: tuple(data[name]) for name in lists}), model=model)
        except (ValueError, KeyError, TypeError) as error:
            raise DataError(f"this is no reading plan of the kit ({type(error).__name__})") from None

    def ahead(self, part: str, count: int) -> core.Row:
        """Return the distribution of the ``count``-th part to come, by its name.

        Raises:
            DataError: no part of this name is in the history.
        """
        if part not in self.hands:
            raise DataError(f"no {part or 'such part'} was read in full in the plan's history")
        return core.ahead(self.model, [
            np.array([
                *([0.0] * (n - 1)), 1.0, (self.cycle + count) / 100.0, *(float(part == h) for h in self.hands[1:]),
            ])
            for n in self.segments
        ])  # fmt: skip


def _short(values: FloatArray) -> Any:
    """Return numbers to twelve digits, so that one plan has one text."""
    return json.loads(json.dumps(values.tolist()), parse_float=lambda text: float(f"{float(text):.12g}"))


@dataclass(frozen=True, slots=True)
class HistoryParts:
    """Parts in order of drilling (P,): what was read (P,p), who they are, the day, which were rejected."""

    rows: FloatArray
    serials: tuple[str, ...]
    names: tuple[str, ...]
    days: Any
    bad: BoolArray


def history_parts(inspection: Inspection, slots: Slots) -> HistoryParts:
    """Return the parts of judged readings, in the order of their first days."""
    from holeqc.inspection.series import order_of_days

    evidence, _ = disprove(gather(inspection.specification, inspection.readings.rows))
    days = np.asarray(evidence.first_day).astype("datetime64[D]")
    order = order_of_days(days)
    parts = evidence.parts
    names = [parts.names[n] for n in parts.name]
    serials = [parts.serials[n] for n in parts.serial]
    bad = {(p, s) for p, s, v in inspection.tables["parts"].tuples("part", "serial", "verdict") if v == REJECT}
    return HistoryParts(
        values_of(evidence, slots)[order], tuple(serials[n] for n in order), tuple(names[n] for n in order),
        days[order],
        np.array([(names[n], serials[n]) in bad for n in order], dtype=np.bool_),
    )  # fmt: skip


def make(
    spec: Specification, parts: HistoryParts, starts: Mapping[str, Sequence[int]], made: str, worn: Sequence[str] = (),
    loose: Sequence[str] = (),
) -> PartialPlan:  # fmt: skip
    """Return the plan that a history gives.

    ``starts``: places of the first parts after events that changed sizes, and places (`SIZE`, `PLACE`); ``worn``,
    ``loose``: holes whose bushings drift, or scatter more and more, beside those that are found to here.

    Raises:
        DataError: the history doesn't carry a plan, and why.
    """
    slots = slots_of(spec)
    whole = np.asarray(~np.isnan(parts.rows).any(axis=1), dtype=np.bool_)
    if not slots.hole.size or not whole.any():
        raise DataError("no part of the history was read in full: there is nothing to predict from")
    segments = [_segments(parts, whole, starts.get(kind, ())) for kind in _block_kinds(slots)]
    whole &= np.all([s >= 0 for s in segments], axis=0)
    rows, serials = parts.rows[whole], [s for s, w in zip(parts.serials, whole, strict=True) if w]
    names = np.array(parts.names)[whole]
    hands = tuple(sorted(set(names.tolist())))
    if few := [n for n in hands if (names == n).sum() < core.SEGMENT]:
        raise DataError(f"fewer than {core.SEGMENT} parts {', '.join(few)} were read in full: read on in full")
    hand = np.array([hands.index(n) for n in names.tolist()], dtype=np.int64)
    x = [core.design(np.asarray(np.flatnonzero(whole) + 1.0, dtype=np.float64), s[whole], hand) for s in segments]
    model = core.fit(rows, x, slots.blocks, slots.hole)
    used = np.ones(len(rows), dtype=np.bool_)
    used[list(model.left_out)] = False
    moved = core.lately_off(model, rows[used], [one[used] for one in x], slots.hole, LAST)
    if moved.size:
        raise DataError(
            f"the last {LAST} parts don't lie where those before them say ({_slot_words(spec, slots, moved)}):"
            " something changed, or speeds up. Look at holeqc wear; log the event, or read on in full"
        )
    levels = tuple(len(np.unique(s[whole])) for s in segments)
    drift = (core.drifting(model, levels) < 0.01 / slots.hole.size) & (slots.kind > 0)
    found = {spec.holes[h].id for h in slots.hole[drift]}
    found = set() if len(found) == len(spec.holes) else found  # the seating, or the frame
    more = core.loosened(model, rows[used], [one[used] for one in x], slots.hole)
    growing = {spec.holes[h].id for h in slots.hole[more]}
    plan = PartialPlan(
        spec.id, spec.revision, spec.digest, spec.fixture, made, tuple(parts.serials), hands, levels,
        len(parts.serials),
        tuple(sorted({*worn, *found}, key=spec.hole_ids.index)),
        tuple(sorted({*loose, *growing}, key=spec.hole_ids.index)),
        tuple(s for s, bad in zip(parts.serials, parts.bad, strict=True) if bad),
        tuple(serials[n] for n in model.left_out), (0, 0), model,
    )  # fmt: skip
    plan = PartialPlan.of(plan.text(), slots)  # as it is kept
    return replace(plan, tried=_tried(spec, plan, parts, whole, x))


def _block_kinds(slots: Slots) -> list[str]:
    return [PLACE if slots.kind[block[0]] else SIZE for block in slots.blocks]


def _segments(parts: HistoryParts, whole: BoolArray, starts: Sequence[int]) -> IntArray:
    """Return the stretch between events of each part (P,), -1 for a stretch without parts read in full.

    Raises:
        DataError: too few were read in full since the last event.
    """
    total = len(parts.serials)
    edges = np.array(sorted({s for s in starts if 0 < s <= total}), dtype=np.int64)
    segment = np.searchsorted(edges, np.arange(total), side="right")
    since = int((whole & (segment == edges.size)).sum())
    if since < core.SEGMENT:
        raise DataError(f"{since} parts were read in full since the last event; a plan needs {core.SEGMENT}: read on "
                        "in full")  # fmt: skip
    there = np.bincount(segment[whole], minlength=edges.size + 1) > 0
    return np.where(there[segment], segment, -1).astype(np.int64)


def _slot_words(spec: Specification, slots: Slots, some: IntArray) -> str:
    names = dict.fromkeys(f"hole {spec.holes[slots.hole[n]].id} {KINDS[slots.kind[n]]}" for n in some)
    return ", ".join(list(names)[:4]) + (" and others" if len(names) > 4 else "")


def _tried(spec: Specification, plan: PartialPlan, parts: HistoryParts, whole: BoolArray, x: core.Designs) -> (
        tuple[int, int]):  # fmt: skip
    """Return how many good parts of the history the plan accepts, of how many tried.

    Raises:
        DataError: one lot would have accepted a part that was rejected.
    """
    slots, places = slots_of(spec), np.flatnonzero(whole)
    limits = limits_of(spec, slots)
    ages = [0] * len(spec.holes)
    good = [n for n, place in enumerate(places) if not parts.bad[place]]
    some = [good[n] for n in np.linspace(0, len(good) - 1, min(TRIED, len(good))).astype(int)]
    chooser = _chooser(spec, plan, slots, limits, parts.names[places[-1]], 1)
    lots = [slots.read_with(_units(spec, plan, slots, f"{plan.made} {lot}", ages, chooser)) for lot in range(LOTS)]
    accepted = 0
    for n, place in enumerate(places):
        row = core.ahead(plan.model, [one[n] for one in x])
        for read in lots if parts.bad[place] else lots[n % LOTS :][: int(n in some)]:
            passed = _weighed(slots, row, limits, read, parts.rows[place], spec.plan.partial_risk)[0]
            if passed and parts.bad[place]:
                raise DataError(f"{parts.serials[place]} was rejected, and a plan from this history could have "
                                "accepted it: its fault can't be predicted from other holes. Read in full")  # fmt: skip
            accepted += passed and not parts.bad[place]
    return accepted, len(some)


def _weighed(
    slots: Slots, row: core.Row, limits: core.Limits, read: IntArray, values: FloatArray, risk: float
) -> tuple[bool, float, core.Surprise, core.Row]:
    odd = core.surprise(row, read, values[read], slots.hole)
    rest = core.given(row, read, values[read])
    left = core.risk(rest, limits)
    return left <= risk and odd.chance >= ODD, left, odd, rest


# ----------------------------------------------------------------------------------------------------- what is read


def _chooser(spec: Specification, plan: PartialPlan, slots: Slots, limits: core.Limits, part: str, count: int) -> (
        core.Chooser):  # fmt: skip
    ask = spec.plan
    return core.Chooser(plan.ahead(part, count), limits, slots.unit, ask.partial_risk, ask.partial_hold)


def asked_units(spec: Specification, plan: PartialPlan, seed: str, ages: Sequence[int], part: str, count: int) -> (
        tuple[int, ...]):  # fmt: skip
    """Return the units that are read on the ``count``-th part of a plan.

    ``ages`` (H,): parts since each hole was read. The seed draws holes beyond those that are due, and their walls; then
    what the risk asks for more is added.
    """
    slots = slots_of(spec)
    return _units(spec, plan, slots, seed, ages, _chooser(spec, plan, slots, limits_of(spec, slots), part, count))


def _units(
    spec: Specification, plan: PartialPlan, slots: Slots, seed: str, ages: Sequence[int], chooser: core.Chooser
) -> tuple[int, ...]:
    most = spec.plan.partial_every
    every = [1 if h.id in plan.loose else max(2, most // 2) if h.id in plan.worn else most for h in spec.holes]
    least = max(math.ceil(sum(1.0 / n for n in every) - 1e-9), LEAST_PLACED if spec.plan.position else 1)
    holes = core.due_holes(seed, ages, every, min(least, len(every)))
    must: set[int] = set()
    for hole in holes:
        for kind in (SIZE, PLACE):
            units = [n for n, (h, _, k) in enumerate(slots.units) if h == hole and k == kind]
            must |= {units[core.drawn_order(f"{seed} {hole}", len(units))[0]]} if units else set()
    return chooser.choose(must).units


# -------------------------------------------------------------------------------------------------------- the verdict


def judged(
    spec: Specification, plan: PartialPlan, inspection: Inspection, named: tuple[str, str], units: Sequence[int],
    count: int, refused: str = "",
) -> Planned:  # fmt: skip
    """Return what a plan says of a part of an inspection (part, serial) that was read in part: accepted, or why not.

    ``count``: which part of the plan it is; ``refused``: why the plan doesn't count for it whatever its readings.
    """
    slots, limits = slots_of(spec), None
    part, serial = named
    table = _rows_of(inspection, part, serial)
    read = int((~np.isnan(table["value"]) | (table["word"] != "")).sum())
    none = Planned(part, serial, plan.code, False, refused, read, readings_asked(spec, slots),
                   agreed=spec.plan.partial_risk)  # fmt: skip
    if refused:
        return none
    ask = slots.read_with(units)
    evidence, _ = disprove(gather(spec, table))
    values = values_of(evidence, slots)[0]
    if why := _other_than_asked(spec, slots, table, values, ask):
        return replace(none, why=why)
    if why := _held_otherwise(inspection, table, part, serial):
        return replace(none, why=why)
    limits = limits_of(spec, slots)
    fits, risk, odd, rest = _weighed(slots, plan.ahead(part, count), limits, ask, values, spec.plan.partial_risk)
    done = replace(none, risk=risk, scores=_scores(spec, slots, ask, odd.score), predicted=_predicted(spec, slots, rest,
                   ask, evidence.parts.signs[0]))  # fmt: skip
    if odd.chance < ODD:
        far = ask[np.argsort(-np.abs(odd.score))[:2]]
        return replace(done, surprise=True, why="its readings lie where the others say they can't (1 in "
                       f"{1 / odd.chance:.2g} by the history, first {_slot_words(spec, slots, far)})")  # fmt: skip
    if not fits:
        return replace(done, why=f"from what was read the chance of a bad hole is up to {100.0 * risk:.2g} %, and "
                       f"{100.0 * spec.plan.partial_risk:g} % is agreed")  # fmt: skip
    return replace(done, accepted=True)


def _rows_of(inspection: Inspection, part: str, serial: str) -> Table:
    table = inspection.readings.rows
    only = inspection.specification.parts[0].name if len(inspection.specification.parts) == 1 else part
    return table.take((table["serial"] == serial) & table["part"].isin([part, *([""] if only == part else [])]))


def readings_asked(spec: Specification, slots: Slots) -> int:
    """Return how many readings the kit asks of a part."""
    walls = len(spec.walls.names)
    return slots.hole.size + sum(
        walls * ((h.plugs.go is not None) + (h.plugs.no_go is not None) + h.surface.asked) + len(h.measured)
        + (walls if spec.plan.edge_distance and not math.isnan(required_edge(h)) else 0) for h in spec.holes
    )  # fmt: skip


def _other_than_asked(spec: Specification, slots: Slots, table: Table, values: FloatArray, ask: IntArray) -> str:
    """Return in which way the numbers that were read aren't those that were asked; '' where they are."""
    sure = np.flatnonzero(~np.isnan(values))
    said = table["characteristic"].isin(KINDS) & (~np.isnan(table["value"]) | (table["doubt"] != ""))
    if missing := np.setdiff1d(ask, sure).size:
        far = _slot_words(spec, slots, np.setdiff1d(ask, sure))
        return f"{missing} readings that the plan asks aren't there, or are in doubt ({far})"
    if int(said.sum()) != ask.size or np.setdiff1d(sure, ask).size:
        return "others were read than the plan asks: readings that somebody chose prove nothing of the rest"
    return ""


def _held_otherwise(inspection: Inspection, table: Table, part: str, serial: str) -> str:
    """Return what speaks against the part beside the readings that weren't asked; '' where nothing does."""
    mine = inspection.tables["characteristics"].where(part=part, serial=serial)
    wrong = mine.take(mine["verdict"] != ACCEPT)
    open_ = _may_be_open(wrong)
    if not open_.all():
        first = wrong.row(int(np.argmin(open_)))
        return f"hole {first['hole']} {first['characteristic']} isn't accepted"
    spec = inspection.specification
    if (table["doubt"] != "").any() or not table["hole"].isin(spec.hole_ids).all():
        return "a reading of it is in doubt"
    files = set(table["file"].there())
    for p in inspection.problems:
        here = p.serial in ("", serial) and p.part in ("", part) and (p.serial or not p.file or p.file in files)
        if p.holds and here:
            return f"it is held: {p.message}"
    holes, row = inspection.tables["holes"].where(part=part, serial=serial), _row(inspection, part, serial)
    if (holes["verdict"] == REJECT).any() or int(row["verdict"]) == REJECT or int(row["pin_verdict"]) == REJECT:
        return "it is rejected"
    return "" if int(row["verdict"]) == HOLD else "nothing of it is open"


def _may_be_open(rows: Table) -> BoolArray:
    named = rows["characteristic"].isin(READ_BY_PLAN) & rows["cause"].isin(MAY_BE_OPEN)
    return np.asarray(named & (rows["verdict"] == HOLD), dtype=np.bool_)


def _row(inspection: Inspection, part: str, serial: str) -> Row:
    return inspection.tables["parts"].where(part=part, serial=serial).row(0)


def _scores(spec: Specification, slots: Slots, ask: IntArray, score: FloatArray) -> dict[str, float]:
    """Return the mean score of each hole's sizes, x and y: what a slow change shows first."""
    out: dict[str, list[float]] = {}
    for n, value in zip(ask, score, strict=True):
        out.setdefault(f"{spec.holes[slots.hole[n]].id} {KINDS[slots.kind[n]]}", []).append(float(value))
    return {name: round(sum(v) / math.sqrt(len(v)), 4) for name, v in out.items()}


def _predicted(spec: Specification, slots: Slots, rest: core.Row, ask: IntArray, sign: FloatArray) -> (
        tuple[Predicted, ...]):  # fmt: skip
    """Return the values that weren't read: where 95 of 100 lie."""
    from scipy import stats

    half = np.sqrt(np.maximum(np.diag(rest.scale), 0.0)) * float(stats.t.isf(0.025, rest.dof.min()))
    out = []
    for n in np.setdiff1d(np.arange(slots.hole.size), ask):
        hole, kind = spec.holes[slots.hole[n]], int(slots.kind[n])
        basic = (0.0, hole.x, hole.y)[kind]
        value = float((basic + rest.mean[n]) * (1.0 if kind == 0 else sign[kind - 1]))
        what = f"diameter {spec.plan.directions[slots.direction[n]]:g}°" if kind == 0 else KINDS[kind]
        out.append(Predicted(hole.id, spec.walls.names[slots.wall[n]], what, value, float(half[n])))
    return tuple(out)


def with_plans(inspection: Inspection, planned: Sequence[Planned]) -> Inspection:
    """Return an inspection with parts accepted that a plan accepts, the others held with why, and both on it."""
    if not planned:
        return inspection
    problems = [
        Problem(WARNING, "read-in-full", f"reading plan {one.plan}: {one.why}", action="Read the part in full, on a "
                "new sheet", part=one.part, serial=one.serial, holds=True) for one in planned if not one.accepted
    ]  # fmt: skip
    chars, holes, parts = (inspection.tables[name] for name in ("characteristics", "holes", "parts"))
    accepted = [{"part": one.part, "serial": one.serial} for one in planned if one.accepted]
    mine, of_holes, of_parts = (_any(table, accepted) for table in (chars, holes, parts))
    open_ = mine & (chars["verdict"] != ACCEPT)
    floated = open_ | mine & (chars["characteristic"] == "hole-to-hole position")
    # a pattern of fewer holes says nothing of its own
    numbers = ("found", "deviation", "left", "probability", "uncertainty", "ratio")
    chars = chars.with_columns(
        **{name: np.where(floated, np.nan, chars[name]) for name in numbers},
        verdict=np.where(open_, ACCEPT, chars["verdict"]), cause=chars["cause"].where(~open_, ""),
        found_word=chars["found_word"].where(~floated, "by the plan"),
    )  # fmt: skip
    pins = parts["pin_verdict"]
    tables = {
        **inspection.tables, "characteristics": chars,
        "holes": holes.with_columns(verdict=np.where(of_holes, ACCEPT, holes["verdict"])),
        "parts": parts.with_columns(
            verdict=np.where(of_parts, ACCEPT, parts["verdict"]),
            pin_verdict=np.where(of_parts & (pins == HOLD), ACCEPT, pins),
        ),
    }  # fmt: skip
    return replace(inspection, tables=tables, planned=tuple(planned), problems=(*inspection.problems, *problems))


def _any(table: Table, parts: Sequence[Mapping[str, str]]) -> BoolArray:
    out = np.zeros(len(table), dtype=np.bool_)
    for one in parts:
        out |= table.hits(**one)
    return out


def read_in_part(inspection: Inspection) -> list[tuple[str, str]]:
    """Return the parts (part, serial) that are held and have open readings that a plan may speak of."""
    rows = inspection.tables["characteristics"]
    open_ = rows.take(_may_be_open(rows)).pairs("part", "serial")
    every = inspection.tables["parts"].tuples("part", "serial", "verdict")
    return [(p, s) for p, s, v in every if v == HOLD and (p, s) in open_]


def sheet_rows(spec: Specification, units: Sequence[int]) -> Mapping[tuple[str, str], frozenset[str]]:
    """Return what a sheet asks of each hole and wall: the units' numbers, and all else that the kit asks."""
    slots = slots_of(spec)
    every = frozenset({"go", "no_go", "surface", "edge_distance", *(w for h in spec.holes for w in h.measured)})
    asked: dict[tuple[str, str], frozenset[str]] = {(h, w): every for h in spec.hole_ids for w in spec.walls.names}
    for n in units:
        hole, wall, kind = slots.units[n]
        key = spec.holes[hole].id, spec.walls.names[wall]
        asked[key] |= {"diameter"} if kind == SIZE else {"x", "y"}
    return asked
