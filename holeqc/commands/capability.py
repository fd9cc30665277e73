"""`holeqc capability`: is the process able to keep the limits, and how sure is that."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from holeqc import printing
from holeqc.commands.from_ledger import FROM_HELP, WHERE_HELP
from holeqc.commands.series import (
    BY_HELP,
    COLUMN_HELP,
    OF_HELP,
    ONLY_HELP,
    is_kit,
    one_column,
    open_table,
    read_run,
    refuse_in_kit,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from holeqc.commands.series import Run
    from holeqc.inspection.series import Series
    from holeqc.problems import Problem
    from holeqc.readings.plain_table import Table
    from holeqc.statistics.capability import Capability
    from holeqc.statistics.position_capability import PositionCapability


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
    files = files or []
    if ledger or is_kit(files):
        refuse_in_kit(
            column=column,
            lower=lower,
            upper=upper,
            from_zero=from_zero,
            second=second,
            tolerance=tolerance,
            bonus=bonus,
        )
        run = read_run(files, of, by, only or (), unit, sheet, (ledger, where or ()))
        _kit(run, (within, resolution, coverage, confidence), (target, subgroup), json_, plot)
        return
    table, columns = open_table(files, column, (second, bonus, subgroup), sheet, of=of, by=by, only=only)
    if second:
        _position(table, (one_column(columns, "--second"), second, bonus), tolerance, confidence, (unit, json_), plot)
        return
    from holeqc.commands.series import named, read_numbers, row_subgroups
    from holeqc.problems import DataError
    from holeqc.statistics.capability import Choices
    from holeqc.statistics.capability import capability as work_out
    from holeqc.statistics.indices import Limits

    if tolerance is not None or bonus:
        raise DataError("--tolerance and --bonus belong to positions; give the second coordinate with --second")
    limits = Limits(lower, upper, target)
    choices = Choices(
        within=within, confidence=confidence, coverage=coverage, from_zero=from_zero, resolution=resolution
    )
    values, problems = read_numbers(table, *columns)
    _tell(problems)  # what spoils the figures comes before them
    result = work_out(values, limits, subgroups=row_subgroups(table, columns, subgroup), choices=choices)
    title = named(columns)
    if plot is not None:
        from holeqc.reports.chart_plots import capability_figure
        from holeqc.reports.scale_plots import save_figure

        save_figure(capability_figure(result, values, title, unit), plot)
        printing.warn(f"picture: {plot}")
    if json_:
        print_json(result.as_dict())
    else:
        from holeqc.reports.chart_text import capability_text

        printing.write(capability_text(result, title, unit))


def _kit(
    run: Run,
    how: tuple[str, float | None, float, float],
    asked: tuple[float | None, str],
    as_json: bool,
    plot: Path | None,
) -> None:
    """Answer the capability of every group of a kit's readings."""
    from holeqc.commands.series import REJECTS, Answer, answers, common_data, show
    from holeqc.commands.series_answers import capability_of, gauge_words, with_remarks
    from holeqc.inspection.series import make_series
    from holeqc.problems import NOTE, DataError, Problem
    from holeqc.reports.chart_text import capability_head, capability_row, capability_text, position_text
    from holeqc.statistics.capability import Capability, Choices

    if run.of == REJECTS:
        raise DataError("rejects are counted, not measured: holeqc chart --of rejects shows their share over time")
    choices = Choices(within=how[0], resolution=how[1], coverage=how[2], confidence=how[3])

    def work(series: Series) -> Answer:
        result = capability_of(series, choices, *asked)
        sd = result.sd_overall if isinstance(result, Capability) else min(result.sd)
        what = Problem(NOTE, "taken", series.what)
        result = with_remarks(result, (what, *series.problems, *gauge_words(series, sd)))
        name = f"{run.of}, {series.group}"
        text = capability_text if isinstance(result, Capability) else position_text
        return Answer(
            series.group,
            text(result, name, series.unit),
            common_data(run, series) | result.as_dict(),
            capability_row(series.group, result),
            lambda: _figure(series, result, name),
        )

    found = answers(run, make_series(run.spec, run.readings, run.of, run.by), work)
    show(run, found, capability_head(choices.confidence), as_json=as_json, plot=plot)


def _figure(series: Series, result: Capability | PositionCapability, name: str) -> Figure:
    from holeqc.reports.chart_plots import capability_figure, positions_figure
    from holeqc.statistics.capability import Capability

    if isinstance(result, Capability):
        return capability_figure(result, series.values, name, series.unit)
    assert series.second is not None
    return positions_figure(result, series.values, series.second, series.bonus, name, series.unit)


def _position(
    table: Table,
    columns: tuple[str, str, str],
    tolerance: float | None,
    confidence: float,
    shown: tuple[str, bool],
    plot: Path | None,
) -> None:
    from holeqc.commands.series import read_numbers
    from holeqc.problems import DataError
    from holeqc.statistics.position_capability import position_capability

    if tolerance is None:
        raise DataError("capability of position needs --tolerance, the diameter of the tolerance zone")
    first, second, bonus = columns
    x, said = read_numbers(table, first)
    y, more = read_numbers(table, second)
    extra = None
    if bonus:
        extra, last = read_numbers(table, bonus)
        more += last
    result = position_capability(x, y, tolerance, bonus=extra, confidence=confidence)
    _tell(said + more)
    unit, as_json = shown
    if plot is not None:
        from holeqc.reports.chart_plots import positions_figure
        from holeqc.reports.scale_plots import save_figure

        save_figure(positions_figure(result, x, y, extra, f"{first}, {second}", unit), plot)
        printing.warn(f"picture: {plot}")
    if as_json:
        print_json(result.as_dict())
    else:
        from holeqc.reports.chart_text import position_text

        printing.write(position_text(result, f"{first}, {second}", unit))


def _tell(problems: tuple[Problem, ...]) -> None:
    for sentence in dict.fromkeys(f"{p.severity}: {p.sentence()}" for p in problems):
        printing.warn(sentence)


def print_json(content: Any) -> None:
    """Print content as JSON that every reader takes: no NaN."""
    printing.write_json(content)
