"""`holeqc person`: who may write to the record, and with which key."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing
from holeqc.commands.recording import LEDGER_HELP, passphrase, required_who, signer_of

_NAME = typer.Argument(metavar="PERSON", help="Number or id.", show_default=False)
_BY = typer.Option(help="Who declares: a number or an id; else HOLEQC_BY.")
_KEY = typer.Option("--key", metavar="FILE", help="Key of who declares, once who keeps the list has one.")
_LEDGER = typer.Option(help=LEDGER_HELP)


def add(
    name: Annotated[str, _NAME],
    role: Annotated[str, typer.Option(help="inspector, technician, engineer, ...")] = "",
    by: Annotated[str, _BY] = "",
    key: Annotated[Path | None, _KEY] = None,
    ledger: Annotated[str, _LEDGER] = "",
) -> None:
    """Declare a person. Once one is declared, nobody else writes to the ledger; the first one keeps the list, others
    declare persons of their own role.

    Exit code 0: declared. 2: refused, nothing was recorded.

    Example: holeqc person add 41 --role inspector --by 41
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.persons import add as record
    from holeqc.ledger.persons import declared

    who = required_who(by, "who declares")
    with open_ledger(ledger) as there:
        entry = record(there, name, role, who, signer_of(key))
        known = declared(there)
    printing.say(f"Declared: {name} as {role}; entry {entry.seq}")
    if len(known) == 1:
        printing.say(f"From now on only declared persons write to this ledger; {name} keeps the list.")


def remove(
    name: Annotated[str, _NAME],
    reason: Annotated[str, typer.Option(help="Why.")] = "",
    by: Annotated[str, _BY] = "",
    key: Annotated[Path | None, _KEY] = None,
    ledger: Annotated[str, _LEDGER] = "",
) -> None:
    """Take a person off the list; what the person did stays on record.

    Exit code 0: recorded. 2: refused, nothing was recorded.

    Example: holeqc person remove 17 --by 41 --reason "left the yard"
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.persons import remove as record

    with open_ledger(ledger, create=False) as there:
        entry = record(there, name, required_who(by, "who takes off"), reason, signer_of(key))
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
    by: Annotated[str, _BY] = "",
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
    from holeqc.ledger.persons import set_key
    from holeqc.ledger.signing import NEW_PASSPHRASE, PASSPHRASE, new_key, write_key

    who = required_who(by, "who puts it on record")
    with open_ledger(ledger, create=False) as there:
        signer = signer_of(key)
        locked, public = new_key(passphrase(NEW_PASSPHRASE if key else PASSPHRASE))
        with there.transaction():  # both or neither: a key that can't be written isn't put on record
            entry = set_key(there, name, public, who, reason, signer)
            write_key(out, locked)
    printing.say(f"Key of {name}: {out}; public key {public}, entry {entry.seq}")
