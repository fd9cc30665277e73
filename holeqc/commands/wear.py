"""`holeqc wear`: is the fixture worn, which bushing, until when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from holeqc import printing
from holeqc.commands.finding import TOLERANCES_HELP
from holeqc.commands.from_ledger import FROM_HELP, WHERE_HELP

if TYPE_CHECKING:
    from holeqc.fixture.history import Event, History
    from holeqc.problems import Problem
    from holeqc.readings.plain_table import Table
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification


def wear(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[KIT.toml] FILES...",
            show_default=False,
            readable=False,
            help="The kit file and the readings of many parts (.xlsx, .csv), in any order; days say which came first.",
        ),
    ] = None,
    events: Annotated[
        Path | None,
        typer.Option(
            readable=False,
            help="Table of events (.csv, .xlsx): serial, cycle or date; event (bushing changed, drill reground, "
            "fixture repaired, coordinate frame changed); bushing or all; note. A serial number with a cycle, or "
            "'parts counted' with a day and a cycle, says how many parts had been drilled by then.",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for fixture.html, fixture.pdf and fixture.json.")
    ] = None,
    json_: Annotated[
        bool, typer.Option("--json", help="Print everything as JSON instead of the short screen.")
    ] = False,
    tolerances: Annotated[Path | None, typer.Option(help=TOLERANCES_HELP)] = None,
    made: Annotated[
        int, typer.Option(min=0, help="Parts drilled up to the last one of the files, if more than the files hold.")
    ] = 0,
    unit: Annotated[str, typer.Option(help="in or mm: unit of readings whose sheet doesn't say one.")] = "",
    ledger: Annotated[str, typer.Option(help=FROM_HELP)] = "",
    where: Annotated[list[str] | None, typer.Option(metavar="KEY=VALUE", help=WHERE_HELP)] = None,
    record: Annotated[
        bool, typer.Option("--record", help="With --ledger: log the forecast, for holeqc waiting; needs --by.")
    ] = False,
    by: Annotated[str, typer.Option(help="Who logs it; else HOLEQC_BY.")] = "",
) -> None:
    """Tell whether a drill fixture is worn: seating, bushings, trends, parts until a bushing must be changed.

    Each part's seating (shift, turn, scale) is taken out; what is left at each bushing is trended. Events restart the
    trends they touch; changes that nobody logged are asked about. Limits come from the kit file alone.

    Example: holeqc wear tolerances/bl7.toml history.csv --events events.csv --out fixture

    Exit code 0: done. 2: unusable input.

    Caution: lock the machine before you touch bushings; mind the chips. A forecast supports and never replaces the
    inspection of each part, the drawing, the approved data and the person licensed to sign; local codes prevail.
    """
    from holeqc.commands.recording import required_who
    from holeqc.fixture.history import counted, counts_from, history_of
    from holeqc.fixture.study import study
    from holeqc.problems import DataError
    from holeqc.readings.table import Source

    if record and not ledger:
        raise DataError("--record logs what the record's own readings forecast; give --ledger too")
    name = required_who(by, "who logs the forecast") if record else ""
    spec, readings = _read(files or [], tolerances, unit, (ledger, where or ()), events)
    history = history_of(spec, readings)
    table = events_table(events) if events is not None else None
    counts = {} if table is None else counts_from(_rows(table), history)
    history = counted(history, counts | ({len(history) - 1: made} if made else {}))
    logged, problems = events_of(table, history) if table is not None else ([], [])
    result = study(history, logged, [*readings.problems, *problems])
    for problem in result.problems:
        printing.warn(f"{problem.severity}: {problem.sentence()}")
    if json_:
        printing.write_json(result.as_dict())
    else:
        import textwrap

        from holeqc.reports.blocks import plain
        from holeqc.reports.wear import wear_text
        from holeqc.specification.words import limits_line

        printing.say(*textwrap.wrap(plain(limits_line(spec)), 96))
        printing.write(wear_text(result))
    if out is not None:
        from holeqc.reports.wear import write_wear

        sources = (*readings.sources, *([Source(table.file, table.sha256, table.bytes)] if table is not None else []))
        written = write_wear(result, spec, out, sources)
        printing.say("", f"Report: {written[0]}  ({len(written)} files in {out})", aside=json_)
    if record:
        from holeqc.fixture.words import due_bushings
        from holeqc.ledger import open_ledger
        from holeqc.ledger.equipment import record_forecast

        with open_ledger(ledger, create=False) as there:
            entry = record_forecast(there, history.fixture, due_bushings(result), name)
        printing.say(f"Forecast recorded as entry {entry.seq}", aside=json_)


def _read(
    files: list[Path], tolerances: Path | None, unit: str, recorded: tuple[str, Sequence[str]], events: Path | None
) -> tuple[Specification, Readings]:
    """Return kit and readings, from files or from a ledger."""
    from holeqc.commands.finding import kit_and_files
    from holeqc.problems import DataError
    from holeqc.readings.read import ReadOptions, read_files, without_rechecks

    ledger, where = recorded
    if ledger:
        from holeqc.commands.from_ledger import ledger_readings

        if unit:
            raise DataError("--unit speaks of sheets; readings of a ledger have theirs")
        return ledger_readings(ledger, where, files)
    if where:
        raise DataError("--where chooses readings of a ledger; give --ledger too")
    spec, paths, notes = kit_and_files(files, tolerances, [events] if events is not None else ())
    readings = without_rechecks(read_files(paths, spec, ReadOptions(unit=unit)))
    return spec, replace(readings, problems=(*notes, *readings.problems))


def events_table(path: Path) -> Table:
    """Return the table of events of a fixture.

    Raises:
        ReadingsError: the file can't be used, or no column says what was done or where it belongs.
    """
    from holeqc.fixture.history import HEADINGS
    from holeqc.problems import ReadingsError
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
