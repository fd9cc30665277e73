"""What a hole is drilled, reamed, guided and gauged with: drills and their names, reamers, bushings, plugs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.fits.classes import load_table, parse_size
from holeqc.problems import DataError, TableError
from holeqc.quantities import GRAIN, MM_PER_INCH, FloatArray, Unit, convert, format_length, parse_length

# ----------------------------------------------------------------------------------------------------------------------
# Standard drill sizes and their names.

FINEST_FRACTION = 64  #: fraction drills go by 1/64 in
SERIES = ("number", "letter", "fraction", "metric")


@dataclass(frozen=True, slots=True)
class DrillTable:
    """All standard drills, smallest first: names, series and diameters [in], arrays of one length."""

    designation: tuple[str, ...]
    series: tuple[str, ...]
    diameter_in: FloatArray


@lru_cache(maxsize=1)
def drill_table() -> DrillTable:
    """Return the standard number, letter, fraction and metric drills, sorted by diameter.

    Source: ASME B94.11M sizes and the metric step rule of BS 328; see the table's header for how each is confirmed.
    """
    rows = load_table("drills").rows
    inch = np.array([float(row["diameter"]) / (MM_PER_INCH if row["unit"] == "mm" else 1.0) for row in rows])
    order = np.argsort(np.round(inch, 10), kind="stable").tolist()
    return DrillTable(
        tuple(rows[i]["designation"] for i in order), tuple(rows[i]["series"] for i in order), inch[order]
    )


def diameter(text: str, unit: Unit = "in") -> float:
    """Return the diameter [in] of a drill named ``29/64``, ``#40``, ``F`` or ``11.5 mm``.

    A number drill may be written ``#40``, ``No. 40`` or ``number 40``; a fraction is in inch, a bare decimal in
    ``unit`` and needs not be a standard size.

    Raises:
        DataError: no such number or fraction drill, or text that is neither a name nor a length.
    """
    name = text.strip()
    folded = name.upper().removeprefix("NUMBER").removeprefix("NO.").removeprefix("NO").strip()
    if folded != name.upper() and not folded.startswith("#"):
        folded = f"#{folded}"
    found = _by_name().get(folded.replace("# ", "#"))
    if found is not None:
        return found
    if folded.startswith("#"):
        raise DataError(f"{text!r} is not a number drill; they run from #1 (0.228 in) to #80 (0.0135 in)")
    is_fraction = "/" in name or "⁄" in name
    try:
        exact, named_unit = parse_length(name)
        value = parse_size(name, "in") if is_fraction else float(convert(parse_size(name, unit), unit, "in"))
    except DataError:
        raise DataError(f"{text!r} is no drill; write #40, F, 29/64, 0.4531 or 11.5 mm") from None
    if is_fraction and named_unit != "mm" and FINEST_FRACTION % exact.denominator:
        near = Fraction(round(exact * FINEST_FRACTION), FINEST_FRACTION)
        raise DataError(f"{text!r} is no drill; fraction drills go by 1/64, the nearest is {near}")
    if value <= 0.0:
        raise DataError(f"{text!r} is no drill; a diameter is above zero")
    return value


@lru_cache(maxsize=1)
def _by_name() -> dict[str, float]:
    table = drill_table()
    return {name.upper(): size for name, size in zip(table.designation, table.diameter_in.tolist(), strict=True)}


# Drill bushings: bore limits for a tool.


@dataclass(frozen=True, slots=True)
class BoreLimits:
    """Bore of a bushing for a tool, shapes of the tool sizes, in ``unit``."""

    unit: Unit
    lower: FloatArray
    upper: FloatArray


def bore_limits(tool: ArrayLike, unit: Unit) -> BoreLimits:
    """Return the standard bore limits of bushings for drills of the given diameters [unit], any shape.

    Raises:
        TableError: a tool outside the table.

    Source: ANSI B94.33 as two bushing makers quote it (the table is in inch; mm are converted).
    """
    size = np.asarray(convert(tool, unit, "in"), dtype=np.float64)
    rows = load_table("bushing_bores").rows
    least = float(rows[0]["above"])  # the first row begins with #80 itself
    to, lowest, highest = (np.array([float(row[key]) for row in rows]) for key in ("to", "lower", "upper"))
    row = np.searchsorted(to + GRAIN, size, side="left")
    bad = ~(size >= least - GRAIN) | (row == to.size)
    if bool(bad.any()):
        raise TableError(
            f"ANSI B94.33 drill bushings: tools from {least:g} to {to[-1]:g} in; found {size[bad].flat[0]:g} in"
        )
    bores = (np.round(convert(size + over[row], "in", unit), 10) for over in (lowest, highest))
    return BoreLimits(unit, *map(np.asarray, bores))


# How much larger than itself a drill cuts: a shop's own holes first, else the survey figures.
#
# The survey figures are from memory, unconfirmed, and end at 1/16 and 1 in; beyond them stands the training allowance
# of 0.05 mm (printed once), with a spread that is our assumption. A shop's own readings replace both as soon as there
# are `LEAST_HOLES` of one drill; fewer give no spread that means anything.


ALLOWANCE_MM = 0.05  #: training allowance on any drill before reaming (a reaming tutorial of 2023)
GRID = 100  #: points of each pivot behind the interval of a share
SIGMAS = 6.0  #: the survey's least to greatest is taken as so many standard deviations (our assumption)
ROUNDED = 0.000051  #: [in] a typed diameter so near to a standard drill is that drill, rounded to four decimals
LEAST_HOLES = 3  #: of one drill before a shop's own holes count, our choice
BELONGS = 3.0  #: times the survey's greatest oversize: a hole larger than its drill by more is a slip (ours)
CARRY = 1.25  #: history of one drill stands for drills up to this ratio of diameters, our choice
BASES = ("shop history", "survey", "allowance")
BASIS_CONFIRMATION = ("measured", "memory", "memory")


@dataclass(frozen=True, slots=True)
class History:
    """Holes that one drill cut in this shop: drill diameter and hole sizes [in], shape (n,); its name as typed."""

    drill: float
    holes: FloatArray
    name: str = ""


@dataclass(frozen=True, slots=True)
class ExpectedHoles:
    """Holes that drills are expected to cut [in], one entry a drill.

    ``freedom`` is the degrees of freedom behind ``sd`` (inf for survey figures); ``basis`` an index of `BASES`;
    ``readings`` the number of the shop's own holes behind it, ``history_drill`` the drill that cut them (NaN: none).
    """

    drill: FloatArray
    least: FloatArray
    mean: FloatArray
    greatest: FloatArray
    sd: FloatArray
    freedom: FloatArray
    basis: NDArray[np.int8]
    readings: NDArray[np.int64]
    history_drill: FloatArray

    def share_between(self, lower: float, upper: float) -> FloatArray:
        """Return the share of holes expected between two limits [in], limits included.

        Survey figures count as normal; a shop's own as a new hole of the same process, Student's t with the sample's
        degrees of freedom and sd sqrt(1 + 1/n).
        """
        low, high = (lower - self.mean) / self.sd, (upper - self.mean) / self.sd
        share = _normal(high) - _normal(low)
        if (known := np.isfinite(self.freedom)).any():
            from scipy.special import stdtr

            share[known] = stdtr(self.freedom[known], high[known]) - stdtr(self.freedom[known], low[known])
        return share

    def share_interval(self, lower: float, upper: float) -> tuple[FloatArray, FloatArray]:
        """Return the 95 % interval of the share of holes between two limits [in], NaN where no own holes stand behind.

        Normal holes: true mean and sd are spread by their pivots, z and chi-square, taken at `GRID` x `GRID` equally
        likely points; the ends are quantiles of the shares. Source: generalised confidence interval, Weerahandi 1993.
        """
        gap = np.maximum(lower - self.greatest, self.least - upper)  # drills far off the limits have no share to bound
        own = np.flatnonzero(np.isfinite(self.freedom) & (gap < self.greatest - self.least))
        ends = np.full((2, self.drill.size), np.nan)
        if own.size:
            from scipy.special import chdtri, ndtr, ndtri

            points = (np.arange(GRID) + 0.5) / GRID
            freedom, count = self.freedom[own, None, None], self.readings[own, None, None]
            sample = self.sd[own, None, None] / np.sqrt(1.0 + 1.0 / count)
            sd = sample * np.sqrt(freedom / chdtri(freedom, points[None, :, None]))
            mean = self.mean[own, None, None] + ndtri(points)[None, None, :] * sd / np.sqrt(count)
            share = (ndtr((upper - mean) / sd) - ndtr((lower - mean) / sd)).reshape(own.size, -1)
            ends[:, own] = np.quantile(share, (0.5 - 0.95 / 2, 0.5 + 0.95 / 2), axis=1)
        return ends[0], ends[1]


def _normal(z: FloatArray) -> FloatArray:
    """Return the normal distribution function; scipy's would take longer to load than the whole answer."""
    return np.array([0.5 * math.erfc(-one / math.sqrt(2.0)) for one in z.tolist()])


