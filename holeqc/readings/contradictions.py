"""Readings that speak against one another: one reading that is there twice, and readings of one hole too far apart.

Where two of them contradict one another nobody knows which is right, so both are doubted; of three or more the one
that stands apart. How far readings may differ stands in `believable`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import numpy as np

from holeqc.characteristics import NUMBERS, OF_WORD
from holeqc.problems import Problem, note, warning
from holeqc.quantities import GRAIN, BoolArray, FloatArray, IntArray, convert, decimals_of
from holeqc.readings.draft import DIAMETER, DISTANCE, EDGE, OF_KIND, PLUG, UNIT_CODES, Array, Findings, X, Y
from holeqc.readings.table import CHARACTERISTICS, FIRST_ELEMENT, STOPS, bound
from holeqc.readings.values import BETWEEN_SYSTEMS
from holeqc.readings.words import WORDS
from holeqc.specification.model import Gauge, Specification
from holeqc.tables import joint, numbered, ranked

# Gauges of readings: which applies, what it can resolve, whether its calibration held; days that can't be.


FINER_NAMED = 3  #: readings finer than their gauge are named one by one up to so many, then counted
YEARS_BACK = 3 * 365
YEARS_OLD = 5  #: a day so long before its gauge is due is a slip, calibrations are shorter (common practice, no source)
YEARS_AGO = 10  #: a day so long before today is told where no due date decides (common practice, no source)
GRACE_DAYS = 1  #: a sheet filled in east of here may carry tomorrow's day
DAY_UNKNOWN = "gauge-day-unclear"


def gauge_for(spec: Specification, named: str, characteristic: str) -> Gauge | None:
    """Return a reading's gauge: the one named if it measures such a thing, the plan's, or the only one that does."""
    fitting = {g.id: g for g in spec.gauges if characteristic in g.measures}
    for gauge_id in (named, spec.plan.gauge_of(characteristic)):
        if gauge_id in fitting:
            return fitting[gauge_id]
    return next(iter(fitting.values())) if len(fitting) == 1 else None


def _gauges(findings: Findings, rows: IntArray) -> tuple[IntArray, list[Gauge | None]]:
    """Return a number a reading into a short list of gauges, None for no gauge."""
    a = findings.arrays
    names = findings.draft.gauge.texts
    key = (a["gauge"][rows].astype(np.int64) + 1) * 32 + a["characteristic"][rows]
    distinct, inverse = ranked(key)
    found = []
    for number in distinct:
        gauge, kind = divmod(int(number), 32)
        named = names[gauge - 1] if gauge else ""
        found.append(gauge_for(findings.spec, named, CHARACTERISTICS[kind]) if kind < len(CHARACTERISTICS) else None)
    return inverse, found


def uncertainty_of(findings: Findings, rows: IntArray) -> FloatArray:
    """Return U at k = 2 [kit unit] of some readings, NaN where it isn't known."""
    number, gauges = _gauges(findings, rows)
    known = [np.nan if g is None or g.uncertainty is None else g.uncertainty for g in gauges]
    return np.array([*known, np.nan])[number]


def check_gauges(findings: Findings) -> None:
    """Report readings by a gauge past its calibration, by one that isn't for them, and finer than it can resolve."""
    if not findings.spec.gauges:
        return
    a = findings.arrays
    rows = np.flatnonzero(a["characteristic"] >= 0)
    if not rows.size:
        return
    number, gauges = _gauges(findings, rows)
    due = np.array([g.calibration_due if g and g.calibration_due else "NaT" for g in gauges], dtype="datetime64[D]")
    date = a["date"][rows]
    _expired(findings, rows[date > due[number]])
    undated = np.isnat(date) & ~np.isnat(due[number])
    if undated.any():
        order = {gauge.id: place for place, gauge in enumerate(findings.spec.gauges)}
        which = np.array([-1 if g is None else order[g.id] for g in gauges])
        _undated(findings, rows[undated], due[number[undated]], which[number[undated]])
    _not_for_this(findings, rows)
    _too_fine(findings, rows, number, gauges)


