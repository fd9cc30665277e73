"""Coordinates from distances: the readings of a run adjusted part by part, what they are worth, and which is wrong.

A distance is brought to that of the centres by its way (`holeqc.distances.ways`), all of a part and wall are adjusted
together, and the coordinates join what was read of x and y, each with the U that the adjustment gives it. Nothing is
left out or mended: where a distance contradicts its neighbours, all coordinates of its part and wall are doubted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.distances import Adjustment, Network, adjust_network
from holeqc.distances.network import Suspect, checks, critical, part_of, suspects
from holeqc.distances.ways import lacking, of_repeats, pairs, position_u, to_centres
from holeqc.inspection.decision import COARSE
from holeqc.inspection.results import (
    CONTRADICTING_DISTANCES,
    FEW_DISTANCES,
    NO_DATUM,
    NO_UNCERTAINTY,
    NONE,
    UNKNOWN_PART,
    CodeArray,
    any_code,
    first_row,
    largest_or_unknown,
    mean,
)
from holeqc.problems import WARNING, Problem
from holeqc.quantities import BoolArray, FloatArray, IntArray, convert, format_length
from holeqc.readings.plausibility import swapped_digits
from holeqc.readings.table import cell_name, places_of
from holeqc.specification.model import (
    BETWEEN_PINS,
    CENTRES,
    EDGE,
    FAR_WALLS,
    NEAR_WALLS,
    OVER_PINS,
    PINNED,
    Distance,
    Specification,
    distance_of,
)
from holeqc.tables import Table

if TYPE_CHECKING:
    from holeqc.inspection.evidence import Parts, Rows


TO_EDGE = {OVER_PINS: "edge over pin", BETWEEN_PINS: "edge to pin", FAR_WALLS: "edge to far wall",
           NEAR_WALLS: "edge to near wall", CENTRES: "edge to centre"}  # fmt: skip
USUAL_PIN_U = 0.0002  #: [in] of a pin's diameter where the kit says none: tolerance of class ZZ pins (common practice)
ZERO_SHARE = 0.5  #: of a gauge's variance that all its readings share, its zero error: common practice, no source
GLOBAL = 0.01  #: chance at which a sound part's residuals as a whole are held though no distance stands out
UNCHECKED = 0.05  #: redundancy below which an error in a distance would hardly show


@dataclass(frozen=True, slots=True)
class Found:
    """One distance of one part as adjusted. Lengths in the kit's unit; NaN where it couldn't be used.

    ``reading`` mean of its readings, ``count`` how many, ``centres`` the distance of centres that follows, ``adjusted``
    what the whole makes of it, ``uncertainty`` U (k = 2) of ``centres``, ``smallest`` error that would be found with a
    power of 80 %, ``likely`` what the reading should have been, NaN unless suspect; ``label`` of its first reading.
    """

    distance: Distance
    reading: float
    count: int
    centres: float
    adjusted: float
    uncertainty: float
    redundancy: float
    standardised: float
    smallest: float
    likely: float
    label: int


@dataclass(frozen=True, slots=True)
class Networks:
    """What distances give. ``xy`` (P,H,W,2), ``doubt``, ``gap`` and ``no_datum`` (P,H,W) causes, the rest (P,H,W).

    ``uncertainty`` is U (k = 2) of a coordinate in its worst direction, ``in_pattern`` the same with the pattern
    floating; ``covariance`` (P,H,W,2,2) of x and y. ``doubt``: the coordinates are known and not to be relied on;
    ``gap``: why they aren't known; ``no_datum``: why they say nothing of the place from the edges. ``label`` (P,H,W) of
    a distance that each rests on. ``derived``: coordinates come from distances, not from readings of x and y.
    """

    names: tuple[tuple[str, str], ...]  #: part and serial of each part
    xy: FloatArray
    covariance: FloatArray
    uncertainty: FloatArray
    in_pattern: FloatArray
    doubt: CodeArray
    gap: CodeArray
    no_datum: CodeArray
    label: IntArray
    derived: BoolArray
    walls: tuple[Wall, ...] = ()
    problems: tuple[Problem, ...] = ()

    def of_part(self, part: str, serial: str) -> list[tuple[Wall, int, list[Found]]]:
        """Return the distances of a part, wall by wall: all that belongs to it, its row there, one record each."""
        number = self.names.index((part, serial))
        rows = [(wall, int(np.flatnonzero(wall.parts == number)[0])) for wall in self.walls if number in wall.parts]
        return [(wall, n, wall.found(n)) for wall, n in rows]


@dataclass(slots=True)
class Wall:
    """The distances of parts (N,) that share a frame, in one wall: arrays (N, n), and their adjustment.

    ``cause``: why one isn't used; ``lost`` (N,): a cause for distances whose ends the kit doesn't know.
    ``too_large``: a pin is larger than its hole reads. ``wrong``: for each part, distances that can't be chance with
    what they likely are, -1 for a contradiction of which none stands out.
    """

    spec: Specification
    parts: IntArray
    wall: int
    distances: list[Distance]
    reading: FloatArray
    sd: FloatArray
    count: IntArray
    cause: CodeArray
    label: IntArray
    lost: CodeArray
    centres: FloatArray
    sd_centres: FloatArray
    too_large: BoolArray
    adjusted: Adjustment = field(init=False)
    wrong: list[dict[int, float]] = field(default_factory=list)

    @property
    def name(self) -> str:
        """The wall's name."""
        return self.spec.walls.names[self.wall]

    def found(self, n: int) -> list[Found]:
        """Return the distances of a part as a report shows them."""
        one = part_of(self.adjusted, n)
        smallest = checks(one).smallest_error
        return [
            Found(
                self.distances[k], float(self.reading[n, k]), int(self.count[n, k]), float(self.centres[n, k]),
                float(self.centres[n, k] + one.residuals[k]), 2.0 * float(self.sd_centres[n, k]),
                float(one.redundancy[k]), float(one.standardised[k]), float(smallest[k]),
                self.wrong[n].get(k, float("nan")), int(self.label[n, k]),
            ) for k in np.flatnonzero(self.label[n] >= 0).tolist()
        ]  # fmt: skip


