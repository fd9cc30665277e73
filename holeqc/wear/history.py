"""The fixture's history: readings of many parts as arrays, parts in order of drilling, in the drawing's frame.

One fixture drills all parts of a kit, the mirrored ones too, so the deviations of mirrored parts are turned into the
frame of the drawing (`Part.signs`). Walls are drilled by one stroke through one bushing: the place of a hole is the
mean of its walls, its size the mean of all its two-point readings. Readings that are doubted are left out, and so are
gross errors (`gross`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from holeqc.inspection.evidence import Evidence, disprove, gather
from holeqc.inspection.pattern import check_pins, float_pattern
from holeqc.inspection.position import Places, find_places, position_zones
from holeqc.inspection.results import largest, mean, smallest
from holeqc.inspection.series import left_out
from holeqc.inspection.size import Sizes, judge_size
from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.quantities import BoolArray, FloatArray
from holeqc.wear.gross import contradicted, without

if TYPE_CHECKING:
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

DayArray = NDArray[np.datetime64]
SIZE_BY, SIZE_GAUGE, PLACE_BY, PLACE_GAUGE = MARKS = ("sizes by", "size gauge", "places by", "place gauge")


@dataclass(frozen=True, slots=True)
class Margins:
    """Room that is left before a limit, positive inside, as the inspection works it out; NaN where not known.

    ``size_upper``, ``size_lower``, ``position`` (P,H): limit minus the reading that lies worst; for position the radius
    of the zone with its bonus minus the distance of the axis, in the wall that lies worst. ``pattern`` and ``pins``
    (P,) are of the whole pattern: hole to hole, and of the pins together; ``binding`` (P,H) which holes leave it no
    more room. What makes the room for position: ``place`` (P,H,W,2) of the axes in the drawing's frame, ``departure``
    (P,H,W) of the size from its material limit, ``stated`` and ``most`` (H,) of the zone and its largest bonus;
    ``pattern_radius`` and ``pins_radius`` (P,H) how far an axis may lie off the floated pattern, of the wall that
    allows the least, NaN where nothing is asked; ``pattern_turns``: the pattern may be turned to its best.
    """

    size_upper: FloatArray
    size_lower: FloatArray
    position: FloatArray
    pattern: FloatArray
    pins: FloatArray
    binding: BoolArray
    place: FloatArray
    departure: FloatArray
    stated: FloatArray
    most: FloatArray
    pattern_radius: FloatArray
    pins_radius: FloatArray
    pattern_turns: bool


@dataclass(frozen=True, slots=True)
class History:
    """Parts P in order of drilling, holes H in the kit's order; lengths in the kit's unit.

    ``cycle`` (P,) counts the parts drilled, from 1; those of the files, or all (`of_made`). ``nominal`` (H,2) basic
    positions as drawn, ``off`` (P,H,2) measured minus basic, ``size`` (P,H) mean diameter. ``hand`` (P,) is the number
    of the part's name in ``hands``. ``marks``: who read the sizes and places of each part, and with which gauge, as far
    as the sheets say (`MARKS`). ``left_out`` says which cells their own part contradicts.
    """

    unit: str
    fixture: str
    holes: tuple[str, ...]
    bushings: tuple[str, ...]
    nominal: FloatArray
    serials: tuple[str, ...]
    hands: tuple[str, ...]
    hand: NDArray[np.int64]
    date: DayArray
    cycle: FloatArray
    off: FloatArray
    size: FloatArray
    margins: Margins
    gauge_scatter: float  #: standard uncertainty of one coordinate by the gauge's certificate, NaN where not known
    problems: tuple[Problem, ...] = ()
    marks: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    left_out: str = ""
    made: int = 0  #: parts drilled up to the last of the files, 0 where only those of the files are counted

    def __len__(self) -> int:
        return len(self.serials)


def history_of(spec: Specification, readings: Readings) -> History:
    """Return the history of a kit's fixture from its readings.

    Parts are put in order of the first day of reading; on one day, and where days are missing, in the order of the
    files. Raises ``DataError`` where no part has a hole with a place or a size.
    """
    evidence, _ = disprove(gather(spec, readings.table))
    days = np.asarray(evidence.first_day)
    known = ~np.isnat(days)
    # a part without a day keeps its place behind the part before it in the files
    rank = np.maximum.accumulate(np.where(known, days.astype(np.int64), np.iinfo(np.int64).min))
    order = np.argsort(np.where(known, days.astype(np.int64), rank), kind="stable")
    doubted = evidence
    bad = contradicted(evidence, find_places(evidence), order)
    evidence = without(evidence, bad)
    places = find_places(evidence)
    sizes, _ = judge_size(evidence)
    signs = np.nan_to_num(evidence.parts.signs, nan=1.0)
    with np.errstate(invalid="ignore"):
        off = _mean_of_walls(places.off) * signs[:, None, :]
    size = _mean_size(evidence)
    if not (np.isfinite(off).any() or np.isfinite(size).any()):
        raise DataError("no part has a place or a size of a hole: there is nothing to watch the fixture by")
    parts = evidence.parts
    return History(
        unit=spec.unit, fixture=spec.fixture, holes=spec.hole_ids, bushings=_bushings(spec),
        nominal=np.array([(h.x, h.y) for h in spec.holes], dtype=np.float64).reshape(-1, 2),
        serials=tuple(parts.serials[s] for s in parts.serial[order]),
        hands=parts.names, hand=parts.name[order], date=days[order], cycle=np.arange(1.0, len(order) + 1),
        off=off[order], size=size[order], margins=_margins(evidence, places, sizes, order, signs),
        gauge_scatter=_gauge_scatter(places), problems=(*_left_out(doubted, readings), *_problems(evidence, known)),
        marks=_marks(evidence, readings, order), left_out=_contradictions(doubted, readings, bad),
    )  # fmt: skip


def of_made(history: History, made: int) -> History:
    """Return the history with cycles that count all parts drilled: ``made`` of them up to the last one of the files.

    The parts of the files are taken as spread evenly among them.

    Raises:
        DataError: fewer parts made than there are in the files.
    """
    if made < len(history):
        raise DataError(f"{made} parts made are fewer than the {len(history)} parts of the files")
    return replace(history, cycle=np.arange(1.0, len(history) + 1) * made / len(history), made=made)


def _marks(evidence: Evidence, readings: Readings, order: NDArray[np.int64]) -> dict[str, tuple[str, ...]]:
    """Return for each of `MARKS` what the sheets say of each part, '' where nothing."""
    table = readings.table
    kind = table["characteristic"].astype(str).to_numpy()
    out = {}
    for name, column, kinds in (
        (SIZE_BY, "by", ("diameter",)), (SIZE_GAUGE, "gauge", ("diameter",)),
        (PLACE_BY, "by", ("x", "y")), (PLACE_GAUGE, "gauge", ("x", "y")),
    ):  # fmt: skip
        texts = table[column].astype(str).to_numpy()
        rows = np.flatnonzero(np.isin(kind, kinds) & (texts != "") & (texts != "nan"))
        said = np.full(len(evidence.parts), "", dtype=object)
        said[evidence.part_of_row[rows[::-1]]] = texts[rows[::-1]]  # the first reading of a part speaks for it
        if len(set(said.tolist())) > 1:
            out[name] = tuple(said[order].tolist())
    return out


def _contradictions(evidence: Evidence, readings: Readings, bad: Mapping[str, BoolArray]) -> str:
    """Return in words which readings are left out because their own part contradicts them."""
    label = np.concatenate([evidence.rows[name].label[rows] for name, rows in bad.items()])
    if not label.size:
        return ""
    (problem,) = left_out(readings.table, ("contradicted-by-part",), label, np.zeros(label.size, dtype=np.int64))
    return f"{problem.message.replace('doubtful ', '')}{f' in {problem.file}' if problem.file else ''}"


def _bushings(spec: Specification) -> tuple[str, ...]:
    return tuple(h.bushing or f"hole {h.id}" for h in spec.holes)


def _mean_of_walls(off: FloatArray) -> FloatArray:
    known = np.isfinite(off)
    count = known.sum(axis=2)
    total = np.where(known, off, 0.0).sum(axis=2)
    return np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)


def _mean_size(evidence: Evidence) -> FloatArray:
    parts, holes, _ = evidence.shape
    rows = evidence.rows["diameter"]
    rows = rows.take(np.flatnonzero(~rows.doubted & ~np.isnan(rows.value)))
    return mean(rows.part * holes + rows.hole, rows.value, parts * holes).reshape(parts, holes)


def _gauge_scatter(places: Places) -> float:
    known = places.uncertainty[np.isfinite(places.uncertainty)]
    return 0.5 * float(np.median(known)) if known.size else float("nan")


def _margins(evidence: Evidence, places: Places, sizes: Sizes, order: NDArray[np.int64], signs: FloatArray) -> Margins:
    spec = evidence.spec
    parts, holes, _ = evidence.shape
    rows = evidence.rows["diameter"]
    sure = ~rows.doubted & ~np.isnan(rows.value)
    group, value = (rows.part * holes + rows.hole)[sure], rows.value[sure]
    upper, lower = (np.array([getattr(h.size, side) for h in spec.holes]) for side in ("upper", "lower"))
    largest_, smallest_ = (f(group, value, parts * holes).reshape(parts, holes) for f in (largest, smallest))
    zones = position_zones(spec, sizes, pattern=False)
    room = 0.5 * (zones.stated + zones.bonus) - np.hypot(places.off[..., 0], places.off[..., 1])
    position = np.where(np.isfinite(room), room, np.inf).min(axis=2)
    pattern, binding, radius = _pattern(evidence, places, sizes)
    turns = all(h.position.pattern_rotates for h in spec.holes)
    pins = check_pins(evidence, sizes, places)
    pin_margin = np.full(parts, np.nan) if pins is None else pins.margin
    if pins is not None:
        binding = np.where(np.isfinite(pin_margin)[:, None], pins.floated.binding.any(axis=2), binding)
    return Margins(
        (upper - _finite(largest_))[order], (_finite(smallest_) - lower)[order],
        np.where(np.isfinite(position), position, np.nan)[order], pattern[order], pin_margin[order], binding[order],
        (places.off * signs[:, None, None, :])[order], zones.departure[order], zones.stated[:, 0], zones.most[:, 0],
        radius[order], _least(np.full((parts, holes, 1), np.nan) if pins is None else pins.clearance)[order], turns,
    )  # fmt: skip


def _finite(values: FloatArray) -> FloatArray:
    return np.where(np.isfinite(values), values, np.nan)


def _pattern(evidence: Evidence, places: Places, sizes: Sizes) -> tuple[FloatArray, BoolArray, FloatArray]:
    """Return margin of the floated pattern (P,), its binding holes and radii (P,H); NaN where the kit asks none."""
    spec = evidence.spec
    asked = np.array([h.position.pattern_tolerance is not None for h in spec.holes])
    parts, holes = evidence.shape[:2]
    if not asked.any() or not places.known.any():
        none = np.full((parts, holes), np.nan)
        return none[:, 0], np.zeros((parts, holes), dtype=np.bool_), none
    zones = position_zones(spec, sizes, pattern=True)
    radius = 0.5 * (zones.stated + zones.bonus)
    read = np.array([w in spec.plan.position_walls for w in spec.walls.names])
    turns = all(h.position.pattern_rotates for h in spec.holes)
    floated = float_pattern(evidence, places, radius, asked[:, None] & read, rotate=turns)
    whole = (np.isfinite(radius) & places.known)[:, asked][:, :, read].all(axis=(1, 2))
    counted = _least(np.where(asked[:, None] & read, radius, np.nan))
    return np.where(whole, floated.margin, np.nan), np.asarray(floated.binding.any(axis=2)), counted


def _least(values: FloatArray) -> FloatArray:
    """Return the least of the walls of values (P,H,W), NaN where none is known."""
    least = np.where(np.isfinite(values), values, np.inf).min(axis=2)
    return np.where(np.isfinite(least), least, np.nan)


def _left_out(evidence: Evidence, readings: Readings) -> list[Problem]:
    """Return a problem for each cause for which diameters or coordinates are left out."""
    rows = [evidence.rows[name].take(evidence.rows[name].doubted) for name in ("diameter", "x", "y")]
    label, cause = (np.concatenate([getattr(r, name) for r in rows]) for name in ("label", "cause"))
    return left_out(readings.table, evidence.causes, label, cause.astype(np.int64))


def _problems(evidence: Evidence, dated: BoolArray) -> tuple[Problem, ...]:
    said = list(evidence.problems)
    undated = int((~dated).sum())
    if undated:
        said.append(Problem(
            WARNING if undated < len(dated) else NOTE, "no-date",
            f"{undated} of {len(dated)} parts have no day of reading; their order is that of the files",
            action="Type the day on each sheet: wear is counted in the order of drilling",
        ))  # fmt: skip
    mirrored = [p.name for p in evidence.spec.parts if p.signs() != (1.0, 1.0)]
    if mirrored:
        said.append(Problem(
            NOTE, "mirrored-parts", f"deviations of {', '.join(mirrored)} are turned into the drawing's frame",
            action="If the fixture is turned over for them, give each part's files in a run of its own",
        ))  # fmt: skip
    return tuple(said)
