"""`holeqc parts`: the newest inspection of each part."""

from __future__ import annotations

from typing import Annotated

import typer

from holeqc import printing
from holeqc.commands.recording import LEDGER_HELP, a_day


def parts(
    verdict: Annotated[str, typer.Option(help="Only accept, hold or reject.")] = "",
    since: Annotated[str, typer.Option(help="Only read on this day or later: 2026-11-01.")] = "",
    until: Annotated[str, typer.Option(help="Only read on this day or earlier.")] = "",
    fixture: Annotated[str, typer.Option(help="Only drilled with this fixture.")] = "",
    kit: Annotated[str, typer.Option(help="Only of this kit.")] = "",
    revision: Annotated[str, typer.Option(help="Only judged under this revision of the kit.")] = "",
    name: Annotated[str, typer.Option("--part", help="Only this part of the kit.")] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """List the recorded parts with their newest verdict, open tags, and whether they are approved.

    Exit code 0: listed, whatever the verdicts are. 2: unusable, such as a kit or fixture that the ledger doesn't know.

    Example: holeqc parts --verdict reject --since 2026-11-01 --fixture DF-BL7
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.filters import Filter
    from holeqc.ledger.named_in import refuse_unknown
    from holeqc.reports.record_text import as_json, parts_text

    wanted = Filter(
        kit=kit, revision=revision, part=name, fixture=fixture, verdict=verdict.strip().lower(),
        since=a_day(since, "--since"), until=a_day(until, "--until"),
    )  # fmt: skip
    with open_ledger(ledger, create=False) as there:
        refuse_unknown(there, wanted)
        rows = there.parts(wanted)
    printing.write(as_json(rows) if json_ else parts_text(rows))
