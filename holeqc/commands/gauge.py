"""`holeqc gauge` and `holeqc fixture`: calibrations and events, and what rests on a suspect one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from holeqc import printing
from holeqc.answers import required_who
from holeqc.commands import LEDGER_HELP
from holeqc.ledger import a_day

if TYPE_CHECKING:
    from holeqc.ledger.equipment import Suspects


_LEDGER = typer.Option(help=LEDGER_HELP)
_BY = typer.Option(help="Who logs: a role or a number; else HOLEQC_BY.")
_JSON = typer.Option("--json", help="Print everything as JSON.")
_GAUGE = typer.Argument(help="Gauge's id.", show_default=False)
_TOLERANCES = typer.Option(help="Folder of kit files, whose gauges and fixtures are known.")
_FIXTURE = typer.Argument(help="Fixture's id.", show_default=False)


def calibrated(
    gauge: Annotated[str, _GAUGE],
    day: Annotated[str, typer.Option(help="Day of the calibration; today if not given.")] = "",
    due: Annotated[str, typer.Option(help="Day on which the next one is due.")] = "",
    out_of_tolerance: Annotated[
        bool, typer.Option("--out-of-tolerance", help="As found, it was out of tolerance.")
    ] = False,
    error: Annotated[
        str, typer.Option(help="As found, with unit: what it reads minus what is true, such as '+0.0004 in'.")
    ] = "",
    certificate: Annotated[str, typer.Option(help="Number of the certificate.")] = "",
    note: Annotated[str, typer.Option(help="Remark.")] = "",
    new: Annotated[bool, typer.Option("--new", help="A gauge that no kit names yet.")] = False,
    tolerances: Annotated[Path, _TOLERANCES] = Path("tolerances"),
    by: Annotated[str, _BY] = "",
    ledger: Annotated[str, _LEDGER] = "",
) -> None:
    """Log the calibration of a gauge, as found. A gauge that no kit names, or a day still to come, is refused.

    A wrong entry out of tolerance is corrected by a new one of the same day, which then counts. check judges by the due
    day in the kit file: put the new one there too, and have the kit released.

    Exit code 0: logged. 2: refused.

    Example: holeqc gauge calibrated BG-2 --day 2026-11-20 --out-of-tolerance --error "+0.0004 in" --by "gauge room"
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.equipment import (
        BAD,
        GOOD,
        Calibration,
        calibrations,
        known_gauges,
        record_calibration,
        require_known,
    )
    from holeqc.ledger.schema import not_ahead, today

    name = required_who(by, "who logs")
    amount, unit = an_error(error)
    when = a_day(day, "--day") or today()
    not_ahead(when, f"the calibration of gauge {gauge}")  # before a ledger is made for nothing
    calibration = Calibration(
        gauge, when, BAD if out_of_tolerance else GOOD, a_day(due, "--due"), amount,
        None, unit, certificate, note,
    )  # fmt: skip
    with open_ledger(ledger) as there:
        require_known(gauge, known_gauges(there, tolerances), "gauge", new=new)
        entry = record_calibration(there, calibration, name)
        older = [row for row in calibrations(there, gauge.strip())
                 if row["result"] == BAD and row["day"] == when.isoformat() and row["entry"] < entry.seq]  # fmt: skip
    printing.say(f"Gauge {gauge}: {calibration.result} on {calibration.day}; recorded as entry {entry.seq}")
    if older and out_of_tolerance:
        printing.say(f"Of that day this entry counts now, in place of entry {older[-1]['entry']}")
    elif older:
        printing.say(
            f"Entry {older[-1]['entry']} of the same day found it out of tolerance: that stands for what it read before"
        )
    if out_of_tolerance:
        printing.say(f"What rests on it: holeqc gauge suspect {gauge} --since DAY (of its last good calibration)")


