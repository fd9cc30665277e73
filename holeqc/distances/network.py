"""Least-squares adjustment of measured distances: coordinates of points with their covariance, parts as batches.

Gauss-Newton on the distances as surveyors adjust a network, damped where a step would make things worse. Where nothing
says where the figure lies, it is laid as close to the start as it can be (inner constraints): that gives its shape, not
its place. Sources: the method of least squares with its redundancy numbers and standardised residuals (Baarda 1968);
free networks by inner constraints (Meissl 1962; Krumm 2020, Geodetic Network Adjustment Examples).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincc

from holeqc.problems import DataError
from holeqc.quantities import BoolArray, FloatArray

IntArray = NDArray[np.intp]

STEPS = 200  #: of the damped iteration; a sound network from basic coordinates needs three to five
CLOSE = 1e-11  #: a step smaller than this part of the network's size has arrived
FLAT = 1e-6  #: a motion that changes no distance by more than this part of itself isn't seen by the distances
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
    fixed: BoolArray | None = None
    edges_fixed: BoolArray | None = None

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
        given = (
            _mask("fixed", self.fixed, len(points), False),
            _mask("edges_fixed", self.edges_fixed, len(edges), True),
        )
        for name, value in zip(
            ("points", "ends", "edges", "fixed", "edges_fixed"), (points, ends, edges, *given), strict=True
        ):
            object.__setattr__(self, name, value)

    @cached_property
    def free(self) -> BoolArray:
        """True for each number that is sought: x, y of each point, then direction and offset of each edge (m,)."""
        assert self.fixed is not None
        assert self.edges_fixed is not None
        return ~np.concatenate([self.fixed.ravel(), self.edges_fixed.ravel()])

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
        return self._lines(at)[0]

    def design(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what would be measured at ``at`` (..., 2p + 2e), and its change with each of these numbers."""
        return self._lines(at, with_slopes=True)

    def _lines(self, at: FloatArray, with_slopes: bool = False) -> tuple[FloatArray, FloatArray]:
        p, n = len(self.points), len(self.ends)
        xy, lines = at[..., : 2 * p].reshape(*at.shape[:-1], p, 2), at[..., 2 * p :]
        value = np.zeros((*at.shape[:-1], n))
        slopes = np.zeros((*value.shape, at.shape[-1])) if with_slopes else np.zeros((0,))

        def put(rows: IntArray, columns: IntArray, by: FloatArray) -> None:
            if with_slopes:
                slopes[..., rows, columns] = by

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
            side = self._sides[to_edge]
            value[..., to_edge] = side * (c * x + s * y - offset)
            put(to_edge, 2 * i, side * c)
            put(to_edge, 2 * i + 1, side * s)
            put(to_edge, 2 * p + 2 * edge, side * (c * y - s * x))
            put(to_edge, 2 * p + 2 * edge + 1, -side + 0 * c)
        if parallel.size:
            a, b = (self.ends[parallel] - p).T
            way, side = np.sign(np.cos(self.edges[a, 0] - self.edges[b, 0])), self._sides[parallel]
            value[..., parallel] = side * (way * lines[..., 2 * b + 1] - lines[..., 2 * a + 1])
            put(parallel, 2 * p + 2 * b + 1, side * way)
            put(parallel, 2 * p + 2 * a + 1, -side)
        if angles.size:
            a, b = (self.ends[angles] - p).T
            side = self._sides[angles]
            value[..., angles] = side * (lines[..., 2 * b] - lines[..., 2 * a])
            put(angles, 2 * p + 2 * b, side)
            put(angles, 2 * p + 2 * a, -side)
        return value, slopes

    @cached_property
    def _sides(self) -> FloatArray:
        """+1 or -1: on which side of the edge the point lies, by the start; a distance is positive on both."""
        p = len(self.points)
        sides = np.ones(len(self.ends))
        _, to_edge, parallel, angles = self.kinds
        i, edge = self.ends[to_edge].min(axis=1), self.ends[to_edge].max(axis=1) - p
        a, offset = self.edges[edge].T
        sides[to_edge] = np.cos(a) * self.points[i, 0] + np.sin(a) * self.points[i, 1] - offset
        (a, first), (b, second) = self.edges[self.ends[parallel, 0] - p].T, self.edges[self.ends[parallel, 1] - p].T
        sides[parallel] = np.sign(np.cos(a - b)) * second - first
        sides[angles] = self.edges[self.ends[angles, 1] - p, 0] - self.edges[self.ends[angles, 0] - p, 0]
        return np.where(sides < 0, -1.0, 1.0)

    def motions(self, at: FloatArray) -> FloatArray:
        """Return how shifts along x and y and a turn by one radius move each number sought (..., m, 3)."""
        p = len(self.points)
        x, y = at[..., 0 : 2 * p : 2], at[..., 1 : 2 * p : 2]
        moves = np.zeros((*at.shape, 3))
        moves[..., 0 : 2 * p : 2, 0] = moves[..., 1 : 2 * p : 2, 1] = 1.0
        middle = self.points.mean(axis=0)
        moves[..., 0 : 2 * p : 2, 2], moves[..., 1 : 2 * p : 2, 2] = (
            -(y - middle[1]) / self.size,
            (x - middle[0]) / self.size,
        )
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
        DataError: shapes that don't belong together; numbers that aren't finite or not above zero; points that no
            part's distances place, named by number; an iteration that doesn't arrive.

    Source: least squares with constraints, as in Krumm (2020), Geodetic Network Adjustment Examples; see the tests.
    """
    first = _numbers("start", start, (..., None, 2))
    if np.isnan(first).any():
        raise DataError("start has missing coordinates; give approximate ones for every point")
    mask = None if fixed is None else np.asarray(fixed)
    network = Network(first.reshape(-1, *first.shape[-2:])[0], np.asarray(ends), fixed=mask)
    result = _adjusted(network, distance, sd, None, first, sd_known)
    placed = result.placed.reshape(-1, result.placed.shape[-1])
    if (nowhere := np.flatnonzero(~placed.any(axis=0))).size:
        raise DataError(
            f"the distances don't place point {_listed(nowhere)}; "
            "measure it from two more points that aren't in one line with it"
        )
    if not result.converged.all():
        parts = np.flatnonzero(~result.converged.ravel())
        which = "" if result.converged.size == 1 else f" of part {_listed(parts)}"
        worst = np.abs(np.nan_to_num(result.residuals.reshape(-1, result.residuals.shape[-1])[parts[0]])).argmax()
        raise DataError(
            f"the adjustment{which} doesn't arrive; look at distance {worst} and at the start coordinates of its ends"
        )
    return result


def adjust_network(
    network: Network, distance: ArrayLike, sd: ArrayLike, *, covariance: ArrayLike | None = None, sd_known: bool = True
) -> Adjustment:
    """Return the adjusted network of one part or many; what can't be placed is NaN there, and nothing is raised for it.

    ``distance`` (..., n) as measured, NaN where it wasn't; angles between edges in rad. ``sd`` (n,) or (..., n) one
    standard deviation each, NaN where it isn't known: such a distance isn't used. ``covariance`` (..., n, n): of the
    distances, where they share errors (one pin, one gauge); it takes the place of ``sd``, whose numbers then only show.
    The network's points are the basic coordinates: a point that they say can't be placed (all its distances in one
    line) isn't placed, whatever the readings' scatter makes of it.

    Raises:
        DataError: shapes that don't belong together; numbers that aren't finite or not above zero; a covariance that is
        none.
    """
    return _adjusted(network, distance, sd, covariance, None, sd_known)


def _adjusted(
    network: Network,
    distance: ArrayLike,
    sd: ArrayLike,
    covariance: ArrayLike | None,
    start: FloatArray | None,
    sd_known: bool,
) -> Adjustment:
    n = len(network.ends)
    observed, spread = _numbers("distance", distance, (..., n)), _numbers("sd", sd, (..., n))
    if not (np.nan_to_num(spread, nan=1.0) > 0).all():
        raise DataError(f"sd has a number that isn't above zero: {np.nanmin(spread):g}")
    first = None if start is None else start.shape[:-2]
    try:
        lead = np.broadcast_shapes(observed.shape[:-1], spread.shape[:-1], first or ())
    except ValueError:
        raise DataError(
            f"distance has parts {observed.shape[:-1]}, sd {spread.shape[:-1]}, start {first}; give one number of parts"
        ) from None
    parts = int(np.prod(lead, dtype=int))
    flat = np.broadcast_to(observed, (*lead, n)).reshape(parts, n)
    spreads = np.broadcast_to(spread, (*lead, n)).reshape(parts, n)
    flat = np.where(np.isnan(spreads), np.nan, flat)
    if (np.nan_to_num(flat, nan=1.0)[:, network.kinds[0]] < 0).any():
        raise DataError(f"distance {_listed(np.flatnonzero((flat < 0).any(axis=0)))} is below zero")
    mixed = None
    if covariance is not None:
        mixed = np.broadcast_to(_numbers("covariance", covariance, (..., n, n)), (*lead, n, n)).reshape(parts, n, n)
    begin = np.broadcast_to(network.values(), (parts, network.values().size)).copy()
    seen = ~np.isnan(flat)
    if start is None:
        # each kind of missing distances is looked at once
        kinds, which = np.unique(seen, axis=0, return_inverse=True)
        placed = placed_points(network, np.broadcast_to(network.values(), (len(kinds), begin.shape[1])), kinds)[
            which.reshape(-1)
        ]
    else:
        begin[:, : 2 * len(network.points)] = np.broadcast_to(start, (*lead, *start.shape[-2:])).reshape(parts, -1)
        placed = np.ones((parts, len(network.points)), dtype=bool)
    columns = _solve(network, flat, spreads, mixed, begin, placed)
    shaped = {name: values.reshape((*lead, *values.shape[1:])) for name, values in columns.items()}
    return Adjustment(
        network, **shaped, distance=flat.reshape((*lead, n)), sd=spreads.reshape((*lead, n)),
        observed_covariance=None if mixed is None else mixed.reshape((*lead, n, n)), sd_known=sd_known,
    )  # fmt: skip


@dataclass(frozen=True)
class _Whitening:
    """Brings distances to independent ones of sd 1: by their weights (parts, n), or by a matrix (parts, n, n) too."""

    weight: FloatArray
    matrix: FloatArray | None

    @classmethod
    def of(cls, seen: BoolArray, sd: FloatArray, covariance: FloatArray | None) -> _Whitening:
        if covariance is None:
            return cls(np.where(seen, 1.0 / np.where(seen, sd, 1.0), 0.0), None)
        both = seen[:, :, None] & seen[:, None, :]
        try:
            root = np.linalg.cholesky(np.where(both, covariance, np.eye(sd.shape[1])))
        except np.linalg.LinAlgError:
            raise DataError("the covariance of the distances is none: it isn't positive definite") from None
        return cls(seen.astype(np.float64), np.asarray(np.linalg.inv(root) * both, dtype=np.float64))

    def rows(self, a: FloatArray) -> FloatArray:
        """Return rows (parts, n, m) brought to sd 1."""
        return a * self.weight[:, :, None] if self.matrix is None else self.matrix @ a

    def back(self, a: FloatArray) -> FloatArray:
        """Return the transposed whitening of rows (parts, n, m)."""
        return a * self.weight[:, :, None] if self.matrix is None else self.matrix.transpose(0, 2, 1) @ a

    def part(self, which: IntArray | BoolArray) -> _Whitening:
        return _Whitening(self.weight[which], None if self.matrix is None else self.matrix[which])


def _scales(network: Network) -> FloatArray:
    """Return the unit of each number sought: 1, and for directions the angle that moves the network's rim by 1."""
    unit = np.ones(2 * len(network.points) + 2 * len(network.edges))
    unit[2 * len(network.points) :: 2] = 1 / network.size
    return unit[network.free]


