"""Which columns and fields a blank sheet of a kit has, and in which cells; the writing itself is in `sheet`."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from holeqc.characteristics import OF_WORD, READ, READ_ALONE, WORD, Characteristic
from holeqc.problems import DataError
from holeqc.readings.table import BURR, CLEAN, CRACK, DIRTY, ENTERS, STOPS, cell_name
from holeqc.specification.model import Hole, Specification, required_edge
from holeqc.specification.words import asked, limits_line, limits_text, tolerance_text

# How a reading sheet of ours says whose it is, and its exact layout: the writer and the reader both go by this module.
#
# The marker (kit id, revision, unit) stands in three places, so that it survives other programs and a copied sheet:
#
# - the custom document properties of `properties` (xlsx only);
# - the defined name `MARKER_NAME`, which points at cell A2 of the first sheet (xlsx only);
# - **cell A2 of every sheet**, visible, as the text of `marker_text`:
# ``holeqc reading sheet 1; kit "BL-7"; revision "C"; unit in``. It is the one to trust where they differ: it is
# printed, it travels with a copied sheet and it stays when a sheet is saved as CSV.
#
# Layout of a sheet (one part and serial a sheet; the sheet's name is decoration, the serial is in its field):
#
# - A1: title. A2: marker. A3: how to fill it, and cautions.
# - From row 4: the fields, one a row: label in column A, exactly as in `FIELDS`; **entry in column C** (merged to the
# right, the value is in C). A kit may leave fields out; none stands twice. ``Recheck of`` names the tags, or the day,
# of the readings that a sheet takes the place of; without it a sheet stands for itself. Columns from F on hold what is
# asked, as text to read, never a reading. The last row above the headings counts what is still open: no entry either.
# - The heading row is the first row whose column A says ``Hole`` and whose column B says ``Wall``. Every heading is
# written by `heading` and read back by `parse_heading`; a column whose word is '' is for people (requirements, basic
# dimensions, check cells with formulas) and is never a reading.
# - Then one hole and wall a row until the first row with nothing in A and B; what follows (legend, signature) is text.
# ``Hole`` and ``Wall`` are text cells with the kit's ids and wall names.
# - Entry cells: numbers in the marker's unit; dates as dates; GO, NO-GO and surface with the words of
# `holeqc.readings.table`; part and gauges with the kit's names. A grey hatched cell is not asked and stays empty.
# - The hidden sheet `LISTS_SHEET` holds the choices of the drop-downs and is not read.


#: columns of a recheck for people -> how our words in them begin (see `before_text`)
BEFORE = {"Found before": "before: ", "Decided": "decided: "}
FORMAT = "1"  #: format of the sheet; a reader refuses one that it does not know
MARKER_CELL = "A2"
MARKER_NAME = "holeqc_marker"
LISTS_SHEET = "holeqc_lists"
FIELD_COLUMN, ENTRY_COLUMN = 1, 3
FIRST_FIELD_ROW = 4

#: label in column A -> what the entry in column C is; the gauges by the characteristics that they are used for
FIELDS: dict[str, str] = {
    "Recheck of": "recheck",
    "Part": "part",
    "Serial": "serial",
    "Date": "date",
    "Measured by": "by",
    "Gauge, diameter": "gauge:diameter",
    "Gauge, position": "gauge:position",
    "Gauge, distance": "gauge:distance",
    **{c.gauge_field: f"gauge:{c.word}" for c in READ_ALONE},
    "Gauge, GO/NO-GO": "gauge:plugs",
    "Temperature [°C]": "temperature_c",
}

#: which characteristics of the readings table a gauge field stands for
GAUGE_FIELDS: dict[str, tuple[str, ...]] = {
    "gauge:diameter": ("diameter",),
    "gauge:position": ("x", "y"),
    "gauge:distance": ("distance",),
    **{f"gauge:{c.word}": (c.word,) for c in READ_ALONE},
    "gauge:plugs": ("go", "no_go"),
}

_PLAIN: dict[str, str] = {"hole": "Hole", "wall": "Wall", **{c.word: c.title for c in READ if c.title}, "note": "Note"}
_WORDS = {text: word for word, text in _PLAIN.items()}
#: columns for people: never readings
FOR_PEOPLE = ("Lower limit", "Upper limit", "Size check", "Basic x", "Basic y", "Position asked", "Position check",
              *dict.fromkeys(title for c in READ for title in (c.asked_title, c.check_title) if title),
              "Found before", "Decided")  # fmt: skip

#: columns of the table of distances: word -> heading; one for each repeat of the reading
DISTANCE_COLUMNS: dict[str, str] = {
    "number": "No.", "first": "From", "second": "To", "way": "Way", "wall": "Wall", "pin": "Pin at from",
    "other": "Pin at to", "expected": "Expected", "reading": "Reading", "off": "Off expected",
    "against": "Against the others", "check": "Distance check", "note": "Note",
}  # fmt: skip
#: those for people: never readings
DISTANCES_FOR_PEOPLE = ("No.", "Expected", "Off expected", "Against the others", "Distance check")

#: above the table of distances
HEADLINE = "Distances: measure each of these; x and y follow from them."
DISTANCE_HOW_TO = (
    "Over pins: outside jaws over both pins; from an edge to the far side of the pin. Between pins: inside jaws; from "
    "an edge to the near side. Far and near walls: without pins. Put in the largest pin that enters by hand and write "
    "its diameter; a blank one is the same hole's as in other rows. Read square to the edge, never force the jaws."
)

_MARKER = re.compile(
    r'^\s*holeqc reading sheet (?P<format>\S+); kit (?P<kit>"(?:[^"\\]|\\.)*"); '
    r'revision (?P<revision>"(?:[^"\\]|\\.)*"); unit (?P<unit>in|mm)\s*$'
)
_HEADING = re.compile(
    rf"^(?P<name>{'|'.join(re.escape(c.title) for c in READ if c.title and c.kind != WORD)})"
    r"(?: (?P<direction>-?\d+(?:\.\d+)?)°)?(?: trial (?P<trial>[1-9]\d*))? \[(?P<unit>in|mm|°)\]$"
)


@dataclass(frozen=True, slots=True)
class Marker:
    """Kit id, revision and unit that a sheet was made for, and the format it is in."""

    kit_id: str
    revision: str
    unit: str
    format: str = FORMAT


@dataclass(frozen=True, slots=True)
class Column:
    """What a heading of ours stands for.

    ``word`` is hole, wall, note, a characteristic of the readings table, or '' for a column that holds no reading.
    ``direction`` in degrees for a diameter, else None; ``trial`` counts from 1; ``unit`` is '' for words.
    """

    word: str
    direction: float | None = None
    trial: int = 1
    unit: str = ""


def before_text(column: str, words: str) -> str:
    """Return what a recheck prints in a column of `BEFORE`."""
    return marked(BEFORE[column] + " ".join(words.split()))


def marked(text: str) -> str:
    """Return a text with a sign at its end that no longer fits once somebody writes into the cell: what stands there
    then is a remark, and may be of a crack.
    """
    return f"{text} #{hashlib.sha256(text.encode('ascii', 'replace')).hexdigest()[:3]}"


def is_marked(text: object) -> bool:
    """Whether a text is as `marked` wrote it."""
    return isinstance(text, str) and "#" in text and marked(text.strip().rpartition(" #")[0]) == text.strip()


def is_before_text(column: str, text: object) -> bool:
    """Whether a cell of a column of `BEFORE` holds what was printed there and nothing else."""
    head = BEFORE.get(column, "")
    if not isinstance(text, str) or not text.startswith(head):
        return False
    return before_text(column, text[len(head) :].rpartition(" #")[0]).encode("ascii", "replace") == text.strip().encode(
        "ascii", "replace"
    )


def marker_text(marker: Marker) -> str:
    """Return the marker as the text of cell A2; ids are written as JSON strings, so any character may stand in them."""
    kit, revision = (json.dumps(t, ensure_ascii=False) for t in (marker.kit_id, marker.revision))
    return f"holeqc reading sheet {marker.format}; kit {kit}; revision {revision}; unit {marker.unit}"


def parse_marker(text: object) -> Marker | None:
    """Return the marker in a cell's text, None where the cell holds something else."""
    match = _MARKER.match(text) if isinstance(text, str) else None
    if match is None:
        return None
    try:
        return Marker(json.loads(match["kit"]), json.loads(match["revision"]), match["unit"], match["format"])
    except ValueError:
        return None


