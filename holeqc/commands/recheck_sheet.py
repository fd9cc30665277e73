"""What a recheck sheet asks: of a part on record, or of one whose sheet was checked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from holeqc.problems import HoleQCError, LedgerError

if TYPE_CHECKING:
    from holeqc.inspection.view import PartView
    from holeqc.readings.sheet_layout import Recheck
    from holeqc.specification.model import Specification


def from_files(kit: Path | None, first: list[Path], named: str) -> tuple[Specification, Recheck]:
    """Return the kit and what is asked of a part of some sheets, named by its serial number or a tag's code.

    Raises:
        HoleQCError: the sheets hold no such part or tag, or nothing of it is to be read again.
    """
    from holeqc.answers.files import kit_and_files
    from holeqc.inspection.judge import inspect
    from holeqc.inspection.tags import code_typed, tags_for
    from holeqc.inspection.view import Run
    from holeqc.readings.read import read_files
    from holeqc.reports.tags import recheck_of

    specification, files, _ = kit_and_files([*([kit] if kit else []), *first])
    run = Run(inspect(specification, read_files(files, specification)))
    tags = tags_for(run)
    chosen = [tag for tag in tags if tag.code == code_typed(named)]
    serial = chosen[0].serial if chosen else named.strip()
    parts = [part for part in run if part.serial == serial and (not chosen or part.part == chosen[0].part)]
    if len(parts) != 1:
        raise HoleQCError(f"{named}: {'no part or tag' if not parts else 'several parts'} of this name in the sheets")
    mine = chosen or [tag for tag in tags if (tag.part, tag.serial) == (parts[0].part, parts[0].serial)]
    holes = [hole for tag in chosen for hole in tag.holes]
    return specification, _something(recheck_of(parts[0], ", ".join(tag.code for tag in mine), holes), named)


def from_record(kit: Path | None, named: str, ledger: str) -> tuple[Specification, Recheck]:
    """Return the kit and what is asked of a part on record, named by its serial number or a tag's code.

    ``kit``: the kit file, where it isn't the text that judged the part.

    Raises:
        LedgerError: nothing is on record of it, or nothing of it is to be read again.
    """
    from holeqc.answers.files import load_kit
    from holeqc.inspection.judge import inspect
    from holeqc.inspection.view import Run
    from holeqc.ledger import open_ledger
    from holeqc.ledger.approvals import newest_story
    from holeqc.ledger.kits import newest_release, stored_specification
    from holeqc.ledger.read_back import readings_of_inspections
    from holeqc.ledger.tags import find_tags, tags_named
    from holeqc.reports.tags import recheck_of

    with open_ledger(ledger, create=False) as there, there.reading():
        chosen = tags_named(there, named)
        if len(chosen) > 1:
            raise LedgerError(f"{named}: several tags were printed with this number; name one by its code")
        row = chosen[0].row if chosen else {"serial": named.strip(), "kit": "", "part": ""}
        story = newest_story(there, str(row["serial"]), kit=str(row["kit"]), part=str(row["part"]))
        newest = newest_release(there, str(story.row["kit"]))
        if kit is None and newest is not None and newest["specification_id"] != story.row["specification_id"]:
            raise LedgerError(
                f"{named}: judged under revision {story.row['revision']} of kit {story.row['kit']}, and revision "
                f"{newest['revision']} was released since (entry {newest['entry']}). Name its file: "
                f"holeqc sheet KIT.toml --recheck {named}"
            )
        spec = load_kit(kit) if kit else stored_specification(there, int(story.row["specification_id"]))
        readings = readings_of_inspections(there, spec, [int(story.row["id"])])
        part: PartView = Run(inspect(spec, readings))[0]
        tags = find_tags(there, serial=part.serial, kit=spec.id, part=str(story.row["part"]), only_open=True)
        mine = chosen or tags
        holes = [hole for tag in chosen for hole in tag.holes]
        words = {tag.number: f"{tag.disposition}: {tag.events[-1]['note']}" for tag in tags if tag.disposition}
        decided = {hole: words[tag.number] for tag in tags if tag.number in words for hole in tag.holes}
    of = ", ".join(tag.number for tag in mine) or str(story.row["last_day"] or "")
    return spec, _something(recheck_of(part, of, holes, decided), named)


def _something(asked: Recheck, named: str) -> Recheck:
    """Return what is asked.

    Raises:
        HoleQCError: nothing is.
    """
    if not asked.asked:
        raise HoleQCError(f"{named}: nothing of it must be read again")
    return asked
