"""Which drill lands in a band, or which drill and reamer; what could be mixed up; a sequence from pilot to size."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from holeqc.fits.drill_words import notes, reason
from holeqc.fits.drills import SERIES, drill_table
from holeqc.fits.loading import load_table
from holeqc.fits.oversize import BASES, BASIS_CONFIRMATION, ExpectedHoles, History, check_histories, expected_holes
from holeqc.problems import DataError
from holeqc.quantities import GRAIN, MM_PER_INCH, FloatArray, Unit, convert

LEAST_SHARE = 0.01  #: a drill expected to put fewer holes than this inside is no candidate
NEIGHBOURS = 4
TRIED = 0.01  #: a drill that was not tried must promise so much more than one that was, our choice
EQUAL = 3  #: decimals to which shares are told apart; survey figures don't carry more, our choice
LIGHT_METAL = 1.5  #: reaming stock of light metals over that of others (a reaming tutorial of 2023)
REAMER_STEP = {"in": 0.0005, "mm": 0.01}  #: a reamer's size is rounded to this, our choice
SEQUENCE_NOTE = "Drilling sequence: common practice, no source. Each step through a fixture needs its own bushing."


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A drill so close to another that a mix-up could pass unnoticed; diameter [unit], share inside the limits."""

    names: str
    diameter: float
    share: float


@dataclass(frozen=True, slots=True)
class Candidate:
    """A drill for a band; lengths in the unit of the band.

    ``names`` joins names of one size (``E = 1/4``). ``margin_low`` is the least expected hole minus the low limit,
    ``margin_high`` the high limit minus the greatest expected hole; negative when holes are expected beyond.
    ``jig_lower`` and ``jig_upper`` are the limits that AND10387 gives this drill with jig and fixture, NaN outside its
    table; ``jig_inside`` says that they lie within the band. ``share_low`` and ``share_high`` are a 95 % interval of
    ``share`` where the shop's own holes stand behind it, else NaN; ``history_drill`` is the drill that cut them, NaN
    without them, and ``tried`` says that it is this very drill.
    """

    names: str
    series: str
    diameter: float
    hole_least: float
    hole_mean: float
    hole_greatest: float
    share: float
    margin_low: float
    margin_high: float
    basis: str
    confirmation: str
    readings: int
    jig_lower: float
    jig_upper: float
    jig_inside: bool
    neighbours: tuple[Neighbour, ...]
    share_low: float = math.nan
    share_high: float = math.nan
    history_drill: float = math.nan
    tried: bool = False


@dataclass(frozen=True, slots=True)
class Reaming:
    """Drill undersize, then ream: lengths in the unit of the band.

    ``stock_expected`` is reamer minus mean drilled hole, ``stock_least`` reamer minus greatest drilled hole; the
    advised stock lies between ``advised_least`` and ``advised_greatest`` on the diameter.
    """

    reamer: float
    drill: str
    drill_diameter: float
    stock_expected: float
    stock_least: float
    advised_least: float
    advised_greatest: float
    confirmation: str


