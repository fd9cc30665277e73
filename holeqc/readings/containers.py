"""What kind of file it is, and whether it is safe to open: looked at before any reader touches it.

Nothing in a file is ever run, and no file makes the reader fetch another one. A workbook is a zip container of XML
parts; each part is unpacked once, in pieces, and refused if it declares a document type or entities."""

from __future__ import annotations

import codecs
import datetime as dt
import gc
import lzma
import re
import struct
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holeqc.door import READINGS, Incoming, take
from holeqc.printing import shortened
from holeqc.problems import ERROR, DataError, Problem, ReadingsError
from holeqc.quantities import BoolArray, FloatArray, IntArray
from holeqc.tables import numbered

# What a person may say about files of readings, and how large a file may be before it is refused.


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


# A sheet held column by column: numbers as an array, everything else as a code and a list of distinct contents.
#
# A sheet of readings repeats itself: serial numbers, holes, walls and words recur in thousands of rows. So a cell's
# content is looked at once for each distinct content, and rows are handled as arrays.


CodeArray = NDArray[np.int32]
Content = str | float | dt.datetime | dt.date | dt.time | dt.timedelta | None

BLANK = -1
#: an integer from here on isn't kept exactly by a floating point number
EXACT_INTEGERS = 2.0**53


class Uncalculated(str):
    """Text that stands for a formula which no program has calculated yet."""

    __slots__ = ()


UNCALCULATED = Uncalculated("formula without a stored result")


@dataclass(slots=True)
class GridColumn:
    """One column: ``numbers`` (n,) NaN where it is not a number; ``codes`` (n,) into ``labels``, -1 where none."""

    numbers: FloatArray | None
    codes: CodeArray | None
    labels: list[Content]

    def filled(self, size: int) -> BoolArray:
        """Return where the column has any content (n,)."""
        if self.numbers is None and self.codes is not None:
            return np.asarray(self.codes >= 0, dtype=np.bool_)
        out = np.zeros(size, dtype=np.bool_)
        if self.numbers is not None:
            out |= ~np.isnan(self.numbers)
        if self.codes is not None:
            out |= self.codes >= 0
        return out

    def content(self, row: int) -> Content:
        """Return the content of one cell, row from 0; None for a blank one."""
        if self.codes is not None and self.codes[row] >= 0:
            return self.labels[int(self.codes[row])]
        if self.numbers is not None and not np.isnan(self.numbers[row]):
            return float(self.numbers[row])
        return None

    def as_labels(self, rows: IntArray) -> tuple[CodeArray, list[Content]]:
        """Return numbers and texts of some rows as codes into one list of distinct contents, -1 where blank."""
        codes = np.full(rows.size, BLANK, dtype=np.int32)
        labels: list[Content] = list(self.labels)
        if self.codes is not None:
            codes = self.codes[rows]
        if self.numbers is not None:
            number_codes, first = numbered(self.numbers[rows])
            known = number_codes >= 0
            codes[known] = number_codes[known] + len(labels)
            labels.extend(self.numbers[rows[first]].tolist())
        return codes, labels

    def used(self, rows: IntArray) -> list[int]:
        """Return the codes of texts that stand in some rows, in order."""
        if self.codes is None:
            return []
        there = np.zeros(len(self.labels) + 1, dtype=np.bool_)
        there[self.codes[rows]] = True
        return np.flatnonzero(there[:-1]).tolist()

    def put(self, row: int, content: Content, size: int) -> None:
        """Place a text in a blank cell."""
        if self.codes is None:
            self.codes = np.full(size, BLANK, dtype=np.int32)
        if content not in self.labels:
            self.labels.append(content)
        self.codes[row] = self.labels.index(content)


@dataclass(slots=True)
class Grid:
    """All cells of a sheet; rows and columns count from 0 here, from 1 in what a person reads."""

    rows: int
    columns: list[GridColumn]

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.columns)

    def cell(self, row: int, column: int) -> Content:
        """Return a cell's content, None for a blank cell or one outside the sheet."""
        if not (0 <= column < self.width and 0 <= row < self.rows):
            return None
        return self.columns[column].content(row)

    def row(self, row: int) -> list[Content]:
        """Return a row's contents."""
        return [column.content(row) for column in self.columns]

    def filled_rows(self) -> BoolArray:
        """Return which rows have any content (rows,)."""
        out = np.zeros(self.rows, dtype=np.bool_)
        for column in self.columns:
            out |= column.filled(self.rows)
        return out


