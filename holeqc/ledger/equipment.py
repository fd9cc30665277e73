"""What is recorded of gauges and fixtures: calibrations, events, forecasts, and what rests on one that wasn't good."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Column, func, or_, select
from sqlalchemy import Table as SqlTable

from holeqc import door
from holeqc.characteristics import NUMBERS
from holeqc.inspection.results import gauge_of
from holeqc.ledger import schema as s
from holeqc.ledger.kits import stored_specification
from holeqc.ledger.read_back import (
    ChangeOfReadings,
    Filter,
    JudgedAgain,
    judge_again,
    newest_inspection,
    refuse_turned,
    same_name,
)
from holeqc.ledger.schema import batches, not_ahead, plain, shown, storable, today
from holeqc.problems import HoleQCError, LedgerError
from holeqc.quantities import convert

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Entry, Ledger
    from holeqc.specification.model import Specification
    from holeqc.tables import Table


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
    """Why a reading's gauge can't be relied on: ``found_bad`` the later calibration that found it out of tolerance;
    ``read_after``: it had been found so before it read.
    """

    sentence: str
    found_bad: dict[str, Any] | None = None
    read_after: bool = False


def doubt_of(gauge: str, day: str, known: Sequence[dict[str, Any]], kit_due: dt.date | None) -> GaugeDoubt | None:
    """Return what speaks against readings that a gauge took on a day; None where nothing does.

    ``known``: the gauge's calibrations by day; ``kit_due``: the due day in the kit file, which counts where no
    calibration before that day is recorded. Of the next calibration day the newest entry out of tolerance counts: one
    in tolerance of the same day may be of the gauge as it was left.
    """
    before = [c for c in known if str(c["day"]) <= day]
    after = [c for c in known if str(c["day"]) > day]
    if before:
        last = before[-1]
        if last["result"] == BAD:
            words = f"gauge {gauge} was found out of tolerance on {last['day']} and read on {day}"
            # of one day nobody knows which came first; the error that was found is reckoned with
            same_day = str(last["day"]) == day
            return GaugeDoubt(words, found_bad=last if same_day else None, read_after=not same_day)
        if last["due"] and day > str(last["due"]):
            return GaugeDoubt(f"gauge {gauge} was due for calibration on {last['due']} and read on {day}")
    elif kit_due is not None and day > kit_due.isoformat():
        return GaugeDoubt(f"gauge {gauge} was due for calibration on {kit_due} and read on {day}")
    bad = [c for c in after if c["result"] == BAD and c["day"] == after[0]["day"]]
    if bad:
        return GaugeDoubt(
            f"gauge {gauge} read on {day} and was found out of tolerance at its next calibration, on {bad[-1]['day']}",
            bad[-1],
        )
    return None


def times_of_doubt(gauge: str, known: Sequence[dict[str, Any]], kit_due: dt.date | None) -> list[tuple[str, str]]:
    """Return the times in which `doubt_of` speaks against readings: the first day and the one after the last.

    It changes where a calibration was done or after it was due, and at no other day.
    """
    first, last = dt.date.min.isoformat(), dt.date.max.isoformat()
    due = {str(c["due"]) for c in known if c["due"]} | ({kit_due.isoformat()} if kit_due is not None else set())
    late = {(dt.date.fromisoformat(day) + dt.timedelta(days=1)).isoformat() for day in due if day < last}
    days = sorted({first, *late, *(str(c["day"]) for c in known)})
    spans = zip(days, [*days[1:], last], strict=True)
    return [(day, end) for day, end in spans if doubt_of(gauge, day, known, kit_due) is not None]


# ------------------------------------------------------------------------------------------------------ what was logged


Row = dict[str, Any]


def calibration_log(ledger: Ledger, gauge: str = "") -> list[Row]:
    """Return the calibrations logged, of one gauge or of all, by day: columns of the schema and of each one's entry.

    Raises:
        LedgerError: nothing is logged of the gauge; those that are known are named.
    """
    return _logged(ledger, s.GAUGE_CALIBRATION, s.GAUGE_CALIBRATION.c.gauge, gauge, "calibration of gauge")


def fixture_log(ledger: Ledger, fixture: str = "") -> list[Row]:
    """Return the events logged, of one fixture or of all, by day: columns of the schema and of each one's entry.

    Raises:
        LedgerError: nothing is logged of the fixture; those that are known are named.
    """
    return _logged(ledger, s.FIXTURE_EVENT, s.FIXTURE_EVENT.c.fixture, fixture, "event of fixture")


def _logged(ledger: Ledger, table: SqlTable, name: Column[str], wanted: str, what: str) -> list[Row]:
    e = s.ENTRY.c
    question = (
        select(*table.columns, e.at, e.offset_minutes, e.made_by).join(s.ENTRY, e.seq == table.c.entry)
        .order_by(func.lower(name), table.c.day, table.c.id)
    )  # fmt: skip
    wanted = wanted.strip()
    with ledger.reading():
        rows = ledger.rows(question.where(same_name(name, wanted)) if wanted else question)
        if wanted and not rows:
            known = [str(row["name"]) for row in ledger.rows(select(name.label("name")).distinct().order_by(name))]
            raise LedgerError(
                f"ledger {ledger.location.shown}: no {what} {wanted} is logged; "
                + (f"there are those of {', '.join(known)}" if known else "none at all is")
            )
    return rows


# ------------------------------------------------------------------------------------------------- names that are known


NEAR = 0.6  #: share of equal characters from which on a name is suggested
SHOWN = 12  #: so many known names are listed where none is near


def known_gauges(ledger: Ledger, folder: Path) -> set[str]:
    """Return the gauges that a recorded kit, a calibration, or a kit file in ``folder`` names."""
    rows = ledger.rows(select(s.GAUGE_CALIBRATION.c.gauge).distinct())
    return {str(row["gauge"]) for row in rows} | {
        str(gauge["id"]) for kit in _kit_tables(ledger, folder) for gauge in _tables(kit, "gauge") if "id" in gauge
    }


def known_fixtures(ledger: Ledger, folder: Path) -> set[str]:
    """Return the fixtures that a recorded kit, an event, or a kit file in ``folder`` names."""
    rows = ledger.rows(select(s.FIXTURE_EVENT.c.fixture).distinct())
    return {str(row["fixture"]) for row in rows} | {
        str(fixture["id"])
        for kit in _kit_tables(ledger, folder)
        for fixture in _tables(kit, "fixture")
        if "id" in fixture
    }


def require_known(name: str, known: Iterable[str], what: str, *, new: bool = False) -> None:
    """Refuse a gauge or fixture that nothing names, unless it is said to be ``new``; ``what``: gauge or fixture.

    Raises:
        LedgerError: nothing names it; near names are suggested.
    """
    names = sorted(n for n in set(known) if n)
    given = storable(name.strip())
    if not given or new or given in names:
        return
    near = sorted(door.near_names(given, names, 3, NEAR))
    listed = ", ".join(names[:SHOWN]) + (f" and {len(names) - SHOWN} more" if len(names) > SHOWN else "")
    raise LedgerError(
        f"no kit names {what} {given}: "
        + (f"is {' or '.join(near)} meant?" if near else f"known are {listed}." if names else "none is known yet.")
        + f" If it is a {what} that no kit names yet, add --new; nothing was recorded"
    )


def _kit_tables(ledger: Ledger, folder: Path) -> list[dict[str, Any]]:
    """Return the kits as tables: those recorded and those in a folder; what can't be read is left out."""
    texts = [str(row["content"]) for row in ledger.rows(select(s.SPECIFICATION.c.content))]
    for path in door.named_so(folder, ".toml"):
        with contextlib.suppress(HoleQCError):
            texts.append(door.take(path, door.KIT).content.decode("utf-8", "replace"))
    kits = []
    for text in texts:
        try:
            kits.append(door.toml_values(text))
        except ValueError:
            continue  # a broken kit file names nothing; the commands that use it say what is wrong
    return kits


