"""Problems with what somebody typed: one record a problem, and the exceptions that carry them.

A problem says what is wrong, where, what was found, what is allowed and what to do. Readers collect problems and
go on, so that all of them come at once; an exception is raised only when nothing sensible can follow.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace

from holeqc.printing import visible

ERROR = "error"  #: the value can't be used; what depends on it is held
#: how a reader counts the cells that it no longer names one by one
_MORE = re.compile(r"(\d+) more of the same, from \S+ to (\S+): ")
WARNING = "warning"  #: the value is used as it stands, a person must look at it
NOTE = "note"  #: worth knowing, changes nothing


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that a person must look at.

    ``code`` is a short stable word pair for machines (``unknown-hole``), ``severity`` one of ``error``, ``warning``,
    ``note``. ``where`` is a key path for a specification (``hole[3].size.lower``); ``file``, ``sheet`` and ``cell``
    place a reading, empty until that is known. ``part``, ``serial``, ``hole`` and ``wall`` tie it to what is judged,
    empty when not known.
    ``holds`` says that what it touches can't be accepted until it is resolved.
    """

    severity: str
    code: str
    message: str
    found: str = ""
    allowed: str = ""
    action: str = ""
    file: str = ""
    sheet: str = ""
    cell: str = ""
    where: str = ""
    part: str = ""
    serial: str = ""
    hole: str = ""
    wall: str = ""
    holds: bool = False
    line: int = 0  #: line of a text file that a person edits, from 1; 0 where it has none

    @property
    def place(self) -> str:
        """Where it is, in one string: ``file, sheet, cell`` or ``file, line, key path``."""
        line = f"line {self.line}" if self.line else ""
        return ", ".join(p for p in (self.file, self.sheet, self.cell, line, self.where) if p)

    @property
    def spot(self) -> str:
        """Its cell with the sheet, ``Readings!F9``; ``F9`` in a CSV, empty where it names no cell."""
        return f"{self.sheet}!{self.cell}" if self.sheet and self.cell else self.cell

    @property
    def counted(self) -> str:
        """``92 more to J113`` where it counts further cells of which the problems before it say the same, else ''."""
        match = _MORE.match(self.message)
        return f"{match[1]} more to {match[2]}" if match else ""

    def of_cell(self, typed: str, known: Iterable[Problem], **place: str) -> Problem:
        """Return what it says of one of the cells that it counts; what was typed only where ``known`` ones say so.

        ``place``: the cell's sheet, cell, part, serial.
        """
        shown = repr(typed)
        found = shown if any(p.found == shown for p in known) else ""
        sheet, cell, part, serial = (place.get(name, "") for name in ("sheet", "cell", "part", "serial"))
        message = _MORE.sub("", self.message)
        return replace(
            self, message=message, found=found, holds=True, sheet=sheet, cell=cell, part=part, serial=serial
        )  # fmt: skip

    def at(self, **place: str) -> Problem:
        """Return what is wrong with a content as the problem of one cell: found, file, sheet, cell, part and so on."""
        return replace(self, **place)  # type: ignore[arg-type]

    @property
    def anywhere(self) -> Problem:
        """The same problem without cell, hole and wall: equal for all cells of which the same is said."""
        return replace(self, cell="", hole="", wall="")

    def sentence(self) -> str:
        """Return the problem as text for a person: place, message, found, allowed, what to do."""
        text = f"{self.place}: {self.message}" if self.place else self.message
        if self.found:
            text += f"; found {self.found}"
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        if self.action:
            text += f". {self.action}"
        return visible(text)

    def as_dict(self) -> dict[str, object]:
        """Return all fields by name, for JSON."""
        return asdict(self)


def flaw(
    code: str, message: str, allowed: str = "", action: str = "", severity: str = ERROR, holds: bool = True
) -> Problem:
    """Return what is wrong with a content, before its cell is known."""
    return Problem(severity, code, message, "", allowed, action, holds=holds)


def note(code: str, message: str, action: str = "") -> Problem:
    """Return what is worth knowing of a content and changes nothing."""
    return Problem(NOTE, code, message, action=action)


def warning(code: str, message: str, allowed: str = "", action: str = "", *, holds: bool = False) -> Problem:
    """Return what a person must look at; the content is used as it stands."""
    return Problem(WARNING, code, message, "", allowed, action, holds=holds)


def shown_path(path: str | os.PathLike[str]) -> str:
    """Return a file's name as it may be printed: bytes that aren't UTF-8 and control characters as ``\\xff``."""
    text = os.fsencode(path).decode("utf-8", "backslashreplace")
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


class HoleQCError(Exception):
    """Base of every error that holeqc raises on purpose; carries problems."""

    def __init__(self, message: str, problems: Iterable[Problem] = ()) -> None:
        super().__init__(message)
        self.problems: Sequence[Problem] = tuple(problems)


class SpecificationError(HoleQCError):
    """A kit file can't be used; ``problems`` lists every reason with its key path."""


class ReadingsError(HoleQCError):
    """A file of readings can't be read at all (missing, cut in half, too large, not a spreadsheet)."""


class TableError(HoleQCError, LookupError):
    """A size outside a published table, or a class or grade that has no entry there."""


class DataError(HoleQCError, ValueError):
    """Numbers that a calculation can't take: wrong shape, empty, limits upside down."""


class LedgerError(HoleQCError):
    """The ledger can't be opened, read or written, or refuses what was asked; nothing was recorded."""
