"""What waits for somebody: tags, parts to approve, to read again or in question, gauges, kits, fixtures."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.ledger.equipment import BAD, Forecast, calibrations, forecasts
from holeqc.ledger.kits import newest_release, stored_specification
from holeqc.ledger.obstacles import findings
from holeqc.ledger.questions import Question, open_questions
from holeqc.ledger.stories import newest_parts, part_story
from holeqc.ledger.tags import TagState, find_tags

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger
    from holeqc.problems import Problem

Row = dict[str, Any]
MOST = 100  #: of so many parts, the newest, it is asked what stands in their way
NEAR = 30  #: days before a gauge's calibration is due
NEAR_PARTS = 30  #: parts before which a bushing should be changed (common practice, no source)


@dataclass(frozen=True, slots=True)
class Waiting:
    """What waits, each list the oldest first.

    ``gauges``: gauge, due day, whether it is past; ``off``: gauges that their last calibration found out of tolerance,
    its day; ``kits``: kit and revision whose newest text isn't the one released; ``fixtures``: forecasts that come due
    within `NEAR_PARTS`; ``blocked``: serial numbers that wait for no tag and no reading, why they can't be approved
    all the same, and what to do; ``left_out``: parts not approved that weren't looked at; ``untagged``: how many are
    held and have no tag, as in a history logged for trends alone; ``day``: as of which.
    """

    tags: tuple[TagState, ...]
    ready: tuple[Row, ...]
    questions: tuple[Question, ...]
    held: tuple[Row, ...]
    gauges: tuple[tuple[str, str, bool], ...]
    kits: tuple[tuple[str, str], ...]
    off: tuple[tuple[str, str], ...]
    fixtures: tuple[Forecast, ...]
    day: dt.date
    blocked: tuple[tuple[tuple[str, ...], str, str], ...] = ()
    left_out: int = 0
    untagged: int = 0


def waiting(ledger: Ledger, today: dt.date) -> Waiting:
    """Return what waits, as of one moment."""
    with ledger.reading():
        rows = [row for row in newest_parts(ledger) if not row["approved"] and not row["not_for_use"]]
        accepted = [row for row in rows if row["verdict"] == "accept" or not row["open_tags"]]
        asked = accepted[-MOST:]
        last = {str(row["gauge"]): row for row in calibrations(ledger)}
        off = tuple((gauge, str(row["day"])) for gauge, row in last.items() if row["result"] == BAD)
        ways = [(row, _in_the_way(ledger, row)) for row in asked]
        ready = tuple(row for row, way in ways if not way)
        held = [row for row in rows if row["verdict"] == "hold" and row not in ready]
        blocked: dict[tuple[str, str], list[str]] = {}
        for row, way in ways:
            if way and row["verdict"] != "hold" and not row["open_tags"]:
                blocked.setdefault((way[0].message, way[0].action), []).append(str(row["serial"]))
        return Waiting(
            tuple(find_tags(ledger, only_open=True)), ready, tuple(open_questions(ledger)),
            tuple(row for row in held if row["open_tags"]), _gauges(ledger, today, last), _kits(ledger),
            off, tuple(one for one in forecasts(ledger) if one.left <= NEAR_PARTS), today,
            tuple((tuple(serials), why, what) for (why, what), serials in blocked.items()), len(accepted) - len(asked),
            sum(not row["open_tags"] for row in held),
        )  # fmt: skip


def _in_the_way(ledger: Ledger, row: Row) -> tuple[Problem, ...]:
    story = part_story(ledger, str(row["serial"]), kit=str(row["kit"]), part=str(row["part"]))
    one = next(x for x in story.inspections if x.row["id"] == row["id"])
    return findings(ledger, one).obstacles


def _newest_texts(ledger: Ledger) -> dict[str, Row]:
    text = s.SPECIFICATION.c
    rows = ledger.rows(select(text.id, text.kit, text.revision, text.digest).order_by(text.id))
    return {str(row["kit"]): row for row in rows}


def _kits(ledger: Ledger) -> tuple[tuple[str, str], ...]:
    found = []
    for kit, row in _newest_texts(ledger).items():
        newest = newest_release(ledger, kit)
        if newest is None or newest["digest"] != row["digest"]:
            found.append((kit, str(row["revision"])))
    return tuple(found)


def _gauges(ledger: Ledger, today: dt.date, calibrated: Mapping[str, Row]) -> tuple[tuple[str, str, bool], ...]:
    """Return gauges of the kits in force past their day or near it: by the last calibration logged, else by the kit.

    Those that it found out of tolerance are left out: no day makes them good.
    """
    due: dict[str, str] = {}
    for kit, row in _newest_texts(ledger).items():
        newest = newest_release(ledger, kit)
        spec = stored_specification(ledger, int(newest["specification_id"] if newest else row["id"]))
        for gauge in spec.gauges:
            if gauge.calibration_due is not None:
                due[gauge.id] = max(due.get(gauge.id, ""), gauge.calibration_due.isoformat())
    for name, row in calibrated.items():
        if row["result"] == BAD:
            due.pop(name, None)
        elif row["due"]:
            due[name] = str(row["due"])
    last = (today + dt.timedelta(days=NEAR)).isoformat()
    near = [(gauge, day, day < today.isoformat()) for gauge, day in due.items() if day <= last]
    return tuple(sorted(near, key=lambda one: one[1]))
