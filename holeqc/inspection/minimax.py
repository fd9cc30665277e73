"""Best motion of a rigid pattern in the plane: the smallest largest overshoot, over every rotation and translation.

For pattern points ``p_i``, targets ``h_i`` and zone radii ``c_i`` this finds the rotation R and translation t with the
largest margin m such that ``|R p_i + t - h_i| <= c_i - m`` for every i. The answer is exact (the rotation isn't
linearised) and it is the best of all angles, not of those near a start: each result carries the proved gap between the
margin that its motion reaches and the most that any motion could.

Ways, quick first: :mod:`minimax_fast` for nearly all parts, :mod:`minimax_cone` for ties and perfect fits,
:mod:`minimax_search` where the misfit is so large that one certificate can't cover all angles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from holeqc.inspection import minimax_fast as fast
from holeqc.inspection.minimax_certificate import Solved
from holeqc.inspection.minimax_cone import solve
from holeqc.inspection.minimax_frame import Floats, Frame, Placed, place
from holeqc.inspection.minimax_search import open_angles, search

CELLS = 48_000  #: rows times parts handled at once, so that a batch stays in the processor's cache
TOUCH = 1e-6  #: a row binds when its slack is below this part of the misfit,
TOUCH_ROUNDING = 1e-12  #: or below this part of the pattern's radius
ROUNDS = (2, 1, 2)  #: exact steps before each look at the certificates
QUICK = 0.1  #: the fast way's results are good enough at this part of the tolerance
LAST_STEPS = 7  #: exact steps for the parts that those leave


@dataclass(frozen=True, slots=True)
class BestMotion:
    """Margins and motions of a batch; a part that isn't finite has NaN, and no binding row.

    ``margin`` (B,), ``rotation`` (B,) rad about the origin, ``translation`` (B, 2) that follows it, ``binding`` (B, N),
    ``gap`` (B,): the true largest margin lies in [margin, margin + gap].
    """

    margin: npt.NDArray[np.float64]
    rotation: npt.NDArray[np.float64]
    translation: npt.NDArray[np.float64]
    binding: npt.NDArray[np.bool_]
    gap: npt.NDArray[np.float64]


def best_motion(pattern: Floats, target: Floats, zone_radius: Floats, *, rotate: bool = True) -> BestMotion:
    """Solve parts in batches of bounded size: ``pattern`` (N, 2), ``target`` (B, N, 2), ``zone_radius`` (B, N)."""
    parts, rows = target.shape[:2]
    out = BestMotion(
        np.full(parts, np.nan), np.full(parts, np.nan), np.full((parts, 2), np.nan),
        np.zeros((parts, rows), dtype=bool), np.full(parts, np.nan),
    )  # fmt: skip
    index = _whole(target, zone_radius)
    size = max(1, CELLS // rows)
    problem = _Problem(pattern, target, zone_radius, rotate)
    if rotate:
        index = _in_batches(problem, index, size, out, quick=True)
    _in_batches(problem, index, size, out, quick=False)
    return out


def proof(pattern: Floats, target: Floats, zone_radius: Floats, widest: Floats) -> tuple[Floats, float]:
    """Say what zones of one part would have to add up to: ``weight`` (N,) of sum 1, and ``need``.

    Whatever radii up to ``widest`` (N,) the zones have, all points can reach them only if ``sum(weight * radius)`` is
    at least ``need``. Taken from the dual of ``zone_radius`` (N,), which it shows to be too small if it can be shown.
    """
    placed = place(pattern, target[None], zone_radius[None], rotate=True)
    frame, scale = placed.frame, float(placed.frame.scale[0])
    with np.errstate(all="ignore"):
        found = fast.settle(frame, LAST_STEPS)
        if not found.apart[0] <= QUICK * frame.tolerance[0]:
            found = solve(frame, rotate=True)
        low, high = open_angles(frame.px, frame.py, frame.hx, frame.hy, widest[:, None] / scale)
        dual = found.bound()
        reached = float((dual.between(low, high) + dual.offset)[0])
    weight = found.weight[:, 0]
    return weight / weight.sum(), reached * scale


def _whole(target: Floats, zone_radius: Floats) -> npt.NDArray[np.intp]:
    """Return the parts in which every number is finite."""
    with np.errstate(all="ignore"):
        if np.isfinite(target.sum()) and np.isfinite(zone_radius.sum()):  # the usual case, in one quick pass
            return np.arange(len(target))
    return np.flatnonzero(np.isfinite(target).all(axis=(1, 2)) & np.isfinite(zone_radius).all(axis=1))


@dataclass(frozen=True, slots=True)
class _Problem:
    pattern: Floats
    target: Floats
    zone_radius: Floats
    rotate: bool


def _in_batches(
    problem: _Problem, index: npt.NDArray[np.intp], size: int, out: BestMotion, *, quick: bool
) -> npt.NDArray[np.intp]:
    """Solve the parts of ``index`` by one way, fill in ``out`` and return the parts that it couldn't prove."""
    left = [np.empty(0, dtype=np.intp)]
    for begin in range(0, index.size, size):
        batch = index[begin : begin + size]
        # a run without gaps is taken as a view, which spares a copy
        run = batch[-1] - batch[0] + 1 == batch.size
        where: slice | npt.NDArray[np.intp] = slice(batch[0], batch[-1] + 1) if run else batch
        placed = place(problem.pattern, problem.target[where], problem.zone_radius[where], rotate=problem.rotate)
        results = _Results(placed)
        with np.errstate(all="ignore"):  # parts that break down in the quick way are solved in the sure one
            if quick:
                results.quick()
            else:
                results.sure(problem.rotate)
            results.write(placed, out, where)
            left.append(batch[results.open(QUICK)])
    return np.concatenate(left)