def geometry(network: Network, at: FloatArray) -> FloatArray:
    """Return how each distance changes with the numbers sought, directions by the rim's way (parts, n, m)."""
    return network.design(at)[1][:, :, network.free] * _scales(network)


def _directions(network: Network, at: FloatArray, seen: BoolArray) -> FloatArray:
    """Return the rows of the distances that were measured, each of length 1, by the numbers sought (parts, n, m)."""
    rows = geometry(network, at) * seen[:, :, None]
    long = np.sqrt((rows**2).sum(axis=2, keepdims=True))
    return rows / np.where(long > 0, long, 1.0)


def free_motions(network: Network, at: FloatArray, rows: FloatArray) -> tuple[FloatArray, IntArray]:
    """Return the motions (parts, m, 3) as a whole that no distance sees, 0 where seen, and their number (parts,)."""
    moves = network.motions(at)[:, network.free] / _scales(network)[:, None]
    moves = moves * (np.abs(rows).max(axis=1, initial=0.0) > 0)[:, :, None] / np.sqrt(len(network.points))
    seen = rows @ moves
    size, ways = np.linalg.eigh(seen.transpose(0, 2, 1) @ seen)
    unseen = size < FLAT**2 * np.maximum(1.0, size[:, -1:])
    free = moves @ (ways * unseen[:, None, :])
    kept = (free**2).sum(axis=1) > 1e-12
    return free * kept[:, None, :], kept.sum(axis=1)


