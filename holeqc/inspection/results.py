"""What judging gives: frames whose columns are written down here, and the small words they use.

A verdict is stored as a small number so that the worst of many is their maximum: accept 0, hold 1, reject 2."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holeqc.characteristics import BY_GAUGE, NAMES
from holeqc.problems import Problem
from holeqc.quantities import BoolArray, FloatArray, IntArray
from holeqc.tables import Table

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.inspection.networks import Networks
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification


# The short stable words that say why something isn't accepted; stored as small numbers while judging.
#
# Doubts that a reader raised keep the reader's own word: they are added behind these for one run.


CAUSES = (
    "", "missing", "over", "under", "guard-band", "no-uncertainty", "no-gauge", "unknown-gauge", "gauge-expired",
    "no-temperature", "contradiction", "go-stopped", "no-go-entered", "burr", "not-clean", "crack", "unknown-part",
    "temperature-left-out", "pattern-incomplete", "day-to-come", "not-asked",
    "contradicting-distances", "few-distances", "no-datum", "too-uncertain",
)  # fmt: skip

(
    NONE, MISSING, OVER, UNDER, GUARD_BAND, NO_UNCERTAINTY, NO_GAUGE, UNKNOWN_GAUGE, GAUGE_EXPIRED, NO_TEMPERATURE,
    CONTRADICTION, GO_STOPPED, NO_GO_ENTERED, BURR, NOT_CLEAN, CRACKED, UNKNOWN_PART,
    TEMPERATURE_LEFT_OUT, PATTERN_INCOMPLETE, DAY_TO_COME, NOT_ASKED, CONTRADICTING_DISTANCES, FEW_DISTANCES,
    NO_DATUM, TOO_UNCERTAIN,
) = range(len(CAUSES))  # fmt: skip

MEANING: dict[str, str] = {
    "missing": "a reading that the kit asks for is not there",
    "over": "beyond the upper limit",
    "under": "beyond the lower limit",
    "guard-band": "too near a limit to be decided with this gauge",
    "no-uncertainty": "the gauge's uncertainty is not known and the decision rule needs it",
    "no-gauge": "no gauge of the kit applies to the reading",
    "unknown-gauge": "the gauge named is not in the kit",
    "gauge-expired": "the gauge's calibration was not valid on the day of the reading",
    "no-temperature": "readings are to be brought to 20 °C and no temperature is given",
    "contradiction": "plug and readings contradict one another",
    "go-stopped": "the GO plug does not enter",
    "no-go-entered": "the NO-GO plug enters",
    "burr": "a burr was found",
    "not-clean": "the hole is not clean",
    "crack": "a crack was found",
    "unknown-part": "the kit knows no part of that name, so basic positions can't be laid in its frame",
    "temperature-left-out": "readings were taken so far from 20 °C that the effect is more than a quarter of the "
    "tolerance or crosses a limit, and they are not corrected",
    "day-to-come": "the day of the reading is still to come, so it can't be told whether the gauge was in calibration",
    "not-asked": "it was read, and the kit asks none of this hole: it belongs to another hole, or this one was cut "
    "wrong",
    "contradicting-distances": "the distances contradict one another, and it rests on them",
    "few-distances": "too few distances place the hole",
    "no-datum": "no distances from the edges place the pattern",
    "too-uncertain": "its uncertainty is larger than its tolerance",
    "pattern-incomplete": "holes of the pattern are not placed yet; a pattern of fewer holes floats to a better fit",
}

#: doubts that a reader raised, in plain words; the problem that goes with each says more
DOUBTS: dict[str, str] = {
    "against-the-hole": "too far from every other reading of the hole",
    "against-the-plug": "far larger than a plug that does not enter",
    "end-missing": "a distance names only one of its ends",
    "measuring-pin-missing": "no pin's diameter is said for a distance over pins",
    "measuring-pin-size": "no pin of the size that is said enters the holes",
    "same-end": "a distance has the same end twice",
    "unknown-end": "a distance names a hole or an edge that the kit doesn't have",
    "unknown-measuring-pin": "the kit lists no measuring pin of that diameter",
    "unknown-way": "it isn't clear how a distance was taken",
    "way-missing": "it isn't said how a distance was taken",
    "angle-unit": "an angle is said in a unit of length, or a length in degrees",
    "bad-date": "the day of the reading is unclear",
    "beyond-any-length": "the number is beyond any length",
    "column-decimal": "whole columns fit only with the decimal point moved",
    "column-unit": "whole columns fit only in the other unit",
    "comma-in-number": "a comma in the number can be read in two ways",
    "contradicting-reading": "two readings of the hole contradict one another",
    "copied-hole": "the readings equal another part's, likely copied",
    "copied-part": "the readings equal another part's, likely copied",
    "copied-wall": "the readings equal another wall's, likely typed twice",
    "cut-row": "the file ends in the middle of the row",
    "date-as-number": "the number may be a date",
    "date-for-label": "a label has become a date",
    "date-for-number": "the cell holds a date and no number",
    "contradicted-by-part": "the other readings of the same part contradict it, likely a typing slip",
    "equals-nominal": "the values are exactly those of the drawing, likely not measured",
    "error-cell": "the cell holds an error of the spreadsheet",
    "escape-residue": "the cell holds the remains of another program's file",
    "formula-not-calculated": "the cell holds a formula that was not calculated",
    "fraction-became-date": "a fraction has become a date",
    "hole-order": "the holes were likely entered in another order",
    "letter-in-number": "a letter stands in the number",
    "lost-digits": "digits may be lost",
    "merged-reading": "the cell is merged with others, so it is unclear whose reading it is",
    "no-date": "the day of the reading is not said",
    "no-readings": "the part is named, and nothing was read",
    "not-a-number": "the cell holds no number",
    "not-believable": "no drill, reamer or fixture leaves a hole like that",
    "not-positive": "a diameter can't be zero or less",
    "other-hole": "the position is that of another hole",
    "part-sign": "the signs of all coordinates look turned",
    "point-in-number": "a point in the number can be read in two ways",
    "serial-digits-lost": "the serial number may have lost digits",
    "sizes-exchanged": "holes of two sizes read as each other's",
    "slip-decimal": "the decimal point likely stands in the wrong place",
    "slip-digit": "a digit was likely typed wrong",
    "slip-sign": "the sign is likely wrong",
    "slip-transposed": "two digits are likely swapped",
    "slip-unit": "the reading was likely typed in the other unit",
    "space-in-number": "a space stands in the number",
    "struck-through": "the reading is struck through",
    "two-numbers": "two numbers stand in one cell",
    "typed-twice": "x and y are one number, likely typed twice",
    "unclear-comma": "a comma in the number can be read in two ways",
    "unclear-date": "the day of the reading is unclear",
    "unclear-surface": "what is said of the surface is unclear",
    "unconfirmed": "far outside what the hole can be, and no other reading confirms it",
    "unit-conflict": "two units are said",
    "unknown-hole": "the kit has no such hole",
    "unknown-unit": "the unit is not known",
    "unknown-wall": "the kit has no such wall",
    "wall-missing": "the wall is not said",
    "x-y-swapped": "x and y are likely swapped",
}


def words_of(cause: str) -> str:
    """Return a cause in plain words: its meaning, or what a reader doubted."""
    known = MEANING.get(cause) or DOUBTS.get(cause)
    return known or (f"a reading is doubtful: {cause.replace('-', ' ')}" if cause else "")


def gauge_of(spec: Specification, named: str, characteristic: str) -> tuple[int, int]:
    """Return the index of the gauge of a reading in ``spec.gauges`` (-1 for none) and a cause to hold (0 for none).

    The gauge named beside the reading, if it measures such a thing (a row's gauge cell speaks for the diameters when
    the row holds x and y too); else the plan's default; else the only gauge of the kit that measures it.
    """
    by_id = {gauge.id: number for number, gauge in enumerate(spec.gauges)}
    if named and spec.gauges and named not in by_id:
        return -1, UNKNOWN_GAUGE
    fitting = [number for number, gauge in enumerate(spec.gauges) if characteristic in gauge.measures]
    for gauge_id in (named, spec.plan.gauge_of(characteristic)):
        if gauge_id and by_id.get(gauge_id, -1) in fitting:
            return by_id[gauge_id], NONE
    if len(fitting) == 1:
        return fitting[0], NONE
    return -1, NO_GAUGE if spec.gauges and characteristic in BY_GAUGE else NONE


ACCEPT, HOLD, REJECT = 0, 1, 2
VERDICTS = ("accept", "hold", "reject")
PATTERN, WHOLE_PART = "pattern", "whole part"  #: what a tag speaks of where it names no hole
#: codes of problems of a recheck: what no cutting mends, and what only a look at the place does
CANNOT_MEND, MOVED = "recheck-cannot-mend", "recheck-moved"

#: what is judged on a hole, in the order of a report
CHARACTERISTICS = NAMES

CHARACTERISTIC_COLUMNS: dict[str, str] = {
    "part": "part's name", "serial": "serial number", "hole": "hole id", "wall": "wall, '' where it spans all walls",
    "characteristic": "one of CHARACTERISTICS below",
    "found": "what was found [kit unit]; for size the reading that lies worst; NaN for words and where missing",
    "found_word": "what was found, in words, for surface and plugs",
    "lower": "lower limit, NaN where none", "upper": "upper limit (for position: stated plus bonus), NaN where none",
    "stated": "position: tolerance as stated", "bonus": "position: bonus from the mating size",
    "deviation": "signed amount beyond the limit, 0 inside: + over the upper, - under the lower; NaN where doubtful",
    "left": "distance to the nearest limit, negative beyond it; for position total minus actual; NaN where doubtful",
    "uncertainty": "expanded uncertainty U (k = 2) of found",
    "ratio": "tolerance / (2 U), inf where U = 0, NaN where unknown",
    "probability": "conformance probability after JCGM 106, NaN where U is unknown or the row doubtful",
    "verdict": "ACCEPT, HOLD or REJECT", "cause": "short stable word of why, '' for accept",
    "reading": "row label in the readings table that decides, -1 where there is none",
    "doubtful": "True where a likely slip or a contradiction decides: found is what was typed, or what is left "
    "without it, and no measurement",
}  # fmt: skip

HOLE_COLUMNS: dict[str, str] = {
    "part": "part's name", "serial": "serial number", "hole": "hole id",
    "verdict": "worst of its characteristics and of problems that touch it",
    "mating_size": "estimate of the actual mating size: smallest reading, or the largest plug that enters",
    "mating_from": "readings, readings and GO (a GO plug entered too), plug, or ''",
    "smallest": "smallest diameter read", "largest": "largest diameter read",
    "dx": "measured minus basic x in the wall that lies worst", "dy": "the same for y",
    "pattern_dx": "the same for x with the pattern floated as hole to hole is judged", "pattern_dy": "the same for y",
    "rework": "'' or what to do, one sentence", "ream_to": "size to ream to, NaN where none or not yet",
}  # fmt: skip

PART_COLUMNS: dict[str, str] = {
    "part": "part's name", "serial": "serial number", "verdict": "worst of its holes, its pins, its problems",
    "pin_verdict": "verdict of the pin-pattern gauge, -1 where the kit has no pins",
    "pin_margin": "radial margin of worst-case pins (virtual condition) [kit unit], NaN where not known",
    "pin_rotation": "rotation of the pin pattern at its best [rad]", "pin_dx": "its shift x", "pin_dy": "its shift y",
    "pin_uncertainty": "expanded uncertainty U (k = 2) of the margin, at most",
    "pin_culprit": "hole without which all others take their pins, '' where there is none or several are off",
    "pin_without": "radial margin of the others then",
    "shift_x": "shift of the datum frame that was used, where datum holes leave it some", "shift_y": "the same for y",
    "shift_rotation": "turn of the datum frame that was used [rad]",
    "readings": "how many readings", "first_date": "first day of reading", "last_date": "last day of reading",
}  # fmt: skip

#: columns of the frames that have one row a part, hole and wall that takes a pin; a part whose pins enter; a rework
PIN_COLUMNS = ("part", "serial", "hole", "wall", "pin", "clearance", "binding", "left", "off_x", "off_y")
FLOAT_COLUMNS = (
    "part", "serial", "x_minus", "x_plus", "y_minus", "y_plus", "rotation_minus", "rotation_plus",
)  # fmt: skip
TABLES = ("characteristics", "holes", "parts", "pins", "float_left", "rework")
REWORK_COLUMNS = ("part", "serial", "scope", "hole", "from", "to", "tool", "passes", "sentence")


@dataclass(frozen=True, slots=True)
class Predicted:
    """A value that a reading plan didn't ask for: ``value`` [kit unit] and the half width in which 95 of 100 lie."""

    hole: str
    wall: str
    what: str
    value: float
    half: float


