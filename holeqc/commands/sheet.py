"""`holeqc sheet`: blank reading sheets out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeqc import printing
from holeqc.commands import LEDGER_HELP


def sheet(
    kit: Annotated[
        Path | None,
        typer.Argument(metavar="KIT.toml", help="The kit file; a recheck on record needs none.", show_default=False),
    ] = None,
    *,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="FILE.xlsx", help="Workbook; with --paper a PDF too.")],
    part: Annotated[
        str, typer.Option(metavar="NAME", help="Part that the sheet is for; without it the sheet offers a choice.")
    ] = "",
    serial: Annotated[
        list[str] | None, typer.Option(metavar="S", help="Serial number, or AP-021..AP-040; again for a sheet each.")
    ] = None,
    distances: Annotated[
        str,
        typer.Option(metavar="N|auto", help="Positions by so many distances; auto: by enough."),
    ] = "",
    paper: Annotated[
        bool, typer.Option("--paper", help="For a pencil: map, tall cells, boxes to tick; -o FILE.pdf, or a workbook.")
    ] = False,
    page: Annotated[
        str, typer.Option(help="Page to print on: letter or a4; letter for a kit in inches if not given.")
    ] = "",
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that is already there.")] = False,
    recheck: Annotated[
        str,
        typer.Option(metavar="SERIAL|TAG", help="Only what must be read again of this part, or that a tag speaks of."),
    ] = "",
    first: Annotated[
        list[Path] | None, typer.Option(metavar="FILE", help="Recheck: sheet that was checked, if not on record.")
    ] = None,
    plan: Annotated[
        str, typer.Option(metavar="FILE|CODE", help="Only what a reading plan on record asks, by lot, of one --serial.")
    ] = "",
    by: Annotated[str, typer.Option(help="With --plan: who has the lot drawn; else HOLEQC_BY.")] = "",
    ledger: Annotated[str, typer.Option(help=LEDGER_HELP)] = "",
    study: Annotated[
        bool, typer.Option("--study", help="A gauge study instead: who reads which hole when, order shuffled.")
    ] = False,
    item: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Study: a piece or hole to read; again for each.")
    ] = None,
    items: Annotated[int | None, typer.Option(min=1, help="Study: so many numbered pieces instead.")] = None,
    hole: Annotated[
        list[str] | None, typer.Option(metavar="ID", help="Study: hole of the kit, of each --serial; all if not given.")
    ] = None,
    appraiser: Annotated[
        list[str] | None, typer.Option(metavar="ROLE", help="Study: who reads; again for each. Three if not given.")
    ] = None,
    trials: Annotated[int | None, typer.Option(help="Study: how often each reads each piece; 2 if not given.")] = None,
    seed: Annotated[int | None, typer.Option(help="Study: start of the shuffled order; 1 if not given.")] = None,
    gauge: Annotated[
        str, typer.Option(metavar="ID", help="Study: gauge of the kit; the plan's for diameters if not given.")
    ] = "",
    nested: Annotated[bool, typer.Option("--nested", help="Study: each appraiser has pieces of their own.")] = False,
    choice: Annotated[
        list[str] | None, typer.Option(metavar="WORD", help="Study in words: an answer to choose; again for each.")
    ] = None,
) -> None:
    """Write a blank reading sheet: ready to print, and to type into with checks beside each reading.

    The kit's id and revision stand inside, so that holeqc check finds the kit file by itself.

    Example: holeqc sheet tolerances/bl7.toml -o blank.xlsx --part port --serial 1041 --serial 1042

    Example: holeqc sheet tolerances/bl7.toml --paper -o blank.pdf --part port --serial 1041

    Example: holeqc sheet --recheck P-1041 -o again.xlsx

    Example: holeqc sheet tolerances/bl8.toml -o port.xlsx --distances 20

    Example: holeqc sheet tolerances/bl7.toml --plan 3097229D89 -o lot.xlsx --part port --serial P-1041 --by 17

    Example: holeqc sheet tolerances/bl7.toml --study -o study.xlsx --serial P-1041 --gauge BG-2 --seed 7

    Caution: eye protection, clamped work, mind the chips. The sheet warns and never decides; drawing, approved data
    and the person licensed to sign prevail.
    """
    from holeqc.answers.files import load_kit
    from holeqc.answers.sheets import page_of
    from holeqc.problems import HoleQCError
    from holeqc.readings.containers import SizeLimits
    from holeqc.readings.sheet import write_sheet
    from holeqc.readings.sheet_layout import written_out
    from holeqc.specification.words import limits_line

    _refuse(out, replace, paper)
    if paper and study:
        raise HoleQCError("--paper is for reading sheets; a study is printed from its workbook")
    if recheck:
        _only_recheck({
            "part": part, "serial": serial, "study": study, "item": item, "items": items, "hole": hole,
            "appraiser": appraiser, "trials": trials, "seed": seed, "gauge": gauge, "nested": nested, "choice": choice,
        })  # fmt: skip
        printing.say(*_write_recheck(kit, out, recheck, first or [], ledger, page, replace))
        return
    if kit is None or first:
        raise HoleQCError("--first goes with --recheck" if first else "name the kit file first: holeqc sheet KIT.toml")
    if plan:
        from holeqc.answers.plan import write_lot

        if study or paper or len(serial or ()) != 1:
            raise HoleQCError("--plan draws the readings of one part, once it is drilled: name it with one --serial")
        printing.say(*write_lot(kit, plan, part, (serial or [""])[0].strip(), ledger, by, out, page, replace))
        return
    specification = load_kit(kit)
    page = page_of(specification, page)
    serial = [name for text in serial or () for name in written_out(text, "--serial")]
    most = SizeLimits().sheets - 1  # the hidden sheet of choices is one too; more wouldn't be read again
    if not study and len(serial) > most:
        raise HoleQCError(f"{len(serial)} serial numbers in one workbook; at most {most}. Write several workbooks")
    asked: dict[str, object] = {
        "item": item, "items": items, "hole": hole, "appraiser": appraiser, "trials": trials, "seed": seed,
        "gauge": gauge, "nested": nested, "choice": choice,
    }  # fmt: skip
    if study:
        from holeqc.answers.sheets import StudyRequest, write_study

        request = StudyRequest(
            tuple(item or ()), items, tuple(serial), tuple(hole or ()), part, tuple(appraiser or ()),
            2 if trials is None else trials, 1 if seed is None else seed, gauge, nested, tuple(choice or ()),
        )  # fmt: skip
        printing.say(limits_line(specification))
        printing.say(*write_study(specification, request, out, page, replace))
        return
    _only_studies(asked)
    lines: tuple[str, ...] = ()
    below = None
    if distances or specification.plan.distances:
        from holeqc.answers.distances import sheet_with_distances

        if paper or out.suffix.lower() == ".pdf":
            raise HoleQCError(f"{out}: distances go into a workbook; end its name in .xlsx, leave --paper out")
        specification, below, lines = sheet_with_distances(specification, distances)
    if out.suffix.lower() == ".pdf":
        from holeqc.answers.sheets import write_pencil

        write_pencil(specification, out, part, serial, page, replace=replace)
    else:
        write_sheet(specification, out, part or None, serial, page, replace=replace, pencil=paper, below=below)
    count = len(serial) or 1
    printing.say(limits_line(specification))
    printing.say(f"{out}: {count} blank sheet{'s' if count > 1 else ''} for kit {specification.id}, revision "
          f"{specification.revision}. " + (
              f"Check it filled with: holeqc check {kit} {out}" if out.suffix.lower() == ".xlsx" else
              f"Print it; type what was read with: holeqc log {kit} --serial S"))  # fmt: skip
    printing.say(*lines)


def _write_recheck(
    kit: Path | None, out: Path, named: str, first: list[Path], ledger: str, page: str, replace: bool
) -> list[str]:  # fmt: skip
    """Write a sheet of what must be read again of a part, on record or in files; return what to say of it."""
    from holeqc.answers.sheets import from_files, from_record, page_of, write_pencil
    from holeqc.readings.sheet import write_recheck
    from holeqc.specification.words import limits_line

    specification, asked = from_files(kit, first, named) if first else from_record(kit, named, ledger)
    page = page_of(specification, page)
    if out.suffix.lower() == ".pdf":
        write_pencil(specification, out, asked.part, [asked.serial], page, asked, replace=replace)
    else:
        write_recheck(specification, out, asked, page, replace=replace)
    rows = len(asked.asked)
    check = f"holeqc check {kit or 'KIT.toml'} {' '.join(map(str, first))} {out}" if first else (
        f"holeqc check {kit or 'KIT.toml'} {out} --record --by WHO")  # fmt: skip
    return [limits_line(specification),
            f"{out}: {rows} row{'s' if rows > 1 else ''} to read again of {asked.part} {asked.serial}, recheck of "
            f"{asked.of}. Check it filled with: {check}"]  # fmt: skip


def _only_recheck(asked: dict[str, object]) -> None:
    from holeqc.problems import HoleQCError

    given = [f"--{name}" for name, value in asked.items() if value not in (None, "", False, [])]
    if given:
        raise HoleQCError(
            f"{', '.join(given)}: --recheck names the part itself, one sheet for one part. Leave {given[0]} out; for "
            "several parts write a sheet for each"
        )


def _only_studies(asked: dict[str, object]) -> None:
    from holeqc.problems import HoleQCError

    given = [f"--{name}" for name, value in asked.items() if value not in (None, "", False, [])]
    if given:
        raise HoleQCError(f"{', '.join(given)}: only with --study")


def _refuse(out: Path, replace: bool, paper: bool) -> None:
    """Never write over a sheet that somebody may have filled."""
    from holeqc.problems import HoleQCError

    if out.suffix.lower() not in ((".xlsx", ".pdf") if paper else (".xlsx",)):
        raise HoleQCError(f"{out}: a reading sheet is a workbook; end its name in .xlsx"
                          f"{', or in .pdf' if paper else ' (a PDF for a pencil: --paper)'}")  # fmt: skip
    if out.exists() and not replace:
        raise HoleQCError(f"{out} is already there and may hold readings; choose another name, or say --replace")
    if not out.parent.is_dir():
        raise HoleQCError(f"{out}: there is no folder {out.parent}; make it first")
