"""`holeqc plan`: what to read on the next part."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc.answers.files import FROM_HELP, TOLERANCES_HELP
from holeqc.commands import show


def plan(
    kit: Annotated[Path, typer.Argument(metavar="KIT.toml", help="The kit file.", show_default=False)],
    history: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE", readable=False, help="Readings of parts read in full, again for each; a look only."
        ),
    ] = None,
    events: Annotated[
        Path | None, typer.Option(readable=False, help="With --history: table of events, as for holeqc wear.")
    ] = None,
    ledger: Annotated[str, typer.Option(help=FROM_HELP)] = "",
    record: Annotated[
        bool, typer.Option("--record", help="With --ledger: log the plan, so that it counts; needs --by.")
    ] = False,
    by: Annotated[str, typer.Option(help="Who logs it; else HOLEQC_BY.")] = "",
    out: Annotated[Path | None, typer.Option("--out", "-o", metavar="FILE.json", help="The plan as a file.")] = None,
    json_: Annotated[
        bool, typer.Option("--json", help="Print everything as JSON instead of the short screen.")
    ] = False,
    tolerances: Annotated[Path | None, typer.Option(help=TOLERANCES_HELP)] = None,
    unit: Annotated[str, typer.Option(help="in or mm: unit of readings whose sheet doesn't say one.")] = "",
) -> None:
    """Say which readings of the next part are enough, so that a part with a bad hole is accepted no more often than
    agreed. From parts read in full: what their sizes and places have to do with one another.

    A part is accepted so only where the kit permits it ([plan] partial = true, released by two persons), by a plan on
    record, on the holes that were drawn for its serial number. Plugs, surface and all else stay asked of every hole.

    Example: holeqc plan tolerances/bl7.toml --history history.csv --events events.csv

    Example: holeqc plan tolerances/bl7.toml --ledger holeqc-ledger.sqlite3 --record --by engineer

    Exit code 0: done. 2: unusable input, or a history that carries no plan.

    Caution: a plan sees no crack and no sudden fault in a hole that isn't read. Drawing, contract and customer decide
    whether fewer readings are allowed; the person licensed to sign and local codes prevail.
    """
    from holeqc.answers.plan import reading_plan

    answer = reading_plan(
        kit,
        *history or (),
        events=events,
        tolerances=tolerances,
        unit=unit,
        ledger=ledger,
        record=record,
        by=by,
        out=out,
    )
    show(answer, json_)
