"""`holeqc wear`: is the fixture worn, which bushing, until when."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing
from holeqc.answers.files import FROM_HELP, TOLERANCES_HELP, WHERE_HELP
from holeqc.commands import show


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
    from holeqc.answers import fixture

    name = fixture.recorder(record, ledger, by)
    answer = fixture.wear(
        *files or (), events=events, tolerances=tolerances, made=made, unit=unit, ledger=ledger, where=where or ()
    )
    for problem in answer.problems:
        printing.warn(f"{problem.severity}: {problem.sentence()}")
    show(answer, json_)
    if out is not None:
        from holeqc.answers.check import report

        written = report(answer, out)
        printing.say("", f"Report: {written[0]}  ({len(written)} files in {out})", aside=json_)
    if name:
        entry = fixture.record_forecast(answer, ledger, name)
        printing.say(f"Forecast recorded as entry {entry.seq}", aside=json_)
