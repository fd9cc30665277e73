"""The other way round: which published class a hole band and a pin band match, or come nearest to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from holeqc.fits import b41, iso286
from holeqc.fits.clearance import band
from holeqc.fits.describe import fit_kind
from holeqc.fits.zones import DECIMALS, FitLimits
from holeqc.problems import TableError
from holeqc.quantities import GRAIN, Unit, convert, decimals_of

HALF_DIGIT = {"in": 0.00005, "mm": 0.0005}  #: half of the last digit that a drawing usually gives
SHOP_WORDS = ("running", "sliding", "locational", "force")


@dataclass(frozen=True, slots=True)
class Match:
    """One published class beside the pair; lengths in the unit that was asked in.

    ``difference`` is the largest of the differences in hole tolerance, pin tolerance, least and greatest clearance:
    zero when the class gives the very pair. ``nominal`` is the nominal size at which it would. ``matches`` allows half
    of a drawing's last digit (0.00005 in, 0.0005 mm).
    """

    system: str
    name: str
    meaning: str
    shop_word: str
    nominal: float
    clearance_min: float
    clearance_max: float
    difference: float
    matches: bool
    confirmation: str


@dataclass(frozen=True, slots=True)
class PairFit:
    """What a hole band and a pin band make together, and the classes nearest to it, best first."""

    unit: Unit
    clearance_min: float
    clearance_max: float
    kind: str
    shop_word: str
    sentence: str
    nearest: tuple[Match, ...]


def match_pair(hole: tuple[float, float], pin: tuple[float, float], unit: Unit, count: int = 5) -> PairFit:
    """Return the classes of ANSI B4.1 and the preferred fits of ISO 286 that a pair matches or comes nearest to.

    ``hole`` and ``pin`` are (low, high) limits of size [unit]. Classes are taken at the size range of the hole's low
    limit; a pair outside the systems' tables has no nearest class.

    Raises:
        DataError: limits upside down or not positive.

    Source: classes from ANSI B4.1-1967 and ANSI B4.2 / ISO 286; 'nearest' is our own measure.
    """
    for limits in (hole, pin):
        band(*limits)
    least, greatest = round(hole[0] - pin[1], 10), round(hole[1] - pin[0], 10)
    matches = sorted(_candidates(hole, pin, unit), key=_nearness)
    kind = fit_kind(least, greatest)
    word, sentence = _words(least, greatest, kind, matches)
    return PairFit(unit, least, greatest, kind, word, sentence, tuple(matches[:count]))


def shop_word(meaning: str) -> str:
    """Return running, sliding, locational or force for a class's meaning: ``medium drive`` -> ``force``."""
    for word in SHOP_WORDS[:3]:
        if word in meaning:
            return word
    return "force"


def _candidates(hole: tuple[float, float], pin: tuple[float, float], unit: Unit) -> list[Match]:
    pair = _Pair(hole, pin, unit)
    inch = [_compare(b41.limits, cls, b41.meaning(cls), "in", pair) for cls in b41.classes()]
    metric = [_compare(iso286.limits, cls, meaning, "mm", pair) for cls, meaning in iso286.PREFERRED.items()]
    own_first = inch + metric if unit == "in" else metric + inch
    return [match for match in own_first if match is not None]


def _nearness(match: Match) -> tuple[float, int]:
    """Hole and shaft basis of one fit differ in the nominal size only: a drawing's is the one with fewer decimals."""
    return round(match.difference, 9), decimals_of(match.nominal)


@dataclass(frozen=True, slots=True)
class _Pair:
    hole: tuple[float, float]
    pin: tuple[float, float]
    unit: Unit


def _compare(
    look_up: Callable[[str, float], FitLimits], cls: str, meaning: str, system_unit: Unit, pair: _Pair
) -> Match | None:
    """Set a class beside the pair; None when its table has no entry at the size."""
    try:
        limits = look_up(cls, float(convert(pair.hole[0], pair.unit, system_unit)))
    except TableError:
        return None
    assert limits.hole is not None  # every candidate names both sides
    assert limits.shaft is not None
    deviations = (limits.hole.lower_deviation, limits.hole.upper_deviation, limits.shaft.lower_deviation,
                  limits.shaft.upper_deviation)  # fmt: skip
    low_h, high_h, low_s, high_s = (float(convert(value, system_unit, pair.unit)) for value in deviations)
    hole, pin = pair.hole, pair.pin
    least, greatest = low_h - high_s, high_h - low_s
    difference = max(
        abs(high_h - low_h - (hole[1] - hole[0])),
        abs(high_s - low_s - (pin[1] - pin[0])),
        abs(least - (hole[0] - pin[1])),
        abs(greatest - (hole[1] - pin[0])),
    )
    return Match(
        limits.system,
        limits.name,
        meaning,
        shop_word(meaning),
        round(hole[0] - low_h, DECIMALS),
        round(least, DECIMALS),
        round(greatest, DECIMALS),
        round(difference, DECIMALS),
        difference <= HALF_DIGIT[pair.unit] + GRAIN,
        limits.confirmation,
    )


def _words(least: float, greatest: float, kind: str, matches: list[Match]) -> tuple[str, str]:
    if not matches:
        return kind, f"A {kind} fit outside the sizes of the published systems."
    best = matches[0]
    if best.matches:
        return best.shop_word, f"A {best.meaning} fit: {best.system} {best.name}."
    nearest = f"the nearest is {best.system} {best.name}, {best.meaning}."
    middles = [match.clearance_min + match.clearance_max for match in matches]
    if least + greatest > max(middles):
        return "running", f"Looser than every published class; {nearest}"
    if least + greatest < min(middles):
        return "force", f"Tighter than every published class; {nearest}"
    article = "An" if kind[0] in "aeiou" else "A"
    return best.shop_word, f"{article} {kind} fit; no class matches, {nearest}"
