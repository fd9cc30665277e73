"""Every key of a kit file, from the one table ``keys.md``: it checks files and answers `holeqc kit keys`.

A path such as ``part[].name`` is key ``name`` of each ``[[part]]``. The tables in `OVERRIDES` may stand inside a
``[[hole]]`` too (``hole[].size.lower``): there they replace, key by key, what the table of the same name says for
all holes, and ``false`` in their place says that nothing of the kind is asked of that hole."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cache

from holeqc import door
from holeqc.characteristics import NAMES, NUMBERS, TABLES, WORDS
from holeqc.problems import DataError
from holeqc.quantities import Unit, parse_length, parse_unit

#: kinds of value -> what is allowed, in words
KINDS: dict[str, str] = {
    "id": 'text in quotes, for example "1" (a whole number is taken as text)',
    "text": "text in quotes",
    "length": 'a length above 0: 0.455, "29/64", "11.5 mm"',
    "amount": "a length, 0 or more",
    "place": "a length, either sign",
    "factor": "a number above 0",
    "share": "a number, 0 or more",
    "number": "a number",
    "whole": "a whole number from 1 to 100",
    "days": "a whole number of days from 1 to 3650",
    "decimals": "a whole number from 0 to 9",
    "angle": "degrees, above 0 and below 180",
    "yes": "true or false",
    "date": "a date without quotes: 2027-03-31",
    "choice": "one of the words listed",
    "ids": 'a list of texts: ["near", "far"]',
    "choices": "a list of the words listed",
    "angles": "a list of degrees: [0, 90]",
    "points": "a list of [x, y] pairs",
    "tool": 'a drill or reamer as the shop says it: "29/64", "#7", "A", "11.5 mm", or a diameter',
    "lengths": "a list of lengths above 0: [0.4530, 0.4545]",
    "distances": 'the word "auto", or a list of distances: ["A - 1", "1 - 2: over pins, near"]',
    "tools": 'a list of drills or reamers: ["29/64", "0.4575"]',
    "words": 'lines "the shop\'s heading" = "our word"',
}

#: what people call keys of a table -> the keys that they mean
OTHER_NAMES: dict[str, dict[str, tuple[str, ...]]] = {
    "size": {
        "diameter": ("nominal",), "dia": ("nominal",), "basic": ("nominal",), "size": ("nominal",),
        "min": ("lower",), "minimum": ("lower",), "max": ("upper",), "maximum": ("upper",), "fit": ("class",),
        "tolerance": ("plus", "minus"), "tol": ("plus", "minus"), "plus_minus": ("plus", "minus"),
    },
    "hole": {"diameter": ("size",), "dia": ("size",), "limits": ("size",), "number": ("id",), "name": ("id",)},
    "part": {"part_number": ("number",), "part_no": ("number",), "no": ("number",), "id": ("number",)},
    "gauge": {"u": ("uncertainty",), "due": ("calibration_due",), "name": ("id",), "number": ("id",)},
    "fixture": {"number": ("id",), "name": ("id",)},
}  # fmt: skip
OTHER_NAMES["countersink"] = {
    name: (f"{name}_lower", f"{name}_upper") for name in ("depth", "angle")
} | {f"{name}_{word}": (f"{name}_{end}",) for name in ("depth", "angle")
     for word, end in (("min", "lower"), ("minimum", "lower"), ("max", "upper"), ("maximum", "upper"))}  # fmt: skip
OTHER_NAMES["depth"] = {"min": ("lower",), "minimum": ("lower",), "max": ("upper",), "maximum": ("upper",)}
OTHER_NAMES["pin"] = OTHER_NAMES["size"] | {"name": ("id",)}
OVERRIDES = ("size", "form", "position", "edge", *TABLES, "surface", "plugs", "pin", "rework")
#: what stands for lists of characteristics in ``keys.md``
_LISTS = {"@readings": ", ".join((*NUMBERS, *WORDS)), "@characteristics": ", ".join(NAMES)}
#: tables that stand once for each thing: [[part]], [[hole]], [[gauge]]; [pin] may stand once or as [[pin]]
ARRAYS = ("part", "hole", "gauge")


INSIDE_A_HOLE = (
    "a [[hole]]; what stands in a table of its own for all holes may stand inside a hole as well, size = "
    "{ upper = 0.460 }, and false says: not asked of this hole"
)


@dataclass(frozen=True, slots=True)
class Key:
    """One key: path, kind of value (see `KINDS`), unit, default in words, meaning, example as typed, choices."""

    path: str
    kind: str
    unit: str
    default: str
    meaning: str
    example: str
    choices: tuple[str, ...] = ()

    @property
    def table(self) -> str:
        """Name of the table that the key stands in."""
        return self.path.split(".")[0].removesuffix("[]")

    @property
    def name(self) -> str:
        """Name of the key in its table."""
        return self.path.split(".")[-1]

    @property
    def allowed(self) -> str:
        """What may stand there, in words."""
        if self.choices:
            words = ", ".join(self.choices)
            return f"a list of {words}" if self.kind == "choices" else f"one of {words}"
        return KINDS[self.kind]


@cache
def all_keys() -> tuple[Key, ...]:
    """Return every key, in the order of ``keys.md``."""
    lines = door.own_text("specification", "keys.md").splitlines()
    rows = [[_listed(cell) for cell in line.strip().strip("|").split("|")] for line in lines if line.startswith("|")]
    return tuple(
        Key(path, kind, unit, default, meaning, example, tuple(filter(None, choices.split(", "))))
        for path, kind, unit, default, meaning, example, choices in rows[2:]
    )


def _listed(cell: str) -> str:
    text = cell.strip()
    for mark, names in _LISTS.items():
        text = text.replace(mark, names)
    return text


@cache
def keys_of(table: str) -> dict[str, Key]:
    """Return the keys of a table by name; empty for a table that doesn't exist."""
    return {key.name: key for key in all_keys() if key.table == table}


