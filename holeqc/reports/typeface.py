"""The typeface of PDF pages: which characters it has, how wide they are, and a small copy with only the glyphs used.

DejaVu Sans comes with matplotlib, under a licence that allows embedding. Tables are read after the OpenType
specification: head, hhea, hmtx, maxp, cmap (format 12), loca, glyf.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from holeqc import door
from holeqc.problems import HoleQCError

FILES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")
_KEPT = ("cvt ", "fpgm", "prep", "head", "hhea", "hmtx", "maxp")


class Typeface:
    """One font file."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        count = struct.unpack_from(">H", data, 4)[0]
        records = (struct.unpack_from(">4sLLL", data, 12 + 16 * n) for n in range(count))
        self._tables = {tag.decode("latin-1"): (offset, size) for tag, _, offset, size in records}
        head, hhea = self._table("head"), self._table("hhea")
        self.units = struct.unpack_from(">H", head, 18)[0]
        self.box: tuple[int, ...] = struct.unpack_from(">4h", head, 36)
        self.ascent, self.descent = struct.unpack_from(">2h", hhea, 4)
        glyphs = struct.unpack_from(">H", self._table("maxp"), 4)[0]
        long_metrics = struct.unpack_from(">H", hhea, 34)[0]
        metrics = np.frombuffer(self._table("hmtx"), dtype=">u2", count=2 * long_metrics)[::2]
        self._advance = np.concatenate([metrics, np.full(glyphs - long_metrics, metrics[-1])]).tolist()
        wide = struct.unpack_from(">h", head, 50)[0]
        loca = np.frombuffer(self._table("loca"), dtype=">u4" if wide else ">u2", count=glyphs + 1).astype(np.int64)
        self._places = loca if wide else loca * 2
        self._glyph = self._characters()

    def _table(self, tag: str) -> bytes:
        offset, size = self._tables[tag]
        return self._data[offset : offset + size]

    def _characters(self) -> dict[int, int]:
        """Return glyph by code point, from the table of the whole of Unicode."""
        cmap = self._table("cmap")
        for n in range(struct.unpack_from(">H", cmap, 2)[0]):
            start = struct.unpack_from(">L", cmap, 8 + 8 * n)[0]
            if struct.unpack_from(">H", cmap, start)[0] == 12:
                groups = struct.unpack_from(">L", cmap, start + 12)[0]
                runs = np.frombuffer(cmap, dtype=">u4", count=3 * groups, offset=start + 16).reshape(-1, 3).tolist()
                return {code: glyph + code - first for first, last, glyph in runs for code in range(first, last + 1)}
        raise HoleQCError("the typeface DejaVu Sans has no full character table; install matplotlib again")

    def has(self, character: str) -> bool:
        """Whether the typeface can show a character."""
        return ord(character) in self._glyph

    def glyph(self, character: str) -> int:
        """Return the glyph of a character, 0 (an empty box) where there is none."""
        return self._glyph.get(ord(character), 0)

    def width(self, glyph: int) -> float:
        """Return how far a glyph moves on, in parts of the letter size."""
        return float(self._advance[glyph] / self.units)

    def _outline(self, glyph: int) -> bytes:
        offset = self._tables["glyf"][0]
        return self._data[offset + self._places[glyph] : offset + self._places[glyph + 1]]

    def _with_pieces(self, glyphs: Iterable[int]) -> set[int]:
        """Return glyphs together with those that they are composed of."""
        found: set[int] = set()
        waiting = [0, *glyphs]
        while waiting:
            glyph = waiting.pop()
            if glyph not in found:
                found.add(glyph)
                waiting += _pieces(self._outline(glyph))
        return found

    def subset(self, glyphs: Iterable[int]) -> bytes:
        """Return a font file in which all other glyphs are empty; glyph numbers stay as they are."""
        keep = self._with_pieces(glyphs)
        count = len(self._places) - 1
        outlines, places, at = [], [0], 0
        for glyph in range(count):
            if glyph in keep:
                outline = self._outline(glyph)
                outlines.append(outline + b"\0" * (-len(outline) % 4))
                at += len(outlines[-1])
            places.append(at)
        tables = {tag: self._table(tag) for tag in _KEPT if tag in self._tables}
        head = bytearray(tables["head"])
        struct.pack_into(">h", head, 50, 1)  # long offsets
        tables |= {"head": bytes(head), "glyf": b"".join(outlines), "loca": struct.pack(f">{count + 1}L", *places)}
        return _font_file(tables)


def _pieces(outline: bytes) -> list[int]:
    """Return the glyphs that a composite glyph is made of; none for a simple one."""
    if len(outline) < 10 or struct.unpack_from(">h", outline)[0] >= 0:
        return []
    found, at, more = [], 10, True
    while more:
        flags, glyph = struct.unpack_from(">2H", outline, at)
        found.append(glyph)
        at += 4 + (4 if flags & 0x1 else 2) + (2 if flags & 0x8 else 4 if flags & 0x40 else 8 if flags & 0x80 else 0)
        more = bool(flags & 0x20)
    return found


def _font_file(tables: dict[str, bytes]) -> bytes:
    names = sorted(tables)
    power = 1 << (len(names).bit_length() - 1)
    head = struct.pack(">L4H", 0x00010000, len(names), 16 * power, power.bit_length() - 1, 16 * (len(names) - power))
    offset, records, bodies = 12 + 16 * len(names), [], []
    for name in names:
        body = tables[name] + b"\0" * (-len(tables[name]) % 4)
        check = int(np.frombuffer(body, dtype=">u4").sum(dtype=np.uint64)) & 0xFFFFFFFF
        records.append(struct.pack(">4sLLL", name.encode("latin-1"), check, offset, len(tables[name])))
        bodies.append(body)
        offset += len(body)
    return head + b"".join(records) + b"".join(bodies)


@lru_cache(maxsize=2)
def typeface(bold: bool) -> Typeface:
    """Return DejaVu Sans or its bold."""
    path = _folder() / FILES[bold]
    try:
        return Typeface(door.take(path, door.TYPEFACE).content)
    except door.RefusedError as error:
        raise HoleQCError(f"the typeface {path} can't be read; install matplotlib again") from error


def _folder() -> Path:
    """Return where matplotlib keeps its fonts, without importing it where its files lie in their usual place."""
    spec = find_spec("matplotlib")
    if spec is not None and spec.origin:
        folder = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
        if folder.is_dir():
            return folder
    import matplotlib

    return Path(matplotlib.get_data_path(), "fonts", "ttf")
