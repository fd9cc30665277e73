"""`holeqc check`: filled sheets in, verdicts out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing
from holeqc.answers.files import TOLERANCES_HELP
from holeqc.commands import LEDGER_HELP


def check(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="[KIT.toml] FILES...",
            help="The kit file and the filled sheets (.xlsx, .csv), reports of a coordinate machine (.csv, .txt, or "
            ".qif: QIF 3.0, ISO 23952), or a folder of them. Without a kit file, the kit id and revision inside a "
            "sheet are looked for in the tolerances folders.",
            show_default=False,
            readable=False,  # a file without permission is one that can't be used, and stops no other
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Folder for report.html, report.pdf, evaluated.xlsx, tags, data, qif/."),
    ] = None,
    json_: Annotated[
        bool, typer.Option("--json", help="Print everything as JSON instead of the short screen.")
    ] = False,
    tolerances: Annotated[Path | None, typer.Option(help=TOLERANCES_HELP)] = None,
    unit: Annotated[str, typer.Option(help="in or mm: unit of readings whose sheet doesn't say one.")] = "",
    part: Annotated[str, typer.Option(help="Part that the sheets are of, where they don't say.")] = "",
    serial: Annotated[str, typer.Option(help="Serial number, where the sheets don't say one.")] = "",
    delimiter: Annotated[str, typer.Option(help="CSV: character between fields; recognised if not given.")] = "",
    decimal: Annotated[str, typer.Option(help="CSV: decimal mark, . or , ; recognised if not given.")] = "",
    encoding: Annotated[str, typer.Option(help="CSV: text encoding; recognised if not given.")] = "",
    brief: Annotated[
        bool, typer.Option("--brief", help="With --out: a line for each part in the report, no pages of its own.")
    ] = False,
    record: Annotated[
        bool, typer.Option("--record", help="Log readings, verdicts and tags in the ledger; needs --by.")
    ] = False,
    by: Annotated[str, typer.Option(help="Who logs: a role or a number, no name needed; else HOLEQC_BY.")] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    replaces: Annotated[
        int | None,
        typer.Option(
            metavar="ENTRY", show_default=False,
            help="With --record: the ledger's entry whose file this file corrects, where the name doesn't tell.",
        ),
    ] = None,
    tags: Annotated[
        bool, typer.Option("--tags/--no-tags", help="With --record: open tags; a history for trends alone needs none.")
    ] = True,
) -> None:  # fmt: skip
    """Judge filled reading sheets against a kit: accept, hold or reject for each hole and part, why, and what to do.

    A file that can't be used doesn't stop the rest: the others are judged, it is listed last, and the exit code is 2.

    Exit code 0: everything accepted. 1: something rejected. 3: something held. 2: unusable input.

    Example: holeqc check tolerances/bl7.toml filled.xlsx --out report

    Example: holeqc check tolerances/bl7.toml filled.xlsx --record --by "bench 2"

    Caution: eye protection, clamped work, mind the chips. A verdict supports and never replaces the drawing, the
    approved data and the person licensed to sign; local codes prevail.
    """
    from holeqc.answers import check as answers
    from holeqc.problems import HoleQCError
    from holeqc.readings.containers import ReadOptions

    if brief and out is None:
        raise HoleQCError("--brief is of the report; add --out FOLDER")
    answers.refuse_unsigned(record, by, replaces)
    options = ReadOptions(unit=unit, part=part, serial=serial, delimiter=delimiter, decimal=decimal, encoding=encoding)
    run = answers.judge(files, tolerances, options)
    opening = answers.Opening(run, ledger) if record else None
    run = run if opening is None else opening.run
    if json_:
        from holeqc.reports.data import as_data

        printing.write_json(as_data(run.inspection))
    else:
        from holeqc.reports.screen import screen_text, screen_width

        printing.write(screen_text(run.inspection, screen_width()))
    if out is not None:
        written = answers.report(run, out, brief=brief)
        printing.say("", f"Report: {written[0]}  ({len(written)} files in {out})", aside=json_)
    if opening is not None:
        printing.say("", *opening.record(by, replaces, tags), aside=json_)
        for unusable in run.unusable:
            printing.say(f"Not recorded: {unusable.file} can't be used; record it once it is mended", aside=json_)
    raise typer.Exit(2 if run.unusable else exit_code(run.inspection.tables["parts"]["verdict"]))


def exit_code(verdicts: object) -> int:
    """Return 1 if any part is rejected, else 3 if any is held, else 0; no part at all is unusable input, 2."""
    import numpy as np

    from holeqc.inspection.results import HOLD, REJECT

    array = np.asarray(verdicts)
    if array.size == 0:
        return 2
    worst = int(array.max())
    return 1 if worst == REJECT else 3 if worst == HOLD else 0
