"""What was logged of gauges and fixtures, as tables for the screen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from holeqc.quantities import format_length
from holeqc.reports import wording as w
from holeqc.reports.record_text import table_text, when

Row = Mapping[str, Any]


def calibrations_text(rows: Sequence[Row]) -> str:
    """Return logged calibrations as a table; the error is what the gauge read minus what was true, as found."""
    if not rows:
        return "No calibration is logged.\n"
    heads = ("Gauge", "Day", "As found", "Error", "Due", "Certificate", "Logged", "By", "Entry", "Note")
    cells = [
        [
            w.plain(r["gauge"]), str(r["day"]), str(r["result"]), _error(r), str(r["due"] or "-"),
            w.plain(r["certificate"]) or "-", when(r), w.plain(r["made_by"]), str(r["entry"]),
            w.plain(r["note"]) or "-",
        ]
        for r in rows
    ]  # fmt: skip
    return table_text(heads, cells) + f"\n{w.plural(len(rows), 'calibration')}\n"


def _error(row: Row) -> str:
    if row["error"] is None:
        return "-"
    unit = str(row["unit"])
    sign = "+" if float(row["error"]) > 0 else ""
    return f"{sign}{format_length(float(row['error']), unit, 5 if unit == 'in' else 4)} {unit}"


def fixture_events_text(rows: Sequence[Row]) -> str:
    """Return logged events of fixtures as a table."""
    if not rows:
        return "No event of a fixture is logged.\n"
    heads = ("Fixture", "Day", "Event", "Bushing", "Logged", "By", "Entry", "Note")
    cells = [
        [
            w.plain(r["fixture"]), str(r["day"]), _event(r), w.plain(r["bushing"]) or "-", when(r),
            w.plain(r["made_by"]), str(r["entry"]), w.plain(r["note"]) or "-",
        ]
        for r in rows
    ]  # fmt: skip
    return table_text(heads, cells) + f"\n{w.plural(len(rows), 'event')}\n"


def _event(row: Row) -> str:
    how = {1: ", good", 0: ", not good"}.get(row["good"], "")
    return f"{row['event']}{how}"
