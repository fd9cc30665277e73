"""A size as drawings print it, in one text: ``.3125 +.006 -.001``, ``5/16``, ``8.00 H9``, ``0.455 to 0.462``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from holeqc.problems import DataError
from holeqc.quantities import Unit, parse_length, parse_unit

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