def placed_points(network: Network, at: FloatArray, seen: BoolArray) -> BoolArray:
    """Return which points (parts, p) the distances place: to the datum, or where there is none, to one another."""
    p = len(network.points)
    free = network.free
    rows = _directions(network, at, seen)
    _, left = free_motions(network, at, rows)
    size, ways = np.linalg.eigh(rows.transpose(0, 2, 1) @ rows)
    sway = np.zeros((len(at), free.size, size.shape[1]))
    sway[:, free] = ways * (size < FLAT**2 * np.maximum(1.0, size[:, -1:]))[:, None, :]
    swings = sway[:, : 2 * p].reshape(len(at), p, 2, -1)
    still: BoolArray = np.abs(swings).max(axis=(2, 3), initial=0.0) < LOOSE
    placed = still.copy()
    for part in np.flatnonzero((left > 0) & ~still.all(axis=1)):
        whole = network.motions(at[part])[: 2 * p].reshape(p, 2, 3)
        placed[part] = _largest_body(at[part, : 2 * p].reshape(p, 2), swings[part], whole)
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


def _solve(
    network: Network,
    distance: FloatArray,
    sd: FloatArray,
    covariance: FloatArray | None,
    start: FloatArray,
    placed: BoolArray,
) -> dict[str, Any]:
    """Return the columns of the adjustment (parts, ...); distances to points that aren't placed are left out."""
    p = len(network.points)
    reached = np.concatenate([placed, np.ones((len(placed), len(network.edges)), dtype=bool)], axis=1)
    seen = ~np.isnan(distance) & reached[:, network.ends].all(axis=2)
    white = _Whitening.of(seen, sd, covariance)
    at, converged, held, left = _iterate(network, np.where(seen, distance, 0.0), seen, white, start)
    columns, weak = _results(network, distance, seen, sd, white, at, held, left)
    placed = placed.copy()
    if (doubtful := np.flatnonzero(weak | ~converged)).size:
        found = placed_points(network, at[doubtful], seen[doubtful]) & placed[doubtful]
        again = (found != placed[doubtful]).any(axis=1)
        if again.any():
            which = doubtful[again]
            mixed = None if covariance is None else covariance[which]
            less = _solve(network, distance[which], sd[which], mixed, start[which], found[again])
            converged[which], placed[which] = less.pop("converged"), less.pop("placed")
            for name, values in less.items():
                columns[name][which] = values
    columns["xy"][~placed] = np.nan
    lost = np.zeros((len(at), network.free.size), dtype=bool)
    lost[:, : 2 * p] = np.repeat(~placed, 2, axis=1) & network.free[: 2 * p]
    columns["whole_covariance"][lost[:, :, None] | lost[:, None, :]] = np.nan
    return columns | {"converged": converged, "placed": placed}


