"""`holeqc ledger`: does the record hold, what is in it, copies of it, tables out of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from holeqc import printing
from holeqc.answers import required_who, who
from holeqc.commands import LEDGER_HELP
from holeqc.ledger import a_day

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger
    from holeqc.ledger.verify import Verified

Where = Annotated[str, typer.Option("--ledger", metavar="PATH_OR_URL", help=LEDGER_HELP)]
AsJson = Annotated[bool, typer.Option("--json", help="Print everything as JSON.")]


def verify(
    ledger: Where = "",
    expect: Annotated[
        str, typer.Option(metavar="NUMBER:HASH", help="An entry noted earlier, which must still be there.")
    ] = "",
    seal: Annotated[
        list[Path] | None,
        typer.Option(metavar="PLACE", help="A seal, a folder of seals or a packet; may be given several times."),
    ] = None,
    json_: AsJson = False,
) -> None:
    """Recompute the chain and the digest of every row, and name the first entry that doesn't hold.

    What was cut off at the end, or replaced as a whole, only what was noted elsewhere can tell: seals (--seal), or the
    last line of this command on a page that is signed (--expect). The folder of seals that the ledger names is looked
    at too.

    Example: holeqc ledger verify --ledger shop.sqlite3 --seal P-0107_packet

    Exit code 0: everything holds. 2: something doesn't, or there is no ledger.

    Caution: a ledger that holds proves that the record wasn't changed, not that the readings were right; it supports
    and never replaces the approved data and the person licensed to sign.
    """
    from holeqc.ledger import open_ledger

    with open_ledger(ledger or None, create=False) as opened:
        found = opened.verify(_noted(expect))
        found = _with_seals(opened, found, seal or [], noted=bool(expect))
        place = opened.location.shown
    if json_:
        _print_json({
            "ledger": place, "holds": found.holds, "entries": found.entries, "rows": found.rows, "head": found.head,
            "first_bad": found.first_bad or None, "faults": list(found.faults), "notes": list(found.notes),
        })  # fmt: skip
    else:
        for sentence in found.faults:
            printing.say(f"FAULT  {sentence}")
        for sentence in found.notes:
            printing.say(f"note   {sentence}")
        if found.holds:
            printing.say(f"{place}: holds; {found.entries} entries, {found.rows} rows")
            printing.say(f"newest entry {found.entries}:{found.head}")
        else:
            first = f"the first entry that doesn't hold is {found.first_bad}; {found.entries} entries before it hold"
            whole = f"the {_count(found.entries, 'entry', 'entries')} in it fit each other, but not what is named above"
            printing.say(f"{place}: DOESN'T HOLD; {first if found.first_bad else whole}")
    raise typer.Exit(0 if found.holds else 2)


NO_SEAL = "nothing here tells whether entries were cut off at the end: holeqc ledger seal --folder FOLDER keeps seals"


def _with_seals(ledger: Ledger, found: Verified, places: list[Path], *, noted: bool) -> Verified:
    """Return what verifying found together with what seals say."""
    from dataclasses import replace

    from holeqc.ledger.verify import broken_seals, read_seals

    folder, notes = ledger.seal_folder(), list(found.notes)
    if folder is not None and folder not in [place.resolve() for place in places]:
        if folder.is_dir() and any(folder.glob("seal-*.json")):
            places = [*places, folder]
        else:
            notes.append(f"the folder of seals, {folder}, can't be looked at")
    if not places:
        if not noted:
            notes.append(NO_SEAL)
        return replace(found, notes=tuple(notes))
    seals = read_seals(places)
    notes.append(f"compared with {_count(len(seals), 'seal')}, up to entry {seals[-1].entry}")
    with ledger.reading() as connection:
        broken = broken_seals(connection, seals)
    return replace(found, faults=(*found.faults, *broken), notes=tuple(notes))


def seal(
    out: Annotated[Path | None, typer.Option("--out", "-o", help="File or folder to write it to.")] = None,
    folder: Annotated[
        str, typer.Option(metavar="FOLDER", help="Name the folder that every seal goes to from now on; needs --by.")
    ] = "",
    by: Annotated[str, typer.Option(help="Who: a role or a number; else HOLEQC_BY.")] = "",
    ledger: Where = "",
) -> None:
    """Seal the ledger: number and digest of its newest entry, to keep where nobody who writes to it can reach.
    Whatever is recorded does so by itself once a folder is named (--folder), best on another disk or a share.

    Example: holeqc ledger seal --folder /mnt/office/seals --by engineer

    Exit code 0: sealed. 2: not sealed.

    Caution: a seal beside the ledger goes with it. Keep seals elsewhere, or print the last line.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.verify import write_seal

    with open_ledger(ledger or None, create=False) as opened:
        if folder:
            entry = opened.name_seal_folder(folder, required_who(by, "who names the folder"))
            printing.say(f"Seals go to {opened.seal_folder()} from now on; entry {entry.seq}")
        data = opened.seal_data("seal")
        for place in [p for p in (out, opened.seal_folder()) if p is not None]:
            printing.say(f"Sealed: {write_seal(data, place)}")
    printing.say(f"newest entry {data['entry']}:{data['hash']}")