def _tables(kit: dict[str, Any], key: str) -> list[dict[str, Any]]:
    found = kit.get(key, [])
    return [t for t in (found if isinstance(found, list) else [found]) if isinstance(t, dict)]


LISTED = 12  #: so many known names are listed


def refuse_unknown_names(ledger: Ledger, wanted: Filter) -> None:
    """Refuse a question for a kit, revision, part or fixture that nothing in the ledger has; an empty list would read
    as if all were well.

    Raises:
        LedgerError: it names one that isn't known; those that are known are listed.
    """
    text, i = s.SPECIFICATION.c, s.INSPECTION.c
    asked = (
        ("kit", text.kit, wanted.kit), ("revision", text.revision, wanted.revision), ("part", i.part, wanted.part),
        ("fixture", text.fixture, wanted.fixture),
    )  # fmt: skip
    with ledger.reading():
        for what, column, given in asked:
            fits = same_name(column, given) if what == "fixture" else column == plain(given)
            if not given or ledger.rows(select(column.label("name")).where(fits).limit(1)):
                continue
            rows = ledger.rows(select(column.label("name")).where(column != "").distinct().order_by(column))
            names = [str(row["name"]) for row in rows]
            more = f" and {len(names) - LISTED} more" if len(names) > LISTED else ""
            known = f"it knows {', '.join(names[:LISTED])}{more}" if names else f"it knows no {what} at all"
            raise LedgerError(f"ledger {ledger.location.shown} knows no {what} {given!r}; {known}")