def adjusted_networks(
    spec: Specification, parts: Parts, rows: Rows, words: Sequence[str], diameters: Rows, table: Table
) -> Networks | None:
    """Return the coordinates that distances give, None where there are no distances.

    ``rows`` are the readings of distances, ``words`` what they are of, ``diameters`` those of the holes, by which jaws
    reach the centres and the play of pins is known.
    """
    if not len(rows):
        return None
    shape = (len(parts), len(spec.holes), len(spec.walls.names))
    names = tuple((parts.names[p], parts.serials[s]) for p, s in zip(parts.name, parts.serial, strict=True))
    unknown, none = np.full(shape, np.nan), np.zeros(shape, dtype=np.int16)
    out = Networks(
        names, np.full((*shape, 2), np.nan), np.full((*shape, 2, 2), np.nan), unknown, unknown.copy(), none,
        none.copy(), none.copy(), np.full(shape, -1, dtype=np.int64), none != NONE,
    )  # fmt: skip
    known = [distance_of(text) for text in words]
    sizes = _sizes(diameters, shape)
    walls: list[Wall] = []
    problems: list[Problem] = []
    strange = np.isnan(parts.signs[:, 0])
    out.gap[strange] = UNKNOWN_PART
    for sign in np.unique(parts.signs[~strange], axis=0):
        of_frame = (parts.signs == sign).all(axis=1)
        for wall in np.unique(rows.wall[rows.wall >= 0]).tolist():
            mine = rows.take(of_frame[rows.part] & (rows.wall == wall))
            if len(mine):
                walls.append(_gathered(spec, mine, known, sizes, wall))
                _put(out, walls[-1], sign, problems, table)
    several = np.isfinite(out.uncertainty).any(axis=1).sum(axis=1) > 1
    # walls float as one pattern: what each of them alone takes up is no motion of both
    out.in_pattern[several] = np.where(out.no_datum[several] == NONE, out.uncertainty[several], np.inf)
    return replace(out, walls=tuple(walls), problems=(*problems, *_coarse(out, spec, table)))


