"""One way of writing rows and entries down as bytes, and their SHA-256: what the hash chain rests on.

Rows go in blocks of `BLOCK` in the order of their primary key. A block is the JSON text (ASCII, no spaces) of
``[table, rows, [[column, [values ...]], ...]]`` with the columns in order of their names; a column whose values are all
the same is ``{"all": value}``; numbers are Python's shortest writing that gives the same double, NULL is null. The
payload digest of an entry is the SHA-256 over its blocks, tables in the order of `schema.DETAILS`. The hash of an entry
is the SHA-256 over the JSON list of `HASHED`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

BLOCK = 4096  #: rows; part of the format, never to be changed
HASHED = (
    "seq", "kind", "at", "offset_minutes", "made_by", "tool", "replaces", "reason", "payload", "previous",
)  # fmt: skip
FIRST_PREVIOUS = "0" * 64  #: stands for the hash before the first entry

_encode = json.JSONEncoder(ensure_ascii=True, separators=(",", ":")).encode


class PayloadDigest:
    """Digest of the rows that one entry brings; give tables in the order of the schema, rows in order of their key."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()
        self._table = ""
        self._columns: list[str] = []
        self._order: list[int] = []
        self._waiting: list[list[Any]] = []

    def add(self, table: str, columns: Sequence[str], values: Sequence[Sequence[Any]]) -> None:
        """Add rows of a table, given column by column, shape (columns, rows)."""
        if not values or not values[0]:
            return
        if table != self._table:
            self._flush()
            self._table, self._columns = table, list(columns)
            self._order = sorted(range(len(self._columns)), key=self._columns.__getitem__)
            self._waiting = [[] for _ in columns]
        for waiting, given in zip(self._waiting, values, strict=True):
            waiting.extend(given)
        size = len(self._waiting[0])
        start = 0
        while size - start >= BLOCK:
            self._block([column[start : start + BLOCK] for column in self._waiting])
            start += BLOCK
        if start:
            self._waiting = [column[start:] for column in self._waiting]

    def hexdigest(self) -> str:
        """Return the digest of everything that was added."""
        self._flush()
        return self._hash.hexdigest()

    def _flush(self) -> None:
        if self._waiting and self._waiting[0]:
            self._block(self._waiting)
        self._waiting = []
        self._table = ""

    def _block(self, values: list[list[Any]]) -> None:
        named = [[self._columns[i], _once(values[i])] for i in self._order]
        self._hash.update(_encode([self._table, len(values[0]), named]).encode("ascii"))


def _once(values: list[Any]) -> list[Any] | dict[str, Any]:
    """Return a column, written once where all its values are one: most text columns of readings are."""
    first = values[0]
    return {"all": first} if values.count(first) == len(values) else values


def entry_hash(entry: Mapping[str, Any]) -> str:
    """Return the hash of an entry's row from its columns `HASHED`."""
    return hashlib.sha256(_encode([entry[name] for name in HASHED]).encode("ascii")).hexdigest()


def storable(text: str) -> str:
    """Return a text as both databases can keep it: NUL becomes its picture ␀, half of a surrogate pair its escape."""
    if "\x00" in text:
        text = text.replace("\x00", "␀")
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return text.encode("utf-8", "backslashreplace").decode("utf-8")
    return text