def gauge_suspect(
    gauge: Annotated[str, _GAUGE],
    since: Annotated[str, typer.Option(help="Day from which its readings are suspect.", show_default=False)],
    error: Annotated[
        str,
        typer.Option(
            help="Found error: what it reads minus what is true, such as 0.0004 (kit's unit) or '0.01 mm'; without it, "
            "as its last calibration out of tolerance says."
        ),
    ] = "",
    ledger: Annotated[str, _LEDGER] = "",
    json_: Annotated[bool, _JSON] = False,
) -> None:
    """List every part whose verdict rests on a gauge since a day, and its verdict with the gauge's error taken out.

    Exit code 0: no verdict changes for the worse. 1: a part that was not rejected would be. 3: a part that was
    accepted would be held. 2: unusable.

    Example: holeqc gauge suspect BG-2 --since 2026-11-01 --error 0.0004
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.equipment import gauge_suspects
    from holeqc.problems import LedgerError

    begin = a_day(since, "--since")
    if begin is None:
        raise LedgerError("say from which day on: --since 2026-11-01")
    amount, unit = an_error(error, unit_needed=False)
    with open_ledger(ledger, create=False) as there:
        found = gauge_suspects(there, gauge, begin, error=amount, unit=unit)
    _show(found, json_)


def fixture_event(
    fixture: Annotated[str, _FIXTURE],
    event: Annotated[
        str,
        typer.Option(
            help="made, checked, bushing changed, repaired, moved, clamped out of seat, suspect or retired.",
            show_default=False,
        ),
    ],
    day: Annotated[str, typer.Option(help="Day; today if not given.")] = "",
    bushing: Annotated[str, typer.Option(help="Bushing that it speaks of.")] = "",
    good: Annotated[bool | None, typer.Option("--good/--not-good", help="How a check came out.")] = None,
    note: Annotated[str, typer.Option(help="Remark.")] = "",
    new: Annotated[bool, typer.Option("--new", help="A fixture that no kit names yet.")] = False,
    tolerances: Annotated[Path, _TOLERANCES] = Path("tolerances"),
    by: Annotated[str, _BY] = "",
    ledger: Annotated[str, _LEDGER] = "",
) -> None:
    """Log what happened to a fixture. A fixture that no kit names, or a day still to come, is refused.

    Exit code 0: logged. 2: refused.

    Example: holeqc fixture event DF-BL7 --event checked --good --day 2026-11-02 --by engineer
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.equipment import known_fixtures, record_fixture_event, require_known
    from holeqc.ledger.schema import not_ahead, today

    name = required_who(by, "who logs")
    when = a_day(day, "--day") or today()
    not_ahead(when, f"{event.strip().lower()!r} of fixture {fixture}")  # before a ledger is made for nothing
    with open_ledger(ledger) as there:
        require_known(fixture, known_fixtures(there, tolerances), "fixture", new=new)
        entry = record_fixture_event(
            there, fixture, event.strip().lower(), when, name, bushing=bushing, good=good, note=note
        )
    printing.say(f"Fixture {fixture}: {event.strip().lower()} on {when}; recorded as entry {entry.seq}")


def fixture_suspect(
    fixture: Annotated[str, _FIXTURE],
    since: Annotated[str, typer.Option(help="Day to begin with; else that of its last good check.")] = "",
    until: Annotated[str, typer.Option(help="Day on which it became suspect; today if not given.")] = "",
    ledger: Annotated[str, _LEDGER] = "",
    json_: Annotated[bool, _JSON] = False,
) -> None:
    """List every part drilled with a fixture between its last good check and now.

    Exit code 0: listed. 2: unusable. A fixture's fault doesn't change readings: each part's verdict stands on its own.

    Example: holeqc fixture suspect DF-BL7
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.equipment import fixture_suspects

    with open_ledger(ledger, create=False) as there:
        found = fixture_suspects(there, fixture, a_day(since, "--since"), a_day(until, "--until"))
    _show(found, json_)


def _show(found: Suspects, json_: bool) -> None:
    from holeqc.inspection.results import VERDICTS
    from holeqc.reports.record import as_json, suspects_data, suspects_text

    printing.write(as_json(suspects_data(found)) if json_ else suspects_text(found))
    worse = {p.after for p in found.parts if p.after and VERDICTS.index(p.after) > VERDICTS.index(p.verdict)}
    raise typer.Exit(1 if "reject" in worse else 3 if worse else 0)


def an_error(text: str, *, unit_needed: bool = True) -> tuple[float | None, str]:
    """Return an error that was typed, with its unit ('' where none is typed); None for no text.

    Raises:
        LedgerError: it is no length, or has no unit where one is needed.
    """
    from holeqc.problems import HoleQCError, LedgerError
    from holeqc.quantities import parse_length

    if not text.strip():
        return None, ""
    said = text.strip()
    try:
        value, unit = parse_length(said)
    except HoleQCError:
        raise LedgerError(f"error {text!r} is no length; give it as '+0.0004 in' or '-0.01 mm'") from None
    if unit_needed and not unit:
        raise LedgerError(f"error {text!r} has no unit; give it as '{said} in' or '{said} mm'")
    return float(value), unit or ""


# ------------------------------------------------------------------------------------------------ what was logged


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
    from holeqc.ledger.equipment import calibration_log
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
    from holeqc.ledger.equipment import fixture_log as logged
    from holeqc.reports.record import as_json, fixture_events_text

    with open_ledger(ledger, create=False) as there:
        rows = logged(there, fixture)
    printing.write(as_json(rows) if json_ else fixture_events_text(rows))
