"""Least-squares adjustment of measured distances: coordinates of points with their covariance, parts as batches.

Gauss-Newton on the distances as surveyors adjust a network, damped where a step would make things worse. Where nothing
says where the figure lies, it is laid as close to the start as it can be (inner constraints): that gives its shape, not
its place. Sources: the method of least squares with its redundancy numbers and standardised residuals (Baarda 1968);
free networks by inner constraints (Meissl 1962; Krumm 2020, Geodetic Network Adjustment Examples).
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincc, ndtr, ndtri, stdtr, stdtrit

from holeqc.problems import DataError
from holeqc.quantities import BoolArray, FloatArray, IntArray

STEPS, STEPS_ALIKE = 200, 8  #: of the damped iteration; a sound network from basic coordinates needs three to five
BLOCK = 1000  #: parts worked at once, so that what is in hand stays in the processor's cache
CLOSE = 1e-11  #: a step smaller than this part of the network's size has arrived
FLAT = 1e-6  #: a motion that changes no distance by more than this part of itself isn't seen by the distances
BEND = 0.1  #: bend of a distance, in its sd, from which it counts as loose: coverage holds to twice that (simulation)
LOOSE = 1e-4  #: a point that a free motion moves by less than this part of itself stands still in it
UNCHECKED = 1e-6  #: a redundancy number below this is zero but for rounding
PARALLEL = 0.5  #: edges whose directions differ by a sine below this have a distance, others an angle


@dataclass(frozen=True)
class Network:
    """What is measured from where: points, edges, and the two ends of each distance.

    ``points`` (p, 2) basic coordinates, or approximate ones. ``ends`` (n, 2) numbers of both ends: 0 to p - 1 are
    points, p to p + e - 1 edges. Two points have a distance; a point and an edge the distance along the edge's normal;
    two edges that are about parallel their distance, other two edges the angle between their normals [rad].
    ``edges`` (e, 2): direction of the edge's normal [rad, from x towards y] and its offset, so that
    cos(a) x + sin(a) y - offset is a point's distance. ``fixed`` (p,) or (p, 2) and ``edges_fixed`` (e,) or (e, 2):
    true where a number is given and not sought; edges are given unless told otherwise.

    Raises:
        DataError: shapes that don't belong together, an end that doesn't exist, both ends the same.
    """

    points: FloatArray
    ends: IntArray
    edges: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    fixed: ArrayLike | None = None
    edges_fixed: ArrayLike | None = None

    def __post_init__(self) -> None:
        points, edges = _numbers("points", self.points, (None, 2)), _numbers("edges", self.edges, (None, 2))
        ends = np.asarray(self.ends)
        if ends.ndim != 2 or ends.shape[1] != 2 or not (ends == np.round(ends)).all():
            raise DataError(f"ends has shape {ends.shape}; (n, 2) whole numbers are needed, two ends a distance")
        ends = ends.astype(np.intp)
        count = len(points) + len(edges)
        if ends.size and (ends.min() < 0 or ends.max() >= count):
            raise DataError(f"ends name points 0 to {count - 1}; found {ends.min()} to {ends.max()}")
        if (same := np.flatnonzero(ends[:, 0] == ends[:, 1])).size:
            raise DataError(f"distance {same[0]} has the same end twice: {ends[same[0], 0]}")
        fixed, known = _mask("fixed", self.fixed, points, False), _mask("edges_fixed", self.edges_fixed, edges, True)
        checked = {"points": points, "ends": ends, "edges": edges, "fixed": fixed, "edges_fixed": known}
        for name, value in checked.items():
            object.__setattr__(self, name, value)

    @cached_property
    def free(self) -> BoolArray:
        """True for each number that is sought: x, y of each point, then direction and offset of each edge (m,)."""
        return ~np.concatenate([np.ravel(mask) for mask in (self.fixed, self.edges_fixed) if mask is not None])

    @cached_property
    def size(self) -> float:
        """Root mean square distance of the points from their middle; 1 where that says nothing."""
        spread = float(np.sqrt(np.mean(np.sum((self.points - self.points.mean(axis=0)) ** 2, axis=1))))
        return spread or float(np.abs(self.points).max()) or 1.0

    @cached_property
    def kinds(self) -> tuple[IntArray, IntArray, IntArray, IntArray]:
        """Numbers of the distances between points, from a point to an edge, between edges, and of angles of edges."""
        p = len(self.points)
        of_edges = (self.ends >= p).sum(axis=1)
        both = np.flatnonzero(of_edges == 2)
        a, b = (self.edges[self.ends[both, k] - p, 0] for k in (0, 1))
        slope = np.abs(np.sin(a - b)) >= PARALLEL
        return np.flatnonzero(of_edges == 0), np.flatnonzero(of_edges == 1), both[~slope], both[slope]

    def values(self) -> FloatArray:
        """Return the start as one row (2p + 2e,)."""
        return np.concatenate([self.points.ravel(), self.edges.ravel()])

    def measured(self, at: FloatArray) -> FloatArray:
        """Return what would be measured at ``at`` (..., 2p + 2e), shape (..., n)."""
        return self.design(at)[0]

    def design(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what would be measured at ``at`` (..., 2p + 2e), and its slopes by the numbers sought (..., n, m)."""
        value, slopes = self._signed(at)
        if (self._sides > 0).all():
            return value, slopes
        return value * self._sides, slopes * self._sides[:, None]

    @cached_property
    def _sides(self) -> FloatArray:
        """+1 or -1: on which side of an edge the other end lies, by the start; a distance is positive on both."""
        return np.where(self._signed(self.values())[0] < 0, -1.0, 1.0)

    def _signed(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        p, n = len(self.points), len(self.ends)
        xy, lines = at[..., : 2 * p].reshape(*at.shape[:-1], p, 2), at[..., 2 * p :]
        value = np.zeros((*at.shape[:-1], n))
        slopes = np.zeros((*value.shape, int(self.free.sum())))
        place = np.cumsum(self.free) - 1

        def put(rows: IntArray, columns: IntArray, by: FloatArray) -> None:
            sought = self.free[columns]
            slopes[..., rows[sought], place[columns[sought]]] = by[..., sought]

        between, to_edge, parallel, angles = self.kinds
        if between.size:
            i, j = self.ends[between].T
            apart = xy[..., i, :] - xy[..., j, :]
            long = np.hypot(apart[..., 0], apart[..., 1])
            value[..., between] = long
            way = apart / np.where(long > 0, long, 1.0)[..., None]
            for axis in (0, 1):
                put(between, 2 * i + axis, way[..., axis])
                put(between, 2 * j + axis, -way[..., axis])
        if to_edge.size:
            i, edge = self.ends[to_edge].min(axis=1), self.ends[to_edge].max(axis=1) - p
            c, s, offset = np.cos(lines[..., 2 * edge]), np.sin(lines[..., 2 * edge]), lines[..., 2 * edge + 1]
            x, y = xy[..., i, 0], xy[..., i, 1]
            value[..., to_edge] = c * x + s * y - offset
            put(to_edge, 2 * i, c)
            put(to_edge, 2 * i + 1, s)
            put(to_edge, 2 * p + 2 * edge, c * y - s * x)
            put(to_edge, 2 * p + 2 * edge + 1, -np.ones_like(c))
        if parallel.size:
            a, b = (self.ends[parallel] - p).T
            way = np.sign(np.cos(self.edges[a, 0] - self.edges[b, 0]))
            value[..., parallel] = way * lines[..., 2 * b + 1] - lines[..., 2 * a + 1]
            put(parallel, 2 * p + 2 * b + 1, way)
            put(parallel, 2 * p + 2 * a + 1, -np.ones(len(a)))
        if angles.size:
            a, b = (self.ends[angles] - p).T
            value[..., angles] = lines[..., 2 * b] - lines[..., 2 * a]
            put(angles, 2 * p + 2 * b, np.ones(len(a)))
            put(angles, 2 * p + 2 * a, -np.ones(len(a)))
        return value, slopes

    def motions(self, at: FloatArray) -> FloatArray:
        """Return how shifts along x and y and a turn by one radius move each number sought (..., m, 3)."""
        p = len(self.points)
        x, y = at[..., 0 : 2 * p : 2], at[..., 1 : 2 * p : 2]
        moves = np.zeros((*at.shape, 3))
        moves[..., 0 : 2 * p : 2, 0] = moves[..., 1 : 2 * p : 2, 1] = 1.0
        middle = self.points.mean(axis=0)
        moves[..., 0 : 2 * p : 2, 2] = -(y - middle[1]) / self.size
        moves[..., 1 : 2 * p : 2, 2] = (x - middle[0]) / self.size
        direction = at[..., 2 * p :: 2]
        c, s = np.cos(direction), np.sin(direction)
        moves[..., 2 * p + 1 :: 2, 0], moves[..., 2 * p + 1 :: 2, 1] = c, s
        moves[..., 2 * p :: 2, 2] = 1 / self.size
        moves[..., 2 * p + 1 :: 2, 2] = (s * middle[0] - c * middle[1]) / self.size
        return moves


@dataclass(frozen=True)
class Adjustment:
    """Adjusted network; leading axes (...) are parts, where there are any.

    ``xy`` (..., p, 2) coordinates; NaN where ``placed`` (..., p) is false, because the distances don't place the point.
    ``covariance`` (..., 2p, 2p): x and y of each point in turn, by the stated sd; 0 for given coordinates, NaN where
    not placed. ``residuals`` (..., n): adjusted minus observed. ``redundancy`` (..., n): how much of an error in the
    distance shows in its residual, 0 (nothing checks it) to 1; their sum is ``degrees_of_freedom`` (...).
    ``standardised`` (..., n): residual by its own sd; NaN where nothing checks it. ``s0`` (...): root of the variance
    factor a posteriori, NaN without redundancy; times the sd of a coordinate it is that sd a posteriori. ``statistic``
    (...): sum of squared weighted residuals. ``global_p`` (...): chance of one as large by the stated sd.
    ``free_motions`` (...): 0 where edges or given points say where the figure lies, else the number of motions (shift,
    shift, turn) left free: then only the shape counts. ``edges`` (..., e, 2) direction [rad] and offset;
    ``whole_covariance`` (..., 2p + 2e, 2p + 2e) has theirs too. ``converged`` (...). ``distance`` and ``sd`` (..., n)
    as given.
    ``sd_known``: the sd are known, else only their ratios.
    """

    network: Network
    xy: FloatArray
    whole_covariance: FloatArray
    s0: FloatArray
    residuals: FloatArray
    redundancy: FloatArray
    standardised: FloatArray
    degrees_of_freedom: IntArray
    statistic: FloatArray
    global_p: FloatArray
    placed: BoolArray
    free_motions: IntArray
    edges: FloatArray
    converged: BoolArray
    distance: FloatArray
    sd: FloatArray
    observed_covariance: FloatArray | None
    sd_known: bool = True

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the coordinates (..., 2p, 2p)."""
        return self.whole_covariance[..., : 2 * len(self.network.points), : 2 * len(self.network.points)]

    @property
    def sd_xy(self) -> FloatArray:
        """Standard deviation of each coordinate (..., p, 2), by the stated sd."""
        return np.sqrt(np.diagonal(self.covariance, axis1=-2, axis2=-1)).reshape(self.xy.shape)


def adjust(
    ends: ArrayLike, distance: ArrayLike, sd: ArrayLike, start: ArrayLike, fixed: ArrayLike | None = None,
    *, sd_known: bool = True,
) -> Adjustment:  # fmt: skip
    """Return coordinates of points from distances between them, by least squares.

    Any one unit serves all lengths. ``ends`` (n, 2) numbers of the two points of each distance. ``distance`` (..., n);
    leading axes are parts that are adjusted one by one, NaN is a distance that wasn't measured. ``sd`` (n,) or (...,
    n): one standard deviation of each distance. ``start`` (p, 2) or (..., p, 2) approximate coordinates. ``fixed`` (p,)
    or (p, 2): true where the start's coordinate is given. None, or too few to hold the figure: it is laid as close to
    the start as it can be (inner constraints). ``sd_known`` false: only the ratios of the sd are known, which changes
    how outliers are tested and no figure here.

    Raises:
        DataError: shapes that don't belong together; numbers that aren't finite or not above zero; both ends of a
            measured distance at one start; points that no part's distances place, named by number; an
            iteration that doesn't arrive.

    Source: least squares with constraints, as in Krumm (2020), Geodetic Network Adjustment Examples; see the tests.
    """
    for name, value in (("ends", ends), ("distance", distance), ("sd", sd), ("start", start)):
        if not np.size(value) and (name in ("ends", "start") or np.shape(value)[-1] == 0):
            raise DataError(f"{name} is empty; give the points and at least one distance between them")
    spread, measured = _numbers("sd", sd, (..., None)), _numbers("distance", distance, (..., None))
    if spread.size and np.isnan(spread).all():
        raise DataError("sd has no number, only NaN; give the standard deviation of each distance")
    first = _numbers("start", start, (..., None, 2))
    if np.isnan(first).any():
        raise DataError("start has missing coordinates; give approximate ones for every point")
    if (below := np.flatnonzero((measured < 0).reshape(-1, measured.shape[-1]).any(axis=0))).size:
        raise DataError(f"distance {_listed(below)} is below zero")
    one = Network(first.reshape(-1, *first.shape[-2:])[0], np.asarray(ends), fixed=fixed)
    measured = _numbers("distance", distance, (..., len(one.ends)))
    _refuse_coincident(one, first, measured)
    result = adjusted_from(first, one, distance, sd, None, sd_known)
    placed = result.placed.reshape(-1, result.placed.shape[-1])
    late = ~result.converged.ravel()
    lost = ~placed.all(axis=1) | late
    if lost.any() and (not placed.any(axis=0).all() or late.any()):
        broken = _impossible(one, result.distance.reshape(-1, len(one.ends))[np.flatnonzero(lost)[0]])
        if broken:
            raise DataError(broken)
    if (nowhere := np.flatnonzero(~placed.any(axis=0))).size:
        if np.count_nonzero(placed.any(axis=0)) < 3 and bool(one.free[: 2 * len(one.points)].all()):
            raise DataError(
                f"the distances don't place points {_listed(np.arange(len(one.points)))} to one another: the figure "
                "can bend; measure more of the distances between them, such as a diagonal"
            )
        raise DataError(
            f"the distances don't place point{'s' if nowhere.size > 1 else ''} {_listed(nowhere)}; "
            "measure it from two more points that aren't in one line with it"
        )
    if late.any():
        which = "" if result.converged.size == 1 else f" of part {_listed(np.flatnonzero(late))}"
        worst = np.abs(np.nan_to_num(result.residuals.reshape(-1, len(one.ends))[late.argmax()])).argmax()
        raise DataError(f"the adjustment{which} doesn't arrive; look at distance {worst} and the start of its two ends")
    return result


def adjust_network(
    network: Network, distance: ArrayLike, sd: ArrayLike, *, covariance: ArrayLike | None = None, sd_known: bool = True
) -> Adjustment:
    """Return the adjusted network of one part or many; what can't be placed is NaN there, and nothing is raised for it.

    ``distance`` (..., n) as measured, NaN where it wasn't; angles between edges in rad. ``sd`` (n,) or (..., n) one
    standard deviation each, NaN where it isn't known: such a distance isn't used. ``covariance`` (..., n, n): of the
    distances, where they share errors (one pin, one gauge); it takes the place of ``sd``, whose numbers then only show.
    The network's points are the basic coordinates: a point that they say can't be placed (all its distances in or
    nearly in one line) isn't placed, whatever the readings' scatter makes of it.

    Raises:
        DataError: shapes that don't belong together; numbers that aren't finite or above zero; no sound covariance.
    """
    return _adjusted(network, distance, sd, covariance, None, sd_known)


def adjusted_from(
    start: FloatArray, network: Network, distance: ArrayLike, sd: ArrayLike, covariance: ArrayLike | None,
    sd_known: bool,
) -> Adjustment:  # fmt: skip
    """Return a network of points adjusted from ``start`` (..., p, 2), which nothing is concluded from; nothing raised.

    Without edges it is moved to its middle meanwhile, so that far coordinates of a small network keep their digits.
    """
    middle = network.points.mean(axis=0) * (len(network.edges) == 0)
    near = replace(network, points=network.points - middle)
    found = _adjusted(near, distance, sd, covariance, start - middle, sd_known)
    given = ~network.free[: 2 * len(network.points)].reshape(-1, 2) & ~np.isnan(found.xy)
    return replace(found, network=network, xy=np.where(given, start, found.xy + middle))


def _adjusted(
    network: Network, distance: ArrayLike, sd: ArrayLike, covariance: ArrayLike | None, start: FloatArray | None,
    sd_known: bool,
) -> Adjustment:  # fmt: skip
    n = len(network.ends)
    observed, spread = _numbers("distance", distance, (..., n)), _numbers("sd", sd, (..., n))
    if not (np.nan_to_num(spread, nan=1.0) > 0).all():
        raise DataError(f"sd has a number that isn't above zero: {np.nanmin(spread):g}")
    first = None if start is None else start.shape[:-2]
    try:
        lead = np.broadcast_shapes(observed.shape[:-1], spread.shape[:-1], first or ())
    except ValueError:
        shapes = f"distance has parts {observed.shape[:-1]}, sd {spread.shape[:-1]}, start {first}"
        raise DataError(f"{shapes}; give one number of parts") from None
    parts = int(np.prod(lead, dtype=int))
    flat = np.broadcast_to(observed, (*lead, n)).reshape(parts, n)
    spreads = np.broadcast_to(spread, (*lead, n)).reshape(parts, n)
    flat = np.where(np.isnan(spreads), np.nan, flat)
    mixed = None
    if covariance is not None:
        mixed = np.broadcast_to(_numbers("covariance", covariance, (..., n, n)), (*lead, n, n)).reshape(parts, n, n)
    begin = np.broadcast_to(network.values(), (parts, network.values().size)).copy()
    seen = ~np.isnan(flat)
    if start is None:
        kinds, which = _alike(seen)  # each kind of missing distances is looked at once
        sound = _placed_ends(network, begin[kinds], seen[kinds])
        of_kinds = None if mixed is None else mixed[kinds]
        exact = np.where(seen[kinds], network.measured(begin[kinds]), np.nan)
        planned = _solve(network, exact, spreads[kinds], of_kinds, begin[kinds], sound)
        sound[:, : len(network.points)] &= ~_bending(network, planned, spreads[kinds])
        placed = sound[which]
    else:
        begin[:, : 2 * len(network.points)] = np.broadcast_to(start, (*lead, *start.shape[-2:])).reshape(parts, -1)
        placed = np.ones((parts, len(network.points) + len(network.edges)), dtype=bool)
    blocks = [
        _solve(network, flat[k], spreads[k], None if mixed is None else mixed[k], begin[k], placed[k])
        for k in (slice(at, at + BLOCK) for at in range(0, max(parts, 1), BLOCK))
    ]
    columns = {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}
    columns["placed"] = columns["placed"][:, : len(network.points)]
    shaped = {name: values.reshape((*lead, *values.shape[1:])) for name, values in columns.items()}
    return Adjustment(
        network, **shaped, distance=flat.reshape((*lead, n)), sd=spreads.reshape((*lead, n)),
        observed_covariance=None if mixed is None else mixed.reshape((*lead, n, n)), sd_known=sd_known,
    )  # fmt: skip


@dataclass(frozen=True)
class _Whitening:
    """Brings distances to independent ones of sd 1: by their weights (parts, n), or by a matrix (parts, n, n) too."""

    weight: FloatArray
    matrix: FloatArray | None = None
    covariance: FloatArray | None = None  #: 0 where not measured

    @classmethod
    def of(cls, seen: BoolArray, sd: FloatArray, covariance: FloatArray | None) -> _Whitening:
        if covariance is None:
            return cls(np.where(seen, 1.0 / np.where(seen, sd, 1.0), 0.0))
        both = seen[:, :, None] & seen[:, None, :]
        try:
            root = np.linalg.cholesky(np.where(both, covariance, np.eye(sd.shape[1])))
        except np.linalg.LinAlgError:
            raise DataError("the covariance of the distances is none: it isn't positive definite") from None
        return cls(seen.astype(np.float64), np.asarray(np.linalg.inv(root) * both, dtype=np.float64), covariance * both)

    def rows(self, a: FloatArray) -> FloatArray:
        """Return rows (parts, n, m) brought to sd 1."""
        return a * self.weight[:, :, None] if self.matrix is None else self.matrix @ a

    def back(self, a: FloatArray) -> FloatArray:
        """Return the transposed whitening of rows (parts, n, m)."""
        return a * self.weight[:, :, None] if self.matrix is None else self.matrix.transpose(0, 2, 1) @ a

    def part(self, which: IntArray | BoolArray) -> _Whitening:
        return _Whitening(*(None if a is None else a[which] for a in (self.weight, self.matrix, self.covariance)))  # type: ignore[arg-type]


def _scales(network: Network) -> FloatArray:
    """Return the unit of each number sought: 1, and for directions the angle that moves the network's rim by 1."""
    unit = np.ones(2 * len(network.points) + 2 * len(network.edges))
    unit[2 * len(network.points) :: 2] = 1 / network.size
    return unit[network.free]