@dataclass(slots=True)
class _Growing:
    """A column while rows still come in: chunks with the row at which each starts."""

    numbers: list[tuple[int, FloatArray]] = field(default_factory=list)
    codes: list[tuple[int, CodeArray]] = field(default_factory=list)
    index: _Index = field(default_factory=lambda: _Index())


class _Index(dict[Any, int]):
    """Content of a cell -> its number among the distinct contents of a column, -1 where it is blank."""

    def __init__(self) -> None:
        super().__init__()
        self.labels: list[Content] = []

    def numbers(self, texts: Sequence[str]) -> list[int] | range:
        """Return the numbers of texts, each of which stands there once."""
        new = [text for text in texts if text not in self and text.strip()]
        there = range(len(self.labels), len(self.labels) + len(new))
        self.update(zip(new, there, strict=True))
        self.labels += new
        return there if len(new) == len(texts) else [self[text] for text in texts]

    def __missing__(self, content: Content) -> int:
        blank = content is None or (isinstance(content, str) and not content.strip())
        number = self[content] = BLANK if blank else len(self.labels)
        if not blank:
            self.labels.append(content)
        return number


class GridBuilder:
    """Takes rows in chunks, keeps only arrays."""

    def __init__(self) -> None:
        self._columns: list[_Growing] = []
        self.rows = 0

    def add(self, rows: Sequence[Sequence[object]], *, texts: bool = False) -> None:
        """Add the next rows; a cell is None, str, int, float, bool or one of the date and time types.

        ``texts``: all are str.
        """
        even = len(set(map(len, rows))) == 1
        columns = zip(*rows, strict=True) if even else zip_longest(*rows)
        for number, cells in enumerate(columns):
            if number == len(self._columns):
                self._columns.append(_Growing())
            if texts:
                self._add_texts(self._columns[number], cells)
                continue
            kinds = set(map(type, cells))
            kinds.discard(type(None))
            if not kinds:
                continue
            growing = self._columns[number]
            if kinds <= {float, int} and self._add_numbers(growing, cells, int in kinds):
                continue
            if kinds == {str}:
                self._add_texts(growing, cells)
            else:
                self._add_mixed(growing, cells)
        self.rows += len(rows)

    def _add_numbers(self, growing: _Growing, cells: Sequence[object], integers: bool) -> bool:
        try:
            numbers = np.array(cells, dtype=np.float64)
        except (OverflowError, TypeError, ValueError):
            return False
        if integers and bool(np.any(np.abs(numbers) >= EXACT_INTEGERS)):
            return False
        growing.numbers.append((self.rows, numbers))
        return True

    def _add_texts(self, growing: _Growing, cells: Sequence[object]) -> None:
        codes = np.fromiter(map(growing.index.__getitem__, cells), np.int32, len(cells))
        growing.codes.append((self.rows, codes))

    def _add_mixed(self, growing: _Growing, cells: Sequence[object]) -> None:
        """Part numbers from the rest; truth values and integers too long for a float become text."""
        numbers = [c if type(c) is float or (type(c) is int and abs(c) < EXACT_INTEGERS) else None for c in cells]
        rest = [None if n is not None or c is None else _as_content(c) for c, n in zip(cells, numbers, strict=True)]
        growing.numbers.append((self.rows, np.array(numbers, dtype=np.float64)))
        self._add_texts(growing, rest)

    def add_coded(self, columns: Sequence[tuple[IntArray, Sequence[str]]], rows: int) -> None:
        """Add the next rows, of each column codes (rows,) into its texts, -1 where there is none."""
        self._columns += [_Growing() for _ in range(len(columns) - len(self._columns))]
        for growing, (codes, texts) in zip(self._columns, columns, strict=False):
            known = np.append(np.array(growing.index.numbers(texts), dtype=np.int32), np.int32(BLANK))
            growing.codes.append((self.rows, known[codes]))
        self.rows += rows

    @property
    def distinct(self) -> int:
        """Number of different texts so far, counted column by column."""
        return sum(len(column.index.labels) for column in self._columns)

    def finish(self) -> Grid:
        """Return everything added so far as a grid."""
        columns = []
        for growing in self._columns:
            numbers: FloatArray | None = None
            codes: CodeArray | None = None
            if growing.numbers:
                numbers = np.full(self.rows, np.nan)
                for start, chunk in growing.numbers:
                    numbers[start : start + chunk.size] = chunk
                if np.isnan(numbers).all():
                    numbers = None
            if growing.codes:
                codes = np.full(self.rows, BLANK, dtype=np.int32)
                for start, code_chunk in growing.codes:
                    codes[start : start + code_chunk.size] = code_chunk
                growing.codes.clear()
            columns.append(GridColumn(numbers, codes, growing.index.labels))
        while columns and columns[-1].numbers is None and columns[-1].codes is None:
            columns.pop()
        return Grid(self.rows, columns)


