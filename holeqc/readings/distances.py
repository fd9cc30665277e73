"""Tables of distances in a sheet: from where to where, in which way, over which pins; and what a distance should read.

A distance is one reading of the tidy table, of its first hole, with what it is of in the column ``word``
(`holeqc.specification.model.Distance.text`). Coordinates follow from distances when they are judged."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import FloatArray, convert
from holeqc.readings.containers import Content, IntArray
from holeqc.readings.draft import UNIT_CODES, Array
from holeqc.readings.files import RawSheet
from holeqc.readings.headings import IGNORED, MODIFIER, READING, UNKNOWN, Heading, Meaning, Vocabulary
from holeqc.readings.identities import Holes, Match, text_of
from holeqc.readings.layouts import Source, Table, fill_down
from holeqc.readings.rows import Reporter, Rows
from holeqc.readings.synonyms import FIELD, heading_unit, plain, unaccented
from holeqc.readings.table import Issue, note, place_reach, position_tolerance, warning
from holeqc.readings.values import length_of
from holeqc.specification.model import (
    BETWEEN_PINS,
    CENTRES,
    EDGE,
    FAR_WALLS,
    NEAR_WALLS,
    OVER_PINS,
    WAYS,
    Distance,
    Specification,
    end_of,
)

# Headings of a table of distances, English, German, French, Spanish.


FIRST, SECOND, BOTH, WAY, PINS = "end:first", "end:second", "ends", "way", "pins"
PIN = {FIRST: "pin:first", SECOND: "pin:second"}
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
SAME_PIN = 1e-7  #: diameters of pins nearer than this are one
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
            ends = [
                isinstance(x, str) and _phrases().get(_key(x[:120]), ("",))[0] in {FIRST, BOTH} for x in column.labels
            ]
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
        named = [all(match(x) for x in ends) if len(ends) == 2 else len(_parted(ends[0], match)) == 2 for ends in below]
        if any(m.kind == READING for m in meanings) and any(named):
            texts = tuple("" if x is None else text_of(x) for x in contents)
            found.append(Heading(row, row, texts, tuple(meanings)))
    return found


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


def _parted(content: Content, match: Callable[[Content], str]) -> list[str]:
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


# What each row says: both ends, the way, the pins; doubts about them.


def read_ends(table: Table, known: Rows) -> Array:
    """Return what the distance of each row is of (r,), without a way where the row says none; None where unknown.

    Doubts go to ``known.issue``: an end that the kit doesn't know, one end twice, a way or a pin that isn't clear.
    """
    spec = table.context.spec
    report, ends = Reporter(table, known), Ends(spec)
    sides = _both_ends(table, known, ends, report)
    ways = table.source(WAY)
    fill_down(ways, table.rows, table.block_of, table.any_reading)
    unknown = Issue("unknown-way", "it isn't clear how the distance was taken", ", ".join(WAYS), "Write one of these")
    way = _settled(ways, _way, report, "way", unknown)
    first_pin, second_pin, both_pins = (_pins(table, word, report) for word in (PIN[FIRST], PIN[SECOND], PINS))
    pins = [np.where(np.isnan(pin), both_pins, pin) for pin in (first_pin, second_pin)]
    _same_pins(table, known, sides, pins)
    what = [*sides, way, *(np.where(np.isnan(pin), "", pin.astype(object)) for pin in pins)]
    numbered = np.column_stack([np.unique(each.astype(str), return_inverse=True)[1] for each in what])
    _, rows, inverse = np.unique(numbered, axis=0, return_index=True, return_inverse=True)
    distinct = np.empty(rows.size, dtype=object)
    for n, row in enumerate(rows.tolist()):
        one, other = str(sides[0][row]), str(sides[1][row])
        both = (
            float("nan") if end.startswith(EDGE) else float(pin[row])
            for end, pin in zip((one, other), pins, strict=True)
        )
        distinct[n] = Distance(one, other, str(way[row]), "", tuple(both)) if one and other else None  # type: ignore[arg-type]
    same = (sides[0] == sides[1]) & (sides[0] != "") & table.any_reading
    _mark(table, known, same, Issue("same-end", "the distance has the same end twice", ends.allowed, "Name two ends"))
    return distinct[inverse.ravel()]


def _same_pins(table: Table, known: Rows, sides: list[Array], pins: list[FloatArray]) -> None:
    """Give a hole without a pin beside it the pin that other rows of its part and wall name for it, where it is one."""
    codes, end = np.unique(np.concatenate(sides).astype(str), return_inverse=True)
    key = (end * 1_000_003 + np.tile(known.serial, 2)) * 64 + np.tile(known.part, 2) * 8 + np.tile(known.wall, 2)
    pin = np.concatenate(pins)
    group = np.unique(key, return_inverse=True)[1]
    low, high = (np.full(group.max(initial=0) + 1, fill) for fill in (np.inf, -np.inf))
    named = ~np.isnan(pin)
    np.minimum.at(low, group[named], pin[named])
    np.maximum.at(high, group[named], pin[named])
    hole = np.isin(codes, [c for c in codes if c and not c.startswith(EDGE)])[end]
    taken = hole & ~named & (np.abs(high - low) < SAME_PIN)[group]
    pin[taken] = low[group[taken]]
    pins[:] = np.split(pin, 2)
    rows = np.flatnonzero((taken[: taken.size // 2] | taken[taken.size // 2 :]) & table.any_reading)
    if rows.size:
        issue = note("same-pin", f"{int(taken.sum())} pins aren't said: taken as those of the same holes in other rows")
        table.context.say(issue, "blank", int(table.rows[rows[0]]), table.first_column(int(rows[0])))


def _both_ends(table: Table, known: Rows, ends: Ends, report: Reporter) -> list[Array]:
    """Return the first and the second end of each row (r,), '' where it isn't known."""
    unknown = Issue("unknown-end", "the kit has no such hole or edge", ends.allowed, "Correct the hole or the edge")
    if table.fields(BOTH) and not table.fields(FIRST):
        found = table.source(BOTH)
        parted = [_parted(label, ends.match) for label in found.labels]
        report.report(found, [Match(issue=None if len(p) == 2 else unknown) for p in parted], "ends", unusable=True)
        _missing(table, known, found)
        pairs = [p if len(p) == 2 else ["", ""] for p in parted] + [["", ""]]
        return [np.array([p[n] for p in pairs], dtype=object)[found.codes] for n in (0, 1)]
    out = []
    for word in (FIRST, SECOND):
        found = table.source(word)
        if word == FIRST:  # written once over the distances that start there
            fill_down(found, table.rows, table.block_of, table.any_reading)
            report.filled_down({"first end": found})
        out.append(_settled(found, ends.match, report, "end", unknown))
        _missing(table, known, found)
    return out