def properties(marker: Marker) -> dict[str, str]:
    """Return the marker as custom document properties, name to text."""
    return {
        "holeqc_sheet": marker.format, "holeqc_kit": marker.kit_id, "holeqc_revision": marker.revision,
        "holeqc_unit": marker.unit,
    }  # fmt: skip


def from_properties(found: Mapping[str, object]) -> Marker | None:
    """Return the marker in a workbook's custom document properties (name to value), None where it isn't ours."""
    names = ("holeqc_kit", "holeqc_revision", "holeqc_unit", "holeqc_sheet")
    if not all(name in found for name in names):
        return None
    kit, revision, unit, version = (str(found[name]) for name in names)
    return Marker(kit, revision, unit, version) if unit in {"in", "mm"} else None


def heading(column: Column) -> str:
    """Return the heading of a column: ``Diameter 90° trial 2 [in]``, ``x [mm]``, ``GO``."""
    text = _PLAIN[column.word]
    if column.direction is not None:
        text += f" {column.direction:g}°"
    if column.trial > 1:
        text += f" trial {column.trial}"
    return f"{text} [{column.unit}]" if column.unit else text


def parse_heading(text: object) -> Column | None:
    """Return what a heading of ours stands for, None for a heading that the writer never writes."""
    if not isinstance(text, str):
        return None
    plain = " ".join(text.split())
    if plain in FOR_PEOPLE:
        return Column("")
    if plain in _WORDS and (_WORDS[plain] not in OF_WORD or OF_WORD[_WORDS[plain]].kind == WORD):
        return Column(_WORDS[plain])
    match = _HEADING.match(plain)
    if match is None:
        return None
    word = _WORDS[match["name"]]
    direction = None if match["direction"] is None else float(match["direction"])
    return Column(word, direction, int(match["trial"] or 1), match["unit"])


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
    plan: bool = False  #: a first sheet by a reading plan, no recheck