def clock(
    reason: Annotated[str, typer.Option(help="Which clock was wrong, and by how much.")] = "",
    by: Annotated[str, typer.Option(help="Who: a role or a number; else HOLEQC_BY.")] = "",
    ledger: Where = "",
) -> None:
    """Say why the clock shows a moment before the newest entry; entries go on from here, and verify tells it.

    Example: holeqc ledger clock --by engineer --reason "bench 3 was a day ahead"

    Exit code 0: recorded. 2: the clock isn't behind, or no reason.
    """
    from holeqc.ledger import open_ledger

    with open_ledger(ledger or None, create=False) as opened:
        entry = opened.clock_was_set(required_who(by, "who set the clock"), reason)
    printing.say(f"Recorded: entry {entry.seq}; entries go on from {entry.at[:16].replace('T', ' ')} UTC")


def roles(
    role: Annotated[str, typer.Option(help="Name of the role.")] = "holeqc_bench",
    ledger: Where = "",
) -> None:
    """Print the SQL for a role on the PostgreSQL server that may read the ledger and add to it, and nothing else.

    Example: holeqc ledger roles --ledger postgresql://owner@server/holes > roles.sql

    Exit code 0: printed. 2: the ledger is a file.

    Caution: whoever owns the tables can still lift the guards: keep that password from the benches, and seals
    elsewhere.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.ledger import roles_sql

    with open_ledger(ledger or None, create=False) as opened:
        printing.write(roles_sql(opened, role.strip()))


def info(ledger: Where = "", json_: AsJson = False) -> None:
    """Say what the ledger holds: entries, files, readings, parts by verdict, tags, kits.

    Example: holeqc ledger info --ledger shop.sqlite3

    Exit code 0: done. 2: there is no ledger.

    Caution: a count supports and never replaces the record of a part and the person licensed to sign.
    """
    from dataclasses import asdict

    from holeqc.ledger import open_ledger
    from holeqc.ledger.stories import summary

    with open_ledger(ledger or None, create=False) as opened:
        found = summary(opened)
    if json_:
        _print_json(asdict(found))
        return
    printing.say(f"Ledger {found.place}, version {found.version}")
    entries = _count(found.entries, "entry", "entries")
    printing.say(f"  {entries}, {found.first_at or '-'} to {found.last_at or '-'} (UTC)")
    printing.say(f"  {_count(found.files, 'file')}, {_count(found.readings, 'reading')}")
    verdicts = ", ".join(f"{word} {count}" for word, count in found.verdicts.items())
    printing.say(f"  {_count(found.parts, 'part')}: {verdicts}; approved {found.approved}")
    printing.say(f"  {_count(found.tags, 'tag')}, {found.open_tags} open")
    for kit, revision, parts in found.kits:
        printing.say(f"  kit {kit} revision {revision}: {_count(parts, 'part')}")
    printing.say(f"  newest entry {found.entries}:{found.head}")


def copy(
    source: Annotated[str, typer.Argument(metavar="FROM", help="File or URL of the ledger.")],
    target: Annotated[str, typer.Argument(metavar="TO", help="File or URL of the copy: empty, or an older copy.")],
    by: Annotated[str, typer.Option(help="Who: a role or a number; else HOLEQC_BY.")] = "",
    keep_open: Annotated[
        bool, typer.Option("--keep-open", help="A copy for safe keeping: the old place goes on, the copy doesn't.")
    ] = False,
) -> None:
    """Move a ledger from a file to a server or back, or make a copy for safe keeping and bring it up to date.

    Source and copy are verified, and their counts and digests compared, before the copy is kept. The old ledger is then
    closed by an entry that names the new place, and takes no more; --keep-open leaves it open.

    Example: holeqc ledger copy holeqc-ledger.sqlite3 postgresql://quality@server/holes --by engineer

    Exit code 0: copied and checked. 2: not copied.

    Caution: of one record only one place may go on. Never write to a copy for safe keeping: seals tell such a fork.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.ledger import copy as copy_all

    name = who(by) if keep_open else required_who(by, "who moves it")
    with open_ledger(source, create=False) as old, open_ledger(target, like=old) as new:
        done = copy_all(old, new, name, keep_open=keep_open)
        places = f"{old.location.shown} -> {new.location.shown}"
        printing.say(f"{places}: {done.entries} entries and {done.rows} rows copied and verified")
        if done.closed is not None:
            printing.say(
                f"{old.location.shown} is closed by entry {done.closed}; the record goes on in {new.location.shown}"
            )
    for table, count in done.counts.items():
        if count:
            printing.say(f"  {table:<24} {count:>9} rows in both")
    printing.say(f"newest entry {done.entries_in_all}:{done.head}")


