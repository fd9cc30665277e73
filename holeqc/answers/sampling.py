"""How many to read, as it is asked: first parts of a fixture, plans for lots, lots drawn and judged on record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.answers import Answer, required_who, several
from holeqc.answers.files import flat, loaded
from holeqc.problems import NOTE, WARNING, DataError, LedgerError, Problem
from holeqc.quantities import CALCULATED, FloatArray
from holeqc.sampling import first_parts as proofs
from holeqc.sampling import lots
from holeqc.sampling.first_parts import BAD, DRIFTS, GOOD, UNREAD, FirstParts, HoleProof, Proof, Restart
from holeqc.sampling.lots import AskedPlan
from holeqc.tables import Table, numbered

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holeqc.answers import Named
    from holeqc.fixture.history import Event
    from holeqc.inspection.results import Inspection
    from holeqc.ledger.ledger import Ledger
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification


# ------------------------------------------------------------------------------------------------------- first parts


SHARE, CONFIDENCE = 0.95, 0.90
WEAK = 0.8  #: confidence below which no bad part found is said to prove next to nothing; no source
SIZE, POSITION, PATTERN, EDGE, PINS = "size", "position", "hole-to-hole position", "edge distance", "pins together"
DISTANCES = (2.0, 2.5, 3.0, 4.0, 5.0)  #: sample sigmas of room for which the plan says a number of parts
DRIFT_LEVEL = 0.05  #: chance that a drift is told of any thing of any hole though nothing moves (Bonferroni)
MEASURED = (SIZE, POSITION, PATTERN)  #: what a hole is proven in by its values; all else is counted


@dataclass(frozen=True, slots=True)
class Room:
    """What was found of parts P in order, holes H, things K that are asked of a hole, in arrays.

    ``state`` (P,H,K) is `GOOD`, `BAD` or `UNREAD`; ``left`` (P,H,K) the room before the limit with U taken off, NaN
    where there is none; ``scale`` (K,) of the room; ``uncertainty`` (H,K) the largest U. ``sides`` (P,H,2): of size,
    below and above. ``pins`` (P,) and ``pin_state`` (P,) of all pins together, None where the kit asks none.
    """

    serials: tuple[str, ...]
    holes: tuple[str, ...]
    things: tuple[str, ...]
    state: NDArray[np.int64]
    left: FloatArray
    scale: FloatArray
    uncertainty: FloatArray
    sides: FloatArray
    off: dict[str, FloatArray]  #: of both positions: (P,H,2) of the axes from basic, of the wall that lies worst
    pins: FloatArray | None
    pin_state: NDArray[np.int64] | None
    never: tuple[str, ...]  #: things that were read on no part


def first_parts(
    *files: Named | Sequence[Named],
    share: float = SHARE,
    confidence: float = CONFIDENCE,
    events: str | Path | None = None,
    tolerances: str | Path | None = None,
    unit: str = "",
    ledger: str | Path = "",
    where: str | Sequence[str] = (),
) -> Answer:
    """Return how many parts must be read in full, all good, to claim a share of good parts; with readings, how far.

    Args:
        files: a kit, and readings of parts if there are any, in any order; their days say which came first.
        share, confidence: of the claim, as fractions. events: table of events, as `holeqc.wear` takes it.
        tolerances, unit, ledger, where: as `holeqc.wear` takes them; events on record count too.

    Raises:
        HoleQCError: input that can't be used.
    """
    from holeqc.answers.fixture import read_parts
    from holeqc.reports.sampling import first_parts_text

    proofs.checked(share, confidence)
    given = flat(files)
    kits = [f for f in given if not isinstance(f, Path) or f.suffix.lower() == ".toml"]
    if not given and not ledger:
        raise DataError("name the kit file: holeqc first-parts KIT.toml [READINGS...]")
    said: list[Problem] = []
    needed = tuple(proofs.parts_needed(share, confidence, bad) for bad in (0, 1, 2))
    table = tuple((d, proofs.values_needed(d, share, confidence)) for d in DISTANCES)
    if len(given) == len(kits) == 1 and not ledger:
        if events is not None:
            raise DataError("--events says what happened between parts: name their readings too")
        spec = loaded(kits[0])
        found = FirstParts(share, confidence, needed, table, _gauges(spec))
    else:
        path = None if events is None else Path(events)
        folder = None if tolerances is None else Path(tolerances)
        spec, readings = read_parts(given, folder, unit, (str(ledger), several(where)), path)
        found = FirstParts(share, confidence, needed, table, _gauges(spec))
        found, said = _proven(spec, readings, found, path, ledger)
    return Answer(first_parts_text(spec, found), _as_data(found), problems=tuple(said))


def _as_data(record: Any) -> dict[str, Any]:
    from holeqc.statistics.basics import plain

    return dict(plain(record))


def _gauges(spec: Specification) -> tuple[tuple[str, str, float, float | None], ...]:
    """Return what is taken off: reading, gauge, U, and which share of the band of size it is on both sides."""
    out: list[tuple[str, str, float, float | None]] = []
    bands = [h.size.upper - h.size.lower for h in spec.holes]
    for gauge in spec.gauges:
        if gauge.uncertainty and "diameter" in gauge.measures:
            out.append(("size", gauge.id, gauge.uncertainty, 2 * gauge.uncertainty / min(bands)))
        elif gauge.uncertainty and "x" in gauge.measures:
            out.append(("coordinates", gauge.id, gauge.uncertainty, None))
    return tuple(out)


def _proven(
    spec: Specification, readings: Readings, claim: FirstParts, events: Path | None, ledger: str | Path
) -> tuple[FirstParts, list[Problem]]:
    """Return what readings prove, and what must be said of them."""
    from holeqc.inspection.judge import judge

    room = _room(judge(spec, readings))
    logged, problems = _events(spec, readings, room, events, ledger)
    first, pin_first, restarts = _starts(spec, room, logged)
    state, start = room.state.reshape(len(room.serials), -1), first.ravel()
    share_left = np.where(np.isfinite(room.left), room.left / room.scale, np.inf)
    least = share_left.reshape(state.shape).min(axis=1, initial=np.inf)
    if room.pins is not None and room.pin_state is not None:
        state, start = np.column_stack([state, room.pin_state]), np.append(start, pin_first)
        least = np.fmin(least, room.pins / room.scale.min())
    if not start.size:
        raise DataError("nothing that the kit asks for was read on these parts")
    claimed, newest = (claim.share, claim.confidence), int(start.max())
    least = np.where(np.isfinite(least) & ~(state == UNREAD).any(axis=1), least, np.nan)[newest:]
    whole = pins = None
    if not _without_a_number((state[newest:] == BAD).any(axis=1), least):
        whole = proofs.prove(least, *claimed, own=True)
    if room.pins is not None and room.pin_state is not None:
        margin = room.pins[pin_first:]
        if not _without_a_number(room.pin_state[pin_first:] == BAD, margin):
            pins = proofs.prove(margin, *claimed, own=True)
    moves = _drifts(spec, room, first, pin_first)
    found = replace(
        claim, serials=room.serials, never=room.never, restarts=restarts, drifts=tuple(moves.values()),
        part_measured=_drifting(whole) if whole and moves else whole,
        pins=_drifting(pins) if pins and moves else pins,  # they rest on all sizes and places
        part=proofs.prove_parts(state, start, *claimed),
        holes=tuple(
            HoleProof(name, proofs.prove_parts(room.state[:, h], first[h], *claimed),
                      {k: _drifting(p) if (name, k) in moves else p
                       for k, p in _measured(spec, room, h, first[h], claim).items()})
            for h, name in enumerate(room.holes) if room.things
        ),
    )  # fmt: skip
    said = _said(spec, room, least)
    if moves:
        said.insert(0, Problem(
            WARNING, "drifts", f"drifts from part to part: {'; '.join(moves.values())}. Its values say nothing of "
            "later parts, and what was counted supposes that the process stays as it was", action="See holeqc wear",
        ))  # fmt: skip
    return found, [*readings.problems, *problems, *said]


def _drifting(proof: Proof) -> Proof:
    return replace(proof, share=0.0, how=DRIFTS, why="says nothing of later parts; see holeqc wear", needed=None)


def _drifts(
    spec: Specification, room: Room, first: NDArray[np.int64], pin_first: int
) -> dict[tuple[str, str], str]:
    """Return what drifts from the part on from which it counts, in words, by hole and thing; all pins: ('', PINS).

    A straight trend (`fixture.changes.trend_of`), each look at `DRIFT_LEVEL` over the number of looks.
    """
    from holeqc.fixture.changes import LEAST, trend_of

    series: list[tuple[tuple[str, str], FloatArray]] = []
    for k, name in ((k, name) for k, name in enumerate(room.things) if name in MEASURED):
        for h, hole in enumerate(room.holes):
            if name == SIZE:
                several = [room.sides[:, h, 0], -room.sides[:, h, 1]]
            elif name == POSITION and spec.datum_shift is not None:
                several = [room.left[:, h, k]]
            else:
                several = list(room.off[name][:, h].T)
            series += [((hole, name), values[first[h, k] :]) for values in several]
    if room.pins is not None:
        series.append((("", PINS), room.pins[pin_first:]))
    series = [(key, values) for key, values in series if np.isfinite(values).sum() >= LEAST]
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for key, values in series:
        trend = trend_of(np.arange(values.size, dtype=float), values)
        if trend.chance < min(DRIFT_LEVEL / len(series), found.get(key, (1.0, 0.0))[0]):
            found[key] = (trend.chance, trend.slope)
    return {
        (hole, name): f"{f'hole {hole} ' if hole else ''}{name} ({100 * slope:+.3g} {spec.unit} per 100 parts)"
        for (hole, name), (_, slope) in found.items()
    }


def _without_a_number(bad: NDArray[np.bool_], room: FloatArray) -> bool:
    """Return whether a part is bad (a crack, a doubt, a plug) and its values (n,) don't say so: they prove nothing."""
    return bool((bad & ~(room < 0)).any())


