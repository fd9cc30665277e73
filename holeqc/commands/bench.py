"""`holeqc log`, `watch` and `demo`: readings typed at the bench, a folder that is watched, things to try with."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer

from holeqc.answers.files import TOLERANCES_HELP
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
        str, typer.Option("--out", "-o", metavar="FILE.xlsx", help="Sheet to write, or its folder; else here.")
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


def watch(
    folder: Annotated[Path, typer.Argument(help="Folder that filled sheets are saved into.")],
    *,
    kit: Annotated[
        Path | None, typer.Option(metavar="KIT.toml", help="The kit file; without it each sheet says its own.")
    ] = None,
    tolerances: Annotated[Path | None, typer.Option(help=TOLERANCES_HELP)] = None,
    record: Annotated[bool, typer.Option("--record", help="Record each sheet with its tags; needs --by.")] = False,
    by: Annotated[str, typer.Option(help="Who records: a role or a number; else HOLEQC_BY.")] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    once: Annotated[bool, typer.Option("--once", help="Judge what is there now, then leave.")] = False,
) -> None:
    """Judge each filled sheet the moment it is saved into a folder, print its verdict, put report and tags beside it.

    A sheet that somebody has open, or that is still being written, is waited for; one that can't be used is told once
    it has stayed as it is for 10 s. A changed sheet is judged anew; what was judged before is not, after a restart
    either. Reports go into the folder "judged" inside. Ctrl-C ends it.

    Exit code of --once: the worst verdict's, as of holeqc check; 2 where a sheet can't be used, or is open for 10 s.

    Example: holeqc watch this_week --kit tolerances/bl7.toml --record --by "bench 2"

    Caution: a verdict supports and never replaces the drawing, the approved data and the person licensed to sign.
    """
    from holeqc.answers.watch import watch as watching

    raise typer.Exit(watching(folder, kit, once=once, tolerances=tolerances, record=record, by=by, ledger=ledger))


def demo(
    folder: Annotated[Path, typer.Argument(help="New folder to copy the samples into.")],
) -> None:
    """Copy the sample kits and filled sheets into a new folder, to try things with.

    Example: holeqc demo try_it

    Caution: the kits are made up; never drill or judge a part by them.
    """
    from holeqc import printing
    from holeqc.answers.files import write_demo

    written = write_demo(folder)
    printing.say(f"{len(written)} files in {folder}. Try:", f"  cd {shlex.quote(str(folder))}",
                 "  holeqc check tolerances/bl7.toml sample_measurements/bl7_* --out report",
                 "  holeqc log tolerances/bl7.toml --part port --serial P-0200")  # fmt: skip