def geometry(network: Network, at: FloatArray) -> FloatArray:
    """Return how each distance changes with the numbers sought, directions by the rim's way (parts, n, m)."""
    return network.design(at)[1] * _scales(network)


def _directions(network: Network, at: FloatArray, seen: BoolArray) -> FloatArray:
    """Return the rows of the distances that were measured, each of length 1, by the numbers sought (parts, n, m)."""
    rows = geometry(network, at) * seen[:, :, None]
    long = np.sqrt((rows**2).sum(axis=2, keepdims=True))
    return np.where(long > 1e-9, rows / np.where(long > 0, long, 1.0), 0.0)  # cos(pi / 2) isn't quite 0


def _touched(network: Network, rows: FloatArray) -> BoolArray:
    """Return which numbers sought (parts, m) belong to a point or a part of an edge that some distance touches."""
    p, free = len(network.points), network.free
    touched = np.zeros((len(rows), free.size), dtype=bool)
    slopes = np.abs(rows).max(axis=1, initial=0.0)
    touched[:, free] = slopes > 1e-9 * slopes.max(axis=1, keepdims=True, initial=0.0)
    points = touched[:, : 2 * p].reshape(len(rows), p, 2).any(axis=2)
    touched[:, : 2 * p] = np.repeat(points, 2, axis=1)
    return touched[:, free]


