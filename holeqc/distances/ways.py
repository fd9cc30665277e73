"""How a distance is measured at the bench, which distances to take, and what their coordinates mean for a tolerance.

Arithmetic of measuring over pins and with jaws: common practice, no source; elementary geometry. What is added here:
jaws with flat lands stand off a round wall, a pin smaller than its hole has play, a gauge held askew, and temperature.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from holeqc.distances.network import FLAT, LOOSE, Network, free_motions, geometry, placed_points
from holeqc.problems import DataError
from holeqc.quantities import BoolArray, FloatArray, IntArray, size_at_reference
from holeqc.statistics.position_capability import share_in_circle

HOLES, EDGE, EDGES = "hole to hole", "edge to hole", "edge to edge"


@dataclass(frozen=True, slots=True)
class Way:
    """One way of measuring: between which ends, what is done with half a diameter at each hole, and how it is done.

    ``half``: -1 takes half the diameter of each hole off the reading, +1 puts it on, 0 leaves it. ``on_pins``: the
    diameters are those of pins in the holes, else those of the holes. ``words`` tell the person at the bench what to
    do.
    """

    name: str
    between: str
    half: int
    on_pins: bool
    words: str


#: name -> way, in the order in which they are preferred
WAYS: dict[str, Way] = {
    way.name: way
    for way in (
        Way("over pins", HOLES, -1, True, "outside jaws over both pins"),
        Way("between pins", HOLES, +1, True, "inside jaws between both pins"),
        Way("far walls", HOLES, -1, False, "inside jaws on the far walls of both holes"),
        Way("web", HOLES, +1, False, "outside jaws on the web between both holes"),
        Way("centres", HOLES, 0, False, "read as the distance of the centres, jaws zeroed in an equal hole"),
        Way("edge over pin", EDGE, -1, True, "from the edge over the pin"),
        Way("edge to pin", EDGE, +1, True, "from the edge to the near side of the pin"),
        Way("edge to far wall", EDGE, -1, False, "from the edge to the far wall of the hole"),
        Way("edge to near wall", EDGE, +1, False, "from the edge to the near wall of the hole"),
        Way("height over pin", EDGE, -1, True, "edge on the plate, height gauge on top of the pin"),
        Way("height to upper wall", EDGE, -1, False, "edge on the plate, height gauge to the hole's upper wall"),
        Way("height to lower wall", EDGE, +1, False, "edge on the plate, height gauge to the hole's lower wall"),
        Way("edge to centre", EDGE, 0, False, "read as the distance of the centre from the edge"),
        Way("across", EDGES, 0, False, "outside jaws across both edges"),
    )
}


@dataclass(frozen=True, slots=True)
class Centres:
    """Distances of centres (..., n) at 20 °C, with what is known of their errors, as standard deviations.

    ``sd`` (..., n) of all errors together. ``own_sd`` (..., n): of those that no other distance shares (reading, play,
    tilt). ``by_diameter`` (..., n, 2): change of the distance with the diameter used at each end, ``diameter_sd`` (...,
    n, 2) its sd. ``play`` (..., n, 2): hole minus pin at each end, 0 without a pin; below zero where the pin can't have
    been in that hole.
    """

    distance: FloatArray
    sd: FloatArray
    own_sd: FloatArray
    by_diameter: FloatArray
    diameter_sd: FloatArray
    play: FloatArray


def to_centres(
    ways: Sequence[str], reading: ArrayLike, diameter: ArrayLike, gauge_sd: ArrayLike, *, hole: ArrayLike = np.nan,
    diameter_sd: ArrayLike = 0.0, land: ArrayLike = 0.0, tilt_deg: ArrayLike = 0.0, temperature_c: ArrayLike = 20.0,
    temperature_sd: float = 0.0, part_per_c: float = 0.0, gauge_per_c: float = 0.0,
) -> Centres:  # fmt: skip
    """Return the distances of centres from what was read; lengths in one unit, arrays broadcast to (..., n).

    ``ways`` (n,) names of `WAYS`. ``reading`` (..., n), NaN where there is none. ``diameter`` (..., n, 2): at each end,
    of the pin or of the hole as the way asks, NaN at an edge. ``hole`` (..., n, 2): actual diameter of the hole in
    which a pin stands, or the largest it can be; without it a way over pins has no sd. ``gauge_sd`` (..., n): half of
    the gauge's U (k = 2). ``diameter_sd`` (..., n, 2). ``land`` (..., n): width of the jaws' flats that touch a hole's
    wall; 0 for knife edges, and where the hole's diameter was read with the same jaws, which falls short by as much.
    ``tilt_deg`` (..., n): how far the gauge may have been askew. ``temperature_c`` of part and gauge and its sd, growth
    per °C of both.

    A pin with play may stand anywhere in its hole: uniform over hole - pin, sd = play / sqrt(12) each. Tilt: the error
    of up to L (1 - cos) as uniform. Neither is corrected, because its sign isn't known. A flat of width w touches a
    wall of diameter D where the hole is sqrt(D² - w²) wide.

    Raises:
        DataError: a way that isn't known, a diameter that a way needs isn't there, a land as wide as the hole, sd below
        zero.
    """
    kinds = [_way(name) for name in ways]
    n = len(kinds)
    half = np.array([k.half for k in kinds], dtype=float)
    pins = np.array([k.on_pins for k in kinds], dtype=bool)
    holes = np.array([[k.between != EDGES, k.between == HOLES] for k in kinds], dtype=bool).reshape(n, 2)
    read, sd_gauge, flat, askew, warm = np.broadcast_arrays(
        *(np.asarray(a, dtype=np.float64) for a in (reading, gauge_sd, land, tilt_deg, temperature_c))
    )
    size, around, sd_size = (np.asarray(a, dtype=np.float64) for a in (diameter, hole, diameter_sd))
    shape = np.broadcast_shapes(read.shape, (n,))
    size, around, sd_size = (
        np.broadcast_to(a, np.broadcast_shapes(a.shape, (*shape, 2))) for a in (size, around, sd_size)
    )
    # an edge may stand first: the one diameter there is belongs to the hole
    need = holes & (half != 0)[:, None]
    one_sided = ~holes[:, 1] & holes[:, 0]
    swapped = np.isnan(size[..., 0]) & ~np.isnan(size[..., 1]) & one_sided
    need = np.where(swapped[..., None], need[:, ::-1], need)
    if (lacking := need & np.isnan(size) & ~np.isnan(np.broadcast_to(read, shape))[..., None]).any():
        k = int(np.argwhere(lacking)[0][-2])
        raise DataError(
            f"distance {k} is measured {kinds[k].name!r} and needs the diameter of the {'pin' if pins[k] else 'hole'}"
        )
    if (np.minimum(np.nan_to_num(sd_gauge), 0).any()) or np.minimum(np.nan_to_num(sd_size), 0).any():
        raise DataError("a standard deviation is below zero")
    width = np.where(pins[:, None], 0.0, np.broadcast_to(flat, shape)[..., None])
    if (need & (width >= np.where(np.isnan(size), np.inf, size))).any():
        raise DataError("the jaws' land is as wide as the hole; give its width in the unit of the diameters")
    wide = np.where(need, np.nan_to_num(size), 1.0)  # and no square of it: a size may be typed with any exponent
    touched = np.where(need, np.sqrt(np.maximum(wide - width, 0.0)) * np.sqrt(wide + width), 0.0)
    slope = np.where(need, half[:, None] / 2 * np.nan_to_num(size) / np.where(touched > 0, touched, 1.0), 0.0)
    centre = read + (half[:, None] / 2 * touched).sum(axis=-1)
    play = np.where(need & pins[:, None], around - size, 0.0)
    askew_sd = np.abs(read) * (1 - np.cos(np.radians(askew))) / math.sqrt(3)
    warm_sd = np.abs(centre) * abs(part_per_c - gauge_per_c) * temperature_sd
    own = np.sqrt(sd_gauge**2 + (np.maximum(play, 0) ** 2).sum(axis=-1) / 12 + askew_sd**2 + warm_sd**2)
    from_size = np.where(need, slope * sd_size, 0.0)
    distance = size_at_reference(centre, warm, part_per_c, gauge_per_c)
    total = np.sqrt(own**2 + (from_size**2).sum(axis=-1))
    return Centres(distance, total, own, slope, np.where(need, sd_size, 0.0), play)


def _way(name: str) -> Way:
    if name not in WAYS:
        raise DataError(f"{name!r} is no way to measure a distance; ways: {', '.join(WAYS)}")
    return WAYS[name]


def of_repeats(readings: ArrayLike, gauge_sd: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return mean and sd of repeats (..., r), NaN where not taken; ``gauge_sd`` (...) is half of the gauge's U (k = 2).

    Repeats don't make a gauge better than its U (averaging isn't allowed for an error that is the same each time; ASME
    B89.1.14): the sd never falls below ``gauge_sd``, and scatter beyond it comes on top, divided by the number of
    repeats.
    """
    values = np.asarray(readings, dtype=np.float64)
    count = (~np.isnan(values)).sum(axis=-1)
    mean = np.nansum(values, axis=-1) / np.maximum(count, 1)
    spread = np.nansum((values - mean[..., None]) ** 2, axis=-1) / np.maximum(count - 1, 1)
    own = np.asarray(gauge_sd, dtype=np.float64) ** 2
    sd = np.sqrt(own + np.maximum(spread - own, 0.0) / np.maximum(count, 1))
    return np.where(count > 0, mean, np.nan), np.where(count > 0, sd, np.nan)