def history(drill: str | float, holes: ArrayLike, unit: Unit) -> History:
    """Return a shop's own holes of one drill, as `expected_holes` takes them.

    ``drill`` is a name (``29/64``, ``#40``, ``11.5 mm``; a bare decimal is in ``unit``) or a diameter [unit]; ``holes``
    are sizes [unit], NaN left out.

    Raises:
        DataError: no such drill, no hole left, a size that is no positive number, or a hole that doesn't belong to the
            drill or to the other holes: most likely a slip, to be corrected or left out.
    """
    size = _nearest_standard(diameter(drill, unit) if isinstance(drill, str) else float(convert(drill, unit, "in")))
    name = drill.strip() if isinstance(drill, str) else f"{drill:g} {unit}"
    values = np.asarray(convert(holes, unit, "in"), dtype=np.float64).ravel()
    values = values[~np.isnan(values)]
    if values.size == 0 or not bool((np.isfinite(values) & (values > 0.0)).all()):
        raise DataError(f"history of drill {name}: at least one hole size is needed, each a positive number")
    _refuse_slips(name, size, values, unit)
    return History(size, values, name)


def check_histories(histories: Sequence[History], unit: Unit) -> None:
    """Raise DataError when holes of one drill, given in several histories, don't belong together; told in ``unit``."""
    for name, tool, holes in holes_of_drills(histories):
        _refuse_slips(name, tool, holes, unit)


