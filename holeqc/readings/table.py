"""The tidy table of readings: one row a reading, written down in one place.

Every value knows the cell it was typed in. The table is a pandas frame with the columns of `COLUMNS`; text columns are
categorical, so that a million readings stay small. Lengths are in the kit's unit.

No row of a sheet is dropped. A cell that can't be read keeps its row: value NaN, word '', what was typed, and a doubt.
Where the hole, the wall or the characteristic can't be matched with the kit, that column is '' and the row has a doubt.
A wall of '' without a doubt speaks of the hole as a whole (GO, NO-GO, surface, plug, edge distance). A part that a
sheet names without a single reading has one row with doubt ``no-readings``, hole '' and characteristic ''. Repeats of
one reading that carry no number are numbered 1, 2, ... in the order in which they stand.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holeqc.problems import Problem

if TYPE_CHECKING:
    import pandas as pd

#: what a reading can be of; diameter, x, y, edge_distance and plug are lengths, the rest words
LENGTHS = ("diameter", "x", "y", "edge_distance", "plug")
CHARACTERISTICS = (*LENGTHS, "go", "no_go", "surface")

ENTERS, STOPS = "enters", "does not enter"  #: words of a go or no_go reading
CLEAN, BURR, DIRTY, CRACK = "clean", "burr", "not clean", "crack"  #: words of a surface reading

COLUMNS: dict[str, str] = {
    "part": "part's name in the kit ('' where the sheet names none the kit knows)",
    "serial": "serial number as text",
    "hole": "hole id in the kit",
    "wall": "wall's name in the kit",
    "characteristic": "one of CHARACTERISTICS; plug is the largest plug that enters",
    "direction": "direction of a two-point diameter [degrees], NaN where not stated",
    "trial": "1, 2, ... where the same reading was repeated",
    "value": "length in the kit's unit as typed and converted, NaN for words",
    "word": "ENTERS, STOPS, CLEAN, BURR, DIRTY, CRACK, '' for lengths",
    "typed": "the cell's content as it was typed, as text",
    "unit": "in or mm as typed, '' for words",
    "gauge": "gauge id, '' where none is named",
    "temperature_c": "temperature of the part [°C], NaN where not stated",
    "date": "day of the reading (datetime64), NaT where not stated",
    "by": "who read it (a role or a number, no name needed)",
    "note": "remark typed beside it",
    "file": "file name as given",
    "sheet": "sheet name, '' for CSV",
    "row": "row in the sheet, from 1",
    "column": "column in the sheet, from 1",
    "doubt": "'' or the code of the problem that makes this one cell doubtful: it can hold a part, never reject it",
}


@dataclass(frozen=True, slots=True)
class ColumnUse:
    """How one column of a table was understood (a row or a block of cells where the table runs across).

    ``place`` is where it stands (``C``, ``row 7``, ``B4:B12``), ``heading`` what is typed over it, ``use`` one of
    ``reading``, ``field`` and ``not used``. A reading has ``characteristic``, ``wall`` ('' where another column or
    field says it), ``direction`` [degrees, None where not stated], ``trial`` (0 where not stated), ``hole`` and
    ``serial`` where the heading names them, ``unit`` (in, mm, thou or ''). A field has its ``field``. What is not used
    has its ``reason``: limit, nominal, average, earlier, unknown heading and so on. ``cells`` counts filled cells.
    """

    sheet: str
    place: str
    heading: str
    use: str
    cells: int
    characteristic: str = ""
    wall: str = ""
    direction: float | None = None
    trial: int = 0
    unit: str = ""
    hole: str = ""
    serial: str = ""
    field: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Source:
    """A file that was read: name as given, SHA-256 and size in bytes, the kit it says it was made for, its columns.

    ``recheck``: what it says that it is a recheck of, tags or days as typed; '' where it stands for itself.
    """

    file: str
    sha256: str
    bytes: int
    kit_id: str = ""
    kit_revision: str = ""
    columns: tuple[ColumnUse, ...] = ()
    recheck: str = ""


@dataclass(frozen=True, slots=True)
class UnusableFile:
    """A file of which nothing is used, and why: ``problems`` say what is wrong with it and what to do."""

    file: str
    problems: tuple[Problem, ...]


@dataclass(frozen=True, slots=True)
class Join:
    """A recheck of one part joined with the readings before it.

    ``of`` is what the sheet says it is a recheck of. ``replaced`` holds the readings that no longer count and
    ``counts`` those that took their place, both with `COLUMNS`. ``left_out``: readings of the recheck that don't count.
    """

    part: str
    serial: str
    file: str
    of: str
    replaced: pd.DataFrame
    counts: pd.DataFrame
    left_out: pd.DataFrame


@dataclass(frozen=True, slots=True)
class Readings:
    """All readings of a run, the problems met on the way, the files they came from, and files that gave none.

    ``unusable`` is empty unless the reader was told to go on without such files. ``rechecks``: files that are
    rechecks, each by itself, in the order of the files; what judges joins them (`holeqc.inspection.recheck`), and
    ``joins`` then says what no longer counts. Statistics leave them out: they say how a part was mended.
    """

    table: pd.DataFrame
    problems: tuple[Problem, ...] = ()
    sources: tuple[Source, ...] = field(default_factory=tuple)
    unusable: tuple[UnusableFile, ...] = ()
    rechecks: tuple[Readings, ...] = ()
    joins: tuple[Join, ...] = ()
    before: Readings | None = None  #: the same before rechecks were joined


def cell_name(row: int, column: int) -> str:
    """Return the address of a cell as a spreadsheet says it: (7, 3) -> C7. Rows and columns count from 1."""
    letters = ""
    while column > 0:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row}"
