"""`holeqc tags`, `holeqc disposition`, `holeqc reworked`: what hangs on parts, and what becomes of it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing
from holeqc.commands.recording import KEY_HELP, LEDGER_HELP, required_who, signer_of

_TAG = typer.Argument(help="Tag's code as printed; case, dashes and blanks don't matter.", show_default=False)
_BY = typer.Option(help="Who: a role or a number; else HOLEQC_BY.")


def tags(
    open_: Annotated[bool, typer.Option("--open", help="Only tags that aren't closed.")] = False,
    serial: Annotated[str, typer.Option(help="Only of this serial number.")] = "",
    kit: Annotated[str, typer.Option(help="Only of this kit.")] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON, with all events.")] = False,
) -> None:
    """List tags with where they stand: opened, dispositioned, reworked, re-inspected, closed.

    Exit code 0: listed. 2: unusable.

    Example: holeqc tags --open
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.filters import Filter
    from holeqc.ledger.named_in import refuse_unknown
    from holeqc.ledger.tags import find_tags
    from holeqc.reports.record_text import as_json, tags_data, tags_text

    with open_ledger(ledger, create=False) as there:
        refuse_unknown(there, Filter(kit=kit))
        found = find_tags(there, serial=serial, kit=kit, only_open=open_)
    printing.write(as_json(tags_data(found)) if json_ else tags_text(found))


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
        f"Tag {now.number}: {now.state}; recorded as entry {entry.seq}. Read the part again and record the new sheet."
    )
