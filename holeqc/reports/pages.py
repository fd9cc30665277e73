"""Blocks as pages: one HTML file without a script, and PDF pages of plain shapes, the same bytes each time."""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, singledispatch
from html import escape
from importlib.util import find_spec
from pathlib import Path

import numpy as np

import holeqc
from holeqc import door
from holeqc.door import own_text
from holeqc.inspection.results import ACCEPT, Reason
from holeqc.problems import HoleQCError
from holeqc.reports import blocks as w
from holeqc.reports.blocks import to_svg

# The report as one HTML file: no script, nothing fetched, every text escaped, prints with head and foot on each page.
#
# Each section is a layout table whose head and foot browsers repeat on every printed page.


LONG = 24  #: characters from which a text may break inside a word and a cell may wrap
_VERDICT = ("accept", "hold", "reject")
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"


def html_page(report: w.Report) -> str:
    """Return a report as an HTML document; the same bytes each time for the same report."""
    style = own_text("reports", "report.css")
    style = style.replace("PAPER", report.paper)
    body = "\n".join(_section(section, _foot(section.foot or report.foot)) for section in report.sections)
    return (
        f'<!DOCTYPE html>\n<html lang="{report.language}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{_safe(report.title)}</title>\n<style>\n{style}</style>\n</head>\n"
        f'<body id="top">\n{body}\n</body>\n</html>\n'
    )


@lru_cache(maxsize=16384)
def _safe(text: str) -> str:
    return escape(w.plain(text))


def _soft(text: str) -> str:
    """Return escaped text that may break inside long words such as digests and file names."""
    return re.sub(r"([\w/.\\-]{24})(?=[\w/.\\-])", r"\1<wbr>", _safe(text)) if len(text) > LONG else _safe(text)


def _foot(foot: w.Foot) -> str:
    lines = "".join(f"<p>{_safe(line)}</p>" for line in foot.lines)
    return f'{lines}<p class="care">{" ".join(_safe(text) for text in foot.cautions)}</p>'


def _section(section: w.Section, foot: str) -> str:
    badge = (
        f'<span class="tag {_VERDICT[section.verdict]}">{_safe(w.marked(section.verdict))}</span>'
        if section.verdict is not None
        else ""
    )
    up = "" if section.key == "overview" else '<a class="up" href="#top">to the top</a>'
    body = "\n".join(html_block(block) for block in section.blocks)
    return (
        f'<table class="page" role="presentation" id="{section.key}">\n'
        f'<thead><tr><td><div class="head"><span>{_safe(section.head)}</span>{badge}{up}</div></td></tr></thead>\n'
        f'<tfoot><tr><td><footer class="foot">{foot}</footer></td></tr></tfoot>\n'
        f'<tbody><tr><td><div class="body">\n{body}\n</div></td></tr></tbody>\n</table>'
    )


@singledispatch
def html_block(block: w.Block) -> str:
    """Return one block as HTML."""
    raise TypeError(f"no HTML for {type(block).__name__}")


@html_block.register
def _(block: w.Heading) -> str:
    return f"<h{block.level}>{_safe(block.text)}</h{block.level}>"


@html_block.register
def _(block: w.Paragraph) -> str:
    lead = "<strong>Caution.</strong> " if block.kind == "caution" else ""
    return f'<p class="{block.kind}">{lead}{_soft(block.text)}</p>'


@html_block.register
def _(block: w.Banner) -> str:
    name = _VERDICT[block.verdict]
    return (
        f'<header class="banner {name}"><span class="stamp">{_safe(w.stamp_of(block))}</span>'
        f"<div><h1>{_soft(block.title)}</h1><p>{_safe(block.detail)}</p></div></header>"
    )


@html_block.register
def _(block: w.Facts) -> str:
    pairs = "".join(f"<div><dt>{_safe(label)}</dt><dd>{_soft(text)}</dd></div>" for label, text in block.pairs)
    return f'<dl class="facts">{pairs}</dl>'


