"""What judging gives: frames whose columns are written down here, and the small words they use.

A verdict is stored as a small number so that the worst of many is their maximum: accept 0, hold 1, reject 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holeqc.problems import Problem

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

ACCEPT, HOLD, REJECT = 0, 1, 2
VERDICTS = ("accept", "hold", "reject")

#: what is judged on a hole, in the order of a report
CHARACTERISTICS = (
    "size", "out-of-roundness", "taper", "position", "hole-to-hole position", "edge distance", "surface", "GO", "NO-GO",
)  # fmt: skip

CHARACTERISTIC_COLUMNS: dict[str, str] = {
    "part": "part's name", "serial": "serial number", "hole": "hole id", "wall": "wall, '' where it spans all walls",
    "characteristic": "one of CHARACTERISTICS below",
    "found": "what was found [kit unit]; for size the reading that lies worst; NaN for words and where missing",
    "found_word": "what was found, in words, for surface and plugs",
    "lower": "lower limit, NaN where none", "upper": "upper limit (for position: stated plus bonus), NaN where none",
    "stated": "position: tolerance as stated", "bonus": "position: bonus from the mating size",
    "deviation": "signed amount beyond the limit, 0 inside: + over the upper, - under the lower; NaN where doubtful",
    "left": "distance to the nearest limit, negative beyond it; for position total minus actual; NaN where doubtful",
    "uncertainty": "expanded uncertainty U (k = 2) of found",
    "ratio": "tolerance / (2 U), inf where U = 0, NaN where unknown",
    "probability": "conformance probability after JCGM 106, NaN where U is unknown or the row doubtful",
    "verdict": "ACCEPT, HOLD or REJECT", "cause": "short stable word of why, '' for accept",
    "reading": "row label in the readings table that decides, -1 where there is none",
    "doubtful": "True where a likely slip or a contradiction decides: found is what was typed, or what is left "
    "without it, and no measurement",
}  # fmt: skip

HOLE_COLUMNS: dict[str, str] = {
    "part": "part's name", "serial": "serial number", "hole": "hole id",
    "verdict": "worst of its characteristics and of problems that touch it",
    "mating_size": "estimate of the actual mating size: smallest reading, or the largest plug that enters",
    "mating_from": "readings, readings and GO (a GO plug entered too), plug, or ''",
    "smallest": "smallest diameter read", "largest": "largest diameter read",
    "dx": "measured minus basic x in the wall that lies worst", "dy": "the same for y",
    "pattern_dx": "the same for x with the pattern floated as hole to hole is judged", "pattern_dy": "the same for y",
    "rework": "'' or what to do, one sentence", "ream_to": "size to ream to, NaN where none or not yet",
}  # fmt: skip

PART_COLUMNS: dict[str, str] = {
    "part": "part's name", "serial": "serial number", "verdict": "worst of its holes, its pins, its problems",
    "pin_verdict": "verdict of the pin-pattern gauge, -1 where the kit has no pins",
    "pin_margin": "radial margin of worst-case pins (virtual condition) [kit unit], NaN where not known",
    "pin_rotation": "rotation of the pin pattern at its best [rad]", "pin_dx": "its shift x", "pin_dy": "its shift y",
    "pin_uncertainty": "expanded uncertainty U (k = 2) of the margin, at most",
    "pin_culprit": "hole without which all others take their pins, '' where there is none or several are off",
    "pin_without": "radial margin of the others then",
    "shift_x": "shift of the datum frame that was used, where datum holes leave it some", "shift_y": "the same for y",
    "shift_rotation": "turn of the datum frame that was used [rad]",
    "readings": "how many readings", "first_date": "first day of reading", "last_date": "last day of reading",
}  # fmt: skip

#: columns of the frames that have one row a part, hole and wall that takes a pin; a part whose pins enter; a rework
PIN_COLUMNS = ("part", "serial", "hole", "wall", "pin", "clearance", "binding", "left", "off_x", "off_y")
FLOAT_COLUMNS = (
    "part", "serial", "x_minus", "x_plus", "y_minus", "y_plus", "rotation_minus", "rotation_plus",
)  # fmt: skip
REWORK_COLUMNS = ("part", "serial", "scope", "hole", "from", "to", "tool", "passes", "sentence")


@dataclass(frozen=True, slots=True)
class Inspection:
    """Everything that one run of `check` found out.

    ``pins`` has one row a part and hole and wall: part, serial, hole, wall, pin, clearance (radial, at virtual
    condition), binding (bool), left (radial room at the best motion; where one hole alone keeps the pins out, that of
    the others without it), off_x and off_y (pin axis minus hole axis there). ``float_left`` has one row a part whose
    pins enter: part, serial, x_minus, x_plus, y_minus, y_plus, rotation_minus, rotation_plus.
    """

    specification: Specification
    readings: Readings
    characteristics: pd.DataFrame
    holes: pd.DataFrame
    parts: pd.DataFrame
    pins: pd.DataFrame
    float_left: pd.DataFrame
    problems: tuple[Problem, ...]
    rework: pd.DataFrame  #: part, serial, scope (hole, pattern), hole, from, to, tool, passes, sentence


@dataclass(frozen=True, slots=True)
class Reason:
    """One plain sentence with numbers why something is not accepted, and what it speaks of."""

    verdict: int
    sentence: str
    hole: str = ""
    wall: str = ""
    characteristic: str = ""
    cell: str = ""
    action: str = ""
    cells: tuple[str, ...] = ()  #: all of them, the first as ``cell``, where it says the same of several
