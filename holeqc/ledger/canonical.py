"""One way of writing rows and entries down as bytes, and their SHA-256: what the hash chain rests on.

The payload digest of an entry is the SHA-256 over the rows that it brought: tables in the order of `schema.DETAILS`,
rows in the order of their primary key, in blocks of at most `BLOCK` rows. A block is a line of JSON (ASCII, no spaces,
ended by a line feed) ``[table, rows, [[column, kind], ...]]`` with the columns in the order of their names, then
column after column: ``whole`` as 8 bytes each, two's complement, the lowest byte first, NULL as the smallest number;
``number`` as the 8 bytes of an IEEE 754 double, the lowest byte first, NULL as the quiet NaN 0x7FF8000000000000;
``text`` in UTF-8 with a zero byte between two rows (no text holds one), NULL as the byte 0xFF. The hash of an entry is
the SHA-256 over the JSON list of its columns `HASHED`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

BLOCK = 4096  #: rows; part of the format, never to be changed
WHOLE, NUMBER, TEXT = "whole", "number", "text"
HASHED = (
    "seq", "kind", "at", "offset_minutes", "made_by", "tool", "replaces", "reason", "payload", "previous",
)  # fmt: skip
FIRST_PREVIOUS = "0" * 64  #: stands for the hash before the first entry

_NO_WHOLE = -(2**63)
_NO_TEXT = "\udcff"  #: becomes the byte 0xFF
_encode = json.JSONEncoder(ensure_ascii=True, separators=(",", ":")).encode


class PayloadDigest:
    """Digest of the rows that one entry brings; give tables in the order of the schema, rows in order of their key."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()
        self._table = ""
        self._columns: dict[str, str] = {}
        self._order: list[int] = []
        self._waiting: list[list[Any]] = []

    def add(self, table: str, columns: Mapping[str, str], values: Sequence[Sequence[Any]]) -> None:
        """Add rows of a table, given column by column, shape (columns, rows); ``columns``: name -> kind.

        Raises:
            TypeError, ValueError, OverflowError: a value is of another kind than its column.
        """
        if not values or not values[0]:
            return
        if table != self._table:
            self._flush()
            self._table, self._columns = table, dict(columns)
            names = list(columns)
            self._order = sorted(range(len(names)), key=names.__getitem__)
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
        kinds = list(self._columns.items())
        head = [self._table, len(values[0]), [list(kinds[i]) for i in self._order]]
        self._hash.update(_encode(head).encode("ascii") + b"\n")
        for i in self._order:
            self._hash.update(column_bytes(kinds[i][1], values[i]))


def column_bytes(kind: str, values: list[Any]) -> bytes:
    """Return the values of a column as bytes, shape (rows,), as the page above says."""
    if kind == TEXT:
        texts = [_NO_TEXT if v is None else v for v in values] if None in values else values
        return "\0".join(texts).encode("utf-8", "surrogateescape")
    if kind == NUMBER:
        array = np.array(values, dtype="<f8")  # None becomes the quiet NaN
        if np.count_nonzero(np.isnan(array)) != values.count(None):
            raise ValueError("a stored number is NaN")
        return array.tobytes()
    numbers = [_NO_WHOLE if v is None else v for v in values] if None in values else values
    return np.array(numbers, dtype="<i8").tobytes()


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
