"""What `holeqc fit pattern` says of a kit: takes the specification apart, asks the fit arithmetic, puts it together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from holeqc.problems import DataError
from holeqc.quantities import GRAIN, format_length, unit_name

if TYPE_CHECKING:
    from holeqc.fits.clearance import AssemblyProbability
    from holeqc.quantities import FloatArray, Unit
    from holeqc.specification.model import Hole, Specification


@dataclass(frozen=True, slots=True)
class PinnedHole:
    """Holes that ask the same of hole and pin; lengths in the kit's unit.

    ``room`` is the hole's virtual condition minus the pin's; ``clearance`` the hole at MMC minus the pin at MMC, which
    is what both position tolerances may share (``used``). ``tilt_deg`` and ``side_play`` are of the largest hole with
    the smallest pin over ``engagement`` (NaN: not known). ``bushing_share`` is the part of the hole's tolerance that a
    standard bushing's bore clearance can take (NaN: drill not known).
    """

    holes: tuple[str, ...]
    hole_lower: float
    hole_upper: float
    hole_tolerance: float
    condition: str
    hole_virtual: float
    pin_lower: float
    pin_upper: float
    pin_tolerance: float
    pin_virtual: float
    room: float
    clearance: float
    used: float
    engagement: float
    tilt_deg: float
    side_play: float
    bushing_share: float
    sentence: str


@dataclass(frozen=True, slots=True)
class PatternReport:
    """All that is said of a kit's pattern; ``assembly`` None where a position tolerance or a place is missing."""

    kit: str
    revision: str
    unit: Unit
    walls: int
    groups: tuple[PinnedHole, ...]
    guaranteed: bool
    assembly: AssemblyProbability | None
    normal: bool
    seed: int
    notes: tuple[str, ...]


def pattern_report(
    specification: Specification, pairs: int = 20_000, seed: int = 1, normal: bool = False, confidence: float = 0.95
) -> PatternReport:
    """Return virtual conditions, affordances and the probability of assembly of a kit's pins.

    Raises:
        DataError: no hole of the kit takes a pin.
    """
    pinned = [hole for hole in specification.holes if hole.pin is not None]
    if not pinned:
        raise DataError(f"kit {specification.id}: no hole takes a pin; write [pin] in the kit file")
    groups = _groups(pinned, specification)
    notes = []
    placed = all(math.isfinite(hole.x) and math.isfinite(hole.y) for hole in pinned)
    complete = placed and all(_tolerance(hole) is not None for hole in pinned)
    assembly = _assembly(pinned, pairs, seed, normal, confidence) if complete else None
    if not complete:
        notes.append("The chance of assembly needs basic positions and a position tolerance of every hole with a pin.")
    guaranteed = complete and all(g.room >= -GRAIN and g.condition != "LMC" for g in groups)
    if specification.walls.several:
        notes.append("Both walls of a hole are taken as drilled in one pass, square to the face.")
    return PatternReport(
        specification.id,
        specification.revision,
        specification.unit,
        len(specification.walls.names),
        groups,
        guaranteed,
        assembly,
        normal,
        seed,
        tuple(notes),
    )


def pattern_text(report: PatternReport) -> str:
    """Return the report as text for a screen of 80 columns."""
    from holeqc.fits.clearance import PROJECTED_NOTE
    from holeqc.reports.fit_text import aligned, paragraphs

    unit = report.unit
    count = sum(len(group.holes) for group in report.groups)
    rows = [["holes", "hole MMC", "position", "virtual", "pin MMC", "position", "virtual", "room"]]
    for group in report.groups:
        numbers = (
            group.hole_lower, group.hole_tolerance, group.hole_virtual, group.pin_upper, group.pin_tolerance,
            group.pin_virtual, group.room,
        )  # fmt: skip
        rows.append([names_of(group.holes), *(format_length(value, unit) for value in numbers)])
    title = f"Kit {report.kit} revision {report.revision}: {count} holes with pins"
    lines = [f"{title}, lengths in {unit_name(unit)}", "", aligned(rows), ""]
    lines += [paragraphs(_group_sentences(group, unit)) for group in report.groups]
    lines.append(paragraphs([_assembly_sentence(report)]))
    if report.guaranteed:
        lines.append(paragraphs(["No pin's virtual condition is larger than its hole's: within tolerance, all go in."]))
    return "\n".join([*lines, *(paragraphs([note]) for note in (*report.notes, PROJECTED_NOTE))])


def pattern_data(report: PatternReport) -> dict[str, Any]:
    """Return the report for ``--json``."""
    from holeqc.reports.fit_text import record

    data = record(report)
    assert isinstance(data, dict)  # a record becomes a dictionary
    return data


def _groups(pinned: list[Hole], specification: Specification) -> tuple[PinnedHole, ...]:
    found: dict[tuple[Any, ...], list[Hole]] = {}
    for hole in pinned:
        found.setdefault((hole.size, _tolerance(hole), _condition(hole), hole.pin), []).append(hole)
    return tuple(_group(holes, specification) for holes in found.values())


