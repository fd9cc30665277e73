"""What a heading says: which of our words, and with which wall, direction, trial, hole and unit."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from holeqc.characteristics import ANGLES, MEASURED
from holeqc.quantities import SMALL_UNITS, BoolArray, IntArray, parse_unit
from holeqc.readings.containers import Content
from holeqc.readings.files import RawSheet
from holeqc.readings.synonyms import (
    AMBIGUOUS,
    ASK,
    AXIS,
    CHARACTERISTIC,
    DEGREES,
    DIRECTION,
    FIELD,
    FILLER,
    GOOD_OR_SCRAP,
    IGNORE,
    POSITION_WORDS,
    TRIAL,
    WALL,
    WEAK_HOLE,
    Mark,
    heading_unit,
    plain,
    question_of,
    results,
    standard_table,
    tokens,
)
from holeqc.readings.table import CHARACTERISTICS
from holeqc.readings.words import is_answer
from holeqc.specification.model import Specification

READING, MODIFIER, IGNORED, UNKNOWN = "reading", "modifier", "ignored", "unknown"
SCALES = {name: (unit, float(part)) for name, (unit, part) in SMALL_UNITS.items()}  #: units that count in parts of ours
BOTH_PLUGS = "go_no_go"  #: one column for what both plugs said
MOST_TRIALS = 12  #: a larger number behind a characteristic is no count of repeats
USUAL_DIRECTIONS = (0.0, 30.0, 45.0, 60.0, 90.0, 120.0, 135.0, 150.0)

_NUMBER = re.compile(r"^\d")
_NUMBERS = re.compile(r"\d+(?:[.,]\d+)?", re.ASCII)
_NUMBER_ALONE = re.compile(r"\d+", re.ASCII)
_FROM_NUMBER = re.compile(
    r"\b(?:from|to|off|vs|von|zu|de|nominal|nom|basic)\b\.?(?:\s+(?:the|nominal|nom|basic)\b\.?)*\s*[=:]?\s*"
    r"(\d*[.,]\d+|\d+[.,]\d*|\d{1,3}(?=\s*(?:mm|in\b|inch|\"|″)?\s*$))\s*(mm|in\b|inch|\"|″)?"
)
_DEVIATION = re.compile(r"\b(?:dev|deviation|delta|error|offset|abw|abweichung|écart|ecart|desv|desviación)\b|δ")
#: 'from basic' behind a deviation says nothing more
_FROM_DRAWING = re.compile(
    r"(?<=\w)\s+(?:from|to|off|vs\.?|von|zu|par rapport à|de|du)\s+(?:the\s+)?(?:basic|nominal|drawing)\b"
)
_NUMBERED_NAME = re.compile(r"([A-Za-z]{1,12})[-_]?([0-9]+)")
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
        self._table = _words_of(spec)
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
        self._numbered = all(map(_NUMBER_ALONE.fullmatch, self._holes))
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
        if self._numbered and text.isascii() and self._holes.keys().isdisjoint(_NUMBERS.findall(text)):
            return False  # of thousands of different numbers and serials hardly one goes further
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
        if (name := _NUMBERED_NAME.fullmatch(text)) and text.lower() not in self._own:  # serials are many
            word = name[1].lower()
            if not {(word,), (word, name[2])} & self._table.keys() and word not in {"dx", "dy", "h"}:
                return Meaning(UNKNOWN)
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


def _words_of(spec: Specification) -> dict[tuple[str, ...], Mark]:
    """Return the standard words less those of what the kit doesn't ask; depth and angle alone where they are clear."""
    asked = {word for hole in spec.holes for word in hole.measured}
    unasked = {Mark(CHARACTERISTIC, c.word) for c in MEASURED if c.word not in asked}
    table = {phrase: mark for phrase, mark in standard_table().items() if mark not in unasked}
    depths = [c for c in MEASURED if c.word in asked and c.word.endswith("depth")]
    for phrase in ("depth", "tiefe", "profondeur", "profundidad") if depths else ():
        one = Mark(CHARACTERISTIC, depths[0].word)
        table[tokens(phrase)] = one if len(depths) == 1 else Mark(AMBIGUOUS, " or ".join(c.name for c in depths))
    if asked & set(ANGLES):  # beside a countersink an angle may be its own, or a direction
        for phrase in ("angle", "winkel", "ángulo", "angulo"):
            table[tokens(phrase)] = Mark(AMBIGUOUS, "countersink angle or direction")
    return table


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


