"""What a report is made of, before it is a page: headings, lists, tables, pictures. HTML and PDF draw the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from holeqc.reports.drawing import Drawing

Align = Literal["left", "right", "centre"]


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading inside a section; level 2 or 3."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph; ``quiet`` for notes, ``caution`` for what keeps people safe."""

    text: str
    kind: Literal["plain", "quiet", "caution"] = "plain"


@dataclass(frozen=True, slots=True)
class Banner:
    """The verdict in large letters, with what it speaks of; ``stamp`` in its place where something else was decided."""

    verdict: int
    title: str
    detail: str = ""
    stamp: str = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """Label and value pairs, side by side."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """One reason: verdict (None for a plain point), sentence, where it was typed, what to do."""

    verdict: int | None
    text: str
    place: str = ""
    action: str = ""


@dataclass(frozen=True, slots=True)
class Findings:
    """A list of reasons or points."""

    items: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a table; a verdict gives its mark and ground, ``to`` the key of the section that it leads to."""

    text: str
    verdict: int | None = None
    to: str = ""


@dataclass(frozen=True, slots=True)
class Column:
    """A column: heading, side, and whether it may wrap to give room."""

    title: str
    align: Align = "left"
    wraps: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table; ``rule_before`` names rows that begin a group."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell | str, ...], ...]
    note: str = ""
    groups: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing with a line under it."""

    drawing: Drawing
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Signatures:
    """A sentence, and lines to sign on, each with what is signed."""

    text: str
    lines: tuple[str, ...]


Block = Heading | Paragraph | Banner | Facts | Findings | Table | Picture | Signatures


@dataclass(frozen=True, slots=True)
class Foot:
    """What stands at the foot of every page, line by line; ``cautions`` come last."""

    lines: Sequence[str]
    cautions: Sequence[str]


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the report that begins on a new page; ``head`` runs at the top of each of its pages."""

    key: str
    head: str
    blocks: tuple[Block, ...]
    verdict: int | None = None
    foot: Foot | None = None  #: where it differs from the report's


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report."""

    title: str
    sections: tuple[Section, ...]
    foot: Foot
    paper: Literal["letter", "a4"]
    language: str = "en"
    files: str = ""  #: heading over the table of files, where feet name it instead of giving digests in full


def cell_of(cell: Cell | str) -> Cell:
    """Return a cell for a cell or its text."""
    return cell if isinstance(cell, Cell) else Cell(cell)
