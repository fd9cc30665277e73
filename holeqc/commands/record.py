"""`holeqc part`, `tags`, `approve`, `packet`, `person` and their like: what is done with a recorded part, by whom."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from holeqc import printing
from holeqc.answers import required_who
from holeqc.commands import KEY_HELP, LEDGER_HELP, passphrase, signer_of
from holeqc.ledger import a_day

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger
    from holeqc.ledger.persons import Signer
    from holeqc.ledger.tags import TagState
    from holeqc.reports.packet import PacketCheck


_BY = typer.Option(help="Who: a number or an id; else HOLEQC_BY.")

# ---------------------------------------------------------------------------------------------------------------- parts


def serial(
    number: Annotated[str, typer.Argument(metavar="SERIAL", help="Serial number asked about.", show_default=False)],
    same_as: Annotated[str, typer.Option("--same-as", help="It is this part: recorded so from now on.")] = "",
    not_: Annotated[str, typer.Option("--not", help="It is not this part.")] = "",
    reason: Annotated[str, typer.Option(help="What was looked at.")] = "",
    by: Annotated[str, _BY] = "",
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


# ----------------------------------------------------------------------------------------------------------------- tags


_TAG = typer.Argument(help="Tag's code as printed; case, dashes and blanks don't matter.", show_default=False)
_BY = typer.Option(help="Who: a role or a number; else HOLEQC_BY.")


def tags(
    tag: Annotated[
        list[str] | None, typer.Argument(metavar="[TAG]...", help="Codes; all if none is given.", show_default=False)
    ] = None,
    open_: Annotated[bool, typer.Option("--open", help="Only tags that aren't closed.")] = False,
    serial: Annotated[str, typer.Option(help="Only of this serial number.")] = "",
    kit: Annotated[str, typer.Option(help="Only of this kit.")] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON, with all events.")] = False,
    print_: Annotated[
        Path | None, typer.Option("--print", metavar="FOLDER", help="Print them again: tags.pdf in this folder.")
    ] = None,
    label: Annotated[str, typer.Option(metavar="WxH", help="With --print, one a page: 100x150mm, 4x6in.")] = "",
) -> None:
    """List tags with where they stand: opened, dispositioned, reworked, re-inspected, closed; or print them again.

    Exit code 0: listed. 2: unusable.

    Example: holeqc tags --open

    Example: holeqc tags RK2X-5HX5 --print tags --label 100x150mm
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.equipment import refuse_unknown_names
    from holeqc.ledger.read_back import Filter
    from holeqc.ledger.tags import find_tag, find_tags
    from holeqc.problems import LedgerError
    from holeqc.reports.record import as_json, tags_data, tags_text

    with open_ledger(ledger, create=False) as there, there.reading():
        refuse_unknown_names(there, Filter(kit=kit))
        found = find_tags(there, serial=serial, kit=kit, only_open=open_)
        if tag:
            named = {find_tag(there, text).number for text in tag}
            found = [one for one in found if one.number in named]
        if print_ is not None:
            printing.say(*_print(there, found, print_, label))
            return
    if label:
        raise LedgerError("--label goes with --print FOLDER")
    printing.write(as_json(tags_data(found)) if json_ else tags_text(found))


def _print(ledger: Ledger, found: Sequence[TagState], folder: Path, label: str) -> list[str]:
    """Write tags.pdf of tags on record into a folder; return what to say."""
    import json
    from dataclasses import replace

    import holeqc
    from holeqc import writer
    from holeqc.ledger.kits import specification_of_inspection
    from holeqc.problems import LedgerError
    from holeqc.reports.record import decision_words
    from holeqc.reports.tags import from_record, print_tags, sheet_for
    from holeqc.reports.write import TAG_PAGES

    if not found:
        raise LedgerError("no tag fits what was asked, so nothing was printed")
    size = label_size(label) if label else None
    pages = []
    for tag in found:
        spec = specification_of_inspection(ledger, int(tag.row["inspection_id"]))
        page = from_record(json.loads(str(tag.row["content"]) or "{}"), tag.number, spec)
        pages.append(replace(page, disposition=tag.disposition, decision=decision_words(tag)))
    data = print_tags(pages, sheet_for(pages[0].unit, f"holeqc {holeqc.__version__}", size))
    with writer.folder(folder, _only_tags) as out:
        out.write_bytes(TAG_PAGES, data)
    return [f"{folder / TAG_PAGES}: {len(pages)} tag{'s' if len(pages) > 1 else ''}"]


