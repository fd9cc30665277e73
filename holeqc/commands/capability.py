"""`holeqc capability`: is the process able to keep the limits, and how sure is that."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from holeqc.commands.tables import Table
    from holeqc.problems import Problem


def capability(
    data: Annotated[Path, typer.Argument(metavar="DATA", help="Table with one reading a row: .csv, .tsv or .xlsx.")],
    column: Annotated[str, typer.Option(help="Column of the readings, in order of production.")],
    lower: Annotated[float | None, typer.Option(help="Lower limit, same unit.")] = None,
    upper: Annotated[float | None, typer.Option(help="Upper limit, same unit.")] = None,
    target: Annotated[float | None, typer.Option(help="Target for Cpm; the middle of the limits if not given.")] = None,
    subgroup: Annotated[str, typer.Option(help="Column of the subgroup: part, fixture set-up, day.")] = "",
    within: Annotated[
        str, typer.Option(help="Sigma within: pooled, range, sd, moving-range. Pooled if there are subgroups.")
    ] = "",
    from_zero: Annotated[
        bool, typer.Option("--from-zero", help="It can't be negative (out-of-roundness): no normal is used.")
    ] = False,
    second: Annotated[str, typer.Option(help="Column of the second coordinate: capability of position.")] = "",
    tolerance: Annotated[
        float | None, typer.Option(help="With --second: diameter of the tolerance zone.")
    ] = None,
    bonus: Annotated[str, typer.Option(help="With --second: column of each hole's bonus at MMC.")] = "",
    resolution: Annotated[
        float | None, typer.Option(help="Step of the gauge; the smallest one in the readings if not given.")
    ] = None,
    coverage: Annotated[float, typer.Option(help="Share of parts that the tolerance interval holds.")] = 0.9973,
    confidence: Annotated[float, typer.Option(help="Level of the intervals.")] = 0.95,
    unit: Annotated[str, typer.Option(help="Unit, printed beside results.")] = "",
    sheet: Annotated[str, typer.Option(help="Sheet of a workbook; the first if not given.")] = "",
    plot: Annotated[Path | None, typer.Option(help="Write a probability plot: .svg, .png or .pdf.")] = None,
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Tell whether a process keeps its limits: Cp, Cpk, Pp, Ppk, Cpm with intervals, shares outside, stability.

    Readings that aren't normal get the percentile method of ISO 22514 beside; what can't be negative gets nothing
    else (--from-zero). With --second and --tolerance: position from its two coordinates.

    Example: holeqc capability sizes.csv --column size --lower 0.455 --upper 0.462 --subgroup part

    Exit code 0: done. 2: unusable input.

    Caution: an index says nothing about a part that was not measured and nothing while the series is unstable. It
    supports and never replaces the drawing, the approved data and the person licensed to sign; local codes prevail.
    """
    from holeqc.commands.tables import read_table

    table = read_table(data, sheet)
    if second:
        _position(table, (column, second, bonus), tolerance, confidence, (unit, json_), plot)
        return
    from holeqc.commands.tables import label_column, number_column
    from holeqc.problems import DataError
    from holeqc.statistics.capability import Choices
    from holeqc.statistics.capability import capability as work_out
    from holeqc.statistics.indices import Limits

    if tolerance is not None or bonus:
        raise DataError("--tolerance and --bonus belong to positions; give the second coordinate with --second")
    limits = Limits(lower, upper, target)
    choices = Choices(within=within, confidence=confidence, coverage=coverage, from_zero=from_zero,
                      resolution=resolution)
    values, problems = number_column(table, column)
    result = work_out(values, limits, subgroups=label_column(table, subgroup) if subgroup else None, choices=choices)
    _tell(problems)
    if plot is not None:
        from holeqc.reports.chart_plots import capability_figure
        from holeqc.reports.fit_plots import save_figure
        from holeqc.statistics.normality import probability_plot

        save_figure(capability_figure(result, probability_plot(values), column, unit), plot)
        print(f"picture: {plot}", file=sys.stderr)
    if json_:
        print_json(result.as_dict())
    else:
        from holeqc.reports.chart_text import capability_text

        sys.stdout.write(capability_text(result, column, unit))


def _position(table: Table, columns: tuple[str, str, str], tolerance: float | None, confidence: float,
              shown: tuple[str, bool], plot: Path | None) -> None:
    from holeqc.commands.tables import number_column
    from holeqc.problems import DataError
    from holeqc.statistics.position_capability import position_capability

    if tolerance is None:
        raise DataError("capability of position needs --tolerance, the diameter of the tolerance zone")
    if plot is not None:
        raise DataError("--plot draws a probability plot of one column; leave out --second")
    first, second, bonus = columns
    x, said = number_column(table, first)
    y, more = number_column(table, second)
    extra = None
    if bonus:
        extra, last = number_column(table, bonus)
        more += last
    result = position_capability(x, y, tolerance, bonus=extra, confidence=confidence)
    _tell(said + more)
    unit, as_json = shown
    if as_json:
        print_json(result.as_dict())
    else:
        from holeqc.reports.chart_text import position_text

        sys.stdout.write(position_text(result, f"{first}, {second}", unit))


def _tell(problems: tuple[Problem, ...]) -> None:
    for sentence in dict.fromkeys(f"{p.severity}: {p.sentence()}" for p in problems):
        print(sentence, file=sys.stderr)


def print_json(content: Any) -> None:
    """Print content as JSON that every reader takes: no NaN."""
    import json

    sys.stdout.write(json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False) + "\n")
