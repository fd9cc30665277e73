"""What reaming can put right: a hole that came out small, a pattern that doesn't take its pins.

Only what the kit permits (`ream_up_to`) and only with drills and reamers at hand. Oversize, off position and cracked
holes are never answered with a hint: they go to engineering. Whatever is done, the part is read and judged again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.inspection.assemble import Layout
from holeqc.inspection.causes import CONTRADICTION, CRACKED, NO_GO_ENTERED, NONE, UNDER
from holeqc.inspection.decision import guard_band
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.grouping import IntArray
from holeqc.inspection.pattern import judge_pattern
from holeqc.inspection.pins import PinCheck
from holeqc.inspection.places import Places
from holeqc.inspection.position import judge_axes, position_zones
from holeqc.inspection.results import ACCEPT, REJECT, REWORK_COLUMNS
from holeqc.inspection.size import Sizes, size_limits
from holeqc.quantities import BoolArray, FloatArray, above, below, format_length

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.problems import Problem
    from holeqc.specification.model import Specification

ENGINEERING = "engineering disposition."
CAUTION = "Clamp the part, wear eye protection, clear the chips; deburr, read the hole again and check a new sheet."


@dataclass(frozen=True, slots=True)
class ToolTable:
    """Drills and reamers at hand, ascending, a reamer before a drill of the same size."""

    designation: tuple[str, ...]
    kind: tuple[str, ...]
    diameter: FloatArray


@dataclass(frozen=True, slots=True)
class Proposal:
    """What to do with one small hole: ``tool`` -1 where none at hand fits, ``passes`` whether the hole then passes."""

    part: int
    hole: int
    tool: int
    to: float
    passes: bool
    sentence: str


def tools_at_hand(spec: Specification) -> ToolTable:
    """Return the drills and reamers at hand."""
    entries = [(t.diameter, 0, t.designation, "reamer") for t in spec.tools.reamers]
    entries += [(t.diameter, 1, t.designation, "drill") for t in spec.tools.drills]
    entries.sort()
    return ToolTable(
        tuple(e[2] for e in entries), tuple(e[3] for e in entries), np.array([e[0] for e in entries], dtype=np.float64)
    )


def small_holes(evidence: Evidence, layout: Layout, sizes: Sizes) -> BoolArray:
    """Return the holes (P,H) that reaming could put right: small, and nothing wrong that reaming can't undo.

    Some reading is under the lower limit, none is over the upper, none is doubted or missing, no crack, no NO-GO plug
    that enters, and no plug that contradicts the readings.
    """
    verdict, cause = layout.column("verdict", np.int8), layout.column("cause", np.int16)
    size = layout.kind == layout.number("size")
    small = _any_slot(layout, evidence, (verdict == REJECT) & (cause == UNDER) & size)
    wrong = _any_slot(layout, evidence, np.isin(cause, (CRACKED, NO_GO_ENTERED, CONTRADICTION)))
    large = above(sizes.largest, size_limits(evidence.spec).upper).any(axis=2)
    unsure = ((sizes.unread != NONE) | (sizes.weak != NONE)).any(axis=2)
    return small & ~wrong & ~large & ~unsure


def _any_slot(layout: Layout, evidence: Evidence, where: BoolArray) -> BoolArray:
    out = np.zeros(evidence.shape[:2], dtype=np.bool_)
    starts = np.flatnonzero(np.diff(layout.hole, prepend=-1))
    out[:, layout.hole[starts]] = np.logical_or.reduceat(where, starts, axis=1)
    return out


def reamed(sizes: Sizes, to: FloatArray) -> Sizes:
    """Return sizes after reaming to diameters ``to`` (P,H,1), NaN where nothing is done: nothing gets smaller."""

    def grown(array: FloatArray) -> FloatArray:
        return np.fmax(array, np.where(np.isnan(array), np.nan, to))

    return replace(sizes, smallest=grown(sizes.smallest), largest=grown(sizes.largest), mating=grown(sizes.mating))


def sizes_allowed(spec: Specification, uncertainty: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return from what to what size each hole (P,H) may be reamed: acceptance limits and the kit's own end.

    NaN at the end where rework isn't permitted. ``uncertainty`` (P,H).
    """
    limits = size_limits(spec)
    band = guard_band(uncertainty, spec.decision)
    band = np.where(np.isnan(band), 0.0, np.maximum(band, 0.0))
    last = np.array([np.nan if h.ream_up_to is None else h.ream_up_to for h in spec.holes])
    return limits.lower[:, 0] + band, np.minimum(limits.upper[:, 0] - band, last)