def export(
    out: Annotated[
        Path, typer.Argument(
            metavar="OUT", help="File to write: .csv, .xlsx, or .parquet (with pyarrow); a folder for documents."
        ),
    ],
    ledger: Where = "",
    content: Annotated[
        str, typer.Option("--content", help="readings, parts, holes, characteristics (not accepted), entries, or "
                          "documents: one of QIF 3.0 (ISO 23952) for each part's newest inspection.")
    ] = "readings",
    kit: Annotated[str, typer.Option(help="Only of this kit.")] = "",
    revision: Annotated[str, typer.Option(help="Kit's revision.")] = "",
    part: Annotated[str, typer.Option(help="Part's name in the kit.")] = "",
    serial: Annotated[list[str] | None, typer.Option(help="Serial number; may be given several times.")] = None,
    fixture: Annotated[str, typer.Option(help="Fixture's id.")] = "",
    verdict: Annotated[str, typer.Option(help="accept, hold or reject: of the part's newest inspection.")] = "",
    since: Annotated[str, typer.Option(help="First day of reading, 2026-05-04.")] = "",
    until: Annotated[str, typer.Option(help="Last day of reading.")] = "",
    hole: Annotated[list[str] | None, typer.Option(help="Hole id; may be given several times.")] = None,
    characteristic: Annotated[
        list[str] | None, typer.Option(help="diameter, x, y, ...; may be given several times.")
    ] = None,
    measured: Annotated[str, typer.Option(help="Of a part measured more than once: all, first or last.")] = "all",
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that is there already.")] = False,
) -> None:  # fmt: skip
    """Write readings, parts or verdicts, of one kit or of all, to a CSV, Excel or Parquet file for other programs.

    Example: holeqc ledger export sizes.csv --kit BL-7 --characteristic diameter --since 2026-01-01

    Example: holeqc ledger export results --content documents --verdict accept

    Exit code 0: written. 2: not written.

    Caution: what is exported is a copy; the ledger stays the record.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.equipment import refuse_unknown_names
    from holeqc.ledger.read_back import Filter
    from holeqc.ledger.stories import export as write
    from holeqc.reports.workbook import write_table

    wanted = Filter(
        kit=kit, revision=revision, part=part, serials=tuple(serial or ()), fixture=fixture, verdict=verdict,
        since=a_day(since, "--since"), until=a_day(until, "--until"), holes=tuple(hole or ()),
        characteristics=tuple(characteristic or ()), measured=measured,
    )  # fmt: skip
    with open_ledger(ledger or None, create=False) as opened:
        refuse_unknown_names(opened, wanted)
        if content == "documents":
            from holeqc.answers.check import documents

            count = documents(opened, wanted, out, replace=replace)
            printing.say(f"{out}: {_count(count, 'document')}")
            return
        count = write(opened, out, content, wanted, replace=replace, book=write_table)
    printing.say(f"{out}: {_count(count, 'row')} of {content}")


def _count(number: int, one: str, many: str = "") -> str:
    """Return a number with its word, ``1 part`` or ``2 parts``."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def _noted(text: str) -> tuple[int, str] | None:
    from holeqc.problems import LedgerError

    if not text:
        return None
    number, _, digest = text.partition(":")
    if not number.isdigit() or len(digest) != 64:
        raise LedgerError(f"{text!r} is no noted entry; write NUMBER:HASH as holeqc ledger verify prints it")
    return int(number), digest.lower()


def _print_json(content: object) -> None:
    printing.write_json(content)