# ------------------------------------------------------------------------------------------------------------- suspects
# What rests on a gauge or a fixture that turned out not to be good: which parts, and how their verdicts would change.
#
# Judged again are the newest inspection of each part and every set whose approval stands. A length that the gauge read
# is corrected by the found error (reading minus error); what can't be corrected (error not known, a plug's word) is
# taken as doubtful, which can hold a part and never reject it.


DOUBT = "suspect-gauge"  #: the doubt of a reading that can't be corrected


@dataclass(frozen=True, slots=True)
class Suspect:
    """One inspection that rests on what is suspect.

    ``readings`` counts those in question, ``verdict`` is the recorded one, ``after`` the one with the error taken out
    ('' where a fixture is suspect: readings stand), ``changes`` says each hole that changes. ``approved``: its
    approval stands, as entry ``approval``.
    """

    inspection_id: int
    kit: str
    revision: str
    part: str
    serial: str
    first_day: str
    last_day: str
    readings: int
    verdict: str
    after: str = ""
    changes: tuple[str, ...] = ()
    approved: bool = False
    approval: int | None = None

    @property
    def changed(self) -> bool:
        """Whether the verdict would be another one."""
        return bool(self.after) and self.after != self.verdict


@dataclass(frozen=True, slots=True)
class Suspects:
    """All that rests on a gauge or fixture since a day; ``error`` in ``unit``, None where it isn't known."""

    what: str
    name: str
    since: str
    error: float | None = None
    unit: str = ""
    parts: tuple[Suspect, ...] = ()
    notes: tuple[str, ...] = field(default_factory=tuple)


def gauge_suspects(
    ledger: Ledger, gauge: str, since: dt.date, *, error: float | None = None, unit: str = ""
) -> Suspects:
    """Return every part whose verdict rests on a gauge's readings since a day, judged again without the error.

    ``error``: what the gauge reads minus what is true, in ``unit`` ('' : each kit's own). Without it, that of the
    last calibration that found the gauge out of tolerance is taken, if it is recorded.

    Raises:
        LedgerError: no kit in the ledger names the gauge, and no reading does.
    """
    notes: list[str] = []
    with ledger.reading():
        if error is None:
            known = calibrations(ledger, gauge)
            found = [c for c in known if c["result"] == BAD and str(c["day"]) >= since.isoformat()]
            if found and found[-1]["error"] is not None:
                error, unit = float(found[-1]["error"]), str(found[-1]["unit"])
                notes.append(f"error as found on {found[-1]['day']}, calibration of entry {found[-1]['entry']}")
        if error is None:
            notes.append("the error isn't known: every reading of the gauge counts as doubtful")
        rests = _resting(ledger, gauge, since)
        if not rests and not _gauge_is_known(ledger, gauge):
            raise LedgerError(f"ledger {ledger.location.shown}: no recorded kit or reading names gauge {gauge!r}")
        again = judge_again(ledger, list(rests), without_error(gauge, since, error, unit))
        rows = _inspections(ledger, list(rests))
        before = _hole_verdicts(ledger, list(rests))
    parts = tuple(_suspect(row, rests[int(row["id"])], again.get(int(row["id"])), before) for row in rows)
    return Suspects("gauge", gauge, since.isoformat(), error, unit, parts, tuple(notes))


