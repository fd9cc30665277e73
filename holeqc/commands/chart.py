"""`holeqc chart`: has something changed, when, and what does that look like."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from holeqc import printing
from holeqc.commands.from_ledger import FROM_HELP, WHERE_HELP
from holeqc.commands.series import BY_HELP, COLUMN_HELP, OF_HELP, ONLY_HELP, is_kit, open_table, read_run, refuse_in_kit

if TYPE_CHECKING:
    from holeqc.commands.series import Answer, Run
    from holeqc.inspection.series import RejectCounts, Series
    from holeqc.problems import Problem
    from holeqc.readings.plain_table import Table
    from holeqc.statistics.charts import Chart, ChartOptions

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
    from holeqc.commands.series import named
    from holeqc.statistics.charts import POSITION, ChartOptions
    from holeqc.statistics.signals import ALL_TESTS

    files = files or []
    of_kit = bool(ledger) or is_kit(files)
    options = ChartOptions(
        tests=ALL_TESTS if tests.strip() == "all" else tuple(t.strip() for t in tests.split(",") if t.strip()) or None,
        baseline=baseline,
        frozen=None if limits is None or of_kit else _frozen(limits), centre=centre, sigma=sigma,
        weight=weight, width=width, steady=steady, reference=reference, decision=decision, alarm=alarm,
    )  # fmt: skip
    if of_kit:
        refuse_in_kit(column=column, second=second, size=size)
        run = read_run(files, of, by, only or (), unit, sheet, (ledger, where or ()))
        _kit(run, (kind, subgroup), options, limits, (json_, plot))
        return
    counted = "" if size.strip().isdecimal() else size
    table, columns = open_table(files, column, (second, subgroup, counted), sheet, of=of, by=by, only=only)
    asked = (columns, second, size, subgroup)
    result, problems = _draw_up(table, kind or (POSITION if second else ""), asked, options)
    title = ", ".join((named(columns), *([second] if second else [])))
    for sentence in dict.fromkeys(f"{p.severity}: {p.sentence()}" for p in problems):
        printing.warn(sentence)
    if plot is not None:
        from holeqc.reports.chart_plots import chart_figure
        from holeqc.reports.scale_plots import save_figure

        save_figure(chart_figure(result, title, unit), plot)
        printing.warn(f"picture: {plot}")
    if json_:
        from holeqc.commands.capability import print_json

        print_json(result.as_dict())
    else:
        from holeqc.reports.chart_text import chart_text

        printing.write(chart_text(result, title, unit))


def _kit(
    run: Run, asked: tuple[str, str], options: ChartOptions, limits: Path | None, shown: tuple[bool, Path | None]
) -> None:
    """Draw up the chart of every group of a kit's readings."""
    from dataclasses import replace

    from holeqc.commands.series import REJECTS, answers, common_data, show
    from holeqc.commands.series_answers import chart_of, chart_words, rejects_of, with_remarks
    from holeqc.inspection.series import make_series
    from holeqc.reports.chart_text import CHART_HEAD
    from holeqc.statistics.charts import POSITION

    kind, subgroup = asked

    def held(group: str) -> ChartOptions:
        return options if limits is None else replace(options, frozen=_frozen(limits, group))

    def work(series: Series) -> Answer:
        made = chart_of(series, kind, subgroup, held(series.group))
        made = with_remarks(_noted(made), (*chart_words(series, made, subgroup), *series.problems))
        unit = "" if made.kind == POSITION else series.unit  # T2 is a plain number
        return _answer(made, series.group, common_data(run, series), (f"{run.of}, {series.group}", unit))

    def count(rejects: RejectCounts) -> Answer:
        made = rejects_of(rejects, kind, held(rejects.group))
        name = f"rejected {rejects.counted}, {rejects.group}"
        answer = _answer(made, rejects.group, common_data(run, rejects), (name, ""))
        if rejects.held < int(rejects.sizes.sum()):
            return answer
        first = f"All {rejects.held} {rejects.counted} are held: nothing is rejected yet and this chart tells nothing."
        return replace(answer, text=f"{first}\nClear up what holds them: holeqc check names it.\n\n{answer.text}")

    if run.of == REJECTS:
        from holeqc.inspection.judge import inspect
        from holeqc.inspection.series import count_rejects

        found = answers(run, count_rejects(inspect(run.spec, run.readings), run.by, subgroup), count)
    else:
        found = answers(run, make_series(run.spec, run.readings, run.of, run.by), work)
    show(run, found, CHART_HEAD, as_json=shown[0], plot=shown[1])


