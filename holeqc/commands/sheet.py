"""`holeqc sheet`: blank reading sheets out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def sheet(
    kit: Annotated[Path, typer.Argument(metavar="KIT.toml", help="The kit file.", show_default=False)],
    out: Annotated[Path, typer.Option("--out", "-o", metavar="FILE.xlsx", help="Workbook to write.")],
    part: Annotated[
        str, typer.Option(metavar="NAME", help="Part that the sheet is for; without it the sheet offers a choice.")
    ] = "",
    serial: Annotated[
        list[str] | None, typer.Option(metavar="S", help="Serial number; give it again for a sheet each.")
    ] = None,
    paper: Annotated[str, typer.Option(help="Paper to print on: a4 or letter.")] = "a4",
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that is already there.")] = False,
) -> None:
    """Write a blank reading sheet: ready to print, and to type into with checks beside each reading.

    The kit's id and revision stand inside, so that holeqc check finds the kit file by itself.

    Example: holeqc sheet tolerances/bl7.toml -o blank.xlsx --part port --serial 1041 --serial 1042

    Caution: eye protection, clamped work, mind the chips. The sheet warns and never decides; drawing, approved data
    and the person licensed to sign prevail.
    """
    from holeqc.readings.sheet import write_sheet
    from holeqc.specification.load import load_specification

    specification = load_specification(kit)
    _refuse(out, replace)
    write_sheet(specification, out, part or None, serial or (), paper.strip().lower())
    count = len(serial or ()) or 1
    print(f"{out}: {count} blank sheet{'s' if count > 1 else ''} for kit {specification.id}, revision "
          f"{specification.revision}. Check it filled with: holeqc check {kit} {out}")  # fmt: skip


def _refuse(out: Path, replace: bool) -> None:
    """Never write over a sheet that somebody may have filled."""
    from holeqc.problems import HoleQCError

    if out.suffix.lower() != ".xlsx":
        raise HoleQCError(f"{out}: a reading sheet is a workbook; end its name in .xlsx")
    if out.exists() and not replace:
        raise HoleQCError(f"{out} is already there and may hold readings; choose another name, or say --replace")
    if not out.parent.is_dir():
        raise HoleQCError(f"{out}: there is no folder {out.parent}; make it first")