def _nearest_standard(size: float) -> float:
    """A fraction drill typed to four decimals, 0.4531, is 29/64."""
    sizes = drill_table().diameter_in
    nearest = float(sizes[np.abs(sizes - size).argmin()])
    return nearest if abs(nearest - size) <= ROUNDED else size


def _refuse_slips(name: str, size: float, values: FloatArray, unit: Unit) -> None:
    """A mean with a slip in it is worth nothing, so nothing is computed until the slip is corrected or left out."""
    greatest = float(_survey(np.array([size]))[2][0])
    foreign = (values < max(0.8 * size, size - greatest)) | (values > min(CARRY * size, size + BELONGS * greatest))
    apart = np.zeros(values.shape, dtype=np.bool_)
    if values.size >= LEAST_HOLES:
        away = np.abs(values - np.median(values))
        apart = away > np.maximum(greatest, 6.0 * 1.4826 * np.median(away))
    bad = np.flatnonzero(foreign | apart)
    if bad.size:
        shown = ", ".join(_as_typed(float(value), unit) for value in values[bad])
        meant = _meant(float(values[bad[0]]), size, size - greatest, size + BELONGS * greatest, unit)
        likely = f"; {meant}" if meant else ""
        what = f"a drill of {_as_typed(size, unit)} {unit}" if foreign.any() else "the drill's other holes"
        raise DataError(
            f"history of drill {name}: {shown} {unit} doesn't belong to {what}{likely}. Correct it or leave it out: "
            "nothing is computed with it"
        )


def _as_typed(value_in: float, unit: Unit) -> str:
    return format_length(float(convert(value_in, "in", unit)), unit)