def _coarse(out: Networks, spec: Specification, table: Table) -> list[Problem]:
    """Tell once for each tolerance that the U of distances takes more than a quarter of it."""
    told = []
    for what, key, u in (
        ("position", "tolerance", np.where((out.no_datum == NONE) & (out.doubt == NONE), out.uncertainty, np.nan)),
        ("position hole to hole", "pattern_tolerance", np.where(out.doubt == NONE, out.in_pattern, np.nan)),
    ):
        asked = np.array([np.nan if (t := getattr(h.position, key)) is None else t or np.nan for h in spec.holes])
        share = np.nan_to_num(2.0 * u / asked[:, None])
        if not share.max(initial=0.0) > COARSE:
            continue
        part, hole, wall = np.unravel_index(int(share.argmax()), share.shape)
        row = table.at(out.label[part, hole, wall])
        told.append(Problem(
            WARNING, "coarse-distances",
            f"U of {what} from distances is up to {format_length(2.0 * float(u[part, hole, wall]), spec.unit, 4)} "
            f"{spec.unit}, {100 * share.max():.0f} % of its tolerance (hole {spec.hole_ids[hole]}): what lies within U "
            "of the limit is held",
            found=f"ratio {1 / share.max():.1f} : 1", allowed="4 : 1, bonus left out (practice after MIL-HDBK-52)",
            action="Take a finer gauge, pins that fit closer or more distances", file=str(row["file"]),
            sheet=str(row["sheet"]), part=out.names[part][0], serial=out.names[part][1],
        ))  # fmt: skip
    return told


def _sizes(diameters: Rows, shape: tuple[int, int, int]) -> tuple[FloatArray, FloatArray]:
    """Return mean and U (k = 2) of the diameters that nobody doubts (P,H,W), NaN where there are none."""
    sure = diameters.take(~diameters.doubted & ~np.isnan(diameters.value) & (diameters.wall >= 0))
    cell, cells = sure.cell(*shape[1:]), int(np.prod(shape))
    u = largest_or_unknown(cell, sure.uncertainty, cells)
    return mean(cell, sure.value, cells).reshape(shape), u.reshape(shape)


def _gathered(
    spec: Specification, rows: Rows, known: Sequence[Distance | None], sizes: tuple[FloatArray, FloatArray], wall: int
) -> Wall:
    """Return the distances of one wall and frame as arrays, brought to the distances of centres."""
    parts, place = np.unique(rows.part), places_of(spec)
    nowhere = np.array([d is None or not {d.first, d.second} <= place.keys() for d in known], dtype=np.bool_)
    lost = np.isin(parts, rows.part[nowhere[rows.word]])
    rows = rows.take(~nowhere[rows.word])
    words, column = np.unique(rows.word, return_inverse=True)
    n, shape = words.size, (parts.size, words.size)
    cell, cells = np.searchsorted(parts, rows.part) * n + column, parts.size * n
    sure = ~rows.doubted & ~np.isnan(rows.value)
    order = np.argsort(cell[sure], kind="stable")
    at = cell[sure][order]
    count = np.bincount(at, minlength=cells)
    repeats = np.full((cells, int(count.max(initial=1))), np.nan)
    repeats[at, np.arange(at.size) - (np.cumsum(count) - count)[at]] = rows.value[sure][order]
    u = largest_or_unknown(cell[sure], rows.uncertainty[sure], cells)
    reading, sd = (a.reshape(shape) for a in of_repeats(repeats, np.nan_to_num(u, nan=0.0) / 2.0))
    cause = any_code(cell, rows.cause, cells)
    cause = np.where((cause == NONE) & (count > 0) & ~(u > 0.0), NO_UNCERTAINTY, cause).astype(np.int16)
    found = Wall(
        spec, parts, wall, [d for word in words if (d := known[int(word)])], reading, sd, count.reshape(shape),
        cause.reshape(shape), first_row(cell, rows.label, cells).reshape(shape),
        np.where(lost, CONTRADICTING_DISTANCES, NONE).astype(np.int16), reading, sd, np.zeros(shape, dtype=np.bool_),
    )  # fmt: skip
    _to_centres(found, sizes)
    return found


