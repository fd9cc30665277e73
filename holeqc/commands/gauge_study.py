"""`holeqc gauge-study`: can the gauge tell it, and what U belongs into the kit file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from holeqc import printing

if TYPE_CHECKING:
    from holeqc.commands.gauge_study_runs import Result

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
    from holeqc.commands.gauge_study_runs import Request, run
    from holeqc.readings.plain_table import read_table

    request = Request(
        value=value, part=part, appraiser=appraiser, limits=(lower, upper), method=method, nested=nested,
        interaction=interaction, pool_above=pool_above, master=master, reference=reference, size=size, enters=enters,
        over_time=over_time, budget=tuple(budget or ()), confidence=confidence, unit=unit,
    )  # fmt: skip
    table = read_table(data, sheet, request.columns)
    if write is None:
        if gauge:
            from holeqc.problems import DataError

            raise DataError("--gauge goes with --write KIT.toml; for printed lines alone say --budget gauge=ID")
        result = run(table, request)
        _draw(result, plot)
        _print(result, json_)
        return
    from holeqc.commands.finding import load_kit
    from holeqc.commands.gauge_study_kit import for_kit, tell, write_outcome

    specification = load_kit(write)
    result = run(table, for_kit(request, specification, gauge))
    _draw(result, plot)  # what can fail comes before the file is touched
    said = write_outcome(result, specification, write, gauge, source=data.name, sure=bool(unit))
    _print(result, json_)
    tell(said, json_)


def _draw(result: Result, plot: Path | None) -> None:
    for problem in result.problems:
        printing.warn(f"{problem.severity}: {problem.sentence()}")
    if plot is not None:
        from holeqc.reports.scale_plots import save_figure

        save_figure(result.figure(), plot)
        printing.warn(f"picture: {plot}")


def _print(result: Result, as_json: bool) -> None:
    if as_json:
        printing.write_json(result.data)
    else:
        printing.write(result.text)