def shared_covariance(
    centres: Centres, diameters: ArrayLike | None = None, *, gauges: ArrayLike | None = None, zero_sd: ArrayLike = 0.0
) -> FloatArray:
    """Return the covariance (..., n, n) of distances that share a gauge's zero error, pins or holes' diameters.

    ``gauges`` (n,) number of the gauge of each distance and ``zero_sd`` (g,) the sd of its zero error, which is the
    same in all its readings: taken out of ``own_sd``, no further than that reaches. ``diameters`` (n, 2): number of the
    pin or of the hole's diameter used at each end, the same where it is the same pin or the same reading, -1 for none.
    A pin's play is new each time it is put in, so it isn't shared.

    More distances don't make a common error smaller. Where half of a caliper's variance is its zero error and 36 are
    taken as independent, only 88 of 100 coordinates lie inside their 95 % (tests/benchmarks/coverage_distances.py).
    """
    shape, n = centres.distance.shape, centres.distance.shape[-1]
    mixed = np.zeros((*shape, 0))
    if diameters is not None:
        items: IntArray = np.asarray(diameters, dtype=np.intp)
        if items.shape != (n, 2):
            raise DataError(f"diameters has shape {items.shape}; ({n}, 2) is needed, a number for each end")
        of_item = items[:, :, None] == np.arange(int(items.max(initial=-1)) + 1)
        mixed = np.einsum("...ne,nek->...nk", centres.by_diameter * centres.diameter_sd, of_item * 1.0)
    if gauges is not None:
        which, zero = np.asarray(gauges, dtype=np.intp), np.atleast_1d(np.asarray(zero_sd, dtype=np.float64))
        common = np.minimum(zero[which], 0.95 * centres.own_sd)
        mixed = np.concatenate([mixed, common[..., None] * np.eye(len(zero))[which]], axis=-1)
    alone = np.maximum(centres.sd**2 - (mixed**2).sum(axis=-1), 0.0)
    return mixed @ np.swapaxes(mixed, -1, -2) + alone[..., None] * np.eye(n)


