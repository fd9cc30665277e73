"""Inspections judged again from the ledger: as they were, or with something about their readings changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc.characteristics import unit_of
from holeqc.inspection.results import VERDICTS, words_of
from holeqc.ledger import schema as s
from holeqc.ledger.kits import stored_specification
from holeqc.ledger.read_back import readings_of_inspections
from holeqc.ledger.values import plain
from holeqc.problems import LedgerError
from holeqc.quantities import DECIMALS, format_length
from holeqc.specification.model import SINGLE_WALL

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Ledger
    from holeqc.ledger.stories import InspectionStory
    from holeqc.specification.model import Specification

#: takes a kit and its table of readings, gives the table to judge instead
Change = Callable[["Specification", "pd.DataFrame"], "pd.DataFrame"]
MOST = 400  #: parts judged in one go, so that memory stays small


@dataclass(frozen=True, slots=True)
class JudgedAgain:
    """The verdict of one inspection judged again: ``holes`` hole -> verdict, ``why`` hole -> what decides, in words."""

    inspection_id: int
    verdict: str
    pin_verdict: str
    holes: dict[str, str] = field(default_factory=dict)
    why: dict[str, str] = field(default_factory=dict)


def inspection_again(ledger: Ledger, inspection_id: int) -> Inspection:
    """Return an inspection judged again, alone, from its recorded readings and kit text.

    Raises:
        LedgerError: there is no such inspection.
    """
    row = _rows(ledger, [inspection_id])[0]
    spec = stored_specification(ledger, int(row["specification_id"]))
    return _judge(ledger, spec, [inspection_id], None)


def judge_again(ledger: Ledger, ids: Sequence[int], change: Change | None = None) -> dict[int, JudgedAgain]:
    """Return the verdicts of inspections judged again, with ``change`` made to their readings before.

    Raises:
        LedgerError: one of them isn't there.
    """
    out: dict[int, JudgedAgain] = {}
    with ledger.reading():
        for specification_id, pieces in _rounds(_rows(ledger, ids)):
            spec = stored_specification(ledger, specification_id)
            inspection = _judge(ledger, spec, list(pieces.values()), change)
            out |= _verdicts(inspection, pieces)
    return out


def _rows(ledger: Ledger, ids: Sequence[int]) -> list[dict[str, Any]]:
    i = s.INSPECTION.c
    rows: list[dict[str, Any]] = []
    for start in range(0, len(ids), MOST):
        some = list(ids[start : start + MOST])
        rows += ledger.rows(select(i.id, i.specification_id, i.part, i.serial).where(i.id.in_(some)).order_by(i.id))
    missing = sorted(set(ids) - {int(row["id"]) for row in rows})
    if missing:
        raise LedgerError(f"ledger {ledger.location.shown}: there is no inspection {missing[0]}")
    return rows


def _rounds(rows: Sequence[dict[str, Any]]) -> list[tuple[int, dict[tuple[str, str], int]]]:
    """Return inspections in rounds of one kit text in which no part occurs twice: (part, serial) -> id."""
    rounds: dict[int, list[dict[tuple[str, str], int]]] = {}
    for row in rows:
        key = (str(row["part"]), str(row["serial"]))
        of_kit = rounds.setdefault(int(row["specification_id"]), [])
        free = next((r for r in of_kit if key not in r and len(r) < MOST), None)
        if free is None:
            of_kit.append({key: int(row["id"])})
        else:
            free[key] = int(row["id"])
    return [(kit, pieces) for kit, of_kit in rounds.items() for pieces in of_kit]


def _judge(ledger: Ledger, spec: Specification, ids: Sequence[int], change: Change | None) -> Inspection:
    from holeqc.inspection.recheck import inspect

    readings = readings_of_inspections(ledger, spec, ids)
    if change is not None:
        readings = replace(readings, table=change(spec, readings.table))
    return inspect(spec, readings)


def _verdicts(inspection: Inspection, pieces: dict[tuple[str, str], int]) -> dict[int, JudgedAgain]:
    out: dict[int, JudgedAgain] = {}
    parts = inspection.parts
    for part, serial, verdict, pins in zip(
        parts["part"], parts["serial"], parts["verdict"], parts["pin_verdict"], strict=True
    ):
        number = pieces.get((plain(str(part)), plain(str(serial))))
        if number is not None:
            word = "" if pins < 0 else s.VERDICTS[int(pins)]
            out[number] = JudgedAgain(number, s.VERDICTS[int(verdict)], word)
    holes = inspection.holes
    for part, serial, hole, verdict in zip(
        holes["part"], holes["serial"], holes["hole"], holes["verdict"], strict=True
    ):
        number = pieces.get((plain(str(part)), plain(str(serial))))
        if number in out:
            out[number].holes[str(hole)] = s.VERDICTS[int(verdict)]
    frame = inspection.characteristics
    wrong = frame[frame["verdict"] > 0].sort_values("verdict", ascending=False, kind="stable")
    unit = inspection.specification.unit
    for row in wrong.to_dict("records"):
        number = pieces.get((plain(str(row["part"])), plain(str(row["serial"]))))
        if number in out:
            out[number].why.setdefault(str(row["hole"]), _why(row, unit))
    return out


def _why(row: dict[str, Any], unit: str) -> str:
    wall = "" if row["wall"] == SINGLE_WALL else str(row["wall"])
    name = ", ".join(word for word in (str(row["characteristic"]), wall) if word)
    found = float(row["found"])
    unit = unit_of(str(row["characteristic"]), unit)
    shown = str(row["found_word"]) or (format_length(found, unit, DECIMALS[unit]) if found == found else "")
    return f"{name} {shown}".strip() + f" ({words_of(str(row['cause']))})"


def refuse_other_verdict(one: InspectionStory, inspection: Inspection) -> None:
    """Refuse an inspection whose recorded readings are judged otherwise today: its report would contradict the record.

    Raises:
        LedgerError: the part or a hole has another verdict now.
    """
    now = {str(h): VERDICTS[int(v)] for h, v in zip(inspection.holes["hole"], inspection.holes["verdict"], strict=True)}
    was = {str(row["hole"]): str(row["verdict"]) for row in one.holes}
    verdict = VERDICTS[int(inspection.parts["verdict"].max())]
    if verdict != one.row["verdict"] or now != was:
        differing = ", ".join(f"hole {h}: {was.get(h)} then, {now[h]} now" for h in now if now[h] != was.get(h))
        raise LedgerError(
            f"inspection {one.row['id']} was judged {one.row['verdict']} by holeqc {one.row['tool']}, and is judged "
            f"{verdict} by this version ({differing or 'the part as a whole'}); nothing was recorded. Use the version "
            "that judged it, or record its sheet again"
        )