@dataclass(frozen=True, slots=True)
class Planned:
    """What a reading plan says of a part that was read in part: accepted, or ``why`` it must be read in full.

    ``read`` of ``total`` readings were taken; ``risk``: most that the chance of a bad hole is under the plan's model;
    ``surprise``: its readings don't fit one another; ``scores``: how far each hole's sizes, x and y lie off.
    """

    part: str
    serial: str
    plan: str
    accepted: bool
    why: str
    read: int
    total: int
    risk: float = float("nan")
    agreed: float = float("nan")  #: the kit's own limit of that chance
    surprise: bool = False
    scores: dict[str, float] = field(default_factory=dict)
    predicted: tuple[Predicted, ...] = ()

    @property
    def sentence(self) -> str:
        """What is said of an accepted part, in half a sentence."""
        return f"accepted on {self.read} of {self.total} readings, risk at most {100.0 * self.agreed:g} %"


@dataclass(frozen=True)
class Inspection:
    """Everything that one run of `check` found out.

    ``tables`` holds what was found, a table for each name of `TABLES`; the properties of these names give them as
    data frames. ``pins`` has one row a part and hole and wall: part, serial, hole, wall, pin, clearance (radial, at
    virtual condition), binding (bool), left (radial room at the best motion; where one hole alone keeps the pins out,
    that of the others without it), off_x and off_y (pin axis minus hole axis there). ``float_left`` has one row a part
    whose pins enter: part, serial, x_minus, x_plus, y_minus, y_plus, rotation_minus, rotation_plus.
    """

    specification: Specification
    readings: Readings
    tables: Mapping[str, Table]
    problems: tuple[Problem, ...]
    networks: Networks | None = None  #: what distances gave, where positions follow from them
    planned: tuple[Planned, ...] = ()  #: of parts that a reading plan spoke of

    @cached_property
    def characteristics(self) -> pd.DataFrame:
        """A row a part, hole, wall and characteristic: `CHARACTERISTIC_COLUMNS`."""
        return self.tables["characteristics"].frame()

    @cached_property
    def holes(self) -> pd.DataFrame:
        """A row a part and hole: `HOLE_COLUMNS`."""
        return self.tables["holes"].frame()

    @cached_property
    def parts(self) -> pd.DataFrame:
        """A row a part: `PART_COLUMNS`."""
        return self.tables["parts"].frame()

    @cached_property
    def pins(self) -> pd.DataFrame:
        """A row a part, hole and wall that takes a pin: `PIN_COLUMNS`."""
        return self.tables["pins"].frame()

    @cached_property
    def float_left(self) -> pd.DataFrame:
        """A row a part whose pins enter: `FLOAT_COLUMNS`."""
        return self.tables["float_left"].frame()

    @cached_property
    def rework(self) -> pd.DataFrame:
        """A row a proposal, scope ``hole`` or ``pattern``: `REWORK_COLUMNS`."""
        return self.tables["rework"].frame()


