"""What a heading says: which of our words, and with which wall, direction, trial, hole and unit."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from holeqc.quantities import SMALL_UNITS, parse_unit
from holeqc.readings.synonyms import (
    AMBIGUOUS,
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
    heading_unit,
    plain,
    standard_table,
    tokens,
)
from holeqc.readings.table import CHARACTERISTICS
from holeqc.specification.model import Specification

READING, MODIFIER, IGNORED, UNKNOWN = "reading", "modifier", "ignored", "unknown"
SCALES = {name: (unit, float(part)) for name, (unit, part) in SMALL_UNITS.items()}  #: units that count in parts of ours
BOTH_PLUGS = "go_no_go"  #: one column for what both plugs said
MOST_TRIALS = 12  #: a larger number behind a characteristic is no count of repeats
USUAL_DIRECTIONS = (0.0, 30.0, 45.0, 60.0, 90.0, 120.0, 135.0, 150.0)

_NUMBER = re.compile(r"^\d")
_FROM_NUMBER = re.compile(
    r"\b(?:from|to|off|vs|von|zu|de|nominal|nom|basic)\b\.?(?:\s+(?:the|nominal|nom|basic)\b\.?)*\s*[=:]?\s*"
    r"(\d*[.,]\d+|\d+[.,]\d*|\d{1,3}(?=\s*(?:mm|in\b|inch|\"|″)?\s*$))\s*(mm|in\b|inch|\"|″)?"
)
_DEVIATION = re.compile(r"\b(?:dev|deviation|delta|error|offset|abw|abweichung|écart|ecart|desv|desviación)\b|δ")
#: 'from basic' behind a deviation says nothing more
_FROM_DRAWING = re.compile(
    r"(?<=\w)\s+(?:from|to|off|vs\.?|von|zu|par rapport à|de|du)\s+(?:the\s+)?(?:basic|nominal|drawing)\b"
)
_PATH = re.compile(r"\.*[/\\]|\.\.")  #: how no heading begins: '../x' is no x


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a heading says.

    ``kind`` is field, reading, modifier (only wall, direction, trial or hole), ignored or unknown. ``word`` is the
    field or the characteristic ('' for a reading whose characteristic stands elsewhere). ``wall`` is a place in the
    kit's walls, -1 where not said; ``unit`` is in, mm, C or F; ``ask`` what a word column asks; ``weak`` marks a
    heading that is a hole number only if nothing better is there. ``reason`` says why an ignored column holds no
    readings (or may hold none, where ``kind`` is still reading); ``actual`` that the heading calls its readings
    measured; ``serial`` names the part that a column is of; ``deviation`` that values count from a nominal size or a
    basic dimension, ``base`` being what the heading itself counts from (None: the kit's, or another column's).
    ``gauge`` is the gauge that the heading names beside what was read; ``axis`` the direction that a hole's name of
    one letter may stand for instead.
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
    reason: str = ""
    actual: bool = False
    serial: str = ""
    deviation: bool = False
    base: float | None = None
    gauge: str = ""
    axis: float | None = None

    @property
    def axis_like(self) -> bool:
        """Whether the hole that the heading names may as well be the letter of a direction: 'Dia A'."""
        return self.axis is not None and bool(self.word) and bool(self.hole)

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
    ignored: str = ""
    weak: bool = False
    broken: bool = False
    axis: float | None = None


class Vocabulary:
    """The table of synonyms with what a kit adds: its headings, its walls, its holes."""

    def __init__(self, spec: Specification, *, letters: bool = False) -> None:
        """``letters``: N and F are the near and far wall though a hole is called F, or N."""
        self.holes = spec.hole_ids
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
                unclear = [p for p, m in self._table.items() if m.kind == AMBIGUOUS and set(tokens(name)) <= set(p)]
                for phrase in unclear:  # the kit says what the word means here
                    del self._table[phrase]
        for other, name in spec.wall_names.items():
            if tokens(other) and name in self.walls:
                self._table[tokens(other)] = Mark(WALL, self.walls.index(name))
        also_holes = {"n", "f"} & set(self._holes)
        self.unclear_letters = len(self.walls) == 2 and len(also_holes) == 1 and not letters
        for hole in spec.hole_ids:
            if tokens(hole) and not _NUMBER.match(hole):
                self._table[tokens(hole)] = Mark("hole", hole)
        if len(self.walls) == 2 and (letters or not also_holes):
            for place, letter in enumerate("nf"):
                if letters:
                    self._table[letter,] = Mark(WALL, place)
                else:
                    self._table.setdefault((letter,), Mark(WALL, place))
        self._gauges = [(re.escape(plain(g.id)), g.id) for g in spec.gauges if len(g.id) > 1]
        self._own = {plain(heading): word for heading, word in spec.headings.items()}
        for heading, word in spec.headings.items():
            if mark := _own_mark(word, self._table):
                self._table[tokens(heading)] = mark
        self._longest = max(map(len, self._table))
        self._memory: dict[str, Meaning] = {}

    def walls_by_letters(self, texts: Iterable[str]) -> bool:
        """Whether headings come in pairs with N and with F, 'N dia 0' and 'F dia 0', so that both name walls.

        The letter that is no hole must be met, and all that stands behind it behind the other one too. N alone beside
        Y answers.
        """
        behind: dict[str, set[tuple[str, ...]]] = {"n": set(), "f": set()}
        for text in texts:
            words = tokens(text[:120])
            if words and words[0] in behind:
                behind[words[0]].add(words[1:])
        wall = "n" if "n" not in self._holes else "f"
        other = "f" if wall == "n" else "n"
        yes = {"y", "j", "o", "s"} - set(self._holes)
        met = behind[wall] - ({()} if any(text.strip().casefold() in yes for text in texts) else set())
        return bool(met) and met <= behind[other]

    def names_hole(self, text: str) -> bool:
        """Whether a text names one hole of the kit and nothing else: '3', 'H3', 'Hole 3'."""
        meaning = self.meaning(text)
        return (
            meaning.kind == MODIFIER
            and meaning.hole.casefold() in self._holes
            and meaning.wall < 0
            and (meaning.direction is None)
        )

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
        rest, unit = heading_unit(rest)
        if rest in self._own:
            return replace(_from_word(self._own[rest]), unit=unit)
        if not rest and unit:
            return Meaning(MODIFIER, unit=unit)
        gauge, rest = self._gauge_in(rest)
        base, unit, rest = _base_in(rest, unit)
        words = _parted_deltas(tokens(rest))
        meaning = self._put_together(words, unit)
        counted = base is not None or (_FROM_DRAWING.search(plain(text)) is not None and "nominal" in plain(text))
        if counted and (meaning.kind, meaning.reason, meaning.word) == (IGNORED, "deviation", ""):
            meaning = replace(meaning, kind=READING, word="diameter", deviation=True)
        if base is not None and meaning.deviation:
            meaning = replace(meaning, base=base)
        return replace(meaning, gauge=gauge) if gauge and meaning.kind in {READING, MODIFIER} else meaning

    def _gauge_in(self, text: str) -> tuple[str, str]:
        """Return the kit's gauge that a heading names beside what was read, 'Dia 0° (BG-2)', and the rest."""
        for key, name in self._gauges:
            match = re.search(rf"(?<![\w-])[\[(]?\s*{key}\s*[\])]?(?![\w-])", text)
            if match and text.replace(match[0], "").strip(" ,:;-"):
                return name, f"{text[: match.start()]} {text[match.end() :]}".strip(" ,:;-")
        return "", text

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
            (before.kind, before.value) == (FIELD, "hole")
            or (before.kind == WEAK_HOLE and not found.fields and not found.characteristics)
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
            found.ignored = found.ignored or str(mark.value) or "other"
        elif mark.kind == "hole":
            found.hole = str(mark.value)
            order = "abc".find(found.hole.casefold()) if len(found.hole) == 1 else -1
            found.axis = self._directions[order] if 0 <= order < len(self._directions) else None
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
        if kinds and fields == ["drawing"]:
            found.ignored = "drawing"  # 'Drawing X' holds the basic dimension
        if found.ignored:
            return _not_used(found, kinds, place)
        if unit == "F" and kinds and found.wall < 0 and self._table.get(("f",)) == Mark(WALL, 1):
            found.wall, unit = 1, ""  # 'Diameter 0° F' is the far wall's
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
    if set(kinds) - {"plug"} in ({"go", "no_go"}, {BOTH_PLUGS}):
        kinds = [BOTH_PLUGS]
    for word in ("go", "no_go"):
        if word in kinds and set(kinds) <= {word, "plug"}:
            kinds = [word]
    direction = found.direction
    axis = [k for k in kinds if k in {"x", "y"}]
    if "diameter" in kinds and len(kinds) == 2 and axis:
        direction, kinds = (0.0 if axis == ["x"] else 90.0), ["diameter"]
    if len(kinds) != 1:
        return Meaning(UNKNOWN)
    ask = "enters" if "enters" in found.asks and kinds[0] in {"go", "no_go"} else ""
    if kinds[0] != "diameter" and direction is not None:
        return Meaning(UNKNOWN)
    return Meaning(
        READING, kinds[0], wall=found.wall, direction=direction, trial=found.trial, hole=found.hole, unit=unit, ask=ask,
        actual="value" in found.fields, axis=found.axis,
    )  # fmt: skip


