"""What rests on a gauge or a fixture that turned out not to be good: which parts, and how their verdicts would change.

Judged again are the newest inspection of each part and every set whose approval stands. A length that the gauge read is
corrected by the found error (reading minus error); what can't be corrected (error not known, a plug's word) is taken as
doubtful, which can hold a part and never reject it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, or_, select

from holeqc.characteristics import NUMBERS
from holeqc.inspection.evidence import gauge_of
from holeqc.ledger import schema as s
from holeqc.ledger.again import Change, JudgedAgain, judge_again
from holeqc.ledger.equipment import BAD, calibrations, fixture_events, last_good_check
from holeqc.ledger.filters import Filter, newest_inspection, refuse_turned, same_name
from holeqc.ledger.kits import stored_specification
from holeqc.ledger.named_in import refuse_unknown
from holeqc.ledger.pieces import codes
from holeqc.ledger.times import today
from holeqc.ledger.values import plain
from holeqc.problems import LedgerError
from holeqc.quantities import convert

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.ledger.ledger import Ledger
    from holeqc.specification.model import Specification

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
        if not rests and not _known(ledger, gauge):
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
        refuse_unknown(ledger, Filter(fixture=fixture))
        begin = since.isoformat() if since else last_good_check(fixture_events(ledger, fixture), last)
        if since is None:
            found = f"last good check on {begin}" if begin else "no good check is recorded, so all its parts are listed"
            notes.append(found)
        i = s.INSPECTION.c
        wanted = [same_name(i.fixture, fixture), or_(newest_inspection(), _stands().exists())]
        if begin:
            wanted.append(or_(i.last_day.is_(None), i.last_day >= begin))
        wanted.append(or_(i.first_day.is_(None), i.first_day <= last.isoformat()))
        ids = [int(r["id"]) for r in ledger.rows(select(i.id).where(*wanted).order_by(i.id))]
        rows = _inspections(ledger, ids)
    parts = tuple(_suspect(row, int(row["readings"]), None, {}) for row in rows)
    return Suspects("fixture", fixture, begin or "", parts=parts, notes=tuple(notes))


def without_error(gauge: str, since: dt.date, error: float | None, unit: str) -> Change:
    """Return what takes a gauge's error out of a table of readings from a day on; rows without a day included."""

    def change(spec: Specification, table: pd.DataFrame) -> pd.DataFrame:
        import numpy as np
        import pandas as pd

        (named, names), (kind, kinds) = codes(table["gauge"]), codes(table["characteristic"])
        pairs, of_row = np.unique(named * len(kinds) + kind, return_inverse=True)
        said = [(names[pair // len(kinds)], kinds[pair % len(kinds)]) for pair in pairs.tolist()]
        resting = _pairs(spec, gauge, set(said))
        hit = np.array([pair in resting for pair in said], dtype=np.bool_)[of_row.reshape(-1)]
        day = table["date"].to_numpy()
        hit &= np.isnat(day) | (day >= np.datetime64(since))
        lengths = hit & np.array([word in NUMBERS for word in kinds], dtype=np.bool_)[kind]
        corrected = lengths if error is not None else np.zeros_like(hit)
        table = table.copy()
        if error is not None:
            amount = float(convert(error, unit or spec.unit, spec.unit))
            table["value"] = np.where(corrected, table["value"].to_numpy() - amount, table["value"].to_numpy())
        doubt = table["doubt"].astype(str).to_numpy()
        table["doubt"] = pd.Categorical(np.where(hit & ~corrected & (doubt == ""), DOUBT, doubt))
        return table

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
        .where(or_(newest_inspection(), _stands().exists()))
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


def _known(ledger: Ledger, gauge: str) -> bool:
    if ledger.rows(select(s.READING.c.line).where(s.READING.c.gauge == plain(gauge)).limit(1)):
        return True
    ids = [int(row["id"]) for row in ledger.rows(select(s.SPECIFICATION.c.id))]
    return any(stored_specification(ledger, number).gauge(gauge) is not None for number in ids)


def _stands() -> Any:
    back = select(s.WITHDRAWAL.c.id).where(s.WITHDRAWAL.c.approval_id == s.APPROVAL.c.id)
    return select(s.APPROVAL.c.id).where(s.APPROVAL.c.inspection_id == s.INSPECTION.c.id, ~back.exists())


def _inspections(ledger: Ledger, ids: Sequence[int]) -> list[dict[str, Any]]:
    i, text = s.INSPECTION.c, s.SPECIFICATION.c
    entry = _stands().with_only_columns(func.max(s.APPROVAL.c.entry)).scalar_subquery().label("approval")
    rows: list[dict[str, Any]] = []
    for start in range(0, len(ids), 500):
        rows += ledger.rows(
            select(*s.INSPECTION.columns, text.kit, text.revision, entry)
            .join(s.SPECIFICATION, text.id == i.specification_id)
            .where(i.id.in_(ids[start : start + 500]))
            .order_by(i.id)
        )
    return rows


def _hole_verdicts(ledger: Ledger, ids: Sequence[int]) -> dict[int, dict[str, str]]:
    h = s.HOLE_VERDICT.c
    out: dict[int, dict[str, str]] = {}
    for start in range(0, len(ids), 500):
        some = ids[start : start + 500]
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