def _settled(found: Source, match: Callable[[Content], str], report: Reporter, word: str, unknown: Issue) -> Array:
    """Return what each row's label means (r,), '' where it says nothing; labels that mean nothing are reported."""
    named = [match(label) for label in found.labels]
    report.report(found, [Match(issue=None if name else unknown) for name in named], word, unusable=True)
    return np.array([*named, ""], dtype=object)[found.codes]


def _missing(table: Table, known: Rows, found: Source) -> None:
    _mark(table, known, ~found.said() & table.any_reading,
          Issue("end-missing", "a distance names only one of its ends", "two ends", "Write both"))  # fmt: skip


def _way(content: Content) -> str:
    key = _key(text_of(content))
    return _phrases().get(key, ("", ""))[1]


_NO_PIN_THERE = {"", "-", "–", "—", "none", "keine", "aucune", "ninguno"}


def _pins(table: Table, word: str, report: Reporter) -> FloatArray:
    """Return the pin's diameter that each row names (r,) [kit unit], NaN where it names none."""
    spec, context = table.context.spec, table.context
    found, columns = table.source(word), table.fields(word)
    stated = table.meanings[columns[0]].unit if columns else ""
    hand = spec.plan.distances.pins if spec.plan.distances else ()
    largest = max(h.size.upper for h in spec.holes)
    values, matches = [], []
    for label in found.labels:
        if text_of(label).strip().casefold() in _NO_PIN_THERE:
            values.append(np.nan)
            matches.append(Match())
            continue
        typed = length_of(label, context.decimal)
        unit = next(u for u in (typed.unit, stated, context.unit, spec.unit) if u in UNIT_CODES[1:])
        value = float(convert(typed.value, unit, spec.unit)) if unit != spec.unit else typed.value
        issue = typed.issue
        if issue is None and not 0.0 < value < largest:
            allowed = f"below {largest:g} {spec.unit}"
            issue = Issue("measuring-pin-size", "no such pin enters the holes", allowed, "Correct the pin's diameter")
        elif issue is None and hand and not any(abs(value - pin) < SAME_PIN for pin in hand):
            issue = Issue("unknown-measuring-pin", "the kit lists no such pin, so its diameter isn't known to be right",
                          f"pins {', '.join(f'{p:g}' for p in hand)}",
                          "Correct it, or list the pin under plan.distance_pins")  # fmt: skip
        values.append(value)
        matches.append(Match(issue=issue))
    report.report(found, matches, "pin", unusable=True)
    return np.array([*values, np.nan])[found.codes]