# Where the headings stand: under title rows, in one line or several, merged or not, once or over every block.


ANCHORS = {"hole", "serial", "part", "wall", "characteristic", "direction"}
HOLES_ACROSS = 2  #: so many holes side by side make a heading, if rows below say what was read
HOLES_SHARE = 0.6  #: and so large a share of the cells from the first hole on
ROWS_TRIED, ROWS_BELOW = 400, 200  #: how many rows are looked at for such headings, and below each
EXTREMES = 2  #: smallest and largest reading of a hole
LABEL_SHARE = 0.5  #: share of a column's labels that must say what was read
LINES = 2  #: at most so many lines above and below the one with the hole's heading belong to it
_PLUG_GAUGES = {"gauge:go", "gauge:no_go"}
_SERIAL_LIKE = re.compile(r"(?=.*\d)[\w][\w./-]{1,40}")
_DASHES = {"", "-", "–", "—", "/"}
_DECIMAL = re.compile(r"^\s*[+-]?\d*[.,]\d+\s*$")


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading: its first and last row (from 0), and for each column its text and what it means."""

    first: int
    last: int
    texts: tuple[str, ...]
    meanings: tuple[Meaning, ...]
    card: bool = False  #: labels beside the readings say what they are; there is no row of headings

    @property
    def signature(self) -> tuple[Meaning, ...]:
        """What makes two headings the same table."""
        return self.meanings

    def columns(self, word: str) -> list[int]:
        """Return the columns of a field."""
        return [c for c, m in enumerate(self.meanings) if m.kind == FIELD and m.word == word]


class _Texts:
    """Texts of a sheet with merged ranges filled in, looked up near heading rows only."""

    def __init__(self, sheet: RawSheet) -> None:
        self._grid = sheet.grid
        self._starts: dict[int, list[tuple[int, int, int, int]]] = defaultdict(list)
        for r1, c1, r2, c2 in sheet.scan.merged:
            self._starts[r1 - 1].append((r1 - 1, c1 - 1, r2 - 1, c2 - 1))

    def labels(self, column: int) -> list[Content]:
        """Return the distinct texts of a column."""
        return self._grid.columns[column].labels if column < self._grid.width else []

    def below(self, column: int, row: int) -> list[Content]:
        """Return the texts of a column in the rows below a heading, each once; the heading again is none of them."""
        all_codes = self._grid.columns[column].codes if column < self._grid.width else None
        if all_codes is None:
            return []
        codes, again = all_codes[row + 1 : row + 1 + ROWS_BELOW], all_codes[row]
        return [self._grid.columns[column].labels[c] for c in np.unique(codes[(codes >= 0) & (codes != again)])]

    def row(self, row: int) -> tuple[list[Content], list[int], list[bool]]:
        """Return contents, the row where each stands, and whether it is filled in from the left by merging."""
        if not 0 <= row < self._grid.rows:
            return [], [], []
        contents = self._grid.row(row)
        origin, sideways = [row] * len(contents), [False] * len(contents)
        for start in range(max(0, row - 3), row + 1):
            for r1, c1, r2, c2 in self._starts.get(start, ()):
                if r2 < row:
                    continue
                for column in range(c1, min(c2 + 1, len(contents))):
                    contents[column] = self._grid.cell(r1, c1)
                    origin[column] = r1
                    sideways[column] = column > c1
        return contents, origin, sideways


def candidate_rows(sheet: RawSheet, vocabulary: Vocabulary) -> IntArray:
    """Return rows (from 0) that may be headings.

    They hold at least one word which only stands over a column of holes or serials, or name several holes across.
    """
    hits = _rows_of_holes(sheet, vocabulary)
    for column in sheet.grid.columns:
        if column.codes is None:
            continue
        anchors = np.zeros(len(column.labels) + 1, dtype=np.bool_)
        for code, label in enumerate(column.labels):
            if isinstance(label, str) and not label[0].isdigit() and len(label) < 80:
                meaning = vocabulary.meaning(label)
                # 'no' alone is an answer far more often than a heading for a hole's number
                anchors[code] = meaning.kind == FIELD and meaning.word in ANCHORS and label.strip().lower() != "no"
        if anchors.any():
            hits |= anchors[column.codes]
    return np.flatnonzero(hits).astype(np.int64)


def _rows_of_holes(sheet: RawSheet, vocabulary: Vocabulary) -> BoolArray:
    """Return where (rows,) two holes or more are named side by side, each once, and no number with decimals stands."""
    grid = sheet.grid
    count, broken = np.zeros(grid.rows, dtype=np.int64), np.zeros(grid.rows, dtype=np.bool_)
    for column in grid.columns:
        if column.numbers is not None:
            whole = column.numbers == np.rint(column.numbers)
            broken |= ~np.isnan(column.numbers) & ~whole
            numbers = np.array([float(h) for h in vocabulary.holes if h.isdecimal()])
            count += np.isin(column.numbers, numbers) if numbers.size else 0
        if column.codes is not None:
            holes = [isinstance(x, str) and vocabulary.names_hole(x) for x in column.labels]
            count += np.append(np.array(holes, dtype=np.bool_), False)[column.codes]
    several = np.flatnonzero((count >= HOLES_ACROSS) & ~broken)
    out = np.zeros(grid.rows, dtype=np.bool_)
    for row in several[:ROWS_TRIED].tolist():
        names = [vocabulary.meaning(c).hole for c in grid.row(row) if c is not None]
        named = [n for n in names if n]
        after = len(names) - next((i for i, n in enumerate(names) if n), 0)  # cells from the first hole on
        out[row] = len(set(named)) == len(named) >= max(HOLES_ACROSS, HOLES_SHARE * after)
    return out


def find_headings(sheet: RawSheet, vocabulary: Vocabulary) -> list[Heading]:
    """Return every heading of a sheet, top down."""
    texts = _Texts(sheet)
    found: list[Heading] = []
    memory: dict[object, Heading | None] = {}
    for row in candidate_rows(sheet, vocabulary):
        if found and row <= found[-1].last:
            continue
        near = tuple(tuple(sheet.grid.row(r)) for r in range(row - LINES, row + LINES + 1) if 0 <= r < sheet.grid.rows)
        key = (near, min(int(row), LINES)) if not sheet.scan.merged else int(row)
        if key not in memory:
            heading = _heading_at(texts, int(row), vocabulary)
            memory[key] = (
                None if heading is None else replace(heading, first=heading.first - row, last=heading.last - row)
            )
        template = memory[key]
        if template is not None:
            found.append(replace(template, first=template.first + int(row), last=template.last + int(row)))
    return found


def score_rows(rows: list[list[str]], vocabulary: Vocabulary) -> int:
    """Return how many headings the best of some rows of text holds; for finding out the delimiter."""
    best = 0
    for row in rows:
        meanings = [vocabulary.meaning(cell) for cell in row]
        if any(m.kind == FIELD and m.word in ANCHORS for m in meanings):
            best = max(best, sum(m.is_known for m in meanings))
    return best


def _heading_at(texts: _Texts, row: int, vocabulary: Vocabulary) -> Heading | None:
    contents, origin, sideways = texts.row(row)
    if any(_is_decimal(c) for c in contents):
        return None
    base = [vocabulary.meaning(c) for c in contents]
    idents = {c for c, m in enumerate(base) if m.kind == FIELD and m.word in ANCHORS and not m.weak}
    above, first = _lines_above(texts, row, base, vocabulary)
    below, last = _lines_below(texts, row, base, idents, vocabulary)
    middles = [_word(c) if origin[i] == row else "" for i, c in enumerate(contents)]
    if below and not any(sideways):
        middles = _spread_over(middles, below, base, vocabulary)
    meanings, names = [], []
    for column, content in enumerate(contents):
        middle = middles[column]
        top = " ".join(filter(None, (line[column] for line in above)))
        if not middle and origin[column] < row:
            middle, top = _word(content), ""
        bottom = " ".join(filter(None, (line[column] for line in below)))
        meaning, name = _combine(top, middle, bottom, vocabulary)
        meanings.append(meaning)
        names.append(name)
    meanings = _what_was_read(texts, last, meanings, vocabulary)
    settled = [_check_or_gauge(texts, c, m) for c, m in enumerate(_settle(meanings, names))]
    settled = _of_serials(texts, row, last, settled, contents)
    if any(m.kind == READING and (m.hole or m.serial) for m in settled):
        settled = _labelled_rows(texts, last, settled, vocabulary)
    whole = _is_table(settled, names, len(vocabulary.holes))
    return Heading(first, last, tuple(names), tuple(settled)) if whole else None


def _of_serials(texts: _Texts, row: int, last: int, meanings: list[Meaning], contents: list[Content]) -> list[Meaning]:
    """Take columns that nothing else explains for parts side by side, where rows say what was read of which hole."""
    fields = {m.word for m in meanings if m.kind == FIELD}
    if "hole" not in fields or any(m.kind == READING for m in meanings) or "serial" in fields:
        return meanings
    named: dict[int, str] = {}
    for column, meaning in enumerate(meanings):
        text = _word(contents[column])
        short = re.sub(r"^(?:serial|ser|s/?n|part)\b[\s.:#]*(?:no\b|nr\b|number\b)?[\s.:#]*", "", text, flags=re.I)
        if meaning.kind in {UNKNOWN, MODIFIER} and _SERIAL_LIKE.fullmatch(short):
            named[column] = short
    if not named or len({re.sub(r"\d+", "0", s).casefold() for s in named.values()}) > 1:
        return meanings
    word = "" if "characteristic" in fields else "diameter"
    return [replace(m, kind=READING, word=word, serial=named[c], hole="", trial=0) if c in named else m
            for c, m in enumerate(meanings)]  # fmt: skip


def _labelled_rows(texts: _Texts, last: int, meanings: list[Meaning], vocabulary: Vocabulary) -> list[Meaning]:
    """Name the column whose labels say what was read, where holes or parts stand side by side: 'near 0°', 'X', 'GO'."""
    if any(m.kind == FIELD and m.word == "characteristic" for m in meanings):
        return meanings
    across = [c for c, m in enumerate(meanings) if m.kind == READING and (m.hole or m.serial)]
    out = list(meanings)
    start, label = 0, -1
    for column in across:
        found = [c for c in range(start, column) if c not in across and _labels_readings(texts, c, last, vocabulary)]
        label = found[-1] if found else label
        start = column + 1
        if label >= 0:
            out[label] = Meaning(FIELD, "characteristic")
            out[column] = replace(meanings[column], word="")
    # cards side by side, each with labels of its own, are read as cards
    return out if sum(m.kind == FIELD and m.word == "characteristic" for m in out) == 1 else meanings


def _what_was_read(texts: _Texts, last: int, meanings: list[Meaning], vocabulary: Vocabulary) -> list[Meaning]:
    """Take a column such as 'Feature' or 'Measurement' for what was read, where its cells say that and no number."""
    if any(m.kind == FIELD and m.word == "characteristic" for m in meanings):
        return meanings
    holes = [c for c, m in enumerate(meanings) if m.kind == FIELD and m.word == "hole" and not m.weak]
    for column, meaning in enumerate(meanings):
        doubtful = (
            column in holes[1:]
            or (column in holes and len(holes) > 1)
            or (meaning.kind == READING and not meaning.word)
        )
        if doubtful and _labels_readings(texts, column, last, vocabulary):
            return [Meaning(FIELD, "characteristic") if c == column else m for c, m in enumerate(meanings)]
    return meanings


def _labels_readings(texts: _Texts, column: int, last: int, vocabulary: Vocabulary) -> bool:
    """Whether most texts below a heading say what was read: 'near 0°', 'Dia 90', 'X'; a wall alone says too little."""
    found = [vocabulary.meaning(str(x).strip().rstrip(":=")) for x in texts.below(column, last)]
    read = [m for m in found if m.kind == READING or (m.kind == MODIFIER and m.direction is not None)]
    known = [m for m in found if m.kind in {READING, MODIFIER, IGNORED, FIELD} and not m.weak]
    return bool(read) and len(known) >= LABEL_SHARE * len(found)


def _is_decimal(content: Content) -> bool:
    """Whether a cell holds a number with decimals, typed as a number or as text: it is a reading, never a heading."""
    if isinstance(content, float):
        return not content.is_integer()
    return isinstance(content, str) and _DECIMAL.match(content) is not None


def _word(content: Content) -> str:
    if isinstance(content, float):
        return f"{content:g}"
    return " ".join(content.split()) if isinstance(content, str) else ""


def _lines_above(texts: _Texts, row: int, base: list[Meaning], vocabulary: Vocabulary) -> tuple[list[list[str]], int]:
    """Return the texts of group headings above, one list a line from the top, and the first row of the heading."""
    lines: list[list[str]] = []
    first = row
    for up in range(1, LINES + 1):
        contents, origin, sideways = texts.row(row - up)
        words = [_wall_alone(_word(c), vocabulary) if isinstance(c, str) else "" for c in contents]
        own = [(w, c) for c, w in enumerate(words) if contents[c] is not None and not sideways[c]]
        if not own or any(not isinstance(contents[c], str) for _, c in own):
            break
        if not _is_group(own, base, vocabulary, [_word(c) for c in texts.row(row)[0]]):
            break
        lines.insert(0, _spread(words, sideways, base, vocabulary))
        first = min(row - up, *origin) if origin else row - up
    return lines, first


def _wall_alone(word: str, vocabulary: Vocabulary) -> str:
    """Return the wall that a cell over a table names after a label, 'Wall: front', and any other cell as it is."""
    label, sign, rest = word.partition(":")
    meaning = vocabulary.meaning(label) if sign and rest.strip() else None
    named = meaning is not None and (meaning.kind, meaning.word) == (FIELD, "wall")
    return rest.strip() if named and vocabulary.meaning(rest).wall >= 0 else word


def _is_group(own: list[tuple[str, int]], base: list[Meaning], vocabulary: Vocabulary, below: list[str]) -> bool:
    """Whether the words of a line, each with its column, are group headings of the line ``below`` and not fields."""
    group = []
    for word, column in own:
        meaning = vocabulary.meaning(word)
        if meaning.kind == UNKNOWN and column < len(below):  # 'Countersink' over 'Depth'
            meaning = vocabulary.meaning(f"{word} {below[column]}")
        under = base[column] if column < len(base) else Meaning(UNKNOWN)
        beside = len(own) > 1 and meaning.kind == MODIFIER and meaning.wall >= 0  # walls over tables side by side
        if under.kind == FIELD and under.is_known and not beside:
            if meaning.kind == FIELD and meaning.word != under.word:
                return False
            continue
        group.append(meaning.kind)
    if not group or UNKNOWN in group or any(":" in word for word, _ in own):
        return False
    return FIELD not in group or (len(own) == 1 and group != [FIELD])


def _spread(words: list[str], sideways: list[bool], base: list[Meaning], vocabulary: Vocabulary) -> list[str]:
    """Fill a group heading to the right: over its merged range, or, where nothing is merged, to the next one."""
    merged = any(sideways)
    out, current = [], ""
    for column, word in enumerate(words):
        meaning = base[column] if column < len(base) else Meaning(UNKNOWN)
        if word:
            current = word
        elif merged or (meaning.kind == FIELD and not meaning.weak and meaning.word not in _PLUG_GAUGES):
            current = ""
        group = vocabulary.meaning(current)
        clash = not word and group.kind == READING and meaning.kind == READING and group.word and meaning.word
        out.append("" if clash or (meaning.kind == FIELD and meaning.word in ANCHORS) else current)
    return out


def _spread_over(words: list[str], below: list[list[str]], base: list[Meaning], vocabulary: Vocabulary) -> list[str]:
    """Fill a heading to the right over the cells below it that have none of their own, where nothing is merged."""
    out, current = [], ""
    for column, word in enumerate(words):
        bottom = " ".join(filter(None, (line[column] for line in below)))
        if word:
            current = "" if base[column].kind == FIELD else word
        group, meaning = vocabulary.meaning(current), vocabulary.meaning(bottom)
        clash = group.kind == READING and meaning.kind == READING and group.word and meaning.word
        out.append(word or (current if bottom and not clash else ""))
    return out


def _lines_below(
    texts: _Texts, row: int, base: list[Meaning], idents: set[int], vocabulary: Vocabulary
) -> tuple[list[list[str]], int]:
    """Return the texts of further heading lines below, and the last row of the heading."""
    lines: list[list[str]] = []
    last = row
    for down in range(1, LINES + 1):
        contents, origin, _ = texts.row(row + down)
        words = _units_alone([_word(c) if origin[i] > row else "" for i, c in enumerate(contents)])
        own = [c for c, word in enumerate(words) if word]
        if not own or (len(own) == 1 and own[0] < len(base) and base[own[0]].kind == FIELD):
            break  # a wall alone under 'Date' says what follows
        named = [c for c in own if isinstance(contents[c], str)]
        meanings = {c: _below_another(words[c], texts.row(row)[0][: c + 1], vocabulary) for c in own}
        if any(c in idents for c in own) and not all(
            _same_field(base[c], vocabulary.meaning(f"{_word(texts.row(row)[0][c])} {words[c]}"))
            for c in own
            if c in idents
        ):
            break
        others = [meanings[c] for c in own if c not in idents]
        known = {MODIFIER, READING, IGNORED}
        if any(m.kind not in known and not m.weak and m.word not in _PLUG_GAUGES for m in others):
            break
        if not named and not (len(own) > 1 and all(m.direction is not None or m.hole in {"0", "90"} for m in others)):
            break
        if named and not idents:
            break
        lines.append(words)
        last = row + down
    return lines, last


def _below_another(word: str, above: list[Content], vocabulary: Vocabulary) -> Meaning:
    """Return what a word says, by itself or below the last heading up to its column: 'Depth' below 'Countersink'."""
    meaning = vocabulary.meaning(word)
    if meaning.kind in {MODIFIER, READING, IGNORED}:
        return meaning
    both = vocabulary.meaning(f"{next((_word(c) for c in reversed(above) if c is not None), '')} {word}")
    return both if both.kind == READING else meaning


def _units_alone(words: list[str]) -> list[str]:
    """Return a line of units, 'in | in | -' below the headings, each in brackets; any other line as it is."""
    units = ["" if word in _DASHES else heading_unit(f"[{plain(word)}]")[1] for word in words]
    if sum(map(bool, units)) >= LINES and all(u or w in _DASHES for u, w in zip(units, words, strict=True)):
        return [f"[{word}]" if unit else "" for word, unit in zip(words, units, strict=True)]
    return words


def _same_field(one: Meaning, other: Meaning) -> bool:
    return one.kind == other.kind == FIELD and one.word == other.word


def _combine(top: str, middle: str, bottom: str, vocabulary: Vocabulary) -> tuple[Meaning, str]:
    """Return the meaning of the lines of one heading together, and its text."""
    name = " ".join(filter(None, (top, middle, bottom)))
    # 'Position' over X and Y names the pair, not a computed result
    if set(tokens(top)) <= POSITION_WORDS:
        top = ""
    if bottom and set(tokens(middle)) <= POSITION_WORDS:
        middle = ""
    for parts in ((top, middle, bottom), (middle, bottom), (top, middle), (middle,)):
        text = " ".join(filter(None, parts))
        meaning = vocabulary.meaning(text)
        own = vocabulary.meaning(" ".join(filter(None, (middle, bottom))))
        if meaning.reason == "computed" and own.kind == READING:
            return own, name  # 'GO' under 'Position [mm]' that was spread too far
        if text and meaning.is_known:
            return meaning, name
    return Meaning(UNKNOWN), name


def _settle(meanings: list[Meaning], names: list[str]) -> list[Meaning]:
    """Decide what depends on the other columns: weak hole numbers, walls and directions without a characteristic."""
    strong = any(m.kind == FIELD and m.word == "hole" and not m.weak for m in meanings) or any(
        m.hole and m.kind in {READING, MODIFIER} for m in meanings
    )
    named = any((m.kind == READING and m.word) or (m.kind == MODIFIER and m.direction is not None) for m in meanings)
    by_column = any(m.kind == FIELD and m.word == "characteristic" for m in meanings)
    out: list[Meaning] = []
    rows_of_holes = any(m.kind == FIELD and m.word == "hole" and not m.weak for m in meanings) and not by_column
    asked = {question_of(n): c for c, n in enumerate(names) if n and meanings[c].kind == UNKNOWN}
    if set(GOOD_OR_SCRAP.values()) <= set(asked):
        meanings = list(meanings)
        for word, question in GOOD_OR_SCRAP.items():
            meanings[asked[question]] = Meaning(READING, word)
    for meaning, name in zip(meanings, names, strict=True):
        if rows_of_holes and meaning.kind == READING and meaning.axis_like:
            meaning = replace(meaning, hole="", direction=meaning.axis)  # 'Dia A' beside a column of holes A, B, C
        if meaning.weak:
            meaning = Meaning(IGNORED) if strong else replace(meaning, weak=False)
            strong = True
        elif meaning.kind == MODIFIER:
            word = "" if by_column else "diameter"
            # a letter over a column may count, or be a unit
            letter = meaning.wall >= 0 and name.strip().casefold() in {"n", "f"}
            plain_unit = letter or (
                meaning.wall < 0 and meaning.direction is None and not meaning.trial and not meaning.hole
            )
            meaning = Meaning(UNKNOWN) if plain_unit else replace(meaning, kind=READING, word=word)
        elif meaning.kind == READING and not meaning.word and not by_column:
            final = named and tokens(name) in results()
            meaning = Meaning(IGNORED, reason="verdict") if final else replace(meaning, word="diameter")
        out.append(meaning)
    return out


def _check_or_gauge(texts: _Texts, column: int, meaning: Meaning) -> Meaning:
    """Return what a column 'GO gauge' holds: answers make it a check, anything else numbers the gauge that was used."""
    check = meaning.word.removeprefix("gauge:")
    if meaning.kind == FIELD and check in {"go", "no_go"} and any(map(is_answer, texts.labels(column))):
        return Meaning(READING, check)
    return meaning


def _is_table(meanings: list[Meaning], names: list[str], holes: int) -> bool:
    """Whether these columns hold readings of holes."""
    readings = [m for m in meanings if m.kind == READING]
    words = {m.word for m in meanings if m.kind == FIELD}
    across = len({m.hole for m in readings if m.hole}) > 1
    bare = all(m.hole and m.wall < 0 and m.direction is None for m in readings)
    if readings and bare and (not {"characteristic", "serial"} & words or (not across and "serial" not in words)):
        return False
    if not readings and sum(m.reason == "extreme" for m in meanings) == EXTREMES:
        return "hole" in words
    if "hole" not in words and not across:  # a line of fields, 'Serial | S-0650 | Gauge | DM-12', has cells of its own
        known = all(m.kind != UNKNOWN or not n for m, n in zip(meanings, names, strict=True))
        return bool(readings) and "serial" in words and known and holes == 1
    return bool(readings) and ("hole" in words or bool(ANCHORS & words))