def _room(inspection: Inspection) -> Room:
    """Return an inspection's tables as arrays, parts in order of their first day."""
    from holeqc.inspection.results import ACCEPT, CAUSES, MISSING, PATTERN_INCOMPLETE
    from holeqc.inspection.series import order_of_days

    spec, holes = inspection.specification, inspection.tables["holes"]
    parts, rows = inspection.tables["parts"], inspection.tables["characteristics"]
    order = order_of_days(parts["first_date"].astype("datetime64[D]"))
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    part = np.empty(len(rows), dtype=np.int64)
    place = {key: rank[n] for n, key in enumerate(parts.tuples("part", "serial"))}
    for key, mine in rows.groups("part", "serial").items():
        part[mine] = place[key]
    hole = np.array([spec.hole_ids.index(text) for text in rows["hole"].names], dtype=np.int64)[rows["hole"].codes]
    thing, first = numbered(rows["characteristic"].codes)
    names = tuple(rows["characteristic"][first])
    shape = (len(order), len(spec.hole_ids), len(names))
    at = (part, hole, thing)
    u = rows["uncertainty"]
    left = _extreme(np.minimum, at, rows["left"] - np.nan_to_num(u), shape)
    unread = rows["cause"].isin([CAUSES[MISSING], CAUSES[PATTERN_INCOMPLETE]])
    judged = np.where(unread, UNREAD, np.where(rows["verdict"] == ACCEPT, GOOD, BAD))
    state = np.full(shape, -1, dtype=np.int64)
    for value in (GOOD, UNREAD, BAD):  # the worst of the walls counts
        rows_ = judged == value
        state[part[rows_], hole[rows_], thing[rows_]] = value
    state = np.where(np.isfinite(left) & (left < -CALCULATED), BAD, state)
    asked = state >= 0
    read = (state == GOOD) | (state == BAD)
    kept = read.any(axis=(0, 1))
    state = np.where(asked, state, GOOD)  # of a hole that isn't asked for it nothing can be bad
    _hold(inspection, rank, state)
    limit = np.where(np.isfinite(rows["lower"]) & np.isfinite(rows["upper"]), rows["upper"] - rows["lower"],
                     np.fmax(rows["upper"], rows["lower"]))  # fmt: skip
    scale = np.array([_median(limit[thing == k]) for k in range(len(names))])
    largest = _extreme(np.maximum, (hole, thing), u, shape[1:])
    sides = _sides(spec, holes, rank, largest[:, names.index(SIZE)] if SIZE in names else None)
    signs = {p.name: p.signs() for p in spec.parts}
    sign = np.array([signs.get(name, (1.0, 1.0)) for name in parts["part"]])
    off = {}
    for name, columns in ((POSITION, ["dx", "dy"]), (PATTERN, ["pattern_dx", "pattern_dy"])):
        off[name] = np.empty((*shape[:2], 2))
        off[name][rank] = np.column_stack([holes[c] for c in columns]).reshape(*shape[:2], 2) * sign[:, None, :]
    pins, pin_state = _pins(parts, rank)
    serials = np.empty(shape[0], dtype=object)
    serials[rank] = parts["serial"].array()
    return Room(
        tuple(serials.tolist()), spec.hole_ids, tuple(n for n, k in zip(names, kept, strict=True) if k),
        state[:, :, kept], left[:, :, kept], scale[kept], largest[:, kept], sides, off, pins, pin_state,
        tuple(n for n, k in zip(names, kept, strict=True) if not k),
    )  # fmt: skip


