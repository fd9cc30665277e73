"""What reaming can put right in a hole that came out small; for patterns see `pattern_rework`.

Only what the kit permits (`ream_up_to`) and only with drills and reamers at hand. Oversize and cracked holes are never
answered with a hint: they go to engineering. Where anything else of a small hole goes to engineering (form, edge
distance, a position that reaming doesn't cure), nothing is reamed before engineering has decided. Whatever is done,
the part is read and judged again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from holeqc.characteristics import OF_WORD
from holeqc.inspection.decision import guard_band
from holeqc.inspection.evidence import Evidence, Layout
from holeqc.inspection.pattern import PinCheck, check_pins, hole_diameters, judge_pattern, judge_shifted, pin_diameters
from holeqc.inspection.position import Places, judge_axes, judge_position, position_zones
from holeqc.inspection.results import (
    ACCEPT,
    BURR,
    CHARACTERISTICS,
    CONTRADICTION,
    CRACKED,
    GUARD_BAND,
    HOLE_COLUMNS,
    NO_GO_ENTERED,
    NONE,
    NOT_CLEAN,
    PART_COLUMNS,
    REJECT,
    REWORK_COLUMNS,
    UNDER,
    joined,
)
from holeqc.inspection.size import Sizes, mating_size, size_limits
from holeqc.problems import NOTE, Problem
from holeqc.quantities import BoolArray, FloatArray, IntArray, above, below, format_length
from holeqc.specification.model import Specification
from holeqc.tables import Table, Texts

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
    anew = ["form"] if entry.form.out_of_roundness is not None or entry.form.taper is not None else []
    anew += [OF_WORD[word].name for word in entry.measured]  # a wider hole takes some of its countersink's depth
    said = f", and its {joined(anew)} {'is' if len(anew) == 1 else 'are'} read anew" if anew else ""
    return f"{text}{said}. {CAUTION}"


# A pattern that doesn't take its pins: the least reaming inside the limits that lets them in, or engineering.


SEARCHED = 50  #: parts for which the least reaming is worked out in one run: each is a search of its own


@dataclass(frozen=True, slots=True)
class PatternRow:
    """One hole to ream so that the pins enter; hole -1 speaks of the part. ``to`` NaN and ``tool`` '' for nothing."""

    part: int
    hole: int
    start: float
    to: float
    tool: str
    passes: bool
    sentence: str


def rework_pattern(
    evidence: Evidence,
    layout: Layout,
    places: Places,
    pins: PinCheck | None,
    sizes: Sizes,
    mended: tuple[IntArray, Sizes],
    open_: BoolArray,
) -> tuple[list[PatternRow], tuple[Problem, ...]]:
    """Return what lets the pins into parts that don't take them, and a note where it wasn't worked out for all.

    ``mended``: parts whose small holes are reamed already, and their sizes afterwards; ``open_`` (P,): parts with a
    small hole that isn't reamed now. Only parts that are known in full, and that have no fault reaming leaves, get an
    answer; all others go to engineering without a hint.
    """
    if pins is None:
        return [], ()
    unknown = ((sizes.unread != NONE) | (sizes.gap != NONE) | (sizes.weak != NONE)).any(axis=(1, 2))
    unknown |= ((places.gap != NONE) & pins.axes).any(axis=(1, 2)) | open_
    faults = other_faults(evidence, layout) | above(sizes.largest, size_limits(evidence.spec).upper).any(axis=2)
    parts = np.flatnonzero((pins.verdict == REJECT) & ~unknown & ~faults.any(axis=1))
    if not parts.size:
        return [], ()
    now = _now(sizes, parts, mended)
    where = places.of_parts(parts)
    most = _most(evidence.spec, now, pins.axes)
    entered = _enter(evidence, parts, now, where)
    can = _enter(evidence, parts, reamed(now, most[..., None]), where)
    rows: list[PatternRow] = []
    searched = 0
    for number, part in enumerate(parts.tolist()):
        if entered[number]:
            rows.append(_part_row(part, True, "Once the small holes are reamed as said, all pins enter together."))
        elif not can[number]:
            rows.append(_part_row(part, False, f"No reaming that the kit permits lets all pins in: {ENGINEERING}"))
        elif searched < SEARCHED:
            searched += 1
            one = np.array([number])
            rows += _searched(evidence, part, of_parts(now, one), where.of_parts(one), most[number])
        else:
            text = "Reaming inside the limits lets all pins in; check this part by itself to have the least worked out."
            rows.append(_part_row(part, False, text))
    left = int((can & ~entered).sum()) - searched
    return rows, (_note(left),) if left > 0 else ()


def _part_row(part: int, passes: bool, sentence: str) -> PatternRow:
    return PatternRow(part, -1, np.nan, np.nan, "", passes, sentence)


def _note(left: int) -> Problem:
    return Problem(
        NOTE,
        "reaming-not-searched",
        f"the least reaming that lets the pins in was worked out for {SEARCHED} parts and not for {left} more",
        action="Check those parts by themselves.",
    )


def _now(sizes: Sizes, parts: IntArray, mended: tuple[IntArray, Sizes]) -> Sizes:
    """Return sizes of some parts, with small holes reamed where that was proposed."""
    changed, after = mended
    now: Any = of_parts(sizes, parts)
    row = np.flatnonzero(np.isin(changed, parts))
    at = np.searchsorted(parts, changed[row])
    for name in ("smallest", "largest", "mating"):
        getattr(now, name)[at] = getattr(after, name)[row]
    return Sizes(*(getattr(now, name) for name in Sizes.__slots__))


def _most(spec: Specification, sizes: Sizes, axes: BoolArray) -> FloatArray:
    """Return the largest size to which each hole (P,H) may be reamed, NaN where it may not or takes no pin.

    Inside the acceptance limits and the kit's own end, and short of the NO-GO plug by one step of the unit's last
    decimal.
    """
    _, upper = sizes_allowed(spec, np.fmax.reduce(sizes.uncertainty, axis=2))
    step = 0.0001 if spec.unit == "in" else 0.001
    no_go = np.array([np.nan if h.plugs.no_go is None else h.plugs.no_go - step for h in spec.holes])
    return np.where(axes.any(axis=1), np.where(np.isnan(no_go), upper, np.minimum(upper, no_go)), np.nan)


def _enter(evidence: Evidence, parts: IntArray, sizes: Sizes, places: Places) -> BoolArray:
    check = check_pins(evidence.of_parts(parts), sizes, places)
    return np.zeros(parts.size, dtype=np.bool_) if check is None else np.asarray(check.verdict == ACCEPT)


def _searched(evidence: Evidence, part: int, sizes: Sizes, places: Places, most: FloatArray) -> list[PatternRow]:
    """Return the least reaming of one part: with the tools at hand, else to any size."""
    spec = evidence.spec
    tools = tools_at_hand(spec)
    sizes_of_tools = tools.diameter[~below(tools.diameter, size_limits(spec).lower.min())]
    to = _least(spec, sizes, places, most, sizes_of_tools) if sizes_of_tools.size else None
    at_hand = to is not None
    if to is None:
        to = _least(spec, sizes, places, most, None)
    if to is None:
        return [_part_row(part, False, f"No reaming that the kit permits lets all pins in: {ENGINEERING}")]
    after = reamed(sizes, to[None, :, None])
    just = np.array([part])
    check = check_pins(evidence.of_parts(just), after, places)
    enters = check is not None and check.verdict[0] == ACCEPT
    passes = enters and not position_faults(evidence, just, after, places).any()
    names = [_tool_name(spec, size) if at_hand else "" for size in to]
    holes = np.flatnonzero(np.isfinite(to))
    joint = _joint(spec, to, names, holes, passes, float(check.margin[0]) if check is not None else np.nan)
    start = np.fmin.reduce(sizes.mating[0], axis=1)
    first = int(holes[0]) if holes.size else -1
    return [
        PatternRow(
            part, hole, float(start[hole]), float(to[hole]), names[hole], passes and at_hand,
            joint if hole == first else f"Hole {spec.holes[hole].id}: ream it with the others, as said for them.",
        )
        for hole in holes.tolist()
    ]  # fmt: skip


def _least(
    spec: Specification, sizes: Sizes, places: Places, most: FloatArray, steps: FloatArray | None
) -> FloatArray | None:
    """Return the size (H,) to ream each hole to, NaN where nothing is done; None where nothing helps."""
    from holeqc.inspection.pin_gauge import smallest_reaming

    axes = np.isfinite(pin_diameters(spec)) & np.isfinite(places.xy[0]).all(axis=-1)
    hole = np.nonzero(axes)[0]
    diameter = hole_diameters(spec, sizes)[0]
    uncertainty = np.hypot(0.5 * sizes.uncertainty[0], places.uncertainty[0])
    band = np.where(np.isnan(uncertainty), 0.0, guard_band(uncertainty, spec.decision))[axes].max()
    pin = np.broadcast_to(pin_diameters(spec), axes.shape)[axes] + 2.0 * max(float(band), 0.0)
    largest = np.fmax(np.where(np.isnan(most), -np.inf, most)[hole], diameter[axes])
    found = smallest_reaming(
        places.basic[0][axes], places.xy[0][axes], diameter[axes], pin, largest, steps, together=hole
    )
    if found is None:
        return None
    to = np.full(len(spec.holes), np.nan)
    for row in np.flatnonzero(found.enlargement > 0.0):
        to[hole[row]] = np.fmax(to[hole[row]], found.diameter[row])
    return to


def _tool_name(spec: Specification, size: float) -> str:
    tools = tools_at_hand(spec)
    fitting = [f"{k} {n}" for k, n, d in zip(tools.kind, tools.designation, tools.diameter, strict=True) if d == size]
    return fitting[0] if fitting else ""


def _joint(spec: Specification, to: FloatArray, names: list[str], holes: IntArray, passes: bool, margin: float) -> str:
    """Return all reamings of a part in one sentence."""
    unit = spec.unit
    each = []
    for hole in holes.tolist():
        tool = f" with {names[hole]}" if names[hole] else ""
        each.append(f"hole {spec.holes[hole].id} to {format_length(float(to[hole]), unit)} {unit}{tool}")
    text = f"Ream {', '.join(each)}: all pins then enter with {format_length(margin, unit, 5)} {unit} of radial room"
    if not any(names):
        return f"{text}, but no such reamer is at hand; get one, or {ENGINEERING}"
    if not passes:
        return f"{text}, but the part would still not pass: {ENGINEERING}"
    return f"{text}. {CAUTION}"


# All rework of a run as one table, and as sentences beside the holes.


@dataclass(frozen=True, slots=True)
class Rework:
    """All rework of a run. ``to`` (P,H) sizes to ream to, NaN for none; ``sentence`` (P,H) numbers ``sentences``."""

    table: Table
    to: FloatArray
    sentence: IntArray
    sentences: tuple[str, ...]
    problems: tuple[Problem, ...]


def find_rework(evidence: Evidence, layout: Layout, sizes: Sizes, places: Places, pins: PinCheck | None) -> Rework:
    """Return what reaming can put right, hole by hole, then for patterns that don't take their pins.

    Rows of scope ``hole`` mend a small hole, rows of scope ``pattern`` let the pins of a part in; hole '' in a
    pattern row speaks of the whole part.
    """
    proposals, after, parts = propose(evidence, layout, sizes, places)
    low = np.fmin.reduce(sizes.smallest, axis=2)
    tools = tools_at_hand(evidence.spec)
    to = np.full(evidence.shape[:2], np.nan)
    sentence = np.zeros(evidence.shape[:2], dtype=np.int64)
    sentences = {"": 0}
    rows: list[dict[str, Any]] = []
    for p in proposals:
        to[p.part, p.hole] = p.to if p.passes else np.nan
        sentence[p.part, p.hole] = sentences.setdefault(p.sentence, len(sentences))
        tool = tools.designation[p.tool] if p.tool >= 0 else ""
        facts = {"from": float(low[p.part, p.hole]), "to": p.to, "tool": tool, "passes": p.passes}
        rows.append(_head(evidence, p.part, "hole", p.hole) | facts | {"sentence": p.sentence})
    open_ = np.isin(np.arange(evidence.shape[0]), [p.part for p in proposals if not p.passes])
    patterns, problems = rework_pattern(evidence, layout, places, pins, sizes, (parts, after), open_)
    for r in patterns:
        if r.hole >= 0 and not sentence[r.part, r.hole]:
            to[r.part, r.hole] = r.to
            sentence[r.part, r.hole] = sentences.setdefault(r.sentence, len(sentences))
        facts = {"from": r.start, "to": r.to, "tool": r.tool, "passes": r.passes}
        rows.append(_head(evidence, r.part, "pattern", r.hole) | facts | {"sentence": r.sentence})
    return Rework(Table.of_rows(rows, REWORK_COLUMNS), to, sentence, tuple(sentences), problems)


def _head(evidence: Evidence, part: int, scope: str, hole: int) -> dict[str, Any]:
    names = evidence.parts
    return {
        "part": names.names[names.name[part]], "serial": names.serials[names.serial[part]], "scope": scope,
        "hole": evidence.spec.hole_ids[hole] if hole >= 0 else "",
    }  # fmt: skip


# The tables of holes and of parts, columns as `results` describes them.


_MATING_FROM = ("", "readings", "readings and GO", "plug")


def holes_table(
    evidence: Evidence,
    sizes: Sizes,
    off: tuple[FloatArray, FloatArray],
    go_entered: BoolArray,
    verdict: np.ndarray,
    rework: Rework,
) -> Table:
    """Return the table of holes, columns as `results.HOLE_COLUMNS`.

    ``off``: measured minus basic positions (P,H,W,2), as they stand and with the pattern floated.
    """
    parts, holes, _ = evidence.shape
    each, hole = np.ogrid[:parts, :holes]

    def worst(vectors: FloatArray) -> FloatArray:
        away = np.hypot(vectors[..., 0], vectors[..., 1])
        wall = np.where(np.isnan(away), -1.0, away).argmax(axis=2)
        return np.asarray(vectors[each, hole, wall].reshape(-1, 2))

    there, floated = (worst(vectors) for vectors in off)
    known = np.isfinite(sizes.mating).any(axis=2).astype(np.int64)
    source = np.where(sizes.plugged.any(axis=2), 3, known + (known & go_entered.all(axis=2)))

    def over(array: FloatArray, choose: np.ufunc) -> FloatArray:
        return np.asarray(choose.reduce(array, axis=2).reshape(-1))

    names = evidence.parts
    columns: dict[str, Any] = {
        "part": Texts(np.repeat(names.name, holes), names.names),
        "serial": Texts(np.repeat(names.serial, holes), names.serials),
        "hole": Texts(np.tile(np.arange(holes), parts), evidence.spec.hole_ids),
        "verdict": verdict.reshape(-1),
        "mating_size": over(mating_size(sizes, both=True), np.fmin),
        "mating_from": Texts(source.reshape(-1), _MATING_FROM),
        "smallest": over(sizes.smallest, np.fmin),
        "largest": over(sizes.largest, np.fmax),
        "dx": there[:, 0],
        "dy": there[:, 1],
        "pattern_dx": floated[:, 0],
        "pattern_dy": floated[:, 1],
        "rework": Texts(rework.sentence.reshape(-1), rework.sentences),
        "ream_to": rework.to.reshape(-1),
    }
    return Table({name: columns[name] for name in HOLE_COLUMNS})


def parts_table(evidence: Evidence, verdict: np.ndarray, given: dict[str, Any]) -> Table:
    """Return the table of parts, columns as `results.PART_COLUMNS`; what isn't given is NaN."""
    names = evidence.parts
    nothing = np.full(len(names), np.nan)
    columns: dict[str, Any] = {
        "part": Texts(names.name, names.names),
        "serial": Texts(names.serial, names.serials),
        "verdict": verdict,
        "pin_verdict": np.full(len(names), -1, dtype=np.int8),
        "pin_culprit": Texts(np.zeros(len(names), dtype=np.int64), ("",)),
        "readings": evidence.counts,
        "first_date": evidence.first_day.astype("datetime64[s]"),
        "last_date": evidence.last_day.astype("datetime64[s]"),
    } | given
    return Table({name: columns.get(name, nothing) for name in PART_COLUMNS})
