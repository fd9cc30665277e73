"""What reaming can put right in a hole that came out small; for patterns see `pattern_rework`.

Only what the kit permits (`ream_up_to`) and only with drills and reamers at hand. Oversize and cracked holes are never
answered with a hint: they go to engineering. Where anything else of a small hole goes to engineering (form, edge
distance, a position that reaming doesn't cure), nothing is reamed before engineering has decided. Whatever is done,
the part is read and judged again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.inspection.assemble import Layout
from holeqc.inspection.causes import BURR, CONTRADICTION, CRACKED, GUARD_BAND, NO_GO_ENTERED, NONE, NOT_CLEAN, UNDER
from holeqc.inspection.decision import guard_band
from holeqc.inspection.evidence import Evidence
from holeqc.inspection.grouping import IntArray
from holeqc.inspection.pattern import judge_pattern, judge_shifted
from holeqc.inspection.places import Places
from holeqc.inspection.position import judge_axes, judge_position, position_zones
from holeqc.inspection.results import ACCEPT, CHARACTERISTICS, REJECT
from holeqc.inspection.size import Sizes, size_limits
from holeqc.quantities import BoolArray, FloatArray, above, below, format_length

if TYPE_CHECKING:
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

    The kit permits reaming; some reading is under the lower limit, none is over the upper, none is doubted or
    missing; no crack, no NO-GO plug that enters, and no plug that contradicts the readings.
    """
    verdict, cause = layout.column("verdict", np.int8), layout.column("cause", np.int16)
    size = layout.kind == layout.number("size")
    small = _any_slot(layout, evidence, (verdict == REJECT) & (cause == UNDER) & size)
    wrong = _any_slot(layout, evidence, np.isin(cause, (CRACKED, NO_GO_ENTERED, CONTRADICTION)))
    large = above(sizes.largest, size_limits(evidence.spec).upper).any(axis=2)
    unsure = ((sizes.unread != NONE) | (sizes.weak != NONE)).any(axis=2)
    permitted = np.array([hole.ream_up_to is not None for hole in evidence.spec.holes])
    return small & ~wrong & ~large & ~unsure & permitted


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
    some = of_parts(sizes, parts)
    where = of_parts(places, parts)
    lower, upper = sizes_allowed(evidence.spec, np.max(some.uncertainty, axis=2, initial=0.0))
    tools = tools_at_hand(evidence.spec)
    chosen, good = _choose(evidence.spec, some, where, small[parts], (lower, upper), tools)
    to = np.where(chosen >= 0, np.append(tools.diameter, np.nan)[chosen], np.nan)
    after = reamed(some, to[..., None])
    off = position_faults(evidence, parts, after, where)
    stays, dirty = _goes_first(evidence, layout)
    proposals = []
    for row, hole in zip(*np.nonzero(small[parts]), strict=True):
        part, tool = int(parts[row]), int(chosen[row, hole])
        names = [name for name, where_ in stays.items() if where_[part, hole]]
        names += ["position"] if off[row, hole] or not good[row, hole] else []
        first = Before(tuple(names), bool(dirty[part, hole]))
        facts = (float(lower[row, hole]), float(upper[row, hole]), float(to[row, hole]), tool)
        sentence = _sentence(evidence.spec, int(hole), facts, tools, first)
        passes = tool >= 0 and not names and not first.clean
        proposals.append(Proposal(part, int(hole), tool, float(to[row, hole]), passes, sentence))
    return proposals, after, parts


@dataclass(frozen=True, slots=True)
class Before:
    """What comes before a hole is reamed: characteristics that engineering decides on, cleaning and deburring."""

    engineering: tuple[str, ...]
    clean: bool


def _goes_first(evidence: Evidence, layout: Layout) -> tuple[dict[str, BoolArray], BoolArray]:
    """Return where (P,H) each characteristic that reaming doesn't cure goes to engineering, and where dirt or a burr
    must go first."""
    verdict, cause = layout.column("verdict", np.int8), layout.column("cause", np.int16)
    shown = layout.column("shown", np.bool_)
    bad = shown & ((verdict == REJECT) | (cause == GUARD_BAND)) & ~np.isin(cause, (BURR, NOT_CLEAN))
    stays = {
        name: _any_slot(layout, evidence, bad & (layout.kind == layout.number(name)))
        for name in CHARACTERISTICS if name not in _MENDED
    }  # fmt: skip
    return stays, _any_slot(layout, evidence, shown & np.isin(cause, (BURR, NOT_CLEAN)))