@html_block.register
def _(block: w.Findings) -> str:
    return f'<ul class="findings">{"".join(_finding(item) for item in block.items)}</ul>'


def _finding(item: Reason | str) -> str:
    if isinstance(item, str):
        return f'<li class="point"><div><p>{_soft(item)}</p></div></li>'
    badge = f'<span class="tag {_VERDICT[item.verdict]}">{_safe(w.marked(item.verdict))}</span>'
    place = f' <span class="place">[{_soft(item.cell)}]</span>' if item.cell else ""
    action = f'<p class="do">{_soft(item.action)}</p>' if item.action else ""
    return f'<li class="{_VERDICT[item.verdict]}">{badge}<div><p>{_soft(item.sentence)}{place}</p>{action}</div></li>'


@html_block.register
def _(block: w.Table) -> str:
    heads = "".join(f'<th scope="col" class="{c.align}">{_safe(c.title)}</th>' for c in block.columns)
    rows = []
    for n, row in enumerate(block.rows):
        cells = "".join(_cell(w.cell_of(cell), column) for cell, column in zip(row, block.columns, strict=True))
        rows.append(f"<tr{' class=group' if n in block.groups and n else ''}>{cells}</tr>")
    note = f'<p class="note">{_soft(block.note)}</p>' if block.note else ""
    table = f'<table class="data"><thead><tr>{heads}</tr></thead><tbody>{"".join(rows)}</tbody></table>'
    return f'<div class="wide">{table}</div>{note}'


def _cell(cell: w.Cell, column: w.Column) -> str:
    wraps = column.wraps or len(cell.text) > LONG
    text = _soft(cell.text) if wraps else _safe(cell.text)
    if cell.to:
        text = f'<a href="#{cell.to}">details</a>'
    names = column.align + (" wraps" if wraps else "")
    if cell.verdict is not None:
        text = f"{w.MARKS[cell.verdict]} {text}"
        names += f" {_VERDICT[cell.verdict]}" + (" fault" if cell.verdict != ACCEPT else "")
    # a narrow screen shows each row as a card, where a heading stands over each value
    return f'<td class="{names}" data-of="{_safe(column.title)}">{text}</td>' if text else f'<td class="{names}"></td>'


@html_block.register
def _(block: w.Picture) -> str:
    caption = f"<figcaption>{_safe(block.caption)}</figcaption>" if block.caption else ""
    return f"<figure>{to_svg(block.drawing)}{caption}</figure>"


@html_block.register
def _(block: w.Signatures) -> str:
    lines = "".join(f"<p>{_safe(line)}</p>" for line in block.lines)
    return f'<p class="quiet">{_safe(block.text)}</p><div class="sign">{lines}</div>'


# The typeface of PDF pages: which characters it has, how wide they are, and a small copy with only the glyphs used.
#
# DejaVu Sans comes with matplotlib, under a licence that allows embedding. Tables are read after the OpenType
# specification: head, hhea, hmtx, maxp, cmap (format 12), loca, glyf.


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


# Pages of plain shapes as a PDF file, the same bytes each time; and how wide a text is on them.
#
# Written straight after ISO 32000-1: tags or a report of a thousand parts are tens of thousands of short texts, and a
# plotting library takes thirty times as long to set them.


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
    text = printable(text)
    if width_of(text, size, bold) <= width and text[:1] != " ":
        return [text]
    lines: list[str] = []
    line = ""
    for word in text.split(" "):
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

Used = tuple[set[str], set[str]]  #: texts set in the regular and the bold face


@lru_cache(maxsize=65536)
def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


@lru_cache(maxsize=64)
def _colour(colour: str) -> str:
    return " ".join(_n(int(colour[n : n + 2], 16) / 255) for n in (1, 3, 5))


