"""`holeqc part`, `serial`, `parts`, `waiting`: parts on record, one or all, and what waits."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing
from holeqc.commands import LEDGER_HELP
from holeqc.ledger import a_day


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
    from holeqc.answers import required_who
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
    from holeqc.ledger.stories import open_questions, part_story
    from holeqc.problems import LedgerError
    from holeqc.reports.record import as_json, part_text, story_data

    with open_ledger(ledger, create=False) as there:
        story = part_story(there, serial, kit=kit, part=name)
        if not story:
            raise LedgerError(f"serial {serial}: nothing is recorded in ledger {there.location.shown}")
        questions = open_questions(there, serial)
        there.warn_of_doubts([serial])
    data = story_data(story) | {"questions": [asdict(question) for question in questions]}
    printing.write(as_json(data) if json_ else part_text(story, questions))
    if out is not None:
        from holeqc.ledger.schema import today
        from holeqc.reports.record import story_report, write_page

        write_page(story_report(story, questions, today()), out)
        printing.say(f"Page: {out}", aside=json_)
    newest = {(one.row["kit"], one.row["part"]): VERDICTS.index(str(one.row["verdict"])) for one in story.inspections}
    raise typer.Exit(exit_code(list(newest.values())))


def parts(
    verdict: Annotated[str, typer.Option(help="Only accept, hold or reject.")] = "",
    since: Annotated[str, typer.Option(help="Only read on this day or later: 2026-11-01.")] = "",
    until: Annotated[str, typer.Option(help="Only read on this day or earlier.")] = "",
    fixture: Annotated[str, typer.Option(help="Only drilled with this fixture.")] = "",
    kit: Annotated[str, typer.Option(help="Only of this kit.")] = "",
    revision: Annotated[str, typer.Option(help="Only judged under this revision of the kit.")] = "",
    name: Annotated[str, typer.Option("--part", help="Only this part of the kit.")] = "",
    by: Annotated[str, typer.Option(help="Only logged or read by this person.")] = "",
    defect: Annotated[
        str, typer.Option(help="Only not accepted in this (size, position, pins, ...) or for this (crack, missing).")
    ] = "",
    tag: Annotated[
        str, typer.Option(help="Only with such a tag: open, closed, none, or its disposition (rework, scrap, ...).")
    ] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """List the recorded parts with their newest verdict, open tags, and whether they are approved.

    Exit code 0: listed, whatever the verdicts are. 2: unusable, such as a kit or fixture that the ledger doesn't know.

    Example: holeqc parts --verdict reject --since 2026-11-01 --fixture DF-BL7

    Example: holeqc parts --tag scrap --by 17
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.equipment import refuse_unknown_names
    from holeqc.ledger.read_back import DEFECTS, Filter
    from holeqc.ledger.stories import newest_parts
    from holeqc.reports.record import as_json, parts_text

    wanted = Filter(
        kit=kit, revision=revision, part=name, fixture=fixture, verdict=verdict.strip().lower(),
        since=a_day(since, "--since"), until=a_day(until, "--until"), by=by.strip(),
        defect=next((name for name in DEFECTS if name.lower() == defect.strip().lower()), defect),
        tag=tag.strip().lower(),
    )  # fmt: skip
    with open_ledger(ledger, create=False) as there:
        refuse_unknown_names(there, wanted)
        rows = newest_parts(there, wanted)
        there.warn_of_doubts()
    printing.write(as_json(rows) if json_ else parts_text(rows))


def waiting(
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Write it as a page too: .html or .pdf; replaces an older one.")
    ] = None,
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Say what waits: parts in question, open tags by age with the next command, parts ready to approve or held, lots
    drawn and still open, gauges past their date or near it, kits that nobody released, bushings that the last recorded
    forecast wants changed soon.

    Exit code 0: listed, whatever waits. 2: there is no ledger.

    Example: holeqc waiting

    Example: holeqc waiting --out waiting.html
    """
    from dataclasses import asdict

    from holeqc.ledger import open_ledger
    from holeqc.ledger.approvals import waiting as look
    from holeqc.ledger.schema import today
    from holeqc.reports.record import as_json, tags_data, waiting_text

    with open_ledger(ledger, create=False) as there:
        found = look(there, today())
    data = asdict(found) | {"tags": tags_data(found.tags)}
    printing.write(as_json(data) if json_ else waiting_text(found))
    if out is not None:
        from holeqc.reports.record import waiting_report, write_page

        write_page(waiting_report(found), out)
        printing.say(f"Page: {out}", aside=json_)