def _group(holes: list[Hole], specification: Specification) -> PinnedHole:
    from holeqc.fits import describe_fit
    from holeqc.fits.clearance import hole_virtual_condition, pin_virtual_condition, side_play, tilt_angle

    first = holes[0]
    size, pin = first.size, first.pin
    assert pin is not None  # only holes with pins are grouped
    tolerance = _tolerance(first) or 0.0
    # without a tolerance at MMC the boundary that pins meet is taken at the least hole all the same
    hole_virtual = float(hole_virtual_condition(size.lower, tolerance))
    pin_virtual = float(pin_virtual_condition(pin.upper, pin.position_tolerance))
    depth = specification.walls.stack_depth
    tilt, play = math.nan, math.nan
    if depth is not None and depth > 0.0 and size.upper >= pin.lower:
        tilt = math.degrees(float(tilt_angle(size.upper, pin.lower, depth)))
        play = float(side_play(size.upper, pin.lower, depth))
    return PinnedHole(
        tuple(hole.id for hole in holes),
        size.lower,
        size.upper,
        tolerance,
        _condition(first),
        round(hole_virtual, 10),
        pin.lower,
        pin.upper,
        pin.position_tolerance,
        round(pin_virtual, 10),
        round(hole_virtual - pin_virtual, 10),
        round(size.lower - pin.upper, 10),
        round(tolerance + pin.position_tolerance, 10),
        math.nan if depth is None else depth,
        tilt,
        play,
        _bushing_share(specification, tolerance),
        describe_fit(size.lower, size.upper, pin.lower, pin.upper, specification.unit),
    )


def _bushing_share(specification: Specification, tolerance: float) -> float:
    from holeqc.fits.drills import bore_limits
    from holeqc.problems import TableError

    drill = specification.tools.drill
    if drill is None or tolerance <= 0.0:
        return math.nan
    try:
        bore = bore_limits(drill.diameter, specification.unit)
    except TableError:
        return math.nan
    return (float(bore.upper) - drill.diameter) / tolerance


def _assembly(pinned: list[Hole], pairs: int, seed: int, normal: bool, confidence: float) -> AssemblyProbability:
    from holeqc.fits.clearance import pattern_tolerances, probability_of_assembly

    pins = [hole.pin for hole in pinned if hole.pin is not None]
    tolerances = pattern_tolerances(
        [(hole.x, hole.y) for hole in pinned],
        ([h.size.lower for h in pinned], [h.size.upper for h in pinned], [_tolerance(h) or 0.0 for h in pinned]),
        ([p.lower for p in pins], [p.upper for p in pins], [p.position_tolerance for p in pins]),
        [_condition(hole) for hole in pinned],
    )

    def margin(pin_xy: FloatArray, hole_xy: FloatArray, hole: FloatArray, pin: FloatArray) -> FloatArray:
        return _pin_gauge_margin(tolerances.xy, pin_xy - tolerances.xy, hole_xy, hole, pin)

    return probability_of_assembly(tolerances, margin, pairs, seed, normal, confidence)


def _pin_gauge_margin(
    basic_xy: FloatArray, pin_offset: FloatArray, hole_xy: FloatArray, hole: FloatArray, pin: FloatArray
) -> FloatArray:
    """Margin of every pair with the pin gauge, which takes one pin pattern for all parts.

    The pins' own offsets are moved to the holes' side: |R (p + e) + t - h| = |R p + t - (h - R e)|. The first run takes
    R e = e; the second turns e by the rotation that the first found, what is left is of second order in that rotation.
    """
    import numpy as np

    from holeqc.inspection.pin_gauge import pin_pattern_margin

    turned = pin_offset
    for _ in range(2):
        found = pin_pattern_margin(basic_xy, hole_xy - turned, hole, pin)
        cos, sin = np.cos(found.rotation)[:, None], np.sin(found.rotation)[:, None]
        x, y = pin_offset[..., 0], pin_offset[..., 1]
        turned = np.stack([cos * x - sin * y, sin * x + cos * y], axis=-1)
    return np.asarray(found.margin)


def _tolerance(hole: Hole) -> float | None:
    asked = hole.position
    return asked.pattern_tolerance if asked.pattern_tolerance is not None else asked.tolerance


def _condition(hole: Hole) -> str:
    asked = hole.position
    return asked.pattern_condition if asked.pattern_tolerance is not None else asked.condition


def names_of(holes: tuple[str, ...]) -> str:
    """Return the ids of holes in a few characters: all of them, or first, last and how many."""
    text = ", ".join(holes)
    return text if len(text) <= 12 else f"{holes[0]} .. {holes[-1]} ({len(holes)})"


def _group_sentences(group: PinnedHole, unit: str) -> list[str]:
    def length(value: float) -> str:
        return f"{format_length(value, unit)} {unit}"

    left = group.clearance - group.used
    rest = f"leaves {length(left)}" if left >= -GRAIN else f"is {length(-left)} too much"
    sentences = [
        f"Holes {names_of(group.holes)}: {group.sentence}.",
        f"Fixed pins: the clearance at MMC, {length(group.clearance)}, is what both position tolerances may share "
        f"(half each: {length(0.5 * group.clearance)}). The drawing uses {length(group.used)}, which {rest}.",
    ]
    if math.isfinite(group.tilt_deg):
        sentences.append(
            f"Over {length(group.engagement)} of engagement the smallest pin in the largest hole leans up to "
            f"{group.tilt_deg:.2f} degrees to either side; side play {length(group.side_play)}."
        )
    if math.isfinite(group.bushing_share):
        sentences.append(
            f"A new standard drill bushing's clearance can take {100.0 * group.bushing_share:.1f} % of the hole's "
            "position tolerance (ANSI B94.33, parallel drill)."
        )
    return sentences


def _assembly_sentence(report: PatternReport) -> str:
    from holeqc.reports.fit_text import share_text

    found = report.assembly
    if found is None:
        return "Chance that a random kit fits a random part: not worked out."
    spread = "normal, band six standard deviations" if report.normal else "even over their bands"
    return (
        f"Chance that a random kit within tolerance fits a random part within tolerance, all pins at once: "
        f"{share_text(found.probability)} ({found.fits} of {found.pairs} drawn, seed {report.seed}; sizes {spread}); "
        f"{100.0 * found.confidence:g} % confidence interval {share_text(found.lower)} to {share_text(found.upper)}. "
        f"Worst margin {format_length(found.margin_worst, report.unit, 4)} {report.unit}."
    )