def fixture_suspects(
    ledger: Ledger, fixture: str, since: dt.date | None = None, until: dt.date | None = None
) -> Suspects:
    """Return every part drilled with a fixture since its last good check; readings and verdicts stand as they are.

    ``since``: another day to begin with; ``until``: the day on which it became suspect (today).

    Raises:
        LedgerError: no recorded kit names the fixture.
    """
    last = until or today()
    refuse_turned(since, last)
    notes: list[str] = []
    with ledger.reading():
        refuse_unknown_names(ledger, Filter(fixture=fixture))
        begin = since.isoformat() if since else last_good_check(fixture_events(ledger, fixture), last)
        if since is None:
            found = f"last good check on {begin}" if begin else "no good check is recorded, so all its parts are listed"
            notes.append(found)
        i = s.INSPECTION.c
        wanted = [same_name(i.fixture, fixture), or_(newest_inspection(), _standing_approvals().exists())]
        if begin:
            wanted.append(or_(i.last_day.is_(None), i.last_day >= begin))
        wanted.append(or_(i.first_day.is_(None), i.first_day <= last.isoformat()))
        ids = [int(r["id"]) for r in ledger.rows(select(i.id).where(*wanted).order_by(i.id))]
        rows = _inspections(ledger, ids)
    parts = tuple(_suspect(row, int(row["readings"]), None, {}) for row in rows)
    return Suspects("fixture", fixture, begin or "", parts=parts, notes=tuple(notes))


def without_error(gauge: str, since: dt.date, error: float | None, unit: str) -> ChangeOfReadings:
    """Return what takes a gauge's error out of a table of readings from a day on; rows without a day included."""

    def change(spec: Specification, table: Table) -> Table:
        import numpy as np

        named, kind = table["gauge"], table["characteristic"]
        hit = np.zeros(len(table), dtype=np.bool_)
        for one, other in _pairs(spec, gauge, set(table.groups("gauge", "characteristic"))):
            hit |= (named == one) & (kind == other)
        hit &= np.isnat(table["date"]) | (table["date"] >= np.datetime64(since))
        amount = 0.0 if error is None else float(convert(error, unit or spec.unit, spec.unit))
        corrected = hit & kind.isin(() if error is None else NUMBERS)
        doubtful = hit & ~corrected & (table["doubt"] == "")
        return table.with_columns(
            value=np.where(corrected, table["value"] - amount, table["value"]),
            doubt=table["doubt"].where(~doubtful, DOUBT),
        )

    return change


def _pairs(spec: Specification, gauge: str, pairs: set[tuple[str, str]]) -> set[tuple[str, str]]:
    """Return the pairs of gauge named and characteristic that were read with a gauge."""
    found = set()
    for named, kind in pairs:
        if not kind:
            continue
        number, _ = gauge_of(spec, named, kind)
        if (spec.gauges[number].id if number >= 0 else named) == gauge:
            found.add((named, kind))
    return found