def free_motions(network: Network, at: FloatArray, rows: FloatArray) -> tuple[FloatArray, IntArray]:
    """Return the motions (parts, m, 3) as a whole that no distance sees, 0 where seen, and their number (parts,)."""
    moves = network.motions(at)[:, network.free] / _scales(network)[:, None]
    moves = moves * _touched(network, rows)[:, :, None] / np.sqrt(len(network.points))
    seen = rows @ moves
    size, ways = np.linalg.eigh(seen.transpose(0, 2, 1) @ seen)
    unseen = size < FLAT**2 * np.maximum(1.0, size[:, -1:])
    free = moves @ (ways * unseen[:, None, :])
    # where coordinates are given, two motions may be one and the same for those that are sought
    size, ways = np.linalg.eigh(free.transpose(0, 2, 1) @ free)
    kept = size > 1e-10
    return free @ (ways * kept[:, None, :]), kept.sum(axis=1)


def placed_points(network: Network, at: FloatArray, seen: BoolArray) -> BoolArray:
    """Return which points (parts, p) the distances place: to the datum, or where there is none, to one another."""
    return _placed_ends(network, at, seen)[:, : len(network.points)]


def _placed_ends(network: Network, at: FloatArray, seen: BoolArray) -> BoolArray:
    """Return which points and edges (parts, p + e) are placed."""
    p, free = len(network.points), network.free
    ends = p + len(network.edges)
    rows = _directions(network, at, seen)
    _, left = free_motions(network, at, rows)
    size, ways = np.linalg.eigh(rows.transpose(0, 2, 1) @ rows)
    sway = np.zeros((len(at), free.size, size.shape[1]))
    sway[:, free] = ways * (size < FLAT**2 * np.maximum(1.0, size[:, -1:]))[:, None, :]
    swings = sway.reshape(len(at), ends, 2, size.shape[1])
    placed: BoolArray = np.abs(swings).max(axis=(2, 3), initial=0.0) < LOOSE
    for part in np.flatnonzero((left > 0) & ~placed.all(axis=1)):
        whole = network.motions(at[part]).reshape(ends, 2, 3)
        whole[p:, 0] *= network.size
        body = _largest_body(at[part, : 2 * p].reshape(p, 2), swings[part, :p], whole[:p])
        of_body, of_these = (a[:p][body].reshape(2 * body.sum(), a.shape[2]) for a in (whole, swings[part]))
        bent = swings[part] - whole @ np.linalg.lstsq(of_body, of_these, rcond=None)[0]
        placed[part] = np.append(body, np.abs(bent[p:]).max(axis=(1, 2), initial=0.0) < LOOSE)
    return placed