def _iterate(
    network: Network, distance: FloatArray, seen: BoolArray, white: _Whitening, start: FloatArray
) -> tuple[FloatArray, BoolArray, FloatArray, IntArray]:
    """Return where each part arrives (parts, 2p + 2e), whether it does, the motions held to the start, their number."""
    free, unit, size = network.free, _scales(network), network.size
    at = _spread_out(network, start)
    parts = len(at)
    held, left = free_motions(network, at, _directions(network, at, seen))
    arrived, damping, cost = np.zeros(parts, dtype=bool), np.zeros(parts), np.full(parts, np.inf)
    rounding = (
        1e-26 * (white.weight**2 * (distance**2 + size**2)).sum(axis=1)
        if white.matrix is None
        else np.full(parts, 1e-20)
    )
    going = np.arange(parts)
    for _ in range(STEPS):
        w, here, hold = white.part(going), at[going], held[going]
        value, slopes = network.design(here)
        rows = w.rows(slopes[:, :, free] * unit)
        miss = w.rows(((distance[going] - value) * seen[going])[:, :, None])
        across = rows.transpose(0, 2, 1)
        normal = across @ rows
        level = np.maximum(np.einsum("kii->ki", normal).mean(axis=1), 1e-300)
        pull = hold.transpose(0, 2, 1) @ ((here - start[going])[:, free] / unit)[:, :, None]
        normal += level[:, None, None] * (hold @ hold.transpose(0, 2, 1))
        np.einsum("kii->ki", normal)[...] += (level * (1e-10 + damping[going]))[:, None]
        step = np.linalg.solve(normal, across @ miss - level[:, None, None] * (hold @ pull))[:, :, 0]
        long = np.abs(step).max(axis=1, initial=0.0)
        step *= np.minimum(1.0, 0.3 * size / np.maximum(long, 1e-300))[:, None]
        now = (miss**2).sum(axis=(1, 2)) + level * (pull**2).sum(axis=(1, 2))
        if np.isinf(cost[going]).any():
            cost[going] = now
        there = here.copy()
        there[:, free] += step * unit
        new = (w.rows(((distance[going] - network.measured(there)) * seen[going])[:, :, None]) ** 2).sum(axis=(1, 2))
        new += level * ((hold.transpose(0, 2, 1) @ ((there - start[going])[:, free] / unit)[:, :, None]) ** 2).sum(
            axis=(1, 2)
        )
        done = (long < CLOSE * size) & (damping[going] < 1e-6)
        good = (new <= now * (1 + 1e-10) + rounding[going]) | done
        at[going[good]] = there[good]
        damping[going] = np.where(
            good, np.where(damping[going] < 1e-8, 0.0, damping[going] / 10), np.maximum(damping[going] * 10, 1e-4)
        )
        arrived[going] = done
        going = going[~done]
        if not going.size:
            break
    return at, arrived, held, left