def _content(page: w.Drawing, used: Used) -> bytes:
    """Return the operators that draw a page; y runs up in a PDF."""
    items = (_text(item, used) if isinstance(item, w.Text) else _outline(item) for item in page.items)
    return "\n".join([f"1 0 0 1 0 {_n(page.height)} cm", *items]).encode("ascii")


def _outline(item: w.Shape | w.Circle | w.Boxes) -> str:
    if isinstance(item, w.Boxes):
        boxes = [f"{_n(x)} {_n(-y - high)} {_n(wide)} {_n(high)} re" for x, y, wide, high in item.boxes]
        return f"{_colour(item.fill)} rg {' '.join(boxes)} f"
    paint = "B" if item.stroke and item.fill else "S" if item.stroke else "f"
    style = f"{_colour(item.fill)} rg " if item.fill else ""
    if item.stroke:
        dash = " ".join(_n(length) for length in item.dash)
        style += f"{_colour(item.stroke)} RG {_n(item.width)} w [{dash}] 0 d "
    if isinstance(item, w.Circle):
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
def _codes(text: str, bold: bool) -> str:
    """Return a text as glyph numbers in hexadecimal."""
    face = typeface(bold)
    return "".join([f"{face.glyph(character):04x}" for character in printable(text)])


def _text(item: w.Text, used: Used) -> str:
    used[item.bold].add(item.text)
    share = {"start": 0.0, "middle": 0.5, "end": 1.0}[item.anchor]
    back = share * width_of(item.text, item.size, item.bold) if share else 0.0
    place = f"{_n(item.x - back)} {_n(-item.y)}"
    codes, name = _codes(item.text, item.bold), "F2" if item.bold else "F1"
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
        packed = zlib.compress(data, 3)
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


def save_pdf(pages: Iterable[w.Drawing], title: str, marks: Sequence[tuple[str, int]] = ()) -> bytes:
    """Return pages as a PDF file with no date in it. ``marks``: entries of the outline with their page, from 0."""
    file = _File()
    catalog, tree, fonts = file.reserve(), file.reserve(), file.reserve()
    used: Used = (set(), set())
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


def _font(file: _File, bold: bool, texts: set[str]) -> int:
    """Store a face with the glyphs used, their widths, and what text they stand for; return its number."""
    face = typeface(bold)
    name = f"HOLEQC+{FILES[bold].removesuffix('.ttf')}"
    characters = {face.glyph(character): character for character in sorted(set().union(*map(printable, texts)))}
    glyphs = sorted(characters)
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
    meaning = file.stream(_to_unicode({glyph: characters[glyph] for glyph in glyphs}))
    return file.add(
        f"<< /Type /Font /Subtype /Type0 /BaseFont /{name} /Encoding /Identity-H /DescendantFonts [{cid} 0 R] "
        f"/ToUnicode {meaning} 0 R >>"
    )


def _to_unicode(used: dict[int, str]) -> bytes:
    """Return the map from glyphs to text, so that a page can be searched and copied."""
    rows = [f"<{glyph:04x}> <{text.encode('utf-16-be').hex()}>" for glyph, text in used.items()]
    content = [rows[n : n + 100] for n in range(0, len(rows), 100)]
    body = "\n".join(f"{len(block)} beginbfchar\n" + "\n".join(block) + "\nendbfchar" for block in content)
    return (
        "/CIDInit /ProcSet findresource begin\n12 dict begin\nbegincmap\n"
        "/CIDSystemInfo << /Registry (Adobe) /Ordering (UCS) /Supplement 0 >> def\n/CMapName /Adobe-Identity-UCS def\n"
        "/CMapType 2 def\n1 begincodespacerange\n<0000> <ffff>\nendcodespacerange\n"
        f"{body}\nendcmap\nCMapName currentdict /CMap defineresource pop\nend\nend\n"
    ).encode("ascii")


# Blocks set on pages of paper: where each stands, when a new page begins, what runs at head and foot.


MARGIN = 36.0
BODY, NOTE = 9.0, 8.0  #: letter sizes [points]; nothing in print is smaller than 8
LEAD = 12.0