def _largest_body(xy: FloatArray, swings: FloatArray, whole: FloatArray) -> BoolArray:
    """Return the points (p,) of the largest set that ``swings`` (p, 2, k) only move as ``whole`` (p, 2, 3) does."""
    apart, moved = xy[:, None] - xy[None], swings[:, None] - swings[None]
    long = np.maximum(np.hypot(apart[..., 0], apart[..., 1]), 1e-300)
    holds = (np.abs(np.einsum("ija,ijak->ijk", apart, moved)) < LOOSE * long[..., None]).all(axis=2)
    i, j = np.nonzero(np.triu(holds, 1))
    bodies = np.unique(holds[i] & holds[j], axis=0)
    best = np.zeros(len(xy), dtype=bool)
    for body in bodies[np.argsort(-bodies.sum(axis=1), kind="stable")]:
        kept = body.copy()
        while kept.sum() > best.sum():
            # points in one line keep their distances when one is moved across it: the one that bends most goes
            of_all, of_these = (a[kept].reshape(-1, a.shape[2]) for a in (whole, swings))
            bent = of_these - of_all @ np.linalg.lstsq(of_all, of_these, rcond=None)[0]
            most = np.abs(bent).reshape(-1, 2 * swings.shape[2]).max(axis=1, initial=0.0)
            if most.max() < LOOSE:
                best = kept
                break
            kept = kept.copy()
            kept[np.flatnonzero(kept)[most.argmax()]] = False
    return best


