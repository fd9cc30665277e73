"""The one reader of the tables that lie beside this code: CSV with header lines that begin with ``#``."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from holeqc.door import own_text


@dataclass(frozen=True, slots=True)
class Table:
    """A published table as text: what its header lines say, and its rows by column name."""

    name: str
    header: tuple[str, ...]
    rows: tuple[MappingProxyType[str, str], ...]


@cache
def load_table(name: str) -> Table:
    """Return the table ``tables/<name>.csv`` of this package; read once, then kept."""
    text = own_text("fits", "tables", f"{name}.csv")
    lines = text.splitlines()
    header = tuple(line[1:].strip() for line in lines if line.startswith("#"))
    body = [line for line in lines if line and not line.startswith("#")]
    return Table(name, header, tuple(MappingProxyType(row) for row in csv.DictReader(body)))