def propose(evidence: Evidence, layout: Layout, sizes: Sizes, places: Places) -> tuple[list[Proposal], Sizes, IntArray]:
    """Return a proposal for each small hole, sizes after all of them, and the parts concerned.

    The smallest tool at hand with which size, position with its new bonus and plugs pass; where position doesn't pass
    with any, the smallest that brings the readings into the limits. Sizes come out for the parts concerned only.
    """
    small = small_holes(evidence, layout, sizes)
    parts = np.flatnonzero(small.any(axis=1))
    some = _of_parts(sizes, parts)
    where = _of_parts(places, parts)
    lower, upper = sizes_allowed(evidence.spec, np.max(some.uncertainty, axis=2, initial=0.0))
    tools = tools_at_hand(evidence.spec)
    chosen, good = _choose(evidence.spec, some, where, small[parts], (lower, upper), tools)
    to = np.where(chosen >= 0, np.append(tools.diameter, np.nan)[chosen], np.nan)
    after = reamed(some, to[..., None])
    stands = _other_faults(evidence, layout, parts)
    stands |= _pattern_faults(evidence, parts, after, where)
    proposals = []
    for row, hole in zip(*np.nonzero(small[parts]), strict=True):
        tool = int(chosen[row, hole])
        passes = bool(tool >= 0 and good[row, hole] and not stands[row, hole])
        facts = (float(lower[row, hole]), float(upper[row, hole]), float(to[row, hole]), tool)
        sentence = _sentence(evidence.spec, int(hole), facts, tools, passes)
        proposals.append(Proposal(int(parts[row]), int(hole), tool, float(to[row, hole]), passes, sentence))
    return proposals, after, parts


def _of_parts(record: Any, parts: IntArray) -> Any:
    """Return a record of arrays cut down to some parts."""
    return type(record)(*(getattr(record, name)[parts] for name in record.__slots__))


def _choose(
    spec: Specification,
    sizes: Sizes,
    places: Places,
    small: BoolArray,
    allowed: tuple[FloatArray, FloatArray],
    tools: ToolTable,
) -> tuple[IntArray, BoolArray]:
    """Return the tool of each small hole (P,H), -1 for none, and whether position and plugs pass with it."""
    chosen = np.full(small.shape, -1, dtype=np.int64)
    good = np.zeros(small.shape, dtype=np.bool_)
    go = np.array([np.nan if h.plugs.go is None else h.plugs.go for h in spec.holes])
    no_go = np.array([np.nan if h.plugs.no_go is None else h.plugs.no_go for h in spec.holes])
    for number, diameter in enumerate(tools.diameter):
        fits = small & ~below(diameter, allowed[0]) & ~above(diameter, allowed[1]) & np.isfinite(allowed[1])
        if not (fits & ~good).any():
            continue
        after = reamed(sizes, np.where(fits, diameter, np.nan)[..., None])
        zones = position_zones(spec, after, pattern=False)
        actual = 2.0 * np.hypot(places.off[..., 0], places.off[..., 1])
        judged = judge_axes(spec, places, zones, actual)
        asked = ~np.isnan(zones.stated) & np.isfinite(actual)
        passes = fits & ~(asked & (judged.verdict != ACCEPT)).any(axis=2)
        passes &= ~below(diameter, go) & ~(np.isfinite(no_go) & ~below(diameter, no_go))
        take = fits & ~good & ((chosen < 0) | passes)
        chosen[take], good[take] = number, passes[take]
    return chosen, good


def _other_faults(evidence: Evidence, layout: Layout, parts: IntArray) -> BoolArray:
    """Return where a hole (parts, H) has a fault that reaming leaves: edge, burr, taper; not size, GO or position."""
    verdict = layout.column("verdict", np.int8)
    names = ("size", "GO", "position", "hole-to-hole position", "out-of-roundness", "taper")
    mended = [layout.number(name) for name in names]
    stays = (verdict == REJECT) & layout.column("shown", np.bool_) & ~np.isin(layout.kind, mended)
    return _any_slot(layout, evidence, stays)[parts]


