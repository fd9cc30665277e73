"""`holeqc kit`: start a kit file, show what it asks, list its keys."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing, writer


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
    writer.write_text(file, starter(file.stem, str(file)), replace=False)
    printing.say(f"{file} is written. Put in what the drawing says, then: holeqc kit show {file}")


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
        from holeqc.specification.data import as_data

        printing.write_json(as_data(specification))
    else:
        from holeqc.specification.describe import describe

        printing.write(describe(specification))
    if plot is not None:
        printing.say(f"Drawing: {plot}", aside=json_)


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
    printing.write(keys_text(name))