@dataclass(frozen=True, slots=True)
class Reason:
    """One plain sentence with numbers why something is not accepted, and what it speaks of."""

    verdict: int
    sentence: str
    hole: str = ""
    wall: str = ""
    characteristic: str = ""
    cell: str = ""
    action: str = ""
    cells: tuple[str, ...] = ()  #: all of them, the first as ``cell``, where it says the same of several


# Sums, extremes and choices over groups of rows, as array work: each row carries the number of its group.


CodeArray = NDArray[np.int16]
VerdictArray = NDArray[np.int8]


def largest(group: IntArray, value: FloatArray, groups: int) -> FloatArray:
    """Return the largest value of each group (groups,), NaN for a group without rows. NaN values don't count."""
    out = np.full(groups, -np.inf)
    known = ~np.isnan(value)
    np.maximum.at(out, group[known], value[known])
    out[np.isneginf(out)] = np.nan
    return out


def smallest(group: IntArray, value: FloatArray, groups: int) -> FloatArray:
    """Return the smallest value of each group (groups,), NaN for a group without rows. NaN values don't count."""
    return -largest(group, -value, groups)


def largest_or_unknown(group: IntArray, value: FloatArray, groups: int) -> FloatArray:
    """Return the largest value of each group, NaN where any row of it is NaN or where it has no rows."""
    out = largest(group, value, groups)
    out[group[np.isnan(value)]] = np.nan
    return out


