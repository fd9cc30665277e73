"""`holeqc gauge log` and `holeqc fixture log`: the calibrations and events that were logged."""

from __future__ import annotations

from typing import Annotated

import typer

from holeqc import printing
from holeqc.commands.recording import LEDGER_HELP

_LEDGER = typer.Option(help=LEDGER_HELP)
_JSON = typer.Option("--json", help="Print everything as JSON.")


def gauge_log(
    gauge: Annotated[str, typer.Argument(help="Gauge's id; all gauges without it.")] = "",
    ledger: Annotated[str, _LEDGER] = "",
    json_: Annotated[bool, _JSON] = False,
) -> None:
    """List the calibrations that were logged, of one gauge or of all, oldest first.

    Exit code 0: listed. 2: unusable, such as a gauge of which nothing is logged.

    Example: holeqc gauge log BG-2
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.equipment_log import calibration_log
    from holeqc.reports.record import as_json, calibrations_text

    with open_ledger(ledger, create=False) as there:
        rows = calibration_log(there, gauge)
    printing.write(as_json(rows) if json_ else calibrations_text(rows))


def fixture_log(
    fixture: Annotated[str, typer.Argument(help="Fixture's id; all fixtures without it.")] = "",
    ledger: Annotated[str, _LEDGER] = "",
    json_: Annotated[bool, _JSON] = False,
) -> None:
    """List the events that were logged, of one fixture or of all, oldest first.

    Exit code 0: listed. 2: unusable, such as a fixture of which nothing is logged.

    Example: holeqc fixture log DF-BL7
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.equipment_log import fixture_log as logged
    from holeqc.reports.record import as_json, fixture_events_text

    with open_ledger(ledger, create=False) as there:
        rows = logged(there, fixture)
    printing.write(as_json(rows) if json_ else fixture_events_text(rows))