def _to_centres(one: Wall, sizes: tuple[FloatArray, FloatArray]) -> None:
    """Bring readings to distances of centres, with the sd of pins, play and holes."""
    spec = one.spec
    number = {h: n for n, h in enumerate(spec.hole_ids)}
    mid = np.array([0.5 * (h.size.lower + h.size.upper) for h in spec.holes])
    largest = np.array([h.size.upper for h in spec.holes])
    pin_u = pin_uncertainty(spec)
    shape = (*one.reading.shape, 2)
    diameter, sd, hole = np.full(shape, np.nan), np.zeros(shape), np.full(shape, np.nan)
    ways = []
    for k, distance in enumerate(one.distances):
        ends = (distance.first, distance.second)
        edges = sum(end.startswith(EDGE) for end in ends)
        ways.append("across" if edges == 2 else TO_EDGE[distance.way] if edges else
                    "web" if distance.way == NEAR_WALLS else distance.way)  # fmt: skip
        for side, end in enumerate(ends):
            if end not in number:
                continue
            h = number[end]
            read, u = (array[one.parts, h, one.wall] for array in sizes)
            if distance.way in PINNED:
                diameter[:, k, side], sd[:, k, side] = distance.pins[side], pin_u / 2.0
                hole[:, k, side] = np.where(np.isnan(read), largest[h], read)
            else:
                diameter[:, k, side] = np.where(np.isnan(read), mid[h], read)
                # without a reading of its own the hole may be anywhere in its limits
                sd[:, k, side] = np.where(np.isnan(u), spec.holes[h].size.band / np.sqrt(12.0), u / 2.0)
    centres = to_centres(ways, one.reading, diameter, one.sd, hole=hole, diameter_sd=sd)
    in_the_way: BoolArray = np.any(centres.play + 2.0 * sd < -GRAIN_OF_PLAY, axis=2)
    read = (one.cause == NONE) & ~np.isnan(one.reading)
    one.too_large = in_the_way & read
    one.cause[read & (in_the_way | ~(centres.distance > 0.0))] = CONTRADICTING_DISTANCES
    one.centres, one.sd_centres = centres.distance, centres.sd


def pin_uncertainty(spec: Specification) -> float:
    """Return U (k = 2) of the diameter of a measuring pin [kit unit]."""
    plan = spec.plan.distances
    if plan is not None and plan.pin_uncertainty is not None:
        return plan.pin_uncertainty
    return float(convert(np.array(USUAL_PIN_U), "in", spec.unit))


GRAIN_OF_PLAY = 0.0003  #: a pin may read larger than its hole by as much without contradicting it: U of a bore gauge


def network_of(spec: Specification, sign: FloatArray, distances: Sequence[Distance]) -> Network:
    """Return the network of distances in the frame of a part's readings: edges through the origin are its datum.

    An edge elsewhere lies where distances say; its distance from a datum edge must be measured too.
    """
    drawn = np.array([(h.x, h.y) for h in spec.holes], dtype=np.float64) * sign
    edges = np.array(
        [(0.0, e.at * sign[0]) if e.axis == "x" else (np.pi / 2, e.at * sign[1]) for e in spec.datum_edges]
    )
    place = places_of(spec)
    ends = np.array([(place[d.first], place[d.second]) for d in distances], dtype=np.intp).reshape(-1, 2)
    given = np.array([(True, e.at == 0.0) for e in spec.datum_edges], dtype=np.bool_).reshape(-1, 2)
    return Network(drawn, ends, edges.reshape(-1, 2), edges_fixed=given)


