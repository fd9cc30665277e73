"""What to read on the next part: the plan that a history gives, put on record, and the sheet of one part's lot."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.answers import Answer, required_who
from holeqc.problems import DataError, HoleQCError

if TYPE_CHECKING:
    from holeqc.answers import Named
    from holeqc.fixture.history import Event
    from holeqc.inspection.reading_plan import PartialPlan
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

LOTS = 8  #: lots that are drawn to say how many readings a part takes
WHAT_IF = (
    "This plan is a look at files: nothing is accepted by it. Only one on record counts: --ledger LEDGER --record."
)
SEEN_BY = "Nothing is accepted on fewer readings unless drawing, contract and customer allow it. Default is off."


def reading_plan(
    *files: Named | Sequence[Named], events: str | Path | None = None, tolerances: str | Path | None = None,
    unit: str = "", ledger: str | Path = "", record: bool = False, by: str = "", out: str | Path | None = None,
) -> Answer:  # fmt: skip
    """Return which readings of the next parts are enough, from a history of parts read in full.

    Args:
        files: a kit and the readings of many parts; a kit alone with ``ledger``.
        events: table of events of the fixture, beside files; a ledger has its own. tolerances, unit: of files.
        ledger: readings and events on record; only such a plan counts. record: log it there; ``by`` says who.
        out: file for the plan as JSON.

    Raises:
        HoleQCError: input that can't be used, or a history that carries no plan, and why.
    """
    from holeqc.ledger.schema import today

    name = required_who(by, "who logs the plan") if record else ""
    if record and not ledger:
        raise DataError("--record logs a plan made from the record's own readings; give --ledger, not --history")
    entry = 0
    if ledger:
        spec, plan, entry = _of_ledger(files, str(ledger), str(today()), name)
    else:
        spec, plan = _of_files(files, events, tolerances, unit, str(today()))
    if out is not None:
        from holeqc import writer

        writer.write_text(Path(out), plan.text() + "\n")
    return _answer(spec, plan, entry)


def _of_ledger(files: Sequence[Any], ledger: str, made: str, name: str) -> tuple[Specification, PartialPlan, int]:
    from holeqc.answers.files import flat, loaded
    from holeqc.fixture.history import BUSHING, REPAIR, Event
    from holeqc.ledger import open_ledger
    from holeqc.ledger import reading_plans as kept
    from holeqc.ledger.read_back import Filter, recorded_readings

    kits = flat(files)
    if len(kits) != 1:
        raise DataError("with --ledger name the kit file, and no readings: they come from the ledger")
    given = loaded(kits[0])
    with open_ledger(ledger, create=False) as there:
        spec = kept.released_kit(there, given.id)
        if spec.digest != given.digest:
            raise DataError(f"{given.path} isn't the text of kit {given.id} that two persons released last")
        _, readings = recorded_readings(there, Filter(kit=spec.id, fixture=spec.fixture))
        logged = [(str(e["day"]), Event(BUSHING if "bushing" in str(e["event"]) else REPAIR, 0.0))
                  for e in kept.fixture_changes(there, spec.fixture)]  # fmt: skip
        worn, loose = _of_fixture(spec, readings, logged)
        plan = kept.plan_of_record(there, spec, made, worn=worn, loose=loose)
        return spec, plan, kept.record_plan(there, plan, name).seq if name else 0


def _of_files(files: Sequence[Any], events: Any, tolerances: Any, unit: str, made: str) -> (
        tuple[Specification, PartialPlan]):  # fmt: skip
    from holeqc.answers.files import flat, kit_and_files
    from holeqc.answers.fixture import events_of, events_table
    from holeqc.fixture.history import PLACE, SIZE, history_of
    from holeqc.inspection import reading_plan as rp
    from holeqc.inspection.recheck import inspect
    from holeqc.readings.containers import ReadOptions
    from holeqc.readings.read import read_files, without_rechecks

    path = None if events is None else Path(events)
    spec, paths, _ = kit_and_files(
        flat(files), None if tolerances is None else Path(tolerances), [path] if path else ()
    )
    readings = without_rechecks(read_files(paths, spec, ReadOptions(unit=unit)))
    logged = events_of(events_table(path), history_of(spec, readings))[0] if path else []
    worn, loose = _of_fixture(spec, readings, [("", event) for event in logged])
    parts = rp.history_parts(inspect(spec, readings), rp.slots_of(spec))
    starts = {kind: [int(e.cycle) - 1 for e in logged if e.touches(word)] for kind, word in (
        (rp.SIZE, SIZE), (rp.PLACE, PLACE))}  # fmt: skip
    return spec, rp.make(spec, parts, starts, made, worn, loose)


def _of_fixture(spec: Specification, readings: Readings, logged: Sequence[tuple[str, Event]]) -> (
        tuple[list[str], list[str]]):  # fmt: skip
    """Return the holes whose bushings drift, and those that scatter more and more, as the fixture's study has it.

    ``logged``: events with the day of those that no part places yet.
    """
    from dataclasses import replace

    from holeqc.fixture.history import history_of
    from holeqc.fixture.study import study

    try:
        history = history_of(spec, readings)
        placed = [replace(event, cycle=1.0 + float((history.date < np.datetime64(day)).sum())) if day else event
                  for day, event in logged]  # fmt: skip
        wear = study(history, sorted(placed, key=lambda e: e.cycle))
    except DataError:  # too few parts for it; the plan says so itself
        return [], []
    ids = spec.hole_ids
    return [hole for n, hole in enumerate(ids) if wear.drifts(n)], [ids[one.hole] for one in wear.loose]


def _answer(spec: Specification, plan: PartialPlan, entry: int) -> Answer:
    from holeqc.inspection import reading_plan as rp
    from holeqc.specification.words import limits_line

    slots, ask, model = rp.slots_of(spec), spec.plan, plan.model
    lots = [rp.asked_units(spec, plan, f"look {n}", [0] * len(spec.holes), plan.hands[n % len(plan.hands)], 1)
            for n in range(LOTS)]  # fmt: skip
    lengths = round(float(np.mean([slots.read_with(lot).size for lot in lots])))
    total = rp.readings_asked(spec, slots)
    checks, size = total - slots.hole.size, slots.hole.size
    sudden = 1.0 - 0.05 ** (1.0 / model.parts)
    left = f"; {len(plan.left_out)} left out, like no other: {_some(plan.left_out)}" if plan.left_out else ""
    tails = (
        "" if np.isinf(model.tails) else f"; tails as of a t with {model.tails:.0f} degrees of freedom reckoned with"
    )
    accepted, tried = plan.tried
    every = [f"each at least on every {ask.partial_every}th part"]
    drift = [hole for hole in plan.worn if hole not in plan.loose]
    every += [f"hole {_some(drift)} twice as often, since it drifts"] if drift else []
    every += [f"hole {_some(plan.loose)} on each part, since it scatters more and more"] if plan.loose else []
    lines = [
        f"Reads: about {lengths} of {size} sizes and coordinates"
        + (f", and all {checks} other readings" if checks else "")
        + f": {lengths + checks} of {total}. Which ones is drawn by lot for each part when its sheet is written",
        f"Holes: {'; '.join(every)}",
        f"Risk of a bad hole in an accepted part: at most {100 * ask.partial_risk:g} %, as long as parts are drilled "
        f"as those of the history ({model.parts} parts read in full{left}{tails})",
        f"Read in full all the same: at most {100 * ask.partial_hold:g} % of good parts for their risk, and 1 in "
        f"{1 / rp.ODD:.0f} for chance. Of {tried} good parts of the history it accepts {accepted}"
        + (f", and none of its {len(plan.bad)} rejected ones" if plan.bad else ""),
        f"Ends: after {ask.partial_parts} parts; at an event of the fixture, a gauge found off, a new kit text, a "
        f"rejected part, a part whose readings don't fit, a drift; after half a year. Then {rp.FRESH} parts are read "
        "in full",
    ]
    against = [
        f"The history shows no sudden fault in {model.parts} parts; so many exclude one in {1 / sudden:.0f} parts and "
        "no less (95 %)", *(text.format(every=ask.partial_every) for text in rp.NOT_COVERED),
    ]  # fmt: skip
    on = f"On record as entry {entry}." if entry else WHAT_IF
    head = f"Reading plan {plan.code}, fixture {plan.fixture or '-'}"
    text = "\n".join([
        *textwrap.wrap(limits_line(spec), 96), head, "",
        *(line for n, words in enumerate(lines, 1) for line in textwrap.wrap(words, 96, initial_indent=f"{n:>2}. ",
          subsequent_indent="    ")), "", "What the risk doesn't cover:",
        *(line for words in against for line in textwrap.wrap(words, 96, initial_indent="  - ",
          subsequent_indent="    ")),
        "", *textwrap.wrap(SEEN_BY, 96), on, "",
    ])  # fmt: skip
    data = {
        "plan": plan.code, "kit": plan.kit, "revision": plan.revision, "fixture": plan.fixture, "made": plan.made,
        "entry": entry or None, "parts": model.parts, "left_out": list(plan.left_out), "worn": list(plan.worn),
        "loose": list(plan.loose), "lengths": lengths, "of_lengths": size, "readings": lengths + checks, "of": total,
        "risk": ask.partial_risk, "hold": ask.partial_hold, "every": ask.partial_every, "ends_after": ask.partial_parts,
        "accepted_of_history": accepted, "tried": tried, "rejected_in_history": list(plan.bad), "not_covered": against,
    }  # fmt: skip
    return Answer(text, data)


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def write_lot(
    kit: Path, named: str, part: str, serial: str, ledger: str, by: str, out: Path, paper: str, replace: bool
) -> list[str]:  # fmt: skip
    """Draw the lot of a part by a plan on record, named by its code or file, write its sheet, return what to say of it.

    Raises:
        HoleQCError: the file isn't the plan on record, or the plan doesn't count for the part.
    """
    from holeqc import door
    from holeqc.answers.files import load_kit
    from holeqc.answers.sheets import page_of
    from holeqc.inspection import reading_plan as rp
    from holeqc.ledger import open_ledger
    from holeqc.ledger import reading_plans as kept
    from holeqc.readings.sheet import write_recheck
    from holeqc.readings.sheet_layout import Recheck
    from holeqc.specification.words import limits_line

    who, spec = required_who(by, "who has the lot drawn"), load_kit(kit)
    if len(spec.parts) > 1 and not part:
        raise HoleQCError("a plan speaks of one part: name it with --part")
    name = spec.part(part).name if part else spec.parts[0].name
    code = named.strip().upper()
    if Path(named).suffix:
        text = door.text_of(door.take(named, door.PLAN, error=DataError), DataError).strip()
        code = rp.PartialPlan.of(text, rp.slots_of(spec)).code
    with open_ledger(ledger, create=False) as there:
        plan = kept.kept_plan(there, spec.id, code)
        if plan.spec.digest != spec.digest:
            raise HoleQCError(f"reading plan {plan.plan.code} is of another text of kit {spec.id}")
        lot, new = kept.draw(there, plan, name, serial, who)
    rows = rp.sheet_rows(spec, lot["units"])
    of = f"reading plan {plan.plan.code}"
    write_recheck(spec, out, Recheck(of, name, serial, rows, {}, {}, plan=True), page_of(spec, paper), replace=replace)
    count = rp.slots_of(spec).read_with(lot["units"]).size
    drawn = "drawn now" if new else "drawn before"
    return [
        limits_line(spec),
        f"{out}: {count} sizes and coordinates of {name} {serial}, by lot of {of}, {drawn}, entry {lot['entry']}; all "
        "other readings of every hole",
        f"Check it filled with: holeqc check {kit} {out} --record --by WHO. Read nothing else; if a reading looks "
        "wrong, read the part in full on a new sheet",
    ]
