"""Class and size text as people type it: ``RC4``, ``H7/g6``, ``js6``, ``7/16``, ``11.5 mm``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from holeqc.problems import TableError
from holeqc.quantities import Unit, parse_length

_INCH = re.compile(r"^\s*(RC|LC|LT|LN|FN)[\s-]*(\d{1,2})\s*$", re.IGNORECASE)
_ISO_SIDE = re.compile(r"^([A-Z]{1,2}|[a-z]{1,2})\s?(01|0|[1-9]\d?)$")
_INCH_CLASSES = "RC1 to RC9, LC1 to LC11, LT1 to LT6, LN1 to LN3, FN1 to FN5"

INCH_PER_MM = Fraction(10, 254)


@dataclass(frozen=True, slots=True)
class IsoSide:
    """One side of an ISO 286 class: letters as written (capitals for holes) and the grade, -1 for IT01."""

    letters: str
    grade: int

    @property
    def is_hole(self) -> bool:
        """Whether the class is for holes: capital letters."""
        return self.letters.isupper()

    @property
    def name(self) -> str:
        """The class as the standard writes it, ``H7`` or ``js01``."""
        return f"{self.letters}{'01' if self.grade < 0 else self.grade}"


def is_inch_class(text: str) -> bool:
    """Return whether a class text has the form of an ANSI B4.1 class (``RC4``), existing or not."""
    return _INCH.match(text) is not None


def parse_inch_class(text: str) -> str:
    """Return an ANSI B4.1 class name in its normal form: ``rc 4`` -> ``RC4``. Raises TableError for another form."""
    match = _INCH.match(text)
    if match is None:
        raise TableError(f"{text!r} is not a class of ANSI B4.1; it has {_INCH_CLASSES}")
    return f"{match[1].upper()}{int(match[2])}"


def parse_iso_class(text: str) -> tuple[IsoSide | None, IsoSide | None]:
    """Return the hole and the shaft side of an ISO 286 class; ``H7/g6`` gives both, ``H7`` or ``g6`` one.

    Raises:
        TableError: the text is no class, names two holes or two shafts, or a grade beyond 18.
    """
    parts = [part.strip() for part in re.split(r"[/\s-]+", text.strip())]
    if len(parts) == 2 and not parts[1][:1].isalpha():  # "H 7" is one class with a space
        parts = ["".join(parts)]
    sides = [_iso_side(part, text) for part in parts]
    holes = [side for side in sides if side.is_hole]
    shafts = [side for side in sides if not side.is_hole]
    if len(sides) > 2 or len(holes) > 1 or len(shafts) > 1:
        raise TableError(f"{text!r} is not a fit; write the hole class, then the shaft class: H7/g6")
    return (holes[0] if holes else None), (shafts[0] if shafts else None)


def _iso_side(part: str, text: str) -> IsoSide:
    match = _ISO_SIDE.match(part)
    if match is None:
        raise TableError(
            f"{text!r} is not a class of ISO 286; write letters and grade, capitals for holes: H7, g6, H7/g6, JS7, js6"
        )
    grade = -1 if match[2] == "01" else int(match[2])
    if grade > 18:
        raise TableError(f"{text!r}: grade {grade} does not exist; grades are 01, 0 and 1 to 18")
    return IsoSide(match[1], grade)


def parse_size(text: str, unit: Unit) -> float:
    """Return a typed size in the wanted unit; a size that names no unit is in that unit already.

    ``7/16``, ``1 1/2``, ``0.4375``, ``11.5 mm``. The conversion is exact before the last rounding to a float. Raises
    DataError for text that is no length.
    """
    value, said = parse_length(text)
    if said is not None and said != unit:
        value = value * INCH_PER_MM if unit == "in" else value / INCH_PER_MM
    return float(value)