def _mark(table: Table, known: Rows, rows: Array, issue: Issue) -> None:
    """Report a doubt of some rows (r,) and give it to their readings."""
    at = np.flatnonzero(rows)
    if not at.size:
        return
    context = table.context
    code = context.draft.issue_code(issue)
    context.draft.reported.add(code)
    known.issue[at] = np.where(known.issue[at] == 0, code, known.issue[at])

    def make(row: int) -> Problem:
        tied = context.tied(*(max(int(x[row]), -1) for x in (known.part, known.serial)))
        place, column = int(table.rows[row]), table.first_column(row)
        return context.problem(issue, repr(text_of(context.sheet.grid.cell(place, column))), place, column, **tied)

    context.collector.cells(at.tolist(), make)


def add_ends(table: Table, distances: Array, chunk: dict[str, Array], row_of: IntArray) -> None:
    """Say in a chunk of readings (n,) what each distance is of: ends and way, its first hole, a number for the rest.

    ``distances`` (r,) as `read_ends` gives them, ``row_of`` (n,): the table's row of each reading. The way is that of
    the row, else that of the column's heading; without either it is over pins where pins are named.
    """
    draft, place = table.context.draft, places_of(table.context.spec)
    texts = np.array([d.text if d is not None else "" for d in distances])
    _, code = np.unique(texts, return_inverse=True)
    pairs = np.column_stack([code[row_of], chunk["column"]])
    _, first, inverse = np.unique(pairs, axis=0, return_index=True, return_inverse=True)
    settled = np.zeros((first.size, 4), dtype=np.int64)  # ends, hole, number of the rest, issue
    for n, at in enumerate(first.tolist()):
        found: Distance | None = distances[row_of[at]]
        if found is None:
            settled[n] = -1, -1, -1, draft.issue_code(_NO_ENDS)
            continue
        whole, issue = _whole(table, found, table.meanings[int(chunk["column"][at]) - 1].ask)
        hole = place[whole.first] if not whole.first.startswith(EDGE) else -1
        number = place[whole.second] * len(WAYS) + WAYS.index(whole.way)
        settled[n] = draft.ends.code(whole.text), hole, number, draft.issue_code(issue)
    ends, hole, number, issue = settled[inverse.ravel()].T
    chunk["ends"], chunk["hole"] = ends, hole
    chunk["direction"] = np.where(number < 0, np.nan, number)
    chunk["issue"] = np.where(chunk["issue"] == 0, issue, chunk["issue"])


def places_of(spec: Specification) -> dict[str, int]:
    """Return a number for each end: holes in the order of the kit, then edges."""
    return {end: n for n, end in enumerate((*spec.hole_ids, *(f"{EDGE}{e.name}" for e in spec.datum_edges)))}


