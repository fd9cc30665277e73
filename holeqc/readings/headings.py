"""What a heading says: which of our words, and with which wall, direction, trial, hole and unit."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from holeqc.quantities import parse_unit
from holeqc.readings.synonyms import (
    ASK,
    AXIS,
    CHARACTERISTIC,
    DEGREES,
    DIRECTION,
    FIELD,
    FILLER,
    IGNORE,
    TRIAL,
    WALL,
    WEAK_HOLE,
    Mark,
    plain,
    standard_table,
    tokens,
)
from holeqc.readings.table import CHARACTERISTICS
from holeqc.specification.model import Specification

READING, MODIFIER, IGNORED, UNKNOWN = "reading", "modifier", "ignored", "unknown"
MOST_TRIALS = 12  #: a larger number behind a characteristic is no count of repeats
USUAL_DIRECTIONS = (0.0, 30.0, 45.0, 60.0, 90.0, 120.0, 135.0, 150.0)

_BRACKETED_UNIT = re.compile(
    r"[\[(]\s*(in|inch|inches|in\.|mm|millimet(?:re|er)s?|\"|″|''|°?\s*[cf]|deg\.?\s*[cf])\s*[\])]"
)
_TRAILING_UNIT = re.compile(
    r"(?<=\S)[\s,/]{1,8}(?:in\s{1,8})?(in\.?|inch|inches|mm|millimet(?:re|er)s?)\s{0,8}$|(?<=\S)\s{0,8}(\"|″)\s{0,8}$"
)
_TEMPERATURE_UNIT = re.compile(r"(?:°|\bdeg\.?)\s*([cf])\b")
_NUMBER = re.compile(r"^\d")
_PATH = re.compile(r"\.*[/\\]|\.\.")  #: how no heading begins: '../x' is no x


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a heading says.

    ``kind`` is field, reading, modifier (only wall, direction, trial or hole), ignored or unknown. ``word`` is the
    field or the characteristic ('' for a reading whose characteristic stands elsewhere). ``wall`` is a place in the
    kit's walls, -1 where not said; ``unit`` is in, mm, C or F; ``ask`` what a word column asks; ``weak`` marks a
    heading that is a hole number only if nothing better is there.
    """

    kind: str
    word: str = ""
    wall: int = -1
    direction: float | None = None
    trial: int = 0
    hole: str = ""
    unit: str = ""
    ask: str = ""
    weak: bool = False

    @property
    def is_reading(self) -> bool:
        """Whether the column holds readings."""
        return self.kind == READING

    @property
    def is_known(self) -> bool:
        """Whether anything in the heading was understood."""
        return self.kind != UNKNOWN


@dataclass(slots=True)
class _Found:
    """Marks of one heading while it is put together."""

    fields: list[str]
    characteristics: list[str]
    asks: list[str]
    wall: int = -1
    direction: float | None = None
    trial: int = 0
    hole: str = ""
    ignored: bool = False
    weak: bool = False
    broken: bool = False


