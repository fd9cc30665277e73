"""`holeqc kit`: start a kit file, show what it asks, list its keys."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from holeqc.commands.recording import KEY_HELP, LEDGER_HELP, required_who, signer_of


def new(
    file: Annotated[Path, typer.Argument(metavar="[FILE]", help="Kit file to write.")] = Path("kit.toml"),
) -> None:
    """Write a commented starter file for a kit. A file that is already there is left alone.

    Example: holeqc kit new tolerances/my-kit.toml
    """
    from holeqc.problems import HoleQCError
    from holeqc.specification.starter import starter

    if file.suffix.lower() != ".toml":
        raise HoleQCError(f"{file}: a kit file's name ends in .toml")
    if not file.parent.is_dir():
        raise HoleQCError(f"{file}: there is no folder {file.parent}; make it first")
    try:
        with file.open("x", encoding="utf-8", newline="\n") as out:
            out.write(starter(file.stem, str(file)))
    except FileExistsError:
        raise HoleQCError(f"{file} is already there and is left as it is; choose another name") from None
    print(f"{file} is written. Put in what the drawing says, then: holeqc kit show {file}")


def show(
    kit: Annotated[Path, typer.Argument(metavar="KIT.toml", help="The kit file.", show_default=False)],
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Drawing to scale, as .svg, .pdf or .png.", show_default=False)
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="Print everything as JSON instead of words.")] = False,
) -> None:
    """Say in plain words, and draw to scale, what a kit file asks. Lay both beside the drawing before relying on it.

    Example: holeqc kit show tolerances/bl7.toml --plot bl7.svg
    """
    from holeqc.specification.load import load_specification

    specification = load_specification(kit)
    if plot is not None:
        from holeqc.reports.kit_plot import write_kit_plot

        write_kit_plot(specification, plot)
    if json_:
        import json

        from holeqc.specification.data import as_data

        sys.stdout.write(json.dumps(as_data(specification), ensure_ascii=False, indent=1, allow_nan=False) + "\n")
    else:
        from holeqc.specification.describe import describe

        sys.stdout.write(describe(specification))
    if plot is not None:
        print(f"Drawing: {plot}", file=sys.stderr if json_ else sys.stdout)


def release(
    kit: Annotated[Path, typer.Argument(metavar="KIT.toml", help="The kit file.", show_default=False)],
    by: Annotated[str, typer.Option(help="Who: a number or an id; else HOLEQC_BY.")] = "",
    note: Annotated[str, typer.Option(help="Remark that goes with it, such as the drawing change.")] = "",
    key: Annotated[Path | None, typer.Option(metavar="FILE", help=KEY_HELP)] = None,
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
) -> None:
    """Release a kit's text into the record, so that parts judged by it can be approved. Two persons do it: the first
    proposes the file, another releases it by the same command. Each sees what differs from the text released before.

    One revision has one text. Parts judged by another text, or an older one, can't be approved.

    Exit code 0: proposed or released. 2: refused, nothing was recorded.

    Example: holeqc kit release tolerances/bl7.toml --by engineer

    Caution: lay the differences, and what kit show says and draws, beside the drawing before you release.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.kits import RELEASED, change_line
    from holeqc.ledger.kits import release as record
    from holeqc.specification.load import load_specification

    who = required_who(by, "who releases the kit")
    spec = load_specification(kit)
    with open_ledger(ledger) as there:
        done = record(there, spec, kit.read_bytes(), who, note, signer_of(key))
    if done.before is None:
        print(f"Kit {spec.id}: no text of it was released before. holeqc kit show {kit} says all that it asks")
    else:
        print(f"Differences from revision {done.before['revision']}, released as entry {done.before['entry']}:")
        for change in done.changes:
            print(f"  {change_line(*change)}")
        if not done.changes:
            print("  none but comments or order")
    name = f"kit {spec.id} revision {spec.revision}"
    if done.act == RELEASED:
        print(f"Released: {name}, entry {done.entry.seq}")
    else:
        print(f"Proposed: {name}, entry {done.entry.seq}. Another person releases it by the same command.")


def keys(
    table: Annotated[str, typer.Argument(metavar="[TABLE]", help="Only the keys of this table, such as hole.")] = "",
) -> None:
    """List every key of a kit file: what it means, what is allowed, what holds without it, an example.

    Example: holeqc kit keys position
    """
    from holeqc.problems import HoleQCError
    from holeqc.specification.keys import nearest, tables
    from holeqc.specification.starter import keys_text

    name = table.strip("[] ")
    if name and name not in tables():
        near = nearest(name, tables())
        hint = f"did you mean {near}?" if near else f"tables are {', '.join(tables())}"
        raise HoleQCError(f"there is no table {table!r} in a kit file; {hint}")
    sys.stdout.write(keys_text(name))
