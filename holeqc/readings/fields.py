"""What stands above a table or below it: serial, part, date, gauge, unit, kit, in whatever form people write it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from holeqc.readings.grid import Content, Grid
from holeqc.readings.headings import IGNORED, MODIFIER, READING, Meaning, Vocabulary
from holeqc.readings.identities import Titles
from holeqc.readings.synonyms import FIELD, plain
from holeqc.specification.model import Specification

REACH = 4  #: a field's value stands at most so many columns to the right of its label

_SERIAL = re.compile(
    r"\b(?:s\s?/\s?n|ser(?:ial)?|serien-?(?:nr|nummer)|(?:n\.?[°º]|no|num[eé]ro|n[uú]mero) de s[eé]rie)\b\.?"
    r"(?:\s*(?:no|nr|number)\b\.?|\s*#)?\s*[:#]?\s*([\w][\w./-]*)",
    re.I,
)
_FURTHER = re.compile(r"\s*(?:[,;&]|\band\b)\s*([\w][\w./-]*)", re.I)  #: a serial number behind another
_NUMBERED = re.compile(r"(?=.*\d)[\w./-]+")  #: what may be a serial number behind another
_DATE = re.compile(
    r"\b(\d{4}-\d{2}-\d{2}|\d{1,2}[./]\d{1,2}[./]\d{4}|\d{1,2}\.? (?:de )?[^\W\d_]{3,10}\.?,? (?:de )?\d{4}"
    r"|[^\W\d_]{3,10}\.? \d{1,2}, \d{4})\b"
)
_UNITS = re.compile(
    r"\b(?:dimensions?|readings?|values?|units?|sizes?|ma(?:ß|ss)e|einheit(?:en)?|cotes?|mesures|unités?|cotas|medidas|"
    r"dimensiones|unidad(?:es)?)\b[^\d]*?\b(?:(?:in|en)\s+)?(mm|millimet(?:re|er)s?|inch(?:es)?|zoll|pouces?|pulgadas?)\b",
    re.I,
)


@dataclass(frozen=True, slots=True)
class Field:
    """One field: our word, its content, the cell of the content (row and column from 0), and whether from a title."""

    word: str
    content: Content
    row: int
    column: int
    unit: str = ""
    from_title: bool = False
    label: tuple[int, int] = (-1, -1)  #: cell of the label, where the content stands in another one


def find_fields(
    grid: Grid, rows: Iterable[int], vocabulary: Vocabulary, spec: Specification, *, colon_only: bool = False
) -> list[Field]:
    """Return the fields in some rows, in order. ``colon_only``: only labels that end in a colon count."""
    found: list[Field] = []
    taken: set[tuple[int, int]] = set()
    for row in rows:
        for column in range(grid.width):
            content = grid.cell(row, column)
            if (row, column) in taken or not isinstance(content, str):
                continue
            for field in _fields_of_cell(grid, row, column, content, vocabulary, colon_only):
                found.append(field)
                taken.add((field.row, field.column))
            if not any(f.row == row and f.column == column for f in found) and not colon_only:
                found.extend(_from_title(content, row, column, spec, vocabulary))
    return found


def _label(text: str, vocabulary: Vocabulary) -> Meaning | None:
    meaning = vocabulary.meaning(text.strip().rstrip(":=").strip())
    known = (meaning.kind == FIELD and not meaning.weak) or (meaning.kind == IGNORED and not meaning.word)
    return meaning if known else None


def is_label(content: Content, vocabulary: Vocabulary) -> bool:
    """Whether a cell is the label of a field: 'Serial', 'Date:', 'Gauge: BG-2'."""
    return isinstance(content, str) and (
        content.rstrip().endswith(":") or _label(content.split(":", 1)[0], vocabulary) is not None
    )


def _is_heading(content: Content, vocabulary: Vocabulary) -> bool:
    """Whether a cell is a word that stands over readings, 'x' or 'Dia': no serial number."""
    return isinstance(content, str) and content.strip().isalpha() and vocabulary.meaning(content).kind == READING


def _fields_of_cell(
    grid: Grid, row: int, column: int, text: str, vocabulary: Vocabulary, colon_only: bool
) -> Iterable[Field]:
    pieces = _pieces(text, vocabulary) if ":" in text or "=" in text else [text]
    for number, piece in enumerate(pieces):
        label, sign, rest = _parted(piece)
        meaning = _label(label, vocabulary)
        if meaning is None or (colon_only and not sign):
            continue
        if rest:
            yield Field(meaning.word or "ignore", rest, row, column, meaning.unit, label=(row, column))
            continue
        if number == len(pieces) - 1:
            yield from _beside(grid, row, column, meaning, vocabulary, bool(sign))


def _pieces(text: str, vocabulary: Vocabulary) -> list[str]:
    """Return the fields of one cell; a further serial number behind a semicolon stays with the first."""
    out: list[str] = []
    for piece in (p for p in re.split(r"\s{2,}|[;\n\t]", text) if p.strip()):
        label, _, rest = _parted(out[-1]) if out else ("", "", "")
        meaning = _label(label, vocabulary) if rest else None
        if meaning is not None and meaning.word == "serial" and _NUMBERED.fullmatch(piece.strip()):
            out[-1] += f"; {piece.strip()}"
        else:
            out.append(piece)
    return out


def _parted(piece: str) -> tuple[str, str, str]:
    for sign in (":", "="):
        label, found, rest = piece.partition(sign)
        if found:
            return label, sign, rest.strip()
    return piece, "", ""


def _beside(grid: Grid, row: int, column: int, meaning: Meaning, vocabulary: Vocabulary, sure: bool) -> Iterable[Field]:
    """Yield the field whose content stands to the right of its label, or below it."""
    for right in range(column + 1, min(column + 1 + REACH, grid.width)):
        content = grid.cell(row, right)
        if content is None:
            continue
        if not is_label(content, vocabulary) and not (meaning.word == "serial" and _is_heading(content, vocabulary)):
            yield Field(meaning.word or "ignore", content, row, right, meaning.unit, label=(row, column))
            return
        break
    below = grid.cell(row + 1, column)
    placed = isinstance(below, str) and bool(placed_by(below, vocabulary)[0])  # 'NEAR' over the next table
    if not sure and below is not None and not placed and not is_label(below, vocabulary):
        yield Field(meaning.word or "ignore", below, row + 1, column, meaning.unit, label=(row, column))


def _with_further(text: str, match: re.Match[str]) -> str:
    """Return a serial number in a title with those of the same pattern that follow it."""
    pattern = re.sub(r"\d", "0", match[1].rstrip("."))
    end = match.end()
    while (further := _FURTHER.match(text, end)) and re.sub(r"\d", "0", further[1].rstrip(".")) == pattern:
        end = further.end()
    return text[match.start(1) : end].rstrip(".")


def placed_by(text: str, vocabulary: Vocabulary) -> tuple[str, str]:
    """Return ('wall', text) or ('hole', id) for a line that says nothing but where the readings below were taken."""
    meaning = vocabulary.meaning(text.strip().rstrip(":="))
    if meaning.kind != MODIFIER or meaning.direction is not None or meaning.trial or bool(meaning.hole) == (
        meaning.wall >= 0
    ):
        return "", ""
    return ("hole", meaning.hole) if meaning.hole else ("wall", text.strip().rstrip(":="))


def _from_title(text: str, row: int, column: int, spec: Specification, vocabulary: Vocabulary) -> Iterable[Field]:
    """Yield what a free title says: serial, part, wall, day, unit, drawing, gauge."""
    if len(text) > 300:
        return
    word, what = placed_by(text, vocabulary)
    if word == "wall" or (word and not text.strip().isalnum()):
        yield Field(word, what, row, column, from_title=True)
        return
    if (match := _SERIAL.search(text)) and any(c.isdigit() for c in match[1]):
        yield Field("serial", _with_further(text, match), row, column, from_title=True)
    if match := _DATE.search(text):
        yield Field("date", match[1], row, column, from_title=True)
    if match := _UNITS.search(text):
        yield Field("unit", match[1], row, column, from_title=True)
    words = re.findall(r"[\w-]+", plain(text))
    names = [p.name for p in spec.parts if plain(p.name) in words]
    if len(names) == 1 and len(spec.parts) > 1:
        yield Field("part", names[0], row, column, from_title=True)
    for named in Titles(spec).names_in(text):
        if named.agrees is not None:
            yield Field(named.kind, named.value, row, column, from_title=True)
