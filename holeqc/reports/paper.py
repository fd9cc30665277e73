"""Pages of plain shapes as a PDF file, the same bytes each time; and how wide a text is on them.

Written straight after ISO 32000-1: tags or a report of a thousand parts are tens of thousands of short texts, and a
plotting library takes thirty times as long to set them.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from functools import lru_cache

import holeqc
from holeqc.reports import drawing as d
from holeqc.reports import wording as w
from holeqc.reports.typeface import FILES, typeface

PAPERS = {"letter": (612.0, 792.0), "a4": (595.3, 841.9)}  #: points


@lru_cache(maxsize=8192)
def _advance(character: str, bold: bool) -> float:
    face = typeface(bold)
    return face.width(face.glyph(character))


@lru_cache(maxsize=65536)
def printable(text: str) -> str:
    """Return text with every character that the typeface lacks shown by its code point, so that no two look alike."""
    face = typeface(False)
    text = w.plain(text)
    if text.isascii() or all(face.has(c) for c in text):
        return text
    return "".join(c if face.has(c) else f"[U+{ord(c):04X}]" for c in text)


@lru_cache(maxsize=65536)
def _width(text: str, bold: bool) -> float:
    return sum(_advance(c, bold) for c in printable(text))


def width_of(text: str, size: float, bold: bool = False) -> float:
    """Return the width of a text [points]."""
    return size * _width(text, bold)


def wrap(text: str, width: float, size: float, bold: bool = False) -> list[str]:
    """Return text broken into lines of at most ``width`` points; a word that is too long by itself is broken too."""
    lines: list[str] = []
    line = ""
    for word in printable(text).split(" "):
        joined = f"{line} {word}" if line else word
        if width_of(joined, size, bold) <= width:
            line = joined
            continue
        if line:
            lines.append(line)
        while width_of(word, size, bold) > width and len(word) > 1:
            fits = _fitting(word, width, size, bold)
            lines.append(word[:fits])
            word = word[fits:]
        line = word
    return [*lines, line] if line or not lines else lines


def _fitting(word: str, width: float, size: float, bold: bool) -> int:
    total = 0.0
    for n, character in enumerate(word):
        total += size * _advance(character, bold)
        if total > width:
            return max(1, n)
    return len(word)


# ------------------------------------------------------------------------------------------------------ page contents

Used = tuple[dict[int, str], dict[int, str]]  #: glyphs used of the regular and the bold face, with their characters


def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


@lru_cache(maxsize=64)
def _colour(colour: str) -> str:
    return " ".join(_n(int(colour[n : n + 2], 16) / 255) for n in (1, 3, 5))


def _content(page: d.Drawing, used: Used) -> bytes:
    """Return the operators that draw a page; y runs up in a PDF."""
    items = (_text(item, used) if isinstance(item, d.Text) else _outline(item) for item in page.items)
    return "\n".join([f"1 0 0 1 0 {_n(page.height)} cm", *items]).encode("ascii")


def _outline(item: d.Shape | d.Circle) -> str:
    paint = "B" if item.stroke and item.fill else "S" if item.stroke else "f"
    style = f"{_colour(item.fill)} rg " if item.fill else ""
    if item.stroke:
        dash = " ".join(_n(length) for length in item.dash)
        style += f"{_colour(item.stroke)} RG {_n(item.width)} w [{dash}] 0 d "
    if isinstance(item, d.Circle):
        return f"{style}{_round(item.x, -item.y, item.r)} h {paint}"
    points = [f"{_n(x)} {_n(-y)}" for x, y in item.points]
    return f"{style}{points[0]} m {' '.join(f'{p} l' for p in points[1:])} {'h ' if item.closed else ''}{paint}"


def _round(x: float, y: float, r: float) -> str:
    """Return a circle as four Bézier curves (largest error 0.03 % of the radius)."""
    k = 0.5522847498 * r
    curves = (
        (x + r, y + k, x + k, y + r, x, y + r), (x - k, y + r, x - r, y + k, x - r, y),
        (x - r, y - k, x - k, y - r, x, y - r), (x + k, y - r, x + r, y - k, x + r, y),
    )  # fmt: skip
    return f"{_n(x + r)} {_n(y)} m " + " ".join(" ".join(map(_n, curve)) + " c" for curve in curves)


@lru_cache(maxsize=65536)
def _glyphs(text: str, bold: bool) -> tuple[str, tuple[tuple[int, str], ...]]:
    """Return a text as glyph numbers in hexadecimal, and which character each glyph stands for."""
    face = typeface(bold)
    pairs = tuple((face.glyph(character), character) for character in printable(text))
    return "".join(f"{glyph:04x}" for glyph, _ in pairs), pairs


def _text(item: d.Text, used: Used) -> str:
    codes, pairs = _glyphs(item.text, item.bold)
    used[item.bold].update(pairs)
    share = {"start": 0.0, "middle": 0.5, "end": 1.0}[item.anchor]
    back = share * width_of(item.text, item.size, item.bold) if share else 0.0
    place = f"{_n(item.x - back)} {_n(-item.y)}"
    name = "F2" if item.bold else "F1"
    return f"BT /{name} {_n(item.size)} Tf {_colour(item.colour)} rg 1 0 0 1 {place} Tm <{codes}> Tj ET"


# -------------------------------------------------------------------------------------------------------------- file


class _File:
    """Numbered objects on their way into a PDF file."""

    def __init__(self) -> None:
        self.objects: list[bytes] = []

    def reserve(self) -> int:
        """Return the number of an object that is filled in later."""
        self.objects.append(b"")
        return len(self.objects)

    def add(self, body: str | bytes, number: int = 0) -> int:
        """Store an object and return its number."""
        number = number or self.reserve()
        self.objects[number - 1] = body.encode("latin-1") if isinstance(body, str) else body
        return number

    def stream(self, data: bytes, more: str = "") -> int:
        """Store data, compressed, and return its number."""
        packed = zlib.compress(data, 6)
        head = f"<< /Length {len(packed)} /Filter /FlateDecode{more} >>\nstream\n".encode("ascii")
        return self.add(head + packed + b"\nendstream")

    def bytes(self, catalog: int, about: int) -> bytes:
        """Return the whole file."""
        out = [b"%PDF-1.5\n%\xe2\xe3\xcf\xd3\n"]
        at, places = len(out[0]), []
        for number, body in enumerate(self.objects, 1):
            places.append(at)
            out.append(b"%d 0 obj\n%b\nendobj\n" % (number, body))
            at += len(out[-1])
        table = "".join(f"{place:010d} 00000 n \n" for place in places)
        head = f"xref\n0 {len(places) + 1}\n0000000000 65535 f \n{table}"
        tail = f"trailer\n<< /Size {len(places) + 1} /Root {catalog} 0 R /Info {about} 0 R >>\nstartxref\n{at}\n%%EOF\n"
        return b"".join(out) + (head + tail).encode("ascii")


def _string(text: str) -> str:
    """Return a text as a PDF string: UTF-16 with its mark, in hexadecimal, so that nothing in it can be an operator."""
    return f"<feff{text.encode('utf-16-be', 'replace').hex()}>"


def save_pdf(pages: Sequence[d.Drawing], title: str, marks: Sequence[tuple[str, int]] = ()) -> bytes:
    """Return pages as a PDF file with no date in it. ``marks``: entries of the outline with their page, from 0."""
    file = _File()
    catalog, tree, fonts = file.reserve(), file.reserve(), file.reserve()
    used: Used = ({}, {})
    numbers = []
    for page in pages:
        content = file.stream(_content(page, used))
        box = f"[0 0 {_n(page.width)} {_n(page.height)}]"
        resources = f"<< /Font {fonts} 0 R >>"
        numbers.append(
            file.add(
                f"<< /Type /Page /Parent {tree} 0 R /MediaBox {box} /Contents {content} 0 R /Resources {resources} >>"
            )
        )
    file.add(f"<< /Type /Pages /Count {len(numbers)} /Kids [{' '.join(f'{n} 0 R' for n in numbers)}] >>", tree)
    faces = " ".join(f"/F{n + 1} {_font(file, bool(n), used[n])} 0 R" for n in (0, 1))
    file.add(f"<< {faces} >>", fonts)
    outline = f" /Outlines {_outlines(file, marks, numbers)} 0 R /PageMode /UseOutlines" if marks else ""
    file.add(f"<< /Type /Catalog /Pages {tree} 0 R /Lang (en){outline} >>", catalog)
    tool = f"holeqc {holeqc.__version__}"
    about = file.add(f"<< /Title {_string(w.plain(title))} /Creator ({tool}) /Producer ({tool}) >>")
    return file.bytes(catalog, about)


def _outlines(file: _File, marks: Sequence[tuple[str, int]], pages: Sequence[int]) -> int:
    root = file.reserve()
    items = [file.reserve() for _ in marks]
    for n, (text, page) in enumerate(marks):
        links = f" /Prev {items[n - 1]} 0 R" if n else ""
        links += f" /Next {items[n + 1]} 0 R" if n + 1 < len(items) else ""
        file.add(f"<< /Title {_string(text)} /Parent {root} 0 R{links} /Dest [{pages[page]} 0 R /Fit] >>", items[n])
    file.add(f"<< /Type /Outlines /First {items[0]} 0 R /Last {items[-1]} 0 R /Count {len(items)} >>", root)
    return root


def _font(file: _File, bold: bool, used: dict[int, str]) -> int:
    """Store a face with the glyphs used, their widths, and what text they stand for; return its number."""
    face = typeface(bold)
    name = f"HOLEQC+{FILES[bold].removesuffix('.ttf')}"
    glyphs = sorted(used)
    subset = face.subset(glyphs)
    data = file.stream(subset, f" /Length1 {len(subset)}")

    def parts(value: float) -> int:
        return round(1000 * value / face.units)

    box = " ".join(str(parts(value)) for value in face.box)
    descriptor = file.add(
        f"<< /Type /FontDescriptor /FontName /{name} /Flags 4 /FontBBox [{box}] /ItalicAngle 0 "
        f"/Ascent {parts(face.ascent)} /Descent {parts(face.descent)} /CapHeight 729 /StemV {140 if bold else 80} "
        f"/FontFile2 {data} 0 R >>"
    )
    widths = " ".join(f"{glyph} [{_n(1000 * face.width(glyph))}]" for glyph in glyphs)
    cid = file.add(
        f"<< /Type /Font /Subtype /CIDFontType2 /BaseFont /{name} /CIDToGIDMap /Identity /DW 600 /W [{widths}] "
        f"/CIDSystemInfo << /Registry (Adobe) /Ordering (Identity) /Supplement 0 >> /FontDescriptor {descriptor} 0 R >>"
    )
    meaning = file.stream(_to_unicode({glyph: used[glyph] for glyph in glyphs}))
    return file.add(
        f"<< /Type /Font /Subtype /Type0 /BaseFont /{name} /Encoding /Identity-H /DescendantFonts [{cid} 0 R] "
        f"/ToUnicode {meaning} 0 R >>"
    )


def _to_unicode(used: dict[int, str]) -> bytes:
    """Return the map from glyphs to text, so that a page can be searched and copied."""
    rows = [f"<{glyph:04x}> <{text.encode('utf-16-be').hex()}>" for glyph, text in used.items()]
    blocks = [rows[n : n + 100] for n in range(0, len(rows), 100)]
    body = "\n".join(f"{len(block)} beginbfchar\n" + "\n".join(block) + "\nendbfchar" for block in blocks)
    return (
        "/CIDInit /ProcSet findresource begin\n12 dict begin\nbegincmap\n"
        "/CIDSystemInfo << /Registry (Adobe) /Ordering (UCS) /Supplement 0 >> def\n/CMapName /Adobe-Identity-UCS def\n"
        "/CMapType 2 def\n1 begincodespacerange\n<0000> <ffff>\nendcodespacerange\n"
        f"{body}\nendcmap\nCMapName currentdict /CMap defineresource pop\nend\nend\n"
    ).encode("ascii")
