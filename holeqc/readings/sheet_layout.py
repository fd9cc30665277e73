"""Which columns and fields a blank sheet of a kit has, and in which cells; the writing itself is in `sheet`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from holeqc.problems import DataError
from holeqc.readings.marker import FIELDS, FIRST_FIELD_ROW, Column, heading
from holeqc.readings.table import cell_name
from holeqc.specification.boundaries import required_edge
from holeqc.specification.model import Hole, Specification

NAME_LENGTH = 31  #: longest sheet name that spreadsheets allow
MOST_SHEETS = 250  #: a reader takes 300; the list of choices is one
_FORBIDDEN = str.maketrans(dict.fromkeys("[]:*?/\\'\"<>|", "-"))


@dataclass(frozen=True, slots=True)
class SheetColumn:
    """A column: heading, width in characters, what it holds, and whether a person fills it."""

    heading: str
    width: float
    holds: str
    entry: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the table: a hole in a wall, and which entries are asked in it."""

    hole: Hole
    wall: str
    asked: frozenset[str]


@dataclass(frozen=True, slots=True)
class Layout:
    """Columns from A on, table rows, and the cells of the fields (word to address); row numbers count from 1."""

    columns: tuple[SheetColumn, ...]
    rows: tuple[Row, ...]
    fields: dict[str, str]
    heading_row: int

    @property
    def first_row(self) -> int:
        """First row of the table below its headings."""
        return self.heading_row + 1

    @property
    def last_row(self) -> int:
        """Last row of the table."""
        return self.heading_row + len(self.rows)

    @property
    def width(self) -> int:
        """Number of columns, at least as many as the block of what is asked needs."""
        return max(len(self.columns), 9)

    def of(self, holds: str) -> list[int]:
        """Return the numbers of the columns that hold something, from 1."""
        return [i for i, c in enumerate(self.columns, start=1) if c.holds == holds]

    def cell(self, holds: str, row: int) -> str:
        """Return the address of the first column that holds something in a row, '' where there is none."""
        found = self.of(holds)
        return cell_name(row, found[0]) if found else ""

    def span(self, holds: str, row: int, last: int | None = None) -> str:
        """Return the range of all columns that hold something, in a row or down to a last row, '' where none do."""
        found = self.of(holds)
        if not found:
            return ""
        return f"{cell_name(row, found[0])}:{cell_name(last or row, found[-1])}"


@dataclass(frozen=True, slots=True)
class Recheck:
    """What a recheck sheet asks of one part.

    ``of``: the tags or the day that it is a recheck of; ``asked``: hole and wall -> kinds of reading; ``found``: hole
    and wall -> what was found there before, ``decided``: hole -> what was decided on it, both in words.
    """

    of: str
    part: str
    serial: str
    asked: Mapping[tuple[str, str], frozenset[str]]
    found: Mapping[tuple[str, str], str]
    decided: Mapping[str, str]


def layout(specification: Specification, recheck: Recheck | None = None) -> Layout:
    """Return the layout of a blank sheet for a kit, or of a sheet of only what is read again."""
    fields = _fields(specification, recheck is not None)
    rows = _rows(specification)
    columns = _columns(specification)
    if recheck is not None:
        rows = tuple(
            replace(row, asked=row.asked & (recheck.asked[row.hole.id, row.wall] | {"note"})) for row in rows
            if (row.hole.id, row.wall) in recheck.asked
        )  # fmt: skip
        there = {kind for row in rows for kind in row.asked}
        there |= {"diameter"} if there & {"go", "no_go", "surface"} else set()  # plugs are checked beside the sizes
        columns = (
            *columns[:2], SheetColumn("Found before", 30, "found_before"), SheetColumn("Decided", 24, "decided"),
            *(c for c in columns[2:] if not _needless(c.holds, there)),
        )  # fmt: skip
    # fields, one row for the state line, then the headings
    return Layout(columns, rows, fields, FIRST_FIELD_ROW + len(fields) + 1)


#: column for people -> readings that it belongs to
_BESIDE = {
    "lower": {"diameter"}, "upper": {"diameter"}, "size_check": {"diameter"}, "basic_x": {"x"}, "basic_y": {"x"},
    "position_asked": {"x"}, "position_check": {"x"}, "edge_asked": {"edge_distance"}, "edge_check": {"edge_distance"},
    "plug_check": {"go", "no_go", "surface"},
}  # fmt: skip


def _needless(holds: str, asked: set[str]) -> bool:
    """Whether a column of a recheck has nothing to say beside what is asked."""
    return not _BESIDE.get(holds, {"x"} if holds == "y" else {holds}) & asked