def _expired(findings: Findings, rows: IntArray) -> None:
    """Report a gauge past its due date once a sheet and part."""
    a = findings.arrays
    key = (findings.piece[rows] * 1000 + a["sheet"][rows]) * 1000 + a["gauge"][rows] + 1
    first = rows[np.sort(np.unique(key, return_index=True)[1])]

    def make(index: int) -> Problem:
        gauge = _gauge_at(findings, index)
        assert gauge is not None
        issue = warning(
            "gauge-expired",
            f"the calibration of gauge {gauge.id} was not valid on the day of the reading",
            f"readings up to {gauge.calibration_due}",
            "Measure again with a gauge in calibration. If it was calibrated since, put its new due day into the kit "
            "file and have that released",
            holds=True,
        )
        return findings.piece_problem(issue, index, f"read on {a['date'][index]}")

    for group in [first] if first.size else []:
        findings.collector.cells(group.tolist(), make)


def _gauge_at(findings: Findings, index: int) -> Gauge | None:
    number, gauges = _gauges(findings, np.array([index]))
    return gauges[int(number[0])]


def _undated(findings: Findings, rows: IntArray, due: Array, which: Array) -> None:
    """Doubt readings (m,) without a clear day that may have been taken after their gauge was due, once a part.

    ``which`` is the gauge's place in the kit. A reading can't be younger than today; so as long as its gauge is not
    due, the gauge was in calibration then too.
    """
    a, today = findings.arrays, np.datetime64(findings.today)
    latest = a["latest"][rows]
    late = np.where(np.isnat(latest), today, latest) > due
    if not late.all():
        issue = note(
            "no-date",
            f"{int((~late).sum())} readings have no clear date; their gauges are due on {min(due[~late])} at the "
            "earliest, after today",
            "Write the day of the reading",
        )
        findings.collector.add(findings.piece_problem(issue, int(rows[~late][0]), "no date"))
    rows, which = rows[late], which[late]
    key = findings.piece[rows] * len(findings.spec.gauges) + which
    first = rows[np.sort(np.unique(key, return_index=True)[1])]

    def make(index: int) -> Problem:
        gauge = _gauge_at(findings, index)
        assert gauge is not None
        day = a["latest"][index]
        issue = warning(
            DAY_UNKNOWN,
            f"the day of the reading isn't clear, so gauge {gauge.id} may have been out of calibration",
            f"a day up to {gauge.calibration_due}, when its calibration is due",
            "Write the day of the reading as year-month-day, or measure again with a gauge in calibration",
            holds=True,
        )
        found = f"no date, and today is {findings.today}" if np.isnat(day) else f"a day that may be {day}"
        return findings.piece_problem(issue, index, found)

    findings.collector.cells(first.tolist(), make)
    findings.mark(rows, DAY_UNKNOWN)