@dataclass(slots=True)
class Flow:
    """A section being set: the pages so far and how far down the last one is full."""

    report: w.Report
    section: w.Section
    numbers: Mapping[str, int]  #: first page of each section, for references; empty on the first pass
    pages: list[w.Drawing] = field(default_factory=list)
    y: float = 0.0
    foot_lines: list[tuple[str, bool]] = field(default_factory=list)

    def __post_init__(self) -> None:
        foot = self.section.foot or self.report.foot
        for line in foot.lines:
            self.foot_lines += [(text, False) for text in wrap(line, self.width, NOTE)]
        cautions = " ".join(foot.cautions)
        self.foot_lines += [(text, True) for text in wrap(cautions, self.width, NOTE, True)]
        self.turn_page()

    @property
    def width(self) -> float:
        """Width between the margins."""
        return PAPERS[self.report.paper][0] - 2 * MARGIN

    @property
    def bottom(self) -> float:
        """How far down a block may reach."""
        return PAPERS[self.report.paper][1] - MARGIN - 6 - 9.6 * len(self.foot_lines)

    @property
    def page(self) -> w.Drawing:
        """The page being filled."""
        return self.pages[-1]

    def turn_page(self) -> None:
        """Begin a new page with its head and foot."""
        wide, high = PAPERS[self.report.paper]
        page = w.Drawing(wide, high)
        self.pages.append(page)
        page.text(MARGIN, MARGIN + 2, w.shorten(self.section.head, 90), NOTE, colour=w.SOFT)
        if self.section.verdict is not None:
            badge(page, wide - MARGIN - 56, MARGIN + 2, self.section.verdict, NOTE)
        page.line((MARGIN, MARGIN + 8), (wide - MARGIN, MARGIN + 8), stroke=w.RULE, width=0.6)
        y = self.bottom + 8
        page.line((MARGIN, y), (wide - MARGIN, y), stroke=w.RULE, width=0.6)
        for n, (line, bold) in enumerate(self.foot_lines):
            page.text(MARGIN, y + 10 + 9.6 * n, line, NOTE, bold, w.INK if bold else w.SOFT)
        self.y = MARGIN + 20

    def need(self, height: float) -> None:
        """Turn the page unless so much room is left, or the page is still empty."""
        if self.y + height > self.bottom and self.y > MARGIN + 21:
            self.turn_page()

    def lines(
        self,
        text: str,
        size: float = BODY,
        bold: bool = False,
        colour: str = w.INK,
        indent: float = 0.0,
        lead: float = LEAD,
    ) -> None:
        """Set wrapped text at the cursor."""
        for line in wrap(text, self.width - indent, size, bold):
            self.need(lead)
            self.page.text(MARGIN + indent, self.y + size, line, size, bold, colour)
            self.y += lead


def badge(page: w.Drawing, x: float, base: float, verdict: int, size: float = BODY) -> None:
    """Draw mark and word of a verdict in a box: outlined accept, dashed hold, solid reject."""
    wide = 52.0 if size >= BODY else 50.0
    top = base - size - 1.5
    fill = w.REJECT_INK if verdict == 2 else w.VERDICT_FILL[verdict]
    dash = (2.5, 1.8) if verdict == 1 else ()
    page.box(x, top, wide, size + 5, stroke=w.VERDICT_INK[verdict], width=0.8, fill=fill, dash=dash)
    colour = "#ffffff" if verdict == 2 else w.VERDICT_INK[verdict]
    page.text(x + wide / 2, base, w.marked(verdict), size, True, colour, "middle")


def set_section(report: w.Report, section: w.Section, numbers: Mapping[str, int]) -> list[w.Drawing]:
    """Return the pages of one section."""
    flow = Flow(report, section, numbers)
    for n, block in enumerate(section.blocks):
        after = section.blocks[n + 1] if n + 1 < len(section.blocks) else None
        SETTERS[type(block)](flow, block, after)
    return flow.pages