def _put(out: Networks, one: Wall, sign: FloatArray, problems: list[Problem], table: Table) -> None:
    """Adjust the parts of one wall and frame, and put their coordinates, doubts and problems where they belong."""
    network = network_of(one.spec, sign, one.distances)
    used = (one.cause == NONE) & np.isfinite(one.centres)
    observed, sd = np.where(used, one.centres, np.nan), np.where(used, one.sd_centres, 1.0)
    one.adjusted = adjusted = adjust_network(network, observed, sd)
    _suspects(one, table, problems)
    clean = np.array([not w for w in one.wrong])
    at, placed = (one.parts, slice(None), one.wall), adjusted.placed & adjusted.converged[:, None]
    # scatter beyond what is stated is believed, but for that of a distance that is wrong
    grown = np.where(clean, np.fmax(np.nan_to_num(adjusted.s0, nan=1.0), 1.0) ** 2, 1.0)
    holes = len(one.spec.holes)
    blocks = np.nan_to_num(with_zero(network, observed, sd, one.sd)).reshape(len(one.parts), holes, 2, holes, 2)
    blocks = blocks * grown[:, None, None, None, None]
    whole = [c.reshape(len(c), 2 * holes, 2 * holes) for c in (blocks, _floated(one.spec, sign, blocks, placed))]
    out.xy[at] = np.where(placed[..., None], adjusted.xy, np.nan)
    out.covariance[at] = np.where(placed[..., None, None], np.einsum("nhihj->nhij", blocks), np.nan)
    out.uncertainty[at], out.in_pattern[at] = (np.where(placed, position_u(c) / 2.0, np.nan) for c in whole)
    for k, end in ((k, end) for k, ends in enumerate(network.ends) for end in ends[ends < holes].tolist()):
        label = out.label[one.parts, end, one.wall]
        out.label[one.parts, end, one.wall] = np.where(label < 0, one.label[:, k], label)
    out.no_datum[at] = np.where((adjusted.free_motions > 0)[:, None], NO_DATUM, NONE)
    # a doubt about one distance is one about all that rests on the rest
    doubted = np.maximum(one.cause.max(axis=1, initial=NONE), one.lost)
    doubted = np.where((doubted == NONE) & ~(clean & adjusted.converged), CONTRADICTING_DISTANCES, doubted)
    out.doubt[at] = np.where(placed, doubted[:, None], NONE)
    gap = np.where(doubted == NONE, FEW_DISTANCES, doubted)[:, None]
    out.gap[at] = np.where(~placed & (out.gap[at] == NONE), gap, out.gap[at])
    problems += [_of_pin(one, n, k, table) for n, k in np.argwhere(one.too_large).tolist()]
    loose = used & ~(adjusted.redundancy > UNCHECKED)
    weak = loose.any(axis=1) | ~placed.all(axis=1) | (adjusted.free_motions > 0)
    for n in np.flatnonzero(weak & used.any(axis=1)).tolist():
        _tell_weak(one, n, loose[n], placed[n], table, problems)


def with_zero(network: Network, observed: FloatArray, sd: FloatArray, own: FloatArray) -> FloatArray:
    """Return the covariance of coordinates where all readings of the gauge share a zero error.

    More distances don't make that smaller: taken as independent, half of a caliper's variance leaves only 83 to 94 of
    100 coordinates inside their 95 %. ``own`` (n,): one standard deviation of each reading, without pins and holes.
    """
    zero = np.sqrt(ZERO_SHARE) * np.nan_to_num(own)
    alone = np.sqrt(np.maximum(sd**2 - zero**2, 0.0025 * sd**2))
    rest, moved = adjust_network(network, observed, alone), adjust_network(network, observed + zero, alone)
    shift = np.nan_to_num(moved.xy - rest.xy).reshape(rest.covariance.shape[:-1])
    return rest.covariance + shift[..., :, None] * shift[..., None, :]


def _suspects(one: Wall, table: Table, problems: list[Problem]) -> None:
    """Find the distances of each part that can't be chance, and tell them."""
    adjusted = one.adjusted
    checked = np.isfinite(adjusted.standardised).sum(axis=1)
    kinds, which = np.unique(checked, return_inverse=True)
    bound = np.array([critical(max(int(n), 1)) for n in kinds])[which.ravel()]
    odd = np.nan_to_num(np.abs(adjusted.standardised)).max(axis=1, initial=0.0) > bound
    odd |= np.nan_to_num(adjusted.global_p, nan=1.0) < GLOBAL
    one.wrong = [{} for _ in one.parts]
    for n in np.flatnonzero(odd).tolist():
        for suspect in suspects(part_of(adjusted, n)):
            index, likely, problem = _of_suspect(one, n, suspect, table)
            one.wrong[n][index] = likely
            problems.append(problem)
        if not one.wrong[n]:
            one.wrong[n][-1] = float("nan")
            problems.append(_disagree(one, n, table))


