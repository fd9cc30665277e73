"""`holeqc part`: the whole story of one serial number."""

from __future__ import annotations

from typing import Annotated

import typer

from holeqc import printing
from holeqc.commands.recording import LEDGER_HELP


def part(
    serial: Annotated[str, typer.Argument(help="Serial number.", show_default=False)],
    kit: Annotated[str, typer.Option(help="Only of this kit.")] = "",
    name: Annotated[str, typer.Option("--part", help="Only of this part of the kit.")] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Show what is recorded of a serial number: inspections, tags with their life, approvals; oldest first.

    Exit code by its newest inspection: 0 accepted, 1 rejected, 3 held. 2: nothing is recorded.

    Example: holeqc part P-0109
    """
    from holeqc.commands.check import exit_code
    from holeqc.inspection.results import VERDICTS
    from holeqc.ledger import open_ledger
    from holeqc.problems import LedgerError
    from holeqc.reports.record_text import as_json, part_text, story_data

    with open_ledger(ledger, create=False) as there:
        story = there.part_story(serial, kit=kit, part=name)
        if not story:
            raise LedgerError(f"serial {serial}: nothing is recorded in ledger {there.location.shown}")
    printing.write(as_json(story_data(story)) if json_ else part_text(story))
    newest = {(one.row["kit"], one.row["part"]): VERDICTS.index(str(one.row["verdict"])) for one in story.inspections}
    raise typer.Exit(exit_code(list(newest.values())))