def _heading(flow: Flow, block: w.Heading, after: w.Block | None) -> None:
    size = 11.5 if block.level == 2 else 9.5
    above = 11.0 if block.level == 2 else 5.0
    if flow.y < MARGIN + 21:
        above = 0.0
    flow.need(above + size + 6 + _least(flow, after))
    flow.y += above
    flow.lines(block.text, size, True, lead=size + 4)
    flow.y += 2


def _least(flow: Flow, block: w.Block | None) -> float:
    """Return the height that must follow a heading on its page."""
    if isinstance(block, w.Picture):
        return _picture_height(flow, block)
    if isinstance(block, w.Heading):
        return 70.0
    if isinstance(block, w.Paragraph) and block.kind == "caution":
        return _caution_height(flow, block)
    if isinstance(block, w.Findings) and block.items:
        return min(_finding_height(flow, block.items[0]), flow.bottom - MARGIN - 60)
    return 84.0 if isinstance(block, w.Signatures) else 62.0 if isinstance(block, w.Table) else 26.0


def _caution_height(flow: Flow, block: w.Paragraph) -> float:
    return LEAD * len(wrap(f"Caution. {block.text}", flow.width - 10, BODY)) + 6


def _paragraph(flow: Flow, block: w.Paragraph, _: w.Block | None) -> None:
    if block.kind == "caution":
        text = f"Caution. {block.text}"
        flow.need(_caution_height(flow, block))
        top = flow.y + 1
        flow.y += 1
        flow.lines(text, indent=10)
        flow.page.line((MARGIN + 1.5, top), (MARGIN + 1.5, flow.y), stroke=w.INK, width=2.5)
        flow.y += 5
        return
    quiet = block.kind == "quiet"
    flow.lines(block.text, NOTE if quiet else BODY, colour=w.SOFT if quiet else w.INK, lead=10.5 if quiet else LEAD)
    flow.y += 3


def _banner(flow: Flow, block: w.Banner, _: w.Block | None) -> None:
    stamp = w.stamp_of(block)
    left = width_of(stamp, 17, True) + 30
    titles = wrap(block.title, flow.width - left - 16, 13, True)[:3]
    high = max(38.0, 22.0 + 16 * len(titles))
    flow.need(high + 20)
    ink, x, y = w.VERDICT_INK[block.verdict], MARGIN, flow.y
    dash = (4, 2.5) if block.verdict == 1 else ()
    solid = block.verdict == 2
    flow.page.box(x, y, left, high, fill=ink if solid else w.VERDICT_FILL[block.verdict])
    flow.page.box(x, y, flow.width, high, stroke=ink, width=1.6, dash=dash)
    flow.page.line((x + left, y), (x + left, y + high), stroke=ink, width=1.6, dash=dash)
    flow.page.text(x + left / 2, y + high / 2 + 6, stamp, 17, True, "#ffffff" if solid else ink, "middle")
    for n, line in enumerate(titles):
        flow.page.text(x + left + 12, y + 17 + 16 * n, line, 13, True)
    flow.page.text(x + left + 12, y + high - 8, w.shorten(block.detail, 80), BODY)
    flow.y += high + 9


def _facts(flow: Flow, block: w.Facts, _: w.Block | None) -> None:
    columns = 5
    wide = flow.width / columns
    row: list[tuple[str, list[str]]] = []

    def put() -> None:
        high = 10.5 + 11 * max(len(lines) for _, lines in row)
        flow.need(high + 4)
        for n, (label, lines) in enumerate(row):
            flow.page.text(MARGIN + n * wide, flow.y + 8, label, NOTE, colour=w.SOFT)
            for k, line in enumerate(lines):
                flow.page.text(MARGIN + n * wide, flow.y + 19 + 11 * k, line, BODY)
        flow.y += high + 4

    for label, text in block.pairs:
        row.append((label, wrap(text, wide - 10, BODY)[:6]))
        if len(row) == columns:
            put()
            row = []
    if row:
        put()