def _not_for_this(findings: Findings, rows: IntArray) -> None:
    """Report gauges named for something that they don't measure."""
    a, spec = findings.arrays, findings.spec
    names = findings.draft.gauge.texts
    named = rows[a["gauge"][rows] >= 0]
    key = a["gauge"][named].astype(np.int64) * 32 + a["characteristic"][named]
    for number in ranked(key)[0]:
        gauge = spec.gauge(names[int(number) // 32])
        kind = CHARACTERISTICS[int(number) % 32]
        if gauge is None or kind in gauge.measures or kind == "surface":
            continue
        mine = named[key == number]
        what = kind.replace("_", " ")
        issue = warning(
            "gauge-not-for-this",
            f"gauge {gauge.id} is not one for {what} ({mine.size} readings)",
            f"gauge {gauge.id} measures {', '.join(gauge.measures)}",
            "Name the gauge that was used",
        )
        findings.collector.add(findings.problem(issue, int(mine[0])))


def _too_fine(findings: Findings, rows: IntArray, number: Array, gauges: list[Gauge | None]) -> None:
    """Report readings with digits that their gauge can't show: a mean, a converted value, or a wrong gauge."""
    a, unit = findings.arrays, findings.spec.unit
    step = np.array([np.nan if g is None or not g.resolution else g.resolution for g in gauges])[number]
    lengths = (a["characteristic"][rows] < len(NUMBERS)) & np.isfinite(a["raw"][rows]) & ~np.isnan(step)
    lengths &= (findings.doubt[rows] < 0) & (a["column"][rows] < FIRST_ELEMENT)  # a machine writes what it calculates
    rows, step = rows[lengths], step[lengths]
    if not rows.size:
        return
    own = (a["unit"][rows] == UNIT_CODES.index(unit)) | np.isin(a["characteristic"][rows], list(OF_KIND))
    off = np.abs(a["raw"][rows] / step - np.rint(a["raw"][rows] / step)) * step
    fine = own & (off > 1e-7)
    if (~own).any():
        other = "mm" if unit == "in" else "in"
        foreign = np.flatnonzero(~own)
        distinct, inverse = ranked(a["raw"][rows[foreign]])
        last = np.array([10.0 ** -decimals_of(v) for v in distinct])[inverse]
        fine[foreign] = last < convert(step[foreign], unit, other) / 5.0
    bad = rows[fine]
    key = a["sheet"][bad].astype(np.int64) * 100_000 + a["column"][bad]
    for one in np.unique(key):
        mine = bad[key == one]
        for index in mine[: FINER_NAMED if mine.size > FINER_NAMED + 1 else mine.size]:
            findings.collector.add(_finer(findings, int(index), ""))
        if mine.size > FINER_NAMED + 1:
            findings.collector.add(_finer(findings, int(mine[FINER_NAMED]), f"{mine.size - FINER_NAMED} more: "))


def _finer(findings: Findings, index: int, more: str) -> Problem:
    gauge = _gauge_at(findings, index)
    assert gauge is not None
    issue = warning(
        "finer-than-gauge",
        f"{more}finer than gauge {gauge.id} can show",
        f"steps of {findings.length(gauge.resolution or 0.0, index)}",
        "Type each reading as the gauge shows it, no mean and no converted value",
    )
    return findings.problem(issue, index)


def check_days(findings: Findings) -> None:
    """Report days in the future, days years away from all others, and days before a calibration can have begun.

    A day that lies ahead says nothing of when the reading was taken, so it holds; a day of grace for time zones.

    The two date systems of workbooks differ by 1462 days.
    """
    a = findings.arrays
    date = a["date"]
    known = np.flatnonzero(~np.isnat(date))
    if not known.size:
        return
    late = known[date[known] > np.datetime64(findings.today) + np.timedelta64(GRACE_DAYS, "D")]
    usual = np.partition(date[known], known.size // 2)[known.size // 2]
    far = known[np.abs((date[known] - usual).astype(np.int64)) > YEARS_BACK]
    message = "the day of the reading lies in the future"
    _report_days(findings, late, "future-date", message, f"up to {findings.today}", holds=True)
    early = far[date[far] < usual]
    oldest = _oldest(findings, known)
    old = known[date[known] < oldest]
    early = early[~np.isin(early, old)]
    _report_days(findings, early, "odd-date", "the day of the reading is years before the others", f"near {usual}")
    # Without a due date only today says that a day is long ago: a warning, for an old sheet may be read on purpose.
    long_ago = known[np.isnat(oldest) & (date[known] < np.datetime64(_years_before(findings.today, YEARS_AGO)))]
    long_ago = long_ago[~np.isin(long_ago, np.concatenate([early, old]))]
    message = f"the day of the reading is more than {YEARS_AGO} years before today"
    _report_days(findings, long_ago, "odd-date", message, f"up to {findings.today}")
    if old.size:
        message = f"the day of the reading is more than {YEARS_OLD} years before its gauge is due for calibration"
        since = oldest[~np.isnat(oldest)].max()
        _report_days(findings, old, "odd-date", message, f"from {since} on", holds=True)


def _oldest(findings: Findings, rows: IntArray) -> Array:
    """Return the first day (m,) that is believed of some readings, NaT where their gauge has no due date.

    The kit's due dates decide, not today: a sheet gives one verdict however late it is read again.
    """
    found = np.full(rows.size, "NaT", dtype="datetime64[D]")
    measured = findings.arrays["characteristic"][rows] >= 0
    number, gauges = _gauges(findings, rows[measured])
    due = [None if g is None or not g.calibration_due else _years_before(g.calibration_due, YEARS_OLD) for g in gauges]
    found[measured] = np.array([*due, None], dtype="datetime64[D]")[number]
    return found


def _years_before(day: dt.date, years: int) -> dt.date:
    return day.replace(year=day.year - years, day=min(day.day, 28) if day.month == 2 else day.day)


def _report_days(
    findings: Findings, rows: IntArray, code: str, message: str, allowed: str, *, holds: bool = False
) -> None:
    """Report days once a sheet, or where they hold once a part, so that every part is held."""
    if not rows.size:
        return
    a = findings.arrays
    key = a["file"][rows].astype(np.int64) * 100_000 + a["sheet"][rows]
    key = (findings.piece[rows] if holds else key) * 100_000 + a["date"][rows].astype(np.int64)
    first = rows[np.sort(np.unique(key, return_index=True)[1])]
    usual = np.sort(a["date"][~np.isnat(a["date"])])[int((~np.isnat(a["date"])).sum()) // 2]

    def make(index: int) -> Problem:
        day = a["date"][index]
        shifted = day + (BETWEEN_SYSTEMS if code == "odd-date" else -BETWEEN_SYSTEMS)
        near = abs(int((shifted - usual).astype(np.int64))) <= 120 and shifted <= np.datetime64(findings.today)
        hint = f": likely {shifted}, the 1900 and 1904 date systems differ by {BETWEEN_SYSTEMS} days" if near else ""
        issue = warning(code, message + hint, allowed, "Correct the date; calibration is judged by it", holds=holds)
        return findings.piece_problem(issue, index, f"date {day}")

    findings.collector.cells(first.tolist(), make, marked=not holds)


SURFACE = CHARACTERISTICS.index("surface")
GO, NO_GO = CHARACTERISTICS.index("go"), CHARACTERISTICS.index("no_go")
ABSURD, ALONE, AGAINST, PLUG_AGAINST = "not-believable", "unconfirmed", "against-the-hole", "against-the-plug"
SHIFT_LEAST = 3  #: so many coordinates of a part and axis tell where it lay
_ROOT_2 = float(np.sqrt(2.0))


def find_repeats(findings: Findings) -> None:
    """Number repeats of one reading 1, 2, ...; report duplicated rows and readings that contradict one another.

    One reading is the same part, serial, hole, wall, characteristic, direction and number of the repeat.
    """
    _one_reading(findings)
    _means(findings)


def _one_reading(findings: Findings) -> None:
    """Number what is one reading, and report what is there twice."""
    a = findings.arrays
    placed = (a["hole"] >= 0) & (a["characteristic"] >= 0) & (a["characteristic"] != SURFACE)
    rows = np.flatnonzero(placed)
    key = _key(findings, rows)
    number, _ = numbered(key)
    twice = np.bincount(number)[number] > 1
    if not twice.any():
        return
    rows, key = rows[twice], key[twice]
    order = np.argsort(key, kind="stable")
    rows, key = rows[order], key[order]
    new = np.concatenate([[True], key[1:] != key[:-1]])
    group = np.cumsum(new) - 1
    starts = np.flatnonzero(new)
    rank = np.arange(rows.size) - starts[group]
    size = np.bincount(group)
    a["trial"][rows] = (a["trial"][rows] + rank).astype(a["trial"].dtype)
    same, within = _agree(findings, rows, starts, group)
    planned = _planned(findings, rows[starts], size)
    first = rows[starts][group]
    later = rank > 0
    _duplicates(findings, rows, first, later & (same & ~planned)[group])
    _repeats(findings, rows, first, later & (within & ~same & ~planned)[group])
    _contradictions(findings, rows, first, later, (~within & ~planned)[group])


def _planned(findings: Findings, first: IntArray, size: IntArray) -> BoolArray:
    """Return which groups (g,), by their first reading, are no more than the repeats that the plan asks for.

    A diameter without a direction stands for any that is planned.
    """
    a, plan = findings.arrays, findings.spec.plan
    any_way = (a["characteristic"] == DIAMETER) & np.isnan(a["direction"]) & (a["hole"] >= 0)
    place = (findings.piece * (len(findings.spec.holes) + 1) + a["hole"]) * 64 + a["wall"] + 1
    places, count = np.unique(place[any_way], return_counts=True)
    at = np.minimum(np.searchsorted(places, place[first]), max(places.size - 1, 0))
    there = count[at] if places.size else np.zeros(first.size, dtype=np.int64)  # under all numbers of repeats together
    most = plan.count * max(len(plan.directions), 1)
    return np.asarray(np.where(any_way[first], most >= there, plan.count >= size))


def _means(findings: Findings) -> None:
    """Doubt coordinates of one hole and wall, numbered repeats too, that are too far apart for a mean of them."""
    a = findings.arrays
    rows = np.flatnonzero(findings.usable() & np.isin(a["characteristic"], (X, Y)))
    if not rows.size:
        return
    key = joint(findings.piece[rows], *(a[name][rows] for name in ("hole", "wall", "characteristic")))
    group, first = numbered(key)
    value = findings.value[rows]
    differs = np.zeros(first.size, dtype=np.bool_)
    differs[group[np.abs(value - value[first][group]) > GRAIN / 2]] = True
    mine = np.flatnonzero(differs[group])
    if not mine.size:
        return
    mine = mine[np.argsort(key[mine], kind="stable")]
    rows, new = rows[mine], np.diff(key[mine], prepend=-1) != 0
    starts, group = np.flatnonzero(new), np.cumsum(new) - 1
    value = findings.value[rows]
    spread = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
    allowed = np.maximum.reduceat(_allowed(findings, rows), starts) * bound("trial") / bound("repeat")
    hit = (spread > allowed + GRAIN)[group]
    _contradictions(findings, rows, rows[starts][group], np.arange(rows.size) > starts[group], hit)


def _allowed(findings: Findings, rows: IntArray) -> FloatArray:
    """Return how far two readings (m,) of one thing may differ: U of a difference, sqrt(2) U (JCGM 100, 5.1.2).

    Where U isn't known, a share of the tolerance stands for it. Words and distances to an edge by an unknown gauge must
    be equal. More diameters without a direction than are planned are one of them read again.
    """
    a = findings.arrays
    kind = a["characteristic"][rows]
    share = np.where(kind == EDGE, 0.0, bound("unknown gauge")) * np.nan_to_num(findings.band[rows])
    u = uncertainty_of(findings, rows)
    allowed = bound("repeat") * _ROOT_2 * np.where(np.isnan(u), share, u)
    return np.asarray(np.where(kind < len(NUMBERS), allowed, 0.0))


def _key(findings: Findings, rows: IntArray) -> IntArray:
    """Return one number for what each reading is a reading of."""
    a = findings.arrays
    kind, turned = a["characteristic"][rows], findings.turned[rows]
    trial = np.minimum(a["trial"][rows], 1023)
    return joint(findings.piece[rows], a["hole"][rows], a["wall"][rows], kind, turned, trial)


def _agree(findings: Findings, rows: IntArray, starts: IntArray, group: IntArray) -> tuple[Array, Array]:
    """Return for each group whether all its readings are equal, and whether they differ by no more than they may."""
    a = findings.arrays
    value = np.where(np.isnan(a["value"][rows]), np.inf, a["value"][rows])
    finite = np.isfinite(value)
    value = np.where(finite, value, 0.0)
    spread = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
    word = a["word"][rows].astype(np.int64)
    same_word = np.maximum.reduceat(word, starts) == np.minimum.reduceat(word, starts)
    same_kind = np.logical_and.reduceat(finite, starts) | ~np.logical_or.reduceat(finite, starts)
    allowed: FloatArray = np.maximum.reduceat(_allowed(findings, rows), starts)
    sound = same_word & same_kind
    return sound & (spread <= GRAIN), sound & (spread <= allowed + GRAIN)


def _where(findings: Findings, index: int) -> str:
    """Return the address of a reading's cell, with its sheet and file."""
    place = findings.cell.place(index)
    return ", ".join(p for p in (place["file"], place["sheet"], place["cell"]) if p)


def _duplicates(findings: Findings, rows: IntArray, first: IntArray, hit: Array) -> None:
    """Report rows that repeat an earlier one, once a row."""
    rows, first = rows[hit], first[hit]
    if not rows.size:
        return
    a = findings.arrays
    key = (a["file"][rows].astype(np.int64) * 100_000 + a["sheet"][rows]) * 10_000_000 + a["row"][rows]
    at = np.unique(key, return_index=True)[1]
    counts = np.bincount(np.unique(key, return_inverse=True)[1])
    told = {int(rows[i]): (int(first[i]), int(n)) for i, n in zip(at, counts, strict=True)}

    def make(index: int) -> Problem:
        earlier, count = told[index]
        what = "the reading repeats" if count == 1 else f"{count} readings of this row repeat"
        issue = warning(
            "duplicate-row",
            f"{what} an earlier one to the last digit: {_where(findings, earlier)}",
            action="Delete the row if it was copied; give repeats a number if it was measured twice",
        )
        return findings.problem(issue, index)

    findings.report(np.sort(np.array(list(told), dtype=np.int64)), make)


def _repeats(findings: Findings, rows: IntArray, first: IntArray, hit: Array) -> None:
    """Say that readings were repeated without a number."""
    rows, first = rows[hit], first[hit]
    if rows.size:
        index = int(rows[0])
        issue = note(
            "repeated-reading",
            f"{rows.size} readings were taken again, the gauge's uncertainty explains the difference; "
            f"the first repeats {_where(findings, int(first[0]))}; read as repeats 2, 3, ...",
        )
        findings.collector.add(findings.problem(issue, index))


def _contradictions(findings: Findings, rows: IntArray, first: IntArray, later: Array, hit: Array) -> None:
    """Report readings of one thing that differ by more than the gauge explains, and doubt all of them."""
    bad = rows[hit & later]
    if not bad.size:
        return
    earlier = dict(zip(bad.tolist(), first[hit & later].tolist(), strict=True))
    most = dict(zip(bad.tolist(), _allowed(findings, bad).tolist(), strict=True))

    def make(index: int) -> Problem:
        other = earlier[index]
        kind = int(findings.arrays["characteristic"][index])
        lengths = kind < len(NUMBERS) and most[index] > 0.0
        issue = warning(
            "contradicting-reading",
            f"another value than in {_where(findings, other)}, where the same reading is "
            f"{findings.found(other)}{_days(findings, index, other)}",
            f"equal within {findings.likely(most[index], np.nan, index)}, U of a difference"
            if lengths else "one answer",
            "Measure again and keep one of the two; after rework, leave the old readings out",
            holds=True,
        )
        return findings.problem(issue, index)

    columns = findings.arrays["column"][bad].astype(np.int64) * 20_000 + findings.arrays["column"][first[hit & later]]
    findings.report_causes(bad, columns * 16 + findings.arrays["characteristic"][bad], make)
    findings.mark(rows[hit], "contradicting-reading")


def _days(findings: Findings, one: int, other: int) -> str:
    days = [findings.arrays["date"][i] for i in (one, other)]
    if np.isnat(days).any() or days[0] == days[1]:
        return ""
    return f" (read on {days[1]} and {days[0]})"


def confirmed(findings: Findings, usable: BoolArray) -> tuple[BoolArray, BoolArray]:
    """Return where another reading of the hole confirms a length (n,), and where one stands too far from it.

    The first is looked at only of lengths that are far outside, or stand too far from another: nobody asks of others.
    Diameters in all directions and walls and the largest plug are of one hole; so are the x and the y of all its
    walls. A coordinate is also confirmed by the rest of its part, all of it being off alike.
    """
    a = findings.arrays
    near, apart = np.zeros(usable.size, dtype=np.bool_), np.zeros(usable.size, dtype=np.bool_)
    rows = np.flatnonzero(usable & ~np.isin(a["characteristic"], (EDGE, DISTANCE)))
    if not rows.size:
        return near, apart
    kind = a["characteristic"][rows]
    family = np.where(kind == PLUG, DIAMETER, kind).astype(np.int64)
    key = joint(findings.piece[rows], a["hole"][rows], family)
    value, reach = findings.value[rows], findings.apart[rows] + GRAIN
    low, high = (np.full(int(key.max()) + 1, end) for end in (np.inf, -np.inf))
    np.minimum.at(low, key, value)
    np.maximum.at(high, key, value)
    apart[rows] = np.maximum(value - low[key], high[key] - value) > reach
    asked = usable & (findings.far | apart)
    of_hole = np.zeros(low.size, dtype=np.bool_)
    of_hole[key[asked[rows]]] = True
    mine = np.flatnonzero(of_hole[key])
    if not mine.size:
        return near, apart
    mine = mine[np.lexsort((value[mine], key[mine]))]
    key, value, reach = key[mine], value[mine], reach[mine]
    before = np.where(np.diff(key, prepend=-1) != 0, np.inf, np.diff(value, prepend=np.nan))
    after = np.append(before[1:], np.inf)
    near[rows[mine]] = np.minimum(before, after) <= reach
    of_piece = np.zeros(findings.pieces, dtype=np.bool_)
    of_piece[findings.piece[asked]] = True
    near |= _shifted(findings, usable & of_piece[findings.piece])
    return near, apart


def _shifted(findings: Findings, usable: BoolArray) -> BoolArray:
    """Return coordinates (n,) that are off as those of most holes of their part and axis are: it lay out of seat."""
    a = findings.arrays
    out = np.zeros(usable.size, dtype=np.bool_)
    rows = np.flatnonzero(usable & np.isin(a["characteristic"], (X, Y)) & ~np.isnan(findings.lower))
    if not rows.size:
        return out
    off = findings.value[rows] - 0.5 * (findings.lower[rows] + findings.upper[rows])
    key = findings.piece[rows] * 2 + (a["characteristic"][rows] == Y)
    order = np.lexsort((off, key))
    starts = np.flatnonzero(np.diff(key[order], prepend=-1))
    count = np.diff(np.append(starts, rows.size))
    middle = np.repeat(off[order][starts + count // 2], count)
    near = np.abs(off[order] - middle) <= findings.band[rows[order]] + GRAIN
    out[rows[order]] = near & (np.repeat(count, count) >= SHIFT_LEAST)
    return out


def find_unbelievable(findings: Findings) -> None:
    """Doubt lengths that can't be true, that nothing confirms, or that the rest of their hole contradicts."""
    usable = findings.usable()
    absurd = usable & findings.absurd
    near, apart = confirmed(findings, usable & ~absurd)
    alone = usable & ~absurd & findings.far & ~near
    against = usable & ~absurd & ~alone & apart & ~near
    for which, code, words in (
        (absurd, ABSURD, _absurd_words), (alone, ALONE, _alone_words), (against, AGAINST, _against_words),
    ):  # fmt: skip
        _doubt(findings, np.flatnonzero(which), code, words)
    _against_plugs(findings)


def _doubt(findings: Findings, rows: IntArray, code: str, words: Callable[[Findings, int], str]) -> None:
    kinds = findings.arrays["characteristic"]

    def make(index: int) -> Problem:
        look = "Look at the gauge and its unit"
        if kinds[index] in (X, Y):
            look = "Look from which edges and in which unit it was measured"
        if code == PLUG_AGAINST:
            look = "Try the plug again"
        issue = warning(code, words(findings, index), action=f"{look}, measure again and correct the cell", holds=True)
        return findings.problem(issue, index, allowed=findings.allowed(index))

    kind = kinds[rows]
    findings.report_causes(rows, np.where(kind == Y, X, kind), make, 2)
    findings.mark(rows, code)


def _absurd_words(findings: Findings, index: int) -> str:
    kind = int(findings.arrays["characteristic"][index])
    if kind in (DIAMETER, PLUG):
        return "no drill or reamer taken for this size leaves such a hole"
    if kind in OF_KIND:
        return f"no {OF_KIND[kind].name} of this hole can be that{_of_another(findings, index)}"
    if kind == EDGE:
        return "the hole can't be that far from the edge" if _is_large(findings, index) else "the hole would be open"
    return "so far off basic that no hole drilled in the fixture can be there"


def _of_another(findings: Findings, index: int) -> str:
    """Return whose limits a value would fit that can't be its own: columns or rows were exchanged."""
    hole = findings.spec.holes[int(findings.arrays["hole"][index])]
    value, kind = float(findings.value[index]), int(findings.arrays["characteristic"][index])
    names = [
        OF_WORD[word].name for word, limits in hole.measured.items()
        if word != CHARACTERISTICS[kind] and not (value < limits.lower - GRAIN or value > limits.upper + GRAIN)
    ]  # fmt: skip
    return f"; it would fit its {names[0]}: likely exchanged" if names else ""


def _is_large(findings: Findings, index: int) -> bool:
    return bool(findings.value[index] > findings.lower[index])


def _alone_words(findings: Findings, index: int) -> str:
    return "far outside what the hole can be, and no other reading confirms it"


def _against_words(findings: Findings, index: int) -> str:
    a = findings.arrays
    kind = int(a["characteristic"][index])
    axis = {X: "x", Y: "y"}.get(kind, OF_KIND[kind].name if kind in OF_KIND else "size")
    most = findings.length(float(findings.apart[index]), index)
    return f"farther than {most} from every other reading of the hole's {axis}: one of them is wrong"


def _against_plugs(findings: Findings) -> None:
    """Doubt diameters and plug that contradict one another by more than they can differ: it stops, all are far larger.

    A plug that enters though a reading is smaller is looked at when the hole is judged (`inspection.disproved`).
    """
    a, holes = findings.arrays, findings.spec.holes
    walls = len(findings.spec.walls.names) + 1
    rows = np.flatnonzero(findings.usable() & (a["characteristic"] == DIAMETER))
    stops = (findings.doubt < 0) & (a["word"] == WORDS.index(STOPS)) & (a["hole"] >= 0)
    if not rows.size or not stops.any():
        return
    key = (findings.piece * len(holes) + a["hole"]) * walls + a["wall"] + 1
    smallest = np.full(int(key[a["hole"] >= 0].max()) + walls, np.inf)
    np.minimum.at(smallest, key[rows], findings.value[rows])
    hit = np.zeros(rows.size, dtype=np.bool_)
    plugs = []
    whole = key[rows] - a["wall"][rows] - 1
    for kind, sizes in ((GO, [h.plugs.go for h in holes]), (NO_GO, [h.plugs.no_go for h in holes])):
        plug = np.array([np.nan if size is None else size for size in sizes])
        tries = np.flatnonzero(stops & (a["characteristic"] == kind))
        stopped = np.isin(key[rows], key[tries]) | np.isin(whole, key[tries])
        most = plug[a["hole"][rows]] + bound("plug share") * findings.apart[rows] + GRAIN
        against = stopped & (smallest[key[rows]] > most)
        hit |= against
        plugs.append(tries[np.isin(key[tries], np.concatenate([key[rows], whole])[np.tile(against, 2)])])
    _doubt(findings, rows[hit], PLUG_AGAINST, _plug_words)
    findings.mark(np.concatenate(plugs), PLUG_AGAINST)


def _plug_words(findings: Findings, index: int) -> str:
    return "far larger than a plug that does not enter: one of them is wrong"