def _as_content(cell: object) -> Content:
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, str | dt.datetime | dt.date | dt.time | dt.timedelta):
        return cell
    return str(cell)


@contextmanager
def no_collecting() -> Iterator[None]:
    """Pause the search for reference cycles: cells hold none, and looking at them all again costs time."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


WORKBOOK, TEXT, DOCUMENT = "workbook", "text", "document"
_DOCUMENT = re.compile(rb"\A[\xef\xbb\xbf\xff\xfe\s]*<.*?<?(?:[A-Za-z_][\w.-]*:)?QIFDocument[\s/>]", re.DOTALL)
PIECE = 1 << 20
_OLE = bytes.fromhex("D0CF11E0A1B11AE1")
_ENCRYPTED = "EncryptedPackage".encode("utf-16-le")
_XML_ENDINGS = (".xml", ".rels", ".vml")
_ENCODING = re.compile(rb"^\s{0,16}<\?xml[^>]{0,300}?encoding\s*=\s*[\"']([A-Za-z0-9._-]+)[\"']")
_XML_ENCODINGS = {"utf-8", "utf8", "us-ascii", "ascii", "iso-8859-1", "windows-1252"}
_LARGE = ("xl/worksheets/", "xl/sharedstrings.xml")  #: parts that grow with the readings
_SAVE_AS = "Open it in the program that made it and save it as an Excel workbook (.xlsx) or as CSV"


@dataclass(frozen=True, slots=True)
class Container:
    """A file that may be read, as it came in: the name to show, its kind, its bytes and their SHA-256."""

    name: str
    kind: str
    incoming: Incoming
    macros: bool = False

    @property
    def sha256(self) -> str:
        """SHA-256 of the bytes that are read."""
        return self.incoming.sha256

    @property
    def bytes(self) -> int:
        """Number of bytes."""
        return self.incoming.size


def refusal(
    name: str, code: str, message: str, *, found: str = "", allowed: str = "", action: str = "", sheet: str = "",
    cell: str = "",
) -> ReadingsError:  # fmt: skip
    """Return the error for a file that can't be read, with its one problem inside."""
    problem = Problem(
        ERROR, code, message, found=found, allowed=allowed, action=action, file=name, sheet=sheet, cell=cell, holds=True
    )
    return ReadingsError(problem.sentence(), [problem])


def examine(path: str | Path | Incoming, limits: SizeLimits) -> Container:
    """Return what kind of file this is; one that came in already isn't read again.

    Raises:
        ReadingsError: missing, empty, too large, of a kind that isn't read, damaged, protected or unsafe.
    """
    came = path if isinstance(path, Incoming) else take(path, READINGS, error=ReadingsError, most=limits.file_bytes)
    name, start = came.name, came.content[:4096]
    if not start:
        raise refusal(name, "empty-file", "the file is empty (0 bytes)", action="Save the sheet again")
    if start.startswith(b"PK"):
        return Container(name, WORKBOOK, came, _check_zip(came, limits))
    if _DOCUMENT.search(came.content[:20_000].replace(b"\0", b"")):
        return Container(name, DOCUMENT, came)
    _refuse_other_kinds(came, start)
    return Container(name, TEXT, came)


def _refuse_other_kinds(came: Incoming, start: bytes) -> None:
    name = came.name
    if start.startswith(_OLE):
        if _ENCRYPTED in came.content:
            raise refusal(
                name,
                "protected-file",
                "the workbook is encrypted with a password",
                found="an encrypted package",
                allowed="a workbook without a password to open it",
                action="Remove the password and save it again",
            )
        raise refusal(
            name,
            "old-format",
            "this is a workbook of the old binary kind (.xls)",
            action=_SAVE_AS,
            allowed=".xlsx, .xlsm or CSV",
        )
    head = start.removeprefix(codecs.BOM_UTF8).lstrip()[:300].lower()
    if head.startswith((b"<!doctype", b"<html", b"<?xml", b"<table")):
        raise refusal(
            name,
            "other-format",
            "this is a web page or an XML document, not a sheet",
            action=_SAVE_AS,
            allowed=".xlsx, .xlsm, CSV, or a document of QIF 3.0 results",
        )
    kinds = {
        b"%PDF": "a PDF",
        b"\x89PNG": "a picture",
        b"\xff\xd8\xff": "a picture",
        b"Rar!": "an archive",
        b"7z\xbc\xaf": "an archive",
        b"\x1f\x8b": "an archive",
        b"GIF8": "a picture",
        b"SQLite f": "a database",
    }
    for mark, kind in kinds.items():
        if start.startswith(mark):
            raise refusal(
                name, "other-format", f"this is {kind}, not a sheet", allowed=".xlsx, .xlsm or CSV", action=_SAVE_AS
            )


