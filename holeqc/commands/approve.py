"""`holeqc approve` and `holeqc withdraw`: a person's word on a part, and its taking back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing
from holeqc.answers import required_who
from holeqc.commands import KEY_HELP, LEDGER_HELP, signer_of

_SERIAL = typer.Argument(help="Serial number.", show_default=False)
_BY = typer.Option(help="Who: a number or an id; else HOLEQC_BY.")
_PART = typer.Option("--part", help="Part, where one serial number belongs to several.")
_KIT = typer.Option(help="Kit, where one serial number belongs to several.")


def approve(
    serials: Annotated[list[str], typer.Argument(metavar="SERIAL...", help="Serial numbers.", show_default=False)],
    by: Annotated[str, _BY] = "",
    role: Annotated[str, typer.Option(help="As what.")] = "inspector",
    note: Annotated[str, typer.Option(help="Remark that goes with it.")] = "",
    kit: Annotated[str, _KIT] = "",
    name: Annotated[str, _PART] = "",
    clock_reason: Annotated[
        str, typer.Option(help="Why its readings are of a day still to come by the clock here.")
    ] = "",
    key: Annotated[Path | None, typer.Option(metavar="FILE", help=KEY_HELP)] = None,
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
) -> None:
    """Approve the newest inspection of a part, or of several, and lock its set, unless something stands in the way.

    Each part is approved or refused by itself. Refused, with the whole list, while anything is held, rejected without a
    closed disposition, measured with a gauge out of calibration, judged under a kit text that two persons haven't
    released (holeqc kit release), rejected or held by an earlier inspection that isn't closed, or logged, read,
    reworked or decided on by the same person (the kit's two-person rule). A gauge found out of tolerance since, whose
    error changes no verdict, is named and kept with the approval.

    Exit code 0: all approved. 1: refused, something is rejected. 3: refused for another reason. 2: unusable, such as a
    serial number that isn't recorded; then nothing was approved.

    Example: holeqc approve P-0107 --by 41 --role inspector

    Caution: an approval here supports and never replaces the signature of the person licensed to give it.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.approvals import ApprovalRefused, newest_story, worst_of
    from holeqc.ledger.approvals import approve as record
    from holeqc.ledger.ledger import SEALED

    who, refused = required_who(by, "who approves"), set()
    signer = signer_of(key)
    with open_ledger(ledger, create=False) as there:
        rows = [(serial, newest_story(there, serial, kit=kit, part=name).row) for serial in dict.fromkeys(serials)]
        for serial, row in rows:
            try:
                done = record(
                    there, serial, who, role=role, kit=kit, part=name, note=note, clock_reason=clock_reason,
                    signer=signer,
                )  # fmt: skip
                sealed = there.leave_seal(f"approval of {serial}")
            except ApprovalRefused as refusal:
                printing.failure(str(refusal), (f"{problem.message}. {problem.action}" for problem in refusal.problems))
                refused.add(1 if worst_of(refusal.problems) == "reject" else 3)
                continue
            label = " ".join(word for word in (str(row["part"]), str(row["serial"])) if word)
            printing.say(
                f"Approved: {label}, inspection {done.inspection['id']}, recorded as entry {done.entry.seq}, "
                f"hash {done.entry.hash}"
            )
            if done.released:
                printing.say(f"Released with a nonconformance: {done.released}")
            for remark in done.remarks:
                printing.say(f"Note: {remark}. Kept with the approval.")
            if sealed.startswith(SEALED):
                printing.say(sealed)
            printing.say(f"The set is locked. Its packet: holeqc packet {serial} -o FOLDER --by WHO")
    if refused:
        raise typer.Exit(1 if 1 in refused else 3)


def question(
    serial: Annotated[str, _SERIAL],
    reason: Annotated[str, typer.Option(help="Why the part is good in spite of the gauge; closes the question.")] = "",
    by: Annotated[str, _BY] = "",
    read_with: Annotated[
        str, typer.Option(metavar="GAUGE", help="Gauge that the part was read again with, where the error isn't known.")
    ] = "",
    kit: Annotated[str, _KIT] = "",
    name: Annotated[str, _PART] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
) -> None:
    """Say what puts an approved part in question, such as a gauge that was found off since; with --reason close it.

    It says what the gauge's error, taken out, does to the part's verdicts. An error that changes one is answered by
    readings of another gauge, not by a reason; one that isn't known by those too, or by --read-with.

    Exit code 0: nothing is open, or it was closed. 3: the part is in question. 2: refused, nothing was recorded.

    Example: holeqc question P-0107 --by 41 --reason "error 0.0001 with 0.002 to spare, see gauge suspect"

    Caution: only the person licensed to decide may decide; this records it.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.stories import close_questions, consequence_words, open_questions, question_words

    with open_ledger(ledger, create=False) as there:
        if reason:
            who = required_who(by, "who decides")
            told = [f"gauge {q.gauge}: {consequence_words(there, q)}" for q in open_questions(there, serial)]
            entry = close_questions(there, serial, who, reason, kit=kit, part=name, read_with=read_with)
            printing.say(*told)
            printing.say(f"Closed: {serial} is no longer in question; entry {entry.seq}")
            return
        found = [(one, consequence_words(there, one)) for one in open_questions(there, serial)]
    for one, words in found:
        printing.say(f"{one.part} {one.serial} is {question_words(one)}", f"  {words}")
    if not found:
        printing.say(f"{serial}: nothing puts it in question")
    raise typer.Exit(3 if found else 0)


def withdraw(
    serial: Annotated[str, _SERIAL],
    reason: Annotated[str, typer.Option(help="Why.")] = "",
    by: Annotated[str, _BY] = "",
    kit: Annotated[str, _KIT] = "",
    name: Annotated[str, _PART] = "",
    key: Annotated[Path | None, typer.Option(metavar="FILE", help=KEY_HELP)] = None,
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
) -> None:
    """Withdraw the newest approval of a part that stands. It stays on record, with who withdrew it and why.

    Exit code 0: recorded. 2: refused, nothing was recorded.

    Example: holeqc withdraw P-0107 --by 7 --reason "gauge BG-2 found out of tolerance"
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.approvals import withdraw as record

    who = required_who(by, "who withdraws")
    with open_ledger(ledger, create=False) as there:
        entry = record(there, serial, who, reason, kit=kit, part=name, signer=signer_of(key))
    printing.say(
        f"Withdrawn: the approval of {serial}; recorded as entry {entry.seq}. Copies of its packet are no longer good."
    )
