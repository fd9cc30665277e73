"""From the readings table to series in order of production: what capability and charts are worked out from.

A series is one quantity of one group (a hole, a bushing, a wall, the fixture): values in the order in which the parts
were made, with the limits, the gauge and the bonus that belong to them. Doubted readings are left out and counted.
Plain arrays come out, so that a notebook can hand them to `holeqc.statistics` just as the commands do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holeqc.characteristics import SERIES, Characteristic
from holeqc.inspection.evidence import Evidence, disprove, gather
from holeqc.inspection.pattern import judge_pattern
from holeqc.inspection.position import find_places, judge_edges, position_zones
from holeqc.inspection.results import HOLD, REJECT, Outcome, cell_words, first_row, gauge_of, words_of, worst_row
from holeqc.inspection.size import Sizes, judge_roundness, judge_size, judge_taper, size_limits
from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.quantities import BoolArray, FloatArray, IntArray
from holeqc.readings.table import cell_name
from holeqc.tables import Table, Texts, numbered

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Gauge, Specification
    from holeqc.tables import Table


# Groups of a series: which hole, wall, bushing, fixture, part, gauge each value belongs to.


KEYS = ("hole", "wall", "bushing", "fixture", "part", "gauge", "serial")


@dataclass(frozen=True, slots=True)
class Grouping:
    """Which group each value belongs to: ``number`` (n,) into ``names``; ``texts`` the words of each key of a group.

    ``gauge`` (n,) numbers the kit's gauges, -1 where none is known.
    """

    keys: tuple[str, ...]
    number: IntArray
    names: tuple[str, ...]
    texts: tuple[tuple[str, ...], ...]
    gauge: IntArray
    spec: Specification

    def rows(self) -> list[IntArray]:
        """Return the values of each group in their order."""
        order = np.argsort(self.number, kind="stable")
        ends = np.cumsum(np.bincount(self.number, minlength=len(self.names)))
        return np.split(order, ends[:-1])

    def of(self, name: str) -> IntArray:
        """Return the values of a group by its name; none where there is no such group."""
        if name not in self.names:
            return np.zeros(0, dtype=np.int64)
        return np.flatnonzero(self.number == self.names.index(name))

    def keys_of(self, number: int) -> dict[str, str]:
        """Return the words of a group by key."""
        return dict(zip(self.keys, self.texts[number], strict=True))

    def gauges(self, number: int) -> tuple[Gauge, ...]:
        """Return the gauges that read a group."""
        used = np.unique(self.gauge[self.number == number])
        return tuple(self.spec.gauges[g] for g in used if g >= 0)


def find_groups(evidence: Evidence, table: Table, values: Values, keys: tuple[str, ...]) -> Grouping:
    """Return the groups of values by ``keys``, in the order of the kit."""
    gauge = _gauges(evidence.spec, table, values.label)
    codes, words = [], []
    for key in keys:
        code, texts = _coded(evidence, key, values, gauge)
        codes.append(code)
        words.append(texts)
    if not values.part.size:
        return Grouping(keys, np.zeros(0, dtype=np.int64), (), (), gauge, evidence.spec)
    kinds, number = np.unique(np.column_stack(codes), axis=0, return_inverse=True)
    texts_of = tuple(tuple(w[c] for w, c in zip(words, row, strict=True)) for row in kinds.tolist())
    names = tuple(", ".join(f"{key} {text}" for key, text in zip(keys, texts, strict=True)) for texts in texts_of)
    return Grouping(keys, number.ravel().astype(np.int64), names, texts_of, gauge, evidence.spec)


def _coded(evidence: Evidence, key: str, values: Values, gauge: IntArray) -> tuple[IntArray, list[str]]:
    """Return a number for each value and the texts they stand for."""
    spec, parts = evidence.spec, evidence.parts
    if key == "hole":
        return values.hole, list(spec.hole_ids)
    if key == "wall":
        return np.where(values.wall < 0, len(spec.walls.names), values.wall), [*spec.walls.names, "all"]
    if key == "bushing":
        named = [h.bushing or f"of hole {h.id}" for h in spec.holes]
        texts = list(dict.fromkeys(named))
        return np.array([texts.index(name) for name in named], dtype=np.int64)[values.hole], texts
    if key == "fixture":
        return np.zeros(values.hole.size, dtype=np.int64), [spec.fixture or f"of kit {spec.id}"]
    if key == "part":
        return parts.name[values.part], [name or "not named" for name in parts.names]
    if key == "gauge":
        return np.where(gauge < 0, len(spec.gauges), gauge), [*(g.id for g in spec.gauges), "not known"]
    return parts.serial[values.part], [name or "not named" for name in parts.serials]


def _gauges(spec: Specification, table: Table, label: IntArray) -> IntArray:
    """Return the number of the gauge that made the readings with these labels, -1 where none is known."""
    out = np.full(label.size, -1, dtype=np.int64)
    rows = table.places(label)
    known = rows >= 0
    if not spec.gauges or not known.any():
        return out
    gauge, kind = table["gauge"], table["characteristic"]
    chosen = np.array([[gauge_of(spec, name, what)[0] for what in kind.names] for name in gauge.names], dtype=np.int64)
    out[known] = chosen[gauge.codes[rows[known]], kind.codes[rows[known]]]
    return out


# The values of a series before they are grouped: size, form, position and room left, each with its limits.


@dataclass(frozen=True, slots=True)
class Values:
    """Values (n,) with the part, hole and wall (-1: the hole) they are of and the label of a reading behind them.

    ``left`` is the room before the limit, by which the wall that lies worst is chosen. What isn't given is NaN or
    None.
    """

    part: IntArray
    hole: IntArray
    wall: IntArray
    label: IntArray
    value: FloatArray
    lower: FloatArray = None  # type: ignore[assignment]
    upper: FloatArray = None  # type: ignore[assignment]
    left: FloatArray = None  # type: ignore[assignment]
    second: FloatArray | None = None
    tolerance: FloatArray | None = None
    bonus: FloatArray | None = None

    def __post_init__(self) -> None:
        for name in ("lower", "upper", "left"):
            if getattr(self, name) is None:
                object.__setattr__(self, name, np.full(self.value.shape, np.nan))

    def __len__(self) -> int:
        return int(self.value.size)

    def take(self, chosen: IntArray | BoolArray) -> Values:
        """Return some of the values."""

        def cut(column: Any) -> Any:
            return None if column is None else column[chosen]

        return Values(*(cut(getattr(self, f.name)) for f in fields(self)))


OF_SERIES = {c.series: c for c in SERIES}


def _value_words(of: str, spec: Specification, per_wall: bool) -> str:
    """Return what a value of a series is; where one of the walls stands for the hole, that too."""
    what = OF_SERIES[of]
    worst = what.series_by_wall and not per_wall and spec.walls.several
    return what.series_value + ("; of the walls the one that lies worst stands for the hole" if worst else "")


#: quantity -> what is read for it
READ_FROM: dict[str, tuple[str, ...]] = {c.series: c.series_from for c in SERIES}


def take_values(evidence: Evidence, of: str, *, per_wall: bool) -> Values:
    """Return the values of a quantity that nobody doubts.

    ``per_wall``: each wall by itself; else the wall that leaves the least room stands for its hole. Readings of size
    stay single ones. Raises ``DataError`` where the kit doesn't ask for the quantity.
    """
    if of == "size":
        return _sizes(evidence)
    if OF_SERIES[of].measured:
        return _measured(evidence, OF_SERIES[of])
    sizes, _ = judge_size(evidence)
    if of == "position":
        return _one_wall(evidence, _positions(evidence, sizes), per_wall)
    if of in ("out-of-roundness", "taper"):
        found = judge_roundness(evidence, sizes) if of == "out-of-roundness" else judge_taper(evidence, sizes)
        asked = None if found is None or np.isnan(found.upper).all() else found
        return _one_wall(evidence, _outcome(of, asked, _first_diameter(evidence), left=False), per_wall)
    places = find_places(evidence)
    if of == "hole-to-hole":
        result = judge_pattern(evidence, places, position_zones(evidence.spec, sizes, pattern=True))[0]
    else:
        result = judge_edges(evidence, sizes, places)
    label = places.reading.max(axis=2)
    return _one_wall(evidence, _outcome(of, result if result.hole.size else None, label, left=True), per_wall)


def _sizes(evidence: Evidence) -> Values:
    rows = evidence.rows["diameter"]
    rows = rows.take(np.flatnonzero(~rows.doubted & ~np.isnan(rows.value)))
    limits = size_limits(evidence.spec)
    return Values(
        rows.part, rows.hole, rows.wall, rows.label, rows.value, limits.lower[rows.hole, 0], limits.upper[rows.hole, 0],
    )  # fmt: skip


def _measured(evidence: Evidence, what: Characteristic) -> Values:
    if not any(what.word in h.measured for h in evidence.spec.holes):
        raise DataError(f"the kit asks no {what.name} of its holes")
    rows = evidence.rows[what.word]
    limits = [h.measured.get(what.word) for h in evidence.spec.holes]
    lower = np.array([np.nan if x is None else x.lower for x in limits])
    upper = np.array([np.nan if x is None else x.upper for x in limits])
    asked = np.array([x is not None for x in limits])
    rows = rows.take(np.flatnonzero(~rows.doubted & ~np.isnan(rows.value) & asked[rows.hole]))
    return Values(
        rows.part, rows.hole, np.full(len(rows), -1, dtype=np.int64), rows.label, rows.value, lower[rows.hole],
        upper[rows.hole],
    )  # fmt: skip


def _positions(evidence: Evidence, sizes: Sizes) -> Values:
    places = find_places(evidence)
    zones = position_zones(evidence.spec, sizes, pattern=False)
    if np.isnan(zones.stated).all():
        raise DataError("the kit asks no position of its holes")
    # a mirrored part read in its own frame is turned back, so that one bushing points one way on both hands
    off = places.off * evidence.parts.signs[:, None, None, :]
    stated = np.broadcast_to(zones.stated, evidence.shape)
    part, hole, wall = np.nonzero(np.isfinite(off).all(axis=-1) & np.isfinite(stated))
    at = (part, hole, wall)
    bonus = zones.bonus[at]
    left = stated[at] + np.nan_to_num(bonus) - 2.0 * np.hypot(off[..., 0], off[..., 1])[at]
    return Values(
        part, hole, wall, places.reading[at], off[..., 0][at], left=left, second=off[..., 1][at],
        tolerance=stated[at], bonus=bonus,
    )  # fmt: skip


def _outcome(of: str, found: Outcome | None, label: IntArray, *, left: bool) -> Values:
    """Return the values of a judged characteristic: what was found, or (``left``) the room before its limit.

    ``label`` (P,H) names a reading of the hole where the judgement names none.
    """
    if found is None:
        raise DataError(f"the kit asks no {OF_SERIES[of].series_asked or OF_SERIES[of].series_text} of its holes")
    value = found.left if left else found.found
    part, slot = np.nonzero(np.isfinite(value) & (left | np.isfinite(found.upper)))
    hole, wall = found.hole[slot], found.wall[slot]
    reading = np.asarray(found.reading[part, slot])
    nothing, zero = np.full(part.size, np.nan), np.zeros(part.size)
    return Values(
        part, hole, wall, np.where(reading < 0, label[part, hole], reading), np.asarray(value[part, slot]),
        zero if left else nothing, nothing if left else np.asarray(found.upper[part, slot]),
        np.asarray(found.left[part, slot]),
    )  # fmt: skip


def _first_diameter(evidence: Evidence) -> IntArray:
    """Return the label of the first diameter of each hole (P,H), -1 where there is none: it names the gauge."""
    parts, holes, _ = evidence.shape
    rows = evidence.rows["diameter"]
    return first_row(rows.part * holes + rows.hole, rows.label, parts * holes).reshape(parts, holes)


def _one_wall(evidence: Evidence, values: Values, per_wall: bool) -> Values:
    """Return values with the wall that leaves least room for each hole of a part; all of them where ``per_wall``."""
    if per_wall and len(values) and np.all(values.wall < 0):
        raise DataError("this quantity is one of the whole hole, not of a wall: group by hole")
    if per_wall or not len(values):
        return values
    parts, holes, _ = evidence.shape
    cell = values.part * holes + values.hole
    worst = worst_row(cell, np.zeros(cell.size, dtype=np.int8), values.left, parts * holes)
    return values.take(worst[worst >= 0])


#: what series are of
QUANTITIES = tuple(c.series for c in SERIES)


@dataclass(frozen=True, slots=True)
class Points:
    """One value a piece: mean of its readings, (k,). ``second`` goes with positions; ``sizes`` counts readings."""

    values: FloatArray
    second: FloatArray | None
    labels: NDArray[np.str_]
    sizes: IntArray
    days: NDArray[np.datetime64]


@dataclass(frozen=True, slots=True)
class Series:
    """One quantity of one group, in order of production. Lengths in the kit's unit.

    ``group`` names it, ``keys`` says of what it is. ``values`` (n,); for positions they are dx, ``second`` (n,) dy,
    both measured minus basic, folded into the drawing's frame, ``tolerance`` (n,) the zone's diameter and ``bonus``
    (n,) what the size adds to it. ``piece`` (n,) numbers the holes of parts from 0: readings of one piece stand next to
    one another. ``label`` (n,) names the piece, ``serial`` (n,) its part, ``day`` (n,) the part's first day of reading.
    ``from_zero``: it can't be negative. ``uncertainty`` is the largest U (k = 2) of a reading, ``resolution`` the
    largest step of the gauges, None where not known.
    """

    group: str
    keys: dict[str, str]
    of: str
    what: str
    unit: str
    values: FloatArray
    piece: IntArray
    label: NDArray[np.str_]
    serial: NDArray[np.str_]
    day: NDArray[np.datetime64]
    lower: float | None = None
    upper: float | None = None
    from_zero: bool = False
    second: FloatArray | None = None
    tolerance: FloatArray | None = None
    bonus: FloatArray | None = None
    gauges: tuple[str, ...] = ()
    uncertainty: float | None = None
    resolution: float | None = None
    left_out: int = 0
    problems: tuple[Problem, ...] = ()

    def __len__(self) -> int:
        return int(self.values.size)

    @property
    def pieces(self) -> int:
        """Number of holes of parts that gave a value."""
        return int(self.piece[-1]) + 1 if self.piece.size else 0

    def points(self) -> Points:
        """Return one value a piece, the mean of its readings."""
        count = self.pieces
        sizes = np.bincount(self.piece, minlength=count)
        first = np.searchsorted(self.piece, np.arange(count))

        def mean(values: FloatArray) -> FloatArray:
            return np.asarray(np.bincount(self.piece, values, count) / sizes)

        second = None if self.second is None else mean(self.second)
        return Points(mean(self.values), second, self.label[first], sizes, self.day[first])

    def subgroups(self, by: str) -> NDArray[np.str_]:
        """Return a label of each reading's subgroup (n,): ``part`` (its serial), ``day``, or so many parts in a row.

        Raises ``DataError`` for another word, or for days where none is stated.
        """
        if by == "part":
            return self.serial
        if by == "day":
            if np.isnat(self.day).any():
                raise DataError(f"{self.group}: not every part has a day of reading; take subgroups of parts instead")
            return self.day.astype(np.str_)
        if by.isdecimal() and int(by) > 0:
            _, at, number = np.unique(self.serial, return_index=True, return_inverse=True)
            order = np.empty(at.size, dtype=np.int64)
            order[np.argsort(at)] = np.arange(at.size)
            block = order[number.ravel()] // int(by)
            starts = np.flatnonzero(np.diff(block, prepend=-1))
            return self.serial[starts][block]
        raise DataError(f"there are no subgroups {by!r}; allowed: part, day, or how many parts in a row")


def order_of_days(days: NDArray[np.datetime64]) -> IntArray:
    """Return the order of parts by their first days of reading (P,); on one day their order in the files holds.

    A part without a day keeps its place behind the part before it.
    """
    last = np.maximum.accumulate(np.where(np.isnat(days), -1, np.arange(days.size)))
    before_all = np.iinfo(np.int64).min
    return np.argsort(np.where(last < 0, before_all, days.astype(np.int64)[np.maximum(last, 0)]), kind="stable")


def make_series(
    spec: Specification, readings: Readings, of: str = "size", by: Sequence[str] = ("hole",)
) -> tuple[Series, ...]:
    """Return the series of a quantity, one for each group, groups in the order of the kit.

    Args:
        spec: the kit.
        readings: as `holeqc.readings.read.read_files` returns them.
        of: one of ``QUANTITIES``.
        by: what makes a group, one or several of ``series_groups.KEYS``.

    Raises:
        DataError: a word that isn't known, a quantity that the kit doesn't ask for, or no reading of it at all.
    """
    if of not in QUANTITIES:
        raise DataError(f"there is no series of {of!r}; allowed: {', '.join(QUANTITIES)}")
    unknown = [key for key in by if key not in KEYS]
    if unknown or not by:
        raise DataError(
            f"groups can't be made by {', '.join(map(repr, unknown)) or 'nothing'}; allowed: {', '.join(KEYS)}"
        )
    evidence, _ = disprove(gather(spec, readings.rows))
    values = take_values(evidence, of, per_wall="wall" in by)
    if not len(values):
        raise DataError(f"there is no reading to work out {OF_SERIES[of].series_text} from")
    values = values.take(_production(evidence, values))
    keys = tuple(dict.fromkeys(by))
    groups = find_groups(evidence, readings.rows, values, keys)
    doubted = _doubted(evidence, of)
    doubts = find_groups(evidence, readings.rows, doubted, keys)
    out = []
    for number, rows in enumerate(groups.rows()):
        lost = doubted.take(doubts.of(groups.names[number]))
        out.append(_series(evidence, readings.rows, of, values.take(rows), (groups, number), lost))
    return tuple(out)


def one_series(pieces: Sequence[Series]) -> Series:
    """Return the series that pieces of different parts make together, in order of production."""
    if len(pieces) == 1:
        return pieces[0]
    first = pieces[0]
    starts = np.concatenate([[0], np.cumsum([one.pieces for one in pieces])])
    piece = np.concatenate([one.piece + start for one, start in zip(pieces, starts[:-1], strict=True)])
    day = np.concatenate([one.day for one in pieces])
    order = order_of_days(day[np.searchsorted(piece, np.arange(starts[-1]))])
    rank = np.empty(order.size, dtype=np.int64)
    rank[order] = np.arange(order.size)
    rows = np.argsort(rank[piece], kind="stable")
    serial = np.concatenate([one.serial for one in pieces])[rows]
    same = all(one.label is one.serial for one in pieces)
    gauges = tuple(dict.fromkeys(name for one in pieces for name in one.gauges))
    lower, upper = (next(iter(x)) if len(x := {getattr(p, side) for p in pieces}) == 1 else None
                    for side in ("lower", "upper"))  # fmt: skip

    def together(name: str) -> Any:
        columns = [getattr(one, name) for one in pieces]
        return None if any(c is None for c in columns) else np.concatenate(columns)[rows]

    return replace(
        first, values=together("values"), piece=rank[piece][rows], serial=serial,
        label=serial if same else together("label"), day=day[rows], lower=lower, upper=upper, gauges=gauges,
        uncertainty=_largest([one.uncertainty for one in pieces]),
        resolution=_largest([one.resolution for one in pieces]), left_out=sum(one.left_out for one in pieces),
        problems=tuple(dict.fromkeys(p for one in pieces for p in one.problems)),
        **{name: together(name) for name in ("second", "tolerance", "bonus")},
    )  # fmt: skip


def _production(evidence: Evidence, values: Values) -> IntArray:
    rank = np.empty(len(evidence.parts), dtype=np.int64)
    rank[order_of_days(np.asarray(evidence.first_day))] = np.arange(rank.size)
    return np.lexsort((np.maximum(values.wall, 0), values.hole, rank[values.part]))


def _doubted(evidence: Evidence, of: str) -> Values:
    """Return the doubted readings that a quantity would have been worked out from; their cause stands in ``code``."""
    rows = [evidence.rows[name].take(np.flatnonzero(evidence.rows[name].doubted)) for name in READ_FROM[of]]
    columns = {name: np.concatenate([getattr(r, name) for r in rows]) for name in ("part", "hole", "wall", "label")}
    cause = np.concatenate([r.cause for r in rows]).astype(np.float64)
    return Values(**columns, value=cause)


def left_out(table: Table, causes: Sequence[str], label: IntArray, cause: IntArray) -> list[Problem]:
    """Return a problem for each cause for which readings are left out, with all their cells.

    ``label`` (n,) of the readings in the table, ``cause`` (n,) numbers of ``causes``.
    """
    rows = table.take(table.places(label))
    files, sheets = rows["file"], rows["sheet"]
    place = np.stack([files.codes, sheets.codes, rows["column"], rows["row"]], axis=1).astype(np.int64)
    out = []
    for number in np.unique(cause):
        code = causes[number]
        mine = np.flatnonzero(cause == number)
        spots = [
            f"{sheets.names[sheet]}!{cell_name(row, column)}" if sheets.names[sheet] else cell_name(row, column)
            for _, sheet, column, row in np.unique(place[mine], axis=0).tolist()
        ]
        cells = "1 doubtful reading is" if mine.size == 1 else f"{mine.size} doubtful readings are"
        names = list(dict.fromkeys(files[mine].tolist()))
        file = ", ".join(names[:3]) + (" and more" if len(names) > 3 else "")
        message = f"{cells} left out: {words_of(code)} ({cell_words(spots)})"
        out.append(Problem(WARNING, "left-out", message, action="Clear up these cells first.", file=file))
    return out


def _series(
    evidence: Evidence, table: Table, of: str, values: Values, group: tuple[Grouping, int], doubted: Values
) -> Series:
    groups, number = group
    spec, serials = evidence.spec, np.array(evidence.parts.serials)
    per_wall = "wall" in groups.keys
    lower, upper = _only(values.lower), _only(values.upper)
    said = left_out(table, evidence.causes, doubted.label, doubted.value.astype(np.int64)) + _undated(evidence, values)
    if _differ(values.lower) or _differ(values.upper):
        lower = upper = None
        said.append(
            Problem(
                WARNING,
                "limits-differ",
                f"the holes of {groups.names[number]} have different limits: they make no series together",
                action="Group by hole.",
            )
        )
    key = (values.part * len(spec.holes) + values.hole) * (len(spec.walls.names) + 1)
    piece = np.cumsum(np.diff(key + (values.wall + 1 if per_wall else 0), prepend=-1) != 0) - 1
    serial = serials[evidence.parts.serial[values.part]]
    label = serial
    if np.unique(values.hole).size > 1:
        label = np.char.add(np.char.add(serial, " hole "), np.array(spec.hole_ids)[values.hole])
    bonus, more = _bonus(evidence, of, values)
    gauges = groups.gauges(number)
    return Series(
        groups.names[number], groups.keys_of(number), of, _value_words(of, spec, per_wall),
        OF_SERIES[of].unit(spec.unit),
        values.value, piece, label.astype(np.str_, copy=False), serial.astype(np.str_, copy=False),
        evidence.first_day[values.part],
        lower, upper, OF_SERIES[of].from_zero, values.second, values.tolerance, bonus, tuple(g.id for g in gauges),
        _largest([g.uncertainty for g in gauges]), _largest([g.resolution for g in gauges]), len(doubted),
        (*said, *more),
    )  # fmt: skip


def _bonus(evidence: Evidence, of: str, values: Values) -> tuple[FloatArray | None, list[Problem]]:
    """Return the bonus of each position, None where none applies, and what must be said of it."""
    if values.bonus is None:
        return None, []
    said = []
    unknown = int(np.count_nonzero(np.isnan(values.bonus)))
    if unknown:
        said.append(Problem(NOTE, "no-bonus", f"{unknown} holes have no size: no bonus is counted for them"))
    if evidence.spec.datum_shift is not None:
        said.append(
            Problem(
                NOTE,
                "no-shift",
                "the datum frame may shift on its pins: these positions are taken "
                "without shift, so that fewer lie inside than are accepted",
            )
        )
    return np.nan_to_num(values.bonus) if np.any(values.bonus > 0) else None, said


def _only(limits: FloatArray) -> float | None:
    """Return the limit that all values share, None where they don't or there is none."""
    return float(limits[0]) if limits.size and bool(np.all(limits == limits[0])) else None


