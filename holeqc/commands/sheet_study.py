"""Blank sheet of a gauge study for a kit: which holes, who reads, in which order."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc.problems import DataError
from holeqc.readings.sheet import StudyPlan, write_study_sheet
from holeqc.readings.table import ENTERS, STOPS

if TYPE_CHECKING:
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
