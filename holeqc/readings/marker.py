"""How a reading sheet of ours says whose it is, and its exact layout: the writer and the reader both go by this module.

The marker (kit id, revision, unit) stands in three places, so that it survives other programs and a copied sheet:

- the custom document properties of `properties` (xlsx only);
- the defined name `MARKER_NAME`, which points at cell A2 of the first sheet (xlsx only);
- **cell A2 of every sheet**, visible, as the text of `marker_text`:
  ``holeqc reading sheet 1; kit "BL-7"; revision "C"; unit in``. It is the one to trust where they differ: it is
  printed, it travels with a copied sheet and it stays when a sheet is saved as CSV.

Layout of a sheet (one part and serial a sheet; the sheet's name is decoration, the serial is in its field):

- A1: title. A2: marker. A3: how to fill it, and cautions.
- From row 4: the fields, one a row: label in column A, exactly as in `FIELDS`; **entry in column C** (merged to the
  right, the value is in C). A kit may leave fields out; none stands twice. ``Recheck of`` names the tags, or the day,
  of the readings that a sheet takes the place of; without it a sheet stands for itself. Columns from F on hold what is
  asked, as text to read, never a reading. The last row above the headings counts what is still open: no entry either.
- The heading row is the first row whose column A says ``Hole`` and whose column B says ``Wall``. Every heading is
  written by `heading` and read back by `parse_heading`; a column whose word is '' is for people (requirements, basic
  dimensions, check cells with formulas) and is never a reading.
- Then one hole and wall a row until the first row with nothing in A and B; what follows (legend, signature) is text.
  ``Hole`` and ``Wall`` are text cells with the kit's ids and wall names.
- Entry cells: numbers in the marker's unit; dates as dates; GO, NO-GO and surface with the words of
  `holeqc.readings.table`; part and gauges with the kit's names. A grey hatched cell is not asked and stays empty.
- The hidden sheet `LISTS_SHEET` holds the choices of the drop-downs and is not read.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass

from holeqc.quantities import parse_unit

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
    "Gauge, edge": "gauge:edge_distance",
    "Gauge, GO/NO-GO": "gauge:plugs",
    "Temperature [°C]": "temperature_c",
}

#: which characteristics of the readings table a gauge field stands for
GAUGE_FIELDS: dict[str, tuple[str, ...]] = {
    "gauge:diameter": ("diameter",),
    "gauge:position": ("x", "y"),
    "gauge:edge_distance": ("edge_distance",),
    "gauge:plugs": ("go", "no_go"),
}

_PLAIN: dict[str, str] = {
    "hole": "Hole", "wall": "Wall", "x": "x", "y": "y", "edge_distance": "Edge distance", "go": "GO", "no_go": "NO-GO",
    "surface": "Surface", "note": "Note",
}  # fmt: skip
_WORDS = {text: word for word, text in _PLAIN.items()}
#: columns for people: never readings
FOR_PEOPLE = ("Lower limit", "Upper limit", "Size check", "Basic x", "Basic y", "Position asked", "Position check",
              "Edge asked", "Edge check", "Plug check", "Surface check", "Found before", "Decided")  # fmt: skip

_MARKER = re.compile(
    r'^\s*holeqc reading sheet (?P<format>\S+); kit (?P<kit>"(?:[^"\\]|\\.)*"); '
    r'revision (?P<revision>"(?:[^"\\]|\\.)*"); unit (?P<unit>in|mm)\s*$'
)
_HEADING = re.compile(
    r"^(?P<name>Diameter|x|y|Edge distance)(?: (?P<direction>-?\d+(?:\.\d+)?)°)?"
    r"(?: trial (?P<trial>[1-9]\d*))? \[(?P<unit>in|mm)\]$"
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
    """Return what a recheck prints in a column of `BEFORE`: with a sign at its end that no longer fits once somebody
    writes into the cell, for what stands there then is a remark, and may be of a crack.
    """
    text = BEFORE[column] + " ".join(words.split())
    return f"{text} #{hashlib.sha256(text.encode('ascii', 'replace')).hexdigest()[:3]}"


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
    text = "Diameter" if column.word == "diameter" else _PLAIN[column.word]
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
    if plain in {"Hole", "Wall", "GO", "NO-GO", "Surface", "Note"}:
        return Column(_WORDS[plain])
    match = _HEADING.match(plain)
    if match is None:
        return None
    word = "diameter" if match["name"] == "Diameter" else _WORDS[match["name"]]
    direction = None if match["direction"] is None else float(match["direction"])
    return Column(word, direction, int(match["trial"] or 1), str(parse_unit(match["unit"]) or ""))
