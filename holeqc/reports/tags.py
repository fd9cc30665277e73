"""Tags as texts: what a tag prints of each line, tags.json and tags.csv.

tags.json: a list of objects with the fields of `Tag`; ``lines`` is a list of objects with the fields of `Line`; null
where a number is not known. tags.csv: one row a line, the tag's fields repeated; texts that a spreadsheet could take
for a formula begin with an apostrophe.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

import holeqc
from holeqc.characteristics import unit_of
from holeqc.inspection import tags as decided
from holeqc.inspection.recheck import asked_by, asked_of
from holeqc.inspection.results import CAUSES, MISSING
from holeqc.readings.sheet_layout import Recheck
from holeqc.readings.table import CHARACTERISTICS
from holeqc.reports import wording as w
from holeqc.writer import as_text

if TYPE_CHECKING:
    from holeqc.inspection.view import PartView, Row, Run
    from holeqc.specification.model import Specification


@dataclass(frozen=True, slots=True)
class Line:
    """One characteristic on a tag. Texts are as printed; numbers in the kit's unit, None where there is none."""

    hole: str
    wall: str
    characteristic: str
    requirement: str
    found: str
    deviation: str
    lower: float | None
    upper: float | None
    found_value: float | None
    deviation_value: float | None
    gauge: str
    cell: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Tag:
    """One tag as it is printed. ``date``: day of the last reading, '' where none is known; ``decide``: the question."""

    code: str
    verdict: str
    kit: str
    revision: str
    drawing: str
    part: str
    part_number: str
    serial: str
    hole: str
    wall: str
    unit: str
    lines: tuple[Line, ...]
    gauge: str
    date: str
    decide: str
    dispositions: tuple[str, ...] = w.DISPOSITIONS


def printed(tag: decided.Tag, specification: Specification) -> Tag:
    """Return a tag with its lines in words."""
    given = {f.name: getattr(tag, f.name) for f in fields(Tag) if f.name not in {"lines", "dispositions"}}
    return Tag(**given, lines=tuple(_line(line, specification) for line in tag.lines))


def from_record(content: Mapping[str, Any], code: str, specification: Specification) -> Tag:
    """Return a recorded tag as it is printed; ``content``: the tag as the ledger holds it, of older ledgers too."""
    lines = content.get("lines", ())
    given: dict[str, Any] = {
        f.name: str(content.get(f.name, "")) for f in fields(Tag) if f.name not in {"lines", "dispositions"}
    } | {"code": code}
    old = [line for line in lines if "requirement" in line]  # texts of a ledger that held tags as they were printed
    if old:
        return Tag(**given, lines=tuple(Line(**{f.name: line.get(f.name) for f in fields(Line)}) for line in old))
    return Tag(**given, lines=tuple(_line(decided.Line(**line), specification) for line in lines))


def _line(line: decided.Line, spec: Specification) -> Line:
    unit = spec.unit
    row = {
        name: math.nan if value is None and name in _NUMBERS else value
        for name, value in ((f.name, getattr(line, f.name)) for f in fields(line))
    } | {"reading": 0 if line.read else -1}
    if line.characteristic == decided.PINS:
        asked = f"radial room at least {w.typed(0.0, unit)}"
        found = w.signed(row["found"], unit) if line.found is not None else "not known"
    else:
        asked, found = w.requirement(row, spec), w.value_text(row, unit)
        if line.cause == CAUSES[MISSING] and line.found is not None and not line.doubtful:
            found += ", incomplete"
    if line.doubtful:
        found = w.doubtful_text(row, unit, line.cell, line.typed)
    return Line(
        line.hole, line.wall, line.characteristic, asked, found,
        w.signed(line.deviation, unit_of(line.characteristic, unit)) if line.deviation is not None else "",
        line.lower, line.upper,
        None if line.doubtful else line.found, line.deviation, line.gauge, line.cell, line.verdict,
    )  # fmt: skip


_NUMBERS = {"lower", "upper", "stated", "bonus", "found", "deviation"}


# ---------------------------------------------------------------------------------------------------------- as data


def tags_json(tags: Sequence[Tag]) -> str:
    """Return tags as JSON text."""
    return json.dumps([asdict(tag) for tag in tags], ensure_ascii=False, indent=1, allow_nan=False) + "\n"


CSV_COLUMNS = (
    "tag", "verdict", "kit", "revision", "drawing", "part", "part_number", "serial", "hole", "wall", "characteristic",
    "requirement", "found", "deviation", "unit", "gauge", "date", "cell", "decide", "disposition", "signed_by",
)  # fmt: skip


def tags_csv(tags: Sequence[Tag]) -> str:
    """Return tags as CSV text, one row a line; the last two columns are for the decision."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(CSV_COLUMNS)
    for tag in tags:
        for line in tag.lines or (None,):
            writer.writerow(_csv_row(tag, line))
    return out.getvalue()


def _csv_row(tag: Tag, line: Line | None) -> list[Any]:
    hole, wall = (line.hole, line.wall) if line else (tag.hole, tag.wall)
    head = [tag.code, line.verdict if line else tag.verdict, tag.kit, tag.revision, tag.drawing, tag.part]
    head += [
        tag.part_number,
        tag.serial,
        hole,
        wall,
        line.characteristic if line else "",
        line.requirement if line else "",
    ]
    found: list[Any] = [line.found if line else ""]
    deviation: Any = line.deviation_value if line and line.deviation_value is not None else ""
    unit = unit_of(line.characteristic, tag.unit) if line else tag.unit
    tail = [unit, line.gauge if line else tag.gauge, tag.date, line.cell if line else "", tag.decide, "", ""]
    return [*map(as_text, [*head, *found]), deviation, *map(as_text, tail)]


def tool_text(run: Run) -> str:
    """Return the line that says which tool made the tags, of which kit."""
    return w.tool_line(holeqc.__version__, run.specification)


# ------------------------------------------------------------------------------------------------------- read it again


def recheck_of(
    part: PartView, of: str, holes: Collection[str] = (), decided: Mapping[str, str] | None = None
) -> Recheck:  # fmt: skip
    """Return what a recheck sheet of a part asks, with what was found before.

    ``of``: tags or day that it is a recheck of; ``holes``: only of these; ``decided``: hole -> disposition in words.
    """
    spec, unit = part.specification, part.specification.unit
    asked: dict[tuple[str, str], frozenset[str]] = {}
    found: dict[tuple[str, str], str] = {}
    for one in asked_by(part, holes) if holes else asked_of(part):
        for wall in spec.walls.names:
            kinds = frozenset(kind for at, kind in one.groups if at in ("", wall))
            if one.whole or kinds:
                asked[one.hole, wall] = EVERY_KIND if one.whole else kinds
                rows = [row for row in one.why if str(row["wall"]) in ("", wall)]
                found[one.hole, wall] = w.plain("; ".join(_before(part, row, unit) for row in rows))
    return Recheck(of, part.part, part.serial, asked, found, dict(decided or {}))


EVERY_KIND = frozenset(CHARACTERISTICS)


def _before(part: PartView, row: Row, unit: str) -> str:
    shown = w.value_text(row, unit)
    if row["doubtful"]:
        shown = w.doubtful_text(row, unit, part.cell(row), part.typed_as(row))
    return f"{row['characteristic']} {shown}"
