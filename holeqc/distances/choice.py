"""Which distances to take, before anything is measured, and what uncertainty of position they will give.

The covariance of the coordinates follows from where the points are, which distances are taken and how well, not from
what is read; so sets of distances are compared beforehand. From all that are possible the one is left out that is
missed least, again and again; then distances are exchanged as long as that helps. No published example of such a choice
was found; the tests hold it against all sets of small networks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from holeqc.distances.network import FLAT, LOOSE, IntArray, Network, free_motions, geometry, placed_points
from holeqc.problems import DataError
from holeqc.quantities import BoolArray, FloatArray

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