@dataclass(frozen=True, slots=True)
class DrillChoice:
    """Answer to 'which drill lands in this band?', best first; ``reason`` only when a greater share comes later."""

    unit: Unit
    lower: float
    upper: float
    candidates: tuple[Candidate, ...]
    reaming: Reaming | None
    notes: tuple[str, ...]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a drilling sequence; diameter in the unit asked for."""

    purpose: str
    names: str
    diameter: float


def choose_drill(
    lower: float,
    upper: float,
    unit: Unit,
    histories: Sequence[History] = (),
    series: Sequence[str] = SERIES,
    light_metal: bool = False,
) -> DrillChoice:
    """Return the standard drills expected to land in a hole's limits [unit], and a ream-to-size alternative.

    A drill whose printed limits with a jig lie within the band comes first, then the greatest share. With the shop's
    own holes the share alone counts, of a drill that was not tried itself the low end of its interval less `TRIED`.
    Shares equal to a tenth of a percent: drills of the band's unit first, then the one farther from both limits.

    ``histories`` are the shop's own holes (see `oversize.history`), which replace the survey; ``series`` keeps number,
    letter, fraction or metric drills only; ``light_metal`` asks for half as much reaming stock again.

    Raises:
        DataError: limits upside down, an unknown series, or a slip among the holes of one drill.

    Source: sizes of ASME B94.11M and BS 328; oversize as `oversize` says; AND10387 for limits with a jig.
    """
    if not 0.0 < lower < upper:
        raise DataError(f"a hole needs a low limit above zero and below its high limit; found {lower:g} and {upper:g}")
    unknown = [name for name in series if name not in SERIES]
    if unknown or not series:
        raise DataError(f"no drill series {', '.join(unknown) or 'given'}; series are {', '.join(SERIES)}")
    check_histories(histories, unit)
    low, high = (float(convert(limit, unit, "in")) for limit in (lower, upper))
    names, kinds, sizes = _distinct(tuple(series))
    holes = expected_holes(sizes, histories)
    share = holes.share_between(low - GRAIN, high + GRAIN)
    keep = np.flatnonzero(share >= LEAST_SHARE)
    limits = (lower, upper)
    near = _neighbours(sizes[keep], limits, unit, histories)
    ends = holes.share_interval(low - GRAIN, high + GRAIN)
    found = [
        _candidate(i, names, kinds, holes, (share, *ends), limits, unit, n)
        for i, n in zip(keep.tolist(), near, strict=True)
    ]
    candidates = tuple(sorted(found, key=lambda candidate: _preference(candidate, unit)))
    reaming = _reaming(limits, unit, names, holes, LIGHT_METAL if light_metal else 1.0)
    said = notes(candidates, histories, reaming, limits, unit)
    return DrillChoice(unit, lower, upper, candidates, reaming, said, reason(candidates, limits, unit))


def drilling_sequence(final: float, unit: Unit, series: Sequence[str] = ()) -> tuple[Step, ...]:
    """Return pilot, step and size drill up to a final diameter [unit].

    Pilot about a quarter of the final size, a step at about six tenths when the final drill is above 1/4 in, then size;
    a drill up to 1/8 in needs no pilot. ``series`` chooses among drills; not given, fractions for inch, metric for mm.
    Common practice, no source.

    Raises:
        DataError: a diameter that is not above zero.
    """
    if not final > 0.0:
        raise DataError(f"a final diameter must be above zero; found {final:g}")
    size = float(convert(final, unit, "in"))
    names, _, sizes = _distinct(tuple(series) or (("fraction",) if unit == "in" else ("metric",)))
    every, _, all_sizes = _distinct(SERIES)
    plan = [("pilot", 0.25)] if size > 0.125 + GRAIN else []
    plan += [("step", 0.6)] if size > 0.25 + GRAIN else []
    steps = []
    for purpose, part in plan:
        nearest = int(np.abs(sizes - part * size).argmin())
        steps.append(Step(purpose, names[nearest], _out(sizes[nearest], unit)))
    same = np.flatnonzero(np.abs(all_sizes - size) <= GRAIN)
    steps.append(Step("size", every[int(same[0])] if same.size else f"{final:g} {unit}", _out(size, unit)))
    return tuple(steps)


def drilled_hole_limits(drill_in: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the limits [in] that AND10387 gives holes drilled with jig and fixture, NaN outside its table; any shape.

    Source: AND10387 as an engineering reference reproduces it (one source).
    """
    rows = load_table("drilled_hole_tolerance").rows
    start = float(rows[0]["from"])
    to, plus, minus = (np.array([float(row[key]) for row in rows]) for key in ("to", "plus", "minus"))
    size = np.asarray(drill_in, dtype=np.float64)
    row = np.minimum(np.searchsorted(to + GRAIN, size, side="left"), to.size - 1)
    known = (size >= start - GRAIN) & (size <= to[-1] + GRAIN)
    return np.where(known, size - minus[row], np.nan), np.where(known, size + plus[row], np.nan)


@cache
def _distinct(series: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...], FloatArray]:
    """Drills of the series by size, names of one size joined (E = 1/4)."""
    table = drill_table()
    names: list[str] = []
    kinds: list[str] = []
    sizes: list[float] = []
    for name, kind, size in zip(table.designation, table.series, table.diameter_in.tolist(), strict=True):
        if kind not in series:
            continue
        if sizes and abs(size - sizes[-1]) <= GRAIN:
            names[-1], kinds[-1] = f"{names[-1]} = {name}", f"{kinds[-1]}, {kind}"
        else:
            names.append(name)
            kinds.append(kind)
            sizes.append(size)
    return tuple(names), tuple(kinds), np.array(sizes)