def cosine_error(length: ArrayLike, angle_deg: ArrayLike) -> FloatArray:
    """Return by how much a length read askew by an angle differs, L (1 - cos); the unit of the length."""
    return np.asarray(length, dtype=np.float64) * (1 - np.cos(np.radians(np.asarray(angle_deg, dtype=np.float64))))


# ----------------------------------------------------------------------------------------------------------------------
# What coordinates with a covariance mean for a tolerance: chances with an ellipse in place of a circle, and draws.
#
# The covariance goes on whole: distances make places that depend on one another, so a hole's own uncertainty says too
# much about the distance of two, and in a free network the difference is all there is to say.

DRAWS, SEED = 400, 20240229
_BLOCK = 1 << 13  #: positions worked at once, so that quadrature never needs much memory
_THIN = 1e-7  #: an ellipse is at least this part of the circle wide, so that it is one


@dataclass(frozen=True, slots=True)
class Spread:
    """What draws say of a margin: ``chance`` (...) that it isn't below zero, ``mean`` and ``u`` (...), U at k = 2."""

    chance: FloatArray
    mean: FloatArray
    u: FloatArray


def position_conformance(offset: ArrayLike, covariance: ArrayLike, diameter: ArrayLike) -> FloatArray:
    """Return the chance (..., p) that each true position lies in its zone, knowing only what was measured (flat prior).

    ``offset`` (..., p, 2) from the basic coordinates, ``covariance`` (..., 2p, 2p) of the coordinates, ``diameter``
    (..., p) of the zone, bonus included. The normal about what was measured is integrated over the circle, exact along
    the ellipse's short axis, by quadrature along the other. NaN where something is. Source: JCGM 106:2012, clause 7, in
    two dimensions.
    """
    off, whole, zone = (np.asarray(a, dtype=np.float64) for a in (offset, covariance, diameter))
    p = off.shape[-2]
    if whole.shape[-2:] != (2 * p, 2 * p):
        raise DataError(f"covariance has shape {whole.shape}; (..., {2 * p}, {2 * p}) is needed for {p} positions")
    lead = np.broadcast_shapes(off.shape[:-1], (*whole.shape[:-2], p), zone.shape)
    own = np.moveaxis(np.diagonal(whole.reshape(*whole.shape[:-2], p, 2, p, 2), axis1=-4, axis2=-2), -1, -3)
    flat = np.broadcast_to(off, (*lead, 2)).reshape(-1, 2)
    blocks = np.broadcast_to(own, (*lead, 2, 2)).reshape(-1, 2, 2)
    radius = np.broadcast_to(zone / 2, lead).reshape(-1)
    known = np.isfinite(flat).all(axis=1) & np.isfinite(blocks).all(axis=(1, 2)) & np.isfinite(radius)
    chance = np.full(len(flat), np.nan)
    rows = np.flatnonzero(known)
    for k in range(0, len(rows), _BLOCK):
        some = rows[k : k + _BLOCK]
        circle = np.where(radius[some] > 0, radius[some], 1.0)
        least = (_THIN * np.maximum(circle, np.hypot(*flat[some].T))) ** 2
        share = share_in_circle(flat[some], blocks[some] + least[:, None, None] * np.eye(2), circle)
        chance[some] = np.where(radius[some] > 0, share, 0.0)
    return chance.reshape(lead)


