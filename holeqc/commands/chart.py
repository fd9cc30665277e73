"""`holeqc chart`: has something changed, when, and what does that look like."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc.answers.files import FROM_HELP, WHERE_HELP
from holeqc.answers.series import BY_HELP, COLUMN_HELP, OF_HELP, ONLY_HELP
from holeqc.commands import show

KIND_HELP = (
    "average-range, average-sd (subgroups), individuals, ewma, cusum, position (with --second), p (counts of rejects, "
    "with --size), c (counts of faults). Chosen by the subgroups if not given."
)
SUBGROUP_HELP = (
    "Column of the subgroup, or of the points' names. Kit: part, day, or so many parts in a row; of rejects: day, "
    "week, month, or so many parts in a row."
)
TESTS_HELP = (
    "Tests by name, with commas: beyond_limits, same_side, steady_drift, up_and_down, two_of_three_far, "
    "four_of_five_off, hugging_centre, avoiding_centre; or all. The first two if not given."
)


def chart(
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
    of: Annotated[str, typer.Option(help=OF_HELP + ", rejects (their share over time). Size if not given.")] = "",
    by: Annotated[str, typer.Option(help=BY_HELP)] = "",
    only: Annotated[list[str] | None, typer.Option(help=ONLY_HELP)] = None,
    subgroup: Annotated[str, typer.Option(help=SUBGROUP_HELP)] = "",
    kind: Annotated[str, typer.Option(help=KIND_HELP)] = "",
    tests: Annotated[str, typer.Option(help=TESTS_HELP)] = "",
    baseline: Annotated[int | None, typer.Option(help="The first so many points set the limits for all.")] = None,
    limits: Annotated[Path | None, typer.Option(help="Hold the limits of an earlier chart: its --json output.")] = None,
    centre: Annotated[float | None, typer.Option(help="Centre line or target, instead of the mean.")] = None,
    sigma: Annotated[float | None, typer.Option(help="Sigma of one reading, instead of an estimate.")] = None,
    weight: Annotated[float, typer.Option(help="ewma: share of the newest point.")] = 0.2,
    width: Annotated[float, typer.Option(help="ewma: limits in sigma of the average.")] = 3.0,
    steady: Annotated[bool, typer.Option("--steady", help="ewma: steady limits from the first point on.")] = False,
    reference: Annotated[float, typer.Option(help="cusum: reference value in sigma of a point.")] = 0.5,
    decision: Annotated[float, typer.Option(help="cusum: decision value in sigma of a point.")] = 5.0,
    second: Annotated[str, typer.Option(help="position: column of the second coordinate.")] = "",
    alarm: Annotated[float, typer.Option(help="position: chance of a false alarm at a point.")] = 0.0027,
    size: Annotated[str, typer.Option(help="p: column of the number inspected, or one number.")] = "",
    unit: Annotated[str, typer.Option(help="Unit, printed beside results. Kit: of sheets that say none.")] = "",
    sheet: Annotated[str, typer.Option(help="Sheet of a workbook; the first if not given.")] = "",
    plot: Annotated[
        Path | None, typer.Option(help="Write a picture: .svg, .png or .pdf; of several groups, one each.")
    ] = None,
    ledger: Annotated[str, typer.Option(help=FROM_HELP)] = "",
    where: Annotated[list[str] | None, typer.Option(metavar="KEY=VALUE", help=WHERE_HELP)] = None,
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Draw up a control chart: centre line, limits, signals with their points and meaning, price of false alarms.

    Limits come from the readings, from the first --baseline points, or from an earlier chart (--limits).

    With a kit file: one chart a group, points in order of production; rejects are those of holeqc check.

    Example: holeqc chart sizes.csv --column size --subgroup part --plot chart.svg

    Example: holeqc chart subgroups.csv --column x1..x5

    Example: holeqc chart tolerances/bl7.toml sample_measurements/fixture_history/df-bl7_history.csv --only 3

    Example: holeqc chart tolerances/bl7.toml --ledger shop.sqlite3 --where fixture=DF-BL7 --only 3

    Exit code 0: done. 2: unusable input.

    Caution: a chart tells that something changed, not what to do; a process may be stable and out of limits. It
    supports and never replaces the drawing, the approved data and the person licensed to sign; local codes prevail.
    """
    from holeqc.answers.series import chart as answer

    answers = answer(
        *files or (), column=column or (), of=of, by=by, only=only or (), subgroup=subgroup, kind=kind, tests=tests,
        baseline=baseline, limits=limits, centre=centre, sigma=sigma, weight=weight, width=width, steady=steady,
        reference=reference, decision=decision, second=second, alarm=alarm, size=size, unit=unit, sheet=sheet,
        ledger=ledger, where=where or (),
    )  # fmt: skip
    show(answers, json_, plot)
