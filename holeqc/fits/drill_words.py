"""What must be said with a choice of drills: why the first stands first, what its figures rest on. Sentences only."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from holeqc.fits.oversize import LEAST_HOLES, History, holes_of_drills
from holeqc.quantities import GRAIN, Unit, convert, format_length

if TYPE_CHECKING:
    from holeqc.fits.drill_choice import Candidate, Reaming

SHOWN = 8  #: drills listed for people; the others are counted
POOR = 0.9  #: the best drill below this share is called no good choice, ours
WIDE = 0.1  #: a band wider than this part of its low limit is asked about, our choice


def reason(candidates: Sequence[Candidate], limits: tuple[float, float], unit: Unit) -> str:
    """Return why the first drill stands before one with a greater expected share, in numbers; empty when none has it.

    ``candidates`` best first; ``limits`` of the hole [unit].
    """
    if not candidates:
        return ""
    best, most = candidates[0], max(candidates, key=lambda c: c.share)
    if most.share <= best.share + 0.0005:
        return ""
    if not best.jig_inside or best.basis == "shop history":
        if most.share_low >= best.share:
            return f"{best.names} comes before {most.names}, {_share(most.share)}: that one was not tried itself."
        return (
            f"{best.names} comes before {most.names}, {_share(most.share)}: that one was not tried itself, and "
            f"{most.readings} holes of another drill promise no more than {_share(most.share_low)} for it."
        )
    shown = 4 if unit == "in" else 3
    band = f"{format_length(limits[0], unit, shown)} to {format_length(limits[1], unit, shown)}"
    text = (
        f"Through a drill bushing {best.names} comes first: AND10387 allows its holes {_jig(best, unit)}, which lie "
        f"inside {band}; {_beyond(most, limits, unit)}. Without a bushing take {most.names}: by the oversize "
        f"figures, {_share(most.share)} of its holes land inside, of {best.names} only {_share(best.share)}"
    )
    if best.hole_greatest > limits[1] + GRAIN:
        text += ", the others too large"
    return f"{text}. The two sources disagree: a trial hole through your bushing decides."


def notes(
    candidates: Sequence[Candidate],
    histories: Sequence[History],
    reaming: Reaming | None,
    limits: tuple[float, float],
    unit: Unit,
) -> tuple[str, ...]:
    """Return what the figures rest on, which of the shop's own holes count and which don't, and names of one size."""
    found: list[str] = []
    bases = {candidate.basis for candidate in candidates}
    if not candidates:
        found.append("No standard drill is expected to put one hole in a hundred inside these limits: ream or bore.")
    elif not candidates[0].jig_inside and candidates[0].share < POOR:
        found.append("No standard drill is expected to keep nine holes in ten inside: plan to ream or bore to size.")
    if limits[1] - limits[0] > WIDE * limits[0]:
        width = format_length(limits[1] - limits[0], unit)
        found.append(f"The limits are {width} {unit} apart, wide for a drilled hole: check both.")
    if any(candidate.jig_inside for candidate in candidates):
        found.append("With bushing: AND10387 (machine drilling with jigs and fixtures), one printed source.")
    if "survey" in bases:
        found.append(
            "Oversize: handbook survey, from memory, unconfirmed; normal, least to greatest as six standard deviations "
            f"(our assumption). Drill {LEAST_HOLES} trial holes, measure them, and give their sizes with --history: "
            "the shop's own holes count first."
        )
    if "allowance" in bases:
        found.append("Oversize: training allowance of 0.05 mm, one printed source; its spread is our assumption.")
    found += _own_holes(candidates, histories, unit)
    shown = [candidate.names for candidate in candidates[:SHOWN] if "=" in candidate.names]
    found += [f"{names} is one size under two names." for names in shown]
    if reaming is not None:
        found.append("Reaming stock: one reaming tutorial; a reamer's own oversize comes on top, try it in scrap.")
    return tuple(found)


def _own_holes(candidates: Sequence[Candidate], histories: Sequence[History], unit: Unit) -> list[str]:
    found = []
    for name, tool, holes in holes_of_drills(histories):
        size = format_length(float(convert(tool, "in", unit)), unit, 4 if unit == "in" else 3)
        what = f"{name} ({size} {unit})" if size not in name else name
        if holes.size < LEAST_HOLES:
            are = "1 hole is" if holes.size == 1 else f"{holes.size} holes are"
            found.append(
                f"Not used: {what}, {are} too few to tell how holes scatter; give {LEAST_HOLES} or more of that drill. "
                "Published figures stand until then."
            )
        elif any(abs(candidate.history_drill - float(convert(tool, "in", unit))) <= 1e-6 for candidate in candidates):
            found.append(
                f"Oversize: the shop's own holes, {holes.size} of {what}, carried over to drills of nearly that size "
                "that were not tried. Interval: 95 %, holes taken as normal."
            )
        else:
            found.append(f"Not used: the holes of {what}; no drill for these limits takes its figures from that one.")
    return found


def _beyond(drill: Candidate, limits: tuple[float, float], unit: Unit) -> str:
    """Return how far the holes that AND10387 allows a drill reach outside ``limits`` [unit]."""
    if drill.jig_lower != drill.jig_lower:
        return f"{drill.names} is beyond its table"
    shown = 4 if unit == "in" else 3
    parts = []
    if drill.jig_lower < limits[0] - GRAIN:
        parts.append(f"reach {format_length(limits[0] - drill.jig_lower, unit, shown)} below the low limit")
    if drill.jig_upper > limits[1] + GRAIN:
        parts.append(f"reach {format_length(drill.jig_upper - limits[1], unit, shown)} above the high limit")
    return f"those of {drill.names}, {_jig(drill, unit)}, {' and '.join(parts)}"


def _jig(drill: Candidate, unit: Unit) -> str:
    shown = 4 if unit == "in" else 3
    return f"{format_length(drill.jig_lower, unit, shown)} to {format_length(drill.jig_upper, unit, shown)}"


def _share(share: float) -> str:
    return f"{min(100.0 * share, 99.9):.1f} %"
