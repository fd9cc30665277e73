"""`holeqc part`: the whole story of one serial number."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing
from holeqc.commands.recording import LEDGER_HELP


def serial(
    number: Annotated[str, typer.Argument(metavar="SERIAL", help="Serial number asked about.", show_default=False)],
    same_as: Annotated[str, typer.Option("--same-as", help="It is this part: recorded so from now on.")] = "",
    not_: Annotated[str, typer.Option("--not", help="It is not this part.")] = "",
    reason: Annotated[str, typer.Option(help="What was looked at.")] = "",
    by: Annotated[str, typer.Option(help="Who: a number or an id; else HOLEQC_BY.")] = "",
    kit: Annotated[str, typer.Option(help="With --not and the same number: its kit.")] = "",
    name: Annotated[str, typer.Option("--part", help="With --not and the same number: its part.")] = "",
    other_kit: Annotated[str, typer.Option(help="The other one's kit.")] = "",
    other_part: Annotated[str, typer.Option(help="The other one's part.")] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
) -> None:
    """Answer whether two serial numbers that are spelled nearly alike are one part. The answer is kept and shown with
    the approval; a later one takes its place.

    Exit code 0: recorded. 2: refused, nothing was recorded.

    Example: holeqc serial P0107 --same-as P-0107 --by 41 --reason "looked at the stamp"
    """
    from holeqc.commands.recording import required_who
    from holeqc.ledger import open_ledger
    from holeqc.ledger.resemblance import answer
    from holeqc.problems import LedgerError

    who = required_who(by, "who looked at the part")
    if bool(same_as) == bool(not_):
        raise LedgerError("say one of the two: --same-as OTHER or --not OTHER")
    with open_ledger(ledger, create=False) as there:
        entry = answer(
            there, number, same_as or not_, bool(same_as), who, reason, kit=kit, part=name, other_kit=other_kit,
            other_part=other_part,
        )  # fmt: skip
    printing.say(f"Recorded: {number} is {'' if same_as else 'not '}{same_as or not_}; entry {entry.seq}")


def part(
    serial: Annotated[str, typer.Argument(help="Serial number.", show_default=False)],
    kit: Annotated[str, typer.Option(help="Only of this kit.")] = "",
    name: Annotated[str, typer.Option("--part", help="Only of this part of the kit.")] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Write the story as a page too: .html or .pdf, to print or keep.")
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Show what is recorded of a serial number: inspections, tags with their life, approvals; oldest first.

    Exit code by its newest inspection: 0 accepted, 1 rejected, 3 held. 2: nothing is recorded.

    Example: holeqc part P-0109

    Example: holeqc part P-0109 --out P-0109.pdf
    """
    from dataclasses import asdict

    from holeqc.commands.check import exit_code
    from holeqc.inspection.results import VERDICTS
    from holeqc.ledger import open_ledger
    from holeqc.ledger.questions import open_questions
    from holeqc.problems import LedgerError
    from holeqc.reports.record import as_json, part_text, story_data

    with open_ledger(ledger, create=False) as there:
        story = there.part_story(serial, kit=kit, part=name)
        if not story:
            raise LedgerError(f"serial {serial}: nothing is recorded in ledger {there.location.shown}")
        questions = open_questions(there, serial)
    data = story_data(story) | {"questions": [asdict(question) for question in questions]}
    printing.write(as_json(data) if json_ else part_text(story, questions))
    if out is not None:
        from holeqc.ledger.times import today
        from holeqc.reports.record import story_report, write_page

        write_page(story_report(story, questions, today()), out)
        printing.say(f"Page: {out}", aside=json_)
    newest = {(one.row["kit"], one.row["part"]): VERDICTS.index(str(one.row["verdict"])) for one in story.inspections}
    raise typer.Exit(exit_code(list(newest.values())))