class _Results:
    """Results of one batch in its frame, filled in by one way after another until every part is proved."""

    def __init__(self, placed: Placed) -> None:
        self.frame: Frame = placed.frame
        parts = self.frame.radius.size
        self.angle, self.tx, self.ty = np.zeros(parts), np.zeros(parts), np.zeros(parts)
        self.overshoot = np.full(parts, np.inf)
        self.proved = np.zeros(parts)  # the tightest zone can't be overshot by less
        self.binding = np.zeros((len(self.frame.c), parts), dtype=bool)
        self.touch = TOUCH + TOUCH_ROUNDING * self.frame.radius

    def write(self, placed: Placed, out: BestMotion, where: slice | npt.NDArray[np.intp]) -> None:
        """Put the results into ``out`` in the caller's unit and coordinates."""
        out.margin[where] = placed.margin(self.overshoot)
        out.rotation[where], out.translation[where] = placed.motion(self.angle, self.tx, self.ty)
        out.binding[where] = self.binding.T
        out.gap[where] = np.maximum(self.overshoot - self.proved, 0.0) * self.frame.scale

    def open(self, part: float = 1.0) -> npt.NDArray[np.intp]:
        """Return the parts that aren't proved to ``part`` of their tolerance."""
        return np.flatnonzero(~(self.overshoot - self.proved <= part * self.frame.tolerance))

    def quick(self) -> None:
        """Settle what the fast way can."""
        frame = self.frame
        where: slice | npt.NDArray[np.intp] = slice(None)
        guess = fast.rough(frame)
        for steps in ROUNDS:
            guess, proof = fast.sharpen(frame, guess, steps)
            over = frame.distances(guess.angle, guess.tx, guess.ty)
            over -= frame.c
            reached, proved = over.max(axis=0), proof.anywhere()
            self._put(where, guess, reached, proved, over)
            left = np.flatnonzero(~(reached - proved <= QUICK * frame.tolerance))
            if not left.size:
                return
            where = left if isinstance(where, slice) else where[left]
            frame, guess = frame.take(left), guess.take(left)

    def sure(self, rotate: bool) -> None:
        """Settle everything: where the least-squares placement isn't best already, on cones, and over the whole circle
        where that isn't proof enough."""
        over = self.frame.distances(self.angle, self.tx, self.ty) - self.frame.c
        self._put(slice(None), self, over.max(axis=0), self.proved, over)
        index = self.open(QUICK)
        if not index.size:
            return
        frame = self.frame.take(index)
        if not rotate:
            self._take_over(index, frame, _on_cones(frame, rotate=False))
            return
        found = fast.settle(frame, LAST_STEPS)
        stuck = np.flatnonzero(~(found.apart <= QUICK * frame.tolerance))
        if stuck.size:
            found.put(stuck, _on_cones(frame.take(stuck), rotate=True))
        self._take_over(index, frame, found)
        left = np.flatnonzero(~(found.overshoot - found.proved <= frame.tolerance))
        if left.size:
            frame, found = frame.take(left), found.take(left)
            search(frame, found)
            fast.finish(frame, found, LAST_STEPS, rotate=True)
            self._take_over(index[left], frame, found)

    def _take_over(self, index: npt.NDArray[np.intp], frame: Frame, found: Solved) -> None:
        over = frame.distances(found.angle, found.tx, found.ty) - frame.c
        self._put(index, found, found.overshoot, np.maximum(found.proved, 0.0), over)

    def _put(
        self, where: slice | npt.NDArray[np.intp], motion: Solved | fast.Exact | _Results, overshoot: Floats,
        proved: Floats, over: Floats,
    ) -> None:  # fmt: skip
        self.angle[where], self.tx[where], self.ty[where] = motion.angle, motion.tx, motion.ty
        self.overshoot[where], self.proved[where] = overshoot, proved
        self.binding[:, where] = over >= overshoot - self.touch[where]


def _on_cones(frame: Frame, *, rotate: bool) -> Solved:
    """Solve on cones, then take exact steps from where rounding stops them."""
    found = solve(frame, rotate=rotate)
    fast.finish(frame, found, LAST_STEPS, rotate=rotate)
    return found
