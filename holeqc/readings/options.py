"""What a person may say about files of readings, and how large a file may be before it is refused."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from holeqc.problems import DataError

#: how names of files begin that a spreadsheet program makes while a workbook is open, or a system beside a file
LOCKS = ("~$", ".~lock.", "._")


@dataclass(frozen=True, slots=True)
class SizeLimits:
    """Bounds that keep a hostile or broken file from filling the machine. Counts are inclusive."""

    file_bytes: int = 250_000_000  #: file as it lies on the disk
    unpacked_bytes: int = 1_500_000_000  #: all parts of a workbook together, unpacked
    part_bytes: int = 64_000_000  #: a part of a workbook that is neither a sheet nor the shared texts, unpacked
    elements: int = 20_000_000  #: beginnings and ends of elements in such a part or the shared texts
    zip_ratio: float = 250.0  #: unpacked to packed, for any part beyond 1 MB
    entries: int = 2_000  #: parts in the zip container
    sheets: int = 300
    rows: int = 1_100_000  #: rows of one sheet or CSV; the largest xlsx sheet has 1 048 576
    columns: int = 1_000
    cells: int = 16_000_000  #: of one sheet or CSV, blank ones inside a row included
    texts: int = 4_000_000  #: different texts of one sheet or CSV
    merged: int = 200_000  #: merged ranges of one sheet
    field_characters: int = 32_767  #: longest text in a cell, as spreadsheets allow


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """What is said about the files where they don't say it themselves; '' and None mean: find out.

    ``unit`` is ``in`` or ``mm``; ``part`` and ``serial`` apply where a sheet names none. ``delimiter``, ``decimal``
    (``.`` or ``,``) and ``encoding`` are for CSV; ``decimal`` also for numbers typed as text in a workbook.
    ``dates``: order of a date such as 03/04/2026, ``dmy`` or ``mdy``. ``today``: later dates lie in the future.
    ``sheets``: names of the sheets to read, all where empty.

    Raises:
        DataError: a word that isn't one of these.
    """

    unit: str = ""
    part: str = ""
    serial: str = ""
    delimiter: str = ""
    decimal: str = ""
    encoding: str = ""
    dates: str = ""
    today: dt.date | None = None
    sheets: tuple[str, ...] = ()
    limits: SizeLimits = field(default_factory=SizeLimits)

    def __post_init__(self) -> None:
        for name, allowed in (("unit", ("", "in", "mm")), ("decimal", ("", ".", ",")), ("dates", ("", "dmy", "mdy"))):
            if getattr(self, name) not in allowed:
                words = " or ".join(repr(a) for a in allowed if a)
                raise DataError(f"{name} {getattr(self, name)!r} is not known; say {words}, or leave it out")
        if len(self.delimiter) > 1 and self.delimiter not in {"tab", "\\t"}:
            raise DataError(f"delimiter {self.delimiter!r} must be one character, or the word tab")
        if self.delimiter and self.delimiter == self.decimal:
            raise DataError(f"delimiter and decimal mark are both {self.decimal!r}; they must differ")
