"""The sentences about what is held by readings that prove nothing: doubtful cells, gauges, temperatures."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from holeqc.inspection.causes import MEANING
from holeqc.inspection.gauges import gauge_of
from holeqc.inspection.phrases import Row, hole_words, place_of
from holeqc.inspection.results import HOLD, Reason
from holeqc.inspection.temperature import ACTION

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.problems import Problem

#: causes that touch many readings at once, and what to do about them
UNPROVED = {
    "no-uncertainty": "State the gauge's uncertainty in the kit file.",
    "no-gauge": "Name the gauge on the sheet, or a default in the kit file.",
    "unknown-gauge": "Name a gauge of the kit, or add the gauge to the kit file.",
    "gauge-expired": "Read again with a gauge that is in calibration.",
    "no-temperature": "Write the part's temperature on the sheet.",
    "unknown-part": "Name the part as the kit does.",
    "temperature-left-out": ACTION,
}


def doubted(inspection: Inspection, rows: Sequence[Row]) -> Reason:
    """Return the reason for everything on one hole that one kind of doubtful reading holds, with its problem."""
    row = next((r for r in rows if r["reading"] >= 0), rows[0])
    cell = place_of(inspection, row["reading"])
    problem = _problem_of(inspection, row, cell)
    names = _listed(r["characteristic"] for r in rows)
    text = f"{hole_words(inspection, row)}: a doubtful reading holds {names}"
    action = "Look at the reading and check the sheet again."
    if problem is not None:
        text += f": {problem.message}"
        text += f", found {problem.found}" if problem.found else ""
        text += f", allowed {problem.allowed}" if problem.allowed else ""
        action = problem.action or action
        cell = cell or (f"{problem.sheet}!{problem.cell}" if problem.sheet and problem.cell else problem.cell)
    else:
        text += f" ({row['cause']})"
    place = f" ({cell})" if cell else ""
    return Reason(HOLD, f"{text}{place}.", row["hole"], row["wall"], row["characteristic"], cell, action)


def _listed(names: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(names))


def _problem_of(inspection: Inspection, row: Row, cell: str) -> Problem | None:
    """Return the problem behind a doubt: that of the deciding cell, else one of that code in the hole."""
    same = [p for p in inspection.problems if p.code == row["cause"]]
    here = [p for p in same if cell and cell in {f"{p.sheet}!{p.cell}", p.cell}]
    ours = [p for p in same if (p.serial, p.hole) == (row["serial"], row["hole"])]
    return next(iter(here or ours), None)


def proves_nothing(inspection: Inspection, rows: Sequence[Row]) -> Reason:
    """Return the reason for everything on a part that one cause holds, such as a gauge out of date."""
    cause = str(rows[0]["cause"])
    holes = _listed(row["hole"] for row in rows)
    text = f"{_listed(row['characteristic'] for row in rows)} of hole{'s' if ', ' in holes else ''} {holes} can't be "
    text += f"decided: {MEANING[cause]}"
    row = next((r for r in rows if r["reading"] >= 0), None)
    cell = place_of(inspection, row["reading"]) if row is not None else ""
    if row is not None and cause == "gauge-expired":
        text += _expired(inspection, row)
    only = rows[0]["hole"] if ", " not in holes else ""
    text = text[0].upper() + text[1:] + (f" ({cell})" if cell else "")
    return Reason(HOLD, f"{text}.", only, "", "", cell, UNPROVED[cause])


def _expired(inspection: Inspection, row: Row) -> str:
    """Return which gauge, the day of the reading and the day on which the calibration ended."""
    spec = inspection.specification
    reading = inspection.readings.table.loc[row["reading"]]
    index, _ = gauge_of(spec, str(reading["gauge"]), str(reading["characteristic"]))
    gauge = spec.gauges[index]
    return f": {gauge.id}, read on {reading['date']:%Y-%m-%d}, due {gauge.calibration_due}"