def _only_tags(target: Path) -> None:
    """Refuse a folder that holds anything but tags printed before."""
    from holeqc import writer
    from holeqc.problems import LedgerError
    from holeqc.reports.write import TAG_PAGES

    foreign = [x.name for x in target.iterdir() if not writer.is_temporary(x.name) and x.name != TAG_PAGES]
    if foreign:
        raise LedgerError(f"{target} holds {foreign[0]}: give an empty or new folder to --print")


def label_size(text: str) -> tuple[float, float]:
    """Return width and height of a label [mm] typed as 100x150mm or 4x6in.

    Raises:
        LedgerError: it is no size, or says no unit.
    """
    import re

    from holeqc.problems import LedgerError

    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*[x×]\s*(\d+(?:[.,]\d+)?)\s*(mm|in|inch|\")\s*", text.lower())
    if match is None:
        raise LedgerError(f"--label {text!r} is no size with its unit; type 100x150mm or 4x6in, width first")
    scale = 1.0 if match[3] == "mm" else 25.4
    wide, high = (float(match[n].replace(",", ".")) * scale for n in (1, 2))
    return wide, high


def disposition(
    tag: Annotated[str, _TAG],
    as_: Annotated[str, typer.Option("--as", help="rework, repair, use-as-is, scrap or return.", show_default=False)],
    reason: Annotated[str, typer.Option(help="Why.")] = "",
    authority: Annotated[str, typer.Option(help="Reference of who allows it; use-as-is and repair need it.")] = "",
    supersede: Annotated[
        bool, typer.Option("--supersede", help="Correct the disposition of a closed tag; the old entry is named.")
    ] = False,
    by: Annotated[str, _BY] = "",
    key: Annotated[Path | None, typer.Option(metavar="FILE", help=KEY_HELP)] = None,
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
) -> None:
    """Record what becomes of a nonconformance. use-as-is, scrap and return close the tag; rework and repair wait for
    the readings that follow.

    A closed tag takes no new disposition, except as a correction with --supersede. Scrap and return are final: a slip
    in them is corrected only with --authority as well. Where the kit asks for two persons, who logged or read the
    readings can't decide on use-as-is or repair.

    Exit code 0: recorded. 2: refused, nothing was recorded.

    Example: holeqc disposition K7X2-3WHC --as rework --by engineer --reason "ream to 0.4575"

    Caution: only the person licensed to decide may decide; this records it. Rework only as written.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.tags import dispose, find_tag

    name = required_who(by, "who decides")
    with open_ledger(ledger, create=False) as there:
        entry = dispose(
            there, tag, as_.strip().lower(), name, reason, authority=authority, supersede=supersede,
            signer=signer_of(key),
        )  # fmt: skip
        now = find_tag(there, tag)
    printing.say(f"Tag {now.number}: {now.disposition}, {now.state}; recorded as entry {entry.seq}")


def reworked(
    tag: Annotated[str, _TAG],
    note: Annotated[str, typer.Option(help="What was done, with which tool.")] = "",
    by: Annotated[str, _BY] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
) -> None:
    """Record that a rework or repair was done. Read the part again and record the new sheet: that closes the tag.

    Exit code 0: recorded. 2: refused, nothing was recorded.

    Example: holeqc reworked K7X2-3WHC --by "bench 2" --note "reamed to 0.4575"

    Caution: clamp the work, wear eye protection, clear the chips, deburr both faces.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.tags import find_tag
    from holeqc.ledger.tags import reworked as record

    name = required_who(by, "who did it")
    with open_ledger(ledger, create=False) as there:
        entry = record(there, tag, name, note)
        now = find_tag(there, tag)
    printing.say(
        f"Tag {now.number}: {now.state}; recorded as entry {entry.seq}. Read it again and record that sheet: holeqc "
        f"sheet --recheck {now.number} -o SHEET.xlsx"
    )


# ------------------------------------------------------------------------------------------------------------ approvals


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


# -------------------------------------------------------------------------------------------------------------- packets


