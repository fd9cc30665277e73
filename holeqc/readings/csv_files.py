"""Text files in: encoding and delimiter recognised or stated, every field kept as it was typed."""

from __future__ import annotations

import codecs
import csv
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice

from holeqc.printing import counted
from holeqc.problems import NOTE, Problem
from holeqc.readings.collect import Collector
from holeqc.readings.containers import Container, refusal
from holeqc.readings.grid import Grid, GridBuilder, no_collecting
from holeqc.readings.options import ReadOptions, SizeLimits
from holeqc.readings.xlsx import RawSheet

DELIMITERS = (",", ";", "\t", "|")
NAMES = {"\t": "tab", ",": "comma", ";": "semicolon", "|": "bar"}
HEAD_ROWS, HEAD_FIELDS, HEAD_CHARACTERS = 60, 300, 500
FIRST_ROWS, CHUNK, CHUNK_CELLS = 256, 20_000, 400_000  #: rows at a time, and fields where rows are long
LAST_ROWS = 20  #: so many rows tell how many fields the last one should have
SWALLOWED = 3  #: line breaks in one field that also holds delimiters: a quotation mark was never closed
Score = Callable[[Sequence[Sequence[str]]], int]


PIECE = 1 << 20  #: bytes that are decoded at a time


@dataclass(frozen=True, slots=True)
class _Text:
    """How the bytes of a file become text."""

    encoding: str
    guessed: bool = False


