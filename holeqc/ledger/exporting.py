"""Tables out of the ledger for other programs: CSV, Parquet, workbook, pandas."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from holeqc import writer
from holeqc.ledger.filters import Filter, units_of
from holeqc.ledger.read_back import recorded_readings
from holeqc.ledger.stories import newest_parts
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.ledger.ledger import Ledger

CONTENTS = ("readings", "parts", "holes", "characteristics", "entries")
FORMATS = (".csv", ".parquet", ".xlsx")


def as_frame(ledger: Ledger, content: str = "readings", limits: Filter = Filter()) -> pd.DataFrame:
    """Return a table of the ledger as a pandas frame.

    ``readings`` (columns of `holeqc.readings.table.COLUMNS`, and kit, revision, unit of the lengths), ``parts`` (newest
    inspection of each), ``holes`` and ``characteristics`` (verdicts of those inspections; characteristics that are not
    accepted), ``entries`` (the spine; no filter).

    Raises:
        LedgerError: another content.
    """
    import pandas as pd
    from sqlalchemy import select

    from holeqc.ledger.schema import CHARACTERISTIC_VERDICT, ENTRY, HOLE_VERDICT

    if content == "readings":
        kits = list(dict.fromkeys(str(row["kit"]) for row in ledger.rows(units_of(limits))))
        frames = []
        for one in [dataclasses.replace(limits, kit=kit, rechecks=True) for kit in kits or [limits.kit]]:
            spec, readings = recorded_readings(ledger, one)
            frames.append(readings.table.assign(kit=spec.id, kit_revision=spec.revision, kit_unit=spec.unit))
        return pd.concat(frames, ignore_index=True) if len(frames) > 1 else frames[0]
    if content == "entries":
        return pd.DataFrame(ledger.rows(select(ENTRY).order_by(ENTRY.c.seq)), columns=[c.name for c in ENTRY.columns])
    if content not in CONTENTS:
        raise LedgerError(f"{content!r} can't be exported; give one of {', '.join(CONTENTS)}")
    parts = pd.DataFrame(newest_parts(ledger, limits))
    if content == "parts" or parts.empty:
        return parts
    table = HOLE_VERDICT if content == "holes" else CHARACTERISTIC_VERDICT
    low, high = int(parts["id"].min()), int(parts["id"].max())
    question = (
        select(table).where(table.c.inspection_id >= low, table.c.inspection_id <= high)
        .order_by(*table.primary_key.columns)
    )  # fmt: skip
    rows = pd.DataFrame(ledger.rows(question), columns=[c.name for c in table.columns])
    named = parts[["id", "kit", "revision", "unit", "part", "serial", "first_day", "last_day"]]
    return named.merge(rows, left_on="id", right_on="inspection_id").drop(columns="id")


def export(
    ledger: Ledger, path: Path, content: str = "readings", limits: Filter = Filter(), *, replace: bool = False,
    book: Callable[[pd.DataFrame, str, IO[bytes]], None] | None = None,
) -> int:  # fmt: skip
    """Write a table of the ledger to a .csv, .parquet or .xlsx file and return the number of its rows.

    ``book`` writes a frame under a title as a workbook; an .xlsx needs it.

    In CSV a text that a spreadsheet could take for a formula begins with an apostrophe. The file appears whole or not
    at all; one that is there already is written anew only with ``replace``.

    Raises:
        LedgerError: another ending, a file of that name, or Parquet without its library.
    """
    ending = path.suffix.lower()
    if ending not in FORMATS or (ending == ".xlsx" and book is None):
        raise LedgerError(f"{path}: the ending says the format; give {' or '.join(FORMATS)}")
    if path.exists() and not replace:
        raise LedgerError(f"{path} is there already; nothing was written. Give another name, or --replace to lose it")
    if ending == ".parquet":
        try:
            import pyarrow  # noqa: F401
        except ImportError:
            raise LedgerError("Parquet needs pyarrow; install holeqc with it: pip install 'holeqc[parquet]'") from None
    frame = as_frame(ledger, content, limits)
    with writer.file(path, replace=replace) as out:
        if ending == ".csv":
            frame.apply(_safe).to_csv(out, index=False, date_format="%Y-%m-%d", lineterminator="\r\n")
        elif book is not None and ending == ".xlsx":
            book(frame, content, out)
        else:
            frame.to_parquet(out, index=False)
    return len(frame)


def _safe(column: pd.Series) -> pd.Series:
    """Return a column with an apostrophe before every text that begins like a formula."""
    if column.dtype.name == "category":
        return column.cat.rename_categories([_text(c) for c in column.cat.categories])
    if column.dtype.kind in "fiubM":
        return column
    return column.map(_text)


def _text(value: Any) -> Any:
    return writer.as_text(value) if isinstance(value, str) else value
