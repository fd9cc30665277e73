"""`holeqc tags`, `holeqc disposition`, `holeqc reworked`: what hangs on parts, and what becomes of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from holeqc import printing
from holeqc.answers import required_who
from holeqc.commands import KEY_HELP, LEDGER_HELP, signer_of

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger
    from holeqc.ledger.tags import TagState

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
