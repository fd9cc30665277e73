"""What is recorded of gauges and fixtures: calibrations, events, forecasts, whether a gauge was good on a day."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from holeqc.ledger import schema as s
from holeqc.ledger.filters import same_name
from holeqc.ledger.times import not_ahead, shown
from holeqc.ledger.values import plain
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Entry, Ledger

GOOD, BAD = s.CALIBRATION_RESULTS
CHECKED = "checked"


@dataclass(frozen=True, slots=True)
class Calibration:
    """A calibration of a gauge.

    ``error``: what the gauge reads minus what is true, as found, in ``unit`` (in or mm); None where it isn't known.
    ``uncertainty``: U at k = 2 of that error. ``due``: the day of the next one.
    """

    gauge: str
    day: dt.date
    result: str
    due: dt.date | None = None
    error: float | None = None
    uncertainty: float | None = None
    unit: str = ""
    certificate: str = ""
    note: str = ""


def record_calibration(ledger: Ledger, calibration: Calibration, by: str) -> Entry:
    """Record a calibration.

    Raises:
        LedgerError: no gauge named, a result that isn't known, an error without its unit, a day to come, a due day
            before the day.
    """
    c = calibration
    if not c.gauge.strip():
        raise LedgerError("name the gauge that was calibrated")
    if c.result not in s.CALIBRATION_RESULTS:
        raise LedgerError(f"result {c.result!r} is not known; give {' or '.join(s.CALIBRATION_RESULTS)}")
    if (c.error is not None or c.uncertainty is not None) and c.unit not in {"in", "mm"}:
        raise LedgerError(f"error and uncertainty of gauge {c.gauge} need their unit: in or mm")
    not_ahead(c.day, f"the calibration of gauge {c.gauge}")
    if c.due is not None and c.due < c.day:
        raise LedgerError(f"gauge {c.gauge}: due on {c.due}, before the calibration on {c.day}")
    row = {
        "gauge": c.gauge.strip(), "day": c.day, "result": c.result, "due": c.due, "error": c.error,
        "uncertainty": c.uncertainty, "unit": c.unit, "certificate": c.certificate, "note": c.note,
    }  # fmt: skip
    return ledger.entry("calibration", by, {"gauge_calibration": [row]})


def calibrations(ledger: Ledger, gauge: str = "") -> list[dict[str, Any]]:
    """Return the calibrations that are recorded, of one gauge or of all, by day; columns of the schema."""
    table = s.GAUGE_CALIBRATION
    question = select(table).order_by(table.c.day, table.c.id)
    return ledger.rows(question.where(table.c.gauge == plain(gauge)) if gauge else question)


def record_fixture_event(
    ledger: Ledger, fixture: str, event: str, day: dt.date, by: str, *, bushing: str = "", good: bool | None = None,
    note: str = "",
) -> Entry:  # fmt: skip
    """Record what happened to a fixture; ``good`` says how a check came out.

    Raises:
        LedgerError: no fixture named, an event that isn't known, a check without its outcome, a day still to come.
    """
    if not fixture.strip():
        raise LedgerError("name the fixture")
    if event not in s.FIXTURE_EVENTS:
        raise LedgerError(f"event {event!r} is not known; events are {', '.join(s.FIXTURE_EVENTS)}")
    if event == CHECKED and good is None:
        raise LedgerError("say how the check of the fixture came out: good or not good")
    not_ahead(day, f"{event!r} of fixture {fixture}")
    row = {
        "fixture": fixture.strip(), "event": event, "day": day, "bushing": bushing, "note": note,
        "good": None if good is None else int(good),
    }  # fmt: skip
    return ledger.entry("fixture", by, {"fixture_event": [row]})


def fixture_events(ledger: Ledger, fixture: str = "") -> list[dict[str, Any]]:
    """Return the events that are recorded, of one fixture or of all, by day; columns of the schema."""
    table = s.FIXTURE_EVENT
    question = select(table).order_by(table.c.day, table.c.id)
    return ledger.rows(question.where(same_name(table.c.fixture, fixture)) if fixture else question)


FORECAST = "forecast of fixture "  #: setting that holds the last forecast of a fixture
CHANGED = ("made", "bushing changed", "repaired", "retired")  #: events after which a forecast says nothing more


@dataclass(frozen=True, slots=True)
class Forecast:
    """Before how many more parts a bushing should be changed, counted from the record as it is now.

    ``left`` is less than 0 where more parts were recorded since than the forecast left; ``limit``: what is reached.
    """

    fixture: str
    bushing: str
    limit: str
    left: int
    day: str


def record_forecast(ledger: Ledger, fixture: str, bushings: Sequence[tuple[str, str, int]], by: str) -> Entry:
    """Record a forecast made from the record's own readings: bushing, its limit, parts left; none: nothing wears.

    Raises:
        LedgerError: no fixture named.
    """
    if not fixture.strip():
        raise LedgerError("the kit names no fixture, so its forecast can't be recorded")
    value = json.dumps([list(row) for row in bushings], ensure_ascii=False)
    return ledger.entry("setting", by, {"setting": [{"name": FORECAST + fixture.strip(), "value": value}]})


def forecasts(ledger: Ledger) -> list[Forecast]:
    """Return what the last forecast of each fixture says now, the nearest first.

    Parts first recorded after it are taken off what it left; a bushing that was changed since is left out.
    """
    e, i = s.ENTRY.c, s.INSPECTION.c
    asked = (
        select(*s.SETTING.columns, e.at, e.offset_minutes).join(s.ENTRY, e.seq == s.SETTING.c.entry)
        .where(s.SETTING.c.name.startswith(FORECAST, autoescape=True)).order_by(s.SETTING.c.id)
    )  # fmt: skip
    out = []
    with ledger.reading():
        newest = {str(row["name"]).removeprefix(FORECAST): row for row in ledger.rows(asked)}
        for fixture, row in newest.items():
            since = select(func.count().label("parts")).where(
                i.entry > row["entry"], i.follows.is_(None), same_name(i.fixture, fixture)
            )
            (parts,) = ledger.rows(since)
            changed = {
                str(event["bushing"]) for event in fixture_events(ledger, fixture)
                if event["entry"] > row["entry"] and event["event"] in CHANGED
            }  # fmt: skip
            out += [
                Forecast(fixture, str(bushing), str(limit), int(left) - int(parts["parts"]),
                         shown(str(row["at"]), int(row["offset_minutes"]))[:10])
                for bushing, limit, left in json.loads(str(row["value"])) if not {"", str(bushing)} & changed
            ]  # fmt: skip
    return sorted(out, key=lambda one: (one.left, one.fixture, one.bushing))


def last_good_check(events: Sequence[dict[str, Any]], before: dt.date) -> str | None:
    """Return the day of the last check that was good, not after ``before``; None where there is none."""
    good = [str(e["day"]) for e in events if e["event"] == CHECKED and e["good"] == 1]
    return max((day for day in good if day <= before.isoformat()), default=None)


@dataclass(frozen=True, slots=True)
class GaugeDoubt:
    """Why a reading's gauge can't be relied on: ``found_bad`` the later calibration that found it out of tolerance."""

    sentence: str
    found_bad: dict[str, Any] | None = None


def doubt_of(gauge: str, day: str, known: Sequence[dict[str, Any]], kit_due: dt.date | None) -> GaugeDoubt | None:
    """Return what speaks against readings that a gauge took on a day; None where nothing does.

    ``known``: the gauge's calibrations by day; ``kit_due``: the due day in the kit file, which counts where no
    calibration before that day is recorded.
    """
    before = [c for c in known if str(c["day"]) <= day]
    after = [c for c in known if str(c["day"]) > day]
    if before:
        last = before[-1]
        if last["result"] == BAD:
            return GaugeDoubt(f"gauge {gauge} was found out of tolerance on {last['day']} and read on {day}")
        if last["due"] and day > str(last["due"]):
            return GaugeDoubt(f"gauge {gauge} was due for calibration on {last['due']} and read on {day}")
    elif kit_due is not None and day > kit_due.isoformat():
        return GaugeDoubt(f"gauge {gauge} was due for calibration on {kit_due} and read on {day}")
    if after and after[0]["result"] == BAD:
        return GaugeDoubt(
            f"gauge {gauge} read on {day} and was found out of tolerance at its next calibration, on {after[0]['day']}",
            after[0],
        )
    return None
