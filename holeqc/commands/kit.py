"""`holeqc kit`: start a kit file, show what it asks, list its keys."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing, writer
from holeqc.commands.recording import KEY_HELP, LEDGER_HELP, required_who, signer_of


def new(
    file: Annotated[Path, typer.Argument(metavar="[FILE]", help="Kit file to write.")] = Path("kit.toml"),
    table: Annotated[
        Path | None,
        typer.Option(
            "--from",
            metavar="TABLE",
            show_default=False,
            help="Hole table (.csv, .xlsx) as the drawing carries it: hole, x, y, size with its tolerance.",
        ),
    ] = None,
    unit: Annotated[str, typer.Option(help="With --from: in or mm, where the table doesn't say it.")] = "",
    sheet: Annotated[str, typer.Option(help="With --from: sheet of the workbook, where several hold a table.")] = "",
) -> None:
    """Write a kit file: a commented starter, or the holes of a table. A file that is already there is left alone.

    With --from it says what it understood of each column and what is still to be filled in. Sizes may be typed as on
    the drawing: .3125, 5/16, .3125 +.006 -.001, 0.455 to 0.462, 8.00 H9; or in columns of limits or deviations.

    Example: holeqc kit new tolerances/my-kit.toml

    Example: holeqc kit new tolerances/my-kit.toml --from holes.csv --unit in
    """
    from holeqc.problems import HoleQCError
    from holeqc.specification.doubts import starter

    if file.suffix.lower() != ".toml":
        raise HoleQCError(f"{file}: a kit file's name ends in .toml")
    if not file.parent.is_dir():
        raise HoleQCError(f"{file}: there is no folder {file.parent}; make it first")
    if file.exists():
        raise HoleQCError(f"{file} is already there and is left as it is; choose another name")
    if table is not None:
        _from_table(file, table, unit, sheet)
        return
    if unit or sheet:
        raise HoleQCError("--unit and --sheet speak of the hole table; give it with --from")
    writer.write_text(file, starter(file.stem, str(file)), replace=False)
    printing.say(f"{file} is written. Put in what the drawing says, then: holeqc kit show {file}")


def _from_table(file: Path, table: Path, unit: str, sheet: str) -> None:
    """Write the kit that a hole table says, unless it contradicts itself; tell what was understood."""
    from holeqc.problems import ERROR, HoleQCError, SpecificationError
    from holeqc.quantities import parse_unit
    from holeqc.readings.hole_table import kit_text, problems_in_cells, read_hole_table, to_fill_in, understood
    from holeqc.specification.doubts import CODES
    from holeqc.specification.load import parse_specification
    from holeqc.specification.words import limits_line

    if unit and parse_unit(unit) is None:
        raise HoleQCError(f"--unit {unit!r} is not known; say in or mm")
    found = read_hole_table(table, unit, sheet)
    printing.say(*understood(found))
    text = kit_text(found, file.stem, str(file))
    open_: list[str] = []
    try:
        specification = parse_specification(text, str(file))
    except SpecificationError as error:
        problems = problems_in_cells(found, error.problems)
        if any(p.severity == ERROR and p.code not in CODES for p in problems):
            message = f"{table}: a kit made from it would contradict itself; nothing was written"
            raise SpecificationError(message, problems) from None
        open_ = [p.sentence() for p in problems]
    else:
        printing.say(limits_line(specification))
        open_ = [p.sentence() for p in problems_in_cells(found, specification.warnings)]
    writer.write_text(file, text, replace=False)
    for sentence in open_:
        printing.warn(f"to be mended: {sentence}")
    printing.write(to_fill_in(found) + "\n")
    printing.say(f"{file} is written. Compare it with the drawing: holeqc kit show {file}")


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
        from holeqc.reports.scale_plots import write_kit_plot

        write_kit_plot(specification, plot)
    if json_:
        from holeqc.specification.words import as_data

        printing.write_json(as_data(specification))
    else:
        from holeqc.specification.words import describe

        printing.write(describe(specification))
    if plot is not None:
        printing.say(f"Drawing: {plot}", aside=json_)


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
    from holeqc.specification.load import kit_bytes, load_specification

    who = required_who(by, "who releases the kit")
    spec = load_specification(kit)
    with open_ledger(ledger) as there:
        done = record(there, spec, kit_bytes(kit).content, who, note, signer_of(key))
    if done.before is None:
        printing.say(f"Kit {spec.id}: no text of it was released before. holeqc kit show {kit} says all that it asks")
    else:
        printing.say(f"Differences from revision {done.before['revision']}, released as entry {done.before['entry']}:")
        for change in done.changes:
            printing.say(f"  {change_line(*change)}")
        if not done.changes:
            printing.say("  none but comments or order")
    name = f"kit {spec.id} revision {spec.revision}"
    if done.act == RELEASED:
        printing.say(f"Released: {name}, entry {done.entry.seq}")
    else:
        printing.say(f"Proposed: {name}, entry {done.entry.seq}. Another person releases it by the same command.")


def keys(
    word: Annotated[
        str, typer.Argument(metavar="[WORD]", help="Only these: a table (hole, size), a key, or its beginning.")
    ] = "",
) -> None:
    """List every key of a kit file: what it means, what is allowed, what holds without it, an example.

    Example: holeqc kit keys position
    """
    from holeqc.problems import HoleQCError
    from holeqc.specification.doubts import keys_text
    from holeqc.specification.keys import tables

    text = keys_text(word)
    if not text:
        raise HoleQCError(f"no table or key of a kit file is like {word!r}; tables are {', '.join(tables())}")
    printing.write(text)