def _spread_out(network: Network, start: FloatArray) -> FloatArray:
    """Return the start with points that lie on one another, which have no direction, moved apart by a little."""
    at = start.copy()
    i, j = network.ends[network.kinds[0]].T
    xy = at[:, : 2 * len(network.points)].reshape(len(at), -1, 2)
    if not (np.abs(xy[:, i] - xy[:, j]) > 1e-9 * network.size).any(axis=2).all():
        count = np.arange(xy.shape[1])
        nudge = 0.05 * network.size * np.stack([np.cos(2.4 * count), np.sin(2.4 * count)], axis=1)
        at[:, : 2 * len(network.points)] += np.where(network.free[: 2 * len(network.points)], nudge.ravel(), 0.0)
    return at


def _results(
    network: Network, distance: FloatArray, seen: BoolArray, sd: FloatArray, white: _Whitening, at: FloatArray, held:
    FloatArray, left: IntArray,
) -> tuple[dict[str, Any], BoolArray]:  # fmt: skip
    """Return the columns of the adjustment at the solution, and which parts are so weak that their rank is in doubt."""
    p, free, unit = len(network.points), network.free, _scales(network)
    value, slopes = network.design(at)
    residual = np.where(seen, value - distance, np.nan)
    rows = white.rows(slopes[:, :, free] * unit)
    normal = rows.transpose(0, 2, 1) @ rows
    diagonal = np.einsum("kii->ki", normal)
    level = np.maximum(diagonal.max(axis=1, initial=0.0), 1e-300)
    full = normal + level[:, None, None] * (held @ held.transpose(0, 2, 1))
    np.einsum("kii->ki", full)[...] += np.where(diagonal > 0, 1e-15, 1.0) * level[:, None]
    inverse = np.linalg.inv(full)
    weak = (np.einsum("kii->ki", inverse) * level[:, None] > 1e8).any(axis=1) | (diagonal <= 0).any(axis=1)
    sought = inverse @ normal @ inverse if held.any() or (diagonal <= 0).any() else inverse
    covariance = np.zeros((len(at), free.size, free.size))
    covariance[:, np.flatnonzero(free)[:, None], np.flatnonzero(free)] = sought * unit[:, None] * unit
    across = rows @ sought
    if white.matrix is None:
        redundancy = 1.0 - np.einsum("kij,kij->ki", across, rows)
        own = redundancy
        weighted = np.nan_to_num(residual) * white.weight
    else:
        rest = np.eye(len(network.ends)) - across @ rows.transpose(0, 2, 1)
        back = white.matrix.transpose(0, 2, 1)
        # distances of their own sd: an error shows by the diagonal of P Qvv P, as those of independent ones by r / sd²
        own = np.einsum("kij,kjl,kil->ki", back, rest, back)
        redundancy = np.einsum("kij,kji->ki", np.linalg.solve(white.matrix + _blank(seen), rest), white.matrix)
        whitened = white.matrix @ np.nan_to_num(residual)[:, :, None]
        weighted = (back @ whitened)[:, :, 0]
    redundancy = np.where(seen, np.clip(redundancy, 0.0, None), np.nan)
    checked = seen & (redundancy > UNCHECKED)
    standardised = np.where(checked, weighted / np.sqrt(np.where(checked, own, 1.0)), np.nan)
    used = (np.abs(rows).max(axis=1, initial=0.0) > 0).sum(axis=1)
    degrees = seen.sum(axis=1) - used + left
    whitened = white.rows(np.nan_to_num(residual)[:, :, None])[:, :, 0]
    statistic = (whitened**2).sum(axis=1)
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
        "edges": at[:, 2 * p :].reshape(len(at), -1, 2),
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
    slopes = np.zeros((len(residual), n, at.shape[1]))
    slopes[:, :, network.free] = network.design(at)[1][:, :, network.free]
    rows = white.rows(slopes)
    across = covariance @ rows.transpose(0, 2, 1)
    rest = white.back(np.eye(n) - rows @ across)
    rest = white.back(rest.transpose(0, 2, 1))
    score = white.back(white.rows(np.nan_to_num(residual)[:, :, None]))[:, :, 0]
    gain = white.back(across.transpose(0, 2, 1)).transpose(0, 2, 1)[:, : 2 * len(network.points)]
    return rest.reshape((*lead, n, n)), score.reshape((*lead, n)), gain.reshape((*lead, -1, n))


