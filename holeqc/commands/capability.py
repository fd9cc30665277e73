"""`holeqc capability`: is the process able to keep the limits, and how sure is that."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc.answers.files import FROM_HELP, WHERE_HELP
from holeqc.answers.series import BY_HELP, COLUMN_HELP, OF_HELP, ONLY_HELP
from holeqc.commands import show


def capability(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="DATA | KIT.toml FILES...",
            show_default=False,
            readable=False,
            help="A table "
            "with one reading a row (.csv, .tsv, .xlsx); or a kit file and filled sheets or their folder, "
            "as holeqc check takes them.",
        ),
    ] = None,
    column: Annotated[list[str] | None, typer.Option(metavar="NAME", help=COLUMN_HELP)] = None,
    lower: Annotated[float | None, typer.Option(help="Table: lower limit, same unit.")] = None,
    upper: Annotated[float | None, typer.Option(help="Table: upper limit, same unit.")] = None,
    of: Annotated[str, typer.Option(help=OF_HELP + ". Size if not given.")] = "",
    by: Annotated[str, typer.Option(help=BY_HELP)] = "",
    only: Annotated[list[str] | None, typer.Option(help=ONLY_HELP)] = None,
    target: Annotated[float | None, typer.Option(help="Target for Cpm; the middle of the limits if not given.")] = None,
    subgroup: Annotated[
        str, typer.Option(help="Column of the subgroup: part, fixture set-up, day. Kit: part, day, or parts in a row.")
    ] = "",
    within: Annotated[
        str, typer.Option(help="Sigma within: pooled, range, sd, moving-range. Pooled if there are subgroups.")
    ] = "",
    from_zero: Annotated[
        bool, typer.Option("--from-zero", help="It can't be negative (out-of-roundness): no normal is used.")
    ] = False,
    second: Annotated[str, typer.Option(help="Column of the second coordinate: capability of position.")] = "",
    tolerance: Annotated[float | None, typer.Option(help="With --second: diameter of the tolerance zone.")] = None,
    bonus: Annotated[str, typer.Option(help="With --second: column of each hole's bonus at MMC.")] = "",
    resolution: Annotated[
        float | None, typer.Option(help="Step of the gauge; the smallest one in the readings if not given.")
    ] = None,
    coverage: Annotated[float, typer.Option(help="Share of parts that the tolerance interval holds.")] = 0.9973,
    confidence: Annotated[float, typer.Option(help="Level of the intervals.")] = 0.95,
    unit: Annotated[str, typer.Option(help="Unit, printed beside results. Kit: of sheets that say none.")] = "",
    sheet: Annotated[str, typer.Option(help="Sheet of a workbook; the first if not given.")] = "",
    plot: Annotated[
        Path | None, typer.Option(help="Write a picture: .svg, .png or .pdf; of several groups, one each.")
    ] = None,
    ledger: Annotated[str, typer.Option(help=FROM_HELP)] = "",
    where: Annotated[list[str] | None, typer.Option(metavar="KEY=VALUE", help=WHERE_HELP)] = None,
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Tell whether a process keeps its limits: Cp, Cpk, Pp, Ppk, Cpm with intervals, shares outside, stability.

    Readings that aren't normal get the percentile method of ISO 22514 beside; what can't be negative gets nothing
    else (--from-zero). With --second and --tolerance: position from its two coordinates.

    With a kit file: limits, bonus, gauges and the order of production come from kit and sheets, one answer a group.

    Example: holeqc capability sizes.csv --column size --lower 0.455 --upper 0.462 --subgroup part

    Example: holeqc capability subgroups.xlsx --column x1..x5 --lower 0.455 --upper 0.462

    Example: holeqc capability tolerances/bl7.toml sample_measurements/fixture_history/df-bl7_history.csv --by hole

    Example: holeqc capability tolerances/bl7.toml --ledger shop.sqlite3 --where since=2026-11-01

    Exit code 0: done. 2: unusable input.

    Caution: an index says nothing about a part that was not measured and nothing while the series is unstable. It
    supports and never replaces the drawing, the approved data and the person licensed to sign; local codes prevail.
    """
    from holeqc.answers.series import capability as answer

    answers = answer(
        *files or (), column=column or (), lower=lower, upper=upper, of=of, by=by, only=only or (), target=target,
        subgroup=subgroup, within=within, from_zero=from_zero, second=second, tolerance=tolerance, bonus=bonus,
        resolution=resolution, coverage=coverage, confidence=confidence, unit=unit, sheet=sheet, ledger=ledger,
        where=where or (),
    )  # fmt: skip
    show(answers, json_, plot)
