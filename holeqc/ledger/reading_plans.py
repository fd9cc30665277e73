"""Reading plans on record: the plan, what it asks of each part by lot, what it said of the part, and when it ends.

Only what is on record counts, never a file: a plan is made from the record's own readings, its text is kept whole, and
a sheet's readings are judged by the lot that was drawn for that serial number. The seed of a lot is taken from the
system's source of randomness and the newest entry when the sheet is written, and is recorded, so nobody knows it before
and anyone can draw it again. A part that was read before, in whatever way, is none for a plan.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import func, select

from holeqc.inspection import reading_plan as rp
from holeqc.inspection.results import VERDICTS, Planned
from holeqc.ledger import schema as s
from holeqc.ledger.equipment import BAD, CHECKED, calibrations, fixture_events
from holeqc.ledger.kits import newest_release, parsed_specification, stored_specification
from holeqc.ledger.read_back import Filter, planned_again, recorded_readings, same_name
from holeqc.ledger.schema import plain, shown
from holeqc.problems import DataError, LedgerError
from holeqc.sampling import reading_plan as core

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Entry, EntryWriter, Ledger
    from holeqc.specification.model import Specification

Row = dict[str, Any]
DAYS = 180  #: a plan ends after half a year, whatever was drilled (ours: no source says how long a history counts)
SIDES = {"bushing changed": (rp.SIZE, rp.PLACE)}  #: event -> what it changes; any other, but a good check, both


@dataclass(frozen=True, slots=True)
class Kept:
    """A plan on record: its entry, the moment and day of it, and the kit text that it is of."""

    plan: rp.PartialPlan
    entry: int
    day: str
    spec: Specification


# ------------------------------------------------------------------------------------------------------------ the plan


def released_kit(ledger: Ledger, kit: str) -> Specification:
    """Return the kit text that two persons released last, if it permits plans.

    Raises:
        LedgerError: none was released, or it permits no part to be accepted on some of its readings.
    """
    newest = newest_release(ledger, kit)
    if newest is None:
        raise LedgerError(f"kit {kit} isn't released: two persons release its text first (holeqc kit release)")
    spec = stored_specification(ledger, int(newest["specification_id"]))
    if not spec.plan.partial:
        raise LedgerError(f"kit {kit} revision {spec.revision} permits no plan: [plan] partial = true, released by two "
                          "persons, says that drawing, contract and customer allow it")  # fmt: skip
    return spec


def plan_of_record(
    ledger: Ledger, spec: Specification, made: str, *, worn: Sequence[str] = (), loose: Sequence[str] = (),
    before: int = 0, serials: Sequence[str] = (),
) -> rp.PartialPlan:  # fmt: skip
    """Return the plan that the readings on record give, judged by one kit text.

    ``before``, ``serials``: as it was before an entry, of the parts that were there then.

    Raises:
        DataError, LedgerError: the record doesn't carry a plan, and why.
    """
    from holeqc.inspection.recheck import inspect

    _, readings = recorded_readings(ledger, Filter(kit=spec.id, fixture=spec.fixture, serials=tuple(serials)))
    parts = rp.history_parts(inspect(spec, readings), rp.slots_of(spec))
    starts: dict[str, list[int]] = {rp.SIZE: [], rp.PLACE: []}
    for event in fixture_changes(ledger, spec.fixture):
        if not before or event["entry"] < before:
            later = np.flatnonzero(parts.days >= np.datetime64(str(event["day"])))
            for kind in SIDES.get(str(event["event"]), (rp.SIZE, rp.PLACE)):
                starts[kind].append(int(later[0]) if later.size else len(parts.serials))
    if not before and (fresh := _since_last(ledger, spec, parts)) < rp.FRESH:
        raise LedgerError(f"{fresh} parts were read in full since the plan before this one; {rp.FRESH} are needed "
                          "between two plans")  # fmt: skip
    return rp.make(spec, parts, starts, made, worn, loose)


def _since_last(ledger: Ledger, spec: Specification, parts: rp.HistoryParts) -> int:
    """Return how many parts were read in full since the last plan of a kit, `rp.FRESH` where there was none."""
    last = newest_plan_row(ledger, spec.id)
    if last is None:
        return rp.FRESH
    i = s.INSPECTION.c
    new = {str(r["serial"]) for r in ledger.rows(select(i.serial).where(i.entry > last["entry"], i.follows.is_(None)))}
    whole = np.flatnonzero(~np.isnan(parts.rows).any(axis=1))
    return sum(parts.serials[n] in new for n in whole)


def record_plan(ledger: Ledger, plan: rp.PartialPlan, by: str) -> Entry:
    """Record a plan that was made from the record; it takes the place of the one before.

    Raises:
        LedgerError: its kit text isn't the one that is released, or permits none.
    """
    spec = released_kit(ledger, plan.kit)
    if spec.digest != plan.kit_sha256:
        raise LedgerError(f"the plan is of another text of kit {plan.kit} than the one released")
    return ledger.entry("setting", by, {"setting": [{"name": s.PLAN + plan.kit, "value": plan.text()}]})


def newest_plan_row(ledger: Ledger, kit: str) -> Row | None:
    """Return the newest plan of a kit as it is on record, None where there is none."""
    rows = _settings(ledger, s.PLAN + kit)
    return rows[-1] if rows else None


def _settings(ledger: Ledger, name: str) -> list[Row]:
    c, e = s.SETTING.c, s.ENTRY.c
    return ledger.rows(
        select(*s.SETTING.columns, e.at, e.offset_minutes, e.made_by, e.kind).join(s.ENTRY, e.seq == c.entry)
        .where(c.name == plain(name)).order_by(c.id)
    )  # fmt: skip


def kept_plan(ledger: Ledger, kit: str, code: str = "") -> Kept:
    """Return a plan on record by its code, the newest of the kit where none is named.

    Raises:
        LedgerError: there is none.
    """
    for row in reversed(_settings(ledger, s.PLAN + kit)):
        data = json.loads(str(row["value"]))
        texts = select(s.SPECIFICATION).where(s.SPECIFICATION.c.digest == plain(str(data["kit_sha256"])))
        found = ledger.rows(texts.where(s.SPECIFICATION.c.kit == plain(kit)))
        if not found:
            continue
        spec = parsed_specification(found[0])
        plan = rp.PartialPlan.of(str(row["value"]), rp.slots_of(spec))
        if code in ("", plan.code):
            return Kept(plan, int(row["entry"]), shown(str(row["at"]), int(row["offset_minutes"]))[:10], spec)
    raise LedgerError(f"kit {kit}: no reading plan {code} is on record; holeqc plan KIT.toml --ledger LEDGER --record "
                      "makes one".replace("plan  is", "plan is"))  # fmt: skip


# ------------------------------------------------------------------------------------------------------- when it ends


def fixture_changes(ledger: Ledger, fixture: str) -> list[Row]:
    """Return the events of a fixture that may have changed what it drills."""
    good = [e for e in fixture_events(ledger, fixture) if not (e["event"] == CHECKED and e["good"] == 1)]
    return good if fixture else []


def ended(ledger: Ledger, kept: Kept, *, until: int = 0, day: str = "") -> str:
    """Return why a plan is at its end; '' where it is in force.

    ``until``: an entry up to which it counted, and ``day`` of the part's last reading: what was logged later of an
    earlier day counts all the same.
    """
    plan, spec = kept.plan, kept.spec

    def since(row: Row, of: str = "") -> bool:
        entry = int(row["entry"])
        return entry > kept.entry and (not until or entry < until or bool(of and day and of <= day))

    for event in fixture_changes(ledger, plan.fixture):
        if since(event, str(event["day"])):
            return f"{event['event']} was logged of fixture {plan.fixture} as entry {event['entry']}"
    for row in calibrations(ledger):
        if row["result"] == BAD and since(row, str(row["day"])) and spec.gauge(str(row["gauge"])) is not None:
            return f"gauge {row['gauge']} was found out of tolerance, entry {row['entry']}"
    release = newest_release(ledger, plan.kit)
    if release is None or (release["digest"] != plan.kit_sha256 and since(release)):
        return f"another text of kit {plan.kit} was released"
    newest = newest_plan_row(ledger, plan.kit)
    if newest is not None and since(newest):
        return f"a newer plan was recorded as entry {newest['entry']}"
    for result in results(ledger, kept):
        if result["surprise"] and since(result):
            return f"part {result['serial']} fell out of it, entry {result['entry']}: {result['why']}"
    i = s.INSPECTION.c
    asked = select(i.serial, i.entry).where(i.entry > kept.entry, i.verdict == VERDICTS[2])
    same = same_name(i.fixture, plan.fixture) if plan.fixture else (i.specification_id.in_(
        select(s.SPECIFICATION.c.id).where(s.SPECIFICATION.c.kit == plain(plan.kit))))  # fmt: skip
    for row in ledger.rows(asked.where(same).order_by(i.entry)):
        if since(row):
            return f"part {row['serial']} was rejected, entry {row['entry']}"
    if not until and len(draws(ledger, kept)) >= spec.plan.partial_parts:
        return f"{spec.plan.partial_parts} parts were read by it"
    last = (dt.date.fromisoformat(kept.day) + dt.timedelta(days=DAYS)).isoformat()
    if (day or s.today().isoformat()) > last:
        return f"it is of {kept.day}, more than {DAYS} days old"
    return ""


# ------------------------------------------------------------------------------------------------------------ the lots


def draws(ledger: Ledger, kept: Kept) -> list[Row]:
    """Return the lots drawn for parts by a plan, in order: entry, day, serial, part, seed, units, count."""
    return _of_plan(ledger, s.PLAN_LOT, kept)


def results(ledger: Ledger, kept: Kept) -> list[Row]:
    """Return what a plan said of parts, in order: entry, inspection, serial, accepted, surprise, why, units, scores."""
    return _of_plan(ledger, s.PLAN_RESULT, kept)


def _of_plan(ledger: Ledger, name: str, kept: Kept) -> list[Row]:
    out = []
    for row in _settings(ledger, name + kept.plan.kit):
        data = json.loads(str(row["value"]))
        if data["plan"] == kept.plan.code:
            day = shown(str(row["at"]), int(row["offset_minutes"]))[:10]
            out.append(data | {"entry": int(row["entry"]), "day": day})
    return out


def _ages(kept: Kept, rows: Sequence[Row]) -> list[int]:
    """Return how many of some parts came since each hole was last among what was read, or asked."""
    slots = rp.slots_of(kept.spec)
    ages = [0] * len(kept.spec.holes)
    for row in rows:
        read = {slots.units[n][0] for n in row["units"]}
        ages = [0 if hole in read else age + 1 for hole, age in enumerate(ages)]
    return ages


def draw(ledger: Ledger, kept: Kept, part: str, serial: str, by: str) -> tuple[Row, bool]:
    """Return the lot of a part, drawn and recorded now, or as it was drawn before; and whether it is new.

    Raises:
        LedgerError: the plan is at its end, or the part was read before or is in the plan's history.
    """
    with ledger.transaction() as transaction:
        for row in draws(ledger, kept):
            if row["serial"] == serial:
                if row["part"] != part:
                    raise LedgerError(f"{serial}: drawn before as part {row['part']}, entry {row['entry']}")
                return row, False
        if why := ended(ledger, kept) or _read_before(ledger, kept, serial):
            raise LedgerError(f"reading plan {kept.plan.code}: {why}. Read {serial} in full")
        mine, done = draws(ledger, kept), results(ledger, kept)
        # a lot that nobody reads must not count as a look at its holes, nor two benches wait for one another
        ages = [max(pair) for pair in zip(_ages(kept, mine), _ages(kept, done), strict=True)]
        seed = hashlib.sha256((secrets.token_hex(32) + transaction.head[1]).encode()).hexdigest()
        count = max(len(mine), _drilled_since(ledger, kept)) + 1
        units = rp.asked_units(kept.spec, kept.plan, seed, ages, part, count)
        lot: Row = {"plan": kept.plan.code, "serial": serial, "part": part, "seed": seed, "units": list(units),
                    "count": count, "ages": ages}  # fmt: skip
        value = json.dumps(lot, ensure_ascii=False)
        entry = ledger.entry("setting", by, {"setting": [{"name": s.PLAN_LOT + kept.plan.kit, "value": value}]})
        return lot | {"entry": entry.seq}, True


def _drilled_since(ledger: Ledger, kept: Kept) -> int:
    i = s.INSPECTION.c
    rows = ledger.rows(select(func.count().label("n")).where(
        i.entry > kept.entry, i.follows.is_(None), same_name(i.fixture, kept.plan.fixture)))  # fmt: skip
    return int(rows[0]["n"])


def _read_before(ledger: Ledger, kept: Kept, serial: str) -> str:
    if serial in kept.plan.serials:
        return f"{serial} is in the history that it was made from"
    sets = s.READING_SET.c
    asked = select(s.FILE.c.entry).join(s.FILE, s.FILE.c.id == sets.file_id)
    asked = asked.join(s.SPECIFICATION, s.SPECIFICATION.c.id == s.FILE.c.specification_id)
    rows = ledger.rows(asked.where(sets.serial == plain(serial), s.SPECIFICATION.c.kit == plain(kept.plan.kit)))
    return f"{serial} was read before, entry {rows[0]['entry']}" if rows else ""


# --------------------------------------------------------------------------------------------------------- the verdict


def applied(ledger: Ledger, inspection: Inspection) -> Inspection:
    """Return an inspection with the plans applied to its parts that were read in part and have a lot on record.

    A sheet that is on record already keeps what was said of it.
    """
    spec = inspection.specification
    if not spec.plan.partial or inspection.readings.before is not None or newest_plan_row(ledger, spec.id) is None:
        return inspection
    planned: list[Planned] = []
    for part, serial in rp.read_in_part(inspection):
        lots = [
            r
            for r in map(_value, _settings(ledger, s.PLAN_LOT + spec.id))
            if (r["part"], r["serial"]) == (part, serial)
        ]
        if lots:
            planned.append(_one(ledger, inspection, part, serial, lots[-1]))
    return rp.with_plans(inspection, planned)


def _value(row: Row) -> Row:
    return json.loads(str(row["value"])) | {
        "entry": int(row["entry"]), "day": shown(str(row["at"]), int(row["offset_minutes"]))[:10],
    }  # fmt: skip


def _one(ledger: Ledger, inspection: Inspection, part: str, serial: str, lot: Row) -> Planned:
    spec = inspection.specification
    try:
        kept = kept_plan(ledger, spec.id, str(lot["plan"]))
    except (LedgerError, DataError) as error:
        return Planned(part, serial, str(lot["plan"]), False, str(error), 0, 0)
    mine = inspection.readings.rows.where(serial=serial)
    days = mine["date"].astype("datetime64[D]")
    last = "" if np.isnat(days).any() else str(days.max())
    sheets = sorted({x.sha256 for x in inspection.readings.sources if x.file in mine["file"].there()})
    known = [r for r in results(ledger, kept) if (r["part"], r["serial"], r["sheets"]) == (part, serial, sheets)]
    why = ""
    if known:
        why = str(known[-1]["why"]) if not known[-1]["accepted"] else ""
    elif spec.digest != kept.plan.kit_sha256 or spec.fixture != kept.plan.fixture:
        why = "it is of another text of the kit, or of another fixture"
    elif not last or str(days.min()) < str(lot["day"]):
        why = f"the readings have no day, or one before the lot was drawn on {lot['day']}"
    elif len(sheets) != 1:
        why = "the part stands in several files"
    else:
        why = ended(ledger, kept, day=last) if not _full(ledger, kept) else ended(ledger, kept, until=2**62, day=last)
        why = why or _read_before(ledger, kept, serial)
    found = rp.judged(spec, kept.plan, inspection, (part, serial), lot["units"], int(lot["count"]), why)
    if found.scores and not known and (name := _drift(ledger, kept, found.scores)):
        return replace(found, accepted=False, surprise=True, why=f"{name} moves: its cumulative sum over the plan's "
                       "parts is beyond its limit")  # fmt: skip
    return found


def _full(ledger: Ledger, kept: Kept) -> bool:
    """Whether as many parts were drawn as the plan is for: the last of them still counts."""
    return len(draws(ledger, kept)) >= kept.spec.plan.partial_parts


def _drift(ledger: Ledger, kept: Kept, scores: Mapping[str, float]) -> str:
    """Return the hole and what of it that drifts over the parts read by a plan, '' for none."""
    before = [r["scores"] for r in results(ledger, kept)]
    for name in scores:
        if core.cusum(np.array([row.get(name, np.nan) for row in [*before, scores]], dtype=np.float64)):
            return f"hole {name}"
    return ""


def result_rows(
    ledger: Ledger, inspection: Inspection
) -> Callable[[EntryWriter, Any, Sequence[tuple[str, str]]], None]:
    """Return what writes the plans' verdicts beside the inspections of one entry: writer, ids, names of the pieces."""
    spec = inspection.specification
    lots = {(r["part"], r["serial"]): r for r in map(_value, _settings(ledger, s.PLAN_LOT + spec.id))}
    table, sources = inspection.readings.rows, inspection.readings.sources

    def write(writer: EntryWriter, ids: Any, names: Sequence[tuple[str, str]]) -> None:
        rows = []
        for one in inspection.planned:
            number, lot = int(ids[list(names).index((one.part, one.serial))]), lots[one.part, one.serial]
            files = table.where(serial=one.serial)["file"].there()
            data = {
                "plan": one.plan, "serial": one.serial, "part": one.part, "inspection": number,
                "accepted": one.accepted, "surprise": one.surprise, "why": one.why, "lot": lot["entry"],
                "units": lot["units"] if one.scores else [], "count": lot["count"],
                "scores": one.scores, "read": one.read, "total": one.total,
                "risk": None if one.risk != one.risk else one.risk,
                "sheets": sorted({x.sha256 for x in sources if x.file in files}),
            }  # fmt: skip
            if number >= 0:
                rows.append({"name": s.PLAN_RESULT + spec.id, "value": json.dumps(data, ensure_ascii=False)})
        writer.add_mapped(s.SETTING, rows)

    return write


