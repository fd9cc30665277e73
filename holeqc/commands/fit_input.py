"""Lengths as they are typed at a fit command: one unit for all, never guessed from a mixture; odd sizes are told."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from holeqc import printing
from holeqc.fits.classes import parse_size
from holeqc.problems import DataError
from holeqc.quantities import MM_PER_INCH, parse_length, parse_unit, unit_name

if TYPE_CHECKING:
    from holeqc.fits.drills import History
    from holeqc.quantities import Unit

LARGE_IN = 3.0  #: bare sizes above are asked about: most likely mm (our choice)
LARGEST_DRILL_IN = 1.0  #: standard drills end here, so larger limits of a drilled hole are asked about
SMALL_MM = 1.0  #: bare sizes below are asked about: most likely inch (our choice)


def lengths(words: Sequence[str], unit: str, sizes: int = 0, large_in: float = LARGE_IN) -> tuple[list[float], Unit]:
    """Return typed lengths in one unit: the one asked for, else the first that a length names, else inch.

    Two units that are both named are converted, and that is said. When the first ``sizes`` words name no unit and
    suggest the other one, that is said too. A bare 0 is 0 in either unit.

    Raises:
        DataError: one of the first ``sizes`` words is not above zero, an unknown unit, no length, or a bare length
            beside one with a unit and no unit asked for.
    """
    asked = parse_unit(unit) if unit else None
    if unit and asked is None:
        raise DataError(f"--unit {unit!r} is not known; write in or mm")
    parsed = [parse_length(word) for word in words]
    for word, (value, _) in list(zip(words, parsed, strict=True))[:sizes]:
        refuse_below_zero(word, float(value))
    named = [said for _, said in parsed if said is not None]
    bare = [word for word, (value, said) in zip(words, parsed, strict=True) if said is None and value != 0]
    if named and bare and asked is None:
        with_unit = next(word for word, (_, said) in zip(words, parsed, strict=True) if said is not None)
        raise DataError(
            f"{bare[0]} names no unit, {with_unit} does. Write {bare[0]}in or {bare[0]}mm, or give --unit in or "
            "--unit mm for all that name none"
        )
    chosen: Unit = asked or (named[0] if named else "in")
    numbers = [parse_size(word, chosen) for word in words]
    if set(named) - {chosen}:
        warn(f"inch and mm are both named; the answer is in {unit_name(chosen)}")
    elif not named and sizes:
        ask_about_unit(words[:sizes], chosen, large_in, "--unit mm" if asked is None else "")
    return numbers, chosen


def refuse_below_zero(word: str, value: float) -> None:
    """Raise ``DataError`` that names a typed size ``word`` whose ``value`` (either unit) is not above zero."""
    if not value > 0.0:
        mend = "; type it without a minus sign" if value < 0.0 else ""
        raise DataError(f"{word.strip()}: a size must be above zero{mend}")


def ask_about_unit(bare: Sequence[str], unit: Unit, large_in: float = LARGE_IN, other_way: str = "") -> None:
    """Say when sizes that name no unit suggest the other one; ``other_way`` is an option that says it for all."""
    if any("/" in word or "⁄" in word for word in bare):
        return
    ordered = sorted(bare, key=lambda text: parse_size(text, unit))
    word = ordered[0] if unit == "in" else ordered[-1]
    size = parse_size(word, unit)
    if unit == "in" and size > large_in:
        also = f" or {other_way}" if other_way else ""
        warn(f"{word} is taken as inch, {MM_PER_INCH * size:g} mm; if mm is meant write {word}mm{also}")
    elif unit == "mm" and 0.0 < size < SMALL_MM:
        warn(f"{word} is taken as mm, {size / MM_PER_INCH:.4f} in; if inch is meant write {word}in")


def split_sizes(text: str) -> list[str]:
    """Return sizes typed in one string, separated by spaces, semicolons, or commas followed by a space."""
    return [word for word in re.split(r"[\s;]+|,\s+|,$", text.strip()) if word]


def drill_history(text: str, unit: Unit) -> History:
    """Return the holes typed as ``29/64: 0.4561 0.4567``; a bare size is in ``unit``.

    Raises:
        DataError: no colon or no hole, no such drill, mixed units, or a hole that doesn't belong; the entry is named.
    """
    from holeqc.fits.drills import history

    name, colon, sizes = text.partition(":")
    words = split_sizes(sizes)
    if not colon or not words:
        raise DataError(f"--history {text!r}: write the drill, a colon and the holes: '29/64: 0.4561 0.4567'")
    try:
        named = any(parse_length(word)[1] for word in words)
        numbers, said = lengths(words, "" if named else unit)
        return history(name, [parse_size(f"{number!r} {said}", unit) for number in numbers], unit)
    except DataError as error:
        raise DataError(f"--history {text!r}: {error}") from None


def warn(text: str) -> None:
    """Write one warning to standard error."""
    printing.warn(f"holeqc: warning: {text}")