def _bending(network: Network, planned: dict[str, Any], sd: FloatArray) -> BoolArray:
    """Return the points (parts, p) so loose across a distance that its bend is no longer small beside its sd.

    Off by t across a length L, two points are t²/2L further apart: where that isn't small, as for a hole nearly in line
    with the holes it is measured from, neither the covariance nor the side of the line can be trusted.
    """
    between, p = network.kinds[0], len(network.points)
    i, j = network.ends[between].T
    way = network.points[j] - network.points[i]
    long = np.maximum(np.hypot(*way.T), 1e-300)
    across = np.stack([-way[:, 1], way[:, 0], way[:, 1], -way[:, 0]], axis=1) / long[:, None]
    four = np.stack([2 * i, 2 * i + 1, 2 * j, 2 * j + 1], axis=1)
    covariance = np.where(np.isnan(planned["residuals"][:, between, None, None]), 0.0,
                          planned["whole_covariance"][:, four[:, :, None], four[:, None, :]])  # fmt: skip
    loose = np.einsum("na,knab,nb->kn", across, covariance, across) > 2 * BEND * long * sd[:, between]
    loose &= sd[:, between] < 0.01 * long  # larger ones are weights, not what a gauge is off by
    own = np.einsum("knaa->kna", covariance)
    second = own[..., 2:].sum(axis=-1) > own[..., :2].sum(axis=-1)
    ends = i[:, None] == np.arange(p), j[:, None] == np.arange(p)
    return np.asarray((loose & ~second) @ ends[0] | (loose & second) @ ends[1])


def _solve(
    network: Network, distance: FloatArray, sd: FloatArray, covariance: FloatArray | None, start: FloatArray,
    placed: BoolArray,
) -> dict[str, Any]:  # fmt: skip
    """Return the columns of the adjustment (parts, ...); distances to points that aren't placed are left out."""
    p, ends = len(network.points), len(network.points) + len(network.edges)
    seen = ~np.isnan(distance) & placed[:, network.ends].all(axis=2)
    white = _Whitening.of(seen, sd, covariance)
    at, converged, held, left = _iterate(network, np.where(seen, distance, 0.0), seen, white, start)
    columns, weak = _results(network, distance, seen, sd, white, at, held, left)
    placed = placed.copy()
    at_end = (network.ends[:, :, None] == np.arange(ends)).any(axis=1)
    alone = (placed & ~(seen @ at_end) & network.free.reshape(ends, 2).any(axis=1)).any(axis=1)
    if (doubtful := np.flatnonzero(weak | alone | ~converged)).size:
        found = _placed_ends(network, at[doubtful], seen[doubtful]) & placed[doubtful]
        again = (found != placed[doubtful]).any(axis=1)
        if again.any():
            which = doubtful[again]
            mixed = None if covariance is None else covariance[which]
            less = _solve(network, distance[which], sd[which], mixed, start[which], found[again])
            converged[which], placed[which] = less.pop("converged"), less.pop("placed")
            for name, values in less.items():
                columns[name][which] = values
    lost = np.repeat(~placed, 2, axis=1) & network.free
    columns["xy"][~placed[:, :p]] = np.nan
    columns["edges"][lost[:, 2 * p :].reshape(columns["edges"].shape)] = np.nan
    columns["whole_covariance"][lost[:, :, None] | lost[:, None, :]] = np.nan
    return columns | {"converged": converged, "placed": placed}


def _iterate(
    network: Network, distance: FloatArray, seen: BoolArray, white: _Whitening, start: FloatArray
) -> tuple[FloatArray, BoolArray, FloatArray, IntArray]:
    """Return where each part arrives (parts, 2p + 2e), whether it does, the motions held to the start, their number."""
    free, unit, size = network.free, _scales(network), network.size
    at = start.copy()
    parts = len(at)
    same = white.matrix is None and bool((at == at[:1]).all())
    kinds, which = _alike(white.weight) if same else (np.arange(parts), np.arange(parts))
    held, left = free_motions(network, at[kinds], _directions(network, at[kinds], seen[kinds]))
    held, left = held[which], left[which]
    damping, before, arrived = np.zeros(parts), np.full(parts, size), np.zeros(parts, dtype=bool)
    if same:
        arrived = _go_alike(network, distance, white.weight, at, held, kinds, which)
    if arrived.all():
        return at, arrived, held, left
    rounding = 1e-26 * (white.weight**2 * (distance**2 + size**2)).sum(axis=1)
    going, loose = np.flatnonzero(~arrived), bool(left.any())
    value, slopes = network.design(at[going])
    for _ in range(STEPS):
        w, here, hold, first = white.part(going), at[going], held[going], start[going]
        rows = w.rows(slopes * unit)
        miss = w.rows(((distance[going] - value) * seen[going])[:, :, None])
        across = rows.transpose(0, 2, 1)
        normal = across @ rows
        diagonal = np.einsum("kii->ki", normal)
        level = _level(diagonal)
        normal += level[:, None, None] * (hold @ hold.transpose(0, 2, 1)) if loose else 0.0
        diagonal += (level * (1e-10 + damping[going]))[:, None]
        pull = hold.transpose(0, 2, 1) @ ((here - first)[:, free] / unit)[:, :, None]
        step = np.linalg.solve(normal, across @ miss - level[:, None, None] * (hold @ pull))[:, :, 0]
        long = np.abs(step).max(axis=1, initial=0.0)
        step *= np.minimum(1.0, 0.3 * size / np.maximum(long, 1e-300))[:, None]
        there = here.copy()
        there[:, free] += step * unit
        new_value, new_slopes = network.design(there)
        missed = w.rows(((distance[going] - new_value) * seen[going])[:, :, None])
        pulled = hold.transpose(0, 2, 1) @ ((there - first)[:, free] / unit)[:, :, None]
        now = (miss**2).sum(axis=(1, 2)) + level * (pull**2).sum(axis=(1, 2))
        new = (missed**2).sum(axis=(1, 2)) + level * (pulled**2).sum(axis=(1, 2))
        # a step is followed by one that is smaller by as much as it was smaller than the one before
        done = (long * np.minimum(long / before[going], 1.0) < CLOSE * size) & (damping[going] < 1e-6)
        good = (new <= now * (1 + 1e-10) + rounding[going]) | done
        at[going[good]] = there[good]
        value = np.where(good[:, None], new_value, value)[~done]
        slopes = np.where(good[:, None, None], new_slopes, slopes)[~done]
        less = np.where(damping[going] < 1e-8, 0.0, damping[going] / 10)
        damping[going] = np.where(good, less, np.maximum(damping[going] * 10, 1e-4))
        before[going] = np.maximum(long, 1e-300)
        arrived[going] = done
        going = going[~done]
        if not going.size:
            break
    return at, arrived, held, left