class Vocabulary:
    """The table of synonyms with what a kit adds: its headings, its walls, its holes."""

    def __init__(self, spec: Specification) -> None:
        self._directions = spec.plan.directions or (0.0, 90.0)
        self._table = standard_table()
        self.walls = spec.walls.names
        self._holes = {h.casefold(): h for h in spec.hole_ids}
        for part in spec.parts:
            # a part may be called what others write over the column of parts: then the word names the part
            if tokens(part.name) != ("part",) and self._table.get(tokens(part.name)) == Mark(FIELD, "part"):
                del self._table[tokens(part.name)]
        for place, name in enumerate(self.walls):
            if tokens(name):
                self._table[tokens(name)] = Mark(WALL, place)
        for hole in spec.hole_ids:
            if tokens(hole) and not _NUMBER.match(hole):
                self._table[tokens(hole)] = Mark("hole", hole)
        self._own = {plain(heading): word for heading, word in spec.headings.items()}
        for heading, word in spec.headings.items():
            if mark := _own_mark(word, self._table):
                self._table[tokens(heading)] = mark
        self._longest = max(map(len, self._table))
        self._memory: dict[str, Meaning] = {}

    def meaning(self, text: object) -> Meaning:
        """Return what a heading says; unknown for anything that isn't understood to its last word."""
        if isinstance(text, float) and text.is_integer():
            text = f"{text:.0f}"
        if not isinstance(text, str):
            return Meaning(UNKNOWN)
        found = self._memory.get(text)
        if found is None:
            found = self._memory[text] = self._understand(text)
        return found

    def _understand(self, text: str) -> Meaning:
        rest = plain(text)
        if not rest or len(rest) > 120 or _PATH.match(rest):
            return Meaning(UNKNOWN)
        if rest in self._own:
            return _from_word(self._own[rest])
        unit = ""
        for pattern in (_BRACKETED_UNIT, _TEMPERATURE_UNIT, _TRAILING_UNIT):
            if match := pattern.search(rest):
                unit = _unit(next(g for g in match.groups() if g))
                rest = f"{rest[: match.start()]} {rest[match.end() :]}".strip(" ,:;")
                break
        if rest in self._own:
            return replace(_from_word(self._own[rest]), unit=unit)
        if not rest and unit:
            return Meaning(MODIFIER, unit=unit)
        return self._put_together(tokens(rest), unit)

    def _put_together(self, words: tuple[str, ...], unit: str) -> Meaning:
        if not words:
            return Meaning(UNKNOWN)
        found = _Found([], [], [])
        before: Mark | None = None
        at = 0
        while at < len(words):
            if _NUMBER.match(words[at]):
                degrees = at + 1 < len(words) and self._table.get((words[at + 1],), Mark("")).kind == DEGREES
                self._number(found, words[at], before, degrees)
                at += 2 if degrees else 1
                continue
            for length in range(min(self._longest, len(words) - at), 0, -1):
                mark = self._table.get(words[at : at + length])
                if mark is not None:
                    break
            else:
                if words[at] != "h" or not (at + 1 < len(words) and _NUMBER.match(words[at + 1])):
                    return Meaning(UNKNOWN)
                mark, length = Mark(FIELD, "hole"), 1
            number_next = at + length < len(words) and bool(_NUMBER.match(words[at + length]))
            self._mark(found, mark, number_next)
            before, at = mark, at + length
        return self._meaning_of(found, unit)

    def _number(self, found: _Found, text: str, before: Mark | None, degrees: bool) -> None:
        value = float(text.replace(",", "."))
        whole = value.is_integer()
        if degrees or (before and (before.kind, before.value) == (FIELD, "direction")):
            found.direction = value
        elif before and (
            (before.kind, before.value) == (FIELD, "hole") or (before.kind == WEAK_HOLE and not found.fields)
        ):
            found.hole = text
        elif before and before.kind == FIELD and before.value in {"trial", "value"} and whole:
            found.trial = int(value)
        elif before is None:
            found.hole = text
            found.broken = text.casefold() not in self._holes
        elif value in self._directions or value in USUAL_DIRECTIONS:
            found.direction = value
        elif whole and 1 <= value <= MOST_TRIALS:
            found.trial = int(value)
        else:
            found.broken = True

    def _mark(self, found: _Found, mark: Mark, number_next: bool) -> None:
        if mark.kind == FIELD:
            found.fields.append(str(mark.value))
        elif mark.kind == CHARACTERISTIC:
            found.characteristics.append(str(mark.value))
        elif mark.kind == ASK:
            found.asks.append(str(mark.value))
        elif mark.kind == WALL:
            found.broken |= found.wall >= 0 and found.wall != int(mark.value)
            found.wall = int(mark.value)
        elif mark.kind == DIRECTION:
            found.direction = float(mark.value)
        elif mark.kind == AXIS:
            order = int(mark.value)
            found.direction = self._directions[order] if order < len(self._directions) else None
            found.broken |= found.direction is None
        elif mark.kind == TRIAL:
            found.trial = int(mark.value)
        elif mark.kind == IGNORE:
            found.ignored = True
        elif mark.kind == "hole":
            found.hole = str(mark.value)
        elif mark.kind == WEAK_HOLE:
            found.weak = not number_next
        elif mark.kind not in {FILLER, DEGREES}:
            found.broken = True

    def _meaning_of(self, found: _Found, unit: str) -> Meaning:
        if found.broken:
            return Meaning(UNKNOWN)
        fields, kinds = list(dict.fromkeys(found.fields)), list(dict.fromkeys(found.characteristics))
        place = Meaning(MODIFIER, "", found.wall, found.direction, found.trial, unit=unit)
        if "gauge" in fields and not ({"hole", "serial"} & set(fields)):
            return _gauge(kinds, found, unit)
        if found.ignored:
            return Meaning(IGNORED, kinds[0] if kinds else "", unit=unit)
        if unit in {"C", "F"}:
            return Meaning(FIELD, "temperature_c", unit=unit) if set(fields) <= {"temperature_c"} else Meaning(UNKNOWN)
        if kinds or found.asks:
            return _reading(found, kinds, unit)
        fields = [f for f in fields if not (f == "wall" and found.wall >= 0)]
        fields = [f for f in fields if not (f == "direction" and found.direction is not None)]
        fields = [f for f in fields if not (f == "hole" and found.hole)]
        if fields == ["ignore"]:
            return Meaning(IGNORED)
        if fields == ["trial"] and found.trial:
            return place
        if fields == ["value"]:
            return replace(place, kind=READING, hole=found.hole)
        if len(fields) == 1 and not found.hole and found.wall < 0:
            return Meaning(FIELD, fields[0], unit=unit)
        if fields:
            return Meaning(UNKNOWN)
        if found.hole or found.wall >= 0 or found.direction is not None or found.trial:
            return replace(place, hole=found.hole)
        return Meaning(FIELD, "hole", weak=True) if found.weak else Meaning(UNKNOWN)


