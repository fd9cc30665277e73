"""What kind of file it is, and whether it is safe to open: looked at before any reader touches it.

Nothing in a file is ever run, and no file makes the reader fetch another one. A workbook is a zip container of XML
parts; each part is unpacked once, in pieces, and refused if it declares a document type or entities.
"""

from __future__ import annotations

import codecs
import hashlib
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from holeqc.problems import ERROR, Problem, ReadingsError
from holeqc.readings.options import SizeLimits

WORKBOOK, TEXT = "workbook", "text"
PIECE = 1 << 20
_OLE = bytes.fromhex("D0CF11E0A1B11AE1")
_ENCRYPTED = "EncryptedPackage".encode("utf-16-le")
_XML_ENDINGS = (".xml", ".rels", ".vml")
_ENCODING = re.compile(rb"^\s*<\?xml[^>]*?encoding\s*=\s*[\"']([A-Za-z0-9._-]+)[\"']")
_XML_ENCODINGS = {"utf-8", "utf8", "us-ascii", "ascii", "iso-8859-1", "windows-1252"}
_SAVE_AS = "Open it in the program that made it and save it as an Excel workbook (.xlsx) or as CSV"


@dataclass(frozen=True, slots=True)
class Container:
    """A file that may be read: its path, the name to show, its kind, SHA-256 and size."""

    path: Path
    name: str
    kind: str
    sha256: str
    bytes: int
    macros: bool = False


def refusal(
    name: str, code: str, message: str, *, found: str = "", allowed: str = "", action: str = "", sheet: str = ""
) -> ReadingsError:
    """Return the error for a file that can't be read, with its one problem inside."""
    problem = Problem(
        ERROR, code, message, found=found, allowed=allowed, action=action, file=name, sheet=sheet, holds=True
    )
    return ReadingsError(problem.sentence(), [problem])


def examine(path: str | Path, limits: SizeLimits) -> Container:
    """Return what kind of file this is.

    Raises:
        ReadingsError: missing, empty, too large, of a kind that isn't read, damaged, protected or unsafe.
    """
    place, name = Path(path), str(path)
    if not place.exists():
        raise refusal(name, "no-file", "there is no such file", action="Check the name and the folder")
    if not place.is_file():
        raise refusal(name, "no-file", "this is not a file", action="Name the files in the folder one by one")
    try:
        size = place.stat().st_size
        if size == 0:
            raise refusal(name, "empty-file", "the file is empty (0 bytes)", action="Save the sheet again")
        if size > limits.file_bytes:
            raise refusal(
                name,
                "too-large",
                "the file is too large",
                found=f"{size} bytes",
                allowed=f"at most {limits.file_bytes} bytes",
                action="Split it into several files",
            )
        digest, start = _digest(place)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise refusal(name, "no-access", f"the file can't be opened: {reason}", action="Check its rights") from error
    if start.startswith(b"PK"):
        macros = _check_zip(place, name, limits)
        return Container(place, name, WORKBOOK, digest, size, macros)
    _refuse_other_kinds(place, name, start)
    return Container(place, name, TEXT, digest, size)


def _digest(path: Path) -> tuple[str, bytes]:
    sha = hashlib.sha256()
    start = b""
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            start = start or piece[:4096]
            sha.update(piece)
    return sha.hexdigest(), start


def _refuse_other_kinds(path: Path, name: str, start: bytes) -> None:
    if start.startswith(_OLE):
        if _ENCRYPTED in path.read_bytes():
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


def _check_zip(path: Path, name: str, limits: SizeLimits) -> bool:
    """Refuse a container that is no workbook or isn't safe; return whether it carries macros."""
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            _check_sizes(name, entries, limits)
            names = {e.filename for e in entries}
            _check_kind(archive, name, names)
            return any(n.lower().endswith("vbaproject.bin") for n in names)
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, OSError, ValueError) as error:
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
        ratio = entry.file_size / max(entry.compress_size, 1)
        if entry.file_size > PIECE and ratio > limits.zip_ratio:
            raise refusal(
                name,
                "zip-ratio",
                f"part {entry.filename} unpacks to far more than a sheet of readings would",
                found=f"ratio {ratio:.0f}",
                allowed=f"at most {limits.zip_ratio:.0f}",
                action="Don't open this file unless you know who made it; a copy saved anew may be read",
            )
        if entry.flag_bits & 0x1:
            raise refusal(
                name,
                "protected-file",
                f"part {entry.filename} is locked with a password",
                action="Remove the password and save it again",
            )


def _check_kind(archive: zipfile.ZipFile, name: str, names: set[str]) -> None:
    if "mimetype" in names:
        kind = archive.read("mimetype")[:100].decode("ascii", "replace")
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
    if "xl/workbook.xml" in names and b"purl.oclc.org/ooxml" in archive.read("xl/workbook.xml")[:4000]:
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


def pieces(archive: zipfile.ZipFile, name: str, entry: str, keep: int = 4096) -> Iterator[bytes]:
    """Yield an XML part in pieces, each beginning with the last ``keep`` bytes of the one before.

    Raises:
        ReadingsError: the part declares a document type or an entity.
    """
    tail = b""
    with archive.open(entry) as part:
        while piece := part.read(PIECE):
            text = tail + piece
            if b"<!" in text and (b"<!DOCTYPE" in text or b"<!ENTITY" in text):
                raise refusal(
                    name,
                    "unsafe-xml",
                    f"part {entry} declares a document type or an entity; workbooks never do",
                    allowed="XML without DOCTYPE and ENTITY",
                    action="Don't open this file unless you know who made it; a copy saved anew may be read",
                )
            yield text
            tail = text[-keep:]


def check_parts(archive: zipfile.ZipFile, name: str, but: set[str]) -> None:
    """Look through every XML part except those in ``but``, which the caller looks through itself."""
    for entry in archive.namelist():
        if entry not in but and entry.lower().endswith(_XML_ENDINGS):
            for _ in pieces(archive, name, entry):
                pass
