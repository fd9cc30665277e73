"""From the readings table to series in order of production: what capability and charts are worked out from.

A series is one quantity of one group (a hole, a bushing, a wall, the fixture): values in the order in which the parts
were made, with the limits, the gauge and the bonus that belong to them. Doubted readings are left out and counted.
Plain arrays come out, so that a notebook can hand them to `holeqc.statistics` just as the commands do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from holeqc.inspection.causes import words_of
from holeqc.inspection.disproved import disprove
from holeqc.inspection.evidence import Evidence, gather
from holeqc.inspection.grouping import IntArray
from holeqc.inspection.series_groups import KEYS, Grouping, find_groups
from holeqc.inspection.series_values import READ_FROM, WORDS, Values, take_values
from holeqc.inspection.spans import cell_words
from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.quantities import FloatArray
from holeqc.readings.table import cell_name

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

#: what series are of; the rest of the package's words for them are in ``WORDS``
QUANTITIES = ("size", "out-of-roundness", "taper", "position", "hole-to-hole", "edge-distance")


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
    evidence, _ = disprove(gather(spec, readings.table))
    values = take_values(evidence, of, per_wall="wall" in by)
    if not len(values):
        raise DataError(f"there is no reading to work out {WORDS[of].name} from")
    values = values.take(_production(evidence, values))
    keys = tuple(dict.fromkeys(by))
    groups = find_groups(evidence, readings.table, values, keys)
    doubted = _doubted(evidence, of)
    doubts = find_groups(evidence, readings.table, doubted, keys)
    out = []
    for number, rows in enumerate(groups.rows()):
        lost = doubted.take(doubts.of(groups.names[number]))
        out.append(_series(evidence, readings.table, of, values.take(rows), (groups, number), lost))
    return tuple(out)


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


def left_out(table: pd.DataFrame, causes: Sequence[str], label: IntArray, cause: IntArray) -> list[Problem]:
    """Return a problem for each cause for which readings are left out, with all their cells.

    ``label`` (n,) of the readings in the table, ``cause`` (n,) numbers of ``causes``.
    """
    rows = table.loc[label]
    files = rows["file"].astype(str).to_numpy()
    out = []
    for number in np.unique(cause):
        code = causes[number]
        mine = np.flatnonzero(cause == number)
        kept = rows.iloc[mine].drop_duplicates(["file", "sheet", "row", "column"])
        kept = kept.sort_values(["file", "sheet", "column", "row"], kind="stable")
        spots = [
            f"{r.sheet}!{cell_name(int(r.row), int(r.column))}" if r.sheet else cell_name(int(r.row), int(r.column))
            for r in kept.itertuples()
        ]
        cells = "1 doubtful reading is" if mine.size == 1 else f"{mine.size} doubtful readings are"
        names = list(dict.fromkeys(files[mine].tolist()))
        file = ", ".join(names[:3]) + (" and more" if len(names) > 3 else "")
        message = f"{cells} left out: {words_of(code)} ({cell_words(spots)})"
        out.append(Problem(WARNING, "left-out", message, action="Clear up these cells first.", file=file))
    return out


def _series(
    evidence: Evidence, table: pd.DataFrame, of: str, values: Values, group: tuple[Grouping, int], doubted: Values
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
        groups.names[number], groups.keys_of(number), of, WORDS[of].value(spec, per_wall), spec.unit,
        values.value, piece, label.astype(np.str_), serial.astype(np.str_), evidence.first_day[values.part],
        lower, upper, WORDS[of].from_zero, values.second, values.tolerance, bonus, tuple(g.id for g in gauges),
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