def _whole(table: Table, found: Distance, way: str) -> tuple[Distance, Issue | None]:
    """Return a distance with its way and pins settled, its ends in the order of the kit, and what isn't clear of it."""
    spec = table.context.spec
    plan, place = spec.plan.distances, places_of(spec)
    way = found.way or way or ("" if np.isnan(found.pins).all() else OVER_PINS)
    only = plan.pins[0] if plan is not None and len(plan.pins) == 1 else float("nan")
    ends = [(found.first, found.pins[0]), (found.second, found.pins[1])]
    if way in {OVER_PINS, BETWEEN_PINS}:
        ends = [(end, pin if end.startswith(EDGE) or pin == pin else only) for end, pin in ends]
    else:
        ends = [(end, float("nan")) for end, _ in ends]
    issue = _NO_WAY if not way else None
    if way in {OVER_PINS, BETWEEN_PINS} and any(pin != pin and not end.startswith(EDGE) for end, pin in ends):
        issue = _NO_PIN
    (first, one), (second, other) = sorted(ends, key=lambda end: place[end[0]])  # one name for one distance
    return Distance(first, second, way or OVER_PINS, "", (one, other)), issue


_NO_ENDS = Issue("end-missing", "a distance without two ends that the kit knows", "two ends", "Write both")
_NO_WAY = warning("way-missing", "it isn't said how the distance was taken", ", ".join(WAYS), "Write the way beside it",
                  holds=True)  # fmt: skip
_NO_PIN = warning("measuring-pin-missing", "the distance was taken over pins, and no pin's diameter is said",
                  "the diameter of the pin", "Write the pin beside it, or list it under plan.distance_pins",
                  holds=True)  # fmt: skip


# What a distance should read, for the doubts of `plausibility` and the marks of the blank sheet.


def basic_distance(spec: Specification, found: Distance, part: str) -> float:
    """Return the distance of two centres, or from a centre to an edge, as drawn in the frame of a part's readings."""
    xy = dict(zip(spec.hole_ids, spec.basic_xy(part), strict=True))
    signs = dict(zip("xy", spec.part(part).signs(), strict=True))
    edges = {f"{EDGE}{e.name}": e for e in spec.datum_edges}
    ends = [xy.get(end, edges.get(end)) for end in (found.first, found.second)]
    if any(end is None for end in ends):
        return float("nan")
    holes = [end for end in ends if isinstance(end, np.ndarray)]
    lines = [end for end in ends if not isinstance(end, np.ndarray)]
    if len(holes) == 2:
        return float(np.hypot(*(holes[0] - holes[1])))
    if len(holes) == 1:
        edge = lines[0]
        assert edge is not None
        return abs(float(holes[0]["xy".index(edge.axis)]) - edge.at * signs[edge.axis])
    first, second = lines
    assert first is not None
    assert second is not None
    return abs(first.at - second.at) if first.axis == second.axis else float("nan")


def added(spec: Specification, found: Distance, sizes: dict[str, float] | None = None) -> float:
    """Return what a way adds to the distance of centres: half of both pins over pins, less it between them, and so on.

    ``sizes``: diameters of holes, those in the middle of their limits if not given. Source: common practice, elementary
    geometry.
    """
    if found.way == CENTRES:
        return 0.0
    total = 0.0
    for end, pin in zip((found.first, found.second), found.pins, strict=True):
        if end.startswith(EDGE):
            continue
        if found.way in {OVER_PINS, BETWEEN_PINS}:
            total += pin / 2.0
        else:
            size = spec.hole(end).size
            total += (sizes or {}).get(end, 0.5 * (size.lower + size.upper)) / 2.0
    return total if found.way in {OVER_PINS, FAR_WALLS} else -total


def drawn_distances(spec: Specification, texts: Sequence[str], part: str) -> FloatArray:
    """Return what distances should read and how far off that they are believed, (n, 2), NaN where it isn't known."""
    from holeqc.specification.model import distance_of

    reach = dict(zip(spec.hole_ids, place_reach(spec).absurd + position_tolerance(spec), strict=True))
    out = np.full((len(texts), 2), np.nan)
    for n, text in enumerate(texts):
        found = distance_of(text)
        if found is not None and {found.first, found.second} & reach.keys():
            far = sum(reach[end] for end in (found.first, found.second) if end in reach)
            out[n] = basic_distance(spec, found, part) + added(spec, found), far
    return out