@cache
def tables() -> tuple[str, ...]:
    """Return the names of all tables in the order of the file."""
    return tuple(dict.fromkeys(key.table for key in all_keys()))


def nearest(word: str, known: Iterable[str]) -> str:
    """Return the known word that is likely meant, '' where none comes near."""
    lowered = {k.lower(): k for k in known}
    plain = word.lower().replace("-", "_").replace(" ", "_")
    begun = [k for k in lowered if len(plain) > 1 and k.startswith(plain)]
    close = begun if len(begun) == 1 else door.near_names(plain, list(lowered))
    if plain in lowered:
        close = [plain]
    return lowered[close[0]] if close else ""


def keys_like(word: str) -> tuple[tuple[Key, ...], str]:
    """Return the keys that a word asks for, and what the word was taken as.

    A table's name gives its keys, ``hole`` also those that may stand inside a hole; a key or its path gives that key;
    the beginning of either, or a part of it, all that have it; a word of another spelling the nearest. Nothing: no key.
    """
    plain = word.strip().strip("[]").lower().replace("-", "_").replace(" ", "_").replace("[]", "")
    if not plain:
        return all_keys(), ""
    if plain.removesuffix("s") in tables() and plain not in tables():
        plain = plain.removesuffix("s")
    if plain == "hole":
        inside = tuple(key for key in all_keys() if key.table in OVERRIDES)
        return (*keys_of("hole").values(), *inside), INSIDE_A_HOLE
    if plain in tables():
        return tuple(keys_of(plain).values()), headline(plain)
    paths = {key: (key.path.replace("[]", "").lower(), key.name.lower(), key.table.lower()) for key in all_keys()}
    for how, fits in (
        ("the key", lambda names: plain in names[:2]),
        ("what begins with", lambda names: any(name.startswith(plain) for name in names)),
        ("what has", lambda names: plain in names[0]),
    ):
        found = tuple(key for key, names in paths.items() if fits(names))
        if found:
            return found, f"{how} {plain}"
    near = nearest(plain, [*tables(), *(key.name for key in all_keys())])
    return (keys_like(near)[0], f"{near}, the word nearest to {plain}") if near else ((), "")


def headline(table: str) -> str:
    """Return how a table stands in the file: ``[size]``, ``[[hole]]``."""
    if table == "pin":
        return "[pin] or [[pin]]"
    return f"[[{table}]]" if table in ARRAYS else f"[{table}]"


# A size as drawings print it, in one text: ``.3125 +.006 -.001``, ``5/16``, ``8.00 H9``, ``0.455 to 0.462``.


_SIGNS = str.maketrans({
    "−": "-", "–": "-", "—": "-", "‐": "-", "⁄": "/", "\xa0": " ", "\u202f": " ", "″": '"', "”": '"',
})  # fmt: skip
_DIAMETER = re.compile(r"^\s*(?:⌀|Ø|ø|∅|dia\.?(?![a-z])|diameter)\s*", re.IGNORECASE)
_THROUGH = re.compile(r"\s+(?:thru|through)(?:\s+all)?$", re.IGNORECASE)
_UNIT = re.compile(r"""(?<=[\d.\s)])\s*(in\.?|inch(?:es)?|mm\.?|"|'')\s*$""", re.IGNORECASE)
_NUMBER = r"(?:\d+(?:[.,]\d*)?|[.,]\d+)"
_LENGTH = rf"(?:\d+[\s-]+\d+\s*/\s*\d+|\d+\s*/\s*\d+|{_NUMBER})"
_PLAIN = re.compile(rf"^[+]?({_LENGTH})$")
_CLASS = re.compile(rf"^({_LENGTH})\s*([A-Za-z]{{1,2}}\d{{1,2}}|(?:RC|LC|LT|LN|FN)\s?\d)$")
_EVEN = re.compile(rf"^({_LENGTH})\s*(?:±|\+\s*/\s*-|\+-)\s*({_NUMBER})$")
_DEVIATIONS = re.compile(
    rf"^({_LENGTH})\s*([+-]\s*{_NUMBER}|0)(?:\s*[/;]\s*|\s+|(?=[+-]))([+-]\s*{_NUMBER}|0(?:[.,]0*)?)$"
)
_ONE_SIDED = re.compile(rf"^({_LENGTH})\s*([+-]\s*{_NUMBER})$")
_RANGE = re.compile(rf"^({_LENGTH})\s*(?:to|-|/|\.\.\.?|…|;|bis|thru)\s*({_LENGTH})$", re.IGNORECASE)


