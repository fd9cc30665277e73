"""The least reaming that lets a pin pattern in.

Reaming takes a hole to a larger diameter about the same axis: the hole's centre is assumed to stay where it was
measured. A tool that goes through several walls takes each of them to its own size, and leaves those that are larger
already. Total enlargement is the sum over the rows. Among equal totals the fewest passes win.

With reamers of given sizes this is a choice of sizes, found by an integer program over cuts: a choice that is not
enough shows, by the proof of its margin, a weighted sum of diameters that is too small for the pins however they are
moved. Without given sizes see :mod:`holeqc.inspection.pin_gauge_cuts`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from time import monotonic

import numpy as np
import numpy.typing as npt

from holeqc.inspection.minimax import best_motion, proof
from holeqc.inspection.pin_gauge_cuts import GRAIN, Work, least_continuous
from holeqc.inspection.pin_gauge_input import Floats, array, checked, no_missing, per_row
from holeqc.inspection.pin_gauge_passes import SAME, Passes
from holeqc.inspection.pin_gauge_solver import mixed_program
from holeqc.problems import DataError

SECONDS = 5.0  #: longest search among given sizes; after that the best that is known, said not to be proved
SHORT = 1e-5  #: sums of diameters short by less (as a part of the largest cost) are within the solver's tolerance


@dataclass(frozen=True, slots=True)
class Reaming:
    """Sizes to ream to, and what they bring.

    Parameters
    ----------
    diameter : (N,) sizes after reaming [unit of the input]
    enlargement : (N,) diameter added
    total : sum of the enlargements
    passes : numbers of the passes made: the labels of ``together``, or row numbers
    least : no reaming inside the limits has a smaller total than this; where it equals ``total`` but for rounding, the
        choice is proved to be the least
    margin, rotation, translation : of the pins after reaming, as in
        :class:`holeqc.inspection.pin_gauge.PatternFit`
    """

    diameter: Floats
    enlargement: Floats
    total: float
    passes: npt.NDArray[np.int64]
    least: float
    margin: float
    rotation: float
    translation: Floats


def smallest_reaming(
    pin_xy: npt.ArrayLike,
    hole_xy: npt.ArrayLike,
    hole_diameter: npt.ArrayLike,
    pin_diameter: npt.ArrayLike,
    largest_diameter: npt.ArrayLike,
    steps: Sequence[float] | Floats | None = None,
    *,
    together: npt.ArrayLike | None = None,
) -> Reaming | None:
    """Find the reaming of least total enlargement, each hole inside its limit, that lets all pins of one part enter.

    Parameters
    ----------
    pin_xy, hole_xy : (N, 2) [any unit of length, the same everywhere]
    hole_diameter, pin_diameter : (N,)
    largest_diameter : (N,) or a number: how far each row may be reamed; not above its present size: not at all
    steps : sizes of the reamers at hand; every pass ends at one of them. None: any size
    together : (N,) whole numbers; rows with the same number are reamed in one pass (one hole through several walls).
        None: every row by itself

    Returns
    -------
    Reaming (without a pass where the pins enter as it is), or None where not even all holes at their largest let them
    in: then it goes to engineering

    Raises
    ------
    DataError : shapes that don't belong together, missing or infinite numbers, more than one part

    Holes are taken to keep their centres, and to be round and square to the wall. Whether the drawing or the approved
    data permit the sizes is the caller's to say, by ``largest_diameter``.
    """
    problem = _problem(pin_xy, hole_xy, hole_diameter, pin_diameter, largest_diameter, steps, together)
    if problem.enters(problem.size):
        return _result(problem, problem.size, 0.0)
    if not problem.enters(problem.all_the_way()):
        return None
    size, least = least_continuous(problem) if steps is None else _least_of_steps(problem)
    return _result(problem, size, least)


def _problem(
    pin_xy: npt.ArrayLike, hole_xy: npt.ArrayLike, hole_diameter: npt.ArrayLike, pin_diameter: npt.ArrayLike,
    largest_diameter: npt.ArrayLike, steps: Sequence[float] | Floats | None, together: npt.ArrayLike | None,
) -> Passes:  # fmt: skip
    gauge = checked(pin_xy, hole_xy, hole_diameter, pin_diameter)
    rows = len(gauge.pin)
    if len(gauge.hole) != 1:
        raise DataError(f"{len(gauge.hole)} parts given; reaming is worked out for one part at a time")
    no_missing("hole_xy", gauge.hole)
    no_missing("hole_diameter", gauge.hole_diameter)
    limit = array("largest_diameter", largest_diameter)
    limit = per_row("largest_diameter", np.full(rows, limit) if limit.ndim == 0 else limit, rows)
    no_missing("largest_diameter", limit)
    label = np.arange(rows) if together is None else np.asarray(together)
    if label.shape != (rows,) or not np.issubdtype(label.dtype, np.integer):
        raise DataError(f"together has shape {label.shape} and type {label.dtype}; ({rows},) whole numbers are needed")
    tools = None
    if steps is not None:
        tools = np.unique(array("steps", steps))
        no_missing("steps", tools)
    names, group = np.unique(label, return_inverse=True)
    return Passes(
        gauge.pin, gauge.hole[0], gauge.hole_diameter[0], gauge.pin_diameter[0], limit[0], group,
        names.astype(np.int64), tools,
    )  # fmt: skip


def _result(problem: Passes, size: Floats, least: float) -> Reaming:
    fit = best_motion(problem.pin, problem.hole[None], ((size - problem.pin_size) / 2)[None])
    added = size - problem.size
    made = np.unique(problem.group[added > 0])
    return Reaming(
        diameter=size, enlargement=added, total=float(added.sum()), passes=problem.names[made],
        least=min(max(least, 0.0), float(added.sum())), margin=float(fit.margin[0]), rotation=float(fit.rotation[0]),
        translation=fit.translation[0],
    )  # fmt: skip


def _least_of_steps(problem: Passes) -> tuple[Floats, float]:
    """Return sizes and proved least total for reamers of given sizes: first the least total, then the fewest passes."""
    search = _Search(problem)
    search.run(search.cost, None)
    search.run((search.cost > 0).astype(np.float64), search.work.total(search.best) + 1e-9 * search.unit)
    return search.best, search.least


class _Search:
    """Integer programs over all passes at all sizes; ``best`` sizes known to be enough, ``least`` total proved.

    ``group`` (K,) the pass of each choice, ``cost`` (K,) its enlargement, ``added`` (K, N) what it adds to each row;
    the first choice of each pass is to leave it out.
    """

    def __init__(self, problem: Passes) -> None:
        self.problem, self.work = problem, Work(problem)
        choices = [(n, step) for n in range(len(problem.names)) for step in (0.0, *problem.tools(n))]
        self.group = np.array([number for number, _ in choices])
        self.added = np.array([problem.after(number, step) for number, step in choices]) - problem.size
        self.cost = self.added.sum(axis=1)
        self.unit = float(self.cost.max())
        self.widest = (problem.all_the_way() - problem.pin_size) / 2
        self.cuts: list[Floats] = []
        self.levels: list[float] = []
        self.end = monotonic() + SECONDS
        self.work.rows_apart()
        self.least = self.work.least
        self.best = self._lowered(self._rounded_up(self.work.best))

    def _rounded_up(self, size: Floats) -> Floats:
        """Return the next sizes (N,) that the reamers give, which are enough if ``size`` is."""
        up = self.problem.size.copy()
        for number in range(len(self.problem.names)):
            mine = self.problem.group == number
            wanted = np.where(size > self.problem.size, size, 0.0)[mine].max()
            tools = self.problem.tools(number)
            tools = tools[tools >= wanted * (1 - SAME)]
            if wanted > 0 and not tools.size:
                return self.problem.all_the_way()
            up = np.maximum(up, self.problem.after(number, float(tools[0]) if wanted > 0 else 0.0))
        return up

    def _lowered(self, size: Floats) -> Floats:
        """Return sizes from which no single pass can be made smaller; each time the dearest that can be is."""
        size = size if self.problem.enters(size) else self.problem.all_the_way()
        while True:
            chosen = self._choice(size)
            less = np.flatnonzero(self.cost < self.cost[chosen][self.group])
            if not less.size:
                return size
            tried = np.repeat(size[None], less.size, axis=0)
            mine = self.problem.group == self.group[less, None]
            tried = np.where(mine, self.problem.size + self.added[less], tried)
            good = np.flatnonzero(self.problem.enter(tried))
            if not good.size:
                return size
            size = tried[good[np.argmin(tried[good].sum(axis=1))]]

    def _choice(self, size: Floats) -> npt.NDArray[np.intp]:
        """Return the choice of each pass that gives these sizes."""
        off = np.abs(self.problem.size + self.added - size) * (self.problem.group == self.group[:, None])
        mine = self.group == np.arange(len(self.problem.names))[:, None]
        return np.asarray(np.where(mine, off.sum(axis=1), np.inf).argmin(axis=1))

    def run(self, goal: Floats, most: float | None) -> None:
        """Find the choice with the least ``goal`` that is enough, its total no more than ``most``."""
        while monotonic() < self.end:
            chosen, bound, exact = self._solve(goal, most)
            if most is None:
                self.least = max(self.least, min(bound, self.work.total(self.best)))
            if chosen is None or goal[chosen].sum() >= goal[self._choice(self.best)].sum() - 1e-9 * goal.max():
                break
            size = self.problem.size + self.added[chosen].sum(axis=0)
            if self.problem.enters(size):
                self.best = size
                if exact:
                    break
            else:
                self._rule_out(size, chosen)

    def _rule_out(self, size: Floats, chosen: npt.NDArray[np.intp]) -> None:
        """Rule a choice out: by the sum of diameters that its proof asks for, or else by asking for one larger.

        Either holds at any motion. The lines of the motion at which the pins come closest to entering are added too.
        """
        problem, clear = self.problem, (size - self.problem.pin_size) / 2
        weight, need = proof(problem.pin, problem.hole, clear, self.widest)
        # counted from the present sizes, so that the program sees differences and not whole diameters
        cut = self.added @ weight / self.unit
        level = (2 * need - float(weight @ (problem.size - problem.pin_size))) / self.unit
        if float(cut[chosen].sum()) >= level - SHORT:
            cut, level = (self.cost > self.cost[chosen][self.group]).astype(np.float64), 1.0
        self.cuts.append(cut)
        self.levels.append(level)
        self.work.go_to_best(clear)
        self.work.touch()

    def _solve(self, goal: Floats, most: float | None) -> tuple[npt.NDArray[np.intp] | None, float, bool]:
        """Return the choice of each pass, a lower bound of the goal, and whether the choice is the least there is."""
        from scipy.optimize import Bounds, LinearConstraint

        count, scale = goal.size, float(goal.max())
        lines, right = self.work.lines(curved=True)
        taken = lines[:, 3:] @ self.added.T * GRAIN / self.work.unit
        each = (self.group == np.arange(len(self.problem.names))[:, None]).astype(np.float64)
        rules = [
            LinearConstraint(np.hstack([each, np.zeros((len(each), 3))]), 1, 1),
            LinearConstraint(np.hstack([taken, lines[:, :3]]), -np.inf, right),
        ]
        if self.cuts:
            cuts = np.array(self.cuts)
            rules.append(LinearConstraint(np.hstack([cuts, np.zeros((len(cuts), 3))]), np.array(self.levels), np.inf))
        if most is not None:
            rules.append(LinearConstraint(np.r_[self.cost, np.zeros(3)][None] / self.unit, -np.inf, most / self.unit))
        low, high = np.array(self.work.reach()).T
        found = mixed_program(
            np.r_[goal / scale, np.zeros(3)], constraints=rules, integrality=np.r_[np.ones(count), np.zeros(3)],
            bounds=Bounds(np.r_[np.zeros(count), low], np.r_[np.ones(count), high]),
            options={"time_limit": max(self.end - monotonic(), 0.1), "mip_rel_gap": 0.0},
        )  # fmt: skip
        bound = 0.0 if found.mip_dual_bound is None else float(found.mip_dual_bound) * scale
        if found.x is None:
            return None, bound, False
        chosen = np.array([np.flatnonzero(mine)[np.argmax(found.x[:count][mine > 0])] for mine in each])
        return chosen, bound, found.status == 0
