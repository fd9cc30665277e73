"""A drill fixture's history as it is asked: kit, readings of many parts, events in; what is worn, until when, out."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc.answers import Answer, required_who, several
from holeqc.answers.files import flat, kit_and_files, ledger_readings
from holeqc.problems import DataError, HoleQCError, ReadingsError

if TYPE_CHECKING:
    from holeqc.answers import Named
    from holeqc.fixture.history import Event, History
    from holeqc.fixture.result import Wear
    from holeqc.ledger.ledger import Entry
    from holeqc.problems import Problem
    from holeqc.readings.plain_table import Table
    from holeqc.readings.table import Readings, Source
    from holeqc.specification.model import Specification


MOST_PARTS = 20_000  #: of a record, in one study: more of them take gigabytes, and an old fixture says nothing of today


@dataclass(frozen=True, kw_only=True)
class FixtureAnswer(Answer):
    """The answer about a fixture: ``wear`` holds all that was found, in records; `holeqc.report` makes its pages."""

    wear: Wear
    kit: Specification
    sources: tuple[Source, ...]


def wear(
    *files: Named | Sequence[Named],
    events: str | Path | None = None,
    tolerances: str | Path | None = None,
    made: int = 0,
    unit: str = "",
    ledger: str | Path = "",
    where: str | Sequence[str] = (),
    record: bool = False,
    by: str = "",
) -> FixtureAnswer:
    """Return whether a drill fixture is worn: seating, bushings, trends, parts until a bushing must be changed.

    Args:
        files: a kit and the readings of many parts, in any order; their days say which came first.
        events: table of events: serial, cycle or date; event; bushing or all; note.
        tolerances: folder of kit files, where none is named. unit: of sheets that say none.
        made: parts drilled up to the last one of the files, if more than the files hold.
        ledger, where: readings of a record instead of sheets, chosen by ``KEY=VALUE``.
        record: log the forecast in that ledger, for what waits; ``by`` says who, else HOLEQC_BY.

    Raises:
        HoleQCError: input that can't be used, too few parts, or a forecast that can't go on record.
    """
    name = recorder(record, ledger, by)
    from holeqc.fixture.history import counted, counts_from, history_of
    from holeqc.fixture.study import study
    from holeqc.readings.table import Source
    from holeqc.reports.blocks import plain
    from holeqc.reports.wear import wear_text
    from holeqc.specification.words import limits_line

    path = None if events is None else Path(events)
    spec, readings = read_parts(
        flat(files), None if tolerances is None else Path(tolerances), unit, (str(ledger), several(where)), path
    )
    history = history_of(spec, readings)
    table = events_table(path) if path is not None else None
    history, doubts = _counted_in_files(history, readings)
    counts = {} if table is None else counts_from(_rows(table), history)
    history = counted(history, counts | ({len(history) - 1: made} if made else {}))
    logged, problems = events_of(table, history) if table is not None else ([], [])
    result = study(history, logged, [*readings.problems, *doubts, *problems])
    text = "\n".join([*textwrap.wrap(plain(limits_line(spec)), 96), wear_text(result)])
    sources = (*readings.sources, *([Source(table.file, table.sha256, table.bytes)] if table is not None else []))
    found = FixtureAnswer(text, result.as_dict, problems=result.problems, wear=result, kit=spec, sources=sources)
    if name:
        record_forecast(found, ledger, name)
    return found


def recorder(record: bool, ledger: str | Path, by: str) -> str:
    """Return who logs a forecast, '' for nobody; raises ``HoleQCError`` where a record lacks its ledger or a name."""
    if record and not ledger:
        raise DataError("--record logs what the record's own readings forecast; give --ledger too")
    return required_who(by, "who logs the forecast") if record else ""


def record_forecast(answer: FixtureAnswer, ledger: str | Path, by: str) -> Entry:
    """Log the parts left by bushing in a ledger that is there already, for what waits; return the entry."""
    from holeqc.fixture.result import due_bushings
    from holeqc.ledger import open_ledger
    from holeqc.ledger.equipment import record_forecast as record

    with open_ledger(ledger, create=False) as there:
        return record(there, answer.wear.history.fixture, due_bushings(answer.wear), by)


def read_parts(
    files: list[Path | Specification],
    tolerances: Path | None,
    unit: str,
    recorded: tuple[str, Sequence[str]],
    events: Path | None,
) -> tuple[Specification, Readings]:
    """Return kit and readings of parts as they were made, without rechecks, from files or from a ledger."""
    from holeqc.readings.containers import ReadOptions
    from holeqc.readings.read import read_files, without_rechecks

    ledger, where = recorded
    if ledger:
        if unit:
            raise DataError("--unit speaks of sheets; readings of a ledger have theirs")
        return ledger_readings(ledger, where, files, most=MOST_PARTS)
    if where:
        raise DataError("--where chooses readings of a ledger; give --ledger too")
    spec, paths, notes = kit_and_files(files, tolerances, [events] if events is not None else ())
    try:
        readings = without_rechecks(read_files(paths, spec, ReadOptions(unit=unit)))
    except ReadingsError:
        if events is not None or not (logs := [p for p in paths if _logs_events(p)]):
            raise
        raise ReadingsError(f"{logs[0]} is a table of events, not of readings: give it by --events") from None
    return spec, replace(readings, problems=(*notes, *readings.problems))


def _logs_events(path: Path) -> bool:
    try:
        return bool(events_table(path))
    except HoleQCError:
        return False


def _counted_in_files(history: History, readings: Readings) -> tuple[History, list[Problem]]:
    """Return the history with the parts counted by a column of the readings' own files, and why such isn't used."""
    from holeqc.fixture.history import COUNTED, counted, counts_from
    from holeqc.problems import WARNING, Problem
    from holeqc.readings.plain_table import find_column, read_table, text_column

    pairs: dict[tuple[str, str], None] = {}
    try:
        for source in readings.sources:
            count = next((c for c in source.columns if c.heading.strip().casefold() in COUNTED), None)
            serial = next((c for c in source.columns if c.field == "serial"), None)
            if count is not None and serial is not None:
                names = count.heading, serial.heading
                table = read_table(Path(source.file), count.sheet, wanted=names)
                columns = (text_column(table, find_column(table, name)).tolist() for name in names)
                pairs |= dict.fromkeys(zip(*columns, strict=True))
        rows = [{"cycle": count, "serial": serial} for count, serial in pairs]
        return counted(history, counts_from(rows, history)), []
    except HoleQCError as error:
        return history, [Problem(WARNING, "count-unused", f"the column that counts parts isn't used: {error}")]


def events_table(path: Path) -> Table:
    """Return the table of events of a fixture.

    Raises:
        ReadingsError: the file can't be used, or no column says what was done or where it belongs.
    """
    from holeqc.fixture.history import HEADINGS
    from holeqc.readings.plain_table import read_table

    table = read_table(path, wanted=[name for names in HEADINGS.values() for name in names])
    headings = {name.casefold() for name in table.names}
    placed = [*HEADINGS["serial"], *HEADINGS["cycle"], *HEADINGS["date"]]
    for what, names in (("what was done", HEADINGS["event"]), ("before which part or on which day", placed)):
        if not headings & set(names):
            problem = table.problem("no-column", f"no column says {what}", found=", ".join(filter(None, table.names)),
                                    allowed=", ".join(names), action="Is this the table of events?")  # fmt: skip
            raise ReadingsError(problem.sentence(), [problem])
    return table


def events_of(table: Table, history: History) -> tuple[list[Event], list[Problem]]:
    """Return the events of a table, and what is wrong with its rows."""
    from holeqc.fixture.history import events_from

    events, problems = events_from(_rows(table), history, table.file, [int(row) + 1 for row in table.rows])
    return events, [*table.problems, *problems]


def _rows(table: Table) -> list[dict[str, str]]:
    from holeqc.readings.plain_table import text_column

    columns = [text_column(table, n).tolist() for n in range(len(table.names))]
    return [dict(zip(table.names, row, strict=True)) for row in zip(*columns, strict=True)]
