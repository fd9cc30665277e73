"""Gauges of readings: which applies, what it can resolve, whether its calibration held; days that can't be."""

from __future__ import annotations

import datetime as dt

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import FloatArray, convert, decimals_of
from holeqc.readings.dates import BETWEEN_SYSTEMS
from holeqc.readings.draft import UNIT_CODES, Array
from holeqc.readings.findings import Findings
from holeqc.readings.grid import IntArray
from holeqc.readings.issues import note, warning
from holeqc.readings.table import CHARACTERISTICS, LENGTHS
from holeqc.specification.model import Gauge, Specification

FINER_NAMED = 3  #: readings finer than their gauge are named one by one up to so many, then counted
YEARS_BACK = 3 * 365
YEARS_OLD = 5  #: a day so long before its gauge is due is a slip, calibrations are shorter (common practice, no source)
YEARS_AGO = 10  #: a day so long before today is told where no due date decides (common practice, no source)
GRACE_DAYS = 1  #: a sheet filled in east of here may carry tomorrow's day
DAY_UNKNOWN = "gauge-day-unclear"


def gauge_for(spec: Specification, named: str, characteristic: str) -> Gauge | None:
    """Return a reading's gauge: the one named if it measures such a thing, the plan's, or the only one that does."""
    fitting = {g.id: g for g in spec.gauges if characteristic in g.measures}
    default = {"diameter": spec.plan.diameter_gauge}.get(characteristic, spec.plan.position_gauge)
    for gauge_id in (named, default):
        if gauge_id in fitting:
            return fitting[gauge_id]
    return next(iter(fitting.values())) if len(fitting) == 1 else None


def _gauges(findings: Findings, rows: IntArray) -> tuple[IntArray, list[Gauge | None]]:
    """Return a number a reading into a short list of gauges, None for no gauge."""
    a = findings.arrays
    names = findings.draft.gauge.texts
    key = (a["gauge"][rows].astype(np.int64) + 1) * 32 + a["characteristic"][rows]
    distinct, inverse = np.unique(key, return_inverse=True)
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
            "Measure again with a gauge in calibration, or have the gauge checked",
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
    for number in np.unique(key):
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
    lengths = (a["characteristic"][rows] < len(LENGTHS)) & np.isfinite(a["raw"][rows]) & ~np.isnan(step)
    rows, step = rows[lengths & (findings.doubt[rows] < 0)], step[lengths & (findings.doubt[rows] < 0)]
    if not rows.size:
        return
    own = a["unit"][rows] == UNIT_CODES.index(unit)
    off = np.abs(a["raw"][rows] / step - np.rint(a["raw"][rows] / step)) * step
    fine = own & (off > 1e-7)
    if (~own).any():
        other = "mm" if unit == "in" else "in"
        foreign = np.flatnonzero(~own)
        distinct, inverse = np.unique(a["raw"][rows[foreign]], return_inverse=True)
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
        f"steps of {findings.length(gauge.resolution or 0.0)}",
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
    usual = np.sort(date[known])[known.size // 2]
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
