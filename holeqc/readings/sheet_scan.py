"""One pass over a sheet's XML for the little that read-only iteration of cells does not tell.

Merged ranges, hidden rows and columns, formulas without a stored result, and where some style strikes text through,
the cells that have it. Cells themselves are read elsewhere.
"""

from __future__ import annotations

import re
import zipfile
from dataclasses import dataclass, field

from holeqc.readings.containers import pieces, refusal
from holeqc.readings.options import SizeLimits

_PREFIX = re.compile(rb"<(?:([A-Za-z_][\w.-]*):)?worksheet[\s>]")
_REFERENCE = re.compile(r"^\$?([A-Z]{1,3})\$?([1-9]\d{0,6})$")


@dataclass(slots=True)
class SheetScan:
    """What the pass found; rows and columns count from 1 here. ``merged`` as (row, column, last row, last column)."""

    formulas: bool = False
    uncalculated: set[tuple[int, int]] = field(default_factory=set)
    merged: set[tuple[int, int, int, int]] = field(default_factory=set)
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[tuple[int, int]] = field(default_factory=set)
    struck: set[tuple[int, int]] = field(default_factory=set)  #: cells whose text is struck through


def reference(text: str) -> tuple[int, int] | None:
    """Return row and column of a cell address such as C7, None for anything else."""
    match = _REFERENCE.match(text)
    if match is None:
        return None
    column = 0
    for letter in match[1]:
        column = column * 26 + ord(letter) - 64
    return int(match[2]), column


class _Patterns:
    """Search patterns for a sheet whose elements carry a name space prefix or none."""

    def __init__(self, prefix: bytes, struck: frozenset[int]) -> None:
        p = re.escape(prefix)
        self.formula = re.compile(rb"<" + p + rb"f[\s/>]")
        # A formula that gives an empty text is stored with t="str" and is calculated; without it nothing is stored.
        self.uncalculated = re.compile(
            rb"<" + p + rb"c\s([^>]*)>\s*<" + p + rb"f(?:\s[^>]*)?(?:/>|>[^<]*</" + p + rb"f>)\s*"
            rb"(?:<" + p + rb"v\s*/>|<" + p + rb"v>\s*</" + p + rb"v>)?\s*</" + p + rb"c>"
        )
        self.merged = re.compile(rb"<" + p + rb"mergeCell\s[^>]*?ref=\"([A-Z0-9:]+)\"")
        self.hidden_row = re.compile(rb"<" + p + rb"row\s(?=[^>]*\bhidden=\"(?:1|true)\")[^>]*?\br=\"(\d{1,7})\"")
        self.hidden_column = re.compile(rb"<" + p + rb"col\s(?=[^>]*\bhidden=\"(?:1|true)\")([^>]*)>")
        styles = b"|".join(str(number).encode() for number in sorted(struck))
        self.struck = (
            re.compile(rb"<" + p + rb"c\s(?=[^>]*\bs=\"(?:" + styles + rb")\")[^>]*?\br=\"([A-Z]+[0-9]+)\"")
            if struck
            else None
        )
        self.merge_mark = b"<" + prefix + b"mergeCell "
        self.formula_mark = b"<" + prefix + b"f"


def scan_sheet(
    archive: zipfile.ZipFile, name: str, entry: str, limits: SizeLimits, struck: frozenset[int] = frozenset()
) -> SheetScan:
    """Look through the XML of one sheet; ``struck`` are the cell styles whose text is struck through.

    Raises:
        ReadingsError: declared entities, or more merged ranges than allowed.
    """
    scan = SheetScan()
    patterns: _Patterns | None = None
    for text in pieces(archive, name, entry):
        if patterns is None:
            found = _PREFIX.search(text)
            patterns = _Patterns(found[1] + b":" if found and found[1] else b"", struck)
        if patterns.formula_mark in text and patterns.formula.search(text):
            scan.formulas = True
            for match in patterns.uncalculated.finditer(text):
                _add_uncalculated(scan, match[1])
        if patterns.merge_mark in text:
            scan.merged.update(_ranges(patterns, text))
            if len(scan.merged) > limits.merged:
                raise refusal(
                    name,
                    "too-large",
                    "a sheet has too many merged ranges",
                    found=f"over {limits.merged}",
                    allowed=f"at most {limits.merged}",
                    action="Unmerge the cells and save again",
                )
        if patterns.struck is not None:
            places = (reference(m[1].decode("ascii")) for m in patterns.struck.finditer(text))
            scan.struck.update(place for place in places if place is not None)
        if b"hidden=" in text:
            scan.hidden_rows.update(int(m[1]) for m in patterns.hidden_row.finditer(text))
            scan.hidden_columns.update(_columns(patterns, text))
    return scan


def _add_uncalculated(scan: SheetScan, attributes: bytes) -> None:
    words = dict(re.findall(rb"(\w+)=\"([^\"]*)\"", attributes))
    place = reference(words.get(b"r", b"").decode("ascii", "replace"))
    if place is not None and words.get(b"t") != b"str":
        scan.uncalculated.add(place)


def _ranges(patterns: _Patterns, text: bytes) -> set[tuple[int, int, int, int]]:
    out = set()
    for match in patterns.merged.finditer(text):
        first, _, last = match[1].decode("ascii").partition(":")
        start, end = reference(first), reference(last or first)
        if start and end:
            out.add((start[0], start[1], end[0], end[1]))
    return out


def _columns(patterns: _Patterns, text: bytes) -> set[tuple[int, int]]:
    out = set()
    for match in patterns.hidden_column.finditer(text):
        words = dict(re.findall(rb"(\w+)=\"(\d{1,5})\"", match[1]))
        if b"min" in words and b"max" in words:
            out.add((int(words[b"min"]), int(words[b"max"])))
    return out
