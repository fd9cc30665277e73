"""What is said about a whole run of series: the head above the groups and the summary below them, 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from holeqc.reports.gauge_text import WIDTH, number, table
from holeqc.specification.words import limits_line

if TYPE_CHECKING:
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification
    from holeqc.statistics.capability import Capability
    from holeqc.statistics.charts import Chart
    from holeqc.statistics.normality import Stability
    from holeqc.statistics.position_capability import PositionCapability

CHART_HEAD = ("group", "points", "signals", "first at", "last at", "answer")
LONGEST = 24  #: characters of a group's name in the summary


def run_head(spec: Specification, readings: Readings, of: str, by: Sequence[str]) -> str:
    """Return which kit with its limits of size, how many parts, from when to when, and what is grouped how."""
    frame = readings.table
    parts = len(frame[["part", "serial"]].drop_duplicates())
    days = frame["date"].dropna()
    span = f", {days.min():%Y-%m-%d} to {days.max():%Y-%m-%d}" if len(days) else ""
    counted = f"{parts} part{'' if parts == 1 else 's'}{span}; {of} by {' and '.join(by)}"
    return "\n".join([*textwrap.wrap(limits_line(spec), WIDTH), *textwrap.wrap(counted, WIDTH)])


def summary(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return the summary of all groups, one line each."""
    return "\n".join(["Summary", *table(head, [(row[0][:LONGEST], *row[1:]) for row in rows])]) + "\n"


def _steady(found: Stability) -> str:
    return {True: "stable", False: "NOT STABLE", None: "not known"}[found.stable]


def capability_head(confidence: float) -> tuple[str, ...]:
    """Return the heading of the summary of capability."""
    return ("group", "n", "Cpk", "Ppk", f"{100 * confidence:g} % if normal", "outside", "stability")


def capability_row(group: str, result: Capability | PositionCapability) -> tuple[str, ...]:
    """Return the line of one group in the summary of capability."""
    from holeqc.statistics.capability import Capability

    if isinstance(result, Capability):
        percentile = result.percentile
        by_percentile = percentile is not None and (result.odd or result.overall.nearest is None)
        overall = percentile.Ppk if by_percentile and percentile else result.overall.nearest
        interval = percentile.interval if by_percentile and percentile else result.intervals.get("Ppk")
        short, outside = result.within_indices.nearest, result.outside.observed_count
    else:
        short, overall, interval, outside = None, result.Ppk, result.intervals.get("Ppk"), result.observed_count
    span = "-" if interval is None or None in interval else f"{number(interval[0], 3)} to {number(interval[1], 3)}"
    if isinstance(result, Capability) and span != "-" and by_percentile:
        span = f"any {span}"  # it holds for any shape
    return (group, str(result.n), number(short, 3), number(overall, 3), span, str(outside), _steady(result.stability))


def chart_row(group: str, made: Chart) -> tuple[str, ...]:
    """Return the line of one group in the summary of charts: how many signals, where the first and the last stand."""
    ends = [(s.points[0], s.points[-1]) for _, s in made.all_signals()]
    answer = "signals" if ends else "no signal" if np.isfinite(made.upper).any() else "no limits"
    if not ends:
        return (group, str(made.values.size), "0", "-", "-", answer)
    first, last = made.labels[min(e[0] for e in ends) - 1], made.labels[max(e[1] for e in ends) - 1]
    return (group, str(made.values.size), str(len(ends)), first, last, answer)


def signal_places(made: Chart) -> str:
    """Return for each test of a chart that signalled how often, and the names of its first and last point."""
    places: dict[tuple[str, str], list[int]] = {}
    counts: dict[tuple[str, str], int] = {}
    for title, signal in made.all_signals():
        places.setdefault((signal.test, title), []).extend(signal.points)
        counts[signal.test, title] = counts.get((signal.test, title), 0) + 1
    if not places:
        return ""
    rows = [
        (test, title, str(counts[test, title]), made.labels[min(at) - 1], made.labels[max(at) - 1])
        for (test, title), at in places.items()
    ]
    return "\n".join(table(("test", "on", "signals", "first at", "last at"), rows)) + "\n"