def _unit(text: str) -> str:
    letter = text.strip(" °.").removeprefix("deg").strip(" .")
    return letter.upper() if letter in {"c", "f"} else parse_unit(text) or ""


def _own_mark(word: str, table: Mapping[tuple[str, ...], Mark]) -> Mark | None:
    if word == "ignore":
        return Mark(IGNORE)
    return Mark(CHARACTERISTIC if word in CHARACTERISTICS else FIELD, word)


def _from_word(word: str) -> Meaning:
    if word == "ignore":
        return Meaning(IGNORED)
    if word == "value":
        return Meaning(READING)
    return Meaning(READING if word in CHARACTERISTICS else FIELD, word)


def _gauge(kinds: list[str], found: _Found, unit: str) -> Meaning:
    """'bore gauge' is the gauge for diameters; 'GO gauge' with an answer to be given is a check."""
    if kinds in (["go"], ["no_go"]) and (found.asks or found.wall >= 0):
        return Meaning(READING, kinds[0], wall=found.wall, ask="enters" if found.asks else "")
    if found.ignored and not kinds:
        kinds = ["x"]  # 'position' is a computed result by itself; a gauge for it reads coordinates
    return Meaning(FIELD, "gauge:" + kinds[0] if kinds else "gauge", unit=unit)


def _reading(found: _Found, kinds: list[str], unit: str) -> Meaning:
    asks = [a for a in found.asks if a != "enters"]
    fields = set(found.fields) - {"hole", "value", "trial", "direction"}
    if found.wall >= 0:
        fields.discard("wall")
    if fields or (found.weak and not kinds):
        return Meaning(UNKNOWN)
    if asks and set(kinds) <= {"surface"}:
        return Meaning(
            READING,
            "surface",
            ask=asks[0] if len(asks) == 1 else "",
            wall=found.wall,
            hole=found.hole,
            trial=found.trial,
        )
    if {"go", "no_go"} <= set(kinds):
        return Meaning(UNKNOWN)
    for word in ("go", "no_go"):
        if word in kinds and set(kinds) <= {word, "plug"}:
            kinds = [word]
    direction = found.direction
    if "diameter" in kinds and len(kinds) == 2 and kinds[1] in {"x", "y"}:
        direction, kinds = (0.0 if kinds[1] == "x" else 90.0), ["diameter"]
    if len(kinds) != 1:
        return Meaning(UNKNOWN)
    ask = "enters" if "enters" in found.asks and kinds[0] in {"go", "no_go"} else ""
    if kinds[0] != "diameter" and direction is not None:
        return Meaning(UNKNOWN)
    return Meaning(
        READING, kinds[0], wall=found.wall, direction=direction, trial=found.trial, hole=found.hole, unit=unit, ask=ask
    )
