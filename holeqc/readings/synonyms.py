"""The one table of words that shops put over their columns, and what each stands for here.

A heading is cut into tokens (letters, numbers, signs); the longest phrase that fits is taken first. A kit file extends
the table by its ``[headings]``. Common practice, no source, unless a standard's own term.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import cache

FIELD, CHARACTERISTIC, WALL, DIRECTION, TRIAL, FILLER, ASK, AXIS, IGNORE, WEAK_HOLE, DEGREES = (
    "field",
    "characteristic",
    "wall",
    "direction",
    "trial",
    "filler",
    "ask",
    "axis",
    "ignore",
    "weak-hole",
    "degrees",
)

_NUMBERED = ("", " no", " nr", " number", " num", " id", " #", " code")


@dataclass(frozen=True, slots=True)
class Mark:
    """What one phrase says: a kind and a value. ``value`` is a word, a wall's place (0 near, 1 far) or degrees."""

    kind: str
    value: str | int | float = ""


#: field -> phrases that mean it with or without 'no', 'nr', 'number', '#', 'id' behind
_NUMBERED_FIELDS: dict[str, str] = {
    "hole": "hole|holes|position no|pos no|hole position|hole pos|hole location|location no|loc no|bore no|feature",
    "serial": "serial|ser|s n|sn|s no|part serial|unit serial|part s n",
    "part": "part|p n|pn|part name|component|assembly|item name",
    "gauge": "gauge|gage|instrument|tool|equipment|measured with|measuring tool|measuring device|inst|gauge used",
}
#: field -> phrases that mean it
_FIELDS: dict[str, str] = {
    "wall": "wall|face|side|sheet|layer|end|skin|wall side|which wall|entry exit|near far",
    "characteristic": "characteristic|what|kind|feature type|dimension|dim|measurement type|quantity|type",
    "direction": "direction|dir|angle|orientation|clock|azimuth|rotation",
    "trial": "trial|repeat|rep|repetition|run|reading no|reading number|reading nr|measurement no|shot|trial no",
    "value": "value|reading|readings|measured|measured value|measurement|measurements|actual|actual value|result|"
    "results|found|act|meas|measured size|actual reading|observed|observation",
    "unit": "unit|units|uom|unit of measure|dimensions in|all dimensions in|units of measure|readings in",
    "temperature_c": "temp|temperature|part temp|part temperature|temperature of part|shop temperature|room temp|"
    "room temperature|ambient",
    "date": "date|day|date read|date measured|measured on|date of reading|inspection date|date inspected|read on",
    "by": "by|inspector|operator|technician|tech|measured by|checked by|read by|inspected by|initials|insp|appraiser|"
    "bench|entered by",
    "note": "note|notes|remark|remarks|comment|comments|observed by eye|findings",
    "part": "plate|plate name",
    "kit": "kit|kit id|kit no|kit number",
    "revision": "rev|revision|drawing rev|drawing revision|kit rev|kit revision",
    "ignore": "time|row|line|sheet no|page|order|work order|job|job no|drawing|drawing no|drawing number|bushing|"
    "customer|signature|sign|signed|stamp|batch|lot|lot no|shift|machine|fixture|station|station no|sequence|seq|shop|"
    "description|approved by|approved|title|material|drill|drill size|operation|op|jig",
}
_CHARACTERISTICS: dict[str, str] = {
    "diameter": "diameter|diameters|dia|diam|ø|bore|hole size|size|hole dia|hole diameter|bore dia|id dia|hole bore|d|"
    "inside diameter|inside dia|i d",
    "x": "x|x pos|xpos|xposition|xcoord|xloc|posx|x position|x coordinate|x coord|x location|x loc|x dim|pos x|"
    "position x",
    "y": "y|y pos|ypos|yposition|ycoord|yloc|posy|y position|y coordinate|y coord|y location|y loc|y dim|pos y|"
    "position y|y measured|y actual|y act",
    "edge_distance": "edge distance|edge dist|edge|edge margin|e d|ed|distance to edge|edge dim|to edge",
    "plug": "plug|plug size|largest plug|largest pin|largest plug that enters|pin gauge size|plug dia|biggest plug|"
    "plug diameter|largest plug gauge|gauge pin",
    "go": "go|go plug|go pin|go check|plug go|go side",
    "no_go": "no go|nogo|not go|no go plug|no go pin|no go check|not go plug|plug no go|nogo plug|no go side|"
    "not go side",
    "surface": "surface|finish|condition|visual|surface check|hole condition|hole surface",
}
#: words that ask one thing of the surface, so that yes and no can be understood
_ASKS: dict[str, str] = {
    "burr": "burr|burrs|any burr|burr found|burrs found",
    "burr-free": "burr free|burrfree|no burr|no burrs|deburred|free of burrs|deburr",
    "clean": "clean|clean hole|cleanliness|chips removed",
    "crack": "crack|cracks|cracked|any crack|cracks found",
    "enters": "enters|enter|entered|fits|goes|goes in|drops in",
}
_WALLS: tuple[str, str] = (
    "near|entry|entrance|drill side|drill entry|entry side|near side|near wall|near face|front|outer|outside|outboard|"
    "outer face|1st wall|first wall|wall 1|top side|upper wall|face up",
    "far|exit|exit side|far side|far wall|far face|back|rear|inner|inside|inboard|inner face|2nd wall|second wall|"
    "wall 2|bottom side|lower wall",
)
_TRIALS: dict[int, str] = {1: "1st|first|one", 2: "2nd|second|two", 3: "3rd|third|three", 4: "4th|fourth"}
_DIRECTIONS: dict[float, str] = {0.0: "horizontal|horiz|hor|across|along x", 90.0: "vertical|vert|along y"}
_FILLERS = (
    "the|of|at|a reading|is|in the|for|measured at|reading at|and|or|with|per|hole s|each|wall side|through|read|taken|"
    "inspected|q|axis|coordinate|coord|location|loc|nominal direction|dimension of"
)
#: why a column holds no readings -> phrases that say so
_IGNORED: dict[str, str] = {
    "limit": "lower|upper|limit|limits|low|high|tolerance|tol|usl|lsl|allowed|should be",
    "drawing": "nominal|nom|basic|asked|requirement|required|req|spec|target|per drawing|per print|call out|callout",
    "extreme": "min|max|minimum|maximum",
    "statistic": "mean|average|avg|range|difference|diff|total|sum|std|sd|sigma|count",
    "deviation": "deviation|dev|error|offset|delta|dx|dy",
    "computed": "out of roundness|roundness|ovality|taper|true position|tp|position|bonus",
    "verdict": "verdict|status|check|pass fail|accept reject|accept|ok|judgement|disposition|still open|open",
    "earlier": "before rework|before reaming|before|first reading|old|previous|prior|last time|original|as found",
}
_WEAK = "#|no|nr|number|pos|item|id|loc|location"

