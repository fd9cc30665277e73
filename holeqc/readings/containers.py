"""What kind of file it is, and whether it is safe to open: looked at before any reader touches it.

Nothing in a file is ever run, and no file makes the reader fetch another one. A workbook is a zip container of XML
parts; each part is unpacked once, in pieces, and refused if it declares a document type or entities.
"""

from __future__ import annotations

import codecs
import lzma
import re
import struct
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from holeqc.door import READINGS, Incoming, take
from holeqc.printing import shortened
from holeqc.problems import ERROR, Problem, ReadingsError
from holeqc.readings.options import SizeLimits

WORKBOOK, TEXT = "workbook", "text"
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


def examine(path: str | Path, limits: SizeLimits) -> Container:
    """Return what kind of file this is.

    Raises:
        ReadingsError: missing, empty, too large, of a kind that isn't read, damaged, protected or unsafe.
    """
    came = take(path, READINGS, error=ReadingsError, most=limits.file_bytes)
    name, start = came.name, came.content[:4096]
    if not start:
        raise refusal(name, "empty-file", "the file is empty (0 bytes)", action="Save the sheet again")
    if start.startswith(b"PK"):
        return Container(name, WORKBOOK, came, _check_zip(came, limits))
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
            allowed=".xlsx, .xlsm or CSV",
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


#: what the libraries raise for a container whose bytes are damaged
DAMAGED = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, EOFError, NotImplementedError, RuntimeError, OSError,
    ValueError, IndexError, OverflowError,
)  # fmt: skip


def opened(came: Incoming) -> zipfile.ZipFile:
    """Return a zip container that came in, open for reading."""
    return zipfile.ZipFile(came.stream())


def _check_zip(came: Incoming, limits: SizeLimits) -> bool:
    """Refuse a container that is no workbook or isn't safe; return whether it carries macros."""
    name = came.name
    try:
        with opened(came) as archive:
            entries = archive.infolist()
            _check_sizes(name, entries, limits)
            names = {e.filename for e in entries}
            _check_kind(archive, name, names)
            return any(n.lower().endswith("vbaproject.bin") for n in names)
    except DAMAGED as error:
        raise refusal(
            name,
            "damaged-file",
            "the workbook can't be opened: the file is damaged or cut off",
            found=str(error),
            action="Copy it again from where it came, or open it in a spreadsheet program and save it anew",
        ) from error


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
        with archive.open("mimetype") as part:
            kind = part.read(100).decode("ascii", "replace")
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
    for entry in sorted(names):
        if entry.lower().endswith(_XML_ENDINGS):
            check_xml_start(archive, name, entry)
    if "xl/workbook.xml" in names:
        with archive.open("xl/workbook.xml") as part:
            if b"purl.oclc.org/ooxml" in part.read(4000):
                raise refusal(
                    name,
                    "other-format",
                    "this is a workbook of the kind 'Strict Open XML'",
                    action=_SAVE_AS,
                    allowed="an ordinary Excel workbook (.xlsx)",
                )


def check_xml_start(archive: zipfile.ZipFile, name: str, entry: str) -> None:
    """Refuse an XML part that is not plain UTF-8 text: scanning for declarations would miss them."""
    with archive.open(entry) as part:
        start = part.read(400)
    body = start.removeprefix(codecs.BOM_UTF8)
    declared = _ENCODING.match(body)
    encoding = declared[1].decode("ascii").lower() if declared else "utf-8"
    if body and (not body.lstrip().startswith(b"<") or b"\0" in body or encoding not in _XML_ENCODINGS):
        raise refusal(
            name,
            "unsafe-xml",
            f"part {entry} is not written in UTF-8",
            found=f"encoding {encoding}, first bytes {start[:8]!r}",
            allowed="UTF-8",
            action="Open it in a spreadsheet program and save it anew",
        )


def pieces(archive: zipfile.ZipFile, name: str, entry: str) -> Iterator[bytes]:
    """Yield an XML part in pieces.

    Raises:
        ReadingsError: the part declares a document type or an entity.
    """
    tail = b""
    with archive.open(entry) as part:
        while piece := part.read(PIECE):
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