def _finding_lines(flow: Flow, item: Reason | str) -> tuple[float, list[str], list[str]]:
    """Return how far a finding is set in, its lines, and those of what to do."""
    if isinstance(item, str):
        return 12.0, wrap(item, flow.width - 12.0, BODY), []
    rows = wrap(item.sentence + (f" [{item.cell}]" if item.cell else ""), flow.width - 62.0, BODY)
    return 62.0, rows, wrap(f"→ {item.action}", flow.width - 62.0, BODY, True) if item.action else []


def _finding_height(flow: Flow, item: Reason | str) -> float:
    _, rows, acts = _finding_lines(flow, item)
    return LEAD * (len(rows) + len(acts)) + 4


def _findings(flow: Flow, block: w.Findings, _: w.Block | None) -> None:
    for item in block.items:
        indent, rows, acts = _finding_lines(flow, item)
        flow.need(min(_finding_height(flow, item), flow.bottom - MARGIN - 40))
        if isinstance(item, Reason):
            badge(flow.page, MARGIN, flow.y + BODY + 0.5, item.verdict)
        else:
            flow.page.box(MARGIN + 3, flow.y + 4, 3, 3, fill=w.SOFT)
        for line, bold in [(row, False) for row in rows] + [(act, True) for act in acts]:
            flow.need(LEAD)
            flow.page.text(MARGIN + indent, flow.y + BODY, line, BODY, bold)
            flow.y += LEAD
        flow.y += 4 if isinstance(item, Reason) else 1


def _picture_height(flow: Flow, block: w.Picture) -> float:
    return block.drawing.height + (14 if block.caption else 2)


def _picture(flow: Flow, block: w.Picture, _: w.Block | None) -> None:
    flow.need(_picture_height(flow, block))
    flow.page.place(block.drawing, MARGIN + (flow.width - block.drawing.width) / 2, flow.y)
    flow.y += block.drawing.height
    if block.caption:
        flow.page.text(MARGIN + flow.width / 2, flow.y + 9, block.caption, NOTE, colour=w.SOFT, anchor="middle")
        flow.y += 12
    flow.y += 4


def _signatures(flow: Flow, block: w.Signatures, _: w.Block | None) -> None:
    flow.need(84)
    flow.lines(block.text, NOTE, colour=w.SOFT, lead=10.5)
    gap = 18.0
    wide = (flow.width - gap * (len(block.lines) - 1)) / len(block.lines)
    flow.y += 30
    for n, line in enumerate(block.lines):
        x = MARGIN + n * (wide + gap)
        flow.page.line((x, flow.y), (x + wide, flow.y))
        flow.page.text(x, flow.y + 10, line, NOTE, colour=w.SOFT)
    flow.y += 16


# ------------------------------------------------------------------------------------------------------------ tables

LEAST_ROWS = 3  #: of a long table on a page
_PAD = 7.0
_ROW = 9.8


def _columns(flow: Flow, block: w.Table, texts: list[list[str]]) -> list[float]:
    """Return column widths: as wide as the widest text; what wraps gives way first, then every column."""
    natural, least = [], []
    for n, column in enumerate(block.columns):
        head = max((width_of(word, NOTE, True) for word in column.title.split(" ")), default=0.0)
        there = {row[n] for row in texts}
        cells = [width_of(text, NOTE, True) for text in there]
        natural.append(max([head, *cells], default=0.0) + _PAD)
        words = [width_of(word, NOTE, True) for text in there for word in text.split(" ")] if column.wraps else cells
        least.append(max(head, min(max(words, default=0.0), 80.0 if column.wraps else 1e9)) + _PAD)
    room = flow.width - sum(natural)
    if room >= 0:
        return [wide + min(room / len(natural), 26.0) for wide in natural]
    surplus = flow.width - sum(least)
    if surplus >= 0:
        wants = [a - z for a, z in zip(natural, least, strict=True)]
        share = surplus / (sum(wants) or 1.0)
        return [z + want * share for z, want in zip(least, wants, strict=True)]
    shrink = flow.width / sum(least)
    return [wide * shrink for wide in least]


