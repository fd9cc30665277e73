"""`holeqc capability`, `chart`, `gauge-study`, `wear`: able, changed, can the gauge tell, is the fixture worn."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing
from holeqc.answers.files import FROM_HELP, TOLERANCES_HELP, WHERE_HELP
from holeqc.answers.series import BY_HELP, COLUMN_HELP, OF_HELP, ONLY_HELP
from holeqc.commands import save_pictures, show

Files = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="DATA | KIT.toml FILES...",
        show_default=False,
        readable=False,
        help="A table "
        "with one reading a row (.csv, .tsv, .xlsx); or a kit file and filled sheets or their folder, "
        "as holeqc check takes them.",
    ),
]


def capability(
    files: Files = None,
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
    normal: Annotated[
        bool, typer.Option("--normal", help="Known from elsewhere to be normal: give what supposes it too.")
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
        subgroup=subgroup, within=within, from_zero=from_zero, normal=normal, second=second, tolerance=tolerance,
        bonus=bonus, resolution=resolution, coverage=coverage, confidence=confidence, unit=unit, sheet=sheet,
        ledger=ledger, where=where or (),
    )  # fmt: skip
    show(answers, json_, plot)


# ------------------------------------------------------------------------------------------------- control charts


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
    files: Files = None,
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


# -------------------------------------------------------------------------------------------------- gauge studies


BUDGET_HELP = (
    "Print the uncertainty budget and the kit file's lines. NAME=AMOUNT, as often as needed: step (smallest step of "
    "the gauge), master (its U at k = 2), readings (averaged in use), length, off (degC from 20), apart (degC, part "
    "against gauge), expansion and difference (of coefficients, 1e-6/degC), bias (known, not corrected), gauge (its "
    "id), kind. 'study' alone takes the study's lines only."
)


def gauge_study(
    data: Annotated[
        Path, typer.Argument(metavar="DATA", readable=False, help="Table with one reading a row: .csv, .tsv, .xlsx.")
    ],
    value: Annotated[str, typer.Option(help="Column of the readings; words make it a study of answers.")],
    part: Annotated[str, typer.Option(help="Column of the part; left out: all readings are of one part.")] = "",
    appraiser: Annotated[str, typer.Option(help="Column of who read; left out: one appraiser.")] = "",
    lower: Annotated[float | None, typer.Option(help="Lower limit, same unit.")] = None,
    upper: Annotated[float | None, typer.Option(help="Upper limit, same unit.")] = None,
    method: Annotated[str, typer.Option(help="anova, or range (average and range).")] = "anova",
    nested: Annotated[bool, typer.Option("--nested", help="Each appraiser has parts of their own.")] = False,
    interaction: Annotated[
        str, typer.Option(help="rule: pool it with repeatability if its p is above --pool-above; pool; keep.")
    ] = "rule",
    pool_above: Annotated[float, typer.Option(help="The p of that rule.")] = 0.25,
    master: Annotated[str, typer.Option(help="Column of the master's value: bias and linearity.")] = "",
    reference: Annotated[str, typer.Option(help="Column of the right answer, for a study in words.")] = "",
    size: Annotated[str, typer.Option(help="Column of the known hole size: response curve of a plug.")] = "",
    enters: Annotated[str, typer.Option(help="The word that says that the plug enters.")] = "enters",
    over_time: Annotated[
        bool, typer.Option("--over-time", help="The rows are a check standard in order of time: chart it.")
    ] = False,
    budget: Annotated[list[str] | None, typer.Option(metavar="NAME=AMOUNT", help=BUDGET_HELP)] = None,
    write: Annotated[
        Path | None,
        typer.Option(
            metavar="KIT.toml",
            help="Write U with its budget into this kit file, for the --gauge named; the old file is kept beside.",
        ),
    ] = None,
    gauge: Annotated[str, typer.Option(metavar="ID", help="With --write: id of the gauge in the kit file.")] = "",
    confidence: Annotated[float, typer.Option(help="Level of the intervals.")] = 0.95,
    unit: Annotated[str, typer.Option(help="Unit, printed beside results.")] = "",
    sheet: Annotated[str, typer.Option(help="Sheet of a workbook; the first if not given.")] = "",
    plot: Annotated[Path | None, typer.Option(help="Write a picture: .svg, .png or .pdf.")] = None,
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Tell what a gauge and the people who use it add to a reading: repeatability, reproducibility, shares.

    Numbers: one row a reading, with the part and who read. Words (accept, reject): agreement and kappa. With --master:
    bias and linearity. With --size: how often a plug's answer is wrong near the limit (--lower: GO, --upper: NO-GO).

    Example: holeqc gauge-study study.csv --part part --appraiser appraiser --value value --lower 0.455 --upper 0.462

    Example: holeqc gauge-study study.csv --part part --appraiser appraiser --value value --budget master=0.0002
    --write tolerances/bl7.toml --gauge BG-2

    Exit code 0: done. 2: unusable input.

    Caution: deburr and clean before reading, let part and gauge reach one temperature. A result supports and never
    replaces the approved procedure; local rules prevail.
    """
    from holeqc.answers.gauge_studies import Request, ask, write_outcome

    request = Request(
        value=value, part=part, appraiser=appraiser, limits=(lower, upper), method=method, nested=nested,
        interaction=interaction, pool_above=pool_above, master=master, reference=reference, size=size, enters=enters,
        over_time=over_time, budget=tuple(budget or ()), confidence=confidence, unit=unit,
    )  # fmt: skip
    study, kit = ask(data, request, sheet, write, gauge)
    for problem in study.problems:
        printing.warn(f"{problem.severity}: {problem.sentence()}")
    save_pictures(study, plot)  # what can fail comes before the file is touched
    said = [] if kit is None else ["", *write_outcome(study, kit, gauge, source=data.name, sure=bool(unit))]
    show(study, json_)
    printing.say(*(said[1:] if json_ else said), aside=json_)