def layout(specification: Specification, recheck: Recheck | None = None) -> Layout:
    """Return the layout of a blank sheet for a kit, or of a sheet of only what is read again."""
    fields = _fields(specification, recheck is not None and not recheck.plan)
    rows = _rows(specification)
    columns = _columns(specification)
    if recheck is not None:
        rows = tuple(
            replace(row, asked=row.asked & (recheck.asked[row.hole.id, row.wall] | {"note"})) for row in rows
            if (row.hole.id, row.wall) in recheck.asked
        )  # fmt: skip
        there = {kind for row in rows for kind in row.asked}
        there |= {"diameter"} if there & {"go", "no_go", "surface"} else set()  # plugs are checked beside the sizes
        before = (SheetColumn("Found before", 30, "found_before"), SheetColumn("Decided", 24, "decided"))
        columns = (
            *columns[:2], *(() if recheck.plan else before), *(c for c in columns[2:] if not _needless(c.holds, there)),
        )  # fmt: skip
    # fields, one row for the state line, then the headings
    return Layout(columns, rows, fields, FIRST_FIELD_ROW + len(fields) + 1)


#: column for people -> readings that it belongs to
_BESIDE = {
    "lower": {"diameter"}, "upper": {"diameter"}, "size_check": {"diameter"}, "basic_x": {"x"}, "basic_y": {"x"},
    "position_asked": {"x"}, "position_check": {"x"},
    **{f"{c.word}{end}": {c.word} for c in READ_ALONE for end in ("_asked", "_check")},
    "plug_check": {"go", "no_go", "surface"},
}  # fmt: skip