def _pattern_faults(evidence: Evidence, parts: IntArray, after: Sizes, places: Places) -> BoolArray:
    """Return where a hole (parts, H) is still rejected hole to hole after reaming."""
    holes = evidence.shape[1]
    if not parts.size or all(h.position.pattern_tolerance is None for h in evidence.spec.holes):
        return np.zeros((parts.size, holes), dtype=np.bool_)
    cut = evidence.of_parts(parts)
    zones = position_zones(evidence.spec, after, pattern=True)
    rows = judge_pattern(cut, places, zones)
    bad = (rows.verdict == REJECT) & rows.shown
    out = np.zeros((parts.size, holes), dtype=np.bool_)
    for slot, hole in enumerate(rows.hole):
        out[:, hole] |= bad[:, slot]
    return out


def _sentence(
    spec: Specification, hole: int, facts: tuple[float, float, float, int], tools: ToolTable, passes: bool
) -> str:
    """Return what to do with a small hole in one sentence."""
    lower, upper, to, tool = facts
    entry = spec.holes[hole]
    unit = spec.unit
    name = f"Hole {entry.id}"
    if entry.ream_up_to is None:
        return f"{name} is small and the kit permits no rework: {ENGINEERING}"
    if tool < 0:
        if upper < lower:
            return f"{name} is small and can't be brought into its limits by the rework permitted: {ENGINEERING}"
        span = f"{format_length(lower, unit)} to {format_length(upper, unit)} {unit}"
        return f"{name} is small: no reamer or drill at hand lies within {span}; get one, or {ENGINEERING}"
    words = f"{name} is small: ream it" if tools.kind[tool] == "reamer" else f"{name} is small: open it"
    what = f"{words} to {format_length(to, unit)} {unit} with {tools.kind[tool]} {tools.designation[tool]}"
    if tools.kind[tool] == "drill":
        what += " (a drill cuts larger than itself: try it in scrap first)"
    if passes:
        return f"{what}; it then passes in size, position and plugs. {CAUTION}"
    return f"{what} would bring its size into the limits, but it would still not pass: {ENGINEERING}"


@dataclass(frozen=True, slots=True)
class Rework:
    """All rework of a run. ``to`` (P,H) sizes to ream to, NaN for none; ``sentence`` (P,H) numbers ``sentences``."""

    frame: pd.DataFrame
    to: FloatArray
    sentence: IntArray
    sentences: tuple[str, ...]
    problems: tuple[Problem, ...]


def find_rework(evidence: Evidence, layout: Layout, sizes: Sizes, places: Places, pins: PinCheck | None) -> Rework:
    """Return what reaming can put right, hole by hole, then for patterns that don't take their pins."""
    import pandas as pd

    proposals, after, parts = propose(evidence, layout, sizes, places)
    to = np.full(evidence.shape[:2], np.nan)
    sentence = np.zeros(evidence.shape[:2], dtype=np.int64)
    sentences = {"": 0}
    rows: list[dict[str, Any]] = []
    low = np.fmin.reduce(sizes.smallest, axis=2)
    for p in proposals:
        to[p.part, p.hole] = p.to
        sentence[p.part, p.hole] = sentences.setdefault(p.sentence, len(sentences))
        rows.append(_row(evidence, p, float(low[p.part, p.hole])))
    return Rework(pd.DataFrame(rows, columns=list(REWORK_COLUMNS)), to, sentence, tuple(sentences), ())


def _row(evidence: Evidence, proposal: Proposal, start: float) -> dict[str, Any]:
    names, tools = evidence.parts, tools_at_hand(evidence.spec)
    return {
        "part": names.names[names.name[proposal.part]], "serial": names.serials[names.serial[proposal.part]],
        "scope": "hole", "hole": evidence.spec.hole_ids[proposal.hole], "from": start, "to": proposal.to,
        "tool": tools.designation[proposal.tool] if proposal.tool >= 0 else "", "passes": proposal.passes,
        "sentence": proposal.sentence,
    }  # fmt: skip