_TOKEN = re.compile(r"[^\W\d_]+|\d+(?:[.,]\d+)?|[ø°#]")
_SIGNS = str.maketrans({"º": "°", "˚": "°", "⌀": "ø", "∅": "ø", "φ": "ø", "ϕ": "ø", "Φ": "ø", "Ø": "ø"})
_DIAMETER = re.compile(r"\bø")


def plain(text: str) -> str:
    """Return text in one spelling: lower case, plain widths, one space, one sign for degrees and one for diameter."""
    return " ".join(unicodedata.normalize("NFKC", text.translate(_SIGNS)).translate(_SIGNS).lower().split())


def tokens(text: str) -> tuple[str, ...]:
    """Return the words, numbers and signs of a heading; letters and digits are parted: X1 is x, 1."""
    spaced = plain(text).replace("ø", " ø ").replace("1st", " first ").replace("2nd", " second ")
    return tuple(_TOKEN.findall(spaced.replace("3rd", " third ").replace("4th", " fourth ").replace("_", " ")))


def _fill(table: dict[tuple[str, ...], Mark], phrases: str, mark: Mark, endings: tuple[str, ...] = ("",)) -> None:
    for phrase in phrases.split("|"):
        for ending in endings:
            table[tokens(phrase + ending)] = mark


def standard_table() -> dict[tuple[str, ...], Mark]:
    """Return phrase (as tokens) -> mark, before any kit extends it; a copy that may be changed."""
    return dict(_standard_table())


@cache
def _standard_table() -> dict[tuple[str, ...], Mark]:
    table: dict[tuple[str, ...], Mark] = {}
    _fill(table, _FILLERS, Mark(FILLER))
    for reason, phrases in _IGNORED.items():
        _fill(table, phrases, Mark(IGNORE, reason))
    _fill(table, _WEAK, Mark(WEAK_HOLE))
    for word, phrases in _FIELDS.items():
        _fill(table, phrases, Mark(FIELD, word))
    for word, phrases in _NUMBERED_FIELDS.items():
        _fill(table, phrases, Mark(FIELD, word), _NUMBERED)
    for word, phrases in _CHARACTERISTICS.items():
        _fill(table, phrases, Mark(CHARACTERISTIC, word))
    for word, phrases in _ASKS.items():
        _fill(table, phrases, Mark(ASK, word))
    for place, phrases in enumerate(_WALLS):
        _fill(table, phrases, Mark(WALL, place))
    for number, phrases in _TRIALS.items():
        _fill(table, phrases, Mark(TRIAL, number))
    for degrees, phrases in _DIRECTIONS.items():
        _fill(table, phrases, Mark(DIRECTION, degrees))
    for order, letter in enumerate("abc"):
        table[(letter,)] = Mark(AXIS, order)
    _fill(table, "°|deg|degree|degrees", Mark(DEGREES))
    return table
