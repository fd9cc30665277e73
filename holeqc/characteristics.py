"""Everything that can be read or judged of a hole, one record each.

Sheet, reader, evidence, verdicts, tags, series, reports, data and kit file take names, units, headings and columns from
here. A characteristic that is one number of a hole between limits (``table`` says where the kit file asks it) needs
nothing but its record and the rows of its keys in ``specification/keys.md``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

LENGTH, ANGLE, WORD = "length", "angle", "word"  #: kinds of value: of an angle nothing is converted or brought to 20 °C
DEGREES = "°"
GAUGE, PLUG, EYE = "gauge", "plug", "eye"  #: what reads it


@dataclass(frozen=True, slots=True)
class Characteristic:
    """One thing that is read, judged or both.

    ``word``: its name in data, the readings table and kit files. ``name``: where it is judged, its name in sentences,
    tags and the ledger. ``feeds``: the words of the readings that it is judged by, the nearest first. ``whole_hole``:
    a reading may name no wall. ``headings``: phrases over columns, English, German, French, Spanish.
    """

    word: str
    name: str = ""
    kind: str = LENGTH
    by: str = GAUGE
    read: bool = False
    feeds: tuple[str, ...] = ()
    whole_hole: bool = False
    headings: str = ""
    title: str = ""  #: heading of its columns on our own sheets
    asked_title: str = ""  #: heading of what is asked beside them
    check_title: str = ""  #: heading of the live check beside them
    gauge_field: str = ""  #: label of its gauge above our own table
    short: str = ""  #: over a column of a report
    brief: str = ""  #: in the line that says how columns were understood
    also: str = ""  #: in the narrow column of the screen for what else is wrong
    series: str = ""  #: word for capability and charts, '' where there is no series of it
    series_name: str = ""  #: what a series of it is called, where not by its name
    series_asked: str = ""  #: what a kit would ask for it, where not by its name
    series_value: str = ""  #: what one value of a series is
    series_from: tuple[str, ...] = ()  #: words of the readings that a series takes
    series_by_wall: bool = False  #: each wall gives a value, of which the worst stands for the hole
    from_zero: bool = False  #: it can't be negative and is best at 0
    table: str = ""  #: table of the kit file that holds its limits, `lower` and `upper` behind `prefix`
    prefix: str = ""
    topic: str = ""  #: in the list of what a kit asks
    ordinary: tuple[float, float] = (0.0, float("inf"))  #: limits seldom lie outside: degrees, or hole sizes
    ordinary_why: str = ""
    far: float = 0.0  #: share of the nominal that one reading is believed to lie beyond a limit
    absurd: float = 2.0  #: share beyond which no reading is believed
    widest: float = 0.0  #: share of the nominal above which a band is a slip
    mended: str = ""  #: ``under``: cutting deeper mends what is under its lower limit

    @property
    def measured(self) -> bool:
        """Whether it is one number of a hole between limits of its own, and so needs no rule of judging of its own."""
        return bool(self.table)

    def unit(self, unit: str) -> str:
        """Return the unit of its values in a kit in ``unit``."""
        return DEGREES if self.kind == ANGLE else unit

    @property
    def series_text(self) -> str:
        """What a series of it is called."""
        return self.series_name or self.name

    @property
    def keys(self) -> tuple[str, str]:
        """Keys of its limits in their table of the kit file."""
        return f"{self.prefix}lower", f"{self.prefix}upper"


def _measured(word: str, title: str, also: str, **others: Any) -> Characteristic:
    """Return the record of one number of a hole between limits of its own, read by a gauge of its own."""
    name, short = title.lower(), title.replace("Countersink", "C'sink")
    return Characteristic(
        word, name, read=True, feeds=(word,), whole_hole=True, title=title, asked_title=f"{title} asked",
        check_title=f"{title} check", gauge_field=f"Gauge, {short.lower()}", brief=name, also=also, short=short,
        series=word.replace("_", "-"), series_from=(word,), series_value=f"{name}, each reading a value of its own",
        **others,
    )  # fmt: skip


_AXIS = (
    "@|@ pos|@pos|@position|@coord|@loc|pos@|@ position|@ coordinate|@ coord|@ location|@ loc|@ dim|pos @|position @|"
    "coordinate @|lage @|@ lage|@ koordinate|@koordinate|koordinate @|@ maß|@ wert|coordonnée @|@ coordonnée|cote @|"
    "coordenada @|"
    "@ coordenada|posición @|cota @"
)

#: in the order of a report; first what is read and never judged by itself
ALL: tuple[Characteristic, ...] = (
    Characteristic(
        "diameter", read=True, title="Diameter", brief="dia",
        headings="diameter|diameters|dia|diam|ø|durchmesser|durchm|dm|diám|diamètre|diamètres|diámetro|diámetros|"
        "diámetro interior|diamètre intérieur|innendurchmesser|bore|hole size|size|hole dia|hole diameter|bore dia|"
        "id dia|hole bore|d|"
        "inside diameter|inside dia|i d|bohrungsdurchmesser|lochdurchmesser|bohrungs ø|loch ø|bohrungsmaß|"
        "ø alésage|diamètre alésage|diamètre de l'alésage|ø du trou|diamètre du trou|diamètre trou|ø trou|"
        "diámetro del agujero|ø agujero|diámetro del taladro",
    ),
    Characteristic("x", read=True, title="x", headings=_AXIS.replace("@", "x") + "|abscisse"),
    Characteristic("y", read=True, title="y", headings=_AXIS.replace("@", "y") + "|ordonnée"),
    Characteristic("size", "size", feeds=("diameter", "plug"), short="Size", series="size", series_from=("diameter",),
                   series_value="two-point diameters, each a size of its own"),
    Characteristic(
        "out_of_roundness", "out-of-roundness", feeds=("diameter",), short="Out of round", also="form",
        series="out-of-roundness", series_from=("diameter",), series_by_wall=True, from_zero=True,
        series_value="largest difference of diameters across directions",
    ),
    Characteristic(
        "taper", "taper", feeds=("diameter",), short="Taper", also="form", series="taper",
        series_from=("diameter",), series_value="largest difference of diameters between the walls", from_zero=True,
    ),
    Characteristic(
        "position", "position", feeds=("x", "y", "diameter", "plug"), short="Position", series="position",
        series_from=("x", "y"), series_by_wall=True,
        series_value="measured minus basic position in the drawing's frame",
    ),
    Characteristic(
        "hole_to_hole_position", "hole-to-hole position", feeds=("x", "y", "diameter", "plug"), short="Hole to hole",
        series="hole-to-hole", series_name="room left hole to hole", series_asked="position hole to hole",
        series_from=("x", "y", "diameter"), series_by_wall=True,
        series_value="total position tolerance hole to hole minus the deviation of the floated pattern",
    ),
    Characteristic(
        "edge_distance", "edge distance", read=True, feeds=("edge_distance", "x", "y", "diameter"), whole_hole=True,
        title="Edge distance", asked_title="Edge asked", check_title="Edge check", gauge_field="Gauge, edge",
        short="Edge", brief="edge distance", also="edge",
        series="edge-distance", series_name="room left to the edge", series_asked="distance to the edge",
        series_from=("x", "y", "edge_distance"),
        series_value="distance to the nearest edge minus the least that is asked",
        headings="edge distance|edge dist|edge|edge margin|e d|ed|distance to edge|edge dim|to edge|"
        "randabstand|kantenabstand|abstand zum rand|abstand zur kante|abstand rand|rand|"
        "distance au bord|distance bord|distance du bord|pince|distancia al borde|distancia borde",
    ),
    _measured(
        "countersink_depth", "Countersink depth", "csink", table="countersink", prefix="depth_", topic="Countersink",
        far=0.5, widest=0.5, mended="under", ordinary=(0.0, 1.0),
        ordinary_why="a countersink as deep as the hole is wide goes through most sheets (common practice, no source)",
        headings="countersink depth|depth of countersink|depth countersink|csk depth|csink depth|c sink depth|"
        "cs depth|c'sink depth|c'sk depth|ctsk depth|depth csk|depth of csk|counter sink depth|countersunk depth|"
        "senktiefe|senkungstiefe|tiefe senkung|tiefe der senkung|senkung tiefe|kegelsenkung tiefe|"
        "profondeur de fraisure|profondeur fraisure|profondeur de fraisurage|profondeur du fraisurage|prof fraisure|"
        "profundidad de avellanado|profundidad avellanado|profundidad del avellanado|prof avellanado",
    ),
    _measured(
        "countersink_angle", "Countersink angle", "csink", kind=ANGLE, table="countersink", prefix="angle_",
        topic="Countersink", far=0.45, absurd=0.6, widest=0.1, ordinary=(55.0, 125.0),
        ordinary_why="countersinks for screws and rivets are cut with 60, 82, 90, 100, 110 or 120° (common practice, "
        "no source)",
        headings="countersink angle|angle of countersink|angle countersink|csk angle|csink angle|c sink angle|"
        "cs angle|c'sink angle|c'sk angle|ctsk angle|angle csk|angle of csk|counter sink angle|countersunk angle|"
        "included angle|countersink included angle|csk included angle|"
        "senkwinkel|senkungswinkel|winkel senkung|winkel der senkung|senkung winkel|"
        "angle de fraisure|angle fraisure|angle de fraisurage|angle du fraisurage|"
        "ángulo de avellanado|ángulo avellanado|ángulo del avellanado",
    ),
    _measured(
        "hole_depth", "Hole depth", "depth", table="depth", topic="Depth", far=0.5, widest=0.5, mended="under",
        ordinary=(0.1, 20.0),
        ordinary_why="holes through a bushing are some tenths to a few times as deep as wide; beyond 20 times a "
        "drill wanders (common practice, no source)",
        headings="hole depth|depth of hole|depth hole|drill depth|drilled depth|depth drilled|bore depth|"
        "depth of bore|full depth|full diameter depth|"
        "bohrtiefe|bohrungstiefe|lochtiefe|tiefe bohrung|tiefe der bohrung|"
        "profondeur du trou|profondeur trou|profondeur de perçage|profondeur perçage|prof trou|"
        "profundidad del agujero|profundidad agujero|profundidad de taladrado|profundidad del taladro|prof agujero",
    ),
    Characteristic(
        "plug", by=PLUG, read=True, whole_hole=True, brief="largest plug",
        headings="plug|plug size|largest plug|largest pin|largest plug that enters|pin gauge size|plug dia|"
        "biggest plug|plug diameter|largest plug gauge|gauge pin|"
        "größter lehrdorn|größter prüfstift|größter stift|größter dorn|plus grand tampon|plus gros tampon|"
        "plus grande pige|plus grosse pige|mayor tapón|tapón más grande|tapón mayor",
    ),
    # between two holes or edges: what position follows from where x and y aren't read; never a column of a hole
    Characteristic("distance", brief="distance"),
    Characteristic(
        "surface", "surface", WORD, EYE, read=True, feeds=("surface",), whole_hole=True, title="Surface",
        check_title="Surface check", short="Surface", brief="surface",
        headings="surface|finish|condition|visual|surface check|hole condition|hole surface|"
        "oberfläche|oberflächen|sichtprüfung|état de surface|aspect|aspect visuel|contrôle visuel|"
        "superficie|acabado|aspecto|inspección visual|control visual",
    ),
    Characteristic(
        "go", "GO", WORD, PLUG, read=True, feeds=("go",), whole_hole=True, title="GO", check_title="Plug check",
        short="GO", brief="GO",
        headings="go|go plug|go pin|go check|plug go|go side|"
        "gutseite|gut seite|gutlehrdorn|gut lehrdorn|lehrdorn gut|lehrdorn gutseite|gutlehre|gut lehre|lehre gut|"
        "entre|côté entre|tampon entre|tampon go|calibre go|lehrdorn go|pasa|lado pasa|tapón pasa|calibre pasa",
    ),
    Characteristic(
        "no_go", "NO-GO", WORD, PLUG, read=True, feeds=("no_go",), whole_hole=True, title="NO-GO",
        check_title="Plug check", short="NO-GO", brief="NO-GO",
        headings="no go|nogo|not go|no go plug|no go pin|no go check|not go plug|plug no go|nogo plug|no go side|"
        "not go side|"
        "ausschussseite|ausschuss seite|ausschusslehrdorn|ausschuss lehrdorn|lehrdorn ausschuss|"
        "lehrdorn ausschussseite|ausschusslehre|ausschuss lehre|lehre ausschuss|"
        "n'entre pas|côté n'entre pas|tampon n'entre pas|tampon no go|calibre no go|lehrdorn no go|no pasa|"
        "lado no pasa|tapón no pasa|calibre no pasa",
    ),
)  # fmt: skip

READ = tuple(c for c in ALL if c.read)
JUDGED = tuple(c for c in ALL if c.name)
READ_ALONE = tuple(c for c in READ if c.by == GAUGE and c.whole_hole)  #: one number a hole, by a gauge of its own
MEASURED = tuple(c for c in ALL if c.measured)
SERIES = tuple(c for c in ALL if c.series)
OF_WORD = {c.word: c for c in ALL}
OF_NAME = {c.name: c for c in JUDGED}
#: words of the readings table: numbers before words, so that a code says which it is
NUMBERS = (*(c.word for c in READ if c.kind != WORD and not c.measured), *(c.word for c in MEASURED), "distance")
WORDS = tuple(c.word for name in (PLUG, EYE) for c in READ if c.kind == WORD and c.by == name)
NAMES = tuple(c.name for c in JUDGED)
#: tables of the kit file that hold limits of what is measured
TABLES = tuple(dict.fromkeys(c.table for c in MEASURED))
#: words of readings that only a gauge gives
BY_GAUGE = tuple(word for word in NUMBERS if OF_WORD[word].by == GAUGE)
#: readings so fine that two parts seldom agree by chance: what tells a copied part
FINE = tuple(word for word in NUMBERS if not OF_WORD[word].measured)
ANGLES = tuple(word for word in NUMBERS if OF_WORD[word].kind == ANGLE)


def unit_of(name: str, unit: str) -> str:
    """Return the unit of a characteristic's values by its name or word: degrees of an angle, else ``unit``."""
    found = OF_NAME.get(name) or OF_WORD.get(name)
    return unit if found is None else found.unit(unit)


def unit_of_all(words: Iterable[str], unit: str) -> str:
    """Return the unit of a gauge that measures all of these: degrees where it measures angles alone."""
    some = tuple(words)
    return DEGREES if some and set(some) <= set(ANGLES) else unit


def with_unit(value: str, unit: str) -> str:
    """Return a number as text with its unit behind it: ``0.0630 in``, ``100.0°``."""
    return f"{value}{unit}" if unit == DEGREES else f"{value} {unit}"