def _answer(made: Chart, group: str, data: dict[str, Any], named: tuple[str, str]) -> Answer:
    from holeqc.commands.series import Answer
    from holeqc.reports.chart_text import chart_row, chart_text, signal_places

    def draw() -> Any:
        from holeqc.reports.chart_plots import chart_figure

        return chart_figure(made, *named)

    places = signal_places(made)
    text = chart_text(made, *named) + (f"\n{places}" if places else "")
    return Answer(group, text, data | made.as_dict(), chart_row(group, made), draw)


def _draw_up(
    table: Table, kind: str, asked: tuple[tuple[str, ...], str, str, str], options: ChartOptions
) -> tuple[Chart, tuple[Problem, ...]]:
    """Read the columns that a kind of chart needs and return the chart, and what must be said of the cells."""
    from holeqc.commands.series import one_column, read_numbers, row_subgroups
    from holeqc.problems import DataError
    from holeqc.statistics import charts as parts
    from holeqc.statistics.charts import c_chart, p_chart, position_chart
    from holeqc.statistics.charts import chart as work_out

    columns, second, size, subgroup = asked
    if kind and kind not in parts.KINDS:
        raise DataError(f"there is no chart '{kind}'; allowed: {', '.join(parts.KINDS)}")
    if second and kind != parts.POSITION:
        raise DataError(f"--second belongs to a chart of positions, not to '{kind}'")
    if size and kind != parts.P_CHART:
        raise DataError("--size belongs to a chart of shares: give --kind p")
    if kind in (parts.POSITION, parts.C_CHART, parts.P_CHART):
        one_column(columns, f"a chart of kind {kind}")
    values, problems = read_numbers(table, *columns)
    labels = row_subgroups(table, columns, subgroup)
    if kind == parts.POSITION:
        if not second:
            raise DataError("a chart of positions needs the second coordinate: --second")
        other, more = read_numbers(table, second)
        return position_chart(values, other, subgroups=labels, options=options), problems + more
    if kind == parts.C_CHART:
        return c_chart(values, options=options, labels=labels), problems
    if kind == parts.P_CHART:
        if not size:
            raise DataError("a chart of shares needs the number inspected: --size, a column or one number")
        sizes, more = _sizes(table, size)
        return p_chart(values, sizes, options=options, labels=labels), problems + more
    return _noted(work_out(values, kind, subgroups=labels, options=options)), problems


def _noted(made: Chart) -> Chart:
    from holeqc.commands.series_answers import with_remarks
    from holeqc.statistics.charts import point_notes

    return with_remarks(made, point_notes(made))


def _sizes(table: Table, size: str) -> tuple[Any, tuple[Problem, ...]]:
    from holeqc.readings.plain_table import number_column

    if size not in table.names and size.strip().isdecimal():
        return int(size), ()
    return number_column(table, size)


def _frozen(path: Path, group: str = "") -> Any:
    """Return the limits of an earlier chart from its JSON file; of its group where it holds several."""
    from holeqc import door
    from holeqc.problems import DataError
    from holeqc.statistics.charts import Frozen

    came = door.take(path, door.CHART, error=DataError)
    try:
        content = door.json_values(came.content)
    except ValueError as error:
        raise DataError(f"{path}: not the --json output of a chart ({error})") from None
    if isinstance(content, list):
        named = [c for c in content if isinstance(c, dict) and c.get("group") == group]
        if not group or not named:
            raise DataError(f"{path}: it holds the charts of a kit's groups, none of {group or 'a plain table'}")
        content = named[0]
    frozen = content.get("frozen") if isinstance(content, dict) else None
    if not isinstance(frozen, dict):
        raise DataError(f"{path}: it holds no limits; give the --json output of an earlier chart")
    return Frozen.from_dict(frozen)