def _needless(holds: str, asked: set[str]) -> bool:
    """Whether a column of a recheck has nothing to say beside what is asked."""
    return not _BESIDE.get(holds, {"x"} if holds == "y" else {holds}) & asked


def _fields(s: Specification, recheck: bool) -> dict[str, str]:
    wanted = {"part", "serial", "date", "by", "temperature_c", "gauge:diameter"} | ({"recheck"} if recheck else set())
    if s.plan.position:
        wanted.add("gauge:distance" if s.plan.distances else "gauge:position")
    wanted |= {f"gauge:{c.word}" for c in READ_ALONE if _of_sheet(s, c)}
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
    for what in READ_ALONE:
        if _of_sheet(s, what):
            columns += [
                SheetColumn(what.asked_title, 19 if what.measured else 9, f"{what.word}_asked"),
                SheetColumn(heading(Column(what.word, unit=what.unit(unit))), 12 if what.measured else 11, what.word,
                            entry=True),
                SheetColumn(what.check_title, 14, f"{what.word}_check"),
            ]  # fmt: skip
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


def _of_sheet(s: Specification, what: Characteristic) -> bool:
    """Whether a sheet of a kit has columns of something that has one number a hole."""
    return any(what.word in h.measured for h in s.holes) if what.measured else s.plan.edge_distance


def _position_columns(s: Specification) -> list[SheetColumn]:
    if not s.plan.position or s.plan.distances:
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
    if s.plan.position and not s.plan.distances and wall in s.plan.position_walls:
        asked |= {"x", "y"}
    if s.plan.edge_distance and required_edge(hole) == required_edge(hole):
        asked.add("edge_distance")
    if wall == s.walls.names[0]:  # of the hole as a whole: asked once, from the drill's side
        asked |= hole.measured.keys()
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


DIGITS_KEPT = 15  #: digits that a number in a spreadsheet keeps
#: AP-021..AP-040: a name, its number, the same again
_RANGE = re.compile(r"(?P<first>.*?)\.\.(?P<last>.*)", re.DOTALL)
_WITH_NUMBER = re.compile(r"(?P<head>.*?)(?P<number>\d+)(?P<tail>\D*)", re.DOTALL)
MOST_IN_RANGE = 500


def written_out(text: str, option: str) -> list[str]:
    """Return the names of a range such as ``AP-021..AP-040`` one by one, leading zeros kept; other text as it is.

    Raises:
        DataError: the two ends don't differ in their last number alone, the range runs backward, or is too long.
    """
    typed = text.strip()
    match = _RANGE.fullmatch(typed)
    if match is None:
        return [text]
    first, last = _WITH_NUMBER.fullmatch(match["first"].strip()), _WITH_NUMBER.fullmatch(match["last"].strip())
    example = "such as AP-021..AP-040" if option == "--serial" else "such as x1..x5"
    if first is None or last is None or "." in (match["last"][:1], match["first"][-1:]):
        raise DataError(f"{option} {text}: a range goes from a name with a number to another, {example}")
    if (first["head"], first["tail"]) != (last["head"], last["tail"]):
        raise DataError(f"{option} {text}: the two ends of a range may differ in their last number alone, {example}")
    start, end, digits = first["number"], last["number"], len(first["number"])
    if len(end) != digits and "0" in (start[0], end[0]):
        raise DataError(f"{option} {text}: write both numbers with as many digits, {example}")
    if max(len(start), len(end)) > DIGITS_KEPT or int(end) - int(start) >= MOST_IN_RANGE:
        raise DataError(f"{option} {text}: a range holds at most {MOST_IN_RANGE}; give it in several")
    if int(end) < int(start):
        raise DataError(f"{option} {text}: the range runs backward; write the smaller number first")
    return [f"{first['head']}{n:0{digits}d}{first['tail']}" for n in range(int(start), int(end) + 1)]


# What a sheet says around its table and prints in it, by which the reader knows what is ours.