def _differ(limits: FloatArray) -> bool:
    return bool(np.unique(limits[~np.isnan(limits)]).size > 1)


def _largest(known: Sequence[float | None]) -> float | None:
    """Return the largest of what is known of each gauge, None where it isn't known of all."""
    values = [v for v in known if v is not None]
    return max(values) if values and len(values) == len(known) else None


def _undated(evidence: Evidence, values: Values) -> list[Problem]:
    days = np.asarray(evidence.first_day)[np.unique(values.part)]
    unknown = int(np.count_nonzero(np.isnat(days)))
    if not unknown:
        return []
    return [
        Problem(
            WARNING if unknown < days.size else NOTE,
            "no-date",
            f"{unknown} of {days.size} parts have no day of reading; their order is that of the files",
            action="Type the day on each sheet.",
        )
    ]


# Rejected parts or holes counted by day, week, month or so many parts in a row: what a chart of shares needs.


PERIODS = ("day", "week", "month")
GROUPS = ("fixture", "part", "hole", "bushing")
USUAL = 20  #: parts a period should have so that a share tells anything (common practice, no source)


@dataclass(frozen=True, slots=True)
class RejectCounts:
    """Rejects of one group, periods in order: ``counts`` of ``sizes`` inspected, (m,); ``labels`` name the periods.

    ``counted`` is ``parts`` or ``holes``; ``held`` of them neither proven good nor bad: they count as not rejected.
    """

    group: str
    keys: dict[str, str]
    counted: str
    period: str
    counts: IntArray
    sizes: IntArray
    labels: NDArray[np.str_]
    held: int
    problems: tuple[Problem, ...] = ()