def _candidate(
    index: int,
    names: tuple[str, ...],
    kinds: tuple[str, ...],
    holes: ExpectedHoles,
    shares: tuple[FloatArray, FloatArray, FloatArray],
    limits: tuple[float, float],
    unit: Unit,
    neighbours: tuple[Neighbour, ...],
) -> Candidate:
    size = holes.drill[index]
    least, mean, greatest = (_out(x[index], unit) for x in (holes.least, holes.mean, holes.greatest))
    jig_lower, jig_upper = (_out(x, unit) for x in drilled_hole_limits(size))
    basis = int(holes.basis[index])
    tried = bool(abs(holes.history_drill[index] - size) <= GRAIN)
    return Candidate(
        names[index],
        kinds[index],
        _out(size, unit),
        least,
        mean,
        greatest,
        float(shares[0][index]),
        round(least - limits[0], 10),
        round(limits[1] - greatest, 10),
        BASES[basis],
        "carried over" if basis == 0 and not tried else BASIS_CONFIRMATION[basis],
        int(holes.readings[index]),
        jig_lower,
        jig_upper,
        jig_lower >= limits[0] - GRAIN and jig_upper <= limits[1] + GRAIN,
        neighbours,
        float(shares[1][index]),
        float(shares[2][index]),
        _out(holes.history_drill[index], unit),
        tried,
    )


def _preference(candidate: Candidate, unit: Unit) -> tuple[bool, float, bool, float]:
    """Printed limits with a jig weigh more than survey figures from memory; a shop's own holes weigh more than both."""
    own = candidate.basis == BASES[0]
    share = candidate.share_low - TRIED if own and not candidate.tried else candidate.share
    foreign = (candidate.series == "metric") == (unit == "in")
    room = min(candidate.margin_low, candidate.margin_high)
    return own or not candidate.jig_inside, -round(share, EQUAL), foreign, -room


def _neighbours(
    drills: FloatArray, limits: tuple[float, float], unit: Unit, histories: Sequence[History]
) -> list[tuple[Neighbour, ...]]:
    """Drills of every series nearer than the hole's tolerance: the drawer holds them all, whatever was asked for."""
    low, high = (float(convert(limit, unit, "in")) for limit in limits)
    names, _, sizes = _distinct(SERIES)
    share = expected_holes(sizes, histories).share_between(low - GRAIN, high + GRAIN).tolist()
    found = []
    for size in drills.tolist():
        gap = np.abs(sizes - size)
        near = np.flatnonzero((gap > GRAIN) & (gap < high - low))
        near = near[np.argsort(gap[near], kind="stable")][:NEIGHBOURS].tolist()
        found.append(tuple(Neighbour(names[i], _out(sizes[i], unit), share[i]) for i in near))
    return found


def _reaming(
    limits: tuple[float, float], unit: Unit, names: tuple[str, ...], holes: ExpectedHoles, factor: float
) -> Reaming | None:
    step = REAMER_STEP[unit]
    reamer = round(round(0.5 * (limits[0] + limits[1]) / step) * step, 10)
    if not limits[0] - GRAIN <= reamer <= limits[1] + GRAIN:
        reamer = round(0.5 * (limits[0] + limits[1]), 10)
    advised = _stock(float(convert(reamer, unit, "mm")))
    if advised is None:
        return None
    low, high = (stock * factor / MM_PER_INCH for stock in advised)
    stock = float(convert(reamer, unit, "in")) - holes.mean
    fitting = np.flatnonzero((stock >= low - GRAIN) & (stock <= high + GRAIN))
    if fitting.size == 0:
        return None
    best = int(fitting[np.abs(stock[fitting] - 0.5 * (low + high)).argmin()])
    left = float(convert(reamer, unit, "in")) - holes.greatest[best]
    expected, least, advised_low, advised_high = (_out(x, unit) for x in (stock[best], left, low, high))
    size = _out(holes.drill[best], unit)
    return Reaming(reamer, names[best], size, expected, least, advised_low, advised_high, "one source")


def _stock(reamer_mm: float) -> tuple[float, float] | None:
    for row in load_table("reaming_stock").rows:
        if float(row["above"]) < reamer_mm <= float(row["to"]) + GRAIN:
            return float(row["least"]), float(row["greatest"])
    return None


def _out(value_in: float | np.floating | FloatArray, unit: Unit) -> float:
    return round(float(convert(value_in, "in", unit)), 10)