def inside(name: str, found: str) -> ReadingsError:
    """Return the error for a workbook that is damaged inside."""
    return refusal(name, "damaged-file", "the workbook is damaged inside", found=found,
                   action="Open it in a spreadsheet program, check it and save it anew")  # fmt: skip


@contextmanager
def _unpacking(name: str) -> Iterator[None]:
    """Name as damage what the library of containers raises, for damaged bytes or a part that isn't there.

    Only calls of the library stand within: what our own lines raise is a fault of ours and no damage.
    """
    try:
        yield
    except (
        zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, EOFError, NotImplementedError, RuntimeError,
        OSError, ValueError, LookupError, OverflowError,
    ) as error:  # fmt: skip
        raise inside(name, f"{type(error).__name__}: {shortened(str(error), 200)}") from error


def opened(came: Incoming) -> zipfile.ZipFile:
    """Return a zip container that came in, open for reading.

    Raises:
        ReadingsError: it is damaged or cut off.
    """
    try:
        with _unpacking(came.name):
            return zipfile.ZipFile(came.stream())
    except ReadingsError as error:
        raise refusal(
            came.name,
            "damaged-file",
            "the workbook can't be opened: the file is damaged or cut off",
            found=str(error.__cause__),
            action="Copy it again from where it came, or open it in a spreadsheet program and save it anew",
        ) from error


def _start_of(archive: zipfile.ZipFile, name: str, entry: str, count: int) -> bytes:
    with _unpacking(name), archive.open(entry) as part:
        return part.read(count)


def _check_zip(came: Incoming, limits: SizeLimits) -> bool:
    """Refuse a container that is no workbook or isn't safe; return whether it carries macros."""
    with opened(came) as archive:
        entries = archive.infolist()
        _check_sizes(came.name, entries, limits)
        names = {e.filename for e in entries}
        _check_kind(archive, came.name, names)
        return any(n.lower().endswith("vbaproject.bin") for n in names)


def _check_sizes(name: str, entries: list[zipfile.ZipInfo], limits: SizeLimits) -> None:
    if len(entries) > limits.entries:
        raise refusal(
            name,
            "too-large",
            "the container has too many parts",
            found=f"{len(entries)} parts",
            allowed=f"at most {limits.entries}",
            action=_SAVE_AS,
        )
    names = Counter(e.filename.casefold() for e in entries)
    if twice := [name_ for name_, count in names.items() if count > 1]:
        raise refusal(
            name,
            "damaged-file",
            "a part of the workbook stands in it twice",
            found=shortened(twice[0]),
            action="One of both would be read and the other not. Open it in a spreadsheet program and save it anew",
        )
    unpacked = sum(e.file_size for e in entries)
    if unpacked > limits.unpacked_bytes:
        raise refusal(
            name,
            "too-large",
            "the workbook unpacks to too much",
            found=f"{unpacked} bytes",
            allowed=f"at most {limits.unpacked_bytes} bytes",
            action="Split it into several files",
        )
    for entry in entries:
        part = entry.filename.casefold()
        if part.endswith(_XML_ENDINGS) and not part.startswith(_LARGE) and entry.file_size > limits.part_bytes:
            raise refusal(
                name,
                "too-large",
                f"part {shortened(entry.filename)} is far larger than a sheet of readings needs",
                found=f"{entry.file_size} bytes",
                allowed=f"at most {limits.part_bytes} bytes",
                action=_SAVE_AS,
            )
        ratio = entry.file_size / max(entry.compress_size, 1)
        if entry.file_size > PIECE and ratio > limits.zip_ratio:
            raise refusal(
                name,
                "zip-ratio",
                f"part {shortened(entry.filename)} unpacks to far more than a sheet of readings would",
                found=f"ratio {ratio:.0f}",
                allowed=f"at most {limits.zip_ratio:.0f}",
                action="Don't open this file unless you know who made it; a copy saved anew may be read",
            )
        if entry.flag_bits & 0x1:
            raise refusal(
                name,
                "protected-file",
                f"part {shortened(entry.filename)} is locked with a password",
                action="Remove the password and save it again",
            )


