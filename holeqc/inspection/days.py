"""Days of readings that still were to come when the sheet was read: nothing follows from them about a gauge."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holeqc.problems import Problem
    from holeqc.readings.table import Readings

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
