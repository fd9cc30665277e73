"""The list of characteristics of a packet: one row a characteristic, with the fields of a first-article form.

The fields are those of the third form of AS9102: characteristic number, reference location, designator, requirement,
results, designed or qualified tooling, nonconformance number, comments. Tooling is given for checks by attribute, as
the size of the plug; it stays blank where results are numbers. Designators are those of the kit file. Comments: what
was decided, what was remarked in the sheet, the gauge, and what holds at 20 °C where that isn't what was read.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from holeqc.inspection.results import CHARACTERISTICS, VERDICTS
from holeqc.inspection.tags import gauge_of
from holeqc.inspection.view import PartView, Row, Run
from holeqc.ledger.approved import ApprovedSet
from holeqc.ledger.rechecks import speaking_for
from holeqc.ledger.tags import released_with
from holeqc.reports import wording as w
from holeqc.reports.part_pages import SHORT
from holeqc.reports.remarks import remarks_of

if TYPE_CHECKING:
    from holeqc.ledger.tags import TagState

MOST_READINGS = 6  #: so many readings of a size are listed one by one; of more, smallest and largest
PATTERN = "pattern"  #: hole of the tag that speaks of all pins together


@dataclass(frozen=True, slots=True)
class Listed:
    """One characteristic on the list; numbers in the kit's unit, None where there is none."""

    number: str
    place: str
    designator: str
    requirement: str
    results: str
    tooling: str
    nonconformance: str
    comments: str
    verdict: int
    lower: float | None
    upper: float | None
    found: float | None
    cell: str


def passed_with(approved: ApprovedSet) -> str:
    """Return with which nonconformances the part was approved, ``use-as-is, EO-2``; '' for none."""
    number = int(approved.story.row["id"])
    return released_with(approved.tags, number, speaking_for(number, approved.tags, approved.links))


def listed_characteristics(approved: ApprovedSet, part: PartView) -> tuple[Listed, ...]:
    """Return the list, numbered from 1 in the kit's order: hole, characteristic, wall; all pins together last."""
    numbers = _nonconformances(approved)
    readings = _diameters(part)
    rows = sorted(part.characteristics, key=lambda row: _place(part, row))
    notes: dict[str, list[str]] = {}
    for remark in remarks_of(part.readings):
        if remark.hole:
            notes.setdefault(remark.hole, []).append(f"remark: {remark.text}")
    found = [_listed(part, row, n, numbers, readings, notes) for n, row in enumerate(rows, 1)]
    if int(part.row["pin_verdict"]) >= 0:
        found.append(_pins(part, len(found) + 1, numbers))
    return tuple(found)


def _place(part: PartView, row: Row) -> tuple[int, int, int]:
    spec = part.specification
    walls = {wall: n for n, wall in enumerate(spec.walls.names)}
    holes = {hole: n for n, hole in enumerate(spec.hole_ids)}
    name = str(row["characteristic"])
    kind = CHARACTERISTICS.index(name) if name in CHARACTERISTICS else len(CHARACTERISTICS)
    return holes.get(str(row["hole"]), len(holes)), kind, walls.get(str(row["wall"]), -1)


def _nonconformances(approved: ApprovedSet) -> dict[tuple[str, str, str], tuple[str, str]]:
    """Return tag's number and what was decided, by hole, wall and characteristic."""
    found: dict[tuple[str, str, str], tuple[str, str]] = {}
    for tag in speaking_for(int(approved.story.row["id"]), approved.tags, approved.links):
        lines = json.loads(str(tag.row["content"]) or "{}").get("lines", ())
        keys = [(str(x.get("hole")), str(x.get("wall")), str(x.get("characteristic"))) for x in lines]
        for key in keys or [(str(tag.row["hole"]), "", "")]:
            found[key] = tag.number, decided(tag)
        if tag.row["hole"] == PATTERN:
            found[PATTERN, "", ""] = tag.number, decided(tag)
    return found


def decided(tag: TagState) -> str:
    """Return the disposition of a tag with its authority, '' where there is none."""
    return f"{tag.disposition}, authority {tag.authority}" if tag.authority else tag.disposition


def _diameters(part: PartView) -> dict[tuple[str, str], list[float]]:
    table = part.readings
    rows = table[(table["characteristic"] == "diameter") & table["value"].notna()]
    found: dict[tuple[str, str], list[float]] = {}
    for hole, wall, value in zip(rows["hole"].tolist(), rows["wall"].tolist(), rows["value"].tolist(), strict=True):
        found.setdefault((str(hole), str(wall)), []).append(float(value))
    return found