def _check_kind(archive: zipfile.ZipFile, name: str, names: set[str]) -> None:
    if "mimetype" in names:
        kind = _start_of(archive, name, "mimetype", 100).decode("ascii", "replace")
        if "opendocument" in kind:
            raise refusal(
                name,
                "other-format",
                "this is an OpenDocument file (.ods)",
                found=kind.strip(),
                allowed=".xlsx, .xlsm or CSV",
                action=_SAVE_AS,
            )
    if "xl/workbook.bin" in names:
        raise refusal(
            name, "other-format", "this is a binary workbook (.xlsb)", action=_SAVE_AS, allowed=".xlsx, .xlsm or CSV"
        )
    if "[Content_Types].xml" not in names or not any(n.startswith("xl/") for n in names):
        raise refusal(
            name,
            "other-format",
            "this is a zip container, but no workbook in it",
            action=_SAVE_AS,
            allowed=".xlsx, .xlsm or CSV",
        )
    if "xl/workbook.xml" in names and b"purl.oclc.org/ooxml" in _start_of(archive, name, "xl/workbook.xml", 4000):
        raise refusal(
            name,
            "other-format",
            "this is a workbook of the kind 'Strict Open XML'",
            action=_SAVE_AS,
            allowed="an ordinary Excel workbook (.xlsx)",
        )


def _check_xml_start(name: str, entry: str, start: bytes) -> None:
    """Refuse an XML part that is not plain UTF-8 text: scanning for declarations would miss them."""
    body = start.removeprefix(codecs.BOM_UTF8)
    declared = _ENCODING.match(body)
    encoding = declared[1].decode("ascii").lower() if declared else "utf-8"
    if body and (not body.lstrip().startswith(b"<") or b"\0" in body or encoding not in _XML_ENCODINGS):
        raise refusal(
            name,
            "unsafe-xml",
            f"part {shortened(entry)} is not written in UTF-8",
            found=f"encoding {encoding}, first bytes {start[:8]!r}",
            allowed="UTF-8",
            action="Open it in a spreadsheet program and save it anew",
        )


def pieces(archive: zipfile.ZipFile, name: str, entry: str) -> Iterator[bytes]:
    """Yield an XML part in pieces.

    Raises:
        ReadingsError: the part isn't there, is damaged, isn't in UTF-8, or declares a document type or an entity.
    """
    tail = b""
    with _unpacking(name):
        part = archive.open(entry)
    with part:
        while True:
            with _unpacking(name):
                piece = part.read(PIECE)
            if not piece:
                return
            if not tail:
                _check_xml_start(name, entry, piece[:400])
            text = tail + piece if b"<" in tail else piece
            if b"<!" in text and (b"<!DOCTYPE" in text or b"<!ENTITY" in text):
                raise refusal(
                    name,
                    "unsafe-xml",
                    f"part {shortened(entry)} declares a document type or an entity; workbooks never do",
                    allowed="XML without DOCTYPE and ENTITY",
                    action="Don't open this file unless you know who made it; a copy saved anew may be read",
                )
            yield piece
            tail = piece[-16:]


def check_parts(archive: zipfile.ZipFile, name: str, but: set[str], limits: SizeLimits) -> None:
    """Look through every XML part except those in ``but``, which the caller looks through itself.

    Raises:
        ReadingsError: a document type or an entity, or more elements than a library could take in sensible time.
    """
    for entry in archive.namelist():
        if entry in but or not entry.lower().endswith(_XML_ENDINGS):
            continue
        count = 0
        for piece in pieces(archive, name, entry):
            count += piece.count(b"<")
            if count > limits.elements // (1 if entry.casefold().startswith(_LARGE) else 10):
                raise refusal(
                    name,
                    "too-large",
                    f"part {shortened(entry)} holds far more than a sheet of readings needs",
                    found=f"over {count} beginnings and ends of elements",
                    action=_SAVE_AS,
                )


def check_cells(archive: zipfile.ZipFile, name: str, entry: str, limits: SizeLimits) -> None:
    """Refuse a sheet with far too many cells before any of them is read.

    Raises:
        ReadingsError: more cells than allowed.
    """
    if archive.getinfo(entry).file_size < _LONG_SHEET:
        return
    count = 0
    for piece in pieces(archive, name, entry):
        count += piece.count(b"<c ") + piece.count(b":c ")
        if count > limits.cells:
            raise refusal(
                name,
                "too-large",
                "the sheet has too many cells",
                found=f"over {limits.cells}",
                allowed=f"at most {limits.cells}",
                action="Split it, or delete what lies outside the table",
            )


_LONG_SHEET = 100_000_000  #: bytes; below it the reading itself counts soon enough