# ----------------------------------------------------------------------------------------------------------------- wear


def wear(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[KIT.toml] FILES...",
            show_default=False,
            readable=False,
            help="The kit file and the readings of many parts (.xlsx, .csv), in any order; days say which came first.",
        ),
    ] = None,
    events: Annotated[
        Path | None,
        typer.Option(
            readable=False,
            help="Table of events (.csv, .xlsx): serial, cycle or date; event (bushing changed, drill reground, "
            "fixture repaired, coordinate frame changed); bushing or all; note. A serial number with a cycle, or "
            "'parts counted' with a day and a cycle, says how many parts had been drilled by then.",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for fixture.html, fixture.pdf and fixture.json.")
    ] = None,
    json_: Annotated[
        bool, typer.Option("--json", help="Print everything as JSON instead of the short screen.")
    ] = False,
    tolerances: Annotated[Path | None, typer.Option(help=TOLERANCES_HELP)] = None,
    made: Annotated[
        int, typer.Option(min=0, help="Parts drilled up to the last one of the files, if more than the files hold.")
    ] = 0,
    unit: Annotated[str, typer.Option(help="in or mm: unit of readings whose sheet doesn't say one.")] = "",
    ledger: Annotated[str, typer.Option(help=FROM_HELP)] = "",
    where: Annotated[list[str] | None, typer.Option(metavar="KEY=VALUE", help=WHERE_HELP)] = None,
    record: Annotated[
        bool, typer.Option("--record", help="With --ledger: log the forecast, for holeqc waiting; needs --by.")
    ] = False,
    by: Annotated[str, typer.Option(help="Who logs it; else HOLEQC_BY.")] = "",
) -> None:
    """Tell whether a drill fixture is worn: seating, bushings, trends, parts until a bushing must be changed.

    Each part's seating (shift, turn, scale) is taken out; what is left at each bushing is trended. Events restart the
    trends they touch; changes that nobody logged are asked about. Limits come from the kit file alone.

    Example: holeqc wear tolerances/bl7.toml history.csv --events events.csv --out fixture

    Exit code 0: done. 2: unusable input.

    Caution: lock the machine before you touch bushings; mind the chips. A forecast supports and never replaces the
    inspection of each part, the drawing, the approved data and the person licensed to sign; local codes prevail.
    """
    from holeqc.answers import fixture

    name = fixture.recorder(record, ledger, by)
    answer = fixture.wear(
        *files or (), events=events, tolerances=tolerances, made=made, unit=unit, ledger=ledger, where=where or ()
    )
    for problem in answer.problems:
        printing.warn(f"{problem.severity}: {problem.sentence()}")
    show(answer, json_)
    if out is not None:
        from holeqc.answers.check import report

        written = report(answer, out)
        printing.say("", f"Report: {written[0]}  ({len(written)} files in {out})", aside=json_)
    if name:
        entry = fixture.record_forecast(answer, ledger, name)
        printing.say(f"Forecast recorded as entry {entry.seq}", aside=json_)