def count_rejects(
    inspection: Inspection, by: Sequence[str] = ("fixture",), period: str = ""
) -> tuple[RejectCounts, ...]:
    """Return rejects counted over time, a group each for the whole fixture, each part name, hole or bushing.

    Args:
        inspection: verdicts, as `holeqc.inspection.recheck.inspect` returns them.
        by: one of ``GROUPS``. Parts are counted for fixture and part, holes for hole and bushing.
        period: ``day``, ``week``, ``month`` or how many parts in a row; empty: the shortest of the three that has
            ``USUAL`` parts as a rule, else months.

    Raises:
        DataError: another word, no part at all, or periods of days where a part has no day.
    """
    if len(by) != 1 or by[0] not in GROUPS:
        raise DataError(f"rejects are counted by one of {', '.join(GROUPS)}; found {', '.join(by)}")
    key = by[0]
    parts = inspection.tables["parts"]
    if not len(parts):
        raise DataError("there is no part to count")
    order, label, period = _periods(parts, period)
    if key in ("fixture", "part"):
        table, row = parts, np.arange(len(parts))
    else:
        table = inspection.tables["holes"]
        # the table of holes has the parts' rows repeated, one a hole of the kit
        row = np.repeat(np.arange(len(parts)), len(table) // len(parts))
    verdict = table["verdict"]
    names, number = _groups(inspection, table, key)
    out = []
    for group, name in enumerate(names):
        mine = np.flatnonzero(number == group)
        mine = mine[np.argsort(order[row[mine]], kind="stable")]
        at = label[row[mine]]
        starts = np.flatnonzero(np.append(True, at[1:] != at[:-1]))
        reject = (verdict[mine] == REJECT).astype(np.int64)
        held = int(np.count_nonzero(verdict[mine] == HOLD))
        counted = "parts" if table is parts else "holes"
        said = (Problem(NOTE, "held", f"{held} of {mine.size} {counted} are held: they count as not rejected"),)
        out.append(RejectCounts(
            f"{key} {name}", {key: name}, counted, period, np.add.reduceat(reject, starts),
            np.diff(np.append(starts, mine.size)), at[starts], held, said if held else (),
        ))  # fmt: skip
    return tuple(out)


def _groups(inspection: Inspection, table: Table, key: str) -> tuple[list[str], IntArray]:
    spec = inspection.specification
    if key == "fixture":
        return [spec.fixture or f"of kit {spec.id}"], np.zeros(len(table), dtype=np.int64)
    texts: Texts = table["part" if key == "part" else "hole"]
    if key == "bushing":
        texts = texts.renamed({h.id: h.bushing or f"of hole {h.id}" for h in spec.holes})
    number, first = numbered(texts.codes)
    return [text or "not named" for text in texts[first]], number


def _periods(parts: Table, period: str) -> tuple[IntArray, NDArray[np.str_], str]:
    """Return the parts' rank in time, the label of each one's period, and the period that was taken."""
    days = parts["first_date"].astype("datetime64[D]")
    unknown = np.isnat(days)
    rank = np.empty(days.size, dtype=np.int64)
    rank[order_of_days(days)] = np.arange(days.size)
    if period.isdecimal() and int(period) > 0:
        block = rank // int(period)
        serials = parts["serial"].array()[np.argsort(rank)]
        return rank, np.char.add("from ", serials[:: int(period)].astype(np.str_))[block], f"{period} parts in a row"
    if period and period not in PERIODS:
        raise DataError(
            f"rejects can't be counted by {period!r}; allowed: {', '.join(PERIODS)}, or how many parts in a row"
        )
    if unknown.any():
        raise DataError(
            f"{int(unknown.sum())} of {days.size} parts have no day of reading: count rejects by parts in a "
            "row, for example 50"
        )
    for name in (period,) if period else PERIODS:
        label = _label(days, name)
        if period or name == PERIODS[-1] or np.median(np.unique(label, return_counts=True)[1]) >= USUAL:
            break
    return rank, label, name


def _label(days: NDArray[np.datetime64], period: str) -> NDArray[np.str_]:
    if period == "week":
        # day 0 of the calendar, 1970-01-01, is a Thursday: weeks begin on Monday
        monday = (days.astype(np.int64) + 3) // 7 * 7 - 3
        return np.char.add("week of ", monday.astype("datetime64[D]").astype(np.str_))
    return days.astype("datetime64[M]" if period == "month" else "datetime64[D]").astype(np.str_)