# ------------------------------------------------------------------------------------------------------ before approval


def against(ledger: Ledger, kit: str, inspection_id: int, last_day: str) -> list[str]:
    """Return what stands in the way of approving a part that a plan accepted; nothing for any other part."""
    found = planned_again(ledger, kit, inspection_id)
    if found is None:
        return []
    kept = kept_plan(ledger, kit, str(found["plan"]))
    entry = int(found["entry"])
    why = []
    if text := ended(ledger, kept, until=entry, day=last_day):
        why.append(f"reading plan {kept.plan.code} was at its end: {text}")
    read = {rp.slots_of(kept.spec).units[n][0] for n in found["units"]}
    return why + [
        f"part {later['serial']} fell out of the plan since, entry {later['entry']}; the holes that weren't read of "
        "this one may have the same fault" for later in results(ledger, kept)
        if later["surprise"] and later["entry"] > entry and len(read) < len(kept.spec.holes)
    ]  # fmt: skip


def refuse_other_plan(ledger: Ledger, kit: str, inspection_id: int) -> None:
    """Refuse a part whose plan isn't the one that the record's readings give: somebody wrote it past `record_plan`.

    Raises:
        LedgerError: it isn't, or its lot doesn't follow from its seed.
    """
    found = planned_again(ledger, kit, inspection_id)
    if found is None:
        return
    kept = kept_plan(ledger, kit, str(found["plan"]))
    plan = kept.plan
    again = plan_of_record(ledger, kept.spec, plan.made, worn=plan.worn, loose=plan.loose, before=kept.entry,
                           serials=plan.serials)  # fmt: skip
    close = again.serials == plan.serials and again.segments == plan.segments and all(
        a.shape == b.shape and np.allclose(a, b, rtol=1e-6, atol=1e-9)
        for a, b in zip([*again.model.beta, again.model.scale, again.model.dof], [*plan.model.beta, plan.model.scale,
                        plan.model.dof], strict=True)
    )  # fmt: skip
    if not close:
        raise LedgerError(f"reading plan {plan.code}, entry {kept.entry}, isn't what the readings on record give: "
                          "nothing that was accepted by it can be approved; read the part in full")  # fmt: skip
    lot = next((r for r in draws(ledger, kept) if r["entry"] == found["lot"]), None)
    if lot is None or list(rp.asked_units(kept.spec, plan, str(lot["seed"]), lot["ages"], str(lot["part"]), int(
            lot["count"]))) != list(found["units"]):  # fmt: skip
        raise LedgerError(f"the lot of {found['serial']} doesn't follow from its seed: read the part in full")