def _meant(value: float, size: float, low: float, high: float, unit: Unit) -> str:
    """What was most likely meant by a size [in] that can't be right, in words; empty when nothing suggests itself."""
    for factor in (0.1, 10.0):
        if low <= factor * value <= high:
            return f"most likely the point is one place off: {_as_typed(factor * value, unit)}"
    other: Unit = "mm" if unit == "in" else "in"
    factor = 1.0 / MM_PER_INCH if unit == "in" else MM_PER_INCH
    if low <= factor * value <= high:
        typed = float(convert(value, "in", unit))
        return f"it looks like {other}: write {typed:g}{other}"
    return f"for a number drill write #{size:g}" if size >= 2.0 and size == int(size) and size <= 80 else ""


def expected_holes(drills: ArrayLike, histories: Sequence[History] = ()) -> ExpectedHoles:
    """Return the holes that drills of the given diameters [in], shape (n,), are expected to cut.

    The history of the nearest drill stands for a drill when their diameters differ by less than a quarter; its mean
    oversize is carried over. A drill with fewer than `LEAST_HOLES` holes counts as not tried.
    """
    size = np.atleast_1d(np.asarray(drills, dtype=np.float64))
    least, mean, greatest, inside = _survey(size)
    sd = (greatest - least) / SIGMAS
    basis = np.where(inside, 1, 2).astype(np.int8)
    freedom = np.full(size.shape, np.inf)
    readings = np.zeros(size.shape, dtype=np.int64)
    source = np.full(size.shape, np.nan)
    tools, over, spread, counts = _pooled(histories)
    if tools.size:
        nearest = np.abs(np.log(size[:, None] / tools[None, :])).argmin(axis=1)
        near = np.abs(np.log(size / tools[nearest])) <= np.log(CARRY)
        count = counts[nearest]
        mean = np.where(near, over[nearest], mean)
        sd = np.where(near, spread[nearest] * np.sqrt(1.0 + 1.0 / count), sd)
        sd = np.maximum(sd, 1e-7)  # equal readings: a spread below any gauge's, never zero
        freedom = np.where(near, count - 1.0, freedom)
        least, greatest = (np.where(near, mean + k * SIGMAS / 2.0 * sd, x) for k, x in ((-1.0, least), (1.0, greatest)))
        basis = np.where(near, 0, basis).astype(np.int8)
        readings = np.where(near, count, 0)
        source = np.where(near, tools[nearest], np.nan)
    return ExpectedHoles(size, size + least, size + mean, size + greatest, sd, freedom, basis, readings, source)


def holes_of_drills(histories: Sequence[History]) -> list[tuple[str, float, FloatArray]]:
    """Return name, diameter [in] and all holes [in] of each drill; the same drill given twice is one history."""
    tools = np.unique(np.round([entry.drill for entry in histories], 9)).tolist()
    same = [[entry for entry in histories if abs(entry.drill - tool) < 1e-8] for tool in tools]
    return [(e[0].name, e[0].drill, np.concatenate([entry.holes for entry in e])) for e in same]


def _pooled(histories: Sequence[History]) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.int64]]:
    """Drills tried often enough, mean oversize, its sd and number of holes."""
    groups = [(tool, holes - tool) for _, tool, holes in holes_of_drills(histories) if holes.size >= LEAST_HOLES]
    return (
        np.array([tool for tool, _ in groups]), np.array([over.mean() for _, over in groups]),
        np.array([over.std(ddof=1) for _, over in groups]), np.array([over.size for _, over in groups], dtype=np.int64),
    )  # fmt: skip


@cache
def _survey_table() -> tuple[FloatArray, FloatArray]:
    rows = load_table("drill_oversize").rows
    return (
        np.array([float(row["drill"]) for row in rows]),
        np.array([[float(row[name]) for name in ("least", "mean", "greatest")] for row in rows]),
    )


def _survey(size: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    drill, figures = _survey_table()
    inside = (size >= drill[0]) & (size <= drill[-1])
    allowance = ALLOWANCE_MM / MM_PER_INCH
    outside = (0.0, allowance, 2.0 * allowance)
    least, mean, greatest = (
        np.where(inside, np.interp(size, drill, figures[:, k]), outside[k]) for k in range(3)
    )  # fmt: skip
    return least, mean, greatest, inside


# What must be said with a choice of drills: why the first stands first, what its figures rest on. Sentences only.


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
    candidates: Sequence[Candidate], histories: Sequence[History], reaming: Reaming | None, limits: tuple[float, float],
    unit: Unit,
) -> tuple[str, ...]:  # fmt: skip
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


