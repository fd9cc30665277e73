"""What the person who read remarked in the sheet: looked up in the readings, written down once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holeqc.readings.table import cell_name

if TYPE_CHECKING:
    import pandas as pd

_WHERE = ["note", "part", "serial", "hole", "file", "sheet", "row"]


@dataclass(frozen=True, slots=True)
class Remark:
    """A note with what it was typed beside; ``cell`` is the first reading of its row."""

    text: str
    part: str
    serial: str
    hole: str
    file: str
    sheet: str
    cell: str


def remarks_of(table: pd.DataFrame) -> list[Remark]:
    """Return the notes of a readings table, one for each row of a sheet that has one.

    A note beside every row of a part alike was typed once in its head, so it names no hole.
    """
    note = table["note"].astype(str)
    with_note = table[(note != "") & (note != "nan")]
    if not len(with_note):
        return []
    sheet = ["part", "serial", "file", "sheet"]
    all_rows = table.groupby(sheet, sort=False, observed=True)["row"].transform("nunique").loc[with_note.index]
    first = with_note.assign(all_rows=all_rows).sort_values("column", kind="stable").drop_duplicates(_WHERE)
    first = first.sort_index(kind="stable")
    there = first.groupby([*sheet, "note"], sort=False, observed=True)["row"].transform("size")
    head = (there == first["all_rows"]) & (there > 1)
    first = first.assign(hole=first["hole"].astype(str).where(~head, ""))
    kept = first[~head | ~first.duplicated([*sheet, "note"])]
    columns = [kept[name].astype(str).tolist() for name in _WHERE] + [kept["column"].tolist()]
    return [
        Remark(text, part, serial, hole, file, sheet, cell_name(int(row), int(column)))
        for text, part, serial, hole, file, sheet, row, column in zip(*columns, strict=True)
    ]