#: what reaming can cure
_MENDED = ("size", "GO", "position", "hole-to-hole position")


def of_parts(record: Any, parts: IntArray) -> Any:
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
        # A datum frame that shifts is judged for the whole part afterwards.
        asked = ~np.isnan(zones.stated) & np.isfinite(actual) & (spec.datum_shift is None)
        passes = fits & ~(asked & (judged.verdict != ACCEPT)).any(axis=2)
        passes &= ~below(diameter, go) & ~(np.isfinite(no_go) & ~below(diameter, no_go))
        take = fits & ~good & ((chosen < 0) | passes)
        chosen[take], good[take] = number, passes[take]
    return chosen, good


def other_faults(evidence: Evidence, layout: Layout) -> BoolArray:
    """Return where a hole (P,H) has a fault that reaming leaves, as form, edge or surface; not size, GO, position."""
    verdict = layout.column("verdict", np.int8)
    mended = [layout.number(name) for name in _MENDED]
    stays = (verdict == REJECT) & layout.column("shown", np.bool_) & ~np.isin(layout.kind, mended)
    return _any_slot(layout, evidence, stays)


def position_faults(evidence: Evidence, parts: IntArray, after: Sizes, places: Places) -> BoolArray:
    """Return where a hole (parts, H) is still rejected in position, to the datums or hole to hole."""
    spec = evidence.spec
    out = np.zeros((parts.size, evidence.shape[1]), dtype=np.bool_)
    if not parts.size:
        return out
    cut = evidence.of_parts(parts)
    to_datums = position_zones(spec, after, pattern=False)
    if spec.datum_shift is None:
        judged = [judge_position(cut, places, to_datums)]
    else:
        judged = [judge_shifted(cut, places, after, to_datums)[0]]
    if any(h.position.pattern_tolerance is not None for h in spec.holes):
        judged.append(judge_pattern(cut, places, position_zones(spec, after, pattern=True))[0])
    for rows in judged:
        bad = (rows.verdict == REJECT) & rows.shown
        for slot, hole in enumerate(rows.hole):
            out[:, hole] |= bad[:, slot]
    return out


def _sentence(
    spec: Specification, hole: int, facts: tuple[float, float, float, int], tools: ToolTable, first: Before
) -> str:
    """Return what to do with a small hole in one sentence."""
    lower, upper, to, tool = facts
    entry = spec.holes[hole]
    unit = spec.unit
    name = f"Hole {entry.id} is small"
    if tool < 0:
        if upper < lower:
            return f"{name} and can't be brought into its limits by the rework permitted: {ENGINEERING}"
        span = f"{format_length(lower, unit)} to {format_length(upper, unit)} {unit}"
        return f"{name}: no reamer or drill at hand lies within {span}; get one, or {ENGINEERING}"
    kind = tools.kind[tool]
    what = f"to {format_length(to, unit)} {unit} with {kind} {tools.designation[tool]}"
    if kind == "drill":
        what += " (a drill cuts larger than itself: try it in scrap first)"
    doing = "reaming" if kind == "reamer" else "opening"
    if first.engineering:
        text = f"{name}: {doing} it {what} would cure its size, but engineering decides on its "
        return f"{text}{' and '.join(first.engineering)} first: no rework before {ENGINEERING}"
    if first.clean:
        return f"{name}: clean and deburr it first and read it again; {doing} it {what} may follow. {CAUTION}"
    text = f"{name}: {'ream' if kind == 'reamer' else 'open'} it {what}; it then passes in size, position and plugs"
    form = entry.form.out_of_roundness is not None or entry.form.taper is not None
    return f"{text}{', and its form is read anew' if form else ''}. {CAUTION}"