def _cell(one: Wall, n: int, k: int, table: Table) -> dict[str, Any]:
    """Return where the reading of a distance was typed, and whose it is."""
    row = table.at(one.label[n, k])
    return {
        "file": str(row["file"]), "sheet": str(row["sheet"]), "cell": cell_name(int(row["row"]), int(row["column"])),
        "part": str(row["part"]), "serial": str(row["serial"]), "wall": str(row["wall"]),
    }  # fmt: skip


def _of_suspect(
    one: Wall, n: int, suspect: Suspect, table: Table
) -> tuple[int, float, Problem]:  # fmt: skip
    """Return a suspect, what it likely is, and what is to be said of it.

    Of several distances that explain it alike, one of swapped digits comes first.
    """
    unit, adjusted = one.spec.unit, one.adjusted
    decimals = 4 if unit == "in" else 3
    errors = {suspect.index: suspect.error} | {
        i: -float(adjusted.residuals[n, i] / adjusted.redundancy[n, i]) for i in suspect.or_else
    }
    swapped = {
        i: value for i, error in errors.items()
        for value in swapped_digits(float(one.reading[n, i]), decimals)
        if abs(value - (one.reading[n, i] - error)) <= 3.0 * suspect.sd
    }  # fmt: skip
    first = next(iter(swapped), suspect.index)
    k, likely = first, float(one.reading[n, first]) - errors[first]
    shown = format_length(swapped.get(first, round(likely, decimals - 1)), unit)
    others = ", ".join(f"{one.distances[i].name} ({_cell(one, n, i, table)['cell']})" for i in errors if i != first)
    return first, swapped.get(first, likely), Problem(
        WARNING, "suspect-distance",
        f"the distance {one.distances[k].name} doesn't fit the others: "
        f"{'two digits are swapped, ' * (first in swapped)}likely {shown} {unit}"
        + (f"; or else {others} is wrong" if others else ""),
        found=f"{format_length(float(one.reading[n, k]), unit)} {unit}",
        allowed=f"{format_length(likely, unit, decimals)} {unit} within "
        f"{format_length(2.0 * suspect.sd, unit, decimals)}",
        action="Measure this distance again" + (f", and {others}" if others else "") + "; correct the cell",
        holds=True, **_cell(one, n, k, table),
    )  # fmt: skip


def _of_pin(one: Wall, n: int, k: int, table: Table) -> Problem:
    pins = " and ".join(format_length(pin, one.spec.unit) for pin in one.distances[k].pins if pin == pin)
    return Problem(
        WARNING, "pin-larger-than-hole", f"a pin of {one.distances[k].name} is larger than its hole reads",
        found=f"pins {pins} {one.spec.unit}", allowed="pins that enter",
        action="Look which is wrong, pin or hole; measure again", holds=True, **_cell(one, n, k, table),
    )  # fmt: skip


def _disagree(one: Wall, n: int, table: Table) -> Problem:
    adjusted = one.adjusted
    worst = int(np.nanargmax(np.abs(np.nan_to_num(adjusted.standardised[n]))))
    return Problem(
        WARNING, "distances-disagree",
        f"the distances contradict one another, {adjusted.s0[n]:.1f} times what U explains; no single one stands out",
        found=f"the largest residual is that of {one.distances[worst].name}",
        allowed="residuals that U explains, but for 1 part in 100",
        action="Look at pins, gauge and its U; measure the distances again",
        holds=True, **_cell(one, n, worst, table),
    )  # fmt: skip