# Which drill lands in a band, or which drill and reamer; what could be mixed up; a sequence from pilot to size.


LEAST_SHARE = 0.01  #: a drill expected to put fewer holes than this inside is no candidate
NEIGHBOURS = 4
TRIED = 0.01  #: a drill that was not tried must promise so much more than one that was, our choice
EQUAL = 3  #: decimals to which shares are told apart; survey figures don't carry more, our choice
LIGHT_METAL = 1.5  #: reaming stock of light metals over that of others (a reaming tutorial of 2023)
REAMER_STEP = {"in": 0.0005, "mm": 0.01}  #: a reamer's size is rounded to this, our choice


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
    lower: float, upper: float, unit: Unit, histories: Sequence[History] = (), series: Sequence[str] = SERIES,
    light_metal: bool = False,
) -> DrillChoice:  # fmt: skip
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
    return DrillChoice(
        unit, lower, upper, candidates, reaming, notes(candidates, histories, reaming, limits, unit),
        reason(candidates, limits, unit),
    )  # fmt: skip


def drilling_sequence(final: float, unit: Unit) -> tuple[Step, ...]:
    """Return pilot, step and size drill up to a final diameter [unit].

    Pilot about a quarter of the final size, a step at about six tenths when the final drill is above 1/4 in, then size;
    a drill up to 1/8 in needs no pilot. Fraction drills for inch, metric ones for mm.
    Common practice, no source.

    Raises:
        DataError: a diameter that is not above zero.
    """
    if not final > 0.0:
        raise DataError(f"a final diameter must be above zero; found {final:g}")
    size = float(convert(final, unit, "in"))
    names, _, sizes = _distinct(("fraction",) if unit == "in" else ("metric",))
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
    index: int, names: tuple[str, ...], kinds: tuple[str, ...], holes: ExpectedHoles,
    shares: tuple[FloatArray, FloatArray, FloatArray], limits: tuple[float, float], unit: Unit,
    neighbours: tuple[Neighbour, ...],
) -> Candidate:  # fmt: skip
    size = holes.drill[index]
    least, mean, greatest = (_out(x[index], unit) for x in (holes.least, holes.mean, holes.greatest))
    jig_lower, jig_upper = (_out(x, unit) for x in drilled_hole_limits(size))
    basis = int(holes.basis[index])
    tried = bool(abs(holes.history_drill[index] - size) <= GRAIN)
    return Candidate(
        names[index], kinds[index], _out(size, unit), least, mean, greatest, float(shares[0][index]),
        round(least - limits[0], 10), round(limits[1] - greatest, 10), BASES[basis],
        "carried over" if basis == 0 and not tried else BASIS_CONFIRMATION[basis], int(holes.readings[index]),
        jig_lower, jig_upper, jig_lower >= limits[0] - GRAIN and jig_upper <= limits[1] + GRAIN, neighbours,
        float(shares[1][index]), float(shares[2][index]), _out(holes.history_drill[index], unit), tried,
    )  # fmt: skip


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


# ----------------------------------------------------------------------------------------------------------------------
# GO and NO-GO plug gauges for a hole: the 10 percent rule, maker's classes of ASME B89.1.5, what they eat.
#
# The gauge makers' rule: gauges take at most 10 percent of the part's tolerance, half for each, inside its limits; so
# some good parts may be refused and no bad one is accepted. GO is made plus from the low limit, NO-GO minus from the
# high.

CLASSES = ("XXX", "XX", "X", "Y", "Z", "ZZ")
GAUGE_SHARE = 0.10  #: of the part's tolerance, both gauges together


@dataclass(frozen=True, slots=True)
class PlugLimits:
    """One member of a plug gauge: nominal size, its class and tolerance, and its limits as made."""

    nominal: float
    maker_class: str
    tolerance: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class PlugSet:
    """GO and NO-GO plugs for a hole, all in ``unit``.

    ``allowed_each`` is half of the gauges' share of the tolerance; ``eaten`` the greatest part of the tolerance that
    new gauges can take (0.1 = 10 percent); ``wear_limit`` the size at which the GO is put out of use (None: not given);
    ``worn_below`` how far that lies below the hole's low limit, so how much undersize a worn GO may let through.
    """

    unit: Unit
    lower: float
    upper: float
    allowed_each: float
    go: PlugLimits
    no_go: PlugLimits
    eaten: float
    wear_limit: float | None
    worn_below: float
    notes: tuple[str, ...]


