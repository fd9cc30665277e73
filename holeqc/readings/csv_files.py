"""Text files in: encoding and delimiter recognised or stated, every field kept as it was typed."""

from __future__ import annotations

import codecs
import csv
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from holeqc.problems import NOTE, Problem
from holeqc.readings.collect import Collector
from holeqc.readings.containers import PIECE, Container, refusal
from holeqc.readings.grid import Grid, GridBuilder, no_collecting
from holeqc.readings.options import ReadOptions
from holeqc.readings.xlsx import RawSheet

DELIMITERS = (",", ";", "\t", "|")
NAMES = {"\t": "tab", ",": "comma", ";": "semicolon", "|": "bar"}
HEAD_ROWS, CHUNK = 60, 20_000
LAST_ROWS = 20  #: so many rows tell how many fields the last one should have
SWALLOWED = 3  #: line breaks in one field that also holds delimiters: a quotation mark was never closed
Score = Callable[[Sequence[Sequence[str]]], int]


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
    builder = GridBuilder()
    widths: list[int] = []
    try:
        with container.path.open(encoding=text.encoding, newline="") as file, no_collecting():
            rows = csv.reader(file, delimiter=delimiter)
            while chunk := list(islice(rows, CHUNK)):
                if builder.rows == 0 and skip:
                    chunk[0] = []
                if builder.rows + len(chunk) > options.limits.rows:
                    raise refusal(
                        container.name,
                        "too-large",
                        "the file has too many rows",
                        found=f"over {options.limits.rows}",
                        allowed=f"at most {options.limits.rows}",
                        action="Split it into several files",
                    )
                _check_width(container, chunk, options)
                widths = [*widths, *map(len, chunk[-LAST_ROWS:])][-LAST_ROWS:]
                builder.add(chunk)
    except csv.Error as error:
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


def _is_cut(container: Container, widths: list[int]) -> bool:
    """Whether a file ends in the middle of its last row: no line end, and fewer fields than the rows before."""
    before = [width for width in widths[:-1] if width]
    if not before or widths[-1] >= min(before):
        return False
    with container.path.open("rb") as file:
        file.seek(-min(2, container.bytes), 2)
        end = file.read()
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
    with container.path.open("rb") as file:
        start = file.read(4096)
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
    return _Text("utf-8") if _is_utf8(container.path, container.name) else _Text("cp1252", True)


def _is_utf8(path: Path, name: str) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    utf8, read = True, 0
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            at = piece.find(b"\0")
            if at >= 0:
                raise refusal(
                    name,
                    "binary-content",
                    "the file holds NUL bytes: it is no text file",
                    found=f"byte {read + at + 1}",
                    allowed="text",
                    action="Save the sheet again as CSV",
                )
            read += len(piece)
            if utf8:
                try:
                    decoder.decode(piece)
                except UnicodeDecodeError:
                    utf8 = False
    if utf8:
        try:
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            utf8 = False
    return utf8


def _head(lines: list[str], delimiter: str) -> list[list[str]]:
    try:
        return list(islice(csv.reader(iter(lines), delimiter=delimiter), HEAD_ROWS))
    except csv.Error:
        return []


def _delimiter(container: Container, text: _Text, score: Score) -> tuple[str, int]:
    """Return the delimiter whose first rows make most sense, and how many lines are instructions to be skipped."""
    try:
        with container.path.open(encoding=text.encoding, newline="") as file:
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