def _tell_weak(
    one: Wall, n: int, unchecked: BoolArray, placed: BoolArray, table: Table, problems: list[Problem]
) -> None:  # fmt: skip
    """Tell the distances of a part that nothing checks, the holes that aren't placed, and what one more would do."""
    spec, loose = one.spec, np.flatnonzero(unchecked).tolist()
    if loose:
        names = ", ".join(f"{one.distances[k].name} ({_cell(one, n, k, table)['cell']})" for k in loose[:8])
        more = f" and {len(loose) - 8} more" if len(loose) > 8 else ""
        problems.append(Problem(
            WARNING, "unchecked-distance",
            f"nothing checks {'this distance' if len(loose) == 1 else f'these {len(loose)} distances'}, an error would "
            f"go unseen: {names}{more}", action="Measure one more distance to a hole at its end",
            **_cell(one, n, loose[0], table),
        ))  # fmt: skip
    lost = [h for h in range(len(spec.holes)) if not placed[h]] if spec.plan.position else []
    where = _cell(one, n, int(np.argmax(one.label[n] >= 0)), table)
    problems += [
        Problem(
            WARNING, "too-few-distances", f"hole {spec.hole_ids[h]} isn't placed by its distances",
            action=one_more(one, n, h), holds=True, **where | {"hole": spec.hole_ids[h]},
        ) for h in lost[:8]
    ]  # fmt: skip
    if one.adjusted.free_motions[n] and any(hole.position.tolerance is not None for hole in spec.holes):
        edges = " and ".join(f"edge {e.name}" for e in spec.datum_edges) or "a datum edge"
        problems.append(Problem(
            WARNING, "no-distance-from-the-edges",
            "the distances give the pattern and not its place from the edges: hole to hole and pins are judged, "
            "position isn't",
            action=f"Measure from {edges} to at least two holes", holds=True, **where,
        ))  # fmt: skip


def one_more(one: Wall, n: int, hole: int) -> str:
    """Return which further distances would place a hole."""
    spec = one.spec
    have = [d for d, count in zip(one.distances, one.count[n], strict=True) if count]
    names = [end for end, number in places_of(spec).items() if number < len(spec.holes)]
    names += [f"{EDGE}{e.name}" for e in spec.datum_edges if e.at == 0.0]
    taken = {frozenset((d.first, d.second)) for d in have}
    others = [Distance(names[i], names[j]) for i, j in pairs(len(spec.holes), len(names) - len(spec.holes)).tolist()]
    others = [d for d in others if frozenset((d.first, d.second)) not in taken]
    needed = lacking(network_of(spec, np.ones(2), [*have, *others]), np.arange(len(have) + len(others)) < len(have))
    me = spec.hole_ids[hole]
    mine = [others[k - len(have)] for k in needed.add]
    mine = [d for d in mine if me in (d.first, d.second)] or mine[:1]
    return (
        "Measure " + " and ".join(f"from {d.first} to {d.second}" for d in mine) if mine else "Measure more distances"
    )


def floated_u(spec: Specification, adjusted: Adjustment, covariance: FloatArray) -> FloatArray:
    """Return U of each position hole to hole (p,) as a diameter, infinite where it isn't placed."""
    holes = len(spec.holes)
    covariance = np.nan_to_num(covariance.reshape(1, holes, 2, holes, 2))
    floated = _floated(spec, np.ones(2), covariance, adjusted.placed[None])
    return np.where(adjusted.placed, position_u(floated.reshape(2 * holes, 2 * holes)), np.inf)


def _floated(spec: Specification, sign: FloatArray, covariance: FloatArray, placed: BoolArray) -> FloatArray:
    """Return covariances (N,H,2,H,2) without what a shift and a turn of the placed holes (N,H) take up.

    That is the S-transformation to inner constraints over those holes (Baarda 1973, S-transformations and criterion
    matrices). Where a hole's pattern may not turn, only the shift is taken out.
    """
    drawn = np.array([(h.x, h.y) for h in spec.holes], dtype=np.float64) * sign
    size, turns = 2 * len(drawn), all(h.position.pattern_rotates for h in spec.holes)
    flat = covariance.reshape(len(placed), size, size)
    out = np.full_like(flat, np.nan)
    kinds, which = np.unique(placed, axis=0, return_inverse=True)
    for number, kind in enumerate(kinds):
        if not kind.any():
            continue
        there = np.repeat(kind, 2)
        middle = drawn[kind].mean(axis=0)
        motion = np.zeros((size, 3 if turns else 2))
        motion[0::2, 0] = motion[1::2, 1] = 1.0
        if turns:
            motion[0::2, 2], motion[1::2, 2] = -(drawn[:, 1] - middle[1]), drawn[:, 0] - middle[0]
        rest = np.eye(int(there.sum())) - motion[there] @ np.linalg.pinv(motion[there])
        mine = np.flatnonzero(which.ravel() == number)
        out[np.ix_(mine, there, there)] = rest @ flat[np.ix_(mine, there, there)] @ rest.T
    return out.reshape(covariance.shape)