def _go_alike(
    network: Network, distance: FloatArray, weight: FloatArray, at: FloatArray, held: FloatArray, kinds: IntArray,
    which: IntArray,
) -> BoolArray:  # fmt: skip
    """Move parts that start at one place to where they arrive, those of equal weights by one inverse; say which arrive.

    The distances are taken anew at each step, so that the end is the same as with an inverse for each.
    """
    free, unit = network.free, _scales(network)
    arrived = np.zeros(len(at), dtype=bool)
    for kind, first in enumerate(kinds if len(kinds) <= max(1, len(at) // 20) else ()):
        rows = network.design(at[first])[1] * unit * weight[first][:, None]
        hold, square = held[first], weight[first] ** 2
        normal = rows.T @ rows
        level = float(_level(np.diag(normal)))
        inverse = np.linalg.inv(normal + level * (hold @ hold.T + 1e-12 * np.eye(len(normal))))
        going, start = np.flatnonzero(which == kind), at[first].copy()
        here, before = at[going], np.full(len(going), network.size)
        for _ in range(STEPS_ALIKE):
            value, slopes = network.design(here)
            force = np.einsum("kij,ki->kj", slopes, square * (distance[going] - value)) * unit
            force -= level * ((here - start)[:, free] / unit) @ (hold @ hold.T)
            step = force @ inverse
            long = np.abs(step).max(axis=1, initial=0.0)
            sound = long < 0.3 * before
            here, going, step, long, before = here[sound], going[sound], step[sound], long[sound], before[sound]
            here[:, free] += step * unit
            done = long * long / before < CLOSE * network.size
            arrived[going[done]], at[going[done]] = True, here[done]
            here, going, before = here[~done], going[~done], np.maximum(long[~done], 1e-300)
    return arrived


def _level(diagonal: FloatArray) -> FloatArray:
    """Return the mean weight (...) of the numbers sought (..., m), 1 where there is none."""
    weight = diagonal.sum(axis=-1) / max(diagonal.shape[-1], 1)
    return np.where(weight > 0, weight, 1.0)


def _alike(rows: NDArray[Any]) -> tuple[IntArray, IntArray]:
    """Return the first of each kind of equal rows, and of which kind each row is."""
    if (rows == rows[:1]).all():
        return np.zeros(min(1, len(rows)), dtype=np.intp), np.zeros(len(rows), dtype=np.intp)
    _, first, which = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    return first, which.reshape(-1)


def _refuse_coincident(network: Network, start: FloatArray, distance: FloatArray) -> None:
    """Raise ``DataError`` where both ends of a measured distance start (nearly) at one point: it has no direction."""
    i, j = network.ends.T
    far = float(np.nanmedian(distance)) if np.isfinite(distance).any() else 0.0
    same = np.abs(start[..., i, :] - start[..., j, :]).max(axis=-1) <= 1e-6 * far
    known = ~np.isnan(distance).reshape(-1, len(i)).all(axis=0)
    if (which := np.flatnonzero(same.reshape(-1, len(i)).any(axis=0) & known)).size:
        raise DataError(
            f"distance {_listed(which)}: both ends start at one point, so that the direction isn't defined; "
            "give each point a start near its place"
        )


def _impossible(network: Network, distance: FloatArray) -> str:
    """Return which measured distances (n,) between points make no triangle, the worst; empty where all do."""
    p, i, j = len(network.points), network.ends[:, 0], network.ends[:, 1]
    long, number = np.full((p, p), np.nan), np.zeros((p, p), dtype=np.intp)
    long[i, j] = long[j, i] = distance
    number[i, j] = number[j, i] = np.arange(len(i))
    over = np.nan_to_num(long[:, :, None] - long[:, None, :] - long.T[None, :, :], nan=-1.0)
    a, b, c = np.unravel_index(int(over.argmax()), over.shape)
    if over[a, b, c] <= 1e-9 * network.size:
        return ""
    return (
        f"distances {_listed(np.sort(np.array([number[a, b], number[a, c], number[b, c]])))} make no triangle: "
        f"{long[a, b]:g} is longer than {long[a, c]:g} and {long[b, c]:g} together; one of them is wrong"
    )


def _results(
    network: Network, distance: FloatArray, seen: BoolArray, sd: FloatArray, white: _Whitening, at: FloatArray,
    held: FloatArray, left: IntArray,
) -> tuple[dict[str, Any], BoolArray]:  # fmt: skip
    """Return the columns of the adjustment at the solution, and which parts are so weak that their rank is in doubt."""
    p, free, unit = len(network.points), network.free, _scales(network)
    value, slopes = network.design(at)
    residual = np.where(seen, value - distance, np.nan)
    rows = white.rows(slopes * unit)
    normal = rows.transpose(0, 2, 1) @ rows
    diagonal = np.einsum("kii->ki", normal)
    level = _level(diagonal)
    full = normal + level[:, None, None] * (held @ held.transpose(0, 2, 1))
    used = _touched(network, rows)
    np.einsum("kii->ki", full)[...] += np.where(used, 1e-15, 1.0) * level[:, None]
    inverse = np.linalg.inv(full)
    weak = (np.einsum("kii->ki", inverse) * level[:, None] > 1e8).any(axis=1)
    sought = inverse @ normal @ inverse if held.any() or not used.all() else inverse
    covariance = np.zeros((len(at), free.size, free.size))
    covariance[:, np.flatnonzero(free)[:, None], np.flatnonzero(free)] = sought * unit[:, None] * unit
    across = rows @ sought
    whitened = white.rows(np.nan_to_num(residual)[:, :, None])
    weighted = white.back(whitened)[:, :, 0]
    if white.covariance is None:
        redundancy = 1.0 - np.einsum("kij,kij->ki", across, rows)
        own = redundancy * white.weight**2
    else:
        rest = white.back(white.back(np.eye(len(network.ends)) - across @ rows.transpose(0, 2, 1)).transpose(0, 2, 1))
        own = np.einsum("kii->ki", rest)
        redundancy = np.einsum("kij,kji->ki", white.covariance, rest)
    redundancy = np.where(seen, redundancy, np.nan)
    # of distances that share errors one may have less than 0 or more than 1; what shows is the diagonal of P Qvv P
    full_weight = white.weight**2 if white.matrix is None else (white.matrix**2).sum(axis=1)
    checked = seen & (own > UNCHECKED * full_weight)
    standardised = np.where(checked, weighted / np.sqrt(np.where(checked, own, 1.0)), np.nan)
    degrees = seen.sum(axis=1) - used.sum(axis=1) + left
    statistic = (whitened**2).sum(axis=(1, 2))
    some = degrees > 0
    per = np.where(some, degrees, 1)
    columns = {
        "xy": at[:, : 2 * p].reshape(len(at), p, 2).copy(),
        "whole_covariance": covariance,
        "s0": np.where(some, np.sqrt(statistic / per), np.nan),
        "residuals": residual,
        "redundancy": redundancy,
        "standardised": standardised,
        "degrees_of_freedom": degrees,
        "statistic": statistic,
        "global_p": np.where(some, gammaincc(per / 2, statistic / 2), np.nan),
        "free_motions": left,
        "edges": at[:, 2 * p :].reshape(len(at), len(network.edges), 2).copy(),
    }
    return columns, weak


def errors_seen(adjusted: Adjustment) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return how errors in distances show, for tests: R = P Qvv P (..., n, n), P v (..., n), Q A' P (..., 2p, n).

    P is the inverse of the distances' covariance, v the residuals (adjusted minus observed), Q the covariance of what
    is sought. An error e in the distances changes P v by - R e and the coordinates by Q A' P e. 0 where nothing was
    measured.
    """
    network, lead, n = adjusted.network, adjusted.residuals.shape[:-1], len(adjusted.network.ends)
    residual, sd = adjusted.residuals.reshape(-1, n), adjusted.sd.reshape(-1, n)
    at = np.concatenate([adjusted.xy.reshape(len(residual), -1), adjusted.edges.reshape(len(residual), -1)], axis=1)
    at = np.where(np.isnan(at), network.values(), at)
    covariance = np.nan_to_num(adjusted.whole_covariance.reshape(len(residual), at.shape[1], at.shape[1]))
    mixed = adjusted.observed_covariance
    white = _Whitening.of(~np.isnan(residual), sd, None if mixed is None else mixed.reshape(-1, n, n))
    rows = white.rows(network.design(at)[1])
    across = covariance[:, :, network.free] @ rows.transpose(0, 2, 1)
    rest = white.back(np.eye(n) - rows @ across[:, network.free])
    rest = white.back(rest.transpose(0, 2, 1))
    score = white.back(white.rows(np.nan_to_num(residual)[:, :, None]))[:, :, 0]
    gain = white.back(across.transpose(0, 2, 1)).transpose(0, 2, 1)[:, : 2 * len(network.points)]
    return rest.reshape((*lead, n, n)), score.reshape((*lead, n)), gain.reshape((*lead, -1, n))


def _numbers(name: str, value: ArrayLike, shape: tuple[object, ...]) -> FloatArray:
    """Return numbers, NaN where missing, of a shape in which None is any length and ``...`` any leading axes."""
    try:
        given = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise DataError(f"{name} holds something that isn't a number: {error}") from error
    wanted = shape[1:] if shape[0] is ... else shape
    tail = given.shape[given.ndim - len(wanted) :] if shape[0] is ... else given.shape
    if len(tail) != len(wanted) or any(w not in (None, t) for w, t in zip(wanted, tail, strict=True)):
        words = ", ".join("..." if w is ... else "any" if w is None else str(w) for w in shape)
        raise DataError(f"{name} has shape {given.shape}; ({words}) is needed")
    if np.isinf(given).any():
        raise DataError(f"{name} holds an infinite number; give NaN where it wasn't measured")
    return given


def _mask(name: str, value: ArrayLike | None, of: FloatArray, default: bool) -> BoolArray:
    """Return which of the two numbers of each point or edge are given, in the shape of ``of`` (k, 2)."""
    mask = np.full(of.shape, default) if value is None else np.asarray(value)
    if mask.shape not in (of.shape[:1], of.shape) or not np.isin(mask, (0, 1)).all():
        raise DataError(f"{name} has shape {mask.shape}; {of.shape[:1]} or {of.shape} of true and false is needed")
    return np.broadcast_to(mask.astype(bool) if mask.ndim == 2 else mask.astype(bool)[:, None], of.shape)


def _listed(numbers: IntArray) -> str:
    """Return numbers as text, at most eight of them."""
    return ", ".join(str(int(k)) for k in numbers[:8]) + (f" and {len(numbers) - 8} more" if len(numbers) > 8 else "")


# ----------------------------------------------------------------------------------------------------------------------
# Which distance is wrong: the global test, the distances that can't be chance, and what nothing would find.
#
# A wrong distance spreads over the residuals of its neighbours; the standardised residual puts it together again (data
# snooping, Baarda 1968, *A testing procedure for use in geodetic networks*). Where the sd are known only by their
# ratios, the residuals are held against their own scatter (Pope 1976, the tau test, with Bonferroni's bound for the
# largest of n). Distances are named and never left out: what is made of them is for the person who measured.

LEVEL = 0.05  #: chance that a part without a wrong distance names one, over all its distances together
POWER = 0.80
GROSS = 50.0  #: a standardised residual so large that the adjusted figure itself is bent by it
ALIKE = 0.01  #: chance from which a distance can still be a good one that another, wrong one pulls along


@dataclass(frozen=True, slots=True)
class Suspect:
    """A distance that can't be chance.

    ``index`` of the distance; ``standardised`` residual when it was found; ``p`` chance that any of the distances is so
    far off without a fault; ``error`` what the distance is likely off by (observed minus right) and ``likely`` its
    likely value, all suspects reckoned together, ``sd`` the standard deviation of both. ``or_else``: distances that
    would explain it as well; each of them, or this one, may be the wrong one.
    """

    index: int
    standardised: float
    p: float
    observed: float
    error: float
    likely: float
    sd: float
    or_else: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Checks:
    """How well each distance is checked by the others, all (..., n), leading axes as in the adjustment.

    ``checked``: something would show an error at all; where false, nothing checks this distance. ``smallest_error``:
    the smallest error found with the ``power``, infinite where nothing checks. ``moves`` (..., n): how far it would
    move the point it moves most, unseen (external reliability), and ``moves_point`` which point that is. ``critical``
    (...): bound of the standardised residual.
    """

    checked: BoolArray
    smallest_error: FloatArray
    moves: FloatArray
    moves_point: IntArray
    critical: FloatArray
    power: float


def critical(n: int, level: float = LEVEL, degrees: int | None = None) -> float:
    """Return the bound of the largest of ``n`` standardised residuals; of their tau with ``degrees`` of freedom given.

    ``level`` is the chance over all n (Bonferroni). tau = sqrt(f) t / sqrt(f - 1 + t²), t at level / 2n with f - 1
    degrees (Pope 1976); NaN with one degree of freedom, where every tau is 1.
    """
    if n < 1 or not 0 < level < 1:
        raise DataError(f"a bound needs at least one distance and a level between 0 and 1; found {n} and {level:g}")
    if degrees is None:
        return float(-ndtri(level / (2 * n)))
    if degrees < 2:
        return float("nan")
    t = float(stdtrit(degrees - 1, 1 - level / (2 * n)))
    return float(np.sqrt(degrees) * t / np.sqrt(degrees - 1 + t * t))


def checks(adjusted: Adjustment, *, level: float = LEVEL, power: float = POWER) -> Checks:
    """Return how well each distance is checked: what would be found, and what the rest would move.

    ``level`` is over all distances together, as in `suspects`. The smallest error is its bound and the quantile of the
    power together, in sd of the residual: 4.13 at a level of 0.001 each and 0.80 (Baarda's delta 0).
    """
    rest, _, gain = errors_seen(adjusted)
    own = np.diagonal(rest, axis1=-2, axis2=-1)
    checked = ~np.isnan(adjusted.standardised)
    bound = -ndtri(level / (2 * np.maximum(checked.sum(axis=-1), 1)))
    smallest = np.where(checked, (bound + ndtri(power))[..., None] / np.sqrt(np.where(checked, own, 1.0)), np.inf)
    smallest = np.where(np.isnan(adjusted.redundancy), np.nan, smallest)
    length = np.hypot(gain[..., 0::2, :], gain[..., 1::2, :])  # (..., p, n) shift of each point by an error of 1
    length = np.where(adjusted.placed[..., None], length, 0.0)
    far = length.argmax(axis=-2)
    moves = np.where(checked, np.where(checked, smallest, 0.0) * length.max(axis=-2, initial=0.0), smallest)
    return Checks(checked, smallest, moves, far, bound, power)


def suspects(adjusted: Adjustment, *, level: float = LEVEL, most: int | None = None) -> list[Suspect]:
    """Return the distances of one part that can't be chance, the worst first; an empty list where there are none.

    After each, the others are tested as if it had not been measured. ``level``: chance of a false alarm over all
    distances. ``most``: at most so many; never more than half the degrees of freedom, but for one. With ``sd_known``
    false in the adjustment the tau test takes the place, which needs two degrees of freedom.

    Raises:
        DataError: an adjustment of several parts; give them one by one (`part_of`).
    """
    if adjusted.residuals.ndim != 1:
        raise DataError(f"suspects are sought in one part at a time; found parts {adjusted.residuals.shape[:-1]}")
    found: list[tuple[int, float, float, tuple[int, ...]]] = []
    n, now = int((~np.isnan(adjusted.standardised)).sum()), adjusted
    limit = max(1, int(adjusted.degrees_of_freedom) // 2) if most is None else most
    while len(found) < limit and (degrees := int(now.degrees_of_freedom)) > 0:
        rest, score, _ = errors_seen(now)
        can = ~np.isnan(now.standardised)
        far, alike = _standard(score, rest, can)
        if not now.converged or (can.any() and np.nanmax(np.abs(far)) > GROSS):
            # the adjusted figure is bent out of shape: as it shows at the start, where an error of any size is linear
            rest, score = _shown(now, now.network.measured(now.network.values()))
            far, alike = _standard(score, rest, can)
        if not can.any():
            break
        squares = max(float(now.statistic), 0.0)
        chance = _chance(far, n, degrees, squares, now.sd_known)
        worst = int(np.nanargmax(np.abs(far)))
        if not chance[worst] < level:
            break
        scale = 1.0
        if not now.sd_known:
            scale = np.sqrt(max(squares - far[worst] ** 2, 0.0) / (degrees - 1)) if degrees > 1 else np.inf
        # another explains it as well if with that one left out this one could be chance
        apart = np.sqrt(np.maximum(1.0 - alike[worst] ** 2, 0.0))
        others = can & (np.abs(far[worst] - alike[worst] * far) <= -ndtri(ALIKE / 2) * scale * apart + 1e-6)
        others[worst] = False
        found.append((worst, float(far[worst]), float(chance[worst]), tuple(np.flatnonzero(others).tolist())))
        now = _without(adjusted, [f[0] for f in found])
    return _told(adjusted, now, found) if found else []


def _without(adjusted: Adjustment, which: list[int]) -> Adjustment:
    """Return the part adjusted as if some distances had not been measured."""
    distance = adjusted.distance.copy()
    distance[which] = np.nan
    return _again(adjusted, distance)


def _again(adjusted: Adjustment, distance: FloatArray) -> Adjustment:
    a, network = adjusted, adjusted.network
    return adjusted_from(network.points, network, distance, a.sd, a.observed_covariance, a.sd_known)


def _shown(adjusted: Adjustment, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return P Qvv P and P v as they are linear about a figure in which ``at`` (n,) would be measured."""
    missing = np.isnan(adjusted.residuals)
    rest, _, _ = errors_seen(_again(adjusted, np.where(missing, np.nan, at)))
    return rest, rest @ np.where(missing, 0.0, at - adjusted.distance)


def part_of(adjusted: Adjustment, part: int | tuple[int, ...]) -> Adjustment:
    """Return the adjustment of one part of many; ``part`` as an index of the leading axes."""
    if adjusted.residuals.ndim == 1:
        raise DataError("the adjustment is of one part already")
    columns = {f.name: getattr(adjusted, f.name) for f in fields(adjusted)}
    return replace(adjusted, **{k: v[part] for k, v in columns.items() if isinstance(v, np.ndarray)})


def _standard(score: FloatArray, rest: FloatArray, can: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return standardised residuals (n,), NaN where nothing checks, and their correlation (n, n)."""
    own = np.sqrt(np.where(can, np.diag(rest), 1.0))
    return np.where(can, score / own, np.nan), np.where(can[:, None] & can, rest / np.outer(own, own), 0.0)


def _chance(far: FloatArray, n: int, degrees: int, squares: float, sd_known: bool) -> FloatArray:
    """Return the chance that the largest of n is so far off, by Bonferroni; 1 where it can't be had."""
    size = np.abs(far)
    if sd_known:
        return np.minimum(1.0, np.nan_to_num(2 * n * ndtr(-size), nan=1.0))
    if degrees < 2 or squares <= 0:
        return np.ones(len(far))
    tau = np.minimum(size / np.sqrt(squares / degrees), np.sqrt(degrees))
    t = tau * np.sqrt((degrees - 1) / np.maximum(degrees - tau**2, 1e-300))
    return np.minimum(1.0, np.nan_to_num(2 * n * stdtr(degrees - 1, -t), nan=1.0))


def _told(
    adjusted: Adjustment, clean: Adjustment, found: list[tuple[int, float, float, tuple[int, ...]]]
) -> list[Suspect]:
    """Return the suspects with their errors, reckoned together about the figure that the others make."""
    network, which = adjusted.network, np.array([f[0] for f in found])
    at = np.concatenate([clean.xy.ravel(), clean.edges.ravel()])
    rest, score = _shown(adjusted, network.measured(np.where(np.isnan(at), network.values(), at)))
    spread = np.linalg.inv(rest[np.ix_(which, which)])
    error, scale = -spread @ score[which], 1.0 if adjusted.sd_known else float(adjusted.s0)
    sd = np.sqrt(np.diag(spread)) * scale
    observed = adjusted.distance[which]
    return [
        Suspect(k, far, p, float(observed[m]), float(error[m]), float(observed[m] - error[m]), float(sd[m]), others)
        for m, (k, far, p, others) in enumerate(found)
    ]


def global_test(adjusted: Adjustment, level: float = LEVEL) -> BoolArray:
    """Return which parts' residuals as a whole are too large for the stated sd (...): chi-square of `statistic`."""
    return np.nan_to_num(adjusted.global_p, nan=1.0) < level