def _fields(s: Specification, recheck: bool) -> dict[str, str]:
    wanted = {"part", "serial", "date", "by", "temperature_c", "gauge:diameter"} | ({"recheck"} if recheck else set())
    if s.plan.position:
        wanted.add("gauge:position")
    if s.plan.edge_distance:
        wanted.add("gauge:edge_distance")
    if any(h.plugs.go is not None or h.plugs.no_go is not None for h in s.holes):
        wanted.add("gauge:plugs")
    words = [word for word in FIELDS.values() if word in wanted]
    return {word: f"C{FIRST_FIELD_ROW + i}" for i, word in enumerate(words)}


def _columns(s: Specification) -> tuple[SheetColumn, ...]:
    unit = s.unit
    widest = max((len(h.id) for h in s.holes), default=4)
    wall = max(len(w) for w in s.walls.names)
    columns = [
        SheetColumn("Hole", max(7, min(widest + 2, 24)), "hole"),
        SheetColumn("Wall", max(9, min(wall + 2, 20)), "wall"),
        SheetColumn("Lower limit", 9, "lower"),
        SheetColumn("Upper limit", 9, "upper"),
    ]
    columns += [
        SheetColumn(heading(Column("diameter", direction, trial, unit)), 11, "diameter", entry=True)
        for trial in range(1, s.plan.count + 1)
        for direction in s.plan.directions
    ]
    columns.append(SheetColumn("Size check", 17, "size_check"))
    columns += _position_columns(s)
    if s.plan.edge_distance:
        columns += [
            SheetColumn("Edge asked", 9, "edge_asked"),
            SheetColumn(heading(Column("edge_distance", unit=unit)), 11, "edge_distance", entry=True),
            SheetColumn("Edge check", 14, "edge_check"),
        ]
    words = [
        ("go", any(h.plugs.go is not None for h in s.holes)),
        ("no_go", any(h.plugs.no_go is not None for h in s.holes)),
        ("surface", any(h.surface.asked for h in s.holes)),
    ]
    asked = [word for word, wanted in words if wanted]
    columns += [SheetColumn(heading(Column(word)), 11 if word == "surface" else 14, word, entry=True) for word in asked]
    if asked:
        columns.append(SheetColumn("Surface check" if asked == ["surface"] else "Plug check", 20, "plug_check"))
    columns.append(SheetColumn("Note", 15, "note", entry=True))
    return tuple(columns)


def _position_columns(s: Specification) -> list[SheetColumn]:
    if not s.plan.position:
        return []
    columns = [
        SheetColumn("Basic x", 9, "basic_x"),
        SheetColumn("Basic y", 9, "basic_y"),
        SheetColumn(heading(Column("x", unit=s.unit)), 10, "x", entry=True),
        SheetColumn(heading(Column("y", unit=s.unit)), 10, "y", entry=True),
    ]
    if any(h.position.tolerance is not None for h in s.holes):
        columns.append(SheetColumn("Position asked", 13, "position_asked"))
    return [*columns, SheetColumn("Position check", 21, "position_check")]


def _rows(s: Specification) -> tuple[Row, ...]:
    return tuple(Row(hole, wall, _asked(s, hole, wall)) for hole in s.holes for wall in s.walls.names)


def _asked(s: Specification, hole: Hole, wall: str) -> frozenset[str]:
    asked = {"note"}
    if wall in s.plan.walls:
        asked.add("diameter")
    if s.plan.position and wall in s.plan.position_walls:
        asked |= {"x", "y"}
    if s.plan.edge_distance and required_edge(hole) == required_edge(hole):
        asked.add("edge_distance")
    if hole.plugs.go is not None:
        asked.add("go")
    if hole.plugs.no_go is not None:
        asked.add("no_go")
    if hole.surface.asked:
        asked.add("surface")
    return frozenset(asked)


def sheet_names(serials: Iterable[str]) -> list[str]:
    """Return a sheet name for each serial number: no character that spreadsheets refuse, none twice.

    Raises:
        DataError: a serial that is empty, too long or there twice, or too many of them.
    """
    wanted = list(serials)
    if len(wanted) > MOST_SHEETS:
        raise DataError(f"{len(wanted)} serial numbers are too many for one workbook; at most {MOST_SHEETS}")
    taken: set[str] = set()
    names: list[str] = []
    for serial in wanted:
        if not serial.strip() or len(serial) > 60 or any(ord(c) < 32 for c in serial):
            raise DataError(f"serial {serial!r} is no serial number; 1 to 60 characters, no line break")
        if wanted.count(serial) > 1:
            raise DataError(f"serial {serial!r} is named twice; name each part once")
        names.append(_free_name(serial, taken))
    return names


def _free_name(serial: str, taken: set[str]) -> str:
    base = serial.strip().translate(_FORBIDDEN)[:NAME_LENGTH].strip(" -") or "part"
    if base.casefold() in {"history", "holeqc_lists"}:  # the first is a word that spreadsheets keep for themselves
        base = f"part {base}"
    name, number = base, 1
    while name.casefold() in taken:
        number += 1
        suffix = f" ({number})"
        name = base[: NAME_LENGTH - len(suffix)] + suffix
    taken.add(name.casefold())
    return name
