"""Standard pins: families with their least and greatest diameters, each with how it is known."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from holeqc.fits.confirmation import warning
from holeqc.fits.loading import load_table
from holeqc.fits.parse import parse_size
from holeqc.problems import DataError, TableError
from holeqc.quantities import GRAIN, Unit


@dataclass(frozen=True, slots=True)
class Pin:
    """One standard pin: least and greatest diameter in ``unit``."""

    family: str
    standard: str
    designation: str
    unit: Unit
    nominal: float
    least: float
    greatest: float
    confirmation: str
    note: str

    @property
    def warning(self) -> str:
        """A sentence when no printed source confirms the pin, else empty."""
        return warning(self.confirmation, f"{self.family} {self.designation}")


@cache
def all_pins() -> tuple[Pin, ...]:
    """Return every standard pin of the table, family by family."""
    return tuple(
        Pin(
            row["family"],
            row["standard"],
            row["designation"],
            "in" if row["unit"] == "in" else "mm",
            float(row["nominal"]),
            float(row["least"]),
            float(row["greatest"]),
            row["confirmation"],
            row["note"],
        )
        for row in load_table("pins").rows
    )


def families() -> tuple[str, ...]:
    """Return the names of the pin families."""
    return tuple(dict.fromkeys(pin.family for pin in all_pins()))


def pin(family: str, size: str) -> Pin:
    """Return the pin of a family by its nominal size as typed (``7/16``, ``0.4375``, ``8 mm``).

    A bare number is in the family's own unit. Raises TableError for an unknown family or size.
    """
    members = [member for member in all_pins() if member.family == family]
    if not members:
        raise TableError(f"no pin family {family!r}; there are {', '.join(families())}")
    unit = members[0].unit
    wanted = parse_size(size, unit)
    for member in members:
        exact = parse_size(member.designation, unit)  # 5/32 is printed 0.1562 as nominal
        if min(abs(exact - wanted), abs(member.nominal - wanted)) <= GRAIN:
            return member
    names = ", ".join(member.designation for member in members)
    raise TableError(f"no {family} of {size} {unit}; sizes are {names}")


def pins_for_hole(
    lower: float, upper: float, unit: Unit, least_clearance: float = 0.0
) -> list[tuple[Pin, float, float]]:
    """Return the largest pin of each family that enters a hole band, with least and greatest clearance [unit].

    ``least_clearance`` is wanted between the smallest hole and the largest pin. Families in the other unit are
    converted.

    Raises:
        DataError: limits upside down.
    """
    if not 0.0 < lower <= upper:
        raise DataError(f"a hole needs a low limit above zero and not above its high limit; found {lower:g}, {upper:g}")
    best: dict[str, tuple[Pin, float, float]] = {}
    for member in all_pins():
        scale = 1.0 if member.unit == unit else (25.4 if unit == "mm" else 1.0 / 25.4)
        least, greatest = lower - member.greatest * scale, upper - member.least * scale
        known = best.get(member.family)
        if least >= least_clearance - GRAIN and (known is None or least < known[1]):
            best[member.family] = (member, round(least, 10), round(greatest, 10))
    return sorted(best.values(), key=lambda entry: entry[1])