def _table(flow: Flow, block: w.Table, _: w.Block | None) -> None:
    rows = [[w.cell_of(cell) for cell in row] for row in block.rows]
    texts = [[_cell_text(flow, cell) for cell in row] for row in rows]
    wide = _columns(flow, block, texts)
    heads = [wrap(c.title, size - 2, NOTE, True) for c, size in zip(block.columns, wide, strict=True)]

    def head() -> None:
        high = _ROW * max(len(lines) for lines in heads)
        x = MARGIN
        for column, lines, size in zip(block.columns, heads, wide, strict=True):
            for n, line in enumerate(lines):
                base = flow.y + high - _ROW * (len(lines) - 1 - n) - 2
                _put(flow, x, base, size, column.align, line, True, w.INK)
            x += size
        flow.y += high + 1
        flow.page.line((MARGIN, flow.y), (MARGIN + sum(wide), flow.y), width=1.0)

    # A short table stays in one piece; a long one begins where some rows fit under its heading.
    note = 12.2 * len(wrap(block.note, flow.width, NOTE)) if block.note else 0.0
    short = (_ROW + 1.9) * len(rows) + note if len(rows) <= 10 else (_ROW + 1.9) * LEAST_ROWS
    flow.need(_ROW * max(len(lines) for lines in heads) + 1 + short)
    head()
    laid = [
        [wrap(text, size - 4, NOTE, _strong(cell))[:28] for text, size, cell in zip(row, wide, cells, strict=True)]
        for cells, row in zip(rows, texts, strict=True)
    ]
    highs = [_ROW * max(len(part) for part in lines) + 1.9 for lines in laid]
    fresh = flow.bottom - (MARGIN + 20) - _ROW * max(len(lines) for lines in heads) - 1
    weights = [*highs[:-1], highs[-1] + note] if highs else []  # the note stays with the last row
    turns = page_turns(weights, block.groups, flow.bottom - flow.y, fresh)
    for n, (cells, lines, high) in enumerate(zip(rows, laid, highs, strict=True)):
        if n in turns:
            flow.turn_page()
            head()
        elif n:
            line = w.SOFT if n in block.groups else "#e1e6e9"
            flow.page.line((MARGIN, flow.y), (MARGIN + sum(wide), flow.y), stroke=line, width=0.5)
        _row(flow, block, cells, lines, wide, high)
    flow.y += 2
    if block.note:
        flow.lines(block.note, NOTE, colour=w.SOFT, lead=10.2)
    flow.y += 4


def page_turns(highs: Sequence[float], groups: Collection[int], room: float, fresh: float) -> set[int]:
    """Return the rows of a table that begin a page: groups stay whole, and no page has fewer than LEAST rows of it.

    ``highs``: heights of the rows; ``groups``: rows that begin a group; ``room``, ``fresh``: height for rows on the
    page where the table begins and on one of its own [points]. A group higher than a page is split between rows.
    """
    turns: set[int] = set()
    start, count = 0, len(highs)
    while True:
        end, used = start, 0.0
        while end < count and used + highs[end] <= room:
            used += highs[end]
            end += 1
        if end >= count:
            return turns
        end = max(end, start + 1)
        whole = [n for n in range(start + 1, end + 1) if n in groups or not groups]
        kept = [n for n in whole if count - n >= LEAST_ROWS and n - start >= LEAST_ROWS]
        end = (kept or whole or [end])[-1]
        turns.add(end)
        start, room = end, fresh


