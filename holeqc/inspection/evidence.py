"""The readings table as plain arrays in the order of the kit: who, which hole and wall, value, uncertainty, cause to
hold.

Everything that judges works on these arrays. A reading belongs to a cell, numbered (part * holes + hole) * walls +
wall."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holeqc.characteristics import BY_GAUGE, LENGTH, MEASURED, NUMBERS, OF_WORD
from holeqc.inspection.results import (
    ACCEPT,
    CAUSES,
    CHARACTERISTIC_COLUMNS,
    CONTRADICTING_DISTANCES,
    CONTRADICTION,
    DAY_TO_COME,
    GAUGE_EXPIRED,
    NO_TEMPERATURE,
    NONE,
    TEMPERATURE_LEFT_OUT,
    CodeArray,
    Outcome,
    VerdictArray,
    first_row,
    gauge_of,
    largest,
    largest_or_unknown,
    mean,
    smallest,
)
from holeqc.inspection.results import CHARACTERISTICS as JUDGED
from holeqc.problems import WARNING, Problem
from holeqc.quantities import (
    GRAIN,
    REFERENCE_TEMPERATURE_C,
    BoolArray,
    FloatArray,
    IntArray,
    below,
    format_length,
    size_at_reference,
)
from holeqc.readings.draft import DISTANCE
from holeqc.readings.table import CHARACTERISTICS, ENTERS, cell_name
from holeqc.specification.model import Specification
from holeqc.tables import Table, Texts

if TYPE_CHECKING:
    from holeqc.inspection.networks import Networks
    from holeqc.readings.table import Readings


# Days of readings that still were to come when the sheet was read: nothing follows from them about a gauge.


TO_COME = "future-date"  #: the reader's word for such a day
_EXPIRED = "gauge-expired"


def days_to_come(problems: Iterable[Problem]) -> frozenset[dt.date]:
    """Return the days that the reader found still to come."""
    return frozenset(day for p in problems if p.code == TO_COME and (day := _day_in(p)) is not None)


def without_overtaken(readings: Readings) -> tuple[Readings, frozenset[dt.date]]:
    """Return readings without what was said of a gauge's calibration on a day still to come, and these days.

    That the day is still to come is said already, and the gauge is judged once the day is right.
    """
    days = days_to_come(readings.problems)
    left = tuple(p for p in readings.problems if p.code != _EXPIRED or _day_in(p) not in days)
    return (readings if len(left) == len(readings.problems) else replace(readings, problems=left)), days


def _day_in(problem: Problem) -> dt.date | None:
    """Return the day that a problem found, which is the last word of it."""
    try:
        return dt.date.fromisoformat(problem.found.rpartition(" ")[2])
    except ValueError:
        return None


# Which gauge made a reading, its uncertainty, and whether its calibration held that day.


@dataclass(frozen=True, slots=True)
class Applied:
    """What the gauge of each reading brings, (n,): U at k = 2, expansion [1/°C], a cause to hold (0 for none)."""

    uncertainty: FloatArray
    expansion_per_c: FloatArray
    cause: CodeArray


def apply_gauges(
    spec: Specification, gauge: IntArray, names: Sequence[str], characteristic: IntArray, date: NDArray[np.datetime64],
    to_come: Collection[dt.date] = (),
) -> Applied:  # fmt: skip
    """Return what the gauge of each reading brings, all (n,).

    ``gauge`` numbers ``names`` (-1: none named), ``characteristic`` numbers those of the readings table, ``date`` is
    the day of each reading (NaT: not stated, so the due date can't be checked), ``to_come`` the days that still were to
    come when the sheet was read: nothing follows from such a day, also not that the gauge was past its calibration.
    """
    names = [*names, ""]
    found = np.empty((len(names), len(CHARACTERISTICS)), dtype=np.int64)
    hold = np.empty_like(found, dtype=np.int16)
    for row, name in enumerate(names):
        for column, word in enumerate(CHARACTERISTICS):
            found[row, column], hold[row, column] = gauge_of(spec, name, word)
    index, cause = found[gauge, characteristic], hold[gauge, characteristic]
    if not spec.gauges:
        nothing = np.full(index.shape, np.nan)
        return Applied(nothing, np.zeros(index.shape), cause)
    known = [np.nan if g.uncertainty is None else g.uncertainty for g in spec.gauges]
    uncertainty = np.array([*known, np.nan])[index]
    expansion = np.array([*(g.expansion_per_c for g in spec.gauges), 0.0])[index]
    due = np.array([*(g.calibration_due or "NaT" for g in spec.gauges), "NaT"], dtype="datetime64[D]")
    expired = date.astype("datetime64[D]") > due[index]
    ahead = np.isin(date.astype("datetime64[D]"), np.array(sorted(to_come), dtype="datetime64[D]"))
    cause[expired] = np.where(ahead[expired], DAY_TO_COME, GAUGE_EXPIRED)
    return Applied(uncertainty, expansion, cause)


# Readings brought to 20 °C with an uncertainty of their own, and what holds where that was left out and matters.
#
# ISO 1 and ASME B89.6.2: a length is what it is at 20 °C. MIL-HDBK-52: a measurement should be 4 to 10 times better
# than
# the tolerance. So an effect of more than a tenth of the tolerance is a warning, and one of more than a quarter
# holds; so
# does one of more than a tenth that takes the reading across a limit.


SIGNIFICANT = 0.10  #: share of a tolerance beyond which an uncorrected temperature is worth a warning (10 : 1)
TOO_MUCH = 0.25  #: share beyond which the reading proves nothing (4 : 1)
ACTION = "Let part and gauge come to 20 °C and read again, or set temperature.correct in the kit file."


def at_reference(
    value: FloatArray, temperature_c: FloatArray, gauge_per_c: FloatArray, spec: Specification
) -> tuple[FloatArray, FloatArray]:
    """Return readings as they are at 20 °C and the expanded uncertainty (k = 2) that the correction adds, both (n,).

    ``value`` [kit unit], ``temperature_c`` of part and gauge [°C], ``gauge_per_c`` [1/°C]. With dT = T - 20 the
    correction is about -L (a_p - a_g) dT; so, to first order (JCGM 100, 5.1.2), U^2 = (L (a_p - a_g) U_T)^2
    + (L dT U_a)^2, U_a that of the difference of the coefficients. NaN temperature gives NaN.
    """
    settings = spec.temperature
    delta = temperature_c - REFERENCE_TEMPERATURE_C
    corrected = size_at_reference(value, temperature_c, settings.part_expansion_per_c, gauge_per_c)
    from_temperature = value * (settings.part_expansion_per_c - gauge_per_c) * settings.uncertainty_c
    from_coefficient = value * delta * settings.expansion_uncertainty_per_c
    return corrected, np.hypot(from_temperature, from_coefficient)


def left_out(
    value: FloatArray,
    temperature_c: FloatArray,
    gauge_per_c: FloatArray,
    tolerance: FloatArray,
    spec: Specification,
    what: str,
    limits: tuple[FloatArray, FloatArray] | None = None,
) -> tuple[tuple[Problem, ...], BoolArray]:
    """Return a warning if readings away from 20 °C would move by more than a tenth of their tolerance, and which of
    them (n,) prove nothing: they would move by more than a quarter, or across one of their ``limits`` (lower, upper).

    All arrays (n,); ``tolerance`` [kit unit] NaN where none applies. One warning for all readings of a kind.
    """
    corrected = at_reference(value, temperature_c, gauge_per_c, spec)[0]
    change = np.abs(corrected - value)
    share = np.where(np.isnan(change) | np.isnan(tolerance), 0.0, change) / np.where(tolerance > 0, tolerance, np.inf)
    crosses = np.zeros(share.shape, np.bool_)
    if limits is not None:
        crosses = (_inside(value, limits) != _inside(corrected, limits)) & (share > SIGNIFICANT)
    too_much = (share > TOO_MUCH) | crosses
    count = int((share > SIGNIFICANT).sum())
    if not count:
        return (), too_much
    holds = bool(too_much.any())
    # what holds is told first: a smaller effect across a limit, where none is too much by itself
    worst = int(np.where(crosses, share, -1.0).argmax() if holds and share.max() <= TOO_MUCH else share.argmax())
    limit = TOO_MUCH if share[worst] > TOO_MUCH else SIGNIFICANT
    across = ", and takes the reading across its limit" if crosses[worst] else ""
    return (
        Problem(
            WARNING,
            "temperature-left-out",
            f"{count} {what} {'reading was' if count == 1 else 'readings were'} taken away from 20 °C and not "
            f"corrected; {'the largest' if share[worst] == share.max() else 'one'} effect is "
            f"{format_length(float(change[worst]), spec.unit, 5)} {spec.unit}, "
            f"{_percent(float(share[worst]), limit)} % of the tolerance{across}",
            found=f"{float(temperature_c[worst]):g} °C",
            allowed=f"an effect of {100 * limit:.0f} % of the tolerance",
            action=ACTION,
            where="temperature.correct",
            holds=holds,
        ),
    ), too_much


def _inside(value: FloatArray, limits: tuple[FloatArray, FloatArray]) -> BoolArray:
    return (value >= limits[0] - GRAIN) & (value <= limits[1] + GRAIN)


def _percent(share: float, limit: float) -> str:
    """Return a share in percent, with a decimal where it would read as the limit that it is beyond."""
    text = f"{100 * share:.0f}"
    return text if float(text) > 100 * limit else f"{100 * share:.1f}"


UNPLACED = -1  #: hole or wall that the kit doesn't know
EVERY_WALL = -2  #: no wall stated where there are several: it speaks for all of them


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts of a run (P,) in order of their first reading, as numbers into ``names`` and ``serials``."""

    names: tuple[str, ...]
    serials: tuple[str, ...]
    name: IntArray
    serial: IntArray
    signs: FloatArray  #: (P,2) factors for basic x and y; NaN where the kit doesn't know the part

    def __len__(self) -> int:
        return int(self.name.size)


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings, all (n,). ``doubted``: the reader doubts the cell; it holds, and no estimate is built on it."""

    part: IntArray
    hole: IntArray
    wall: IntArray
    value: FloatArray
    uncertainty: FloatArray
    cause: CodeArray
    doubted: BoolArray
    word: IntArray
    direction: FloatArray
    trial: IntArray
    label: IntArray

    def __len__(self) -> int:
        return int(self.part.size)

    def take(self, chosen: IntArray | BoolArray) -> Rows:
        """Return some of the rows."""
        return Rows(*(getattr(self, name)[chosen] for name in self.__slots__))

    def cell(self, holes: int, walls: int) -> IntArray:
        """Return the cell of each row; rows must be placed."""
        return (self.part * holes + self.hole) * walls + self.wall


@dataclass(frozen=True, slots=True)
class Evidence:
    """All readings of a run, apart by what they are of, and what else judging needs to know about the run."""

    spec: Specification
    parts: Parts
    rows: dict[str, Rows]
    words: tuple[str, ...]
    causes: tuple[str, ...]
    unplaced: Rows
    counts: IntArray
    first_day: Any
    last_day: Any
    part_of_row: IntArray
    problems: tuple[Problem, ...]
    networks: Networks | None = None  #: what distances gave; the coordinates are among ``rows`` already

    @property
    def shape(self) -> tuple[int, int, int]:
        """Parts, holes, walls."""
        return len(self.parts), len(self.spec.holes), len(self.spec.walls.names)

    def of_parts(self, parts: IntArray) -> Evidence:
        """Return the same run with some of its parts only; the readings stay those of all."""
        some = self.parts
        cut = Parts(some.names, some.serials, some.name[parts], some.serial[parts], some.signs[parts])
        return replace(self, parts=cut)


def every_wall(rows: Rows, walls: int) -> Rows:
    """Return rows with those that state no wall repeated for each wall."""
    spread = rows.wall == EVERY_WALL
    if not spread.any():
        return rows
    order = np.concatenate([np.flatnonzero(~spread), np.repeat(np.flatnonzero(spread), walls)])
    wall = np.concatenate([rows.wall[~spread], np.tile(np.arange(walls), int(spread.sum()))])
    taken = rows.take(order)
    return Rows(*(wall if name == "wall" else getattr(taken, name) for name in Rows.__slots__))


def _codes(table: Table, column: str) -> tuple[IntArray, Sequence[str]]:
    """Return a text column as numbers and the texts they stand for."""
    texts: Texts = table[column]
    return texts.codes.astype(np.int64), texts.names


def _placed(codes: IntArray, texts: Sequence[str], known: tuple[str, ...], blank: int) -> IntArray:
    """Return numbers of texts among the known ones; ``blank`` for an empty text, UNPLACED for an unknown one."""
    order = {text: number for number, text in enumerate(known)}
    table = [order.get(text, blank if text == "" else UNPLACED) for text in texts]
    return np.array([*table, blank], dtype=np.int64)[codes]


def _find_parts(spec: Specification, table: Table) -> tuple[Parts, IntArray]:
    names, name_texts = _codes(table, "part")
    serials, serial_texts = _codes(table, "serial")
    known = [part.name for part in spec.parts]
    only = known[0] if len(known) == 1 else ""
    texts = tuple(dict.fromkeys([*known, *(text or only for text in name_texts), only]))
    number = {text: place for place, text in enumerate(texts)}
    name = np.array([*(number[text or only] for text in name_texts), number[only]], dtype=np.int64)[names]
    serial_texts = list(dict.fromkeys([*serial_texts, ""]))
    serial = np.where(serials < 0, serial_texts.index(""), serials)
    key = name * len(serial_texts) + serial
    part, first = _in_order(key, len(texts) * len(serial_texts))
    signs = np.full((len(texts), 2), np.nan)
    for place, entry in enumerate(spec.parts):
        signs[place] = entry.signs()
    if len({entry.signs() for entry in spec.parts}) == 1:
        signs[:] = signs[0]
    return Parts(texts, tuple(serial_texts), name[first], serial[first], signs[name[first]]), part


def _in_order(key: IntArray, size: int) -> tuple[IntArray, IntArray]:
    """Return keys renumbered 0, 1, ... in order of first appearance, and the row of each first appearance."""
    if size <= 16 * key.size + 1024:
        first = np.full(size, key.size, dtype=np.int64)
        first[key[::-1]] = np.arange(key.size - 1, -1, -1)
        present = np.flatnonzero(first < key.size)
        order = np.argsort(first[present], kind="stable")
        number = np.empty(size, dtype=np.int64)
        number[present[order]] = np.arange(present.size)
        return number[key], first[present[order]]
    _, at, inverse = np.unique(key, return_index=True, return_inverse=True)
    order = np.argsort(at, kind="stable")
    number = np.empty(order.size, dtype=np.int64)
    number[order] = np.arange(order.size)
    return number[inverse], at[order]


def gather(spec: Specification, table: Table, to_come: Collection[dt.date] = ()) -> Evidence:
    """Return the readings table as arrays laid out like the kit.

    A reading with no value, no word and no doubt is a blank and takes no part. Readings that name a hole or wall that
    the kit doesn't know are kept apart in ``unplaced``. Gauges and temperature are applied here. ``to_come``: days of
    readings that still were to come when the sheet was read.
    """
    parts, part = _find_parts(spec, table)
    hole = _placed(*_codes(table, "hole"), spec.hole_ids, UNPLACED)
    walls = spec.walls.names
    wall = _placed(*_codes(table, "wall"), walls, 0 if len(walls) == 1 else EVERY_WALL)
    kinds, kind_texts = _codes(table, "characteristic")
    kind = _placed(kinds, kind_texts, CHARACTERISTICS, UNPLACED)
    words, word_texts = _codes(table, "word")
    value = np.asarray(table["value"], dtype=np.float64)
    causes, cause, doubted = _doubts(table)
    date = table["date"].astype("datetime64[D]")
    value, uncertainty, cause, problems = _measured(spec, table, (hole, kind, value, cause, date), to_come)
    rows = Rows(
        part, hole, wall, value, uncertainty, cause, doubted, np.where(words < 0, -1, words),
        np.asarray(table["direction"], dtype=np.float64), table["trial"].astype(np.int64), table.labels,
    )  # fmt: skip
    spoken = _spoken(rows, word_texts)
    is_distance = kind == DISTANCE
    placeable = ~is_distance | (rows.hole < 0) & rows.doubted | (rows.wall < 0)
    apart, unplaced = _apart(rows, kind, spoken & placeable)
    networks = None
    if (is_distance & ~placeable).any():
        from holeqc.inspection.networks import adjusted_networks

        mine = rows.take(np.flatnonzero(is_distance & ~placeable & spoken))
        networks = adjusted_networks(spec, parts, mine, word_texts, apart["diameter"], table)
        if networks is not None:
            apart, networks, against = _with_derived(apart, networks)
            problems += (*networks.problems, *(_against_read(spec, table, *one) for one in against))
    counts = np.bincount(part[spoken], minlength=len(parts))
    first, last = _days(part, date, len(parts))
    return Evidence(
        spec, parts, apart, tuple(word_texts), causes, unplaced, counts, first, last, part, problems, networks
    )


def _with_derived(
    apart: dict[str, Rows], networks: Networks
) -> tuple[dict[str, Rows], Networks, list[tuple[str, int, float]]]:
    """Return the readings with the coordinates that follow from distances, and the networks with where those count.

    Where a coordinate of an axis was read as well, the readings count, and what follows must agree with them within
    both U; those that don't come last: x or y, the label of the reading, what the distances give.
    """
    shape = networks.label.shape
    cells = int(np.prod(shape))
    read = np.zeros(cells, dtype=np.bool_)
    for name in "xy":
        read[apart[name].cell(*shape[1:])] = True
    derived = np.isfinite(networks.xy).all(axis=-1).ravel()
    out, wrong = dict(apart), list[tuple[str, int, float]]()
    for axis, name in enumerate("xy"):
        rows, found, u = apart[name], networks.xy[..., axis].ravel(), networks.uncertainty.ravel()
        sure = rows.take(~rows.doubted & ~np.isnan(rows.value))
        cell = sure.cell(*shape[1:])
        value, reach = mean(cell, sure.value, cells), np.hypot(np.nan_to_num(largest(cell, sure.uncertainty, cells)), u)
        against = derived & read & (np.abs(found - value) > reach + GRAIN)
        at = np.flatnonzero((derived & ~read) | against)
        cause = np.where(read[at], CONTRADICTING_DISTANCES, networks.doubt.ravel()[at]).astype(np.int16)
        labels = first_row(cell, sure.label, cells)
        wrong += [(name, int(labels[c]), float(found[c])) for c in np.flatnonzero(against).tolist()]
        part, hole, wall = (place.astype(np.int64) for place in np.unravel_index(at, shape))
        added = Rows(
            part, hole, wall, found[at], u[at], cause, cause != NONE, np.full(at.size, -1), np.full(at.size, np.nan),
            np.ones(at.size, dtype=np.int64), networks.label.ravel()[at],
        )  # fmt: skip
        out[name] = Rows(*(np.concatenate([getattr(rows, n), getattr(added, n)]) for n in Rows.__slots__))
    return out, replace(networks, derived=(derived & ~read).reshape(shape)), wrong


def _against_read(spec: Specification, table: Table, axis: str, label: int, found: float) -> Problem:
    row = table.at(label)
    return Problem(
        WARNING, "distances-against-reading", f"{axis} as read isn't what the distances of the hole give",
        found=f"{format_length(float(row['value']), spec.unit)} {spec.unit}",
        allowed=f"{format_length(found, spec.unit, 4)} {spec.unit} within U of both",
        action="Read both again", file=str(row["file"]), sheet=str(row["sheet"]),
        cell=cell_name(int(row["row"]), int(row["column"])), part=str(row["part"]), serial=str(row["serial"]),
        hole=str(row["hole"]), wall=str(row["wall"]), holds=True,
    )  # fmt: skip


def _doubts(table: Table) -> tuple[tuple[str, ...], CodeArray, BoolArray]:
    doubts, texts = _codes(table, "doubt")
    causes = tuple(dict.fromkeys([*CAUSES, *texts]))
    number = {text: place for place, text in enumerate(causes)}
    cause = np.array([*(number[text] for text in texts), NONE], dtype=np.int16)[doubts]
    return causes, cause, cause != NONE


def _measured(
    spec: Specification,
    table: Table,
    placed: tuple[IntArray, IntArray, FloatArray, CodeArray, Any],
    to_come: Collection[dt.date],
) -> tuple[FloatArray, FloatArray, CodeArray, tuple[Problem, ...]]:
    """Return values at 20 °C where the kit asks for it, their U, their cause to hold, and problems."""
    hole, kind, value, cause, date = placed
    applied = apply_gauges(spec, *_codes(table, "gauge"), np.where(kind < 0, 0, kind), date, to_come)
    cause = np.where(cause != NONE, cause, applied.cause)
    uncertainty = applied.uncertainty
    temperature = np.asarray(table["temperature_c"], dtype=np.float64)
    is_length = np.isin(kind, [CHARACTERISTICS.index(word) for word in BY_GAUGE if OF_WORD[word].kind == LENGTH])
    if spec.temperature.correct:
        brought, added = at_reference(value, temperature, applied.expansion_per_c, spec)
        known = is_length & ~np.isnan(temperature)
        value = np.where(known, brought, value)
        uncertainty = np.where(known, np.hypot(uncertainty, added), uncertainty)
        lacking = is_length & np.isnan(temperature) & (cause == NONE) & ~np.isnan(value)
        return value, uncertainty, np.where(lacking, NO_TEMPERATURE, cause).astype(np.int16), ()
    problems: tuple[Problem, ...] = ()
    if not np.isnan(temperature).all():
        sizes = np.array([(h.size.lower, h.size.upper) for h in spec.holes])
        for what, tolerance in _tolerances(spec).items():
            rows = np.flatnonzero((kind == NUMBERS.index(what)) & (hole >= 0) & ~np.isnan(temperature))
            of_hole = tolerance[hole[rows]]
            limits = (sizes[hole[rows], 0], sizes[hole[rows], 1]) if what == "diameter" else None
            found, too_much = left_out(
                value[rows], temperature[rows], applied.expansion_per_c[rows], of_hole, spec, what, limits
            )
            problems += found
            held = rows[too_much]
            cause[held] = np.where(cause[held] == NONE, TEMPERATURE_LEFT_OUT, cause[held])
    return value, uncertainty, cause.astype(np.int16), problems


def _tolerances(spec: Specification) -> dict[str, FloatArray]:
    """Return the tolerance (H,) that a temperature effect on a reading is measured against."""
    size = np.array([h.size.band for h in spec.holes])
    place = []
    for hole in spec.holes:
        asked = [t for t in (hole.position.tolerance, hole.position.pattern_tolerance) if t is not None]
        # A coordinate may be off by half the diametral tolerance.
        place.append(0.5 * min(asked) if asked else np.nan)
    measured = {
        c.word: np.array([h.measured[c.word].band if c.word in h.measured else np.nan for h in spec.holes])
        for c in MEASURED if c.kind == LENGTH
    }  # fmt: skip
    return {"diameter": size, "x": np.array(place), "y": np.array(place), "distance": np.array(place), **measured}


def _spoken(rows: Rows, words: Sequence[str]) -> BoolArray:
    """Return which rows hold anything: a value, a word, or a cell in doubt."""
    said = np.array([bool(text) for text in words] + [False])[rows.word]
    return ~np.isnan(rows.value) | rows.doubted | said


def _apart(rows: Rows, kind: IntArray, spoken: BoolArray) -> tuple[dict[str, Rows], Rows]:
    """Return placed rows apart by characteristic, and those that can't be placed."""
    whole_hole = np.isin(kind, [n for n, word in enumerate(CHARACTERISTICS) if OF_WORD[word].whole_hole])
    placed = (rows.hole >= 0) & ((rows.wall >= 0) | ((rows.wall == EVERY_WALL) & whole_hole)) & (kind >= 0)
    apart = {
        name: rows.take(np.flatnonzero(placed & spoken & (kind == number)))
        for number, name in enumerate(CHARACTERISTICS)
    }
    return apart, rows.take(np.flatnonzero(~placed & spoken))


def _days(part: IntArray, date: Any, parts: int) -> tuple[Any, Any]:
    known = ~np.isnat(date)
    days = date[known].astype(np.int64)
    first = np.full(parts, np.iinfo(np.int64).max)
    last = np.full(parts, np.iinfo(np.int64).min)
    np.minimum.at(first, part[known], days)
    np.maximum.at(last, part[known], days)
    undated = np.bincount(part[known], minlength=parts) == 0
    first[undated] = last[undated] = np.iinfo(np.int64).min  # the number that stands for NaT
    return first.view("datetime64[D]"), last.view("datetime64[D]")


# Readings that a plug disproves: a hole that a plug enters can't be smaller than the plug anywhere.
#
# ASME Y14.5, envelope principle: the GO plug speaks for the whole hole at maximum material; so does a NO-GO plug that
# enters. A two-point reading under the lower limit while a plug enters is held like any doubtful reading: one of both
# is
# wrong, and nobody knows which.


@dataclass(frozen=True, slots=True)
class Read:
    """What was read of each cell before plugs are laid beside it, all (P,H,W).

    ``smallest`` of the readings that the reader doesn't doubt, ``reach`` their U (0 where unknown), ``against``
    where a plug that enters disproves a reading.
    """

    smallest: FloatArray
    reach: FloatArray
    against: BoolArray


def disprove(evidence: Evidence) -> tuple[Evidence, Read]:
    """Return the evidence with readings doubted that a plug disproves, and what was read before.

    A reading is disproved where it is smaller than the GO plug, or than the largest plug, that enters by more than its
    U, or by less and under the lower limit of size; under the lower limit a NO-GO plug that enters disproves it too.
    """
    shape = evidence.shape
    cells = int(np.prod(shape))
    rows = evidence.rows["diameter"]
    cell = rows.cell(*shape[1:])
    sure = ~rows.doubted
    low = smallest(cell, np.where(sure, rows.value, np.nan), cells).reshape(shape)
    uncertainty = largest_or_unknown(cell[sure], rows.uncertainty[sure], cells).reshape(shape)
    lower = np.array([hole.size.lower for hole in evidence.spec.holes])[rows.hole]
    plug, no_go = _largest_entered(evidence, "go")[cell], _largest_entered(evidence, "no_go")[cell]
    reach = np.where(np.isnan(rows.uncertainty), 0.0, rows.uncertainty)
    # Within its U a reading inside the limits may well belong to a hole that the plug enters.
    wrong = sure & (below(rows.value, plug - reach) | (below(rows.value, plug) & below(rows.value, lower)))
    # one inside the limits stands beside a NO-GO plug that enters: the plug's own row holds
    wrong |= sure & below(rows.value, no_go) & below(rows.value, lower)
    against = np.zeros(cells, dtype=np.bool_)
    against[cell[wrong]] = True
    read = Read(low, np.where(np.isnan(uncertainty), 0.0, uncertainty), against.reshape(shape))
    if not wrong.any():
        return evidence, read
    cause = np.where(wrong & (rows.cause == NONE), CONTRADICTION, rows.cause).astype(np.int16)
    doubted = replace(rows, cause=cause, doubted=rows.doubted | wrong)
    return replace(evidence, rows=evidence.rows | {"diameter": doubted}), read


def _largest_entered(evidence: Evidence, name: str) -> FloatArray:
    """Return the largest plug that is known to enter each cell (cells,), of ``name`` and the largest tried; or NaN."""
    walls = evidence.shape[2]
    cells = int(np.prod(evidence.shape))
    said = np.array([word == ENTERS for word in evidence.words] + [False])
    tried = every_wall(evidence.rows[name], walls)
    sizes = np.array([np.nan if (s := getattr(h.plugs, name)) is None else s for h in evidence.spec.holes])
    value = np.where(said[tried.word] & (tried.cause == NONE), sizes[tried.hole], np.nan)
    entered = largest(tried.cell(*evidence.shape[1:]), value, cells)
    plug = every_wall(evidence.rows["plug"], walls)
    value = np.where(plug.cause == NONE, plug.value, np.nan)
    return np.fmax(entered, largest(plug.cell(*evidence.shape[1:]), value, cells))


# Outcomes laid into the tables that `results` describes, and verdicts rolled up from them.


_NUMBERS = (
    "found", "lower", "upper", "stated", "bonus", "deviation", "left", "uncertainty", "ratio", "probability",
)  # fmt: skip


class Layout:
    """Where the slots of all outcomes go: by hole, then wall (the whole hole last), then in the order of a report."""

    def __init__(self, outcomes: Sequence[Outcome], walls: int) -> None:
        self.outcomes = outcomes
        order = {name: number for number, name in enumerate(JUDGED)}
        self.hole = np.concatenate([o.hole for o in outcomes])
        wall = np.concatenate([np.where(o.wall < 0, walls, o.wall) for o in outcomes])
        kind = np.concatenate([np.full(o.hole.size, order[o.characteristic]) for o in outcomes])
        self.turn = np.lexsort((kind, wall, self.hole))
        self.hole, self.wall, self.kind = self.hole[self.turn], wall[self.turn], kind[self.turn]
        self.parts = outcomes[0].shown.shape[0]

    def number(self, characteristic: str) -> int:
        """Return the number that stands for a characteristic in ``kind``."""
        return JUDGED.index(characteristic)

    def column(self, name: str, dtype: Any) -> NDArray[Any]:
        """Return one column of all outcomes (P,K)."""
        each = [getattr(outcome, name) for outcome in self.outcomes]
        return np.take(np.concatenate(each, axis=1, dtype=dtype, casting="unsafe"), self.turn, axis=1)


def hole_verdicts(layout: Layout, shown: BoolArray, holes: int) -> VerdictArray:
    """Return the worst verdict of the characteristics of each hole (P,H)."""
    verdict = np.where(shown, layout.column("verdict", np.int8), ACCEPT).astype(np.int8)
    out = np.zeros((layout.parts, holes), dtype=np.int8)
    starts = np.flatnonzero(np.diff(layout.hole, prepend=-1))
    out[:, layout.hole[starts]] = np.maximum.reduceat(verdict, starts, axis=1)
    return out


def is_doubt(cause: CodeArray) -> BoolArray:
    """Return which causes say that a reading is most likely wrong: the reader's doubts, and contradictions."""
    return np.asarray((cause >= len(CAUSES)) | np.isin(cause, (CONTRADICTION, CONTRADICTING_DISTANCES)))


def characteristics_table(evidence: Evidence, layout: Layout, shown: BoolArray) -> Table:
    """Return the table of characteristics, columns as `results.CHARACTERISTIC_COLUMNS`."""
    parts, spec = evidence.parts, evidence.spec
    width = layout.hole.size
    whole = bool(shown.all())
    keep = slice(None) if whole else np.flatnonzero(shown.reshape(-1))

    def rows(array: NDArray[Any]) -> NDArray[Any]:
        return np.broadcast_to(array, shown.shape).reshape(-1)[keep]

    cause = layout.column("cause", np.int16)
    doubtful = rows(is_doubt(cause))
    words = list(dict.fromkeys([*evidence.words, ""]))
    word = layout.column("word", np.int32)
    columns: dict[str, Any] = {
        "part": Texts(np.repeat(parts.name, width)[keep], parts.names),
        "serial": Texts(np.repeat(parts.serial, width)[keep], parts.serials),
        "hole": Texts(rows(layout.hole), spec.hole_ids),
        "wall": Texts(rows(layout.wall), (*spec.walls.names, "")),
        "characteristic": Texts(rows(layout.kind), JUDGED),
        "found_word": Texts(rows(np.where(word < 0, words.index(""), word)), words),
        "verdict": rows(layout.column("verdict", np.int8)),
        "cause": Texts(rows(cause), evidence.causes),
        "reading": rows(layout.column("reading", np.int64)),
    }
    for name in _NUMBERS:
        columns[name] = rows(layout.column(name, np.float64))
    # What lies beside a limit by a likely slip has no distance from it.
    for name in ("deviation", "left", "probability"):
        columns[name] = np.where(doubtful, np.nan, columns[name])
    columns["doubtful"] = doubtful
    return Table({name: columns[name] for name in CHARACTERISTIC_COLUMNS})