def mean(group: IntArray, value: FloatArray, groups: int) -> FloatArray:
    """Return the mean of each group (groups,), NaN for a group without rows."""
    count = np.bincount(group, minlength=groups)
    total = np.bincount(group, weights=value, minlength=groups)
    return np.divide(total, count, out=np.full(groups, np.nan), where=count > 0)


def first_row(group: IntArray, rows: IntArray, groups: int) -> IntArray:
    """Return for each group the first of ``rows`` that belongs to it, -1 for none. ``group`` goes with ``rows``."""
    out = np.full(groups, -1, dtype=np.int64)
    out[group[::-1]] = rows[::-1]
    return out


def any_code(group: IntArray, code: CodeArray, groups: int) -> CodeArray:
    """Return for each group one of its codes that isn't 0 (the largest), 0 where there is none."""
    out = np.zeros(groups, dtype=np.int16)
    set_ = code != 0
    np.maximum.at(out, group[set_], code[set_])
    return out


def worst_row(group: IntArray, verdict: VerdictArray, left: FloatArray, groups: int) -> IntArray:
    """Return for each group the row that decides it: worst verdict, then least room left. -1 for an empty group.

    Of rows that are equal in both, the first. NaN room counts as the least.
    """
    best = np.full(groups, -1, dtype=np.int8)
    np.maximum.at(best, group, verdict)
    rows = np.flatnonzero(verdict == best[group])
    room = np.where(np.isnan(left[rows]), -np.inf, left[rows])
    least = np.full(groups, np.inf)
    np.minimum.at(least, group[rows], room)
    rows = rows[room == least[group[rows]]]
    return first_row(group[rows], rows, groups)


