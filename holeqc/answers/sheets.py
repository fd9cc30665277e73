"""Blank sheets that are more than a kit's: of a gauge study, and of what must be read again of a part."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc.problems import DataError, HoleQCError, LedgerError
from holeqc.readings.sheet import StudyPlan, write_study_sheet
from holeqc.readings.table import ENTERS, STOPS

if TYPE_CHECKING:
    from holeqc.inspection.view import PartView
    from holeqc.readings.sheet_layout import Recheck
    from holeqc.specification.model import Gauge, Specification


APPRAISERS = ("appraiser 1", "appraiser 2", "appraiser 3")
PLUG_CHECKS = {"go", "no_go"}


@dataclass(frozen=True, slots=True)
class StudyRequest:
    """The options of a study as typed. ``items`` names what is read; else ``count`` of them, else holes of the kit."""

    items: tuple[str, ...] = ()
    count: int | None = None
    serials: tuple[str, ...] = ()
    holes: tuple[str, ...] = ()
    part: str = ""
    appraisers: tuple[str, ...] = ()
    trials: int = 2
    seed: int = 1
    gauge: str = ""
    nested: bool = False
    choices: tuple[str, ...] = ()


def study_plan(spec: Specification, request: StudyRequest) -> StudyPlan:
    """Return the plan of a study of a kit's holes.

    What is read: the names given, or so many numbered ones, or each hole of each serial number, or each hole of the
    kit. The gauge is the one named, else the plan's for diameters; a plug makes it a study in words.

    Raises:
        DataError: a hole, part or gauge that the kit doesn't know, or what is read named in two ways.
    """
    gauge = _gauge(spec, request.gauge)
    choices = request.choices
    if not choices and gauge is not None and gauge.measures and set(gauge.measures) <= PLUG_CHECKS:
        choices = (ENTERS, STOPS)
    if request.part:
        spec.part(request.part)  # raises for one that isn't there
    name = f"Gauge study, kit {spec.id} {spec.revision}" + (f", {request.part}" if request.part else "")
    return StudyPlan(
        _items(spec, request), request.appraisers or APPRAISERS, request.trials, request.seed, request.nested,
        "" if choices else spec.unit, gauge.id if gauge else "", name, choices,
    )  # fmt: skip


def _gauge(spec: Specification, asked: str) -> Gauge | None:
    if not asked:
        return spec.gauge(spec.plan.diameter_gauge) if spec.plan.diameter_gauge else None
    found = spec.gauge(asked)
    if found is None:
        known = ", ".join(g.id for g in spec.gauges) or "none"
        raise DataError(f"gauge {asked!r} is not in kit {spec.id}; gauges are {known}")
    return found


def _items(spec: Specification, request: StudyRequest) -> tuple[str, ...]:
    ways = [bool(request.items), request.count is not None, bool(request.serials or request.holes)]
    if sum(ways) > 1:
        raise DataError("say in one way what is read: --item names, --items a number, or --serial and --hole")
    if request.items:
        return request.items
    if request.count is not None:
        width = len(str(request.count))
        return tuple(f"piece {n:0{width}d}" for n in range(1, request.count + 1))
    holes = [spec.hole(hole).id for hole in request.holes] or list(spec.hole_ids)
    if not request.serials:
        return tuple(f"hole {hole}" for hole in holes)
    return tuple(f"{serial} hole {hole}" for serial in request.serials for hole in holes)


def write_study(spec: Specification, request: StudyRequest, out: Path, paper: str, replace: bool) -> tuple[str, ...]:
    """Write the blank sheet of a study and return what to say of it, a sentence a line."""
    plan = study_plan(spec, request)
    runs = write_study_sheet(plan, out, paper, replace=replace)
    count = f"{len(plan.parts)} pieces, {len(plan.appraisers)} appraisers, {plan.trials} trials"
    options = " ".join(_options(spec, plan, request.holes))
    return (
        f"{out}: blank study sheet for kit {spec.id}, revision {spec.revision}: {count}, {len(runs)} readings",
        f"Gauge {plan.gauge or 'not named'}; order shuffled by seed {plan.seed}.",
        f"Work it out filled with: holeqc gauge-study {shlex.quote(str(out))} {options}",
    )


def _options(spec: Specification, plan: StudyPlan, holes: Sequence[str]) -> list[str]:
    words = ["--part part", "--appraiser appraiser", "--value value"]
    limits = {(h.size.lower, h.size.upper) for h in spec.holes if not holes or h.id in holes}
    if plan.nested:
        words.append("--nested")
    gauge = spec.gauge(plan.gauge)
    if not plan.choices and len(limits) == 1 and (gauge is None or "diameter" in gauge.measures):
        lower, upper = limits.pop()
        words += [f"--lower {lower:.10g}", f"--upper {upper:.10g}", f"--unit {plan.unit}"]
    return words


# ------------------------------------------------------------------------------------------------------ for a pencil


def page_of(spec: Specification, named: str = "") -> str:
    """Return the page to print on: as named, else by the kit's unit."""
    return named.strip().lower() or ("letter" if spec.unit == "in" else "a4")


def write_pencil(
    spec: Specification, out: Path, part: str, serials: Sequence[str], page: str, recheck: Recheck | None = None, *,
    replace: bool = False,
) -> None:  # fmt: skip
    """Write reading sheets for a pencil as a PDF, one a serial number.

    Raises:
        DataError: no such part or page. WriteError: the file is there, or the disk refuses.
    """
    from holeqc import writer
    from holeqc.reports.pages import PAPERS
    from holeqc.reports.pencil import pencil_pages

    if page not in PAPERS:
        raise DataError(f"page {page!r} is not known; {' or '.join(PAPERS)}")
    if part or len(spec.parts) == 1:
        part = spec.part(part or spec.parts[0].name).name
    writer.write_bytes(out, pencil_pages(spec, part, serials, page, recheck), replace=replace)


# ----------------------------------------------------------------------------------------------- what is read again


def from_files(kit: Path | None, first: list[Path], named: str) -> tuple[Specification, Recheck]:
    """Return the kit and what is asked of a part of some sheets, named by its serial number or a tag's code.

    Raises:
        HoleQCError: the sheets hold no such part or tag, or nothing of it is to be read again.
    """
    from holeqc.answers.files import kit_and_files
    from holeqc.inspection.recheck import inspect
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
    from holeqc.inspection.recheck import inspect
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