def packet(
    words: Annotated[
        list[str],
        typer.Argument(metavar="SERIAL | verify FOLDER", help="Serial number; or verify and a packet's folder."),
    ],
    out: Annotated[Path | None, typer.Option("--out", "-o", help="New folder for the packet.")] = None,
    kit: Annotated[str, typer.Option(help="Kit, where one serial number belongs to several.")] = "",
    name: Annotated[str, typer.Option("--part", help="Part, where one serial number belongs to several.")] = "",
    by: Annotated[str, typer.Option(help="Who makes it; the manifest's digest is logged. Else HOLEQC_BY.")] = "",
    key: Annotated[Path | None, typer.Option(metavar="FILE", help=KEY_HELP)] = None,
    known_key: Annotated[
        list[str] | None,
        typer.Option(metavar="DIGITS", help="verify: a public key that you know; as holeqc person list shows it."),
    ] = None,
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
) -> None:
    """Make the packet of an approved part: report, list of characteristics, certificate, kit file, manifest.

    verify FOLDER compares a packet with its manifest and names what differs. Where there is a ledger (--ledger,
    HOLEQC_LEDGER, or holeqc-ledger.sqlite3 in this folder) it also compares the approval and the manifest with it,
    which nobody can change together with the folder, checks every entry that they rest on, and says whether the
    approval was withdrawn or a later inspection rejects or holds the part. Without one nothing is proven, and the last
    line says so: a manifest that isn't on record is no packet.

    A packet is refused while a later inspection rejects or holds the part.

    Exit code 0: made, or unchanged and on record. 2: refused, or something differs. 3: not compared with a ledger.

    Example: holeqc packet P-0107 -o P-0107_packet --by 41

    Example: holeqc packet verify P-0107_packet

    Caution: a packet supports and never replaces the drawing, the approved data and the person licensed to sign.
    """
    from holeqc.problems import HoleQCError

    if len(words) == 2 and words[0] == "verify":
        raise typer.Exit(_verify(Path(words[1]), ledger, known_key or []))
    if len(words) != 1:
        raise HoleQCError("give one serial number, or: holeqc packet verify FOLDER")
    if out is None:
        raise HoleQCError("say where to: -o FOLDER, a new one")
    _make(words[0], out, (kit, name), (required_who(by, "who makes the packet"), signer_of(key)), ledger)


def _make(serial: str, out: Path, of: tuple[str, str], maker: tuple[str, Signer | None], ledger: str) -> None:
    from holeqc.ledger import open_ledger
    from holeqc.ledger.approvals import approved_set, record_packet
    from holeqc.ledger.ledger import SEALED
    from holeqc.reports.packet import MANIFEST, SEAL, write_packet

    with open_ledger(ledger, create=False) as there:
        approved = approved_set(there, serial, kit=of[0], part=of[1])
        done = write_packet(approved, out, lambda digest: record_packet(there, approved, digest, *maker))
        count = len(set(done.files) - {MANIFEST, SEAL})
        printing.say(f"Packet: {done.folder}, {count} files beside manifest and seal")
        printing.say(f"Manifest SHA-256 {done.manifest_digest}")
        printing.say(f"The manifest is on record as entry {there.head()[0]}")
        if (sealed := there.leave_seal(f"packet of {serial}")).startswith(SEALED):
            printing.say(sealed)
        for row in approved.later:
            printing.warn(f"Note: inspection {row['id']} ({row['verdict']}) was recorded since; it isn't approved")


def _verify(folder: Path, ledger: str, known_keys: list[str]) -> int:
    from holeqc.ledger.database import DEFAULT_NAME, VARIABLE, find_location
    from holeqc.reports.packet import verify_packet

    found = verify_packet(folder)
    digest, stated = found.manifest_digest, found.manifest.get("sha256")
    words = digest if stated == digest else f"found {digest}, stated {stated}"
    differences, notes = list(found.differences), [f"manifest SHA-256 {words}"]
    place = find_location(ledger)
    compared = bool(ledger or os.environ.get(VARIABLE)) or (place.path is not None and place.path.exists())
    if compared:
        more, known = _against_ledger(found, ledger)
        differences += more
        notes += known
    keys = {"".join(key.split()).lower() for key in known_keys}
    proven = compared or bool(found.signers and all(key in keys for _, _, key in found.signers))
    notes += [f"{what} signed by {who}, key {key}" for what, who, key in found.signers]
    for sentence in differences:
        printing.say(f"DIFFERS  {sentence}")
    for sentence in notes:
        printing.say(f"note     {sentence}")
    outcome = (
        "differs from what was made" if differences
        else f"unchanged, {found.files} files beside manifest and seal" if proven
        else f"NOT PROVEN: {found.files} files agree with a manifest that nobody has looked up"
    )  # fmt: skip
    printing.say(f"{folder}: {outcome}")
    if not compared:
        printing.say(
            f"Not compared with a ledger: none was named and there is no {DEFAULT_NAME} here, so whether the manifest "
            "is on record, a withdrawal or a later rejection isn't known. --ledger names one."
            + (" --known-key proves a signed packet without it." if found.signers and not proven else "")
        )
    return 2 if differences else 0 if proven else 3


def _against_ledger(found: PacketCheck, ledger: str) -> tuple[list[str], list[str]]:
    from holeqc.ledger import open_ledger
    from holeqc.ledger.approvals import compare_with_ledger

    approval = found.manifest.get("approval")
    with open_ledger(ledger, create=False) as there:
        return compare_with_ledger(there, approval if isinstance(approval, dict) else {}, found.manifest_digest)