HOW_TO = (
    "Type into the white cells only, in {unit}. Leave a cell empty if it was not read; never copy a reading down. "
    "{fraction}A red ✗ or amber ? says: measure again."
)
FRACTION = "Type 7/16 as 0.4375: a spreadsheet turns typed fractions into dates. "
CAUTION = (
    "Eye protection on, work clamped, mind chips and sharp edges. A check cell warns, it decides nothing: drawing, "
    "approved data and the person licensed to sign prevail."
)
LEGEND = (
    "✓ in limits    ✗ outside    ? look again: slip, text, or a position that needs bonus    … still to read",
    "Direction 0° lies along x, 90° along y. holeqc check also judges form (out-of-roundness, taper), edge distance, "
    "hole to hole, pins together and the decision rule; no ✓ on this sheet speaks for them.",
)
#: foot of a recheck sheet
MARKS_LEGEND = "# and three signs after Found before and Decided are a mark: it tells holeqc that a cell is as printed."
SIGNATURE = "Checked by (signature, date): ________________________________"


def top(s: Specification) -> tuple[str, str, str]:
    """Return the texts of the first three rows: title, marker, how to fill it in."""
    title = f"Reading sheet. {limits_line(s)}" + (f". {s.title}" if s.title else "")
    unit, fraction = ("inch", FRACTION) if s.unit == "in" else ("millimetre", "")
    return title, marker_text(marker_of(s)), f"{HOW_TO.format(unit=unit, fraction=fraction)} {CAUTION}"


def asked_lines(s: Specification, plan: Layout) -> list[str]:
    """Return what is asked, as many lines as there are fields beside them; the last takes what is left."""
    lines = [phrase.sentence for phrase in asked(s) if phrase.topic != "Size" or phrase.holes == ""]
    room = len(plan.fields)
    return [*lines[: room - 1], "   ".join(lines[room - 1 :])] if len(lines) > room else lines


def own_texts(specification: Specification) -> frozenset[str]:
    """Return every text that the writer puts around the table of a blank sheet, so that a reader knows what is ours."""
    plan = layout(specification)
    ours = (*LEGEND, MARKS_LEGEND, SIGNATURE, *FIELDS, HEADLINE, DISTANCE_HOW_TO)
    return frozenset((*top(specification), *asked_lines(specification, plan), *ours))


#: columns of a blank sheet that print what the kit asks of a hole, in the same words and numbers in every row of it
PRINTED = frozenset({"lower", "upper", "position_asked", *(f"{c.word}_asked" for c in READ_ALONE)})


def printed(specification: Specification, holds: str, hole: Hole) -> str | float | None:
    """Return what a blank sheet prints of a hole in one of the columns `PRINTED`, None for nothing."""
    if holds in {"lower", "upper"}:
        return hole.size.lower if holds == "lower" else hole.size.upper
    if holds == "edge_distance_asked":
        return required_edge(hole)
    if holds != "position_asked":
        what = OF_WORD[holds.removesuffix("_asked")]
        limits = hole.measured.get(what.word)
        return None if limits is None else limits_text(what, limits, specification.unit)
    if hole.position.tolerance is None:
        return None
    return f"⌀{tolerance_text(hole.position.tolerance, specification.unit)} {hole.position.condition}"


def choices(specification: Specification) -> dict[str, list[str]]:
    """Return what may be chosen in each field or column with a drop-down."""
    s = specification
    found = {
        "part": [p.name for p in s.parts],
        "go": [ENTERS, STOPS],
        "no_go": [STOPS, ENTERS],
        "surface": [CLEAN, BURR, DIRTY, CRACK],
    }
    for word, measures in GAUGE_FIELDS.items():
        able = [g.id for g in s.gauges if set(measures) & set(g.measures)]
        if able:
            found[word] = able
    return found


def marker_of(specification: Specification) -> Marker:
    """Return the marker of a kit's sheets."""
    return Marker(specification.id, specification.revision, specification.unit, FORMAT)