def _row(
    flow: Flow, block: w.Table, cells: list[w.Cell], lines: list[list[str]], wide: list[float], high: float
) -> None:
    x = MARGIN
    for column, cell, part, size in zip(block.columns, cells, lines, wide, strict=True):
        if cell.verdict is not None and cell.verdict != ACCEPT:
            flow.page.box(x, flow.y + 0.5, size - 1, high - 1, fill=w.VERDICT_FILL[cell.verdict])
        ink = w.INK if cell.verdict is None else w.VERDICT_INK[cell.verdict]
        for n, line in enumerate(part):
            _put(flow, x, flow.y + 8.2 + _ROW * n, size, column.align, line, _strong(cell), ink)
        x += size
    flow.y += high


def _put(flow: Flow, x: float, base: float, wide: float, align: w.Align, text: str, bold: bool, ink: str) -> None:
    if align == "right":
        flow.page.text(x + wide - 4, base, text, NOTE, bold, ink, "end")
    elif align == "centre":
        flow.page.text(x + wide / 2, base, text, NOTE, bold, ink, "middle")
    else:
        flow.page.text(x + 2, base, text, NOTE, bold, ink)


def _strong(cell: w.Cell) -> bool:
    return cell.verdict is not None and cell.verdict != ACCEPT


def _cell_text(flow: Flow, cell: w.Cell) -> str:
    if cell.to:
        return f"page {flow.numbers[cell.to]}" if cell.to in flow.numbers else "page 000"
    return f"{w.MARKS[cell.verdict]} {cell.text}" if cell.verdict is not None else cell.text


SETTERS: dict[type, Callable[..., None]] = {
    w.Heading: _heading, w.Paragraph: _paragraph, w.Banner: _banner, w.Facts: _facts, w.Findings: _findings,
    w.Picture: _picture, w.Signatures: _signatures, w.Table: _table,
}  # fmt: skip


# The report as PDF: the same blocks as the HTML page, on numbered pages.


def pdf_report(report: w.Report, progress: Callable[[str], None] = lambda _: None) -> bytes:
    """Return a report as a PDF file; the same bytes each time for the same report.

    Sections with references to pages are set again when the pages are known.
    """
    pages, first = pages_of(report, progress)
    marks = [(section.head.split("·")[-1].strip(), first[section.key] - 1) for section in report.sections]
    return save_pdf(pages, report.title, marks)


def pages_of(
    report: w.Report, progress: Callable[[str], None] = lambda _: None
) -> tuple[list[w.Drawing], dict[str, int]]:
    """Return all pages of a report, numbered, and the first page of each section."""
    done = []
    for n, section in enumerate(report.sections, 1):
        done.append(set_section(report, section, {}))
        progress(f"report.pdf: section {n} of {len(report.sections)}")
    numbers, first = {}, 1
    for section, pages in zip(report.sections, done, strict=True):
        numbers[section.key] = first
        first += len(pages)
    for n, section in enumerate(report.sections):
        if any(isinstance(block, w.Table) and _refers(block) for block in section.blocks):
            done[n] = set_section(report, section, numbers)
    pages = [page for section in done for page in section]
    listed = _page_with(pages, report.files) if report.files else 0
    for n, page in enumerate(pages, 1):
        if listed:
            text = f"all files with SHA-256 in full: page {listed}"
            page.text(MARGIN, page.height - MARGIN + 12, text, NOTE, colour=w.SOFT)
        page.text(page.width - MARGIN, page.height - MARGIN + 12, f"page {n} of {len(pages)}", NOTE, anchor="end")
    return pages, numbers


def _page_with(pages: list[w.Drawing], heading: str) -> int:
    """Return the number of the last page with that line of text, 0 where there is none."""
    lines = [{item.text for item in page.items if isinstance(item, w.Text)} for page in pages]
    return max((n for n, texts in enumerate(lines, 1) if heading in texts), default=0)


def _refers(table: w.Table) -> bool:
    return any(isinstance(cell, w.Cell) and cell.to for row in table.rows for cell in row)