def _pins(parts: Table, rank: NDArray[np.int64]) -> tuple[FloatArray | None, NDArray[np.int64] | None]:
    """Return margin of all pins together (P,), U taken off, and what each part is in it; None where none is asked."""
    from holeqc.inspection.results import ACCEPT, HOLD

    if "pin_margin" not in parts or not (parts["pin_verdict"] >= 0).any():
        return None, None
    margin, verdict = np.empty(len(rank)), np.empty(len(rank), dtype=np.int64)
    margin[rank] = parts["pin_margin"] - np.nan_to_num(parts["pin_uncertainty"])
    verdict[rank] = parts["pin_verdict"]
    state = np.where(np.isnan(margin) & (verdict == HOLD), UNREAD, np.where(verdict == ACCEPT, GOOD, BAD))
    return margin, np.where(margin < -CALCULATED, BAD, state)


def _extreme(take: Any, at: Any, values: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    start = np.inf if take is np.minimum else -np.inf
    out = np.full(shape, start)
    known = np.isfinite(values)
    take.at(out, tuple(a[known] for a in at), values[known])
    out[np.isinf(out)] = np.nan
    return out


def _median(values: FloatArray) -> float:
    known = np.abs(values[np.isfinite(values)])
    return float(np.median(known[known > 0])) if (known > 0).any() else 1.0


def _hold(inspection: Inspection, rank: NDArray[np.int64], state: NDArray[np.int64]) -> None:
    """Mark what a problem with what was typed holds, a hole or a whole part, as bad: it proves nothing good."""
    places: dict[str, list[int]] = {}
    for number, serial in enumerate(inspection.tables["parts"]["serial"]):
        places.setdefault(serial, []).append(int(rank[number]))
    holes = {hole: number for number, hole in enumerate(inspection.specification.hole_ids)}
    for problem in inspection.problems:
        if problem.holds and problem.serial in places:
            state[places[problem.serial], holes.get(problem.hole, slice(None))] = BAD


def _sides(spec: Specification, holes: Table, rank: NDArray[np.int64], u: FloatArray | None) -> FloatArray:
    """Return room of sizes below and above (P,H,2), U (H,) taken off; holes of the table stand in the kit's order."""
    shape = (len(rank), len(spec.hole_ids))
    small, large = (holes[name].reshape(shape) for name in ("smallest", "largest"))
    lower, upper = (np.array([getattr(h.size, side) for h in spec.holes]) for side in ("lower", "upper"))
    off = np.zeros(shape[1]) if u is None else np.nan_to_num(u)
    out = np.empty((*shape, 2))
    out[rank] = np.stack([small - lower - off, upper - large - off], axis=-1)
    return out


def _measured(
    spec: Specification, room: Room, hole: int, first: NDArray[np.int64], claim: FirstParts
) -> dict[str, Proof]:
    """Return what the values of one hole prove, by what is measured."""
    out = {}
    for name in MEASURED:
        if name not in room.things:
            continue
        k = room.things.index(name)
        begin, left = int(first[k]), room.left[int(first[k]) :, hole, k]
        if not np.isfinite(left).any() or _without_a_number(room.state[begin:, hole, k] == BAD, left):
            continue
        if name == SIZE:
            below, above = room.sides[begin:, hole].T
            out[name] = proofs.prove_between(below, above, claim.share, claim.confidence)
        elif name == PATTERN or spec.datum_shift is None:
            off = room.off[name][begin:, hole]
            radius = np.hypot(off[:, 0], off[:, 1]) + left / 2  # total position is a diameter
            out[name] = proofs.prove_position(off, radius, claim.share, claim.confidence)
        else:
            out[name] = proofs.prove(left, claim.share, claim.confidence, own=True)
    return out


# What an event leaves of the evidence.


#: what is judged of a hole -> what of the fixture it rests on (`holeqc.fixture.history.TOUCHES`); the rest: its size
_RESTS_ON = {
    POSITION: ("place", "seating", "size"), PATTERN: ("place", "pattern", "size"), EDGE: ("place", "seating", "size"),
    PINS: ("place", "pattern", "size"),
}  # fmt: skip
_LEDGER_EVENTS = {
    "made": ("drill reground", "fixture repaired"), "bushing changed": ("bushing changed",),
    "repaired": ("fixture repaired",), "moved": ("fixture repaired",),
}  # fmt: skip


def _events(
    spec: Specification, readings: Readings, room: Room, path: Path | None, ledger: str | Path
) -> tuple[list[Event], list[Problem]]:
    """Return what was done to the fixture, from a table and from the record, placed among the parts."""
    if path is None and not (ledger and spec.fixture):
        return [], []
    from holeqc.answers.fixture import events_of, events_table
    from holeqc.fixture.history import events_from, history_of

    history = history_of(spec, readings)
    if history.serials != room.serials:
        raise DataError("the order of the parts isn't clear: type the day of reading on each sheet")
    events, problems = events_of(events_table(path), history) if path is not None else ([], [])
    if ledger and spec.fixture:
        from holeqc.ledger import open_ledger
        from holeqc.ledger.equipment import fixture_events

        with open_ledger(ledger, create=False) as there:
            logged = fixture_events(there, spec.fixture)
        rows = [
            {"event": kind, "date": str(row["day"]), "bushing": str(row["bushing"]), "note": str(row["note"])}
            for row in logged for kind in _LEDGER_EVENTS.get(str(row["event"]), ())
        ]  # fmt: skip
        more, said = events_from(rows, history, "ledger")
        events, problems = sorted([*events, *more], key=lambda e: e.cycle), [*problems, *said]
    return events, problems


def _starts(
    spec: Specification, room: Room, events: Sequence[Event]
) -> tuple[NDArray[np.int64], int, tuple[Restart, ...]]:
    """Return the first part that counts in each thing of each hole (H,K) and in all pins, and what restarted what.

    A hole that is placed anew moves the pattern for all, and a size changes what the bonus allows.
    """
    first, pins = np.zeros((len(room.holes), len(room.things)), dtype=np.int64), 0
    restarts = []
    for event in events:
        at = int(event.cycle) - 1
        if at <= 0:  # before the first part
            continue
        anew: list[str] = []
        kept: list[str] = []
        for k, name in enumerate(room.things):
            words = _RESTS_ON.get(name, ("size",))
            together = name == PATTERN
            touched = np.array(
                [any(event.touches(w, None if together else h) for w in words) for h in range(len(room.holes))]
            )
            first[touched, k] = np.maximum(first[touched, k], at)
            (anew if touched.any() else kept).append(name)
        if room.pins is not None:
            hit = any(event.touches(w) for w in _RESTS_ON[PINS])
            pins = max(pins, at) if hit else pins
            (anew if hit else kept).append(PINS)
        where = ", ".join(spec.holes[h].bushing or f"hole {room.holes[h]}" for h in sorted(event.bushings)) or "all"
        before = room.serials[at] if at < len(room.serials) else ""
        restarts.append(Restart(before, event.kind, where, tuple(anew), tuple(kept)))
    return first, pins, tuple(restarts)


def _said(spec: Specification, room: Room, least: FloatArray) -> list[Problem]:
    """Return what must be said beside the proofs."""
    from holeqc.statistics.normality import judge as stability
    from holeqc.statistics.subgroups import within_by_neighbours

    said = []
    unknown = [n for k, n in enumerate(room.things) if n in (SIZE, POSITION) and np.isnan(room.uncertainty[:, k]).all()]
    if unknown:
        said.append(Problem(
            WARNING, "no-uncertainty", f"{', '.join(unknown)}: U of the gauge isn't known, so nothing is taken off",
            action="Give the kit file its gauges with their U",
        ))  # fmt: skip
    known = least[np.isfinite(least)]
    if known.size >= 2:
        short = within_by_neighbours(known)
        steady = stability(known, float(known.mean()), short.sigma, short.dof, what="parts")
        if steady.stable is False:
            said.append(Problem(
                WARNING, "not-steady", f"the least room of the parts changed over time ({'; '.join(steady.reasons)}): "
                "what was proven holds for parts like these, not for what comes", action="See holeqc wear",
            ))  # fmt: skip
    if spec.datum_shift is not None:
        said.append(Problem(NOTE, "datum-shift", "positions may use the datum shift: they are proven by the room left"))
    return said


# -------------------------------------------------------------------------------------------------------------- lots


def lot_plan(
    size: int,
    *,
    aql: float | str = "",
    level: str = "",
    severity: str = "",
    variables: bool = False,
    bad: int = 0,
    bad_share: float = 0.0,
    confidence: float | None = None,
    before: str = "",
    readings: str | Path | None = None,
    column: str = "",
    lower: float | None = None,
    upper: float | None = None,
    sheet: str = "",
) -> Answer:
    """Return a plan for a lot, what it lets through and what it doesn't protect from.

    Args:
        size: parts in the lot. aql: acceptable quality level, per hundred; level, severity: as the standard has them.
        variables: by measured values (ANSI/ASQ Z1.9) instead of counted bad parts (MIL-STD-105E).
        bad, bad_share: accept on zero bad parts, so that a lot with so many (or such a share) passes at most with
            1 - ``confidence``; without an AQL.
        before: lots before this one, a for accepted and r for not, oldest first: the severity follows from them.
        readings, column, lower, upper, sheet: table of the sample's values, judged by the variables plan.

    Raises:
        HoleQCError: what the tables don't list, or options that don't go together.
    """
    from holeqc.answers.series import read_numbers
    from holeqc.readings.plain_table import read_table
    from holeqc.reports.sampling import curve_figure, lot_text

    _refuse_ignored(aql, (("--level", level), ("--severity", severity), ("--before", before)), confidence)
    state, said = None, tuple[Problem, ...]()
    if before:
        word = before.strip().lower().replace(" ", "")
        if set(word) - {"a", "r"}:
            raise DataError(f"--before {before}: write a for accepted and r for not accepted, oldest first: aaraa")
        state = lots.switching([c == "a" for c in word])
        if severity.strip().lower() not in {"", state.severity}:
            raise DataError(f"--before {word} asks for {state.severity} inspection: leave --severity out")
        severity = state.severity
    plan = replace(_plan(size, aql, level, severity, variables, (bad, bad_share, confidence)), switching=state)
    if readings is not None:
        if not isinstance(plan.record, lots.VariablesPlan) or not column.strip():
            raise DataError("--readings are judged by a variables plan: add --variables, and --column for their column")
        values, said = read_numbers(read_table(Path(readings), sheet, [column]), column)
        plan = replace(plan, verdict=lots.judge_sample(plan.record, values, lower, upper))
    elif column or lower is not None or upper is not None:
        raise DataError("--column, --lower and --upper go with --readings")
    drawing = None if plan.curve is None else partial(curve_figure, plan, plan.curve)
    return Answer(lot_text(plan), _as_data(plan), drawing, said)


def _refuse_ignored(aql: float | str, of_aql: Sequence[tuple[str, str]], confidence: float | None) -> None:
    """Refuse options that the other kind of plan wouldn't look at."""
    if str(aql) and confidence is not None:
        raise DataError("--confidence goes with --bad or --bad-share; a plan by --aql has none")
    ignored = [name for name, said in of_aql if said]
    if not str(aql) and ignored:
        raise DataError(f"{', '.join(ignored)}: only with --aql; a plan by --bad or --bad-share takes --confidence")


def _plan(
    size: int, aql: float | str, level: str, severity: str, variables: bool, zero: tuple[int, float, float | None]
) -> AskedPlan:  # fmt: skip
    bad, bad_share, confidence = zero
    level, severity = level or "II", severity or lots.NORMAL
    confidence = CONFIDENCE if confidence is None else confidence
    if bool(str(aql)) == bool(bad or bad_share) or (bad and bad_share) or (variables and not str(aql)):
        raise DataError("give --aql, or what a zero-acceptance plan must find: --bad PARTS or --bad-share SHARE")
    if not str(aql):
        from holeqc.reports.blocks import plural

        if not 0 <= bad_share < 1:
            raise DataError(f"--bad-share {bad_share:g}: give a fraction between 0 and 1, 0.02 for 2 %")
        found = lots.zero_acceptance_plan(size, bad or max(1, int(np.ceil(bad_share * size - 1e-9))), confidence)
        source = (
            f"Zero acceptance, exact hypergeometric: a lot with {plural(found.bad, 'bad part')} passes in "
            f"{100 * found.passes:.3g} of 100 draws"
        )
        if found.bad > 1 and not found.full:
            half = found.bad // 2
            source += f", with {half} in {100 * lots.none_found(found.lot, found.n, half):.3g}"
        if confidence < WEAK:
            source += f". Confidence {confidence:g} is below {WEAK:g}: that no bad part is found proves next to nothing"
        return AskedPlan(found, _words(found.n, size, 0), source, lots.curve(found))
    if variables:
        var = lots.variables_plan(size, aql, level, severity)
        words = f"read {var.n} of {size} parts; accept where the mean lies {var.k:g} s or more inside the limit"
        words += f", with two limits where at most {100 * var.most:.3g} % are estimated outside both"
        known = "" if var.printed else "; k was not seen in print (from memory, it fits its row)"
        method = "standard deviation method, form 1 (two limits: form 2)"
        source = f"ANSI/ASQ Z1.9 table B-1, {method}: {_where(var)}{known}"
        return AskedPlan(var, words, source, lots.curve(var))
    att = lots.attribute_plan(size, aql, level, severity)
    known = "" if att.printed else "; this cell was not seen in print, it follows from the table's diagonal"
    source = f"MIL-STD-105E table II-{'A' if att.severity == lots.NORMAL else 'B'}, single: {_where(att)}{known}"
    if att.faults:
        source += "; above 10 it counts faults per 100 parts, not bad parts"
        most = f"{att.accept} faults or fewer in all"
        return AskedPlan(att, f"read {att.n} of {size} parts, accept on {most}", source, None)
    return AskedPlan(att, _words(att.n, size, att.accept), source, lots.curve(att))


def _words(n: int, size: int, accept: int) -> str:
    return f"read {n} of {size} parts, accept on {f'{accept} bad or fewer' if accept else 'no bad one'}"


def _where(plan: lots.AttributePlan | lots.VariablesPlan) -> str:
    letter = plan.letter
    if plan.plan_letter != letter:
        letter += f", whose arrow points to {plan.plan_letter}"
    return f"letter {letter}, AQL {plan.aql}, level {plan.level.strip().upper()}, {plan.severity}"


def lot_draw(
    lot: str,
    kit: Named | str,
    serial: str | Sequence[str] = (),
    *,
    part: str = "",
    aql: float | str = "",
    level: str = "",
    severity: str = "",
    bad: int = 0,
    bad_share: float = 0.0,
    confidence: float | None = None,
    where: str | Sequence[str] = (),
    reason: str = "",
    ledger: str | Path = "",
    by: str = "",
) -> Answer:
    """Draw a lot's sample at random and record list, seed and plan before the readings.

    Args:
        lot: its name. kit: kit file or its id. serial: serial numbers of the lot, ranges written S-0201..S-0250.
        part: part of the kit, where serial numbers of several run alike. where: parts on record instead of serials.
        aql, level, severity, bad, bad_share, confidence: as `lot_plan`; the lots judged before say the severity where
            none is given.
        reason: why a lot is drawn from again, or against what is due. ledger, by: where, and who draws.

    Raises:
        HoleQCError: no plan, no parts, or an earlier draw of the lot or any of its parts and no reason.
    """
    import secrets

    from holeqc.ledger import draws, open_ledger
    from holeqc.reports.sampling import drawn_text

    _refuse_ignored(aql, (("--level", level), ("--severity", severity)), confidence)
    name = required_who(by, "who draws")
    kit_id = kit.strip() if isinstance(kit, str) and not kit.lower().endswith(".toml") else loaded(kit).id
    with open_ledger(ledger) as there:
        parts = _lot_parts(there, kit_id, part, several(serial), several(where))
        before = draws.lots_before(there, kit_id)
        state = lots.switching(before)
        if aql and state.stop:
            raise LedgerError(f"sampling stops (MIL-STD-105E, 4.8): {state.why}. Read every part in full")
        word = severity or state.severity
        due = [] if state.severity == lots.NORMAL or (aql and word.strip().casefold() == state.severity) else [
            f"tightened inspection is due (MIL-STD-105E, 4.7: {state.why}) and this plan isn't tightened"
        ]  # fmt: skip
        plan = _plan(len(parts), aql, level, word, False, (bad, bad_share, confidence))
        if plan.curve is None:
            raise DataError(f"--aql {aql}: above 10 it counts faults, a lot is judged by bad parts: give 10 or less")
        wanted = draws.Draw(
            lot, kit_id, part, parts, (), secrets.token_hex(16), plan.record.n, getattr(plan.record, "accept", 0),
            word, f"{plan.words} ({plan.source})", reason=reason, remarks=tuple(due),
        )  # fmt: skip
        made = draws.record_draw(there, wanted, lots.drawn, name)
    return Answer(drawn_text(made, state.why if aql and before and not severity else ""), _as_data(made))


def _lot_parts(ledger: Ledger, kit: str, part: str, serials: Sequence[str], where: Sequence[str]) -> tuple[str, ...]:
    """Return the serial numbers of a lot, typed or from the record."""
    from holeqc.readings.sheet_layout import written_out

    if bool(serials) == bool(where):
        raise DataError("name the parts of the lot: --serial S-0201..S-0250, or --where for parts on record")
    if serials:
        typed = [n.strip() for text in serials for one in text.split(",") for n in written_out(one.strip(), "--serial")]
    else:
        from holeqc.answers.files import wanted_from
        from holeqc.ledger.stories import newest_parts

        wanted = replace(wanted_from(where, None), kit=kit)
        typed = [str(row["serial"]) for row in newest_parts(ledger, replace(wanted, part=part or wanted.part))]
    twice = sorted(name for name, count in Counter(typed).items() if count > 1)
    if twice or not typed or "" in typed:
        what = f"{', '.join(twice[:5])}: twice in it; --part takes the parts of one name" if twice else "it has no part"
        raise DataError(f"the lot: {what}")
    return tuple(typed)


def lot_judge(lot: str, *, ledger: str | Path = "") -> Answer:
    """Return whether a lot is accepted by the readings recorded since it was drawn; ``data["verdict"]`` says it.

    Raises:
        HoleQCError: no draw of it is on record, or one that doesn't follow from its seed.
    """
    from holeqc.ledger import draws, open_ledger
    from holeqc.reports.sampling import judged_text

    with open_ledger(ledger, create=False) as there, there.reading():
        found = [draws.judged_by(there, draw) for draw in draws.of_lot(there, lot, lots.drawn)]
        known = draws.draws(there)
        notes = [note for v in found for note in draws.elsewhere(there, v.draw, known)]
        state = lots.switching(draws.lots_before(there, found[0].draw.kit))
    verdict = draws.together(found)
    data = {"lot": lot.strip(), "verdict": verdict, "draws": [_as_data(v) for v in found], "next": _as_data(state)}
    data["elsewhere"] = notes
    return Answer(judged_text(lot.strip(), verdict, found, state, notes), data)