def plugs(lower: float, upper: float, unit: Unit, wear_limit: float | None = None) -> PlugSet:
    """Return GO and NO-GO plugs for a hole between two limits [unit].

    The class is the coarsest whose tolerance is within half of the gauges' share (10 percent of the part's tolerance).
    ``wear_limit`` is the size [unit] at which the GO is put out of use; no standard figure is taken for it.

    Raises:
        DataError: limits upside down, a wear limit above the new GO or far below the low limit.
        TableError: a size outside ASME B89.1.5's table.

    Source: 10 percent rule of gauge makers (three suppliers agree); ASME B89.1.5.
    """
    if not (0.0 < lower < upper):
        raise DataError(f"a hole needs a low limit above zero and below its high limit; found {lower:g} and {upper:g}")
    each = 0.5 * GAUGE_SHARE * (upper - lower)
    notes: list[str] = []
    go_class, go_tolerance = _choose(lower, each, unit, "GO", notes)
    no_go_class, no_go_tolerance = _choose(upper, each, unit, "NO-GO", notes)
    go = PlugLimits(lower, go_class, go_tolerance, lower, _clean(lower + go_tolerance))
    no_go = PlugLimits(upper, no_go_class, no_go_tolerance, _clean(upper - no_go_tolerance), upper)
    worn = 0.0
    if wear_limit is not None:
        if wear_limit > go.lower + GRAIN and wear_limit > go.upper - GRAIN:
            raise DataError(f"wear limit {wear_limit:g} is not below the new GO ({go.lower:g} to {go.upper:g})")
        worn = max(0.0, _clean(lower - wear_limit))
        if worn > upper - lower:
            raise DataError(
                f"wear limit {wear_limit:g} lies farther below the low limit {lower:g} than the whole tolerance, "
                f"{upper - lower:g}; check the point and the unit"
            )
        if worn > GRAIN:
            notes.append(f"A GO worn to {wear_limit:g} {unit} enters holes {worn:g} {unit} below the low limit.")
    eaten = (go_tolerance + no_go_tolerance) / (upper - lower)
    return PlugSet(unit, lower, upper, _clean(each), go, no_go, round(eaten, 10), wear_limit, worn, tuple(notes))


@cache
def _class_rows(unit: Unit) -> tuple[FloatArray, FloatArray, FloatArray]:
    rows = [row for row in load_table("gauge_classes").rows if row["unit"] == unit]
    above, to = (np.array([float(row[key]) for row in rows]) for key in ("above", "to"))
    return above, to, np.array([[float(row[name]) for name in CLASSES] for row in rows])


def class_tolerances(size: float, unit: Unit) -> FloatArray:
    """Return the maker's tolerance [unit] of each of `CLASSES` at a size [unit]; shape (classes,).

    Raises TableError for a size outside the table. Source: ASME B89.1.5 as two charts reproduce it.
    """
    above, to, tolerance = _class_rows(unit)
    row = int(np.searchsorted(to + GRAIN, size, side="left"))
    if row == to.size or size <= above[0] + GRAIN:
        raise TableError(f"ASME B89.1.5 gives plug tolerances over {above[0]:g} to {to[-1]:g} {unit}; found {size:g}")
    return tolerance[row]


def _choose(size: float, each: float, unit: Unit, what: str, notes: list[str]) -> tuple[str, float]:
    tolerance = class_tolerances(size, unit)
    fitting = np.flatnonzero(tolerance <= each + GRAIN)
    if fitting.size == 0:
        notes.append(
            f"Even class XXX takes more than half of the gauges' share for the {what}; measure the hole instead."
        )
        return CLASSES[0], float(tolerance[0])
    return CLASSES[int(fitting[-1])], float(tolerance[fitting[-1]])


def _clean(value: float) -> float:
    return round(value, 10)
