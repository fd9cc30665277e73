"""`holeqc log`, `watch` and `demo`: readings typed at the bench, a folder that is watched, things to try with."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc.commands import LEDGER_HELP


def log(
    kit: Annotated[
        Path | None,
        typer.Argument(metavar="KIT.toml", help="The kit file; --resume and --recheck need none.", show_default=False),
    ] = None,
    *,
    part: Annotated[str, typer.Option(metavar="NAME", help="Part of the kit that is measured.")] = "",
    serial: Annotated[str, typer.Option(metavar="S", help="Its serial number.")] = "",
    out: Annotated[
        str, typer.Option("--out", "-o", metavar="FILE.xlsx", help="Sheet to write, or its folder; else SERIAL.xlsx here.")
    ] = "",
    resume: Annotated[bool, typer.Option("--resume", help="Go on with the draft that a stop has left.")] = False,
    recheck: Annotated[
        str, typer.Option(metavar="SERIAL|TAG", help="Only what must be read again of this part.")
    ] = "",
    first: Annotated[
        list[Path] | None, typer.Option(metavar="FILE", help="Recheck: sheet that was checked, if not on record.")
    ] = None,
    only: Annotated[
        str, typer.Option(metavar="WHAT", help="Now only these, the rest later: size, position, plugs, surface.")
    ] = "",
    no_map: Annotated[bool, typer.Option("--no-map", help="No map of the holes; for a screen reader.")] = False,
    record: Annotated[bool, typer.Option("--record", help="Record the sheet at the end; needs --by.")] = False,
    by: Annotated[str, typer.Option(help="Who records: a role or a number; else HOLEQC_BY.")] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
) -> None:
    """Log readings at the bench: asks one after the other and says at once inside, near, outside or doubtful.

    Type the number, or let a gauge with keyboard output send it. Each answer is on disk before the next question; stop
    whenever you like and go on with --resume. At the end: verdict, rework, tags, and the filled sheet.

    Exit code: the verdict's, as of holeqc check; 130 if you stopped before the end.

    Example: holeqc log tolerances/bl7.toml --part port --serial P-0113

    Example: holeqc log --resume

    Caution: eye protection, clamped work, mind the chips. A verdict supports and never replaces the drawing, the
    approved data and the person licensed to sign.
    """
    from holeqc.answers import bench

    job = bench.Job(str(kit or ""), part, serial, recheck, tuple(map(str, first or ())), ledger, out)
    kinds = [word for word in only.split(",") if word.strip()]
    raise typer.Exit(bench.log(job, resume=resume, only=kinds, maps=not no_map, by=by, record=record))
