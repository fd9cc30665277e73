"""`holeqc first-parts`, `lot` and `plan`: how many to read, and what of the next part."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing
from holeqc.answers.files import FROM_HELP, TOLERANCES_HELP, WHERE_HELP
from holeqc.commands import LEDGER_HELP, show
from holeqc.problems import DataError

_JSON = typer.Option("--json", help="Print everything as JSON.")
_AQL = typer.Option(help="Acceptable quality level, bad parts per hundred, as listed: 0.65, 1.0, 1.5 ...")
_LEVEL = typer.Option(help="Inspection level: I, II, III, S-1 to S-4; II if not given.")
_BAD = typer.Option(help="Instead of an AQL: accept on no bad part, and find a lot with so many bad parts.")
_BAD_SHARE = typer.Option(help="The same as a share of the lot: 0.02 for 2 %.")
_CONFIDENCE = typer.Option(help="Chance to be right, as a fraction.")
_BAD_CONFIDENCE = typer.Option(help="With --bad or --bad-share: chance to find it, as a fraction; 0.9 if not given.")
_BY = typer.Option(help="Who does it; else HOLEQC_BY.")


def first_parts(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="KIT.toml [READINGS...]", show_default=False, readable=False,
            help="The kit file; and the readings of parts, if there are any (.xlsx, .csv), in any order.",
        ),
    ] = None,
    share: Annotated[float, typer.Option(help="Claimed share of good parts, as a fraction.")] = 0.95,
    confidence: Annotated[float, _CONFIDENCE] = 0.90,
    events: Annotated[
        Path | None,
        typer.Option(readable=False, help="Table of what was done to the fixture, as holeqc wear takes it: what an "
                     "event touches is proven anew."),
    ] = None,
    tolerances: Annotated[Path | None, typer.Option(help=TOLERANCES_HELP)] = None,
    unit: Annotated[str, typer.Option(help="in or mm: unit of readings whose sheet doesn't say one.")] = "",
    ledger: Annotated[str, typer.Option(help=FROM_HELP)] = "",
    where: Annotated[list[str] | None, typer.Option(metavar="KEY=VALUE", help=WHERE_HELP)] = None,
    json_: Annotated[bool, _JSON] = False,
) -> None:  # fmt: skip
    """Say how many parts must be read in full, all good, to claim that a share of the next ones is good.

    With readings: what has been proven so far, for each hole and for the part with all holes and pins together, and
    how many good parts are still needed; counted without any assumption, and from the values. The gauge's U is taken
    off before a part counts as good; a held one doesn't. After an event only what it didn't touch goes on counting.

    Example: holeqc first-parts tolerances/bl7.toml

    Example: holeqc first-parts tolerances/bl7.toml first_parts.csv --share 0.99 --events events.csv

    Exit code 0: done. 2: unusable input.

    Caution: a proof of first parts supports and never replaces the inspection that drawing, contract and customer ask
    for, the approved data and the person licensed to sign; local codes prevail.
    """
    from holeqc.answers.sampling import first_parts as answer

    found = answer(
        *files or (), share=share, confidence=confidence, events=events, tolerances=tolerances, unit=unit,
        ledger=ledger, where=where or (),
    )  # fmt: skip
    for problem in found.problems:
        printing.warn(f"{problem.severity}: {problem.sentence()}")
    show(found, json_)


def lot_plan(
    size: Annotated[int, typer.Option(help="Parts in the lot.", show_default=False)],
    aql: Annotated[str, _AQL] = "",
    level: Annotated[str, _LEVEL] = "",
    severity: Annotated[str, typer.Option(help="normal (if not given) or tightened.")] = "",
    variables: Annotated[
        bool, typer.Option("--variables", help="By measured values (ANSI/ASQ Z1.9) instead of counted bad parts.")
    ] = False,
    bad: Annotated[int, _BAD] = 0,
    bad_share: Annotated[float, _BAD_SHARE] = 0.0,
    confidence: Annotated[float | None, _BAD_CONFIDENCE] = None,
    before: Annotated[
        str, typer.Option(help="Lots before, oldest first, a accepted, r not: aaraa; says normal or tightened.")
    ] = "",
    readings: Annotated[
        Path | None,
        typer.Option(readable=False, help="With --variables: table of the sample's readings, to be judged."),
    ] = None,
    column: Annotated[str, typer.Option(help="With --readings: their column.")] = "",
    lower: Annotated[float | None, typer.Option(help="With --readings: lower limit, same unit.")] = None,
    upper: Annotated[float | None, typer.Option(help="With --readings: upper limit, same unit.")] = None,
    sheet: Annotated[str, typer.Option(help="Sheet of a workbook; the first if not given.")] = "",
    plot: Annotated[Path | None, typer.Option(help="Draw the curve: .svg, .png or .pdf.")] = None,
    json_: Annotated[bool, _JSON] = False,
) -> None:
    """Say how many parts of a lot to read, what such a plan lets through, and what it doesn't protect from.

    Single plans of MIL-STD-105E (with --aql), zero-acceptance plans worked out exactly (--bad or --bad-share), plans by
    variables (--aql --variables). Reduced inspection isn't given: its tables were not seen in print.

    Example: holeqc lot plan --size 500 --aql 1.0 --plot curve.svg

    Example: holeqc lot plan --size 80 --bad-share 0.05 --confidence 0.95

    Example: holeqc lot plan --size 200 --aql 1.0 --variables --readings sizes.csv --column size --lower 0.455

    Exit code 0: a plan, or a sample that it accepts. 1: a sample that it doesn't. 2: unusable input.

    Caution: whether a lot may be sampled at all is for the drawing, the contract and the customer to say; a plan never
    replaces the approved data and the person licensed to sign; local codes prevail.
    """
    from holeqc.answers.sampling import lot_plan as answer

    found = answer(
        size, aql=aql, level=level, severity=severity, variables=variables, bad=bad, bad_share=bad_share,
        confidence=confidence, before=before, readings=readings, column=column, lower=lower, upper=upper, sheet=sheet,
    )  # fmt: skip
    for problem in found.problems:
        printing.warn(f"{problem.severity}: {problem.sentence()}")
    if plot is not None and found.figure is None:
        raise DataError(f"--plot: AQL {aql} counts faults, so there is no curve of bad parts to draw")
    show(found, json_, plot)
    if (found.data["verdict"] or {}).get("accepted") is False:
        raise typer.Exit(1)


def lot_draw(
    lot: Annotated[str, typer.Argument(help="The lot's name.", show_default=False)],
    kit: Annotated[str, typer.Option(help="Kit file, or the kit's id.", show_default=False)],
    serial: Annotated[
        list[str] | None,
        typer.Option(help="Serial numbers of the lot: S-0201..S-0250; again, or with commas, for more."),
    ] = None,
    part: Annotated[str, typer.Option(help="Part of the kit, where its parts have serial numbers alike.")] = "",
    aql: Annotated[str, _AQL] = "",
    level: Annotated[str, _LEVEL] = "",
    severity: Annotated[
        str, typer.Option(help="normal or tightened; if not given, as the lots judged before say.")
    ] = "",
    bad: Annotated[int, _BAD] = 0,
    bad_share: Annotated[float, _BAD_SHARE] = 0.0,
    confidence: Annotated[float | None, _BAD_CONFIDENCE] = None,
    where: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KEY=VALUE", help="Instead of --serial: parts on record, chosen as with --where elsewhere."
        ),
    ] = None,
    reason: Annotated[
        str, typer.Option(help="Why a lot, or parts of it, is drawn from again or against what is due.")
    ] = "",
    by: Annotated[str, _BY] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    json_: Annotated[bool, _JSON] = False,
) -> None:
    """Draw a lot's sample at random, and record list, seed and plan before the readings.

    Only readings taken and recorded after it count. A lot that was drawn from is drawn from again only with a reason,
    under whatever name; then the worst of its draws counts. A reason is also asked for where tightened inspection is
    due and the plan isn't, where serial numbers were drawn from in another kit, while an older lot of the kit is open.

    Example: holeqc lot draw L-31 --kit tolerances/bl7.toml --serial S-0201..S-0250 --aql 1.0 --by 17

    Exit code 0: drawn and recorded. 2: refused.

    Caution: whether a lot may be sampled at all is for the drawing, the contract and the customer to say; local codes
    prevail.
    """
    from holeqc.answers.sampling import lot_draw as answer

    show(
        answer(
            lot, kit, serial or (), part=part, aql=aql, level=level, severity=severity, bad=bad, bad_share=bad_share,
            confidence=confidence, where=where or (), reason=reason, ledger=ledger, by=by,
        ), json_,
    )  # fmt: skip


def lot_judge(
    lot: Annotated[str, typer.Argument(help="The lot's name.", show_default=False)],
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    json_: Annotated[bool, _JSON] = False,
) -> None:
    """Say whether a drawn lot is accepted by the readings recorded since, and how the next lot is inspected.

    A part rejected since the draw is bad, also when it was mended later; one held or not read keeps the lot open.

    Example: holeqc lot judge L-31

    Exit code 0: accepted. 1: not accepted. 3: open. 2: no draw on record.

    Caution: an accepted lot says nothing of a part that was not read; drawing, contract and customer decide what
    follows; local codes prevail.
    """
    from holeqc.answers.sampling import lot_judge as answer

    found = answer(lot, ledger=ledger)
    show(found, json_)
    raise typer.Exit({"accepted": 0, "not accepted": 1}.get(str(found.data["verdict"]), 3))


# -------------------------------------------------------------------------------------------------------- reading plans


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