def draws(xy: ArrayLike, covariance: ArrayLike, count: int = DRAWS, seed: int = SEED) -> FloatArray:
    """Return coordinates (..., count, p, 2) that may be true ones, about ``xy`` (..., p, 2).

    ``covariance`` (..., 2p, 2p). The same each time, in pairs on both sides of ``xy``, the same for every part; NaN for
    parts of which something is.
    """
    at, whole = np.asarray(xy, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    known = np.isfinite(whole).all(axis=(-2, -1), keepdims=True)
    size, ways = np.linalg.eigh(np.where(known, whole, 0.0))
    root = ways * np.sqrt(np.maximum(size, 0.0))[..., None, :]
    half = np.random.default_rng(seed).standard_normal(((count + 1) // 2, whole.shape[-1]))
    drawn = np.concatenate([half, -half])[:count]
    off = np.where(known, drawn @ np.swapaxes(root, -1, -2), np.nan)
    return at[..., None, :, :] + off.reshape(*off.shape[:-1], *at.shape[-2:])


def margin_spread(
    xy: ArrayLike, covariance: ArrayLike, margin: Callable[[FloatArray], ArrayLike], count: int = DRAWS,
    seed: int = SEED,
) -> Spread:  # fmt: skip
    """Return what is known of a margin that depends on all places together: pins that must enter, hole to hole.

    ``margin`` takes coordinates (B, p, 2) and gives margins (B,), at least zero where it is good. ``xy`` (..., p, 2),
    ``covariance`` (..., 2p, 2p). A chance from draws is known to about 0.5 / sqrt(count).
    """
    made = draws(xy, covariance, count, seed)
    found = np.asarray(margin(made.reshape(-1, *made.shape[-2:])), dtype=np.float64).reshape(made.shape[:-2])
    unknown = np.isnan(found).any(axis=-1)
    chance = np.where(unknown, np.nan, (found >= 0).mean(axis=-1))
    return Spread(chance, found.mean(axis=-1), 2.0 * found.std(axis=-1, ddof=1))


def difference_covariance(covariance: ArrayLike, first: ArrayLike, second: ArrayLike) -> FloatArray:
    """Return the covariance (..., k, 2, 2) of the ways from points ``first`` (k,) to ``second`` (k,)."""
    whole = np.asarray(covariance, dtype=np.float64)
    i, j = (np.asarray(a, dtype=np.intp)[:, None] * 2 + np.arange(2) for a in (first, second))
    each = np.concatenate([i, j], axis=1)
    both = whole[..., each[:, :, None], each[:, None, :]]
    return np.asarray(both[..., :2, :2] + both[..., 2:, 2:] - both[..., :2, 2:] - both[..., 2:, :2])


# ----------------------------------------------------------------------------------------------------------------------
# Which distances to take, before anything is measured, and what uncertainty of position they will give.
#
# The covariance of the coordinates follows from where the points are, which distances are taken and how well, not from
# what is read; so sets of distances are compared beforehand. From all that are possible the one is left out that is
# missed least, again and again; then distances are exchanged as long as that helps. No published example of such a
# choice was found; the tests hold it against all sets of small networks.

FLOOR = 0.2  #: redundancy number below which a distance counts as hardly checked by the others
SHARE = 0.25  #: largest U of a position, as a part of its tolerance, with which it can be judged
_LACK = 5.0  #: how much a set loses in comparison when a distance in it isn't checked at all
_REST = 0.02  #: weight of the other points beside the worst, so that sets that are equal at the worst are told apart
_TINY = 1e-9
_KICKS, _EFFORT, _SEED = 40, 6000, 20240229  #: sets near by that are tried, fewer of large ones; the same each time


@dataclass(frozen=True, slots=True)
class Choice:
    """Distances to take.

    ``distances``: their numbers in the network given, ascending. ``position_u`` (p,) U (k = 2) of each point's position
    as a diameter, in its worst direction; without a datum, against the others. ``redundancy`` of each distance taken.
    ``unchecked``: numbers of distances whose redundancy is below the floor. ``reached``: the target is met at every
    point.
    """

    distances: tuple[int, ...]
    position_u: FloatArray
    redundancy: FloatArray
    unchecked: tuple[int, ...]
    reached: bool


@dataclass(frozen=True, slots=True)
class Lacking:
    """``unplaced``: points that the distances don't place. ``add``: as few further ones as would place them, the most
    useful first; empty where none can."""

    unplaced: tuple[int, ...]
    add: tuple[int, ...]


def pairs(points: int, edges: int = 0) -> IntArray:
    """Return the ends (n, 2) of every distance between points, and from each point to each edge."""
    first, second = np.triu_indices(points, 1)
    to_edge = np.stack(np.meshgrid(np.arange(points), points + np.arange(edges), indexing="ij"), axis=-1).reshape(-1, 2)
    return np.concatenate([np.stack([first, second], axis=1), to_edge]).astype(np.intp)


def position_u(covariance: ArrayLike) -> FloatArray:
    """Return U (k = 2) of each position as a diameter (..., p), in its worst direction; covariance (..., 2p, 2p).

    A position is twice the distance from where it should be, so U is four times the longest half axis of the ellipse of
    one standard deviation.
    """
    whole = np.asarray(covariance, dtype=np.float64)
    own = np.diagonal(whole, axis1=-2, axis2=-1)
    beside = np.diagonal(whole, 1, axis1=-2, axis2=-1)
    return _u(np.stack([own[..., 0::2], own[..., 1::2], beside[..., 0::2]], axis=-1))


def expected_u(
    network: Network, sd: ArrayLike, taken: ArrayLike | None = None, *, covariance: ArrayLike | None = None
) -> FloatArray:
    """Return U of each position (p,) that distances of the network will give, infinite where they don't place it.

    ``sd`` (n,) one standard deviation each; ``taken``: numbers of the distances, all without it. ``covariance`` (n, n)
    takes the place of ``sd`` where distances share errors.
    """
    table = _Table.of(network, sd)
    seen = np.ones(len(network.ends), dtype=bool)
    if taken is not None:
        seen = np.isin(np.arange(len(seen)), np.asarray(taken, dtype=np.intp))
    placed = placed_points(network, network.values()[None], seen[None])[0]
    reached = np.concatenate([placed, np.ones(len(network.edges), dtype=bool)])
    used = seen & reached[network.ends].all(axis=1)
    if covariance is None:
        return np.where(placed, _u(table.blocks(table.inverse(used))), np.inf)
    root = np.linalg.cholesky(np.asarray(covariance, dtype=np.float64)[np.ix_(used, used)])
    rows = np.linalg.solve(root, geometry(network, network.values()[None])[0][used])
    return np.where(placed, _u(table.blocks(np.linalg.pinv(rows.T @ rows, rcond=1e-11, hermitian=True))), np.inf)


def choose(
    network: Network, sd: ArrayLike, count: int | None = None, *, target: ArrayLike | None = None, floor: float = FLOOR
) -> Choice:
    """Return which of the network's distances to take, so that the worst U of position is smallest and each is checked.

    ``network``: its distances are those that are possible (`pairs`); edges, fixed points as they will be. ``sd`` (n,)
    one standard deviation of each as it would be measured. ``count``: so many distances; or ``target`` (p,) or one
    number: as few as bring every point's U to it, none better than all of them. ``floor``: redundancy that every
    distance taken should have.

    Raises:
        DataError: neither or both of count and target; fewer than place the points; points that no distances place.
    """
    if (count is None) == (target is None):
        raise DataError("give either how many distances to take or the U to reach")
    table = _Table.of(network, sd)
    n = len(network.ends)
    if not (placed := placed_points(network, network.values()[None], np.ones((1, n), dtype=bool))[0]).all():
        raise DataError(f"no choice of these distances places point {np.flatnonzero(~placed)[0]}")
    least = table.rank
    goal = np.broadcast_to(np.asarray(np.inf if target is None else target, dtype=np.float64), placed.shape)
    if not (goal > 0).all():
        raise DataError("the U to reach must be above zero at every point")
    weight = np.where(np.isfinite(goal), goal, 1.0)
    # a distance that even all together check less can't be asked for more
    everything = _Search(table, 1.0 / weight, np.zeros(n)).state(np.ones(n, dtype=bool))
    search = _Search(table, 1.0 / weight, np.minimum(floor, 1.0 - everything.own))
    if count is not None:
        if count < least:
            raise DataError(f"{count} distances don't place {len(network.points)} points; {least} do")
        return search.choice(search.improved(search.thinned(min(count, n))), goal, floor)
    taken = search.thinned(least, to_goal=True)
    while taken.sum() > least:  # where exchanging makes room, one less may do
        fewer = search.exchanged(search.without(taken))
        if not search.enough(fewer) and not search.enough(fewer := search.improved(fewer)):
            break
        taken = fewer
    return search.choice(search.improved(taken), goal, floor)


def lacking(network: Network, seen: ArrayLike) -> Lacking:
    """Return which points the distances that were taken don't place, and which further ones of the network would do.

    ``seen`` (n,) true where a distance was taken; the others are those that could be.
    """
    have = np.asarray(seen, dtype=bool).copy()
    at = network.values()[None]
    unplaced = tuple(np.flatnonzero(~placed_points(network, at, have[None])[0]).tolist())
    rows = _Table.of(network, np.ones(len(network.ends))).rows
    add: list[int] = []
    while unplaced:
        size, ways = np.linalg.svd(np.vstack([rows[have], 0 * rows[:1]]))[1:]
        loose = ways[int((size > FLAT).sum()) :]
        # what sees most of the motions that are still loose
        gain = np.where(have, 0.0, ((rows @ loose.T) ** 2).sum(axis=1))
        best = int(np.argmax(gain))
        if gain[best] < LOOSE**2:
            break
        have[best] = True
        add.append(best)
    placed = placed_points(network, at, have[None])[0]
    return Lacking(unplaced, tuple(add) if placed.all() else ())


def gauge_factor(expected: ArrayLike, tolerance: ArrayLike, share: float = SHARE) -> float:
    """Return what to multiply every sd with so that each position's U is at most ``share`` of its tolerance.

    Below 1: the gauges must be so much better. ``expected`` and ``tolerance`` (p,) as diameters.
    """
    return float(np.min(share * np.asarray(tolerance, float) / np.asarray(expected, float)))


def _squares(way: FloatArray) -> FloatArray:
    """Return xx, yy, xy (..., 3) of vectors (..., 2)."""
    return np.stack([way[..., 0] ** 2, way[..., 1] ** 2, way[..., 0] * way[..., 1]], axis=-1)


def _u(blocks: FloatArray) -> FloatArray:
    """Return U of position from xx, yy, xy (..., 3): four times the root of the larger eigenvalue."""
    xx, yy, xy = blocks[..., 0], blocks[..., 1], blocks[..., 2]
    return np.asarray(4.0 * np.sqrt(np.maximum((xx + yy) / 2 + np.hypot((xx - yy) / 2, xy), 0.0)))


@dataclass(frozen=True)
class _Table:
    """Distances at sd 1 (n, m) by the numbers sought, what rank they can have, which number is which."""

    rows: FloatArray
    rank: int
    columns: IntArray
    points: int

    @classmethod
    def of(cls, network: Network, sd: ArrayLike) -> _Table:
        spread = np.asarray(sd, dtype=np.float64)
        if spread.shape != (len(network.ends),) or not (spread > 0).all():
            raise DataError(f"sd has shape {spread.shape}; ({len(network.ends)},) numbers above zero are needed")
        at = network.values()[None]
        rows = geometry(network, at)[0]
        _, left = free_motions(network, at, rows[None])
        columns = np.flatnonzero(network.free)
        return cls(rows / spread[:, None], len(columns) - int(left[0]), columns, len(network.points))

    def inverse(self, taken: BoolArray) -> FloatArray:
        """Return the covariance of the numbers sought (m, m); without a datum, against the others."""
        rows = self.rows[taken]
        return np.asarray(np.linalg.pinv(rows.T @ rows, rcond=1e-11, hermitian=True), dtype=np.float64)

    def by_points(self, rows: FloatArray) -> FloatArray:
        """Return rows (k, m) by the numbers sought as rows by points (k, p, 2), 0 at what is given."""
        whole = np.zeros((len(rows), 2 * self.points))
        mine = self.columns < 2 * self.points
        whole[:, self.columns[mine]] = rows[:, mine]
        return whole.reshape(len(rows), self.points, 2)

    def blocks(self, covariance: FloatArray) -> FloatArray:
        """Return xx, yy, xy of each point (p, 3)."""
        half = self.by_points(covariance)  # (m, p, 2)
        whole = self.by_points(half.reshape(len(covariance), -1).T).reshape(self.points, 2, self.points, 2)
        own = np.einsum("iaib->iab", whole)
        return np.stack([own[:, 0, 0], own[:, 1, 1], own[:, 0, 1]], axis=1)


@dataclass(frozen=True)
class _State:
    """A set of ``count`` distances: ``order`` (n,) has them first. ``blocks`` (p, 3) xx, yy, xy of the points,
    ``side`` (n, p, 2) A Q by points, ``both`` (n, count) A Q A', ``own`` (n,) its diagonal."""

    count: int
    order: IntArray
    blocks: FloatArray
    side: FloatArray
    both: FloatArray
    own: FloatArray

    @property
    def redundancy(self) -> FloatArray:
        """Redundancy numbers of the set's distances (count,)."""
        return 1.0 - self.own[: self.count]


@dataclass(frozen=True)
class _Search:
    """Sets compared: by the worst U of position over the goal, more where one is checked less than ``floor``."""

    table: _Table
    per: FloatArray
    floor: FloatArray

    def cost(self, blocks: FloatArray, redundancy: FloatArray, which: IntArray) -> FloatArray:
        """Return what sets cost (...): xx, yy, xy (..., p, 3) of the points, redundancy (..., k) of distances (k,)."""
        u = _u(blocks) * self.per
        floor = self.floor[which]
        lack = (np.maximum(floor - redundancy, 0.0) / np.maximum(floor, _TINY)).max(axis=-1)
        return np.asarray((u.max(axis=-1) + _REST * u.mean(axis=-1)) * (1 + _LACK * lack))

    def state(self, taken: BoolArray) -> _State:
        """Return what the distances of a set, and after them the others, do to the points."""
        table = self.table
        q = table.inverse(taken)
        order = np.concatenate([np.flatnonzero(taken), np.flatnonzero(~taken)])
        rows = table.rows[order]
        seen = rows @ q
        return _State(
            int(taken.sum()), order, table.blocks(q), table.by_points(seen), seen @ rows[: taken.sum()].T,
            np.einsum("ij,ij->i", seen, rows),
        )  # fmt: skip

    def leaving(self, which: IntArray, blocks: FloatArray, side: FloatArray, both: FloatArray) -> FloatArray:
        """Return what a set costs (k,) without each of its k distances; infinite where points would lose their place.

        ``which`` (k,) are their numbers, ``blocks`` (p, 3) xx, yy, xy of the points, ``side`` (k, p, 2) and ``both``
        (k, k): A Q by points, and A Q A'.
        """
        redundancy = 1.0 - np.diag(both)
        rest = np.maximum(redundancy, _TINY)
        less = redundancy - both**2 / rest[:, None]
        np.fill_diagonal(less, np.inf)
        cost = self.cost(blocks + _squares(side) / rest[:, None, None], less, which)
        return np.where(redundancy > 1e-6, cost, np.inf)

    def without(self, taken: BoolArray, many: int = 1) -> BoolArray:
        """Return the set without the distance, or so many, that are missed least; the same set where none can go."""
        s = self.state(taken)
        cost = self.leaving(s.order[: s.count], s.blocks, s.side[: s.count], s.both[: s.count])
        if not np.isfinite(cost).any():
            return taken
        fewer = taken.copy()
        fewer[s.order[np.argsort(cost, kind="stable")[:many]]] = False
        return fewer

    def thinned(self, count: int, to_goal: bool = False) -> BoolArray:
        """Return a set of ``count`` left of all, or the last one before the goal is missed."""
        taken = np.ones(len(self.table.rows), dtype=bool)
        while taken.sum() > count:
            # far from the end, where hardly one is missed, several at a time
            many = max(1, min(int(taken.sum()) // 10, int(taken.sum()) - max(count, 100)))
            fewer = self.without(taken, many)
            if many > 1 and (np.linalg.matrix_rank(self.table.rows[fewer]) < self.table.rank or not self.enough(fewer)):
                fewer = self.without(taken)
            if fewer is taken or (to_goal and not self.enough(fewer)):
                break
            taken = fewer
        return taken

    def enough(self, taken: BoolArray) -> bool:
        """Say whether every point's U is at most its goal and every distance checked."""
        s = self.state(taken)
        checked = s.redundancy >= self.floor[s.order[: s.count]] - _TINY
        return bool((_u(s.blocks) * self.per <= 1 + _TINY).all() and checked.all())

    def value(self, taken: BoolArray) -> float:
        s = self.state(taken)
        return float(self.cost(s.blocks, s.redundancy, s.order[: s.count]))

    def improved(self, taken: BoolArray) -> BoolArray:
        """Return the set with distances exchanged one for one as long as that helps, and again from sets near by."""
        rng = np.random.default_rng(_SEED)
        best = self.exchanged(taken)
        cost, others = self.value(best), int((~best).sum())
        for _ in range(min(_KICKS, int(_EFFORT // (1 + others * best.sum())))):
            near = best.copy()
            some = min(3, others, int(best.sum()))
            near[rng.choice(np.flatnonzero(best), some, replace=False)] = False
            near[rng.choice(np.flatnonzero(~best), some, replace=False)] = True
            if np.linalg.matrix_rank(self.table.rows[near]) < self.table.rank:
                continue
            near = self.exchanged(near)
            if (found := self.value(near)) < cost * (1 - _TINY):
                best, cost = near, found
        return best

    def exchanged(self, taken: BoolArray, rounds: int = 30) -> BoolArray:
        """Return the set with distances exchanged one for one, as long as an exchange helps."""
        best = self.value(taken)
        for _ in range(rounds):
            before = best
            s = self.state(taken)
            for new in np.flatnonzero(~taken):
                k, at = s.count, int(np.flatnonzero(s.order == new)[0])
                seen = np.append(s.both[at], s.own[at])
                by = 1.0 / (1.0 + s.own[at])
                side = np.concatenate([s.side[:k], s.side[at : at + 1]]) - by * seen[:, None, None] * s.side[at]
                both = np.block([[s.both[:k], s.both[at][:, None]], [seen]]) - by * np.outer(seen, seen)
                cost = self.leaving(np.append(s.order[:k], new), s.blocks - by * _squares(s.side[at]), side, both)[:k]
                if cost.min() < best * (1 - _TINY):
                    best, taken = float(cost.min()), taken.copy()
                    taken[new], taken[s.order[int(cost.argmin())]] = True, False
                    s = self.state(taken)
            if best == before:
                break
        return taken

    def choice(self, taken: BoolArray, goal: FloatArray, floor: float) -> Choice:
        which = np.flatnonzero(taken)
        s = self.state(taken)
        u, redundancy = _u(s.blocks), np.clip(s.redundancy, 0.0, 1.0)
        low = tuple(which[redundancy < floor - _TINY].tolist())
        return Choice(tuple(which.tolist()), u, redundancy, low, bool((u <= goal * (1 + _TINY)).all()))
