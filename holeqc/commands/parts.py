"""`holeqc parts` and `holeqc waiting`: the newest inspection of each part, and what waits for somebody."""

from __future__ import annotations

from pathlib import Path
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
    by: Annotated[str, typer.Option(help="Only logged or read by this person.")] = "",
    defect: Annotated[
        str, typer.Option(help="Only not accepted in this (size, position, pins, ...) or for this (crack, missing).")
    ] = "",
    tag: Annotated[
        str, typer.Option(help="Only with such a tag: open, closed, none, or its disposition (rework, scrap, ...).")
    ] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """List the recorded parts with their newest verdict, open tags, and whether they are approved.

    Exit code 0: listed, whatever the verdicts are. 2: unusable, such as a kit or fixture that the ledger doesn't know.

    Example: holeqc parts --verdict reject --since 2026-11-01 --fixture DF-BL7

    Example: holeqc parts --tag scrap --by 17
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.filters import DEFECTS, Filter
    from holeqc.ledger.named_in import refuse_unknown
    from holeqc.reports.record import as_json, parts_text

    wanted = Filter(
        kit=kit, revision=revision, part=name, fixture=fixture, verdict=verdict.strip().lower(),
        since=a_day(since, "--since"), until=a_day(until, "--until"), by=by.strip(),
        defect=next((name for name in DEFECTS if name.lower() == defect.strip().lower()), defect),
        tag=tag.strip().lower(),
    )  # fmt: skip
    with open_ledger(ledger, create=False) as there:
        refuse_unknown(there, wanted)
        rows = there.parts(wanted)
    printing.write(as_json(rows) if json_ else parts_text(rows))


def waiting(
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Write it as a page too: .html or .pdf; replaces an older one.")
    ] = None,
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Say what waits: parts in question, open tags by age with the next command, parts ready to approve or held, gauges
    past their date or near it, kits that nobody released, bushings that the last recorded forecast wants changed soon.

    Exit code 0: listed, whatever waits. 2: there is no ledger.

    Example: holeqc waiting

    Example: holeqc waiting --out waiting.html
    """
    from dataclasses import asdict

    from holeqc.ledger import open_ledger
    from holeqc.ledger.times import today
    from holeqc.ledger.waiting import waiting as look
    from holeqc.reports.record import as_json, tags_data, waiting_text

    with open_ledger(ledger, create=False) as there:
        found = look(there, today())
    data = asdict(found) | {"tags": tags_data(found.tags)}
    printing.write(as_json(data) if json_ else waiting_text(found))
    if out is not None:
        from holeqc.reports.record import waiting_report, write_page

        write_page(waiting_report(found), out)
        printing.say(f"Page: {out}", aside=json_)