def _not_used(found: _Found, kinds: list[str], place: Meaning) -> Meaning:
    """Return what a heading means that names something other than a reading as the gauge shows it now."""
    word = kinds[0] if len(kinds) == 1 else ""
    meaning = replace(place, kind=IGNORED, word=word, reason=found.ignored)
    if found.ignored == "deviation" and not word and (place.direction is not None or place.trial):
        word = "diameter"  # 'deviation 0°'
        meaning = replace(meaning, word=word)
    if found.ignored == "deviation" and word in {"diameter", "x", "y"}:
        return replace(meaning, kind=READING, deviation=True)
    return meaning


def _base_in(text: str, unit: str) -> tuple[float | None, str, str]:
    """Return the number that a heading such as 'deviation from 0.455 in' counts from, its unit, and the rest."""
    match = _FROM_NUMBER.search(text)
    if match is not None and match[1].isdecimal() and not _DEVIATION.search(text):
        match = None  # 'Dia 0° vs 90' counts from nothing
    if match is None:
        return None, unit, _FROM_DRAWING.sub(" ", text)
    rest = f"{text[: match.start()]} {text[match.end() :]}".strip()
    return float(match[1].replace(",", ".")), unit or parse_unit(match[2] or "") or "", rest


def _parted_deltas(words: tuple[str, ...]) -> tuple[str, ...]:
    """Part 'dx' and 'Δx' into what they are made of: the deviation of x."""
    out: list[str] = []
    for word in words:
        if word in {"dx", "dy", "δx", "δy"}:
            out += ["deviation", word[-1]]
        else:
            out.append("deviation" if word == "δ" else word)
    return tuple(out)