def _resting(ledger: Ledger, gauge: str, since: dt.date) -> dict[int, int]:
    """Return the inspections that rest on a gauge's readings since a day: id -> how many readings."""
    r, i = s.READING.c, s.INSPECTION.c
    question = (
        select(i.id, i.specification_id, r.gauge, r.characteristic, func.count().label("readings"))
        .select_from(s.INSPECTION)
        .join(s.ENTRY, s.ENTRY.c.seq == i.entry)
        .join(s.INSPECTION_SET, s.INSPECTION_SET.c.inspection_id == i.id)
        .join(s.READING, r.set_id == s.INSPECTION_SET.c.set_id)
        .where(or_(newest_inspection(), _standing_approvals().exists()))
        .where(or_(r.day >= since.isoformat(), r.day.is_(None) & (s.ENTRY.c.at >= since.isoformat())))
        .group_by(i.id, i.specification_id, r.gauge, r.characteristic)
        .order_by(i.id)
    )
    specs: dict[int, Specification] = {}
    found: dict[int, int] = {}
    for row in ledger.rows(question):
        number = int(row["specification_id"])
        if number not in specs:
            specs[number] = stored_specification(ledger, number)
        if _pairs(specs[number], gauge, {(str(row["gauge"]), str(row["characteristic"]))}):
            found[int(row["id"])] = found.get(int(row["id"]), 0) + int(row["readings"])
    return found


def _gauge_is_known(ledger: Ledger, gauge: str) -> bool:
    if ledger.rows(select(s.READING.c.line).where(s.READING.c.gauge == plain(gauge)).limit(1)):
        return True
    ids = [int(row["id"]) for row in ledger.rows(select(s.SPECIFICATION.c.id))]
    return any(stored_specification(ledger, number).gauge(gauge) is not None for number in ids)


def _standing_approvals() -> Any:
    return select(s.APPROVAL.c.id).where(s.APPROVAL.c.inspection_id == s.INSPECTION.c.id, s.approval_stands())


def _inspections(ledger: Ledger, ids: Sequence[int]) -> list[dict[str, Any]]:
    i, text = s.INSPECTION.c, s.SPECIFICATION.c
    entry = _standing_approvals().with_only_columns(func.max(s.APPROVAL.c.entry)).scalar_subquery().label("approval")
    rows: list[dict[str, Any]] = []
    for some in batches(ids):
        rows += ledger.rows(
            select(*s.INSPECTION.columns, text.kit, text.revision, entry)
            .join(s.SPECIFICATION, text.id == i.specification_id)
            .where(i.id.in_(some))
            .order_by(i.id)
        )
    return rows


def _hole_verdicts(ledger: Ledger, ids: Sequence[int]) -> dict[int, dict[str, str]]:
    h = s.HOLE_VERDICT.c
    out: dict[int, dict[str, str]] = {}
    for some in batches(ids):
        for row in ledger.rows(select(h.inspection_id, h.hole, h.verdict).where(h.inspection_id.in_(some))):
            out.setdefault(int(row["inspection_id"]), {})[str(row["hole"])] = str(row["verdict"])
    return out


def _suspect(
    row: dict[str, Any], readings: int, again: JudgedAgain | None, before: dict[int, dict[str, str]]
) -> Suspect:
    number = int(row["id"])
    changes: list[str] = []
    if again is not None:
        was = before.get(number, {})
        alike: dict[tuple[str, str, str], list[str]] = {}
        for hole, verdict in again.holes.items():
            if was.get(hole, verdict) != verdict:
                alike.setdefault((was[hole], verdict, again.why.get(hole, "")), []).append(hole)
        for (old, new, why), holes in alike.items():
            what = f"hole{'s' if len(holes) > 1 else ''} {', '.join(holes)}"
            changes.append(f"{what} {old} → {new}{f': {why}' if why else ''}")
        if again.pin_verdict != str(row["pin_verdict"]):
            changes.append(f"pins together {row['pin_verdict'] or '-'} → {again.pin_verdict or '-'}")
    entry = row["approval"]
    return Suspect(
        number, str(row["kit"]), str(row["revision"]), str(row["part"]), str(row["serial"]),
        str(row["first_day"] or ""), str(row["last_day"] or ""), readings, str(row["verdict"]),
        again.verdict if again else "", tuple(changes), entry is not None, None if entry is None else int(entry),
    )  # fmt: skip
