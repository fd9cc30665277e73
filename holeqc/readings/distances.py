"""Tables of distances in a sheet: from where to where, in which way, over which pins; and what a distance should read.

A distance is one reading of the tidy table, of its first hole, with what it is of in the column ``word``
(`holeqc.specification.model.Distance.text`). Coordinates follow from distances when they are judged."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from holeqc.readings.containers import Content
from holeqc.readings.files import RawSheet
from holeqc.readings.headings import IGNORED, MODIFIER, READING, UNKNOWN, Heading, Meaning, Vocabulary
from holeqc.readings.identities import Holes, text_of
from holeqc.readings.synonyms import FIELD, heading_unit, plain, unaccented
from holeqc.specification.model import (
    BETWEEN_PINS,
    CENTRES,
    EDGE,
    FAR_WALLS,
    NEAR_WALLS,
    OVER_PINS,
    Specification,
    end_of,
)

# Headings of a table of distances, English, German, French, Spanish.


FIRST, SECOND, BOTH, WAY, PINS = "from", "to", "ends", "way", "pins"
PIN = {FIRST: "pin:from", SECOND: "pin:to"}
_FIELDS: dict[str, str] = {
    FIRST: "from|from hole|from edge|from hole edge|from feature|start|first end|end 1|hole 1|hole a|hole from|"
    "von|ab|von bohrung|von loch|von kante|bohrung 1|loch 1|de|depuis|du trou|trou 1|desde|desde agujero|agujero 1",
    SECOND: "to|to hole|to edge|to hole edge|to feature|second end|end 2|hole 2|hole b|hole to|"
    "nach|bis|zu|zu bohrung|zu loch|nach bohrung|bohrung 2|loch 2|à|vers|au trou|trou 2|a|hasta|al agujero|agujero 2",
    BOTH: "from to|from - to|between holes|hole pair|pair|holes|which holes|von bis|von - bis|von nach|zwischen|"
    "entre|de - à|de à|desde hasta|desde - hasta",
    WAY: "way|how|how measured|method|measured how|mode|jaws|messart|wie|wie gemessen|art|méthode|mode de mesure|"
    "comment|método|cómo|manera|modo",
    PINS: "pin|pins|pin dia|pin diameter|pin size|gauge pin|gauge pins|measuring pin|measuring pins|both pins|"
    "stift|stifte|messstift|messstifte|prüfstift|prüfstifte|pige|piges|diamètre pige|pasador|pasadores|varilla",
    PIN[FIRST]: "pin from|pin 1|pin a|first pin|pin at from|from pin|stift 1|stift von|pige 1|pasador 1",
    PIN[SECOND]: "pin to|pin 2|pin b|second pin|pin at to|to pin|stift 2|stift nach|stift zu|pige 2|pasador 2",
}  # fmt: skip
_READING = (
    "reading|readings|distance|distances|dist|measured distance|measured|value|length|measurement|actual|caliper|"
    "caliper reading|abstand|abstände|messwert|maß|ist|gemessen|ablesung|strecke|lecture|mesure|valeur|cote|"
    "cote mesurée|lectura|distancia|medida|valor|cota"
)
_WAYS: dict[str, str] = {
    OVER_PINS: "over pins|over|over both pins|outside pins|outside of pins|across pins|over pin|outer|m|"
    "über stifte|über die stifte|außen über stifte|sur piges|par dessus piges|extérieur piges|sobre pasadores|"
    "por fuera de pasadores",
    BETWEEN_PINS: "between pins|between|inside pins|inside of pins|to pin|between the pins|inner|"
    "zwischen stiften|zwischen den stiften|innen zwischen stiften|entre piges|entre pasadores",
    FAR_WALLS: "far walls|far wall|inside jaws|inside jaws far walls|outer walls|"
    "inside jaws to the far walls|innenschnäbel|außenwände|parois extérieures|becs intérieurs|paredes exteriores",
    NEAR_WALLS: "near walls|near wall|web|outside jaws|outside jaws on the web|the web|inner walls|"
    "steg|außenschnäbel|innenwände|parois intérieures|becs extérieurs|paredes interiores|alma",
    CENTRES: "centres|centers|centre to centre|center to center|c c|c-c|c/c|centre distance|center distance|"
    "centre|center|zeroed|height gauge|achsabstand|mittenabstand|lochabstand|bohrungsabstand|höhenmesser|entraxe|"
    "entraxes|entre centros|distancia entre centros",
}  # fmt: skip
_SIDES = {
    ("x", -1): "left|links|linke|linke kante|gauche|bord gauche|izquierda|izquierdo|borde izquierdo",
    ("x", 1): "right|rechts|rechte|rechte kante|droite|bord droit|derecha|derecho|borde derecho",
    ("y", -1): "lower|bottom|unten|untere|untere kante|unterkante|bas|inférieur|bord inférieur|inferior|abajo",
    ("y", 1): "upper|top|oben|obere|obere kante|oberkante|haut|supérieur|bord supérieur|superior|arriba",
}
_TRIAL = re.compile(r"[\s#]*(?:no\.?|nr\.?)?\s*(\d{1,2})$")
LONGEST = 40  #: characters of such a heading
ROWS_BELOW = 60  #: so many rows below a heading are looked at for ends of distances


@cache
def _phrases() -> dict[str, tuple[str, str]]:
    """Return phrase -> (field, way); a heading that names a way alone stands over readings."""
    found: dict[str, tuple[str, str]] = {}
    for table, kind in ((_FIELDS, "field"), (_WAYS, "way")):
        for word, phrases in table.items():
            for phrase in phrases.split("|"):
                for spelt in (phrase, unaccented(phrase)):
                    found.setdefault(_key(spelt), (word, "") if kind == "field" else ("", word))
    for phrase in _READING.split("|"):
        found.setdefault(_key(phrase), ("", ""))
    return found


def _key(text: str) -> str:
    return " ".join(re.sub(r"[^\w#]+", " ", plain(text)).split())


def _meaning(text: Content, vocabulary: Vocabulary) -> Meaning:
    """Return what a heading of a table of distances means."""
    if not isinstance(text, str) or len(text) > 120:
        return vocabulary.meaning(text)
    rest, unit = heading_unit(plain(text))
    key, trial = _key(rest), 0
    if key not in _phrases() and (match := _TRIAL.search(key)) and key[: match.start()] in _phrases():
        key, trial = key[: match.start()], int(match[1])
    if key in _phrases():
        word, way = _phrases()[key]
        return (
            Meaning(FIELD, word, unit=unit) if word else Meaning(READING, "distance", trial=trial, unit=unit, ask=way)
        )
    known = vocabulary.meaning(text)
    if known.kind == READING and known.word in {"", "distance"}:
        return replace(known, word="distance", hole="", direction=None)
    if known.kind == MODIFIER and known.trial and not known.hole:
        return Meaning(READING, "distance", trial=known.trial, unit=known.unit)
    return known if known.kind in {FIELD, IGNORED} and known.word != "hole" else Meaning(UNKNOWN)


def find_distances(sheet: RawSheet, vocabulary: Vocabulary, spec: Specification) -> list[Heading]:
    """Return the headings of the tables of distances in a sheet, top down; most sheets have none."""
    grid, found = sheet.grid, list[Heading]()
    hits = np.zeros(grid.rows, dtype=np.bool_)
    for column in grid.columns:
        if column.codes is not None:
            ends = [isinstance(x, str) and _begins(x) for x in column.labels]
            hits |= np.append(np.array(ends, dtype=np.bool_), False)[column.codes]
    match = Ends(spec).match
    for row in np.flatnonzero(hits).tolist():
        contents = grid.row(row)
        meanings = [_meaning(x, vocabulary) for x in contents]
        fields = {m.word: c for c, m in reversed(list(enumerate(meanings))) if m.kind == FIELD}
        if not ({FIRST, SECOND} <= fields.keys() or BOTH in fields) or any(
            isinstance(x, float) and not x.is_integer() for x in contents
        ):
            continue
        pins = [c for c, m in enumerate(meanings) if m.word == PINS]
        if len(pins) == 2:  # one for each end
            for place, end in zip(pins, (FIRST, SECOND), strict=True):
                meanings[place] = replace(meanings[place], word=PIN[end])
        meanings = _numbered(meanings)
        columns = [fields[FIRST], fields[SECOND]] if {FIRST, SECOND} <= fields.keys() else [fields[BOTH]]
        below = [[grid.cell(r, c) for c in columns] for r in range(row + 1, min(row + 1 + ROWS_BELOW, grid.rows))]
        named = [all(match(x) for x in ends) if len(ends) == 2 else len(parted(ends[0], match)) == 2 for ends in below]
        # 'Hole 1' and 'Hole 2' may as well stand over readings of two holes
        across = any(vocabulary.meaning(contents[c]).hole for word, c in fields.items() if word in {FIRST, SECOND})
        shown = any(m.word in {WAY, PINS, *PIN.values()} or (m.kind == READING and m.ask) for m in meanings)
        sure = shown and not across
        if any(m.kind == READING for m in meanings) and (sure or any(named)):
            texts = tuple("" if x is None else text_of(x) for x in contents)
            found.append(Heading(row, row, texts, tuple(meanings)))
    return found


@cache
def _first_letters() -> frozenset[str]:
    return frozenset(phrase[:2] for phrase, (word, _) in _phrases().items() if word in {FIRST, BOTH})


def _begins(text: str) -> bool:
    """Whether a text is the heading of the first end, or of both."""
    short = text.strip()
    if len(short) > LONGEST or short[:2].lower() not in _first_letters():
        return False
    return _phrases().get(_key(short), ("",))[0] in {FIRST, BOTH}


def _numbered(meanings: list[Meaning]) -> list[Meaning]:
    """Number reading columns of one way that carry no number: 1, 2, ... from the left."""
    same: dict[str, list[int]] = {}
    for column, meaning in enumerate(meanings):
        if meaning.kind == READING and not meaning.trial:
            same.setdefault(meaning.ask, []).append(column)
    out = list(meanings)
    for columns in (c for c in same.values() if len(c) > 1):
        for number, column in enumerate(columns, 1):
            out[column] = replace(meanings[column], trial=number)
    return out


def is_distances(meanings: Sequence[Meaning]) -> bool:
    """Whether the columns of a table are those of distances."""
    return any(m.kind == FIELD and m.word in {FIRST, BOTH} for m in meanings)


class Ends:
    """Matches what people call the ends of a distance: holes, `A`, `edge A`, `left edge`."""

    def __init__(self, spec: Specification) -> None:
        self._spec, self._holes = spec, Holes(spec)
        self._sides: dict[str, str] = {}
        turned = {
            "x": any(p.picture_signs()[0] < 0 for p in spec.parts),
            "y": any(p.picture_signs()[1] < 0 for p in spec.parts),
        }
        x, y = ([getattr(h, axis) for h in spec.holes] for axis in "xy")
        for edge in spec.datum_edges:
            middle = sum(x if edge.axis == "x" else y) / len(spec.holes)
            for (axis, side), words in _SIDES.items():
                # of a mirrored part nobody can tell from here what left is
                if axis == edge.axis and (side > 0) == (edge.at > middle) and not turned[axis]:
                    self._sides |= {_key(word): f"{EDGE}{edge.name}" for word in words.split("|")}

    def match(self, content: Content) -> str:
        """Return the end that a label means as `Distance` writes it, '' for none."""
        text = text_of(content) if content is not None else ""
        if found := end_of(self._spec, text):
            return found
        key = re.sub(r"(?:^|\s)(?:edge|side|kante|rand|bord|borde|datum|bezug)(?:\s|$)", " ", _key(text)).strip()
        if found := self._sides.get(key) or end_of(self._spec, f"{EDGE}{key}" if key != _key(text) else ""):
            return found
        code = self._holes.match(content).code if content is not None else -1
        return self._spec.hole_ids[code] if code >= 0 else ""

    @property
    def allowed(self) -> str:
        """What may stand there, in words."""
        edges = ", ".join(e.name for e in self._spec.datum_edges) or "none (name them under [datum_edges] of the kit)"
        return f"holes {', '.join(self._spec.hole_ids[:24])}; edges {edges}"


def parted(content: Content, match: Callable[[Content], str]) -> list[str]:
    """Return both ends that one cell names, `1-2`, `A to 3`, `1 → 4`; fewer where it isn't clear."""
    text = text_of(content) if content is not None else ""
    for sign in (
        r"\s*(?:→|->|=>|–|—|/|;|,|&|\+)\s*",
        r"\s+(?:to|and|bis|nach|und|à|et|a|y|hasta)\s+",
        r"\s*-\s*",
        r"\s+",
    ):
        pieces = [p for p in re.split(sign, text) if p]
        if len(pieces) == 2 and all(match(p) for p in pieces):
            return [match(p) for p in pieces]
    return []


def way_of(content: Content) -> str:
    """Return the way that a label means, '' for none."""
    return _phrases().get(_key(text_of(content)), ("", ""))[1]