def _blank(seen: BoolArray) -> FloatArray:
    """Return a matrix (parts, n, n) with 1 on the diagonal where a distance wasn't measured."""
    return (~seen)[:, :, None] * np.eye(seen.shape[1])


def _numbers(name: str, value: ArrayLike, shape: tuple[object, ...]) -> FloatArray:
    """Return numbers, NaN where missing, of a shape in which None is any length and ``...`` any leading axes."""
    try:
        given = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise DataError(f"{name} holds something that isn't a number: {error}") from error
    wanted = shape[1:] if shape[0] is ... else shape
    tail = given.shape[given.ndim - len(wanted) :] if given.ndim >= len(wanted) else ()
    if (
        len(tail) != len(wanted)
        or any(w not in (None, t) for w, t in zip(wanted, tail, strict=True))
        or (shape[0] is not ... and given.ndim != len(wanted))
    ):
        words = ", ".join("..." if w is ... else "any" if w is None else str(w) for w in shape)
        raise DataError(f"{name} has shape {given.shape}; ({words}) is needed")
    if np.isinf(given).any():
        raise DataError(f"{name} holds an infinite number; give NaN where it wasn't measured")
    return given


def _mask(name: str, value: BoolArray | None, count: int, default: bool) -> BoolArray:
    """Return which of two numbers of each point or edge are given (count, 2)."""
    if value is None:
        return np.full((count, 2), default)
    mask = np.asarray(value)
    if mask.shape not in ((count,), (count, 2)) or mask.dtype != np.bool_:
        raise DataError(
            f"{name} has shape {mask.shape} of {mask.dtype}; ({count},) or ({count}, 2) of true and false is needed"
        )
    return np.repeat(mask[:, None], 2, axis=1) if mask.ndim == 1 else mask


def _listed(numbers: IntArray) -> str:
    """Return numbers as text, at most eight of them."""
    return ", ".join(str(int(k)) for k in numbers[:8]) + (f" and {len(numbers) - 8} more" if len(numbers) > 8 else "")