SMALL = Fraction(1, 4)  #: a deviation beyond this share of its size is something else: a limit, a thread


@dataclass(frozen=True, slots=True)
class SizeText:
    """What a size says, exact: a ``nominal`` alone, with deviations, with a class, or two limits; ``unit`` if named.

    ``plus`` and ``minus`` are deviations with their signs: ``-.001`` is -0.001. ``lower`` and ``upper`` follow from
    them; None where the text has no tolerance.
    """

    nominal: Fraction | None
    plus: Fraction | None = None
    minus: Fraction | None = None
    lower: Fraction | None = None
    upper: Fraction | None = None
    fit_class: str = ""
    unit: Unit | None = None
    fraction: str = ""  #: the nominal as typed, where it is a fraction

    @property
    def toleranced(self) -> bool:
        """Whether the text says limits, deviations or a class, and not a bare size."""
        return bool(self.fit_class) or self.lower is not None


def read_size(text: str) -> SizeText | None:
    """Return what a size typed as on a drawing says, None for any other text.

    A comma is a decimal mark. ``5/16 -.001`` has one deviation, the other is 0.
    """
    plain = _DIAMETER.sub("", text.translate(_SIGNS).translate({40: " ", 41: " "})).strip()
    plain = _THROUGH.sub("", plain)
    unit: Unit | None = None
    if found := _UNIT.search(plain):
        unit, plain = parse_unit(found[1]), plain[: found.start()].strip()
    if not plain or plain[0] == "-":
        return None
    if match := _PLAIN.match(plain):
        return _based(match[1], unit)
    if match := _CLASS.match(plain):
        return _based(match[1], unit, fit_class=match[2].replace(" ", ""))
    if match := _EVEN.match(plain):
        amount = _exact(match[2])
        return _based(match[1], unit, amount, -amount)
    if match := _DEVIATIONS.match(plain):
        one, other = (_exact(match[n]) for n in (2, 3))
        return _based(match[1], unit, max(one, other), min(one, other))
    if (match := _ONE_SIDED.match(plain)) and (base := _length(match[1])) is not None:
        amount = _exact(match[2])
        if abs(amount) < base * SMALL:
            return _based(match[1], unit, max(amount, Fraction(0)), min(amount, Fraction(0)))
    if match := _RANGE.match(plain):
        one, other = sorted((_length(match[n]) or Fraction(0)) for n in (1, 2))
        # 0.455-0.462 are two limits, 1/4-20 is a thread
        return SizeText(None, lower=one, upper=other, unit=unit) if 0 < other < 2 * one else None
    return None


def _exact(text: str) -> Fraction:
    return Fraction("".join(text.split()).replace(",", "."))


def _length(text: str) -> Fraction | None:
    try:
        return parse_length(text)[0]
    except DataError:
        return None


def _based(
    text: str, unit: Unit | None, plus: Fraction | None = None, minus: Fraction | None = None, fit_class: str = ""
) -> SizeText | None:
    nominal = _length(text)
    if nominal is None or nominal <= 0:
        return None
    lower, upper = (None, None) if plus is None or minus is None else (nominal + minus, nominal + plus)
    return SizeText(nominal, plus, minus, lower, upper, fit_class, unit, " ".join(text.split()) if "/" in text else "")


def decimal_text(value: Fraction) -> str:
    """Return a length as a kit file writes it: decimals as they are, at most twelve."""
    exact = Decimal(value.numerator) / Decimal(value.denominator)
    text = f"{exact:.12f}".rstrip("0")
    return f"{text}0" if text.endswith(".") else text


def size_keys(size: SizeText) -> dict[str, str]:
    """Return the keys of ``[size]`` that say what a size says, each value as it is typed in a kit file.

    Deviations on both sides of nominal stay deviations; two on one side become limits, since plus and minus are typed
    without signs.
    """
    if size.fit_class and size.nominal is not None:
        return {"class": f'"{size.fit_class}"', "nominal": _nominal(size)}
    if size.nominal is not None and size.plus is not None and size.minus is not None and size.minus <= 0 <= size.plus:
        return {"nominal": _nominal(size), "plus": decimal_text(size.plus), "minus": decimal_text(-size.minus)}
    if size.lower is not None and size.upper is not None:
        return {"lower": decimal_text(size.lower), "upper": decimal_text(size.upper)}
    return {"nominal": _nominal(size)}


def _nominal(size: SizeText) -> str:
    assert size.nominal is not None
    if size.fraction:
        return f'"{size.fraction}{f" {size.unit}" if size.unit else ""}"'
    return decimal_text(size.nominal)