# -------------------------------------------------------------------------------------------------------------- persons


_NAME = typer.Argument(metavar="PERSON", help="Number or id.", show_default=False)
_PERSON_BY = typer.Option(help="Who declares: a number or an id; else HOLEQC_BY.")
_KEY = typer.Option("--key", metavar="FILE", help="Key of who declares, once who keeps the list has one.")
_LEDGER = typer.Option(help=LEDGER_HELP)


def add(
    name: Annotated[str, _NAME],
    role: Annotated[str, typer.Option(help="inspector, technician, engineer, ...")] = "",
    by: Annotated[str, _PERSON_BY] = "",
    key: Annotated[Path | None, _KEY] = None,
    ledger: Annotated[str, _LEDGER] = "",
) -> None:
    """Declare a person. Once one is declared, nobody else writes to the ledger; the first one keeps the list, others
    declare persons of their own role.

    Exit code 0: declared. 2: refused, nothing was recorded.

    Example: holeqc person add 41 --role inspector --by 41
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.persons import declare_person, declared

    who = required_who(by, "who declares")
    with open_ledger(ledger) as there:
        entry = declare_person(there, name, role, who, signer_of(key))
        known = declared(there)
    printing.say(f"Declared: {name} as {role}; entry {entry.seq}")
    if len(known) == 1:
        printing.say(f"From now on only declared persons write to this ledger; {name} keeps the list.")


def remove(
    name: Annotated[str, _NAME],
    reason: Annotated[str, typer.Option(help="Why.")] = "",
    by: Annotated[str, _PERSON_BY] = "",
    key: Annotated[Path | None, _KEY] = None,
    ledger: Annotated[str, _LEDGER] = "",
) -> None:
    """Take a person off the list; what the person did stays on record.

    Exit code 0: recorded. 2: refused, nothing was recorded.

    Example: holeqc person remove 17 --by 41 --reason "left the yard"
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.persons import remove_person

    with open_ledger(ledger, create=False) as there:
        entry = remove_person(there, name, required_who(by, "who takes off"), reason, signer_of(key))
    printing.say(f"Taken off: {name}; entry {entry.seq}")


def list_(
    ledger: Annotated[str, _LEDGER] = "",
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """List the declared persons with role and public key.

    Exit code 0: listed. 2: unusable.

    Example: holeqc person list
    """
    from dataclasses import asdict

    from holeqc.ledger import open_ledger
    from holeqc.ledger.persons import declared
    from holeqc.reports.record import as_json, table_text

    with open_ledger(ledger, create=False) as there:
        known = list(declared(there).values())
    if json_:
        printing.write(as_json([asdict(person) for person in known]))
    elif not known:
        printing.say("No person is declared: whoever writes is taken by the name as typed.")
    else:
        rows = [(p.name, p.role, p.added_by, str(p.entry)) for p in known]
        printing.write(table_text(("Person", "Role", "Declared by", "Entry"), rows))
        for person in known:
            if person.public_key:
                printing.say(f"key of {person.name}: {person.public_key}")


def key(
    name: Annotated[str, _NAME],
    out: Annotated[Path, typer.Option("--out", "-o", help="New file for the key, locked by a passphrase.")],
    reason: Annotated[str, typer.Option(help="Why an older key is replaced.")] = "",
    by: Annotated[str, _PERSON_BY] = "",
    key: Annotated[Path | None, _KEY] = None,
    ledger: Annotated[str, _LEDGER] = "",
) -> None:
    """Make a person's key for signatures and put its public half on record. Who keeps the list comes first; further
    keys are then put on record by somebody who has one (--by, --key), so that nobody takes another's name.

    Exit code 0: made. 2: refused, nothing was recorded.

    Example: holeqc person key 41 -o 41.key --by 7 --key 7.key

    Caution: the key is the person's signature. Keep it where only that person can read it, and tell nobody the
    passphrase.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.persons import NEW_PASSPHRASE, PASSPHRASE, new_key, set_person_key, write_key

    who = required_who(by, "who puts it on record")
    with open_ledger(ledger, create=False) as there:
        signer = signer_of(key)
        locked, public = new_key(passphrase(NEW_PASSPHRASE if key else PASSPHRASE))
        with there.transaction():  # both or neither: a key that can't be written isn't put on record
            entry = set_person_key(there, name, public, who, reason, signer)
            write_key(out, locked)
    printing.say(f"Key of {name}: {out}; public key {public}, entry {entry.seq}")