def largest_difference(
    outer: IntArray, inner: IntArray, value: FloatArray, groups: int
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return for each outer group the largest |a - b| over two rows of different inner group, and whether there are
    two.

    ``outer`` (n,) in 0..groups-1, ``inner`` (n,) >= 0, ``value`` (n,) without NaN. Groups with fewer than two inner
    groups give NaN.
    """
    difference = np.full(groups, np.nan)
    if not value.size:
        return difference, np.zeros(groups, dtype=np.bool_)
    inner, width = _dense_inner(outer, inner, groups)
    place = outer * width + inner
    top, low = np.full((groups, width), -np.inf), np.full((groups, width), np.inf)
    np.maximum.at(top.reshape(-1), place, value)
    np.minimum.at(low.reshape(-1), place, value)
    each = np.arange(groups)
    at_top, at_low = top.argmax(axis=1), low.argmin(axis=1)
    highest, lowest = top[each, at_top], low[each, at_low]
    pair = np.isfinite(top).sum(axis=1) >= 2
    # The highest and the lowest may lie in one inner group: then one of the two must come from another.
    other_top, other_low = top.copy(), low.copy()
    other_top[each, at_top], other_low[each, at_low] = -np.inf, np.inf
    same = at_top == at_low
    with np.errstate(invalid="ignore"):
        crossed = np.maximum(highest - other_low.min(axis=1), other_top.max(axis=1) - lowest)
        straight = highest - lowest
    difference[pair] = np.where(same, crossed, straight)[pair]
    return difference, pair


def _dense_inner(outer: IntArray, inner: IntArray, groups: int) -> tuple[IntArray, int]:
    """Return inner groups renumbered within their outer group if numbering them all at once would waste memory."""
    width = int(inner.max()) + 1
    if groups * width <= 8 * inner.size + 1024:
        return inner, width
    order = np.lexsort((inner, outer))
    new_outer = np.diff(outer[order], prepend=-1) != 0
    new = new_outer | (np.diff(inner[order], prepend=-1) != 0)
    count = np.cumsum(new) - 1
    rank = count - np.maximum.accumulate(np.where(new_outer, count, 0))
    out = np.empty_like(inner)
    out[order] = rank
    return out, int(rank.max()) + 1


# What judging one characteristic gives: columns of results over parts and slots, to be laid into one table.
#
# A slot is a hole and a wall (or a whole hole) of one characteristic; every part has the same slots, so a reading
# that is
# missing leaves a row that says so.


@dataclass(frozen=True, slots=True)
class Outcome:
    """Results of one characteristic. Arrays are (P,K) or broadcast to it; ``hole`` and ``wall`` are (K,).

    ``wall`` -1: the whole hole. ``shown`` says which rows exist: asked by the kit, or something was read. ``reading``
    is the label of the deciding row in the readings table, -1 for none; ``word`` is -1 or a number of the run's
    words.
    """

    characteristic: str
    hole: IntArray
    wall: IntArray
    shown: BoolArray
    verdict: VerdictArray
    cause: CodeArray
    found: FloatArray
    lower: FloatArray
    upper: FloatArray
    deviation: FloatArray
    left: FloatArray
    uncertainty: FloatArray
    ratio: FloatArray
    probability: FloatArray
    reading: IntArray
    stated: FloatArray
    bonus: FloatArray
    word: IntArray


def outcome(
    characteristic: str, asked: BoolArray, present: BoolArray, verdict: VerdictArray, cause: CodeArray, **columns: Any
) -> Outcome:
    """Return the results of a characteristic from arrays over parts, holes and walls.

    ``asked`` is (H,W) or (H,) for a characteristic of whole holes, ``present`` (P,H,W) or (P,H) says where anything
    was read, ``verdict``, ``cause`` and the columns broadcast to it. Columns left out are NaN (``reading`` and
    ``word`` -1). Slots that are neither asked nor present anywhere are left out.
    """
    parts = present.shape[0]
    width = int(np.prod(present.shape[1:]))
    slots = np.flatnonzero(asked.reshape(-1) | present.reshape(parts, width).any(axis=0))
    walls = asked.shape[1] if asked.ndim == 2 else 1
    hole, wall = slots // walls, slots % walls if asked.ndim == 2 else np.full(slots.size, -1)

    def flat(array: Any) -> NDArray[Any]:
        whole = np.broadcast_to(array, present.shape)
        if parts and whole.strides[0] == 0:  # the same for all parts: a row of it is enough
            return np.broadcast_to(whole[0].reshape(width)[slots], (parts, slots.size))
        whole = whole.reshape(parts, width)
        return whole if slots.size == width else whole[:, slots]

    nan = np.broadcast_to(np.float64(np.nan), (parts, slots.size))
    none = np.broadcast_to(np.int64(-1), (parts, slots.size))
    names = ("found", "lower", "upper", "deviation", "left", "uncertainty", "ratio", "probability", "stated", "bonus")
    given = {name: flat(columns[name]) if name in columns else nan for name in names}
    return Outcome(
        characteristic, hole, wall, asked.reshape(-1)[slots] | flat(present), flat(verdict), flat(cause),
        reading=flat(columns["reading"]) if "reading" in columns else none,
        word=flat(columns["word"]) if "word" in columns else none,
        **given,
    )  # fmt: skip


# Many holes and walls in few words: ``Holes 1 to 8, both walls``.


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