def _listed(
    part: PartView, row: Row, number: int, numbers: dict[tuple[str, str, str], tuple[str, str]],
    readings: dict[tuple[str, str], list[float]], notes: dict[str, list[str]],
) -> Listed:  # fmt: skip
    spec = part.specification
    hole, wall, name = str(row["hole"]), str(row["wall"]), str(row["characteristic"])
    where = [f"hole {hole}", wall if spec.walls.several else ""]
    tag, said = numbers.get((hole, wall, name), ("", ""))
    if not tag and int(row["verdict"]):
        tag, said = numbers.get((hole, "", ""), ("", ""))
    gauge = gauge_of(part, row)
    gauge = f"gauge {gauge}" if gauge else ""
    said = "; ".join(x for x in (said, *notes.get(hole, ()), gauge, _at_reference(part, row)) if x)
    return Listed(
        str(number), w.plain(", ".join(x for x in where if x)), w.plain(spec.designators.get(name, "")),
        f"{SHORT.get(name, name)} {w.requirement(row, spec)}", _results(row, readings.get((hole, wall), []), spec.unit),
        _tooling(part, row), tag, w.plain(said), int(row["verdict"]), _known(row["lower"]), _known(row["upper"]),
        _known(row["found"]), part.cell(row),
    )  # fmt: skip


def _at_reference(part: PartView, row: Row) -> str:
    if part.as_read(row) is None:
        return ""
    return f"{w.corrected(row['found'], part.specification.unit, row['lower'], row['upper'])} at 20 °C decides"


def _results(row: Row, diameters: Sequence[float], unit: str) -> str:
    if row["characteristic"] != "size" or not diameters:
        return w.value_text(row, unit)
    shown = [w.typed(value, unit) for value in diameters]
    if len(shown) > MOST_READINGS:
        return f"{w.typed(min(diameters), unit)} to {w.typed(max(diameters), unit)}, {len(shown)} readings"
    return ", ".join(shown)


def _tooling(part: PartView, row: Row) -> str:
    """Return the size of the plug for a check by attribute; blank where the result is a number."""
    if row["characteristic"] not in {"GO", "NO-GO"}:
        return ""
    hole = next((h for h in part.specification.holes if h.id == row["hole"]), None)
    size = None if hole is None else hole.plugs.go if row["characteristic"] == "GO" else hole.plugs.no_go
    return f"{row['characteristic']} plug {w.typed(size, part.specification.unit)}" if size is not None else ""


def _pins(part: PartView, number: int, numbers: dict[tuple[str, str, str], tuple[str, str]]) -> Listed:
    spec, margin = part.specification, float(part.row["pin_margin"])
    tag, said = numbers.get((PATTERN, "", ""), ("", ""))
    found = f"radial room {w.signed(margin, spec.unit)}" if math.isfinite(margin) else "not known"
    return Listed(
        str(number), "all holes", w.plain(spec.designators.get("pins", "")),
        "All pins together at their virtual condition, radial room at least 0", found,
        "", tag, w.plain(said), int(part.row["pin_verdict"]), 0.0, None, _known(margin), "",
    )  # fmt: skip


def _known(value: Any) -> float | None:
    number = float(value)
    return number if math.isfinite(number) else None


HEADS = (
    ("No.", 6), ("Reference location", 26), ("Designator", 11), ("Requirement", 34), ("Results", 26),
    ("Designed or qualified tooling", 20), ("Nonconformance no.", 15), ("Comments", 26), ("Verdict", 10), ("Lower", 9),
    ("Upper", 9), ("Found", 9), ("Cell", 40),
)  # fmt: skip


def workbook_rows(rows: Sequence[Listed]) -> list[tuple[Any, ...]]:
    """Return the list as cells of a workbook, in the order of `HEADS`."""
    from holeqc.reports.workbook import Long, Verdict

    return [
        (
            int(r.number), Long(r.place), r.designator, Long(r.requirement), Long(r.results), r.tooling,
            r.nonconformance, Long(r.comments), Verdict(r.verdict), r.lower, r.upper, r.found, Long(r.cell),
        )
        for r in rows
    ]  # fmt: skip


def run_of(approved: ApprovedSet) -> tuple[Run, PartView]:
    """Return the run of an approved set and its one part."""
    run = Run(approved.inspection)
    name = (str(approved.story.row["part"]), str(approved.story.row["serial"]))
    number = next((n for n, row in enumerate(run.part_rows) if (row["part"], row["serial"]) == name), 0)
    return run, run[number]


def verdict_number(word: object) -> int:
    """Return the number of a verdict's word."""
    return VERDICTS.index(str(word))