def read_text(container: Container, options: ReadOptions, score: Score, collector: Collector) -> RawSheet:
    """Return a delimited text file as a sheet.

    ``score`` says how many headings it knows in the first rows, so that the delimiter is the one that makes sense.

    Raises:
        ReadingsError: binary content, an encoding that doesn't fit, an open quotation mark, too many rows.
    """
    text = _encoding(container, options)
    if text.guessed:
        collector.add(
            Problem(
                NOTE,
                "encoding-guessed",
                "the file is not UTF-8; read as Windows-1252",
                file=container.name,
                found=text.encoding,
                allowed="utf-8, utf-16, cp1252 or any encoding that is stated",
                action="If letters look wrong, state the encoding",
            )
        )
    delimiter = {"tab": "\t", "\\t": "\t"}.get(options.delimiter, options.delimiter)
    skip = 0
    if not delimiter:
        delimiter, skip = _delimiter(container, text, score)
    _check_amount(container, text, delimiter, options.limits)
    builder = GridBuilder()
    widths: list[int] = []
    cells, size = 0, FIRST_ROWS
    show = counted(f"{container.name}: rows", CHUNK)
    try:
        with (
            container.incoming.lines(text.encoding) as file, no_collecting(),
            _fields_up_to(options.limits.field_characters),
        ):  # fmt: skip
            rows = csv.reader(file, delimiter=delimiter)
            while chunk := list(islice(rows, size)):
                if builder.rows == 0 and skip:
                    chunk[0] = []
                _check_width(container, chunk, options)
                cells += sum(map(len, chunk))
                widths = [*widths, *map(len, chunk[-LAST_ROWS:])][-LAST_ROWS:]
                builder.add(chunk)
                for what, count, allowed in (
                    ("rows", builder.rows, options.limits.rows),
                    ("cells", cells, options.limits.cells),
                    ("different texts", builder.distinct, options.limits.texts),
                ):
                    if count > allowed:
                        raise _too_many(container, what, allowed)
                size = min(CHUNK, max(FIRST_ROWS, CHUNK_CELLS // max(1, *widths)))
                show(builder.rows)
    except csv.Error as error:
        if "field limit" in str(error):
            raise refusal(
                container.name,
                "damaged-file",
                f"row {builder.rows + 1} or later holds a field that is far too long",
                found=f"over {options.limits.field_characters} characters",
                allowed=f"at most {options.limits.field_characters}",
                action="Look for a quotation mark that is opened and never closed, or shorten the text",
            ) from error
        raise refusal(
            container.name,
            "damaged-file",
            f"row {builder.rows + 1} or later can't be parted into fields",
            found=str(error),
            action="Look for a quotation mark that is opened and never closed",
        ) from error
    except UnicodeError as error:
        raise _wrong_encoding(container, text.encoding, str(error)) from error
    grid = builder.finish()
    _check_quotes(container, grid, delimiter)
    cut = builder.rows - 1 if _is_cut(container, widths) else -1
    return RawSheet(container.name, "", grid, text_only=True, delimiter=delimiter, cut_row=cut)


@contextmanager
def _fields_up_to(characters: int) -> Iterator[None]:
    """Have the library refuse a longer field while it reads, before memory is spent on it."""
    before = csv.field_size_limit(characters)
    try:
        yield
    finally:
        csv.field_size_limit(before)


def _check_amount(container: Container, text: _Text, delimiter: str, limits: SizeLimits) -> None:
    """Refuse a file with far too many fields or rows before any of them is read."""
    content = container.incoming.content
    wide = text.encoding.startswith("utf-16")
    fields = content.count(delimiter.encode("utf-16-le" if wide else "ascii", "ignore") or b"\0\0\0")
    rows = max(content.count(b"\n"), content.count(b"\r"))
    bound = 1 if b'"' not in content else 2  # what stands in quotes parts no fields
    if fields > bound * limits.cells:
        raise _too_many(container, "cells", limits.cells)
    if rows > bound * limits.rows + bound:
        raise _too_many(container, "rows", limits.rows)


def _too_many(container: Container, what: str, allowed: int) -> Exception:
    return refusal(
        container.name,
        "too-large",
        f"the file has too many {what}",
        found=f"over {allowed}",
        allowed=f"at most {allowed}",
        action="Split it into several files",
    )


def _is_cut(container: Container, widths: list[int]) -> bool:
    """Whether a file ends in the middle of its last row: no line end, and fewer fields than the rows before."""
    before = [width for width in widths[:-1] if width]
    if not before or widths[-1] >= min(before):
        return False
    end = container.incoming.content[-2:]
    return b"\n" not in end and b"\r" not in end


def _check_quotes(container: Container, grid: Grid, delimiter: str) -> None:
    """Refuse a file in which one field has swallowed whole rows."""
    for column in grid.columns:
        for label in column.labels:
            if isinstance(label, str) and label.count("\n") >= SWALLOWED and delimiter in label:
                raise refusal(
                    container.name,
                    "damaged-file",
                    f"a field runs over {label.count(chr(10)) + 1} lines, delimiters and all",
                    found=repr(label[:60]),
                    action="Look for a quotation mark that is opened and never closed",
                )


def _check_width(container: Container, chunk: list[list[str]], options: ReadOptions) -> None:
    widest = max(map(len, chunk))
    if widest > options.limits.columns:
        raise refusal(
            container.name,
            "too-large",
            "a row has too many fields",
            found=f"{widest} fields",
            allowed=f"at most {options.limits.columns}",
            action="State the delimiter, or split the file",
        )


def _wrong_encoding(container: Container, encoding: str, reason: str) -> Exception:
    return refusal(
        container.name,
        "wrong-encoding",
        f"the file is not {encoding}",
        found=reason,
        allowed="utf-8, utf-16 or cp1252",
        action="Save it as UTF-8, or state another encoding",
    )


def _encoding(container: Container, options: ReadOptions) -> _Text:
    start = container.incoming.content[:4096]
    if options.encoding:
        try:
            codecs.lookup(options.encoding)
        except LookupError:
            raise refusal(
                container.name,
                "wrong-encoding",
                f"encoding {options.encoding!r} is not known",
                allowed="utf-8, utf-16, cp1252",
                action="State one of these",
            ) from None
        return _Text(options.encoding)
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _Text("utf-16")
    if start.startswith(codecs.BOM_UTF8):
        return _Text("utf-8-sig")
    if b"\0" in start:
        even, odd = start[0::2].count(0), start[1::2].count(0)
        if min(even, odd) * 20 < max(even, odd) and max(even, odd) * 4 > len(start) // 2:
            return _Text("utf-16-le" if odd > even else "utf-16-be")
    return _Text("utf-8") if _is_utf8(container) else _Text("cp1252", True)


def _is_utf8(container: Container) -> bool:
    content = container.incoming.content
    at = content.find(b"\0")
    if at >= 0:
        raise refusal(
            container.name,
            "binary-content",
            "the file holds NUL bytes: it is no text file",
            found=f"byte {at + 1}",
            allowed="text",
            action="Save the sheet again as CSV",
        )
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for start in range(0, len(content), PIECE):
            decoder.decode(content[start : start + PIECE])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _head(lines: list[str], delimiter: str) -> list[list[str]]:
    """Return the first rows; of longer ones and longer fields only so much as headings can have."""
    try:
        rows = list(islice(csv.reader(iter(lines), delimiter=delimiter), HEAD_ROWS))
        return [[field[:HEAD_CHARACTERS] for field in row[:HEAD_FIELDS]] for row in rows]
    except csv.Error:
        return []


def _delimiter(container: Container, text: _Text, score: Score) -> tuple[str, int]:
    """Return the delimiter whose first rows make most sense, and how many lines are instructions to be skipped."""
    try:
        with container.incoming.lines(text.encoding) as file:
            lines = list(_bounded_lines(file))
    except UnicodeError as error:
        raise _wrong_encoding(container, text.encoding, str(error)) from error
    first = lines[0].strip().lower() if lines else ""
    if first.startswith("sep=") and len(first) == 5:
        return lines[0].strip()[4], 1
    if first in {"sep=", "sep=\t"}:
        return "\t", 1
    scored = []
    for order, delimiter in enumerate(DELIMITERS):
        rows = _head(lines, delimiter)
        widths = [len(r) for r in rows if len(r) > 1]
        usual = max(map(widths.count, widths)) if widths else 0
        scored.append((score(rows), usual, -order, delimiter))
    return max(scored)[3], 0


def _bounded_lines(file: object) -> Iterator[str]:
    """Yield the first lines, each no longer than a row can sensibly be."""
    for _ in range(HEAD_ROWS):
        line: str = file.readline(200_000)  # type: ignore[attr-defined]
        if not line:
            return
        yield line
